"""The recovery's own start, followed; the shell reader against a shell, init against a kernel."""

from __future__ import annotations

import contextlib
import subprocess
from collections.abc import Mapping
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.ramdisk.root import Root
from imgaudit.rescue import sh
from imgaudit.rescue.runnable import Runner
from imgaudit.rescue.start import Start, follow_init
from imgaudit.rescue.survey import survey
from imgaudit.writers import elf
from imgaudit.writers.cpio import cpio
from imgaudit.writers.tree import Entry, directory, file, link
from tests.rescue._kernel import boot
from tests.rescue._ramdisk import installer, root
from tests.rescue.test_first import CONSOLE, with_busybox

PROGRAM = file(elf.program(), 0o755)
FOLDERS = {name: directory() for name in ("proc", "sys", "dev", "mnt")}
TOOLS = dict.fromkeys(
    ("bin/sh", "bin/mount", "sbin/switch_root", "bin/sleep", "sbin/getty", "bin/mkdir"), PROGRAM
)


def followed(files: Mapping[str, Entry]) -> Start:
    made = root(cpio({**FOLDERS, **TOOLS, **files}, 0))
    facts = survey(made, arch="arm64")
    tools = {tool.name: tool.path for tool in facts.tools.values()}
    return follow_init(made, Runner(made, "arm64"), "/init", tools)


def init(*lines: str, **files: Entry) -> Start:
    script = file("\n".join(("#!/bin/sh", *lines, "")), 0o755)
    return followed({"init": script} | {name.replace("__", "/"): it for name, it in files.items()})


def absent(start: Start) -> list[tuple[str, int, bool]]:
    return [(item.program, item.step.line, item.fatal) for item in start.absent]


def test_a_sound_start() -> None:
    start = init("mount -t proc proc /proc", "mount -t sysfs s /sys", "exec getty -L ttyS0 115200")
    assert (absent(start), start.ends, start.waits, start.doubts) == ([], None, (), ())
    assert set(start.mounted) == {"/proc", "/sys"}


@pytest.mark.parametrize(
    ("lines", "program", "fatal"),
    [
        (("exec /sbin/tide",), "/sbin/tide", True),
        (("exec tide",), "tide", True),
        (("tide", "exec getty"), "tide", False),
        (("set -e", "tide", "exec getty"), "tide", True),
        (('if [ -n "$x" ]; then exec tide; fi', "exec getty"), "tide", False),
        (("x=/sbin/tide", "exec $x"), "/sbin/tide", True),
        (('go() { exec "$1"; }', "go tide"), "tide", True),
        (("for x in tide; do exec $x; done",), "tide", True),
        (("case a in a) exec tide;; *) exec other;; esac",), "tide", True),
        (("false || exec tide",), "tide", True),
        (("( tide )", "exec getty"), "tide", False),
        (("nohup tide", "exec getty"), "tide", False),
        (("exec setsid getty",), "setsid", True),
        (("exec nohup env -i -u HOME A=1 tide",), "tide", True),
        (("A=1 env B=2 tide -x", "exec getty"), "tide", False),
        ((". /lib/tide", "exec getty"), "/lib/tide", True),
        (("[ $x ] && . /lib/tide", "exec getty"), "/lib/tide", False),
        (("/bin/rc", "exec getty"), "tide", False),
        (("set -e", "/bin/rc", "exec getty"), "tide", True),
        (("set -e", "/bin/rc || :", "exec getty"), "tide", False),
        (("exec /bin/rc",), "tide", True),
        (("[ $x ] && exec getty || tide", "exec getty"), "tide", False),
        (("[ $x ] || exec getty && tide", "exec getty"), "tide", False),
    ],
)
def test_a_program_that_is_not_there(lines: tuple[str, ...], program: str, fatal: bool) -> None:
    run = {f"bin__{name}": PROGRAM for name in ("nohup", "env")}
    start = init(*lines, bin__rc=file("#!/bin/sh -ex\ntide\nexec getty\n", 0o755), **run)
    assert [(item.program, item.fatal) for item in start.absent] == [(program, fatal)]


