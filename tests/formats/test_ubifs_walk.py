from __future__ import annotations

import functools
import os
import struct
import tempfile
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit import bounds
from imgaudit.formats import files as listing
from imgaudit.formats import ubifs_lpt, ubifs_walk
from imgaudit.formats.crc16 import crc16
from imgaudit.formats.crc32c import crc32_raw
from imgaudit.formats.files import Piece
from imgaudit.formats.ubifs import READER
from imgaudit.formats.view import View
from tests.formats._survives import survives_walk
from tests.formats._trees import damaged, fill, read, seeds, sound, status, trouble

NAND = ("-m", "2048", "-e", "126976", "-c", "200")
NOR = ("-m", "8", "-e", "65408", "-c", "200")
FORMS = (
    (*NAND, "-x", "none"),
    (*NAND, "-x", "lzo"),
    (*NAND, "-x", "zlib"),
    (*NAND, "-x", "zstd"),
    (*NAND, "-x", "favor_lzo"),
    (*NAND, "-F", "-f", "4"),
    (*NAND, "-j", "8MiB"),
    (*NAND[:-1], "20000"),
    ("-m", "512", "-e", "15872", "-c", "30000"),
    NOR,
)


def make(folder: Path, *options: str) -> bytes:
    image = folder.parent / "image.ubifs"
    assert not status("mkfs.ubifs", *options, "-r", folder, "-o", image)
    return image.read_bytes()


@pytest.mark.oracle
@pytest.mark.parametrize("options", FORMS, ids=" ".join)
def test_what_mkfs_ubifs_packs_is_found(tmp_path: Path, options: tuple[str, ...]) -> None:
    """Every name, mode, size, target and byte."""
    folder = fill(tmp_path / "root")
    os.setxattr(folder / "init", "user.gauge", b"tide" * 20)
    facts = sound(READER, make(folder, *options), folder)
    assert facts.room is not None
    assert 0 < facts.room.free < facts.room.size


@functools.cache
def whimbrel() -> bytes:
    with tempfile.TemporaryDirectory() as place:
        return make(fill(Path(place) / "root", many=40, kernel=b"tide " * 9000), *NOR)


def nodes(data: bytes) -> list[tuple[int, int, int]]:
    """Give place, length and type of each node that stands where one may."""
    found = []
    for at in range(0, len(data) - 24, 8):
        if data[at : at + 4] == b"\x31\x18\x10\x06":
            length, kind = struct.unpack_from("<IB", data, at + 16)
            found.append((at, length, kind))
    return found


