from __future__ import annotations

import re
import struct
import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.errors import FormatError
from imgaudit.formats import f2fs
from imgaudit.formats.crc32c import crc32_raw
from imgaudit.formats.facts import Match
from imgaudit.formats.view import View


def image(*, blocks: int = 16384, feature: int = 0x800, checksum_offset: int = 3068) -> bytearray:
    block = bytearray(f2fs.SUPERBLOCK_SIZE)
    struct.pack_into(
        "<IHH7IQ7I", block, 0, f2fs.MAGIC, 1, 15, 9, 3, 12, 9, 1, 1, checksum_offset, blocks,
        24, 31, 2, 2, 2, 1, 24,
    )  # fmt: skip
    block[108:124] = bytes(range(16))
    block[124:132] = "data".encode("utf-16-le")
    struct.pack_into("<I", block, 2180, feature)
    struct.pack_into("<I", block, 3068, crc32_raw(bytes(block[:3068]), f2fs.MAGIC))
    whole = bytearray(8192)
    for place in f2fs.PLACES:
        whole[place : place + len(block)] = block
    return whole


def output(*command: str | Path) -> str:
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout


def read(data: bytes | bytearray) -> f2fs.F2fs:
    facts = f2fs.READER.read(View.of(data))
    assert isinstance(facts, f2fs.F2fs)
    return facts


def test_both_superblocks_are_read() -> None:
    facts = read(image())
    assert facts.first
    assert facts.second
    assert (facts.first.offset, facts.second.offset) == (0x400, 0x1400)
    assert facts.superblock == facts.first
    assert facts.size == facts.length == 64 << 20
    assert (facts.block_size, facts.block_count) == (4096, 16384)
    assert (facts.label, facts.uuid) == ("data", "00010203-0405-0607-0809-0a0b0c0d0e0f")
    assert facts.features == ("sb_checksum",)
    assert facts.differences == ()
    assert facts.offsets["block_count"] == 1024 + 36
    assert [checksum.matches for checksum in facts.checksums] == [True, True]
    assert facts.summary() == "64 MiB in 4 KiB blocks"
    assert f2fs.READER.match(View.of(image())) is Match.SURE


def test_differences_are_named() -> None:
    data = image()
    struct.pack_into("<Q", data, 0x1400 + 36, 99)
    facts = read(data)
    assert facts.differences == ("block_count",)
    assert facts.second
    assert facts.second.block_count == 99
    assert [checksum.matches for checksum in facts.checksums] == [True, False]


def test_the_second_counts_where_the_first_is_gone() -> None:
    data = image()
    data[0x400:0x404] = bytes(4)
    facts = read(data)
    assert facts.first is None
    assert facts.superblock == facts.second
    assert facts.offsets["magic"] == 0x1400
    assert facts.differences == ()
    assert f2fs.READER.match(View.of(data)) is Match.GOOD


def test_checksums_follow_the_feature() -> None:
    assert read(image(feature=0)).checksums == ()
    first, _ = read(image(checksum_offset=4000)).checksums
    assert first.matches is None
    assert first.why


@pytest.mark.parametrize("data", [b"", bytes(8192), image()[:4000]])
def test_what_is_no_f2fs_is_refused(data: bytes) -> None:
    with pytest.raises(FormatError) as caught:
        f2fs.READER.read(View.of(data))
    assert caught.value.offset == 0x400


def test_an_impossible_block_size_is_not_readable() -> None:
    data = image()
    for place in f2fs.PLACES:
        struct.pack_into("<I", data, place + 16, 0xFFFFFFFF)
    assert f2fs.READER.match(View.of(data)) is Match.WEAK
    with pytest.raises(FormatError):
        f2fs.READER.read(View.of(data))


def survives(data: bytes) -> None:
    view = View.of(data)
    f2fs.READER.match(view)
    try:
        facts = read(data)
    except FormatError:
        return
    assert facts.summary()
    assert len(facts.label) <= f2fs.MAX_LABEL * 6  # the longest escape of one code unit


@given(st.binary(max_size=300))
def test_any_bytes(data: bytes) -> None:
    survives(data)
    survives(bytes(1024) + f2fs.MAGIC.to_bytes(4, "little") + data + bytes(8192))


@given(
    st.lists(st.tuples(st.integers(1024, 8191), st.integers(0, 255)), max_size=8),
    st.lists(st.tuples(st.integers(1024, 1200), st.integers(0, 255)), max_size=4),
    st.integers(0, 8192),
)
def test_damaged_superblocks(
    changes: list[tuple[int, int]], fields: list[tuple[int, int]], length: int
) -> None:
    data = image()
    for place, value in changes + fields:
        data[place] = value
    survives(bytes(data))
    survives(bytes(data[:length]))


@pytest.mark.oracle
@pytest.mark.parametrize(
    "options",
    [
        (),
        ("-l", "grüße", "-O", "extra_attr,sb_checksum,inode_checksum,inode_crtime"),
        ("-s", "2", "-O", "encrypt,lost_found,verity,extra_attr,compression"),
        ("-O", "extra_attr,project_quota,flexible_inline_xattr,quota"),
    ],
)
def test_as_fsck_and_blkid_tell(tmp_path: Path, options: tuple[str, ...]) -> None:
    disk = tmp_path / "fs"
    with disk.open("wb") as file:
        file.truncate(128 << 20)
    output("mkfs.f2fs", "-q", *options, disk)
    text = output("fsck.f2fs", "--dry-run", disk)
    with disk.open("rb") as file:
        facts = read(file.read(1 << 17))
    told = re.search(r"superblock features = (\w+) :[ ]*(.*)", text)
    assert told, text
    assert facts.superblock.feature == int(told[1], 16)
    assert set(facts.features) == set(told[2].split())
    segments = re.search(r"Segments per section = (\d+)", text)
    sectors = re.search(r"total FS sectors = (\d+)", text)
    assert segments
    assert sectors
    assert facts.superblock.segs_per_sec == int(segments[1])
    assert facts.size == int(sectors[1]) * 512
    found = output("blkid", "-p", "-o", "value", "-s", "UUID", "-s", "LABEL", disk).split()
    assert found == [*facts.label.split(), facts.uuid]
    assert facts.differences == ()
    assert all(checksum.matches for checksum in facts.checksums)
    assert len(facts.checksums) == (2 if "sb_checksum" in facts.features else 0)
