"""Expressions that are compiled late: each that the package has is one, and acts as re's."""

from __future__ import annotations

import re
from collections.abc import Iterator
from importlib import import_module
from typing import Any

import pytest

from imgaudit.patterns import regex
from tests.test_layers import KNOWN


def held(name: str) -> Iterator[Any]:
    """Give the expressions that a module names, in tables of it too."""
    there = [value for key, value in vars(import_module(name)).items() if key[:2] != "__"]
    while there:
        value = there.pop()
        if isinstance(value, dict):
            there += value.values()
        elif isinstance(value, tuple | list):
            there += value
        elif type(value).__name__ == "regex":
            yield value


@pytest.mark.parametrize("name", [name for name in KNOWN if name])
def test_each_expression_of_the_package_is_one(name: str) -> None:
    for expression in held(f"imgaudit.{name}"):
        assert isinstance(expression.pattern, str | bytes)


def test_tables_are_looked_into() -> None:
    assert sum(1 for _ in held("imgaudit.formats.kernel")) > 7


def test_it_is_what_re_makes_of_the_same() -> None:
    late, early = (
        regex(r"(?P<word>A+)b", re.IGNORECASE),
        re.compile(r"(?P<word>A+)b", re.IGNORECASE),
    )
    for text in ("aAb", "b", "xaab"):
        for way in ("match", "search", "fullmatch"):
            ours, theirs = getattr(late, way)(text), getattr(early, way)(text)
            assert (ours and ours.groupdict()) == (theirs and theirs.groupdict())
    assert late.flags == early.flags
    assert late.sub("-", "xaabaab") == early.sub("-", "xaabaab")
    assert late.groupindex == early.groupindex


def test_what_is_no_expression_shows_when_it_is_used() -> None:
    broken = regex("(")
    with pytest.raises(re.error, match="unterminated"):
        broken.match("")
    with pytest.raises(AttributeError):
        regex("a").no_such_way  # type: ignore[attr-defined]  # noqa: B018 - it must not be there