@pytest.mark.parametrize(
    "lines",
    [
        ("[ -x /sbin/tide ] && /sbin/tide", "exec getty"),
        ("if [ -f /etc/tide.sh ]; then . /etc/tide.sh; tide; fi", "exec getty"),
        ("true || tide", "exec getty"),
        ("/mnt/usr/bin/tide", "exec getty"),
        ("exec switch_root /mnt /sbin/init",),
        ("$tide", "exec getty"),
        ("echo '", "tide", "'", "exec getty"),
        ("cat() { :; }", "cat <<E", "tide", "E", "exec getty"),
        ("while true; do getty; done", "tide"),
        ("if command -v tide; then tide; fi", "exec getty"),
        ("type tide && tide", "exec getty"),
        ("[ $x ] && exec sh && tide", "exec getty"),
        ("[ $x ] || exec sh || tide", "exec getty"),
        (
            "if [ $x ]; then exec getty",
            "elif [ $y ]; then exit",
            "else while :; do sleep 1; done",
            "fi",
            "tide",
        ),
        ("if [ $x ]; then exec getty; else exec sh; fi", "tide"),
        ("while sleep 1; do getty; done", "tide"),
        ("reboot() { :; }", "while :; do [ $x ] && exec getty; done", "tide"),
        ("mount -t proc p /mnt", ". /mnt/functions", "eval exec getty"),
    ],
)
def test_what_is_not_run_is_not_missed(lines: tuple[str, ...]) -> None:
    start = init(*lines)
    assert (absent(start), start.ends) == ([], None)


@pytest.mark.parametrize(
    ("lines", "device", "inner", "certain"),
    [
        (("mount /dev/a /mnt", "exec switch_root /mnt /sbin/x"), "/dev/a", "/sbin/x", True),
        (("mount /dev/a /mnt", "exec switch_root -c /dev/b /mnt /x"), "/dev/a", "/x", True),
        (("mount /dev/a /mnt", 'exec switch_root /mnt "$x"'), "/dev/a", None, True),
        (("mount /dev/a /mnt", 'exec switch_root "$x" /x'), None, None, True),
        (
            ("[ -n $x ] && exec getty", "mount /dev/a /mnt", "exec switch_root /mnt /x"),
            "/dev/a",
            "/x",
            False,
        ),
        (
            ("if mount /dev/a /mnt; then exec switch_root /mnt /x; fi", "exec sh"),
            "/dev/a",
            "/x",
            False,
        ),
        (
            (
                "if [ $x ]; then mount /dev/a /mnt; else mount /dev/b /mnt; fi",
                "exec switch_root /mnt /x",
            ),
            None,
            "/x",
            True,
        ),
        (("[ $x ] && exec switch_root /mnt /y", "exec switch_root /mnt /x"), None, None, False),
        (("[ $x ] && exec switch_root /mnt /x", "exec switch_root /mnt /x"), None, "/x", False),
    ],
)
def test_where_it_leaves_for(
    lines: tuple[str, ...], device: str | None, inner: str | None, certain: bool
) -> None:
    switch = init(*lines).switch
    assert switch is not None
    assert (switch.device, switch.init, switch.certain) == (device, inner, certain)
    assert not switch.asks


def test_a_start_that_stays() -> None:
    assert init("exec getty").switch is None
    asking = init("x=$(cat /proc/cmdline)", "exec switch_root /mnt /x").switch
    assert asking is not None
    assert asking.asks


def test_a_first_program_that_ends() -> None:
    end = init("mount -t proc proc /proc", "getty").ends
    assert end is not None
    assert (end.path, end.line, end.command) == ("/init", 3, "getty")
    assert init("while :; do getty; done").ends is None
    behind = init("while :; do sleep 1; done &", "getty").ends
    assert behind is not None
    assert behind.line == 3
    assert init("exec getty").ends is None


@pytest.mark.parametrize(
    ("loop", "waits"),
    [
        ("while [ ! -b /dev/mmcblk0 ]; do sleep 1; done", True),
        ("until [ -e /dev/mmcblk0p2 ]; do sleep 1; done", True),
        ("until test -b /dev/disk/by-label/data; do :; done", True),
        ("while [ ! -c /dev/ttyS0 ]; do sleep 1; done", False),
        ("until [ -b /dev/mmcblk0 ]; do n=$x; [ $n = 9 ] && break; done", False),
        ("while [ $n -lt 9 ] && [ ! -b /dev/mmcblk0 ]; do sleep 1; done", False),
    ],
)
def test_waiting_for_another_chip(loop: str, waits: bool) -> None:
    assert bool(init(loop, "exec getty").waits) is waits


