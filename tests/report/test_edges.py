"""What reports draw, cut and count, on each side of each limit."""

from __future__ import annotations

import re
from collections.abc import Sequence

import pytest

from imgaudit.report import render
from imgaudit.report._style import Style
from imgaudit.report._svg import WIDTH, level, ram, strips, trend, widths
from imgaudit.tasks.sections import (
    Chain,
    Chip,
    Found,
    Headline,
    Line,
    Lines,
    Link,
    Part,
    Ram,
    RamRange,
    Report,
    Section,
    Slot,
    Table,
    Trend,
    Trends,
    Values,
    Verbatim,
    Verdict,
)
from imgaudit.units import Span


def report(*parts: Part, style: Style | None = None, form: str = "text") -> str:
    made = Report(command="audit", title="t", sections=(Section(None, parts),))
    return render(form, made, style or Style(width=60))


def chip(*sizes: int, used: int | None = None) -> Chip:
    """Give a chip whose first slot is a region `ab`, and the rest another."""
    at, slots = 0, []
    for number, size in enumerate(sizes):
        name = "" if number else "ab"
        level = used if not number else None
        slots.append(Slot(span=Span.sized(at, size), name=name, room=size, used=level))
        at += size
    return Chip(name="nor", what="", size=at, slots=tuple(slots))


# Pictures ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("first", "captions"), [(36, 1), (35, 2)])
def test_what_is_too_narrow_to_read_is_magnified(first: int, captions: int) -> None:
    shown = [caption for caption, _ in strips(chip(first, WIDTH - first))]
    assert shown == ["to scale", "small regions magnified"][:captions]
    bank = Ram(ranges=(RamRange(name="a", span=Span(0, first)),), banks=(Span(0, WIDTH),))
    assert len([caption for caption, _ in ram(bank)]) == captions


@pytest.mark.parametrize(
    ("wanted", "found"),
    [
        ([6.0, 994.0], [6.0, 994.0]),
        ([5.0, 995.0], [6.0, 994.0]),
        ([1.0, 6.0, 993.0], [6.0, 6.0, 988.0]),
        ([0.0, 0.0], [6.0, 6.0]),
    ],
)
def test_widths_have_a_least(wanted: Sequence[float], found: Sequence[float]) -> None:
    assert widths(wanted, 6) == pytest.approx(found)


@pytest.mark.parametrize(("width", "said"), [(17, []), (18, ["1"]), (36, ["1"]), (37, ["1 ab"])])
def test_a_name_stands_above_what_it_fits(width: int, said: list[str]) -> None:
    """Each letter takes 9 of 1,000."""
    _, picture = next(strips(chip(width, WIDTH - width)))
    assert re.findall(r'<text y="1em">([^<]*)</text>', picture) == said


def test_ram_is_cut_where_something_starts_or_ends() -> None:
    ranges = (RamRange(name="a", span=Span(0, 400)), RamRange(name="b", span=Span(400, 500)))
    _, picture = next(ram(Ram(ranges=ranges, banks=(Span(0, 1000),))))
    boxes = re.findall(r'<rect class="(\w+)" x="([\d.]+)%" width="([\d.]+)%"', picture)
    assert boxes == [
        ("c0", "0.00", "40.00"),
        ("c1", "40.00", "10.00"),
        ("free", "50.00", "50.00"),
    ]
    assert "<title>not in use</title>" in picture


@pytest.mark.parametrize(("used", "over"), [(100, []), (101, ["0.99"])])
def test_a_level_past_its_room(used: int, over: list[str]) -> None:
    shown = level(Slot(span=Span(0, 100), name="a", room=100, used=used), 0)
    assert re.findall(r'class="over" x="[\d.]+%" width="([\d.]+)%"', shown) == over
    assert f'aria-label="a: {used} % full"' in shown


@pytest.mark.parametrize(("last", "past"), [(1000, False), (1001, True)])
@pytest.mark.parametrize(("pace", "ahead"), [(10.0, True), (None, False)])
def test_a_line_over_the_releases(last: int, past: bool, pace: float | None, ahead: bool) -> None:
    shown = trend(
        Trend(
            name="a",
            room=1000,
            sizes=(970, 980, None, last),
            pace=pace,
            slow=5.0,
            fast=20.0,
            says="",
            cells=(),
        )
    )
    assert ('class="line past"' in shown) == past
    assert shown.count('class="dot') == 3
    assert shown.count('class="ahead"') == shown.count('class="range"') == ahead
    # Three releases ahead at the pace, from the last one on, at half of the width.
    (line,) = re.findall(r'class="line[ past]*" points="([^"]*)"', shown)
    assert line.split()[-1].startswith("500.0," if ahead else "1000.0,")


