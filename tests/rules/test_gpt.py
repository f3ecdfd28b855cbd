from __future__ import annotations

import gzip
import subprocess
import zlib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.formats.guid import TYPE_NAMES
from imgaudit.rules import _gpt as table
from imgaudit.rules.engine import Example, Finding, Severity
from imgaudit.rules.examples import emmc
from imgaudit.rules.gpt import _big_endian
from imgaudit.units import KIB, MIB
from imgaudit.writers.sparse import patched
from tests.rules._storage import alone, findings, names

HERE = ("gpt", "gpt_regions")
HEADER, ARRAY, BACKUP_ARRAY, BACKUP = 512, 1024, 479 * 512, 511 * 512


def chip(data: bytes, *regions: str, sectors: str = "512") -> Example:
    return emmc(
        *regions, chip=f"sectors: {sectors}, image: emmc.img", files={"emmc.img": lambda: data}
    )


def only(example: Example) -> Finding:
    (finding,) = findings(example, *HERE)
    return finding


def sealed(disk: bytes, at: int, field: int, value: int, *, width: int = 8) -> bytes:
    """Change a field of the header at `at` and make its checksum good again."""
    header = bytearray(disk[at : at + 92])
    header[field : field + width] = value.to_bytes(width, "little")
    header[16:20] = bytes(4)
    header[16:20] = zlib.crc32(header).to_bytes(4, "little")
    return patched(disk, at, bytes(header))


def test_good_disk_is_silent_on_its_chip_and_alone() -> None:
    disk = table.disk()
    assert findings(chip(disk), *HERE) == []
    assert findings(chip(disk, *table.REGIONS), *HERE) == []
    assert alone({"emmc.img": disk}, *HERE) == []


class TestChecksums:
    def test_primary_header(self) -> None:
        finding = only(chip(patched(table.disk(), HEADER + 40, b"\x23")))
        assert finding.rule.name == "gpt-header-checksum"
        assert finding.severity is Severity.ERROR
        assert (finding.chip, finding.offset, finding.length) == ("emmc", HEADER + 16, 4)
        good = zlib.crc32(table.disk()[HEADER : HEADER + 16] + bytes(4) + table.disk()[532:604])
        assert finding.values["stored"] == f"{good:08x}"

    def test_backup_header_is_a_warning(self) -> None:
        finding = only(chip(patched(table.disk(), BACKUP + 40, b"\x23")))
        assert finding.rule.name == "gpt-header-checksum"
        assert finding.severity is Severity.WARNING
        assert finding.values["copy"] == "backup"

    def test_entries_of_both_copies(self) -> None:
        disk = patched(patched(table.disk(), ARRAY + 56, b"R"), BACKUP_ARRAY + 56, b"R")
        found = findings(chip(disk), *HERE)
        assert [(f.rule.name, f.severity, f.offset) for f in found] == [
            ("gpt-array-checksum", Severity.ERROR, HEADER + 88),
            ("gpt-array-checksum", Severity.WARNING, BACKUP + 88),
        ]

    def test_an_unused_entry_counts_as_well(self) -> None:
        disk = patched(table.disk(), ARRAY + 127 * 128 + 100, b"x")
        assert names(chip(disk), *HERE) == ["gpt-array-checksum"]

    def test_header_size_that_cannot_be(self) -> None:
        disk = sealed(table.disk(), HEADER, 12, 4096, width=4)
        (finding,) = findings(chip(disk), *HERE)
        assert "none: a header of 4,096 bytes" in finding.message


