"""Rules and findings: everything that is said about a fault stands beside its check."""

from __future__ import annotations

import enum
import string
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from imgaudit.model import Region, Where
from imgaudit.units import both, place

if TYPE_CHECKING:
    from imgaudit.rules.subject import Subject


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
    """Formats message fields: `:bytes` says a size, `:place` an offset or address."""

    def format_field(self, value: Any, format_spec: str) -> Any:
        if format_spec == "bytes":
            return both(value)
        if format_spec == "place":
            return place(value)
        return super().format_field(value, format_spec)


@dataclass(frozen=True, slots=True)
class Example:
    """A small build that shows a fault, or its absence: a layout and the files it names.

    `manifest` and `dumps` (by chip) name those of the files that the build is held against.
    """

    layout: str
    files: Mapping[str, Callable[[], bytes]] = field(default_factory=dict)
    manifest: str | None = None
    dumps: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Finding:
    """One fault found. `values` are the message's fields, numbers in bytes."""

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

    @property
    def message(self) -> str:
        """The rule's message with the values filled in."""
        return self._say(self.rule.message)

    @property
    def effect(self) -> str:
        """What happens on the board, with the values filled in."""
        return self._say(self.rule.effect)

    @property
    def fix(self) -> str:
        """What to do, with the values filled in."""
        return self._say(self.rule.fix)

    def _say(self, template: str) -> str:
        return _Formatter().vformat(template, (), self.values)


@dataclass(frozen=True, slots=True)
class NotChecked:
    """A rule that could not be applied to something, and why; without a rule, none could."""

    rule: str | None
    subject: str
    why: str


@dataclass(frozen=True, kw_only=True)
class Rule:
    """What is wrong, how bad, what it does on the board, what to do, and who says so.

    `message`, `effect` and `fix` are templates over the finding's values. `computed` is the test in
    words or as a formula. `judges` names the formats whose facts the rule reads: a region that
    should hold one of them but could not be read is reported as not checked. `bad` and `good` are
    the examples that the tests run and `explain` prints.
    """

    name: str
    severity: Severity
    message: str
    effect: str
    fix: str
    computed: str
    source: str
    bad: Example
    good: Example
    judges: tuple[str, ...] = ()

    def finding(
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
        **values: Any,
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
            values: fields of the message; sizes and offsets as integers.

        """
        if region is not None:
            chip = chip or region.area
            where = where or (region.at_key(key) if key else region.where)
            values.setdefault("region", region.name)
        if artifact is not None:
            values.setdefault("artifact", artifact)
        if chip is not None:
            values.setdefault("chip", chip)
        return Finding(
            rule=self,
            severity=severity or self.severity,
            region=region.name if region else None,
            artifact=artifact,
            chip=chip,
            where=where,
            offset=offset,
            length=length,
            values=values,
        )


Outcome = Iterator[Finding | NotChecked]


@dataclass(frozen=True, slots=True)
class Check:
    """A rule and the pure function that applies it."""

    rule: Rule
    run: Callable[[Subject], Outcome]


def check(rule: Rule) -> Callable[[Callable[[Subject], Outcome]], Check]:
    """Declare a function as the check of a rule; a module's checks are found by their type."""

    def declare(function: Callable[[Subject], Outcome]) -> Check:
        return Check(rule, function)

    return declare