def test_folders_to_mount_on() -> None:
    start = init("mount -t tmpfs tmpfs /data", "mkdir -p /dev/pts", "mount -t devpts d /dev/pts")
    assert [point for _, point in start.no_point] == ["/data"]
    lost = followed({"init": file("#!/bin/sh\nmount -t proc p /proc\n", 0o755), "proc": PROGRAM})
    assert [point for _, point in lost.no_point] == ["/proc"]
    assert not init("mkdir /data", "mount -t tmpfs tmpfs /data", "exec getty").no_point


def test_inittab_and_the_scripts_that_it_runs() -> None:
    box = b"\0BusyBox v1.36.1\0ash\0cat\0getty\0init\0mount\0sh\0\0"
    start = followed(
        {
            "init": link("sbin/init"),
            "sbin/init": link("../bin/busybox"),
            "bin/busybox": file(elf.program(box), 0o755),
            "etc/inittab": file("::sysinit:/etc/init.d/rcS\n::respawn:/sbin/tide -x\n#::once:no\n"),
            "etc/init.d/rcS": file(
                '#!/bin/sh\nfor i in /etc/init.d/S??*; do\n  "$i" start\ndone\n', 0o755
            ),
            "etc/init.d/S10proc": file("#!/bin/sh\nmount -t proc proc /proc\n", 0o755),
            "etc/init.d/S20tide": file("#!/bin/sh\ncase $1 in start) gauge;; esac\n", 0o755),
        }
    )
    assert set(start.mounted) == {"/proc"}
    assert absent(start) == [("gauge", 2, False), ("/sbin/tide", 2, False)]
    assert "/etc/init.d/S20tide" in start.scripts


def test_modules_that_are_loaded_by_name() -> None:
    start = init("modprobe -q tide gauge", "insmod /lib/x.ko speed=3", "exec getty")
    assert [word for _, word in start.loads] == ["tide", "gauge", "/lib/x.ko"]
    assert start.told == {("/init", 2), ("/init", 3)}


@pytest.mark.parametrize(
    ("word", "lost"),
    [
        ('"$(tide LABEL=root)"', ["tide"]),
        ("`tide`", ["tide"]),
        ("$( tide | cat)", ["tide"]),
        ("$(getty)", []),
        ("$(echo /dev/x)", []),
        ("$(command -v tide)", []),
        ("$((1 + 2))", []),
        ("$(if true; then echo; fi)", []),
        ("$(</list)", []),
        ("$(A=1 tide)", []),
    ],
)
def test_a_program_whose_text_is_taken_is_looked_for(word: str, lost: list[str]) -> None:
    for line in (f"mount {word} /mnt", f"root={word}"):
        start = init(line, "exec getty", mnt=directory())
        assert [item.program for item in start.absent] == lost
        assert not any(item.fatal for item in start.absent)


def test_a_line_whose_words_are_not_known_may_load_anything() -> None:
    start = init("for m in tide gauge; do modprobe $m; done", "modprobe $(cat /list)", "exec getty")
    assert start.told == {("/init", 2)}


def test_a_packaged_installer_is_followed() -> None:
    made = installer("arm64")[1]
    facts = survey(made, arch="arm64")
    tools = {tool.name: tool.path or tool.source for tool in facts.tools.values()}
    start = follow_init(made, Runner(made, "arm64"), "/init", tools)
    assert {"/init", "/lib/debian-installer/start-udev"} <= set(start.scripts)
    assert {"/run", "/proc", "/sys", "/dev", "/dev/pts"} <= set(start.mounted)
    assert start.ends is None
    assert not any(item.fatal for item in start.absent)


@pytest.mark.oracle
def test_the_reader_takes_what_a_shell_takes() -> None:
    """Every script of the packaged installer; dash is the shell."""
    made: Root = installer("arm64")[1]
    scripts = 0
    for _, node in made.walk():
        if node.is_file and node.data().upto(0, 9) == b"#!/bin/sh":
            text = node.data().upto(0, sh.SIZE)
            done = subprocess.run(["dash", "-n"], input=text, capture_output=True, check=False)
            if done.returncode == 0:
                scripts += 1
                sh.parse(text.decode("utf-8", "replace"))
    assert scripts > 40


