"""NAND geometry: spare blocks for the bad ones, and what cannot live beside them."""

from __future__ import annotations

from imgaudit.contents.build import Placement
from imgaudit.model import Layout
from imgaudit.rules.cited import PRACTICE, in_linux
from imgaudit.rules.engine import Outcome, Rule, Severity, check
from imgaudit.rules.examples import nand
from imgaudit.rules.kinds import CHIPS, READ, Mapped, There, on, the_layout
from imgaudit.units import KIB, Span

# What is read through a block device, which knows nothing of bad blocks.
_BLOCK_DEVICES = frozenset({"squashfs", "erofs", "ext2", "ext3", "ext4", "f2fs", "fat"})
_OWN_SPARES = frozenset({"ubi", "blank"})
_NAND = CHIPS.only(lambda found: found.chip.kind.bad_blocks)
_ON_NAND = on(_NAND)
_WRITTEN = READ.only(lambda placement: placement.region.holds not in _OWN_SPARES)


def _spares_values(*, used: int, blocks: int, spare: int, wanted: int, short: int) -> None: ...


SPARES = Rule(
    name="region-has-no-spare-blocks",
    severity=Severity.WARNING,
    values=_spares_values,
    message=(
        "{artifact} takes {used:+erase block} of {region}, which has {blocks}: {spare} left for bad"
        " ones, and {wanted} of them may be bad"
    ),
    effect=(
        "On a chip with more bad blocks there, what is written runs past the region's end: the"
        " writer refuses, or it overwrites what follows."
    ),
    fix="Grow {region} by {short:bytes}, or make the artifact smaller.",
    moves=True,
    computed=(
        "whole erase blocks of the region less those of the artifact are fewer than bad-blocks of"
        " the region, at least one; without bad-blocks, 20 of 1024. UBI keeps spare blocks itself"
    ),
    sources=(
        in_linux("drivers/mtd/ubi/Kconfig", "MTD_UBI_BEB_LIMIT", "which gives 20 for most NANDs"),
    ),
    bad=nand(
        "name: firmware, at: 0, size: 512 KiB, file: firmware.bin",
        files={"firmware.bin": lambda: b"tide" * (120 * KIB)},
    ),
    good=nand(
        "name: firmware, at: 0, size: 512 KiB, file: firmware.bin",
        files={"firmware.bin": lambda: b"tide" * (96 * KIB)},
    ),
)


@check(SPARES, over=_WRITTEN, given=the_layout)
def spare_blocks(placement: Placement, layout: Layout) -> Outcome:
    region, size = placement.region, placement.size or 0
    chip = layout.chips[region.chip]
    if not chip.kind.bad_blocks:
        return
    erase = chip.erase_unit(region.at)
    blocks = region.size // erase
    used = chip.erased_by(Span.sized(region.at, region.file_at + size)).size // erase
    wanted = max(1, -(-chip.may_be_bad.of(region.size) // erase))
    spare = blocks - used
    # What does not fit at all is told as that: it takes more blocks than there are.
    if 0 <= spare < wanted:
        yield SPARES(
            used=used, blocks=blocks, spare=spare, wanted=wanted, short=(wanted - spare) * erase
        ).at(
            region=region,
            key="size",
            artifact=placement.path,
            offset=region.at,
            length=region.size,
        )


def _block_device_values(*, holds: str, kind: str) -> None: ...


BLOCK_DEVICE = Rule(
    name="filesystem-without-bad-block-handling",
    severity=Severity.WARNING,
    values=_block_device_values,
    message="{region} holds {holds} on {chip}, a {kind}, without UBI below it",
    effect=(
        "It is read through a block device that does not skip bad blocks: the first one shifts or"
        " breaks all that follows, on some units and not on others."
    ),
    fix="Put it into a UBI volume, or use UBIFS.",
    computed="the region holds a file system for block devices and its chip may have bad blocks",
    sources=(
        in_linux(
            "drivers/mtd/mtdblock_ro.c",
            "mtdblock_add_mtd",
            "MTD device '%s' is NAND, please consider using UBI block devices instead.",
        ),
        in_linux("drivers/mtd/mtdblock_ro.c", "mtdblock_readsect"),
    ),
    bad=nand("name: rootfs, at: 0, size: 512 KiB, holds: squashfs"),
    good=nand("name: rootfs, at: 0, size: 512 KiB, holds: ubi"),
)


@check(BLOCK_DEVICE, over=_ON_NAND)
def without_ubi(found: There) -> Outcome:
    region = found.region
    if region.holds in _BLOCK_DEVICES:
        yield BLOCK_DEVICE(holds=region.holds, kind=found.chip.kind.short).at(
            region=region, key="holds", offset=region.at, length=region.size
        )


def _page_values(*, erase: int, page: int) -> None: ...


PAGE = Rule(
    name="page-does-not-divide-erase-block",
    severity=Severity.ERROR,
    values=_page_values,
    message="an erase block of {erase:bytes} on {chip} is no whole number of {page:bytes} pages",
    effect="One of the two is wrong, and with it all that is computed from it.",
    fix="Take both from the datasheet of the part.",
    computed="erase block mod page is not 0",
    sources=(PRACTICE,),
    bad=nand(chip="size: 1 MiB, erase-block: 64 KiB, page: 1536"),
    good=nand(chip="size: 1 MiB, erase-block: 64 KiB, page: 2048"),
)


@check(PAGE, over=_NAND)
def page_divides(found: Mapped) -> Outcome:
    chip = found.chip
    for erase in sorted({run.size for run in chip.erase_map}):
        if erase % chip.page:
            yield PAGE(erase=erase, page=chip.page).at(chip=chip.name, where=chip.at_key("page"))
