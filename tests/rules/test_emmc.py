from __future__ import annotations

import pytest

from imgaudit.rules.engine import Severity
from imgaudit.units import KIB, MIB
from tests._audits import emmc, found, one

TABLE = "name: rootfs, partition: 1, at: 1 MiB, size: 8 MiB"


# UEFI 5.3: the MBR, one sector of header and 128 entries of 128 bytes are 34 sectors.
@pytest.mark.parametrize(("at", "length"), [("0", 512), ("0x4200", 512), ("0x4400", None)])
def test_inside_the_table(at: str, length: int | None) -> None:
    example = emmc(f"name: loader, at: {at}, size: 512", TABLE)
    findings = found("region-inside-partition-table", example)
    assert [item.length for item in findings] == [length] * (length is not None)


# Linux block/partitions/msdos.c, parse_extended: the record of a logical partition is a sector that
# the extended partition has; it cannot be the MBR itself.
@pytest.mark.parametrize(
    ("at", "said"),
    [
        ("1 MiB", {"the MBR", "the record of data"}),
        ("1024", {"the MBR", "the record of data"}),
        ("512", {"the MBR"}),
    ],
)
def test_the_records_that_a_loader_lies_over(at: str, said: set[str]) -> None:
    example = emmc(
        "name: loader, at: 0, size: 2 MiB",
        f"name: data, partition: 5, at: {at}, size: 8 MiB",
        chip="sectors: 65536, table: mbr",
    )
    findings = found("region-over-boot-record", example)
    assert {item.values["what"] for item in findings if item.region == "loader"} == said


def test_without_partitions_there_is_no_table() -> None:
    loader = "name: loader, at: 0, size: 512 KiB"
    assert not found("region-inside-partition-table", emmc(loader))
    boot = "name: loader, chip: emmc/boot0, at: 0, size: 512 KiB"
    assert not found("region-inside-partition-table", emmc(boot, TABLE))
    table = "name: table, at: 0, size: 32 KiB, holds: gpt"
    assert not found("region-inside-partition-table", emmc(table, TABLE))


# UEFI 5.3: the backup is 33 sectors at the very end.
@pytest.mark.parametrize(
    ("size", "over"), [("0x1efbe00", None), ("0x1efc000", 512), ("31 MiB", 33 * 512)]
)
def test_over_the_backup_table(size: str, over: int | None) -> None:
    example = emmc(f"name: data, partition: 1, at: 1 MiB, size: {size}")
    findings = found("region-over-backup-table", example)
    assert [(item.values["over"], item.length) for item in findings] == (
        [] if over is None else [(over, over)]
    )


def test_the_backup_table_of_the_smallest_part() -> None:
    region = "name: data, partition: 1, at: 1 MiB, size: 31 MiB"
    chip = "sectors: [131072, 65536]"
    assert one("region-over-backup-table", emmc(region, chip=chip)).values["table"] == (65503 * 512)
    assert not found("region-over-backup-table", emmc(region, chip="sectors: 131072"))
    past = "name: data, partition: 1, at: 1 MiB, size: 32 MiB"
    assert not found("region-over-backup-table", emmc(past))
    backup = "name: backup, at: 0x1ffbe00, size: 16896, holds: gpt"
    assert not found("region-over-backup-table", emmc(TABLE, backup))


# Kernel logs of public reports: SEC_COUNT 15269888 is a part sold as 8 GB, 7634944 one of 4 GB.
@pytest.mark.parametrize(
    ("size", "nominal"),
    [
        ("size: 4 GiB", True),
        ("size: 8000000000", True),
        ("size: 1000000000", True),
        ("sectors: 8388608", True),
        ("sectors: 15269888", False),
        ("sectors: 7634944", False),
        ("size: 3 GiB", False),
        ("size: 4097 MiB", False),
        ("size: 4000000512", False),
        ("size: 512 MiB", False),
        ("size: [3909091328, 4 GiB]", True),
    ],
)
def test_nominal_size(size: str, nominal: bool) -> None:
    assert bool(found("emmc-size-looks-nominal", emmc(chip=size))) == nominal


@pytest.mark.parametrize(
    ("align", "at", "severity"),
    [
        (", align: 4 MiB", "4 MiB", None),
        (", align: 4 MiB", "5 MiB", Severity.WARNING),
        ("", "5 MiB", None),
        ("", "0x500200", Severity.WARNING),
        (", align: 4 KiB", "0x500200", Severity.WARNING),
    ],
)
def test_alignment(align: str, at: str, severity: Severity | None) -> None:
    example = emmc(f"name: r, partition: 1, at: {at}, size: 1 MiB", chip=f"sectors: 65536{align}")
    findings = found("partition-not-aligned", example)
    assert [item.severity for item in findings] == ([severity] if severity else [])


def test_what_is_no_partition_starts_where_its_reader_looks() -> None:
    """A first stage lies at 8 KiB, or at sector 64, where the boot ROM has it."""
    loader = "name: loader, at: 8 KiB, size: 512 KiB"
    root = "name: rootfs, partition: 1, at: {} MiB, size: 8 MiB"
    chip = "sectors: 65536, align: 4 MiB"
    assert not found("partition-not-aligned", emmc(loader, root.format(4), chip=chip))
    one("partition-not-aligned", emmc(loader, root.format(5), chip=chip))


def test_alignment_names_both_neighbours() -> None:
    example = emmc(
        "name: r, partition: 1, at: 5 MiB, size: 1 MiB", chip="sectors: 65536, align: 4 MiB"
    )
    finding = one("partition-not-aligned", example)
    assert (finding.values["below"], finding.values["above"]) == (4 * MIB, 8 * MIB)
    assert finding.message == (
        "r starts at 0x500000, no multiple of the 4,194,304 bytes (4 MiB) that emmc asks for"
    )


@pytest.mark.parametrize(
    ("at", "size", "writer", "hit"),
    [
        ("8 MiB", "8 MiB", "factory", False),
        ("8 MiB", "4 MiB", "factory", True),
        ("4 MiB", "8 MiB", "factory", True),
        ("4 MiB", "4 MiB", "release", False),
    ],
)
def test_write_protect_groups(at: str, size: str, writer: str, hit: bool) -> None:
    region = f"name: calibration, partition: 1, at: {at}, size: {size}, writer: {writer}"
    chip = "sectors: 65536, write-protect-group: 8 MiB"
    assert bool(found("write-protect-group-shared", emmc(region, chip=chip))) == hit
    assert not found("write-protect-group-shared", emmc(region))


def test_the_head_of_the_table_is_17_kib() -> None:
    finding = one(
        "region-inside-partition-table", emmc("name: loader, at: 8 KiB, size: 1 MiB", TABLE)
    )
    assert (finding.values["end"], finding.length) == (17 * KIB, 9 * KIB)
