"""Find the slots of a stage: which variables choose one of several regions that are alike.

What may be a slot is told by names and shapes; that it is one, by a proof: with other values of its
variables, the stage must start from the other regions, and from no region of this one.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from itertools import islice

from imgaudit.model import Layout, Region, Slot, Stage
from imgaudit.patterns import regex
from imgaudit.proof.prove import prove
from imgaudit.proof.records import Proof, Verdict
from imgaudit.rules.subject import Subject

_MOST_TRIED = 16
_NAMED = regex(r"(.+?)(?:[-_.]([a-d])|[-_.]?([0-3])|(?<=[a-z])([A-D]))")
_USED = regex(r"\$(?:(\w+)|\{([^}]*)\})")
_ALIKE = frozenset({"ext4", "squashfs", "erofs", "f2fs", "fit", "fat", "ubifs", "btrfs"})

Members = dict[str, Region]
"""Regions that are alike, by the slot that each may be of."""


def slots_of(subject: Subject, layout: Layout, stage: Stage) -> tuple[Slot, ...]:
    """Give the slots of a stage; none where it has but one copy, or nothing tells of another."""
    values = {name: item.value for name, item in subject.boots.variables.items()}
    for slots in islice(_candidates(layout, stage, values), _MOST_TRIED):
        proven = _proven(subject, layout, stage, slots)
        if proven:
            return proven
    return ()


def slot_stem(label: str) -> str:
    """Give a label without the letter or number of a slot."""
    named = _NAMED.fullmatch(label)
    return label if named is None else named[1]


def twins(one: str, other: str) -> bool:
    """Tell whether two labels differ in a letter or number of a slot only."""
    first, second = _NAMED.fullmatch(one), _NAMED.fullmatch(other)
    return first is not None and second is not None and one != other and first[1] == second[1]


def starts(subject: Subject, layout: Layout, stage: Stage) -> bool:
    """Tell whether a stage is proven to start from its regions, were it in the layout."""
    return any(it.verdict is Verdict.PROVEN for it in _proofs(subject, layout, stage))


def taken_by(subject: Subject, layout: Layout, stage: Stage) -> set[str]:
    """Name the regions that a stage starts from, were it in the layout."""
    chains = (proof.chain for proof in _proofs(subject, layout, stage))
    return {link.region for chain in chains for link in chain if link.region is not None}


def _proofs(subject: Subject, layout: Layout, stage: Stage) -> Iterator[Proof]:
    """Prove a stage over the environment that U-Boot takes."""
    if subject.copies is not None:
        build = replace(subject, layout=replace(layout, stages={stage.name: stage}))
        proofs = prove(build, subject.copies, subject.boots, subject.rescues)
        yield from (proof for proof in proofs if proof.taken)


def _proven(
    subject: Subject, layout: Layout, stage: Stage, slots: tuple[Slot, ...]
) -> tuple[Slot, ...]:
    """Give the slots with the regions that make the difference, if each starts from its own."""
    used: dict[str, set[str]] = {}
    for proof in _proofs(subject, layout, replace(stage, slots=slots)):
        if proof.verdict is Verdict.PROVEN:
            used[proof.slot] = {link.region for link in proof.chain if link.region is not None}
    found = []
    for slot in slots:
        others = set().union(*(other.regions for other in slots if other is not slot))
        mine = used.get(slot.name, set())
        own = tuple(name for name in slot.regions if name in mine)
        if not own or mine & others:
            return ()
        found.append(replace(slot, regions=own))
    return tuple(found)


def _candidates(
    layout: Layout, stage: Stage, values: Mapping[str, str]
) -> Iterator[tuple[Slot, ...]]:
    """Give what may be slots: by one variable each, then by all of them together."""
    mine = [layout.region(name) for name in stage.regions]
    used = {"".join(name) for text in values.values() for name in _USED.findall(text)}
    for groups in (_by_names(mine), _by_shape(mine)):
        for ids, members in groups.items():
            regions = {name: [it[name].name for it in members] for name in ids}
            choices = {
                variable: choice
                for variable, text in values.items()
                if variable in used and (choice := _choice(text, ids, members))
            }
            tried = [[name] for name in choices]
            for names in (*tried, *([list(choices)] if len(choices) > 1 else [])):
                yield tuple(
                    Slot(
                        where=stage.where,
                        name=name,
                        variables={variable: choices[variable][name] for variable in names},
                        regions=tuple(regions[name]),
                    )
                    for name in ids
                )


def _by_names(regions: list[Region]) -> dict[tuple[str, ...], list[Members]]:
    """Group regions whose labels differ in a letter or number at the end."""
    stems: dict[tuple[str, str], Members] = defaultdict(dict)
    for region in regions:
        named = _NAMED.fullmatch(region.label)
        if named is not None and region.holds != "uboot-env":
            stem, *ends = named.groups()
            stems[stem, region.holds].setdefault(next(filter(None, ends)).lower(), region)
    return _by_ids(stems.values())


def _by_shape(regions: list[Region]) -> dict[tuple[str, ...], list[Members]]:
    """Group partitions of one size and format: their names need not tell."""
    alike: dict[tuple[str, int, str], list[Region]] = defaultdict(list)
    for region in regions:
        if region.partition is not None and region.holds in _ALIKE:
            alike[region.area, region.size, region.holds].append(region)
    return _by_ids(dict(zip("abcd", found, strict=False)) for found in alike.values())


def _by_ids(groups: Iterable[Members]) -> dict[tuple[str, ...], list[Members]]:
    found: dict[tuple[str, ...], list[Members]] = defaultdict(list)
    for members in groups:
        if len(members) > 1:
            found[tuple(sorted(members))].append(members)
    return found


def _choice(text: str, ids: tuple[str, ...], groups: list[Members]) -> dict[str, str] | None:
    """Give what a variable is for each slot, if its value names one: id, order, number, name."""
    if text.lower() in ids:
        return {name: name.upper() if text.isupper() else name for name in ids}
    words = text.split()
    if len(words) > 1 and {word.lower() for word in words} == set(ids):
        return {
            name: " ".join(sorted(words, key=lambda word: word.lower() != name)) for name in ids
        }
    for members in groups:
        for said in (
            {name: str(region.partition) for name, region in members.items()},
            {name: f"{region.partition or 0:x}" for name, region in members.items()},
            {name: region.label for name, region in members.items()},
        ):
            if text in said.values():
                return said
    return None
