"""Android sparse image: a disk image stored without its holes.

Source: Android system/core libsparse/sparse_format.h and sparse_read.cpp.
"""

from __future__ import annotations

import bisect
import zlib
from collections.abc import Iterator
from dataclasses import field
from typing import ClassVar, Literal

from imgaudit.data import dataclass
from imgaudit.errors import FormatError, ImgauditError
from imgaudit.formats.crc32 import crc32_joined, crc32_repeated
from imgaudit.formats.facts import Checksum, Facts, Match, Reader
from imgaudit.formats.view import View
from imgaudit.units import Span, counted, human

MAGIC = 0xED26FF3A
HEADER_SIZE = 28
CHUNK_HEADER_SIZE = 12
# A 4 GiB image whose every fourth block is different has as many; ordinary ones have hundreds.
MAX_CHUNKS = 1 << 18
# Summing chunks that are made to be slow takes a millisecond each.
MAX_SUMMED_CHUNKS = 1 << 11

ChunkType = Literal["raw", "fill", "dont-care", "crc32"]
_TYPES: dict[int, ChunkType] = {
    0xCAC1: "raw",
    0xCAC2: "fill",
    0xCAC3: "dont-care",
    0xCAC4: "crc32",
}


@dataclass(frozen=True, slots=True)
class SparseChunk:
    """One chunk: stored at `offset`, its data at `data_offset`, `size` bytes long at `start`.

    `start` and `size` are in the expanded image; a CRC-32 chunk adds nothing to it.
    """

    type: ChunkType
    offset: int
    data_offset: int
    start: int
    size: int


@dataclass(frozen=True, kw_only=True)
class AndroidSparse(Facts):
    """The header and the chunks; `expanded` gives the image inside.

    `expanded_size` is what the header says; `chunk_size_total` is what the chunks add up to.
    """

    format: ClassVar[str] = "android-sparse"

    major_version: int
    minor_version: int
    file_hdr_sz: int
    chunk_hdr_sz: int
    blk_sz: int
    total_blks: int
    image_checksum: int
    chunks: tuple[SparseChunk, ...] = field(repr=False)
    chunk_size_total: int

    @property
    def expanded_size(self) -> int:
        """Bytes of the image inside, as the header says."""
        return self.total_blks * self.blk_sz

    def expanded(self, view: View) -> View:
        """Give the image inside, read through the chunks when asked; `view` is what was read."""
        return View(SparseSource(view, self))

    def summary(self) -> str:
        """Say how many chunks there are and how large the image inside is."""
        return f"{counted(len(self.chunks), 'chunk')}, {human(self.expanded_size)} expanded"


