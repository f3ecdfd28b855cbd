"""Moves of regions that mend a fault of the map, each tried on the layout before it is told.

A candidate is applied to the layout and the rules of the map are run again: it is told only where
its finding is gone and no other has come. Moves of one region are tried first, then of two, then a
row of regions that push each other along.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

from imgaudit.data import dataclass
from imgaudit.layout.placing import partitions_end, placed_again
from imgaudit.model import FIRST_STAGES, Area, Chip, KeepFree, Layout, Region, Writer
from imgaudit.rules import of_maps, on_paper
from imgaudit.rules.engine import Engine, Finding
from imgaudit.rules.subject import Subject
from imgaudit.units import Span, both, joined, place, round_down, round_up

if TYPE_CHECKING:
    from imgaudit.contents.build import Placement

# Regions that are looked at over all trials of an audit: about a second. A board has a dozen, and
# a trial takes each; a layout with more of them than this is tried no further.
_MOST = 20_000
_REGIONS = 100
_SINGLES = 40  # candidates of one region that are tried, the nearest first
_PAIRS = 60
_ROW = 6  # regions that may push each other along; nobody redraws a map for one finding
_TOLD = 2
# Where the boot ROM or a first stage looks for these is not the layout's to say.
_STAYS = FIRST_STAGES | {"fip", "gpt", "mbr"}
# Values of a finding that say a boundary to keep to, and one that says how much is missing.
_BOUNDARIES = ("group", "align", "erase")
_EDGES = ("next", "end", "limit", "table", "other_start", "there")
_SHORT = "short"

_Key = tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Moved:
    """A region's new place on its chip, in bytes."""

    region: Region
    to: Span

    def __str__(self) -> str:
        name = self.region.name
        if self.region.holder is not None:
            return f"{'grow' if self.to.size > self.region.size else 'shrink'} {name}"
        if self.to.start == self.region.at:
            return f"end {name} at {place(self.to.end)}"
        if self.to.end == self.region.span.end:
            return f"start {name} at {place(self.to.start)}"
        return f"move {name} to {place(self.to.start)}"

    def told(self, layout: Layout) -> str:
        """Say the move and what to write for it in the file; `layout` is the one that it makes."""
        region, told = self.region, {}
        before = region.at if region.after is None else layout.region(region.after).span.end
        if self.to.start != before:
            was = place(before) if region.after is None else f"after: {region.after}"
            key = "at" if region.after is None else "after"
            told[key] = region.at_key(key), f"at: {place(self.to.start)}, was {was}"
        if self.to.size != region.size or (region.rest and self.to.start != region.at):
            was = both(region.size) if not region.rest else "rest"
            told["size"] = region.at_key("size"), f"size: {both(self.to.size)}, was {was}"
        lines: dict[str, list[str]] = {}
        for where, text in told.values():
            lines.setdefault(f"{where.file}:{where.line}", []).append(text)
        said = (f"{line}: {' and '.join(texts)}" for line, texts in lines.items())
        return f"{self} ({'; '.join(said)})"


def advised(subject: Subject, findings: Iterable[Finding]) -> list[Finding]:
    """Add to each finding that a move can mend the moves that were tried and do so."""
    findings = list(findings)
    layout = subject.layout
    if layout is None or len(layout.regions) > _REGIONS:
        return findings
    trials = _Trials(subject, layout)
    return [
        trials.advise(item) if item.rule.moves and item.region and item.counts else item
        for item in findings
    ]


