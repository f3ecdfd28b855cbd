from __future__ import annotations

import itertools
import posixpath
import re
import shutil
import subprocess
from collections.abc import Mapping
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.ramdisk import root as roots
from imgaudit.ramdisk.root import Root
from imgaudit.rescue import runnable
from imgaudit.rescue.runnable import Runner, Verdict, read_cache
from tests.conftest import Chroot
from tests.formats._cpio import archive, member, program
from tests.rescue._elf import ARM, RISCV, X86, X86_64, elf
from tests.rescue._ramdisk import busybox_text, installer, root, tree

LOADER = "/lib/ld-linux-aarch64.so.1"
MUSL = "/lib/ld-musl-aarch64.so.1"
DIRS = b"/lib/aarch64-linux-gnu/\0/usr/lib/aarch64-linux-gnu/\0/lib/\0/usr/lib/\0"
BASE: dict[str, bytes | str] = {
    "lib/ld-linux-aarch64.so.1": elf(soname="ld-linux-aarch64.so.1", tail=DIRS),
    "lib/libc.so.6": elf(soname="libc.so.6", defines=("GLIBC_2.17", "GLIBC_2.34")),
}


def prog(
    *needed: str,
    wants: Mapping[str, tuple[str, ...]] | None = None,
    rpath: str | None = None,
    runpath: str | None = None,
) -> bytes:
    return elf(interpreter=LOADER, needed=needed, wants=wants, rpath=rpath, runpath=runpath)


def verdict(files: Mapping[str, bytes | str], path: str = "/bin/p", arch: str = "arm64") -> Verdict:
    return Runner(tree(files), arch).verdict(path)


def reason(files: Mapping[str, bytes | str], path: str = "/bin/p") -> tuple[str, str]:
    found = verdict(files, path)
    assert found.runs is False
    return found.reasons[0].kind, found.reasons[0].subject


def reason_kind(files: Mapping[str, bytes | str]) -> str:
    return verdict(files).reasons[0].kind


def test_a_dynamic_program_with_everything() -> None:
    found = verdict({**BASE, "bin/p": prog("libc.so.6", wants={"libc.so.6": ("GLIBC_2.17",)})})
    assert found == Verdict(True, (), (LOADER, "/lib/libc.so.6"))


def test_a_static_program() -> None:
    assert verdict({"bin/p": elf(kind=2)}) == Verdict(True)


def test_what_is_not_there_or_no_program() -> None:
    assert reason({}) == ("missing", "/bin/p")
    assert reason({"bin/p": "../nowhere"}) == ("missing", "/nowhere")
    assert reason({"bin/p/x": b""}) == ("not-a-file", "/bin/p")
    assert reason({"bin/p": b""}) == ("empty", "/bin/p")
    assert reason({"bin/p": b"echo"}) == ("no-shebang", "/bin/p")
    assert reason({"bin/p": b"\x7fELF"}) == ("damaged", "/bin/p")
    assert reason({"bin/p": elf(kind=1)}) == ("damaged", "/bin/p")


def test_mode_bits() -> None:
    found = Runner(root(archive(program("p", elf(kind=2), 0o644))), "arm64").verdict("/p")
    assert found.reasons[0].kind == "mode"
    assert found.reasons[0].chain == "/p has mode 644, without x"


@pytest.mark.parametrize(
    ("line", "kind"),
    [
        (b"#!/bin/sh\n", None),
        (b"#! /bin/sh -e\n", None),
        (b"#!\t/bin/sh\t-e x\n", None),
        (b"#!/bin/sh", None),
        (b"#!/usr/bin/env sh\n", None),
        (b"#!/usr/bin/env -S sh -e\n", None),
        (b"#!/bin/bash\n", "interpreter"),
        (b"#!/bin/sh\r\n", "interpreter"),
        (b"#!/usr/bin/env sh\r\n", "interpreter"),
        (b"#!/usr/bin/env python3\n", "interpreter"),
        (b"#!\n", "interpreter"),
        (b"#!/" + b"x" * 300 + b"\n", "interpreter"),
        (b"#!/etc/passwd\n", "no-shebang"),
    ],
)
def test_shebang_lines(line: bytes, kind: str | None) -> None:
    # Linux fs/binfmt_script.c.
    files: dict[str, bytes | str] = {
        "bin/sh": elf(kind=2),
        "usr/bin/env": elf(kind=2),
        "etc/passwd": b"root",
        "bin/p": line,
    }
    found = verdict(files)
    assert found.runs is (kind is None)
    assert [item.kind for item in found.reasons] == ([] if kind is None else [kind])


