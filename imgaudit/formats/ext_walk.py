"""An ext2, ext3 or ext4 walked whole: descriptors, bitmaps, inodes, extents, directories.

Source: Linux Documentation/filesystems/ext4 (group_descr, bitmaps, inodes, ifork, directory,
attributes, checksums). What counts as damage is what e2fsck of e2fsprogs repairs.
"""

from __future__ import annotations

import stat
import struct
from collections.abc import Iterator
from typing import Any, NamedTuple

from imgaudit.data import dataclass
from imgaudit.errors import FormatError, UnreadError
from imgaudit.formats.crc16 import crc16
from imgaudit.formats.crc32c import Rows, crc32c
from imgaudit.formats.ext_attributes import attribute_flaw
from imgaudit.formats.ext_hash import TEA
from imgaudit.formats.ext_index import Branch, Index
from imgaudit.formats.facts import Checksum
from imgaudit.formats.files import Entry, Named, Piece, Walk, old_device
from imgaudit.formats.view import View
from imgaudit.units import KIB, MIB, Span, both

MAX_CLUSTERS = 1 << 26
"""Clusters whose owner is tracked, a byte each: 256 GiB in blocks of 4 KiB."""
MAX_INODES = 400_000
"""Inodes that are looked at; a large distribution's root has some 60,000."""
MAX_READ = 512 * MIB
"""Bytes of metadata that are read."""
MAX_GROUPS = 1 << 16
_ROOT, _RESIZE, _JOURNAL = 2, 7, 8
_EXTENT_MAGIC, _EXTENT_LEVELS = 0xF30A, 5
_WRITTEN = 0x8000  # a longer extent is only set aside; it reads as zeros
_FAST_LINK = 60
_EXT_INDEX, _ENCRYPTED, _HUGE, _EXTENTS, _EA_INODE, _INLINE, _VERITY, _FOLDED = (
    0x1000,
    0x800,
    0x40000,
    0x80000,
    0x200000,
    0x10000000,
    0x100000,
    0x40000000,
)
_XATTR_MAGIC = 0xEA020000
_XATTR = _XATTR_MAGIC.to_bytes(4, "little")
_JOURNAL_MAGIC = 0xC03B3998
_MMP_MAGIC = 0x004D4D50
_MOST_FLEX = 31
_SIPHASH = 6  # of directories that are encrypted and casefolded; it is kept in the entries
_TAIL = b"\0\0\0\0\x0c\0\0\xde"
_EXTENT_HEAD, _EXTENT = struct.Struct("<4H"), struct.Struct("<IHHI")
_DIRENT = struct.Struct("<IHBB")
_INODE_UNINIT, _BLOCK_UNINIT = 1, 2
_KINDS = {
    stat.S_IFREG: 1,
    stat.S_IFDIR: 2,
    stat.S_IFCHR: 3,
    stat.S_IFBLK: 4,
    stat.S_IFIFO: 5,
    stat.S_IFSOCK: 6,
    stat.S_IFLNK: 7,
}
# The first 128 bytes of an inode; what follows them, if it is longer, starts with two numbers more.
_INODE = "<HHIIIIIHHIII60sIIII5H2x"
_MORE = "HH"
_KIND = 0xF000  # of a mode; stat.S_IFMT() is a call
_WITHOUT_DATA = frozenset({stat.S_IFCHR, stat.S_IFBLK, stat.S_IFIFO, stat.S_IFSOCK})
_GENERATION = 0x64
_SUM_BYTES = frozenset({0x7C, 0x7D, 0x82, 0x83})  # where an inode keeps its own checksum


