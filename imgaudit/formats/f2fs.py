"""F2FS: both superblocks, at 0x400 and 0x1400, and what a walk from them finds.

Fields: Linux include/linux/f2fs_fs.h and Documentation/filesystems/f2fs.rst. Feature names: those
that f2fs-tools prints.
"""

from __future__ import annotations

from typing import ClassVar

from imgaudit.data import dataclass
from imgaudit.errors import FormatError
from imgaudit.formats.crc32c import crc32_raw
from imgaudit.formats.f2fs_walk import F2fsWalk, Volume
from imgaudit.formats.facts import Checksum, Match, Reader, head_only
from imgaudit.formats.files import FileSystem
from imgaudit.formats.record import Record, names_of
from imgaudit.formats.view import View
from imgaudit.units import Span, human

PLACES = (0x400, 0x1400)
MAGIC = 0xF2F52010
SUPERBLOCK_SIZE = 3072
MIN_LOG_BLOCK_SIZE, MAX_LOG_BLOCK_SIZE = 12, 16  # a page of the kernel: 4 KiB to 64 KiB
MAX_LABEL = 512

FEATURES = {
    0: "encrypt",
    1: "blkzoned",
    3: "extra_attr",
    4: "project_quota",
    5: "inode_checksum",
    6: "flexible_inline_xattr",
    7: "quota_ino",
    8: "inode_crtime",
    9: "lost_found",
    10: "verity",
    11: "sb_checksum",
    12: "casefold",
    13: "compression",
    14: "ro",
    15: "device_alias",
}
_FEATURE_SB_CHECKSUM = 0x800
_FEATURE_QUOTA_INO = 0x80
_FEATURE_FOLDED = 0x1000
_QUOTAS = 2745  # three inodes
_FEATURE_FLEXIBLE_XATTR = 0x40

_LAYOUT = {
    "magic": (0, 4),
    "major_ver": (4, 2),
    "minor_ver": (6, 2),
    "log_sectorsize": (8, 4),
    "log_sectors_per_block": (12, 4),
    "log_blocksize": (16, 4),
    "log_blocks_per_seg": (20, 4),
    "segs_per_sec": (24, 4),
    "secs_per_zone": (28, 4),
    "checksum_offset": (32, 4),
    "block_count": (36, 8),
    "section_count": (44, 4),
    "segment_count": (48, 4),
    "segment_count_ckpt": (52, 4),
    "segment_count_sit": (56, 4),
    "segment_count_nat": (60, 4),
    "segment_count_ssa": (64, 4),
    "segment_count_main": (68, 4),
    "segment0_blkaddr": (72, 4),
    "cp_blkaddr": (76, 4),
    "sit_blkaddr": (80, 4),
    "nat_blkaddr": (84, 4),
    "ssa_blkaddr": (88, 4),
    "main_blkaddr": (92, 4),
    "root_ino": (96, 4),
    "node_ino": (100, 4),
    "meta_ino": (104, 4),
    "uuid": (108, 16),
    "volume_name": (124, 2 * MAX_LABEL),
    "extensions": (1148, 516),
    "cp_payload": (1664, 4),
    "version": (1668, 256),
    "init_version": (1924, 256),
    "feature": (2180, 4),
    "rest": (2184, SUPERBLOCK_SIZE - 2184),
}


@dataclass(frozen=True, kw_only=True)
class Superblock:
    """One of the two copies, at `offset`; the names are the kernel's."""

    offset: int
    major_ver: int
    minor_ver: int
    log_sectorsize: int
    log_sectors_per_block: int
    log_blocksize: int
    log_blocks_per_seg: int
    segs_per_sec: int
    secs_per_zone: int
    checksum_offset: int
    block_count: int
    section_count: int
    segment_count: int
    segment_count_main: int
    segment0_blkaddr: int
    cp_blkaddr: int
    main_blkaddr: int
    uuid: str
    label: str
    version: str
    feature: int


@dataclass(frozen=True, kw_only=True)
class F2fs(FileSystem):
    """An F2FS file system, by the first of its superblocks that can be read: `superblock`.

    `first` and `second` are the copies at 0x400 and 0x1400, None where there is none to read.
    `differences` names the fields, as Linux' header does, in which two readable copies differ
    (`rest` is all that follows the features); `offsets` and `features` are of `superblock`.
    """

    format: ClassVar[str] = "f2fs"

    superblock: Superblock
    first: Superblock | None
    second: Superblock | None
    differences: tuple[str, ...]
    features: tuple[str, ...]

    @property
    def block_size(self) -> int:
        """Bytes in a block."""
        return 1 << self.superblock.log_blocksize

    @property
    def block_count(self) -> int:
        """Blocks in the file system."""
        return self.superblock.block_count

    @property
    def size(self) -> int:
        """Bytes that the file system takes."""
        return self.block_count * self.block_size

    @property
    def uuid(self) -> str:
        """Its UUID."""
        return self.superblock.uuid

    @property
    def label(self) -> str:
        """Its label."""
        return self.superblock.label

    def summary(self) -> str:
        """Give size and block size."""
        return f"{human(self.size)} in {human(self.block_size)} blocks"