class _Trials:
    """Layouts that differ from the one that is audited, and what the rules of the map say there."""

    def __init__(self, subject: Subject, layout: Layout) -> None:
        self._subject = subject
        self._layout = layout
        self._needs = {item.region.name: _needed(item) for item in subject.placements}
        self._left = _MOST
        self._before: dict[bool, Mapping[_Key, int]] = {}

    def advise(self, finding: Finding) -> Finding:
        if self._left <= 0:
            return finding
        region = self._layout.region(finding.region or "")
        involved = [region]
        for name in (finding.values.get(key) for key in ("other", "copy")):
            involved += [
                other
                for other in self._layout.regions
                if other.name == name and other.area == region.area and other is not region
            ]
        if region.holder is not None:
            involved.append(self._layout.region(region.holder))
        of_copies = finding.rule.name not in on_paper()
        for some in self._candidates(finding, involved):
            left = [(self._left_over(finding, moves, of_copies), moves) for moves in some]
            helps = [(count, moves) for count, moves in left if count is not None]
            if helps:
                least = min(count for count, _ in helps)
                best = [moves for count, moves in helps if count == least]
                told = [moves for moves in best if _near_as(moves, best[0])][:_TOLD]
                said = "; or ".join(map(self._told, told))
                advice = f"Tried on this layout: {said}; every copy of the map must follow."
                if of_copies:
                    advice = f"Or correct the layout, which was tried: {said}."
                return replace(finding, advice=advice, moves=_to(told[0]))
            if of_copies:
                return finding
        if self._left <= 0:
            return finding
        return replace(finding, advice="No move of regions that was tried mends it.")

    def _left_over(self, finding: Finding, moves: tuple[Moved, ...], of_copies: bool) -> int | None:
        """Count what is still found after moves; None where they mend nothing or break more."""
        if self._left <= 0:
            return None
        if of_copies not in self._before:
            self._before[of_copies] = self._said((), of_copies) or {}
        before, after = self._before[of_copies], self._said(moves, of_copies)
        if after is None:
            return None
        worse = any(rank < before.get(key, rank + 1) for key, rank in after.items())
        return None if worse or _key(finding) in after else len(after)

    def _told(self, moves: tuple[Moved, ...]) -> str:
        layout = placed_again(self._layout, _to(moves)) or self._layout
        return " and ".join(move.told(layout) for move in moves)

    def _said(self, moves: tuple[Moved, ...], of_copies: bool) -> Mapping[_Key, int] | None:
        """Give what the rules find, with the rank of the worst of a kind; None: no such layout.

        A region that moves differs from every copy of the map until these follow, so the copies
        count only where they are what is to be mended.
        """
        layout = placed_again(self._layout, _to(moves))
        if layout is None:
            return None
        regions = {region.name: region for region in layout.regions}
        placements = tuple(
            replace(item, region=regions[item.region.name]) for item in self._subject.placements
        )
        self._left -= len(regions)
        found: dict[_Key, int] = {}
        parts = max((len(chip.parts) for chip in layout.chips.values()), default=0)
        for fitted in [layout.with_part(number) for number in range(parts)] or [layout]:
            engine = Engine(replace(self._subject, layout=fitted, placements=placements))
            for check in (*on_paper().values(), *(of_maps().values() if of_copies else ())):
                for item in engine.apply(check):
                    if isinstance(item, Finding):
                        rank = found.get(_key(item), item.severity.rank)
                        found[_key(item)] = min(rank, item.severity.rank)
        return found

    def _candidates(
        self, finding: Finding, involved: list[Region]
    ) -> Iterator[list[tuple[Moved, ...]]]:
        """Give what may help: moves of one region, of two, of a row; of each the shortest first."""
        rooms = {
            region.area: _Room(self._layout, self._layout.area(region.area), finding, self._needs)
            for region in involved
        }
        free: list[tuple[Moved, ...]] = []
        taken: list[tuple[Moved, ...]] = []
        for region in involved:
            room = rooms[region.area]
            for span in room.spans(region):
                # What follows another of itself makes way.
                some = free if room.flows or not room.hit(region, span) else taken
                some.append((Moved(region, span),))
        yield sorted(free, key=_cost)[:_SINGLES]
        taken = sorted(taken, key=_cost)[:_PAIRS]
        pairs: list[tuple[Moved, ...]] = []
        for (move,) in taken:
            room = rooms[move.region.area]
            hit = room.hit(move.region, move.to)
            if len(hit) == 1:
                area = self._layout.area(move.region.area)
                others = _Room(self._layout, area, finding, self._needs, move)
                pairs += [
                    (move, Moved(hit[0], span))
                    for span in others.spans(hit[0])
                    if not others.hit(hit[0], span)
                ]
        yield sorted(pairs, key=_cost)[:_PAIRS]
        rows = (
            rooms[move.region.area].row(move, up=up) for (move,) in taken for up in (True, False)
        )
        found = [row for row in rows if row]
        yield sorted(found, key=lambda row: (len(row), _cost(row)))[:_PAIRS]


