"""Small builds made on the spot, and what the audit says of them."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

from imgaudit.rules import checks
from imgaudit.rules.built import subject_of
from imgaudit.rules.engine import Example, Finding
from imgaudit.rules.examples import emmc, nand, nor
from imgaudit.rules.subject import Subject
from imgaudit.tasks import audit

__all__ = ["audited", "build", "emmc", "found", "nand", "nor", "one", "unchecked"]


def build(example: Example, files: Mapping[str, bytes] | None = None) -> Subject:
    """Read an example, with these files where they are given."""
    if files is not None:
        made = {name: lambda data=data: data for name, data in files.items()}
        example = Example(example.layout, made)
    return subject_of(example)


def audited(
    example: Example, files: Mapping[str, bytes] | None = None, *, today: date | None = None
) -> audit.Result:
    """Apply every check."""
    return audit.run(build(example, files), today=today)


def found(rule: str, example: Example, files: Mapping[str, bytes] | None = None) -> list[Finding]:
    """Apply one check."""
    return list(audit.run(build(example, files), only=[checks()[rule]]).findings)


def one(rule: str, example: Example, files: Mapping[str, bytes] | None = None) -> Finding:
    """Apply one check that finds exactly one thing."""
    (finding,) = found(rule, example, files)
    return finding


def unchecked(
    rule: str, example: Example, files: Mapping[str, bytes] | None = None
) -> list[tuple[str, str]]:
    """Apply one check; give the subject and the reason of all that it could not check."""
    result = audit.run(build(example, files), only=[checks()[rule]])
    return [(item.subject, item.why) for item in result.not_checked]


def keys(findings: list[Finding]) -> dict[tuple[str, ...], int]:
    """Give what is found, with the rank of the worst of a kind."""
    found: dict[tuple[str, ...], int] = {}
    for item in findings:
        key = (*item.identity, str(item.values.get("other", "")))
        found[key] = min(found.get(key, item.severity.rank), item.severity.rank)
    return found
