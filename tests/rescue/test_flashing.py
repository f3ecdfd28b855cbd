from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit import bounds
from imgaudit.model import Act
from imgaudit.rescue.flashing import _DO, _FILES, MAX_DEEDS, MAX_WAYS, Deed, flashing, read
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
        ("ubiupdatevol /dev/ubi0_1 root.ubifs", Act.WRITE, "/dev/ubi0_1"),
        # devices that are looked up: a line of /proc/mtd has the name in quotes
        (
            "D=$(grep '\"spare\"' /proc/mtd | cut -d: -f1); flashcp x /dev/$D",
            Act.WRITE,
            "/dev/mtd/by-name/spare",
        ),
        (
            "N=`sed -n 's/^mtd\\([0-9]*\\):.*\"spare\"$/\\1/p' /proc/mtd`; flashcp x /dev/mtd$N",
            Act.WRITE,
            "/dev/mtdmtd/by-name/spare",
        ),
        (
            "N=$(awk -F: '/\"spare\"/ {print $1}' < /proc/mtd); flashcp x /dev/$N",
            Act.WRITE,
            "/dev/mtd/by-name/spare",
        ),
        ("N=$(cat /proc/mtd | head -1); flashcp x /dev/$N", Act.WRITE, None),
        ("P=$(findfs PARTLABEL=b); dd if=x of=$P", Act.WRITE, "/dev/disk/by-partlabel/b"),
        ("n=2; dd if=x of=/dev/mmcblk0p$((n + 1))", Act.WRITE, "/dev/mmcblk0p3"),
        (
            "dd if=x of=$(readlink -f /dev/disk/by-partlabel/b)",
            Act.WRITE,
            "/dev/disk/by-partlabel/b",
        ),
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
        "for i in $(seq); do true; done",
        "mv -f",
        "cp -a",
    ],
)
def test_what_writes_nothing(text: str) -> None:
    assert read("/x", f"#!/bin/sh\n{text}") is None


@pytest.mark.parametrize("words", ["", "-x", "--", "-x -y", "$gone", "''", "a", "-o"])
@pytest.mark.parametrize("name", sorted({*_DO, *_FILES, "mount", "umount", "fw_setenv", "sync"}))
def test_a_command_without_the_words_that_it_needs(name: str, words: str) -> None:
    """What it writes to is not known then; whatever follows it is read all the same."""
    found = deeds(f"{name} {words}\nflashcp x /dev/mtd1")
    assert found[-1].device == "/dev/mtd1"
    assert all(deed.device in {None, "", "a"} for deed in found[:-1])


@pytest.mark.parametrize(
    ("text", "written"),
    [
        ("for d in /dev/mtd1 /dev/mtd2; do flashcp x $d; done", ["/dev/mtd1", "/dev/mtd2"]),
        ("L='/dev/mtd1 /dev/mtd2'; for d in $L; do flashcp x $d; done", ["/dev/mtd1", "/dev/mtd2"]),
        (
            "L='/dev/mtd1 /dev/mtd2'; for d in \"$L\"; do flashcp x $d; done",
            [None],
        ),
        ("for n in $(seq 3 4); do flashcp x /dev/mtd$n; done", ["/dev/mtd3", "/dev/mtd4"]),
        (
            "for n in 1 2; do for m in 3 4; do flashcp x /dev/mtd$n$m; done; done",
            ["/dev/mtd13", "/dev/mtd14", "/dev/mtd23", "/dev/mtd24"],
        ),
        ("ARGS='-v x /dev/mtd5'; flashcp $ARGS", ["/dev/mtd5"]),
        ("for d in $(ls /dev/mtd?); do flashcp x $d; done", [None]),
    ],
)
def test_a_list_that_is_known_is_gone_through(text: str, written: list[str | None]) -> None:
    assert [deed.device for deed in deeds(text)] == written


_FSTAB = {"/boot": "/dev/mmcblk0p1"}


@pytest.mark.parametrize(
    ("text", "written"),
    [
        ("mount /dev/mmcblk0p1 /mnt; cp Image /mnt/", [("/dev/mmcblk0p1", "/mnt", False)]),
        (
            "mount -t vfat -o rw /dev/mmcblk0p1 /mnt; cp -a Image a.dtb /mnt/Image; umount /mnt",
            [("/dev/mmcblk0p1", "/mnt/Image", True)],
        ),
        (
            "mount PARTLABEL=boot /mnt; tar -xf x -C /mnt/dtbs",
            [("/dev/disk/by-partlabel/boot", "/mnt/dtbs", False)],
        ),
        ("cat x > /boot/Image; sync", [("/dev/mmcblk0p1", "/boot/Image", True)]),
        (
            "mount -o remount,rw /boot; install -m 644 x /boot/Image",
            [("/dev/mmcblk0p1", "/boot/Image", False)],
        ),
        (
            "umount /boot; mount /dev/mmcblk0p7 /boot; cp x /boot/a",
            [("/dev/mmcblk0p7", "/boot/a", False)],
        ),
        ("umount /boot; mount /boot; cp x /boot/a", [("/dev/mmcblk0p1", "/boot/a", False)]),
    ],
)
def test_a_file_is_written_to_what_is_mounted(
    text: str, written: list[tuple[str, str, bool]]
) -> None:
    script = read("/x", text, _FSTAB)
    assert script is not None
    (way,) = script.ways
    assert [(deed.device, deed.path, deed.flushed) for deed in way] == written