@dataclass(frozen=True, slots=True, kw_only=True)
class Volume:
    """What the superblock says; features are what the walk needs to know of them."""

    block_size: int
    block_count: int
    first_block: int
    ratio: int
    blocks_per_group: int
    inode_count: int
    inode_size: int
    first_inode: int
    inodes_per_group: int
    descriptor_size: int
    seed: int
    uuid: bytes
    journal: int
    reserved_descriptors: int
    first_meta_group: int
    backups: tuple[int, int]
    quotas: tuple[int, ...]
    orphans: int
    mmp: int
    hash_seed: tuple[int, ...]
    unsigned_hash: bool
    linux: bool
    flex: int
    features: frozenset[str]

    @property
    def groups(self) -> int:
        """How many block groups there are."""
        return -(-(self.block_count - self.first_block) // max(1, self.blocks_per_group))

    @property
    def summed(self) -> bool:
        """Whether all metadata carry a CRC-32C."""
        return "metadata_csum" in self.features

    @property
    def lazy(self) -> bool:
        """Whether groups may be left uninitialised."""
        return self.summed or "uninit_bg" in self.features

    def has_backup(self, group: int) -> bool:
        """Tell whether a superblock and descriptors stand in a group."""
        if "sparse_super2" in self.features:
            return group == 0 or group in self.backups
        if "sparse_super" not in self.features or group < 2:
            return True
        return any(_is_power(group, base) for base in (3, 5, 7))


def _is_power(value: int, base: int) -> bool:
    while value % base == 0:
        value //= base
    return value == 1


class _Group(NamedTuple):
    number: int
    at: int
    block_bitmap: int
    inode_bitmap: int
    table: int
    free_blocks: int
    free_inodes: int
    folders: int
    flags: int
    block_sum: int
    inode_sum: int
    unused: int


@dataclass(slots=True)
class _Inode:
    """An inode, and what was found while its blocks were followed.

    That are the blocks of its index so far, and the number in the file that comes next.
    """

    number: int
    at: int
    mode: int
    uid: int
    gid: int
    size: int
    mtime: int
    links: int
    flags: int
    map: bytes
    seed: int
    acl: int
    blocks: int
    pieces: tuple[Piece, ...] = ()
    target: str = ""
    found: int = 0
    index_blocks: int = 0
    following: int = 0

    def __str__(self) -> str:
        return f"inode {self.number:,}"

    @property
    def folder(self) -> bool:
        return self.mode & _KIND == stat.S_IFDIR


class _Run(NamedTuple):
    first: int
    block: int
    length: int
    written: bool


class ExtWalk(Walk):
    """Walks all of a file system; the results are as in `Walk`."""

    def __init__(self, view: View, volume: Volume) -> None:
        super().__init__(view)
        self.volume = volume
        self.inodes: dict[int, _Inode] = {}
        self.sums: dict[int, tuple[int, int]] = {}  # of those just read: seed and checksum
        self._left = MAX_READ
        self._owned = bytearray()
        self._record = struct.Struct(_INODE)
        self._attributes: dict[int, list[int]] = {}  # of each block: users it says, users found
        self._sectors = volume.block_size // 512 * volume.ratio
        self._summed = volume.summed
        self._typed = "filetype" in volume.features
        self._overlap = not {"bigalloc", "shared_blocks"} & volume.features
        self.attempt()

    def _walk(self) -> None:
        volume = self.volume
        clusters = -(-volume.block_count // volume.ratio)
        why = _unusable(volume)
        if why:
            raise FormatError(1024, why)
        if clusters > MAX_CLUSTERS or volume.groups > MAX_GROUPS:
            self.skip(f"it has {volume.block_count:,} blocks")
            return
        more = volume.inode_size - 128
        self._record = struct.Struct(_INODE + (f"{_MORE}{more - 4}x" if more else ""))
        self._owned = bytearray(clusters)
        if volume.first_block or volume.ratio > 1:
            self._owned[0] = 1
        groups = list(self._descriptors())
        for group in groups:
            self._own_metadata(group)
        for group in groups:
            self._inode_table(group)
        self._list()
        if self.complete:
            for number, what in (
                (volume.journal, "the journal"),
                *((quota, "quotas") for quota in volume.quotas),
            ):
                if number and number not in self.inodes:
                    self.flaw(1024, f"inode {number:,}, which should have {what}, is not in use")
            self._counted()
            self._free_inodes(groups)
            self._free_blocks(groups)

    def read(self, offset: int, size: int) -> bytes:
        """Read metadata, as long as they are not too many."""
        self._left -= size
        if self._left < 0:
            raise UnreadError(offset, f"its metadata have more than {both(MAX_READ)}")
        return self.view.bytes(offset, size)

    def block(self, number: int) -> bytes:
        """Read a block of metadata."""
        return self.read(number * self.volume.block_size, self.volume.block_size)

    def _sum(
        self, name: str, covers: Span, sums: tuple[int, int], place: int, digits: int = 8
    ) -> None:
        """Note a checksum, stored and computed, that does not match."""
        if sums[0] != sums[1]:
            algorithm = "crc32c" if self.volume.summed else "crc16"
            stored, computed = (f"{value:0{digits}x}" for value in sums)
            self.wrong(Checksum(name, algorithm, stored, computed, place, covers))

    # Groups

    def _descriptor_block(self, index: int) -> int:
        """Give the block that holds the descriptors from `index` blocks' worth on."""
        volume = self.volume
        start = volume.first_block
        if volume.block_size == KIB and not start:
            start = 1  # bigalloc with blocks of 1 KiB: the superblock is in block 1
        if "meta_bg" not in volume.features or index < volume.first_meta_group:
            return start + 1 + index
        group = index * (volume.block_size // volume.descriptor_size)
        first = volume.first_block + group * volume.blocks_per_group
        return max(first, start if group == 0 else 0) + volume.has_backup(group)

    def _descriptors(self) -> Iterator[_Group]:
        volume = self.volume
        per_block = volume.block_size // volume.descriptor_size
        for index in range(-(-volume.groups // per_block)):
            place = self._descriptor_block(index)
            data = self.block(place)
            for slot in range(min(per_block, volume.groups - index * per_block)):
                at = slot * volume.descriptor_size
                stored = data[at : at + volume.descriptor_size]
                here = place * volume.block_size + at
                group = _group(index * per_block + slot, here, stored)
                self._descriptor_sum(group, stored)
                if self._plausible(group):
                    yield group

    def _descriptor_sum(self, group: _Group, stored: bytes) -> None:
        volume = self.volume
        number = struct.pack("<I", group.number)
        kept = int.from_bytes(stored[0x1E:0x20], "little")
        if volume.summed:
            computed = crc32c(stored[:0x1E] + b"\0\0" + stored[0x20:], crc32c(number, volume.seed))
        elif volume.lazy:
            computed = crc16(stored[:0x1E] + stored[0x20:], crc16(number, crc16(volume.uuid)))
        else:
            return
        name = f"descriptor of group {group.number:,}"
        self._sum(
            name, Span.sized(group.at, len(stored)), (kept, computed & 0xFFFF), group.at + 0x1E, 4
        )

    def _plausible(self, group: _Group) -> bool:
        """Tell whether what a descriptor points to lies inside; in its group without flex_bg."""
        volume = self.volume
        tables = -(-volume.inodes_per_group * volume.inode_size // volume.block_size)
        first = volume.first_block + group.number * volume.blocks_per_group
        low, high = volume.first_block, volume.block_count
        if "flex_bg" not in volume.features:
            low, high = first, min(first + volume.blocks_per_group, high)
        for name, block, count in (
            ("block bitmap", group.block_bitmap, 1),
            ("inode bitmap", group.inode_bitmap, 1),
            ("inode table", group.table, tables),
        ):
            if not low <= block <= high - count or not block:
                self.flaw(group.at, f"group {group.number:,} has its {name} in block {block:,}")
                self.complete = False
                return False
        return True

    def _own_metadata(self, group: _Group) -> None:
        volume = self.volume
        first = volume.first_block + group.number * volume.blocks_per_group
        per_block = volume.block_size // volume.descriptor_size
        meta = "meta_bg" in volume.features
        old = volume.first_meta_group if meta else -(-volume.groups // per_block)
        backup = volume.has_backup(group.number)
        if group.number == 0 and volume.block_size == KIB and not volume.first_block:
            first = 1
            self._take(0, 1)
        index = group.number // per_block
        if backup:
            self._take(first, 1)
        if not meta or index < volume.first_meta_group:
            if backup:
                self._take(first + 1, old + (0 if meta else volume.reserved_descriptors))
        elif group.number % per_block in {0, 1, per_block - 1}:
            self._take(first + backup, 1)
        tables = -(-volume.inodes_per_group * volume.inode_size // volume.block_size)
        self._claim(group.block_bitmap, 1, group.at, f"group {group.number:,}")
        self._claim(group.inode_bitmap, 1, group.at, f"group {group.number:,}")
        self._claim(group.table, tables, group.at, f"group {group.number:,}")
        if group.number == 0 and volume.mmp and "mmp" in volume.features:
            name = "the block against double mounts"
            if self._claim(volume.mmp, 1, 1024, name):
                self._double_mounts(name)

    def _double_mounts(self, name: str) -> None:
        at = self.volume.mmp * self.volume.block_size
        data = self.read(at, KIB)
        if int.from_bytes(data[:4], "little") != _MMP_MAGIC:
            self.flaw(at, f"{name} has no magic")
        elif self.volume.summed:
            stored = int.from_bytes(data[-4:], "little")
            computed = crc32c(data[:-4], self.volume.seed)
            self._sum(name, Span.sized(at, KIB - 4), (stored, computed), at + KIB - 4)

    def _take(self, block: int, count: int) -> None:
        ratio = self.volume.ratio
        a = block // ratio
        b = min(-(-(block + count) // ratio), len(self._owned))
        self._owned[a:b] = b"\1" * (b - a)

    def _claim(self, block: int, count: int, at: int, who: object) -> bool:
        """Note who has some blocks; tell whether they are inside and no one else's."""
        volume = self.volume
        if not volume.first_block <= block <= volume.block_count - count or count < 1:
            self.flaw(at, f"{who}: block {block:,} is outside the file system")
            return False
        a, b = block // volume.ratio, -(-(block + count) // volume.ratio)
        if self._overlap and (other := self._owned.find(1, a, b)) >= 0:
            self.flaw(at, f"{who}: block {other * volume.ratio:,} has another owner too")
            return False
        self._owned[a:b] = b"\1" * (b - a)
        return True

    # Inodes

    def _inode_table(self, group: _Group) -> None:
        volume = self.volume
        if volume.lazy and group.flags & _INODE_UNINIT:
            return
        used = self._inode_bitmap(group)
        count = volume.inodes_per_group
        if volume.lazy:
            count = max(0, count - group.unused)
        size = volume.inode_size
        step = max(1, MIB // size)
        for start in range(0, count, step):
            some = min(step, count - start)
            at = group.table * volume.block_size + start * size
            data = self.read(at, some * size)
            if not data.strip(b"\0"):
                continue
            first = group.number * volume.inodes_per_group + start + 1
            rows = [data[here : here + size] for here in range(0, len(data), size)]
            if volume.summed:
                self._sum_inodes(first, rows)
            for index, fields in enumerate(self._record.iter_unpack(data)):
                bit = start + index
                marked = used[bit >> 3] >> (bit & 7) & 1
                self._inode(first + index, at + index * size, rows[index], fields, marked)
        self._marked_beyond(group, used, count)

    def _sum_inodes(self, first: int, rows: list[bytes]) -> None:
        """Compute the seeds and checksums of a stretch of inodes at once."""
        size = self.volume.inode_size
        zeros = bytes(size)
        # One that was deleted keeps its sum; one that was never used is all zeros.
        live = [
            index
            for index, row in enumerate(rows)
            if row != zeros or first + index < self.volume.first_inode
        ]
        stored = b"".join([rows[index] for index in live])
        numbers = b"".join([(first + index).to_bytes(4, "little") for index in live])
        sums = Rows(len(live), self.volume.seed)
        for offset in range(4):
            sums.add(numbers[offset::4])
        for offset in range(_GENERATION, _GENERATION + 4):
            sums.add(stored[offset::size])
        seeds = sums.values()
        none = bytes(len(live))
        for offset in range(size):
            sums.add(none if offset in _SUM_BYTES else stored[offset::size])
        numbered = [first + index for index in live]
        pairs = zip(seeds, sums.values(), strict=True)
        self.sums = dict(zip(numbered, pairs, strict=True))

    def _marked_beyond(self, group: _Group, used: bytes, count: int) -> None:
        first = group.number * self.volume.inodes_per_group + 1
        beyond = int.from_bytes(used, "little") >> count
        if beyond & ((1 << self.volume.inodes_per_group - count) - 1):
            self.flaw(
                group.at, f"inodes from {first + count:,} on are marked used, not initialised"
            )

    def _inode_bitmap(self, group: _Group) -> bytes:
        bits = self.volume.inodes_per_group
        place, kept = group.inode_bitmap, (group.at + 0x1A, group.inode_sum)
        return self._bitmap(f"inode bitmap of group {group.number:,}", place, bits, kept)

    def _bitmap(self, name: str, block: int, bits: int, kept: tuple[int, int]) -> bytes:
        """Read a bitmap of `bits`; `kept` are place and value of its checksum."""
        volume = self.volume
        at = block * volume.block_size
        data = self.block(block)
        used = data[: -(-bits // 8)]
        if volume.summed:
            wide = volume.descriptor_size >= 64
            digits, mask = (8, 0xFFFFFFFF) if wide else (4, 0xFFFF)
            sums = (kept[1] & mask, crc32c(used, volume.seed) & mask)
            self._sum(name, Span.sized(at, len(used)), sums, kept[0], digits)
        if data[len(used) :].strip(b"\xff"):
            self.flaw(at + len(used), f"{name}: what follows its {bits:,} bits is not all ones")
        return used

    def _inode(
        self, number: int, at: int, stored: bytes, fields: tuple[Any, ...], marked: int
    ) -> None:
        mode, links = fields[0], fields[8]
        reserved = number < self.volume.first_inode and number != _ROOT
        if number == 1 and any((*fields[:2], *fields[7:9], fields[14])):
            self.flaw(at, "the inode of bad blocks has what only files have")
        if not links and not (reserved and mode):
            if marked and not reserved:
                self.flaw(at, f"inode {number:,} is marked used but is not")
            elif reserved and not marked:
                self.flaw(at, f"inode {number:,} is reserved but not marked so")
            if number == 1 and any(fields[12]):
                self._reserved(self._parsed(number, at, stored, fields))
            elif number in self.sums and stored.strip(b"\0"):
                self._parsed(number, at, stored, fields)
            return
        if not marked:
            self.flaw(at, f"inode {number:,} is used but not marked so")
        if len(self.inodes) >= MAX_INODES:
            self.skip(f"it has more than {MAX_INODES:,} inodes")
            return
        inode = self.inodes[number] = self._parsed(number, at, stored, fields)
        if inode.acl or inode.flags & _INLINE or fields[18]:
            self._unknown_to_features(inode, fields[18])
        if fields[6]:
            self.flaw(at, f"inode {number:,} is used but has a time of deletion")
        if number in {1, _RESIZE}:
            self._reserved(inode)
            return
        if stat.S_IFMT(mode) not in _KINDS and not reserved:
            self.flaw(at, f"inode {number:,} has mode {mode:#o}, which is no kind of file")
            return
        self._map(inode, stored)
        if inode.pieces:
            inode.map = b""  # 60 bytes of each of many
        if number == self.volume.journal:
            self._journal(inode)

    def _unknown_to_features(self, inode: _Inode, high: int) -> None:
        """Find what an inode has although the superblock says that none has it."""
        features = self.volume.features
        for wrong, what in (
            (inode.acl and "ext_attr" not in features, "a block of attributes"),
            (high and "64bit" not in features and self.volume.linux, "attributes beyond 2^32"),
            (inode.flags & _INLINE and "inline_data" not in features, "its data in itself"),
        ):
            if wrong:
                self.flaw(
                    inode.at, f"inode {inode.number:,} has {what}; the superblock excludes that"
                )

    def _parsed(self, number: int, at: int, stored: bytes, fields: tuple[Any, ...]) -> _Inode:
        volume = self.volume
        mode, uid, low, _, _, mtime, _, gid, links, blocks, flags, _, map_, _, acl, high, _ = (
            fields[:17]
        )
        high_blocks, high_acl, high_uid, high_gid = fields[17:21]
        seed = self._inode_sum(number, at, stored, fields) if self._summed else 0
        if high_blocks and "huge_file" in volume.features:
            blocks |= high_blocks << 32
        if flags & _HUGE:
            blocks *= volume.block_size // 512
        if high:
            kind = stat.S_IFMT(mode)
            large = kind == stat.S_IFDIR and "large_dir" in volume.features
            low |= high << 32 if large or kind == stat.S_IFREG else 0
        return _Inode(
            number,
            at,
            mode,
            uid | high_uid << 16,
            gid | high_gid << 16,
            low,
            mtime,
            links,
            flags,
            map_,
            seed,
            acl | (high_acl << 32 if high_acl and "64bit" in volume.features else 0),
            blocks,
        )

    def _inode_sum(self, number: int, at: int, stored: bytes, fields: tuple[Any, ...]) -> int:
        """Hold an inode's checksum, 32 bits or the lower 16, against its own; give its seed."""
        seed, computed = self.sums[number]
        kept, digits = fields[21], 8
        if len(stored) > 128 and 128 + fields[22] >= 0x84:
            kept |= fields[23] << 16
        else:
            if len(stored) > 128:
                # There the upper half is the beginning of something else, and counts.
                computed = crc32c(stored[:0x7C] + b"\0\0" + stored[0x7E:], seed)
            computed, digits = computed & 0xFFFF, 4
        if kept != computed:
            covers = Span.sized(at, len(stored))
            self._sum(f"inode {number:,}", covers, (kept, computed), at + 0x7C, digits)
        return seed

    def _reserved(self, inode: _Inode) -> None:
        """Take the blocks of inodes that are no files: bad blocks, room for descriptors."""
        if inode.number == 1:
            self._map(inode, b"")
        elif pointer := int.from_bytes(inode.map[52:56], "little"):
            who = "the inode that keeps room for descriptors"
            if self._claim(pointer, 1, inode.at, who) and self.volume.ratio == 1:
                self._room_for_descriptors(pointer, who)

    def _room_for_descriptors(self, pointer: int, who: str) -> None:
        """Follow the inode's block to each block that is kept free, and to that of each backup."""
        volume = self.volume
        numbers = volume.block_size // 4
        kept = struct.unpack(f"<{numbers}I", self.block(pointer))
        old = -(-volume.groups // (volume.block_size // volume.descriptor_size))
        backups = [group for group in range(1, volume.groups) if volume.has_backup(group)]
        for number in range(volume.reserved_descriptors):
            slot = (old + number) % numbers
            block = volume.first_block + 1 + old + number
            if kept[slot] != block:
                at = pointer * volume.block_size + 4 * slot
                self.flaw(at, f"{who}: block {kept[slot]:,} where {block:,} should be")
                return
            wanted = [block + group * volume.blocks_per_group for group in backups[:numbers]]
            found = struct.unpack_from(f"<{len(wanted)}I", self.block(block))
            if list(found) != wanted:
                self.flaw(block * volume.block_size, f"{who}: block {block:,} leads elsewhere")
                return

    # Blocks of an inode

    def _map(self, inode: _Inode, stored: bytes) -> None:
        volume = self.volume
        kind = stat.S_IFMT(inode.mode)
        attribute = self._attribute_block(inode) if inode.acl else 0
        if stored and volume.inode_size > 128:
            start = 128 + (stored[128] | stored[129] << 8)
            if stored[start : start + 4] == _XATTR:
                self._attributes_inside(inode, stored, start)
        if inode.flags & _INLINE and stored:
            self._inline(inode, stored)
            return
        if kind in _WITHOUT_DATA:
            return
        if kind == stat.S_IFLNK:
            fast = not inode.flags & _EXTENTS and inode.size < _FAST_LINK
            if fast and inode.blocks <= attribute * self._sectors:
                target = inode.map[: inode.size]
                inode.target = _text(target)
                if not target or b"\0" in target:
                    self.flaw(inode.at, f"{inode}: a link without a target of its size")
                return
        runs: list[_Run] = []
        if inode.flags & _EXTENTS:
            self._extents(inode, runs, inode.map, inode.at + 0x28, None)
        else:
            self._block_map(inode, runs)
        blocks, last = inode.index_blocks, 0
        for run in runs:
            blocks += run.length
            if run.written:  # they stand in order
                last = run.first + run.length
        self._sizes(inode, last, blocks + attribute)
        inode.pieces = _pieces(runs, inode.size, volume.block_size)
        if kind == stat.S_IFLNK and not inode.flags & _ENCRYPTED:
            self._long_link(inode, runs)

    def _sizes(self, inode: _Inode, last: int, blocks: int) -> None:
        """Hold an inode's size and its count of blocks against the blocks that it has."""
        volume = self.volume
        kind = stat.S_IFMT(inode.mode)
        if kind == stat.S_IFDIR and inode.size != last * volume.block_size:
            self.flaw(
                inode.at,
                f"{inode}: a directory of {inode.size:,} bytes with {last:,} blocks",
            )
        elif (
            kind == stat.S_IFREG
            and inode.size < (last - 1) * volume.block_size
            and not inode.flags & _VERITY
        ):
            what = f"{inode.size:,} bytes, but blocks up to number {last - 1:,}"
            self.flaw(inode.at, f"{inode}: {what}")
        counted = blocks * (volume.block_size // 512)
        if counted != inode.blocks and volume.ratio == 1 and "ea_inode" not in volume.features:
            what = f"it says {inode.blocks:,} sectors and has {counted:,}"
            self.flaw(inode.at, f"{inode}: {what}")

    def _long_link(self, inode: _Inode, runs: list[_Run]) -> None:
        if not runs or inode.size > self.volume.block_size:
            self.flaw(inode.at, f"{inode}: a link without its target")
            return
        target = self.block(runs[0].block)[: inode.size]
        inode.target = _text(target.split(b"\0")[0])
        if b"\0" in target:
            self.flaw(inode.at, f"{inode}: a link whose target is not {inode.size:,} bytes long")

    def _block_map(self, inode: _Inode, runs: list[_Run]) -> None:
        """Find and claim the blocks of a file of ext2 or ext3."""
        pointers = struct.unpack("<15I", inode.map)
        first = 0
        for level, some in enumerate(
            (pointers[:12], pointers[12:13], pointers[13:14], pointers[14:])
        ):
            for number, block in self._pointed(inode, some, level, first):
                last = runs[-1] if runs else None
                if last is not None and (number, block) == (
                    last.first + last.length,
                    last.block + last.length,
                ):
                    runs[-1] = last._replace(length=last.length + 1)
                else:
                    runs.append(_Run(number, block, 1, True))
            first += len(some) * (self.volume.block_size // 4) ** level

    def _pointed(
        self, inode: _Inode, pointers: tuple[int, ...], level: int, first: int
    ) -> Iterator[tuple[int, int]]:
        """Follow the block map of ext2 and ext3, a level of pointers at a time; 0 is a hole."""
        per_block = self.volume.block_size // 4
        for pointer in pointers:
            if pointer and self._claim(pointer, 1, inode.at, inode):
                if not level:
                    yield first, pointer
                else:
                    inode.index_blocks += 1
                    inner = struct.unpack(f"<{per_block}I", self.block(pointer))
                    if any(inner):
                        yield from self._pointed(inode, inner, level - 1, first)
            first += per_block**level

    def _extents(
        self, inode: _Inode, runs: list[_Run], node: bytes, at: int, level: int | None
    ) -> None:
        """Find and claim the blocks of a file that has a tree of extents."""
        magic, used, most, depth = _EXTENT_HEAD.unpack_from(node)
        known = magic == _EXTENT_MAGIC and depth <= _EXTENT_LEVELS and level in {None, depth}
        if not known or used > most or 12 + 12 * most > len(node) or (depth and not used):
            self.flaw(at, f"{inode}: a damaged tree of extents")
            return
        if level is not None:
            self._extent_sum(inode, node, at)
        for index in range(used):
            here = 12 + 12 * index
            first, length, high, low = _EXTENT.unpack_from(node, here)
            place = at + here
            if level is not None and not index and first != inode.following:
                self.flaw(place, f"{inode}: extents that start elsewhere than their index says")
            if first < inode.following:
                self.flaw(place, f"{inode}: extents out of order")
                return
            if depth:
                # An index entry: the lower 32 bits come first, then 16 upper ones.
                inner = length | high << 16 | (low & 0xFFFF) << 32
                inode.following = first
                if self._claim(inner, 1, place, inode):
                    inode.index_blocks += 1
                    start = inner * self.volume.block_size
                    self._extents(inode, runs, self.block(inner), start, depth - 1)
                continue
            count = length if length <= _WRITTEN else length - _WRITTEN
            if not count:
                self.flaw(place, f"{inode}: an extent without blocks")
                return
            inode.following = first + count
            if self._claim(low | high << 32, count, place, inode):
                runs.append(_Run(first, low | high << 32, count, length <= _WRITTEN))

    def _extent_sum(self, inode: _Inode, node: bytes, at: int) -> None:
        size = 12 + 12 * int.from_bytes(node[4:6], "little")
        if self.volume.summed and size + 4 <= len(node):
            stored = int.from_bytes(node[size : size + 4], "little")
            computed = crc32c(node[:size], inode.seed)
            self._sum(f"extents of {inode}", Span.sized(at, size), (stored, computed), at + size)

    def _attribute_block(self, inode: _Inode) -> int:
        """Judge the block of extended attributes; give how many blocks it takes."""
        block = inode.acl
        if block in self._attributes:
            self._attributes[block][1] += 1
            return 1
        if not self._claim(block, 1, inode.at, f"{inode}, attributes"):
            return 1
        data = self.block(block)
        magic, references, blocks, _, stored = struct.unpack_from("<5I", data)
        at = block * self.volume.block_size
        if magic != _XATTR_MAGIC or blocks != 1:
            self.flaw(at, f"{inode}: a block of attributes without their magic")
        elif self.volume.summed:
            seed = crc32c(struct.pack("<Q", block), self.volume.seed)
            computed = crc32c(data[:16] + bytes(4) + data[20:], seed)
            self._sum(
                f"attributes of {inode}", Span.sized(at, len(data)), (stored, computed), at + 16
            )
        if magic == _XATTR_MAGIC and (what := attribute_flaw(data, 32, 0)):
            self.flaw(at, f"{inode}: {what}")
        self._attributes[block] = [references, 1]
        return 1

    def _attributes_inside(self, inode: _Inode, stored: bytes, start: int) -> None:
        what = attribute_flaw(stored, start + 4, start + 4)
        if what:
            self.flaw(inode.at + start, f"{inode}: {what}")

    def _inline(self, inode: _Inode, stored: bytes) -> None:
        """Find data that stand in the inode: in its map, then in the attribute `system.data`."""
        at = inode.at + 0x28
        inline = [Piece(min(inode.size, 60), at)] if inode.size else []
        extra = 128 + int.from_bytes(stored[128:130], "little")
        if inode.size > 60 or stored[extra : extra + 4] == _XATTR:
            first = here = extra + 4
            while here + 16 <= len(stored) and stored[here : here + 4] != bytes(4):
                size, index, value, _, length = struct.unpack_from("<BBHII", stored, here)
                if index == 7 and stored[here + 16 : here + 16 + size] == b"data":
                    start, rest = first + value, max(0, inode.size - 60)
                    if start + length > len(stored) or rest > length:
                        here = len(stored)
                        continue
                    if rest:
                        inline.append(Piece(rest, inode.at + start))
                    break
                here += 16 + -(-size // 4) * 4
            else:
                self.flaw(inode.at, f"inode {inode.number:,}: its data in the inode are missing")
                return
        inode.pieces = tuple(inline)
        if stat.S_ISLNK(inode.mode):
            data = b"".join(
                self.view.bytes(piece.offset or 0, piece.size) for piece in inode.pieces
            )
            inode.target = _text(data)

    def _journal(self, inode: _Inode) -> None:
        """Judge the journal's superblock (Documentation/filesystems/ext4/journal.rst)."""
        if not inode.pieces or inode.pieces[0].offset is None:
            self.flaw(inode.at, "the journal has no first block")
            return
        at = inode.pieces[0].offset
        data = self.read(at, KIB)
        magic, kind = struct.unpack_from(">II", data)
        features = int.from_bytes(data[0x28:0x2C], "big")
        size, count = struct.unpack_from(">II", data, 12)
        if magic != _JOURNAL_MAGIC or kind not in {3, 4}:
            self.flaw(at, "the journal has no superblock")
        elif size != self.volume.block_size or count * size > inode.size:
            self.flaw(at, f"the journal says {count:,} blocks of {size:,} bytes")
        elif (kind == 3 and any(data[0x24:0x30])) or int.from_bytes(data[0x40:0x44], "big") > 1:
            self.flaw(at, "the journal's superblock has what belongs to another kind of journal")
        elif kind == 4 and features & 0x18:
            stored = int.from_bytes(data[0xFC:0x100], "big")
            computed = crc32c(data[:0xFC] + bytes(4) + data[0x100:])
            self._sum("journal's superblock", Span.sized(at, KIB), (stored, computed), at + 0xFC)

    # Directories

    def _list(self) -> None:
        root = self.inodes.get(_ROOT)
        if root is None or not root.folder:
            self.flaw(1024, "it has no root directory")
            self.complete = False
            return
        self.list_all(_entry("", root), _ROOT, root, self._below)

    def _below(self, folder: _Inode, parent: _Inode, path: str) -> Iterator[Named[_Inode]]:
        for name, number, kind, at in self._names(folder, parent):
            full = f"{path}/{name}" if path else name
            inode = self._named_inode(number, kind, full, at)
            if inode is not None:
                yield _entry(full, inode), number, at, inode if inode.folder else None

    def _named_inode(self, number: int, kind: int, path: str, at: int) -> _Inode | None:
        """Find what an entry names; count the name."""
        inode = self.inodes.get(number)
        if inode is None:
            if self.complete:
                self.flaw(at, f"{path}: names inode {number:,}, which is not in use")
            return None
        if number != _ROOT and number < self.volume.first_inode:
            self.flaw(at, f"{path}: names the reserved inode {number:,}")
            return None
        inode.found += 1
        if self._typed and kind != _KINDS.get(inode.mode & _KIND, 0):
            self.flaw(at, f"{path}: its entry says another kind of file than inode {number:,}")
        return inode

    def _names(self, folder: _Inode, parent: _Inode) -> Iterator[tuple[str, int, int, int]]:
        """Give name, inode, kind and place of each entry, less `.` and `..`, which are judged."""
        seen: set[bytes] = set()
        dots = 0
        for name, number, kind, at in self._entries(folder):
            if name in seen:
                self.flaw(at, f"inode {folder.number:,} has the name {_text(name)} twice")
                continue
            seen.add(name)
            if name in {b".", b".."}:
                dots += 1
                right = folder if name == b"." else parent
                right.found += 1
                if number != right.number:
                    self.flaw(at, f"directory {folder.number:,}: its {name.decode()} is {number:,}")
            elif not name or b"/" in name or b"\0" in name:
                self.flaw(at, f"directory {folder.number:,}: a name that cannot be")
            else:
                yield _text(name), number, kind, at
        if dots != 2 and not folder.flags & _INLINE:
            self.flaw(folder.at, f"directory {folder.number:,} lacks its . or ..")

    def _entries(self, folder: _Inode) -> Iterator[tuple[bytes, int, int, int]]:
        volume = self.volume
        if folder.flags & _ENCRYPTED:
            self.skip("names are encrypted")
        if folder.flags & _INLINE:
            yield from self._inline_entries(folder)
            return
        number = 0
        index = None
        if folder.flags & _EXT_INDEX and not folder.flags & (_ENCRYPTED | _FOLDED):
            index = Index(volume.hash_seed, volume.unsigned_hash)
        for piece in folder.pieces:
            if piece.offset is None:
                self.flaw(folder.at, f"directory {folder.number:,} has a hole")
                number += piece.size // volume.block_size
                index = None
                continue
            for at in range(piece.offset, piece.offset + piece.size, volume.block_size):
                data = self.read(at, volume.block_size)
                for entry in self._block_entries(folder, data, at, number, index):
                    if index is not None and number not in index.nodes:
                        index.names.append((number, entry[0]))
                    yield entry
                number += 1
        # Where the root of the index is damaged, that is the one thing to tell.
        if index is not None and 0 in index.nodes:
            for block, what in index.wrong(number):
                self.flaw(folder.at, f"directory {folder.number:,}: its block {block:,} {what}")

    def _inline_entries(self, folder: _Inode) -> Iterator[tuple[bytes, int, int, int]]:
        for index, piece in enumerate(folder.pieces):
            start = 0 if index else 4
            at = (piece.offset or 0) + start
            data = self.view.bytes(at, max(0, piece.size - start))
            if not index:
                # The first four bytes are the parent's inode; `.` is not stored.
                parent = int.from_bytes(self.view.bytes(at - 4, 4), "little")
                yield b".", folder.number, 2, at
                yield b"..", parent, 2, at
            yield from self._parse(folder, data, at)

    def _block_entries(
        self, folder: _Inode, data: bytes, at: int, number: int, tree: Index | None
    ) -> Iterator[tuple[bytes, int, int, int]]:
        # An inner node begins with one empty entry that takes the whole block.
        first, length, rest = struct.unpack_from("<IHH", data)
        empty = first == rest == 0 and _entry_length(length, data) == len(data)
        if folder.flags & _EXT_INDEX and (number == 0 or empty):
            branches = self._index(folder, data, at, root=number == 0)
            if tree is not None and branches:
                tree.nodes[number] = branches
                if not number:
                    tree.version, tree.levels = data[28], data[30]
        elif self.volume.summed:
            tail = data[-12:]
            if tail[:8] != _TAIL:
                self.flaw(at, f"directory {folder.number:,}: a block without room for its checksum")
            else:
                stored = int.from_bytes(tail[8:], "little")
                computed = crc32c(data[:-12], folder.seed)
                name = f"directory {folder.number:,}"
                self._sum(
                    name, Span.sized(at, len(data) - 12), (stored, computed), at + len(data) - 4
                )
        yield from self._parse(folder, data, at)

    def _index(self, folder: _Inode, data: bytes, at: int, *, root: bool) -> list[Branch]:
        """Judge a node of a directory's index, and give where it leads; nothing if damaged."""
        start = 32 if root else 8
        limit, count = struct.unpack_from("<HH", data, start)
        who = f"directory {folder.number:,}"
        room = (len(data) - start - (8 if self.volume.summed else 0)) // 8
        if not 0 < count <= limit == room or (root and not self._root_sane(folder, data)):
            self.flaw(at, f"{who}: a damaged index")
            return []
        branches = []
        blocks = folder.size // self.volume.block_size
        previous = -1
        for slot in range(count):
            digest, block = struct.unpack_from("<II", data, start + 8 * slot)
            digest = 0 if slot == 0 else digest
            if not 0 < block < blocks or (slot and digest < previous):
                self.flaw(at + start + 8 * slot, f"{who}: its index leads to block {block:,}")
                return []
            previous = digest
            branches.append(Branch(digest, block))
        if self.volume.summed:
            end = start + 8 * limit
            stored = int.from_bytes(data[end + 4 : end + 8], "little")
            covered = data[: start + 8 * count] + data[end : end + 4] + bytes(4)
            computed = crc32c(covered, folder.seed)
            self._sum(
                f"index of {who}",
                Span.sized(at, start + 8 * count),
                (stored, computed),
                at + end + 4,
            )
        return branches

    def _root_sane(self, folder: _Inode, data: bytes) -> bool:
        """Tell whether Linux takes the root of an index (fs/ext4/namei.c, dx_probe())."""
        reserved, version, length, levels, flags = struct.unpack_from("<I4B", data, 24)
        hashed_in_entries = folder.flags & (_ENCRYPTED | _FOLDED) == _ENCRYPTED | _FOLDED
        return (
            reserved == 0
            and (version == _SIPHASH if hashed_in_entries else version <= TEA)
            and length == 8
            and levels < (3 if "large_dir" in self.volume.features else 2)
            and not flags & 1
        )

    def _parse(
        self, folder: _Inode, block: bytes, at: int
    ) -> Iterator[tuple[bytes, int, int, int]]:
        here = 0
        while here < len(block):
            if len(block) - here < 8:
                self.flaw(at + here, f"directory {folder.number:,}: an entry that is cut")
                return
            number, length, size, kind = _DIRENT.unpack_from(block, here)
            length = _entry_length(length, block)
            if not 8 + size <= length <= len(block) - here or length < 12 or length % 4:
                what = "an entry that does not fit its block"
                self.flaw(at + here, f"directory {folder.number:,}: {what}")
                self.complete = False
                return
            if number:
                yield block[here + 8 : here + 8 + size], number, kind, at + here
            here += length

    # Counts

    def _counted(self) -> None:
        """Hold each number of names of an inode, of users of a block, against those found."""
        for block, (said, have) in self._attributes.items():
            if said != have:
                at = block * self.volume.block_size + 4
                self.flaw(at, f"a block of attributes says {said:,} users and has {have:,}")
        for inode in self.inodes.values():
            if inode.number < self.volume.first_inode and inode.number != _ROOT:
                continue
            special = inode.number in {self.volume.orphans, *self.volume.quotas}
            if inode.flags & _EA_INODE or special:
                continue
            # A directory with more than 64,998 others says 1 (dir_nlink).
            if inode.found != inode.links and not (inode.folder and inode.links == 1):
                what = f"inode {inode.number:,} says {inode.links:,} names and has {inode.found:,}"
                self.flaw(inode.at, what)

    # The superblock's own counts of what is free are not judged: Linux sums up the groups' anew.
    def _free_inodes(self, groups: list[_Group]) -> None:
        per_group = self.volume.inodes_per_group
        reserved = self.volume.first_inode - 1
        # A loop over the reserved ones would be as long as the superblock says.
        used = [min(max(reserved - at * per_group, 0), per_group) for at in range(len(groups))]
        folders = [0] * len(groups)
        for number, inode in self.inodes.items():
            used[(number - 1) // per_group] += number >= self.volume.first_inode
            folders[(number - 1) // per_group] += inode.folder
        for group in groups:
            free = per_group - used[group.number]
            if group.free_inodes != free & (
                0xFFFFFFFF if self.volume.descriptor_size >= 64 else 0xFFFF
            ):
                what = f"group {group.number:,} says {group.free_inodes:,} free inodes of {free:,}"
                self.flaw(group.at + 14, what)
            if group.folders != folders[group.number]:
                what = f"{group.folders:,} directories and has {folders[group.number]:,}"
                self.flaw(group.at + 16, f"group {group.number:,} says {what}")

    def _free_blocks(self, groups: list[_Group]) -> None:
        """Hold the bitmaps of blocks and all counts of free ones against what was found."""
        volume = self.volume
        per_group = volume.blocks_per_group // volume.ratio
        first = volume.first_block // volume.ratio
        for group in groups:
            start = first + group.number * per_group
            owned = self._owned[start : start + per_group]
            free = owned.count(0)
            if group.free_blocks != free:
                what = f"group {group.number:,} says {group.free_blocks:,} free blocks of {free:,}"
                self.flaw(group.at + 12, what)
            if not (volume.lazy and group.flags & _BLOCK_UNINIT):
                self._block_bitmap(group, owned, start)

    def _block_bitmap(self, group: _Group, owned: bytearray, start: int) -> None:
        volume = self.volume
        per_group = volume.blocks_per_group // volume.ratio
        at = group.block_bitmap * volume.block_size
        kept = (group.at + 0x18, group.block_sum)
        name = f"block bitmap of group {group.number:,}"
        stored = self._bitmap(name, group.block_bitmap, per_group, kept)
        padding = int.from_bytes(stored, "little") >> len(owned)
        if padding != (1 << 8 * len(stored) - len(owned)) - 1:
            self.flaw(at, f"{name}: bits beyond the last block are not all ones")
        marked = int.from_bytes(stored, "little") & ((1 << len(owned)) - 1)
        wanted = int(owned[::-1].translate(_DIGITS).decode(), 2) if owned else 0
        different = marked ^ wanted
        if different:
            number = (different & -different).bit_length() - 1
            taken = marked >> number & 1
            how = "marked used but no one's" if taken else "in use but marked free"
            count = different.bit_count()
            more = f", and {count - 1:,} more differ" if count > 1 else ""
            self.flaw(at + number // 8, f"block {(start + number) * volume.ratio:,} is {how}{more}")


_DIGITS = bytes.maketrans(b"\0\1", b"01")


def _unusable(volume: Volume) -> str:
    """Say what makes a superblock useless for a walk."""
    if not volume.blocks_per_group or not volume.inodes_per_group:
        return "groups without blocks or inodes"
    if volume.blocks_per_group > 8 * volume.block_size * volume.ratio:
        return f"{volume.blocks_per_group:,} blocks per group; a bitmap has no more than a block"
    if volume.inodes_per_group > 8 * volume.block_size or volume.inodes_per_group % 8:
        return f"{volume.inodes_per_group:,} inodes per group"
    if not 128 <= volume.inode_size <= volume.block_size:
        return f"inodes of {volume.inode_size:,} bytes"
    if not 32 <= volume.descriptor_size <= min(KIB, volume.block_size):
        return f"descriptors of {volume.descriptor_size:,} bytes"
    if volume.inode_size & (volume.inode_size - 1):
        return f"inodes of {volume.inode_size:,} bytes, no power of two"
    if volume.inode_count != volume.groups * volume.inodes_per_group:
        return f"{volume.inode_count:,} inodes in {volume.groups:,} groups"
    if volume.block_count <= volume.first_block:
        return "no blocks"
    if volume.flex > _MOST_FLEX:
        return f"2^{volume.flex} groups together"
    return ""


def _group(number: int, at: int, stored: bytes) -> _Group:
    low = struct.unpack_from("<IIIHHHHIHHH", stored)
    high = (0,) * 10
    if len(stored) >= 64:
        high = struct.unpack_from("<IIIHHHHIHH", stored, 0x20)
    return _Group(
        number,
        at,
        low[0] | high[0] << 32,
        low[1] | high[1] << 32,
        low[2] | high[2] << 32,
        low[3] | high[3] << 16,
        low[4] | high[4] << 16,
        low[5] | high[5] << 16,
        low[6],
        low[8] | high[8] << 16,
        low[9] | high[9] << 16,
        low[10] | high[6] << 16,
    )


def _entry_length(stored: int, block: bytes) -> int:
    """Give the length of a directory's entry: 16 bits cannot hold 64 KiB."""
    return 64 * KIB if stored in {0, 0xFFFF} and len(block) == 64 * KIB else stored


def _pieces(runs: list[_Run], size: int, block_size: int) -> tuple[Piece, ...]:
    """Turn runs of blocks into pieces, holes between them too, cut to the file's size."""
    if len(runs) == 1:
        first, block, length, written = runs[0]
        if written and not first and 0 < size <= length * block_size:
            return (Piece(size, block * block_size),)
    pieces: list[Piece] = []
    at = 0
    for run in runs:
        start = run.first * block_size
        if start >= size:
            break
        if start > at:
            pieces.append(Piece(start - at, None))
        count = min(run.length * block_size, size - start)
        last = pieces[-1] if pieces else None
        place = run.block * block_size
        if not run.written:
            pieces.append(Piece(count, None))
        elif last and last.offset is not None and last.offset + last.size == place and start == at:
            pieces[-1] = last._replace(size=last.size + count)
        else:
            pieces.append(Piece(count, place))
        at = start + count
    if at < size:
        pieces.append(Piece(size - at, None))
    return tuple(pieces)


def _entry(path: str, inode: _Inode) -> Entry:
    rdev = (0, 0)
    kind = stat.S_IFMT(inode.mode)
    if kind in {stat.S_IFCHR, stat.S_IFBLK}:
        old, new = struct.unpack_from("<II", inode.map)
        rdev = old_device(old, new)
    regular = kind == stat.S_IFREG
    return Entry(
        path,
        inode.mode,
        inode.size if regular or kind == stat.S_IFLNK else 0,
        inode.number,
        inode.uid,
        inode.gid,
        inode.mtime,
        inode.target,
        rdev,
        (None if inode.flags & _ENCRYPTED else inode.pieces) if regular else (),
    )


def _text(name: bytes) -> str:
    return name.decode("utf-8", "backslashreplace")
