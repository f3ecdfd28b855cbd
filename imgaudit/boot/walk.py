"""Follow a boot on paper: which commands run, on which bytes, under which conditions.

Nothing is executed. Each command is taken to succeed and to fail where either can happen; where
both ways meet again, what differs is unknown from there on.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Protocol

from imgaudit import bounds
from imgaudit.boot import commands, flows, shell
from imgaudit.boot.call import Call, Done, Start
from imgaudit.boot.extlinux import Label, beside, parse_extlinux
from imgaudit.boot.media import find_file
from imgaudit.boot.records import (
    Boot,
    Cause,
    Condition,
    End,
    Gap,
    Kind,
    Note,
    Oddity,
    Operation,
    Outcome,
    Reason,
    Walk,
    World,
)
from imgaudit.boot.shell import Command, For, If, List, Loop, Node, Script, Step, Variable
from imgaudit.boot.state import Buffer, State, join
from imgaudit.boot.values import Hole, Text
from imgaudit.data import dataclass
from imgaudit.patterns import regex
from imgaudit.units import Span

__all__ = [
    "Boot",
    "Condition",
    "Decider",
    "End",
    "Kind",
    "Note",
    "Operation",
    "Outcome",
    "Walk",
    "World",
    "entries",
    "walk",
]

MAX_OPERATIONS = 4000
"""Commands followed in one walk; default environments need a few hundred."""
MAX_DEPTH = 48
"""Lists inside lists, over all scripts that run each other."""
MAX_ROUNDS = 256
"""Rounds of a loop whose end is known."""
MAX_OPEN_ROUNDS = 3
"""Rounds of a loop whose end depends on what is unknown."""
MAX_REENTRIES = 4
"""How often a variable may run itself, directly or not."""
ASKING = frozenset({"test", "[", "itest", "itest.b", "itest.w", "itest.l", "itest.s"})
NEVER_CHECKED = frozenset({Kind.BOOT, Kind.RUN, Kind.TEST, Kind.SHOW, Kind.SET, Kind.RESET})
"""Their failure decides nothing about what is booted."""
MAX_LABELS = 16
"""Labels of an extlinux.conf that are followed."""
MAX_CONDITIONS = 48
"""Conditions kept for one command; the last one always is."""
MAX_ASSIGNED = 1 << 14
"""Characters in a value that a script builds."""

RUN_TIME = frozenset(
    {"arch", "board", "board_name", "board_rev", "cpu", "soc", "vendor", "ver", "serial#"}
    | {"ethact", "ethaddr", "ipaddr", "netmask", "gatewayip", "dnsip", "serverip"}
    | {"bootcount", "fdtcontroladdr"}
)
"""Variables that U-Boot itself sets at run time (doc/usage/environment.rst)."""
SETTINGS = (
    "bootm_low",
    "bootm_mapsize",
    "bootm_size",
    "fdt_high",
    "initrd_high",
    "kernel_comp_addr_r",
    "kernel_comp_size",
    "loadaddr",
    "verify",
)
"""Variables that decide where a boot command puts things (doc/usage/environment.rst)."""


Parsed = dict[tuple[str, str], Script]
"""Scripts by the name and the text of what they were read from."""


@dataclass(frozen=True, slots=True)
class Moment:
    """Where a walk is: its operations so far, its state, and the calls and rounds it is inside."""

    operations: Sequence[Operation]
    state: State
    calls: tuple[tuple[str, int], ...]


class Decider(Protocol):
    """Says how what may go either way goes, so that a walk is one path."""

    def outcome(self, operation: Operation, done: Done, moment: Moment) -> bool:
        """Tell whether a command succeeds."""
        ...

    def starts(self, boot: Boot, moment: Moment) -> bool:
        """Tell whether a boot command starts what it is given, rather than coming back."""
        ...

    def either(self, note: Note, moment: Moment) -> bool:
        """Tell how something ends that is not known itself, such as a script."""
        ...


def walk(
    environment: Mapping[str, str],
    entry: str,
    world: World | None = None,
    decider: Decider | None = None,
    parsed: Parsed | None = None,
) -> Walk:
    """Follow `run entry` with the environment; ends always, within fixed bounds.

    With a `decider`, one path is followed instead of all. `parsed` keeps the scripts that were
    read, for further walks.
    """
    walker = _Walker(environment, world or World(), decider, {} if parsed is None else parsed)
    return walker.walk(entry)


def entries(environment: Mapping[str, str]) -> tuple[str, ...]:
    """Name the variables that U-Boot runs by itself: before, instead of and as the boot.

    Source: U-Boot doc/usage/environment.rst, doc/api/bootcount.rst.
    """
    return tuple(name for name in ("preboot", "bootcmd", "altbootcmd") if environment.get(name))


@dataclass(slots=True)
class _Ways:
    """How a command can come back: the state if it succeeded and if it failed, None if it cannot.

    `started` tells that something inside may have booted or reset instead of coming back;
    `simple` that it is one command whose effects are all in `success`.
    """

    success: State | None
    failure: State | None
    started: bool = False
    simple: bool = False


_ASSIGNS = regex(
    r"\b(?:setenv(?: -f)?|env set|setexpr(?:\.\w)?|for|askenv) +([\w#-]+)"
    r"|(?:^|[;\s])([A-Za-z]\w*)="
)


def _assigned(texts: Iterable[str]) -> set[str]:
    """Find the names that some script sets: they may be unset now, but are not forgotten."""
    return {name for text in texts for pair in _ASSIGNS.findall(text) for name in pair if name}


def _goes_on(done: Done) -> bool:
    """Tell whether other commands decide how this one ends."""
    more = done.source_at is not None or done.script is not None
    return bool(done.runs or done.any_of or done.ends or more)


class _Walker:
    def __init__(
        self,
        environment: Mapping[str, str],
        world: World,
        decider: Decider | None,
        parsed: Parsed,
    ) -> None:
        self.environment = environment
        self.world = world
        self.decider = decider
        self.operations: list[Operation] = []
        self.boots: list[Boot] = []
        self.ends: dict[tuple[str, str, int], End] = {}
        self.unresolved: dict[tuple[str, str], Note] = {}
        self.oddities: dict[tuple[str, str], Note] = {}
        self.unchecked: set[int] = set()
        self.own: set[int] = set()  # what U-Boot's code does, and no script says
        self.ignored: set[int] = set()
        self.parsed = parsed
        self.stack: list[str] = []
        self.depth = 0
        self.budget = MAX_OPERATIONS * 4
        self.complete = True
        self.assigned = _assigned(environment.values())
        # What commands that set variables have set: what a load sets by the way is left out.
        self.set: set[str] = set()
        self.left: list[_Ways] = []
        self.repeated: list[dict[Command, int]] = []
        self.calls: list[tuple[str, int]] = []

    def moment(self, state: State) -> Moment:
        """Say where the walk is."""
        return Moment(self.operations, state, tuple(self.calls))

    def walk(self, entry: str) -> Walk:
        values = {name: Text.of(value) for name, value in self.environment.items() if value}
        for name, value in self.world.variables.items():
            values[name] = Text.unknown(name) if value is None else Text.of(value)
        state = State(values)
        falls_through, succeeds, after = True, None, None
        if entry not in values:
            self.note(Gap.MISSING_SCRIPT, entry, entry, 0)
        else:
            length = len(str(values[entry]))
            ways = self.variable(entry, state, (entry, 0))
            if (ways.success is None) != (ways.failure is None):
                succeeds = ways.failure is None
            after = join(ways.success, ways.failure)
            falls_through = after is not None
            if after is not None:
                if ways.started:
                    after.path = (Condition(entry, Outcome.RETURNS, True, entry, 0),)
                self.end("prompt", entry, length, after)
        unchecked = self.unchecked - self.own
        return Walk(
            entry=entry,
            operations=tuple(
                replace(
                    operation,
                    checked=operation.index not in unchecked,
                    ignored=operation.index in self.ignored,
                )
                for operation in self.operations
            ),
            boots=tuple(self.boots),
            ends=tuple(self.ends.values()),
            unresolved=tuple(self.unresolved.values()),
            oddities=tuple(self.oddities.values()),
            falls_through=falls_through,
            complete=self.complete,
            succeeds=succeeds,
            variables={}
            if after is None
            else {name: value.plain for name, value in after.environment.items()},
        )

    def note(self, kind: Gap, what: str, variable: str, at: int) -> None:
        """Remember what cannot be known; the first place of each is enough."""
        self.unresolved.setdefault((kind, what), Note(kind, what, variable, at))

    def end(self, how: str, variable: str, at: int, state: State) -> None:
        """Remember where a path stops; the first path to a place is enough."""
        self.ends.setdefault((how, variable, at), End(how, variable, at, state.path))

    def odd(self, kind: Oddity, what: str, variable: str, at: int) -> None:
        """Remember something that the shell does unexpectedly."""
        self.oddities.setdefault((kind, what), Note(kind, what, variable, at))

    def spend(self) -> bool:
        """Take one step from the budget; False when there is none left."""
        self.budget -= 1
        if self.budget < 0 or len(self.operations) >= MAX_OPERATIONS:
            self.complete = False
            return False
        return True

    # Scripts --------------------------------------------------------------------------------------

    def variable(self, name: str, state: State, place: tuple[str, int]) -> _Ways:
        """Run a variable, as the `run name` at a place (a text's name and an offset)."""
        value = state.environment.get(name)
        if value is None:
            self.note(Gap.MISSING_SCRIPT, name, *place)
            return _Ways(None, state)
        if value.plain is None:
            self.note(Gap.SCRIPT, name, *place)
            return self.either(state, Gap.SCRIPT, name, *place)
        if self.stack.count(name) >= MAX_REENTRIES:
            self.note(Gap.RUNS_ITSELF, name, *place)
            self.end("loop", *place, state)
            return _Ways(None, None, started=True)
        script = self.parsed.get((name, value.plain))
        if script is None:
            script = shell.parse(value.plain, name, modern=self.world.modern_shell)
            self.parsed[name, value.plain] = script
        self.calls.append(place)
        ways = self.script(script, state)
        self.calls.pop()
        return ways

    def script(self, script: Script, state: State) -> _Ways:
        """Run all units of a parsed text; `exit` inside leaves it."""
        if script.problem is not None:
            self.note(Gap.SYNTAX, script.problem.why, script.name, script.problem.at)
        if self.depth >= MAX_DEPTH:
            self.note(Gap.DEPTH, script.name, script.name, 0)
            self.complete = False
            return self.either(state, Gap.DEPTH, script.name, script.name, 0)
        self.stack.append(script.name)
        self.left.append(_Ways(None, None))
        self.repeated.append({})
        ways, place = _Ways(state, None), (0, 0)
        for unit in script.units:
            here = self.passed(ways, script, place)
            if here is None:
                break
            started = ways.started
            # an empty line succeeds, whatever stood before it
            ways = self.sequence(unit, here, script) if unit.steps else _Ways(here, None)
            ways.started |= started
            if unit.steps:
                place = (unit.steps[0].node.at, unit.steps[-1].node.end)
        if script.problem is not None:
            ways = _Ways(None, join(ways.success, ways.failure), ways.started)
        left = self.left.pop()
        self.repeated.pop()
        self.stack.pop()
        return _Ways(
            join(ways.success, left.success), join(ways.failure, left.failure), ways.started
        )

    def either(self, state: State, why: Gap, what: str, variable: str, at: int) -> _Ways:
        """Come back both ways, for a reason that is not known."""
        if self.decider is not None:
            succeeds = self.decider.either(Note(why, what, variable, at), self.moment(state))
            return _Ways(state, None) if succeeds else _Ways(None, state)
        return _Ways(state, state.copy())

    # Lists and compound commands ------------------------------------------------------------------

    def sequence(self, items: List, state: State, script: Script) -> _Ways:
        """Run steps in order; what stands behind a `;` runs however the part before it ended."""
        ways, started = _Ways(state, None), False
        chain: list[Step] = []
        place = (0, 0)
        self.depth += 1
        for step in items.steps:
            chain.append(step)
            if step.follow != ";" and step is not items.steps[-1]:
                continue
            here = self.passed(ways, script, place)
            if here is None:
                break
            ways = self.chain(chain, here, script)
            started |= ways.started
            place = (chain[0].node.at, chain[-1].node.end)
            chain = []
        self.depth -= 1
        return _Ways(ways.success, ways.failure, started)

    def passed(self, ways: _Ways, script: Script, place: tuple[int, int]) -> State | None:
        """Go on behind a `;`: nobody looked at how the command ended.

        The script relies on a single command then, so its variables and devices are as it leaves
        them; only RAM may hold something else.
        """
        if ways.failure is not None:
            self.ignored |= ways.failure.blame
            ways.failure.ignored |= ways.failure.blame
            ways.failure.blame = frozenset()
        state = join(ways.success, ways.failure)
        if ways.simple and state is not None and ways.success is not None:
            state.environment = ways.success.environment
            state.selected = ways.success.selected
        if state is not None and ways.started:
            return self.enter(state, script, place, Outcome.RETURNS, ())
        return state

    def chain(self, steps: list[Step], state: State, script: Script) -> _Ways:
        """Run `a && b || c`.

        Once an operator decides against its right side, the old parser skips the whole rest, so
        that `c` does not run when `a` fails; the modern one goes on to the next operator that
        wants it, as POSIX does (U-Boot test/hush/list.c has the tables of both).
        """
        path, modern = state.path, self.world.modern_shell
        if len(steps) > 1 and self.shell_lacks(script, steps[0].node.at, steps[-1].node.end):
            return _Ways(None, state)
        success: State | None = state
        failure: State | None = None
        skipped = _Ways(None, None)
        before, started, first = "&&", False, len(self.operations)
        simple = False
        for number, step in enumerate(steps):
            here = success if before == "&&" else failure
            if here is None:
                if not modern:
                    break
                before = step.follow
                continue
            if not modern:
                first = len(self.operations)
            ways = self.node(step.node, here, script)
            started |= ways.started
            simple = ways.simple and len(steps) == 1
            if before == "&&":
                success, failure = ways.success, join(failure, ways.failure)
            else:
                success, failure = join(success, ways.success), ways.failure
            before = step.follow
            if number == len(steps) - 1:
                break
            place = (steps[0].node.at if modern else step.node.at, step.node.end)
            open_end = success is not None and failure is not None
            decided_by = self.operations[first:]
            if before == "&&":
                outcome = Outcome.SUCCEEDS if open_end else Outcome.RETURNS
                wanted, lost = success, failure
            else:
                outcome = Outcome.FAILS if open_end else Outcome.RETURNS
                wanted, lost = failure, success
            if wanted is not None and (open_end or ways.started):
                wanted = self.enter(wanted, script, place, outcome, decided_by)
            if not modern and lost is not None:
                self.skip(steps[number:], lost, before, script, skipped)
                lost = None
            success, failure = (wanted, lost) if before == "&&" else (lost, wanted)
        success, failure = join(success, skipped.success), join(failure, skipped.failure)
        return self.back(_Ways(success, failure, started, simple), path)

    def skip(
        self, rest: list[Step], lost: State, operator: str, script: Script, skipped: _Ways
    ) -> None:
        """Leave a chain early, as the old parser does."""
        if operator == "&&":
            skipped.failure = join(skipped.failure, lost)
        else:
            skipped.success = join(skipped.success, lost)
        wants = "||" if operator == "&&" else "&&"
        if any(step.follow == wants for step in rest[1:-1]):
            at, end = rest[0].node.at, rest[-1].node.end
            kind = Oddity.OR_AFTER_AND if operator == "&&" else Oddity.AND_AFTER_OR
            self.odd(kind, self.quote(script, at, end), script.name, at)

    @staticmethod
    def back(ways: _Ways, path: tuple[Condition, ...]) -> _Ways:
        """Leave a construct: the conditions inside it do not hold behind it."""
        for state in (ways.success, ways.failure):
            if state is not None:
                state.path = path
        return ways

    def enter(
        self,
        state: State,
        script: Script,
        place: tuple[int, int],
        outcome: Outcome,
        decided_by: Iterable[Operation],
    ) -> State:
        """Go on under a condition; a failure that decides it has been looked at."""
        failure = outcome is Outcome.RETURNS or (
            outcome is Outcome.FAILS and any(operation.can_fail for operation in decided_by)
        )
        condition = Condition(self.quote(script, *place), outcome, failure, script.name, place[0])
        state = state.copy()
        state.blame = frozenset()
        if condition not in state.path:
            state.path = (*state.path[: MAX_CONDITIONS - 1], condition)
        return state

    @staticmethod
    def quote(script: Script, at: int, end: int) -> str:
        """Give a piece of the text on one line."""
        return " ".join(script.text[at:end].split())

    def node(self, node: Node, state: State, script: Script) -> _Ways:
        """Run one command, simple or compound."""
        if not self.spend():
            return _Ways(state, None)
        path = state.path
        if not isinstance(node, Command) and self.shell_lacks(script, node.at, node.end):
            return _Ways(None, state)
        if isinstance(node, Command):
            ways = self.command(node, state, script)
        elif isinstance(node, If):
            ways = self.when(node, state, script)
        elif isinstance(node, For):
            ways = self.each(node, state, script)
        else:
            ways = self.loop(node, state, script)
        return self.back(ways, path)

    def shell_lacks(self, script: Script, at: int, end: int) -> bool:
        """Note what only the shell knows where U-Boot has but the simple command line.

        Source: U-Boot common/cli_simple.c: what comes behind a command are its arguments.
        """
        # Standard boot is code: it is only written as a script here.
        if script.name == flows.NAME or self.world.options.shell() is None:
            return False
        self.odd(Oddity.NO_SHELL, self.quote(script, at, end), script.name, at)
        return True

    def decide(self, condition: List, state: State, script: Script) -> _Ways:
        """Run a condition and enter both ways that it can go."""
        path, first = state.path, len(self.operations)
        ways = self.back(self.sequence(condition, state, script), path)
        success, failure = ways.success, ways.failure
        for after in (success, failure):
            if after is not None:
                after.blame = frozenset()
        if not condition.steps or (not ways.started and (success is None or failure is None)):
            return ways
        place = (condition.steps[0].node.at, condition.steps[-1].node.end)
        decided_by = self.operations[first:]
        if success is not None:
            success = self.enter(success, script, place, Outcome.SUCCEEDS, decided_by)
        if failure is not None:
            outcome = Outcome.FAILS if success is not None else Outcome.RETURNS
            failure = self.enter(failure, script, place, outcome, decided_by)
        return _Ways(success, failure, ways.started)

    def when(self, node: If, state: State, script: Script) -> _Ways:
        """Run `if`: without a branch to take it fails in the old parser (cli_hush.c)."""
        out = _Ways(None, None)
        here: State | None = state
        for condition, body in node.branches:
            if here is None:
                break
            ways = self.decide(condition, here, script)
            out.started |= ways.started
            here = ways.failure
            if ways.success is not None:
                self.merge(out, self.sequence(body, ways.success, script))
        if here is not None and node.otherwise is not None:
            self.merge(out, self.sequence(node.otherwise, here, script))
        elif here is not None:
            if self.world.modern_shell:
                here.status = 0
            if self.world.modern_shell:
                out.success = join(out.success, here)
            else:
                out.failure = join(out.failure, here)
        return out

    @staticmethod
    def merge(into: _Ways, ways: _Ways) -> None:
        """Add one branch's ways out."""
        into.success = join(into.success, ways.success)
        into.failure = join(into.failure, ways.failure)
        into.started |= ways.started

    def each(self, node: For, state: State, script: Script) -> _Ways:
        """Run `for`; its variable is a shell variable, which the environment hides."""
        if node.name in state.environment:
            self.odd(Oddity.HIDDEN_VARIABLE, node.name, script.name, node.at)
        ways, started = _Ways(state, None), False
        found = shell.items(node.words, self.lookup(state, script))
        if not found:
            state.status = 0
        for number, item in enumerate(found):
            here = self.passed(ways, script, (node.at, node.end))
            if here is None or not self.spend():
                break
            here.assign(node.name, item)
            if not self.world.modern_shell:
                here.status = 0  # it is set by a command of its own
            self.calls.append((script.name, -number))
            ways = self.sequence(node.body, here, script)
            self.calls.pop()
            started |= ways.started
        return _Ways(ways.success, ways.failure, started)

    def loop(self, node: Loop, state: State, script: Script) -> _Ways:
        """Run `while` or `until`, a bounded number of rounds."""
        out = _Ways(None, None)
        here: State | None = state
        rounds = open_rounds = 0
        while here is not None:
            seen = here.copy()
            ways = self.decide(node.condition, here, script)
            out.started |= ways.started
            enter, leave = ways.success, ways.failure
            if node.until:
                enter, leave = leave, enter
            if node.until or self.world.modern_shell:
                out.success = join(out.success, leave)
            else:
                # cli_hush.c: the status is that of the condition, which has failed
                out.failure = join(out.failure, leave)
            rounds += 1
            open_rounds += leave is not None
            if enter is None:
                break
            ways = self.sequence(node.body, enter, script)
            out.started |= ways.started
            here = self.passed(ways, script, (node.at, node.end))
            if here is None:
                break
            if here.same_values(seen):
                if leave is None:
                    self.note(
                        Gap.ENDLESS,
                        self.quote(script, node.at, node.end),
                        script.name,
                        node.at,
                    )
                    self.end("loop", script.name, node.at, here)
                    out.started = True
                break
            if rounds >= MAX_ROUNDS or open_rounds >= MAX_OPEN_ROUNDS or not self.spend():
                self.note(
                    Gap.LONG_LOOP,
                    self.quote(script, node.at, node.end),
                    script.name,
                    node.at,
                )
                out.success = join(out.success, here)
                break
        return out

    # Simple commands ------------------------------------------------------------------------------

    def lookup(
        self, state: State, script: Script, *, asks: bool = False
    ) -> Callable[[Variable], Text]:
        """Give a function that finds values and remembers what is missing.

        A variable may well be empty where a command `asks` for that, or where a script set it so.
        """

        def find(variable: Variable) -> Text:
            if variable.name == "?":
                if state.status is None:
                    return Text.unknown("?")
                return Text.of(str(state.status & 0xFFFFFFFF))
            value = state.get(variable.name)
            if value is None and variable.name in RUN_TIME:
                self.note(Gap.RUN_TIME, variable.name, script.name, variable.at)
                return Text.unknown(variable.name)
            if variable.how:
                return self.defaulted(variable, value, state)
            if value is None:
                asked = asks or variable.name in self.assigned
                kind = Gap.EMPTY if asked else Gap.UNDEFINED
                self.note(kind, variable.name, script.name, variable.at)
                return Text(())
            return value

        return find

    def defaulted(self, variable: Variable, value: Text | None, state: State) -> Text:
        """Expand `${name:-other}` and its kin; the old parser's `:+` works the wrong way round."""
        if value is not None and value.plain is None:
            return Text.unknown(variable.name)
        there = value is not None and value.plain != ""
        other = Text.of(variable.other)
        if variable.how == "+":
            return other if there == self.world.modern_shell else Text(())
        if there and value is not None:
            return value
        if variable.how == "=":
            state.assign(variable.name, other)
        return other

    def command(self, node: Command, state: State, script: Script) -> _Ways:
        """Run a simple command or set shell variables."""
        asks = len(node.words) == 1 or node.words[0].literal in ASKING

        def assign(name: str, value: Text) -> None:
            self.assigned.add(name)
            state.assign(name, self.bounded(name, value))

        before = self.repeated[-1].get(node, 0)
        self.repeated[-1][node] = before + 1
        expanded = shell.expand(
            node.words, self.lookup(state, script, asks=asks), assign, before=before
        )
        arguments = expanded.words
        if not arguments and not expanded.kept:
            state.status = 0
            return _Ways(state, None)
        if not arguments:
            # cli_hush.c: an empty command keeps the status of the one before
            self.odd(
                Oddity.NOTHING_LEFT,
                self.quote(script, node.at, node.end),
                script.name,
                node.at,
            )
            if state.status is None:
                quoted = self.quote(script, node.at, node.end)
                return self.either(state, Gap.STATUS, quoted, script.name, node.at)
            return _Ways(None, state) if state.status else _Ways(state, None)
        call = Call(arguments, state, self.world)
        function = commands.known(call.name)
        lack = self.world.options.command(tuple(word.plain or "" for word in call.words[:2]))
        if lack is not None and script.name != flows.NAME:
            self.odd(Oddity.NOT_BUILT_IN, call.name, script.name, node.at)
            cause = Cause(Reason.NOT_BUILT_IN, {"lack": str(lack)})
            done = Done(kind=Kind.OTHER, succeeds=False, cause=cause)
        elif function is not None:
            done = function(call)
        elif call.words[0].plain is None:
            done = Done(kind=Kind.UNKNOWN, unresolved=Gap.COMMAND_NAME)
        else:
            self.note(Gap.COMMAND, call.name, script.name, node.at)
            short = commands.abbreviates(call.name)
            reason = Reason.SHORT_FORM if short else Reason.UNKNOWN_COMMAND
            done = Done(
                kind=Kind.UNKNOWN,
                succeeds=None if short else False,
                cause=Cause(reason, {"name": call.name}),
            )
        if done.unresolved:
            self.note(done.unresolved, " ".join(map(str, arguments)), script.name, node.at)
        if done.oddity:
            self.odd(done.oddity, " ".join(map(str, arguments)), script.name, node.at)
        if done.exits and expanded.again:
            # cli_hush.c: it leaves only the second reading of its own command
            return self.coded(self.exit_code(arguments), state, script.name, node.at)
        return self.act(done, arguments, state, script, node)

    def coded(self, code: int | None, state: State, variable: str, at: int) -> _Ways:
        """Come back with the exit code of an `exit` at a place."""
        state.status = code
        if code is None:
            return self.either(state, Gap.STATUS, "exit", variable, at)
        return _Ways(None, state) if code else _Ways(state, None)

    @staticmethod
    def exit_code(arguments: Sequence[Text]) -> int | None:
        """Give the code that `exit` leaves with (common/cli_hush.c, cmd/exit.c)."""
        return arguments[1].number(10) if len(arguments) > 1 else 0

    @staticmethod
    def bounded(name: str, value: Text) -> Text:
        """Give up on values that grow without end."""
        return value if len(str(value)) <= MAX_ASSIGNED else Text.unknown(name)

    def record(
        self,
        done: Done,
        arguments: Sequence[Text],
        state: State,
        script: Script,
        at: int,
    ) -> Operation:
        """Write an operation down."""
        ram = None
        if done.fills is not None and done.fills_size is not None:
            ram = Span.sized(done.fills, done.fills_size)
        operation = Operation(
            index=len(self.operations),
            kind=done.kind,
            command=" ".join(map(str, arguments)),
            arguments=tuple(map(str, arguments)),
            variable=script.name,
            at=at,
            conditions=state.path,
            device=done.device,
            partition=done.partition,
            path=done.path,
            span=done.span,
            ram=ram,
            ram_at=done.fills,
            source=done.source,
            runs=done.runs or done.any_of,
            succeeds=done.succeeds,
            cause=done.cause if done.succeeds is not True else None,
            optional=done.optional,
            can_fail=done.breaks if done.succeeds else done.succeeds is None and not done.choice,
            saves=dict(self.changed(state)) if done.kind is Kind.SAVE else {},
        )
        self.operations.append(operation)
        return operation

    def changed(self, state: State) -> Iterator[tuple[str, str | None]]:
        """Give the variables that are otherwise than at the start, as far as that is known.

        Source: U-Boot env/common.c (`env_export`: all that the table holds is saved).
        """
        before = self.environment
        for name, value in state.environment.items():
            if value.plain is not None and value.plain != before.get(name) and name in self.set:
                yield name, value.plain
        yield from ((name, None) for name in before if name not in state.environment)

    def act(
        self, done: Done, arguments: Sequence[Text], state: State, script: Script, node: Command
    ) -> _Ways:
        """Apply what a command does, for its success and for its failure."""
        operation = self.record(done, arguments, state, script, node.at)
        succeeds = None if done.succeeds and done.breaks else done.succeeds
        if self.world.is_dead(done.device):
            succeeds = False
        elif self.decider is not None and done.start is None and not _goes_on(done):
            succeeds = self.decider.outcome(operation, done, self.moment(state))
        if done.start is not None:
            return self.boot(done.start, operation, state, can=succeeds is not False)
        if done.ends:
            self.end(done.ends, script.name, node.at, state)
            return _Ways(None, None, started=True)
        if succeeds is not False:
            if done.runs:
                return self.runs(done.runs, state, (script.name, node.at))
            if done.any_of:
                return self.any_of(done.any_of, state, (script.name, node.at))
            if done.source_at is not None:
                return self.source(done.source_at, operation, state)
            if done.configuration is not None:
                return self.configuration(operation, state, script)
            if done.script is not None:
                return self.script(shell.parse(done.script, flows.NAME), state)
        self.assigned.update(done.always)
        self.set.update(done.always)
        state.set(done.always)
        failed = state.copy()
        failed.status = 1
        failed.set({name: value for name, value in done.sets.items() if name.startswith("file")})
        if operation.can_fail:
            failed.blame = frozenset({operation.index})
        if done.fills is not None:
            failed.fill(done.fills, None, None)
        if succeeds is False:
            return _Ways(None, failed)
        state.status = 0
        self.apply(done, operation, state)
        if done.exits:
            return self.leave(arguments, state)
        return _Ways(state, failed if succeeds is None else None, simple=not done.choice)

    def apply(self, done: Done, operation: Operation, state: State) -> None:
        """Change variables, selected devices and RAM as a success does."""
        self.assigned.update(done.sets)
        if done.kind is Kind.SET:
            self.set.update(done.sets)
        state.set(
            {
                name: None if value is None else self.bounded(name, value)
                for name, value in done.sets.items()
            }
        )
        state.selected.update(done.selects)
        if done.imports_at is not None:
            self.imports(done, operation, state)
        if done.fills is not None:
            state.fill(done.fills, done.fills_size, operation.index)
            if done.source is not None and None in state.buffer(done.source.start).fillers:
                state.memory[done.fills] = Buffer(
                    frozenset({operation.index, None}), done.fills_size
                )

    def leave(self, arguments: Sequence[Text], state: State) -> _Ways:
        """Leave the innermost script."""
        code = self.exit_code(arguments)
        state.status = code
        if code is None or not code:
            self.left[-1].success = join(self.left[-1].success, state)
        if code is None or code:
            self.left[-1].failure = join(self.left[-1].failure, state.copy())
        return _Ways(None, None)

    # What runs other scripts ----------------------------------------------------------------------

    def runs(self, names: Sequence[str], state: State, place: tuple[str, int]) -> _Ways:
        """Run variables in turn; the first that fails ends it (cmd/run, `do_run`)."""
        out = _Ways(None, None)
        here: State | None = state
        for number, name in enumerate(names):
            if here is None:
                break
            self.calls.append((name, -number))
            ways = self.variable(name, here, place)
            self.calls.pop()
            out.failure = join(out.failure, ways.failure)
            out.started |= ways.started
            here = ways.success
        out.success = here
        for state_after, status in ((out.success, 0), (out.failure, 1)):
            if state_after is not None:
                state_after.status = status
        return out

    def any_of(self, names: Sequence[str], state: State, place: tuple[str, int]) -> _Ways:
        """Run one of several variables."""
        out = _Ways(None, None)
        for name in names:
            self.merge(out, self.variable(name, state.copy(), place))
        return out

    def texts(self, at: int, state: State) -> dict[str, str]:
        """Find the texts that may be at an address, by the name of where they came from."""
        found = {}
        for filler in state.buffer(at).fillers:
            operation = None if filler is None else self.operations[filler]
            if operation is None or operation.device is None:
                continue
            if operation.path is not None:
                key = (operation.device, operation.partition or "", operation.path)
                text = self.world.scripts.get(key)
                name = operation.path
            elif operation.span is not None:
                text = self.world.raw_scripts.get((operation.device, operation.span.start))
                name = f"{operation.device}@{operation.span.start:#x}"
            else:
                continue
            if text is not None:
                found[name] = text
        return found

    def is_no_script(self, at: int, state: State) -> bool:
        """Tell whether it is certain that no uImage or FIT is at an address (cmd/source.c)."""
        for filler in state.buffer(at).fillers:
            operation = None if filler is None else self.operations[filler]
            if operation is None:
                return False
            key = (operation.device or "", operation.partition or "", operation.path or "")
            format_of = self.world.formats.get(key)
            # the script of a uImage is known where it is one, and its sums hold
            without = format_of == "uimage" and key not in self.world.scripts
            may = format_of in {None, "uimage", "fit"} and not without
            if operation.kind is not Kind.FILL and may:
                return False
        return True

    def source(self, at: int, operation: Operation, state: State) -> _Ways:
        """Run the script at an address."""
        texts = self.texts(at, state)
        if self.is_no_script(at, state):
            self.note(Gap.NO_SCRIPT, operation.command, operation.variable, operation.at)
            state.status = 1
            state.blame = frozenset({operation.index})
            return _Ways(None, state)
        if not texts:
            self.note(Gap.SCRIPT, operation.command, operation.variable, operation.at)
            if self.decider is not None:
                place = (operation.variable, operation.at)
                return self.either(state, Gap.SCRIPT, operation.command, *place)
            failed = state.copy()
            failed.blame = frozenset({operation.index})
            return _Ways(state, failed)
        out = _Ways(None, None)
        for name, text in texts.items():
            script = self.parsed.get((name, text))
            if script is None:
                script = shell.parse(text, name, lines=True, modern=self.world.modern_shell)
                self.parsed[name, text] = script
            if self.stack.count(name) >= MAX_REENTRIES:
                self.note(Gap.RUNS_ITSELF, name, name, 0)
                continue
            self.merge(out, self.script(script, state.copy()))
        fillers = state.buffer(at).fillers
        if None in fillers:
            self.unchecked.update(filler for filler in fillers if filler is not None)
            out.failure = join(out.failure, state)
        return out

    def imports(self, done: Done, operation: Operation, state: State) -> None:
        """Take variables from a text in RAM, one `name=value` a line (`env import -t`)."""
        texts = self.texts(done.imports_at or 0, state)
        if len(texts) != 1:
            self.note(
                Gap.IMPORTED_ENVIRONMENT,
                operation.command,
                operation.variable,
                operation.at,
            )
            return
        for line in next(iter(texts.values())).splitlines():
            name, equals, value = line.partition("=")
            if equals and not name.startswith("#") and (not done.imports or name in done.imports):
                self.set.add(name)
                state.set({name: Text.of(value)})

    def configuration(self, operation: Operation, state: State, script: Script) -> _Ways:
        """Follow an extlinux.conf: each label in turn, the default one first."""
        device, partition, path = operation.device, operation.partition, operation.path
        text = None
        if device is not None and path is not None:
            text = self.world.scripts.get((device, partition or "", path))
        if text is None or path is None:
            self.note(Gap.SCRIPT, operation.command, operation.variable, operation.at)
            return self.boot(Start(), operation, state)
        here: State | None = state
        labels = parse_extlinux(text).ordered()
        for label in bounds.within(labels, MAX_LABELS, "extlinux.conf", "labels"):
            if here is None or not self.spend():
                break
            here = self.label(label, operation, here, script)
        if here is not None:
            here.status = 0
        # cmd/sysboot.c: it succeeds where no label could be started
        return _Ways(here, None, started=True)

    def label(
        self, label: Label, operation: Operation, state: State, script: Script
    ) -> State | None:
        """Load what a label names and start it; gives the state in which it came back.

        Source: U-Boot boot/pxe_utils.c, `label_boot`.
        """
        loading = _Loading(self, operation, script, state)
        if label.kernel is None:
            cause = Cause(Reason.NO_KERNEL_NAMED, {"label": label.name})
            loading.does(Done(kind=Kind.RUN, succeeds=False, cause=cause), [Text.of("label")])
            return join(loading.failed, loading.here)
        kernel = loading.file("kernel_addr_r", label.kernel)
        size = None
        ramdisk = None
        if label.initrd is not None:
            ramdisk = loading.file("ramdisk_addr_r", label.initrd)
            size = loading.size
        fdt = self.label_tree(label, loading)
        here = loading.here
        if here is None:
            return loading.failed
        if label.append is not None:
            here.set({"bootargs": macros(label.append, here)})
        command = self.label_command(label, operation)
        place = str(kernel or "") + (f"#{label.config}" if label.config else "")
        words = [command, place]
        if ramdisk is not None or fdt is not None:
            words.append("-" if ramdisk is None else f"{ramdisk}:{_hexed(size)}")
        if fdt is None and command != "bootm":
            fdt = here.get("fdtcontroladdr") or Text.unknown("fdtcontroladdr")
            words += ["-"] * (len(words) < 3)
        if fdt is not None:
            words.append(str(fdt))
        start = Start(
            kernel=None if kernel is None else kernel.number(),
            config=label.config,
            ramdisk=None if ramdisk is None else ramdisk.number(),
            ramdisk_size=size,
            fdt=None if fdt is None else fdt.number(),
        )
        loading.does(Done(kind=Kind.BOOT, start=start), [Text.of(word) for word in words])
        return join(loading.failed, loading.here)

    def label_tree(self, label: Label, loading: _Loading) -> Text | None:
        """Load the device tree of a label and its overlays; gives where it is then."""
        here = loading.here
        if here is None:
            return None
        address, file = here.get("fdt_addr_r"), label.fdt
        if file == label.kernel and file is not None:
            return here.get("kernel_addr_r")
        if address is None:
            if file is not None or label.fdtdir is not None:
                loading.missing("fdt_addr_r")
        elif file is not None:
            loading.file("fdt_addr_r", file)
        elif label.fdtdir is not None:
            address = loading.file("fdt_addr_r", fdt_file(label.fdtdir, here), optional=True)
        if address is not None and (file is not None or label.fdtdir is not None):
            for overlay in label.overlays if loading.here is not None else ():
                loading.file("fdtoverlay_addr_r", overlay, optional=True)
            return address
        return here.get("fdt_addr")

    def label_command(self, label: Label, operation: Operation) -> str:
        """Say with which command U-Boot starts the kernel of a label."""
        path = beside(label.kernel or "", operation.path or "")
        device, partition = operation.device, operation.partition
        found = find_file(self.world, device, partition, Text.of(path))
        key = (device or "", partition or "", found.path or "")
        if self.world.formats.get(key) in {"fit", "uimage"} or label.config is not None:
            return "bootm"
        return "booti" if self.world.bits > 32 else "bootz"

    # Boot -----------------------------------------------------------------------------------------

    def boot(self, start: Start, operation: Operation, state: State, *, can: bool = True) -> _Ways:
        """Start something: it does not come back, unless it fails."""
        if can:
            boot = self.started(start, operation, state)
            self.boots.append(boot)
            if self.decider is not None and self.decider.starts(boot, self.moment(state)):
                return _Ways(None, None, started=True)
        state.status = 1
        state.blame = frozenset({operation.index})
        return _Ways(None, state, started=can)

    def started(self, start: Start, operation: Operation, state: State) -> Boot:
        """Describe a boot and mark what nobody checked before it."""
        loaded: dict[str, tuple[int, ...]] = {}
        stale = []
        parts = (("kernel", start.kernel), ("ramdisk", start.ramdisk), ("fdt", start.fdt))
        for part, at in parts:
            if at is None:
                continue
            fillers = state.buffer(at).fillers
            loaded[part] = tuple(sorted(filler for filler in fillers if filler is not None))
            if None in fillers:
                stale.append(part)
                self.unchecked.update(loaded[part])
        self.unchecked.update(
            index
            for index in state.ignored
            if self.operations[index].ram_at is None
            and self.operations[index].kind not in NEVER_CHECKED
        )
        settings = {name: str(value) for name in SETTINGS if (value := state.get(name)) is not None}
        arguments = state.get("bootargs")
        return Boot(
            operation=operation.index,
            command=operation.command,
            kernel=start.kernel,
            config=start.config,
            ramdisk=start.ramdisk,
            ramdisk_size=start.ramdisk_size,
            fdt=start.fdt,
            loaded=loaded,
            stale=tuple(stale),
            arguments=None if arguments is None else str(arguments),
            settings=settings,
            conditions=state.path,
        )


class _Loading:
    """Loads the files of a label one after the other; a failure ends it.

    `here` is the state after what succeeded, None where that cannot be; `failed` joins those after
    a failure. `size` is that of the last file.
    """

    def __init__(self, walker: _Walker, operation: Operation, script: Script, state: State) -> None:
        self.walker = walker
        self.operation = operation
        self.script = script
        self.here: State | None = state
        self.failed: State | None = None
        self.size: int | None = None

    def does(self, done: Done, words: Sequence[Text], *, optional: bool = False) -> None:
        """Do what one command of a script would."""
        if self.here is None:
            return
        at = self.operation.at
        before = len(self.walker.operations)
        ways = self.walker.act(done, words, self.here, self.script, Command((), at, at))
        # U-Boot's own code goes by how each of its loads ends.
        self.walker.own.update(range(before, len(self.walker.operations)))
        if optional:
            self.here = join(ways.success, ways.failure)
        else:
            self.failed, self.here = join(self.failed, ways.failure), ways.success

    def missing(self, name: str) -> None:
        """Remember a variable that is not set."""
        self.walker.note(Gap.UNDEFINED, name, self.script.name, self.operation.at)

    def file(self, variable: str, name: Text | str, *, optional: bool = False) -> Text | None:
        """Load a file to the address that a variable holds; gives the address.

        None where it is certain that it is not loaded.
        """
        if self.here is None:
            return None
        address = self.here.get(variable)
        device, partition = self.operation.device, self.operation.partition
        path = Text.of(name) if isinstance(name, str) else name
        first = path.pieces[0] if path.pieces else ""
        if isinstance(first, str):
            folder = beside(first, self.operation.path or "")
            path = Text((folder, *path.pieces[1:]))
        found = find_file(self.walker.world, device, partition, path)
        succeeds, cause = found.there, found.cause
        if address is None:
            self.missing(variable)
            succeeds, cause = False, Cause(Reason.NO_VARIABLE, {"name": variable})
        self.size = found.size
        done = Done(
            kind=Kind.LOAD,
            succeeds=succeeds,
            breaks=True,
            cause=cause,
            device=device,
            partition=partition,
            path=found.path,
            fills=None if address is None else address.number(),
            fills_size=found.size,
            optional=optional,
        )
        words = ("load", device or "", partition or "", str(address or ""), found.path or "")
        self.does(done, [Text.of(word) for word in words], optional=optional)
        return None if succeeds is False else address


def _hexed(size: int | None) -> str:
    return "${filesize}" if size is None else f"{size:x}"


def fdt_file(folder: str, state: State) -> Text:
    """Name the device tree that U-Boot looks for in a folder (boot/pxe_utils.c, `label_boot`)."""
    if not folder:
        folder = "./"
    elif not folder.endswith("/"):
        folder += "/"
    name = state.get("fdtfile")
    if name is not None:
        return Text((folder, *name.pieces))
    soc, board = state.get("soc"), state.get("board")
    if soc is None or board is None:
        # one of them is built in; which, is not known
        return Text((folder, *Text.unknown("fdtfile").pieces))
    return Text((folder, *soc.pieces, "-", *board.pieces, ".dtb"))


_MACRO = regex(r"\$\{([^}]*)\}|\$\(([^)]*)\)")


def macros(text: str, state: State) -> Text:
    """Put the values of variables into an `append` line (common/cli_simple.c)."""
    pieces: list[str | Hole] = []
    at = 0
    for match in _MACRO.finditer(text):
        value = state.environment.get(match[1] or match[2] or "")
        pieces += [text[at : match.start()], *(value.pieces if value is not None else ())]
        at = match.end()
    return Text((*pieces, text[at:]))
