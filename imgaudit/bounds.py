"""What a run leaves out because there is too much of it.

Every loop over something from outside has an end. Whoever reaches it says so here, on whatever
floor; the audit makes an open line of its ledger of each: nothing passes for being too much.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from itertools import islice
from typing import TypeVar

T = TypeVar("T")

MOST = 64
"""Places that are told one by one."""
FURTHER = "further places"
"""What stands for all the others, and cannot be accepted."""

# One for the process and not for a thread: a run's own threads read for it.
_listeners: list[dict[tuple[str, str], None]] = []
_places: list[str] = []


@contextmanager
def listening() -> Iterator[dict[tuple[str, str], None]]:
    """Gather what is left out meanwhile: where, and why in a sentence, each once and in order."""
    heard: dict[tuple[str, str], None] = {}
    _listeners.append(heard)
    try:
        yield heard
    finally:
        # By identity: one that heard as little as another is another.
        _listeners[:] = [one for one in _listeners if one is not heard]


@contextmanager
def inside(place: str) -> Iterator[None]:
    """Say in what all that is left out meanwhile stands, for those who do not know it."""
    _places.append(place)
    try:
        yield
    finally:
        _places.pop()


def left_out(where: str, why: str) -> None:
    """Say that something stays unlooked at; the innermost who listens hears it."""
    if _listeners:
        where = "/".join(filter(None, (_places[-1] if _places else "", where.lstrip("/"))))
        heard = _listeners[-1]
        if len(heard) < MOST:
            heard[where, why] = None
        else:
            heard[FURTHER, f"the first {MOST} that are too large are listed"] = None


def within(items: Iterable[T], most: int, where: str, what: str) -> list[T]:
    """Give the first `most` items, and say so where there are more."""
    found = list(islice(items, most + 1))
    if len(found) > most:
        found.pop()
        left_out(where, f"only the first {most:,} {what} are looked at")
    return found
