"""Compare what a chip holds, or will hold, with what should be there: facts, no verdict.

A NOR is compared byte by byte, an eMMC in blocks of 64 KiB by their digests. What is wrong with all
of an image, such as swapped bytes or an offset, is told once and undone before its regions are
compared, so that a second fault behind it shows.
"""

from __future__ import annotations

import enum
import hashlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import NamedTuple

from imgaudit import bounds
from imgaudit.contents.tree import BLOCK, Artifact, Blocks, Content
from imgaudit.data import dataclass
from imgaudit.errors import ImgauditError
from imgaudit.formats import uboot_env
from imgaudit.formats.uboot_env import UbootEnv
from imgaudit.formats.view import CHUNK, View
from imgaudit.model import Area, Chip, Region, Writer
from imgaudit.units import KIB, Span, joined, place, round_down

_GRAIN = 4 * KIB
_PROBE = 64
_STRETCH = 64 * KIB  # as much must stand where a probe was found
_LEADS = (0, _PROBE)  # where probes start: the first byte may be cut off
_VARIED = 8  # different bytes in a probe; fewer are padding or a table
_HITS = 64
_MOST_SPANS = 64
# By chance, this many bits all differ in the same direction once in 2^32 (own arithmetic).
_BITS = 32
_STUCK_BYTES = 8
_SMALLEST_PERIOD = 64 * KIB
_ERASED = b"\xff" * _GRAIN
_MIRROR = bytes(int(f"{value:08b}"[::-1], 2) for value in range(256))
_NOT_ZERO = b"\0" + b"\xff" * 255
_ZEROS = bytes(BLOCK)
_RUNTIME = "written at run time"
_REPEATED = "it lies where the image repeats itself"


class Look(enum.StrEnum):
    """What a comparison looks like, in the words of the report; the most telling one."""

    SAME = "as built"
    UNKNOWN = "not compared"
    CUT = "cut off"
    OTHER = "another region's content"
    SHIFTED = "shifted"
    SWAPPED = "byte-swapped"
    MIRRORED = "bit-reversed"
    STUCK = "one bit wrong"
    NOT_ERASED = "programmed without erase"
    ERASED = "erased"
    SAVED = "saved at run time"
    BROKEN = "no valid environment"
    DIFFERS = "differs"


@dataclass(frozen=True, kw_only=True)
class Comparison:
    """A region of a chip against its artifact, or against the digests that a manifest keeps of it.

    `size` bytes were compared; `why` says why none were, and `cut` tells that the image ends before
    the artifact would. `differing` counts the bytes that differ, `first` is the first of them, from
    the region's start; on an eMMC both are in whole blocks, against a manifest nothing but the
    whole is known (`exact` is False). `digests` are the two SHA-256 that differ: sealed, found.

    What the difference looks like: `shifted` (the artifact starts that many bytes from where it
    should), `swapped` (bytes reversed in groups of 2 or 4), `mirrored` (bits reversed in each
    byte), `not_erased` (bits changed from 1 to 0 only), `stuck` (only this bit of each byte
    differs), `holes` (erased where the artifact has data; `only_holes`: nothing else differs),
    `holds` (another region's artifact stands here). `tail` lists the spans behind the artifact that
    are not blank. `environment` is what a `dump` holds where a U-Boot environment belongs.
    """

    region: Region
    size: int = 0
    why: str = ""
    cut: bool = False
    exact: bool = True
    differing: int = 0
    first: int | None = None
    digests: tuple[str, str] | None = None
    shifted: int | None = None
    swapped: int | None = None
    mirrored: bool = False
    not_erased: bool = False
    stuck: int | None = None
    holes: tuple[Span, ...] = ()
    only_holes: bool = False
    holds: str | None = None
    tail: tuple[Span, ...] = ()
    environment: UbootEnv | None = None
    dump: bool = False

    @property
    def look(self) -> Look:
        """The most telling of what was found."""
        if self.why:
            return Look.CUT if self.cut else Look.UNKNOWN
        if not self.differing:
            return Look.SAME
        if self.environment is not None and self.environment.valid:
            return Look.SAVED
        for told, look in (
            (self.holds, Look.OTHER),
            (self.shifted, Look.SHIFTED),
            (self.swapped, Look.SWAPPED),
            (self.mirrored or None, Look.MIRRORED),
        ):
            if told is not None:
                return look
        if self.dump and self.region.holds == "uboot-env":
            return Look.BROKEN
        if self.stuck is not None:
            return Look.STUCK
        if self.not_erased:
            return Look.NOT_ERASED
        return Look.ERASED if self.only_holes else Look.DIFFERS


