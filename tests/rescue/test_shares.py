"""What each byte of data costs in a compressed stream: laws that hold for every stream."""

from __future__ import annotations

import bz2
import gzip
import lzma
import random
from collections.abc import Callable

import lz4.frame
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from imgaudit.formats import libraries
from imgaudit.formats.view import View
from imgaudit.rescue.shares import GRAIN, Shares

PACKERS: dict[str, Callable[[bytes], bytes]] = {
    "gzip": gzip.compress,
    "bzip2": bz2.compress,
    "lzma": lambda data: lzma.compress(data, lzma.FORMAT_ALONE),
    "xz": lzma.compress,
    "zstd": lambda data: libraries.zstd().compress(data),
    "lz4": lambda data: lz4.frame.compress(data, block_size=lz4.frame.BLOCKSIZE_MAX64KB),
}
NOISE = random.Random(8).randbytes(64 << 10)


def measured(form: str, stored: bytes | None, data: bytes, consumed: int) -> Shares:
    given = None if stored is None else View.of(stored)
    return Shares.measure(form, given, View.of(data), consumed)


def lawful(shares: Shares, size: int, consumed: int) -> None:
    """The whole costs the whole stream, and nothing costs less than nothing."""
    places = [shares.at(at) for at in range(0, size, max(1, size // 97))]
    assert places == sorted(places)
    assert shares.at(0) == 0
    assert shares.at(size) == shares.at(size + 1) == consumed
    assert min(places) >= 0
    assert max(places) <= consumed


@pytest.mark.parametrize("form", PACKERS)
def test_noise_costs_its_size_and_zeros_next_to_nothing(form: str) -> None:
    for data, first in ((NOISE + bytes(len(NOISE)), True), (bytes(len(NOISE)) + NOISE, False)):
        stored = PACKERS[form](data)
        shares = measured(form, stored, data, len(stored))
        lawful(shares, len(data), len(stored))
        noise = shares.at(len(NOISE)) if first else len(stored) - shares.at(len(NOISE))
        assert noise > 0.95 * len(stored)


@pytest.mark.parametrize("form", ["gzip", "bzip2", "xz", "zstd"])
def test_several_streams_behind_each_other(form: str) -> None:
    first, second = PACKERS[form](NOISE), PACKERS[form](bytes(9000))
    data = NOISE + bytes(9000)
    for padding in (b"", bytes(4)) if form == "xz" else (b"",):
        stored = first + padding + second
        shares = measured(form, stored, data, len(stored))
        lawful(shares, len(data), len(stored))
        assert abs(shares.at(len(NOISE)) - len(first)) < 200


@pytest.mark.parametrize("form", PACKERS)
@pytest.mark.parametrize("kept", [0, 1, 20, 30_000])
def test_a_stream_that_is_cut_or_broken(form: str, kept: int) -> None:
    stored = PACKERS[form](NOISE)
    cut = stored[:kept]
    lawful(measured(form, cut, NOISE, len(stored)), len(NOISE), len(stored))
    broken = cut + b"\xff" * (len(stored) - kept)
    lawful(measured(form, broken, NOISE, len(stored)), len(NOISE), len(stored))


def test_without_the_stream_zlib_says_what_costs_more() -> None:
    data = NOISE + bytes(len(NOISE))
    shares = measured("xz", None, data, 1000)
    lawful(shares, len(data), 1000)
    assert shares.at(len(NOISE)) > 950
    # below a grain nothing tells, and each byte costs alike
    small = measured("xz", None, bytes(GRAIN), 100)
    assert [small.at(at) for at in (0, GRAIN // 2, GRAIN)] == [0, 50, 100]


@settings(max_examples=60)
@given(
    st.sampled_from(sorted(PACKERS)),
    st.lists(st.binary(max_size=300) | st.integers(0, 9000).map(bytes), max_size=6),
    st.integers(0, 40),
)
def test_shares_add_up(form: str, pieces: list[bytes], more: int) -> None:
    data = b"".join(pieces)
    stored = PACKERS[form](data)
    if data:
        shares = measured(form, stored + bytes(more), data, len(stored))
        lawful(shares, len(data), len(stored))
