"""Pictures as SVG: chips and RAM to scale. Colours are classes, for the page's style sheet."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from html import escape

from imgaudit.clean import clean
from imgaudit.data import dataclass
from imgaudit.tasks.sections import Chip, Ram, RamRange, Slot, Trend
from imgaudit.units import Span, human, place

WIDTH = 1000
FILLS = ("#3b6ea5", "#b0632d", "#4d8048", "#8a559c", "#a8475c", "#2f8181", "#8a7323", "#606c80")
COLOURS = 8
_TALL = 300
_WHOLE = 'y="0" height="100%"'
_BELOW = 'y="40%" height="60%"'
_LETTER = 9.0
"""Width of a letter of a name above a box, on a page of middling width."""
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
    scaled = widths([slot.span.size * WIDTH / total for slot in chip.slots], _LEAST)
    yield "to scale", _strip(chip, scaled)
    narrow = [width for slot, width in zip(chip.slots, scaled, strict=True) if slot.name]
    if any(width < _READABLE for width in narrow):
        wide = widths(scaled, min(_READABLE, WIDTH / len(chip.slots)))
        yield "small regions magnified", _strip(chip, wide)


def widths(wanted: Sequence[float], least: float) -> list[float]:
    """Widen what is narrower than `least`, at the cost of the others; they add up to WIDTH."""
    least = min(least, WIDTH / max(1, len(wanted)))
    small = [width < least for width in wanted]
    rest = sum(width for width, is_small in zip(wanted, small, strict=True) if not is_small) or 1
    room = WIDTH - least * sum(small)
    found = [
        least if is_small else width * room / rest
        for width, is_small in zip(wanted, small, strict=True)
    ]
    return widths(found, least) if any(width < least - 1e-6 for width in found) else found


def _strip(chip: Chip, wide: Sequence[float]) -> str:
    at = 0.0
    over: list[str] = []
    shapes: list[str] = []
    number = 0
    # Where no level is known, a region is drawn as a whole.
    pale = " empty" if any(slot.used is not None for slot in chip.slots) else ""
    for slot, width in zip(chip.slots, wide, strict=True):
        label = f"<title>{text(_said(slot))}</title>"
        if not slot.name:
            shapes.append(_box(at, width, "free", label))
        else:
            colour = f"c{number % COLOURS}"
            number += 1
            shapes.append(_box(at, width, f"{colour}{pale}", label))
            shapes.append(_name(at, width, number, slot.name))
            if slot.used is not None and slot.room:
                full = min(1.0, slot.used / slot.room)
                shapes.append(_box(at, width * full, colour, label))
                if slot.used > slot.room:
                    # In bytes, at this slot's scale, past its edge; never less than can be seen.
                    past = max(_LEAST, width * (slot.used / slot.room - 1))
                    past = min(past, WIDTH - at - width) or _LEAST
                    start = min(at + width, WIDTH - _LEAST)
                    over.append(_box(start, past, "over", label))
        at += width
    named = ", ".join(_said(slot) for slot in chip.slots if slot.name)
    return _picture(f"{chip.name}: {named or 'empty'}", (*shapes, *over), "strip named")


def _said(slot: Slot) -> str:
    if not slot.name:
        return f"{human(slot.span.size)} free"
    level = ""
    if slot.used is not None and slot.room:
        level = f", {100 * slot.used / slot.room:.0f} % full"
    return f"{slot.name} {human(slot.span.size)}{level}"


def level(slot: Slot, colour: int) -> str:
    """Draw how full a region is; what is too much stands past its edge, to scale."""
    used = slot.used or 0
    whole = max(used, slot.room) or 1
    edge = WIDTH * slot.room / whole
    fill = min(edge, WIDTH * used / whole)
    shapes = [
        _box(0, edge, f"empty c{colour}", rows=_WHOLE),
        _box(0, fill, f"c{colour}", rows=_WHOLE),
    ]
    if used > slot.room:
        shapes.append(_box(edge, WIDTH - edge, "over", rows=_WHOLE))
    share = 100 * used / slot.room if slot.room else 0
    return _picture(f"{slot.name}: {share:.0f} % full", shapes, "strip")


@dataclass(frozen=True, slots=True)
class _Piece:
    """Bytes of RAM between two edges, and the ranges that claim them."""

    span: Span
    by: tuple[int, ...]


def ram(part: Ram) -> Iterator[tuple[str, str]]:
    """Draw each bank of RAM with what is in use; where two claim the same bytes is marked.

    To scale, and once more with room for what is small.
    """
    for bank in part.banks:
        pieces = list(_pieces(part, bank))
        if not pieces:
            continue
        said = "; ".join(_placed(each) for each in part.ranges if each.span.overlaps(bank))
        caption = f"RAM {place(bank.start)} to {place(bank.end)}, {human(bank.size)}"
        label = f"{caption}: {said or 'nothing'}"
        scaled = widths([WIDTH * piece.span.size / bank.size for piece in pieces], _LEAST)
        yield f"{caption}, to scale", _bank(part, pieces, scaled, label)
        taken = [width for piece, width in zip(pieces, scaled, strict=True) if piece.by]
        if any(width < _READABLE for width in taken):
            wide = widths(scaled, min(_READABLE, WIDTH / len(pieces)))
            yield "what is small magnified", _bank(part, pieces, wide, label)


def _placed(each: RamRange) -> str:
    return f"{each.name} from {place(each.span.start)}, {human(each.span.size)}"


def _bank(part: Ram, pieces: Sequence[_Piece], wide: Sequence[float], label: str) -> str:
    shapes = []
    at = 0.0
    for piece, width in zip(pieces, wide, strict=True):
        first = piece.by[0] if piece.by else -1
        colour = "over" if len(piece.by) > 1 else f"c{first % COLOURS}" if piece.by else "free"
        said = " and ".join(_placed(part.ranges[number]) for number in piece.by) or "not in use"
        shapes.append(_box(at, width, colour, f"<title>{text(said)}</title>"))
        if piece.by:
            names = ", ".join(f"{number + 1}" for number in piece.by[1:])
            more = f", {names}" if names else ""
            shapes.append(_name(at, width, first + 1, f"{part.ranges[first].name}{more}"))
        at += width
    return _picture(label, shapes, "strip named")


def _pieces(part: Ram, bank: Span) -> Iterator[_Piece]:
    """Cut a bank where a range starts or ends: a sweep over the edges."""
    edges: list[tuple[int, int, int]] = [(bank.start, 0, -1), (bank.end, 0, -1)]
    for number, each in enumerate(part.ranges):
        inside = each.span.common(bank)
        if inside.size:
            edges += [(inside.start, 1, number), (inside.end, -1, number)]
    by: dict[int, None] = {}
    since = bank.start
    for at, change, number in sorted(edges):
        if at > since:
            yield _Piece(Span(since, at), tuple(sorted(by)))
            since = at
        if change > 0:
            by[number] = None
        elif change < 0:
            del by[number]


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
    if part.pace is not None:
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


def _share(at: float) -> str:
    return f"{100 * at / WIDTH:.2f}%"


def _box(at: float, width: float, classes: str, inner: str = "", rows: str = _BELOW) -> str:
    shape = f'x="{_share(at)}" width="{_share(max(0.0, width))}" {rows}'
    return f'<rect class="{classes}" {shape}>{inner}</rect>'


def _name(at: float, width: float, number: int, name: str) -> str:
    """Write a number, and a name where it may fit, above a box; the box's width cuts it."""
    if width < 2 * _LETTER:
        return ""
    said = f"{number} {name}"
    if len(said) * _LETTER >= width:
        said = f"{number}"
    shape = f'x="{_share(at)}" width="{_share(width)}"'
    return f'<svg {shape} aria-hidden="true"><text y="1em">{text(said)}</text></svg>'


def _picture(label: str, shapes: Iterable[str], kind: str) -> str:
    return f'<svg class="{kind}" role="img" aria-label="{text(label)}">{"".join(shapes)}</svg>'
