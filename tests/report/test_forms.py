"""The forms for programs, held against their schemas and documented fields.

sarif-schema-2.1.0.json is the OASIS standard's own (errata 01, repository oasis-tcs/sarif-spec),
only indented anew.
"""

from __future__ import annotations

import json
import re
import subprocess
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
from click.testing import CliRunner
from jsonschema import Draft4Validator

from imgaudit.cli import main
from imgaudit.demo.build import build
from imgaudit.model import Where
from imgaudit.report import forms, render
from imgaudit.report.annotations import SHOWN
from imgaudit.report.markdown import MOST
from imgaudit.rules import checks
from imgaudit.tasks import board, said
from imgaudit.tasks.sections import Findings, Found, Report, Section, Unchecked
from tests.report._golden import result

SCHEMA = json.loads((Path(__file__).parent / "sarif-schema-2.1.0.json").read_text())
EVIL = "a\x1b[31m\x07\u202e\n::error::b ##vso[c]##[d] <script>alert(1)</script> \x00![x](y) |@z"


@pytest.fixture(scope="module")
def report() -> Report:
    return board.audit(result())


def hostile() -> Report:
    found = Found(
        name="artifact-missing",
        severity="error",
        region=EVIL,
        artifact=EVIL,
        chip=EVIL,
        where=Where(EVIL, 3, 4),
        offset=5,
        length=6,
        message=EVIL,
        effect=EVIL,
        fix=EVIL,
        values={"a": EVIL},
        identity=("artifact-missing", EVIL),
    )
    items = (found, found, replace(found, waived=EVIL), replace(found, known=True))
    rule = said.rule_text(checks()["artifact-missing"].rule)
    return Report(
        command="audit",
        title=EVIL,
        sections=(Section(None, (Findings(items),)),),
        data=lambda: {"a": EVIL},
        findings=items,
        unchecked=(Unchecked(None, EVIL, EVIL),),
        looked=(("artifact-missing", EVIL),),
        rules={"artifact-missing": rule},
    )


def test_the_forms_that_there_are() -> None:
    wanted = {"annotations", "code-quality", "json", "junit", "markdown", "sarif", "text"}
    assert wanted <= set(forms())


@pytest.mark.parametrize("form", forms())
def test_the_same_bytes_and_nothing_that_acts(form: str, report: Report) -> None:
    assert render(form, report) == render(form, board.audit(result()))
    shown = render(form, hostile())
    assert not {"\x1b", "\x07", "\u202e", "\0"} & set(shown)
    if form not in {"text", "annotations"} | JSON:
        assert "<script" not in shown.replace("\\<", "")
    if form not in JSON:
        assert "##[" not in shown
        assert "##vso[" not in shown
    lines = [line.lstrip() for line in shown.splitlines()]
    commands = [line for line in lines if line.startswith("::")]
    assert all(line.startswith("::error file=") for line in commands)
    assert len(commands) == (2 if form == "annotations" else 0)


# Programs read these; a terminal that shows them is told nothing by ASCII text in quotes.
JSON = {"json", "sarif", "code-quality"}


@pytest.mark.parametrize("made", ["report", "hostile"])
def test_sarif_against_the_schema(made: str, report: Report) -> None:
    value = json.loads(render("sarif", report if made == "report" else hostile()))
    assert not list(Draft4Validator(SCHEMA).iter_errors(value))
    (run,) = value["runs"]
    rules = run["tool"]["driver"]["rules"]
    for item in run["results"]:
        assert rules[item["ruleIndex"]]["id"] == item["ruleId"]
    prints = [item["partialFingerprints"]["identity/v1"] for item in run["results"]]
    assert len(set(prints)) == len(prints)


def test_sarif_places_levels_and_suppressions(report: Report) -> None:
    (run,) = json.loads(render("sarif", report))["runs"]
    found = {item["ruleId"]: item for item in run["results"]}
    (place,) = found["artifact-damaged"]["locations"]
    assert place["physicalLocation"]["artifactLocation"]["uri"] == "example.yaml"
    assert place["physicalLocation"]["region"] == {"startLine": 17, "startColumn": 6}
    assert found["artifact-damaged"]["level"] == "error"
    (suppressed,) = found["headroom-low"]["suppressions"]
    assert suppressed["justification"].startswith("the next kernel is smaller")
    assert "suppressions" not in found["artifact-damaged"]


