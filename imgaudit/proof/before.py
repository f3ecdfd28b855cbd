"""The release that a board has before an update, so that what is half updated is the true pair.

Of a region that the old and the new release have alike nothing is mixed. What the old release had
elsewhere is read from its own folder; of a sealed manifest only digests are known, so that it is
known which regions differ, and what they held is taken to start as the new content does.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field, replace

from imgaudit.boot.board import table_of
from imgaudit.contents.build import Build, Placement
from imgaudit.contents.tree import Artifact
from imgaudit.data import dataclass
from imgaudit.formats.gpt import Gpt
from imgaudit.maps.collect import Copies, collect
from imgaudit.release.manifest import Manifest, SealedRegion
from imgaudit.rescue.stage import Rescue

Rescues = Mapping[str, Rescue]
World = tuple[Build, Copies, Rescues]
"""What is read from storage: the contents, the copies of the map in them, the ramdisks by stage."""


@dataclass(frozen=True, kw_only=True)
class Before:
    """An old release. `changed` names the regions that differ, and the tables of chips that do.

    `build` is None where only a manifest is known of it.
    """

    changed: frozenset[str]
    build: Build | None = None
    rescues: Rescues = field(default_factory=dict)


def world(
    new: World, before: Before | None, old: frozenset[str], names: Mapping[str, str]
) -> World:
    """Give what is read where some regions are still old, and some hold what another one did.

    `names` gives, for a volume that was renamed, the region whose content it now has.
    """
    then = before.build if before is not None else None
    old = old if then is not None else frozenset()
    if not old and not names:
        return new
    build = _composed(new[0], then or new[0], old, names)
    rescues = {
        stage: before.rescues.get(stage, rescue)
        if before is not None and rescue.region is not None and rescue.region.name in old
        else rescue
        for stage, rescue in new[2].items()
    }
    return build, collect(build), rescues


def before(new: Build, old: Build, rescues: Rescues) -> Before:
    """Compare a release with the one before it, region by region."""
    changed = {
        now.region.name
        for now, then in zip(new.placements, old.placements, strict=True)
        if not _same(now.artifact, then.artifact)
    }
    changed |= {
        table_of(now.chip.name)
        for now, then in zip(new.images, old.images, strict=True)
        if not _same(now.artifact, then.artifact) and _table(now.artifact) != _table(then.artifact)
    }
    return Before(changed=frozenset(changed), build=old, rescues=rescues)


def sealed_before(new: Build, manifest: Manifest) -> Before:
    """Compare a release with the manifest of the one before it."""
    changed = {
        item.region.name
        for item in new.placements
        if item.artifact is not None
        and not _sealed_same(item.artifact, manifest.region(item.region.name))
    }
    return Before(changed=frozenset(changed))


def _same(one: Artifact | None, other: Artifact | None) -> bool:
    if one is None or other is None:
        return one is other
    return _equal(one.sha256, other.sha256) or _equal(one.data_sha256, other.data_sha256)


def _sealed_same(artifact: Artifact, sealed: SealedRegion | None) -> bool:
    then = None if sealed is None else sealed.artifact
    if then is None:
        return False
    return _equal(artifact.sha256, then.sha256) or _equal(artifact.data_sha256, then.data_sha256)


def _equal(one: str | None, other: str | None) -> bool:
    return one is not None and one == other


def _table(artifact: Artifact | None) -> Gpt | None:
    facts = artifact.content.unwrapped().facts if artifact is not None else None
    return facts if isinstance(facts, Gpt) else None


def _composed(new: Build, old: Build, still: frozenset[str], names: Mapping[str, str]) -> Build:
    """Take what is `still` old, and the images of chips whose table is, from the old build."""
    images = tuple(
        then if table_of(now.chip.name) in still else now
        for now, then in zip(new.images, old.images, strict=True)
    )
    kept = {image.artifact.path for image in images if image.artifact is not None}
    kept |= {
        path
        for item in new.placements
        if item.region.name not in still
        and (path := new.placement(names.get(item.region.name, item.region.name)).path)
    }
    return replace(
        new,
        placements=tuple(
            _placed(item, old if item.region.name in still else new, names, kept, old)
            for item in new.placements
        ),
        images=images,
    )


def _placed(
    now: Placement, source: Build, names: Mapping[str, str], kept: set[str], old: Build
) -> Placement:
    found = source.placement(names.get(now.region.name, now.region.name))
    if found.region is not now.region:
        found = replace(found, region=now.region)
    if source is old and found.artifact is not None and found.artifact.path in kept:
        # Two files of one name are two artifacts.
        path = f"{found.artifact.path} (old)"
        found = replace(found, artifact=replace(found.artifact, path=path))
    return found