class TestCopies:
    def test_no_primary(self) -> None:
        finding = only(chip(patched(table.disk(), HEADER, bytes(512))))
        assert finding.rule.name == "gpt-primary-missing"
        assert finding.offset == HEADER

    def test_no_backup(self) -> None:
        finding = only(chip(patched(table.disk(), BACKUP, bytes(512))))
        assert (finding.rule.name, finding.severity) == ("gpt-backup-missing", Severity.WARNING)
        assert finding.values["lba"] == 511

    @pytest.mark.parametrize(("sectors", "missed"), [("512", True), ("511", False)])
    def test_a_backup_past_the_device_is_not_missed(self, sectors: str, missed: bool) -> None:
        example = chip(patched(table.disk(), BACKUP, bytes(512)), sectors=sectors)
        assert ("gpt-backup-missing" in names(example, *HERE)) == missed

    @pytest.mark.parametrize(("size", "missed"), [(512 * 512, True), (511 * 512, False)])
    def test_a_backup_past_the_region_is_not_missed(self, size: int, missed: bool) -> None:
        example = emmc(
            f"name: table, at: 0, size: {size}, holds: gpt, file: gpt.bin",
            chip="sectors: 1024",
            files={"gpt.bin": lambda: patched(table.disk(), BACKUP, bytes(512))[:size]},
        )
        assert ("gpt-backup-missing" in names(example, *HERE)) == missed

    def test_head_of_the_disk_in_a_region_has_no_backup_to_miss(self) -> None:
        example = emmc(
            "name: table, at: 0, size: 17408, holds: gpt, file: gpt.bin",
            chip="sectors: 512",
            files={"gpt.bin": lambda: table.disk()[:17408]},
        )
        assert findings(example, *HERE) == []

    def test_cut_image(self) -> None:
        assert names(chip(table.disk()[:-512]), *HERE) == ["gpt-backup-missing"]
        assert [f.rule.name for f in alone({"x.img": table.disk()[:-512]}, *HERE)] == [
            "gpt-backup-missing"
        ]

    def test_no_table_at_all(self) -> None:
        finding = only(chip(bytes(256 * KIB), *table.REGIONS))
        assert finding.rule.name == "gpt-missing"
        assert findings(chip(bytes(256 * KIB)), *HERE) == []

    def test_differing_guid(self) -> None:
        disk = sealed(table.disk(), BACKUP, 56, 9, width=16)
        finding = only(chip(disk))
        assert finding.rule.name == "gpt-copies-disagree"
        assert finding.values["what"] == "the disk GUID"

    def test_stale_backup(self) -> None:
        old = table.disk()[BACKUP:]
        disk = table.disk(sectors=448).ljust(BACKUP, b"\0") + old
        assert sorted(names(chip(disk), *HERE)) == [
            "gpt-backup-not-at-device-end",
            "gpt-stale-backup",
        ]

    def test_packed_image(self) -> None:
        packed = gzip.compress(patched(table.disk(), BACKUP, bytes(512)), mtime=0)
        finding = only(chip(packed))
        assert finding.rule.name == "gpt-backup-missing"
        assert finding.offset == HEADER + 32


class TestDevice:
    def test_made_for_a_smaller_one(self) -> None:
        finding = only(chip(table.disk(sectors=504)))
        assert finding.rule.name == "gpt-backup-not-at-device-end"
        assert (finding.values["lba"], finding.values["last"]) == (503, 511)

    def test_end_of_any_approved_part_will_do(self) -> None:
        assert findings(chip(table.disk(), sectors="[512, 520]"), *HERE) == []

    def test_larger_part_than_the_smallest(self) -> None:
        finding = only(chip(table.disk(), sectors="[512, 400]"))
        assert finding.rule.name == "gpt-last-usable-past-device"
        assert (finding.values["usable"], finding.values["last"]) == (478, 399)

    def test_only_the_backup_is_past_the_end(self) -> None:
        # Kernel and U-Boot test LastUsableLBA: this table is accepted, without its backup.
        assert names(chip(table.disk(), sectors="500"), *HERE) == ["gpt-backup-not-at-device-end"]

    def test_published_header(self) -> None:
        # A header in a thread, from memory: AlternateLBA 7634943 on a device of 7634944 sectors.
        words = "4546492050415254000001005c00000066141905000000000100000000000000"
        words += "ff7f7400000000002200000000000000de7f7400000000000004202104084601"
        words += "9dcca8c51255994f02000000000000008000000080000000ba11a652"
        header = bytes.fromhex(words)
        disk = patched(table.disk(), HEADER, header)
        found = {f.rule.name: f for f in findings(chip(disk), *HERE)}
        assert "gpt-header-checksum" not in found
        assert found["gpt-last-usable-past-device"].values["usable"] == 7634910

    def test_alone_a_longer_image_is_a_note(self) -> None:
        (finding,) = alone({"x.img": table.disk() + bytes(4096)}, *HERE)
        assert finding.rule.name == "gpt-backup-not-at-device-end"
        assert finding.severity is Severity.NOTE
        assert finding.values["last"] == 519


