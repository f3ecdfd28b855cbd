"""Registers that were published, in the three forms in which they travel."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.errors import FormatError
from imgaudit.formats import ext_csd
from imgaudit.formats.facts import Match
from imgaudit.formats.view import View
from imgaudit.units import GIB, KIB, MIB

# A page, from memory, from a kernel that printed the highest byte first: an eMMC 4.41 of 4 GB.
HIGHEST_FIRST = (
    "0000000000000001030100000000000000000000000000000000000000000000000000000000000000000000"
    "0000000000000000000000000000000000000000000000000000000000000000000000000000000000000000"
    "0000000000000000000000000000000000000000000000000000000000000000000000000000000000000000"
    "0000000000000000000000000000000000000000000000000000000000000000000000000000000000000000"
    "0000000000000000000000000000000000000000000000000000000000000000000000000000000000000000"
    "0000000000000000000000000000000000000000000000000000000000000000000000000000000000000000"
    "0002000000087a00000000000000000615020307001006080101010808001000007280000008080808080800"
    "0000000001020007000200050000000000000100020000000000000000000000000000010005000000000003"
    "0001ca0000000000000000000000000000000000000000000000000000000000000000000000000000000000"
    "0000000000000000000000000000000000000000000000000000000000000000000000000000000000000000"
    "0000000000000000000000000000000000000000000000000000000000000000000000000000000000000000"
    "00000000000000000000000000000000000000000000000000000000"
)
# What `mmc extcsd read` printed for an 8 GB eMMC 5.1, lines of interest; a page, from memory.
PRINTED = """\
=============================================
  Extended CSD rev 1.8 (MMC 5.1)
=============================================

Card Supported Command sets [S_CMD_SET: 0x01]
Cache Size [CACHE_SIZE] is 128 KiB
Boot partition size [BOOT_SIZE_MULTI: 0x20]
High-capacity erase unit size [HC_ERASE_GRP_SIZE: 0x08]
 i.e. 4096 KiB
High-capacity W protect group size [HC_WP_GRP_SIZE: 0x01]
 i.e. 4096 KiB
Sector Count [SEC_COUNT: 0x00e90000]
 Device is block-addressed
Boot configuration bytes [PARTITION_CONFIG: 0x48]
 Boot Partition 1 enabled
 No access to boot partition
High-density erase group definition [ERASE_GROUP_DEF: 0x01]
RPMB Size [RPMB_SIZE_MULT]: 0x20
H/W reset function [RST_N_FUNCTION]: 0x00
Max Enhanced Area Size [MAX_ENH_SIZE_MULT]: 0x0003a4
 i.e. 3817472 KiB
Partitioning Setting [PARTITION_SETTING_COMPLETED]: 0x00
General Purpose Partition Size
 [GP_SIZE_MULT_4]: 0x000000
 [GP_SIZE_MULT_3]: 0x000000
 [GP_SIZE_MULT_2]: 0x000000
 [GP_SIZE_MULT_1]: 0x000000
Enhanced User Data Area Size [ENH_SIZE_MULT]: 0x000000
 i.e. 0 KiB
