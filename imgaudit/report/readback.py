"""The read-back's reports: for each dump how its regions look, then what is wrong."""

from __future__ import annotations

from typing import Any

from imgaudit.contents.chips import ChipImage, Comparison, Look, erase_block
from imgaudit.report import json as json_report
from imgaudit.report import text as text_report
from imgaudit.report.clean import clean
from imgaudit.report.style import PLAIN, Style, columns
from imgaudit.rules.engine import Severity
from imgaudit.tasks.audit import Result
from imgaudit.units import human, place

_ROLES = {Look.SAME: "good", Look.SAVED: "good", Look.UNKNOWN: "dim"}
_CAUTION = (
    "Before anything is written to a board: keep a backup of the chip and a serial or ROM way in,"
    " and check the vendor's datasheet."
)


def text(result: Result, style: Style = PLAIN) -> str:
    """Give the text report."""
    verdict = style.paint("FAIL", "bad") if result.failed else style.paint("PASS", "good")
    counts = [
        f"{count} {severity.value}{'' if count == 1 else 's'}"
        for severity in Severity
        if (count := result.count(severity))
    ]
    blocks = [f"{verdict}  {', '.join(counts) or 'nothing found'}"]
    blocks += [_dump(image, result, style) for image in result.subject.images]
    blocks += [text_report.finding(item, style) for item in result.findings if not item.waived]
    blocks += [
        style.wrap(f"Waived: {item.rule.name} {item.region or ''}: {clean(item.waived)}", "", "  ")
        for item in result.findings
        if item.waived
    ]
    if result.failed:
        blocks.append(style.wrap(_CAUTION, ""))
    if result.findings:
        blocks.append(f"More on a finding: imgaudit explain {result.findings[0].rule.name}")
    return "\n\n".join(blocks) + "\n"


def _dump(image: ChipImage, result: Result, style: Style) -> str:
    found = {item.region.name: item for item in image.comparisons}
    compared = [item for item in image.comparisons if item.look is not Look.UNKNOWN]
    good = [item for item in compared if item.look in {Look.SAME, Look.SAVED}]
    path = image.artifact.path if image.artifact else ""
    head = f"dump of {image.area}: {len(good)} of {len(compared)} regions as they should be"
    regions = result.subject.layout.regions_on(image.area) if result.subject.layout else []
    if len(regions) > len(compared):
        head += f", {len(regions) - len(compared)} not compared"
    lines = [style.paint(clean(head), "strong"), f"  {clean(path)}, {human(image.size)}"]
    whole = [
        "bytes swapped" if image.swapped else "",
        "bits reversed" if image.mirrored else "",
        "halves exchanged" if image.exchanged else "",
        f"starts at {place(image.base)} of the chip" if image.base > 0 else "",
        f"starts {human(-image.base)} before the chip" if image.base < 0 else "",
    ]
    if any(whole):
        lines.append(f"  {', '.join(filter(None, whole))}: regions are compared with that undone")
    why = {item.subject: item.why for item in result.not_checked}
    rows = [["region", "offset", "size", "state", "first difference"]]
    looks = [Look.SAME]
    for region in regions:
        comparison = found.get(region.name, Comparison(region=region, why=" "))
        looks.append(comparison.look)
        last = clean(why.get(region.name, "")) if comparison.why else _first(image, comparison)
        rows.append([region.name, place(region.at), human(region.size), _state(comparison), last])
    drawn = columns(rows, frozenset({1, 2}))
    lines.append(f"  {style.paint(drawn[0], 'dim')}")
    lines += [
        f"  {style.paint(line, _ROLES.get(look, 'bad'))}"
        for line, look in zip(drawn[1:], looks[1:], strict=True)
    ]
    return "\n".join(lines)


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


def json(result: Result) -> str:
    """Give the JSON report; it shares its parts with the audit's."""
    found = json_report.head()
    subject = result.subject
    layout = subject.layout
    if layout is not None:
        found["layout"] = {"file": layout.file, "board": layout.board, "sha256": layout.sha256}
    if subject.manifest is not None:
        found["manifest"] = subject.manifest.file
    found |= json_report.verdict(result)
    found["dumps"] = [_json_dump(image) for image in subject.images]
    return json_report.dump(found)


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