class SparseSource:
    """The expanded image of a sparse one; nothing of it is kept."""

    __slots__ = ("_chunks", "_starts", "_view", "size")

    def __init__(self, view: View, facts: AndroidSparse) -> None:
        self._view = view
        self._chunks = [chunk for chunk in facts.chunks if chunk.size]
        self._starts = [chunk.start for chunk in self._chunks]
        self.size = facts.expanded_size

    def read_at(self, offset: int, length: int) -> bytes:
        """Return `length` bytes from `offset`; what no chunk describes is zero."""
        out = bytearray(length)
        wanted = Span.sized(offset, length)
        for index in range(max(0, bisect.bisect(self._starts, offset) - 1), len(self._chunks)):
            chunk = self._chunks[index]
            if chunk.start >= wanted.end:
                break
            part = Span.sized(chunk.start, chunk.size).common(wanted)
            if part.size and chunk.type != "dont-care":
                out[part.start - offset : part.end - offset] = self._stored(chunk, part)
        return bytes(out)

    def data(self) -> Iterator[Span]:
        """Yield the spans of the raw chunks and of those filled with anything but zero."""
        for chunk in self._chunks:
            span = Span.sized(chunk.start, chunk.size).common(Span(0, self.size))
            filled = chunk.type == "fill" and any(self._view.bytes(chunk.data_offset, 4))
            if span.size and (chunk.type == "raw" or filled):
                yield span

    def _stored(self, chunk: SparseChunk, part: Span) -> bytes:
        skip = part.start - chunk.start
        if chunk.type == "raw":
            return self._view.bytes(chunk.data_offset + skip, part.size)
        phase = skip % 4
        pattern = self._view.bytes(chunk.data_offset, 4)
        return (pattern * (part.size // 4 + 2))[phase : phase + part.size]


def match(view: View) -> Match:
    """Recognise the magic and a header that follows its rules."""
    try:
        if view.u32le(0) != MAGIC:
            return Match.NO
        _, major, _, header, chunk_header, block = view.unpack("<IHHHHI", 0)
    except ImgauditError:
        return Match.NO
    usual = major == 1 and header >= HEADER_SIZE and chunk_header >= CHUNK_HEADER_SIZE
    return Match.GOOD if usual and block and block % 4 == 0 else Match.WEAK


def read(view: View) -> AndroidSparse:
    """Read the header and walk the chunks.

    Stored checksums are recomputed, which reads the whole image; most images have none.

    Raises:
        FormatError: no sparse header, or a chunk that is cut, unknown or of the wrong length.

    """
    if view.u32le(0) != MAGIC:
        raise FormatError(0, "no sparse image magic 0xED26FF3A")
    major, minor, file_hdr_sz, chunk_hdr_sz, blk_sz, total_blks, total_chunks, image_checksum = (
        view.unpack("<HHHHIIII", 4)
    )
    if major != 1:
        raise FormatError(4, f"major version {major} is not 1")
    if file_hdr_sz < HEADER_SIZE or chunk_hdr_sz < CHUNK_HEADER_SIZE:
        raise FormatError(8, f"headers of {file_hdr_sz} and {chunk_hdr_sz} bytes are too short")
    if blk_sz == 0 or blk_sz % 4:
        raise FormatError(12, f"a block size of {blk_sz:,} bytes is no multiple of 4")
    if total_chunks > MAX_CHUNKS:
        raise FormatError(20, f"{total_chunks:,} chunks are more than the {MAX_CHUNKS:,} read")
    chunks: list[SparseChunk] = []
    at, start = file_hdr_sz, 0
    for _ in range(total_chunks):
        chunk, stored = _chunk(view, at, chunk_hdr_sz, blk_sz, start)
        chunks.append(chunk)
        at += stored
        start += chunk.size
    return AndroidSparse(
        length=at,
        offsets={
            "magic": 0,
            "major_version": 4,
            "minor_version": 6,
            "file_hdr_sz": 8,
            "chunk_hdr_sz": 10,
            "blk_sz": 12,
            "total_blks": 16,
            "total_chunks": 20,
            "image_checksum": 24,
        },
        checksums=_checksums(view, chunks, total_blks * blk_sz, at, image_checksum),
        major_version=major,
        minor_version=minor,
        file_hdr_sz=file_hdr_sz,
        chunk_hdr_sz=chunk_hdr_sz,
        blk_sz=blk_sz,
        total_blks=total_blks,
        image_checksum=image_checksum,
        chunks=tuple(chunks),
        chunk_size_total=start,
    )


def _chunk(view: View, at: int, header: int, blk_sz: int, start: int) -> tuple[SparseChunk, int]:
    code, _, blocks, stored = view.unpack("<HHII", at)
    kind = _TYPES.get(code)
    if kind is None:
        raise FormatError(at, f"chunk type {code:#06x} is unknown")
    size = 0 if kind == "crc32" else blocks * blk_sz
    wanted = header + {"raw": size, "fill": 4, "dont-care": 0, "crc32": 4}[kind]
    if stored != wanted:
        raise FormatError(at + 8, f"a {kind} chunk of {stored:,} bytes should have {wanted:,}")
    view.sub(at, stored)
    return SparseChunk(kind, at, at + header, start, size), stored


def _checksums(
    view: View, chunks: list[SparseChunk], expanded_size: int, end: int, image_checksum: int
) -> tuple[Checksum, ...]:
    """Recompute the CRC of the image so far at each CRC-32 chunk, and that of the whole one."""
    if not image_checksum and all(chunk.type != "crc32" for chunk in chunks):
        return ()
    summed = len(chunks) <= MAX_SUMMED_CHUNKS
    found = []
    crc = total = 0
    for chunk in chunks:
        if chunk.type == "crc32":
            stored = view.u32le(chunk.data_offset)
            covers = Span(0, chunk.offset)
            computed = crc if summed else None
            found.append(_checksum("image so far", stored, computed, chunk.data_offset, covers))
        elif summed:
            crc = _summed(view, chunk, crc)
        total += chunk.size
    if image_checksum:
        rest = max(0, expanded_size - total)
        crc = crc32_joined(crc, crc32_repeated(bytes(4), rest // 4), rest)
        computed = crc if summed else None
        found.insert(0, _checksum("image", image_checksum, computed, 24, Span(0, end)))
    return tuple(found)


def _summed(view: View, chunk: SparseChunk, crc: int) -> int:
    if chunk.type == "raw":
        for data in view.chunks(chunk.data_offset, chunk.data_offset + chunk.size):
            crc = zlib.crc32(data, crc)
        return crc
    pattern = view.bytes(chunk.data_offset, 4) if chunk.type == "fill" else bytes(4)
    return crc32_joined(crc, crc32_repeated(pattern, chunk.size // 4), chunk.size)


def _checksum(name: str, stored: int, computed: int | None, offset: int, covers: Span) -> Checksum:
    return Checksum(
        name=name,
        algorithm="crc32",
        stored=f"{stored:08x}",
        computed=None if computed is None else f"{computed:08x}",
        offset=offset,
        covers=covers,
        why="" if computed is not None else f"more than {MAX_SUMMED_CHUNKS:,} chunks",
    )


READER = Reader(
    name="android-sparse",
    title="Android sparse image",
    source="Android system/core libsparse/sparse_format.h",
    match=match,
    read=read,
)
