"""Growth over releases: the pace, its range, and what is too little to say."""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.contents.build import Build, MemoryStore, read
from imgaudit.contents.reader import Loader
from imgaudit.errors import AuditError
from imgaudit.layout.load import parse
from imgaudit.release.growth import LEAST, MOST, Trend, growth, history, slope
from imgaudit.release.manifest import Manifest, SealedFile, SealedPayload, SealedRegion, dump
from imgaudit.units import MIB

LAYOUT = b"""\
layout: 1
board: b
arch: arm64
chips: {nor: {kind: spi-nor, size: 16 MiB, erase-block: 64 KiB}}
regions: [{name: a, chip: nor, at: 0, size: 10 MiB, holds: raw, writer: release, file: a.bin}]
"""


# Computed with SciPy, stats.theilslopes(y, range(len(y)), 0.90): an independent Sen (1968).
@pytest.mark.parametrize(
    ("sizes", "expected"),
    [
        ([1, 2, 3, 4], (1.0, 1.0, 1.0)),
        ([10, 11, 13, 12, 15, 19], (1.5, 0.6666666666666666, 3.0)),
        ([5, 5, 5, 5], (0.0, 0.0, 0.0)),
        ([100, 90, 95, 130, 131, 150, 149, 180], (12.15, 7.75, 17.0)),
        ([3, 1, 4, 1, 5, 9, 2, 6], (0.4642857142857143, -0.5, 1.6666666666666667)),
    ],
)
def test_pace_and_range_are_sens(sizes: list[int], expected: tuple[float, float, float]) -> None:
    assert slope(list(enumerate(sizes))) == pytest.approx(expected)


@given(
    st.integers(-1000, 1000),
    st.integers(0, 10**9),
    st.integers(LEAST, 30),
)
def test_an_even_pace_is_told_exactly(step: int, start: int, count: int) -> None:
    points = [(n, start + n * step) for n in range(count)]
    assert slope(points) == (step, step, step)


@given(st.lists(st.integers(0, 1 << 50), min_size=2, max_size=MOST))
def test_the_range_holds_the_pace(sizes: list[int]) -> None:
    pace, slow, fast = slope(list(enumerate(sizes)))
    assert slow <= pace <= fast


def test_one_release_out_of_line_does_not_move_the_pace() -> None:
    sizes = [100, 110, 120, 900, 140, 150, 160]
    assert slope(list(enumerate(sizes)))[0] == pytest.approx(10)


def _sealed(*sizes: int | None, used: int | None = None, board: str = "b") -> list[Manifest]:
    return [
        Manifest(
            file=f"r/{number}.json",
            board=board,
            layout_sha256="0" * 64,
            regions=(
                SealedRegion(
                    name="a",
                    chip="nor",
                    offset=0,
                    size=10 * MIB,
                    payload=None
                    if size is None
                    else SealedPayload(size=size, sha256=None, used=used),
                ),
            ),
        )
        for number, size in enumerate(sizes)
    ]


def _trend(*releases: Manifest) -> Trend:
    (trend,) = growth(read(parse(LAYOUT, "l.yaml"), None), releases).trends
    return trend


def test_releases_that_still_fit() -> None:
    trend = _trend(*_sealed(6 * MIB, 7 * MIB, 8 * MIB, 9 * MIB))
    assert trend.pace == MIB
    assert trend.more(MIB) == 1
    assert trend.more(MIB + 1) == 0
    assert trend.more(0) is None
    assert trend.more(-1.0) is None


@pytest.mark.parametrize(("count", "told"), [(LEAST - 1, False), (LEAST, True)])
def test_too_few_releases_give_no_pace(count: int, told: bool) -> None:
    assert (_trend(*_sealed(*range(1, count + 1))).pace is not None) is told


def test_a_release_that_does_not_say_is_left_out() -> None:
    trend = _trend(*_sealed(1, None, 3, 4, 5))
    assert trend.sizes == (1, None, 3, 4, 5)
    assert trend.pace == 1
    # How full a file system is stands in some manifests only: its image's size would mislead.
    old, new = _sealed(8 * MIB), _sealed(8 * MIB, used=MIB)
    assert _trend(*old, *new).sizes == (None, MIB)
    assert _trend(*old, *_sealed(8 * MIB, used=8 * MIB)).sizes == (8 * MIB, 8 * MIB)


def test_another_boards_release_is_refused() -> None:
    with pytest.raises(AuditError, match=r"r/0.json seals a release of c, not of b"):
        _trend(*_sealed(1, board="c"))


def test_a_folder_in_the_order_of_its_numbers(tmp_path: Path) -> None:
    (release,) = _sealed(1)
    for name in ("v1.10.json", "v1.9.json", "v1.9-rc.json", "notes.txt"):
        (tmp_path / name).write_text(dump(release))
    found, left_out = history([str(tmp_path)])
    assert [Path(item.file).name for item in found] == ["v1.9-rc.json", "v1.9.json", "v1.10.json"]
    assert left_out == 0
    found, left_out = history([str(tmp_path / "v1.9.json")] * (MOST + 2))
    assert (len(found), left_out) == (MOST, 2)
    (tmp_path / "none").mkdir()
    with pytest.raises(AuditError, match="no sealed manifest"):
        history([str(tmp_path / "none")])
    (tmp_path / "v2.json").write_text(json.dumps({"manifest": 1}))
    with pytest.raises(AuditError, match="has no 'board'"):
        history([str(tmp_path)])


DATA = b"tide" * MIB


def _released(digest: str | None, size: int = len(DATA), *, file: bool = True) -> Manifest:
    (manifest,) = _sealed(size)
    (region,) = manifest.regions
    artifact = SealedFile(path="a.bin", size=size, sha256=digest) if file else None
    return replace(manifest, regions=(replace(region, artifact=artifact),))


@pytest.mark.parametrize(
    ("release", "given", "names"),
    [
        (_released(hashlib.sha256(DATA).hexdigest()), True, ("0",)),
        (_released(hashlib.sha256(b"ebb").hexdigest()), True, ("0", "this build")),
        (_released(None), True, ("0", "this build")),
        (_released(None, file=False), True, ("0", "this build")),
        (_released(hashlib.sha256(DATA).hexdigest()), False, ("0", "this build")),
        (_released(None, file=False), False, ("0", "this build")),
    ],
)
def test_a_build_that_is_the_newest_release_counts_once(
    release: Manifest, names: tuple[str, ...], *, given: bool
) -> None:
    """By the digests of its files; what has none to compare is another."""
    with Loader() as loader:
        store = MemoryStore({"a.bin": lambda: DATA} if given else {}, loader)
        found = growth(read(parse(LAYOUT, "l.yaml"), store), [release])
    assert found.releases == names


def test_growth_needs_a_layout() -> None:
    with pytest.raises(AuditError, match="growth needs a layout"):
        growth(Build(layout=None, given=False, placements=()), [])
