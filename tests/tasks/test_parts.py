"""A map must fit every approved part; a finding says on which it does not."""

from __future__ import annotations

from imgaudit.contents.build import MemoryStore
from imgaudit.contents.reader import Loader
from imgaudit.layout.load import parse
from imgaudit.rules.engine import Finding
from imgaudit.rules.subject import gather
from imgaudit.tasks.audit import run

LAYOUT = """\
layout: 1
board: b
arch: arm
chips:
  nor:
    kind: spi-nor
    parts:
      - {name: large, size: 1 MiB, erase-block: 64 KiB}
      - {name: fine, size: 1 MiB, erase-block: 4 KiB}
regions:
  - {name: loader, chip: nor, at: 0, size: %s, holds: raw, writer: release}
"""


def audited(text: str) -> list[Finding]:
    with Loader() as loader:
        store = MemoryStore({}, loader)
        return list(run(gather(parse(text.encode(), "f"), store)).findings)


def test_a_map_that_fits_every_part() -> None:
    assert audited(LAYOUT % "0x20000") == []


def test_a_finding_names_the_part_that_it_fails_on() -> None:
    (finding,) = audited(LAYOUT % "0x18000")
    assert finding.rule.name == "region-end-not-erase-aligned"
    assert finding.parts == ("large",)
    assert finding.message.endswith("(on the part large)")


def test_what_fails_on_every_part_is_told_once() -> None:
    (finding,) = audited(LAYOUT % "0x18800")
    assert finding.rule.name == "region-end-not-erase-aligned"
    assert finding.parts == ()


def test_the_end_of_the_smallest_part() -> None:
    text = (LAYOUT % "0x100000").replace("fine, size: 1 MiB", "fine, size: 512 KiB")
    (finding,) = audited(text)
    assert finding.rule.name == "region-past-chip-end"
    assert finding.parts == ("fine",)
