"""The partition map, drawn to scale, with what each region is for, who writes it and who needs it.

Every region gets at least one row, so that 64 KiB beside 13 MiB stays visible; the rest of the rows
are shared out by size.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from dataclasses import dataclass

from imgaudit.model import Area, Layout, Region
from imgaudit.report.clean import clean
from imgaudit.report.style import PLAIN, Style
from imgaudit.units import Span, both, human

_ROWS = 24
_BOX = 18
_WRITERS = {
    "factory": "written once, in the factory",
    "release": "written by a release",
    "runtime": "written by the running board",
}


@dataclass(frozen=True, slots=True)
class _Lines:
    """The characters a box is drawn with."""

    top: str
    middle: str
    bottom: str
    side: str
    shade: str


_UNICODE = _Lines("┌─┐", "├─┤", "└─┘", "│", "░")
_ASCII = _Lines("+-+", "+-+", "+-+", "|", ".")


@dataclass(frozen=True, slots=True)
class _Slot:
    """A region, or free space where `region` is None."""

    span: Span
    region: Region | None


def report(layout: Layout, style: Style = PLAIN) -> str:
    """Draw every chip of a layout."""
    summary = f": {clean(layout.summary)}" if layout.summary else ""
    blocks = [_headed(layout.board, summary, style)]
    blocks += [
        _area(layout, area, style)
        for area in layout.areas()
        if "/" not in area.name or layout.regions_on(area.name)
    ]
    if layout.stages:
        blocks.append(_stages(layout, style))
    return "\n\n".join(blocks) + "\n"


def _area(layout: Layout, area: Area, style: Style) -> str:
    chip = area.chip
    what = f"{chip.kind.title}, {human(area.size or 0)}"
    if "/" in area.name:
        what = f"area of the {chip.kind.short}, {human(area.size or 0)}"
    elif chip.erase_map:
        sizes = sorted({run.size for run in chip.erase_map})
        what += f", erase blocks of {' and '.join(human(size) for size in sizes)}"
    if len(chip.sizes) > 1 and "/" not in area.name:
        what += f" (the smallest of {len(chip.sizes)} approved parts)"
    head = _headed(area.name, f"  {what}", style)
    return "\n".join([head, *_drawing(layout, area, style)])


def _headed(name: str, text: str, style: Style) -> str:
    """Wrap a text that a strong name starts."""
    name = style.short(name, style.width // 2)
    return style.paint(name, "strong") + style.wrap(name + text, "", "  ")[len(name) :]


def _slots(layout: Layout, area: Area) -> list[_Slot]:
    slots: list[_Slot] = []
    at = 0
    for region in layout.regions_on(area.name):
        if region.at > at:
            slots.append(_Slot(Span(at, region.at), None))
        slots.append(_Slot(region.span, region))
        at = max(at, region.span.end)
    if area.size is not None and at < area.size:
        slots.append(_Slot(Span(at, area.size), None))
    return slots


def _drawing(layout: Layout, area: Area, style: Style) -> Iterator[str]:
    lines = _UNICODE if style.unicode else _ASCII
    slots = _slots(layout, area)
    end = max([slot.span.end for slot in slots] + [area.size or 0])
    digits = len(f"{end:x}")
    room = max(30, style.width - digits - _BOX - 8)
    total = sum(slot.span.size for slot in slots) or 1
    edge = lines.top
    for slot in slots:
        yield _edge(f"0x{slot.span.start:0{digits}x}", edge)
        text = list(_label(layout, slot, room, style))
        rows = max(1, round(_ROWS * slot.span.size / total), len(text) if slot.region else 1)
        name = style.short(slot.region.name, _BOX - 4) if slot.region else ""
        for row in range(rows):
            inside = name if row == 0 else ""
            fill = " " if slot.region else lines.shade
            cell = f" {inside} ".ljust(_BOX - 2, fill) if inside else fill * (_BOX - 2)
            label = text[row] if row < len(text) else ""
            line = f"  {' ' * (digits + 2)} {lines.side}{cell}{lines.side}  {label}"
            yield line.rstrip()
        edge = lines.middle
    yield _edge(f"0x{end:0{digits}x}", lines.bottom)


def _edge(address: str, characters: str) -> str:
    return f"  {address} {characters[0]}{characters[1] * (_BOX - 2)}{characters[2]}"


def _label(layout: Layout, slot: _Slot, room: int, style: Style) -> Iterator[str]:
    region = slot.region
    if region is None:
        yield style.paint(f"{human(slot.span.size)} free", "dim")
        return
    part = f"partition {region.partition}, " if region.partition else ""
    long_name = f"{region.name}: " if len(region.name) > _BOX - 4 else ""
    lines = [f"{long_name}{part}{human(region.size)}, {region.holds}, {_WRITERS[region.writer]}"]
    stages = layout.stages_of(region.name)
    if stages:
        lines.append(f"needed by: {', '.join(stages)}")
    if region.env is not None:
        copy = f", copy in {region.env.copy}" if region.env.copy else ""
        lines.append(f"environment of {human(region.env.size)}{copy}")
    for line in lines:
        yield from textwrap.wrap(line, room, break_on_hyphens=False)
    for line in textwrap.wrap(clean(region.purpose), room):
        yield style.paint(line, "dim")


def _stages(layout: Layout, style: Style) -> str:
    lines = ["How it starts"]
    for stage in layout.stages.values():
        size = sum(layout.region(name).size for name in stage.regions)
        entry = f"U-Boot: run {stage.entry}" if stage.entry else "no entry given"
        lines.append(
            style.wrap(
                f"{clean(stage.name)}: {clean(entry)}. It needs {both(size)} in:"
                f" {clean(', '.join(stage.regions))}.",
                "  ",
                "    ",
            )
        )
    lines.append("  Offsets are hexadecimal, from the start of the chip or boot area.")
    return "\n".join(lines)
