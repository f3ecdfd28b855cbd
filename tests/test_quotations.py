"""No message of a console is quoted without the record that says where it stands.

`tests/test_trees.py` looks the records up in the source trees.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

import imgaudit
from imgaudit.formats.cpio import KernelWords
from imgaudit.rescue import first
from imgaudit.rules import checks
from imgaudit.rules.built import subject_of
from imgaudit.rules.cited import Source
from imgaudit.rules.engine import Check
from imgaudit.tasks import audit
from tests._quotes import quoted, stands

TOP = Path(imgaudit.__file__).parent
ALL = [source for check in checks().values() for source in check.rule.sources]
EVERY = pytest.mark.parametrize("check", checks().values(), ids=list(checks()))
# Their texts are files, markup and a manual page, which quote nothing.
_OURS = {"fill in"}  # what a draft has for its reader
_NO_TEXTS = {"demo", "report", "writers", "manual.py"}
MODULES = sorted(
    path
    for path in TOP.rglob("*.py")
    if not _NO_TEXTS & set(path.relative_to(TOP).parts) and "recipes" not in path.parts
)


@EVERY
def test_a_rule_quotes_what_a_record_of_its_own_has(check: Check) -> None:
    rule = check.rule
    for words in quoted(f"{rule.message} {rule.effect} {rule.fix} {rule.computed}"):
        assert stands(words, rule.sources), words


@EVERY
def test_a_finding_quotes_what_a_record_has(check: Check) -> None:
    findings = audit.run(subject_of(check.rule.bad), only=[check]).findings
    for finding in findings:
        text = f"{finding.message} {finding.effect} {finding.fix}"
        # The build's own words are no message of a console.
        own = [str(value) for value in finding.values.values() if isinstance(value, str)]
        for value in sorted(filter(None, own), key=len, reverse=True):
            text = text.replace(value, "{}")
        for words in quoted(text):
            assert stands(words, check.rule.sources), words


@pytest.mark.parametrize("words", [*KernelWords, first.NO_INIT, first.REQUESTED, first.KILLED])
def test_what_the_lower_floors_pass_on_has_a_record(words: str) -> None:
    assert stands(words, ALL)


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(TOP)))
def test_a_module_quotes_what_a_record_has(path: Path) -> None:
    name = ".".join(("imgaudit", *path.relative_to(TOP).with_suffix("").parts))
    own = [source for check in checks().values() for source in _sources(check, name)]
    for line, text in _texts(ast.parse(path.read_text())):
        for words in quoted(text):
            assert words in _OURS or stands(words, own or ALL), f"line {line}: {words}"


def _sources(check: Check, module: str) -> tuple[Source, ...]:
    return check.rule.sources if check.run.__module__ == module else ()


def _texts(tree: ast.AST) -> Iterator[tuple[int, str]]:
    """Give the strings of a module with their lines, but for docstrings and source records."""
    for node in ast.iter_child_nodes(tree):
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            continue
        called = (
            node.func.id if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) else ""
        )
        if called.startswith("in_") or called == "seen":
            continue
        if isinstance(node, ast.JoinedStr):
            parts = (
                str(part.value) if isinstance(part, ast.Constant) else "{}" for part in node.values
            )
            yield node.lineno, "".join(parts)
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield node.lineno, node.value
        else:
            yield from _texts(node)
