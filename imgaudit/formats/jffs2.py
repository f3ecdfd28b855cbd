"""JFFS2: one walk over its nodes, in either byte order.

Fields: Linux include/uapi/linux/jffs2.h. `read` wants the whole content, up to 256 MiB.
"""

from __future__ import annotations

import math
import struct
from collections import Counter
from typing import ClassVar, Literal

from imgaudit.data import dataclass
from imgaudit.errors import FormatError
from imgaudit.formats.crc32c import crc32_raw
from imgaudit.formats.facts import Checksum, Match, Reader
from imgaudit.formats.files import FileSystem
from imgaudit.formats.jffs2_tree import DIRENT, INODE, Jffs2Tree
from imgaudit.formats.view import View
from imgaudit.units import KIB, MIB, Span, counted, human, round_up

MAGIC = 0x1985
HEADER_SIZE = 12
CRC_COVERS = 8
ALIGN = 4
CLEANMARKER = 0x2003
MAX_BYTES = 256 * MIB  # beyond that no one mounts it: the mount reads every node
MAX_STEPS = 1 << 20  # headers tried; 64 MiB of the smallest usual nodes
MAX_LISTED = 64  # damage is counted in full and listed up to here
MAX_MARKERS = 1 << 16  # 256 MiB in 4 KiB blocks
MIN_ERASE, MAX_ERASE = 4 * KIB, 16 * MIB

NODE_TYPES = {
    DIRENT: "dirent",
    INODE: "inode",
    CLEANMARKER: "cleanmarker",
    0x2004: "padding",
    0x2006: "summary",
    0xE008: "xattr",
    0xE009: "xref",
}

Order = Literal["little", "big"]
_ORDERS: dict[bytes, Order] = {b"\x85\x19": "little", b"\x19\x85": "big"}
_HEADERS: dict[Order, struct.Struct] = {
    "little": struct.Struct("<HHII"),
    "big": struct.Struct(">HHII"),
}


@dataclass(frozen=True, kw_only=True)
class Jffs2(FileSystem):
    """A JFFS2 image.

    `nodes` counts the sound headers and `node_types` those of each type, by name or hex number.
    `bad_headers` counts magics whose header has a wrong checksum or an impossible length;
    `checksums` has the first node's and the wrong ones', up to 64. `cleanmarkers` are the offsets
    of the clean markers and `erase_size` the spacing that all of them share, None where there are
    fewer than two or they share none. `used_end` is where the last node ends. `complete` is False
    where the walk was cut short.
    """

    format: ClassVar[str] = "jffs2"

    order: Order
    nodes: int
    node_types: dict[str, int]
    cleanmarkers: tuple[int, ...]
    erase_size: int | None
    longest_node: int
    used_end: int
    bad_headers: int
    complete: bool

    def summary(self) -> str:
        """Give byte order, number of nodes and erase size."""
        erase = f", erase size {human(self.erase_size)}" if self.erase_size else ""
        nodes = counted(self.nodes, "node")
        return f"{self.order}-endian, {nodes}{erase}"


def _crc(header: bytes) -> int:
    return crc32_raw(header[:CRC_COVERS], 0)


def _match(view: View) -> Match:
    head = view.upto(0, HEADER_SIZE)
    order = _ORDERS.get(head[:2])
    if order is None or len(head) < HEADER_SIZE:
        return Match.NO
    stored = _HEADERS[order].unpack(head)[3]
    return Match.SURE if _crc(head) == stored else Match.WEAK


