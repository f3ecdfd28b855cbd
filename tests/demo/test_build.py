from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from imgaudit.demo.board import whimbrel as board_of
from imgaudit.demo.build import LAYOUT, build
from imgaudit.layout.load import load
from imgaudit.units import MIB
from tests.demo.conftest import digests

Tool = Callable[..., str]

ARTIFACTS = {
    "boot.vfat": 60 * MIB,
    "data.ext4": 32 * MIB,
    "emmc.img": 7634944 * 512,
    "fip.bin": None,
    "nor.img": 16 * MIB,
    "recovery.itb": None,
    "rootfs-a.ext4": 64 * MIB,
    "rootfs-b.ext4": 64 * MIB,
    "uboot-redundant.env": 16 << 10,
    "uboot.env": 16 << 10,
    "whimbrel.dtb": None,
    "whimbrel.yaml": None,
}


def test_every_artifact_is_there_and_of_its_size(whimbrel: Path) -> None:
    found = {path.name: path.stat().st_size for path in whimbrel.iterdir()}
    assert found.keys() == ARTIFACTS.keys()
    assert {name: found[name] for name, size in ARTIFACTS.items() if size} == {
        name: size for name, size in ARTIFACTS.items() if size
    }


def test_the_build_takes_a_few_mib_of_disk(whimbrel: Path) -> None:
    # The NOR image alone is 16 MiB: erased flash is 0xFF, which no file system stores as a hole.
    taken = sum(path.stat().st_blocks * 512 for path in whimbrel.iterdir())
    assert taken < 32 * MIB
    assert 1 * MIB < (whimbrel / "recovery.itb").stat().st_size < 3 * MIB


def test_two_builds_are_equal(sound: dict[str, str], tmp_path: Path) -> None:
    # A fresh process: nothing kept from the first build, and another seed for its hashes.
    code = "import pathlib, sys, imgaudit.demo.build as demo; demo.build(pathlib.Path(sys.argv[1]))"
    subprocess.run([sys.executable, "-c", code, tmp_path], check=True)
    assert digests(tmp_path) == sound


def test_the_layout_in_layouts_is_the_one_that_is_built(whimbrel: Path) -> None:
    repository = Path(__file__).parents[2] / "layouts" / "whimbrel.yaml"
    assert repository.read_bytes() == LAYOUT.read_bytes()
    assert (whimbrel / "whimbrel.yaml").read_bytes() == LAYOUT.read_bytes()


def test_the_build_reads_its_layout_as_the_program_does() -> None:
    read = load(str(LAYOUT))
    board = board_of(LAYOUT.read_text(encoding="utf-8"))
    assert [
        (region.name, region.label, region.chip, region.at, region.size, region.file, region.type)
        for region in board.regions.values()
    ] == [
        (region.name, region.label, region.chip, region.at, region.size, region.file, region.type)
        for region in read.regions
    ]
    assert read.chips["emmc"].size == board.sectors * 512


def test_both_chips_hold_the_artifacts_where_the_layout_has_them(whimbrel: Path) -> None:
    read = load(str(LAYOUT))
    for region in read.regions:
        if region.file is None:
            continue
        artifact = (whimbrel / region.file).read_bytes()
        with (whimbrel / str(read.chips[region.chip].image)).open("rb") as chip:
            chip.seek(region.at)
            assert chip.read(len(artifact)) == artifact, region.name


def test_what_no_artifact_fills_is_erased(whimbrel: Path) -> None:
    # Erased NOR reads as 0xFF: common practice, no source.
    nor = (whimbrel / "nor.img").read_bytes()
    recovery = (whimbrel / "recovery.itb").stat().st_size
    assert not nor[0x130000:0x200000].strip(b"\xff")
    assert not nor[0x200000 + recovery :].strip(b"\xff")


def test_an_unknown_fault_is_refused(tmp_path: Path) -> None:
    with pytest.raises(KeyError):
        build(tmp_path, "no-such-fault")


@pytest.mark.oracle
def test_fiptool_lists_the_firmware(whimbrel: Path, tool: Tool) -> None:
    said = tool("fiptool", "info", whimbrel / "fip.bin")
    for words in ("BL2: offset", "BL31: offset", "BL33: offset", "HW_CONFIG: offset"):
        assert words in said


@pytest.mark.oracle
def test_fiptool_unpacks_the_device_tree_as_it_was(
    whimbrel: Path, tool: Tool, tmp_path: Path
) -> None:
    tool("fiptool", "unpack", "--out", tmp_path, whimbrel / "fip.bin")
    dtb = (whimbrel / "whimbrel.dtb").read_bytes()
    assert (tmp_path / "hw-config.bin").read_bytes() == dtb
    u_boot = (tmp_path / "nt-fw.bin").read_bytes()
    assert b"U-Boot 2026.07 (" in u_boot
    assert u_boot.endswith(dtb)


@pytest.mark.oracle
def test_dtc_decompiles_the_device_tree_without_a_warning(whimbrel: Path, tool: Tool) -> None:
    said = tool("dtc", "-I", "dtb", "-O", "dts", whimbrel / "whimbrel.dtb")
    assert "Warning" not in said
    assert 'model = "Whimbrel tide-gauge logger";' in said
    assert 'compatible = "fixed-partitions";' in said
    assert "partition@200000" in said


