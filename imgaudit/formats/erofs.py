"""EROFS: the superblock, at 1024, and what a walk from it finds.

Fields: Linux fs/erofs/erofs_fs.h. Feature names: those of dump.erofs (erofs-utils), and the
kernel's in lower case for what it does not print.
"""

from __future__ import annotations

from typing import ClassVar

from imgaudit.data import dataclass
from imgaudit.errors import FormatError
from imgaudit.formats.crc32c import crc32c
from imgaudit.formats.erofs_walk import ErofsWalk, Volume
from imgaudit.formats.facts import Checksum, Match, Reader, head_only
from imgaudit.formats.files import FileSystem
from imgaudit.formats.record import Record, names_of
from imgaudit.formats.view import View
from imgaudit.units import Span, human

SUPERBLOCK = 1024
SUPERBLOCK_SIZE = 128
SLOT_SIZE = 16
MAGIC = b"\xe2\xe1\xf5\xe0"
MIN_BLOCK_BITS, MAX_BLOCK_BITS = 9, 16  # 512 bytes to 64 KiB, the largest page of any architecture

COMPAT = {
    0: "sb_csum",
    1: "mtime",
    2: "xattr_filter",
    3: "shared_ea_in_metabox",
    4: "plain_xattr_pfx",
    5: "ishare_xattrs",
}
# Bits 1, 3 and 5 each have two meanings, told apart only by the inodes; the first is listed.
INCOMPAT = {
    0: "0padding",
    1: "big_pcluster",
    2: "chunked_file",
    3: "device_table",
    4: "ztailpacking",
    5: "fragments",
    6: "xattr_prefixes",
    7: "48bit",
    8: "metabox",
}
ALGORITHMS = {0: "lz4", 1: "lzma", 2: "deflate", 3: "zstd"}

_COMPAT_SB_CHKSUM = 0x1
_INCOMPAT_ZERO_PADDING = 0x1
_INCOMPAT_FRAGMENTS = 0x20
_INCOMPAT_WALKED = 0x7F  # later ones change where inodes stand
_INCOMPAT_COMPR_CFGS = 0x2
_INCOMPAT_48BIT = 0x80

_LAYOUT = {
    "magic": (0, 4),
    "checksum": (4, 4),
    "feature_compat": (8, 4),
    "blkszbits": (12, 1),
    "sb_extslots": (13, 1),
    "root_nid": (14, 2),
    "inos": (16, 8),
    "build_time": (24, 8),
    "build_time_nsec": (32, 4),
    "blocks": (36, 4),
    "meta_blkaddr": (40, 4),
    "xattr_blkaddr": (44, 4),
    "uuid": (48, 16),
    "volume_name": (64, 16),
    "feature_incompat": (80, 4),
    "available_compr_algs": (84, 2),
    "extra_devices": (86, 2),
    "devt_slotoff": (88, 2),
    "dirblkbits": (90, 1),
    "root_nid_8b": (112, 8),
}


@dataclass(frozen=True, kw_only=True)
class Erofs(FileSystem):
    """An EROFS superblock.

    `compressors` are those that the image may need: the announced ones, or LZ4 where the zero
    padding of compressed blocks is all that is said; empty where nothing tells of compression.
    """

    format: ClassVar[str] = "erofs"

    block_bits: int
    block_count: int
    root_nid: int
    inodes: int
    build_time: int
    compat: int
    incompat: int
    features: tuple[str, ...]
    compressors: tuple[str, ...]
    extra_devices: int
    superblock_size: int
    uuid: str
    label: str

    @property
    def block_size(self) -> int:
        """Bytes in a block."""
        return 1 << self.block_bits

    @property
    def size(self) -> int:
        """Bytes that the file system takes."""
        return self.block_count << self.block_bits

    def summary(self) -> str:
        """Give size, block size and compressors."""
        compressed = "+".join(self.compressors) or "uncompressed"
        return f"{human(self.size)} in {human(self.block_size)} blocks, {compressed}"


