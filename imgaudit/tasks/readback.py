"""Read-back: the dumps of a board held against a build or a manifest, and judged."""

from __future__ import annotations

from collections.abc import Mapping

from imgaudit.contents.build import Store, read
from imgaudit.contents.tree import Artifact
from imgaudit.model import Layout
from imgaudit.release.dumps import held_against_build, held_against_manifest, regions_only
from imgaudit.release.manifest import Manifest
from imgaudit.rules import chip_image, manifest
from imgaudit.rules.engine import Check, Severity
from imgaudit.rules.geometry import nor
from imgaudit.rules.subject import Subject
from imgaudit.tasks import audit
from imgaudit.tasks.audit import Result

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
