"""Weights of a ramdisk's files and archives, and where an archive lies in the weighed file."""

from __future__ import annotations

from dataclasses import field
from typing import Literal, get_args

from imgaudit.data import dataclass
from imgaudit.formats.view import View
from imgaudit.rescue.shares import Shares
from imgaudit.units import Span

Kind = Literal[
    "program",
    "library",
    "module",
    "firmware",
    "script",
    "data",
    "debugging data",
    "duplicate",
    "replaced",
    "links and headers",
]
KINDS: tuple[Kind, ...] = get_args(Kind)


@dataclass(frozen=True, slots=True)
class Weight:
    """Bytes of unpacked archive, and the bytes of the weighed file that bring them."""

    unpacked: int = 0
    stored: int = 0

    def __add__(self, other: Weight) -> Weight:
        return Weight(self.unpacked + other.unpacked, self.stored + other.stored)

    def __sub__(self, other: Weight) -> Weight:
        return Weight(self.unpacked - other.unpacked, self.stored - other.stored)


@dataclass(frozen=True, slots=True)
class Item:
    """The contents of one file, without its header.

    `debug` is the part of `weight` that stripping removes. `copy_of` is the path of an earlier file
    with the same contents. `replaced` tells that a later member takes its place, so that it is in
    the archive for nothing. `groups` are the groups of needs whose tools use it.
    """

    path: str
    kind: Kind
    weight: Weight
    debug: Weight
    sha256: str
    copy_of: str = ""
    groups: tuple[str, ...] = ()
    data: View = field(default_factory=lambda: View.of(b""), repr=False, compare=False)

    @property
    def replaced(self) -> bool:
        """Whether a later member of the same name takes its place."""
        return self.kind == "replaced"


class Scale:
    """Maps an offset in an archive to one in the weighed file, through all that wraps it."""

    def __init__(self, steps: list[Shares | int]) -> None:
        self._steps = steps

    def at(self, offset: int) -> int:
        """Give the offset in the file."""
        for step in self._steps:
            offset = offset + step if isinstance(step, int) else step.at(offset)
        return offset

    def weight(self, span: Span) -> Weight:
        """Weigh a span of the archive."""
        return Weight(span.size, self.at(span.end) - self.at(span.start))


@dataclass(frozen=True, slots=True)
class Archive:
    """One archive: its bytes, unpacked and in the file, and where it lies there.

    `direct` tells that no other compression than its own lies between it and the file.
    """

    name: str
    compression: str
    weight: Weight
    stored: Span
    direct: bool
    view: View = field(repr=False, compare=False)
    shares: Scale = field(repr=False, compare=False)
