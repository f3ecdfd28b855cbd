"""SFDP and EXT_CSD against the layout; real dumps from public threads, named at each."""

from __future__ import annotations

import pytest

from imgaudit.rules import chip_data
from imgaudit.rules.built import subject_of
from imgaudit.rules.engine import Check, Finding, Severity
from imgaudit.rules.examples import emmc, nor
from imgaudit.tasks import audit
from tests.formats import test_ext_csd, test_sfdp

CHECKS = [item for item in vars(chip_data).values() if isinstance(item, Check)]


def of_nor(dump: bytes, chip: str) -> dict[str, Finding]:
    made = nor(chip=f"{chip}, sfdp: nor.sfdp", files={"nor.sfdp": lambda: dump})
    return {item.rule.name: item for item in audit.run(subject_of(made), only=CHECKS).findings}


def of_emmc(dump: bytes, chip: str) -> dict[str, Finding]:
    made = emmc(chip=f"{chip}, ext-csd: emmc.extcsd", files={"emmc.extcsd": lambda: dump})
    return {item.rule.name: item for item in audit.run(subject_of(made), only=CHECKS).findings}


@pytest.mark.parametrize(
    ("dump", "chip"),
    [
        # Linux Documentation/driver-api/mtd/spi-nor.rst; 4 KiB is the size that holds everywhere.
        (test_sfdp.SST26VF064B, "size: 8 MiB, erase-block: 4 KiB, address-bytes: 3"),
        # A linux-mtd patch; its erase types are not in order of size.
        (
            test_sfdp.MT25QU256A,
            "size: 32 MiB, erase-block: 64 KiB, address-bytes: 4, reset-pin: wired",
        ),
        # The same series: the bytes of a third header beyond NPH are no table.
        (
            test_sfdp.W25Q02NW,
            "size: 256 MiB, erase-block: 64 KiB, address-bytes: 4, reset-pin: wired",
        ),
        (test_sfdp.W25Q01NW, "size: [256 MiB, 128 MiB], erase-block: 32 KiB, reset-pin: wired"),
        (test_sfdp.MX25L12835F, "size: 16 MiB, erase-block: 64 KiB, address-bytes: 3"),
    ],
)
def test_a_true_layout_of_a_real_part_is_silent(dump: bytes, chip: str) -> None:
    assert of_nor(dump, chip) == {}


def test_a_sector_map_is_ignored() -> None:
    """SST26VF064B: 8 KiB blocks only in the first and last 32 KiB, 64 KiB only between."""
    found = of_nor(test_sfdp.SST26VF064B, "size: 8 MiB, erase-block: 64 KiB")
    assert set(found) == {"sector-map-ignored"}
    message = found["sector-map-ignored"].message
    assert message.startswith("nor.sfdp: the chip cannot erase 65,536 bytes (64 KiB) at 0x0")
    assert message.endswith("it takes 4 KiB, 8 KiB there")
    mixed = (
        "size: 8 MiB, erase-map: [{count: 4, size: 8 KiB}, {count: 1, size: 32 KiB},"
        " {count: 126, size: 64 KiB}, {count: 1, size: 32 KiB}, {count: 4, size: 8 KiB}]"
    )
    assert of_nor(test_sfdp.SST26VF064B, mixed) == {}


def test_a_part_with_more_than_it_can_address() -> None:
    """IS25WP256 (a linux-mtd patch): 32 MiB, yet 3 address bytes only."""
    found = of_nor(test_sfdp.IS25WP256, "size: 32 MiB, erase-block: 64 KiB, reset-pin: wired")
    assert set(found) == {"sfdp-contradicts-itself"}
    four = of_nor(
        test_sfdp.IS25WP256, "size: 32 MiB, erase-block: 64 KiB, address-bytes: 4, reset-pin: wired"
    )
    assert set(four) == {"sfdp-contradicts-itself", "address-bytes-contradict-sfdp"}


def test_a_clone_that_says_less_than_it_has() -> None:
    """A clone of a w25q128 (a linux-mtd patch) says 2 MiB; revision 1.0 has no page size."""
    found = of_nor(test_sfdp.CLONE, "size: 16 MiB, erase-block: 64 KiB, page: 512")
    assert set(found) == {"chip-size-contradicts-sfdp"}
    assert "the chip says 2,097,152 bytes (2 MiB)" in found["chip-size-contradicts-sfdp"].message


def test_a_table_of_4_byte_opcodes_that_is_empty() -> None:
    """W25Q64JW (a linux-mtd thread): the table is there and names nothing."""
    found = of_nor(test_sfdp.W25Q64JW, "size: 8 MiB, erase-block: 64 KiB, four-byte-mode: opcodes")
    assert set(found) == {"address-bytes-contradict-sfdp"}


def test_registers_of_a_published_dump() -> None:
    """512 bytes, from memory of a page, highest first: 7503872 sectors, boot areas of 2 MiB."""
    dump = test_ext_csd.HIGHEST_FIRST.encode()
    groups = "erase-group: 4 MiB, write-protect-group: 4 MiB"
    right = of_emmc(dump, f"sectors: [7503872, 7634944], boot-area: 2 MiB, {groups}")
    assert set(right) <= {"emmc-reset-disabled"}
    wrong = of_emmc(
        dump,
        "sectors: 7634944, boot-area: 4 MiB, erase-group: 512 KiB, write-protect-group: 8 MiB",
    )
    assert set(wrong) - {"emmc-reset-disabled"} == {
        "emmc-size-contradicts-ext-csd",
        "boot-area-contradicts-ext-csd",
        "emmc-group-contradicts-ext-csd",
    }
    smaller = of_emmc(dump, "sectors: 7503872, boot-area: 1 MiB")
    assert smaller["boot-area-contradicts-ext-csd"].severity is Severity.NOTE


def test_registers_as_they_are_printed() -> None:
    """An eMMC 5.1 of 8 GB, as mmc extcsd read prints it: 15269888 sectors."""
    found = of_emmc(test_ext_csd.PRINTED.encode(), "sectors: 15269888, boot-area: 4 MiB")
    assert set(found) == {"emmc-reset-disabled"}


def test_a_dump_that_is_none_is_not_checked() -> None:
    made = nor(
        chip="size: 1 MiB, erase-block: 64 KiB, sfdp: nor.sfdp",
        files={"nor.sfdp": lambda: b"no dump at all"},
    )
    result = audit.run(subject_of(made), only=CHECKS)
    assert result.findings == ()
    assert [(item.rule, item.subject) for item in result.not_checked] == [
        ("chip-size-contradicts-sfdp", "nor.sfdp")
    ]
    absent = emmc(chip="sectors: 65536, ext-csd: emmc.extcsd")
    result = audit.run(subject_of(absent), only=CHECKS)
    assert [item.rule for item in result.not_checked] == ["emmc-size-contradicts-ext-csd"]
