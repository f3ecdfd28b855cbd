from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.clean import cells, clean
from imgaudit.report._style import Style, columns, first


@given(st.text(), st.integers(5, 60), st.booleans())
def test_short(text: str, most: int, unicode: bool) -> None:
    style = Style(unicode=unicode)
    shown = style.short(text, most)
    text = clean(text)
    assert cells(shown) <= most
    if cells(text) <= most:
        assert shown == text
    else:
        assert style.short(shown, most) == shown


def test_short_marks_the_cut() -> None:
    assert Style().short("recovery-image.itb", 9) == "reco….itb"
    assert Style(unicode=False).short("recovery-image.itb", 9) == "rec...itb"


@given(st.text(st.characters(codec="ascii", exclude_categories=["C"])), st.integers(40, 120))
def test_wrapped_lines_are_never_too_long(text: str, width: int) -> None:
    wrapped = Style(width=width).wrap(text, "  board: ", "         ")
    assert all(len(line) <= width for line in wrapped)
    shown = "".join(wrapped).replace(" ", "").removeprefix("board:")
    assert shown == clean(text).replace(" ", "")


def test_paint() -> None:
    assert Style(colour=True).line([("FAIL", "bad")]) == "\x1b[31;1mFAIL\x1b[0m"
    assert Style(colour=True).line([("", "bad")]) == ""
    assert Style().line([("FAIL", "bad")]) == "FAIL"


HOSTILE = st.text(st.sampled_from("\x1b\x07\u202e\n\r#[]: ab漢"), max_size=12)


@given(st.lists(st.tuples(HOSTILE, st.sampled_from(["", "bad", "dim"])), max_size=4))
def test_nothing_gets_past_a_line(row: list[tuple[str, str]]) -> None:
    plain = Style().line(row)
    assert clean(plain) == plain
    coloured = Style(colour=True).line(row)
    assert not re.search(r"[^ -~漢]", re.sub(r"\x1b\[[0-9;]*m", "", coloured))
    for line in (plain, coloured):
        assert not line.lstrip().startswith("::")
        assert "##[" not in line


def test_columns() -> None:
    rows = [["name", "size"], ["a", "1"], ["long name", "65536"]]
    assert columns(rows, frozenset({1})) == [
        "name        size",
        "a              1",
        "long name  65536",
    ]
    assert columns(rows)[1] == "a          1"


@pytest.mark.parametrize(
    ("most", "kept"), [(0, ""), (1, ""), (2, "漢"), (3, "漢"), (4, "漢字"), (5, "漢字")]
)
def test_as_many_wide_letters_as_fit(most: int, kept: str) -> None:
    assert first("漢字", most) == kept


def test_wide_letters_take_two_columns() -> None:
    assert columns([["漢字", "1"], ["a", "2"]]) == ["漢字  1", "a     2"]
    assert Style().short("漢字漢字漢字", 7) == "漢…字"
    lines = Style(width=40).wrap("漢字" * 40, "  ")
    assert len(lines) > 4
    assert all(30 < cells(line) <= 40 for line in lines[:-1])
    assert "".join(lines).replace(" ", "") == "漢字" * 40
