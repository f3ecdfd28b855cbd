"""CRC-32s as file systems keep them: Castagnoli's, and Ethernet's with other ends.

Both are bit-reflected and start from any register value. Ethernet's comes from zlib; Castagnoli's
(RFC 3720, B.4) is table-driven here, fit for a superblock and not for a whole image.
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


def crc32c(data: bytes, start: int = ALL_ONES) -> int:
    """Compute Castagnoli's CRC from the register value `start`, without a final inversion.

    This is what Linux calls `crc32c(start, …)`; invert the result for RFC 3720's.
    """
    value = start
    for byte in data:
        value = value >> 8 ^ _TABLE[(value ^ byte) & 0xFF]
    return value


def crc32_raw(data: bytes, start: int = ALL_ONES) -> int:
    """Compute Ethernet's CRC-32 from the register value `start`, without a final inversion.

    This is what Linux calls `crc32_le(start, …)`.
    """
    return zlib.crc32(data, start ^ ALL_ONES) ^ ALL_ONES
