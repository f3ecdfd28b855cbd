from __future__ import annotations

import functools
import os
import struct
import subprocess
import tempfile
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.formats import ext_walk
from imgaudit.formats import files as listing
from imgaudit.formats.ext import READER, Ext
from imgaudit.formats.files import Piece, open_file
from imgaudit.formats.view import View
from imgaudit.units import KIB, MIB
from tests.formats._survives import survives_walk
from tests.formats._trees import KERNEL, agree, fill, read, seeds, sound, status

FORMS = {
    "ext2 with a block map and blocks of 1 KiB": ("-t", "ext2", "-b", "1024"),
    "ext2 of revision 0": ("-t", "ext2", "-b", "4096", "-r", "0"),
    "ext3": ("-t", "ext3", "-b", "2048"),
    "ext4 with blocks of 1 KiB": ("-t", "ext4", "-b", "1024"),
    "ext4 with blocks of 4 KiB": ("-t", "ext4", "-b", "4096"),
    "ext4 with blocks of 64 KiB": ("-t", "ext4", "-b", "65536", "-O", "^has_journal"),
    "ext4 with sums of the descriptors": ("-t", "ext4", "-O", "^64bit,^metadata_csum,uninit_bg"),
    "ext4 without sums": ("-t", "ext4", "-O", "^64bit,^metadata_csum,^flex_bg"),
    "ext4 with data in inodes": ("-t", "ext4", "-O", "inline_data"),
    "ext4 with small inodes": ("-t", "ext4", "-I", "128"),
    "ext4 with descriptors apart": (
        *("-t", "ext4", "-b", "1024", "-g", "1024"),
        *("-O", "meta_bg,^resize_inode"),
    ),
    "ext4 with two backups": ("-t", "ext4", "-b", "1024", "-g", "2048", "-O", "sparse_super2"),
    "ext4 with many groups": ("-t", "ext4", "-b", "1024", "-g", "1024", "-O", "^flex_bg"),
    "ext4 with clusters": ("-t", "ext4", "-b", "1024", "-O", "bigalloc"),
    "ext4 with clusters of four blocks": ("-t", "ext4", "-O", "bigalloc", "-C", "16384"),
    "ext4 with a stored seed": ("-t", "ext4", "-O", "metadata_csum_seed,large_dir,casefold"),
    "ext4 with a list of orphans": ("-t", "ext4", "-O", "orphan_file"),
    "ext4 with large attributes": ("-t", "ext4", "-O", "ea_inode,verity"),
}


def run(*words: str | Path) -> str:
    return subprocess.run(words, check=True, capture_output=True, text=True).stdout


def make(folder: Path, *options: str, size: str = "24M") -> Path:
    image = folder.parent / f"{folder.name}.img"
    image.unlink(missing_ok=True)
    run("mke2fs", "-q", "-F", *options, "-d", folder, image, size)
    return image


def flaws(data: bytes | bytearray) -> list[str]:
    facts = read(READER, bytes(data))
    return [flaw.what for flaw in facts.flaws]


@functools.cache
def whimbrel(*options: str) -> bytes:
    with tempfile.TemporaryDirectory() as place:
        folder = fill(Path(place) / "root", many=40)
        return make(folder, "-t", "ext4", "-b", "1024", *options, size="4M").read_bytes()


@pytest.mark.oracle
@pytest.mark.parametrize("options", FORMS.values(), ids=FORMS)
def test_what_mke2fs_copies_is_found(tmp_path: Path, options: tuple[str, ...]) -> None:
    """Every name, mode, size, target and byte; e2fsck finds nothing either, before and after -D."""
    folder = fill(tmp_path / "root")
    image = make(folder, *options, size="64M" if "65536" in options else "24M")
    assert status("e2fsck", "-fn", image) == 0
    facts = sound(READER, image.read_bytes(), folder)
    assert isinstance(facts, Ext)
    assert facts.room is not None
    told = run("dumpe2fs", "-h", image)
    assert f"Free blocks:              {facts.free_blocks}\n" in told
    assert f"Free inodes:              {facts.room.free_inodes}\n" in told
    # mke2fs does not index the directories that it copies; e2fsck does.
    assert status("e2fsck", "-fyD", image) in {0, 1}
    sound(READER, image.read_bytes(), folder)


def test_links_are_followed() -> None:
    facts = read(READER, whimbrel())
    for name in ("boot/Image", "vmlinuz", "/boot/../vmlinuz", "boot/same"):
        kernel = facts.file(name)
        assert kernel is not None
        assert kernel.size == len(KERNEL)
    tree = facts.file("boot/board.dtb")
    assert tree is not None
    assert tree.path == "boot/dtbs/6.12/vendor/whimbrel.dtb"
    for name in ("gone", "round", "init/x", "boot", "boot/missing"):
        assert facts.file(name) is None


