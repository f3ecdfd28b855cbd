from __future__ import annotations

import itertools
import re
import struct
import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.errors import FormatError
from imgaudit.formats import squashfs
from imgaudit.formats.facts import Match
from imgaudit.formats.view import View
from imgaudit.units import Span, round_up
from tests.formats._survives import surviving

ABSENT = (1 << 64) - 1


def superblock(
    *,
    bytes_used: int = 16197478,
    compression: int = 4,
    flags: int = 0x0C0,
    version: tuple[int, int] = (4, 0),
    block_log: int = 17,
    options: bytes = b"",
) -> bytes:
    head = struct.pack(
        "<4s4I6HQQ", b"hsqs", 12, 1700000000, 1 << 17, 3, compression, block_log, flags, 1,
        *version, 0x59, bytes_used,
    )  # fmt: skip
    end = bytes_used
    tables = struct.pack("<6Q", end - 8, ABSENT, end - 400, end - 300, end - 60, end - 20)
    return head + tables + options


def output(*command: str | Path) -> str:
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout


def read(data: bytes) -> squashfs.Squashfs:
    facts = squashfs.READER.read(View.of(data))
    assert isinstance(facts, squashfs.Squashfs)
    return facts


def test_a_superblock_is_read_even_where_the_rest_is_missing() -> None:
    facts = read(superblock())
    assert (facts.major, facts.minor, facts.compressor) == (4, 0, "xz")
    assert facts.length == facts.bytes_used == 16197478
    assert facts.offsets["bytes_used"] == 0x28
    assert facts.offsets["id_table_start"] == 0x30
    assert facts.flag_names == ("duplicates", "exportable")
    assert facts.summary() == "15.4 MiB, xz, 128 KiB blocks"
    assert squashfs.READER.match(View.of(superblock())) is Match.SURE


def test_the_padded_length_of_a_published_image() -> None:
    # A thread's (from memory) image: 16197478 bytes used; mksquashfs pads to 4 KiB.
    assert round_up(read(superblock()).bytes_used, 4096) == 16199680


def test_where_a_published_image_ends() -> None:
    # A thread, from memory: 0x3bb44b bytes used at 0x250000 reach beyond an erase from 0x350000.
    end = 0x250000 + read(superblock(bytes_used=0x3BB44B)).bytes_used
    assert end == 0x60B44B
    assert Span(0x250000, end).common(Span(0x350000, 1 << 24)).start == 0x350000


def test_tables_cover_the_bytes_to_the_next_one() -> None:
    end = 16197478
    tables = {table.name: table for table in read(superblock()).tables}
    assert set(tables) == {"inode", "directory", "fragment", "export", "id"}
    assert tables["inode"].span == Span(end - 400, end - 300)
    assert tables["id"].span == Span(end - 8, end)
    assert tables["id"].offset == 0x30


def test_a_table_beyond_the_end_has_an_empty_span() -> None:
    data = bytearray(superblock())
    struct.pack_into("<Q", data, 0x40, 1 << 40)
    (table,) = [table for table in read(bytes(data)).tables if table.name == "inode"]
    assert table.start == 1 << 40
    assert table.span == Span(1 << 40, 1 << 40)


def test_compressor_options() -> None:
    options = struct.pack("<HII", 0x8008, 1 << 16, 0b1001)
    facts = read(superblock(flags=0x4C0, options=options))
    assert dict(facts.options) == {"dictionary-size": 1 << 16, "filters": 0b1001}
    assert facts.filters == ("x86", "arm")
    assert facts.offsets["options"] == 96
    assert read(superblock(flags=0x4C0, options=b"\x04\x80" + bytes(8))).options == ()


def test_an_unknown_compressor_is_a_number() -> None:
    facts = read(superblock(compression=9, flags=0x4C0))
    assert (facts.compression, facts.compressor, facts.options) == (9, "", ())
    assert "compressor 9" in facts.summary()


