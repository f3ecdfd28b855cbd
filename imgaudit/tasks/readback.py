"""Read-back: the dumps of a board held against a build or a manifest, and judged."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from functools import partial
from typing import Any

from imgaudit import bounds
from imgaudit.chips import CAUTION
from imgaudit.contents.build import Placement, Store, read
from imgaudit.contents.chips import erase_block
from imgaudit.contents.comparison import ChipImage, Comparison, Look
from imgaudit.contents.slices import Slice, Slices
from imgaudit.contents.tree import BLOCK, Artifact
from imgaudit.errors import ImgauditError
from imgaudit.formats.view import View
from imgaudit.layout.load import load
from imgaudit.model import Layout
from imgaudit.proof.ledger import read_back
from imgaudit.release.dumps import held_against_build, held_against_manifest, regions_only
from imgaudit.release.dumps import opened as open_dumps
from imgaudit.release.manifest import Manifest
from imgaudit.release.manifest import load as load_manifest
from imgaudit.rules import chip_image, manifest
from imgaudit.rules.engine import Check, Severity
from imgaudit.rules.geometry import nor
from imgaudit.rules.subject import Subject
from imgaudit.tasks import audit, opened, said
from imgaudit.tasks.audit import Result
from imgaudit.tasks.sections import (
    Headline,
    Line,
    Lines,
    Report,
    Section,
    Table,
)
from imgaudit.units import counted, human, place

_ROLES = {Look.SAME: "good", Look.SAVED: "good", Look.UNKNOWN: "dim"}

CHECKS: tuple[Check, ...] = (
    nor.chip_image_size,
    *(item for item in vars(chip_image).values() if isinstance(item, Check)),
    *(item for item in vars(manifest).values() if isinstance(item, Check)),
)


def run(
    layout: Layout,
    dumps: Mapping[str, Artifact],
    against: Store | Manifest,
    *,
    fail_on: Severity | None = None,
) -> Result:
    """Judge dumps, given by chip or boot area, by what each region should hold.

    Raises:
        LayoutError: the policy names a finding that does not exist.

    """
    with bounds.listening() as heard:
        subject = _held(layout, dumps, against)
    return audit.run(subject, fail_on=fail_on, only=CHECKS, heard=heard)


def _held(layout: Layout, dumps: Mapping[str, Artifact], against: Store | Manifest) -> Subject:
    if isinstance(against, Manifest):
        subject = Subject(layout=layout, given=False, manifest=against)
        subject = held_against_manifest(subject, layout, dumps, against)
        sealed = {item.name: item.payload for item in against.regions}
        known = {
            name: None if payload is None else payload.size for name, payload in sealed.items()
        }
    else:
        layout = regions_only(layout, dumps)
        build = read(layout, against)
        subject = Subject(layout=layout, placements=build.placements, unreadable=build.unreadable)
        subject = held_against_build(subject, layout, dumps, partial(_block, against))
        known = {item.region.name: item.size for item in build.placements}
    return replace(subject, ledger=read_back(layout, dumps, known))


def _block(store: Store, placement: Placement, start: int) -> View | None:
    """Read a block of what goes into a region again, wherever it is kept."""
    artifact, region = placement.artifact, placement.region
    if artifact is None or placement.payload is None:
        return None
    path, sizes = artifact.path, (artifact.size,) if placement.payload.unpacked is not None else ()
    if placement.image is not None:
        path, start = placement.image, start + region.at + region.file_at
    slices = Slices((Slice("block", start, BLOCK, whole=True),), sizes)
    try:
        reading, _ = store.begin(path, expects=None, emmc=False, slices=slices)
        found = reading().slices.get("block")
    except ImgauditError:
        return None
    return None if found is None else found.content.view


def compare(
    layout: str,
    dumps: Mapping[str, str],
    *,
    artifacts: str | None = None,
    manifest: str | None = None,
    fail_on: Severity | None = None,
    progress: opened.Progress = None,
) -> Result:
    """Judge dump files, given by chip or boot area, by a folder of artifacts or a manifest file.

    Raises:
        ImgauditError: a file cannot be read, or the policy names a finding that does not exist.

    """
    loaded = load(layout)
    with open_dumps(loaded, dumps) as found:
        if artifacts is None:
            return run(loaded, found, load_manifest(manifest or ""), fail_on=fail_on)
        with opened.store(artifacts, loaded, progress=progress) as store:
            return run(loaded, found, store, fail_on=fail_on)


def readback(result: Result) -> Report:
    """Say how the regions of each dump look, then what is wrong."""
    items = tuple(said.found(item) for item in result.findings)
    # What was not compared is in the table of regions.
    verdict = said.verdict(result, open_too=False)
    stand = [_stand(image, result) for image in result.subject.images]
    verdict = replace(verdict, counts=f"{_summed(stand)}, {verdict.counts}")
    waived = [
        Section(
            Line(f"Waived: {item.name} {item.region or ''}: {item.waived}", depth=0, hang=2), ()
        )
        for item in items
        if item.waived
    ]
    # What it says to do mostly ends with it already.
    told = any(item.counts and CAUTION in item.fix for item in items)
    caution = [Section(Line(CAUTION, depth=0), ())] if result.failed and not told else []
    board = result.subject.layout.board if result.subject.layout is not None else ""
    return Report(
        command="readback",
        title=f"{board}: what is on its chips",
        status=said.status(result),
        verdict=verdict,
        sections=(
            Section(None, (Headline(verdict),)),
            *(_dump(image, result) for image in result.subject.images),
            *said.findings(items),
            *waived,
            *caution,
            *said.more(items),
        ),
        data=lambda: _in_json(result),
        findings=items,
        unchecked=said.unchecked(result.not_checked),
        rules={item.rule.name: said.rule_text(item.rule) for item in result.findings},
    )


def _dump(image: ChipImage, result: Result) -> Section:
    found = {item.region.name: item for item in image.comparisons}
    path = image.artifact.path if image.artifact else ""
    head = f"dump of {image.area}: {_summed([_stand(image, result)])}"
    regions = result.subject.layout.regions_on(image.area) if result.subject.layout else []
    lines = [Line(f"{path}, {human(image.size)}")]
    whole = [
        "bytes swapped" if image.swapped else "",
        "bits reversed" if image.mirrored else "",
        "halves exchanged" if image.exchanged else "",
        f"starts at {place(image.base)} of the chip" if image.base > 0 else "",
        f"starts {human(-image.base)} before the chip" if image.base < 0 else "",
    ]
    if any(whole):
        undone = ", ".join(filter(None, whole))
        lines.append(Line(f"{undone}: regions are compared with that undone"))
    why = {item.subject: item.why for item in result.not_checked}
    rows = []
    roles = []
    for region in regions:
        comparison = found.get(region.name, Comparison(region=region, why=" "))
        last = why.get(region.name, "") if comparison.why else _first(image, comparison)
        rows.append((region.name, place(region.at), human(region.size), _state(comparison), last))
        roles.append(_ROLES.get(comparison.look, "bad"))
    table = Table(
        head=("region", "offset", "size", "state", "first difference"),
        rows=tuple(rows),
        roles=tuple(roles),
        right=frozenset({1, 2}),
        wraps=frozenset({4}),
    )
    return Section(Line(head, role="strong", depth=0), (Lines(tuple(lines)), table))


def _stand(image: ChipImage, result: Result) -> tuple[int, int, int]:
    """Count the regions of a dump that are as they should be, that were compared, and all."""
    looks = [item.look for item in image.comparisons if item.look is not Look.UNKNOWN]
    regions = result.subject.layout.regions_on(image.area) if result.subject.layout else []
    return sum(look in {Look.SAME, Look.SAVED} for look in looks), len(looks), len(regions)


def _summed(stand: Iterable[tuple[int, int, int]]) -> str:
    good, compared, regions = (sum(counts) for counts in zip(*stand, strict=True))
    left = f", {regions - compared} not compared" if regions > compared else ""
    return f"{good} of {counted(compared, 'region')} as they should be{left}"


def _state(comparison: Comparison) -> str:
    if comparison.look is Look.OTHER and comparison.holds:
        return f"holds {comparison.holds}"
    return comparison.look.value


def _first(image: ChipImage, comparison: Comparison) -> str:
    if not comparison.differing:
        return ""
    if comparison.first is None:
        return "unknown: compared by SHA-256"
    offset = comparison.region.at + comparison.first
    block = erase_block(image.chip, offset)
    return place(offset) + ("" if block is None else f", erase block {block}")


def _in_json(result: Result) -> Mapping[str, Any]:
    """Give JSON values; they share their parts with the audit's."""
    found = said.head()
    subject = result.subject
    layout = subject.layout
    if layout is not None:
        found["layout"] = {"file": layout.file, "board": layout.board, "sha256": layout.sha256}
    if subject.manifest is not None:
        found["manifest"] = subject.manifest.file
    found |= said.in_json(result)
    found["dumps"] = [_json_dump(image) for image in subject.images]
    return found


def _json_dump(image: ChipImage) -> dict[str, Any]:
    return {
        "chip": image.area,
        "path": image.artifact.path if image.artifact else None,
        "size": image.size,
        "chip-size": image.chip.size,
        "base": image.base,
        "swapped": image.swapped,
        "bits-reversed": image.mirrored,
        "halves-exchanged": image.exchanged,
        "repeats-after": image.period,
        "regions": [_json_region(image, item) for item in image.comparisons],
    }


def _json_region(image: ChipImage, item: Comparison) -> dict[str, Any]:
    region = item.region
    first = None if item.first is None else region.at + item.first
    return {
        "name": region.name,
        "offset": region.at,
        "size": region.size,
        "state": item.look.value,
        "why": item.why or None,
        "compared": item.size,
        "exact": item.exact,
        "differing": item.differing,
        "first-difference": first,
        "erase-block": None if first is None else erase_block(image.chip, first),
        "holds": item.holds,
        "shifted": item.shifted,
    }
