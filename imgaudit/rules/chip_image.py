"""An image or a dump of a whole chip against what should be in it."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace

from imgaudit.contents.chips import erase_block
from imgaudit.contents.comparison import ChipImage, Comparison, Look
from imgaudit.contents.tree import Artifact
from imgaudit.data import dataclass
from imgaudit.formats.uboot_env import UbootEnv
from imgaudit.model import Chip, Region, Writer
from imgaudit.release.manifest import Manifest, SealedPayload, SealedRegion, dump
from imgaudit.rules import kinds
from imgaudit.rules.cited import PRACTICE, in_u_boot
from imgaudit.rules.engine import (
    Case,
    Example,
    Finding,
    Kind,
    NotChecked,
    Outcome,
    Rule,
    Severity,
    check,
    nothing,
)
from imgaudit.rules.examples import nor
from imgaudit.rules.subject import Subject
from imgaudit.units import KIB, MIB, both, place
from imgaudit.writers.env import environment
from imgaudit.writers.sparse import filler, patched

_CHIP = "size: 1 MiB, erase-block: 64 KiB, image: nor.img"
_REGIONS = (
    "name: firmware, at: 0, size: 256 KiB, file: firmware.bin",
    "name: recovery, at: 256 KiB, size: 512 KiB, file: recovery.bin",
)


def _firmware() -> bytes:
    return filler("firmware", 80_000)


def _recovery() -> bytes:
    return filler("recovery", 240_000)


def _image(change: Callable[[bytearray], None] | None = None) -> bytes:
    image = bytearray(b"\xff" * MIB)
    image[: len(_firmware())] = _firmware()
    image[256 * KIB : 256 * KIB + len(_recovery())] = _recovery()
    if change is not None:
        change(image)
    return bytes(image)


def _example(change: Callable[[bytearray], None] | None = None) -> Example:
    return nor(
        *_REGIONS,
        chip=_CHIP,
        files={
            "firmware.bin": _firmware,
            "recovery.bin": _recovery,
            "nor.img": lambda: _image(change),
        },
    )


def _sealed_example(change: Callable[[bytearray], None] | None = None) -> Example:
    """Give a dump that is held against a manifest; the artifacts are not needed for it."""

    def sealed() -> bytes:
        regions = tuple(
            SealedRegion(
                name=name,
                chip="nor",
                offset=offset,
                size=size,
                payload=SealedPayload(size=len(data), sha256=hashlib.sha256(data).hexdigest()),
            )
            for name, offset, size, data in (
                ("firmware", 0, 256 * KIB, _firmware()),
                ("recovery", 256 * KIB, 512 * KIB, _recovery()),
            )
        )
        return dump(
            Manifest(file="", board="example", layout_sha256="0" * 64, regions=regions)
        ).encode()

    return replace(
        nor(
            *_REGIONS,
            files={
                "firmware.bin": _firmware,
                "recovery.bin": _recovery,
                "nor.bin": lambda: _image(change),
                "manifest.json": sealed,
            },
        ),
        manifest="manifest.json",
        dumps={"nor": "nor.bin"},
    )


def _environment_example(saved: Mapping[str, str] | None) -> Example:
    """Give a dump in which the environment was saved, or damaged."""

    def stored(variables: Mapping[str, str]) -> bytes:
        return environment(variables, 8 * KIB, None)

    built = {"bootcmd": "run main"}
    found = patched(stored(built), 20, b"M") if saved is None else stored(saved)
    return replace(
        nor(
            "name: env, at: 0, size: 64 KiB, holds: uboot-env, file: u-boot.env, writer: runtime,"
            " env: {size: 8 KiB}",
            files={
                "u-boot.env": lambda: stored(built),
                "nor.bin": lambda: found.ljust(MIB, b"\xff"),
            },
        ),
        dumps={"nor": "nor.bin"},
    )


def _flip(image: bytearray) -> None:
    image[0x41000] ^= 0x55


def _shift(image: bytearray) -> None:
    image[256 * KIB :] = b"\xff" * 64 + image[256 * KIB : -64]


def _swap(image: bytearray) -> None:
    image[::2], image[1::2] = image[1::2], image[::2]


def _mirror(image: bytearray) -> None:
    image[:] = image.translate(bytes(int(f"{value:08b}"[::-1], 2) for value in range(256)))


def _exchange(image: bytearray) -> None:
    image[:] = image[MIB // 2 :] + image[: MIB // 2]


def _program_over(image: bytearray) -> None:
    for at in range(0x42000, 0x43000):
        image[at] &= at * 37 & 0xFF


def _hold_low(image: bytearray) -> None:
    for at in range(0x42000, 0x43000):
        image[at] &= 0xF7


def _firmware_again(image: bytearray) -> None:
    image[256 * KIB : 256 * KIB + len(_firmware())] = _firmware()


def _hole(image: bytearray) -> None:
    image[0x50000:0x60000] = b"\xff" * 0x10000


def _dirty_tail(image: bytearray) -> None:
    image[0xB0000:0xB1000] = bytes(0x1000)


def _dirty_gap(image: bytearray) -> None:
    image[0xE0000:0xE0010] = b"left over from b"


def _repeat(image: bytearray) -> None:
    image[MIB // 2 :] = image[: MIB // 2]


def _from_recovery(image: bytearray) -> None:
    del image[: 256 * KIB]


def _cut(image: bytearray) -> None:
    del image[384 * KIB :]


def _spot(chip: Chip, offset: int) -> str:
    """Say a place on a chip, with the number of its erase block where there is one."""
    block = erase_block(chip, offset)
    return place(offset) if block is None else f"{place(offset)} (erase block {block})"


def _amount(comparison: Comparison) -> str:
    """Say how much differs; by digests it is only known in blocks."""
    return ("" if comparison.exact else "up to ") + both(comparison.differing)


def _expected(subject: Subject, region: Region) -> str:
    """Name what should be in a region."""
    for placement in subject.placements:
        if placement.region.name == region.name and placement.path is not None:
            return placement.path
    sealed = subject.manifest.region(region.name) if subject.manifest else None
    if sealed is not None and sealed.artifact is not None:
        return sealed.artifact.path
    return region.file or region.name


@dataclass(frozen=True, slots=True, eq=False)
class _Image:
    """An image or a dump that was read."""

    subject: Subject
    image: ChipImage
    artifact: Artifact

    def finding(self, case: Case) -> Finding:
        """Make a finding about all of it."""
        return case.at(
            artifact=self.artifact.path,
            chip=self.image.area,
            where=self.image.chip.at_key("image"),
            image=self.artifact.path,
        )

    def regions(self) -> Iterator[_Compared]:
        """Give each region that was compared in it."""
        for comparison in self.image.comparisons:
            yield _Compared(self.subject, self.image, comparison)


@dataclass(frozen=True, slots=True, eq=False)
class _Compared:
    """A region, and how it stands in an image or a dump."""

    subject: Subject
    image: ChipImage
    comparison: Comparison

    @property
    def region(self) -> Region:
        """The region."""
        return self.comparison.region

    @property
    def look(self) -> Look:
        """What it looks like."""
        return self.comparison.look

    @property
    def what(self) -> str:
        """What should be there, and where."""
        return f"{_expected(self.subject, self.region)} in {self.region.name}"

    def finding(self, case: Case, comparison: Comparison | None = None) -> Finding:
        """Make a finding about where it starts to differ, and by how much."""
        image, region, comparison = self.image, self.region, comparison or self.comparison
        first = region.at + (region.file_at if comparison.first is None else comparison.first)
        return case.at(
            region=region,
            artifact=_expected(self.subject, region),
            offset=first,
            length=comparison.differing or None,
            image=image.artifact.path if image.artifact else "",
            first=first,
            differing=comparison.differing,
            spot=_spot(image.chip, first),
            amount=_amount(comparison),
        )


def _images(subject: Subject) -> Iterator[_Image]:
    for image in subject.images:
        if image.artifact is not None:
            yield _Image(subject, image, image.artifact)


IMAGES = Kind(_images, lambda image: image.artifact.path)
REGIONS = IMAGES.each(_Image.regions, lambda one: f"{one.region.name} in {one.image.area}")


DIFFERS = Rule(
    name="chip-image-differs",
    severity=Severity.ERROR,
    values=nothing,
    message=(
        "{image} holds something else than {artifact} in {region}: {amount} differ, the first at"
        " {spot}"
    ),
    effect="The board runs other bytes than the release's artifacts.",
    fix="Assemble the image again from the artifacts of this build.",
    writes=True,
    computed="image[region start + file-at, + artifact size) is not the artifact; on an eMMC in"
    " blocks of 64 KiB",
    sources=(PRACTICE,),
    bad=_example(_flip),
    good=_example(),
)


@check(DIFFERS, over=kinds.IMAGES, given=kinds.whole)
def image_differs(image: ChipImage, subject: Subject) -> Outcome:
    kind = "dump" if image.dump else "image"
    if image.artifact is None:
        why = image.missing or "the image could not be read"
        yield NotChecked(DIFFERS.name, f"{image.area or image.chip.name} {kind}", why)
    for comparison in image.comparisons:
        if comparison.look is Look.UNKNOWN:
            yield NotChecked(DIFFERS.name, comparison.region.name, comparison.why)
        if comparison.look is Look.DIFFERS and comparison.digests is None:
            yield _Compared(subject, image, comparison).finding(DIFFERS())
    if image.dump and subject.layout is not None:
        compared = {comparison.region.name for comparison in image.comparisons}
        for region in subject.layout.regions_on(image.area):
            if region.name not in compared:
                yield NotChecked(DIFFERS.name, region.name, _nothing_for(subject, region))


def _nothing_for(subject: Subject, region: Region) -> str:
    if subject.manifest is not None:
        return "the manifest seals nothing for it"
    missing = (item.missing for item in subject.placements if item.region.name == region.name)
    return next(missing, "") or "no artifact is built for it"


def _from_manifest_values(*, manifest: str, sealed: str, found: str) -> None: ...


FROM_MANIFEST = Rule(
    name="chip-image-differs-from-manifest",
    severity=Severity.ERROR,
    values=_from_manifest_values,
    message=(
        "{image} holds something else in {region} than {manifest} seals: SHA-256 {found}…, sealed"
        " {sealed}…"
    ),
    effect="The board runs other bytes than the release that was sealed.",
    fix="Read back against the artifacts to see where they differ.",
    writes=True,
    computed="the SHA-256 of as many bytes as the manifest's payload has, from its place",
    sources=(PRACTICE,),
    bad=_sealed_example(_flip),
    good=_sealed_example(),
)


@check(FROM_MANIFEST, over=REGIONS)
def differs_from_manifest(one: _Compared) -> Outcome:
    digests, manifest = one.comparison.digests, one.subject.manifest
    if one.look is Look.DIFFERS and digests is not None and manifest is not None:
        sealed, found = (digest[:12] for digest in digests)
        yield one.finding(FROM_MANIFEST(manifest=manifest.file, sealed=sealed, found=found))


def _other_values(other: str | None) -> None: ...


OTHER = Rule(
    name="chip-image-holds-other-region",
    stops=True,
    severity=Severity.ERROR,
    values=_other_values,
    message="{image} holds the artifact of {other} at {spot}, where {artifact} of {region} belongs",
    effect="What starts from {region} gets the content of {other}.",
    fix="Correct the offset or the file name of the write.",
    writes=True,
    computed="another region's whole artifact stands at the place of this one",
    sources=(PRACTICE,),
    bad=_example(_firmware_again),
    good=_example(),
)


@check(OTHER, over=REGIONS)
def holds_other_region(one: _Compared) -> Outcome:
    if one.look is Look.OTHER:
        yield one.finding(OTHER(other=one.comparison.holds))


def _shifted_values(*, found: int, wanted: int, distance: int) -> None: ...


SHIFTED = Rule(
    name="chip-image-content-shifted",
    stops=True,
    severity=Severity.ERROR,
    values=_shifted_values,
    message=(
        "{image} holds {artifact} at {found:place} instead of {wanted:place}: {distance:bytes} off"
    ),
    effect="The boot reads {region} from its place and finds padding or another file's bytes.",
    fix="Correct the offset where the image is put together or written (seek, skip, headers).",
    writes=True,
    computed="64 bytes from the artifact's start, and 64 KiB from there, stand elsewhere",
    sources=(PRACTICE,),
    bad=_example(_shift),
    good=_example(),
)


@check(SHIFTED, over=REGIONS)
def image_shifted(one: _Compared) -> Outcome:
    if one.look is Look.SHIFTED:
        distance = one.comparison.shifted or 0
        wanted = one.region.at + one.region.file_at
        found = wanted + distance
        finding = one.finding(SHIFTED(found=found, wanted=wanted, distance=abs(distance)))
        yield replace(finding, offset=found, length=one.comparison.size)


def _swapped_values(*, what: str, group: int | None) -> None: ...


SWAPPED = Rule(
    name="chip-image-bytes-swapped",
    stops=True,
    severity=Severity.ERROR,
    values=_swapped_values,
    message="{image} holds {what} with its bytes swapped in groups of {group}",
    effect="No magic number is where the boot looks for it: nothing starts.",
    fix="Turn off the byte swapping of the programmer or of the dump, and read it again.",
    writes=True,
    computed="reversing every group of 2 or 4 bytes of the artifact gives what the image holds",
    sources=(PRACTICE,),
    bad=_example(_swap),
    good=_example(),
)


@check(SWAPPED, over=IMAGES)
def image_swapped(image: _Image) -> Outcome:
    if image.image.swapped is not None:
        yield image.finding(SWAPPED(what="everything", group=image.image.swapped))
    for one in image.regions():
        if one.look is Look.SWAPPED:
            yield one.finding(SWAPPED(what=one.what, group=one.comparison.swapped))


def _mirrored_values(*, what: str) -> None: ...


MIRRORED = Rule(
    name="chip-image-bits-reversed",
    stops=True,
    severity=Severity.ERROR,
    values=_mirrored_values,
    message="{image} holds {what} with the bits of every byte reversed",
    effect="No magic number is where the boot looks for it: nothing starts.",
    fix="Set the bit order of the programmer or of the dump to the most significant bit first.",
    writes=True,
    computed="reversing the eight bits of every byte of the artifact gives what the image holds",
    sources=(PRACTICE,),
    bad=_example(_mirror),
    good=_example(),
)


@check(MIRRORED, over=IMAGES)
def image_mirrored(image: _Image) -> Outcome:
    if image.image.mirrored:
        yield image.finding(MIRRORED(what="everything"))
    for one in image.regions():
        if one.look is Look.MIRRORED:
            yield one.finding(MIRRORED(what=one.what))


def _exchanged_values(*, half: int) -> None: ...


EXCHANGED = Rule(
    name="chip-image-halves-exchanged",
    stops=True,
    severity=Severity.ERROR,
    values=_exchanged_values,
    message="{image} has its halves exchanged: what belongs at {half:place} stands at 0x0",
    effect="The boot ROM starts at the content of the second half: nothing starts.",
    fix="Look at the highest address bit, or at the order in which the halves were joined.",
    writes=True,
    computed="the artifacts stand where they should once the halves change places",
    sources=(PRACTICE,),
    bad=_example(_exchange),
    good=_example(),
)


@check(EXCHANGED, over=IMAGES)
def image_exchanged(one: _Image) -> Outcome:
    if one.image.exchanged:
        yield one.finding(EXCHANGED(half=one.image.size // 2))


def _starts_values(*, what: str, base: int) -> None: ...


STARTS = Rule(
    name="chip-image-starts-elsewhere",
    stops=True,
    severity=Severity.ERROR,
    values=_starts_values,
    message="{image} is not a whole image of {chip}: {what}",
    effect="Written from the start of the chip, every region would land in the wrong place.",
    fix="Read the whole chip, not a partition, and take off what was put in front.",
    computed="all artifacts stand by the same distance before or behind where they should",
    sources=(PRACTICE,),
    bad=_example(_from_recovery),
    good=_example(),
)


@check(STARTS, over=IMAGES)
def image_starts_elsewhere(one: _Image) -> Outcome:
    base = one.image.base
    if base > 0:
        what = f"its first byte is the one at {_spot(one.image.chip, base)}"
    else:
        what = f"{both(-base)} stand before its first byte"
    if base:
        yield one.finding(STARTS(what=what, base=base))


def _ends_values(*, end: int) -> None: ...


ENDS = Rule(
    name="chip-image-ends-early",
    stops=True,
    severity=Severity.ERROR,
    values=_ends_values,
    message="{image} ends at {end:place}: it does not hold all of {artifact} for {region}",
    effect="{region} is cut off, or not there at all.",
    fix="Read or assemble it again up to the end of the chip.",
    computed="region start + file-at + artifact size is beyond the image's end",
    sources=(PRACTICE,),
    bad=_example(_cut),
    good=_example(),
)


@check(ENDS, over=REGIONS)
def image_ends_early(one: _Compared) -> Outcome:
    if one.look is Look.CUT:
        yield one.finding(ENDS(end=one.image.size))


NOT_ERASED = Rule(
    name="chip-image-not-erased-first",
    stops=True,
    severity=Severity.ERROR,
    values=nothing,
    message=(
        "{image} was programmed without an erase in {region}: {amount} of {artifact} differ, the"
        " first at {spot}, and every bit that differs reads 0"
    ),
    effect="{region} holds a mixture of old and new bytes: its checksum fails, or worse, it runs.",
    fix="Erase {region} before it is programmed.",
    writes=True,
    computed="image AND artifact = image, with 32 or more bits that differ",
    sources=(PRACTICE,),
    bad=_example(_program_over),
    good=_example(),
)


@check(NOT_ERASED, over=REGIONS)
def not_erased_first(one: _Compared) -> Outcome:
    if one.look is Look.NOT_ERASED:
        yield one.finding(NOT_ERASED())


def _stuck_values(*, bit: int | None) -> None: ...


STUCK = Rule(
    name="chip-image-bit-stuck",
    severity=Severity.ERROR,
    values=_stuck_values,
    message=(
        "{image} differs from {artifact} in {region} in bit {bit} of a byte only: {amount}, the"
        " first at {spot}"
    ),
    effect="A data line or a worn flash: what is written there does not come back.",
    fix="Read the chip again; where it comes back the same, look at the data lines and the part.",
    writes=True,
    computed="8 or more bytes differ, all in the same single bit",
    sources=(PRACTICE,),
    bad=_example(_hold_low),
    good=_example(),
)


@check(STUCK, over=REGIONS)
def bit_stuck(one: _Compared) -> Outcome:
    if one.look is Look.STUCK:
        yield one.finding(STUCK(bit=one.comparison.stuck))


def _hole_values(*, start: int, end: int) -> None: ...


HOLE = Rule(
    name="chip-image-erased-hole",
    follows=("chip-image-differs",),
    stops=True,
    severity=Severity.ERROR,
    values=_hole_values,
    message=(
        "{image} is erased from {spot} to {end:place}, where {artifact} has data for {region}"
    ),
    effect="The payload has a hole: its checksum fails, or it runs into erased flash.",
    fix="Look for an erase of a neighbour that reaches into {region}, then assemble again.",
    writes=True,
    computed="a run of 0xFF of at least 4 KiB where the artifact has other bytes",
    sources=(PRACTICE,),
    bad=_example(_hole),
    good=_example(),
)


@check(HOLE, over=REGIONS)
def image_hole(one: _Compared) -> Outcome:
    for hole in one.comparison.holes if one.look in {Look.ERASED, Look.DIFFERS} else ():
        case = HOLE(start=one.region.at + hole.start, end=one.region.at + hole.end)
        yield one.finding(case, replace(one.comparison, first=hole.start, differing=hole.size))


_SAME_PLACE = frozenset({Look.SAME, Look.DIFFERS, Look.ERASED, Look.NOT_ERASED, Look.STUCK})


def _tail_values(*, size: int, start: int) -> None: ...


TAIL = Rule(
    name="chip-image-tail-not-erased",
    severity=Severity.WARNING,
    values=_tail_values,
    message="{image} has data behind {artifact} in {region}: {size:bytes} from {spot}",
    effect=(
        "Flash can only be programmed from 1 to 0, so what is appended later is garbled; an old"
        " image's tail can be taken for a file system or a FIT."
    ),
    fix="Fill the rest of the region with 0xFF.",
    writes=True,
    computed="bytes behind the artifact, to the region's end, are not 0xFF",
    sources=(PRACTICE,),
    bad=_example(_dirty_tail),
    good=_example(),
)


@check(TAIL, over=REGIONS)
def image_tail(one: _Compared) -> Outcome:
    region, comparison = one.region, one.comparison
    # An environment may be padded as it likes: saveenv erases it as a whole.
    mutable = region.holds == "uboot-env" or region.writer is Writer.RUNTIME
    if one.look not in _SAME_PLACE or mutable or not comparison.tail:
        return
    # By digests alone, what differs may as well be shifted.
    if comparison.digests is None:
        start, size = comparison.tail[0].start, sum(span.size for span in comparison.tail)
        behind = replace(comparison, first=start, differing=size)
        yield one.finding(TAIL(size=size, start=region.at + start), behind)


def _gap_values(*, size: int, start: int, spot: str) -> None: ...


GAP = Rule(
    name="chip-image-gap-not-erased",
    severity=Severity.WARNING,
    values=_gap_values,
    message="{image} has {size:bytes} of data at {spot} on {chip}, where no region is",
    effect="Something uses flash that the map does not know: the next region put there meets it.",
    fix="Add the region that is missing from the layout, or erase the gap.",
    writes=True,
    computed="bytes between regions are not 0xFF",
    sources=(PRACTICE,),
    bad=_example(_dirty_gap),
    good=_example(),
)


@check(GAP, over=IMAGES)
def image_gap(one: _Image) -> Outcome:
    chip = one.image.chip
    for gap in one.image.gaps if chip.kind.in_memory else ():
        case = GAP(size=gap.size, start=gap.start, spot=_spot(chip, gap.start))
        yield replace(one.finding(case), offset=gap.start, length=gap.size)


def _repeats_values(*, period: int) -> None: ...


REPEATS = Rule(
    name="chip-image-halves-repeat",
    stops=True,
    severity=Severity.ERROR,
    values=_repeats_values,
    message="{image} repeats itself after {period:bytes}: the rest of {chip} is not in it",
    effect=(
        "The address wrapped while the image was read or made, as with a programmer that sends"
        " three address bytes: the upper part's real content is not in it."
    ),
    fix="Read or assemble it again with four address bytes.",
    computed="image[0, size/2) equals image[size/2, size) and is not blank, and so on for quarters",
    sources=(PRACTICE,),
    bad=_example(_repeat),
    good=_example(),
)


@check(REPEATS, over=IMAGES)
def image_repeats(one: _Image) -> Outcome:
    period = one.image.period
    if period is not None:
        length = one.image.size - period
        yield replace(one.finding(REPEATS(period=period)), offset=period, length=length)


def _saved_values(*, changes: str) -> None: ...


SAVED = Rule(
    name="chip-image-environment-saved",
    severity=Severity.NOTE,
    values=_saved_values,
    message="{image}: {region} was saved since it was built: {changes}",
    effect="The board boots by what it saved, not by what the release carries.",
    fix="Nothing, where this is what the unit should remember; else set the variables back.",
    computed="the environment's CRC is valid and its variables are not those of the artifact",
    sources=(
        in_u_boot("doc/usage/environment.rst", says="saved to persistent storage using"),
        in_u_boot("env/common.c", "env_import"),
    ),
    bad=_environment_example({"bootcmd": "run main", "bootcount": "3"}),
    good=_environment_example({"bootcmd": "run main"}),
)


@check(SAVED, over=REGIONS)
def environment_saved(one: _Compared) -> Outcome:
    changes = _changes(one.subject, one.comparison) if one.look is Look.SAVED else ""
    if changes:
        yield one.finding(SAVED(changes=changes))


_MOST_CHANGES = 8


def _changes(subject: Subject, comparison: Comparison) -> str:
    """Say which variables differ; against a manifest only that they do is known."""
    found = comparison.environment
    names = [item for item in subject.placements if item.region.name == comparison.region.name]
    built = names[0].payload.facts if names and names[0].payload else None
    if found is None:
        return ""
    if not isinstance(built, UbootEnv):
        return f"its CRC-32 is {found.checksums[0].stored} now"
    was = {variable.name: variable.value for variable in built.variables}
    now = {variable.name: variable.value for variable in found.variables}
    words = [
        f"{name} {_change(was.get(name), now.get(name))}"
        for name in sorted(was.keys() | now.keys())
        if was.get(name) != now.get(name)
    ]
    more = len(words) - _MOST_CHANGES
    return ", ".join(words[:_MOST_CHANGES]) + (f" and {more} more" if more > 0 else "")


def _change(was: str | None, now: str | None) -> str:
    if was is None:
        return f"is new ({_short(now or '')})"
    return "is gone" if now is None else f"from {_short(was)} to {_short(now)}"


def _short(value: str) -> str:
    text = repr(value)
    return text if len(text) <= 40 else text[:39] + "…"


def _broken_values(*, why: str) -> None: ...


BROKEN = Rule(
    name="chip-image-environment-broken",
    severity=Severity.ERROR,
    values=_broken_values,
    message="{image} has no environment in {region} that U-Boot would take: {why}",
    effect='U-Boot says "bad CRC, using default environment" and boots by what is compiled in.'
    " Where the other of two copies is good, it takes that one and says nothing.",
    fix="Boot with what U-Boot takes instead, look at its variables, and save them.",
    writes=True,
    computed="no CRC-32 in the dump's region matches; a warning where the other copy is valid",
    sources=(
        in_u_boot("env/common.c", "env_import", "bad CRC"),
        in_u_boot("env/common.c", "env_check_redund", "else if (crc1_ok && !crc2_ok)"),
        in_u_boot("env/common.c", "env_set_default", "*** Warning - %s, using default environment"),
    ),
    bad=_environment_example(None),
    good=_environment_example({"bootcmd": "run main"}),
)


@check(BROKEN, over=REGIONS)
def environment_broken(one: _Compared) -> Outcome:
    found = one.comparison.environment
    if one.look is not Look.BROKEN:
        return
    if found is None:
        why = "it holds no name=value text"
    elif found.blank is not None:
        why = f"every byte is {found.blank:#04x}"
    else:
        why = f"its CRC {found.checksums[0].stored} fits none of its bytes"
    finding = one.finding(BROKEN(why=why))
    spare = _copy_is_valid(one.image, one.region)
    yield replace(finding, severity=Severity.WARNING) if spare else finding


def _copy_is_valid(image: ChipImage, region: Region) -> bool:
    own = region.env.copy if region.env else None
    return any(
        other.environment is not None
        and other.environment.valid
        and (
            other.region.name == own
            or (other.region.env is not None and other.region.env.copy == region.name)
        )
        for other in image.comparisons
    )
