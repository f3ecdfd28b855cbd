"""Where U-Boot keeps its environment in a partition, and the tools under Linux look for it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from imgaudit.rules import samples as sample
from imgaudit.rules._boot import RECOVERY, scripted
from imgaudit.rules.environment_place import _TOOL, _tool
from imgaudit.rules.examples import emmc
from imgaudit.rules.rescue import _environment
from imgaudit.writers.cpio import cpio
from imgaudit.writers.elf import program
from imgaudit.writers.fdt import Tree
from imgaudit.writers.tree import file
from tests._audits import found, unchecked

NAMED = 'CONFIG_ENV_IS_IN_MMC=y\nCONFIG_ENV_SIZE=0x2000\nCONFIG_ENV_MMC_SW_PARTITION="env"\n'
TWO = "CONFIG_ENV_REDUNDANT=y\n"


def told(regions: tuple[str, ...], config: str) -> list[tuple[str | None, str]]:
    example = emmc(
        *regions,
        rest="written-elsewhere: {uboot-config: u-boot.config}\n",
        files={"u-boot.config": config.encode},
    )
    findings = found("environment-location-differs", example)
    return [(item.region, str(item.values["told"])) for item in findings]


def region(name: str, file_at: int, *, copy: str = "") -> str:
    """Give a partition of 64 KiB at 1 MiB or 2 MiB, with its environment at an offset in it."""
    at = 2 if name == "env-b" else 1
    shape = f"env: {{size: 8 KiB{f', copy: {copy}' if copy else ''}}}"
    return (
        f"name: {name}, partition: {at}, at: {at} MiB, size: 64 KiB, holds: uboot-env,"
        f" writer: runtime, file-at: {file_at}, label: {'env' if at == 1 else name}, {shape}"
    )


@pytest.mark.parametrize(
    ("file_at", "config", "right"),
    [
        (0xE000, NAMED, True),
        (0, NAMED, False),
        (0xC000, NAMED, False),
        (0, NAMED.replace("SW_PARTITION", "OTHER"), True),  # not known: nothing is said
        (0, NAMED.replace('"env"', '"settings"'), True),
    ],
)
def test_it_lies_at_the_end_of_the_partition_that_is_named(
    file_at: int, config: str, *, right: bool
) -> None:
    findings = told((region("env-a", file_at),), config)
    assert (findings == []) is right
    if not right:
        assert "the end of its partition env" in findings[0][1]
        assert findings[0][1].startswith("0x10e000")


def test_a_second_copy_lies_below_the_first() -> None:
    shape = "size: 64 KiB, holds: uboot-env, writer: runtime, env: {{size: 8 KiB, copy: {}}}"
    first = f"name: env-a, partition: 1, at: 1 MiB, label: env, file-at: 0xe000, {shape}"
    second = f"name: env-b, partition: 2, at: 2 MiB, {shape}"
    both = (first.format("env-b"), second.format("env-a"))
    assert [name for name, _ in told(both, NAMED + TWO)] == ["env-b"]


@pytest.mark.parametrize(
    ("offset", "base"),
    [("0x10000", None), ("0", None), ("65536", "decimal"), ("0200000", "octal")],
)
def test_the_base_of_an_offset(offset: str, base: str | None) -> None:
    # Source: U-Boot tools/env/fw_env.c reads the offset with %lli, the sizes with %lx.
    example = _tool(_TOOL.replace("mtd1 0x0", f"mtd1 {offset}"))
    findings = found("flash-tool-offset-without-prefix", example)
    assert [item.values["base"] for item in findings] == ([base] if base else [])


@pytest.mark.parametrize(
    ("line", "wrong"),
    [
        ("-0x2000 0x2000", []),
        ("0xfe000 0x2000", []),
        ("-0x4000 0x2000", ["0x1fc000 (0x4000 before the end of env)"]),
    ],
)
def test_an_offset_from_the_end_of_a_block_device(line: str, wrong: list[str]) -> None:
    """U-Boot tools/env/fw_env.c, check_device_config: a negative one is added to the size."""
    shape = "size: 1 MiB, holds: uboot-env, writer: runtime, file-at: 0xfe000, env: {size: 8 KiB}"
    example = emmc(
        f"name: env, partition: 1, at: 1 MiB, {shape}",
        rest="written-elsewhere: {flash-tool-config: fw_env.config}\n",
        files={"fw_env.config": f"/dev/mmcblk0p1 {line}\n".encode},
    )
    findings = found("environment-location-differs", example)
    assert [str(item.values["told"]) for item in findings] == wrong


@pytest.mark.parametrize(
    ("rest", "told"), [("", False), (" 0x10000", False), (" 0x1000", True), (" 0 1", True)]
)
def test_a_sector_size_that_is_left_out(rest: str, *, told: bool) -> None:
    """U-Boot tools/env/fw_env.c, check_device_config: a NOR's own, unless sectors are given."""
    example = _tool(_TOOL.replace(" 0x10000\n", f"{rest}\n"))
    assert bool(found("environment-sector-size-differs", example)) is told


