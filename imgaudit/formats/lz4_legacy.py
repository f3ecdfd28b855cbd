"""lz4-legacy: the LZ4 form that the Linux kernel decodes.

Source: LZ4 frame format, "Legacy frame"; Linux lib/decompress_unlz4.c.
"""

from __future__ import annotations

from collections.abc import Generator, Iterator
from typing import ClassVar

from imgaudit.data import dataclass
from imgaudit.errors import FormatError
from imgaudit.formats.facts import Facts, Match, Reader
from imgaudit.formats.lz4_block import bound, decode
from imgaudit.formats.stream import Feed, sliced
from imgaudit.formats.view import View
from imgaudit.units import MIB, human

_MAGIC = (0x184C2102).to_bytes(4, "little")
_BLOCK = 8 * MIB
_BOUND = bound(_BLOCK)


@dataclass(frozen=True, kw_only=True)
class Lz4Legacy(Facts):
    """The start: `first_block` is the stored size of the first block, in bytes, or None."""

    format: ClassVar[str] = "lz4-legacy"

    first_block: int | None

    def summary(self) -> str:
        """Say how large the first block is."""
        return "empty" if self.first_block is None else f"first block {human(self.first_block)}"


def match(view: View) -> Match:
    """Look for the magic and a first block of a possible size."""
    head = view.upto(0, 8)
    if head[:4] != _MAGIC:
        return Match.NO
    size = int.from_bytes(head[4:], "little")
    return Match.GOOD if len(head) == 8 and 0 < size <= _BOUND else Match.WEAK


def read(view: View) -> Lz4Legacy:
    """Read the magic and the first block's size."""
    if view.upto(0, 4) != _MAGIC:
        raise FormatError(0, "no legacy LZ4 stream starts here")
    return Lz4Legacy(
        first_block=view.u32le(4) if view.size > 4 else None, offsets={"first_block": 4}
    )


def unpack(pieces: Iterator[bytes]) -> Generator[bytes, None, int]:
    """Decompress every block; a repeated magic goes on, a size of zero or beyond any block ends."""
    feed = Feed(pieces)
    if feed.peek(4) != _MAGIC:
        raise FormatError(0, "no legacy LZ4 stream starts here")
    produced = 0
    while True:
        head = feed.peek(5)
        if head[:4] == _MAGIC:
            feed.take(4)
            continue
        size = int.from_bytes(head[:4], "little")
        if len(head) < 4 or size == 0 or size > _BOUND:
            return feed.offset
        if len(head) == 4 and size == produced % (1 << 32):
            # The kernel's build appends the decoded size to a compressed kernel (size_append).
            return feed.offset
        start = feed.offset
        feed.take(4)
        try:
            data = decode(feed.take(size), _BLOCK)
        except ValueError as problem:
            raise FormatError(start, f"the block that starts here is damaged: {problem}") from None
        produced += len(data)
        yield from sliced(data)


READER = Reader(
    name="lz4-legacy",
    title="LZ4 legacy stream",
    source="LZ4 frame format, legacy frame",
    match=match,
    read=read,
    unpack=unpack,
)