def test_hard_links_are_one_part() -> None:
    facts = read(READER, whimbrel())
    names = [part.name for part in facts.parts()]
    assert sum(name in {"boot/Image-6.12", "boot/same"} for name in names) <= 1
    assert "boot/extlinux/extlinux.conf" in names
    assert "etc/tides.conf" not in names


def test_configuration_below_boot_is_kept() -> None:
    facts = read(READER, whimbrel())
    for path, kept in (("boot/extlinux/extlinux.conf", True), ("etc/tides.conf", False)):
        file = facts.file(path)
        assert file is not None
        assert (file.text is not None) is kept


@pytest.mark.oracle
@pytest.mark.parametrize("kind", ["ext2", "ext4"])
def test_a_large_kernel_is_found_through_every_level(tmp_path: Path, kind: str) -> None:
    """With blocks of 1 KiB, 66 MiB need all three levels of the block map."""
    folder = tmp_path / "root"
    folder.mkdir()
    with (folder / "Image").open("wb") as file:
        file.write(KERNEL)
        file.truncate(66 * MIB)
    (folder / "ramdisk").write_bytes(KERNEL * 40)
    image = make(folder, "-t", kind, "-b", "1024", size="100M")
    data = image.read_bytes()
    facts = read(READER, data)
    assert facts.flaws == ()
    ramdisk = facts.file("ramdisk")
    assert ramdisk is not None
    view = open_file(View.of(data), ramdisk)
    assert view.bytes(0, view.size) == KERNEL * 40
    blocks = run("debugfs", "-R", "blocks /ramdisk", image).split()
    places = [int(block) for block in blocks]
    whole = places == list(range(places[0], places[0] + len(places)))
    assert ramdisk.offset == (places[0] * KIB if whole else None)


@pytest.mark.oracle
@pytest.mark.parametrize(
    ("command", "what"),
    [
        ("clri /init", "init: names inode"),
        ("sif /init block[2] 5", "block 5 has another owner too"),
        ("sif /init links_count 7", "says 7 names and has 1"),
        ("sif /etc size 0", "a directory of 0 bytes"),
        ("set_bg 0 free_blocks_count 9", "group 0 says 9 free blocks"),
        ("freeb 2", "block 2 is in use but marked free"),
        ("setb 3900", "block 3,900 is marked used but no one's"),
        ("unlink /etc", "names and has 0"),
        ("set_inode_field /etc mode 0100644", "says another kind of file"),
        ("set_inode_field /init file_acl 0x100000000", "attributes beyond 2^32"),
        ("set_inode_field /init flags 0x10000000", "has its data in itself"),
    ],
)
def test_damage_by_debugfs_is_told(tmp_path: Path, command: str, what: str) -> None:
    image = tmp_path / "fs"
    image.write_bytes(whimbrel("-O", "^extents,^metadata_csum,^64bit,^has_journal"))
    assert flaws(image.read_bytes()) == []
    run("debugfs", "-w", "-R", command, image)
    assert status("e2fsck", "-fn", image) != 0
    assert any(what in flaw for flaw in flaws(image.read_bytes())), flaws(image.read_bytes())


@pytest.mark.oracle
def test_few_inodes_in_a_group_are_counted(tmp_path: Path) -> None:
    """The first eleven inodes are reserved, also where they fill more than one group."""
    image = tmp_path / "image"
    options = ("-t", "ext2", "-b", "1024", "-g", "256", "-N", "64", "-I", "128")
    run("mke2fs", "-q", *options, image, "2M")
    assert status("e2fsck", "-fn", image) == 0
    assert flaws(image.read_bytes()) == []


@pytest.mark.oracle
def test_the_block_against_double_mounts(tmp_path: Path) -> None:
    image = tmp_path / "image"
    run("mke2fs", "-q", "-t", "ext4", "-O", "mmp", image, "4M")
    data = bytearray(image.read_bytes())
    assert flaws(data) == []
    block = int(run("dumpe2fs", "-h", image).split("MMP block number:")[1].split()[0])
    start = block * KIB
    data[start + 8] ^= 1
    (wrong,) = [
        checksum for checksum in read(READER, bytes(data)).checksums if not checksum.matches
    ]
    assert wrong.name == "the block against double mounts"
    data[start : start + 4] = b"tide"
    assert flaws(data) == ["the block against double mounts has no magic"]


def test_zeroed_descriptors_are_told() -> None:
    data = bytearray(whimbrel())
    data[2 * KIB : 3 * KIB] = bytes(KIB)
    facts = read(READER, bytes(data))
    assert facts.flaws[0].what == "group 0 has its block bitmap in block 0"
    assert any(checksum.name == "descriptor of group 0" for checksum in facts.checksums)


