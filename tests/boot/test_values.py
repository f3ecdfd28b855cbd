from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.boot.values import Hole, Text, is_number, number, signed


@pytest.mark.parametrize(
    ("text", "base", "value"),
    [  # U-Boot lib/strto.c; the last column is what its loop gives
        ("100", 16, 0x100),
        ("0x100", 16, 0x100),
        ("0X1F", 16, 0x1F),
        ("100", 10, 100),
        ("100", 0, 100),
        ("0x10", 0, 16),
        ("010", 0, 8),
        ("", 16, 0),
        ("nothing", 16, 0),
        ("12:34", 16, 0x12),
        ("1f#conf-1", 16, 0x1F),
        ("1g", 16, 1),
        ("1a", 10, 1),
        ("018", 0, 1),
        ("8388608", 16, 0x8388608),
        ("f" * 40, 16, (1 << 64) - 1),
    ],
)
def test_a_number_ends_where_its_digits_end(text: str, base: int, value: int) -> None:
    assert number(text, base) == value


@given(st.integers(0, (1 << 64) - 1))
def test_hex_comes_back(value: int) -> None:
    assert number(f"{value:x}") == number(f"{value:#X}") == value


def test_test_reads_signed_decimals() -> None:
    assert signed("-12") == -12
    assert signed("0x10") == 16


def test_an_offset_is_hex_to_its_last_letter() -> None:
    assert is_number("0x600fe")
    assert not is_number("env")  # `e` is a digit, `n` is not
    assert not is_number("0x")
    assert not is_number("")


def test_text_merges_what_is_known_and_shows_what_is_not() -> None:
    text = Text(("a", "", "b", Hole("x"), "c"))
    assert text.pieces == ("ab", Hole("x"), "c")
    assert text.plain is None
    assert text.number() is None
    assert str(text) == "ab${x}c"
    assert Text(("4", "2")).plain == "42"
    assert Text(("4", "2")) == Text.of("42")
    assert len({Text(("4", "2")), Text.of("42")}) == 1
