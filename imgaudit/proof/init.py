"""The first program of a root file system, as far as its list of files tells.

Source: Linux init/main.c (`kernel_init`): what `init=` names and nothing else, or the first of four
names that can be executed.
"""

from __future__ import annotations

import contextlib
from collections.abc import Mapping

from imgaudit.arches import ARCHES, HEAD, machine_of
from imgaudit.contents.tree import Content
from imgaudit.data import dataclass
from imgaudit.errors import ImgauditError
from imgaudit.formats.files import Entry, FileSystem, open_file
from imgaudit.rescue.first import BARE_SHELL, default_init, tried

BARE = f"of what it tries only {BARE_SHELL} is there: a bare shell, and none of the system runs"
_EXECUTABLE = 0o111


@dataclass(frozen=True, slots=True)
class Init:
    """`path` is what is started; None where nothing is, or (`known` is false) nobody can tell.

    `bare` tells that the kernel comes to its last choice, a shell without a system around it.
    """

    path: str | None
    why: str = ""
    known: bool = True
    bare: bool = False


def init_of(
    content: Content, named: str | None, arch: str, config: Mapping[str, str] | None = None
) -> Init:
    """Find the first program in a file system; `named` is what `init=` says.

    `config` is the configuration of the kernel that executes it, None where it is not known.
    """
    facts = content.facts
    files = facts.files if isinstance(facts, FileSystem) else None
    if files is None:
        return Init(None, f"the files of {content.name} are not listed", known=False)
    whys = []
    default = default_init(config)
    for path in tried(named, default):
        entry = files.find(path)
        if entry is None:
            continue
        why = _refused(content, entry, arch, config)
        if not why and path == BARE_SHELL and BARE_SHELL not in {named, default}:
            if not files.complete:
                return Init(
                    None, f"whether {content.name} has another init is not known", known=False
                )
            return Init(None, BARE, bare=True)
        if not why:
            return Init(path)
        whys.append(f"{path} {why}")
    wanted = ", ".join(tried(named, default))
    if not files.complete and not whys:
        return Init(None, f"whether {content.name} has {wanted} is not known", known=False)
    return Init(None, "; ".join(whys) or f"{content.name} has no {wanted}")


def _refused(content: Content, entry: Entry, arch: str, config: Mapping[str, str] | None) -> str:
    """Say why the kernel does not execute a file; nothing where it may."""
    if not entry.is_file:
        return "is no file"
    if not entry.mode & _EXECUTABLE:
        return "is not executable"
    if not entry.size:
        return "is empty"
    head = b""
    if content.view is not None:
        with contextlib.suppress(ImgauditError):
            head = open_file(content.view, entry).upto(0, HEAD)
    machine, target = machine_of(head), ARCHES.get(arch)
    if machine is None or target is None or target.runs(machine):
        return ""
    if not target.some_run(machine):
        return f"is for {machine}, the board is {arch}"
    option = target.compat_option
    if config is None or config.get(option) == "y":
        return ""
    return f"is for {machine}, and the kernel has no {option}"
