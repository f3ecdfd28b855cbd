from __future__ import annotations

import contextlib
import functools
import os
import struct
import tempfile
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.errors import FormatError, ImgauditError
from imgaudit.formats.crc32c import crc32_raw
from imgaudit.formats.files import open_file
from imgaudit.formats.ubifs import READER
from imgaudit.formats.view import View
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
    data = bytearray(whimbrel())
    at %= len(data)
    data[at : at + len(new)] = new
    try:
        facts = read(READER, bytes(data))
    except FormatError:
        return
    for file in facts.files or ():
        with contextlib.suppress(ImgauditError):
            open_file(View.of(bytes(data)), file).upto(0, 100)
