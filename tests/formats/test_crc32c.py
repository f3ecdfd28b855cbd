from __future__ import annotations

import random
import zlib

from hypothesis import example, given
from hypothesis import strategies as st

from imgaudit.formats.crc32c import ALL_ONES, Rows, crc32_raw, crc32c

NOISE = random.Random(8).randbytes(4200)


def test_the_published_values_of_castagnoli() -> None:
    # RFC 3720, B.4: 32 bytes of zeros, of ones, and 0 to 31; the RFC lists the bytes as sent.
    def published(data: bytes) -> str:
        return (crc32c(data) ^ ALL_ONES).to_bytes(4, "little").hex()

    assert published(bytes(32)) == "aa36918a"
    assert published(b"\xff" * 32) == "43aba862"
    assert published(bytes(range(32))) == "4e79dd46"


@given(st.binary(max_size=200), st.binary(max_size=200))
def test_a_crc_goes_on_from_its_own_value(first: bytes, second: bytes) -> None:
    assert crc32c(second, crc32c(first)) == crc32c(first + second)
    assert crc32_raw(second, crc32_raw(first)) == crc32_raw(first + second)


@given(st.integers(1020, 4200), st.integers(0, ALL_ONES), st.integers(1, 500))
@example(1023, 5, 100)
@example(1024, 5, 100)
@example(1024 + 31, 0, 100)
def test_a_long_message_is_summed_as_its_parts(size: int, start: int, step: int) -> None:
    value = start
    for at in range(0, size, step):
        value = crc32c(NOISE[at : min(at + step, size)], value)
    assert crc32c(NOISE[:size], start) == value


@given(st.binary(max_size=200))
def test_raw_is_zlibs_without_the_last_inversion(data: bytes) -> None:
    assert crc32_raw(data) ^ ALL_ONES == zlib.crc32(data)


def test_raw_from_zero_of_zeros_is_zero() -> None:
    # A CRC without inversions cannot tell leading zeros: the reason why UBI starts from ones.
    assert crc32_raw(bytes(64), 0) == 0


@given(st.integers(0, 9), st.integers(0, 9), st.data(), st.integers(0, ALL_ONES))
def test_rows_are_summed_as_each_alone(
    count: int, width: int, data: st.DataObject, start: int
) -> None:
    rows = [data.draw(st.binary(min_size=width, max_size=width)) for _ in range(count)]
    together = Rows(count, start)
    for column in range(width):
        together.add(bytes(row[column] for row in rows))
    assert together.values() == [crc32c(row, start) for row in rows]
