"""A GPT in itself, and on its device."""

from __future__ import annotations

import uuid
import zlib
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from itertools import groupby

from imgaudit.contents.place import Node
from imgaudit.formats.gpt import Gpt, GptEntry, GptTable
from imgaudit.layout.keys import alternatives
from imgaudit.model import SECTOR
from imgaudit.patterns import regex
from imgaudit.rules._gpt import (
    AGREES,
    ARRAY_AT,
    BACKUP_AT,
    COPIES,
    DATA,
    ENTRIES,
    GOOD,
    GPTS,
    HEADER_AT,
    PRIMARIES,
    REGIONS,
    ROOTFS,
    SECTORS,
    TABLES,
    Copy,
    Entry,
    disk,
    example,
    mbr,
    overlaps,
    partition,
)
from imgaudit.rules.cited import (
    PRACTICE,
    in_linux,
    in_trusted_firmware,
    in_u_boot,
    in_uefi,
    standard,
)
from imgaudit.rules.engine import Outcome, Rule, Severity, check
from imgaudit.rules.kinds import whole
from imgaudit.rules.subject import Subject
from imgaudit.units import Span
from imgaudit.writers.gpt import Partition
from imgaudit.writers.sparse import patched

# What firmware, scripts and device names take without quoting (common practice, no source).
_USUAL_LABEL = regex(r"[A-Za-z0-9._+-]+")
_MBR_MOST = 0xFFFFFFFF


def _header_values(copy: str, *, stored: str, computed: str) -> None: ...


HEADER = Rule(
    name="gpt-header-checksum",
    severity=Severity.ERROR,
    values=_header_values,
    message="{content}: the {copy} GPT header says CRC {stored}, its bytes make {computed}",
    effect="U-Boot and Linux refuse that copy. In place of a primary U-Boot takes the backup in the"
    " last sector; Linux does so only with gpt on its command line, and else sees no partitions. A"
    " backup is missed on the day when the primary is damaged.",
    fix="Write the table anew with the tool that made it; no byte of it can be patched by hand.",
    computed="CRC-32 over HeaderSize bytes with the CRC's own four taken as 0; an error for the"
    " primary, a warning for the backup",
    sources=(
        in_uefi(
            "5.3.2",
            "CRC32",
            "setting this field to 0, and computing the 32-bit CRC for HeaderSize bytes.",
            "MdePkg/Include/Uefi/UefiMultiPhase.h",
        ),
        in_u_boot("disk/part_efi.c", "validate_gpt_header"),
        in_linux("block/partitions/efi.c", "find_valid_gpt"),
    ),
    bad=example(lambda: patched(disk(), HEADER_AT + 40, b"\x23")),
    good=GOOD,
)


@check(HEADER, over=COPIES)
def header_checksum(copy: Copy) -> Outcome:
    checksum = copy.table.header_checksum
    if checksum.matches is not True:
        yield HEADER(
            copy=copy.name,
            stored=checksum.stored,
            computed=checksum.computed or f"none: {checksum.why}",
        ).inside(copy.found, at=checksum.offset, length=4, severity=copy.severity)


def _array_values(copy: str, *, stored: str, computed: str) -> None: ...


ARRAY = Rule(
    name="gpt-array-checksum",
    severity=Severity.ERROR,
    values=_array_values,
    message="{content}: the {copy} GPT says CRC {stored} for its entries, they make {computed}",
    effect="U-Boot and Linux refuse that copy. In place of a primary U-Boot takes the backup in the"
    " last sector; Linux does so only with gpt on its command line, and else sees no partitions. A"
    " backup is missed on the day when the primary is damaged.",
    fix="Write the table anew with the tool that made it; no byte of it can be patched by hand.",
    computed="CRC-32 over NumberOfPartitionEntries x SizeOfPartitionEntry bytes, unused ones"
    " included; an error for the primary, a warning for the backup",
    sources=(
        in_uefi(
            "5.3.2",
            "PartitionEntryArrayCRC32",
            "computed over a byte length of NumberOfPartitionEntries * SizeOfPartitionEntry.",
        ),
        in_u_boot("disk/part_efi.c", "validate_gpt_entries"),
        in_linux("block/partitions/efi.c", "find_valid_gpt"),
    ),
    bad=example(lambda: patched(disk(), ARRAY_AT + 56, b"R")),
    good=GOOD,
)


