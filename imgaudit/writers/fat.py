"""Write a FAT16 filesystem with files in its root (Microsoft FAT specification, 1.03)."""

from __future__ import annotations

import struct
from collections.abc import Mapping

from imgaudit.writers.sparse import Sparse

_SECTOR, _CLUSTER_SECTORS, _ROOT_ENTRIES = 512, 4, 512
_CLUSTER = _SECTOR * _CLUSTER_SECTORS
_ROOT_SECTORS = _ROOT_ENTRIES * 32 // _SECTOR
_RESERVED, _FATS = 4, 2
_MEDIA = 0xF8
_END = 0xFFFF
# 2026-07-06 12:00:00 in the format of directory entries.
_DATE, _TIME = (2026 - 1980) << 9 | 7 << 5 | 6, 12 << 11


def fat16(size: int, files: Mapping[str, bytes], label: str, serial: int) -> Sparse:
    """Write a filesystem of `size` bytes, which must make 4,085 to 65,524 clusters of 2 KiB."""
    sectors = size // _SECTOR
    # Two bytes for every cluster; the table's own sectors only make it a little too long.
    fat_sectors = -(-(sectors // _CLUSTER_SECTORS + 2) * 2 // _SECTOR)
    at_root = _RESERVED + _FATS * fat_sectors
    at_data = at_root + _ROOT_SECTORS
    image = Sparse(size)
    image.put(0, _boot_sector(sectors, fat_sectors, label, serial))
    table = [0xFF00 | _MEDIA, _END]
    root = bytearray(_entry(label.encode().ljust(11), 0x08, 0, 0))
    for number, (name, data) in enumerate(files.items(), 1):
        first, count = len(table), -(-len(data) // _CLUSTER)
        table += [*range(first + 1, first + count), _END]
        image.put(at_data * _SECTOR + (first - 2) * _CLUSTER, data)
        root += _named(name, number, first, len(data))
    stored = struct.pack(f"<{len(table)}H", *table)
    for copy in range(_FATS):
        image.put((_RESERVED + copy * fat_sectors) * _SECTOR, stored)
    image.put(at_root * _SECTOR, bytes(root))
    return image


def _boot_sector(sectors: int, fat_sectors: int, label: str, serial: int) -> bytes:
    small, large = (sectors, 0) if sectors < 1 << 16 else (0, sectors)
    fields = struct.pack(
        "<3s8sHBHBHHBHHHIIBBBI11s8s",
        *(b"\xeb\x3c\x90", b"WHIMBREL", _SECTOR, _CLUSTER_SECTORS, _RESERVED, _FATS),
        *(_ROOT_ENTRIES, small, _MEDIA, fat_sectors, 32, 64, 0, large, 0x80, 0, 0x29),
        *(serial, label.encode().ljust(11), b"FAT16   "),
    )
    return fields.ljust(510, b"\0") + b"\x55\xaa"


def _named(name: str, number: int, first: int, size: int) -> bytes:
    """Give the entries of one file: its long name, then the short one made from its number."""
    stem, _, suffix = name.upper().partition(".")
    short = f"{stem[:6]}~{number}".encode().ljust(8) + suffix[:3].encode().ljust(3)
    checksum = 0
    for byte in short:
        checksum = ((checksum & 1) << 7 | checksum >> 1) + byte & 0xFF
    letters = name.encode("utf-16-le") + b"\0\0"
    letters += b"\xff" * (-len(letters) % 26)
    entries = []
    for order, at in enumerate(range(0, len(letters), 26), 1):
        part = letters[at : at + 26]
        last = 0x40 if at + 26 == len(letters) else 0
        head = bytes([order | last]) + part[:10] + bytes([0x0F, 0, checksum])
        entries.append(head + part[10:22] + b"\0\0" + part[22:])
    return b"".join(reversed(entries)) + _entry(short, 0x20, first, size)


def _entry(short: bytes, attributes: int, first: int, size: int) -> bytes:
    times = (_TIME, _DATE, _DATE, 0, _TIME, _DATE)
    return struct.pack("<11sBBBHHHHHHHI", short, attributes, 0, 0, *times, first, size)
