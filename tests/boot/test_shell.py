from __future__ import annotations

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from imgaudit.boot.shell import (
    MAX_ARGUMENT,
    MAX_NESTING,
    MAX_TEXT,
    Command,
    For,
    If,
    Loop,
    Script,
    Variable,
    expand,
    items,
    parse,
)
from imgaudit.boot.values import Text

VALUES = {
    "empty": Text(()),
    "two": Text.of("one two"),
    "quoted": Text.of("a 'b c' \"d e\""),
    "chained": Text.of("a;b && c"),
    "hole": Text.unknown("hole"),
    "long": Text.of("x" * (MAX_ARGUMENT // 2)),
}


def lookup(variable: Variable) -> Text:
    return VALUES[variable.name]


def ignore(name: str, value: Text) -> None:
    del name, value


def arguments(text: str) -> list[str]:
    script = parse(text, "v")
    assert script.problem is None, script.problem
    node = script.units[0].steps[0].node
    assert isinstance(node, Command)
    return [str(word) for word in expand(node.words, lookup, ignore).words]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("echo a  b\tc", ["echo", "a", "b", "c"]),
        ("echo 'a  b' \"c  d\"", ["echo", "a  b", "c  d"]),
        (r"echo a\;b \$two", ["echo", "a;b", "$two"]),
        ("echo '$two' \"\"", ["echo", "$two", ""]),
        ("echo # the rest", ["echo"]),
        ("bootm 100#conf", ["bootm", "100#conf"]),
        # common/cli_hush.c: inside double quotes both characters are kept
        (r'echo "a\b"', ["echo", r"a\b"]),
        # an unquoted value is split, a quoted one is not
        ("echo ${two} x", ["echo", "one", "two", "x"]),
        ('echo "$two" x', ["echo", "one two", "x"]),
        ("echo a${two}b", ["echo", "aone", "twob"]),
        # an empty value moves later arguments up, a quoted one does not
        ("booti ${empty} - x", ["booti", "-", "x"]),
        ('booti "${empty}" - x', ["booti", "", "-", "x"]),
        # quotes in a value count, operators in it do not
        ("echo ${quoted}", ["echo", "a", "b c", "d e"]),
        ("echo ${chained}", ["echo", "a;b", "&&", "c"]),
        ("echo ${hole} a${hole}", ["echo", "${hole}", "a${hole}"]),
        ("echo a$ b", ["echo", "a$", "b"]),
    ],
)
def test_words(text: str, words: list[str]) -> None:
    assert arguments(text) == words


def test_a_for_splits_also_what_is_quoted() -> None:
    node = parse('for i in "$two" ${empty} ${hole}x; do true; done', "v").units[0].steps[0].node
    assert isinstance(node, For)
    assert [str(item) for item in items(node.words, lookup)] == ["one", "two", "${hole}x"]


def test_what_grows_without_end_becomes_unknown() -> None:
    assert arguments("echo ${long}${long}${long}")[-1] == "${too long}"
    assert arguments("echo ${long} ${long} ${long} ${long}")[-1] == "${too long}"


def test_positions_are_offsets_in_the_text() -> None:
    text = "true; if test a; then  run b; fi"
    steps = parse(text, "v").units[0].steps
    node = steps[1].node
    assert isinstance(node, If)
    assert text[node.at : node.end] == "if test a; then  run b; fi"
    body = node.branches[0][1].steps[0].node
    assert text[body.at : body.end] == "run b"


def test_compound_commands() -> None:
    script = parse(
        "if a; then b; elif c && d; then e; else f; fi; while g; do h; done; until i; do j; done",
        "v",
    )
    when, loop, until = (step.node for step in script.units[0].steps)
    assert isinstance(when, If)
    assert len(when.branches) == 2
    assert when.otherwise is not None
    assert isinstance(loop, Loop)
    assert not loop.until
    assert isinstance(until, Loop)
    assert until.until


@pytest.mark.parametrize(
    ("text", "at"),
    [
        ("a; fi", 3),
        ("then a", 0),
        ("if a; then b", 12),
        ("a | b", 2),
        ("a & b", 2),
        ("echo 'open", 5),
        ("echo ${open", 5),
        ("for i; do a; done", 7),
        ("for ${x} in a; do b; done", 4),
        ("for i in a; b; done", 12),
        ("if a; then b; fi c", 17),
        # a quote inside double quotes still opens one (test/hush/dollar.c)
        ('x="bar \'quux"', 7),
    ],
)
def test_a_problem_has_a_place_and_stops_the_whole_variable(text: str, at: int) -> None:
    script = parse(text, "v")
    assert script.problem is not None
    assert script.problem.at == at
    assert script.units == ()


def test_a_script_keeps_the_lines_before_a_problem() -> None:
    script = parse("a; b\nif c\nthen d; fi\ne | f\ng", "boot.scr", lines=True)
    assert script.problem is not None
    assert script.text[script.problem.at] == "|"
    assert len(script.units) == 2


def test_a_newline_ends_a_chain_behind_its_operator() -> None:
    for lines in (False, True):
        script = parse("a &&\nb", "v", lines=lines)
        assert script.problem is None
        steps = [step for unit in script.units for step in unit.steps]
        assert [step.follow for step in steps] == [";", ";"]


def test_nesting_is_bounded() -> None:
    def nested(depth: int) -> Script:
        return parse("if a; then " * depth + "b" + "; fi" * depth, "v")

    assert nested(MAX_NESTING).problem is None
    deeper = nested(MAX_NESTING + 1).problem
    assert deeper is not None
    assert "inside each other" in deeper.why
    assert nested(50_000).problem is not None


def test_a_text_that_is_too_long_is_refused() -> None:
    problem = parse("a;" * MAX_TEXT, "v").problem
    assert problem is not None
    assert problem.at == MAX_TEXT


def test_backslashes_in_a_value_escape_also_where_it_is_quoted() -> None:
    values = {"plain": Text.of(r"a\ b"), "inside": Text.of(r"'a\ b'")}
    node = parse("echo ${plain} ${inside}", "v").units[0].steps[0].node
    assert isinstance(node, Command)
    words = expand(node.words, lambda variable: values[variable.name], ignore).words
    assert [str(word) for word in words] == ["echo", "a b", "a b"]


def test_what_a_for_runs_over_is_bounded() -> None:
    node = (
        parse("for i in " + "a b " * MAX_ARGUMENT + "; do true; done", "v").units[0].steps[0].node
    )
    assert isinstance(node, For)
    assert len(items(node.words, lookup)) == MAX_ARGUMENT + 1


@example("if", True)
@given(st.text(st.sampled_from("ab ;&|\n'\"\\$#{}=?:-") | st.characters()), st.booleans())
def test_any_text_is_parsed(text: str, lines: bool) -> None:
    script = parse(text, "v", lines=lines)
    assert script.problem is None or 0 <= script.problem.at <= len(text)
