"""File systems: whether they are whole, in order, and fit the place that they are meant for."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from typing import NamedTuple, TypeVar

from imgaudit.arches import ARCHES
from imgaudit.contents.place import Node
from imgaudit.data import dataclass
from imgaudit.formats.btrfs import Btrfs
from imgaudit.formats.crc32c import crc32_raw, crc32c
from imgaudit.formats.erofs import Erofs
from imgaudit.formats.ext import Ext
from imgaudit.formats.f2fs import F2fs
from imgaudit.formats.facts import Facts
from imgaudit.formats.fat import Fat
from imgaudit.formats.files import Piece
from imgaudit.formats.jffs2 import Jffs2
from imgaudit.formats.luks import Luks
from imgaudit.formats.lvm2 import Lvm2
from imgaudit.formats.squashfs import Squashfs
from imgaudit.formats.ubi import Ubi
from imgaudit.formats.ubifs import Ubifs
from imgaudit.model import SECTOR, Region
from imgaudit.rules._flash import on_flash, on_flash_with
from imgaudit.rules.cited import (
    PRACTICE,
    in_cryptsetup,
    in_dosfstools,
    in_linux,
    in_lvm2,
    in_u_boot,
    manual,
    standard,
)
from imgaudit.rules.engine import Kind, Missing, NotChecked, Outcome, Rule, Severity, check
from imgaudit.rules.examples import emmc, nor
from imgaudit.rules.kinds import There, board_arch, contents_of, unread
from imgaudit.rules.subject import Subject
from imgaudit.units import KIB, place, round_up

F = TypeVar("F", bound=Facts)

# Less than a page of 4 KiB: what an end that was taken as exclusive costs.
_ONE_SHORT = 8 * SECTOR
_OFF_BY_ONE = ", as where an inclusive end was taken as exclusive"
_NOWHERE = Piece(1 << 63, None)
# Linux fs/jffs2/fs.c refuses less.
_JFFS2_BLOCKS = 5


@dataclass(frozen=True, slots=True)
class _Extent:
    """What a file system says of its own size; `at` is where it says so."""

    kind: str
    size: int
    block: int
    at: int


def _extent(facts: Facts) -> _Extent | None:
    if isinstance(facts, Ext) and facts.kind != "journal":
        return _Extent(facts.kind, facts.size, facts.block_size, facts.offsets["blocks_count_lo"])
    if isinstance(facts, Fat):
        at = facts.offsets["BPB_TotSec32" if facts.total_sectors >> 16 else "BPB_TotSec16"]
        return _Extent(facts.kind, facts.size, facts.bytes_per_sector, at)
    if isinstance(facts, Erofs):
        return _Extent("EROFS", facts.size, facts.block_size, facts.offsets["blocks"])
    if isinstance(facts, F2fs):
        return _Extent("F2FS", facts.size, facts.block_size, facts.offsets["block_count"])
    if isinstance(facts, Btrfs):
        return _Extent("btrfs", facts.size, facts.sector_size, facts.offsets["total_bytes"])
    if isinstance(facts, Squashfs):
        return _Extent("squashfs", facts.bytes_used, 1, facts.offsets["bytes_used"])
    if isinstance(facts, Ubifs):
        return _Extent("UBIFS", facts.size, facts.leb_size, facts.offsets["leb_cnt"])
    return None


def _extents(found: Node[Facts]) -> Iterator[_Sized]:
    extent = _extent(found.facts)
    if extent is not None:
        yield found, extent


_Sized = tuple[Node[Facts], _Extent]
"""A file system, and what it says of its own size."""
SQUASHFS = contents_of(Squashfs)
EXTS = contents_of(Ext)
FATS = contents_of(Fat)
F2FS = contents_of(F2fs)
JFFS2S = contents_of(Jffs2)
MOUNTED: Kind[Node[Facts]] = contents_of(Ext, Fat)
SUMMED: Kind[Node[Facts]] = contents_of(Btrfs, Erofs, Ext, F2fs, Jffs2, Luks, Lvm2, Ubi, Ubifs)
HELD: Kind[Node[Facts]] = contents_of(Btrfs, Erofs, Ext, F2fs, Fat, Squashfs, Ubifs)
SIZED = HELD.each(_extents)


# What follows writes just enough of each file system for the examples.


def _ext(blocks: int, *, stored: int | None = None, **fields: int) -> bytes:
    """Write an empty ext2 with 1 KiB blocks, `stored` of which are there."""
    values = {"state": 1, "compat": 0, "incompat": 2, "ro_compat": 0, "errors": 0, "uuid": 1}
    values |= {"flip": 0} | fields
    uuid = values["uuid"].to_bytes(16, "big")
    seed, summed = crc32c(uuid), bool(values["ro_compat"] & 0x400)

    def checked(data: bytes, *more: int) -> int:
        return crc32c(data, crc32c(struct.pack(f"<{len(more)}I", *more), seed)) * summed

    # After the superblock: descriptors, both bitmaps, 16 inodes in two blocks, the root directory.
    block_bits = ((1 << 8192) - (1 << min(blocks - 1, 8192)) | 0x7F).to_bytes(KIB, "little")
    inode_bits = ((1 << 8192) - (1 << 16) | 0x3FF).to_bytes(KIB, "little")
    sums = (checked(block_bits), checked(inode_bits[:2]))
    group = struct.pack(
        "<IIIHHHHIHHHH",
        3,
        4,
        5,
        min(blocks - 8, 0xFFFF),
        6,
        1,
        0,
        0,
        *(part & 0xFFFF for part in sums),
        0,
        0,
    )
    group = group[:30] + struct.pack("<H", checked(group, 0) & 0xFFFF)
    root = struct.pack("<HHI12xIHHIII60s28x", 0o40755, 0, KIB, 0, 0, 2, 2, 0, 0, b"\7")
    root = root[:0x7C] + struct.pack("<H", checked(root, 2, 0) & 0xFFFF) + bytes(2)
    room = KIB - 12 - 12 * summed
    names = struct.pack("<IHBB4sIHBB2s", 2, 12, 1, 2, b".", 2, room, 2, 2, b"..")
    names = names.ljust(KIB - 12, b"\0")
    names += struct.pack("<IHBBI", 0, 12, 0, 0xDE, checked(names, 2, 0)) if summed else bytes(12)

    block = bytearray(KIB)
    layout = {
        0x00: 16,
        0x04: blocks,
        0x0C: blocks - 8,
        0x10: 6,
        0x14: 1,
        0x20: 8192,
        0x24: 8192,
        0x28: 16,
    }
    layout |= {0x4C: 1, 0x54: 11, 0x5C: values["compat"], 0x60: values["incompat"]}
    layout |= {0x64: values["ro_compat"], 0x194: values["errors"]}
    for offset, value in layout.items():
        struct.pack_into("<I", block, offset, value)
    struct.pack_into("<HH", block, 0x38, 0xEF53, values["state"])
    struct.pack_into("<H", block, 0x58, 128)
    block[0x68:0x78] = uuid
    block[0x175] = summed
    checksum = crc32c(bytes(block[:-4])) ^ values["flip"]
    struct.pack_into("<I", block, 0x3FC, checksum * summed)
    inodes = (bytes(128) + root).ljust(2 * KIB, b"\0")
    parts = (
        bytes(KIB),
        bytes(block),
        group.ljust(KIB, b"\0"),
        block_bits,
        inode_bits,
        inodes,
        names,
    )
    return b"".join(parts).ljust((stored or blocks) * KIB, b"\0")[: (stored or blocks) * KIB]


def _fat(text: bytes) -> bytes:
    """Write the boot sector of a FAT12 of 64 KiB, labelled with `text`."""
    fields = struct.pack(
        "<3s8sHBHBHHBHHHIIBBBI11s8s",
        *(b"\xeb\x3c\x90", b"example ", 512, 1, 1, 2, 16, 128, 0xF8, 1, 32, 64, 0, 0),
        *(0x80, 0, 0x29, 1, b"EXAMPLE    ", text),
    )
    return (fields.ljust(510, b"\0") + b"\x55\xaa").ljust(64 * KIB, b"\0")


def _squashfs(used: int, size: int) -> bytes:
    """Write the superblock of a squashfs of `used` bytes in `size`."""
    head = struct.pack("<4sIIIIHHHHHH", b"hsqs", 1, 0, 1 << 17, 0, 1, 17, 0, 1, 4, 0)
    return (head + struct.pack("<Q", 0) + struct.pack("<Q", used) + b"\xff" * 48).ljust(size, b"\0")


def _f2fs(second: int) -> bytes:
    """Write both superblocks of an F2FS of 16 blocks; the copy says `second` blocks."""
    image = bytearray(64 * KIB)
    for at, blocks in ((0x400, 16), (0x1400, second)):
        struct.pack_into("<IHHIIII", image, at, 0xF2F52010, 1, 16, 9, 3, 12, 9)
        struct.pack_into("<Q", image, at + 36, blocks)
    return bytes(image)


def erased_jffs2(erase: int, order: str = "<") -> bytes:
    """Write two erase blocks with nothing but their clean markers."""
    head = struct.pack(order + "HHI", 0x1985, 0x2003, 12)
    marker = head + struct.pack(order + "I", crc32_raw(head, 0))
    return marker.ljust(erase, b"\xff") * 2


_ROOT = "name: rootfs, at: 0, size: 64 KiB, file: rootfs.img"
_DISK = "name: rootfs, partition: 1, at: 1 MiB, size: 64 KiB, file: rootfs.img"


def _larger_values(
    *,
    kind: str,
    size: int,
    holder: str,
    room: int,
    over: int,
    blocks: int,
    device_blocks: int,
    says: str,
    hint: str,
) -> None: ...


LARGER = Rule(
    name="filesystem-larger-than-region",
    stops=True,
    severity=Severity.ERROR,
    values=_larger_values,
    message=(
        "{content}: the {kind} file system is {size:bytes}, {holder} has {room:bytes};"
        " {over:bytes} are missing{hint}{says}"
    ),
    effect=(
        "The mount is refused, or fails when what lies past the end is read or written; what the"
        " file system keeps there is lost."
    ),
    fix="Make the file system with at most {room:bytes}, or give it {over:bytes} more.",
    computed="blocks x block size of the superblock is more than the region, less file-at, or than"
    " the partition; a warning for a FAT of which all that it keeps lies inside: it is read all the"
    " same",
    sources=(
        in_linux(
            "fs/ext4/super.c",
            says="bad geometry: block count %llu exceeds size of device (%llu blocks)",
        ),
        in_linux(
            "fs/squashfs/super.c",
            "squashfs_fill_super",
            "msblk->bytes_used > bdev_nr_bytes(sb->s_bdev))",
        ),
        in_linux(
            "fs/btrfs/volumes.c",
            "read_one_dev",
            "device total_bytes should be at most %llu but found %llu",
        ),
    ),
    bad=emmc(_DISK + ", holds: ext2", files={"rootfs.img": lambda: _ext(65, stored=64)}),
    good=emmc(_DISK + ", holds: ext2", files={"rootfs.img": lambda: _ext(64)}),
)


@check(LARGER, over=SIZED)
def filesystem_larger(sized: _Sized) -> Outcome:
    found, extent = sized
    room = found.room
    if room is None or extent.size <= room:
        return
    over = extent.size - room
    blocks, device = extent.size // extent.block, room // extent.block
    says = ""
    if isinstance(found.facts, Ext):
        said = f"bad geometry: block count {blocks} exceeds size of device ({device} blocks)"
        says = f'; Linux says "{said}"'
    yield LARGER(
        kind=extent.kind,
        size=extent.size,
        holder=found.place,
        room=room,
        over=over,
        blocks=blocks,
        device_blocks=device,
        says=says,
        hint=_OFF_BY_ONE if over < _ONE_SHORT else "",
    ).inside(
        found,
        at=extent.at,
        length=extent.size,
        severity=Severity.WARNING if _reads(found, room) else None,
    )


def _reads(found: Node[Facts], room: int) -> bool:
    """Tell whether all that a FAT keeps is inside: no driver asks the device for its size.

    Source: Linux fs/fat/inode.c, fat_fill_super; U-Boot fs/fat/fat.c, get_fs_info.
    """
    files = found.facts.files if isinstance(found.facts, Fat) else None
    if files is None or not files.complete or found.content.size > room:
        return False
    pieces = [piece for entry in files for piece in entry.pieces or (_NOWHERE,)[: entry.size]]
    return all((piece.offset or 0) + piece.size <= room for piece in pieces)


def _truncated_values(*, kind: str, have: int, size: int, missing: int) -> None: ...


TRUNCATED = Rule(
    name="filesystem-truncated",
    severity=Severity.ERROR,
    values=_truncated_values,
    message=(
        "{content} ends at {have:bytes}; its {kind} file system is {size:bytes}: the last"
        " {missing:bytes} are not there"
    ),
    effect="Files and tables in the lost part read as whatever the chip held before.",
    fix="Build or copy it again; an image that was shortened on purpose must be stored as sparse.",
    computed="the artifact, unpacked where its writer unpacks it, is shorter than blocks x block"
    " size of the superblock",
    sources=(
        in_linux("Documentation/filesystems/ext4/super.rst", "s_blocks_count_lo"),
        PRACTICE,
    ),
    bad=emmc(_DISK + ", holds: ext2", files={"rootfs.img": lambda: _ext(64, stored=32)}),
    good=emmc(_DISK + ", holds: ext2", files={"rootfs.img": lambda: _ext(32)}),
)


@check(TRUNCATED, over=SIZED)
def filesystem_truncated(sized: _Sized) -> Outcome:
    found, extent = sized
    have = found.content.size
    # What fills its place was cut by it, and is too large rather than truncated.
    if have >= extent.size or (found.room is not None and have >= found.room):
        return
    if not _complete(found):
        why = f"{found.artifact.path} does not unpack to its end"
        yield NotChecked(TRUNCATED.name, found.content.name, why)
        return
    yield TRUNCATED(
        kind=extent.kind, have=have, size=extent.size, missing=extent.size - have
    ).inside(found, at=have, length=extent.size - have)


def _complete(found: Node[Facts]) -> bool:
    return all(content.complete for content in found.artifact.content.walk())


def _padding_values(*, size: int, rest: int, unit: int, padded: int) -> None: ...


PADDING = Rule(
    name="squashfs-not-padded",
    severity=Severity.WARNING,
    values=_padding_values,
    message="{content} is {size:bytes} long, {rest:bytes} past a multiple of {unit:bytes}",
    effect=(
        "A device that ends there has no whole last block: reading it fails with 'attempt to access"
        " beyond end of device'."
    ),
    fix="Let mksquashfs pad it (leave out -nopad), to {padded:bytes}.",
    computed="length mod 4096 is not 0; an error where it is no whole KiB and the region, or with"
    " no region the file, ends within that block",
    sources=(
        in_linux("fs/squashfs/Kconfig", "SQUASHFS_4K_DEVBLK_SIZE"),
        in_linux("block/blk-core.c", "bio_check_eod", "attempt to access beyond end of device"),
    ),
    bad=nor(_ROOT + ", holds: squashfs", files={"rootfs.img": lambda: _squashfs(9000, 9000)}),
    good=nor(_ROOT + ", holds: squashfs", files={"rootfs.img": lambda: _squashfs(9000, 12288)}),
)


@check(PADDING, over=SQUASHFS)
def squashfs_padded(found: Node[Squashfs]) -> Outcome:
    size = found.content.size
    if found.nested or size % 4096 == 0 or size < found.facts.bytes_used:
        return
    ends = found.room is None or round_up(size, KIB) > found.room
    fatal = size % KIB != 0 and ends
    unit = KIB if fatal else 4096
    yield PADDING(size=size, rest=size % unit, unit=unit, padded=round_up(size, 4096)).inside(
        found, at=size - size % unit, severity=Severity.ERROR if fatal else None
    )


def _not_clean_values(*, kind: str, what: str) -> None: ...


NOT_CLEAN = Rule(
    name="filesystem-not-clean",
    severity=Severity.WARNING,
    values=_not_clean_values,
    message="{content}: the {kind} file system {what}",
    effect=(
        "Its first mount replays or checks what the build left behind. Where a journal is to be"
        " replayed and the device cannot be written, the mount is refused: "
        '"write access unavailable, cannot proceed". Two builds are never alike.'
    ),
    fix="Unmount it before the image is taken, or make the image with the mkfs tool itself.",
    computed="ext: bit 0 of s_state is clear or needs_recovery is set; FAT: the dirty bit of the"
    " boot sector's state is set",
    sources=(
        in_linux("Documentation/filesystems/ext4/super.rst", "s_state"),
        in_linux(
            "fs/ext4/super.c", "ext4_load_journal", "write access unavailable, cannot proceed"
        ),
        in_linux("include/uapi/linux/msdos_fs.h", "FAT_STATE_DIRTY"),
    ),
    bad=emmc(_DISK + ", holds: ext2", files={"rootfs.img": lambda: _ext(64, state=0)}),
    good=emmc(_DISK + ", holds: ext2", files={"rootfs.img": lambda: _ext(64)}),
)


@check(NOT_CLEAN, over=MOUNTED)
def filesystem_clean(found: Node[Facts]) -> Outcome:
    facts = found.facts
    if isinstance(facts, Ext) and facts.kind != "journal" and not facts.clean:
        at, what = facts.offsets["state"], "was not unmounted"
    elif isinstance(facts, Ext) and facts.needs_recovery:
        at, what = facts.offsets["feature_incompat"], "has a journal to replay"
    elif isinstance(facts, Fat) and facts.dirty:
        at, what = facts.offsets["BS_Reserved1"], "was not unmounted"
    else:
        return
    yield NOT_CLEAN(kind=facts.kind, what=what).inside(found, at=at, length=4)


def _has_errors_values(*, kind: str, count: int) -> None: ...


HAS_ERRORS = Rule(
    name="filesystem-has-errors",
    severity=Severity.ERROR,
    values=_has_errors_values,
    message="{content}: the {kind} file system is marked as having errors ({count} counted)",
    effect="The kernel mounts it, and says so where it is to be written:"
    ' "mounting fs with errors, running e2fsck is recommended". At the next error that it meets it'
    " goes on, makes it read-only or panics, as the file system's own policy says.",
    fix="Make the image anew; do not ship one that e2fsck must repair.",
    computed="bit 1 of s_state is set, or s_error_count is not 0",
    sources=(
        in_linux("Documentation/filesystems/ext4/super.rst", "s_state"),
        in_linux("Documentation/filesystems/ext4/super.rst", "s_error_count"),
        in_linux(
            "fs/ext4/super.c",
            "ext4_setup_super",
            "mounting fs with errors, running e2fsck is recommended",
        ),
    ),
    bad=emmc(_DISK + ", holds: ext2", files={"rootfs.img": lambda: _ext(64, state=3, errors=2)}),
    good=emmc(_DISK + ", holds: ext2", files={"rootfs.img": lambda: _ext(64)}),
)


@check(HAS_ERRORS, over=EXTS)
def filesystem_errors(found: Node[Ext]) -> Outcome:
    facts = found.facts
    if facts.has_errors or facts.error_count:
        at = facts.offsets["state" if facts.has_errors else "error_count"]
        yield HAS_ERRORS(kind=facts.kind, count=facts.error_count).inside(found, at=at, length=4)


def _checksum_values(
    what: str, *, stored: str, computed: str | None, count: int, more: str
) -> None: ...


CHECKSUM = Rule(
    name="filesystem-checksum",
    severity=Severity.ERROR,
    values=_checksum_values,
    message=("{content}: the checksum of the {what} is {stored}, its bytes make {computed}{more}"),
    effect="The kernel refuses to mount it, or skips what is damaged and loses those files.",
    fix="Build or copy it again: its bytes changed after they were written.",
    computed=(
        "a checksum of a superblock, of other metadata, of a UBI header, of a JFFS2 node or of the"
        " header of LUKS or LVM2 does not match"
    ),
    sources=(
        in_linux("fs/ext4/super.c", "ext4_superblock_csum"),
        in_linux("fs/erofs/super.c", "erofs_superblock_csum_verify"),
        in_linux("fs/f2fs/super.c", "f2fs_crc_valid"),
        in_linux("fs/ubifs/io.c", "ubifs_check_node"),
        in_linux("fs/jffs2/scan.c", "jffs2_scan_eraseblock"),
        in_linux("fs/btrfs/disk-io.c", "btrfs_check_super_csum"),
        in_linux("drivers/mtd/ubi/io.c", "ubi_io_read_ec_hdr"),
        standard(
            "LUKS2 On-Disk Format Specification",
            copy=in_cryptsetup(
                "lib/luks2/luks2_disk_metadata.c",
                "hdr_checksum_calculate",
                "Checksum is always calculated with zeroed checksum field in binary header.",
            ),
        ),
        in_lvm2("lib/format_text/layout.h", "checksum_xl", "Checksum of rest of mda_header"),
    ),
    bad=emmc(
        _DISK + ", holds: ext4", files={"rootfs.img": lambda: _ext(64, ro_compat=0x400, flip=1)}
    ),
    good=emmc(_DISK + ", holds: ext4", files={"rootfs.img": lambda: _ext(64, ro_compat=0x400)}),
)


@check(CHECKSUM, over=SUMMED)
def filesystem_checksum(found: Node[Facts]) -> Outcome:
    wrong = [checksum for checksum in found.facts.checksums if checksum.matches is False]
    if wrong:
        first = wrong[0]
        yield CHECKSUM(
            what=first.name,
            stored=first.stored,
            computed=first.computed,
            count=len(wrong),
            more=f", and {len(wrong) - 1} more" if len(wrong) > 1 else "",
        ).inside(found, at=first.offset, length=4)


_BOOT_TYPES = frozenset({"esp", "xbootldr"})
_BOOT_LABELS = frozenset({"boot", "boot-a", "boot-b"})
_NOT_IN_U_BOOT = frozenset({"compression", "inline_data", "meta_bg", "encrypt"})


def _features_values(features: str, *, holder: str, without: str) -> None: ...


FEATURES = Rule(
    name="ext4-feature-not-in-u-boot",
    severity=Severity.WARNING,
    values=_features_values,
    message="{content}: U-Boot, which reads {holder}, does not know {features}",
    effect="U-Boot finds no files in it, or loads other bytes than theirs.",
    fix="Make it without: mke2fs -O {without}.",
    computed=(
        "the region's type is esp or xbootldr, or its label boot, and the superblock has"
        " compression, inline_data, meta_bg or encrypt"
    ),
    sources=(
        in_u_boot("fs/ext4/ext4_common.c", "ext4fs_mount", "EXT4_FEATURE_INCOMPAT_64BIT"),
        in_u_boot("include/ext4fs.h", "EXT4_FEATURE_INCOMPAT_64BIT"),
        PRACTICE,
    ),
    bad=emmc(
        _DISK + ", type: xbootldr, holds: ext4",
        files={"rootfs.img": lambda: _ext(64, incompat=0x8002)},
    ),
    good=emmc(
        _DISK + ", type: xbootldr, holds: ext4",
        files={"rootfs.img": lambda: _ext(64, incompat=0x42)},
    ),
)


@check(FEATURES, over=EXTS)
def ext4_features(found: Node[Ext]) -> Outcome:
    region = found.region
    if region is None or not (
        region.type in _BOOT_TYPES or _BOOT_LABELS.intersection(region.labels)
    ):
        return
    unknown = sorted(_NOT_IN_U_BOOT.intersection(found.facts.features))
    if unknown:
        yield FEATURES(
            holder=found.place,
            features=", ".join(unknown),
            without=",".join(f"^{name}" for name in unknown),
        ).inside(found, at=found.facts.offsets["feature_incompat"], length=4)


def _fat_type_values(*, clusters: int, kind: str, but: str) -> None: ...


FAT_TYPE = Rule(
    name="fat-type-inconsistent",
    severity=Severity.WARNING,
    values=_fat_type_values,
    message="{content}: {clusters:,} clusters make it a {kind}, but {but}",
    effect="Linux tells the kind of a FAT by its layout and the number of clusters, U-Boot by its"
    " layout and label, a boot ROM by what its maker chose: they disagree, and one of them reads"
    " garbage or refuses it.",
    fix="Make it anew with mkfs.fat, with -F only where the size allows that kind.",
    computed=(
        "the kind that follows from the number of clusters (below 4085, below 65525, and above)"
        " differs from the boot sector's layout or its label, or the FAT is too short for them"
    ),
    sources=(
        standard(
            "Microsoft FAT32 File System Specification 1.03",
            copy=in_dosfstools(
                "src/mkfs.fat.c",
                "MAX_CLUST_12",
                "(fatgen103.doc) disk with 4085 clusters (or more) is FAT16",
            ),
        ),
        in_u_boot(
            "fs/fat/fat.c",
            "read_bootsectandvi",
            "if (strncmp(FAT12_SIGN, vistart->fs_type, SIGNLEN) == 0) {",
        ),
        in_linux(
            "fs/fat/inode.c",
            "fat_fill_super",
            "sbi->fat_bits = (total_clusters > MAX_FAT12) ? 16 : 12;",
        ),
    ),
    bad=emmc(_DISK + ", holds: fat", files={"rootfs.img": lambda: _fat(b"FAT16   ")}),
    good=emmc(_DISK + ", holds: fat", files={"rootfs.img": lambda: _fat(b"FAT12   ")}),
)


@check(FAT_TYPE, over=FATS)
def fat_type(found: Node[Fat]) -> Outcome:
    facts = found.facts
    laid_out = "FAT32" if facts.fat32_layout else "FAT12 or FAT16"
    # "FAT" alone names no kind.
    said = facts.type_text
    but = ""
    if (facts.kind == "FAT32") != facts.fat32_layout:
        but, at = f"its boot sector is laid out for {laid_out}", facts.offsets["BPB_FATSz16"]
    elif said in {"FAT12", "FAT16", "FAT32"} and said != facts.kind:
        but, at = f"its label says {said}", facts.offsets["BS_FilSysType"]
    elif facts.fat_entries < facts.cluster_count + 2:
        but = f"its FAT has entries for {max(0, facts.fat_entries - 2):,}"
        at = facts.offsets["BPB_FATSz16"]
    if but:
        yield FAT_TYPE(clusters=facts.cluster_count, kind=facts.kind, but=but).inside(
            found, at=at, length=8
        )


def _f2fs_copies_values(*, how: str) -> None: ...


F2FS_COPIES = Rule(
    name="f2fs-superblocks-differ",
    severity=Severity.WARNING,
    values=_f2fs_copies_values,
    message="{content}: the two F2FS superblocks {how}",
    effect="Linux takes the first one that it can read. Where that is damaged one day it goes by"
    " the other, and finds another file system or none.",
    fix="Make the image anew with mkfs.f2fs.",
    computed="the copies at 0x400 and 0x1400 differ in a field, or one of them cannot be read",
    sources=(
        in_linux(
            "fs/f2fs/super.c",
            "read_raw_super_block",
            "Can't find valid F2FS filesystem in %dth superblock",
        ),
        in_linux("fs/f2fs/super.c", "f2fs_fill_super", "recover broken superblock"),
    ),
    bad=emmc(_DISK + ", holds: f2fs", files={"rootfs.img": lambda: _f2fs(second=17)}),
    good=emmc(_DISK + ", holds: f2fs", files={"rootfs.img": lambda: _f2fs(second=16)}),
)


@check(F2FS_COPIES, over=F2FS)
def f2fs_superblocks(found: Node[F2fs]) -> Outcome:
    facts = found.facts
    if facts.first is None or facts.second is None:
        at = 0x400 if facts.first is None else 0x1400
        how = f"are not both there: none can be read at {place(at)}"
    elif facts.differences:
        at, how = 0x1400, f"differ in {', '.join(facts.differences)}"
    else:
        return
    yield F2FS_COPIES(how=how).inside(found, at=at, length=3072)


def _jffs2_blocks_values(*, count: int, erase: int, least: int, needed: int) -> None: ...


JFFS2_BLOCKS = Rule(
    name="jffs2-too-few-blocks",
    severity=Severity.ERROR,
    values=_jffs2_blocks_values,
    message=(
        "{region} is for JFFS2 and has {count:+erase block} of {erase:bytes}; it needs {least}"
    ),
    effect="Linux does not mount it, 'Too few erase blocks ({count})': nothing can be kept there.",
    fix="Grow {region} to at least {needed:bytes}.",
    computed="size / erase block is less than 5",
    sources=(in_linux("fs/jffs2/fs.c", "jffs2_do_fill_super", "Too few erase blocks (%d)"),),
    bad=nor("name: settings, at: 0, size: 0x40000, holds: jffs2"),
    good=nor("name: settings, at: 0, size: 0x50000, holds: jffs2"),
)


@check(JFFS2_BLOCKS, over=on_flash_with("jffs2"))
def jffs2_blocks(found: There) -> Outcome:
    region, erase = found.region, found.chip.erase_unit(found.region.at)
    count = region.size // erase
    if count < _JFFS2_BLOCKS:
        yield JFFS2_BLOCKS(
            count=count, erase=erase, least=_JFFS2_BLOCKS, needed=_JFFS2_BLOCKS * erase
        ).at(region=region, key="size", offset=region.at, length=region.size)


def _jffs2_erase_values(*, made: int, erase: int) -> None: ...


JFFS2_ERASE = Rule(
    name="jffs2-erase-size-mismatch",
    severity=Severity.ERROR,
    values=_jffs2_erase_values,
    message=(
        "{content} was made for erase blocks of {made:bytes}; those of {region} are {erase:bytes}"
    ),
    effect=(
        "Nodes cross erase blocks, or blocks hold several clean markers: the kernel reports 'Magic"
        " bitmask 0x1985 not found' and loses files."
    ),
    fix="Make it with mkfs.jffs2 -e {erase:place}.",
    computed="the spacing of the clean markers is not the chip's erase block",
    sources=(
        in_linux(
            "fs/jffs2/scan.c",
            "jffs2_scan_eraseblock",
            "%s(): Magic bitmask 0x%04x not found at 0x%08x: 0x%04x instead",
        ),
        manual("mkfs.jffs2(1)", "Use erase block size SIZE."),
    ),
    bad=nor(
        "name: settings, at: 0, size: 320 KiB, holds: jffs2, file: settings.jffs2",
        files={"settings.jffs2": lambda: erased_jffs2(4 * KIB)},
    ),
    good=nor(
        "name: settings, at: 0, size: 320 KiB, holds: jffs2, file: settings.jffs2",
        files={"settings.jffs2": lambda: erased_jffs2(64 * KIB)},
    ),
)


@check(JFFS2_ERASE, over=JFFS2S)
def jffs2_erase(found: Node[Jffs2]) -> Outcome:
    there, made = on_flash(found), found.facts.erase_size
    if there is None or made is None or made == there[1]:
        return
    yield JFFS2_ERASE(made=made, erase=there[1]).inside(
        found, at=found.facts.cleanmarkers[1], length=12
    )


def _jffs2_order_values(*, order: str, arch: str) -> None: ...


JFFS2_ORDER = Rule(
    name="jffs2-byte-order",
    severity=Severity.ERROR,
    values=_jffs2_order_values,
    message="{content} is {order}-endian, the board ({arch}) is little-endian",
    effect=(
        "The kernel finds none of its nodes and does not mount it: 'Magic bitmask is backwards at"
        " offset … Wrong endian filesystem?', 'Cowardly refusing to erase blocks on filesystem with"
        " no valid JFFS2 nodes'."
    ),
    fix="Make it with mkfs.jffs2 --little-endian.",
    computed="the byte order of the first node's magic, on an architecture that has only one",
    sources=(
        in_linux("fs/jffs2/nodelist.h", "JFFS2_NATIVE_ENDIAN"),
        in_linux("fs/jffs2/scan.c", "jffs2_scan_eraseblock", "Wrong endian filesystem?"),
        in_linux("fs/jffs2/scan.c", "jffs2_scan_medium", "Cowardly refusing to erase blocks"),
    ),
    bad=nor(
        "name: settings, at: 0, size: 320 KiB, holds: jffs2, file: settings.jffs2",
        files={"settings.jffs2": lambda: erased_jffs2(64 * KIB, ">")},
    ),
    good=nor(
        "name: settings, at: 0, size: 320 KiB, holds: jffs2, file: settings.jffs2",
        files={"settings.jffs2": lambda: erased_jffs2(64 * KIB)},
    ),
)


@check(JFFS2_ORDER, over=JFFS2S, given=board_arch)
def jffs2_order(found: Node[Jffs2], arch: str) -> Outcome:
    if found.facts.order == "big" and arch in ARCHES and ARCHES[arch].little:
        yield JFFS2_ORDER(order="big", arch=arch).inside(found, length=12)


def _raw_nor_values(*, holds: str, kind: str, erase: int) -> None: ...


RAW_NOR = Rule(
    name="writable-filesystem-on-nor",
    severity=Severity.WARNING,
    values=_raw_nor_values,
    message="{region} holds {holds} on {chip}, a {kind} without a translation layer",
    effect=(
        "Every small write erases and rewrites a whole erase block of {erase:bytes}: it is slow,"
        " wears the flash, and a power cut destroys the block."
    ),
    fix="Use JFFS2 or UBIFS, or a read-only squashfs or EROFS.",
    computed="the region holds ext2, ext3, ext4, F2FS or FAT and its chip is a NOR flash",
    sources=(
        in_linux(
            "drivers/mtd/Kconfig",
            "MTD_BLOCK",
            "perform read/erase/modify/write cycles on flash chips to emulate a smaller block size."
            " Needless to say, this is very unsafe",
        ),
        PRACTICE,
    ),
    bad=nor("name: settings, at: 0, size: 512 KiB, holds: ext4"),
    good=nor("name: settings, at: 0, size: 512 KiB, holds: jffs2"),
)


@check(RAW_NOR, over=on_flash_with("ext2", "ext3", "ext4", "f2fs", "fat"))
def writableon_flash(found: There) -> Outcome:
    region, chip = found.region, found.chip
    if not chip.kind.bad_blocks:  # else told as that
        yield RAW_NOR(
            holds=region.holds, kind=chip.kind.short, erase=chip.erase_unit(region.at)
        ).at(region=region, key="holds", offset=region.at, length=region.size)


def _same_uuid_values(other: str, *, content: str, uuid: str) -> None: ...


SAME_UUID = Rule(
    name="filesystem-uuid-repeated",
    follows=("artifacts-identical",),
    severity=Severity.NOTE,
    values=_same_uuid_values,
    message="{content} and {other} have the same file system UUID {uuid}",
    effect="Whatever selects a slot by UUID= takes the first one it finds.",
    fix="Give each its own (mke2fs -U, mkfs.fat -i), or select by PARTUUID= or PARTLABEL= only.",
    computed="the UUIDs, or FAT serial numbers, of two regions' file systems are equal and not 0",
    sources=(PRACTICE,),
    bad=emmc(
        _DISK + ", holds: ext2",
        "name: spare, partition: 2, at: 2 MiB, size: 64 KiB, holds: ext2, file: spare.img",
        files={"rootfs.img": lambda: _ext(64), "spare.img": lambda: _ext(64)},
    ),
    good=emmc(
        _DISK + ", holds: ext2",
        "name: spare, partition: 2, at: 2 MiB, size: 64 KiB, holds: ext2, file: spare.img",
        files={"rootfs.img": lambda: _ext(64), "spare.img": lambda: _ext(64, uuid=2)},
    ),
)


class _Again(NamedTuple):
    """A file system whose UUID another region has as well."""

    first: Region
    region: Region
    path: str
    facts: Facts | None
    uuid: str
    at: int


def _same(subject: Subject) -> Iterator[_Again | Missing]:
    yield from unread(subject, "erofs", "ext4", "f2fs", "fat", "ubifs")
    seen: dict[str, Region] = {}
    for region, artifact, payload in subject.placed():
        uuid, at = _uuid(payload.facts)
        first = seen.setdefault(uuid, region)
        if uuid and first is not region:
            yield _Again(first, region, artifact.path, payload.facts, uuid, at)


@check(SAME_UUID, over=Kind(_same, lambda again: again.region.name))
def filesystem_uuid(again: _Again) -> Outcome:
    region = again.region
    yield SAME_UUID(content=region.name, other=again.first.name, uuid=again.uuid).at(
        region=region,
        key="file",
        artifact=again.path,
        offset=region.at + region.file_at + again.at,
        length=4 if isinstance(again.facts, Fat) else 16,
    )


def _uuid(facts: Facts | None) -> tuple[str, int]:
    """Give the name that blkid prints and where it is stored; "" where there is none."""
    if isinstance(facts, Fat):
        serial = facts.serial or 0
        text = f"{serial >> 16:04X}-{serial & 0xFFFF:04X}" if serial else ""
        return text, facts.offsets["BS_VolID"]
    if isinstance(facts, Btrfs):
        return facts.uuid, facts.offsets["fsid"]
    if isinstance(facts, Ext | Erofs | F2fs | Ubifs):
        return facts.uuid if facts.uuid.strip("0-") else "", facts.offsets["uuid"]
    return "", 0
