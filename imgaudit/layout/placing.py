"""Where regions lie that are written as `after: NAME` or `size: rest`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from imgaudit.chips import SECTOR
from imgaudit.errors import close
from imgaudit.layout.keys import Reading, Values
from imgaudit.model import Chip
from imgaudit.units import Span, place, round_down

REST = "rest"
_BACKUP_TABLE = 33 * SECTOR  # header and 128 entries of 128 bytes (UEFI 5.3)


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
        here = [other for other, _ in self.written if other.get("chip") == area]
        later = (self.starts[id(other)] for other in here if other is not region)
        following = min((at for at in later if at is not None and at >= start), default=None)
        chip = self.chips[area.partition("/")[0]]
        if (
            following is None
            and end is not None
            and "partition" in region.places
            and (chip.table == "gpt")
        ):
            following = round_down(end - _BACKUP_TABLE, chip.align)
        stop = end if following is None else following
        if stop is None or stop <= start:
            self.reading.problem(where, f"nothing is left from {place(start)} on")
            return None
        return stop - start
