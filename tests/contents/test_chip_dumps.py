"""Dumps held against artifacts: every planted fault is told apart, and nothing crashes."""

from __future__ import annotations

import gzip

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.chips import SPI_NOR
from imgaudit.contents.chips import erase_block
from imgaudit.contents.comparison import ChipImage, Comparison, Look
from imgaudit.model import Chip, EraseRun, Where
from imgaudit.rules.engine import Severity
from imgaudit.units import KIB, MIB, Span
from tests._dumps import BLOCK, FAULTS, MIRROR, Board, broken
from tests._emmc import Emmc

BOARD = Board()
MANIFEST = BOARD.manifest()
CLEAN = bytes(BOARD.dump())
# What cannot be told by digests alone.
ONLY_BYTES = {
    "chip-image-bit-stuck",
    "chip-image-bits-reversed",
    "chip-image-bytes-swapped",
    "chip-image-content-shifted",
    "chip-image-differs",
    "chip-image-halves-exchanged",
    "chip-image-not-erased-first",
    "chip-image-starts-elsewhere",
}


def compared(chip: bytes) -> ChipImage:
    (image,) = BOARD.read_back(chip).subject.images
    return image


def region(image: ChipImage, name: str) -> Comparison:
    return next(item for item in image.comparisons if item.region.name == name)


def test_a_clean_dump_gives_nothing() -> None:
    result = BOARD.read_back(CLEAN)
    assert result.findings == ()
    assert not result.failed
    assert {item.subject: item.why for item in result.not_checked} == {
        "data": "written at run time"
    }
    assert BOARD.read_back(CLEAN, MANIFEST).findings == ()


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_is_told_for_what_it_is(name: str) -> None:
    fault = FAULTS[name]
    findings = BOARD.read_back(broken(BOARD, name)).findings
    told = {(item.rule.name, item.region): item.severity for item in findings}
    assert told[fault.finding, fault.region] is fault.severity
    # One cause is told once; a dump of another size says so as well.
    others = {rule for rule, _ in told} - {fault.finding, "chip-image-size"}
    assert not others


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_is_seen_against_the_manifest_alone(name: str) -> None:
    fault = FAULTS[name]
    result = BOARD.read_back(broken(BOARD, name), MANIFEST)
    told = {item.rule.name for item in result.findings}
    if fault.finding in ONLY_BYTES or name == "a hole":
        assert "chip-image-differs-from-manifest" in told
        assert result.failed
    else:
        assert fault.finding in told