@dataclass(frozen=True, kw_only=True)
class ChipImage:
    """An image, or a dump (`dump`), of a whole chip against the regions that it should hold.

    `area` is the chip's name, or that of an eMMC's boot area. `swapped` and `mirrored` are said of
    the whole as of a region in Comparison. `base` is the offset on the chip of the first byte: not
    0 where a dump starts at a region, negative where something was put in front. `exchanged`: the
    second half stands first. `period`: the content repeats after as many bytes.
    """

    chip: Chip
    area: str = ""
    dump: bool = False
    artifact: Artifact | None = None
    missing: str = ""
    size: int = 0
    comparisons: tuple[Comparison, ...] = ()
    gaps: tuple[Span, ...] = ()
    swapped: int | None = None
    mirrored: bool = False
    base: int = 0
    exchanged: bool = False
    period: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Digests:
    """What is known of a payload that is not at hand: its size and either digest.

    `data_sha256` is that of `Blocks.sha256`.
    """

    size: int
    sha256: str | None
    data_sha256: str | None


Placed = Sequence[tuple[Region, Content]]
Sealed = Sequence[tuple[Region, Digests]]


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
        digested = _Digested(placed, _stored(content), whole_only=True, slices=artifact.slices)
        return replace(image, comparisons=digested.compare())
    inner = next(iter(content.children), None) if packed else content
    view = inner.view if inner is not None else None
    if view is None:
        why = f"{artifact.path} was not kept in memory to be compared"
        return replace(
            image, comparisons=tuple(Comparison(region=region, why=why) for region, _ in placed)
        )
    return _nor(image, view.bytes(0, view.size), regions, placed)


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
        return _nor(image, view.bytes(0, view.size), regions, placed)
    comparisons = _Digested(placed, _read(view), dump=view).compare()
    base = _late(view, placed) if any(item.differing for item in comparisons) else 0
    if base:
        comparisons = _Digested(placed, _read(view, base), dump=view, base=base).compare()
    return replace(image, comparisons=comparisons, base=base)


def _late(view: View, placed: Placed) -> int:
    """Give how many bytes of the chip a dump lacks at its start, where its blocks tell it; else 0.

    The offset that puts the most payloads where they belong is taken, if it puts two there, or one
    of several blocks; nothing may be where it belongs as it is.
    """
    there: dict[bytes, list[int]] = {}
    for number, digest in _block_digests(view, 0, view.size).items():
        there.setdefault(digest, []).append(number)
    votes: dict[int, int] = {}
    for region, payload in placed:
        blocks = own_blocks(payload)
        if blocks is None or _skipped(region):
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
    comparisons = tuple(_against_digests(view, region, sealed, nor=nor) for region, _ in sealed)
    if not nor:
        return replace(image, comparisons=comparisons)
    data = view.bytes(0, view.size)
    wrong = any(item.differing for item in comparisons) or not comparisons
    period = _period(data) if wrong else None
    if period is not None:
        comparisons = tuple(
            Comparison(region=item.region, why=_REPEATED)
            if item.differing and item.region.at + item.region.file_at + item.size > period
            else item
            for item in comparisons
        )
    return replace(
        image,
        comparisons=comparisons,
        gaps=tuple(_not_blank(data, _gaps(Span(0, period or len(data)), regions))),
        period=period,
    )


def _dump(area: Area, artifact: Artifact) -> tuple[ChipImage, View]:
    view = artifact.content.view or View.of(b"")
    image = ChipImage(
        chip=area.chip, area=area.name, dump=True, artifact=artifact, size=artifact.size
    )
    return image, view


def _gaps(image: Span, regions: Iterable[Region]) -> Iterator[Span]:
    at = image.start
    for region in regions:
        if at < region.at < image.end:
            yield Span(at, region.at)
        at = max(at, region.at + region.size)
    if at < image.end:
        yield Span(at, image.end)


