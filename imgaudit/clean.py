"""Make text from artifacts and layouts safe to print, on a terminal and in a log that takes orders.

Source: actions/runner, src/Runner.Common/ActionCommand.cs: a line is a command if it starts with
`::`, blanks aside, or has `##[` anywhere. azure-pipelines-agent takes `##vso[` and others
`##NAME[` likewise (from memory).
"""

from __future__ import annotations

import unicodedata

from imgaudit.patterns import regex

_ORDER = regex(r"##(?=\w*\[)")
_FIRST = regex(r"^(\s*):(?=:)")


def clean(text: str) -> str:
    r"""Escape what could move a terminal's cursor, hide text, turn its direction or give an order.

    Control, format, surrogate and separator characters become `\\x1b`, `\\u202e` and their kind; so
    does what a CI log takes for the start of a command.
    """
    if not (text.isascii() and text.isprintable()):
        text = "".join(_escaped(letter) for letter in text)
    return defused(text)


def defused(line: str) -> str:
    """Escape what a CI log takes for the start of a command; the rest of the line stays."""
    if "##" in line:
        line = _ORDER.sub(r"\\x23#", line)
    if "::" in line:
        line = _FIRST.sub(r"\1\\x3a", line)
    return line


def _escaped(letter: str) -> str:
    if unicodedata.category(letter)[0] != "C" and unicodedata.category(letter) not in {"Zl", "Zp"}:
        return letter
    code = ord(letter)
    if code < 0x100:
        return f"\\x{code:02x}"
    return f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"


def cells(text: str) -> int:
    """Count the columns that a terminal gives a text: East Asian wide letters take two."""
    if text.isascii():
        return len(text)
    return sum(_cells(letter) for letter in text)


def _cells(letter: str) -> int:
    if unicodedata.combining(letter):
        return 0
    return 2 if unicodedata.east_asian_width(letter) in {"W", "F"} else 1
