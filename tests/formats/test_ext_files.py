from __future__ import annotations

import functools
import re
import subprocess
import tempfile
from pathlib import Path

import pytest

from imgaudit.formats.ext import READER, Ext
from imgaudit.formats.fat_files import File
from imgaudit.formats.view import View
from imgaudit.units import KIB, MIB

KERNEL = bytes(range(256)) * 1200
CONF = b"label main\n linux /boot/Image\n"
FORMS = {
    "ext2 with a block map and blocks of 1 KiB": ("-t", "ext2", "-b", "1024"),
    "ext2 with a block map and blocks of 4 KiB": ("-t", "ext2", "-b", "4096", "-r", "0"),
    "ext3": ("-t", "ext3", "-b", "2048"),
    "ext4 with blocks of 1 KiB": ("-t", "ext4", "-b", "1024", "-O", "64bit,dir_index"),
    "ext4 with blocks of 4 KiB": ("-t", "ext4", "-b", "4096", "-O", "64bit,metadata_csum"),
    "ext4 with blocks of 64 KiB": ("-t", "ext4", "-b", "65536", "-O", "^has_journal"),
    "ext4 with small descriptors": ("-t", "ext4", "-O", "^64bit,^metadata_csum,^flex_bg"),
    "ext4 with many groups": (
        "-t",
        "ext4",
        "-b",
        "1024",
        "-g",
        "1024",
        "-O",
        "meta_bg,^resize_inode",
    ),
    "ext4 with clusters": ("-t", "ext4", "-b", "1024", "-O", "bigalloc"),
}


def run(*words: str | Path) -> str:
    return subprocess.run(words, check=True, capture_output=True, text=True).stdout


def make(folder: Path, *options: str, size: str = "16M") -> Path:
    image = folder.parent / f"{folder.name}.img"
    image.unlink(missing_ok=True)
    run("mke2fs", "-q", "-F", *options, "-d", folder, image, size)
    return image


def read(data: bytes | bytearray) -> Ext:
    facts = READER.read(View.of(data))
    assert isinstance(facts, Ext)
    return facts


def sizes(facts: Ext) -> dict[str, int]:
    assert facts.files is not None
    return {file.path: file.size for file in facts.files.files}


def fill(folder: Path) -> Path:
    """Write a system's root with kernel, device trees, configuration, links and more."""
    boot = folder / "boot"
    for inner in ("boot/extlinux", "boot/dtbs/6.12/vendor/too/deep", "etc", "usr/lib/firmware"):
        (folder / inner).mkdir(parents=True)
    (folder / "vmlinuz").symlink_to("boot/Image")
    (folder / "init").write_bytes(b"#!/bin/sh\n")
    (folder / "etc/tides.conf").write_bytes(b"port=1\n")
    (folder / "usr/lib/firmware/gauge.bin").write_bytes(b"g" * 3000)
    (boot / "Image-6.12").write_bytes(KERNEL)
    (boot / "Image").symlink_to("Image-6.12")
    (boot / "same").hardlink_to(boot / "Image-6.12")
    (boot / "empty").write_bytes(b"")
    (boot / "extlinux/extlinux.conf").write_bytes(CONF)
    (boot / "dtbs/6.12/vendor/whimbrel.dtb").write_bytes(b"d" * 5000)
    (boot / "dtbs/6.12/vendor/too/deep/a").write_bytes(b"a")
    (boot / "dtb").symlink_to("/boot/dtbs/6.12/vendor")
    (boot / "board.dtb").symlink_to("./dtb//../vendor/whimbrel.dtb")
    (boot / "gauge.bin").symlink_to("../usr/lib/firmware/gauge.bin")
    (boot / "nowhere").symlink_to("/etc/tides.conf/tides.conf")
    (boot / "gone").symlink_to("../../elsewhere")
    (boot / "round").symlink_to("round")
    (boot / "long").symlink_to("x/" * 40)
    return folder


@functools.cache
def whimbrel() -> bytes:
    with tempfile.TemporaryDirectory() as place:
        return make(fill(Path(place) / "root"), "-t", "ext4", "-b", "1024", size="4M").read_bytes()


EXPECTED = {
    "vmlinuz": len(KERNEL),
    "init": 10,
    "boot/Image-6.12": len(KERNEL),
    "boot/Image": len(KERNEL),
    "boot/same": len(KERNEL),
    "boot/empty": 0,
    "boot/extlinux/extlinux.conf": len(CONF),
    "boot/dtbs/6.12/vendor/whimbrel.dtb": 5000,
    "boot/dtb/whimbrel.dtb": 5000,
    "boot/board.dtb": 5000,
    "boot/gauge.bin": 3000,
}


