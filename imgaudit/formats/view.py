"""Bounds-checked random access to bytes, wherever they are kept.

A `View` is what every reader gets. Reading past its end raises `FormatError` with the offset, so a
reader needs no length checks of its own. Offsets are relative to the view.
"""

from __future__ import annotations

import builtins
import os
import struct
from collections.abc import Iterator
from typing import Protocol

from imgaudit.errors import FormatError, UnreadError
from imgaudit.units import Span

CHUNK = 1 << 20


class Source(Protocol):
    """Where a view's bytes are kept."""

    @property
    def size(self) -> int:
        """Total bytes."""
        ...

    def read_at(self, offset: int, length: int) -> bytes:
        """Return exactly `length` bytes; the caller has checked the bounds."""
        ...

    def data(self) -> Iterator[Span]:
        """Yield the spans that are stored, in order; everything between them reads as zero."""
        ...


class MemorySource:
    """Bytes held in memory."""

    __slots__ = ("_bytes", "_whole")

    def __init__(self, data: bytes | bytearray | memoryview) -> None:
        self._bytes = memoryview(data)
        self._whole = data if isinstance(data, bytes) else None

    @property
    def size(self) -> int:
        """Total bytes."""
        return len(self._bytes)

    def read_at(self, offset: int, length: int) -> bytes:
        """Return `length` bytes from `offset`."""
        if self._whole is not None and length == len(self._whole):
            return self._whole  # not another copy of up to a whole chip
        return bytes(self._bytes[offset : offset + length])

    def data(self) -> Iterator[Span]:
        """Yield the one span that there is."""
        if self.size:
            yield Span(0, self.size)


class FileSource:
    """A regular file, read in place; holes are known where the file system tells them."""

    __slots__ = ("_descriptor", "size")

    def __init__(self, descriptor: int, size: int) -> None:
        self._descriptor = descriptor
        self.size = size

    def read_at(self, offset: int, length: int) -> bytes:
        """Return `length` bytes from `offset`; a file that shrank meanwhile is an error."""
        data = b""
        while len(data) < length:
            try:
                more = os.pread(self._descriptor, length - len(data), offset + len(data))
            except OSError as problem:
                why = f"cannot be read: {problem.strerror}"
                raise UnreadError(offset + len(data), why) from problem
            if not more:
                raise UnreadError(offset + len(data), "the file became shorter while it was read")
            data = data + more if data else more
        return data

    def data(self) -> Iterator[Span]:
        """Yield the allocated spans (SEEK_DATA); the whole file where the system cannot tell."""
        at = 0
        while at < self.size:
            try:
                start = os.lseek(self._descriptor, at, os.SEEK_DATA)
                end = os.lseek(self._descriptor, start, os.SEEK_HOLE)
            except OSError as problem:
                # ENXIO: only a hole is left. Anything else: the file system knows no holes.
                if problem.errno != 6:
                    yield Span(at, self.size)
                return
            yield Span(start, min(end, self.size))
            at = end


class WindowSource:
    """A part of another source, as if it were all there is."""

    __slots__ = ("_view", "size")

    def __init__(self, view: View) -> None:
        self._view = view
        self.size = view.size

    def read_at(self, offset: int, length: int) -> bytes:
        """Return `length` bytes from `offset`."""
        return self._view.source.read_at(self._view.base + offset, length)

    def data(self) -> Iterator[Span]:
        """Yield the parts of the other source's spans that lie in the window."""
        window = Span.sized(self._view.base, self.size)
        for span in self._view.source.data():
            common = window.common(span)
            if common.size:
                yield Span(common.start - window.start, common.end - window.start)


def in_memory(view: View) -> bool:
    """Tell whether all bytes behind a view are held: it may outlive the file that was read.

    A source that puts another view's bytes together names that view `below`; one that holds them
    in pieces says `held`.
    """
    source: object = view.source
    while (below := getattr(source, "below", None)) is not None:
        source = below.source
    return isinstance(source, MemorySource) or getattr(source, "held", False) is True


