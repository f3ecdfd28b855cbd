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
    """Give what a module names, and what stands in its tables."""
    there = list(vars(import_module(f"imgaudit.{name}")).values())
    while there:
        value = there.pop()
        yield value
        if isinstance(value, tuple | list):
            there += value
        elif isinstance(value, dict) and "__name__" not in value:
            there += value.values()


def late(name: str) -> list[Any]:
    return [value for value in held(name) if type(value).__name__ == "regex"]


@pytest.mark.parametrize("name", [name for name in KNOWN if name])
def test_each_expression_of_the_package_is_one_and_is_compiled_late(name: str) -> None:
    for expression in late(name):
        assert isinstance(expression.pattern, str | bytes)
    early = [value for value in held(name) if isinstance(value, re.Pattern)]
    assert not early, "write regex() for re.compile()"


def test_tables_are_looked_into() -> None:
    assert len(late("formats.kernel")) > 7


def test_it_is_what_re_makes_of_the_same() -> None:
    ours, theirs = (
        regex(r"(?P<word>A+)b", re.IGNORECASE),
        re.compile(r"(?P<word>A+)b", re.IGNORECASE),
    )
    for text in ("aAb", "b", "xaab"):
        for way in ("match", "search", "fullmatch"):
            one, other = getattr(ours, way)(text), getattr(theirs, way)(text)
            assert (one and one.groupdict()) == (other and other.groupdict())
    assert ours.flags == theirs.flags
    assert ours.sub("-", "xaabaab") == theirs.sub("-", "xaabaab")
    assert ours.groupindex == theirs.groupindex


def test_what_is_no_expression_shows_when_it_is_used() -> None:
    broken = regex("(")
    with pytest.raises(re.error, match="unterminated"):
        broken.match("")
    with pytest.raises(AttributeError):
        regex("a").no_such_way  # type: ignore[attr-defined]  # noqa: B018 - it must not be there
