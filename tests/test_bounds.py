"""Inputs that once took minutes or gigabytes, each in a process of its own with limits on both."""

from __future__ import annotations

import bz2
import gzip
import json
import random
import resource
import struct
import subprocess
import sys
import uuid
import zlib
from collections.abc import Callable
from pathlib import Path

import pytest

from imgaudit.rules import samples as sample
from imgaudit.units import MIB
from imgaudit.writers.env import environment
from imgaudit.writers.fdt import Tree, fdt
from imgaudit.writers.gpt import Partition, gpt

SECONDS = 10
"""Of processor time: twice the aim, since machines differ."""
MEMORY = 512 * MIB
HEAD = "layout: 1\nboard: example\narch: arm64\n"
NOR = "chips: {nor: {kind: spi-nor, size: 16 MiB, erase-block: 64 KiB}}\n"
ENV = (
    "regions:\n  - {name: env, chip: nor, at: 0, size: 1 MiB, holds: uboot-env, file: u-boot.env,"
    " writer: runtime, env: {size: 128 KiB}}\n"
    "stages: {main: {regions: [env], entry: bootcmd}}\n"
)
RAMDISK = (
    "regions:\n  - {name: recovery, chip: nor, at: 0, size: 8 MiB, holds: HOLDS, file: a.bin,"
    " writer: release}\nstages: {recovery: {regions: [recovery], ramdisk: recovery}}\n"
)
COMMAND = (sys.executable, "-m", "imgaudit", "audit", "layout.yaml", "--format", "json")
Build = Callable[[Path], str]


def overlapping_mtdparts(folder: Path) -> str:
    parts = ",".join(f"64k@0(p{number})" for number in range(4000))
    variables = {"mtdparts": f"mtdparts=spi0.0:{parts}", "bootcmd": "bootm 1"}
    (folder / "u-boot.env").write_bytes(environment(variables, 128 << 10, None))
    return HEAD + NOR + ENV


def scripts_that_run_each_other(folder: Path) -> str:
    variables = {
        f"s{number}": ";".join(f"run s{(number * 3 + other) % 200}" for other in range(60))
        for number in range(200)
    }
    data = environment({**variables, "bootcmd": "run s1"}, 128 << 10, None)
    (folder / "u-boot.env").write_bytes(data)
    return HEAD + NOR + ENV


def overlapping_regions(folder: Path) -> str:
    del folder
    region = "chip: nor, at: 0, size: 1 MiB, writer: release, holds: raw"
    regions = "".join(f"  - {{name: r{number}, {region}}}\n" for number in range(1000))
    return f"{HEAD}{NOR}regions:\n{regions}"


def many_partitions(folder: Path) -> str:
    """Give an eMMC with 3,000 regions: one after the other, each over half of the next."""
    del folder
    regions = "".join(
        f"  - {{name: p{number}, chip: emmc, at: {number} MiB, size: 1536 KiB,"
        " writer: release, holds: raw}\n"
        for number in range(1, 3001)
    )
    return f"{HEAD}chips: {{emmc: {{kind: emmc, size: 8 GiB}}}}\nregions:\n{regions}"


def reserved_memory(folder: Path) -> str:
    areas: Tree = {f"area@{number}": {"reg": (0x80000000, 0x1000000)} for number in range(1000)}
    cells: Tree = {"#address-cells": 1, "#size-cells": 1}
    tree: Tree = {**cells, "compatible": "example,gauge", "reserved-memory": {**cells, **areas}}
    (folder / "board.dtb").write_bytes(fdt(tree))
    script = {"bootcmd": "sf probe; sf read 0x80800000 0x200000 0x10000; bootm 0x80800000"}
    (folder / "u-boot.env").write_bytes(environment(script, 128 << 10, None))
    (folder / "recovery.itb").write_bytes(sample.fit())
    more = "".join(
        f"  - {{name: {name}, chip: nor, at: {at} MiB, size: 1 MiB, holds: {holds}, file: {file},"
        " writer: release}\n"
        for name, at, holds, file in (
            ("recovery", 2, "fit", "recovery.itb"),
            ("tree", 4, "fdt", "board.dtb"),
        )
    )
    ram = "ram: {banks: [{at: 0x80000000, size: 256 MiB}]}\n"
    return (
        HEAD
        + NOR
        + ram
        + ENV.replace("stages:", more + "stages:").replace("[env]", "[env, recovery]")
    )


def waivers(folder: Path) -> str:
    waiver = "    - {finding: headroom-low, region: r1, reason: example}\n"
    return overlapping_regions(folder) + "policy:\n  waive:\n" + waiver * 12000


