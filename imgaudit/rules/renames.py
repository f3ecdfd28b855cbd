"""Names of regions that mend a fault, each tried on the build before it is told.

A region is called otherwise in the layout, in a copy of its map, or where a command line looks it
up; then all checks run again. A name is told only where its finding is gone, no other has come,
and nothing is left unjudged that was judged before.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

from imgaudit.data import dataclass
from imgaudit.formats.gpt import Gpt
from imgaudit.formats.ubi import Ubi
from imgaudit.maps import command_line
from imgaudit.maps.collect import Copies, collect
from imgaudit.maps.entry import MapCopy
from imgaudit.rules import checks
from imgaudit.rules._map import Row, listed, tables
from imgaudit.rules.drift import looked_up
from imgaudit.rules.engine import Engine, Finding

if TYPE_CHECKING:
    from imgaudit.model import Layout, Region
    from imgaudit.rules.subject import Subject

# A trial runs all checks: a twentieth of an audit. A layout of more regions takes longer.
_TRIALS = 12
_REGIONS = 100
_TOLD = 2
_SHOWN = 4
_NEAR = 3  # names like the one that is looked up

_Key = tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Change:
    """The build with other names in it, and what to say of the change."""

    subject: Subject
    said: str


def renamed(subject: Subject, findings: Iterable[Finding]) -> list[Finding]:
    """Add to each finding that another name can mend the names that were tried and do so."""
    findings = list(findings)
    if subject.layout is None or subject.copies is None or len(subject.layout.regions) > _REGIONS:
        return findings
    trials = _Trials(subject, subject.layout, subject.copies)
    return [trials.advise(item) if item.rule.renames and item.counts else item for item in findings]


class _Trials:
    """The build with one name changed, and what the rules say then."""

    def __init__(self, subject: Subject, layout: Layout, copies: Copies) -> None:
        self._subject = subject
        self._layout = layout
        self._copies = copies
        self._left = _TRIALS
        self._before: tuple[Mapping[_Key, int], frozenset[_Key]] | None = None

    def advise(self, finding: Finding) -> Finding:
        told: list[str] = []
        for change in self._changes(finding):
            if self._left <= 0 or len(told) == _TOLD:
                break
            self._left -= 1
            if self._mends(finding, change.subject):
                told.append(change.said)
        if not told:
            return finding
        return replace(finding, advice=f"Tried on this build: {'; or '.join(told)}.")

    def _mends(self, finding: Finding, changed: Subject) -> bool:
        if self._before is None:
            self._before = _said(self._subject)
        (before, open_before), (after, open_after) = self._before, _said(changed)
        worse = any(rank < before.get(key, rank + 1) for key, rank in after.items())
        return not worse and finding.identity not in after and open_after <= open_before

    def _changes(self, finding: Finding) -> Iterator[_Change]:
        rows = [
            row
            for table in tables(self._subject)
            for row in table.rows
            if row.region is not None and row.entry.named and row.entry.parent is None
            if row.entry.label not in row.region.labels
        ]
        mine = [row for row in rows if row.region and row.region.name == finding.region]
        yield from self._in_copies(mine)
        region = self._layout.region(finding.region) if finding.region else None
        if region is not None:
            for name in self._names_of(region, mine):
                yield from self._in_layout({region.name: name})
        if len(rows) > len(mine) and mine:
            # A finding may be about several regions that nothing looks up by their names.
            yield from self._in_copies(rows)
            to: dict[str, str] = {}
            for row in rows:
                if row.region is not None:
                    to.setdefault(row.region.name, row.entry.label)
            yield from self._in_layout(to)
        root = finding.values.get("root")
        if isinstance(root, str):
            yield from self._in_arguments(root)

    def _names_of(self, region: Region, rows: list[Row]) -> list[str]:
        """Give what the copies, the partition table or the UBI call a region."""
        names = [row.entry.label for row in rows]
        for gpt in self._subject.of(Gpt):
            if gpt.chip is not None and gpt.chip.name == region.area and gpt.facts.table:
                table = gpt.facts.table.entries
                names += [item.name for item in table if item.number == region.partition]
        if region.holder is not None:
            taken = {label for other in self._layout.regions for label in other.labels}
            for ubi in self._subject.of(Ubi):
                if ubi.region is not None and ubi.region.name == region.holder:
                    names += [it.name for it in ubi.facts.volumes if it.name not in taken]
        return [name for name in dict.fromkeys(names) if name]

    def _in_layout(self, to: Mapping[str, str]) -> Iterator[_Change]:
        """Call regions in the layout what the copies call them, if nothing looks up what it says.

        By a name that is looked up the board has to have them, whatever the layout says.
        """
        if len(to) > _SHOWN or any(
            looked_up(self._subject) & set(self._layout.region(name).labels) for name in to
        ):
            return
        regions = {
            region.name: replace(region, labels=(to[region.name],)) if region.name in to else region
            for region in self._layout.regions
        }
        placements = tuple(
            replace(item, region=regions[item.region.name]) for item in self._subject.placements
        )
        layout = replace(self._layout, regions=tuple(regions.values()))
        changed = replace(self._subject, layout=layout, placements=placements)
        lines = []
        for name, label in to.items():
            region = self._layout.region(name)
            keys = [key for key in ("label", "labels") if key in region.keys]
            where = region.at_key(keys[0]) if keys else region.where
            was = (
                f"label: {label}, was {', '.join(region.labels)}" if keys else f"add label: {label}"
            )
            lines.append(f"call {name} {label} ({where.file}:{where.line}: {was})")
        yield _Change(_followed(changed, collect(changed)), " and ".join(lines))

    def _in_copies(self, rows: list[Row]) -> Iterator[_Change]:
        """Call the entries of copies what the layout calls their regions."""
        if not rows:
            return
        to = {id(row.entry): row.region.label for row in rows if row.region is not None}
        maps = tuple(replace(copy, says=_with_labels(copy.says, to)) for copy in self._copies.maps)
        changes: dict[tuple[str, str], list[Row]] = {}
        for row in rows:
            changes.setdefault((to[id(row.entry)], row.entry.label), []).append(row)
        said = " and ".join(
            f"write {label} for {was} in {listed(row.place for row in some)}"
            for (label, was), some in changes.items()
        )
        if len(changes) > _SHOWN:
            said = f"write the layout's labels in {listed(row.place for row in rows)}"
        yield _Change(_followed(self._subject, replace(self._copies, maps=maps)), said)

    def _in_arguments(self, root: str) -> Iterator[_Change]:
        """Look a root up by a name that is like the one in the environment, and is there."""
        kind, _, name = root.rpartition("=" if "=" in root else ":")
        labels = [label for region in self._layout.regions for label in region.labels]
        for label in difflib.get_close_matches(name, labels, _NEAR):
            new = root.removesuffix(name) + label
            pattern = re.compile(rf"(?<=root=){re.escape(root)}(?![\w.-])")
            for copy in self._copies.environments:
                for variable, value in copy.says.variables.items() if copy.says.taken else ():
                    if kind and pattern.search(value):
                        said = f"write root={new} for root={root} in {variable} ({copy.place.name})"
                        yield _Change(self._with_text(pattern, new), said)

    def _with_text(self, pattern: re.Pattern[str], new: str) -> Subject:
        environments = tuple(
            replace(
                copy,
                says=replace(
                    copy.says,
                    variables={
                        name: pattern.sub(lambda _: new, value)
                        for name, value in copy.says.variables.items()
                    },
                ),
            )
            for copy in self._copies.environments
        )
        lines = tuple(
            replace(copy, says=command_line.parse(pattern.sub(lambda _: new, copy.says.text)))
            for copy in self._copies.command_lines
        )
        copies = replace(self._copies, environments=environments, command_lines=lines)
        return _followed(self._subject, copies)


def _with_labels(copy: MapCopy, to: Mapping[int, str]) -> MapCopy:
    entries = tuple(
        replace(entry, label=to[id(entry)]) if id(entry) in to else entry for entry in copy.entries
    )
    return replace(copy, entries=entries)


def _followed(subject: Subject, copies: Copies) -> Subject:
    """Follow the scripts again, with other copies."""
    from imgaudit.boot.stage import boots_of

    return replace(subject, copies=copies, boots=boots_of(subject, copies))


def _said(subject: Subject) -> tuple[Mapping[_Key, int], frozenset[_Key]]:
    """Give what the rules find, with the rank of its worst, and what they cannot judge."""
    engine = Engine(subject)
    found: dict[_Key, int] = {}
    unjudged: set[_Key] = set()
    for check in checks().values():
        for item in engine.apply(check):
            if isinstance(item, Finding):
                rank = found.get(item.identity, item.severity.rank)
                found[item.identity] = min(rank, item.severity.rank)
            else:
                unjudged.add((item.rule or "", item.subject))
    return found, frozenset(unjudged)
