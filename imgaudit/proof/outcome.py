"""How a command ends on sound hardware, by the facts: it succeeds, it fails, or nobody can know.

A chip that the layout has works. What it does not have (USB, network, buttons) may be there or not.

Source: U-Boot fs/fs.c and disk/part.c for what `load` refuses, cmd/*.c for what comes back as a
failure.
"""

from __future__ import annotations

from collections.abc import Mapping

from imgaudit.boot.call import Done
from imgaudit.boot.media import find_device, find_file, partition_named
from imgaudit.boot.records import Cause, Kind, Operation, Reason, World
from imgaudit.boot.values import Text
from imgaudit.data import dataclass
from imgaudit.units import Span


@dataclass(frozen=True, slots=True)
class Outcome:
    """`succeeds` is None where it cannot be known; `why` says the reason.

    `outside` names the device that the layout does not have and on which it depends, `medium` what
    nothing is known of: such a device, or a partition that was not read.
    """

    succeeds: bool | None
    why: str = ""
    outside: str = ""
    medium: str = ""


_WORKS = Outcome(True)
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
    operation: Operation, done: Done, world: World, selected: Mapping[str, str | None]
) -> Outcome:
    """Tell how a command ends.

    `done.succeeds` is what the command itself knows already, `selected` the devices in use.
    """
    words = operation.arguments
    if done.cause is not None and done.cause.reason is Reason.NOT_BUILT_IN:
        return _caused(False, done.cause, operation.device or "")
    if words[:1] == ("sf",) and operation.kind is not Kind.SELECT and "sf" not in selected:
        return Outcome(False, "no sf probe comes before it")  # cmd/sf.c: "No SPI flash selected"
    lost = words[:1] == ("ubi",) and words[1:2] != ("part",) and not world.attached
    if lost and world.attachable and "ubi" not in selected:
        return Outcome(False, "no ubi part comes before it")  # "no UBI device selected"
    if done.succeeds is not None:
        if done.succeeds or done.cause is None:
            return Outcome(done.succeeds, "" if done.succeeds else _refused(operation))
        return _caused(False, done.cause, operation.device or "")
    if done.cause is not None:
        return _caused(None, done.cause, operation.device or "")
    if operation.kind is Kind.TEST and (told := _asked(operation, world)) is not None:
        return told
    if operation.kind is Kind.UNKNOWN:
        name = operation.arguments[0] if operation.arguments else ""
        return Outcome(None, f"which command {name} is, is not known")
    if operation.kind is Kind.RUN:
        return _WORKS  # what it runs decides
    if operation.device is not None and operation.kind in _ON_CHIP:
        return _on_device(operation, world)
    if operation.kind in _SETTINGS:
        return _WORKS
    if operation.kind in {Kind.READ, Kind.LOAD, Kind.SELECT}:
        return Outcome(None, "which device it means is not known")
    if (operation.arguments or ("",))[0].partition(".")[0] in _ALWAYS:
        return _WORKS
    return Outcome(None, "how it ends is only known on the board")


def _refused(operation: Operation) -> str:
    return "it always fails" if operation.kind is Kind.TEST else "it fails"


def _caused(succeeds: bool | None, cause: Cause, device: str) -> Outcome:
    """Say what the facts say; a device that the layout does not have may yet be there."""
    outside = device if cause.reason is Reason.DEVICE_OUTSIDE else ""
    medium = outside
    if cause.reason is Reason.FILE_SYSTEM_UNKNOWN:
        medium = str(cause.operands.get("volume", ""))
    elif cause.reason in {Reason.PARTITION_UNKNOWN, Reason.PARTITIONS_UNKNOWN}:
        medium = f"some partition of {device}"
    return Outcome(succeeds, str(cause), outside, "" if succeeds is not None else medium)


def _asked(operation: Operation, world: World) -> Outcome | None:
    """Answer `test -e interface device:partition path`, as far as it has a reason."""
    words = operation.arguments
    at = words.index("-e") if "-e" in words else len(words)
    interface, where, path = (*words[at + 1 : at + 4], "", "", "")[:3]
    number, colon, partition = where.partition(":")
    if not path or not colon or "${" in number:
        return None
    device = f"{interface}{Text.of(number).number()}"
    named = partition_named(world, device, None if "${" in partition else partition)
    found = find_file(world, device, named, None if "${" in path else Text.of(path))
    return None if found.cause is None else _caused(None, found.cause, device)


def _on_device(operation: Operation, world: World) -> Outcome:
    device = operation.device or ""
    found = find_device(world, device)
    if found.cause is not None:
        return _WORKS if device.startswith("ubi") else _caused(found.there, found.cause, device)
    size, span = world.sizes.get(device), operation.span
    if span is None and operation.kind is Kind.READ:
        return Outcome(None, "which bytes it reads is not known")
    moves = operation.kind in {Kind.READ, Kind.WRITE, Kind.ERASE, Kind.UPDATE}
    if moves and span is not None and size is not None and not Span(0, size).contains(span):
        return Outcome(False, f"{device} ends at {size:#x}")
    return _WORKS
