"""What a ramdisk's bytes are spent on, what changed, and what to cut to fit."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from imgaudit import bounds
from imgaudit.contents.reader import Loader
from imgaudit.contents.tree import Artifact
from imgaudit.errors import AuditError, ImgauditError
from imgaudit.layout.load import load
from imgaudit.rescue import weigh as weighing
from imgaudit.rescue.stage import needed
from imgaudit.rescue.survey import RescueFacts
from imgaudit.rescue.weigh import ACCURACY, Change, Changes, Cut, Fit, Weighing, Weight
from imgaudit.rules.engine import NotChecked
from imgaudit.tasks.plain import plain
from imgaudit.tasks.said import head, not_checked, unchecked, unread
from imgaudit.tasks.sections import (
    FOUND,
    PASS,
    Line,
    Lines,
    Part,
    Report,
    Section,
    Table,
    Verdict,
    heading,
)
from imgaudit.units import both, counted, human

SHOWN = 15  # rows of a table; JSON has them all
_NAMES = 24  # characters that a column of names has at least


def weigh(
    file: str,
    *,
    against: str | None = None,
    limit: int | None = None,
    needs: Iterable[str] | None = None,
    layout: str | None = None,
    arch: str | None = None,
) -> Report:
    """Weigh a file, hold it against an old one, and say what to cut so that it has `limit` bytes.

    What the groups in `needs` use stays, and what the stages of a `layout` need.

    Raises:
        ArtifactError: a file cannot be read.
        AuditError: there is nothing to weigh in it.
        ValueError: a group or an architecture is not known.

    """
    groups = None if needs is None else list(needs)
    kept: tuple[str, ...] = ()
    if layout is not None:
        asked, kept = needed(load(layout))
        groups = [*dict.fromkeys([*asked, *(groups or ())])]
    with bounds.listening() as heard:
        weighed = _weighed(file, groups, arch, kept)
        changes = None
        if against is not None:
            changes = weighing.compare(_weighed(against, groups, arch), weighed)
        fit = None if limit is None else weighing.fit(weighed, limit)
    left = [NotChecked(None, where, why) for where, why in heard]
    return Report(
        command="weigh",
        title=f"{file}: what its bytes are spent on",
        status=PASS if fit is None or fit.fits else FOUND,
        verdict=None if fit is None else _verdict(fit),
        sections=(*_sections(weighed, changes, fit), *not_checked(left)),
        data=lambda: {**_in_json(weighed, changes, fit), "not-checked": unread(left)},
        unchecked=unchecked(left),
    )


def costs(artifact: Artifact, facts: RescueFacts) -> Table | None:
    """Say what the files of a ramdisk cost, and which tools each brings; None if it cannot be."""
    try:
        weighed = weighing.weigh(artifact, needs=[group.name for group in facts.groups])
    except ImgauditError:
        return None
    if not weighed.items:
        return None
    tools: dict[str, list[str]] = {}
    for tool in facts.tools.values():
        if tool.usable is not False:
            tools.setdefault(tool.source, []).append(tool.name)
    largest = sorted(weighed.items, key=lambda item: (-item.weight.stored, item.path))
    return Table(
        head=("stored", "share", "file", "commands it brings"),
        rows=tuple(
            (
                human(item.weight.stored),
                _percent(item.weight.stored, weighed.size),
                item.path,
                ", ".join(tools.get(item.path, ())),
            )
            for item in largest[:SHOWN]
        ),
        right=frozenset({0, 1}),
        more=len(largest) - SHOWN,
    )


def _weighed(
    path: str, groups: list[str] | None, arch: str | None, kept: tuple[str, ...] = ()
) -> Weighing:
    with Loader() as loader:
        artifact = loader.file(path)
    weighed = weighing.weigh(artifact, needs=groups, kept=kept, arch=arch)
    if not weighed.archives:
        raise AuditError(f"{path}: nothing to weigh: {weighed.rescue.why}")
    return weighed


def _sections(weighing: Weighing, changes: Changes | None, fit: Fit | None) -> Iterator[Section]:
    if fit is not None:
        yield _fit(fit)
    yield _head(weighing)
    if changes is not None:
        yield _changes(changes)
    if len(weighing.parts) > 1:
        rows = tuple(
            (f"{part.size:,}", _percent(part.size, weighing.size), part.name)
            for part in sorted(weighing.parts, key=lambda part: -part.size)
        )
        yield _titled("The file", _table(("stored", "share", "part"), rows))
    yield _weights("By kind", "kind", weighing.kinds, weighing)
    yield _weights("By the tools that use it", "group", weighing.groups, weighing)
    yield _files(weighing)
    yield Section(Line(ACCURACY, role="dim", depth=0), ())


def _head(weighing: Weighing) -> Section:
    lines = (
        Line(both(weighing.size)),
        Line(
            f"ramdisk: {both(weighing.total.stored)} of them,"
            f" {both(weighing.total.unpacked)} unpacked, {counted(len(weighing.items), 'file')}"
            " with contents"
        ),
    )
    return Section(Line(weighing.path, role="strong", depth=0), (Lines(lines),))


def _percent(part: int, whole: int) -> str:
    return f"{100 * part / whole:.1f} %" if whole else "-"


def _table(
    head: tuple[str, ...], rows: tuple[tuple[str, ...], ...], *, title: str = "", more: int = 0
) -> Table:
    """Give a table whose last column has names, and whose others have numbers, words aside."""
    wide = len(head) - 1
    words = {"cut", "change"}
    return Table(
        title=title,
        head=head,
        rows=rows,
        right=frozenset(column for column in range(wide) if head[column] not in words),
        wide=wide,
        least=_NAMES,
        more=more,
    )


def _titled(title: str, *parts: Part) -> Section:
    return Section(heading(title), parts)


def _weights(title: str, word: str, weights: Mapping[str, Weight], weighing: Weighing) -> Section:
    rows = tuple(
        (f"{weight.unpacked:,}", f"{weight.stored:,}", _percent(weight.stored, weighing.size), name)
        for name, weight in sorted(weights.items(), key=lambda pair: -pair[1].stored)
    )
    return _titled(title, _table(("unpacked", "stored", "share", word), rows))


def _files(weighing: Weighing) -> Section:
    largest = sorted(weighing.items, key=lambda item: (-item.weight.stored, item.path))
    rows = tuple(
        (
            f"{item.weight.unpacked:,}",
            f"{item.weight.stored:,}",
            _percent(item.weight.stored, weighing.size),
            item.path,
        )
        for item in largest[:SHOWN]
    )
    head = ("unpacked", "stored", "share", "file")
    return _titled("By file", _table(head, rows, more=len(largest) - SHOWN))


def _signed(size: int) -> str:
    return f"{size:+,}" if size else "0"


def _changes(changes: Changes) -> Section:
    by = changes.new - changes.old
    line = "Against the old file: as large as it"
    if by:
        word = "larger" if by > 0 else "smaller"
        line = f"Against the old file of {both(changes.old)}: {both(abs(by))} {word}"
    parts: list[Part] = []
    rows = tuple(
        (_signed(part.by), "-" if part.old is None else f"{part.old:,}", part.name)
        for part in changes.parts
        if part.by
    )
    if rows:
        parts.append(_table(("stored", "old", "part"), rows[:SHOWN]))
    if changes.files:
        lines = tuple(
            (_signed(change.by.unpacked), _signed(change.by.stored), change.kind, _moved(change))
            for change in changes.files[:SHOWN]
        )
        head = ("unpacked", "stored", "change", "file")
        parts.append(_table(head, lines, more=len(changes.files) - SHOWN))
    else:
        parts.append(Lines((Line("every file in the ramdisk is the same"),)))
    return Section(Line(line, depth=0, hang=2), tuple(parts))


def _moved(change: Change) -> str:
    return f"{change.path} (was {change.before})" if change.before else change.path


def _verdict(fit: Fit) -> Verdict:
    if fit.fits:
        counts = f"{both(-fit.missing)} of {both(fit.limit)} are left"
        return Verdict(word="FITS", role="good", counts=counts)
    counts = f"{both(fit.missing)} more than {human(fit.limit)}"
    return Verdict(word="DOES NOT FIT", role="bad", counts=counts)


def _fit(fit: Fit) -> Section:
    verdict = _verdict(fit)
    title = Line(f"  {verdict.counts}", name=verdict.word, role=verdict.role, depth=0)
    if fit.fits:
        return Section(title, ())
    parts: list[Part] = []
    for loses, over in ((False, "Cut, and lose nothing"), (True, "Check before cutting these")):
        steps = [step for step in fit.steps if step.cut.loses is loses]
        if not steps:
            if not loses:
                nothing = Line("nothing was found that can go without a loss")
                parts.append(Lines((nothing,)))
            continue
        shown = steps[:SHOWN]
        rows = tuple(
            (f"{step.cut.gain:,}", _left(step.missing), step.cut.kind, _what(step.cut))
            for step in shown
        )
        head = ("saves", "missing then", "cut", "what")
        parts.append(_table(head, rows, title=over, more=len(steps) - SHOWN))
        why = {step.cut.kind: step.cut.why for step in reversed(shown)}
        parts.append(Lines(tuple(Line(f"{kind}: {text}", hang=2) for kind, text in why.items())))
    parts.append(Lines((Line(_enough(fit)),)))
    return Section(title, tuple(parts))


def _left(missing: int) -> str:
    return f"{missing:,}" if missing > 0 else "fits"


def _what(cut: Cut) -> str:
    if not cut.paths:
        return "the ramdisk"
    return cut.paths[0] + (f" and {len(cut.paths) - 1} more" if len(cut.paths) > 1 else "")


def _enough(fit: Fit) -> str:
    plan = fit.plan
    if plan is None:
        return (
            "Nothing was found to cut: everything in the ramdisk is needed or too small to count."
        )
    some = (
        "The first of these cuts is enough"
        if plan.count == 1
        else (f"The first {plan.count} of these cuts are enough")
    )
    loses = any(step.cut.loses for step in fit.steps[: plan.count])
    if plan.size > fit.limit:
        said = "Not even all of this is enough: the region must grow, or a needed tool must go."
    elif loses:
        said = f"What can go without a loss is not enough. {some}."
    else:
        said = f"{some}, and nothing is lost."
    if plan.measured:
        return f"{said} Packed again without them the file has {both(plan.size)}."
    return f"{said} The file then has some {both(plan.size)}, by estimate: {plan.why}."


def _in_json(weighing: Weighing, changes: Changes | None, fit: Fit | None) -> Mapping[str, Any]:
    """Give JSON values; every number is in bytes."""
    found = head()
    found["file"] = {"path": weighing.path, "size": weighing.size}
    found["shares"] = ACCURACY
    found["parts"] = [{"name": part.name, "size": part.size} for part in weighing.parts]
    found["archives"] = [
        {
            "name": archive.name,
            "compression": archive.compression or None,
            **_weight(archive.weight),
        }
        for archive in weighing.archives
    ]
    found["ramdisk"] = _weight(weighing.total)
    found["kinds"] = {name: _weight(weight) for name, weight in weighing.kinds.items()}
    found["groups"] = {name: _weight(weight) for name, weight in weighing.groups.items()}
    found["files"] = [
        {
            "path": item.path,
            "kind": item.kind,
            **_weight(item.weight),
            "debugging": _weight(item.debug),
            "copy-of": item.copy_of or None,
            "groups": list(item.groups),
            "sha256": item.sha256,
        }
        for item in weighing.items
    ]
    if changes is not None:
        found["changes"] = _changed(changes)
    if fit is not None:
        found["fit"] = _fitted(fit)
    return found


def _weight(weight: Weight) -> dict[str, int]:
    return {"unpacked": weight.unpacked, "stored": weight.stored}


def _changed(changes: Changes) -> dict[str, Any]:
    return {
        "old": changes.old,
        "new": changes.new,
        "parts": [plain(part) | {"by": part.by} for part in changes.parts],
        "files": [
            {
                "change": change.kind,
                "path": change.path,
                "before": change.before or None,
                **_weight(change.by),
            }
            for change in changes.files
        ],
        "links-and-headers": _weight(changes.rest),
    }


def _fitted(fit: Fit) -> dict[str, Any]:
    return {
        "limit": fit.limit,
        "missing": max(fit.missing, 0),
        "fits": fit.fits,
        "cuts": [
            {
                "cut": step.cut.kind,
                "paths": list(step.cut.paths),
                "saves": step.cut.gain,
                "loses": step.cut.loses,
                "why": step.cut.why,
                "missing-then": max(step.missing, 0),
            }
            for step in fit.steps
        ],
        "plan": None if fit.plan is None else plain(fit.plan),
    }
