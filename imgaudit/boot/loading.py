"""U-Boot's commands for files, the network, partition tables and RAM."""

from __future__ import annotations

from dataclasses import replace

from imgaudit.boot.call import Call, Done, Function, hexed, loaded, looked, span_of
from imgaudit.boot.devices import hardware, mtd_of, unlisted
from imgaudit.boot.media import (
    Found,
    find_device,
    find_file,
    find_partition,
    find_system,
    partition_named,
    table_entry,
)
from imgaudit.boot.records import BLOCK, Kind, World
from imgaudit.boot.values import Text, is_number, number


def volume_of(call: Call, index: int) -> tuple[str | None, str | None]:
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
        return ubi_device(call), call.state.selected.get("ubifs", partition)
    number, dot, part = device.partition(".")
    if dot and interface == "mmc":
        found = hardware(Text.of(number).number(), Text.of(part).number())
    else:
        found = f"{interface}{Text.of(number).number()}"
    return found, partition_named(call.world, found, partition)


def _load(call: Call) -> Done:
    """`load interface [device[:partition] [address [path [bytes [position]]]]]` and its kin."""
    device, partition = volume_of(call, 1)
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
        sets=loaded(size, at),
    )


def ubi_device(call: Call) -> str | None:
    """Give the UBI that is attached; where none is known of, any name of it stands for it."""
    return call.state.selected.get("ubi", call.world.attached or "ubi0")


def _volume(call: Call, device: str | None, volume: str | None) -> Found:
    """Look for a volume, where those of its UBI are known."""
    known = device in call.world.sizes
    return find_partition(call.world, device, volume) if known else Found(None)


def _ubifsload(call: Call) -> Done:
    device, volume = ubi_device(call), call.state.selected.get("ubifs")
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
        sets=loaded(found.size, at),
    )


def _ubifsmount(call: Call) -> Done:
    """`ubifsmount ubi0:volume`: U-Boot mounts no other file system from there."""
    device = ubi_device(call)
    volume = (call.text(1) or "").partition(":")[2] or call.text(1)
    found = _volume(call, device, volume)
    if found.there:
        found = find_system(call.world, device, volume, "ubifsload")
    lost = found.there is False
    return Done(
        kind=Kind.SELECT,
        succeeds=False if lost else None,
        cause=found.cause if lost else None,
        device=device,
        partition=volume,
        selects={"ubifs": volume},
    )


def _ubi(call: Call) -> Done:
    """`ubi part NAME`, `ubi read ADDRESS VOLUME [SIZE]` and its kin (doc/usage/cmd/ubi.rst)."""
    verb = (call.text(1) or "").partition(".")[0]
    if verb == "part":
        name = call.text(2)
        if (cause := unlisted(call, name)) is not None:
            return Done(kind=Kind.SELECT, succeeds=False, cause=cause)
        chip, span = mtd_of(call, name or "")
        attached = call.world.attachable.get(name or "")
        if attached is None and not call.world.attachable:
            attached = "ubi0"
        return Done(
            kind=Kind.SELECT, device=chip, partition=name, span=span, selects={"ubi": attached}
        )
    device, volume = ubi_device(call), call.text(3)
    if verb == "read":
        at, size = call.number(2), call.number(4)
        found = _volume(call, device, volume)
        there = call.world.partitions.get((device or "", volume or ""))
        if not size and there is not None:
            size = there.size
        lost = found.there is False
        return Done(
            kind=Kind.READ,
            succeeds=False if lost else None,
            cause=found.cause if lost else None,
            device=device,
            partition=volume,
            span=span_of(there.start, size) if there is not None else None,
            fills=at,
            fills_size=size or None,
            sets=loaded(size or None, at),
        )
    if verb == "write":
        return Done(
            kind=Kind.WRITE,
            device=device,
            partition=volume,
            source=span_of(call.number(2), call.number(4)),
        )
    if verb in {"create", "remove", "rename"}:
        return Done(kind=Kind.CONFIGURE, device=device, partition=call.text(2))
    return Done(kind=Kind.SHOW, device=device, choice=True)


def _save_file(call: Call) -> Done:
    """`save`, `fatwrite`, `ext4write interface device address path bytes`."""
    device, partition = volume_of(call, 1)
    path = call.words[4] if len(call.words) > 4 else None
    return Done(
        kind=Kind.WRITE,
        device=device,
        partition=partition,
        path=None if path is None else str(path).lstrip("/"),
        source=span_of(call.number(3), call.number(5)),
    )


def _size(call: Call) -> Done:
    device, partition = volume_of(call, 1)
    path = call.words[3] if len(call.words) > 3 else None
    found = find_file(call.world, device, partition, path, call.name)
    sets: dict[str, Text | None] = {"filesize": hexed(found.size, "filesize")}
    return replace(looked(found, device, partition, sets), path=found.path)


