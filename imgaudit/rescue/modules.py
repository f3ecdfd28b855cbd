"""Kernel modules in the root: what they were built for, need, and ask for.

Source: Linux scripts/mod/modpost.c (the `.modinfo` section: `key=value` strings, each ended by
NUL) and modules.dep(5).
"""

from __future__ import annotations

import posixpath
import re
import struct
from collections.abc import Container, Iterable, Iterator

from imgaudit import bounds
from imgaudit.arches import ELF
from imgaudit.data import dataclass
from imgaudit.errors import FormatError
from imgaudit.formats import readers
from imgaudit.formats.view import View
from imgaudit.patterns import regex
from imgaudit.ramdisk.root import Node, Root

MODULES = 20_000  # a distribution's kernel has some 4,000
UNPACKED = 32 << 20  # of one compressed module; the largest in use have some 10 MiB
SECTIONS = 4096
MODINFO = 64 << 10
UNPACKED_ALL = 256 << 20  # of all compressed modules together; 4,000 have about as much
DEP_FILE = 2 << 20
_COMPRESSORS = {".gz": "gzip", ".xz": "xz", ".zst": "zstd"}
LISTS = 64  # files with names of modules to load
_MODPROBE = regex(r"(?:^|[\s;&|(/`])(?:modprobe|insmod)((?:\s+[^\s;&|<>()`]+)+)")
_MODULE = regex(r"[\w./-]+", re.ASCII)
_DEVICE_DAEMON = regex(r"(?:^|[\s/])(mdev|udevd|systemd-udevd|eudev)(?=\s|$)")
_BUSES = ("of:", "fs-", "spi:", "i2c:")
_FIRMWARE_ENDINGS = ("", ".xz", ".zst")  # CONFIG_FW_LOADER_COMPRESS


@dataclass(frozen=True, slots=True)
class Module:
    """One module file; `compression` is a reader's name or empty.

    `aliases` are those by which buses without numbers of their own and file systems find it, and
    those that a script can name.
    """

    path: str
    name: str
    compression: str = ""
    vermagic: str = ""
    depends: tuple[str, ...] = ()
    firmware: tuple[str, ...] = ()
    aliases: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Loads:
    """What loads modules in a root.

    `names` are modules that something names; `hotplug` tells whether modules are loaded by the
    modalias of what is found; None where that is unknown.
    """

    names: frozenset[str] = frozenset()
    hotplug: bool | None = False


@dataclass(frozen=True, slots=True)
class Release:
    """The modules under /lib/modules of one kernel release.

    `has_dep` tells whether modules.dep is there, `builtin` are the names in modules.builtin;
    `dep_missing` are pairs of a module and a file that modules.dep names for it and that is absent;
    `depends_missing` pairs of a module and a module that its own `.modinfo` names and that is
    neither here nor built in; `firmware_missing` pairs of a module and a firmware file that is
    absent.
    """

    release: str
    modules: tuple[Module, ...]
    has_dep: bool
    builtin: frozenset[str] = frozenset()
    dep_missing: tuple[tuple[str, str], ...] = ()
    depends_missing: tuple[tuple[str, str], ...] = ()
    firmware_missing: tuple[tuple[str, str], ...] = ()


def read_modules(root: Root) -> tuple[Release, ...]:
    """Read every module of every release under /lib/modules, at most 20,000 in all."""
    room = _Room(MODULES, UNPACKED_ALL)
    releases = []
    for release in root.names("/lib/modules"):
        base = f"/lib/modules/{release}"
        top = root.lookup(base)
        if top is None or top.children is None:
            continue
        modules = []
        for path, node in _files(base, top):
            stem = module_file(path)
            if stem is not None and room.modules > 0:
                room.modules -= 1
                modules.append(_module(path, *stem, node, room))
        releases.append(_release(root, release, base, modules))
    return tuple(releases)


