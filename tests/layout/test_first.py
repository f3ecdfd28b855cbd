"""The layouts of the first version load as they are: nobody has to change a file to go on."""

from __future__ import annotations

from pathlib import Path

import pytest

from imgaudit.layout.load import load

FIRST = sorted(Path(__file__).with_name("first").glob("*.yaml"))


@pytest.mark.parametrize("path", FIRST, ids=lambda path: path.stem)
def test_it_loads_as_it_is(path: Path) -> None:
    layout = load(str(path))
    names = [line.split("name:")[1].split(",")[0].strip() for line in _regions(path)]
    assert [region.name for region in layout.regions] == names


def test_there_are_three() -> None:
    assert len(FIRST) == 3


def _regions(path: Path) -> list[str]:
    text = path.read_text().partition("\nregions:\n")[2]
    lines = text.splitlines()
    end = next((at for at, line in enumerate(lines) if line and line[0].isalpha()), len(lines))
    return [line for line in lines[:end] if line.lstrip().startswith(("- name:", "- {name:"))]
