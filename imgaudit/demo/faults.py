"""The faults that can be planted in the Whimbrel build, each a small change to its inputs."""

from __future__ import annotations

import lzma
import re
import struct
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any
from uuid import UUID

from imgaudit.data import dataclass
from imgaudit.demo import rescue
from imgaudit.demo.board import TYPES, Board, guid, moved
from imgaudit.units import KIB, MIB
from imgaudit.writers import elf, kernel
from imgaudit.writers.fip import BL31, BL33
from imgaudit.writers.gpt import Partition
from imgaudit.writers.sparse import Content, Sparse, filler, length, patched
from imgaudit.writers.tree import Entry, file

_AS_MODULES = "MTD MTD_SPI_NOR SPI_DW_MMIO MMC MMC_BLOCK MMC_DW MMC_DW_PLTFM STMMAC_PLATFORM"
Files = dict[str, Content]
"""Contents by file name."""


def _same(value: Any) -> Any:
    return value


@dataclass(frozen=True, kw_only=True)
class Fault:
    """One planted fault.

    `finding` is what an audit must say and `region` where (None: not about one region). The four
    changes apply one after the other: to the layout's text, to the inputs, to the artifacts before
    they are put on the chips, and to all files before they are written.
    """

    name: str
    summary: str
    finding: str
    region: str | None
    layout: Callable[[str], str] = _same
    board: Callable[[Board], Board] = _same
    artifacts: Callable[[Files], Files] = _same
    files: Callable[[Files], Files] = _same

    @classmethod
    def none(cls) -> Fault:
        """Give the fault that changes nothing."""
        return cls(name="", summary="", finding="", region=None)


def _key(region: str, key: str, value: str) -> Callable[[str], str]:
    """Change one key of a region in the layout."""
    pattern = rf"(?m)(^  - name: {region}\n(?:    .*\n)*?    {key}: ).*?(?=\s*(?:#|$))"

    def change(layout: str) -> str:
        changed, count = re.subn(pattern, rf"\g<1>{value}", layout, count=1)
        if not count:
            raise ValueError(f"the layout has no {key!r} for {region!r}")
        return changed

    return change


def _said(old: str, new: str) -> Callable[[str], str]:
    """Replace a piece of the layout, once."""

    def change(layout: str) -> str:
        if old not in layout:
            raise ValueError(f"the layout has no {old!r}")
        return layout.replace(old, new, 1)

    return change


def _both(*changes: Callable[[Any], Any]) -> Callable[[Any], Any]:
    def change(value: Any) -> Any:
        for one in changes:
            value = one(value)
        return value

    return change


def _env(**variables: str | None) -> Callable[[Board], Board]:
    """Set variables of the environment; None takes one out."""

    def change(board: Board) -> Board:
        merged = {**board.environment, **variables}
        return replace(board, environment={k: v for k, v in merged.items() if v is not None})

    return change


def _in_script(name: str, old: str, new: str) -> Callable[[Board], Board]:
    """Replace a piece of a script."""

    def change(board: Board) -> Board:
        script = board.environment[name]
        if old not in script:
            raise ValueError(f"{name} has no {old!r}")
        return _env(**{name: script.replace(old, new)})(board)

    return change


def _ramdisk(entries: Mapping[str, Entry | None]) -> Callable[[Board], Board]:
    """Set entries of the ramdisk; None takes one out."""

    def change(board: Board) -> Board:
        merged = {**board.ramdisk, **entries}
        return replace(board, ramdisk={k: v for k, v in merged.items() if v is not None})

    return change


def _init_text(old: str, new: str) -> Callable[[Board], Board]:
    """Change the text of the ramdisk's /init."""

    def change(board: Board) -> Board:
        text = board.ramdisk["init"].data.decode().replace(old, new)
        return _ramdisk({"init": file(text, 0o755)})(board)

    return change


def _main(entries: Mapping[str, Entry | None] | None) -> Callable[[Board], Board]:
    """Set entries of slot A's root; None takes one out, and instead of all takes all out."""

    def change(board: Board) -> Board:
        merged: dict[str, Entry | None] = {**board.main["rootfs-a"], **(entries or {})}
        root = {k: v for k, v in merged.items() if v is not None and entries is not None}
        return replace(board, main={**board.main, "rootfs-a": root})

    return change


def _partition(entry: str, /, **values: Any) -> Callable[[Board], Board]:
    """Change one entry of the GPT, and nothing else that says the same."""

    def change(board: Board) -> Board:
        def one(partition: Partition) -> Partition:
            return replace(partition, **values) if partition.name == entry else partition

        return replace(board, partitions=tuple(map(one, board.partitions)))

    return change


def _edit(name: str, change: Callable[[bytes], bytes]) -> Callable[[Files], Files]:
    """Change the bytes of one file."""

    def edit(files: Files) -> Files:
        content = files[name]
        if isinstance(content, Sparse):
            raise TypeError(f"{name} is sparse")
        return files | {name: change(content)}

    return edit


def _cut(name: str, size: int) -> Callable[[Files], Files]:
    """Cut a file to its first `size` bytes, or, where that is negative, by as many."""

    def cut(files: Files) -> Files:
        whole = files[name]
        short = Sparse(size if size >= 0 else length(whole) + size)
        short.put(0, whole)
        return files | {name: whole[:size] if isinstance(whole, bytes) else short}

    return cut


def _put(name: str, offset: int, data: bytes) -> Callable[[Files], Files]:
    """Overwrite bytes of a sparse file; a negative offset counts from its end."""

    def put(files: Files) -> Files:
        image = Sparse(length(files[name]))
        image.put(0, files[name])
        image.put(offset if offset >= 0 else image.size + offset, data)
        return files | {name: image}

    return put


def _chain_cut(files: Files) -> Files:
    """End the kernel's chain of clusters early, in both tables of the boot partition's FAT."""
    image = files["boot.vfat"]
    if not isinstance(image, Sparse):
        raise TypeError("boot.vfat is not sparse")
    reserved, _, _, _, _, sectors = struct.unpack_from("<HBHHBH", image.pieces[0][1], 14)
    for copy in range(2):
        at = (reserved + copy * sectors) * 512 + 2 * 10
        files = _put("boot.vfat", at, b"\xff\xff")(files)
    return files