@pytest.mark.parametrize(
    ("used", "said"), [(64, "64 B, 0 % free"), (65, "1 B too many"), (0, "0 B, 100 % free")]
)
def test_a_level_in_a_text(used: int, said: str) -> None:
    shown = report(chip(64, 64, used=used))
    assert said in shown
    assert ("█" in shown) == (used > 0)
    page = report(chip(64, 64, used=used), form="html")
    assert ("1 B too many" in page) == (used == 65)


@pytest.mark.parametrize(("letters", "again"), [(14, False), (15, True)])
def test_a_name_that_its_box_cuts_stands_beside_it(letters: int, again: bool) -> None:
    slot = Slot(span=Span(0, 64), name="r" * letters, room=64, lines=("64 B",))
    shown = report(Chip(name="nor", what="", size=64, slots=(slot,)), style=Style(width=120))
    assert (f"{'r' * letters}: 64 B" in shown) == again


# Every part, in every form for people -------------------------------------------------------------


@pytest.mark.parametrize("form", ["text", "markdown", "html"])
@pytest.mark.parametrize(
    ("part", "words"),
    [
        (Lines((Line("deep", depth=6, mark="!"), Line("said", name="named"))), "deep named said"),
        (Values((("board", "heron"), ("chips", "two"))), "board heron chips two"),
        (Table(head=("h",), rows=(("cell",),), title="over it"), "over it h cell"),
        (
            Chip(
                name="nor",
                what="",
                size=64,
                slots=(
                    Slot(span=Span(0, 32), name="env", lines=("32 B",), room=32, used=16),
                    Slot(span=Span(32, 64), lines=("rest",)),
                ),
            ),
            "env",
        ),
        (
            Ram(
                ranges=(RamRange(name="kernel", span=Span(0, 4096)),),
                banks=(Span(0, 8192),),
                unplaced=("nobody knows the tree",),
            ),
            "kernel nobody knows the tree",
        ),
        (
            Chain(name="main", verdict="proven", role="", links=(Link("Image", at="boot"),)),
            "main proven boot Image",
        ),
        (Chain(name="main", verdict="refuted", role="", says="no init"), "main refuted no init"),
        (
            Trends(
                releases=("1", "2"),
                head=("region", "pace", "says"),
                trends=(
                    Trend(
                        name="fw",
                        room=9,
                        sizes=(1, None),
                        pace=None,
                        slow=0,
                        fast=0,
                        says="full soon",
                        cells=("2 B", "full soon"),
                    ),
                ),
            ),
            "fw region pace 2 B full soon",
        ),
    ],
    ids=lambda value: type(value).__name__,
)
def test_no_form_leaves_out_what_a_part_says(part: Part, words: str, form: str) -> None:
    shown = report(part, form=form)
    assert [word for word in words.split() if word not in shown] == []


@pytest.mark.parametrize(
    ("form", "word"), [("text", "FAIL"), ("markdown", "FAIL"), ("html", "must not be flashed")]
)
def test_every_form_has_the_verdict_first(form: str, word: str) -> None:
    verdict = Verdict(role="bad", word="FAIL", counts="4 errors")
    made = Report(
        command="audit",
        title="t",
        verdict=verdict,
        sections=(
            Section(None, (Headline(verdict, "of the gauge"),)),
            Section(None, (Lines((Line("behind"),)),)),
        ),
    )
    shown = render(form, made, Style(width=60))
    places = [shown.rindex(said) for said in (word, "4 errors", "of the gauge", "behind")]
    assert places == sorted(places)


def test_a_hint_for_a_terminal_is_no_part_of_a_page() -> None:
    hint = Verbatim("imgaudit explain tide")
    assert all(hint.text in report(hint, form=form) for form in ("text", "markdown"))
    assert hint.text not in report(hint, form="html")


