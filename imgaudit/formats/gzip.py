"""gzip: one or more deflated members.

Source: RFC 1952.
"""

from __future__ import annotations

import zlib
from collections.abc import Generator, Iterator
from typing import ClassVar

from imgaudit.data import dataclass
from imgaudit.errors import FormatError
from imgaudit.formats.facts import Checksum, Facts, Match, Reader
from imgaudit.formats.stream import Feed, run
from imgaudit.formats.view import View
from imgaudit.units import KIB, Span

_MAGIC = b"\x1f\x8b\x08"  # with the only compression method there is
_FHCRC, _FEXTRA, _FNAME, _FCOMMENT, _RESERVED = 0x02, 0x04, 0x08, 0x10, 0xE0
_STRING_LIMIT = 64 * KIB  # RFC 1952 sets none; a path is at most 4 KiB on Linux


@dataclass(frozen=True, kw_only=True)
class Gzip(Facts):
    """The first member's header. `mtime` is in seconds since 1970, 0 where none is stored."""

    format: ClassVar[str] = "gzip"

    flags: int
    mtime: int
    extra_flags: int
    operating_system: int
    name: str | None
    comment: str | None
    data_offset: int

    def summary(self) -> str:
        """Say what the member is called."""
        return f"of {self.name[:50]}" if self.name else "unnamed"


def match(view: View) -> Match:
    """Look for the magic and flags that are all defined."""
    head = view.upto(0, 10)
    if len(head) < 10 or not head.startswith(_MAGIC):
        return Match.NO
    return Match.WEAK if head[3] & _RESERVED else Match.GOOD


def read(view: View) -> Gzip:
    """Read the header of the first member."""
    if view.upto(0, 3) != _MAGIC:
        raise FormatError(0, "no gzip member starts here")
    flags, mtime, extra_flags, system = view.unpack("<BIBB", 3)
    offsets = {"flags": 3, "mtime": 4, "extra_flags": 8, "operating_system": 9}
    at = 10
    if flags & _FEXTRA:
        at += 2 + view.u16le(at)
    texts: dict[str, str | None] = {"name": None, "comment": None}
    for field, bit in (("name", _FNAME), ("comment", _FCOMMENT)):
        if flags & bit:
            raw = view.cstring(at, _STRING_LIMIT)
            offsets[field] = at
            texts[field] = raw.decode("latin-1")
            at += len(raw) + 1
    checksums: tuple[Checksum, ...] = ()
    if flags & _FHCRC:
        offsets["header_crc"] = at
        crc = zlib.crc32(view.bytes(0, at)) & 0xFFFF
        checksums = (
            Checksum("header", "crc16", f"{view.u16le(at):04x}", f"{crc:04x}", at, Span(0, at)),
        )
        at += 2
    return Gzip(
        flags=flags,
        mtime=mtime,
        extra_flags=extra_flags,
        operating_system=system,
        name=texts["name"],
        comment=texts["comment"],
        data_offset=at,
        offsets=offsets,
        checksums=checksums,
    )


class Inflater:
    """zlib's decoder in the shape of the others; it checks the header, CRC and ISIZE itself."""

    def __init__(self) -> None:
        self._zlib = zlib.decompressobj(16 + zlib.MAX_WBITS)

    @property
    def eof(self) -> bool:
        """Whether the stream ended."""
        return self._zlib.eof

    @property
    def needs_input(self) -> bool:
        """Whether all that was given is used up."""
        return not self._zlib.unconsumed_tail

    @property
    def unused_data(self) -> bytes:
        """What follows the end of the stream."""
        return self._zlib.unused_data

    def decompress(self, data: bytes, max_length: int) -> bytes:
        """Give at most as many bytes as asked for."""
        return self._zlib.decompress(self._zlib.unconsumed_tail + data, max_length)


def unpack(pieces: Iterator[bytes]) -> Generator[bytes, None, int]:
    """Decompress every member; zeros or junk after the last end the stream."""
    feed = Feed(pieces)
    if feed.peek(3) != _MAGIC:
        raise FormatError(0, "no gzip member starts here")
    while feed.peek(3) == _MAGIC:
        yield from run(feed, Inflater(), (zlib.error,))
    return feed.offset


READER = Reader(
    name="gzip", title="gzip stream", source="RFC 1952", match=match, read=read, unpack=unpack
)