class _Walk:
    """The state of the walk over the nodes."""

    def __init__(self, view: View, order: Order) -> None:
        self.view = view
        self.tree = Jffs2Tree(view, order)
        self.header = _HEADERS[order]
        self.magic = MAGIC.to_bytes(2, order)
        self.end = min(view.size, MAX_BYTES)
        self.padded = self.end
        self.types: Counter[int] = Counter()
        self.cleanmarkers: list[int] = []
        self.checksums: list[Checksum] = []
        self.longest = self.used_end = self.bad = self.steps = 0
        at = 0
        while at + HEADER_SIZE <= self.end and self.steps < MAX_STEPS:
            at = self._piece(at)
        self.walked = at
        self.complete = at + HEADER_SIZE > self.end and self.end == view.size
        if self.bad or not self.complete:
            self.tree.complete = False
        if not self.complete:
            self.tree.skip(f"only the first {at:,} bytes were walked")
        self.tree.finish()

    def _piece(self, start: int) -> int:
        """Walk the nodes whose headers lie in the MiB at `start`; give where to go on."""
        data = self.view.bytes(start, min(MIB, self.end - start))
        last = len(data) - HEADER_SIZE
        at = 0
        while at <= last:
            if data[at : at + 2] != self.magic:
                found = data.find(self.magic, at)
                # Nodes are 4-aligned; an unaligned find is data, and the search goes on behind it.
                following = round_up(found, ALIGN) if found >= 0 else round_up(last + 1, ALIGN)
                if data[at:following].strip(b"\xff"):
                    self._no_node(start + at)
                at = following
                self.steps += 1
            else:
                at += self._node(start + at, data[at : at + HEADER_SIZE])
            if self.steps >= MAX_STEPS:
                break
        return start + at

    def _no_node(self, place: int) -> None:
        """Note what is neither erased nor a node; zeros up to the end only pad."""
        if place >= self.padded:
            return
        if not any(any(piece) for piece in self.view.chunks(place, self.end)):
            self.padded = place
            return
        self.tree.flaw(place, "bytes that are neither erased nor a node")

    def _node(self, place: int, head: bytes) -> int:
        """Note the node at `place`; give how far the next one is."""
        self.steps += 1
        _, kind, length, stored = self.header.unpack(head)
        computed = _crc(head)
        sound = computed == stored and length >= HEADER_SIZE
        if place == 0 or (not sound and len(self.checksums) < MAX_LISTED):
            self.checksums.append(
                Checksum(
                    name="node header",
                    algorithm="crc32",
                    stored=f"{stored:08x}",
                    computed=f"{computed:08x}",
                    offset=place + CRC_COVERS,
                    covers=Span.sized(place, CRC_COVERS),
                )
            )
        if not sound:
            self.bad += 1
            return ALIGN
        self.types[kind] += 1
        if kind in {DIRENT, INODE}:
            self.tree.take(kind, place, length)
        self.longest = max(self.longest, length)
        self.used_end = max(self.used_end, place + length)
        if kind == CLEANMARKER and len(self.cleanmarkers) < MAX_MARKERS:
            self.cleanmarkers.append(place)
        return round_up(length, ALIGN)


def _erase_size(cleanmarkers: list[int]) -> int | None:
    """Give the size of which every marker's offset is a multiple; a marker is a block's first node.

    It can be a multiple of the true size where some blocks in between are not marked.
    """
    size = math.gcd(*cleanmarkers) if len(cleanmarkers) > 1 else 0
    return size if MIN_ERASE <= size <= MAX_ERASE else None


def _read(view: View) -> Jffs2:
    order = _ORDERS.get(view.bytes(0, HEADER_SIZE)[:2])
    if order is None:
        raise FormatError(0, "no JFFS2 node magic 0x1985")
    walk = _Walk(view, order)
    doubts = () if walk.complete else (f"Only the first {walk.walked:,} bytes were walked.",)
    return Jffs2(
        offsets={"magic": 0, "nodetype": 2, "totlen": 4, "hdr_crc": 8},
        checksums=(*walk.checksums, *walk.tree.checksums),
        doubts=doubts,
        files=walk.tree.files(),
        flaws=tuple(walk.tree.flaws),
        flaw_count=walk.tree.flaw_count,
        unwalked=walk.tree.unwalked,
        order=order,
        nodes=walk.types.total(),
        node_types={
            NODE_TYPES.get(kind, f"{kind:#06x}"): count for kind, count in walk.types.most_common()
        },
        cleanmarkers=tuple(walk.cleanmarkers),
        erase_size=_erase_size(walk.cleanmarkers),
        longest_node=walk.longest,
        used_end=walk.used_end,
        bad_headers=walk.bad,
        complete=walk.complete,
    )


READER = Reader(
    name="jffs2",
    title="JFFS2 file system",
    source="Linux include/uapi/linux/jffs2.h",
    match=_match,
    read=_read,
)
