"""What every command gives: a report of plain sections, which `report/` renders in any form.

The texts are as they were found; whoever renders them cleans them. Sizes and offsets are bytes.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import field
from typing import TYPE_CHECKING, Any

from imgaudit.data import dataclass
from imgaudit.units import Span

if TYPE_CHECKING:
    from imgaudit.model import Where

PASS, FOUND, BROKEN, INCOMPLETE = 0, 1, 2, 3
"""Exit status: nothing at the gate, findings, not carried out, something was not judged."""


@dataclass(frozen=True, slots=True)
class Line:
    """A line of text, `depth` columns deep, behind a `mark` such as `- ` or ` 1. `.

    A `name` comes first and stands out in its `role`; without one the role is the text's. What does
    not fit goes on in further lines, `hang` columns deeper than the first, or below the text.
    """

    text: str
    name: str = ""
    role: str = ""
    depth: int = 2
    mark: str = ""
    hang: int | None = None


@dataclass(frozen=True, slots=True)
class Lines:
    """Lines, one below the other."""

    lines: tuple[Line, ...]


@dataclass(frozen=True, slots=True)
class Values:
    """Names with their values, one a line."""

    values: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """Rows below a head.

    `right` names the columns of numbers. `wide` is the column that is cut to what is left of a
    line, but not below `least` characters; `most` limits others. Those of `wraps` go on in the next
    line where a row is too long. `roles` has one word a row. `more` rows are left out.
    """

    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    title: str = ""
    right: frozenset[int] = frozenset()
    wide: int | None = None
    least: int = 8
    most: Mapping[int, int] = field(default_factory=dict)
    wraps: frozenset[int] = frozenset()
    roles: tuple[str, ...] = ()
    more: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """The outcome in a word, its role, what was counted, and sentences that say why."""

    word: str
    role: str
    counts: str
    why: tuple[str, ...] = ()

    @property
    def line(self) -> str:
        """Say it in one line."""
        return f"{self.word}  {self.counts}"


@dataclass(frozen=True, slots=True)
class Headline:
    """The verdict at a report's head."""

    verdict: Verdict
    about: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """A finding: its rule's name and severity, what it is about, and all that is said of it.

    `identity` is what makes it the same finding in another run: never a size, an offset or a line.
    `parts` are the approved parts it is true of, where it is not of all. `waived` is the reason.
    `moves` are new places of regions, in bytes, that were tried and mend it.
    `leads_to` are findings that only follow from it: name, subject and message. `thing` is
    what the rule looked at, empty for the whole build; `covers` has rule and thing of `leads_to`.
    """

    name: str
    severity: str
    region: str | None
    artifact: str | None
    chip: str | None
    where: Where | None
    offset: int | None
    length: int | None
    message: str
    effect: str
    fix: str
    values: Mapping[str, Any]
    identity: tuple[str, ...] = ()
    parts: tuple[str, ...] = ()
    waived: str | None = None
    known: bool = False
    moves: Mapping[str, Span] = field(default_factory=dict)
    leads_to: tuple[tuple[str, str, str], ...] = ()
    thing: str = ""
    covers: tuple[tuple[str, str], ...] = ()

    @property
    def subject(self) -> str:
        """What it is about, in a word."""
        return self.region or self.artifact or self.chip or ""

    @property
    def counts(self) -> bool:
        """Whether the gate looks at it: it is neither waived nor known from the baseline."""
        return self.waived is None and not self.known


@dataclass(frozen=True, slots=True)
class Findings:
    """Findings, the worst first."""

    items: tuple[Found, ...]
    depth: int = 0