def _readable(block: Record) -> bool:
    return (
        block["magic"] == MAGIC
        and MIN_LOG_BLOCK_SIZE <= block["log_blocksize"] <= MAX_LOG_BLOCK_SIZE
    )


def _records(view: View) -> list[Record | None]:
    found: list[Record | None] = []
    for place in PLACES:
        whole = view.size >= place + SUPERBLOCK_SIZE
        block = Record(view, place, _LAYOUT) if whole else None
        found.append(block if block and _readable(block) else None)
    return found


def _match(view: View) -> Match:
    readable = sum(block is not None for block in _records(view))
    if readable:
        return Match.SURE if readable == len(PLACES) else Match.GOOD
    magic = MAGIC.to_bytes(4, "little")
    return Match.WEAK if any(view.upto(place, 4) == magic for place in PLACES) else Match.NO


def _superblock(block: Record) -> Superblock:
    label = block.raw("volume_name").decode("utf-16-le", "backslashreplace")
    return Superblock(
        offset=block.offset,
        major_ver=block["major_ver"],
        minor_ver=block["minor_ver"],
        log_sectorsize=block["log_sectorsize"],
        log_sectors_per_block=block["log_sectors_per_block"],
        log_blocksize=block["log_blocksize"],
        log_blocks_per_seg=block["log_blocks_per_seg"],
        segs_per_sec=block["segs_per_sec"],
        secs_per_zone=block["secs_per_zone"],
        checksum_offset=block["checksum_offset"],
        block_count=block["block_count"],
        section_count=block["section_count"],
        segment_count=block["segment_count"],
        segment_count_main=block["segment_count_main"],
        segment0_blkaddr=block["segment0_blkaddr"],
        cp_blkaddr=block["cp_blkaddr"],
        main_blkaddr=block["main_blkaddr"],
        uuid=block.uuid("uuid"),
        label=label.split("\0", 1)[0],
        version=block.text("version").rstrip("\n"),
        feature=block["feature"],
    )


def _checksum(view: View, block: Record, name: str) -> Checksum | None:
    length = block["checksum_offset"]
    if not block["feature"] & _FEATURE_SB_CHECKSUM:
        return None
    covers = Span.sized(block.offset, length)
    if length > SUPERBLOCK_SIZE - 4:
        why = "its offset is outside the superblock"
        return Checksum(name, "crc32", "", None, block.offset + length, covers, why)
    # Linux starts from the magic and inverts neither end (f2fs_crc32 in fs/f2fs/f2fs.h).
    computed = crc32_raw(view.bytes(block.offset, length), MAGIC)
    stored = view.u32le(covers.end)
    return Checksum(name, "crc32", f"{stored:08x}", f"{computed:08x}", covers.end, covers)


def _walk(view: View, block: Record) -> F2fsWalk:
    quotas = block["feature"] & _FEATURE_QUOTA_INO
    return F2fsWalk(
        view,
        Volume(
            blocks=block["block_count"],
            per_segment=1 << min(block["log_blocks_per_seg"], 16),
            checkpoint=block["cp_blkaddr"],
            payload=block["cp_payload"],
            nat=block["nat_blkaddr"],
            nat_segments=block["segment_count_nat"],
            sit=block["sit_blkaddr"],
            sit_segments=block["segment_count_sit"],
            main=block["main_blkaddr"],
            root=block["root_ino"],
            quotas=view.unpack("<3I", block.offset + _QUOTAS) if quotas else (),
            flexible=bool(block["feature"] & _FEATURE_FLEXIBLE_XATTR),
            folded=bool(block["feature"] & _FEATURE_FOLDED),
        ),
    )


def _read(view: View) -> F2fs:
    records = _records(view)
    readable = [block for block in records if block]
    if not readable:
        raise FormatError(PLACES[0], "no readable F2FS superblock at 0x400 or at 0x1400")
    first, second = (_superblock(block) if block else None for block in records)
    superblock = _superblock(readable[0])
    checks = [
        _checksum(view, block, f"{ordinal} superblock")
        for ordinal, block in zip(("first", "second"), records, strict=True)
        if block
    ]
    differences = [name for name in _LAYOUT if len({block.raw(name) for block in readable}) > 1]
    walk = _walk(view, readable[0]) if superblock.log_blocksize == MIN_LOG_BLOCK_SIZE else None
    return F2fs(
        files=walk.files() if walk else None,
        flaws=tuple(walk.flaws) if walk else (),
        flaw_count=walk.flaw_count if walk else 0,
        unwalked=walk.unwalked if walk else "its blocks are not 4 KiB",
        room=walk.room if walk else None,
        doubts=walk.doubts() if walk else (),
        length=superblock.block_count << superblock.log_blocksize,
        offsets=readable[0].offsets(),
        checksums=(
            *(check for check in checks if check),
            *(walk.checksums if walk else ()),
        ),
        superblock=superblock,
        first=first,
        second=second,
        differences=tuple(differences),
        features=names_of(superblock.feature, FEATURES, "feature-"),
    )


READER = Reader(
    name="f2fs",
    title="F2FS file system",
    source="Linux include/linux/f2fs_fs.h",
    match=_match,
    read=_read,
    windows=head_only,
)
