"""Sound inputs to start from: by the writers, the rules' examples, and the general tools."""

from __future__ import annotations

import bz2
import functools
import gzip
import hashlib
import lzma
import random
import subprocess
import tempfile
import uuid
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

from imgaudit.formats import identify
from imgaudit.formats.view import View
from imgaudit.rules import checks, samples
from imgaudit.rules.engine import Example
from imgaudit.units import KIB, MIB
from imgaudit.writers.env import environment
from imgaudit.writers.gpt import Partition, gpt
from imgaudit.writers.sparse import Sparse
from tests.formats import (
    test_erofs_walk,
    test_ext_walk,
    test_f2fs_walk,
    test_first_stage,
    test_jffs2_tree,
    test_squashfs_walk,
    test_ubi,
    test_ubifs_walk,
    test_volumes,
)
from tests.fuzz.targets import LAYOUT

_SCRIPT = "sf probe; sf read 0x82000000 0x200000 0x800000; if true; then bootm 0x82000000; fi"
_PARTS = "spi0.0:1m(env),1m(spare),8m(recovery)ro,2m@12m(tree)"
_TEXT = b"tide " * 4000
_MOST_OF_ONE = 8  # seeds of one format
_SMALL = 2 * MIB

TEXTS = {
    "script": _SCRIPT.encode(),
    "loop": b"for i in a b ${list}; do if test -n $i || false; then run x$i; else reset; fi; done",
    "parts": _PARTS.encode(),
    "line": b"console=ttyS0,115200 root=PARTUUID=00000000-01 ubi.mtd=3 mtdparts=" + _PARTS.encode(),
    "fw-env": b"/dev/mtd1 0x0 0x4000 0x10000\n/dev/mtd2 0x0 0x4000 0x10000\n",
    "config": b'CONFIG_BOOTCOMMAND="run a"\nCONFIG_ENV_SIZE=0x4000\n',
    "genimage": b'image a.img { hdimage { align = 1M } partition boot { offset = 4M image = "b"'
    b" partition-type = 0xC } }\nflash nor { pebsize = 64K }\n",
    "kickstart": b"part /boot --source bootimg-partition --align 4096 --size 60 --label boot\n"
    b"bootloader --ptable gpt\n",
    "dfu": b"Image ext4 0 2;u-boot raw 0x80 0x800 mmcpart 1;root part 0 3;kernel raw 0x0 0x400",
    "gpt-write": b"uuid_disk=${a};name=boot,start=4MiB,size=60MiB,type=system;name=root,size=-",
    "extlinux": b"default main\nlabel main\n kernel /Image\n fdtdir /dtbs\n append root=/dev/x\n",
    "shell": b"#!/bin/sh\ncase $1 in a) flash_erase /dev/mtd0 0 0;; *) dd if=$2 of=/dev/x bs=1M;;"
    b' esac\nwhile read a; do [ -f "$a" ] && fw_setenv slot $(cat $a | tr a b); done <<E\nx\nE\n',
}


@functools.cache
def examples() -> dict[str, Example]:
    """Give the small builds of the rules' examples, by rule and "good" or "bad"."""
    found, known = {}, set()
    for name, check in checks().items():
        for word, example in (("good", check.rule.good), ("bad", check.rule.bad)):
            data = {file: make() for file, make in example.files.items()}
            key = (example.layout, *(hashlib.sha256(data[file]).digest() for file in sorted(data)))
            if key not in known and sum(map(len, data.values())) <= _SMALL:
                known.add(key)
                found[f"{name} {word}"] = example
    return found


