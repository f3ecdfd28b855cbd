"""Colour and width of what goes to a terminal; plain text is the default."""

from __future__ import annotations

import textwrap
from dataclasses import dataclass

_CODES = {"bad": "31;1", "warn": "33", "good": "32", "dim": "2", "strong": "1"}


@dataclass(frozen=True, slots=True)
class Style:
    """How a report is drawn: with colour or without, how wide, and with which line characters."""

    colour: bool = False
    width: int = 80
    unicode: bool = True

    def paint(self, text: str, role: str) -> str:
        """Colour a text by its role: bad, warn, good, dim or strong."""
        return f"\x1b[{_CODES[role]}m{text}\x1b[0m" if self.colour and text else text

    def wrap(self, text: str, indent: str = "  ", then: str | None = None) -> str:
        """Wrap a paragraph without colour; further lines are indented by `then`."""
        return textwrap.fill(
            text,
            width=max(40, self.width),
            initial_indent=indent,
            subsequent_indent=indent if then is None else then,
            break_on_hyphens=False,
        )

    def short(self, text: str, most: int) -> str:
        """Cut the middle out of a text that is longer than `most` characters."""
        if len(text) <= most:
            return text
        mark = "…" if self.unicode else "..."
        kept = max(2, most - len(mark))
        return text[: kept // 2] + mark + text[kept // 2 - kept :]


PLAIN = Style()


def columns(rows: list[list[str]], right: frozenset[int] = frozenset()) -> list[str]:
    """Line up cells in columns, two blanks apart; `right` names the columns set flush right."""
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    return [
        "  ".join(
            cell.rjust(width) if column in right else cell.ljust(width)
            for column, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in rows
    ]
