"""Procedures that the build shows: what scripts of U-Boot and of the roots write to the chips.

A script's way is taken as if each step succeeds. Where a condition decides, each of its branches is
a way of its own; of several ways of one script, those that write what the script runs from are for
another slot, and are left out.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

from imgaudit import bounds
from imgaudit.boot.board import Board
from imgaudit.boot.found import Boots, Followed
from imgaudit.boot.records import Kind, Operation
from imgaudit.contents.build import Build
from imgaudit.data import dataclass
from imgaudit.maps import command_line
from imgaudit.maps.collect import Copies
from imgaudit.maps.root import target_of
from imgaudit.model import Act, Layout, Region, Update, UpdateStep, Where, Writer
from imgaudit.proof.cuts import U_BOOT, WAY
from imgaudit.rescue.computed import MTD_NAMED
from imgaudit.rescue.flashing import Deed, Deeds, Script

_WRITING = frozenset({Kind.WRITE, Kind.ERASE, Kind.UPDATE, Kind.SAVE, Kind.PARTITION})
_AS = {Kind.WRITE: Act.WRITE, Kind.UPDATE: Act.WRITE, Kind.ERASE: Act.ERASE}
MAX_STEPS = 64
"""Steps of one procedure that are followed."""


def procedures(
    build: Build,
    layout: Layout,
    copies: Copies,
    boots: Boots,
    scripts: Mapping[str, Sequence[Script]],
) -> tuple[Update, ...]:
    """Give the procedures that scripts are; `scripts` are those of each stage's root, by stage."""
    board = boots.board
    found: list[Update] = []
    if board is not None:
        found += _of_u_boot(layout, board, boots)
    for stage, each in scripts.items():
        for script in each:
            devices = _Devices(build, layout, copies)
            found += _of_script(layout, devices, stage, script)
    return tuple(found)


# U-Boot -------------------------------------------------------------------------------------------


def _of_u_boot(layout: Layout, board: Board, boots: Boots) -> Iterator[Update]:
    told: set[tuple[str, int, str]] = set()
    where = boots.place.where if boots.place is not None else layout.where
    for followed in boots.followed.values():
        writing = [one for one in followed.walk.operations if one.kind in _WRITING]
        places = {(one.variable, one.at, one.command) for one in writing}
        if not places - told:
            continue
        told |= places
        made = _u_boot_steps(board, writing, where)
        steps = tuple(bounds.within(made, MAX_STEPS, f"script {followed.entry}", "writes"))
        if steps:
            yield Update(
                where=where,
                name=followed.entry,
                by=U_BOOT,
                steps=steps,
                script=f"variable {followed.entry}",
                watched=_watched(followed, writing[0]),
            )


def _watched(followed: Followed, first: Operation) -> bool:
    """Tell whether a script of U-Boot starts a watchdog before it first writes."""
    before = followed.walk.operations[: first.index]
    return any(one.arguments[:2] == ("wdt", "start") for one in before)


def _u_boot_steps(board: Board, writing: Sequence[Operation], where: Where) -> Iterator[UpdateStep]:
    for operation in writing:
        said = operation.command
        if operation.kind is Kind.SAVE:
            yield UpdateStep(where=where, act=Act.SET, variables=operation.saves, said=said)
            continue
        device = (operation.device or "").partition(".")[0]
        if device and device not in board.devices and not device.startswith("ubi"):
            continue  # a medium that the layout does not have
        if operation.kind is Kind.PARTITION and device:
            chip = board.devices.get(device, "")
            if chip in board.layout.chips:  # no area of a chip, such as a UBI, takes a table
                yield UpdateStep(where=where, act=Act.TABLE, target=chip, said=said)
            continue
        regions = list(_touched(board, operation))
        for region in regions:
            yield UpdateStep(where=where, act=_AS[operation.kind], target=region.name, said=said)
        if not regions:
            yield UpdateStep(where=where, act=Act.UNKNOWN, said=said)


def _touched(board: Board, operation: Operation) -> Iterator[Region]:
    """Give the regions that a command writes; none where that is not known."""
    if operation.path is not None:
        region = board.partition(operation.device, operation.partition)
        if region is not None:
            yield region
    elif operation.span is not None:
        for region in board.regions(operation.device):
            if region.span.overlaps(operation.span):
                yield region