class TestWhatIsSaidOfAFault:
    def test_the_first_difference_has_its_offset_and_erase_block(self) -> None:
        found = region(compared(broken(BOARD, "two bytes")), "recovery")
        assert found.first == 0x5555
        assert found.differing == 2
        offset = BOARD.recovery_at + 0x5555
        (finding,) = BOARD.read_back(broken(BOARD, "two bytes")).findings
        assert finding.offset == offset
        assert f"{offset:#x} (erase block {offset // BLOCK})" in finding.message
        assert "2 bytes differ" in finding.message

    def test_a_fault_behind_another_is_seen(self) -> None:
        chip = bytearray(broken(BOARD, "two bytes"))
        chip = bytearray(bytes(chip).translate(MIRROR))
        image = compared(bytes(chip))
        assert image.mirrored
        assert region(image, "recovery").first == 0x5555
        image = compared(b"header, 16 bytes" + broken(BOARD, "two bytes"))
        assert image.base == -16
        assert region(image, "recovery").differing == 2

    def test_a_partitions_dump_is_compared_where_it_is_known(self) -> None:
        image = compared(broken(BOARD, "a partition's dump"))
        assert image.base == BOARD.recovery_at
        assert region(image, "recovery").look is Look.SAME
        assert region(image, "firmware").look is Look.UNKNOWN
        assert "starts at" in region(image, "firmware").why

    def test_a_lost_byte_is_a_shift_by_one(self) -> None:
        assert compared(broken(BOARD, "the first byte missing")).base == 1

    def test_the_shift_has_its_sign(self) -> None:
        assert region(compared(broken(BOARD, "64 bytes late")), "recovery").shifted == 64
        assert region(compared(broken(BOARD, "64 bytes early")), "recovery").shifted == -64

    def test_a_hole_has_its_edges(self) -> None:
        found = region(compared(broken(BOARD, "a hole")), "recovery")
        assert found.holes == (Span(BLOCK, 2 * BLOCK),)
        assert found.only_holes

    def test_an_odd_hole_has_its_edges_to_the_byte(self) -> None:
        chip = bytearray(CLEAN)
        start = BOARD.recovery_at + 5000
        chip[start : start + 20000] = b"\xff" * 20000
        chip[start - 1] = chip[start + 20000] = 0
        (hole,) = region(compared(bytes(chip)), "recovery").holes
        assert hole == Span(5000, 25000)

    def test_a_hole_beside_another_difference_is_told_with_it(self) -> None:
        chip = bytearray(broken(BOARD, "a hole"))
        chip[BOARD.recovery_at + 3] ^= 0xA5
        chip[BOARD.recovery_at + 4] ^= 0x5A
        (item,) = BOARD.read_back(bytes(chip)).findings
        assert item.rule.name == "chip-image-differs"
        assert [below.rule.name for below in item.leads_to] == ["chip-image-erased-hole"]

    def test_zero_filled_is_not_programmed_over(self) -> None:
        chip = bytearray(CLEAN)
        chip[BOARD.recovery_at + 100 : BOARD.recovery_at + 200] = bytes(100)
        assert region(compared(bytes(chip)), "recovery").look is Look.DIFFERS

    def test_a_repeated_quarter_is_told_by_its_length(self) -> None:
        quarter = len(CLEAN) // 4
        image = compared(CLEAN[:quarter] * 4)
        assert image.period == quarter
        assert image.period is not None
        assert region(image, "firmware").look is Look.SAME
        assert region(image, "recovery").look is Look.UNKNOWN

    def test_two_copies_that_belong_there_are_no_repetition(self) -> None:
        text = """\
layout: 1
board: twice
arch: arm64
chips:
  nor: {kind: spi-nor, size: 1 MiB, erase-block: 64 KiB}
regions:
  - {name: a, chip: nor, at: 0, size: 512 KiB, holds: raw, file: a.bin, writer: release}
  - {name: b, chip: nor, at: 512 KiB, size: 512 KiB, holds: raw, file: a.bin, writer: release}
"""
        board = Board(MIB)
        board.text = text
        board.files = {"a.bin": Board().files["firmware.bin"][:90000]}
        assert board.read_back(bytes(board.dump())).findings == ()

    def test_one_artifact_inside_another_is_no_shift(self) -> None:
        # A FIP carries a device tree that has a region of its own as well.
        board = Board()
        tree = board.files["devicetree.bin"]
        board.files["firmware.bin"] = board.files["firmware.bin"][:9000] + tree + b"end of it"
        chip = board.dump()
        start = board.devicetree_at
        chip[start : start + len(tree)] = bytes(reversed(tree))
        (finding,) = board.read_back(bytes(chip)).findings
        assert finding.rule.name == "chip-image-differs"
        chip[7] ^= 0xFF
        chip[8] ^= 0xFE
        told = [item.rule.name for item in board.read_back(bytes(chip)).findings]
        assert told == ["chip-image-differs"] * 2

    def test_the_variables_that_differ_are_named(self) -> None:
        (finding,) = BOARD.read_back(broken(BOARD, "a saved environment")).findings
        assert finding.severity is Severity.NOTE
        assert "bootcount from '0' to '3', ipaddr is new ('10.0.0.2')" in finding.message

    def test_only_a_new_flag_is_nothing(self) -> None:
        chip = bytearray(CLEAN)
        chip[BOARD.env_at + 4] = 9
        assert BOARD.read_back(bytes(chip)).findings == ()
        assert region(compared(bytes(chip)), "env-a").look is Look.SAVED

    def test_what_would_be_written_carries_the_caution(self) -> None:
        for name in FAULTS:
            for finding in BOARD.read_back(broken(BOARD, name)).findings:
                if "assemble" in finding.fix.lower() or "erase" in finding.fix.lower():
                    told = "backup" in finding.fix and "datasheet" in finding.fix
                    assert told or "Read or assemble" in finding.fix


def test_the_erase_block_is_counted_over_the_map() -> None:
    chip = Chip(
        where=Where("x", 1, 1),
        name="nor",
        kind=SPI_NOR,
        sizes=(MIB,),
        erase_map=(EraseRun(16, 4 * KIB), EraseRun(15, 64 * KIB)),
    )
    assert erase_block(chip, 0) == 0
    assert erase_block(chip, 64 * KIB - 1) == 15
    assert erase_block(chip, 64 * KIB) == 16
    assert erase_block(chip, MIB - 1) == 30
    assert erase_block(chip, MIB) is None


