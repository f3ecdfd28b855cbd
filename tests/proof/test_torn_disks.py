"""What a cut leaves of a partition table and of a root, held against sgdisk and e2fsck.

Old and new are made by the tools; a cut takes sectors of the one and of the other, as a write from
front to back does, or as a cache in any order. The samples are seeded.
"""

from __future__ import annotations

import random
import subprocess
from pathlib import Path

import pytest

from imgaudit.formats.ext import READER as EXT
from imgaudit.formats.ext import Ext
from imgaudit.formats.gpt import READER as GPT
from imgaudit.formats.gpt import Gpt, GptTable
from imgaudit.formats.view import View
from imgaudit.rules.samples import arm64_kernel
from imgaudit.units import KIB, MIB
from tests.formats._trees import fill, read, status
from tests.proof import test_boards as heron
from tests.proof.test_cuts import walked

pytestmark = pytest.mark.oracle
_SECTOR = 512
_DISK = 4 * MIB
_PRIMARY = range(1, 34)
_BACKUP = range(_DISK // _SECTOR - 33, _DISK // _SECTOR)


def mixed(old: bytes, new: bytes, written: range | list[int], unit: int = _SECTOR) -> bytes:
    """Take some sectors, or larger units, of the new one, and the rest of the old one."""
    data = bytearray(old)
    for number in written:
        data[number * unit : (number + 1) * unit] = new[number * unit : (number + 1) * unit]
    return bytes(data)


# The table ---------------------------------------------------------------------------------------


def disk(folder: Path, name: str, *partitions: str) -> bytes:
    """Let sgdisk make a disk with partitions, each given as first:last sector."""
    path = folder / name
    path.write_bytes(bytes(_DISK))
    made = ["-a", "1"]
    for number, span in enumerate(partitions, 1):
        made += ["-n", f"{number}:{span}"]
    subprocess.run(["sgdisk", "-o", *made, str(path)], check=True, capture_output=True)
    return path.read_bytes()


def verified(path: Path, data: bytes) -> dict[str, bool]:
    """Ask sgdisk which parts hold; it lists them where one does not."""
    path.write_bytes(data)
    ran = subprocess.run(
        ["sgdisk", "--verify", str(path)], capture_output=True, text=True, check=False
    )
    lines = [line.rpartition(": ") for line in (ran.stdout + ran.stderr).splitlines()]
    found = {name: said == "OK" for name, _, said in lines if said in {"OK", "ERROR"}}
    if not found:
        assert "No problems found" in ran.stdout, ran.stdout
    return found


def held(copy: GptTable | None) -> tuple[bool, bool]:
    """Tell of a copy whether its header holds, and its array."""
    if copy is None:
        return False, False
    return bool(copy.header_checksum.matches), bool(copy.array_checksum.matches)


def cuts(seed: int) -> list[list[int]]:
    """Give sectors that a cut write of the table has written: in order, and as a cache may."""
    chance = random.Random(seed)
    both = [*_PRIMARY, *_BACKUP]
    found = [both[:at] for at in (0, 1, 2, 5, 33, 34, 65, 66)]
    found += [sorted(chance.sample(both, chance.randrange(1, len(both)))) for _ in range(16)]
    # the sectors in which the two differ are few: take some of those more often
    found += [sorted(chance.sample([1, 2, 33, *_BACKUP[::32]], 2)) for _ in range(8)]
    return found


def test_sgdisk_agrees_on_a_torn_table(tmp_path: Path) -> None:
    old = disk(tmp_path, "old", "2048:3000", "3072:4000")
    new = disk(tmp_path, "new", "2048:2500", "3072:3500", "4096:5000")
    broken = 0
    for written in cuts(15):
        data = mixed(old, new, written)
        said = verified(tmp_path / "torn", data)
        facts = GPT.read(View.of(data))
        assert isinstance(facts, Gpt)
        header, array = held(facts.primary)
        assert header == said.get("Main header", True), written
        assert held(facts.backup)[0] == said.get("Backup header", True), written
        if header:  # else sgdisk takes the other array for it
            assert array == said.get("Main partition table", True), written
        broken += not (header and array)
    assert broken >= 10  # or the samples show nothing


def test_a_torn_table_leaves_u_boot_the_backup(tmp_path: Path) -> None:
    """The primary is written first: until it is whole, the backup is the old one, and holds."""
    old = disk(tmp_path, "old", "2048:3000", "3072:4000")
    new = disk(tmp_path, "new", "2048:2500", "3072:3500", "4096:5000")
    torn = mixed(old, new, [1])
    assert verified(tmp_path / "torn", torn)["Main partition table"] is False
    facts = GPT.read(View.of(torn))
    assert isinstance(facts, Gpt)
    assert facts.table is not None
    assert facts.table.lba == _DISK // _SECTOR - 1
    assert len(facts.table.entries) == 2


# The root ----------------------------------------------------------------------------------------


def root(folder: Path, name: str, *options: str, kernel: bytes) -> bytes:
    """Let mke2fs make a root; all that is not in `kernel` is the same in each."""
    tree = fill(folder / name, kernel=kernel)
    image = folder / f"{name}.img"
    made = ["mke2fs", "-q", "-F", "-t", "ext4", *options, "-d", str(tree), str(image), "12M"]
    subprocess.run(made, check=True, capture_output=True)
    return image.read_bytes()


@pytest.mark.parametrize("options", [(), ("-O", "^metadata_csum,^64bit")])
def test_e2fsck_agrees_on_a_torn_root(tmp_path: Path, options: tuple[str, ...]) -> None:
    """What e2fsck finds in a torn root we find, and nothing where it finds nothing."""
    old = root(tmp_path, "old", *options, kernel=arm64_kernel(300 * KIB))
    new = root(tmp_path, "new", *options, kernel=random.Random(3).randbytes(2 * MIB))
    chance = random.Random(15)
    unit = 64 * KIB
    units = range(len(new) // unit)
    written = [list(units[:at]) for at in (0, 1, 2, 4, 9, 40, 150, len(units))]
    written += [sorted(chance.sample(units, chance.randrange(1, len(units)))) for _ in range(12)]
    reported = 0
    for some in written:
        data = mixed(old, new, some, unit)
        path = tmp_path / "torn.img"
        path.write_bytes(data)
        bad = status("e2fsck", "-fn", path) != 0
        facts = read(EXT, data)
        assert isinstance(facts, Ext)
        wrong = bool(facts.flaws) or any(one.matches is False for one in facts.checksums)
        assert wrong == bad, some
        reported += bad
    assert 5 <= reported < len(written)


def test_a_torn_root_is_not_mounted_from_what_has_its_tables_at_the_end(tmp_path: Path) -> None:
    """squashfs on a NOR is written from front to back; on an eMMC its sectors land in any order."""
    tree = fill(tmp_path / "tree", kernel=b"tide" * 1000)
    (tree / "sbin").mkdir()
    (tree / "sbin/init").symlink_to("../init")
    image = tmp_path / "root.squashfs"
    subprocess.run(["mksquashfs", tree, image, "-quiet"], check=True, capture_output=True)
    data = image.read_bytes()
    torn = data[: len(data) // 2].ljust(len(data), b"\xff")
    (tmp_path / "torn.squashfs").write_bytes(torn)
    assert status("unsquashfs", "-l", tmp_path / "torn.squashfs") != 0
    layout = heron._LAYOUT.replace("size: 1 MiB, erase", "size: 4 MiB, erase").replace(
        "  - {name: boot, ",
        "  - {name: sq, chip: nor, at: 1 MiB, size: 3 MiB, holds: squashfs, writer: release,"
        " file: sq}\n  - {name: boot, ",
        1,
    )
    layout = layout.replace("[env, boot, root-a, root-b]", "[env, boot, sq, root-a, root-b]")
    script = (
        "mmc dev 0 && load mmc 0:1 0x80200000 Image && load mmc 0:1 0x88000000 board.dtb && setenv"
        " bootargs root={} rootfstype=squashfs mtdparts=nor0:1m(env),3m(sq) && booti"
        " 0x80200000 - 0x88000000"
    )
    found = walked(
        "{write: sq}",
        layout=layout,
        slots="",
        copies=False,
        variables={"bootcmd": script.format("/dev/mtdblock1")},
        made={"sq": lambda: data},
    )
    assert found.normal == ("main",)
    assert [cut.torn for cut in found.cuts] == [""] * len(found.cuts)
    assert any("tables at its end" in cut.how for cut in found.cuts)
    on_disk_layout = heron._LAYOUT.replace("32 MiB, holds: ext4", "32 MiB, holds: squashfs", 1)
    on_disk = walked(
        "{write: root-a}",
        slots="",
        copies=False,
        layout=on_disk_layout,
        variables={"bootcmd": script.format("/dev/mmcblk0p2")},
        made={"root": lambda: data},
    )
    (cut,) = on_disk.cuts
    assert cut.torn == "root-a"
    assert "squashfs has no sums" in cut.how
