from __future__ import annotations

import functools
import struct
import subprocess
import tempfile
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.formats.ext import READER
from imgaudit.formats.ext_attributes import attribute_flaw
from imgaudit.formats.ext_hash import HALF_MD4, LEGACY, TEA, hashes
from imgaudit.formats.ext_index import Branch, Index
from tests.formats._trees import read, status

NO_SEED = (0, 0, 0, 0)
WORDS = {LEGACY: "legacy", HALF_MD4: "half_md4", TEA: "tea"}
UUID = "01234567-89ab-cdef-0123-456789abcdef"
SEED = struct.unpack("<4I", bytes.fromhex(UUID.replace("-", "")))


@pytest.mark.oracle
@pytest.mark.parametrize("version", WORDS)
@pytest.mark.parametrize("seed", [NO_SEED, SEED])
def test_names_are_hashed_as_debugfs_does(version: int, seed: tuple[int, ...]) -> None:
    names = [f"n{'whimbrel.' * 30}"[:size] for size in range(1, 200)] + ["Image", "é" * 9, "ÿ"]
    given = f"-s {UUID}" if any(seed) else ""
    commands = "\n".join(f"dx_hash -h {WORDS[version]} {given} {name}" for name in names)
    told = subprocess.run(
        ("debugfs", "-f", "/dev/stdin"), input=commands, capture_output=True, text=True, check=True
    ).stdout
    wanted = [
        int(line.split(" is ")[1].split()[0], 16) for line in told.splitlines() if " is " in line
    ]
    assert len(wanted) == len(names)
    found = hashes([name.encode() for name in names], version, seed, signed=True)
    assert found == wanted


@given(st.lists(st.binary(min_size=1, max_size=255), max_size=20), st.sampled_from((HALF_MD4, TEA)))
def test_together_as_one_by_one(names: list[bytes], version: int) -> None:
    for signed in (False, True):
        together = hashes(names, version, SEED, signed=signed)
        assert together == [hashes([name], version, SEED, signed=signed)[0] for name in names]
        assert all(value < 1 << 32 and value % 2 == 0 for value in together)


def index(*names: tuple[int, bytes]) -> Index:
    return Index(SEED, unsigned=False, version=HALF_MD4, names=list(names))


def test_an_index_that_is_right() -> None:
    names = [b"a", b"b", b"c", b"d", b"e"]
    order = sorted(zip(hashes(names, HALF_MD4, SEED, signed=True), names, strict=True))
    middle = order[2][0]
    tree = index(*((1 if value < middle else 2, name) for value, name in order))
    tree.nodes = {0: [Branch(0, 1), Branch(middle, 2)]}
    assert list(tree.wrong(3)) == []
    # A continued hash has its lowest bit set; its names may stand in both blocks.
    tree.nodes = {0: [Branch(0, 1), Branch(middle | 1, 2)]}
    assert list(tree.wrong(3)) == []
    tree.nodes = {0: [Branch(0, 1), Branch(middle + 2, 2)]}
    assert list(tree.wrong(3)) == [(2, "has a name that the index has elsewhere")]
    tree.nodes = {0: [Branch(0, 1), Branch(middle, 1)]}
    assert [block for block, _ in tree.wrong(3)][:2] == [1, 2]
    tree.levels = 1
    assert (1, "is no node of the index, which has one there") in tree.wrong(3)
    tree.nodes |= {1: [Branch(0, 3)], 0: [Branch(0, 1)]}
    assert (2, "is not in the index") in tree.wrong(4)
    tree.nodes[1] = [Branch(0, 0)]
    assert (0, "is in the index twice") in tree.wrong(1)


def test_a_missing_node_hides_no_other() -> None:
    tree = index()
    tree.levels = 1
    tree.nodes = {0: [Branch(0, 1), Branch(8, 2)], 2: [Branch(8, 3)]}
    assert list(tree.wrong(5)) == [
        (1, "is no node of the index, which has one there"),
        (4, "is not in the index"),
    ]


