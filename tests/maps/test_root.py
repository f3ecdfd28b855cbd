"""Where root= leads on several disks.

Source: Linux drivers/mmc/core/host.c (mmc_alloc_host): an alias numbers a controller, and all
others count from behind the last alias.
"""

from __future__ import annotations

import pytest

from imgaudit.contents.build import MemoryStore, read
from imgaudit.contents.reader import Loader
from imgaudit.layout.load import parse
from imgaudit.maps.collect import collect
from imgaudit.maps.command_line import parse_root
from imgaudit.maps.root import target_of
from imgaudit.rules.samples import board_tree
from imgaudit.writers.fdt import Tree

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
