"""The page in a real browser: three widths, light, dark and print, by keyboard and by reader."""

from __future__ import annotations

import re
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

from imgaudit.cli import main
from imgaudit.demo.build import build
from imgaudit.report import render
from imgaudit.tasks.sections import (
    Chain,
    Chip,
    Line,
    Lines,
    Link,
    Ram,
    RamRange,
    Report,
    Section,
    Slot,
    Table,
    Trend,
    Trends,
    heading,
)
from imgaudit.units import Span
from tests.report._browser import Browser, browser
from tests.report.test_forms import EVIL, hostile

pytestmark = pytest.mark.oracle
PAGES = ("whole", "broken", "hostile")


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    with browser() as found:
        yield found


@pytest.fixture(scope="module")
def pages(whimbrel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A sound build with its history, a broken one, and one of hostile names."""
    folder = tmp_path_factory.mktemp("pages")
    broken = build(folder / "broken", "recovery-too-big").parent
    sealed = folder / "1.json"
    _run("seal", whimbrel / "whimbrel.yaml", "--artifacts", whimbrel, "--output", sealed)
    names = {"whole": (whimbrel, 0), "broken": (broken, 1)}
    for name, (artifacts, status) in names.items():
        page = f"html={folder / name}.html"
        words = ("audit", artifacts / "whimbrel.yaml", "--artifacts", artifacts, "--report", page)
        _run(*words, *("--history", sealed) * 5, status=status)
    (folder / "hostile.html").write_text(render("html", _of_everything()))
    return folder


def _run(*words: str | Path, status: int = 0) -> None:
    done = CliRunner().invoke(main, [str(word) for word in words])
    assert done.exit_code == status, done.output


def _of_everything() -> Report:
    long = "n" * 300
    slots = (
        Slot(span=Span(0, 10), name=EVIL, lines=(EVIL,), purpose=EVIL, room=10, used=20),
        Slot(span=Span(10, 10**6), name=long, room=100, used=0),
    )
    ranges = (RamRange(name=EVIL, span=Span(0, 9)), RamRange(name=long, span=Span(5, 20)))
    trend = Trend(
        name=EVIL, room=5, sizes=(1, None, 9), pace=1.0, slow=-1, fast=2, says=EVIL, cells=(EVIL,)
    )
    parts = (
        Chip(name=EVIL, what=EVIL, size=10**6, slots=slots),
        Chain(name=EVIL, verdict=EVIL, role="bad", links=(Link(EVIL, long, EVIL),), says=EVIL),
        Ram(ranges=ranges, banks=(Span(0, 100),), unplaced=(EVIL,)),
        Trends(releases=(EVIL, long, "c"), head=(EVIL, long), trends=(trend,)),
        Table(head=(EVIL, long), rows=((EVIL, long),), title=EVIL, more=3),
        Lines((Line(long, name=EVIL), Line(EVIL))),
    )
    report = hostile()
    return replace(report, sections=(*report.sections, Section(heading(long), parts)))


@pytest.mark.parametrize("name", PAGES)
@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("width", [400, 900, 1600])
def test_it_shows_at_any_width_without_a_word(
    chromium: Browser, pages: Path, name: str, width: int, dark: bool
) -> None:
    chromium.show(pages / f"{name}.html", width, dark=dark)
    all_, body = chromium.run(
        "return [document.documentElement.scrollWidth, document.body.scrollWidth]"
    )
    assert max(all_, body) <= width
    assert chromium.said() == []
    # What scrolls by itself may be wider than the page, nothing else.
    assert not chromium.run(
        "return [...document.querySelectorAll('body *')].filter(it => !it.closest('.scroll, svg')"
        " && it.getBoundingClientRect().right > innerWidth + 1).map(it => it.outerHTML)"
    )
    background = chromium.run("return getComputedStyle(document.body).backgroundColor")
    assert (sum(map(int, re.findall(r"\d+", background)[:3])) < 300) is dark


@pytest.mark.parametrize("name", PAGES)
@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_axe_finds_nothing(chromium: Browser, pages: Path, name: str, dark: bool) -> None:
    chromium.show(pages / f"{name}.html", 900, dark=dark)
    assert chromium.violations() == []


def test_axe_would_find_something(chromium: Browser, tmp_path: Path) -> None:
    bad = "<!doctype html><html><body><svg role='img'></svg><p style='color:#eee'>pale words</p>"
    (tmp_path / "bad.html").write_text(bad)
    chromium.show(tmp_path / "bad.html", 900)
    found = " ".join(chromium.violations())
    assert all(rule in found for rule in ("svg-img-alt", "html-has-lang", "color-contrast"))


@pytest.mark.parametrize("name", PAGES)
def test_it_prints_on_a4(chromium: Browser, pages: Path, name: str, tmp_path: Path) -> None:
    chromium.show(pages / f"{name}.html", 900)
    sheet = chromium.printed()
    assert sheet.startswith(b"%PDF-")
    boxes = re.findall(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", sheet)
    # ISO 216: 210 mm x 297 mm, in points of 1/72 inch.
    assert boxes
    for wide, tall in boxes:
        assert abs(float(wide) - 210 / 25.4 * 72) < 1
        assert abs(float(tall) - 297 / 25.4 * 72) < 1
    if name != "hostile":
        (tmp_path / "page.pdf").write_bytes(sheet)
        said = subprocess.run(
            ["pdftotext", "-layout", str(tmp_path / "page.pdf"), "-"],
            capture_output=True,
            text=True,
            check=True,
        ).stdout
        assert ("No go" if name == "broken" else "Go") in said
        assert "keep a backup of the chip" in said
        page = (pages / f"{name}.html").read_text()
        titles = re.findall(r"<h2>(.*?)(?:<span[^>]*>(.*?)</span>)?</h2>", page)
        heads = {" ".join(f"{title}{more}".split()) for title, more in titles}
        for sheet_said in said.split("\f"):
            last = " ".join((sheet_said.strip().splitlines() or [""])[-1].split())
            assert last not in heads  # a title alone at the foot says nothing
    # The width of A4 between the margins, at 96 dots an inch.
    chromium.show(pages / f"{name}.html", 687, paper=True)
    assert chromium.run("return document.documentElement.scrollWidth") <= 687


@pytest.mark.parametrize("name", ["whole", "broken"])
def test_the_keyboard_reaches_every_link_table_and_finding(
    chromium: Browser, pages: Path, name: str
) -> None:
    chromium.show(pages / f"{name}.html", 400)
    wanted = chromium.run(
        "return [...document.querySelectorAll('a, .scroll, article')].map("
        "(it, n) => { it.dataset.n = n; return n })"
    )
    body = chromium.driver.find_element(By.TAG_NAME, "body")
    reached = []
    for _ in wanted:
        body.send_keys(Keys.TAB)
        body = chromium.driver.switch_to.active_element
        reached.append(int(body.get_attribute("data-n") or -1))
        assert chromium.run(
            "const s = getComputedStyle(document.activeElement);"
            "return s.outlineStyle !== 'none' && parseFloat(s.outlineWidth) > 0"
        )
    assert reached == wanted
    articles = chromium.run("return document.querySelectorAll('article').length")
    assert (articles > 0) is (name == "broken")


def test_a_link_leads_to_its_section(chromium: Browser, pages: Path) -> None:
    chromium.show(pages / "broken.html", 900)
    link = chromium.driver.find_element(By.LINK_TEXT, "Findings")
    link.send_keys(Keys.ENTER)
    top = chromium.run("return document.querySelector(location.hash).getBoundingClientRect().top")
    assert -1 < top < 200  # the page scrolls by whole pixels


def test_hostile_names_do_nothing(chromium: Browser, pages: Path) -> None:
    chromium.show(pages / "hostile.html", 900)
    assert chromium.run("return document.querySelectorAll('script, img, iframe').length") == 0
    assert "<script>alert(1)</script>" in chromium.run("return document.body.textContent")
    assert chromium.said() == []


def test_the_demos_page_is_small(pages: Path) -> None:
    assert (pages / "whole.html").stat().st_size < 300_000
    assert (pages / "broken.html").stat().st_size < 300_000
