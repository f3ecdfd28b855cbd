"""A test on each side of the comparisons whose change no other test noticed."""

from __future__ import annotations

import pytest

from imgaudit.contents.reader import Loader
from imgaudit.formats.fit import FitFacts
from imgaudit.rules import filesystems as fs
from imgaudit.rules import gpt as table
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
    image = table._disk()[: table._BACKUP]
    chip = f"sectors: {sectors}, image: emmc.img"
    example = emmc(chip=chip, files={"emmc.img": lambda: image})
    assert len(found("gpt-backup-missing", example)) == finds


@pytest.mark.parametrize(("size", "finds"), [(512 * 512, 1), (512 * 512 - 512, 0)])
def test_a_backup_in_the_last_sector_of_the_region_and_one_past_it(size: int, finds: int) -> None:
    example = emmc(
        f"name: table, at: 0, size: {size}, holds: gpt, file: gpt.bin",
        chip="sectors: 1024",
        files={"gpt.bin": lambda: table._disk()[:17408]},
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
