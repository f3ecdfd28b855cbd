"""Text of which a part may be unknown, and numbers as U-Boot reads them.

Source: U-Boot lib/strto.c (`simple_strtoul`): a number ends at the first character that is no digit
of its base, and text without a digit is 0.
"""

from __future__ import annotations

from collections.abc import Iterable

from imgaudit.data import dataclass

_DIGITS = "0123456789abcdef"
_ULONG = (1 << 64) - 1


@dataclass(frozen=True, slots=True)
class Hole:
    """A piece of text that is not known; `name` says what would supply it."""

    name: str


class Text:
    """Text in pieces: known ones as `str`, unknown ones as `Hole`."""

    __slots__ = ("pieces", "plain")

    def __init__(self, pieces: Iterable[str | Hole]) -> None:
        merged: list[str | Hole] = []
        for piece in pieces:
            if isinstance(piece, str) and merged and isinstance(merged[-1], str):
                merged[-1] += piece
            elif piece != "":
                merged.append(piece)
        self.pieces = tuple(merged)
        known = [piece for piece in merged if isinstance(piece, str)]
        self.plain: str | None = "".join(known) if len(known) == len(merged) else None

    @classmethod
    def of(cls, text: str) -> Text:
        """Wrap known text."""
        return cls((text,))

    @classmethod
    def unknown(cls, name: str) -> Text:
        """Stand for text that something called `name` would supply."""
        return cls((Hole(name),))

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Text) and self.pieces == other.pieces

    def __hash__(self) -> int:
        return hash(self.pieces)

    def __repr__(self) -> str:
        return f"Text({self})"

    def __str__(self) -> str:
        """Show unknown pieces as `${name}`."""
        return "".join(
            piece if isinstance(piece, str) else f"${{{piece.name}}}" for piece in self.pieces
        )

    def number(self, base: int = 16) -> int | None:
        """Read as a number; None where the text is not wholly known."""
        return None if self.plain is None else number(self.plain, base)


def number(text: str, base: int = 16) -> int:
    """Read the leading number; base 0 takes 0x for hex and a leading 0 for octal.

    Source: U-Boot lib/strto.c.
    """
    text = text.lower()
    if text.startswith("0x") and base in {0, 16}:
        text, base = text[2:], 16
    elif base == 0:
        base = 8 if text.startswith("0") else 10
    value = 0
    for character in text:
        digit = _DIGITS.find(character)
        if not 0 <= digit < base:
            break
        value = (value * base + digit) & _ULONG
    return value


def signed(text: str) -> int:
    """Read as `test` does: decimal unless 0x or 0 leads, with a sign."""
    return -number(text[1:], 0) if text.startswith("-") else number(text, 0)


def decimal(text: str) -> int:
    """Read the leading decimal number, with a sign (lib/strto.c, simple_strtol with base 10)."""
    return -number(text[1:], 10) if text.startswith("-") else number(text, 10)


def is_number(text: str) -> bool:
    """Tell whether all of `text` is one hex number, as flash offsets must be."""
    digits = text.lower().removeprefix("0x")
    return bool(digits) and all(character in _DIGITS for character in digits)
