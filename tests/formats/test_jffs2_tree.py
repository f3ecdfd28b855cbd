from __future__ import annotations

import functools
import struct
import tempfile
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.errors import FormatError, ImgauditError
from imgaudit.formats.crc32c import crc32_raw
from imgaudit.formats.files import open_file
from imgaudit.formats.jffs2 import READER
from imgaudit.formats.view import View
from tests.formats._trees import fill, read, sound, status, trouble

FORMS = (
    ("-l", "-m", "none"),
    ("-l", "-m", "size"),
    ("-l", "-X", "zlib", "-x", "rtime", "-x", "lzo"),
    ("-l", "-X", "lzo", "-x", "rtime", "-x", "zlib"),
    ("-l", "-X", "rtime", "-x", "lzo", "-x", "zlib"),
    ("-b", "-X", "zlib", "-s", "2048"),
)


def make(folder: Path, *options: str) -> bytes:
    image = folder.parent / "image.jffs2"
    assert not status("mkfs.jffs2", "-r", folder, "-o", image, "-e", "0x10000", "-p", *options)
    return image.read_bytes()


@pytest.mark.oracle
@pytest.mark.parametrize("options", FORMS, ids=" ".join)
def test_what_mkfs_jffs2_packs_is_found(tmp_path: Path, options: tuple[str, ...]) -> None:
    """Every name, mode, size, target and byte."""
    folder = fill(tmp_path / "root", many=60)
    (folder / "boot/same").unlink()  # mkfs.jffs2 makes hard links of their own
    sound(READER, make(folder, *options), folder)


@functools.cache
def whimbrel() -> bytes:
    with tempfile.TemporaryDirectory() as place:
        folder = fill(Path(place) / "root", many=20, kernel=b"k" * 9000)
        return make(folder, "-l", "-m", "none")


@pytest.mark.oracle
def test_a_changed_byte_of_a_node_is_told() -> None:
    """Every byte of a node is under one of its three checksums."""
    data = whimbrel()
    at = data.index(b"k" * 100)
    for place in (at, at - 68, at - 40, at + 50, data.index(b"tides.conf"), 0x20):
        broken = bytearray(data)
        broken[place] ^= 0x10
        assert trouble(READER, bytes(broken)), hex(place)


def node(kind: int, body: bytes, data: bytes = b"") -> bytes:
    head = struct.pack("<HHI", 0x1985, kind, 12 + len(body) + 8 + len(data))
    head += struct.pack("<I", crc32_raw(head, 0)) + body
    if kind == 0xE001:
        sums = (crc32_raw(head, 0), crc32_raw(data, 0))
    else:
        sums = (crc32_raw(data, 0), crc32_raw(head, 0))
    whole = head + struct.pack("<II", *sums) + data
    return whole.ljust(-(-len(whole) // 4) * 4, b"\xff")


def named(parent: int, version: int, inode: int, name: bytes, kind: int = 8) -> bytes:
    body = struct.pack("<IIIIBBH", parent, version, inode, 0, len(name), kind, 0)
    return node(0xE001, body, name)


def written(inode: int, version: int, offset: int, data: bytes, size: int) -> bytes:
    fields = (inode, version, 0o100644, 0, 0, size, 0, 0, 0, offset, len(data), len(data), 0, 0, 0)
    return node(0xE002, struct.pack("<IIIHHIIIIIIIBBH", *fields), data)


def test_newer_nodes_stand_for_older_ones() -> None:
    nodes = (
        named(1, 1, 2, b"tide"),
        written(2, 1, 0, b"a" * 100, 100),
        written(2, 3, 40, b"c" * 20, 120),
        written(2, 2, 50, b"b" * 30, 110),
        named(1, 2, 3, b"gone"),
        written(3, 1, 0, b"x", 1),
        named(1, 3, 0, b"gone"),
    )
    data = b"".join(nodes)
    facts = read(READER, data)
    assert facts.flaws == ()
    assert facts.files is not None
    assert [entry.path for entry in facts.files] == ["tide"]
    file = facts.file("tide")
    assert file is not None
    expected = b"a" * 40 + b"c" * 20 + b"b" * 20 + b"a" * 20 + bytes(20)
    assert open_file(View.of(data), file).bytes(0, 120) == expected


def test_a_name_without_its_file_is_told() -> None:
    assert trouble(READER, named(1, 1, 7, b"tide")) == "tide: its inode 7 has no node"


@pytest.mark.oracle
@given(st.integers(0, 1 << 17), st.binary(min_size=1, max_size=64))
def test_changed_bytes_give_facts_or_an_error(at: int, new: bytes) -> None:
    data = bytearray(whimbrel())
    at %= len(data)
    data[at : at + len(new)] = new
    try:
        facts = read(READER, bytes(data))
    except FormatError:
        return
    for file in facts.files or ():
        try:
            open_file(View.of(bytes(data)), file).upto(0, 100)
        except ImgauditError:
            continue
