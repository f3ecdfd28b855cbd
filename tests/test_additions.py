"""Whoever adds a rule, a format, a chip kind or a form of report writes one file."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from imgaudit.contents.build import reader_of
from imgaudit.formats import readers
from imgaudit.formats.files import FileSystem
from imgaudit.model import HOLDS, MOUNTED

RULE = """
from imgaudit.rules.cited import PRACTICE
from imgaudit.rules.engine import Outcome, Rule, Severity, check
from imgaudit.rules.examples import nor
from imgaudit.rules.kinds import REGIONS, There


def _late_values(*, start: int) -> None: ...


LATE = Rule(
    name="region-lies-late",
    severity=Severity.WARNING,
    values=_late_values,
    message="{region} starts at {start:place}",
    effect="It is far to read.",
    fix="Move {region} to the front.",
    computed="the region starts in the second half of its chip",
    sources=(PRACTICE,),
    bad=nor("name: log, at: 0xf0000, size: 0x10000"),
    good=nor("name: log, at: 0, size: 0x10000"),
)


@check(LATE, over=REGIONS)
def late(found: There) -> Outcome:
    region = found.region
    if region.at >= found.chip.size // 2:
        yield LATE(start=region.at).at(region=region, key="at", offset=region.at)
"""
FORMAT = '''
from typing import ClassVar

from imgaudit.data import dataclass
from imgaudit.formats.facts import Facts, Match, Reader
from imgaudit.formats.view import View


@dataclass(frozen=True, kw_only=True)
class Tides(Facts):
    """A table of tides."""

    format: ClassVar[str] = "tides"
    height: int


READER = Reader(
    name="tides",
    title="table of tides",
    source="this test",
    match=lambda view: Match.SURE if view.upto(0, 4) == b"TIDE" else Match.NO,
    read=lambda view: Tides(length=8, height=view.u32le(4)),
)
'''
FORM = """
from imgaudit.report import PLAIN, Style
from imgaudit.tasks.sections import Report


def render(report: Report, style: Style = PLAIN) -> str:
    return f"{report.command}: {len(report.findings)} of {len(report.rules)} rules\\n"
"""
# The chip's class and its word stand in one file, chips.py: here they are put there.
START = """
import sys
from imgaudit import chips, formats, report, rules

class Mram(chips.SpiNor):
    word, title, short, told_by = "mram", "MRAM", "serial MRAM", "the datasheet of each part"

chips.KINDS[Mram.word] = Mram()
for package in (formats, report, rules):
    package.__path__.append(f"{sys.argv[1]}/{package.__name__.rpartition('.')[2]}")
from imgaudit.cli import main
main(sys.argv[2:])
"""
LAYOUT = """\
layout: 1
board: tide
arch: arm64
chips: {nor: {kind: mram, size: 1 MiB, erase-block: 64 KiB, address-bytes: 3}}
regions:
  - {name: fw, chip: nor, at: 0, size: 64 KiB, holds: raw, writer: release, file: fw.bin}
  - {name: log, chip: nor, at: 0xf0000, size: 64 KiB, holds: raw, writer: runtime}
"""
Run = Callable[..., str]


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Run:
    folder = tmp_path_factory.mktemp("more")
    for name, text in (("rules/late", RULE), ("formats/tides", FORMAT), ("report/tally", FORM)):
        path = folder / f"{name}.py"
        path.parent.mkdir()
        path.write_text(f'"""An addition."""\nfrom __future__ import annotations\n{text}')
    (folder / "board.yaml").write_text(LAYOUT)
    (folder / "fw.bin").write_bytes(b"TIDE\2\0\0\0")

    def told(*arguments: str) -> str:
        command = [sys.executable, "-c", START, str(folder), *arguments]
        done = subprocess.run(command, capture_output=True, text=True, check=False, cwd=folder)
        assert not done.stderr
        return done.stdout

    return told


def audited(run: Run, form: str) -> str:
    return run("audit", "board.yaml", "--artifacts", ".", "--format", form)


def test_a_rule_is_judged_reported_and_explained(run: Run) -> None:
    report = json.loads(audited(run, "json"))
    (found,) = (item for item in report["findings"] if item["finding"] == "region-lies-late")
    assert (found["region"], found["severity"]) == ("log", "warning")
    assert found["message"] == "log starts at 0xf0000"
    for form in ("text", "markdown", "html", "sarif"):
        assert "region-lies-late" in audited(run, form)
    junit = audited(run, "junit")
    for region in ("fw", "log"):
        assert f'classname="imgaudit.region-lies-late" name="{region}"' in junit
    assert "Move log to the front." in run("explain", "region-lies-late")


def test_a_format_is_known_and_its_facts_are_shown(run: Run) -> None:
    (artifact,) = json.loads(run("inspect", "fw.bin", "--format", "json"))["artifacts"]
    facts: dict[str, Any] = artifact["content"]
    assert facts["format"] == "tides"
    assert facts["facts"]["fields"] == {"height": 2}
    assert "table of tides" in run("inspect", "fw.bin")


def test_a_chip_kind_goes_through_layout_rules_and_reports(run: Run) -> None:
    (chip,) = json.loads(audited(run, "json"))["chips"]
    assert chip["kind"] == "mram"
    assert "MRAM" in run("map", "board.yaml")
    assert '"mram"' in run("schema")
    assert "MRAM" in audited(run, "html")


def test_a_form_of_report_is_one_for_every_command(run: Run, tmp_path: Path) -> None:
    assert audited(run, "tally").startswith("audit: ")
    assert run("inspect", "fw.bin", "--format", "tally") == "inspect: 0 of 0 rules\n"
    out = tmp_path / "out"
    run("map", "board.yaml", "--report", f"tally={out}")
    assert out.read_text() == "map: 0 of 0 rules\n"


def test_every_file_system_that_is_walked_says_what_mounts_it() -> None:
    assert readers()
    # Of a btrfs only the superblock is read.
    walked = {kind.format for kind in FileSystem.__subclasses__()} - {"btrfs"}
    assert set(MOUNTED) == {word for word in HOLDS if reader_of(word) in walked}