# The schema junit-10.xsd of the Jenkins xUnit plugin: the attributes of each element that we write,
# those of them that it must have, and what may be inside.
JUNIT: dict[str, tuple[set[str], set[str], set[str]]] = {
    "testsuites": ({"name", "time", "tests", "failures", "errors"}, set(), {"testsuite"}),
    "testsuite": (
        {"name", "tests", "failures", "errors", "group", "time", "skipped", "timestamp", "hostname"}
        | {"id", "package", "file", "log", "url"},
        {"name", "tests", "failures", "errors"},
        {"testsuite", "properties", "testcase", "system-out", "system-err"},
    ),
    "testcase": (
        {"name", "time", "classname", "group"},
        {"name"},
        {"skipped", "error", "failure", "system-out", "system-err"},
    ),
    "failure": ({"type", "message"}, set(), set()),
    "skipped": ({"type", "message"}, set(), set()),
    "system-out": (set(), set(), set()),
}


@pytest.mark.parametrize("made", ["report", "hostile"])
def test_junit(made: str, report: Report) -> None:
    root = ET.fromstring(render("junit", report if made == "report" else hostile()))
    for element in root.iter():
        may, must, inside = JUNIT[element.tag]
        assert must <= set(element.attrib) <= may
        assert {child.tag for child in element} <= inside
    (suite,) = root
    cases = list(suite)
    names = [(case.attrib["classname"], case.attrib["name"]) for case in cases]
    assert len(set(names)) == len(names)
    counts = {
        "tests": len(cases),
        "failures": sum(case.find("failure") is not None for case in cases),
        "skipped": sum(case.find("skipped") is not None for case in cases),
    }
    assert {name: int(suite.attrib[name]) for name in counts} == counts


def test_a_case_is_what_was_looked_at(report: Report) -> None:
    """It is there whether it fails or passes; a rule of the whole build is one case."""
    item = report.findings[0]
    looked = ((item.name, "a"), (item.name, "b"), ("whole", ""))
    rest = replace(item, name="whole", thing="")
    failing = replace(report, looked=looked, findings=(replace(item, thing="a"), rest, rest))
    passing = replace(report, looked=looked, findings=())
    cases: dict[tuple[str, str], list[bool]] = {}
    for made in (failing, passing):
        suite = ET.fromstring(render("junit", replace(made, unchecked=())))[0]
        for case in suite:
            name = case.attrib["classname"].removeprefix("imgaudit."), case.attrib["name"]
            cases.setdefault(name, []).append(case.find("failure") is None)
    assert cases == {
        (item.name, "a"): [False, True],
        (item.name, "b"): [True, True],
        ("whole", "the build"): [False, True],
    }


def test_what_follows_from_a_finding_does_not_pass(report: Report) -> None:
    item = replace(report.findings[0], covers=(("other", ""),))
    made = replace(report, findings=(item,), looked=(("other", ""),), unchecked=())
    suite = ET.fromstring(render("junit", made))[0]
    (case,) = (case for case in suite if case.attrib["classname"] == "imgaudit.other")
    skipped = case.find("skipped")
    assert skipped is not None
    assert skipped.attrib["message"] == f"follows from {item.name}"


def test_junit_shows_what_passed(report: Report) -> None:
    suite = ET.fromstring(render("junit", report))[0]
    cases = {(case.attrib["classname"], case.attrib["name"]): case for case in suite}
    # a rule that looks at the whole build has a case for each region that it is about
    damaged = {
        name: case for (rule, name), case in cases.items() if rule.endswith(".artifact-damaged")
    }
    assert [name for name, case in damaged.items() if case.find("failure") is not None] == [
        "recovery"
    ]
    assert len(damaged) > 1
    failure = damaged["recovery"].find("failure")
    assert failure is not None
    assert failure.attrib["type"] == "error"
    assert "recovery.gz is damaged" in failure.attrib["message"]
    low = [case for (rule, _), case in cases.items() if rule == "imgaudit.headroom-low"]
    assert all(case.find("failure") is None for case in low)
    assert ["accepted: " in (case.findtext("system-out") or "") for case in low].count(True) == 1


@pytest.mark.parametrize("made", ["report", "hostile"])
def test_code_quality_has_the_documented_fields(made: str, report: Report) -> None:
    """The fields: docs.gitlab.com, Code Quality report format."""
    items = json.loads(render("code-quality", report if made == "report" else hostile()))
    assert items
    for item in items:
        assert set(item) == {"description", "check_name", "fingerprint", "severity", "location"}
        assert item["severity"] in {"info", "minor", "major", "critical", "blocker"}
        assert item["location"]["lines"]["begin"] >= 1
        assert item["location"]["path"]
    prints = [item["fingerprint"] for item in items]
    assert len(set(prints)) == len(prints)


