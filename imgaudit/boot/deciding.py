"""The deciding commands `test` and `itest`: true, false, or None where it cannot be known.

Sources: U-Boot cmd/test.c, cmd/itest.c.
"""

from __future__ import annotations

import operator
from collections.abc import Callable, Sequence
from typing import Any

from imgaudit.boot.values import Text, number, signed

FileExists = Callable[[Sequence[Text]], bool | None]
"""Answers `-e interface device path`."""

_STRINGS: dict[str, Callable[[str, str], bool]] = {
    "=": operator.eq,
    "!=": operator.ne,
    "<": operator.lt,
    ">": operator.gt,
}
_NUMBERS: dict[str, Callable[[int, int], bool]] = {
    "-eq": operator.eq,
    "-ne": operator.ne,
    "-lt": operator.lt,
    "-le": operator.le,
    "-gt": operator.gt,
    "-ge": operator.ge,
}
_ITEST: dict[str, Callable[[Any, Any], bool]] = {
    **_NUMBERS,
    "==": operator.eq,
    "!=": operator.ne,
    "<>": operator.ne,
    "<": operator.lt,
    ">": operator.gt,
    "<=": operator.le,
    ">=": operator.ge,
}
_WIDTHS = {"b": 8, "w": 16, "l": 32, "q": 64}


def decide_test(words: Sequence[Text], exists: FileExists) -> bool | None:
    """Evaluate the arguments of `test`, left to right and without precedence, as U-Boot does."""
    if len(words) < 2:  # cmd/test.c: fewer than two arguments is false
        return False
    value: bool | None = False
    before: bool | None = None
    joined, negate = "", False
    left = list(words)
    while left:
        used, found, operation = _primary(left, exists)
        if operation == "":
            return True
        if operation == "!":
            negate = not negate
        elif operation in {"-o", "-a"}:
            before, joined = value, operation
        else:
            value = _not(found) if negate else found
            negate = False
            if joined == "-o":
                value = _or(before, value)
            elif joined == "-a":
                value = _not(_or(_not(before), _not(value)))
            joined = ""
        del left[:used]
    return value


def _primary(left: list[Text], exists: FileExists) -> tuple[int, bool | None, str]:
    """Evaluate what comes first: words used, its value, its operator ("" where there is none)."""
    first = left[0].plain
    second = left[1].plain if len(left) > 1 else None
    if second in _STRINGS or second in _NUMBERS:
        if len(left) < 3:
            return 1, None, ""
        return 3, _compare(left[0], second or "", left[2]), second or ""
    if first in {"!", "-o", "-a"}:
        return 1, None, first
    if first in {"-z", "-n"}:
        if len(left) < 2:
            return 1, None, ""
        text = left[1].plain
        return 2, None if text is None else (text == "") == (first == "-z"), first
    if first == "-e":
        return (4, exists(left[1:4]), first) if len(left) >= 4 else (1, None, "")
    return 1, None, ""


def _compare(first: Text, by: str, second: Text) -> bool | None:
    if by in {"=", "!="} and first == second:
        return by != "!="
    if first.plain is None or second.plain is None:
        return None
    if by in _STRINGS:
        return _STRINGS[by](first.plain, second.plain)
    return _NUMBERS[by](signed(first.plain), signed(second.plain))


def decide_itest(name: str, words: Sequence[Text]) -> bool | None:
    """Evaluate `itest[.b|.w|.l|.q|.s]`: hex numbers, cut to the width; `*address` is unknown."""
    if len(words) != 3:
        return False
    first, by, second = (word.plain for word in words)
    if first is None or by is None or second is None:
        return None
    compare = _ITEST.get(by)
    if compare is None:
        return False
    width = name.partition(".")[2] or "l"
    if first.startswith("*") or second.startswith("*"):
        return None
    if width == "s":
        # cmd/itest.c looks up what starts with a $ itself, and reads at address 0 where it is not
        return None if "$" in {first[:1], second[:1]} else compare(first, second)
    mask = (1 << _WIDTHS.get(width, 32)) - 1
    return compare(number(first) & mask, number(second) & mask)


def _not(value: bool | None) -> bool | None:
    return None if value is None else not value


def _or(first: bool | None, second: bool | None) -> bool | None:
    if first or second:
        return True
    return None if first is None or second is None else False
