"""What a reader returns: facts, never judgements."""

from __future__ import annotations

import enum
from collections.abc import Callable, Generator, Iterable, Iterator, Mapping
from dataclasses import field
from typing import ClassVar

from imgaudit.data import dataclass
from imgaudit.errors import FormatError
from imgaudit.formats.view import View
from imgaudit.units import Span


@dataclass(frozen=True, slots=True)
class Checksum:
    """A stored checksum and the one recomputed over the bytes it covers.

    `stored` and `computed` are lowercase hex without `0x`. `offset` is where it is stored, `covers`
    what it protects, both from the start of the content. `computed` is None where it could not be
    computed; `why` then says the reason.
    """

    name: str
    algorithm: str
    stored: str
    computed: str | None
    offset: int
    covers: Span
    why: str = ""

    @property
    def matches(self) -> bool | None:
        """Whether both agree; None where it could not be computed."""
        return None if self.computed is None else self.stored == self.computed


@dataclass(frozen=True, slots=True)
class Part:
    """Content inside content: what a container carries at `[offset, offset + size)`.

    `offset` is -1 where it lies in several pieces. `expects` is the format that the container
    promises (a reader's name), if it does. `stored` is how many bytes of the container it takes
    where that is not its size: it is packed, or has holes.
    """

    name: str
    offset: int
    size: int
    expects: str | None = None
    stored: int | None = None


@dataclass(frozen=True, kw_only=True)
class Facts:
    """Base of every reader's result.

    `length` is how many bytes, from the start of the content, the format itself says it occupies
    (None where it cannot know). `offsets` gives the byte offset of each field by its name, so that
    a report can point at it. `doubts` says in whole sentences what the reader is not sure of.
    """

    format: ClassVar[str]

    length: int | None = None
    offsets: Mapping[str, int] = field(default_factory=dict)
    checksums: tuple[Checksum, ...] = ()
    doubts: tuple[str, ...] = ()

    def parts(self) -> Iterable[Part]:
        """Give the contents inside, in the order in which they are stored."""
        return ()

    def open(self, view: View, part: Part) -> View:
        """View one of the parts; `view` is of this content.

        Raises:
            FormatError: it is not all there.

        """
        return view.sub(part.offset, part.size)

    def summary(self) -> str:
        """Say in a few words what this is, for a table cell; control characters are not escaped."""
        return ""


class Match(enum.IntEnum):
    """How sure a reader is that the bytes are its format."""

    NO = 0
    WEAK = 1  # could be: the magic is short, or the rest does not quite follow
    GOOD = 2  # the magic and the first fields agree
    SURE = 3  # a checksum, or so much structure that chance is out of the question


Unpacker = Callable[[Iterator[bytes]], Generator[bytes, None, int]]
"""Decompress: takes the stored bytes in pieces, yields pieces of at most 1 MiB, returns how many
stored bytes the stream occupied. Raises FormatError, with the offset in the stored bytes, where the
stream is damaged or cut. It never holds more than a few MiB."""


@dataclass(frozen=True, slots=True)
class Reader:
    """One format: how it is recognised and read.

    `name` is the word that a layout's `holds:` uses. `match` must be cheap (it reads at most a few
    KiB) and never raises. `read` gives facts or raises FormatError. `unpack` is set for
    compressors. `windows` tells, from the head of a large content, which spans `read` and its
    parts' readers will want, so that a stream can be read once.
    """

    name: str
    title: str
    source: str
    match: Callable[[View], Match]
    read: Callable[[View], Facts]
    unpack: Unpacker | None = None
    windows: Callable[[View], list[Span]] | None = None


def by_its_sum(read: Callable[[View], Facts], view: View) -> Match:
    """Tell by the checksum of a header, the first that is read, whether it is one."""
    try:
        facts = read(view)
    except FormatError:
        return Match.WEAK
    return Match.SURE if facts.checksums[0].matches else Match.WEAK


def head_only(view: View) -> list[Span]:
    """Want nothing more: for formats whose structures all lie in the first 2 MiB."""
    del view
    return []
