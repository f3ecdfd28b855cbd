"""An eMMC held against what should be there in blocks of 64 KiB, by their digests."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import replace
from itertools import islice

from imgaudit.contents.chip_bytes import GRAIN, not_blank, saved
from imgaudit.contents.comparison import RUNTIME, Comparison, Digests, Placed, Sealed, skipped
from imgaudit.contents.tree import BLOCK, Artifact, Blocks, Content
from imgaudit.formats.view import CHUNK, View
from imgaudit.model import Region
from imgaudit.units import Span, place

_ZEROS = bytes(BLOCK)
_SIZES = 64  # of other regions' contents that are tried


_Take = Callable[[int, int], Mapping[int, bytes] | str]
"""Gives the digests of the blocks of `[at, at + size)`, numbered from 0, or why it cannot."""


def stored_blocks(content: Content) -> _Take:
    """Take digests from those of a whole image."""

    def take(at: int, size: int) -> Mapping[int, bytes] | str:
        if content.blocks is None:
            return "no block digests were taken"
        if at % BLOCK:
            return "the region does not start on 64 KiB"
        if at + size > content.blocks.size:
            return f"the image ends at {place(content.blocks.size)}"
        base, digests = at // BLOCK, content.blocks.digests
        return {n: digests[base + n] for n in range(size // BLOCK) if base + n in digests}

    return take


def read_blocks(view: View, base: int = 0) -> _Take:
    """Take digests by reading; holes are skipped. `base` is the chip's offset of the first byte."""

    def take(at: int, size: int) -> Mapping[int, bytes] | str:
        if at < base:
            return f"the image starts at {place(base)} of the chip"
        if at + size - base > view.size:
            return f"the image ends at {place(base + view.size)}"
        return block_digests(view, at - base, size)

    return take


