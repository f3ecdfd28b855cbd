"""A squashfs walked whole: its tables unpacked, every inode, every directory, where each block is.

Source: Linux fs/squashfs/squashfs_fs.h and Documentation/filesystems/squashfs.rst. What counts as
damage is what unsquashfs does not unpack.
"""

from __future__ import annotations

import stat
import struct
from collections.abc import Iterator
from typing import NamedTuple

from imgaudit.data import dataclass
from imgaudit.errors import FormatError, UnreadError
from imgaudit.formats.blocks import unpack_block
from imgaudit.formats.files import Entry, Named, Piece, Walk, device
from imgaudit.formats.view import View
from imgaudit.units import KIB, MIB, both

MAX_TABLE = 64 * MIB
"""Bytes that a table unpacks to; 60,000 inodes take 3 MiB."""
MAX_INODES = 400_000
_METADATA = 8 * KIB
_BLOCKS = frozenset(1 << log for log in range(12, 21))  # SQUASHFS_FILE_MAX_LOG is 20
_PLAIN, _PLAIN_BLOCK = 0x8000, 1 << 24
_NONE = 0xFFFFFFFF
ABSENT = (1 << 64) - 1
_HOLE = 256  # a compressor leaves no stretch of one byte as long as this
METHODS = {1: "zlib", 2: "lzma", 3: "lzo", 4: "xz", 5: "lz4", 6: "zstd"}
_KINDS = {
    1: stat.S_IFDIR,
    2: stat.S_IFREG,
    3: stat.S_IFLNK,
    4: stat.S_IFBLK,
    5: stat.S_IFCHR,
    6: stat.S_IFIFO,
    7: stat.S_IFSOCK,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Volume:
    """What the superblock says; a table that is absent starts at 2^64 - 1."""

    inodes: int
    block_size: int
    fragments: int
    ids: int
    method: str
    root: int
    used: int
    inode_table: int
    directory_table: int
    fragment_table: int
    export_table: int
    id_table: int
    xattr_table: int


class _Inode(NamedTuple):
    number: int
    kind: int
    mode: int
    uid: int
    gid: int
    mtime: int
    links: int
    at: int
    size: int = 0
    target: str = ""
    rdev: tuple[int, int] = (0, 0)
    start: int = 0
    offset: int = 0
    parent: int = 0
    pieces: tuple[Piece, ...] = ()


class _Table:
    """A table of metadata blocks, unpacked; `place` gives where a stored block's bytes are."""

    def __init__(self, data: bytes, places: dict[int, int], stored: list[int]) -> None:
        self.data = data
        self.places = places
        self.stored = stored

    def stored_at(self, at: int) -> int:
        """Give where the block that holds a byte is stored."""
        return self.stored[min(at // _METADATA, len(self.stored) - 1)] if self.stored else 0


class SquashfsWalk(Walk):
    """Walks all; the results are as in `Walk`."""

    def __init__(self, view: View, volume: Volume) -> None:
        super().__init__(view)
        self.volume = volume
        self._fragments: list[tuple[int, int]] = []
        self._ids: tuple[int, ...] = ()
        self._checked: set[int] = set()
        self.attempt()

    # Tables

    def _metadata(self, at: int, end: int) -> tuple[bytes, int]:
        """Unpack the metadata block at a place; give where the next one starts."""
        header = self.view.u16le(at)
        size = header & ~_PLAIN
        if not 0 < size <= _METADATA or at + 2 + size > end:
            raise FormatError(at, f"a block of metadata of {size:,} bytes")
        data = self.view.bytes(at + 2, size)
        if not header & _PLAIN:
            data = unpack_block(self.volume.method, data, _METADATA, at, exact=False)
        return data, at + 2 + size

    def _table(self, name: str, start: int, end: int) -> _Table:
        """Unpack all blocks between two places."""
        if not 96 <= start <= end <= self.volume.used:
            raise FormatError(start, f"the table of {name} is not inside")
        parts: list[bytes] = []
        places: dict[int, int] = {}
        stored: list[int] = []
        at, total = start, 0
        while at < end:
            places[at - start] = total
            stored.append(at)
            try:
                data, following = self._metadata(at, end)
            except FormatError as problem:
                raise FormatError(problem.offset, f"the table of {name}: {problem.why}") from None
            if len(data) != _METADATA and following < end:
                raise FormatError(at, f"the table of {name}: a short block before its end")
            parts.append(data)
            total += len(data)
            at = following
            if total > MAX_TABLE:
                raise UnreadError(at, f"the table of {name} has more than {both(MAX_TABLE)}")
        return _Table(b"".join(parts), places, stored)

    def _indexed(self, name: str, start: int, size: int) -> tuple[bytes, int]:
        """Unpack a table whose blocks an index at `start` lists; give its lowest place too."""
        count = -(-size // _METADATA)
        if size > MAX_TABLE:
            raise UnreadError(start, f"the table of {name} has {both(size)}")
        if start + 8 * count > self.volume.used:
            raise FormatError(start, f"the table of {name} is not inside")
        pointers = struct.unpack(f"<{count}Q", self.view.bytes(start, 8 * count))
        parts = []
        for number, pointer in enumerate(pointers):
            if not 96 <= pointer < start:
                raise FormatError(start + 8 * number, f"the table of {name} leads to {pointer:#x}")
            try:
                data, _ = self._metadata(pointer, start)
            except FormatError as problem:
                raise FormatError(problem.offset, f"the table of {name}: {problem.why}") from None
            wanted = min(_METADATA, size - number * _METADATA)
            if len(data) < wanted:
                raise FormatError(pointer, f"the table of {name}: a block of {len(data):,} bytes")
            parts.append(data[:wanted])
        return b"".join(parts), min(pointers, default=start)

    def _walk(self) -> None:
        volume = self.volume
        if volume.block_size not in _BLOCKS:
            raise FormatError(12, f"blocks of {volume.block_size:,} bytes")
        ids, low = self._indexed("owners", volume.id_table, 4 * volume.ids)
        self._ids = struct.unpack(f"<{volume.ids}I", ids)
        end = low
        if volume.xattr_table != ABSENT:
            end = min(end, self._attributes(volume.xattr_table))
        if volume.export_table != ABSENT:
            exported, low = self._indexed("exports", volume.export_table, 8 * volume.inodes)
            end = min(end, low)
            self._exports(exported)
        if volume.fragments:
            data, low = self._indexed("fragments", volume.fragment_table, 16 * volume.fragments)
            end = min(end, low)
            self._fragments = [(start, size) for start, size, _ in struct.iter_unpack("<QII", data)]
            for number, (start, size) in enumerate(self._fragments):
                self._block(start, size, f"fragment {number:,}")
        inodes = self._table("inodes", volume.inode_table, volume.directory_table)
        folders = self._table("directories", volume.directory_table, end)
        found = self._inodes(inodes)
        place = inodes.places.get(volume.root >> 16)
        root = None if place is None else found.get(place + (volume.root & 0xFFFF))
        if root is None or root.kind != stat.S_IFDIR:
            raise FormatError(32, "it has no root directory")
        self._list(root, inodes, folders, found)

    def _exports(self, data: bytes) -> None:
        size = self.volume.directory_table - self.volume.inode_table
        for number, (reference,) in enumerate(struct.iter_unpack("<Q", data), 1):
            if reference >> 16 >= size or reference & 0xFFFF >= _METADATA:
                self.flaw(self.volume.export_table, f"the export of inode {number:,} leads outside")
                return

    def _attributes(self, start: int) -> int:
        """Unpack the extended attributes; give where they start."""
        first, count, _ = self.view.unpack("<QII", start)
        _, low = self._indexed("attributes", start + 16, 16 * count)
        low = low if count else start
        if not 96 <= first <= low:
            raise FormatError(start, f"the attributes start at {first:#x}")
        self._table("attributes", first, low)
        return first

    # Inodes

    def _inodes(self, table: _Table) -> dict[int, _Inode]:
        """Read all inodes, one behind the other; by their place in the table."""
        volume, data = self.volume, table.data
        if volume.inodes > MAX_INODES:
            raise UnreadError(4, f"it has {volume.inodes:,} inodes")
        found: dict[int, _Inode] = {}
        at = 0
        for _ in range(volume.inodes):
            try:
                inode, following = self._inode(data, at, table.stored_at(at))
            except struct.error:
                raise FormatError(table.stored_at(at), "the table of inodes ends early") from None
            found[at] = inode
            at = following
        if at != len(data):
            self.flaw(table.stored_at(at), f"{len(data) - at:,} bytes follow the last inode")
        return found

    def _inode(self, data: bytes, at: int, place: int) -> tuple[_Inode, int]:
        kind, mode, uid, gid, mtime, number = struct.unpack_from("<HHHHII", data, at)
        long, kind = kind > 7, kind - 7 if kind > 7 else kind
        if kind not in _KINDS or not 0 < number <= self.volume.inodes:
            raise FormatError(place, f"an inode of type {kind} with number {number:,}")
        if max(uid, gid) >= len(self._ids):
            self.flaw(place, f"inode {number:,} has an owner that is not in the table")
            uid = gid = 0
        base = _Inode(
            number,
            _KINDS[kind],
            _KINDS[kind] | mode & 0o7777,
            self._ids[uid] if self._ids else 0,
            self._ids[gid] if self._ids else 0,
            mtime,
            1,
            place,
        )
        at += 16
        if kind == 1:
            return self._folder(base, data, at, long=long)
        if kind == 2:
            return self._file(base, data, at, long=long)
        (links,) = struct.unpack_from("<I", data, at)
        at += 4
        if kind == 3:
            (size,) = struct.unpack_from("<I", data, at)
            target = data[at + 4 : at + 4 + size]
            if len(target) < size or not 0 < size <= 65536:
                raise FormatError(place, f"inode {number:,}: a link of {size:,} bytes")
            at += 4 + size
            base = base._replace(size=size, target=_text(target))
        elif kind in {4, 5}:
            (number,) = struct.unpack_from("<I", data, at)
            at += 4
            base = base._replace(rdev=device(number))
        return base._replace(links=links), at + 4 * long

    def _folder(self, base: _Inode, data: bytes, at: int, *, long: bool) -> tuple[_Inode, int]:
        if not long:
            start, links, size, offset, parent = struct.unpack_from("<IIHHI", data, at)
            at += 16
        else:
            links, size, start, parent, count, offset, _ = struct.unpack_from("<IIIIHHI", data, at)
            at += 24
            for _ in range(count):
                (length,) = struct.unpack_from("<I", data, at + 8)
                if length > 256:
                    raise FormatError(base.at, f"inode {base.number:,}: a damaged index")
                at += 13 + length
        return base._replace(links=links, size=size, start=start, offset=offset, parent=parent), at

    def _file(self, base: _Inode, data: bytes, at: int, *, long: bool) -> tuple[_Inode, int]:
        links = 1
        if not long:
            start, fragment, offset, size = struct.unpack_from("<IIII", data, at)
            at += 16
        else:
            start, size, _, links, fragment, offset, _ = struct.unpack_from("<QQQIIII", data, at)
            at += 40
        block = self.volume.block_size
        count = size // block if fragment != _NONE else -(-size // block)
        if 4 * count > len(data) - at:
            raise FormatError(base.at, f"inode {base.number:,}: {size:,} bytes in too few blocks")
        sizes = struct.unpack_from(f"<{count}I", data, at)
        pieces = self._blocks(base, start, size, sizes)
        if fragment != _NONE and size % block:
            pieces += self._fragment(base, fragment, offset, size % block)
        return base._replace(links=links, size=size, pieces=tuple(pieces)), at + 4 * count

    def _blocks(self, base: _Inode, start: int, size: int, sizes: tuple[int, ...]) -> list[Piece]:
        pieces: list[Piece] = []
        who = f"inode {base.number:,}"
        for stored in sizes:
            whole = min(self.volume.block_size, size)
            size -= whole
            count = stored & ~_PLAIN_BLOCK
            if not stored:
                pieces.append(Piece(whole, None))
                continue
            self._block(start, stored, who)
            if stored & _PLAIN_BLOCK:
                _append(pieces, Piece(whole, start))
                if count != whole:
                    self.flaw(base.at, f"{who}: a block of {count:,} bytes for {whole:,}")
            else:
                pieces.append(Piece(whole, start, self.volume.method, count, whole))
            start += count
        return pieces

    def _fragment(self, base: _Inode, number: int, offset: int, size: int) -> list[Piece]:
        who, block = f"inode {base.number:,}", self.volume.block_size
        if number >= len(self._fragments) or offset + size > block:
            self.flaw(base.at, f"{who}: its end is in fragment {number:,} at {offset:,}")
            return []
        start, stored = self._fragments[number]
        if stored & _PLAIN_BLOCK:
            if offset + size > stored & ~_PLAIN_BLOCK:
                self.flaw(base.at, f"{who}: its end is beyond fragment {number:,}")
            return [Piece(size, start + offset)]
        return [Piece(size, start, self.volume.method, stored, block, offset)]

    def _block(self, start: int, stored: int, who: str) -> None:
        """Judge where a data block lies, and whether what is packed was erased since."""
        size = stored & ~_PLAIN_BLOCK
        if start in self._checked:
            return
        self._checked.add(start)
        if not 96 <= start <= self.volume.inode_table - size or size > self.volume.block_size:
            self.flaw(start, f"{who}: a block of {size:,} bytes at {start:#x}")
        elif not stored & _PLAIN_BLOCK:
            data = self.view.bytes(start, size)
            for byte, name in ((b"\0", "zeros"), (b"\xff", "0xff")):
                # LZ4 spells a long match with 0xff, LZO with zeros.
                if (self.volume.method, byte) in {("lz4", b"\xff"), ("lzo", b"\0")}:
                    continue
                pattern = byte * _HOLE
                if (found := data.find(pattern)) >= 0:
                    self.flaw(start + found, f"{who}: a packed block with a stretch of {name}")
                    return

    # Directories

    def _list(
        self, root: _Inode, inodes: _Table, folders: _Table, found: dict[int, _Inode]
    ) -> None:
        def below(folder: _Inode, _: _Inode, path: str) -> Iterator[Named[_Inode]]:
            for name, block, offset, kind, number in self._names(folder, folders):
                full = f"{path}/{name}" if path else name
                start = inodes.places.get(block)
                inode = None if start is None else found.get(start + offset)
                if inode is None or inode.number != number:
                    self.flaw(folder.at, f"{full}: its inode {number:,} is not there")
                    continue
                if _KINDS.get(kind) != inode.kind:
                    self.flaw(folder.at, f"{full}: its entry says another kind of file")
                inside = inode if inode.kind == stat.S_IFDIR else None
                yield _entry(full, inode), inode.number, folder.at, inside

        self.list_all(_entry("", root), root.number, root, below)

    def _names(self, folder: _Inode, table: _Table) -> Iterator[tuple[str, int, int, int, int]]:
        """Give name, the inode's block and offset, kind and number of each entry."""
        who = f"directory {folder.number:,}"
        if folder.size <= 3:
            return
        at = table.places.get(folder.start)
        if at is None:
            self.flaw(folder.at, f"{who}: its entries are in no block")
            return
        at += folder.offset
        end = at + folder.size - 3
        if end > len(table.data):
            self.flaw(folder.at, f"{who}: its entries end outside the table")
            return
        previous = b""
        while at < end:
            if at + 12 > end:
                self.flaw(table.stored_at(at), f"{who}: a damaged header")
                return
            count, block, base = struct.unpack_from("<III", table.data, at)
            at += 12
            if count >= 256:
                self.flaw(table.stored_at(at), f"{who}: {count + 1:,} entries behind one header")
                return
            for _ in range(count + 1):
                if at + 8 > end:
                    self.flaw(table.stored_at(at), f"{who}: its entries are cut")
                    return
                offset, delta, kind, size = struct.unpack_from("<HhHH", table.data, at)
                name = table.data[at + 8 : at + 9 + size]
                at += 9 + size
                if at > end or size >= 256 or b"/" in name or b"\0" in name or name <= previous:
                    self.flaw(table.stored_at(at - 1), f"{who}: a name that cannot be there")
                    return
                previous = name
                yield _text(name), block, offset, kind, base + delta


def _append(pieces: list[Piece], piece: Piece) -> None:
    """Add a piece that is stored as it is, to the one before where it follows that."""
    last = pieces[-1] if pieces else None
    if last and not last.method and last.offset and last.offset + last.size == piece.offset:
        pieces[-1] = last._replace(size=last.size + piece.size)
    else:
        pieces.append(piece)


def _entry(path: str, inode: _Inode) -> Entry:
    folder = inode.kind == stat.S_IFDIR
    return Entry(
        path,
        inode.mode,
        0 if folder else inode.size,
        inode.number,
        inode.uid,
        inode.gid,
        inode.mtime,
        inode.target,
        inode.rdev,
        inode.pieces,
    )


def _text(name: bytes) -> str:
    return name.decode("utf-8", "backslashreplace")
