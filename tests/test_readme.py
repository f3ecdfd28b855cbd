"""The README's examples are what the program prints; `…` stands for lines left out."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest
from click.testing import CliRunner

import imgaudit
from imgaudit.cli import main
from imgaudit.layout.schema import schema

ROOT = Path(imgaudit.__file__).parent.parent
README = (ROOT / "README.md").read_text()
EXAMPLES = re.findall(r"```\n\$ imgaudit ([^\n]*)\n(.*?)```", README, re.DOTALL)


def test_there_are_examples() -> None:
    assert len(EXAMPLES) == 3


@pytest.mark.parametrize(("command", "expected"), EXAMPLES, ids=[item[0] for item in EXAMPLES])
def test_examples(
    command: str, expected: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    runner = CliRunner()
    runner.invoke(main, ["demo"])
    printed = runner.invoke(main, shlex.split(command)).stdout
    for piece in expected.split("…\n"):
        assert piece in printed


def test_every_command_is_in_the_table() -> None:
    assert set(re.findall(r"^\| `imgaudit ([a-z]+)", README, re.MULTILINE)) == set(
        main.commands
    ) - {"demo"}


def test_the_shared_schema_is_the_one_that_is_printed() -> None:
    printed = CliRunner().invoke(main, ["schema"]).stdout
    assert (ROOT / "shared" / "layout.schema.json").read_text() == printed
    assert schema()["$schema"] in printed
