"""What U-Boot's commands do, as far as artifacts, RAM and the flow of a script are concerned.

One function per command, registered in `COMMANDS`; it looks and tells, the walker acts. Numbers are
hex unless a command's documentation says otherwise.

Source: U-Boot doc/usage/cmd/*.rst and the help texts in cmd/*.c.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import field

from imgaudit.boot import flows
from imgaudit.boot.deciding import decide_itest, decide_test
from imgaudit.boot.media import (
    find_device,
    find_file,
    find_partition,
    find_system,
    partition_named,
    table_entry,
)
from imgaudit.boot.records import BLOCK, Cause, Gap, Kind, Oddity, Reason, World
from imgaudit.boot.state import State
from imgaudit.boot.values import Hole, Text, is_number, number
from imgaudit.data import dataclass
from imgaudit.errors import FormatError
from imgaudit.maps import mtdparts
from imgaudit.maps.entry import MapEntry
from imgaudit.units import Span, round_up

NOR = "nor"
_WIDTHS = {"b": 1, "w": 2, "l": 4, "q": 8}


@dataclass(frozen=True, slots=True)
class Call:
    """A command about to run."""

    words: Sequence[Text]
    state: State
    world: World

    @property
    def name(self) -> str:
        """The command itself."""
        return self.words[0].plain or ""

    def text(self, index: int) -> str | None:
        """Give an argument's text; None where it is missing or unknown."""
        return self.words[index].plain if index < len(self.words) else None

    def number(self, index: int, base: int = 16) -> int | None:
        """Give an argument as a number; None where it is missing or unknown."""
        return self.words[index].number(base) if index < len(self.words) else None

    def value(self, name: str) -> int | None:
        """Give a variable as a hex number."""
        text = self.state.get(name)
        return None if text is None else text.number()

    @property
    def width(self) -> int:
        """The bytes that `.b`, `.w`, `.l` or `.q` mean; 4 without one."""
        return _WIDTHS.get(self.name.partition(".")[2], 4)


@dataclass(frozen=True, slots=True, kw_only=True)
class Start:
    """What a boot command is told to start."""

    kernel: int | None = None
    config: str | None = None
    ramdisk: int | None = None
    ramdisk_size: int | None = None
    fdt: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Done:
    """What a command does.

    `succeeds` is None where it may also fail; `choice` then tells that nothing has to break for
    that. Where it is true, `breaks` tells that hardware does it and can fail. `cause` is why it
    fails, or why that is not known. `sets` changes variables (None deletes), `always` does so also
    on failure. `fills` is an address that holds new content of `fills_size` bytes. `runs` names
    variables to run in turn, `any_of` those of which one is run, `source_at` the address of a
    script to run, `imports_at` of variables to import (only `imports`, where it names some),
    `configuration` the device and partition of an extlinux.conf that is at `path`. `exits` leaves
    the innermost script. `script` is one that does the same. `ends` never comes back: "reset",
    "power off" or "loop".
    """

    kind: Kind
    succeeds: bool | None = None
    choice: bool = False
    breaks: bool = False
    cause: Cause | None = None
    device: str | None = None
    partition: str | None = None
    path: str | None = None
    span: Span | None = None
    fills: int | None = None
    fills_size: int | None = None
    source: Span | None = None
    sets: Mapping[str, Text | None] = field(default_factory=dict)
    always: Mapping[str, Text | None] = field(default_factory=dict)
    selects: Mapping[str, str | None] = field(default_factory=dict)
    runs: tuple[str, ...] = ()
    any_of: tuple[str, ...] = ()
    source_at: int | None = None
    imports_at: int | None = None
    imports: tuple[str, ...] = ()
    configuration: tuple[str | None, str | None] | None = None
    script: str | None = None
    start: Start | None = None
    ends: str = ""
    exits: bool = False
    oddity: Oddity | None = None
    unresolved: Gap | None = None


Function = Callable[[Call], Done]


def known(name: str) -> Function | None:
    """Find what a command does; a width suffix (`cp.b`) is not part of its name."""
    return COMMANDS.get(name) or COMMANDS.get(name.partition(".")[0])


@functools.lru_cache(maxsize=1024)
def abbreviates(name: str) -> bool:
    """Tell whether U-Boot may take a word for a longer command (common/command.c, `find_cmd_tbl`).

    It does where only one command of the build starts so; which ones there are is not known.
    """
    short = name.partition(".")[0]
    return bool(short) and any(command.startswith(short) for command in COMMANDS)


def _span(start: int | None, size: int | None) -> Span | None:
    return None if start is None or size is None else Span.sized(start, size)


def _hex(value: int | None, name: str) -> Text:
    return Text.unknown(name) if value is None else Text.of(f"{value:x}")


def _loaded(size: int | None, at: int | None) -> dict[str, Text | None]:
    return {"filesize": _hex(size, "filesize"), "fileaddr": _hex(at, "fileaddr")}


# Devices ------------------------------------------------------------------------------------------


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
    device, span = _mtd(call, text)
    if span is None:
        return device or chip, None, None, text
    return device or chip, span.start, span.size, text


def _mtd(call: Call, name: str) -> tuple[str | None, Span | None]:
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
            return device, None if size is None or size < 0 else _span(part.offset, size)
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