@pytest.mark.parametrize(("count", "lines"), [(0, 0), (1, 1), (10, 10), (11, 10), (300, 10)])
def test_annotations_show_ten_and_count_the_rest(count: int, lines: int, report: Report) -> None:
    items = (report.findings[0],) * count
    shown = render("annotations", replace(report, findings=items)).splitlines()
    assert len(shown) == lines
    if count > SHOWN:
        assert shown[-1].startswith(f"::error title=imgaudit::{count - 9} more findings")


def test_markdown_stays_below_what_a_summary_may_have(report: Report) -> None:
    many = Section(None, (Findings((report.findings[0],) * 9000),))
    shown = render("markdown", replace(report, sections=(*report.sections, many)))
    assert MOST - 2000 < len(shown.encode()) < MOST
    assert shown.endswith("_The rest is in the full report._\n")
    assert "| region" in shown


def test_reports_beside_the_text(tmp_path: Path) -> None:
    layout = tmp_path / "l.yaml"
    layout.write_text(
        "layout: 1\nboard: b\narch: arm64\n"
        "chips: {nor: {kind: spi-nor, size: 1 MiB, erase-block: 64 KiB}}\n"
        "regions: [{name: a, chip: nor, at: 0, size: 2 MiB, holds: raw, writer: release}]\n"
    )
    names = {form: tmp_path / f"out.{form}" for form in forms()}
    options = [word for form, path in names.items() for word in ("--report", f"{form}={path}")]
    done = CliRunner().invoke(main, ["audit", str(layout), *options])
    assert done.exit_code == 1
    assert done.stdout == names["text"].read_text()
    assert all(path.exists() for path in names.values())
    for wrong in ("pdf=x", "json", "json=", "=x"):
        again = CliRunner().invoke(main, ["audit", str(layout), "--report", wrong])
        assert again.exit_code == 2, wrong
    gone = CliRunner().invoke(main, ["audit", str(layout), "--report", "json=/nowhere/x"])
    assert gone.exit_code == 2


@pytest.mark.oracle
def test_sarif_by_another_validator(report: Report, tmp_path: Path) -> None:
    """Microsoft's multitool, from npm: no error and no warning, of any fault's report.

    Its notes ask for what does not suit us: rules by number, texts by reference, snippets.
    """
    (tmp_path / "golden.sarif").write_text(render("sarif", report))
    (tmp_path / "hostile.sarif").write_text(render("sarif", hostile()))
    (tmp_path / "empty.sarif").write_text(
        render("sarif", replace(report, findings=(), unchecked=(), rules={}))
    )
    for fault in ("fit-hash-broken", "tool-missing", "gpt-duplicate-guid", "mtdparts-drift"):
        layout = build(tmp_path / fault, fault)
        words = ["audit", str(layout), "--artifacts", str(layout.parent), "--root", str(tmp_path)]
        CliRunner().invoke(main, [*words, "--report", f"sarif={tmp_path / fault}.sarif"])
    files = sorted(map(str, tmp_path.glob("*.sarif")))
    assert len(files) == 7
    done = subprocess.run(
        ["sarif-multitool", "validate", *files, "--output", str(tmp_path / "said.json")],
        capture_output=True,
        text=True,
        check=True,
    )
    assert "7 files scanned" in done.stdout
    assert not re.search(r"(error|warning) SARIF", done.stdout), done.stdout
    (run,) = json.loads((tmp_path / "said.json").read_text())["runs"]
    assert run["results"] == []


def test_paths_are_below_the_root_in_every_form(tmp_path: Path) -> None:
    layout = build(tmp_path / "board" / "images", "fit-hash-broken")
    folder = tmp_path / "out"
    folder.mkdir()
    names = {form: folder / form for form in forms()}
    words = [word for form, path in names.items() for word in ("--report", f"{form}={path}")]
    options = ["--artifacts", str(layout.parent), "--root", str(tmp_path)]
    CliRunner().invoke(main, ["audit", str(layout), *options, *words])
    for form, path in names.items():
        shown = path.read_text()
        assert str(tmp_path) not in shown
        named = "board/images/whimbrel.yaml" in shown.replace("\\", "")
        assert named or form == "svg", form
    (run,) = json.loads(names["sarif"].read_text())["runs"]
    for found in run["results"]:
        (place,) = found["locations"]
        uri = place["physicalLocation"]["artifactLocation"]["uri"]
        assert uri == "board/images/whimbrel.yaml"
    for item in json.loads(names["code-quality"].read_text()):
        assert item["location"]["path"] == "board/images/whimbrel.yaml"
    assert "file=board/images/whimbrel.yaml,line=" in names["annotations"].read_text()
