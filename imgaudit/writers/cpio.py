"""Write a newc cpio archive (Linux, Documentation/driver-api/early-userspace/buffer-format.rst)."""

from __future__ import annotations

import stat
from collections.abc import Mapping

from imgaudit.writers.tree import Entry, with_parents

_TRAILER = "TRAILER!!!"


def cpio(root: Mapping[str, Entry], epoch: int) -> bytes:
    """Archive a tree; every member has the time `epoch`."""
    archive = bytearray()
    for number, (path, entry) in enumerate(with_parents(root).items(), 1):
        archive += _member(path, entry, number, epoch)
    return bytes(archive + _member(_TRAILER, Entry(0), 0, 0))


def _member(path: str, entry: Entry, number: int, epoch: int) -> bytes:
    name = path.encode() + b"\0"
    links = 2 if stat.S_ISDIR(entry.mode) else 1
    size = len(entry.data)
    fields = (number, entry.mode, 0, 0, links, epoch, size, 0, 0, *entry.device, len(name), 0)
    head = b"070701" + b"".join(b"%08X" % field for field in fields) + name
    return _aligned(head) + _aligned(entry.data)


def _aligned(data: bytes) -> bytes:
    return data + bytes(-len(data) % 4)
