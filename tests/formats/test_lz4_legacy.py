from __future__ import annotations

import struct

import pytest

from imgaudit.errors import FormatError
from imgaudit.formats import lz4_block, lz4_legacy
from imgaudit.formats.facts import Match
from imgaudit.formats.view import View
from tests.formats._pieces import drain, text, tool

MAGIC = bytes.fromhex("02214c18")


def stream(*blocks: bytes) -> bytes:
    return MAGIC + b"".join(struct.pack("<I", len(block)) + block for block in blocks)


HELLO = b"\x50level"


@pytest.mark.oracle
def test_blocks_of_eight_mebibytes() -> None:
    content = text(1 << 20) * 9
    stored = tool("lz4 -l -c", content)
    assert drain(lz4_legacy.unpack, stored) == (content, len(stored))


@pytest.mark.oracle
def test_decodes_without_the_library(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(lz4_block, "_library", None)
    stored = tool("lz4 -l -9 -c", text(500_000))
    assert drain(lz4_legacy.unpack, stored, 77) == (text(500_000), len(stored))


def test_a_repeated_magic_goes_on() -> None:
    stored = stream(HELLO) + MAGIC + stream(HELLO, HELLO)
    assert drain(lz4_legacy.unpack, stored, 3) == (b"level" * 3, len(stored))


def test_a_zero_size_ends() -> None:
    # lib/decompress_unlz4.c: "empty or end-of-file", an initramfs padded with zeros
    stored = stream(HELLO)
    assert drain(lz4_legacy.unpack, stored + bytes(64)) == (b"level", len(stored))


def test_the_size_that_a_kernel_build_appends_ends() -> None:
    # scripts/Makefile.lib, size_append
    stored = stream(HELLO)
    assert drain(lz4_legacy.unpack, stored + struct.pack("<I", 5)) == (b"level", len(stored))
    with pytest.raises(FormatError, match="cut"):
        drain(lz4_legacy.unpack, stored + struct.pack("<I", 6))


def test_a_damaged_block_is_refused_where_it_starts() -> None:
    with pytest.raises(FormatError, match="damaged") as caught:
        drain(lz4_legacy.unpack, stream(HELLO, b"\x10a\x02\x00\x10b"))
    assert caught.value.offset == 14


def test_facts() -> None:
    facts = lz4_legacy.read(View.of(stream(HELLO)))
    assert (facts.first_block, facts.summary()) == (6, "first block 6 B")
    assert lz4_legacy.read(View.of(MAGIC)).summary() == "empty"
    assert lz4_legacy.match(View.of(MAGIC + b"\xff" * 4)) is Match.WEAK
    assert lz4_legacy.match(View.of(stream(HELLO))) is Match.GOOD
