"""Waivers that no longer do what they are there for."""

from __future__ import annotations

from imgaudit.model import Waiver
from imgaudit.rules.cited import PRACTICE
from imgaudit.rules.engine import Outcome, Rule, Severity, check
from imgaudit.rules.examples import nor
from imgaudit.rules.subject import Judged, Subject

_REGION = "name: recovery, at: 0, size: 128 KiB"


def _waiver(more: str) -> str:
    return f"policy: {{waive: [{{finding: headroom-low, reason: a trial, {more}}}]}}\n"


def _values(waived: str, until: str, *, again: int, owner: str) -> None: ...


ENDED = Rule(
    name="waiver-ended",
    severity=Severity.WARNING,
    message="the waiver of {waived}{owner} ended on {until}: {again} findings count again",
    effect="What was accepted for a time is accepted no longer: the gate looks at it again.",
    fix="Correct what it is about, or agree on a new date; take the waiver out if nothing is left.",
    computed="today is later than `until:`; the findings that it would cover are counted",
    sources=(PRACTICE,),
    values=_values,
    bad=nor(_REGION, rest=_waiver("until: 2020-01-31")),
    good=nor(_REGION, rest=_waiver("owner: the boot team")),
)


@check(ENDED)
def waiver_ended(subject: Subject) -> Outcome:
    judged, layout = subject.judged, subject.layout
    if judged is None or layout is None:
        return
    for waiver in layout.policy.waivers:
        if waiver.until is not None and judged.today > waiver.until:
            yield ENDED(
                waived=_what(waiver),
                until=waiver.until,
                again=_covered(waiver, judged),
                owner=f" (owner: {waiver.owner})" if waiver.owner else "",
            ).at(where=waiver.where, artifact=layout.file)


def _unused(waived: str) -> None: ...


UNUSED = Rule(
    name="waiver-matches-nothing",
    severity=Severity.WARNING,
    message="the waiver of {waived} matches no finding",
    effect="The day that such a finding comes back, it is let through and nobody sees it.",
    fix="Take the waiver out; if it should match, compare region and about with the finding's.",
    computed="no finding of this run has the waiver's name, region and words, and none was open",
    sources=(PRACTICE,),
    values=_unused,
    bad=nor(_REGION, rest=_waiver("region: recovery")),
    good=nor(_REGION),
)


@check(UNUSED)
def waiver_matches_nothing(subject: Subject) -> Outcome:
    judged, layout = subject.judged, subject.layout
    if judged is None or layout is None:
        return
    for waiver in layout.policy.waivers:
        ended = waiver.until is not None and judged.today > waiver.until
        if ended or waiver.finding in judged.unjudged:
            continue
        if not _covered(waiver, judged):
            yield UNUSED(waived=_what(waiver)).at(where=waiver.where, artifact=layout.file)


def _covered(waiver: Waiver, judged: Judged) -> int:
    return sum(
        name == waiver.finding and waiver.covers(region, identity)
        for name, region, identity in judged.findings
    )


def _what(waiver: Waiver) -> str:
    region = f" in {waiver.region}" if waiver.region else ""
    about = f" about {', '.join(waiver.about)}" if waiver.about else ""
    return f"{waiver.finding}{region}{about}"
