"""Where root= leads on several disks.

Source: Linux drivers/mmc/core/host.c (mmc_alloc_host): an alias numbers a controller, and all
others count from behind the last alias.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping
from uuid import UUID

import pytest

from imgaudit.contents.build import MemoryStore, read
from imgaudit.contents.reader import Loader
from imgaudit.layout.load import parse
from imgaudit.maps.collect import collect
from imgaudit.maps.command_line import parse_root
from imgaudit.maps.root import Target, target_of
from imgaudit.rules.samples import board_tree
from imgaudit.rules.ubi import ubi
from imgaudit.writers.fdt import Tree
from imgaudit.writers.gpt import Partition, gpt

_LAYOUT = """\
layout: 1
board: heron
arch: arm64
chips:
  nor: {kind: spi-nor, size: 1 MiB, erase-block: 64 KiB}
  emmc: {kind: emmc, sectors: 524288}
regions:
  - {name: tree, chip: nor, at: 0, size: 64 KiB, holds: fdt, writer: release, file: tree}
  - {name: boot, chip: emmc, partition: 1, at: 1 MiB, size: 8 MiB, holds: ext4, writer: release}
  - {name: root, chip: emmc, partition: 2, at: 16 MiB, size: 8 MiB, holds: ext4, writer: release}
stages:
  main: {regions: [tree, boot, root], entry: bootcmd}
"""
_CARD = _LAYOUT.replace(
    "regions:\n  - {", "  card: {kind: sd, sectors: 524288}\nregions:\n  - {", 1
)
_CARD = _CARD.replace(
    "stages:",
    "  - {name: spare, chip: card, partition: 5, at: 1 MiB, size: 8 MiB, holds: ext4,\n"
    "     writer: release}\nstages:",
)
_HOSTS: Tree = {
    "mmc@1000": {"reg": (0x1000, 0x100), "non-removable": b""},
    "mmc@2000": {"reg": (0x2000, 0x100)},
}
_BOTH: Tree = {"aliases": {"mmc0": "/mmc@1000", "mmc1": "/mmc@2000"}}
_OFF: Tree = {
    "aliases": {"mmc0": "/mmc@1000", "mmc1": "/mmc@2000", "mmc2": "/gone", "serial0": "/mmc@2000"},
    "mmc@2000": {"reg": (0x2000, 0x100), "status": "disabled"},
}
_ONE: Tree = {"aliases": {"mmc1": "/mmc@1000"}}


@pytest.mark.parametrize(
    ("layout", "aliases", "root", "found"),
    [
        (_LAYOUT, {}, "mmcblk0p2", "root"),
        (_LAYOUT, {}, "mmcblk5p2", "root"),  # nothing numbers it
        (_LAYOUT, {}, "mmcblk0p3", "the disk has the partitions 1, 2"),
        (_LAYOUT, {}, "sda2", None),
        (_LAYOUT, _BOTH, "mmcblk0p2", "root"),
        (_LAYOUT, _BOTH, "mmcblk1p2", None),  # a card that the layout does not have
        (_LAYOUT, _BOTH, "mmcblk2p2", "the device tree numbers mmc0, mmc1"),
        (_LAYOUT, _ONE, "mmcblk1p2", "root"),
        (_LAYOUT, _ONE, "mmcblk0p2", "the device tree numbers mmc1"),
        (_LAYOUT, _ONE, "mmcblk2p2", None),  # the other controller
        (_CARD, {}, "mmcblk0p2", "which disk"),
        (_CARD, {}, "mmcblk0p7", "the disk has the partitions 1, 2, 5"),
        (_CARD, _BOTH, "mmcblk0p2", "root"),
        (_CARD, _BOTH, "mmcblk0p5", "the disk has the partitions 1, 2"),
        (_CARD, _BOTH, "mmcblk1p5", "spare"),
        (_CARD, _BOTH, "mmcblk1p2", "the disk has the partitions 5"),
        (_CARD, {}, "PARTLABEL=spare", "spare"),
        (_CARD, {}, "PARTUUID=01234567-02", None),  # no table is at hand
        (_LAYOUT, {}, "UUID=01234567", None),  # an initial ramdisk looks for it
        (_LAYOUT, {}, "PARTLABEL=", "the partitions are called boot, root"),
        (_LAYOUT, _OFF, "mmcblk0p2", "root"),
        (_LAYOUT, _OFF, "mmcblk1p2", "the device tree numbers mmc0"),
    ],
)
def test_which_partition(layout: str, aliases: Tree, root: str, found: str | None) -> None:
    given = {"tree": lambda: board_tree({**_HOSTS, **aliases} if aliases else {})}
    said = parse(layout.encode(), "heron.yaml")
    with Loader() as loader:
        build = read(said, MemoryStore(given, loader))
    target = target_of(build, said, collect(build), parse_root(root))
    if found is None:
        assert target is None
    elif found == "which disk":
        assert target is not None
        assert (target.region, target.why) == (None, "")
    else:
        assert target is not None
        assert found == (target.why or (target.region and target.region.name))


@pytest.mark.parametrize(
    ("linux", "root", "found"),
    [
        ({}, "mmcblk0p2", "root"),
        ({}, "mmcblk0p3", "the disk has the partitions 1, 2"),
        (_ONE, "mmcblk0p2", "the device tree numbers mmc1"),
        ({"mmc@2000": ()}, "mmcblk0p2", "root"),
    ],
)
def test_the_tree_of_u_boot_does_not_number_for_linux(linux: Tree, root: str, found: str) -> None:
    """Source: U-Boot arch/arm/dts/sunxi-u-boot.dtsi has an alias that Linux' trees did not have."""
    layout = _LAYOUT.replace(
        "chip: emmc, partition: 1,",
        "chip: nor, at: 64 KiB, size: 64 KiB, holds: fdt, file: own,\n"
        "     writer: release}\n  - {name: first, chip: emmc, partition: 1,",
    )
    layout = layout.replace("name: boot", "name: own").replace("[tree, boot", "[tree, own")
    given = {
        "tree": lambda: board_tree({**_HOSTS, **linux}),
        "own": lambda: board_tree({**_HOSTS, **_ONE}),
    }
    said = parse(layout.encode(), "heron.yaml")
    with Loader() as loader:
        build = read(said, MemoryStore(given, loader))
    target = target_of(build, said, collect(build), parse_root(root))
    assert target is not None
    assert found == (target.why or (target.region and target.region.name))


