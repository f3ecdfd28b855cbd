from __future__ import annotations

import struct
import zlib
from pathlib import Path

import pytest

from imgaudit.errors import FormatError
from imgaudit.formats import gzip
from imgaudit.formats.facts import Match
from imgaudit.formats.view import View
from tests.formats._pieces import drain, text, tool


def member(content: bytes, flags: int = 0, fields: bytes = b"") -> bytes:
    # RFC 1952, 2.3: header, optional fields, deflated data, CRC32, ISIZE.
    deflate = zlib.compressobj(wbits=-15)
    body = deflate.compress(content) + deflate.flush()
    head = struct.pack("<3sBIBB", b"\x1f\x8b\x08", flags, 0x5F000000, 2, 3)
    if flags & 2:
        fields += struct.pack("<H", zlib.crc32(head + fields) & 0xFFFF)
    return head + fields + body + struct.pack("<II", zlib.crc32(content), len(content))


def test_reads_every_optional_field() -> None:
    fields = struct.pack("<H3s", 3, b"abc") + b"level\xe9.txt\0" + b"tide\0"
    stored = member(b"content", 0x1E, fields)
    facts = gzip.read(View.of(stored))
    assert (facts.name, facts.comment, facts.mtime) == ("levelé.txt", "tide", 0x5F000000)
    assert (facts.extra_flags, facts.operating_system, facts.flags) == (2, 3, 0x1E)
    assert facts.offsets["name"] == 15
    assert facts.checksums[0].matches
    assert zlib.decompress(stored[facts.data_offset : -8], -15) == b"content"
    assert drain(gzip.unpack, stored) == (b"content", len(stored))


def test_a_wrong_header_crc_is_a_fact() -> None:
    stored = bytearray(member(b"content", 2))
    stored[10] ^= 1
    facts = gzip.read(View.of(stored))
    assert facts.checksums[0].matches is False
    assert facts.checksums[0].offset == 10


@pytest.mark.oracle
def test_reads_the_name_and_time_that_gzip_stores(tmp_path: Path) -> None:
    (tmp_path / "gauge.log").write_bytes(b"1")
    stored = tool(f"gzip -c {tmp_path / 'gauge.log'}", b"")
    facts = gzip.read(View.of(stored))
    assert facts.name == "gauge.log"
    assert facts.mtime == int((tmp_path / "gauge.log").stat().st_mtime)
    assert facts.summary() == "of gauge.log"


def test_reserved_flags_make_it_doubtful() -> None:
    assert gzip.match(View.of(member(b"", 0xE0))) is Match.WEAK
    assert gzip.match(View.of(member(b""))) is Match.GOOD


@pytest.mark.parametrize(("back", "what"), [(8, "data check"), (4, "length check")])
def test_wrong_trailers_are_refused(back: int, what: str) -> None:
    stored = bytearray(member(text(9000)))
    stored[len(stored) - back] ^= 1
    with pytest.raises(FormatError, match=what):
        drain(gzip.unpack, bytes(stored))


def test_an_endless_name_is_refused() -> None:
    with pytest.raises(FormatError, match="no NUL"):
        gzip.read(View.of(b"\x1f\x8b\x08\x08" + bytes(6) + b"x" * 100_000))
