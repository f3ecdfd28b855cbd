"""Rules and findings: everything that is said about a fault stands beside its check.

The engine walks: a check names the kind of thing that it looks at and what must have held of that
thing before; it is handed each one, and what could not be looked at is told as not checked.
"""

from __future__ import annotations

import enum
import string
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import field, replace
from typing import (
    TYPE_CHECKING,
    Any,
    Generic,
    NotRequired,
    TypedDict,
    TypeVar,
    Unpack,
    overload,
)

from imgaudit.chips import CAUTION
from imgaudit.data import dataclass
from imgaudit.model import Region, Where
from imgaudit.rules.cited import Source
from imgaudit.units import Span, both, counted, place

if TYPE_CHECKING:
    from typing_extensions import ParamSpec

    from imgaudit.contents.place import Node
    from imgaudit.rules.subject import Subject

    P = ParamSpec("P", default=...)
else:
    from typing import ParamSpec

    P = ParamSpec("P")

T = TypeVar("T")
U = TypeVar("U")
G = TypeVar("G")


class Severity(enum.StrEnum):
    """How bad a finding is.

    An error does not boot, cuts off the recovery or loses data; a warning works today and breaks
    on a plausible change; a note is hygiene.
    """

    ERROR = "error"
    WARNING = "warning"
    NOTE = "note"

    @property
    def rank(self) -> int:
        """0 for the worst."""
        return list(Severity).index(self)


class _Formatter(string.Formatter):
    """Formats message fields: `:bytes` says a size, `:place` an offset, `:+cell` how many cells.

    `:sized` says a size before what has it: a 65,536-byte (64 KiB) erase block.
    """

    def format_field(self, value: Any, format_spec: str) -> Any:
        if format_spec == "bytes":
            return both(value)
        if format_spec == "sized":
            return both(value).replace(" bytes", "-byte").replace(" byte", "-byte")
        if format_spec == "place":
            return place(value)
        if format_spec.startswith("+"):
            return counted(value, format_spec[1:])
        return super().format_field(value, format_spec)


