"""From paths to what the other tasks look at: a layout, a store of artifacts, a subject."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from typing import TYPE_CHECKING

from imgaudit.errors import AuditError
from imgaudit.layout.load import load, load_policy

if TYPE_CHECKING:
    from imgaudit.contents.build import Store
    from imgaudit.model import Layout
    from imgaudit.release.manifest import Manifest
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
    olds: Mapping[str, str] | None = None,
    progress: Progress = None,
) -> Subject:
    """Read a layout and, where there is a folder, its artifacts; `manifest` is what was sealed.

    `olds` are the folders or manifests of releases that boards have before an update, by the names
    that updates call them. `policy` is a file of the trusted side, whose policy the layout's own
    can only tighten. The reports name the layout by its path below `root`.

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
            found = _with_olds(loaded, opened, olds or {}, progress)
    if manifest is None:
        return found
    from imgaudit.release.manifest import load as load_manifest

    return replace(found, manifest=load_manifest(manifest))


def _with_olds(
    layout: Layout, opened: Store, olds: Mapping[str, str], progress: Progress
) -> Subject:
    from imgaudit.release.manifest import load as load_manifest
    from imgaudit.rules.subject import gather

    found: dict[str, Store | Manifest] = {}
    with ExitStack() as stack:
        for name, path in olds.items():
            if os.path.isdir(path):
                found[name] = stack.enter_context(store(path, layout, progress=progress))
                continue
            manifest = load_manifest(path)
            if manifest.board != layout.board:
                raise AuditError(f"{path} is of {manifest.board}, not of {layout.board}")
            found[name] = manifest
        return gather(layout, opened, found)


def below(root: str, path: str) -> str:
    """Give a path below a folder, with slashes, whatever folder this is run in.

    Raises:
        AuditError: it is not below.

    """
    found = os.path.relpath(os.path.realpath(path), os.path.realpath(root))
    if found.startswith(os.pardir):
        raise AuditError(f"{path} is not below {root}")
    return found.replace(os.sep, "/")