@pytest.mark.oracle
@pytest.mark.parametrize(
    ("lines", "end"),
    [
        (("exec /bin/tide",), "exitcode=0x00007f00"),
        (("tide",), "exitcode=0x00007f00"),
        (("set -e", "tide", "sleep 9"), "exitcode=0x00007f00"),
        (("echo over",), "exitcode=0x00000000"),
    ],
)
def test_a_running_kernel_ends_where_we_say(
    lines: tuple[str, ...], end: str, tmp_path: Path
) -> None:
    script = file("\n".join(("#!/bin/sh", *lines, "")), 0o755)
    tree = {**CONSOLE, **with_busybox(), "bin/sh": link("busybox"), "init": script}
    archive = cpio(tree, 0)
    made = root(archive)
    start = follow_init(made, Runner(made, "arm64"), "/init", {"sleep": "/bin/busybox"})
    assert start.ends is not None or any(item.fatal for item in start.absent)
    log = boot(archive, tmp_path)
    assert "Attempted to kill init!" in log.panic
    assert end in log.panic


_TESTED = """
cat /tide && exec getty || exec sh
if [ $x ]; then exec getty; else exec sh; fi
if [ $x ]; then exec getty; fi; sleep 1
if [ $x ]; then exit 1; else exit 2; fi
if [ $x ]; then exec getty; elif true; then exec sh; else sleep 1; fi
if [ $x ]; then exec getty; elif false; then sleep 1; else exec sh; fi
case $x in a) exec getty;; *) exec sh;; esac
case $x in a) exec getty;; 1) exec sh;; esac
case b in a) exec getty;; b) exit;; esac; exec sh
[ $x ] && exec getty || exec sh
[ $x ] || exec getty; exec sh
[ $x ] && exit 1; exec getty
f() { exec getty; }; if [ $x ]; then f; else exec sh; fi
f() { if [ $x ]; then return; else return 1; fi; exec getty; }; f; sleep 1
for i in 1 2; do [ $i = 2 ] && exec getty; done
for i in 1 2; do if [ $x ]; then break; else break; fi; exec getty; done
while true; do [ $x ] && break; exec getty; done
while :; do exec getty; done
while :; do sleep 1; done; tide
while sleep 1; do :; done; tide
until false; do sleep 1; done; tide
n=0; while [ "$n" = 0 ]; do n=1; done; exec getty
( exec tide ); exec getty
( sleep 1 )
sleep 1 | sleep 2
exec tide & exec getty
exec tide | sleep 1; exec getty
set -e; tide || true; exec getty
set -e; if tide; then :; fi; exec getty
set -e; while tide; do :; done; exec getty
set -e; ! tide; exec getty
set -e; tide && sleep 1; exec getty
set -e; sleep 1 && tide; exec getty
set -e; tide | sleep 1; exec getty
set -e; sleep 1 | tide; exec getty
set -e; ! sleep 1 | tide; exec getty
set -e; tide & exec getty
set -e; ( tide ); exec getty
set -e; ( tide || : ); exec getty
set -e; f() { tide; sleep 1; }; f || :; exec getty
set -e; f() { tide; sleep 1; }; f; exec getty
set -e; set +e; tide; exec getty
set -e; set +x; tide; exec getty
set -o errexit; tide; exec getty
set -o errexit; set +o errexit; tide; exec getty
set -- -e; tide; exec getty
( set -e; tide ); exec getty
set -eu; set +u; tide; exec getty
. /tide; exec getty
. /tide || :; exec getty
if [ $x ]; then . /tide; fi; exec getty
exec > /dev/null; exec getty
exec reboot
reboot -f; tide
reboot -f
while :; do sleep 1; continue; tide; done; tide
export A=1; [ "$A" = 1 ] && exit 1; exec getty
[ -n a ] && exec getty
[ -z a ] || exec getty
[ ! a = a ] || exec getty
[ a != a ] || exec getty
[ -z "$x" ] && exec getty; [ -n "$x" ] && exec sh
unset A; [ "$A" = 1 ] && exit; exec getty
for i in 1 2; do continue; done
false && sleep 1 || exit 1; exec getty
true || sleep 1 && exit 1; exec getty
A=1; [ $x ] && A=2; [ "$A" = 2 ] && exit 1; exec getty
A=1; [ $x ] && B=2; [ "$A" = 1 ] && exit 1; exec getty
! false && exit 1; exec getty
! true || exit 1; exec getty
! true && exec getty
f() { :; } && exit 1; exec getty
if false; then :; fi && exit 1; exec getty
while false; do sleep 1; done; exit 1
until true; do exec getty; done; exit 1
while false; do :; done && exit 1; exec getty
if sleep 1 & then exit 1; fi; exec getty
f() { return 1; tide; }; f || exec getty
exec env A=1 getty
A=1 exec getty
A=b sleep 1; [ "$A" = b ] && tide; exec getty
command -v tide || exec getty
command -v sleep && exec getty
type tide && exec sh; exec getty
type exec tide; exec getty
""".strip().splitlines()


