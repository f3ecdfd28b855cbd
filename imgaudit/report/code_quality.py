"""GitLab's code quality report: what a merge request shows beside the layout's lines.

Source: docs.gitlab.com, Code Quality, "Code Quality report format": description, check_name,
fingerprint, severity (info, minor, major, critical, blocker), location.path and lines.begin.
"""

from __future__ import annotations

import json

from imgaudit.report._common import at, fingerprints, paragraph
from imgaudit.report._style import PLAIN, Style
from imgaudit.tasks.sections import Report

_SEVERITIES = {"error": "critical", "warning": "major", "note": "minor"}


def render(report: Report, style: Style = PLAIN) -> str:
    """Give a list of the findings that the gate looks at."""
    del style
    found = []
    for item, digest in fingerprints(report.findings):
        if item.counts:
            file, line, _ = at(item)
            found.append(
                {
                    "description": paragraph(item),
                    "check_name": item.name,
                    "fingerprint": digest,
                    "severity": _SEVERITIES[item.severity],
                    "location": {"path": file, "lines": {"begin": line}},
                }
            )
    return json.dumps(found, indent=2, ensure_ascii=True) + "\n"
