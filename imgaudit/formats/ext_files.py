"""The files of ext2, ext3 and ext4 where boot loaders look for them: in `/` and below `/boot`.

Source: Linux Documentation/filesystems/ext4 (group_descr, inodes, ifork, directory). The leaves of
an indexed directory are read like any other's: its index looks like unused entries.
"""

from __future__ import annotations

import contextlib
import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from imgaudit.errors import FormatError, UnreadError
from imgaudit.formats.fat_files import MAX_TEXT, TEXTS, File, Files
from imgaudit.formats.view import View
from imgaudit.units import KIB, MIB

MAX_ENTRIES = 2000  # an arm64 kernel's device trees are some 1,500
MAX_BLOCKS = 1024  # of all directories together
MAX_READ = 8 * MIB  # of inodes, directories and maps of blocks
MAX_DEPTH = 3  # folders below /boot, such as dtbs/6.12/vendor
MAX_LINKS = 8  # on one path, as in U-Boot's fs/ext4/ext4_common.c
MAX_PLACED = 64 * MIB  # no kernel or ramdisk of such boards is larger
_ROOT = 2
_FOLDER, _FILE, _LINK = 0x4000, 0x8000, 0xA000
_ENCRYPTED, _EXTENTS, _INLINE = 0x800, 0x80000, 0x10000000
_FAST_LINK = 60  # bytes of an inode that can hold a link's target
_EXTENT_MAGIC, _EXTENT_LEVELS = 0xF30A, 5
_EXTENT_WRITTEN = 0x8000  # a longer one is only set aside; it reads as zeros


@dataclass(frozen=True, slots=True, kw_only=True)
class Volume:
    """What the superblock says; the descriptors of the first `groups` follow each other."""

    block_size: int
    block_count: int
    inode_count: int
    inode_size: int
    inodes_per_group: int
    descriptor_size: int
    groups: int


@dataclass(frozen=True, slots=True)
class _Inode:
    number: int
    at: int
    kind: int
    size: int
    flags: int
    map: bytes


def list_files(view: View, volume: Volume) -> tuple[Files | None, str]:
    """List files within bounds, and say in a sentence why there are not more.

    None where the bytes that tell were not kept. A link stands as the file that it leads to.
    """
    walk = _Walk(view, volume)
    try:
        walk.folder(walk.inode(_ROOT), "")
    except UnreadError as problem:
        return None, f"The files are not known: {problem}."
    except FormatError as problem:
        return Files(tuple(walk.found), complete=False), f"The list of files ends early: {problem}."
    return Files(tuple(walk.found), walk.complete), ""


