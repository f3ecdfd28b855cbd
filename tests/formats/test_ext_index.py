from __future__ import annotations

import struct
import subprocess
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


@pytest.mark.parametrize(("version", "signed"), [(HALF_MD4, True), (HALF_MD4 + 3, False)])
def test_versions_from_three_on_take_bytes_as_never_negative(version: int, *, signed: bool) -> None:
    """Linux fs/ext4/ext4.h, DX_HASH_HALF_MD4_UNSIGNED; what is beyond them is not judged."""
    name = "é".encode()
    (value,) = hashes([name], HALF_MD4, SEED, signed=signed)
    (other,) = hashes([name], HALF_MD4, SEED, signed=not signed)
    low = min(value, other)
    tree = Index(SEED, unsigned=False, version=version, names=[(1, name)])
    tree.nodes = {0: [Branch(0, 2), Branch(low + 2, 1)]}
    wrong = (1, "has a name that the index has elsewhere")
    assert (wrong in list(tree.wrong(3))) == (value == low)
    for unknown in (6, 7, -1):
        tree.version = unknown
        assert list(tree.wrong(3)) == []


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
