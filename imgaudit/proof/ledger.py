"""What was looked at: for each region (and its bytes), stage and copy of the map, by what.

It is honest bookkeeping, not a judgement: a container's sum covers its bytes whatever they are, a
header says nothing of what follows it.
"""

from __future__ import annotations

import contextlib
from bisect import bisect_right
from collections import defaultdict
from collections.abc import Container, Iterable, Iterator, Mapping, Sequence
from dataclasses import field, replace
from enum import StrEnum

from imgaudit.boot.firmware import Firmware
from imgaudit.contents.build import Build, Placement
from imgaudit.contents.tree import BLOCK, NO_FORMAT, PASSED_OVER, UNKNOWN, Content
from imgaudit.data import dataclass
from imgaudit.errors import UnreadError
from imgaudit.formats.cpio import CpioFacts
from imgaudit.formats.fdt import FdtFacts
from imgaudit.formats.files import FileSystem
from imgaudit.formats.fip import Fip
from imgaudit.formats.fit import FitFacts
from imgaudit.formats.ubi import Ubi
from imgaudit.formats.uboot_env import UbootEnv
from imgaudit.formats.view import View
from imgaudit.layout.keys import alternatives
from imgaudit.maps.collect import Copies
from imgaudit.maps.entry import Kind
from imgaudit.model import MOUNTED, Layout, Must, Region, Where, Writer
from imgaudit.proof.records import Proof, Verdict
from imgaudit.units import Span, joined


class Seen(StrEnum):
    """How far bytes were looked at, the best first."""

    VERIFIED = "verified by a sum"
    FOLLOWED = "followed to its end"
    HEADER = "header only"
    SIZE = "size only"
    UNSEEN = "unseen"

    @property
    def rank(self) -> int:
        """0 for the best."""
        return list(Seen).index(self)


@dataclass(frozen=True, kw_only=True)
class Line:
    """One line of the ledger; `kind` is region, stage, copy, guess or limit.

    `seen` is the state of its least known bytes, None for a stage, whose `state` is that of its
    proof; `stage` is its name without a slot. `size` gives the bytes in each state. `open` tells
    that something the layout names was not judged.
    """

    kind: str
    name: str
    state: str
    why: str
    open: bool = False
    seen: Seen | None = None
    size: Mapping[Seen, int] = field(default_factory=dict)
    where: Where | None = None
    stage: str = ""


def guesses(layout: Layout) -> Iterator[Line]:
    """Give a line for each thing of the layout that stands on guesses: all may hold, or nothing."""
    for name, thing in layout.guesses():
        keys = alternatives(thing.guessed, "and")
        one = len(thing.guessed) == 1
        yield Line(
            kind="guess",
            name=name,
            state="not looked up",
            why=f"{keys} {'is a guess' if one else 'are guesses'}; put in what is true, and delete"
            " the key guessed",
            open=True,
            where=thing.at_key("guessed"),
        )


def limits(heard: Iterable[tuple[str, str]]) -> Iterator[Line]:
    """Give an open line for each thing that was left out because there is too much of it."""
    for where, why in heard:
        yield Line(
            kind="limit",
            name=where,
            state=Seen.UNSEEN.value,
            seen=Seen.UNSEEN,
            why=why,
            open=True,
        )


# What a reader follows from the first byte to the last, once it gives facts at all.
_WHOLE = (Fip, FitFacts, FdtFacts, CpioFacts, UbootEnv)
_NO_SUM = "it has no checksum"


def ledger(
    build: Build, copies: Copies, proofs: Sequence[Proof], firmware: Sequence[Firmware]
) -> tuple[Line, ...]:
    """Give a line for all that the layout names; `firmware` are the boot programs found."""
    layout = build.layout
    if layout is None:
        return ()
    programs = {found.node.content.name for found in firmware}
    lines = (
        *(_region(placement, layout, programs) for placement in build.placements),
        *_stages(layout, proofs),
        *_copies(build, layout, copies),
    )
    return _asked(lines, layout.policy.judge)


