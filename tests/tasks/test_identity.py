"""A finding is the same one in the next build: by name, never by size, offset, line or order."""

from __future__ import annotations

import random
from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.demo.build import build
from imgaudit.errors import LayoutError
from imgaudit.layout.load import parse
from imgaudit.report._common import fingerprints
from imgaudit.rules.engine import Finding
from imgaudit.rules.subject import gather
from imgaudit.tasks import audit, said
from imgaudit.tasks.opened import subject

KIB = 1024
NAMES = ("firmware", "env-a", "env-b", "recovery", "boot", "rootfs", "data", "logs")
# No file: on paper a layout's geometry is judged alone.
HOLDS = ("raw", "fit", "uboot-env", "ext4", "gzip")


@dataclass(frozen=True)
class _Region:
    name: str
    chip: str
    at: int
    size: int
    holds: str

    def text(self) -> str:
        env = ", env: {size: 8 KiB}" if self.holds == "uboot-env" else ""
        part = f", partition: {NAMES.index(self.name) + 1}" if self.chip == "emmc" else ""
        return (
            f"  - {{name: {self.name}, chip: {self.chip}, at: {self.at}, size: {self.size},"
            f" holds: {self.holds}, writer: release{env}{part}}}\n"
        )


@st.composite
def _regions(draw: st.DrawFn) -> tuple[_Region, ...]:
    found = []
    for name in draw(st.lists(st.sampled_from(NAMES), min_size=1, unique=True)):
        chip = draw(st.sampled_from(("nor", "emmc")))
        # Eighths of a block make what is not aligned; few places make what overlaps.
        at = draw(st.integers(0, 64 * 8)) * 8 * KIB
        size = draw(st.integers(1, 20 * 8)) * 8 * KIB
        found.append(_Region(name, chip, at, size, draw(st.sampled_from(HOLDS))))
    return tuple(found)


def _layout(regions: tuple[_Region, ...], before: str = "", scale: int = 1) -> str:
    return (
        f"{before}layout: 1\nboard: b\narch: arm64\n{before}chips:\n"
        f"  nor: {{kind: spi-nor, size: {4 * scale} MiB, erase-block: {64 * scale} KiB}}\n"
        f"  emmc: {{kind: emmc, size: {8 * scale} MiB, align: {64 * scale} KiB}}\n"
        f"{before}regions:\n{''.join(region.text() for region in regions)}"
    )


def _findings(text: str) -> tuple[Finding, ...]:
    return audit.run(gather(parse(text.encode(), "l.yaml"), None)).findings


def _identities(text: str) -> Counter[tuple[str, ...]]:
    return Counter(finding.identity for finding in _findings(text))


def _valid(regions: tuple[_Region, ...]) -> bool:
    try:
        parse(_layout(regions).encode(), "l.yaml")
    except LayoutError:
        return False
    return True


layouts = _regions().filter(_valid)


@given(layouts)
def test_it_is_there_once(regions: tuple[_Region, ...]) -> None:
    assert set(_identities(_layout(regions)).values()) <= {1}


@given(layouts, st.randoms(use_true_random=False))
def test_order_and_lines_do_not_change_it(
    regions: tuple[_Region, ...], dice: random.Random
) -> None:
    moved = list(regions)
    dice.shuffle(moved)
    expected = _identities(_layout(regions))
    assert _identities(_layout(tuple(moved), before="# tide\n\n")) == expected


@given(layouts)
def test_sizes_and_offsets_do_not_change_it(regions: tuple[_Region, ...]) -> None:
    """Everything is four times as large: blocks, chips, regions and where they start."""
    grown = tuple(replace(it, at=4 * it.at, size=4 * it.size) for it in regions)
    small, large = _identities(_layout(regions)), _identities(_layout(grown, scale=4))
    # What hangs on a size that is not scaled comes or goes as a whole: by rule and region.
    for key in {(it[0], it[1]) for it in small} & {(it[0], it[1]) for it in large}:
        assert {it for it in small if it[:2] == key} == {it for it in large if it[:2] == key}


@given(layouts)
def test_no_number_is_in_it(regions: tuple[_Region, ...]) -> None:
    numbers = {
        text
        for region in regions
        for number in (region.at, region.size, region.at + region.size)
        if number > len(NAMES)
        for text in (str(number), f"{number:#x}", f"{number:,}")
    }
    for identity in _identities(_layout(regions)):
        assert not numbers & set(identity)


@pytest.mark.parametrize(
    "fault",
    [
        "recovery-too-big",
        "regions-overlap",
        "env-copies-same-erase-block",
        "gpt-partitions-overlap",
        "script-reads-too-little",
        "dtb-drift",
        "mtdparts-drift",
        "tool-missing",
        "nor-image-differs",
    ],
)
def test_a_build_with_another_layout_file(fault: str, tmp_path: Path) -> None:
    """The same fault, with the regions in another order and forty lines further down."""
    path = build(tmp_path, fault)
    before = audit.run(subject(str(path), str(tmp_path))).findings
    assert before
    value = yaml.safe_load(path.read_text())
    value["regions"].reverse()
    path.write_text("#\n" * 40 + yaml.safe_dump(value, sort_keys=False))
    after = audit.run(subject(str(path), str(tmp_path))).findings
    assert {finding.where for finding in before} != {finding.where for finding in after}
    assert {it.identity for it in before} == {it.identity for it in after}
    prints = [digest for _, digest in fingerprints(map(said.found, before))]
    assert len(set(prints)) == len(prints)
