"""Every path that a boot can take: the walk, once for each way that what is not known can go.

Two paths that come to the same point with the same variables, devices and RAM go on alike, so that
one of them is followed only. Of a medium of which nothing is known (a USB stick, a partition that
was not read) three things can be: it is not there; it holds nothing that is looked for; or it has
what is asked for first, and then nobody knows how the path goes on. Of several such devices one at
a time is taken to be there; the network is there with all that is asked of it, or not at all.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import field
from enum import StrEnum

from imgaudit.boot.board import Board
from imgaudit.boot.call import Done
from imgaudit.boot.records import Boot, Gap, Kind, Note, Operation, Walk, World
from imgaudit.boot.walk import Moment, Parsed, walk
from imgaudit.data import dataclass
from imgaudit.proof.outcome import Outcome, outcome
from imgaudit.proof.start import Started

MAX_PATHS = 256
"""Paths followed for one entry; default environments need some dozens."""
MAX_STEPS = 60_000
"""Commands followed over all paths of an environment; boards need some thousands."""
_TEXT_A_STEP = 64  # characters of the environment that cost as much to read as a command

_NETWORK = "net"
Place = tuple[str, int, str]
"""A command: the text it stands in, its offset there, and itself."""


class Ending(StrEnum):
    """How a path ends."""

    STARTS = "starts"  # what was loaded is started, and fits
    DEAD = "dead"  # something is started that does not come up
    OPEN = "open"  # what happens is not known
    OUTSIDE = "outside"  # a medium that the layout does not name decides
    STOPS = "stops"  # nothing is started
    MERGED = "merged"  # goes on like a path that was followed already


@dataclass(frozen=True, slots=True)
class Taken:
    """One command on a path, and how it ended; `known` is false where it could end otherwise.

    `outside` names the device on which that depends, where the layout does not have it. `blame` is
    an earlier command that made this one fail; `judged` is what was found of a boot command.
    """

    operation: Operation
    succeeds: bool
    why: str = ""
    known: bool = True
    outside: str = ""
    blame: Operation | None = None
    judged: Started | None = None

    @property
    def place(self) -> Place:
        """Where the command stands."""
        operation = self.operation
        return operation.variable, operation.at, operation.command


@dataclass(kw_only=True)
class Path:
    """One path. `why` says what is behind its ending; `stop` is how it stops, as End.how.

    `started` is what is started, whether it comes up or not.
    """

    ending: Ending = Ending.STOPS
    why: str = ""
    stop: str = "prompt"
    started: Started | None = None
    boot: Boot | None = None
    taken: list[Taken] = field(default_factory=list)
    walk: Walk | None = None
    outside: set[str] = field(default_factory=set)

    @property
    def forks(self) -> list[Taken]:
        """What was not known on the way."""
        return [taken for taken in self.taken if not taken.known]


@dataclass(slots=True)
class Steps:
    """What may still be followed: one budget for all paths, however many entries they are of."""

    left: int = MAX_STEPS


@dataclass(frozen=True, kw_only=True)
class Setting:
    """What a boot is followed in: an environment, and the world and board around it."""

    variables: Mapping[str, str]
    world: World
    board: Board
    judge: Callable[[Boot, Sequence[Operation]], Started]
    parsed: Parsed = field(default_factory=dict, repr=False)
    steps: Steps = field(default_factory=Steps, repr=False)


class _EndError(Exception):
    """The path ends here."""


class _OnePath:
    """Decides along one path: the first choices are given, later ones are failures."""

    def __init__(
        self,
        setting: Setting,
        choices: tuple[bool, ...],
        seen: set[Hashable],
        forced: Mapping[Place, bool],
    ) -> None:
        self.setting = setting
        self.choices = choices
        self.seen = seen
        self.forced = forced
        self.made: list[bool] = []
        self.path = Path()
        self.answers: dict[str, bool] = {}
        self.empty: set[str] = set()
        self.there = ""

    def outcome(self, operation: Operation, done: Done, moment: Moment) -> bool:
        """See Decider."""
        selected = moment.state.selected
        found = outcome(operation, done, self.setting.world, selected)
        place = (operation.variable, operation.at, operation.command)
        if place in self.forced:
            found = Outcome(self.forced[place])
        if found.succeeds is not None:
            self.path.taken.append(Taken(operation, found.succeeds, found.why))
            return found.succeeds
        other = bool(found.outside and self.there and found.outside != self.there)
        if other or (found.medium and found.medium in self.empty):
            self.path.taken.append(Taken(operation, succeeds=False, why=found.why))
            return False
        if found.medium == _NETWORK == self.there:
            self.path.taken.append(Taken(operation, succeeds=True))
            return True
        # A variable does not change between two looks at it; hardware may.
        asks = operation.kind is Kind.TEST and operation.device is None
        if asks and operation.command in self.answers:
            return self.answers[operation.command]
        succeeds = self.fork(operation, found.why, moment, found.outside)
        if asks:
            self.answers[operation.command] = succeeds
        if succeeds and found.outside:
            self.there = found.outside
        if found.medium:
            self.looked(operation, found, succeeds=succeeds)
        return succeeds

    def looked(self, operation: Operation, found: Outcome, *, succeeds: bool) -> None:
        """Remember what was found on a medium of which nothing is known."""
        if not succeeds:
            self.empty.add(found.medium)
        elif operation.kind is not Kind.SELECT and found.medium != _NETWORK:
            self.path.outside |= {found.outside} - {""}
            self.end(Ending.OUTSIDE if found.outside else Ending.OPEN, found.why)

    def either(self, note: Note, moment: Moment) -> bool:
        """See Decider."""
        operation = moment.operations[-1]
        if self.there and note.kind is Gap.SCRIPT:
            self.path.outside.add(self.there)
            self.end(Ending.OUTSIDE, note.kind)
        if self.fork(operation, f"{note.kind}: {note.what}", moment):
            self.end(Ending.OPEN, f"{note.kind}: {note.what}")
        return False

    def starts(self, boot: Boot, moment: Moment) -> bool:
        """See Decider."""
        operation = moment.operations[boot.operation]
        started = self.setting.judge(boot, moment.operations)
        place = (operation.variable, operation.at, operation.command)
        if place in self.forced:
            started = Started(starts=None, why="taken to start")
        self.path.boot = boot
        if started.starts or not started.returns:
            self.path.started = started
        if started.starts:
            self.end(Ending.STARTS, "")
        if started.starts is None:
            outside = started.outside or (self.there if boot.kernel is None else "")
            if not self.fork(operation, started.why, moment, outside):
                return False
            self.path.outside |= {outside} - {""}
            self.end(Ending.OUTSIDE if outside else Ending.OPEN, started.why)
        self.path.taken.append(
            Taken(
                operation,
                succeeds=False,
                why=started.why,
                blame=started.blame,
                judged=started,
            )
        )
        if not started.returns:
            self.end(Ending.DEAD, started.why)
        return False

    def fork(self, operation: Operation, why: str, moment: Moment, outside: str = "") -> bool:
        """Take the next choice; behind the given ones, fail."""
        number = len(self.made)
        if number >= len(self.choices):
            key = self.key(operation, moment)
            if key in self.seen:
                self.end(Ending.MERGED, "")
            self.seen.add(key)
        succeeds = number < len(self.choices) and self.choices[number]
        self.made.append(succeeds)
        self.path.taken.append(Taken(operation, succeeds, why, known=False, outside=outside))
        return succeeds

    def end(self, ending: Ending, why: str) -> None:
        self.path.ending, self.path.why = ending, why
        raise _EndError

    def key(self, operation: Operation, moment: Moment) -> Hashable:
        """Name all that decides how the path goes on."""
        state, places = moment.state, moment.operations
        memory = frozenset(
            (at, buffer.size, *sorted(_spot(places, filler) for filler in buffer.fillers))
            for at, buffer in state.memory.items()
        )
        return (
            moment.calls,
            (operation.variable, operation.at, operation.command),
            frozenset(state.environment.items()),
            frozenset(state.local.items()),
            frozenset(state.selected.items()),
            memory,
            state.status,
            frozenset(self.answers.items()),
            frozenset(self.empty),
            self.there,
        )


def _spot(operations: Sequence[Operation], filler: int | None) -> tuple[str, int]:
    return ("", -1) if filler is None else (operations[filler].variable, operations[filler].at)


def explore(
    setting: Setting, entry: str, *, forced: Mapping[Place, bool] | None = None, most: int = 0
) -> tuple[list[Path], bool]:
    """Follow an entry along every path, and tell whether those are all.

    Args:
        setting: environment, world and board.
        entry: the variable that is run.
        forced: how some commands are taken to end.
        most: paths to follow at most.

    """
    paths: list[Path] = []
    seen: set[Hashable] = set()
    open_ways: list[tuple[bool, ...]] = [()]
    reading = sum(map(len, setting.variables.values())) // _TEXT_A_STEP
    # The first path is followed in any case: without one there is nothing to say.
    while open_ways and len(paths) < (most or MAX_PATHS) and (setting.steps.left > 0 or not paths):
        choices = open_ways.pop()
        one = _OnePath(setting, choices, seen, forced or {})
        paths.append(_follow(one, setting, entry))
        setting.steps.left -= len(one.path.taken) + reading
        made = tuple(one.made)
        open_ways += [(*made[:at], True) for at in range(len(choices), len(made))]
    return paths, not open_ways


def _follow(one: _OnePath, setting: Setting, entry: str) -> Path:
    path = one.path
    try:
        path.walk = walk(setting.variables, entry, setting.world, one, setting.parsed)
    except _EndError:
        return path
    _missing(path)
    if not path.walk.complete:
        path.ending, path.why = Ending.OPEN, "it is too long to follow to its end"
    elif not path.walk.falls_through and path.walk.ends:
        path.stop = path.walk.ends[-1].how
    return path


_BREAKS = {
    Gap.MISSING_SCRIPT: "nothing defines {what}",
    Gap.SYNTAX: "the script has a syntax error: {what}",
    Gap.RUNS_ITSELF: "{what} runs itself without an end",
    Gap.ENDLESS: "the loop has no end",
}


def _missing(path: Path) -> None:
    """Add what fails without being a command's own doing."""
    notes = path.walk.unresolved if path.walk is not None else ()
    operations = path.walk.operations if path.walk is not None else ()
    for note in notes:
        if not isinstance(note.kind, Gap) or note.kind not in _BREAKS:
            continue
        why = _BREAKS[note.kind].format(what=note.what)
        operation = next(
            (op for op in operations if (op.variable, op.at) == (note.variable, note.at)),
            Operation(
                index=len(operations),
                kind=Kind.RUN,
                command=f"run {note.variable}",
                arguments=(),
                variable=note.variable,
                at=note.at,
                conditions=(),
            ),
        )
        path.taken.append(Taken(operation, succeeds=False, why=why))
    path.taken.sort(key=lambda taken: taken.operation.index)
