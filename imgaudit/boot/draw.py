"""The RAM map as lines of text, drawn to scale."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from imgaudit.boot.ranges import Range
from imgaudit.units import Span, human, place

MIN_WIDTH = 60
"""Below this no bar is left."""
_SIZE = 10


def draw(ranges: Sequence[Range], banks: Sequence[Span], width: int = 80) -> list[str]:
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


def _rows(there: Sequence[Range], bank: Span, ranges: Sequence[Range], width: int) -> Iterable[str]:
    names = min(max((len(each.name) for each in there), default=0), width // 3)
    labels = [_label(each, names) for each in _ordered(there)]
    columns = width - max(map(len, labels), default=0) - 3
    for each, label in zip(_ordered(there), labels, strict=True):
        bar = ["."] * columns
        _mark(bar, each.span.common(bank), bank, "#")
        for other in ranges:
            if other is not each and other.span.overlaps(each.span):
                _mark(bar, other.span.common(each.span).common(bank), bank, "X")
        yield f"{label} |{''.join(bar)}|"


def _ordered(ranges: Sequence[Range]) -> list[Range]:
    return sorted(ranges, key=lambda each: (each.span.start, each.span.end, each.name))


def _label(each: Range, names: int) -> str:
    name = each.name if len(each.name) <= names else each.name[: names - 3] + "..."
    size = ("" if each.exact else "~") + human(each.span.size)
    return f"{name:{names}} {place(each.span.start):>10} {size:>{_SIZE}}"


def _mark(bar: list[str], span: Span, bank: Span, sign: str) -> None:
    """Fill the columns that a span touches; one that is not empty touches at least one."""
    if not span.size or not bank.size:
        return
    first = (span.start - bank.start) * len(bar) // bank.size
    last = ((span.end - bank.start) * len(bar) - 1) // bank.size
    for column in range(max(first, 0), min(last, len(bar) - 1) + 1):
        bar[column] = sign