def test_five_interpreters_of_interpreters_and_no_more() -> None:
    # Linux fs/exec.c, exec_binprm(): depth > 5 gives ELOOP.
    files: dict[str, bytes | str] = {"s0": elf(kind=2)}
    files.update({f"s{number}": f"#!/s{number - 1}\n".encode() for number in range(1, 7)})
    assert verdict(files, "/s5").runs is True
    assert reason(files, "/s6")[0] == "depth"
    assert reason({"s": b"#!/s\n"}, "/s")[0] == "depth"


@pytest.mark.parametrize(
    ("arch", "data", "kind"),
    [
        ("arm64", elf(X86_64, kind=2), "machine"),
        ("arm64", elf(kind=2, big=True), "width"),
        ("arm64", elf(ARM, bits=32, kind=2, flags=0x5000400), "compat"),
        ("x86-64", elf(X86, bits=32, kind=2), "compat"),
        ("x86-64", elf(kind=2), "machine"),
        ("arm", elf(kind=2), "machine"),
        ("riscv64", elf(RISCV, bits=32, kind=2), "width"),
        ("riscv64", elf(RISCV, kind=2, flags=5), None),
        ("arm", elf(ARM, bits=32, kind=2, flags=0x5000400), None),
        ("x86-64", elf(X86_64, kind=2), None),
    ],
)
def test_machines(arch: str, data: bytes, kind: str | None) -> None:
    found = verdict({"bin/p": data}, arch=arch)
    assert [item.kind for item in found.reasons] == ([] if kind is None else [kind])
    assert found.runs is {None: True, "compat": None}.get(kind, False)


def test_loaders() -> None:
    assert reason({"bin/p": prog()}) == ("loader", LOADER)
    assert reason({"bin/p": prog(), LOADER[1:]: elf(X86_64)}) == ("loader", LOADER)
    assert reason({"bin/p": prog(), LOADER[1:]: b"text"}) == ("loader", LOADER)
    parts = [member("lib", mode=0o40755), program(LOADER[1:], elf(), 0o644), program("p", prog())]
    assert Runner(root(archive(*parts)), "arm64").verdict("/p").reasons[0].kind == "loader"


def test_a_library_of_a_library_is_named_with_its_chain() -> None:
    found = verdict({**BASE, "bin/p": prog("liba.so"), "lib/liba.so": elf(needed=("libb.so",))})
    assert found.runs is False
    assert found.reasons[0].subject == "libb.so"
    assert found.reasons[0].chain == "/bin/p -> liba.so -> libb.so"


@pytest.mark.parametrize(
    ("place", "program_more", "library_more", "runs"),
    [
        # ld.so(8): DT_RPATH is inherited, DT_RUNPATH is not, and hides the object's own RPATH.
        ("opt/libb.so", {"rpath": "/opt"}, {}, True),
        ("opt/libb.so", {"runpath": "/opt"}, {}, False),
        ("opt/libb.so", {}, {"runpath": "/opt"}, True),
        ("opt/libb.so", {}, {"rpath": "/opt"}, True),
        ("opt/libb.so", {"rpath": "/opt"}, {"runpath": "/x"}, False),
        ("opt/libb.so", {"rpath": "/opt", "runpath": "/x"}, {}, False),
        ("bin/libb.so", {"rpath": "/x:$ORIGIN"}, {}, True),
        ("lib/x/libb.so", {}, {"runpath": "${ORIGIN}/x"}, True),
        ("opt/lib/libb.so", {"rpath": "/opt/$LIB"}, {}, True),
        ("usr/lib/aarch64-linux-gnu/libb.so", {}, {}, True),
        ("lib64/libb.so", {}, {}, False),
    ],
)
def test_where_libraries_are_searched(
    place: str, program_more: dict[str, str], library_more: dict[str, str], runs: bool
) -> None:
    files = {
        **BASE,
        "bin/p": prog(
            "liba.so", rpath=program_more.get("rpath"), runpath=program_more.get("runpath")
        ),
        "lib/liba.so": elf(
            needed=("libb.so",),
            rpath=library_more.get("rpath"),
            runpath=library_more.get("runpath"),
        ),
        place: elf(),
    }
    assert verdict(files).runs is runs


def test_a_loader_that_tells_no_directories_has_the_usual_ones() -> None:
    files = {"bin/p": prog("liba.so"), LOADER[1:]: elf(), "lib64/liba.so": elf()}
    assert verdict(files).libraries == (LOADER, "/lib64/liba.so")