@pytest.mark.parametrize(
    "text", ["cp x /tmp/a", "umount /boot; cp x /boot/a", "cp /boot/Image /tmp/", "cp x /bootleg/a"]
)
def test_a_file_of_the_root_itself_is_none(text: str) -> None:
    assert read("/x", text, _FSTAB) is None


def test_a_file_that_is_renamed_into_place_is_not_torn() -> None:
    script = read("/x", "cp x /boot/Image.new; sync; mv /boot/Image.new /boot/Image", _FSTAB)
    assert script is not None
    assert [(deed.act, deed.path) for deed in script.ways[0]] == [(Act.UNKNOWN, "/boot/Image")]


def test_a_script_of_variables_is_read_where_it_is_at_hand() -> None:
    entries = {
        "sbin/switch": file("#!/bin/sh\nfw_setenv -s /etc/slot-b.env\n", 0o755),
        "etc/slot-b.env": file("# the other slot\nslot b\nbootcmd=run other; reset\nupgrade\n"),
        "etc/fstab": file("/dev/mmcblk0p1 /boot vfat defaults 0 0\nproc /proc proc\n# x\n"),
        "sbin/kernel": file("#!/bin/sh\ncp $1 /boot/Image\n", 0o755),
    }
    found = {script.path: script.ways[0][0] for script in flashing(root_of(cpio(entries, 0)))}
    assert found["/sbin/switch"].variables == {
        "slot": "b",
        "bootcmd": "run other; reset",
        "upgrade": None,
    }
    assert found["/sbin/kernel"].device == "/dev/mmcblk0p1"


def test_volumes_are_renamed_in_one_go() -> None:
    (deed,) = deeds("ubirename /dev/ubi0 root old new root old new")
    assert (deed.act, deed.renames) == (
        Act.RENAME,
        (("root", "old"), ("new", "root"), ("old", "new")),
    )
    (unknown,) = deeds("ubirename /dev/ubi0 root $1")
    assert unknown.renames == ()


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


_MANY = "".join(f"if [ $x = {n} ]; then a{n}=1; fi\n" for n in range(40))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (f"{_MANY}echo no >/dev/null", 0),
        (f"{_MANY}flashcp x /dev/mtd1", 1),
        (f"{_MANY}test -e /x || busybox dd if=x of=$1", 1),
        (f"{_MANY}while true; do case $x in a) echo 1 >/dev/mtd3;; esac; done", 1),
    ],
)
def test_only_a_script_that_can_write_is_said_to_be_followed_in_part(text: str, said: int) -> None:
    """Such as e2scrub and kernel-install of Debian, which have dozens of ways and no tool."""
    with bounds.listening() as heard:
        read("/usr/sbin/x", text)
    assert [where for where, _ in heard] == ["usr/sbin/x"] * said


def test_what_is_written_to_a_pseudo_file_system_goes_to_no_chip() -> None:
    """initramfs-tools' init: `mount -t devtmpfs … udev /dev`, then links in /dev."""
    text = "mount -t {} udev /dev\nln -s /proc/self/fd /dev/fd\n"
    assert read("/init", text.format("devtmpfs")) is None
    assert read("/init", text.format("ext4")) is not None


@pytest.mark.parametrize(
    ("text", "sought"),
    [("x >/dev/null", 0), ("cp x /data/y", 1), ("cp x /srv/y", 0), ("dd of=/dev/$d if=x", 1)],
)
def test_which_scripts_are_followed(
    text: str, sought: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = []
    monkeypatch.setattr("imgaudit.rescue.flashing.read", lambda path, *_: asked.append(path))
    fstab = file(b"/dev/mmcblk0p3 /data ext4 defaults 0 2\n")
    archive = cpio({"x": file(b"#!/bin/sh\n" + text.encode(), 0o755), "etc/fstab": fstab}, 0)
    flashing(root_of(archive))
    assert asked == ["/x"] * sought


@pytest.mark.parametrize(
    "text",
    [
        # loops in each other, functions that call each other twice, substitutions in each other
        "".join(f"for v{n} in {' '.join(map(str, range(30)))}; do\n" for n in range(12))
        + "flashcp x /dev/mtd1\n"
        + "done\n" * 12,
        "f0() { flashcp x /dev/mtd1; }\n"
        + "".join(f"f{n}() {{ f{n - 1}; f{n - 1}; }}\n" for n in range(1, 40))
        + "f39\n",
        "flashcp x /dev/mtd1; dd if=x of=" + "$(echo " * 60 + "x" + ")" * 60,
        "flashcp x /dev/mtd1; for d in " + "$(seq 1 32) " * 40 + "; do flashcp x /dev/mtd$d; done",
    ],
)
def test_what_a_script_repeats_is_bounded(text: str) -> None:
    script = read("/x", text)
    assert script is not None
    assert all(len(way) <= MAX_DEEDS for way in script.ways)


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
