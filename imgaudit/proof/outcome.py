"""How a command ends on sound hardware, by the facts: it succeeds, it fails, or nobody can know.

A chip that the layout has works. What it does not have (USB, network, buttons) may be there or not.

Source: U-Boot fs/fs.c and disk/part.c for what `load` refuses, cmd/*.c for what comes back as a
failure.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from imgaudit.boot.board import LOST, Board
from imgaudit.boot.commands import Done
from imgaudit.boot.records import Kind, Operation, World
from imgaudit.formats.erofs import Erofs
from imgaudit.formats.ext import Ext
from imgaudit.formats.facts import Facts
from imgaudit.formats.fat import Fat
from imgaudit.formats.squashfs import Squashfs
from imgaudit.model import Region
from imgaudit.units import Span


@dataclass(frozen=True, slots=True)
class Outcome:
    """`succeeds` is None where it cannot be known; `why` says the reason.

    `outside` names the device that the layout does not have and on which it depends.
    """

    succeeds: bool | None
    why: str = ""
    outside: str = ""


_WORKS = Outcome(True)
_TAKES: dict[str, tuple[type[Facts], ...]] = {
    "fatload": (Fat,),
    "fatsize": (Fat,),
    "ext2load": (Ext,),
    "ext4load": (Ext,),
    "ext4size": (Ext,),
    "sqfsload": (Squashfs,),
    "erofsload": (Erofs,),
}
_SPOKEN: dict[type[Facts], str] = {
    Fat: "FAT",
    Ext: "ext2, ext3 or ext4",
    Squashfs: "squashfs",
    Erofs: "EROFS",
}
_ON_CHIP = frozenset(
    {Kind.SELECT, Kind.READ, Kind.LOAD, Kind.WRITE, Kind.ERASE, Kind.UPDATE, Kind.PROTECT}
    | {Kind.CONFIGURE, Kind.PARTITION, Kind.TEST, Kind.SHOW}
)
# What does its work on any sound board; others ask hardware or a person.
_ALWAYS = frozenset(
    {"led", "pmic", "regulator", "wdt", "clk", "mux", "bootstage", "video", "setcurs", "log"}
    | {"chpart", "protect", "blkcache", "usb_start", "virtio_scan", "pci", "mdio", "mii", "phy"}
    | {"bootcount", "bootdev", "bootmeth", "kaslrseed", "dcache", "icache", "cls", "bmp", "rtc"}
    | {"bdinfo", "version", "help", "md", "mtdparts", "coninfo", "printf", "date", "base", "osd"}
    | {"extension", "remoteproc", "rproc", "fpga", "bootaux", "ubifsumount", "nm", "mm", "spi"}
    | {"crc32", "hash", "sha1sum", "md5sum", "lsblk", "dm", "fsinfo", "tree", "efidebug"}
)
_SETTINGS = frozenset({Kind.SET, Kind.SAVE, Kind.FILL, Kind.COPY, Kind.TREE, Kind.UNPACK})


def outcome(
    operation: Operation, done: Done, world: World, board: Board, selected: Mapping[str, str | None]
) -> Outcome:
    """Tell how a command ends.

    `done.succeeds` is what the command itself knows already, `selected` the devices in use.
    """
    words = operation.arguments
    if words[:1] == ("sf",) and operation.kind is not Kind.SELECT and "sf" not in selected:
        return Outcome(False, "no sf probe comes before it")  # cmd/sf.c: "No SPI flash selected"
    if done.succeeds is not None:
        return Outcome(done.succeeds, "" if done.succeeds else _refused(operation, board))
    if operation.kind is Kind.UNKNOWN:
        name = operation.arguments[0] if operation.arguments else ""
        return Outcome(None, f"which command {name} is, is not known")
    if operation.device is not None and operation.kind in _ON_CHIP:
        return _on_device(operation, world, board)
    if operation.kind in _SETTINGS:
        return _WORKS
    if operation.kind in {Kind.READ, Kind.LOAD, Kind.SELECT}:
        return Outcome(None, "which device it means is not known")
    if (operation.arguments or ("",))[0].partition(".")[0] in _ALWAYS:
        return _WORKS
    return Outcome(None, "how it ends is only known on the board")


def _refused(operation: Operation, board: Board) -> str:
    if operation.kind is Kind.UNKNOWN:
        return f"no U-Boot has a command {operation.arguments[0]}, as far as is known"
    if operation.kind is Kind.TEST:
        return "it always fails"
    if operation.path is not None:
        region = board.partition(operation.device, operation.partition)
        where = region.name if region is not None else f"{operation.device}:{operation.partition}"
        return f"{where} has no file {operation.path}"
    return "it fails"


def _on_device(operation: Operation, world: World, board: Board) -> Outcome:
    device = operation.device or ""
    if device not in world.sizes and device.partition(".")[0] not in world.sizes:
        if device.startswith("ubi"):
            return _WORKS
        why = f"what {device} is, and whether it is there, the layout does not say"
        return Outcome(None, why, outside=device)
    size = world.sizes.get(device)
    span = operation.span
    if operation.kind in {Kind.READ, Kind.WRITE, Kind.ERASE, Kind.UPDATE}:
        if span is None and operation.kind is Kind.READ:
            return Outcome(None, "which bytes it reads is not known")
        if span is not None and size is not None and not Span(0, size).contains(span):
            return Outcome(False, f"{device} ends at {size:#x}")
        return _WORKS
    if operation.kind is Kind.LOAD:
        return _load(operation, world, board)
    if operation.kind is Kind.TEST:
        return _asked(operation, world, board)
    return _WORKS


def _asked(operation: Operation, world: World, board: Board) -> Outcome:
    """Answer `size`, `fstype` and `part` about a chip of the board."""
    if operation.path is not None:
        return _load(operation, world, board)
    partition = operation.partition
    if partition is None or (operation.device or "", partition) in world.partitions:
        return _WORKS
    return Outcome(False, f"{operation.device} has no partition {partition}")


def _load(operation: Operation, world: World, board: Board) -> Outcome:
    device, partition = operation.device or "", operation.partition
    if not partition and partition is not None:
        partition = "1"  # disk/part.c: without a number the first one, or the whole disk
    if partition is None or "${" in partition:
        return Outcome(None, f"which partition of {device} it means is not known")
    region = board.partition(device, partition)
    if region is None:
        known = any(item.partition is not None for item in board.regions(device))
        if known:
            return Outcome(False, f"{device} has no partition {partition}")
        return Outcome(None, f"the partitions of {device} are not in the layout")
    if operation.path is None or "${" in operation.path:
        return Outcome(None, "which file it means is not known")
    return _file(operation, (device, partition), region, world, board)


def _file(
    operation: Operation, place: tuple[str, str], region: Region, world: World, board: Board
) -> Outcome:
    content = board.content(region)
    path = (operation.path or "").lstrip("/")
    if content is None:
        return Outcome(None, f"what {region.name} holds is not known")
    takes = _TAKES.get(operation.arguments[0])
    if content.why == LOST:
        return Outcome(False, f"{region.name} is erased")
    if content.facts is None:
        return Outcome(None, f"what {region.name} holds could not be read")
    if takes is not None and not isinstance(content.facts, takes):
        wanted = _SPOKEN[takes[0]]
        return Outcome(False, f"{region.name} holds {content.format}, not {wanted}")
    there = any(
        (on, part) == place
        and (name == path or (place in world.caseless and name.lower() == path.lower()))
        for on, part, name in world.files
    )
    if there:
        return _WORKS
    if place in world.listed:
        return Outcome(False, f"{region.name} has no file {path}")
    if type(content.facts) not in _SPOKEN:
        return Outcome(False, f"{region.name} holds {content.format}, no file system")
    return Outcome(None, f"whether {region.name} has {path} is not known: its files are not listed")
