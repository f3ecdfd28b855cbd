"""Several dies side by side behind one flash, and sizes of arguments and of packed kernels."""

from __future__ import annotations

from dataclasses import replace

import pytest

from imgaudit.boot.rammap import COMP_FACTOR, comp_size_short
from imgaudit.maps.command_line import parse
from imgaudit.rules import samples as sample
from imgaudit.rules._rescue import archive
from imgaudit.rules.chip_data import ERASE, sfdp_dump
from imgaudit.rules.engine import Example
from imgaudit.rules.erase import SMALLER
from imgaudit.rules.examples import nor
from imgaudit.rules.filesystems import erased_jffs2
from imgaudit.units import KIB, MIB
from imgaudit.writers.fdt import Tree
from imgaudit.writers.kernel import image
from tests._audits import found


def _board(block: str, size: str, *, dies: int) -> Example:
    """Give a flash of 4, 32 and 64 KiB blocks, `dies` of which the device tree puts in parallel."""
    sizes = tuple(value for _ in range(dies) for value in (0, 16 * MIB))
    nodes: Tree = {
        "spi@1000": {"flash@0": {"compatible": "jedec,spi-nor", "parallel-memories": sizes}}
    }
    tree = sample.board_tree(nodes if dies > 1 else {})
    return nor(
        "name: tree, at: 0, size: 1 MiB, holds: fdt, file: board.dtb",
        chip=f"size: {size}, erase-block: {block}, page: {256 * dies}, sfdp: nor.sfdp",
        files={"nor.sfdp": lambda: sfdp_dump(16 * MIB), "board.dtb": lambda: tree},
    )


@pytest.mark.parametrize(
    ("block", "size", "dies", "wrong"),
    [
        ("64 KiB", "16 MiB", 1, False),
        ("128 KiB", "32 MiB", 2, False),
        ("8 KiB", "32 MiB", 2, False),
        ("64 KiB", "32 MiB", 2, False),  # two times 32 KiB
        ("4 KiB", "32 MiB", 2, True),
        ("128 KiB", "16 MiB", 1, True),
    ],
)
def test_a_die_beside_another_erases_twice_as_much(
    block: str, size: str, dies: int, *, wrong: bool
) -> None:
    example = _board(block, size, dies=dies)
    assert bool(found(ERASE.name, example)) is wrong
    assert not found("chip-size-contradicts-sfdp", example)
    assert not found("page-size-differs", example)


def test_a_layout_that_forgets_the_second_die() -> None:
    example = _board("64 KiB", "16 MiB", dies=2)
    assert found("chip-size-contradicts-sfdp", example)
    single = replace(example, layout=example.layout.replace("page: 512", "page: 256"))
    assert found("page-size-differs", single)


@pytest.mark.parametrize(
    ("text", "size"),
    [
        ("mem=64M", 64 * MIB),
        ("mem=0x4000000", 64 * MIB),
        ("mem=65536k quiet", 64 * MIB),
        ("mem=1g", 1024 * MIB),
        ("mem=67108864", 64 * MIB),
        ("mem=64M@0x80000000", None),
        ("mem=", None),
        ("quiet", None),
    ],
)
def test_the_limit_on_memory_is_read_as_the_kernel_reads_it(text: str, size: int | None) -> None:
    assert parse(text).memory_limit == size


def test_booti_reads_and_writes_no_more_than_it_is_told() -> None:
    assert not comp_size_short(100, 100, 100 * COMP_FACTOR)
    assert not comp_size_short(100, 100, None)
    assert "100" in comp_size_short(100, 101, None)
    assert "1,001" in comp_size_short(100, 100, 100 * COMP_FACTOR + 1)


@pytest.mark.parametrize(("dies", "told"), [(1, True), (2, False)])
def test_a_file_system_for_the_blocks_of_both_dies(dies: int, *, told: bool) -> None:
    """Both erase at once: one block is 128 KiB, and a JFFS2 of such blocks is right."""
    good = SMALLER.good
    nodes: Tree = {
        "spi@1000": {
            "flash@0": {"compatible": "jedec,spi-nor", "parallel-memories": (0, 16 * MIB) * dies}
        }
    }
    fit: Tree = {
        "kernel": sample.kernel(payload=image({"MTD_SPI_NOR": "y"})),
        "fdt": sample.image({"type": "flat_dt"}, payload=sample.board_tree(nodes)),
        "ramdisk": sample.image(payload=archive()),
    }
    conf: Tree = {"conf": {"kernel": "kernel", "fdt": "fdt", "ramdisk": "ramdisk"}}
    files = {
        **good.files,
        "rescue.itb": lambda: sample.fit(fit, configurations=conf),
        "settings.jffs2": lambda: erased_jffs2(128 * KIB),
    }
    layout = good.layout.replace("erase-block: 64 KiB", "erase-block: 128 KiB")
    example = replace(good, layout=layout, files=files)
    assert bool(found(SMALLER.name, example)) is told


def test_two_flashes_do_not_share_a_count() -> None:
    example = _board("64 KiB", "32 MiB", dies=2)
    second = "\n  other: {kind: spi-nor, size: 1 MiB, erase-block: 64 KiB}\nregions:"
    both = replace(example, layout=example.layout.replace("\nregions:", second, 1))
    assert found("chip-size-contradicts-sfdp", both)
