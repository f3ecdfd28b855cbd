"""The EXT_CSD registers of an eMMC: 512 bytes, these as hex, or what `mmc extcsd read` prints.

Source: JEDEC JESD84-B51; byte offsets as in U-Boot include/mmc.h.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field
from typing import ClassVar

from imgaudit.data import dataclass
from imgaudit.errors import FormatError
from imgaudit.formats.facts import Facts, Match, Reader
from imgaudit.formats.view import View
from imgaudit.patterns import regex
from imgaudit.units import KIB, human

SIZE = 512
SECTOR = 512
BOOT_UNIT = 128 * KIB
ERASE_UNIT = 512 * KIB
REVISION_AT = 192
SECTOR_COUNT_AT = 212

# Register name -> first byte and width; wider ones are little-endian.
REGISTERS: Mapping[str, tuple[int, int]] = {
    "DATA_SECTOR_SIZE": (61, 1),
    "USE_NATIVE_SECTOR": (62, 1),
    "NATIVE_SECTOR_SIZE": (63, 1),
    "ENH_START_ADDR": (136, 4),
    "ENH_SIZE_MULT": (140, 3),
    "GP_SIZE_MULT_1": (143, 3),
    "GP_SIZE_MULT_2": (146, 3),
    "GP_SIZE_MULT_3": (149, 3),
    "GP_SIZE_MULT_4": (152, 3),
    "PARTITION_SETTING_COMPLETED": (155, 1),
    "PARTITIONS_ATTRIBUTE": (156, 1),
    "MAX_ENH_SIZE_MULT": (157, 3),
    "PARTITIONING_SUPPORT": (160, 1),
    "RST_n_FUNCTION": (162, 1),
    "WR_REL_PARAM": (166, 1),
    "WR_REL_SET": (167, 1),
    "RPMB_SIZE_MULT": (168, 1),
    "BOOT_WP": (173, 1),
    "ERASE_GROUP_DEF": (175, 1),
    "BOOT_BUS_CONDITIONS": (177, 1),
    "PARTITION_CONFIG": (179, 1),
    "EXT_CSD_REV": (REVISION_AT, 1),
    "SEC_COUNT": (SECTOR_COUNT_AT, 4),
    "HC_WP_GRP_SIZE": (221, 1),
    "HC_ERASE_GRP_SIZE": (224, 1),
    "BOOT_SIZE_MULT": (226, 1),
}
# The printing tool's spelling where it is not the standard's.
_SPELLINGS = {
    "BOOT_SIZE_MULTI": "BOOT_SIZE_MULT",
    "RST_N_FUNCTION": "RST_n_FUNCTION",
    "BOOT_CONFIG": "PARTITION_CONFIG",
}
_VERSIONS = {
    0: "4.0",
    1: "4.1",
    2: "4.2",
    3: "4.3",
    5: "4.41",
    6: "4.5",
    7: "5.0",
    8: "5.1",
    9: "5.1B",
}
_BOOT_PARTITIONS = {0: "none", 1: "boot0", 2: "boot1", 7: "user"}
_REVISIONS = range(1, 10)
# A full print of the registers is below 20 KiB, as hex with spaces below 4 KiB.
_MAX_TEXT = 64 * KIB
_HEX = regex(rb"[0-9A-Fa-f\s]+")
# Both `[NAME: 0x08]` and `[NAME]: 0x08` are printed.
_PRINTED = regex(r"\[(?P<name>\w{1,64})\]?: ?0x(?P<value>[0-9A-Fa-f]{1,8})\b")
_PRINTED_MARK = b"[SEC_COUNT"
_PRINTED_REVISION = regex(r"Extended CSD rev 1\.(?P<revision>\d{1,2})\b")


@dataclass(frozen=True, slots=True, kw_only=True)
class PartitionConfig:
    """PARTITION_CONFIG [179] by its fields."""

    value: int

    @property
    def enabled(self) -> int:
        """BOOT_PARTITION_ENABLE, bits 5 to 3."""
        return self.value >> 3 & 7

    @property
    def boots_from(self) -> str:
        """The area that the boot ROM is given: none, boot0, boot1, user or reserved."""
        return _BOOT_PARTITIONS.get(self.enabled, "reserved")


@dataclass(frozen=True, kw_only=True)
class ExtCsdFacts(Facts):
    """The registers that tell an eMMC's geometry and boot configuration.

    `registers` has every register of `REGISTERS` that the content gives, under the standard's name;
    `printed` has whatever else the text form names. `form` is binary, hex or text; `reversed` tells
    that the hex came highest byte first. Sizes in bytes are None where a register is missing.
    """

    format: ClassVar[str] = "ext-csd"

    form: str
    reversed: bool
    registers: Mapping[str, int]
    printed: Mapping[str, int] = field(default_factory=dict)

    @property
    def revision(self) -> int:
        """EXT_CSD_REV."""
        return self.registers["EXT_CSD_REV"]

    @property
    def version(self) -> str:
        """The standard that the revision stands for, such as 5.1."""
        return _VERSIONS.get(self.revision, f"revision {self.revision}")

    @property
    def sectors(self) -> int:
        """SEC_COUNT: 512-byte sectors of the user area."""
        return self.registers["SEC_COUNT"]

    @property
    def size(self) -> int:
        """Bytes of the user area."""
        return self.sectors * SECTOR

    @property
    def boot_area(self) -> int | None:
        """Bytes of boot0, and of boot1."""
        return self._times("BOOT_SIZE_MULT", BOOT_UNIT)

    @property
    def erase_group(self) -> int | None:
        """Bytes of a high-capacity erase group; in use only where ERASE_GROUP_DEF is set."""
        return self._times("HC_ERASE_GRP_SIZE", ERASE_UNIT)

    @property
    def write_protect_group(self) -> int | None:
        """Bytes of a high-capacity write-protect group."""
        return self._times("HC_WP_GRP_SIZE", self.erase_group)

    @property
    def partition_config(self) -> PartitionConfig | None:
        """PARTITION_CONFIG."""
        value = self.registers.get("PARTITION_CONFIG")
        return None if value is None else PartitionConfig(value=value)

    @property
    def reset_function(self) -> int | None:
        """RST_n_FUNCTION: 0 temporarily disabled, 1 enabled, 2 disabled for ever."""
        value = self.registers.get("RST_n_FUNCTION")
        return None if value is None else value & 3

    def _times(self, register: str, unit: int | None) -> int | None:
        value = self.registers.get(register)
        return None if value is None or unit is None else value * unit

    def summary(self) -> str:
        """Say standard and size."""
        return f"eMMC {self.version}, {self.sectors:,} sectors, {human(self.size)}"


def match(view: View) -> Match:
    """Recognise by size and plausible registers, or by what the printing tool writes."""
    if view.size > _MAX_TEXT:
        return Match.NO
    data = view.upto(0, _MAX_TEXT)
    if _PRINTED_MARK in data:
        return Match.GOOD
    registers = data if len(data) == SIZE else _from_hex(data)
    if registers is None or not any(map(_plausible, (registers, registers[::-1]))):
        return Match.NO
    # Nothing in the registers is a signature.
    return Match.WEAK if len(data) == SIZE else Match.GOOD


def read(view: View) -> ExtCsdFacts:
    """Read any of the three forms.

    Raises:
        FormatError: none of the forms, or neither byte order has a revision from 1 to 9 and a
            sector count.

    """
    if view.size > _MAX_TEXT:
        raise FormatError(0, f"{view.size:,} bytes are more than any form of 512 registers takes")
    data = view.bytes(0, view.size)
    if _PRINTED_MARK in data:
        return _text(data)
    if len(data) == SIZE:
        return _registers(data, "binary")
    registers = _from_hex(data)
    if registers is None:
        raise FormatError(0, "neither 512 registers, nor these as hex, nor their print")
    return _registers(registers, "hex")


def _from_hex(data: bytes) -> bytes | None:
    if _HEX.fullmatch(data) is None:
        return None
    digits = b"".join(data.split())
    return bytes.fromhex(digits.decode("ascii")) if len(digits) == 2 * SIZE else None


def _plausible(registers: bytes) -> bool:
    return registers[REVISION_AT] in _REVISIONS and any(
        registers[SECTOR_COUNT_AT : SECTOR_COUNT_AT + 4]
    )


def _registers(data: bytes, form: str) -> ExtCsdFacts:
    forward, backward = _plausible(data), _plausible(data[::-1])
    if not forward and not backward:
        raise FormatError(
            REVISION_AT, "no revision from 1 to 9 with a sector count, in either byte order"
        )
    doubts = ("both byte orders give plausible registers; read lowest byte first",)
    ordered = data if forward else data[::-1]
    return ExtCsdFacts(
        form=form,
        reversed=not forward,
        registers={
            name: int.from_bytes(ordered[start : start + width], "little")
            for name, (start, width) in REGISTERS.items()
        },
        length=SIZE if form == "binary" else None,
        offsets={
            name: start if forward else SIZE - start - width
            for name, (start, width) in REGISTERS.items()
        }
        if form == "binary"
        else {},
        doubts=doubts if forward and backward else (),
    )


def _text(data: bytes) -> ExtCsdFacts:
    text = data.decode("latin-1")
    registers: dict[str, int] = {}
    printed: dict[str, int] = {}
    offsets: dict[str, int] = {}
    for found in _PRINTED.finditer(text):
        name = _SPELLINGS.get(found["name"], found["name"])
        kept = registers if name in REGISTERS else printed
        kept.setdefault(name, int(found["value"], 16))
        offsets.setdefault(name, found.start())
    revision = _PRINTED_REVISION.search(text)
    if revision is not None:
        registers.setdefault("EXT_CSD_REV", int(revision["revision"]))
        offsets.setdefault("EXT_CSD_REV", revision.start())
    for name, needed in (("EXT_CSD_REV", "revision"), ("SEC_COUNT", "sector count")):
        if name not in registers:
            raise FormatError(0, f"the printed registers have no {needed}")
    return ExtCsdFacts(
        form="text", reversed=False, registers=registers, printed=printed, offsets=offsets
    )


READER = Reader(
    name="ext-csd",
    title="eMMC registers (EXT_CSD)",
    source="JEDEC JESD84-B51; U-Boot include/mmc.h",
    match=match,
    read=read,
)
