"""One thing has one word: what rules say, held against the table in DEVELOPERS.md."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from imgaudit.rules import checks
from imgaudit.rules.engine import Check
from tests._quotes import MODULES, TOP, texts

TABLE = re.compile(r"^\| ([^|]+) \| [^|]+ \| ([^|]+) \|$", re.MULTILINE)
# What is quoted is another's words; a field and an option, and the name of a file, are no prose.
NO_PROSE = re.compile(
    r"`[^`]*`|\"[^\"]*\"|'[^']*'|\{[^}]*\}|\S*[-./_=]\S*|imgaudit rescue|Devicetree Specification"
)
TOP_TEXTS = ("README.md", "DEVELOPERS.md", "imgaudit/CHANGELOG.md")
# The kernel's own word, in what is told of its message.
TOLD = {("ramdisk-window", "initrd")}


def avoided() -> dict[str, str]:
    """Give each word that is not said, with the one that is."""
    text = Path(__file__).parent.parent.joinpath("DEVELOPERS.md").read_text()
    _, _, words = text.partition("## Words")
    rows = TABLE.findall(words.partition("\n## ")[0])
    return {word: said for said, others in rows[1:] for word in others.split(", ")}


def test_the_table_has_words() -> None:
    assert avoided()["initramfs"] == "ramdisk"
    assert len(avoided()) > 9


@pytest.mark.parametrize("check", checks().values(), ids=list(checks()))
def test_a_rule_says_one_thing_in_one_word(check: Check) -> None:
    rule = check.rule
    for word in _unsaid(f"{rule.message} {rule.effect} {rule.fix} {rule.computed}"):
        assert (rule.name, word) in TOLD, f"{word}: say {avoided()[word]}"


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(TOP)))
def test_whatever_is_said_is_said_in_these_words(path: Path) -> None:
    """Titles, headings of tables, notes, errors of a command line or a layout: every sentence."""
    tree = ast.parse(path.read_text())
    said = [(line, text) for line, text in texts(tree) if " " in text or text.istitle()]
    if path.name == "cli.py":  # what a command's docstring says is its help
        functions = (node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef))
        said += [(node.lineno, ast.get_docstring(node) or "") for node in functions]
    for line, text in said:
        for word in _unsaid(text):
            raise AssertionError(f"line {line}: {word}: say {avoided()[word]}")


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(TOP)))
def test_one_function_says_how_many(path: Path) -> None:
    own = re.findall(r"(?:''|\"\") if [^}]*== 1 else (?:'s'|\"s\")", path.read_text())
    assert not own, "units.counted() says it"


@pytest.mark.parametrize("name", TOP_TEXTS)
def test_the_papers_say_it_in_these_words(name: str) -> None:
    text = TOP.parent.joinpath(name).read_text()
    code = False
    for number, line in enumerate(text.splitlines(), 1):
        code ^= line.startswith("```")
        table_of_words = name == "DEVELOPERS.md" and line.startswith("| ")
        if not code and not table_of_words and not line.startswith("    "):
            assert not list(_unsaid(line)), f"line {number}: {line}"


def _unsaid(text: str) -> Iterator[str]:
    prose = NO_PROSE.sub(" ", text)
    return (word for word in avoided() if re.search(rf"(?i)\b{word}s?\b", prose))
