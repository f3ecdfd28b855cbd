from __future__ import annotations

import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.formats.view import View
from imgaudit.ramdisk.applets import read_applets
from tests.conftest import Chroot
from tests.rescue._ramdisk import APPLETS, busybox_text, installer


def test_the_table_is_told_from_other_sorted_tables() -> None:
    data = busybox_text()
    found = read_applets(View.of(data))
    assert found is not None
    assert found.names == APPLETS
    assert data[found.offset :].startswith(b"[\0[[\0ash\0")
    assert not found.installs
    assert not found.standalone
    assert found.dhcp_script == ""


def test_options_show_in_the_help_text() -> None:
    extra = (
        b"busybox --install [-s] [DIR]\n run built-in utilities without $PATH search\0"
        b"/etc/udhcpc/default.script\0"
    )
    found = read_applets(View.of(busybox_text(extra=extra)))
    assert found is not None
    assert found.installs
    assert found.standalone
    assert found.dhcp_script == "/etc/udhcpc/default.script"


@pytest.mark.parametrize(
    "applets",
    [("cat", "sh"), ("[", "ash", "ourtool", "sh"), ("cat", "groups", "groups", "id"), ("sh",)],
)
def test_small_tables_new_applets_and_doubles(applets: tuple[str, ...]) -> None:
    found = read_applets(View.of(busybox_text(applets)))
    assert found is not None
    assert found.names == applets


@pytest.mark.parametrize("data", [b"", b"\0[\0[[\0ash\0\0", b"BusyBox v1.36.1\0abc\0abd\0\0"])
def test_what_holds_no_table(data: bytes) -> None:
    assert read_applets(View.of(data)) is None


@given(st.binary(max_size=200))
def test_any_bytes(data: bytes) -> None:
    found = read_applets(View.of(busybox_text() + data))
    assert found is not None
    assert found.names == APPLETS


def _listed(command: list[str]) -> list[str]:
    run = subprocess.run([*command, "--list"], capture_output=True, check=True, text=True)
    return run.stdout.split()


@pytest.mark.oracle
def test_a_static_busybox_lists_what_was_read() -> None:
    found = read_applets(View.of(Path("/bin/busybox").read_bytes()))
    assert found is not None
    assert list(found.names) == _listed(["/bin/busybox"])


@pytest.mark.oracle
@pytest.mark.parametrize("arch", ["arm64", "arm"])
def test_a_busybox_of_another_architecture_lists_what_was_read(arch: str, chroot: Chroot) -> None:
    node = installer(arch)[1].lookup("/bin/busybox")
    assert node is not None
    found = read_applets(node.data())
    assert found is not None
    assert list(found.names) == _listed([*chroot(arch), "/bin/busybox"])
