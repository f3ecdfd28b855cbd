"""What a recovery says of itself, and what it kept of the machine that built it."""

from __future__ import annotations

import re

from imgaudit.formats.uboot_env import UbootEnv
from imgaudit.patterns import regex
from imgaudit.rescue.stage import Rescue
from imgaudit.rules._rescue import (
    SURVEYED,
    archive,
    example,
    listed,
    on_rescue,
    said,
    surveyed,
    tree,
)
from imgaudit.rules.cited import PRACTICE, in_busybox, manual
from imgaudit.rules.engine import NotChecked, Outcome, Rule, Severity, check, nothing
from imgaudit.rules.kinds import whole
from imgaudit.rules.subject import Subject
from imgaudit.writers import elf
from imgaudit.writers.tree import file

_SAYS = (
    *("/etc/os-release", "/usr/lib/os-release"),
    *("/etc/lsb-release", "/etc/version", "/etc/issue", "/etc/release"),
)
_VERSION = regex(r"version|^ver$|release|build", re.IGNORECASE)


def _stray_values(folders: str, *, programs: str) -> None: ...


STRAY = Rule(
    name="library-path-of-the-build-host",
    severity=Severity.WARNING,
    values=_stray_values,
    message="{ramdisk} has no {folders}, where {programs} would look for libraries",
    effect="Whoever can make such a folder on the unit has his own code loaded; and it tells where"
    " and by whom the image was built.",
    fix="Take the path out with patchelf --remove-rpath, or build without -rpath.",
    computed="an absolute folder in DT_RUNPATH, or DT_RPATH without it, of an ELF file of the"
    " ramdisk is not in it",
    sources=(
        manual(
            "ld.so(8)",
            "Using the directories specified in the DT_RUNPATH dynamic section attribute of the"
            " binary if present.",
        ),
        PRACTICE,
    ),
    bad=tree({"bin/tool": file(elf.dynamic_program((), runpath="/home/build/out/lib"), 0o755)}),
    good=tree({"bin/tool": file(elf.dynamic_program((), runpath="/lib"), 0o755)}),
)


@on_rescue(STRAY)
def stray_library_path(rescue: Rescue) -> Outcome:
    stray = surveyed(rescue).stray
    if stray:
        folders = listed(dict.fromkeys(item.folder for item in stray))
        programs = listed(dict.fromkeys(item.path for item in stray))
        yield said(STRAY(folders=folders, programs=programs), rescue)


UNNAMED = Rule(
    name="recovery-without-version",
    severity=Severity.NOTE,
    values=nothing,
    message="nothing in {ramdisk} or in U-Boot's environment says which build the recovery is",
    effect="Someone in the field cannot tell which release is on the unit, and writes another"
    " board's or an old one.",
    fix="Write /etc/os-release with VERSION_ID= into the ramdisk.",
    computed="no /etc/os-release with VERSION or BUILD_ID, /etc/lsb-release, /etc/version,"
    " /etc/release or /etc/issue in the ramdisk, and no variable of an environment with version,"
    " release or build in its name",
    sources=(manual("os-release(5)", "identifying the operating system version"), PRACTICE),
    bad=example(archive),
    good=example(lambda: archive({"etc/os-release": file("ID=gauge\nVERSION_ID=7\n")})),
)


@check(UNNAMED, over=SURVEYED, given=whole)
def recovery_unnamed(rescue: Rescue, subject: Subject) -> Outcome:
    if rescue.root is None:
        yield NotChecked(UNNAMED.name, rescue.name, "its files are not listed")
        return
    texts = [rescue.root.text(path) or "" for path in _SAYS]
    named = any(word in text for text in texts[:2] for word in ("VERSION", "BUILD_ID", "IMAGE_ID"))
    environments = [node.facts for node in subject.of(UbootEnv)]
    said_there = (item.name for facts in environments for item in facts.variables)
    if not (named or any(texts[2:]) or any(_VERSION.search(name) for name in said_there)):
        yield said(UNNAMED(), rescue)


_CLOCKS = ("ntpd", "ntpdate", "chronyd", "sntp", "rdate", "hwclock")
_CERTIFICATE = {"etc/ssl/certs/ca.pem": file("-----BEGIN CERTIFICATE-----\n")}

CLOCK = Rule(
    name="certificates-without-a-clock",
    severity=Severity.NOTE,
    values=nothing,
    message="{ramdisk} brings certificates, and nothing that reads a clock or asks for the time",
    effect="The unit starts in 1970: for whatever checks certificates none is valid yet, and it"
    " fetches nothing. BusyBox's own TLS checks none.",
    fix="Add hwclock where the board has a clock that keeps time, else an NTP client.",
    computed="/etc/ssl/certs has files, and none of ntpd, ntpdate, chronyd, sntp, rdate and hwclock"
    " is there and runs",
    sources=(
        in_busybox("networking/wget.c", says="It does not check public key's certificate:"),
        PRACTICE,
    ),
    bad=example(lambda: archive(_CERTIFICATE)),
    good=example(lambda: archive({**_CERTIFICATE, "sbin/hwclock": file(elf.program(), 0o755)})),
)


@on_rescue(CLOCK)
def certificates_without_clock(rescue: Rescue) -> Outcome:
    tools = surveyed(rescue).tools
    runs = [name for name in _CLOCKS if name in tools and tools[name].verdict.runs is not False]
    if rescue.root is not None and rescue.root.names("/etc/ssl/certs") and not runs:
        yield said(CLOCK(), rescue)
