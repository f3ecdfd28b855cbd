"""UBIFS: the superblock node, at the start of LEB 0 (what mkfs.ubifs writes), and what follows.

Fields: Linux fs/ubifs/ubifs-media.h.
"""

from __future__ import annotations

from typing import ClassVar

from imgaudit.data import dataclass
from imgaudit.errors import FormatError
from imgaudit.formats.crc32c import crc32_raw
from imgaudit.formats.facts import Checksum, Match, Reader
from imgaudit.formats.files import FileSystem
from imgaudit.formats.record import Record, names_of
from imgaudit.formats.ubifs_walk import UbifsWalk, Volume
from imgaudit.formats.view import View
from imgaudit.units import Span, human

MAGIC = b"\x31\x18\x10\x06"
NODE_TYPE_SUPERBLOCK = 6
SUPERBLOCK_SIZE = 4096
CRC_START = 8  # the checksum covers what follows it

COMPRESSORS = {0: "none", 1: "lzo", 2: "zlib", 3: "zstd"}
KEY_HASHES = {0: "r5", 1: "test"}
FLAGS = {
    1: "big-lpt",
    2: "space-fixup",
    3: "double-hash",
    4: "encryption",
    5: "authentication",
}

_LAYOUT = {
    "magic": (0, 4),
    "crc": (4, 4),
    "sqnum": (8, 8),
    "len": (16, 4),
    "node_type": (20, 1),
    "key_hash": (26, 1),
    "key_fmt": (27, 1),
    "flags": (28, 4),
    "min_io_size": (32, 4),
    "leb_size": (36, 4),
    "leb_cnt": (40, 4),
    "max_leb_cnt": (44, 4),
    "max_bud_bytes": (48, 8),
    "log_lebs": (56, 4),
    "lpt_lebs": (60, 4),
    "orph_lebs": (64, 4),
    "jhead_cnt": (68, 4),
    "fanout": (72, 4),
    "lsave_cnt": (76, 4),
    "fmt_version": (80, 4),
    "default_compr": (84, 2),
    "rp_size": (96, 8),
    "time_gran": (104, 4),
    "uuid": (108, 16),
    "ro_compat_version": (124, 4),
}


@dataclass(frozen=True, kw_only=True)
class Ubifs(FileSystem):
    """A UBIFS superblock node; `length` is `leb_cnt` blocks of `leb_size` bytes.

    `compressor` is the default one, which any file may leave; "" for an unknown number.
    """

    format: ClassVar[str] = "ubifs"

    sqnum: int
    node_length: int
    key_hash: str
    key_fmt: int
    flags: int
    flag_names: tuple[str, ...]
    min_io_size: int
    leb_size: int
    leb_count: int
    max_leb_count: int
    log_lebs: int
    lpt_lebs: int
    orphan_lebs: int
    fmt_version: int
    ro_compat_version: int
    default_compr: int
    compressor: str
    uuid: str

    @property
    def size(self) -> int:
        """Bytes that the file system takes now; it may grow to `max_leb_count` blocks."""
        return self.leb_count * self.leb_size

    def summary(self) -> str:
        """Give the number and size of its blocks and the compressor."""
        compressor = self.compressor or f"compressor {self.default_compr}"
        return f"{self.leb_count} LEBs of {human(self.leb_size)}, {compressor}"


def _match(view: View) -> Match:
    head = view.upto(0, 24)
    if head[:4] != MAGIC:
        return Match.NO
    return Match.GOOD if head[20:21] == bytes([NODE_TYPE_SUPERBLOCK]) else Match.WEAK


def _read(view: View) -> Ubifs:
    node = Record(view, 0, _LAYOUT)
    if node.raw("magic") != MAGIC:
        raise FormatError(0, "no UBIFS node magic 0x06101831")
    if node["node_type"] != NODE_TYPE_SUPERBLOCK:
        raise FormatError(20, f"a node of type {node['node_type']}, not a superblock node (6)")
    covers = Span(CRC_START, SUPERBLOCK_SIZE)
    computed, why = None, ""
    if node["len"] != SUPERBLOCK_SIZE:
        why = f"the node says {node['len']:,} bytes; a superblock node has 4,096"
    elif view.size < SUPERBLOCK_SIZE:
        why = "the data end before the node does"
    else:
        computed = f"{crc32_raw(view.bytes(CRC_START, covers.size)):08x}"
    walk = UbifsWalk(
        view,
        Volume(
            leb_size=node["leb_size"],
            leb_count=node["leb_cnt"],
            unit=max(8, node["min_io_size"]),
            log_lebs=node["log_lebs"],
            lpt_lebs=node["lpt_lebs"],
            orphan_lebs=node["orph_lebs"],
            max_leb_count=node["max_leb_cnt"],
            big_lpt=bool(node["flags"] & 2),
            simple_keys=node["key_fmt"] == 0,
        ),
    )
    return Ubifs(
        length=node["leb_cnt"] * node["leb_size"],
        offsets=node.offsets(),
        doubts=walk.doubts(),
        files=walk.files(),
        flaws=tuple(walk.flaws),
        flaw_count=walk.flaw_count,
        unwalked=walk.unwalked,
        room=walk.room,
        checksums=(
            Checksum(
                name="superblock node",
                algorithm="crc32",
                stored=f"{node['crc']:08x}",
                computed=computed,
                offset=4,
                covers=covers,
                why=why,
            ),
            *walk.checksums,
        ),
        sqnum=node["sqnum"],
        node_length=node["len"],
        key_hash=KEY_HASHES.get(node["key_hash"], f"hash {node['key_hash']}"),
        key_fmt=node["key_fmt"],
        flags=node["flags"],
        flag_names=names_of(node["flags"], FLAGS, "flag-"),
        min_io_size=node["min_io_size"],
        leb_size=node["leb_size"],
        leb_count=node["leb_cnt"],
        max_leb_count=node["max_leb_cnt"],
        log_lebs=node["log_lebs"],
        lpt_lebs=node["lpt_lebs"],
        orphan_lebs=node["orph_lebs"],
        fmt_version=node["fmt_version"],
        ro_compat_version=node["ro_compat_version"],
        default_compr=node["default_compr"],
        compressor=COMPRESSORS.get(node["default_compr"], ""),
        uuid=node.uuid("uuid"),
    )


READER = Reader(
    name="ubifs",
    title="UBIFS file system",
    source="Linux fs/ubifs/ubifs-media.h",
    match=_match,
    read=_read,
)
