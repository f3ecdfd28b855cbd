from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.rules import ubi
from imgaudit.rules.engine import Example, Finding
from imgaudit.rules.examples import nand, nor
from imgaudit.rules.subject import Subject
from imgaudit.units import KIB
from imgaudit.writers.sparse import patched
from tests.rules._storage import alone, findings, flash, made, names

HERE = "ubi"


def on_nand(data: Callable[[], bytes], *, kind: str = "nand", more: str = "") -> Example:
    example = nand(
        "name: data, at: 0, size: 512 KiB, holds: ubi, file: d.img",
        chip=f"size: 1 MiB, erase-block: 64 KiB{more}",
        files={"d.img": data},
    )
    return Example(example.layout.replace("kind: nand", f"kind: {kind}"), example.files)


def only(example: Example) -> Finding:
    (finding,) = findings(example, HERE)
    return finding


def test_ubi_volumes_fill_all_but_four() -> None:
    assert findings(flash("ubi", lambda: ubi.ubi(64 * KIB, 4)), HERE) == []
    finding = only(flash("ubi", lambda: ubi.ubi(64 * KIB, 7)))
    assert (finding.values["wanted"], finding.values["have"]) == (7, 8)
    assert (finding.values["over"], finding.values["needed"]) == (3, 11 * 64 * KIB)


def test_ubifs_on_small_blocks_on_paper() -> None:
    finding = only(
        nor(
            "name: data, at: 0, size: 512 KiB, holds: ubifs",
            chip="size: 1 MiB, erase-block: 8 KiB",
        )
    )
    assert finding.values["leb"] == 8 * KIB - 128
    assert finding.message.startswith("data: ")


def test_smallest_block_of_ubifs() -> None:
    assert findings(flash("ubifs", lambda: ubi._ubifs(15 * KIB)), HERE) == []


def test_small_blocks_of_a_ubifs_are_told_once() -> None:
    example = flash("ubifs", lambda: ubi._ubifs(4 * KIB), erase="4 KiB")
    assert names(example, HERE) == ["ubifs-leb-too-small"]


def test_parts_of_a_file_are_not_measured_by_the_region() -> None:
    assert alone({"d.img": ubi.ubi(64 * KIB, 99)}, HERE) == []


def test_damage_is_told_once_and_only_where_no_sum_explains_it() -> None:
    lone = ubi.ubi(64 * KIB, 2, copies=(0,))
    assert only(flash("ubi", lambda: lone + lone)).values["count"] == 2
    twice = only(flash("ubi", lambda: ubi.ubi(64 * KIB, 2, data=b"x") * 2))
    assert twice.message.startswith(
        "d.img: the UBI is not whole: PEB 0 and PEB 3 are both LEB 0 of the volume table"
    )
    assert twice.message.endswith(", and 2 more")
    torn = patched(lone + lone, 30, b"x")
    assert findings(flash("ubi", lambda: torn), HERE) == []


@pytest.mark.parametrize("cut", [100, 64 * KIB - 1, 64 * KIB, 65 * KIB, 3 * 64 * KIB - 1])
def test_a_cut_image_is_told(cut: int) -> None:
    image = ubi.ubi(64 * KIB, 2, data=b"x" * 64 * KIB)
    assert names(flash("ubi", lambda: image[:cut]), HERE) == ["ubi-damaged"]


def test_pages_of_a_nand() -> None:
    whole = (2048, 4096)
    parts = (512, 2048)
    for at, kind, wanted in (
        (whole, "nand", []),
        (whole, "spi-nand", []),
        (parts, "nand", []),
        (parts, "spi-nand", ["ubi-page-size-mismatch"]),
        ((64, 128), "nand", ["ubi-page-size-mismatch"]),
    ):
        example = on_nand(partial(ubi.ubi, 64 * KIB, 1, at=at), kind=kind)
        assert names(example, HERE) == wanted, (at, kind)


@pytest.mark.parametrize(
    ("arguments", "placed"),
    [
        ("ubi.mtd=data", False),
        ("ubi.mtd=data,0", False),
        ("ubi.mtd=data,,20", False),
        ("ubi.mtd=data,4096", True),
    ],
)
def test_a_command_line_may_say_where_the_headers_are(arguments: str, *, placed: bool) -> None:
    """Source: Linux drivers/mtd/ubi/build.c, mtd_param: `ubi.mtd=NAME,VID_HDR_OFFSET`."""
    started = SimpleNamespace(arguments=(arguments,))
    subject = cast("Subject", SimpleNamespace(started={"main": started}))
    assert ubi._placed(subject) is placed


@pytest.mark.parametrize(
    ("volumes", "bad", "told"),
    [
        (2, "", []),
        (3, "", []),
        (4, "", ["ubi-has-no-spare-blocks"]),
        (5, "", ["ubi-volume-overflow"]),
        (2, ", bad-blocks: 128 KiB", []),
        (3, ", bad-blocks: 128 KiB", ["ubi-has-no-spare-blocks"]),
    ],
)
def test_spare_blocks(volumes: int, bad: str, told: list[str]) -> None:
    image = ubi.ubi(64 * KIB, volumes, at=(2048, 4096))
    assert names(on_nand(lambda: image, more=bad), HERE) == told


def test_a_ubifs_that_suits_its_volume() -> None:
    leb = 60 * KIB
    for size, unit, told in (
        (leb, 2048, []),
        (leb, 8, ["ubifs-made-for-another-flash"]),
        (leb - 4096, 2048, ["ubifs-made-for-another-flash"]),
    ):
        image = ubi.ubi(64 * KIB, 3, at=(2048, 4096), data=ubi._ubifs(size, unit)[:leb])
        assert names(on_nand(partial(bytes, image)), HERE) == told


SAMPLES = {"ubi": ubi.ubi(64 * KIB, 4, data=b"x" * 9999), "ubifs": ubi._ubifs(64 * KIB)}


@given(
    holds=st.sampled_from(sorted(SAMPLES)),
    at=st.integers(0, 0x1500),
    data=st.binary(min_size=1, max_size=16),
)
def test_any_damage_is_told_in_words(holds: str, at: int, data: bytes) -> None:
    image = patched(SAMPLES[holds], at, data)
    for finding in findings(flash(holds, lambda: image), HERE) + alone({"d.img": image}, HERE):
        assert finding.message
        assert finding.effect
        assert finding.fix


@pytest.mark.oracle
def test_real_ubi(tmp_path: Path) -> None:
    (tmp_path / "tree").mkdir()
    (tmp_path / "tree" / "a").write_bytes(bytes(range(256)) * 700)
    made(
        tmp_path / "u.ubifs",
        *("mkfs.ubifs", "-r", "tree", "-m", "1", "-e", "65408", "-c", "64", "-o", "u.ubifs"),
    )
    (tmp_path / "u.ini").write_text(
        "[data]\nmode=ubi\nimage=u.ubifs\nvol_id=0\nvol_type=dynamic\nvol_name=data\n"
        "vol_size=1308160\n"  # 20 blocks
    )
    command = ("ubinize", "-m", "1", "-o", "u.ubi", "u.ini", "-p")
    image = made(tmp_path / "u.ubi", *command, "65536")()
    small = flash("ubi", lambda: image, size=f"{24 * 64} KiB")
    chip = Example(small.layout.replace("1 MiB", "4 MiB"), small.files)
    assert findings(chip, HERE) == []
    tight = Example(chip.layout.replace("1536 KiB", "1472 KiB"), chip.files)
    assert only(tight).values["over"] == 1
    volume = (tmp_path / "u.ubifs").read_bytes()
    assert alone({"u.ubifs": volume}, HERE) == []
