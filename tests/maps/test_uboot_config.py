"""Syntax as written by scripts/kconfig/confdata.c; options as in U-Boot's Kconfig files."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.maps import uboot_config
from imgaudit.maps.entry import Kind, Medium
from imgaudit.maps.uboot_config import UBootConfig, ValueKind

WHIMBREL = """\
#
# Automatically generated file; DO NOT EDIT.
#
CONFIG_ARM=y
CONFIG_TEXT_BASE=0x80800000
CONFIG_ENV_SIZE=0x4000
CONFIG_ENV_OFFSET=0x100000
CONFIG_ENV_SECT_SIZE=0x10000
CONFIG_ENV_OFFSET_REDUND=0x110000
CONFIG_ENV_REDUNDANT=y
CONFIG_ENV_IS_IN_SPI_FLASH=y
# CONFIG_ENV_IS_IN_MMC is not set
CONFIG_SYS_BOOTM_LEN=0x4000000
CONFIG_SYS_LOAD_ADDR=0x82000000
CONFIG_SYS_SPI_U_BOOT_OFFS=0x20000
CONFIG_SPL_SYS_MMCSD_RAW_MODE_U_BOOT_SECTOR=0x80
CONFIG_BOOTCOUNT_LIMIT=y
CONFIG_BOOTDELAY=-2
CONFIG_BOOTCOMMAND="run bootcmd_main || run recovery"
CONFIG_BOOTARGS="console=ttyS0 \\"quoted\\""
CONFIG_MTDIDS_DEFAULT="nor0=spi0.0"
CONFIG_MTDPARTS_DEFAULT="mtdparts=spi0.0:1m(fip),64k(env-a),64k(env-b)"
"""


def test_flash_and_boot_options_are_told() -> None:
    config = UBootConfig(uboot_config.parse(WHIMBREL))
    assert config.environment_in == ("ENV_IS_IN_SPI_FLASH",)
    assert config.environment_offset == 0x100000
    assert config.redundant_environment
    assert config.redundant_environment_offset == 0x110000
    assert config.environment_size == 0x4000
    assert config.environment_sector_size == 0x10000
    assert config.spl_uboot_offset == 0x20000
    assert config.spl_uboot_mmc_offset == 0x10000
    assert config.boot_command == "run bootcmd_main || run recovery"
    assert config.boot_arguments == 'console=ttyS0 "quoted"'
    assert config.mtdids == "nor0=spi0.0"
    assert config.mtdparts == "mtdparts=spi0.0:1m(fip),64k(env-a),64k(env-b)"


def test_the_environment_has_one_shape_with_the_other_copies() -> None:
    copy = UBootConfig(uboot_config.parse(WHIMBREL)).environment()
    assert copy is not None
    assert (copy.kind, copy.medium) == (Kind.UBOOT_CONFIG, Medium.SPI_NOR)
    assert [(e.label, e.offset, e.size, e.at.text) for e in copy.entries] == [
        ("environment", 0x100000, 0x4000, "CONFIG_ENV_OFFSET=0x100000"),
        ("redundant environment", 0x110000, 0x4000, "CONFIG_ENV_OFFSET_REDUND=0x110000"),
    ]
    for entry in copy.entries:
        assert entry.at.line is not None
        assert entry.at.offset is not None
        assert WHIMBREL.split("\n")[entry.at.line - 1] == entry.at.text
        assert WHIMBREL[entry.at.offset :].startswith(entry.at.text)


def test_old_names_are_found_too() -> None:
    text = "CONFIG_SYS_REDUNDAND_ENVIRONMENT=y\nCONFIG_SYS_TEXT_BASE=0x10\n"
    config = UBootConfig(uboot_config.parse(text + "CONFIG_ENV_OFFSET_REDUND=0x20000\n"))
    assert config.redundant_environment
    assert config.redundant_environment_offset == 0x20000


def test_an_offset_without_redundancy_is_not_in_use() -> None:
    text = WHIMBREL.replace("CONFIG_ENV_REDUNDANT=y", "# CONFIG_ENV_REDUNDANT is not set")
    config = UBootConfig(uboot_config.parse(text))
    assert config.redundant_environment_offset is None
    copy = config.environment()
    assert copy is not None
    assert len(copy.entries) == 1


def test_the_medium_is_unknown_where_the_environment_may_be_in_two_places() -> None:
    text = WHIMBREL.replace("# CONFIG_ENV_IS_IN_MMC is not set", "CONFIG_ENV_IS_IN_MMC=y")
    copy = UBootConfig(uboot_config.parse(text)).environment()
    assert copy is not None
    assert copy.medium is Medium.UNKNOWN
    assert copy.device == "ENV_IS_IN_SPI_FLASH, ENV_IS_IN_MMC"


def test_nothing_is_told_of_an_empty_file() -> None:
    config = UBootConfig(uboot_config.parse(""))
    assert config.environment() is None
    assert config.environment_in == ()
    assert config.environment_offset is None
    assert config.spl_uboot_mmc_offset is None
    assert config.mtdparts is None


@pytest.mark.parametrize(
    ("line", "kind", "value"),
    [
        ("CONFIG_X=y", ValueKind.TRISTATE, "y"),
        ("CONFIG_X=m", ValueKind.TRISTATE, "m"),
        ("# CONFIG_X is not set", ValueKind.TRISTATE, "n"),
        ('CONFIG_X=""', ValueKind.STRING, ""),
        ('CONFIG_X="y"', ValueKind.STRING, "y"),
        (r'CONFIG_X="a\"b\\c"', ValueKind.STRING, r'a"b\c'),
        ("CONFIG_X=0xAb", ValueKind.HEX, "0xAb"),
        ("CONFIG_X=-12", ValueKind.INT, "-12"),
        ("CONFIG_X=1.5", ValueKind.OTHER, "1.5"),
        ('CONFIG_X="open', ValueKind.OTHER, '"open'),
        ("CONFIG_X=", ValueKind.OTHER, ""),
        ("CONFIG_X=y\r", ValueKind.TRISTATE, "y"),
    ],
)
def test_values(line: str, kind: ValueKind, value: str) -> None:
    (symbol,) = uboot_config.parse(line).symbols.values()
    assert (symbol.name, symbol.kind, symbol.value) == ("X", kind, value)


def test_accessors_ask_for_the_kind() -> None:
    config = uboot_config.parse('CONFIG_A=m\nCONFIG_B=10\nCONFIG_C="10"\n# CONFIG_D is not set\n')
    assert [config.enabled(name) for name in "ABCDE"] == [True, False, False, False, False]
    assert [config.number(name) for name in "ABCDE"] == [None, 10, None, None, None]
    assert [config.string(name) for name in "ABCDE"] == [None, None, "10", None, None]
    assert config.number("A", "E", "B") == 10
    assert config.string("A", "C") == "10"
    found = config.find("E", "D", "A")
    assert found is not None
    assert found.name == "D"


def test_the_last_of_a_repeated_symbol_counts() -> None:
    # scripts/kconfig/confdata.c warns "override: reassigning to symbol" and takes the last.
    config = uboot_config.parse("CONFIG_X=1\nCONFIG_X=2\n# CONFIG_X is not set\n")
    assert config.symbols["X"].value == "n"


def test_foreign_lines_are_passed_over() -> None:
    config = uboot_config.parse("CONFIG_X=1\n\nX=2\n # indented\n<<<<<<< HEAD\n")
    assert list(config.symbols) == ["X"]


@given(st.text(max_size=120) | st.text(alphabet='CONFIG_X=y"\\0x#\n', max_size=120))
def test_any_text_is_a_configuration(text: str) -> None:
    config = uboot_config.parse(text)
    for name in config.symbols:
        assert config.find(name) is config.symbols[name]
        config.number(name)
    UBootConfig(config).environment()


@given(st.dictionaries(st.from_regex(r"[A-Z][A-Z0-9_]{0,9}", fullmatch=True), st.text(max_size=12)))
def test_strings_are_read_back(values: dict[str, str]) -> None:
    def quoted(text: str) -> str:
        return text.replace("\\", "\\\\").replace('"', '\\"')

    kept = {k: v.replace("\n", "").replace("\r", "") for k, v in values.items()}
    text = "\n".join(f'CONFIG_{name}="{quoted(value)}"' for name, value in kept.items())
    config = uboot_config.parse(text)
    assert {name: config.string(name) for name in config.symbols} == kept
