from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.clean import cells
from imgaudit.report._ram import draw, rows
from imgaudit.report._style import Style
from imgaudit.tasks.sections import Ram, RamRange
from imgaudit.units import KIB, MIB, Span

BANK = Span.sized(0x40000000, 512 * MIB)


def used(name: str, start: int, size: int, *, exact: bool = True) -> RamRange:
    return RamRange(name=name, span=Span.sized(start, size), exact=exact)


def test_a_map() -> None:
    lines = draw(
        [
            used("kernel with its BSS", 0x40200000, 26 * MIB),
            used("ramdisk", 0x41000000, 64 * MIB, exact=False),
            used("device tree", 0x5FF00000, 38 * KIB),
            used("elsewhere", 0x10, 16),
        ],
        [BANK],
    )
    assert lines == [
        "RAM 0x40000000 to 0x60000000, 512 MiB",
        "kernel with its BSS 0x40200000     26 MiB |#X..................................|",
        "ramdisk             0x41000000    ~64 MiB |.X####..............................|",
        "device tree         0x5ff00000     38 KiB |...................................#|",
        "",
        "not in RAM",
        "elsewhere                        0x10       16 B",
    ]


def test_each_bank_has_its_own_scale() -> None:
    lines = draw(
        [used("a", 0, MIB), used("b", 1 << 32, MIB)], [Span(0, MIB), Span.sized(1 << 32, MIB)]
    )
    assert [line for line in lines if line.startswith("RAM")] == [
        "RAM 0x0 to 0x100000, 1 MiB",
        "RAM 0x100000000 to 0x100100000, 1 MiB",
    ]
    assert "." not in lines[1]


def test_nothing_to_draw() -> None:
    assert draw([], [BANK]) == ["RAM 0x40000000 to 0x60000000, 512 MiB"]
    assert draw([], []) == []


@given(
    st.lists(
        st.tuples(
            st.text(min_size=1, max_size=60), st.integers(0, 1 << 40), st.integers(1, 1 << 40)
        ),
        max_size=8,
    ),
    st.integers(60, 120),
)
def test_every_range_is_visible_and_no_line_too_long(
    ranges: list[tuple[str, int, int]], width: int
) -> None:
    drawn = [used(name, start, size) for name, start, size in ranges]
    lines = draw(drawn, [Span(0, 1 << 40)], width)
    assert all(cells(line) <= width for line in lines)
    bars = [line.rsplit("|", 2)[1] for line in lines if line.endswith("|")]
    assert len(bars) == sum(start < 1 << 40 for _, start, _ in ranges)
    assert all(set(bar) & {"#", "X"} for bar in bars)


@pytest.mark.parametrize(("width", "pad"), [(62, "  "), (61, "")])
def test_a_narrow_picture_is_not_indented(width: int, pad: str) -> None:
    ram = Ram(ranges=(used("a", 0, MIB),), banks=(Span(0, MIB),), unplaced=("no room for it",))
    shown = ["".join(text for text, _ in row) for row in rows(ram, Style(width=width))]
    assert shown[0] == f"{pad}RAM 0x0 to 0x100000, 1 MiB"
    assert shown[-1] == f"{pad}not placed: no room for it"
    assert {len(line) for line in shown if "|" in line} == {width}