def _tree_in_fat(files: Files) -> Files:
    """Let the structure of the device tree in the boot partition end too early."""
    image = files["boot.vfat"]
    if not isinstance(image, Sparse):
        raise TypeError("boot.vfat is not sparse")
    at = next(at for at, data in image.pieces if data == files["whimbrel.dtb"])
    return _put("boot.vfat", at + 36, struct.pack(">I", 64))(files)


def _without(name: str) -> Callable[[Files], Files]:
    return lambda files: {key: content for key, content in files.items() if key != name}


def _flipped(marker: bytes, distance: int) -> Callable[[bytes], bytes]:
    """Invert the byte that stands `distance` after the first marker."""

    def flip(data: bytes) -> bytes:
        at = data.index(marker) + distance
        return patched(data, at, bytes([data[at] ^ 0xFF]))

    return flip


def _replaced(old: bytes, new: bytes) -> Callable[[bytes], bytes]:
    return lambda data: patched(data, data.index(old), new)


def _swapped(data: bytes) -> bytes:
    """Swap the bytes of every 16-bit word."""
    swapped = bytearray(data)
    swapped[::2], swapped[1::2] = data[1::2], data[::2]
    return bytes(swapped)


_ELSEWHERE = "written-elsewhere:\n"
_WITH_CONFIG = _said(_ELSEWHERE, f"{_ELSEWHERE}  uboot-config: u-boot.config\n")


def _u_boot_config(option: str, instead: str = "") -> Callable[[Files], Files]:
    """Add the configuration that U-Boot was built with, with one option off."""
    options = (
        "HUSH_PARSER CMD_BOOTI CMD_BOOTM CMD_ECHO CMD_FAT CMD_FS_GENERIC CMD_MMC CMD_SAVEENV CMD_SF"
        " BOOTCOUNT_LIMIT ENV_IS_IN_SPI_FLASH ENV_REDUNDANT FIT FS_FAT GZIP LZMA EFI_PARTITION"
    )
    lines = [
        '# Automatically generated file; DO NOT EDIT.\nCONFIG_SYS_ARCH="arm"',
        *(f"CONFIG_{name}=y" for name in options.split() if name != option),
        "CONFIG_ENV_OFFSET=0x100000\nCONFIG_ENV_OFFSET_REDUND=0x110000",
        "CONFIG_ENV_SIZE=0x4000\nCONFIG_ENV_SECT_SIZE=0x10000",
        f"# CONFIG_{option} is not set",
        instead,
    ]
    return lambda files: files | {"u-boot.config": "\n".join(lines).encode()}


def _squashfs() -> bytes:
    """Write the superblock of an empty squashfs 4.0 (Linux, fs/squashfs/squashfs_fs.h)."""
    head = struct.pack("<4sIIIIHHHHHH", b"hsqs", 1, 0, 1 << 17, 0, 1, 17, 0x10, 1, 4, 0)
    absent = (1 << 64) - 1
    places = (0, 4000, 3990, absent, 96, 2000, absent, absent)
    return (head + struct.pack("<8Q", *places)).ljust(4096, b"\0")


def _charts(board: Board) -> Board:
    """Put 12.4 MiB before the ramdisk: an archive that the kernel takes uncompressed."""
    charts = file(filler("charts", 12 * MIB + 400 * KIB))
    return replace(board, early_ramdisk={"usr/share/charts": charts})


def _without_wget(board: Board) -> Board:
    return _ramdisk({"bin/busybox": file(rescue.busybox(left_out=("wget",)), 0o755)})(board)


def _inittab(old: str, new: str) -> Entry:
    return file(_text_of("etc/inittab").replace(old, new))


def _rcs(old: str, new: str) -> Entry:
    return file(_text_of("etc/init.d/rcS").replace(old, new), 0o755)


def _text_of(path: str) -> str:
    return rescue.ramdisk()[path].data.decode()


# Built, not written out, so that no scanner takes this source for a leak.
_PRIVATE_KEY = "-----BEGIN {0}-----\n{1}\n-----END {0}-----\n".format(
    "OPENSSH PRIVATE KEY", "b3BlbnNzaC1rZXktdjEAAAAABG5vbmUAAAAEbm9uZQAAAAAAAAAB"
)
_LFS_POINTER = (
    b"version https://git-lfs.github.com/spec/v1\n"
    b"oid sha256:4bda3a28f4ffe603c0ec1258c0034d65a1a0d35ab7bd523a834608adabf03cc5\n"
    b"size 2097152\n"
)
_NOR, _EMMC = "nor.img", "emmc.img"
_RECOVERY_AT = 2 * MIB

