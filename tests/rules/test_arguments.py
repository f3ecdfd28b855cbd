from __future__ import annotations

from dataclasses import replace

import pytest

from imgaudit.rules.arguments import _POOL, POOL, _with_ram
from imgaudit.rules.main_root import system
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