def _match(view: View) -> Match:
    if view.upto(SUPERBLOCK, 4) != MAGIC or view.size < SUPERBLOCK + SUPERBLOCK_SIZE:
        return Match.NO
    bits = view.u8(SUPERBLOCK + 12)
    return Match.GOOD if MIN_BLOCK_BITS <= bits <= MAX_BLOCK_BITS else Match.WEAK


def _checksum(view: View, block: Record) -> Checksum:
    offset = block.offsets()["checksum"]
    size = 1 << block["blkszbits"]
    # The rest of the superblock's block, with the checksum itself as zero.
    covers = Span.sized(SUPERBLOCK, size - SUPERBLOCK if size > SUPERBLOCK else size)
    stored = f"{block['checksum']:08x}"
    if covers.end > view.size:
        why = "the data end before the superblock's block does"
        return Checksum("superblock", "crc32c", stored, None, offset, covers, why)
    data = view.bytes(covers.start, covers.size)
    computed = f"{crc32c(data[:4] + bytes(4) + data[8:]):08x}"
    return Checksum("superblock", "crc32c", stored, computed, offset, covers)


def _compressors(incompat: int, algorithms: int) -> tuple[str, ...]:
    if incompat & _INCOMPAT_COMPR_CFGS:
        return names_of(algorithms, ALGORITHMS, "algorithm-")
    return ("lz4",) if incompat & _INCOMPAT_ZERO_PADDING else ()


def _read(view: View) -> Erofs:
    block = Record(view, SUPERBLOCK, _LAYOUT)
    offsets = block.offsets()
    if block.raw("magic") != MAGIC:
        raise FormatError(SUPERBLOCK, "no EROFS magic 0xe0f5e1e2")
    bits = block["blkszbits"]
    if not MIN_BLOCK_BITS <= bits <= MAX_BLOCK_BITS:
        raise FormatError(offsets["blkszbits"], f"a block size of 2^{bits} bytes")
    incompat = block["feature_incompat"]
    count, root = block["blocks"], block["root_nid"]
    if incompat & _INCOMPAT_48BIT:
        count, root = count | root << 32, block["root_nid_8b"]
    checked = block["feature_compat"] & _COMPAT_SB_CHKSUM
    walk = ErofsWalk(
        view,
        Volume(
            bits=bits,
            blocks=count,
            metadata=block["meta_blkaddr"],
            root=root,
            padded=bool(incompat & _INCOMPAT_ZERO_PADDING),
            packed=view.u64le(SUPERBLOCK + 96) if incompat & _INCOMPAT_FRAGMENTS else 0,
            unknown=incompat & ~_INCOMPAT_WALKED,
        ),
    )
    return Erofs(
        length=count << bits,
        offsets=offsets,
        doubts=walk.doubts(),
        files=walk.files(),
        flaws=tuple(walk.flaws),
        flaw_count=walk.flaw_count,
        unwalked=walk.unwalked,
        checksums=(_checksum(view, block),) if checked else (),
        block_bits=bits,
        block_count=count,
        root_nid=root,
        inodes=block["inos"],
        build_time=block["build_time"],
        compat=block["feature_compat"],
        incompat=incompat,
        features=names_of(block["feature_compat"], COMPAT, "compat-")
        + names_of(incompat, INCOMPAT, "incompat-"),
        compressors=_compressors(incompat, block["available_compr_algs"]),
        extra_devices=block["extra_devices"],
        superblock_size=SUPERBLOCK_SIZE + SLOT_SIZE * block["sb_extslots"],
        uuid=block.uuid("uuid"),
        label=block.text("volume_name"),
    )


READER = Reader(
    name="erofs",
    title="EROFS read-only file system",
    source="Linux fs/erofs/erofs_fs.h",
    match=_match,
    read=_read,
    windows=head_only,
)
