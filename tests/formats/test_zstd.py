from __future__ import annotations

import struct

import pytest

from imgaudit.errors import FormatError
from imgaudit.formats import zstd
from imgaudit.formats.facts import Match
from imgaudit.formats.view import View
from imgaudit.units import MIB
from tests.formats._pieces import drain, text, tool


def skippable(content: bytes, kind: int = 0) -> bytes:
    # RFC 8878, 3.1.2
    return struct.pack("<II", 0x184D2A50 + kind, len(content)) + content


@pytest.mark.oracle
@pytest.mark.parametrize("size", [0, 255, 256, 300, 65_791, 65_792, 200_000])
def test_reads_a_stored_content_size(size: int) -> None:
    facts = zstd.read(View.of(tool(f"zstd --stream-size={size} --check -c", text(size))))
    assert facts.content_size == size
    assert facts.has_checksum


@pytest.mark.oracle
def test_reads_the_window_of_a_stream() -> None:
    facts = zstd.read(View.of(tool("zstd --long=25 --no-check -c", text(5000))))
    assert (facts.window_size, facts.content_size, facts.has_checksum) == (32 * MIB, None, False)
    assert facts.summary() == "size not stored, window 32 MiB"


def test_reads_a_window_with_a_mantissa() -> None:
    # RFC 8878, 3.1.1.1.2: exponent 1, mantissa 3 is 2048 + 3 * 256
    assert zstd.read(View.of(b"\x28\xb5\x2f\xfd\0\x0b" + bytes(8))).window_size == 2816


@pytest.mark.oracle
def test_skippable_frames_may_stand_anywhere() -> None:
    frame = tool("zstd -c", text(3000))
    stored = skippable(b"first") + skippable(b"", 15) + frame + skippable(b"x" * 300_000) + frame
    assert drain(zstd.unpack, stored + skippable(b"last"), 999) == (
        text(3000) * 2,
        len(stored) + 12,
    )
    facts = zstd.read(View.of(stored))
    assert facts.frame_offset == 21
    assert zstd.match(View.of(stored)) is Match.GOOD


def test_only_skippable_frames_are_no_stream() -> None:
    stored = skippable(b"x")
    assert zstd.match(View.of(stored)) is Match.NO
    with pytest.raises(FormatError, match="no zstd frame") as caught:
        drain(zstd.unpack, stored)
    assert caught.value.offset == 9


@pytest.mark.oracle
def test_a_window_above_the_kernels_is_refused() -> None:
    stored = tool("zstd --long=28 -c", b"level")
    assert zstd.read(View.of(stored)).window_size == 256 * MIB
    with pytest.raises(FormatError):
        drain(zstd.unpack, stored)


@pytest.mark.oracle
def test_the_reserved_bit_makes_it_doubtful() -> None:
    stored = bytearray(tool("zstd -c", b"level"))
    stored[4] |= 8
    assert zstd.match(View.of(stored)) is Match.WEAK