class _Room:
    """One area of a chip, and where a region could lie in it; `moved` has moved already.

    `flows` tells that the place of some follows from another's.
    """

    def __init__(
        self,
        layout: Layout,
        area: Area,
        finding: Finding,
        needs: Mapping[str, int],
        moved: Moved | None = None,
    ) -> None:
        self._chip: Chip = area.chip
        self._regions = layout.regions_on(area.name)
        self._spans = {region.name: region.span for region in self._regions}
        if moved is not None:
            self._spans[moved.region.name] = moved.to
        self.flows = any(
            region.after is not None or region.rest or region.holder is not None
            for region in self._regions
        )
        highest = max(span.end for span in self._spans.values())
        self._size = area.size if area.size is not None else highest
        self._needs = needs
        self._policy = layout.policy
        self._units = tuple(
            value
            for key in _BOUNDARIES
            if isinstance(value := finding.values.get(key), int) and value > 0
        )
        self._edges = [value for key in _EDGES if isinstance(value := finding.values.get(key), int)]
        if finding.offset is not None:
            self._edges += [finding.offset, finding.offset + (finding.length or 0)]
        short = finding.values.get(_SHORT)
        self._short = short if isinstance(short, int) else 0
        there = finding.values.get("there")
        self._there = there if isinstance(there, int) else 0

    def hit(self, region: Region, span: Span) -> list[Region]:
        """Give the other regions whose bytes a region would take there."""
        return [
            other
            for other in self._regions
            if other.name != region.name and self._spans[other.name].overlaps(span)
        ]

    def spans(self, region: Region) -> Iterator[Span]:
        """Give the places that a region could have, each once."""
        seen = {region.span}
        least = max(1, self._needs.get(region.name, 0))
        for span in self._all(region):
            stays = span.start == region.at or not self._pinned(region)
            fits = span.size >= least and span.start >= 0 and self._inside(span)
            if span not in seen and stays and fits:
                seen.add(span)
                yield span

    def row(self, move: Moved, *, up: bool) -> tuple[Moved, ...]:
        """Let regions push each other along until nobody overlaps; nothing where one falls off."""
        row, at = [move], move.to
        ordered = self._regions if up else self._regions[::-1]
        for other in ordered:
            span = self._spans[other.name]
            if other.name == move.region.name or not span.overlaps(at):
                continue
            start = self._up(at.end) if up else self._down(at.start - span.size)
            if start < 0 or len(row) == _ROW or self._pinned(other):
                return ()
            at = Span.sized(start, span.size)
            if not self._inside(at):
                return ()
            row.append(Moved(other, at))
        return tuple(row) if len(row) > 1 else ()

    def _pinned(self, region: Region) -> bool:
        """Tell whether a start is given: by the boot ROM, as raw flash's head mostly is."""
        if region.holds in _STAYS or region.holder is not None:
            return True
        first = [other for other in self._regions if other.at == 0]
        return self._chip.kind.mtd and first == [region]

    def _inside(self, span: Span) -> bool:
        return span.end <= self._size

    def _all(self, region: Region) -> Iterator[Span]:
        span, size = region.span, region.size
        edges = self._near(region)
        for edge in edges:
            if edge < span.end:
                yield Span(edge, span.end)
            if edge > span.start:
                yield Span(span.start, edge)
            yield Span.sized(edge, size)
            if edge >= size:
                yield Span(edge - size, edge)
        for start in edges:
            yield from (Span(start, end) for end in edges if start < end)
        grown = max(size, self._wanted(region))
        for gap in self._gaps(region):
            start = self._up(gap.start)
            end = self._up(start + grown)
            yield Span(start, end)
            low = self._down(max(0, gap.end - grown))
            yield Span(low, max(low, self._down(gap.end)))

    def _near(self, region: Region) -> list[int]:
        """Give the boundaries beside a region, its own and its neighbours' ends among them."""
        span = region.span
        before = [
            s.end for name, s in self._spans.items() if name != region.name and s.end <= span.start
        ]
        behind = [
            s.start
            for name, s in self._spans.items()
            if name != region.name and s.start >= span.end
        ]
        wanted = self._wanted(region)
        edges = [span.start, span.end, *self._edges, span.start + wanted, span.end - wanted]
        edges += [span.end + self._short, span.start + self._there, self._size]
        edges += [max(before, default=0), min(behind, default=self._size)]
        if region.partition is not None:
            edges.append(partitions_end(self._chip, self._size))
        near = {self._up(edge) for edge in edges if edge >= 0} | {
            self._down(edge) for edge in edges if edge >= 0
        }
        for unit in self._units:
            near |= {round_up(edge, unit) for edge in edges if edge >= 0}
            near |= {round_down(edge, unit) for edge in edges if edge >= 0}
        return sorted(near)

    def _wanted(self, region: Region) -> int:
        """Give the bytes that a region should have for what goes into it, with room to grow."""
        needed = self._needs.get(region.name, 0)
        keep = self._policy.room(region)
        if not needed or keep is None:
            return needed or region.size
        return needed + _kept(keep, max(0, needed - region.file_at))

    def _gaps(self, region: Region) -> Iterator[Span]:
        taken = joined(span for name, span in self._spans.items() if name != region.name)
        at = 0
        for span in [*taken, Span.sized(max(self._size, at), 0)]:
            if span.start > at:
                yield Span(at, min(span.start, self._size)) if self._size > at else Span(at, at)
            at = max(at, span.end)

    def _up(self, offset: int) -> int:
        return (
            self._chip.erase_end(offset) if self._chip.kind.mtd else round_up(offset, self._align)
        )

    def _down(self, offset: int) -> int:
        if self._chip.kind.mtd:
            return self._chip.erase_start(max(0, offset)) if offset >= 0 else -1
        return round_down(offset, self._align)

    @property
    def _align(self) -> int:
        return self._chip.align


