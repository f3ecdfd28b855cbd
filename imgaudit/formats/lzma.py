"""lzma: the older one-stream format, "LZMA alone".

Source: "The .lzma File Format" of XZ Utils (doc/lzma-file-format.txt).
"""

from __future__ import annotations

import lzma
from collections.abc import Generator, Iterator
from typing import ClassVar

from imgaudit.data import dataclass
from imgaudit.errors import FormatError
from imgaudit.formats.facts import Facts, Match, Reader
from imgaudit.formats.lzma_stream import MEMORY, decode
from imgaudit.formats.stream import Feed
from imgaudit.formats.view import View
from imgaudit.units import human

_UNKNOWN = 0xFFFF_FFFF_FFFF_FFFF
_TRIED = 1024


@dataclass(frozen=True, kw_only=True)
class Lzma(Facts):
    """The header: `dictionary` and `content_size` in bytes, the latter None where not stored."""

    format: ClassVar[str] = "lzma"

    literal_context_bits: int
    literal_position_bits: int
    position_bits: int
    dictionary: int
    content_size: int | None

    def summary(self) -> str:
        """Say the decoded size and the dictionary."""
        size = "size not stored" if self.content_size is None else human(self.content_size)
        return f"{size}, dictionary {human(self.dictionary)}"


def _header(head: bytes) -> Lzma | None:
    """Read 13 bytes as strictly as XZ Utils does: there is no magic to go by."""
    if len(head) < 14 or head[0] >= 225 or head[13]:
        return None  # a range coder's first byte is always 0
    rest, context = divmod(head[0], 9)
    position, literal = divmod(rest, 5)
    dictionary = int.from_bytes(head[1:5], "little")
    size = int.from_bytes(head[5:13], "little")
    lowest = dictionary & -dictionary
    if dictionary not in {lowest, 3 * lowest} or not lowest or context + literal > 4:
        return None
    if size != _UNKNOWN and size >= 1 << 40:
        return None
    return Lzma(
        literal_context_bits=context,
        literal_position_bits=literal,
        position_bits=position,
        dictionary=dictionary,
        content_size=None if size == _UNKNOWN else size,
        offsets={"properties": 0, "dictionary": 1, "content_size": 5},
    )


def match(view: View) -> Match:
    """Check every field, then whether the first bytes decode."""
    head = view.upto(0, _TRIED)
    facts = _header(head)
    if facts is None:
        return Match.NO
    if facts.dictionary >= MEMORY:
        return Match.WEAK
    decoder = lzma.LZMADecompressor(lzma.FORMAT_ALONE, memlimit=MEMORY)
    try:
        decoder.decompress(head, max_length=16 * _TRIED)
    except lzma.LZMAError:
        return Match.NO
    return Match.GOOD


def read(view: View) -> Lzma:
    """Read the header."""
    facts = _header(view.bytes(0, 14))
    if facts is None:
        raise FormatError(0, "no lzma stream starts here")
    return facts


def unpack(pieces: Iterator[bytes]) -> Generator[bytes, None, int]:
    """Decompress the one stream."""
    feed = Feed(pieces)
    head = feed.peek(14)
    if len(head) == 14 and _header(head) is None:
        raise FormatError(0, "no lzma stream starts here")
    yield from decode(feed, lzma.FORMAT_ALONE)
    return feed.offset


READER = Reader(
    name="lzma",
    title="LZMA-alone stream",
    source="The .lzma File Format (XZ Utils)",
    match=match,
    read=read,
    unpack=unpack,
)
