"""What the commands say of many or few, on each side of each limit."""

from __future__ import annotations

import pytest

from imgaudit.boot.records import Condition, Outcome
from imgaudit.report import render
from imgaudit.rules._boot import scripted
from imgaudit.tasks import map as drawing
from imgaudit.tasks import said
from imgaudit.tasks.follow import _heading, _some, follow
from imgaudit.tasks.sections import Chip, Found, Verdict
from imgaudit.tasks.slots import _by_ids, _choice
from imgaudit.tasks.stopped import stopped
from imgaudit.units import KIB
from tests._audits import build, emmc, nor


@pytest.mark.parametrize(("count", "more"), [(20, ""), (21, "and 1 more files")])
def test_a_stopped_run_names_twenty_files(count: int, more: str) -> None:
    files = [f"f{number}.bin" for number in range(count)]
    report = stopped("it took too long", [*files, files[-1]], "", "")
    shown = render("text", report)
    assert shown.count("opened: ") == 20
    assert ("more files" in shown) == bool(more)
    assert more in shown
    assert f"stopped while reading {files[-1]}" in shown
    assert "stopped while starting" in render("text", stopped("it took too long", [], "", ""))


@pytest.mark.parametrize(
    ("sizes", "approved"),
    [("size: 1 MiB", ""), ("size: [1 MiB, 2 MiB]", " (the smallest of 2 approved parts)")],
)
def test_a_map_says_how_many_parts_are_approved(sizes: str, approved: str) -> None:
    subject = build(nor("name: a, at: 0, size: 64 KiB", chip=f"{sizes}, erase-block: 64 KiB"))
    assert subject.layout is not None
    (section,) = drawing.chips(subject.layout)
    (chip,) = section.parts
    assert isinstance(chip, Chip)
    assert chip.what == f"SPI-NOR flash, 1 MiB, erase blocks of 64 KiB{approved}"


@pytest.mark.parametrize(
    ("regions", "spans"),
    [
        # touching the start, each other and the end: nothing is free
        ([(0, 512), (512, 512)], [(0, 512, "r0"), (512, 512, "r1")]),
        ([(1, 511), (513, 510)], [(0, 1, ""), (1, 511, "r0"), (512, 1, ""), (513, 510, "r1")]),
        # the first has what is between the others as well
        ([(0, 1024), (256, 256)], [(0, 1024, "r0"), (256, 256, "r1")]),
    ],
)
def test_a_map_shows_what_is_free(
    regions: list[tuple[int, int]], spans: list[tuple[int, int, str]]
) -> None:
    """Offsets and sizes are KiB, of a chip of 1 MiB."""
    lines = (
        f"name: r{number}, at: {at} KiB, size: {size} KiB"
        for number, (at, size) in enumerate(regions)
    )
    subject = build(nor(*lines))
    assert subject.layout is not None
    (section,) = drawing.chips(subject.layout)
    (chip,) = section.parts
    assert isinstance(chip, Chip)
    shown = [(slot.span.start // KIB, slot.span.size // KIB, slot.name) for slot in chip.slots]
    end = max(at + size for at, size, _ in spans)
    assert shown == [*spans, *([(end, 1024 - end, "")] if end < 1024 else [])]


def test_an_area_without_regions_is_not_drawn() -> None:
    subject = build(emmc("name: a, chip: emmc/boot0, at: 0, size: 1 MiB"))
    assert subject.layout is not None
    shown = [part for section in drawing.chips(subject.layout) for part in section.parts]
    assert [part.name for part in shown if isinstance(part, Chip)] == ["emmc", "emmc/boot0"]


def found(number: int, *, waived: str | None = None) -> Found:
    return Found(
        name=f"fault-{number}",
        severity="error",
        region="recovery",
        artifact=None,
        chip=None,
        where=None,
        offset=None,
        length=None,
        message="",
        effect="",
        fix="",
        values={},
        waived=waived,
    )


@pytest.mark.parametrize(
    ("count", "named"),
    [
        (0, ""),
        (2, ": fault-0 recovery, fault-1 recovery"),
        (3, ": fault-0 recovery, fault-1 recovery and 1 more"),
    ],
)
def test_the_last_line_names_two(count: int, named: str) -> None:
    verdict = Verdict(word="FAIL", role="bad", counts="errors")
    items = (*map(found, range(count)), found(9, waived="known"))
    line = said.closing(verdict, items).title
    assert line is not None
    assert line.text == f"  errors{named}"


@pytest.mark.parametrize(
    ("word", "named"),
    [("INCOMPLETE", ": firmware not judged"), ("FAIL", ": fault-0 recovery"), ("PASS", "")],
)
def test_what_makes_it_incomplete_is_named(word: str, named: str) -> None:
    verdict = Verdict(word=word, role="", counts="counted")
    items = () if word == "PASS" else (found(0),)
    line = said.closing(verdict, items, ["firmware"] if word == "INCOMPLETE" else []).title
    assert line is not None
    assert line.text == f"  counted{named}"


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("x" * 60, "`" + "x" * 60 + "`"),
        ("x" * 61, "`" + "x" * 57 + "...`"),
    ],
)
@pytest.mark.parametrize(
    ("outcome", "ends"),
    [
        (Outcome.FAILS, "fails:"),
        (Outcome.SUCCEEDS, "succeeds:"),
        (Outcome.RETURNS, "returns without booting:"),
    ],
)
def test_a_condition_is_quoted_in_sixty_letters(
    text: str, shown: str, outcome: Outcome, ends: str
) -> None:
    condition = Condition(text, outcome, failure=False, variable="bootcmd", at=0)
    assert _heading(condition, 0) == f"If {shown} {ends}"
    assert _heading(condition, 3) == f"If step 3 {ends}"


def test_of_several_one_is_named() -> None:
    assert _some(["a"]) == "`a`"
    assert _some(["a", "b"]) == "`a` and 1 more"


@pytest.mark.parametrize(
    ("script", "said"),
    [
        ("setenv a", "Clear a."),
        ("setenv a b c", "Set a to `b c`."),
        ("env default -a", "Set variables: `env default -a`."),
    ],
)
def test_how_a_setting_is_told(script: str, said: str) -> None:
    subject = build(scripted(f"{script}; sf probe && sf read 0x88000000 0x20000 0x40000 && bootm"))
    shown = render("text", follow(subject, "recovery"))
    assert said in shown


@pytest.mark.parametrize(
    ("text", "choice"),
    [
        ("a", {"a": "a", "b": "b"}),
        ("B", {"a": "A", "b": "B"}),
        ("a b", {"a": "a b", "b": "b a"}),
        ("B A", {"a": "A B", "b": "B A"}),
        ("a c", None),
        ("c", None),
    ],
)
def test_what_a_variable_chooses(text: str, choice: dict[str, str] | None) -> None:
    assert _choice(text, ("a", "b"), []) == choice


def test_one_region_alone_is_no_pair_of_slots() -> None:
    layout = build(
        nor("name: root-a, at: 0, size: 64 KiB", "name: root-b, at: 64 KiB, size: 64 KiB")
    ).layout
    assert layout is not None
    first, second = layout.regions
    assert _by_ids([{"a": first}]) == {}
    both = {"b": second, "a": first}
    assert _by_ids([{"a": first}, both]) == {("a", "b"): [both]}


def test_sizes_of_a_stage_are_those_of_its_regions() -> None:
    subject = build(scripted())
    assert subject.layout is not None
    shown = render("text", drawing.draw(subject.layout))
    assert f"{(64 + 256) * KIB:,} bytes (320 KiB) in: env, recovery." in " ".join(shown.split())
