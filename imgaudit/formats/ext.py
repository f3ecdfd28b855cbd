"""The ext2, ext3 and ext4 file systems: the primary superblock, at 1024.

Fields: Linux Documentation/filesystems/ext4/super.rst. Feature names: those of e2fsprogs (libe2p).
"""

from __future__ import annotations

import struct
from typing import ClassVar, Literal

from imgaudit.data import dataclass
from imgaudit.errors import FormatError
from imgaudit.formats.crc32c import ALL_ONES, crc32c
from imgaudit.formats.ext_walk import ExtWalk, Volume
from imgaudit.formats.facts import Checksum, Match, Reader, head_only
from imgaudit.formats.files import FileSystem, Room
from imgaudit.formats.record import Record, names_of
from imgaudit.formats.view import View
from imgaudit.units import Span, human

SUPERBLOCK = 1024
MAGIC = b"\x53\xef"
MAX_LOG_BLOCK_SIZE = 6  # 64 KiB, the largest block that the format has

_COMPAT_HAS_JOURNAL = 0x4
_INCOMPAT_NEEDS_RECOVERY = 0x4
_INCOMPAT_JOURNAL_DEV = 0x8
_INCOMPAT_64BIT = 0x80
_RO_COMPAT_METADATA_CSUM = 0x400
# What ext3 knows beyond its journal, from util-linux' and Linux' lists: filetype, needs_recovery
# and meta_bg; sparse_super, large_file and the never used btree_dir.
_EXT3_INCOMPAT = 0x2 | 0x4 | 0x10
_EXT3_RO_COMPAT = 0x1 | 0x2 | 0x4

_STATE_CLEAN = 1
_STATE_ERROR = 2

COMPAT = {
    0: "dir_prealloc",
    1: "imagic_inodes",
    2: "has_journal",
    3: "ext_attr",
    4: "resize_inode",
    5: "dir_index",
    6: "lazy_bg",
    8: "snapshot_bitmap",
    9: "sparse_super2",
    10: "fast_commit",
    11: "stable_inodes",
    12: "orphan_file",
}
INCOMPAT = {
    0: "compression",
    1: "filetype",
    2: "needs_recovery",
    3: "journal_dev",
    4: "meta_bg",
    6: "extent",
    7: "64bit",
    8: "mmp",
    9: "flex_bg",
    10: "ea_inode",
    12: "dirdata",
    13: "metadata_csum_seed",
    14: "large_dir",
    15: "inline_data",
    16: "encrypt",
    17: "casefold",
}
RO_COMPAT = {
    0: "sparse_super",
    1: "large_file",
    3: "huge_file",
    4: "uninit_bg",
    5: "dir_nlink",
    6: "extra_isize",
    8: "quota",
    9: "bigalloc",
    10: "metadata_csum",
    11: "replica",
    12: "read-only",
    13: "project",
    14: "shared_blocks",
    15: "verity",
    16: "orphan_present",
}
CREATORS = {0: "Linux", 1: "Hurd", 2: "Masix", 3: "FreeBSD", 4: "Lites"}

_LAYOUT = {
    "inodes_count": (0x00, 4),
    "blocks_count_lo": (0x04, 4),
    "free_blocks_count_lo": (0x0C, 4),
    "free_inodes_count": (0x10, 4),
    "first_data_block": (0x14, 4),
    "log_block_size": (0x18, 4),
    "log_cluster_size": (0x1C, 4),
    "blocks_per_group": (0x20, 4),
    "inodes_per_group": (0x28, 4),
    "mtime": (0x2C, 4),
    "wtime": (0x30, 4),
    "mnt_count": (0x34, 2),
    "magic": (0x38, 2),
    "state": (0x3A, 2),
    "lastcheck": (0x40, 4),
    "creator_os": (0x48, 4),
    "rev_level": (0x4C, 4),
    "first_ino": (0x54, 4),
    "inode_size": (0x58, 2),
    "block_group_nr": (0x5A, 2),
    "feature_compat": (0x5C, 4),
    "feature_incompat": (0x60, 4),
    "feature_ro_compat": (0x64, 4),
    "uuid": (0x68, 16),
    "volume_name": (0x78, 16),
    "last_mounted": (0x88, 64),
    "reserved_gdt_blocks": (0xCE, 2),
    "hash_seed": (0xEC, 16),
    "journal_inum": (0xE0, 4),
    "desc_size": (0xFE, 2),
    "first_meta_bg": (0x104, 4),
    "mkfs_time": (0x108, 4),
    "blocks_count_hi": (0x150, 4),
    "free_blocks_count_hi": (0x158, 4),
    "flags": (0x160, 4),
    "mmp_block": (0x168, 8),
    "log_groups_per_flex": (0x174, 1),
    "error_count": (0x194, 4),
    "usr_quota_inum": (0x240, 4),
    "grp_quota_inum": (0x244, 4),
    "backup_bg_0": (0x24C, 4),
    "backup_bg_1": (0x250, 4),
    "prj_quota_inum": (0x26C, 4),
    "checksum_seed": (0x270, 4),
    "orphan_file_inum": (0x280, 4),
    "checksum": (0x3FC, 4),
}

