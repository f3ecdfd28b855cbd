"""Sound inputs to start from, made by the writers that demo and rules use."""

from __future__ import annotations

import bz2
import gzip
import lzma
import struct
import tempfile
import uuid
import zlib
from pathlib import Path

from imgaudit.rules import samples
from imgaudit.units import MIB
from imgaudit.writers.env import environment
from imgaudit.writers.fat import fat16
from imgaudit.writers.gpt import Partition, gpt
from tests.fuzz.targets import LAYOUT

_SCRIPT = "sf probe; sf read 0x82000000 0x200000 0x800000; if true; then bootm 0x82000000; fi"
_PARTS = "spi0.0:1m(env),1m(spare),8m(recovery)ro,2m@12m(tree)"


def _stored(sparse: object) -> bytes:
    with tempfile.NamedTemporaryFile() as file:
        sparse.write(Path(file.name))  # type: ignore[attr-defined]
        return Path(file.name).read_bytes()


def seeds() -> dict[str, bytes]:
    """Give every seed by its name."""
    variables = {"bootcmd": _SCRIPT, "mtdparts": f"mtdparts={_PARTS}", "bootargs": "root=/dev/ram0"}
    part = Partition("boot", uuid.UUID(int=5), uuid.UUID(int=9), MIB // 2, MIB // 4)
    ubi = struct.pack(">4sB3xQIII", b"UBI#", 1, 0, 64, 128, 1).ljust(60, b"\0")
    ubi += struct.pack(">I", zlib.crc32(ubi) ^ 0xFFFFFFFF)
    text = b"tide " * 4000
    return {
        "layout": LAYOUT,
        "fit": samples.fit(),
        "tree": samples.board_tree(),
        "uimage": samples.uimage(),
        "kernel": samples.arm64_kernel(),
        "riscv": samples.riscv_kernel(KERNEL),
        "zimage": samples.zimage(),
        "env": environment(variables, 16 << 10, None),
        "env-redundant": environment(variables, 16 << 10, 1),
        "gpt": _stored(gpt(2 * MIB // 512, uuid.UUID(int=3), [part])),
        "fat": _stored(fat16(9 * MIB, {"Image": samples.arm64_kernel(), "a.dtb": text}, "B", 7)),
        "ubi": ubi.ljust(4096, b"\xff"),
        "gzip": gzip.compress(text),
        "bzip2": bz2.compress(text),
        "xz": lzma.compress(text),
        "lzma": lzma.compress(text, lzma.FORMAT_ALONE),
        "script": _SCRIPT.encode(),
        "parts": _PARTS.encode(),
        "line": b"console=ttyS0,115200 root=PARTUUID=00000000-01 ubi.mtd=3 mtdparts="
        + _PARTS.encode(),
        "fw-env": b"/dev/mtd1 0x0 0x4000 0x10000\n/dev/mtd2 0x0 0x4000 0x10000\n",
        "config": b'CONFIG_BOOTCOMMAND="run a"\nCONFIG_ENV_SIZE=0x4000\n',
    }


KERNEL = 64 << 10
