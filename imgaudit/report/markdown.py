"""Markdown, for the summary of a CI job or a wiki.

Source: docs.github.com: a job summary may have 1 MiB a step.
"""

from __future__ import annotations

from collections.abc import Iterator

from imgaudit.clean import clean
from imgaudit.patterns import regex
from imgaudit.report._common import led, where
from imgaudit.report._style import PLAIN, Style
from imgaudit.tasks.sections import (
    Chain,
    Chip,
    Findings,
    Found,
    Headline,
    Lines,
    Part,
    Ram,
    Report,
    Section,
    Table,
    Trends,
    Values,
    Verbatim,
)
from imgaudit.units import human, place

MOST = 1_000_000
"""Bytes: below what a job summary may have."""
_BAR = 10
_ACTS = regex(r"([\\`*_{}\[\]()<>#+!|~&@$-])")
_SIGNS = {"PASS": "✅", "FAIL": "❌"}


def render(report: Report, style: Style = PLAIN) -> str:
    """Give a report as Markdown; what is too long is cut at a block's end, and says so."""
    del style
    cut = "\n_The rest is in the full report._\n"
    taken = len(cut.encode())
    blocks: list[str] = []
    for block in _blocks(report):
        taken += len(block.encode()) + 1
        if taken > MOST:
            return "\n".join((*blocks, cut))
        blocks.append(block)
    return "\n".join(blocks)


def text(words: str) -> str:
    """Give a text in which nothing acts: no markup, no link, no mention."""
    return _ACTS.sub(r"\\\1", clean(words))


def _code(words: str) -> str:
    return f"`{clean(words).replace('`', chr(0x2019))}`" if words else ""


def _blocks(report: Report) -> Iterator[str]:
    if report.document is not None:
        yield f"```\n{report.document.replace('```', chr(0x2019) * 3)}```\n"
        return
    for section in report.sections:
        yield from _section(section)


def _section(section: Section) -> Iterator[str]:
    if section.title is not None:
        title = text(section.title.name + section.title.text)
        yield f"### {title}\n" if section.parts else f"{title}\n"
    for part in section.parts:
        yield from _part(part)


def _part(part: Part) -> Iterator[str]:
    match part:
        case Headline():
            sign = _SIGNS.get(part.verdict.word, "⚠️")
            yield f"## {sign} {text(part.verdict.word)}: {text(part.verdict.counts)}\n"
            if part.about:
                yield f"{text(part.about)}\n"
        case Lines():
            for line in part.lines:
                depth = " " * max(0, line.depth - 2)
                mark = "" if line.mark.strip() == "-" else text(line.mark)
                yield f"{depth}- {mark}{text(line.name + line.text)}"
            yield ""
        case Values():
            yield from (f"- **{text(name)}** {text(value)}" for name, value in part.values)
            yield ""
        case Table():
            yield from _table(part)
        case Findings():
            for item in part.items:
                yield from _finding(item)
        case Chip():
            yield from _table(_chip(part))
        case Ram():
            rows = tuple(
                (each.name, place(each.span.start), human(each.span.size)) for each in part.ranges
            )
            yield from _table(
                Table(head=("in RAM", "from", "size"), rows=rows, right=frozenset({1, 2}))
            )
            yield from (f"- not placed: {text(why)}" for why in part.unplaced)
        case Chain():
            said = (
                f"**{text(part.name)}** {text(part.verdict)}",
                " → ".join(map(text, part.linked)),
                text(part.says),
            )
            yield "- " + ": ".join(words for words in said if words)
        case Trends():
            yield from _table(part.table)
        case Verbatim():
            yield f"{text(part.text)}\n"


def _table(table: Table) -> Iterator[str]:
    from tabulate import tabulate

    if table.title:
        yield f"#### {text(table.title)}\n"
    align = ["right" if column in table.right else "left" for column in range(len(table.head))]
    rows = [[text(cell) for cell in row] for row in table.rows]
    head = [text(cell) for cell in table.head]
    yield tabulate(
        rows, head, tablefmt="pipe", colalign=align if rows else None, disable_numparse=True
    )
    if table.more > 0:
        yield f"\nand {table.more:,} more"
    yield ""


def _chip(chip: Chip) -> Table:
    rows = []
    for slot in chip.slots:
        level = ""
        if slot.used is not None and slot.room:
            full = min(_BAR, round(_BAR * slot.used / slot.room))
            level = "█" * full + "░" * (_BAR - full) + f" {100 * slot.used / slot.room:.0f} %"
        name = slot.name or "(free)"
        rows.append((place(slot.span.start), name, human(slot.span.size), level, slot.purpose))
    head = ("offset", "region", "size", "used", "purpose")
    return Table(head=head, rows=tuple(rows), right=frozenset({0, 2}))


def _finding(item: Found) -> Iterator[str]:
    yield f"### {item.severity.upper()} {_code(item.name)} {text(item.subject)}\n"
    yield f"{text(item.message)}\n"
    yield f"- **where** {text(where(item))}"
    yield f"- **board** {text(item.effect)}"
    yield from (f"- **so** {text(so)}" for so in led(item))
    yield f"- **do** {text(item.fix)}\n"
