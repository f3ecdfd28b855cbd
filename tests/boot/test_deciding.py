from __future__ import annotations

from collections.abc import Sequence

import pytest

from imgaudit.boot.deciding import decide_itest, decide_test
from imgaudit.boot.values import Text

UNKNOWN = "?"


def words(text: str) -> list[Text]:
    return [
        Text.unknown("x") if word == UNKNOWN else Text.of("" if word == "''" else word)
        for word in text.split()
    ]


def exists(where: Sequence[Text]) -> bool | None:
    return {"there": True, "gone": False}.get(where[2].plain or "")


@pytest.mark.parametrize(
    ("text", "value"),
    [  # U-Boot test/hush/if.c
        ("aaa = aaa", True),
        ("aaa = bbb", False),
        # cmd/test.c ends with true at a word that it cannot place, the last one too
        ("aaa = bbb ccc", True),
        ("aaa = bbb -z", True),
        ("aaa = bbb !", False),
        ("aaa != bbb", True),
        ("aaa < bbb", True),
        ("bbb > aaa", True),
        ("123 -eq 123", True),
        ("123 -ne 123", False),
        ("123 -lt 456", True),
        ("123 -le 123", True),
        ("456 -gt 123", True),
        ("123 -ge 456", False),
        ("010 -eq 10", False),
        ("0xa -eq 10", True),
        ("0xa -eq 012", True),
        ("2000000 -gt 0x1ffffff", False),
        ("0x2000000 -gt 1ffffff", True),
        ("-z ''", True),
        ("-z aaa", False),
        ("-n aaa", True),
        ("-n ''", False),
        ("! aaa = aaa", False),
        ("! ! aaa = aaa", True),
        ("aaa != aaa -o bbb != bbb", False),
        ("aaa != aaa -o bbb = bbb", True),
        ("aaa = aaa -a bbb != bbb", False),
        ("aaa = aaa -a bbb = bbb", True),
        ("! aaa != aaa -o ! bbb = bbb", True),
        ("! aaa = aaa -o ! bbb = bbb", False),
        # cmd/test.c: too few arguments are false, an operator that is missing is true
        ("", False),
        ("aaa", False),
        ("-n", False),
        ("aaa bbb", True),
        ("-e mmc 0:1", True),
        ("-e mmc 0:1 there", True),
        ("-e mmc 0:1 gone", False),
        # what is unknown stays so unless the rest decides
        ("-n ?", None),
        ("? = a", None),
        ("? = ?", True),
        ("? -lt 5", None),
        ("? = a -o b = b", True),
        ("? = a -a b = c", False),
        ("? = a -a b = b", None),
        ("! ? = a", None),
        ("-e mmc 0:1 elsewhere", None),
    ],
)
def test_test(text: str, value: bool | None) -> None:
    assert decide_test(words(text), exists) is value


@pytest.mark.parametrize(
    ("name", "text", "value"),
    [  # U-Boot cmd/itest.c: hex, cut to the width
        ("itest", "100 == 0x100", True),
        ("itest", "a -lt 10", True),
        ("itest", "ff <> 1ff", True),
        ("itest.b", "ff == 1ff", True),
        ("itest.w", "1ffff == ffff", True),
        ("itest.q", "100000000 > ffffffff", True),
        ("itest", "100000000 == 0", True),
        ("itest.s", "abc == abc", True),
        ("itest.s", "abc < abd", True),
        ("itest", "a >= b", False),
        ("itest", "a <= b", True),
        ("itest", "a ~ b", False),
        ("itest", "a ==", False),
        ("itest", "*100 == 5", None),
        ("itest", "? == 5", None),
    ],
)
def test_itest(name: str, text: str, value: bool | None) -> None:
    assert decide_itest(name, words(text)) is value
