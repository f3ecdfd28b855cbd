"""What a `root=` leads to, out of the layout and the copies of its map.

Source: Linux block/early-lookup.c and init/do_mounts.c; drivers/mtd/mtdcore.c for the numbers.
"""

from __future__ import annotations

from imgaudit.contents.build import Build
from imgaudit.data import dataclass
from imgaudit.formats.gpt import Gpt
from imgaudit.formats.mbr import Mbr
from imgaudit.formats.ubi import Ubi
from imgaudit.maps.collect import Copies
from imgaudit.maps.command_line import Root, RootKind
from imgaudit.maps.entry import Kind
from imgaudit.model import Layout, Region
from imgaudit.units import counted

_UNKNOWN = "${"


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


def _partition(build: Build, layout: Layout, root: Root) -> Target | None:
    on_disk = [region for region in layout.regions if region.partition is not None]
    chips = {region.area for region in on_disk}
    numbers, ids = _tables(build)
    if not ids and not numbers:
        numbers = {region.partition or 0: region.label for region in on_disk}
    number: int | None = None
    if root.kind is RootKind.PARTITION_UUID:
        # The identifiers are in the disk's own table only.
        if not ids or root.id is None:
            return None
        number = ids.get(root.id.lower())
        if number is None:
            return Target(why="no partition of the disk has that identifier")
        number += root.partition_offset
    elif root.kind is RootKind.PARTITION_LABEL:
        labels = {label: number for number, label in reversed(numbers.items()) if label}
        number = labels.get(root.id or "")
        if number is None and labels:
            return Target(why=f"the partitions are called {', '.join(labels)}")
        if number is None and numbers:
            return Target(why="the partitions of an MBR have no names")
    elif root.disk is not None and root.disk.startswith("mmcblk") and root.partition is not None:
        number = root.partition
    if number is None or not numbers:
        return None
    if number not in numbers:
        return Target(why=f"the disk has the partitions {', '.join(map(str, sorted(numbers)))}")
    regions = [region for region in on_disk if region.partition == number]
    return Target(region=regions[0] if len(regions) == len(chips) == 1 else None)


def _tables(build: Build) -> tuple[dict[int, str], dict[str, int]]:
    """Give the names of the disks' partitions by number, and their numbers by identifier.

    An MBR has no names; its identifiers are made of the disk's (Linux block/partitions/msdos.c).
    """
    numbers: dict[int, str] = {}
    ids: dict[str, int] = {}
    for node in build.of(Gpt):
        for entry in node.facts.table.entries if node.facts.table is not None else ():
            numbers[entry.number] = entry.name
            ids[entry.unique_guid] = entry.number
    for disk in build.of(Mbr):
        for record in disk.facts.partitions:
            if not record.extended:
                numbers[record.number] = ""
            ids[f"{disk.facts.record.disk_signature:08x}-{record.number:02x}"] = record.number
    return numbers, ids


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
