"""Write the Whimbrel build: artifacts, both chips' images and the layout; always the same bytes."""

from __future__ import annotations

import functools
import lzma
from pathlib import Path

from imgaudit.demo.board import EPOCH, Board, device_tree, guid, whimbrel
from imgaudit.demo.faults import FAULTS, Fault, Files
from imgaudit.units import MIB
from imgaudit.writers import kernel, signature
from imgaudit.writers.cpio import cpio
from imgaudit.writers.env import environment, text
from imgaudit.writers.ext4 import CLEAN, NOT_CLEAN, ext4
from imgaudit.writers.fat import fat16
from imgaudit.writers.fdt import fdt
from imgaudit.writers.fip import BL2, HW_CONFIG, fip
from imgaudit.writers.fit import Payload, fit
from imgaudit.writers.gpt import gpt
from imgaudit.writers.sparse import Sparse, filler
from imgaudit.writers.tree import Root

__all__ = ["FAULTS", "LAYOUT", "Fault", "build"]

LAYOUT = Path(__file__).with_name("whimbrel.yaml")
"""The layout of the sound build."""

_NOR_SIZE = 16 * MIB
_U_BOOT = b"U-Boot 2026.07 (Jul 06 2026 - 12:00:00 +0000) whimbrel\0"
_NOTICE = b"NOTICE:  BL31: %s\n\0"
_TRUSTED = b"v2.15.0(release):whimbrel\0Built : 12:00:00, Jul  6 2026\0"
_BRANCH_TO_SELF = bytes.fromhex("00000014")
# The content hardly compresses: a small dictionary and no search keep the build fast.
_FILTER = {"dict_size": 1 << 20, "mode": lzma.MODE_FAST, "mf": lzma.MF_HC3, "nice_len": 16}
_XZ = [{"id": lzma.FILTER_LZMA2, **_FILTER}]
_LZMA = [{"id": lzma.FILTER_LZMA1, **_FILTER}]


def build(directory: Path, fault: str | None = None) -> Path:
    """Write the build into a directory, made if need be, and give the path of its layout.

    Raises:
        KeyError: no fault of this name.
        OSError: the directory cannot be written.

    """
    planted = FAULTS[fault] if fault else Fault.none()
    layout = planted.layout(LAYOUT.read_text(encoding="utf-8"))
    board = planted.board(whimbrel(layout))
    artifacts = planted.artifacts(_artifacts(board))
    chips: Files = {"nor.img": _nor(board, artifacts), "emmc.img": _emmc(board, artifacts)}
    directory.mkdir(parents=True, exist_ok=True)
    for name, content in planted.files(artifacts | chips).items():
        if isinstance(content, Sparse):
            content.write(directory / name)
        else:
            (directory / name).write_bytes(content)
    path = directory / LAYOUT.name
    path.write_text(layout, encoding="utf-8")
    return path


def _artifacts(board: Board) -> Files:
    dtb = fdt(device_tree(board.device_tree_regions, board.disabled))
    image = kernel.image(board.kernel_config)
    first, second = board.environment_flags
    size = board.environment_size
    files = {"Image": image, "whimbrel.dtb": dtb}
    return {
        "whimbrel.dtb": dtb,
        "fip.bin": _firmware(board, dtb),
        "uboot.env": environment(board.environment, size, first),
        "uboot-redundant.env": environment(board.environment, size, second),
        "recovery.itb": _recovery(board, image, dtb),
        "boot.vfat": fat16(board.filesystem_sizes["boot"], files, "BOOT", 0x20260706),
        **{f"{name}.ext4": _filesystem(board, name, root) for name, root in board.main.items()},
        "data.ext4": _filesystem(board, "data", {}),
    }


def _firmware(board: Board, dtb: bytes) -> bytes:
    u_boot = _BRANCH_TO_SELF + filler("u-boot", 400 << 10) + _U_BOOT + text(board.environment)
    tree = device_tree(board.device_tree_regions)
    if board.u_boot_compatible:
        tree["compatible"] = list(board.u_boot_compatible)
    if board.u_boot_key is not None:
        tree["signature"] = {"key-whimbrel": signature.key(board.u_boot_key)}
    monitor, loader = board.firmware_order
    entries = {
        BL2: _BRANCH_TO_SELF + filler("first stage", 48 << 10) + _TRUSTED,
        monitor: _BRANCH_TO_SELF + filler("secure monitor", 64 << 10) + _NOTICE + _TRUSTED,
        # U-Boot's control device tree follows its code, as in any u-boot.bin.
        loader: u_boot + bytes(-len(u_boot) % 8) + fdt(tree),
        HW_CONFIG: dtb,
    }
    return fip({uuid: data for uuid, data in entries.items() if uuid != board.firmware_without})


def _recovery(board: Board, image: bytes, dtb: bytes) -> bytes:
    # The kernel takes archives one after the other, each compressed or not.
    early = cpio(board.early_ramdisk, EPOCH) if board.early_ramdisk else b""
    ramdisk = early + _xz(cpio(board.ramdisk, EPOCH), board.ramdisk_check)
    loads = board.loads
    payloads = {
        "kernel-1": Payload(
            description=f"Linux {kernel.RELEASE}",
            type="kernel",
            os="linux",
            data=_lzma(image),
            compression=board.kernel_compression,
            load=loads["kernel"],
            entry=loads["kernel"],
        ),
        "fdt-1": Payload(
            description="Whimbrel device tree", type="flat_dt", data=dtb, load=loads["fdt"]
        ),
        "ramdisk-1": Payload(
            description="Whimbrel rescue ramdisk",
            type="ramdisk",
            os="linux",
            data=ramdisk,
            load=loads["ramdisk"],
        ),
    }
    configuration = {
        "description": "Whimbrel recovery",
        "compatible": "whimbrel,logger-r1",
        "kernel": "kernel-1",
        "fdt": "fdt-1",
        "ramdisk": board.chosen_ramdisk,
    }
    return fit(
        "Whimbrel recovery 1.0.0",
        EPOCH,
        payloads,
        board.default_configuration,
        {"conf-1": configuration},
    )


# Compressing takes most of a build, and the builds of most faults compress the same.
@functools.lru_cache(maxsize=4)
def _lzma(data: bytes) -> bytes:
    return lzma.compress(data, lzma.FORMAT_ALONE, filters=_LZMA)


@functools.lru_cache(maxsize=4)
def _xz(data: bytes, check: int) -> bytes:
    return lzma.compress(data, lzma.FORMAT_XZ, check, filters=_XZ)


def _filesystem(board: Board, name: str, root: Root) -> Sparse:
    return ext4(
        board.filesystem_sizes[name],
        root,
        label=name,
        uuid=guid(f"{name}-fs"),
        epoch=EPOCH,
        state=NOT_CLEAN if name in board.mounted else CLEAN,
    )


def _nor(board: Board, artifacts: Files) -> bytes:
    """Put the artifacts where a programmer would, each cut to its region; the rest is erased."""
    image = bytearray(b"\xff") * _NOR_SIZE
    for region in board.regions.values():
        content = artifacts.get(region.file or "", b"")
        if region.chip == "nor" and isinstance(content, bytes):
            data = content[: min(region.size, _NOR_SIZE - region.at)]
            image[region.at : region.at + len(data)] = data
    return bytes(image)


def _emmc(board: Board, artifacts: Files) -> Sparse:
    image = gpt(board.sectors, guid("emmc"), board.partitions)
    for region in board.regions.values():
        if region.chip == "emmc" and region.file in artifacts:
            image.put(region.at, artifacts[region.file], region.size)
    return image