def _kept(keep: KeepFree, payload: int) -> int:
    """Give the bytes to leave free beside a payload, so that its share of the whole holds."""
    if keep.size is not None:
        return keep.size
    percent = min(keep.percent or 0, 99)
    return int(payload * percent / (100 - percent)) + 1


def _needed(item: Placement) -> int:
    """Give the bytes that a region must have for what is known to go into it."""
    region = item.region
    return max(
        region.file_at + (item.size or 0) if item.size else 0,
        region.file_at + region.expect if region.expect else 0,
        region.env.size if region.env else 0,
    )


def _cost(moves: tuple[Moved, ...]) -> tuple[int, int, int]:
    """Order moves: what the factory wrote stays, little moves, and much is left."""
    factory = sum(move.region.writer is Writer.FACTORY for move in moves)
    way = sum(
        abs(move.to.start - move.region.at) + abs(move.to.end - move.region.span.end)
        for move in moves
    )
    return factory, way, -sum(move.to.size for move in moves)


def _to(moves: tuple[Moved, ...]) -> dict[str, Span]:
    return {move.region.name: move.to for move in moves}


def _near_as(moves: tuple[Moved, ...], best: tuple[Moved, ...]) -> bool:
    """Tell whether moves are worth telling beside the best: a far longer way is no choice."""
    (factory, way, _), (least_factory, least, _) = _cost(moves), _cost(best)
    return factory <= least_factory and way <= 2 * least


def _key(finding: Finding) -> _Key:
    return (*finding.identity, str(finding.values.get("other", "")))