@dataclass(frozen=True, slots=True)
class Unchecked:
    """A rule that could not be applied to something, and why; without a rule, none could."""

    rule: str | None
    subject: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleText:
    """What a rule says of itself; the templates' fields are written as words."""

    name: str
    severity: str
    effect: str
    fix: str
    computed: str
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Slot:
    """A region of a chip, or free space without a name; `used` is None where it is not known."""

    span: Span
    name: str = ""
    lines: tuple[str, ...] = ()
    purpose: str = ""
    room: int = 0
    used: int | None = None
    artifact: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Chip:
    """A chip, or an area of one, with all its slots by offset."""

    name: str
    what: str
    size: int | None
    slots: tuple[Slot, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RamRange:
    """A range of RAM in use; `exact` is false where its size is a guess."""

    name: str
    span: Span
    exact: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Ram:
    """The RAM at one moment: the ranges in use, and the banks they are drawn on."""

    ranges: tuple[RamRange, ...]
    banks: tuple[Span, ...]
    unplaced: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Verbatim:
    """A text that is printed as it is, line by line."""

    text: str


@dataclass(frozen=True, slots=True)
class Link:
    """A step of a start: what it is, the region that it comes `at`, its role such as kernel."""

    what: str
    at: str = ""
    role: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Chain:
    """How a stage starts, link by link; or what is in its way."""

    name: str
    verdict: str
    role: str
    links: tuple[Link, ...] = ()
    says: str = ""

    @property
    def linked(self) -> tuple[str, ...]:
        """The links, each in a line."""
        return tuple(f"{it.at}: {it.what}" if it.at else it.what for it in self.links)


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """A region over releases: bytes taken in each, None where not known, and its `room`.

    `pace`, bytes a release, lies between `slow` and `fast`; it is None where there are too few
    releases to tell. `says` is a sentence, `cells` is the same for a row of a table.
    """

    name: str
    room: int
    sizes: tuple[int | None, ...]
    pace: float | None
    slow: float
    fast: float
    says: str
    cells: tuple[str, ...]
    role: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Trends:
    """Regions over the same releases, oldest first, below the `head` of their cells."""

    releases: tuple[str, ...]
    head: tuple[str, ...]
    trends: tuple[Trend, ...]

    @property
    def table(self) -> Table:
        """Say it in rows."""
        return Table(
            head=self.head,
            rows=tuple((trend.name, *trend.cells) for trend in self.trends),
            right=frozenset(range(1, len(self.head) - 1)),
            most={0: 16},
            roles=tuple(trend.role for trend in self.trends),
        )


Part = Lines | Values | Table | Headline | Findings | Chip | Ram | Chain | Trends | Verbatim


@dataclass(frozen=True, slots=True)
class Section:
    """Parts that belong together, below a title that may be missing.

    What is `pictured` says what a page's pictures show. Sections that follow each other and lie
    `within` one thing have one entry of that name in a page's contents.
    """

    title: Line | None
    parts: tuple[Part, ...]
    pictured: bool = False
    within: str = ""


@dataclass(frozen=True, kw_only=True)
class Report:
    """What a command found: for people as sections, for programs as data.

    `pictures` are further sections for a page, which a text would be too long with.

    `document` is the result itself, where it is a text of its own: a layout, a manifest. `looked`
    has what was judged, by rule and subject; `left` says what was not, that should have been.
    """

    command: str
    title: str
    status: int = PASS
    verdict: Verdict | None = None
    sections: tuple[Section, ...] = ()
    data: Callable[[], Mapping[str, Any]] = dict
    pictures: Callable[[], tuple[Section, ...]] = tuple
    document: str | None = None
    warnings: tuple[str, ...] = ()
    findings: tuple[Found, ...] = ()
    unchecked: tuple[Unchecked, ...] = ()
    rules: Mapping[str, RuleText] = field(default_factory=dict)
    looked: tuple[tuple[str, str], ...] = ()
    left: tuple[str, ...] = ()


def heading(text: str) -> Line:
    """Give a plain title."""
    return Line(text, depth=0)


def strong(name: str, text: str = "") -> Line:
    """Give a title whose name stands out."""
    return Line(text, name=name, role="strong", depth=0, hang=2)
