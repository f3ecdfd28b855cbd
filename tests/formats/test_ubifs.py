from __future__ import annotations

import struct
import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.errors import FormatError
from imgaudit.formats import ubifs
from imgaudit.formats.crc32c import crc32_raw
from imgaudit.formats.facts import Match
from imgaudit.formats.view import View
from tests.formats._survives import surviving


def node(*, kind: int = 6, length: int = 4096, compressor: int = 1, flags: int = 4) -> bytearray:
    data = bytearray(4096)
    struct.pack_into("<4sIQIBB", data, 0, ubifs.MAGIC, 0, 9, length, kind, 0)
    numbers = (flags, 8, 65408, 14, 200)
    struct.pack_into("<BB5IQ8IH", data, 26, 0, 0, *numbers, 1 << 20, 4, 2, 1, 1, 8, 256, 4, 0, 0)
    struct.pack_into("<IH", data, 80, 4, compressor)
    data[108:124] = bytes(range(16))
    struct.pack_into("<I", data, 4, crc32_raw(bytes(data[8:])))
    return data


def output(*command: str | Path) -> str:
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout


def read(data: bytes | bytearray) -> ubifs.Ubifs:
    facts = ubifs.READER.read(View.of(data))
    assert isinstance(facts, ubifs.Ubifs)
    return facts


def test_a_superblock_node_is_read() -> None:
    facts = read(node())
    assert (facts.leb_size, facts.leb_count, facts.max_leb_count) == (65408, 14, 200)
    assert facts.size == facts.length == 14 * 65408
    assert (facts.compressor, facts.key_hash, facts.fmt_version) == ("lzo", "r5", 4)
    assert facts.flag_names == ("space-fixup",)
    assert facts.uuid == "00010203-0405-0607-0809-0a0b0c0d0e0f"
    assert facts.offsets["leb_size"] == 36
    assert facts.checksums[0].matches
    assert facts.summary() == "14 LEBs of 63.9 KiB, lzo"
    assert ubifs.READER.match(View.of(node())) is Match.GOOD


def test_a_wrong_checksum_is_a_fact() -> None:
    data = node()
    data[4095] ^= 1
    assert read(data).checksums[0].matches is False


@pytest.mark.parametrize("data", [node()[:1000], node(length=4000)])
def test_a_checksum_that_cannot_be_computed_says_why(data: bytearray) -> None:
    (checksum,) = read(data).checksums
    assert checksum.matches is None
    assert checksum.why


def test_an_unknown_compressor_is_a_number() -> None:
    facts = read(node(compressor=7))
    assert facts.compressor == ""
    assert "compressor 7" in facts.summary()


@pytest.mark.parametrize(("data", "offset"), [(bytes(4096), 0), (node(kind=7), 20), (b"", 0)])
def test_what_is_no_superblock_node_is_refused(data: bytes, offset: int) -> None:
    with pytest.raises(FormatError) as caught:
        ubifs.READER.read(View.of(data))
    assert caught.value.offset == offset


def test_another_node_is_a_weak_match() -> None:
    assert ubifs.READER.match(View.of(node(kind=7))) is Match.WEAK
    assert ubifs.READER.match(View.of(ubifs.MAGIC)) is Match.WEAK
    assert ubifs.READER.match(View.of(bytes(64))) is Match.NO


survives = surviving(ubifs.READER)


@given(st.binary(max_size=200))
def test_any_bytes(data: bytes) -> None:
    survives(data)
    survives(bytes(node()[:21]) + data)


@given(
    st.lists(st.tuples(st.integers(0, 127), st.integers(0, 255)), max_size=8), st.integers(0, 4096)
)
def test_damaged_nodes(changes: list[tuple[int, int]], length: int) -> None:
    data = node()
    for place, value in changes:
        data[place] = value
    survives(bytes(data))
    survives(bytes(data[:length]))


@pytest.mark.oracle
@pytest.mark.parametrize(
    ("sizes", "compressor", "more"),
    [
        ((1, 65408, 100), "none", ()),
        ((1, 65408, 200), "lzo", ("-F",)),
        ((2048, 126976, 300), "zlib", ("-k", "r5")),
        ((512, 15872, 400), "zstd", ("-k", "test")),
    ],
)
def test_what_mkfs_was_told(
    tmp_path: Path, sizes: tuple[int, int, int], compressor: str, more: tuple[str, ...]
) -> None:
    io, leb, most = sizes
    tree = tmp_path / "tree"
    tree.mkdir()
    (tree / "log").write_text("\n".join(map(str, range(30000))))
    image = tmp_path / "fs"
    geometry = ("-m", str(io), "-e", str(leb), "-c", str(most))
    output("mkfs.ubifs", "-r", tree, "-o", image, "-x", compressor, *geometry, *more)
    facts = read(image.read_bytes())
    assert (facts.leb_size, facts.max_leb_count) == (leb, most)
    # mkfs.ubifs takes no unit of less than 8 bytes.
    assert facts.min_io_size == max(io, 8)
    assert facts.compressor == compressor
    assert facts.size == image.stat().st_size
    assert ("space-fixup" in facts.flag_names) is ("-F" in more)
    assert facts.key_hash == ("test" if "test" in more else "r5")
    assert facts.checksums[0].matches
