from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.model import Act
from imgaudit.rescue.flashing import MAX_WAYS, Deed, flashing, read
from imgaudit.writers.cpio import cpio
from imgaudit.writers.tree import file
from tests.rescue._ramdisk import root as root_of


def deeds(text: str) -> list[Deed]:
    script = read("/x", f"#!/bin/sh\n{text}")
    assert script is not None
    (way,) = script.ways
    return list(way)


@pytest.mark.parametrize(
    ("text", "act", "device"),
    [
        ("flashcp -v fip.bin /dev/mtd0", Act.WRITE, "/dev/mtd0"),
        ("D=/dev/mtd3; flashcp $1 $D", Act.WRITE, "/dev/mtd3"),
        ("flashcp $1 $2", Act.WRITE, None),
        ("flash_erase -q /dev/mtd5 0 0", Act.ERASE, "/dev/mtd5"),
        ("nandwrite -p /dev/mtd5 ubi.img", Act.WRITE, "/dev/mtd5"),
        ("dd if=x of=/dev/mmcblk0p2 bs=1M", Act.WRITE, "/dev/mmcblk0p2"),
        ("dd if=x of=/dev/mmcblk0 seek=64", Act.WRITE, None),
        ("cat x > /dev/mmcblk0p3", Act.WRITE, "/dev/mmcblk0p3"),
        ("xz -dc x | dd of=/dev/disk/by-partlabel/b", Act.WRITE, "/dev/disk/by-partlabel/b"),
        ("busybox dd if=x of=${T:-/dev/mtdblock4}", Act.WRITE, "/dev/mtdblock4"),
        ("sgdisk -Z /dev/mmcblk0", Act.TABLE, "/dev/mmcblk0"),
        ("put() { dd if=$1 of=$2; }\nput x /dev/mtd7", Act.WRITE, "/dev/mtd7"),
        ("for d in /dev/mtd1; do flashcp x $d; done", Act.WRITE, "/dev/mtd1"),
        ("test -e x || exit 1\nflashcp x /dev/mtd1", Act.WRITE, "/dev/mtd1"),
    ],
)
def test_what_a_command_writes(text: str, act: Act, device: str | None) -> None:
    (deed,) = deeds(text)
    assert (deed.act, deed.device) == (act, device)


@pytest.mark.parametrize(
    ("text", "flushed"),
    [
        ("dd if=x of=/dev/mmcblk0p2", False),
        ("dd if=x of=/dev/mmcblk0p2 conv=sync", False),
        ("dd if=x of=/dev/mmcblk0p2 conv=notrunc,fsync", True),
        ("dd if=x of=/dev/mmcblk0p2 oflag=direct", True),
        ("dd if=x of=/dev/mmcblk0p2; sync", True),
        ("sync; dd if=x of=/dev/mmcblk0p2", False),
    ],
)
def test_whether_it_has_left_the_cache(text: str, flushed: bool) -> None:
    (deed,) = deeds(text)
    assert deed.flushed is flushed


def test_erasing_comes_first_with_flashcp() -> None:
    assert deeds("flashcp x /dev/mtd0")[0].erases_first
    assert not deeds("flashcp -p x /dev/mtd0")[0].erases_first


@pytest.mark.parametrize(
    ("text", "variables"),
    [
        ("fw_setenv slot b", {"slot": "b"}),
        ("fw_setenv -c /etc/x.config bootcmd run other", {"bootcmd": "run other"}),
        ("fw_setenv tried", {"tried": None}),
        ("fw_setenv slot $next", None),
        ("fw_setenv --script /tmp/all", None),
    ],
)
def test_variables(text: str, variables: dict[str, str | None] | None) -> None:
    (deed,) = deeds(text)
    assert (deed.act, deed.variables) == (Act.SET, variables)


@pytest.mark.parametrize(
    "text",
    [
        "sgdisk -p /dev/mmcblk0",
        "dd if=/dev/mtd0 of=/tmp/backup",
        "fw_printenv slot",
        "echo flashcp x /dev/mtd0",
        "reboot",
        "exit 0\nflashcp x /dev/mtd0",
        "put() { flashcp x /dev/mtd0; }",
        "if [ a = b",
    ],
)
def test_what_writes_nothing(text: str) -> None:
    assert read("/x", f"#!/bin/sh\n{text}") is None


def test_each_branch_is_a_way() -> None:
    script = read(
        "/x",
        'if [ "$slot" = a ]; then\n  dd if=x of=/dev/mmcblk0p3 && fw_setenv slot b\nelse\n'
        "  dd if=x of=/dev/mmcblk0p2 && fw_setenv slot a\nfi\nreboot\n",
    )
    assert script is not None
    assert [[(one.line, one.act) for one in way] for way in script.ways] == [
        [(2, Act.WRITE), (2, Act.SET), (6, Act.REBOOT)],
        [(4, Act.WRITE), (4, Act.SET), (6, Act.REBOOT)],
    ]
    # one that gives up early is the start of the other
    script = read("/x", "flashcp x /dev/mtd0\nif [ a = $b ]; then exit 1; fi\nfw_setenv a b\n")
    assert script is not None
    assert [[one.line for one in way] for way in script.ways] == [[1, 3]]


def test_ways_are_bounded() -> None:
    many = "".join(f"if [ $x = {n} ]; then flashcp x /dev/mtd{n}; fi\n" for n in range(40))
    script = read("/x", many)
    assert script is not None
    assert len(script.ways) <= MAX_WAYS
    again = read("/x", "f() { f; flashcp x /dev/mtd1; }\nf\n")
    assert again is not None


def test_scripts_of_a_root() -> None:
    text = "#!/bin/sh\nflashcp $1 /dev/mtd2\n"
    entries = {
        "usr/sbin/update": file(text, 0o755),
        "usr/sbin/notes": file(text),
        "usr/bin/tool": file("#!/usr/bin/python3\nflashcp\n", 0o755),
        "bin/other": file("#!/bin/sh\necho\n", 0o755),
    }
    root = root_of(cpio(entries, 0))
    assert [script.path for script in flashing(root)] == ["/usr/sbin/update"]


@given(st.text(max_size=200))
def test_any_text_is_read_or_not(text: str) -> None:
    read("/x", text)
