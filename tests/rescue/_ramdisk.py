"""Roots for tests, built from members."""

from __future__ import annotations

import gzip
from collections.abc import Mapping
from pathlib import Path

from imgaudit.formats import cpio
from imgaudit.formats.view import View
from imgaudit.ramdisk.root import Root
from tests.formats._cpio import archive, folder, link, program

INSTALLERS = {
    "arm64": Path(
        "/usr/lib/debian-installer/images/12/arm64/text/debian-installer/arm64/initrd.gz"
    ),
    "arm": Path("/usr/lib/debian-installer/images/12/armhf/text/debian-installer/armhf/initrd.gz"),
}
QEMU = {"arm64": Path("/usr/bin/qemu-aarch64-static"), "arm": Path("/usr/bin/qemu-arm-static")}
APPLETS = ("[", "[[", "ash", "cat", "cp", "init", "ip", "ls", "mount", "sh", "udhcpc", "wget")


def root(*archives: bytes) -> Root:
    views = [View.of(data) for data in archives]
    return Root((view, cpio.read(view)) for view in views)


def installer(arch: str) -> tuple[bytes, Root]:
    data = gzip.decompress(INSTALLERS[arch].read_bytes())
    return data, root(data)


def tree(files: Mapping[str, bytes | str]) -> Root:
    """Build a root from paths with their folders: bytes are programs, text is what a link holds."""
    return root(archive(*members(files)))


def members(files: Mapping[str, bytes | str]) -> list[bytes]:
    made: dict[str, bytes] = {}
    for path, content in files.items():
        parts = path.split("/")
        for depth in range(1, len(parts)):
            name = "/".join(parts[:depth])
            if name not in files:
                made.setdefault(name, folder(name))
        made[path] = link(path, content) if isinstance(content, str) else program(path, content)
    return list(made.values())


def busybox_text(applets: tuple[str, ...] = APPLETS, extra: bytes = b"") -> bytes:
    """What a busybox binary holds: its version, other sorted tables, the table of applets."""
    table = b"".join(name.encode() + b"\0" for name in applets)
    other = b"\0add\0append\0change\0delete\0list\0replace\0\0"
    return b"\0BusyBox v1.36.1\0" + other + b"\x82\0" + table + b"\0/var/log\0" + extra
