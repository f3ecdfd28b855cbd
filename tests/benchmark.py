"""Measure an audit against the least that its work costs: `python -m tests.benchmark [RUNS]`.

The build is made once, of files from this machine, in the folder for temporary files. Every figure
is the best of the runs: what else the machine does can only add to it.

An aim says which time it means: seconds by the clock, or of both processors together. The floor is
work that no audit can do without. In processor time its share of the pipeline's is what an audit's
can at best come to, so there the aim for the pipeline is one for the clock alone.
"""

from __future__ import annotations

import hashlib
import lzma
import os
import resource
import shutil
import struct
import subprocess
import sys
import tempfile
import time
import venv
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from uuid import UUID

from tabulate import tabulate

from imgaudit.demo.board import EPOCH, TYPES, device_tree, guid
from imgaudit.formats.view import FileSource
from imgaudit.units import KIB, MIB, round_up
from imgaudit.writers.cpio import cpio
from imgaudit.writers.elf import program
from imgaudit.writers.env import environment
from imgaudit.writers.fdt import fdt
from imgaudit.writers.fip import BL2, BL33, fip
from imgaudit.writers.fit import Payload, fit
from imgaudit.writers.gpt import Partition, gpt
from imgaudit.writers.tree import file

ROOT = Path(__file__).resolve().parents[1]
CACHE = Path(tempfile.gettempdir()) / "imgaudit-benchmark"
PROGRAMS, LIBRARIES, SHARED = "/usr/bin", "/usr/lib", "/usr/share"
LOADS = {"kernel": 0x80200000, "fdt": 0x88000000, "ramdisk": 0x88100000}
# The whole build is four quarters; one quarter is what growth is measured from. Of the eMMC's
# partitions, per quarter: name, type, size, and how much of it holds files, in MiB.
WHOLE = 4
PARTITIONS = (
    ("boot", "xbootldr", 15, 10),
    ("rootfs", "linux-root-arm64", 288, 105),
    ("data", "linux-data", 64, 25),
)
EMMC, NOR, KERNEL, RAMDISK = 384 * MIB, 8 * MIB, 15 * MIB // 2, 13 * MIB // 2
FOUND = 1  # exit status of an audit that was carried out and found something
# What a shell script does with the same files; it checks less and compares nothing.
SHELL = """\
sha256sum fip.bin board.dtb recovery.itb nor.img boot.img rootfs.img data.img emmc.img
dumpimage -l recovery.itb
sgdisk -v emmc.img
fiptool info fip.bin
dumpimage -T flat_dt -p 2 -o "$1" recovery.itb
xz -dc "$1" | cpio -t --quiet
"""


# Samples the main thread and counts the package whose function runs, or that modules are loaded.
SAMPLER = """\
import collections, os, sys, threading, time
found, main = collections.Counter(), threading.main_thread().ident

def place(frame):
    names = []
    while frame is not None:
        if frame.f_code.co_filename.startswith("<frozen importlib"):
            return "imports"
        names.append(frame.f_globals.get("__name__", ""))
        frame = frame.f_back
    return next((name.split(".")[1] for name in names if name.startswith("imgaudit.")), "start")

def sample():
    while True:
        time.sleep(0.002)
        found[place(sys._current_frames()[main])] += 1

threading.Thread(target=sample, daemon=True).start()
from imgaudit.cli import main as command
if "audit" in sys.argv:
    from imgaudit import confined
    confined.can_confine = lambda: False  # else a child works, and this process waits
try:
    command(sys.argv[1:])
except SystemExit:
    pass
total = found.total() or 1
shares = (f"{name} {100 * count // total} %" for name, count in found.most_common(4))
print(", ".join(shares), file=sys.stderr)
"""


def files_below(folder: str, budget: int) -> Iterator[Path]:
    """Give files of a folder, by name, up to `budget` bytes together."""
    for path in sorted(Path(folder).rglob("*")):
        if path.is_file() and not path.is_symlink() and os.access(path, os.R_OK):
            size = path.stat().st_size
            if size <= min(budget, 16 * MIB):
                budget -= round_up(size, 8 * KIB)  # a cluster is not shared
                yield path


