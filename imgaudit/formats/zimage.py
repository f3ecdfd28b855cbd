"""arm Linux kernel `zImage`: a decompressor that carries the compressed kernel.

Sources: Linux arch/arm/boot/compressed/head.S (the words from 0x24 on, and the search for a device
tree right behind the image) and vmlinux.lds.S (the table, and where the compressed kernel ends).
"""

from __future__ import annotations

import re
import zlib
from collections.abc import Iterator
from typing import ClassVar, Literal

from imgaudit.data import dataclass
from imgaudit.errors import FormatError
from imgaudit.formats import flat_tree
from imgaudit.formats.facts import Facts, Match, Part, Reader
from imgaudit.formats.view import View
from imgaudit.patterns import regex
from imgaudit.units import human

MAGIC = 0x016F2818
TABLE_MAGIC = 0x45454545
TABLE_TAG = 0x5A534C4B

_FIELDS = {"magic": 0x24, "start": 0x28, "end": 0x2C, "endian": 0x30}
_HEADER_END = 0x34
_ENDIAN = {b"\1\2\3\4": False, b"\4\3\2\1": True}
_MAX_STUB = 256 << 10  # the decompressor before the compressed kernel: 20 to 60 KiB in practice
# The heads of the streams that arm can be built with, as its build writes them: an unnamed gzip, an
# xz with its flags, an lzop of version 1, an LZ4 block below 16 MiB, an lzma of unknown length.
_STREAMS = regex(
    rb"(?P<gzip>\x1f\x8b\x08\0{5}[\0\2\4])|(?P<xz>\xfd7zXZ\0(?P<flags>\0[\0-\x0f])(?P<crc>.{4}))"
    rb"|(?P<lzo>\x89LZO\0\r\n\x1a\n\x10)|(?P<lz4>\x02\x21\x4c\x18...\0)"
    rb"|(?P<lzma>\x5d\0\0..\xff{8})",
    re.DOTALL,
)
_READERS = {"gzip": "gzip", "xz": "xz", "lzo": "lzo", "lz4": "lz4-legacy", "lzma": "lzma"}


@dataclass(frozen=True, kw_only=True)
class ZimageFacts(Facts):
    """The header of an arm kernel and what stands behind it.

    `image_size` is `end - start`: the image without anything appended; negative where they are
    swapped. `data_present` bytes of it are in the file. `header_order` is the byte order of the
    header's words, `big_endian` that of the kernel (None where the flag is neither). `compression`
    is the reader of the compressed kernel at `stream_offset`. From the table, where there is one
    (since about Linux 4.15, from memory): `stream_end`, `unpacked_size` and `bss_size`; the kernel
    runs in the sum of the last two. `appended_size` is the `totalsize` of a device tree right
    behind the image.
    """

    format: ClassVar[str] = "zimage"

    start: int
    end: int
    image_size: int
    data_present: int
    header_order: Literal["little", "big"]
    big_endian: bool | None
    compression: str | None
    stream_offset: int | None
    stream_end: int | None
    unpacked_size: int | None
    bss_size: int | None
    appended_size: int | None

    def parts(self) -> Iterator[Part]:
        """Give the compressed kernel and the appended device tree, where they are in the file."""
        end = self.stream_end or self.image_size
        if self.stream_offset is not None and end <= self.data_present:
            yield Part("kernel", self.stream_offset, end - self.stream_offset, self.compression)
        if self.appended_size is not None:
            yield Part("appended-dtb", self.image_size, self.appended_size, "fdt")

    def summary(self) -> str:
        """Say the size, the compression, and what is appended."""
        packed = f", {self.compression}" if self.compression else ""
        appended = ", device tree appended" if self.appended_size is not None else ""
        return f"{human(self.image_size)}{packed}{appended}"


def _order(view: View) -> Literal["little", "big"] | None:
    word = view.upto(_FIELDS["magic"], 4)
    if word == MAGIC.to_bytes(4, "little"):
        return "little"
    return "big" if word == MAGIC.to_bytes(4, "big") else None


