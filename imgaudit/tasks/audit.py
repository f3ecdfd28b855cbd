"""Run the checks on a subject and weigh what they say: severities, waivers, verdict."""

from __future__ import annotations

import enum
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import date, datetime
from typing import TYPE_CHECKING

from imgaudit import bounds
from imgaudit.data import dataclass
from imgaudit.errors import LayoutError, LayoutProblem, close
from imgaudit.model import Accept, Layout
from imgaudit.rules import checks, of_chips, on_paper
from imgaudit.rules.engine import Check, Engine, Finding, NotChecked, Outcome, Severity
from imgaudit.rules.subject import Judged, Subject
from imgaudit.tasks.causes import folded

if TYPE_CHECKING:
    from imgaudit.proof.ledger import Line


Baseline = Iterable[tuple[str, ...]]
# These hold the policy against what all others have said.
_LATE = frozenset({"waiver-ended", "waiver-matches-nothing"})


class Verdict(enum.StrEnum):
    """How an audit ends: each word has its exit status."""

    PASSED = "pass"
    FAILED = "fail"
    INCOMPLETE = "incomplete"


MOST_FINDINGS = 100
"""Findings of one rule that an audit lists."""


@dataclass(frozen=True, slots=True)
class Covered:
    """A line of the ledger, and why it may stay open; `accepted` is None where nobody said so."""

    line: Line
    accepted: Accept | None = None

    @property
    def open(self) -> bool:
        """Whether something was not judged that must be."""
        return self.line.open and self.accepted is None


@dataclass(frozen=True, kw_only=True)
class Result:
    """An audit's outcome, the worst first; waived findings are kept apart from the count.

    `coverage` is what was judged and by what; on paper it has guesses only.
    `looked` has what was judged, by rule and subject, "" for the whole build.
    """

    subject: Subject
    findings: tuple[Finding, ...]
    not_checked: tuple[NotChecked, ...]
    fail_on: Severity
    looked: tuple[tuple[str, str], ...] = ()
    coverage: tuple[Covered, ...] = ()

    @property
    def verdict(self) -> Verdict:
        """Pass only where nothing reaches the gate and nothing stayed unjudged."""
        if self.failed:
            return Verdict.FAILED
        return Verdict.INCOMPLETE if any(item.open for item in self.coverage) else Verdict.PASSED

    @property
    def failed(self) -> bool:
        """Whether a finding that is not waived reaches the gate."""
        return any(
            finding.severity.rank <= self.fail_on.rank
            for finding in self.findings
            if finding.counts
        )

    def count(self, severity: Severity) -> int:
        """Count the findings of a severity that are not waived."""
        return sum(1 for item in self.findings if item.severity is severity and item.counts)


def run(
    subject: Subject,
    *,
    fail_on: Severity | None = None,
    today: date | None = None,
    only: Iterable[Check] | None = None,
    baseline: Baseline = (),
    heard: Iterable[tuple[str, str]] = (),
) -> Result:
    """Apply every check, or `only` some, to a subject.

    Args:
        subject: the facts.
        fail_on: the gate, where it is not the layout's.
        today: the day on which waivers must still hold.
        only: the checks to run.
        baseline: identities of findings that were there before; they do not count.
        heard: what was left out already of what the subject is made of.

    Raises:
        LayoutError: the policy names a finding that does not exist.

    """
    with bounds.listening() as more:
        more.update(dict.fromkeys(heard))
        return _run(subject, more, fail_on, only, today=today or _today(), baseline=baseline)


def settled(subject: Subject) -> Subject:
    """Give a subject whose proofs agree with the rules that know what does not start."""
    return run(subject, only=[check for check in checks().values() if check.rule.stops]).subject


