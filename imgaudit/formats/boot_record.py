"""The four partition records in a disk's first block, which an MBR and a GPT share.

Source: UEFI specification, 5.2.1 "Legacy Master Boot Record".
"""

from __future__ import annotations

from imgaudit.data import dataclass
from imgaudit.formats.view import View

SIZE = 512
RECORDS = 446
RECORD_SIZE = 16
SIGNATURE = 510
PROTECTIVE = 0xEE
EXTENDED = frozenset({0x05, 0x0F, 0x85})
# As sfdisk --list-types has them; the words are ours.
TYPE_NAMES = {
    "fat12": 0x01,
    "fat16-small": 0x04,
    "extended": 0x05,
    "fat16": 0x06,
    "exfat": 0x07,
    "fat32": 0x0B,
    "fat32-lba": 0x0C,
    "fat16-lba": 0x0E,
    "extended-lba": 0x0F,
    "linux-swap": 0x82,
    "linux": 0x83,
    "linux-lvm": 0x8E,
    "boot-loader": 0xA2,
    "data": 0xDA,
    "esp": 0xEF,
    "linux-raid": 0xFD,
}
_SECTOR_SIZES = frozenset({512, 1024, 2048, 4096})


def partition_type(text: str) -> int:
    """Give the type byte of a partition: of a name, or of `0x83` or `83`.

    Raises:
        ValueError: it is neither.

    """
    if text in TYPE_NAMES:
        return TYPE_NAMES[text]
    if len(text.removeprefix("0x")) > 2:
        raise ValueError(f"{text!r} is no type byte")
    return int(text.removeprefix("0x"), 16)


@dataclass(frozen=True, slots=True, kw_only=True)
class PartitionRecord:
    """One 16-byte record; `number` counts from 1, lengths are in blocks.

    `starting_lba` is as stored: in a chain of extended records it counts from the record that
    holds it. `offset` is where the record is stored.
    """

    number: int
    offset: int
    boot_indicator: int
    os_type: int
    starting_chs: bytes
    ending_chs: bytes
    starting_lba: int
    size_in_lba: int

    @property
    def used(self) -> bool:
        """Whether the record describes anything."""
        return self.os_type != 0 and self.size_in_lba != 0


@dataclass(frozen=True, slots=True, kw_only=True)
class BootRecord:
    """A first block's four records. `boot_code` tells whether any code byte is non-zero."""

    offset: int
    boot_code: bool
    disk_signature: int
    signature: int
    records: tuple[PartitionRecord, ...]

    @property
    def signed(self) -> bool:
        """Whether the block ends in 55 AA."""
        return self.signature == 0xAA55

    @property
    def protective(self) -> tuple[PartitionRecord, ...]:
        """The records of type 0xEE, which stand for a GPT."""
        return tuple(record for record in self.records if record.os_type == PROTECTIVE)

    @property
    def ordinary(self) -> tuple[PartitionRecord, ...]:
        """The used records of any other type: beside a protective one they make a hybrid MBR."""
        return tuple(r for r in self.records if r.used and r.os_type != PROTECTIVE)


def read_boot_record(view: View, offset: int = 0) -> BootRecord:
    """Read the block at `offset`.

    Raises:
        FormatError: fewer than 512 bytes are there.

    """
    block = view.bytes(offset, SIZE)
    records = []
    for number in range(1, 5):
        at = RECORDS + (number - 1) * RECORD_SIZE
        raw = block[at : at + RECORD_SIZE]
        records.append(
            PartitionRecord(
                number=number,
                offset=offset + at,
                boot_indicator=raw[0],
                starting_chs=raw[1:4],
                os_type=raw[4],
                ending_chs=raw[5:8],
                starting_lba=int.from_bytes(raw[8:12], "little"),
                size_in_lba=int.from_bytes(raw[12:], "little"),
            )
        )
    return BootRecord(
        offset=offset,
        boot_code=any(block[:440]),
        disk_signature=int.from_bytes(block[440:444], "little"),
        signature=int.from_bytes(block[SIGNATURE:], "little"),
        records=tuple(records),
    )


def is_volume(view: View) -> bool:
    """Tell a file system's own boot sector, which ends in 55 AA too, from a partition table.

    It starts with a jump over a parameter block whose sector size is one that FAT or NTFS allow
    (Microsoft FAT specification, "Boot Sector and BPB"); exFAT leaves that block zero and has a
    name instead.
    """
    head = view.upto(0, 16)
    jump = head[:1] == b"\xe9" or (head[:1] == b"\xeb" and head[2:3] == b"\x90")
    if not jump or len(head) < 16:
        return False
    if head[3:11] == b"EXFAT   ":
        return True
    per_cluster = head[13]
    sector_size = int.from_bytes(head[11:13], "little")
    return (
        sector_size in _SECTOR_SIZES and per_cluster != 0 and per_cluster & (per_cluster - 1) == 0
    )
