from __future__ import annotations

import hashlib
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.errors import FormatError
from imgaudit.formats import lzma
from imgaudit.formats.facts import Match
from imgaudit.formats.view import View
from imgaudit.units import MIB
from tests.formats._pieces import drain, text, tool


def noise(seed: int, size: int) -> bytes:
    return hashlib.shake_128(seed.to_bytes(8, "big")).digest(size)


@pytest.mark.oracle
def test_reads_the_header() -> None:
    stored = tool("xz --format=lzma --lzma1=lc=2,lp=1,pb=0,dict=3MiB -c", text(5000))
    facts = lzma.read(View.of(stored))
    assert (facts.literal_context_bits, facts.literal_position_bits, facts.position_bits) == (
        2,
        1,
        0,
    )
    assert (facts.dictionary, facts.content_size) == (3 * MIB, None)
    assert facts.summary() == "size not stored, dictionary 3 MiB"


@pytest.mark.oracle
def test_a_stored_size_ends_the_stream() -> None:
    stored = bytearray(tool("xz --format=lzma -c", text(5000)))
    stored[5:13] = struct.pack("<Q", 5000)
    assert lzma.read(View.of(stored)).content_size == 5000
    assert drain(lzma.unpack, bytes(stored))[0] == text(5000)


@pytest.mark.oracle
def test_a_huge_dictionary_is_refused() -> None:
    stored = bytearray(tool("xz --format=lzma -c", b"level"))
    stored[1:5] = struct.pack("<I", 1 << 30)
    assert lzma.match(View.of(stored)) is Match.WEAK
    with pytest.raises(FormatError, match="dictionary needs more than 192 MiB"):
        drain(lzma.unpack, bytes(stored))


@pytest.mark.parametrize(
    ("at", "value"),
    [(0, 225), (0, 4 * 9 + 4), (1, 1), (2, 3), (12, 1), (13, 1)],
    ids=["properties", "too many bits", "odd", "dictionary", "size", "first byte"],
)
def test_every_field_is_checked(at: int, value: int) -> None:
    head = bytearray(b"\x5d\0\0\x80\0" + b"\xff" * 8 + bytes(64))
    assert lzma.read(View.of(head)).dictionary == 8 * MIB
    head[at] = value
    assert lzma.match(View.of(head)) is Match.NO
    with pytest.raises(FormatError):
        lzma.read(View.of(head))


@given(st.integers(0, 1 << 32))
def test_random_data_is_never_taken_for_it(seed: int) -> None:
    content = noise(seed, 1024)
    assert lzma.match(View.of(content)) is Match.NO


@given(st.integers(0, 1 << 32))
def test_a_header_before_random_data_is_not_enough(seed: int) -> None:
    content = b"\x5d\0\0\x80\0" + b"\xff" * 8 + b"\0" + noise(seed, 1 << 14)
    with pytest.raises(FormatError):
        drain(lzma.unpack, content)
