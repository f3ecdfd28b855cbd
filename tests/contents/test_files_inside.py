"""Files of a file system are contents like any other, also where they lie in several pieces."""

from __future__ import annotations

import random
import subprocess
from pathlib import Path

import pytest

from imgaudit.contents.reader import Loader
from imgaudit.contents.starts import start_of
from imgaudit.formats import fat
from imgaudit.formats.fit import FitFacts
from imgaudit.formats.view import View
from imgaudit.rules import samples as sample
from imgaudit.rules._boot import RAM
from imgaudit.rules.built import subject_of
from imgaudit.rules.engine import Example
from imgaudit.rules.examples import emmc
from imgaudit.rules.subject import Subject
from imgaudit.tasks import audit
from imgaudit.units import KIB
from imgaudit.writers.env import environment
from imgaudit.writers.fat import fat16

KERNEL = sample.arm64_kernel(96 * KIB, image_size=128 * KIB)


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
        board = subject.boots.board
        assert board is not None
        formats = board.world(modern_shell=False, default=None).formats
        assert formats == {("mmc0", name, "recovery.itb"): "fit" for name in ("1", "boot")}
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


CONF = b"""# comment
label one
    kernel ../../opt/Image
    fit /opt/images/recovery.itb
    fdt ../missing.dtb
"""

MAKERS = {
    "squashfs": ("mksquashfs", "root", "image", "-noappend", "-quiet", "-comp", "xz"),
    "squashfs-lz4": ("mksquashfs", "root", "image", "-noappend", "-quiet", "-comp", "lz4"),
    "erofs": ("mkfs.erofs", "-zlz4hc", "image", "root"),
    "ext4": ("mke2fs", "-q", "-t", "ext4", "-d", "root", "image", "8M"),
    "ubifs": ("mkfs.ubifs", "-r", "root", "-m", "8", "-e", "65408", "-c", "99", "-o", "image"),
    "jffs2": ("mkfs.jffs2", "-r", "root", "-e", "65536", "-o", "image"),
}


def made(folder: Path, kind: str, files: dict[str, bytes]) -> bytes:
    for name, data in files.items():
        path = folder / "root" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    (folder / "image").unlink(missing_ok=True)
    subprocess.run(MAKERS[kind], check=True, capture_output=True, cwd=folder)
    return (folder / "image").read_bytes()


def in_ubi(folder: Path, data: bytes, kind: str = "dynamic") -> bytes:
    (folder / "volume").write_bytes(data)
    (folder / "ubi.ini").write_text(
        f"[one]\nmode=ubi\nimage=volume\nvol_id=3\nvol_type={kind}\nvol_name=system\n"
        "vol_size=12MiB\n"
    )
    command = ("ubinize", "-m", "1", "-p", "65536", "-o", "system.ubi", "ubi.ini")
    subprocess.run(command, check=True, capture_output=True, cwd=folder)
    return (folder / "system.ubi").read_bytes()


def told(name: str, data: bytes) -> set[str]:
    with Loader() as loader:
        subject = Subject(layout=None, others={name: loader.memory(name, data)})
    return {finding.rule.name for finding in audit.run(subject).findings}


@pytest.mark.oracle
@pytest.mark.parametrize("ubi", [False, True])
@pytest.mark.parametrize("kind", MAKERS)
def test_what_a_configuration_names_is_judged_in_any_file_system(
    tmp_path: Path, kind: str, *, ubi: bool
) -> None:
    fit = fit_of(KERNEL)
    at = fit.index(KERNEL) + 90 * KIB
    files = {
        "boot/extlinux/extlinux.conf": CONF,
        "opt/images/recovery.itb": fit,
        "opt/images/spare.itb": fit,
        "opt/Image": KERNEL,
    }
    image = made(tmp_path, kind, files)
    image = in_ubi(tmp_path, image) if ubi else image
    with Loader() as loader:
        content = loader.memory("r.img", image).content
    holder = content.part("system") if ubi else content
    assert holder is not None
    recovery = holder.part("opt/images/recovery.itb")
    assert recovery is not None
    assert isinstance(recovery.facts, FitFacts)
    assert recovery.size == len(fit)
    kernel = holder.part("opt/Image")
    assert kernel is not None
    assert (kernel.format, kernel.size) == ("arm64-image", len(KERNEL))
    # What nothing names and no loader looks for stays a file among many.
    assert holder.part("opt/images/spare.itb") is None
    assert told("r.img", image) == set()
    image = made(tmp_path, kind, {"opt/images/recovery.itb": fit[:at] + b"tide" + fit[at + 4 :]})
    image = in_ubi(tmp_path, image) if ubi else image
    assert told("r.img", image) == {"fit-hash-mismatch"}


