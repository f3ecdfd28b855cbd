"""Erase blocks, the volumes of a UBI, slots and policies, each held against a plainer account."""

from __future__ import annotations

import re
import subprocess
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from imgaudit.chips import EMMC, RAW_NAND, SD_CARD, SPI_NAND, SPI_NOR, ChipKind
from imgaudit.layout.load import parse
from imgaudit.model import (
    BACKUP_TABLE,
    Chip,
    EraseRun,
    KeepFree,
    Policy,
    Region,
    Slot,
    Stage,
    Waiver,
    Where,
    Writer,
    volumes_in,
)
from imgaudit.units import KIB, MIB, Span

HERE = Where("f", 1, 1)
runs = st.lists(st.builds(EraseRun, count=st.integers(1, 4), size=st.integers(1, 5)), max_size=4)


def chip(
    *runs: EraseRun, kind: ChipKind = SPI_NOR, size: int = MIB, bad: KeepFree | None = None
) -> Chip:
    return Chip(
        where=HERE,
        name="it",
        kind=kind,
        sizes=(size,),
        erase_map=runs,
        page=kind.page,
        bad_blocks=bad,
    )


def region(size: int) -> Region:
    return Region(
        where=HERE,
        name="ubi",
        labels=("ubi",),
        area="it",
        at=0,
        size=size,
        holds="ubi",
        writer=Writer.RELEASE,
    )


def boundaries(runs: list[EraseRun], end: int) -> list[int]:
    """Where each block begins, told block by block; behind the map lie blocks of its largest."""
    starts = [0]
    for run in runs:
        for _ in range(run.count):
            starts.append(starts[-1] + run.size)
    largest = max((run.size for run in runs), default=1)
    while starts[-1] <= end:
        starts.append(starts[-1] + largest)
    return starts


@example([EraseRun(2, 4)], 5, 0)
@example([EraseRun(2, 4)], 5, 1)
@given(runs, st.integers(0, 90), st.integers(0, 40))
def test_erase_blocks_are_those_that_lie_one_behind_the_other(
    runs: list[EraseRun], start: int, size: int
) -> None:
    nor = chip(*runs)
    span = Span.sized(start, size)
    blocks = [Span(*pair) for pair in pairwise(boundaries(runs, 130))]
    for block in blocks:
        inside = range(block.start, block.end)
        assert {nor.erase_unit(at) for at in inside} == {block.size}
        assert {nor.erase_start(at) for at in inside} == {block.start}
        assert nor.erase_end(block.start) == block.start
        assert {nor.erase_end(at) for at in inside[1:]} <= {block.end}
    touched = [block for block in blocks if block.overlaps(span)]
    assert nor.erase_blocks(span) == len(touched)
    assert nor.erased_by(span) == (Span(touched[0].start, touched[-1].end) if touched else span)


@given(st.integers(40, 8192))
def test_ubi_leaves_as_many_blocks_as_linux_counts(blocks: int) -> None:
    """The counts are of Linux drivers/mtd/ubi: get_bad_peb_limit() of build.c with 20 of 1024.

    The four others: two of the volume table (vtbl.c), one each of wl.c and eba.c.
    """
    limit = blocks * 20 // 1024
    if limit * 1024 // 20 < blocks:
        limit += 1
    unit = 128 * KIB
    nand = chip(EraseRun(blocks, unit), kind=RAW_NAND, size=blocks * unit)
    area = volumes_in(region(blocks * unit), nand)
    assert area.size == (blocks - 4 - limit) * (unit - 2 * 2048)
    assert area.chip.erase_map == (EraseRun(blocks - 4 - limit, unit - 2 * 2048),)
    assert area.chip.sizes == (area.size,)


@pytest.mark.parametrize(("blocks", "left"), [(3, 0), (4, 0), (5, 1), (16, 12)])
def test_ubi_on_a_nor_has_headers_of_64_bytes_and_no_spare_blocks(blocks: int, left: int) -> None:
    area = volumes_in(region(blocks * 64 * KIB), chip(EraseRun(16, 64 * KIB)))
    assert (area.name, area.size) == ("it/ubi", left * (64 * KIB - 128))
    assert area.chip.largest_erase == 64 * KIB - 128


@pytest.mark.parametrize(
    ("bad", "left"), [(KeepFree(size=0), 12), (KeepFree(size=1), 11), (KeepFree(percent=12.5), 10)]
)
def test_ubi_keeps_as_many_spare_blocks_as_may_be_bad(bad: KeepFree, left: int) -> None:
    nand = chip(EraseRun(16, 64 * KIB), kind=SPI_NAND, bad=bad)
    assert volumes_in(region(MIB), nand).size == left * 60 * KIB


def test_blocks_that_two_headers_fill_leave_no_room() -> None:
    """No such flash is made; a layout can say it, and no size becomes negative."""
    nand = chip(EraseRun(256, 4096), kind=RAW_NAND, bad=KeepFree(size=0))
    area = volumes_in(region(MIB), nand)
    assert area.chip.largest_erase == 1
    assert area.size == 252


def test_the_areas_beside_the_main_one() -> None:
    emmc = replace(chip(kind=EMMC), boot_area=4 * MIB)
    boot = [("boot0", 4 * MIB), ("boot1", 4 * MIB)]
    assert list(emmc.areas()) == boot
    assert list(replace(emmc, rpmb=0, general_areas=(MIB, 2 * MIB)).areas()) == [
        *boot,
        ("rpmb", 0),
        ("gp1", MIB),
        ("gp2", 2 * MIB),
    ]
    assert list(replace(emmc, kind=SD_CARD).areas()) == []


