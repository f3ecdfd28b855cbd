"""SARIF 2.1.0, for code scanning: findings at the layout's lines.

Source: OASIS, Static Analysis Results Interchange Format 2.1.0, errata 01.
"""

from __future__ import annotations

import json
from typing import Any
from urllib.parse import quote

from imgaudit import __version__
from imgaudit.clean import clean
from imgaudit.report._common import at, fingerprints, paragraph, sentence
from imgaudit.report._style import PLAIN, Style
from imgaudit.tasks.sections import BROKEN, Found, Report, RuleText, Unchecked

_SCHEMA = (
    "https://docs.oasis-open.org/sarif/sarif/v2.1.0/errata01/os/schemas/sarif-schema-2.1.0.json"
)
_HOME = "https://docs.oasis-open.org/sarif/sarif/v2.1.0/sarif-v2.1.0.html"


def render(report: Report, style: Style = PLAIN) -> str:
    """Give one run with its rules, results and what was not checked."""
    del style
    rules = [report.rules[name] for name in sorted(report.rules)]
    numbers = {rule.name: number for number, rule in enumerate(rules)}
    run = {
        "tool": {
            "driver": {
                "name": "imgaudit",
                "semanticVersion": __version__,
                "version": __version__,
                "informationUri": _HOME,
                "rules": [_rule(rule) for rule in rules],
            }
        },
        "invocations": [
            {
                "executionSuccessful": report.status != BROKEN,
                "exitCode": report.status,
                "toolExecutionNotifications": [_open(item) for item in report.unchecked],
            }
        ],
        "columnKind": "utf16CodeUnits",
        "automationDetails": {"id": f"imgaudit/{quote(report.title, safe='')}/"},
        "results": [
            _result(item, digest, numbers[item.name])
            for item, digest in fingerprints(report.findings)
        ],
    }
    whole = {"$schema": _SCHEMA, "version": "2.1.0", "runs": [run]}
    return json.dumps(whole, indent=2, ensure_ascii=True) + "\n"


def _rule(rule: RuleText) -> dict[str, Any]:
    computed = sentence(f"Computed: {rule.computed}")
    text = f"{rule.effect} {rule.fix} {computed} {sentence(f'Source: {rule.source}')}"
    words = rule.name.split("-")
    return {
        "id": rule.name,
        "name": "".join(word.capitalize() for word in words),
        "shortDescription": {"text": sentence(" ".join(words).capitalize())},
        "fullDescription": {"text": rule.effect},
        "help": {"text": text},
        "defaultConfiguration": {"level": rule.severity},
    }


def _result(item: Found, digest: str, rule: int) -> dict[str, Any]:
    file, line, column = at(item)
    found: dict[str, Any] = {
        "ruleId": item.name,
        "ruleIndex": rule,
        "level": item.severity,
        "message": {"text": paragraph(item)},
        "locations": [
            {
                "physicalLocation": {
                    "artifactLocation": {"uri": quote(file)},
                    "region": {"startLine": line, "startColumn": column},
                }
            }
        ],
        "partialFingerprints": {"identity/v1": digest},
    }
    if item.waived is not None:
        found["suppressions"] = [
            {"kind": "external", "status": "accepted", "justification": clean(item.waived)}
        ]
    if item.known:
        found["baselineState"] = "unchanged"
    return found


def _open(item: Unchecked) -> dict[str, Any]:
    what = item.rule or "what only artifacts can tell"
    text = clean(sentence(f"{item.subject}: not checked: {what}: {item.why}"))
    return {"level": "note", "message": {"text": text}}
