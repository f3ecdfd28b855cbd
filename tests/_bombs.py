"""Small artifacts that claim, or unpack to, far more than a machine has."""

from __future__ import annotations

import bz2
import gzip
import lzma
import struct
import zlib
from collections.abc import Callable

from imgaudit.units import GIB, KIB, MIB
from imgaudit.writers.fdt import Tree, fdt
from imgaudit.writers.fit import Payload, fit

_PIECE = bytes(64 * MIB)
_TIMES = 8 * GIB // len(_PIECE)


def _nested(compression: str, data: bytes) -> bytes:
    payload = Payload(description="bomb", type="ramdisk", data=data, compression=compression)
    return fit("bomb", 0, {"ramdisk-1": payload}, "conf-1", {"conf-1": {"ramdisk": "ramdisk-1"}})


def _zstd() -> bytes:
    """Write one frame of blocks that each say "0x00, 128 KiB of it" (RFC 8878, 3.1.1.2.2)."""
    block = 128 * KIB
    header = (block << 3 | 1 << 1).to_bytes(3, "little") + b"\0"
    last = (1 << 1 | 1).to_bytes(3, "little") + b"\0"
    return bytes.fromhex("28b52ffd 00 38") + header * (8 * GIB // block) + last


def _lz4() -> bytes:
    """Write one frame of blocks of 4 MiB: a zero, one match of all the rest, five literals."""
    match = 4 * MIB - 1 - 5
    longer, rest = divmod(match - 4 - 15, 255)
    block = b"\x1f\0\x01\0" + b"\xff" * longer + bytes([rest]) + b"\x50" + bytes(5)
    # The descriptor's check byte is of its own bytes (xxHash-32), as the lz4 tool writes it.
    frame = bytes.fromhex("04224d18 6070 73")
    return frame + (struct.pack("<I", len(block)) + block) * (8 * GIB // (4 * MIB)) + bytes(4)


def _many_images() -> bytes:
    """Write 1,000 images whose data is the same 10 MiB, which unpack to 10 GiB."""
    member = gzip.compress(_PIECE)
    bomb = member * (10 * MIB // len(member))
    images: Tree = {}
    for number in range(1000):
        images[f"image-{number}"] = {
            "description": "bomb",
            "type": "ramdisk",
            "arch": "arm64",
            "compression": "gzip",
            "data-offset": 0,
            "data-size": len(bomb),
            "hash-1": {"algo": "sha256", "value": bytes(32)},
            "hash-2": {"algo": "crc32", "value": bytes(4)},
        }
    tree = fdt({"images": images, "configurations": {}})
    return tree + bytes(-len(tree) % 4) + bomb


def _many_ramdisks() -> bytes:
    """Write 300 images of 150 MiB each: one of them could be kept."""
    data = gzip.compress(b"070701" + bytes(150 * MIB))
    payload = Payload(description="", type="ramdisk", data=data, compression="gzip")
    return fit("bomb", 0, {f"image-{number}": payload for number in range(300)}, "", {})


def _gpt() -> bytes:
    """Write a header that claims 2^32 - 1 entries of 2^31 bytes; its own sum is right."""
    signature = struct.pack("<8sII", b"EFI PART", 0x10000, 92)
    rest = struct.pack("<IQQQQ16sQII", 0, 1, 2**63, 34, 2**62, bytes(16), 2, 2**32 - 1, 2**31)
    rest += bytes(4)
    crc = zlib.crc32(signature + bytes(4) + rest)
    return (bytes(512) + signature + struct.pack("<I", crc) + rest).ljust(64 * KIB, b"\0")


def _sparse(chunk: int, value: int) -> bytes:
    """Write one Android sparse chunk that stands for 2^60 bytes."""
    block, count = 1 << 30, 1 << 30
    head = struct.pack("<IHHHHIIII", 0xED26FF3A, 1, 0, 28, 12, block, count, 1, 0)
    fill = struct.pack("<I", value) if chunk == 0xCAC2 else b""
    return head + struct.pack("<HHII", chunk, 0, count, 12 + len(fill)) + fill


def _cpio() -> bytes:
    """Write a header whose name and content have 4 GiB each."""
    fields = (1, 0o100644, 0, 0, 1, 0, 0xFFFFFFFF, 0, 0, 0, 0, 0xFFFFFFFF, 0)
    return b"070701" + b"".join(b"%08x" % number for number in fields) + bytes(64 * KIB)


def _deep() -> bytes:
    data = b"tide" * KIB
    for _ in range(2000):
        data = gzip.compress(data, 1)
    return data


def _deep_tree() -> bytes:
    """Write a device tree of 100,000 nodes, each in the one before."""
    depth = 10**5
    body = bytes.fromhex("00000001 61000000") * depth + bytes.fromhex("00000002") * depth
    body += bytes.fromhex("00000009")
    total = 40 + 16 + len(body)
    head = (0xD00DFEED, total, 56, total, 40, 17, 16, 0, 0, len(body))
    return struct.pack(">10I", *head) + bytes(16) + body


BOMBS: dict[str, Callable[[], bytes]] = {
    "gzip": lambda: _nested("gzip", gzip.compress(_PIECE) * _TIMES),
    "bzip2": lambda: _nested("bzip2", bz2.compress(_PIECE) * _TIMES),
    "xz": lambda: _nested("xz", lzma.compress(_PIECE, preset=0) * _TIMES),
    "zstd": lambda: _nested("zstd", _zstd()),
    "lz4": lambda: _nested("lz4", _lz4()),
    "disk": lambda: _nested("gzip", gzip.compress(_gpt() + _PIECE) + gzip.compress(_PIECE) * 127),
    "many-images": _many_images,
    "many-ramdisks": _many_ramdisks,
    "gpt-counts": _gpt,
    "sparse-filled": lambda: _sparse(0xCAC2, 0x5A5A5A5A),
    "sparse-zero": lambda: _sparse(0xCAC2, 0),
    "sparse-hole": lambda: _sparse(0xCAC3, 0),
    "cpio-name": _cpio,
    "deep-compression": _deep,
    "deep-tree": _deep_tree,
}
