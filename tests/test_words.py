"""One thing has one word: what rules say, held against the table in DEVELOPERS.md."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from imgaudit.rules import checks
from imgaudit.rules.engine import Check

TABLE = re.compile(r"^\| ([^|]+) \| [^|]+ \| ([^|]+) \|$", re.MULTILINE)
# What is quoted is another's words; a field and an option, and the name of a file, are no prose.
NO_PROSE = re.compile(r"`[^`]*`|\"[^\"]*\"|'[^']*'|\{[^}]*\}|\S*[-./_=]\S*|imgaudit rescue")
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
    prose = NO_PROSE.sub(" ", f"{rule.message} {rule.effect} {rule.fix} {rule.computed}")
    for word, said in avoided().items():
        if (rule.name, word) not in TOLD:
            assert not re.search(rf"(?i)\b{word}s?\b", prose), f"{word}: say {said}"
