"""What a text quotes of a console, held against the sentences of source records."""

from __future__ import annotations

import re
from collections.abc import Iterable

from imgaudit.rules.cited import Basis, Source

# Messages that a program puts together from two places.
JOINED = {"bad CRC, using default environment": ("bad CRC", "%s, using default environment")}
_FILLED = re.compile(r"\{[^}]*\}|\.\.\.|…|-?\d+|0x[0-9a-f]+")
_PLACEHOLDER = re.compile(r"%[-#0-9.]*[hlz]*[a-zA-Z]")


def quoted(text: str) -> list[str]:
    """Give what a text quotes: more than one word in quotation marks."""
    both = re.findall(r'"([^"]+)"', text) + re.findall(r"(?<!\w)'([^']+)'(?!\w)", text)
    return [words for words in both if " " in words and not re.fullmatch(r"\{\w+\}", words)]


def stands(words: str, sources: Iterable[Source]) -> bool:
    """Tell whether a record of a source tree has these words, whatever is filled into them."""
    says = [source.says for source in sources if source.basis is Basis.TREE and source.says]
    wholes = JOINED.get(words, (words,))
    return all(any(_alike(whole, sentence) for sentence in says) for whole in wholes)


def _alike(words: str, sentence: str) -> bool:
    # What is left out or filled in stands for anything, in either of the two.
    return _has(sentence, _FILLED.split(words)) or _has(words, _PLACEHOLDER.split(sentence))


def _has(text: str, parts: list[str]) -> bool:
    """Tell whether a text has these parts in a row; what says nothing has no place."""
    plain = sum(char.isalnum() for part in parts for char in part)
    return plain >= 6 and re.search(r".{0,60}?".join(map(re.escape, parts)), text) is not None
