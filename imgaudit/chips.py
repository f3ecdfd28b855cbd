"""The kinds of flash chip: a class each, and whatever depends on what a chip is.

Nothing else compares kinds: it asks the kind. A new kind is one class here and its word in KINDS.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import ClassVar, Protocol

SECTOR = 512
CAUTION = (
    "Before anything is written to a board: keep a backup of the chip and a serial or ROM way in,"
    " and check the vendor's datasheet."
)
"""Goes with whatever may lead someone to write to a chip."""


class AreaSizes(Protocol):
    """What a chip says of the areas beside its main one."""

    @property
    def boot_area(self) -> int | None:
        """Size of each boot area."""

    @property
    def rpmb(self) -> int | None:
        """Size of the replay-protected area."""

    @property
    def general_areas(self) -> tuple[int, ...]:
        """Sizes of the general purpose areas, the first first."""


class ChipKind:
    """What a chip is; the attributes say what follows from it.

    `word` is what the layout calls it, `title` what a heading does, `short` what a sentence does,
    `medium` what the copies of the map do. `keys` are those that only some kinds have. `device` is
    U-Boot's name of it. `told_by` says where its own numbers are to be had.
    """

    word: ClassVar[str]
    title: ClassVar[str]
    short: ClassVar[str]
    medium: ClassVar[str]
    device: ClassVar[str]
    told_by: ClassVar[str]
    keys: ClassVar[frozenset[str]] = frozenset()
    # Linux sees raw flash (an MTD): software erases whole blocks and reads partitions from a list.
    mtd: ClassVar[bool] = False
    # Reached by commands with address bytes, three of which end at 16 MiB.
    serial: ClassVar[bool] = False
    # Blocks may be bad from the factory on, and more go bad: regions need spare ones.
    bad_blocks: ClassVar[bool] = False
    # Small enough to be held in memory and compared byte by byte.
    in_memory: ClassVar[bool] = False
    # Read and written by sectors of 512 bytes, and partitioned by a table of its own.
    sectors: ClassVar[bool] = False
    # What can divide it, the usual one first.
    tables: ClassVar[tuple[str, ...]] = ("fixed",)
    page: ClassVar[int] = 1

    def areas(self, chip: AreaSizes) -> Iterator[tuple[str, int | None]]:
        """Give the areas beside the main one: their names and sizes (None: not known)."""
        del chip
        yield from ()

    def area_help(self) -> str:
        """Say what areas such a chip can have, for a layout that names another."""
        return f"a {self.short} has no areas beside its main one"

    def __repr__(self) -> str:
        return self.word


class _Flash(ChipKind):
    """Raw flash: erase blocks are the software's business."""

    mtd = True
    keys = frozenset({"erase-block", "erase-map", "page"})
    tables = ("fixed", "ubi")


class SpiNor(_Flash):
    """A serial NOR flash: the boot ROM can read it, without bad blocks."""

    word, title, short, medium, device = "spi-nor", "SPI-NOR flash", "SPI-NOR", "SPI-NOR", "nor"
    told_by = "U-Boot's `sf probe` and the datasheet of each approved part"
    serial = True
    in_memory = True
    page = 256
    keys = _Flash.keys | {
        "address-bytes",
        "four-byte-mode",
        "reset-pin",
        "block-protect",
        "sfdp",
    }


class ParallelNor(_Flash):
    """A NOR flash on a memory bus (CFI): read like memory, erased by blocks."""

    word, title = "parallel-nor", "parallel NOR flash"
    short = medium = "parallel NOR"
    device = "flash"
    told_by = "U-Boot's `flinfo` and the datasheet of each approved part"
    in_memory = True


class _Nand(_Flash):
    """NAND flash: pages with spare bytes, blocks that may be bad."""

    bad_blocks = True
    in_memory = True
    device = "nand"
    page = 2048
    keys = _Flash.keys | {"spare", "bad-blocks"}


class SpiNand(_Nand):
    """A serial NAND flash, with its own error correction as a rule."""

    word, title, short, medium = "spi-nand", "SPI-NAND flash", "SPI-NAND", "NAND"
    told_by = "U-Boot's `mtd list` or `mtdinfo`, and the datasheet of each approved part"


class RawNand(_Nand):
    """A NAND flash on a parallel bus, behind a controller of the SoC."""

    word, title, short, medium = "nand", "NAND flash", "NAND", "NAND"
    told_by = "U-Boot's `nand info` or `mtdinfo`, and the datasheet of each approved part"


class SdCard(ChipKind):
    """A removable card: sectors, and a partition table."""

    word, title, short, medium, device = "sd", "SD card", "SD card", "MMC", "mmc"
    told_by = "/sys/block/mmcblk0/size with each approved card"
    sectors = True
    tables = ("gpt", "mbr", "fixed", "lvm")
    keys = frozenset({"sectors", "align"})


class Emmc(SdCard):
    """An eMMC: a user area, two boot areas, a replay-protected one and up to four general ones."""

    word, title, short = "emmc", "eMMC", "eMMC"
    told_by = "SEC_COUNT of each approved part, which `mmc extcsd read` prints"
    keys = SdCard.keys | {
        "boot-area",
        "rpmb",
        "general-areas",
        "erase-group",
        "write-protect-group",
        "ext-csd",
    }

    def areas(self, chip: AreaSizes) -> Iterator[tuple[str, int | None]]:
        """Give boot0, boot1, rpmb and gp1 to gp4, as U-Boot's mmc hwpartition counts them."""
        for number in (0, 1):
            yield f"boot{number}", chip.boot_area
        if chip.rpmb is not None:
            yield "rpmb", chip.rpmb
        for number, size in enumerate(chip.general_areas, 1):
            yield f"gp{number}", size

    def area_help(self) -> str:
        """Say what areas it can have, and which keys give them."""
        return (
            "an eMMC has boot0 and boot1 (boot-area:), rpmb (rpmb:) and gp1 to gp4 (general-areas:)"
        )


SPI_NOR = SpiNor()
PARALLEL_NOR = ParallelNor()
SPI_NAND = SpiNand()
RAW_NAND = RawNand()
EMMC = Emmc()
SD_CARD = SdCard()
KINDS = {kind.word: kind for kind in (SPI_NOR, PARALLEL_NOR, SPI_NAND, RAW_NAND, EMMC, SD_CARD)}