def _run(
    subject: Subject,
    heard: Iterable[tuple[str, str]],
    fail_on: Severity | None,
    only: Iterable[Check] | None,
    *,
    today: date,
    baseline: Baseline,
) -> Result:
    layout = subject.layout
    if layout is not None:
        _known_names(layout)
    findings: list[Finding] = []
    not_checked: list[NotChecked] = []
    paper = layout is not None and not subject.given and subject.copies is None
    if only is None:
        only = (on_paper() if paper else checks()).values()
        not_checked += _on_paper(layout) if layout is not None and paper else ()
    only = list(only)
    engine = Engine(subject)
    parts = _Fitted(subject)
    gate = fail_on or Severity(layout.policy.fail_on if layout else "error")
    lowered = layout.policy.severity if layout is not None else {}
    for check in only:
        severity = Severity(lowered.get(check.rule.name, check.rule.severity))
        depends = parts.engines and check.rule.name in of_chips()
        outcomes = parts.apply(check) if depends else engine.apply(check)
        for outcome in _bounded(check, outcomes, counts=severity.rank <= gate.rank):
            if isinstance(outcome, Finding):
                findings.append(outcome)
            else:
                not_checked.append(outcome)
    if layout is not None:
        day = today.isoformat()
        unjudged = frozenset(item.rule for item in not_checked if item.rule is not None)
        found = tuple((item.rule.name, item.region, item.identity) for item in findings)
        judged = replace(subject, judged=Judged(found, unjudged, day))
        for check in only:
            if check.rule.name in _LATE:
                said = check.run(judged)
                findings.extend(item for item in said if isinstance(item, Finding))
        findings = [_weighed(finding, layout, day) for finding in findings]
    if subject.proofs:
        # Loaded here: an audit on paper has nothing to prove.
        from imgaudit.tasks.refuted import held

        subject = held(subject, findings)
    # Moves are tried for what is wrong itself, not for what follows from it.
    findings = _without(_advised(subject, folded(findings)), baseline)
    if heard and layout is None:
        not_checked += (NotChecked(None, where, why) for where, why in heard)
    elif heard:
        from imgaudit.proof.ledger import limits

        subject = replace(subject, ledger=(*subject.ledger, *limits(heard)))
    return Result(
        subject=subject,
        findings=tuple(sorted(findings, key=_order)),
        not_checked=tuple(
            sorted(set(not_checked), key=lambda it: (it.subject, it.why, it.rule or ""))
        ),
        fail_on=gate,
        coverage=tuple(_covered(subject, today)),
        looked=tuple(
            dict.fromkeys(pair for each in (engine, *parts.engines) for pair in each.looked)
        ),
    )


def _bounded(check: Check, outcomes: Iterable[Finding | NotChecked], *, counts: bool) -> Outcome:
    """Give a rule's first findings; nobody reads the ten thousandth, and it costs as much.

    Where they count at the gate the rest stays open: the first ones may be waived, or known.
    """
    found = 0
    for outcome in outcomes:
        found += isinstance(outcome, Finding)
        if found > MOST_FINDINGS:
            why = f"the first {MOST_FINDINGS} findings are listed; mend those and audit again"
            yield NotChecked(check.rule.name, "further places", why)
            if counts:
                bounds.left_out(f"findings of {check.rule.name}", why)
            return
        yield outcome


class _Fitted:
    """A subject with each approved part of its chips fitted in turn."""

    def __init__(self, subject: Subject) -> None:
        layout = subject.layout
        self.chips = layout.chips if layout is not None else {}
        most = max((len(chip.parts) for chip in self.chips.values()), default=0)
        self.engines = [
            Engine(replace(subject, layout=layout.with_part(number)))
            for number in range(most)
            if layout is not None
        ]

    def apply(self, check: Check) -> Outcome:
        """Apply a check to each part; one cause is told once, with the parts that it is true of."""
        found: dict[tuple[str, ...], Finding] = {}
        on: dict[tuple[str, ...], list[str]] = {}
        for number, engine in enumerate(self.engines):
            for outcome in engine.apply(check):
                if not isinstance(outcome, Finding):
                    yield outcome
                    continue
                key = (self.chip_of(outcome), outcome.region or "", *outcome.identity)
                key += (str(outcome.values.get("other", "")),)
                found.setdefault(key, outcome)
                approved = self.approved(key[0])
                if number < len(approved):
                    on.setdefault(key, []).append(approved[number])
        for key, finding in found.items():
            some = tuple(dict.fromkeys(on.get(key, ())))
            everywhere = len(some) == len(self.approved(key[0]))
            yield finding if everywhere else replace(finding, parts=some)

    @staticmethod
    def chip_of(finding: Finding) -> str:
        return (finding.chip or "").partition("/")[0]

    def approved(self, chip: str) -> list[str]:
        parts = self.chips[chip].parts if chip in self.chips else ()
        return [part.part or "" for part in parts]


