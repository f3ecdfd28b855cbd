"""What is known of devices, partitions and files, as commands ask for it.

Source: U-Boot disk/part.c (`blk_get_device_part_str`, `part_get_info`), fs/fs.c.
"""

from __future__ import annotations

from imgaudit.boot.records import Cause, Partition, Reason, World
from imgaudit.boot.values import Text, is_number, number
from imgaudit.data import dataclass

AUTO = "auto"
LOADERS = {
    "fatload": "fat",
    "fatsize": "fat",
    "ext2load": "ext4",
    "ext4load": "ext4",
    "ext4size": "ext4",
    "sqfsload": "squashfs",
    "erofsload": "erofs",
    "btrload": "btrfs",
    "ubifsload": "ubifs",
}
"""What the commands for one file system take, as `fstype` names it."""
READABLE = frozenset({"fat", "ext4", "squashfs", "erofs", "btrfs"})
"""What `load` takes (fs/fs.c)."""


@dataclass(frozen=True, slots=True)
class Found:
    """Something looked up: is it there (None: not known), and if not, why.

    `path` is that of a file as the medium spells it, `size` its bytes.
    """

    there: bool | None
    cause: Cause | None = None
    path: str | None = None
    size: int | None = None


def find_device(world: World, device: str | None) -> Found:
    """Tell whether a device is there on a sound board."""
    if device is None:
        return Found(None, Cause(Reason.DEVICE_UNKNOWN))
    if world.is_dead(device):
        return Found(False, Cause(Reason.DEVICE_SILENT, {"device": device}))
    main = device.partition(".")[0]
    if device in world.assumed or main in world.assumed:
        return Found(None, Cause(Reason.DEVICE_ASSUMED, {"device": device}))
    if device in world.known or main in world.known:
        return Found(True)
    if main.rstrip("0123456789") in world.closed:
        return Found(False, Cause(Reason.NO_DEVICE, {"device": device}))
    return Found(None, Cause(Reason.DEVICE_OUTSIDE, {"device": device}))


def partition_named(world: World, device: str | None, text: str | None) -> str | None:
    """Spell a partition as the facts do: its number in hex without zeros in front, or its name.

    Without one U-Boot takes the first; `auto` is the first bootable one, or the first.
    """
    if device is None or text is None:
        return text
    table = sorted(world.tables.get(device, ()), key=lambda one: one.number)
    if text == AUTO:
        best = next((one for one in table if one.bootable), table[0] if table else None)
        return None if best is None else f"{best.number:x}"
    if not text:
        return "1"
    if is_number(text) and (device, text) not in world.partitions:
        return f"{number(text):x}"
    return text


def find_partition(world: World, device: str | None, partition: str | None) -> Found:
    """Tell whether a partition is there; `partition` is spelt as `partition_named` does."""
    found = find_device(world, device)
    if found.there is False or device is None:
        return found
    if partition is None:
        return Found(None, Cause(Reason.PARTITION_UNKNOWN, {"device": device}))
    if (
        (device, partition) in world.partitions
        or (device, partition) in world.listed
        or table_entry(world, device, partition) is not None
    ):
        return Found(found.there, found.cause)
    if partition == "0":
        return Found(None, Cause(Reason.PARTITIONS_UNKNOWN, {"device": device}))
    if device not in world.partitioned or found.there is None:
        why = found.cause or Cause(Reason.PARTITIONS_UNKNOWN, {"device": device})
        return Found(None, why)
    cause = Cause(Reason.NO_PARTITION, {"device": device, "partition": partition})
    return Found(False, cause)


def table_entry(world: World, device: str | None, partition: str | None) -> Partition | None:
    """Find an entry of a partition table by number in hex or by name."""
    for entry in world.tables.get(device or "", ()):
        if partition in {f"{entry.number:x}", entry.name}:
            return entry
    return None


def find_file(
    world: World, device: str | None, partition: str | None, path: Text | None, command: str = ""
) -> Found:
    """Look a file up; `command` tells which file system it must be."""
    plain = None if path is None else path.plain
    shown = None if path is None else str(path)
    volume = find_partition(world, device, partition)
    if volume.there is False:
        clean = plain.lstrip("/") if plain is not None else shown
        return Found(False, volume.cause, clean)
    if device is None or partition is None:
        return Found(None, volume.cause, shown)
    system = find_system(world, device, partition, command)
    if system.there is False:
        return Found(False, system.cause, plain.lstrip("/") if plain is not None else shown)
    if plain is None:
        return Found(None, Cause(Reason.FILE_UNKNOWN), shown)
    called = _called(world, device, partition)
    clean = _spelt(world, device, partition, _straight(plain))
    size = world.files.get((device, partition, clean))
    if size is not None:
        return Found(True if volume.there else None, volume.cause, clean, size)
    if (device, partition) in world.listed:
        there = False if volume.there else None
        cause = Cause(Reason.NO_FILE, {"volume": called, "path": clean})
        return Found(there, cause if there is False else volume.cause, clean)
    if volume.there is None:
        return Found(None, volume.cause, clean)
    if system.there is None:
        return Found(None, system.cause, clean)
    return Found(None, Cause(Reason.FILES_UNKNOWN, {"volume": called, "path": clean}), clean)


def find_system(
    world: World, device: str | None, partition: str | None, command: str = ""
) -> Found:
    """Tell whether a partition has a file system that U-Boot, or one command of it, reads."""
    volume = find_partition(world, device, partition)
    if volume.there is not True or device is None or partition is None:
        return volume
    called, system = _called(world, device, partition), world.systems.get((device, partition))
    wanted = LOADERS.get(command)
    if system is None:
        return Found(None, Cause(Reason.FILE_SYSTEM_UNKNOWN, {"volume": called}))
    if not system:
        return Found(False, Cause(Reason.ERASED, {"volume": called}))
    mounted = system == "ubifs" and device.startswith("ubi")
    if system == wanted or (wanted is None and (system in READABLE or mounted)):
        lack = world.options.system(system)
        if lack is not None:
            return Found(False, Cause(Reason.NOT_BUILT_IN, {"lack": str(lack)}))
        return Found(True)
    operands = {"volume": called, "found": system, "wanted": wanted or "a file system it reads"}
    return Found(False, Cause(Reason.OTHER_FILE_SYSTEM, operands))


def _straight(path: str) -> str:
    """Walk `.` and `..`, which the directories of a file system have as entries."""
    if "." not in path:
        return path.lstrip("/")
    steps: list[str] = []
    for step in path.split("/"):
        if step == "..":
            del steps[-1:]
        elif step not in {"", "."}:
            steps.append(step)
    return "/".join(steps)


def _called(world: World, device: str, partition: str) -> str:
    return world.called.get((device, partition), f"{device}:{partition}")


def _spelt(world: World, device: str, partition: str, path: str) -> str:
    """Spell a path as the medium does, where case does not matter."""
    return world.folded.get((device, partition, path.lower()), path)
