"""A build's `.config`: any Kconfig file, and what U-Boot's says of places in flash.

Source: Linux and U-Boot scripts/kconfig/confdata.c for the syntax; U-Boot env/Kconfig,
common/spl/Kconfig, boot/Kconfig and cmd/Kconfig for the options.
"""

from __future__ import annotations

import enum
import re
from collections.abc import Iterator, Mapping

from imgaudit.data import dataclass
from imgaudit.maps.entry import Kind, MapCopy, MapEntry, Medium, Written
from imgaudit.patterns import regex

_SET = regex(r"(?P<name>CONFIG_\w{1,200})=(?P<value>.*)", re.ASCII)
_NOT_SET = regex(r"# (?P<name>CONFIG_\w{1,200}) is not set", re.ASCII)
_STRING = regex(r'"(?P<inside>(?:[^"\\]|\\.)*)"')
_HEX = regex(r"0[xX][0-9a-fA-F]{1,64}", re.ASCII)
_INT = regex(r"-?\d{1,40}", re.ASCII)
_BLOCK = 512
# Where U-Boot can keep its environment, and on what that is.
_PLACES = {
    "ENV_IS_IN_SPI_FLASH": Medium.SPI_NOR,
    "ENV_IS_IN_FLASH": Medium.PARALLEL_NOR,
    "ENV_IS_IN_MMC": Medium.MMC,
    "ENV_IS_IN_NAND": Medium.NAND,
    "ENV_IS_IN_UBI": Medium.UBI,
    "ENV_IS_IN_FAT": Medium.FILE,
    "ENV_IS_IN_EXT4": Medium.FILE,
    "ENV_IS_IN_MTD": Medium.UNKNOWN,
    "ENV_IS_IN_EEPROM": Medium.UNKNOWN,
    "ENV_IS_NOWHERE": Medium.UNKNOWN,
}


class ValueKind(enum.Enum):
    """How a symbol's value is written."""

    TRISTATE = "y, m or not set"
    STRING = "string"
    HEX = "hex"
    INT = "int"
    OTHER = "other"


@dataclass(frozen=True, slots=True, kw_only=True)
class Symbol:
    """One symbol; `name` is without `CONFIG_`, `value` without quotes, "n" where it is not set."""

    name: str
    kind: ValueKind
    value: str
    at: Written


@dataclass(frozen=True, slots=True, kw_only=True)
class Kconfig:
    """Every symbol of the file by its name without `CONFIG_`; the last line of a symbol counts."""

    symbols: Mapping[str, Symbol]

    def find(self, *names: str) -> Symbol | None:
        """Give the first of the names that is in the file; names changed over the years."""
        return next((self.symbols[name] for name in names if name in self.symbols), None)

    def enabled(self, *names: str) -> bool:
        """Whether one of the names is built in (`y`) or a module (`m`)."""
        return any(
            symbol.kind is ValueKind.TRISTATE and symbol.value != "n"
            for name in names
            if (symbol := self.symbols.get(name))
        )

    def number(self, *names: str) -> int | None:
        """Give the first of the names that has a hex or an int, as a number."""
        for name in names:
            symbol = self.symbols.get(name)
            if symbol is not None and symbol.kind in {ValueKind.HEX, ValueKind.INT}:
                return int(symbol.value, 16 if symbol.kind is ValueKind.HEX else 10)
        return None

    def string(self, *names: str) -> str | None:
        """Give the first of the names that has a string."""
        for name in names:
            symbol = self.symbols.get(name)
            if symbol is not None and symbol.kind is ValueKind.STRING:
                return symbol.value
        return None