def test_a_circle_of_directories_ends() -> None:
    data = bytearray(whimbrel("-O", "^metadata_csum"))
    facts = read(READER, bytes(data))
    assert facts.files is not None
    boot = facts.files.get("boot")
    assert boot is not None
    at = data.index(struct.pack("<IHBB", boot.inode, 12, 1, 2) + b".")
    first = data.index(b"extlinux", at) - 8
    struct.pack_into("<I", data, first, boot.inode)
    assert any("a second name for directory" in flaw for flaw in flaws(data))


@pytest.mark.oracle
def test_what_e2fsck_reports_is_told(tmp_path: Path) -> None:
    """Damage at random places."""
    folder = fill(tmp_path / "root", many=60, kernel=b"k" * 9000)
    told, missed = 0, []
    for kind, features in (
        ("ext2", "^ext_attr"),
        ("ext3", "dir_index"),
        ("ext4", "metadata_csum"),
        ("ext4", "inline_data"),
        ("ext4", "^metadata_csum,uninit_bg,^64bit"),
    ):
        image = make(folder, "-t", kind, "-b", "1024", "-N", "256", "-O", features, size="3M")
        status("e2fsck", "-fyD", image)
        count, unseen = agree(
            READER,
            image.read_bytes(),
            seeds(24),
            tmp_path / "broken",
            lambda path: status("e2fsck", "-fn", path) != 0,
        )
        told += count
        missed += [(kind, features, seed) for seed in unseen]
    assert told >= 20
    assert len(missed) <= told // 20, missed


@given(st.integers(0, 0x50000), st.binary(min_size=1, max_size=64))
def test_changed_bytes_give_facts_or_an_error(at: int, new: bytes) -> None:
    survives_walk(READER, whimbrel(), at, new)


# What each field means: Linux Documentation/filesystems/ext4; e2fsck complains of the same.

Put = tuple[str | int, int, str, int]
"""From the inode of a path or a number, a "block of" it, or a structure: where, how wide, what."""
PLAIN = ("-O", "^metadata_csum,^64bit")
OLD = ("-O", "^extents,^metadata_csum,^64bit,^has_journal")
INLINE = ("-O", "inline_data,^metadata_csum,^64bit,^has_journal")
IMAGE = "boot/Image-6.12"


@functools.cache
def place(options: tuple[str, ...], where: str | int) -> int:
    data = whimbrel(*options)
    if where in {"super", "group", "block bitmap", "inode bitmap", "table"}:
        fields = ("block bitmap", "inode bitmap", "table")
        at = 2048 + 4 * fields.index(where) if where in fields else 0
        found = struct.unpack_from("<I", data, at)[0] * KIB
        return {"super": 1024, "group": 2048}.get(str(where), int(found))
    if isinstance(where, str) and where.startswith("block of "):
        inner = where.removeprefix("block of ")
        inode = place(options, int(inner) if inner.isdigit() else inner)
        extents = data[inode + 0x28 : inode + 0x2A] == b"\x0a\xf3"
        return KIB * int(struct.unpack_from("<I", data, inode + (0x3C if extents else 0x28))[0])
    if isinstance(where, str):
        files = read(READER, data).files
        assert files is not None
        where = files.entries["" if where == "." else where].inode
    return place(options, "table") + 256 * (where - 1)


def put(options: tuple[str, ...], *puts: Put) -> bytes:
    out = bytearray(whimbrel(*options))
    for where, offset, layout, value in puts:
        at = place(options, where) + offset
        struct.pack_into("<" + layout if layout.isalpha() else layout, out, at, value)
    return bytes(out)


