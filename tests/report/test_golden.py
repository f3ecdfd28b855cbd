"""The reports as they are printed; `pytest --update-golden` writes them anew."""

from __future__ import annotations

import json
import unicodedata
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from imgaudit import __version__
from imgaudit.clean import cells
from imgaudit.errors import LayoutError
from imgaudit.layout.load import parse
from imgaudit.report import PLAIN, Style, render
from imgaudit.rules import checks
from imgaudit.rules.built import subject_of
from imgaudit.rules.engine import Example
from imgaudit.tasks import audit, board
from imgaudit.tasks import map as drawing
from tests.report._golden import LAYOUT, result

GOLDEN = Path(__file__).parent / "golden"
ASCII = Style(unicode=False)


def draw(style: Style) -> str:
    layout = result().subject.layout
    assert layout is not None
    return render("text", drawing.draw(layout), style)


def audited(style: Style = PLAIN) -> str:
    return render("text", board.audit(result()), style)


REPORTS: dict[str, Callable[[], str]] = {
    "text.txt": audited,
    "text-narrow.txt": lambda: audited(Style(width=60, unicode=False)),
    "text-colour.txt": lambda: audited(Style(colour=True)),
    "report.json": lambda: render("json", board.audit(result())),
    "map.txt": lambda: draw(PLAIN),
    "map-ascii.txt": lambda: draw(ASCII),
}


@pytest.mark.parametrize("name", REPORTS)
def test_golden(name: str, request: pytest.FixtureRequest) -> None:
    report = REPORTS[name]().replace(f'"version": "{__version__}"', '"version": "0"')
    if request.config.getoption("--update-golden"):
        GOLDEN.mkdir(exist_ok=True)
        (GOLDEN / name).write_text(report)
    assert report == (GOLDEN / name).read_text()


def test_colour_changes_nothing_else() -> None:
    import re

    painted = re.sub(r"\x1b\[[0-9;]*m", "", audited(Style(colour=True)))
    assert painted == audited()
    drawn = re.sub(r"\x1b\[[0-9;]*m", "", draw(Style(colour=True)))
    assert drawn == draw(PLAIN)


def test_ascii_where_it_is_asked_for() -> None:
    assert draw(ASCII).isascii()
    assert not draw(PLAIN).isascii()
    assert audited(ASCII).isascii()


def test_json_values() -> None:
    report = json.loads(render("json", board.audit(result())))
    assert report["counts"]["waived"] == 1
    assert report["verdict"] == "fail"
    regions = {region["name"]: region for region in report["regions"]}
    assert regions["firmware"]["used"] == 64_000
    assert regions["firmware"]["free"] == 1536
    assert regions["firmware"]["headroom-percent"] == 2.34
    assert regions["env-a"]["used"] is None
    for finding in report["findings"]:
        assert finding["where"]["line"] > 1


# What YAML lets through in a quoted text, and what it does not, written as an escape.
names = st.text(
    st.characters(min_codepoint=0x20, max_codepoint=0xFFFD, exclude_categories=["Cs"]), max_size=90
)


@given(names, names)
def test_hostile_names_fit_and_do_nothing(file: str, purpose: str) -> None:
    layout = (
        LAYOUT.split("stages:")[0]
        .replace("fw.bin", json.dumps("x" + file))
        .replace("First stage and U-Boot", json.dumps("x" + purpose))
    )
    try:
        subject = subject_of(Example(layout))
    except LayoutError:
        assume(False)
    report = render(
        "text", board.audit(audit.run(subject, only=[checks()["artifact-missing"]])), ASCII
    )
    assert subject.layout is not None
    for line in (report + render("text", drawing.draw(subject.layout), ASCII)).splitlines():
        assert cells(line) <= 80
        assert all(unicodedata.category(letter)[0] != "C" for letter in line)


def test_the_map_draws_to_scale_and_keeps_small_regions() -> None:
    rows = draw(PLAIN).splitlines()
    start = next(number for number, row in enumerate(rows) if "│ recovery " in row)
    length = next(n for n, row in enumerate(rows[start:]) if row.startswith("  0x"))
    assert length > 12
    assert any("│ env-a " in row for row in rows)
    assert "2.8 MiB free" in draw(PLAIN)


def test_a_map_of_nothing() -> None:
    layout = parse(
        b"layout: 1\nboard: b\narch: arm\nregions: []\n"
        b"chips: {nor: {kind: spi-nor, size: 1 MiB, erase-block: 64 KiB}}\n",
        "f",
    )
    drawn = render("text", drawing.draw(layout))
    assert drawn.startswith("b\n\nnor  SPI-NOR flash, 1 MiB, erase blocks of 64 KiB\n")
    assert "1 MiB free" in drawn
