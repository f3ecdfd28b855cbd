"""eMMC geometry: the partition table's own place, alignment, and the parts as they really are."""

from __future__ import annotations

from typing import TYPE_CHECKING

from imgaudit.model import BACKUP_TABLE, SECTOR, Chip, Writer
from imgaudit.rules.cited import PRACTICE, in_linux, in_u_boot, in_uefi, seen, standard
from imgaudit.rules.engine import Outcome, Rule, Severity, check
from imgaudit.rules.examples import emmc
from imgaudit.rules.kinds import CHIPS, ON_PARTITIONED, PARTITIONED, Mapped, There, on, whole
from imgaudit.units import GIB, Span

if TYPE_CHECKING:
    from imgaudit.rules.subject import Subject

# 128 entries of 128 bytes, with the header before (or behind) them and the MBR in front.
_TABLE_HEAD = Span(0, 34 * SECTOR)
_FIRST_LOGICAL = 5  # partitions of an MBR that stand in a chain of records


_WITH_GPT = PARTITIONED.only(lambda found: found.chip.table == "gpt")


def _head_values(*, start: int, end: int) -> None: ...


HEAD = Rule(
    name="region-inside-partition-table",
    severity=Severity.ERROR,
    values=_head_values,
    message="{region} at {start:place} lies inside the GPT, which ends at {end:place}",
    effect=(
        "Writing the region destroys partition entries, and Linux sees no partition unless gpt on"
        " its command line has it look for the backup; writing the table destroys the region, and"
        " a loader there no longer boots."
    ),
    fix=(
        "Move {region} to {end:place} or above; where the boot ROM decides, use a table with fewer"
        " entries (56 end at 0x2000) or move the entry array."
    ),
    moves=True,
    computed="the region overlaps MBR, header or entries: as the chip's image has them, else"
    " sectors 0 to 33 with 128 entries of 128 bytes",
    sources=(
        in_uefi(
            "5.3",
            "EFI_GPT_PART_ENTRY_MIN_SIZE",
            "Minimum bytes reserve for EFI entry array buffer.",
        ),
        in_u_boot(
            "doc/board/allwinner/sunxi.rst",
            says="However this is in the middle of a potential GPT partition table",
        ),
        in_linux("block/partitions/efi.c", "find_valid_gpt", "if (!good_agpt && force_gpt)"),
    ),
    bad=emmc(
        "name: loader, at: 8 KiB, size: 512 KiB",
        "name: rootfs, partition: 1, at: 1 MiB, size: 8 MiB",
    ),
    good=emmc(
        "name: loader, at: 32 KiB, size: 512 KiB",
        "name: rootfs, partition: 1, at: 1 MiB, size: 8 MiB",
    ),
)


@check(HEAD, over=_WITH_GPT, given=whole)
def inside_table(found: Mapped, subject: Subject) -> Outcome:
    head = _head(subject, found.chip)
    for region in found.regions:
        common = region.span.common(head)
        if common.size and region.holds not in {"gpt", "mbr"}:
            yield HEAD(start=region.at, end=head.end).at(
                region=region, key="at", offset=common.start, length=common.size
            )


def _record_values(*, start: int, what: str, next: int) -> None: ...


RECORD = Rule(
    name="region-over-boot-record",
    severity=Severity.ERROR,
    values=_record_values,
    message="{region} at {start:place} lies over {what}",
    effect="Writing the region destroys the partition table, or the table destroys the region.",
    fix="Start {region} at {next:place} or above.",
    moves=True,
    computed="the region has sector 0 of a chip with an MBR, or the sector before a logical"
    " partition, where its record is as a rule; a boot loader that leaves the table alone starts at"
    " sector 1",
    sources=(
        in_uefi("5.2.1", "MASTER_BOOT_RECORD", "", "MdePkg/Include/IndustryStandard/Mbr.h"),
        in_linux("block/partitions/msdos.c", "parse_extended"),
    ),
    bad=emmc(
        "name: loader, at: 0, size: 512 KiB",
        "name: rootfs, partition: 1, at: 1 MiB, size: 8 MiB",
        chip="sectors: 65536, table: mbr",
    ),
    good=emmc(
        "name: loader, at: 8 KiB, size: 512 KiB",
        "name: rootfs, partition: 1, at: 1 MiB, size: 8 MiB",
        chip="sectors: 65536, table: mbr",
    ),
)


@check(RECORD, over=PARTITIONED.only(lambda found: found.chip.table == "mbr"))
def over_boot_record(found: Mapped) -> Outcome:
    records = {Span(0, SECTOR): "the MBR"} | {
        Span(item.at - SECTOR, item.at): f"the record of {item.name}"
        for item in found.regions
        if (item.partition or 0) >= _FIRST_LOGICAL and item.at > SECTOR
    }
    for region in found.regions:
        for record, what in records.items():
            if region.span.overlaps(record) and region.holds not in {"gpt", "mbr"}:
                yield RECORD(start=region.at, what=what, next=record.end).at(
                    region=region, key="at", offset=record.start, length=record.size
                )


def _head(subject: Subject, chip: Chip) -> Span:
    """Give what the table takes at the start: the image says how many entries it has, and where."""
    for image in subject.images:
        if image.chip is chip and image.artifact is not None:
            from imgaudit.formats.gpt import Gpt

            facts = image.artifact.content.unwrapped().facts
            table = facts.primary if isinstance(facts, Gpt) else None
            if table is not None and table.array.start == 2 * table.block_size:
                return Span(0, table.array.end)
    return _TABLE_HEAD


def _tail_values(*, end: int, table: int, over: int) -> None: ...


