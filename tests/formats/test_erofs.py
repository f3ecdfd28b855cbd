from __future__ import annotations

import re
import struct
import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.errors import FormatError
from imgaudit.formats import erofs
from imgaudit.formats.crc32c import crc32c
from imgaudit.formats.facts import Match
from imgaudit.formats.view import View
from tests.formats._survives import surviving


def superblock(
    *, bits: int = 12, compat: int = 1, incompat: int = 0, algorithms: int = 0, blocks: int = 28
) -> bytearray:
    image = bytearray(4096)
    struct.pack_into(
        "<4sIIBBHQQIIII", image, 1024,
        erofs.MAGIC, 0, compat, bits, 1, 36, 4, 1700000000, 5, blocks, 0, 0,
    )  # fmt: skip
    image[1072:1088] = bytes(range(16))
    image[1088:1092] = b"root"
    struct.pack_into("<IH", image, 1104, incompat, algorithms)
    struct.pack_into("<Q", image, 1136, 77)
    size = 1 << bits if bits < 13 else 4096
    end = size if size > 1024 else 1024 + size
    struct.pack_into("<I", image, 1028, crc32c(bytes(image[1024:end])))
    return image


def output(*command: str | Path) -> str:
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout


def read(data: bytes | bytearray) -> erofs.Erofs:
    facts = erofs.READER.read(View.of(data))
    assert isinstance(facts, erofs.Erofs)
    return facts


def test_a_superblock_is_read() -> None:
    facts = read(superblock())
    assert (facts.block_size, facts.block_count, facts.size) == (4096, 28, 28 * 4096)
    assert facts.length == facts.size
    assert (facts.root_nid, facts.inodes, facts.build_time) == (36, 4, 1700000000)
    assert (facts.label, facts.uuid) == ("root", "00010203-0405-0607-0809-0a0b0c0d0e0f")
    assert facts.superblock_size == 144
    assert facts.features == ("sb_csum",)
    assert facts.offsets["blocks"] == 1024 + 0x24
    assert facts.summary() == "112 KiB in 4 KiB blocks, uncompressed"
    assert erofs.READER.match(View.of(superblock())) is Match.GOOD


@pytest.mark.parametrize("bits", [9, 10, 11, 12])
def test_the_checksum_covers_the_rest_of_the_block(bits: int) -> None:
    (checksum,) = read(superblock(bits=bits)).checksums
    assert checksum.matches
    image = superblock(bits=bits)
    image[checksum.covers.end - 1] ^= 1
    assert read(image).checksums[0].matches is False


def test_a_checksum_that_cannot_be_computed_says_why() -> None:
    (checksum,) = read(superblock(bits=16)).checksums
    assert checksum.matches is None
    assert checksum.why


def test_no_checksum_is_claimed_without_the_feature() -> None:
    assert read(superblock(compat=0)).checksums == ()


@pytest.mark.parametrize(
    ("incompat", "algorithms", "compressors"),
    [
        (0, 0, ()),
        (1, 0, ("lz4",)),
        (3, 0b1010, ("lzma", "zstd")),
        (3, 0b10001, ("lz4", "algorithm-4")),
    ],
)
def test_compressors(incompat: int, algorithms: int, compressors: tuple[str, ...]) -> None:
    assert read(superblock(incompat=incompat, algorithms=algorithms)).compressors == compressors


def test_48bit_takes_the_root_for_the_count() -> None:
    facts = read(superblock(incompat=0x80))
    assert facts.block_count == (36 << 32) + 28
    assert facts.root_nid == 77
    assert "48bit" in facts.features


@pytest.mark.parametrize(
    ("data", "offset"),
    [(bytes(4096), 1024), (superblock()[:1100], 1024), (superblock(bits=30), 1036), (b"", 1024)],
)
def test_what_is_no_erofs_is_refused(data: bytes, offset: int) -> None:
    with pytest.raises(FormatError) as caught:
        erofs.READER.read(View.of(data))
    assert caught.value.offset == offset


def test_matches() -> None:
    assert erofs.READER.match(View.of(superblock(bits=30))) is Match.WEAK
    assert erofs.READER.match(View.of(superblock()[:1100])) is Match.NO
    assert erofs.READER.match(View.of(bytes(4096))) is Match.NO


survives = surviving(erofs.READER)


@given(st.binary(max_size=1500))
def test_any_bytes(data: bytes) -> None:
    survives(data)
    survives(bytes(1024) + erofs.MAGIC + data)


@given(
    st.lists(st.tuples(st.integers(1024, 1151), st.integers(0, 255)), max_size=8),
    st.integers(0, 4096),
)
def test_damaged_superblocks(changes: list[tuple[int, int]], length: int) -> None:
    image = superblock()
    for place, value in changes:
        image[place] = value
    survives(bytes(image))
    survives(bytes(image[:length]))


@pytest.mark.oracle
@pytest.mark.parametrize(
    "options",
    [(), ("-zlz4hc",), ("-zlz4", "-C65536"), ("--chunksize=4096",), ("-zlz4", "-Eztailpacking")],
)
def test_as_dump_erofs_tells(tmp_path: Path, options: tuple[str, ...]) -> None:
    tree = tmp_path / "tree"
    tree.mkdir()
    (tree / "log").write_text("\n".join(map(str, range(30000))))
    image = tmp_path / "fs"
    output("mkfs.erofs", "--quiet", *options, image, tree)
    text = output("dump.erofs", "-s", image)
    told = dict(re.findall(r"^Filesystem ([^:]+):\s+(.*?)\s*$", text, re.MULTILINE))
    facts = read(image.read_bytes())
    assert facts.block_count == int(told["blocks"])
    assert facts.size == image.stat().st_size
    assert facts.root_nid == int(told["root nid"])
    assert facts.inodes == int(told["inode count"])
    assert facts.uuid == told["UUID"]
    # Other versions of dump.erofs print more names, one for each meaning of a bit that has two.
    printed = {"sb_csum", "mtime", "0padding", "big_pcluster", "chunked_file", "device_table"}
    assert set(facts.features) & printed == set(told["features"].split()) & printed
    assert ("ztailpacking" in facts.features) is ("-Eztailpacking" in options)
    assert facts.compressors == (("lz4",) if "-zlz4" in "".join(options) else ())
    (checksum,) = facts.checksums
    assert checksum.matches
