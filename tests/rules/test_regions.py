from __future__ import annotations

import gzip
import time

import pytest

from imgaudit.rules.built import subject_of
from imgaudit.rules.engine import Severity
from imgaudit.tasks import audit
from imgaudit.units import KIB, MIB
from tests._audits import emmc, found, nor, one


@pytest.mark.parametrize(
    ("at", "shared"), [("64 KiB", None), ("0xffff", 1), ("0", 64 * KIB), ("0x8000", 0x8000)]
)
def test_overlap(at: str, shared: int | None) -> None:
    example = nor("name: a, at: 0, size: 64 KiB", f"name: b, at: {at}, size: 64 KiB")
    findings = found("regions-overlap", example)
    assert [item.length for item in findings] == [shared] * (shared is not None)


def test_every_overlapping_pair_is_told() -> None:
    example = nor(
        "name: all, at: 0, size: 256 KiB",
        "name: a, at: 0, size: 64 KiB",
        "name: b, at: 128 KiB, size: 64 KiB",
        "name: c, at: 256 KiB, size: 64 KiB",
    )
    pairs = {(item.region, item.values["other"]) for item in found("regions-overlap", example)}
    assert pairs == {("a", "all"), ("all", "b")}


def test_areas_do_not_overlap_each_other() -> None:
    example = emmc(
        "name: a, at: 1 MiB, size: 1 MiB",
        "name: b, chip: emmc/boot0, at: 1 MiB, size: 1 MiB",
        "name: c, chip: emmc/boot1, at: 1 MiB, size: 1 MiB",
    )
    assert found("regions-overlap", example) == []


@pytest.mark.parametrize(("size", "over"), [("64 KiB", None), ("0x10001", 1), ("1 MiB", 960 * KIB)])
def test_past_the_chips_end(size: str, over: int | None) -> None:
    findings = found("region-past-chip-end", nor(f"name: a, at: 960 KiB, size: {size}"))
    assert [item.values["over"] for item in findings] == [over] * (over is not None)


def test_wholly_past_the_end() -> None:
    finding = one("region-past-chip-end", nor("name: a, at: 2 MiB, size: 64 KiB"))
    assert (finding.offset, finding.length) == (2 * MIB, 64 * KIB)


def test_the_smallest_part_decides() -> None:
    example = nor(
        "name: a, at: 1 MiB, size: 64 KiB", chip="size: [2 MiB, 1 MiB], erase-block: 64 KiB"
    )
    assert "the smallest approved nor" in one("region-past-chip-end", example).message


@pytest.mark.parametrize(
    ("size", "file_at", "over"),
    [(64 * KIB, 0, None), (64 * KIB + 1, 0, 1), (63 * KIB, 1024, None), (63 * KIB + 1, 1024, 1)],
)
def test_an_artifact_that_does_not_fit(size: int, file_at: int, over: int | None) -> None:
    example = nor(f"name: a, at: 64 KiB, size: 64 KiB, file: a.bin, file-at: {file_at}")
    findings = found("artifact-exceeds-region", example, {"a.bin": b"\1" * size})
    assert [item.values["over"] for item in findings] == [over] * (over is not None)
    assert all(item.offset == 64 * KIB for item in findings)
    for item in findings:
        assert item.values["needed"] == item.length == file_at + size


def test_what_the_writer_unpacks_counts_unpacked() -> None:
    squashfs = b"hsqs" + bytes(92) + bytes(range(1, 256)) * 300
    example = emmc("name: a, at: 64 KiB, size: 64 KiB, file: a.gz, holds: squashfs")
    finding = one("artifact-exceeds-region", example, {"a.gz": gzip.compress(squashfs)})
    assert finding.values["size"] == len(squashfs)
    assert " unpacked; " in finding.message
    kept = emmc("name: a, at: 64 KiB, size: 64 KiB, file: a.gz, holds: gzip")
    assert not found("artifact-exceeds-region", kept, {"a.gz": gzip.compress(squashfs)})


# 5 % of 64 KiB is 3,276 bytes.
@pytest.mark.parametrize(("free", "low"), [(0, True), (3275, True), (3276, False), (3277, False)])
def test_headroom(free: int, low: bool) -> None:
    example = nor("name: a, at: 0, size: 64 KiB, file: a.bin")
    findings = found("headroom-low", example, {"a.bin": b"\1" * (64 * KIB - free)})
    assert bool(findings) == low
    assert all(item.values["free"] == item.length == free for item in findings)


