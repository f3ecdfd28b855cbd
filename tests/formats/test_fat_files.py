from __future__ import annotations

import functools
import os
import struct
import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.errors import FormatError
from imgaudit.formats.fat import READER, Fat
from imgaudit.formats.fat_files import File
from imgaudit.formats.view import View
from imgaudit.units import MIB
from imgaudit.writers.fat import fat16

FILES = {"Image": b"k" * 5000, "whimbrel.dtb": b"d" * 100, "uEnv.txt": b"slot=b\n"}


def read(data: bytes) -> Fat:
    facts = READER.read(View.of(data))
    assert isinstance(facts, Fat)
    return facts


@functools.cache
def whimbrel() -> bytes:
    image = fat16(20 * MIB, FILES, "BOOT", 1)
    out = bytearray(image.size)
    for at, data in image.pieces:
        out[at : at + len(data)] = data
    return bytes(out)


def test_files_are_found_where_they_lie() -> None:
    data = whimbrel()
    facts = read(data)
    assert facts.files.complete
    assert [(file.path, file.size) for file in facts.files.files] == [
        (name, len(content)) for name, content in FILES.items()
    ]
    for part in facts.parts():
        assert data[part.offset : part.offset + part.size] == FILES[part.name]


def test_case_does_not_matter() -> None:
    file = read(whimbrel()).file("IMAGE")
    assert file is not None
    assert (file.path, file.text) == ("Image", None)
    assert read(whimbrel()).file("Image.gz") is None


def test_a_small_configuration_is_kept() -> None:
    file = read(whimbrel()).file("uEnv.txt")
    assert file is not None
    assert file.text == b"slot=b\n"


def test_a_file_in_pieces_has_no_place() -> None:
    data = bytearray(whimbrel())
    facts = read(bytes(data))
    table = facts.reserved_sectors * facts.bytes_per_sector
    # the kernel has clusters 2, 3 and 4
    struct.pack_into("<H", data, table + 2 * 2, 9)
    assert read(bytes(data)).file("Image") == File("Image", 5000, None)


@pytest.mark.oracle
@pytest.mark.parametrize(("bits", "kib"), [(12, 2880), (16, 20480), (32, 66560)])
def test_what_mtools_copies_is_found(tmp_path: Path, bits: int, kib: int) -> None:
    """mkfs.vfat of dosfstools, mmd and mcopy of mtools."""
    image = tmp_path / "boot.vfat"
    contents = {
        "extlinux/extlinux.conf": b"label main\n",
        "dtb/vendor/a-long-name-of-a-board.dtb": os.urandom(9000),
        "KERNEL.IMG": os.urandom(70_001),
        "empty": b"",
    }

    def run(*words: str | Path) -> None:
        subprocess.run(words, check=True, capture_output=True)

    run("mkfs.vfat", "-C", "-F", str(bits), image, str(kib))
    run("mmd", "-i", image, "::extlinux", "::dtb", "::dtb/vendor")
    for path, content in contents.items():
        (tmp_path / "file").write_bytes(content)
        run("mcopy", "-i", image, tmp_path / "file", f"::{path}")
    data = image.read_bytes()
    facts = read(data)
    assert facts.kind == f"FAT{bits}"
    assert facts.files.complete
    assert {file.path: file.size for file in facts.files.files} == {
        path: len(content) for path, content in contents.items()
    }
    for part in facts.parts():
        assert data[part.offset : part.offset + part.size] == contents[part.name]
    assert len(list(facts.parts())) == 3


def test_a_directory_in_a_circle_ends() -> None:
    data = bytearray(whimbrel())
    facts = read(bytes(data))
    root = facts.data_offset - facts.root_entries * 32
    table = facts.reserved_sectors * facts.bytes_per_sector
    struct.pack_into("<11sB8xH4xHI", data, root, b"LOOP       ", 0x10, 0, 2, 0)
    struct.pack_into("<H", data, table + 2 * 2, 2)
    data[facts.data_offset : facts.data_offset + 2048] = bytes(data[root : root + 32]) * 64
    found = read(bytes(data)).files
    assert not found.complete


def test_files_that_share_their_bytes_are_not_all_followed() -> None:
    data = bytearray(whimbrel())
    facts = read(bytes(data))
    root = facts.data_offset - facts.root_entries * 32
    size = 15 * MIB
    table = facts.reserved_sectors * facts.bytes_per_sector
    count = size // facts.cluster_size
    struct.pack_into(f"<{count}H", data, table + 4, *range(3, count + 3))
    for number in range(100):
        name = f"F{number:010d}".encode()
        struct.pack_into("<11sB8xH4xHI", data, root + 32 * number, name, 0x20, 0, 2, size)
    found = read(bytes(data))
    assert len(found.files.files) > 90
    assert sum(part.size for part in found.parts()) <= found.size


@given(st.integers(0, 0x30000), st.binary(min_size=1, max_size=64))
def test_changed_bytes_give_facts_or_an_error(at: int, new: bytes) -> None:
    data = bytearray(whimbrel())
    data[at : at + len(new)] = new
    try:
        facts = read(bytes(data))
    except FormatError:
        return
    for part in facts.parts():
        assert part.size >= 0
        assert part.offset >= 0