def module_file(path: str) -> tuple[str, str] | None:
    """Give a module's name and compression by its file name; None for another file."""
    name = posixpath.basename(path)
    for ending, compression in (("", ""), *_COMPRESSORS.items()):
        if name.endswith(f".ko{ending}"):
            return name.removesuffix(f".ko{ending}").replace("-", "_"), compression
    return None


def _files(path: str, top: Node) -> Iterator[tuple[str, Node]]:
    todo = [(path, top)]
    while todo:
        at, node = todo.pop()
        for name, child in sorted((node.children or {}).items()):
            if child.children is not None:
                todo.append((f"{at}/{name}", child))
            elif child.is_file:
                yield f"{at}/{name}", child


def read_loads(
    root: Root,
    scripts: Iterable[tuple[str, str]],
    told: Container[tuple[str, int]] = frozenset(),
) -> Loads:
    """Tell what loads modules: scripts by name, lists of names, or a daemon by modalias.

    Args:
        root: where lists and rules are looked up.
        scripts: paths and texts of what runs at boot.
        told: the lines of them, from 1, whose variables were followed.

    """
    names: set[str] = set()
    hotplug = listed = unknown = False
    for path, text in scripts:
        for number, line in enumerate(text.splitlines(), 1):
            bare = line.partition("#")[0]
            for match in _MODPROBE.finditer(bare):
                words = [word for word in match[1].split() if not word.startswith("-")]
                blind = any("$" in word for word in words) and (path, number) not in told
                unknown = unknown or blind
                names.update(module_name(word) for word in words if _MODULE.fullmatch(word))
            listed = listed or "/etc/modules" in bare or "systemd-modules-load" in bare
            daemon = _DEVICE_DAEMON.search(bare)
            rules = root.text("/etc/mdev.conf") or "" if daemon and daemon[1] == "mdev" else ""
            if daemon is not None and (daemon[1] != "mdev" or "MODALIAS" in rules):
                hotplug = True
            if "modalias" in bare and "modprobe" in text:
                hotplug = True
    systemd = root.lookup("/lib/systemd/systemd") or root.lookup("/usr/lib/systemd/systemd")
    if systemd is not None:
        listed = hotplug = True
    if listed:
        for path in _lists(root):
            for line in (root.text(path, MODINFO) or "").splitlines():
                word = line.partition("#")[0].split()[:1]
                names.update(module_name(name) for name in word)
    return Loads(frozenset(names), hotplug or (None if unknown and not listed else False))


def _lists(root: Root) -> Iterator[str]:
    yield "/etc/modules"
    for folder in ("/etc/modules-load.d", "/usr/lib/modules-load.d", "/lib/modules-load.d"):
        names = bounds.within(root.names(folder), LISTS, folder, "lists of modules")
        yield from (f"{folder}/{name}" for name in names)


def module_name(word: str) -> str:
    """Give the name of the module that a word after modprobe or insmod means."""
    stem = module_file(word)
    return stem[0] if stem is not None else posixpath.basename(word).replace("-", "_")


@dataclass(slots=True)
class _Room:
    """How much may still be read: module files, and bytes that come out of compressed ones."""

    modules: int
    bytes: int


def _module(path: str, name: str, compression: str, node: Node, room: _Room) -> Module:
    try:
        view = node.data()
        if compression:
            view = _unpacked(view, compression, room)
        info = modinfo(view)
    except FormatError as problem:
        bounds.left_out(path, f"not read: {problem.why}")
        return Module(path, name, compression)
    depends = tuple(
        name.replace("-", "_") for value in info.get("depends", ()) for name in value.split(",")
    )
    return Module(
        path,
        info.get("name", (name,))[0].replace("-", "_"),
        compression,
        vermagic=info.get("vermagic", ("",))[0],
        depends=tuple(name for name in depends if name),
        firmware=tuple(dict.fromkeys(info.get("firmware", ()))),
        aliases=tuple(
            text for text in info.get("alias", ()) if ":" not in text or text.startswith(_BUSES)
        ),
    )


