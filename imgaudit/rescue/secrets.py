"""Keys and credentials in the file systems of a build; those of a recovery's ramdisk it surveys."""

from __future__ import annotations

import re

from imgaudit.contents.build import Build, Placement, Store, stored
from imgaudit.data import dataclass
from imgaudit.errors import ImgauditError
from imgaudit.formats.files import Entry, Files, FileSystem, open_file
from imgaudit.formats.view import View
from imgaudit.model import Region
from imgaudit.patterns import regex
from imgaudit.ramdisk.scan import Secret, scan

MOST_BYTES = 16 << 10  # of a file: a key has less
FEW = 512  # small files of which all are looked at
MOST_FILES = 1024
_FOLDERS = ("/etc/", "/root/", "/home/", "/var/", "/srv/", "/data/", "/mnt/", "/keys/")
_NAMES = regex(
    r"\.(pem|key|der|p8|ppk|psk)$|^id_|secret|passw|netrc|credential|htpasswd|wpa_supplicant|wifi",
    re.IGNORECASE,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """What the file system of a region has; with a `why`, not all that could have been looked at.

    `looked` counts the files that were read.
    """

    region: Region
    artifact: str
    secrets: tuple[Secret, ...] = ()
    looked: int = 0
    why: str = ""


def secrets_of(build: Build, store: Store) -> tuple[Kept, ...]:
    """Look through the small files of each file system, or of many through the likely ones."""
    return tuple(
        found for placement in build.placements if (found := _kept(placement, store)) is not None
    )


def _kept(placement: Placement, store: Store) -> Kept | None:
    payload, artifact = placement.payload, placement.artifact
    facts = payload.facts if payload is not None else None
    if artifact is None or not isinstance(facts, FileSystem) or facts.files is None:
        return None
    bare = Kept(region=placement.region, artifact=artifact.path)
    if payload is not artifact.content:
        return _unread(bare, "it is packed, and was not kept unpacked")
    files = _small(facts.files)
    if len(files) > FEW:
        files = [entry for entry in files if _likely("/" + entry.path)]
    files.sort(key=lambda entry: entry.path)
    try:
        with stored(store, placement) as view:
            found = [secret for entry in files[:MOST_FILES] for secret in _in(entry, view)]
    except ImgauditError as problem:
        return _unread(bare, str(problem))
    why = f"of {len(files):,} files {MOST_FILES:,} were looked at"
    return Kept(
        region=bare.region,
        artifact=bare.artifact,
        secrets=tuple(found),
        looked=min(len(files), MOST_FILES),
        why=why if len(files) > MOST_FILES else "",
    )


def _in(entry: Entry, view: View) -> list[Secret]:
    try:
        return scan("/" + entry.path, open_file(view, entry))[0]
    except ImgauditError:
        return []  # the file system's own damage is told elsewhere


def _unread(bare: Kept, why: str) -> Kept:
    return Kept(region=bare.region, artifact=bare.artifact, why=why)


def _small(files: Files) -> list[Entry]:
    """Give the files of a key's size, each under the first of its names."""
    found = [entry for entry in files if 0 < entry.size <= MOST_BYTES and entry.is_file]
    first: dict[object, Entry] = {}
    for entry in found:
        known = first.setdefault(entry.inode or entry.path, entry)
        if entry.path < known.path:
            first[entry.inode] = entry
    return list(first.values())


def _likely(path: str) -> bool:
    return path.startswith(_FOLDERS) or _NAMES.search(path.rpartition("/")[2]) is not None
