"""Which ramdisk a file brings: a bare archive, a FIT's configuration, a uImage's second file."""

from __future__ import annotations

import gzip
import struct
import zlib

import pytest

from imgaudit.contents.reader import Loader
from imgaudit.ramdisk.find import Ramdisk, file_in, ramdisk_of
from imgaudit.rules import samples as sample
from imgaudit.writers import kernel as kernels
from imgaudit.writers.cpio import cpio
from imgaudit.writers.fdt import Tree
from imgaudit.writers.tree import file

ARCHIVE = cpio({"init": file("#!/bin/sh\n"), "etc/motd": file("tide\n")}, 0)
KERNEL = kernels.image({})
RAMDISK: Tree = {"kernel": sample.kernel(), "rd": sample.image(payload=ARCHIVE)}


def uimage(kind: int, *payloads: bytes) -> bytes:
    """Make a uImage (U-Boot include/image.h): type 2 is a kernel, 3 a ramdisk, 4 several files."""
    data = b"".join(payloads)
    if kind == 4:
        sizes = struct.pack(f">{len(payloads) + 1}I", *map(len, payloads), 0)
        data = sizes + b"".join(part + bytes(-len(part) % 4) for part in payloads)
    fields = (0, len(data), 0, 0, zlib.crc32(data), 5, 22, kind, 0, b"tide")
    head = struct.pack(">IIIIIIIBBBB32s", 0x27051956, 0, *fields)
    return head[:4] + struct.pack(">I", zlib.crc32(head)) + head[8:] + data


def found(data: bytes, configuration: str | None = None) -> Ramdisk:
    with Loader() as loader:
        return ramdisk_of(loader.memory("a.bin", data).content, configuration)


@pytest.mark.parametrize(
    "data",
    [
        ARCHIVE,
        gzip.compress(ARCHIVE),
        sample.fit(RAMDISK, configurations={}),
        sample.fit(RAMDISK, configurations={"conf": {"kernel": "kernel", "ramdisk": "rd"}}),
        gzip.compress(sample.fit(RAMDISK, configurations={"conf": {"ramdisk": "rd"}})),
        uimage(3, ARCHIVE),
        uimage(4, KERNEL, ARCHIVE),
    ],
)
def test_it_is_found_where_it_stands(data: bytes) -> None:
    ramdisk = found(data)
    assert (ramdisk.missing, ramdisk.unread, ramdisk.troubles) == ("", "", ())
    assert ramdisk.root.lookup("etc/motd") is not None
    if ramdisk.at is not None and data[:2] != b"\x1f\x8b":
        assert data[ramdisk.at :].startswith(ARCHIVE[:64])
    with Loader() as loader:
        content = loader.memory("a.bin", data).content
        assert file_in(content, "/etc/motd") == b"tide\n"
        assert file_in(content, "/etc/nothing") is None


ONE: Tree = {"kernel": sample.kernel()}


@pytest.mark.parametrize(
    ("data", "configuration", "why"),
    [
        (b"tide" * 99, None, "a.bin is data of no known format, not a ramdisk"),
        (KERNEL, None, "the kernel brings no more than its own default"),
        (sample.fit(ONE, configurations={}), None, "a.bin: it names no ramdisk"),
        (
            sample.fit(ONE, configurations={"conf": {"kernel": "kernel"}}),
            None,
            "a.bin: conf names no ramdisk",
        ),
        (
            sample.fit(ONE, configurations={"conf": {"kernel": "kernel"}}),
            "other",
            "a.bin: no configuration is called other",
        ),
        (
            sample.fit(ONE, configurations={"conf": {"kernel": "kernel", "ramdisk": "gone"}}),
            None,
            "a.bin has no data for gone",
        ),
        (uimage(2, KERNEL), None, "a.bin has no ramdisk"),
        (uimage(4, KERNEL), None, "a.bin holds one file only"),
        (uimage(5, b"tide"), None, "a.bin is a firmware image without a ramdisk"),
    ],
)
def test_why_there_is_none(data: bytes, configuration: str | None, why: str) -> None:
    ramdisk = found(data, configuration)
    assert (ramdisk.missing, ramdisk.unread, ramdisk.archives) == (why, "", ())


def test_what_is_damaged_is_not_missing() -> None:
    """Whether it had a ramdisk is not known."""
    ramdisk = found(gzip.compress(ARCHIVE)[:-20])
    assert ramdisk.missing == ""
