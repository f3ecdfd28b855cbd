"""The erase block that Linux and U-Boot work with, against the one that the map is made for."""

from __future__ import annotations

from collections.abc import Iterator

from imgaudit.data import dataclass
from imgaudit.formats.jffs2 import Jffs2
from imgaudit.formats.sfdp import SfdpFacts
from imgaudit.formats.ubi import Ubi
from imgaudit.model import Chip, Region, Writer
from imgaudit.rules import samples as sample
from imgaudit.rules._rescue import archive, listed
from imgaudit.rules.chip_data import dies, dumps, sfdp_dump
from imgaudit.rules.cited import in_linux, in_u_boot
from imgaudit.rules.engine import Example, Kind, NotChecked, Outcome, Rule, Severity, check
from imgaudit.rules.examples import nor
from imgaudit.rules.filesystems import erased_jffs2
from imgaudit.rules.kinds import whole
from imgaudit.rules.subject import Subject
from imgaudit.units import KIB
from imgaudit.writers import kernel
from imgaudit.writers.fdt import Tree

_SMALL, _USUAL = 4 * KIB, 64 * KIB


@dataclass(frozen=True, slots=True)
class Erasing:
    """A program that erases a chip: `who` it is, `told` by what, and the block it takes.

    `block` is None where no SFDP dump says which sizes the chip can erase.
    """

    chip: Chip
    who: str
    told: str
    block: int | None
    linux: bool


def _erasing(subject: Subject) -> Iterator[Erasing]:
    """Give what U-Boot and each Linux take for an erase block, chip by chip.

    Both prefer 4 KiB where they are built so, else 64 KiB, else the largest that the chip has.
    """
    layout = subject.layout
    if layout is None or not subject.given:
        return
    known = {dump.chip.name: dump.facts for dump in dumps(subject, SfdpFacts)}
    many = dies(subject)
    for chip in layout.chips.values():
        if not (chip.kind.mtd and chip.kind.serial and chip.kind.word == "spi-nor"):
            continue
        facts = known.get(chip.name)
        if len({run.size for run in chip.erase_map}) != 1 or (facts and facts.sector_maps):
            continue
        sizes = tuple(size * many for size in facts.erase_sizes) if facts is not None else ()
        for who, told, small, linux in _builds(subject):
            yield Erasing(chip, who, told, _taken(sizes, many, small=small), linux)


def _taken(sizes: tuple[int, ...], many: int, *, small: bool) -> int | None:
    wanted = (_SMALL if small else _USUAL) * many
    return wanted if wanted in sizes else max(sizes, default=None)


def _builds(subject: Subject) -> Iterator[tuple[str, str, bool, bool]]:
    """Give who erases, what tells so, whether it prefers 4 KiB, and whether it is a Linux."""
    told = set()
    for started in subject.started.values():
        config = started.config or {}
        small = config.get("CONFIG_MTD_SPI_NOR_USE_4K_SECTORS") == "y"
        if config.get("CONFIG_MTD_SPI_NOR") in {"y", "m"} and small not in told:
            told.add(small)
            option = f"CONFIG_MTD_SPI_NOR_USE_4K_SECTORS{'=y' if small else ' is not set'}"
            yield f"Linux of {started.name}", option, small, True
    config_of = subject.copies.uboot_config if subject.copies is not None else None
    symbol = config_of.says.config.find("SPI_FLASH_USE_4K_SECTORS") if config_of else None
    if config_of is not None and symbol is not None:
        yield "U-Boot", f"{config_of.place.of(symbol.at)}", symbol.value == "y", False


ERASING = Kind(_erasing, lambda one: f"{one.who}'s erase block on {one.chip.name}")


def _config(*options: str) -> dict[str, str]:
    return dict.fromkeys(("MTD", "MTD_SPI_NOR", "BLK_DEV_INITRD", *options), "y")


def _board(*regions: str, options: tuple[str, ...] = (), chip: str = "64 KiB") -> Example:
    """Give a recovery whose kernel is built with these options, on a chip of 4, 32 and 64 KiB."""

    def rescue() -> bytes:
        fit: Tree = {
            "kernel": sample.kernel(payload=kernel.image(_config(*options))),
            "fdt": sample.image({"type": "flat_dt"}, payload=sample.board_tree()),
            "ramdisk": sample.image(payload=archive()),
        }
        chosen: Tree = {"conf": {"kernel": "kernel", "fdt": "fdt", "ramdisk": "ramdisk"}}
        return sample.fit(fit, configurations=chosen)

    stage = "{regions: [recovery], ramdisk: recovery, needs: {relax: [flash]}}"
    return nor(
        "name: recovery, at: 0, size: 8 MiB, holds: fit, file: rescue.itb",
        *regions,
        chip=f"size: 16 MiB, erase-block: {chip}, sfdp: nor.sfdp",
        rest=f"stages: {{recovery: {stage}}}\n",
        files={
            "nor.sfdp": lambda: sfdp_dump(16 << 20),
            "rescue.itb": rescue,
            "settings.jffs2": lambda: erased_jffs2(_USUAL),
        },
    )