TREE = "inode 70: a damaged tree of extents"
NOT_A_LINK = "inode 68: a link without a target of its size"
NO_FIT = "directory 53: an entry that does not fit its block"
NO_NAME = "directory 53: a name that cannot be"
KEPT = "the inode that keeps room for descriptors"
ANOTHER_JOURNAL = "the journal's superblock has what belongs to another kind of journal"
CHANGES: list[tuple[str | int, int, str, int, str, str | int, int]] = [
    ("init", 0, "H", 0o755, "inode 70 has mode 0o755, which is no kind of file", "init", 0),
    ("init", 0x14, "I", 5, "inode 70 is used but has a time of deletion", "init", 0),
    ("init", 0x1A, "H", 0, "inode 70 is marked used but is not", "init", 0),
    ("init", 0x1C, "I", 4, "inode 70: it says 4 sectors and has 2", "init", 0),
    ("init", 4, "I", 1024, "", "init", 0),
    ("init", 0x28, "H", 0, TREE, "init", 0x28),
    ("init", 0x2A, "H", 5, TREE, "init", 0x28),
    ("init", 0x2C, "H", 5, TREE, "init", 0x28),
    ("init", 0x2E, "H", 6, TREE, "init", 0x28),
    ("init", 0x34, "I", 1, "inode 70: 10 bytes, but blocks up to number 1", "init", 0),
    ("init", 0x38, "H", 0, "inode 70: an extent without blocks", "init", 0x34),
    ("init", 0x38, "H", 32769, "", "init", 0),
    ("init", 0x38, "H", 2, "inode 70: it says 2 sectors and has 4", "init", 0),
    (
        "init",
        0x3A,
        "H",
        1,
        "inode 70: block 4,294,969,043 is outside the file system",
        "init",
        0x34,
    ),
    ("init", 0x3C, "I", 4096, "inode 70: block 4,096 is outside the file system", "init", 0x34),
    ("init", 0x3C, "I", 5, "inode 70: block 5 has another owner too", "init", 0x34),
    ("big", 0x40, "I", 0, "inode 12: extents out of order", "big", 0x40),
    ("gone", 0x28, "B", 0, NOT_A_LINK, "gone", 0),
    ("gone", 4, "I", 0, NOT_A_LINK, "gone", 0),
    ("gone", 4, "I", 59, NOT_A_LINK, "gone", 0),
    ("gone", 4, "I", 60, "inode 68: block 774,843,950 is outside the file system", "gone", 0),
    ("long", 4, "I", 122, "inode 71: a link whose target is not 122 bytes long", "long", 0),
    ("long", 4, "I", 1025, "inode 71: a link without its target", "long", 0),
    ("long", 0x2A, "H", 0, "inode 71: a link without its target", "long", 0),
    ("etc", 4, "I", 2048, "directory 66 has a hole", "etc", 0),
    ("init", 0x68, "I", 5, "inode 70, attributes: block 5 has another owner too", "init", 0),
    (
        "init",
        0x68,
        "I",
        3900,
        "inode 70: a block of attributes without their magic",
        "super",
        3899 * KIB,
    ),
    ("super", 0x20, "I", 0, "groups without blocks or inodes", "super", 0),
    (
        "super",
        0x20,
        "I",
        8193,
        "8,193 blocks per group; a bitmap has no more than a block",
        "super",
        0,
    ),
    ("super", 0x28, "I", 8200, "8,200 inodes per group", "super", 0),
    ("super", 0x28, "I", 1028, "1,028 inodes per group", "super", 0),
    ("super", 0x28, "I", 64, "1,024 inodes in 1 groups", "super", 0),
    ("super", 0x58, "H", 64, "inodes of 64 bytes", "super", 0),
    ("super", 0x58, "H", 2048, "inodes of 2,048 bytes", "super", 0),
    ("super", 0x58, "H", 200, "inodes of 200 bytes, no power of two", "super", 0),
    ("super", 0x174, "B", 32, "2^32 groups together", "super", 0),
    ("super", 0xE0, "I", 9, "inode 9, which should have the journal, is not in use", "super", 0),
    (1, 0, "H", 5, "the inode of bad blocks has what only files have", 1, 0),
    (7, 0x5C, "I", 5, f"{KEPT}: block 5 has another owner too", 7, 0),
    (7, 0x5C, "I", 5000, f"{KEPT}: block 5,000 is outside the file system", 7, 0),
    (8, 0x2A, "H", 0, "the journal has no first block", 8, 0),
    ("block of 8", 0, "I", 5, "the journal has no superblock", "block of 8", 0),
    ("block of 8", 4, ">I", 5, "the journal has no superblock", "block of 8", 0),
    ("block of 8", 4, ">I", 3, "", "block of 8", 0),
    ("block of 8", 12, ">I", 2048, "the journal says 1,024 blocks of 2,048 bytes", "block of 8", 0),
    ("block of 8", 16, ">I", 1025, "the journal says 1,025 blocks of 1,024 bytes", "block of 8", 0),
    ("block of 8", 0x40, ">I", 2, ANOTHER_JOURNAL, "block of 8", 0),
    ("block of 8", 0x40, ">I", 1, "", "block of 8", 0),
    ("block of boot", 0, "I", 5, "directory 53: its . is 5", "block of boot", 0),
    ("block of boot", 12, "I", 5, "directory 53: its .. is 5", "block of boot", 12),
    ("block of boot", 6, "B", 0, NO_NAME, "block of boot", 0),
    ("block of boot", 20, "B", 0x2F, NO_NAME, "block of boot", 12),
    ("block of boot", 4, "H", 8, NO_FIT, "block of boot", 0),
    ("block of boot", 4, "H", 13, NO_FIT, "block of boot", 0),
    ("block of boot", 30, "B", 9, NO_FIT, "block of boot", 24),
    ("block of boot", 24, "I", 8, "boot/Image: names the reserved inode 8", "block of boot", 24),
    (
        "block of boot",
        24,
        "I",
        999,
        "boot/Image: names inode 999, which is not in use",
        "block of boot",
        24,
    ),
    (
        "block bitmap",
        512,
        "B",
        0,
        "block bitmap of group 0: bits beyond the last block are not all ones",
        "block bitmap",
        0,
    ),
    (
        "block bitmap",
        511,
        "B",
        0xFF,
        "block 4,089 is marked used but no one's, and 6 more differ",
        "block bitmap",
        511,
    ),
    (
        "inode bitmap",
        128,
        "B",
        0,
        "inode bitmap of group 0: what follows its 1,024 bits is not all ones",
        "inode bitmap",
        128,
    ),
    ("inode bitmap", 127, "B", 0x80, "inode 1,024 is marked used but is not", "table", 1023 * 256),
    ("inode bitmap", 8, "B", 0xDF, "inode 70 is used but not marked so", "init", 0),
    ("inode bitmap", 0, "B", 0xDF, "inode 6 is reserved but not marked so", 6, 0),
    ("group", 14, "H", 5, "group 0 says 5 free inodes of 947", "group", 14),
    ("group", 16, "H", 5, "group 0 says 5 directories and has 13", "group", 16),
    ("group", 4, "I", 4096, "group 0 has its inode bitmap in block 4,096", "group", 0),
    ("group", 8, "I", 3841, "group 0 has its inode table in block 3,841", "group", 0),
    ("group", 0, "I", 34, "group 0: block 34 has another owner too", "group", 0),
]


