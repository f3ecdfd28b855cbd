"""Read-back: the dumps of a board held against a build or a manifest, and judged."""

from __future__ import annotations

from collections.abc import Mapping

from imgaudit import audit
from imgaudit.artifacts import Artifact
from imgaudit.audit import Result
from imgaudit.build import Store, read
from imgaudit.checks import chip_image, manifest
from imgaudit.checks._rule import Check, Severity
from imgaudit.checks.geometry import nor
from imgaudit.dumps import held_against_build, held_against_manifest, regions_only
from imgaudit.manifest import Manifest
from imgaudit.model import Layout
from imgaudit.subject import Subject

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
    if isinstance(against, Manifest):
        subject = Subject(layout=layout, given=False, manifest=against)
        subject = held_against_manifest(subject, layout, dumps, against)
    else:
        layout = regions_only(layout, dumps)
        build = read(layout, against)
        subject = Subject(layout=layout, placements=build.placements, unreadable=build.unreadable)
        subject = held_against_build(subject, layout, dumps)
    return audit.run(subject, fail_on=fail_on, only=CHECKS)
