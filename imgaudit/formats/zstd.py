"""zstd: one or more frames, skippable ones among them.

Source: RFC 8878.
"""

from __future__ import annotations

from collections.abc import Generator, Iterator
from typing import ClassVar

from imgaudit.data import dataclass
from imgaudit.errors import FormatError
from imgaudit.formats import libraries
from imgaudit.formats.facts import Facts, Match, Reader
from imgaudit.formats.skippable import first_frame, skip
from imgaudit.formats.stream import Feed, run
from imgaudit.formats.view import View
from imgaudit.units import human

_MAGIC = (0xFD2FB528).to_bytes(4, "little")
_RESERVED = 0x08
_WINDOW_LOG = 27  # the kernel's ZSTD_WINDOWSIZE_MAX (lib/decompress_unzstd.c), 128 MiB


@dataclass(frozen=True, kw_only=True)
class Zstd(Facts):
    """The first frame's header.

    `window_size` and `content_size` are in bytes; the latter is None where not stored.
    `frame_offset` is where the frame starts, behind any skippable ones.
    """

    format: ClassVar[str] = "zstd"

    frame_offset: int
    window_size: int
    content_size: int | None
    has_checksum: bool
    dictionary_id: int

    def summary(self) -> str:
        """Say the decoded size and the window."""
        size = "size not stored" if self.content_size is None else human(self.content_size)
        return f"{size}, window {human(self.window_size)}"


def match(view: View) -> Match:
    """Look for the magic, behind skippable frames too, and the reserved bit."""
    start = first_frame(view, _MAGIC)
    if start is None:
        return Match.NO
    descriptor = view.upto(start + 4, 1)
    return Match.GOOD if descriptor and not descriptor[0] & _RESERVED else Match.WEAK


def read(view: View) -> Zstd:
    """Read the header of the first frame that holds data."""
    start = first_frame(view, _MAGIC)
    if start is None:
        raise FormatError(0, "no zstd frame starts here")
    descriptor = view.u8(start + 4)
    single = bool(descriptor & 0x20)
    at = start + 5
    offsets = {"descriptor": start + 4}
    window = 0
    if not single:
        offsets["window_size"] = at
        exponent, mantissa = divmod(view.u8(at), 8)
        base = 1 << (10 + exponent)
        window = base + base // 8 * mantissa
        at += 1
    id_size = (0, 1, 2, 4)[descriptor & 3]
    dictionary = int.from_bytes(view.bytes(at, id_size), "little")
    at += id_size
    size_code = descriptor >> 6
    size_width = int(single) if size_code == 0 else 1 << size_code
    content = None
    if size_width:
        offsets["content_size"] = at
        content = int.from_bytes(view.bytes(at, size_width), "little")
        content += 256 if size_width == 2 else 0
    return Zstd(
        frame_offset=start,
        window_size=(content or 0) if single else window,
        content_size=content,
        has_checksum=bool(descriptor & 0x04),
        dictionary_id=dictionary,
        offsets=offsets,
    )


def unpack(pieces: Iterator[bytes]) -> Generator[bytes, None, int]:
    """Decompress every frame; a window above 128 MiB is refused, as the kernel does."""
    zstd = libraries.zstd()
    feed = Feed(pieces)
    skip(feed)
    if feed.peek(4) != _MAGIC:
        raise FormatError(feed.offset, "no zstd frame starts here")
    while feed.peek(4) == _MAGIC:
        decoder = zstd.ZstdDecompressor(
            options={zstd.DecompressionParameter.window_log_max: _WINDOW_LOG}
        )
        yield from run(feed, decoder, (zstd.ZstdError,))
        skip(feed)
    return feed.offset


READER = Reader(
    name="zstd",
    title="Zstandard stream",
    source="RFC 8878",
    match=match,
    read=read,
    unpack=unpack,
)
