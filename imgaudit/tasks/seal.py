"""Seal a release: write down what it is."""

from __future__ import annotations

from imgaudit.contents.build import read
from imgaudit.layout.load import load
from imgaudit.release.dumps import regions_only
from imgaudit.release.manifest import dump
from imgaudit.release.seal import seal as sealing
from imgaudit.tasks import opened
from imgaudit.tasks.sections import Report


def seal(layout: str, artifacts: str, *, progress: opened.Progress = None) -> Report:
    """Give the manifest of a build.

    Raises:
        ImgauditError: an artifact is missing or cannot be read: half a release is not sealed.

    """
    loaded = regions_only(load(layout))
    with opened.store(artifacts, loaded, full_digests=True, progress=progress) as store:
        manifest = dump(sealing(read(loaded, store)))
    return Report(command="seal", title=f"{loaded.board}: a release", document=manifest)
