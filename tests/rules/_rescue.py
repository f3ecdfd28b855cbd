"""Rescues for tests: a ramdisk alone, and what the checks of rescues say of it."""

from __future__ import annotations

from collections.abc import Mapping

from imgaudit.contents.reader import Loader
from imgaudit.rescue.stage import Rescue, rescue_alone
from imgaudit.rules import access, checks, modules, ramdisk, rescue
from imgaudit.rules.engine import Check, Finding
from imgaudit.rules.subject import Subject
from imgaudit.tasks import audit
from imgaudit.tasks.audit import Result
from imgaudit.writers.cpio import cpio
from imgaudit.writers.tree import Entry

MODULES = (access, modules, ramdisk, rescue)
CHECKS = {
    name: check
    for name, check in checks().items()
    if any(check in vars(module).values() for module in MODULES)
}
WORDS = """shell console networking transfer remote-login filesystems partitioning
    block-identification emmc flash boot-environment compression integrity devices
    watchdog-and-time"""
NEEDS = WORDS.split()


def rescued(data: bytes, *, arch: str = "arm64", needs: list[str] | None = None) -> Rescue:
    with Loader() as loader:
        artifact = loader.memory("rescue.img", data)
    return rescue_alone(artifact, arch=arch, groups=NEEDS if needs is None else needs)


def audited(found: Rescue, only: list[Check] | None = None) -> Result:
    subject = Subject(layout=None, rescues={found.name: found})
    return audit.run(subject, only=list(CHECKS.values()) if only is None else only)


def findings(tree: Mapping[str, Entry], needs: list[str] | None = None) -> list[Finding]:
    return list(audited(rescued(cpio(dict(tree), 0), needs=needs)).findings)


def said(tree: Mapping[str, Entry], needs: list[str] | None = None) -> list[tuple[str, str]]:
    return [(item.severity.value, item.rule.name) for item in findings(tree, needs)]
