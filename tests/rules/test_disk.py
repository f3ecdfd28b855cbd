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
