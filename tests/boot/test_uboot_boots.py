"""Boots on a disk: does the proof say what a running U-Boot does?

The disk is made by sgdisk, mkfs.vfat, mtools, mke2fs and mkimage; U-Boot (Debian's u-boot-qemu
2023.01) sees it as `virtio 0`, the layout as an eMMC, `mmc 0`. Messages are U-Boot's own.
"""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Iterator
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path

import pytest

from imgaudit.boot.board import Board
from imgaudit.boot.stage import world_of
from imgaudit.contents.build import FolderStore
from imgaudit.contents.reader import Loader
from imgaudit.files import Folder
from imgaudit.layout.load import parse
from imgaudit.maps.collect import collect
from imgaudit.proof.explore import Ending, Setting, explore
from imgaudit.proof.explore import Path as Way
from imgaudit.proof.start import Starter
from imgaudit.rules.samples import arm64_kernel, board_tree
from imgaudit.rules.subject import gather
from imgaudit.units import KIB, MIB
from tests.boot._uboot import UBoot, started

pytestmark = pytest.mark.oracle

LAYOUT = """
layout: 1
board: bench
arch: arm64
chips:
  emmc: {kind: emmc, sectors: 131072, number: 0, image: disk.img}
regions:
  - {name: boot, chip: emmc, partition: 1, at: 1 MiB, size: 16 MiB, writer: release, holds: fat}
  - {name: root, chip: emmc, partition: 2, at: 17 MiB, size: 16 MiB, writer: release, holds: ext4}
  - {name: data, chip: emmc, partition: 3, at: 33 MiB, size: 4 MiB, writer: release, holds: raw}
ram: {banks: [{at: 0x40000000, size: 512 MiB}]}
"""
ADDRESSES = {
    "k": "48000000",
    "f": "50000000",
    "r": "52000000",
    "s": "58000000",
    "kernel_addr_r": "48000000",
    "fdt_addr_r": "50000000",
    "ramdisk_addr_r": "52000000",
    "fdtoverlay_addr_r": "51000000",
    "verify": "yes",
}
FIT = """
/dts-v1/;
/ {
  description = "bench"; #address-cells = <1>;
  images {
    kernel { data = /incbin/("Image"); type = "kernel"; arch = "%s"; os = "linux";
      compression = "none"; load = <0x44000000>; entry = <0x44000000>;
      hash { algo = "sha1"; }; };
    fdt { data = /incbin/("board.dtb"); type = "flat_dt"; arch = "arm64"; compression = "none";
      hash { algo = "sha1"; }; };
    ramdisk { data = /incbin/("initrd.cpio"); type = "ramdisk"; arch = "arm64"; os = "linux";
      compression = "none"; hash { algo = "sha1"; }; };
  };
  configurations {
    default = "good";
    good { kernel = "kernel"; fdt = "fdt"; ramdisk = "ramdisk"; };
    less { kernel = "kernel"; fdt = "fdt"; };
    lost { kernel = "none"; fdt = "fdt"; };
    empty { fdt = "fdt"; };
  };
};
"""
EXTLINUX = "label main\n linux /Image\n initrd /initrd.cpio\n fdt /board.dtb\n append quiet\n"


def tool(*words: str | Path, folder: Path, text: str | None = None) -> None:
    subprocess.run(words, cwd=folder, check=True, capture_output=True, input=text, text=True)


