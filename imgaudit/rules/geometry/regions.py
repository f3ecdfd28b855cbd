"""What holds on every chip: regions inside it and apart, artifacts inside their regions."""

from __future__ import annotations

from typing import TYPE_CHECKING

from imgaudit.contents.build import Placement
from imgaudit.model import Area, Layout, Region, Stage
from imgaudit.rules.cited import PRACTICE, in_linux, in_u_boot, standard
from imgaudit.rules.engine import Cause, NotChecked, Outcome, Rule, Severity, check
from imgaudit.rules.examples import emmc, nor
from imgaudit.rules.kinds import (
    PLACEMENTS,
    READ,
    REGIONS,
    STAGES,
    There,
    the_layout,
    whole,
)
from imgaudit.units import KIB, Span, both, overlapping

if TYPE_CHECKING:
    from imgaudit.rules.subject import Subject


def _overlap_values(other: str, *, other_start: int, size: int, start: int) -> None: ...


OVERLAP = Rule(
    name="regions-overlap",
    severity=Severity.ERROR,
    values=_overlap_values,
    message="{region} and {other} both claim {size:bytes} from {start:place}",
    effect="Writing one destroys the other.",
    fix="Move or shrink one of them; {other} starts at {other_start:place}.",
    moves=True,
    computed="two regions of one area share at least one byte; touching is not overlapping",
    sources=(
        in_linux(
            "drivers/mtd/parsers/cmdlinepart.c", says="in physical memory and may even overlap."
        ),
    ),
    bad=nor("name: env, at: 0, size: 128 KiB", "name: recovery, at: 64 KiB, size: 128 KiB"),
    good=nor("name: env, at: 0, size: 64 KiB", "name: recovery, at: 64 KiB, size: 128 KiB"),
)


def _overlaps(subject: Subject) -> dict[str, list[Region]]:
    """Give what overlaps each region from its own start on."""
    found: dict[str, list[Region]] = {}
    layout = subject.layout
    for area in layout.areas if layout is not None else ():
        regions = layout.regions_on(area.name) if layout is not None else []
        for one, other in overlapping(regions, lambda region: region.span):
            found.setdefault(one.name, []).append(other)
    return found


@check(OVERLAP, over=REGIONS, given=_overlaps)
def regions_overlap(found: There, overlaps: dict[str, list[Region]]) -> Outcome:
    one = found.region
    for other in overlaps.get(one.name, ()):
        common = one.span.common(other.span)
        yield OVERLAP(
            other=other.name, other_start=other.at, size=common.size, start=common.start
        ).at(region=one, key="size", offset=common.start, length=common.size)


def _past_end_values(*, end: int, over: int, size: int, area: str) -> None: ...


PAST_END = Rule(
    name="region-past-chip-end",
    severity=Severity.ERROR,
    values=_past_end_values,
    message="{region} ends at {end:place}, {over:bytes} past the {size:bytes} of {area}",
    effect=(
        "U-Boot refuses to read or erase past the end; Linux cuts the partition short, and what"
        " should lie in its tail is gone."
    ),
    fix="Shrink {region} by {over:bytes}, or move it down.",
    moves=True,
    computed="start + size is above the size of the smallest approved part, or of the boot area"
    " (BOOT_SIZE_MULT x 128 KiB)",
    sources=(
        in_linux("drivers/mtd/mtdpart.c", says="extends beyond the end of device"),
        in_u_boot(
            "doc/usage/cmd/sf.rst",
            "Read",
            "The read will fail if an attempt is made to read past the end of the flash.",
        ),
        standard(
            "JEDEC JESD84-B51",
            "EXT_CSD 226",
            copy=in_linux("include/linux/mmc/mmc.h", "EXT_CSD_BOOT_MULT"),
        ),
    ),
    bad=emmc("name: loader, chip: emmc/boot0, at: 0, size: 3 MiB"),
    good=emmc("name: loader, chip: emmc/boot0, at: 0, size: 2 MiB"),
)


def _areas(subject: Subject) -> dict[str, Area]:
    return {area.name: area for area in subject.layout.areas} if subject.layout else {}


@check(PAST_END, over=REGIONS, given=_areas)
def region_past_end(found: There, areas: dict[str, Area]) -> Outcome:
    region, end = found.region, found.region.span.end
    area = areas[region.area]
    if area.size is not None and end > area.size:
        outside = region.span.common(Span(area.size, end))
        # Of a volume it is what the UBI that was made tells as well.
        cause = Cause(frozenset({"ubi-volume-overflow"}), region=region.holder)
        yield PAST_END(end=end, over=end - area.size, size=area.size, area=_part(area)).at(
            region=region,
            key="size",
            offset=outside.start,
            length=outside.size,
            causes=() if region.holder is None else (cause,),
        )


