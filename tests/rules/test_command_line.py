"""Forms of root=: Linux block/early-lookup.c; the eMMC of the examples has boot and rootfs-a."""

from __future__ import annotations

from dataclasses import replace

import pytest

from imgaudit.rules import command_line
from imgaudit.rules.built import subject_of
from imgaudit.rules.command_line import _booting, _from_ubi
from imgaudit.rules.engine import Check, Example, Finding, Severity
from imgaudit.rules.examples import nor
from imgaudit.tasks import audit
from imgaudit.units import KIB
from imgaudit.writers.env import environment

CHECKS = [item for item in vars(command_line).values() if isinstance(item, Check)]
START = "console=ttyS0,115200n8 panic=10"


def found(arguments: str, **more: str) -> dict[str, Finding]:
    subject = subject_of(_booting(f"{START} {arguments}", **more))
    return {item.rule.name: item for item in audit.run(subject, only=CHECKS).findings}


@pytest.mark.parametrize(
    "root",
    [
        "/dev/mmcblk0p2",
        "PARTLABEL=rootfs-a",
        "UUID=0123-4567",
        "/dev/sda9",
        "/dev/nfs",
        "PARTLABEL=rootfs-${board_rev}",
        "PARTUUID=${board_rev}",
        "PARTUUID=01020304-05",
        "ubi0:rootfs",
    ],
)
def test_a_root_that_is_there_or_not_to_be_known(root: str) -> None:
    assert found(f"root={root} rootwait") == {}


@pytest.mark.parametrize("root", ["/dev/mmcblk0p3", "/dev/mmcblk1p5", "PARTLABEL=rootfs"])
def test_a_root_that_dangles(root: str) -> None:
    assert set(found(f"root={root} rootwait")) == {"root-dangling"}


def test_the_type_of_the_root() -> None:
    assert found("root=/dev/mmcblk0p2 rootwait rootfstype=squashfs,ext4") == {}
    assert set(found("root=/dev/mmcblk0p2 rootwait rootfstype=f2fs")) == {"rootfstype-differs"}
    # The kernel's names for FAT are not the layout's.
    assert found("root=/dev/mmcblk0p1 rootwait rootfstype=vfat") == {}
    assert set(found("root=/dev/mmcblk0p1 rootwait rootfstype=fat")) == {"rootfstype-differs"}


def test_waiting_for_the_root() -> None:
    assert set(found("root=/dev/mmcblk0p2")) == {"rootwait-missing"}
    assert found("root=/dev/mmcblk0p2 rootdelay=5") == {}
    assert found("root=/dev/mmcblk0p2 ${board_rev}") == {}
    assert found("root=/dev/sda2") == {}


def on_nor(arguments: str) -> set[str]:
    regions = ("name: u-boot, at: 0, size: 64 KiB", "name: root, at: 64 KiB, size: 64 KiB")
    variables = {"bootcmd": f"setenv bootargs console=ttyS0 {arguments}; bootm 1000"}
    made = nor(
        *regions,
        "name: env, at: 128 KiB, size: 64 KiB, holds: uboot-env, file: e, env: {size: 4 KiB}",
        rest="written-elsewhere: {mtdparts: 'spi0.0:64k(u-boot),64k(root),64k(env)'}\n",
        files={"e": lambda: environment(variables, 4096, None)},
    )
    return {item.rule.name for item in audit.run(subject_of(made), only=CHECKS).findings}


def test_a_root_on_the_nor() -> None:
    assert on_nor("root=/dev/mtdblock1") == set()
    assert on_nor("root=mtd:root rootfstype=jffs2") == set()
    assert on_nor("root=/dev/mtdblock3") == {"root-dangling"}
    assert on_nor("root=mtd:rootfs") == {"root-dangling"}


def test_a_root_on_flash_whose_type_the_kernel_must_be_told() -> None:
    """Linux fs/filesystems.c, list_bdev_fs_names: only those with FS_REQUIRES_DEV are tried."""
    told = _from_ubi("ubi.mtd=ubi root=ubi0:rootfs")
    assert _names(told) == {"rootfstype-missing"}
    assert _names(_from_ubi("ubi.mtd=ubi root=ubi0:rootfs ${board_rev}")) == set()
    # What a ramdisk mounts, it mounts by its own words.
    packed = replace(told, files={"u-boot.env": lambda: environment(_BEHIND, 8 * KIB, None)})
    assert _names(packed) == set()


_BEHIND = {
    "bootcmd": "ubi part ubi; ubi read 82000000 kernel; ubi read 84000000 ramdisk;"
    " setenv bootargs ubi.mtd=ubi root=ubi0:rootfs; bootm 82000000 84000000"
}


def _names(example: Example) -> set[str]:
    return {item.rule.name for item in audit.run(subject_of(example), only=CHECKS).findings} - {
        "console-missing"
    }


def test_a_mute_recovery_is_an_error() -> None:
    for stage, severity in (("", Severity.WARNING), (", needs: [shell]", Severity.ERROR)):
        subject = subject_of(_booting("root=/dev/mmcblk0p2 rootwait", stage=stage))
        findings = audit.run(subject, only=CHECKS).findings
        assert [(item.rule.name, item.severity) for item in findings] == [
            ("console-missing", severity)
        ]


def test_only_a_rate_that_is_a_number_is_compared() -> None:
    region = "name: env, at: 0, size: 64 KiB, holds: uboot-env, file: e, env: {size: 8 KiB}"
    start = "setenv bootargs console=ttyS0,115200; bootm 1000"
    for rate, told in (
        *(("9600", 1), ("115200", 0), ("9" * 5000, 0)),
        *(("\u0663", 0), ("\u00b2", 0), ("fast", 0)),
    ):
        data = environment({"baudrate": rate, "bootcmd": start}, 8 * KIB, None)
        outcome = audit.run(subject_of(nor(region, files={"e": data.__bytes__})), only=CHECKS)
        rules = [item.rule for item in outcome.findings]
        assert rules.count(command_line.SPEED) == told, rate[:9]
