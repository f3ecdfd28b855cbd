"""Colour and width of what goes to a terminal; plain text is the default.

A line is a row of pieces, each a text and its role. Only `line()` turns pieces into what is
printed, and it cleans them: nothing gets past it.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from imgaudit.clean import cells, clean, defused
from imgaudit.data import dataclass

_CODES = {"bad": "31;1", "warn": "33", "good": "32", "dim": "2", "strong": "1"}
Piece = tuple[str, str]
"""A text and its role: bad, warn, good, dim, strong, or none."""
Row = Sequence[Piece]
_FILLER = "\0"  # stands for the second column of a wide letter while lines are measured


@dataclass(frozen=True, slots=True)
class Style:
    """How a report is drawn: with colour or without, how wide, and with which line characters."""

    colour: bool = False
    width: int = 80
    unicode: bool = True

    def line(self, row: Row) -> str:
        """Give a row as it is printed: cleaned, and coloured where that is wanted."""
        if not self.colour:
            return defused("".join(clean(text) for text, _ in row)).rstrip()
        row = list(row)
        if row:
            row[-1] = (row[-1][0].rstrip(), row[-1][1])
        return defused("".join(self._painted(clean(text), role) for text, role in row))

    def _painted(self, text: str, role: str) -> str:
        return f"\x1b[{_CODES[role]}m{text}\x1b[0m" if text and role else text

    def wrap(self, text: str, indent: str = "  ", then: str | None = None) -> list[str]:
        """Break a paragraph into lines; further lines are indented by `then`."""
        indents = (indent, indent if then is None else then)
        return fold(text, max(24, self.width), *indents) or [indent.rstrip()]

    def short(self, text: str, most: int) -> str:
        """Cut the middle out of a text that takes more than `most` columns."""
        text = clean(text)
        if cells(text) <= most:
            return text
        mark = "…" if self.unicode else "..."
        kept = max(2, most - len(mark))
        return first(text, kept // 2) + mark + first(text[::-1], kept - kept // 2)[::-1]


PLAIN = Style()


def fold(text: str, width: int, indent: str = "", then: str = "") -> list[str]:
    """Break a text into lines of at most `width` columns, at blanks where there are some."""
    text = clean(text)
    if wide := cells(text) > len(text):
        # A line must not end between a letter and its filler.
        width -= 1
        text = "".join(letter + _FILLER * (cells(letter) - 1) for letter in text)
    lines = textwrap.wrap(
        text,
        width=max(2, width),
        initial_indent=indent,
        subsequent_indent=then,
        break_on_hyphens=False,
    )
    return [line.replace(_FILLER, "") for line in lines] if wide else lines


def first(text: str, most: int) -> str:
    """Give as much of a text as fits into `most` columns."""
    if text.isascii():
        return text[:most]
    taken = 0
    for number, letter in enumerate(text):
        taken += cells(letter)
        if taken > most:
            return text[:number]
    return text


def padded(text: str, width: int, *, right: bool = False) -> str:
    """Fill a text up to a width in columns."""
    blanks = " " * max(0, width - cells(text))
    return blanks + text if right else text + blanks


def columns(
    rows: Sequence[Sequence[str]], right: frozenset[int] | set[int] = frozenset()
) -> list[str]:
    """Line up cells in columns, two blanks apart; `right` names the columns set flush right."""
    widths = [max(cells(row[column]) for row in rows) for column in range(len(rows[0]))]
    return [
        "  ".join(
            padded(cell, width, right=column in right)
            for column, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in rows
    ]
