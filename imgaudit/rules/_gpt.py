"""What the checks of a GPT share: its copies, tables and entries, and disks for examples."""

from __future__ import annotations

import uuid
from collections.abc import Callable, Iterator
from typing import Any

from imgaudit.contents.place import Node
from imgaudit.data import dataclass
from imgaudit.formats.gpt import Gpt, GptEntry, GptTable
from imgaudit.formats.guid import TYPE_NAMES
from imgaudit.model import SECTOR
from imgaudit.rules.engine import Case, Example, Finding, Severity
from imgaudit.rules.examples import emmc
from imgaudit.rules.kinds import contents_of
from imgaudit.rules.subject import Subject
from imgaudit.units import KIB, Span
from imgaudit.writers.gpt import Partition, gpt

# The examples' disk: 256 KiB with two partitions.
SECTORS = 512
_LAST = SECTORS - 1
HEADER_AT, ARRAY_AT = SECTOR, 2 * SECTOR
BACKUP_AT = _LAST * SECTOR
ONE, TWO = "linux-root-arm64", "linux-data"


def partition(
    number: int, name: str, at: int, size: int, *, kind: str = ONE, guid: int | None = None
) -> Partition:
    unique = uuid.UUID(int=number if guid is None else guid)
    return Partition(name, uuid.UUID(TYPE_NAMES[kind]), unique, at * KIB, size * KIB)


ROOTFS = partition(1, "rootfs", 64, 64)
DATA = partition(2, "data", 128, 64, kind=TWO)


def disk(*partitions: Partition, sectors: int = SECTORS) -> bytes:
    table = gpt(sectors, uuid.UUID(int=3), partitions or (ROOTFS, DATA))
    image = bytearray(table.size)
    for at, data in table.pieces:
        image[at : at + len(data)] = data
    return bytes(image)


def mbr(*records: tuple[int, int]) -> bytes:
    """Write an MBR with records of type 0x83, each its first sector and its length."""
    packed = b"".join(
        bytes(4) + b"\x83" + bytes(3) + first.to_bytes(4, "little") + count.to_bytes(4, "little")
        for first, count in records
    )
    return (bytes(446) + packed.ljust(64, b"\0") + b"\x55\xaa").ljust(SECTORS * SECTOR, b"\0")


def example(image: Callable[[], bytes], *regions: str) -> Example:
    chip = f"sectors: {SECTORS}, image: emmc.img"
    return emmc(*regions, chip=chip, files={"emmc.img": image})


REGIONS = (
    f"name: rootfs, partition: 1, at: 64 KiB, size: 64 KiB, type: {ONE}",
    f"name: data, partition: 2, at: 128 KiB, size: 64 KiB, type: {TWO}",
)
GOOD = example(disk)
AGREES = example(disk, *REGIONS)


@dataclass(frozen=True, slots=True)
class Copy:
    """One of the two copies of a table; without its primary a disk boots from the backup."""

    found: Node[Gpt]
    name: str
    table: GptTable
    severity: Severity


@dataclass(frozen=True, slots=True)
class Entry:
    """An entry of the copy that counts."""

    found: Node[Gpt]
    table: GptTable
    entry: GptEntry

    def finding(
        self, case: Case, build: Subject, *, entry: GptEntry | None = None, length: int = 128
    ) -> Finding:
        """Make a finding about the entry, and about its region where the layout has one."""
        found, entry = self.found, entry or self.entry
        region = None
        if build.layout is not None and found.chip is not None:
            region = build.layout.partition(found.chip.name, entry.number)
        return case.inside(found, at=entry.offset, length=length, region=region)


def _copies(found: Node[Gpt]) -> Iterator[Copy]:
    if found.facts.primary is not None:
        yield Copy(found, "primary", found.facts.primary, Severity.ERROR)
    if found.facts.backup is not None:
        yield Copy(found, "backup", found.facts.backup, Severity.WARNING)


def _that_counts(copy: Copy) -> Iterator[Copy]:
    if copy.table is copy.found.facts.table:
        yield copy


def _entries(copy: Copy) -> Iterator[Entry]:
    for entry in copy.table.entries:
        yield Entry(copy.found, copy.table, entry)


GPTS = contents_of(Gpt)
COPIES = GPTS.each(_copies)
PRIMARIES = COPIES.each(lambda copy: (copy,) if copy.name == "primary" else ())
TABLES = COPIES.each(_that_counts)
ENTRIES = TABLES.each(_entries)


def overlaps(
    spans: list[tuple[Span, Any]],
) -> Iterator[tuple[Any, Any, Span]]:
    """Give each partition with the one before it that reaches furthest, where they overlap."""
    reach: tuple[Span, Any] | None = None
    for span, entry in sorted(spans, key=lambda pair: pair[0]):
        if not span.size:
            continue
        if reach is not None and reach[0].overlaps(span):
            yield reach[1], entry, reach[0].common(span)
        if reach is None or span.end > reach[0].end:
            reach = span, entry
