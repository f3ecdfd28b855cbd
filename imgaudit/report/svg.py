"""The chips alone, as one picture for a wiki."""

from __future__ import annotations

from imgaudit.report._style import PLAIN, Style
from imgaudit.report._svg import COLOURS, FILLS, strips, text
from imgaudit.tasks.sections import Chip, Report
from imgaudit.units import human, place

_ROW = 20
_SHEET = (
    "text{font:13px sans-serif;fill:#1b1f24}.d{fill:#555d66}.free{fill:#eceff2}"
    ".empty{fill-opacity:.25}.over{fill:#c4161f}rect{stroke:#fff}"
)


def render(report: Report, style: Style = PLAIN) -> str:
    """Draw every chip of a report, with its regions listed below."""
    del style
    y = 24
    drawn: list[str] = []
    parts = (part for section in (*report.sections, *report.pictures()) for part in section.parts)
    for chip in (part for part in parts if isinstance(part, Chip)):
        drawn.append(f'<text x="10" y="{y}">{text(chip.name)}: {text(chip.what)}</text>')
        y += 10
        for caption, picture in strips(chip):
            placed = picture.replace("<svg ", f'<svg x="10" y="{y}" width="940" height="48" ', 1)
            drawn.append(placed)
            y += 62
            drawn.append(f'<text class="d" x="10" y="{y}">{caption}</text>')
            y += 14
        number = 0
        for slot in chip.slots:
            if not slot.name:
                continue
            colour = f"c{number % COLOURS}"
            number += 1
            level = ""
            if slot.used is not None and slot.room:
                level = f", {100 * slot.used / slot.room:.0f} % full"
            size = f"{place(slot.span.start)}, {human(slot.span.size)}{level}"
            said = f"{number}  {slot.name}  {size}"
            drawn.append(f'<rect class="{colour}" x="10" y="{y}" width="12" height="12"/>')
            drawn.append(f'<text x="28" y="{y + 11}">{text(said)}')
            drawn.append(f'<tspan class="d">  {text(slot.purpose)}</tspan></text>')
            y += _ROW
        y += 30
    sheet = _SHEET + "".join(f".c{n}{{fill:{fill}}}" for n, fill in enumerate(FILLS))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 960 {y}" width="960" height="{y}">'
        f"<title>{text(report.title)}</title><style>{sheet}</style>"
        f'<rect width="960" height="{y}" fill="#fff"/>{"".join(drawn)}</svg>\n'
    )