def _unlisted(call: Call, name: str | None) -> Cause | None:
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
    oddity = None if probed or "sf" in call.state.selected else Oddity.NO_PROBE
    if verb in {"read", "write", "update"}:
        device, offset, rest, name = _place(call, 3, device)
        size = call.number(4) if len(call.words) > 4 else rest
        span, at = _span(offset, size), call.number(2)
        if verb == "read":
            return Done(
                kind=Kind.READ,
                device=device,
                partition=name,
                span=span,
                fills=at,
                fills_size=size,
                oddity=oddity,
            )
        kind = Kind.WRITE if verb == "write" else Kind.UPDATE
        return Done(
            kind=kind,
            device=device,
            partition=name,
            span=span,
            source=_span(at, size),
            oddity=oddity,
        )
    if verb == "erase":
        device, offset, _, name = _place(call, 2, device)
        size = _erase_size(call, 3, device)
        return Done(
            kind=Kind.ERASE, device=device, partition=name, span=_span(offset, size), oddity=oddity
        )
    if verb == "protect":
        return Done(
            kind=Kind.PROTECT,
            device=device,
            span=_span(call.number(3), call.number(4)),
            oddity=oddity,
        )
    return Done(kind=Kind.SHOW if verb == "test" else Kind.OTHER, device=device, oddity=oddity)


def _erase_size(call: Call, index: int, device: str) -> int | None:
    """Read an erase length; with a leading `+` it is rounded up to whole erase blocks (sf.rst)."""
    text = call.text(index)
    if text is None or not text.startswith("+"):
        return call.number(index)
    size = Text.of(text[1:]).number()
    unit = call.world.erase.get(device)
    return size if size is None or unit is None else round_up(size, unit)


def _mtd_command(call: Call) -> Done:
    """`mtd read|write|erase name …` and `nand read|write|erase …` (doc/usage/cmd/mtd.rst)."""
    verb = (call.text(1) or "").partition(".")[0]
    if verb not in {"read", "write", "erase"}:
        return Done(kind=Kind.SHOW if verb == "list" else Kind.OTHER, choice=True)
    name_at = 2
    if (cause := _unlisted(call, call.text(name_at))) is not None:
        return Done(kind=Kind.OTHER, succeeds=False, cause=cause)
    device, whole = _mtd(call, call.text(name_at) or "")
    after = 3 if verb == "erase" else 4
    offset = call.number(after) if len(call.words) > after else 0
    size = call.number(after + 1)
    if size is None and len(call.words) <= after + 1 and whole is not None and offset is not None:
        size = max(0, whole.size - offset)
    base = None if whole is None or offset is None else whole.start + offset
    span, name = _span(base, size), call.text(name_at)
    if verb == "erase":
        return Done(kind=Kind.ERASE, device=device, partition=name, span=span)
    at = call.number(3)
    if verb == "read":
        return Done(
            kind=Kind.READ, device=device, partition=name, span=span, fills=at, fills_size=size
        )
    return Done(kind=Kind.WRITE, device=device, partition=name, span=span, source=_span(at, size))


def _nand(call: Call) -> Done:
    verb = (call.text(1) or "").partition(".")[0]
    if verb in {"read", "write"}:
        device, offset, rest, name = _place(call, 3, "nand0")
        size = call.number(4) if len(call.words) > 4 else rest
        span, at = _span(offset, size), call.number(2)
        if verb == "read":
            return Done(
                kind=Kind.READ, device=device, partition=name, span=span, fills=at, fills_size=size
            )
        return Done(
            kind=Kind.WRITE, device=device, partition=name, span=span, source=_span(at, size)
        )
    if verb == "erase":
        device, offset, rest, name = _place(call, 2, "nand0")
        size = call.number(3) if len(call.words) > 3 else rest
        return Done(kind=Kind.ERASE, device=device, partition=name, span=_span(offset, size))
    return Done(kind=Kind.OTHER, device="nand0")


_MMC_PARTS = {0: "", 1: ".boot0", 2: ".boot1", 3: ".rpmb", 4: ".gp1", 5: ".gp2", 6: ".gp3"}


def _hardware(device: int | None, part: int | None) -> str | None:
    return None if device is None else f"mmc{device}{_MMC_PARTS.get(part or 0, f'.gp{part}')}"


def _mmc(call: Call) -> Done:
    verb = call.text(1)
    if verb in {"partconf", "rst-function", "bootpart-resize"}:
        device = _hardware(call.number(2), 0)
        sets: dict[str, Text | None] = {}
        name = call.text(3)
        if verb == "partconf" and len(call.words) == 4 and name:
            sets[name] = Text.unknown(name)
        kind = Kind.CONFIGURE if len(call.words) > (4 if verb == "partconf" else 3) else Kind.SHOW
        return Done(kind=kind, device=device, sets=sets)
    if verb == "dev":
        if len(call.words) < 3:
            return Done(kind=Kind.SHOW, device=call.state.selected.get("mmc", "mmc0"))
        part = call.number(3, 10) if len(call.words) > 3 else 0
        device = (
            None if len(call.words) > 3 and part is None else _hardware(call.number(2, 10), part)
        )
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
        number = call.number(2)
        device = None if number is None else f"{interface}{number}"
        return Done(kind=Kind.SELECT, device=device, selects={interface: device})
    if verb in {"read", "write"}:
        at, start, count = call.number(2), call.number(3), call.number(4)
        size = None if count is None else count * BLOCK
        span = _span(None if start is None else start * BLOCK, size)
        if verb == "read":
            return Done(kind=Kind.READ, device=device, span=span, fills=at, fills_size=size)
        return Done(kind=Kind.WRITE, device=device, span=span, source=_span(at, size))
    if verb == "erase":
        start, count = call.number(2), call.number(3)
        if start is None or count is None:
            return Done(kind=Kind.ERASE, device=device)
        return Done(kind=Kind.ERASE, device=device, span=Span.sized(start * BLOCK, count * BLOCK))
    if verb in {"info", "part", "list", "tree", "storage"}:
        return Done(kind=Kind.SHOW, device=device, choice=True)
    return Done(kind=Kind.SELECT, device=device)


