"""Where `root=` and a ramdisk's script lead, and whether a system is there.

Source: Linux init/do_mounts.c and block/early-lookup.c (what root= may say without a ramdisk),
drivers/of/fdt.c, early_init_dt_scan_chosen (the arguments of the tree, else CONFIG_CMDLINE).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import pytest

from imgaudit.proof.records import Proof, Verdict
from imgaudit.rules.built import subject_of
from imgaudit.rules.main_root import system
from imgaudit.writers.cpio import cpio
from imgaudit.writers.elf import program
from imgaudit.writers.fdt import Tree
from imgaudit.writers.tree import Root, directory, file
from tests.proof.test_start import IMAGE, TREE, raw
from tests.rescue.test_stage import kernel_with

KERNEL = (
    "EXT4_FS",
    "BINFMT_ELF",
    "BINFMT_SCRIPT",
    "MMC_BLOCK",
    "EFI_PARTITION",
    "MSDOS_PARTITION",
    "SERIAL_8250_CONSOLE",
    "DEVTMPFS",
)
RUNS = file(program(), 0o755)
ROOT = "console=ttyS0 rootwait root={}"
PROVEN, UNPROVEN, REFUTED = Verdict.PROVEN, Verdict.UNPROVEN, Verdict.REFUTED


def main(
    arguments: str = ROOT.format("PARTLABEL=rootfs"),
    *,
    files: Mapping[str, Callable[[], bytes]] | None = None,
    config: Mapping[str, str] | None = None,
    nodes: Tree | None = None,
    holds: str = "holds: ext4, file: rootfs.ext4",
) -> Proof:
    example = system(None, KERNEL, arguments=arguments, config=config, nodes=nodes)
    layout = example.layout.replace("boot-area: 2 MiB", "boot-area: 2 MiB, number: 0")
    layout = layout.replace("holds: ext4, file: rootfs.ext4", holds)
    made = {**example.files, **(files or {})}
    (proof,) = subject_of(replace(example, layout=layout, files=made)).proofs
    return proof


@pytest.mark.parametrize(
    ("root", "verdict", "why"),
    [
        ("PARTLABEL=rootfs", PROVEN, ""),
        ("/dev/mmcblk0p1", PROVEN, ""),
        ("/dev/mmcblk0p3", REFUTED, "the disk has the partitions 1, 2"),
        ("PARTLABEL=gone", REFUTED, "the partitions are called rootfs, data"),
        ("PARTLABEL=data", REFUTED, "data.ext4 has no /sbin/init, /etc/init, /bin/init, /bin/sh"),
        ("PARTLABEL=rootfs init=/gone", REFUTED, "the kernel finds no init: rootfs.ext4 has no /g"),
        ("LABEL=rootfs", REFUTED, "needs a ramdisk to look it up; there is none"),
        ("UUID=1", REFUTED, "needs a ramdisk to look it up; there is none"),
        ("/dev/sda1", UNPROVEN, "what root=/dev/sda1 leads to is not known"),
        ("/dev/nfs", UNPROVEN, "what root=/dev/nfs leads to is not known"),
        ("/dev/dm-0", UNPROVEN, "what root=/dev/dm-0 leads to is not known"),
    ],
)
def test_where_root_leads(root: str, verdict: Verdict, why: str) -> None:
    proof = main(ROOT.format(root))
    assert proof.verdict is verdict, proof.line()
    assert why in proof.line()


def test_who_says_root() -> None:
    said, gone = "root=PARTLABEL=rootfs", "root=PARTLABEL=gone"
    assert main("", config={"CMDLINE": f'"{said}"'}).verdict is PROVEN
    assert main("", nodes={"chosen": {"bootargs": said}}).verdict is PROVEN
    assert main("", nodes={"chosen": {"bootargs": gone}}).verdict is REFUTED
    # What was built in is for a boot loader that says nothing, unless it is to be added or forced.
    for built, more, verdict in (
        (said, {}, REFUTED),
        (said, {"CMDLINE_EXTEND": "y"}, PROVEN),
        (said, {"CMDLINE_FORCE": "y"}, PROVEN),
        ("quiet", {"CMDLINE_EXTEND": "y"}, REFUTED),
    ):
        config = {"CMDLINE": f'"{built}"', **more}
        assert main("", nodes={"chosen": {"bootargs": gone}}, config=config).verdict is verdict
    assert main("quiet", config={"CMDLINE": f'"{said}"'}).verdict is REFUTED
    assert main("quiet", config={"CMDLINE": f'"{said}"', "CMDLINE_EXTEND": "y"}).verdict is PROVEN
    # bootargs take the place of what the tree says
    assert main("quiet", nodes={"chosen": {"bootargs": said}}).verdict is REFUTED
    nobody = main("", config={"CMDLINE": '"console=ttyS0"'})
    assert nobody.verdict is REFUTED
    assert "nothing says root=: not bootargs, not the device tree, not the kernel" in nobody.line()


def test_a_root_is_there_whole() -> None:
    """Source: mke2fs and e2fsck: a file system has the blocks that its superblock counts."""
    whole = system().files["rootfs.ext4"]()
    assert main(files={"rootfs.ext4": lambda: whole}).verdict is PROVEN
    # what is behind it is no part of it
    cut = main(files={"rootfs.ext4": lambda: whole[:-1]})
    assert cut.verdict is UNPROVEN
    assert "rootfs, the root, comes up is not known: its file ends 1 byte too early" in cut.line()
    noise = main(files={"rootfs.ext4": lambda: b"tide" * 9999})
    assert noise.verdict is REFUTED
    assert "holds data of no known format, no file system" in noise.line()
    nothing = main(holds="holds: ext4")
    assert nothing.verdict is UNPROVEN
    assert "what rootfs, the root, holds is not known" in nothing.line()


@pytest.mark.parametrize(
    ("lines", "verdict", "why"),
    [
        (("exec /bin/sh",), PROVEN, ""),
        (("[ $x ] && exec /bin/sh || exec /bin/sh",), PROVEN, ""),
        (("mount $x /mnt", "[ $y ] || exec switch_root /mnt /sbin/init", "exec sh"), PROVEN, ""),
        (("/bin/sh",), REFUTED, "the ramdisk's own start ends: /init:2 is its last command"),
        (("exec /bin/tide",), REFUTED, "own start ends: /init:2: /bin/tide does not exist"),
        (("exec switch_root $x",), UNPROVEN, "which root /init:2 of the ramdisk goes on to is not"),
        (
            ("mount /dev/mmcblk7p1 /mnt", "exec switch_root /mnt /sbin/init"),
            UNPROVEN,
            "/init:2 of the ramdisk mounts /dev/mmcblk7p1 for the new root: what that is, is not",
        ),
    ],
)
def test_a_recovery_stays_or_goes_on(lines: tuple[str, ...], verdict: Verdict, why: str) -> None:
    folders = {name: directory() for name in ("bin", "dev", "mnt", "proc", "sbin")}
    tools = dict.fromkeys(("bin/mount", "bin/sh", "sbin/switch_root"), RUNS)
    script = file("\n".join(("#!/bin/sh", *lines, "")), 0o755)
    ramdisk = cpio({**folders, **tools, "init": script}, 0)
    start = f"booti 0x82000000 0x86000000:{len(ramdisk):x} {TREE}"
    proof = raw(start, IMAGE, ramdisk=ramdisk)
    assert proof.verdict is verdict, proof.line()
    assert why in proof.line()


@pytest.mark.parametrize(
    ("files", "first"),
    [
        ({"dev": directory(), "dev/console": file(b""), "root": directory()}, "/sbin/init"),
        ({"dev": directory(), "root": directory(), "x": directory(), "init": RUNS}, "/init"),
    ],
)
def test_what_every_kernel_carries_is_no_ramdisk(files: Root, first: str) -> None:
    """Source: Linux usr/default_cpio_list: /dev, /dev/console and /root are in every kernel."""
    config = dict.fromkeys((*KERNEL, "BLK_DEV_INITRD"), "y")
    proof = main(files={"Image": lambda: kernel_with(cpio(files, 0), config)})
    assert proof.verdict is PROVEN, proof.line()
    assert next(link.what for link in proof.chain if link.role == "init") == first