def _advised(subject: Subject, findings: list[Finding]) -> list[Finding]:
    # Loaded here: a sound build needs no advice.
    if any(item.rule.moves for item in findings):
        from imgaudit.rules.moves import advised

        findings = advised(subject, findings)
    if any(item.rule.rewrites is not None for item in findings):
        from imgaudit.rules.rewrites import corrected

        findings = corrected(subject, findings)
    if any(item.rule.renames for item in findings):
        from imgaudit.rules.renames import renamed

        findings = renamed(subject, findings)
    return findings


def _covered(subject: Subject, today: date) -> Iterator[Covered]:
    accepts = {
        (accept.kind, accept.name): accept
        for accept in (subject.layout.policy.accepts if subject.layout is not None else ())
        if accept.until is None or today.isoformat() <= accept.until
    }
    lines = subject.ledger
    if subject.layout is not None and any(subject.layout.guesses()):
        # Loaded here: on paper nothing else is.
        from imgaudit.proof.ledger import guesses

        lines = (*guesses(subject.layout), *lines)
    # A name that several have accepts none of them: the next one would pass by it.
    named = Counter((line.kind, line.name) for line in lines if line.open)
    for line in lines:
        alone = line.open and named[line.kind, line.name] == 1 and line.name != bounds.FURTHER
        yield Covered(line, accepts.get((line.kind, line.name)) if alone else None)


def _order(finding: Finding) -> tuple[bool, int, int, str, int, str]:
    line = finding.where.line if finding.where else 0
    return (
        not finding.counts,
        finding.severity.rank,
        line,
        finding.rule.name,
        finding.offset or 0,
        finding.message,
    )


def _known_names(layout: Layout) -> None:
    named = [(waiver.where, waiver.finding) for waiver in layout.policy.waivers]
    named += [(where, name) for name, where in layout.policy.severity_at.items()]
    problems = [
        LayoutProblem(
            where.file,
            where.line,
            where.column,
            f"no finding is called {name!r}{close(name, checks())}",
        )
        for where, name in sorted(named)
        if name not in checks()
    ]
    if problems:
        raise LayoutError(problems)


def _today() -> date:
    """Give the local day: a waiver ends at the user's midnight."""
    return datetime.now().astimezone().date()


def _without(findings: list[Finding], baseline: Baseline) -> list[Finding]:
    """Mark as many findings of an identity as known as the baseline has."""
    left = Counter(baseline)
    found = []
    for finding in findings:
        known = left[finding.identity] > 0 if left else False
        left[finding.identity] -= known
        found.append(replace(finding, known=True) if known else finding)
    return found


def _weighed(finding: Finding, layout: Layout, today: str) -> Finding:
    severity = layout.policy.severity.get(finding.rule.name)
    if severity is not None:
        finding = replace(finding, severity=Severity(severity))
    for waiver in layout.policy.waivers:
        same = waiver.finding == finding.rule.name
        holds = waiver.until is None or today <= waiver.until
        if same and holds and waiver.covers(finding.region, finding.identity):
            until = f" (until {waiver.until})" if waiver.until else ""
            owner = f", {waiver.owner}" if waiver.owner else ""
            return replace(finding, waived=waiver.reason + owner + until)
    return finding


def _on_paper(layout: Layout) -> Iterator[NotChecked]:
    """Say what only artifacts can tell; their checks are not even loaded."""
    why = "no artifacts were given"
    for region in layout.regions:
        if region.file is not None or layout.chips[region.chip].image is not None:
            yield NotChecked(None, region.name, why)
    for stage in layout.stages.values():
        yield NotChecked(None, f"boot of {stage.name}", why)