@pytest.mark.oracle
@pytest.mark.parametrize("change", CHANGES)
def test_each_field_counts(
    tmp_path: Path, change: tuple[str | int, int, str, int, str, str | int, int]
) -> None:
    where, offset, layout, value, what, there, beyond = change
    data = put(PLAIN, (where, offset, layout, value))
    said = [(flaw.what, flaw.offset) for flaw in read(READER, data).flaws]
    (tmp_path / "image").write_bytes(data)
    assert bool(status("e2fsck", "-fn", tmp_path / "image")) == bool(what)
    assert ((what, place(PLAIN, there) + beyond) in said) if what else said == []


def said(options: tuple[str, ...], *puts: Put) -> list[tuple[str, int]]:
    return [(flaw.what, flaw.offset) for flaw in read(READER, put(options, *puts)).flaws]


@pytest.mark.oracle
def test_a_tree_of_extents_is_followed_in_order() -> None:
    """holes has 14 extents: its inode names one leaf, which begins where the inode says."""
    (leaf,) = struct.unpack_from("<I", whimbrel(*PLAIN), place(PLAIN, "holes") + 0x38)
    elsewhere = "inode 69: extents that start elsewhere than their index says"
    first = said(PLAIN, ("holes", 0x34, "I", 1))
    assert first[:2] == [
        (elsewhere, leaf * KIB + 12),
        ("inode 69: extents out of order", leaf * KIB + 12),
    ]
    later = said(PLAIN, ("super", leaf * KIB - 1024 + 12, "I", 1))
    assert later == [(elsewhere, leaf * KIB + 12)]
    taken = said(PLAIN, ("holes", 0x38, "I", 5))
    assert taken[0] == ("inode 69: block 5 has another owner too", place(PLAIN, "holes") + 0x34)
    outside = said(PLAIN, ("super", leaf * KIB - 1024 + 12 + 8, "I", 4096))
    assert outside[0] == ("inode 69: block 4,096 is outside the file system", leaf * KIB + 12)
    summed = place((), "holes")
    (leaf,) = struct.unpack_from("<I", whimbrel(), summed + 0x38)
    data = put((), ("super", leaf * KIB - 1024 + 12 + 12, "B", 30))
    wrong = [checksum for checksum in read(READER, data).checksums if not checksum.matches]
    assert [(checksum.name, checksum.covers.start) for checksum in wrong] == [
        ("extents of inode 69", leaf * KIB)
    ]


@pytest.mark.oracle
def test_what_is_beyond_the_blocks_is_a_hole() -> None:
    """Blocks that are promised but not written read as zeros, as the end of a longer file does."""
    longer = read(READER, put(PLAIN, ("init", 4, "I", 5000))).file("init")
    assert longer is not None
    at = place(PLAIN, "block of init")
    assert longer.pieces == (Piece(1024, at), Piece(3976, None))
    unwritten = read(READER, put(PLAIN, ("init", 0x38, "H", 32769))).file("init")
    assert unwritten is not None
    assert unwritten.pieces == (Piece(10, None),)
    mapped = read(READER, put(OLD, (IMAGE, 0x58, "I", 3900))).file(IMAGE)
    assert mapped is not None
    assert mapped.pieces is not None
    first, second, *_ = mapped.pieces
    # 12 blocks, then 256 that a block of zeros names, then the rest of the file's own hole.
    assert (first.size, second) == (12 * KIB, Piece(280 * KIB, None))
    rest = open_file(View.of(whimbrel(*OLD)), mapped).bytes(292 * KIB, 90_000)
    assert rest == KERNEL[292 * KIB : 292 * KIB + 90_000]


