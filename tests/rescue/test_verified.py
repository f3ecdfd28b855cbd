"""A root hash on the command line, held against data and tree; every block has its own place.

Source: Linux Documentation/admin-guide/device-mapper/verity.rst (the tree, its root block first);
systemd-veritysetup-generator(8) for `roothash=`. formats/verity.py is held against veritysetup.
"""

from __future__ import annotations

import zlib
from dataclasses import replace

import pytest

from imgaudit.rescue.verified import Verified
from imgaudit.rules.built import subject_of
from imgaudit.rules.engine import Example
from imgaudit.rules.main_root import system
from imgaudit.rules.verity import _root

BLOCK = 4096
GOOD = _root()


def found(example: Example) -> tuple[Verified, ...]:
    return subject_of(example).verified


def flipped(file: str, at: int) -> Example:
    data = bytearray(GOOD.files[file]())
    data[at] ^= 1
    return replace(GOOD, files={**GOOD.files, file: lambda: bytes(data)})


def test_a_sound_root() -> None:
    (one,) = found(GOOD)
    assert (one.wrong, one.why, one.stage) == (None, "", "main")
    assert one.region is not None
    assert one.region.name == "rootfs"


@pytest.mark.parametrize(
    ("file", "at", "wrong"),
    [
        ("rootfs.ext4", 0, 0),
        ("rootfs.ext4", BLOCK - 1, 0),
        ("rootfs.ext4", BLOCK, BLOCK),
        ("rootfs.ext4", (8 << 20) - 1, (8 << 20) - BLOCK),
        ("root.hashes", 0, 0),
        ("root.hashes", BLOCK, BLOCK),
        ("root.hashes", 2 * BLOCK, 2 * BLOCK),
    ],
)
def test_a_bit_that_is_wrong_is_found_in_its_block(file: str, at: int, wrong: int) -> None:
    (one,) = found(flipped(file, at))
    assert (one.wrong, one.artifact, one.of_tree) == (wrong, file, file == "root.hashes")


@pytest.mark.parametrize(
    ("change", "why"),
    [
        (("/dev/mmcblk0p2", "/dev/mmcblk0p7"), "/dev/mmcblk0p7: which region it is on"),
        (("/dev/mmcblk0p1 ", "/dev/mmcblk0p8 "), "/dev/mmcblk0p8: which region it is on"),
    ],
)
def test_a_device_that_nobody_has_leaves_it_open(change: tuple[str, str], why: str) -> None:
    (one,) = found(told(GOOD.files["u-boot.env"]().decode("latin-1").replace(*change)))
    assert one.wrong is None
    assert why in one.why


def told(environment: str) -> Example:
    """Give the build with another environment, and its sum."""
    body = environment.encode("latin-1")[4:]
    data = zlib.crc32(body).to_bytes(4, "little") + body
    return replace(GOOD, files={**GOOD.files, "u-boot.env": lambda: data})


def test_files_that_are_not_there_leave_it_open() -> None:
    files = {name: made for name, made in GOOD.files.items() if name != "root.hashes"}
    (one,) = found(replace(GOOD, files=files))
    assert one.wrong is None
    assert one.why


@pytest.mark.parametrize(
    ("digest", "told"),
    [("ab" * 32, 1), ("ab" * 48, 1), ("ab" * 31, 0), ("xy" * 32, 0), ("a" * 63, 0), ("", 0)],
)
def test_a_root_hash_names_two_partitions(digest: str, told: int) -> None:
    """Its first and its last 128 bits are the partitions' PARTUUIDs."""
    text = f"console=ttyS0 root=PARTLABEL=rootfs rootwait roothash={digest}"
    hashes = found(system(arguments=text))
    assert len(hashes) == told
    assert all(one.why.startswith("PARTUUID=abababab-abab") for one in hashes)
