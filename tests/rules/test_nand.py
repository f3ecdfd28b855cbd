"""NAND geometry: a test on each side of what counts as enough spare blocks."""

from __future__ import annotations

import pytest

from imgaudit.units import KIB
from tests._audits import found, nand, one

CHIP = "size: 1 MiB, erase-block: 64 KiB"


# Eight blocks, of which so many may be bad as `bad-blocks` says; the artifact takes `used` bytes.
@pytest.mark.parametrize(
    ("used", "bad", "spare", "wanted"),
    [
        (448 * KIB + 1, "128 KiB", 0, 2),
        (512 * KIB, "128 KiB", 0, 2),
        (448 * KIB, "128 KiB", 1, 2),
        (384 * KIB + 1, "128 KiB", 1, 2),
        (384 * KIB, "128 KiB", None, None),
        (384 * KIB, "0x20001", 2, 3),
        # One is always wanted, also of a region too small for its share to be a whole block.
        (512 * KIB, "0", 0, 1),
        (448 * KIB, "0", None, None),
    ],
)
def test_spare_blocks(used: int, bad: str, spare: int | None, wanted: int | None) -> None:
    example = nand(
        "name: firmware, at: 0, size: 512 KiB, file: firmware.bin",
        chip=f"{CHIP}, bad-blocks: {bad}",
    )
    findings = found("region-has-no-spare-blocks", example, {"firmware.bin": b"\1" * used})
    assert [(item.values["spare"], item.values["wanted"]) for item in findings] == (
        [(spare, wanted)] if spare is not None else []
    )
    for item in findings:
        assert item.values["short"] == (item.values["wanted"] - item.values["spare"]) * 64 * KIB
        assert f"Grow firmware by {item.values['short']:,} bytes" in item.fix


@pytest.mark.parametrize(("over", "file_at"), [(0, 0), (1, 0), (0, 1024), (1, 1024)])
def test_what_does_not_fit_is_told_as_that_alone(over: int, file_at: int) -> None:
    region = f"name: firmware, at: 0, size: 512 KiB, file: firmware.bin, file-at: {file_at}"
    files = {"firmware.bin": b"\1" * (512 * KIB - file_at + over)}
    assert len(found("region-has-no-spare-blocks", nand(region), files)) == 1 - over
    assert len(found("artifact-exceeds-region", nand(region), files)) == over


def test_a_ubi_keeps_its_spare_blocks_itself() -> None:
    example = nand("name: system, at: 0, size: 512 KiB, holds: ubi, file: system.ubi")
    files = {"system.ubi": b"UBI#" + bytes(512 * KIB - 4)}
    assert not found("region-has-no-spare-blocks", example, files)


@pytest.mark.parametrize("holds", ["squashfs", "erofs", "ext4", "f2fs", "fat"])
def test_a_file_system_that_knows_nothing_of_bad_blocks(holds: str) -> None:
    finding = one(
        "filesystem-without-bad-block-handling",
        nand(f"name: rootfs, at: 128 KiB, size: 512 KiB, holds: {holds}"),
    )
    assert (finding.region, finding.offset, finding.length) == ("rootfs", 128 * KIB, 512 * KIB)
    assert finding.message == f"rootfs holds {holds} on nand, a NAND, without UBI below it"


@pytest.mark.parametrize("holds", ["ubi", "jffs2", "raw"])
def test_what_finds_its_way_around_bad_blocks(holds: str) -> None:
    example = nand(f"name: rootfs, at: 128 KiB, size: 512 KiB, holds: {holds}")
    assert not found("filesystem-without-bad-block-handling", example)


@pytest.mark.parametrize(("page", "whole"), [(2048, True), (4096, True), (1536, False)])
def test_pages_of_an_erase_block(page: int, whole: bool) -> None:
    findings = found("page-does-not-divide-erase-block", nand(chip=f"{CHIP}, page: {page}"))
    assert [item.values["page"] for item in findings] == ([] if whole else [page])
