"""Squashfs 4.0: the superblock, the compressor's options, and what a walk through it finds.

Fields: Linux fs/squashfs/squashfs_fs.h. Names of compressors and filters: squashfs-tools. Older
versions and the big-endian ones, which Linux no longer mounts, are not read.
"""

from __future__ import annotations

import itertools
import struct
from typing import ClassVar

from imgaudit.data import dataclass
from imgaudit.errors import FormatError
from imgaudit.formats.facts import Match, Reader, head_only
from imgaudit.formats.files import FileSystem
from imgaudit.formats.record import Record, names_of
from imgaudit.formats.squashfs_walk import ABSENT, METHODS, SquashfsWalk, Volume
from imgaudit.formats.view import View
from imgaudit.units import Span, human

MAGIC = b"hsqs"
SUPERBLOCK_SIZE = 96
MIN_BLOCK_LOG, MAX_BLOCK_LOG = 12, 20  # 4 KiB to 1 MiB

COMPRESSORS = {1: "gzip", 2: "lzma", 3: "lzo", 4: "xz", 5: "lz4", 6: "zstd"}
FLAGS = {
    0: "uncompressed-inodes",
    1: "uncompressed-data",
    2: "check",
    3: "uncompressed-fragments",
    4: "no-fragments",
    5: "always-fragments",
    6: "duplicates",
    7: "exportable",
    8: "uncompressed-xattrs",
    9: "no-xattrs",
    10: "compressor-options",
    11: "uncompressed-ids",
}
XZ_FILTERS = {0: "x86", 1: "powerpc", 2: "ia64", 3: "arm", 4: "armthumb", 5: "sparc"}

_FLAG_COMPRESSOR_OPTIONS = 0x400
_UNCOMPRESSED = 0x8000
# Options by compressor id: struct layout and names, from squashfs-tools.
_OPTIONS = {
    1: ("<IHH", ("level", "window-size", "strategies")),
    3: ("<II", ("algorithm", "level")),
    4: ("<II", ("dictionary-size", "filters")),
    5: ("<II", ("version", "flags")),
    6: ("<I", ("level",)),
}
_TABLES = {
    "inode": "inode_table_start",
    "directory": "directory_table_start",
    "fragment": "fragment_table_start",
    "export": "lookup_table_start",
    "id": "id_table_start",
    "xattr": "xattr_id_table_start",
}
_LAYOUT = {
    "magic": (0, 4),
    "inodes": (4, 4),
    "mkfs_time": (8, 4),
    "block_size": (12, 4),
    "fragments": (16, 4),
    "compression": (20, 2),
    "block_log": (22, 2),
    "flags": (24, 2),
    "no_ids": (26, 2),
    "s_major": (28, 2),
    "s_minor": (30, 2),
    "root_inode": (32, 8),
    "bytes_used": (40, 8),
    "id_table_start": (48, 8),
    "xattr_id_table_start": (56, 8),
    "inode_table_start": (64, 8),
    "directory_table_start": (72, 8),
    "fragment_table_start": (80, 8),
    "lookup_table_start": (88, 8),
}


@dataclass(frozen=True, kw_only=True)
class Table:
    """A table that is present: `start` is what the superblock's field at `offset` says.

    `span` reaches to the next table's start, or to the end of the file system for the last one; it
    is empty where the start is beyond that. The blocks of the fragment, export, id and xattr
    tables stand before their `start`, which is that of their index.
    """

    name: str
    offset: int
    start: int
    span: Span


@dataclass(frozen=True, kw_only=True)
class Squashfs(FileSystem):
    """A squashfs superblock; `length` is `bytes_used`, without padding.

    `compressor` is the name of `compression`, or "" for an unknown number. `options` are the
    compressor's own, empty where it was made with defaults; `filters` are xz's branch filters.
    """

    format: ClassVar[str] = "squashfs"

    major: int
    minor: int
    inodes: int
    mkfs_time: int
    block_size: int
    block_log: int
    fragments: int
    ids: int
    compression: int
    compressor: str
    options: tuple[tuple[str, int], ...]
    filters: tuple[str, ...]
    flags: int
    flag_names: tuple[str, ...]
    root_inode: int
    bytes_used: int
    tables: tuple[Table, ...]

    def summary(self) -> str:
        """Give size, compressor and block size."""
        compressor = self.compressor or f"compressor {self.compression}"
        return f"{human(self.bytes_used)}, {compressor}, {human(self.block_size)} blocks"


