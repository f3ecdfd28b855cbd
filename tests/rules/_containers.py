"""Audit one artifact by one check, with a layout around it or alone."""

from __future__ import annotations

from imgaudit.contents.reader import Loader
from imgaudit.contents.tree import Artifact
from imgaudit.rules import checks
from imgaudit.rules.built import subject_of
from imgaudit.rules.engine import Example, Finding
from imgaudit.rules.examples import nor
from imgaudit.rules.subject import Subject
from imgaudit.tasks import audit

MODULES = ("device_tree", "elf", "fip", "fit", "kernel", "uimage")
AT = 0x10000


def in_region(
    rule: str,
    holds: str,
    data: bytes,
    *,
    arch: str = "arm64",
    rest: str = "",
    size: str = "512 KiB",
) -> list[Finding]:
    """Put `data` into a region that starts at 0x10000."""
    example = nor(
        f"name: recovery, at: 64 KiB, size: {size}, holds: {holds}, file: recovery.bin",
        chip="size: 32 MiB, erase-block: 64 KiB",
        rest=rest,
        files={"recovery.bin": lambda: data},
    )
    layout = example.layout.replace("arch: arm64", f"arch: {arch}")
    subject = subject_of(Example(layout, example.files))
    return list(audit.run(subject, only=[checks()[rule]]).findings)


def alone(data: bytes, rule: str | None = None) -> list[Finding]:
    """Look at `data` without a layout, by one check or by all of boot containers."""
    with Loader() as loader:
        artifact = loader.memory("lone.bin", data)
    return _findings({"lone.bin": artifact}, rule)


def of_files(*paths: str) -> list[Finding]:
    """Look at files without a layout, by all checks of boot containers."""
    with Loader() as loader:
        return _findings({path: loader.file(path) for path in paths}, None)


def _findings(artifacts: dict[str, Artifact], rule: str | None) -> list[Finding]:
    chosen = [
        check
        for check in checks().values()
        if check.run.__module__.rpartition(".")[2] in MODULES and rule in {None, check.rule.name}
    ]
    subject = Subject(layout=None, others=artifacts)
    return list(audit.run(subject, only=chosen).findings)
