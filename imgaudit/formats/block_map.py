"""Block maps (`.bmap`): which blocks of a disk image have data, and a checksum of each run of them.

Source: the XML that bmaptool writes beside an image, versions 1.2 to 2.0 (from memory).
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator
from dataclasses import field
from typing import ClassVar, NamedTuple

from imgaudit.data import dataclass
from imgaudit.errors import FormatError
from imgaudit.formats.facts import Checksum, Facts, Match, Reader
from imgaudit.formats.files import Flaw
from imgaudit.formats.view import View
from imgaudit.patterns import regex
from imgaudit.units import KIB, MIB, Span, counted, human

MAX_SIZE = 64 * MIB
MAX_RANGES = 1_000_000
_HEAD = KIB
_ROOT = regex(rb"<bmap\s+version\s*=\s*\"(\d{1,3})\.(\d{1,3})\"\s*>")
_COMMENT = regex(rb"<!--.*?-->", re.DOTALL)
_FIELD = regex(rb"<(\w{1,40})>\s*([\w.]{1,160})\s*</\1>")
_RANGE = regex(
    rb"<Range(?:\s+(?:chksum|sha1)\s*=\s*\"([0-9a-fA-F]{8,128})\")?\s*>\s*(\d{1,16})\s*"
    rb"(?:-\s*(\d{1,16})\s*)?</Range>"
)
_NUMBERS = ("ImageSize", "BlockSize", "BlocksCount", "MappedBlocksCount")
_OWN = (b"BmapFileChecksum", b"BmapFileSHA1")


class Range(NamedTuple):
    """Blocks `first` to `last`, which have data; `checksum` in lowercase hex, or ""."""

    first: int
    last: int
    checksum: str


@dataclass(frozen=True, kw_only=True)
class BlockMap(Facts):
    """A block map; sizes in bytes. `algorithm` is of the ranges' checksums, "" without any.

    `flaws` say what in it cannot be: ranges out of order, or more or fewer blocks than it counts.
    """

    format: ClassVar[str] = "bmap"

    version: str
    image_size: int
    block_size: int
    blocks: int
    mapped_blocks: int
    algorithm: str
    ranges: tuple[Range, ...] = field(repr=False)
    flaws: tuple[Flaw, ...] = ()

    def summary(self) -> str:
        """Give the size of the image and of what is mapped of it."""
        mapped = human(self.mapped_blocks * self.block_size)
        return f"{mapped} mapped of {human(self.image_size)}, {counted(len(self.ranges), 'range')}"

    def spans(self) -> Iterator[tuple[Span, Range]]:
        """Give each range with its bytes in the image."""
        for item in self.ranges:
            end = min((item.last + 1) * self.block_size, self.image_size)
            yield Span(min(item.first * self.block_size, end), end), item


def _match(view: View) -> Match:
    return Match.SURE if _ROOT.search(view.upto(0, 8 * _HEAD)) else Match.NO


def _read(view: View) -> BlockMap:
    if view.size > MAX_SIZE:
        raise FormatError(0, f"a block map of {view.size:,} bytes")
    stored = view.bytes(0, view.size)
    # Comments are blanked, so that places stay what they are.
    data = _COMMENT.sub(lambda found: b" " * len(found[0]), stored)
    root = _ROOT.search(data)
    if root is None:
        raise FormatError(0, "no <bmap version> of a block map")
    fields = {
        name.decode(): (value, found.start(2))
        for found in _FIELD.finditer(data)
        for name, value in [found.groups()]
    }
    numbers = {}
    for name in _NUMBERS:
        value, _ = fields.get(name, (b"", 0))
        if not value.isdigit() or len(value) > 18:
            raise FormatError(root.start(), f"no {name} in the block map")
        numbers[name] = int(value)
    if not numbers["BlockSize"]:
        raise FormatError(fields["BlockSize"][1], "blocks of 0 bytes")
    ranges: list[Range] = []
    places: list[int] = []
    for found in _RANGE.finditer(data):
        if len(ranges) >= MAX_RANGES:
            raise FormatError(found.start(), f"more than {MAX_RANGES:,} ranges")
        checksum, first, last = found.groups()
        ranges.append(Range(int(first), int(last or first), (checksum or b"").decode().lower()))
        places.append(found.start())
    if not data.rstrip().endswith(b"</bmap>"):
        raise FormatError(len(data), "the block map has no end </bmap>: it is cut")
    kind = fields["ChecksumType"][0].decode().lower() if "ChecksumType" in fields else "sha1"
    return BlockMap(
        length=len(stored),
        offsets={name: fields[name][1] for name in _NUMBERS},
        checksums=tuple(_own(stored, fields, kind)),
        version=".".join(part.decode() for part in root.groups()),
        image_size=numbers["ImageSize"],
        block_size=numbers["BlockSize"],
        blocks=numbers["BlocksCount"],
        mapped_blocks=numbers["MappedBlocksCount"],
        algorithm=kind if any(item.checksum for item in ranges) else "",
        ranges=tuple(ranges),
        flaws=tuple(_flaws(numbers, ranges, places, root.start())),
    )


def _own(stored: bytes, fields: dict[str, tuple[bytes, int]], kind: str) -> Iterator[Checksum]:
    """Recompute the map's checksum of itself, in which its own digits count as zeros."""
    for name in _OWN:
        value, at = fields.get(name.decode(), (b"", 0))
        algorithm = "sha1" if name == b"BmapFileSHA1" else kind
        if not value or algorithm not in hashlib.algorithms_guaranteed:
            continue
        if hashlib.new(algorithm, usedforsecurity=False).digest_size * 2 != len(value):
            continue
        blank = stored[:at] + b"0" * len(value) + stored[at + len(value) :]
        yield Checksum(
            name="block map",
            algorithm=algorithm,
            stored=value.decode().lower(),
            computed=hashlib.new(algorithm, blank, usedforsecurity=False).hexdigest(),
            offset=at,
            covers=Span(0, len(stored)),
        )


def _flaws(
    numbers: dict[str, int], ranges: list[Range], places: list[int], start: int
) -> Iterator[Flaw]:
    blocks = numbers["BlocksCount"]
    if blocks != -(-numbers["ImageSize"] // numbers["BlockSize"]):
        yield Flaw(
            start, f"{blocks:,} blocks do not make an image of {numbers['ImageSize']:,} bytes"
        )
    following = mapped = 0
    for item, place in zip(ranges, places, strict=True):
        if not following <= item.first <= item.last < blocks:
            yield Flaw(place, f"blocks {item.first:,} to {item.last:,} of {blocks:,} out of order")
            return
        following = item.last + 1
        mapped += item.last + 1 - item.first
    if mapped != numbers["MappedBlocksCount"]:
        count = counted(numbers["MappedBlocksCount"], "mapped block")
        yield Flaw(start, f"it counts {count} and lists {mapped:,}")


READER = Reader(
    name="bmap",
    title="Block map",
    source="bmaptool, versions 1.2 to 2.0",
    match=_match,
    read=_read,
)