@pytest.mark.oracle
def test_dumpimage_lists_the_recovery(whimbrel: Path, tool: Tool) -> None:
    # The exit status says nothing: dumpimage -l is content with any file.
    said = " ".join(tool("dumpimage", "-l", whimbrel / "recovery.itb").split())
    for words in (
        "FIT description: Whimbrel recovery 1.0.0",
        "Type: Kernel Image Compression: lzma compressed",
        "Architecture: AArch64 OS: Linux Load Address: 0x80200000 Entry Point: 0x80200000",
        "Type: Flat Device Tree Compression: uncompressed",
        "Type: RAMDisk Image Compression: uncompressed",
        "Hash algo: sha256",
        "Default Configuration: 'conf-1'",
        "Kernel: kernel-1 Init Ramdisk: ramdisk-1 FDT: fdt-1",
    ):
        assert words in said


@pytest.mark.oracle
def test_the_kernel_and_the_ramdisk_unpack(whimbrel: Path, tool: Tool, tmp_path: Path) -> None:
    fit, kernel, ramdisk = whimbrel / "recovery.itb", tmp_path / "Image.lzma", tmp_path / "root.xz"
    tool("dumpimage", "-T", "flat_dt", "-p", "0", "-o", kernel, fit)
    tool("dumpimage", "-T", "flat_dt", "-p", "2", "-o", ramdisk, fit)
    tool("xz", "--format=lzma", "-t", kernel)
    tool("xz", "-t", ramdisk)
    # Linux unpacks xz with no check or CRC-32 only: Documentation/staging/xz.rst.
    assert "CRC32" in tool("xz", "--list", ramdisk)
    tool("xz", "-dk", ramdisk)
    members = tool("cpio", "-itv", data=(tmp_path / "root").read_bytes()).splitlines()
    assert any(line.startswith("-rwxr-xr-x") and line.endswith(" init") for line in members)
    assert any(line.endswith(" sbin/init -> ../bin/busybox") for line in members)
    assert any(line.startswith("crw-------") and "5,   1" in line for line in members)


@pytest.mark.oracle
def test_fw_printenv_reads_both_copies(whimbrel: Path, tool: Tool, tmp_path: Path) -> None:
    copies = [whimbrel / "uboot.env", whimbrel / "uboot-redundant.env"]
    config = tmp_path / "fw_env.config"
    config.write_text("".join(f"{copy} 0x0 0x4000 0x10000\n" for copy in copies))
    said = tool("fw_printenv", "-c", config)
    assert "bad CRC" not in said
    assert "bootcmd=run main || run recovery\n" in said
    assert "recovery_size=0xd00000\n" in said


@pytest.mark.oracle
def test_sgdisk_and_sfdisk_find_no_fault_in_the_emmc(whimbrel: Path, tool: Tool) -> None:
    # The exit status says nothing: sgdisk -v is content with broken tables.
    said = tool("sgdisk", "-v", whimbrel / "emmc.img")
    assert "No problems found." in said
    assert "Caution" not in said
    assert "Warning" not in said
    assert "No errors detected." in tool("sfdisk", "--verify", whimbrel / "emmc.img")
    dump = tool("sfdisk", "--dump", whimbrel / "emmc.img").lower()
    for number, start, name in (
        (1, 8192, "boot"),
        (2, 131072, "rootfs-a"),
        (3, 2228224, "rootfs-b"),
        (4, 4325376, "data"),
    ):
        line = next(line for line in dump.splitlines() if f"emmc.img{number} :" in line)
        assert f"start={start:>12}," in line
        assert f'name="{name}"' in line


@pytest.mark.oracle
@pytest.mark.parametrize("name", ["rootfs-a.ext4", "rootfs-b.ext4", "data.ext4"])
def test_e2fsck_finds_the_filesystems_clean(whimbrel: Path, tool: Tool, name: str) -> None:
    tool("e2fsck", "-fn", whimbrel / name)


@pytest.mark.oracle
def test_debugfs_reads_the_main_system(whimbrel: Path, tool: Tool) -> None:
    said = tool("debugfs", "-R", "cat /etc/fstab", whimbrel / "rootfs-b.ext4")
    assert "PARTLABEL=rootfs-b" in said


@pytest.mark.oracle
def test_fsck_and_mtools_accept_the_boot_partition(
    whimbrel: Path, tool: Tool, tmp_path: Path
) -> None:
    tool("fsck.vfat", "-n", whimbrel / "boot.vfat")
    tool("mcopy", "-i", whimbrel / "boot.vfat", "::Image", "::whimbrel.dtb", tmp_path)
    assert (tmp_path / "whimbrel.dtb").read_bytes() == (whimbrel / "whimbrel.dtb").read_bytes()
    # Linux, Documentation/arch/arm64/booting.rst: the magic number stands at 56.
    assert (tmp_path / "Image").read_bytes()[56:60] == b"ARM\x64"
