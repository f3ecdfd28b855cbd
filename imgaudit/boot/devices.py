"""U-Boot's commands for flash chips and disks: sf, mtd, nand, mmc and others."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from imgaudit.boot.call import NOR, Call, Done, Function, moved, span_of
from imgaudit.boot.records import BLOCK, Cause, Kind, Oddity, Reason
from imgaudit.boot.values import Text, is_number, number
from imgaudit.errors import FormatError
from imgaudit.maps import mtdparts
from imgaudit.maps.entry import MapEntry
from imgaudit.units import Span, round_up


def _place(call: Call, index: int, chip: str) -> tuple[str, int | None, int | None, str | None]:
    """Read a flash offset or the name of an MTD partition: device, offset, bytes to its end, name.

    Source: U-Boot common/mtd, `mtd_arg_off`: what is no number is a partition.
    """
    text = call.text(index)
    if text is None or is_number(text):
        offset = call.number(index)
        size = call.world.sizes.get(chip)
        rest = None if size is None or offset is None else max(0, size - offset)
        return chip, offset, rest, None
    device, span = mtd_of(call, text)
    if span is None:
        return device or chip, None, None, text
    return device or chip, span.start, span.size, text


def mtd_of(call: Call, name: str) -> tuple[str | None, Span | None]:
    """Find an MTD device or partition by its name."""
    if name in call.world.mtd:
        return call.world.mtd[name]
    listed = call.state.get("mtdparts")
    for chip, index, part in _parts(listed.plain or "") if listed else ():
        device = _chip(chip)
        if name in {part.label, f"{chip},{index}"}:
            size = part.size
            whole = call.world.sizes.get(device or "")
            if size is None and part.offset is not None and whole is not None:
                size = whole - part.offset
            return device, None if size is None or size <= 0 else span_of(part.offset, size)
    device = _chip(name)
    size = call.world.sizes.get(device) if device else None
    return device, None if size is None else Span(0, size)


def _parts(text: str) -> Iterator[tuple[str, int, MapEntry]]:
    """Give chip, number and partition of a list; U-Boot knows none of one that it refuses."""
    try:
        copies = mtdparts.parse(text, mtdparts.Consumer.UBOOT).copies()
    except FormatError:
        return
    for copy in copies:
        for index, entry in enumerate(copy.entries):
            yield copy.device, index, entry


def unlisted(call: Call, name: str | None) -> Cause | None:
    """Tell that U-Boot has no MTD of a name: mtdparts lists others, and it is no chip.

    Source: U-Boot drivers/mtd/mtd_uboot.c, mtd_probe_devices.
    """
    listed = call.state.get("mtdparts")
    text = listed.plain if listed is not None else None
    parts = list(_parts(text)) if text and name else []
    names = {label for chip, index, part in parts for label in (part.label, f"{chip},{index}")}
    if name is None or not parts or name in names or name in call.world.mtd or _chip(name):
        return None
    return Cause(Reason.NO_PARTITION, {"device": "mtdparts", "partition": name})


def _chip(name: str) -> str | None:
    """Map an MTD chip's name to a device: `nor0`, `spi0.0` and `nor0,3` are the NOR."""
    if name.startswith(("spi-nand", "nand")):
        return "nand0"
    return NOR if name.startswith(("nor", "spi", "mtd0")) else None


def _sf(call: Call) -> Done:
    verb = call.text(1)
    probed = call.state.selected.get("sf")
    if verb == "probe":
        where = call.text(2) or "0"
        device = NOR if where in {"0", "0:0"} else f"{NOR}@{where}"
        if device not in call.world.sizes:
            # most boards have one NOR, on whichever bus it is
            nors = [name for name in call.world.sizes if name.split("@")[0] == NOR]
            device = device if len(nors) > 1 else (nors or [NOR])[0]
        return Done(kind=Kind.SELECT, device=device, selects={"sf": device})
    device = probed or NOR
    oddity = None if "sf" in call.state.selected else Oddity.NO_PROBE
    if verb in {"read", "write", "update"}:
        device, offset, rest, name = _place(call, 3, device)
        size = call.number(4) if len(call.words) > 4 else rest
        done = moved(
            verb, device, span_of(offset, size), at=call.number(2), size=size, partition=name
        )
        return replace(done, oddity=oddity)
    if verb == "erase":
        device, offset, _, name = _place(call, 2, device)
        size = _erase_size(call, 3, device)
        return Done(
            kind=Kind.ERASE,
            device=device,
            partition=name,
            span=span_of(offset, size),
            oddity=oddity,
        )
    if verb == "protect":
        return Done(
            kind=Kind.PROTECT,
            device=device,
            span=span_of(call.number(3), call.number(4)),
            oddity=oddity,
        )
    return Done(kind=Kind.SHOW if verb == "test" else Kind.OTHER, device=device, oddity=oddity)


def _erase_size(call: Call, index: int, device: str) -> int | None:
    """Read an erase length; with a leading `+` it is rounded up to whole erase blocks (sf.rst)."""
    text = call.text(index)
    if text is None or not text.startswith("+"):
        return call.number(index)
    size, unit = number(text[1:]), call.world.erase.get(device)
    return size if unit is None else round_up(size, unit)