def test_the_gnu_loader_reads_the_cache_and_not_its_configuration() -> None:
    files = {
        **BASE,
        "bin/p": prog("liba.so"),
        "opt/liba.so": elf(),
        "etc/ld.so.conf": b"# comment\ninclude /etc/ld.so.conf.d/*.conf\n",
        "etc/ld.so.conf.d/opt.conf": b"/opt\n",
    }
    assert reason(files) == ("not-cached", "liba.so")
    assert verdict({**files, "etc/ld.so.cache": cache({"liba.so": "/opt/liba.so"})}).runs is True


def cache(entries: dict[str, str]) -> bytes:
    """glibc sysdeps/generic/dl-cache.h: struct cache_file_new and struct file_entry_new."""
    head = b"glibc-ld.so.cache1.1" + len(entries).to_bytes(4, "little")
    at = 48 + 24 * len(entries)
    table, strings = b"", b""
    for pair in entries.items():
        places = []
        for text in pair:
            places.append(at + len(strings))
            strings += text.encode() + b"\0"
        table += b"".join(value.to_bytes(4, "little") for value in (3, *places, 0, 0, 0))
    return head + len(strings).to_bytes(4, "little") + b"\2" + bytes(19) + table + strings


@given(st.binary(max_size=200))
def test_any_cache(data: bytes) -> None:
    read_cache(data)
    read_cache(b"glibc-ld.so.cache1.1" + data)


def test_musl_searches_its_own_way() -> None:
    files: dict[str, bytes | str] = {
        "bin/p": elf(interpreter=MUSL, needed=("libc.musl-aarch64.so.1", "liba.so")),
        MUSL[1:]: elf(),
        "usr/local/lib/liba.so": elf(needed=("libm.so.6",)),
    }
    assert verdict(files).libraries == (MUSL, "/usr/local/lib/liba.so")
    files["etc/ld-musl-aarch64.path"] = b"/opt\n/srv\n"
    assert reason(files) == ("library", "liba.so")
    assert verdict({**files, "srv/liba.so": elf()}).runs is True
    inherited = {
        **files,
        "bin/p": elf(interpreter=MUSL, needed=("liba.so",), runpath="/r"),
        "r/liba.so": elf(needed=("libb.so",)),
        "r/libb.so": elf(),
    }
    assert verdict(inherited).runs is True


def test_libraries_of_another_kind_are_passed_over() -> None:
    files = {**BASE, "bin/p": prog("liba.so"), "lib/aarch64-linux-gnu/liba.so": elf(X86_64)}
    assert reason(files) == ("library", "liba.so")
    assert verdict({**files, "lib/liba.so": elf()}).runs is True
    assert reason({**files, "lib/liba.so": b"GROUP ( libc.so.6 )"}) == ("library", "liba.so")


def test_float_abi() -> None:
    loader = "/lib/ld-linux-armhf.so.3"
    files: dict[str, bytes | str] = {
        "bin/p": elf(ARM, bits=32, flags=0x5000400, interpreter=loader, needed=("liba.so",)),
        loader[1:]: elf(ARM, bits=32, flags=0x5000400),
        "lib/liba.so": elf(ARM, bits=32, flags=0x5000200),
    }
    found = verdict(files, arch="arm")
    assert [item.kind for item in found.reasons] == ["float-abi"]
    files["lib/liba.so"] = elf(ARM, bits=32, flags=0x5000400)
    assert verdict(files, arch="arm").runs is True


def test_versions() -> None:
    wants = {"libc.so.6": ("GLIBC_2.17", "GLIBC_2.38")}
    files = {**BASE, "bin/p": prog("libc.so.6", wants=wants)}
    assert reason(files) == ("version", "libc.so.6 GLIBC_2.38")
    assert verdict({**files, "lib/libc.so.6": elf()}).runs is True


def test_sonames_of_loaded_objects_count() -> None:
    files = {
        **BASE,
        "bin/p": prog("/opt/liba-1.so", "libb.so"),
        "opt/liba-1.so": elf(soname="liba.so"),
        "lib/libb.so": elf(needed=("liba.so", "ld-linux-aarch64.so.1")),
    }
    assert verdict(files).libraries == (LOADER, "/opt/liba-1.so", "/lib/libb.so")


