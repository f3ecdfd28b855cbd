"""lzo: LZO1X blocks in the lzop container, which the Linux kernel decodes.

Source: Linux lib/decompress_unlzo.c; the flags beyond it are lzop's own, from memory.
"""

from __future__ import annotations

import zlib
from collections.abc import Generator, Iterator
from typing import ClassVar

from imgaudit.data import dataclass
from imgaudit.errors import FormatError
from imgaudit.formats import libraries
from imgaudit.formats.facts import Checksum, Facts, Match, Reader, by_its_sum
from imgaudit.formats.stream import Feed
from imgaudit.formats.view import View
from imgaudit.units import KIB, Span, both

_MAGIC = b"\x89LZO\0\r\n\x1a\n"
_ADLER_DECODED, _ADLER_STORED, _EXTRA, _CRC_DECODED, _CRC_STORED = 0x1, 0x2, 0x40, 0x100, 0x200
_FILTER, _HEADER_CRC = 0x800, 0x1000
_METHODS = {1: "LZO1X-1", 2: "LZO1X-1(15)", 3: "LZO1X-999"}
_BLOCK = 256 * KIB  # lzop makes no larger one and the kernel refuses it
_LONGEST = 512  # every optional field, a name of 255 bytes and the extra field's length


@dataclass(frozen=True, kw_only=True)
class Lzo(Facts):
    """The lzop header. Versions are as stored (0x1030 is 1.030); `mtime` in seconds since 1970."""

    format: ClassVar[str] = "lzo"

    version: int
    library_version: int
    version_needed: int | None
    method: str
    level: int | None
    flags: int
    mode: int
    mtime: int
    name: str
    data_offset: int

    def summary(self) -> str:
        """Say the method and the name."""
        return f"{self.method}{', of ' + self.name[:40] if self.name else ''}"


def match(view: View) -> Match:
    """Look for the magic and the header's checksum."""
    return by_its_sum(read, view) if view.upto(0, 9) == _MAGIC else Match.NO


def read(view: View) -> Lzo:
    """Read the header."""
    if view.upto(0, 9) != _MAGIC:
        raise FormatError(0, "no lzop header starts here")
    version, library = view.unpack(">HH", 9)
    offsets = {"version": 9, "library_version": 11}
    modern = version >= 0x0940
    needed = level = None
    at = 13
    if modern:
        offsets["version_needed"] = at
        needed = view.u16be(at)
        at += 2
    offsets["method"] = at
    method = view.u8(at)
    at += 1
    if modern:
        offsets["level"] = at
        level = view.u8(at)
        at += 1
    offsets["flags"] = at
    flags = view.u32be(at)
    at += 8 if flags & _FILTER else 4
    offsets |= {"mode": at, "mtime": at + 4}
    mode, mtime = view.unpack(">II", at)
    at += 8
    if modern:
        mtime |= view.u32be(at) << 32
        at += 4
    offsets["name"] = at
    name = view.bytes(at + 1, view.u8(at))
    at += 1 + len(name)
    covered = view.bytes(9, at - 9)
    by_crc = bool(flags & _HEADER_CRC)
    checksum = Checksum(
        "header",
        "crc32" if by_crc else "adler32",
        f"{view.u32be(at):08x}",
        f"{zlib.crc32(covered) if by_crc else zlib.adler32(covered):08x}",
        at,
        Span(9, at),
    )
    at += 4
    if flags & _EXTRA:
        at += 8 + view.u32be(at)
    return Lzo(
        version=version,
        library_version=library,
        version_needed=needed,
        method=_METHODS.get(method, f"unknown {method}"),
        level=level,
        flags=flags,
        mode=mode,
        mtime=mtime,
        name=name.decode("utf-8", "backslashreplace"),
        data_offset=at,
        offsets=offsets,
        checksums=(checksum,),
    )


def unpack(pieces: Iterator[bytes]) -> Generator[bytes, None, int]:
    """Decompress the blocks up to the end mark, checking each one's sizes first, then its sums."""
    library = libraries.lzo()
    feed = Feed(pieces)
    head = feed.peek(_LONGEST)
    facts = read(View.of(head))
    if not facts.checksums[0].matches:
        raise FormatError(facts.checksums[0].offset, "the lzop header is damaged")
    if facts.method not in _METHODS.values() or facts.flags & _FILTER:
        raise FormatError(facts.offsets["method"], "the compression method or filter is not known")
    feed.skip(facts.data_offset)
    while True:
        start = feed.offset
        size = feed.u32be()
        if size == 0:
            return feed.offset
        stored = feed.u32be()
        if size > _BLOCK or not 0 < stored <= size:
            raise FormatError(
                start, f"a block of {both(stored)} for {both(size)} is not one that lzop makes"
            )
        sums = _sums(feed, facts.flags, _ADLER_DECODED, _CRC_DECODED)
        stored_sums = []
        if stored < size:
            stored_sums = _sums(feed, facts.flags, _ADLER_STORED, _CRC_STORED)
        data = feed.take(stored)
        _verify(data, stored_sums, start)
        if stored < size:
            try:
                data = library.LZOCompressor.decompress(data, size)
            except library.LZOError as problem:
                raise FormatError(
                    start, f"the block that starts here is damaged: {problem.args[0]}"
                ) from None
            if len(data) != size:
                raise FormatError(start, f"{len(data):,} bytes came out, {size:,} were promised")
        _verify(data, sums, start)
        yield data


def _sums(feed: Feed, flags: int, adler: int, crc: int) -> list[tuple[str, int]]:
    present = (("adler32", adler), ("crc32", crc))
    return [(name, feed.u32be()) for name, bit in present if flags & bit]


def _verify(data: bytes, sums: list[tuple[str, int]], start: int) -> None:
    for name, stored in sums:
        if (zlib.adler32(data) if name == "adler32" else zlib.crc32(data)) != stored:
            raise FormatError(start, f"the {name} of the block that starts here does not agree")


READER = Reader(
    name="lzo",
    title="LZO stream (lzop)",
    source="Linux lib/decompress_unlzo.c",
    match=match,
    read=read,
    unpack=unpack,
)