def trailers(folder: Path) -> str:
    trailer = b"070701" + b"0" * 88 + b"%08X" % 11 + b"0" * 8 + b"TRAILER!!!\0\0\0\0"
    (folder / "a.bin").write_bytes(gzip.compress(trailer * 400_000))
    return HEAD + NOR + RAMDISK.replace("HOLDS", "cpio")


def gzip_members(folder: Path) -> str:
    (folder / "a.bin").write_bytes(gzip.compress(b"") * 400_000)
    return HEAD + NOR + RAMDISK.replace("HOLDS", "cpio")


def zstd_frames(folder: Path) -> str:
    (folder / "a.bin").write_bytes(bytes.fromhex("28b52ffd2000010000") * 900_000)
    return HEAD + NOR + RAMDISK.replace("HOLDS", "zstd")


def overlapping_entries(folder: Path) -> str:
    parts = [
        Partition(f"p{number}", uuid.UUID(int=5), uuid.UUID(int=number + 9), MIB, 60 * MIB)
        for number in range(128)
    ]
    gpt(131072, uuid.UUID(int=3), parts).write(folder / "emmc.img")
    with (folder / "emmc.img").open("r+b") as image:
        image.seek(MIB)
        image.write(b"tide" * (15 * MIB))
    return f"{HEAD}chips: {{emmc: {{kind: emmc, sectors: 131072, image: emmc.img}}}}\nregions: []\n"


def updates_of_many_states(folder: Path) -> str:
    data = environment({"bootcmd": "test ${v7} = 7 && reset"}, 128 << 10, None)
    (folder / "u-boot.env").write_bytes(data)
    steps = [f"{{set: {{v{number}: x}}}}, {{write: env}}" for number in range(12_000)]
    updates = "".join(
        f"  u{first}: {{by: main, steps: [{', '.join(steps[first : first + 30])}]}}\n"
        for first in range(0, len(steps), 30)
    )
    return f"{HEAD}{NOR}{ENV}updates:\n{updates}"


def images_in_configurations(folder: Path) -> str:
    images: Tree = {
        f"image-{number}": {
            "description": "x",
            "type": ("kernel", "flat_dt", "ramdisk")[number % 3],
            "arch": "arm64",
            "os": "linux",
            "compression": "none",
            "load": 0x80000000 + number * 4096,
            "entry": 0x80000000,
            "data": bytes([number & 255]) * 64,
            "hash-1": {"algo": "crc32", "value": bytes(4)},
        }
        for number in range(3000)
    }
    trees = [f"image-{3 * number + 1}" for number in range(40)]
    choice: Tree = {"kernel": "image-0", "fdt": trees, "ramdisk": "image-2"}
    choices: Tree = {f"conf-{number}": choice for number in range(300)}
    whole: Tree = {"images": images, "configurations": {"default": "conf-0", **choices}}
    (folder / "a.bin").write_bytes(fdt({"description": "x", **whole}))
    return HEAD + NOR + RAMDISK.replace("HOLDS", "fit")


def bzip2_of_19_gib(folder: Path) -> str:
    (folder / "a.bin").write_bytes(bz2.compress(bytes(64 * MIB)) * 304)
    return HEAD + NOR + RAMDISK.replace("HOLDS", "raw")


def bzip2_for_an_emmc(folder: Path) -> str:
    bzip2_of_19_gib(folder)
    return f"{HEAD}chips: {{emmc: {{kind: emmc, sectors: 15269888, image: a.bin}}}}\nregions: []\n"


def gzip_of_64_gib(folder: Path) -> str:
    piece = gzip.compress(bytes(64 * MIB))
    with (folder / "a.bin").open("wb") as file:
        for _ in range(1024):
            file.write(piece)
    return HEAD + NOR + RAMDISK.replace("HOLDS", "raw")


def many_variables(folder: Path) -> str:
    variables = {f"v{number}": "echo a" for number in range(50_000)}
    variables["bootcmd"] = ";".join(f"run v{number}" for number in range(20_000))
    (folder / "u-boot.env").write_bytes(environment(variables, 2 * MIB, None))
    return HEAD + NOR + ENV.replace("128 KiB", "2 MiB").replace("size: 1 MiB", "size: 4 MiB")


def file_systems(kind: str, file: str = "a.bin") -> str:
    """Give a layout for one file system of up to 64 MiB."""
    return (
        f"{HEAD}chips: {{nor: {{kind: spi-nor, size: 64 MiB, erase-block: 64 KiB}}}}\nregions:\n"
        f"  - {{name: root, chip: nor, at: 0, size: 64 MiB, holds: {kind}, file: {file},"
        " writer: release}\n"
    )


