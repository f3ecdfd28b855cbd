"""Sizes by name, against a table that others keep."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.maps.parts import nor_size
from imgaudit.units import KIB, MIB

# U-Boot drivers/mtd/spi/spi-nor-ids.c: the name, and how many sectors of 64 KiB it has.
_TABLE = """
at26df321 64, at25df321a 64, at25sl321 64, at26df081a 16, en25q80b 16, en25q32b 64, en25q64 128
en25q128b 256, en25qh128 256, en25s64 128, gd25q16 32, gd25lq32 64, gd25lq64c 128, gd25q128 256
gd25b256 512, gd25b512 1024, gd55b01g 2048, gd55b02g 4096, gd25f64 128, gd25x512 1024
gd25lq256d 512, gd25lx256e 512, gd55lb02ge 4096, gd25lf80 16, is25lq040b 8, is25lp008 16
is25lp016 32, is25lp128 256, is25lp01g 2048, is25wp01gg 2048, is25wx256 512, mx25l2005a 4
mx25l4005a 8, mx25l8005 16, mx25l1606e 32, mx25l3205d 64, mx25l6405d 128, mx25u2033e 4
mx25u1635e 32, mx25u6435f 128, mx25l12805d 256, mx25u12835f 256, mx25u51245g 1024, mx25l25635e 512
mx25v8035f 16, mx25r1635f 32, mx66l51235l 1024, mx66u1g45g 2048, mx66u2g45g 4096, mx25l1633e 32
mx25r6435f 128, mx66lm1g45g 2048, mx25lm51245g 1024, mx25uw6445g 128, p25q05h 1, p25q10h 2
p25q40h 8
"""
_PAIRS = [pair.split() for line in _TABLE.split("\n") for pair in line.split(",") if pair]


@pytest.mark.parametrize(("name", "sectors"), _PAIRS)
def test_sizes_of_parts(name: str, sectors: str) -> None:
    assert nor_size([f"maker,{name}", "jedec,spi-nor"]) == (
        int(sectors) * 64 * KIB,
        f"maker,{name}",
    )


@pytest.mark.parametrize(
    # From memory, of the families' datasheets.
    ("name", "size"),
    [
        ("st,m25p64", 8 * MIB),
        ("st,m25p10", 128 * KIB),
        ("winbond,w25q128", 16 * MIB),
        ("winbond,w25q32dw", 4 * MIB),
        ("winbond,w25q01jv", 128 * MIB),
        ("micron,n25q512a", 64 * MIB),
        ("micron,n25q00", 128 * MIB),
        ("micron,mt25qu512a", 64 * MIB),
        ("spansion,s25fl116k", 2 * MIB),
        ("spansion,s25fl256s1", 32 * MIB),
        ("sst,sst25vf016b", 2 * MIB),
    ],
)
def test_sizes_of_others(name: str, size: int) -> None:
    assert nor_size([name]) == (size, name)


@pytest.mark.parametrize(
    "name", ["jedec,spi-nor", "spi-flash", "", "atmel,at45db161d", "maker,w25q", "maker,m25p99"]
)
def test_what_tells_no_size(name: str) -> None:
    assert nor_size([name]) is None


@given(st.lists(st.text(max_size=20), max_size=3))
def test_any_names(names: list[str]) -> None:
    found = nor_size(names)
    assert found is None or found[0] > 0
