"""What a `root=` leads to, out of the layout and the copies of its map.

Source: Linux block/early-lookup.c and init/do_mounts.c; drivers/mtd/mtdcore.c for the numbers.
"""

from __future__ import annotations

from imgaudit.chips import EMMC
from imgaudit.contents.build import Build
from imgaudit.data import dataclass
from imgaudit.formats.fdt import FdtFacts
from imgaudit.formats.flat_tree import Node
from imgaudit.formats.gpt import Gpt
from imgaudit.formats.mbr import Mbr
from imgaudit.formats.ubi import Ubi
from imgaudit.maps.collect import Copies
from imgaudit.maps.command_line import Root, RootKind
from imgaudit.maps.entry import Kind
from imgaudit.model import Layout, Region
from imgaudit.units import counted

_UNKNOWN = "${"
_MMC = "mmc"
_HOSTS = frozenset({"mmc", "sdhci", "sdmmc", "emmc", "mshc", "dwmmc"})


@dataclass(frozen=True, slots=True)
class Target:
    """What a `root=` leads to: the region, where it is one, or why there is none."""

    region: Region | None = None
    why: str = ""


def target_of(build: Build, layout: Layout, copies: Copies, root: Root) -> Target | None:
    """Follow a `root=`; None where that cannot be known."""
    if _UNKNOWN in root.text:
        return None
    if root.kind in {RootKind.PARTITION_UUID, RootKind.PARTITION_LABEL, RootKind.DISK}:
        return _partition(build, layout, root)
    if root.kind is RootKind.MTD:
        return _mtd(layout, copies, root)
    if root.kind is RootKind.UBI:
        named = root.volume
        for node in build.of(Ubi):
            numbered = (item.name for item in node.facts.volumes if item.volume == root.partition)
            named = named or next(numbered, None)
        there = [region for region in layout.regions if region.holder and named in region.labels]
        if len(there) == 1:
            return Target(region=there[0])
        if named is None and root.partition is not None and list(build.of(Ubi)):
            return Target(why=f"the UBI images have no volume {root.partition}")
    if root.kind is RootKind.UBI and root.volume is not None:
        volumes = [node.facts.volumes for node in build.of(Ubi)]
        if volumes and not any(item.name == root.volume for each in volumes for item in each):
            names = ", ".join(sorted({item.name for each in volumes for item in each}))
            return Target(why=f"the UBI images have the volumes {names or 'none'}")
    return None


@dataclass(frozen=True, slots=True)
class _Disk:
    """The partitions of a chip: names by number, and numbers by identifier, where that is known."""

    names: dict[int, str]
    ids: dict[str, int] | None


def _partition(build: Build, layout: Layout, root: Root) -> Target | None:
    disks = _disks(build, layout)
    if root.kind is RootKind.DISK:
        return _numbered(build, layout, disks, root)
    if root.id is None or not any(disk.names or disk.ids for disk in disks.values()):
        return None
    for chip, disk in disks.items():
        if root.kind is RootKind.PARTITION_UUID:
            number = (disk.ids or {}).get(root.id.lower())
        else:
            number = next((at for at, name in disk.names.items() if name == root.id), None)
        if number is not None:
            return _target(layout, chip, disk, number + root.partition_offset)
    if root.kind is RootKind.PARTITION_UUID:
        # The identifiers are in the disk's own table only.
        if any(disk.ids is None for disk in disks.values()):
            return None
        return Target(why="no partition of the disk has that identifier")
    labels = [label for disk in disks.values() for label in disk.names.values() if label]
    if labels:
        return Target(why=f"the partitions are called {', '.join(dict.fromkeys(labels))}")
    return Target(why="the partitions of an MBR have no names")


def _numbered(build: Build, layout: Layout, disks: dict[str, _Disk], root: Root) -> Target | None:
    """Follow /dev/mmcblkXpN; other disks are none of the layout's."""
    name = (root.disk or "").removeprefix("mmcblk")
    if name == root.disk or root.partition is None or not name.isdecimal():
        return None
    found = hosts(build)
    if found and not any(host.has(int(name)) for host in found):
        said = sorted({at for host in found for at in host.numbers})
        return Target(why=f"the device tree numbers {', '.join(f'mmc{at}' for at in said)}")
    chips = {chip.name for chip in layout.chips.values() if chip.kind.device == _MMC}
    fixed = [chip.name for chip in layout.chips.values() if chip.kind is EMMC]
    known = {host.fixed for host in found} if found else {None}
    if len(fixed) == 1 and len(known) == 1 and None not in known:
        chips = set(fixed) if int(name) in known else chips - set(fixed)
    theirs = {chip: disk for chip, disk in disks.items() if chip in chips and disk.names}
    there = {chip: disk for chip, disk in theirs.items() if root.partition in disk.names}
    if theirs and not there:
        numbers = sorted({number for disk in theirs.values() for number in disk.names})
        return Target(why=f"the disk has the partitions {', '.join(map(str, numbers))}")
    if len(theirs) != 1 or len(chips) != 1:
        return Target() if theirs else None
    chip, disk = next(iter(theirs.items()))
    return _target(layout, chip, disk, root.partition)