def _larger_values(who: str, *, told: str, theirs: int, ours: int, regions: str) -> None: ...


LARGER = Rule(
    name="erase-block-larger-in-use",
    values=_larger_values,
    severity=Severity.ERROR,
    message="{who} erases {chip} in blocks of {theirs:bytes} ({told}), the layout counts with"
    " {ours:bytes}: {regions} start or end inside such a block",
    effect="Linux forces their MTD partitions read-only, U-Boot refuses to erase them: what should"
    " be written there is not.",
    fix="Build {who} with 4 KiB erase sectors, or place the regions on blocks of {theirs:bytes}.",
    computed="4 KiB where the option for small sectors is set and SFDP has that size, else 64 KiB,"
    " else the largest size of SFDP; above the layout's erase block, and a region that is written"
    " after the factory is no whole number of such blocks",
    sources=(
        in_linux(
            "drivers/mtd/spi-nor/core.c",
            "spi_nor_select_erase",
            'prefer "small sector" erase if possible',
        ),
        in_linux(
            "drivers/mtd/mtdpart.c",
            says="doesn't start on an erase/write block boundary -- force read-only",
        ),
        in_u_boot(
            "drivers/mtd/spi/spi-nor-core.c",
            "CONFIG_SPI_FLASH_USE_4K_SECTORS",
            'prefer "small sector" erase if possible',
        ),
    ),
    bad=_board("name: settings, at: 0x801000, size: 0x5000, writer: runtime", chip="4 KiB"),
    good=_board(
        "name: settings, at: 0x801000, size: 0x5000, writer: runtime",
        options=("MTD_SPI_NOR_USE_4K_SECTORS",),
        chip="4 KiB",
    ),
)


@check(LARGER, over=ERASING, given=whole)
def erase_block_larger(one: Erasing, subject: Subject) -> Outcome:
    block, layout = one.block, subject.layout
    if block is None or layout is None or block <= one.chip.largest_erase:
        return
    broken = [
        region
        for region in layout.regions_on(one.chip.name)
        if region.writer is not Writer.FACTORY and (region.at % block or region.span.end % block)
    ]
    if broken:
        names = listed(region.name for region in broken)
        case = LARGER(
            who=one.who, told=one.told, theirs=block, ours=one.chip.largest_erase, regions=names
        )
        yield case.at(region=broken[0], chip=one.chip.name, where=one.chip.where)


def _smaller_values(who: str, *, told: str, theirs: int, made: int, holds: str) -> None: ...


SMALLER = Rule(
    name="flash-file-system-for-larger-blocks",
    follows=("jffs2-erase-size-mismatch", "ubi-block-size-mismatch"),
    values=_smaller_values,
    severity=Severity.ERROR,
    message="{region} holds {holds} made for erase blocks of {made:bytes}, and {who} erases {chip}"
    " in blocks of {theirs:bytes} ({told})",
    effect="JFFS2 drops the nodes that run over the end of a block, and UBI finds its headers where"
    " it does not look: files are lost, or it is not attached.",
    fix="Make it for {theirs:bytes}, or build the kernel with the erase size that it was made for.",
    computed="Linux takes 4 KiB where its option for small sectors is set and SFDP has that size,"
    " and the file system's clean markers or headers are further apart",
    sources=(
        in_linux("drivers/mtd/spi-nor/core.c", "spi_nor_select_erase"),
        in_linux("drivers/mtd/spi-nor/Kconfig", "MTD_SPI_NOR_USE_4K_SECTORS"),
        in_linux("fs/jffs2/scan.c", "jffs2_scan_eraseblock"),
    ),
    bad=_board(
        "name: settings, at: 8 MiB, size: 512 KiB, holds: jffs2, file: settings.jffs2",
        options=("MTD_SPI_NOR_USE_4K_SECTORS",),
    ),
    good=_board("name: settings, at: 8 MiB, size: 512 KiB, holds: jffs2, file: settings.jffs2"),
)


@check(SMALLER, over=ERASING, given=whole)
def erase_block_smaller(one: Erasing, subject: Subject) -> Outcome:
    if not one.linux:
        return
    for region, made, path in _made(subject, one.chip):
        if one.block is None:
            why = f"no SFDP dump says whether {one.chip.name} can erase {_SMALL:,} bytes"
            if "=y" in one.told:
                yield NotChecked(SMALLER.name, region.name, why)
        elif one.block < made:
            case = SMALLER(
                who=one.who, told=one.told, theirs=one.block, made=made, holds=region.holds
            )
            yield case.at(region=region, artifact=path, key="holds")


def _made(subject: Subject, chip: Chip) -> Iterator[tuple[Region, int, str]]:
    """Give the file systems of raw flash with the erase block that they were made for."""
    for placement in subject.placements:
        facts = placement.payload.facts if placement.payload is not None else None
        made = None
        if isinstance(facts, Jffs2):
            made = facts.erase_size
        elif isinstance(facts, Ubi):
            made = facts.peb_size
        if made is not None and placement.region.chip == chip.name and placement.path:
            yield placement.region, made, placement.path
