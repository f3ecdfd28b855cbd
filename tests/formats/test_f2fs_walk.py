from __future__ import annotations

import contextlib
import functools
import subprocess
import tempfile
from pathlib import Path

import pytest

from imgaudit.errors import FormatError, ImgauditError
from imgaudit.formats.f2fs import READER
from imgaudit.formats.files import open_file
from imgaudit.formats.view import View
from imgaudit.units import MIB
from tests.formats._trees import agree, damaged, fill, read, seeds, sound, status, trouble

FORMS = (
    (),
    ("-O", "extra_attr,inode_checksum"),
    ("-O", "extra_attr,flexible_inline_xattr,inode_checksum,sb_checksum"),
    ("-O", "extra_attr,project_quota,quota,inode_crtime"),
    ("-i",),
)


def make(folder: Path, *options: str) -> Path:
    image = folder.parent / "image.f2fs"
    with image.open("wb") as file:
        file.truncate(0)
        file.truncate(64 * MIB)
    assert not status("mkfs.f2fs", "-q", *options, image)
    # sload.f2fs says that it failed where it only wrote quotas anew; what it loaded is looked at.
    status("sload.f2fs", "-f", folder, image)
    return image


def filled(folder: Path, **how: bytes) -> Path:
    fill(folder, many=60, kernel=how.get("kernel", b"tide " * 90_000))
    (folder / "boot/same").unlink()  # sload.f2fs makes a file of its own of each hard link
    return folder


@pytest.mark.oracle
@pytest.mark.parametrize("options", FORMS, ids=" ".join)
def test_what_sload_f2fs_copies_is_found(tmp_path: Path, options: tuple[str, ...]) -> None:
    """Every name, mode, size, target and byte; fsck.f2fs finds nothing either."""
    folder = filled(tmp_path / "root")
    image = make(folder, *options)
    assert status("fsck.f2fs", "--dry-run", image) == 0
    facts = sound(READER, image.read_bytes(), folder)
    assert facts.room is not None
    assert 0 < facts.room.free < facts.room.size


@functools.cache
def whimbrel() -> bytes:
    with tempfile.TemporaryDirectory() as place:
        return make(filled(Path(place) / "root", kernel=b"k" * 9000)).read_bytes()


@pytest.mark.oracle
def test_damaged_checkpoints_are_told() -> None:
    data = bytearray(whimbrel())
    first = 512 * 4096
    data[first + 20] ^= 1
    assert "first checkpoint" in trouble(READER, bytes(data))
    data[2 * first + 20] ^= 1
    assert "it has no checkpoint" in trouble(READER, bytes(data))


@pytest.mark.oracle
def test_only_the_newest_checkpoint_must_be_finished(tmp_path: Path) -> None:
    """Some makers write only the beginning of the second one; so does a cut of the power."""
    data = whimbrel()
    starts = (512 * 4096, 2 * 512 * 4096)
    new, old = sorted(starts, key=lambda start: data[start : start + 8][::-1], reverse=True)
    for start in (old, new):
        broken = bytearray(data)
        last = start + 4096 * (int.from_bytes(data[start + 136 : start + 140], "little") - 1)
        broken[last : last + 4096] = bytes(4096)
        (tmp_path / "image").write_bytes(broken)
        assert complains(tmp_path / "image") == bool(trouble(READER, bytes(broken)))
        assert (start == new) == bool(trouble(READER, bytes(broken)))


@pytest.mark.oracle
def test_a_changed_map_of_valid_blocks_is_told(tmp_path: Path) -> None:
    data = bytearray(whimbrel())
    (segments, at) = (int.from_bytes(data[start : start + 4], "little") for start in (1080, 1104))
    told = 0
    for copy in (0, segments // 2 * 512):
        for entry in range(8):
            broken = bytearray(data)
            broken[4096 * (at + copy) + 74 * entry + 40] ^= 4
            (tmp_path / "image").write_bytes(broken)
            ours = "valid blocks" in trouble(READER, bytes(broken))
            assert ours == complains(tmp_path / "image"), (copy, entry)
            told += ours
    assert told


def complains(image: Path) -> bool:
    """Ask fsck.f2fs; where it does not come to an end, it has said nothing."""
    try:
        done = subprocess.run(
            ("fsck.f2fs", "--dry-run", image), check=False, capture_output=True, timeout=5
        )
    except subprocess.TimeoutExpired:
        return False
    # A negative status is a crash of the tool.
    return done.returncode > 0


@pytest.mark.oracle
def test_what_fsck_f2fs_reports_is_told(tmp_path: Path) -> None:
    """Damage at random places."""
    told, missed = agree(READER, whimbrel(), seeds(12), tmp_path / "broken", complains)
    assert told
    assert len(missed) <= told // 20, missed


@pytest.mark.oracle
def test_changed_bytes_give_facts_or_an_error() -> None:
    """Seeded, not searched for: each image has 64 MiB."""
    for seed in seeds(12):
        data = damaged(whimbrel(), seed, 40_000 if seed % 2 else None)
        with contextlib.suppress(FormatError):
            for file in read(READER, data).files or ():
                with contextlib.suppress(ImgauditError):
                    open_file(View.of(data), file).upto(0, 100)
