"""A tree of files for the makers of file systems, and what a walk must find of it."""

from __future__ import annotations

import os
import random
import stat
import subprocess
from collections.abc import Callable, Iterable
from pathlib import Path

from imgaudit.errors import ImgauditError
from imgaudit.formats.facts import Reader
from imgaudit.formats.files import FileSystem, open_file
from imgaudit.formats.view import View

KERNEL = random.Random(5).randbytes(200_000) + bytes(100_000) + b"tide " * 20_000


def fill(folder: Path, *, links: bool = True, many: int = 300, kernel: bytes = KERNEL) -> Path:
    """Write a system's root: kernel, device trees, configuration, links, holes, long names."""
    for inner in (
        "boot/extlinux",
        "boot/dtbs/6.12/vendor",
        "etc",
        "usr/lib/firmware",
        "empty",
        "big",
    ):
        (folder / inner).mkdir(parents=True)
    contents = {
        "init": b"#!/bin/sh\n",
        "etc/tides.conf": b"port=1\n",
        "usr/lib/firmware/gauge.bin": b"g" * 3000,
        "boot/Image-6.12": kernel,
        "boot/none": b"",
        "boot/extlinux/extlinux.conf": b"label main\n linux /boot/Image\n",
        "boot/dtbs/6.12/vendor/whimbrel.dtb": b"d" * 5000,
    }
    for path, data in contents.items():
        (folder / path).write_bytes(data)
    noise = random.Random(6)
    for number in range(many):
        (folder / f"big/a-file-with-a-long-name-{number}").write_bytes(
            noise.randbytes(number % 700)
        )
    (folder / "init").chmod(0o755)
    (folder / "etc").chmod(0o750)
    with (folder / "holes").open("wb") as file:
        for place in range(0, 400_000, 30_000):
            file.seek(place)
            file.write(b"x" * 5000)
    if links:
        (folder / "boot/Image").symlink_to("Image-6.12")
        (folder / "boot/same").hardlink_to(folder / "boot/Image-6.12")
        (folder / "vmlinuz").symlink_to("boot/Image")
        (folder / "boot/dtb").symlink_to("/boot/dtbs/6.12/vendor")
        (folder / "boot/board.dtb").symlink_to("dtb/../vendor/whimbrel.dtb")
        (folder / "gone").symlink_to("../../elsewhere")
        (folder / "round").symlink_to("round")
        (folder / "long").symlink_to("x/" * 60 + "x")
    return folder


Row = tuple[int, int, str]
"""Kind and permissions, size of a file or link, target."""


def rows(folder: Path) -> dict[str, Row]:
    """Describe what a maker is given."""
    found = {}
    for path in folder.rglob("*"):
        status = path.lstat()
        target = str(path.readlink()) if path.is_symlink() else ""
        size = 0 if stat.S_ISDIR(status.st_mode) else status.st_size
        found[str(path.relative_to(folder))] = (status.st_mode, size, target)
    return found


def listed(facts: FileSystem, *, without: Iterable[str] = ("lost+found",)) -> dict[str, Row]:
    """Describe what a walk found."""
    assert facts.files is not None
    return {
        entry.path: (entry.mode, entry.size, entry.target)
        for entry in facts.files
        if entry.path not in without
    }


def read(reader: Reader, data: bytes | bytearray) -> FileSystem:
    """Read a file system."""
    facts = reader.read(View.of(data))
    assert isinstance(facts, FileSystem)
    return facts


def sound(reader: Reader, data: bytes, folder: Path) -> FileSystem:
    """Read a file system that holds a folder: nothing is amiss, every byte is found again."""
    facts = read(reader, data)
    assert facts.flaws == ()
    assert [checksum for checksum in facts.checksums if not checksum.matches] == []
    assert facts.unwalked == ""
    assert listed(facts) == rows(folder)
    assert facts.files is not None
    for entry in facts.files:
        if entry.is_file:
            view = open_file(View.of(data), entry)
            assert view.bytes(0, entry.size) == (folder / entry.path).read_bytes(), entry.path
    return facts


def trouble(reader: Reader, data: bytes | bytearray) -> str:
    """Say what a reader finds amiss in a file system; "" where it is content."""
    try:
        facts = read(reader, data)
    except ImgauditError as problem:
        return str(problem)
    wrong = [checksum.name for checksum in facts.checksums if checksum.matches is False]
    said = [*wrong, *(flaw.what for flaw in facts.flaws), facts.unwalked]
    return "; ".join(filter(None, said))


def damaged(data: bytes, seed: int, end: int | None = None) -> bytes:
    """Change some bytes at a random place before `end` that is not empty."""
    chance = random.Random(seed)
    changed = bytearray(data)
    at = chance.randrange(end or len(data))
    while not any(data[at & ~63 : (at & ~63) + 64]):
        at = chance.randrange(end or len(data))
    size = min(chance.choice((1, 4, 16, 512)), len(data) - at)
    kind = chance.randrange(4)
    if kind == 0:
        changed[at] ^= 1 << chance.randrange(8)
    else:
        changed[at : at + size] = (chance.randbytes(size), bytes(size), b"\xff" * size)[kind - 1]
    return bytes(changed)


def seeds(usual: int) -> range:
    """Give so many seeds in a usual run, five times as many in a long one."""
    return range(usual * (5 if os.environ.get("HYPOTHESIS_PROFILE") == "long" else 1))


def agree(
    reader: Reader,
    data: bytes,
    many: range,
    image: Path,
    complains: Callable[[Path], bool],
    *,
    end: int | None = None,
) -> tuple[int, list[int]]:
    """Damage an image; give how often the reference tool complains, and the seeds we find fine."""
    assert not trouble(reader, data)
    told, missed = 0, []
    for seed in many:
        broken = damaged(data, seed, end)
        image.write_bytes(broken)
        if complains(image):
            told += 1
            if not trouble(reader, broken):
                missed.append(seed)
    return told, missed


def status(*command: str | Path) -> int:
    """Run a tool and give its exit status."""
    return subprocess.run(command, check=False, capture_output=True, timeout=60).returncode
