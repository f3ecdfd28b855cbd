"""Write a GUID partition table with both headers (UEFI Specification, 5.2.3 and 5.3)."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterable
from dataclasses import dataclass
from uuid import UUID

from imgaudit.writers.sparse import Sparse

SECTOR = 512
_ENTRIES, _ENTRY_SIZE = 128, 128
_TABLE_SECTORS = _ENTRIES * _ENTRY_SIZE // SECTOR


@dataclass
class Partition:
    """One entry; `start` and `size` are in bytes."""

    name: str
    type: UUID
    uuid: UUID
    start: int
    size: int

    def packed(self) -> bytes:
        """Give the 128 bytes of the entry; the last sector is inclusive."""
        first, last = self.start // SECTOR, (self.start + self.size) // SECTOR - 1
        name = self.name.encode("utf-16-le")
        return struct.pack(
            "<16s16sQQQ72s", self.type.bytes_le, self.uuid.bytes_le, first, last, 0, name
        )


def gpt(sectors: int, disk: UUID, partitions: Iterable[Partition]) -> Sparse:
    """Write the tables of a device of `sectors` sectors, protective MBR included."""
    table = b"".join(partition.packed() for partition in partitions)
    table = table.ljust(_ENTRIES * _ENTRY_SIZE, b"\0")
    last = sectors - 1
    image = Sparse(sectors * SECTOR)
    image.put(0, _protective_mbr(sectors))
    image.put(SECTOR, _header(1, last, 2, disk, table))
    image.put(2 * SECTOR, table)
    image.put((last - _TABLE_SECTORS) * SECTOR, table)
    image.put(last * SECTOR, _header(last, 1, last - _TABLE_SECTORS, disk, table))
    return image


def _header(mine: int, other: int, at_table: int, disk: UUID, table: bytes) -> bytes:
    last = max(mine, other)
    first_usable, last_usable = 2 + _TABLE_SECTORS, last - _TABLE_SECTORS - 1

    def packed(checksum: int) -> bytes:
        return struct.pack(
            "<8sIIII4Q16sQIII",
            *(b"EFI PART", 0x10000, 92, checksum, 0, mine, other, first_usable, last_usable),
            *(disk.bytes_le, at_table, _ENTRIES, _ENTRY_SIZE, zlib.crc32(table)),
        )

    return packed(zlib.crc32(packed(0))).ljust(SECTOR, b"\0")


def _protective_mbr(sectors: int) -> bytes:
    size = min(sectors - 1, 0xFFFFFFFF)
    entry = struct.pack("<B3sB3sII", 0, b"\x00\x02\x00", 0xEE, b"\xff\xff\xff", 1, size)
    return bytes(446) + entry + bytes(48) + b"\x55\xaa"
