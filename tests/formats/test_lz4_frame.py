from __future__ import annotations

import struct
from pathlib import Path

import pytest

from imgaudit.errors import FormatError
from imgaudit.formats import lz4_block, lz4_frame
from imgaudit.formats.facts import Match
from imgaudit.formats.view import View
from imgaudit.units import KIB, MIB
from tests.formats._pieces import drain, text, tool


@pytest.mark.oracle
@pytest.mark.parametrize(("code", "size"), [(4, 64 * KIB), (5, 256 * KIB), (6, MIB), (7, 4 * MIB)])
@pytest.mark.parametrize("linked", [False, True])
@pytest.mark.parametrize("library", [False, True])
def test_reads_what_lz4_makes(
    code: int, size: int, linked: bool, library: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    if not library:
        monkeypatch.setattr(lz4_block, "_library", None)
    stored = tool(f"lz4 -B{code} {'-BD' if linked else '-BI'} -c", text(4_300_000))
    facts = lz4_frame.read(View.of(stored))
    assert (facts.block_size, facts.independent_blocks) == (size, not linked)
    assert (facts.version, facts.content_checksum, facts.block_checksums) == (1, True, False)
    assert facts.doubts == ("The content checksum is not verified.",)
    assert facts.checksums[0].matches
    assert drain(lz4_frame.unpack, stored, 50_000) == (text(4_300_000), len(stored))


@pytest.mark.oracle
def test_reads_a_stored_content_size(tmp_path: Path) -> None:
    path = tmp_path / "gauge.log"
    path.write_bytes(text(70_000))
    stored = bytearray(tool(f"lz4 --content-size -BX --no-frame-crc -c {path}", b""))
    facts = lz4_frame.read(View.of(stored))
    assert (facts.content_size, facts.block_checksums, facts.content_checksum) == (
        70_000,
        True,
        False,
    )
    assert drain(lz4_frame.unpack, bytes(stored)) == (text(70_000), len(stored))
    stored[6] ^= 1
    assert lz4_frame.match(View.of(stored)) is Match.WEAK
    with pytest.raises(FormatError, match="descriptor is damaged"):
        drain(lz4_frame.unpack, bytes(stored))
    stored[14] = int(lz4_frame.read(View.of(stored)).checksums[0].computed or "", 16)
    with pytest.raises(FormatError, match="were promised"):
        drain(lz4_frame.unpack, bytes(stored))


@pytest.mark.parametrize(
    ("content", "value"),
    [(b"", 0x02CC5D05), (b"a", 0x550D7456), (b"abc", 0x32D153FF)],
)
def test_xxh32(content: bytes, value: int) -> None:
    # XXH32 with seed 0; values from memory of the reference implementation's `xxh32sum`
    assert lz4_frame._xxh32(content) == value


def descriptor(flags: int, block: int, rest: bytes = b"") -> bytes:
    fields = bytes([flags, block]) + rest
    return struct.pack("<I", 0x184D2204) + fields + bytes([lz4_frame._xxh32(fields) >> 8 & 0xFF])


@pytest.mark.parametrize(
    ("head", "why"),
    [
        (descriptor(0xA0, 0x40), "version 2"),
        (descriptor(0x61, 0x40, bytes(4)), "dictionary"),
        (descriptor(0x60, 0x30), "block size code 3"),
        (descriptor(0x60, 0x40) + struct.pack("<I", 65537), "larger than the frame allows"),
        (descriptor(0x60, 0x40) + struct.pack("<I", 1) + b"\x30", "damaged"),
    ],
)
def test_what_cannot_be_decoded_is_refused(head: bytes, why: str) -> None:
    with pytest.raises(FormatError, match=why):
        drain(lz4_frame.unpack, head + bytes(8))


def test_skippable_frames_and_stored_blocks() -> None:
    frame = descriptor(0x40, 0x40) + struct.pack("<I", 0x80000005) + b"level" + bytes(4)
    stored = struct.pack("<II", 0x184D2A5F, 3) + b"abc" + frame
    assert lz4_frame.read(View.of(stored)).frame_offset == 11
    assert lz4_frame.match(View.of(stored)) is Match.SURE
    assert drain(lz4_frame.unpack, stored, 2) == (b"level", len(stored))