def fat_of_long_chains(folder: Path) -> str:
    """Give 250 files, each of which is the same 60,000 clusters."""
    path, sector, clusters = folder / "a.bin", 512, 66_000
    path.touch()
    words = ("mkfs.fat", "-F", "32", "-s", "1", "-C", str(path), str(clusters * sector >> 10))
    path.unlink()
    subprocess.run(words, check=True, capture_output=True)
    image = bytearray(path.read_bytes())
    reserved, copies = struct.unpack_from("<HB", image, 14)
    (size,) = struct.unpack_from("<I", image, 36)
    chain = [0x0FFFFFF8, 0x0FFFFFFF, *range(3, 18), 0x0FFFFFFF, *range(19, 60_019), 0x0FFFFFFF]
    table = struct.pack(f"<{len(chain)}I", *chain)
    for number in range(copies):
        at = (reserved + number * size) * sector
        image[at : at + len(table)] = table
    at = (reserved + copies * size) * sector
    for number in range(250):
        entry = struct.pack(
            "<8s3sB8xH4xHI", b"F%07d" % number, b"BIN", 0x20, 0, 18, 60_001 * sector
        )
        image[at + 32 * number : at + 32 * number + 32] = entry
    path.write_bytes(image)
    return file_systems("fat")


def _ext4(folder: Path, content: Path) -> Path:
    path = folder / "a.bin"
    words = ["mke2fs", "-q", "-t", "ext4", "-b", "1024", "-O", "^metadata_csum,^has_journal"]
    subprocess.run([*words, "-d", str(content), str(path), "32M"], check=True)
    return path


def cyclic_directories(folder: Path) -> str:
    """Give 200 directories, each with names for all of them."""
    (folder / "top").mkdir()
    for number in range(200):
        (folder / "top" / f"d{number}").mkdir()
    path = _ext4(folder, folder / "top")
    names = ((one, other) for one in range(200) for other in range(200) if one != other)
    commands = "".join(f"link /d{other} /d{one}/x{other}\n" for one, other in names)
    grow = "".join(f"expand_dir /d{number}\n" * 6 for number in range(200))
    (folder / "commands").write_text(grow + commands)
    words = ["debugfs", "-w", "-f", str(folder / "commands"), str(path)]
    subprocess.run(words, check=True, capture_output=True)
    return file_systems("ext4")


def cyclic_extents(folder: Path) -> str:
    """Give a file whose extents fan out four levels deep, all of a block to one next block."""
    (folder / "top").mkdir()
    (folder / "top" / "file").write_bytes(random.Random(1).randbytes(64 << 10))
    path = _ext4(folder, folder / "top")
    image = bytearray(path.read_bytes())
    header = struct.pack("<HHHHI", 0xF30A, 1, 4, 0, 0)
    at = image.index(header)
    (first,) = struct.unpack_from("<I", image, at + 20)

    def index(depth: int, count: int, room: int) -> bytes:
        block = first + 5 - depth
        entries = b"".join(struct.pack("<IIHH", n, block, 0, 0) for n in range(count))
        return struct.pack("<HHHHI", 0xF30A, count, room, depth, 0) + entries

    image[at : at + 60] = index(5, 4, 4)
    for depth in (4, 3, 2, 1):
        start = (first + 4 - depth) * 1024
        image[start : start + 12 + 84 * 12] = index(depth, 84, 84)
    leaf = b"".join(struct.pack("<IHHI", n, 1, 0, first + 9) for n in range(84))
    start = (first + 4) * 1024
    image[start : start + 12 + len(leaf)] = struct.pack("<HHHHI", 0xF30A, 84, 84, 0, 0) + leaf
    path.write_bytes(image)
    return file_systems("ext4")


def _metadata(data: bytes) -> bytes:
    """Give metadata blocks of a squashfs, packed."""
    blocks = (zlib.compress(data[at : at + 8192], 9) for at in range(0, len(data), 8192))
    return b"".join(struct.pack("<H", len(block)) + block for block in blocks)


def _squashfs(inodes: bytes, count: int, root: int, folders: bytes) -> bytes:
    owners = _metadata(bytes(4))
    first = 96 + len(inodes)
    at = first + len(folders)
    used = at + len(owners) + 8
    absent = (1 << 64) - 1
    head = struct.pack(
        "<4s4I6HQQ", b"hsqs", count, 1700000000, 1 << 17, 0, 1, 17, 0x240, 1, 4, 0, root, used
    )
    tables = struct.pack("<6Q", at + len(owners), absent, 96, first, absent, absent)
    return head + tables + inodes + folders + owners + struct.pack("<Q", at)


