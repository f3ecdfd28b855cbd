from __future__ import annotations

import functools
import struct
import tempfile
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.formats import files as listing
from imgaudit.formats import jffs2_tree
from imgaudit.formats.crc32c import crc32_raw
from imgaudit.formats.files import Piece, open_file
from imgaudit.formats.jffs2 import READER
from imgaudit.formats.view import View
from tests.formats._survives import survives_walk
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
    survives_walk(READER, whimbrel(), at, new)


def stored(
    inode: int,
    version: int,
    data: bytes,
    *,
    mode: int = 0o100644,
    size: int | None = None,
    offset: int = 0,
    whole: int | None = None,
    packed: int = 0,
    said: int | None = None,
) -> bytes:
    """Make a node of an inode; `packed` is the compressor, `said` what it says of its data."""
    fields = (
        *(inode, version, mode, 7, 8, len(data) if size is None else size, 0, 99, 0, offset),
        *(len(data) if said is None else said, len(data) if whole is None else whole),
        *(packed, 0, 0),
    )
    return node(0xE002, struct.pack("<IIIHHIIIIIIIBBH", *fields), data)


def flaws(*nodes: bytes) -> list[tuple[int, str]]:
    return [(flaw.offset, flaw.what) for flaw in read(READER, b"".join(nodes)).flaws]


def test_nodes_that_hold_less_than_they_say_are_told() -> None:
    name = named(1, 1, 2, b"tide")
    body = struct.pack("<IIIIBBH", 1, 1, 2, 0, 5, 8, 0)
    # A length that ends one byte before the name does.
    assert flaws(stored(2, 1, b"x"), node(0xE001, body, b"tide")) == [
        (72, "the node of a name of 5 bytes has 44")
    ]
    assert flaws(name, stored(2, 1, b"xy", said=3)) == [
        (44, "inode 2: a node with 3 bytes has 70"),
    ]
    assert flaws(name, stored(2, 1, b"xy", said=2)) == []
    for kind, least in ((0xE001, 40), (0xE002, 68)):
        head = struct.pack("<HHI", 0x1985, kind, least - 1)
        short = (head + struct.pack("<I", crc32_raw(head, 0))).ljust(least, b"\0")
        assert (0, f"a node of {least - 1} bytes is cut") in flaws(short + name)
    cut = stored(2, 1, b"x" * 20)
    assert (44, "a node of 88 bytes is cut") in flaws(name, cut[:-1])
    assert flaws(name, cut) == []


def test_the_later_of_two_names_counts_whatever_stands_first() -> None:
    old, new = named(1, 1, 2, b"tide"), named(1, 2, 3, b"tide")
    both = stored(2, 1, b"old"), stored(3, 1, b"new")
    for names in ((old, new), (new, old)):
        data = b"".join((*names, *both))
        file = read(READER, data).file("tide")
        assert file is not None
        assert open_file(View.of(data), file).bytes(0, 3) == b"new"


@pytest.mark.parametrize(
    ("mode", "data", "number"),
    [
        (0o20600, b"\x2c\x05", (5, 0x2C)),
        (0o60600, b"\x34\xbc\xfa\x12", (0xABC, 0x12F34)),
    ],
)
def test_a_device_has_its_number_as_data(mode: int, data: bytes, number: tuple[int, int]) -> None:
    """In 16 bits as of old or in 32 (Linux fs/jffs2/nodelist.h, union jffs2_device_node)."""
    nodes = (named(1, 1, 2, b"tty", mode >> 12), stored(2, 1, data, mode=mode))
    facts = read(READER, b"".join(nodes))
    assert facts.flaws == ()
    assert facts.files is not None
    entry = facts.files.entries["tty"]
    assert (entry.rdev, entry.uid, entry.gid, entry.mtime) == (number, 7, 8, 99)
    place = len(nodes[0]) + 68
    assert flaws(nodes[0], stored(2, 1, b"abc", mode=mode)) == [(place, "a device in 3 bytes")]


def test_a_name_says_the_kind_of_its_file() -> None:
    names = named(1, 1, 2, b"tide", 4), named(1, 1, 3, b"a/b"), named(1, 1, 1, b"loop", 4)
    folder = stored(1, 1, b"", mode=0o40755)
    assert flaws(*names, stored(2, 1, b"x"), stored(3, 1, b"y"), folder) == [
        (0, "tide: its name says another kind of file"),
        (88, "loop: a second name for directory 1"),
    ]


def test_pieces_are_laid_over_each_other() -> None:
    """Holes, packed data of which a part is left, what lies beyond the size of the newest node."""
    name = named(1, 1, 2, b"tide")
    zeros = stored(2, 2, b"", size=100, offset=20, whole=10, packed=1)
    packed = stored(2, 1, b"pack", size=100, whole=60, packed=6)
    later = stored(2, 3, b"late", size=70, offset=64)
    beyond = stored(2, 0, b"gone", size=90, offset=70)
    data = b"".join((name, zeros, packed, later, beyond))
    file = read(READER, data).file("tide")
    assert file is not None
    at = data.index(b"pack")
    assert file.pieces == (
        Piece(20, at, "zlib", 4, 60),
        Piece(10, None),
        Piece(30, at, "zlib", 4, 60, 30),
        Piece(4, None),
        Piece(4, data.index(b"late")),
        Piece(2, None),
    )
    # What a plain piece has left begins behind what was written anew.
    plain = b"".join((name, stored(2, 1, b"abcdef"), stored(2, 2, b"XY", size=6, offset=1)))
    file = read(READER, plain).file("tide")
    assert file is not None
    assert open_file(View.of(plain), file).bytes(0, 6) == b"aXYdef"


@pytest.mark.parametrize(("packed", "whole"), [(3, 4), (5, 4), (8, 4), (0, 5)])
def test_compressors_that_are_not_known_are_said(packed: int, whole: int) -> None:
    nodes = named(1, 1, 2, b"tide"), stored(2, 1, b"pack", size=4, whole=whole, packed=packed)
    facts = read(READER, b"".join(nodes))
    assert facts.unwalked == f"data packed with compressor {packed} are not read"
    assert facts.files is not None
    assert facts.files.entries["tide"].pieces is None


def test_counts_have_an_end(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each limit on both sides; what is beyond it is said."""
    names = [named(1, 1, number, b"tide-%d" % number) for number in (2, 3)]
    files = [stored(number, 1, b"abcd") for number in (2, 3)]
    again = [stored(number, 2, b"X", size=4, offset=1) for number in (2, 3)]
    data = b"".join((*names, *files, *again))

    def said(where: object, name: str, value: int) -> str:
        with monkeypatch.context() as patched:
            patched.setattr(where, name, value)
            return read(READER, data).unwalked

    assert said(jffs2_tree, "MAX_NODES", 6) == ""
    assert said(jffs2_tree, "MAX_NODES", 5) == "it has more than 5 nodes"
    assert said(jffs2_tree, "MAX_PATCHES", 2) == ""
    assert said(jffs2_tree, "MAX_PATCHES", 1) == "more than 1 pieces of files were written anew"
    assert said(listing, "MAX_ENTRIES", 3) == ""
    assert said(listing, "MAX_ENTRIES", 2) == "it has more than 2 names"
    assert said(listing, "MAX_DEPTH", 1) == ""