class TestFields:
    @pytest.mark.parametrize(
        ("at", "field", "value", "name", "severity"),
        [
            (HEADER, 24, 2, "MyLBA", Severity.ERROR),
            # Linux (is_gpt_valid) and U-Boot (validate_gpt_header) do not look at it.
            (HEADER, 40, 33, "FirstUsableLBA", Severity.WARNING),
            (BACKUP, 24, 1, "MyLBA", Severity.WARNING),
            (BACKUP, 32, 511, "AlternateLBA", Severity.WARNING),
        ],
    )
    def test_location(self, at: int, field: int, value: int, name: str, severity: Severity) -> None:
        disk = sealed(table.disk(), at, field, value)
        (finding,) = [f for f in findings(chip(disk), *HERE) if "location" in f.rule.name]
        assert (finding.values["field"], finding.values["value"]) == (name, value)
        assert (finding.offset, finding.severity) == (at + field, severity)

    def test_backup_entries_behind_their_header(self) -> None:
        disk = sealed(table.disk(), BACKUP, 72, 2)
        found = [f for f in findings(chip(disk), *HERE) if "location" in f.rule.name]
        assert [f.values["field"] for f in found] == ["PartitionEntryLBA"]


class TestEntries:
    def test_last_usable_sector_may_be_used(self) -> None:
        whole = table.partition(1, "rootfs", 17, 0)
        whole.size = (478 - 34 + 1) * 512
        assert findings(chip(table.disk(whole)), *HERE) == []
        whole.size += 512
        finding = only(chip(table.disk(whole)))
        assert finding.rule.name == "gpt-entry-outside-usable"
        assert (finding.values["end"], finding.values["usable_last"]) == (479, 478)

    def test_end_before_start(self) -> None:
        disk = table.disk(table.partition(1, "rootfs", 64, 0))
        finding = only(chip(disk))
        assert finding.rule.name == "gpt-entry-outside-usable"
        assert finding.effect.startswith("It ends before it starts")

    @pytest.mark.parametrize(
        ("start", "severity", "happens"),
        [
            # The entries end at sector 34; the table says that 40 is the first to be used.
            (34, Severity.WARNING, "EFI firmware leaves it out"),
            (33, Severity.ERROR, "What is written to it destroys the table"),
        ],
    )
    def test_what_an_entry_outside_meets(
        self, start: int, severity: Severity, happens: str
    ) -> None:
        one = table.partition(1, "loader", 0, 1)
        one.start, one.size = start * 512, (40 - start) * 512
        disk = chip(sealed(table.disk(one), HEADER, 40, 40))
        (finding,) = (item for item in findings(disk, *HERE) if "outside" in item.rule.name)
        assert finding.severity is severity
        assert finding.effect.startswith(happens)

    def test_one_shared_sector(self) -> None:
        one = table.partition(1, "rootfs", 64, 64)
        one.size += 512
        finding = only(chip(table.disk(one, table.DATA)))
        assert finding.values["size"] == 512
        assert finding.values["start"] == 128 * KIB
        assert "one sector" in finding.message

    def test_one_that_spans_two_others(self) -> None:
        parts = (
            table.partition(1, "all", 32, 160),
            table.partition(2, "b", 64, 8),
            table.partition(3, "c", 128, 8),
        )
        found = findings(chip(table.disk(*parts)), *HERE)
        pairs = {(f.values["number"], f.values["other"]) for f in found}
        assert pairs == {(1, 2), (1, 3)}

    def test_three_of_one_name(self) -> None:
        parts = [table.partition(n, "slot", 32 * n, 16) for n in (1, 2, 3)]
        finding = only(chip(table.disk(*parts)))
        assert finding.rule.name == "gpt-duplicate-label"
        assert finding.values["numbers"] == "1, 2 and 3"
        assert finding.offset == ARRAY + 128

    def test_no_name_twice_is_silent(self) -> None:
        parts = [table.partition(n, "", 32 * n, 16) for n in (1, 2)]
        assert findings(chip(table.disk(*parts)), *HERE) == []

    def test_label_of_full_length(self) -> None:
        assert findings(chip(table.disk(table.partition(1, "a" * 36, 64, 8))), *HERE) == []

    def test_label_that_is_no_utf16(self) -> None:
        bad = table.partition(1, "", 64, 8)
        disk = table.disk(bad)
        entry = patched(disk[ARRAY : ARRAY + 128], 56, b"\x00\xd8a\x00")
        disk = patched(patched(disk, ARRAY, entry), BACKUP_ARRAY, entry)
        crc = zlib.crc32(disk[ARRAY : ARRAY + 16384])
        for at in (HEADER, BACKUP):
            disk = sealed(disk, at, 88, crc, width=4)
        finding = only(chip(disk))
        assert finding.rule.name == "gpt-label-unusual"
        assert "no proper UTF-16" in finding.message