def _match(view: View) -> Match:
    if _order(view) is None:
        return Match.NO
    return Match.SURE if view.upto(_FIELDS["endian"], 4) in _ENDIAN else Match.GOOD


def read(view: View) -> ZimageFacts:
    """Read the header of an arm kernel, its table, and the head of what is appended.

    Raises:
        FormatError: the header is cut, or has no magic.

    """
    endian = view.bytes(_FIELDS["endian"], 4)
    order = _order(view)
    if order is None:
        raise FormatError(_FIELDS["magic"], "not an arm zImage: the magic is missing")
    words = _Words(view, order)
    start, end = words.at(_FIELDS["start"]), words.at(_FIELDS["end"])
    size = end - start
    table = _table(view, words, size)
    offsets = _FIELDS | ({"table": table.offset} if table else {})
    compression, stream = _stream(view, table.end if table else _HEADER_END, size)
    stream_end = None
    if table and stream is not None and stream < table.size_offset:
        # gzip's own last word is the size; the build appends one to every other stream.
        stream_end = table.size_offset + (4 if compression == "gzip" else 0)
    appended = _appended(view, size)
    return ZimageFacts(
        length=max(0, size) + (appended or 0),
        offsets=offsets,
        start=start,
        end=end,
        image_size=size,
        data_present=max(0, min(size, view.size)),
        header_order=order,
        big_endian=_ENDIAN.get(endian),
        compression=compression,
        stream_offset=stream,
        stream_end=stream_end,
        unpacked_size=table.unpacked_size if table else None,
        bss_size=table.bss_size if table else None,
        appended_size=appended,
    )


@dataclass(frozen=True, slots=True)
class _Words:
    view: View
    order: Literal["little", "big"]

    def at(self, offset: int) -> int:
        return int.from_bytes(self.view.bytes(offset, 4), self.order)


@dataclass(frozen=True, slots=True)
class _Table:
    """The loader's table: where the unpacked size is stored, that size, and the kernel's BSS."""

    offset: int
    end: int
    size_offset: int
    unpacked_size: int
    bss_size: int


def _table(view: View, words: _Words, image_size: int) -> _Table | None:
    """Read the table that the word at 0x38 points to; None where it is absent or makes no sense."""
    limit = min(image_size, view.size)
    if limit < 0x3C or words.at(0x34) != TABLE_MAGIC:
        return None
    at = words.at(0x38)
    if at + 16 > limit or words.at(at + 4) != TABLE_TAG:
        return None
    count, size_offset, bss_size = words.at(at), words.at(at + 8), words.at(at + 12)
    end = at + 4 * count
    if not at + 16 <= end <= size_offset <= limit - 4:
        return None
    return _Table(at, end, size_offset, view.u32le(size_offset), bss_size)


def _stream(view: View, start: int, image_size: int) -> tuple[str | None, int | None]:
    """Find the compressed kernel: the last stream head in the decompressor's reach.

    The decompressor holds the magic that it looks for as a constant, ahead of the stream.
    """
    head = view.upto(start, min(_MAX_STUB, max(0, image_size - start)))
    last: tuple[str | None, int | None] = None, None
    for found in _STREAMS.finditer(head):
        flags, crc = found["flags"], found["crc"]
        if flags is None or zlib.crc32(flags) == int.from_bytes(crc, "little"):
            last = next(name for key, name in _READERS.items() if found[key]), start + found.start()
    return last


def _appended(view: View, at: int) -> int | None:
    """Give the size of the device tree at `at`, by a header whose blocks fit in its size."""
    if at <= 0 or view.upto(at, 4) != flat_tree.MAGIC.to_bytes(4, "big") or view.size - at < 40:
        return None
    total, *blocks = view.unpack(">4I", at + 4)
    return total if 40 <= total <= view.size - at and max(blocks) < total else None


READER = Reader(
    name="zimage",
    title="arm Linux kernel (zImage)",
    source="Linux arch/arm/boot/compressed/head.S",
    match=_match,
    read=read,
)