# Where the header is damaged, so may be what it says of the array.
@check(ARRAY, over=COPIES, after=(header_checksum,))
def array_checksum(copy: Copy) -> Outcome:
    checksum = copy.table.array_checksum
    if checksum.matches is not True:
        yield ARRAY(
            copy=copy.name,
            stored=checksum.stored,
            computed=checksum.computed or f"none: {checksum.why}",
        ).inside(copy.found, at=checksum.offset, length=4, severity=copy.severity)


def _none_values(*, what: str) -> None: ...


NONE = Rule(
    name="gpt-missing",
    stops=True,
    severity=Severity.ERROR,
    values=_none_values,
    message="{artifact} has no GPT; what is there: {what}",
    effect="Neither U-Boot nor Linux finds any of the partitions of {chip}.",
    fix="Put a table into the image, or correct table: or partition: in the layout.",
    computed="regions of the chip have a partition, and its image has no header in sector 1 or in"
    " the last one, and no protective MBR",
    sources=(
        in_uefi(
            "5.3.2",
            "PRIMARY_PART_HEADER_LBA",
            "must be located in LBA 1 (i.e., the second logical block).",
        ),
    ),
    bad=example(lambda: mbr((64, 64), (128, 64)), *REGIONS),
    good=AGREES,
)


@check(NONE)
def table_missing(subject: Subject) -> Outcome:
    for image in subject.images:
        regions = subject.layout.regions_on(image.chip.name) if subject.layout else []
        if image.artifact is None or all(region.partition is None for region in regions):
            continue
        if image.chip.table != "gpt":
            continue
        content = image.artifact.content.unwrapped()
        if isinstance(content.facts, Gpt):
            continue
        yield NONE(what=content.title or "no format that is known").at(
            artifact=image.artifact.path,
            chip=image.chip.name,
            where=image.chip.at_key("image"),
            offset=SECTOR,
            length=SECTOR,
        )


def _primary_values(*, why: str) -> None: ...


PRIMARY = Rule(
    name="gpt-primary-missing",
    severity=Severity.ERROR,
    values=_primary_values,
    message="{content} has no primary GPT: {why}",
    effect="Linux needs the parameter gpt to look at the backup, and some boot ROMs never do.",
    fix="Write the table anew; look for what was written over sector 1, such as a loader.",
    computed="sector 1 does not start with 'EFI PART'",
    sources=(
        in_uefi(
            "5.3.2",
            "PRIMARY_PART_HEADER_LBA",
            "must be located in LBA 1 (i.e., the second logical block).",
        ),
        in_linux("block/partitions/efi.c", "find_valid_gpt"),
        in_u_boot("include/part_efi.h", "GPT_HEADER_SIGNATURE_UBOOT", "EFI PART"),
    ),
    bad=example(lambda: patched(disk(), HEADER_AT, bytes(SECTOR))),
    good=GOOD,
)


@check(PRIMARY, over=GPTS)
def primary_missing(found: Node[Gpt]) -> Outcome:
    if found.facts.primary is None:
        size = found.facts.block_size
        yield PRIMARY(why=found.facts.primary_why).inside(found, at=size, length=size)


def _backup_values(*, lba: int, why: str) -> None: ...


BACKUP = Rule(
    name="gpt-backup-missing",
    severity=Severity.WARNING,
    values=_backup_values,
    message="{content} has no backup GPT where its header says, in sector {lba:,}: {why}",
    effect="When a power cut or a stray write damages the primary, all partitions are gone.",
    fix="Write the image to its last byte, and do not cut it: header and entries of the backup, 33"
    " sectors of 512 bytes as a rule, are its end.",
    computed="the sector AlternateLBA does not start with 'EFI PART'",
    sources=(
        in_uefi(
            "5.3.2", "AlternateLBA", "LBA address of the alternate GUID Partition Table Header."
        ),
        in_u_boot("include/part_efi.h", "GPT_HEADER_SIGNATURE_UBOOT", "EFI PART"),
    ),
    bad=example(lambda: patched(disk(), BACKUP_AT, bytes(SECTOR))),
    good=GOOD,
)


