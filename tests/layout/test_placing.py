"""A layout with other numbers is the one that its file would give with them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.errors import LayoutError
from imgaudit.layout.load import parse
from imgaudit.layout.placing import placed_again
from imgaudit.model import Layout
from imgaudit.units import KIB, MIB, Span

TEXT = """\
layout: 1
board: heron
arch: arm64
chips:
  nor: {{kind: spi-nor, size: 1 MiB, erase-block: 64 KiB}}
  nand: {{kind: nand, size: 4 MiB, erase-block: 64 KiB, page: 2 KiB, bad-blocks: 0}}
  emmc: {{kind: emmc, sectors: 65536, align: 1 MiB}}
regions:
  - {{name: loader, chip: nor, at: 0, size: {loader}, holds: raw, writer: release}}
  - {{name: env, chip: nor, after: loader, size: 64 KiB, holds: raw, writer: release,
     file-at: 4 KiB, file: env}}
  - {{name: log, chip: nor, after: env, size: rest, holds: raw, writer: runtime}}
  - {{name: ubi, chip: nand, at: 128 KiB, size: {ubi}, holds: ubi, writer: release}}
  - {{name: kernel, chip: nand/ubi, size: {kernel}, holds: raw, writer: release}}
  - {{name: data, chip: nand/ubi, size: rest, holds: raw, writer: runtime}}
  - {{name: spare, chip: nand, after: ubi, size: rest, holds: raw, writer: release}}
  - {{name: boot, chip: emmc, partition: 1, at: 1 MiB, size: {boot}, holds: raw, writer: release}}
  - {{name: root, chip: emmc, partition: 2, after: boot, size: rest, holds: raw, writer: release}}
"""
USUAL = {"loader": 64 * KIB, "ubi": MIB, "kernel": 300 * KIB, "boot": 8 * MIB}
STARTS = {"loader": 0, "ubi": 128 * KIB, "kernel": 0, "boot": MIB}


def read(sizes: dict[str, int]) -> Layout | None:
    try:
        return parse(TEXT.format(**sizes).encode(), "heron.yaml")
    except LayoutError:
        return None


def places(layout: Layout | None) -> dict[str, Span] | None:
    return None if layout is None else {it.name: it.span for it in layout.regions}


def test_without_other_numbers_it_stays_as_it_is() -> None:
    layout = read(USUAL)
    assert layout is not None
    assert placed_again(layout, {}) == layout


@given(
    st.sampled_from(list(USUAL)).flatmap(
        lambda name: st.tuples(st.just(name), st.integers(1, 2 * 1024).map(lambda n: n * 16 * KIB))
    )
)
def test_what_follows_and_what_takes_the_rest_move_along(change: tuple[str, int]) -> None:
    """None where the file could not be read with that size: nothing is left for the rest."""
    name, size = change
    layout = read(USUAL)
    assert layout is not None
    again = placed_again(layout, {name: Span.sized(STARTS[name], size)})
    assert places(again) == places(read({**USUAL, name: size}))


@pytest.mark.parametrize(("size", "there"), [(4 * KIB, False), (4 * KIB + 1, True)])
def test_a_region_holds_what_starts_inside_it(size: int, there: bool) -> None:
    layout = read(USUAL)
    assert layout is not None
    assert (placed_again(layout, {"env": Span.sized(64 * KIB, size)}) is not None) is there