_FAULTS = (
    # Geometry of the NOR
    Fault(
        name="region-not-erase-aligned",
        summary="the device tree starts in the middle of an erase block",
        finding="region-start-not-erase-aligned",
        region="devicetree",
        layout=_both(_key("devicetree", "at", "0x121000"), _key("devicetree", "size", "60 KiB")),
    ),
    Fault(
        name="erase-block-of-another-part",
        summary="the layout has the erase block of a part with blocks of 256 KiB",
        finding="erase-block-does-not-fit-map",
        region=None,
        layout=lambda text: text.replace("erase-block: 64 KiB ", "erase-block: 256 KiB", 1),
    ),
    Fault(
        name="region-end-not-erase-aligned",
        summary="the device tree's region ends in the middle of an erase block",
        finding="region-end-not-erase-aligned",
        region="devicetree",
        layout=_key("devicetree", "size", "60 KiB"),
    ),
    Fault(
        name="factory-data-shares-erase-block",
        summary="an update of the device tree erases the factory data with it",
        finding="erase-block-shared",
        region="devicetree",
        layout=_both(
            _key("devicetree", "size", "32 KiB"),
            _key("factory", "at", "0x128000"),
            _key("factory", "size", "32 KiB"),
        ),
    ),
    Fault(
        name="env-copies-same-erase-block",
        summary="both copies of the environment lie in one erase block",
        finding="environment-copies-share-erase-block",
        region="env-a",
        layout=_both(
            _key("env-a", "size", "32 KiB"),
            _key("env-b", "at", "0x108000"),
            _key("env-b", "size", "32 KiB"),
        ),
    ),
    Fault(
        name="regions-overlap",
        summary="the device tree's region reaches into the factory data",
        finding="regions-overlap",
        region="devicetree",
        layout=_key("devicetree", "size", "128 KiB"),
    ),
    Fault(
        name="region-past-chip-end",
        summary="the recovery region is 1 MiB longer than the rest of the chip",
        finding="region-past-chip-end",
        region="recovery",
        layout=_key("recovery", "size", "15 MiB"),
    ),
    Fault(
        name="recovery-too-big",
        summary="the ramdisk grew: the recovery no longer fits into its region",
        finding="artifact-exceeds-region",
        region="recovery",
        board=_charts,
    ),
    Fault(
        name="recovery-nearly-full",
        summary="the recovery fits, with less than 5 % of its region to spare",
        finding="headroom-low",
        region="recovery",
        layout=_key("recovery", "size", "1792 KiB"),
    ),
    # Geometry of the eMMC
    Fault(
        name="emmc-second-source-smaller",
        summary="an approved eMMC is smaller than the sample the map was made on",
        finding="region-past-chip-end",
        region="data",
        layout=lambda layout: layout.replace("sectors: 7634944 ", "sectors: [7634944, 7401472]", 1),
    ),
    Fault(
        name="partition-not-aligned",
        summary="slot A starts 4 KiB after a multiple of 4 MiB",
        finding="partition-not-aligned",
        region="rootfs-a",
        layout=_both(_key("rootfs-a", "at", "67112960"), _key("rootfs-a", "size", "1020 MiB")),
    ),
    Fault(
        name="gpt-made-for-smaller-device",
        summary="the backup GPT is not at the end of the eMMC",
        finding="gpt-backup-not-at-device-end",
        region=None,
        board=lambda board: replace(board, sectors=7630848),
    ),
    Fault(
        name="gpt-made-for-larger-device",
        summary="the GPT was made on a larger eMMC",
        finding="gpt-last-usable-past-device",
        region=None,
        board=lambda board: replace(board, sectors=7733248),
        files=_cut(_EMMC, 7634944 * 512),
    ),
    # GPT
    Fault(
        name="gpt-header-damaged",
        summary="a bit of the primary GPT header is wrong",
        finding="gpt-header-checksum",
        region=None,
        files=_put(_EMMC, 512 + 40, b"\x23"),
    ),
    Fault(
        name="gpt-entries-damaged",
        summary="the name of slot A changed in the primary table only",
        finding="gpt-array-checksum",
        region=None,
        files=_put(_EMMC, 1024 + 128 + 56, b"R"),
    ),
    Fault(
        name="gpt-backup-damaged",
        summary="the backup GPT is gone",
        finding="gpt-backup-missing",
        region=None,
        files=_put(_EMMC, -512, bytes(512)),
    ),
    Fault(
        name="gpt-moved",
        summary="the GPT has slot B 4 MiB later than the layout",
        finding="gpt-partition-moved",
        region="rootfs-b",
        board=_partition("rootfs-b", start=1092 * MIB, size=1020 * MIB),
    ),
    Fault(
        name="gpt-partitions-overlap",
        summary="slot A's last sector is slot B's first: an end taken as exclusive",
        finding="gpt-partitions-overlap",
        region="rootfs-a",
        board=_partition("rootfs-a", size=1024 * MIB + 512),
    ),
    Fault(
        name="gpt-duplicate-guid",
        summary="both slots have the same partition GUID",
        finding="gpt-duplicate-guid",
        region="rootfs-b",
        board=_partition("rootfs-b", uuid=guid("rootfs-a")),
    ),
    Fault(
        name="gpt-duplicate-name",
        summary="both slots are called rootfs-a",
        finding="gpt-duplicate-label",
        region="rootfs-b",
        board=_partition("rootfs-b", name="rootfs-a"),
    ),
    Fault(
        name="gpt-wrong-type",
        summary="slot A has the type of plain Linux data",
        finding="gpt-type-differs",
        region="rootfs-a",
        board=_partition("rootfs-a", type=UUID(TYPES["linux-data"])),
    ),
    # Filesystems
    Fault(
        name="rootfs-larger-than-partition",
        summary="slot A's file system is 64 MiB larger than its partition",
        finding="filesystem-larger-than-region",
        region="rootfs-a",
        board=lambda board: replace(
            board, filesystem_sizes={**board.filesystem_sizes, "rootfs-a": 1088 * MIB}
        ),
        artifacts=_cut("rootfs-a.ext4", 1024 * MIB),
    ),
    Fault(
        name="rootfs-truncated",
        summary="slot A's image lost its second half",
        finding="filesystem-truncated",
        region="rootfs-a",
        artifacts=_cut("rootfs-a.ext4", 32 * MIB),
    ),
    Fault(
        name="rootfs-damaged-inside",
        summary="64 bytes of noise lie over the bitmap of slot A's blocks",
        finding="filesystem-damaged",
        region="rootfs-a",
        artifacts=_put("rootfs-a.ext4", 8256, b"\x5a" * 64),
    ),
    Fault(
        name="rootfs-squashfs",
        summary="slot A holds a squashfs, the layout says ext4",
        finding="artifact-not-what-it-claims",
        region="rootfs-a",
        artifacts=lambda files: files | {"rootfs-a.ext4": _squashfs()},
    ),
    Fault(
        name="rootfs-not-clean",
        summary="slot A's file system was still mounted when the image was taken",
        finding="filesystem-not-clean",
        region="rootfs-a",
        board=lambda board: replace(board, mounted=frozenset({"rootfs-a"})),
    ),
    Fault(
        name="boot-larger-than-partition",
        summary="the boot partition's FAT claims 64 MiB of a partition of 60 MiB",
        finding="filesystem-larger-than-region",
        region="boot",
        board=lambda board: replace(
            board, filesystem_sizes={**board.filesystem_sizes, "boot": 64 * MIB}
        ),
        artifacts=_cut("boot.vfat", 60 * MIB),
    ),
    Fault(
        name="boot-chain-cut",
        summary="the kernel's chain of clusters ends early in both FATs",
        finding="filesystem-damaged",
        region="boot",
        artifacts=_chain_cut,
    ),
    Fault(
        name="boot-dtb-damaged",
        summary="the device tree in the boot partition ends too early",
        finding="artifact-damaged",
        region="boot",
        artifacts=_tree_in_fat,
    ),
    Fault(
        name="rootfs-descriptors-zeroed",
        summary="the first block of slot B's group descriptors is zeros",
        finding="filesystem-damaged",
        region="rootfs-b",
        artifacts=_put("rootfs-b.ext4", 4096, bytes(4096)),
    ),
    # Boot containers
    Fault(
        name="fit-hash-broken",
        summary="one bit of the recovery kernel flipped after it was hashed",
        finding="fit-hash-mismatch",
        region="recovery",
        artifacts=_edit("recovery.itb", _flipped(b"Linux " + kernel.RELEASE.encode(), 4096)),
    ),
    Fault(
        name="fit-truncated",
        summary="the recovery lost its last 64 KiB",
        finding="artifact-damaged",
        region="recovery",
        artifacts=_cut("recovery.itb", -64 * KIB),
    ),
    Fault(
        name="fit-default-missing",
        summary="the default configuration names a node that is not there",
        finding="fit-default-configuration-missing",
        region="recovery",
        board=lambda board: replace(board, default_configuration="conf-2"),
    ),
    Fault(
        name="fit-not-signed",
        summary="U-Boot demands a signature of each configuration, and the recovery has none",
        finding="fit-not-signed-as-required",
        region="recovery",
        board=lambda board: replace(board, u_boot_key="conf"),
    ),
    Fault(
        name="fit-ramdisk-dangling",
        summary="the configuration asks for a ramdisk that is not in the FIT",
        finding="fit-configuration-dangling",
        region="recovery",
        board=lambda board: replace(board, chosen_ramdisk="ramdisk-2"),
    ),
    Fault(
        name="fit-loads-overlap",
        summary="the device tree is loaded into the room that the kernel clears for itself",
        finding="loads-overlap",
        region="recovery",
        board=lambda board: replace(board, loads={**board.loads, "fdt": 0x80620000}),
    ),
    Fault(
        name="kernel-compression-mislabelled",
        summary="the recovery kernel is lzma, its FIT says gzip",
        finding="fit-compression-mislabelled",
        region="recovery",
        board=lambda board: replace(board, kernel_compression="gzip"),
    ),
    Fault(
        name="fip-truncated",
        summary="the FIP lost its last 4 KiB",
        finding="fip-table-damaged",
        region="firmware",
        artifacts=_cut("fip.bin", -4 * KIB),
    ),
    Fault(
        name="fip-table-damaged",
        summary="the first bytes of the FIP are wrong",
        finding="artifact-not-what-it-claims",
        region="firmware",
        artifacts=_edit("fip.bin", lambda data: patched(data, 0, b"\0\0\0\0")),
    ),
    Fault(
        name="fip-without-u-boot",
        summary="the FIP has no U-Boot in it",
        finding="fip-without-required-image",
        region="firmware",
        board=lambda board: replace(board, firmware_without=BL33),
    ),
    Fault(
        name="fip-entries-exchanged",
        summary="the secure monitor and U-Boot stand under each other's names",
        finding="boot-program-in-wrong-place",
        region="firmware",
        board=lambda board: replace(board, firmware_order=(BL33, BL31)),
    ),
    Fault(
        name="u-boot-of-another-board",
        summary="the U-Boot was built for another board",
        finding="u-boot-for-another-board",
        region="firmware",
        board=lambda board: replace(
            board, u_boot_compatible=("whimbrel,rain-gauge", "whimbrel,older-soc")
        ),
    ),
    Fault(
        name="dtb-damaged",
        summary="the device tree's structure ends too early",
        finding="artifact-damaged",
        region="devicetree",
        artifacts=_edit("whimbrel.dtb", lambda data: patched(data, 36, struct.pack(">I", 64))),
    ),
    # RAM
    Fault(
        name="kernel-overlaps-device-tree",
        summary="bootcmd loads the device tree into the room that the kernel clears for itself",
        finding="loads-overlap",
        region="boot",
        board=_env(fdt_addr_r="0x80620000"),
    ),
    Fault(
        name="load-over-secure-monitor",
        summary="the recovery is read over the memory of the secure monitor",
        finding="load-over-reserved-memory",
        region="recovery",
        board=_env(loadaddr="0x9f200000"),
    ),
    # Environment and scripts
    Fault(
        name="environment-checksum",
        summary="a byte of the environment changed after its checksum was made",
        finding="environment-checksum",
        region="env-a",
        artifacts=_edit("uboot.env", _replaced(b"bootdelay=2", b"bootdelay=3")),
    ),
    Fault(
        name="environment-wrong-size",
        summary="the environment was made for 8 KiB, U-Boot is built for 16 KiB",
        finding="environment-size-differs",
        region="env-a",
        board=lambda board: replace(board, environment_size=8 * KIB),
    ),
    Fault(
        name="environment-not-redundant",
        summary="the environment has no flag byte, U-Boot expects one",
        finding="environment-redundancy-differs",
        region="env-a",
        board=lambda board: replace(board, environment_flags=(None, None)),
    ),
    Fault(
        name="environment-same-flags",
        summary="both copies of the environment claim to be the active one",
        finding="environment-copies-same-flag",
        region="env-b",
        board=lambda board: replace(board, environment_flags=(1, 1)),
    ),
    Fault(
        name="script-reads-too-little",
        summary="`run recovery` reads 1 MiB of a longer FIT",
        finding="script-reads-too-little",
        region="recovery",
        board=_env(recovery_size="0x100000"),
    ),
    Fault(
        name="script-variable-undefined",
        summary="`run recovery` uses a variable that nothing sets",
        finding="variable-undefined",
        region="env-a",
        board=_env(loadaddr=None),
    ),
    Fault(
        name="script-sets-reset-pin",
        summary="the recovery sets the eMMC's RST_n_FUNCTION, which can be set once only",
        finding="one-time-setting-in-script",
        region="env-a",
        board=_in_script("recovery", "sf probe", "mmc rst-function 0 1; sf probe"),
    ),
    Fault(
        name="script-saves-at-each-start",
        summary="bootcmd saves the environment at each start",
        finding="environment-saved-at-each-start",
        region="env-a",
        board=_in_script("bootcmd", "run main", "saveenv; run main"),
    ),
    Fault(
        name="script-written-under-windows",
        summary="the recovery's script has carriage returns",
        finding="script-has-carriage-returns",
        region="env-a",
        board=_in_script("recovery", "sf probe", "setenv loaded yes\r\nsf probe"),
    ),
    Fault(
        name="kernel-forces-its-own-arguments",
        summary="the kernel was built with CONFIG_CMDLINE_FORCE, and another console",
        finding="kernel-ignores-its-arguments",
        region="recovery",
        board=lambda board: replace(
            board,
            kernel_config={
                **board.kernel_config,
                "CMDLINE_FORCE": "y",
                "CMDLINE": '"console=ttyS0,9600"',
            },
        ),
    ),
    Fault(
        name="root-said-twice",
        summary="the main system's command line has root= twice",
        finding="argument-repeated",
        region="env-a",
        board=_in_script("main_args", "rootfstype=", "root=/dev/mmcblk0p2 rootfstype="),
    ),
    Fault(
        name="script-missing",
        summary="`run recovery` runs a script that is not there",
        finding="script-missing",
        region="env-a",
        board=_env(recovery_args=None),
    ),
    Fault(
        name="recovery-not-reached",
        summary="nothing runs the recovery when the main system does not start",
        finding="recovery-not-reached",
        region="env-a",
        board=_env(bootcmd="run main", altbootcmd="run main"),
    ),
    Fault(
        name="boot-limit-without-script",
        summary="after three failed starts U-Boot waits at its prompt for ever",
        finding="boot-limit-without-altbootcmd",
        region="env-a",
        board=_env(altbootcmd=None),
    ),
    # Stages that cannot start
    Fault(
        name="recovery-echoes",
        summary="the script recovery only says that there is none",
        finding="stage-does-not-start",
        region="env-a",
        board=_env(recovery="echo no"),
    ),
    Fault(
        name="recovery-starts-nothing",
        summary="the recovery script ends with true where bootm should stand",
        finding="stage-does-not-start",
        region="env-a",
        board=_in_script("recovery", "bootm ${loadaddr}#conf-1", "true"),
    ),
    Fault(
        name="recovery-gives-up-first",
        summary="the recovery script begins with false &&",
        finding="stage-does-not-start",
        region="env-a",
        board=_in_script("recovery", "sf probe", "false && sf probe"),
    ),
    Fault(
        name="recovery-with-bootz",
        summary="the recovery script starts its FIT with bootz",
        finding="stage-does-not-start",
        region="env-a",
        board=_in_script("recovery", "bootm", "bootz"),
    ),
    Fault(
        name="recovery-started-elsewhere",
        summary="the recovery script starts what is at an address that nothing fills",
        finding="stage-does-not-start",
        region="env-a",
        board=_in_script("recovery", "bootm ${loadaddr}", "bootm 0x94000000"),
    ),
    Fault(
        name="kernel-name-misspelt",
        summary="main loads Imagee, which the boot partition does not have",
        finding="stage-does-not-start",
        region="env-a",
        board=_in_script("main_kernel", "Image", "Imagee"),
    ),
    Fault(
        name="sysboot-without-file",
        summary="main uses an extlinux.conf that the boot partition does not have",
        finding="stage-does-not-start",
        region="env-a",
        board=_env(main="sysboot mmc ${mmcdev}:${bootpart} any 0x8a000000 /extlinux/extlinux.conf"),
    ),
    Fault(
        name="kernel-by-ext4load",
        summary="main loads its kernel with ext4load, from a FAT",
        finding="stage-does-not-start",
        region="env-a",
        board=_in_script("main_kernel", "load mmc", "ext4load mmc"),
    ),
    Fault(
        name="boot-partition-nine",
        summary="main loads from partition 9, which the eMMC does not have",
        finding="stage-does-not-start",
        region="env-a",
        board=_env(bootpart="9"),
    ),
    Fault(
        name="ramdisk-never-loaded",
        summary="main gives its kernel a ramdisk address that nothing fills",
        finding="stage-does-not-start",
        region="env-a",
        board=_in_script("main", " - ", " ${ramdisk_addr_r} "),
    ),
    Fault(
        name="bootcmd-does-nothing",
        summary="bootcmd is true and nothing else",
        finding="stage-does-not-start",
        region="env-a",
        board=_env(bootcmd="true"),
    ),
    Fault(
        name="bootcmd-never-run",
        summary="bootdelay is -1, as on the developer's desk: U-Boot runs no bootcmd by itself",
        finding="autoboot-switched-off",
        region="env-a",
        board=_env(bootdelay="-1"),
    ),
    # Drift
    Fault(
        name="dtb-drift",
        summary="the device tree has the recovery 64 KiB later than the layout",
        finding="map-offset-differs",
        region="recovery",
        board=lambda board: replace(
            board,
            device_tree_regions=moved(board.device_tree_regions, "recovery", 0x210000),
        ),
    ),
    Fault(
        name="dtb-partitions-overlap",
        summary="the device tree has the factory data from the middle of its own partition on",
        finding="map-offset-differs",
        region="factory",
        board=lambda board: replace(
            board,
            device_tree_regions=moved(board.device_tree_regions, "factory", 0x128000),
        ),
    ),
    Fault(
        name="u-boot-without-flash-command",
        summary="U-Boot was built without sf, with which the recovery is read",
        finding="command-not-built-in",
        region="env-a",
        layout=_WITH_CONFIG,
        artifacts=_u_boot_config("CMD_SF"),
    ),
    Fault(
        name="u-boot-without-lzma",
        summary="U-Boot was built without the compression of the recovery's kernel",
        finding="boot-image-needs-option",
        region="recovery",
        layout=_WITH_CONFIG,
        artifacts=_u_boot_config("LZMA"),
    ),
    Fault(
        name="u-boot-keeps-no-environment",
        summary="U-Boot was built with CONFIG_ENV_IS_NOWHERE: it never looks into the NOR",
        finding="environment-kept-elsewhere",
        region="env-a",
        layout=_WITH_CONFIG,
        artifacts=_u_boot_config("ENV_IS_IN_SPI_FLASH", "CONFIG_ENV_IS_NOWHERE=y"),
    ),
    Fault(
        name="mtdparts-drift",
        summary="mtdparts has the recovery 64 KiB shorter than the layout",
        finding="map-size-differs",
        region="recovery",
        board=lambda board: _env(
            mtdparts=board.environment["mtdparts"].replace("13312k", "13248k")
        )(board),
    ),
    Fault(
        name="fw-env-config-drift",
        summary="fw_setenv in the ramdisk writes to other bytes than U-Boot reads",
        finding="environment-location-differs",
        region="env-b",
        board=_ramdisk(
            {
                "etc/fw_env.config": file(
                    "/dev/mtd1 0x0 0x4000 0x10000\n/dev/mtd1 0x8000 0x4000 0x10000\n"
                )
            }
        ),
    ),
    Fault(
        name="root-dangling",
        summary="bootcmd names a root partition that the eMMC does not have",
        finding="root-dangling",
        region="env-a",
        board=_env(slot="c"),
    ),
    # Ramdisk
    Fault(
        name="tool-missing",
        summary="the recovery ramdisk has no sfdisk",
        finding="tool-missing",
        region="recovery",
        board=_ramdisk({"sbin/sfdisk": None}),
    ),
    Fault(
        name="tool-library-missing",
        summary="a library that e2fsck's own library needs is not there",
        finding="library-missing",
        region="recovery",
        board=_ramdisk({"lib/libcom_err.so.2": None}),
    ),
    Fault(
        name="tool-wrong-machine",
        summary="mmc was built for the build host",
        finding="program-wrong-machine",
        region="recovery",
        board=_ramdisk({"usr/bin/mmc": file(elf.program(machine=elf.X86_64), 0o755)}),
    ),
    Fault(
        name="applet-missing",
        summary="wget is a link to a busybox that was built without it",
        finding="applet-missing",
        region="recovery",
        board=_without_wget,
    ),
    Fault(
        name="init-not-executable",
        summary="/init of the ramdisk is not executable",
        finding="init-not-executable",
        region="recovery",
        board=lambda board: _ramdisk({"init": file(board.ramdisk["init"].data, 0o644)})(board),
    ),
    Fault(
        name="ramdisk-xz-crc64",
        summary="the ramdisk's xz has a CRC-64, which the kernel does not unpack",
        finding="ramdisk-xz-check",
        region="recovery",
        board=lambda board: replace(board, ramdisk_check=lzma.CHECK_CRC64),
    ),
    Fault(
        name="ramdisk-compression-not-in-kernel",
        summary="the recovery kernel was built without xz",
        finding="ramdisk-compression-not-in-kernel",
        region="recovery",
        board=lambda board: replace(
            board, kernel_config={k: v for k, v in board.kernel_config.items() if k != "RD_XZ"}
        ),
    ),
    # Drivers
    Fault(
        name="drivers-are-modules",
        summary="flash, eMMC and network are =m in the kernel, and no module is packed",
        finding="driver-missing",
        region="recovery",
        board=lambda board: replace(
            board,
            kernel_config={
                name: "m" if name in _AS_MODULES.split() else value
                for name, value in board.kernel_config.items()
            },
        ),
    ),
    Fault(
        name="spi-controller-disabled",
        summary="the SPI controller of the flash is disabled in the device tree",
        finding="device-disabled",
        region="recovery",
        board=lambda board: replace(board, disabled=frozenset({"spi@2010000"})),
    ),
    Fault(
        name="console-of-another-driver",
        summary="console= names the serial port as the driver of another board calls it",
        finding="console-not-of-its-port",
        region="recovery",
        board=_env(console="ttyAMA0,115200n8"),
    ),
    # The main system
    Fault(
        name="main-fw-env-config-drift",
        summary="fw_setenv of the main system writes to other bytes than U-Boot reads",
        finding="environment-location-differs",
        region="env-b",
        board=_main(
            {
                "etc/fw_env.config": file(
                    "/dev/mtd1 0x0 0x4000 0x10000\n/dev/mtd1 0x8000 0x4000 0x10000\n"
                )
            }
        ),
    ),
    Fault(
        name="main-module-of-another-build",
        summary="a module in the folder of the main kernel was built for an older one",
        finding="main-modules-for-another-kernel",
        region="rootfs-a",
        board=_main(
            {
                f"lib/modules/{kernel.RELEASE}/tide.ko": file(
                    elf.module(name="tide", vermagic="6.12.29-whimbrel SMP")
                ),
                f"lib/modules/{kernel.RELEASE}/modules.dep": file("tide.ko:\n"),
            }
        ),
    ),
    Fault(
        name="main-root-empty",
        summary="the image of slot A was made from an empty folder",
        finding="main-root-empty",
        region="rootfs-a",
        board=_main(None),
    ),
    Fault(
        name="main-init-lost",
        summary="slot A has a shell and no init: the kernel comes to its last choice, /bin/sh",
        finding="stage-does-not-start",
        region="env-a",
        board=_main({"sbin/init": None}),
    ),
    Fault(
        name="main-init-wrong-machine",
        summary="init and sh of slot A were built for the build host",
        finding="main-init-cannot-run",
        region="rootfs-a",
        board=_main(
            {name: file(elf.program(machine=elf.X86_64), 0o755) for name in ("sbin/init", "bin/sh")}
        ),
    ),
    Fault(
        name="main-modules-of-another-kernel",
        summary="slot A has the modules of the kernel before",
        finding="main-modules-for-another-kernel",
        region="rootfs-a",
        board=_main(
            {
                f"lib/modules/{kernel.RELEASE}/modules.builtin": None,
                "lib/modules/6.6.10-whimbrel/modules.builtin": file(""),
            }
        ),
    ),
    Fault(
        name="main-root-type-not-in-kernel",
        summary="both kernels were built without ext4",
        finding="root-file-system-not-in-kernel",
        region="rootfs-a",
        board=lambda board: replace(
            board, kernel_config={k: v for k, v in board.kernel_config.items() if k != "EXT4_FS"}
        ),
    ),
    Fault(
        name="main-root-without-proc",
        summary="the empty folders of slot A were lost in version control",
        finding="main-root-without-mount-points",
        region="rootfs-a",
        board=_main(dict.fromkeys(("dev", "proc", "sys", "run"))),
    ),
    Fault(
        name="fstab-partition-missing",
        summary="fstab of slot A mounts a partition that the disk does not have",
        finding="fstab-device-missing",
        region="rootfs-a",
        board=_main({"etc/fstab": file("PARTLABEL=records /data ext4 defaults 0 2\n")}),
    ),
    Fault(
        name="fstab-type-wrong",
        summary="fstab of slot A mounts the data partition as another file system",
        finding="fstab-type-differs",
        region="rootfs-a",
        board=_main({"etc/fstab": file("PARTLABEL=data /data f2fs defaults 0 2\n")}),
    ),
    Fault(
        name="fstab-mount-point-lost",
        summary="the folder /data of slot A is not there to mount on",
        finding="fstab-mount-point-missing",
        region="rootfs-a",
        board=_main({"data": None}),
    ),
    # The recovery's own start
    Fault(
        name="init-execs-nothing",
        summary="/init ends with exec of a program that the ramdisk does not have",
        finding="start-program-missing",
        region="recovery",
        board=_init_text("exec /sbin/init", "exec /sbin/rescue-init"),
    ),
    Fault(
        name="init-ends",
        summary="/init starts the init without exec, and ends when it has nothing more to do",
        finding="start-ends",
        region="recovery",
        board=_init_text("exec /sbin/init", "/sbin/syslogd"),
    ),
    Fault(
        name="recovery-waits-for-emmc",
        summary="/init waits for the eMMC, which may be what is broken",
        finding="start-waits-for-another-chip",
        region="recovery",
        board=_init_text(
            "exec /sbin/init",
            "until [ -b /dev/mmcblk0 ]; do sleep 1; done\nexec /sbin/init",
        ),
    ),
    Fault(
        name="recovery-mounts-emmc-until-it-works",
        summary="/init tries to mount a partition of the eMMC until that works",
        finding="start-waits-for-another-chip",
        region="recovery",
        board=_init_text(
            "exec /sbin/init",
            "until mount PARTLABEL=data /mnt; do sleep 1; done\nexec /sbin/init",
        ),
    ),
    Fault(
        name="recovery-asks-on-another-port",
        summary="the recovery's getty is on a port that console= does not name",
        finding="prompt-on-another-console",
        region="recovery",
        board=_ramdisk({"etc/inittab": _inittab("ttyS0", "ttyS1")}),
    ),
    Fault(
        name="recovery-root-without-shell",
        summary="root of the recovery has /bin/bash for its shell, which is not there",
        finding="root-shell-missing",
        region="recovery",
        board=_ramdisk({"etc/passwd": file("root:x:0:0:root:/root:/bin/bash\n")}),
    ),
    Fault(
        name="recovery-takes-no-password",
        summary="root has no password, and dropbear is told to take that",
        finding="root-password-open",
        region="recovery",
        board=_ramdisk(
            {
                "etc/shadow": file("root::20640:0:99999:7:::\n", 0o600),
                "etc/init.d/rcS": _rcs("dropbear -R", "dropbear -R -B"),
            }
        ),
    ),
    Fault(
        name="recovery-makes-devices-too-early",
        summary="/init runs mdev before it mounts /sys",
        finding="start-mounts-late",
        region="recovery",
        board=_init_text("mount -t proc", "mdev -s\nmount -t proc"),
    ),
    Fault(
        name="recovery-without-dev",
        summary="/init does not mount devtmpfs",
        finding="start-mounts-missing",
        region="recovery",
        board=_init_text("mount -t devtmpfs devtmpfs /dev\n", ""),
    ),
    Fault(
        name="ramdisk-without-proc",
        summary="the empty folder /proc of the ramdisk was lost in version control",
        finding="start-mount-point-missing",
        region="recovery",
        board=_ramdisk({"proc": None}),
    ),
    Fault(
        name="init-loads-missing-module",
        summary="/init loads a module that is not packed",
        finding="start-module-missing",
        region="recovery",
        board=_both(
            _ramdisk({"sbin/modprobe": file(elf.program(), 0o755)}),
            _init_text("exec /sbin/init", "modprobe dw-mmc\nexec /sbin/init"),
        ),
    ),
    Fault(
        name="private-key-in-ramdisk",
        summary="the ramdisk carries an SSH host key that all units would share",
        finding="host-keys-baked-in",
        region="recovery",
        board=_ramdisk({"etc/ssh/ssh_host_ed25519_key": file(_PRIVATE_KEY, 0o600)}),
    ),
    # Artifacts as files
    Fault(
        name="artifact-missing",
        summary="the build left no FIP",
        finding="artifact-missing",
        region="firmware",
        files=_without("fip.bin"),
    ),
    Fault(
        name="artifact-empty",
        summary="the recovery is a file of 0 bytes",
        finding="artifact-empty",
        region="recovery",
        artifacts=_cut("recovery.itb", 0),
    ),
    Fault(
        name="artifact-blank",
        summary="the recovery is as long as it should be, and all 0xFF",
        finding="artifact-blank",
        region="recovery",
        artifacts=_edit("recovery.itb", lambda data: b"\xff" * len(data)),
    ),
    Fault(
        name="artifact-is-pointer",
        summary="the device tree is a Git LFS pointer, not the file it points to",
        finding="artifact-is-a-placeholder",
        region="devicetree",
        artifacts=lambda files: files | {"whimbrel.dtb": _LFS_POINTER},
    ),
    Fault(
        name="slots-identical",
        summary="slot B's image is a copy of slot A's",
        finding="filesystem-uuid-repeated",
        region="rootfs-b",
        artifacts=lambda files: files | {"rootfs-b.ext4": files["rootfs-a.ext4"]},
    ),
    Fault(
        name="data-is-rootfs",
        summary="the image of the data partition is a copy of slot A's",
        finding="artifacts-identical",
        region="data",
        artifacts=lambda files: files | {"data.ext4": files["rootfs-a.ext4"]},
    ),
    # The assembled chip
    Fault(
        name="nor-image-differs",
        summary="two bytes of the recovery are wrong in the NOR image",
        finding="chip-image-differs",
        region="recovery",
        files=_edit(_NOR, lambda data: patched(data, _RECOVERY_AT + 0x12345, b"\xa5\x5a")),
    ),
    Fault(
        name="nor-image-shifted",
        summary="the recovery is one erase block late in the NOR image",
        finding="chip-image-content-shifted",
        region="recovery",
        files=_edit(
            _NOR,
            lambda data: data[:_RECOVERY_AT] + b"\xff" * 64 * KIB + data[_RECOVERY_AT : -64 * KIB],
        ),
    ),
    Fault(
        name="nor-image-byte-swapped",
        summary="every two bytes of the NOR image are swapped",
        finding="chip-image-bytes-swapped",
        region=None,
        files=_edit(_NOR, _swapped),
    ),
    Fault(
        name="nor-image-short",
        summary="the NOR image lacks its last 2 MiB",
        finding="chip-image-size",
        region=None,
        files=_cut(_NOR, 14 * MIB),
    ),
    Fault(
        name="nor-image-hole",
        summary="one erase block of the recovery is erased in the NOR image",
        finding="chip-image-erased-hole",
        region="recovery",
        files=_edit(_NOR, lambda data: patched(data, 0x220000, b"\xff" * 64 * KIB)),
    ),
    Fault(
        name="nor-image-unowned-data",
        summary="the NOR image has data where no region is",
        finding="chip-image-gap-not-erased",
        region=None,
        files=_edit(_NOR, lambda data: patched(data, 0x180000, b"left over from the bring-up")),
    ),
    # Updates
    Fault(
        name="update-of-whole-nor",
        summary="one update writes firmware, environment and recovery in one step",
        finding="update-leaves-nothing-bootable",
        region="firmware",
        layout=_said("steps: [{write: recovery}]", "steps: [{write: nor}]"),
    ),
    Fault(
        name="slot-switched-before-it-is-whole",
        summary="the update sets the slot before it writes it",
        finding="update-order",
        region="rootfs-b",
        layout=_both(
            _said("- {set: {slot: b}} ", "- {write: rootfs-b} "),
            _said("- {write: rootfs-b} ", "- {set: {slot: b}} "),
        ),
    ),
    Fault(
        name="slot-written-into-a-cache",
        summary="the update sets the slot while what it wrote is still in a cache",
        finding="update-order",
        region="rootfs-b",
        layout=_said("- {write: rootfs-b} ", "- {write: rootfs-b, flush: later} "),
    ),
    Fault(
        name="environment-single",
        summary="the environment has one copy only",
        finding="switch-not-atomic",
        region=None,
        layout=_both(
            _key("env-a", "env", "{size: 16 KiB}"),
            lambda layout: re.sub(r"(?m)^  - name: env-b\n(    .*\n)*", "", layout),
            lambda layout: layout.replace("env-a, env-b", "env-a"),
        ),
        board=lambda board: replace(board, environment_flags=(None, None)),
    ),
    Fault(
        name="kernel-written-in-place",
        summary="the kernel, which has no checksum, is written while bootcmd starts it",
        finding="torn-image-would-start",
        region="boot",
        layout=_both(
            _said("      - {set: {bootcmd: run recovery}}\n", ""),
            _said("      - {set: {bootcmd: run main || run recovery}}\n", ""),
        ),
    ),
    Fault(
        name="update-beside-factory-data",
        summary="an update writes into the erase block of the factory data",
        finding="update-cannot-be-repeated",
        region="devicetree",
        layout=_both(
            _key("devicetree", "size", "32 KiB"),
            _key("factory", "at", "0x128000"),
            _key("factory", "size", "32 KiB"),
            _said("steps: [{write: recovery}]", "steps: [{write: devicetree}]"),
        ),
    ),
    Fault(
        name="update-under-itself",
        summary="the main system writes the root that it is mounted from",
        finding="update-overwrites-what-it-runs-from",
        region="rootfs-a",
        layout=_said("- {write: rootfs-b} ", "- {write: rootfs-a} "),
    ),
    # Safety
    Fault(
        name="recovery-needs-emmc",
        summary="the recovery counts on the boot partition of the eMMC",
        finding="recovery-lists-other-chip",
        region="boot",
        layout=lambda layout: layout.replace("env-b, recovery]  ", "env-b, recovery, boot]", 1),
    ),
    Fault(
        name="recovery-depends-on-emmc",
        summary="`run recovery` takes its device tree from the eMMC",
        finding="recovery-boot-needs-other-chip",
        region="recovery",
        board=lambda board: _env(
            recovery=f"run main_fdt && {board.environment['recovery']}",
            main_fdt="load mmc ${mmcdev}:${bootpart} ${fdt_addr_r} ${fdtfile}",
        )(board),
    ),
)

FAULTS: Mapping[str, Fault] = {fault.name: fault for fault in _FAULTS}
"""Every fault by its name."""
