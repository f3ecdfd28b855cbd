"""The volumes of a UBI as places of the layout: that they are there, and as it says."""

from __future__ import annotations

from collections.abc import Iterator

from imgaudit.contents.build import Placement
from imgaudit.data import dataclass
from imgaudit.formats.ubi import Ubi, Volume
from imgaudit.model import Region
from imgaudit.rules.cited import PRACTICE, in_linux, manual
from imgaudit.rules.engine import Cause, NotChecked, Outcome, Rule, Severity, check
from imgaudit.rules.examples import nand
from imgaudit.rules.subject import Subject
from imgaudit.rules.ubi import ubi
from imgaudit.units import KIB

_UBI = "name: ubi, at: 0, size: 0x100000, holds: ubi, file: system.ubi"
_PAGES = (2048, 4096)
_NAMED = "name: rootfs, chip: nand/ubi, size: 60 KiB, holds: raw, writer: release"


def _system(data: bytes = b"tide" * 1000, name: bytes = b"rootfs") -> bytes:
    return ubi(64 * KIB, 1, at=_PAGES, data=data, name=name)


@dataclass(frozen=True, slots=True)
class _Holder:
    """A UBI that was read, and its volumes that are regions of the layout."""

    placement: Placement
    facts: Ubi
    regions: tuple[Region, ...]


def _holders(subject: Subject) -> Iterator[_Holder]:
    for placement in subject.placements:
        payload, name = placement.payload, placement.region.name
        if payload is None or not isinstance(payload.facts, Ubi) or subject.layout is None:
            continue
        regions = tuple(region for region in subject.layout.regions if region.holder == name)
        if regions:
            yield _Holder(placement, payload.facts, regions)


def _missing_values(volume: str, *, there: str) -> None: ...


MISSING = Rule(
    name="volume-missing",
    renames=True,
    severity=Severity.ERROR,
    values=_missing_values,
    message="{artifact} has no volume {volume}, which is {region}; it has {there}",
    effect="Neither U-Boot nor Linux makes it: what wants it fails.",
    fix="Add it to what ubinize reads, or correct the region's label.",
    computed="a region is a volume of a UBI whose volume table has none of that name",
    sources=(in_linux("drivers/mtd/ubi/vtbl.c", "init_volumes"), manual("ubinize(8)", "vol_name")),
    bad=nand(_UBI, _NAMED, files={"system.ubi": lambda: _system(name=b"system")}),
    good=nand(_UBI, _NAMED, files={"system.ubi": _system}),
)


@check(MISSING)
def volume_missing(subject: Subject) -> Outcome:
    for holder in _holders(subject):
        there = ", ".join(volume.name for volume in holder.facts.volumes) or "none"
        for region in holder.regions:
            if _volume(holder, region) is None:
                yield MISSING(volume=region.label, there=there).at(
                    region=region, artifact=holder.placement.path, key="label"
                )


def _volume(holder: _Holder, region: Region) -> Volume | None:
    return holder.facts.volume(region.label)


def _size_values(*, room: int, size: int, blocks: int, leb: int) -> None: ...


SIZE = Rule(
    name="volume-size-differs",
    severity=Severity.ERROR,
    values=_size_values,
    message=(
        "{region} has {size:bytes} in the layout, and {room:bytes} in {artifact}: {blocks:+block}"
        " of {leb:bytes}"
    ),
    effect="The volume is as large as its table says: what is planned beyond that does not fit.",
    fix="Correct vol_size in what ubinize reads, or the region's size.",
    computed="reserved blocks x the size of a logical block is less than the region's size, or more"
    " by a block or more; a volume with autoresize may only be larger",
    sources=(
        in_linux("drivers/mtd/ubi/ubi-media.h", "ubi_vtbl_record"),
        manual(
            "ubinize(8)",
            "If vol_size key is absent, the volume size is assumed to be equivalent to the size"
            " of the image file",
        ),
    ),
    bad=nand(_UBI, _NAMED.replace("60 KiB", "64 KiB"), files={"system.ubi": _system}),
    good=nand(_UBI, _NAMED.replace("60 KiB", "59 KiB"), files={"system.ubi": _system}),
)


