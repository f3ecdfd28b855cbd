from __future__ import annotations

import re
from pathlib import Path

import pytest

from imgaudit.demo.build import FAULTS, LAYOUT, build
from imgaudit.demo.faults import _edit, _key
from imgaudit.layout.load import load
from imgaudit.writers.sparse import Sparse
from tests.demo.conftest import digests


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_changes_the_build(name: str, sound: dict[str, str], tmp_path: Path) -> None:
    fault = FAULTS[name]
    path = build(tmp_path, name)
    assert digests(tmp_path) != sound
    read = load(str(path))
    assert fault.region is None or read.region(fault.region)


def test_faults_are_described() -> None:
    assert len(FAULTS) >= 25
    assert len({fault.summary for fault in FAULTS.values()}) == len(FAULTS)
    for name, fault in FAULTS.items():
        assert name == fault.name
        assert re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)+", fault.name)
        assert re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)+", fault.finding)
        assert not fault.summary.endswith(".")


def test_a_size_fault_is_by_as_much_as_it_says(tmp_path: Path) -> None:
    room = 13 << 20
    build(tmp_path, "recovery-too-big")
    assert room < (tmp_path / "recovery.itb").stat().st_size < room + (2 << 20)
    build(tmp_path, "recovery-nearly-full")
    assert 0.95 < (tmp_path / "recovery.itb").stat().st_size / (1792 << 10) < 1


def test_a_fault_keeps_the_comments_of_the_layout() -> None:
    changed = _key("env-b", "size", "32 KiB")(LAYOUT.read_text(encoding="utf-8"))
    assert re.search(r"size: 32 KiB +# an erase block of its own", changed)


def test_a_fault_that_would_change_nothing_is_refused() -> None:
    with pytest.raises(ValueError, match="no 'sizes' for 'env-b'"):
        _key("env-b", "sizes", "1")(LAYOUT.read_text(encoding="utf-8"))
    with pytest.raises(TypeError, match="sparse"):
        _edit("x", lambda data: data)({"x": Sparse(1)})
