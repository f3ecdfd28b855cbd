"""The recovery's own start: what /init, inittab and their scripts do, and where they stop."""

from __future__ import annotations

from collections.abc import Iterator

from imgaudit.rescue.modules import module_file
from imgaudit.rescue.stage import Rescue
from imgaudit.rescue.start import Start
from imgaudit.rules._rescue import SURVEYED, listed, said, subject_of, surveyed, tree
from imgaudit.rules.cited import PRACTICE, in_busybox, in_kmod, in_linux, manual, seen, standard
from imgaudit.rules.engine import Missing, NotChecked, Outcome, Rule, Severity, check
from imgaudit.writers import elf
from imgaudit.writers.tree import Entry, Root, directory, file

_POINTS = ("/proc", "/sys", "/dev")


def _each(rescue: Rescue) -> Iterator[Rescue | Missing]:
    if rescue.start is None:
        yield Missing(subject_of(rescue), "no first program is started")
    else:
        yield rescue


STARTS = SURVEYED.each(_each)
"""The rescues whose first program starts."""


def _start(rescue: Rescue) -> Start:
    return rescue.start or Start()


def _init(*lines: str) -> dict[str, Entry | None]:
    return {"init": file("\n".join(("#!/bin/sh", *lines, "")), 0o755)}


_TOOLS: Root = {
    name: file(elf.program(), 0o755) for name in ("bin/mount", "bin/sleep", "sbin/modprobe")
} | {name: directory() for name in ("proc", "sys", "dev")}
_PROMPT = "exec /bin/getty -L ttyS0 115200"
_MOUNTS = (
    "mount -t proc proc /proc",
    "mount -t sysfs sysfs /sys",
    "mount -t devtmpfs devtmpfs /dev",
)
_MDEV: Root = {"sbin/mdev": file(elf.program(), 0o755)}
_GOOD = tree({**_TOOLS, **_init(*_MOUNTS, _PROMPT)})


def _program_values(program: str, script: str, *, line: int, why: str, happens: str) -> None: ...


PROGRAM = Rule(
    name="start-program-missing",
    stops=True,
    values=_program_values,
    severity=Severity.ERROR,
    message="{script}:{line} of {ramdisk} runs {program}: {why}",
    effect="{happens}.",
    fix="Put {program} into the ramdisk, or take the line out.",
    computed="/init, inittab and the scripts that they run are followed; a command, also the"
    " first one in $(…), is no builtin, no function, no applet and on no search path, or its file"
    " cannot run; a warning where the start goes on without it",
    sources=(
        standard(
            "POSIX.1-2024",
            "Shell Command Language",
            copy=manual("dash(1)", "If a builtin command is not found, one of two things happen:"),
        ),
        in_busybox("init/init.c", "parse_inittab"),
    ),
    bad=tree({**_TOOLS, **_init(*_MOUNTS, "exec /sbin/tide-rescue")}),
    good=_GOOD,
)


@check(PROGRAM, over=STARTS)
def program_missing(rescue: Rescue) -> Outcome:
    start = _start(rescue)
    for item in start.absent:
        happens = 'The shell says "not found", and the start goes on without it'
        if item.fatal:
            happens = 'The first program ends there: the kernel panics, "Attempted to kill init!"'
        yield said(
            PROGRAM(
                program=item.program,
                script=item.step.path,
                line=item.step.line,
                why=item.why,
                happens=happens,
            ),
            rescue,
            severity=Severity.ERROR if item.fatal else Severity.WARNING,
        )
    for doubt in start.doubts:
        yield NotChecked(PROGRAM.name, subject_of(rescue), doubt.removesuffix("."))


def _wait_values(device: str, script: str, *, line: int) -> None: ...


WAITS = Rule(
    name="start-waits-for-another-chip",
    values=_wait_values,
    severity=Severity.ERROR,
    message="{script}:{line} of {ramdisk} waits for {device}, without an end",
    effect="Where that chip is what is broken, the recovery hangs and gives no prompt.",
    fix="Count the turns and go on, or leave the device to the tools that need it.",
    computed="a while or until loop tests a device of the eMMC or a disk, its condition has no"
    " other part, and nothing in it leaves the loop",
    sources=(
        standard(
            "POSIX.1-2024",
            "Shell Command Language",
            copy=manual(
                "dash(1)",
                "executed repeatedly while the exit status of the first list is zero.",
            ),
        ),
    ),
    bad=tree(
        {**_TOOLS, **_init(*_MOUNTS, "while [ ! -b /dev/mmcblk0 ]; do sleep 1; done", _PROMPT)}
    ),
    good=_GOOD,
)


@check(WAITS, over=STARTS)
def waits(rescue: Rescue) -> Outcome:
    for step, device in _start(rescue).waits:
        yield said(WAITS(device=device, script=step.path, line=step.line), rescue)


def _end_values(*, script: str, line: int, command: str) -> None: ...


ENDS = Rule(
    name="start-ends",
    stops=True,
    values=_end_values,
    severity=Severity.ERROR,
    message="{script} of {ramdisk} ends after line {line}, `{command}`",
    effect='The kernel panics as its first program ends: "Attempted to kill init!".',
    fix="End it with exec of an init or a shell.",
    computed="the first program is a script of which every way, as far as it can be followed, comes"
    " to its end without exec or an endless loop",
    sources=(
        in_linux("kernel/exit.c", "do_exit", "Attempted to kill init! exitcode=0x%08x"),
        seen("Linux 6.1 under qemu"),
    ),
    bad=tree({**_TOOLS, **_init(*_MOUNTS, "/bin/getty -L ttyS0 115200")}),
    good=_GOOD,
)


@check(ENDS, over=STARTS)
def start_ends(rescue: Rescue) -> Outcome:
    step = _start(rescue).ends
    if step is not None:
        yield said(ENDS(script=step.path, line=step.line, command=step.command), rescue)