def _part(area: Area) -> str:
    several = len(area.chip.sizes) > 1 and "/" not in area.name
    return f"the smallest approved {area.name}" if several else area.name


def _exceeds_values(
    *, size: int, how: str, room: int, over: int, needed: int, more: str
) -> None: ...


# What `imgaudit weigh` can take apart.
_WEIGHED = frozenset({"fit", "uimage", "cpio", "arm64-image", "zimage", "riscv-image"})

EXCEEDS = Rule(
    name="artifact-exceeds-region",
    stops=True,
    follows=("filesystem-larger-than-region",),
    severity=Severity.ERROR,
    values=_exceeds_values,
    message=("{artifact} is {size:bytes}{how}; {region} holds {room:bytes}: {over:bytes} too many"),
    effect="It is cut at the region's end, or overwrites what follows.",
    fix=(
        "Make the artifact {over:bytes} smaller, or grow {region} to at least {needed:bytes}{more}."
    ),
    moves=True,
    computed="the artifact's bytes, unpacked where the writer unpacks it, are more than size less"
    " file-at",
    sources=(PRACTICE,),
    bad=nor(
        "name: recovery, at: 0, size: 64 KiB, file: recovery.bin",
        files={"recovery.bin": lambda: b"tide" * (17 * KIB)},
    ),
    good=nor(
        "name: recovery, at: 0, size: 64 KiB, file: recovery.bin",
        files={"recovery.bin": lambda: b"tide" * (15 * KIB)},
    ),
)


@check(EXCEEDS, over=READ)
def artifact_exceeds_region(placement: Placement) -> Outcome:
    region, artifact, payload = placement.region, placement.artifact, placement.payload
    if artifact is None or payload is None or payload.size <= region.room:
        return
    weighed = payload.format in _WEIGHED and placement.image is None
    yield EXCEEDS(
        size=payload.size,
        how="" if payload is artifact.content else " unpacked",
        room=region.room,
        over=payload.size - region.room,
        needed=region.file_at + payload.size,
        more=f"; what to cut, DIR being the folder of the artifacts: imgaudit weigh"
        f" DIR/{artifact.path} --layout {region.where.file} --fit {region.room}"
        if weighed
        else "",
    ).at(
        region=region,
        artifact=artifact.path,
        offset=region.at,
        length=region.file_at + payload.size,
    )


def _headroom_values(*, free: int, percent: float | None, wanted: str) -> None: ...


HEADROOM = Rule(
    name="headroom-low",
    severity=Severity.WARNING,
    values=_headroom_values,
    message="{artifact} leaves {free:bytes} of {region} free ({percent:.1f} %); {wanted} should be",
    effect="The next kernel or security update may not fit boards that are in the field.",
    fix="Shrink the artifact, grow {region} while no board is in the field, or lower keep-free.",
    moves=True,
    computed=(
        "free bytes, with those that are free in a file system, are fewer than keep-free, of the"
        " region or the policy (5 % unless said)"
    ),
    sources=(PRACTICE,),
    bad=nor(
        "name: recovery, at: 0, size: 64 KiB, file: recovery.bin, keep-free: 5 %",
        files={"recovery.bin": lambda: b"tide" * (16 * KIB - 100)},
    ),
    good=nor(
        "name: recovery, at: 0, size: 64 KiB, file: recovery.bin, keep-free: 5 %",
        files={"recovery.bin": lambda: b"tide" * (15 * KIB)},
    ),
)


@check(HEADROOM, over=PLACEMENTS, given=the_layout)
def headroom(placement: Placement, layout: Layout) -> Outcome:
    region, free = placement.region, placement.free
    keep = layout.policy.room(region)
    if free is not None and keep is not None and 0 <= free < keep.of(region.room):
        yield HEADROOM(free=free, percent=placement.free_percent, wanted=str(keep)).at(
            region=region,
            key="keep-free",
            artifact=placement.path,
            offset=region.at + region.size - free,
            length=free,
        )


def _planned_values(*, size: int, room: int, over: int) -> None: ...


PLANNED = Rule(
    name="planned-size-exceeds-region",
    severity=Severity.ERROR,
    values=_planned_values,
    message="{region} is planned for {size:bytes} and holds {room:bytes}: {over:bytes} too many",
    effect="The artifact will not fit once it is built.",
    fix="Grow {region} by {over:bytes}, or plan for less.",
    moves=True,
    computed="expect is more than size less file-at",
    sources=(PRACTICE,),
    bad=nor("name: recovery, at: 0, size: 64 KiB, file: recovery.itb, expect: 65 KiB"),
    good=nor("name: recovery, at: 0, size: 64 KiB, file: recovery.itb, expect: 60 KiB"),
)


@check(PLANNED, over=REGIONS)
def planned_size(found: There) -> Outcome:
    region = found.region
    if region.expect is not None and region.expect > region.room:
        over = region.expect - region.room
        yield PLANNED(size=region.expect, room=region.room, over=over).at(
            region=region, key="expect", offset=region.at, length=region.file_at + region.expect
        )


