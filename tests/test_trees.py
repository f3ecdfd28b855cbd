"""What the rules cite, looked up in the source trees of Debian's packages, word for word.

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
    text = re.sub(r"\n[ \t]*(?:\*|#|//)[ \t]?", "\n ", text)
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


# Messages that are put together from two places.
JOINED = {"bad CRC, using default environment": ("bad CRC", "%s, using default environment")}


def quoted(text: str) -> list[str]:
    """Give what a text quotes: more than one word in quotation marks."""
    both = re.findall(r'"([^"]+)"', text) + re.findall(r"(?<!\w)'([^']+)'(?!\w)", text)
    return [words for words in both if " " in words and not re.fullmatch(r"\{\w+\}", words)]


@EVERY
def test_a_message_that_is_quoted_stands_in_a_cited_file(rule: Rule) -> None:
    texts = [told(source.project, source.file) for source in trees_of(rule)]
    for words in quoted(f"{rule.message} {rule.effect} {rule.fix} {rule.computed}"):
        for whole in JOINED.get(words, (words,)):
            # A field, or what is left out, is anything; so is what the program fills in.
            parts = re.split(r"\{[^}]*\}|\.\.\.|…|-?\d+", whole)
            wanted = r".{0,40}?".join(re.escape(part) for part in parts)
            assert any(re.search(wanted, text) for text in texts), words