TAIL = Rule(
    name="region-over-backup-table",
    severity=Severity.ERROR,
    values=_tail_values,
    message=(
        "{region} ends at {end:place}; the backup GPT of the smallest part starts at {table:place}"
    ),
    effect="The backup table and the region's tail overwrite each other.",
    fix="Let {region} end at {table:place} or below.",
    moves=True,
    computed="end is above the last 33 sectors of the smallest approved part",
    sources=(
        in_uefi(
            "5.3",
            "EFI_GPT_PART_ENTRY_MIN_SIZE",
            "Minimum bytes reserve for EFI entry array buffer.",
        ),
    ),
    bad=emmc("name: data, partition: 1, at: 1 MiB, size: 31 MiB"),
    good=emmc("name: data, partition: 1, at: 1 MiB, size: 30 MiB"),
)


@check(TAIL, over=on(_WITH_GPT))
def over_backup(found: There) -> Outcome:
    region, end, size = found.region, found.region.span.end, found.chip.size
    table = size - BACKUP_TABLE
    if table < end <= size and region.holds != "gpt":
        yield TAIL(end=end, table=table, over=end - table).at(
            region=region, key="size", offset=table, length=end - table
        )


def _nominal_values(*, size: int) -> None: ...


NOMINAL = Rule(
    name="emmc-size-looks-nominal",
    severity=Severity.WARNING,
    values=_nominal_values,
    message="{chip} is given as {size:bytes}, a nominal size; real parts are smaller as a rule",
    effect="Where the part that is fitted is smaller, the last partition runs past its end: what it"
    " holds cannot be mounted.",
    fix="Give sectors: with SEC_COUNT of EXT_CSD of every approved part.",
    computed="the size is a whole power of two of GiB, or of 10^9 bytes",
    sources=(
        seen(
            "kernel logs: 8 GB parts have 7.09 to 7.28 GiB, 4 GB parts 3.53 to "
            "3.68 GiB (from memory)"
        ),
    ),
    bad=emmc(chip="size: 8 GiB"),
    good=emmc(chip="sectors: 15269888"),
)


@check(NOMINAL, over=CHIPS.only(lambda found: found.chip.kind.sectors))
def nominal_size(found: Mapped) -> Outcome:
    chip = found.chip
    for size in chip.sizes:
        for unit in (GIB, 10**9):
            count, rest = divmod(size, unit)
            if rest == 0 and count & (count - 1) == 0:
                key = "sectors" if "sectors" in chip.keys else "size"
                yield NOMINAL(size=size).at(chip=chip.name, where=chip.at_key(key))


def _align_values(*, start: int, align: int, below: int, above: int) -> None: ...


ALIGN = Rule(
    name="partition-not-aligned",
    severity=Severity.WARNING,
    values=_align_values,
    message=(
        "{region} starts at {start:place}, no multiple of the {align:bytes} that {chip} asks for"
    ),
    effect="Writes straddle the eMMC's own erase units: slower, more wear, trims miss the ends.",
    fix="Start it at a multiple of {align:bytes}: {below:place} and {above:place} are the nearest.",
    moves=True,
    computed="start mod the chip's align is not 0; without align, mod 4 KiB",
    sources=(PRACTICE,),
    bad=emmc(
        "name: rootfs, partition: 1, at: 1 MiB, size: 8 MiB",
        chip="sectors: 65536, align: 4 MiB",
    ),
    good=emmc(
        "name: rootfs, partition: 1, at: 4 MiB, size: 8 MiB",
        chip="sectors: 65536, align: 4 MiB",
    ),
)


@check(ALIGN, over=ON_PARTITIONED)
def partition_aligned(found: There) -> Outcome:
    region, chip = found.region, found.chip
    rest = region.at % chip.align
    if region.partition is not None and rest:
        below = region.at - rest
        yield ALIGN(start=region.at, align=chip.align, below=below, above=below + chip.align).at(
            region=region,
            key="at",
            offset=region.at,
            length=rest,
            chip=chip.name,
        )


def _protect_group_values(*, group: int) -> None: ...


PROTECT_GROUP = Rule(
    name="write-protect-group-shared",
    severity=Severity.WARNING,
    values=_protect_group_values,
    message=(
        "{region} is factory data but does not fill whole write-protect groups of {group:bytes}"
    ),
    effect="It cannot be write-protected without protecting part of its neighbour.",
    fix="Align its start and size to {group:bytes}.",
    moves=True,
    computed="start or size of a region that the factory writes, mod write-protect-group:"
    " (HC_WP_GRP_SIZE x HC_ERASE_GRP_SIZE x 512 KiB), is not 0",
    sources=(
        standard(
            "JEDEC JESD84-B51", copy=in_linux("include/linux/mmc/mmc.h", "EXT_CSD_HC_WP_GRP_SIZE")
        ),
    ),
    bad=emmc(
        "name: calibration, partition: 1, at: 4 MiB, size: 1 MiB, writer: factory",
        chip="sectors: 65536, write-protect-group: 4 MiB",
    ),
    good=emmc(
        "name: calibration, partition: 1, at: 4 MiB, size: 4 MiB, writer: factory",
        chip="sectors: 65536, write-protect-group: 4 MiB",
    ),
)


@check(PROTECT_GROUP, over=ON_PARTITIONED)
def protect_group(found: There) -> Outcome:
    region, group = found.region, found.chip.write_protect_group
    if group is None or region.writer is not Writer.FACTORY:
        return
    if region.at % group or region.size % group:
        yield PROTECT_GROUP(group=group).at(
            region=region,
            key="size" if region.at % group == 0 else "at",
            offset=region.at,
            length=region.size,
        )