def test_a_bar_is_as_full_as_the_region() -> None:
    for used, bar in ((0, "░" * 10 + " 0 %"), (32, "█" * 5 + "░" * 5 + " 50 %"), (99, "█" * 10)):
        slot = Slot(span=Span(0, 64), name="env", room=64, used=used)
        shown = report(Chip(name="nor", what="", size=64, slots=(slot,)), form="markdown")
        assert bar in shown
    empty = Slot(span=Span(0, 64), name="env")
    shown = report(Chip(name="nor", what="", size=64, slots=(empty,)), form="markdown")
    assert "░" not in shown


# Tables ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("form", ["text", "markdown", "html"])
@pytest.mark.parametrize(("more", "said"), [(0, False), (1, True)])
def test_rows_that_are_left_out_are_counted(form: str, more: int, said: bool) -> None:
    shown = report(Table(head=("a", "b"), rows=(("1", "2"),), more=more), form=form)
    assert (f"and {more:,} more" in shown) == said


# 60 columns, of which two are in front and two between the cells: 56 for the two of them.
@pytest.mark.parametrize(
    ("words", "lines"),
    [
        (("a" * 10, "b " * 23), 1),
        (("a" * 10, "b " * 24), 2),
        (("a " * 20, "b " * 20), 2),
    ],
)
def test_a_row_that_is_too_long_goes_on_in_the_next_line(
    words: tuple[str, str], lines: int
) -> None:
    row = tuple(word.strip() for word in words)
    table = Table(head=("", ""), rows=(row,), wraps=frozenset({0, 1} if lines > 1 else {1}))
    shown = [line for line in report(table).splitlines() if line.strip()]
    assert len(shown) == lines
    assert all(len(line) <= 60 for line in shown)
    assert "".join(shown).count("b") == row[1].count("b")


def test_only_a_cell_that_may_goes_on_in_the_next_line() -> None:
    table = Table(head=("", ""), rows=(("a" * 30, "b " * 24),), wraps=frozenset({1}))
    shown = [line for line in report(table).splitlines() if line.strip()]
    assert [line.split()[0] for line in shown] == ["a" * 30, "b"]
    assert max(map(len, shown)) == 59


def test_no_cell_gets_narrower_than_twelve_columns() -> None:
    row = tuple(letter * 30 for letter in "abcdef")
    table = Table(head=("",) * 6, rows=(row,), wraps=frozenset(range(6)))
    shown = [line for line in report(table).splitlines() if line.strip()]
    assert shown[0].split() == [letter * 12 for letter in "abcdef"]
    assert len(shown) == 3


# The verdict -------------------------------------------------------------------------------------


def found(name: str, *, waived: str | None = None) -> Found:
    return Found(
        name=name,
        severity="error",
        region="recovery",
        artifact=None,
        chip=None,
        where=None,
        offset=None,
        length=None,
        message=f"{name} is wrong",
        effect="It stops.",
        fix="Mend it.",
        values={},
        waived=waived,
    )


@pytest.mark.parametrize(("count", "more"), [(2, ""), (3, "and 1 more"), (4, "and 2 more")])
def test_the_page_leads_to_the_two_worst(count: int, more: str) -> None:
    verdict = Verdict(word="FAIL", role="bad", counts="errors")
    names = ("one", "two", "three", "four")[:count]
    items = (found("waived", waived="known"), *map(found, names))
    shown = render(
        "html",
        Report(
            command="audit",
            title="t",
            verdict=verdict,
            sections=(Section(None, (Headline(verdict),)),),
            findings=items,
        ),
    )
    assert '<a href="#f2">recovery: one is wrong.</a>' in shown
    assert '<a href="#f3">recovery: two is wrong.</a>' in shown
    assert ('<a href="#f4">' in shown) == bool(more)
    assert f'<a href="#f4">{more}</a>' in shown or not more


@pytest.mark.parametrize(("count", "more"), [(3, ""), (4, "<p>and 1 more</p>")])
def test_the_page_names_three_of_what_is_open(count: int, more: str) -> None:
    verdict = Verdict(word="INCOMPLETE", role="warn", counts="open")
    left = tuple(f"line {number} is open" for number in range(count))
    shown = render("html", Report(command="audit", title="t", verdict=verdict, left=left))
    assert re.findall(r'<p class="warn">(line \d) is open</p>', shown) == [
        "line 0",
        "line 1",
        "line 2",
    ]
    assert re.findall(r"<p>and \d more</p>", shown) == ([more] if more else [])
