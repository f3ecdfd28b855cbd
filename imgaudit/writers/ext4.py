"""Write an ext4 filesystem with extents and a journal (Linux, Documentation/filesystems/ext4)."""

from __future__ import annotations

import stat
import struct
from collections.abc import Mapping
from dataclasses import field
from uuid import UUID, uuid5

from imgaudit.data import dataclass
from imgaudit.writers.sparse import Sparse
from imgaudit.writers.tree import Entry, directory, file, with_parents

_BLOCK = 4096
_GROUP_BLOCKS = 8 * _BLOCK
_GROUP_INODES = 1024
_INODE_SIZE = 256
_TABLE_BLOCKS = _GROUP_INODES * _INODE_SIZE // _BLOCK
_JOURNAL_BLOCKS = 1024
_ROOT, _JOURNAL, _FIRST = 2, 8, 11
_EXTENTS = 0x80000

CLEAN, NOT_CLEAN = 1, 0
"""Values of `s_state`: unmounted properly, or still in use when the image was taken."""

_FILE_TYPES = {stat.S_IFREG: 1, stat.S_IFDIR: 2, stat.S_IFCHR: 3, stat.S_IFLNK: 7}


@dataclass()
class _Inode:
    number: int
    entry: Entry
    links: int = 1
    content: bytes = b""
    blocks: tuple[int, int] = (0, 0)
    names: list[tuple[str, int, int]] = field(default_factory=list)


