"""A disk that is partitioned by its MBR alone, with the chain of logical partitions.

Source: UEFI specification, 5.2.1; the chain of extended boot records is common practice (Linux
block/partitions/msdos.c walks it the same way).
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import ClassVar

from imgaudit.data import dataclass
from imgaudit.errors import FormatError, ImgauditError
from imgaudit.formats.boot_record import (
    EXTENDED,
    RECORDS,
    SIGNATURE,
    TYPE_NAMES,
    BootRecord,
    PartitionRecord,
    is_volume,
    read_boot_record,
)
from imgaudit.formats.facts import Facts, Match, Part, Reader
from imgaudit.formats.view import View
from imgaudit.units import KIB, Span, counted

BLOCK_SIZE = 512
# Linux gives up after this many links (block/partitions/msdos.c, parse_extended).
MAX_LINKS = 100
# What a streamed read keeps of each partition: the superblocks of every file system in use start
# within the first 64 KiB (btrfs is the last one).
HEAD = 128 * KIB


@dataclass(frozen=True, slots=True, kw_only=True)
class MbrPartition:
    """One used record, stored at `offset`.

    `number` is the kernel's: 1 to 4, then 5 and up for logical partitions. `first_lba` counts from
    the start of the disk, `blocks` are of 512 bytes.
    """

    number: int
    offset: int
    os_type: int
    boot_indicator: int
    first_lba: int
    blocks: int

    @property
    def type_name(self) -> str:
        """The type's name and byte."""
        names = {number: name for name, number in TYPE_NAMES.items()}
        byte = f"0x{self.os_type:02x}"
        return f"{names[self.os_type]} ({byte})" if self.os_type in names else byte

    @property
    def extended(self) -> bool:
        """Whether this is the container of logical partitions."""
        return self.os_type in EXTENDED

    @property
    def span(self) -> Span:
        """The bytes covered."""
        return Span.sized(self.first_lba * BLOCK_SIZE, self.blocks * BLOCK_SIZE)


@dataclass(frozen=True, kw_only=True)
class Mbr(Facts):
    """The partitions of an MBR; `chain_why` says why the logical ones end early, if they do."""

    format: ClassVar[str] = "mbr"

    view_size: int
    record: BootRecord
    partitions: tuple[MbrPartition, ...]
    chain_why: str

    def parts(self) -> Iterator[Part]:
        """Give the partitions that lie wholly inside the view, without the extended one."""
        for partition in self.partitions:
            if not partition.extended and partition.span.end <= self.view_size:
                span = partition.span
                yield Part(f"partition {partition.number}", span.start, span.size)

    def summary(self) -> str:
        """Say how many partitions there are."""
        count = sum(not partition.extended for partition in self.partitions)
        return counted(count, "partition")


def match(view: View) -> Match:
    """Recognise 55 AA with plausible records, unless a file system or a GPT owns the block."""
    try:
        record = read_boot_record(view)
    except ImgauditError:
        return Match.NO
    if not record.signed or record.protective or is_volume(view):
        return Match.NO
    used = record.ordinary
    if not used:
        empty = not any(view.bytes(RECORDS, SIGNATURE - RECORDS))
        return Match.WEAK if empty else Match.NO
    plausible = all(r.boot_indicator in {0, 0x80} and r.starting_lba > 0 for r in used)
    return Match.GOOD if plausible else Match.WEAK


def read(view: View) -> Mbr:
    """Read the records and follow the chain of logical partitions.

    Raises:
        FormatError: no signature, or the block belongs to a file system or a GPT.

    """
    record = read_boot_record(view)
    if not record.signed:
        raise FormatError(SIGNATURE, "no signature 55 AA at the end of the first block")
    if record.protective:
        raise FormatError(record.protective[0].offset, "a record of type 0xEE stands for a GPT")
    if is_volume(view):
        raise FormatError(0, "this is a file system's boot sector, not a partition table")
    partitions = [_partition(entry, entry.number, 0) for entry in record.ordinary]
    chain_why = ""
    for container in [partition for partition in partitions if partition.extended]:
        logical, why = _logical(view, container, max(5, partitions[-1].number + 1))
        partitions += logical
        chain_why = chain_why or why
    return Mbr(
        offsets={"disk_signature": 440, "records": RECORDS, "signature": SIGNATURE},
        view_size=view.size,
        record=record,
        partitions=tuple(partitions),
        chain_why=chain_why,
    )


def windows(view: View) -> list[Span]:
    """Give the head of each partition, which is also where the chain of logical ones starts."""
    return [
        Span.sized(record.starting_lba * BLOCK_SIZE, min(record.size_in_lba * BLOCK_SIZE, HEAD))
        for record in read_boot_record(view).ordinary
    ]


def _logical(view: View, container: MbrPartition, number: int) -> tuple[list[MbrPartition], str]:
    found: list[MbrPartition] = []
    visited: set[int] = set()
    lba = container.first_lba
    while True:
        if lba in visited:
            return found, f"the chain of logical partitions loops back to block {lba:,}"
        if len(visited) == MAX_LINKS:
            return found, f"the chain of logical partitions has more than {MAX_LINKS} links"
        visited.add(lba)
        try:
            record = read_boot_record(view, lba * BLOCK_SIZE)
        except ImgauditError as problem:
            return found, f"block {lba:,} of the chain cannot be read: {problem}"
        if not record.signed:
            return found, f"block {lba:,} of the chain has no signature 55 AA"
        for entry in record.ordinary:
            if entry.os_type not in EXTENDED:
                found.append(_partition(entry, number + len(found), lba))
        link = next((entry for entry in record.ordinary if entry.os_type in EXTENDED), None)
        if link is None:
            return found, ""
        lba = container.first_lba + link.starting_lba


def _partition(entry: PartitionRecord, number: int, base: int) -> MbrPartition:
    return MbrPartition(
        number=number,
        offset=entry.offset,
        os_type=entry.os_type,
        boot_indicator=entry.boot_indicator,
        first_lba=base + entry.starting_lba,
        blocks=entry.size_in_lba,
    )


READER = Reader(
    name="mbr",
    title="Master Boot Record partition table",
    source="UEFI specification, 5.2.1",
    match=match,
    read=read,
    windows=windows,
)
