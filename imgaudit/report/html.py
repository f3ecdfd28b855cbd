"""The page: one file without a script, for who decides and for who is new to the board."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterator, Mapping

from imgaudit import __version__
from imgaudit.chips import CAUTION
from imgaudit.report._common import led, where
from imgaudit.report._style import PLAIN, Style
from imgaudit.report._svg import COLOURS, FILLS, level, ram, strips, text, trend
from imgaudit.tasks.sections import (
    Chain,
    Chip,
    Findings,
    Found,
    Headline,
    Line,
    Lines,
    Link,
    Part,
    Ram,
    Report,
    Section,
    Table,
    Trends,
    Values,
    Verbatim,
    Verdict,
)
from imgaudit.units import human, place

_GO = {
    "PASS": ("Go", "Nothing stands in the way of this release."),
    "FAIL": ("No go", "This release must not be flashed as it is."),
    "INCOMPLETE": ("Not decided", "Nothing wrong was found, but not all could be judged."),
}
_OPEN = 3  # of what was not judged, what is told with the verdict
_DARK = ("#7fb0e6", "#e3a06f", "#93c98d", "#cb9bdd", "#e88fa2", "#72c5c5", "#d1ba66", "#a7b3c7")
_STYLE = """
:root{color-scheme:light dark;--bg:#fff;--fg:#1b1f24;--dim:#555d66;--line:#c9d0d8;--soft:#f3f5f7;
--good:#1a6b34;--bad:#a8171f;--warn:#8a5300;--link:#0b57a4}
@media screen and (prefers-color-scheme:dark){:root{
--bg:#14171a;--fg:#e8eaed;--dim:#a9b1ba;--line:#3a4149;
--soft:#1e2328;--good:#7bd491;--bad:#ff9a9a;--warn:#f0bd6c;--link:#8ec1ff}}
*{box-sizing:border-box}
body{margin:0 auto;padding:1rem;max-width:75rem;background:var(--bg);color:var(--fg);
font:1rem/1.5 system-ui,sans-serif;overflow-wrap:anywhere}
h1{font-size:1.3rem;margin:.5rem 0}h2{font-size:1.15rem;margin:2rem 0 .5rem;
border-bottom:1px solid var(--line)}h3{font-size:1rem;margin:1.2rem 0 .3rem}
p{margin:.4rem 0}a{color:var(--link)}code,.mono{font-family:ui-monospace,monospace;font-size:.9em}
.go{font-size:2.2rem;font-weight:700;line-height:1.1;margin:.2rem 0}
.card{border:1px solid var(--line);border-left:.4rem solid var(--line);border-radius:.3rem;
padding:.6rem .9rem;margin:.7rem 0;background:var(--soft);break-inside:avoid}
.good{color:var(--good)}.bad{color:var(--bad)}.warn{color:var(--warn)}.dim{color:var(--dim)}
.strong{font-weight:600}.card.bad,.card.warn,.card.good{color:inherit}
.card.bad{border-left-color:var(--bad)}.card.warn{border-left-color:var(--warn)}
.card.good{border-left-color:var(--good)}
nav ul{list-style:none;padding:0;display:flex;flex-wrap:wrap;gap:.2rem 1rem;margin:.5rem 0}
dl{display:grid;grid-template-columns:max-content 1fr;gap:.1rem .8rem;margin:.4rem 0}
dt{color:var(--dim)}dd{margin:0;min-width:0}
.lines{list-style:none;padding:0;margin:.3rem 0}
.d1{padding-left:1.2rem}.d2{padding-left:2.4rem}.d3{padding-left:3.6rem}.d4{padding-left:4.8rem}
.card h3{margin:0}.scroll{overflow-x:auto}
table{overflow-wrap:normal;border-collapse:collapse;font-size:.92rem}
th,td{text-align:left;padding:.15rem .7rem .15rem 0;border-bottom:1px solid var(--line);
vertical-align:top}th{color:var(--dim);font-weight:500}.n{text-align:right;white-space:nowrap}
figure{margin:.5rem 0}figcaption{color:var(--dim);font-size:.85rem}
.strip{display:block;width:100%;height:2rem}.named{height:3rem}
.strip text{font-size:.8rem;fill:var(--fg)}
.legend{list-style:none;padding:0;display:grid;gap:.6rem 1.2rem;
grid-template-columns:repeat(auto-fill,minmax(min(100%,19rem),1fr))}
.legend li{break-inside:avoid}.legend .strip{height:.6rem;margin:.2rem 0}
.swatch{display:inline-block;width:.8rem;height:.8rem;margin-right:.3rem;vertical-align:-.05rem}
.steps{list-style:none;padding:0;display:flex;flex-wrap:wrap;gap:.4rem}
.steps li{border:1px solid var(--line);border-radius:.3rem;padding:.25rem .6rem;
background:var(--bg)}.steps li:not(:last-child)::after{content:"\\2192";position:absolute;
right:-.85rem;top:30%;color:var(--dim)}.steps li{position:relative}.steps{gap:.5rem 1.1rem}
.steps span{display:block;font-size:.85rem}
.trends{display:grid;gap:0 1rem;grid-template-columns:repeat(auto-fill,minmax(min(100%,19rem),1fr))}
.trend{display:block;width:100%;height:6rem;border-left:1px solid var(--line);
border-bottom:1px solid var(--line);overflow:visible}
.trend *{fill:none;vector-effect:non-scaling-stroke;stroke:var(--link);stroke-width:2}
.trend .limit{stroke:var(--bad);stroke-width:1.5}.trend .ahead{stroke-dasharray:5 4}
.trend .range{fill:var(--link);fill-opacity:.15;stroke:none}
.trend .dot{stroke-width:7;stroke-linecap:round}.trend .past{stroke:var(--bad)}
.free{fill:var(--soft);stroke:var(--line)}.empty{fill-opacity:.25}
.over{fill:var(--bad);stroke:var(--bg);stroke-width:2}rect{stroke:var(--bg);stroke-width:1;
vector-effect:non-scaling-stroke}
@media print{@page{size:A4;margin:14mm}body{max-width:none;padding:0;font-size:9.5pt}
nav{display:none}.swatch{print-color-adjust:exact}.steps{break-inside:avoid}
.scroll{overflow:visible}table{overflow-wrap:anywhere}.n{white-space:normal}
h2,h3{break-after:avoid}tr,figure{break-inside:avoid}
.card{background:none}.card a{color:inherit;text-decoration:none}}
"""


def render(report: Report, style: Style = PLAIN) -> str:
    """Give the page."""
    del style
    sheet = _STYLE + "".join(_colours())
    digest = base64.b64encode(hashlib.sha256(sheet.encode()).digest()).decode()
    policy = f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"
    sections = (*report.pictures(), *report.sections)
    shown = [section for section in sections if not _is_shown_elsewhere(section)]
    # Who must mend something does not want to scroll past what is well.
    rest = sorted(shown, key=lambda section: not _has_findings(section))
    head = f"<header><h1>{text(report.title)}</h1>{''.join(_verdict(report))}</header>"
    places = {id(item): at for at, item in enumerate(report.findings, 1)}
    main = f"<main>{''.join(_numbered(rest, places))}</main>"
    note = text(f"imgaudit {__version__}. It only reads. {CAUTION}")
    foot = f'<footer><p class="dim">{note}</p></footer>'
    body = f"{head}{_nav(rest)}{main}{foot}"
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{text(report.title)}</title><style>{sheet}</style></head>\n"
        f"<body>{body}</body></html>\n"
    )


def _colours() -> Iterator[str]:
    for number in range(COLOURS):
        yield f".c{number}{{fill:{FILLS[number]};background:{FILLS[number]}}}"
    dark = "".join(
        f".c{number}{{fill:{_DARK[number]};background:{_DARK[number]}}}"
        for number in range(COLOURS)
    )
    yield f"@media screen and (prefers-color-scheme:dark){{{dark}}}"


def _is_shown_elsewhere(section: Section) -> bool:
    """Tell the verdict, which is the header's, what pictures show, and hints for a terminal."""
    return section.pictured or any(isinstance(part, Headline | Verbatim) for part in section.parts)


def _verdict(report: Report) -> Iterator[str]:
    verdict = report.verdict
    if verdict is None:
        return
    plain = (verdict.word.capitalize(), "")
    # Other commands look at one file, or at a board that has been written.
    word, why = _GO.get(verdict.word, plain) if report.command == "audit" else plain
    yield f'<div class="card {verdict.role}"><p class="go {verdict.role}">{text(word)}</p>'
    yield f"<p>{text(why)} {text(_counted(verdict))}</p>"
    # The page lists findings in this order: a link leads from the verdict to what it says.
    worst = [(at, item) for at, item in enumerate(report.findings, 1) if item.counts]
    if not worst or verdict.word == "INCOMPLETE":
        yield from (f'<p class="warn">{text(open_one)}</p>' for open_one in report.left[:_OPEN])
        if len(report.left) > _OPEN:
            yield f"<p>and {len(report.left) - _OPEN:,} more</p>"
    for at, item in worst[:2]:
        yield f'<p><a href="#f{at}">{text(_short(item))}</a></p>'
    if len(worst) > 2:
        yield f'<p><a href="#f{worst[2][0]}">and {len(worst) - 2:,} more</a></p>'
    for section in report.sections:
        for part in section.parts:
            if isinstance(part, Headline) and part.about:
                yield f'<p class="dim">{text(part.about)}</p>'
    yield "</div>"


def _counted(verdict: Verdict) -> str:
    return f"{verdict.counts[:1].upper()}{verdict.counts[1:]}."


def _short(item: Found) -> str:
    return f"{item.subject}: {item.message}." if item.subject else f"{item.message}."


def _title(section: Section) -> str:
    if section.title is not None:
        return section.title.name or section.title.text
    return "Findings" if _has_findings(section) else ""


def _has_findings(section: Section) -> bool:
    """Tell the section of the findings, not a file that has some."""
    return section.title is None and any(isinstance(part, Findings) for part in section.parts)


def _nav(sections: list[Section]) -> str:
    named: dict[str, int] = {}
    for number, section in enumerate(sections):
        title = section.within or _title(section)
        if section.parts and title:
            named.setdefault(title, number)
    links = [f'<li><a href="#s{at}">{text(title)}</a></li>' for title, at in named.items()]
    return f'<nav aria-label="Sections"><ul>{"".join(links)}</ul></nav>' if links else ""


def _numbered(sections: list[Section], places: Mapping[int, int]) -> Iterator[str]:
    for number, section in enumerate(sections):
        title = _title(section)
        if not section.parts:
            if section.title is not None:
                yield f"<p>{text(section.title.name + section.title.text)}</p>"
            continue
        more = section.title.text if section.title is not None and section.title.name else ""
        yield f'<section id="s{number}">'
        if title:
            yield f'<h2>{text(title)}<span class="dim">{text(more)}</span></h2>'
        for part in section.parts:
            yield from _part(part, places)
        yield "</section>"


def _part(part: Part, places: Mapping[int, int]) -> Iterator[str]:
    match part:
        case Lines():
            yield f'<ul class="lines">{"".join(map(_line, part.lines))}</ul>'
        case Values():
            pairs = (f"<dt>{text(name)}</dt><dd>{text(value)}</dd>" for name, value in part.values)
            yield f"<dl>{''.join(pairs)}</dl>"
        case Table():
            yield from _table(part)
        case Findings():
            for item in part.items:
                yield from _finding(item, places.get(id(item)))
        case Chip():
            yield from _chip(part)
        case Ram():
            yield from _ram(part)
        case Chain():
            yield from _chain(part)
        case Trends():
            yield from _trends(part)


def _line(line: Line) -> str:
    depth = min(4, max(0, line.depth - 2) // 2)
    role = f" {line.role}" if line.role and not line.name else ""
    name = f'<span class="strong {line.role}">{text(line.name)}</span>' if line.name else ""
    return f'<li class="d{depth}{role}">{text(line.mark)}{name}{text(line.text)}</li>'


def _table(table: Table) -> Iterator[str]:
    if table.title:
        yield f"<h3>{text(table.title)}</h3>"
    # What scrolls must be reached by keyboard.
    yield '<div class="scroll" tabindex="0" role="group" aria-label="Table"><table><thead><tr>'
    yield from (
        f'<th scope="col" class="{"n" if column in table.right else ""}">{text(cell)}</th>'
        for column, cell in enumerate(table.head)
    )
    yield "</tr></thead><tbody>"
    roles = table.roles or ("",) * len(table.rows)
    for row, role in zip(table.rows, roles, strict=True):
        cells = (
            f'<td class="{"n" if column in table.right else ""}">{text(cell)}</td>'
            for column, cell in enumerate(row)
        )
        yield f'<tr class="{role}">{"".join(cells)}</tr>'
    yield "</tbody></table></div>"
    if table.more > 0:
        yield f'<p class="dim">and {table.more:,} more</p>'


def _finding(item: Found, number: int | None) -> Iterator[str]:
    role = {"error": "bad", "warning": "warn"}.get(item.severity, "")
    at = "" if number is None else f' id="f{number}"'
    yield f'<article{at} class="card {role}" tabindex="0"><h3><span class="{role}">'
    yield f"{text(item.severity)}</span> {text(item.subject)} <code>{text(item.name)}</code></h3>"
    yield f"<p>{text(item.message)}</p><dl>"
    first = ("Where", where(item)), ("On the board", item.effect)
    for label, said in (*first, *(("And so", so) for so in led(item)), ("Do", item.fix)):
        if said:
            yield f"<dt>{label}</dt><dd>{text(said)}</dd>"
    yield "</dl></article>"


def _chip(chip: Chip) -> Iterator[str]:
    for caption, picture in strips(chip):
        yield f"<figure>{picture}<figcaption>{text(chip.name)}, {caption}</figcaption></figure>"
    yield '<ul class="legend">'
    number = 0
    for slot in chip.slots:
        if not slot.name:
            continue
        colour = number % COLOURS
        number += 1
        yield f'<li>{_swatch(colour, number)} <span class="strong">{text(slot.name)}</span>'
        yield f' <span class="dim">{place(slot.span.start)} to {place(slot.span.end)}</span>'
        if slot.purpose:
            yield f"<br>{text(slot.purpose)}"
        lines = list(slot.lines)
        if slot.used is not None:
            yield level(slot, colour)
            left = slot.room - slot.used
            if left < 0:
                yield f'<span class="bad">{human(slot.used)}: {human(-left)} too many</span><br>'
            else:
                lines.insert(0, f"{human(slot.used)} used, {human(left)} free")
        else:
            yield "<br>"
        yield f'<span class="dim">{"<br>".join(map(text, lines))}</span>'
        yield "</li>"
    yield "</ul>"


def _swatch(colour: int, number: int) -> str:
    return f'<span class="swatch c{colour}"></span>{number}'


def _ram(part: Ram) -> Iterator[str]:
    for caption, picture in ram(part):
        yield f"<figure>{picture}<figcaption>{caption}</figcaption></figure>"
    if part.ranges:
        yield '<ul class="legend">'
        for number, each in enumerate(part.ranges):
            size = ("about " if not each.exact else "") + human(each.span.size)
            yield f"<li>{_swatch(number % COLOURS, number + 1)} {text(each.name)}"
            yield f' <span class="dim">{place(each.span.start)}, {size}</span></li>'
        yield "</ul>"
    yield from (f"<p>not placed: {text(why)}</p>" for why in part.unplaced)


def _trends(part: Trends) -> Iterator[str]:
    yield (
        '<p class="dim">Red: what the region holds. Blue: what each release took. Dashed: its pace,'
        " and in the shade where the pace may lead.</p>"
    )
    yield '<div class="trends">'
    for each in part.trends:
        known = [size for size in each.sizes if size is not None]
        yield f'<figure class="card {each.role}"><h3>{text(each.name)}</h3>{trend(each)}'
        yield f"<figcaption>{human(known[0])} to {human(known[-1])} of {human(each.room)}."
        yield f" {text(each.says)}</figcaption></figure>"
    yield "</div>"
    if part.trends:
        yield from _table(part.table)


def _chain(chain: Chain) -> Iterator[str]:
    yield f'<h3>{text(chain.name)}: <span class="{chain.role}">{text(chain.verdict)}</span></h3>'
    if chain.links:
        yield f'<ol class="steps">{"".join(map(_step, chain.links))}</ol>'
    if chain.says:
        yield f"<p>{text(chain.says)}</p>"


def _step(link: Link) -> str:
    role = f'<span class="dim">{text(link.role)}</span>' if link.role else ""
    at = f'<span class="dim">from {text(link.at)}</span>' if link.at else ""
    return f"<li>{role}{text(link.what)}{at}</li>"
