"""The JSON report: one object, the same bytes for the same input."""

from __future__ import annotations

import json

from imgaudit.report._style import PLAIN, Style
from imgaudit.tasks.sections import Report


def render(report: Report, style: Style = PLAIN) -> str:
    """Write JSON with a fixed layout, ASCII only, so that no terminal acts on it."""
    del style
    return json.dumps(report.data(), indent=2, ensure_ascii=True) + "\n"
