"""An MBR in itself, and against the layout: every partition there, in its place, of its type."""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator
from uuid import UUID

from imgaudit.contents.place import Node
from imgaudit.formats.boot_record import partition_type
from imgaudit.formats.mbr import Mbr, MbrPartition
from imgaudit.model import SECTOR, Region
from imgaudit.rules._gpt import example as _alone
from imgaudit.rules._gpt import mbr, overlaps
from imgaudit.rules.cited import PRACTICE, in_linux, in_u_boot, in_uefi
from imgaudit.rules.engine import Example, Outcome, Rule, Severity, check
from imgaudit.rules.examples import emmc
from imgaudit.rules.kinds import contents_of, whole
from imgaudit.rules.subject import Subject
from imgaudit.units import MIB
from imgaudit.writers.gpt import gpt
from imgaudit.writers.sparse import Sparse

MBRS = contents_of(Mbr)

_REGIONS = (
    "name: boot, partition: 1, at: 1 MiB, size: 4 MiB, type: fat32-lba, bootable: set",
    "name: rootfs, partition: 5, at: 8 MiB, size: 8 MiB, type: linux",
)


def _record(status: int, kind: int, start: int, size: int) -> bytes:
    return struct.pack("<B3sB3sII", status, bytes(3), kind, bytes(3), start, size)


