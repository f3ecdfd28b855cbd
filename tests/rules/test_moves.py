"""Moves that are told are tried: applied to the layout and audited again they mend it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from imgaudit.rules import checks, on_paper
from imgaudit.rules.engine import Example, Finding
from imgaudit.tasks import audit
from imgaudit.units import KIB, MIB, Span
from tests._audits import build, emmc, keys, nor

BLOCK = 64 * KIB


@dataclass(frozen=True)
class Region:
    """A region of the layouts below, in bytes."""

    name: str
    at: int
    size: int
    more: str = ""


def on_nor(regions: list[Region], blocks: int) -> Example:
    lines = (f"name: {it.name}, at: {it.at}, size: {it.size}{it.more}" for it in regions)
    return nor(*lines, chip=f"size: {blocks * BLOCK}, erase-block: 64 KiB")


def on_emmc(regions: list[Region], table: str = "gpt") -> Example:
    lines = (
        f"name: {it.name}, partition: {number}, at: {it.at}, size: {it.size}{it.more}"
        for number, it in enumerate(regions, 1)
    )
    return emmc(*lines, chip=f"sectors: 65536, align: 1 MiB, table: {table}")


def said(example: Example, *rules: str) -> list[Finding]:
    only = [checks()[name] for name in rules or on_paper()]
    return list(audit.run(build(example), only=only).findings)


def moved(regions: list[Region], finding: Finding) -> list[Region]:
    to = finding.moves
    return [
        Region(it.name, to[it.name].start, to[it.name].size, it.more) if it.name in to else it
        for it in regions
    ]


def fix(rule: str, *regions: str, chip: str = "size: 1 MiB, erase-block: 64 KiB") -> str:
    (finding,) = said(nor(*regions, chip=chip), rule)
    return finding.fix


END = "region-end-not-erase-aligned"
NEXT = "name: next, at: 128 KiB, size: 896 KiB"


def test_a_region_grows_into_what_is_free() -> None:
    told = fix(END, "name: r, at: 0, size: 4 KiB", NEXT)
    assert told == (
        "End r on an erase block. Tried on this layout: end r at 0x10000 (example.yaml:7: size:"
        " 65,536 bytes (64 KiB), was 4,096 bytes (4 KiB)); every copy of the map must follow."
    )


def test_neither_onto_a_neighbour_nor_to_nothing() -> None:
    told = fix(END, "name: r, at: 64 KiB, size: 68 KiB", "name: s, at: 136 KiB, size: 888 KiB")
    assert "end r at 0x20000 (example.yaml:7: size: 65,536 bytes (64 KiB), was 69,632" in told


def test_two_regions_move_where_one_cannot() -> None:
    """The first may not shrink, for its environment; so the second begins later."""
    env = "name: env, at: 0, size: 0x18000, holds: uboot-env, env: {size: 96 KiB}, writer: runtime"
    told = fix(
        "environment-wipes-what-follows",
        env,
        "name: settings, at: 0x18000, size: 0xe8000, writer: runtime",
    )
    assert "start settings at 0x20000" in told


def test_regions_push_each_other_along() -> None:
    findings = said(
        nor(
            "name: a, at: 0, size: 64 KiB, expect: 128 KiB",
            "name: b, at: 64 KiB, size: 128 KiB, expect: 128 KiB",
            "name: c, at: 192 KiB, size: 128 KiB, expect: 128 KiB",
            chip="size: 384 KiB, erase-block: 64 KiB",
        ),
        "planned-size-exceeds-region",
    )
    assert findings[0].moves == {
        "a": Span(0, 2 * BLOCK),
        "b": Span(2 * BLOCK, 4 * BLOCK),
        "c": Span(4 * BLOCK, 6 * BLOCK),
    }


def test_where_nothing_helps_it_says_so() -> None:
    told = fix(
        "planned-size-exceeds-region",
        "name: a, at: 0, size: 64 KiB, expect: 128 KiB",
        "name: b, at: 64 KiB, size: 64 KiB, expect: 64 KiB",
        chip="size: 128 KiB, erase-block: 64 KiB",
    )
    assert told.endswith("No move of regions that was tried mends it.")


@pytest.mark.parametrize("holds", ["fip", "kwbimage"])
def test_what_the_boot_rom_looks_for_stays(holds: str) -> None:
    (finding,) = said(
        nor(
            f"name: loader, at: 64 KiB, size: 64 KiB, holds: {holds}, expect: 128 KiB",
            "name: b, at: 128 KiB, size: 64 KiB, expect: 64 KiB",
        ),
        "planned-size-exceeds-region",
    )
    assert finding.moves["loader"].start == 64 * KIB
    assert finding.moves["b"].start >= finding.moves["loader"].end


def test_a_region_that_is_not_sound_by_its_neighbour_is_left_to_the_neighbour() -> None:
    """Factory data stays where each board has it, if another can move."""
    (finding,) = said(
        nor(
            "name: calibration, at: 0x10000, size: 0x8000, writer: factory",
            "name: settings, at: 0x18000, size: 0x8000, writer: runtime",
        ),
        "erase-block-shared",
    )
    assert set(finding.moves) == {"settings"}


def test_large_maps_are_left_alone() -> None:
    """A hundred regions are tried, one more is not: a trial costs as much as there are."""
    for count, some in ((100, True), (101, False)):
        regions = [Region(f"r{number}", number * BLOCK, BLOCK) for number in range(count - 1)]
        regions.append(Region("last", count * BLOCK, BLOCK // 2))
        (finding,) = said(on_nor(regions, count + 4), END)
        assert bool(finding.moves) is some
        assert finding.advice or not some


@st.composite
def maps(draw: st.DrawFn) -> tuple[list[Region], int]:
    """Regions on erase blocks one after the other, and one geometric fault."""
    blocks, regions = 0, []
    for number in range(draw(st.integers(1, 5))):
        blocks += draw(st.integers(0, 2))
        size = draw(st.integers(1, 4))
        more = draw(
            st.sampled_from(
                ["", ", writer: factory", f", expect: {size * BLOCK - 5}", ", keep-free: 10 %"]
            )
        )
        regions.append(Region(f"r{number}", blocks * BLOCK, size * BLOCK, more))
        blocks += size
    hit = draw(st.integers(0, len(regions) - 1))
    at, size = regions[hit].at, regions[hit].size
    shift = draw(st.sampled_from([4 * KIB, BLOCK // 2, BLOCK, 3 * BLOCK]))
    fault = draw(st.sampled_from(["late", "early", "long", "short", "grown"]))
    more = regions[hit].more
    if fault == "late":
        at += shift
    elif fault == "early":
        at = max(0, at - shift)
    elif fault == "long":
        size += shift
    elif fault == "short":
        size = max(KIB, size - shift)
    else:
        more = f", expect: {size + shift}"
    regions[hit] = Region(regions[hit].name, at, size, more)
    return regions, blocks + draw(st.integers(0, 3))


@given(maps())
def test_what_is_told_mends_and_breaks_nothing(case: tuple[list[Region], int]) -> None:
    regions, blocks = case
    before = said(on_nor(regions, blocks))
    ranks = keys(before)
    for finding in before:
        assert bool(finding.moves) == finding.advice.startswith("Tried")
        if finding.moves:
            after = keys(said(on_nor(moved(regions, finding), blocks)))
            (gone,) = keys([finding])
            assert gone not in after
            assert all(rank >= ranks.get(key, rank + 1) for key, rank in after.items())


def single_moves(regions: list[Region], name: str, blocks: int) -> Iterator[list[Region]]:
    for start in range(blocks):
        for end in range(start + 1, blocks + 1):
            yield [
                Region(name, start * BLOCK, (end - start) * BLOCK, it.more)
                if it.name == name
                else it
                for it in regions
            ]


@given(maps())
@settings(max_examples=15)
def test_where_one_move_helps_one_is_told(case: tuple[list[Region], int]) -> None:
    """Against all places that the region could have: only a pinned start is left out."""
    regions, blocks = case
    before = said(on_nor(regions, blocks))
    ranks = keys(before)
    for finding in before:
        name = finding.region or ""
        region = next(it for it in regions if it.name == name)
        if not finding.rule.moves or finding.moves or region.at == 0:
            continue
        (gone,) = keys([finding])
        for other in single_moves(regions, name, blocks):
            after = keys(said(on_nor(other, blocks)))
            worse = any(rank < ranks.get(key, rank + 1) for key, rank in after.items())
            assert worse or gone in after, (finding.message, other)


@given(
    st.lists(st.tuples(st.integers(0, 3), st.integers(1, 4)), min_size=1, max_size=4),
    st.integers(0, 3),
    st.sampled_from([512, 4 * KIB, 512 * KIB, -512, -MIB]),
    st.sampled_from(["gpt", "mbr"]),
)
def test_partitions_are_mended_too(
    sizes: list[tuple[int, int]], which: int, shift: int, table: str
) -> None:
    """A shift up, down onto the one before, or onto the table itself."""
    regions, at = [], 1
    for number, (gap, size) in enumerate(sizes):
        regions.append(Region(f"p{number}", (at + gap) * MIB, size * MIB))
        at += gap + size
    hit = regions[which % len(regions)]
    regions[which % len(regions)] = Region(hit.name, hit.at + shift, hit.size)
    before = said(on_emmc(regions, table))
    ranks = keys(before)
    assert shift % MIB == 0 or "partition-not-aligned" in {item.rule.name for item in before}
    for finding in before:
        if finding.rule.moves:
            assert finding.moves, finding.message
            after = keys(said(on_emmc(moved(regions, finding), table)))
            (gone,) = keys([finding])
            assert gone not in after
            assert all(rank >= ranks.get(key, rank + 1) for key, rank in after.items())


def with_map(mtdparts: str, settings: str = "128 KiB") -> Example:
    return nor(
        "name: boot, at: 0, size: 64 KiB",
        f"name: settings, at: 64 KiB, size: {settings}",
        "name: recovery, at: 192 KiB, size: 384 KiB",
        rest=f"written-elsewhere: {{mtdparts: '{mtdparts}'}}\n",
    )


def test_the_layout_may_be_what_is_wrong() -> None:
    """Only where its copy's place is free in the layout is it told to go there."""
    copy = "spi0.0:64k(boot),128k(settings),384k@256k(recovery)"
    (finding,) = said(with_map(copy), "map-offset-differs")
    assert finding.fix.endswith(
        "Or correct the layout, which was tried: move recovery to 0x40000 (example.yaml:9: at:"
        " 0x40000, was 0x30000)."
    )
    over = "spi0.0:64k(boot),192k@0(settings),384k@192k(recovery)"
    (finding,) = said(with_map(over), "map-offset-differs")
    assert not finding.moves
    assert finding.fix == "Make all copies say the same; settings is at 0x10000 by the layout."


