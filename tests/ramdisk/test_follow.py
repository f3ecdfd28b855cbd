"""What the kernel takes of several archives, and where it stumbles (Linux init/initramfs.c)."""

from __future__ import annotations

import gzip

import pytest

from imgaudit.ramdisk import follow
from tests.ramdisk.test_find import ARCHIVE, found

PACKED = gzip.compress(ARCHIVE, mtime=0)
SIZE, STORED = len(ARCHIVE), len(PACKED)
NEXT = -(-STORED // 4) * 4
MAGIC = "invalid magic at start of compressed archive"
INSIDE = "junk within compressed archive"
CASES: dict[str, tuple[bytes, list[tuple[int, int, str]], list[tuple[object, ...]]]] = {
    "zeros behind": (ARCHIVE + bytes(512), [(0, SIZE, "")], []),
    "0xff behind": (
        ARCHIVE + b"\xff" * 512,
        [(0, SIZE, "")],
        [("junk", SIZE, 512, "what follows is no archive", MAGIC, 0xFF)],
    ),
    "a packed one behind": (ARCHIVE + PACKED, [(0, SIZE, ""), (SIZE, STORED, "gzip")], []),
    "a plain one at the next word": (
        PACKED.ljust(NEXT, b"\0") + ARCHIVE,
        [(0, STORED, "gzip"), (NEXT, SIZE, "")],
        [],
    ),
    "a plain one a byte later": (
        PACKED.ljust(NEXT + 1, b"\0") + ARCHIVE,
        [(0, STORED, "gzip"), (NEXT + 1, SIZE, "")],
        [("refused", NEXT + 1, SIZE, "an archive must be 4-aligned", MAGIC, None)],
    ),
    "no archive inside": (
        gzip.compress(b"tide" * 99, mtime=0),
        [(0, 29, "gzip")],
        [("refused", 0, 29, "it unpacks to data of no known format", INSIDE, None)],
    ),
    "a program inside": (
        gzip.compress(b"\x7fELF" + bytes(99), mtime=0),
        [(0, 27, "gzip")],
        [("refused", 0, 27, "it unpacks to ELF file", INSIDE, None)],
    ),
    "cut": (
        PACKED[:-20],
        [(0, STORED - 20, "gzip")],
        [("cut", STORED - 20, 1, "the stream is cut: its end is missing", "", None)],
    ),
    "cut in a header": (
        ARCHIVE[:200],
        [(0, 116, "")],
        [("cut", 116, 1, "a header has 110 bytes, 84 are left", "", None)],
    ),
    "junk behind": (
        PACKED + b"junk" * 9,
        [(0, STORED, "gzip")],
        [("junk", STORED, 36, "it is data of no known format", MAGIC, None)],
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_archives_are_followed_as_the_kernel_does(name: str) -> None:
    data, segments, troubles = CASES[name]
    ramdisk = found(data)
    assert [(it.offset, it.size, it.compression) for it in ramdisk.segments] == segments
    assert [
        (it.kind, it.offset, it.length, it.why, it.kernel, it.fill) for it in ramdisk.troubles
    ] == troubles


@pytest.mark.parametrize(("fill", "byte"), [(b"\xff", 0xFF), (b"k", None), (b"\0", 0)])
def test_what_follows_inside_a_stream_is_junk_unless_it_is_zeros(
    fill: bytes, byte: int | None
) -> None:
    data = gzip.compress(ARCHIVE + fill * 36, mtime=0)
    ramdisk = found(data)
    assert len(ramdisk.archives) == 1
    what = "36 bytes follow the archive inside the compressed data"
    assert [(it.kind, it.offset, it.length, it.why, it.fill) for it in ramdisk.troubles] == [
        ("junk", 0, len(data), what, byte)
    ] * (fill != b"\0")


@pytest.mark.parametrize("most", [2, 1])
def test_only_so_many_archives_are_followed(most: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(follow, "_SEGMENTS", most)
    ramdisk = found(ARCHIVE + PACKED)
    assert len(ramdisk.segments) == most
    assert [(it.kind, it.offset, it.why) for it in ramdisk.troubles] == [
        ("bound", SIZE, "not followed: more than 1 archives")
    ] * (most == 1)


def test_an_older_kind_of_archive_is_refused() -> None:
    ramdisk = found(b"070707" + ARCHIVE[6:])
    assert ramdisk.archives == ()
    (trouble,) = ramdisk.troubles
    assert (trouble.kind, trouble.offset) == ("refused", 0)
    assert trouble.kernel == "incorrect cpio method used: use -H newc option"
