from __future__ import annotations

import functools
import os
import subprocess
import tempfile
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.errors import FormatError, ImgauditError
from imgaudit.formats.files import open_file, unpacked_whole
from imgaudit.formats.squashfs import READER, Squashfs
from imgaudit.formats.view import View
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
    data = bytearray(whimbrel())
    at %= len(data)
    data[at : at + len(new)] = new
    try:
        facts = read(READER, bytes(data))
    except FormatError:
        return
    for file in facts.files or ():
        try:
            open_file(View.of(bytes(data)), file).upto(0, 100)
        except ImgauditError:
            continue
