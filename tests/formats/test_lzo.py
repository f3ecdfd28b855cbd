from __future__ import annotations

import struct
import zlib
from pathlib import Path

import pytest

from imgaudit.errors import FormatError
from imgaudit.formats import lzo
from imgaudit.formats.facts import Match
from imgaudit.formats.view import View
from tests.formats._pieces import drain, text, tool


def header(flags: int = 0, method: int = 1, name: bytes = b"", version: int = 0x1040) -> bytes:
    # Linux lib/decompress_unlzo.c, parse_header()
    body = struct.pack(">HHHBBI", version, 0x20A0, 0x0940, method, 5, flags)
    if flags & 0x800:
        body += struct.pack(">I", 1)
    body += struct.pack(">III", 0o100644, 0x5F000000, 0) + bytes([len(name)]) + name
    checksum = zlib.crc32(body) if flags & 0x1000 else zlib.adler32(body)
    return b"\x89LZO\0\r\n\x1a\n" + body + struct.pack(">I", checksum)


@pytest.mark.oracle
def test_reads_the_header(tmp_path: Path) -> None:
    path = tmp_path / "gauge.log"
    path.write_bytes(text(3000))
    facts = lzo.read(View.of(tool(f"lzop -9 -c {path}", b"")))
    assert (facts.method, facts.level, facts.name) == ("LZO1X-999", 9, "gauge.log")
    assert facts.mtime == int(path.stat().st_mtime)
    assert facts.summary() == "LZO1X-999, of gauge.log"


@pytest.mark.oracle
@pytest.mark.parametrize("option", ["--crc32", "-CC", "--no-checksum", "-1", "-3"])
def test_every_kind_of_checksum_is_understood(option: str) -> None:
    stored = tool(f"lzop {option} -c", text(600_000))
    assert drain(lzo.unpack, stored, 333) == (text(600_000), len(stored))


@pytest.mark.oracle
def test_incompressible_blocks_are_stored_plain() -> None:
    content = zlib.compress(text(900_000), 9)[:70_000]
    stored = tool("lzop -c", content)
    assert drain(lzo.unpack, stored) == (content, len(stored))


@pytest.mark.oracle
def test_a_wrong_block_checksum_is_refused() -> None:
    stored = bytearray(tool("lzop -c", text(3000)))
    at = lzo.read(View.of(stored)).data_offset
    stored[at + 8] ^= 1
    with pytest.raises(FormatError, match="adler32") as caught:
        drain(lzo.unpack, bytes(stored))
    assert caught.value.offset == at


@pytest.mark.parametrize(
    ("decoded", "stored"),
    [(0x40001, 16), (0x7FFFFFFF, 16), (16, 17), (16, 0), (16, 0xFFFFFFFF)],
)
def test_sizes_are_checked_before_decoding(decoded: int, stored: int) -> None:
    content = header() + struct.pack(">II", decoded, stored) + bytes(100)
    with pytest.raises(FormatError, match="not one that lzop makes") as caught:
        drain(lzo.unpack, content)
    assert caught.value.offset == len(header())


def test_a_block_that_decodes_to_another_size_is_refused() -> None:
    from lzallright import LZOCompressor

    data = LZOCompressor().compress(bytes(1000))
    content = header() + struct.pack(">II", 999, len(data)) + data + bytes(4)
    with pytest.raises(FormatError, match="promised"):
        drain(lzo.unpack, content)


def test_header_variants() -> None:
    crc = lzo.read(View.of(header(0x1000 | 0x800, name=b"a")))
    assert crc.checksums[0].algorithm == "crc32"
    assert crc.checksums[0].matches
    assert crc.data_offset == len(header(0x1000 | 0x800, name=b"a"))
    assert lzo.read(View.of(header(method=9))).method == "unknown 9"
    with pytest.raises(FormatError, match="not known"):
        drain(lzo.unpack, header(method=9) + bytes(4))
    with pytest.raises(FormatError, match="not known"):
        drain(lzo.unpack, header(0x800) + bytes(4))


def test_an_old_header_has_fewer_fields() -> None:
    body = struct.pack(">HHBIII", 0x0900, 0x1000, 1, 0, 0o100644, 7) + b"\0"
    content = b"\x89LZO\0\r\n\x1a\n" + body + struct.pack(">I", zlib.adler32(body)) + bytes(4)
    facts = lzo.read(View.of(content))
    assert (facts.version_needed, facts.level, facts.mtime) == (None, None, 7)
    assert drain(lzo.unpack, content) == (b"", len(content))


def test_an_extra_field_is_passed_over() -> None:
    content = header(0x40) + struct.pack(">I", 5) + b"extra" + bytes(4) + bytes(4)
    assert drain(lzo.unpack, content) == (b"", len(content))


def test_a_wrong_header_checksum_is_a_fact_and_stops_decoding() -> None:
    content = bytearray(header() + bytes(4))
    content[20] ^= 1
    assert lzo.match(View.of(content)) is Match.WEAK
    assert lzo.read(View.of(content)).checksums[0].matches is False
    with pytest.raises(FormatError, match="header is damaged"):
        drain(lzo.unpack, bytes(content))