@pytest.mark.parametrize(
    ("data", "offset"),
    [
        (b"hsqs", 0),
        (bytes(96), 0),
        (superblock(version=(3, 1)), 28),
        (superblock(flags=0x4C0), 96),
    ],
)
def test_what_is_no_squashfs_4_is_refused(data: bytes, offset: int) -> None:
    with pytest.raises(FormatError) as caught:
        squashfs.READER.read(View.of(data))
    assert caught.value.offset == offset


def test_matches() -> None:
    assert squashfs.READER.match(View.of(superblock(version=(3, 1)))) is Match.WEAK
    assert squashfs.READER.match(View.of(superblock(block_log=16))) is Match.WEAK
    assert squashfs.READER.match(View.of(b"hsqs")) is Match.NO
    assert squashfs.READER.match(View.of(bytes(96))) is Match.NO


survives = surviving(squashfs.READER)


@given(st.binary(max_size=200))
def test_any_bytes(data: bytes) -> None:
    survives(data)
    survives(b"hsqs" + data)


@given(
    st.lists(st.tuples(st.integers(0, 105), st.integers(0, 255)), max_size=8), st.integers(0, 106)
)
def test_damaged_superblocks(changes: list[tuple[int, int]], length: int) -> None:
    image = bytearray(superblock(flags=0x4C0, options=struct.pack("<HII", 0x8008, 1, 1)))
    for place, value in changes:
        image[place] = value
    survives(bytes(image))
    survives(bytes(image[:length]))


@pytest.mark.oracle
@pytest.mark.parametrize(
    ("compressor", "options"),
    [
        ("gzip", ()),
        ("gzip", ("-Xcompression-level", "3", "-no-exports")),
        ("lzma", ("-b", "65536")),
        ("lzo", ("-no-fragments",)),
        ("lzo", ("-Xcompression-level", "5")),
        ("xz", ("-Xbcj", "arm,armthumb", "-b", "1048576")),
        ("lz4", ("-noI", "-noD")),
        ("zstd", ("-Xcompression-level", "7", "-xattrs")),
    ],
)
def test_as_unsquashfs_tells(tmp_path: Path, compressor: str, options: tuple[str, ...]) -> None:
    tree = tmp_path / "tree"
    tree.mkdir()
    (tree / "log").write_text("\n".join(map(str, range(30000))))
    image = tmp_path / "fs"
    output("mksquashfs", tree, image, "-quiet", "-noappend", "-comp", compressor, *options)
    text = output("unsquashfs", "-s", image)
    facts = read(image.read_bytes())

    def told(pattern: str) -> str:
        found = re.search(pattern, text)
        assert found, text
        return found[1]

    assert facts.compressor == compressor == told(r"Compression (\w+)")
    assert facts.bytes_used == int(told(r"Filesystem size (\d+) bytes"))
    assert facts.block_size == int(told(r"Block size (\d+)"))
    assert facts.fragments == int(told(r"Number of fragments (\d+)"))
    assert facts.inodes == int(told(r"Number of inodes (\d+)"))
    assert facts.ids == int(told(r"Number of ids (\d+)"))
    assert ("exportable" in facts.flag_names) is ("is exportable via NFS" in text)
    assert ("uncompressed-inodes" in facts.flag_names) is ("Inodes are uncompressed" in text)
    assert ("uncompressed-data" in facts.flag_names) is ("Data is uncompressed" in text)
    assert ("no-fragments" in facts.flag_names) is ("Fragments are not stored" in text)
    if "-Xbcj" in options:
        assert facts.filters == tuple(sorted(told(r"Filters selected: (.*)").split(", ")))
        assert dict(facts.options)["dictionary-size"] == int(told(r"Dictionary size (\d+)"))
    elif "-Xcompression-level" in options:
        level = int(told(r"compression.level (\d+)"))
        assert dict(facts.options)["level"] == level == int(options[1])
    assert image.stat().st_size == round_up(facts.bytes_used, 4096)
    spans = sorted((table.span for table in facts.tables), key=lambda span: span.start)
    assert spans[-1].end == facts.bytes_used
    assert all(a.end == b.start for a, b in itertools.pairwise(spans))