def make_files(folder: Path) -> None:
    """Write what goes into the partitions."""
    (folder / "Image").write_bytes(arm64_kernel(64 * KIB))
    (folder / "board.dtb").write_bytes(board_tree())
    (folder / "init").write_text("#!/bin/sh\n")
    tool("cpio", "-o", "-H", "newc", "-F", "initrd.cpio", folder=folder, text="init\n")
    for name, arch in (("good", "arm64"), ("other", "riscv")):
        (folder / f"{name}.its").write_text(FIT % arch)
        tool("mkimage", "-f", f"{name}.its", f"{name}.itb", folder=folder)
    data = bytearray((folder / "good.itb").read_bytes())
    data[data.index(arm64_kernel(64)) + 32 * KIB] ^= 1
    (folder / "bad.itb").write_bytes(data)
    common = ("mkimage", "-A", "arm64", "-O", "linux", "-C", "none", "-n", "bench")
    place = ("-a", "44000000", "-e", "44000000")
    tool(*common, "-T", "kernel", *place, "-d", "Image", "uImage", folder=folder)
    other = ("mkimage", "-A", "riscv", *common[3:])
    tool(*other, "-T", "kernel", *place, "-d", "Image", "uOther", folder=folder)
    spoilt = bytearray((folder / "uImage").read_bytes())
    spoilt[1000] ^= 1
    (folder / "uBad").write_bytes(spoilt)
    tool(*common, "-T", "ramdisk", "-d", "initrd.cpio", "uInitrd", folder=folder)
    (folder / "boot.txt").write_text("setenv from script\nload ${media} ${k} Image\n")
    (folder / "fails.txt").write_text("setenv from script\nfalse")
    for name in ("boot", "fails"):
        tool(*common, "-T", "script", "-d", f"{name}.txt", f"{name}.scr", folder=folder)
    (folder / "vars.env").write_text("one=1\ntwo=a b\n")
    (folder / "extlinux").mkdir()
    (folder / "extlinux" / "extlinux.conf").write_text(EXTLINUX)
    (folder / "extlinux" / "none.conf").write_text(EXTLINUX.replace("/Image", "/none"))
    (folder / "extlinux" / "tree.conf").write_text(EXTLINUX.replace("/board.dtb", "/none.dtb"))


def make_disk(folder: Path) -> Path:
    """Make the disk of a FAT, an ext4 and an empty partition."""
    make_files(folder)
    disk = folder / "disk.img"
    boot, root = folder / "boot.vfat", folder / "root.ext4"
    for path, size in ((boot, 16), (root, 16), (disk, 64)):
        path.touch()
        with path.open("r+b") as file:
            file.truncate(size * MIB)
    tool("mkfs.vfat", boot, folder=folder)
    names = ("Image", "board.dtb", "initrd.cpio", "good.itb", "bad.itb", "other.itb", "uImage")
    more = ("uBad", "uOther", "uInitrd", "boot.scr", "fails.scr", "vars.env", "extlinux")
    tool("mcopy", "-s", "-i", boot, *names, *more, "::", folder=folder)
    (folder / "tree" / "boot").mkdir(parents=True)
    shutil.copy(folder / "Image", folder / "tree" / "boot" / "Image")
    shutil.copy(folder / "board.dtb", folder / "tree" / "boot" / "board.dtb")
    tool("mke2fs", "-q", "-t", "ext4", "-d", "tree", root, folder=folder)
    tool(
        *("sgdisk", "-a", "1", "-n", "1:2048:34815", "-c", "1:boot", "-t", "1:ef00"),
        *("-n", "2:34816:67583", "-c", "2:root", "-n", "3:67584:75775", "-c", "3:data", disk),
        folder=folder,
    )
    with disk.open("r+b") as file:
        for path, at in ((boot, 2048), (root, 34816)):
            file.seek(at * 512)
            file.write(path.read_bytes())
    return disk


def _by_root(way: Way) -> bool:
    """Tell whether a path is there only because it is not known what the kernel's root is."""
    last = way.taken[-1] if way.taken else None
    return way.ending is Ending.STOPS and last is not None and "root=" in last.why


