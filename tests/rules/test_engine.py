"""How the engine walks: each thing once, after what must have held of it, and what is missing."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from imgaudit.layout.load import parse
from imgaudit.rules.cited import PRACTICE
from imgaudit.rules.engine import (
    Case,
    Check,
    Engine,
    Example,
    Finding,
    Kind,
    Missing,
    NotChecked,
    Outcome,
    Rule,
    Severity,
    check,
    nothing,
)
from imgaudit.rules.subject import Subject, gather
from imgaudit.tasks import audit

EMPTY = Example("")
SUBJECT = Subject(layout=None)


def _spoilt_values(shelf: str, *, weight: int) -> None: ...


def rule(name: str) -> Rule:
    return Rule(
        name=name,
        severity=Severity.ERROR,
        message="{chip}",
        effect="",
        fix="",
        computed="",
        sources=(PRACTICE,),
        bad=EMPTY,
        good=EMPTY,
        values=nothing,
    )


SPOILT = Rule(
    name="spoilt-fruit",
    severity=Severity.ERROR,
    values=_spoilt_values,
    message="{weight:bytes} of {shelf} in {content}",
    effect="",
    fix="",
    computed="",
    sources=(PRACTICE,),
    bad=EMPTY,
    good=EMPTY,
)
walked: list[str] = []


def _shelves(subject: Subject) -> Iterator[str | Missing]:
    del subject
    walked.append("shelves")
    yield "apples"
    yield Missing("pears", "pears is not in the folder")
    yield "rotten plums"


SHELVES = Kind(_shelves, lambda shelf: f"shelf of {shelf}")
FRUIT = SHELVES.each(lambda shelf: [f"{shelf} {number}" for number in (1, 2)])
ROTTEN, SOUR, COUNT, LAYOUT = map(rule, ("is-rotten", "is-sour", "is-counted", "has-layout"))


@check(ROTTEN, over=SHELVES)
def rotten(shelf: str) -> Outcome:
    walked.append(shelf)
    if shelf.startswith("rotten"):
        yield ROTTEN().at(chip=shelf)


@check(SOUR, over=FRUIT, after=(rotten,))
def sour(fruit: str) -> Outcome:
    yield SOUR().at(chip=fruit)


@check(COUNT, over=FRUIT, given=lambda subject: len(subject.placements))
def counted(fruit: str, count: int) -> Outcome:
    yield COUNT().at(chip=f"{fruit} of {count}")


@check(LAYOUT, over=FRUIT, given=lambda subject: subject.layout)
def of_a_layout(fruit: str, layout: object) -> Outcome:
    raise AssertionError(fruit, layout)
    yield


@check(rule("whole"))
def whole(subject: Subject) -> Outcome:
    assert subject is SUBJECT
    yield SOUR().at(chip="whole")


def said(*checks: Check) -> tuple[list[str | None], list[tuple[str | None, str, str]]]:
    result = audit.run(SUBJECT, only=checks)
    return (
        [finding.chip for finding in result.findings],
        [(item.rule, item.subject, item.why) for item in result.not_checked],
    )


def test_a_check_sees_each_thing_and_tells_of_a_missing_one() -> None:
    assert said(rotten) == (
        ["rotten plums"],
        [("is-rotten", "pears", "pears is not in the folder")],
    )


def test_a_part_of_what_failed_is_not_checked_and_every_other_is() -> None:
    assert said(sour) == (
        ["apples 1", "apples 2"],
        [
            ("is-sour", "pears", "pears is not in the folder"),
            ("is-sour", "shelf of rotten plums", "is-rotten comes first"),
        ],
    )


def test_what_could_not_be_checked_stands_in_the_way_too() -> None:
    @check(rule("unsure-fruit"), over=FRUIT)
    def unsure(fruit: str) -> Outcome:
        if fruit == "apples 2":
            yield NotChecked("unsure-fruit", fruit, "too dark")

    @check(rule("later-fruit"), over=FRUIT, after=(unsure,))
    def later(fruit: str) -> Outcome:
        yield SOUR().at(chip=fruit)

    found, not_checked = said(later)
    assert found == ["apples 1", "rotten plums 1", "rotten plums 2"]
    assert ("later-fruit", "shelf of apples", "too dark") in not_checked


def test_things_are_found_once_and_looked_at_once() -> None:
    walked.clear()
    engine = Engine(SUBJECT)
    for each in (rotten, sour, rotten):
        list(engine.apply(each))
    assert walked == ["shelves", "apples", "rotten plums"]


def test_a_fact_of_the_whole_build_comes_along() -> None:
    assert said(counted)[0][0] == "apples 1 of 0"


def test_without_the_fact_there_is_nothing_to_compare() -> None:
    found, not_checked = said(of_a_layout)
    assert found == []
    assert {name for _, name, _ in not_checked} == {"pears"}


def test_without_a_kind_it_looks_at_the_whole() -> None:
    assert said(whole) == (["whole"], [])


def test_a_check_comes_only_after_one_that_sees_the_thing_or_its_holder() -> None:
    with pytest.raises(TypeError, match="is-rotten cannot come after is-sour"):
        check(ROTTEN, over=SHELVES, after=(sour,))(lambda _: iter(()))
    with pytest.raises(TypeError, match="is-rotten cannot come after whole"):
        check(ROTTEN, over=SHELVES, after=(whole,))(lambda _: iter(()))


def spoilt(shelf: str, weight: int, offset: int = 0, length: int = 0) -> Finding:
    case: Case = SPOILT(shelf=shelf, weight=weight)
    inside = "store.img/cellar"
    return case.at(artifact="store.img", offset=offset, length=length, content=inside)


def test_the_identity_is_what_stands_before_the_star() -> None:
    assert SPOILT.identity == ("shelf",)
    finding = spoilt("apples", 512, offset=4, length=8)
    assert finding.identity == ("spoilt-fruit", "store.img", "/cellar", "apples")
    assert finding.identity == spoilt("apples", 1024, offset=8).identity
    assert finding.identity != spoilt("pears", 512).identity
    assert finding.message == "512 bytes of apples in store.img/cellar"


def test_values_are_given_by_name() -> None:
    with pytest.raises(TypeError, match="the values of spoilt-fruit are given by name"):
        SPOILT("apples", weight=3)


def _judged(text: str) -> dict[str, set[str]]:
    """Give what each rule looked at, of a layout on paper."""
    result = audit.run(gather(parse(text.encode(), "tide.yaml"), None))
    found: dict[str, set[str]] = {}
    for rule, thing in result.looked:
        found.setdefault(rule, set()).add(thing)
    return found


_TWO_CHIPS = """\
layout: 1
board: tide
arch: arm64
chips:
  nor: {kind: spi-nor, size: 4 MiB, erase-block: 64 KiB}
  emmc: {kind: emmc, sectors: 524288}
regions:
  - {name: loader, chip: nor, at: 0, size: 96 KiB, holds: raw, writer: release}
  - {name: notes, chip: nor, at: 1 MiB, size: 64 KiB, holds: raw, writer: release}
  - {name: root, chip: emmc, partition: 1, at: 4 MiB, size: 4 MiB, holds: ext4,
     writer: release}
"""


def test_a_check_tells_what_it_looked_at() -> None:
    found = _judged(_TWO_CHIPS)
    assert found["regions-overlap"] == {"loader", "notes", "root"}
    assert found["region-end-not-erase-aligned"] == {"loader", "notes"}
    assert found["partition-not-aligned"] == {"root"}
    result = audit.run(gather(parse(_TWO_CHIPS.encode(), "tide.yaml"), None))
    things = {(one.rule.name, one.thing) for one in result.findings}
    assert ("region-end-not-erase-aligned", "loader") in things
