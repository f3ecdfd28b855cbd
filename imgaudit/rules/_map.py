"""What the checks of map copies share: each copy's entries paired with the layout's regions."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Iterator, Sequence
from typing import TypeVar

from imgaudit.data import dataclass
from imgaudit.maps.collect import OWN_TREE, Copies, Copy, Place
from imgaudit.maps.entry import Kind, MapCopy, MapEntry, Medium
from imgaudit.model import Chip, Layout, Region
from imgaudit.rules.engine import Case, Finding, Severity
from imgaudit.rules.engine import Kind as Kinds
from imgaudit.rules.subject import Subject
from imgaudit.units import Span

H = TypeVar("H", bound=Hashable)
_SHOWN = 3


@dataclass(frozen=True, slots=True, eq=False)
class Row:
    """One entry of a copy, with the region that it means (None: the layout has no such region).

    `span` is where the copy has it on the chip; None where the copy does not tell.
    """

    table: Table
    entry: MapEntry
    region: Region | None
    span: Span | None

    @property
    def place(self) -> Place:
        """Where it is written."""
        return self.table.copy.place.of(self.entry.at)


@dataclass(slots=True, eq=False)
class Table:
    """A copy's map of one chip."""

    copy: Copy[MapCopy]
    chip: Chip
    rows: tuple[Row, ...] = ()

    def row(self, region: Region) -> Row | None:
        """Give the entry that means a region."""
        return next((row for row in self.rows if row.region is region), None)


@dataclass(frozen=True, slots=True, eq=False)
class Copied:
    """A region, and the entries of all copies that mean it."""

    region: Region
    rows: list[Row]


def known(subject: Subject) -> tuple[Layout, Copies] | None:
    """Give layout and copies; None where there is nothing to compare."""
    if subject.layout is None or subject.copies is None:
        return None
    return subject.layout, subject.copies


def tables(subject: Subject) -> list[Table]:
    """Give every table in use that maps one of the layout's chips, its entries paired."""
    both = known(subject)
    if both is None:
        return []
    layout, copies = both
    sources: dict[str, list[Copy[MapCopy]]] = {}
    for copy in copies.maps:
        sources.setdefault(str(copy.place), []).append(copy)
    found = []
    for group in sources.values():
        for copy, chip in _assigned(group, layout):
            if copy.says.in_use:
                table = Table(copy, chip)
                table.rows = tuple(_paired(table, layout.regions_on(chip.name)))
                found.append(table)
    return found


def _copied(subject: Subject) -> Iterator[Copied]:
    rows: dict[int, list[Row]] = {}
    for table in tables(subject):
        for row in table.rows:
            if row.entry.parent is None:
                rows.setdefault(id(row.region), []).append(row)
    for region in subject.layout.regions if subject.layout is not None else ():
        if id(region) in rows:
            yield Copied(region, rows[id(region)])


TABLES: Kinds[Table] = Kinds(tables, lambda table: str(table.copy.place))
COPIED = Kinds(_copied, lambda copied: copied.region.name)
"""Every region that some copy of the map has."""


def _assigned(group: list[Copy[MapCopy]], layout: Layout) -> Iterator[tuple[Copy[MapCopy], Chip]]:
    """Tell which table maps which chip: names of chips are the layout's own, so by content."""
    chips = list(layout.chips.values())
    maybe = [copy for copy in group if any(may_map(copy.says, chip) for chip in chips)]
    scores = sorted(
        (
            (-_likeness(copy.says, chip, layout), number, index)
            for number, copy in enumerate(maybe)
            for index, chip in enumerate(chips)
            if may_map(copy.says, chip)
        ),
    )
    taken: set[tuple[str, int]] = set()
    for score, number, index in scores:
        likely = [chip for chip in chips if may_map(maybe[number].says, chip)]
        sure = score < 0 or (len(maybe) == len(likely) == 1 and not maybe[number].says.partial)
        if sure and not {("copy", number), ("chip", index)} & taken:
            taken |= {("copy", number), ("chip", index)}
            yield maybe[number], chips[index]


def may_map(copy: MapCopy, chip: Chip) -> bool:
    """Tell whether a table can be that of a chip: by what it says it partitions, or by its name."""
    if copy.medium is Medium.UNKNOWN:
        return chip.kind.mtd and ("nand" in copy.device) <= (chip.kind.medium == Medium.NAND.value)
    return bool(copy.medium.value == chip.kind.medium)


