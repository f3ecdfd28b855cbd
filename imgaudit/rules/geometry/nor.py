"""Geometry of raw flash: erase blocks and the environment; of a SPI-NOR, its address window."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import pairwise
from typing import TYPE_CHECKING

from imgaudit.model import FIRST_STAGES, BlockProtect, Chip, Region, Writer
from imgaudit.rules.cited import PRACTICE, in_linux, in_u_boot, standard
from imgaudit.rules.engine import NotChecked, Outcome, Rule, Severity, check, nothing
from imgaudit.rules.examples import nor
from imgaudit.rules.kinds import FLASH, IMAGES, ON_FLASH, REGIONS, Mapped, There, whole
from imgaudit.units import KIB, MIB, Span, human, place

if TYPE_CHECKING:
    from imgaudit.contents.comparison import ChipImage
    from imgaudit.rules.subject import Subject

_WINDOW = 16 * MIB
_PROTECT_SECTOR = 64 * KIB
_SMALLEST_BLOCK = 4 * KIB


def _protected(found: Mapped) -> Iterator[tuple[Mapped, BlockProtect, Span]]:
    """Give what a chip is set to protect, and where that is."""
    chip, protect = found.chip, found.chip.block_protect
    if protect is not None:
        covers = min(protect.covers, chip.size)
        yield (
            found,
            protect,
            Span.sized(0 if protect.end == "bottom" else chip.size - covers, covers),
        )


_ENVIRONMENTS = ON_FLASH.only(lambda found: found.region.env is not None)
_PROTECTED = FLASH.each(_protected)


def _env_end(region: Region) -> int:
    return region.at + (region.env.size if region.env is not None else 0)


def _others_in(found: There, span: Span) -> Iterator[Region]:
    """Give the other regions that have a byte of a span."""
    # No calls for each of all regions: there may be as many environments.
    start, end = span.start, span.end
    return (
        it
        for it in found.beside
        if it.at < end and start < it.at + it.size and it is not found.region
    )


def _whole_map_values(
    *, erase: int, count: int, regions: str, names: list[str], advice: str
) -> None: ...


WHOLE_MAP = Rule(
    name="erase-block-does-not-fit-map",
    severity=Severity.ERROR,
    values=_whole_map_values,
    message=(
        "{count} regions of {chip} start or end inside its {erase:sized} erase blocks: {regions}"
    ),
    effect=(
        "U-Boot refuses to erase them, and to update what starts inside a block; Linux forces their"
        " MTD partitions read-only; and what shares a block is rewritten with its neighbour."
    ),
    fix="{advice}.",
    computed=(
        "three or more regions of one chip have a start or an end that is no multiple of the erase"
        " block: then the block's size or the whole map is wrong, not each region"
    ),
    sources=(
        in_linux(
            "drivers/mtd/mtdpart.c",
            says="doesn't start on an erase/write block boundary -- force read-only",
        ),
        in_u_boot(
            "doc/usage/cmd/sf.rst",
            "Erase",
            "It may also fail if the start offset or length are not aligned to an "
            "erase region (e.g. 256 bytes).",
        ),
    ),
    bad=nor(
        *(f"name: part-{n}, at: {n * 64} KiB, size: 64 KiB" for n in range(4)),
        chip="size: 1 MiB, erase-block: 256 KiB",
    ),
    good=nor(
        *(f"name: part-{n}, at: {n * 64} KiB, size: 64 KiB" for n in range(4)),
        chip="size: 1 MiB, erase-block: 64 KiB",
    ),
)
_MANY = 3
_SHOWN = 12


@check(WHOLE_MAP, over=FLASH)
def whole_map(found: Mapped) -> Outcome:
    chip = found.chip
    broken = [
        region
        for region in found.regions
        if chip.erase_start(region.at) != region.at
        or chip.erase_start(region.span.end) != region.span.end <= chip.size
    ]
    if len(broken) >= _MANY:
        yield WHOLE_MAP(
            erase=chip.largest_erase,
            count=len(broken),
            regions=_listed([region.name for region in broken]),
            names=[region.name for region in broken],
            advice=_whole_advice(chip, found.regions),
        ).at(chip=chip.name, where=chip.where)


def _listed(names: list[str]) -> str:
    more = len(names) - _SHOWN
    return ", ".join(names[:_SHOWN]) + (f" and {more} more" if more > 0 else "")


def _whole_advice(chip: Chip, regions: list[Region]) -> str:
    """Name the block with which every region is whole, and a map that works with this one."""
    block = math.gcd(*(edge for region in regions for edge in (region.at, region.size)))
    said = []
    if block >= _SMALLEST_BLOCK and block & -block == block:
        said.append(
            f"With erase blocks of {block:,} bytes every region is whole: where the part has such"
            f" an erase command, correct erase-block"
        )
    moved, at = [], 0
    for region in sorted(regions, key=lambda one: one.at):
        start = chip.erase_end(max(at, region.at))
        at = chip.erase_end(start + region.size)
        moved.append(f"{region.name} at {place(start)}, {human(at - start)}")
    if at <= chip.size and len(moved) <= _SHOWN:
        said.append(f"This map works with the blocks as they are: {'; '.join(moved)}")
    return ". ".join(said) or "Make the regions smaller: whole blocks for each do not fit the chip"


def _start_values(*, start: int, erase: int, block: int) -> None: ...


START = Rule(
    name="region-start-not-erase-aligned",
    follows=("erase-block-does-not-fit-map", "erase-block-shared", "environment-not-erase-aligned"),
    severity=Severity.ERROR,
    values=_start_values,
    message=(
        "{region} starts at {start:place}, inside the {erase:sized} erase block of {block:place}"
    ),
    effect=(
        "U-Boot refuses to erase or update the region, and Linux forces its MTD partition"
        " read-only."
    ),
    fix="Start {region} on an erase block.",
    moves=True,
    computed="start mod the erase block that holds it is not 0",
    sources=(
        in_linux(
            "drivers/mtd/mtdpart.c",
            says="doesn't start on an erase/write block boundary -- force read-only",
        ),
        in_u_boot(
            "doc/usage/cmd/sf.rst",
            "Erase",
            "It may also fail if the start offset or length are not aligned to an "
            "erase region (e.g. 256 bytes).",
        ),
        in_u_boot(
            "cmd/sf.c",
            "spi_flash_update_block",
            "if (spi_flash_erase(flash, offset, flash->sector_size))",
        ),
    ),
    bad=nor("name: recovery, at: 0x18000, size: 0x18000"),
    good=nor("name: recovery, at: 0x10000, size: 0x20000"),
)


@check(START, over=ON_FLASH)
def region_start(found: There) -> Outcome:
    region, block = found.region, found.chip.erase_start(found.region.at)
    if block != region.at:
        yield START(start=region.at, erase=found.chip.erase_unit(region.at), block=block).at(
            region=region,
            key="at",
            offset=region.at,
            length=region.at - block,
            severity=Severity.WARNING if region.writer is Writer.FACTORY else None,
        )


def _end_values(*, end: int, erase: int, block: int) -> None: ...


END = Rule(
    name="region-end-not-erase-aligned",
    follows=(
        "erase-block-does-not-fit-map",
        "erase-block-shared",
        "environment-copies-share-erase-block",
        "region-start-not-erase-aligned",
    ),
    severity=Severity.WARNING,
    values=_end_values,
    message="{region} ends at {end:place}, inside the {erase:sized} erase block of {block:place}",
    effect=(
        "Linux forces the MTD partition read-only; erasing the whole of it is refused, or takes"
        " the head of what follows."
    ),
    fix="End {region} on an erase block.",
    moves=True,
    computed="(start + size) mod the erase block that holds it is not 0; an error where another"
    " region lies in that block",
    sources=(
        in_linux(
            "drivers/mtd/mtdpart.c", says="doesn't end on an erase/write block -- force read-only"
        ),
        in_u_boot("cmd/sf.c", "sf_parse_len_arg", "= ROUND(len_arg, flash->sector_size);"),
    ),
    bad=nor("name: recovery, at: 0x10000, size: 0x18000"),
    good=nor("name: recovery, at: 0x10000, size: 0x20000"),
)


@check(END, over=ON_FLASH)
def region_end(found: There) -> Outcome:
    region, chip = found.region, found.chip
    end = region.span.end
    block = chip.erase_start(end)
    if block == end or end > chip.size:
        return
    erase = chip.erase_unit(end)
    rest = Span(end, block + erase)
    shared = any(other.span.overlaps(rest) for other in found.beside if other is not region)
    yield END(end=end, erase=erase, block=block).at(
        region=region,
        key="size",
        offset=end,
        length=end - block,
        severity=Severity.ERROR if shared else None,
    )


def _shared_values(
    other: str, *, writer: str, other_writer: str, erase: int, block: int, next: int
) -> None: ...


SHARED = Rule(
    name="erase-block-shared",
    follows=("erase-block-does-not-fit-map",),
    severity=Severity.ERROR,
    values=_shared_values,
    message=(
        "{region} ({writer}) and {other} ({other_writer}) both lie in the {erase:sized} erase block"
        " of {block:place}"
    ),
    effect=("Updating one rewrites the other; power lost between erase and write destroys both."),
    fix="Give {other} erase blocks of its own; the next one starts at {next:place}.",
    moves=True,
    computed="the erase blocks that two regions touch have one in common, and their writers differ",
    sources=(
        in_u_boot("env/sf.c", "env_sf_save"),
        PRACTICE,
    ),
    bad=nor(
        "name: calibration, at: 0, size: 0x8000, writer: factory",
        "name: settings, at: 0x8000, size: 0x18000, writer: runtime",
    ),
    good=nor(
        "name: calibration, at: 0, size: 0x10000, writer: factory",
        "name: settings, at: 0x10000, size: 0x10000, writer: runtime",
    ),
)


@check(SHARED, over=FLASH)
def erase_block_shared(found: Mapped) -> Outcome:
    chip = found.chip
    for one, other in pairwise(found.regions):
        if one.writer is other.writer or one.span.overlaps(other.span):
            continue
        common = chip.erased_by(one.span).common(chip.erased_by(other.span))
        if common.size:
            yield SHARED(
                writer=one.writer.value,
                other=other.name,
                other_writer=other.writer.value,
                erase=common.size,
                block=common.start,
                next=common.end,
            ).at(region=one, key="size", offset=common.start, length=common.size)


def _env_align_values(*, start: int, erase: int) -> None: ...


ENV_ALIGN = Rule(
    name="environment-not-erase-aligned",
    follows=("erase-block-does-not-fit-map", "environment-copies-share-erase-block"),
    severity=Severity.ERROR,
    values=_env_align_values,
    message=(
        "the environment {region} is at {start:place}, not at the start of a {erase:sized} erase"
        " block"
    ),
    effect="saveenv is refused the erase and saves nothing: what was flashed, or the defaults, boot"
    " forever.",
    fix="Start {region} at a multiple of the largest erase block of all approved parts.",
    moves=True,
    computed="CONFIG_ENV_OFFSET mod the erase block is not 0",
    sources=(
        in_u_boot(
            "env/Kconfig",
            "ENV_IS_IN_SPI_FLASH",
            "CONFIG_ENV_OFFSET must be aligned to an erase sector boundary.",
        ),
        in_u_boot("env/Kconfig", "ENV_SECT_SIZE_AUTO"),
        in_u_boot(
            "drivers/mtd/spi/sf_probe.c",
            "spi_flash_std_erase",
            "SF: Erase offset/length not multiple of erase size",
        ),
    ),
    bad=nor("name: env, at: 0x18000, size: 0x8000, holds: uboot-env, env: {size: 16 KiB}"),
    good=nor("name: env, at: 0x10000, size: 0x10000, holds: uboot-env, env: {size: 16 KiB}"),
)


@check(ENV_ALIGN, over=_ENVIRONMENTS)
def environment_aligned(found: There) -> Outcome:
    region, start = found.region, found.chip.erase_start(found.region.at)
    if start != region.at:
        yield ENV_ALIGN(start=region.at, erase=found.chip.erase_unit(region.at)).at(
            region=region, key="at", offset=region.at, length=region.at - start
        )


def _env_neighbour_values(other: str, *, size: int, next: int) -> None: ...


ENV_NEIGHBOUR = Rule(
    name="environment-rewrites-neighbour",
    follows=(
        "environment-copies-share-erase-block",
        "erase-block-shared",
        "erase-block-does-not-fit-map",
    ),
    severity=Severity.WARNING,
    values=_env_neighbour_values,
    message=(
        "{other} lies at {at:place}, in the erase block that the {size:sized} environment {region}"
        " only partly fills"
    ),
    effect=(
        "saveenv reads the rest of the block into RAM, erases, and writes it back: power lost in"
        " between takes {other} along."
    ),
    fix="Leave the rest of the erase block empty; the next one starts at {next:place}.",
    moves=True,
    computed="ENV_SIZE is below the erase block, and another region lies in the rest of it",
    sources=(
        in_u_boot("env/sf.c", "env_sf_save", "Is the sector larger than the env (i.e. embedded)"),
    ),
    bad=nor(
        "name: env, at: 0, size: 0x4000, holds: uboot-env, writer: runtime, env: {size: 16 KiB}",
        "name: loader, at: 0x4000, size: 0xc000",
    ),
    good=nor(
        "name: env, at: 0, size: 0x10000, holds: uboot-env, writer: runtime, env: {size: 16 KiB}",
        "name: loader, at: 0x10000, size: 0x10000",
    ),
)


@check(ENV_NEIGHBOUR, over=_ENVIRONMENTS)
def environment_rewrites_neighbour(found: There) -> Outcome:
    region, end = found.region, _env_end(found.region)
    if end - region.at >= found.chip.erase_unit(region.at):
        return
    rest = Span(end, found.chip.erase_end(end))
    for other in _others_in(found, rest):
        yield ENV_NEIGHBOUR(other=other.name, size=end - region.at, next=rest.end).at(
            region=region,
            key="env",
            offset=other.at,
            length=other.span.common(rest).size,
            severity=None if other.writer is Writer.RUNTIME else Severity.ERROR,
            at=other.at,
        )


def _env_tail_values(other: str, *, size: int, erased: int, lost: int, next: int) -> None: ...


ENV_TAIL = Rule(
    name="environment-wipes-what-follows",
    severity=Severity.ERROR,
    values=_env_tail_values,
    message=(
        "saving the {size:sized} environment {region} erases {erased:bytes}: {lost:bytes} of"
        " {other} from {at:place} are wiped"
    ),
    effect=(
        "The first saveenv erases whole blocks and restores nothing behind the environment, since"
        " U-Boot restores only where one block is larger than the environment."
    ),
    fix="Make ENV_SIZE a multiple of the erase block, or keep {other} out of what is erased, which"
    " ends at {next:place}.",
    moves=True,
    computed="round_up(ENV_SIZE, erase block) reaches into another region",
    sources=(
        in_u_boot("env/sf.c", "env_sf_save", "sector = DIV_ROUND_UP(CONFIG_ENV_SIZE, sect_size);"),
    ),
    bad=nor(
        "name: env, at: 0, size: 0x18000, holds: uboot-env, writer: runtime, env: {size: 96 KiB}",
        "name: settings, at: 0x18000, size: 0x8000, writer: runtime",
    ),
    good=nor(
        "name: env, at: 0, size: 0x20000, holds: uboot-env, writer: runtime, env: {size: 128 KiB}",
        "name: settings, at: 0x20000, size: 0x10000, writer: runtime",
    ),
)


@check(ENV_TAIL, over=_ENVIRONMENTS)
def environment_wipes(found: There) -> Outcome:
    region, end = found.region, _env_end(found.region)
    if end - region.at <= found.chip.erase_unit(region.at):
        return
    erased = found.chip.erased_by(Span(region.at, end))
    tail = Span(end, max(end, erased.end))
    for other in _others_in(found, tail):
        lost = other.span.common(tail).size
        yield ENV_TAIL(
            size=end - region.at, erased=erased.size, lost=lost, other=other.name, next=erased.end
        ).at(region=region, key="env", offset=other.at, length=lost, at=other.at)


def _env_copies_values(copy: str, *, block: int, next: int) -> None: ...


ENV_COPIES = Rule(
    name="environment-copies-share-erase-block",
    follows=("erase-block-does-not-fit-map",),
    severity=Severity.ERROR,
    values=_env_copies_values,
    message="{region} and its copy {copy} share the erase block of {block:place}",
    effect=(
        "Erasing the new copy erases the good old one too: power lost in saveenv loses the"
        " environment, redundancy or not. A copy that starts inside a block cannot be saved at all."
    ),
    fix="Give {copy} erase blocks of its own; the next one starts at {next:place}.",
    moves=True,
    computed="the erase blocks of CONFIG_ENV_OFFSET and CONFIG_ENV_OFFSET_REDUND intersect",
    sources=(
        in_u_boot(
            "env/Kconfig",
            "ENV_OFFSET_REDUND",
            "CONFIG_ENV_OFFSET_REDUND must be aligned to an erase sector boundary.",
        ),
        in_u_boot(
            "drivers/mtd/spi/sf_probe.c",
            "spi_flash_std_erase",
            "SF: Erase offset/length not multiple of erase size",
        ),
    ),
    bad=nor(
        "name: env-a, at: 0, size: 0x4000, holds: uboot-env, env: {size: 16 KiB, copy: env-b}",
        "name: env-b, at: 0x4000, size: 0x4000, holds: uboot-env, env: {size: 16 KiB}",
    ),
    good=nor(
        "name: env-a, at: 0, size: 0x10000, holds: uboot-env, env: {size: 16 KiB, copy: env-b}",
        "name: env-b, at: 0x10000, size: 0x10000, holds: uboot-env, env: {size: 16 KiB}",
    ),
)


@check(ENV_COPIES, over=_ENVIRONMENTS, given=whole)
def environment_copies(found: There, subject: Subject) -> Outcome:
    region, chip, size = found.region, found.chip, _env_end(found.region) - found.region.at
    copy = region.env.copy if region.env else None
    for other in subject.layout.twins(region.name) if subject.layout is not None else ():
        told = (other.at, other.name) < (region.at, region.name)
        if other.name != copy or (told and other.env and other.env.copy == region.name):
            continue
        if other.area != region.area:
            continue
        theirs = chip.erased_by(Span.sized(other.at, size))
        common = chip.erased_by(Span.sized(region.at, size)).common(theirs)
        if common.size:
            yield ENV_COPIES(copy=other.name, block=common.start, next=common.end).at(
                region=region, key="env", offset=common.start, length=common.size
            )


def _window_values(*, end: int, limit: int) -> None: ...


WINDOW = Rule(
    name="region-above-three-byte-window",
    stops=True,
    follows=("region-past-chip-end",),
    severity=Severity.ERROR,
    values=_window_values,
    message="{region} reaches {end:place}, past the 16 MiB that three address bytes can reach",
    effect=(
        "The address wraps: what is read or written lies 16 MiB below. The boot finds other data"
        " there, and an update destroys that."
    ),
    fix="Keep {region} below {limit:place}, or say address-bytes: 4 if its readers send four.",
    moves=True,
    computed="start + size is above 0x1000000 and the chip is addressed with three bytes",
    sources=(
        standard(
            "JEDEC JESD216",
            "basic flash parameters, 1st dword, bits 18:17",
            copy=in_linux("drivers/mtd/spi-nor/sfdp.h", "BFPT_DWORD1_ADDRESS_BYTES_MASK"),
        ),
        PRACTICE,
    ),
    bad=nor(
        "name: recovery, at: 15 MiB, size: 2 MiB",
        chip="size: 32 MiB, erase-block: 64 KiB, address-bytes: 3",
    ),
    good=nor(
        "name: recovery, at: 14 MiB, size: 2 MiB",
        chip="size: 32 MiB, erase-block: 64 KiB, address-bytes: 3",
    ),
)


@check(WINDOW, over=FLASH.only(lambda found: found.chip.kind.serial))
def three_byte_window(found: Mapped) -> Outcome:
    chip = found.chip
    beyond = [region for region in found.regions if region.span.end > _WINDOW]
    if chip.address_bytes is None and beyond:
        yield NotChecked(WINDOW.name, chip.name, "the layout does not say the chip's address-bytes")
    for region in beyond if chip.address_bytes == 3 else ():
        yield WINDOW(end=region.span.end, limit=_WINDOW).at(
            region=region,
            key="at",
            offset=max(region.at, _WINDOW),
            length=region.span.end - max(region.at, _WINDOW),
        )


def _warm_reset_values(*, size: int) -> None: ...


WARM_RESET = Rule(
    name="warm-reset-loses-flash",
    severity=Severity.ERROR,
    values=_warm_reset_values,
    message=(
        "{chip} has {size:bytes}, is put into a 4-byte mode that outlives a reset, and is not reset"
        " with the SoC"
    ),
    effect=(
        "A cold boot works; a reboot or a watchdog bite hangs, since the boot ROM sends three"
        " address bytes to a chip that waits for four. The recovery is needed just then."
    ),
    fix="Use the 4-byte opcodes, or wire the flash's reset to the SoC's.",
    computed="size is above 16 MiB, four-byte-mode is stateful and reset-pin is not-wired",
    sources=(
        in_u_boot(
            "drivers/mtd/spi/spi-nor-core.c",
            "SNOR_F_BROKEN_RESET",
            "enabling reset hack; may not recover from unexpected reboots",
        ),
    ),
    bad=nor(
        chip="size: 32 MiB, erase-block: 64 KiB, four-byte-mode: stateful, reset-pin: not-wired"
    ),
    good=nor(
        chip="size: 32 MiB, erase-block: 64 KiB, four-byte-mode: opcodes, reset-pin: not-wired"
    ),
)


@check(WARM_RESET, over=FLASH)
def warm_reset(found: Mapped) -> Outcome:
    chip = found.chip
    if not chip.kind.serial or max(chip.sizes) <= _WINDOW or chip.four_byte_mode == "opcodes":
        return
    if chip.reset_pin == "wired":
        return
    if chip.four_byte_mode is None or chip.reset_pin is None:
        why = "the layout does not say the chip's four-byte-mode and reset-pin"
        yield NotChecked(WARM_RESET.name, chip.name, why)
        return
    yield WARM_RESET(size=max(chip.sizes)).at(chip=chip.name, where=chip.at_key("four-byte-mode"))


def protectable(chip_size: int, bits: int) -> list[int]:
    """Give the lengths in bytes that block-protect bits can cover, shortest first.

    Source: Linux drivers/mtd/spi-nor/swp.c, spi_nor_get_min_prot_length_sr.
    """
    slots = (1 << bits) - 2
    need = (chip_size // _PROTECT_SECTOR).bit_length() - 1
    unit = _PROTECT_SECTOR << max(0, need - slots)
    lengths = {min(unit << (level - 1), chip_size) for level in range(1, slots + 1)}
    return [0, *sorted(lengths | {chip_size})]


def _protect_values(*, bits: int, covers: int, below: int, above: int) -> None: ...


PROTECT = Rule(
    name="block-protect-not-expressible",
    severity=Severity.WARNING,
    values=_protect_values,
    message=(
        "{bits} block-protect bits cannot cover {covers:bytes} of {chip}; the nearest are"
        " {below:bytes} and {above:bytes}"
    ),
    effect="The lock covers more than meant, and saves fail, or less, and the loader is open.",
    fix="Protect {below:bytes} or {above:bytes}, or move the regions to such a boundary.",
    computed=(
        "covers is none of unit x 2^n, where unit is 64 KiB x 2^max(0, log2(size / 64 KiB) - slots)"
        " and slots is 2^bits - 2"
    ),
    writes=True,
    sources=(
        in_linux("drivers/mtd/spi-nor/swp.c", "spi_nor_get_locked_range_sr"),
        in_linux(
            "drivers/mtd/spi-nor/swp.c",
            "spi_nor_get_min_prot_length_sr",
            'Reserved one for "protect none" and one for "protect all".',
        ),
    ),
    bad=nor(
        chip="size: 16 MiB, erase-block: 64 KiB,"
        " block-protect: {bits: 3, end: bottom, covers: 768 KiB}"
    ),
    good=nor(
        chip="size: 16 MiB, erase-block: 64 KiB,"
        " block-protect: {bits: 3, end: bottom, covers: 1 MiB}"
    ),
)


@check(PROTECT, over=_PROTECTED)
def block_protect(found: tuple[Mapped, BlockProtect, Span]) -> Outcome:
    mapped, protect, _ = found
    chip, covers = mapped.chip, protect.covers
    lengths = protectable(chip.size, protect.bits)
    if covers not in lengths:
        yield PROTECT(
            bits=protect.bits,
            covers=covers,
            below=max(length for length in lengths if length <= covers),
            above=min((length for length in lengths if length > covers), default=chip.size),
        ).at(chip=chip.name, where=chip.at_key("block-protect"))


def _locked_values(*, writer: str, locked: int, end: str) -> None: ...


LOCKED = Rule(
    name="block-protect-covers-written-region",
    severity=Severity.ERROR,
    values=_locked_values,
    message="{region} is written by {writer} but {locked:bytes} of it are block-protected",
    effect=(
        "Where its driver knows the part's lock bits, sf of U-Boot says 'ERROR: flash area is "
        "locked' and does nothing. A writer that does not ask, as saveenv, leaves the old content "
        "there and may not notice; the next boot takes that."
    ),
    fix="Protect less, or move {region} out of the protected {end} of the chip.",
    computed="the protected range and a region that the running board writes overlap",
    writes=True,
    sources=(
        in_u_boot("cmd/sf.c", "do_spi_flash_erase", "ERROR: flash area is locked"),
        in_u_boot(
            "doc/usage/cmd/sf.rst",
            "Erase",
            "The erase will fail if any part of the region to be erased is "
            "protected or lies past the end of the flash.",
        ),
        in_u_boot("drivers/mtd/spi/spi-nor-core.c", "SPI_NOR_HAS_LOCK"),
        in_u_boot("env/sf.c", "env_sf_save", "ret = spi_flash_erase(env_flash, CONFIG_ENV_OFFSET,"),
    ),
    bad=nor(
        "name: env, at: 0x80000, size: 0x10000, writer: runtime",
        chip="size: 16 MiB, erase-block: 64 KiB,"
        " block-protect: {bits: 3, end: bottom, covers: 1 MiB}",
    ),
    good=nor(
        "name: env, at: 0x100000, size: 0x10000, writer: runtime",
        chip="size: 16 MiB, erase-block: 64 KiB,"
        " block-protect: {bits: 3, end: bottom, covers: 1 MiB}",
    ),
)


@check(LOCKED, over=_PROTECTED)
def block_protect_covers(found: tuple[Mapped, BlockProtect, Span]) -> Outcome:
    mapped, protect, locked = found
    for region in mapped.regions:
        common = region.span.common(locked)
        if region.writer is Writer.RUNTIME and common.size:
            yield LOCKED(writer=region.writer.value, locked=common.size, end=protect.end).at(
                region=region, key="at", offset=common.start, length=common.size
            )


def _open_values(*, end: str, covers: int, names: str) -> None: ...


OPEN_LOADER = Rule(
    name="block-protect-misses-boot-loader",
    severity=Severity.WARNING,
    values=_open_values,
    message=(
        "the {covers:bytes} that are protected at the {end} of {chip} have nothing of what the"
        " board starts from: {names}"
    ),
    effect="A stray write or a mistyped offset can erase the boot loader: then the board is dead.",
    fix="Protect the end where the boot loader lies; the TB bit, which says which end it is, can"
    " often be set only once.",
    computed="the protected range and the regions that hold a first stage or firmware on the chip"
    " have no byte in common",
    writes=True,
    sources=(
        in_linux("drivers/mtd/spi-nor/swp.c", "spi_nor_get_locked_range_sr"),
        PRACTICE,
    ),
    bad=nor(
        "name: firmware, at: 0, size: 1 MiB, holds: fip",
        chip="size: 16 MiB, erase-block: 64 KiB, block-protect: {bits: 3, end: top, covers: 1 MiB}",
    ),
    good=nor(
        "name: firmware, at: 0, size: 1 MiB, holds: fip",
        chip="size: 16 MiB, erase-block: 64 KiB,"
        " block-protect: {bits: 3, end: bottom, covers: 1 MiB}",
    ),
)


@check(OPEN_LOADER, over=_PROTECTED)
def block_protect_misses(found: tuple[Mapped, BlockProtect, Span]) -> Outcome:
    mapped, protect, locked = found
    loaders = [region for region in mapped.regions if region.holds in FIRST_STAGES | {"fip"}]
    if locked.size and loaders and not any(one.span.overlaps(locked) for one in loaders):
        names = _listed([region.name for region in loaders])
        yield OPEN_LOADER(end=protect.end, covers=locked.size, names=names).at(
            region=loaders[0], chip=mapped.chip.name, where=mapped.chip.at_key("block-protect")
        )


ENV_SINGLE = Rule(
    name="environment-has-no-copy",
    severity=Severity.WARNING,
    values=nothing,
    message="the environment {region} is saved at run time and has no redundant copy",
    effect="Power lost in saveenv leaves no valid environment: the board boots with its defaults.",
    fix="Give it a second region in erase blocks of its own and name that in env: copy.",
    computed="a region that holds uboot-env, is written at run time and belongs to no pair",
    sources=(
        in_u_boot(
            "env/Kconfig",
            "SYS_REDUNDAND_ENVIRONMENT",
            "so that there is a valid backup copy in case there is a power failure "
            'during a "saveenv" operation.',
        ),
    ),
    bad=nor("name: env, at: 0, size: 0x10000, holds: uboot-env, writer: runtime"),
    good=nor(
        "name: env-a, at: 0, size: 0x10000, holds: uboot-env, writer: runtime,"
        " env: {size: 16 KiB, copy: env-b}",
        "name: env-b, at: 0x10000, size: 0x10000, holds: uboot-env, writer: runtime,"
        " env: {size: 16 KiB, copy: env-a}",
    ),
)


@check(ENV_SINGLE, over=REGIONS, given=whole)
def environment_single(found: There, subject: Subject) -> Outcome:
    region = found.region
    paired = subject.layout is not None and subject.layout.twins(region.name)
    if region.holds == "uboot-env" and region.writer is Writer.RUNTIME and not paired:
        yield ENV_SINGLE().at(region=region, offset=region.at, length=region.size)


def _image_size_values(*, size: int, chip_size: int) -> None: ...


IMAGE_SIZE = Rule(
    name="chip-image-size",
    severity=Severity.WARNING,
    values=_image_size_values,
    message="{artifact} has {size:bytes}, {chip} has {chip_size:bytes}",
    effect=(
        "A programmer refuses the file or leaves the old content behind its end; one that is too"
        " long does not fit at all."
    ),
    fix="Pad the image with 0xFF to the size of the chip.",
    computed="the image's size is not the chip's; an error where it is larger",
    sources=(PRACTICE,),
    bad=nor(
        chip="size: 1 MiB, erase-block: 64 KiB, image: nor.img",
        files={"nor.img": lambda: b"\xff" * (900 * KIB)},
    ),
    good=nor(
        chip="size: 1 MiB, erase-block: 64 KiB, image: nor.img",
        files={"nor.img": lambda: b"\xff" * MIB},
    ),
)


@check(IMAGE_SIZE, over=IMAGES.only(lambda image: image.chip.kind.mtd))
def chip_image_size(image: ChipImage) -> Outcome:
    chip = image.chip
    if image.artifact is not None and image.size != chip.size:
        yield IMAGE_SIZE(size=image.size, chip_size=chip.size).at(
            artifact=image.artifact.path,
            chip=chip.name,
            where=chip.at_key("image"),
            offset=min(image.size, chip.size),
            length=abs(image.size - chip.size),
            severity=Severity.ERROR if image.size > chip.size else None,
        )
