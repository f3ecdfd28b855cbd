"""CRC-32s as file systems keep them: Castagnoli's, and Ethernet's with other ends.

Both are bit-reflected and start from any register value. Ethernet's comes from zlib; Castagnoli's
(RFC 3720, B.4) is table-driven here, fit for a superblock and not for a whole image; `Rows` takes
thousands of short messages at a time.
"""

from __future__ import annotations

import zlib

_CASTAGNOLI = 0x82F63B78  # the reflected form of 0x1EDC6F41
ALL_ONES = 0xFFFFFFFF


def _table(polynomial: int) -> tuple[int, ...]:
    table = []
    for byte in range(256):
        value = byte
        for _ in range(8):
            value = value >> 1 ^ (polynomial if value & 1 else 0)
        table.append(value)
    return tuple(table)


_TABLE = _table(_CASTAGNOLI)
_PLANES = tuple(bytes(entry >> shift & 0xFF for entry in _TABLE) for shift in (0, 8, 16, 24))


def crc32c(data: bytes, start: int = ALL_ONES) -> int:
    """Compute Castagnoli's CRC from the register value `start`, without a final inversion.

    This is what Linux calls `crc32c(start, …)`; invert the result for RFC 3720's.
    """
    value = start
    for byte in data:
        value = value >> 8 ^ _TABLE[(value ^ byte) & 0xFF]
    return value


class Rows:
    """Castagnoli's CRC of many messages of one length, a column of their bytes at a time.

    The registers are kept as four planes, each one byte of all of them, so that every step is done
    for all messages by a few operations on long integers.
    """

    def __init__(self, count: int, start: int = ALL_ONES) -> None:
        self._count = count
        self._planes = [
            int.from_bytes(bytes([start >> shift & 0xFF]) * count, "little")
            for shift in (0, 8, 16, 24)
        ]

    def add(self, column: bytes) -> None:
        """Take the next byte of every message."""
        low, *rest = self._planes
        index = (int.from_bytes(column, "little") ^ low).to_bytes(self._count, "little")
        found = [int.from_bytes(index.translate(plane), "little") for plane in _PLANES]
        self._planes = [one ^ other for one, other in zip(found, (*rest, 0), strict=True)]

    def values(self) -> list[int]:
        """Give the register of every message."""
        planes = (plane.to_bytes(self._count, "little") for plane in self._planes)
        return [a | b << 8 | c << 16 | d << 24 for a, b, c, d in zip(*planes, strict=True)]


def crc32_raw(data: bytes, start: int = ALL_ONES) -> int:
    """Compute Ethernet's CRC-32 from the register value `start`, without a final inversion.

    This is what Linux calls `crc32_le(start, …)`.
    """
    return zlib.crc32(data, start ^ ALL_ONES) ^ ALL_ONES
