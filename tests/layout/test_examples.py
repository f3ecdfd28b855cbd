"""The example layouts: each builds with general tools, audits and drafts, and shows its faults."""

from __future__ import annotations

import random
import shutil
import struct
from collections.abc import Callable
from pathlib import Path

import pytest

from imgaudit.contents.build import FolderStore
from imgaudit.contents.reader import Loader
from imgaudit.files import Folder
from imgaudit.formats.crc32c import crc32_raw
from imgaudit.layout.load import load, parse
from imgaudit.model import Layout
from imgaudit.proof.records import Verdict
from imgaudit.rules import checks, updates
from imgaudit.rules.engine import Check, Finding, Severity
from imgaudit.rules.subject import Subject, gather
from imgaudit.tasks import audit
from imgaudit.tasks.folder import draft_folder
from imgaudit.units import KIB, MIB
from imgaudit.writers.env import environment
from imgaudit.writers.env import text as variables
from imgaudit.writers.sparse import filler
from tests._drafts import filled
from tests.layout._boards import DRIFTER, EXAMPLES, LAYOUTS, arm_kernel, into, run

Damage = Callable[[Path], None]

pytestmark = pytest.mark.oracle


@pytest.fixture(scope="module", params=EXAMPLES)
def example(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> tuple[str, Path]:
    folder = tmp_path_factory.mktemp(request.param) / "build"
    folder.mkdir()
    EXAMPLES[request.param](folder)
    return request.param, folder


def gathered(layout: Layout, folder: Path) -> Subject:
    with Loader() as reading:
        return gather(layout, FolderStore(Folder(str(folder)), reading))


def findings(layout: Layout, folder: Path) -> list[Finding]:
    return list(audit.run(gathered(layout, folder)).findings)


def errors(layout: Layout, folder: Path) -> list[str]:
    found = findings(layout, folder)
    return [item.message for item in found if item.severity is Severity.ERROR]


def test_an_example_builds_audits_and_drafts(example: tuple[str, Path]) -> None:
    name, folder = example
    layout = load(str(LAYOUTS / f"{name}.yaml"))
    assert errors(layout, folder) == []
    whole = gathered(layout, folder)
    for proof in whole.proofs:
        assert proof.verdict is Verdict.PROVEN, proof.line()
    assert audit.run(whole).verdict is audit.Verdict.PASSED
    text = draft_folder(str(folder)).text
    assert text.count("fill in: ") <= 5
    guessed = audit.run(gathered(parse(text.encode(), "draft.yaml"), folder))
    assert guessed.verdict is audit.Verdict.INCOMPLETE
    mine = parse(filled(text, layout).encode(), "draft.yaml")
    result = audit.run(gathered(mine, folder))
    assert [it.message for it in result.findings if it.severity is Severity.ERROR] == []
    assert result.verdict is audit.Verdict.PASSED
    wanted = {
        region.span
        for region in layout.regions
        if region.partition or (name.startswith("nor") and "/" not in region.area)
    }
    assert wanted <= {region.span for region in mine.regions}
    assert {(it.stage.name, it.slot, it.verdict) for it in result.subject.proofs if it.taken} == {
        (it.stage.name, it.slot, it.verdict) for it in whole.proofs if it.taken
    }
    volumes = [it.label for it in layout.regions if it.holder]
    assert [it.label for it in mine.regions if it.holder] == volumes


def test_what_files_are_called_does_not_matter(example: tuple[str, Path], tmp_path: Path) -> None:
    _, folder = example
    names = sorted(path.name for path in folder.iterdir())
    own = parse(draft_folder(str(folder)).text.encode(), "draft.yaml")
    for seed in range(3):
        mixed = random.Random(seed).sample(range(len(names)), len(names))
        other = tmp_path / str(seed)
        other.mkdir()
        for name, number in zip(names, mixed, strict=True):
            run("cp", "--sparse=always", folder / name, other / f"{number:02}.bin")
        text = draft_folder(str(other)).text
        found = parse(text.encode(), "draft.yaml")
        assert mapped(found) == mapped(own)
        assert started(found) == started(own)


def mapped(layout: Layout) -> list[tuple[str, int, int, str, int | None]]:
    return [(item.area, item.at, item.size, item.holds, item.partition) for item in layout.regions]


def started(layout: Layout) -> list[object]:
    """Give the stages by the places of their regions, which may be named by their files."""
    at = {item.name: number for number, item in enumerate(layout.regions)}
    return [
        (
            stage.name,
            stage.entry,
            [at[name] for name in stage.regions],
            [(slot.variables, [at[name] for name in slot.regions]) for slot in stage.slots],
        )
        for stage in layout.stages.values()
    ]


def swapped(name: str, at: int, data: bytes) -> Damage:
    return lambda folder: into(folder / name, at, data)


def cut(name: str, size: int) -> Damage:
    def damage(folder: Path) -> None:
        (folder / name).write_bytes((folder / name).read_bytes()[:size])

    return damage


def tool(*command: str) -> Damage:
    return lambda folder: run(*command, at=folder)


def gone(name: str) -> Damage:
    return lambda folder: (folder / name).unlink()


def grown(name: str, size: int) -> Damage:
    def damage(folder: Path) -> None:
        (folder / name).write_bytes(filler("more", size))

    return damage


def tables(name: bytes, blocks: int, new: bytes | None = None) -> Damage:
    """Change the record of a volume in both tables of a UBI."""

    def damage(folder: Path) -> None:
        data = bytearray((folder / "system.ubi").read_bytes())
        at = data.find(name + b"\0")
        while at >= 0:
            record = data[at - 16 : at + 152]
            record[:4] = struct.pack(">I", blocks) if blocks else record[:4]
            record[16 : 16 + len(name)] = new or name
            data[at - 16 : at + 156] = record + struct.pack(">I", crc32_raw(bytes(record)))
            at = data.find(name + b"\0", at + 1)
        (folder / "system.ubi").write_bytes(data)

    return damage


def replaced(name: str, old: bytes, new: bytes) -> Damage:
    def damage(folder: Path) -> None:
        data = (folder / name).read_bytes()
        assert old in data
        (folder / name).write_bytes(data.replace(old, new))

    return damage


def cells(number: int) -> bytes:
    return struct.pack(">I", number)


def into_fat(name: str, path: str, make: Callable[[], bytes]) -> Damage:
    def damage(folder: Path) -> None:
        (folder.parent / "file").write_bytes(make())
        run("mcopy", "-o", "-i", folder / name, folder.parent / "file", f"::{path}")

    return damage


def efi(change: Callable[[bytes], bytes]) -> Damage:
    """Change the EFI program that firmware starts by itself."""

    def damage(folder: Path) -> None:
        file, image = folder.parent / "program.efi", f"{folder / 'emmc.img'}@@4M"
        run("mcopy", "-o", "-i", image, "::EFI/BOOT/BOOTAA64.EFI", file)
        data = file.read_bytes()
        changed = change(data)
        assert changed != data
        file.write_bytes(changed)
        run("mcopy", "-o", "-i", image, file, "::EFI/BOOT/BOOTAA64.EFI")

    return damage


def machine(number: int) -> Callable[[bytes], bytes]:
    """Change the Machine field of a PE file, behind its signature."""

    def change(data: bytes) -> bytes:
        at = int.from_bytes(data[0x3C:0x40], "little") + 4
        return data[:at] + struct.pack("<H", number) + data[at + 2 :]

    return change


def renamed(name: bytes, new: bytes) -> Damage:
    return tables(name, 0, new)


def otherwise(old: str, new: str) -> bytes:
    changed = {name: text.replace(old, new) for name, text in DRIFTER.items()}
    return environment(changed, 128 * KIB, None)


_ESP = 4 * MIB
_CUT_RULES = frozenset(item.rule.name for item in vars(updates).values() if isinstance(item, Check))
FAULTS: dict[str, tuple[tuple[str, Damage, str | None], ...]] = {
    "sd-mbr-loader": (
        ("a byte of the first stage", swapped("card.img", 8 * KIB + 12_345, b"\0\1\2"), "loader"),
        ("a byte of U-Boot", swapped("card.img", 8 * KIB + 123_456, b"\0\1\2\3"), "loader"),
        ("random bytes over boot", swapped("card.img", 4 * MIB, filler("x", MIB)), "boot"),
        ("no superblock", swapped("card.img", 24 * MIB, bytes(3 * MIB)), "root"),
        ("a flipped environment", swapped("card.img", MIB + 40, b"x"), "env"),
        ("not bootable", swapped("card.img", 446, b"\0"), "boot"),
        ("another type", swapped("card.img", 446 + 4, b"\x83"), "boot"),
        ("a moved partition", swapped("card.img", 446 + 8, struct.pack("<I", 8200)), "boot"),
        ("no chain", swapped("card.img", 20 * MIB + 510, b"\0\0"), "root"),
        ("another disk identifier", swapped("card.img", 440, b"\1\2\3\4"), "env"),
        ("an image that is cut", cut("card.img", 20 * MIB), "root"),
        ("no loader", gone("loader.bin"), "loader"),
        ("a loader that is too large", grown("loader.bin", 2 * MIB), "loader"),
    ),
    "emmc-gpt-loader-efi": (
        ("another first stage", swapped("emmc.img", 0x8000 + 4096, b"\0\1\2\3"), "loader"),
        ("no first stage", swapped("emmc.img", 0x8000, bytes(64 * KIB)), "loader"),
        ("another loader", grown("loader.bin", 60 * KIB), "loader"),
        ("a byte of U-Boot", swapped("u-boot.itb", 70_000, b"\0\1\2"), "u-boot"),
        ("a U-Boot that is cut", cut("u-boot.itb", 100 * KIB), "u-boot"),
        ("another type", tool("sfdisk", "--part-type", "emmc.img", "2", "L"), "root-a"),
        ("another name", tool("sfdisk", "--part-label", "emmc.img", "3", "root-c"), "root-b"),
        ("random bytes over the ESP", swapped("emmc.img", _ESP, filler("x", MIB)), "esp"),
        ("no program", tool("mdel", "-i", "emmc.img@@4M", "::EFI/BOOT/BOOTAA64.EFI"), "u-boot"),
        ("no superblock", swapped("emmc.img", 20 * MIB, bytes(2 * MIB)), "root-a"),
        ("another format", swapped("emmc.img", 52 * MIB, b"hsqs" + filler("z", MIB)), "root-b"),
        ("no table", swapped("emmc.img", 512, bytes(33 * 512)), None),
        ("an EFI program that is cut", efi(lambda data: data[:70_000]), "u-boot"),
        ("one of another machine", efi(machine(0x8664)), "u-boot"),
        ("one that is none", efi(lambda data: filler("z", len(data))), "u-boot"),
        ("a kernel that is none", efi(lambda data: data.replace(b"ARM\x64", b"ARM\x65")), "u-boot"),
        ("another root", efi(lambda data: data.replace(b"mmcblk0p2", b"mmcblk0p7")), "u-boot"),
    ),
    "nor-only": (
        ("no first stage", gone("first-stage.bin"), "first-stage"),
        ("a byte of it", swapped("first-stage.bin", 12_345, b"\0\1\2"), "first-stage"),
        ("one that is too large", grown("first-stage.bin", 80 * KIB), "first-stage"),
        ("a U-Boot that is too large", grown("u-boot.bin", MIB), "u-boot"),
        ("an empty U-Boot", cut("u-boot.bin", 0), "u-boot"),
        ("a kernel that is cut", cut("kernel.itb", 100_000), "kernel"),
        ("a byte of the kernel", swapped("kernel.itb", 100_000, b"\0\1\2"), "kernel"),
        ("a kernel that is no FIT", grown("kernel.itb", MIB), "kernel"),
        ("too little is read", replaced("u-boot.bin", b" 0x800000 ", b" 0x010000 "), "kernel"),
        ("from elsewhere", replaced("u-boot.bin", b" 0x200000 ", b" 0x300000 "), "kernel"),
        ("a root that is too large", grown("rootfs.squashfs", 19 * MIB), "rootfs"),
        ("a root that is cut", cut("rootfs.squashfs", 8 * KIB), "rootfs"),
        ("noise in the root", swapped("rootfs.squashfs", 100, filler("x", 4000)), "rootfs"),
        ("another root", replaced("u-boot.bin", b"mtdblock6", b"mtdblock7"), "settings"),
        ("another map", replaced("u-boot.bin", cells(0xA00000), cells(0xB00000)), "rootfs"),
    ),
    "nor-mixed-emmc-slots": (
        ("no recovery", gone("recovery.itb"), "recovery"),
        ("a recovery that is cut", cut("recovery.itb", MIB), "recovery"),
        ("a byte of the ramdisk", swapped("recovery.itb", 1_500_000, b"\0\1\2"), "recovery"),
        ("too little is read", replaced("fip.bin", b" 0xf00000 ", b" 0x010000 "), "recovery"),
        ("a FIP that is cut", cut("fip.bin", 100 * KIB), "firmware"),
        ("no FIP", swapped("fip.bin", 0, bytes(4)), "firmware"),
        ("no kernel", tool("mdel", "-i", "boot.vfat", "::Image"), "firmware"),
        ("a kernel of another machine", into_fat("boot.vfat", "Image", arm_kernel), "boot-a"),
        ("no FAT", swapped("boot.vfat", 512, filler("x", 2 * MIB)), "boot-a"),
        ("a boot that is too large", grown("boot.vfat", 65 * MIB), "boot-a"),
        ("a root that is cut", cut("rootfs.ext4.zst", 10_000), "rootfs-a"),
        ("another root", replaced("fip.bin", b"=rootfs-$", b"=rootfz-$"), "firmware"),
        ("another list", replaced("fip.bin", b"rootfs-a,size=2", b"rootfs-a,size=1"), "rootfs-b"),
        ("another slot b", replaced("fip.bin", b"name=boot-b", b"name=boot-c"), "boot-b"),
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
        ("a byte of the kernel", swapped("recovery.itb", 300_000, b"\0\1\2"), "recovery"),
        ("a byte of the ramdisk", swapped("recovery.itb", 1_500_000, b"\0\1\2"), "recovery"),
        ("a recovery that is cut", cut("recovery.itb", MIB), "recovery"),
    ),
    "nand-ubi": (
        ("no room for bad blocks", grown("loader.bin", 2 * MIB), "loader"),
        ("a loader that is too large", grown("loader.bin", 3 * MIB), "loader"),
        ("no UBI", grown("system.ubi", MIB), "ubi"),
        ("a flipped environment", swapped("uboot.env", 40, b"\0\1\2"), "env"),
        ("a missing environment", gone("uboot.env"), "env"),
        ("a byte of the first stage", swapped("loader.bin", 12_345, b"\0\1\2"), "loader"),
        ("no volume table", swapped("system.ubi", 0, b"\xff" * 256 * KIB), "ubi"),
        ("a byte of the kernel", swapped("system.ubi", 300_000, b"\0\1\2\3"), "ubi"),
        ("a hole in the root", swapped("system.ubi", 5 * 128 * KIB + 4096, bytes(9999)), "rootfs"),
        ("a UBI that is cut", cut("system.ubi", 6 * 128 * KIB), "rootfs"),
        ("another volume's name", renamed(b"rootfs", b"rootft"), "rootfs"),
        ("a volume that is too small", tables(b"kernel", 20), "kernel"),
        ("another part attached", swapped("uboot.env", 0, otherwise("ubi.mtd=ubi", "")), "ubi"),
    ),
}


def test_each_planted_fault_is_found_in_its_region(
    example: tuple[str, Path], tmp_path: Path
) -> None:
    name, sound = example
    layout = load(str(LAYOUTS / f"{name}.yaml"))
    before = {item.identity for item in findings(layout, sound)}
    missed = []
    for what, damage, region in FAULTS[name]:
        folder = tmp_path / "build"
        run("cp", "-r", "--sparse=always", sound, folder)
        damage(folder)
        new = [item for item in findings(layout, folder) if item.identity not in before]
        if region not in {item.region for item in new}:
            missed.append((what, [(item.rule.name, item.region) for item in new]))
        shutil.rmtree(folder)
    assert missed == []


UPDATES: dict[str, tuple[tuple[str, str, str], ...]] = {
    "nor-second-source": (
        ("policy:\n", "policy:\n  # nothing\n", ""),
        ("    - update: recovery\n", "    - loss: env-a\n", "update-leaves-nothing-bootable"),
        ('{set: {bootdelay: "5"}}', "{write: firmware}", "update-leaves-nothing-bootable"),
        ("size: 16 KiB, copy: env-b", "size: 16 KiB", "switch-not-atomic"),
    ),
    "nand-ubi": (
        ("      - reboot\n", "", ""),
        ("{write: kernel-spare}", "{write: kernel}", "update-leaves-nothing-bootable"),
        ("{write: kernel-spare}", "{erase: kernel-spare}", "update-leaves-nothing-bootable"),
        (
            "kernel: kernel-spare, kernel-spare: kernel",
            "kernel: rootfs",
            "update-leaves-nothing-bootable",
        ),
        ("{write: kernel-spare}", "{write: rootfs}", "update-overwrites-what-it-runs-from"),
        ("{write: kernel-spare}", "{write: env}", ""),  # U-Boot has another one compiled in
    ),
}


@pytest.mark.parametrize("name", UPDATES)
def test_updates_hold_and_their_planted_faults_are_found(name: str, tmp_path: Path) -> None:
    folder = tmp_path / "build"
    folder.mkdir()
    EXAMPLES[name](folder)
    plain = (LAYOUTS / f"{name}.yaml").read_text()
    rules = [check for check in checks().values() if check.rule.name in _CUT_RULES]
    missed = []
    for old, new, expected in UPDATES[name]:
        assert old in plain, old
        text = plain.replace(old, new, 1)
        if "copy: env-b" in old:
            text = text.replace("size: 16 KiB, copy: env-a", "size: 16 KiB", 1)
        subject = gathered(parse(text.encode(), f"{name}.yaml"), folder)
        assert len(subject.updates) == plain.count("    by: ")
        found = {item.rule.name for item in audit.run(subject, only=rules).findings}
        if (expected not in found) if expected else found:
            missed.append((new, expected, found))
    assert missed == []


# Debian's debian-installer-12-netboot-arm64.
NETBOOT = Path("/usr/lib/debian-installer/images/12/arm64/text/debian-installer/arm64")


def test_a_folder_without_a_map_says_where_boot_roms_look(tmp_path: Path) -> None:
    """What a board's packages and the installer give: boot loaders, a kernel, and no disk."""
    folder = tmp_path / "build"
    folder.mkdir()
    EXAMPLES["emmc-gpt-loader-efi"](folder)
    (folder / "emmc.img").unlink()
    for name in ("linux", "initrd.gz"):
        run("cp", NETBOOT / name, folder)
    text = draft_folder(str(folder)).text
    assert text.count("fill in: ") <= 5
    assert "in no region: initrd.gz, linux" in text
    layout = parse(text.encode(), "draft.yaml")
    places = [(it.name, it.file, it.at, it.guessed) for it in layout.regions]
    assert places == [
        ("loader", "loader.bin", 64 * 512, ("at", "size")),
        ("u-boot", "u-boot.itb", 16384 * 512, ("at", "size")),
    ]
    result = audit.run(gathered(layout, folder))
    assert result.verdict is audit.Verdict.INCOMPLETE


def test_two_ubis_on_one_chip(tmp_path: Path) -> None:
    """Each has volumes of its own, which are drafted and judged by the UBI that holds them."""
    folder = tmp_path / "build"
    folder.mkdir()
    EXAMPLES["nand-ubi"](folder)
    (tmp_path / "store.cfg").write_text(
        "[logs]\nmode=ubi\nimage=rootfs.ubifs\nvol_id=0\nvol_type=dynamic\nvol_size=16MiB\n"
        "vol_name=logs\n"
    )
    words = "ubinize -p 128KiB -m 2048 -Q 2 -o build/store.ubi store.cfg"
    run(*words.split(), at=tmp_path)
    variables = DRIFTER | {
        "mtdparts": "mtdparts=spi-nand0:2m(loader)ro,512k(env),95744k(ubi),32m(store)"
    }
    (folder / "uboot.env").write_bytes(environment(variables, 128 * KIB, None))
    text = draft_folder(str(folder)).text
    layout = parse(text.encode(), "draft.yaml")
    assert [(it.area, it.label) for it in layout.regions if it.holds == "ubifs"] == [
        ("nand/ubi", "rootfs"),
        ("nand/store", "logs"),
    ]
    found = gathered(layout, folder)
    paths = {it.region.name: it.path for it in found.placements if it.region.holder}
    assert paths["rootfs"] == "system.ubi:rootfs"
    assert paths["logs"] == "store.ubi:logs"
    # Both hold the same file system here, and nothing else is wrong.
    told = {it.rule.name for it in audit.run(found).findings if it.region == "logs"}
    assert told == {"artifacts-identical"}


def test_the_environment_in_a_first_stage_is_not_the_boot_loaders(tmp_path: Path) -> None:
    """SPL may be built with one, and never runs its bootcmd."""
    folder = tmp_path / "build"
    folder.mkdir()
    EXAMPLES["emmc-gpt-loader-efi"](folder)
    spare = variables({"bootcmd": "run nothing", "bootdelay": "2", "baudrate": "115200"})
    for name, at in (("emmc.img", 0xA000), ("loader.bin", 0x2000)):
        into(folder / name, at, b"\0" + spare + b"\0")
    subject = gathered(load(str(LAYOUTS / "emmc-gpt-loader-efi.yaml")), folder)
    assert [proof.verdict for proof in subject.proofs] == [Verdict.PROVEN]
    assert subject.boots.place is not None
    assert subject.boots.place.artifact == "u-boot.itb"


@pytest.mark.parametrize("where", ["fat", "ext4"])
def test_the_environment_may_be_a_file(where: str, tmp_path: Path) -> None:
    """As with ENV_IS_IN_FAT and ENV_IS_IN_EXT4 (U-Boot env/Kconfig): no region is its own."""
    folder = tmp_path / "build"
    folder.mkdir()
    EXAMPLES["sd-mbr-loader"](folder)
    image = folder / "card.img"
    with image.open("rb") as file:
        file.seek(MIB)
        stored = file.read(16 * KIB)
    into(image, MIB, bytes(16 * KIB))
    (tmp_path / "uboot.env").write_bytes(stored)
    if where == "fat":
        run("mcopy", "-i", f"{image}@@4M", tmp_path / "uboot.env", "::uboot.env")
    else:
        script = f"write {tmp_path / 'uboot.env'} uboot.env\n"
        run("debugfs", "-w", f"{image}?offset={24 * MIB}", text=script)
    text = (LAYOUTS / "sd-mbr-loader.yaml").read_text()
    start, end = text.index("  - name: env\n"), text.index("  - name: boot\n")
    text = (text[:start] + text[end:]).replace("[loader, env,", "[loader,")
    subject = gathered(parse(text.encode(), "card.yaml"), folder)
    (proof,) = (proof for proof in subject.proofs if proof.taken)
    assert proof.verdict is Verdict.PROVEN, proof.line()
    home = "boot" if where == "fat" else "root"
    assert ("environment", home) in {(link.role, link.region) for link in proof.chain}
