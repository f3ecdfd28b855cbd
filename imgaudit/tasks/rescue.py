"""The recovery ramdisk of one file: where it is, what it can do, and what is wrong."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from typing import Any

from imgaudit import bounds
from imgaudit.ramdisk.follow import Segment
from imgaudit.rescue.stage import Rescue
from imgaudit.rescue.survey import GroupFacts, RescueFacts
from imgaudit.rules.subject import gather_rescue
from imgaudit.tasks import audit, rescued, said
from imgaudit.tasks.audit import Result
from imgaudit.tasks.sections import (
    BROKEN,
    Findings,
    Headline,
    Line,
    Lines,
    Part,
    Report,
    Section,
    Table,
    Values,
    Verdict,
    heading,
    strong,
)
from imgaudit.units import both, counted, human


def rescue(
    file: str,
    *,
    groups: Iterable[str] | None = None,
    arch: str | None = None,
    kernel: str | None = None,
    configuration: str | None = None,
) -> Report:
    """Survey the ramdisk of a file. What could not be surveyed does not pass: status 2.

    Raises:
        ArtifactError: a file cannot be read.
        ValueError: a group or an architecture is not known.

    """
    with bounds.listening() as heard:
        subject = gather_rescue(
            file, groups=groups, arch=arch, kernel=kernel, configuration=configuration
        )
    result = audit.run(subject, heard=heard)
    found = subject.rescues[file]
    unknown = found.facts is None and not result.failed
    verdict = said.verdict(result)
    if found.facts is not None:
        verdict = replace(verdict, counts=f"{_met(found.facts)}, {verdict.counts}")
    if unknown:
        verdict = Verdict(word="UNKNOWN", role="warn", counts=f"not surveyed: {found.why}")
    items = tuple(said.found(item) for item in result.findings)
    shown: list[Section] = [Section(None, (Findings(items),))] if items else []
    sections = [Section(None, (Headline(verdict),)), _ramdisk(found)]
    if found.facts is not None:
        sections.append(section(found.facts))
    return Report(
        command="rescue",
        title=f"{file}: what its ramdisk can do",
        status=BROKEN if unknown else said.status(result),
        verdict=verdict,
        sections=(*sections, *shown, *said.not_checked(result.not_checked), *said.more(items)),
        data=lambda: _in_json(result, found),
        findings=items,
        unchecked=said.unchecked(result.not_checked),
        rules={item.rule.name: said.rule_text(item.rule) for item in result.findings},
    )


def _in_json(result: Result, rescue: Rescue) -> Mapping[str, Any]:
    found = said.head() | said.in_json(result)
    if rescue.facts is None and not result.failed:
        found["verdict"] = "unknown"
    found["rescue"] = rescued.plain(rescue)
    artifact = rescue.artifact
    if artifact is not None:
        # What the archives list is for `inspect`; here it would bury the rest.
        found["artifact"] = {
            "path": artifact.path,
            "size": artifact.size,
            "sha256": artifact.sha256,
        }
    return found


def _ramdisk(rescue: Rescue) -> Section:
    ramdisk, facts, room = rescue.ramdisk, rescue.facts, rescue.room
    parts: list[Part] = []
    if ramdisk.missing:
        parts.append(Lines((Line(f"no ramdisk: {ramdisk.missing}"),)))
    if ramdisk.segments:
        head = ("kind", "stored", "unpacked", "compression", "entries")
        rows = tuple(_row(segment) for segment in ramdisk.segments)
        parts.append(Table(head=head, rows=rows, right=frozenset({1, 2})))
    kernel = f"Linux {rescue.release}" if rescue.release else "of unknown release"
    if ramdisk.kernel is None and rescue.release is None:
        kernel = "not known"
    known = "configuration " if rescue.config is not None else "configuration unknown: "
    values = [("kernel", f"{kernel}; {known}{rescue.config_from}")]
    if facts is not None:
        runs = {True: "runs", False: "DOES NOT RUN", None: "may not run"}[facts.init.verdict.runs]
        values.append(("init", f"{facts.init.path} {runs}"))
        values.append(("arch", facts.arch or "whatever its programs are for"))
    if room is not None:
        needed = f"{both(room.total)}: {human(room.stored)} as loaded,"
        rest = f"{human(room.unpacked)} unpacked, {human(room.kernel)} kernel"
        values.append(("memory", f"{needed} {rest}"))
    return Section(Line(ramdisk.where, role="strong", depth=0), (*parts, Values(tuple(values))))


def _row(segment: Segment) -> tuple[str, ...]:
    entries = "no archive"
    if segment.archive is not None:
        entries = counted(len(segment.archive.entries), "entry", "entries")
    return (
        "bundled" if segment.bundled else "archive",
        human(segment.size),
        human(segment.unpacked),
        segment.compression or "not compressed",
        entries,
    )


def section(facts: RescueFacts) -> Section:
    """Say how each group of needs stands."""
    title = heading(f"Recovery: {_met(facts)}")
    width = max((len(group.name) for group in facts.groups), default=0)
    lines = tuple(line for group in facts.groups for line in _group(group, width))
    return Section(title, (Lines(lines),))


def _met(facts: RescueFacts) -> str:
    met = sum(1 for group in facts.groups if group.met)
    return f"{met} of {counted(len(facts.groups), 'group')} of tools"


def _group(group: GroupFacts, width: int) -> Iterator[Line]:
    role = "good" if group.met else "bad" if group.met is False else "warn"
    yield Line(f"{group.name.ljust(width)}  {rescued.state(group)}", role=role)
    for need in group.needs:
        if need.met is not True:
            mark = "" if need.level == "must" else "good to have, "
            yield Line(f"{mark}{rescued.lacks(need)}", depth=4, mark="- ")


def pictures(name: str, rescue: Rescue) -> Iterator[Section]:
    """Give a page the groups with their tools, and what each file of the ramdisk costs."""
    facts = rescue.facts
    if facts is None:
        yield Section(strong(f"What {name} can do"), (Lines((Line(rescued.line(rescue)),)),))
        return
    groups = Table(
        head=("group", "stands", "tools", "what for"),
        rows=tuple(
            (group.name, rescued.state(group), _tools(group), group.why) for group in facts.groups
        ),
        roles=tuple("" if group.met else "bad" for group in facts.groups),
    )
    lacking = tuple(
        Line(f"{group.name}: {rescued.lacks(need)}")
        for group in facts.groups
        for need in group.needs
        if need.met is not True and need.level == "must"
    )
    title = strong(f"What {name} can do", f"  {_met(facts)}")
    yield Section(title, (Lines(lacking), groups) if lacking else (groups,))
    if rescue.artifact is None:
        return
    from imgaudit.tasks import weigh

    costs = weigh.costs(rescue.artifact, facts)
    if costs is not None:
        yield Section(strong(f"What the files of {name} cost"), (costs,))


def _tools(group: GroupFacts) -> str:
    """Name the tools that meet a group's needs, each once."""
    return ", ".join(dict.fromkeys(tool for need in group.needs for tool in need.by)) or "none"
