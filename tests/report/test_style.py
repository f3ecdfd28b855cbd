from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from imgaudit.report.style import Style, columns


@given(st.text(), st.integers(5, 60), st.booleans())
def test_short(text: str, most: int, unicode: bool) -> None:
    style = Style(unicode=unicode)
    shown = style.short(text, most)
    assert len(shown) <= most
    if len(text) <= most:
        assert shown == text
    else:
        assert text.startswith(shown[:1])
        assert text.endswith(shown[-1:])
        assert style.short(shown, most) == shown


def test_short_marks_the_cut() -> None:
    assert Style().short("recovery-image.itb", 9) == "reco….itb"
    assert Style(unicode=False).short("recovery-image.itb", 9) == "rec...itb"


@given(st.text(st.characters(codec="ascii", exclude_categories=["C"])), st.integers(40, 120))
def test_wrapped_lines_are_never_too_long(text: str, width: int) -> None:
    wrapped = Style(width=width).wrap(text, "  board: ", "         ")
    assert all(len(line) <= width for line in wrapped.splitlines())
    assert wrapped.replace(" ", "").replace("\n", "").removeprefix("board:") == text.replace(
        " ", ""
    )


def test_paint() -> None:
    assert Style(colour=True).paint("FAIL", "bad") == "\x1b[31;1mFAIL\x1b[0m"
    assert Style(colour=True).paint("", "bad") == ""
    assert Style().paint("FAIL", "bad") == "FAIL"


def test_columns() -> None:
    rows = [["name", "size"], ["a", "1"], ["long name", "65536"]]
    assert columns(rows, frozenset({1})) == [
        "name        size",
        "a              1",
        "long name  65536",
    ]
    assert columns(rows)[1] == "a          1"
