"""The first program: what the kernel tries to execute, in its order, and what each try gives.

Source: Linux init/main.c, kernel_init() and kernel_init_freeable(); fs/exec.c, fs/binfmt_elf.c and
fs/binfmt_script.c for the errors; kernel/exit.c for what happens when the first program ends.
"""

from __future__ import annotations

from collections.abc import Mapping

from imgaudit.data import dataclass
from imgaudit.rescue.runnable import Reason, Runner

BARE_SHELL = "/bin/sh"
FALLBACKS = ("/sbin/init", "/etc/init", "/bin/init", BARE_SHELL)
"""What the kernel tries where nothing is named, or the ramdisk's own program does not start."""

NO_INIT = "No working init found."
REQUESTED = "Requested init {} failed (error {})."
KILLED = "Attempted to kill init! exitcode=0x00007f00"
"""The kernel's last words (init/main.c, kernel/exit.c); the exit code is that of status 127."""

_NO_ENTRY, _NO_EXEC, _NO_ACCESS, _LOOP, _BAD_LIBRARY = -2, -8, -13, -40, -80
_ERRORS = {
    "missing": _NO_ENTRY,
    "interpreter": _NO_ENTRY,
    "not-a-file": _NO_ACCESS,
    "mode": _NO_ACCESS,
    "depth": _LOOP,
}
_AFTER = frozenset({"library", "not-cached", "version", "float-abi", "applet"})
"""Reasons that the kernel does not see: the loader, or the program itself, finds them and ends."""


@dataclass(frozen=True, slots=True)
class Attempt:
    """One try: `error` is the kernel's negative error number, 0 where it starts, None if unknown.

    `ends` says why a program that was started ends at once; `why` why it was not, or may not be.
    """

    path: str
    error: int | None
    why: str = ""
    ends: str = ""


@dataclass(frozen=True, slots=True)
class First:
    """How the kernel comes to its first program.

    `ignored` says why a ramdisk's own program is passed over, so that the kernel looks for a root
    file system instead. `reached` is the program that is started and stays; None where nothing
    is, or where that is unknown (`certain` is then False). `panic` is the kernel's last word.
    """

    attempts: tuple[Attempt, ...]
    ignored: str = ""
    reached: str | None = None
    certain: bool = True
    panic: str = ""

    @property
    def meant(self) -> Attempt | None:
        """The first try: the program that the build means."""
        return next(iter(self.attempts), None)

    @property
    def stands_in(self) -> str | None:
        """What is started in place of the program that was meant."""
        return None if self.meant is None or self.reached == self.meant.path else self.reached


def default_init(config: Mapping[str, str] | None) -> str:
    """Give what a kernel's configuration names as the first program; "" where it names none."""
    return (config or {}).get("CONFIG_DEFAULT_INIT", "").strip('"')


def tried(init: str | None, default: str) -> tuple[str, ...]:
    """Give what the kernel tries on the root that it mounted, in its order."""
    return (init,) if init else tuple(filter(None, (default, *FALLBACKS)))


def first_program(
    runner: Runner, rdinit: str | None = "/init", *, init: str | None = None, default: str = ""
) -> First:
    """Go through what the kernel tries.

    Args:
        runner: judges the programs of the root that is mounted at this time.
        rdinit: the program that a ramdisk must have for the kernel to take it; None for a root
            that was mounted by `root=`.
        init: what `init=` names.
        default: CONFIG_DEFAULT_INIT.

    """
    attempts: list[Attempt] = []
    if rdinit is not None:
        found = runner.root.resolve(rdinit)
        if found.node is None and not runner.root.exhausted:
            why = "; ".join(reason.chain for reason in runner.verdict(rdinit).reasons)
            error = _LOOP if found.why == "too many links" else _NO_ENTRY
            return First((Attempt(rdinit, error, why),), ignored=why)
    for path in (*filter(None, (rdinit,)), *tried(init, default)):
        last = _attempt(runner, path)
        attempts.append(last)
        if last.error is None:
            return First(tuple(attempts), certain=False)
        if last.error == 0:
            return _started(tuple(attempts))
    panic = NO_INIT
    if init:
        panic = REQUESTED.format(init, attempts[-1].error)
    return First(tuple(attempts), panic=panic)


def _started(attempts: tuple[Attempt, ...]) -> First:
    if attempts[-1].ends:
        return First(attempts, panic=KILLED)
    return First(attempts, reached=attempts[-1].path)


def _attempt(runner: Runner, path: str) -> Attempt:
    verdict = runner.verdict(path)
    why = "; ".join(reason.chain for reason in verdict.reasons)
    if verdict.runs is None:
        return Attempt(path, None, why)
    if verdict.runs:
        return Attempt(path, 0)
    first = verdict.reasons[0]
    if all(reason.kind in _AFTER for reason in verdict.reasons):
        return Attempt(path, 0, ends=why)
    return Attempt(path, _error(runner, first), why)


def _error(runner: Runner, reason: Reason) -> int:
    if reason.kind == "loader":
        node = runner.root.lookup(reason.subject)
        if node is None:
            return _NO_ENTRY
        return _BAD_LIBRARY if node.executable else _NO_ACCESS
    return _ERRORS.get(reason.kind, _NO_EXEC)
