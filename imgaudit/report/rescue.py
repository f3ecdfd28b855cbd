"""The rescue report of one file: where the ramdisk is, what it can do, and what is wrong."""

from __future__ import annotations

from collections.abc import Iterator

from imgaudit.ramdisk.follow import Segment
from imgaudit.report import _rescue
from imgaudit.report import json as json_report
from imgaudit.report import text as text_report
from imgaudit.report.clean import clean
from imgaudit.report.style import PLAIN, Style, columns
from imgaudit.rescue.stage import Rescue
from imgaudit.rescue.survey import GroupFacts, RescueFacts
from imgaudit.tasks.audit import Result
from imgaudit.units import both, human


def json(result: Result, rescue: Rescue) -> str:
    """Give the JSON report."""
    found = json_report.head() | json_report.verdict(result)
    if rescue.facts is None and not result.failed:
        found["verdict"] = "unknown"
    found["rescue"] = _rescue.plain(rescue)
    artifact = rescue.artifact
    if artifact is not None:
        # What the archives list is for `inspect`; here it would bury the rest.
        found["artifact"] = {
            "path": artifact.path,
            "size": artifact.size,
            "sha256": artifact.sha256,
        }
    return json_report.dump(found)


def text(result: Result, rescue: Rescue, style: Style = PLAIN) -> str:
    """Give the text report."""
    headline = text_report.headline(result, style)
    if rescue.facts is None and not result.failed:
        headline = style.paint("UNKNOWN", "warn") + f"  not surveyed: {clean(rescue.why)}"
    blocks = [headline, "\n".join(_ramdisk(rescue, style))]
    if rescue.facts is not None:
        blocks.append("\n".join(_groups(rescue.facts, style)))
    blocks += [text_report.finding(item, style) for item in result.findings]
    if result.not_checked:
        blocks.append(text_report.not_checked(result.not_checked, style))
    if result.findings:
        blocks.append(f"More on a finding: imgaudit explain {result.findings[0].rule.name}")
    return "\n\n".join(blocks) + "\n"


def _ramdisk(rescue: Rescue, style: Style) -> Iterator[str]:
    ramdisk, facts, room = rescue.ramdisk, rescue.facts, rescue.room
    yield style.paint(clean(ramdisk.where), "strong")
    if ramdisk.missing:
        yield style.wrap(f"no ramdisk: {clean(ramdisk.missing)}")
    rows = [_row(segment) for segment in ramdisk.segments]
    if rows:
        yield from text_report.indent(columns(rows, frozenset({1, 2})))
    kernel = f"Linux {clean(rescue.release)}" if rescue.release else "of unknown release"
    if ramdisk.kernel is None and rescue.release is None:
        kernel = "not known"
    known = "configuration " if rescue.config is not None else "configuration unknown: "
    yield style.wrap(f"kernel  {kernel}; {known}{clean(rescue.config_from)}", then="          ")
    if facts is not None:
        runs = {True: "runs", False: "DOES NOT RUN", None: "may not run"}[facts.init.verdict.runs]
        arch = facts.arch or "whatever its programs are for"
        yield f"  init    {clean(facts.init.path)} {runs}"
        yield f"  arch    {arch}"
    if room is not None:
        needed = f"{both(room.total)}: {human(room.stored)} as loaded,"
        yield style.wrap(
            f"memory  {needed} {human(room.unpacked)} unpacked, {human(room.kernel)} kernel",
            then="          ",
        )


def _row(segment: Segment) -> list[str]:
    entries = "no archive"
    if segment.archive is not None:
        entries = f"{len(segment.archive.entries):,} entries"
    return [
        "bundled" if segment.bundled else "archive",
        human(segment.size),
        human(segment.unpacked),
        segment.compression or "not compressed",
        entries,
    ]


def _groups(facts: RescueFacts, style: Style) -> Iterator[str]:
    met = sum(1 for group in facts.groups if group.met)
    yield f"Rescue: {met} of {len(facts.groups)} groups"
    width = max((len(group.name) for group in facts.groups), default=0)
    for group in facts.groups:
        role = "good" if group.met else "bad" if group.met is False else "warn"
        yield f"  {group.name.ljust(width)}  {style.paint(_rescue.state(group), role)}"
        yield from _needs(group, style)


def _needs(group: GroupFacts, style: Style) -> Iterator[str]:
    for need in group.needs:
        if need.met is not True:
            mark = "" if need.level == "must" else "good to have, "
            yield style.wrap(f"{mark}{clean(_rescue.lacks(need))}", "    - ", "      ")
