"""Disk images for other sectors, of other sizes, packed twice; and what partitioning tools make."""

from __future__ import annotations

import gzip
import subprocess
from pathlib import Path

import pytest

from imgaudit.model import SECTOR
from imgaudit.rules import checks
from imgaudit.rules import samples as sample
from imgaudit.rules.built import subject_of
from imgaudit.rules.chip_data import _ext_csd
from imgaudit.rules.disk import disk
from imgaudit.rules.engine import Example
from imgaudit.rules.examples import emmc, nor
from imgaudit.tasks import audit
from tests import _audits


def named(example: Example, *names: str) -> list[str]:
    only = [checks()[name] for name in names] or None
    return [item.rule.name for item in audit.run(subject_of(example), only=only).findings]


def board(image: bytes, *regions: str, sectors: int = 16384) -> Example:
    return emmc(
        *regions, chip=f"sectors: {sectors}, image: emmc.img", files={"emmc.img": lambda: image}
    )


@pytest.mark.oracle
@pytest.mark.parametrize(("sector", "found"), [(512, 0), (4096, 1)])
def test_fdisk_makes_tables_for_both_sectors(tmp_path: Path, sector: int, found: int) -> None:
    """util-linux' fdisk with -b: the sector size that the table is made for."""
    image = tmp_path / "disk.img"
    image.write_bytes(bytes(16384 * SECTOR))
    subprocess.run(
        ["fdisk", "-b", str(sector), str(image)],
        input=b"g\nn\n1\n\n+1M\nw\n",
        check=True,
        capture_output=True,
    )
    names = named(board(image.read_bytes()))
    assert names.count("gpt-for-another-sector-size") == found
    # One cause, one finding: what follows from it is not told again.
    assert [name for name in names if name.startswith("gpt-")] == (
        ["gpt-for-another-sector-size"] * found
    )


@pytest.mark.parametrize(
    ("sector", "told", "found"), [(512, 0, 0), (512, 1, 1), (4096, 0, 1), (4096, 1, 0)]
)
def test_a_chip_tells_the_size_of_its_sectors(sector: int, told: int, found: int) -> None:
    """Linux drivers/mmc/core/mmc.c, mmc_decode_ext_csd: DATA_SECTOR_SIZE 1 is 4 KiB."""
    image = disk(sector=sector, sectors=65536 * SECTOR // sector)
    registers = _ext_csd(at_61=told)
    example = emmc(
        chip="sectors: 65536, boot-area: 2 MiB, image: emmc.img, ext-csd: emmc.extcsd",
        files={"emmc.img": lambda: image, "emmc.extcsd": lambda: registers},
    )
    name = "gpt-for-another-sector-size"
    assert named(example, name) == [name] * found


@pytest.mark.parametrize(("more", "found"), [(-1, 0), (0, 0), (1, 1)])
def test_an_image_and_its_chip_to_the_sector(more: int, found: int) -> None:
    image = disk(sectors=1024 + more)
    example = board(image, sectors=1024)
    assert named(example, "chip-image-larger-than-chip") == (
        ["chip-image-larger-than-chip"] * found
    )


@pytest.mark.parametrize(
    ("entries", "at", "found"),
    [(128, 8, 1), (56, 8, 0), (57, 8, 1), (56, 4, 1), (128, 17, 0), (128, 16, 1)],
)
def test_the_image_says_how_many_entries_there_are(entries: int, at: int, found: int) -> None:
    """56 entries of 128 bytes from sector 2 on end at 0x2000, where some boot ROMs look first."""
    loader = f"name: loader, at: {at} KiB, size: 64 KiB"
    rootfs = "name: rootfs, partition: 1, at: 1 MiB, size: 1 MiB"
    example = board(disk(sectors=16384, entries=entries), loader, rootfs)
    assert named(example, "region-inside-partition-table") == (
        ["region-inside-partition-table"] * found
    )


@pytest.mark.parametrize(("times", "found"), [(0, 0), (1, 0), (2, 1), (3, 1)])
def test_an_artifact_is_packed_once(times: int, found: int) -> None:
    data = sample.fit()
    for _ in range(times):
        data = gzip.compress(data, mtime=0)
    example = nor(
        "name: recovery, at: 0, size: 128 KiB, holds: fit, file: recovery.itb",
        files={"recovery.itb": lambda: data},
    )
    assert named(example, "artifact-packed-twice") == ["artifact-packed-twice"] * found


def test_the_entries_are_those_of_the_chip_s_own_image() -> None:
    """A card beside the eMMC has its own table; without an image it has as many as are usual."""
    example = Example(
        "layout: 1\nboard: example\narch: arm64\nchips:\n"
        "  emmc: {kind: emmc, sectors: 16384, image: disk.img}\n"
        "  card: {kind: sd, sectors: 16384, image: gone.img}\n"
        "regions:\n"
        + "".join(
            f"  - {{name: {chip}-loader, chip: {chip}, at: 8 KiB, size: 64 KiB, holds: raw,"
            f" writer: release}}\n"
            f"  - {{name: {chip}-root, chip: {chip}, partition: 1, at: 1 MiB, size: 1 MiB,"
            f" holds: raw, writer: release}}\n"
            for chip in ("emmc", "card")
        ),
        {"disk.img": lambda: disk(sectors=16384, entries=56)},
    )
    findings = _audits.found("region-inside-partition-table", example)
    assert [(item.region, item.values["end"]) for item in findings] == [("card-loader", 17 << 10)]


@pytest.mark.parametrize(("holds", "finds"), [("mbr", 0), ("gpt", 0), ("raw", 1)])
def test_a_region_that_is_the_table_does_not_lie_over_it(holds: str, finds: int) -> None:
    example = emmc(
        f"name: table, at: 0, size: 512, holds: {holds}",
        "name: rootfs, partition: 1, at: 1 MiB, size: 1 MiB",
        chip="sectors: 16384, table: mbr",
    )
    assert len(_audits.found("region-over-boot-record", example)) == finds


def test_entries_that_are_elsewhere_leave_the_usual_room_at_the_start() -> None:
    """As `sgdisk --move-main-table` puts them; or the image has no table at all yet."""
    moved = bytearray(disk(sectors=16384, entries=56))
    moved[512 + 72 : 512 + 80] = (100).to_bytes(8, "little")
    for image in (bytes(moved), bytes(16384 * SECTOR)):
        for at, finds in ((16, 1), (17, 0), (20, 0)):
            loader = f"name: loader, at: {at} KiB, size: 64 KiB"
            rootfs = "name: rootfs, partition: 1, at: 1 MiB, size: 1 MiB"
            example = board(image, loader, rootfs)
            assert len(_audits.found("region-inside-partition-table", example)) == finds