def squashfs_of_tables(folder: Path) -> str:
    """Give 9 million inodes and 288 MB of names, packed into 4 MB."""
    file = struct.pack("<HHHHIIIIII", 2, 0o644, 0, 0, 0, 1, 0, 0xFFFFFFFF, 0, 0)
    block = _metadata(file * 256)
    names = _metadata(bytes(8192))
    data = _squashfs(block * 35_000, 9_000_000, 0, names * 35_000)
    (folder / "a.bin").write_bytes(data)
    return file_systems("squashfs")


def _blocked(data: bytes) -> tuple[bytes, list[int]]:
    """Pack metadata; give where the block of each 8 KiB starts."""
    packed, starts = bytearray(), []
    for at in range(0, len(data), 8192):
        starts.append(len(packed))
        packed += _metadata(data[at : at + 8192])
    return bytes(packed), starts


def _named(names: list[tuple[bytes, int, int, int]]) -> bytes:
    """Give a list of a directory: of each its name, block, offset and number."""
    return b"".join(
        struct.pack("<IIIHhHH", 0, block, number, offset, 0, 1, len(name) - 1) + name
        for name, block, offset, number in names
    )


def squashfs_of_one_list(folder: Path) -> str:
    """Give 30,000 directories that share one list of 60,000 names, of which no file is there."""
    count = 30_000
    lost = _named([(b"%05d" % number, 0x7FFFFFFF, 0, 1) for number in range(60_000)])
    lists = _metadata(lost + bytes(-len(lost) % 8192))

    def inode(number: int, size: int, block: int) -> bytes:
        head = struct.pack("<HHHHII", 8, 0o755, 0, 0, 0, number)
        return head + struct.pack("<IIIIHHI", 2, size + 3, block, 1, 0, 0, 0xFFFFFFFF)

    table = b"".join(inode(number + 1, len(lost), 0) for number in range(count))
    _, starts = _blocked(table)
    top = _named(
        [
            (b"%05d" % number, starts[number * 40 // 8192], number * 40 % 8192, number + 1)
            for number in range(count)
        ]
    )
    packed, starts = _blocked(table + inode(count + 1, len(top), len(lists)))
    place = starts[len(table) // 8192] << 16 | len(table) % 8192
    (folder / "a.bin").write_bytes(_squashfs(packed, count + 1, place, lists + _metadata(top)))
    return file_systems("squashfs")


def three_million_zstd_frames(folder: Path) -> str:
    (folder / "a.bin").write_bytes(bytes.fromhex("28b52ffd2000010000") * 3_000_000)
    return file_systems("zstd")


def three_million_zstd_frames_in_gzip(folder: Path) -> str:
    (folder / "a.bin").write_bytes(gzip.compress(bytes.fromhex("28b52ffd2000010000") * 3_000_000))
    return file_systems("gzip")


CASES = (
    fat_of_long_chains,
    cyclic_directories,
    cyclic_extents,
    squashfs_of_tables,
    squashfs_of_one_list,
    three_million_zstd_frames,
    three_million_zstd_frames_in_gzip,
    updates_of_many_states,
    images_in_configurations,
    bzip2_of_19_gib,
    bzip2_for_an_emmc,
    gzip_of_64_gib,
    many_variables,
    overlapping_mtdparts,
    scripts_that_run_each_other,
    overlapping_regions,
    many_partitions,
    reserved_memory,
    waivers,
    trailers,
    gzip_members,
    zstd_frames,
    overlapping_entries,
)


@pytest.mark.parametrize("build", CASES, ids=lambda build: build.__name__)
def test_it_ends_soon_and_small(build: Build, tmp_path: Path) -> None:
    (tmp_path / "layout.yaml").write_text(build(tmp_path))
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    ran = subprocess.run(
        [*COMMAND, "--artifacts", "."],
        cwd=tmp_path,
        capture_output=True,
        check=False,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_CPU, (4 * SECONDS, 4 * SECONDS)),
    )
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    assert ran.returncode in {0, 1, 3}, ran.stderr.decode()[-500:]
    assert json.loads(ran.stdout)["verdict"] in {"pass", "fail", "incomplete"}
    assert after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime < SECONDS
    assert after.ru_maxrss << 10 < MEMORY or after.ru_maxrss == before.ru_maxrss


def test_many_findings_of_one_rule_are_counted_not_listed(tmp_path: Path) -> None:
    (tmp_path / "layout.yaml").write_text(overlapping_regions(tmp_path))
    ran = subprocess.run(
        COMMAND,
        cwd=tmp_path,
        capture_output=True,
        check=False,
    )
    report = json.loads(ran.stdout)
    listed = [item for item in report["findings"] if item["finding"] == "regions-overlap"]
    assert len(listed) == 100
    whys = [item["why"] for item in report["not-checked"] if item["finding"] == "regions-overlap"]
    assert any("first 100 findings" in why for why in whys)
