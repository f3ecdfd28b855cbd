"""Waivers and baselines where a change is reviewed: what is renamed or moved is no new finding."""

from __future__ import annotations

import json
import os
import re
from pathlib import Path

import pytest

from imgaudit.demo.build import build
from imgaudit.layout.load import parse
from imgaudit.rules._boot import scripted, whole_fit
from imgaudit.rules.built import subject_of
from imgaudit.rules.engine import Finding
from imgaudit.rules.subject import gather
from imgaudit.tasks import audit, board, compare
from imgaudit.tasks.opened import subject

_LAYOUT = """\
layout: 1
board: tide
arch: arm64
chips:
  nor: {kind: spi-nor, size: 4 MiB, erase-block: 64 KiB}
regions:
  - {name: loader, chip: nor, at: 0, size: 96 KiB, holds: raw, writer: release}
  - {name: notes, chip: nor, at: 64 KiB, size: 64 KiB, holds: raw, writer: release}
  - {name: logs, chip: nor, at: 1 MiB, size: 80 KiB, holds: raw, writer: release}
"""


def report(text: str, path: Path) -> Path:
    """Write the JSON report of a layout on paper."""
    result = audit.run(gather(parse(text.encode(), "tide.yaml"), None))
    path.write_text(json.dumps(dict(board.audit(result).data())))
    return path


def new_ones(text: str, before: Path) -> list[tuple[str, str | None]]:
    """Give what counts of a layout over a baseline."""
    layout = parse(text.encode(), "tide.yaml")
    known = compare.baseline(str(before), layout)
    found = audit.run(gather(layout, None), baseline=known).findings
    return [(one.rule.name, one.region) for one in found if one.counts]


def test_a_region_of_another_name_is_the_same_one(tmp_path: Path) -> None:
    before = report(_LAYOUT, tmp_path / "before.json")
    renamed = _LAYOUT.replace("name: notes", "name: remarks").replace("name: logs", "name: log")
    assert new_ones(_LAYOUT, before) == []
    assert new_ones(renamed, before) == []
    after = report(renamed, tmp_path / "after.json")
    done = compare.compare(str(before), str(after))
    assert (done.status, done.data()["came"], done.data()["went"]) == (0, [], [])
    assert done.data()["renamed"] == {"notes": "remarks", "logs": "log"}
    assert done.data()["sizes"] == {}


def test_a_region_that_moved_under_another_name_is_another_one(tmp_path: Path) -> None:
    before = report(_LAYOUT, tmp_path / "before.json")
    moved = _LAYOUT.replace("name: logs, chip: nor, at: 1 MiB", "name: log, chip: nor, at: 2 MiB")
    assert {region for _, region in new_ones(moved, before)} == {"log"}
    # nor does a new region inherit the findings of one whose name it took
    swapped = _LAYOUT.replace(
        "name: logs, chip: nor, at: 1 MiB", "name: notes2, chip: nor, at: 3 MiB"
    )
    assert {region for _, region in new_ones(swapped, before)} == {"notes2"}


def test_a_second_finding_of_one_rule_in_one_region_is_new(tmp_path: Path) -> None:
    before = report(_LAYOUT, tmp_path / "before.json")
    more = (
        _LAYOUT
        + "  - {name: extra, chip: nor, at: 32 KiB, size: 8 KiB, holds: raw, writer: release}\n"
    )
    found = [one for one in new_ones(more, before) if one[0] == "regions-overlap"]
    assert found == [("regions-overlap", "loader")]
    waiver = "finding: regions-overlap, region: loader, about: notes, reason: x"
    waived = f"policy:\n  waive:\n    - {{{waiver}}}\n"
    layout = parse((more + waived).encode(), "tide.yaml")
    overlaps = [
        (one.values["other"], bool(one.waived))
        for one in audit.run(gather(layout, None)).findings
        if one.rule.name == "regions-overlap"
    ]
    assert sorted(overlaps) == [("extra", False), ("notes", True)]


def scripts(text: str) -> tuple[Finding, ...]:
    return audit.run(subject_of(scripted(text, itb=whole_fit))).findings


def test_a_line_that_moves_in_a_script_is_no_new_finding() -> None:
    reads = "sf probe && sf read 0x88000000 0x20000 0x400 && bootm 0x88000000"
    before = {one.identity for one in scripts(reads)}
    assert "script-reads-too-little" in {name for name, *_ in before}
    moved = {one.identity for one in scripts(f"echo tide; true;  {reads}")}
    assert moved == before
    # and one that reads too little elsewhere in it is counted beside the first
    twice = scripts("sf probe; sf read 0x84000000 0x20000 0x200; " + reads)
    reads_short = [one.identity for one in twice if one.rule.name == "script-reads-too-little"]
    left = audit._without(list(twice), before)
    fresh = [one for one in left if one.rule.name == "script-reads-too-little" and not one.known]
    assert len(fresh) == len(reads_short) - 1


@pytest.mark.parametrize(
    "fault", ["recovery-too-big", "script-reads-too-little", "gpt-backup-damaged"]
)
def test_files_and_folders_may_be_called_otherwise(fault: str, tmp_path: Path) -> None:
    path = build(tmp_path / "a", fault)
    before = {one.identity for one in audit.run(subject(str(path), str(path.parent))).findings}
    assert before
    text = path.read_text()
    for name in sorted(os.listdir(path.parent), key=len, reverse=True):
        if name != path.name and name in text:
            other = re.sub(r"^([^.]+)", r"\1-r7", name)
            text = re.sub(rf"(?<![\w.-]){re.escape(name)}(?![\w.-])", other, text)
            (path.parent / name).rename(path.parent / other)
    path.write_text(text)
    moved = (tmp_path / "a").rename(tmp_path / "elsewhere")
    found = audit.run(subject(str(moved / path.name), str(moved))).findings
    assert {one.identity for one in found} == before
