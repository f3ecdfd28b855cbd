"""No message of a console is quoted without the record that says where it stands.

`tests/test_trees.py` looks the records up in the source trees.
"""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

from imgaudit.formats.cpio import KernelWords
from imgaudit.rescue import first
from imgaudit.rules import checks
from imgaudit.rules.built import subject_of
from imgaudit.rules.cited import Source
from imgaudit.rules.engine import Check
from imgaudit.tasks import audit
from tests._quotes import MODULES, TOP, quoted, stands, texts

_OURS = {"fill in"}  # what a draft has for its reader
ALL = [source for check in checks().values() for source in check.rule.sources]
EVERY = pytest.mark.parametrize("check", checks().values(), ids=list(checks()))


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
    for line, text in texts(ast.parse(path.read_text())):
        for words in quoted(text):
            assert words in _OURS or stands(words, own or ALL), f"line {line}: {words}"


def _sources(check: Check, module: str) -> tuple[Source, ...]:
    return check.rule.sources if check.run.__module__ == module else ()