class TestEmmc:
    def test_a_clean_dump_gives_nothing(self) -> None:
        board = Emmc()
        assert board.read_back(board.dump()).findings == ()
        assert board.read_back(board.dump(), board.manifest()).findings == ()

    def test_the_last_partial_block_counts(self) -> None:
        board = Emmc()
        chip = board.dump()
        last = board.boot_at + len(board.files["boot.bin"]) - 1
        chip[last] ^= 1
        (finding,) = board.read_back(chip).findings
        assert finding.rule.name == "chip-image-differs"
        assert finding.region == "boot"
        assert finding.offset == last
        assert "erase block" not in finding.message
        (finding,) = board.read_back(chip, board.manifest()).findings
        assert finding.rule.name == "chip-image-differs-from-manifest"

    @pytest.mark.parametrize("offset", [0, 1, BLOCK - 1, BLOCK, 2 * BLOCK + 4320])
    def test_the_first_differing_byte_is_exact(self, offset: int) -> None:
        board = Emmc()
        for pack in (bytes, lambda data: gzip.compress(data, 1)):
            chip = board.dump()
            chip[board.boot_at + offset] ^= 1
            chip[board.boot_at + 2 * BLOCK + 4320] ^= 2
            packed = Emmc()
            packed.files["boot.bin"] = pack(board.files["boot.bin"])
            if pack is not bytes:
                # What a writer unpacks on the way: raw regions are written as they are.
                packed.text = packed.text.replace(
                    "holds: raw, file: boot.bin", "holds: cpio, file: boot.bin"
                )
            found = packed.read_back(chip).findings
            assert board.boot_at + offset in {finding.offset for finding in found}

    @pytest.mark.parametrize("late", [BLOCK, MIB, MIB + BLOCK])
    def test_a_dump_that_starts_late_is_told_once(self, late: int) -> None:
        board = Emmc()
        (finding,) = board.read_back(board.dump()[late:]).findings[:1]
        assert finding.rule.name == "chip-image-starts-elsewhere"
        assert finding.values["base"] == late
        others = {item.rule.name for item in board.read_back(board.dump()[late:]).findings}
        assert "chip-image-differs" not in others
        chip = board.dump()
        chip[board.rootfs_b_at + 7] ^= 1
        found = board.read_back(chip[late:]).findings
        assert board.rootfs_b_at + 7 in {item.offset for item in found}

    def test_a_byte_behind_the_payload_does_not(self) -> None:
        board = Emmc()
        chip = board.dump()
        chip[board.boot_at + len(board.files["boot.bin"])] ^= 1
        assert board.read_back(chip).findings == ()
        assert board.read_back(chip, board.manifest()).findings == ()

    def test_the_other_slot_is_named(self) -> None:
        board = Emmc()
        chip = board.dump()
        data = board.files["rootfs-b.bin"]
        chip[board.rootfs_a_at : board.rootfs_a_at + len(data)] = data
        for manifest in (None, board.manifest()):
            (finding,) = board.read_back(chip, manifest).findings
            assert finding.rule.name == "chip-image-holds-other-region"
            assert finding.region == "rootfs-a"
            assert finding.values["other"] == "rootfs-b"

    @pytest.mark.parametrize("blank", [0x00, 0xFF])
    def test_an_erased_region_is_told(self, blank: int) -> None:
        board = Emmc()
        chip = board.dump()
        size = len(board.files["rootfs-b.bin"])
        chip[board.rootfs_b_at : board.rootfs_b_at + size] = bytes([blank]) * size
        for manifest in (None, board.manifest()):
            (finding,) = board.read_back(chip, manifest).findings
            assert finding.rule.name == "chip-image-erased-hole"
            assert finding.length == size

    def test_a_short_dump_lacks_its_regions(self) -> None:
        board = Emmc()
        chip = board.dump()[: board.rootfs_b_at + BLOCK]
        for manifest in (None, board.manifest()):
            (finding,) = board.read_back(chip, manifest).findings
            assert finding.rule.name == "chip-image-ends-early"
            assert finding.region == "rootfs-b"

    def test_a_boot_area_is_a_dump_of_its_own(self) -> None:
        board = Emmc()
        data = bytearray(b"\0" * MIB)
        spl = board.files["spl.bin"]
        data[: len(spl)] = spl
        assert board.read_back(data, area="emmc/boot0").findings == ()
        data[5] ^= 1
        (finding,) = board.read_back(data, area="emmc/boot0").findings
        assert finding.region == "spl"
        assert finding.chip == "emmc/boot0"


def held(chip: bytes) -> None:
    for manifest in (None, MANIFEST):
        result = BOARD.read_back(chip, manifest)
        for finding in result.findings:
            assert finding.message
            assert finding.fix
        (image,) = result.subject.images
        for item in image.comparisons:
            assert item.why or item.size
            if item.look is Look.SAME:
                start = item.region.at + item.region.file_at - image.base
                assert start >= 0


@given(
    at=st.integers(0, len(CLEAN) - 1),
    new=st.binary(min_size=1, max_size=300),
)
def test_any_overwrite_is_found(at: int, new: bytes) -> None:
    chip = bytearray(CLEAN)
    chip[at : at + len(new)] = new
    chip = chip[: len(CLEAN)]
    held(bytes(chip))
    wrong = [
        item.name
        for item in BOARD.layout.regions
        if chip[item.at : item.at + len(BOARD.files[item.file or ""])]
        != BOARD.files[item.file or ""]
        and item.name != "data"
    ]
    seen = {item.region.name for item in compared(bytes(chip)).comparisons if item.differing}
    assert seen == set(wrong)


@given(
    chip=st.one_of(st.binary(max_size=5000), st.integers(0, 40).map(lambda n: CLEAN[n * 51234 :]))
)
def test_any_bytes_are_compared_without_a_crash(chip: bytes) -> None:
    held(chip)


@given(
    names=st.lists(st.sampled_from(sorted(FAULTS)), min_size=2, max_size=3),
)
def test_faults_on_top_of_each_other_do_not_crash(names: list[str]) -> None:
    chip = BOARD.dump()
    for name in names:
        FAULTS[name].change(BOARD, chip)
    held(bytes(chip))
