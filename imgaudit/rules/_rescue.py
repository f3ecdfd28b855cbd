"""What the checks of a rescue ramdisk share: one rescue at a time, and builds for examples."""

from __future__ import annotations

import posixpath
from collections.abc import Callable, Iterable, Iterator, Mapping

from imgaudit.rescue.stage import Rescue
from imgaudit.rescue.survey import NeedFacts, RescueFacts, Tool
from imgaudit.rules.engine import (
    Case,
    Cause,
    Check,
    Example,
    Finding,
    Kind,
    Missing,
    NotChecked,
    Outcome,
    Rule,
    Severity,
    check,
)
from imgaudit.rules.examples import nor
from imgaudit.rules.subject import Subject
from imgaudit.writers import elf
from imgaudit.writers.cpio import cpio
from imgaudit.writers.tree import Entry, Root, character_device, file

_LISTED = 8
Look = Callable[[Rescue], Outcome]


def _rescues(subject: Subject) -> Iterator[Rescue | Missing]:
    for rescue in subject.rescues.values():
        missing = rescue.artifact is None
        yield Missing(subject_of(rescue), rescue.why) if missing else rescue


def _inside(rescue: Rescue) -> Iterator[Rescue | Missing]:
    yield Missing(subject_of(rescue), rescue.why) if rescue.facts is None else rescue


def subject_of(rescue: Rescue) -> str:
    """Name what a rescue is about: its region, else its file."""
    return rescue.region.name if rescue.region is not None else rescue.name


RESCUES = Kind(_rescues, subject_of)
SURVEYED = RESCUES.each(_inside)
"""The rescues of whose ramdisk something could be read."""


def on_rescue(rule: Rule, *, surveyed: bool = True) -> Callable[[Look], Check]:
    """Declare a check that looks at one rescue at a time.

    A check of what the ramdisk holds is not run where nothing in it could be `surveyed`.
    """
    return check(rule, over=SURVEYED if surveyed else RESCUES)


def surveyed(rescue: Rescue) -> RescueFacts:
    """Give the facts that `on_rescue` made sure of."""
    if rescue.facts is None:
        raise ValueError(rescue.why)
    return rescue.facts


def unknown(rule: Rule, rescue: Rescue, why: str) -> NotChecked:
    """Say that a rule could not be applied."""
    return NotChecked(rule.name, subject_of(rescue), why)


def said(
    case: Case,
    rescue: Rescue,
    *,
    offset: int | None = None,
    length: int | None = None,
    severity: Severity | None = None,
    content: str = "",
) -> Finding:
    """Make a finding; `offset` counts from the start of the external ramdisk."""
    region = rescue.region
    at = rescue.ramdisk.at
    start = None
    if offset is not None and at is not None:
        start = at + offset + (region.at + region.file_at if region is not None else 0)
    if content:
        case = Case(case.rule, {**case.values, "content": content})
    return case.at(
        region=region,
        artifact=rescue.artifact.path if rescue.artifact is not None else None,
        key="file",
        causes=_CUT if case.rule.name in _LACKS else (),
        offset=start,
        length=None if start is None else length,
        severity=severity,
        ramdisk=_short(rescue),
    )


_CUT = (Cause(frozenset({"ramdisk-cut", "ramdisk-format-refused"})),)
_LACKS = frozenset(
    {
        "applet-missing",
        "console-node-missing",
        "init-cannot-run",
        "init-missing",
        "interpreter-missing",
        "library-missing",
        "link-dangling",
        "loader-missing",
        "modules-dep-missing",
        "no-way-in",
        "program-damaged",
        "root-shell-missing",
        "start-mounts-missing",
        "start-program-missing",
        "support-file-missing",
        "symbol-version-missing",
        "tool-link-dangling",
        "tool-missing",
    }
)
"""What only follows where the end of the ramdisk is not unpacked."""


def _short(rescue: Rescue) -> str:
    """Name the ramdisk without the folders of its artifact."""
    where, path = rescue.ramdisk.where, rescue.artifact.path if rescue.artifact else ""
    folder = posixpath.dirname(path)
    return where.removeprefix(f"{folder}/") if folder else where


def listed(names: Iterable[str]) -> str:
    """Name some, and count the rest."""
    names = list(names)
    if len(names) <= _LISTED + 1:
        return ", ".join(names)
    return f"{', '.join(names[:_LISTED])} and {len(names) - _LISTED} more"


def unmet(facts: RescueFacts, level: str) -> Iterator[NeedFacts]:
    """Give every need of a level that is not met, once, however many groups ask for it."""
    seen = set()
    for group in facts.groups:
        for need in group.needs:
            if need.level == level and need.met is False and need.what not in seen:
                seen.add(need.what)
                yield need


def broken(facts: RescueFacts, level: str) -> set[str]:
    """Name the tools that are there, do not run, and leave a need of this level unmet."""
    return {tool.name for need in unmet(facts, level) for tool in need.broken if dead(tool)}


def dead(tool: Tool) -> bool:
    """Tell whether a tool certainly does not run."""
    return tool.verdict.runs is False


_ACCOUNT = "root:$6$tide$gauge.gauge.gauge:20640:0:99999:7:::\n"
_TREE: Root = {
    "init": file("#!/bin/sh\nexec /bin/getty -L ttyS0 115200\n", 0o755),
    "bin/sh": file(elf.program(), 0o755),
    "bin/getty": file(elf.program(), 0o755),
    "bin/sha256sum": file(elf.dynamic_program(("libc.so.6",)), 0o755),
    "lib/libc.so.6": file(elf.library("libc.so.6"), 0o755),
    elf.LOADER.lstrip("/"): file(elf.library("ld-linux-aarch64.so.1"), 0o755),
    "dev/console": character_device(5, 1, 0o600),
    "etc/passwd": file("root:x:0:0:root:/root:/bin/sh\n"),
    "etc/shadow": file(_ACCOUNT, 0o600),
}
Changes = Mapping[str, Entry | None]
_NONE: Changes = {}


def archive(changes: Changes = _NONE) -> bytes:
    """Write a small rescue ramdisk; a change to None leaves something out."""
    tree: dict[str, Entry | None] = {**_TREE, **changes}
    return cpio({path: entry for path, entry in tree.items() if entry is not None}, 0)


def example(
    ramdisk: Callable[[], bytes],
    *,
    needs: str = "integrity",
    stage: str = "",
    files: Mapping[str, Callable[[], bytes]] | None = None,
    rest: str = "",
    room: str = "1 MiB",
    holds: str = "raw",
) -> Example:
    """Give a build whose only stage is a rescue from the region `recovery`."""
    wants = f"needs: {{require: [{needs}], relax: [flash]}}"
    return nor(
        f"name: recovery, at: 0, size: {room}, holds: {holds}, file: rescue.img",
        chip="size: 16 MiB, erase-block: 64 KiB",
        rest=f"{rest}stages:\n"
        f"  recovery: {{regions: [recovery], ramdisk: recovery, {wants}{stage}}}\n",
        files={"rescue.img": ramdisk} | dict(files or {}),
    )


def tree(changes: Changes = _NONE, *, needs: str = "integrity") -> Example:
    """Give a build with the small rescue ramdisk, changed."""
    return example(lambda: archive(changes), needs=needs)


def configured(ramdisk: Callable[[], bytes], *options: str, holds: str = "cpio") -> Example:
    """Give a build whose layout names the kernel's configuration."""
    text = "".join(f"CONFIG_{option}=y\n" for option in options).encode()
    config = {"kernel.config": lambda: text}
    return example(ramdisk, stage=", kernel-config: kernel.config", files=config, holds=holds)
