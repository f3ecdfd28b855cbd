"""Small boot containers for the rules' examples, written so that one thing can be wrong in them."""

from __future__ import annotations

import gzip
import hashlib
import struct
import zlib
from collections.abc import Mapping

from imgaudit.units import KIB, MIB
from imgaudit.writers.fdt import Property, Tree, fdt

KERNEL_AT = 0x80200000
Changes = Mapping[str, Property | Tree]
_NONE: Changes = {}


def arm64_kernel(
    size: int = KIB, *, image_size: int = 64 * KIB, flags: int = 0xA, text_offset: int = 0
) -> bytes:
    """Write the header of an arm64 `Image` and some data behind it."""
    fields = (0x14000010, 0, text_offset, image_size, flags, 0, 0, 0, b"ARM\x64", 0)
    return struct.pack("<IIQQQQQQ4sI", *fields).ljust(size, b"\xd5")


def riscv_kernel(image_size: int) -> bytes:
    """Write the header of a RISC-V `Image` and some data behind it."""
    fields = (0, 0, 0x200000, image_size, 0, 2, 0, 0, b"RISCV\0\0\0", b"RSC\x05", 0)
    return struct.pack("<IIQQQIIQ8s4sI", *fields).ljust(KIB, b"\xd5")


def zimage(size: int = KIB, *, says: int = KIB) -> bytes:
    """Write the header of an arm `zImage` that says how long it is."""
    header = bytes(0x24) + struct.pack("<IIII", 0x016F2818, 0, says, 0x04030201)
    return header.ljust(size, b"\xe1")


def board_tree(changes: Changes = _NONE) -> bytes:
    """Write a board's device tree; see `image` for the changes."""
    tree: Tree = {
        "#address-cells": 1,
        "#size-cells": 1,
        "compatible": ["example,gauge", "example,soc"],
        "memory@80000000": {"device_type": "memory", "reg": (KERNEL_AT, MIB)},
    }
    return fdt(_changed(tree, changes))


def image(changes: Changes = _NONE, *, payload: bytes = b"tide" * 64) -> Tree:
    """Give a FIT's image node, a ramdisk; a change to `()` leaves something out."""
    node: Tree = {
        "description": "sample",
        "type": "ramdisk",
        "arch": "arm64",
        "os": "linux",
        "compression": "none",
        "data": payload,
        "hash-1": {"algo": "sha256", "value": hashlib.sha256(payload).digest()},
    }
    return _changed(node, changes)


def kernel(changes: Changes = _NONE, *, payload: bytes | None = None) -> Tree:
    """Give a FIT's kernel node; see `image`."""
    where: Tree = {"type": "kernel", "load": KERNEL_AT, "entry": KERNEL_AT}
    data = arm64_kernel() if payload is None else payload
    return image(where | dict(changes), payload=data)


def fit(
    images: Tree | None = None,
    *,
    configurations: Tree | None = None,
    default: str | None = "conf",
    changes: Changes = _NONE,
) -> bytes:
    """Write a FIT; without more it holds one kernel and the configuration `conf` that starts it."""
    choices: Tree = {"default": default} if default is not None else {}
    choices |= {"conf": {"kernel": "kernel"}} if configurations is None else configurations
    root: Tree = {
        "description": "sample",
        "timestamp": 1,
        "#address-cells": 1,
        "images": {"kernel": kernel()} if images is None else images,
        "configurations": choices,
    }
    return fdt(_changed(root, changes))


def _changed(tree: Tree, changes: Changes) -> Tree:
    """Apply changes, without what is `()`, and put the properties before the nodes."""
    kept = {name: value for name, value in (tree | dict(changes)).items() if value != ()}
    return dict(sorted(kept.items(), key=lambda item: isinstance(item[1], dict)))


def uimage(
    data: bytes = b"tide" * 64,
    *,
    kind: int = 3,
    arch: int = 22,
    system: int = 5,
    compression: int = 0,
    load: int = 0,
    entry: int | None = None,
) -> bytes:
    """Write a legacy image: an uncompressed ramdisk for arm64, unless told otherwise.

    It starts where it is loaded to, unless `entry` says where.
    """
    start = load if entry is None else entry
    head = struct.pack(">7I", 0x27051956, 0, 1, len(data), load, start, zlib.crc32(data))
    head = (head + bytes((system, arch, kind, compression))).ljust(64, b"\0")
    return head[:4] + zlib.crc32(head).to_bytes(4, "big") + head[8:] + data


def packed(data: bytes) -> bytes:
    """Compress with gzip, always to the same bytes."""
    return gzip.compress(data, mtime=0)