@given(
    at=st.sampled_from([0, 440, 510, *range(HEADER, HEADER + 92), *range(ARRAY, ARRAY + 384)]),
    data=st.binary(min_size=1, max_size=16),
    reseal=st.booleans(),
)
def test_any_damage_is_told_in_words(at: int, data: bytes, reseal: bool) -> None:
    disk = patched(table.disk(), at, data)
    if reseal:
        crc = zlib.crc32(disk[ARRAY : ARRAY + 16384])
        disk = sealed(disk, HEADER, 88, crc, width=4)
    for finding in findings(chip(disk, *table.REGIONS), *HERE):
        assert finding.message
        assert finding.effect
        assert finding.fix
        assert finding.where is not None


class TestMbr:
    @pytest.mark.parametrize(
        ("at", "data", "words"),
        [
            (510, b"\0\0", "55 AA"),
            (446 + 4, b"\x83", "no record of type 0xEE"),
            (446 + 8, b"\2", "sector 2, not 1"),
            (446 + 12, b"\x00\x01", "protects 256 sectors; behind it are 511"),
        ],
    )
    def test_not_protective(self, at: int, data: bytes, words: str) -> None:
        finding = only(chip(patched(table.disk(), at, data)))
        assert finding.rule.name == "gpt-mbr-not-protective"
        assert words in finding.message

    def test_size_unsaid(self) -> None:
        disk = patched(table.disk(), 446 + 12, b"\xff\xff\xff\xff")
        assert findings(chip(disk), *HERE) == []

    def test_overlap_and_end_of_a_plain_one(self) -> None:
        found = findings(chip(table.mbr((64, 100), (128, 400))), "mbr")
        assert [(f.rule.name, f.offset) for f in found] == [
            ("mbr-partition-past-end", 446 + 16),
            ("mbr-partitions-overlap", 446),
        ]
        assert found[0].values["end"] == 528 * 512
        assert found[1].values["size"] == 36 * 512

    def test_alone(self) -> None:
        disk = table.mbr((64, 512))
        assert [f.rule.name for f in alone({"x.img": disk}, "mbr")] == ["mbr-partition-past-end"]
        # A file with the table alone says nothing of the device.
        assert alone({"x.img": disk[:512]}, "mbr") == []


