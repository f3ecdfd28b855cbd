"""Small builds made on the spot, and what the audit says of them."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

from imgaudit import audit
from imgaudit.checks import checks
from imgaudit.checks._examples import emmc, nor
from imgaudit.checks._rule import Example, Finding
from imgaudit.checks._run import subject_of
from imgaudit.subject import Subject

__all__ = ["audited", "build", "emmc", "found", "nor", "one", "unchecked"]


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
