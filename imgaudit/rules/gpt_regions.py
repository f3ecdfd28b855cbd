"""A GPT against the layout: every partition there, in its place, of its name and type."""

from __future__ import annotations

from collections.abc import Iterator

from imgaudit.formats.gpt import GptEntry
from imgaudit.formats.guid import partition_type
from imgaudit.model import Region
from imgaudit.rules._gpt import (
    AGREES,
    DATA,
    REGIONS,
    ROOTFS,
    TABLES,
    TWO,
    Copy,
    Entry,
    disk,
    example,
    partition,
)
from imgaudit.rules.cited import (
    PRACTICE,
    in_uefi,
    manual,
    standard,
)
from imgaudit.rules.engine import Outcome, Rule, Severity, check
from imgaudit.rules.kinds import whole
from imgaudit.rules.subject import Subject


def _mapped(copy: Copy, build: Subject) -> list[Region]:
    """Give the regions that should be in the table, where it is that of an eMMC."""
    chip = copy.found.chip
    if build.layout is None or chip is None or copy.found.device_size is None:
        return []
    there = build.layout.regions_on(chip.name) if chip.table == "gpt" else []
    return [region for region in there if region.partition is not None]


def _paired(copy: Copy, build: Subject) -> Iterator[tuple[Region, GptEntry]]:
    entries = {entry.number: entry for entry in copy.table.entries}
    for region in _mapped(copy, build):
        if region.partition in entries:
            yield region, entries[region.partition]


def _part_missing_values(number: int | None, *, elsewhere: str) -> None: ...


PART_MISSING = Rule(
    name="gpt-partition-missing",
    stops=True,
    severity=Severity.ERROR,
    values=_part_missing_values,
    message="{content} has no partition {number} for {region}{elsewhere}",
    effect="Firmware, the kernel or the update does not find {region}.",
    fix="Add it to the table, or correct partition: in the layout.",
    computed="the GPT's entry of the region's number is unused",
    sources=(
        in_uefi(
            "5.3.3",
            "PartitionTypeGUID",
            "A value of zero defines that this partition entry is not being used.",
        ),
    ),
    bad=example(lambda: disk(ROOTFS), *REGIONS),
    good=AGREES,
)


@check(PART_MISSING, over=TABLES, given=whole)
def partition_missing(copy: Copy, build: Subject) -> Outcome:
    table = copy.table
    numbers = {entry.number for entry in table.entries}
    for region in _mapped(copy, build):
        if region.partition in numbers:
            continue
        other = table.entry(region.label)
        yield PART_MISSING(
            number=region.partition,
            elsewhere=f"; {region.label} is partition {other.number} there" if other else "",
        ).inside(
            copy.found,
            region=region,
            where=region.at_key("partition"),
            at=table.array.start,
            length=table.array.size,
        )


def _moved_values(
    number: int, *, label: str, there: int, there_size: int, start: int, size: int
) -> None: ...


MOVED = Rule(
    name="gpt-partition-moved",
    follows=("gpt-partitions-overlap",),
    severity=Severity.ERROR,
    values=_moved_values,
    message=(
        "{content}: partition {number} ({label}) is {there_size:bytes} at {there:place}; the layout"
        " has {region} with {size:bytes} at {start:place}"
    ),
    effect="What is written by the layout's map lands in another partition, or across two.",
    fix="Make the table and the layout say the same; only one of them can be right.",
    computed="start or size of the GPT's entry of the region's number differ from the region's",
    sources=(PRACTICE,),
    bad=example(lambda: disk(ROOTFS, partition(2, "data", 132, 60, kind=TWO)), *REGIONS),
    good=AGREES,
)


@check(MOVED, over=TABLES, given=whole)
def partition_moved(copy: Copy, build: Subject) -> Outcome:
    for region, entry in _paired(copy, build):
        span = copy.table.span(entry)
        if span != region.span:
            moved = span.start != region.at
            yield MOVED(
                number=entry.number,
                label=entry.name,
                there=span.start,
                there_size=span.size,
                start=region.at,
                size=region.size,
            ).inside(
                copy.found,
                region=region,
                where=region.at_key("at" if moved else "size"),
                at=entry.offset + (32 if moved else 40),
                length=8,
            )