@dataclass(frozen=True)
class Bench:
    """The disk, and what is known of it."""

    disk: Path
    setting: Setting

    def on_paper(self, script: str) -> Way:
        """Follow a script with the proof; nothing about these is open."""
        values = {**ADDRESSES, "media": "mmc 0:1", "script": script.replace("DISK", "mmc 0")}
        setting = Setting(
            variables=values,
            world=self.setting.world,
            board=self.setting.board,
            judge=self.setting.judge,
        )
        ways, whole = explore(setting, "script")
        assert whole
        # what the kernel makes of its root is not U-Boot's business
        (way,) = [way for way in ways if not _by_root(way)]
        return way

    def running(self) -> AbstractContextManager[UBoot]:
        return started({**ADDRESSES, "media": "virtio 0:1"}, disks=[self.disk])


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    folder = tmp_path_factory.mktemp("bench")
    disk = make_disk(folder)
    layout = parse(LAYOUT.encode(), "bench.yaml")
    with Loader() as loader:
        subject = gather(layout, FolderStore(Folder(str(folder)), loader))
    copies = collect(subject)
    board = Board(subject, layout, {})
    starter = Starter(board=board, layout=layout, copies=copies, ramdisks={})
    setting = Setting(variables={}, world=world_of(board, copies), board=board, judge=starter.judge)
    return Bench(disk, setting)


@pytest.fixture(scope="module")
def machine(bench: Bench) -> Iterator[UBoot]:
    with bench.running() as machine:
        machine.run("virtio scan")
        yield machine


COMMANDS = [
    ("load DISK:1 ${k} Image", True, "65536 bytes read"),
    ("load DISK ${k} image", True, "65536 bytes read"),
    ("load DISK:1 ${k} /none", False, "Failed to load '/none'"),
    ("load DISK:9 ${k} Image", False, "** Invalid partition 9 **"),
    ("load DISK:3 ${k} Image", False, ""),
    ("fatload DISK:1 ${k} Image", True, "65536 bytes read"),
    ("ext4load DISK:1 ${k} Image", False, ""),
    ("ext4load DISK:2 ${k} boot/Image", True, "65536 bytes read"),
    ("fatload DISK:2 ${k} boot/Image", False, ""),
    ("load DISK:2 ${k} /boot/Imagee", False, ""),
    ("fstype DISK:1 kind && test ${kind} = fat", True, ""),
    ("fstype DISK:2 kind && test ${kind} = ext4", True, ""),
    ("fstype DISK:3 kind", False, ""),
    ("fstype DISK:4 kind", False, ""),
    ("size DISK:1 Image && itest ${filesize} == 10000", True, ""),
    ("size DISK:1 none", False, ""),
    ("test -e DISK:1 Image", True, ""),
    ("test -e DISK:1 none", False, ""),
    ("test -e DISK:7 Image", False, ""),
    ("part start DISK 2 at && itest ${at} == 8800", True, ""),
    ("part size DISK data size && itest ${size} == 2000", True, ""),
    ("part number DISK root n && test ${n} = 0x2", True, ""),
    ("part number DISK nowhere n", False, ""),
    ("part start DISK 5 at", False, ""),
    ('part list DISK -bootable list && test "${list}" = 1', True, ""),
    ('part list DISK list && test "${list}" = "1 2 3"', True, ""),
    ("load DISK:1 ${s} boot.scr && source ${s} && test ${from} = script", True, "## Executing"),
    ("load DISK:1 ${s} fails.scr && source ${s}", False, "## Executing script"),
    ("mw.b ${s} 0 1000; source ${s}", False, "Wrong image format"),
    (
        "load DISK:1 ${s} vars.env && env import -t ${s} ${filesize} && test ${two} = 'a b'",
        True,
        "",
    ),
    ("load DISK:1 ${s} vars.env && env import -t ${s} ${filesize} one && env exists one", True, ""),
    ("sysboot DISK:1 any ${s} /extlinux/other.conf", False, "Error reading config file"),
    ("sysboot DISK:1 any ${s} /extlinux/none.conf", None, "Skipping main for failure"),
    ("sysboot DISK:1 any ${s} /extlinux/tree.conf", None, "Skipping main for failure"),
    ("run nothing", False, '## Error: "nothing" not defined'),
    ("nosuch", False, "Unknown command 'nosuch'"),
    ("load DISK:1 ${k} boot.scr && bootm ${k} - ${f}", False, "Wrong Image Type for bootm"),
    ("mw.b ${k} 0 1000; bootm ${k}", False, "Wrong Image Format for bootm command"),
    ("load DISK:1 ${k} Image && bootm ${k}", False, "Wrong Image Format for bootm command"),
    ("load DISK:1 ${k} good.itb && bootm ${k}#none", False, "Could not find configuration node"),
    ("load DISK:1 ${k} good.itb && bootm ${k}#lost", False, "Could not find subimage node"),
    ("load DISK:1 ${k} good.itb && bootm ${k}#empty", False, "Could not find subimage node"),
    ("load DISK:1 ${k} bad.itb && bootm ${k}#good", False, "Bad hash value for 'hash' hash node"),
    ("load DISK:1 ${k} uOther && bootm ${k}", False, "Unsupported Architecture 0x1a"),
    ("load DISK:1 ${k} uBad && load DISK:1 ${f} board.dtb && bootm ${k} - ${f}", False, "Bad Data"),
    ("load DISK:1 ${k} uInitrd && bootm ${k}", False, "Wrong Image Type for bootm command"),
    ("load DISK:1 ${k} good.itb && booti ${k} - ${f}", False, "Bad Linux ARM64 Image magic!"),
    ("load DISK:1 ${k} uImage && booti ${k} - ${f}", False, "Bad Linux ARM64 Image magic!"),
]