def _mount_values(*, points: str) -> None: ...


MOUNTS = Rule(
    name="start-mounts-missing",
    follows=("init-not-executable", "init-missing", "init-cannot-run"),
    values=_mount_values,
    severity=Severity.ERROR,
    message="nothing in the start of {ramdisk} mounts {points}",
    effect="Tools that look there fail: no process is listed, no device or partition is found.",
    fix="Mount proc, sysfs and devtmpfs first thing in /init.",
    computed="no mount of /proc, /sys or /dev is met on any way; CONFIG_DEVTMPFS_MOUNT does not"
    " mount before a ramdisk's init; only where all scripts were followed",
    sources=(
        in_linux(
            "drivers/base/Kconfig",
            "DEVTMPFS_MOUNT",
            "This option does not affect initramfs based booting",
        ),
        PRACTICE,
    ),
    bad=tree({**_TOOLS, **_init(_MOUNTS[0], _PROMPT)}),
    good=_GOOD,
)


@check(MOUNTS, over=STARTS)
def mounts_missing(rescue: Rescue) -> Outcome:
    start = _start(rescue)
    if not start.mounted or start.doubts:
        # A start that mounts nothing at all was not followed far enough to say so.
        return
    points = [point for point in _POINTS if point not in start.mounted]
    if points:
        yield said(MOUNTS(points=listed(points)), rescue)


def _late_values(program: str, *, points: str, script: str, line: int) -> None: ...


LATE = Rule(
    name="start-mounts-late",
    values=_late_values,
    severity=Severity.WARNING,
    message="{script}:{line} of {ramdisk} runs {program} with {points} not mounted yet",
    effect="The program finds nothing there: no device is made, nothing is set.",
    fix="Mount {points} before it, first thing in /init.",
    computed="mdev, udevd or sysctl is reached on every way, and what it needs at once, /sys,"
    " /dev or /proc, is mounted only afterwards",
    sources=(
        in_busybox("util-linux/mdev.c", says="Scan /sys and populate /dev"),
        in_busybox("docs/mdev.txt", says="have it mounted at /sys."),
        manual(
            "systemd-udevd.service(8)", "executes matching instructions specified in udev rules"
        ),
        manual("sysctl(8)", "Procfs is required for sysctl support in Linux."),
    ),
    bad=tree({**_TOOLS, **_MDEV, **_init("mdev -s", *_MOUNTS, _PROMPT)}),
    good=tree({**_TOOLS, **_MDEV, **_init(*_MOUNTS, "mdev -s", _PROMPT)}),
)


@check(LATE, over=STARTS)
def mounts_late(rescue: Rescue) -> Outcome:
    early: dict[str, list[tuple[str, int, str]]] = {}
    for step, point in _start(rescue).early:
        program = step.command.split()[0] if step.command else ""
        early.setdefault(program, []).append((step.path, step.line, point))
    for program, places in early.items():
        path, line, _ = places[0]
        points = " and ".join(dict.fromkeys(point for *_, point in places))
        yield said(LATE(program=program, points=points, script=path, line=line), rescue)


def _point_values(point: str, *, script: str, line: int) -> None: ...


POINT = Rule(
    name="start-mount-point-missing",
    values=_point_values,
    severity=Severity.ERROR,
    message="{script}:{line} mounts on {point}, and {ramdisk} has no such folder",
    effect="Nothing is mounted there, and what needs {point} fails afterwards.",
    fix="Make the empty folder when the tree is built; version control keeps none.",
    computed="the target of a mount is no folder of the ramdisk, and no mkdir before made it",
    sources=(manual("mount(2)", "A pathname was empty or had a nonexistent component."),),
    bad=tree({**{k: v for k, v in _TOOLS.items() if k != "proc"}, **_init(*_MOUNTS, _PROMPT)}),
    good=_GOOD,
)


@check(POINT, over=STARTS)
def point_missing(rescue: Rescue) -> Outcome:
    for step, point in _start(rescue).no_point:
        vital = point in _POINTS
        yield said(
            POINT(point=point, script=step.path, line=step.line),
            rescue,
            severity=None if vital else Severity.WARNING,
        )


def _module_values(module: str, *, script: str, line: int) -> None: ...


MODULE = Rule(
    name="start-module-missing",
    values=_module_values,
    severity=Severity.WARNING,
    message="{script}:{line} of {ramdisk} loads {module}, which is not there",
    effect=(
        'The command fails (modprobe: "Module {module} not found"), and the device has no driver'
        " unless it is built in."
    ),
    fix="Pack the module, or take the line out where the driver is built in.",
    computed="a name after modprobe or insmod is no module under /lib/modules, is not in"
    " modules.builtin, and no alias of a module",
    sources=(
        manual(
            "modprobe(8)",
            "looks in the module directory /lib/modules/`uname -r` for all the modules and other"
            " files",
        ),
        in_kmod("tools/modprobe.c", says="Module %s not found in directory %s"),
    ),
    bad=tree({**_TOOLS, **_init(*_MOUNTS, "modprobe tide", _PROMPT)}),
    good=_GOOD,
)


@check(MODULE, over=STARTS)
def module_missing(rescue: Rescue) -> Outcome:
    releases = surveyed(rescue).modules
    known = {name for item in releases for name in item.builtin}
    modules = [module for item in releases for module in item.modules]
    known |= {name.replace("-", "_") for it in modules for name in (it.name, *it.aliases)}
    for step, word in _start(rescue).loads:
        stem = module_file(word)
        name = stem[0] if stem is not None else word.replace("-", "_")
        if name not in known and ":" not in word:
            yield said(MODULE(module=word, script=step.path, line=step.line), rescue)