class View:
    """A window of `size` bytes on a source, starting at `base` there.

    `memo` is what a reader made of all of it, where two readers need the same to know the bytes.
    """

    __slots__ = ("base", "memo", "size", "source")
    memo: object

    def __init__(self, source: Source, base: int = 0, size: int | None = None) -> None:
        self.source = source
        self.base = base
        self.size = source.size - base if size is None else size

    @classmethod
    def of(cls, data: builtins.bytes | bytearray | memoryview) -> View:
        """View bytes in memory."""
        return cls(MemorySource(data))

    def bytes(self, offset: int, length: int) -> builtins.bytes:
        """Return exactly `length` bytes.

        Raises:
            FormatError: the range is not inside the view.

        """
        if offset < 0 or length < 0 or offset + length > self.size:
            have = max(0, self.size - max(offset, 0))
            raise FormatError(
                max(offset, 0), f"needs {length:,} bytes, {min(have, self.size):,} are left"
            )
        return self.source.read_at(self.base + offset, length)

    def upto(self, offset: int, length: int) -> builtins.bytes:
        """Return at most `length` bytes: what there is, possibly none."""
        if not 0 <= offset < self.size:
            return b""
        return self.source.read_at(self.base + offset, min(length, self.size - offset))

    def sub(self, offset: int, size: int | None = None) -> View:
        """Return the window `[offset, offset + size)`, or all that follows `offset`.

        Raises:
            FormatError: the range is not inside the view.

        """
        size = self.size - offset if size is None else size
        if offset < 0 or size < 0 or offset + size > self.size:
            raise FormatError(max(offset, 0), f"needs {size:,} bytes past the end of the data")
        return View(self.source, self.base + offset, size)

    def unpack(self, layout: str, offset: int) -> tuple[int, ...]:
        """Read whole numbers by a `struct` format, such as `"<IIQ"`."""
        return struct.unpack(layout, self.bytes(offset, struct.calcsize(layout)))

    def u8(self, offset: int) -> int:
        """Read one byte."""
        return self.bytes(offset, 1)[0]

    def u16le(self, offset: int) -> int:
        """Read 16 bits, little-endian."""
        return int.from_bytes(self.bytes(offset, 2), "little")

    def u16be(self, offset: int) -> int:
        """Read 16 bits, big-endian."""
        return int.from_bytes(self.bytes(offset, 2), "big")

    def u32le(self, offset: int) -> int:
        """Read 32 bits, little-endian."""
        return int.from_bytes(self.bytes(offset, 4), "little")

    def u32be(self, offset: int) -> int:
        """Read 32 bits, big-endian."""
        return int.from_bytes(self.bytes(offset, 4), "big")

    def u64le(self, offset: int) -> int:
        """Read 64 bits, little-endian."""
        return int.from_bytes(self.bytes(offset, 8), "little")

    def cstring(self, offset: int, limit: int) -> builtins.bytes:
        """Read up to a NUL that must stand within `limit` bytes; the NUL is not returned."""
        data = self.upto(offset, limit)
        end = data.find(b"\0")
        if end < 0:
            raise FormatError(offset, f"no NUL within {limit:,} bytes")
        return data[:end]

    def find(self, pattern: builtins.bytes, start: int = 0, end: int | None = None) -> int:
        """Return the offset of the first `pattern` inside `[start, end)`, or -1."""
        end = self.size if end is None else min(end, self.size)
        while start + len(pattern) <= end:
            data = self.bytes(start, min(CHUNK + len(pattern) - 1, end - start))
            found = data.find(pattern)
            if found >= 0:
                return start + found
            start += CHUNK
        return -1

    def chunks(self, offset: int = 0, end: int | None = None) -> Iterator[builtins.bytes]:
        """Yield the bytes of `[offset, end)` in pieces of at most 1 MiB."""
        end = self.size if end is None else min(end, self.size)
        while offset < end:
            data = self.bytes(offset, min(CHUNK, end - offset))
            yield data
            offset += len(data)
