"""The JSON report: one object, the same bytes for the same input."""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import Any

from imgaudit import __version__
from imgaudit.contents.build import Placement
from imgaudit.model import Chip, Layout, Stage
from imgaudit.report import _rescue, plain
from imgaudit.rules.engine import Finding, NotChecked, Severity
from imgaudit.rules.subject import Subject
from imgaudit.tasks.audit import Result

VERSION = 1


def dump(value: dict[str, Any]) -> str:
    """Write JSON with a fixed layout, ASCII only, so that no terminal acts on it."""
    return json.dumps(value, indent=2, ensure_ascii=True) + "\n"


def head() -> dict[str, Any]:
    """Give what every JSON report starts with."""
    return {"report": VERSION, "tool": {"name": "imgaudit", "version": __version__}}


def report(result: Result) -> str:
    """Give the audit's JSON report."""
    subject = result.subject
    found = head()
    layout = subject.layout
    if layout is not None:
        found["layout"] = {
            "file": layout.file,
            "board": layout.board,
            "arch": layout.arch,
            "sha256": layout.sha256,
        } | ({"variant": layout.variant} if layout.variant else {})
    found |= verdict(result)
    if layout is not None:
        found["chips"] = [_chip(chip) for chip in layout.chips.values()]
        found["regions"] = [_region(item) for item in subject.placements]
        found["stages"] = [_stage(stage, layout, subject) for stage in layout.stages.values()]
    found["artifacts"] = [plain.artifact(artifact) for artifact in _artifacts(subject)]
    return dump(found)


def verdict(result: Result) -> dict[str, Any]:
    """Give verdict, counts, findings and what was not checked."""
    counts: dict[str, int] = {severity.value: result.count(severity) for severity in Severity}
    counts["waived"] = sum(1 for item in result.findings if item.waived)
    counts["not-checked"] = len(result.not_checked)
    return {
        "verdict": "fail" if result.failed else "pass",
        "counts": counts,
        "findings": [finding(item) for item in result.findings],
        "not-checked": [_not_checked(item) for item in result.not_checked],
    }


def finding(item: Finding) -> dict[str, Any]:
    """Give one finding."""
    where = item.where
    return {
        "finding": item.rule.name,
        "severity": item.severity.value,
        "region": item.region,
        "artifact": item.artifact,
        "chip": item.chip,
        "message": item.message,
        "where": None
        if where is None
        else {"file": where.file, "line": where.line, "column": where.column},
        "offset": item.offset,
        "length": item.length,
        "values": plain.plain(item.values),
        "effect": item.effect,
        "fix": item.fix,
        "waived": item.waived,
    } | ({"parts": list(item.parts)} if item.parts else {})


def _not_checked(item: NotChecked) -> dict[str, Any]:
    return {"finding": item.rule, "subject": item.subject, "why": item.why}


def _artifacts(subject: Subject) -> Iterable[Any]:
    return sorted((artifact for _, artifact in subject.artifacts()), key=lambda item: item.path)


def _chip(chip: Chip) -> dict[str, Any]:
    found: dict[str, Any] = {"name": chip.name, "kind": chip.kind.word, "size": chip.size}
    if chip.erase_map:
        found["erase-map"] = [{"count": run.count, "size": run.size} for run in chip.erase_map]
    if chip.boot_area is not None:
        found["boot-area"] = chip.boot_area
    if chip.parts:
        found["parts"] = [_chip(part) | {"part": part.part} for part in chip.parts]
    if chip.spare is not None:
        found["page"], found["spare"] = chip.page, chip.spare
    return found


def _region(item: Placement) -> dict[str, Any]:
    region = item.region
    free = None if item.size is None else region.room - item.size
    return {
        "name": region.name,
        "chip": region.area,
        "offset": region.at,
        "size": region.size,
        "holds": region.holds,
        "writer": region.writer.value,
        "used": item.size,
        "free": free,
        "headroom-percent": None if free is None else round(100 * free / region.room, 2),
        "artifact": item.path,
        "sha256": item.artifact.sha256 if item.artifact else None,
        "data-sha256": item.artifact.data_sha256 if item.artifact else None,
    }


def _stage(stage: Stage, layout: Layout, subject: Subject) -> dict[str, Any]:
    rescue = subject.rescues.get(stage.name)
    return {
        "name": stage.name,
        "entry": stage.entry,
        "regions": list(stage.regions),
        "size": sum(layout.region(name).size for name in stage.regions),
        "rescue": None if rescue is None else _rescue.plain(rescue),
    }
