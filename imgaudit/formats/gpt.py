"""GUID Partition Table, both copies, with the MBR in front of it.

Source: UEFI specification, 5.2 (MBR) and 5.3 (GPT).
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator, Mapping
from typing import ClassVar

from imgaudit.data import dataclass
from imgaudit.errors import FormatError, ImgauditError
from imgaudit.formats.boot_record import BootRecord, read_boot_record
from imgaudit.formats.facts import Checksum, Facts, Match, Part, Reader
from imgaudit.formats.guid import ZERO, byte_swapped, guid_text, type_name
from imgaudit.formats.view import View
from imgaudit.units import KIB, MIB, Span, counted, human, joined, round_up

MAGIC = b"EFI PART"
HEADER_SIZE = 92
ENTRY_SIZE = 128
BLOCK_SIZES = (512, 4096)

# The specification reserves at least 16 KiB; 64 times that still is no allocation to fear.
ARRAY_LIMIT = MIB
# What a streamed read keeps of each partition: the superblocks of every file system in use start
# within the first 64 KiB (btrfs is the last one).
PARTITION_HEAD = 128 * KIB
# A table of ordinary size has room for 128 partitions.
MAX_WINDOWS = 128
# Enough for the array of an ordinary table on 4096-byte blocks.
HEAD_WINDOW = MIB

_HEADER = struct.Struct("<8sIIII4Q16sQIII")
_FIELDS = {
    "signature": 0,
    "revision": 8,
    "header_size": 12,
    "header_crc32": 16,
    "reserved": 20,
    "my_lba": 24,
    "alternate_lba": 32,
    "first_usable_lba": 40,
    "last_usable_lba": 48,
    "disk_guid": 56,
    "partition_entry_lba": 72,
    "number_of_partition_entries": 80,
    "size_of_partition_entry": 84,
    "partition_entry_array_crc32": 88,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class GptEntry:
    """One used entry, stored at `offset`; `number` counts from 1, as the kernel does.

    `ending_lba` is the last block that belongs to the partition. `name` ends at the first NUL;
    `name_valid` tells whether it is proper UTF-16.
    """

    number: int
    offset: int
    type_guid: str
    unique_guid: str
    starting_lba: int
    ending_lba: int
    attributes: int
    name: str
    name_valid: bool

    @property
    def blocks(self) -> int:
        """Blocks covered; zero or less where the end lies before the start."""
        return self.ending_lba - self.starting_lba + 1

    @property
    def type_name(self) -> str | None:
        """The plain name of the type, if it is known."""
        return type_name(self.type_guid)

    @property
    def swapped_type_name(self) -> str | None:
        """The name of the type that this GUID is when read big-endian, if there is one."""
        return type_name(byte_swapped(self.type_guid))


@dataclass(frozen=True, slots=True, kw_only=True)
class GptTable:
    """One copy: its header, stored in block `lba` at `offset`, and its entries.

    `entries` are the used ones. `entries_why` says why the array could not be read, and is empty
    where it was. `array` is the span that the header gives to the array, in bytes. `rest_zero`
    tells whether the reserved rest of the header's block is zero.
    """

    lba: int
    offset: int
    offsets: Mapping[str, int]
    block_size: int
    revision: int
    header_size: int
    reserved: int
    my_lba: int
    alternate_lba: int
    first_usable_lba: int
    last_usable_lba: int
    disk_guid: str
    partition_entry_lba: int
    number_of_partition_entries: int
    size_of_partition_entry: int
    rest_zero: bool
    header_checksum: Checksum
    array_checksum: Checksum
    array: Span
    entries: tuple[GptEntry, ...]
    entries_why: str

    @property
    def array_end_lba(self) -> int:
        """The first block after the entry array."""
        return round_up(self.array.end, self.block_size) // self.block_size

    @property
    def intact(self) -> bool:
        """Whether both checksums match."""
        return bool(self.header_checksum.matches and self.array_checksum.matches)

    def entry(self, name: str) -> GptEntry | None:
        """Give the first entry with a name: the one that a lookup by name finds."""
        return next((entry for entry in self.entries if entry.name == name), None)

    def span(self, entry: GptEntry) -> Span:
        """Give the bytes of a partition; empty where its end lies before its start."""
        return Span.sized(
            entry.starting_lba * self.block_size, max(0, entry.blocks) * self.block_size
        )


@dataclass(frozen=True, kw_only=True)
class Gpt(Facts):
    """Both copies of a table. A copy is None where it is unreadable; its `_why` then says why.

    `backup` is what stands at the primary's AlternateLBA, or in the last block where no intact
    primary tells; `backup_lba` is the block where it was looked for (None: nowhere). `stray` is an
    intact header in the last block to which the primary does not point, such as the backup of an
    older table.
    """

    format: ClassVar[str] = "gpt"

    view_size: int
    block_size: int
    mbr: BootRecord
    primary: GptTable | None
    primary_why: str
    backup: GptTable | None
    backup_lba: int | None
    backup_why: str
    stray: GptTable | None

    @property
    def table(self) -> GptTable | None:
        """The copy that a reader would use: an intact one, the primary before the backup."""
        copies = [copy for copy in (self.primary, self.backup) if copy is not None]
        return next((copy for copy in copies if copy.intact), copies[0] if copies else None)

    def parts(self) -> Iterator[Part]:
        """Give the partitions that lie wholly inside the view."""
        if self.table is None:
            return
        for entry in self.table.entries:
            span = self.table.span(entry)
            if span.size and span.end <= self.view_size:
                name = f"partition {entry.number}"
                yield Part(f"{name} ({entry.name})" if entry.name else name, span.start, span.size)

    def summary(self) -> str:
        """Say how many partitions there are and how long the disk is."""
        if self.table is None or self.length is None:
            return "a protective MBR without a readable table"
        return f"{counted(len(self.table.entries), 'partition')}, {human(self.length)}"


def match(view: View) -> Match:
    """Recognise a header with a good checksum in block 1 or in the last block."""
    found = _locate(view)
    if found is not None:
        return Match.SURE if found[1] else Match.GOOD
    return Match.WEAK if _is_protective(view) else Match.NO


def read(view: View) -> Gpt:
    """Read both copies and the MBR.

    Raises:
        FormatError: there is neither a header nor a protective MBR.

    """
    found = _locate(view)
    if found is None and not _is_protective(view):
        raise FormatError(0, "no GPT header in block 1 or the last block, and no protective MBR")
    block_size = found[0] if found else BLOCK_SIZES[0]
    last = view.size // block_size - 1
    primary, primary_why = _copy(view, block_size, 1, "primary")
    backup_lba, stray = last, None
    backup: GptTable | None = None
    backup_why = "the data ends before a second block"
    if primary is not None:
        backup_lba = primary.alternate_lba
        backup, backup_why = _copy(view, block_size, backup_lba, "backup")
    if backup is None and (primary is None or not primary.header_checksum.matches) and last > 1:
        backup_lba = last
        backup, backup_why = _copy(view, block_size, last, "backup")
    elif backup_lba != last > 1:
        stray, _ = _copy(view, block_size, last, "stray")
        if stray is not None and not stray.header_checksum.matches:
            stray = None
    copies = {"primary": primary, "backup": backup}
    read_copies = {name: copy for name, copy in copies.items() if copy is not None}
    return Gpt(
        length=_length(primary, backup),
        offsets={
            f"{name}.{field}": offset
            for name, copy in read_copies.items()
            for field, offset in copy.offsets.items()
        },
        checksums=tuple(
            checksum
            for copy in read_copies.values()
            for checksum in (copy.header_checksum, copy.array_checksum)
        ),
        view_size=view.size,
        block_size=block_size,
        mbr=read_boot_record(view),
        primary=primary,
        primary_why=primary_why,
        backup=backup,
        backup_lba=backup_lba if backup_lba > 0 else None,
        backup_why=backup_why,
        stray=stray,
    )


def windows(view: View) -> list[Span]:
    """Give what `read` and the partitions' own readers want of a stream, in order.

    Only the head of the stream need be in the view. Spans may reach past its end.
    """
    found = _locate(view)
    block_size = found[0] if found else BLOCK_SIZES[0]
    primary, _ = _copy(view, block_size, 1, "primary")
    if primary is None:
        return [Span(0, HEAD_WINDOW)]
    wanted = [Span(0, max(HEAD_WINDOW, primary.array.end if not primary.entries_why else 0))]
    for entry in primary.entries[:MAX_WINDOWS]:
        span = primary.span(entry)
        wanted.append(Span.sized(span.start, min(span.size, PARTITION_HEAD)))
    end = (primary.alternate_lba + 1) * block_size
    size = min(primary.array.size, ARRAY_LIMIT) + 2 * block_size
    wanted.append(Span(max(0, end - size), end))
    return joined(wanted)


def _length(primary: GptTable | None, backup: GptTable | None) -> int | None:
    if primary is not None and (primary.header_checksum.matches or backup is None):
        return (primary.alternate_lba + 1) * primary.block_size
    return None if backup is None else (backup.my_lba + 1) * backup.block_size


def _is_protective(view: View) -> bool:
    try:
        record = read_boot_record(view)
    except ImgauditError:
        return False
    return record.signed and bool(record.protective)


def _locate(view: View) -> tuple[int, bool] | None:
    """Give the block size and whether a header's checksum proves it; None: no header."""
    places = [(size, at) for size in BLOCK_SIZES for at in (size, (view.size // size - 1) * size)]
    unproven = None
    for block_size, at in places:
        try:
            header = view.bytes(at, HEADER_SIZE) if at >= block_size else b""
        except ImgauditError:
            continue
        if not header.startswith(MAGIC):
            continue
        fields = _HEADER.unpack(header)
        if fields[5] * block_size == at and fields[3] == _blanked(header):
            return block_size, True
        unproven = unproven or (block_size, False)
    return unproven


def _blanked(header: bytes) -> int:
    """Give a header's CRC with its own field taken as zero."""
    return zlib.crc32(header[:16] + bytes(4) + header[20:])


def _copy(view: View, block_size: int, lba: int, copy: str) -> tuple[GptTable | None, str]:
    if lba < 1:
        return None, "the header says that it is in block 0, where the MBR is"
    at = lba * block_size
    if at >= view.size:
        return None, f"block {lba:,} lies behind the end of the data"
    try:
        block = view.upto(at, block_size)
        if not block.startswith(MAGIC):
            return None, f"no header in block {lba:,}"
        if len(block) < block_size:
            return None, f"block {lba:,} is cut"
        return _table(view, block_size, lba, block, copy), ""
    except ImgauditError as problem:
        return None, str(problem)


def _table(view: View, block_size: int, lba: int, block: bytes, copy: str) -> GptTable:
    at = lba * block_size
    (
        _,
        revision,
        header_size,
        header_crc32,
        reserved,
        my_lba,
        alternate_lba,
        first_usable_lba,
        last_usable_lba,
        disk_guid,
        partition_entry_lba,
        number,
        size,
        array_crc32,
    ) = _HEADER.unpack(block[:HEADER_SIZE])
    computed, why = None, f"a header of {header_size:,} bytes is outside 92 to {block_size:,}"
    if HEADER_SIZE <= header_size <= block_size:
        computed, why = _hex(_blanked(block[:header_size])), ""
    header_checksum = Checksum(
        name=f"{copy} header",
        algorithm="crc32",
        stored=_hex(header_crc32),
        computed=computed,
        offset=at + _FIELDS["header_crc32"],
        covers=Span.sized(at, header_size),
        why=why,
    )
    span = Span.sized(partition_entry_lba * block_size, number * size)
    computed, why = None, ""
    entries: tuple[GptEntry, ...] = ()
    if size < ENTRY_SIZE:
        why = f"an entry of {size:,} bytes is too short: {ENTRY_SIZE} are defined"
    elif span.size > ARRAY_LIMIT:
        why = f"an array of {span.size:,} bytes is beyond what is read ({ARRAY_LIMIT:,})"
    else:
        try:
            array = view.bytes(span.start, span.size)
            computed, entries = _hex(zlib.crc32(array)), _entries(array, size, span.start)
        except ImgauditError as problem:
            why = str(problem)
    return GptTable(
        lba=lba,
        offset=at,
        offsets={name: at + offset for name, offset in _FIELDS.items()},
        block_size=block_size,
        revision=revision,
        header_size=header_size,
        reserved=reserved,
        my_lba=my_lba,
        alternate_lba=alternate_lba,
        first_usable_lba=first_usable_lba,
        last_usable_lba=last_usable_lba,
        disk_guid=guid_text(disk_guid),
        partition_entry_lba=partition_entry_lba,
        number_of_partition_entries=number,
        size_of_partition_entry=size,
        rest_zero=not any(block[max(HEADER_SIZE, header_size) :]),
        header_checksum=header_checksum,
        array_checksum=Checksum(
            name=f"{copy} array",
            algorithm="crc32",
            stored=_hex(array_crc32),
            computed=computed,
            offset=at + _FIELDS["partition_entry_array_crc32"],
            covers=span,
            why=why,
        ),
        array=span,
        entries=entries,
        entries_why=why,
    )


def _entries(array: bytes, size: int, base: int) -> tuple[GptEntry, ...]:
    found = []
    for index in range(len(array) // size):
        raw = array[index * size : index * size + ENTRY_SIZE]
        type_guid = guid_text(raw)
        if type_guid == ZERO:
            continue
        starting_lba, ending_lba, attributes = struct.unpack_from("<QQQ", raw, 32)
        name, name_valid = _name(raw[56:])
        found.append(
            GptEntry(
                number=index + 1,
                offset=base + index * size,
                type_guid=type_guid,
                unique_guid=guid_text(raw[16:]),
                starting_lba=starting_lba,
                ending_lba=ending_lba,
                attributes=attributes,
                name=name,
                name_valid=name_valid,
            )
        )
    return tuple(found)


def _name(stored: bytes) -> tuple[str, bool]:
    units = [stored[at : at + 2] for at in range(0, len(stored), 2)]
    used = b"".join(units[: units.index(b"\0\0")] if b"\0\0" in units else units)
    try:
        return used.decode("utf-16-le"), True
    except UnicodeDecodeError:
        return used.decode("utf-16-le", errors="replace"), False


def _hex(value: int) -> str:
    return f"{value:08x}"


READER = Reader(
    name="gpt",
    title="GUID Partition Table",
    source="UEFI specification, 5.3",
    match=match,
    read=read,
    windows=windows,
)