def _not_blank(data: bytes, spans: Iterable[Span], base: int = 0) -> list[Span]:
    """Give the parts of the spans, in steps of 4 KiB, that are not all 0xFF, joined."""
    pieces = (
        Span(at, min(at + _GRAIN, span.end))
        for span in spans
        for at in range(span.start, span.end, _GRAIN)
    )
    written = (
        piece
        for piece in pieces
        if not _ERASED.startswith(data[piece.start - base : piece.end - base])
    )
    return bounds.within(joined(written), _MOST_SPANS, "chip images", "stretches of bytes")


def _period(data: bytes) -> int | None:
    """Give the length after which all repeats: the size halved as often as the halves agree."""
    size = len(data)
    while size % 2 == 0 and size // 2 >= _SMALLEST_PERIOD:
        half = size // 2
        # Most differ at once, and slices of half a chip are large.
        if not data.startswith(data[:_GRAIN], half) or data[:half] != data[half:size]:
            break
        size = half
    if size == len(data):
        return None
    return None if data.count(data[:1], 0, size) == size else size


def _skipped(region: Region) -> bool:
    """Tell what a dump cannot be held to: the board writes it, and it has no rule of its own."""
    return region.writer is Writer.RUNTIME and region.holds != "uboot-env"


def _saved(region: Region, data: bytes) -> UbootEnv | None:
    """Read the environment that a dump holds."""
    if region.holds != "uboot-env":
        return None
    try:
        return uboot_env.read(View.of(data))
    except ImgauditError:
        return None


class _Wanted(NamedTuple):
    """A payload and the offset on the chip where it belongs."""

    region: Region
    at: int
    data: bytes

    @property
    def sample(self) -> bytes:
        return self.data[:_GRAIN]

    @property
    def varied(self) -> bool:
        return len(set(self.data[:_GRAIN])) >= _VARIED


def _nor(image: ChipImage, data: bytes, regions: Iterable[Region], placed: Placed) -> ChipImage:
    wanted = [
        _Wanted(
            region,
            region.at + region.file_at,
            content.view.bytes(0, min(content.size, region.room)),
        )
        for region, content in placed
        if content.view is not None
    ]
    found = _Nor(data, wanted, dump=image.dump)
    found.undo()
    comparisons = tuple(
        found.compare(region)
        if content.view is not None
        else Comparison(region=region, why="the artifact is too large to be kept in memory")
        for region, content in placed
    )
    base = found.base
    end = base + len(data)
    if found.period is not None:
        end = min(end, base + found.period)
    # What was shifted out of its region is told as that.
    moved = [
        Span.sized(item.region.at + item.region.file_at + item.shifted, item.size)
        for item in comparisons
        if item.shifted is not None
    ]
    gaps = _not_blank(found.data, _gaps(Span(max(base, 0), end), regions), base)
    return replace(
        image,
        comparisons=comparisons,
        gaps=tuple(gap for gap in gaps if not any(gap.overlaps(span) for span in moved)),
        swapped=found.swapped,
        mirrored=found.mirrored,
        base=base,
        exchanged=found.exchanged,
        period=found.period,
    )