# Files --------------------------------------------------------------------------------------------


def _volume(call: Call, index: int) -> tuple[str | None, str | None]:
    """Read `interface device[.hardware part][:partition|#name]` as a device and a partition."""
    interface = call.text(index)
    if interface is None or index + 1 >= len(call.words):
        return None, None
    where = call.words[index + 1]
    first = where.pieces[0] if where.pieces else ""
    if not isinstance(first, str):
        return None, None
    mark = next((letter for letter in first if letter in ":#"), "")
    if not mark and where.plain is None:
        return None, None
    device = first.partition(mark)[0] if mark else first
    partition = None if where.plain is None else where.plain[len(device) + 1 :]
    if interface == "ubi":
        # fs/fs.c: what is mounted, whatever the number says
        return _ubi_device(call), call.state.selected.get("ubifs", partition)
    number, dot, part = device.partition(".")
    if dot and interface == "mmc":
        found = _hardware(Text.of(number).number(), Text.of(part).number())
    else:
        found = f"{interface}{Text.of(number).number()}"
    return found, partition_named(call.world, found, partition)


def _load(call: Call) -> Done:
    """`load interface [device[:partition] [address [path [bytes [position]]]]]` and its kin."""
    device, partition = _volume(call, 1)
    path = call.words[4] if len(call.words) > 4 else None
    if path is None and (name := call.state.get("bootfile")):
        path = name
    found = find_file(call.world, device, partition, path, call.name)
    size, limit, skip = found.size, call.number(5), call.number(6) or 0
    if size is not None:
        size = max(0, size - skip)
        size = min(size, limit) if limit else size
    at = call.number(3) if len(call.words) > 3 else call.value("loadaddr")
    return Done(
        kind=Kind.LOAD,
        succeeds=found.there,
        breaks=True,
        cause=found.cause,
        device=device,
        partition=partition,
        path=found.path,
        fills=at,
        fills_size=size,
        sets=_loaded(size, at),
    )


def _ubi_device(call: Call) -> str | None:
    """Give the UBI that is attached; where none is known of, any name of it stands for it."""
    return call.state.selected.get("ubi", call.world.attached or "ubi0")


def _ubifsload(call: Call) -> Done:
    device, volume = _ubi_device(call), call.state.selected.get("ubifs")
    path = call.words[2] if len(call.words) > 2 else None
    found = find_file(call.world, device, volume, path, call.name)
    at = call.number(1)
    return Done(
        kind=Kind.LOAD,
        succeeds=found.there,
        breaks=True,
        cause=found.cause if found.there is False else None,
        device=device,
        partition=volume,
        path=found.path,
        fills=at,
        fills_size=found.size,
        sets=_loaded(found.size, at),
    )


def _ubifsmount(call: Call) -> Done:
    """`ubifsmount ubi0:volume`: U-Boot mounts no other file system from there."""
    device = _ubi_device(call)
    volume = (call.text(1) or "").partition(":")[2] or call.text(1)
    found = find_partition(call.world, device, volume) if device in call.world.sizes else None
    if found is not None and found.there:
        found = find_system(call.world, device, volume, "ubifsload")
    wrong = found is not None and found.there is False
    return Done(
        kind=Kind.SELECT,
        succeeds=False if wrong else None,
        cause=found.cause if found is not None and wrong else None,
        device=device,
        partition=volume,
        selects={"ubifs": volume},
    )


def _ubi(call: Call) -> Done:
    """`ubi part NAME`, `ubi read ADDRESS VOLUME [SIZE]` and its kin (doc/usage/cmd/ubi.rst)."""
    verb = (call.text(1) or "").partition(".")[0]
    if verb == "part":
        name = call.text(2)
        if (cause := _unlisted(call, name)) is not None:
            return Done(kind=Kind.SELECT, succeeds=False, cause=cause)
        chip, span = _mtd(call, name or "")
        attached = call.world.attachable.get(name or "")
        if attached is None and not call.world.attachable:
            attached = "ubi0"
        return Done(
            kind=Kind.SELECT, device=chip, partition=name, span=span, selects={"ubi": attached}
        )
    device, volume = _ubi_device(call), call.text(3)
    if verb == "read":
        at, size = call.number(2), call.number(4)
        known = device in call.world.sizes
        found = find_partition(call.world, device, volume) if known else None
        there = call.world.partitions.get((device or "", volume or ""))
        if not size and there is not None:
            size = there.size
        wrong = found is not None and found.there is False
        return Done(
            kind=Kind.READ,
            succeeds=False if wrong else None,
            cause=found.cause if found is not None and wrong else None,
            device=device,
            partition=volume,
            span=_span(there.start, size) if there is not None else None,
            fills=at,
            fills_size=size or None,
            sets=_loaded(size or None, at),
        )
    if verb == "write":
        return Done(
            kind=Kind.WRITE,
            device=device,
            partition=volume,
            source=_span(call.number(2), call.number(4)),
        )
    if verb in {"create", "remove", "rename"}:
        return Done(kind=Kind.CONFIGURE, device=device, partition=call.text(2))
    return Done(kind=Kind.SHOW, device=device, choice=True)


