from __future__ import annotations

import contextlib
import functools
import os
import subprocess
import tempfile
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.errors import FormatError, ImgauditError
from imgaudit.formats.erofs import READER
from imgaudit.formats.files import open_file
from imgaudit.formats.view import View
from tests.formats._trees import agree, fill, read, seeds, sound, status, trouble

FORMS = (
    "",
    "-Enoinline_data",
    "-Eforce-inode-extended",
    "-Eforce-inode-compact",
    "--chunksize=4096",
    "-Eforce-chunk-indexes --chunksize=65536",
    "-zlz4",
    "-zlz4hc",
    "-zlz4hc -C65536",
    "-zlz4 -Elegacy-compress",
    "-zlz4hc,12 -Eztailpacking",
    "-zlz4hc -Efragments",
    "-zlz4 -Eall-fragments",
    "-zlz4hc -C65536 -Efragments,dedupe",
)


def make(folder: Path, options: str = "") -> bytes:
    image = folder.parent / "image.erofs"
    image.unlink(missing_ok=True)
    assert not status("mkfs.erofs", *options.split(), image, folder)
    return image.read_bytes()


@pytest.mark.oracle
@pytest.mark.parametrize("options", FORMS)
def test_what_mkfs_erofs_packs_is_found(tmp_path: Path, options: str) -> None:
    """Every name, mode, size, target and byte; dump.erofs counts the same files."""
    folder = fill(tmp_path / "root", many=80)
    os.setxattr(folder / "init", "user.gauge", b"tide" * 20)
    facts = sound(READER, make(folder, options), folder)
    assert facts.files is not None
    words = ("dump.erofs", "-S", tmp_path / "image.erofs")
    told = subprocess.run(words, check=True, capture_output=True, text=True).stdout
    regular = sum(entry.is_file for entry in facts.files)
    links = sum(entry.is_link for entry in facts.files)
    assert f"regular file count:\t\t{regular}\n" in told
    assert f"symlink file count:\t\t{links}\n" in told


@functools.cache
def whimbrel(options: str = "-zlz4hc") -> bytes:
    with tempfile.TemporaryDirectory() as place:
        return make(fill(Path(place) / "root", many=40, kernel=b"tide " * 9000), options)


@pytest.mark.oracle
def test_what_fsck_erofs_reports_is_told(tmp_path: Path) -> None:
    """Damage at random places; what only unpacking tells is left to the deep look."""
    folder = fill(tmp_path / "root", many=200, kernel=b"")
    told, missed = 0, []
    for options in ("-Eforce-inode-extended", "-Enoinline_data", "-zlz4"):
        count, unseen = agree(
            READER,
            make(folder, options),
            seeds(30),
            tmp_path / "broken",
            lambda path: status("fsck.erofs", path) != 0,
        )
        told += count
        missed += [(options, seed) for seed in unseen]
    assert told >= 3
    assert len(missed) <= told // 20, missed


@pytest.mark.oracle
def test_a_damaged_directory_is_told() -> None:
    data = bytearray(whimbrel(""))
    at = data.index(b"a-file-with-a-long-name-7")
    for place, byte in ((at, 0x2F), (at, 0x00), (at, 0x7F)):
        broken = bytearray(data)
        broken[place] = byte
        assert trouble(READER, bytes(broken)), byte


@pytest.mark.oracle
@pytest.mark.parametrize("options", ["", "-zlz4hc", "-zlz4 -Elegacy-compress"])
@given(st.integers(0, 1 << 17), st.binary(min_size=1, max_size=64))
def test_changed_bytes_give_facts_or_an_error(options: str, at: int, new: bytes) -> None:
    data = bytearray(whimbrel(options))
    at %= len(data)
    data[at : at + len(new)] = new
    try:
        facts = read(READER, bytes(data))
    except FormatError:
        return
    for file in facts.files or ():
        with contextlib.suppress(ImgauditError):
            open_file(View.of(bytes(data)), file).upto(0, 100)
