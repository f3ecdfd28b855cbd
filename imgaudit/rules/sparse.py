"""Android sparse images: whether what their chunks make is what their header promises."""

from __future__ import annotations

import struct
import zlib

from imgaudit.contents.place import Node
from imgaudit.formats.android_sparse import AndroidSparse
from imgaudit.rules.cited import in_u_boot
from imgaudit.rules.engine import Outcome, Rule, Severity, check
from imgaudit.rules.examples import emmc
from imgaudit.rules.kinds import contents_of

_BLOCK = 4096
SPARSE = contents_of(AndroidSparse)
_ROOT = "name: rootfs, partition: 1, at: 1 MiB, size: 64 KiB, file: rootfs.simg"


def _sparse(blocks: int, checksum: int = 0) -> bytes:
    """Write an image that promises `blocks` blocks, with one stored and three left out."""
    head = struct.pack("<IHHHHIIII", 0xED26FF3A, 1, 0, 28, 12, _BLOCK, blocks, 2, checksum)
    stored_block = struct.pack("<HHII", 0xCAC1, 0, 1, 12 + _BLOCK) + _DATA
    return head + stored_block + struct.pack("<HHII", 0xCAC3, 0, 3, 12)


_DATA = b"tide" * (_BLOCK // 4)
_CRC = zlib.crc32(_DATA + bytes(3 * _BLOCK))


def _inconsistent_values(*, made: int, said: int) -> None: ...


INCONSISTENT = Rule(
    name="android-sparse-inconsistent",
    severity=Severity.ERROR,
    values=_inconsistent_values,
    message="{content}: the chunks make {made:bytes}, the header says {said:bytes}",
    effect='U-Boot\'s fastboot writes what there is and then says "sparse image write failure";'
    " other tools refuse it, or leave the end of the partition as it was.",
    fix="Make it with img2simg from the whole image; look for a chunk that was lost.",
    computed="the sum of the chunks' blocks is not total_blks",
    sources=(
        in_u_boot(
            "include/sparse_format.h", "total_blks", "total blocks in the non-sparse output image"
        ),
        in_u_boot("lib/image-sparse.c", "write_sparse_image", "sparse image write failure"),
    ),
    bad=emmc(_ROOT, files={"rootfs.simg": lambda: _sparse(5)}),
    good=emmc(_ROOT, files={"rootfs.simg": lambda: _sparse(4)}),
)


@check(INCONSISTENT, over=SPARSE)
def chunks_add_up(found: Node[AndroidSparse]) -> Outcome:
    facts = found.facts
    if facts.chunk_size_total != facts.expanded_size:
        yield INCONSISTENT(made=facts.chunk_size_total, said=facts.expanded_size).inside(
            found, at=facts.offsets["total_blks"], length=4
        )


def _checksum_values(what: str, *, stored: str, computed: str | None) -> None: ...


CHECKSUM = Rule(
    name="android-sparse-checksum",
    severity=Severity.ERROR,
    values=_checksum_values,
    message="{content}: the CRC of the {what} is {stored}, its bytes make {computed}",
    effect="Other data than was built goes onto the chip: U-Boot's fastboot, for one, does not"
    " compare it.",
    fix="Copy or make the image again.",
    computed="CRC-32 of the expanded image, or of its beginning up to a CRC chunk, does not match",
    sources=(
        in_u_boot(
            "include/sparse_format.h", "image_checksum", "CRC32 checksum of the original data"
        ),
        in_u_boot("lib/image-sparse.c", "CHUNK_TYPE_CRC32"),
    ),
    bad=emmc(_ROOT, files={"rootfs.simg": lambda: _sparse(4, _CRC ^ 1)}),
    good=emmc(_ROOT, files={"rootfs.simg": lambda: _sparse(4, _CRC)}),
)


@check(CHECKSUM, over=SPARSE)
def chunks_checksum(found: Node[AndroidSparse]) -> Outcome:
    for checksum in found.facts.checksums:
        if checksum.matches is False:
            yield CHECKSUM(
                what=checksum.name, stored=checksum.stored, computed=checksum.computed
            ).inside(found, at=checksum.offset, length=4)