@check(BACKUP, over=PRIMARIES, after=(header_checksum,))
def backup_missing(copy: Copy) -> Outcome:
    found, primary = copy.found, copy.table
    facts = found.facts
    if facts.backup is not None:
        return
    lba, device = primary.alternate_lba, found.device_size
    behind = device is not None and (lba + 1) * facts.block_size > device
    # A region for the head of the disk alone has no room for the tail.
    outside = found.room is not None and (lba + 1) * facts.block_size > found.room
    if not behind and not outside:
        yield BACKUP(lba=lba, why=facts.backup_why).inside(
            found, at=primary.offsets["alternate_lba"], length=8
        )


def _not_at_end_values(*, device: str, lba: int, last: int, sectors: int) -> None: ...


NOT_AT_END = Rule(
    name="gpt-backup-not-at-device-end",
    severity=Severity.WARNING,
    values=_not_at_end_values,
    message="{content}: the backup GPT is in sector {lba:,}, the last of {device} is {last:,}",
    effect=(
        "Linux warns of it. U-Boot looks for a backup in the device's last sector alone: when the"
        " primary is damaged it finds none, or an older one. No partition can use what lies behind."
    ),
    fix="Make the table for {sectors:,} sectors, or run sgdisk -e on the device after writing.",
    computed="AlternateLBA is not the last sector of any approved part; a note where only the image"
    " is known",
    writes=True,
    sources=(
        in_uefi("5.3.2", "LastBlock", "", "MdeModulePkg/Universal/Disk/PartitionDxe/Gpt.c"),
        in_linux(
            "block/partitions/efi.c",
            "compare_gpts",
            "GPT:Alternate GPT header not at the end of the disk.",
        ),
    ),
    bad=example(lambda: disk(sectors=SECTORS - 8)),
    good=GOOD,
)


