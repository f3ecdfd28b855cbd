"""What the rules cite, looked up in the source trees of Debian's packages, word for word.

That every message which is quoted has such a record is for `tests/test_quotations.py`.

`python -m tests.trees DIR` unpacks the cited files; `SOURCE_TREES=DIR` has these tests run.
"""

from __future__ import annotations

import os
import re
from functools import cache
from pathlib import Path

import pytest

from imgaudit.rules import checks
from imgaudit.rules.cited import Basis, Source
from imgaudit.rules.engine import Rule
from tests.trees import MANUALS

pytestmark = pytest.mark.trees
EVERY = pytest.mark.parametrize(
    "rule", [check.rule for check in checks().values()], ids=list(checks())
)


@cache
def tree_text(project: str, file: str) -> str:
    return Path(os.environ["SOURCE_TREES"], project, file).read_text(errors="replace")


@cache
def told(project: str, file: str) -> str:
    """Give a file as it reads: strings joined, the frames of comments and the breaks taken out."""
    text = tree_text(project, file).replace("\\\n", " ")
    text = re.sub(r"\n[ \t]*(?:\*|#|//+)[ \t]?", "\n ", text)
    text = text.replace('\\n"', '"')
    text = re.sub(r'(?<!\\)"\s*(?:PRI\w+\s*)?(?<!\\)"', "", text)
    text = text.replace('\\"', '"').replace("\\n", " ").replace("``", "`")
    return re.sub(r"\s+", " ", text)


def trees_of(rule: Rule) -> list[Source]:
    return [source for source in rule.sources if source.basis is Basis.TREE]


@EVERY
def test_what_is_cited_stands_there(rule: Rule) -> None:
    for source in trees_of(rule):
        symbol = rf"(?<!\w){re.escape(source.symbol)}(?!\w)" if source.symbol else ""
        assert re.search(symbol, tree_text(source.project, source.file)), str(source)
        assert source.says in told(source.project, source.file), str(source)


REQUESTS = re.compile(r"^[.'](?:\\\".*$|[A-Za-z]{1,2}\b *)", re.MULTILINE)
ESCAPES = {r"\(aq": "'", r"\(cq": "'", r"\-": "-", r"\&": "", r"\e": "\\", r"\ ": " "}


@cache
def page_text(page: str) -> str:
    """Give a manual page as it reads: without requests, fonts and breaks."""
    path = Path(os.environ["SOURCE_TREES"], MANUALS, page)
    text = REQUESTS.sub("", path.read_text(errors="replace"))
    text = re.sub(r"\\f(?:\[[^\]]*\]|\(..|.)", "", text)
    for escape, char in ESCAPES.items():
        text = text.replace(escape, char)
    return re.sub(r"\s+", " ", text.replace('"', ""))


@EVERY
def test_a_manual_page_is_there_and_has_the_sentence(rule: Rule) -> None:
    for source in rule.sources:
        if source.basis is Basis.MANUAL:
            assert source.says in page_text(source.project), str(source)
