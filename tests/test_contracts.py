"""What every rule promises, checked over the whole registry."""

from __future__ import annotations

import json
import re
import string
from dataclasses import replace
from enum import EnumType
from typing import Any, get_args

import pytest

from imgaudit.boot.records import Gap, Oddity
from imgaudit.chips import CAUTION
from imgaudit.contents.comparison import Look
from imgaudit.contents.reader import Loader
from imgaudit.ramdisk.follow import TroubleKind
from imgaudit.ramdisk.scan import SecretKind
from imgaudit.report import render
from imgaudit.rescue.runnable import ReasonKind
from imgaudit.rules import checks
from imgaudit.rules.built import subject_of
from imgaudit.rules.cited import VERSIONS, Basis
from imgaudit.rules.engine import Check, Finding
from imgaudit.rules.rescue import CAUSES
from imgaudit.rules.subject import Subject
from imgaudit.tasks import audit, explain, said

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
            if name in declared.__annotations__ and spec:
                kinds = declared.__annotations__[name].split(" | ")
                assert "int" in kinds or spec not in {"bytes", "sized", "place", ","}, name


@EVERY
def test_identity_has_no_measure(check: Check) -> None:
    rule = check.rule
    assert not set(rule.identity) & MEASURES
    for text in (rule.message, rule.fix, rule.effect):
        for _, name, spec, _ in string.Formatter().parse(text):
            assert name not in rule.identity or spec not in {"bytes", "sized", "place", ","}


@EVERY
def test_a_report_has_no_two_findings_of_one_identity(check: Check) -> None:
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


class NotJudged(str):
    """Why no rule is about a kind of fact."""

    __slots__ = ()


UNSURE = NotJudged("the walk could not know: told as not checked by the rules of scripts")
NOTED: dict[Any, dict[Any, str]] = {
    Gap: {
        Gap.MISSING_SCRIPT: "script-missing",
        Gap.UNDEFINED: "variable-undefined",
        Gap.SYNTAX: "script-syntax-error",
        Gap.RUN_TIME: NotJudged("the board sets it itself, and the layout may say to what"),
        Gap.EMPTY: NotJudged("a script may well ask for a variable that is not set"),
        Gap.SCRIPT: UNSURE,
        Gap.STATUS: UNSURE,
        Gap.NO_SCRIPT: NotJudged("source fails there: stage-does-not-start tells what that costs"),
        Gap.WHAT_RUNS: UNSURE,
        Gap.WHAT_STARTS: UNSURE,
        Gap.RUNS_ITSELF: UNSURE,
        Gap.DEPTH: UNSURE,
        Gap.ENDLESS: UNSURE,
        Gap.LONG_LOOP: UNSURE,
        Gap.COMMAND: UNSURE,
        Gap.COMMAND_NAME: UNSURE,
        Gap.VARIABLE_NAME: UNSURE,
        Gap.LOADED_ENVIRONMENT: UNSURE,
        Gap.IMPORTED_ENVIRONMENT: UNSURE,
        Gap.DEFAULT_ENVIRONMENT: UNSURE,
    },
    Oddity: {
        Oddity.NO_PROBE: "flash-not-probed",
        Oddity.NO_EQUALS: "test-without-comparison",
        Oddity.OR_AFTER_AND: "fallback-skipped",
        Oddity.AND_AFTER_OR: "fallback-skipped",
        Oddity.NOT_BUILT_IN: "command-not-built-in",
        Oddity.NO_SHELL: "shell-not-built-in",
        Oddity.HIDDEN_VARIABLE: "loop-variable-in-environment",
        Oddity.NOTHING_LEFT: NotJudged("variable-undefined tells of the variable that is empty"),
    },
    TroubleKind: {
        "refused": "ramdisk-format-refused",
        "junk": "ramdisk-junk-behind",
        "cut": "ramdisk-cut",
        "bound": NotJudged("where reading ended: told as not checked by ramdisk-format-refused"),
    },
    ReasonKind: {
        **{kind: rule for rule, kinds in CAUSES.items() for kind in kinds},
        "compat": NotJudged("some kernels run it: tool-missing tells it as not checked"),
        "multi-call": NotJudged("cannot be read: tool-missing tells it as not checked"),
        "bound": NotJudged("where reading ended: tool-missing tells it as not checked"),
    },
    SecretKind: {
        "private-key": "private-key-in-image",
        "host-key": "host-keys-baked-in",
        "credentials": "credentials-in-image",
        "wifi-passphrase": "credentials-in-image",
    },
    Look: {
        Look.SAME: NotJudged("it is as built"),
        Look.UNKNOWN: NotJudged("told as not checked by chip-image-differs"),
        Look.CUT: "chip-image-ends-early",
        Look.OTHER: "chip-image-holds-other-region",
        Look.SHIFTED: "chip-image-content-shifted",
        Look.SWAPPED: "chip-image-bytes-swapped",
        Look.MIRRORED: "chip-image-bits-reversed",
        Look.STUCK: "chip-image-bit-stuck",
        Look.NOT_ERASED: "chip-image-not-erased-first",
        Look.ERASED: "chip-image-erased-hole",
        Look.SAVED: "chip-image-environment-saved",
        Look.BROKEN: "chip-image-environment-broken",
        Look.DIFFERS: "chip-image-differs",
    },
}


