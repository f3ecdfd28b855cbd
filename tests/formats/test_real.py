"""File systems that others made and packaged: no error, and every name as reference tools have it.

Each is in a Debian package that `tests/oracles.sh` installs.
"""

from __future__ import annotations

import lzma
import struct
import subprocess
from pathlib import Path

import pytest

from imgaudit.contents.reader import Loader
from imgaudit.formats.files import FileSystem
from imgaudit.formats.view import View
from imgaudit.rules.subject import Subject
from imgaudit.tasks import audit

SAMPLES = Path("/usr/share/forensics-samples")
DISCS = {
    "ipxe": Path("/usr/lib/ipxe/ipxe.iso"),
    "memtest86+ for 32 bits": Path("/usr/lib/memtest86+/memtest86+ia32.iso"),
    "memtest86+ for 64 bits": Path("/usr/lib/memtest86+/memtest86+x64.iso"),
}


def output(*words: str | Path) -> str:
    return subprocess.run(words, check=True, capture_output=True, text=True).stdout


def for_efi(disc: bytes) -> bytes:
    """Give the FAT that an ISO 9660 brings for EFI (El Torito, 2.1 and 2.3)."""
    (catalogue,) = struct.unpack_from("<I", disc, 17 * 2048 + 0x47)
    entries = [disc[at : at + 32] for at in range(catalogue * 2048, catalogue * 2048 + 512, 32)]
    section = next(number for number, entry in enumerate(entries) if entry[:2] == b"\x91\xef")
    (start,) = struct.unpack_from("<I", entries[section + 1], 8)
    (sectors,) = struct.unpack_from("<H", disc, start * 2048 + 19)
    return disc[start * 2048 : start * 2048 + 512 * sectors]


def audited(name: str, data: bytes) -> tuple[FileSystem, bytes]:
    """Audit an image alone, which finds nothing; give its only file system and its bytes."""
    with Loader() as loader:
        artifact = loader.memory(name, data)
    assert audit.run(Subject(layout=None, others={name: artifact})).findings == ()
    (content,) = [one for one in artifact.content.walk() if isinstance(one.facts, FileSystem)]
    assert isinstance(content.facts, FileSystem)
    assert content.facts.flaws == ()
    assert content.facts.unwalked == ""
    return content.facts, View.of(data).bytes(content.offset, content.size)


def agree_with_mdir(facts: FileSystem, image: Path) -> int:
    output("fsck.vfat", "-n", image)
    told = output("mdir", "-b", "-/", "-a", "-i", image, "::").splitlines()
    names = {line[3:].rstrip("/") for line in told if line.startswith("::/")}
    assert facts.files is not None
    assert {entry.path for entry in facts.files} == names
    for entry in facts.files:
        if entry.is_file:
            words = ("mtype", "-i", image, f"::{entry.path}")
            data = subprocess.run(words, check=True, capture_output=True).stdout
            assert len(data) == entry.size, entry.path
    return len(names)


@pytest.mark.oracle
@pytest.mark.parametrize("disc", DISCS.values(), ids=DISCS)
def test_the_fat_of_a_boot_disc(tmp_path: Path, disc: Path) -> None:
    data = for_efi(disc.read_bytes())
    facts, stored = audited("efi.img", data)
    (tmp_path / "fs").write_bytes(stored)
    assert agree_with_mdir(facts, tmp_path / "fs") >= 3


@pytest.mark.oracle
def test_a_fat_that_was_used(tmp_path: Path) -> None:
    facts, stored = audited("disk.img", lzma.decompress((SAMPLES / "fs.vfat.xz").read_bytes()))
    (tmp_path / "fs").write_bytes(stored)
    assert agree_with_mdir(facts, tmp_path / "fs") >= 20


@pytest.mark.oracle
def test_an_ext4_that_was_used(tmp_path: Path) -> None:
    facts, stored = audited("disk.img", lzma.decompress((SAMPLES / "fs.ext4.xz").read_bytes()))
    image = tmp_path / "fs"
    image.write_bytes(stored)
    output("e2fsck", "-fn", image)
    names: dict[str, int | None] = {}
    todo = [""]
    while todo:
        folder = todo.pop()
        for line in output("debugfs", "-R", f'ls -p "/{folder}"', image).splitlines():
            fields = line.split("/")
            if len(fields) < 7 or fields[1] == "0" or fields[5] in {".", ".."}:
                continue
            path = f"{folder}/{fields[5]}".lstrip("/")
            names[path] = int(fields[6]) if fields[6] else None
            if fields[2].startswith("04"):
                todo.append(path)
    assert facts.files is not None
    assert {entry.path for entry in facts.files} == set(names)
    assert len(names) >= 20
    for entry in facts.files:
        if entry.is_file:
            assert entry.size == names[entry.path], entry.path
