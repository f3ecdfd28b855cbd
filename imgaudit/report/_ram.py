"""The RAM at one moment as lines of text, drawn to scale."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from imgaudit.clean import cells, clean
from imgaudit.report._style import Row, Style, first, padded
from imgaudit.tasks.sections import Ram, RamRange
from imgaudit.units import Span, human, place

MIN_WIDTH = 60
"""Below this no bar is left."""
_SIZE = 10


def rows(ram: Ram, style: Style) -> Iterator[Row]:
    """Draw the ranges, and say what could not be placed."""
    pad = "  " if style.width >= MIN_WIDTH + 2 else ""
    ranges = [replace(each, name=clean(each.name)) for each in ram.ranges]
    for line in draw(ranges, ram.banks, style.width - len(pad)):
        yield [(f"{pad}{line}" if line else "", "")]
    for why in ram.unplaced:
        yield [(f"{pad}not placed: {why}", "")]


def draw(ranges: Sequence[RamRange], banks: Sequence[Span], width: int = 80) -> list[str]:
    """Draw ranges that are in use at the same time, one line each, bank by bank.

    A bar covers its bank: `#` is in use, `X` claimed twice. The smallest range is one column wide.
    `~` before a size says that it is a guess.
    """
    width = max(width, MIN_WIDTH)
    lines: list[str] = []
    drawn: set[int] = set()
    for bank in banks:
        there = [each for each in ranges if each.span.overlaps(bank)]
        drawn.update(id(each) for each in there)
        if lines:
            lines.append("")
        lines.append(f"RAM {place(bank.start)} to {place(bank.end)}, {human(bank.size)}")
        lines += _rows(there, bank, ranges, width)
    lost = [each for each in ranges if id(each) not in drawn]
    if lost:
        lines += ["", "not in RAM"]
        lines += [_label(each, width // 3) for each in _ordered(lost)]
    return lines


def _rows(
    there: Sequence[RamRange], bank: Span, ranges: Sequence[RamRange], width: int
) -> Iterator[str]:
    names = min(max((cells(each.name) for each in there), default=0), width // 3)
    labels = [_label(each, names) for each in _ordered(there)]
    columns = width - max(map(cells, labels), default=0) - 3
    for each, label in zip(_ordered(there), labels, strict=True):
        bar = ["."] * columns
        _mark(bar, each.span.common(bank), bank, "#")
        for other in ranges:
            if other is not each and other.span.overlaps(each.span):
                _mark(bar, other.span.common(each.span).common(bank), bank, "X")
        yield f"{label} |{''.join(bar)}|"


def _ordered(ranges: Sequence[RamRange]) -> list[RamRange]:
    return sorted(ranges, key=lambda each: (each.span.start, each.span.end, each.name))


def _label(each: RamRange, names: int) -> str:
    name = each.name if cells(each.name) <= names else first(each.name, names - 3) + "..."
    name = padded(name, names)
    size = ("" if each.exact else "~") + human(each.span.size)
    return f"{name} {place(each.span.start):>10} {size:>{_SIZE}}"


def _mark(bar: list[str], span: Span, bank: Span, sign: str) -> None:
    """Fill the columns that a span touches; one that is not empty touches at least one."""
    if not span.size or not bank.size:
        return
    first = (span.start - bank.start) * len(bar) // bank.size
    last = ((span.end - bank.start) * len(bar) - 1) // bank.size
    for column in range(max(first, 0), min(last, len(bar) - 1) + 1):
        bar[column] = sign
