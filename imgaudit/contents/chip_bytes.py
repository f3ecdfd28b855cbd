"""A NOR or NAND held byte by byte against what should be there.

What is wrong with all of an image, such as swapped bytes or an offset, is told once and undone
before its regions are compared, so that a second fault behind it shows.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from functools import partial
from typing import NamedTuple

from imgaudit import bounds
from imgaudit.contents.comparison import RUNTIME, ChipImage, Comparison, Placed, skipped
from imgaudit.errors import ImgauditError
from imgaudit.formats import uboot_env
from imgaudit.formats.uboot_env import UbootEnv
from imgaudit.formats.view import View
from imgaudit.model import Region, Writer
from imgaudit.units import KIB, Span, joined, place, round_down

_HITS = 64  # places of one probe that are tried
GRAIN = 4 * KIB
_PROBE = 64
_STRETCH = 64 * KIB  # as much must stand where a probe was found
_LEADS = (0, _PROBE)  # where probes start: the first byte may be cut off
_VARIED = 8  # different bytes in a probe; fewer are padding or a table
_MOST_SPANS = 64
# By chance, this many bits all differ in the same direction once in 2^32 (own arithmetic).
_BITS = 32
_STUCK_BYTES = 8
_SMALLEST_PERIOD = 64 * KIB
_ERASED = b"\xff" * GRAIN
_MIRROR = bytes(int(f"{value:08b}"[::-1], 2) for value in range(256))
_NOT_ZERO = b"\0" + b"\xff" * 255
REPEATED = "it lies where the image repeats itself"


def gaps_of(image: Span, regions: Iterable[Region]) -> Iterator[Span]:
    """Give what of an image is in no region."""
    at = image.start
    for region in regions:
        if at < region.at < image.end:
            yield Span(at, region.at)
        at = max(at, region.at + region.size)
    if at < image.end:
        yield Span(at, image.end)


def not_blank(data: bytes, spans: Iterable[Span], base: int = 0) -> list[Span]:
    """Give the parts of the spans, in steps of 4 KiB, that are not all 0xFF, joined."""
    pieces = (
        Span(at, min(at + GRAIN, span.end))
        for span in spans
        for at in range(span.start, span.end, GRAIN)
    )
    written = (
        piece
        for piece in pieces
        if not _ERASED.startswith(data[piece.start - base : piece.end - base])
    )
    return bounds.within(joined(written), _MOST_SPANS, "chip images", "stretches of bytes")


def period_of(data: bytes) -> int | None:
    """Give the length after which all repeats: the size halved as often as the halves agree."""
    size = len(data)
    while size % 2 == 0 and size // 2 >= _SMALLEST_PERIOD:
        half = size // 2
        # Most differ at once, and slices of half a chip are large.
        if not data.startswith(data[:GRAIN], half) or data[:half] != data[half:size]:
            break
        size = half
    if size == len(data):
        return None
    return None if data.count(data[:1], 0, size) == size else size


def saved(region: Region, data: bytes) -> UbootEnv | None:
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
        return self.data[:GRAIN]

    @property
    def varied(self) -> bool:
        return len(set(self.data[:GRAIN])) >= _VARIED


def compare_bytes(
    image: ChipImage, data: bytes, regions: Iterable[Region], placed: Placed
) -> ChipImage:
    """Compare a flash's bytes with the payloads of its regions."""
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
    gaps = not_blank(found.data, gaps_of(Span(max(base, 0), end), regions), base)
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
        self._named = {item.region.name: item for item in reversed(wanted)}
        # Those that are known where they stand elsewhere, and by what they begin with.
        self._telling = [item for item in wanted if item.varied and len(item.data) >= _PROBE]
        self._begins: dict[bytes, list[_Wanted]] = {}
        for item in self._telling:
            self._begins.setdefault(item.data[:_PROBE], []).append(item)
        self.dump = dump
        self.base = 0
        self.swapped: int | None = None
        self.mirrored = False
        self.exchanged = False
        self.period: int | None = None

    def undo(self) -> None:
        """Find what is wrong with the whole, and undo it."""
        period = period_of(self.data)
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
            piece = undone(self.data[first : first + GRAIN + 8])
            sample = item.data[: min(GRAIN, size - start)]
            matching += piece.startswith(sample, start - first)
        return matching > 0 and 2 * matching >= len(there)

    def _right(self, item: _Wanted) -> bool:
        start = item.at - self.base
        return start >= 0 and self.data.startswith(item.data, start)

    def compare(self, region: Region) -> Comparison:
        """Compare one region."""
        item = self._named[region.name]
        if self.dump and skipped(region):
            return Comparison(region=region, why=RUNTIME)
        size = len(item.data)
        start = item.at - self.base
        end = start + size
        if start < 0:
            return Comparison(region=region, why=f"the image starts at {place(self.base)}")
        if end > len(self.data):
            why = f"the image ends at {place(self.base + len(self.data))}"
            return Comparison(region=region, why=why, cut=self.base <= 0)
        if self.period is not None and end > self.period:
            return Comparison(region=region, why=REPEATED)
        last = min(region.at + region.size, self.base + len(self.data))
        tail = not_blank(self.data, [Span(item.at + size, max(last, item.at + size))], self.base)
        same = Comparison(
            region=region,
            size=size,
            tail=tuple(Span(span.start - region.at, span.end - region.at) for span in tail),
            environment=saved(region, self.data[start:end]) if self.dump else None,
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
        start, room = item.at - self.base, item.region.room
        begin = self.data[start : start + _PROBE]
        for other in self._begins.get(begin, ()) if room >= _PROBE else self._telling:
            if other.region.name == item.region.name or other.data == item.data:
                continue
            if self.data.startswith(other.data[:room], start):
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
    sample = expected[: len(expected) // group * group][:GRAIN]
    turned = _turned(sample, group)
    return turned != sample and found.startswith(turned)


def _is_mirrored(expected: bytes, found: bytes) -> bool:
    sample = expected[:GRAIN]
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
    for at in range(0, len(found), GRAIN):
        piece = found[at : at + GRAIN]
        if piece == _ERASED[: len(piece)]:
            if piece != expected[at : at + len(piece)]:
                start, end = at if start is None else start, at + len(piece)
            continue
        if start is not None and end - start >= GRAIN:
            yield _edged(found, start, end)
            count += 1
            if count == _MOST_SPANS:
                why = f"only the first {_MOST_SPANS} erased stretches of a region are looked at"
                bounds.left_out("chip images", why)
                return
        start = None
    if start is not None and end - start >= GRAIN:
        yield _edged(found, start, end)


def _edged(found: bytes, start: int, end: int) -> Span:
    """Widen whole steps of 4 KiB to where the erased bytes really start and end."""
    before = found[max(0, start - GRAIN) : start]
    after = found[end : end + GRAIN]
    return Span(
        start - (len(before) - len(before.rstrip(b"\xff"))),
        end + (len(after) - len(after.lstrip(b"\xff"))),
    )
