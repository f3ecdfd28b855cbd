from __future__ import annotations

from dataclasses import replace

import pytest

from imgaudit.rules.arguments import _POOL, _TWO, IGNORED, NUMBER, POOL, _with_ram
from imgaudit.rules.engine import Severity
from imgaudit.rules.main_root import system
from imgaudit.writers.fdt import Tree
from tests._audits import found


@pytest.mark.parametrize(
    ("second", "pool", "told"),
    [
        ("0x82000000", 48, False),
        ("0x82000000", 96, True),
        ("0x82100000", 48, True),
        ("0x82100000", 32, False),
    ],
)
def test_banks_that_touch_are_one(second: str, pool: int, *, told: bool) -> None:
    """Linux mm/memblock.c, memblock_add_range: regions that touch become one."""
    one = "{at: 0x80000000, size: 64 MiB}"
    two = f"{{at: 0x80000000, size: 32 MiB}}, {{at: {second}, size: 32 MiB}}"
    example = _with_ram(system(arguments=_POOL.format(pool)))
    assert one in example.layout
    split = replace(example, layout=example.layout.replace(one, two))
    assert bool(found(POOL.name, split)) is told


@pytest.mark.parametrize(
    ("built", "severity"),
    [
        ("console=ttyS0 root=PARTLABEL=rootfs rootwait quiet", Severity.WARNING),
        ("root=PARTLABEL=rootfs console=ttyS0", Severity.ERROR),
        ("console=ttyS0 root=PARTLABEL=data rootwait", Severity.ERROR),
    ],
)
def test_how_bad_built_in_arguments_are(built: str, severity: Severity) -> None:
    """The last console= is /dev/console, so their order counts (serial-console.rst)."""
    example = system(config={"CMDLINE_FORCE": "y", "CMDLINE": f'"{built}"'})
    assert [item.severity for item in found(IGNORED.name, example)] == [severity]


@pytest.mark.parametrize(
    ("root", "aliases", "told"),
    [
        (0, {}, True),
        (0, {"mmc0": "/mmc@1000"}, False),
        # Linux mmc_first_nonreserved_index: the one without an alias comes behind the aliases.
        (1, {"mmc0": "/mmc@1000"}, False),
        (3, {"mmc0": "/soc/mmc@9000"}, True),
    ],
)
def test_numbers_of_disks(root: int, aliases: dict[str, str], *, told: bool) -> None:
    nodes: Tree = {**_TWO, "aliases": {**aliases}}
    example = system(arguments=f"console=ttyS0 root=/dev/mmcblk{root}p1 rootwait", nodes=nodes)
    assert bool(found(NUMBER.name, example)) is told


@pytest.mark.parametrize(("choice", "told"), [("MBYTES", True), ("MIN", False)])
def test_a_pool_that_may_be_a_share_of_the_ram(choice: str, *, told: bool) -> None:
    """Linux kernel/dma/contiguous.c: with SEL_MIN the lower of the two is taken."""
    config = {"CMA_SIZE_MBYTES": "96", f"CMA_SIZE_SEL_{choice}": "y"}
    assert bool(found(POOL.name, _with_ram(system(config=config)))) is told


@pytest.mark.parametrize("count", ["9" * 5000, "\u00b2", "-1", ""])
def test_a_pool_of_no_number_is_none(count: str) -> None:
    assert not found(POOL.name, _with_ram(system(config={"CMA_SIZE_MBYTES": count})))