@pytest.mark.oracle
@pytest.mark.parametrize("options", FORMS.values(), ids=FORMS)
def test_what_mke2fs_copies_is_found(tmp_path: Path, options: tuple[str, ...]) -> None:
    data = make(fill(tmp_path / "root"), *options).read_bytes()
    facts = read(data)
    assert facts.doubts == ()
    # below the folder "dtb" there is one more level than below "dtbs/6.12/vendor"
    assert sizes(facts) == EXPECTED | {"boot/dtb/too/deep/a": 1}
    assert facts.files is not None
    assert not facts.files.complete  # /etc and /usr are not listed
    contents = {part.name: data[part.offset : part.offset + part.size] for part in facts.parts()}
    # A file has one part, under the first of its names.
    sizes_found = set(map(len, contents.values()))
    # A block map, or the end of a group, may stand between the blocks of a large file.
    assert sizes_found | {len(KERNEL)} == {*EXPECTED.values(), 1} - {0}
    for kernel in {"vmlinuz", "boot/Image", "boot/Image-6.12", "boot/same"} & set(contents):
        assert contents[kernel] == KERNEL
    conf = facts.file("boot/extlinux/extlinux.conf")
    assert conf is not None
    assert conf.text == contents[conf.path] == CONF


@pytest.mark.oracle
@pytest.mark.parametrize("options", FORMS.values(), ids=FORMS)
def test_a_large_folder_is_as_debugfs_lists_it(tmp_path: Path, options: tuple[str, ...]) -> None:
    boot = tmp_path / "root/boot"
    boot.mkdir(parents=True)
    for number in range(500):
        (boot / f"whimbrel-revision-{number}.dtbo").write_bytes(b"d" * (number % 7))
    image = make(tmp_path / "root", *options, "-N", "1000", size="64M")
    if "dir_index" in read(image.read_bytes()).features:
        # mke2fs does not index what it copies; e2fsck does.
        done = subprocess.run(["e2fsck", "-fyD", image], check=False, capture_output=True)
        assert done.returncode in {0, 1}
    facts = read(image.read_bytes())
    listed = run("debugfs", "-R", "ls -l /boot", image)
    rows = re.findall(r"^ *\d+ +100644 .*? (\d+) +\S+ \S+ (\S+)$", listed, re.MULTILINE)
    assert len(rows) == 500
    if "meta_bg" in facts.features:
        # Its descriptors are spread over the volume: what lies in later groups is not listed.
        assert facts.files is None or not facts.files.complete
        return
    assert sizes(facts) == {f"boot/{name}": int(size) for size, name in rows}
    assert facts.files is not None
    assert facts.files.complete
    assert facts.doubts == ()


@pytest.mark.oracle
@pytest.mark.parametrize("kind", ["ext2", "ext4"])
def test_a_large_kernel_is_found_through_every_level(tmp_path: Path, kind: str) -> None:
    """With blocks of 1 KiB, 66 MiB need all three levels of the block map."""
    boot = tmp_path / "root/boot"
    boot.mkdir(parents=True)
    with (boot / "Image").open("wb") as file:
        file.write(KERNEL)
        file.truncate(66 * MIB)
    (boot / "ramdisk").write_bytes(KERNEL * 40)
    image = make(tmp_path / "root", "-t", kind, "-b", "1024", size="100M")
    facts = read(image.read_bytes())
    assert sizes(facts) == {"boot/Image": 66 * MIB, "boot/ramdisk": 40 * len(KERNEL)}
    assert facts.file("boot/Image") == File("boot/Image", 66 * MIB, None)
    ramdisk = facts.file("boot/ramdisk")
    assert ramdisk is not None
    blocks = run("debugfs", "-R", "blocks /boot/ramdisk", image).split()
    data = [int(block) for block in blocks]
    whole = data == list(range(data[0], data[0] + len(data)))
    assert ramdisk.offset == (data[0] * KIB if whole else None)


@pytest.mark.oracle
@pytest.mark.parametrize("kind", ["ext2", "ext4"])
def test_files_with_holes_or_in_pieces_have_no_place(tmp_path: Path, kind: str) -> None:
    folder = tmp_path / "root"
    folder.mkdir()
    with (folder / "sparse").open("wb") as file:
        file.write(b"x" * 4096)
        file.seek(MIB)
        file.write(b"y")
    with (folder / "late").open("wb") as file:
        file.seek(MIB)
        file.write(b"y")
    (folder / "first").write_bytes(b"f" * 20_000)
    (folder / "split").write_bytes(b"s" * 20_000)
    image = make(folder, "-t", kind, "-b", "1024", size="4M")
    blocks = [int(block) for block in run("debugfs", "-R", "blocks /split", image).split()]
    spare = int(run("debugfs", "-R", "ffb 1 3000", image).split()[-1])
    if kind == "ext2":
        # The block map of the inode itself: its third block is moved.
        run("debugfs", "-w", "-R", f"sif /split block[2] {spare}", image)
    else:
        run("debugfs", "-w", "-R", "punch /split 5 7", image)
    facts = read(image.read_bytes())
    assert facts.files is not None
    assert sizes(facts) == {"sparse": MIB + 1, "late": MIB + 1, "first": 20_000, "split": 20_000}
    assert [file.path for file in facts.files.files if file.offset is not None] == (
        ["first"] if kind == "ext4" else []
    )
    assert len(blocks) >= 20