@pytest.mark.oracle
@pytest.mark.parametrize("line", _TESTED)
def test_what_certainly_ends_ends_in_a_shell_whatever_it_finds(line: str, tmp_path: Path) -> None:
    """dash runs each script with either value of what is not known; what it runs are stand-ins."""
    for name in ("getty", "sh", "sleep", "cat", "reboot"):
        does = "kill -9 $me" if name == "reboot" else "exit 0"
        if name == "sleep":  # what sleeps without an end goes on for ever
            does = 'echo >> "$0.turns"; [ "$(wc -l < "$0.turns")" -lt 9 ] || kill -9 $me'
        (tmp_path / name).write_text(f"#!/bin/dash\nPATH=/usr/bin:/bin\n{does}\n")
        (tmp_path / name).chmod(0o755)
    (tmp_path / "env").symlink_to("/usr/bin/env")
    ends = []
    for unknown in ("", "1"):
        done = subprocess.run(
            ["/bin/dash", "-c", f"export me=$$; trap 'echo over >&3' EXIT; exec 3>&1 >&2; {line}"],
            env={"PATH": str(tmp_path), "x": unknown},
            capture_output=True,
            timeout=20,
            check=False,
        )
        # exec of what is not there ends the shell by status 127, without what it traps
        ends.append(b"over" in done.stdout or done.returncode == 127)
    start = init(line, bin__cat=PROGRAM, bin__env=PROGRAM, sbin__reboot=PROGRAM)
    assert bool(start.stops) is all(ends), start


def test_more_functions_in_each_other_than_are_followed_are_told() -> None:
    calls = [f"f{n}() {{ f{n + 1}; }}" for n in range(9)]
    start = init(*calls, "f9() { :; }", "f0", "exec getty")
    assert any("runs too deep in others" in doubt for doubt in start.doubts)
    assert not init(*calls[3:], "f9() { :; }", "f3", "exec getty").doubts


@pytest.mark.parametrize(
    ("lines", "device", "kinds", "points"),
    [
        (("mount -t ext4 /dev/a /mnt",), "/dev/a", ("ext4",), ("/mnt",)),
        (("mount -o ro -t ext4 /dev/a /x/../mnt/",), "/dev/a", ("ext4",), ("/mnt",)),
        (
            (
                "mount -t squashfs /dev/a /ro",
                "mount -t overlay -o ro,lowerdir=/ro,workdir=/w o /mnt",
            ),
            "/dev/a",
            ("overlay", "squashfs"),
            ("/mnt", "/ro"),
        ),
        (("mount LABEL=a /ro", "mount --bind /ro /mnt"), "LABEL=a", (), ("/mnt", "/ro")),
        (("mount /dev/a /ro", "mount -M /ro /mnt"), "/dev/a", (), ("/mnt", "/ro")),
        (("mount /dev/a /ro", "mount -o bind,ro /ro /mnt"), "/dev/a", (), ("/mnt", "/ro")),
        (("mount /ro /mnt",), None, (), ("/mnt",)),
        (("mount --bind /mnt /ro", "mount --bind /ro /mnt"), None, (), ("/mnt", "/ro") * 4),
        (("mount --bind /other /mnt",), None, (), ("/mnt", "/other")),
    ],
)
def test_a_new_root_is_seen_through_what_it_is_mounted_on(
    lines: tuple[str, ...], device: str | None, kinds: tuple[str, ...], points: tuple[str, ...]
) -> None:
    """Source: mount(8), bind mounts; Linux Documentation/filesystems/overlayfs.rst."""
    switch = init(*lines, "exec switch_root /mnt /sbin/init").switch
    assert switch is not None
    assert (switch.device, switch.kinds, switch.points) == (device, kinds, points)


