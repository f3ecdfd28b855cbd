"""Advice on places and sizes, followed by its words in the layout's text, on every kind of chip."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from imgaudit.errors import LayoutError
from imgaudit.layout.load import parse
from imgaudit.rules import on_paper
from imgaudit.rules.engine import Finding
from imgaudit.rules.subject import gather
from imgaudit.tasks import audit
from imgaudit.units import KIB, MIB
from tests._advice import moved, size, ways
from tests._audits import keys

LAYOUTS = sorted((Path(__file__).parents[2] / "layouts").glob("*.yaml"))
_WRITTEN = re.compile(r"^    (at|size|after|expect): ([^#\n]*?)(?=\s*(?:#|$))", re.MULTILINE)
SHIFTS = (4 * KIB, 128 * KIB, 4 * MIB, -512, -2 * MIB)


def said(text: str) -> list[Finding]:
    """Audit a layout on paper."""
    subject = gather(parse(text.encode(), "board.yaml"), None)
    return list(audit.run(subject, only=on_paper().values()).findings)


def follow(text: str) -> list[tuple[Finding, int]]:
    """Follow every way that is told; give the findings that a move can mend with their ways."""
    try:
        before = said(text)
    except LayoutError:  # such as nothing that is left for the rest
        return []
    ranks, found = keys(before), []
    for finding in before:
        told = ways(finding.fix)
        for way in told:
            after = keys(said(moved(text, way)))
            (gone,) = keys([finding])
            assert gone not in after, (finding.message, way)
            worse = {key for key, rank in after.items() if rank < ranks.get(key, rank + 1)}
            assert not worse, (finding.message, way, worse)
        if finding.rule.moves:
            assert bool(told) == bool(finding.moves)
            found.append((finding, len(told)))
    return found


def faults(text: str) -> Iterator[str]:
    """Plant one fault of geometry after the other into a layout; some are none."""
    for hit in _WRITTEN.finditer(text):
        key, value = hit[1], hit[2]
        head, tail = text[: hit.start(1)], text[hit.end(2) :]
        if key == "after":
            yield f"{head}at: 0x30000{tail}"
        elif value == "rest":
            yield from (f"{head}size: {it}{tail}" for it in (1000, 64 * KIB, 1 << 40))
        else:
            changed = (size(value) + shift for shift in SHIFTS)
            yield from (f"{head}{key}: {it}{tail}" for it in changed if it >= (key != "at"))


@pytest.mark.parametrize("path", LAYOUTS, ids=lambda path: path.stem)
def test_each_example_with_each_fault(path: Path) -> None:
    told = [pair for text in faults(path.read_text()) for pair in follow(text)]
    without = [finding for finding, count in told if not count]
    assert len(told) > 20
    # Where the boot ROM looks for its program is not the layout's to say.
    assert {finding.region for finding in without} <= {
        "first-stage",
        "firmware",
        "firmware-fallback",
    }


class Made:
    """A layout that is drawn, with the chips and regions that it has so far."""

    def __init__(self, draw: st.DrawFn) -> None:
        self.draw = draw
        self.chips: list[str] = []
        self.regions: list[str] = []
        self.names: list[str] = []

    def region(self, area: str, size: str, *more: str, at: int | None = None) -> str:
        name = f"r{len(self.names)}"
        self.names.append(name)
        place = () if at is None else (f"at: {at:#x}",)
        lines = (f"chip: {area}", *place, f"size: {size}", *more)
        given = "".join(f"\n    {line}" for line in lines)
        holds = "" if "holds:" in given else "\n    holds: raw"
        writer = "" if "writer:" in given else "\n    writer: release"
        self.regions.append(f"  - name: {name}{given}{holds}{writer}\n")
        return name

    def filled(self, area: str, block: int, most: int, first: int = 0, *more: str) -> int:
        """Put regions of whole blocks one behind the other; give where they end, in blocks."""
        at, before = first, ""
        for _ in range(self.draw(st.integers(1, 4))):
            gap = self.draw(st.integers(0, 2))
            size = self.draw(st.integers(1, max(1, most // 6)))
            if at + gap + size > most:
                break
            expect = (f"expect: {size * block - 5}",) * self.draw(st.booleans())
            if before and not gap and not more:
                before = self.region(area, str(size * block), f"after: {before}", *expect)
            else:
                start = (at + gap) * block
                number = tuple(line.format(len(self.names) + 1) for line in more)
                before = self.region(area, str(size * block), *number, *expect, at=start)
            at += gap + size
        return at

    @property
    def text(self) -> str:
        head = "layout: 1\nboard: drawn\narch: arm64\nchips:\n"
        return head + "".join(self.chips) + "regions:\n" + "".join(self.regions)


def flash(made: Made, name: str) -> None:
    """A raw flash with equal blocks, or some small ones first."""
    kind = made.draw(st.sampled_from(["spi-nor", "parallel-nor", "spi-nand", "nand"]))
    block = made.draw(st.sampled_from([4 * KIB, 64 * KIB, 128 * KIB]))
    if "nand" in kind:
        more = f"erase-block: {block}, page: 2 KiB, bad-blocks: 2 %"
    elif made.draw(st.booleans()) and block > 4 * KIB:
        count = block // (4 * KIB)
        more = f"erase-map: [{{count: {count}, size: 4 KiB}}, {{count: 63, size: {block}}}]"
    else:
        more = f"erase-block: {block}"
    made.chips.append(f"  {name}: {{kind: {kind}, size: {64 * block}, {more}}}\n")
    end = made.filled(name, block, 60)
    if made.draw(st.booleans()):
        made.region(name, "rest", at=end * block)


def ubi(made: Made, name: str) -> None:
    """A NAND with a UBI, and volumes in it."""
    made.chips.append(
        f"  {name}: {{kind: nand, size: 16 MiB, erase-block: 128 KiB, page: 2 KiB, bad-blocks:"
        " 2 %}\n"
    )
    made.filled(name, 128 * KIB, 24)
    size = made.draw(st.sampled_from(["rest", "8 MiB"]))
    holder = made.region(name, size, "holds: ubi", at=4 * MIB)
    for _ in range(made.draw(st.integers(1, 3))):
        made.region(f"{name}/{holder}", f"{made.draw(st.integers(1, 2))} MiB")


def disk(made: Made, name: str) -> None:
    """A card or an eMMC with a table, perhaps logical partitions, and boot areas."""
    table = made.draw(st.sampled_from(["gpt", "mbr"]))
    kind = made.draw(st.sampled_from(["sd", "emmc"]))
    beside = ", boot-area: 4 MiB, erase-group: 512 KiB, write-protect-group: 4 MiB"
    made.chips.append(
        f"  {name}: {{kind: {kind}, sectors: [262144, 270336], align: 1 MiB, table: {table}"
        f"{beside if kind == 'emmc' else ''}}}\n"
    )
    if kind == "emmc":
        for number in range(made.draw(st.integers(0, 2))):
            made.filled(f"{name}/boot{number}", 512 * KIB, 8)
    start = 1
    if table == "mbr":
        made.region(name, "2 MiB", "partition: 1", at=MIB)
        start = 4
    # Partitions 5 and up of an MBR are logical; of a GPT any number will do.
    made.filled(name, MIB, 120, start, f"partition: {len(name)}{{}}")
    if table == "gpt" and made.draw(st.booleans()):
        made.region(name, "rest", "partition: 9", at=121 * MIB)


@st.composite
def boards(draw: st.DrawFn) -> str:
    """One or two chips of any kind, and one geometric fault."""
    made = Made(draw)
    for number in range(draw(st.integers(1, 2))):
        draw(st.sampled_from([flash, ubi, disk]))(made, f"chip{number}")
    return draw(st.sampled_from(list(faults(made.text))))


@given(boards())
@settings(max_examples=25)
def test_what_is_told_mends_and_breaks_nothing(text: str) -> None:
    follow(text)
