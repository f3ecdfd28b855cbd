"""The audit of a board's build: the verdict, what is wrong, the regions, what was not checked."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING, Any

from imgaudit.contents.build import Placement
from imgaudit.model import Chip, Layout, Stage
from imgaudit.rules.subject import Subject
from imgaudit.tasks import said
from imgaudit.tasks.audit import Result
from imgaudit.tasks.sections import (
    BROKEN,
    FOUND,
    INCOMPLETE,
    PASS,
    Chain,
    Line,
    Lines,
    Link,
    Ram,
    Report,
    Section,
    Table,
    heading,
)
from imgaudit.units import human, place

if TYPE_CHECKING:
    from imgaudit.proof.records import Proof
    from imgaudit.release.growth import Growth
    from imgaudit.rescue.drivers import Driver
    from imgaudit.rescue.mainroot import MainRoot

_LONGEST = 14  # columns of a name in the table
_LINKS = {"environment": "script", "fdt": "device tree", "root": "root file system"}


def audit(result: Result, history: Iterable[str] = ()) -> Report:
    """Give the report of an audit, with the growth over sealed releases where there are some.

    Raises:
        AuditError: a release cannot be read, or is another board's.

    """
    subject = result.subject
    items = tuple(said.found(item) for item in result.findings)
    board = subject.layout.board if subject.layout is not None else "artifacts"
    sections = [
        said.headline(result),
        *said.findings(items),
        *said.waived(items),
        *said.known(items),
    ]
    if subject.placements:
        sections.append(_regions(subject))
    grown = None
    if paths := list(history):
        from imgaudit.tasks import grown as growing

        grown = growing.grown(subject, paths)
        sections.append(growing.section(grown))
    open_ones: tuple[str, ...] = ()
    if result.coverage:
        from imgaudit.tasks import covered

        sections.append(covered.section(result))
        open_ones = tuple(covered.spoken(item) for item in result.coverage if item.open)
    if subject.rescues:
        sections.append(_rescues(subject))
    sections += said.not_checked(result.not_checked)
    sections += said.more(items)
    left = [item.line.name for item in result.coverage if item.open]
    sections.append(said.closing(said.verdict(result), items, left))
    return Report(
        command="audit",
        title=f"{board}: audit",
        status=said.status(result),
        verdict=said.verdict(result),
        sections=tuple(sections),
        data=lambda: _in_json(result, grown),
        pictures=lambda: tuple(_pictures(subject)),
        findings=items,
        unchecked=said.unchecked(result.not_checked),
        looked=result.looked,
        left=open_ones,
        rules={item.rule.name: said.rule_text(item.rule) for item in result.findings},
    )


def together(reports: list[Report]) -> Report:
    """Give the reports of several layouts as one; the worst status is the whole's."""
    if len(reports) == 1:
        return reports[0]
    order = (PASS, INCOMPLETE, FOUND, BROKEN)
    worst = max(reports, key=lambda report: order.index(report.status))
    return Report(
        command="audit",
        title=", ".join(report.title for report in reports),
        status=worst.status,
        verdict=worst.verdict,
        sections=tuple(section for report in reports for section in report.sections),
        data=lambda: said.head() | {"audits": [report.data() for report in reports]},
        findings=tuple(item for report in reports for item in report.findings),
        unchecked=tuple(item for report in reports for item in report.unchecked),
        looked=tuple(dict.fromkeys(pair for report in reports for pair in report.looked)),
        left=tuple(text for report in reports for text in report.left),
        rules={name: rule for report in reports for name, rule in report.rules.items()},
    )


def _pictures(subject: Subject) -> Iterator[Section]:
    """Give what a page shows and a text leaves out: chips, boot, RAM, losses, the recovery."""
    layout = subject.layout
    if layout is None:
        return
    from imgaudit.tasks import map as drawing

    yield from drawing.chips(layout, subject if subject.given else None)
    if subject.proofs:
        chains = tuple(_chain(item) for item in subject.proofs if item.taken)
        yield Section(heading("How it starts"), chains)
    if subject.boots.followed:
        from imgaudit.tasks import follow

        told = follow.chosen(subject)
        yield from (
            section
            for section in follow.boot_sections(subject, told)
            if any(isinstance(part, Ram) for part in section.parts)
        )
    if subject.losses:
        from imgaudit.tasks import covered

        yield Section(heading("What still starts when something is lost"), (covered.lost(subject),))
        yield from covered.updates(subject)
    for name, rescue in subject.rescues.items():
        from imgaudit.tasks import rescue as surveying

        yield from surveying.pictures(name, rescue)


def _chain(item: Proof) -> Chain:
    role = {"proven": "good", "refuted": "bad"}.get(item.verdict.value, "warn")
    proven = role == "good"
    return Chain(
        name=item.name,
        verdict=item.verdict.value,
        role=role,
        links=tuple(
            Link(link.what, link.region or "", _LINKS.get(link.role, link.role))
            for link in item.chain
            if proven
        ),
        says="" if proven else item.line(),
    )


