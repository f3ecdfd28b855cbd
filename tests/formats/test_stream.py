"""What every compressor's reader must do, whatever its format."""

from __future__ import annotations

import contextlib
import functools
import gzip as packing
import struct
from dataclasses import replace
from typing import NamedTuple

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.errors import FormatError
from imgaudit.formats import (
    bzip2,
    gpt,
    gzip,
    lz4_frame,
    lz4_legacy,
    lzma,
    lzo,
    readers,
    xz,
    zstd,
)
from imgaudit.formats.facts import Match, Reader
from imgaudit.formats.skippable import first_frame
from imgaudit.formats.stream import Feed
from imgaudit.formats.view import View
from tests.formats._pieces import chopped, drain, text, tool


class Case(NamedTuple):
    reader: Reader
    command: str
    magic: int  # bytes without which nothing is recognised
    ends: bool  # the stream says where it ends
    checked: bool  # a checksum over the content is verified
    joins: bool  # a second stream right behind continues the first


CASES = {
    "gzip": Case(gzip.READER, "gzip -c", 3, ends=True, checked=True, joins=True),
    "gzip-named-fast": Case(gzip.READER, "gzip -1 -c", 3, ends=True, checked=True, joins=True),
    "bzip2": Case(bzip2.READER, "bzip2 -c", 10, ends=True, checked=True, joins=True),
    "xz-crc64": Case(xz.READER, "xz -1 --check=crc64 -c", 6, ends=True, checked=True, joins=True),
    "xz-crc32": Case(xz.READER, "xz -1 --check=crc32 -c", 6, ends=True, checked=True, joins=True),
    "xz-sha256": Case(xz.READER, "xz -1 --check=sha256 -c", 6, ends=True, checked=True, joins=True),
    "xz-none": Case(xz.READER, "xz -1 --check=none -c", 6, ends=True, checked=False, joins=True),
    "lzma": Case(lzma.READER, "xz -1 --format=lzma -c", 14, ends=True, checked=False, joins=False),
    "lzop": Case(lzo.READER, "lzop -c", 38, ends=True, checked=True, joins=False),
    "lzop-best": Case(lzo.READER, "lzop -9 --crc32 -c", 38, ends=True, checked=True, joins=False),
    "lz4-legacy": Case(lz4_legacy.READER, "lz4 -l -c", 4, ends=False, checked=False, joins=True),
    "lz4": Case(lz4_frame.READER, "lz4 -c", 7, ends=True, checked=False, joins=True),
    "lz4-linked": Case(
        lz4_frame.READER, "lz4 -BD -B4 -BX -9 -c", 7, ends=True, checked=False, joins=True
    ),
    "zstd": Case(zstd.READER, "zstd -c", 4, ends=True, checked=True, joins=True),
    "zstd-long": Case(zstd.READER, "zstd --long=27 -c", 4, ends=True, checked=True, joins=True),
}
every = pytest.mark.parametrize("name", CASES)


@functools.cache
def made(name: str, size: int) -> bytes:
    return tool(CASES[name].command, text(size))


@pytest.mark.oracle
@every
@pytest.mark.parametrize("size", [0, 1, 100, 70_000, 1_500_000])
def test_gives_back_what_the_tool_compressed(name: str, size: int) -> None:
    stored = made(name, size)
    assert drain(CASES[name].reader.unpack, stored) == (text(size), len(stored))


@pytest.mark.oracle
@every
@pytest.mark.parametrize("size", [1, 2, 7, 1000, 1 << 20])
def test_pieces_of_any_size_do(name: str, size: int) -> None:
    stored = made(name, 200_000)
    assert drain(CASES[name].reader.unpack, stored, size) == (text(200_000), len(stored))


@pytest.mark.oracle
@every
def test_expands_in_small_pieces(name: str) -> None:
    content = bytes(8 << 20)
    stored = tool(CASES[name].command, content)
    out, used = drain(CASES[name].reader.unpack, stored, 1 << 20)
    assert used == len(stored)
    assert out == content


@pytest.mark.oracle
@every
def test_a_second_stream_follows_only_where_the_format_joins(name: str) -> None:
    case, stored = CASES[name], made(name, 5000)
    out, used = drain(case.reader.unpack, stored * 2)
    assert (out, used) == (text(5000) * (1 + case.joins), len(stored) * (1 + case.joins))


@pytest.mark.oracle
@every
@pytest.mark.parametrize("junk", [bytes(3), bytes(100_001), b"\xff" * 4096, b"070701"])
def test_what_follows_the_stream_is_left(name: str, junk: bytes) -> None:
    stored = made(name, 5000)
    assert drain(CASES[name].reader.unpack, stored + junk) == (text(5000), len(stored))


