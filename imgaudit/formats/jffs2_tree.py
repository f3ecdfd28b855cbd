"""What the nodes of a JFFS2 make: checksums of each node, the directories, the pieces of each file.

Source: Linux include/uapi/linux/jffs2.h and fs/jffs2 (scan.c, nodelist.c): of two nodes for the
same name or bytes, the one with the higher version counts.
"""

from __future__ import annotations

import stat
import struct
from collections.abc import Iterator
from typing import Literal, NamedTuple

from imgaudit.formats.crc32c import crc32_raw
from imgaudit.formats.facts import Checksum
from imgaudit.formats.files import Entry, Named, Piece, Walk, device
from imgaudit.formats.view import View
from imgaudit.units import Span

MAX_NODES = 400_000
"""Nodes of files and names that are kept."""
MAX_PATCHES = 20_000
"""Nodes that are laid over older ones; each costs a look at its file's pieces."""
DIRENT, INODE = 0xE001, 0xE002
_ROOT = 1
_METHODS = {2: "rtime", 6: "zlib", 7: "lzo"}
_HEAD = {DIRENT: 40, INODE: 68}


class _Name(NamedTuple):
    version: int
    inode: int
    kind: int
    at: int


class _Data(NamedTuple):
    version: int
    mode: int
    uid: int
    gid: int
    size: int
    mtime: int
    offset: int
    stored: int
    whole: int
    compressor: int
    at: int