class TestLayout:
    def test_missing_says_where_the_label_is(self) -> None:
        disk = table.disk(table.ROOTFS)
        other = table.REGIONS[1].replace("name: data", "name: data, label: rootfs")
        finding = only(chip(disk, table.REGIONS[0], other))
        assert finding.rule.name == "gpt-partition-missing"
        assert finding.message.endswith("; rootfs is partition 1 there")

    def test_moved_shows_both(self) -> None:
        data = table.partition(2, "data", 128, 60, kind="linux-data")
        finding = only(chip(table.disk(table.ROOTFS, data), *table.REGIONS))
        assert finding.rule.name == "gpt-partition-moved"
        assert finding.region == "data"
        assert (finding.values["there_size"], finding.values["size"]) == (60 * KIB, 64 * KIB)
        assert finding.offset == ARRAY + 128 + 40

    def test_type_as_a_guid_in_capitals(self) -> None:
        guid = TYPE_NAMES["linux-data"].upper()
        region = table.REGIONS[1].replace("linux-data", guid)
        assert findings(chip(table.disk(), table.REGIONS[0], region), *HERE) == []

    def test_type_not_given_is_not_compared(self) -> None:
        region = table.REGIONS[1].replace(", type: linux-data", "")
        assert findings(chip(table.disk(), table.REGIONS[0], region), *HERE) == []

    def test_swapped_type_is_one_finding(self) -> None:
        disk = table.disk(_big_endian(table.ROOTFS), table.DATA)
        finding = only(chip(disk, *table.REGIONS))
        assert finding.rule.name == "gpt-type-byte-swapped"
        assert finding.region == "rootfs"

    def test_region_that_holds_the_table(self) -> None:
        example = emmc(
            "name: table, at: 0, size: 17408, holds: gpt, file: gpt.bin",
            *table.REGIONS,
            chip="sectors: 512",
            files={"gpt.bin": lambda: table.disk(table.ROOTFS)[:17408]},
        )
        assert names(example, *HERE) == ["gpt-partition-missing"]


@pytest.mark.oracle
@pytest.mark.parametrize("tool", ["sgdisk", "sfdisk"])
def test_real_tables_are_silent(tool: str, tmp_path: Path) -> None:
    path = tmp_path / "emmc.img"
    with path.open("wb") as file:
        file.truncate(8 * MIB)
    root, data = TYPE_NAMES["linux-root-arm64"], TYPE_NAMES["linux-data"]
    if tool == "sgdisk":
        command = ["sgdisk", "-a", "1", "-n", "1:2048:4095", "-c", "1:rootfs", "-t", f"1:{root}"]
        command += ["-n", "2:4096:8191", "-c", "2:data", "-t", f"2:{data}", str(path)]
        subprocess.run(command, check=True, capture_output=True)
    else:
        script = (
            "label: gpt\n"
            f"start=2048, size=2048, name=rootfs, type={root}\n"
            f"start=4096, size=4096, name=data, type={data}\n"
        )
        subprocess.run(
            ["sfdisk", "-q", path], input=script, text=True, check=True, capture_output=True
        )
    regions = (
        "name: rootfs, partition: 1, at: 1 MiB, size: 1 MiB, type: linux-root-arm64",
        "name: data, partition: 2, at: 2 MiB, size: 2 MiB, type: linux-data",
    )
    disk = path.read_bytes()
    assert findings(chip(disk, *regions, sectors="16384"), *HERE) == []
    assert alone({"emmc.img": disk}, *HERE) == []
    grown = only(chip(disk, *regions, sectors="32768"))
    assert grown.rule.name == "gpt-backup-not-at-device-end"
    with path.open("r+b") as file:
        file.truncate(16 * MIB)
    subprocess.run(["sgdisk", "-e", path], check=True, capture_output=True)
    assert findings(chip(path.read_bytes(), sectors="32768"), *HERE) == []