def proven_again(
    lines: Sequence[Line], layout: Layout, proofs: Sequence[Proof]
) -> tuple[Line, ...]:
    """Give a ledger whose stages have other proofs now."""
    stages = {line.name: line for line in _stages(layout, proofs) if line.stage}
    return tuple(
        stages.get(line.name, line) if line.kind == "stage" and line.stage else line
        for line in lines
    )


def _asked(lines: Sequence[Line], asked: Sequence[Must]) -> tuple[Line, ...]:
    """Open what a policy asks for and nothing was seen of, or that the layout does not name."""
    wanted = {(must.kind, must.name) for must in asked}
    found = {(line.kind, name) for line in lines for name in (line.name, line.stage) if name}
    return (
        *(
            replace(line, open=True, why=f"the policy asks that it is judged; {line.why}")
            if not line.open and line.seen is Seen.UNSEEN and (line.kind, line.name) in wanted
            else line
            for line in lines
        ),
        *(
            Line(
                kind=must.kind,
                name=must.name,
                state=Seen.UNSEEN.value,
                seen=Seen.UNSEEN,
                why="the policy asks that it is judged, and the layout does not name it",
                open=True,
                where=must.where,
            )
            for must in dict.fromkeys(asked)
            if must.kind != "group" and (must.kind, must.name) not in found
        ),
    )


# Regions ------------------------------------------------------------------------------------------


def _region(placement: Placement, layout: Layout, programs: Container[str]) -> Line:
    region, payload = placement.region, placement.payload
    if payload is None:
        return _absent(placement, layout)
    if region.holds == "blank":
        return _line(region, Seen.FOLLOWED, "it is to be blank", {Seen.FOLLOWED: payload.size})
    size: dict[Seen, int] = defaultdict(int)
    reasons: dict[Seen, str] = {}
    for length, seen, why in _spans(payload, payload.view, programs):
        if length:
            size[seen] += length
            reasons.setdefault(seen, why)
    worst = max(size, key=lambda seen: seen.rank, default=Seen.FOLLOWED)
    # A few unknown bytes in what is known, such as a blob in a FIP, leave the region judged.
    unknown = size.get(Seen.SIZE, 0) * 2 > payload.size and payload.format not in MOUNTED
    is_open = unknown or Seen.UNSEEN in size
    return _line(region, worst, reasons.get(worst, ""), dict(size), is_open=is_open)


def _line(
    region: Region, seen: Seen, why: str, size: Mapping[Seen, int], *, is_open: bool = False
) -> Line:
    return Line(
        kind="region",
        name=region.name,
        state=seen.value,
        seen=seen,
        why=why,
        open=is_open,
        size=size,
        where=region.where,
    )


def _absent(placement: Placement, layout: Layout) -> Line:
    """Say why nothing of a region was seen; what the unit itself writes is in no build."""
    region = placement.region
    if region.file is not None:
        why, is_open = placement.missing or "its artifact is missing", True
    elif region.writer is Writer.RELEASE:
        why, is_open = "the layout names no file for it, although a release writes it", True
    elif twins := [twin.name for twin in layout.twins(region.name) if twin.file is not None]:
        why, is_open = f"the layout names no file for it, but one for its copy {twins[0]}", True
    else:
        why, is_open = f"no artifact: {_WRITTEN[region.writer]}", False
    return Line(
        kind="region",
        name=region.name,
        state=Seen.UNSEEN.value,
        seen=Seen.UNSEEN,
        why=why,
        open=is_open,
        size={Seen.UNSEEN: region.size},
        where=region.where,
    )


_WRITTEN = {
    Writer.FACTORY: "the factory writes it",
    Writer.RUNTIME: "the unit writes it",
    Writer.RELEASE: "a release writes it",
}


