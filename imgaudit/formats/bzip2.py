"""bzip2: one or more streams of blocks.

Source: the bzip2 manual and its reference implementation; the block magics are from memory.
"""

from __future__ import annotations

import bz2
from collections.abc import Generator, Iterator
from typing import ClassVar

from imgaudit.data import dataclass
from imgaudit.errors import FormatError
from imgaudit.formats.facts import Facts, Match, Reader
from imgaudit.formats.stream import Feed, run
from imgaudit.formats.view import View
from imgaudit.units import human

_BLOCK = bytes.fromhex("314159265359")
_END = bytes.fromhex("177245385090")


@dataclass(frozen=True, kw_only=True)
class Bzip2(Facts):
    """The first stream's header. `block_size` is the most that one block decodes to, in bytes."""

    format: ClassVar[str] = "bzip2"

    block_size: int
    empty: bool

    def summary(self) -> str:
        """Say how large the blocks are."""
        return f"blocks of {human(self.block_size)}"


def _starts(head: bytes) -> bool:
    return head[:3] == b"BZh" and head[3:4] in b"123456789" and head[4:10] in (_BLOCK, _END)


def match(view: View) -> Match:
    """Look for the stream's magic and a block's right behind it."""
    return Match.SURE if _starts(view.upto(0, 10)) else Match.NO


def read(view: View) -> Bzip2:
    """Read the header of the first stream."""
    head = view.bytes(0, 10)
    if not _starts(head):
        raise FormatError(0, "no bzip2 stream starts here")
    return Bzip2(
        block_size=(head[3] - ord("0")) * 100_000,
        empty=head[4:] == _END,
        offsets={"block_size": 3},
    )


def unpack(pieces: Iterator[bytes]) -> Generator[bytes, None, int]:
    """Decompress every stream; zeros or junk after the last end it."""
    feed = Feed(pieces)
    if not _starts(feed.peek(10)):
        raise FormatError(0, "no bzip2 stream starts here")
    while _starts(feed.peek(10)):
        yield from run(feed, bz2.BZ2Decompressor(), (OSError, ValueError))
    return feed.offset


READER = Reader(
    name="bzip2",
    title="bzip2 stream",
    source="bzip2 manual",
    match=match,
    read=read,
    unpack=unpack,
)
