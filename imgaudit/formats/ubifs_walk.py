"""A UBIFS walked whole: the master node, the index, and every node that the index leads to.

Source: Linux fs/ubifs/ubifs-media.h and key.h. The journal is not replayed: what was written after
the last commit is not listed, and it is said so.
"""

from __future__ import annotations

import stat
import struct
from collections.abc import Iterator
from dataclasses import field
from typing import NamedTuple

from imgaudit.data import dataclass
from imgaudit.errors import FormatError, UnreadError
from imgaudit.formats.crc32c import crc32_raw
from imgaudit.formats.facts import Checksum
from imgaudit.formats.files import MAX_PIECES, Entry, Named, Piece, Room, Walk, device
from imgaudit.formats.ubifs_lpt import Geometry, lpt_flaws
from imgaudit.formats.view import View
from imgaudit.units import Span

MAX_NODES = 1_000_000
"""Nodes that are looked at: 4 GiB of data."""
_MAGIC = 0x06101831
_INODE, _DATA, _NAME, _ATTRIBUTE = range(4)
_MASTER, _REFERENCE, _INDEX, _COMMIT = 7, 8, 9, 10
_BLOCK = 4096
_MAX_LEVELS = 64
_METHODS = {0: "", 1: "lzo", 2: "deflate", 3: "zstd"}
_NAMES = {
    _INODE: "inode",
    _DATA: "data",
    _NAME: "name",
    _ATTRIBUTE: "attribute",
    _MASTER: "master",
    _INDEX: "index",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Volume:
    """What the superblock says."""

    leb_size: int
    leb_count: int
    unit: int
    log_lebs: int
    lpt_lebs: int
    orphan_lebs: int
    max_leb_count: int
    big_lpt: bool
    simple_keys: bool


class _Name(NamedTuple):
    name: bytes
    inode: int
    at: int


@dataclass(slots=True)
class _Inode:
    at: int
    mode: int
    size: int
    uid: int
    gid: int
    mtime: int
    links: int
    data: bytes
    blocks: dict[int, Piece] = field(default_factory=dict)
    found: int = 0


class UbifsWalk(Walk):
    """Walks all; `room` is what the master node says."""

    def __init__(self, view: View, volume: Volume) -> None:
        super().__init__(view)
        self.volume = volume
        self.room: Room | None = None
        self._inodes: dict[int, _Inode] = {}
        self._names: dict[int, list[_Name]] = {}
        self._left = MAX_NODES
        self._pieces = MAX_PIECES
        self.attempt()

    def _walk(self) -> None:
        volume = self.volume
        if not volume.simple_keys or volume.leb_size < _BLOCK or volume.leb_count < 6:
            self.skip("keys or blocks of another kind than Linux makes")
            return
        copies = [self._master(leb) for leb in (1, 2)]
        masters = [copy for copy in copies if copy is not None]
        if not masters:
            raise FormatError(volume.leb_size, "it has no master node")
        if len(masters) == 1:
            missing = 1 + copies.index(None)
            self.flaw(missing * volume.leb_size, f"the master node in LEB {missing} is not there")
        master = max(masters, key=lambda node: int.from_bytes(node[8:16], "little"))
        log, leb, offset, size = struct.unpack_from("<4I", master, 44)
        free, dirty = struct.unpack_from("<QQ", master, 80)
        total = volume.leb_size * volume.leb_count
        self.room = Room(total, min(total, free + dirty))
        self._log(log, int.from_bytes(master[32:40], "little"))
        self._index(leb, offset, size)
        self._free_space(*struct.unpack_from("<II", master, 120))
        self._list()

    def _free_space(self, leb: int, offset: int) -> None:
        volume = self.volume
        first = 3 + volume.log_lebs
        geometry = Geometry(
            leb_size=volume.leb_size,
            leb_count=volume.leb_count,
            max_leb_count=volume.max_leb_count,
            first=first,
            lebs=volume.lpt_lebs,
            main_first=first + volume.lpt_lebs + volume.orphan_lebs,
            big=volume.big_lpt,
        )
        for at, what in lpt_flaws(self.view, geometry, leb, offset):
            self.flaw(at, what)

    # Nodes

    def _place(self, leb: int, offset: int, size: int) -> int:
        volume = self.volume
        inside = leb < volume.leb_count and offset + size <= volume.leb_size and size >= 24
        if not inside or offset % 8:
            raise FormatError(0, f"a node of {size:,} bytes in LEB {leb:,} at {offset:,}")
        return leb * volume.leb_size + offset

    def _node(self, at: int, size: int, *kinds: int) -> bytes:
        """Read a node and judge its header.

        Raises:
            FormatError: it is none of these kinds.

        """
        self._left -= 1
        if self._left < 0:
            raise UnreadError(at, f"it has more than {MAX_NODES:,} nodes")
        data = self.view.bytes(at, size)
        magic, stored, _, length, kind = struct.unpack_from("<IIQIB", data)
        if magic != _MAGIC or length != size or kind not in kinds:
            wanted = " or ".join(_NAMES[kind] for kind in kinds)
            raise FormatError(at, f"no {wanted} node of {size:,} bytes where one should be")
        computed = crc32_raw(data[8:])
        if computed != stored:
            covers = Span.sized(at + 8, size - 8)
            name = f"{_NAMES[kind]} node"
            self.wrong(Checksum(name, "crc32", f"{stored:08x}", f"{computed:08x}", at + 4, covers))
            self.complete = False
        return data

    def _master(self, leb: int) -> bytes | None:
        """Find the last master node of a block."""
        size = -(-512 // self.volume.unit) * self.volume.unit
        found = None
        for offset in range(0, self.volume.leb_size - 511, size):
            at = leb * self.volume.leb_size + offset
            head = self.view.upto(at, 24)
            if head[:4] != _MAGIC.to_bytes(4, "little") or head[20:21] != bytes([_MASTER]):
                break
            found = self._node(at, 512, _MASTER)
        return found

    def _log(self, first: int, commit: int) -> None:
        """Look for what was written after the last commit."""
        volume = self.volume
        last = 3 + volume.log_lebs
        if not 3 <= first < last:
            raise FormatError(volume.leb_size, f"the log starts in LEB {first:,}")
        at = first * volume.leb_size
        head = self.view.upto(at, 32)
        if head[:4] != _MAGIC.to_bytes(4, "little") or head[20] != _COMMIT:
            self.flaw(at, "the log has no start of a commit")
            return
        if int.from_bytes(head[24:32], "little") != commit:
            self.flaw(at, "the log belongs to another commit than the master node")
        data = self.view.upto(at, volume.leb_size)
        magic = _MAGIC.to_bytes(4, "little")
        place = data.find(magic, 32)
        while 0 <= place <= len(data) - 32:
            if data[place + 20] == _REFERENCE:
                # A clean unmount leaves references to blocks with nothing more in them.
                leb, offset = struct.unpack_from("<II", data, place + 24)
                if self.view.upto(leb * volume.leb_size + offset, 4) == magic:
                    self.skip("what its journal has is not replayed")
                    return
            place = data.find(magic, place + 8)

    def _index(self, leb: int, offset: int, size: int) -> None:
        """Walk the index from its root, and all leaves."""
        todo: list[tuple[int, int, int | None]] = [(self._place(leb, offset, size), size, None)]
        seen: set[int] = set()
        while todo:
            at, size, level = todo.pop()
            if at in seen:
                self.flaw(at, "the index leads to one node twice")
                continue
            seen.add(at)
            try:
                node = self._node(at, size, _INDEX)
            except FormatError as problem:
                self.flaw(problem.offset, problem.why)
                self.complete = False
                continue
            count, own = struct.unpack_from("<HH", node, 24)
            if own > _MAX_LEVELS or level not in {None, own} or 28 + 20 * count > size or not count:
                self.flaw(at, "a damaged node of the index")
                self.complete = False
                continue
            for branch in struct.iter_unpack("<IIIII", node[28 : 28 + 20 * count]):
                try:
                    place = self._place(*branch[:3])
                    if own:
                        todo.append((place, branch[2], own - 1))
                    else:
                        self._leaf(place, branch[2], branch[3], branch[4])
                except FormatError as problem:
                    self.flaw(problem.offset or at, problem.why)
                    self.complete = False

    def _leaf(self, at: int, size: int, inode: int, key: int) -> None:
        kind = key >> 29
        if kind > _ATTRIBUTE:
            raise FormatError(at, f"a key of type {kind}")
        # The node of an attribute's name is that of a name with another type.
        node = self._node(at, size, kind)
        if int.from_bytes(node[24:28], "little") != inode:
            raise FormatError(at, f"a node of another inode than {inode:,}")
        if kind == _INODE:
            self._take_inode(node, at, inode)
        elif kind == _DATA:
            self._take_data(node, at, inode, key & 0x1FFFFFFF)
        elif kind == _NAME:
            self._take_name(node, at, inode)

    def _known(self, number: int) -> _Inode:
        return self._inodes.setdefault(number, _Inode(0, 0, 0, 0, 0, 0, 0, b""))

    def _take_inode(self, node: bytes, at: int, number: int) -> None:
        if len(node) < 160:
            raise FormatError(at, f"a node of an inode of {len(node)} bytes")
        (size,) = struct.unpack_from("<Q", node, 48)
        (mtime,) = struct.unpack_from("<Q", node, 72)
        links, uid, gid, mode, _, length = struct.unpack_from("<6I", node, 92)
        if 160 + length != len(node):
            raise FormatError(at, f"inode {number:,} has {length:,} bytes of data in its node")
        inode = self._known(number)
        inode.at, inode.mode, inode.size, inode.uid, inode.gid = at, mode, size, uid, gid
        inode.mtime, inode.links, inode.data = mtime & 0xFFFFFFFF, links, node[160:]

    def _take_data(self, node: bytes, at: int, number: int, block: int) -> None:
        size, method = struct.unpack_from("<IH", node, 40)
        stored = len(node) - 48
        if method not in _METHODS or not 0 < size <= _BLOCK or stored <= 0:
            raise FormatError(at, f"data of {size:,} bytes, packed with {method}")
        name = _METHODS[method]
        if not name and stored != size:
            raise FormatError(at, f"data of {size:,} bytes in a node of {len(node):,}")
        self._pieces -= 1
        if self._pieces < 0:
            raise UnreadError(at, f"its files have more than {MAX_PIECES:,} pieces")
        piece = Piece(size, at + 48, name, stored, size) if name else Piece(size, at + 48)
        self._known(number).blocks[block] = piece

    def _take_name(self, node: bytes, at: int, parent: int) -> None:
        inode, _, kind, size = struct.unpack_from("<QBBH", node, 40)
        name = node[56 : 56 + size]
        if len(node) != 57 + size or kind > 7:
            raise FormatError(at, f"a name of {size:,} bytes in a node of {len(node):,}")
        if inode:
            self._names.setdefault(parent, []).append(_Name(name, inode, at))

    # Directories

    def _list(self) -> None:
        root = self._inodes.get(1)
        if root is None or not stat.S_ISDIR(root.mode):
            self.flaw(0, "it has no root directory")
            self.complete = False
            return
        self.list_all(self._entry("", 1, root), 1, 1, self._below)
        if self.complete:
            self._counted()

    def _below(self, folder: int, _: int, path: str) -> Iterator[Named[int]]:
        for name in self._names.get(folder, ()):
            text = name.name.decode("utf-8", "backslashreplace")
            full = f"{path}/{text}" if path else text
            inode = self._inodes.get(name.inode)
            if inode is None or not inode.mode:
                if self.complete:
                    self.flaw(name.at, f"{full}: its inode {name.inode:,} has no node")
                continue
            if b"/" in name.name or not text:
                continue
            inode.found += 1
            inside = name.inode if stat.S_ISDIR(inode.mode) else None
            yield self._entry(full, name.inode, inode), name.inode, name.at, inside

    def _counted(self) -> None:
        for number, inode in self._inodes.items():
            if inode.found and not stat.S_ISDIR(inode.mode) and inode.found != inode.links:
                what = f"inode {number:,} says {inode.links:,} names and has {inode.found:,}"
                self.flaw(inode.at, what)
            end = -(-inode.size // _BLOCK)
            if stat.S_ISREG(inode.mode) and any(block >= end for block in inode.blocks):
                self.flaw(inode.at, f"inode {number:,} has data beyond its {inode.size:,} bytes")

    def _entry(self, path: str, number: int, inode: _Inode) -> Entry:
        kind = stat.S_IFMT(inode.mode)
        target, rdev = "", (0, 0)
        if kind == stat.S_IFLNK:
            target = inode.data.rstrip(b"\0").decode("utf-8", "backslashreplace")
        elif kind in {stat.S_IFCHR, stat.S_IFBLK} and len(inode.data) in {4, 8}:
            rdev = device(int.from_bytes(inode.data, "little"))
        regular = kind == stat.S_IFREG
        return Entry(
            path,
            inode.mode,
            inode.size if regular or target else 0,
            number,
            inode.uid,
            inode.gid,
            inode.mtime,
            target,
            rdev,
            self._file(inode) if regular else (),
        )

    @staticmethod
    def _file(inode: _Inode) -> tuple[Piece, ...]:
        """Put a file's blocks together, holes between them too."""
        pieces: list[Piece] = []
        at = 0
        for block, piece in sorted(inode.blocks.items()):
            start = block * _BLOCK
            if start >= inode.size:
                break
            if start > at:
                pieces.append(Piece(start - at, None))
            size = min(piece.size, inode.size - start)
            pieces.append(piece._replace(size=size))
            at = start + size
        if at < inode.size:
            pieces.append(Piece(inode.size - at, None))
        return tuple(pieces)
