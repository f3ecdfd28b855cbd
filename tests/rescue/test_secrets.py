"""Keys in a file system that mke2fs makes: each under one name, of many files the likely ones."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

import pytest

from imgaudit.contents.build import MemoryStore, read
from imgaudit.contents.reader import Loader
from imgaudit.layout.load import parse
from imgaudit.rescue.secrets import FEW, MOST_BYTES, Kept, secrets_of
from imgaudit.rules.access import KEY_TEXT
from imgaudit.rules.examples import emmc
from imgaudit.units import MIB

pytestmark = pytest.mark.oracle
_REGION = "name: rootfs, partition: 1, at: 4 MiB, size: 8 MiB, holds: ext4, file: rootfs.ext4"


def kept(folder: Path) -> Kept:
    image = folder.parent / "rootfs.ext4"
    image.write_bytes(b"")
    os.truncate(image, 8 * MIB)
    subprocess.run(["mke2fs", "-q", "-t", "ext4", "-d", folder, image], check=True)
    layout = emmc(_REGION).layout.encode()
    with Loader() as loader:
        store = MemoryStore({"rootfs.ext4": image.read_bytes}, loader)
        (found,) = secrets_of(read(parse(layout, "board.yaml"), store), store)
    return found


def test_a_key_is_told_under_the_first_of_its_names(tmp_path: Path) -> None:
    root = tmp_path / "root"
    (root / "etc").mkdir(parents=True)
    (root / "srv.key").write_text(KEY_TEXT)
    os.link(root / "srv.key", root / "etc" / "again.key")
    (root / "empty").write_bytes(b"")
    (root / "large").write_bytes(KEY_TEXT.encode().ljust(MOST_BYTES + 1))
    (root / "as-large").write_bytes(KEY_TEXT.encode().ljust(MOST_BYTES))
    (root / "link").symlink_to("srv.key")
    found = kept(root)
    assert [secret.path for secret in found.secrets] == ["/as-large", "/etc/again.key"]
    assert (found.looked, found.why) == (2, "")


@pytest.mark.parametrize("more", [0, 1])
def test_of_many_files_the_likely_ones_are_looked_at(tmp_path: Path, more: int) -> None:
    root = tmp_path / "root"
    (root / "usr").mkdir(parents=True)
    (root / "home").mkdir()
    for name in ("usr/plain", "usr/tide.pem", "home/tide"):
        (root / name).write_text(KEY_TEXT)
    for number in range(FEW - 3 + more):
        (root / "usr" / f"{number}").write_text(f"{number}")
    found = kept(root)
    plain = [] if more else ["/usr/plain"]
    assert [secret.path for secret in found.secrets] == ["/home/tide", *plain, "/usr/tide.pem"]
    assert found.looked == (2 if more else FEW)