class _Walk:
    def __init__(self, view: View, volume: Volume) -> None:
        self.view = view
        self.volume = volume
        self.found: list[File] = []
        self.complete = True
        self.entries, self.blocks, self.bytes = MAX_ENTRIES, MAX_BLOCKS, MAX_READ
        self.folders: dict[int, dict[str, int]] = {}

    def folder(self, folder: _Inode, path: str) -> None:
        for name, number in self.names(folder).items():
            if name in {".", ".."} or path + name == "lost+found":
                continue
            self.entries -= 1
            if self.entries < 0:
                raise FormatError(folder.at, f"more than {MAX_ENTRIES:,} entries")
            inode = self.follow(self.inode(number), folder)
            if inode is not None and inode.kind == _FILE:
                self.file(inode, path + name)
            elif inode is not None and inode.kind == _FOLDER:
                if (path or name == "boot") and path.count("/") <= MAX_DEPTH:
                    self.folder(inode, f"{path}{name}/")
                else:
                    self.complete = False

    def file(self, inode: _Inode, path: str) -> None:
        offset = text = None
        with contextlib.suppress(UnreadError):
            offset = self.place(inode)
            if offset is not None and inode.size <= MAX_TEXT and path.lower().endswith(TEXTS):
                text = self.read(offset, inode.size)
        self.found.append(File(path, inode.size, offset, text))

    def follow(self, inode: _Inode, folder: _Inode) -> _Inode | None:
        """Follow a link that is in a folder; None where it leads nowhere or is a long one."""
        names: list[str] = []
        links = 0
        while inode.kind == _LINK or names:
            if inode.kind == _LINK:
                links += 1
                if links > MAX_LINKS or inode.size >= _FAST_LINK:
                    return None
                target = _text(inode.map[: inode.size])
                names += reversed(target.split("/"))
                inode = self.inode(_ROOT) if target.startswith("/") else folder
            elif inode.kind != _FOLDER:
                return None
            elif name := names.pop():
                number = self.names(inode).get(name)
                if number is None:
                    return None
                folder, inode = inode, self.inode(number)
        return inode

    def names(self, folder: _Inode) -> dict[str, int]:
        """Read a directory: inode numbers by name."""
        found = self.folders.setdefault(folder.number, {})
        if folder.flags & (_INLINE | _ENCRYPTED):
            self.complete = False
            return found
        if found:
            return found
        if folder.kind != _FOLDER:
            raise FormatError(folder.at, f"inode {folder.number:,} is no directory")
        count = -(-folder.size // self.volume.block_size)
        for first, block, length in self.runs(folder, count):
            for number in range(block, block + min(length, count - first)):
                self.blocks -= 1
                if self.blocks < 0:
                    raise FormatError(folder.at, f"more than {MAX_BLOCKS:,} blocks of directories")
                found.update(_entries(self.block(number), number * self.volume.block_size))
        return found

    def place(self, inode: _Inode) -> int | None:
        """Find where a file starts; None where it is large, has holes or is not in one piece."""
        if not 0 < inode.size <= MAX_PLACED or inode.flags & (_INLINE | _ENCRYPTED):
            return None
        count, done, start = -(-inode.size // self.volume.block_size), 0, 0
        for first, block, length in self.runs(inode, count):
            start = start or block
            if (first, block) != (done, start + done):
                return None
            done += length
        if not done >= count:
            return None
        if start + count > self.volume.block_count:
            raise FormatError(inode.at, f"a file in block {start:,}, outside the file system")
        return start * self.volume.block_size

    def runs(self, inode: _Inode, count: int) -> Iterator[tuple[int, int, int]]:
        """Give a file's first `count` blocks: number in the file, place, how many in a row."""
        if inode.flags & _EXTENTS:
            yield from self.extents(inode.map, inode.at, count, None)
            return
        direct, first = struct.unpack("<15I", inode.map), 0
        for level, some in enumerate((direct[:12], direct[12:13], direct[13:14], direct[14:])):
            yield from self.pointed(some, level, first, count)
            first += len(some) * (self.volume.block_size // 4) ** level

    def extents(
        self, node: bytes, at: int, count: int, level: int | None
    ) -> Iterator[tuple[int, int, int]]:
        magic, used, _, depth = struct.unpack_from("<4H", node)
        known = magic == _EXTENT_MAGIC and depth <= _EXTENT_LEVELS and level in {None, depth}
        if not known or 12 + 12 * used > len(node):
            raise FormatError(at, "a damaged tree of extents")
        for first, length, high, low in struct.iter_unpack("<IHHI", node[12 : 12 + 12 * used]):
            if first >= count:
                return
            if depth:
                # An index entry: the lower 32 bits come first, then 16 upper ones.
                inner = length | high << 16 | (low & 0xFFFF) << 32
                place = inner * self.volume.block_size
                yield from self.extents(self.block(inner), place, count, depth - 1)
            elif length <= _EXTENT_WRITTEN:
                yield first, low | high << 32, length

    def pointed(
        self, pointers: Sequence[int], level: int, first: int, count: int
    ) -> Iterator[tuple[int, int, int]]:
        """Follow the block map of ext2 and ext3, a level of pointers at a time; 0 is a hole."""
        for pointer in pointers:
            if first >= count:
                return
            if pointer and level:
                inner = struct.unpack(f"<{self.volume.block_size // 4}I", self.block(pointer))
                yield from self.pointed(inner, level - 1, first, count)
            elif pointer:
                yield first, pointer, 1
            first += (self.volume.block_size // 4) ** level

    def inode(self, number: int) -> _Inode:
        volume = self.volume
        if not 0 < number <= volume.inode_count:
            raise FormatError(0, f"inode {number:,} of {volume.inode_count:,}")
        group, index = divmod(number - 1, max(1, volume.inodes_per_group))
        if group >= volume.groups:
            raise FormatError(0, f"the descriptor of group {group:,} stands apart (meta_bg)")
        # Block 1 holds the superblock where blocks have 1 KiB; elsewhere block 0 does.
        descriptors = max(2 * KIB, volume.block_size)
        stored = self.read(descriptors + group * volume.descriptor_size, volume.descriptor_size)
        table = int.from_bytes(stored[8:12] + stored[0x28:0x2C], "little")
        at = table * volume.block_size + index * volume.inode_size
        mode, low, flags, map_, high = struct.unpack("<H2xI24xI4x60s8xI16x", self.read(at, 128))
        kind = mode & 0xF000
        # Elsewhere the upper half of the size has other uses.
        size = low | high << 32 if kind == _FILE else low
        return _Inode(number, at, kind, size, flags, map_)

    def block(self, number: int) -> bytes:
        return self.read(number * self.volume.block_size, self.volume.block_size)

    def read(self, offset: int, size: int) -> bytes:
        self.bytes -= size
        if self.bytes < 0:
            raise FormatError(offset, f"more than {MAX_READ:,} bytes would be read")
        return self.view.bytes(offset, size)


def _entries(block: bytes, at: int) -> Iterator[tuple[str, int]]:
    """Give name and inode number of each entry that is in use."""
    here = 0
    while here < len(block):
        number, length, name = struct.unpack("<IHB", block[here : here + 7].ljust(7, b"\0"))
        # 16 bits cannot hold 64 KiB.
        length = 64 * KIB if length in {0, 0xFFFF} and len(block) == 64 * KIB else length
        if not 8 + name <= length <= len(block) - here or length < 12:
            raise FormatError(at + here, "an entry of a directory does not fit its block")
        if number:
            yield _text(block[here + 8 : here + 8 + name]), number
        here += length


def _text(name: bytes) -> str:
    return name.decode("utf-8", "backslashreplace")
