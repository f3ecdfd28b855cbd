from __future__ import annotations

import functools
import struct
import subprocess
import tempfile
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.errors import FormatError, ImgauditError
from imgaudit.formats.ext import READER, Ext
from imgaudit.formats.files import open_file
from imgaudit.formats.view import View
from imgaudit.units import KIB, MIB
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
    data = bytearray(whimbrel())
    data[at : at + len(new)] = new
    try:
        facts = read(READER, bytes(data))
    except FormatError:
        return
    for file in facts.files or ():
        try:
            open_file(View.of(bytes(data)), file).upto(0, 100)
        except ImgauditError:
            continue
