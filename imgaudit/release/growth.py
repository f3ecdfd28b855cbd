"""How the regions grew over sealed releases, and how many more releases fit at that pace.

The pace is the median of the slopes between all pairs of releases, so that one release out of line
does not move it; its range holds it nine times in ten.

Source: P. K. Sen, Estimates of the regression coefficient based on Kendall's tau, Journal of the
American Statistical Association 63 (1968), with the normal approximation for the range.
"""

from __future__ import annotations

import math
import os
import statistics
from collections import Counter
from collections.abc import Iterable, Sequence

from imgaudit.contents.build import Build
from imgaudit.data import dataclass
from imgaudit.errors import AuditError
from imgaudit.patterns import regex
from imgaudit.release.manifest import Manifest, load

LEAST = 4
"""Releases from which on a pace is told."""
MOST = 50
"""Releases that are looked at: the newest."""
FAR = 100
"""More releases than these are not counted out."""
_SURE = 1.6449  # standard deviations that hold nine values in ten
_DIGITS = regex(r"(\d+)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """A region over the releases.

    `room` is what it holds, `sizes` what each release takes, both in bytes; None where a release
    has no such region or does not say. `pace` is bytes a release, `slow` and `fast` its range; None
    where there are too few releases to tell.
    """

    region: str
    room: int
    sizes: tuple[int | None, ...]
    pace: float | None = None
    slow: float = 0.0
    fast: float = 0.0

    @property
    def known(self) -> list[int]:
        """The sizes that are known, oldest first."""
        return [size for size in self.sizes if size is not None]

    def more(self, pace: float) -> int | None:
        """Count the releases that still fit at a pace; None where it does not grow."""
        rest = self.room - self.known[-1]
        return None if pace <= 0 else max(0, math.floor(rest / pace))


@dataclass(frozen=True, slots=True, kw_only=True)
class Growth:
    """The releases by name, oldest first, and each region over them; older ones were left out."""

    releases: tuple[str, ...]
    trends: tuple[Trend, ...]
    left_out: int = 0


def history(paths: Iterable[str]) -> tuple[list[Manifest], int]:
    """Read the newest sealed manifests, oldest first, and count those that are left out.

    A folder gives its `.json` files by their names, with numbers in them as numbers.

    Raises:
        AuditError: one cannot be read, or there is none.

    """
    files: list[str] = []
    for path in paths:
        if not os.path.isdir(path):
            files.append(path)
            continue
        names = sorted((n for n in os.listdir(path) if n.endswith(".json")), key=_natural)
        if not names:
            raise AuditError(f"{path} has no sealed manifest: none of its files ends in .json")
        files += [os.path.join(path, name) for name in names]
    return [load(file) for file in files[-MOST:]], max(0, len(files) - MOST)


def _natural(name: str) -> list[tuple[int, str]]:
    """Order 1.10 behind 1.9; words before numbers of the same place."""
    parts = _DIGITS.split(name)
    return [(int(part) if n % 2 else -1, part) for n, part in enumerate(parts)]


def growth(build: Build, releases: Sequence[Manifest], left_out: int = 0) -> Growth:
    """Lay sealed releases and this build in a row; a build that is the newest of them counts once.

    Raises:
        AuditError: a release is another board's.

    """
    layout = build.layout
    if layout is None:
        raise AuditError("growth needs a layout")
    for release in releases:
        if release.board != layout.board:
            raise AuditError(
                f"{release.file} seals a release of {release.board}, not of {layout.board}"
            )
    names = [os.path.splitext(os.path.basename(release.file))[0] for release in releases]
    rows = [_sealed(release) for release in releases]
    if build.given and not (releases and _same(build, releases[-1])):
        names.append("this build")
        rows.append(
            {
                item.region.name: (item.size, item.used)
                for item in build.placements
                if item.size is not None
            }
        )
    trends = (
        _trend(region.name, region.room, [row.get(region.name) for row in rows])
        for region in layout.regions
    )
    return Growth(
        releases=tuple(names),
        trends=tuple(trend for trend in trends if trend.known),
        left_out=left_out,
    )


_Taken = tuple[int, int | None]
"""Bytes of a payload, and without what is free in it, where that is said."""


def _sealed(release: Manifest) -> dict[str, _Taken]:
    return {
        region.name: (region.payload.size, region.payload.used)
        for region in release.regions
        if region.payload is not None
    }


def _same(build: Build, release: Manifest) -> bool:
    """Tell whether a build's files are those of a release, by their digests."""
    compared = 0
    for placement in build.placements:
        sealed = release.region(placement.region.name)
        one, other = placement.artifact, sealed.artifact if sealed is not None else None
        if (one is None) != (other is None):
            return False
        if one is None or other is None:
            continue
        pairs = ((one.sha256, other.sha256), (one.data_sha256, other.data_sha256))
        known = [mine == theirs for mine, theirs in pairs if mine and theirs]
        if not known or not all(known):
            return False
        compared += 1
    return compared > 0


def _trend(region: str, room: int, taken: Sequence[_Taken | None]) -> Trend:
    # A file system's image has the same size however full it is: what does not say how full stays
    # out where others do.
    partly = any(item is not None and item[1] not in {None, item[0]} for item in taken)
    sizes = tuple(None if item is None else item[1] if partly else item[0] for item in taken)
    points = [(number, size) for number, size in enumerate(sizes) if size is not None]
    if len(points) < LEAST:
        return Trend(region=region, room=room, sizes=sizes)
    pace, slow, fast = slope(points)
    return Trend(region=region, room=room, sizes=sizes, pace=pace, slow=slow, fast=fast)


def slope(points: Sequence[tuple[int, int]]) -> tuple[float, float, float]:
    """Give the median slope of points, and the range that holds it nine times in ten.

    At least two points, each at another place.
    """
    slopes = sorted(
        (size - before) / (at - place)
        for number, (at, size) in enumerate(points)
        for place, before in points[:number]
    )
    count = len(points)
    ties = Counter(size for _, size in points).values()
    spread = count * (count - 1) * (2 * count + 5)
    spread -= sum(tie * (tie - 1) * (2 * tie + 5) for tie in ties)
    half = _SURE * math.sqrt(spread / 18)
    low = max(0, round((len(slopes) - half) / 2) - 1)
    high = min(len(slopes) - 1, round((len(slopes) + half) / 2))
    return statistics.median(slopes), slopes[low], slopes[high]