def _fstype(call: Call) -> Done:
    """`fstype interface device[:partition] [variable]`."""
    device, partition = volume_of(call, 1)
    name = call.text(3)
    found = find_system(call.world, device, partition)
    system = call.world.systems.get((device or "", partition or ""))
    value = Text.unknown(name or "") if system is None else Text.of(system)
    return looked(found, device, partition, {name: value} if name else {})


def _part(call: Call) -> Done:
    """`part start|size|number|uuid|list|type interface device partition [variable]`."""
    verb = call.text(1)
    if verb == "list":
        return _part_list(call)
    if verb in {"uuid", "type"}:
        device, partition = volume_of(call, 2)
        name = call.text(4)
    else:
        device, _ = volume_of(call, 2)
        partition, name = call.text(4), call.text(5)
        if partition is not None and partition.isdigit():
            partition = f"{number(partition, 0):x}"  # decimal here, hex elsewhere (cmd/part.c)
    found = find_partition(call.world, device, partition)
    sets: dict[str, Text | None] = {}
    if name:
        value = _of_partition(call.world, verb or "", device or "", partition or "")
        sets[name] = Text.unknown(name) if value is None else Text.of(value)
    return looked(found, device, partition, sets)


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
    device, _ = volume_of(call, 2)
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
    return looked(found, device, None, sets)


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
        sets=loaded(None, at),
    )


def _qfw(call: Call) -> Done:
    """`qfw load [kernel address [ramdisk address]]`: what an emulator passes."""
    if call.text(1) != "load":
        return Done(kind=Kind.SHOW, choice=True)
    at = call.number(2) if len(call.words) > 2 else call.value("loadaddr")
    return Done(kind=Kind.LOAD, device="qfw", fills=at, sets=loaded(None, at))


def _serial(call: Call) -> Done:
    at = call.number(1) if len(call.words) > 1 else call.value("loadaddr")
    return Done(kind=Kind.LOAD, device="serial", fills=at, sets=loaded(None, at))


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


def _copy(call: Call) -> Done:
    start, to, count = call.number(1), call.number(2), call.number(3)
    size = None if count is None else count * call.width
    return Done(
        kind=Kind.COPY, succeeds=True, source=span_of(start, size), fills=to, fills_size=size
    )


def _fill(call: Call) -> Done:
    count = call.number(3) if len(call.words) > 3 else 1
    size = None if count is None else count * call.width
    return Done(kind=Kind.FILL, succeeds=True, fills=call.number(1), fills_size=size)


def _compare(call: Call) -> Done:
    count = call.number(3)
    size = None if count is None else count * call.width
    return Done(kind=Kind.COMPARE, source=span_of(call.number(1), size))


def _unpack(call: Call) -> Done:
    """`unzip`, `lzmadec`, `unlz4`, `zstd`… `source destination`."""
    to = call.number(2)
    return Done(kind=Kind.UNPACK, fills=to, sets={"filesize": Text.unknown("filesize")})


def _gzwrite(call: Call) -> Done:
    """`gzwrite interface device address length [buffer [offset [size]]]` (cmd/unzip.c)."""
    device, _ = volume_of(call, 1)
    offset = call.number(6) if len(call.words) > 6 else 0
    return Done(
        kind=Kind.WRITE,
        device=device,
        span=span_of(offset, call.number(7)),
        source=span_of(call.number(3), call.number(4)),
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
    return Done(kind=Kind.UNPACK, fills=to, sets=loaded(None, to))


COMMANDS: dict[str, Function] = {
    "ubi": _ubi,
    "ubifsmount": _ubifsmount,
    "ubifsload": _ubifsload,
    "gzwrite": _gzwrite,
    **dict.fromkeys(("gpt", "mbr"), _partition_table),
    "part": _part,
    "fstype": _fstype,
    **dict.fromkeys(("size", "fatsize", "ext4size"), _size),
    **dict.fromkeys(
        (
            "load",
            "fatload",
            "ext2load",
            "ext4load",
            "fsload",
            "sqfsload",
            "erofsload",
            "btrload",
            "zfsload",
            "cbfsload",
        ),
        _load,
    ),
    **dict.fromkeys(("save", "fatwrite", "ext4write"), _save_file),
    **dict.fromkeys(("tftpboot", "tftp", "dhcp", "bootp", "nfs", "wget", "rarpboot"), _network),
    **dict.fromkeys(("loadb", "loads", "loadx", "loady"), _serial),
    "qfw": _qfw,
    "cp": _copy,
    "mw": _fill,
    "cmp": _compare,
    "imxtract": _imxtract,
    "fdt": _fdt,
    **dict.fromkeys(("unzip", "lzmadec", "unlz4", "unlzma", "zstd"), _unpack),
}