Kind = Literal["ext2", "ext3", "ext4", "journal"]


@dataclass(frozen=True, kw_only=True)
class Ext(FileSystem):
    """An ext2, ext3 or ext4 superblock.

    `kind` follows from the features; "journal" is an external journal, which is no file system.
    Times are seconds since 1970, 0 where it never happened. `features` has every name, compatible
    ones first; a nameless bit is written as e2fsprogs writes it, such as `FEATURE_C13`.
    `block_group` is 0 in a primary superblock.
    """

    format: ClassVar[str] = "ext4"

    kind: Kind
    revision: int
    block_size: int
    block_count: int
    free_blocks: int
    first_data_block: int
    blocks_per_group: int
    block_group: int
    inode_count: int
    inode_size: int
    inodes_per_group: int
    compat: int
    incompat: int
    ro_compat: int
    features: tuple[str, ...]
    state: int
    error_count: int
    uuid: str
    label: str
    creator: str
    last_mounted: str
    mount_count: int
    mount_time: int
    write_time: int
    check_time: int
    mkfs_time: int

    @property
    def size(self) -> int:
        """Bytes that the file system takes."""
        return self.block_count * self.block_size

    @property
    def clean(self) -> bool:
        """Whether it was unmounted, or made, in good order."""
        return bool(self.state & _STATE_CLEAN)

    @property
    def has_errors(self) -> bool:
        """Whether an error was noted in it."""
        return bool(self.state & _STATE_ERROR)

    @property
    def needs_recovery(self) -> bool:
        """Whether its journal must be replayed first."""
        return bool(self.incompat & _INCOMPAT_NEEDS_RECOVERY)

    def summary(self) -> str:
        """Give kind, size and block size."""
        return f"{self.kind}, {human(self.size)} in {human(self.block_size)} blocks"


def _kind(compat: int, incompat: int, ro_compat: int) -> Kind:
    if incompat & _INCOMPAT_JOURNAL_DEV:
        return "journal"
    if incompat & ~_EXT3_INCOMPAT or ro_compat & ~_EXT3_RO_COMPAT:
        return "ext4"
    return "ext3" if compat & _COMPAT_HAS_JOURNAL else "ext2"


def _volume(block: Record, features: frozenset[str], count: int) -> Volume:
    """Say what the walk needs to know of the superblock."""
    uuid = block.raw("uuid")
    stored = "metadata_csum_seed" in features
    quotas = (block["usr_quota_inum"], block["grp_quota_inum"], block["prj_quota_inum"])
    size = block["desc_size"] if "64bit" in features else 32
    shift = block["log_cluster_size"] - block["log_block_size"] if "bigalloc" in features else 0
    return Volume(
        block_size=1024 << block["log_block_size"],
        block_count=count,
        first_block=block["first_data_block"],
        ratio=1 << min(max(shift, 0), 20),
        blocks_per_group=block["blocks_per_group"],
        inode_count=block["inodes_count"],
        # Revision 0 has no such fields; its inodes are 128 bytes and the first eleventh is free.
        inode_size=block["inode_size"] if block["rev_level"] else 128,
        first_inode=block["first_ino"] if block["rev_level"] else 11,
        inodes_per_group=block["inodes_per_group"],
        descriptor_size=size or 32,
        seed=block["checksum_seed"] if stored else crc32c(uuid, ALL_ONES),
        uuid=uuid,
        journal=block["journal_inum"] if "has_journal" in features else 0,
        reserved_descriptors=block["reserved_gdt_blocks"] if "resize_inode" in features else 0,
        first_meta_group=block["first_meta_bg"],
        backups=(block["backup_bg_0"], block["backup_bg_1"]),
        quotas=tuple(filter(None, quotas)) if "quota" in features else (),
        orphans=block["orphan_file_inum"] if "orphan_file" in features else 0,
        mmp=block["mmp_block"],
        hash_seed=struct.unpack("<4I", block.raw("hash_seed")),
        unsigned_hash=bool(block["flags"] & 2),
        linux=block["creator_os"] == 0,
        flex=block["log_groups_per_flex"],
        features=features,
    )


