"""The errors that cross a layer; each says where it happened."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any


class ImgauditError(Exception):
    """Base of every error that a user sees as a message rather than a traceback."""


class _PlaceError(ImgauditError):
    """What is wrong at a place.

    Args:
        offset: byte offset from the start of the content being read.
        why: one sentence, without the offset.
    """

    def __init__(self, offset: int, why: str) -> None:
        super().__init__(f"{why} (at {offset:#x})")
        self.offset = offset
        self.why = why


class FormatError(_PlaceError):
    """Bytes that are not what their format says."""


class UnreadError(_PlaceError):
    """Bytes that exist but were not kept: what needed them was not checked."""


class LayoutProblem:
    """One thing wrong in a layout file, with its place (line and column start at 1)."""

    __slots__ = ("column", "file", "line", "why")

    def __init__(self, file: str, line: int, column: int, why: str) -> None:
        self.file = file
        self.line = line
        self.column = column
        self.why = why

    def __str__(self) -> str:
        return f"{self.file}:{self.line}:{self.column}: {self.why}"


class LayoutError(ImgauditError):
    """A layout that cannot be used; carries every problem found, in file order."""

    def __init__(self, problems: list[LayoutProblem]) -> None:
        super().__init__("\n".join(str(problem) for problem in problems))
        self.problems = problems


class AuditError(ImgauditError):
    """An audit that could not be carried out (exit status 2)."""


def close(word: str, words: Sequence[str] | Mapping[str, Any], cutoff: float = 0.6) -> str:
    """Suggest the nearest of `words`, or say nothing."""
    import difflib

    near = difflib.get_close_matches(word[:_LONGEST], map(str, words), n=1, cutoff=cutoff)
    return f"; did you mean {near[0]!r}?" if near else ""


_LONGEST = 60  # characters of a word that is looked for
