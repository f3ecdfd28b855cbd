"""Make text from artifacts and layouts safe to print."""

from __future__ import annotations

import unicodedata


def clean(text: str) -> str:
    r"""Escape what could move a terminal's cursor, hide text or turn its direction.

    Control, format, surrogate and separator characters become `\\x1b`, `\\u202e` and their kind.
    """
    if text.isascii() and text.isprintable():
        return text
    return "".join(_escaped(letter) for letter in text)


def _escaped(letter: str) -> str:
    if unicodedata.category(letter)[0] != "C" and unicodedata.category(letter) not in {"Zl", "Zp"}:
        return letter
    code = ord(letter)
    if code < 0x100:
        return f"\\x{code:02x}"
    return f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"
