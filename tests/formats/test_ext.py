from __future__ import annotations

import ctypes
import re
import struct
import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.errors import FormatError
from imgaudit.formats import ext
from imgaudit.formats.crc32c import crc32c
from imgaudit.formats.facts import Match
from imgaudit.formats.view import View
from tests.formats._survives import surviving


def superblock(
    *,
    blocks: int = 8192,
    log_block_size: int = 2,
    compat: int = 0x3C,
    incompat: int = 0x2C2,
    ro_compat: int = 0x46B,
    state: int = 1,
    errors: int = 0,
) -> bytearray:
    image = bytearray(4096)
    fields = {
        0x00: 2048,
        0x04: blocks & 0xFFFFFFFF,
        0x14: 0 if log_block_size else 1,
        0x18: log_block_size,
        0x20: 32768,
        0x28: 2048,
        0x4C: 1,
        0x5C: compat,
        0x60: incompat,
        0x64: ro_compat,
        0x150: blocks >> 32,
        0x194: errors,
    }
    for offset, value in fields.items():
        struct.pack_into("<I", image, 1024 + offset, value)
    struct.pack_into("<HH", image, 1024 + 0x38, 0xEF53, state)
    image[1024 + 0x68 : 1024 + 0x78] = bytes(range(16))
    image[1024 + 0x78 : 1024 + 0x7C] = b"data"
    struct.pack_into("<I", image, 2044, crc32c(bytes(image[1024:2044])))
    return image


def output(*command: str | Path) -> str:
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout


def read(data: bytes | bytearray) -> ext.Ext:
    facts = ext.READER.read(View.of(data))
    assert isinstance(facts, ext.Ext)
    return facts


def make(tmp_path: Path, *options: str, size: str = "8M") -> ext.Ext:
    image = tmp_path / "fs"
    output("mke2fs", "-q", "-F", *options, image, size)
    return read(image.read_bytes())


def dumped(tmp_path: Path) -> dict[str, str]:
    text = output("dumpe2fs", "-h", tmp_path / "fs")
    return dict(re.findall(r"^(\w[^:]*):\s+(.*?)\s*$", text, re.MULTILINE))


def test_a_superblock_is_read_with_the_places_of_its_fields() -> None:
    facts = read(superblock())
    assert (facts.kind, facts.block_size, facts.block_count) == ("ext4", 4096, 8192)
    assert facts.size == facts.length == 8192 * 4096
    assert (facts.label, facts.uuid) == ("data", "00010203-0405-0607-0809-0a0b0c0d0e0f")
    assert facts.offsets["blocks_count_lo"] == 1028
    assert facts.offsets["uuid"] == 1128
    assert facts.summary() == "ext4, 32 MiB in 4 KiB blocks"
    assert ext.READER.match(View.of(superblock())) is Match.GOOD
    (checksum,) = facts.checksums
    assert checksum.matches


def test_the_upper_half_of_the_count_needs_64bit() -> None:
    assert read(superblock(blocks=(3 << 32) + 5)).block_count == (3 << 32) + 5
    narrow = read(superblock(blocks=(3 << 32) + 5, incompat=0x42))
    assert narrow.block_count == 5


@pytest.mark.parametrize(
    ("blocks", "size"),
    [
        # Public mount failures, "block count 1909760 exceeds size of device (1876992 blocks)",
        # and "215040 … (215039 blocks)".
        (1909760, 7822376960),
        (1876992, 7688159232),
        (215040, 880803840),
        (215039, 880799744),
    ],
)
def test_sizes_of_published_mount_failures(blocks: int, size: int) -> None:
    assert read(superblock(blocks=blocks)).size == size


def test_a_wrong_checksum_is_a_fact() -> None:
    image = superblock()
    image[1024 + 0x78] ^= 1
    (checksum,) = read(image).checksums
    assert checksum.matches is False
    assert checksum.offset == 2044


def test_state_and_recovery() -> None:
    fine = read(superblock())
    assert (fine.clean, fine.has_errors, fine.needs_recovery) == (True, False, False)
    bad = read(superblock(state=2, incompat=0x2C6, errors=7))
    assert (bad.clean, bad.has_errors, bad.needs_recovery) == (False, True, True)
    assert bad.error_count == 7


@pytest.mark.parametrize(
    ("compat", "incompat", "ro_compat", "kind"),
    [
        (0, 0x2, 0x3, "ext2"),
        (4, 0x6, 0x3, "ext3"),
        (4, 0x42, 0x3, "ext4"),
        (0, 0x2, 0x8, "ext4"),
        (0, 0x8, 0, "journal"),
    ],
)
def test_kinds(compat: int, incompat: int, ro_compat: int, kind: str) -> None:
    facts = read(superblock(compat=compat, incompat=incompat, ro_compat=ro_compat))
    assert facts.kind == kind
    assert facts.checksums == ()


