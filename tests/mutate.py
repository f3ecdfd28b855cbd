"""Change comparisons, and tell which changes no test notices.

    python -m tests.mutate imgaudit/formats/gpt.py tests/formats/test_gpt.py

Every `<`, `<=`, `>` and `>=` of the file is moved by one: `<` becomes `<=`, and so on. The tests
named behind it run on a copy of the repository; a change with which they all pass is printed. Not
part of CI: a file takes minutes.
"""

from __future__ import annotations

import ast
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
OTHER = {ast.Lt: ("<", "<="), ast.LtE: ("<=", "<"), ast.Gt: (">", ">="), ast.GtE: (">=", ">")}
PARTS = ("imgaudit", "tests", "layouts", "shared", "pyproject.toml", "README.md", "DEVELOPERS.md")


def mutants(source: str) -> Iterator[tuple[int, str]]:
    """Give each changed source with the line of its change."""
    lines = source.splitlines(keepends=True)
    # The tree counts columns in bytes.
    starts = [0]
    for line in lines:
        starts.append(starts[-1] + len(line.encode()))
    data = source.encode()

    def at(line: int, column: int) -> int:
        return starts[line - 1] + column

    for node in ast.walk(ast.parse(source)):
        if not isinstance(node, ast.Compare):
            continue
        left = node.left
        for operator, right in zip(node.ops, node.comparators, strict=True):
            if type(operator) in OTHER:
                old, new = OTHER[type(operator)]
                begin = at(left.end_lineno or 0, left.end_col_offset or 0)
                place = data.index(old.encode(), begin, at(right.lineno, right.col_offset))
                changed = data[:place] + new.encode() + data[place + len(old) :]
                yield right.lineno, changed.decode()
            left = right


def main(file: str, *tests: str) -> int:
    """Print the changes that survive; give how many."""
    source = (ROOT / file).read_text(encoding="utf-8")
    survivors = 0
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder)
        for part in PARTS:
            if (ROOT / part).is_dir():
                shutil.copytree(ROOT / part, copy / part, ignore=shutil.ignore_patterns("*.pyc"))
            else:
                shutil.copy(ROOT / part, copy / part)
        all_of = list(mutants(source))
        for line, changed in all_of:
            (copy / file).write_text(changed, encoding="utf-8")
            if _passes(copy, tests):
                survivors += 1
                print(f"{file}:{line}: {changed.splitlines()[line - 1].strip()}")
    print(f"{survivors} of {len(all_of)} survive")
    return survivors


def _passes(folder: Path, tests: Sequence[str]) -> bool:
    words = [sys.executable, "-m", "pytest", "-qx", "-p", "no:cacheprovider", *tests]
    environment = {**os.environ, "PYTHONPATH": str(folder), "PYTHONDONTWRITEBYTECODE": "1"}
    done = subprocess.run(words, cwd=folder, env=environment, capture_output=True, check=False)
    return done.returncode == 0


if __name__ == "__main__":
    sys.exit(bool(main(*sys.argv[1:])))