def test_applets_by_link_hard_link_and_script() -> None:
    box = elf(kind=2, tail=busybox_text())
    files: dict[str, bytes | str] = {
        "bin/busybox": box,
        "bin/sh": "busybox",
        "bin/vi": "busybox",
        "bin/script": b"#!/bin/sh\n",
        "bin/other": b"#!/bin/vi\n",
        "bin/busybox.static": box,
    }
    runner = Runner(tree(files), "arm64")
    assert runner.verdict("/bin/sh").runs is True
    assert runner.verdict("/bin/busybox").runs is True
    assert runner.verdict("/bin/busybox.static").runs is True
    assert runner.verdict("/bin/script").runs is True
    lacking = runner.verdict("/bin/vi")
    assert (lacking.runs, lacking.reasons[0].kind) == (False, "applet")
    assert runner.verdict("/bin/other").reasons[0].subject == "vi"
    hard = [member(name, box, 0o100755, ino=4, nlink=2) for name in ("busybox", "ls", "fdisk")]
    linked = Runner(root(archive(*hard)), "arm64")
    assert linked.verdict("/ls").runs is True
    assert linked.verdict("/fdisk").runs is False


def test_applets_in_a_library() -> None:
    files = {
        **BASE,
        "bin/busybox": prog("libbusybox.so.1.36.1"),
        "lib/libbusybox.so.1.36.1": elf(tail=busybox_text()),
        "bin/ls": "busybox",
        "bin/vi": "busybox",
    }
    assert verdict(files, "/bin/ls").runs is True
    assert reason(files, "/bin/vi") == ("applet", "vi")


def test_the_commands_of_another_multi_call_program_are_unknown() -> None:
    found = verdict({"bin/toybox": elf(kind=2), "bin/ls": "toybox"}, "/bin/ls")
    assert found.runs is None
    assert found.reasons[0].kind == "multi-call"


def test_the_way_to_a_program_stands_before_its_reasons() -> None:
    found = verdict(
        {"bin/busybox": prog("libc.so.6"), LOADER[1:]: elf(), "bin/ls": "busybox"}, "/bin/ls"
    )
    assert found.reasons[0].chain == "/bin/ls -> /bin/busybox -> libc.so.6"


def test_the_search_path_takes_the_first_executable() -> None:
    parts = [member(name, mode=0o40755) for name in ("a", "b", "c")]
    parts += [
        program("a/t", b"", 0o644),
        program("b/t"),
        program("c/t"),
        program("a/u", b"", 0o644),
    ]
    runner = Runner(root(archive(*parts)), "arm64")
    assert runner.find("t", "/a:/b:/c") == "/b/t"
    assert runner.find("u", "/c:/a") == "/a/u"
    assert runner.find("v", "/a") is None


@given(st.lists(st.sampled_from(["liba.so", "libb.so", "libc.so.6", "libd.so"]), max_size=4))
def test_loops_of_libraries_end(needed: list[str]) -> None:
    files = {**BASE, "bin/p": prog(*needed)}
    for name in ("liba.so", "libb.so"):
        files[f"lib/{name}"] = elf(needed=("liba.so", "libb.so", *needed))
    assert verdict(files).runs is ("libd.so" not in needed)


def test_absurd_needs_are_bounded() -> None:
    needed = tuple(f"lib{number}.so" for number in range(1000))
    found = verdict({**BASE, "bin/p": prog(*needed)})
    assert found.runs is False
    assert len(found.reasons) <= 1000