def test_a_slot_takes_what_all_take_and_its_own() -> None:
    one, other = (
        Slot(where=HERE, name=name, variables={}, regions=regions)
        for name, regions in (("a", ("root-a", "shared")), ("b", ("root-b", "shared", "late")))
    )
    stage = Stage(
        where=HERE,
        name="main",
        regions=("shared", "boot", "root-a", "root-b"),
        slots=(one, other),
    )
    assert stage.taken(None) == stage.regions
    assert stage.taken(one) == ("shared", "boot", "root-a")
    assert stage.taken(other) == ("shared", "boot", "root-b", "late")


@pytest.mark.parametrize(
    ("region", "about", "asked", "covered"),
    [
        (None, (), "boot", True),
        (None, (), None, True),
        ("boot", (), "boot", True),
        ("boot", (), "root", False),
        ("boot", (), None, False),
        (None, ("sh",), "boot", True),
        (None, ("sh", "ls"), "boot", True),
        (None, ("sh", "vi"), "boot", False),
        ("root", ("sh",), "boot", False),
    ],
)
def test_a_waiver_covers_its_region_and_all_that_it_names(
    region: str | None, about: tuple[str, ...], asked: str | None, covered: bool
) -> None:
    waiver = Waiver(finding="it", region=region, reason="why", until=None, where=HERE, about=about)
    assert waiver.covers(asked, ("sh", "ls")) is covered


severities = st.dictionaries(st.sampled_from("abc"), st.sampled_from(["note", "warning", "error"]))
policies = st.builds(
    Policy, fail_on=st.sampled_from(["error", "warning"]), severity=severities
).map(
    lambda policy: replace(
        policy, severity_at={name: Where(policy.fail_on, 1, 1) for name in policy.severity}
    )
)


@given(policies, policies)
def test_a_layout_tightens_a_trusted_policy_and_never_loosens_it(
    own: Policy, trusted: Policy
) -> None:
    tight = own.tightened(trusted)
    assert (tight.fail_on == "warning") == ("warning" in {own.fail_on, trusted.fail_on})
    for name in "abc":
        asked = own.severity.get(name) == "error"
        assert tight.severity.get(name) == ("error" if asked else trusted.severity.get(name))
    assert set(tight.severity_at) == set(tight.severity)


def test_the_smallest_approved_part_decides() -> None:
    assert replace(chip(), sizes=(2 * MIB, MIB, 4 * MIB)).size == MIB


@pytest.mark.oracle
def test_a_table_at_the_end_takes_what_sgdisk_keeps(tmp_path: Path) -> None:
    image = tmp_path / "disk"
    image.write_bytes(bytes(MIB))
    run = ["sgdisk", "-o", str(image)]
    subprocess.run(run, check=True, capture_output=True)
    run = ["sgdisk", "-p", str(image)]
    told = subprocess.run(run, check=True, capture_output=True, text=True).stdout
    (last,) = re.findall(r"last usable sector is (\d+)", told)
    assert MIB - (int(last) + 1) * 512 == BACKUP_TABLE


def share(percent: float) -> KeepFree:
    return KeepFree(percent=percent)


@pytest.mark.parametrize(
    ("holds", "says", "least", "kept"),
    [
        ("raw", None, None, 5),
        ("raw", 1, None, 1),
        ("raw", 1, 2, 2),
        ("raw", 7, 2, 7),
        # A file system is made to the size of its region, and what is free in it counts.
        ("ext4", None, None, None),
        ("ext4", 10, None, 10),
        ("ext4", None, 2, 2),
        # Of an environment or a table nobody can be asked to keep some.
        ("uboot-env", None, 2, None),
        ("uboot-env", 3, 2, 3),
    ],
)
def test_what_stays_free_in_a_region(
    holds: str, says: float | None, least: float | None, kept: float | None
) -> None:
    asked = replace(region(MIB), holds=holds, keep_free=None if says is None else share(says))
    policy = Policy(keep_free=share(5), least_free=None if least is None else share(least))
    assert policy.room(asked) == (None if kept is None else share(kept))


def test_an_artifact_has_the_room_behind_where_it_starts() -> None:
    assert replace(region(MIB), file_at=MIB - 1).room == 1


def test_regions_are_found_by_name_by_partition_and_by_the_copy_that_they_are() -> None:
    env = "holds: uboot-env, writer: runtime, size: 64 KiB"
    text = f"""\
layout: 1
board: tide
arch: arm64
chips:
  nor: {{kind: spi-nor, size: 1 MiB, erase-block: 64 KiB}}
  emmc: {{kind: emmc, sectors: 65536}}
regions:
  - {{name: first, chip: nor, at: 0, {env}, env: {{size: 8 KiB, copy: second}}}}
  - {{name: second, chip: nor, at: 64 KiB, {env}}}
  - {{name: third, chip: nor, at: 128 KiB, {env}, env: {{size: 16 KiB, copy: second}}}}
  - {{name: alone, chip: nor, at: 192 KiB, {env}, env: {{size: 4 KiB}}}}
  - {{name: root, chip: emmc, partition: 2, at: 1 MiB, size: 1 MiB, holds: raw, writer: release}}
"""
    layout = parse(text.encode(), "board.yaml")
    twins = {one.name: [it.name for it in layout.twins(one.name)] for one in layout.regions}
    assert twins == {
        "first": ["second"],
        "second": ["first", "third"],
        "third": ["second"],
        "alone": [],
        "root": [],
    }
    shapes = [layout.shape(one) for one in layout.regions]
    sizes = [None if shape is None else shape.size for shape in shapes]
    assert sizes == [8 * KIB, 8 * KIB, 16 * KIB, 4 * KIB, None]
    assert layout.find("root") is layout.partition("emmc", 2) is layout.region("root")
    assert layout.find("none") is None
    assert [layout.partition(*at) for at in (("emmc", 1), ("nor", 2))] == [None, None]