# Shell scripts ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Devices:
    """Finds what a device's path means on the running system."""

    build: Build
    layout: Layout
    copies: Copies

    def region(self, path: str) -> Region | None:
        """Give the region behind `/dev/mtd3`, `/dev/mmcblk0p2`, `/dev/disk/by-partlabel/…`."""
        name = path.removeprefix("/dev/")
        for start, word in (
            ("disk/by-partlabel/", "PARTLABEL="),
            ("disk/by-partuuid/", "PARTUUID="),
        ):
            if name.startswith(start):
                return self._root(word + name.removeprefix(start))
        name = name.removeprefix("mtdblock" if name.startswith(f"mtdblock{MTD_NAMED}") else "")
        name = name.removeprefix("mtd" if name.startswith(f"mtd{MTD_NAMED}") else "")
        if name.startswith(MTD_NAMED):
            label = name.removeprefix(MTD_NAMED)
            named = [one for one in self.layout.regions if label in one.labels]
            return named[0] if len(named) == 1 else None
        number = name.removeprefix("mtd").removeprefix("block")
        if name.startswith("mtd") and number.isdecimal():
            return self._root(f"/dev/mtdblock{number}")
        return self._root(path)

    def volumes(self, pairs: Sequence[tuple[str, str]]) -> tuple[tuple[str, str], ...]:
        """Give the regions of volumes that are renamed; empty where one of them is none."""
        named = {
            label: one.name for one in self.layout.regions if one.holder for label in one.labels
        }
        if any(old not in named for old, _ in pairs):
            return ()
        return tuple((named[old], named[new]) for old, new in pairs if new in named)

    def _root(self, text: str) -> Region | None:
        root = command_line.parse(f"root={text}").root
        target = None if root is None else target_of(self.build, self.layout, self.copies, root)
        return None if target is None else target.region

    def chip(self, path: str) -> str | None:
        """Give the chip that a whole disk's path means, where there is only one that it can be."""
        disk = path.removeprefix("/dev/")
        known = disk.startswith("mmcblk") and disk.removeprefix("mmcblk").isdecimal()
        named = [chip.name for chip in self.layout.chips.values() if chip.kind.sectors]
        return named[0] if known and len(named) == 1 else None


def _of_script(layout: Layout, devices: _Devices, stage: str, script: Script) -> Iterator[Update]:
    where = layout.stages[stage].where
    for number, deeds in enumerate(script.ways, 1):
        made = _steps(devices, deeds, where)
        steps = tuple(bounds.within(made, MAX_STEPS, script.path, "writes"))
        way = f"{WAY}{number}" if len(script.ways) > 1 else ""
        if steps:
            yield Update(
                where=where,
                name=f"{script.path}{way}",
                by=stage,
                steps=steps,
                script=f"line {deeds[0].line}",
                watched=script.watched,
            )


def _steps(devices: _Devices, deeds: Deeds, where: Where) -> Iterator[UpdateStep]:
    for deed in deeds:
        blank = UpdateStep(where=where, act=Act.UNKNOWN, said=deed.said)
        if deed.act is Act.SET and deed.variables is not None:
            yield replace(blank, act=Act.SET, variables=deed.variables)
        elif deed.act is Act.REBOOT:
            yield replace(blank, act=Act.REBOOT)
        elif deed.act is Act.TABLE and deed.device is not None:
            chip = devices.chip(deed.device)
            yield blank if chip is None else replace(blank, act=Act.TABLE, target=chip)
        elif deed.path:
            yield from _file_written(devices, deed, blank)
        elif deed.act in {Act.WRITE, Act.ERASE} and deed.device is not None:
            yield _written(devices, deed, blank)
        elif deed.act is Act.RENAME and deed.renames:
            pairs = devices.volumes(deed.renames)
            yield replace(blank, act=Act.RENAME, renames=pairs) if pairs else blank
        else:
            yield blank


def _file_written(devices: _Devices, deed: Deed, blank: UpdateStep) -> Iterator[UpdateStep]:
    """Give the write of a file: of what the unit itself writes there, nothing starts."""
    region = devices.region(deed.device or "")
    if region is None or region.writer is not Writer.RELEASE:
        return
    if deed.act is Act.UNKNOWN:
        yield blank
    else:
        yield replace(blank, act=Act.WRITE, target=region.name, flushed=deed.flushed)


def _written(devices: _Devices, deed: Deed, blank: UpdateStep) -> UpdateStep:
    region = devices.region(deed.device or "")
    if region is None:
        return blank
    return replace(
        blank,
        act=deed.act,
        target=region.name,
        erases_first=deed.erases_first,
        flushed=deed.flushed,
    )