def led(layout: str, root: str, files: Mapping[str, bytes]) -> Target | None:
    said = parse(layout.encode(), "heron.yaml")
    made = {name: lambda data=data: data for name, data in files.items()}
    with Loader() as loader:
        build = read(said, MemoryStore(made, loader))
    return target_of(build, said, collect(build), parse_root(root))


def told(found: Target | None) -> str | None:
    if found is None:
        return None
    return found.why or (found.region.name if found.region is not None else "which region")


FIRST, SECOND = (UUID(f"0000000{number}-0000-4000-8000-0123456789ab") for number in (1, 2))
_DISK = _LAYOUT.replace("sectors: 524288}", "sectors: 65536, image: disk}")
_GPT = gpt(
    65536,
    UUID(int=5),
    (
        Partition("boot", UUID(int=6), FIRST, 1 << 20, 8 << 20),
        Partition("rootfs", UUID(int=6), SECOND, 16 << 20, 8 << 20),
    ),
).whole()
_MBR = (
    bytes(440)
    + (0x1234ABCD).to_bytes(4, "little")
    + bytes(2)
    + struct.pack("<B3xB3xII", 0, 0x83, 2048, 16384)
    + struct.pack("<B3xB3xII", 0, 0x83, 32768, 16384)
    + bytes(32)
    + b"\x55\xaa"
).ljust(32 << 20, b"\0")


