"""What every rule promises, checked over the whole registry."""

from __future__ import annotations

import re
import string
from dataclasses import replace

import pytest

from imgaudit.contents.reader import Loader
from imgaudit.rules import checks
from imgaudit.rules.built import subject_of
from imgaudit.rules.engine import Check, Finding
from imgaudit.rules.subject import Subject
from imgaudit.tasks import audit

# A sentence may start with a program's name, which keeps its small letter.
PROGRAMS = {"saveenv", "fw_setenv"}
EVERY = pytest.mark.parametrize("check", checks().values(), ids=list(checks()))


def fields(template: str) -> set[str]:
    return {name for _, name, _, _ in string.Formatter().parse(template) if name}


# What says how big or where, and never which.
MEASURES = {"size", "offset", "at", "start", "end", "length", "sector", "count", "line"}


def found(check: Check, *, bad: bool) -> list[Finding]:
    subject = subject_of(check.rule.bad if bad else check.rule.good)
    return list(audit.run(subject, only=[check]).findings)


@EVERY
def test_name_is_plain_words(check: Check) -> None:
    assert re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)+", check.rule.name)
    assert not re.search(r"\d{3}", check.rule.name)


@EVERY
def test_rule_says_everything(check: Check) -> None:
    rule = check.rule
    for text in (rule.message, rule.effect, rule.fix, rule.computed, rule.source):
        assert text.strip() == text
        assert text
    for sentence in (rule.effect, rule.fix):
        assert sentence.endswith(".")
        assert sentence[0].isupper() or sentence[0] == "{" or sentence.split()[0] in PROGRAMS


@EVERY
def test_bad_example_is_found(check: Check) -> None:
    findings = found(check, bad=True)
    assert findings
    for finding in findings:
        assert finding.rule is check.rule
        assert finding.message
        assert finding.fix
        wanted = fields(check.rule.message) | fields(check.rule.fix) | fields(check.rule.effect)
        assert wanted <= set(finding.values)
        assert finding.where is not None
        assert (
            finding.region is not None or finding.artifact is not None or finding.chip is not None
        )


@EVERY
def test_texts_use_the_values_as_they_are_declared(check: Check) -> None:
    declared = check.rule.values
    for text in (check.rule.message, check.rule.fix, check.rule.effect):
        for _, name, spec, _ in string.Formatter().parse(text):
            if declared is not None and name in declared.__annotations__ and spec:
                kinds = declared.__annotations__[name].split(" | ")
                assert "int" in kinds or spec not in {"bytes", "place", ","}, name


@EVERY
def test_identity_has_no_measure(check: Check) -> None:
    rule = check.rule
    assert not set(rule.identity) & MEASURES
    for text in (rule.message, rule.fix, rule.effect):
        for _, name, spec, _ in string.Formatter().parse(text):
            assert name not in rule.identity or spec not in {"bytes", "place", ","}


@EVERY
def test_a_report_has_no_two_findings_of_one_identity(check: Check) -> None:
    if check.rule.values is not None:
        named = [finding.identity for finding in found(check, bad=True)]
        assert len(named) == len(set(named))


@EVERY
def test_identity_does_not_hang_on_lines(check: Check) -> None:
    rule = check.rule
    moved = replace(rule.bad, layout=rule.bad.layout.replace("\nregions:", "\n\n# tide\nregions:"))
    again = list(audit.run(subject_of(moved), only=[check]).findings)
    assert {item.identity for item in again} == {item.identity for item in found(check, bad=True)}


@EVERY
def test_good_example_is_silent(check: Check) -> None:
    assert found(check, bad=False) == []


@EVERY
def test_bad_example_without_its_layout(check: Check) -> None:
    """`inspect` runs the same rules over files alone: every text must still come out."""
    with Loader() as loader:
        others = {name: loader.memory(name, make()) for name, make in check.rule.bad.files.items()}
    for finding in audit.run(Subject(layout=None, others=others), only=[check]).findings:
        assert finding.message
        assert finding.effect
        assert finding.fix
        assert finding.region is None