def test_a_size_of_the_copy_is_tried_too() -> None:
    copy = "spi0.0:64k(boot),64k(settings),384k@192k(recovery)"
    (finding,) = said(with_map(copy), "map-size-differs")
    assert finding.moves == {"settings": Span(BLOCK, 2 * BLOCK)}
    grown = "spi0.0:64k(boot),192k(settings),384k@192k(recovery)"
    (finding,) = said(with_map(grown), "map-size-differs")
    assert not finding.moves


OF_TOOL = tuple(
    f"environment-{name}-differs" for name in ("location", "length", "sector-size", "pair")
)


def with_tool(text: str, erase: str, size: str) -> Example:
    shape = f"holds: uboot-env, writer: runtime, env: {{size: {size}, copy: OTHER}}"
    return nor(
        "name: boot, at: 0, size: 64 KiB",
        f"name: env-a, at: 64 KiB, size: 64 KiB, {shape.replace('OTHER', 'env-b')}",
        f"name: env-b, at: 128 KiB, size: 64 KiB, {shape.replace('OTHER', 'env-a')}",
        chip=f"size: 1 MiB, erase-block: {erase}",
        rest="written-elsewhere: {flash-tool-config: fw_env.config, mtdparts:"
        " 'spi0.0:64k(boot),64k(env-a),64k(env-b)'}\n",
        files={"fw_env.config": text.encode},
    )