def _target(layout: Layout, chip: str, disk: _Disk, number: int) -> Target:
    if number not in disk.names:
        numbers = ", ".join(map(str, sorted(disk.names)))
        return Target(why=f"the disk has the partitions {numbers}")
    return Target(region=layout.partition(chip, number))


def _disks(build: Build, layout: Layout) -> dict[str, _Disk]:
    """Give the tables of the disks by chip: their own, else what the layout has.

    An MBR has no names; its identifiers are made of the disk's (Linux block/partitions/msdos.c).
    """
    on_disk = [region for region in layout.regions if region.partition is not None]
    first = next((region.area for region in on_disk), "")
    disks: dict[str, _Disk] = {}
    for node in build.of(Gpt):
        disk = disks.setdefault(node.chip.name if node.chip is not None else first, _Disk({}, {}))
        for entry in node.facts.table.entries if node.facts.table is not None else ():
            disk.names.setdefault(entry.number, entry.name)
            if disk.ids is not None:
                disk.ids.setdefault(entry.unique_guid, entry.number)
    for found in build.of(Mbr):
        disk = disks.setdefault(found.chip.name if found.chip is not None else first, _Disk({}, {}))
        for record in found.facts.partitions:
            if not record.extended:
                disk.names.setdefault(record.number, "")
            if disk.ids is not None:
                identifier = f"{found.facts.record.disk_signature:08x}-{record.number:02x}"
                disk.ids.setdefault(identifier, record.number)
    for region in on_disk:
        if region.area not in disks or disks[region.area].ids is None:
            disk = disks.setdefault(region.area, _Disk({}, None))
            disk.names.setdefault(region.partition or 0, region.label)
    return disks


@dataclass(frozen=True, slots=True)
class Hosts:
    """The controllers of cards and eMMCs of a device tree, as Linux numbers them.

    `numbers` are those of the enabled ones that an alias names, `fixed` that of the only one of
    them that is not removable. Others count from `free` on, if there are `more`.
    Source: Linux drivers/mmc/core/host.c (mmc_alloc_host, mmc_first_nonreserved_index).
    """

    numbers: frozenset[int]
    fixed: int | None
    free: int
    more: bool

    def has(self, number: int) -> bool:
        """Tell whether a controller may have this number."""
        return number in self.numbers or (self.more and number >= self.free)


def hosts(build: Build) -> list[Hosts]:
    """Give the controllers of each device tree that has some.

    Often U-Boot's own tree numbers them, and that of Linux does not.
    """
    found = (_hosts(node.facts) for node in build.of(FdtFacts) if not node.facts.overlay)
    return [host for host in found if host is not None]


def is_host(node: Node) -> bool:
    """Tell a controller of cards and eMMCs by its name, where it is enabled."""
    return node.name.partition("@")[0] in _HOSTS and "@" in node.name and node.enabled()


def _hosts(facts: FdtFacts) -> Hosts | None:
    aliases = facts.tree.root.child("aliases")
    named: dict[int, Node] = {}
    reserved = []
    for name in aliases.properties if aliases is not None else ():
        number = name.removeprefix("mmc")
        if number == name or not number.isdecimal() or len(number) > 3:
            continue
        reserved.append(int(number))
        path = aliases.text(name) if aliases is not None else None
        node = facts.tree.get(path) if path is not None else None
        if node is not None and node.enabled():
            named[int(number)] = node
    fixed = [number for number, node in named.items() if "non-removable" in node.properties]
    paths = {node.path for node in named.values()}
    more = any(is_host(node) and node.path not in paths for node in facts.tree.root.walk())
    if not named and not more:
        return None
    return Hosts(
        numbers=frozenset(named),
        fixed=fixed[0] if len(fixed) == 1 else None,
        free=max(reserved, default=-1) + 1,
        more=more,
    )


def _mtd(layout: Layout, copies: Copies, root: Root) -> Target | None:
    regions = [region for region in layout.regions if layout.chips[region.chip].kind.mtd]
    maps = [copy for copy in copies.maps if copy.says.in_use]
    lists = [copy for copy in maps if copy.says.kind is Kind.MTDPARTS]
    maps = [copy for copy in maps if copy.says.kind is Kind.DEVICE_TREE] or lists
    by_label = {label: region for region in regions for label in region.labels}
    if root.volume is not None:
        entries = {
            entry.label: _at(regions, entry.offset) for copy in maps for entry in copy.says.entries
        }
        labels = entries | by_label
        if root.volume in labels:
            return Target(region=labels[root.volume])
        return Target(why=f"the partitions are called {', '.join(labels)}")
    chips = {region.chip for region in regions}
    if root.partition is None or not maps or len(chips) > 1:
        return None
    table = maps[0]
    if root.partition >= len(table.says.entries):
        return Target(
            why=f"{table.place} has {counted(len(table.says.entries), 'partition')}, from 0"
        )
    entry = table.says.entries[root.partition]
    return Target(region=by_label.get(entry.label) or _at(regions, entry.offset))


def _at(regions: list[Region], offset: int | None) -> Region | None:
    return next((region for region in regions if region.at == offset), None)