def _disk(
    *,
    status: int = 0x80,
    kind: int = 0x0C,
    size: int = 4 * MIB,
    more: bytes = b"",
    logical: int = 1,
) -> bytes:
    """Write an MBR with a boot partition and, in an extended one from 7 MiB, a logical one."""
    disk = bytearray(32 * MIB)
    records = _record(status, kind, MIB // SECTOR, size // SECTOR) + more
    records += _record(0, 0x0F, 7 * MIB // SECTOR, 12 * MIB // SECTOR)
    disk[446:510] = records.ljust(64, b"\0")
    disk[510:512] = b"\x55\xaa"
    at = 8 * MIB - SECTOR
    disk[7 * MIB + 446 : 7 * MIB + 462] = _record(0, 0x05, (at - 7 * MIB) // SECTOR, 1 << 14)
    disk[7 * MIB + 510 : 7 * MIB + 512] = b"\x55\xaa"
    disk[at + 446 : at + 462] = _record(0, 0x83, 1, 8 * MIB // SECTOR) if logical else bytes(16)
    disk[at + 510 : at + 512] = b"\x55\xaa"
    return bytes(disk)


_DISK = UUID(int=1)


def _flat(disk: Sparse) -> bytes:
    data = bytearray(disk.size)
    for at, piece in disk.pieces:
        data[at : at + len(piece)] = piece
    return bytes(data)


def _example(disk: Callable[[], bytes] | None = None, *regions: str) -> Example:
    return emmc(
        *(regions or _REGIONS),
        chip="sectors: 65536, table: mbr, image: disk.img",
        files={"disk.img": disk or _disk},
    )


def _mapped(found: Node[Mbr], build: Subject) -> list[Region]:
    """Give the regions that should be in the table, where it is that of a chip with an MBR."""
    chip = found.chip
    if build.layout is None or chip is None or chip.table != "mbr":
        return []
    if found.device_size is None:
        return []
    return [region for region in build.layout.regions_on(chip.name) if region.partition is not None]


def _paired(found: Node[Mbr], build: Subject) -> Iterator[tuple[Region, MbrPartition]]:
    entries = {entry.number: entry for entry in found.facts.partitions}
    for region in _mapped(found, build):
        if region.partition in entries:
            yield region, entries[region.partition]


def _none_values(*, what: str) -> None: ...


NONE = Rule(
    name="mbr-missing",
    severity=Severity.ERROR,
    values=_none_values,
    message="{artifact} has no MBR with partitions; what is there: {what}",
    effect="Where there is no table, U-Boot and Linux find no partition; where there is another"
    " one, its numbers and types need not be those that the layout means.",
    fix="Write an MBR, or correct table: of {chip} in the layout.",
    computed="table is mbr, regions of the chip have a partition, and its image does not start with"
    " an MBR, or with one that only protects a GPT",
    sources=(
        in_uefi(
            "5.2.1",
            "PartitionValidMbr",
            "The BPB also has this signature, so it can not be used alone.",
            "MdeModulePkg/Universal/Disk/PartitionDxe/Mbr.c",
        ),
    ),
    bad=emmc(
        *_REGIONS,
        chip="sectors: 65536, table: mbr, image: disk.img",
        files={"disk.img": lambda: _flat(gpt(65536, _DISK, ()))},
    ),
    good=_example(),
)


@check(NONE)
def table_missing(subject: Subject) -> Outcome:
    for image in subject.images:
        if image.artifact is None or image.chip.table != "mbr" or subject.layout is None:
            continue
        regions = subject.layout.regions_on(image.chip.name)
        content = image.artifact.content.unwrapped()
        if isinstance(content.facts, Mbr) or all(region.partition is None for region in regions):
            continue
        yield NONE(what=content.title or "no format that is known").at(
            artifact=image.artifact.path,
            chip=image.chip.name,
            where=image.chip.at_key("table"),
            offset=0,
            length=SECTOR,
        )


def _missing_values(number: int | None) -> None: ...


MISSING = Rule(
    name="mbr-partition-missing",
    stops=True,
    severity=Severity.ERROR,
    values=_missing_values,
    message="{content} has no partition {number} for {region}",
    effect="Firmware, the kernel or the update does not find {region}.",
    fix="Add it to the table, or correct partition: in the layout; logical ones count from 5.",
    computed="no record of the MBR, or of the chain of logical partitions, has the region's number",
    sources=(
        in_uefi("5.2.1", "MAX_MBR_PARTITIONS", "", "MdePkg/Include/IndustryStandard/Mbr.h"),
        in_linux("block/partitions/msdos.c", "parse_extended"),
    ),
    bad=_example(lambda: _disk(logical=0)),
    good=_example(),
)


@check(MISSING, over=MBRS, given=whole)
def partition_missing(found: Node[Mbr], build: Subject) -> Outcome:
    numbers = {entry.number for entry in found.facts.partitions}
    for region in _mapped(found, build):
        if region.partition not in numbers:
            yield MISSING(number=region.partition).inside(
                found, region=region, where=region.at_key("partition"), at=446, length=64
            )


def _moved_values(number: int, *, there: int, there_size: int, start: int, size: int) -> None: ...


MOVED = Rule(
    name="mbr-partition-moved",
    severity=Severity.ERROR,
    values=_moved_values,
    message=(
        "{content}: partition {number} has {there_size:bytes} at {there:place}; the layout has"
        " {region} with {size:bytes} at {start:place}"
    ),
    effect="What is written by the layout's map lands in another partition, or across two.",
    fix="Make the table and the layout say the same; only one of them can be right.",
    computed="start or size of the record of the region's number differ from the region's",
    sources=(PRACTICE,),
    bad=_example(lambda: _disk(size=5 * MIB)),
    good=_example(),
)


@check(MOVED, over=MBRS, given=whole)
def partition_moved(found: Node[Mbr], build: Subject) -> Outcome:
    for region, entry in _paired(found, build):
        if entry.span != region.span:
            moved = entry.span.start != region.at
            yield MOVED(
                number=entry.number,
                there=entry.span.start,
                there_size=entry.span.size,
                start=region.at,
                size=region.size,
            ).inside(
                found,
                region=region,
                where=region.at_key("at" if moved else "size"),
                at=entry.offset + (8 if moved else 12),
                length=4,
            )


def _type_values(number: int, *, there: str, kind: str) -> None: ...


TYPE = Rule(
    name="mbr-type-differs",
    severity=Severity.WARNING,
    values=_type_values,
    message="{content}: partition {number} has the type {there}, the layout gives {region} {kind}",
    effect="A boot ROM that looks for the type passes it by; tools take it for something else.",
    fix="Set it (sfdisk --part-type), or correct type: in the layout.",
    computed="the record's OSType is not the region's type",
    writes=True,
    sources=(in_uefi("5.2.1", "OSIndicator", "", "MdePkg/Include/IndustryStandard/Mbr.h"),),
    bad=_example(lambda: _disk(kind=0x83)),
    good=_example(),
)


@check(TYPE, over=MBRS, given=whole)
def type_differs(found: Node[Mbr], build: Subject) -> Outcome:
    for region, entry in _paired(found, build):
        if region.type is not None and partition_type(region.type) != entry.os_type:
            yield TYPE(number=entry.number, there=entry.type_name, kind=region.type).inside(
                found, region=region, where=region.at_key("type"), at=entry.offset + 4, length=1
            )


def _bootable_values(number: int, *, there: str, here: str) -> None: ...


BOOTABLE = Rule(
    name="mbr-bootable-differs",
    severity=Severity.ERROR,
    values=_bootable_values,
    message="{content}: the boot indicator of partition {number} is {there}, for {region} {here}",
    effect="What goes by it, such as a boot ROM or U-Boot's distro boot, looks in another"
    " partition; where none is set, U-Boot looks in the first.",
    fix="Set or clear it (sfdisk --activate DISK NUMBER, which clears the others), or correct"
    " bootable: in the layout.",
    computed="the record's BootIndicator is 0x80 and bootable is unset, or the other way round",
    writes=True,
    sources=(
        in_uefi("5.2.1", "BootIndicator", "", "MdePkg/Include/IndustryStandard/Mbr.h"),
        in_u_boot("disk/part_dos.c", "boot_ind"),
        in_u_boot("include/config_distro_bootcmd.h", "scan_dev_for_boot_part"),
    ),
    bad=_example(lambda: _disk(status=0)),
    good=_example(),
)


@check(BOOTABLE, over=MBRS, given=whole)
def bootable_differs(found: Node[Mbr], build: Subject) -> Outcome:
    words = {True: "set", False: "unset"}
    for region, entry in _paired(found, build):
        there = entry.boot_indicator == 0x80
        if region.bootable is not None and region.bootable is not there:
            yield BOOTABLE(
                number=entry.number, there=words[there], here=words[region.bootable]
            ).inside(
                found, region=region, where=region.at_key("bootable"), at=entry.offset, length=1
            )


def _several_values(numbers: str) -> None: ...


def _active(disk: bytes) -> bytes:
    """Add a fourth record, with its boot indicator set."""
    record = bytes((0x80, 0, 0, 0, 0x83, 0, 0, 0)) + struct.pack("<II", 60000, 100)
    return disk[:494] + record + disk[510:]


SEVERAL = Rule(
    name="mbr-several-bootable",
    severity=Severity.WARNING,
    values=_several_values,
    message="{content}: the partitions {numbers} have the boot indicator set",
    effect="A boot ROM that looks for one takes the first, or refuses the table; U-Boot's distro"
    " boot looks in each of them.",
    fix="Leave it set in the one from which the board starts: sfdisk --activate.",
    computed="more than one record of the MBR itself has 0x80 as its BootIndicator",
    writes=True,
    sources=(
        in_uefi("5.2.1", "BootIndicator", "", "MdePkg/Include/IndustryStandard/Mbr.h"),
        in_u_boot("disk/part_dos.c", "boot_ind"),
    ),
    bad=_example(lambda: _active(_disk())),
    good=_example(),
)


@check(SEVERAL, over=MBRS)
def several_bootable(found: Node[Mbr]) -> Outcome:
    active = [
        entry
        for entry in found.facts.partitions
        if entry.number <= 4 and not entry.extended and entry.boot_indicator == 0x80
    ]
    if len(active) > 1:
        numbers = " and ".join(str(entry.number) for entry in active)
        yield SEVERAL(numbers=numbers).inside(found, at=active[1].offset, length=1)


def _unknown_values(number: int, *, start: int, size: int) -> None: ...


UNKNOWN = Rule(
    name="mbr-partition-unknown",
    severity=Severity.WARNING,
    values=_unknown_values,
    message="{content}: partition {number}, {size:bytes} at {start:place}, is not in the layout",
    effect="No one looks after it, and the layout's map of the device is not the true one.",
    fix="Add it to the layout, or take it out of the table.",
    computed="a record, other than an extended one, whose number no region of the chip has",
    sources=(PRACTICE,),
    bad=_example(lambda: _disk(more=_record(0, 0x83, 20 * MIB // SECTOR, 64))),
    good=_example(),
)


@check(UNKNOWN, over=MBRS, given=whole)
def partition_unknown(found: Node[Mbr], build: Subject) -> Outcome:
    known = {region.partition for region in _mapped(found, build)}
    for entry in found.facts.partitions if known else ():
        if entry.number not in known and not entry.extended:
            yield UNKNOWN(number=entry.number, start=entry.span.start, size=entry.span.size).inside(
                found, at=entry.offset, length=16
            )


def _overlap_values(number: int, other: int, *, size: int, start: int) -> None: ...


OVERLAP = Rule(
    name="mbr-partitions-overlap",
    severity=Severity.ERROR,
    values=_overlap_values,
    message="{content}: partitions {number} and {other} share {size:bytes} from {start:place}",
    effect="Writing one destroys part of the other.",
    fix="Let no sector belong to both: move or shrink one of them, with what is in it.",
    computed="two primary partitions, or two logical ones, have a sector in common",
    sources=(
        in_uefi(
            "5.2.1",
            "PartitionValidMbr",
            "This region overlaps with the Index1'th region",
            "MdeModulePkg/Universal/Disk/PartitionDxe/Mbr.c",
        ),
    ),
    bad=_alone(lambda: mbr((64, 65), (128, 64))),
    good=_alone(lambda: mbr((64, 64), (128, 64))),
)


@check(OVERLAP, over=MBRS)
def mbr_overlap(found: Node[Mbr]) -> Outcome:
    primary = [item for item in found.facts.partitions if item.number <= 4]
    logical = [item for item in found.facts.partitions if item.number > 4]
    for group in (primary, logical):
        for one, other, common in overlaps([(item.span, item) for item in group]):
            yield OVERLAP(
                number=one.number, other=other.number, size=common.size, start=common.start
            ).inside(found, at=one.offset, length=16)


def _past_end_values(number: int, *, device: str, end: int, size: int) -> None: ...


PAST_END = Rule(
    name="mbr-partition-past-end",
    severity=Severity.ERROR,
    values=_past_end_values,
    message=("{content}: partition {number} ends at {end:place}, the {device} at {size:place}"),
    effect="Linux cuts the partition short, or leaves it out where it also starts there: a file"
    " system as large as the partition does not mount.",
    fix="End it by {size:place}, in the smallest approved part.",
    computed="the record's first sector + its length is past the smallest approved part or, where"
    " only an image is known, past that",
    sources=(
        in_uefi("5.2.1", "PartitionValidMbr", "", "MdeModulePkg/Universal/Disk/PartitionDxe/Mbr.c"),
        in_linux("block/partitions/core.c", "blk_add_partition"),
    ),
    bad=_alone(lambda: mbr((64, 512))),
    good=_alone(lambda: mbr((64, 448))),
)


@check(PAST_END, over=MBRS)
def mbr_past_end(found: Node[Mbr]) -> Outcome:
    size = found.device_size or found.facts.view_size
    for item in found.facts.partitions:
        if item.span.end > size and not _only_the_head(found, item):
            yield PAST_END(
                number=item.number,
                end=item.span.end,
                device=found.chip.name if found.device_size and found.chip else "image",
                size=size,
            ).inside(found, at=item.offset, length=16)


def _only_the_head(found: Node[Mbr], item: MbrPartition) -> bool:
    """Tell a file with the table alone, whose device is not known."""
    return found.device_size is None and found.facts.view_size <= item.span.start