def _spans(
    content: Content, view: View | None, programs: Container[str]
) -> Iterator[tuple[int, Seen, str]]:
    """Give how much of a content is in which state, and why: what is inside replaces its holder.

    `view` has its bytes, where they were kept.
    """
    seen, why = _alone(content, view, programs)
    facts = content.facts
    if seen is Seen.UNSEEN or facts is None or content.inner is not None:
        yield content.size, seen, why
        return
    covered = _Covered(checksum.covers for checksum in facts.checksums if checksum.matches)
    if isinstance(facts, Ubi):
        yield from _volumes(content, facts, view, programs)
        return
    inner = 0
    end = 0
    for child in sorted(content.children, key=lambda one: one.offset):
        if child.offset < end:
            continue  # shared with the one before, or made by a decompressor
        end = child.offset + child.size
        inner += child.size
        if covered.has(child):
            yield child.size, Seen.VERIFIED, ""
        else:
            there = view is not None and end <= view.size
            inside = view.sub(child.offset, child.size) if view and there else None
            yield from _spans(child, inside, programs)
    length = min(content.size, content.size if facts.length is None else facts.length)
    summed = min(max(0, length - inner), covered.size - covered.within(content))
    yield summed, Seen.VERIFIED, ""
    yield max(0, length - inner - summed), seen, why
    behind = max(0, content.size - max(length, end))
    if behind:
        yield behind, *_behind(content, view, max(length, end))


def _volumes(
    content: Content, facts: Ubi, view: View | None, programs: Container[str]
) -> Iterator[tuple[int, Seen, str]]:
    """Give how much of a UBI is in which state: its blocks are followed, its volumes are read."""
    parts = {f"{content.name}/{part.name}": part for part in facts.parts()}
    left = content.size
    for child in content.children:
        part = parts.get(child.name)
        inside = facts.open(view, part) if view is not None and part is not None else None
        left -= child.size
        volume = facts.volume(part.name) if part is not None else None
        if volume is not None and volume.summed:
            yield child.size, Seen.VERIFIED, ""
        else:
            yield from _spans(child, inside, programs)
    seen, why = (Seen.UNSEEN, facts.unwalked) if facts.unwalked else (Seen.FOLLOWED, "")
    yield max(0, left), seen, why


class _Covered:
    """What sums cover of a content."""

    def __init__(self, spans: Iterable[Span]) -> None:
        self.spans = joined(spans)
        self.starts = [span.start for span in self.spans]
        self.size = sum(span.size for span in self.spans)

    def has(self, child: Content) -> bool:
        """Tell whether they cover all of a child."""
        number = bisect_right(self.starts, child.offset) - 1
        return number >= 0 and child.offset + child.size <= self.spans[number].end

    def within(self, content: Content) -> int:
        """Count the bytes of the children that they cover."""
        inside = (child for child in content.children if child.offset >= 0)
        return sum(child.size for child in inside if self.has(child))


def _behind(content: Content, view: View | None, at: int) -> tuple[Seen, str]:
    if content.blocks is not None:
        # A block that starts before may hold the end, and something else behind it.
        end = content.blocks.end
        last = max(content.blocks.digests, default=-1) * BLOCK
        empty = end <= at if end is not None else last + BLOCK <= at
    else:
        empty = view is not None and _padding(view, at)
    if empty:
        return Seen.FOLLOWED, "padding"
    return Seen.UNSEEN, f"what stands behind the end of {content.name} is not looked at"


def _padding(view: View, at: int) -> bool:
    """Tell whether all from an offset on repeats 0x00 or 0xFF."""
    first: bytes | None = None
    with contextlib.suppress(UnreadError):
        for piece in view.chunks(at, view.size):
            first = first or piece[:1]
            if first not in {b"\0", b"\xff"} or piece != first * len(piece):
                return False
        return True
    return False


def _alone(content: Content, view: View | None, programs: Container[str]) -> tuple[Seen, str]:
    """Tell how far a content itself was looked at, apart from what is inside it."""
    if content.inner is not None:
        if content.complete:
            return Seen.FOLLOWED, ""
        return Seen.UNSEEN, f"{content.name} was not unpacked to its end: {content.why}"
    if content.facts is not None:
        if isinstance(content.facts, _WHOLE):
            return Seen.FOLLOWED, ""
        if isinstance(content.facts, FileSystem):
            unwalked = content.facts.unwalked
            if not unwalked:
                return Seen.FOLLOWED, ""
            return Seen.UNSEEN, f"{content.name} was not walked to its end: {unwalked}"
        return Seen.HEADER, f"{content.name}: {_NO_SUM}"
    unseen = view is None and content.why != NO_FORMAT
    if content.format is not None or unseen or content.why.startswith(PASSED_OVER):
        return Seen.UNSEEN, f"{content.name}: {content.why or 'its bytes were not kept'}"
    if content.name in programs:
        return Seen.HEADER, f"{content.name} is known by its version text only; {_NO_SUM}"
    return Seen.SIZE, f"{content.name} is {UNKNOWN}"