def _unpacked(view: View, compression: str, room: _Room) -> View:
    unpack = readers()[compression].unpack
    if unpack is None:
        raise FormatError(0, f"{compression} cannot be unpacked")
    if room.bytes <= 0:
        raise FormatError(0, f"the modules before it have {UNPACKED_ALL:,} bytes")
    data = bytearray()
    for piece in unpack(view.chunks()):
        data += piece
        room.bytes -= len(piece)
        if len(data) > UNPACKED:
            raise FormatError(0, f"unpacks to more than {UNPACKED:,} bytes")
    return View.of(data)


def modinfo(view: View) -> dict[str, tuple[str, ...]]:
    """Read the strings of an ELF object's `.modinfo` by key, in their order.

    Raises:
        FormatError: no ELF object, or cut.

    """
    if view.upto(0, 4) != ELF:
        raise FormatError(0, "not an ELF object")
    head = view.bytes(0, 64)
    if head[4] not in {1, 2} or head[5] not in {1, 2}:
        raise FormatError(4, "an ELF object of no known class or byte order")
    order = "<" if head[5] == 1 else ">"
    wide = head[4] == 2
    (table,) = struct.unpack_from(order + ("Q" if wide else "I"), head, 40 if wide else 32)
    size, count, names = struct.unpack_from(order + "HHH", head, 58 if wide else 46)
    layout = order + ("IIQQQQ" if wide else "IIIIII")
    if size < struct.calcsize(layout) or not names < count <= SECTIONS:
        raise FormatError(table, "no table of sections")
    headers = view.bytes(table, size * count)
    sections = [struct.unpack_from(layout, headers, at * size) for at in range(count)]
    name_at, name_size = sections[names][4:6]
    all_names = view.bytes(name_at, min(name_size, MODINFO))
    found: dict[str, list[str]] = {}
    for name, _, _, _, offset, length in sections:
        if all_names[name : name + 9] == b".modinfo\0":
            for item in view.bytes(offset, min(length, MODINFO)).split(b"\0"):
                key, equals, value = item.decode("utf-8", "backslashreplace").partition("=")
                if equals:
                    found.setdefault(key, []).append(value)
            break
    return {key: tuple(values) for key, values in found.items()}


def _release(root: Root, release: str, base: str, modules: list[Module]) -> Release:
    present = {module.path for module in modules}
    names = {module.name for module in modules}
    builtin = set()
    for line in (root.text(f"{base}/modules.builtin", DEP_FILE) or "").splitlines():
        stem = module_file(line)
        if stem is not None:
            builtin.add(stem[0])
    names |= builtin
    dep = root.text(f"{base}/modules.dep", DEP_FILE)
    dep_missing = []
    for line in (dep or "").splitlines():
        of, _, needed = line.partition(":")
        for name in (of, *needed.split()):
            path = posixpath.normpath(name if name.startswith("/") else f"{base}/{name}")
            if path not in present and root.lookup(path) is None:
                dep_missing.append((of, name))
    return Release(
        release=release,
        modules=tuple(modules),
        has_dep=dep is not None,
        builtin=frozenset(builtin),
        dep_missing=tuple(dep_missing),
        depends_missing=tuple(
            (module.name, name)
            for module in modules
            for name in module.depends
            if name not in names
        ),
        firmware_missing=tuple(
            (module.name, name)
            for module in modules
            for name in module.firmware
            if not _has_firmware(root, release, name)
        ),
    )


def _has_firmware(root: Root, release: str, name: str) -> bool:
    """Look where the kernel looks: Linux drivers/base/firmware_loader/main.c, `fw_path`."""
    folders = (f"/lib/firmware/updates/{release}", "/lib/firmware/updates")
    return any(
        root.lookup(f"{folder}/{name}{ending}") is not None
        for folder in (*folders, f"/lib/firmware/{release}", "/lib/firmware")
        for ending in _FIRMWARE_ENDINGS
    )
