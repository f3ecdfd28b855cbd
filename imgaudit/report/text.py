"""The text report: sections one below the other, for a terminal or a log."""

from __future__ import annotations

import itertools
from collections.abc import Iterator

from imgaudit.clean import cells
from imgaudit.report import _chip, _ram
from imgaudit.report._common import led, where
from imgaudit.report._style import PLAIN, Row, Style, columns, fold
from imgaudit.tasks.sections import (
    Chain,
    Chip,
    Findings,
    Found,
    Headline,
    Line,
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

_ROLES = {"error": "bad", "warning": "warn", "note": "dim"}


def render(report: Report, style: Style = PLAIN) -> str:
    """Give a report as text."""
    blocks = []
    for section in report.sections:
        lines = [style.line(row) for row in _section(section, style)]
        if lines:
            blocks.append("\n".join(lines))
    return "\n\n".join(blocks) + "\n"


def _section(section: Section, style: Style) -> Iterator[Row]:
    if section.title is not None:
        yield from _line(section.title, style)
    for number, part in enumerate(section.parts):
        yield from _part(part, style, first=number == 0 and section.title is None)


def _part(part: Part, style: Style, *, first: bool) -> Iterator[Row]:
    match part:
        case Lines():
            for line in part.lines:
                yield from _line(line, style)
        case Values():
            yield from _values(part, style)
        case Table():
            yield from _table(part, style)
        case Headline():
            verdict = part.verdict
            yield [(verdict.word, verdict.role), (f"  {verdict.counts}", "")]
            if part.about:
                yield from _line(Line(part.about, depth=0), style)
        case Findings():
            yield from _findings(part, style, first=first)
        case Chip():
            yield from _chip.rows(part, style)
        case Ram():
            yield from _ram.rows(part, style)
        case Chain():
            yield from _chain(part, style)
        case Trends():
            yield from _table(part.table, style)
        case Verbatim():
            yield from ([(line, "")] for line in part.text.splitlines())


def _findings(part: Findings, style: Style, *, first: bool) -> Iterator[Row]:
    for number, item in enumerate(part.items):
        if number or not first:
            yield ()
        for row in _finding(item, style):
            yield [(" " * part.depth, ""), *row]


def _chain(chain: Chain, style: Style) -> Iterator[Row]:
    yield [(f"  {chain.name}: ", ""), (chain.verdict, chain.role)]
    said = (" → " if style.unicode else " -> ").join(chain.linked)
    for words in (said, chain.says):
        if words:
            yield from ([(row, "")] for row in style.wrap(words, "    "))


def _line(line: Line, style: Style) -> Iterator[Row]:
    """Give the rows of a line; what stands out at its start is painted alone."""
    start = " " * line.depth + line.mark
    hang = line.depth + (len(line.mark) if line.hang is None else line.hang)
    if not line.name:
        for row in style.wrap(line.text, start, " " * hang):
            yield [(row, line.role)]
        return
    name = style.short(line.name, max(16, style.width // 2))
    first, *rest = style.wrap(name + line.text, start, " " * hang)
    yield [(start, ""), (name, line.role), (first[len(start) + len(name) :], "")]
    yield from ([(row, "")] for row in rest)


def _values(part: Values, style: Style) -> Iterator[Row]:
    width = max(len(name) for name, _ in part.values)
    for name, value in part.values:
        start = f"  {name.ljust(width)}  "
        yield from ([(row, "")] for row in style.wrap(value, start, " " * len(start)))


def _table(table: Table, style: Style) -> Iterator[Row]:
    if table.title:
        yield [(table.title, "")]
    rows = [
        [
            style.short(cell, table.most.get(column, 10_000)) if column != table.wide else cell
            for column, cell in enumerate(row)
        ]
        for row in (table.head, *table.rows)
    ]
    if (wide := table.wide) is not None:
        bare = [[*row[:wide], ".", *row[wide + 1 :]] for row in rows]
        taken = max(len(line) for line in columns(bare, table.right)) + 1
        for row in rows:
            row[wide] = style.short(row[wide], max(table.least, style.width - taken))
    widths = _widths(rows, table.wraps, style.width - 2)
    pieces = [
        [fold(cell, widths[at]) if at in widths else [cell] for at, cell in enumerate(row)]
        for row in rows
    ]
    folded = [list(itertools.zip_longest(*row, fillvalue="")) for row in pieces]
    told = iter(columns([line for row in folded for line in row], table.right))
    roles = ("dim", *(table.roles or ("",) * len(table.rows)))
    for row_lines, role in zip(folded, roles, strict=True):
        yield from ([("  ", ""), (next(told), role)] for _ in row_lines)
    if table.more > 0:
        yield [(f"  and {table.more:,} more", "")]


_NARROW = 12
"""Columns that a cell keeps that goes on in the next line."""


def _widths(rows: list[list[str]], wraps: frozenset[int], room: int) -> dict[int, int]:
    """Give the widths of columns that must be folded so that a row fits; empty where all do."""
    widths = [max(map(cells, column)) for column in zip(*rows, strict=True)]
    over = sum(widths) + 2 * (len(widths) - 1) - room
    folded = dict.fromkeys(wraps, 0) if over > 0 else {}
    while over > 0 and folded:
        # The widest gives first, down to the next one.
        order = sorted(folded, key=lambda at: -widths[at])
        widest = order[0]
        least = max(_NARROW, widths[order[1]] if len(order) > 1 else 0)
        if widths[widest] <= _NARROW:
            break
        given = min(over, max(1, widths[widest] - least))
        widths[widest] -= given
        over -= given
    return {at: widths[at] for at in folded}


def _finding(item: Found, style: Style) -> Iterator[Row]:
    """Say one finding: what, where, what the board does, what to do."""
    severity = item.severity.upper()
    room = max(16, style.width - len(severity) - len(item.name) - 4)
    yield [
        (severity, _ROLES[item.severity]),
        ("  ", ""),
        (item.name, "strong"),
        (f"  {style.short(item.subject, room)}", ""),
    ]
    yield from ([(row, "")] for row in style.wrap(item.message))
    for label, text, role in (
        ("  where: ", where(item), "dim"),
        ("  board: ", item.effect, ""),
        *(("  so:    ", text, "") for text in led(item)),
        ("  do:    ", item.fix, ""),
    ):
        yield from ([(row, role)] for row in style.wrap(text, label, " " * len(label)))
