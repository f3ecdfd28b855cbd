"""What could leave a ramdisk, so that the file that brings it fits."""

from __future__ import annotations

import lzma
import os
import posixpath
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from typing import Literal

from imgaudit.data import dataclass
from imgaudit.patterns import regex
from imgaudit.rescue.modules import Module
from imgaudit.rescue.users import Users
from imgaudit.rescue.weights import Archive, Item
from imgaudit.units import MIB, Span, human

LEAST = 256  # bytes; a smaller gain is not worth a line
NAMED = 64  # files that are searched for by name in all programs
SEARCHED = 64 * MIB  # of programs; an installer has 27 MiB, and where there is more nothing is cut
CUTS = 2000
PIECE, PIECES = 4 * MIB, 4  # what a better compressor is tried on: some seconds of work
# Loaded by a name that is put together at run time: name services, modules of PAM, character sets.
_BY_NAME = regex(r"/(libnss_|libgcc_s\.|pam_|libpam)|/gconv/|/security/")
_DOCUMENTATION = ("man", "doc", "info", "gtk-doc", "help")
_LOCALE = ("/usr/share/locale/", "/usr/lib/locale/", "/usr/share/i18n/")
_TERMINFO = ("/usr/share/terminfo/", "/lib/terminfo/", "/etc/terminfo/")
_DEVELOPMENT = regex(r"^/usr/include/|/pkgconfig/|\.(a|la|h)$")
_KEPT = ("/etc/", "/dev/", "/lib/modules/", "/usr/lib/modules/")

CutKind = Literal[
    "strip",
    "hard link",
    "replaced",
    "recompress",
    "documentation",
    "development files",
    "locales",
    "terminfo",
    "program",
    "library",
    "module",
    "firmware",
    "data",
]


STAYING = frozenset({"strip", "hard link", "replaced", "recompress"})
"""Cuts after which the file is still there."""


@dataclass(frozen=True, slots=True)
class Cut:
    """One thing to cut, and the bytes of the weighed file that this saves.

    `paths` are files, all that go, with the links that lead to them; none where it is all of the
    ramdisk. `loses` tells that something goes with it that someone may want, or that something else
    has to change: check first.
    """

    kind: CutKind
    paths: tuple[str, ...]
    gain: int
    loses: bool
    why: str


@dataclass(frozen=True, slots=True)
class Step:
    """A cut with the bytes still missing after it and all before it; none are at or below 0."""

    cut: Cut
    missing: int


