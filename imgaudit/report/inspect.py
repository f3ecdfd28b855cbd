"""What files are, on their own: recognised by content, with what is damaged in them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

from imgaudit.contents.reader import Loader
from imgaudit.contents.tree import Artifact, Content
from imgaudit.errors import ImgauditError
from imgaudit.formats.facts import Match
from imgaudit.report import json as json_report
from imgaudit.report import plain
from imgaudit.report import text as text_report
from imgaudit.report.clean import clean
from imgaudit.report.style import PLAIN, Style
from imgaudit.rules.engine import Severity
from imgaudit.rules.subject import Subject
from imgaudit.tasks import audit
from imgaudit.tasks.audit import Result
from imgaudit.units import both, place

READ, DAMAGED, UNREADABLE = 0, 1, 2
_SURE = {Match.WEAK: "possibly ", Match.GOOD: "", Match.SURE: "", Match.NO: ""}


def report(files: Iterable[str], form: str, style: Style = PLAIN) -> tuple[str, int]:
    """Inspect files; give the report and the exit status of the worst of them.

    Status 0: read; 1: damaged; 2: could not be read.
    """
    status = READ
    found: list[Any] = []
    unreadable: list[tuple[str, str]] = []
    for path in files:
        # Each file has a loader, and with it the memory for what is unpacked, of its own.
        try:
            with Loader(full_digests=True) as loader:
                artifact = loader.file(path)
        except ImgauditError as problem:
            unreadable.append((path, str(problem)))
            continue
        subject = Subject(layout=None, others={path: artifact})
        result = audit.run(subject, fail_on=Severity.ERROR)
        # Only what is said of a file is kept, not its bytes: there may be many files.
        if form == "json":
            found.append(plain.artifact(artifact) | json_report.verdict(result))
        else:
            found.append(_text(artifact, result, style))
        if result.failed:
            status = DAMAGED
    if unreadable:
        status = UNREADABLE
    if form == "json":
        missing = [{"path": path, "why": why} for path, why in unreadable]
        return json_report.dump(
            json_report.head() | {"artifacts": found, "unreadable": missing}
        ), status
    for path, why in unreadable:
        found.append(
            style.wrap(clean(path), "") + "\n" + style.wrap(f"could not be read: {clean(why)}")
        )
    return "\n\n".join(found) + "\n", status


def _text(artifact: Artifact, result: Result, style: Style) -> str:
    lines = [style.paint(style.wrap(clean(artifact.path), ""), "strong")]
    lines += [f"  {both(artifact.size)}", f"  SHA-256 {artifact.sha256}"]
    if artifact.blank is not None:
        lines.append(f"  blank: every byte is {artifact.blank:#04x}")
    lines += _tree(artifact.content, "  ", style)
    for item in result.findings:
        lines += ["", *text_report.indent(text_report.finding(item, style).splitlines())]
    return "\n".join(lines)


def _tree(content: Content, indent: str, style: Style) -> Iterator[str]:
    what = _SURE[content.match] + content.title if content.format else "not recognised"
    summary = content.facts.summary() if content.facts else ""
    yield style.wrap(f"{what}{': ' + clean(summary) if summary else ''}", indent, indent + "  ")
    below = indent + "  "
    if content.unpacked is not None:
        exact = "" if content.complete else "at least "
        yield f"{below}unpacks to {exact}{both(content.unpacked)}"
    if content.why and content.format:
        at = "" if content.damaged_at is None else f" at {place(content.damaged_at)}"
        yield style.wrap(f"stops{at}: {clean(content.why)}", below, below + "  ")
    if content.inside is not None and content.inside.release is not None:
        built_in = "its configuration built in" if content.inside.config else "no configuration"
        yield f"{below}Linux {clean(content.inside.release)}, {built_in}"
    if content.match is Match.WEAK and content.alternatives:
        yield style.wrap(f"could also be: {', '.join(content.alternatives)}", below, below + "  ")
    if content.facts is not None:
        for checksum in content.facts.checksums:
            says = {True: "matches", False: "DOES NOT MATCH", None: f"not checked: {checksum.why}"}
            yield style.wrap(
                f"{clean(checksum.name)} {checksum.algorithm}: {clean(says[checksum.matches])}",
                below,
                below + "  ",
            )
        for doubt in content.facts.doubts:
            yield style.wrap(f"not sure: {clean(doubt)}", below, below + "  ")
    for child in content.children:
        at = f" at {place(child.offset)}" if child.offset >= 0 else ""
        rest = f"{at}, {both(child.size)}"
        name = clean(child.name.removeprefix(content.name + "/"))
        name = style.short(name, max(16, style.width - len(below) - len(rest)))
        yield f"{below}{style.paint(name, 'strong')}{rest}"
        yield from _tree(child, below + "  ", style)