def _save_file(call: Call) -> Done:
    """`save`, `fatwrite`, `ext4write interface device address path bytes`."""
    device, partition = _volume(call, 1)
    path = call.words[4] if len(call.words) > 4 else None
    return Done(
        kind=Kind.WRITE,
        device=device,
        partition=partition,
        path=None if path is None else str(path).lstrip("/"),
        source=_span(call.number(3), call.number(5)),
    )


def _size(call: Call) -> Done:
    device, partition = _volume(call, 1)
    path = call.words[3] if len(call.words) > 3 else None
    found = find_file(call.world, device, partition, path, call.name)
    return Done(
        kind=Kind.TEST,
        succeeds=found.there,
        cause=found.cause,
        choice=True,
        device=device,
        partition=partition,
        path=found.path,
        sets={"filesize": _hex(found.size, "filesize")},
    )


def _fstype(call: Call) -> Done:
    """`fstype interface device[:partition] [variable]`."""
    device, partition = _volume(call, 1)
    name = call.text(3)
    found = find_system(call.world, device, partition)
    system = call.world.systems.get((device or "", partition or ""))
    value = Text.unknown(name or "") if system is None else Text.of(system)
    return Done(
        kind=Kind.TEST,
        succeeds=found.there,
        cause=found.cause,
        choice=True,
        device=device,
        partition=partition,
        sets={name: value} if name else {},
    )


def _part(call: Call) -> Done:
    """`part start|size|number|uuid|list|type interface device partition [variable]`."""
    verb = call.text(1)
    if verb == "list":
        return _part_list(call)
    if verb in {"uuid", "type"}:
        device, partition = _volume(call, 2)
        name = call.text(4)
    else:
        device, _ = _volume(call, 2)
        partition, name = call.text(4), call.text(5)
        if partition is not None and partition.isdigit():
            partition = f"{number(partition, 0):x}"  # decimal here, hex elsewhere (cmd/part.c)
    found = find_partition(call.world, device, partition)
    sets: dict[str, Text | None] = {}
    if name:
        value = _of_partition(call.world, verb or "", device or "", partition or "")
        sets[name] = Text.unknown(name) if value is None else Text.of(value)
    return Done(
        kind=Kind.TEST,
        succeeds=found.there,
        cause=found.cause,
        choice=True,
        device=device,
        partition=partition,
        sets=sets,
    )


def _of_partition(world: World, verb: str, device: str, partition: str) -> str | None:
    """Give what `part` says of a partition."""
    entry = table_entry(world, device, partition)
    span = entry.span if entry is not None else world.partitions.get((device, partition))
    if verb in {"start", "size"} and span is not None:
        return f"{(span.start if verb == 'start' else span.size) // BLOCK:x}"
    if verb == "number":
        if entry is not None:
            return f"{entry.number:#x}"
        numbers = (
            name
            for (on, name), other in world.partitions.items()
            if on == device and other == span and is_number(name)
        )
        number_there = next(numbers, None)
        return None if span is None or number_there is None else f"0x{number_there}"
    if entry is None:
        return None
    return {"uuid": entry.uuid, "type": entry.type, "name": entry.name}.get(verb) or None


def _part_list(call: Call) -> Done:
    """`part list interface device [-bootable] [variable]`."""
    device, _ = _volume(call, 2)
    options = [call.text(index) or "" for index in range(4, len(call.words))]
    name = next((word for word in options if not word.startswith("-")), None)
    found = find_device(call.world, device)
    sets: dict[str, Text | None] = {}
    if name:
        table = call.world.tables.get(device or "")
        chosen = [
            f"{entry.number:x}"
            for entry in sorted(table or (), key=lambda one: one.number)
            if entry.bootable or "-bootable" not in options
        ]
        sets[name] = Text.unknown(name) if table is None else Text.of(" ".join(chosen))
    return Done(
        kind=Kind.TEST,
        succeeds=found.there,
        cause=found.cause,
        choice=True,
        device=device,
        sets=sets,
    )


def _network(call: Call) -> Done:
    """`tftpboot`, `dhcp`, `nfs`, `wget`…: `[address] [file]`; one argument can be either."""
    words = list(call.words[1:])
    at = call.value("loadaddr")
    if len(words) > 1 or (words and (words[0].plain is None or is_number(words[0].plain))):
        at = words.pop(0).number()
    path = words[0] if words else call.state.get("bootfile")
    return Done(
        kind=Kind.LOAD,
        device="net",
        path=None if path is None else str(path),
        fills=at,
        sets=_loaded(None, at),
    )


def _qfw(call: Call) -> Done:
    """`qfw load [kernel address [ramdisk address]]`: what an emulator passes."""
    if call.text(1) != "load":
        return Done(kind=Kind.SHOW, choice=True)
    at = call.number(2) if len(call.words) > 2 else call.value("loadaddr")
    return Done(kind=Kind.LOAD, device="qfw", fills=at, sets=_loaded(None, at))


def _serial(call: Call) -> Done:
    at = call.number(1) if len(call.words) > 1 else call.value("loadaddr")
    return Done(kind=Kind.LOAD, device="serial", fills=at, sets=_loaded(None, at))


def _partition_table(call: Call) -> Done:
    """`gpt` and `mbr`."""
    verb = call.text(1)
    device = None
    if call.text(2) is not None and call.number(3) is not None:
        device = f"{call.text(2)}{call.number(3)}"
    if verb in {"write", "repair", "swap", "rename", "set-bootable"}:
        return Done(kind=Kind.PARTITION, device=device)
    name = call.text(4)
    sets: dict[str, Text | None] = {}
    if verb in {"read", "guid"} and name:
        sets[name] = Text.unknown(name)
    return Done(kind=Kind.TEST, device=device, sets=sets)


