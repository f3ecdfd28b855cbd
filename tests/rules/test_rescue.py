from __future__ import annotations

import stat
from dataclasses import replace
from pathlib import Path

import pytest

from imgaudit.arches import ARCHES
from imgaudit.contents.build import FolderStore
from imgaudit.contents.reader import Loader
from imgaudit.demo import rescue
from imgaudit.demo.build import FAULTS, build
from imgaudit.files import Folder
from imgaudit.layout.load import load
from imgaudit.rescue.needs import GROUPS
from imgaudit.rescue.stage import rescue_alone
from imgaudit.rules import checks
from imgaudit.rules import rescue as rules
from imgaudit.rules.engine import Severity
from imgaudit.rules.subject import gather
from imgaudit.tasks import audit
from imgaudit.writers import elf
from imgaudit.writers.cpio import cpio
from imgaudit.writers.tree import Entry, Root, directory, file, link
from tests.rescue._ramdisk import INSTALLERS
from tests.rules._rescue import CHECKS, audited, findings, rescued, said

TREE = rescue.ramdisk()
DYNAMIC = {f"/{path}": needed for path, needed in rescue._TOOLS.items()}
LINKS = {f"/{path}": target for path, target in rescue._LINKS.items()}
CAUSES = {
    "applet-missing",
    "init-cannot-run",
    "init-missing",
    "init-not-executable",
    "interpreter-missing",
    "library-missing",
    "loader-missing",
    "no-way-in",
    "program-damaged",
    "program-wrong-machine",
    "root-login-impossible",
    "support-file-missing",
    "symbol-version-missing",
    "tool-link-dangling",
    "tool-not-executable",
}


def closure(needed: tuple[str, ...]) -> set[str]:
    """Follow the demo's own table of libraries."""
    names = set(needed)
    for name in needed:
        names |= closure(rescue._LIBRARIES.get(name, ()))
    return names


def users(library: str) -> set[str]:
    """Name the tools that need a library, by the demo's own tables."""
    paths = {path for path, needed in DYNAMIC.items() if library in closure(needed)}
    found = {Path(path).name for path in paths}
    for path, target in LINKS.items():
        folder = Path(path).parent
        if str((folder / target).resolve()) in paths or str(folder / target) in paths:
            found.add(Path(path).name)
    return found


def test_the_demo_ramdisk_is_sound() -> None:
    result = audited(rescued(cpio(TREE, 0)))
    assert result.findings == ()
    assert {item.rule for item in result.not_checked} == {
        "kernel-option-missing",
        "ramdisk-needs-too-much-memory",
    }


@pytest.mark.parametrize("library", [*rescue._LIBRARIES, elf.LOADER])
def test_each_library_is_missed_with_the_tools_that_it_kills(library: str) -> None:
    path = library.lstrip("/") if "/" in library else f"lib/{library}"
    tree = {name: entry for name, entry in TREE.items() if name != path}
    killed = users(Path(library).name)
    if "/" in library:
        killed = {name for tool in DYNAMIC for name in users(DYNAMIC[tool][0])}
    found = findings(tree)
    if library == "libcrypt.so.1":  # only dropbear, which is good to have
        assert [item.severity for item in found] == [Severity.WARNING]
    causes = [item for item in found if item.rule.name in {"library-missing", "loader-missing"}]
    assert found == causes
    named = {name for item in causes for name in item.values["killed"]}
    assert named == killed
    assert any(item.values["subject"] in {library, Path(library).name} for item in causes)
    assert len([item for item in causes if item.severity is Severity.ERROR]) == (
        library != "libcrypt.so.1"
    )


@pytest.mark.parametrize(
    "path",
    [
        path
        for path, entry in TREE.items()
        if stat.S_ISREG(entry.mode) and entry.mode & 0o111 == 0o111
    ],
)
def test_each_mode_bit_is_missed(path: str) -> None:
    entry = TREE[path]
    dull = replace(entry, mode=stat.S_IFREG | 0o644)
    found = findings({**TREE, path: dull})
    names = {item.rule.name for item in found}
    what = f"/{path}"
    if path.startswith("lib/") and path != elf.LOADER.lstrip("/"):
        assert not names  # a library is mapped, not executed
    elif path == elf.LOADER.lstrip("/"):
        assert names == {"loader-missing"}
    elif path == "init":
        assert names == {"init-not-executable"}
    elif path.endswith("default.script"):
        assert names == {"support-file-missing"}
    elif path == "etc/init.d/rcS":
        assert not names  # busybox init hands it to the shell
    else:
        subjects = {item.values.get("subject") for item in found}
        assert "tool-not-executable" in names
        assert what in subjects
    if path == "bin/busybox":
        killed = next(item for item in found if item.rule.name == "tool-not-executable")
        assert {"sh", "mount", "init", "ip"} <= set(killed.values["killed"])
        assert killed.severity is Severity.ERROR


def test_what_nothing_needs_is_no_error() -> None:
    spare: Root = {
        "lib/libspare.so.1": file(elf.library("libspare.so.1"), 0o755),
        "usr/bin/spare": file(elf.dynamic_program(("libspare.so.1",)), 0o755),
    }
    assert said(TREE | spare) == []
    assert said(TREE | {"usr/bin/spare": spare["usr/bin/spare"]}) == [
        ("warning", "library-missing")
    ]
    assert said(TREE | {"lib/libspare.so.1": spare["lib/libspare.so.1"]}) == []