@pytest.mark.oracle
def test_inodes_without_names_have_blocks_too() -> None:
    """Bad blocks; the room for descriptors, which is where these would go."""
    bad = said(PLAIN, (1, 0x28, "I", 3900))
    assert ("block 3,900 is in use but marked free", place(PLAIN, "block bitmap") + 487) in bad
    none = said(PLAIN, (7, 0x5C, "I", 0))
    assert len(none) == 2
    assert "is marked used but no one's" in none[1][0]
    (kept,) = struct.unpack_from("<I", whimbrel(*PLAIN), place(PLAIN, 7) + 0x5C)
    assert said(PLAIN, ("super", kept * KIB - 1024 + 4, "I", 9)) == [
        (f"{KEPT}: block 9 where 3 should be", kept * KIB + 4)
    ]
    groups = ("-g", "1024", *PLAIN)
    (kept,) = struct.unpack_from("<I", whimbrel(*groups), place(groups, 7) + 0x5C)
    (block,) = struct.unpack_from("<I", whimbrel(*groups), kept * KIB + 4)
    assert said(groups) == []
    assert said(groups, ("super", block * KIB - 1024, "I", 9)) == [
        (f"{KEPT}: block {block} leads elsewhere", block * KIB)
    ]


@pytest.mark.oracle
def test_what_is_marked_beyond_the_used_inodes_is_told() -> None:
    lazy = ("-O", "^metadata_csum,^64bit,uninit_bg")
    assert said(lazy, ("inode bitmap", 127, "B", 0x80)) == [
        ("inodes from 78 on are marked used, not initialised", 2048)
    ]


@pytest.mark.oracle
def test_superblocks_of_no_use() -> None:
    for value in (16, 2048):
        assert said((), ("super", 254, "H", value)) == [(f"descriptors of {value:,} bytes", 1024)]
    assert said(PLAIN, ("super", 0, "I", 0), ("super", 4, "I", 0)) == [("no blocks", 1024)]
    assert said(PLAIN, ("super", 4, "I", 1), ("super", 0, "I", 0)) == [("no blocks", 1024)]
    quotas = ("-O", "quota")
    assert said(quotas) == []
    lost = "inode 3, which should have quotas, is not in use"
    assert (lost, 1024) in said(quotas, (3, 0x1A, "H", 0), (3, 0, "H", 0))


@pytest.mark.oracle
def test_data_in_an_inode() -> None:
    """60 bytes in the map, what is more in the attribute `system.data`."""
    missing = ("inode 71: its data in the inode are missing", place(INLINE, "long"))
    assert said(INLINE, ("long", 4, "I", 121)) == []
    assert said(INLINE, ("long", 4, "I", 122)) == [missing]
    assert said(INLINE, ("long", 0xA4, "I", 0)) == [missing]
    assert said(INLINE, ("long", 0xA4, "B", 6)) == [missing]
    at = place(INLINE, "etc") + 0x2C
    assert said(INLINE, ("etc", 0x28, "I", 5)) == [("directory 66: its .. is 5", at)]
    assert said(INLINE, ("etc", 0x30, "H", 53)) == [
        ("directory 66: an entry that does not fit its block", at)
    ]


