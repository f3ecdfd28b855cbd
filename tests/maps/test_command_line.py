"""Splitting follows next_arg of Linux lib/cmdline.c, `root=` block/early-lookup.c."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.maps import command_line
from imgaudit.maps.command_line import RootKind, parse, parse_root

WHIMBREL = (
    "console=tty0 console=ttyS0,115200n8 root=PARTLABEL=rootfs-a rootfstype=ext4 rootwait ro"
    " mtdparts=spi0.0:1m(fip)ro,-(rest) ubi.mtd=4,2048 ubi.mtd=data init=/sbin/init"
    " rdinit=/init cma=64M mem=512M -- console=no"
)


def test_the_arguments_that_matter_are_told() -> None:
    line = parse(WHIMBREL)
    assert [(c.device, c.options, c.baud) for c in line.consoles] == [
        ("tty0", "", None),
        ("ttyS0", "115200n8", 115200),
    ]
    assert line.root == parse_root("PARTLABEL=rootfs-a")
    assert (line.root_type, line.init) == ("ext4", "/sbin/init")
    assert line.ubi_attached == ("4", "data")
    assert line.waits_for_root
    assert (line.value("cma"), line.value("mem")) == ("64M", "512M")
    assert line.value("mtdparts") == "spi0.0:1m(fip)ro,-(rest)"


def test_nothing_is_told_of_an_empty_line() -> None:
    line = parse("")
    assert (line.root, line.consoles, line.ubi_attached) == (None, (), ())
    assert (line.root_type, line.init) == (None, None)
    assert not line.waits_for_root
    assert line.last("quiet") is None


def test_arguments_know_their_place() -> None:
    line = parse(WHIMBREL)
    for argument in line.arguments:
        assert WHIMBREL[argument.offset :].startswith(argument.text)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("a", [("a", None)]),
        ("a=", [("a", "")]),
        ("  a=b\tc\n", [("a", "b"), ("c", None)]),
        ('a="b c" d', [("a", "b c"), ("d", None)]),
        ('"a=b c" d', [("a", "b c"), ("d", None)]),
        ('"a b"', [("a b", None)]),
        ('a=b"c d"e', [("a", 'b"c d"e')]),
        ('a="b c', [("a", "b c")]),
        ('a="', [("a", "")]),
        ("a=b=c", [("a", "b=c")]),
        ("=b", [("=b", None)]),
        ("a\xa0b", [("a", None), ("b", None)]),
    ],
)
def test_quotes_and_spaces(text: str, expected: list[tuple[str, str | None]]) -> None:
    assert [(argument.name, argument.value) for argument in parse(text).arguments] == expected


def test_what_follows_two_dashes_is_for_init() -> None:
    line = parse("root=/dev/sda1 -- root=/dev/sda2 -- x")
    assert [(argument.name, argument.for_init) for argument in line.arguments] == [
        ("root", False),
        ("root", True),
        ("--", True),
        ("x", True),
    ]
    assert line.value("root") == "/dev/sda1"


def test_dashes_and_underscores_are_one() -> None:
    # Linux kernel/params.c, parameq
    line = parse("log-buf-len=1 log_buf_len=2")
    assert [argument.value for argument in line.all("log_buf_len")] == ["1", "2"]
    assert line.value("log-buf-len") == "2"


UUID = "0d10a2f8-5a1b-4b3e-9d5e-2f0f5b0f7a11"


@pytest.mark.parametrize(
    ("value", "kind", "expected"),
    [
        (f"PARTUUID={UUID}", RootKind.PARTITION_UUID, {"id": UUID}),
        (
            f"PARTUUID={UUID}/PARTNROFF=1",
            RootKind.PARTITION_UUID,
            {"id": UUID, "partition_offset": 1},
        ),
        (
            f"PARTUUID={UUID}/PARTNROFF=-2",
            RootKind.PARTITION_UUID,
            {"id": UUID, "partition_offset": -2},
        ),
        ("PARTUUID=12345678-02", RootKind.PARTITION_UUID, {"id": "12345678-02"}),
        ("PARTLABEL=root fs", RootKind.PARTITION_LABEL, {"id": "root fs"}),
        (f"UUID={UUID}", RootKind.FILE_SYSTEM_UUID, {"id": UUID, "needs_ramdisk": True}),
        ("LABEL=root", RootKind.FILE_SYSTEM_LABEL, {"id": "root", "needs_ramdisk": True}),
        ("/dev/mmcblk1p2", RootKind.DISK, {"disk": "mmcblk1", "partition": 2}),
        ("mmcblk1p12", RootKind.DISK, {"disk": "mmcblk1", "partition": 12}),
        ("/dev/mmcblk0", RootKind.DISK, {"disk": "mmcblk0", "partition": None}),
        ("/dev/mmcblk0boot1", RootKind.DISK, {"disk": "mmcblk0boot1", "partition": None}),
        ("/dev/sda3", RootKind.DISK, {"disk": "sda", "partition": 3}),
        ("/dev/nvme0n1p4", RootKind.DISK, {"disk": "nvme0n1", "partition": 4}),
        ("/dev/mtdblock5", RootKind.MTD, {"partition": 5, "volume": None}),
        ("mtd3", RootKind.MTD, {"partition": 3}),
        ("mtd:rootfs", RootKind.MTD, {"partition": None, "volume": "rootfs"}),
        ("ubi0:root", RootKind.UBI, {"disk": "ubi0", "volume": "root", "partition": None}),
        ("ubi:root", RootKind.UBI, {"disk": "ubi0", "volume": "root"}),
        ("ubi1_2", RootKind.UBI, {"disk": "ubi1", "partition": 2, "volume": None}),
        ("ubi0!root", RootKind.UBI, {"disk": "ubi0", "volume": "root"}),
        ("/dev/nfs", RootKind.NETWORK, {}),
        ("/dev/ram0", RootKind.RAMDISK, {}),
        ("/dev/ram", RootKind.RAMDISK, {}),
        ("179:2", RootKind.NUMBERS, {}),
        ("b302", RootKind.NUMBERS, {}),
        ("${root}", RootKind.OTHER, {"id": None}),
        ("", RootKind.OTHER, {}),
    ],
)
def test_the_forms_of_root(value: str, kind: RootKind, expected: dict[str, object]) -> None:
    root = parse_root(value)
    assert (root.kind, root.text) == (kind, value)
    assert {name: getattr(root, name) for name in expected} == expected
    assert root.needs_ramdisk == expected.get("needs_ramdisk", False)


WORDS = st.text(st.characters(exclude_characters='"=\xa0', categories=["L", "N", "P"]), min_size=1)


@given(st.lists(st.tuples(WORDS.filter(lambda word: word != "--"), st.none() | WORDS), max_size=6))
def test_what_is_joined_is_split_again(pairs: list[tuple[str, str | None]]) -> None:
    words = [name if value is None else f"{name}={value}" for name, value in pairs]
    line = parse(" ".join(words))
    assert [(argument.name, argument.value) for argument in line.arguments] == pairs


@given(st.text(max_size=80) | st.text(alphabet='ab=" -', max_size=40))
def test_any_text_is_a_command_line(text: str) -> None:
    line = parse(text)
    for argument in line.arguments:
        assert text[argument.offset :].startswith(argument.text)


@given(
    st.text(max_size=40)
    | st.from_regex(re.compile(command_line._DISK.pattern, re.ASCII), fullmatch=True)
)
def test_any_text_is_a_root(text: str) -> None:
    assert parse_root(text).text == text


@pytest.mark.parametrize(
    ("value", "size", "limit"),
    [
        ("512M", 512 << 20, 512 << 20),
        ("1g", 1 << 30, 1 << 30),
        ("64K", 64 << 10, 64 << 10),
        ("2T", 2 << 40, 2 << 40),
        ("4096", 4096, 4096),
        ("0x1000", 4096, 4096),
        ("512M@0x1000", 512 << 20, None),
        ("M", None, None),
        ("", None, None),
    ],
)
def test_sizes_have_the_units_of_the_kernel(
    value: str, size: int | None, limit: int | None
) -> None:
    """Linux lib/cmdline.c, memparse(); with a place behind it, `mem=` is no limit."""
    line = parse(f"mem={value} quiet")
    assert (line.size("mem"), line.memory_limit) == (size, limit)
    assert line.size("cma") is None
    assert parse("quiet").memory_limit is None


def test_consoles_and_ubis_are_told_without_their_options() -> None:
    line = parse(
        "console=ttyS0,115200n8 console=tty0 console ubi.mtd=rootfs,2048 ubi.mtd=3 ubi.mtd"
    )
    assert [(it.device, it.options) for it in line.consoles] == [
        ("ttyS0", "115200n8"),
        ("tty0", ""),
        ("", ""),
    ]
    assert line.ubi_attached == ("rootfs", "3", "")