@pytest.mark.oracle
@pytest.mark.parametrize("hashing", ["half_md4", "tea", "legacy"])
def test_a_name_in_the_wrong_block_is_told(tmp_path: Path, hashing: str) -> None:
    folder = tmp_path / "root"
    (folder / "many").mkdir(parents=True)
    for number in range(300):
        (folder / "many" / f"a-file-with-number-{number:04}").touch()
    image = tmp_path / "image"
    options = (
        "-t",
        "ext3",
        "-b",
        "1024",
        "-O",
        "dir_index,^has_journal",
        "-E",
        f"hash_seed={UUID}",
    )
    subprocess.run(("mke2fs", "-q", *options, "-d", folder, image, "4M"), check=True)
    subprocess.run(("tune2fs", "-E", f"hash_alg={hashing}", image), check=True, capture_output=True)
    status("e2fsck", "-fyD", image)
    data = bytearray(image.read_bytes())
    assert read(READER, bytes(data)).flaws == ()
    at = data.index(b"a-file-with-number-0123")
    data[at : at + 23] = b"b-file-with-number-9999"
    image.write_bytes(data)
    assert status("e2fsck", "-fn", image) != 0
    (flaw,) = read(READER, bytes(data)).flaws
    assert flaw.what.endswith("has a name that the index has elsewhere")


