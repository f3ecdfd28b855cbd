"""The example layouts: each builds with general tools, audits and drafts, and shows its faults."""

from __future__ import annotations

import struct
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

import imgaudit
from imgaudit.contents.build import FolderStore
from imgaudit.contents.reader import Loader
from imgaudit.files import Folder
from imgaudit.layout.load import load, parse
from imgaudit.model import Layout
from imgaudit.rules.engine import Finding, Severity
from imgaudit.rules.subject import gather
from imgaudit.tasks import audit
from imgaudit.tasks.folder import draft_folder
from imgaudit.units import KIB, MIB
from imgaudit.writers.env import environment
from imgaudit.writers.sparse import filler

LAYOUTS = Path(imgaudit.__file__).parents[1] / "layouts"
Damage = Callable[[Path], None]

pytestmark = pytest.mark.oracle


def run(*command: str | Path, text: str | None = None) -> None:
    subprocess.run(command, input=text, text=True, check=True, capture_output=True)


def into(image: Path, at: int, data: bytes) -> None:
    with image.open("r+b") as file:
        file.seek(at)
        file.write(data)


def fat(folder: Path, size: int, files: dict[str, bytes]) -> bytes:
    made = folder.parent / "made.fat"
    made.unlink(missing_ok=True)
    run("mkfs.fat", "-C", made, str(size // KIB))
    for name, data in files.items():
        (folder.parent / "file").write_bytes(data)
        run("mcopy", "-i", made, folder.parent / "file", f"::{name}")
    return made.read_bytes()


def ext4(folder: Path, size: int) -> bytes:
    made = folder.parent / "made.ext4"
    made.unlink(missing_ok=True)
    run("mke2fs", "-q", "-t", "ext4", made, f"{size // KIB}k")
    return made.read_bytes()


def loader(folder: Path, image: Path, at: int) -> None:
    data = filler("loader", 300_001)
    (folder / "loader.bin").write_bytes(data)
    into(image, at, data)


def card(folder: Path) -> None:
    image = folder / "card.img"
    image.write_bytes(bytes(128 * MIB))
    script = "label: dos\nstart=8192, size=32768, type=6, bootable\n"
    script += "start=40960, size=220000, type=f\nstart=49152, size=65536, type=83\n"
    script += "start=122880, size=131072, type=83\n"
    run("sfdisk", "-q", image, text=script)
    loader(folder, image, 8 * KIB)
    into(image, MIB, environment({"bootcmd": "true"}, 16 * KIB, None))
    into(image, 4 * MIB, fat(folder, 16 * MIB, {"ZIMAGE": filler("kernel", MIB)}))
    into(image, 24 * MIB, ext4(folder, 32 * MIB))


def relay(folder: Path) -> None:
    image = folder / "emmc.img"
    size = 7634944 * 512
    with image.open("wb") as file:
        file.truncate(size)
    root = "b921b045-1df0-41c3-af44-4c6f280d3fae"
    script = "label: gpt\nfirst-lba: 34\n"
    script += "start=8192, size=32768, type=U, name=esp\n"
    script += f"start=40960, size=65536, type={root}, name=root-a\n"
    script += f"start=106496, size=65536, type={root}, name=root-b\n"
    rest = load(str(LAYOUTS / "emmc-gpt-loader-efi.yaml")).region("data").size // 512
    script += f"start=172032, size={rest}, type=L, name=data\n"
    run("sfdisk", "-q", image, text=script)
    loader(folder, image, 0x8000)
    into(image, 4 * MIB, fat(folder, 16 * MIB, {"BOOTAA64.EFI": filler("efi", MIB)}))
    into(image, 20 * MIB, ext4(folder, 32 * MIB))
    into(image, 52 * MIB, ext4(folder, 32 * MIB))


def mast(folder: Path) -> None:
    (folder / "firmware.bin").write_bytes(filler("firmware", 700_000))
    parts = "spi0.0:1m(firmware),64k(env),64k(env-redundant),13m@2m(recovery)"
    names = {"mtdparts": f"mtdparts={parts}", "mtdids": "nor0=spi0.0"}
    (folder / "uboot.env").write_bytes(environment(names, 16 * KIB, 1))
    (folder / "uboot-redundant.env").write_bytes(environment(names, 16 * KIB, 0))


def drifter(folder: Path) -> None:
    (folder / "loader.bin").write_bytes(filler("loader", 900_000))
    (folder / "uboot.env").write_bytes(environment({"bootcmd": "true"}, 128 * KIB, None))
    (folder.parent / "volume").write_bytes(filler("kernel", 300_000))
    config = "[kernel]\nmode=ubi\nimage=volume\nvol_id=0\nvol_type=static\nvol_name=kernel\n"
    (folder.parent / "ubi.cfg").write_text(config)
    subprocess.run(
        ["ubinize", "-o", folder / "system.ubi", "-p", "128KiB", "-m", "2048", "ubi.cfg"],
        cwd=folder.parent,
        check=True,
        capture_output=True,
    )


EXAMPLES: dict[str, Callable[[Path], None]] = {
    "sd-mbr-loader": card,
    "emmc-gpt-loader-efi": relay,
    "nor-second-source": mast,
    "nand-ubi": drifter,
}


@pytest.fixture(params=EXAMPLES)
def example(request: pytest.FixtureRequest, tmp_path: Path) -> tuple[str, Path]:
    folder = tmp_path / "build"
    folder.mkdir()
    EXAMPLES[request.param](folder)
    return request.param, folder


def findings(layout: Layout, folder: Path) -> list[Finding]:
    with Loader() as reading:
        return list(audit.run(gather(layout, FolderStore(Folder(str(folder)), reading))).findings)


def errors(layout: Layout, folder: Path) -> list[str]:
    found = findings(layout, folder)
    return [item.message for item in found if item.severity is Severity.ERROR]


def test_an_example_builds_audits_and_drafts(example: tuple[str, Path]) -> None:
    name, folder = example
    layout = load(str(LAYOUTS / f"{name}.yaml"))
    assert errors(layout, folder) == []
    if name == "nand-ubi":
        return  # no file of that build has a map
    text = draft_folder(str(folder)).text
    mine = parse(text.encode(), "draft.yaml")
    assert errors(mine, folder) == []
    wanted = {
        region.span for region in layout.regions if region.partition or name.startswith("nor")
    }
    assert wanted <= {region.span for region in mine.regions}


def swapped(name: str, at: int, data: bytes) -> Damage:
    return lambda folder: into(folder / name, at, data)


def cut(name: str, size: int) -> Damage:
    def damage(folder: Path) -> None:
        (folder / name).write_bytes((folder / name).read_bytes()[:size])

    return damage


def gone(name: str) -> Damage:
    return lambda folder: (folder / name).unlink()


def grown(name: str, size: int) -> Damage:
    def damage(folder: Path) -> None:
        (folder / name).write_bytes(filler("more", size))

    return damage


FAULTS: dict[str, tuple[tuple[str, Damage, str], ...]] = {
    "sd-mbr-loader": (
        ("a byte of the loader", swapped("card.img", 8 * KIB + 123_456, b"\0\1\2\3"), "loader"),
        ("random bytes over boot", swapped("card.img", 4 * MIB, filler("x", MIB)), "boot"),
        ("no superblock", swapped("card.img", 24 * MIB, bytes(3 * MIB)), "root"),
        ("a flipped environment", swapped("card.img", MIB + 40, b"x"), "env"),
        ("not bootable", swapped("card.img", 446, b"\0"), "boot"),
        ("another type", swapped("card.img", 446 + 4, b"\x83"), "boot"),
        ("a moved partition", swapped("card.img", 446 + 8, struct.pack("<I", 8200)), "boot"),
        ("no chain", swapped("card.img", 20 * MIB + 510, b"\0\0"), "root"),
        ("an image that is cut", cut("card.img", 20 * MIB), "root"),
        ("no loader", gone("loader.bin"), "loader"),
        ("a loader that is too large", grown("loader.bin", 2 * MIB), "loader"),
    ),
    "nor-second-source": (
        ("no firmware", gone("firmware.bin"), "firmware"),
        ("a firmware that is too large", grown("firmware.bin", 2 * MIB), "firmware"),
        ("a flipped environment", swapped("uboot.env", 40, b"\0\1\2"), "env-a"),
        ("an environment that is cut", cut("uboot.env", 8 * KIB), "env-a"),
        ("a copy that is none", grown("uboot-redundant.env", 16 * KIB), "env-b"),
        ("an empty firmware", cut("firmware.bin", 0), "firmware"),
        ("a recovery that is no FIT", grown("recovery.itb", MIB), "recovery"),
        ("more than was planned", grown("recovery.itb", 10 * MIB), "recovery"),
    ),
    "nand-ubi": (
        ("no room for bad blocks", grown("loader.bin", 2 * MIB), "loader"),
        ("a loader that is too large", grown("loader.bin", 3 * MIB), "loader"),
        ("no UBI", grown("system.ubi", MIB), "ubi"),
        ("a flipped environment", swapped("uboot.env", 40, b"\0\1\2"), "env"),
        ("a missing environment", gone("uboot.env"), "env"),
    ),
}


@pytest.mark.parametrize("name", FAULTS)
def test_each_planted_fault_is_found_in_its_region(name: str, tmp_path: Path) -> None:
    layout = load(str(LAYOUTS / f"{name}.yaml"))
    missed = []
    for number, (what, damage, region) in enumerate(FAULTS[name]):
        folder = tmp_path / str(number) / "build"
        folder.mkdir(parents=True)
        EXAMPLES[name](folder)
        before = {item.identity for item in findings(layout, folder)}
        damage(folder)
        new = [item for item in findings(layout, folder) if item.identity not in before]
        if region not in {item.region for item in new}:
            missed.append((what, [(item.rule.name, item.region) for item in new]))
        for path in folder.iterdir():
            path.unlink()
    assert missed == []
