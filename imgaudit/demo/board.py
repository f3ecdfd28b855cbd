"""All that goes into the Whimbrel build, before anything is written.

The map comes from the layout's own text; what the build says again (device tree, mtdparts, scripts,
GPT) is made from it here, so that a fault can make one of them drift.
"""

from __future__ import annotations

import lzma
import re
from collections.abc import Mapping
from dataclasses import field, replace
from uuid import NAMESPACE_DNS, UUID, uuid5

from imgaudit.data import dataclass
from imgaudit.demo import rescue
from imgaudit.patterns import regex
from imgaudit.units import MIB, parse_size
from imgaudit.writers import kernel
from imgaudit.writers.fdt import Tree
from imgaudit.writers.fip import BL31, BL33
from imgaudit.writers.gpt import Partition
from imgaudit.writers.tree import Root

# 2026-07-06 12:00:00 UTC: the time of everything in the build.
EPOCH = 1783339200

_REGION = regex(r"^  - name: (\S+)\n((?:    .*\n)*)", re.MULTILINE)
_KEY = regex(r"^    ([a-z-]+): ([^#\n]*[^#\s])", re.MULTILINE)
TYPES = {
    "xbootldr": "bc13c2ff-59e6-4262-a352-b275fd6f7172",
    "linux-root-arm64": "b921b045-1df0-41c3-af44-4c6f280d3fae",
    "linux-data": "0fc63daf-8483-4772-8e79-3d69d8477de4",
}
"""Partition types of the Discoverable Partitions Specification, by our short names."""


@dataclass(frozen=True, kw_only=True)
class Region:
    """A region as the layout has it; `at` and `size` are in bytes."""

    name: str
    label: str
    chip: str
    at: int
    size: int
    file: str | None
    type: str | None


@dataclass(frozen=True, kw_only=True)
class Board:
    """The inputs of one build; a fault replaces some of them."""

    regions: Mapping[str, Region]
    device_tree_regions: tuple[Region, ...]
    partitions: tuple[Partition, ...]
    environment: Mapping[str, str]
    environment_size: int = 16 << 10
    environment_flags: tuple[int | None, int | None] = (1, 0)
    ramdisk: Root = field(default_factory=rescue.ramdisk)
    early_ramdisk: Root = field(default_factory=dict)
    ramdisk_check: int = lzma.CHECK_CRC32
    kernel_config: Mapping[str, str] = field(default_factory=lambda: kernel.CONFIG)
    kernel_compression: str = "lzma"
    loads: Mapping[str, int] = field(
        default_factory=lambda: {"kernel": 0x80200000, "fdt": 0x88000000, "ramdisk": 0x88100000}
    )
    default_configuration: str = "conf-1"
    chosen_ramdisk: str = "ramdisk-1"
    firmware_without: UUID | None = None
    firmware_order: tuple[UUID, UUID] = (BL31, BL33)
    u_boot_compatible: tuple[str, ...] = ()
    u_boot_key: str | None = None
    sectors: int = 7634944
    filesystem_sizes: Mapping[str, int] = field(
        default_factory=lambda: {
            "boot": 60 * MIB,
            "rootfs-a": 64 * MIB,
            "rootfs-b": 64 * MIB,
            "data": 32 * MIB,
        }
    )
    mounted: frozenset[str] = frozenset()
    disabled: frozenset[str] = frozenset()
    main: Mapping[str, Root] = field(
        default_factory=lambda: {f"rootfs-{slot}": rescue.rootfs(slot) for slot in "ab"}
    )


def whimbrel(layout: str) -> Board:
    """Derive the inputs from the text of the layout."""
    regions = {region.name: region for region in _regions(layout)}
    nor = tuple(region for region in regions.values() if region.chip == "nor")
    disk = (region for region in regions.values() if region.chip == "emmc")
    return Board(
        regions=regions,
        device_tree_regions=nor,
        partitions=tuple(map(_partition, disk)),
        environment=_environment(regions, nor),
    )


def guid(name: str) -> UUID:
    """Give the same GUID for the same name, build after build."""
    return uuid5(NAMESPACE_DNS, f"{name}.whimbrel.example")