@pytest.mark.parametrize("kinds", NOTED, ids=str)
def test_each_kind_of_fact_has_a_rule_or_a_reason(kinds: Any) -> None:
    every = set(kinds) if isinstance(kinds, EnumType) else set(get_args(kinds))
    assert set(NOTED[kinds]) == every
    for rule in NOTED[kinds].values():
        assert isinstance(rule, NotJudged) or rule in checks()


@EVERY
def test_a_page_about_a_finding_leaks_no_template(check: Check) -> None:
    rule = check.rule
    page = whole = render("text", explain.explain(rule.name))
    for example in (rule.bad, rule.good):
        shown = "".join(f"    {line}\n" for line in example.layout.splitlines())
        assert shown in whole
        page = page.replace(shown, "")
    wanted = fields(rule.message) | fields(rule.effect) | fields(rule.fix) | {"group"}
    assert not [name for name in wanted if re.search(rf"\{{{name}[!:}}]", page)]
    assert not re.search(r"\b(HAPPENS|ADVICE|WHY|HERE|ERASE|REGION|ARTIFACT)\b", page)
    told = ("On the board", "What to do", "How it is found", "Who says so", "What is said of it")
    assert [line for line in told if not re.search(rf"(?m)^{line}", page)] == []
    assert re.search(rf"(?m)^  (ERROR|WARNING|NOTE) +{rule.name}", page)


def test_the_list_of_findings_leaks_no_template() -> None:
    assert "{" not in re.sub(r"`[^`]*`", "", render("text", explain.explain()))


# What writes to a chip, or sets what cannot be taken back.
WRITES = re.compile(
    r"(?i)\b(sgdisk -|sfdisk (--|with)|sgdisk or sfdisk write|mmc (bootpart|partconf|rst-)"
    r"|flashcp|flash_erase|flash_lock|nandwrite|dd if|fw_setenv|saveenv|sf (erase|write|protect)"
    r"|on the device|written (only )?once|protect (less|\{)|erase (\{|the gap)|fill the rest)"
)


@EVERY
def test_a_fix_that_writes_to_a_device_carries_the_caution(check: Check) -> None:
    rule = check.rule
    assert rule.writes or not WRITES.search(rule.fix)
    assert all((CAUTION in finding.fix) == rule.writes for finding in found(check, bad=True))
    assert (CAUTION in said.rule_text(rule).fix) == rule.writes


@EVERY
def test_each_rule_says_who_says_so(check: Check) -> None:
    sources = check.rule.sources
    assert sources
    assert len(set(sources)) == len(sources)
    for source in sources:
        assert source.project or source.file or source.basis is Basis.PRACTICE
        assert source.basis is not Basis.TREE or source.version == VERSIONS[source.project]


def test_sources_are_listed_for_people_and_for_programs() -> None:
    name = "environment-wipes-what-follows"
    report = explain.explain(name, sources=True)
    assert 'U-Boot 2023.01, env/sf.c, env_sf_save: "sector = ' in " ".join(
        render("text", report).split()
    )
    (record,) = json.loads(render("json", report))["sources"]
    assert (record["finding"], record["symbol"]) == (name, "env_sf_save")
    every = json.loads(render("json", explain.explain(sources=True)))["sources"]
    assert {record["finding"] for record in every} == set(checks())