def _likeness(copy: MapCopy, chip: Chip, layout: Layout) -> int:
    regions = layout.regions_on(chip.name)
    labels = {label for region in regions for label in (region.name, *region.labels)}
    spans = {region.span for region in regions}
    likeness = 2 * (chip.name in {copy.device, *copy.names})
    for entry in copy.entries:
        likeness += (entry.label in labels) + (_span(entry, chip) in spans)
    return likeness


def _span(entry: MapEntry, chip: Chip) -> Span | None:
    if entry.offset is None or entry.offset < 0:
        return None
    if entry.size is not None:
        return Span.sized(entry.offset, entry.size)
    return Span(entry.offset, chip.size) if entry.to_end and entry.offset <= chip.size else None


def _paired(table: Table, regions: list[Region]) -> Iterator[Row]:
    """Pair by label, then by the same bytes, then by the same start."""
    entries = table.copy.says.entries
    spans = [_span(entry, table.chip) for entry in entries]
    starts = [None if span is None else span.start for span in spans]
    labels = [entry.label for entry in entries]
    means: dict[int, Region] = {}
    taken: set[str] = set()

    def pair(keys: Sequence[Hashable], of: Callable[[Region], Iterable[Hashable]]) -> None:
        alike: dict[Hashable, list[Region]] = {}
        for region in regions:
            for key in of(region):
                alike.setdefault(key, []).append(region)
        for number, key in enumerate(keys):
            if number not in means and key is not None:
                left = (region for region in alike.get(key, ()) if region.name not in taken)
                found = next(left, None)
                if found is not None:
                    means[number] = found
                    taken.add(found.name)

    pair([entry.number for entry in entries], lambda region: (region.partition,))
    pair(labels, lambda region: region.labels)
    pair(labels, lambda region: (region.name,))
    pair(spans, lambda region: (region.span,))
    pair(starts, lambda region: (region.at,))
    for number, entry in enumerate(entries):
        yield Row(table, entry, means.get(number), spans[number])


def listed(places: Iterable[Place]) -> str:
    """Say places shortly, by carrier: `mtdparts (uboot.env, variable mtdparts; fip.bin, ...)`."""
    carriers: dict[str, list[str]] = {}
    for place in places:
        names = carriers.setdefault(place.carrier, [])
        if place.inside not in names:
            names.append(place.inside)
    return " and ".join(
        names[0] if names[0].startswith(carrier) else f"{carrier} ({_few(names)})"
        for carrier, names in carriers.items()
    )


def _few(names: list[str]) -> str:
    shown = names if len(names) <= _SHOWN else [*names[:_SHOWN], f"{len(names) - _SHOWN} more"]
    return "; ".join(shown)


def agreeing(count: int) -> str:
    """Say how many other copies agree with the layout, to follow its name."""
    return f" and in {count} other cop{'y' if count == 1 else 'ies'}" if count else ""


def grouped(pairs: Iterable[tuple[H, Row]]) -> dict[H, list[Row]]:
    """Put together what several copies say alike: one difference, one finding."""
    groups: dict[H, list[Row]] = {}
    for key, row in pairs:
        groups.setdefault(key, []).append(row)
    return groups


def finding(
    case: Case,
    places: list[Place],
    *,
    region: Region | None = None,
    chip: Chip | None = None,
    key: str | None = None,
    severity: Severity | None = None,
) -> Finding:
    """Make a finding about what stands at the places; `key` is that of the layout's region.

    What only U-Boot's own tree says is no error: no kernel goes by it, and scripts name offsets.
    """
    worst = severity or case.rule.severity
    if worst is Severity.ERROR and all(place.carrier == OWN_TREE for place in places):
        severity = Severity.WARNING
    first = next((place.artifact for place in places if place.artifact), None)
    return case.at(
        region=region,
        artifact=first,
        chip=chip.name if chip is not None else None,
        where=None if region is not None else places[0].where,
        key=key,
        severity=severity,
        copies=listed(places),
    )


def is_tree(table: Table) -> bool:
    """Tell a device tree's table from an mtdparts list."""
    return table.copy.says.kind is Kind.DEVICE_TREE
