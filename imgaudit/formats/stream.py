"""Feeding decompressors: exact reads from pieces of any size, one loop for every decoder."""

from __future__ import annotations

from collections.abc import Generator, Iterator
from typing import Protocol

from imgaudit.errors import FormatError
from imgaudit.units import KIB, MIB

PIECE = MIB
"""The most that a decompressor yields at once."""

MAX_STREAMS = 1 << 17
"""Streams in one file: blocks of 64 KiB, the smallest in use, then still make 8 GiB."""

_FIRST = 4 * KIB  # what is not used is put back, and many streams are short
_FED = 256 * KIB  # large enough that a decoder's own work hides the call


class Feed:
    """Stored bytes, taken in the amounts that a format asks for.

    `offset` is where the next byte stands in the stored stream.
    """

    __slots__ = ("_at", "_held", "_pieces", "offset", "streams")

    def __init__(self, pieces: Iterator[bytes]) -> None:
        self._pieces = pieces
        self._held = b""
        self._at = 0
        self.offset = 0
        self.streams = 0

    def begin(self) -> None:
        """Count one more stream, or frame to be skipped, of those that follow one another.

        Raises:
            FormatError: there are more than any tool writes; each costs time, however small.

        """
        self.streams += 1
        if self.streams > MAX_STREAMS:
            raise FormatError(self.offset, f"more than {MAX_STREAMS:,} streams follow one another")

    def _gather(self, size: int) -> int:
        have = len(self._held) - self._at
        if have < size:
            parts = [self._held[self._at :]]
            for piece in self._pieces:
                parts.append(piece)
                have += len(piece)
                if have >= size:
                    break
            self._held = b"".join(parts)
            self._at = 0
        return min(have, size)

    def peek(self, size: int) -> bytes:
        """Show up to `size` bytes without taking them."""
        return self._held[self._at : self._at + size] if self._gather(size) else b""

    def some(self, limit: int = _FED) -> bytes:
        """Take up to `limit` bytes; fewer only where the stream ends, none after it."""
        data = self.peek(limit)
        self._at += len(data)
        self.offset += len(data)
        return data

    def take(self, size: int) -> bytes:
        """Take exactly `size` bytes.

        Raises:
            FormatError: the stream ends before.

        """
        data = self.some(size)
        if len(data) < size:
            raise self.cut()
        return data

    def u32le(self) -> int:
        """Take 32 bits, little-endian."""
        return int.from_bytes(self.take(4), "little")

    def u32be(self) -> int:
        """Take 32 bits, big-endian."""
        return int.from_bytes(self.take(4), "big")

    def skip(self, size: int) -> None:
        """Pass over exactly `size` bytes, however many, without holding them."""
        while size:
            size -= len(self.take(min(size, _FED)))

    def back(self, size: int) -> None:
        """Give back the last `size` bytes of what the latest call took."""
        self._at -= size
        self.offset -= size

    def cut(self) -> FormatError:
        """Build the error for a stream that ends here."""
        return FormatError(self.offset, "the stream is cut: its end is missing")


class Decoder(Protocol):
    """The shape that bz2, lzma and zstd decoders share."""

    @property
    def eof(self) -> bool:
        """Whether the stream's end was reached."""
        ...

    @property
    def needs_input(self) -> bool:
        """Whether more output needs more stored bytes."""
        ...

    @property
    def unused_data(self) -> bytes:
        """What was fed past the stream's end."""
        ...

    def decompress(self, data: bytes, max_length: int) -> bytes:
        """Decode; at most `max_length` bytes come out."""
        ...


def run(
    feed: Feed, decoder: Decoder, errors: tuple[type[Exception], ...]
) -> Generator[bytes, None, None]:
    """Decode one stream to its end and leave `feed` just behind it.

    Raises:
        FormatError: one of the decoder's own `errors`, or the data ended first.

    """
    feed.begin()
    start = feed.offset
    step = _FIRST
    while not decoder.eof:
        data = b""
        if decoder.needs_input:
            start = feed.offset
            data = feed.some(step)
            step = min(4 * step, _FED)
            if not data:
                raise feed.cut()
        try:
            out = decoder.decompress(data, PIECE)
        except errors as problem:
            raise FormatError(
                start, f"the stream is damaged here or a little later: {problem}"
            ) from None
        if out:
            yield out
    feed.back(len(decoder.unused_data))


def sliced(data: bytes) -> Iterator[bytes]:
    """Yield a decoded block in pieces that are no larger than allowed."""
    if len(data) <= PIECE:
        yield data
        return
    for at in range(0, len(data), PIECE):
        yield data[at : at + PIECE]