def moved(regions: tuple[Region, ...], name: str, at: int) -> tuple[Region, ...]:
    """Give the regions with one of them elsewhere."""
    return tuple(replace(region, at=at) if region.name == name else region for region in regions)


def mtdparts(regions: tuple[Region, ...]) -> str:
    """Say the regions as mtdparts does."""
    protected = {"fip", "factory"}
    parts = (
        f"{region.size >> 10}k@{region.at:#x}({region.label}){'ro' * (region.label in protected)}"
        for region in regions
    )
    return "mtdparts=spi0.0:" + ",".join(parts)


def _regions(layout: str) -> list[Region]:
    found = []
    for name, body in _REGION.findall(layout):
        keys = dict(_KEY.findall(body))
        found.append(
            Region(
                name=name,
                label=keys.get("label", name),
                chip=keys["chip"],
                at=parse_size(keys["at"]),
                size=parse_size(keys["size"]),
                file=keys.get("file"),
                type=keys.get("type"),
            )
        )
    return found


def _partition(region: Region) -> Partition:
    kind = UUID(TYPES[region.type or ""])
    return Partition(region.label, kind, guid(region.name), region.at, region.size)


def _environment(regions: Mapping[str, Region], nor: tuple[Region, ...]) -> dict[str, str]:
    recovery, devicetree = regions["recovery"], regions["devicetree"]
    return {
        "baudrate": "115200",
        "board": "whimbrel",
        "bootdelay": "2",
        "bootlimit": "3",
        "console": "ttyS0,115200n8",
        "fdtfile": "whimbrel.dtb",
        "loadaddr": "0x90000000",
        "kernel_addr_r": "0x80200000",
        "fdt_addr_r": "0x88000000",
        "ramdisk_addr_r": "0x88100000",
        "mmcdev": "0",
        "bootpart": "1",
        "slot": "a",
        "mtdids": "nor0=spi0.0",
        "mtdparts": mtdparts(nor),
        "devicetree_offset": f"{devicetree.at:#x}",
        "devicetree_size": f"{devicetree.size:#x}",
        "recovery_offset": f"{recovery.at:#x}",
        "recovery_size": f"{recovery.size:#x}",
        "bootcmd": "run main || run recovery",
        "altbootcmd": "run recovery",
        "main": (
            "mmc dev ${mmcdev} && run main_kernel && run main_fdt && run main_args"
            " && booti ${kernel_addr_r} - ${fdt_addr_r}"
        ),
        "main_kernel": "load mmc ${mmcdev}:${bootpart} ${kernel_addr_r} Image",
        "main_fdt": (
            "load mmc ${mmcdev}:${bootpart} ${fdt_addr_r} ${fdtfile} || run devicetree_from_nor"
        ),
        # A kernel that cannot find its root must reset, or the boot count never reaches its limit.
        "main_args": (
            "setenv bootargs console=${console} root=PARTLABEL=rootfs-${slot} rootfstype=ext4"
            " rootwait=30 panic=10 rw"
        ),
        "devicetree_from_nor": (
            "sf probe && sf read ${fdt_addr_r} ${devicetree_offset} ${devicetree_size}"
        ),
        "recovery": (
            "sf probe && sf read ${loadaddr} ${recovery_offset} ${recovery_size}"
            " && run recovery_args && bootm ${loadaddr}#conf-1"
        ),
        "recovery_args": "setenv bootargs console=${console} panic=10",
    }


