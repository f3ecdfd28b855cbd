"""lz4: the frame format of the lz4 tool, which the Linux kernel does not decode.

Source: LZ4 Frame Format Description 1.6.4 (lz4/doc/lz4_Frame_format.md); xxHash 0.1.1 for XXH32.
"""

from __future__ import annotations

from collections.abc import Generator, Iterator
from typing import ClassVar

from imgaudit.data import dataclass
from imgaudit.errors import FormatError
from imgaudit.formats.facts import Checksum, Facts, Match, Reader, by_its_sum
from imgaudit.formats.lz4_block import WINDOW, decode
from imgaudit.formats.skippable import first_frame, skip
from imgaudit.formats.stream import Feed, sliced
from imgaudit.formats.view import View
from imgaudit.units import KIB, MIB, Span, human

_MAGIC = (0x184D2204).to_bytes(4, "little")
_BLOCK_SIZES = {4: 64 * KIB, 5: 256 * KIB, 6: MIB, 7: 4 * MIB}
_STORED = 0x8000_0000
_PRIMES = (0x9E3779B1, 0x85EBCA77, 0xC2B2AE3D, 0x27D4EB2F, 0x165667B1)
_MASK = 0xFFFF_FFFF


@dataclass(frozen=True, kw_only=True)
class Lz4(Facts):
    """The first frame's descriptor.

    `block_size` is the most that one block decodes to and `content_size` the whole, in bytes, the
    latter None where not stored. `data_offset` is where the first block's size stands.
    """

    format: ClassVar[str] = "lz4"

    frame_offset: int
    version: int
    independent_blocks: bool
    block_checksums: bool
    content_checksum: bool
    block_size: int
    content_size: int | None
    dictionary_id: int | None
    data_offset: int

    def summary(self) -> str:
        """Say the decoded size and the blocks."""
        size = "size not stored" if self.content_size is None else human(self.content_size)
        return f"{size}, blocks of {human(self.block_size)}"


def _xxh32(data: bytes) -> int:
    """Hash fewer than 16 bytes with XXH32, seed 0."""
    first, second, third, fourth, fifth = _PRIMES
    value = fifth + len(data)
    whole = len(data) & ~3
    for at in range(0, whole, 4):
        value = (value + int.from_bytes(data[at : at + 4], "little") * third) & _MASK
        value = ((value << 17 | value >> 15) & _MASK) * fourth & _MASK
    for byte in data[whole:]:
        value = (value + byte * fifth) & _MASK
        value = ((value << 11 | value >> 21) & _MASK) * first & _MASK
    value = (value ^ value >> 15) * second & _MASK
    value = (value ^ value >> 13) * third & _MASK
    return value ^ value >> 16


def match(view: View) -> Match:
    """Look for the magic, behind skippable frames too, and the descriptor's checksum."""
    return Match.NO if first_frame(view, _MAGIC) is None else by_its_sum(read, view)


def read(view: View) -> Lz4:
    """Read the descriptor of the first frame that holds data."""
    start = first_frame(view, _MAGIC)
    if start is None:
        raise FormatError(0, "no LZ4 frame starts here")
    return _descriptor(view, start)


def _descriptor(view: View, start: int) -> Lz4:
    flags, block = view.unpack("<BB", start + 4)
    block_size = _BLOCK_SIZES.get(block >> 4 & 7)
    if block_size is None:
        raise FormatError(start + 5, f"block size code {block >> 4 & 7} has no meaning")
    offsets = {"flags": start + 4, "block_size": start + 5}
    at = start + 6
    content = dictionary = None
    if flags & 0x08:
        offsets["content_size"] = at
        content = view.u64le(at)
        at += 8
    if flags & 0x01:
        offsets["dictionary_id"] = at
        dictionary = view.u32le(at)
        at += 4
    covered = view.bytes(start + 4, at - start - 4)
    checksum = Checksum(
        "frame descriptor",
        "xxh32, second byte",
        f"{view.u8(at):02x}",
        f"{_xxh32(covered) >> 8 & 0xFF:02x}",
        at,
        Span(start + 4, at),
    )
    doubts = tuple(
        f"The {name} checksum is not verified."
        for name, bit in (("block", 0x10), ("content", 0x04))
        if flags & bit
    )
    return Lz4(
        frame_offset=start,
        version=flags >> 6,
        independent_blocks=bool(flags & 0x20),
        block_checksums=bool(flags & 0x10),
        content_checksum=bool(flags & 0x04),
        block_size=block_size,
        content_size=content,
        dictionary_id=dictionary,
        data_offset=at + 1,
        offsets=offsets,
        checksums=(checksum,),
        doubts=doubts,
    )


def unpack(pieces: Iterator[bytes]) -> Generator[bytes, None, int]:
    """Decompress every frame; block and content checksums are passed over."""
    feed = Feed(pieces)
    skip(feed)
    if feed.peek(4) != _MAGIC:
        raise FormatError(feed.offset, "no LZ4 frame starts here")
    while feed.peek(4) == _MAGIC:
        yield from _frame(feed)
        skip(feed)
    return feed.offset


def _frame(feed: Feed) -> Generator[bytes, None, None]:
    start = feed.offset
    head = feed.peek(19)  # the longest descriptor
    try:
        facts = _descriptor(View.of(head), 0)
    except FormatError as problem:
        raise FormatError(start + problem.offset, problem.why) from None
    if not facts.checksums[0].matches:
        raise FormatError(start + facts.checksums[0].offset, "the frame descriptor is damaged")
    if facts.version != 1:
        raise FormatError(start + 4, f"frame version {facts.version} is not known")
    if facts.dictionary_id is not None:
        raise FormatError(start + 4, "the frame needs a dictionary that it does not carry")
    feed.take(facts.data_offset)
    produced = 0
    history = b""
    while True:
        at = feed.offset
        word = feed.u32le()
        if word == 0:
            break
        size = word & ~_STORED
        if size > facts.block_size:
            raise FormatError(at, f"a block of {size:,} bytes is larger than the frame allows")
        data = feed.take(size)
        if not word & _STORED:
            try:
                data = decode(data, facts.block_size, history)
            except ValueError as problem:
                raise FormatError(at, f"the block that starts here is damaged: {problem}") from None
        if facts.block_checksums:
            feed.take(4)
        if not facts.independent_blocks:
            history = (history + data)[-WINDOW:]
        produced += len(data)
        if data:
            yield from sliced(data)
    if facts.content_checksum:
        feed.take(4)
    if facts.content_size not in {None, produced}:
        raise FormatError(
            feed.offset, f"{produced:,} bytes came out, {facts.content_size:,} were promised"
        )


READER = Reader(
    name="lz4",
    title="LZ4 frame",
    source="LZ4 Frame Format Description 1.6.4",
    match=match,
    read=read,
    unpack=unpack,
)