def _match(view: View) -> Match:
    if view.upto(SUPERBLOCK + 0x38, 2) != MAGIC or view.size < 2 * SUPERBLOCK:
        return Match.NO
    block = Record(view, SUPERBLOCK, _LAYOUT)
    sane = (
        block["log_block_size"] <= MAX_LOG_BLOCK_SIZE
        and block["rev_level"] <= 1
        and block["first_data_block"] <= 1
        and block["inodes_count"]
        and block["blocks_per_group"]
    )
    return Match.GOOD if sane else Match.WEAK


def _read(view: View) -> Ext:
    block = Record(view, SUPERBLOCK, _LAYOUT)
    offsets = block.offsets()
    if block.raw("magic") != MAGIC:
        raise FormatError(offsets["magic"], "no ext2, ext3 or ext4 magic 0xef53")
    if block["log_block_size"] > MAX_LOG_BLOCK_SIZE:
        why = f"a block size of 2^{10 + block['log_block_size']} bytes; the format ends at 64 KiB"
        raise FormatError(offsets["log_block_size"], why)
    compat, incompat = block["feature_compat"], block["feature_incompat"]
    ro_compat = block["feature_ro_compat"]
    count, free = block["blocks_count_lo"], block["free_blocks_count_lo"]
    if incompat & _INCOMPAT_64BIT:
        count |= block["blocks_count_hi"] << 32
        free |= block["free_blocks_count_hi"] << 32
    checksums: tuple[Checksum, ...] = ()
    if ro_compat & _RO_COMPAT_METADATA_CSUM:
        covers = Span(SUPERBLOCK, offsets["checksum"])
        checksums = (
            Checksum(
                name="superblock",
                algorithm="crc32c",
                stored=f"{block['checksum']:08x}",
                computed=f"{crc32c(view.bytes(covers.start, covers.size)):08x}",
                offset=offsets["checksum"],
                covers=covers,
            ),
        )
    block_size = 1024 << block["log_block_size"]
    kind = _kind(compat, incompat, ro_compat)
    features = (
        *names_of(compat, COMPAT, "FEATURE_C"),
        *names_of(incompat, INCOMPAT, "FEATURE_I"),
        *names_of(ro_compat, RO_COMPAT, "FEATURE_R"),
    )
    walk = None
    if kind != "journal":
        walk = ExtWalk(view, _volume(block, frozenset(features), count))
        checksums += tuple(walk.checksums)
    return Ext(
        length=count * block_size,
        offsets=offsets,
        checksums=checksums,
        doubts=walk.doubts() if walk else (),
        kind=kind,
        revision=block["rev_level"],
        block_size=block_size,
        block_count=count,
        free_blocks=free,
        first_data_block=block["first_data_block"],
        blocks_per_group=block["blocks_per_group"],
        block_group=block["block_group_nr"],
        inode_count=block["inodes_count"],
        # Revision 0 has no such field; its inodes are 128 bytes.
        inode_size=block["inode_size"] if block["rev_level"] else 128,
        inodes_per_group=block["inodes_per_group"],
        compat=compat,
        incompat=incompat,
        ro_compat=ro_compat,
        features=features,
        state=block["state"],
        error_count=block["error_count"],
        uuid=block.uuid("uuid"),
        label=block.text("volume_name"),
        creator=CREATORS.get(block["creator_os"], f"system {block['creator_os']}"),
        last_mounted=block.text("last_mounted"),
        mount_count=block["mnt_count"],
        mount_time=block["mtime"],
        write_time=block["wtime"],
        check_time=block["lastcheck"],
        mkfs_time=block["mkfs_time"],
        files=walk.files() if walk else None,
        flaws=tuple(walk.flaws) if walk else (),
        flaw_count=walk.flaw_count if walk else 0,
        unwalked=walk.unwalked if walk else "",
        room=Room(
            count * block_size,
            free * block_size,
            block["inodes_count"],
            block["free_inodes_count"],
        ),
    )


READER = Reader(
    name="ext4",
    title="ext2, ext3 or ext4 file system",
    source="Linux Documentation/filesystems/ext4/super.rst",
    match=_match,
    read=_read,
    windows=head_only,
)
