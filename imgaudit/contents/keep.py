"""What is kept of bytes as they go by: digests of blocks, and what the readers will want again."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator

from imgaudit.contents.slices import Slice
from imgaudit.contents.tree import BLOCK, Blocks
from imgaudit.errors import UnreadError
from imgaudit.formats import identify
from imgaudit.formats.view import CHUNK, Source, View
from imgaudit.units import MIB, Span, joined, round_down

_HEAD_KEPT = 2 * MIB
_TAIL = 2 * MIB
# What is kept of an image of a disk or file system that is more than its windows, zeros left out.
_SPARSE = 64 * MIB
_BLANKS = (0x00, 0xFF)
_ZEROS = bytes(BLOCK)
# What is kept of all slices of a stream together.
_SLICES = 128 * MIB


class _KeptSource:
    """What was kept of a stream that is too large to keep: some spans, the rest counted."""

    def __init__(self, size: int, kept: list[tuple[int, bytes]]) -> None:
        self.size = size
        self._kept = kept

    def read_at(self, offset: int, length: int) -> bytes:
        for start, data in self._kept:
            if start <= offset and offset + length <= start + len(data):
                return data[offset - start : offset - start + length]
        raise UnreadError(offset, "these bytes of a large compressed image were not kept")

    def data(self) -> Iterator[Span]:
        for start, data in self._kept:
            yield Span.sized(start, len(data))


class _SparseSource:
    """A stream of which every block that is not all zero was kept."""

    held = True

    def __init__(self, size: int, blocks: dict[int, bytes]) -> None:
        self.size = size
        self._blocks = blocks

    def read_at(self, offset: int, length: int) -> bytes:
        out = []
        end = offset + length
        while offset < end:
            number, skip = divmod(offset, BLOCK)
            count = min(BLOCK - skip, end - offset)
            block = self._blocks.get(number)
            out.append(bytes(count) if block is None else block[skip : skip + count])
            offset += count
        return out[0] if len(out) == 1 else b"".join(out)

    def data(self) -> Iterator[Span]:
        for number in sorted(self._blocks):
            yield Span(number * BLOCK, min(self.size, (number + 1) * BLOCK))


class _Sparse:
    """Keeps the blocks of a stream that are not all zero, as long as they are not too many."""

    def __init__(self, most: int) -> None:
        self.blocks: dict[int, bytes] | None = {}
        self.held = 0
        self._most = most
        self._number = 0
        self._rest = b""

    def add(self, piece: bytes) -> None:
        if self.blocks is None:
            return
        data = self._rest + piece if self._rest else piece
        whole = round_down(len(data), BLOCK)
        for at in range(0, whole, BLOCK):
            block = data[at : at + BLOCK]
            if not _is_all(block, _ZEROS):
                self.blocks[self._number] = block
                self.held += len(block)
            self._number += 1
        self._rest = data[whole:]
        if self.held > self._most:
            self.blocks, self.held, self._rest = None, 0, b""

    def view(self, size: int) -> View | None:
        if self.blocks is None:
            return None
        rest = {self._number: self._rest} if self._rest else {}
        return View(_SparseSource(size, self.blocks | rest))


class SliceKeeper:
    """Takes the bytes of one slice from a stream that goes by."""

    def __init__(self, part: Slice, most: int) -> None:
        self.part = part
        self.keeper = Keeper(most, blocks=True)

    def add(self, at: int, piece: bytes) -> None:
        """Take what belongs to the slice of a piece that starts at `at`."""
        here = Span.sized(self.part.at, self.part.size).common(Span.sized(at, len(piece)))
        if here.size:
            self.keeper.add(piece[here.start - at : here.end - at])


class Keeper:
    """Takes a stream piece by piece and keeps what the readers will want of it."""

    def __init__(
        self,
        most: int,
        *,
        blocks: bool = False,
        nested: bool = False,
        slices: tuple[Slice, ...] = (),
    ) -> None:
        each = max(MIB, _SLICES // max(1, len(slices)))
        self.slices = [SliceKeeper(part, each) for part in slices]
        self.most = most
        self.nested = nested
        self.total = 0
        self.too_large = False
        self._whole: bytearray | None = bytearray()
        self._decided = False
        self._windows: list[Span] = []
        self._kept: dict[int, bytearray] = {}
        self._tail = bytearray()
        self._sparse: _Sparse | None = None
        self._digester = Digester() if blocks else None

    def add(self, piece: bytes) -> None:
        """Take the next piece of the stream."""
        for part in self.slices:
            part.add(self.total, piece)
        if self._digester is not None:
            self._digester.add(piece)
        if self._whole is not None:
            self._whole += piece
            self.total += len(piece)
            if not self._decided and self.total >= _HEAD_KEPT:
                self._decide()
            if self._whole is not None and len(self._whole) > self.most:
                self.too_large = True
                self._forget([])
            return
        if self._sparse is not None:
            self._sparse.add(piece)
        self._window(self.total, piece)
        self._tail += piece
        if len(self._tail) > 2 * _TAIL:
            del self._tail[:-_TAIL]
        self.total += len(piece)

    def _decide(self) -> None:
        """Keep an image of a disk or file system without its zeros; all else is wanted whole.

        Where even that is too much, its windows are kept only.
        """
        self._decided = True
        assert self._whole is not None  # noqa: S101 - tells mypy what the caller made sure of
        head = View.of(bytes(self._whole))
        known = identify(head)
        if known and known[0][1].windows is not None:
            self._sparse = _Sparse(min(_SPARSE, self.most))
            self._sparse.add(bytes(self._whole))
            self._forget(known[0][1].windows(head))

    def _forget(self, windows: list[Span]) -> None:
        assert self._whole is not None  # noqa: S101 - as above
        whole, self._whole = self._whole, None
        head = whole[:_HEAD_KEPT]
        self._kept = {0: head}
        room = self.most
        for span in windows:
            if span.end > len(head) and span.size <= room:
                room -= span.size
                self._windows.append(span)
                self._kept[span.start] = head[span.start :] if span.start else head
        self._window(len(head), bytes(whole[len(head) : len(head) + CHUNK]))
        self._tail = whole[-_TAIL:]

    def _window(self, at: int, piece: bytes) -> None:
        here = Span.sized(at, len(piece))
        for window in self._windows:
            common = here.common(window)
            if common.size:
                kept = self._kept[window.start]
                if len(kept) == common.start - window.start:
                    kept += piece[common.start - at : common.end - at]

    def view(self) -> View:
        """View what was kept as if it were all there; reading the rest raises UnreadError."""
        if self._whole is not None:
            return View.of(self._whole)
        sparse = self._sparse.view(self.total) if self._sparse is not None else None
        if sparse is not None:
            return sparse
        kept = [(start, bytes(data)) for start, data in self._kept.items()]
        kept.append((self.total - len(self._tail), bytes(self._tail)))
        return View(_KeptSource(self.total, kept))

    def kept(self) -> int:
        """Count the bytes that are held."""
        if self._whole is not None:
            return len(self._whole)
        sparse = self._sparse.held if self._sparse is not None else 0
        return sparse + len(self._tail) + sum(map(len, self._kept.values()))

    def blocks(self) -> Blocks | None:
        """Give the digests, where they were asked for."""
        return None if self._digester is None else self._digester.finish()


class Digester:
    """Block digests of a stream."""

    def __init__(self) -> None:
        self._digests: dict[int, bytes] = {}
        self._rest = b""
        self._number = 0
        self._last = 0, b""  # the last block that is not all zero, and where it starts

    def add(self, piece: bytes) -> None:
        """Take the next piece of the stream."""
        if self._rest:
            piece, self._rest = self._rest + piece, b""
        whole = round_down(len(piece), BLOCK)
        for at in range(0, whole, BLOCK):
            self._block(piece[at : at + BLOCK])
        self._rest = piece[whole:]

    def _block(self, data: bytes) -> None:
        if not _is_all(data, _ZEROS):
            self._digests[self._number] = hashlib.sha256(data).digest()
            self._last = self._number * BLOCK, data
        self._number += 1

    def finish(self) -> Blocks:
        """Give the digests of all that was taken."""
        size = self._number * BLOCK + len(self._rest)
        if self._rest:
            self._block(self._rest)
        start, last = self._last
        return Blocks(size, self._digests, start + len(last.rstrip(b"\0")))


def _is_all(block: bytes, pattern: bytes) -> bool:
    """Tell whether a block repeats one byte: its ends tell most of the time."""
    if block[0] != pattern[0] or block[-1] != pattern[0]:
        return False
    # Slices of bytes compare as fast as memory is read; a memoryview would compare by element.
    return block == (pattern if len(block) == len(pattern) else pattern[: len(block)])


def digest_span(source: Source, span: Span) -> dict[int, bytes]:
    """Digest the blocks of a span that starts on a block; see Blocks."""
    digests = {}
    last = digest = b""
    # Block by block, each is still in the processor's cache when it is digested.
    for at in range(span.start, span.end, BLOCK):
        block = source.read_at(at, min(BLOCK, span.end - at))
        if _is_all(block, _ZEROS):
            continue
        if block != last:
            last, digest = block, hashlib.sha256(block).digest()
        digests[at // BLOCK] = digest
    return digests


def data_spans(source: Source) -> list[Span]:
    """Give the stored spans, widened to blocks, in pieces that two threads can share."""
    whole = Span(0, source.size)
    merged = joined(span.widened(BLOCK).common(whole) for span in source.data())
    step = 16 * MIB
    return [
        Span(at, min(at + step, span.end))
        for span in merged
        for at in range(span.start, span.end, step)
    ]


def blank_byte(data: memoryview) -> int | None:
    """Give the byte that all of the data repeats: 0x00, 0xFF or, if there is none, None."""
    if not len(data) or data[0] not in _BLANKS:
        return None
    pattern = bytes([data[0]]) * BLOCK
    blocks = (bytes(data[at : at + BLOCK]) for at in range(0, len(data), BLOCK))
    return data[0] if all(_is_all(block, pattern) for block in blocks) else None