def _match(view: View) -> Match:
    if view.upto(0, 4) != MAGIC or view.size < SUPERBLOCK_SIZE:
        return Match.NO
    block = Record(view, 0, _LAYOUT)
    sane = (
        (block["s_major"], block["s_minor"]) == (4, 0)
        and MIN_BLOCK_LOG <= block["block_log"] <= MAX_BLOCK_LOG
        and block["block_size"] == 1 << block["block_log"]
    )
    return Match.SURE if sane else Match.WEAK


def _tables(block: Record) -> tuple[Table, ...]:
    starts = {name: block[field] for name, field in _TABLES.items() if block[field] != ABSENT}
    edges = sorted({*starts.values(), block["bytes_used"]})
    following = dict(itertools.pairwise(edges))
    offsets = block.offsets()
    return tuple(
        Table(
            name=name,
            offset=offsets[_TABLES[name]],
            start=start,
            span=Span(start, following.get(start, start)),
        )
        for name, start in starts.items()
    )


def _options(view: View, block: Record) -> tuple[tuple[str, int], ...]:
    if not block["flags"] & _FLAG_COMPRESSOR_OPTIONS or block["compression"] not in _OPTIONS:
        return ()
    layout, names = _OPTIONS[block["compression"]]
    header = view.u16le(SUPERBLOCK_SIZE)
    # The options are a metadata block, never compressed: their compressor is not known before.
    if header != _UNCOMPRESSED | struct.calcsize(layout):
        return ()
    return tuple(zip(names, view.unpack(layout, SUPERBLOCK_SIZE + 2), strict=True))


def _read(view: View) -> Squashfs:
    block = Record(view, 0, _LAYOUT)
    if block.raw("magic") != MAGIC:
        raise FormatError(0, "no squashfs magic hsqs")
    major, minor = block["s_major"], block["s_minor"]
    if (major, minor) != (4, 0):
        raise FormatError(28, f"squashfs {major}.{minor}; only 4.0 is read")
    options = _options(view, block)
    offsets = block.offsets()
    if options:
        offsets["options"] = SUPERBLOCK_SIZE
    walk = SquashfsWalk(
        view,
        Volume(
            inodes=block["inodes"],
            block_size=block["block_size"],
            fragments=block["fragments"],
            ids=block["no_ids"],
            method=METHODS.get(block["compression"], ""),
            root=block["root_inode"],
            used=block["bytes_used"],
            inode_table=block["inode_table_start"],
            directory_table=block["directory_table_start"],
            fragment_table=block["fragment_table_start"],
            export_table=block["lookup_table_start"],
            id_table=block["id_table_start"],
            xattr_table=block["xattr_id_table_start"],
        ),
    )
    return Squashfs(
        length=block["bytes_used"],
        offsets=offsets,
        doubts=walk.doubts(),
        files=walk.files(),
        flaws=tuple(walk.flaws),
        flaw_count=walk.flaw_count,
        unwalked=walk.unwalked,
        major=major,
        minor=minor,
        inodes=block["inodes"],
        mkfs_time=block["mkfs_time"],
        block_size=block["block_size"],
        block_log=block["block_log"],
        fragments=block["fragments"],
        ids=block["no_ids"],
        compression=block["compression"],
        compressor=COMPRESSORS.get(block["compression"], ""),
        options=options,
        filters=names_of(dict(options).get("filters", 0), XZ_FILTERS, "filter-"),
        flags=block["flags"],
        flag_names=names_of(block["flags"], FLAGS, "flag-"),
        root_inode=block["root_inode"],
        bytes_used=block["bytes_used"],
        tables=_tables(block),
    )


READER = Reader(
    name="squashfs",
    title="Squashfs 4.0 file system",
    source="Linux fs/squashfs/squashfs_fs.h",
    match=_match,
    read=_read,
    windows=head_only,
)