Enhanced User Data Start Address [ENH_START_ADDR]: 0x00000000
Vendor Specific Fields [VENDOR_SPECIFIC_FIELD[127]]: 0x00
"""


def read(data: bytes) -> ext_csd.ExtCsdFacts:
    return ext_csd.read(View.of(data))


def registers(**values: int) -> bytes:
    """Write 512 registers; those not given are 0."""
    data = bytearray(ext_csd.SIZE)
    for name, value in ({"EXT_CSD_REV": 8, "SEC_COUNT": 1} | values).items():
        at, width = ext_csd.REGISTERS[name]
        data[at : at + width] = value.to_bytes(width, "little")
    return bytes(data)


def test_hex_that_came_highest_byte_first_is_turned() -> None:
    facts = read(HIGHEST_FIRST.encode() + b"\n")
    assert (facts.form, facts.reversed) == ("hex", True)
    assert (facts.revision, facts.version) == (5, "4.41")
    assert (facts.sectors, facts.size) == (0x728000, 3841982464)
    assert facts.sectors == 7503872
    assert facts.boot_area == 2 * MIB
    assert facts.registers["HC_ERASE_GRP_SIZE"] == 8
    assert facts.registers["HC_WP_GRP_SIZE"] == 1
    assert facts.summary() == "eMMC 4.41, 7,503,872 sectors, 3.6 GiB"


def test_every_form_and_order_gives_the_same() -> None:
    turned = bytes.fromhex(HIGHEST_FIRST)
    straight = turned[::-1]
    spaced = straight.hex(" ", 2).replace(" ", "\n").upper()
    forms = [read(data) for data in (turned, straight, straight.hex().encode(), spaced.encode())]
    assert [(facts.form, facts.reversed) for facts in forms] == [
        ("binary", True),
        ("binary", False),
        ("hex", False),
        ("hex", False),
    ]
    assert all(facts.registers == forms[0].registers for facts in forms)
    assert straight[forms[1].offsets["SEC_COUNT"] :][:4] == (7503872).to_bytes(4, "little")
    assert turned[forms[0].offsets["SEC_COUNT"] :][:4] == (7503872).to_bytes(4, "big")


def test_printed_registers_are_read() -> None:
    facts = read(PRINTED.encode())
    assert (facts.form, facts.revision, facts.version) == ("text", 8, "5.1")
    assert (facts.sectors, facts.size) == (15269888, 7818182656)
    assert facts.size / GIB == 7.28125
    assert facts.boot_area == 4 * MIB
    assert (facts.erase_group, facts.write_protect_group) == (4096 * KIB, 4096 * KIB)
    assert facts.reset_function == 0
    assert facts.printed == {"S_CMD_SET": 1}
    assert PRINTED[facts.offsets["SEC_COUNT"] :].startswith("[SEC_COUNT: 0x00e90000]")


def test_the_boot_configuration_is_taken_apart() -> None:
    config = read(PRINTED.encode()).partition_config
    assert config is not None
    assert (config.value, config.enabled) == (0x48, 1)
    assert config.boots_from == "boot0"
    values = {0x00: "none", 0x38: "user", 0x51: "boot1", 0x18: "reserved"}
    for value, area in values.items():
        assert ext_csd.PartitionConfig(value=value).boots_from == area


@pytest.mark.parametrize(
    ("sectors", "gib", "erase", "protect", "erase_group", "protect_group"),
    [
        # Published prints of two other parts.
        (0x0733C000, 57.6171875, 1, 0x10, 512 * KIB, 8 * MIB),
        (0x1D200000, 233.0, 1, 0x20, 512 * KIB, 16 * MIB),
    ],
)
def test_other_published_parts(
    *, sectors: int, gib: float, erase: int, protect: int, erase_group: int, protect_group: int
) -> None:
    facts = read(registers(SEC_COUNT=sectors, HC_ERASE_GRP_SIZE=erase, HC_WP_GRP_SIZE=protect))
    assert facts.size / GIB == gib
    assert (facts.erase_group, facts.write_protect_group) == (erase_group, protect_group)


def test_registers_stand_where_u_boot_reads_them() -> None:
    # U-Boot include/mmc.h and the indices in mmc-utils' mmc_cmds.c.
    single = {
        61: "DATA_SECTOR_SIZE",
        62: "USE_NATIVE_SECTOR",
        63: "NATIVE_SECTOR_SIZE",
        155: "PARTITION_SETTING_COMPLETED",
        156: "PARTITIONS_ATTRIBUTE",
        160: "PARTITIONING_SUPPORT",
        162: "RST_n_FUNCTION",
        166: "WR_REL_PARAM",
        167: "WR_REL_SET",
        168: "RPMB_SIZE_MULT",
        173: "BOOT_WP",
        175: "ERASE_GROUP_DEF",
        177: "BOOT_BUS_CONDITIONS",
        179: "PARTITION_CONFIG",
        221: "HC_WP_GRP_SIZE",
        224: "HC_ERASE_GRP_SIZE",
        226: "BOOT_SIZE_MULT",
    }
    wide = {
        "ENH_START_ADDR": (136, 137, 138, 139),
        "ENH_SIZE_MULT": (140, 141, 142),
        "GP_SIZE_MULT_1": (143, 144, 145),
        "GP_SIZE_MULT_2": (146, 147, 148),
        "GP_SIZE_MULT_3": (149, 150, 151),
        "GP_SIZE_MULT_4": (152, 153, 154),
        "MAX_ENH_SIZE_MULT": (157, 158, 159),
        "SEC_COUNT": (212, 213, 214, 215),
    }
    data = bytearray(i % 251 for i in range(512))
    data[192] = 8
    found = read(bytes(data)).registers
    expected = {name: data[at] for at, name in single.items()} | {
        name: sum(data[at] << 8 * i for i, at in enumerate(places)) for name, places in wide.items()
    }
    assert found == expected | {"EXT_CSD_REV": 8}


def test_a_register_that_is_not_printed_is_unknown() -> None:
    facts = read(b"Extended CSD rev 1.5 (MMC 4.41)\nSector Count [SEC_COUNT: 0x00728000]\n")
    assert (facts.sectors, facts.version) == (7503872, "4.41")
    assert facts.boot_area is None
    assert facts.write_protect_group is None
    assert facts.partition_config is None


def test_what_fits_both_orders_is_read_forward_with_a_doubt() -> None:
    data = bytearray(registers(SEC_COUNT=0x1000))
    data[511 - 192], data[511 - 213] = 5, 1
    facts = read(bytes(data))
    assert not facts.reversed
    assert len(facts.doubts) == 1
    assert read(registers()).doubts == ()


@pytest.mark.parametrize(
    ("data", "why"),
    [
        (bytes(512), "either byte order"),
        (registers(EXT_CSD_REV=10), "either byte order"),
        (b"", "neither 512 registers"),
        (bytes(511), "neither 512 registers"),
        (b"ab" * 511, "neither 512 registers"),
        (b"Sector Count [SEC_COUNT: 0x00728000]", "no revision"),
        (b"Extended CSD rev 1.5\n[SEC_COUNT: none]", "no sector count"),
        (bytes(65537), "more than any form"),
    ],
)
def test_what_is_no_form_is_an_error(data: bytes, why: str) -> None:
    with pytest.raises(FormatError, match=why):
        read(data)


def test_recognition() -> None:
    turned = bytes.fromhex(HIGHEST_FIRST)
    expected = {
        turned: Match.WEAK,
        turned[::-1]: Match.WEAK,
        HIGHEST_FIRST.encode(): Match.GOOD,
        PRINTED.encode(): Match.GOOD,
        bytes(512): Match.NO,
        b"deadbeef": Match.NO,
        bytes(1 << 17): Match.NO,
    }
    assert {data: ext_csd.match(View.of(data)) for data in expected} == expected


SAMPLES = (PRINTED.encode(), HIGHEST_FIRST.encode(), bytes.fromhex(HIGHEST_FIRST))


@given(
    st.binary(max_size=600)
    | st.binary(min_size=512, max_size=512)
    | st.text(alphabet="0123456789abcdef \n", max_size=1100).map(str.encode)
)
def test_any_bytes_give_facts_or_a_format_error(data: bytes) -> None:
    ext_csd.match(View.of(data))
    try:
        read(data).summary()
    except FormatError:
        return


@given(st.sampled_from(SAMPLES), st.data())
def test_damaged_registers_give_facts_or_a_format_error(sample: bytes, data: st.DataObject) -> None:
    changed = bytearray(sample)
    for at in data.draw(st.lists(st.integers(0, len(sample) - 1), max_size=6)):
        changed[at] = data.draw(st.integers(0, 255))
    try:
        facts = read(bytes(changed[: data.draw(st.integers(0, len(sample)))]))
    except FormatError:
        return
    assert facts.summary()
    assert facts.size > 0 or facts.form == "text"