def read_back(
    layout: Layout, areas: Container[str], known: Mapping[str, int | None]
) -> tuple[Line, ...]:
    """Give the ledger of dumps: `known` has the bytes that each region is held against."""
    lines = []
    for region in layout.regions:
        if region.area not in areas:
            continue
        size = known.get(region.name)
        if size:
            lines.append(_line(region, Seen.VERIFIED, "", {Seen.VERIFIED: size}))
            continue
        expected = region.file is not None or region.writer is Writer.RELEASE
        why = (
            "nothing is known of what it should hold" if size is None else "it should hold 0 bytes"
        )
        seen = {Seen.UNSEEN: region.size}
        lines.append(_line(region, Seen.UNSEEN, why, seen, is_open=expected))
    return tuple(lines)


# Stages and copies --------------------------------------------------------------------------------


def _stages(layout: Layout, proofs: Sequence[Proof]) -> Iterator[Line]:
    if not layout.stages:
        why = "the layout names no stages:, so nothing is proven to start"
        yield Line(kind="stage", name="none", state="unproven", why=why, open=True)
    first = _first(proofs)
    for stage in layout.stages.values():
        for proof in first.get(stage.name, {}).values():
            lost = proof.verdict is Verdict.UNPROVEN
            yield Line(
                kind="stage",
                name=proof.name,
                state=proof.verdict.value,
                why=proof.line(),
                open=lost,
                stage=stage.name,
                where=stage.where,
            )
        if stage.needs is not None and stage.ramdisk is None:
            why = "needs: is not looked at, since the stage names no ramdisk:"
            yield Line(
                kind="stage",
                name=f"{stage.name} needs",
                state=Seen.UNSEEN.value,
                why=why,
                open=True,
                where=stage.where,
            )


def _first(proofs: Sequence[Proof]) -> dict[str, dict[str, Proof]]:
    """Give the proofs over the environment that U-Boot takes, by stage and slot."""
    found: dict[str, dict[str, Proof]] = {}
    for proof in proofs:
        found.setdefault(proof.stage.name, {}).setdefault(proof.slot, proof)
    return found


def _copies(build: Build, layout: Layout, copies: Copies) -> Iterator[Line]:
    """Give a line for each further copy of the map that the layout names."""
    elsewhere = layout.elsewhere
    if elsewhere is None:
        return
    trees = {copy.place.artifact for copy in copies.device_trees}
    environments = {copy.place.artifact for copy in copies.environments}
    known = {
        "device-tree": (elsewhere.device_tree, bool(trees)),
        "environment": (elsewhere.environment, bool(environments)),
        "mtdparts": (elsewhere.mtdparts, bool(copies.maps)),
        "uboot-config": (elsewhere.uboot_config, copies.uboot_config is not None),
        "flash-tool-config": (elsewhere.flash_tool_config, copies.flash_tool_config is not None),
        "disk-description": (
            elsewhere.disk_description,
            any(copy.says.kind is Kind.DISK_DESCRIPTION for copy in copies.maps),
        ),
    }
    open_ends = {
        "disk-description": next(
            (
                note
                for copy in copies.maps
                if copy.says.kind is Kind.DISK_DESCRIPTION
                for note in copy.says.notes
            ),
            "",
        )
    }
    for key, (name, found) in known.items():
        if name is None:
            continue
        missing = open_ends.get(key, "")
        unread = build.unreadable.get(name, f"{name} could not be had or read")
        why = missing if found else unread
        seen = (Seen.HEADER if missing else Seen.FOLLOWED) if found else Seen.UNSEEN
        yield Line(
            kind="copy",
            name=key,
            state=seen.value,
            seen=seen,
            why=why,
            open=not found or bool(missing),
            where=elsewhere.at_key(key),
        )
