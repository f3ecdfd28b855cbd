"""The main system's root, read out of images that the demo and mke2fs make."""

from __future__ import annotations

import subprocess
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import pytest

from imgaudit.contents.build import MemoryStore
from imgaudit.contents.reader import Loader
from imgaudit.layout.load import parse
from imgaudit.rescue.drivers import State
from imgaudit.rescue.mainroot import MainRoot
from imgaudit.rules.engine import Severity
from imgaudit.rules.main_root import _BUSYBOX, MODULES, system
from imgaudit.rules.subject import gather
from imgaudit.tasks.audit import run
from imgaudit.writers import elf
from imgaudit.writers.kernel import RELEASE
from imgaudit.writers.tree import Entry, directory, file, link
from tests.rescue._ramdisk import installer


def root_of(changes: Mapping[str, Entry | None] | None = None, **files: bytes) -> MainRoot:
    example = system(changes)
    named = {f"{name}.ext4": (lambda data=data: data) for name, data in files.items()}
    with Loader() as loader:
        store = MemoryStore(dict(example.files) | named, loader)
        subject = gather(parse(example.layout.encode(), "board.yaml"), store)
    return subject.roots["rootfs"]


def said(changes: Mapping[str, Entry | None]) -> list[tuple[str, str]]:
    example = system(changes)
    with Loader() as loader:
        store = MemoryStore(example.files, loader)
        found = run(gather(parse(example.layout.encode(), "board.yaml"), store))
    names = ("main-", "fstab-", "root-file")
    return [
        (item.severity.value, item.rule.name)
        for item in found.findings
        if item.rule.name.startswith(names)
    ]


def test_a_sound_root() -> None:
    root = root_of()
    assert root.first is not None
    assert (root.first.reached, root.init_system, root.why) == ("/sbin/init", "a program", "")
    assert (root.files, root.points, root.driver) == (2, (), State.BUILT_IN)
    (mount,) = root.mounts
    assert (mount.region, mount.why, mount.holds, mount.no_point) == ("data", "", "", False)
    assert said({}) == []


@pytest.mark.parametrize(
    ("line", "finding"),
    [
        ("LABEL=data /data ext4 defaults 0 2", None),
        ("UUID=00000000-0000-0000-0000-000000000002 /data ext4 defaults 0 2", None),
        ("/dev/disk/by-label/data /data auto defaults 0 2", None),
        ("/dev/mmcblk0p2 /data ext4 defaults 0 2", None),
        ("tmpfs /dev/shm tmpfs defaults 0 0", None),
        ("tmpfs /data tmpfs defaults 0 0", None),
        ("# PARTLABEL=lost /lost ext4 defaults 0 2", None),
        ("LABEL=records /data ext4 defaults 0 2", ("error", "fstab-device-missing")),
        ("LABEL=records /data ext4 nofail 0 2", ("warning", "fstab-device-missing")),
        ("/dev/mmcblk0p7 /data ext4 defaults 0 2", ("error", "fstab-device-missing")),
        ("PARTLABEL=data /data ext2 defaults 0 2", ("error", "fstab-type-differs")),
        ("PARTLABEL=data /data ext4,vfat defaults 0 2", None),
        ("PARTLABEL=data /lost ext4 defaults 0 2", ("error", "fstab-mount-point-missing")),
        ("PARTLABEL=data /lost ext4 noauto 0 2", ("warning", "fstab-mount-point-missing")),
    ],
)
def test_fstab(line: str, finding: tuple[str, str] | None) -> None:
    assert said({"etc/fstab": file(f"{line}\n")}) == ([] if finding is None else [finding])


def test_a_folder_below_another_mount_is_not_looked_for() -> None:
    lines = "PARTLABEL=data /data ext4 defaults 0 2\ntmpfs /data/cache tmpfs defaults 0 0\n"
    assert said({"etc/fstab": file(lines)}) == []


def test_what_stands_in_for_init() -> None:
    root = root_of({"sbin/init": None, "bin/sh": file(elf.program(), 0o755)})
    assert root.first is not None
    assert root.first.reached == "/bin/sh"
    assert said({"sbin/init": None}) == [("error", "main-init-cannot-run")]
    assert said({"sbin/init": link("../lib/systemd/systemd")}) == [
        ("error", "main-init-cannot-run")
    ]


def test_systemd_makes_its_mount_points() -> None:
    changes: dict[str, Entry | None] = {
        "sbin/init": link("../lib/systemd/systemd"),
        "lib/systemd/systemd": file(elf.program(), 0o755),
        "data": None,
    }
    assert root_of(changes).init_system == "systemd"
    assert said(changes) == [("warning", "fstab-mount-point-missing")]


