"""A test on each side of the comparisons whose change no other test noticed."""

from __future__ import annotations

import pytest

from imgaudit.contents.reader import Loader
from imgaudit.formats.fit import FitFacts
from imgaudit.rules import _gpt as table
from imgaudit.rules import filesystems as fs
from imgaudit.rules import samples as sample
from imgaudit.rules._boot import RECOVERY, scripted
from imgaudit.rules.engine import Example, Severity
from imgaudit.rules.examples import emmc, nor
from tests._audits import found, one

KERNEL = sample.arm64_kernel()


@pytest.mark.parametrize(
    ("size", "severity"), [(0xE0000, Severity.WARNING), (0xE0001, Severity.ERROR)]
)
def test_a_read_up_to_the_end_of_the_chip_and_past_it(size: int, severity: Severity) -> None:
    # The chip has 0x100000 bytes, and the region ends before: one is past the region alone.
    example = scripted(RECOVERY.replace("0x40000", f"{size:#x}"))
    assert one("script-reads-past-region", example).severity is severity


@pytest.mark.parametrize(("size", "finds"), [(0x40000, 0), (0x40001, 1)])
def test_a_read_up_to_the_end_of_the_region_and_past_it(size: int, finds: int) -> None:
    example = scripted(RECOVERY.replace("0x40000", f"{size:#x}"))
    assert len(found("script-reads-past-region", example)) == finds


@pytest.mark.parametrize(("load", "finds"), [(0, 0), (1, 1)])
def test_a_ramdisk_whose_load_is_zero_has_none(load: int, finds: int) -> None:
    """U-Boot boot/image-board.c takes load = <0> of a ramdisk for no load address."""
    data = sample.fit({"kernel": sample.kernel(), "ramdisk": sample.image({"load": load})})
    example = sample_region(data, "ram: {banks: [{at: 0x80000000, size: 256 MiB}]}\n")
    assert len(found("fit-load-outside-ram", example)) == finds


def sample_region(data: bytes, rest: str) -> Example:
    return nor(
        "name: recovery, at: 0, size: 256 KiB, holds: fit, file: recovery.itb",
        rest=rest,
        files={"recovery.itb": lambda: data},
    )


@pytest.mark.parametrize(
    ("room", "severity"), [("9 KiB", Severity.WARNING), ("9215", Severity.ERROR)]
)
def test_a_squashfs_whose_last_kib_has_room(room: str, severity: Severity) -> None:
    region = f"name: rootfs, partition: 1, at: 1 MiB, size: {room}, holds: squashfs, file: r.img"
    example = emmc(region, files={"r.img": lambda: fs._squashfs(9000, 9000)})
    assert one("squashfs-not-padded", example).severity is severity


@pytest.mark.parametrize(("sectors", "finds"), [(512, 1), (511, 0)])
def test_a_backup_in_the_last_sector_of_the_device_and_one_past_it(
    sectors: int, finds: int
) -> None:
    # Past the device it cannot be: that is gpt-last-usable-past-device alone.
    image = table.disk()[: table.BACKUP_AT]
    chip = f"sectors: {sectors}, image: emmc.img"
    example = emmc(chip=chip, files={"emmc.img": lambda: image})
    assert len(found("gpt-backup-missing", example)) == finds


@pytest.mark.parametrize(("size", "finds"), [(512 * 512, 1), (512 * 512 - 512, 0)])
def test_a_backup_in_the_last_sector_of_the_region_and_one_past_it(size: int, finds: int) -> None:
    example = emmc(
        f"name: table, at: 0, size: {size}, holds: gpt, file: gpt.bin",
        chip="sectors: 1024",
        files={"gpt.bin": lambda: table.disk()[:17408]},
    )
    assert len(found("gpt-backup-missing", example)) == finds


