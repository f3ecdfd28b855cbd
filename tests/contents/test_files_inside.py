"""Files of a file system are contents like any other, also where they lie in several pieces."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from imgaudit.contents.reader import Loader
from imgaudit.contents.starts import start_of
from imgaudit.formats.fit import FitFacts
from imgaudit.rules import samples as sample
from imgaudit.rules._boot import RAM
from imgaudit.rules.built import subject_of
from imgaudit.rules.engine import Example
from imgaudit.rules.examples import emmc
from imgaudit.tasks import audit
from imgaudit.units import KIB
from imgaudit.writers.env import environment

KERNEL = sample.arm64_kernel(96 * KIB)


def fit_of(kernel: bytes) -> bytes:
    return sample.fit({"kernel": sample.kernel(payload=kernel)})


def scattered(path: Path, name: str, data: bytes) -> bytes:
    """Let mtools write a file into the gaps that others left: dosfstools and mtools of Debian."""

    def run(*words: str | Path) -> None:
        subprocess.run(words, check=True, capture_output=True)

    image = path / "boot.vfat"
    run("mkfs.vfat", "-C", "-F", "16", "-s", "4", image, "16384")
    (path / "gap").write_bytes(b"g" * 60 * KIB)
    (path / "file").write_bytes(data)
    gaps = [f"::gap{number}" for number in range(6)]
    for gap in gaps:
        run("mcopy", "-i", image, path / "gap", gap)
    run("mdel", "-i", image, *gaps[::2])
    run("mcopy", "-i", image, path / "file", f"::{name}")
    return image.read_bytes()


def built(file_system: bytes) -> Example:
    variables = {
        "bootcmd": "load mmc 0:1 0x88000000 recovery.itb && bootm 0x88000000",
    }
    return emmc(
        "name: boot, partition: 1, at: 1 MiB, size: 16 MiB, holds: fat, file: boot.vfat",
        "name: env, at: 20 MiB, size: 8 KiB, holds: uboot-env, writer: runtime, file: u-boot.env,"
        " env: {size: 8 KiB}",
        rest=RAM + "stages: {main: {regions: [env, boot], entry: bootcmd}}\n",
        files={
            "boot.vfat": lambda: file_system,
            "u-boot.env": lambda: environment(variables, 8 * KIB, None),
        },
    )


@pytest.mark.oracle
def test_a_fit_in_pieces_is_read_whole_and_judged(tmp_path: Path) -> None:
    good = fit_of(KERNEL)
    at = good.index(KERNEL) + 90 * KIB
    bad = good[:at] + b"tide" + good[at + 4 :]
    for data, wanted in ((good, []), (bad, ["fit-hash-mismatch"])):
        image = scattered(tmp_path, "recovery.itb", data)
        (tmp_path / "boot.vfat").unlink()
        assert data not in image
        subject = subject_of(built(image))
        (node,) = subject.of(FitFacts)
        assert node.content.name == "boot.vfat/recovery.itb"
        assert (node.start, node.content.offset) == (None, -1)
        start = start_of(node.content)
        assert start is not None
        assert start.kernel is not None
        assert start.kernel.content is not None
        assert start.kernel.content.size == len(KERNEL)
        (boot,) = subject.boots.followed["bootcmd"].starts
        assert [piece.content for piece in boot.pieces] == [start.kernel.content]
        names = {finding.rule.name for finding in audit.run(subject).findings}
        assert [name for name in sorted(names) if name.startswith("fit-")] == wanted


@pytest.mark.oracle
def test_a_lone_file_system_shows_its_scattered_files(tmp_path: Path) -> None:
    image = scattered(tmp_path, "Image", KERNEL)
    with Loader() as loader:
        content = loader.memory("boot.vfat", image).content
    kernel = content.part("Image")
    assert kernel is not None
    assert (kernel.format, kernel.offset, kernel.size) == ("arm64-image", -1, len(KERNEL))