def _own() -> Iterator[bytes]:
    variables = {"bootcmd": _SCRIPT, "mtdparts": f"mtdparts={_PARTS}", "bootargs": "root=/dev/ram0"}
    part = Partition("boot", uuid.UUID(int=5), uuid.UUID(int=9), MIB // 2, MIB // 4)
    yield from (samples.fit(), samples.board_tree(), samples.uimage(), samples.zimage())
    yield from (samples.arm64_kernel(), samples.riscv_kernel(64 * KIB))
    yield environment(variables, 16 * KIB, None)
    yield environment(variables, 16 * KIB, 1)
    disk = gpt(2 * MIB // 512, uuid.UUID(int=3), [part])
    yield disk.whole() if isinstance(disk, Sparse) else disk
    yield from (gzip.compress(_TEXT), bz2.compress(_TEXT), lzma.compress(_TEXT))
    yield lzma.compress(_TEXT, lzma.FORMAT_ALONE)
    yield test_ubi.image()
    yield test_volumes.program()
    yield test_volumes.volume()


def _by_tools() -> Iterator[bytes]:
    words: tuple[str | Path, ...]
    for words in (
        ("zstd", "-19"),
        ("lz4", "-9"),
        ("lz4", "-l"),
        ("lzop", "-9"),
        ("xz", "-C", "crc64"),
    ):
        yield subprocess.run([*words, "-c"], input=_TEXT, capture_output=True, check=True).stdout
    yield from (test_squashfs_walk.whimbrel(), test_squashfs_walk.whimbrel("-comp gzip"))
    yield from (test_erofs_walk.whimbrel(), test_erofs_walk.whimbrel("-zlz4hc -Efragments,dedupe"))
    yield from (test_ext_walk.whimbrel(), test_ext_walk.whimbrel("-O", "bigalloc"))
    yield from (test_jffs2_tree.whimbrel(), test_ubifs_walk.whimbrel(), test_f2fs_walk.whimbrel())
    with tempfile.TemporaryDirectory() as place:
        for name in test_first_stage.MADE:
            yield test_first_stage.made(Path(place), name)
        Path(place, "data").write_bytes(random.Random(3).randbytes(64 * KIB))
        words = ("veritysetup", "format", Path(place, "data"), Path(place, "tree"))
        subprocess.run(words, capture_output=True, check=True)
        yield Path(place, "tree").read_bytes()
        words = ("cpio", "-o", "-H", "crc", "-D", place)
        yield subprocess.run(words, input=b"data\ntree\n", capture_output=True, check=True).stdout
        for size, words, kept, text in _IMAGES:
            path = Path(place, "image")
            with path.open("wb") as file:
                file.truncate(size)
            subprocess.run(
                [word.replace("IMAGE", str(path)) for word in words],
                input=text.encode(),
                capture_output=True,
                check=True,
            )
            with path.open("rb") as file:
                yield file.read(kept)


_LUKS = ("cryptsetup", "luksFormat", "-q", "--type")
_IMAGES: tuple[tuple[int, tuple[str, ...], int, str], ...] = (
    (2 * MIB, ("mkfs.fat", "-F", "12", "IMAGE"), MIB, ""),
    (9 * MIB, ("mkfs.fat", "-F", "16", "-s", "1", "IMAGE"), 9 * MIB, ""),
    (40 * MIB, ("mkfs.fat", "-F", "32", "-s", "1", "IMAGE"), MIB, ""),
    (MIB, ("mkswap", "IMAGE"), 64 * KIB, ""),
    (128 * MIB, ("mkfs.btrfs", "-q", "IMAGE"), 256 * KIB, ""),
    (
        20 * MIB,
        (*_LUKS, "luks2", "--pbkdf", "pbkdf2", "--pbkdf-force-iterations", "1000", "IMAGE", "-"),
        64 * KIB,
        "tide",
    ),
    (
        4 * MIB,
        (*_LUKS, "luks1", "--pbkdf-force-iterations", "1000", "IMAGE", "-"),
        64 * KIB,
        "tide",
    ),
    (8 * MIB, ("sfdisk", "-q", "IMAGE"), MIB, "label: dos\n,1M,c\n,2M,83\n,,5\n,1M\n,1M\n"),
    (8 * MIB, ("sfdisk", "-q", "IMAGE"), 8 * MIB, "label: gpt\n,1M\n,2M\n"),
)


@functools.cache
def seeds(*, tools: bool = True) -> dict[str, list[bytes]]:
    """Give the seeds by the name of the reader that takes them; "" for those that none does."""
    found: dict[str, list[bytes]] = {}
    known: set[bytes] = set()
    counts: Counter[str] = Counter()

    def take(data: bytes, *, always: bool) -> None:
        readers = [reader.name for _, reader in identify(View.of(data))] or [""]
        key = hashlib.sha256(data).digest()
        if key in known or not (always or counts[readers[0]] < _MOST_OF_ONE):
            return
        known.add(key)
        counts[readers[0]] += 1
        for name in readers:
            found.setdefault(name, []).append(data)

    for data in (*_own(), *(_by_tools() if tools else ())):
        take(data, always=True)
    for example in examples().values():
        for make in example.files.values():
            take(make(), always=False)
    found[""] += [LAYOUT, *TEXTS.values(), *(it.layout.encode() for it in examples().values())][:60]
    return found