# RAM ----------------------------------------------------------------------------------------------


def _copy(call: Call) -> Done:
    start, to, count = call.number(1), call.number(2), call.number(3)
    size = None if count is None else count * call.width
    return Done(kind=Kind.COPY, succeeds=True, source=_span(start, size), fills=to, fills_size=size)


def _fill(call: Call) -> Done:
    count = call.number(3) if len(call.words) > 3 else 1
    size = None if count is None else count * call.width
    return Done(kind=Kind.FILL, succeeds=True, fills=call.number(1), fills_size=size)


def _compare(call: Call) -> Done:
    count = call.number(3)
    size = None if count is None else count * call.width
    return Done(kind=Kind.COMPARE, source=_span(call.number(1), size))


def _unpack(call: Call) -> Done:
    """`unzip`, `lzmadec`, `unlz4`, `zstd`… `source destination`."""
    to = call.number(2)
    return Done(kind=Kind.UNPACK, fills=to, sets={"filesize": Text.unknown("filesize")})


def _gzwrite(call: Call) -> Done:
    """`gzwrite interface device address length [buffer [offset [size]]]` (cmd/unzip.c)."""
    device, _ = _volume(call, 1)
    offset = call.number(6) if len(call.words) > 6 else 0
    return Done(
        kind=Kind.WRITE,
        device=device,
        span=_span(offset, call.number(7)),
        source=_span(call.number(3), call.number(4)),
    )


def _fdt(call: Call) -> Done:
    verb = call.text(1)
    if verb == "get" and (name := call.text(3)):
        return Done(kind=Kind.TREE, sets={name: Text.unknown(name)})
    quiet = any(word.plain == "-q" for word in call.words)
    return Done(kind=Kind.TREE, choice=quiet)


def _imxtract(call: Call) -> Done:
    """`imxtract address part [destination]`: takes a part out of a uImage or FIT."""
    to = call.number(3)
    return Done(kind=Kind.UNPACK, fills=to, sets=_loaded(None, to))


# Variables and flow -------------------------------------------------------------------------------


def _setenv(call: Call, first: int = 1) -> Done:
    while (text := call.text(first)) is not None and text in {"-f", "-e"}:
        first += 1
    name = call.text(first)
    if first >= len(call.words):
        return Done(kind=Kind.SET, succeeds=False)
    if name is None:
        return Done(kind=Kind.SET, unresolved=Gap.VARIABLE_NAME)
    if "=" in name or (first == 1 and name.startswith("-")):
        return Done(kind=Kind.SET, succeeds=False)
    pieces: list[str | Hole] = []
    for word in call.words[first + 1 :]:
        pieces += [" ", *word.pieces]
    value = Text(pieces[1:]) if pieces else None
    return Done(kind=Kind.SET, succeeds=True, sets={name: value})


def _env(call: Call) -> Done:
    verb = call.text(1)
    if verb == "set":
        return _setenv(call, 2)
    if verb == "delete":
        return _delete(call)
    if verb == "default":
        return _default(call)
    if verb == "exists":
        return _exists(call, 2)
    if verb == "run":
        return _run(call, 2)
    if verb == "import":
        return _import(call)
    if verb == "save":
        return Done(kind=Kind.SAVE)
    if verb == "load":
        return Done(kind=Kind.SET, unresolved=Gap.LOADED_ENVIRONMENT)
    if verb in {"ask", "edit"}:
        return _ask(call, 2)
    if verb == "print":
        return _printenv(call, 2)
    if verb in {"grep", "info", "export"}:
        return Done(kind=Kind.SHOW, choice=True, sets={"filesize": Text.unknown("filesize")})
    return Done(kind=Kind.OTHER, choice=True)


def _delete(call: Call) -> Done:
    """`env delete [-f] name…`: fails where one of them is not there, and deletes the others."""
    names = [word.plain for word in call.words[2:]]
    while names and names[0] == "-f":
        names.pop(0)
    known = [name for name in names if name is not None]
    if any(name.startswith("-") for name in known[:1]):
        return Done(kind=Kind.SET, succeeds=False)
    there = {call.state.exists(name) for name in known}
    if len(set(known)) < len(known):
        there.add(False)  # the second time it is gone
    succeeds = False if False in there else None if None in there else True
    if len(known) < len(names):
        succeeds = None
    return Done(kind=Kind.SET, succeeds=succeeds, choice=True, always=dict.fromkeys(known))


def _import(call: Call) -> Done:
    """`env import [-d] [-t [-r] | -b | -c] address [size] [name…]`."""
    words = [
        word
        for word in call.words[2:]
        if not (word.plain or "").startswith("-") or word.plain == "-"
    ]
    names = tuple(word.plain for word in words[2:] if word.plain)
    return Done(
        kind=Kind.SET,
        sets={name: Text.unknown(name) for name in names},
        imports_at=words[0].number() if words else None,
        imports=names,
        unresolved=None if words and words[0].plain else Gap.IMPORTED_ENVIRONMENT,
    )


def _default(call: Call) -> Done:
    """`env default [-f] -a` or `env default [-f] name…`."""
    defaults = call.world.default_environment
    names = [word.plain for word in call.words[2:] if word.plain and not word.plain.startswith("-")]
    if any(word.plain in {"-a", "-fa", "-af"} for word in call.words[2:]):
        if defaults is None:
            return Done(kind=Kind.SET, unresolved=Gap.DEFAULT_ENVIRONMENT)
        names = list({**call.state.environment, **defaults})
    if defaults is None:
        return Done(kind=Kind.SET, sets={name: Text.unknown(name) for name in names})
    sets = {name: Text.of(defaults[name]) if name in defaults else None for name in names}
    return Done(kind=Kind.SET, succeeds=True, sets=sets)