def ext4(
    size: int,
    root: Mapping[str, Entry],
    *,
    label: str,
    uuid: UUID,
    epoch: int,
    state: int = CLEAN,
) -> Sparse:
    """Write a filesystem of `size` bytes, a multiple of 4 KiB.

    Everything in it must fit into the first 128 MiB, a directory into 4 KiB; the last group must
    be large enough for its own tables.
    """
    blocks = size // _BLOCK
    groups = -(-blocks // _GROUP_BLOCKS)
    image = Sparse(blocks * _BLOCK)
    inodes = _inodes(root)
    tables = [_tables_at(group) for group in range(groups)]
    at = tables[0] + 2 + _TABLE_BLOCKS
    journal = (at, _JOURNAL_BLOCKS)
    at += _JOURNAL_BLOCKS
    log = bytes(_JOURNAL_BLOCKS * _BLOCK)
    held = _Inode(_JOURNAL, file("", 0o600), content=log, blocks=journal)
    for inode in inodes:
        count = -(-len(inode.content) // _BLOCK)
        inode.blocks = (at, count)
        image.put(at * _BLOCK, inode.content)
        at += count
    image.put(journal[0] * _BLOCK, _journal_superblock(uuid))
    for inode in (held, *inodes):
        _put_inode(image, tables[0], inode.number, _inode(inode, epoch))

    used_inodes = inodes[-1].number
    descriptors, free = b"", 0
    for group, table in enumerate(tables):
        first = group * _GROUP_BLOCKS
        end = min(first + _GROUP_BLOCKS, blocks)
        used = (at if group == 0 else table + 2 + _TABLE_BLOCKS) - first
        taken = used_inodes if group == 0 else 0
        directories = sum(stat.S_ISDIR(inode.entry.mode) for inode in inodes) if group == 0 else 0
        image.put(table * _BLOCK, _bitmap(used, end - first))
        image.put((table + 1) * _BLOCK, _bitmap(taken, _GROUP_INODES))
        descriptors += struct.pack(
            "<IIIHHHHIHHHH",
            *(table, table + 1, table + 2),
            *(end - first - used, _GROUP_INODES - taken, directories, 0, 0, 0, 0, 0, 0),
        )
        free += end - first - used
    for group in filter(_has_backup, range(groups)):
        start = group * _GROUP_BLOCKS * _BLOCK
        block = _superblock(
            group=group,
            groups=groups,
            blocks=blocks,
            free_blocks=free,
            free_inodes=groups * _GROUP_INODES - used_inodes,
            label=label,
            uuid=uuid,
            epoch=epoch,
            state=state,
            journal=_extents(*journal),
        )
        image.put(start + (0 if group else 1024), block)
        image.put(start + _BLOCK, descriptors)
    return image


def _has_backup(group: int) -> bool:
    """Tell whether sparse_super puts a superblock here: groups 0, 1 and the powers of 3, 5, 7."""
    return group < 2 or any(group == base**power for base in (3, 5, 7) for power in range(1, 12))


def _tables_at(group: int) -> int:
    return group * _GROUP_BLOCKS + (2 if _has_backup(group) else 0)


def _inodes(root: Mapping[str, Entry]) -> list[_Inode]:
    tree = {"": directory(), "lost+found": directory(0o700)}
    tree.update((path, entry) for path, entry in with_parents(root).items())
    numbers = {"": _ROOT} | {path: number for number, path in enumerate(list(tree)[1:], _FIRST)}
    found = {path: _Inode(numbers[path], entry) for path, entry in tree.items()}
    for path, inode in found.items():
        parent = found[path.rpartition("/")[0]]
        kind = _FILE_TYPES[stat.S_IFMT(inode.entry.mode)]
        if path:
            parent.names.append((path.rpartition("/")[2], inode.number, kind))
        if stat.S_ISDIR(inode.entry.mode):
            inode.names = [(".", inode.number, 2), ("..", parent.number, 2), *inode.names]
            inode.links += 1
            parent.links += bool(path)
        elif stat.S_ISREG(inode.entry.mode):
            inode.content = inode.entry.data
    for inode in found.values():
        if inode.names:
            inode.content = _directory(inode.names)
    return list(found.values())


def _directory(names: list[tuple[str, int, int]]) -> bytes:
    block = bytearray()
    for order, (name, number, kind) in enumerate(names, 1):
        data = name.encode()
        room = 8 + len(data) + -len(data) % 4
        length = _BLOCK - len(block) if order == len(names) else room
        block += struct.pack("<IHBB", number, length, len(data), kind) + data.ljust(
            length - 8, b"\0"
        )
    return bytes(block)


def _bitmap(used: int, total: int) -> bytes:
    """Set the first `used` bits, and all that stand for nothing beyond `total`."""
    bits = (1 << used) - 1 | (1 << 8 * _BLOCK) - (1 << total)
    return bits.to_bytes(_BLOCK, "little")


def _extents(start: int, count: int) -> bytes:
    header = struct.pack("<HHHHI", 0xF30A, bool(count), 4, 0, 0)
    extent = struct.pack("<IHHI", 0, count, 0, start) if count else b""
    return (header + extent).ljust(60, b"\0")


def _inode(inode: _Inode, epoch: int) -> bytes:
    entry, count = inode.entry, inode.blocks[1]
    if stat.S_ISLNK(entry.mode):
        size, flags, content = len(entry.data), 0, entry.data
    else:
        size, flags, content = len(inode.content), _EXTENTS, _extents(*inode.blocks)
    sectors = count * _BLOCK // 512
    times = (epoch, epoch, epoch, 0)
    head = struct.pack(
        "<HHIIIIIHHIII", entry.mode, 0, size, *times, 0, inode.links, sectors, flags, 0
    )
    # i_extra_isize, 32 bytes, stands where the first, 128-byte inodes ended.
    return (head + content.ljust(60, b"\0")).ljust(128, b"\0") + struct.pack("<H", 32)


def _put_inode(image: Sparse, table: int, number: int, inode: bytes) -> None:
    image.put((table + 2) * _BLOCK + (number - 1) * _INODE_SIZE, inode)


def _superblock(
    *,
    group: int,
    groups: int,
    blocks: int,
    free_blocks: int,
    free_inodes: int,
    label: str,
    uuid: UUID,
    epoch: int,
    state: int,
    journal: bytes,
) -> bytes:
    has_journal, filetype_extents, sparse_large_extra = 0x4, 0x42, 0x43
    counts = (groups * _GROUP_INODES, blocks, blocks // 20, free_blocks, free_inodes)
    head = struct.pack(
        "<13IHHHHHHIIIIHHIHHIII16s16s",
        *(*counts, 0, 2, 2, _GROUP_BLOCKS, _GROUP_BLOCKS, _GROUP_INODES, 0, epoch),
        *(0, 0xFFFF, 0xEF53, state, 1, 0, epoch, 0, 0, 1, 0, 0, _FIRST, _INODE_SIZE, group),
        *(has_journal, filetype_extents, sparse_large_extra, uuid.bytes, label.encode()),
    )
    seed = uuid5(uuid, "directory hash")
    journal_copy = journal + struct.pack("<II", 0, _JOURNAL_BLOCKS * _BLOCK)
    tail = struct.pack(
        "<16sIII16sBBHIII68s",
        *(bytes(16), _JOURNAL, 0, 0, seed.bytes, 1, 1, 0, 0xC, 0, epoch, journal_copy),
    )
    extra = struct.pack("<IIIHHI", 0, 0, 0, 32, 32, 1)
    return (head.ljust(208, b"\0") + tail + extra).ljust(1024, b"\0")


def _journal_superblock(uuid: UUID) -> bytes:
    """Write an empty journal: Linux, Documentation/filesystems/ext4/journal.rst."""
    head = struct.pack(">12I", 0xC03B3998, 4, 0, _BLOCK, _JOURNAL_BLOCKS, 1, 1, 0, 0, 0, 0, 0)
    return head + uuid.bytes + struct.pack(">I", 1)
