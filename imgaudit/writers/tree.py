"""A directory tree held in memory: what goes into a ramdisk or a filesystem."""

from __future__ import annotations

import stat
from collections.abc import Mapping

from imgaudit.data import dataclass


@dataclass(frozen=True)
class Entry:
    """A file, directory, symbolic link (its target is the data) or device, owned by root."""

    mode: int
    data: bytes = b""
    device: tuple[int, int] = (0, 0)


Root = dict[str, Entry]
"""Entries by their path without a leading slash."""


def file(data: str | bytes, mode: int = 0o644) -> Entry:
    """Make a regular file."""
    return Entry(stat.S_IFREG | mode, data.encode() if isinstance(data, str) else data)


def directory(mode: int = 0o755) -> Entry:
    """Make a directory."""
    return Entry(stat.S_IFDIR | mode)


def link(target: str) -> Entry:
    """Make a symbolic link."""
    return Entry(stat.S_IFLNK | 0o777, target.encode())


def character_device(major: int, minor: int, mode: int) -> Entry:
    """Make a character device."""
    return Entry(stat.S_IFCHR | mode, device=(major, minor))


def with_parents(root: Mapping[str, Entry]) -> Root:
    """Add the directories that paths imply; sorted, so that a parent precedes what it holds."""
    whole = dict(root)
    for path in root:
        parts = path.split("/")
        for count in range(1, len(parts)):
            whole.setdefault("/".join(parts[:count]), directory())
    return dict(sorted(whole.items()))
