"""This build against the manifest of a sealed one: what changed, was added or is missing."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import replace
from typing import NamedTuple

from imgaudit.contents.build import Placement
from imgaudit.contents.tree import Artifact
from imgaudit.model import Layout
from imgaudit.release.manifest import Manifest, SealedFile, SealedPayload, SealedRegion, dump
from imgaudit.release.seal import versions
from imgaudit.rules import kinds
from imgaudit.rules.cited import PRACTICE
from imgaudit.rules.engine import Example, Kind, NotChecked, Outcome, Rule, Severity, check
from imgaudit.rules.examples import nor
from imgaudit.rules.subject import Subject
from imgaudit.units import KIB, both, place

_REGION = "name: firmware, at: 0, size: 256 KiB"
_BUILT = f"{_REGION}, file: firmware.bin"


def _firmware() -> bytes:
    return b"U-Boot 2026.07 (Jul 06 2026 - 12:00:00 +0000)\0".ljust(4 * KIB, b"\x5a")


def _sealed_firmware(data: bytes | None = None) -> SealedRegion:
    data = _firmware() if data is None else data
    sha256 = hashlib.sha256(data).hexdigest()
    banner = data.partition(b"\0")[0].decode()
    return SealedRegion(
        name="firmware",
        chip="nor",
        offset=0,
        size=256 * KIB,
        artifact=SealedFile(path="firmware.bin", size=len(data), sha256=sha256),
        payload=SealedPayload(size=len(data), sha256=sha256),
        versions={"u-boot": (banner,)},
    )


_EARLIER = _sealed_firmware(_firmware().replace(b"2026.07", b"2026.04"))
_NOTHING_BUILT = replace(_sealed_firmware(), artifact=None, payload=None, versions={})
_EXTRA = replace(_NOTHING_BUILT, name="splash", offset=512 * KIB)


def _example(
    *sealed: SealedRegion,
    region: str = _BUILT,
    board: str = "example",
    layout_sha256: str | None = None,
) -> Example:
    """Give a build of one region that is held against a manifest of these regions."""
    bare = nor(region, files={"firmware.bin": _firmware})
    manifest = Manifest(
        file="",
        board=board,
        layout_sha256=layout_sha256 or hashlib.sha256(bare.layout.encode()).hexdigest(),
        regions=sealed,
    )
    return replace(
        bare,
        files={**bare.files, "manifest.json": lambda: dump(manifest).encode()},
        manifest="manifest.json",
    )


_GOOD = _example(_sealed_firmware())


class _Pair(NamedTuple):
    manifest: Manifest
    layout: Layout
    placement: Placement
    sealed: SealedRegion


def _of_one_board(subject: Subject) -> tuple[Manifest, Layout] | None:
    """Give manifest and layout where both are there and about the same board."""
    manifest, layout = subject.manifest, subject.layout
    if manifest is None or layout is None or manifest.board != layout.board:
        return None
    return manifest, layout


def _pairs(subject: Subject) -> Iterator[_Pair]:
    """Give every region that is in this build and was sealed."""
    found = _of_one_board(subject)
    if found is None:
        return
    manifest, layout = found
    for placement in subject.placements:
        sealed = manifest.region(placement.region.name)
        if sealed is not None:
            yield _Pair(manifest, layout, placement, sealed)


PAIRS = Kind(_pairs, lambda pair: pair.placement.region.name)


def _board_values(*, manifest: str, sealed: str, board: str) -> None: ...


BOARD = Rule(
    name="manifest-board-differs",
    severity=Severity.ERROR,
    values=_board_values,
    message="{manifest} seals a release for the board {sealed}; the layout is for {board}",
    effect="Another board's firmware: other memory, other pins. It does not start, or does harm.",
    fix="Take the manifest, or the layout, of this board.",
    computed="the manifest's board is not the layout's",
    sources=(PRACTICE,),
    bad=_example(_sealed_firmware(), board="example-2"),
    good=_GOOD,
)


@check(BOARD)
def board_differs(subject: Subject) -> Outcome:
    manifest, layout = subject.manifest, subject.layout
    if manifest is not None and layout is not None and manifest.board != layout.board:
        yield BOARD(manifest=manifest.file, sealed=manifest.board, board=layout.board).at(
            artifact=manifest.file, where=layout.at_key("board")
        )


def _layout_values(*, manifest: str, sealed: str, now: str) -> None: ...


LAYOUT = Rule(
    name="manifest-layout-differs",
    severity=Severity.WARNING,
    values=_layout_values,
    message=(
        "{manifest} was sealed with another version of this layout: SHA-256 {sealed}…, now {now}…"
    ),
    effect="What was released may have been built for another map; places are compared one by one.",
    fix="Seal the release again where the layout's change is meant.",
    computed="the SHA-256 of the layout file is not the one in the manifest",
    sources=(PRACTICE,),
    bad=_example(_sealed_firmware(), layout_sha256="5eed" * 16),
    good=_GOOD,
)


@check(LAYOUT)
def layout_differs(subject: Subject) -> Outcome:
    found = _of_one_board(subject)
    if found is not None and found[0].layout_sha256 != found[1].sha256:
        manifest, layout = found
        yield LAYOUT(
            manifest=manifest.file, sealed=manifest.layout_sha256[:12], now=layout.sha256[:12]
        ).at(artifact=manifest.file, where=layout.where)


def _changed_values(
    *, manifest: str, now: str, sealed: str, size: int, sealed_size: int, versions: str
) -> None: ...


CHANGED = Rule(
    name="manifest-artifact-changed",
    severity=Severity.ERROR,
    values=_changed_values,
    message=(
        "{artifact} for {region} is not what {manifest} seals: SHA-256 {now}…, {size:bytes}; sealed"
        " {sealed}…, {sealed_size:bytes}{versions}"
    ),
    effect="Boards get something else than the release that was tested and signed off.",
    fix="Take the artifact of the release, or seal a new one.",
    computed="size or SHA-256 differ; above 64 MiB, the SHA-256 of the data without its holes",
    sources=(PRACTICE,),
    bad=_example(_EARLIER),
    good=_GOOD,
)


@check(CHANGED, over=PAIRS, given=kinds.whole)
def artifact_changed(pair: _Pair, subject: Subject) -> Outcome:
    manifest, _, placement, sealed = pair
    region, artifact = placement.region, placement.artifact
    if sealed.artifact is None or not placement.given or not subject.given:
        return
    if artifact is None:
        yield NotChecked(CHANGED.name, region.name, placement.missing)
        return
    then, now = _digests(sealed.artifact, artifact)
    if then != now or sealed.artifact.size != artifact.size:
        yield CHANGED(
            manifest=manifest.file,
            now=now[:12],
            sealed=then[:12],
            size=artifact.size,
            sealed_size=sealed.artifact.size,
            versions=_changed_versions(sealed, placement),
        ).at(region=region, artifact=artifact.path)


def _digests(sealed: SealedFile, artifact: Artifact) -> tuple[str, str]:
    """Give the same kind of digest of both; what one of them lacks counts as different."""
    if sealed.sha256 is not None and artifact.sha256 is not None:
        return sealed.sha256, artifact.sha256
    return sealed.data_sha256 or "none", artifact.data_sha256 or "none of its kind"


def _changed_versions(sealed: SealedRegion, placement: Placement) -> str:
    now = versions(placement.payload) if placement.payload else {}
    words = [
        f"{kind} {'; '.join(now[kind])!r}, sealed {'; '.join(sealed.versions[kind])!r}"
        for kind in sorted(now.keys() & sealed.versions.keys())
        if now[kind] != sealed.versions[kind]
    ]
    return "".join(f"; {text}" for text in words)


def _gone_values(*, manifest: str, sealed: str) -> None: ...


GONE = Rule(
    name="manifest-artifact-missing",
    severity=Severity.ERROR,
    values=_gone_values,
    message="{manifest} seals {sealed} for {region}; this layout puts nothing there",
    effect="The region keeps what is in it, which need not go with the rest of the release.",
    fix="Give the region its file: in the layout, or seal the release without it.",
    computed="the manifest has an artifact for the region, the layout no file",
    sources=(PRACTICE,),
    bad=_example(_sealed_firmware(), region=_REGION),
    good=_GOOD,
)


@check(GONE, over=PAIRS)
def artifact_gone(pair: _Pair) -> Outcome:
    manifest, _, placement, sealed = pair
    if sealed.artifact is not None and not placement.given:
        yield GONE(manifest=manifest.file, sealed=sealed.artifact.path).at(region=placement.region)


def _added_values(file: str, *, manifest: str) -> None: ...


ADDED = Rule(
    name="manifest-artifact-added",
    severity=Severity.ERROR,
    values=_added_values,
    message="{file} goes to {region}, for which {manifest} seals nothing",
    effect="Boards get something that is no part of the release that was tested and signed off.",
    fix="Take the file out of the layout, or seal the release again.",
    computed="the layout has a file for the region, the manifest no artifact",
    sources=(PRACTICE,),
    bad=_example(_NOTHING_BUILT),
    good=_GOOD,
)


@check(ADDED, over=PAIRS)
def artifact_added(pair: _Pair) -> Outcome:
    manifest, _, placement, sealed = pair
    region = placement.region
    if sealed.artifact is None and placement.given:
        file = placement.path or region.file or placement.image or ""
        yield ADDED(manifest=manifest.file, file=file).at(region=region, key="file", artifact=file)


def _region_gone_values(*, manifest: str, sealed: str) -> None: ...


REGION_GONE = Rule(
    name="manifest-region-missing",
    severity=Severity.ERROR,
    values=_region_gone_values,
    message="{manifest} seals the region {sealed} on {chip}; the layout has none of that name",
    effect="Part of the release has no place any more: its writer, or its reader, finds nothing.",
    fix="Put the region back, or seal the release again.",
    computed="no region of the layout has the sealed region's name",
    sources=(PRACTICE,),
    bad=_example(_sealed_firmware(), _EXTRA),
    good=_GOOD,
)


@check(REGION_GONE)
def region_gone(subject: Subject) -> Outcome:
    found = _of_one_board(subject)
    if found is None:
        return
    manifest, layout = found
    names = {region.name for region in layout.regions}
    for sealed in manifest.regions:
        if sealed.name not in names:
            yield REGION_GONE(manifest=manifest.file, sealed=sealed.name).at(
                chip=sealed.chip,
                where=layout.at_key("regions"),
                offset=sealed.offset,
                length=sealed.size,
            )


def _region_added_values(*, manifest: str) -> None: ...


REGION_ADDED = Rule(
    name="manifest-region-added",
    severity=Severity.WARNING,
    values=_region_added_values,
    message="the layout has the region {region}, which {manifest} does not know",
    effect="Boards in the field have no such region: what is there belongs to something else.",
    fix="Seal the release again where the region is meant.",
    computed="no sealed region has the name of a region of the layout",
    sources=(PRACTICE,),
    bad=_example(),
    good=_GOOD,
)


@check(REGION_ADDED, over=kinds.REGIONS, given=_of_one_board)
def region_added(found: kinds.There, both: tuple[Manifest, Layout]) -> Outcome:
    region, (manifest, _) = found.region, both
    if manifest.region(region.name) is None:
        yield REGION_ADDED(manifest=manifest.file).at(
            region=region, offset=region.at, length=region.size
        )


def _place_values(*, manifest: str, now: str, sealed: str) -> None: ...


PLACE = Rule(
    name="manifest-place-differs",
    severity=Severity.ERROR,
    values=_place_values,
    message="{region} is {now}; {manifest} seals it {sealed}",
    effect="What writes by the new map destroys what boards hold by the old one.",
    fix="Put the region back, or seal the release again and plan how boards in the field change.",
    computed="chip, offset, size or file-at of the region are not the sealed ones",
    sources=(PRACTICE,),
    bad=_example(replace(_sealed_firmware(), offset=64 * KIB)),
    good=_GOOD,
)


@check(PLACE, over=PAIRS)
def place_differs(pair: _Pair) -> Outcome:
    manifest, _, placement, sealed = pair
    region = placement.region
    now = (region.area, region.at, region.size, region.file_at)
    then = (sealed.chip, sealed.offset, sealed.size, sealed.file_at)
    if now != then:
        yield PLACE(manifest=manifest.file, now=_placed(*now), sealed=_placed(*then)).at(
            region=region, offset=region.at, length=region.size
        )


def _placed(chip: str, offset: int, size: int, file_at: int) -> str:
    behind = f", its content from {place(file_at)}" if file_at else ""
    return f"at {place(offset)} of {chip}, {both(size)}{behind}"