def entry(name: bytes, offset: int, size: int) -> bytes:
    return struct.pack("<BBHIII", len(name), 1, offset, 0, size, 0) + name.ljust(
        -(-len(name) // 4) * 4
    )


@pytest.mark.parametrize(
    ("data", "what"),
    [
        (bytes(64), ""),
        ((entry(b"a", 56, 8) + entry(b"bcdef", 52, 4)).ljust(64, b"\0"), ""),
        (entry(b"a", 20, 0), ""),
        (entry(b"a", 60, 8).ljust(64, b"\0"), "on top of each other or outside"),
        ((entry(b"a", 56, 8) + entry(b"b", 50, 8)).ljust(64, b"\0"), "on top of each other"),
        (entry(b"a", 20, 8).ljust(64, b"\0"), "on top of each other"),
        (entry(b"a" * 60, 0, 0)[:40], "without an end"),
        (b"\1" * 8, ""),
    ],
)
def test_attributes(data: bytes, what: str) -> None:
    found = attribute_flaw(data, 0, 0)
    assert what in found
    assert bool(what) == bool(found)


@given(st.binary(max_size=200), st.integers(0, 220), st.integers(0, 220))
def test_any_bytes_as_attributes(data: bytes, first: int, base: int) -> None:
    attribute_flaw(data, first, base)


@functools.cache
def indexed(features: str, names: int = 600) -> tuple[bytes, tuple[int, ...]]:
    """A file system whose `/many` has an index of two levels, and the blocks of that directory."""
    with tempfile.TemporaryDirectory() as place:
        folder, image = Path(place) / "root", Path(place) / "image"
        (folder / "many").mkdir(parents=True)
        for number in range(names):
            (folder / "many" / f"{number:04}-{'whimbrel' * 24}").touch()
        options = ("-t", "ext4", "-b", "1024", "-N", "700", "-O", f"{features},^has_journal")
        made = ("mke2fs", "-q", *options, "-E", f"hash_seed={UUID}", "-d", folder, image, "4M")
        subprocess.run(made, check=True)
        status("e2fsck", "-fyD", image)
        told = subprocess.run(
            ("debugfs", "-R", "blocks /many", image), capture_output=True, text=True, check=True
        ).stdout
        return image.read_bytes(), tuple(1024 * int(block) for block in told.split())


BARE = "^metadata_csum,^64bit"
ROOT, NODE = 0, 151  # the root leads to 151 and 152, 151 to 1 and those that follow
CUT = "directory 12: an entry that is cut"
DAMAGED = "directory 12: a damaged index"


def leads(block: int) -> str:
    return f"directory 12: its index leads to block {block}"


def not_in(block: int) -> str:
    return f"directory 12: its block {block} is not in the index"


@pytest.mark.oracle
@pytest.mark.parametrize(
    ("block", "put", "what"),
    [
        (ROOT, (24, "I", 1), DAMAGED),
        (ROOT, (28, "B", 1), ""),
        (ROOT, (28, "B", 2), "directory 12: its block 1 has a name that the index has elsewhere"),
        # The unsigned versions are of the code alone, SipHash of encrypted directories.
        *((ROOT, (28, "B", version), DAMAGED) for version in (3, 4, 5, 6, 7)),
        (ROOT, (29, "B", 7), DAMAGED),
        (ROOT, (29, "B", 9), DAMAGED),
        (ROOT, (30, "B", 0), not_in(1)),
        (ROOT, (30, "B", 2), DAMAGED),
        (ROOT, (31, "B", 1), DAMAGED),
        (ROOT, (31, "B", 2), ""),
        (ROOT, (32, "H", 123), DAMAGED),
        (ROOT, (32, "H", 125), DAMAGED),
        (ROOT, (34, "H", 0), DAMAGED),
        (ROOT, (34, "H", 1), not_in(152)),
        (ROOT, (34, "H", 124), leads(0)),
        (ROOT, (34, "H", 125), DAMAGED),
        (ROOT, (36, "I", 0), leads(0)),
        (ROOT, (36, "I", 152), "directory 12: its block 152 is in the index twice"),
        (ROOT, (36, "I", 153), leads(153)),
        (NODE, (8, "H", 126), DAMAGED),
        (NODE, (8, "H", 128), DAMAGED),
        (NODE, (10, "H", 0), DAMAGED),
        (NODE, (10, "H", 126), not_in(127)),
        (NODE, (10, "H", 127), ""),
        (NODE, (10, "H", 128), DAMAGED),
        (NODE, (12, "I", 0), leads(0)),
        (NODE, (12, "I", 151), "directory 12: its block 151 is in the index twice"),
        (NODE, (12, "I", 153), leads(153)),
        (NODE, (24, "I", 0), leads(3)),
        (NODE, (4, "H", 1020), CUT),
        (NODE, (0, "I", 12), "directory 12: a name that cannot be"),
    ],
)
def test_each_field_of_an_index_counts(
    tmp_path: Path, block: int, put: tuple[int, str, int], what: str
) -> None:
    image, blocks = indexed(BARE)
    assert len(blocks) == 153
    data = bytearray(image)
    offset, layout, value = put
    struct.pack_into("<" + layout, data, blocks[block] + offset, value)
    (tmp_path / "image").write_bytes(data)
    assert bool(status("e2fsck", "-fn", tmp_path / "image")) == bool(what)
    said = [flaw.what for flaw in read(READER, data).flaws]
    assert what in said if what else said == []
    if block == ROOT and what in {DAMAGED, leads(0), leads(153)}:
        # What only follows from a root that leads nowhere is not told beside it.
        assert said == [what]


@pytest.mark.oracle
@pytest.mark.parametrize("by", [-1, 0, 1])
def test_hashes_in_an_index_rise(by: int) -> None:
    image, blocks = indexed(BARE)
    data = bytearray(image)
    at = blocks[NODE] + 24  # of the third entry; the second's is 8 before
    (before,) = struct.unpack_from("<I", data, at - 8)
    struct.pack_into("<I", data, at, before + by)
    (flaw, *_) = read(READER, data).flaws
    assert flaw.what == (
        leads(3) if by < 0 else "directory 12: its block 2 has a name that the index has elsewhere"
    )


@pytest.mark.oracle
def test_a_name_that_a_lookup_would_miss_is_told() -> None:
    """Linux looks where the hash says; e2fsck does not see it where the first hash is too low."""
    image, blocks = indexed(BARE)
    data = bytearray(image)
    struct.pack_into("<I", data, blocks[ROOT] + 40, 0)
    assert "its block 127 has a name that the index has elsewhere" in str(read(READER, data).flaws)


@pytest.mark.oracle
@pytest.mark.parametrize(
    ("block", "offset", "name"),
    [
        (ROOT, 12, "index of directory 12"),
        (NODE, 20, "index of directory 12"),
        (NODE, 8 + 8 * 126 + 4, "index of directory 12"),
        (1, 9, "directory 12"),
        (1, 1023, "directory 12"),
    ],
)
def test_sums_of_an_index_and_of_its_leaves(
    tmp_path: Path, block: int, offset: int, name: str
) -> None:
    image, blocks = indexed("metadata_csum")
    assert [flaw.what for flaw in read(READER, image).flaws] == []
    data = bytearray(image)
    data[blocks[block] + offset] ^= 0x40
    (tmp_path / "image").write_bytes(data)
    assert status("e2fsck", "-fn", tmp_path / "image") != 0
    wrong = [sum_ for sum_ in read(READER, data).checksums if not sum_.matches]
    assert [(sum_.name, sum_.covers.start) for sum_ in wrong] == [(name, blocks[block])]


@pytest.mark.oracle
@pytest.mark.parametrize("at", [0, 4, 6, 7])
def test_a_block_of_names_has_room_for_its_sum(tmp_path: Path, at: int) -> None:
    image, blocks = indexed("metadata_csum")
    data = bytearray(image)
    data[blocks[1] + 1012 + at] ^= 4
    (tmp_path / "image").write_bytes(data)
    assert status("e2fsck", "-fn", tmp_path / "image") != 0
    what = "directory 12: a block without room for its checksum"
    assert what in [flaw.what for flaw in read(READER, data).flaws]
