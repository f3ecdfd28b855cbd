"""What the rescue can do: init starts, the tools are there, and each of them would really run.

A cause is one finding, however many tools it kills. It is an error where it leaves something
undone that must be possible, or stops init; else a warning.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import replace
from typing import Protocol

from imgaudit.rescue.needs import OPTION_MODULES
from imgaudit.rescue.stage import Rescue
from imgaudit.rescue.survey import GROUPS, NeedFacts, RescueFacts
from imgaudit.rules import samples as sample
from imgaudit.rules._rescue import (
    Look,
    archive,
    broken,
    configured,
    dead,
    example,
    listed,
    on_rescue,
    said,
    surveyed,
    tree,
    unknown,
)
from imgaudit.rules.cited import (
    PRACTICE,
    in_busybox,
    in_dropbear,
    in_e2fsprogs,
    in_glibc,
    in_linux,
    in_u_boot,
    manual,
    memory,
    seen,
    standard,
)
from imgaudit.rules.engine import Case, Cause, Example, Outcome, Rule, Severity, nothing
from imgaudit.writers import elf
from imgaudit.writers.kernel import image
from imgaudit.writers.tree import Entry, Root, file, link


def _with_kernel(changes: dict[str, Entry | None]) -> Example:
    """Give the small ramdisk in a FIT with a kernel that embeds its configuration."""
    return example(
        lambda: sample.fit(
            {
                "kernel": sample.kernel(payload=image({"BLK_DEV_INITRD": "y"})),
                "ramdisk": sample.image(payload=archive(changes)),
            },
            configurations={"conf": {"kernel": "kernel", "ramdisk": "ramdisk"}},
        ),
        room="8 MiB",
    )


def _kernel(*options: str) -> Example:
    return configured(archive, "BLK_DEV_INITRD", *options)


def _features(names: str) -> Example:
    """Give a board with an ext4 image, and an e2fsck that carries these names of features."""
    checker = file(elf.program(f"\0{names}".encode()), 0o755)
    made = example(lambda: archive({"sbin/e2fsck": checker}), files={"root.ext4": _root_ext4})
    chip = "  emmc: {kind: emmc, sectors: 65536}\nregions:\n"
    root = (
        "  - {name: root, chip: emmc, at: 4 MiB, size: 4 MiB, holds: ext4, file: root.ext4,"
        " writer: release}\n"
    )
    return replace(made, layout=made.layout.replace("regions:\n", chip + root, 1))


def _root_ext4() -> bytes:
    """Write a superblock with a journal, extents and checksums of its metadata."""
    fields = {0x18: 2, 0x20: 32768, 0x28: 1024, 0x4C: 1, 0x5C: 4, 0x60: 0x40, 0x64: 0x400}
    block = bytearray(1024)
    for offset, value in ({0: 1024, 4: 1024} | fields).items():
        block[offset : offset + 4] = value.to_bytes(4, "little")
    block[0x38:0x3A] = b"\x53\xef"
    block[0x58:0x5A] = (256).to_bytes(2, "little")
    return (bytes(1024) + bytes(block)).ljust(1 << 22, b"\0")


def _with_symbols() -> bytes:
    """Write a program with a table of sections that has a symbol table."""
    program = bytearray(elf.program())
    sections = bytes(64) + struct.pack("<IIQQQQIIQQ", 0, 2, 0, 0, 0, 0, 0, 0, 8, 24)
    program[40:48] = len(program).to_bytes(8, "little")
    program[58:64] = struct.pack("<HHH", 64, 2, 0)
    return bytes(program) + sections


def _init_missing_values(*, init: str, why: str) -> None: ...


INIT_MISSING = Rule(
    name="init-missing",
    stops=True,
    severity=Severity.ERROR,
    values=_init_missing_values,
    message="{ramdisk} has no {init}: {why}",
    effect="The kernel ignores the ramdisk and looks for a root file system: the recovery boots"
    " into what it should repair, or panics.",
    fix="Put the first program at /init, or name it with rdinit= in bootargs.",
    computed="/init, or what rdinit= names, leads nowhere",
    sources=(
        in_linux("init/main.c", "kernel_init_freeable"),
        seen("Linux 6.1 under qemu"),
    ),
    bad=tree({"init": None}),
    good=tree(),
)


@on_rescue(INIT_MISSING)
def init_missing(rescue: Rescue) -> Outcome:
    facts = surveyed(rescue)
    if facts.first.ignored:
        yield said(INIT_MISSING(init=facts.init.path, why=facts.first.ignored), rescue)


def _init_mode_values(*, init: str, why: str, then: str) -> None: ...


INIT_MODE = Rule(
    name="init-not-executable",
    stops=True,
    severity=Severity.ERROR,
    values=_init_mode_values,
    message="{why}",
    effect='The kernel says "Failed to execute {init} (error -13)" and {then}.',
    fix="Run chmod 0755 {init} before the ramdisk is packed.",
    computed="/init, or what rdinit= names, is no file with an x bit",
    sources=(
        in_linux("init/main.c", "kernel_init", "Failed to execute %s (error %d)"),
        seen("Linux 6.1 under qemu"),
    ),
    bad=tree({"init": file("#!/bin/sh\nexec /bin/getty -L ttyS0 115200\n")}),
    good=tree(),
)


@on_rescue(INIT_MODE)
def init_mode(rescue: Rescue) -> Outcome:
    facts = surveyed(rescue)
    if _lacks_x(facts):
        why, then = facts.init.verdict.reasons[0].chain, _then(facts)
        yield said(INIT_MODE(init=facts.init.path, why=why, then=then), rescue)


def _lacks_x(facts: RescueFacts) -> bool:
    """Tell whether init itself cannot be executed, not what it is made for."""
    for reason in facts.init.verdict.reasons[:1]:
        itself = " -> " not in reason.chain and reason.chain.startswith(f"{facts.init.path} ")
        return itself and reason.kind in {"mode", "not-a-file"}
    return False


def _then(facts: RescueFacts) -> str:
    """Say what the kernel does after the program that was meant does not start."""
    first = facts.first
    tried = [attempt.path for attempt in first.attempts[1:]]
    if first.stands_in is not None:
        return f"starts {first.stands_in} in its place: nothing that {facts.init.path} does is done"
    if not first.certain:
        return f"tries {tried[-1]}, which may run"
    return f'tries {listed(tried)}, then panics: "{first.panic}"'


def _init_runs_values(*, init: str, why: str, happens: str) -> None: ...


INIT_RUNS = Rule(
    name="init-cannot-run",
    stops=True,
    severity=Severity.ERROR,
    values=_init_runs_values,
    message="{init} cannot run: {why}",
    effect="{happens}.",
    fix="Put what is missing beside {init}, or link it statically.",
    computed="the #! line, the loader or a library of init leads nowhere, or its machine is wrong",
    sources=(
        in_linux("fs/exec.c", "kernel_execve"),
        in_linux("fs/binfmt_script.c", "load_script"),
        in_linux("fs/binfmt_elf.c", "load_elf_binary"),
        in_linux("init/main.c", "kernel_init", "Failed to execute %s (error %d)"),
        in_linux("kernel/exit.c", "do_exit", "Attempted to kill init! exitcode=0x%08x"),
        seen("Linux 6.1 under qemu"),
    ),
    bad=tree({"init": file("#!/bin/bash\n", 0o755)}),
    good=tree(),
)


@on_rescue(INIT_RUNS)
def init_runs(rescue: Rescue) -> Outcome:
    facts = surveyed(rescue)
    init, meant = facts.init.path, facts.first.meant
    if facts.init.verdict.runs is None:
        why = "; ".join(reason.chain for reason in facts.init.verdict.reasons)
        yield unknown(INIT_RUNS, rescue, why)
    if meant is None or facts.first.ignored or _lacks_x(facts):
        return
    if meant.ends:
        happens = f'{init} starts and ends at once; the kernel panics: "{facts.first.panic}"'
        yield said(INIT_RUNS(init=init, why=meant.ends, happens=happens), rescue)
    elif meant.error:
        happens = f'The kernel says "Failed to execute {init} (error {meant.error})"'
        happens += f" and {_then(facts)}"
        yield said(INIT_RUNS(init=init, why=meant.why, happens=happens), rescue)


def _tool_missing_values(
    what: str, *, group: str, tools: str, note: str, why: str, choices: str
) -> None: ...


TOOL_MISSING = Rule(
    name="tool-missing",
    severity=Severity.ERROR,
    values=_tool_missing_values,
    message="{what}: no {tools} in {ramdisk}{note}",
    effect="{why}.",
    fix="Add one of: {choices}.",
    computed="no alternative of a need of the group is there; a warning where the need is"
    " only good to have",
    sources=(PRACTICE,),
    bad=tree({"bin/sha256sum": None}),
    good=tree(),
)


@on_rescue(TOOL_MISSING)
def tool_missing(rescue: Rescue) -> Outcome:
    facts = surveyed(rescue)
    for doubt in facts.doubts:
        yield unknown(TOOL_MISSING, rescue, doubt.removesuffix("."))
    seen = set()
    for group in facts.groups:
        for need in group.needs:
            if need.what in seen:
                continue
            seen.add(need.what)
            if need.met is None:
                tools = (facts.tools[name] for name in need.by if name in facts.tools)
                chains = [reason.chain for tool in tools for reason in tool.verdict.reasons]
                yield unknown(TOOL_MISSING, rescue, f"{need.what}: {'; '.join(chains)}")
            elif need.met is False and not any(dead(tool) for tool in need.broken):
                must = need.level == "must"
                # What is only good to have is told once for its group.
                alike = Cause(frozenset({TOOL_MISSING.name}), values={"group": group.name})
                found = said(
                    TOOL_MISSING(
                        what=need.what,
                        tools=" and ".join(need.missing) or need.what,
                        note=_weak(need),
                        why=group.why.removesuffix("."),
                        group=group.name,
                        choices=_choices(need),
                    ),
                    rescue,
                    severity=Severity.ERROR if must else Severity.WARNING,
                )
                yield found if must else replace(found, causes=(alike,))


def _weak(need: NeedFacts) -> str:
    notes = dict.fromkeys(tool.weak for tool in need.broken if tool.weak)
    return f"; {'; '.join(notes)}" if notes else ""


def _choices(need: NeedFacts) -> str:
    known = (item for group in GROUPS for item in group.needs if item.what == need.what)
    alternatives = next((item.alternatives for item in known), (need.missing,))
    return ", ".join(" with ".join(tools) for tools in alternatives)


CAUSES = {
    "library-missing": ("library", "not-cached"),
    "loader-missing": ("loader",),
    "interpreter-missing": ("interpreter", "depth"),
    "program-wrong-machine": ("machine", "width", "float-abi"),
    "symbol-version-missing": ("version",),
    "tool-not-executable": ("mode", "not-a-file"),
    "tool-link-dangling": ("missing",),
    "program-damaged": ("damaged", "empty", "no-shebang"),
    "applet-missing": ("applet",),
}
"""By rule: the kinds of reasons that it reports."""
_IDLE = 16


def _cause_values(
    subject: str, *, tools: str, count: int, killed: list[str], needed: list[str], chain: str
) -> None: ...


class _Cause(Protocol):
    """A rule about what keeps tools from running."""

    name: str

    def __call__(
        self,
        subject: str,
        *,
        tools: str,
        count: int,
        killed: list[str],
        needed: list[str],
        chain: str,
    ) -> Case: ...


def _causes(rule: _Cause) -> Look:
    """Give one finding for each thing that keeps tools from running."""

    def look(rescue: Rescue) -> Outcome:
        yield from _caused(rule, rescue)

    return look


def _caused(rule: _Cause, rescue: Rescue) -> Outcome:
    facts = surveyed(rescue)
    kinds = CAUSES[rule.name]
    found: dict[str, dict[str, str]] = {}
    for tool in facts.tools.values():
        for reason in tool.verdict.reasons if dead(tool) else ():
            if reason.kind in kinds:
                subject = tool.source if reason.kind == "applet" else reason.subject
                found.setdefault(subject, {}).setdefault(tool.name, reason.chain)
    first = facts.init.verdict
    for reason in first.reasons if first.runs is False else ():
        # What stops nobody but init is said of init alone.
        if reason.kind in kinds and reason.subject in found:
            found[reason.subject].setdefault("init", reason.chain)
    must, should = broken(facts, "must") | {"init"}, broken(facts, "should")
    for subject, tools in _gathered(found, must | should):
        hurt = [name for name in tools if name in must]
        order = [*hurt, *sorted(tools.keys() - set(hurt))]
        yield said(
            rule(
                subject=subject,
                tools=listed(order),
                count=len(tools),
                killed=order,
                needed=[name for name in order if name in must | should],
                chain=tools[order[0]],
            ),
            rescue,
            severity=Severity.ERROR if hurt else Severity.WARNING,
        )


def _gathered(
    found: dict[str, dict[str, str]], needed: set[str]
) -> Iterator[tuple[str, dict[str, str]]]:
    """Give the causes one by one, but many that hurt nothing that is needed together."""
    idle = {subject for subject, tools in found.items() if not needed & tools.keys()}
    if len(idle) <= _IDLE:
        idle = set()
    yield from ((name, tools) for name, tools in sorted(found.items()) if name not in idle)
    if idle:
        together = {
            name: chain for subject in sorted(idle) for name, chain in found[subject].items()
        }
        yield listed(sorted(idle)), together


_STOPS = "a need that must be met has no tool left because of it; else a warning"

LIBRARY = Rule(
    name="library-missing",
    severity=Severity.ERROR,
    values=_cause_values,
    message="{subject} is missing: {tools} cannot run ({chain})",
    effect='The program stops with "error while loading shared libraries" when it is needed.',
    fix="Put {subject} into a directory where the loader looks, or link the tools statically.",
    computed="DT_NEEDED of the program and of its libraries, looked up along RPATH, RUNPATH,"
    f" ld.so.cache and the loader's own directories; {_STOPS}",
    sources=(
        manual(
            "ld.so(8)",
            "Using the directories specified in the DT_RUNPATH dynamic section attribute of the"
            " binary if present.",
        ),
        standard(
            "System V gABI",
            "chapter 5",
            copy=in_glibc("elf/elf.h", "DT_NEEDED", "Name of needed library"),
        ),
        in_glibc("elf/dl-error-skeleton.c", "fatal_error", "error while loading shared libraries"),
    ),
    bad=tree({"lib/libc.so.6": None}),
    good=tree(),
)

library_missing = on_rescue(LIBRARY)(_causes(LIBRARY))


LOADER = Rule(
    name="loader-missing",
    severity=Severity.ERROR,
    values=_cause_values,
    message="the loader {subject} is missing: {tools} cannot run ({chain})",
    effect='The shell says "not found" of a program that is there: error -2 is for the loader.',
    fix="Put {subject} into the ramdisk, executable and of the programs' own C library.",
    computed=f"PT_INTERP leads to no executable ELF file of the program's machine; {_STOPS}",
    sources=(
        in_linux("fs/binfmt_elf.c", "load_elf_binary"),
        in_busybox("shell/ash.c", says="%s: not found"),
    ),
    bad=tree({elf.LOADER.lstrip("/"): None}),
    good=tree(),
)

loader_missing = on_rescue(LOADER)(_causes(LOADER))


INTERPRETER = Rule(
    name="interpreter-missing",
    severity=Severity.ERROR,
    values=_cause_values,
    message="the interpreter {subject} is missing: {tools} cannot run ({chain})",
    effect='The shell says "not found" of a script that is there.',
    fix="Name an interpreter that the ramdisk has, and end the line with LF alone.",
    computed=f"the #! line names no program, or ends in CR LF, or goes five scripts deep; {_STOPS}",
    sources=(
        in_linux("fs/binfmt_script.c", "load_script"),
        in_linux("fs/exec.c", "exec_binprm"),
        in_busybox("shell/ash.c", says="%s: not found"),
    ),
    bad=tree({"bin/sha256sum": file("#!/usr/bin/python3\n", 0o755)}),
    good=tree({"bin/sha256sum": file("#!/bin/sh\n", 0o755)}),
)

interpreter_missing = on_rescue(INTERPRETER)(_causes(INTERPRETER))


WRONG_MACHINE = Rule(
    name="program-wrong-machine",
    severity=Severity.ERROR,
    values=_cause_values,
    message="{subject} is of another machine or ABI: {tools} cannot run ({chain})",
    effect='The kernel answers with error -8, "Exec format error", or the loader refuses it.',
    fix="Build it for the board, not for the build host.",
    computed="e_machine, class and byte order against the layout's arch, and the float ABI of a"
    f" library against that of its program; {_STOPS}",
    sources=(
        in_linux("fs/binfmt_elf.c", "elf_check_arch"),
        standard(
            "ELF for the Arm Architecture (AAELF32)",
            copy=in_glibc("elf/elf.h", "EF_ARM_ABI_FLOAT_HARD"),
        ),
        in_glibc("sysdeps/gnu/errlist.h", "ENOEXEC", "Exec format error"),
    ),
    bad=tree({"bin/sha256sum": file(elf.program(machine=elf.X86_64), 0o755)}),
    good=tree({"bin/sha256sum": file(elf.program(), 0o755)}),
)

wrong_machine = on_rescue(WRONG_MACHINE)(_causes(WRONG_MACHINE))


def _versions(wanted: str) -> Example:
    wants = {"libtide.so.1": wanted}
    return tree(
        {
            "lib/libtide.so.1": file(elf.library("libtide.so.1", version="TIDE_1"), 0o755),
            "bin/sha256sum": file(elf.dynamic_program(tuple(wants), wants=wants), 0o755),
        }
    )


VERSION = Rule(
    name="symbol-version-missing",
    severity=Severity.ERROR,
    values=_cause_values,
    message="no library defines {subject}: {tools} cannot run ({chain})",
    effect="The loader says that the version is not found, and the program stops.",
    fix="Take programs and libraries from one build.",
    computed=f"a version in SHT_GNU_verneed is not in the library's SHT_GNU_verdef; {_STOPS}",
    sources=(
        standard(
            "LSB Core",
            "Symbol Versioning",
            copy=in_glibc("elf/elf.h", "SHT_GNU_verneed", "Version needs section."),
        ),
        in_glibc("elf/dl-version.c", "match_symbol", "version `%s' not found (required by %s)"),
    ),
    bad=_versions("TIDE_2"),
    good=_versions("TIDE_1"),
)

symbol_version = on_rescue(VERSION)(_causes(VERSION))


NOT_EXECUTABLE = Rule(
    name="tool-not-executable",
    severity=Severity.ERROR,
    values=_cause_values,
    message="{subject} is not executable: {tools} cannot run ({chain})",
    effect='The shell says "Permission denied".',
    fix="Run chmod 0755 {subject} before the ramdisk is packed.",
    computed=f"a tool leads to a file without an x bit, or to no regular file; {_STOPS}",
    sources=(
        in_linux("fs/exec.c", "do_open_execat"),
        in_glibc("sysdeps/gnu/errlist.h", "EACCES", "Permission denied"),
    ),
    bad=tree({"bin/sha256sum": file(elf.program())}),
    good=tree(),
)

not_executable = on_rescue(NOT_EXECUTABLE)(_causes(NOT_EXECUTABLE))


LINK = Rule(
    name="tool-link-dangling",
    severity=Severity.ERROR,
    values=_cause_values,
    message="{subject} is missing, and {tools} leads there ({chain})",
    effect='The shell says "not found".',
    fix="Put {subject} into the ramdisk, or let the link lead to what is there.",
    computed=f"a link on the search path leads nowhere; {_STOPS}",
    sources=(in_busybox("shell/ash.c", says="%s: not found"),),
    bad=tree({"bin/sha256sum": link("coreutils")}),
    good=tree(),
)

tool_link = on_rescue(LINK)(_causes(LINK))


DAMAGED = Rule(
    name="program-damaged",
    severity=Severity.ERROR,
    values=_cause_values,
    message="{subject} is no program: {tools} cannot run ({chain})",
    effect='The kernel answers with error -8, "Exec format error". A shell goes on to read it as a'
    " script, and stumbles over the first bytes.",
    fix="Build {subject} again.",
    computed="a tool is empty, cut, or neither ELF nor a text, which a shell runs without #!, too;"
    f" {_STOPS}",
    sources=(
        in_linux("fs/exec.c", "search_binary_handler"),
        in_linux("fs/binfmt_script.c", "load_script"),
        in_linux("fs/binfmt_elf.c", "load_elf_binary"),
        in_glibc("sysdeps/gnu/errlist.h", "ENOEXEC", "Exec format error"),
    ),
    bad=tree({"bin/sha256sum": file(elf.program()[:60], 0o755)}),
    good=tree(),
)

program_damaged = on_rescue(DAMAGED)(_causes(DAMAGED))


def _busybox(*names: str) -> Entry:
    table = b"".join(name.encode() + b"\0" for name in sorted(names))
    return file(elf.program(b"\0BusyBox v1.36.1\0" + table + b"\0"), 0o755)


_NAMES = ("ash", "cat", "cp", "init", "ls", "mount", "mv", "sh", "sync", "umount")
_LINKED: Root = {"bin/busybox": _busybox(*_NAMES), "bin/sha256sum": link("busybox")}


APPLET = Rule(
    name="applet-missing",
    severity=Severity.ERROR,
    values=_cause_values,
    message="{tools} cannot run: {subject} lacks that applet ({chain})",
    effect='BusyBox says "applet not found".',
    fix="Set the applet in the configuration of BusyBox, or remove the link.",
    computed="the name of a link, or the word after busybox in a script, is not in the binary's"
    f" table of applets; {_STOPS}",
    sources=(in_busybox("libbb/appletlib.c", says=": applet not found"),),
    bad=tree(_LINKED),
    good=tree(_LINKED | {"bin/busybox": _busybox(*_NAMES, "sha256sum")}),
)


@on_rescue(APPLET)
def applet_missing(rescue: Rescue) -> Outcome:
    yield from _caused(APPLET, rescue)
    facts = surveyed(rescue)
    calls: dict[str, list[str]] = {}
    for call in facts.lacking_calls:
        calls.setdefault(call.applet, []).append(f"{call.path}:{call.line}")
    boxes = listed(busybox.path for busybox in facts.busyboxes)
    for applet, places in calls.items():
        severe = any(place.startswith(f"{facts.init.path}:") for place in places)
        yield said(
            APPLET(
                subject=boxes,
                tools=applet,
                count=1,
                killed=[applet],
                needed=[],
                chain=f"called in {listed(places)}",
            ),
            rescue,
            severity=Severity.ERROR if severe else Severity.WARNING,
        )


_DHCP: Root = {
    "sbin/ip": file(elf.program(), 0o755),
    "sbin/udhcpc": file(elf.program(), 0o755),
    "usr/share/udhcpc/default.script": file("#!/bin/sh\n"),
}
_DHCP_GOOD = _DHCP | {"usr/share/udhcpc/default.script": file("#!/bin/sh\n", 0o755)}
# Without their file these do nothing at all; others work with what is built in.
_NOTHING_WITHOUT = frozenset({"udhcpc", "dhclient", "fw_printenv", "fw_setenv", "sshd"})


def _support_values(tools: str, *, paths: str, why: str, present: str) -> None: ...


SUPPORT = Rule(
    name="support-file-missing",
    severity=Severity.ERROR,
    values=_support_values,
    message="{tools} needs {paths}: {why}{present}",
    effect="The tool starts, and does less than it should or nothing at all.",
    fix="Put the file into the ramdisk, with x bits where it is a script.",
    computed="none of the files that a tool reads is there, or none is executable; a warning where"
    " the tool does something without it, or no need that must be met hangs on it",
    sources=(
        in_busybox(
            "networking/udhcp/Config.src",
            "UDHCPC_DEFAULT_SCRIPT",
            'default "/usr/share/udhcpc/default.script"',
        ),
        in_u_boot("tools/env/README", "fw_env.config"),
        in_dropbear("svr-auth.c", "checkusername", "check the shell is valid."),
        manual("sshd(8)", "refuses to start if there is no configuration file."),
        memory("the manual pages of the other tools"),
    ),
    bad=tree(_DHCP, needs="networking"),
    good=tree(_DHCP_GOOD, needs="networking"),
)


@on_rescue(SUPPORT)
def support_file(rescue: Rescue) -> Outcome:
    facts = surveyed(rescue)
    by_file: dict[tuple[tuple[str, ...], str, str], list[tuple[str, bool]]] = {}
    for group in facts.groups:
        vital = {tool for need in group.needs if need.level == "must" for tool in need.by}
        for gap in group.gaps:
            severe = gap.tool in vital & _NOTHING_WITHOUT
            by_file.setdefault((gap.paths, gap.why, gap.present), []).append((gap.tool, severe))
    for (paths, why, present), tools in by_file.items():
        severe = any(hard for _, hard in tools)
        names = list(dict.fromkeys(name for name, _ in tools))
        yield said(
            SUPPORT(
                tools=listed(names),
                paths=" or ".join(paths),
                why=why,
                present=f"; {present}" if present else "",
            ),
            rescue,
            severity=Severity.ERROR if severe else Severity.WARNING,
        )


_ENV_REGIONS = "".join(
    f"  - {{name: env-{name}, chip: nor, at: {at}, size: 64 KiB, holds: uboot-env, writer: runtime,"
    f" env: {{size: 16 KiB, copy: env-{other}}}}}\n"
    for name, other, at in (("a", "b", "1 MiB"), ("b", "a", "0x110000"))
)
_PRINTENV: Root = {
    "usr/bin/fw_printenv": file(elf.program(), 0o755),
    "usr/bin/fw_setenv": link("fw_printenv"),
}


def _environment(*lines: str, size: str = "0x4000") -> Example:
    config = {"etc/fw_env.config": file("".join(f"{line} {size} 0x10000\n" for line in lines))}
    made = example(lambda: archive(_PRINTENV | config), rest=_ENV_REGIONS)
    shown = made.layout.replace("regions: [recovery]", "regions: [recovery, env-a, env-b]")
    return replace(made, layout=shown)


def _env_copy_values(*, first: str, second: str, count: int) -> None: ...


ENV_COPY = Rule(
    name="flash-tool-config-without-copy",
    severity=Severity.ERROR,
    values=_env_copy_values,
    message="/etc/fw_env.config names {count} place of the environment; {first} and {second} are"
    " two",
    effect=(
        "The tool fw_setenv takes the flag byte of a redundant environment for data, finds a bad"
        " checksum, and writes defaults over one copy, in a form that U-Boot refuses: it goes on"
        " with the other, older copy, and what was set is lost."
    ),
    fix="Give {first} and {second} a line each.",
    computed="the stage's environment has a copy, and the file has not two entries",
    sources=(
        in_u_boot("tools/env/fw_env.config", says="Up to two entries are valid"),
        in_u_boot("tools/env/fw_env.c", "get_config"),
        in_u_boot("tools/env/fw_env.c", "fw_env_open", "Bad CRC, using default environment"),
    ),
    bad=_environment("/dev/mtd1 0x0"),
    good=_environment("/dev/mtd1 0x0", "/dev/mtd2 0x0"),
)


@on_rescue(ENV_COPY)
def environment_copies(rescue: Rescue) -> Outcome:
    config = rescue.environment_tool
    if config is not None and rescue.env_copies and not config.redundant:
        first, second = rescue.env_copies
        count = len(config.locations)
        yield said(ENV_COPY(count=count, first=first, second=second), rescue)


CONSOLE = Rule(
    name="console-node-missing",
    severity=Severity.WARNING,
    values=nothing,
    message="neither {ramdisk} nor the kernel's own archive has /dev/console as c 5 1",
    effect='The kernel says "unable to open an initial console", and init starts mute.',
    fix="Add /dev/console, a character device 5, 1, before the ramdisk is packed.",
    computed="no member /dev/console of type c 5 1; CONFIG_DEVTMPFS_MOUNT does not mount before a"
    " ramdisk's init",
    sources=(
        in_linux("init/main.c", "console_on_rootfs", "Warning: unable to open an initial console."),
        in_linux("drivers/base/Kconfig", "DEVTMPFS_MOUNT"),
    ),
    bad=_with_kernel({"dev/console": None}),
    good=_with_kernel({}),
)


@on_rescue(CONSOLE)
def console_node(rescue: Rescue) -> Outcome:
    if surveyed(rescue).console_node:
        return
    if rescue.ramdisk.inside is None:
        why = "no /dev/console in it; whether the kernel's own archive has one is unknown"
        yield unknown(CONSOLE, rescue, why)
        return
    yield said(CONSOLE(), rescue)


def _dangling_values(*, names: str, links: list[str]) -> None: ...


DANGLING = Rule(
    name="link-dangling",
    severity=Severity.WARNING,
    values=_dangling_values,
    message="{names} of {ramdisk} lead nowhere",
    effect="Whatever follows them fails; a path of the build host stands out by its length.",
    fix="Remove the links, or put in what they lead to.",
    computed="a symbolic link leads nowhere, and not to a place that only a running system fills",
    sources=(PRACTICE,),
    bad=tree({"etc/localtime": link("/usr/share/zoneinfo/UTC")}),
    good=tree({"etc/mtab": link("/proc/self/mounts")}),
)


@on_rescue(DANGLING)
def dangling_links(rescue: Rescue) -> Outcome:
    facts = surveyed(rescue)
    tools = {tool.path for tool in facts.tools.values()}
    links = [item for item in facts.dangling if not item.volatile and item.path not in tools]
    if links:
        names = [f"{item.path} -> {item.target}" for item in links]
        yield said(DANGLING(names=listed(names), links=names), rescue)


def _features_values(*, features: str, filesystem: str) -> None: ...


FEATURES = Rule(
    name="ext4-feature-not-in-e2fsck",
    severity=Severity.ERROR,
    values=_features_values,
    message="e2fsck of {ramdisk} does not know {features} of {filesystem}",
    effect='The e2fsck of the recovery says "has unsupported feature(s)" and repairs nothing.',
    fix="Take a newer e2fsprogs into the ramdisk, or make the file system without {features}.",
    computed="the name of a feature of an ext4 image is not among those that the binary and its"
    " libraries carry",
    sources=(
        in_e2fsprogs("lib/e2p/feature.c", "feature_list"),
        in_e2fsprogs("e2fsck/unix.c", says="%s has unsupported feature(s):"),
    ),
    bad=_features("has_journal\0extent\0"),
    good=_features("has_journal\0extent\0metadata_csum\0"),
)


@on_rescue(FEATURES)
def ext4_features(rescue: Rescue) -> Outcome:
    if rescue.feature_gaps is None:
        why = "the features that its e2fsck knows cannot be told from the binary"
        yield unknown(FEATURES, rescue, why)
        return
    for gap in rescue.feature_gaps:
        yield said(FEATURES(features=listed(gap.features), filesystem=gap.region), rescue)


def _unstripped_values(*, names: str, paths: list[str]) -> None: ...


UNSTRIPPED = Rule(
    name="programs-not-stripped",
    severity=Severity.NOTE,
    values=_unstripped_values,
    message="{names} of {ramdisk} carry symbols that nothing in a recovery reads",
    effect="Flash and RAM are spent on them.",
    fix="Run strip on them when the ramdisk is built.",
    computed="an ELF file that is no kernel module has a symbol table or debugging sections",
    sources=(PRACTICE,),
    bad=tree({"bin/tide": file(_with_symbols(), 0o755)}),
    good=tree({"bin/tide": file(elf.program(), 0o755)}),
)


@on_rescue(UNSTRIPPED)
def not_stripped(rescue: Rescue) -> Outcome:
    found = surveyed(rescue).unstripped
    if found:
        yield said(UNSTRIPPED(names=listed(found), paths=list(found)), rescue)


def _modes_values(why: str, *, names: str, paths: list[str]) -> None: ...


MODES = Rule(
    name="modes-out-of-the-ordinary",
    severity=Severity.WARNING,
    values=_modes_values,
    message="{names} of {ramdisk}: {why}",
    effect="Another account than root can change what root runs, or a server refuses its files.",
    fix="Pack with cpio --owner=0:0, and set the modes where the tree is made.",
    computed="not owned by root, setuid or setgid, writable by everyone, a /tmp without the sticky"
    " bit, or a .ssh that others can write",
    sources=(PRACTICE,),
    bad=tree({"etc/profile": file("umask 022\n", 0o666)}),
    good=tree({"etc/profile": file("umask 022\n")}),
)


@on_rescue(MODES)
def odd_modes(rescue: Rescue) -> Outcome:
    by_why: dict[str, list[str]] = {}
    for item in surveyed(rescue).oddities:
        by_why.setdefault(item.why, []).append(item.path)
    for why, paths in by_why.items():
        yield said(MODES(names=listed(paths), why=why, paths=paths), rescue)


def _kernel_option_values(options: str, *, packed: str, why: str) -> None: ...


# Where Linux describes the options that a recovery's tools ask for.
KCONFIG = {
    "init/Kconfig": ("BLK_DEV_INITRD",),
    "fs/Kconfig.binfmt": ("BINFMT_ELF", "BINFMT_SCRIPT"),
    "arch/arm64/Kconfig": ("COMPAT",),
    "arch/x86/Kconfig": ("IA32_EMULATION",),
    "kernel/module/Kconfig": ("MODULES",),
    "fs/ext4/Kconfig": ("EXT4_FS",),
    "fs/fat/Kconfig": ("VFAT_FS",),
    "fs/nls/Kconfig": ("NLS_CODEPAGE_437", "NLS_ISO8859_1"),
    "fs/f2fs/Kconfig": ("F2FS_FS",),
    "fs/btrfs/Kconfig": ("BTRFS_FS",),
    "drivers/base/Kconfig": ("DEVTMPFS",),
    "drivers/tty/Kconfig": ("TTY", "UNIX98_PTYS"),
    "net/Kconfig": ("INET",),
    "net/packet/Kconfig": ("PACKET",),
    "drivers/mtd/Kconfig": ("MTD",),
    "drivers/mtd/spi-nor/Kconfig": ("MTD_SPI_NOR",),
    "drivers/mtd/ubi/Kconfig": ("MTD_UBI",),
    "block/partitions/Kconfig": ("EFI_PARTITION",),
    "drivers/mmc/core/Kconfig": ("MMC_BLOCK",),
    "drivers/i2c/Kconfig": ("I2C_CHARDEV",),
    "drivers/spi/Kconfig": ("SPI_SPIDEV",),
    "drivers/gpio/Kconfig": ("GPIO_CDEV",),
    "drivers/char/Kconfig": ("DEVMEM",),
    "drivers/watchdog/Kconfig": ("WATCHDOG",),
    "drivers/rtc/Kconfig": ("RTC_CLASS",),
}

KERNEL_OPTION = Rule(
    name="kernel-option-missing",
    severity=Severity.ERROR,
    values=_kernel_option_values,
    message="the kernel was built without {options}{packed}: {why}",
    effect="The tool is there and runs, and what it works on is not.",
    fix="Set =y in the kernel of the recovery: {options}.",
    computed="an option that the ramdisk or one of its tools asks for is not set, or is =m and its"
    " module is not in the ramdisk; a warning where no need that must be met hangs on it",
    sources=tuple(in_linux(file, symbol) for file, names in KCONFIG.items() for symbol in names),
    bad=_kernel("BINFMT_ELF"),
    good=_kernel("BINFMT_ELF", "BINFMT_SCRIPT"),
)


_NO_DRIVERS = Cause(frozenset({"driver-missing"}))


def _is_module(rescue: Rescue, symbol: str) -> bool:
    return rescue.config is not None and rescue.config.get(f"CONFIG_{symbol}") == "m"


def _has_option(rescue: Rescue, symbol: str) -> bool:
    """Tell whether an option is built in, or its module is in the ramdisk."""
    if rescue.config is None or not _is_module(rescue, symbol):
        return rescue.config is not None and rescue.config.get(f"CONFIG_{symbol}", "n") != "n"
    name = OPTION_MODULES.get(symbol)
    modules = (module for item in surveyed(rescue).modules for module in item.modules)
    return name is None or any(module.name == name for module in modules)


@on_rescue(KERNEL_OPTION)
def kernel_options(rescue: Rescue) -> Outcome:
    facts = surveyed(rescue)
    if rescue.config is None:
        why = f"the kernel's configuration is unknown: {rescue.config_from}"
        yield unknown(KERNEL_OPTION, rescue, why)
        return
    vital = {
        name
        for group in facts.groups
        for need in group.needs
        if need.level == "must"
        for name in need.by
    } | {facts.init.path}
    by_option: dict[str, tuple[list[str], dict[str, None]]] = {}
    for option in facts.kernel:
        if not _has_option(rescue, option.symbol):
            whys, users = by_option.setdefault(option.symbol, ([], {}))
            whys.append(option.why)
            users.update(dict.fromkeys(option.users))
    # What is alike is one thing to mend: options that are off, or modules that were not packed.
    alike: dict[tuple[bool, bool], dict[str, str]] = {}
    for symbol, (whys, users) in by_option.items():
        severe = not users or bool(users.keys() & vital)
        why = "; ".join(dict.fromkeys(whys)) + (f", for {listed(users)}" if users else "")
        alike.setdefault((_is_module(rescue, symbol), severe), {})[f"CONFIG_{symbol}"] = why
    for (packed, severe), whys_of in alike.items():
        case = KERNEL_OPTION(
            options=", ".join(whys_of),
            packed=" (=m, and not packed)" if packed else "",
            why="; ".join(dict.fromkeys(whys_of.values())),
        )
        found = said(case, rescue, severity=Severity.ERROR if severe else Severity.WARNING)
        yield replace(found, causes=(_NO_DRIVERS,)) if packed else found