@pytest.mark.parametrize(
    ("data", "offset"),
    [
        (bytes(4096), 1080),
        (superblock(log_block_size=7), 1048),
        (superblock()[:1500], 1024),
        (b"", 1024),
    ],
)
def test_what_is_no_superblock_is_refused(data: bytes, offset: int) -> None:
    with pytest.raises(FormatError) as caught:
        ext.READER.read(View.of(data))
    assert caught.value.offset == offset


def test_a_lone_magic_is_a_weak_match() -> None:
    image = bytearray(4096)
    image[1080:1082] = ext.MAGIC
    assert ext.READER.match(View.of(image)) is Match.WEAK
    assert ext.READER.match(View.of(image[:1100])) is Match.NO
    assert ext.READER.match(View.of(bytes(4096))) is Match.NO


survives = surviving(ext.READER)


@given(st.binary(max_size=3000))
def test_any_bytes(data: bytes) -> None:
    survives(data)
    survives(bytes(1080) + ext.MAGIC + data)


@given(
    st.lists(st.tuples(st.integers(1024, 2047), st.integers(0, 255)), max_size=8),
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
    [
        ("-t", "ext4", "-L", "whimbrel", "-M", "/mnt/data"),
        ("-t", "ext4", "-b", "4096", "-O", "metadata_csum_seed,orphan_file,quota,project"),
        ("-t", "ext4", "-b", "2048", "-O", "^metadata_csum,^64bit,bigalloc"),
        ("-t", "ext4", "-O", "casefold,inline_data,encrypt,verity,fast_commit,stable_inodes"),
        ("-t", "ext3", "-b", "1024"),
        ("-t", "ext2", "-I", "256", "-o", "hurd"),
    ],
)
def test_as_dumpe2fs_tells(tmp_path: Path, options: tuple[str, ...]) -> None:
    facts = make(tmp_path, *options)
    told = dumped(tmp_path)
    assert facts.kind == options[1]
    assert facts.block_count == int(told["Block count"])
    assert facts.block_size == int(told["Block size"])
    assert facts.free_blocks == int(told["Free blocks"])
    assert facts.first_data_block == int(told["First block"])
    assert facts.blocks_per_group == int(told["Blocks per group"])
    assert facts.inode_count == int(told["Inode count"])
    assert facts.inode_size == int(told["Inode size"])
    assert facts.inodes_per_group == int(told["Inodes per group"])
    assert facts.mount_count == int(told["Mount count"])
    assert set(facts.features) == set(told["Filesystem features"].split())
    assert facts.uuid == told["Filesystem UUID"]
    assert (facts.label or "<none>") == told["Filesystem volume name"]
    assert (facts.last_mounted or "<not available>") == told["Last mounted on"]
    assert facts.creator.lower() in told["Filesystem OS type"].lower()
    assert facts.clean is (told["Filesystem state"] == "clean")
    if "metadata_csum" in facts.features:
        (checksum,) = facts.checksums
        assert checksum.matches
        assert f"0x{checksum.stored}" == told["Checksum"]


@pytest.mark.oracle
def test_as_dumpe2fs_tells_of_damage(tmp_path: Path) -> None:
    make(tmp_path, "-t", "ext4", "-O", "^metadata_csum")
    for field, value in [("state", "2"), ("error_count", "3"), ("lastcheck", "@86400")]:
        output("debugfs", "-w", "-R", f"ssv {field} {value}", tmp_path / "fs")
    facts, told = read((tmp_path / "fs").read_bytes()), dumped(tmp_path)
    assert told["Filesystem state"] == "not clean with errors"
    assert (facts.clean, facts.has_errors) == (False, True)
    assert facts.error_count == int(told["FS Error count"]) == 3
    assert facts.check_time == 86400


@pytest.mark.oracle
def test_every_feature_bit_has_the_name_that_e2fsprogs_gives_it() -> None:
    name = ctypes.CDLL("libe2p.so.2").e2p_feature2string
    name.restype = ctypes.c_char_p
    for kind, bits in enumerate(("compat", "incompat", "ro_compat")):
        for bit in range(32):
            sets = {"compat": 0, "incompat": 0, "ro_compat": 0} | {bits: 1 << bit}
            (ours,) = read(superblock(**sets)).features
            theirs = name(kind, ctypes.c_uint(1 << bit)).decode()
            assert ours == theirs


@pytest.mark.oracle
@pytest.mark.parametrize("kind", ["ext2", "ext3", "ext4"])
def test_the_kind_is_the_one_that_blkid_finds(tmp_path: Path, kind: str) -> None:
    facts = make(tmp_path, "-t", kind)
    found = output("blkid", "-p", "-o", "value", "-s", "TYPE", tmp_path / "fs").strip()
    assert facts.kind == found == kind