class Jffs2Tree(Walk):
    """Takes the nodes one by one, then lists what they make."""

    def __init__(self, view: View, order: Literal["little", "big"]) -> None:
        super().__init__(view)
        sign = "<" if order == "little" else ">"
        self._dirent = struct.Struct(sign + "12xIIIIBB2xII")
        self._inode = struct.Struct(sign + "12xIIIHHIIIIIIIBBHII")
        self._names: dict[int, dict[bytes, _Name]] = {}
        self._data: dict[int, list[_Data]] = {}
        self._nodes = 0
        self._patches = MAX_PATCHES

    def take(self, kind: int, place: int, length: int) -> None:
        """Judge a node's checksums and keep what it says."""
        self._nodes += 1
        if self._nodes > MAX_NODES:
            self.skip(f"it has more than {MAX_NODES:,} nodes")
            return
        if length < _HEAD[kind] or place + length > self.view.size:
            self.flaw(place, f"a node of {length:,} bytes is cut")
            self.complete = False
            return
        data = self.view.bytes(place, length)
        if kind == DIRENT:
            self._take_name(data, place)
        else:
            self._take_data(data, place)

    def _sum(self, name: str, data: bytes, place: int, stored: int, at: int) -> bool:
        computed = crc32_raw(data, 0)
        if computed != stored:
            covers = Span.sized(place, len(data))
            self.wrong(Checksum(name, "crc32", f"{stored:08x}", f"{computed:08x}", at, covers))
            self.complete = False
        return computed == stored

    def _take_name(self, data: bytes, place: int) -> None:
        parent, version, inode, _, size, kind, node_sum, name_sum = self._dirent.unpack_from(data)
        if not self._sum("node of a name", data[:32], place, node_sum, place + 32):
            return
        name = data[40 : 40 + size]
        if len(name) < size:
            self.flaw(place, f"the node of a name of {size} bytes has {len(data):,}")
            self.complete = False
            return
        if not self._sum("name", name, place + 40, name_sum, place + 36):
            return
        names = self._names.setdefault(parent, {})
        if name not in names or names[name].version <= version:
            names[name] = _Name(version, inode, kind, place)

    def _take_data(self, data: bytes, place: int) -> None:
        fields = self._inode.unpack_from(data)
        number, version, mode, uid, gid, size, _, mtime, _, offset, stored, whole = fields[:12]
        compressor, _, _, data_sum, node_sum = fields[12:]
        if not self._sum(f"node of inode {number:,}", data[:60], place, node_sum, place + 64):
            return
        packed = data[68 : 68 + stored]
        if len(packed) < stored:
            self.flaw(place, f"inode {number:,}: a node with {stored:,} bytes has {len(data):,}")
            self.complete = False
            return
        name = f"data of inode {number:,}"
        if not self._sum(name, packed, place + 68, data_sum, place + 60):
            return
        self._data.setdefault(number, []).append(
            _Data(
                version, mode, uid, gid, size, mtime, offset, stored, whole, compressor, place + 68
            )
        )

    def finish(self) -> None:
        """List every name, from the root on."""
        self.list_all(Entry("", stat.S_IFDIR | 0o755, 0, _ROOT), _ROOT, _ROOT, self._below)

    def _below(self, folder: int, _: int, path: str) -> Iterator[Named[int]]:
        for name, found in self._names.get(folder, {}).items():
            if not found.inode:
                continue
            text = name.decode("utf-8", "backslashreplace")
            full = f"{path}/{text}" if path else text
            nodes = self._data.get(found.inode)
            if not nodes:
                if self.complete:
                    self.flaw(found.at, f"{full}: its inode {found.inode:,} has no node")
                continue
            if b"/" not in name:
                inside = found.inode if stat.S_ISDIR(max(nodes).mode) else None
                yield self._entry(full, found, nodes), found.inode, found.at, inside

    def _entry(self, path: str, name: _Name, nodes: list[_Data]) -> Entry:
        nodes.sort()
        last = nodes[-1]
        kind = stat.S_IFMT(last.mode)
        if name.kind != kind >> 12:
            self.flaw(name.at, f"{path}: its name says another kind of file")
        target, rdev = "", (0, 0)
        if kind == stat.S_IFLNK:
            target = self.view.bytes(last.at, last.stored).decode("utf-8", "backslashreplace")
        elif kind in {stat.S_IFCHR, stat.S_IFBLK}:
            rdev = self._device(last)
        regular = kind == stat.S_IFREG
        return Entry(
            path,
            last.mode,
            last.size if regular else len(target.encode()) if target else 0,
            name.inode,
            last.uid,
            last.gid,
            last.mtime,
            target,
            rdev,
            self._pieces(nodes) if regular else (),
        )

    def _device(self, node: _Data) -> tuple[int, int]:
        data = self.view.bytes(node.at, node.stored)
        sign = self._inode.format[0]
        if len(data) == 2:
            (value,) = struct.unpack(f"{sign}H", data)
            return value >> 8, value & 0xFF
        if len(data) == 4:
            (value,) = struct.unpack(f"{sign}I", data)
            return device(value)
        self.flaw(node.at, f"a device in {len(data):,} bytes")
        return (0, 0)

    def _pieces(self, nodes: list[_Data]) -> tuple[Piece, ...] | None:
        """Lay a file's nodes over each other, the newest last; holes between them too."""
        laid: list[tuple[int, Piece]] = []
        end = 0
        for node in nodes:
            if not node.whole:
                continue
            piece = _piece(node)
            if piece is None:
                self.skip(f"data packed with compressor {node.compressor} are not read")
                return None
            if node.offset < end:
                self._patches -= 1
                if self._patches < 0:
                    self.skip(f"more than {MAX_PATCHES:,} pieces of files were written anew")
                    return None
                laid = _without(laid, node.offset, node.offset + node.whole)
            laid.append((node.offset, piece))
            end = max(end, node.offset + node.whole)
        laid.sort()
        size = nodes[-1].size
        pieces: list[Piece] = []
        at = 0
        for offset, piece in laid:
            if offset >= size:
                break
            if offset > at:
                pieces.append(Piece(offset - at, None))
            pieces.append(piece._replace(size=min(piece.size, size - offset)))
            at = offset + piece.size
        if at < size:
            pieces.append(Piece(size - at, None))
        return tuple(pieces)


def _piece(node: _Data) -> Piece | None:
    if node.compressor in {0, 4}:
        return Piece(node.whole, node.at) if node.stored == node.whole else None
    if node.compressor == 1:
        return Piece(node.whole, None)
    method = _METHODS.get(node.compressor)
    return Piece(node.whole, node.at, method, node.stored, node.whole) if method else None


def _without(laid: list[tuple[int, Piece]], start: int, end: int) -> list[tuple[int, Piece]]:
    """Cut a range out of what is laid."""
    kept = []
    for offset, piece in laid:
        if offset + piece.size <= start or offset >= end:
            kept.append((offset, piece))
            continue
        if offset < start:
            kept.append((offset, _part(piece, 0, start - offset)))
        if offset + piece.size > end:
            kept.append((end, _part(piece, end - offset, offset + piece.size - end)))
    return kept


def _part(piece: Piece, skip: int, size: int) -> Piece:
    if piece.offset is None or piece.method:
        return piece._replace(size=size, skip=piece.skip + skip if piece.method else 0)
    return piece._replace(size=size, offset=piece.offset + skip)