def _exists(call: Call, index: int) -> Done:
    name = call.text(index)
    succeeds = None if name is None else call.state.exists(name)
    return Done(kind=Kind.TEST, succeeds=succeeds, choice=True)


def _ask(call: Call, index: int = 1) -> Done:
    name = call.text(index)
    return Done(kind=Kind.SET, choice=True, sets={name: Text.unknown(name)} if name else {})


def _run(call: Call, first: int = 1) -> Done:
    names: list[str] = []
    for word in call.words[first:]:
        if word.plain is None:
            any_of = _matching(word, call.state.environment)
            if len(call.words) == first + 1 and any_of:
                return Done(kind=Kind.RUN, any_of=any_of)
            return Done(kind=Kind.RUN, unresolved=Gap.WHAT_RUNS)
        names.append(word.plain)
    return Done(kind=Kind.RUN, succeeds=None if names else False, runs=tuple(names))


def _matching(name: Text, environment: Mapping[str, Text]) -> tuple[str, ...]:
    """Find the variables that a partly known name can mean; needs a known piece of two letters."""
    first, last = name.pieces[0], name.pieces[-1]
    start = first if isinstance(first, str) else ""
    end = last if isinstance(last, str) else ""
    if len(start) + len(end) < 2:
        return ()
    return tuple(
        other
        for other in environment
        if len(other) > len(start) + len(end) and other.startswith(start) and other.endswith(end)
    )[:16]


def _source(call: Call) -> Done:
    """`source [address[:part|#configuration]]`."""
    at = _image(call, 1)[0] if len(call.words) > 1 else call.value("loadaddr")
    return Done(kind=Kind.RUN, source_at=at, unresolved=Gap.SCRIPT if at is None else None)


def _setexpr(call: Call) -> Done:
    """`setexpr[.b|.w|.l|.q|.s] name value [operator value]`, `name [g]sub pattern text [of]`.

    Source: cmd/setexpr.c. What it computes does not depend on the width but for `*address`.
    """
    name, words = call.text(1), call.words
    if name is None and len(words) > 1:
        return Done(kind=Kind.SET, unresolved=Gap.VARIABLE_NAME)
    symbol = call.text(3)
    if len(words) < 3 or name is None:
        return Done(kind=Kind.SET, succeeds=False)
    verb = call.text(2)
    if verb == "fmt" or (verb in {"sub", "gsub"} and len(words) in {5, 6}):
        return _edited(call, name, verb)
    if len(words) not in {3, 5} or (len(words) == 5 and symbol is not None and len(symbol) != 1):
        return Done(kind=Kind.SET, succeeds=False)
    if call.name.endswith(".s"):
        return _joined(call, name)
    value = _operand(call, 2)
    if len(words) == 5:
        if symbol is not None and symbol not in _ARITHMETIC:
            return Done(kind=Kind.SET, succeeds=False)
        second = _operand(call, 4)
        if symbol is None or value is None or second is None or (not second and symbol in "/%"):
            value = None
        else:
            value = _ARITHMETIC[symbol](value, second)
    mask = (1 << call.world.bits) - 1
    return Done(
        kind=Kind.SET,
        succeeds=True,
        sets={name: _hex(None if value is None else value & mask, name)},
    )


def _joined(call: Call, name: str) -> Done:
    """`setexpr.s name text [+ text]`."""
    texts = [call.words[index] for index in (2, 4) if index < len(call.words)]
    if len(texts) == 2 and call.text(3) not in {"+", None}:
        return Done(kind=Kind.SET, succeeds=False)
    at_address = any(str(text).startswith("*") for text in texts)
    value = Text(piece for text in texts for piece in text.pieces)
    return Done(
        kind=Kind.SET, succeeds=True, sets={name: Text.unknown(name) if at_address else value}
    )


def _edited(call: Call, name: str, verb: str) -> Done:
    """`setexpr name [g]sub pattern text [of]`: plain patterns only; `fmt` is not known."""
    of = call.words[5] if len(call.words) == 6 else call.state.environment.get(name)
    if verb == "fmt":
        return Done(kind=Kind.SET, sets={name: Text.unknown(name)})
    if of is None:
        return Done(kind=Kind.SET, succeeds=False)
    pattern, text = call.text(3), call.text(4)
    plain = of.plain
    if pattern is None or text is None or plain is None or not pattern.isalnum() or "\\" in text:
        return Done(kind=Kind.SET, sets={name: Text.unknown(name)})
    if pattern not in plain:
        return Done(kind=Kind.SET, succeeds=False)
    edited = plain.replace(pattern, text, -1 if verb == "gsub" else 1)
    return Done(kind=Kind.SET, succeeds=True, sets={name: Text.of(edited)})


_ARITHMETIC: dict[str, Callable[[int, int], int]] = {
    "+": lambda first, second: first + second,
    "-": lambda first, second: first - second,
    "*": lambda first, second: first * second,
    "/": lambda first, second: first // second,
    "%": lambda first, second: first % second,
    "&": lambda first, second: first & second,
    "|": lambda first, second: first | second,
    "^": lambda first, second: first ^ second,
}


def _operand(call: Call, index: int) -> int | None:
    text = call.text(index)
    return None if text is None or text.startswith("*") else call.number(index)