@pytest.mark.oracle
@pytest.mark.parametrize("kind", ["static", "dynamic"])
def test_a_volume_of_a_ubi_is_read_as_the_file_that_it_holds(tmp_path: Path, kind: str) -> None:
    fit = fit_of(KERNEL)
    image = in_ubi(tmp_path, fit, kind)
    assert told("r.img", image) == set()
    at = fit.index(KERNEL) + 10 * KIB
    image = in_ubi(tmp_path, fit[:at] + b"tide" + fit[at + 4 :], kind)
    assert told("r.img", image) == {"fit-hash-mismatch"}
    image = in_ubi(tmp_path, fit[: len(fit) - 32 * KIB], kind)
    assert told("r.img", image) == {"artifact-damaged"}


@pytest.mark.oracle
@pytest.mark.parametrize("kind", ["squashfs", "erofs", "ubifs"])
def test_a_packed_file_that_does_not_unpack_is_damaged(tmp_path: Path, kind: str) -> None:
    """Damage at many places: what comes of it is told, and nothing ends in a traceback."""
    noise = random.Random(7).randbytes(64 * KIB)
    fit = fit_of(KERNEL[:64] + noise + bytes(KIB) + noise[:999])
    image = made(tmp_path, kind, {"recovery.itb": fit, "notes": noise * 5})
    assert told("r.img", image) <= {"arm64-image-size-too-small"}
    seen: set[str] = set()
    for at in range(len(image) // 40, len(image), len(image) // 20):
        seen |= told("r.img", image[:at] + bytes(256) + image[at + 256 :])
        seen |= told("r.img", image[:at])
    assert seen & {"artifact-damaged", "fit-hash-mismatch"}
    with Loader() as loader:
        for start in range(0, len(image), 20_000):
            broken = image[:start] + b"\x5a" * 20_000 + image[start + 20_000 :]
            for content in loader.memory("r.img", broken).content.walk():
                assert content.damaged_at is None or content.why


@pytest.mark.parametrize(("missing", "why"), [(1024, ""), (1025, "needs 2,048 bytes, 2,047 are")])
def test_a_file_in_pieces_whose_last_one_is_cut_is_damaged(missing: int, why: str) -> None:
    """A kernel's second cluster lies in the last of a FAT, whose image lost its end."""
    files = {"Image": sample.arm64_kernel().ljust(9000, b"x")}
    image = bytearray(fat16(20 << 20, files, "BOOT", 1).whole())
    facts = fat.READER.read(View.of(bytes(image)))
    assert isinstance(facts, fat.Fat)
    last = facts.cluster_count + 1
    for copy in range(facts.fats):
        table = facts.reserved_sectors * 512 + copy * facts.sectors_per_fat * 512
        # The entries of clusters 2 and `last`: 2 leads to `last`, and that to where 2 led.
        image[table + 2 * last : table + 2 * last + 2] = image[table + 4 : table + 6]
        image[table + 4 : table + 6] = last.to_bytes(2, "little")
    with Loader() as loader:
        whole = loader.memory("boot.vfat", bytes(image[: len(image) - missing])).content
    (kernel,) = whole.children
    assert kernel.name == "boot.vfat/Image"
    assert kernel.why.startswith(why)
    assert kernel.damaged_at == (2048 if why else None)
    assert kernel.format == (None if why else "arm64-image")
