"""The kinds of thing that checks look at, and what of each could not be had or read."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, TypeVar

from imgaudit.contents.build import Placement, reader_of
from imgaudit.contents.place import Node
from imgaudit.rules.engine import Kind, Missing
from imgaudit.rules.subject import Subject

if TYPE_CHECKING:
    from imgaudit.formats.facts import Facts

F = TypeVar("F", bound="Facts")


_CONTENTS: dict[tuple[object, ...], Kind[Any]] = {}


def contents_of(*formats: type[F], holds: tuple[str, ...] = ()) -> Kind[Node[F]]:
    """Give the contents of these formats, however deep they are nested, and where each lies.

    `holds` names the readers whose regions are told where they could not be read; those of the
    formats themselves unless given.
    """
    wanted = holds or tuple(kind.format for kind in formats)

    def each(subject: Subject) -> Iterator[Node[F] | Missing]:

        yield from unread(subject, *wanted)
        for kind in formats:
            yield from subject.of(kind)

    # One for all that ask for it: it is walked once, and checks of two families can be ordered.
    return _CONTENTS.setdefault((*formats, *wanted), Kind(each, lambda found: found.content.name))


def unread(subject: Subject, *formats: str) -> Iterator[Missing]:
    """Give the regions that should hold one of these formats, and whose artifact was not read."""
    for placement in subject.placements:
        if placement.given and reader_of(placement.region.holds) in formats:
            why = _why(placement)
            if why:
                yield Missing(placement.region.name, why)


def _why(placement: Placement) -> str:
    if placement.artifact is None or placement.payload is None:
        return placement.missing
    if placement.payload.facts is None:
        return f"{placement.path} could not be read: {placement.payload.why}"
    return ""


def board_arch(subject: Subject) -> str | None:
    """Give the architecture of the layout's board."""
    return subject.layout.arch if subject.layout is not None else None


def whole(subject: Subject) -> Subject:
    """Give the whole build, for a check that compares a thing with it."""
    return subject
