"""The texts of the modules, and what they quote of a console, held against source records."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterable, Iterator
from pathlib import Path

import imgaudit
from imgaudit.rules.cited import Basis, Source

TOP = Path(imgaudit.__file__).parent
# Their texts are files, markup and a manual page, which quote nothing.
_NO_TEXTS = {"demo", "report", "writers", "manual.py"}
MODULES = sorted(
    path
    for path in TOP.rglob("*.py")
    if not _NO_TEXTS & set(path.relative_to(TOP).parts) and "recipes" not in path.parts
)

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


def texts(tree: ast.AST) -> Iterator[tuple[int, str]]:
    """Give the strings of a module with their lines, but for docstrings and source records."""
    for node in ast.iter_child_nodes(tree):
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            continue
        called = (
            node.func.id if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) else ""
        )
        if called.startswith("in_") or called in {"manual", "seen", "standard"}:
            continue
        if isinstance(node, ast.JoinedStr):
            parts = (
                str(part.value) if isinstance(part, ast.Constant) else "{}" for part in node.values
            )
            yield node.lineno, "".join(parts)
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield node.lineno, node.value
        else:
            yield from texts(node)
