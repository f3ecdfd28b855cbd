"""The page and the picture: self-contained, inert, and seen in a browser."""

from __future__ import annotations

import base64
import hashlib
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.report import render
from imgaudit.report._svg import WIDTH, ram, strips
from imgaudit.tasks import board, said
from imgaudit.tasks import map as drawing
from imgaudit.tasks.audit import run
from imgaudit.tasks.opened import subject
from imgaudit.tasks.sections import Chip, Ram, RamRange, Report, Slot, Verdict
from imgaudit.units import Span
from tests.report.test_forms import EVIL, hostile

VOID = {"br", "meta"}
LAYOUTS = Path(__file__).parents[2] / "layouts"


@pytest.fixture(scope="module")
def page(whimbrel: Path) -> str:
    report = board.audit(run(subject(str(whimbrel / "whimbrel.yaml"), str(whimbrel))))
    return render("html", report)


class _Read(HTMLParser):
    """Collects the tags, and demands that each is closed where it was opened."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: set[str] = set()
        self.attributes: set[str] = set()
        self.ids: list[str] = []
        self.links: list[str] = []
        self.feed(page)
        assert not self.open

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.attributes |= {name for name, _ in attrs}
        self.ids += [value or "" for name, value in attrs if name == "id"]
        self.links += [value or "" for name, value in attrs if name == "href"]
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def test_one_file_without_a_script(page: str) -> None:
    read = _Read(page)
    assert not read.tags & {"script", "link", "img", "iframe", "object", "form", "base"}
    assert not {name for name in read.attributes if name.startswith("on")} | (
        read.attributes & {"style", "src"}
    )
    assert all(link.startswith("#") and link[1:] in read.ids for link in read.links)
    assert len(set(read.ids)) == len(read.ids)
    assert len(page.encode()) < 300_000


def test_the_policy_allows_the_style_sheet_and_nothing_else(page: str) -> None:
    (sheet,) = re.findall(r"<style>(.*?)</style>", page, re.DOTALL)
    digest = base64.b64encode(hashlib.sha256(sheet.encode()).digest()).decode()
    assert f"default-src 'none'; style-src 'sha256-{digest}'" in page


def test_it_says_what_decides(page: str) -> None:
    assert '<p class="go' in page
    for words in ("nor, to scale", "small regions magnified", "How it starts", "RAM 0x80000000"):
        assert words in page
    assert "keep a backup of the chip" in page


def test_hostile_names_are_inert() -> None:
    slot = Slot(span=Span(0, 10), name=EVIL, lines=(EVIL,), purpose=EVIL, room=10, used=20)
    chip = Chip(name=EVIL, what=EVIL, size=10, slots=(slot,))
    report = hostile()
    for form in ("html", "svg"):
        shown = render(form, _with(report, chip))
        assert "<script" not in shown
        assert not {"\x1b", "\x07", "\u202e"} & set(shown)
    assert not _Read(render("html", report)).tags & {"script", "img"}


def _with(report: Report, chip: Chip) -> Report:
    from dataclasses import replace

    from imgaudit.tasks.sections import Section

    return replace(report, sections=(*report.sections, Section(None, (chip,))))


def _boxes(picture: str, kind: str = "") -> list[tuple[float, float]]:
    shapes = re.findall(r'<rect class="([^"]*)" x="([\d.]+)%" width="([\d.]+)%"', picture)
    return [
        (WIDTH * float(x) / 100, WIDTH * float(width) / 100)
        for classes, x, width in shapes
        if not kind or kind in classes.split()
    ]


@given(st.lists(st.tuples(st.integers(1, 1 << 40), st.booleans()), min_size=1, max_size=60))
def test_strips_show_every_region_and_stay_inside(sizes: list[tuple[int, bool]]) -> None:
    at = 0
    slots = []
    for size, named in sizes:
        slots.append(Slot(span=Span.sized(at, size), name="r" if named else "", room=size))
        at += size
    for _, picture in strips(Chip(name="c", what="", size=at, slots=tuple(slots))):
        boxes = _boxes(picture)
        assert len(boxes) == len(slots)
        assert all(width > 2 for _, width in boxes)
        assert all(start + width <= WIDTH + 0.1 for start, width in boxes)
        ET.fromstring(picture)


@pytest.mark.parametrize(("used", "over"), [(0, 0), (99, 0), (100, 0), (101, 1), (900, 1)])
def test_what_does_not_fit_is_drawn_past_the_edge(used: int, over: int) -> None:
    slots = (
        Slot(span=Span(0, 100), name="a", room=100, used=used),
        Slot(span=Span(100, 1000)),
    )
    _, picture = next(strips(Chip(name="c", what="", size=1000, slots=slots)))
    boxes = _boxes(picture, "over")
    assert len(boxes) == over
    for start, width in boxes:
        assert start == pytest.approx(100, abs=1)
        assert width == pytest.approx(max(6, used - 100), abs=1)


def test_ram_marks_what_is_claimed_twice() -> None:
    ranges = tuple(RamRange(name="r", span=Span(*span)) for span in ((0, 400), (300, 500)))
    part = Ram(ranges=ranges, banks=(Span(0, 1000),))
    _, picture = next(ram(part))
    assert _boxes(picture, "over") == [(300.0, 100.0)]
    apart = Ram(ranges=(ranges[0], RamRange(name="b", span=Span(400, 500))), banks=part.banks)
    assert not _boxes(next(ram(apart))[1], "over")


def test_the_picture_in_the_readme_is_the_demos(whimbrel: Path) -> None:
    """`imgaudit map whimbrel-demo/whimbrel.yaml --artifacts whimbrel-demo --report svg=…`."""
    done = subject(str(whimbrel / "whimbrel.yaml"), str(whimbrel))
    assert done.layout is not None
    shown = render("svg", drawing.draw(done.layout, done))
    ET.fromstring(shown)
    assert (LAYOUTS / "whimbrel.svg").read_text() == shown


def test_the_verdict_leads_to_what_it_says(tmp_path: Path) -> None:
    """Each of the worst findings is a link to itself; what is not judged is said there."""
    layout = (LAYOUTS / "whimbrel.yaml").read_text()
    moved = layout.replace("at: 0x110000", "at: 0x108000").replace("at: 0x120000", "at: 0x121000")
    (tmp_path / "moved.yaml").write_text(moved)
    found = board.audit(run(subject(str(tmp_path / "moved.yaml"), None)))
    assert len(found.findings) > 2
    page = render("html", found)
    articles = [name for name in _Read(page).ids if name.startswith("f")]
    assert articles == [f"f{number}" for number in range(1, len(found.findings) + 1)]
    top = page[: page.index("</header>")]
    assert re.findall(r'href="#(f\d+)"', top) == ["f1", "f2", "f3"]
    assert f"and {len(found.findings) - 2} more" in top
    left = tuple(f"stage {number}: unproven: entry: is missing" for number in range(5))
    undecided = replace(found, findings=(), left=left)
    top = render("html", undecided).partition("</header>")[0]
    assert [f"stage {number}: unproven" in top for number in range(5)] == [True] * 3 + [False] * 2
    assert "and 2 more" in top
    # a warning does not hide what makes it incomplete
    verdict = Verdict(word="INCOMPLETE", role="warn", counts="1 not judged")
    both = render("html", replace(found, verdict=verdict, left=left[:1])).partition("</header>")[0]
    assert both.index("stage 0: unproven") < both.index('href="#f1"')
    closing = said.closing(verdict, found.findings, ["root"])
    assert closing.title is not None
    assert closing.title.text.endswith(": root not judged")


def test_updates_have_one_entry_in_the_contents(page: str) -> None:
    contents = page[page.index("<nav") : page.index("</nav>")]
    assert contents.count("Power lost") == 1
    assert page.count("<h2>Power lost in the update") == 5
