"""A small writer of cpio archives for tests."""

from __future__ import annotations

import stat


def member(
    name: bytes | str,
    data: bytes = b"",
    mode: int = stat.S_IFREG | 0o644,
    *,
    ino: int = 0,
    uid: int = 0,
    gid: int = 0,
    nlink: int = 1,
    mtime: int = 0,
    rdev: tuple[int, int] = (0, 0),
    magic: bytes = b"070701",
    check: int | None = None,
    size: int | None = None,
) -> bytes:
    raw = (name.encode() if isinstance(name, str) else name) + b"\0"
    length = len(data) if size is None else size
    if check is None:
        check = sum(data) & 0xFFFFFFFF if magic == b"070702" else 0
    fields = (ino, mode, uid, gid, nlink, mtime, length, 0, 1, *rdev, len(raw), check)
    head = magic + b"".join(b"%08x" % field for field in fields) + raw
    return _padded(_padded(head) + data)


def trailer(magic: bytes = b"070701") -> bytes:
    return member("TRAILER!!!", mode=0, magic=magic)


def archive(*members: bytes) -> bytes:
    return b"".join(members) + trailer()


def link(name: str, target: str) -> bytes:
    return member(name, target.encode(), stat.S_IFLNK | 0o777)


def folder(name: str, mode: int = 0o755) -> bytes:
    return member(name, b"", stat.S_IFDIR | mode, nlink=2)


def program(name: str, data: bytes = b"", mode: int = 0o755) -> bytes:
    return member(name, data, stat.S_IFREG | mode)


def _padded(data: bytes) -> bytes:
    return data + b"\0" * (-len(data) % 4)
