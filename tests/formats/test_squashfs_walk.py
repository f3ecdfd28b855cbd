from __future__ import annotations

import functools
import os
import struct
import subprocess
import tempfile
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.formats import files as listing
from imgaudit.formats import squashfs_walk
from imgaudit.formats.files import Piece, unpacked_whole
from imgaudit.formats.squashfs import READER, Squashfs
from imgaudit.formats.view import View
from tests.formats._survives import survives_walk
from tests.formats._trees import agree, fill, read, rows, seeds, sound, status, trouble

FORMS = (
    "-comp gzip",
    "-comp lzma",
    "-comp lzo",
    "-comp xz",
    "-comp xz -Xbcj arm",
    "-comp lz4",
    "-comp lz4 -Xhc",
    "-comp zstd",
    "-noI -noD -noF -noX",
    "-noId",
    "-no-fragments",
    "-always-use-fragments",
    "-tailends",
    "-b 4096",
    "-b 1048576",
    "-no-exports -nopad",
)


def make(folder: Path, options: str = "") -> bytes:
    image = folder.parent / "image.squashfs"
    image.unlink(missing_ok=True)
    assert not status("mksquashfs", folder, image, *options.split(), "-quiet", "-no-progress")
    return image.read_bytes()


@pytest.mark.oracle
@pytest.mark.parametrize("options", FORMS)
def test_what_mksquashfs_packs_is_found(tmp_path: Path, options: str) -> None:
    """Every name, mode, size, target and byte; unsquashfs lists the same."""
    folder = fill(tmp_path / "root", many=80)
    os.setxattr(folder / "init", "user.gauge", b"tide" * 20)
    os.mkfifo(folder / "pipe")
    sound(READER, make(folder, options), folder)
    words = ("unsquashfs", "-d", "", "-lc", tmp_path / "image.squashfs")
    listed = subprocess.run(words, check=True, capture_output=True, text=True).stdout
    names = {line.removeprefix("/") for line in listed.splitlines() if line.startswith("/")}
    assert names <= set(rows(folder))
    assert len(names) > 80


@functools.cache
def whimbrel(options: str = "-comp zstd") -> bytes:
    with tempfile.TemporaryDirectory() as place:
        return make(fill(Path(place) / "root", many=40, kernel=os.urandom(150_000)), options)


def table(data: bytes, name: str) -> int:
    facts = read(READER, data)
    assert isinstance(facts, Squashfs)
    return next(table.start for table in facts.tables if table.name == name)


@pytest.mark.oracle
@pytest.mark.parametrize("name", ["inode", "directory", "id"])
@pytest.mark.parametrize("byte", [b"\0", b"\xff", b"\x5a"])
def test_a_garbled_table_is_told(name: str, byte: bytes) -> None:
    data = bytearray(whimbrel())
    at = table(bytes(data), name)
    data[at : at + 8] = byte * 8
    assert trouble(READER, bytes(data))


@pytest.mark.oracle
@pytest.mark.parametrize(
    "options", ["-comp gzip", "-comp xz", "-comp zstd", "-comp lzo", "-comp lz4"]
)
@pytest.mark.parametrize("byte", [b"\0", b"\xff"])
def test_an_erased_or_zeroed_piece_is_told(options: str, byte: bytes) -> None:
    """64 KiB in the middle of packed data, which a compressor never leaves like this."""
    folder = 1 << 16
    with tempfile.TemporaryDirectory() as place:
        root = Path(place) / "root"
        root.mkdir()
        text = b"".join(b"%d tides at %d\n" % (n, n * n * 7919 % 10007) for n in range(60_000))
        (root / "log").write_bytes(text)
        data = bytearray(make(root, options))
    assert not trouble(READER, bytes(data))
    data[1 << 15 : (1 << 15) + folder] = byte * folder
    known = (options.split()[1], byte) in {("lz4", b"\xff"), ("lzo", b"\0")}
    assert ("a packed block with a stretch of" in trouble(READER, bytes(data))) is not known


