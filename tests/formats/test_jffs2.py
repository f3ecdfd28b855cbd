from __future__ import annotations

import re
import struct
import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.errors import FormatError
from imgaudit.formats import jffs2
from imgaudit.formats.crc32c import crc32_raw
from imgaudit.formats.facts import Match
from imgaudit.formats.view import View
from tests.formats._survives import surviving

ERASE = 4096
INODE, DIRENT = 0xE002, 0xE001
ORDERS: tuple[jffs2.Order, ...] = ("little", "big")


def node(kind: int, length: int = 12, order: jffs2.Order = "little") -> bytes:
    mark = "<" if order == "little" else ">"
    head = struct.pack(f"{mark}HHI", 0x1985, kind, length)
    head += struct.pack(f"{mark}I", crc32_raw(head, 0))
    data = b"\x55" * (length - (68 if kind == INODE else 40))
    if kind == INODE:
        # Of its fields only the numbers of bytes, stored and unpacked.
        head += struct.pack(f"{mark}36xII4x", len(data), len(data))
        head += struct.pack(f"{mark}II", crc32_raw(data, 0), crc32_raw(head, 0)) + data
    elif kind == DIRENT:
        head += struct.pack(f"{mark}16xBB2x", len(data), 8)
        head += struct.pack(f"{mark}II", crc32_raw(head, 0), crc32_raw(data, 0)) + data
    return head.ljust(length, b"\x55").ljust(-(-length // 4) * 4, b"\xff")


def block(*nodes: bytes, order: jffs2.Order = "little") -> bytes:
    return b"".join([node(jffs2.CLEANMARKER, order=order), *nodes]).ljust(ERASE, b"\xff")


def image(order: jffs2.Order = "little") -> bytes:
    first = block(node(DIRENT, 45, order), node(INODE, 1001, order), order=order)
    return first + block(node(INODE, 70, order), order=order) + block(order=order)


def output(*command: str | Path) -> str:
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout


def read(data: bytes | bytearray) -> jffs2.Jffs2:
    facts = jffs2.READER.read(View.of(data))
    assert isinstance(facts, jffs2.Jffs2)
    return facts


@pytest.mark.parametrize("order", ORDERS)
def test_an_image_is_read_in_either_order(order: jffs2.Order) -> None:
    facts = read(image(order))
    assert facts.order == order
    assert facts.nodes == 6
    assert facts.node_types == {"cleanmarker": 3, "inode": 2, "dirent": 1}
    assert facts.cleanmarkers == (0, 4096, 8192)
    assert facts.erase_size == 4096
    assert facts.longest_node == 1001
    assert facts.used_end == 8192 + 12
    assert (facts.bad_headers, facts.complete, facts.doubts) == (0, True, ())
    assert all(checksum.matches for checksum in facts.checksums)
    assert facts.summary() == f"{order}-endian, 6 nodes, erase size 4 KiB"
    assert jffs2.READER.match(View.of(image(order))) is Match.SURE


def test_without_two_markers_the_erase_size_is_open() -> None:
    assert read(block()).erase_size is None
    assert read(node(INODE, 100) + node(0x1234, 20)).node_types == {"inode": 1, "0x1234": 1}


def test_markers_off_any_common_spacing_leave_it_open() -> None:
    assert read(node(jffs2.CLEANMARKER) * 3).erase_size is None


def test_a_damaged_header_is_listed_and_the_next_node_found() -> None:
    data = bytearray(image())
    data[12 + 4] ^= 1
    facts = read(data)
    assert facts.bad_headers == 1
    (wrong,) = [checksum for checksum in facts.checksums if not checksum.matches]
    assert wrong.offset == 12 + 8
    assert facts.node_types["inode"] == 2


def test_an_unaligned_magic_is_data() -> None:
    stray = b"\xff\xff\x85\x19" + b"\xff" * 4
    facts = read(node(INODE, 100) + stray + node(INODE, 20))
    assert (facts.nodes, facts.bad_headers) == (2, 0)


def test_nodes_are_found_across_pieces_of_the_walk() -> None:
    lead = node(INODE, (1 << 20) - 8)
    facts = read(lead + node(INODE, 68) + b"\xff" * (3 << 20) + node(DIRENT, 44))
    assert facts.node_types == {"inode": 2, "dirent": 1}
    assert facts.used_end == len(lead) + 68 + (3 << 20) + 44


def test_a_node_beyond_the_end_shows_in_where_the_last_one_ends() -> None:
    facts = read(node(INODE, 5000)[:3000])
    assert facts.used_end == 5000


@pytest.mark.parametrize("data", [b"", bytes(64), b"\x85\x19"])
def test_what_is_no_jffs2_is_refused(data: bytes) -> None:
    assert jffs2.READER.match(View.of(data)) is Match.NO
    with pytest.raises(FormatError) as caught:
        jffs2.READER.read(View.of(data))
    assert caught.value.offset == 0


def test_a_wrong_first_header_is_a_weak_match() -> None:
    data = bytearray(image())
    data[4] ^= 1
    assert jffs2.READER.match(View.of(data)) is Match.WEAK


def test_a_flood_of_magics_ends(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(jffs2, "MAX_STEPS", 1000)
    facts = read(b"\x85\x19" * 10000)
    assert not facts.complete
    assert facts.doubts == ("Only the first 4,000 bytes were walked.",)
    assert len(facts.checksums) <= jffs2.MAX_LISTED
    assert facts.bad_headers == 1000


survives = surviving(jffs2.READER)


@given(st.binary(max_size=200))
def test_any_bytes(data: bytes) -> None:
    survives(data)
    survives(node(jffs2.CLEANMARKER) + data)


@given(
    st.sampled_from(ORDERS),
    st.lists(st.tuples(st.integers(0, 1200), st.integers(0, 255)), max_size=8),
    st.integers(0, 3 * ERASE),
)
def test_damaged_images(order: jffs2.Order, changes: list[tuple[int, int]], length: int) -> None:
    data = bytearray(image(order))
    for place, value in changes:
        data[place] = value
    survives(bytes(data))
    survives(bytes(data[:length]))


@given(st.lists(st.integers(0, 0xFFFFFFFF), max_size=5))
def test_sound_headers_with_any_length(lengths: list[int]) -> None:
    heads = []
    for length in lengths:
        head = struct.pack("<HHI", 0x1985, INODE, length)
        heads.append(head + struct.pack("<I", crc32_raw(head, 0)))
    survives(b"".join(heads))


@pytest.mark.oracle
@pytest.mark.parametrize(
    ("order", "erase", "options"),
    [
        ("little", 0x10000, ("-l",)),
        ("big", 0x10000, ("-b",)),
        ("little", 0x4000, ("-l", "--pad=0x80000")),
        ("big", 0x20000, ("-b", "-n")),
        ("little", 0x2000, ("-l", "-m", "none", "--cleanmarker=16")),
    ],
)
def test_as_jffs2dump_tells(
    tmp_path: Path, order: str, erase: int, options: tuple[str, ...]
) -> None:
    tree = tmp_path / "tree"
    tree.mkdir()
    (tree / "log").write_text("\n".join(map(str, range(60000))))
    (tree / "link").symlink_to("log")
    image = tmp_path / "fs"
    output("mkfs.jffs2", "-r", tree, "-o", image, "-e", hex(erase), *options)
    text = output("jffs2dump", "-c", "-b" if order == "big" else "-l", image)
    facts = read(image.read_bytes())
    assert facts.order == order
    told = [
        kind.lower() for kind in re.findall(r"^\s*(Dirent|Inode)\s+node at", text, re.MULTILINE)
    ]
    assert facts.node_types["inode"] == told.count("inode")
    assert facts.node_types["dirent"] == told.count("dirent")
    # jffs2dump passes over clean markers; mkfs.jffs2 starts each block with one, but for -n.
    marked = "-n" not in options
    size = image.stat().st_size
    assert facts.cleanmarkers == (tuple(range(0, size, erase)) if marked else ())
    assert facts.erase_size == (erase if marked else None)
    assert facts.bad_headers == 0
    assert facts.complete
    assert facts.used_end <= size