_ENV = "size: 64 KiB, holds: uboot-env, writer: runtime, env: {size: 8 KiB}"
_USER = f"name: env, partition: 1, at: 1 MiB, {_ENV}"
_BOOT = f"name: env, chip: emmc/boot0, at: 0, {_ENV}"


@pytest.mark.parametrize(
    ("env", "line", "wrong"),
    [
        (_USER, "/dev/mmcblk0 0x100000", None),
        (_USER, "/dev/mmcblk0p1 0x0", None),
        (_USER, "/dev/mmcblk0 0x200000", "0x200000 (/dev/mmcblk0 + 0x200000)"),
        (_USER, "/dev/mmcblk0p1 0x2000", "0x102000"),
        (_USER, "/dev/mmcblk0p9 0x0", "/dev/mmcblk0p9, which the layout does not have"),
        (_USER, "/dev/mmcblk0boot0 0x0", "/dev/mmcblk0boot0"),
        (_BOOT, "/dev/mmcblk0boot0 0x0", None),
        (_BOOT, "/dev/mmcblk0boot1 0x0", "/dev/mmcblk0boot1"),
        (_BOOT, "/dev/mmcblk0 0x0", "/dev/mmcblk0"),
    ],
)
def test_the_device_of_a_line_on_an_emmc(env: str, line: str, wrong: str | None) -> None:
    example = emmc(
        env,
        rest="written-elsewhere: {flash-tool-config: fw_env.config}\n",
        files={"fw_env.config": f"{line} 0x2000\n".encode},
    )
    findings = found("environment-location-differs", example)
    assert len(findings) == (wrong is not None)
    for item in findings:
        assert wrong is not None
        assert wrong in str(item.values["told"])
        assert item.region == "env"
    assert unchecked("environment-location-differs", example) == []


@pytest.mark.parametrize("device", ["/dev/sda1", "/dev/mtd0", "/dev/nvram"])
def test_a_device_of_which_nothing_is_known(device: str) -> None:
    example = emmc(
        _USER,
        rest="written-elsewhere: {flash-tool-config: fw_env.config}\n",
        files={"fw_env.config": f"{device} 0x0 0x2000\n".encode},
    )
    assert found("environment-location-differs", example) == []
    ((_, why),) = unchecked("environment-location-differs", example)
    assert why == "no copy of the map tells which flash its devices are"


@pytest.mark.parametrize(
    ("env", "config", "wrong"),
    [
        (_USER, "CONFIG_ENV_OFFSET=0x100000\n", None),
        (_USER, "CONFIG_ENV_OFFSET=0x102000\n", "0x102000 of emmc"),
        (_BOOT, "CONFIG_ENV_OFFSET=0x0\nCONFIG_ENV_MMC_EMMC_HW_PARTITION=1\n", None),
        (_BOOT, "CONFIG_ENV_OFFSET=0x0\nCONFIG_SYS_MMC_ENV_PART=1\n", None),
        (
            _BOOT,
            "CONFIG_ENV_OFFSET=0x0\nCONFIG_ENV_MMC_EMMC_HW_PARTITION=2\n",
            "0x0 of emmc/boot1",
        ),
        (_BOOT, "CONFIG_ENV_OFFSET=0x0\n", "0x0 of emmc"),
        (_USER, "CONFIG_ENV_OFFSET=0x0\nCONFIG_ENV_MMC_EMMC_HW_PARTITION=7\n", "0x0 of emmc"),
    ],
)
def test_the_area_that_the_configuration_means(env: str, config: str, wrong: str | None) -> None:
    """U-Boot env/mmc.c, mmc_get_env_part: 1 and 2 are the boot areas."""
    head = "CONFIG_ENV_IS_IN_MMC=y\nCONFIG_ENV_SIZE=0x2000\n"
    findings = told((env,), head + config)
    assert [text for _, text in findings] == ([wrong] if wrong else [])


