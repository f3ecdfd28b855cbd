"""An EROFS walked whole: every inode, every directory, where the pieces of each file are.

Source: Linux Documentation/filesystems/erofs.rst, fs/erofs/erofs_fs.h and, for the indexes of
compressed files, fs/erofs/zmap.c.
"""

from __future__ import annotations

import bisect
import itertools
import stat
import struct
from collections.abc import Callable, Iterator
from typing import NamedTuple

from imgaudit.data import dataclass
from imgaudit.errors import FormatError, UnreadError
from imgaudit.formats.files import FILE_KINDS, MAX_PIECES, Entry, Named, Piece, Walk, device
from imgaudit.formats.view import View
from imgaudit.units import MIB, both, round_up

MAX_FOLDERS = 256 * MIB
"""Bytes of all directories together."""
MAX_FOLDER = 64 * MIB
_PLAIN, _FULL, _INLINE, _COMPACT, _CHUNKS = range(5)
_RAW, _HEAD, _INNER, _HEAD2 = range(4)
_BIG_COUNT = 1 << 11  # a number of blocks, not a distance
_ADVISE_2B, _ADVISE_BIG1, _ADVISE_BIG2, _ADVISE_TAIL, _ADVISE_TURNED, _ADVISE_FRAGMENT = (
    0x1,
    0x2,
    0x4,
    0x8,
    0x10,
    0x20,
)
_METHODS = {0: "lz4", 1: "microlzma", 2: "deflate", 3: "zstd"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Volume:
    """What the superblock says; with `padded`, packed data stand at the end of their blocks."""

    bits: int
    blocks: int
    metadata: int
    root: int
    padded: bool
    packed: int
    unknown: int


class _Inode(NamedTuple):
    nid: int
    at: int
    layout: int
    mode: int
    size: int
    uid: int
    gid: int
    mtime: int
    links: int
    number: int
    union: int
    after: int


class _Head(NamedTuple):
    """Where a packed piece starts in the file, and where its blocks are."""

    start: int
    kind: int
    block: int
    blocks: int


class ErofsWalk(Walk):
    """Walks all; the results are as in `Walk`."""

    def __init__(self, view: View, volume: Volume) -> None:
        super().__init__(view)
        self.volume = volume
        self._left = MAX_FOLDERS
        self._budget = MAX_PIECES
        self._known: dict[int, _Inode] = {}
        self._found: dict[int, int] = {}  # names of each inode
        self._shared: tuple[list[int], list[Piece]] | None = None
        self.attempt()

    def _walk(self) -> None:
        if self.volume.unknown:
            self.skip(f"it has features that are not known here ({self.volume.unknown:#x})")
            return
        root = self._inode(self.volume.root)
        if not stat.S_ISDIR(root.mode):
            raise FormatError(root.at, "its root is no directory")
        top = Entry("", root.mode, 0, root.nid, root.uid, root.gid, root.mtime)
        self.list_all(top, root.nid, root, self._below)
        for nid, count in self._found.items() if self.complete else ():
            inode = self._known[nid]
            if not stat.S_ISDIR(inode.mode) and inode.links != count:
                self.flaw(inode.at, f"inode {nid:,} says {inode.links:,} names and has {count:,}")

    def _below(self, folder: _Inode, parent: _Inode, path: str) -> Iterator[Named[_Inode]]:
        known = self._known
        for name, nid, kind, at in self._names(folder, parent.nid, path):
            full = f"{path}/{name}" if path else name
            try:
                inode = known.get(nid) or self._inode(nid)
                entry = self._entry(full, inode, first=nid not in known)
            except FormatError as problem:
                self.flaw(problem.offset, f"{full}: {problem.why}")
                continue
            known[nid] = inode
            self._found[nid] = self._found.get(nid, 0) + 1
            if kind != 0 and FILE_KINDS.get(kind) != stat.S_IFMT(inode.mode):
                self.flaw(at, f"{full}: its entry says another kind of file")
            yield entry, nid, at, inode if stat.S_ISDIR(inode.mode) else None

    def _inode(self, nid: int) -> _Inode:
        at = (self.volume.metadata << self.volume.bits) + 32 * nid
        if at + 32 > min(self.view.size, self.volume.blocks << self.volume.bits):
            raise FormatError(at, f"inode {nid:,} is outside the file system")
        form, attributes = self.view.unpack("<HH", at)
        layout = form >> 1 & 7
        if layout > _CHUNKS or form >> 4 & ~1:
            raise FormatError(at, f"inode {nid:,} has a layout that is not known ({form:#x})")
        if form & 1:
            mode, size, union, number, uid, gid, mtime, _, links = self.view.unpack(
                "<4xHxxQIIIIQII", at
            )
            head = 64
        else:
            mode, links, size, mtime, union, number, uid, gid = self.view.unpack("<4xHHIIIIHH", at)
            head = 32
        if stat.S_IFMT(mode) not in FILE_KINDS.values():
            raise FormatError(at + 4, f"inode {nid:,} has mode {mode:#o}, which is no kind of file")
        extra = 12 + 4 * (attributes - 1) if attributes else 0
        return _Inode(
            *(nid, at, layout, mode, size, uid, gid, mtime, links, number, union),
            at + head + extra,
        )

    def _entry(self, path: str, inode: _Inode, *, first: bool) -> Entry:
        kind = stat.S_IFMT(inode.mode)
        pieces: tuple[Piece, ...] | None = ()
        target, rdev = "", (0, 0)
        if kind == stat.S_IFLNK:
            target = self._data(inode, 4096).decode("utf-8", "backslashreplace")
            if not target:
                self.flaw(inode.at, f"{path}: a link without a target")
        elif kind in {stat.S_IFCHR, stat.S_IFBLK}:
            rdev = device(inode.union)
        elif kind == stat.S_IFREG:
            found = self._pieces(inode)
            pieces = None if found is None else tuple(found)
            if first and pieces:
                self._budget -= len(pieces)
                if self._budget < 0:
                    raise UnreadError(inode.at, f"its files have more than {MAX_PIECES:,} pieces")
        return Entry(
            path,
            inode.mode,
            inode.size if kind in {stat.S_IFREG, stat.S_IFLNK} else 0,
            inode.nid,
            inode.uid,
            inode.gid,
            inode.mtime,
            target,
            rdev,
            pieces,
        )

    # Where data are

    def _inside(self, start: int, size: int, at: int) -> None:
        end = min(self.view.size, self.volume.blocks << self.volume.bits)
        if start < 0 or start + size > end:
            raise FormatError(at, f"{size:,} bytes at {start:#x}, outside the file system")

    def _flat(self, inode: _Inode) -> list[Piece]:
        """Give the blocks in a row, and the tail behind the inode."""
        if not inode.size:
            return []
        bits = self.volume.bits
        tail = inode.size & (1 << bits) - 1 if inode.layout == _INLINE else 0
        whole = inode.size - tail
        pieces = []
        if whole:
            start = inode.union << bits
            self._inside(start, whole, inode.at)
            pieces.append(Piece(whole, start))
        if tail:
            self._inside(inode.after, tail, inode.at)
            if inode.after >> bits != inode.after + tail - 1 >> bits:
                raise FormatError(inode.at, f"its last {tail:,} bytes cross a block")
            pieces.append(Piece(tail, inode.after))
        return pieces

    def _chunked(self, inode: _Inode) -> list[Piece] | None:
        bits = (inode.union & 0x1F) + self.volume.bits
        indexed = inode.union & 0x20
        unit = 8 if indexed else 4
        at = round_up(inode.after, unit)
        count = -(-inode.size // (1 << bits))
        if count > MAX_PIECES:
            raise UnreadError(inode.at, f"a file in {count:,} chunks")
        pieces: list[Piece] = []
        left = inode.size
        for number in range(count):
            if indexed:
                _, elsewhere, block = self.view.unpack("<HHI", at + unit * number)
                if elsewhere:
                    self.skip("data on other devices are not read")
                    return None
            else:
                block = self.view.u32le(at + unit * number)
            size = min(left, 1 << bits)
            left -= size
            if block == 0xFFFFFFFF:
                pieces.append(Piece(size, None))
                continue
            start = block << self.volume.bits
            self._inside(start, size, inode.at)
            last = pieces[-1] if pieces else None
            if last and last.offset is not None and last.offset + last.size == start:
                pieces[-1] = last._replace(size=last.size + size)
            else:
                pieces.append(Piece(size, start))
        return pieces

    def _pieces(self, inode: _Inode) -> list[Piece] | None:
        if inode.layout in {_PLAIN, _INLINE}:
            return self._flat(inode)
        if inode.layout == _CHUNKS:
            return self._chunked(inode)
        return self._packed(inode)

    def _data(self, inode: _Inode, most: int) -> bytes:
        """Read what is never packed: a link's target, a directory."""
        if inode.layout not in {_PLAIN, _INLINE} or inode.size > most:
            raise FormatError(inode.at, f"{inode.size:,} bytes that are packed or too many")
        return b"".join(self.view.bytes(p.offset or 0, p.size) for p in self._flat(inode))

    def _packed(self, inode: _Inode) -> list[Piece] | None:
        """Give the packed pieces of a file."""
        header = round_up(inode.after, 8)
        _, tail, advise, algorithms, shift = self.view.unpack("<HHHBB", header)
        bits = self.volume.bits + (shift & 7)
        if shift & 0x80:
            # All of it lies in the file that holds the ends of files.
            return self._fragment(self.view.u64le(header) & ~(1 << 63), inode.size, inode.at)
        methods = [_METHODS.get(algorithms & 15, ""), _METHODS.get(algorithms >> 4, "")]
        count = -(-inode.size // (1 << bits))
        if count > 4 * MAX_PIECES:
            raise UnreadError(inode.at, f"a file of {both(inode.size)}")
        full = inode.layout == _FULL
        index = _Index(
            self.view, header + (16 if full else 8), bits, count, advise=advise, full=full
        )
        heads = list(index.heads(inode.at))
        if heads and heads[-1].start == inode.size:
            heads.pop()  # it only marks the end
        if inode.size and (not heads or heads[0].start):
            raise FormatError(inode.at, "its packed pieces have no beginning")
        pieces: list[Piece] = []
        for number, head in enumerate(heads):
            last = number + 1 == len(heads)
            end = inode.size if last else heads[number + 1].start
            if end <= head.start:
                raise FormatError(inode.at, "its packed pieces do not follow each other")
            if last and advise & _ADVISE_FRAGMENT:
                rest = self._fragment(self.view.u32le(header), end - head.start, inode.at)
                return None if rest is None else pieces + rest
            start, size = head.block << self.volume.bits, head.blocks << self.volume.bits
            if last and advise & _ADVISE_TAIL:
                start, size = index.end, tail
            self._inside(start, size, inode.at)
            whole = end - head.start
            if head.kind == _RAW:
                pieces += self._raw(head, whole, start, size, turned=advise & _ADVISE_TURNED)
                continue
            method = methods[head.kind == _HEAD2]
            if not self.volume.padded:
                method = "lz4-open"
            skip = self._padding(start, size) if self.volume.padded else 0
            if skip >= size:
                raise FormatError(start, "a packed block with nothing but zeros")
            pieces.append(Piece(whole, start + skip, method, size - skip, whole))
        return pieces

    def _raw(
        self, head: _Head, whole: int, start: int, size: int, *, turned: int
    ) -> Iterator[Piece]:
        """Give what is stored as it is; turned, it begins where it would in a block of the file."""
        if whole > size:
            raise FormatError(start, f"{whole:,} bytes in {size:,} as they are")
        block = 1 << self.volume.bits
        shift = head.start & block - 1 if turned else 0
        first = min(whole, block - shift) if shift else whole
        yield Piece(first, start + shift)
        if whole > first:
            yield Piece(whole - first, start)

    def _fragment(self, offset: int, size: int, at: int) -> list[Piece] | None:
        """Give the pieces of what lies in the file that holds the ends of files."""
        if self._shared is None:
            if not self.volume.packed:
                raise FormatError(at, "the end of a file in a file of ends that is not there")
            inode = self._inode(self.volume.packed)
            self._shared = [], []  # one in itself has nothing
            pieces = self._pieces(inode) or []
            if not self.complete:
                return None  # it is said why
            starts = list(itertools.accumulate((piece.size for piece in pieces), initial=0))
            self._shared = starts, pieces
        starts, pieces = self._shared
        if not starts and not self.complete:
            return None
        if not starts or offset + size > starts[-1]:
            raise FormatError(at, f"{size:,} bytes at {offset:,} of the file of ends, past its end")
        found = []
        number = bisect.bisect_right(starts, offset) - 1
        while size > 0:
            piece, skip = pieces[number], offset - starts[number]
            count = min(size, piece.size - skip)
            if piece.method:
                found.append(piece._replace(size=count, skip=piece.skip + skip))
            else:
                place = None if piece.offset is None else piece.offset + skip
                found.append(Piece(count, place))
            offset, size, number = offset + count, size - count, number + 1
        return found

    def _padding(self, start: int, size: int) -> int:
        """Count the zeros before packed data."""
        done = 0
        while done < size:
            data = self.view.bytes(start + done, min(64 << (done > 0) * 6, size - done))
            rest = data.lstrip(b"\0")
            if rest:
                return done + len(data) - len(rest)
            done += len(data)
        return size

    # Directories

    def _names(self, folder: _Inode, parent: int, path: str) -> Iterator[tuple[str, int, int, int]]:
        self._left -= folder.size
        if self._left < 0:
            raise UnreadError(folder.at, f"its directories have more than {both(MAX_FOLDERS)}")
        who = path or "/"
        try:
            data = self._data(folder, MAX_FOLDER)
        except FormatError as problem:
            self.flaw(problem.offset, f"{who}: {problem.why}")
            return
        dots = 0
        previous = b""
        block = 1 << self.volume.bits
        for start in range(0, len(data), block):
            for name, nid, kind in self._block(data[start : start + block], folder, who):
                if name <= previous:
                    self.flaw(folder.at, f"{who}: its names are not in order")
                previous = name
                if name in {b".", b".."}:
                    dots += 1
                    if nid != (folder.nid if name == b"." else parent):
                        self.flaw(folder.at, f"{who}: its {name.decode()} is {nid:,}")
                    continue
                yield name.decode("utf-8", "backslashreplace"), nid, kind, folder.at
        if dots != 2:
            self.flaw(folder.at, f"{who}: it lacks . or ..")

    def _block(self, data: bytes, folder: _Inode, who: str) -> Iterator[tuple[bytes, int, int]]:
        if len(data) < 12:
            self.flaw(folder.at, f"{who}: a block of {len(data)} bytes")
            return
        first = int.from_bytes(data[8:10], "little")
        if first % 12 or not 12 <= first <= len(data):
            self.flaw(folder.at, f"{who}: a damaged block of names")
            return
        entries = [struct.unpack_from("<QHBx", data, at) for at in range(0, first, 12)]
        for number, (nid, at, kind) in enumerate(entries):
            end = entries[number + 1][1] if number + 1 < len(entries) else len(data)
            name = data[at:end]
            if number + 1 == len(entries):
                name = name.split(b"\0")[0]
            if not at < end <= len(data) or not name or b"/" in name or b"\0" in name:
                self.flaw(folder.at, f"{who}: a name that cannot be")
                return
            yield name, nid, kind


_Decode = Callable[[int], tuple[int, int]]


class _Index:
    """The index of a packed file, in its full or its compact form."""

    def __init__(
        self, view: View, base: int, bits: int, count: int, *, advise: int, full: bool
    ) -> None:
        self.view = view
        self.full = full
        self.bits = bits
        self.count = count
        self.advise = advise
        self.base = base
        self.first = (32 - self.base % 32) // 4 & 7
        self.pairs = 0
        if advise & _ADVISE_2B and self.first < count:
            self.pairs = (count - self.first) // 16 * 16
        self.end = self.base + 8 * count
        if not full and count:
            # What follows an index follows its last pack, whole.
            place, shift = self._place(count - 1)
            size = (2 if shift == 2 else 16) << shift
            self.end = place // size * size + size

    def heads(self, at: int) -> Iterator[_Head]:
        """Give the heads in the order of the file."""
        waiting: _Head | None = None
        for number in range(self.count):
            kind, value, block = self._full(number) if self.full else self._compact(number, at)
            if kind == _INNER:
                if waiting is None:
                    raise FormatError(at, "its packed pieces have no beginning")
                if value & _BIG_COUNT and not waiting.blocks:
                    waiting = waiting._replace(blocks=value & ~_BIG_COUNT)
                continue
            if waiting is not None:
                yield waiting._replace(blocks=waiting.blocks or 1)
            if value >= 1 << self.bits:
                raise FormatError(at, "a packed piece begins outside its cluster")
            big = self.advise & (_ADVISE_BIG2 if kind == _HEAD2 else _ADVISE_BIG1)
            blocks = 0 if big and kind != _RAW else 1
            waiting = _Head((number << self.bits) + value, kind, block, blocks)
        if waiting is not None:
            yield waiting._replace(blocks=waiting.blocks or 1)

    def _full(self, number: int) -> tuple[int, int, int]:
        advise, offset, union = self.view.unpack("<HHI", self.base + 8 * number)
        kind = advise & 3
        return kind, (union & 0xFFFF if kind == _INNER else offset), union

    def _place(self, number: int) -> tuple[int, int]:
        """Give where a compact entry stands, and the power of two of the bytes that it takes."""
        if number < self.first:
            return self.base + 4 * number, 2
        number -= self.first
        start = self.base + 4 * self.first
        if number < self.pairs:
            return start + 2 * number, 1
        return start + 2 * self.pairs + 4 * (number - self.pairs), 2

    def _compact(self, number: int, at: int) -> tuple[int, int, int]:
        place, shift = self._place(number)
        if (shift == 2 and self.bits > 14) or (shift == 1 and self.bits > 12):
            raise FormatError(at, "a compact index for clusters that are too large")
        entries = 2 if shift == 2 else 16
        size = entries << shift
        start = place // size * size
        pack = self.view.bytes(start, size)
        low = max(self.bits, 12)
        width = (size - 4) * 8 // entries
        slot = (place - start) >> shift
        bits = int.from_bytes(pack, "little")

        def decoded(index: int) -> tuple[int, int]:
            value = bits >> width * index
            return value >> low & 3, value & (1 << low) - 1

        kind, value = decoded(slot)
        if kind == _INNER:
            return kind, value, 0
        return kind, value, int.from_bytes(pack[-4:], "little") + self._before(decoded, slot, at)

    def _before(self, decoded: _Decode, slot: int, at: int) -> int:
        """Count the blocks of the pieces that start before a slot, in its pack."""
        count = 0 if self.advise & _ADVISE_BIG1 else 1
        while slot > 0:
            slot -= 1
            kind, value = decoded(slot)
            if not self.advise & _ADVISE_BIG1:
                if kind == _INNER:
                    slot -= value
                count += slot >= 0
            elif kind != _INNER:
                count += 1
            elif value & _BIG_COUNT:
                slot -= 1
                count += value & ~_BIG_COUNT
            else:
                if value <= 1:
                    raise FormatError(at, "a damaged compact index")
                slot -= value - 2
        return count