def _test(call: Call) -> Done:
    if call.name.partition(".")[0] == "itest":
        return Done(kind=Kind.TEST, succeeds=decide_itest(call.name, call.words[1:]), choice=True)

    def exists(words: Sequence[Text]) -> bool | None:
        inner = Call((Text.of("test"), *words), call.state, call.world)
        device, partition = _volume(inner, 1)
        return find_file(call.world, device, partition, words[2]).there

    return Done(
        kind=Kind.TEST,
        succeeds=decide_test(call.words[1:], exists),
        choice=True,
        oddity=Oddity.NO_EQUALS if any(word.plain == "==" for word in call.words) else None,
    )


def _printenv(call: Call, first: int = 1) -> Done:
    """`printenv [-a] [name…]`: fails where one of them is not there."""
    names = [word.plain for word in call.words[first:]]
    if names[:1] in (["-e"], ["-a"]):
        names = []
    there = {None if name is None else call.state.exists(name) for name in names}
    succeeds = False if False in there else None if None in there else True
    return Done(kind=Kind.SHOW, succeeds=succeeds, choice=True)


# Boot ---------------------------------------------------------------------------------------------


def _bootm(call: Call) -> Done:
    """`bootm [address[#configuration|:part]] [ramdisk|-] [fdt]`; `bootm start|…|go` in steps."""
    if call.text(1) in {"start", "loados", "ramdisk", "fdt", "cmdline", "bdt", "prep", "fake"}:
        return Done(kind=Kind.OTHER)
    if call.text(1) == "go":
        return Done(kind=Kind.BOOT, start=Start())
    config = None
    kernel = call.value("loadaddr")
    if len(call.words) > 1:
        kernel, config = _image(call, 1)
    ramdisk, size = _ramdisk(call, 2)
    fdt, _ = _image(call, 3)
    return Done(
        kind=Kind.BOOT,
        start=Start(kernel=kernel, config=config, ramdisk=ramdisk, ramdisk_size=size, fdt=fdt),
    )


def _image(call: Call, index: int) -> tuple[int | None, str | None]:
    """Read `address`, `address#configuration` or `address:part`."""
    if index >= len(call.words):
        return None, None
    pieces = call.words[index].pieces
    first = pieces[0] if pieces else ""
    if not isinstance(first, str) or first == "-":
        return None, None
    for mark in "#:":
        if mark in first:
            address = first.partition(mark)[0]
            config = str(call.words[index]).partition(mark)[2]
            return Text.of(address).number() if address else call.value("loadaddr"), config
    return call.number(index), None


def _ramdisk(call: Call, index: int) -> tuple[int | None, int | None]:
    """Read `address[:size]` or `-`."""
    if index >= len(call.words):
        return None, None
    first = call.words[index].pieces[0] if call.words[index].pieces else ""
    if not isinstance(first, str) or first == "-":
        return None, None
    address, colon, size = first.partition(":")
    whole = call.text(index)
    known_size = number(size) if colon and whole is not None else None
    if not colon and whole is None:
        return None, None
    return Text.of(address).number(), known_size


def _boot_image(call: Call) -> Done:
    """`booti` and `bootz`: `[address [ramdisk[:size]|-] [fdt]]`."""
    kernel = call.number(1) if len(call.words) > 1 else call.value("loadaddr")
    ramdisk, size = _ramdisk(call, 2)
    fdt, _ = _image(call, 3)
    return Done(
        kind=Kind.BOOT,
        start=Start(kernel=kernel, ramdisk=ramdisk, ramdisk_size=size, fdt=fdt),
    )


def _bootefi(call: Call) -> Done:
    if call.text(1) in {"bootmgr", "hello", "selftest"}:
        return Done(kind=Kind.BOOT, start=Start(fdt=call.number(2)))
    return Done(kind=Kind.BOOT, start=Start(kernel=call.number(1), fdt=call.number(2)))


def _boot_address(call: Call) -> Done:
    """`go`, `bootelf`, `bootvx`: an address, if any."""
    kernel = call.number(1) if len(call.words) > 1 else call.value("loadaddr")
    return Done(kind=Kind.BOOT, start=Start(kernel=kernel))


def _boot_unknown(_: Call) -> Done:
    return Done(kind=Kind.BOOT, start=Start(), unresolved=Gap.WHAT_STARTS)


def _bootflow(call: Call) -> Done:
    """`bootflow scan -b` looks for something to start, and starts it."""
    words = [word.plain or "" for word in call.words[2:]]
    options = "".join(word for word in words if word.startswith("-"))
    if call.text(1) != "scan" or "b" not in options:
        return _boot_unknown(call) if call.text(1) == "boot" else Done(kind=Kind.TEST)
    text = flows.script(call.world, call.state)
    return _boot_unknown(call) if text is None else Done(kind=Kind.RUN, script=text)


def _sysboot(call: Call) -> Done:
    """`sysboot [-p] interface device[:partition] any|fat|ext2 [address] [path]`."""
    first = 2 if call.text(1) == "-p" else 1
    device, partition = _volume(call, first)
    path = call.words[first + 4] if len(call.words) > first + 4 else call.state.get("bootfile")
    if path is None:
        # cmd/sysboot.c: "Specify a filename or set the ${bootfile} environment"
        cause = Cause(Reason.NO_VARIABLE, {"name": "bootfile"})
        return Done(kind=Kind.RUN, succeeds=False, cause=cause)
    found = find_file(call.world, device, partition, path)
    return Done(
        kind=Kind.RUN,
        device=device,
        partition=partition,
        path=found.path,
        succeeds=found.there,
        breaks=True,
        cause=found.cause,
        fills=call.number(first + 3),
        fills_size=found.size,
        configuration=(device, partition),
    )


