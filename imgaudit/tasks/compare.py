"""Two JSON reports, or two sealed manifests: what came, went, grew, and which versions changed."""

from __future__ import annotations

import json
import os
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

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
from imgaudit.units import counted, human

if TYPE_CHECKING:
    from imgaudit.model import Layout

_MOST = 256 << 20  # bytes of a report
_TAKES = "compare takes two JSON reports of audits, or two sealed manifests"
Identity = tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Said:
    """A finding of a report."""

    severity: str
    message: str


@dataclass(frozen=True, slots=True)
class _Release:
    """What one of the two files says: findings by identity, bytes and versions by region.

    `places` says where each region starts, by its name.
    """

    path: str
    report: bool
    findings: Mapping[Identity, list[_Said]]
    sizes: Mapping[str, int]
    versions: Mapping[str, str]
    places: Mapping[str, _Place]


_Place = tuple[str, int]  # the chip or its area, and the offset in it
# Of a rule's identity, what names something else, though it may be called like a region.
_NO_REGION = frozenset({"script", "stage", "update", "step", "variable", "name", "entry", "group"})


def baseline(path: str, layout: Layout | None = None) -> list[Identity]:
    """Give the identities of a JSON report's findings, as often as they are there.

    A region that stands in the layout where the report has one of another name is the same one.

    Raises:
        AuditError: it cannot be read, or is no report of an audit.

    """
    read = _read(path)
    if not read.report:
        raise AuditError(f"{path} is a manifest; a baseline is a JSON report of an audit")
    places = {} if layout is None else {one.name: (one.area, one.at) for one in layout.regions}
    called = _renamed(read.places, places)
    return [_translated(one, called) for one, said in read.findings.items() for _ in said]


def _renamed(old: Mapping[str, _Place], new: Mapping[str, _Place]) -> dict[str, str]:
    """Give the new names of regions that stand where they stood, and are called otherwise."""
    there = {place: name for name, place in new.items() if name not in old}
    gone = {name: place for name, place in old.items() if name not in new}
    # The volumes of a UBI have no place of their own.
    lone = {place for place, times in Counter(old.values()).items() if times == 1}
    lone &= {place for place, times in Counter(new.values()).items() if times == 1}
    return {name: there[place] for name, place in gone.items() if place in there and place in lone}


def _translated(identity: Identity, called: Mapping[str, str]) -> Identity:
    """Write an identity with the new names of regions."""
    if not called or len(identity) < 2:
        return identity
    from imgaudit.rules import checks

    known = checks().get(identity[0])
    names = known.rule.identity if known is not None else ()
    rule, place, *rest = identity
    inside, values = rest[:1], rest[1:]
    for at, (name, value) in enumerate(zip(names, values, strict=False)):
        values[at] = value if name in _NO_REGION else called.get(value, value)
    return (rule, called.get(place, place), *inside, *values)


def compare(old: str, new: str) -> Report:
    """Say what changed from one file to the other. Status 1: a finding came that was not there.

    Raises:
        AuditError: one cannot be read, or they are not of one kind.

    """
    before, after = _read(old), _read(new)
    if before.report is not after.report:
        raise AuditError(f"{old} and {new} are a report and a manifest: give two of a kind")
    called = _renamed(before.places, after.places)
    before = replace(
        before,
        findings=_merged((_translated(it, called), said) for it, said in before.findings.items()),
        sizes={called.get(name, name): size for name, size in before.sizes.items()},
        versions={_retold(name, called): text for name, text in before.versions.items()},
    )
    came, went = _more(after, before), _more(before, after)
    sizes = _changed(before.sizes, after.sizes)
    versions = _changed(before.versions, after.versions)
    counts = f"{counted(len(sizes), 'region')} of another size"
    counts = f"{counts}, {counted(len(versions), 'version')} changed"
    if after.report:
        counts = f"{counted(len(came), 'finding')} came, {len(went)} went, {counts}"
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
    if called:
        lines = tuple(Line(f"{old_name} → {name}") for old_name, name in called.items())
        sections.append(Section(heading("Regions called otherwise"), (Lines(lines),)))
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
            "renamed": called,
            "sizes": {name: {"old": was, "new": now} for name, (was, now) in sizes.items()},
            "versions": {name: {"old": was, "new": now} for name, (was, now) in versions.items()},
        },
    )


def _retold(name: str, called: Mapping[str, str]) -> str:
    """Give the name of a version, which begins with that of its region."""
    region, blank, kind = name.partition(" ")
    return f"{called.get(region, region)}{blank}{kind}"


def _merged(items: Iterable[tuple[Identity, list[_Said]]]) -> dict[Identity, list[_Said]]:
    found: dict[Identity, list[_Said]] = {}
    for identity, said in items:
        found.setdefault(identity, []).extend(said)
    return found


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
    by = "" if old is None or new is None else f"{new - old:+,} bytes"
    shown = ("-" if size is None else human(size) for size in (old, new))
    return (name, *shown, by)


def _read(path: str) -> _Release:
    data = read_regular(path, _MOST)
    if len(data) > _MOST:
        raise AuditError(f"{path} is larger than a report can be")
    try:
        value = json.loads(data)
    except (ValueError, RecursionError) as problem:
        raise AuditError(f"{path} is not JSON: {_TAKES}") from problem
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
            places={region.name: (region.chip, region.offset) for region in sealed.regions},
        )
    if not isinstance(value, dict) or "findings" not in value:
        raise AuditError(f"{path} is neither: {_TAKES}")
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
        places={
            str(item.get("name")): (str(item.get("chip")), item["offset"])
            for item in _records(value.get("regions", []), path)
            if isinstance(item.get("offset"), int)
        },
    )


def _records(value: Any, path: str) -> Iterator[Mapping[str, Any]]:
    items: Iterable[Any] = value if isinstance(value, list) else [None]
    for item in items:
        if not isinstance(item, dict):
            raise AuditError(f"{path} is no report of this version")
        yield item