@pytest.mark.parametrize(("script", "succeeds", "message"), COMMANDS)
def test_what_comes_back(
    script: str, succeeds: bool | None, message: str, bench: Bench, machine: UBoot
) -> None:
    printed, status = machine.run(script.replace("DISK", "virtio 0"))
    assert message in printed
    assert succeeds is None or succeeds is (status == 0)
    way = bench.on_paper(script)
    assert way.ending is Ending.STOPS, way.why
    assert [taken for taken in way.taken if not taken.known] == []
    if succeeds is not None:
        assert way.walk is not None
        assert way.walk.succeeds is succeeds
        last = way.taken[-1]
        assert succeeds or (not last.succeeds and last.why) or script.endswith("${s}")


_ALL = "load DISK:1 ${k} Image && load DISK:1 ${f} board.dtb && load DISK:1 ${r} initrd.cpio && "
_UIMAGE = "load DISK:1 ${k} uImage && load DISK:1 ${f} board.dtb && "
STARTS = [
    _ALL + "booti ${k} ${r}:${filesize} ${f}",
    "load DISK:2 ${k} boot/Image && load DISK:2 ${f} boot/board.dtb && booti ${k} - ${f}",
    "load DISK:1 ${k} good.itb && bootm ${k}#good",
    # U-Boot does not look at the architecture of what is in a FIT
    "load DISK:1 ${k} other.itb && bootm ${k}#good",
    "load DISK:1 ${k} bad.itb && setenv verify no && bootm ${k}#good",
    _UIMAGE + "load DISK:1 ${r} uInitrd && bootm ${k} ${r} ${f}",
    "sysboot DISK:1 any ${s} /extlinux/extlinux.conf",
    "load DISK:1 ${s} boot.scr && source ${s}; load DISK:1 ${f} board.dtb; booti ${k} - ${f}",
]


@pytest.mark.parametrize("script", STARTS)
def test_what_starts(script: str, bench: Bench) -> None:
    with bench.running() as machine:
        machine.run("virtio scan")
        printed = machine.leave(script.replace("DISK", "virtio 0"), "Starting kernel ...")
    assert "Starting kernel ..." in printed
    way = bench.on_paper(script)
    assert way.boot is not None
    assert way.ending in {Ending.STARTS, Ending.DEAD} or "root=" in way.why, way.why