@pytest.mark.oracle
def test_counts_have_an_end(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each limit on both sides; what is beyond it is said."""

    def unwalked(name: str, value: int) -> str:
        with monkeypatch.context() as patched:
            patched.setattr(listing if name == "MAX_ENTRIES" else ext_walk, name, value)
            return read(READER, whimbrel(*PLAIN)).unwalked

    names = len(read(READER, whimbrel(*PLAIN)).files or ()) + 1
    assert unwalked("MAX_ENTRIES", names) == ""
    assert unwalked("MAX_ENTRIES", names - 1) == f"it has more than {names - 1:,} names"
    assert unwalked("MAX_CLUSTERS", 4096) == ""
    assert unwalked("MAX_CLUSTERS", 4095) == "it has 4,096 blocks"
    assert unwalked("MAX_GROUPS", 0) == "it has 4,096 blocks"
    assert unwalked("MAX_GROUPS", 1) == ""
    used = 66 + 1 + 4  # files from the 12th on; the root, bad blocks, the journal, kept room
    most = {value: unwalked("MAX_INODES", value) for value in range(used - 8, used + 8)}
    edge = next(value for value, why in most.items() if not why)
    assert all(not why for value, why in most.items() if value >= edge)
    assert most[edge - 1] == f"it has more than {edge - 1} inodes"
    assert unwalked("MAX_READ", 64 * KIB).startswith("its metadata have more than 65,536 bytes")


@pytest.mark.oracle
def test_blocks_of_attributes(tmp_path: Path) -> None:
    """A magic, a count of users, entries that fit and, with sums, a sum."""
    for number, feature in enumerate(("^metadata_csum", "metadata_csum")):
        folder = tmp_path / f"root{number}"
        folder.mkdir()
        for name in ("one", "two"):
            (folder / name).write_bytes(b"tide")
        os.setxattr(folder / "one", "user.gauge", b"tide" * 100)
        options = ("-t", "ext4", "-b", "1024", "-I", "128", "-O", f"{feature},^64bit,^has_journal")
        image = make(folder, *options, size="1M")
        data = bytearray(image.read_bytes())
        assert flaws(data) == []
        at = data.index(struct.pack("<II", 0xEA020000, 1))
        wrong = [*changed(data, at, "I", 5), *changed(data, at + 8, "I", 2)]
        what = "a block of attributes without their magic"
        assert [flaw[0].endswith(what) for flaw in wrong] == [True, True]
        assert changed(data, at + 4, "I", 2) == [
            ("a block of attributes says 2 users and has 1", at + 4)
        ]
        ((what, place),) = changed(data, at + 34, "H", 1021)
        assert what.endswith("attributes whose values are on top of each other or outside")
        assert place == at
        # Both files with the block, which says so.
        files = read(READER, bytes(data)).files
        assert files is not None
        table = 128 * (files.entries["two"].inode - files.entries["one"].inode)
        acl = next(
            place
            for place in range(0x68, len(data), 128)
            if data[place : place + 4] == struct.pack("<I", at // KIB)
            and data[place - 0x68 : place - 0x66] == struct.pack("<H", 0o100644)
        )
        shared = bytearray(data)
        struct.pack_into("<I", shared, at + 4, 2)
        struct.pack_into("<I", shared, acl + table, at // KIB)
        struct.pack_into("<I", shared, acl + table - 0x4C, 4)
        assert flaws(shared) == []
        sums = [c.name for c in read(READER, bytes(shared)).checksums if c.matches is False]
        assert any(name.startswith("attributes of inode") for name in sums) == bool(number)


def changed(data: bytearray, at: int, layout: str, value: int) -> list[tuple[str, int]]:
    out = bytearray(data)
    struct.pack_into("<" + layout, out, at, value)
    return [(flaw.what, flaw.offset) for flaw in read(READER, bytes(out)).flaws]


@pytest.mark.oracle
def test_encrypted_names_are_not_read() -> None:
    facts = read(READER, put(PLAIN, ("etc", 0x20, "I", 0x80800)))
    assert facts.unwalked == "names are encrypted"


@pytest.mark.oracle
def test_a_name_twice_is_told() -> None:
    at = place(PLAIN, "block of boot")
    names = whimbrel(*PLAIN)[at : at + 256]
    dtb, dtbs = names.index(b"dtb\0") - 8, names.index(b"dtbs") - 8
    twice = said(PLAIN, ("block of boot", dtbs + 6, "B", 3), ("block of boot", dtbs + 7, "B", 2))
    assert ("inode 53 has the name dtb twice", at + dtbs) in twice
    assert dtb < dtbs


def debugfs(image: Path, *commands: str) -> None:
    done = subprocess.run(
        ("debugfs", "-w", "-f", "/dev/stdin", image),
        input="\n".join(commands),
        capture_output=True,
        text=True,
        check=True,
    )
    assert "error" not in done.stderr.lower(), done.stderr


@pytest.mark.oracle
@pytest.mark.parametrize("version", [2, 3])
def test_a_journal_with_sums_has_one_of_its_superblock(tmp_path: Path, version: int) -> None:
    image = tmp_path / "image"
    run("mke2fs", "-q", "-t", "ext4", "-b", "1024", image, "4M")
    debugfs(image, f"journal_open -c -v {version}", "journal_write -b 2000 /dev/null", "jc")
    assert f"journal_checksum_v{version}" in run("dumpe2fs", "-h", image)
    data = bytearray(image.read_bytes())
    at = KIB * int(run("debugfs", "-R", "blocks <8>", image).split()[0])
    for offset in (0, 0x40):  # of the UUID and the users: nothing else judges them
        facts = read(READER, bytes(data))
        wrong = [checksum for checksum in facts.checksums if not checksum.matches]
        assert facts.flaws == ()
        assert [checksum.name for checksum in wrong] == ["journal's superblock"] * bool(offset)
        data[at + 0x30] = 5
    image.write_bytes(data)
    assert status("e2fsck", "-fn", image) != 0


@pytest.mark.oracle
@pytest.mark.parametrize(
    ("offset", "layout", "value"), [(2, "<H", 93), (8, "<I", 90), (0, "B", 99)]
)
def test_attributes_in_an_inode(tmp_path: Path, offset: int, layout: str, value: int) -> None:
    image = tmp_path / "image"
    image.write_bytes(whimbrel(*PLAIN))
    debugfs(image, "ea_set /init user.gauge tide")
    data = bytearray(image.read_bytes())
    assert flaws(data) == []
    inode = place(PLAIN, "init")
    entry = data.index(b"gauge", inode) - 16
    struct.pack_into(layout, data, entry + offset, value)
    image.write_bytes(data)
    assert status("e2fsck", "-fn", image) != 0
    ((what, at),) = [(flaw.what, flaw.offset) for flaw in read(READER, bytes(data)).flaws]
    assert what.startswith("inode 70: ")
    assert "attributes" in what
    assert inode + 128 < at < entry


@pytest.mark.oracle
def test_names_of_a_directory_go_on_in_its_attribute(tmp_path: Path) -> None:
    """A directory in its inode has 60 bytes in the map, and what is more in `system.data`."""
    image = tmp_path / "image"
    data = bytearray(whimbrel(*INLINE))
    inode, file = place(INLINE, "etc"), place(INLINE, "init")
    value, entry = inode + 240, data.index(b"data", inode) - 16
    assert data[entry - 4 : entry] == struct.pack("<I", 0xEA020000)
    struct.pack_into("<HII", data, entry + 2, value - entry, 0, 16)
    number = (file - place(INLINE, "table")) // 256 + 1
    struct.pack_into("<IHBB4s", data, value, number, 16, 4, 1, b"tide")
    struct.pack_into("<I", data, inode + 4, 76)
    struct.pack_into("<H", data, file + 0x1A, 2)
    image.write_bytes(data)
    assert status("e2fsck", "-fn", image) == 0
    facts = read(READER, bytes(data))
    assert facts.flaws == ()
    names = facts.files
    assert names is not None
    assert names.entries["etc/tide"].inode == names.entries["init"].inode == number
    assert "etc/tides.conf" in names.entries


@pytest.mark.oracle
@pytest.mark.parametrize("length", [0, 0xFFFF])
def test_an_entry_of_64_kib(tmp_path: Path, length: int) -> None:
    """Linux fs/ext4/ext4.h, ext4_rec_len_from_disk(): 16 bits cannot hold it."""
    folder = tmp_path / "root"
    (folder / "etc").mkdir(parents=True)
    (folder / "etc" / "tides.conf").touch()
    options = ("-t", "ext4", "-b", "65536", "-O", "^has_journal,^metadata_csum")
    image = make(folder, *options, size="16M")
    debugfs(image, "expand_dir /etc")
    block = int(run("debugfs", "-R", "blocks /etc", image).split()[1])
    data = bytearray(image.read_bytes())
    assert data[block * 65536 : block * 65536 + 8] == struct.pack("<IHH", 0, 0xFFFF, 0)
    struct.pack_into("<H", data, block * 65536 + 4, length)
    image.write_bytes(data)
    assert status("e2fsck", "-fn", image) == 0
    facts = read(READER, bytes(data))
    assert facts.flaws == ()
    assert facts.file("etc/tides.conf") is not None


@pytest.mark.oracle
def test_the_block_against_double_mounts_has_a_sum_where_all_have(tmp_path: Path) -> None:
    image = tmp_path / "image"
    run("mke2fs", "-q", "-t", "ext4", "-O", "mmp,^metadata_csum", image, "4M")
    data = bytearray(image.read_bytes())
    start = KIB * int(run("dumpe2fs", "-h", image).split("MMP block number:")[1].split()[0])
    data[start + 8] ^= 1
    facts = read(READER, bytes(data))
    assert facts.flaws == ()
    assert [checksum for checksum in facts.checksums if not checksum.matches] == []
    struct.pack_into("<Q", data, 1024 + 0x168, 2)
    assert "the block against double mounts: block 2 has another owner too" in flaws(data)


@pytest.mark.oracle
def test_extents_side_by_side_are_one_piece(tmp_path: Path) -> None:
    """A file in one piece can be read where it lies; an extent ends after 32,768 blocks."""
    data = bytearray(whimbrel(*PLAIN))
    inode = place(PLAIN, IMAGE)
    whole = read(READER, bytes(data)).file(IMAGE)
    assert whole is not None
    assert whole.pieces is not None
    at = inode + 0x34
    first, length, block = struct.unpack_from("<IH2xI", data, at)
    assert (struct.unpack_from("<H", data, inode + 0x2A), first) == ((2,), 0)
    data[at + 24 : at + 36] = data[at + 12 : at + 24]
    struct.pack_into("<H", data, inode + 0x2A, 3)
    struct.pack_into("<H", data, at + 4, 100)
    struct.pack_into("<IHHI", data, at + 12, 100, length - 100, 0, block + 100)
    (tmp_path / "image").write_bytes(data)
    assert status("e2fsck", "-fn", tmp_path / "image") == 0
    split = read(READER, bytes(data)).file(IMAGE)
    assert split == whole