@pytest.mark.parametrize("work", [-1, 30, 80])
def test_what_was_not_read_is_unknown(work: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(runnable, "WORK", work)
    found = verdict({**BASE, "bin/p": prog("liba.so", "libb.so"), "lib/liba.so": elf()})
    assert found.runs is None
    assert [item.kind for item in found.reasons] == ["bound"]


def test_lookups_that_were_not_made_are_unknown(monkeypatch: pytest.MonkeyPatch) -> None:
    kinds = []
    for steps in range(1, 60):
        monkeypatch.setattr(roots, "STEPS", steps)
        kinds.append(reason_kind({LOADER[1:]: elf(), "bin/p": prog("liba.so")}))
    enough = kinds.index("library")
    assert set(kinds[:enough]) == {"bound"}
    assert set(kinds[enough:]) == {"library"}


def _real(tmp_path: Path, programs: list[str]) -> tuple[Path, dict[str, list[str]]]:
    """Assemble a root from this system's programs and what lddtree says that they load."""
    top = tmp_path / "root"
    closures = {}
    for name in programs:
        listed = subprocess.run(
            ["/usr/bin/python3", "/usr/bin/lddtree", "--list", name],
            capture_output=True,
            check=True,
            text=True,
        ).stdout.split()
        closures[name] = listed[1:]
        for path in listed:
            copy = top / path[1:]
            copy.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(path, copy)
    return top, closures


def _packed(top: Path) -> Root:
    names = "\n".join(str(path.relative_to(top)) for path in sorted(top.rglob("*")))
    packed = subprocess.run(
        ["cpio", "-o", "--quiet", "-H", "newc"],
        input=names.encode(),
        capture_output=True,
        check=True,
        cwd=top,
    )
    return root(packed.stdout)


PROGRAMS = ["/bin/bash", "/usr/bin/xz", "/bin/tar", "/usr/bin/openssl", "/bin/ls", "/bin/gzip"]


@pytest.mark.oracle
def test_the_closure_is_that_of_lddtree(tmp_path: Path) -> None:
    top, closures = _real(tmp_path, PROGRAMS)
    runner = Runner(_packed(top), "x86-64")
    for name, listed in closures.items():
        found = runner.verdict(name)
        assert found.runs is True
        names = {posixpath.basename(path) for path in found.libraries}
        assert names == {posixpath.basename(path) for path in listed}, name


@pytest.mark.oracle
def test_a_program_runs_exactly_when_the_verdict_says_so(tmp_path: Path) -> None:
    top, closures = _real(tmp_path, PROGRAMS)
    pieces = sorted(set(itertools.chain.from_iterable(closures.values())))
    failures = 0
    for piece in [None, *pieces]:
        if piece is not None:
            (top / piece[1:]).rename(tmp_path / "away")
        runner = Runner(_packed(top), "x86-64")
        for name in PROGRAMS:
            run = subprocess.run(
                ["chroot", str(top), name, "version" if name.endswith("openssl") else "--version"],
                capture_output=True,
                check=False,
            )
            found = runner.verdict(name)
            assert found.runs is (run.returncode == 0), (piece, name, run.stderr)
            failures += run.returncode != 0
            if piece is not None and found.runs is False:
                assert {item.subject for item in found.reasons} & {
                    piece,
                    posixpath.basename(piece),
                    "/lib64/ld-linux-x86-64.so.2",
                }
        if piece is not None:
            (tmp_path / "away").rename(top / piece[1:])
    assert failures > len(PROGRAMS)


@pytest.mark.oracle
@pytest.mark.parametrize("arch", ["arm64", "arm"])
def test_the_loader_itself_loads_the_same(arch: str, chroot: Chroot) -> None:
    """LD_TRACE_LOADED_OBJECTS makes the loader of glibc list what it loads and stop (ld.so(8))."""
    found_root = installer(arch)[1]
    runner = Runner(found_root, arch)
    compared = 0
    for path, node in found_root.walk():
        if "/lib" in path or not node.executable or not node.is_elf:
            continue
        facts = runner.facts(node)
        if isinstance(facts, str) or facts.interpreter is None:
            continue
        verdict = runner.verdict(path)
        qemu = [*chroot(arch), "-E", "LD_TRACE_LOADED_OBJECTS=1"]
        run = subprocess.run([*qemu, path], capture_output=True, check=True, text=True)
        traced = set(re.findall(r"(/\S+) \(0x", run.stdout))
        paths = {found_root.resolve(path).path for path in traced}
        assert paths == set(verdict.libraries), path
        assert verdict.runs is ("not found" not in run.stdout)
        compared += 1
    assert compared > 20


@pytest.mark.oracle
@pytest.mark.parametrize("arch", ["arm64", "arm"])
def test_applets_start_exactly_when_the_verdict_says_so(arch: str, chroot: Chroot) -> None:
    found_root = installer(arch)[1]
    runner = Runner(found_root, arch)
    node = found_root.lookup("/bin/busybox")
    assert node is not None
    applets = runner.applets(node)
    assert applets is not None
    for name in (*applets.names, "vi", "fdisk", "telnet", "no-such"):
        # No applet runs on --help; what is not built in says so and gives 127.
        command = [*chroot(arch), "-0", name, "/bin/busybox", "--help"]
        run = subprocess.run(command, capture_output=True, check=False, text=True)
        assert ("applet not found" in run.stderr) is (name not in applets.names), name


@pytest.mark.parametrize("path", ["/lib/ld-linux-aarch64.so.1", "/lib/libc.so.6", "/sbin/tide"])
def test_what_cannot_be_read_is_not_known(path: str) -> None:
    """Data that a file system has packed or encrypted are no damaged program."""
    made = tree({**BASE, "sbin/tide": prog("libc.so.6")})
    assert Runner(made, "arm64").verdict("/sbin/tide").runs
    node = made.lookup(path)
    assert node is not None
    node.stored = None
    verdict = Runner(made, "arm64").verdict("/sbin/tide")
    assert verdict.runs is None
    assert runnable.UNREAD in verdict.reasons[0].chain
