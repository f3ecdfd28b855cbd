"""What was found of a build's boots, as plain data; quick to load, for those who hold it only."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field
from enum import StrEnum
from typing import TYPE_CHECKING

from imgaudit.data import dataclass

if TYPE_CHECKING:
    from imgaudit.boot.board import Board, Source
    from imgaudit.boot.images import Piece
    from imgaudit.boot.rammap import Images, RamMap
    from imgaudit.boot.records import Boot, Operation, Walk
    from imgaudit.maps.collect import Environment, Place
    from imgaudit.maps.uboot_options import Options
    from imgaudit.model import Stage


class Origin(StrEnum):
    """Where a variable's value comes from."""

    STORED = "stored"
    DEFAULT = "compiled in"
    LAYOUT = "set by the board"


@dataclass(frozen=True, slots=True)
class Variable:
    """A variable as U-Boot has it when it starts."""

    value: str
    origin: Origin


@dataclass(frozen=True, kw_only=True)
class Start:
    """One way to a boot command, with what it is given.

    `buffers` are the operations that put it there, by part. `map` is None where `why` says what is
    missing for it; with a map it says which part is not in there. `loader` is U-Boot's own memory,
    a guess.
    """

    boot: Boot
    buffers: Mapping[str, Operation]
    pieces: tuple[Piece, ...] = ()
    images: Images | None = None
    map: RamMap | None = None
    why: str = ""


@dataclass(frozen=True, kw_only=True)
class Followed:
    """One entry, followed.

    `alone` has, by chip, the walk in which every other chip is dead. `stage` is the one whose entry
    this is; `by_hand` tells of a script that nothing runs but an operator.
    """

    entry: str
    stage: Stage | None
    walk: Walk
    alone: Mapping[str, Walk] = field(default_factory=dict)
    starts: tuple[Start, ...] = ()
    by_hand: bool = False

    def operation(self, boot: Boot) -> Operation:
        """Give the operation that a boot is."""
        return self.walk.operations[boot.operation]

    def boot(self, operation: int) -> Boot | None:
        """Give the boot that an operation is."""
        return next((boot for boot in self.walk.boots if boot.operation == operation), None)


@dataclass(frozen=True, kw_only=True)
class Boots:
    """All boots of a build; `why` says why there are none.

    `place` is where the `environment` that U-Boot takes is written, `options` what U-Boot was built
    with.
    """

    why: str = "there is no layout"
    variables: Mapping[str, Variable] = field(default_factory=dict)
    place: Place | None = None
    environment: Environment | None = field(default=None, repr=False)
    stored: bool = False
    followed: Mapping[str, Followed] = field(default_factory=dict)
    board: Board | None = field(default=None, repr=False)
    options: Options | None = field(default=None, repr=False)

    def get(self, name: str) -> str | None:
        """Give a variable's value."""
        variable = self.variables.get(name)
        return None if variable is None else variable.value

    def source(self, operation: Operation) -> Source | None:
        """Find what an operation reads."""
        return None if self.board is None else self.board.source(operation)
