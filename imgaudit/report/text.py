"""The text report: the verdict, what is wrong, the regions, and what was not checked."""

from __future__ import annotations

from collections import defaultdict

from imgaudit.contents.build import Placement
from imgaudit.report import _rescue
from imgaudit.report.clean import clean
from imgaudit.report.style import PLAIN, Style, columns
from imgaudit.rules.engine import Finding, NotChecked, Severity
from imgaudit.rules.subject import Subject
from imgaudit.tasks.audit import Result
from imgaudit.units import both, human, place

_RIGHT = frozenset({2, 3, 4, 5})
_LONGEST = 14  # characters of a name in the table
_LEAST = 8  # characters of an artifact's path in the table, however wide the rest is
_ROLES = {Severity.ERROR: "bad", Severity.WARNING: "warn", Severity.NOTE: "dim"}


def report(result: Result, style: Style = PLAIN) -> str:
    """Give the audit's text report."""
    subject = result.subject
    blocks = [headline(result, style)]
    blocks += [finding(item, style) for item in result.findings if not item.waived]
    waived = [item for item in result.findings if item.waived]
    if waived:
        blocks.append(_waived(waived, style))
    if subject.placements:
        blocks.append(_regions(subject, style))
    if subject.rescues:
        blocks.append(_rescues(subject, style))
    if result.not_checked:
        blocks.append(not_checked(result.not_checked, style))
    if result.findings:
        name = result.findings[0].rule.name
        blocks.append(f"More on a finding: imgaudit explain {name}")
    return "\n\n".join(blocks) + "\n"


def headline(result: Result, style: Style) -> str:
    """Say the verdict and count what was found."""
    layout = result.subject.layout
    counts = [
        f"{count} {severity.value}{'' if count == 1 else 's'}"
        for severity in Severity
        if (count := result.count(severity))
    ]
    if result.not_checked:
        counts.append(f"{len(result.not_checked)} not checked")
    verdict = style.paint("FAIL", "bad") if result.failed else style.paint("PASS", "good")
    line = f"{verdict}  {', '.join(counts) or 'nothing found'}"
    if layout is None:
        return line
    on_paper = "" if result.subject.given else ", on paper: no artifacts were given"
    return f"{line}\n" + style.wrap(f"{clean(layout.board)}: {clean(layout.file)}{on_paper}", "")


def finding(item: Finding, style: Style) -> str:
    """Say one finding: what, where, what the board does, what to do."""
    role = _ROLES[item.severity]
    severity, name = item.severity.value.upper(), item.rule.name
    subject = clean(item.region or item.artifact or item.chip or "")
    subject = style.short(subject, max(16, style.width - len(severity) - len(name) - 4))
    lines = [f"{style.paint(severity, role)}  {style.paint(name, 'strong')}  {subject}"]
    lines.append(style.wrap(clean(item.message)))
    where = [f"{clean(str(item.where))}"] if item.where else []
    if item.artifact:
        where.append(clean(item.artifact))
    if item.offset is not None:
        base = f"{item.chip} " if item.region and item.chip else ""
        size = f", {both(item.length)}" if item.length else ""
        where.append(f"{base}{place(item.offset)}{size}")
    lines.append(style.paint(style.wrap("  ".join(where), "  where: ", "         "), "dim"))
    lines.append(style.wrap(clean(item.effect), "  board: ", "         "))
    lines.append(style.wrap(clean(item.fix), "  do:    ", "         "))
    return "\n".join(lines)


def _waived(items: list[Finding], style: Style) -> str:
    lines = ["Waived"]
    lines += [
        style.wrap(
            f"{item.rule.name} {item.region or ''}: {clean(item.message)}"
            f" - waived: {clean(item.waived or '')}",
            "  ",
            "    ",
        )
        for item in items
    ]
    return "\n".join(lines)


def _regions(subject: Subject, style: Style) -> str:
    rows = [["chip", "region", "offset", "size", "used", "left", "artifact"]]
    rows += [_row(item, style) for item in subject.placements]
    taken = max(len(line) for line in columns([[*row[:-1], "."] for row in rows], _RIGHT))
    for row in rows:
        row[-1] = style.short(row[-1], max(_LEAST, style.width - taken - 1))
    lines = columns(rows, _RIGHT)
    return "\n".join(["Regions", *(f"  {style.paint(lines[0], 'dim')}",), *indent(lines[1:])])


def indent(lines: list[str]) -> list[str]:
    """Indent lines by two blanks."""
    return [f"  {line}" for line in lines]


def _row(item: Placement, style: Style) -> list[str]:
    region = item.region
    row = [style.short(name, _LONGEST) for name in (region.area, region.name)]
    row += [place(region.at), human(region.size)]
    if item.size is None:
        return [*row, "-", "-", clean(region.file or "-")]
    left = f"{100 * (region.room - item.size) / region.room:.1f} %"
    return [*row, human(item.size), left, clean(item.path or "")]


def _rescues(subject: Subject, style: Style) -> str:
    lines = [
        style.wrap(f"{clean(name)}: {clean(_rescue.line(rescue))}", "  ", "    ")
        for name, rescue in subject.rescues.items()
    ]
    return "\n".join(["Rescue", *lines])


def not_checked(items: tuple[NotChecked, ...], style: Style) -> str:
    """Say what was not checked, and why."""
    rules: dict[tuple[str, str], list[str]] = defaultdict(list)
    for item in items:
        rules[item.subject, item.why].append(item.rule or "what only artifacts can tell")
    subjects: dict[tuple[str, str], list[str]] = defaultdict(list)
    for (subject, why), names in rules.items():
        what = names[0] if len(names) == 1 else f"{len(names)} checks"
        subjects[what, why].append(clean(subject))
    lines = ["Not checked"]
    for (what, why), where in subjects.items():
        lines.append(style.wrap(f"{', '.join(where)}: {what}: {clean(why)}", "  ", "    "))
    return "\n".join(lines)
