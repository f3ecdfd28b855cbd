"""An F2FS walked whole: checkpoint, node addresses, nodes, directories, and counts against these.

Source: Linux include/linux/f2fs_fs.h and Documentation/filesystems/f2fs.rst. What counts as damage
is what fsck.f2fs of f2fs-tools repairs.
"""

from __future__ import annotations

import stat
import struct
from collections.abc import Iterator
from typing import NamedTuple

from imgaudit.data import dataclass
from imgaudit.errors import FormatError, UnreadError
from imgaudit.formats.crc32c import crc32_raw
from imgaudit.formats.facts import Checksum
from imgaudit.formats.files import FILE_KINDS, Entry, Named, Piece, Room, Walk, cut, old_device
from imgaudit.formats.view import View
from imgaudit.units import Span, round_up

MAX_BLOCKS = 1 << 26
"""Blocks whose owner is tracked, a byte each: 256 GiB."""
MAX_NODES = 400_000
_BLOCK = 4096
_PER_SEGMENT = 512
_MAGIC = 0xF2F52010
_NAT_PER_BLOCK = 455
_SIT = struct.Struct("<H64sQ")
_SIT_PER_BLOCK = _BLOCK // _SIT.size
_SIT_JOURNALED = 6
_JOURNAL_SIZE = 507
_VALID = 0x3FF  # of the first field of a SIT entry: how many blocks are valid
_ADDRESSES, _PER_NODE = 923, 1018
_INLINE_ATTRIBUTES, _INLINE_DATA, _INLINE_NAMES, _EXTRA = 1, 2, 4, 0x20
_DEFAULT_ATTRIBUTES = 50  # addresses' worth of room in an inode
_NEW, _PACKED = 0xFFFFFFFF, 0xFFFFFFFE
_COMPACT_SUMMARY, _ORPHANS, _LARGE_BITMAP = 0x4, 0x2, 0x400
_FLAG_PACKED, _ENCRYPTED = 0x4, 0x4  # of i_flags and of i_advise (fs/f2fs/f2fs.h)
_FOLDED = 0x40000000


_DIGITS = bytes.maketrans(b"\0\1", b"01")


@dataclass(frozen=True, slots=True, kw_only=True)
class Volume:
    """What the superblock says, in blocks."""

    blocks: int
    per_segment: int
    checkpoint: int
    payload: int
    nat: int
    nat_segments: int
    sit: int
    sit_segments: int
    main: int
    root: int
    quotas: tuple[int, ...]
    flexible: bool
    folded: bool


class _Inode(NamedTuple):
    number: int
    at: int
    mode: int
    inline: int
    advise: int
    flags: int
    uid: int
    gid: int
    links: int
    size: int
    mtime: int
    first: int
    room: int
    data: bytes