def test_what_cannot_mount_or_leave_ends_the_start() -> None:
    script = "#!/bin/sh\nmount /dev/a /mnt\nexec switch_root /mnt /sbin/init\n"
    start = followed({"init": file(script, 0o755), "bin/mount": directory()})
    assert absent(start) == [("mount", 2, True)]
    start = followed({"init": file(script, 0o755), "sbin/switch_root": directory()})
    assert absent(start) == [("switch_root", 3, True)]
    assert start.switch is None


def test_other_ways_to_leave() -> None:
    away = init("pivot_root /mnt /mnt/old", "exec chroot . /sbin/init", sbin__pivot_root=PROGRAM)
    assert away.switch is not None
    assert (away.switch.device, away.switch.init) == (None, None)
    units = followed({"init": link("sbin/systemd"), "sbin/systemd": PROGRAM})
    assert units.switch is not None
    assert units.switch.asks  # its units mount what root= says
    assert not units.stops


def test_programs_that_a_script_runs_are_followed() -> None:
    more = {
        "etc__rc": file("#!/bin/sh\n. /lib/one\ntide\n", 0o755),
        "lib__one": file("mount -t proc p /proc\nreturn\ngauge\n"),
        "etc__d__S1": file("#!/bin/sh\ndepth\n", 0o755),
    }
    for line in ("sh /etc/rc", "/etc/rc"):
        start = init(line, "exec getty", **more)
        assert [item.program for item in start.absent] == ["tide"]
        assert set(start.mounted) == {"/proc"}
        assert start.scripts == ("/init", "/etc/rc", "/lib/one")
    parts = {"bin/run-parts": PROGRAM, "etc/d/S1": more["etc__d__S1"]}
    script = file("#!/bin/sh\nrun-parts /etc/d\nexec getty\n", 0o755)
    assert [item.program for item in followed({"init": script, **parts}).absent] == ["depth"]
    table = file("# what\n\ntmpfs /data tmpfs rw 0 0\nshort line\n")
    assert set(init("mount -a", "exec getty", etc__fstab=table).mounted) == {"/data"}


@pytest.mark.parametrize(
    ("files", "doubt"),
    [
        ({"init": file("#!/usr/bin/lua\n", 0o755)}, "/init is a script of lua"),
        ({"init": file("#!/bin/sh\nif\n", 0o755)}, "/init was not followed: line "),
        ({"init": file("#!/bin/sh\n. /init\n", 0o755)}, "scripts run each other too deep"),
        ({"init": file("#!/bin/sh\n/init\n", 0o755)}, "scripts run each other too deep"),
        (
            {"init": file("#!/bin/sh\n. /lib/x\n", 0o755), "lib/x": file("done\n")},
            "/lib/x was not followed: line 1",
        ),
        (
            {"init": PROGRAM, "etc/inittab": file("::sysinit:if\n")},
            "/etc/inittab:1 was not followed: if",
        ),
        (
            {
                "init": file(
                    "#!/bin/sh\n"
                    + "for a in 1 2 3 4 5 6 7 8 9 10; do\n" * 5
                    + "true\n"
                    + "done\n" * 5,
                    0o755,
                )
            },
            "take too many steps",
        ),
    ],
)
def test_what_is_not_followed_is_told_and_ends_nothing(
    files: Mapping[str, Entry], doubt: str
) -> None:
    start = followed(files)
    assert any(doubt in said for said in start.doubts), start.doubts
    assert not any(item.fatal for item in start.absent)