@check(SIZE)
def volume_size(subject: Subject) -> Outcome:
    for holder in _holders(subject):
        for region in holder.regions:
            volume = _volume(holder, region)
            if volume is None:
                continue
            large = volume.room >= region.size + volume.leb_size
            if (volume.room < region.size or large) and not volume.autoresize:
                yield SIZE(
                    room=volume.room,
                    size=region.size,
                    blocks=volume.reserved_pebs,
                    leb=volume.leb_size,
                ).at(region=region, artifact=holder.placement.path, key="size")


def _unnamed_values(volume: str, *, room: int) -> None: ...


UNNAMED = Rule(
    name="volume-not-in-layout",
    severity=Severity.WARNING,
    values=_unnamed_values,
    message="{artifact} has a volume {volume} of {room:bytes}, and no region of the layout is it",
    effect="Nobody says who writes it, and nothing is judged by what it is for.",
    fix="Name it as a region with `chip: {chip}/{region}`, or take it out of the UBI.",
    computed="the layout names volumes of a UBI, and its table has another one",
    sources=(PRACTICE,),
    bad=nand(_UBI, _NAMED, files={"system.ubi": lambda: _system(name=b"system")}),
    good=nand(_UBI, _NAMED, files={"system.ubi": _system}),
)


@check(UNNAMED)
def volume_unnamed(subject: Subject) -> Outcome:
    for holder in _holders(subject):
        named = {label for region in holder.regions for label in region.labels}
        # A volume that is called otherwise is missed under one name, and too many under the other.
        missed = (region.name for region in holder.regions if _volume(holder, region) is None)
        for volume in holder.facts.volumes:
            if volume.name not in named:
                other = next(missed, None)
                cause = Cause(frozenset({MISSING.name}), region=other)
                yield UNNAMED(volume=volume.name, room=volume.room).at(
                    region=holder.placement.region,
                    artifact=holder.placement.path,
                    causes=() if other is None else (cause,),
                )


def _differs_values(*, holder: str, first: int) -> None: ...


DIFFERS = Rule(
    name="volume-differs",
    severity=Severity.ERROR,
    values=_differs_values,
    message="{holder} holds something else than {artifact} in {region}, from byte {first:,} on",
    effect="The board runs other bytes than the release's artifacts.",
    fix="Run ubinize again, on the artifacts of this build.",
    computed="the volume's bytes, as long as the artifact is, are not the artifact",
    sources=(PRACTICE,),
    bad=nand(
        _UBI,
        f"{_NAMED}, file: root",
        files={"system.ubi": _system, "root": lambda: b"tide" * 999 + b"ebb!"},
    ),
    good=nand(
        _UBI,
        f"{_NAMED}, file: root",
        files={"system.ubi": _system, "root": lambda: b"tide" * 1000},
    ),
)


@check(DIFFERS)
def volume_differs(subject: Subject) -> Outcome:
    placed = {placement.region.name: placement for placement in subject.placements}
    for holder in _holders(subject):
        artifact = holder.placement.artifact
        slices = artifact.slices if artifact is not None else {}
        for region in holder.regions:
            mine, there = placed[region.name], slices.get(region.name)
            if region.file is None or mine.payload is None or there is None:
                continue
            own, other = mine.payload.view, there.content.view
            if own is None or other is None:
                yield NotChecked(DIFFERS.name, region.name, "their bytes were not kept")
                continue
            size = own.size
            one, two = own.bytes(0, size), other.upto(0, size).ljust(size, b"\xff")
            if one != two:
                first = next(at for at in range(size) if one[at] != two[at])
                yield DIFFERS(holder=holder.placement.path or "", first=first).at(
                    region=region, artifact=mine.path, key="file"
                )