class _Nor:
    """Compares in memory. `data` starts at `base` on the chip, once `undo` has found it out."""

    def __init__(self, data: bytes, wanted: Sequence[_Wanted], *, dump: bool) -> None:
        self.data = data
        self.wanted = wanted
        self.dump = dump
        self.base = 0
        self.swapped: int | None = None
        self.mirrored = False
        self.exchanged = False
        self.period: int | None = None

    def undo(self) -> None:
        """Find what is wrong with the whole, and undo it."""
        period = _period(self.data)
        if period is not None:
            behind = [item for item in self.wanted if item.at + len(item.data) > period]
            if not behind or not all(self._right(item) for item in behind):
                self.period = period
        tell = [item for item in self.wanted if item.varied]
        fixed = [item for item in tell if item.region.writer is not Writer.RUNTIME] or tell
        if not fixed or self._score(fixed, self.data, 0)[0]:
            return
        for group in (2, 4):
            if self._explains(fixed, partial(_turned, group=group)):
                self.data, self.swapped = _turned(self.data, group), group
                return
        if self._explains(fixed, _mirrored):
            self.data, self.mirrored = _mirrored(self.data), True
            return
        half = len(self.data) // 2
        if half * 2 == len(self.data) and self._explains(fixed, _as_it_is, half):
            self.data, self.exchanged = self.data[half:] + self.data[:half], True
            return
        self._rebase(fixed)

    def _rebase(self, fixed: Sequence[_Wanted]) -> None:
        starts = {item.at for item in self.wanted} | {item.region.at for item in self.wanted}
        for item in fixed:
            shift = self._shift(item)
            if shift is None:
                continue
            matching, there = self._score(fixed, self.data, -shift)
            if 2 * matching >= there and (matching > 1 or -shift in starts):
                self.base = -shift
                return

    @staticmethod
    def _score(wanted: Sequence[_Wanted], data: bytes, base: int) -> tuple[int, int]:
        """Count the payloads that start where they should, and those that lie in the image."""
        there = [item for item in wanted if base <= item.at < base + len(data)]
        matching = [item for item in there if data.startswith(item.sample, item.at - base)]
        return len(matching), len(there)

    def _explains(
        self, wanted: Sequence[_Wanted], undone: Callable[[bytes], bytes], away: int = 0
    ) -> bool:
        """Tell whether at least half of the payloads start so, `away` from their places."""
        size = len(self.data)
        there = [item for item in wanted if item.at < size]
        matching = 0
        for item in there:
            start = (item.at + away) % size
            # Groups of bytes count from the start of the chip.
            first = round_down(start, 4)
            piece = undone(self.data[first : first + _GRAIN + 8])
            sample = item.data[: min(_GRAIN, size - start)]
            matching += piece.startswith(sample, start - first)
        return matching > 0 and 2 * matching >= len(there)

    def _right(self, item: _Wanted) -> bool:
        start = item.at - self.base
        return start >= 0 and self.data.startswith(item.data, start)

    def compare(self, region: Region) -> Comparison:
        """Compare one region."""
        item = next(item for item in self.wanted if item.region.name == region.name)
        if self.dump and _skipped(region):
            return Comparison(region=region, why=_RUNTIME)
        size = len(item.data)
        start = item.at - self.base
        end = start + size
        if start < 0:
            return Comparison(region=region, why=f"the image starts at {place(self.base)}")
        if end > len(self.data):
            why = f"the image ends at {place(self.base + len(self.data))}"
            return Comparison(region=region, why=why, cut=self.base <= 0)
        if self.period is not None and end > self.period:
            return Comparison(region=region, why=_REPEATED)
        last = min(region.at + region.size, self.base + len(self.data))
        tail = _not_blank(self.data, [Span(item.at + size, max(last, item.at + size))], self.base)
        same = Comparison(
            region=region,
            size=size,
            tail=tuple(Span(span.start - region.at, span.end - region.at) for span in tail),
            environment=_saved(region, self.data[start:end]) if self.dump else None,
            dump=self.dump,
        )
        if self.data.startswith(item.data, start):
            return same
        return self._differing(same, item, self.data[start:end])

    def _differing(self, same: Comparison, item: _Wanted, found: bytes) -> Comparison:
        expected, size, base = item.data, len(found), item.region.file_at
        want = int.from_bytes(expected, "little")
        have = int.from_bytes(found, "little")
        mixed = (want ^ have).to_bytes(size, "little")
        unequal = mixed.translate(None, b"\0")
        holes = tuple(_holes(expected, found))
        in_holes = sum(hole.size - expected.count(b"\xff", hole.start, hole.end) for hole in holes)
        swapped = next((n for n in (2, 4) if _is_turned(expected, found, n)), None)
        return replace(
            same,
            differing=len(unequal),
            first=base + size - len(mixed.lstrip(b"\0")),
            shifted=self._shift(item),
            swapped=swapped,
            mirrored=_is_mirrored(expected, found),
            not_erased=_not_erased(want, have, mixed),
            stuck=_stuck(unequal),
            holes=tuple(Span(base + hole.start, base + hole.end) for hole in holes),
            only_holes=in_holes == len(unequal),
            holds=self._other(item),
        )

    def _shift(self, item: _Wanted) -> int | None:
        """Find the artifact nearby: the distance from its place, where it stands elsewhere."""
        start = item.at - self.base
        for lead in _LEADS:
            probe = item.data[lead : lead + _PROBE]
            if len(probe) < _PROBE or len(set(probe)) < _VARIED:
                continue
            if start >= 0 and self.data.startswith(probe, start + lead):
                return None
            distances = [
                at - lead - start
                for at in self._places(probe)
                if not self._owned(at, probe, item) and self._stands(item, lead, at)
            ]
            if distances:
                return min(distances, key=abs)
        return None

    def _places(self, probe: bytes) -> Iterator[int]:
        at = self.data.find(probe)
        for _ in range(_HITS):
            if at < 0:
                return
            yield at
            at = self.data.find(probe, at + 1)

    def _stands(self, item: _Wanted, lead: int, at: int) -> bool:
        return self.data.startswith(item.data[lead : lead + _STRETCH][: len(self.data) - at], at)

    def _owned(self, at: int, probe: bytes, item: _Wanted) -> bool:
        """Tell whether the bytes found belong there: one artifact may hold another."""
        at += self.base
        return any(
            other.region.name != item.region.name
            and other.at <= at < other.at + len(other.data)
            and other.data.startswith(probe, at - other.at)
            for other in self.wanted
        )

    def _other(self, item: _Wanted) -> str | None:
        for other in self.wanted:
            if other.region.name == item.region.name or not other.varied:
                continue
            if len(other.data) < _PROBE or other.data == item.data:
                continue
            if self.data.startswith(other.data[: item.region.room], item.at - self.base):
                return other.region.name
        return None


