"""What `imgaudit explain` says: a finding as a page for a newcomer, all findings, all sources."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import TYPE_CHECKING, Any

from imgaudit.errors import AuditError, close
from imgaudit.rules import checks
from imgaudit.rules.engine import Example, Finding, Rule, Severity
from imgaudit.tasks import said
from imgaudit.tasks.sections import (
    Findings,
    Line,
    Lines,
    Part,
    Report,
    Section,
    Verbatim,
    heading,
    strong,
)
from imgaudit.units import both

if TYPE_CHECKING:
    from imgaudit.rules.cited import Source

MEANS = {
    Severity.ERROR: "the board does not boot, its recovery is cut off, or data is lost",
    Severity.WARNING: "it works today and breaks on a plausible change",
    Severity.NOTE: "hygiene: nothing breaks",
}


def explain(name: str | None = None, *, sources: bool = False) -> Report:
    """Explain a finding, or list all; or say only who says so, of it or of all.

    Raises:
        AuditError: no finding has that name.

    """
    if name is not None and name not in checks():
        near = close(name, checks()) or "; imgaudit explain lists all"
        raise AuditError(f"no finding is called {name!r}{near}")
    rules = [check.rule for check in checks().values() if name in {None, check.rule.name}]
    if sources:
        return _sources(rules)
    return _page(rules[0]) if name is not None else _index(rules)


def _page(rule: Rule) -> Report:
    found = _found(rule)
    # Where a text has fields, the build below fills them in.
    first = found[0] if found else None
    effect = first.effect if first is not None else rule.effect
    fix = first.fix if first is not None else rule.fix
    shown = tuple(said.found(finding) for finding in found)

    def texts(title: str, *lines: str, own: bool = False) -> Section:
        title += ", in the build below" if own else ""
        return Section(heading(title), (Lines(tuple(Line(line) for line in lines)),))

    severity = f"{rule.severity.value}: {MEANS[rule.severity]}"
    return Report(
        command="explain",
        title=rule.name,
        sections=(
            Section(strong(rule.name), (Lines((Line(severity),)),)),
            texts("On the board", effect, own="{" in rule.effect),
            texts("What to do", fix, own="{" in rule.fix),
            texts("How it is found", f"{rule.computed}."),
            Section(heading("Who says so"), (_said_by(rule.sources),)),
            Section(heading("A build with this finding"), tuple(_build(rule.bad))),
            Section(heading("What is said of it"), (Findings(shown, depth=2),)),
            Section(heading("The same without it"), tuple(_sound(rule))),
        ),
        data=lambda: (
            said.head()
            | {
                "finding": rule.name,
                "severity": rule.severity.value,
                "effect": effect,
                "fix": fix,
                "computed": rule.computed,
                "sources": [_record(source) for source in rule.sources],
                "bad": _plain(rule.bad) | {"messages": [item.message for item in shown]},
                "good": _plain(rule.good),
            }
        ),
    )


def _index(rules: Iterable[Rule]) -> Report:
    """List every finding with its severity and what it does on the board, or how it is computed."""
    told = [(rule, said.in_general(rule)[0]) for rule in rules]
    lines = tuple(
        Line(f" ({rule.severity.value}): {text}", name=rule.name, role="strong", mark="- ", hang=2)
        for rule, text in told
    )
    return Report(
        command="explain",
        title="Findings",
        sections=(
            Section(heading("Findings"), (Lines(lines),)),
            Section(
                None, (Lines((Line("One of them in full: imgaudit explain FINDING", depth=0),)),)
            ),
        ),
        data=lambda: (
            said.head()
            | {
                "findings": [
                    {"finding": rule.name, "severity": rule.severity.value, "about": text}
                    for rule, text in told
                ]
            }
        ),
    )


def _sources(rules: Iterable[Rule]) -> Report:
    """List who says so, finding by finding."""
    told = list(rules)
    return Report(
        command="explain",
        title="Sources",
        sections=tuple(Section(strong(rule.name), (_said_by(rule.sources),)) for rule in told),
        data=lambda: (
            said.head()
            | {
                "sources": [
                    {"finding": rule.name, **_record(source)}
                    for rule in told
                    for source in rule.sources
                ]
            }
        ),
    )


def _said_by(sources: Iterable[Source]) -> Lines:
    return Lines(tuple(Line(str(source), mark="- ", hang=2) for source in sources))


def _record(source: Source) -> dict[str, str | None]:
    return {
        "basis": source.basis.value,
        "project": source.project or None,
        "version": source.version or None,
        "file": source.file or None,
        "symbol": source.symbol or None,
        "says": source.says or None,
        "standard": source.standard or None,
    }


def _build(example: Example) -> Iterator[Part]:
    yield Verbatim("".join(f"    {line}\n" for line in example.layout.splitlines()))
    for word, files in (("with", example.files), ("before it, the board had", example.old)):
        sizes = [f"{name} of {both(size)}" for name, size in _sizes(files).items()]
        if sizes:
            yield Lines((Line(f"{word} {', '.join(sizes)}."),))


def _sound(rule: Rule) -> Iterator[Part]:
    """Show the build without the fault; where the layout is the same, say what is not."""
    bad, good = rule.bad, rule.good
    if bad.layout != good.layout:
        yield from _build(good)
        return
    both_have = bad.files.keys() & good.files.keys()
    other = [name for name in good.files if name in both_have]
    other = [name for name in other if bad.files[name]() != good.files[name]()]
    other += [name for name in good.files if name not in both_have]
    gone = [name for name in bad.files if name not in both_have]
    told = []
    if other:
        told.append(f"other contents of {' and '.join(other)}")
    if gone:
        told.append(f"no {' and no '.join(gone)}")
    yield Lines(
        (Line(f"the same layout, with {' and '.join(told or ['another release before it'])}."),)
    )


def _plain(example: Example) -> dict[str, Any]:
    old = {"old": _sizes(example.old)} if example.old else {}
    return {"layout": example.layout, "files": _sizes(example.files)} | old


def _sizes(files: Mapping[str, Callable[[], bytes]]) -> Mapping[str, int]:
    return {name: len(make()) for name, make in files.items()}


def _found(rule: Rule) -> tuple[Finding, ...]:
    from imgaudit.rules.built import subject_of
    from imgaudit.tasks import audit

    return audit.run(subject_of(rule.bad), only=[checks()[rule.name]]).findings