def _mtd_command(call: Call) -> Done:
    """`mtd read|write|erase name …` and `nand read|write|erase …` (doc/usage/cmd/mtd.rst)."""
    verb = (call.text(1) or "").partition(".")[0]
    if verb not in {"read", "write", "erase"}:
        return Done(kind=Kind.SHOW if verb == "list" else Kind.OTHER, choice=True)
    name_at = 2
    if (cause := unlisted(call, call.text(name_at))) is not None:
        return Done(kind=Kind.OTHER, succeeds=False, cause=cause)
    device, whole = mtd_of(call, call.text(name_at) or "")
    after = 3 if verb == "erase" else 4
    offset = call.number(after) if len(call.words) > after else 0
    size = call.number(after + 1)
    if size is None and len(call.words) <= after + 1 and whole is not None and offset is not None:
        size = max(0, whole.size - offset)
    base = None if whole is None or offset is None else whole.start + offset
    span, name = span_of(base, size), call.text(name_at)
    if verb == "erase":
        return Done(kind=Kind.ERASE, device=device, partition=name, span=span)
    return moved(verb, device, span, at=call.number(3), size=size, partition=name)


def _nand(call: Call) -> Done:
    verb = (call.text(1) or "").partition(".")[0]
    if verb in {"read", "write"}:
        device, offset, rest, name = _place(call, 3, "nand0")
        size = call.number(4) if len(call.words) > 4 else rest
        return moved(
            verb, device, span_of(offset, size), at=call.number(2), size=size, partition=name
        )
    if verb == "erase":
        device, offset, rest, name = _place(call, 2, "nand0")
        size = call.number(3) if len(call.words) > 3 else rest
        return Done(kind=Kind.ERASE, device=device, partition=name, span=span_of(offset, size))
    return Done(kind=Kind.OTHER, device="nand0")


_MMC_PARTS = ("", ".boot0", ".boot1", ".rpmb", ".gp1", ".gp2", ".gp3", ".gp4")
_SETS = {"partconf": 6, "rst-function": 4, "bootpart-resize": 5}
"""With how many words `mmc` sets what it shows otherwise, or refuses (cmd/mmc.c)."""


def hardware(device: int | None, part: int | None) -> str | None:
    """Name a hardware part of an eMMC, as `mmc dev` counts them; it refuses any above the last.

    Source: JEDEC JESD84-B51, PARTITION_ACCESS.
    """
    if device is None or part is None:
        return None
    return f"mmc{device}{_MMC_PARTS[part] if part < len(_MMC_PARTS) else f'.{part}'}"


def _mmc(call: Call) -> Done:
    verb = call.text(1)
    if verb in _SETS:
        device = hardware(call.number(2, 10), 0)
        sets: dict[str, Text | None] = {}
        name = call.text(3)
        if verb == "partconf" and len(call.words) == 4 and name:
            sets[name] = Text.unknown(name)
        kind = Kind.CONFIGURE if len(call.words) == _SETS[verb] else Kind.SHOW
        return Done(kind=kind, device=device, sets=sets)
    if verb == "dev":
        if len(call.words) < 3:
            return Done(kind=Kind.SHOW, device=call.state.selected.get("mmc", "mmc0"))
        part = call.number(3) if len(call.words) > 3 else 0
        device = hardware(call.number(2, 10), part)
        return Done(kind=Kind.SELECT, device=device, selects={"mmc": device})
    done = _block(call)
    if verb in {"hwpartition", "wp", "bkops", "setdsr", "bootbus"}:
        return Done(kind=Kind.CONFIGURE, device=done.device)
    if verb == "swrite":
        return Done(kind=Kind.WRITE, device=done.device)
    return done


def _block(call: Call) -> Done:
    """`mmc`, `usb`, `scsi`, `nvme`, `sata`, `ide`, `virtio`: blocks of 512 bytes."""
    interface, verb = call.name, call.text(1)
    device = call.state.selected.get(interface, f"{interface}0")
    if verb == "dev" and len(call.words) > 2:
        index = call.number(2, 10)  # drivers/block/blk-uclass.c, blk_common_cmd
        device = None if index is None else f"{interface}{index}"
        return Done(kind=Kind.SELECT, device=device, selects={interface: device})
    if verb in {"read", "write"}:
        at, start, count = call.number(2), call.number(3), call.number(4)
        size = None if count is None else count * BLOCK
        span = span_of(None if start is None else start * BLOCK, size)
        return moved(verb, device, span, at=at, size=size)
    if verb == "erase":
        start, count = call.number(2), call.number(3)
        if start is None or count is None:
            return Done(kind=Kind.ERASE, device=device)
        return Done(kind=Kind.ERASE, device=device, span=Span.sized(start * BLOCK, count * BLOCK))
    if verb in {"info", "part", "list", "tree", "storage"}:
        return Done(kind=Kind.SHOW, device=device, choice=True)
    return Done(kind=Kind.SELECT, device=device)


COMMANDS: dict[str, Function] = {
    "sf": _sf,
    "mtd": _mtd_command,
    "nand": _nand,
    "mmc": _mmc,
    **dict.fromkeys(("usb", "scsi", "sata", "ide", "nvme", "virtio", "pvblock"), _block),
}
