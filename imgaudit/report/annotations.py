"""Workflow commands that put findings beside the layout's lines in a pull request.

Source: docs.github.com, "Workflow commands for GitHub Actions" (a step shows ten of each level);
actions/runner, src/Runner.Common/ActionCommand.cs for what must be escaped.
"""

from __future__ import annotations

from imgaudit.clean import clean
from imgaudit.report._common import at, paragraph
from imgaudit.report._style import PLAIN, Style
from imgaudit.tasks.sections import BROKEN, Found, Report

SHOWN = 10
_COMMANDS = {"error": "error", "warning": "warning", "note": "notice"}


def render(report: Report, style: Style = PLAIN) -> str:
    """Give a command for each of the worst findings; the last one counts those that are left."""
    del style
    items = [item for item in report.findings if item.counts]
    most = SHOWN if len(items) <= SHOWN else SHOWN - 1
    lines = [_command(item) for item in items[:most]]
    if report.status == BROKEN and report.verdict is not None:
        why = " ".join((report.verdict.line, *report.verdict.why))
        lines.insert(0, f"::error title=imgaudit::{_data(clean(why))}")
    if left := len(items[most:]):
        worst = _COMMANDS[items[most].severity]
        lines.append(f"::{worst} title=imgaudit::{left} more findings are in the full report")
    return "".join(f"{line}\n" for line in lines)


def _command(item: Found) -> str:
    file, line, column = at(item)
    subject = f" {item.subject}" if item.subject else ""
    values = {
        "file": file,
        "line": str(line),
        "col": str(column),
        "title": f"{item.name}{subject}",
    }
    said = ",".join(f"{name}={_value(clean(text))}" for name, text in values.items())
    return f"::{_COMMANDS[item.severity]} {said}::{_data(paragraph(item))}"


def _data(text: str) -> str:
    return text.replace("%", "%25").replace("\r", "%0D").replace("\n", "%0A")


def _value(text: str) -> str:
    return _data(text).replace(":", "%3A").replace(",", "%2C")
