"""Write a GUID partition table with both headers (UEFI Specification, 5.2.3 and 5.3)."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterable
from uuid import UUID

from imgaudit.data import dataclass
from imgaudit.writers.sparse import Sparse

SECTOR = 512
_ENTRIES, _ENTRY_SIZE = 128, 128


@dataclass()
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


def gpt(
    sectors: int,
    disk: UUID,
    partitions: Iterable[Partition],
    *,
    sector: int = SECTOR,
    entries: int = _ENTRIES,
) -> Sparse:
    """Write the tables of a device of `sectors` sectors, protective MBR included.

    Partitions are counted in sectors of 512 bytes, whatever the table's `sector` is.
    """
    packed = b"".join(partition.packed() for partition in partitions)
    table = _Table(disk, packed.ljust(entries * _ENTRY_SIZE, b"\0"), sector, sectors - 1)
    image = Sparse(sectors * sector)
    image.put(0, _protective_mbr(sectors))
    image.put(sector, table.header(1, table.last, 2))
    image.put(2 * sector, table.data)
    image.put((table.last - table.blocks) * sector, table.data)
    image.put(table.last * sector, table.header(table.last, 1, table.last - table.blocks))
    return image


@dataclass()
class _Table:
    """The entry array, and what both headers say of it; `last` is the device's last sector."""

    disk: UUID
    data: bytes
    sector: int
    last: int

    @property
    def blocks(self) -> int:
        return -(-len(self.data) // self.sector)

    def header(self, mine: int, other: int, at: int) -> bytes:
        usable = (2 + self.blocks, self.last - self.blocks - 1)
        count = len(self.data) // _ENTRY_SIZE

        def packed(checksum: int) -> bytes:
            return struct.pack(
                "<8sIIII4Q16sQIII",
                *(b"EFI PART", 0x10000, 92, checksum, 0, mine, other, *usable),
                *(self.disk.bytes_le, at, count, _ENTRY_SIZE, zlib.crc32(self.data)),
            )

        return packed(zlib.crc32(packed(0))).ljust(SECTOR, b"\0")


def _protective_mbr(sectors: int) -> bytes:
    size = min(sectors - 1, 0xFFFFFFFF)
    entry = struct.pack("<B3sB3sII", 0, b"\x00\x02\x00", 0xEE, b"\xff\xff\xff", 1, size)
    return bytes(446) + entry + bytes(48) + b"\x55\xaa"