@pytest.mark.parametrize(
    ("disk", "root", "found"),
    [
        (_GPT, f"PARTUUID={FIRST}", "boot"),
        (_GPT, f"PARTUUID={str(SECOND).upper()}", "root"),
        (_GPT, f"PARTUUID={FIRST}/PARTNROFF=1", "root"),
        (_GPT, f"PARTUUID={FIRST}/PARTNROFF=2", "the disk has the partitions 1, 2"),
        (_GPT, f"PARTUUID={UUID(int=9)}", "no partition of the disk has that identifier"),
        # The table's own name counts, not the layout's.
        (_GPT, "PARTLABEL=rootfs", "root"),
        (_GPT, "PARTLABEL=root", "the partitions are called boot, rootfs"),
        # Linux block/partitions/msdos.c: the disk's signature and the partition's number.
        (_MBR, "PARTUUID=1234abcd-02", "root"),
        (_MBR, "PARTUUID=1234ABCD-01", "boot"),
        (_MBR, "PARTUUID=1234abcd-03", "no partition of the disk has that identifier"),
        (_MBR, "PARTLABEL=root", "the partitions of an MBR have no names"),
        (_MBR, "/dev/mmcblk0p2", "root"),
        (_GPT, "PARTUUID=${uuid}", None),
    ],
)
def test_a_root_by_identifier_or_name(disk: bytes, root: str, found: str | None) -> None:
    assert told(led(_DISK, root, {"disk": disk, "tree": board_tree({})})) == found


_NOR = """\
layout: 1
board: heron
arch: arm
chips:
  nor: {kind: spi-nor, size: 1 MiB, erase-block: 64 KiB}
regions:
  - {name: loader, chip: nor, at: 0, size: 64 KiB, holds: raw, writer: release}
  - {name: system, label: rootfs, chip: nor, at: 64 KiB, size: 128 KiB, holds: squashfs,
     writer: release}
  - {name: data, chip: nor, at: 192 KiB, size: rest, holds: jffs2, writer: runtime}
written-elsewhere: {mtdparts: "mtdparts=spi0.0:64k(u-boot),128k(rootfs),-(data)"}
"""


@pytest.mark.parametrize(
    ("root", "found"),
    [
        ("/dev/mtdblock0", "loader"),  # which the list calls otherwise
        ("/dev/mtdblock1", "system"),
        ("/dev/mtdblock2", "data"),
        ("/dev/mtdblock3", "mtdparts (heron.yaml) has 3 partitions, from 0"),
        ("mtd:rootfs", "system"),
        ("mtd:u-boot", "loader"),
        ("mtd:system", "the partitions are called u-boot, rootfs, data, loader"),
        ("mtd3", "mtdparts (heron.yaml) has 3 partitions, from 0"),
    ],
)
def test_a_root_on_an_mtd(root: str, found: str) -> None:
    assert told(led(_NOR, root, {})) == found


def test_an_mtd_is_numbered_by_a_list_and_on_one_chip_alone() -> None:
    unlisted = _NOR[: _NOR.index("written")]
    assert led(unlisted, "/dev/mtdblock1", {}) is None
    second = _NOR.replace(
        "regions:", "  more: {kind: spi-nor, size: 64 KiB, erase-block: 4 KiB}\nregions:"
    )
    more = "{name: more, chip: more, at: 0, size: 4 KiB, holds: raw, writer: release}"
    second = second.replace("written-", f"  - {more}\nwritten-")
    assert led(second, "/dev/mtdblock1", {}) is None
    assert told(led(second, "mtd:rootfs", {})) == "system"


_UBI = """\
layout: 1
board: heron
arch: arm
chips:
  nand: {kind: nand, size: 4 MiB, erase-block: 64 KiB, page: 2 KiB, bad-blocks: 0}
regions:
  - {name: ubi, chip: nand, at: 0, size: 1 MiB, holds: ubi, writer: release, file: ubi}
  - {name: system, label: rootfs, chip: nand/ubi, size: 300 KiB, holds: squashfs, writer: release}
"""


@pytest.mark.parametrize(
    ("root", "found"),
    [
        ("ubi0:rootfs", "system"),
        ("ubi:rootfs", "system"),
        ("ubi0_0", "system"),
        ("ubi0_1", "the UBI images have no volume 1"),
        ("ubi0:system", "the UBI images have the volumes rootfs"),
    ],
)
def test_a_root_on_a_volume_of_a_ubi(root: str, found: str) -> None:
    stored = ubi(64 << 10, 6, at=(2048, 4096), data=b"hsqs")
    assert told(led(_UBI, root, {"ubi": stored})) == found


def test_a_volume_that_neither_layout_nor_image_names_is_not_known() -> None:
    without = _UBI[: _UBI.index("  - {name: system")]
    assert led(without, "ubi0:rootfs", {}) is None
    assert led(without, "ubi0_0", {}) is None
