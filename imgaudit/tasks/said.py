"""What reports have in common: findings as plain data, the verdict, what was not checked."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from imgaudit import __version__
from imgaudit.chips import CAUTION
from imgaudit.rules.engine import Finding, NotChecked, Rule, Severity
from imgaudit.tasks.audit import Result
from imgaudit.tasks.plain import as_key, plain
from imgaudit.tasks.sections import (
    FOUND,
    INCOMPLETE,
    PASS,
    Findings,
    Found,
    Headline,
    Line,
    Lines,
    RuleText,
    Section,
    Unchecked,
    Verbatim,
    Verdict,
    heading,
)
from imgaudit.units import Span, counted

VERSION = 1
_NAMED = 2  # findings that the last line names


def head() -> dict[str, Any]:
    """Give what every JSON report starts with."""
    return {"report": VERSION, "tool": {"name": "imgaudit", "version": __version__}}


def found(item: Finding) -> Found:
    """Give a finding as plain data."""
    return Found(
        name=item.rule.name,
        severity=item.severity.value,
        region=item.region,
        artifact=item.artifact,
        chip=item.chip,
        where=item.where,
        offset=item.offset,
        length=item.length,
        message=item.message,
        effect=item.effect,
        fix=item.fix,
        values=item.values,
        identity=item.identity,
        parts=item.parts,
        waived=item.waived,
        known=item.known,
        moves=item.moves,
        leads_to=tuple(
            (other.rule.name, other.region or other.artifact or other.chip or "", other.message)
            for other in item.leads_to
        ),
        thing=item.thing,
        covers=tuple((other.rule.name, other.thing) for other in item.leads_to),
    )


def rule_text(rule: Rule) -> RuleText:
    """Give what a rule says of itself."""
    effect, fix = in_general(rule)
    return RuleText(
        name=rule.name,
        severity=rule.severity.value,
        effect=effect,
        fix=fix,
        computed=rule.computed,
        source=rule.source,
    )


def in_general(rule: Rule) -> tuple[str, str]:
    """Say effect and fix without a finding: a text with fields gives way to one that has none."""
    effect = f"{rule.computed}." if "{" in rule.effect else rule.effect
    fix = f"See: imgaudit explain {rule.name}" if "{" in rule.fix else rule.fix
    if rule.writes:
        fix += f" {CAUTION}"
    return effect, fix


def verdict(result: Result, *, open_too: bool = True) -> Verdict:
    """Say the verdict in a word; count what was found and, where asked, what was not checked."""
    counts = [
        counted(count, severity.value) for severity in Severity if (count := result.count(severity))
    ]
    if result.not_checked and open_too:
        counts.append(f"{len(result.not_checked)} not checked")
    if known := sum(item.known and item.waived is None for item in result.findings):
        counts.append(f"{known} known from the baseline")
    if waived := sum(item.waived is not None for item in result.findings):
        counts.append(f"{waived} waived")
    counts = counts or ["nothing found"]
    stages = [item.line.state for item in result.coverage if item.line.kind == "stage"]
    if result.subject.proofs:
        counts.insert(0, f"{stages.count('proven')} of {len(stages)} stages proven")
    left = sum(item.open for item in result.coverage)
    if left:
        counts.append(f"{left} not judged")
    word = result.verdict.value
    return Verdict(word=word.upper(), role=_ROLES[word], counts=", ".join(counts))


_ROLES = {"pass": "good", "fail": "bad", "incomplete": "warn"}
_STATUS = {"pass": PASS, "fail": FOUND, "incomplete": INCOMPLETE}


def status(result: Result) -> int:
    """Give the exit status."""
    return _STATUS[result.verdict.value]


def headline(result: Result) -> Section:
    """Give the verdict as the section that a report starts with."""
    layout = result.subject.layout
    about = ""
    if layout is not None:
        on_paper = "" if result.subject.given else ", on paper: no artifacts were given"
        about = f"{layout.board}: {layout.file}{on_paper}"
    return Section(None, (Headline(verdict(result), about),))


def findings(items: Iterable[Found]) -> list[Section]:
    """Give the section of findings that are not waived, if there are any."""
    shown = tuple(item for item in items if item.counts)
    return [Section(None, (Findings(shown),))] if shown else []


def waived(items: Iterable[Found]) -> list[Section]:
    """Give the section of waived findings, if there are any."""
    lines = tuple(
        Line(
            f"{item.name} {item.region or ''}: {item.message} - waived: {item.waived}",
            hang=2,
        )
        for item in items
        if item.waived is not None
    )
    return [Section(heading("Waived"), (Lines(lines),))] if lines else []


def known(items: Iterable[Found]) -> list[Section]:
    """Give the section of what the baseline has already, if there is anything."""
    lines = tuple(
        Line(f"{item.name} {item.subject}: {item.message}", hang=2)
        for item in items
        if item.known and item.waived is None
    )
    return [Section(heading("Known from the baseline"), (Lines(lines),))] if lines else []


def unchecked(items: Iterable[NotChecked]) -> tuple[Unchecked, ...]:
    """Give what was not checked as plain data."""
    return tuple(Unchecked(item.rule, item.subject, item.why) for item in items)


def not_checked(items: Iterable[NotChecked]) -> list[Section]:
    """Say what was not checked, and why: what is alike in one line."""
    rules: dict[tuple[str, str], list[str]] = defaultdict(list)
    for item in items:
        rules[item.subject, item.why].append(item.rule or "what only artifacts can tell")
    subjects: dict[tuple[str, str], list[str]] = defaultdict(list)
    for (subject, why), names in rules.items():
        what = names[0] if len(names) == 1 else counted(len(names), "check")
        subjects[what, why].append(subject)
    lines = tuple(
        Line(f"{', '.join(where)}: {what}: {why}", hang=2)
        for (what, why), where in subjects.items()
    )
    return [Section(heading("Not checked"), (Lines(lines),))] if lines else []


def more(items: tuple[Found, ...]) -> list[Section]:
    """Say how to read more about the first finding."""
    if not items:
        return []
    # A command to copy stays in one line.
    return [Section(None, (Verbatim(f"More on a finding: imgaudit explain {items[0].name}"),))]


def closing(said: Verdict, items: tuple[Found, ...], left: Sequence[str] = ()) -> Section:
    """Say the verdict again, as the head has scrolled by: the worst findings, or what is `left`."""
    worst = [f"{item.name} {item.subject}".rstrip() for item in items if item.counts]
    unjudged = [f"{name} not judged" for name in left]
    # What makes it incomplete is what was not judged, whatever there is to warn of.
    named = unjudged if unjudged and said.word == "INCOMPLETE" else worst or unjudged
    rest = f" and {len(named) - _NAMED} more" if len(named) > _NAMED else ""
    what = f": {', '.join(named[:_NAMED])}{rest}" if named else ""
    line = Line(f"  {said.counts}{what}", name=said.word, role=said.role, depth=0, hang=2)
    return Section(line, (), pictured=True)


def in_json(result: Result) -> dict[str, Any]:
    """Give verdict, counts, findings and what was not checked as JSON values."""
    counts: dict[str, int] = {severity.value: result.count(severity) for severity in Severity}
    counts["waived"] = sum(1 for item in result.findings if item.waived)
    counts["not-checked"] = len(result.not_checked)
    return {
        "verdict": result.verdict.value,
        "counts": counts,
        "findings": [_finding(found(item)) for item in result.findings],
        "not-checked": unread(result.not_checked),
    }


def unread(items: Iterable[NotChecked]) -> list[dict[str, str | None]]:
    """Give what was not checked as JSON values."""
    return [{"finding": item.rule, "subject": item.subject, "why": item.why} for item in items]


def _span(to: Span) -> dict[str, int]:
    return {"at": to.start, "size": to.size}


def _finding(item: Found) -> Mapping[str, Any]:
    where = item.where
    return (
        {
            "finding": item.name,
            "severity": item.severity,
            "region": item.region,
            "artifact": item.artifact,
            "chip": item.chip,
            "message": item.message,
            "where": None
            if where is None
            else {"file": where.file, "line": where.line, "column": where.column},
            "offset": item.offset,
            "length": item.length,
            "values": {as_key(name): plain(value) for name, value in item.values.items()},
            "identity": list(item.identity),
            "effect": item.effect,
            "fix": item.fix,
            "waived": item.waived,
        }
        | ({"parts": list(item.parts)} if item.parts else {})
        | ({"known": True} if item.known else {})
        | ({"moves": {name: _span(to) for name, to in item.moves.items()}} if item.moves else {})
        | ({"leads-to": _leads_to(item)} if item.leads_to else {})
    )


def _leads_to(item: Found) -> list[dict[str, str]]:
    return [
        {"finding": name, "subject": subject, "message": message}
        for name, subject, message in item.leads_to
    ]