@pytest.mark.oracle
@every
@given(data=st.data())
def test_a_cut_is_an_error_where_the_data_ended(name: str, data: st.DataObject) -> None:
    case, stored = CASES[name], made(name, 30_000)
    cut = data.draw(st.integers(0, len(stored) - 1))
    if not case.ends and cut in range(4, 9):
        return  # no block yet: an empty stream, with or without a part of the next size
    with pytest.raises(FormatError) as caught:
        drain(case.reader.unpack, stored[:cut])
    if cut > 64:
        assert caught.value.offset == cut
        assert "cut" in caught.value.why
    assert caught.value.offset <= max(cut, 0x40)


@pytest.mark.oracle
@every
@given(data=st.data())
def test_damage_is_an_error_or_harmless(name: str, data: st.DataObject) -> None:
    case, stored = CASES[name], bytearray(made(name, 30_000))
    places = data.draw(st.lists(st.integers(0, len(stored) - 1), min_size=1, max_size=4))
    for at in places:
        stored[at] ^= data.draw(st.integers(1, 255))
    try:
        out, used = drain(case.reader.unpack, bytes(stored))
    except FormatError:
        return
    assert used <= len(stored)
    if case.checked and min(places) > 16:  # a header may say that no checksum follows
        assert out == text(30_000)


@every
@given(st.binary(max_size=300))
def test_any_bytes_are_read_or_refused(name: str, content: bytes) -> None:
    reader = CASES[name].reader
    assert reader.match(View.of(content)) in Match
    for act in (lambda: reader.read(View.of(content)), lambda: drain(reader.unpack, content)):
        with contextlib.suppress(FormatError):
            act()


@pytest.mark.oracle
@every
@given(data=st.data())
def test_a_damaged_head_is_read_or_refused(name: str, data: st.DataObject) -> None:
    reader, stored = CASES[name].reader, bytearray(made(name, 5000)[:120])
    at = data.draw(st.integers(CASES[name].magic - 1, 60))
    stored[at : at + 4] = data.draw(st.binary(min_size=1, max_size=8))
    del stored[data.draw(st.integers(0, len(stored))) :]
    reader.match(View.of(stored))
    try:
        facts = reader.read(View.of(stored))
    except FormatError:
        return
    assert isinstance(facts.summary(), str)


@pytest.mark.oracle
@every
def test_only_its_own_reader_knows_a_stream(name: str) -> None:
    stored = View.of(made(name, 30_000))
    readers = {case.reader.name: case.reader for case in CASES.values()}
    knows = {known for known, reader in readers.items() if reader.match(stored) >= Match.GOOD}
    assert knows == {CASES[name].reader.name}
    facts = CASES[name].reader.read(stored)
    assert facts.format == CASES[name].reader.name
    assert len(facts.summary()) <= 60
    assert all(checksum.matches for checksum in facts.checksums)


@every
@pytest.mark.parametrize("content", [b"", bytes(4096), b"\xff" * 4096, bytes(range(256)) * 16])
def test_filler_is_no_stream(name: str, content: bytes) -> None:
    assert CASES[name].reader.match(View.of(content)) is Match.NO
    with pytest.raises(FormatError):
        drain(CASES[name].reader.unpack, content)


@given(st.binary(max_size=200), st.integers(1, 50), st.lists(st.integers(0, 60), max_size=20))
def test_feed_takes_in_order_whatever_the_pieces(
    content: bytes, size: int, takes: list[int]
) -> None:
    feed = Feed(chopped(content, size))
    at = 0
    for take in takes:
        assert feed.peek(take) == content[at : at + take]
        got = feed.some(take)
        assert got == content[at : at + take]
        back = len(got) // 3
        feed.back(back)
        at += len(got) - back
        assert feed.offset == at


def test_feed_says_where_the_data_ended() -> None:
    feed = Feed(iter([b"abc", b"de"]))
    assert feed.take(2) == b"ab"
    with pytest.raises(FormatError, match="cut") as caught:
        feed.take(4)
    assert caught.value.offset == 5


@pytest.mark.parametrize("most", [2, 3])
def test_streams_that_follow_one_another_have_an_end(
    most: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each costs time, however small it is."""
    monkeypatch.setattr("imgaudit.formats.stream.MAX_STREAMS", most)
    data = packing.compress(b"tide") * 3
    unpack = readers()["gzip"].unpack
    if most == 3:
        assert drain(unpack, data) == (b"tide" * 3, len(data))
        return
    with pytest.raises(FormatError, match="more than 2 streams follow one another") as caught:
        drain(unpack, data)
    assert caught.value.offset == len(data) // 3 * 2


@pytest.mark.parametrize("before", [63, 64])
def test_a_frame_is_sought_behind_so_many_others(before: int) -> None:
    """Skippable frames, RFC 8878 3.1.2; no tool writes as many before the first of data."""
    frame = bytes.fromhex("5f2a4d18") + struct.pack("<I", 3) + b"abc"
    magic = bytes.fromhex("28b52ffd")
    view = View.of(frame * before + magic + bytes(20))
    assert first_frame(view, magic) == (len(frame) * 63 if before == 63 else None)


def test_no_two_readers_have_one_name(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(gpt, "READER", replace(gpt.READER, name="fat"))
    with pytest.raises(RuntimeError, match="two readers are called fat"):
        readers.__wrapped__()
