"""Where regions lie that are written as `after: NAME` or `size: rest`."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from imgaudit.errors import close
from imgaudit.layout.keys import Reading, Values
from imgaudit.model import BACKUP_TABLE, Chip, Layout, Region, volumes_in
from imgaudit.units import Span, place, round_down

REST = "rest"


class Placing:
    """Works out the span of every region from those that are written as numbers."""

    def __init__(
        self,
        written: Sequence[tuple[Values, int | None]],
        chips: Mapping[str, Chip],
        reading: Reading,
    ) -> None:
        self.written = written
        self.chips = chips
        self.reading = reading
        self.named = {region.get("name"): region for region, _ in reversed(written)}
        self.starts: dict[int, int | None] = {}
        self.under_way: set[int] = set()

    def spans(self) -> dict[int, Span]:
        """Give the span of each region, by the identity of its values; the wrong ones are out."""
        found = {}
        # In the order of the file, so that a chain of `after` is no deeper than one step.
        for region, _ in self.written:
            self.start(region)
        for region, end in self.written:
            start, size = self.starts[id(region)], region.get("size")
            if size == REST and start is not None:
                size = self.rest(region, start, end)
            if start is not None and size:
                found[id(region)] = Span.sized(start, size)
        return found

    def start(self, region: Values) -> int | None:
        """Give where a region starts: None where that is wrong, which is then a problem."""
        chain: list[Values] = []
        while id(region) not in self.starts:
            if "after" not in region.places:
                self.starts[id(region)] = region.get("at")
                break
            chain.append(region)
            self.under_way.add(id(region))
            before = self.before(region)
            if before is None:
                self.starts[id(region)] = None
                break
            region = before
        for item in reversed(chain):
            before = self.named.get(item.get("after"))
            at = None if before is None else self.starts.get(id(before))
            size = None if before is None else before.get("size")
            end = at + size if at is not None and isinstance(size, int) else None
            self.starts.setdefault(id(item), end)
        self.under_way.clear()
        return self.starts[id(chain[0] if chain else region)]

    def before(self, region: Values) -> Values | None:
        """Give the region that another follows, or note why there is none."""
        name, where = region.get("after"), region.places["after"]
        before = self.named.get(name)
        if before is None:
            if name is not None:
                why = f"no region is called {name!r}{close(name, self.named)}"
                self.reading.problem(where, why)
        elif id(before) in self.under_way:
            self.reading.problem(where, f"{name} follows this region in turn")
        elif before.get("chip") != region.get("chip"):
            self.reading.problem(where, f"{name} is on {before.get('chip')}")
        elif before.get("size") == REST:
            self.reading.problem(where, f"{name} takes the rest: nothing can follow it")
        else:
            return before
        return None

    def rest(self, region: Values, start: int, end: int | None) -> int | None:
        """Give what is left for a region from its start on."""
        area, where = region.get("chip"), region.places["size"]
        others = (other for other, _ in self.written if other is not region)
        starts = (self.starts[id(other)] for other in others if other.get("chip") == area)
        chip = self.chips[area.partition("/")[0]]
        table = chip if "partition" in region.places else None
        stop = _stop(start, (at for at in starts if at is not None), end, table)
        if stop is None or stop <= start:
            self.reading.problem(where, f"nothing is left from {place(start)} on")
            return None
        return stop - start


def _stop(start: int, others: Iterable[int], end: int | None, table: Chip | None) -> int | None:
    """Give where the rest ends: at the next of the others, else before what the chip ends with.

    `table` is the chip whose table has the region as a partition, if one has.
    """
    following = min((at for at in others if at >= start), default=None)
    if following is None and end is not None and table is not None:
        return partitions_end(table, end)
    return end if following is None else following


def partitions_end(chip: Chip, end: int) -> int:
    """Give where the last partition of a chip may end: before the backup of a GPT."""
    return round_down(end - BACKUP_TABLE, chip.align) if chip.table == "gpt" else end


def placed_again(layout: Layout, to: Mapping[str, Span]) -> Layout | None:
    """Give the layout with other numbers for `at` and `size` of the regions in `to`.

    What is `after` one of them, or takes the rest, follows. None where the file could not be read
    then.
    """
    named = {region.name: region for region in layout.regions}
    starts: dict[str, int] = {}

    def start(region: Region) -> int:
        chain = [region]
        while chain[-1].name not in starts:
            last = chain[-1]
            if last.name in to or last.after is None:
                starts[last.name] = to[last.name].start if last.name in to else last.at
            else:
                chain.append(named[last.after])
        for item, before in zip(chain[-2::-1], chain[:0:-1], strict=True):
            size = to[before.name].size if before.name in to else before.size
            starts[item.name] = starts[before.name] + size
        return starts[region.name]

    made: dict[str, Region] = {}
    plain = [region for region in layout.regions if region.holder is None]
    for region in plain:
        start(region)
    ends = {area.name: area.size for area in layout.areas}
    for region in plain:
        at, size = starts[region.name], region.size
        if region.name in to:
            size = to[region.name].size
        elif region.rest:
            beside = (it for it in plain if it.area == region.area and it is not region)
            others = (starts[it.name] for it in beside)
            chip = layout.chips[region.chip] if region.partition is not None else None
            size = (_stop(at, others, ends[region.area], chip) or at) - at
        if size <= region.file_at:
            return None
        made[region.name] = replace(region, at=at, size=size)
    filled: dict[str, int] = {}
    for region in layout.regions:
        if region.holder is None:
            continue
        at, size = filled.get(region.holder, 0), region.size
        if region.name in to:
            size = to[region.name].size
        elif region.rest:
            holder = made[region.holder]
            size = (volumes_in(holder, layout.chips[holder.chip]).size or 0) - at
        if size <= 0:
            return None
        made[region.name] = replace(region, at=at, size=size)
        filled[region.holder] = at + size
    return replace(layout, regions=tuple(made[region.name] for region in layout.regions))