def kernel(size: int) -> bytes:
    """Write an arm64 `Image` whose code is that of libraries."""
    head = struct.pack("<IIQQQQQQ4sI", 0x14000010, 0, 0, size, 0xA, 0, 0, 0, b"ARM\x64", 0)
    code = b"".join(path.read_bytes() for path in files_below(LIBRARIES, size))
    return (head + code).ljust(size, b"\0")[:size]


def recovery(dtb: bytes, quarters: int) -> bytes:
    """Write a FIT with an lzma kernel and an xz ramdisk of programs."""
    programs = files_below(PROGRAMS, RAMDISK * quarters)
    root = {f"usr/bin/{path.name}": file(path.read_bytes(), 0o755) for path in programs}
    image = Payload(
        description="kernel",
        type="kernel",
        os="linux",
        data=lzma.compress(kernel(KERNEL * quarters), lzma.FORMAT_ALONE),
        compression="lzma",
        load=LOADS["kernel"],
        entry=LOADS["kernel"],
    )
    ramdisk = Payload(
        description="ramdisk",
        type="ramdisk",
        os="linux",
        data=lzma.compress(cpio(root, EPOCH), check=lzma.CHECK_CRC32),
        load=LOADS["ramdisk"],
    )
    tree = Payload(description="tree", type="flat_dt", data=dtb, load=LOADS["fdt"])
    choice = {"description": "recovery", "kernel": "kernel", "fdt": "fdt", "ramdisk": "ramdisk"}
    payloads = {"kernel": image, "fdt": tree, "ramdisk": ramdisk}
    return fit("recovery", EPOCH, payloads, "conf", {"conf": choice})


def file_system(path: Path, size: int, data: int, fat: bool) -> None:
    """Make a file system with files of this machine."""
    with path.open("wb") as image:
        image.truncate(size)
    with tempfile.TemporaryDirectory(dir=path.parent) as staging:
        for number, source in enumerate(files_below(SHARED, data)):
            place = Path(staging) / f"{number // 100}" / f"{number}"
            place.parent.mkdir(exist_ok=True)
            shutil.copyfile(source, place)
        if fat:
            subprocess.run(["mkfs.vfat", str(path)], check=True, capture_output=True)
            folders = map(str, sorted(Path(staging).iterdir()))
            subprocess.run(["mcopy", "-s", "-i", str(path), *folders, "::"], check=True)
        else:
            subprocess.run(["mke2fs", "-q", "-t", "ext4", "-d", staging, str(path)], check=True)


