from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.clean import clean


@given(st.text())
def test_nothing_that_acts_on_a_terminal_is_left(text: str) -> None:
    shown = clean(text)
    assert all(unicodedata.category(letter)[0] != "C" for letter in shown)
    assert len(shown.splitlines()) <= 1
    assert clean(shown) == shown


@given(st.text(st.characters(exclude_categories=["C", "Zl", "Zp"])))
def test_what_can_be_read_stays(text: str) -> None:
    assert clean(text) == text


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("\x1b[31m", r"\x1b[31m"),
        ("a\nb\tc\0", r"a\x0ab\x09c\x00"),
        ("\x9b31m", r"\x9b31m"),
        ("\u202egnp", r"\u202egnp"),
        ("\u2028\u2029", r"\u2028\u2029"),
        ("\udcff", r"\udcff"),
        ("\U000e0001", r"\U000e0001"),
        ("\x7f", r"\x7f"),
        ("Grüße 漢字", "Grüße 漢字"),
    ],
)
def test_escapes(text: str, shown: str) -> None:
    assert clean(text) == shown
