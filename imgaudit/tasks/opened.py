"""From paths to what the other tasks look at: a layout, a store of artifacts, a subject."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import TYPE_CHECKING

from imgaudit.errors import AuditError
from imgaudit.layout.load import load, load_policy

if TYPE_CHECKING:
    from imgaudit.contents.build import Store
    from imgaudit.model import Layout
    from imgaudit.rules.subject import Subject

Progress = Callable[[str], None] | None
"""Told the path of each file as its reading begins."""


@contextmanager
def store(
    folder: str,
    layout: Layout,
    *,
    full_digests: bool = False,
    deep: bool = False,
    progress: Progress = None,
) -> Iterator[Store]:
    """Open a layout's folder of artifacts; `deep` unpacks every file of the file systems in it.

    Raises:
        ArtifactError: it is not a folder.

    """
    from imgaudit.contents.build import FolderStore
    from imgaudit.contents.reader import Loader
    from imgaudit.files import Folder

    largest = max((size for chip in layout.chips.values() for size in chip.sizes), default=None)
    with Loader(full_digests=full_digests, deep=deep, largest=largest) as loader:
        yield FolderStore(Folder(folder), loader, progress)


def subject(
    layout: str,
    artifacts: str | None,
    *,
    full_digests: bool = False,
    deep: bool = False,
    manifest: str | None = None,
    policy: str | None = None,
    root: str | None = None,
    progress: Progress = None,
) -> Subject:
    """Read a layout and, where there is a folder, its artifacts; `manifest` is what was sealed.

    `policy` is a file of the trusted side, whose policy the layout's own can only tighten. The
    reports name the layout by its path below `root`.

    Raises:
        ImgauditError: a file cannot be read, or says nothing that makes sense.

    """
    from imgaudit.rules.subject import gather

    loaded = load(layout, shown=None if root is None else below(root, layout))
    if policy is not None:
        loaded = replace(loaded, policy=loaded.policy.tightened(load_policy(policy)))
    if artifacts is None:
        found = gather(loaded, None)
    else:
        reading = store(artifacts, loaded, full_digests=full_digests, deep=deep, progress=progress)
        with reading as opened:
            found = gather(loaded, opened)
    if manifest is None:
        return found
    from imgaudit.release.manifest import load as load_manifest

    return replace(found, manifest=load_manifest(manifest))


def below(root: str, path: str) -> str:
    """Give a path below a folder, with slashes, whatever folder this is run in.

    Raises:
        AuditError: it is not below.

    """
    found = os.path.relpath(os.path.realpath(path), os.path.realpath(root))
    if found.startswith(os.pardir):
        raise AuditError(f"{path} is not below {root}")
    return found.replace(os.sep, "/")
