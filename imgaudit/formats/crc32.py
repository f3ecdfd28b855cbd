"""CRC-32 of joined and of repeated data, without reading what repeats.

A CRC is a remainder of polynomials over GF(2), so appending n bytes multiplies it by x^(8n)
(common practice; zlib's crc32_combine does the same).
"""

from __future__ import annotations

import functools
import zlib

# The CRC-32 of IEEE 802.3, bits reversed as zlib keeps them: bit 31 is the constant term.
_POLYNOMIAL = 0xEDB88320
_ONE = 1 << 31
_X8 = 1 << 23


def crc32_joined(first: int, second: int, second_size: int) -> int:
    """Give the CRC-32 of two pieces of data from their own ones and the second's length."""
    powers = _powers()
    while second_size:
        highest = second_size.bit_length() - 1
        first = _product(first, powers[highest])
        second_size ^= 1 << highest
    return first ^ second


def crc32_repeated(pattern: bytes, count: int) -> int:
    """Give the CRC-32 of `pattern` repeated `count` times; less than 2^64 bytes in all."""
    total = 0
    crc, size = zlib.crc32(pattern), len(pattern)
    while count:
        if count & 1:
            total = crc32_joined(total, crc, size)
        count >>= 1
        if count:
            crc, size = crc32_joined(crc, crc, size), size * 2
    return total


@functools.cache
def _powers() -> tuple[int, ...]:
    """Give what 2^k more bytes multiply by, for every k that a 64-bit length needs."""
    powers = [_X8]
    for _ in range(63):
        powers.append(_product(powers[-1], powers[-1]))
    return tuple(powers)


def _product(a: int, b: int) -> int:
    product = 0
    while a:
        if a & _ONE:
            product ^= b
        a = a << 1 & 0xFFFFFFFF
        b = b >> 1 ^ _POLYNOMIAL if b & 1 else b >> 1
    return product