def block_digests(view: View, at: int, size: int) -> dict[int, bytes]:
    """Digest the blocks of a stretch, numbered from 0, but for holes and zeros."""
    digests: dict[int, bytes] = {}
    whole = Span.sized(at, size)
    for stored in view.source.data():
        common = whole.common(stored)
        if not common.size:
            continue
        # From the first block, counted from `at`, that the stored bytes touch.
        start = at + (common.start - at) // BLOCK * BLOCK
        stop = min(at + -(-(common.end - at) // BLOCK) * BLOCK, whole.end)
        for piece_at in range(start, stop, CHUNK):
            piece = view.bytes(piece_at, min(CHUNK, stop - piece_at))
            for offset in range(0, len(piece), BLOCK):
                block = piece[offset : offset + BLOCK]
                if block != _ZEROS[: len(block)]:
                    digests[(piece_at - at + offset) // BLOCK] = hashlib.sha256(block).digest()
    return digests


def _data_sha256(digests: Mapping[int, bytes], size: int) -> str:
    return Blocks(size, dict(digests)).sha256()


def own_blocks(payload: Content) -> Blocks | None:
    """Give the block digests of a payload's own bytes; a compressed one carries its content's."""
    return None if payload.unpacked is not None else payload.blocks


def by_bytes(region: Region, want: View, have: View) -> Comparison:
    """Compare what is no whole number of blocks from the chip's start."""
    size = min(want.size, region.room)
    if have.size < size:
        why = f"the image ends at {place(region.at + region.file_at + have.size)}"
        return Comparison(region=region, why=why, cut=True)
    differing, first = 0, None
    for at in range(0, size, GRAIN):
        length = min(GRAIN, size - at)
        one, other = want.bytes(at, length), have.bytes(at, length)
        if one != other:
            places = [number for number in range(length) if one[number] != other[number]]
            differing += len(places)
            first = at + places[0] if first is None else first
    return Comparison(
        region=region,
        size=size,
        differing=differing,
        first=None if first is None else region.file_at + first,
    )


class Digested:
    """Compares by the digests of blocks."""

    def __init__(
        self,
        placed: Placed,
        take: _Take,
        *,
        dump: View | None = None,
        whole_only: bool = False,
        slices: Mapping[str, Artifact] | None = None,
        base: int = 0,
    ) -> None:
        self.base = base
        self.slices = slices or {}
        self.placed = placed
        self.take = take
        self.dump = dump
        # A last, partial block of an image has no digest of its own: what follows is the region's.
        self.whole_only = whole_only

    def compare(self) -> tuple[Comparison, ...]:
        """Compare every region that has a payload."""
        return tuple(self._one(region, payload) for region, payload in self.placed)

    def _one(self, region: Region, payload: Content) -> Comparison:
        if self.dump is not None and skipped(region):
            return Comparison(region=region, why=RUNTIME)
        there = self.slices.get(region.name)
        if there is not None and there.content.view is not None and payload.view is not None:
            return by_bytes(region, payload.view, there.content.view)
        blocks = own_blocks(payload)
        if blocks is None:
            return Comparison(region=region, why="no block digests were taken")
        at = region.at + region.file_at
        size = min(blocks.size, region.room)
        have = self.take(at, size)
        if isinstance(have, str):
            return Comparison(region=region, why=have, cut=have.startswith("the image ends"))
        whole = size // BLOCK if self.whole_only or size < blocks.size else -(-size // BLOCK)
        if not whole:
            return Comparison(region=region, why="less than one block of 64 KiB")
        want = blocks.digests
        wrong = [n for n in range(whole) if want.get(n) != have.get(n)]
        same = Comparison(
            region=region,
            size=min(whole * BLOCK, size),
            exact=False,
            dump=self.dump is not None,
            environment=None
            if self.dump is None
            else saved(region, self.dump.upto(max(at - self.base, 0), min(size, CHUNK))),
        )
        if not wrong:
            return same
        blank = all(have.get(n) in _BLANK_DIGESTS for n in range(whole))
        return replace(
            same,
            differing=min(len(wrong) * BLOCK, same.size),
            first=region.file_at + wrong[0] * BLOCK,
            holes=(Span.sized(region.file_at, same.size),) if blank else (),
            only_holes=blank,
            holds=self._other(region, have, size // BLOCK),
        )

    def _other(self, region: Region, have: Mapping[int, bytes], known: int) -> str | None:
        """Name another region whose payload stands here, as far as its first `known` blocks."""
        for other, payload in self.placed:
            blocks = own_blocks(payload)
            if other.name == region.name or blocks is None:
                continue
            whole = min(blocks.size // BLOCK, known)
            want = blocks.digests
            told = any(n in want for n in range(whole))
            if told and all(want.get(n) == have.get(n) for n in range(whole)):
                return other.name
        return None


_BLANK_DIGESTS = (None, hashlib.sha256(b"\xff" * BLOCK).digest())


class SealedDigests:
    """Compares regions of a dump with the digests of what they should hold."""

    def __init__(self, view: View, sealed: Sealed, *, nor: bool) -> None:
        self.view = view
        self.sealed = sealed
        self.nor = nor
        # By what tells them apart at any one place: their size and the kind of their digest.
        self._alike: dict[tuple[int, bool], dict[str, list[str]]] = {}
        for region, item in sealed:
            stored = item.data_sha256 or item.sha256
            if stored is not None:
                alike = self._alike.setdefault((item.size, item.data_sha256 is not None), {})
                alike.setdefault(stored, []).append(region.name)

    def compare(self) -> tuple[Comparison, ...]:
        """Compare every region that is sealed."""
        return tuple(self._one(region, digests) for region, digests in self.sealed)

    def _one(self, region: Region, digests: Digests) -> Comparison:
        if skipped(region):
            return Comparison(region=region, why=RUNTIME)
        view, at = self.view, region.at + region.file_at
        if at + digests.size > view.size:
            return Comparison(region=region, why=f"the image ends at {place(view.size)}", cut=True)
        stored = digests.data_sha256 or digests.sha256
        if stored is None:
            return Comparison(region=region, why="the manifest has no digest of what lands here")
        found = _digest(view, at, digests.size, of_data=digests.data_sha256 is not None)
        end = min(region.at + region.size, view.size)
        behind = Span(at + digests.size, max(end, at + digests.size))
        rest = view.bytes(behind.start, behind.size) if self.nor else b""
        tail = not_blank(rest, [behind], behind.start) if self.nor else []
        same = Comparison(
            region=region,
            size=digests.size,
            exact=False,
            dump=True,
            tail=tuple(Span(span.start - region.at, span.end - region.at) for span in tail),
            environment=saved(region, view.bytes(at, min(digests.size, CHUNK))),
        )
        if stored == found:
            return same
        blank = _blank(view, Span.sized(at, digests.size), b"\xff" if self.nor else b"\xff\0")
        return replace(
            same,
            differing=digests.size,
            digests=(stored, found),
            holes=(Span.sized(region.file_at, digests.size),) if blank else (),
            only_holes=blank,
            holds=None if blank else self._other(region),
        )

    def _other(self, region: Region) -> str | None:
        """Name another region whose content stands here."""
        at = region.at + region.file_at
        fitting = (
            (size, of_data, named)
            for (size, of_data), named in self._alike.items()
            if size <= region.room and at + size <= self.view.size
        )
        for size, of_data, named in islice(fitting, _SIZES):
            for name in named.get(_digest(self.view, at, size, of_data=of_data), ())[:2]:
                if name != region.name:
                    return name
        return None


def _digest(view: View, at: int, size: int, *, of_data: bool) -> str:
    """Digest what is there: all of it, or only its data, which may be far less."""
    if of_data:
        return _data_sha256(block_digests(view, at, size), size)
    digest = hashlib.sha256()
    for piece in view.chunks(at, at + size):
        digest.update(piece)
    return digest.hexdigest()


def _blank(view: View, span: Span, erased: bytes) -> bool:
    """Tell whether all bytes are the same, and one of those that an erase leaves."""
    first = view.upto(span.start, 1)
    if not span.size or first not in erased:
        return False
    return all(piece.count(first) == len(piece) for piece in view.chunks(span.start, span.end))
