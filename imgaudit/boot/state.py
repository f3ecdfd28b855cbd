"""What U-Boot's memory holds at one point of a walk, and how two such states become one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field

from imgaudit import bounds
from imgaudit.boot.records import Condition
from imgaudit.boot.values import Hole, Text
from imgaudit.data import dataclass
from imgaudit.units import Span

MAX_BUFFERS = 256
"""RAM places remembered at once."""


@dataclass(frozen=True, slots=True)
class Buffer:
    """What a place in RAM may hold: the operations that may have filled it; None is what was there.

    `size` is None where the length is not known.
    """

    fillers: frozenset[int | None]
    size: int | None


STALE = Buffer(frozenset({None}), None)


@dataclass(slots=True)
class State:
    """Variables, RAM and selected devices; copied before each fork.

    `status` is what `$?` gives: 0 after a success, None where it is not known.
    `path` holds the conditions met so far, `blame` the operations whose failure led here and was
    not looked at yet, `ignored` those whose failure was passed over.
    """

    environment: dict[str, Text]
    local: dict[str, Text] = field(default_factory=dict)
    memory: dict[int, Buffer] = field(default_factory=dict)
    selected: dict[str, str | None] = field(default_factory=dict)
    status: int | None = 0
    path: tuple[Condition, ...] = ()
    blame: frozenset[int] = frozenset()
    ignored: frozenset[int] = frozenset()

    def copy(self) -> State:
        """Return a state that can change without this one."""
        return State(
            dict(self.environment),
            dict(self.local),
            dict(self.memory),
            dict(self.selected),
            self.status,
            self.path,
            self.blame,
            self.ignored,
        )

    def get(self, name: str) -> Text | None:
        """Look a variable up as the shell does: the environment hides shell variables."""
        value = self.environment.get(name)
        return self.local.get(name) if value is None else value

    def exists(self, name: str) -> bool | None:
        """Tell whether an environment variable is there; None where paths that met differ in it."""
        value = self.environment.get(name)
        if value is None:
            return False
        return None if value.pieces == (Hole(name),) else True

    def assign(self, name: str, value: Text) -> None:
        """Set a shell variable; whether an empty value deletes it depends on U-Boot's version.

        In 2026.10 it does (cli_hush.c, `set_local_var`), in 2023.01 it does nothing (seen).
        """
        if value.pieces:
            self.local[name] = value
        elif name in self.local:
            self.local[name] = Text.unknown(name)

    def set(self, changes: Mapping[str, Text | None]) -> None:
        """Set environment variables; None deletes. An empty value is one (cmd/nvedit.c)."""
        for name, value in changes.items():
            if value is None:
                self.environment.pop(name, None)
            else:
                self.environment[name] = value

    def fill(self, at: int, size: int | None, operation: int | None) -> None:
        """Remember that the operation put something at an address."""
        if at in self.memory or len(self.memory) < MAX_BUFFERS:
            self.memory[at] = Buffer(frozenset({operation}), size)
        else:
            bounds.left_out("RAM", f"only the first {MAX_BUFFERS} places that are filled are known")

    def buffer(self, at: int) -> Buffer:
        """Find what an address holds: filled there, or inside something larger."""
        exact = self.memory.get(at)
        if exact is not None:
            return exact
        for start, buffer in self.memory.items():
            if Span.sized(start, buffer.size or 0).holds(at):
                return buffer
        return STALE

    def same_values(self, other: State) -> bool:
        """Tell whether every later command would expand alike."""
        return (
            self.environment == other.environment
            and self.local == other.local
            and self.selected == other.selected
        )


def join(first: State | None, second: State | None) -> State | None:
    """Make one state of two that meet: what differs becomes unknown."""
    if first is None or second is None:
        return first or second
    if first is second:
        return first
    path = []
    for one, other in zip(first.path, second.path, strict=False):
        if one != other:
            break
        path.append(one)
    return State(
        _common(first.environment, second.environment),
        _common(first.local, second.local),
        _buffers(first.memory, second.memory),
        {
            name: first.selected.get(name)
            if first.selected.get(name) == second.selected.get(name)
            else None
            for name in {**first.selected, **second.selected}
        },
        first.status if first.status == second.status else None,
        tuple(path),
        first.blame | second.blame,
        first.ignored | second.ignored,
    )


def _common(first: dict[str, Text], second: dict[str, Text]) -> dict[str, Text]:
    if first == second:
        return dict(first)
    merged = dict(first)
    for name, value in second.items():
        mine = first.get(name)
        if mine is not value and mine != value:
            merged[name] = Text.unknown(name)
    for name in first.keys() - second.keys():
        merged[name] = Text.unknown(name)
    return merged


def _buffers(first: dict[int, Buffer], second: dict[int, Buffer]) -> dict[int, Buffer]:
    if first == second:
        return dict(first)
    merged = {}
    for at in {**first, **second}:
        one, other = first.get(at, STALE), second.get(at, STALE)
        sizes = {buffer.size for buffer in (one, other) if buffer is not STALE}
        merged[at] = Buffer(one.fillers | other.fillers, sizes.pop() if len(sizes) == 1 else None)
    return merged