@check(NOT_AT_END, over=PRIMARIES, after=(header_checksum,))
def backup_at_end(copy: Copy) -> Outcome:
    found, primary = copy.found, copy.table
    facts = found.facts
    if found.nested:
        return
    chip = found.chip if found.device_size is not None else None
    if chip is None and (found.region is not None or facts.backup is None):
        return
    sizes = chip.sizes if chip else (facts.view_size,)
    ends = [size // facts.block_size - 1 for size in sizes]
    if primary.alternate_lba in ends or primary.last_usable_lba > min(ends):
        return
    yield NOT_AT_END(
        lba=primary.alternate_lba,
        device=chip.name if chip else "image",
        last=min(ends),
        sectors=min(ends) + 1,
    ).inside(
        found,
        at=primary.offsets["alternate_lba"],
        length=8,
        severity=None if chip else Severity.NOTE,
    )


def _past_device_values(*, usable: int, last: int, sectors: int) -> None: ...


PAST_DEVICE = Rule(
    name="gpt-last-usable-past-device",
    follows=("chip-image-larger-than-chip",),
    severity=Severity.ERROR,
    values=_past_device_values,
    message=("{content}: the GPT uses sectors up to {usable:,}; the last of {chip} is {last:,}"),
    effect=(
        "U-Boot and Linux refuse the table. U-Boot then takes a backup that the device still has,"
        " perhaps an older map; Linux does so only with gpt on its command line."
    ),
    fix="Make the table for a device of {sectors:,} sectors, the smallest approved part.",
    computed="LastUsableLBA is above the last sector of the smallest approved part",
    sources=(
        in_u_boot("disk/part_efi.c", "validate_gpt_header"),
        in_linux("block/partitions/efi.c", "is_gpt_valid"),
    ),
    bad=example(lambda: disk(sectors=2 * SECTORS)),
    good=GOOD,
)


@check(PAST_DEVICE, over=TABLES, after=(header_checksum,))
def past_device(copy: Copy) -> Outcome:
    device, table = copy.found.device_size, copy.table
    if device is None:
        return
    last = device // table.block_size - 1
    if table.last_usable_lba > last:
        yield PAST_DEVICE(usable=table.last_usable_lba, last=last, sectors=last + 1).inside(
            copy.found, at=table.offsets["last_usable_lba"], length=8
        )


def _stale_values(*, lba: int) -> None: ...


STALE = Rule(
    name="gpt-stale-backup",
    severity=Severity.WARNING,
    values=_stale_values,
    message="{content}: the last sector, {lba:,}, holds a GPT that the primary does not name",
    effect="When the primary is damaged, that other table comes back with its own partitions.",
    fix="Clear the old table before the new one is written: sgdisk --zap-all.",
    computed="a header with a good checksum in the last sector, while AlternateLBA names another",
    writes=True,
    sources=(
        in_uefi(
            "5.3.2", "AlternateLBA", "LBA address of the alternate GUID Partition Table Header."
        ),
    ),
    bad=example(
        lambda: disk(sectors=SECTORS - 64).ljust(BACKUP_AT, b"\0") + disk()[BACKUP_AT:],
    ),
    good=GOOD,
)


@check(STALE, over=GPTS)
def stale_backup(found: Node[Gpt]) -> Outcome:
    stray = found.facts.stray
    if stray is not None:
        yield STALE(lba=stray.lba).inside(found, at=stray.offset, length=stray.header_size)


def _location_values(copy: str, field: str, *, value: int, wanted: str) -> None: ...


LOCATION = Rule(
    name="gpt-location-fields-wrong",
    severity=Severity.ERROR,
    values=_location_values,
    message="{content}: {field} of the {copy} GPT header is {value:,}, it should be {wanted}",
    effect=(
        "U-Boot and Linux refuse, without a word, a header that says another place than its own; "
        "the other fields lead tools that move or mend the table to the wrong sectors."
    ),
    fix="Write the table anew with the tool that made it, for the device's true size.",
    computed="MyLBA is the sector that it stands in, the backup's AlternateLBA is 1, the primary's"
    " entries end by FirstUsableLBA, the backup's lie between LastUsableLBA and its header; an"
    " error for the place of the primary or of its entries, else a warning",
    sources=(
        in_uefi("5.3.2", "MyLBA", "The LBA that contains this data structure."),
        in_u_boot("disk/part_efi.c", "validate_gpt_header"),
        in_linux("block/partitions/efi.c", "is_gpt_valid"),
    ),
    bad=example(lambda: _relocated(disk(), my_lba=2)),
    good=GOOD,
)


def _relocated(disk: bytes, my_lba: int) -> bytes:
    header = patched(disk[HEADER_AT : HEADER_AT + 92], 24, my_lba.to_bytes(8, "little"))
    header = patched(header, 16, bytes(4))
    return patched(disk, HEADER_AT, patched(header, 16, zlib.crc32(header).to_bytes(4, "little")))


@check(LOCATION, over=COPIES, after=(header_checksum,))
def location_fields(copy: Copy) -> Outcome:
    for field, wanted in _misplaced(copy.name, copy.table):
        yield LOCATION(
            field=_FIELDS[field],
            copy=copy.name,
            value=getattr(copy.table, field),
            wanted=wanted,
        ).inside(
            copy.found,
            at=copy.table.offsets[field],
            length=8,
            # Neither U-Boot nor Linux compares FirstUsableLBA with the entries' end.
            severity=Severity.WARNING if field == "first_usable_lba" else copy.severity,
        )


_FIELDS = {
    "my_lba": "MyLBA",
    "alternate_lba": "AlternateLBA",
    "first_usable_lba": "FirstUsableLBA",
    "partition_entry_lba": "PartitionEntryLBA",
}


def _misplaced(copy: str, table: GptTable) -> Iterator[tuple[str, str]]:
    if table.my_lba != table.lba:
        yield "my_lba", f"{table.lba:,}, where it stands"
    if copy == "backup" and table.alternate_lba != 1:
        yield "alternate_lba", "1, where the primary is"
    if copy == "primary" and table.partition_entry_lba < 2:
        yield "partition_entry_lba", "2 or more, behind the header"
    elif copy == "primary" and table.first_usable_lba < table.array_end_lba:
        yield "first_usable_lba", f"at least {table.array_end_lba:,}, where the entries end"
    inside = table.last_usable_lba < table.partition_entry_lba and table.array_end_lba <= table.lba
    if copy == "backup" and not inside:
        yield "partition_entry_lba", "between LastUsableLBA and the header"


def _revision_values(*, copy: str, revision: int) -> None: ...


_REVISION = 0x10000


def _revised(disk: bytes, revision: int) -> bytes:
    header = patched(disk[HEADER_AT : HEADER_AT + 92], 8, revision.to_bytes(4, "little"))
    header = patched(header, 16, bytes(4))
    return patched(disk, HEADER_AT, patched(header, 16, zlib.crc32(header).to_bytes(4, "little")))


REVISION = Rule(
    name="gpt-revision-unknown",
    severity=Severity.WARNING,
    values=_revision_values,
    message="{content}: the {copy} GPT header is of revision {revision:place}; there is only"
    " 0x10000",
    effect="U-Boot and Linux do not look at it; a boot ROM, EFI firmware or a tool that does takes"
    " the table for damaged.",
    fix="Write the table anew with the tool that made it.",
    computed="the revision field of a header whose checksum holds",
    sources=(
        standard("UEFI 2.10", "5.3.2"),
        in_linux("block/partitions/efi.h", "GPT_HEADER_REVISION_V1"),
    ),
    bad=example(lambda: _revised(disk(), 0x20000)),
    good=GOOD,
)


@check(REVISION, over=COPIES, after=(header_checksum,))
def revision_unknown(copy: Copy) -> Outcome:
    if copy.table.revision != _REVISION:
        case = REVISION(copy=copy.name, revision=copy.table.revision)
        yield case.inside(copy.found, at=copy.table.offsets["revision"], length=4)


def _disagree_values(*, what: str) -> None: ...


DISAGREE = Rule(
    name="gpt-copies-disagree",
    severity=Severity.WARNING,
    values=_disagree_values,
    message="{content}: primary and backup GPT are both intact and differ in {what}",
    effect="A tool that repairs one from the other may bring the wrong table back.",
    fix="Write both anew: sgdisk -e, or sfdisk with the whole table.",
    computed="both copies' checksums are good; entries, disk GUID or usable sectors differ",
    writes=True,
    sources=(
        in_uefi(
            "5.3.2",
            "PartitionRestoreGptTable",
            "",
            "MdeModulePkg/Universal/Disk/PartitionDxe/Gpt.c",
        ),
        in_linux("block/partitions/efi.c", "compare_gpts"),
    ),
    bad=example(
        lambda: disk()[: -33 * SECTOR] + disk(ROOTFS, partition(2, "logs", 128, 64))[-33 * SECTOR :]
    ),
    good=GOOD,
)


@check(DISAGREE, over=GPTS)
def copies_disagree(found: Node[Gpt]) -> Outcome:
    one, other = found.facts.primary, found.facts.backup
    if one is None or other is None or not (one.intact and other.intact):
        return
    what = [
        words
        for field, words in (
            ("disk_guid", "the disk GUID"),
            ("first_usable_lba", "FirstUsableLBA"),
            ("last_usable_lba", "LastUsableLBA"),
        )
        if getattr(one, field) != getattr(other, field)
    ]
    numbers = sorted({key[0] for key in _keys(one) ^ _keys(other)})
    if numbers:
        what.append("entry " + ", ".join(str(number) for number in numbers[:8]))
    if what:
        yield DISAGREE(what=" and ".join(what)).inside(found, at=other.offset, length=92)


def _keys(table: GptTable) -> set[tuple[int, str, str, int, int, int, str]]:
    return {
        (
            *(entry.number, entry.type_guid, entry.unique_guid, entry.starting_lba),
            *(entry.ending_lba, entry.attributes, entry.name),
        )
        for entry in table.entries
    }


def _outside_values(
    number: int,
    *,
    label: str,
    first: int,
    end: int,
    usable_first: int,
    usable_last: int,
    happens: str,
) -> None: ...


OUTSIDE = Rule(
    name="gpt-entry-outside-usable",
    severity=Severity.ERROR,
    values=_outside_values,
    message=(
        "{content}: partition {number} ({label}) is sectors {first:,} to {end:,}; the table allows"
        " {usable_first:,} to {usable_last:,}"
    ),
    effect="{happens}.",
    fix="Move or shrink the partition, with what is in it; both ends of an entry are inclusive.",
    computed="StartingLBA is below FirstUsableLBA, EndingLBA above LastUsableLBA, or the end before"
    " the start; a warning where it meets neither the table nor the end of the device",
    sources=(
        in_uefi(
            "5.3.3",
            "FirstUsableLBA",
            "The first usable logical block that may be used by a partition",
        ),
        in_linux("block/partitions/efi.c", "is_pte_valid"),
    ),
    bad=example(lambda: disk(ROOTFS, partition(2, "data", 128, 128))),
    good=GOOD,
)


@check(OUTSIDE, over=ENTRIES, given=whole, after=(header_checksum,))
def entry_outside(item: Entry, build: Subject) -> Outcome:
    entry, table = item.entry, item.table
    inside = table.first_usable_lba <= entry.starting_lba
    inside &= entry.starting_lba <= entry.ending_lba <= table.last_usable_lba
    if not inside:
        happens = _outside(item)
        found = item.finding(
            OUTSIDE(
                number=entry.number,
                label=entry.name,
                first=entry.starting_lba,
                end=entry.ending_lba,
                usable_first=table.first_usable_lba,
                usable_last=table.last_usable_lba,
                happens=happens
                or "EFI firmware leaves it out, and tools that check the table"
                " refuse it; U-Boot and Linux take it as it is",
            ),
            build,
        )
        yield found if happens else replace(found, severity=Severity.WARNING)


def _outside(item: Entry) -> str:
    """Say what an entry outside of the usable sectors destroys or loses; empty if nothing."""
    entry, table, facts = item.entry, item.table, item.found.facts
    if entry.ending_lba < entry.starting_lba:
        return "It ends before it starts: U-Boot and Linux compute a size that means nothing"
    size = item.found.device_size or (max(table.my_lba, table.alternate_lba) + 1) * table.block_size
    if (entry.ending_lba + 1) * table.block_size > size:
        return "It ends past the device: Linux leaves it out, and what U-Boot reads there fails"
    span = table.span(entry)
    for one in (facts.primary, facts.backup):
        held = one and (one.array, Span(one.lba * one.block_size, (one.lba + 1) * one.block_size))
        if any(span.overlaps(part) for part in held or ()):
            return "What is written to it destroys the table, or the table's tools destroy it"
    return ""


def _overlap_values(
    number: int,
    other: int,
    *,
    label: str,
    other_label: str,
    size: int,
    start: int,
    hint: str,
) -> None: ...


OVERLAP = Rule(
    name="gpt-partitions-overlap",
    severity=Severity.ERROR,
    values=_overlap_values,
    message=(
        "{content}: partitions {number} ({label}) and {other} ({other_label}) share {size:bytes}"
        " from {start:place}{hint}"
    ),
    effect="Writing one destroys part of the other.",
    fix="Let no sector belong to both: move or shrink one of them, with what is in it. An"
    " entry's end is inclusive.",
    computed="[StartingLBA, EndingLBA] of two entries have a sector in common",
    sources=(
        in_uefi(
            "5.3.3",
            "PartitionCheckGptEntry",
            "This region overlaps with the Index1'th region",
            "MdeModulePkg/Universal/Disk/PartitionDxe/Gpt.c",
        ),
    ),
    bad=example(lambda: disk(partition(1, "rootfs", 64, 65), DATA)),
    good=GOOD,
)


@check(OVERLAP, over=TABLES, given=whole)
def partitions_overlap(copy: Copy, build: Subject) -> Outcome:
    table = copy.table
    spans = [(table.span(entry), entry) for entry in table.entries]
    for one, other, common in overlaps(spans):
        single = common.size == table.block_size
        yield Entry(copy.found, table, one).finding(
            OVERLAP(
                number=one.number,
                label=one.name,
                other=other.number,
                other_label=other.name,
                size=common.size,
                start=common.start,
                hint=": one sector, as where an end was taken as exclusive" if single else "",
            ),
            build,
        )


def _same_guid_values(numbers: str, *, number: int, label: str, guid: str) -> None: ...


SAME_GUID = Rule(
    name="gpt-duplicate-guid",
    severity=Severity.ERROR,
    values=_same_guid_values,
    message="{content}: partitions {numbers} have the same GUID {guid}",
    effect="Whatever looks it up, such as root=PARTUUID=, takes the first one that it finds.",
    fix="Give each its own: sgdisk -u NUMBER:R.",
    computed="two used entries have one UniquePartitionGUID",
    writes=True,
    sources=(
        in_uefi(
            "5.3.3",
            "UniquePartitionGUID",
            "Every partition ever created will have a unique GUID.",
        ),
    ),
    bad=example(lambda: disk(ROOTFS, partition(2, "data", 128, 64, guid=1))),
    good=GOOD,
)


@check(SAME_GUID, over=TABLES, given=whole)
def duplicate_guid(copy: Copy, build: Subject) -> Outcome:
    for guid, same in _repeated(copy.table.entries, lambda entry: entry.unique_guid):
        entry = same[1]
        yield Entry(copy.found, copy.table, entry).finding(
            SAME_GUID(number=entry.number, label=entry.name, numbers=_numbers(same), guid=guid),
            build,
        )


def _same_label_values(label: str, *, number: int, numbers: str) -> None: ...


SAME_LABEL = Rule(
    name="gpt-duplicate-label",
    severity=Severity.ERROR,
    values=_same_label_values,
    message="{content}: partitions {numbers} are all called {label}",
    effect="U-Boot, TF-A and root=PARTLABEL= take the first one that they find.",
    fix="Give each its own: sgdisk -c NUMBER:NAME.",
    computed="two used entries have one name that is not empty",
    writes=True,
    sources=(
        in_linux("init/do_mounts.c", "PARTLABEL"),
        in_u_boot("disk/part.c", "part_get_info_by_name"),
        in_trusted_firmware("drivers/partition/partition.c", "get_partition_entry"),
    ),
    bad=example(lambda: disk(ROOTFS, partition(2, "rootfs", 128, 64))),
    good=GOOD,
)


@check(SAME_LABEL, over=TABLES, given=whole)
def duplicate_label(copy: Copy, build: Subject) -> Outcome:
    for name, same in _repeated(copy.table.entries, lambda entry: entry.name):
        if name:
            yield Entry(copy.found, copy.table, same[1]).finding(
                SAME_LABEL(number=same[1].number, label=name, numbers=_numbers(same)), build
            )


def _repeated(
    entries: Iterable[GptEntry], key: Callable[[GptEntry], str]
) -> Iterator[tuple[str, list[GptEntry]]]:
    for value, group in groupby(sorted(entries, key=key), key=key):
        same = sorted(group, key=lambda entry: entry.number)
        if len(same) > 1:
            yield value, same


def _numbers(entries: list[GptEntry]) -> str:
    return alternatives([str(entry.number) for entry in entries[:8]], "and")


def _label_values(number: int, *, label: str, why: str) -> None: ...


LABEL = Rule(
    name="gpt-label-unusual",
    severity=Severity.NOTE,
    values=_label_values,
    message="{content}: partition {number} is called {label!r}{why}",
    effect="Scripts, kernel arguments and names in /dev need quoting for it, or cannot say it.",
    fix="Use letters, digits and - _ . + only.",
    computed="the name has another character, or is no proper UTF-16",
    sources=(PRACTICE,),
    bad=example(lambda: disk(partition(1, "root fs", 64, 64), DATA)),
    good=GOOD,
)


@check(LABEL, over=ENTRIES, given=whole)
def label_unusual(item: Entry, build: Subject) -> Outcome:
    entry = item.entry
    usual = not entry.name or _USUAL_LABEL.fullmatch(entry.name)
    if not usual or not entry.name_valid:
        why = "" if entry.name_valid else ", which is no proper UTF-16"
        yield item.finding(LABEL(number=entry.number, label=entry.name, why=why), build)


def _swapped_values(number: int, *, label: str, kind: str) -> None: ...


SWAPPED = Rule(
    name="gpt-type-byte-swapped",
    severity=Severity.WARNING,
    values=_swapped_values,
    message="{content}: the type of partition {number} ({label}) is {kind} stored big-endian",
    effect="No one knows the type: a boot ROM, EFI firmware or system that looks for it finds no"
    " partition. By number or label U-Boot and Linux find it all the same.",
    fix="Store the first three fields of the GUID little-endian.",
    computed="the type GUID is unknown, and is a known one with its first three fields reversed",
    sources=(
        standard(
            "UEFI 2.10",
            "appendix A",
            copy=in_u_boot(
                "lib/uuid.c",
                "uuid_str_to_bin",
                "le means the field should be converted to little endian",
            ),
        ),
        in_u_boot("include/uuid.h", "UUID_STR_FORMAT_GUID"),
    ),
    bad=example(lambda: disk(_big_endian(ROOTFS), DATA)),
    good=GOOD,
)


def _big_endian(partition: Partition) -> Partition:
    swapped = uuid.UUID(bytes_le=partition.type.bytes)
    return Partition(partition.name, swapped, partition.uuid, partition.start, partition.size)


@check(SWAPPED, over=ENTRIES, given=whole)
def type_swapped(item: Entry, build: Subject) -> Outcome:
    entry = item.entry
    if entry.type_name is None and entry.swapped_type_name is not None:
        yield item.finding(
            SWAPPED(number=entry.number, label=entry.name, kind=entry.swapped_type_name),
            build,
            length=16,
        )


def _mbr_values(*, what: str, happens: str) -> None: ...


MBR = Rule(
    name="gpt-mbr-not-protective",
    stops=True,
    severity=Severity.ERROR,
    values=_mbr_values,
    message="{content}: the MBR in front of the GPT {what}",
    effect="{happens}.",
    fix="Let sgdisk or sfdisk write it anew, along with the table.",
    computed="55 AA and a record of type 0xEE from sector 1 on, without which U-Boot and Linux take"
    " the disk for one without a GPT: an error; a record that is not as long as the disk and does"
    " not say 0xFFFFFFFF, or other records beside it: a warning",
    writes=True,
    sources=(
        in_uefi("5.2.3", "PMBR_GPT_PARTITION", "", "MdePkg/Include/IndustryStandard/Mbr.h"),
        in_u_boot("disk/part_efi.c", "is_pmbr_valid"),
        in_linux("block/partitions/efi.c", "is_pmbr_valid"),
        in_linux("block/partitions/efi.c", "find_valid_gpt"),
    ),
    bad=example(lambda: patched(disk(), 446 + 16 + 4, b"\x83\0\0\0\x40\0\0\0\x40\0\0\0")),
    good=GOOD,
)


@check(MBR, over=GPTS)
def mbr_protective(found: Node[Gpt]) -> Outcome:
    what = _unprotective(found.facts)
    if what:
        # Both ask for a signed record that starts at sector 1 (pmbr_part_valid), and no more.
        record = found.facts.mbr
        seen = record.signed and any(one.starting_lba == 1 for one in record.protective)
        yield MBR(
            what=what,
            happens="Tools that know no GPT see free space or other partitions there, and write"
            " to them"
            if seen
            else "U-Boot and Linux see no partition at all, however sound the GPT behind it is",
        ).inside(found, at=446, length=66, severity=Severity.WARNING if seen else None)


def _unprotective(facts: Gpt) -> str:
    record = facts.mbr
    if not record.signed:
        return "does not end in 55 AA"
    if not record.protective:
        return "has no record of type 0xEE"
    if record.ordinary:
        numbers = ", ".join(str(entry.number) for entry in record.ordinary)
        return f"has other records beside the one of type 0xEE ({numbers}): a hybrid MBR"
    first = record.protective[0]
    if first.starting_lba != 1:
        return f"starts its record of type 0xEE in sector {first.starting_lba:,}, not 1"
    if facts.table is None or not facts.table.header_checksum.matches:
        return ""
    last = max(facts.table.my_lba, facts.table.alternate_lba)
    if first.size_in_lba not in {min(last, _MBR_MOST), _MBR_MOST}:
        return f"protects {first.size_in_lba:,} sectors; behind it are {last:,}"
    return ""