def test_headroom_of_the_policy_and_the_region() -> None:
    files = {"a.bin": b"\1" * (32 * KIB)}
    policy = "policy: {keep-free: 60 %}\n"
    region = "name: a, at: 0, size: 64 KiB, file: a.bin"
    assert one("headroom-low", nor(region, rest=policy), files).message == (
        "a.bin leaves 32,768 bytes (32 KiB) of a free (50.0 %); 60 % should be"
    )
    assert not found("headroom-low", nor(region + ", keep-free: 32 KiB", rest=policy), files)
    exact = one("headroom-low", nor(region + ", keep-free: 40 KiB"), files)
    assert "40,960 bytes (40 KiB) should be" in exact.message
    assert not found("headroom-low", nor(region + ", keep-free: 0"), files)


@pytest.mark.parametrize(("holds", "low"), [("mbr", False), ("raw", True)])
def test_a_partition_table_needs_no_headroom(holds: str, low: bool) -> None:
    region = f"name: table, at: 0, size: 512, file: a.bin, holds: {holds}"
    files = {"a.bin": b"\1" * 510 + b"\x55\xaa"}
    assert bool(found("headroom-low", emmc(region), files)) is low


def test_what_fills_its_region_needs_no_headroom() -> None:
    files = {"a.bin": b"\1" * (64 * KIB)}
    region = "name: a, at: 0, size: 64 KiB, file: a.bin, holds: uboot-env"
    assert not found("headroom-low", nor(region), files)
    assert one("headroom-low", nor(region + ", keep-free: 5 %"), files).values["free"] == 0


def test_an_artifact_too_large_has_no_headroom_to_speak_of() -> None:
    example = nor("name: a, at: 0, size: 64 KiB, file: a.bin")
    assert not found("headroom-low", example, {"a.bin": b"\1" * (65 * KIB)})


@pytest.mark.parametrize(("size", "grown"), [(4096, False), (4097, True)])
def test_what_was_planned_and_a_byte_more(size: int, grown: bool) -> None:
    example = nor("name: a, at: 0, size: 64 KiB, file: a.bin, expect: 4 KiB")
    findings = found("artifact-larger-than-planned", example, {"a.bin": b"\1" * size})
    assert [item.values["size"] for item in findings] == [size] * grown


def test_a_stage_across_chips() -> None:
    chip = "size: 1 MiB, erase-block: 64 KiB}\n  emmc: {kind: emmc, sectors: 65536"
    regions = (
        "name: recovery, at: 0, size: 64 KiB",
        "name: settings, chip: emmc, at: 1 MiB, size: 1 MiB",
    )
    rest = "stages:\n  recovery: {regions: [recovery, settings], ramdisk: recovery}\n"
    finding = one("recovery-lists-other-chip", nor(*regions, chip=chip, rest=rest))
    assert (finding.chip, finding.offset) == ("emmc", MIB)
    assert finding.message == (
        "the stage recovery brings a recovery ramdisk from nor but also needs settings on emmc"
    )
    plain = "stages:\n  recovery: {regions: [recovery, settings]}\n"
    assert not found("recovery-lists-other-chip", nor(*regions, chip=chip, rest=plain))


def test_a_boot_area_is_the_same_chip() -> None:
    regions = (
        "name: loader, chip: emmc/boot0, at: 0, size: 1 MiB",
        "name: recovery, at: 1 MiB, size: 1 MiB",
    )
    rest = "stages:\n  recovery: {regions: [recovery, loader], ramdisk: recovery}\n"
    assert not found("recovery-lists-other-chip", emmc(*regions, rest=rest))


@pytest.mark.parametrize(
    ("at", "size", "key"),
    [("0x200", "512", ""), ("0x100", "512", "at"), ("0x200", "513", "size"), ("1", "1", "at")],
)
def test_whole_sectors(at: str, size: str, key: str) -> None:
    region = f"name: loader, at: {at}, size: {size}"
    findings = found("region-not-whole-sectors", emmc(region))
    assert len(findings) == bool(key)
    for finding in findings:
        assert finding.severity is Severity.ERROR
        assert finding.where is not None
        assert finding.where.column == f"  - {{chip: emmc, {region}".index(f" {key}:") + 2
    assert not found("region-not-whole-sectors", nor(region))


def test_thousands_of_regions_are_judged_in_time() -> None:
    regions = (f"name: r{n}, at: {4 * n} KiB, size: 4 KiB" for n in range(3000))
    subject = subject_of(nor(*regions, chip="size: 16 MiB, erase-block: 4 KiB"))
    before = time.process_time()
    assert audit.run(subject).findings == ()
    assert time.process_time() - before < 1  # 2 s where each of them was looked for among all