def test_of_two_chips_the_configuration_may_mean_either() -> None:
    chip = "sectors: 65536, boot-area: 2 MiB}\n  other: {kind: emmc, sectors: 65536"
    example = emmc(
        _USER,
        chip=chip,
        rest="written-elsewhere: {uboot-config: c, flash-tool-config: f}\n",
        files={
            "c": b"CONFIG_ENV_IS_IN_MMC=y\nCONFIG_ENV_SIZE=0x2000\nCONFIG_ENV_OFFSET=0\n".strip,
            "f": b"/dev/mmcblk0 0x0 0x2000\n".strip,
        },
    )
    assert found("environment-location-differs", example) == []


@pytest.mark.parametrize(("place", "told"), [("MMC", []), ("FAT", ["env"]), ("EXT4", ["env"])])
def test_an_environment_in_a_file_is_in_no_region(place: str, told: list[str]) -> None:
    """U-Boot env/fat.c and env/ext4.c read a file; they pass by any region."""
    config = f"CONFIG_ENV_IS_IN_{place}=y\nCONFIG_ENV_SIZE=0x2000\n"
    example = emmc(
        _USER,
        rest="written-elsewhere: {uboot-config: u-boot.config}\n",
        files={"u-boot.config": config.encode},
    )
    assert [item.region for item in found("environment-kept-elsewhere", example)] == told


@pytest.mark.parametrize(
    ("devices", "size", "rules"),
    [
        ((1, 2), "0x4000", set()),
        ((2, 3), "0x4000", {"environment-location-differs"}),
        ((1, 2), "0x2000", {"environment-length-differs"}),
    ],
)
def test_the_file_in_a_ramdisk_is_held_against_the_layout(
    devices: tuple[int, int], size: str, rules: set[str]
) -> None:
    """The layout names it nowhere: whoever repairs the board uses it all the same."""
    example = _environment(*(f"/dev/mtd{number} 0x0" for number in devices), size=size)
    listed = "written-elsewhere: {mtdparts: 'spi0.0:1m(recovery),64k(env-a),64k(env-b)'}\n"
    made = replace(example, layout=example.layout + listed)
    told = {
        finding.rule.name
        for what in ("location", "length")
        for finding in found(f"environment-{what}-differs", made)
    }
    assert told == rules


@pytest.mark.parametrize(
    ("parts", "arguments", "right"),
    [
        (False, "console=ttyS0", False),
        (True, "console=ttyS0", True),
        (False, "console=ttyS0 mtdparts=spi0.0:64k(u-boot),64k(env)", True),
        (False, "console=ttyS0 ${undefined}", False),
    ],
)
def test_a_kernel_without_partitions_has_no_second_mtd(
    parts: bool, arguments: str, right: bool
) -> None:
    """Linux drivers/mtd/mtdcore.c, mtd_device_parse_register: then the whole chip is the one."""
    table: Tree = {
        "compatible": "fixed-partitions",
        "#address-cells": 1,
        "#size-cells": 1,
        "partition@0": {"label": "u-boot", "reg": (0, 0x10000)},
        "partition@10000": {"label": "env", "reg": (0x10000, 0x10000)},
    }
    chip: Tree = {"compatible": "jedec,spi-nor", "reg": 0}
    chip |= {"partitions": table} if parts else {}
    bus: Tree = {"spi": {"#address-cells": 1, "#size-cells": 0, "flash@0": chip}}
    root = {
        "init": file(program(), 0o755),
        "etc/fw_env.config": file("/dev/mtd1 0x0 0x2000 0x10000\n"),
    }
    images: Tree = {
        "kernel": sample.kernel(),
        "fdt": sample.image({"type": "flat_dt"}, payload=sample.board_tree(bus)),
        "ramdisk": sample.image(payload=cpio(root, 0)),
    }
    named: Tree = {"conf": {"kernel": "kernel", "fdt": "fdt", "ramdisk": "ramdisk"}}
    example = scripted(
        f"setenv bootargs {arguments}; {RECOVERY}",
        regions=("name: u-boot, at: 0, size: 64 KiB",),
        rest="written-elsewhere: {mtdparts: 'spi0.0:64k(u-boot),64k(env),256k(recovery)'}\n",
        itb=lambda: sample.fit(images, configurations=named),
    )
    assert bool(found("environment-location-differs", example)) is not right