def _label_differs_values(number: int, *, there: str, label: str) -> None: ...


LABEL_DIFFERS = Rule(
    name="gpt-label-differs",
    renames=True,
    follows=("gpt-duplicate-label",),
    severity=Severity.WARNING,
    values=_label_differs_values,
    message="{content}: partition {number} ({region}) is called {there!r}, not {label!r}",
    effect="Whatever looks it up by its label finds nothing, or another partition.",
    fix="Name it {label} (sgdisk -c {number}:{label}), or correct label: in the layout.",
    computed="the entry's name is not the region's label",
    writes=True,
    sources=(PRACTICE,),
    bad=example(lambda: disk(ROOTFS, partition(2, "logs", 128, 64, kind=TWO)), *REGIONS),
    good=AGREES,
)


@check(LABEL_DIFFERS, over=TABLES, given=whole)
def label_differs(copy: Copy, build: Subject) -> Outcome:
    for region, entry in _paired(copy, build):
        if entry.name not in region.labels:
            yield LABEL_DIFFERS(number=entry.number, there=entry.name, label=region.label).inside(
                copy.found,
                region=region,
                where=region.at_key("label"),
                at=entry.offset + 56,
                length=72,
            )


def _type_differs_values(number: int, *, there: str, kind: str, guid: str) -> None: ...


TYPE_DIFFERS = Rule(
    name="gpt-type-differs",
    severity=Severity.WARNING,
    values=_type_differs_values,
    message="{content}: partition {number} has the type {there}, the layout gives {region} {kind}",
    effect="What goes by the type mounts nothing, or what it should not.",
    fix="Set it (sgdisk -t {number}:{guid}), or correct type: in the layout.",
    computed="the entry's PartitionTypeGUID is not the region's type",
    writes=True,
    sources=(
        standard(
            "Discoverable Partitions Specification",
            copy=manual(
                "systemd-gpt-auto-generator(8)",
                "This generator looks for the partitions based on their partition type GUID.",
            ),
        ),
        in_uefi(
            "5.3.3",
            "PartitionTypeGUID",
            "Unique ID that defines the purpose and type of this Partition.",
        ),
    ),
    bad=example(lambda: disk(ROOTFS, partition(2, "data", 128, 64)), *REGIONS),
    good=AGREES,
)


@check(TYPE_DIFFERS, over=TABLES, given=whole)
def type_differs(copy: Copy, build: Subject) -> Outcome:
    for region, entry in _paired(copy, build):
        if region.type is None:
            continue
        wanted = partition_type(region.type)
        # A GUID that is only stored the wrong way round has a finding of its own.
        if wanted != entry.type_guid and entry.swapped_type_name is None:
            yield TYPE_DIFFERS(
                number=entry.number,
                there=entry.type_name or entry.type_guid,
                kind=region.type,
                guid=wanted,
            ).inside(
                copy.found, region=region, where=region.at_key("type"), at=entry.offset, length=16
            )


def _unknown_values(number: int, *, label: str, start: int, size: int) -> None: ...


UNKNOWN = Rule(
    name="gpt-partition-unknown",
    severity=Severity.WARNING,
    values=_unknown_values,
    message=(
        "{content}: partition {number} ({label}), {size:bytes} at {start:place}, is not in the"
        " layout"
    ),
    effect="No one looks after it, and the layout's map of the device is not the true one.",
    fix="Add it to the layout, or take it out of the table.",
    computed="a used entry whose number no region of the chip has",
    sources=(PRACTICE,),
    bad=example(lambda: disk(ROOTFS, DATA, partition(3, "spare", 192, 16)), *REGIONS),
    good=AGREES,
)


@check(UNKNOWN, over=TABLES, given=whole)
def partition_unknown(copy: Copy, build: Subject) -> Outcome:
    known = {region.partition for region in _mapped(copy, build)}
    for entry in copy.table.entries if known else ():
        if entry.number not in known:
            span = copy.table.span(entry)
            yield Entry(copy.found, copy.table, entry).finding(
                UNKNOWN(number=entry.number, label=entry.name, start=span.start, size=span.size),
                build,
            )