def test_busybox_init_without_a_table_runs_its_script() -> None:
    """Source: BusyBox init/init.c, parse_inittab: ::sysinit:/etc/init.d/rcS is the default."""
    box = file(elf.program(b"\0BusyBox v1.36.1\0ash\0cat\0getty\0init\0mount\0sh\0\0"), 0o755)
    files = {"init": link("bin/busybox"), "bin/busybox": box}
    script = file("#!/bin/sh\ntide\n", 0o755)
    assert absent(followed({**files, "etc/init.d/rcS": script})) == [("tide", 2, False)]
    own = {**files, "etc/init.d/rcS": script, "etc/inittab": file("::respawn:gauge\n")}
    assert absent(followed(own)) == [("gauge", 1, False)]


def test_what_is_looked_for_may_have_been_made() -> None:
    script = ("which tide && tide", "exec getty")
    assert not init(*script, bin__which=PROGRAM).absent
    assert not init("[ -x /bin/tide ] && tide", "exec getty").absent
    made = init("cp /x /bin/tide", "command -v tide && tide", "exec getty", bin__cp=PROGRAM)
    assert [item.program for item in made.absent] == ["tide"]


def test_a_table_of_init_is_followed_as_processes_that_it_starts() -> None:
    table = "::sysinit:/etc/rc\n::respawn:-/bin/sh\n"
    start = followed(
        {
            "init": PROGRAM,
            "etc/inittab": file(table),
            "etc/rc": file("#!/bin/sh\nset -e\ntide\nexec gauge\n", 0o755),
        }
    )
    assert absent(start) == [("tide", 3, False), ("gauge", 4, False)]
    assert not start.stops


@given(st.text(alphabet="a$\"'`(){};&|<>\n \\#=if then fi do done case esac [ ] ! x", max_size=80))
def test_any_text_is_read_or_refused(text: str) -> None:
    start = followed({"init": file(f"#!/bin/sh\n{text}", 0o755)})
    with contextlib.suppress(sh.ShellError):
        sh.parse(f"#!/bin/sh\n{text}")
        assert not any(" was not followed: line " in doubt for doubt in start.doubts)


@pytest.mark.parametrize(
    ("lines", "early"),
    [
        (("mdev -s", *(f"mount -t x x /{p}" for p in ("proc", "sys", "dev"))), {"/sys", "/dev"}),
        (("mount -t sysfs s /sys", "mdev -s", "mount -t devtmpfs d /dev"), {"/dev"}),
        (("mount -t sysfs s /sys", "mount -t devtmpfs d /dev", "mdev -s"), set()),
        (('if [ -n "$x" ]; then mdev -s; fi', "mount -t sysfs s /sys"), set()),
        (("mdev -s",), set()),  # what is never mounted is another finding
        (("sysctl -p", "mount -t proc p /proc"), {"/proc"}),
    ],
)
def test_what_looks_before_it_is_mounted(lines: tuple[str, ...], early: set[str]) -> None:
    start = init(*lines, "exec getty", sbin__mdev=PROGRAM, sbin__sysctl=PROGRAM)
    assert {point for _, point in start.early} == early


@pytest.mark.parametrize(
    ("line", "device"),
    [
        ("until mount PARTLABEL=data /mnt; do sleep 1; done", "PARTLABEL=data"),
        ("while ! findfs LABEL=data; do sleep 1; done", "LABEL=data"),
        ("until mount -o ro /dev/mmcblk0p1 /mnt; do sleep 1; done", "/dev/mmcblk0p1"),
        ("until mount /dev/mtdblock3 /mnt; do sleep 1; done", None),
        ("for n in 1 2 3; do mount PARTLABEL=data /mnt && break; sleep 1; done", None),
    ],
)
def test_what_is_waited_for_without_an_end(line: str, device: str | None) -> None:
    start = init(line, "exec getty", bin__findfs=PROGRAM)
    assert [found for _, found in start.waits] == ([] if device is None else [device])


def test_modules_are_loaded_in_functions_loops_and_files_that_are_read_in() -> None:
    start = init(
        ". /lib/functions",
        "for m in tide gauge; do load $m; done",
        "load depth",
        "exec getty",
        lib__functions=file('load() {\n  modprobe "$1"\n}\nmodprobe early\n'),
        sbin__modprobe=PROGRAM,
    )
    assert [word for _, word in start.loads] == ["early", "tide", "gauge", "depth"]
