"""A chip's map as lines of text, drawn to scale.

Every region gets at least one row, so that 64 KiB beside 13 MiB stays visible; the rest of the rows
are shared out by size.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from imgaudit.data import dataclass
from imgaudit.report._style import Row, Style, padded
from imgaudit.tasks.sections import Chip, Slot
from imgaudit.units import human

_ROWS = 24
_BOX = 18
_BAR = 20


@dataclass(frozen=True, slots=True)
class _Lines:
    """The characters a box and a level are drawn with."""

    top: str
    middle: str
    bottom: str
    side: str
    shade: str
    full: str
    empty: str


_UNICODE = _Lines("┌─┐", "├─┤", "└─┘", "│", "░", "█", "░")
_ASCII = _Lines("+-+", "+-+", "+-+", "|", ".", "#", ".")


def rows(chip: Chip, style: Style) -> Iterator[Row]:
    """Draw the slots of a chip from its start to its end."""
    lines = _UNICODE if style.unicode else _ASCII
    end = max([slot.span.end for slot in chip.slots] + [chip.size or 0])
    digits = len(f"{end:x}")
    narrow = replace(style, width=max(30, style.width - digits - _BOX - 8))
    total = sum(slot.span.size for slot in chip.slots) or 1
    edge = lines.top
    for slot in chip.slots:
        yield _edge(f"0x{slot.span.start:0{digits}x}", edge)
        label = list(_label(slot, narrow, lines))
        count = max(1, round(_ROWS * slot.span.size / total), len(label) if slot.name else 1)
        name = style.short(slot.name, _BOX - 4)
        for row in range(count):
            cell = padded(f" {name}", _BOX - 2) if row == 0 else " " * (_BOX - 2)
            if not slot.name:
                cell = lines.shade * (_BOX - 2)
            box = f"  {' ' * (digits + 2)} {lines.side}{cell}{lines.side}  "
            yield [(box, ""), *(label[row] if row < len(label) else ())]
        edge = lines.middle
    yield _edge(f"0x{end:0{digits}x}", lines.bottom)


def _edge(address: str, characters: str) -> Row:
    return [(f"  {address} {characters[0]}{characters[1] * (_BOX - 2)}{characters[2]}", "")]


def _label(slot: Slot, style: Style, lines: _Lines) -> Iterator[Row]:
    if not slot.name:
        yield [(f"{human(slot.span.size)} free", "dim")]
        return
    long_name = f"{slot.name}: " if len(slot.name) > _BOX - 4 else ""
    for number, line in enumerate(slot.lines):
        text = line if number else long_name + line
        yield from ([(row, "")] for row in style.wrap(text, ""))
    if slot.used is not None:
        yield _level(slot, slot.used, lines)
    if slot.purpose:
        yield from ([(row, "dim")] for row in style.wrap(slot.purpose, ""))


def _level(slot: Slot, used: int, lines: _Lines) -> Row:
    """Draw how full a region is; what does not fit stands past the end."""
    over = used - slot.room
    if over > 0:
        return [(f"{lines.full * _BAR}> ", "bad"), (f"{human(over)} too many", "bad")]
    share = used / slot.room if slot.room else 0
    full = min(_BAR, max(1 if used else 0, round(_BAR * share)))
    bar = lines.full * full + lines.empty * (_BAR - full)
    free = f"{100 * (1 - share):.1f}".removesuffix(".0")
    return [(f"{bar} ", ""), (f"{human(used)}, {free} % free", "")]
