from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.boot.mtdparts import parse_mtdparts


@pytest.mark.parametrize(
    ("text", "parts"),
    [  # the syntax of Linux drivers/mtd/parsers/cmdlinepart.c
        ("", []),
        ("mtdparts=", []),
        ("nor0", []),
        (
            "mtdparts=mtdparts=spi0.0:1920k(u-boot)ro,64k(env),-(rest)",
            [
                ("spi0.0", "u-boot", 0, 1920 << 10),
                ("spi0.0", "env", 1920 << 10, 64 << 10),
                ("spi0.0", "rest", 1984 << 10, None),
            ],
        ),
        (
            "nor0:0x10000@0x40000(a, b),1M;nand0:1g(x)",
            [
                ("nor0", "a, b", 0x40000, 0x10000),
                ("nor0", "part1", 0x50000, 1 << 20),
                ("nand0", "x", 0, 1 << 30),
            ],
        ),
        ("nor0:1m(a)what,1m(b)", [("nor0", "a", 0, 1 << 20)]),
        ("nor0:-(a),1m(b)", [("nor0", "a", 0, None), ("nor0", "b", None, 1 << 20)]),
    ],
)
def test_mtdparts(text: str, parts: list[tuple[str, str, int | None, int | None]]) -> None:
    found = [(part.chip, part.name, part.offset, part.size) for part in parse_mtdparts(text)]
    assert found == parts


@given(st.text(st.sampled_from("mtdparts=nor0:1k@-(a)ro,;") | st.characters()))
def test_any_text_is_read(text: str) -> None:
    assert len(list(parse_mtdparts(text))) <= len(text)
