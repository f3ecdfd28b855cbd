"""What sfdisk writes is what the layout says, and each difference is found."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from imgaudit.formats.boot_record import TYPE_NAMES, partition_type
from imgaudit.rules.engine import Example
from imgaudit.rules.examples import emmc
from imgaudit.units import MIB
from tests.rules._storage import names

SCRIPT = """\
label: dos
start=2048, size=8192, type=c, bootable
start=12288, size=40960, type=f
start=14336, size=16384, type=83
start=32768, size=16384, type=82
"""
REGIONS = (
    "name: loader, at: 8 KiB, size: 512 KiB, file: spl.bin",
    "name: boot, partition: 1, at: 1 MiB, size: 4 MiB, type: fat32-lba, bootable: set",
    "name: root, partition: 5, at: 7 MiB, size: 8 MiB, type: 0x83, bootable: unset",
    "name: spare, partition: 6, at: 16 MiB, size: 8 MiB, type: 82, writer: runtime",
)


def disk(path: Path, script: str = SCRIPT) -> bytes:
    image = path / "disk.img"
    image.write_bytes(bytes(32 * MIB))
    subprocess.run(["sfdisk", "-q", str(image)], input=script, text=True, check=True)
    data = bytearray(image.read_bytes())
    data[8192:8196] = b"tide"
    return bytes(data)


def example(data: bytes, *regions: str) -> Example:
    return emmc(
        *(regions or REGIONS),
        chip="sectors: 65536, table: mbr, image: disk.img",
        files={"disk.img": lambda: data, "spl.bin": lambda: b"tide"},
    )


@pytest.mark.oracle
def test_what_sfdisk_writes_agrees(tmp_path: Path) -> None:
    data = disk(tmp_path)
    assert names(example(data), "mbr", "gpt", "emmc", "chip_image") == []
    data = data[:8192] + b"tidy" + data[8196:]
    assert names(example(data), "chip_image") == ["chip-image-differs"]


@pytest.mark.oracle
@pytest.mark.parametrize(
    ("old", "new", "finding"),
    [
        ("start=32768, size=16384, type=82\n", "", "mbr-partition-missing"),
        ("start=2048, size=8192", "start=2048, size=8191", "mbr-partition-moved"),
        ("start=32768, size=16384", "start=32769, size=16384", "mbr-partition-moved"),
        ("type=83", "type=c", "mbr-type-differs"),
        (", bootable", "", "mbr-bootable-differs"),
        ("start=12288,", "start=10240, size=64, type=83\nstart=12288,", "mbr-partition-unknown"),
        ("label: dos", "label: gpt", "mbr-missing"),
    ],
)
def test_each_difference_is_found(tmp_path: Path, old: str, new: str, finding: str) -> None:
    script = SCRIPT.replace(old, new)
    if "gpt" in new:
        script = "label: gpt\nstart=2048, size=8192\n"
    assert finding in names(example(disk(tmp_path, script)), "mbr")


@pytest.mark.oracle
@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("fat12", "FAT12"),
        ("fat16", "FAT16"),
        ("fat32", "W95 FAT32"),
        ("fat32-lba", "W95 FAT32 (LBA)"),
        ("fat16-lba", "W95 FAT16 (LBA)"),
        ("extended", "Extended"),
        ("extended-lba", "W95 Ext'd (LBA)"),
        ("linux-swap", "Linux swap / Solaris"),
        ("linux", "Linux"),
        ("linux-lvm", "Linux LVM"),
        ("data", "Non-FS data"),
        ("esp", "EFI (FAT-12/16/32)"),
        ("linux-raid", "Linux raid autodetect"),
    ],
)
def test_types_are_those_that_sfdisk_lists(name: str, words: str) -> None:
    listing = subprocess.run(
        ["sfdisk", "--list-types", "--label", "dos"], capture_output=True, text=True, check=True
    ).stdout
    known = {}
    for line in listing.splitlines():
        byte, _, title = line.strip().partition("  ")
        known[title.strip()] = byte
    assert int(known[words], 16) == TYPE_NAMES[name]


def test_a_type_is_a_name_or_a_byte() -> None:
    assert [partition_type(text) for text in ("linux", "83", "0x83", "c")] == [0x83] * 3 + [0xC]
    for text in ("lnux", "0x100", "", "100"):
        with pytest.raises(ValueError, match=r"."):
            partition_type(text)