def steps(
    missing: int,
    items: Sequence[Item],
    archives: Sequence[Archive],
    users: Users,
    *,
    modules: Sequence[Module],
    config: Mapping[str, str] | None,
    names: Mapping[str, Sequence[str]],
) -> Iterator[Step]:
    """Give the cuts with what is still missing after each.

    Args:
        missing: bytes that the file has too many.
        items: what is in the ramdisk.
        archives: how it is stored.
        users: who uses what.
        modules: the kernel modules in it.
        config: the kernel's configuration, where known.
        names: all names that a file has, links that lead to it too, where it has several.

    """
    cuts = [*_harmless(items)]
    large = improvable(archives)
    if large is not None:
        cuts.append(_recompressed(large, config))
    if users.complete:
        cuts += _unused(items, users, modules)
    cuts = [
        whole for cut in cuts if cut.gain >= LEAST and (whole := _with_names(cut, users, names))
    ]
    cuts.sort(key=lambda cut: (cut.loses, -cut.gain, cut.paths))
    tried = large.weight.stored if large is not None else 0
    cut_away = better = 0
    for cut in cuts[:CUTS]:
        if cut.kind == "recompress":
            better = cut.gain
        else:
            cut_away += cut.gain
        # What is cut away needs no better compressor, and costs less under one.
        saved = cut_away + (better * max(tried - cut_away, 0) // tried if better else 0)
        yield Step(cut, missing - saved)


def _with_names(cut: Cut, users: Users, names: Mapping[str, Sequence[str]]) -> Cut | None:
    """Let a file go with all its names, or not at all where something needs one of them."""
    if cut.kind in STAYING:
        return cut
    others = dict.fromkeys(name for path in cut.paths for name in names.get(path, ()))
    paths = tuple(dict.fromkeys((*cut.paths, *others)))
    return replace(cut, paths=paths) if users.required.isdisjoint(others) else None


def _harmless(items: Sequence[Item]) -> Iterator[Cut]:
    """Give the cuts after which everything works as before."""
    copies: dict[str, list[Item]] = defaultdict(list)
    folders: dict[tuple[CutKind, str], list[Item]] = defaultdict(list)
    for item in items:
        kind, folder = _leisure(item.path)
        if item.kind == "replaced":
            why = "a later member of the same name takes its place"
            yield Cut("replaced", (item.path,), item.weight.stored, loses=False, why=why)
        elif kind in {"documentation", "development files"} and item.kind != "duplicate":
            folders[kind, folder].append(item)
        elif item.kind == "duplicate":
            copies[item.copy_of].append(item)
        elif item.debug.unpacked:
            option = " --strip-debug" if item.kind == "module" else ""
            why = f"debugging data and symbols: strip{option}"
            yield Cut("strip", (item.path,), item.debug.stored, loses=False, why=why)
    for original, same in copies.items():
        gain = sum(item.weight.stored for item in same)
        paths = tuple(item.path for item in same)
        yield Cut("hard link", paths, gain, loses=False, why=f"same contents as {original}")
    for (kind, _), inside in folders.items():
        gain = sum(item.weight.stored for item in inside)
        why = "nobody reads it there" if kind == "documentation" else "only a compiler uses it"
        yield Cut(kind, tuple(sorted(item.path for item in inside)), gain, loses=False, why=why)


def _leisure(path: str) -> tuple[CutKind, str]:
    """Tell what no program of a rescue needs by its place; `data` for everything else."""
    for name in _DOCUMENTATION:
        if path.startswith(f"/usr/share/{name}/"):
            return "documentation", f"/usr/share/{name}/"
    for folder in _LOCALE:
        if path.startswith(folder):
            return "locales", folder
    for folder in _TERMINFO:
        if path.startswith(folder):
            return "terminfo", folder
    if _DEVELOPMENT.search(path):
        return "development files", posixpath.dirname(path) + "/"
    return "data", ""


def _unused(items: Sequence[Item], users: Users, modules: Sequence[Module]) -> Iterator[Cut]:
    """Give the files that nothing measured needs and nothing names."""
    stripped = {item.path: item.weight.stored - item.debug.stored for item in items}
    copied = {item.copy_of for item in items}
    free = [
        item
        for item in items
        if item.path not in users.required
        and item.kind not in {"duplicate", "replaced"}
        and item.path not in copied
        and not _BY_NAME.search(item.path)
    ]
    wanted = {name for module in modules for name in module.depends}
    names = {module.path: module.name for module in modules}
    firmware = {name for module in modules for name in module.firmware}
    folders: dict[tuple[CutKind, str], list[str]] = defaultdict(list)
    loose: list[Item] = []
    private = _private(users, free, items)
    for item in free:
        gain = stripped[item.path]
        kind, folder = _leisure(item.path)
        if kind in {"documentation", "development files"}:
            continue
        if kind != "data":
            folders[kind, folder].append(item.path)
        elif item.kind == "program":
            along = private.get(item.path, ())
            gain += sum(stripped[path] for path in along)
            why = "no measured group has it and no boot script names it"
            yield Cut("program", (item.path, *along), gain, loses=True, why=why)
        elif item.kind == "library":
            if item.path not in users.programs:
                loose.append(item)
        elif item.kind == "module":
            name = names.get(item.path, "")
            if name and name not in wanted and not {name, name.replace("_", "-")} & users.words:
                why = "no other module needs it and no boot script names it; does the board?"
                yield Cut("module", (item.path,), gain, loses=True, why=why)
        elif item.kind == "firmware":
            if not any(
                item.path.endswith((f"/{name}", f"/{name}.xz", f"/{name}.zst")) for name in firmware
            ):
                loose.append(item)
        elif not item.path.startswith(_KEPT):
            loose.append(item)
    loose.sort(key=lambda item: (-item.weight.stored, item.path))
    unnamed = set(_unnamed({item.path: {item.path} for item in loose[:NAMED]}, items, users))
    for item in loose:
        if item.path not in unnamed:
            continue
        word: CutKind = "library" if item.kind == "library" else "data"
        word = "firmware" if item.kind == "firmware" else word
        why = "nothing in the ramdisk names it"
        yield Cut(word, (item.path,), stripped[item.path], loses=True, why=why)
    for (kind, _), paths in folders.items():
        why = "programs show English" if kind == "locales" else "full-screen programs need it"
        gain = sum(stripped[path] for path in paths)
        yield Cut(kind, tuple(sorted(paths)), gain, loses=True, why=why)


def _private(
    users: Users, free: Sequence[Item], items: Sequence[Item]
) -> dict[str, tuple[str, ...]]:
    """Give, by program, the libraries that would go with it: only it and they name them."""
    sets: dict[str, set[str]] = defaultdict(set)
    libraries = {item.path for item in free if item.kind == "library"}
    for path, programs in users.programs.items():
        if len(programs) == 1 and path in libraries:
            sets[min(programs)].add(path)
    wanted = {path: {path, program} | along for program, along in sets.items() for path in along}
    unnamed = set(_unnamed(dict(sorted(wanted.items())[:NAMED]), items, users))
    return {program: tuple(sorted(along & unnamed)) for program, along in sets.items()}


def _unnamed(wanted: Mapping[str, set[str]], items: Sequence[Item], users: Users) -> list[str]:
    """Keep the paths that no script mentions and no other file has in its strings.

    Args:
        wanted: paths with those files that may name them.
        items: what is in the ramdisk.
        users: who uses what.

    """
    names = {}
    for path in wanted:
        name = posixpath.basename(path)
        stem, ending, _ = name.partition(".so")
        if name not in users.words and path not in users.words:
            names[path] = f"{stem}{ending}".encode("utf-8", "backslashreplace")
    named_in = [item for item in items if item.kind in {"program", "library", "script"}]
    if sum(item.data.size for item in named_in) > SEARCHED:
        return []
    for item in named_in:
        data = item.data.bytes(0, item.data.size)
        for path in list(names):
            if item.path not in wanted[path] and names[path] in data:
                del names[path]
    return list(names)


def improvable(archives: Sequence[Archive]) -> Archive | None:
    """Give the largest archive that xz would make smaller than it is, as a rule."""
    tried = [
        archive
        for archive in archives
        if archive.direct and archive.compression not in {"xz", "lzma"} and archive.weight.unpacked
    ]
    return max(tried, key=lambda archive: archive.weight.stored, default=None)


def _recompressed(archive: Archive, config: Mapping[str, str] | None) -> Cut:
    """Try xz on some pieces of an archive."""
    spans = _samples(archive.weight.unpacked)
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        packed = sum(pool.map(lambda span: _xz(archive, span), spans))
    now = sum(archive.shares.weight(span).stored for span in spans)
    size, whole = sum(span.size for span in spans), archive.weight.unpacked
    enabled = None if config is None else config.get("CONFIG_RD_XZ", "n") == "y"
    needs = "xz, which the kernel can read" if enabled else "xz; the kernel needs CONFIG_RD_XZ"
    if enabled is False:
        needs = "xz; the kernel needs CONFIG_RD_XZ, which it lacks"
    basis = "" if size == whole else f", tried on {human(size)} of {human(whole)}"
    gain = max(now - packed, 0) * whole // size
    return Cut("recompress", (), gain, loses=not enabled, why=f"{needs}{basis}")


def _samples(size: int) -> list[Span]:
    """Give the whole in pieces, or some pieces spread evenly."""
    if size <= PIECE * PIECES:
        return [Span(at, min(at + PIECE, size)) for at in range(0, size, PIECE)]
    last = size - PIECE
    return [Span.sized(last * part // (PIECES - 1), PIECE) for part in range(PIECES)]


def _xz(archive: Archive, span: Span) -> int:
    data = archive.view.bytes(span.start, span.size)
    # A dictionary as large as the piece is as good as any, and some pieces are packed at a time.
    chosen = {"id": lzma.FILTER_LZMA2, "preset": 6, "dict_size": PIECE}
    return len(lzma.compress(data, check=lzma.CHECK_CRC32, filters=[chosen]))