def build(folder: Path, quarters: int) -> None:
    """Write artifacts, both chips' images and the layout."""
    dtb = fdt(device_tree(()))
    artifacts = {
        "fip.bin": fip({BL2: kernel(64 * KIB), BL33: kernel(400 * KIB)}),
        "board.dtb": dtb,
        "recovery.itb": recovery(dtb, quarters),
    }
    room = (NOR * quarters) - 2 * MIB
    regions = [
        f"name: firmware, chip: nor, at: 0, size: {MIB // 2}, holds: fip, file: fip.bin",
        f"name: tree, chip: nor, at: {MIB // 2}, size: {MIB // 2}, holds: fdt, file: board.dtb",
        f"name: recovery, chip: nor, at: {MIB}, size: {room}, holds: fit, file: recovery.itb",
    ]
    nor = bytearray(b"\xff") * (NOR * quarters)
    for start, data in zip((0, MIB // 2, MIB), artifacts.values(), strict=True):
        nor[start : start + len(data)] = data
    for name, data in (artifacts | {"nor.img": bytes(nor)}).items():
        (folder / name).write_bytes(data)
    entries, at = [], 4 * MIB
    for name, kind, size, filled in PARTITIONS:
        room = size * quarters * MIB
        holds = "fat" if name == "boot" else "ext4"
        file_system(folder / f"{name}.img", room, filled * quarters * MIB, holds == "fat")
        entries.append(Partition(name, UUID(TYPES[kind]), guid(name), at, room))
        regions.append(
            f"name: {name}, chip: emmc, partition: {len(entries)}, type: {kind}, at: {at},"
            f" size: {room}, holds: {holds}, file: {name}.img"
        )
        at = round_up(at + room, 4 * MIB)
    sectors = EMMC * quarters // 512
    gpt(sectors, guid("emmc"), entries).write(folder / "emmc.img")
    for entry in entries:
        copy_into(folder / f"{entry.name}.img", folder / "emmc.img", entry.start)
    (folder / "layout.yaml").write_text(
        f"layout: 1\nboard: benchmark\narch: arm64\nchips:\n"
        f"  nor: {{kind: spi-nor, size: {NOR * quarters}, erase-block: 64 KiB, page: 256,"
        " address-bytes: 4, image: nor.img}\n"
        f"  emmc: {{kind: emmc, sectors: {sectors}, align: 4 MiB, boot-area: 4 MiB,"
        " image: emmc.img}\nregions:\n"
        + "".join(f"  - {{{region}, writer: release}}\n" for region in regions),
        encoding="utf-8",
    )


_FIELD = """\
layout: 1
board: field
arch: arm64
chips:
  nor: {kind: spi-nor, size: 32 MiB, erase-block: 64 KiB, address-bytes: 4}
regions:
  - {name: env, chip: nor, at: 0, size: 64 KiB, holds: uboot-env, writer: runtime, file: env,
     env: {size: 16 KiB, copy: copy}}
  - {name: copy, chip: nor, at: 64 KiB, size: 64 KiB, holds: uboot-env, writer: runtime,
     file: copy, env: {size: 16 KiB, copy: env}}
  - {name: one, chip: nor, at: 1 MiB, size: 15 MiB, holds: fit, writer: release, file: one}
  - {name: two, chip: nor, at: 16 MiB, size: 16 MiB, holds: fit, writer: release, file: two}
stages:
  one: {regions: [env, copy, one], entry: one, ramdisk: one}
  two: {regions: [env, copy, two], entry: two, ramdisk: two}
updates:
  other: {by: one, steps: [{write: two}, {set: {pick: two}}, reboot]}
  both: {by: one, steps: [{write: two}, {set: {pick: two}}, reboot, {write: one}]}
  flashed: {by: two, steps: [{write: one, erases: first}, {set: {pick: one}}]}
  all: {by: one, steps: [{write: nor}]}
"""


def field_build(folder: Path) -> None:
    """Write a 32 MiB NOR of 512 erase blocks with two systems and four updates."""
    read = "sf probe && sf read 0x90000000 {:#x} 0xe00000 && bootm 0x90000000"
    variables = {
        "bootcmd": "run ${pick} || run one || run two",
        "pick": "one",
        "one": read.format(MIB),
        "two": read.format(16 * MIB),
    }
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "layout.yaml").write_text(_FIELD)
    for name, flag in (("env", 1), ("copy", 0)):
        (folder / name).write_bytes(environment(variables, 16 * KIB, flag))
    root = {"init": file(program(), 0o755)}
    code = Payload(
        description="kernel",
        type="kernel",
        os="linux",
        data=kernel(13 * MIB),
        load=LOADS["kernel"],
        entry=LOADS["kernel"],
    )
    parts = {
        "kernel": code,
        "fdt": Payload(description="tree", type="flat_dt", data=fdt(device_tree(()))),
        "ramdisk": Payload(description="ramdisk", type="ramdisk", os="linux", data=cpio(root, 0)),
    }
    choice = {name: name for name in parts}
    system = fit("system", EPOCH, parts, "conf", {"conf": choice})
    for name in ("one", "two"):
        (folder / name).write_bytes(system)


def copy_into(source: Path, target: Path, offset: int) -> None:
    """Copy a file into another one, holes as holes."""
    with source.open("rb") as there, target.open("r+b") as here:
        whole = FileSource(there.fileno(), source.stat().st_size)
        for span in whole.data():
            for at in range(span.start, span.end, MIB):
                os.pwrite(here.fileno(), whole.read_at(at, min(MIB, span.end - at)), offset + at)


def made(quarters: int) -> Path:
    """Give the folder of a build; it is made in a process of its own, for its memory."""
    folder = CACHE / f"{quarters}-quarters"
    if not (folder / "layout.yaml").exists():
        folder.mkdir(parents=True, exist_ok=True)
        code = "import sys, pathlib, tests.benchmark as benchmark;"
        code += "benchmark.build(pathlib.Path(sys.argv[1]), int(sys.argv[2]))"
        words = [sys.executable, "-c", code, str(folder), str(quarters)]
        subprocess.run(words, cwd=ROOT, check=True)
    return folder


@dataclass(frozen=True)
class Cost:
    """Seconds by the clock, seconds of both processors together, most bytes in memory."""

    wall: float
    work: float
    peak: int = 0

    def least(self, other: Cost) -> Cost:
        """Give the better of both, each figure on its own."""
        return Cost(
            min(self.wall, other.wall), min(self.work, other.work), min(self.peak, other.peak)
        )


def best(runs: int, *measures: Callable[[], Cost]) -> tuple[Cost, ...]:
    """Measure all in turn, several times: they are compared, and the machine's speed changes."""
    costs = tuple(once() for once in measures)
    for _ in range(runs - 1):
        costs = tuple(cost.least(once()) for cost, once in zip(costs, measures, strict=True))
    return costs


def of_command(command: Sequence[str | Path], folder: Path) -> Cost:
    """Run a command without its output."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    start = time.perf_counter()
    with subprocess.Popen(
        [str(word) for word in command],
        cwd=folder,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    ) as process:
        _, status, used = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode > FOUND:
        raise SystemExit(f"{command}: exit status {process.returncode}")
    wall = time.perf_counter() - start
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    work = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return Cost(wall, work, used.ru_maxrss * KIB)


def where(python: Path, folder: Path, *words: str) -> str:
    """Say what the main thread of a command is busy with: the four packages that take most."""
    done = subprocess.run(
        [python, "-c", SAMPLER, *words], cwd=folder, capture_output=True, text=True, check=True
    )
    return done.stderr.splitlines()[-1]


def floor(folder: Path) -> Cost:
    """Hash what is stored and unpack what is compressed, with two threads and nothing else."""
    start, before = time.perf_counter(), time.process_time()
    with ThreadPoolExecutor(2) as pool:
        jobs = [pool.submit(_unpack, folder / "recovery.itb", magic) for magic in _MAGICS]
        for path in sorted(folder.iterdir()):
            if path.suffix != ".yaml":
                jobs += [pool.submit(_hash, path, at) for at in _spans(path)]
        for job in jobs:
            job.result()
    return Cost(time.perf_counter() - start, time.process_time() - before)


_MAGICS = (b"\x5d\0\0\x80\0", b"\xfd7zXZ\0")


def _unpack(path: Path, magic: bytes) -> None:
    data = path.read_bytes()
    decoder = lzma.LZMADecompressor()
    stored = data[data.index(magic) :]
    while not decoder.eof:
        decoder.decompress(stored, MIB)
        stored = b""


def _spans(path: Path) -> Iterator[tuple[int, int]]:
    with path.open("rb") as stored:
        for span in FileSource(stored.fileno(), path.stat().st_size).data():
            for at in range(span.start, span.end, 16 * MIB):
                yield at, min(at + 16 * MIB, span.end)


def _hash(path: Path, span: tuple[int, int]) -> None:
    digest = hashlib.sha256()
    with path.open("rb", buffering=0) as stored:
        at, end = span
        while at < end:
            data = os.pread(stored.fileno(), min(MIB, end - at), at)
            digest.update(data)
            at += len(data)


def installed() -> Path:
    """Build a wheel, install it into a fresh environment, compile it; give the command."""
    place = CACHE / "environment"
    shutil.rmtree(place, ignore_errors=True)
    venv.create(place, with_pip=True)
    pip = [str(place / "bin" / "python"), "-m", "pip", "--quiet", "--disable-pip-version-check"]
    subprocess.run([*pip, "wheel", "--no-deps", "-w", str(place), str(ROOT)], check=True)
    wheel = next(place.glob("*.whl"))
    subprocess.run([*pip, "install", "--compile", str(wheel)], check=True)
    return place / "bin" / "imgaudit"


def main(runs: int = 5) -> None:
    """Measure and print one table."""
    os.environ["PATH"] += os.pathsep + "/usr/sbin:/sbin"
    # What is measured is the package as it is installed, not a checkout that is compiled each time.
    os.environ.pop("PYTHONPATH", None)
    command = installed()
    whole, quarter = made(WHOLE), made(1)
    python = command.parent / "python"

    field, demo = CACHE / "field", CACHE / "demo"
    field_build(field)
    subprocess.run([command, "demo", demo], stdout=subprocess.DEVNULL, check=True)

    def running(folder: Path, *words: str | Path) -> Callable[[], Cost]:
        return partial(of_command, words, folder)

    words = (command, "audit", "layout.yaml", "--artifacts", ".")
    with tempfile.NamedTemporaryFile() as ramdisk:
        full, part, least, shell = best(
            runs,
            running(whole, *words),
            running(quarter, *words),
            partial(floor, whole),
            running(whole, "sh", "-c", SHELL, "sh", ramdisk.name),
        )
    table, blocks = best(
        runs,
        running(demo, command, "endure", "whimbrel.yaml", "--artifacts", "."),
        running(field, command, "endure", "layout.yaml", "--artifacts", "."),
    )
    bare, helps, paper = best(
        4 * runs,
        running(whole, python, "-c", "pass"),
        running(whole, command, "--help"),
        running(whole, command, "audit", "layout.yaml"),
    )
    rows = [
        (
            "audit of the whole build",
            _s(full.wall),
            _s(full.work),
            "",
            where(python, whole, "audit", "layout.yaml", "--artifacts", "."),
        ),
        ("  its floor", _s(least.wall), _s(least.work), ""),
        ("  audit / floor", *_ratio(full, least), "1.6 of processor"),
        ("  its peak memory", f"{full.peak / MIB:.0f} MiB", "", "200 MiB"),
        ("shell pipeline", _s(shell.wall), _s(shell.work), ""),
        ("  floor / pipeline", *_ratio(least, shell), ""),
        ("  audit / pipeline", *_ratio(full, shell), "0.07 of clock"),
        ("audit of a quarter", _s(part.wall), _s(part.work), ""),
        ("  whole / quarter", *_ratio(full, part), "4.4 of processor"),
        ("the demo's losses and updates", _s(table.wall), _s(table.work), "5 s of processor"),
        ("32 MiB NOR, four updates", _s(blocks.wall), _s(blocks.work), "10 s of processor"),
        ("bare interpreter", _ms(bare.wall), _ms(bare.work), ""),
        (
            "--help",
            _ms(helps.wall),
            _ms(helps.work),
            "50 ms of processor",
            where(python, whole, "--help"),
        ),
        (
            "audit on paper",
            _ms(paper.wall),
            _ms(paper.work),
            "100 ms of processor",
            where(python, whole, "audit", "layout.yaml"),
        ),
    ]
    print(tabulate(rows, headers=("", "clock", "processor", "aim at most", "where")))


def _ratio(cost: Cost, other: Cost) -> tuple[str, str]:
    return f"{cost.wall / other.wall:.2f}", f"{cost.work / other.work:.2f}"


def _s(seconds: float) -> str:
    return f"{seconds:.2f} s"


def _ms(seconds: float) -> str:
    return f"{seconds * 1000:.0f} ms"


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
