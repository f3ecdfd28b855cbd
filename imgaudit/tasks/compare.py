"""Two JSON reports, or two sealed manifests: what came, went, grew, and which versions changed."""

from __future__ import annotations

import json
import os
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from imgaudit.data import dataclass
from imgaudit.errors import AuditError
from imgaudit.files import read_regular
from imgaudit.tasks.sections import (
    FOUND,
    PASS,
    Headline,
    Line,
    Lines,
    Report,
    Section,
    Table,
    Verdict,
    heading,
)
from imgaudit.units import human

_MOST = 256 << 20  # bytes of a report
Identity = tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Said:
    """A finding of a report."""

    severity: str
    message: str


@dataclass(frozen=True, slots=True)
class _Release:
    """What one of the two files says: findings by identity, bytes and versions by region."""

    path: str
    report: bool
    findings: Mapping[Identity, list[_Said]]
    sizes: Mapping[str, int]
    versions: Mapping[str, str]


def baseline(path: str) -> list[Identity]:
    """Give the identities of a JSON report's findings, as often as they are there.

    Raises:
        AuditError: it cannot be read, or is no report of an audit.

    """
    read = _read(path)
    if not read.report:
        raise AuditError(f"{path} is a manifest; a baseline is a JSON report of an audit")
    return [identity for identity, said in read.findings.items() for _ in said]


def compare(old: str, new: str) -> Report:
    """Say what changed from one file to the other. Status 1: a finding came that was not there.

    Raises:
        AuditError: one cannot be read, or they are not of one kind.

    """
    before, after = _read(old), _read(new)
    if before.report is not after.report:
        raise AuditError(f"{old} and {new} are a report and a manifest: give two of a kind")
    came, went = _more(after, before), _more(before, after)
    sizes = _changed(before.sizes, after.sizes)
    versions = _changed(before.versions, after.versions)
    counts = f"{len(sizes)} regions of another size, {len(versions)} versions changed"
    if after.report:
        counts = f"{len(came)} findings came, {len(went)} went, {counts}"
    worse = bool(came)
    verdict = Verdict(
        word="WORSE" if worse else "NO WORSE", role="bad" if worse else "good", counts=counts
    )
    if not after.report:
        verdict = Verdict(word="COMPARED", role="strong", counts=counts)
    sections = [Section(None, (Headline(verdict, f"{old} → {new}"),))]
    for title, items in (("Came", came), ("Went", went)):
        if items:
            lines = tuple(
                Line(
                    f" {said.message}", name=f"{said.severity} {identity[0]}", role="strong", hang=2
                )
                for identity, said in items
            )
            sections.append(Section(heading(title), (Lines(lines),)))
    if sizes:
        rows = tuple(_grown(name, *pair) for name, pair in sizes.items())
        table = Table(
            head=("region", "old", "new", "change"), rows=rows, right=frozenset({1, 2, 3})
        )
        sections.append(Section(heading("Sizes"), (table,)))
    if versions:
        lines = tuple(
            Line(f"{name}: {was or 'not known'} → {now or 'not known'}", hang=2)
            for name, (was, now) in versions.items()
        )
        sections.append(Section(heading("Versions"), (Lines(lines),)))
    return Report(
        command="compare",
        title=f"{os.path.basename(old)} and {os.path.basename(new)}",
        status=FOUND if worse else PASS,
        verdict=verdict,
        sections=tuple(sections),
        data=lambda: {
            "old": old,
            "new": new,
            "came": [_plain(item) for item in came],
            "went": [_plain(item) for item in went],
            "sizes": {name: {"old": was, "new": now} for name, (was, now) in sizes.items()},
            "versions": {name: {"old": was, "new": now} for name, (was, now) in versions.items()},
        },
    )


def _plain(item: tuple[Identity, _Said]) -> dict[str, Any]:
    identity, said = item
    return {"identity": list(identity), "severity": said.severity, "message": said.message}


def _more(these: _Release, those: _Release) -> list[tuple[Identity, _Said]]:
    """Give the findings that one has and the other has not, or not as often."""
    left = Counter({identity: len(said) for identity, said in those.findings.items()})
    return [
        (identity, said)
        for identity, all_said in sorted(these.findings.items())
        for said in all_said[left[identity] :]
    ]


def _changed(old: Mapping[str, Any], new: Mapping[str, Any]) -> dict[str, tuple[Any, Any]]:
    names = dict.fromkeys((*old, *new))
    pairs = {name: (old.get(name), new.get(name)) for name in names}
    return {name: pair for name, pair in pairs.items() if pair[0] != pair[1]}


def _grown(name: str, old: int | None, new: int | None) -> tuple[str, ...]:
    by = "" if old is None or new is None else f"{new - old:+,}"
    shown = ("-" if size is None else human(size) for size in (old, new))
    return (name, *shown, by)


def _read(path: str) -> _Release:
    data = read_regular(path, _MOST)
    if len(data) > _MOST:
        raise AuditError(f"{path} is larger than a report can be")
    try:
        value = json.loads(data)
    except (ValueError, RecursionError) as problem:
        raise AuditError(f"{path} is not JSON") from problem
    if isinstance(value, dict) and "manifest" in value:
        from imgaudit.release.manifest import load

        sealed = load(path)
        return _Release(
            path,
            report=False,
            findings={},
            sizes={
                region.name: region.payload.size
                for region in sealed.regions
                if region.payload is not None
            },
            versions={
                f"{region.name} {kind}": ", ".join(texts)
                for region in sealed.regions
                for kind, texts in region.versions.items()
            },
        )
    if not isinstance(value, dict) or "findings" not in value:
        raise AuditError(f"{path} is neither a JSON report of an audit nor a manifest")
    findings: dict[Identity, list[_Said]] = {}
    for item in _records(value.get("findings"), path):
        identity = item.get("identity")
        if not isinstance(identity, list) or not all(isinstance(it, str) for it in identity):
            raise AuditError(f"{path}: a finding has no identity: another version wrote it")
        said = _Said(str(item.get("severity")), str(item.get("message")))
        findings.setdefault(tuple(identity), []).append(said)
    return _Release(
        path,
        report=True,
        findings=findings,
        sizes={
            str(item.get("name")): item["used"]
            for item in _records(value.get("regions", []), path)
            if isinstance(item.get("used"), int)
        },
        versions={},
    )


def _records(value: Any, path: str) -> Iterator[Mapping[str, Any]]:
    items: Iterable[Any] = value if isinstance(value, list) else [None]
    for item in items:
        if not isinstance(item, dict):
            raise AuditError(f"{path} is no report of this version")
        yield item