@pytest.mark.oracle
def test_a_changed_byte_of_any_node_that_counts_is_told() -> None:
    """Every node of inode, data, name, attribute, master or index is under a checksum."""
    data = whimbrel()
    for at, length, kind in nodes(data)[::7]:
        if kind in {0, 1, 2, 3, 9}:
            broken = bytearray(data)
            broken[at + 24 + (length - 24) // 2] ^= 4
            assert trouble(READER, bytes(broken)), (hex(at), kind)


@pytest.mark.oracle
@pytest.mark.parametrize("options", [NOR, NAND, (*NAND[:-1], "20000")])
def test_the_tree_of_free_space_is_walked(tmp_path: Path, options: tuple[str, ...]) -> None:
    """Each byte of its root and of the leaf that comes first is under a CRC-16."""
    data = make(fill(tmp_path / "root", many=400), *options)
    leb_size = int(options[3])
    leb, offset = struct.unpack_from("<II", data, leb_size + 120)
    start = leb * leb_size
    used = [at for at in range(start, start + offset + 8) if data[at] not in {0, 0xFF}]
    assert offset > 0
    told = 0
    for at in used[:: max(1, len(used) // 40)]:
        broken = bytearray(data)
        broken[at] ^= 0x10
        told += "in the tree of free space" in trouble(READER, bytes(broken))
    assert told
    broken = bytearray(data)
    broken[start + offset + 3] ^= 0x10
    assert "a damaged node in the tree of free space" in trouble(READER, bytes(broken))
    broken = bytearray(data)
    for copy in (1, 2):
        at = copy * leb_size
        struct.pack_into("<I", broken, at + 120, 9_999)
        struct.pack_into("<I", broken, at + 4, crc32_raw(bytes(broken[at + 8 : at + 512])))
    assert "the tree of free space leads to LEB 9,999" in trouble(READER, bytes(broken))


@pytest.mark.oracle
def test_an_older_master_node_is_told_when_the_newer_is_gone() -> None:
    data = bytearray(whimbrel())
    (first, second) = [at for at, _, kind in nodes(bytes(data)) if kind == 7]
    data[second : second + 512] = b"\xff" * 512
    assert "the master node in LEB 2 is not there" in trouble(READER, bytes(data))
    data[first : first + 512] = b"\xff" * 512
    assert "it has no master node" in trouble(READER, bytes(data))


@pytest.mark.oracle
def test_an_index_that_leads_to_itself_ends() -> None:
    data = bytearray(whimbrel())
    at, length = next(
        (at, size) for at, size, kind in nodes(bytes(data)) if kind == 9 and data[at + 26]
    )
    leb, offset = divmod(at, 65408)
    struct.pack_into("<III", data, at + 28, leb, offset, length)
    struct.pack_into("<I", data, at + 4, crc32_raw(bytes(data[at + 8 : at + length])))
    assert trouble(READER, bytes(data))


@pytest.mark.oracle
def test_random_damage_to_nodes_is_told() -> None:
    """No tool checks a UBIFS that is not mounted: what a node's own checksum tells, we tell."""
    data = whimbrel()
    whole = [(at, length) for at, length, kind in nodes(data) if kind in {0, 1, 2, 3, 9}]
    for seed in seeds(40):
        broken = damaged(data, seed)
        wrong = any(
            crc32_raw(broken[at + 8 : at + length])
            != int.from_bytes(data[at + 4 : at + 8], "little")
            for at, length in whole
        )
        assert bool(trouble(READER, broken)) >= wrong, seed


@pytest.mark.oracle
@given(st.integers(0, 1 << 21), st.binary(min_size=1, max_size=64))
def test_changed_bytes_give_facts_or_an_error(at: int, new: bytes) -> None:
    survives_walk(READER, whimbrel(), at, new)


# What each field means. Where it stands: Linux fs/ubifs/ubifs-media.h.

Put = tuple[str, int, str, int]
"""From a node: where, how wide, what. Both "masters", or one after "inode", "data", "name" of."""
LEB = 65408
IMAGE = "boot/Image-6.12"


@functools.cache
def places(where: str) -> tuple[int, ...]:
    data = whimbrel()
    masters = LEB, 2 * LEB
    if where == "super":
        return (0,)
    if where == "masters":
        return masters
    if where == "log":
        return (struct.unpack_from("<I", data, LEB + 44)[0] * LEB,)
    if where == "root":
        leb, offset = struct.unpack_from("<II", data, LEB + 48)
        return (leb * LEB + offset,)
    what, path = where.split(" of ")
    files = read(READER, data).files
    assert files is not None
    if what == "name":
        path, _, name = path.rpartition("/")
        return tuple(
            at
            for at, _, kind in nodes(data)
            if kind == 2 and data[at + 56 :].startswith(name.encode() + b"\0")
        )
    number = files.entries[path].inode
    kind = {"inode": 0, "data": 1}[what]
    return tuple(
        at
        for at, _, other in nodes(data)
        if other == kind and struct.unpack_from("<I", data, at + 24) == (number,)
    )[:1]


def put(*puts: Put) -> bytes:
    """Change fields of nodes, and sum them anew."""
    out = bytearray(whimbrel())
    for where, offset, layout, value in puts:
        for at in places(where):
            (length,) = struct.unpack_from("<I", out, at + 16)
            struct.pack_into("<" + layout, out, at + offset, value)
            struct.pack_into("<I", out, at + 4, crc32_raw(bytes(out[at + 8 : at + length])))
    return bytes(out)


def branch(start: int, wanted: bytes) -> tuple[int, int]:
    """Find the branch of the index that has some bytes at `start`: its node, and where in that."""
    data = whimbrel()
    for node, _, kind in nodes(data):
        for slot in range(struct.unpack_from("<H", data, node + 24)[0] if kind == 9 else 0):
            if data[node + 28 + 20 * slot + start :].startswith(wanted):
                return node, 28 + 20 * slot
    raise AssertionError(wanted)


def leaf(where: str) -> tuple[int, int]:
    """Find the branch that leads to a node."""
    (at,) = places(where)
    return branch(0, struct.pack("<II", at // LEB, at % LEB))


CHANGES: list[tuple[list[Put], str, str, int]] = [
    ([("masters", 44, "I", 2)], "the log starts in LEB 2", "masters", 0),
    ([("masters", 44, "I", 7)], "the log starts in LEB 7", "masters", 0),
    (
        [("masters", 32, "Q", 99)],
        "the log belongs to another commit than the master node",
        "log",
        0,
    ),
    ([("log", 20, "B", 8)], "the log has no start of a commit", "log", 0),
    ([("masters", 52, "I", 4)], "a node of 108 bytes in LEB 12 at 4", "super", 0),
    ([("masters", 52, "I", LEB - 104)], "a node of 108 bytes in LEB 12 at 65,304", "super", 0),
    ([("masters", 48, "I", 13)], "a node of 108 bytes in LEB 13 at 6,024", "super", 0),
    ([("masters", 56, "I", 23)], "a node of 23 bytes in LEB 12 at 6,024", "super", 0),
    ([("masters", 56, "I", 128)], "no index node of 128 bytes where one should be", "root", 0),
    ([("masters", 120, "I", 9)], "the tree of free space leads to LEB 9 at 40", "super", 0),
    ([("root", 24, "H", 0)], "a damaged node of the index", "root", 0),
    ([("root", 24, "H", 5)], "a damaged node of the index", "root", 0),
    ([("root", 26, "H", 65)], "a damaged node of the index", "root", 0),
    ([("root", 28, "I", 13)], "a node of 188 bytes in LEB 13 at 5,336", "root", 0),
    ([("inode of init", 24, "I", 9)], "a node of another inode than 85", "inode of init", 0),
    (
        [("inode of init", 112, "I", 1)],
        "inode 85 has 1 bytes of data in its node",
        "inode of init",
        0,
    ),
    ([("inode of init", 92, "I", 2)], "inode 85 says 2 names and has 1", "inode of init", 0),
    ([("inode of init", 48, "Q", 0)], "inode 85 has data beyond its 0 bytes", "inode of init", 0),
    ([("inode of init", 48, "Q", 1)], "", "inode of init", 0),
    ([("inode of init", 104, "I", 0)], "init: its inode 85 has no node", "name of /init", 0),
    ([("data of init", 44, "H", 4)], "data of 10 bytes, packed with 4", "data of init", 0),
    ([("data of init", 40, "I", 0)], "data of 0 bytes, packed with 0", "data of init", 0),
    ([("data of init", 40, "I", 4097)], "data of 4,097 bytes, packed with 0", "data of init", 0),
    ([("data of init", 40, "I", 11)], "data of 11 bytes in a node of 58", "data of init", 0),
    ([("name of /init", 50, "H", 5)], "a name of 5 bytes in a node of 61", "name of /init", 0),
    ([("name of /init", 49, "B", 8)], "a name of 4 bytes in a node of 61", "name of /init", 0),
    ([("name of /init", 49, "B", 7)], "", "name of /init", 0),
    (
        [("name of /init", 40, "Q", 68)],
        "init: a second name for directory 68",
        "name of /init",
        0,
    ),
    ([("name of /init", 40, "Q", 999)], "init: its inode 999 has no node", "name of /init", 0),
]


@pytest.mark.oracle
@pytest.mark.parametrize(("puts", "what", "where", "offset"), CHANGES)
def test_each_field_counts(puts: list[Put], what: str, where: str, offset: int) -> None:
    said = [(flaw.what, flaw.offset) for flaw in read(READER, put(*puts)).flaws]
    assert ((what, places(where)[0] + offset) in said) if what else said == []


@pytest.mark.oracle
def test_a_branch_leads_to_what_its_key_says() -> None:
    data = bytearray(whimbrel())
    node, slot = leaf("inode of init")

    def said(offset: int, value: int) -> list[tuple[str, int]]:
        out = bytearray(data)
        struct.pack_into("<I", out, node + slot + offset, value)
        (length,) = struct.unpack_from("<I", out, node + 16)
        struct.pack_into("<I", out, node + 4, crc32_raw(bytes(out[node + 8 : node + length])))
        return [(flaw.what, flaw.offset) for flaw in read(READER, bytes(out)).flaws]

    at = places("inode of init")[0]
    assert said(16, 0) == []
    assert said(16, 4 << 29) == [("a key of type 4", at)]
    assert said(16, 1 << 29) == [("no data node of 160 bytes where one should be", at)]
    assert said(12, 86) == [("a node of another inode than 86", at)]
    assert said(8, 152) == [("no inode node of 152 bytes where one should be", at)]
    assert said(4, at % LEB + 4) == [
        (f"a node of 160 bytes in LEB {at // LEB} at {at % LEB + 4:,}", node)
    ]
    out = bytearray(data)
    struct.pack_into("<I", out, at + 16, 152)
    struct.pack_into("<I", out, at + 4, crc32_raw(bytes(out[at + 8 : at + 152])))
    data = out
    assert said(8, 152) == [("a node of an inode of 152 bytes", at)]
    root, first = places("root")[0], 28
    (leb, offset) = struct.unpack_from("<II", data, root + first)
    twice = put(("root", first + 20, "I", leb), ("root", first + 24, "I", offset))
    flaws = read(READER, twice).flaws
    assert ("the index leads to one node twice", leb * LEB + offset) in [
        (flaw.what, flaw.offset) for flaw in flaws
    ]


@pytest.mark.oracle
def test_what_is_not_walked_is_said() -> None:
    why = "keys or blocks of another kind than Linux makes"
    for field, layout, value in ((27, "B", 1), (36, "I", 4095), (40, "I", 5)):
        facts = read(READER, put(("super", field, layout, value)))
        assert (facts.unwalked, facts.files) == (why, None), field
    few = read(READER, put(("super", 64, "I", 4)))
    assert few.unwalked == ""
    assert "of its 13 LEBs none is left for files" in [flaw.what for flaw in few.flaws]
    assert "none is left" not in trouble(READER, put(("super", 64, "I", 3)))


@pytest.mark.oracle
def test_names_that_cannot_be_or_are_gone_are_not_listed() -> None:
    """A name with a slash; one whose inode is 0, which says that it was deleted."""
    for put_ in (("name of /init", 56, "B", 0x2F), ("name of /init", 40, "Q", 0)):
        files = read(READER, put(put_)).files
        assert files is not None
        assert len(files) == len(read(READER, whimbrel()).files or ()) - 1
        assert files.get("init") is None


@pytest.mark.oracle
def test_what_the_journal_has_is_said() -> None:
    (log,) = places("log")
    why = "what its journal has is not replayed"
    node, _ = leaf("inode of init")
    for place in (32, 64, LEB - 64):
        for leb, offset, kind, told in (
            (node // LEB, node % LEB, 8, why),  # a reference to a block that has a node there
            (node // LEB, node % LEB + 8, 8, ""),
            (node // LEB, node % LEB, 9, ""),
        ):
            data = bytearray(whimbrel())
            reference = struct.pack("<IIQIB3xII", 0x06101831, 0, 0, 64, kind, leb, offset)
            data[log + place : log + place + 32] = reference
            assert read(READER, bytes(data)).unwalked == told, (place, kind)


@pytest.mark.oracle
def test_the_newest_of_the_master_nodes_counts() -> None:
    """A block is filled with them one behind the other; the other block has the same."""
    data = bytearray(whimbrel())
    newer = bytearray(data[LEB : LEB + 512])
    (number,) = struct.unpack_from("<Q", newer, 8)
    struct.pack_into("<Q", newer, 8, number + 1)
    struct.pack_into("<I", newer, 44, 2)
    struct.pack_into("<I", newer, 4, crc32_raw(bytes(newer[8:])))
    data[2 * LEB + 512 : 2 * LEB + 1024] = newer
    assert trouble(READER, bytes(data)) == "the log starts in LEB 2"
    full = bytearray(whimbrel())
    one = full[LEB : LEB + 512]
    full[LEB : 2 * LEB] = (one * 128)[:LEB].ljust(LEB, b"\xff")
    assert trouble(READER, bytes(full)) == ""


@pytest.mark.oracle
def test_holes_devices_and_cut_blocks() -> None:
    files = read(READER, put(("inode of " + IMAGE, 48, "Q", 100_000))).files
    assert files is not None
    pieces = files.entries[IMAGE].pieces
    assert pieces is not None
    assert pieces[-1] == Piece(100_000 - 45_000, None)
    data = whimbrel()
    node, second = branch(12, struct.pack("<II", files.entries[IMAGE].inode, 1 << 29 | 1))
    out = bytearray(data)
    # The second block is now the third.
    struct.pack_into("<I", out, node + second + 16, 1 << 29 | 2)
    (length,) = struct.unpack_from("<I", out, node + 16)
    struct.pack_into("<I", out, node + 4, crc32_raw(bytes(out[node + 8 : node + length])))
    holed = read(READER, bytes(out)).file(IMAGE)
    assert holed is not None
    assert (holed.pieces or ())[1] == Piece(4096, None)
    # A device has its number as the data of its inode: here that of a link of 10 bytes, cut to 4.
    at = places("inode of boot/Image")[0]
    out = bytearray(data)
    for offset, layout, value in (
        (16, "I", 164),
        (104, "I", 0o20600),
        (112, "I", 4),
        (160, "I", 0x12FABC34),
    ):
        struct.pack_into("<" + layout, out, at + offset, value)
    struct.pack_into("<I", out, at + 4, crc32_raw(bytes(out[at + 8 : at + 164])))
    node, slot = leaf("inode of boot/Image")
    struct.pack_into("<I", out, node + slot + 8, 164)
    (length,) = struct.unpack_from("<I", out, node + 16)
    struct.pack_into("<I", out, node + 4, crc32_raw(bytes(out[node + 8 : node + length])))
    facts = read(READER, bytes(out))
    assert facts.files is not None
    assert facts.files.entries["boot/Image"].rdev == (0xABC, 0x12F34)


@pytest.mark.oracle
def test_counts_have_an_end(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each limit on both sides; what is beyond it is said."""

    def said(where: object, name: str, value: int) -> str:
        with monkeypatch.context() as patched:
            patched.setattr(where, name, value)
            return read(READER, whimbrel()).unwalked

    count = len(nodes(whimbrel()))
    most = {value: said(ubifs_walk, "MAX_NODES", value) for value in range(count - 8, count + 1)}
    edge = min(value for value, why in most.items() if not why)
    assert f"it has more than {edge - 1} nodes" in most[edge - 1]
    assert not any(why for value, why in most.items() if value >= edge)
    pieces = sum(kind == 1 for _, _, kind in nodes(whimbrel()))
    assert said(ubifs_walk, "MAX_PIECES", pieces) == ""
    assert "its files have more than" in said(ubifs_walk, "MAX_PIECES", pieces - 1)
    names = len(read(READER, whimbrel()).files or ()) + 1
    assert said(listing, "MAX_ENTRIES", names) == ""
    assert said(listing, "MAX_ENTRIES", names - 1) == f"it has more than {names - 1} names"


@pytest.mark.oracle
def test_each_leaf_of_the_tree_of_free_space_is_judged(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Linux fs/ubifs/lpt.c, validate_pnode: no block has more than its own size."""
    data = bytearray(whimbrel())
    leb, offset = struct.unpack_from("<II", data, LEB + 120)
    root = leb * LEB + offset
    geometry = ubifs_lpt.Geometry(
        leb_size=LEB, leb_count=13, max_leb_count=200, first=7, lebs=2, main_first=10, big=False
    )
    assert (geometry.height, geometry.size(0), geometry.size(1)) == (3, 16, 12)

    def branch(at: int) -> int:
        bits = int.from_bytes(data[at : at + 12], "little") >> 20
        return int((7 + (bits & 3)) * LEB + (bits >> 2 & 0xFFFF))

    last = branch(branch(branch(root)))
    for free, wrong in ((LEB // 8, 0), (LEB // 8 + 1, 1)):
        out = bytearray(data)
        bits = int.from_bytes(out[last : last + 16], "little")
        bits = bits & ~(((1 << 26) - 1) << 20) | free << 20
        body = bits.to_bytes(16, "little")[2:]
        out[last : last + 16] = crc16(body, 0xFFFF).to_bytes(2, "little") + body
        assert [(flaw.what, flaw.offset) for flaw in read(READER, bytes(out)).flaws] == wrong * [
            ("a block with more free space than its 65,408 bytes", last)
        ]
    cut = View.of(bytes(data[: root + 11]))
    assert list(ubifs_lpt.lpt_flaws(cut, geometry, leb, offset)) == [
        (root, "the tree of free space is cut")
    ]
    whole = View.of(bytes(data))
    assert list(ubifs_lpt.lpt_flaws(whole, geometry, leb, offset)) == []
    monkeypatch.setattr(ubifs_lpt, "_MAX_NODES", 3)
    with bounds.listening() as heard:
        assert list(ubifs_lpt.lpt_flaws(whole, geometry, leb, offset)) == []
    assert list(heard) == [("", "the tree of free space has more than 3 nodes")]