def test_one_cause_is_one_finding() -> None:
    tree = {name: entry for name, entry in TREE.items() if name != "lib/libc.so.6"}
    (finding,) = findings(tree)
    assert finding.rule.name == "library-missing"
    assert {"e2fsck", "mke2fs", "sfdisk", "blkid", "dropbear"} <= set(finding.values["killed"])
    assert "more cannot run" in finding.message


def test_many_idle_causes_are_told_together() -> None:
    broken: Root = {f"usr/bin/tide{n}": file(f"#!/usr/bin/none{n}\n", 0o755) for n in range(40)}
    found = findings(TREE | broken)
    assert [item.rule.name for item in found] == ["interpreter-missing"]
    assert len(found[0].values["killed"]) == 40


def test_a_broken_tool_beside_a_sound_alternative_is_a_warning() -> None:
    changed = TREE | {"usr/sbin/flashcp": file("#!/bin/none\n", 0o755)}
    assert said(changed) == [("warning", "interpreter-missing")]


def test_init_behind_a_missing_interpreter() -> None:
    found = findings(TREE | {"init": file("#!/bin/bash\n", 0o755)})
    assert [item.rule.name for item in found] == ["init-cannot-run"]
    assert "#!/bin/bash" in found[0].message


def test_init_that_is_a_dangling_link() -> None:
    found = said(TREE | {"init": link("sbin/none")})
    assert ("error", "init-missing") in found


def test_a_directory_instead_of_init() -> None:
    assert said({**TREE, "init": directory()}) == [("error", "init-not-executable")]


def test_the_fdisk_of_busybox_does_not_count() -> None:
    changed: dict[str, Entry] = {n: e for n, e in TREE.items() if n != "sbin/sfdisk"}
    names = (*(name.rsplit("/")[-1] for name in TREE if TREE[name].data.endswith(b"busybox")),)
    table = b"".join(name.encode() + b"\0" for name in sorted({*names, "fdisk", "[", "[["}))
    box = elf.program(b"\0BusyBox v1.37.0\0" + table + b"\0")
    changed |= {"bin/busybox": file(box, 0o755), "sbin/fdisk": link("../bin/busybox")}
    (finding,) = findings(changed)
    assert finding.rule.name == "tool-missing"
    assert "cannot write one" in finding.message


def test_a_script_that_calls_a_missing_applet() -> None:
    script = file("#!/bin/sh\nbusybox tunctl -d tap0\n", 0o755)
    (finding,) = findings(TREE | {"etc/init.d/tides": script})
    assert (finding.rule.name, finding.severity) == ("applet-missing", Severity.WARNING)
    assert "/etc/init.d/tides:2" in finding.message
    init = file(TREE["init"].data.decode() + "busybox tunctl -d tap0\n", 0o755)
    assert ("error", "applet-missing") in said(TREE | {"init": init})


@pytest.mark.parametrize(
    "name", [name for name, fault in FAULTS.items() if fault.finding in CHECKS]
)
def test_the_planted_faults_are_found(name: str, tmp_path: Path) -> None:
    fault = FAULTS[name]
    path = build(tmp_path, name)
    with Loader() as loader:
        subject = gather(load(str(path)), FolderStore(Folder(str(tmp_path)), loader))
    result = audit.run(subject, only=CHECKS.values())
    assert {item.rule.name for item in result.findings} == {fault.finding}
    assert {item.region for item in result.findings} == {fault.region}


def test_the_sound_build(tmp_path: Path) -> None:
    path = build(tmp_path)
    with Loader() as loader:
        subject = gather(load(str(path)), FolderStore(Folder(str(tmp_path)), loader))
    result = audit.run(subject, only=CHECKS.values())
    assert (result.findings, result.not_checked) == ((), ())
    facts = subject.rescues["recovery"].facts
    assert facts is not None
    assert (len(facts.groups), all(group.met for group in facts.groups)) == (15, True)


@pytest.mark.oracle
@pytest.mark.parametrize("arch", INSTALLERS)
def test_a_packaged_ramdisk_runs_what_it_has(arch: str) -> None:
    # Debian's installer works: nothing that it brings may be called unable to run.
    with Loader() as loader:
        artifact = loader.file(str(INSTALLERS[arch]))
    found = rescue_alone(artifact, arch=arch)
    assert found.facts is not None
    names = {item.rule.name for item in audited(found).findings}
    assert not names & CAUSES
    assert names == {
        "link-dangling",  # libslang.so.2
        "modes-out-of-the-ordinary",  # setuid rdisc6, setgid screen, /tmp
        "module-firmware-missing",
        "modules-dep-missing",  # made at boot
        "tool-missing",  # it is an installer, not a rescue
    }
    missing = {item.values["what"] for item in audited(found).findings if "what" in item.values}
    assert "make an ext4 file system" in missing
    assert "get an address" not in missing


def test_every_rule_of_a_rescue_is_known() -> None:
    assert len(CHECKS) >= 40
    assert CHECKS.items() <= checks().items()


def test_each_option_that_is_asked_for_has_its_place_in_linux() -> None:
    asked = {option.symbol for group in GROUPS for option in group.kernel}
    asked |= {target.compat_option.removeprefix("CONFIG_") for target in ARCHES.values()} - {""}
    known = {name for names in rules.KCONFIG.values() for name in names}
    assert asked - known == set()