def _pxe(call: Call) -> Done:
    if call.text(1) == "boot":
        return _boot_unknown(call)
    return Done(kind=Kind.LOAD, device="net", fills=call.value("pxefile_addr_r"))


# Table --------------------------------------------------------------------------------------------


def _always(kind: Kind, *, succeeds: bool | None = True, choice: bool = True) -> Function:
    done = Done(kind=kind, succeeds=succeeds, choice=choice)
    return lambda _: done


def _ends(how: str) -> Function:
    done = Done(kind=Kind.RESET, ends=how)
    return lambda _: done


COMMANDS: dict[str, Function] = {
    # variables and flow
    "setenv": _setenv,
    "env": _env,
    "run": _run,
    "source": _source,
    "autoscr": _source,
    "test": _test,
    "[": _test,
    "itest": _test,
    "setexpr": _setexpr,
    "printenv": _printenv,
    "askenv": _ask,
    "editenv": _ask,
    "saveenv": _always(Kind.SAVE, succeeds=None, choice=False),
    "true": _always(Kind.TEST),
    "false": _always(Kind.TEST, succeeds=False),
    "exit": lambda _: Done(kind=Kind.OTHER, succeeds=True, exits=True),
    "boot": lambda _: Done(kind=Kind.RUN, runs=("bootcmd",)),
    "bootd": lambda _: Done(kind=Kind.RUN, runs=("bootcmd",)),
    "reset": _ends("reset"),
    "poweroff": _ends("power off"),
    "hang": _ends("loop"),
    # devices
    "sf": _sf,
    "mtd": _mtd_command,
    "nand": _nand,
    "mmc": _mmc,
    "usb": _block,
    "scsi": _block,
    "sata": _block,
    "ide": _block,
    "nvme": _block,
    "virtio": _block,
    "pvblock": _block,
    "ubi": _ubi,
    "ubifsmount": _ubifsmount,
    "ubifsload": _ubifsload,
    "gzwrite": _gzwrite,
    "gpt": _partition_table,
    "mbr": _partition_table,
    "part": _part,
    "fstype": _fstype,
    "size": _size,
    # files
    **dict.fromkeys(("load", "fatload", "ext2load", "ext4load", "fsload", "sqfsload"), _load),
    **dict.fromkeys(("erofsload", "btrload", "zfsload", "cbfsload"), _load),
    **dict.fromkeys(("save", "fatwrite", "ext4write"), _save_file),
    **dict.fromkeys(("fatsize", "ext4size"), _size),
    # network and serial line
    **dict.fromkeys(("tftpboot", "tftp", "dhcp", "bootp", "nfs", "wget", "rarpboot"), _network),
    **dict.fromkeys(("loadb", "loads", "loadx", "loady"), _serial),
    "qfw": _qfw,
    # RAM
    "cp": _copy,
    "mw": _fill,
    "cmp": _compare,
    "imxtract": _imxtract,
    "fdt": _fdt,
    **dict.fromkeys(("unzip", "lzmadec", "unlz4", "unlzma", "zstd"), _unpack),
    # boot
    "bootm": _bootm,
    "booti": _boot_image,
    "bootz": _boot_image,
    "zboot": _boot_image,
    "bootefi": _bootefi,
    **dict.fromkeys(("go", "bootelf", "bootvx"), _boot_address),
    "bootflow": _bootflow,
    "sysboot": _sysboot,
    "pxe": _pxe,
    **dict.fromkeys(("bootmenu", "boot_android", "abootimg", "bootaux"), _boot_unknown),
    # looks, waits, prints
    **dict.fromkeys(
        (
            "bdinfo",
            "version",
            "help",
            "md",
            "mtdparts",
            "coninfo",
            "showvar",
            "printf",
            "iminfo",
            "ls",
            "fatls",
            "ext2ls",
            "ext4ls",
            "sqfsls",
            "ubifsls",
            "date",
            "timer",
            "crc32",
            "hash",
            "sha1sum",
            "md5sum",
            "mmcinfo",
            "fatinfo",
            "dcache",
            "icache",
            "cls",
            "lcdputs",
            "bmp",
            "base",
            "time",
            "fsinfo",
            "erofsls",
            "tree",
        ),
        _always(Kind.SHOW, succeeds=None),
    ),
    "echo": _always(Kind.SHOW),
    "sleep": _always(Kind.SHOW),
    # known by name; touches no artifact
    **dict.fromkeys(
        (
            "pci",
            "i2c",
            "gpio",
            "button",
            "led",
            "pmic",
            "regulator",
            "wdt",
            "mii",
            "mdio",
            "phy",
            "ping",
            "dns",
            "fuse",
            "efuse",
            "tpm",
            "tpm2",
            "dm",
            "clk",
            "adc",
            "spi",
            "sspi",
            "chpart",
            "mux",
            "rng",
            "rtc",
            "virtio_scan",
            "usb_start",
            "bcb",
            "ab_select",
            "bootcount",
            "bootdev",
            "bootmeth",
            "bootstage",
            "dfu",
            "fastboot",
            "ums",
            "axi",
            "fpga",
            "efidebug",
            "eficonfig",
            "optee_rpmb",
            "avb",
            "kaslrseed",
            "osd",
            "video",
            "remoteproc",
            "rproc",
            "lsblk",
            "mtest",
            "protect",
            "erase",
            "flinfo",
            "ubifsumount",
            "log",
            "setcurs",
            "nm",
            "mm",
            "random",
            "extension",
            "blkcache",
        ),
        _always(Kind.OTHER, succeeds=None, choice=False),
    ),
}
