"""Compare what a chip holds, or will hold, with what should be there: facts, no verdict.

Flash is compared byte by byte, an eMMC in blocks of 64 KiB by their digests.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from imgaudit.contents.chip_bytes import REPEATED, compare_bytes, gaps_of, not_blank, period_of
from imgaudit.contents.chip_digests import (
    Digested,
    SealedDigests,
    block_digests,
    own_blocks,
    read_blocks,
    stored_blocks,
)
from imgaudit.contents.comparison import ChipImage, Comparison, Placed, Sealed, skipped
from imgaudit.contents.tree import BLOCK, Artifact
from imgaudit.formats.view import View
from imgaudit.model import Area, Chip, Region
from imgaudit.units import Span

_HITS = 64  # blocks with the same digest that are tried


def erase_block(chip: Chip, offset: int) -> int | None:
    """Give the number, from 0, of the erase block that holds an offset; None if there is none."""
    number = 0
    start = 0
    for run in chip.erase_map:
        end = start + run.count * run.size
        if offset < end:
            return number + (offset - start) // run.size
        number, start = number + run.count, end
    return None


def compare_chip(
    chip: Chip, artifact: Artifact, regions: Iterable[Region], placed: Placed
) -> ChipImage:
    """Compare a chip's image with the payloads of its regions.

    Args:
        chip: the chip.
        artifact: its image, raw or compressed.
        regions: all regions of the chip's main area, by offset.
        placed: those that have a payload, with it.

    """
    content = artifact.content
    # A file of the chip's own size is the image itself, even where a compressed kernel comes first.
    packed = content.unpacked is not None and content.size not in chip.sizes
    size = content.unpacked if packed and content.unpacked is not None else content.size
    image = ChipImage(chip=chip, area=chip.name, artifact=artifact, size=size)
    if not chip.kind.in_memory:
        digested = Digested(placed, stored_blocks(content), whole_only=True, slices=artifact.slices)
        return replace(image, comparisons=digested.compare())
    inner = next(iter(content.children), None) if packed else content
    view = inner.view if inner is not None else None
    if view is None:
        why = f"{artifact.path} was not kept in memory to be compared"
        return replace(
            image, comparisons=tuple(Comparison(region=region, why=why) for region, _ in placed)
        )
    return compare_bytes(image, view.bytes(0, view.size), regions, placed)


def compare_dump(
    area: Area, artifact: Artifact, regions: Iterable[Region], placed: Placed
) -> ChipImage:
    """Compare a raw dump with the payloads of its regions.

    What is written at run time is not compared, and an environment is read.

    Args:
        area: what was dumped.
        artifact: the dump; its content has a view.
        regions: all regions of the area, by offset.
        placed: those that have a payload, with it.

    """
    image, view = _dump(area, artifact)
    if area.chip.kind.in_memory:
        return compare_bytes(image, view.bytes(0, view.size), regions, placed)
    comparisons = Digested(placed, read_blocks(view), dump=view).compare()
    base = _late(view, placed) if any(item.differing for item in comparisons) else 0
    if base:
        comparisons = Digested(placed, read_blocks(view, base), dump=view, base=base).compare()
    return replace(image, comparisons=comparisons, base=base)


def _late(view: View, placed: Placed) -> int:
    """Give how many bytes of the chip a dump lacks at its start, where its blocks tell it; else 0.

    The offset that puts the most payloads where they belong is taken, if it puts two there, or one
    of several blocks; nothing may be where it belongs as it is.
    """
    there: dict[bytes, list[int]] = {}
    for number, digest in block_digests(view, 0, view.size).items():
        there.setdefault(digest, []).append(number)
    votes: dict[int, int] = {}
    for region, payload in placed:
        blocks = own_blocks(payload)
        if blocks is None or skipped(region):
            continue
        whole = min(blocks.size, region.room) // BLOCK
        first = min((number for number in blocks.digests if number < whole), default=None)
        if first is None:
            continue
        at = region.at + region.file_at + first * BLOCK
        for number in there.get(blocks.digests[first], ())[:_HITS]:
            base = at - number * BLOCK
            if base == 0:
                return 0
            votes[base] = votes.get(base, 0) + min(whole, 2)
    base = max(votes, key=lambda base: (votes[base], -abs(base)), default=0)
    return base if votes.get(base, 0) > 1 else 0


def refined(comparison: Comparison, view: View, base: int, block: View) -> Comparison:
    """Give the first byte that differs, once the payload's first wrong block is at hand."""
    first = comparison.first
    if first is None or comparison.exact:
        return comparison
    at = comparison.region.at + first - base
    have = view.upto(at, block.size) if at >= 0 else b""
    want = block.bytes(0, block.size)
    for number, (one, other) in enumerate(zip(want, have, strict=False)):
        if one != other:
            return replace(comparison, first=first + number)
    return comparison


def compare_sealed(
    area: Area, artifact: Artifact, regions: Iterable[Region], sealed: Sealed
) -> ChipImage:
    """Compare a raw dump with the digests of what its regions should hold; see compare_dump."""
    image, view = _dump(area, artifact)
    nor = area.chip.kind.in_memory
    comparisons = SealedDigests(view, sealed, nor=nor).compare()
    if not nor:
        return replace(image, comparisons=comparisons)
    data = view.bytes(0, view.size)
    wrong = any(item.differing for item in comparisons) or not comparisons
    period = period_of(data) if wrong else None
    if period is not None:
        comparisons = tuple(
            Comparison(region=item.region, why=REPEATED)
            if item.differing and item.region.at + item.region.file_at + item.size > period
            else item
            for item in comparisons
        )
    return replace(
        image,
        comparisons=comparisons,
        gaps=tuple(not_blank(data, gaps_of(Span(0, period or len(data)), regions))),
        period=period,
    )


def _dump(area: Area, artifact: Artifact) -> tuple[ChipImage, View]:
    view = artifact.content.view or View.of(b"")
    image = ChipImage(
        chip=area.chip, area=area.name, dump=True, artifact=artifact, size=artifact.size
    )
    return image, view