@dataclass(frozen=True, slots=True)
class UBootConfig:
    """What U-Boot's configuration says of flash and of booting; None where it says nothing.

    Offsets and sizes are bytes. A property that the file gives under an old name is found too.
    """

    config: Kconfig

    @property
    def environment_in(self) -> tuple[str, ...]:
        """The `ENV_IS_...` choices that are on."""
        return tuple(name for name in _PLACES if self.config.enabled(name))

    @property
    def environment_offset(self) -> int | None:
        """ENV_OFFSET."""
        return self.config.number("ENV_OFFSET")

    @property
    def redundant_environment_offset(self) -> int | None:
        """ENV_OFFSET_REDUND, where redundancy is on."""
        return self.config.number("ENV_OFFSET_REDUND") if self.redundant_environment else None

    @property
    def environment_size(self) -> int | None:
        """ENV_SIZE."""
        return self.config.number("ENV_SIZE")

    @property
    def environment_sector_size(self) -> int | None:
        """ENV_SECT_SIZE."""
        return self.config.number("ENV_SECT_SIZE")

    @property
    def redundant_environment(self) -> bool:
        """ENV_REDUNDANT, before 2025 SYS_REDUNDAND_ENVIRONMENT."""
        return self.config.enabled("ENV_REDUNDANT", "SYS_REDUNDAND_ENVIRONMENT")

    @property
    def mtdparts(self) -> str | None:
        """MTDPARTS_DEFAULT."""
        return self.config.string("MTDPARTS_DEFAULT")

    @property
    def mtdids(self) -> str | None:
        """MTDIDS_DEFAULT."""
        return self.config.string("MTDIDS_DEFAULT")

    @property
    def spl_uboot_offset(self) -> int | None:
        """SYS_SPI_U_BOOT_OFFS: where SPL finds U-Boot in SPI flash."""
        return self.config.number("SYS_SPI_U_BOOT_OFFS")

    @property
    def spl_uboot_mmc_offset(self) -> int | None:
        """SPL_SYS_MMCSD_RAW_MODE_U_BOOT_SECTOR (or without SPL_), in bytes."""
        sector = self.config.number(
            "SPL_SYS_MMCSD_RAW_MODE_U_BOOT_SECTOR", "SYS_MMCSD_RAW_MODE_U_BOOT_SECTOR"
        )
        return None if sector is None else sector * _BLOCK

    @property
    def boot_command(self) -> str | None:
        """BOOTCOMMAND."""
        return self.config.string("BOOTCOMMAND")

    @property
    def boot_arguments(self) -> str | None:
        """BOOTARGS."""
        return self.config.string("BOOTARGS")

    def environment(self) -> MapCopy | None:
        """Give the environment's one or two places; None without ENV_OFFSET."""
        entries = tuple(self._environment())
        media = {_PLACES[place] for place in self.environment_in if place != "ENV_IS_NOWHERE"}
        if not entries:
            return None
        return MapCopy(
            kind=Kind.UBOOT_CONFIG,
            device=", ".join(self.environment_in),
            medium=media.pop() if len(media) == 1 else Medium.UNKNOWN,
            entries=entries,
        )

    def _environment(self) -> Iterator[MapEntry]:
        for label, name, offset in (
            ("environment", "ENV_OFFSET", self.environment_offset),
            ("redundant environment", "ENV_OFFSET_REDUND", self.redundant_environment_offset),
        ):
            symbol = self.config.find(name)
            if symbol is not None and offset is not None:
                yield MapEntry(label=label, offset=offset, size=self.environment_size, at=symbol.at)


def parse(text: str) -> Kconfig:
    """Read a Kconfig file of any project; a line that is none of its kind is passed over."""
    symbols: dict[str, Symbol] = {}
    start = 0
    for number, line in enumerate(text.split("\n"), 1):
        at = Written(text=line.rstrip("\r"), line=number, offset=start)
        start += len(line) + 1
        symbol = _symbol(at)
        if symbol is not None:
            symbols[symbol.name] = symbol
    return Kconfig(symbols=symbols)


def _symbol(at: Written) -> Symbol | None:
    unset = _NOT_SET.fullmatch(at.text)
    if unset is not None:
        name = unset["name"].removeprefix("CONFIG_")
        return Symbol(name=name, kind=ValueKind.TRISTATE, value="n", at=at)
    given = _SET.fullmatch(at.text)
    if given is None:
        return None
    kind, value = _value(given["value"])
    return Symbol(name=given["name"].removeprefix("CONFIG_"), kind=kind, value=value, at=at)


def _value(text: str) -> tuple[ValueKind, str]:
    if text in {"y", "m", "n"}:
        return ValueKind.TRISTATE, text
    string = _STRING.fullmatch(text)
    if string is not None:
        return ValueKind.STRING, re.sub(r"\\(.)", r"\1", string["inside"])
    if _HEX.fullmatch(text):
        return ValueKind.HEX, text
    if _INT.fullmatch(text):
        return ValueKind.INT, text
    return ValueKind.OTHER, text
