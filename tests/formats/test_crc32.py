from __future__ import annotations

import zlib

from hypothesis import given
from hypothesis import strategies as st

from imgaudit.formats.crc32 import crc32_joined, crc32_repeated


def test_check_value() -> None:
    # The CRC catalogue's check value of CRC-32 over "123456789".
    assert crc32_joined(zlib.crc32(b"1234"), zlib.crc32(b"56789"), 5) == 0xCBF43926


@given(st.binary(), st.binary())
def test_joined_equals_the_crc_of_both(first: bytes, second: bytes) -> None:
    joined = crc32_joined(zlib.crc32(first), zlib.crc32(second), len(second))
    assert joined == zlib.crc32(first + second)


@given(st.binary(min_size=1, max_size=9), st.integers(0, 300))
def test_repeated_equals_the_crc_of_the_whole(pattern: bytes, count: int) -> None:
    assert crc32_repeated(pattern, count) == zlib.crc32(pattern * count)


@given(st.integers(0, 1 << 60), st.integers(0, 1 << 60))
def test_very_long_repetitions_add_up(one: int, two: int) -> None:
    joined = crc32_joined(crc32_repeated(b"abcd", one), crc32_repeated(b"abcd", two), 4 * two)
    assert joined == crc32_repeated(b"abcd", one + two)
