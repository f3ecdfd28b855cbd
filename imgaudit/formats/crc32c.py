"""CRC-32s as file systems keep them: Castagnoli's, and Ethernet's with other ends.

Both are bit-reflected and start from any register value. Ethernet's comes from zlib; Castagnoli's
(RFC 3720, B.4) is table-driven here, fit for a block of metadata and not for a whole image; `Rows`
takes thousands of short messages at a time.
"""

from __future__ import annotations

import zlib
from functools import cache

_CASTAGNOLI = 0x82F63B78  # the reflected form of 0x1EDC6F41
ALL_ONES = 0xFFFFFFFF
_STEP = 32
_LONG = 1024  # from here on it is faster to take the steps of a message as so many messages


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
    if len(data) >= _LONG:
        return _stepwise(data, start)
    value = start
    for byte in data:
        value = value >> 8 ^ _TABLE[(value ^ byte) & 0xFF]
    return value


def _stepwise(data: bytes, start: int) -> int:
    """Compute the CRC of each step from 0, and join them: the CRC of a sum is the sum of CRCs."""
    head = len(data) % _STEP
    value = crc32c(data[:head], start)
    rows = Rows(len(data) // _STEP, 0)
    for offset in range(head, head + _STEP):
        rows.add(data[offset::_STEP])
    low, second, third, high = _moved()
    for row in rows.values():
        value = (
            low[value & 0xFF]
            ^ second[value >> 8 & 0xFF]
            ^ third[value >> 16 & 0xFF]
            ^ high[value >> 24]
            ^ row
        )
    return value


@cache
def _moved() -> tuple[list[int], ...]:
    """Give, for each byte of a register, what it becomes while a step of zeros is taken."""
    tables = []
    for shift in (0, 8, 16, 24):
        table = [0]
        for bit in range(shift, shift + 8):
            one = crc32c(bytes(_STEP), 1 << bit)
            table += [one ^ other for other in table]
        tables.append(table)
    return tuple(tables)


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
