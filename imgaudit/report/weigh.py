"""What a ramdisk's bytes are spent on, what changed, and what to cut so that it fits."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from imgaudit.report import json as json_report
from imgaudit.report import plain
from imgaudit.report.clean import clean
from imgaudit.report.style import PLAIN, Style, columns
from imgaudit.rescue.weigh import ACCURACY, Change, Changes, Cut, Fit, Weighing, Weight
from imgaudit.units import both, human

_WORDS = {"cut", "change"}  # columns that are not numbers
SHOWN = 15  # rows of a table; JSON has them all


@dataclass(frozen=True, slots=True)
class Outcome:
    """One run of `weigh`: the file, what it is held against, and whether it fits, where asked."""

    weighing: Weighing
    changes: Changes | None = None
    fit: Fit | None = None


def text(outcome: Outcome, style: Style = PLAIN) -> str:
    """Give the text report."""
    weighing = outcome.weighing
    blocks = ["\n".join(_head(weighing, style))]
    if outcome.fit is not None:
        blocks.append("\n".join(_fit(outcome.fit, style)))
    if outcome.changes is not None:
        blocks.append("\n".join(_changes(outcome.changes, style)))
    if len(weighing.parts) > 1:
        rows = [
            [f"{part.size:,}", _percent(part.size, weighing.size), part.name]
            for part in sorted(weighing.parts, key=lambda part: -part.size)
        ]
        blocks.append(_table("The file", ["stored", "share", "part"], rows, style, wide=2))
    blocks.append(_weights("By kind", "kind", dict(weighing.kinds), weighing, style))
    blocks.append(_weights("By the tools that use it", "group", weighing.groups, weighing, style))
    blocks.append(_files(weighing, style))
    blocks.append(style.paint(style.wrap(ACCURACY, ""), "dim"))
    return "\n\n".join(blocks) + "\n"


def _head(weighing: Weighing, style: Style) -> Iterator[str]:
    yield style.paint(style.wrap(clean(weighing.path), ""), "strong")
    yield f"  {both(weighing.size)}"
    many = len(weighing.items)
    yield style.wrap(
        f"ramdisk: {both(weighing.total.stored)} of them,"
        f" {both(weighing.total.unpacked)} unpacked, {many:,} file{'' if many == 1 else 's'}"
        " with contents"
    )


def _percent(part: int, whole: int) -> str:
    return f"{100 * part / whole:.1f} %" if whole else "-"


def _table(
    title: str, head: list[str], rows: list[list[str]], style: Style, *, wide: int, more: int = 0
) -> str:
    """Draw a table whose last column, of names, is cut to what is left of the line."""
    rows = [head, *rows]
    bare = [[*row[:wide], "."] for row in rows]
    taken = max(len(line) for line in columns(bare, frozenset(range(wide)))) + 1
    room = max(24, style.width - taken)
    drawn = [[*row[:wide], style.short(clean(row[wide]), room)] for row in rows]
    numbers = frozenset(column for column in range(wide) if head[column] not in _WORDS)
    lines = columns(drawn, numbers)
    lines = [f"  {style.paint(lines[0], 'dim')}", *(f"  {line}" for line in lines[1:])]
    if title:
        lines.insert(0, title)
    if more > 0:
        lines.append(f"  and {more:,} more")
    return "\n".join(lines)


def _weights(title: str, word: str, weights: Any, weighing: Weighing, style: Style) -> str:
    rows = [
        [f"{weight.unpacked:,}", f"{weight.stored:,}", _percent(weight.stored, weighing.size), name]
        for name, weight in sorted(weights.items(), key=lambda pair: -pair[1].stored)
    ]
    return _table(title, ["unpacked", "stored", "share", word], rows, style, wide=3)


def _files(weighing: Weighing, style: Style) -> str:
    largest = sorted(weighing.items, key=lambda item: (-item.weight.stored, item.path))
    rows = [
        [
            f"{item.weight.unpacked:,}",
            f"{item.weight.stored:,}",
            _percent(item.weight.stored, weighing.size),
            item.path,
        ]
        for item in largest[:SHOWN]
    ]
    head = ["unpacked", "stored", "share", "file"]
    return _table("By file", head, rows, style, wide=3, more=len(largest) - SHOWN)


def _signed(size: int) -> str:
    return f"{size:+,}" if size else "0"


def _changes(changes: Changes, style: Style) -> Iterator[str]:
    by = changes.new - changes.old
    if by:
        word = "larger" if by > 0 else "smaller"
        line = f"Against the old file of {both(changes.old)}: {both(abs(by))} {word}"
    else:
        line = "Against the old file: as large as it"
    yield style.wrap(line, "", "  ")
    rows = [
        [_signed(part.by), "-" if part.old is None else f"{part.old:,}", part.name]
        for part in changes.parts
        if part.by
    ]
    if rows:
        yield _table("", ["stored", "old", "part"], rows[:SHOWN], style, wide=2)
    if not changes.files:
        yield "  every file in the ramdisk is the same"
        return
    lines = [
        [_signed(change.by.unpacked), _signed(change.by.stored), change.kind, _moved(change)]
        for change in changes.files[:SHOWN]
    ]
    head = ["unpacked", "stored", "change", "file"]
    more = len(changes.files) - SHOWN
    yield _table("", head, lines, style, wide=3, more=more)


def _moved(change: Change) -> str:
    return f"{change.path} (was {change.before})" if change.before else change.path


def _fit(fit: Fit, style: Style) -> Iterator[str]:
    if fit.fits:
        yield f"{style.paint('FITS', 'good')}  {both(-fit.missing)} of {both(fit.limit)} are left"
        return
    bad = style.paint("DOES NOT FIT", "bad")
    yield f"{bad}  {both(fit.missing)} more than {human(fit.limit)}"
    for loses, title in ((False, "Cut, and lose nothing"), (True, "Check before cutting these")):
        steps = [step for step in fit.steps if step.cut.loses is loses]
        if not steps:
            if not loses:
                yield "  nothing was found that can go without a loss"
            continue
        shown = steps[:SHOWN]
        rows = [
            [f"{step.cut.gain:,}", _left(step.missing), step.cut.kind, _what(step.cut)]
            for step in shown
        ]
        head = ["saves", "missing then", "cut", "what"]
        yield _table(title, head, rows, style, wide=3, more=len(steps) - SHOWN)
        for kind, why in {step.cut.kind: step.cut.why for step in reversed(shown)}.items():
            yield style.wrap(f"{kind}: {clean(why)}", "  ", "    ")
    yield style.wrap(_enough(fit), "  ")


def _left(missing: int) -> str:
    return f"{missing:,}" if missing > 0 else "fits"


def _what(cut: Cut) -> str:
    if not cut.paths:
        return "the ramdisk"
    return cut.paths[0] + (f" and {len(cut.paths) - 1} more" if len(cut.paths) > 1 else "")


def _enough(fit: Fit) -> str:
    if (count := fit.enough(loses=False)) is not None:
        return (
            f"The first {count} of what loses nothing are enough."
            if count > 1
            else ("The first of them, which loses nothing, is enough.")
        )
    if fit.enough(loses=True) is not None:
        return "What loses nothing is not enough: something below has to go as well."
    if not fit.steps:
        return (
            "Nothing was found to cut: everything in the ramdisk is needed or too small to count."
        )
    return "Not even all of this is enough: the region must grow, or a needed tool must go."


def json(outcome: Outcome) -> str:
    """Give the JSON report; every number is in bytes."""
    weighing = outcome.weighing
    found = json_report.head()
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
    if outcome.changes is not None:
        found["changes"] = _changed(outcome.changes)
    if outcome.fit is not None:
        found["fit"] = _fitted(outcome.fit)
    return json_report.dump(found)


def _weight(weight: Weight) -> dict[str, int]:
    return {"unpacked": weight.unpacked, "stored": weight.stored}


def _changed(changes: Changes) -> dict[str, Any]:
    return {
        "old": changes.old,
        "new": changes.new,
        "parts": [plain.plain(part) | {"by": part.by} for part in changes.parts],
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
    }