def _regions(subject: Subject) -> Section:
    table = Table(
        head=("chip", "region", "offset", "size", "used", "left", "artifact"),
        rows=tuple(_row(item) for item in subject.placements),
        right=frozenset({2, 3, 4, 5}),
        most={0: _LONGEST, 1: _LONGEST},
        wide=6,
    )
    return Section(heading("Regions"), (table,), pictured=True)


def _row(item: Placement) -> tuple[str, ...]:
    region = item.region
    # Where the blocks of a volume are, changes as they wear.
    at = "-" if region.holder is not None else place(region.at)
    row = (region.area, region.name, at, human(region.size))
    if item.used is None:
        return (*row, "-", "-", region.file or item.image or "-")
    left = f"{item.free_percent:.1f} %"
    return (*row, human(item.used), left, item.path or "")


def _rescues(subject: Subject) -> Section:
    from imgaudit.tasks import rescued

    lines = tuple(
        Line(f"{name}: {rescued.line(rescue)}", hang=2) for name, rescue in subject.rescues.items()
    )
    return Section(heading("Recovery"), (Lines(lines),), pictured=True)


def _in_json(result: Result, grown: Growth | None) -> Mapping[str, Any]:
    from imgaudit.tasks import plain

    subject = result.subject
    found = said.head()
    layout = subject.layout
    if layout is not None:
        found["layout"] = {
            "file": layout.file,
            "board": layout.board,
            "arch": layout.arch,
            "sha256": layout.sha256,
        } | ({"variant": layout.variant} if layout.variant else {})
    found |= said.in_json(result)
    if layout is not None:
        found["chips"] = [_chip(chip) for chip in layout.chips.values()]
        found["regions"] = [_region(item) for item in subject.placements]
        found["stages"] = [_stage(stage, layout, subject) for stage in layout.stages.values()]
    if result.coverage:
        from imgaudit.tasks import covered

        found["coverage"] = [covered.in_json(item) for item in result.coverage]
        found["losses"] = [covered.loss(item) for item in subject.losses]
        found["updates"] = [covered.update(item) for item in subject.updates]
    if grown is not None:
        from imgaudit.tasks import grown as growing

        found["growth"] = growing.in_json(grown)
    artifacts = sorted((item for _, item in subject.artifacts()), key=lambda item: item.path)
    found["artifacts"] = [plain.artifact(artifact) for artifact in artifacts]
    return found


def _chip(chip: Chip) -> dict[str, Any]:
    found: dict[str, Any] = {"name": chip.name, "kind": chip.kind.word, "size": chip.size}
    if chip.erase_map:
        found["erase-map"] = [{"count": run.count, "size": run.size} for run in chip.erase_map]
    if chip.boot_area is not None:
        found["boot-area"] = chip.boot_area
    if chip.spare is not None:
        found["page"], found["spare"] = chip.page, chip.spare
    if chip.parts:
        found["parts"] = [_chip(part) | {"part": part.part} for part in chip.parts]
    return found


def _region(item: Placement) -> dict[str, Any]:
    region = item.region
    percent = item.free_percent
    return {
        "name": region.name,
        "chip": region.area,
        "offset": region.at,
        "size": region.size,
        "holds": region.holds,
        "writer": region.writer.value,
        "used": item.used,
        "free": item.free,
        "headroom-percent": None if percent is None else round(percent, 2),
        "artifact": item.path,
        "sha256": item.artifact.sha256 if item.artifact else None,
        "data-sha256": item.artifact.data_sha256 if item.artifact else None,
    }


def _driver(driver: Driver) -> dict[str, Any]:
    return {
        "for": driver.role,
        "node": driver.node,
        "compatible": list(driver.compatible),
        "state": driver.state.value,
        "by": driver.by or None,
        "needed-by": driver.chain[-1] if driver.chain else None,
    }


def _root(root: MainRoot) -> dict[str, Any]:
    """Give what was found of a root file system that a stage mounts."""
    if root.why:
        return {"region": root.region.name, "not-surveyed": root.why}
    return {
        "region": root.region.name,
        "files": root.files,
        "init": root.first.reached if root.first is not None else None,
        "init-system": root.init_system or None,
        "modules": list(root.releases),
        "mounts": [
            {"device": item.device, "point": item.point, "type": item.type, "region": item.region}
            for item in root.mounts
        ],
        "os-release": dict(root.os_release),
    }


def _stage(stage: Stage, layout: Layout, subject: Subject) -> dict[str, Any]:
    from imgaudit.tasks import covered, rescued

    rescue = subject.rescues.get(stage.name)
    started = subject.started.get(stage.name)
    return {
        "name": stage.name,
        "entry": stage.entry,
        "regions": list(stage.regions),
        "size": sum(layout.region(name).size for name in stage.regions),
        "rescue": None if rescue is None else rescued.plain(rescue),
        "drivers": [] if started is None else [_driver(item) for item in started.drivers.found],
        "roots": [_root(root) for root in subject.roots.values() if root.started is started],
        "proof": [covered.proof(item) for item in subject.proofs if item.stage.name == stage.name],
    }