@pytest.mark.oracle
def test_deep_unpacks_every_block() -> None:
    data = bytearray(whimbrel("-comp gzip"))
    facts = read(READER, bytes(data))
    assert facts.files is not None
    piece = next(p for entry in facts.files for p in entry.pieces or () if p.method)
    assert piece.offset is not None
    data[piece.offset + piece.stored // 2] ^= 0x55
    view = View.of(bytes(data))
    found = unpacked_whole(view, READER.read(view))
    assert isinstance(found, Squashfs)
    assert found.flaw_count == 1
    assert "a block that " in found.flaws[0].what
    assert facts.flaw_count == 0


@pytest.mark.oracle
def test_what_unsquashfs_does_not_unpack_is_told(tmp_path: Path) -> None:
    """Damage at random places of tables; of the data only unpacking them tells."""
    told, missed = 0, []
    folder = fill(tmp_path / "root", many=400, kernel=b"")
    for options in ("-comp gzip", "-comp xz", "-comp zstd", "-comp lzo", "-noI -noD -noF"):
        data = make(folder, options)

        def complains(image: Path) -> bool:
            return status("unsquashfs", "-d", "", "-no", "-lls", image) != 0

        count, unseen = agree(READER, data, seeds(24), tmp_path / "broken", complains)
        told += count
        missed += [(options, seed) for seed in unseen]
    assert len(missed) <= told // 20, missed


@pytest.mark.oracle
@given(st.integers(0, 1 << 17), st.binary(min_size=1, max_size=64))
def test_changed_bytes_give_facts_or_an_error(at: int, new: bytes) -> None:
    survives_walk(READER, whimbrel(), at, new)


# What each field means. Where it stands: Linux fs/squashfs/squashfs_fs.h.

Put = tuple[str, int, str, int]
"""From the inode of a path, from "entry NAME" of /boot or from a table: where, how wide, what."""
IMAGE, TREE = "boot/Image-6.12", "boot/dtbs/6.12/vendor/whimbrel.dtb"
BIG = 400
INODES = BIG + 28


@functools.cache
def plain() -> bytes:
    """Make an image whose tables are stored as they are."""
    with tempfile.TemporaryDirectory() as place:
        root = fill(Path(place) / "root", many=BIG, kernel=bytes(range(256)) * 600)
        os.setxattr(root / "init", "user.gauge", b"tide" * 20)
        (root / "pseudo").write_text("tty c 600 0 0 5 300\n")
        options = f"-comp gzip -noI -noD -noF -noX -no-duplicates -all-time 0 -pf {root}/pseudo"
        return make(root, options)


@functools.cache
def start(where: str) -> int:
    """Find what a change counts from."""
    data = plain()
    facts = read(READER, data)
    assert isinstance(facts, Squashfs)
    assert facts.files is not None
    tables = {table.name: table.start for table in facts.tables}
    if where in tables:
        return tables[where]
    if where == "super":
        return 0
    if where.startswith("entries"):
        (offset,) = struct.unpack_from("<H", data, start("boot") + 26)
        (block,) = struct.unpack_from("<I", data, start("boot") + 16)
        # Blocks as they are: each has 8,192 bytes behind its own two.
        return int(tables["directory"] + block + 2 + offset)
    if where.startswith("entry "):
        return data.index(where.removeprefix("entry ").encode(), start("entries")) - 8
    entry = facts.files.entries[where]
    head = struct.pack("<HHHII", entry.mode & 0o7777, 0, 0, 0, entry.inode)
    return data.index(head, tables["inode"]) - 2


def put(*puts: Put) -> bytes:
    out = bytearray(plain())
    for where, offset, layout, value in puts:
        struct.pack_into("<" + layout, out, start(where) + offset, value)
    return bytes(out)


def block(where: str) -> int:
    """Find the block of metadata that something stands in."""
    at = start(where)
    (table,) = (start(name) for name in ("inode", "directory") if 0 <= at - start(name) < 14_500)
    return table + (at - table) // 8194 * 8194


CHANGES: list[tuple[list[Put], list[tuple[str, str, int]]]] = [
    ([("super", 12, "I", 5000)], [("blocks of 5,000 bytes", "super", 12)]),
    ([("super", 32, "Q", 0)], [("it has no root directory", "super", 32)]),
    ([("super", 32, "Q", 1 << 40)], [("it has no root directory", "super", 32)]),
    ([("super", 56, "Q", 668596)], [("the table of attributes is not inside", "super", 668612)]),
    ([("xattr", 0, "Q", 95)], [("the attributes start at 0x5f", "xattr", 0)]),
    ([("super", 72, "Q", 95)], [("the table of inodes is not inside", "inode", 0)]),
    ([("super", 48, "Q", 668628)], [("the table of owners is not inside", "super", 668628)]),
    ([("id", 0, "Q", 95)], [("the table of owners leads to 0x5f", "id", 0)]),
    ([("id", 0, "Q", 668483)], [("the table of owners leads to 0xa3343", "id", 0)]),
    (
        [("id", 0, "Q", 96), ("super", 96, "H", 0)],
        [("the table of owners: a block of metadata of 0 bytes", "super", 96)],
    ),
    ([("holes", 16, "I", 96)], []),
    ([("super", 16, "I", 513)], [("the table of fragments: a block of 16 bytes", "super", 665009)]),
    ([("inode", 0, "H", 0)], [("the table of inodes: a block of metadata of 0 bytes", "inode", 0)]),
    (
        [("inode", 0, "H", 0xA001)],
        [("the table of inodes: a block of metadata of 8,193 bytes", "inode", 0)],
    ),
    (
        [("inode", 0, "H", 0x8000 | 100)],
        [("the table of inodes: a short block before its end", "inode", 0)],
    ),
    ([("init", 0, "H", 0)], [("an inode of type 0 with number 419", "block init", 0)]),
    ([("init", 0, "H", 15)], [("an inode of type 8 with number 419", "block init", 0)]),
    ([("init", 12, "I", 0)], [("an inode of type 2 with number 0", "block init", 0)]),
    ([("init", 12, "I", 430)], [("an inode of type 2 with number 430", "block init", 0)]),
    (
        [("init", 4, "H", 1)],
        [("inode 419 has an owner that is not in the table", "block init", 0)],
    ),
    ([("gone", 20, "I", 0)], [("inode 417: a link of 0 bytes", "block gone", 0)]),
    ([("gone", 20, "I", 65537)], [("inode 417: a link of 65,537 bytes", "block gone", 0)]),
    (
        [("entries", 0, "I", 256)],
        [("directory 402: 257 entries behind one header", "block entries", 0)],
    ),
    ([("boot", 24, "H", 3)], []),
    ([("boot", 24, "H", 4)], [("directory 402: a damaged header", "block entries", 0)]),
    ([("boot", 24, "H", 14)], [("directory 402: a damaged header", "block entries", 0)]),
    ([("boot", 24, "H", 15)], [("directory 402: its entries are cut", "block entries", 0)]),
    ([("boot", 24, "H", 22)], [("directory 402: its entries are cut", "block entries", 0)]),
    ([("boot", 24, "H", 23)], [("directory 402: a name that cannot be there", "block entries", 0)]),
    (
        [("boot", 24, "H", 0xFFFF)],
        [("directory 402: its entries end outside the table", "block boot", 0)],
    ),
    ([("boot", 16, "I", 5)], [("directory 402: its entries are in no block", "block boot", 0)]),
    (
        [("entry dtbs", 4, "H", 2)],
        [("boot/dtbs: its entry says another kind of file", "block boot", 0)],
    ),
    ([("entry dtbs", 2, "H", 9)], [("boot/dtbs: its inode 412 is not there", "block boot", 0)]),
    ([("entry dtbs", 0, "H", 9)], [("boot/dtbs: its inode 407 is not there", "block boot", 0)]),
    *(
        (
            [("entry dtbs", 8, "B", byte)],
            [("directory 402: a name that cannot be there", "block entries", 0)],
        )
        for byte in (0x2F, 0, 0x20)
    ),
    (
        [("entry dtbs", 6, "H", 256)],
        [("directory 402: a name that cannot be there", "block entries", 0)],
    ),
    (
        [("entry extlinux", 0, "H", 0x1371), ("entry extlinux", 2, "H", 4)],
        [("boot/extlinux: a second name for directory 407", "block boot", 0)],
    ),
    (
        [(TREE, 24, "I", 131072 - 5000 + 1)],
        [("inode 410: its end is in fragment 0 at 126,073", "block boot", 0)],
    ),
    ([(TREE, 20, "I", 1)], [("inode 410: its end is in fragment 1 at 79,800", "block boot", 0)]),
    (
        [(TREE, 24, "I", 131072 - 5000)],
        [("inode 410: its end is beyond fragment 0", "block boot", 0)],
    ),
    (
        [(IMAGE, 56, "I", 1 << 24 | 131071)],
        [("inode 404: a block of 131,071 bytes for 131,072", "block boot", 0)],
    ),
    (
        [(IMAGE, 56, "I", 1 << 24 | 131073)],
        [("inode 404: a block of 131,073 bytes at 0x60", "super", 96)],
    ),
    ([(IMAGE, 16, "Q", 95)], [("inode 404: a block of 131,072 bytes at 0x5f", "super", 95)]),
    ([(IMAGE, 16, "Q", 636563 - 153600)], []),
    (
        [(IMAGE, 16, "Q", 636563 - 153600 + 1)],
        [("inode 404: a block of 22,528 bytes at 0x95e94", "super", 0x95E94)],
    ),
    (
        [(IMAGE, 28, "I", 1 << 30)],
        [("inode 404: 4,611,686,018,427,541,504 bytes in too few blocks", "block boot", 0)],
    ),
    ([("big", 48, "I", 257)], [("inode 1: a damaged index", "block big", 0)]),
    (
        [("", 12, "I", 428), ("super", 4, "I", 428)],
        [("32 bytes follow the last inode", "block boot", 0)],
    ),
    ([("", 0, "H", 8)], [("the table of inodes ends early", "block boot", 0)]),
]


@pytest.mark.oracle
@pytest.mark.parametrize(("puts", "wanted"), CHANGES)
def test_each_field_counts(puts: list[Put], wanted: list[tuple[str, str, int]]) -> None:
    said = [(flaw.what, flaw.offset) for flaw in read(READER, put(*puts)).flaws]
    for what, where, offset in wanted:
        at = block(where.removeprefix("block ")) if "block " in where else start(where)
        assert (what, at + offset) in said
    assert bool(said) == bool(wanted)


@pytest.mark.oracle
def test_an_export_leads_to_an_inode() -> None:
    data = plain()
    (exports,) = struct.unpack_from("<Q", data, start("export"))
    for reference, flaws in (((13996 - 1) << 16 | 8191, 0), (13996 << 16, 1), (8192, 1)):
        out = bytearray(data)
        struct.pack_into("<Q", out, exports + 2 + 8 * 6, reference)
        said = read(READER, bytes(out)).flaws
        assert [(flaw.what, flaw.offset) for flaw in said] == flaws * [
            ("the export of inode 7 leads outside", start("export"))
        ]


@pytest.mark.oracle
def test_a_hole_and_a_device_have_no_bytes() -> None:
    files = read(READER, put((IMAGE, 56, "I", 0))).files
    assert files is not None
    assert files.entries[IMAGE].pieces == (Piece(131072, None), Piece(22528, 96))
    tty = files.entries["tty"]
    assert (tty.mode, tty.rdev, tty.pieces) == (0o20600, (5, 300), ())


@pytest.mark.oracle
def test_counts_have_an_end(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each limit on both sides; what is beyond it is said."""

    def said(name: str, value: int) -> str:
        with monkeypatch.context() as patched:
            patched.setattr(listing if name == "MAX_ENTRIES" else squashfs_walk, name, value)
            return read(READER, plain()).unwalked

    inodes = 429
    assert said("MAX_INODES", inodes) == ""
    assert said("MAX_INODES", inodes - 1) == "it has 429 inodes (at 0x4)"
    names = len(read(READER, plain()).files or ()) + 1
    assert said("MAX_ENTRIES", names) == ""
    assert said("MAX_ENTRIES", names - 1) == f"it has more than {names - 1:,} names"
    size = 13996 - 4  # of the inodes, in two blocks
    assert "inodes" not in said("MAX_TABLE", size)
    assert "the table of inodes has more than" in said("MAX_TABLE", size - 1)
    assert "the table of exports has 3,432 bytes" in said("MAX_TABLE", 8 * inodes - 1)
    assert "exports" not in said("MAX_TABLE", 8 * inodes)
