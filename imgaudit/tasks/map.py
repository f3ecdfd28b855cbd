"""The partition map: what each region is for, who writes it, who needs it, and how full it is."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any

from imgaudit.model import Area, Layout, Region
from imgaudit.tasks.sections import Chip, Line, Lines, Report, Section, Slot, heading, strong
from imgaudit.units import Span, both, human

if TYPE_CHECKING:
    from imgaudit.contents.build import Build

_WRITERS = {
    "factory": "written once, in the factory",
    "release": "written by a release",
    "runtime": "written by the running board",
}


def draw(layout: Layout, build: Build | None = None) -> Report:
    """Give the map of a layout, with the level of each region where a build was read for it."""
    summary = f": {layout.summary}" if layout.summary else ""
    sections = [Section(strong(layout.board, summary), ()), *chips(layout, build)]
    if layout.stages:
        sections.append(_stages(layout))
    return Report(
        command="map",
        title=f"{layout.board}: the map",
        sections=tuple(sections),
        data=lambda: _in_json(layout, build),
    )


def chips(layout: Layout, build: Build | None = None) -> Iterator[Section]:
    """Give a section for every area that has regions, and for every chip."""
    placed = build.placements if build is not None else ()
    used = {item.region.name: item for item in placed}
    for area in layout.areas:
        if "/" in area.name and not layout.regions_on(area.name):
            continue
        what = _what(area)
        slots = []
        for span, region in _spans(layout, area):
            if region is None:
                slots.append(Slot(span=span))
                continue
            item = used.get(region.name)
            slots.append(
                Slot(
                    span=span,
                    name=region.name,
                    lines=tuple(_label(layout, region)),
                    purpose=region.purpose,
                    room=region.room,
                    used=item.used if item is not None else None,
                    artifact=item.path if item is not None else region.file,
                )
            )
        chip = Chip(name=area.name, what=what, size=area.size, slots=tuple(slots))
        yield Section(strong(area.name, f"  {what}"), (chip,))


def _what(area: Area) -> str:
    chip = area.chip
    what = f"{chip.kind.title}, {human(area.size or 0)}"
    if "/" in area.name:
        return f"area of the {chip.kind.short}, {human(area.size or 0)}"
    if chip.erase_map:
        sizes = sorted({run.size for run in chip.erase_map})
        what += f", erase blocks of {' and '.join(human(size) for size in sizes)}"
    if len(chip.sizes) > 1:
        what += f" (the smallest of {len(chip.sizes)} approved parts)"
    return what


def _spans(layout: Layout, area: Area) -> Iterator[tuple[Span, Region | None]]:
    """Give the regions of an area and what is free between them."""
    at = 0
    for region in layout.regions_on(area.name):
        if region.at > at:
            yield Span(at, region.at), None
        yield region.span, region
        at = max(at, region.span.end)
    if area.size is not None and at < area.size:
        yield Span(at, area.size), None


def _label(layout: Layout, region: Region) -> Iterator[str]:
    part = f"partition {region.partition}, " if region.partition else ""
    yield f"{part}{human(region.size)}, {region.holds}, {_WRITERS[region.writer]}"
    stages = layout.stages_of(region.name)
    if stages:
        yield f"needed by: {', '.join(stages)}"
    if region.env is not None:
        copy = f", copy in {region.env.copy}" if region.env.copy else ""
        yield f"environment of {human(region.env.size)}{copy}"


def _stages(layout: Layout) -> Section:
    lines = []
    for stage in layout.stages.values():
        size = sum(layout.region(name).size for name in stage.regions)
        entry = f"U-Boot: run {stage.entry}" if stage.entry else "no entry given"
        needs = f"It needs {both(size)} in: {', '.join(stage.regions)}."
        lines.append(Line(f"{stage.name}: {entry}. {needs}", hang=2))
    lines.append(Line("Offsets are hexadecimal, from the start of the chip or boot area."))
    return Section(heading("How it starts"), (Lines(tuple(lines)),))


def _in_json(layout: Layout, build: Build | None) -> Mapping[str, Any]:
    from imgaudit.tasks.plain import plain

    return {
        "board": layout.board,
        "chips": [plain(part) for section in chips(layout, build) for part in section.parts],
    }