@pytest.mark.parametrize("pad", range(4))
def test_external_data_starts_at_the_next_word_behind_the_tree(pad: int) -> None:
    """U-Boot boot/image-fit.c, fit_image_get_data(): (fdt_totalsize + 3) & ~3."""
    changes: sample.Changes = {"data": (), "data-offset": 0, "data-size": len(KERNEL)}
    tree = sample.fit({"kernel": sample.kernel(changes)})
    # totalsize may say any number of bytes; dtc -S and -p make such trees.
    longer = len(tree) + pad
    tree = (tree[:4] + longer.to_bytes(4, "big") + tree[8:]).ljust(longer, b"\0")
    data = tree.ljust(-(-longer // 4) * 4, b"\0") + KERNEL
    facts = sample_facts(data)
    assert facts.images[0].data_offset == -(-longer // 4) * 4
    assert facts.external_base == -(-longer // 4) * 4
    assert found("fit-external-data-missing", sample_region(data, "")) == []
    assert one("fit-external-data-missing", sample_region(data[:-1], "")).values["short"] == 1


def sample_facts(data: bytes) -> FitFacts:
    with Loader() as loader:
        facts = loader.memory("it.itb", data).content.facts
    assert isinstance(facts, FitFacts)
    return facts


def _parts(count: int, chip: str, size: str = "64 KiB") -> Example:
    kib = int(size.split(maxsplit=1)[0])
    parts = (f"name: part-{n}, at: {n * kib} KiB, size: {size}" for n in range(count))
    return nor(*parts, chip=chip)


@pytest.mark.parametrize(("count", "finds"), [(2, 0), (3, 1)])
def test_three_regions_that_do_not_fit_make_a_wrong_map(count: int, finds: int) -> None:
    example = _parts(count, "size: 1 MiB, erase-block: 256 KiB")
    assert len(found("erase-block-does-not-fit-map", example)) == finds


@pytest.mark.parametrize(("count", "said"), [(12, "part-10, part-11"), (13, "part-11 and 1 more")])
def test_of_many_regions_twelve_are_named(count: int, said: str) -> None:
    finding = one(
        "erase-block-does-not-fit-map", _parts(count, "size: 8 MiB, erase-block: 256 KiB")
    )
    assert str(finding.values["regions"]).endswith(said)
    # More are no map that anybody reads.
    assert ("This map works" in finding.fix) is (count == 12)


@pytest.mark.parametrize(
    ("at", "size", "whole"), [(4096, 4096, True), (2048, 2048, False), (12288, 12288, False)]
)
def test_an_erase_block_that_a_part_may_have_is_advised(at: int, size: int, whole: bool) -> None:
    parts = (f"name: part-{n}, at: {n * at}, size: {size}" for n in range(4))
    finding = one(
        "erase-block-does-not-fit-map", nor(*parts, chip="size: 1 MiB, erase-block: 64 KiB")
    )
    assert ("every region is whole" in finding.fix) is whole


@pytest.mark.parametrize(("size", "fits"), [("1 MiB", True), ("768 KiB", False)])
def test_a_map_that_ends_where_the_chip_does_is_advised(size: str, fits: bool) -> None:
    finding = one("erase-block-does-not-fit-map", _parts(4, f"size: {size}, erase-block: 256 KiB"))
    assert ("This map works" in finding.fix) is fits


@pytest.mark.parametrize(("size", "finds"), [(0xF000, 1), (0x10000, 0)])
def test_an_environment_as_large_as_its_erase_block_has_no_neighbour_in_it(
    size: int, finds: int
) -> None:
    example = nor(
        f"name: env, at: 0, size: {size}, holds: uboot-env, writer: runtime, env: {{size: {size}}}",
        f"name: loader, at: {size}, size: 4096",
        "name: behind, at: 0x20000, size: 0x10000",
    )
    assert len(found("environment-rewrites-neighbour", example)) == finds


@pytest.mark.parametrize(("expect", "finds"), [("64 KiB", 0), ("65537", 1)])
def test_what_is_planned_may_fill_its_region(expect: str, finds: int) -> None:
    example = nor(f"name: recovery, at: 0, size: 64 KiB, file: recovery.itb, expect: {expect}")
    assert len(found("planned-size-exceeds-region", example)) == finds


@pytest.mark.parametrize(
    ("sizes", "said"),
    [("size: 1 MiB", "nor"), ("size: [1 MiB, 2 MiB]", "the smallest approved nor")],
)
def test_only_of_several_approved_chips_one_is_the_smallest(sizes: str, said: str) -> None:
    example = nor("name: log, at: 0, size: 3 MiB", chip=f"{sizes}, erase-block: 64 KiB")
    assert one("region-past-chip-end", example).values["area"] == said


@pytest.mark.parametrize(
    ("chip", "said"),
    [(", boot-area: 64 KiB", ["emmc/boot0"]), (", boot-area: 128 KiB", [])],
)
def test_a_boot_area_has_a_size_of_its_own(chip: str, said: list[str]) -> None:
    region = "name: loader, chip: emmc/boot0, at: 0, size: 128 KiB"
    example = emmc(region, chip=f"sectors: [65536, 131072]{chip}")
    findings = found("region-past-chip-end", example)
    assert [item.values["area"] for item in findings] == said


@pytest.mark.parametrize(("partition", "finds"), [(4, 0), (5, 1)])
def test_a_logical_partition_has_its_record_in_the_sector_before_it(
    partition: int, finds: int
) -> None:
    example = emmc(
        "name: loader, at: 8 KiB, size: 1016 KiB",
        f"name: rootfs, partition: {partition}, at: 1 MiB, size: 8 MiB",
        chip="sectors: 65536, table: mbr",
    )
    assert len(found("region-over-boot-record", example)) == finds