def _turned(data: bytes, group: int) -> bytes:
    """Reverse the bytes of every whole group."""
    whole = len(data) // group * group
    turned = bytearray(data)
    for lane in range(group):
        turned[lane:whole:group] = data[group - 1 - lane : whole : group]
    return bytes(turned)


def _mirrored(data: bytes) -> bytes:
    """Reverse the bits of every byte."""
    return data.translate(_MIRROR)


def _as_it_is(data: bytes) -> bytes:
    return data


def _is_turned(expected: bytes, found: bytes, group: int) -> bool:
    sample = expected[: len(expected) // group * group][:_GRAIN]
    turned = _turned(sample, group)
    return turned != sample and found.startswith(turned)


def _is_mirrored(expected: bytes, found: bytes) -> bool:
    sample = expected[:_GRAIN]
    turned = _mirrored(sample)
    return turned != sample and found.startswith(turned)


def _not_erased(want: int, have: int, mixed: bytes) -> bool:
    """Tell whether bits went from 1 to 0 only, as when flash is programmed on top of old data."""
    if want & have != have or (want ^ have).bit_count() < _BITS:
        return False
    # Where every differing byte reads 0x00, it was filled rather than programmed.
    places = int.from_bytes(mixed.translate(_NOT_ZERO), "little")
    return places & have != 0


def _stuck(unequal: bytes) -> int | None:
    """Give the one bit in which every unequal byte differs."""
    mask = unequal[0]
    alone = mask & (mask - 1) == 0 and len(unequal) >= _STUCK_BYTES
    return mask.bit_length() - 1 if alone and unequal.count(mask) == len(unequal) else None


def _holes(expected: bytes, found: bytes) -> Iterator[Span]:
    """Give the erased runs of at least 4 KiB where the artifact is not erased."""
    count = 0
    start: int | None = None
    end = 0
    for at in range(0, len(found), _GRAIN):
        piece = found[at : at + _GRAIN]
        if piece == _ERASED[: len(piece)]:
            if piece != expected[at : at + len(piece)]:
                start, end = at if start is None else start, at + len(piece)
            continue
        if start is not None and end - start >= _GRAIN:
            yield _edged(found, start, end)
            count += 1
            if count == _MOST_SPANS:
                why = f"only the first {_MOST_SPANS} erased stretches of a region are looked at"
                bounds.left_out("chip images", why)
                return
        start = None
    if start is not None and end - start >= _GRAIN:
        yield _edged(found, start, end)


def _edged(found: bytes, start: int, end: int) -> Span:
    """Widen whole steps of 4 KiB to where the erased bytes really start and end."""
    before = found[max(0, start - _GRAIN) : start]
    after = found[end : end + _GRAIN]
    return Span(
        start - (len(before) - len(before.rstrip(b"\xff"))),
        end + (len(after) - len(after.lstrip(b"\xff"))),
    )


_Take = Callable[[int, int], Mapping[int, bytes] | str]
"""Gives the digests of the blocks of `[at, at + size)`, numbered from 0, or why it cannot."""


def _stored(content: Content) -> _Take:
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


def _read(view: View, base: int = 0) -> _Take:
    """Take digests by reading; holes are skipped. `base` is the chip's offset of the first byte."""

    def take(at: int, size: int) -> Mapping[int, bytes] | str:
        if at < base:
            return f"the image starts at {place(base)} of the chip"
        if at + size - base > view.size:
            return f"the image ends at {place(base + view.size)}"
        return _block_digests(view, at - base, size)

    return take


def _block_digests(view: View, at: int, size: int) -> dict[int, bytes]:
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


def _by_bytes(region: Region, want: View, have: View) -> Comparison:
    """Compare what is no whole number of blocks from the chip's start."""
    size = min(want.size, region.room)
    if have.size < size:
        why = f"the image ends at {place(region.at + region.file_at + have.size)}"
        return Comparison(region=region, why=why, cut=True)
    differing, first = 0, None
    for at in range(0, size, _GRAIN):
        length = min(_GRAIN, size - at)
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


class _Digested:
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
        if self.dump is not None and _skipped(region):
            return Comparison(region=region, why=_RUNTIME)
        there = self.slices.get(region.name)
        if there is not None and there.content.view is not None and payload.view is not None:
            return _by_bytes(region, payload.view, there.content.view)
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
            else _saved(region, self.dump.upto(max(at - self.base, 0), min(size, CHUNK))),
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


def _against_digests(view: View, region: Region, sealed: Sealed, *, nor: bool) -> Comparison:
    digests = next(item for other, item in sealed if other.name == region.name)
    if _skipped(region):
        return Comparison(region=region, why=_RUNTIME)
    if digests.size > region.room:
        return Comparison(region=region, why="what the manifest seals does not fit the region")
    at = region.at + region.file_at
    if at + digests.size > view.size:
        return Comparison(region=region, why=f"the image ends at {place(view.size)}", cut=True)
    pair = _digest_pair(view, at, digests)
    if pair is None:
        return Comparison(region=region, why="the manifest has no digest of what lands here")
    end = min(region.at + region.size, view.size)
    behind = Span(at + digests.size, max(end, at + digests.size))
    tail = _not_blank(view.bytes(behind.start, behind.size), [behind], behind.start) if nor else []
    same = Comparison(
        region=region,
        size=digests.size,
        exact=False,
        dump=True,
        tail=tuple(Span(span.start - region.at, span.end - region.at) for span in tail),
        environment=_saved(region, view.bytes(at, min(digests.size, CHUNK))),
    )
    if pair[0] == pair[1]:
        return same
    blank = _blank(view, Span.sized(at, digests.size), b"\xff" if nor else b"\xff\0")
    others = (
        other.name
        for other, item in sealed
        if other.name != region.name
        and item.size <= region.room
        and at + item.size <= view.size
        and (found := _digest_pair(view, at, item)) is not None
        and found[0] == found[1]
    )
    return replace(
        same,
        differing=digests.size,
        digests=pair,
        holes=(Span.sized(region.file_at, digests.size),) if blank else (),
        only_holes=blank,
        holds=None if blank else next(others, None),
    )


def _digest_pair(view: View, at: int, digests: Digests) -> tuple[str, str] | None:
    """Give a sealed digest and the same of what is there, by the cheaper of the two that can be."""
    if digests.data_sha256 is not None:
        found = _data_sha256(_block_digests(view, at, digests.size), digests.size)
        return digests.data_sha256, found
    if digests.sha256 is None:
        return None
    digest = hashlib.sha256()
    for piece in view.chunks(at, at + digests.size):
        digest.update(piece)
    return digests.sha256, digest.hexdigest()


def _blank(view: View, span: Span, erased: bytes) -> bool:
    """Tell whether all bytes are the same, and one of those that an erase leaves."""
    first = view.upto(span.start, 1)
    if not span.size or first not in erased:
        return False
    return all(piece.count(first) == len(piece) for piece in view.chunks(span.start, span.end))
