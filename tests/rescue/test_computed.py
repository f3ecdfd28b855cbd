"""What a substitution of a shell script comes to, where it can be told without running it."""

from __future__ import annotations

import pytest

from imgaudit.rescue.computed import MAX_ITEMS, computed

VALUES = {"n": "4", "slot": "b", "far": "1" * 10}


@pytest.mark.parametrize(
    ("text", "value"),
    [
        # seq(1): FIRST is 1 where it is left out; without an operand it prints nothing but an error
        ("(seq)", None),
        ("(seq 3)", "1 2 3"),
        ("(seq 2 4)", "2 3 4"),
        ("(seq 4 2)", ""),
        ("(seq 1 2 9)", None),
        ("(seq 1 x)", None),
        ("(seq -w 3)", "1 2 3"),
        (f"(seq {MAX_ITEMS})", " ".join(map(str, range(1, MAX_ITEMS + 1)))),
        (f"(seq {MAX_ITEMS + 1})", None),
        ("(seq 99998 99999)", "99998 99999"),
        ("(seq 99999 100000)", None),
        ("seq 2`", "1 2"),
        ("(echo a b)", "a b"),
        ("(echo -n a)", None),
        ("(echo $slot)", "b"),
        ("(echo $gone)", None),
        ("(echo a; echo b)", None),
        ("(/usr/bin/basename /dev/mmcblk0p2)", "mmcblk0p2"),
        ("(basename a b)", None),
        # readlink -f of a device: it means what the link means
        ("(readlink -f /dev/root)", "/dev/root"),
        ("(readlink -f /etc/target)", None),
        ("(findfs PARTLABEL=root-a)", "/dev/disk/by-partlabel/root-a"),
        ("(findfs PARTUUID=01)", "/dev/disk/by-partuuid/01"),
        ("(findfs UUID=01)", None),
        ("(date)", None),
        ("(", None),
        ("(echo 'a)", None),
        ("()", None),
        ("((n + 1))", "5"),
        ("(($n - 1))", "3"),
        ("((n * n))", "16"),
        ("((7))", "7"),
        ("((n / 2))", None),
        ("((gone + 1))", None),
        ("((slot + 1))", None),
        ("((far + 1))", None),
        ("((999999999 + 1))", "1000000000"),
        ("((1000000000 + 1))", None),
        # /proc/mtd has the names in quotes
        ("(grep rootfs /proc/mtd | cut -d: -f1)", "mtd/by-name/rootfs"),
        ("(cut -d: -f1 < /proc/mtd)", None),
        ("(grep a /proc/mtd; grep b /proc/mtd)", None),
        ("(grep " + "x" * 388 + " /proc/mtd)", None),
    ],
)
def test_what_a_substitution_comes_to(text: str, value: str | None) -> None:
    assert computed(text, VALUES) == value
