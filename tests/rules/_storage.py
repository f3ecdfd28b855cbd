"""Audit small builds, or files alone, by the checks of one or several modules."""

from __future__ import annotations

import subprocess
from collections.abc import Callable, Mapping
from pathlib import Path

from imgaudit.contents.reader import Loader
from imgaudit.rules import checks
from imgaudit.rules.built import subject_of
from imgaudit.rules.engine import Check, Example, Finding
from imgaudit.rules.examples import nor
from imgaudit.rules.subject import Subject
from imgaudit.tasks import audit


def of(*modules: str) -> list[Check]:
    return [
        check for check in checks().values() if check.run.__module__.rpartition(".")[2] in modules
    ]


def findings(example: Example, *modules: str) -> list[Finding]:
    return list(audit.run(subject_of(example), only=of(*modules)).findings)


def names(example: Example, *modules: str) -> list[str]:
    return [finding.rule.name for finding in findings(example, *modules)]


def alone(files: Mapping[str, bytes], *modules: str) -> list[Finding]:
    """Audit files without a layout."""
    with Loader() as loader:
        artifacts = {name: loader.memory(name, data) for name, data in files.items()}
        subject = Subject(layout=None, others=artifacts)
        return list(audit.run(subject, only=of(*modules)).findings)


def made(path: Path, *command: str | Path) -> Callable[[], bytes]:
    """Run a tool and give a reader of the file that it makes."""
    subprocess.run(command, check=True, capture_output=True, cwd=path.parent)
    return path.read_bytes


def flash(
    holds: str, data: Callable[[], bytes], *, size: str = "512 KiB", erase: str = "64 KiB"
) -> Example:
    """Give a NOR with one region that holds this."""
    return nor(
        f"name: data, at: 64 KiB, size: {size}, holds: {holds}, file: d.img",
        chip=f"size: 1 MiB, erase-block: {erase}",
        files={"d.img": data},
    )