class F2fsWalk(Walk):
    """Walks all; `room` is what the checkpoint says."""

    def __init__(self, view: View, volume: Volume) -> None:
        super().__init__(view)
        self.volume = volume
        self.room: Room | None = None
        self._owned = bytearray()
        self._journal: dict[int, tuple[int, int]] = {}
        self._bitmap = b""
        self._sit_bitmap = b""
        self._sit_journal: dict[int, bytes] = {}
        self._known: dict[int, tuple[_Inode, tuple[Piece, ...] | None]] = {}
        self._found: dict[int, int] = {}
        self._nodes = 0
        self._taken = 0
        self._torn = (0, 0)
        self.attempt()

    def _walk(self) -> None:
        volume = self.volume
        if volume.blocks > MAX_BLOCKS or volume.blocks * _BLOCK > self.view.size:
            self.skip(f"it has {volume.blocks:,} blocks")
            return
        if volume.per_segment != _PER_SEGMENT:
            # Linux mounts no other (fs/f2fs/super.c, sanity_check_raw_super).
            self.skip(f"its segments have {volume.per_segment:,} blocks, not {_PER_SEGMENT}")
            return
        self._owned = bytearray(volume.blocks)
        place, block = self._checkpoint()
        user, valid = struct.unpack_from("<QQ", block, 8)
        self.room = Room(user * _BLOCK, max(0, user - valid) * _BLOCK)
        self._addresses(place, block)
        for number in filter(None, volume.quotas):
            self._take(number)
        self._list()
        (flags,) = struct.unpack_from("<I", block, 132)
        nodes, inodes = struct.unpack_from("<II", block, 144)
        if not self.complete or flags & _ORPHANS:
            return
        for name, said, have in (
            ("blocks in use", valid, self._taken),
            ("nodes", nodes, self._nodes),
            ("inodes", inodes, len(self._known)),
        ):
            if said != have:
                self.flaw(
                    place * _BLOCK, f"the checkpoint says {said:,} {name}; {have:,} are found"
                )
        self._segments()
        for number, count in self._found.items():
            inode = self._known[number][0]
            if not stat.S_ISDIR(inode.mode) and inode.links != count:
                what = f"inode {number:,} says {inode.links:,} names and has {count:,}"
                self.flaw(inode.at, what)

    # Checkpoint and node addresses

    def _pack(self, place: int, name: str) -> tuple[int, bytes] | None:
        """Read one of the two packs; None where it is not whole."""
        block = self.view.bytes(place * _BLOCK, _BLOCK)
        version, (count,) = block[:8], struct.unpack_from("<I", block, 136)
        (at,) = struct.unpack_from("<I", block, 164)
        if not 192 <= at <= _BLOCK - 4 or not 2 <= count <= _PER_SEGMENT:
            return None
        stored = int.from_bytes(block[at : at + 4], "little")
        computed = _sum(block, at)
        if stored != computed:
            start = place * _BLOCK
            sums = (f"{stored:08x}", f"{computed:08x}")
            covers = Span.sized(start, at)
            self.wrong(Checksum(f"{name} checkpoint", "crc32", *sums, start + at, covers))
            return None
        last = self.view.bytes((place + count - 1) * _BLOCK, _BLOCK)
        if last[:8] != version or _sum(last, at) != int.from_bytes(last[at : at + 4], "little"):
            self._torn = max(self._torn, (int.from_bytes(version, "little"), place + count - 1))
            return None
        return place, block

    def _checkpoint(self) -> tuple[int, bytes]:
        volume = self.volume
        packs = [
            self._pack(volume.checkpoint, "first"),
            self._pack(volume.checkpoint + _PER_SEGMENT, "second"),
        ]
        whole = [pack for pack in packs if pack is not None]
        if not whole:
            raise FormatError(volume.checkpoint * _BLOCK, "it has no checkpoint")
        newest = max(whole, key=lambda pack: int.from_bytes(pack[1][:8], "little"))
        # The older of both is of no use any more, and some makers write only its beginning.
        if self._torn[0] > int.from_bytes(newest[1][:8], "little"):
            self.flaw(self._torn[1] * _BLOCK, "its newest checkpoint is not finished")
        return newest

    def _addresses(self, place: int, block: bytes) -> None:
        """Find which copies of the node addresses count, and what the journal says instead."""
        flags, _, summary = struct.unpack_from("<III", block, 132)
        sit, nat = struct.unpack_from("<II", block, 156)
        compact, large, volume = flags & _COMPACT_SUMMARY, flags & _LARGE_BITMAP, self.volume
        # Where they stand: fs/f2fs/f2fs.h, __bitmap_ptr.
        data = self.view.bytes(place * _BLOCK, _BLOCK * (1 + min(volume.payload, _PER_SEGMENT)))
        first = 196 if large else 192 if volume.payload else 192 + sit
        self._bitmap = data[first : first + nat]
        first = 196 + nat if large else _BLOCK if volume.payload else 192
        self._sit_bitmap = data[first : first + sit]
        for have, size, segments, at in (
            (self._sit_bitmap, sit, volume.sit_segments, 156),
            (self._bitmap, nat, volume.nat_segments, 160),
        ):
            if not len(have) == size == segments // 2 * _PER_SEGMENT // 8:
                what = f"a bitmap of {size:,} bytes for the tables' {segments:,} segments"
                raise FormatError(place * _BLOCK + at, what)
        self._sit_changes(place + summary + (0 if compact else 2), compact=bool(compact))
        data = self.view.bytes((place + summary) * _BLOCK, _BLOCK)
        at = 0 if compact else 512 * 7
        (count,) = struct.unpack_from("<H", data, at)
        if count > 38:
            raise FormatError((place + summary) * _BLOCK, f"a journal of {count:,} node addresses")
        for number in range(count):
            nid, _, inode, address = struct.unpack_from("<IBII", data, at + 2 + 13 * number)
            self._journal[nid] = (inode, address)

    def _sit_changes(self, place: int, *, compact: bool) -> None:
        """Take what a journal says instead of the segments' own entries."""
        data = self.view.bytes(place * _BLOCK, _BLOCK)
        at = _JOURNAL_SIZE if compact else 512 * 7
        (count,) = struct.unpack_from("<H", data, at)
        for number in range(min(count, _SIT_JOURNALED)):
            here = at + 2 + number * (4 + _SIT.size)
            (segment,) = struct.unpack_from("<I", data, here)
            self._sit_journal[segment] = data[here + 4 : here + 4 + _SIT.size]

    def _segments(self) -> None:
        """Hold each segment's map of valid blocks against the blocks that are someone's."""
        volume = self.volume
        for segment in range((volume.blocks - volume.main) // _PER_SEGMENT):
            number, slot = divmod(segment, _SIT_PER_BLOCK)
            if number >= volume.sit_segments // 2 * _PER_SEGMENT:
                self.flaw(volume.sit * _BLOCK, f"segment {segment:,} has no map of valid blocks")
                return
            copy = self._sit_bitmap[number // 8] >> (7 - number % 8) & 1
            block = volume.sit + number + copy * (volume.sit_segments // 2) * _PER_SEGMENT
            at = block * _BLOCK + slot * _SIT.size
            entry = self._sit_journal.get(segment) or self.view.bytes(at, _SIT.size)
            count, valid, _ = _SIT.unpack(entry)
            start = volume.main + segment * _PER_SEGMENT
            owned = self._owned[start : start + _PER_SEGMENT]
            wanted = int(owned.translate(_DIGITS), 2).to_bytes(64, "big")
            if valid != wanted or count & _VALID != owned.count(1):
                differ = int.from_bytes(valid, "big") ^ int.from_bytes(wanted, "big")
                what = f"segment {segment:,} says {count & _VALID} valid blocks, {owned.count(1)}"
                self.flaw(at, f"{what} are in use; {differ.bit_count()} differ")

    def _address(self, nid: int) -> tuple[int, int]:
        """Give the inode that a node belongs to, and the block where it is."""
        if nid in self._journal:
            return self._journal[nid]
        volume = self.volume
        number, slot = divmod(nid, _NAT_PER_BLOCK)
        segment, offset = divmod(number, _PER_SEGMENT)
        block = volume.nat + 2 * segment * _PER_SEGMENT + offset
        if segment >= volume.nat_segments // 2:
            raise FormatError(volume.nat * _BLOCK, f"node {nid:,} has no address")
        if self._bitmap[number // 8] >> (7 - number % 8) & 1:
            block += _PER_SEGMENT
        _, inode, address = self.view.unpack("<BII", block * _BLOCK + 9 * slot)
        return inode, address

    def _claim(self, block: int, at: int, who: str) -> bool:
        if not self.volume.main <= block < self.volume.blocks:
            self.flaw(at, f"{who}: block {block:,} is outside the area of files")
            return False
        if self._owned[block]:
            self.flaw(at, f"{who}: block {block:,} has another owner too")
            return False
        self._owned[block] = 1
        self._taken += 1
        return True

    def _node(self, nid: int, inode: int) -> tuple[int, bytes]:
        """Read a node and judge its footer; give where it is."""
        self._nodes += 1
        if self._nodes > MAX_NODES:
            raise UnreadError(0, f"it has more than {MAX_NODES:,} nodes")
        owner, block = self._address(nid)
        who = f"node {nid:,}"
        if owner != inode:
            raise FormatError(0, f"{who} is of inode {owner:,} by its address, not of {inode:,}")
        at = block * _BLOCK
        if not self._claim(block, at, who):
            raise FormatError(min(at, self.view.size), f"{who} cannot be read")
        data = self.view.bytes(at, _BLOCK)
        own, belongs = struct.unpack_from("<II", data, 4072)
        if (own, belongs) != (nid, inode):
            raise FormatError(at + 4072, f"{who} says that it is {own:,}, of inode {belongs:,}")
        return at, data

    # Inodes

    def _inode(self, number: int) -> _Inode:
        at, data = self._node(number, number)
        mode, advise, inline, uid, gid, links, size = struct.unpack_from("<HBBIIIQ", data)
        (mtime,) = struct.unpack_from("<Q", data, 48)
        (flags,) = struct.unpack_from("<I", data, 80)
        if stat.S_IFMT(mode) not in FILE_KINDS.values():
            raise FormatError(at, f"inode {number:,} has mode {mode:#o}, which is no kind of file")
        extra = attributes = 0
        if inline & _EXTRA:
            extra, attributes = struct.unpack_from("<HH", data, 360)
            if extra % 4 or extra > 4 * _ADDRESSES:
                raise FormatError(at + 360, f"inode {number:,} has {extra:,} more bytes")
        if not inline & _INLINE_ATTRIBUTES and not self.volume.flexible:
            attributes = 0
        elif not self.volume.flexible:
            attributes = _DEFAULT_ATTRIBUTES
        room = _ADDRESSES - extra // 4 - attributes
        if room < 1:
            raise FormatError(at + 360, f"inode {number:,} has no room for addresses")
        return _Inode(
            *(number, at, mode, inline, advise, flags, uid, gid, links, size),
            mtime & 0xFFFFFFFF,
            360 + extra,
            room,
            data,
        )

    def _consistent(self, inode: _Inode, pieces: tuple[Piece, ...], taken: int) -> None:
        """Hold what an inode says of its blocks against those that it has."""
        who = f"inode {inode.number:,}"
        (said,) = struct.unpack_from("<Q", inode.data, 24)
        if said != taken:
            self.flaw(inode.at + 24, f"{who} says {said:,} blocks and has {taken:,}")
        if inode.flags & _FOLDED and not self.volume.folded:
            self.flaw(inode.at + 80, f"{who} folds the case of names; the superblock excludes that")
        inline = inode.inline & (_INLINE_DATA | _INLINE_NAMES)
        if inline and inode.data[inode.first : inode.first + 4] != bytes(4):
            self.flaw(inode.at + inode.first, f"{who} has data in itself and a block too")
        start, block, count = struct.unpack_from("<3I", inode.data, 348)
        if not count:
            return
        # The longest run of blocks, kept to find them without the addresses.
        at = 0
        for piece in pieces:
            here, end = start * _BLOCK - at, round_up(at + piece.size, _BLOCK)
            if here >= 0 and (start + count) * _BLOCK <= end and piece.offset is not None:
                if piece.offset + here == block * _BLOCK:
                    return
                break
            at += piece.size
        self.flaw(inode.at + 348, f"{who} has a run of {count:,} blocks elsewhere than it says")

    def _pieces(self, inode: _Inode) -> tuple[Piece, ...] | None:
        """Follow and claim a file's blocks."""
        who = f"inode {inode.number:,}"
        (attributes,) = struct.unpack_from("<I", inode.data, 76)
        if attributes:
            self._node(attributes, inode.number)
        if inode.inline & (_INLINE_DATA | _INLINE_NAMES):
            size = min(inode.size, 4 * (inode.room - 1))
            if inode.inline & _INLINE_DATA and inode.size > size:
                self.flaw(inode.at, f"{who}: {inode.size:,} bytes in its inode")
            return (Piece(size, inode.at + inode.first + 4),) if size else ()
        if stat.S_IFMT(inode.mode) in {stat.S_IFCHR, stat.S_IFBLK, stat.S_IFIFO, stat.S_IFSOCK}:
            return ()
        pieces: list[Piece] = []
        packed = False
        for at, block, count in self._blocks(inode):
            hole = block in {0, _NEW, _PACKED}
            packed |= block == _PACKED
            if block == _NEW:
                self._taken += 1
            place = None if hole or not self._claim(block, at, who) else block * _BLOCK
            last = pieces[-1] if pieces else None
            straight = None if last is None or last.offset is None else last.offset + last.size
            if last is not None and straight == place:
                pieces[-1] = last._replace(size=last.size + count * _BLOCK)
            else:
                pieces.append(Piece(count * _BLOCK, place))
        # A directory only hands the packing flag down to what is made in it.
        packed |= bool(inode.flags & _FLAG_PACKED) and stat.S_ISREG(inode.mode)
        if (packed or inode.advise & _ENCRYPTED) and not stat.S_ISDIR(inode.mode):
            self.unwalked = self.unwalked or "data that are packed or encrypted are not read"
            return None
        return cut(pieces, inode.size)

    def _blocks(self, inode: _Inode) -> Iterator[tuple[int, int, int]]:
        """Give a file's block addresses, where each is written, and for how many blocks it is."""
        yield from _numbers(inode.data, inode.at, inode.first, inode.room)
        for slot, depth in enumerate((0, 0, 1, 1, 2)):
            (nid,) = struct.unpack_from("<I", inode.data, 4052 + 4 * slot)
            yield from self._below(nid, depth, inode)

    def _below(self, nid: int, depth: int, inode: _Inode) -> Iterator[tuple[int, int, int]]:
        if not nid:
            yield inode.at, 0, _PER_NODE ** (depth + 1)
            return
        at, data = self._node(nid, inode.number)
        if depth == 0:
            yield from _numbers(data, at, 0, _PER_NODE)
            return
        for inner in struct.unpack_from(f"<{_PER_NODE}I", data):
            yield from self._below(inner, depth - 1, inode)

    # Directories

    def _list(self) -> None:
        root = self._take(self.volume.root)
        if not stat.S_ISDIR(root.mode):
            raise FormatError(root.at, "its root is no directory")
        self.list_all(self._entry("", root), root.number, root, self._inside)

    def _inside(self, folder: _Inode, parent: _Inode, path: str) -> Iterator[Named[_Inode]]:
        for name, number, kind, at in self._names(folder, path, parent.number):
            full = f"{path}/{name}" if path else name
            try:
                inode = self._take(number)
            except FormatError as problem:
                self.flaw(problem.offset or at, f"{full}: {problem.why}")
                self.complete = False
                continue
            self._found[number] = self._found.get(number, 0) + 1
            if FILE_KINDS.get(kind) != stat.S_IFMT(inode.mode):
                self.flaw(at, f"{full}: its entry says another kind of file")
            inside = inode if stat.S_ISDIR(inode.mode) else None
            if inside is not None and inode.advise & _ENCRYPTED:
                self.skip("names that are encrypted are not read")
                inside = None
            yield self._entry(full, inode), number, at, inside

    def _take(self, number: int) -> _Inode:
        known = self._known.get(number)
        if known is None:
            before = self._taken
            inode = self._inode(number)
            known = self._known[number] = (inode, self._pieces(inode))
            if known[1] is not None:
                self._consistent(inode, known[1], self._taken - before)
            if not inode.inline & _INLINE_NAMES:
                # Only names that stand in the inode are read from it again.
                known = self._known[number] = (inode._replace(data=b""), known[1])
        return known[0]

    def _entry(self, path: str, inode: _Inode) -> Entry:
        kind = stat.S_IFMT(inode.mode)
        pieces = self._known[inode.number][1]
        target, rdev = "", (0, 0)
        if kind == stat.S_IFLNK and pieces:
            piece = pieces[0]
            data = b"" if piece.offset is None else self.view.bytes(piece.offset, piece.size)
            target = data.split(b"\0")[0].decode("utf-8", "backslashreplace")
        elif kind in {stat.S_IFCHR, stat.S_IFBLK}:
            old, new = self.view.unpack("<II", inode.at + inode.first)
            rdev = old_device(old, new)
        return Entry(
            path,
            inode.mode,
            inode.size if kind in {stat.S_IFREG, stat.S_IFLNK} else 0,
            inode.number,
            inode.uid,
            inode.gid,
            inode.mtime,
            target,
            rdev,
            pieces if kind == stat.S_IFREG else (),
        )

    def _names(self, folder: _Inode, path: str, parent: int) -> Iterator[tuple[str, int, int, int]]:
        who = path or "/"
        dots = 0
        for name, number, kind, at in self._all_names(folder, who):
            if name in {b".", b".."}:
                dots += 1
                if number != (folder.number if name == b"." else parent):
                    self.flaw(at, f"{who}: its {name.decode()} is {number:,}")
            elif not name or b"/" in name or b"\0" in name:
                self.flaw(at, f"{who}: a name that cannot be")
            else:
                yield name.decode("utf-8", "backslashreplace"), number, kind, at
        if dots != 2:
            self.flaw(folder.at, f"{who}: it lacks . or ..")

    def _all_names(self, folder: _Inode, who: str) -> Iterator[tuple[bytes, int, int, int]]:
        if folder.inline & _INLINE_NAMES:
            size = 4 * (folder.room - 1)
            count = size * 8 // ((11 + 8) * 8 + 1)
            start = folder.first + 4
            data = folder.data[start : start + size]
            gap = size - 19 * count
            yield from self._slots(data, folder.at + start, count, gap, who)
            return
        for piece in self._known[folder.number][1] or ():
            if piece.offset is None:
                continue
            for at in range(piece.offset, piece.offset + piece.size, _BLOCK):
                yield from self._slots(self.view.bytes(at, _BLOCK), at, 214, 30, who)

    def _slots(
        self, data: bytes, at: int, count: int, first: int, who: str
    ) -> Iterator[tuple[bytes, int, int, int]]:
        """Give the entries of a block: a bitmap, entries of 11 bytes, slots of 8 for the names."""
        names = first + 11 * count
        slot = 0
        while slot < count:
            if not data[slot >> 3] >> (slot & 7) & 1:
                slot += 1
                continue
            place = first + 11 * slot
            _, number, size, kind = struct.unpack_from("<IIHB", data, place)
            used = -(-size // 8)
            name = data[names + 8 * slot : names + 8 * slot + size]
            if not size or slot + used > count:
                self.flaw(at + place, f"{who}: a name of {size:,} bytes")
                return
            yield name, number, kind, at + place
            slot += used


def _sum(block: bytes, at: int) -> int:
    """Sum a checkpoint up to its checksum and, where that does not end the block, behind it."""
    start = crc32_raw(block[:at], _MAGIC)
    return crc32_raw(block[at + 4 :], start) if at < _BLOCK - 4 else start


def _numbers(data: bytes, at: int, start: int, count: int) -> Iterator[tuple[int, int, int]]:
    for number, block in enumerate(struct.unpack_from(f"<{count}I", data, start)):
        yield at + start + 4 * number, block, 1