def test_os_release_and_tools() -> None:
    text = 'ID=whimbrel\nVERSION_ID="1.0.0"\n# no\nnot a line\n'
    root = root_of({"etc/os-release": file(text), "usr/bin/fw_printenv": file(elf.program())})
    assert root.os_release == {"ID": "whimbrel", "VERSION_ID": "1.0.0"}
    assert root.bare_tools == ("/usr/bin/fw_printenv",)


def test_modules_of_any_name_when_the_kernel_is_not_known() -> None:
    root = root_of({"lib/modules/6.1.0": directory()})
    assert root.releases == ("6.1.0",)
    assert ("error", MODULES.name) in said({"lib/modules/6.1.0": directory()})
    assert replace(root.started, kernel=None).release is None


@pytest.mark.oracle
def test_a_root_made_by_mke2fs(tmp_path: Path) -> None:
    """A packaged busybox with its library, put into an image by e2fsprogs."""
    _, packaged = installer("arm64")
    tree = tmp_path / "tree"
    names = ("bin/busybox", "lib/ld-linux-aarch64.so.1", "lib/aarch64-linux-gnu/libc.so.6")
    for name in names:
        node = packaged.lookup(f"/{name}")
        assert node is not None
        path = tree / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(node.data().upto(0, node.size))
        path.chmod(0o755)
    for name in ("dev", "proc", "sys", "sbin", "etc"):
        (tree / name).mkdir()
    (tree / "sbin/init").symlink_to("/bin/busybox")
    (tree / "etc/inittab").write_text("ttyS0::respawn:/sbin/getty -L ttyS0 115200 vt100\n")

    def made() -> MainRoot:
        image = tmp_path / "root.ext4"
        image.unlink(missing_ok=True)
        command = ["mke2fs", "-q", "-t", "ext4", "-d", str(tree), str(image), "8M"]
        subprocess.run(command, check=True)
        return root_of(rootfs=image.read_bytes())

    root = made()
    assert root.first is not None
    assert (root.first.reached, root.init_system) == ("/sbin/init", "busybox")
    assert (root.prompts, root.points) == (True, ())
    (tree / names[2]).unlink()
    root = made()
    assert root.first is not None
    assert root.first.reached is None
    assert "libc.so.6" in root.first.attempts[0].ends


def _module(vermagic: str, *, dep: str = "tide.ko:\n") -> dict[str, Entry | None]:
    folder = f"lib/modules/{RELEASE}"
    return {
        f"{folder}/tide.ko": file(elf.module(name="tide", vermagic=vermagic)),
        f"{folder}/modules.dep": file(dep),
    }


@pytest.mark.parametrize(
    ("vermagic", "found"),
    [(f"{RELEASE} SMP", None), ("6.1.0-other SMP", ("tide.ko", "6.1.0-other")), ("", None)],
)
def test_a_module_says_which_kernel_it_is_for(vermagic: str, found: tuple[str, str] | None) -> None:
    root = root_of(_module(vermagic))
    assert root.vermagic == found
    assert root_of(_module("6.1.0-other", dep="")).vermagic is None


@pytest.mark.parametrize(
    ("kernel", "severity"),
    [(("EXT4_FS",), Severity.ERROR), (("EXT4_FS", "MODVERSIONS"), Severity.WARNING)],
)
def test_a_kernel_with_sums_of_symbols_does_not_ask_for_its_release(
    kernel: tuple[str, ...], severity: Severity
) -> None:
    """Linux kernel/module/version.c, same_magic."""
    example = system(_module("6.1.0-other SMP"), kernel)
    with Loader() as loader:
        store = MemoryStore(example.files, loader)
        found = run(gather(parse(example.layout.encode(), "board.yaml"), store)).findings
    assert [item.severity for item in found if item.rule is MODULES] == [severity]


def test_its_own_file_says_where_the_environment_is() -> None:
    root = root_of({"etc/fw_env.config": file("/dev/mmcblk0 0x100000 0x2000\n")})
    assert root.environment_tool is not None
    (location,) = root.environment_tool.locations
    assert (location.offset, location.size) == (0x100000, 0x2000)
    wrong = {"etc/fw_env.config": file("/dev/mmcblk0 0x180000 0x2000\n")}
    with Loader() as loader:
        store = MemoryStore(system(wrong).files, loader)
        found = run(gather(parse(system(wrong).layout.encode(), "board.yaml"), store))
    assert "environment-location-differs" in {item.rule.name for item in found.findings}


@pytest.mark.parametrize(
    ("line", "prompts"),
    [("::sysinit:/bin/true", False), ("ttyS0::respawn:/sbin/getty -L ttyS0 115200", True)],
)
def test_whether_the_main_system_gives_a_prompt(line: str, *, prompts: bool) -> None:
    changes: dict[str, Entry | None] = {
        "sbin/init": _BUSYBOX,
        "sbin/getty": link("init"),
        "etc/inittab": file(f"{line}\n"),
    }
    assert root_of(changes).prompts is prompts
    assert (("warning", "main-without-login") in said(changes)) is not prompts
