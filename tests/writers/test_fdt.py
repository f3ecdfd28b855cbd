from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.formats import fdt as reader
from imgaudit.formats.view import View
from imgaudit.writers.fdt import Property, Tree, fdt

TREE: Tree = {
    "text": "whimbrel",
    "cell": 0x12345678,
    "cells": (1, 2, 3),
    "texts": ["one", "two"],
    "flag": True,
    "raw": b"\x01\x02\x03",
    "node@1": {"reg": 1, "text": "again"},
}


def test_the_header_follows_the_specification() -> None:
    blob = fdt(TREE)
    fields = [int.from_bytes(blob[at : at + 4], "big") for at in range(0, 40, 4)]
    magic, total, structure, strings, reservations, version, compatible, _, names, body = fields
    # Devicetree Specification 0.4, section 5.2: version 17, compatible with 16.
    assert (magic, version, compatible) == (0xD00DFEED, 17, 16)
    assert total == len(blob)
    assert (reservations % 8, structure % 4) == (0, 0)
    assert structure + body == strings
    assert strings + names <= total < strings + names + 8


@pytest.mark.oracle
def test_fdtget_reads_every_kind_of_property(tool: Callable[..., str], tmp_path: Path) -> None:
    path = tmp_path / "tree.dtb"
    path.write_bytes(fdt(TREE))
    for name, option, expected in (
        ("text", "s", "whimbrel"),
        ("cell", "x", "12345678"),
        ("cells", "u", "1 2 3"),
        ("texts", "s", "one two"),
        ("raw", "bx", "1 2 3"),
    ):
        assert tool("fdtget", "-t", option, path, "/", name).strip() == expected
    assert tool("fdtget", "-p", path, "/").split() == [
        *("text", "cell", "cells", "texts", "flag", "raw")
    ]
    assert tool("fdtget", "-l", path, "/").split() == ["node@1"]


names = st.text("abcdefghijklmnopqrstuvwxyz-", min_size=1, max_size=20)
properties: st.SearchStrategy[Property] = st.one_of(
    st.text("abc ", max_size=9),
    st.integers(0, 0xFFFFFFFF),
    st.binary(max_size=9),
    st.just(value=True),
)


@given(st.dictionaries(names, properties, max_size=8))
def test_any_tree_can_be_read(tree: dict[str, Property]) -> None:
    blob = fdt({**tree, "node": {**tree}})
    assert reader.READER.read(View.of(blob)).length == len(blob)
