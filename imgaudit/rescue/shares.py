"""What each byte of unpacked data costs in the stored stream.

A decompressor is fed the stored bytes in small steps, and how far its output has come after each
says which stored bytes bring which data. Nothing is compressed again, and shares of neighbouring
ranges add up exactly.
"""

from __future__ import annotations

import bz2
import lzma
import zlib
from array import array
from bisect import bisect_left
from collections.abc import Callable, Iterator

from imgaudit.errors import FormatError, UnreadError
from imgaudit.formats import libraries, readers
from imgaudit.formats.gzip import Inflater
from imgaudit.formats.lzma_stream import MEMORY
from imgaudit.formats.stream import Decoder
from imgaudit.formats.view import View
from imgaudit.units import KIB, MIB

STEP = 64  # stored bytes; some 200 of data, fewer than a ramdisk's smallest program has
STEPS = 200_000  # a larger stream is followed in longer steps
GRAIN = 4 * KIB  # data that one step brings is divided where it is more than this
WINDOW_LOG = 27  # as the kernel allows it
UNITS = 1 << 16  # grains of one stream are weighed by zlib up to here, evenly beyond

_Maker = tuple[Callable[[], Decoder], type[Exception]]


class Shares:
    """Maps an offset in the unpacked data to one in the stored stream.

    Args:
        marks: pairs of an unpacked and a stored offset, both rising, the first (0, 0).

    """

    def __init__(self, marks: tuple[array[int], array[int]]) -> None:
        self._data, self._stored = marks

    @classmethod
    def measure(cls, form: str, stored: View | None, data: View, consumed: int) -> Shares:
        """Follow a stream of `consumed` bytes in the format `form` that unpacks to `data`.

        Without the stored bytes, the data is weighed by how well zlib compresses it.
        """
        marks = _Marks(data)
        if stored is not None:
            decoder = _decoders().get(form)
            if decoder is None:
                marks.blocks(form, stored)
            else:
                marks.follow(decoder, stored, consumed)
        return cls(marks.finish(consumed))

    def at(self, offset: int) -> int:
        """Give the stored offset that belongs to one in the data."""
        index = bisect_left(self._data, offset)
        if index >= len(self._data):
            return self._stored[-1]
        if self._data[index] == offset or index == 0:
            return self._stored[index]
        start, first = self._data[index - 1], self._stored[index - 1]
        part = (self._stored[index] - first) * (offset - start)
        return first + part // (self._data[index] - start)


class _Marks:
    """Collects marks; what a stream brings beyond the known data is left out."""

    def __init__(self, data: View) -> None:
        self._view = data
        self._data = array("q", [0])
        self._stored = array("q", [0])
        self._units = UNITS

    def add(self, data: int, stored: int) -> None:
        data = min(data, self._view.size)
        grown = data - self._data[-1]
        if grown <= 0 or stored < self._stored[-1]:
            return
        if grown > GRAIN:
            self._divide(data, stored)
        self._data.append(data)
        self._stored.append(stored)

    def _divide(self, data: int, stored: int) -> None:
        """Divide what one step brought, a block of a block compressor, by what zlib makes of it."""
        first, start = self._stored[-1], self._data[-1]
        cuts = range(start, data, GRAIN)
        if len(cuts) > self._units:
            return
        self._units -= len(cuts)
        sizes = [len(zlib.compress(self._view.upto(at, min(GRAIN, data - at)), 1)) for at in cuts]
        total, passed = sum(sizes), 0
        for at, size in zip(cuts[1:], sizes, strict=False):
            passed += size
            self._data.append(at)
            self._stored.append(first + (stored - first) * passed // total)

    def follow(self, maker: _Maker, stored: View, consumed: int) -> None:
        decoder, error = maker
        step = max(STEP, consumed // STEPS)
        out = at = 0
        while at < consumed and out < self._view.size:
            running = decoder()
            while not running.eof and at < consumed:
                fed = stored.upto(at, min(step, consumed - at))
                if not fed:
                    return
                at += len(fed)
                try:
                    piece = running.decompress(fed, MIB)
                    while piece:
                        out += len(piece)
                        done = running.eof or running.needs_input
                        piece = b"" if done else running.decompress(b"", MIB)
                except error:
                    return
                self.add(out, at)
            at -= len(running.unused_data)
            while at < consumed and stored.upto(at, 4) == bytes(4):
                at += 4  # the padding between streams of xz

    def blocks(self, form: str, stored: View) -> None:
        """Follow a format whose own reader takes no more than the block it unpacks."""
        unpack = readers()[form].unpack
        fed = out = 0

        def pieces() -> Iterator[bytes]:
            nonlocal fed
            while fed < stored.size:
                piece = stored.upto(fed, 16 * STEP)
                fed += len(piece)
                yield piece

        if unpack is None:
            return
        try:
            for piece in unpack(pieces()):
                out += len(piece)
                self.add(out, fed)
                if out >= self._view.size:
                    return
        except FormatError:
            return

    def finish(self, consumed: int) -> tuple[array[int], array[int]]:
        """End both at the data's and the stream's end."""
        if self._data[-1] < self._view.size:
            self.add(self._view.size, max(consumed, self._stored[-1]))
        while len(self._stored) > 1 and self._stored[-2] > consumed:
            self._stored.pop()
            self._data.pop(-2)
        self._stored[-1] = consumed
        return self._data, self._stored


def _decoders() -> dict[str, _Maker]:
    found: dict[str, _Maker] = {
        "gzip": (Inflater, zlib.error),
        "bzip2": (bz2.BZ2Decompressor, OSError),
        "lzma": (lambda: lzma.LZMADecompressor(lzma.FORMAT_ALONE, MEMORY), lzma.LZMAError),
        "xz": (lambda: lzma.LZMADecompressor(lzma.FORMAT_XZ, MEMORY), lzma.LZMAError),
    }
    try:
        zstd = libraries.zstd()
    except UnreadError:
        return found
    window: dict[int, int] = {zstd.DecompressionParameter.window_log_max: WINDOW_LOG}
    found["zstd"] = (lambda: zstd.ZstdDecompressor(options=window), zstd.ZstdError)
    return found
