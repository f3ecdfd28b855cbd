"""One cause, one finding: what follows from another finding is told with it, and only then."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from imgaudit.contents.build import FolderStore
from imgaudit.contents.reader import Loader
from imgaudit.demo.build import FAULTS, build
from imgaudit.files import Folder
from imgaudit.layout.load import load
from imgaudit.proof.records import Fault
from imgaudit.rules import checks
from imgaudit.rules._rescue import tree
from imgaudit.rules.built import subject_of
from imgaudit.rules.engine import Cause, Finding, Rule, Severity
from imgaudit.rules.proof import TELLS
from imgaudit.rules.subject import gather
from imgaudit.tasks import audit, said
from imgaudit.tasks.causes import folded

CUT, SHORT = checks()["fit-cut"].rule, checks()["script-reads-too-little"].rule


def finding(
    rule: Rule, region: str | None = "recovery", *causes: Cause, waived: str | None = None
) -> Finding:
    return Finding(
        rule=rule,
        severity=Severity.ERROR,
        region=region,
        artifact=None,
        chip="nor",
        where=None,
        offset=None,
        length=None,
        values={},
        waived=waived,
        causes=causes,
    )


def because(rule: Rule, region: str | None = None) -> Cause:
    return Cause(frozenset({rule.name}), region)


def test_a_consequence_is_told_with_its_cause() -> None:
    cause, effect = finding(CUT), finding(SHORT, "recovery", because(CUT))
    (told,) = folded([effect, cause])
    assert told.rule is CUT
    assert told.leads_to == (effect,)


def test_consequences_of_consequences_go_to_the_first_cause() -> None:
    stage = checks()["stage-does-not-start"].rule
    first, then = finding(CUT), finding(SHORT, "recovery", because(CUT))
    last = finding(stage, "env", because(SHORT, "recovery"))
    (told,) = folded([last, then, first])
    assert {item.rule for item in told.leads_to} == {SHORT, stage}


@pytest.mark.parametrize(
    "cause",
    [finding(CUT, "boot"), finding(CUT, None), finding(CUT, waived="known since June")],
    ids=["elsewhere", "of the chip's image alone", "waived"],
)
def test_what_is_elsewhere_or_waived_is_no_cause(cause: Finding) -> None:
    effect = finding(SHORT, "recovery", Cause(frozenset({CUT.name}), "recovery"))
    assert len(folded([effect, cause])) == 2


def test_a_waived_consequence_stays_waived_and_apart() -> None:
    effect = finding(SHORT, "recovery", because(CUT), waived="known since June")
    assert len(folded([effect, finding(CUT)])) == 2


def test_two_that_name_each_other_both_stay() -> None:
    one, other = finding(CUT, "recovery", because(SHORT)), finding(SHORT, "recovery", because(CUT))
    assert len(folded([one, other])) == 2


def test_every_rule_that_is_followed_exists() -> None:
    for check in checks().values():
        assert set(check.rule.follows) <= set(checks()), check.rule.name
    assert set(TELLS) == set(Fault)
    for rules in TELLS.values():
        assert rules <= set(checks())


@pytest.mark.parametrize(
    ("fault", "errors", "leads_to"),
    [
        ("drivers-are-modules", 2, "kernel-option-missing"),
        ("erase-block-of-another-part", 1, "region-start-not-erase-aligned"),
        ("recovery-too-big", 1, "stage-does-not-start"),
        ("fit-truncated", 1, "stage-does-not-start"),
        ("fit-hash-broken", 1, "artifact-damaged"),
        ("artifact-blank", 1, "ramdisk-missing"),
        ("init-ends", 1, "stage-does-not-start"),
        ("root-dangling", 1, "stage-does-not-start"),
        ("main-root-empty", 1, "filesystem-empty"),
        ("script-missing", 1, "stage-does-not-start"),
        ("env-copies-same-erase-block", 1, "environment-not-erase-aligned"),
        ("environment-wrong-size", 1, "environment-size-differs"),
    ],
)
def test_one_planted_cause_is_one_error(
    fault: str, errors: int, leads_to: str, tmp_path: Path
) -> None:
    layout = load(str(build(tmp_path, fault)))
    with Loader() as loader:
        result = audit.run(gather(layout, FolderStore(Folder(str(tmp_path)), loader)))
    assert result.count(Severity.ERROR) == errors
    told = [item for item in result.findings if item.rule.name == FAULTS[fault].finding]
    assert leads_to in {other.rule.name for item in told for other in item.leads_to}
    in_json = said.in_json(result)["findings"]
    assert leads_to in {led["finding"] for item in in_json for led in item.get("leads-to", ())}


def test_the_same_fault_of_the_same_bytes_is_one() -> None:
    one, other = (replace(finding(CUT, name), twin="tree") for name in ("boot", "recovery"))
    (told,) = folded([one, other])
    assert (told.region, [item.region for item in told.leads_to]) == ("boot", ["recovery"])
    changed = replace(other, twin="another tree")
    assert len(folded([one, changed])) == 2
    assert len(folded([one, replace(other, values={"size": 1})])) == 2
    assert len(folded([one, replace(other, waived="known since June")])) == 2


def test_what_is_only_good_to_have_is_told_once_for_its_group() -> None:
    example = tree(needs="devices")
    findings = audit.run(subject_of(example), only=[checks()["tool-missing"]]).findings
    groups = [item.values["group"] for item in findings if item.severity is Severity.WARNING]
    assert len(groups) == len(set(groups))
    assert any(item.leads_to for item in findings)