def _grew_values(*, size: int | None, expect: int) -> None: ...


GREW = Rule(
    name="artifact-larger-than-planned",
    severity=Severity.WARNING,
    values=_grew_values,
    message="{artifact} is {size:bytes}; {expect:bytes} were planned for {region}",
    effect="It fits today; what was planned with it, such as a second slot or a download, may not.",
    fix="Make it smaller, or correct expect: in the layout.",
    computed="the artifact's bytes are more than expect",
    sources=(PRACTICE,),
    bad=nor(
        "name: recovery, at: 0, size: 128 KiB, file: recovery.bin, expect: 64 KiB",
        files={"recovery.bin": lambda: b"tide" * (17 * KIB)},
    ),
    good=nor(
        "name: recovery, at: 0, size: 128 KiB, file: recovery.bin, expect: 64 KiB",
        files={"recovery.bin": lambda: b"tide" * (16 * KIB)},
    ),
)


@check(GREW, over=PLACEMENTS, given=whole)
def larger_than_planned(placement: Placement, subject: Subject) -> Outcome:
    region = placement.region
    if region.expect is not None and subject.given and placement.missing:
        why = f"{placement.missing}; it is planned for {both(region.expect)}"
        yield NotChecked(None, region.name, why)
    if region.expect is not None and (placement.size or 0) > region.expect:
        yield GREW(size=placement.size, expect=region.expect).at(
            region=region,
            key="expect",
            artifact=placement.path,
            offset=region.at,
            length=placement.size,
        )


def _spans_chips_values(stage: str, other: str, *, home: str) -> None: ...


SPANS_CHIPS = Rule(
    name="recovery-lists-other-chip",
    severity=Severity.ERROR,
    values=_spans_chips_values,
    message=(
        "the stage {stage} brings a recovery ramdisk from {home} but also needs {region} on {other}"
    ),
    effect="When {other} is dead or blank, the recovery is out of reach on the day it is needed.",
    fix="Keep all that {stage} needs on {home}, or take {region} out of its regions.",
    computed="a stage with a ramdisk lists a region of another chip than the ramdisk's",
    sources=(PRACTICE,),
    bad=nor(
        "name: recovery, at: 0, size: 64 KiB",
        "name: settings, chip: emmc, at: 1 MiB, size: 1 MiB",
        chip="size: 1 MiB, erase-block: 64 KiB}\n  emmc: {kind: emmc, sectors: 65536",
        rest="stages:\n  recovery: {regions: [recovery, settings], ramdisk: recovery}\n",
    ),
    good=nor(
        "name: recovery, at: 0, size: 64 KiB",
        "name: settings, at: 64 KiB, size: 64 KiB",
        rest="stages:\n  recovery: {regions: [recovery, settings], ramdisk: recovery}\n",
    ),
)


@check(SPANS_CHIPS, over=STAGES, given=the_layout)
def stage_spans_chips(stage: Stage, layout: Layout) -> Outcome:
    if stage.ramdisk is None:
        return
    home = layout.region(stage.ramdisk)
    for region in map(layout.region, stage.regions):
        if region.chip != home.chip:
            yield SPANS_CHIPS(stage=stage.name, home=home.chip, other=region.area).at(
                region=region,
                where=stage.at_key("regions"),
                offset=region.at,
                length=region.size,
            )


def _sectors_values(*, size: int, start: int) -> None: ...


SECTORS = Rule(
    name="region-not-whole-sectors",
    severity=Severity.ERROR,
    values=_sectors_values,
    message="{region} is {size:bytes} at {start:place}: not whole 512-byte sectors",
    effect="It is read and written by sectors: the first or last bytes are someone else's.",
    fix="Make its offset and size multiples of 512.",
    moves=True,
    computed="offset or size mod 512 is not 0",
    sources=(
        in_u_boot("doc/usage/cmd/mmc.rst", says="mmc write addr blk# cnt"),
        in_u_boot(
            "env/Kconfig",
            "ENV_IS_IN_MMC",
            "These two values are in units of bytes, but must be aligned to an MMC sector"
            " boundary.",
        ),
    ),
    bad=emmc("name: loader, chip: emmc/boot0, at: 0x100, size: 64 KiB"),
    good=emmc("name: loader, chip: emmc/boot0, at: 0x200, size: 64 KiB"),
)


@check(SECTORS, over=REGIONS.only(lambda found: found.chip.kind.sectors))
def whole_sectors(found: There) -> Outcome:
    region = found.region
    if region.at % 512 or region.size % 512:
        yield SECTORS(size=region.size, start=region.at).at(
            region=region,
            key="at" if region.at % 512 else "size",
            offset=region.at,
            length=region.size,
        )
