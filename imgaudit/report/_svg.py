"""Pictures as SVG: chips and RAM to scale. Colours are classes, for the page's style sheet."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from html import escape

from imgaudit.clean import clean
from imgaudit.tasks.sections import Chip, Ram, Slot, Trend
from imgaudit.units import Span, human, place

WIDTH = 1000
COLOURS = 8
_TALL = 300
_LEAST = 6.0
"""Width of the narrowest slot of a strip to scale."""
_READABLE = 36.0
"""Width of the narrowest slot of a magnified one."""


def text(words: str) -> str:
    """Give a text in which nothing acts."""
    return escape(clean(words))


def strips(chip: Chip) -> Iterator[tuple[str, str]]:
    """Draw a chip to scale, and once more with room for the small regions; each has a caption."""
    total = sum(slot.span.size for slot in chip.slots) or 1
    scaled = _widths([slot.span.size * WIDTH / total for slot in chip.slots], _LEAST)
    yield "to scale", _strip(chip, scaled)
    narrow = [width for slot, width in zip(chip.slots, scaled, strict=True) if slot.name]
    if any(width < _READABLE for width in narrow):
        wide = _widths(scaled, min(_READABLE, WIDTH / len(chip.slots)))
        yield "small regions magnified", _strip(chip, wide)


def _widths(wanted: Sequence[float], least: float) -> list[float]:
    """Widen what is narrower than `least`, at the cost of the others; they add up to WIDTH."""
    least = min(least, WIDTH / max(1, len(wanted)))
    small = [width < least for width in wanted]
    rest = sum(width for width, is_small in zip(wanted, small, strict=True) if not is_small) or 1
    room = WIDTH - least * sum(small)
    widths = [
        least if is_small else width * room / rest
        for width, is_small in zip(wanted, small, strict=True)
    ]
    return _widths(widths, least) if any(width < least - 1e-6 for width in widths) else widths


def _strip(chip: Chip, widths: Sequence[float]) -> str:
    at = 0.0
    over: list[str] = []
    shapes: list[str] = []
    number = 0
    # Where no level is known, a region is drawn as a whole.
    pale = " empty" if any(slot.used is not None for slot in chip.slots) else ""
    for slot, width in zip(chip.slots, widths, strict=True):
        label = f"<title>{text(_said(slot))}</title>"
        if not slot.name:
            shapes.append(_box(at, width, "free", label))
        else:
            shapes.append(_box(at, width, f"c{number % COLOURS}{pale}", label))
            number += 1
            if slot.used is not None and slot.room:
                full = min(1.0, slot.used / slot.room)
                shapes.append(_box(at, width * full, f"c{(number - 1) % COLOURS}", label))
                if slot.used > slot.room:
                    # In bytes, at this slot's scale, past its edge; never less than can be seen.
                    past = max(_LEAST, width * (slot.used / slot.room - 1))
                    past = min(past, WIDTH - at - width) or _LEAST
                    start = min(at + width, WIDTH - _LEAST)
                    over.append(_box(start, past, "over", label))
        at += width
    named = ", ".join(_said(slot) for slot in chip.slots if slot.name)
    return _picture(f"{chip.name}: {named or 'empty'}", (*shapes, *over))


def _said(slot: Slot) -> str:
    if not slot.name:
        return f"{human(slot.span.size)} free"
    level = ""
    if slot.used is not None and slot.room:
        level = f", {100 * slot.used / slot.room:.0f} % full"
    return f"{slot.name} {human(slot.span.size)}{level}"


def level(slot: Slot) -> str:
    """Draw how full a region is; what is too much stands past its edge, to scale."""
    used = slot.used or 0
    whole = max(used, slot.room) or 1
    edge = WIDTH * slot.room / whole
    fill = min(edge, WIDTH * used / whole)
    shapes = [_box(0, edge, "empty c1", ""), _box(0, fill, "c1", "")]
    if used > slot.room:
        shapes.append(_box(edge, WIDTH - edge, "over", ""))
    share = 100 * used / slot.room if slot.room else 0
    return _picture(f"{slot.name}: {share:.0f} % full", shapes)


def ram(part: Ram) -> Iterator[tuple[str, str]]:
    """Draw each bank of RAM with what is in use; where two claim the same bytes is marked."""
    for bank in part.banks:
        shapes = [_box(0, WIDTH, "free", "")]
        said = []
        for number, each in enumerate(part.ranges):
            if each.span.overlaps(bank):
                label = f"{each.name} from {place(each.span.start)}, {human(each.span.size)}"
                said.append(label)
                box = _in(each.span.common(bank), bank)
                shapes.append(_box(*box, f"c{number % COLOURS}", f"<title>{text(label)}</title>"))
        shapes += [_box(*_in(span, bank), "over", "") for span in _twice(part, bank)]
        caption = f"RAM {place(bank.start)} to {place(bank.end)}, {human(bank.size)}"
        yield caption, _picture(f"{caption}: {'; '.join(said) or 'nothing'}", shapes)


def _in(span: Span, bank: Span) -> tuple[float, float]:
    start = WIDTH * (span.start - bank.start) / bank.size
    width = max(_LEAST, WIDTH * span.size / bank.size)
    return min(start, WIDTH - width), width


def _twice(part: Ram, bank: Span) -> Iterator[Span]:
    """Give what is claimed twice: a sweep over starts and ends."""
    edges: list[tuple[int, int]] = []
    for each in part.ranges:
        inside = each.span.common(bank)
        if inside.size:
            edges += [(inside.start, 1), (inside.end, -1)]
    depth = 0
    since = bank.start
    for at, change in sorted(edges):
        if depth > 1 and at > since:
            yield Span(since, at)
        depth += change
        since = at


def trend(part: Trend) -> str:
    """Draw a region's line over the releases, its room, and where its pace leads."""
    points = [(number, size) for number, size in enumerate(part.sizes) if size is not None]
    count = len(part.sizes)
    # As much future as past, since more would be guessing.
    columns = max(1, 2 * (count - 1) if part.pace is not None else count - 1)
    top = 1.08 * max(part.room, *(size for _, size in points), 1)

    def at(number: float, size: float) -> str:
        y = _TALL - min(max(size, 0.0), top) * _TALL / top
        return f"{WIDTH * number / columns:.1f},{y:.1f}"

    last, size = points[-1]
    shapes = [f'<polyline class="limit" points="{at(0, part.room)} {at(columns, part.room)}"/>']
    if part.pace is not None and columns > last:
        ahead = columns - last
        fast, slow = size + ahead * part.fast, size + ahead * part.slow
        wedge = f"{at(last, size)} {at(columns, fast)} {at(columns, slow)}"
        shapes.append(f'<polygon class="range" points="{wedge}"/>')
        line = f"{at(last, size)} {at(columns, size + ahead * part.pace)}"
        shapes.append(f'<polyline class="ahead" points="{line}"/>')
    over = " past" if size > part.room else ""
    path = " ".join(at(*point) for point in points)
    shapes.append(f'<polyline class="line{over}" points="{path}"/>')
    shapes += [
        f'<polyline class="dot{over}" points="{at(*point)} {at(*point)}"/>' for point in points
    ]
    label = f"{part.name}: {human(points[0][1])} to {human(size)} of {human(part.room)}"
    return (
        f'<svg class="trend" role="img" aria-label="{text(label)}" viewBox="0 0 {WIDTH} {_TALL}"'
        f' preserveAspectRatio="none">{"".join(shapes)}</svg>'
    )


def _box(at: float, width: float, classes: str, inner: str) -> str:
    shape = f'x="{at:.2f}" y="0" width="{max(0.0, width):.2f}" height="40"'
    return f'<rect class="{classes}" {shape}>{inner}</rect>'


def _picture(label: str, shapes: Iterable[str]) -> str:
    return (
        f'<svg class="strip" role="img" aria-label="{text(label)}" viewBox="0 0 {WIDTH} 40"'
        f' preserveAspectRatio="none">{"".join(shapes)}</svg>'
    )