def device_tree(nor: tuple[Region, ...], disabled: frozenset[str] = frozenset()) -> Tree:
    """Describe the board; `nor` are the partitions of its flash, `disabled` nodes of its SoC."""
    clock, gic = 1, 2

    def device(compatible: str, at: int, interrupt: int) -> Tree:
        return {"compatible": compatible, "reg": (at, 0x1000), "interrupts": (0, interrupt, 4)}

    partitions: Tree = {"compatible": "fixed-partitions", "#address-cells": 1, "#size-cells": 1}
    for region in nor:
        node: Tree = {"label": region.label, "reg": (region.at, region.size)}
        if region.label in {"fip", "factory"}:
            node["read-only"] = True
        partitions[f"partition@{region.at:x}"] = node
    flash: Tree = {
        "compatible": "jedec,spi-nor",
        "reg": 0,
        "spi-max-frequency": 50_000_000,
        "partitions": partitions,
    }
    bus: Tree = {"#address-cells": 1, "#size-cells": 0, "clocks": clock}
    soc: Tree = {
        "compatible": "simple-bus",
        "#address-cells": 1,
        "#size-cells": 1,
        "ranges": (0, 0, 0, 0x80000000),
        "interrupt-parent": gic,
        "interrupt-controller@1001000": {
            "compatible": "arm,gic-400",
            "reg": (0x1001000, 0x1000, 0x1002000, 0x2000),
            "#address-cells": 0,
            "#interrupt-cells": 3,
            "interrupt-controller": True,
            "phandle": gic,
        },
        "serial@2000000": {
            **device("snps,dw-apb-uart", 0x2000000, 10),
            "clocks": clock,
            "reg-shift": 2,
            "reg-io-width": 4,
        },
        "spi@2010000": {**device("snps,dw-apb-ssi", 0x2010000, 11), **bus, "flash@0": flash},
        "mmc@2020000": {
            **device("snps,dw-mshc", 0x2020000, 12),
            "clocks": (clock, clock),
            "clock-names": ["biu", "ciu"],
            "bus-width": 8,
            "non-removable": True,
        },
        "i2c@2030000": {
            **device("snps,designware-i2c", 0x2030000, 13),
            **bus,
            "rtc@68": {"compatible": "whimbrel,rtc", "reg": 0x68},
            "pressure@76": {"compatible": "whimbrel,tide", "reg": 0x76},
        },
        "gpio@2040000": {
            "compatible": "snps,dw-apb-gpio",
            "reg": (0x2040000, 0x1000),
            "#address-cells": 1,
            "#size-cells": 0,
            "gpio-port@0": {
                "compatible": "snps,dw-apb-gpio-port",
                "reg": 0,
                "gpio-controller": True,
                "#gpio-cells": 2,
                "ngpios": 32,
            },
        },
        "watchdog@2050000": {**device("snps,dw-wdt", 0x2050000, 15), "clocks": clock},
        "ethernet@2060000": {
            **device("snps,dwmac-4.20a", 0x2060000, 16),
            "interrupt-names": "macirq",
            "clocks": clock,
            "clock-names": "stmmaceth",
            "phy-mode": "rgmii-id",
        },
    }
    soc |= {
        name: {"status": "disabled", **node}
        for name, node in soc.items()
        if name in disabled and isinstance(node, dict)
    }
    return {
        "#address-cells": 2,
        "#size-cells": 2,
        "model": "Whimbrel tide-gauge logger",
        "compatible": ["whimbrel,logger-r1", "whimbrel,logger"],
        "aliases": {
            "serial0": "/soc@0/serial@2000000",
            "spi0": "/soc@0/spi@2010000",
            "mmc0": "/soc@0/mmc@2020000",
            "ethernet0": "/soc@0/ethernet@2060000",
        },
        "chosen": {"bootargs": "console=ttyS0,115200n8", "stdout-path": "serial0:115200n8"},
        "cpus": {
            "#address-cells": 1,
            "#size-cells": 0,
            "cpu@0": {
                "device_type": "cpu",
                "compatible": "arm,cortex-a53",
                "reg": 0,
                "enable-method": "psci",
            },
        },
        "psci": {"compatible": ["arm,psci-1.0", "arm,psci-0.2"], "method": "smc"},
        "timer": {
            "compatible": "arm,armv8-timer",
            "interrupt-parent": gic,
            "interrupts": (1, 13, 0xF08, 1, 14, 0xF08, 1, 11, 0xF08, 1, 10, 0xF08),
        },
        "memory@80000000": {"device_type": "memory", "reg": (0, 0x80000000, 0, 0x20000000)},
        "reserved-memory": {
            "#address-cells": 2,
            "#size-cells": 2,
            "ranges": True,
            "secure-monitor@9fe00000": {"reg": (0, 0x9FE00000, 0, 0x200000), "no-map": True},
        },
        "clock": {
            "compatible": "fixed-clock",
            "#clock-cells": 0,
            "clock-frequency": 50_000_000,
            "phandle": clock,
        },
        "soc@0": soc,
    }
