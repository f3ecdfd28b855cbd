"""xz: one or more streams with zero padding between.

Source: "The .xz File Format", version 1.2.0 (tukaani.org/xz/xz-file-format.txt).
"""

from __future__ import annotations

import lzma
import zlib
from collections.abc import Generator, Iterator
from typing import ClassVar

from imgaudit.data import dataclass
from imgaudit.errors import FormatError
from imgaudit.formats.facts import Checksum, Facts, Match, Reader
from imgaudit.formats.lzma_stream import decode
from imgaudit.formats.stream import Feed
from imgaudit.formats.view import View
from imgaudit.units import Span, human

_MAGIC = b"\xfd7zXZ\0"
_CHECKS = {0: "none", 1: "crc32", 4: "crc64", 10: "sha256"}
_FILTERS = {
    0x03: "delta",
    0x04: "x86",
    0x05: "powerpc",
    0x06: "ia64",
    0x07: "arm",
    0x08: "armthumb",
    0x09: "sparc",
    0x0A: "arm64",
    0x0B: "riscv",
    0x21: "lzma2",
}
_LZMA2 = 0x21


@dataclass(frozen=True, kw_only=True)
class Xz(Facts):
    """The first stream's flags and its first block's filters.

    `check` is `none`, `crc32`, `crc64`, `sha256` or `unknown 2`. `filters` are in encoding order
    and empty where the stream has no block; `dictionary` is in bytes.
    """

    format: ClassVar[str] = "xz"

    check: str
    filters: tuple[str, ...]
    dictionary: int | None

    def summary(self) -> str:
        """Say which check and dictionary."""
        size = "" if self.dictionary is None else f", dictionary {human(self.dictionary)}"
        return f"check {self.check}{size}"


def match(view: View) -> Match:
    """Look for the magic and the CRC of the stream's flags."""
    head = view.upto(0, 12)
    if len(head) < 12 or not head.startswith(_MAGIC):
        return Match.NO
    crc = int.from_bytes(head[8:12], "little")
    # Six bytes of magic do not stand there by chance: with a wrong CRC it is a damaged stream.
    return Match.SURE if crc == zlib.crc32(head[6:8]) else Match.GOOD


def _number(data: bytes, at: int) -> tuple[int, int]:
    """Read a multibyte integer (1.2); give it and where it ends."""
    value = 0
    for index, byte in enumerate(data[at : at + 9]):
        value |= (byte & 0x7F) << (7 * index)
        if byte < 0x80:
            return value, at + index + 1
    raise FormatError(12 + at, "a number of the block header does not end")


def _dictionary(bits: int) -> int:
    """Decode LZMA2's one property byte (5.3.1)."""
    return 0xFFFF_FFFF if bits == 40 else (2 | bits & 1) << (bits // 2 + 11)


def _filters(header: bytes) -> tuple[tuple[str, ...], int | None]:
    flags, at = header[1], 2
    for bit in (0x40, 0x80):
        if flags & bit:
            _, at = _number(header, at)
    names: list[str] = []
    dictionary = None
    for _ in range((flags & 3) + 1):
        number, at = _number(header, at)
        length, at = _number(header, at)
        properties = header[at : at + length]
        if len(properties) < length:
            raise FormatError(12 + at, "the block header ends inside a filter")
        at += length
        names.append(_FILTERS.get(number, f"unknown {number:#x}"))
        if number == _LZMA2 and length == 1 and properties[0] <= 40:
            dictionary = _dictionary(properties[0])
    return tuple(names), dictionary


def read(view: View) -> Xz:
    """Read the first stream's header and its first block's header."""
    if view.upto(0, 6) != _MAGIC:
        raise FormatError(0, "no xz stream starts here")
    flags = view.bytes(6, 2)
    checksums = [
        Checksum(
            "stream header",
            "crc32",
            f"{view.u32le(8):08x}",
            f"{zlib.crc32(flags):08x}",
            8,
            Span(6, 8),
        )
    ]
    filters: tuple[str, ...] = ()
    dictionary = None
    size = view.u8(12) * 4  # of the block header without its CRC; an index has 0 here
    if size:
        header = view.bytes(12, size)
        stored = view.u32le(12 + size)
        checksums.append(
            Checksum(
                "block header",
                "crc32",
                f"{stored:08x}",
                f"{zlib.crc32(header):08x}",
                12 + size,
                Span(12, 12 + size),
            )
        )
        filters, dictionary = _filters(header)
    number = flags[1] & 0x0F
    return Xz(
        check=_CHECKS.get(number, f"unknown {number}"),
        filters=filters,
        dictionary=dictionary,
        offsets={"check": 7, "header_crc": 8, "filters": 12},
        checksums=tuple(checksums),
    )


def _padding(feed: Feed) -> int:
    """Pass over zeros; give how many there were."""
    passed = 0
    while data := feed.some():
        zeros = len(data) - len(data.lstrip(b"\0"))
        passed += zeros
        if zeros < len(data):
            feed.back(len(data) - zeros)
            break
    return passed


def unpack(pieces: Iterator[bytes]) -> Generator[bytes, None, int]:
    """Decompress every stream; padding belongs to it only where another stream follows."""
    feed = Feed(pieces)
    if feed.peek(6) != _MAGIC:
        raise FormatError(0, "no xz stream starts here")
    while True:
        yield from decode(feed, lzma.FORMAT_XZ)
        end = feed.offset
        if _padding(feed) % 4 or feed.peek(6) != _MAGIC:
            return end


READER = Reader(
    name="xz",
    title="xz stream",
    source="The .xz File Format 1.2.0",
    match=match,
    read=read,
    unpack=unpack,
)