@given(
    st.sampled_from(["0x0", "0x4000", "0x10000"]),
    st.sampled_from(["0x2000", "0x4000", "0x8000"]),
    st.sampled_from([" 0x1000", " 0x10000", " 0x10000 2", ""]),
    st.sampled_from([("64 KiB", "8 KiB"), ("4 KiB", "16 KiB"), ("32 KiB", "32 KiB")]),
)
def test_lines_that_are_told_agree(
    offset: str, size: str, sector: str, board: tuple[str, str]
) -> None:
    """Written into the file, the lines leave nothing to say of it."""
    lines = f"/dev/mtd1 {offset} {size}{sector}\n/dev/mtd2 0x0 {size}{sector}\n"
    for finding in said(with_tool(lines, *board), *OF_TOOL):
        told = finding.fix.partition("Tried: ")[2].split("`")[1::2]
        assert len(told) == 2, finding.fix
        assert not said(with_tool("\n".join(told), *board), *OF_TOOL)


def test_a_line_for_each_copy() -> None:
    (finding,) = said(with_tool("/dev/mtd1 0x0 0x4000 0x10000\n", "64 KiB", "16 KiB"), *OF_TOOL)
    assert finding.rule.name == "environment-pair-differs"
    told = finding.fix.partition("Tried: ")[2].split("`")[1::2]
    assert not said(with_tool("\n".join(told), "64 KiB", "16 KiB"), *OF_TOOL)


def on_disk(text: str, area: str) -> Example:
    shape = f"chip: {area}, size: 64 KiB, holds: uboot-env, writer: runtime"
    return emmc(
        f"name: env-a, at: 1 MiB, {shape}, env: {{size: 16 KiB, copy: env-b}}",
        f"name: env-b, at: 0x110000, {shape}, env: {{size: 16 KiB, copy: env-a}}",
        chip="sectors: 65536, boot-area: 2 MiB, align: 1 MiB, table: fixed",
        rest="written-elsewhere: {flash-tool-config: fw_env.config}\n",
        files={"fw_env.config": text.encode},
    )


@given(
    st.sampled_from(["0x0", "0x100000", "0x110000"]),
    st.sampled_from(["0x4000", "0x8000"]),
    st.sampled_from(["emmc", "emmc/boot0", "emmc/boot1"]),
    st.sampled_from(["/dev/mmcblk0", "/dev/mmcblk2boot0", "/dev/mmcblk2boot1"]),
    st.booleans(),
)
def test_lines_for_a_disk_agree(offset: str, size: str, area: str, device: str, one: bool) -> None:
    """The copies lie in the chip itself or in a boot area; the disk is the one of the file."""
    text = f"{device} {offset} {size}\n" + f"{device} 0x110000 {size}\n" * (not one)
    for finding in said(on_disk(text, area), *OF_TOOL):
        told = finding.fix.partition("Tried: ")[2].split("`")[1::2]
        assert len(told) == 2, finding.fix
        assert device.startswith(told[0].partition(" ")[0].partition("boot")[0])
        assert not said(on_disk("\n".join(told), area), *OF_TOOL)