@dataclass(frozen=True, slots=True)
class Example:
    """A small build that shows a fault, or its absence: a layout and the files it names.

    `manifest` and `dumps` (by chip) name those of the files that the build is held against. `old`
    are the files in which the release before was another one, where an example has one.
    """

    layout: str
    files: Mapping[str, Callable[[], bytes]] = field(default_factory=dict)
    manifest: str | None = None
    dumps: Mapping[str, str] = field(default_factory=dict)
    old: Mapping[str, Callable[[], bytes]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Cause:
    """What would be the cause of a finding: one by any of these rules, in this place.

    Without a `region` it is the same region, artifact or chip, unless it may be `anywhere`;
    `values` must agree as well.
    """

    rules: frozenset[str]
    region: str | None = None
    anywhere: bool = False
    values: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Finding:
    """One fault found. `values` are the message's fields, numbers in bytes.

    `causes` are findings of which this one would only be a consequence; `leads_to` are those that
    were found to be consequences of this one. `twin` stands for the bytes that it is about: the
    same fault of the same bytes elsewhere is one fault.
    """

    rule: Rule
    severity: Severity
    region: str | None
    artifact: str | None
    chip: str | None
    where: Where | None
    offset: int | None
    length: int | None
    values: Mapping[str, Any]
    waived: str | None = None
    # The approved parts of the chip on which it is so, where that is not all of them.
    parts: tuple[str, ...] = ()
    # It stood in the baseline already.
    known: bool = False
    # What was tried on the layout and mends it, in words, and the first of it: regions' new places.
    advice: str = ""
    moves: Mapping[str, Span] = field(default_factory=dict)
    causes: tuple[Cause, ...] = ()
    leads_to: tuple[Finding, ...] = ()
    twin: str = ""
    # What was looked at, as the engine calls it; empty for the whole build.
    thing: str = ""

    @property
    def counts(self) -> bool:
        """Whether the gate looks at it."""
        return self.waived is None and not self.known

    @property
    def message(self) -> str:
        """The rule's message with the values filled in."""
        parts = f" (on the part {' and '.join(self.parts)})" if self.parts else ""
        return self._say(self.rule.message) + parts

    @property
    def effect(self) -> str:
        """What happens on the board, with the values filled in."""
        return self._say(self.rule.effect)

    @property
    def fix(self) -> str:
        """What to do, with the values filled in, what was tried of it, and the caution it needs."""
        caution = CAUTION if self.rule.writes else ""
        return " ".join(filter(None, (self._say(self.rule.fix), self.advice, caution)))

    @property
    def identity(self) -> tuple[str, ...]:
        """What makes this finding the same one in the next build.

        The rule, the region (else the chip or, without one, the artifact), the content inside the
        artifact, and the values that the rule names; never a size, an offset or a line, nor what a
        file is called that goes to a chip.
        """
        name = self.artifact or ""
        place = self.region or self.chip or name
        inside = str(self.values.get("content", "")).removeprefix(name)
        said = (str(self.values[key]) for key in self.rule.identity)
        return self.rule.name, place, inside, *said

    def _say(self, template: str) -> str:
        return _Formatter().vformat(template, (), self.values)


@dataclass(frozen=True, slots=True)
class NotChecked:
    """A rule that could not be applied to something, and why; without a rule, none could."""

    rule: str | None
    subject: str
    why: str


def nothing() -> None:
    """Declare that a rule's texts have no values but those of the place."""


class _Texts(TypedDict):
    name: str
    severity: Severity
    message: str
    effect: str
    fix: str
    computed: str
    sources: tuple[Source, ...]
    bad: Example
    good: Example
    moves: NotRequired[bool]
    renames: NotRequired[bool]
    rewrites: NotRequired[tuple[str, str]]
    writes: NotRequired[bool]
    follows: NotRequired[tuple[str, ...]]
    stops: NotRequired[bool]


class Rule(Generic[P]):
    """What is wrong, how bad, what it does on the board, what to do, and who says so.

    `message`, `effect` and `fix` are templates over the finding's values. `computed` is the test in
    words or as a formula. `bad` and `good` are the examples that the tests run and `explain`
    prints.

    `values` is a function without a body whose parameters are the values, so that a misspelt or
    missing one does not type-check. The parameters before the `*` tell one finding of the rule
    from another in the same place (which tool, path, variable, partition), whatever the sizes and
    offsets; those behind it say how it is.

    `moves` says that another place or size of a region can mend it: such moves are tried. `writes`
    says that who does what `fix` says may write to a device: the caution goes with it.

    `follows` names the rules whose finding in the same place is the cause of this one's: then the
    cause alone is told, with what it leads to.
    `renames` says that another name of a region can mend it: such names are tried.
    `rewrites` names two values: a number that stands in a script's command, and the right one.

    `stops` says that what it is about does not start: an error by it refutes the stages that start
    from there.
    """

    __slots__ = (
        "bad",
        "computed",
        "effect",
        "fix",
        "follows",
        "good",
        "identity",
        "message",
        "moves",
        "name",
        "renames",
        "rewrites",
        "severity",
        "sources",
        "stops",
        "values",
        "writes",
    )

    def __init__(self, *, values: Callable[P, None], **texts: Unpack[_Texts]) -> None:
        self.name = texts["name"]
        self.severity = texts["severity"]
        self.message = texts["message"]
        self.effect = texts["effect"]
        self.fix = texts["fix"]
        self.computed = texts["computed"]
        self.sources = texts["sources"]
        self.bad = texts["bad"]
        self.good = texts["good"]
        self.moves = texts.get("moves", False)
        self.renames = texts.get("renames", False)
        self.rewrites = texts.get("rewrites")
        self.writes = texts.get("writes", False)
        self.follows = texts.get("follows", ())
        self.stops = texts.get("stops", False)
        self.values = values
        code = values.__code__
        self.identity = code.co_varnames[: code.co_argcount]

    @property
    def source(self) -> str:
        """Who says so, in a line."""
        return "; ".join(map(str, self.sources))

    def __call__(self, *args: P.args, **values: P.kwargs) -> Case:
        """Fill in the values of one case."""
        if args:
            raise TypeError(f"the values of {self.name} are given by name")
        return Case(self, values)


@dataclass(frozen=True, slots=True)
class Case:
    """A rule and the values of one case of it; where it is makes it a finding."""

    rule: Rule
    values: Mapping[str, Any]

    def at(
        self,
        *,
        region: Region | None = None,
        artifact: str | None = None,
        chip: str | None = None,
        where: Where | None = None,
        key: str | None = None,
        offset: int | None = None,
        length: int | None = None,
        severity: Severity | None = None,
        causes: tuple[Cause, ...] = (),
        **more: str | int,
    ) -> Finding:
        """Make a finding.

        Args:
            region: the region it is about; gives the chip and the place in the layout.
            artifact: path of the artifact it is about.
            chip: the chip, where no region says it.
            where: place in the layout, where it is not the region's.
            key: the region's key that is wrong; its place is taken.
            offset: bytes from the start of the chip or, without a region, of the artifact.
            length: bytes affected.
            severity: another severity than the rule's, for this case.
            causes: what would be its cause, besides what the rule follows.
            more: further names of the place, for the message.

        """
        values = {**self.values, **more}
        if region is not None:
            chip = chip or region.area
            where = where or (region.at_key(key) if key else region.where)
            values.setdefault("region", region.name)
        if artifact is not None:
            values.setdefault("artifact", artifact)
        if chip is not None:
            values.setdefault("chip", chip)
        return Finding(
            rule=self.rule,
            severity=severity or self.rule.severity,
            region=region.name if region else None,
            artifact=artifact,
            chip=chip,
            where=where,
            offset=offset,
            length=length,
            values=values,
            causes=(*causes, Cause(frozenset(self.rule.follows))) if self.rule.follows else causes,
        )

    def inside(
        self,
        node: Node[Any],
        *,
        at: int = 0,
        length: int | None = None,
        region: Region | None = None,
        where: Where | None = None,
        severity: Severity | None = None,
    ) -> Finding:
        """Make a finding about the bytes from `at` on, counted from the start of a content."""
        region = region or node.region
        size = node.content.size
        found = self.at(
            region=region,
            artifact=node.artifact.path,
            chip=node.chip.name if node.chip and not region else None,
            where=where or node.where,
            offset=(node.start or 0) + at,
            length=size - min(at, size) if length is None else length,
            severity=severity,
            content=node.content.name,
        )
        return replace(found, twin=node.twin())


Outcome = Iterator[Finding | NotChecked]


@dataclass(frozen=True, slots=True)
class Missing:
    """A thing that should be there to be looked at and is not, or cannot be read."""

    subject: str
    why: str


class Kind(Generic[T]):
    """A kind of thing that checks look at.

    `found_in` gives every one, in the same order each time, in a whole subject or, of a part, in
    the thing that it is part of (`within` is the kind of that). `label` says what to call one.
    """

    __slots__ = ("found_in", "label", "within")

    def __init__(
        self,
        found_in: Callable[[Any], Iterable[T | Missing]],
        label: Callable[[T], str] | None,
        within: Kind[Any] | None = None,
    ) -> None:
        self.found_in = found_in
        self.label = label
        self.within = within

    def each(
        self, parts: Callable[[T], Iterable[U | Missing]], label: Callable[[U], str] | None = None
    ) -> Kind[U]:
        """Give the kind of the parts of this one, by default called like the whole."""
        return Kind(parts, label, self)

    def only(self, wanted: Callable[[T], bool]) -> Kind[T]:
        """Give the kind of those of this one that are wanted."""
        return self.each(lambda thing: (thing,) if wanted(thing) else ())


@dataclass(frozen=True, slots=True)
class Check:
    """A rule and the pure function that applies it: to the whole build, or to each of a kind.

    The rules of the checks in `after` must have held of the thing, or of what it is part of, for
    it to be looked at. `given` gets a fact of the whole build that the function takes as well; None
    means that there is nothing to compare with.
    """

    rule: Rule
    run: Callable[..., Outcome]
    over: Kind[Any] | None = None
    after: tuple[Check, ...] = ()
    given: Callable[[Subject], Any] | None = None

    def __post_init__(self) -> None:
        kinds = list(_and_holders(self.over))
        for other in self.after:
            if other.over not in kinds:
                raise TypeError(f"{self.rule.name} cannot come after {other.rule.name}")


def _and_holders(kind: Kind[Any] | None) -> Iterator[Kind[Any]]:
    while kind is not None:
        yield kind
        kind = kind.within


@overload
def check(rule: Rule) -> Callable[[Callable[[Subject], Outcome]], Check]: ...


@overload
def check(
    rule: Rule, *, over: Kind[T], after: tuple[Check, ...] = ()
) -> Callable[[Callable[[T], Outcome]], Check]: ...


@overload
def check(
    rule: Rule,
    *,
    over: Kind[T],
    given: Callable[[Subject], G | None],
    after: tuple[Check, ...] = (),
) -> Callable[[Callable[[T, G], Outcome]], Check]: ...


def check(
    rule: Rule,
    *,
    over: Kind[Any] | None = None,
    given: Callable[[Subject], Any] | None = None,
    after: tuple[Check, ...] = (),
) -> Callable[[Callable[..., Outcome]], Check]:
    """Declare a function as the check of a rule; a module's checks are found by their type.

    Without `over` it looks at the whole build at once.
    """

    def declare(function: Callable[..., Outcome]) -> Check:
        return Check(rule, function, over, after, given)

    return declare


class Engine:
    """Walks a subject for the checks: finds each kind of thing once, and keeps what was said."""

    def __init__(self, subject: Subject) -> None:
        self._subject = subject
        self._facts: dict[Callable[[Subject], Any], Any] = {}
        self._things: dict[Kind[Any], list[tuple[Any, int]]] = {}
        self._said: dict[tuple[str, int], tuple[Finding | NotChecked, ...]] = {}
        # What was judged: rule and subject, "" for the whole build.
        self.looked: dict[tuple[str, str], None] = {}

    def apply(self, check: Check) -> Iterator[Finding | NotChecked]:
        """Give all that a check says."""
        if check.over is None:
            self.looked[check.rule.name, ""] = None
            yield from check.run(self._subject)
            return
        for index in range(len(self._all(check.over))):
            yield from self._outcome(check, index)

    def _all(self, kind: Kind[Any]) -> list[tuple[Any, int]]:
        """Give every thing of a kind, with the number of what it is part of."""
        found = self._things.get(kind)
        if found is None:
            if kind.within is None:
                found = [(thing, -1) for thing in kind.found_in(self._subject)]
            else:
                found = [
                    (part, index)
                    for index, (thing, _) in enumerate(self._all(kind.within))
                    for part in ((thing,) if isinstance(thing, Missing) else kind.found_in(thing))
                ]
            self._things[kind] = found
        return found

    def _outcome(self, check: Check, index: int) -> tuple[Finding | NotChecked, ...]:
        key = check.rule.name, index
        said = self._said.get(key)
        if said is None:
            said = self._said[key] = tuple(self._look(check, index))
        return said

    def _look(self, check: Check, index: int) -> Iterator[Finding | NotChecked]:
        kind, name = check.over, check.rule.name
        if kind is None:
            return
        thing, _ = self._all(kind)[index]
        if isinstance(thing, Missing):
            yield NotChecked(name, thing.subject, thing.why)
            return
        facts = self._given(check)
        if None in facts:
            return
        for other in check.after:
            why = self._in_the_way(other, kind, index)
            if why:
                yield NotChecked(name, self._label(kind, index), why)
                return
        label = self._label(kind, index)
        self.looked[name, label] = None
        for said in check.run(thing, *facts):
            yield replace(said, thing=label) if isinstance(said, Finding) else said

    def _given(self, check: Check) -> tuple[Any, ...]:
        if check.given is None:
            return ()
        if check.given not in self._facts:
            self._facts[check.given] = check.given(self._subject)
        return (self._facts[check.given],)

    def _label(self, kind: Kind[Any], index: int) -> str:
        thing, holder = self._all(kind)[index]
        if kind.label is None and kind.within is not None:
            return self._label(kind.within, holder)
        return kind.label(thing) if kind.label is not None else ""

    def _in_the_way(self, other: Check, kind: Kind[Any], index: int) -> str:
        """Say why a rule has not held of a thing; nothing where it has."""
        while kind is not other.over and kind.within is not None:
            index = self._all(kind)[index][1]
            kind = kind.within
        said = self._outcome(other, index)
        if any(isinstance(item, Finding) for item in said):
            return f"{other.rule.name} comes first"
        whys = (item.why for item in said if isinstance(item, NotChecked))
        return next(whys, "")
