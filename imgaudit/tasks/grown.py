"""How the regions grew over sealed releases: rows, sentences and plain values."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from imgaudit.release.growth import FAR, LEAST, Growth, Trend, growth, history
from imgaudit.rules.subject import Subject
from imgaudit.tasks.sections import Line, Lines, Part, Section, Trends, heading
from imgaudit.tasks.sections import Trend as Shown
from imgaudit.units import human

_HEAD = ("region", "first", "last", "room", "a release", "more that fit")
_NAMED = 4
"""Releases up to which each is named."""
_SOON = 5
"""Releases before a region is full from which on it stands out."""


def grown(subject: Subject, paths: Iterable[str]) -> Growth:
    """Lay sealed releases and the build in a row.

    Raises:
        AuditError: a release cannot be read, or is another board's.

    """
    releases, left_out = history(paths)
    return growth(subject, releases, left_out)


def section(found: Growth) -> Section:
    """Say how each region grew."""
    names, count = found.releases, len(found.releases)
    said = [f"{count} releases, oldest first: {', '.join(names)}"]
    if count > _NAMED:
        said = [f"{count} releases, {names[0]} to {names[-1]}"]
    if found.left_out:
        said.append(f"; {found.left_out} older ones are left out")
    if any(trend.pace is not None for trend in found.trends):
        said.append(
            ". A release: the median pace. More that fit: further releases until the region is full"
            " at that pace, and between which numbers that lies nine times in ten"
        )
    else:
        said.append(f". It takes {LEAST} to tell a pace")
    still = [trend.region for trend in found.trends if len(set(trend.known)) == 1]
    lines = [Line(f"{''.join(said)}.", role="dim")]
    if still:
        lines.insert(0, Line(f"of one size in all: {', '.join(still)}", hang=2))
    moving = tuple(_shown(trend) for trend in found.trends if trend.region not in still)
    parts: list[Part] = [Lines(tuple(lines))]
    if moving:
        parts.insert(0, Trends(releases=names, head=_HEAD, trends=moving))
    return Section(heading("Growth"), tuple(parts))


def _shown(trend: Trend) -> Shown:
    sizes = trend.known
    pace = "" if trend.pace is None else _signed(round(trend.pace))
    left, role, sentence = _left(trend)
    return Shown(
        name=trend.region,
        room=trend.room,
        sizes=trend.sizes,
        pace=trend.pace,
        slow=trend.slow,
        fast=trend.fast,
        says=sentence,
        cells=(human(sizes[0]), human(sizes[-1]), human(trend.room), pace or "-", left),
        role=role,
    )


def _signed(size: int) -> str:
    return f"+{human(size)}" if size > 0 else human(size)


def _left(trend: Trend) -> tuple[str, str, str]:
    """Say how many more releases fit: in a cell, its role, and in a sentence."""
    last = trend.known[-1]
    if last > trend.room:
        over = human(last - trend.room)
        return "does not fit", "bad", f"It does not fit now: {over} too many."
    if trend.pace is None:
        few = len(trend.known)
        releases = "release is" if few == 1 else "releases are"
        return "too few to say", "", f"{few} {releases} too few to tell a pace: it takes {LEAST}."
    some = trend.more(trend.pace)
    if some is None:
        word = "shrinks" if trend.pace < 0 else "does not grow"
        return word, "", f"It {word}."
    soonest, latest = trend.more(trend.fast), trend.more(trend.slow)
    pace = f"It grows by {human(round(trend.pace))} a release"
    least = some if soonest is None else min(some, soonest)
    if least > FAR:
        return f"more than {FAR}", "", f"{pace}: more than {FAR} further releases fit."
    between = f" (at least {least})"
    if latest is not None:
        most = f"{latest}" if latest <= FAR else f"more than {FAR}"
        between = f" ({least} to {most})" if least < latest else ""
    count = f"{some}" if some <= FAR else f"more than {FAR}"
    role = "warn" if least <= _SOON else ""
    releases = "release fits" if some == 1 else "releases fit"
    return f"{count}{between}", role, f"{pace}: {count} further {releases}{between}."


def in_json(found: Growth) -> dict[str, Any]:
    """Give the sizes in bytes, the pace in bytes a release, and the releases that still fit."""
    return {
        "releases": list(found.releases),
        "left-out": found.left_out,
        "regions": [
            {
                "name": trend.region,
                "room": trend.room,
                "sizes": list(trend.sizes),
                "pace": trend.pace,
                "pace-range": None if trend.pace is None else [trend.slow, trend.fast],
                "more-that-fit": None if trend.pace is None else trend.more(trend.pace),
                "says": _left(trend)[2],
            }
            for trend in found.trends
        ],
    }
