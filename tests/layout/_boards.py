"""The builds of the example layouts, made with the general tools: one function each."""

from __future__ import annotations

import gzip
import shutil
import struct
import subprocess
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path

import imgaudit
from imgaudit.demo import rescue
from imgaudit.layout.load import load
from imgaudit.units import KIB, MIB
from imgaudit.writers import kernel
from imgaudit.writers.cpio import cpio
from imgaudit.writers.elf import program
from imgaudit.writers.env import environment, text
from imgaudit.writers.sparse import filler
from imgaudit.writers.tree import file
from tests.formats.test_volumes import program as efi_program
from tests.formats.test_zimage import write as zimage
from tests.rescue._elf import ARM, elf

LAYOUTS = Path(imgaudit.__file__).parents[1] / "layouts"
_BANNER = (
    b"Linux version 6.12.30-%s (build@bench) (gcc 14.2.0) #1 SMP Mon Jul  6 12:00:00 UTC 2026\n\0"
)


def run(*command: str | Path, text: str | None = None, at: Path | None = None) -> None:
    subprocess.run(command, input=text, text=True, check=True, capture_output=True, cwd=at)


def into(image: Path, at: int, data: bytes) -> None:
    with image.open("r+b") as file:
        file.seek(at)
        file.write(data)


def blank(image: Path, size: int) -> Path:
    with image.open("wb") as file:
        file.truncate(size)
    return image


def made(folder: Path, *command: str | Path, data: bytes = b"") -> bytes:
    """Run a command that reads the file `in` and writes the file `out` beside the build."""
    (folder.parent / "in").write_bytes(data)
    out = folder.parent / "out"
    out.unlink(missing_ok=True)
    run(*command, at=folder.parent)
    return out.read_bytes()


def tree(folder: Path, source: str) -> bytes:
    """Compile a device tree with dtc."""
    words = ("dtc", "-q", "-I", "dts", "-O", "dtb", "-o", "out", "in")
    return made(folder, *words, data=source.encode())


def fat(folder: Path, size: int, files: Mapping[str, bytes]) -> bytes:
    image = folder.parent / "fat"
    image.unlink(missing_ok=True)
    run("mkfs.fat", "-C", "-n", "BOOT", image, str(size // KIB))
    for name, data in files.items():
        (folder.parent / "in").write_bytes(data)
        for parent in reversed(Path(name).parents[:-1]):
            run("mmd", "-i", image, f"::{parent}")
        run("mcopy", "-i", image, folder.parent / "in", f"::{name}")
    return image.read_bytes()


def root(folder: Path, files: Mapping[str, bytes]) -> Path:
    """Lay out a root file system; what is no text can be executed."""
    top = folder.parent / "root"
    shutil.rmtree(top, ignore_errors=True)
    for name in ("dev", "proc", "sys", "run", "tmp", "etc"):
        (top / name).mkdir(parents=True)
    for name, data in files.items():
        path = top / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
        path.chmod(0o755 if data[:4] == b"\x7fELF" or data[:2] == b"#!" else 0o644)
    return top


def ext4(folder: Path, size: int, top: Path | None = None) -> bytes:
    words: list[str | Path] = ["mke2fs", "-q", "-t", "ext4", "-E", "root_owner=0:0"]
    words += ["-d", top] if top is not None else []
    (folder.parent / "ext4").unlink(missing_ok=True)
    run(*words, "ext4", f"{size // KIB}k", at=folder.parent)
    return (folder.parent / "ext4").read_bytes()


def arm_kernel() -> bytes:
    """Pack a kernel as the build does: its banner, a file system, and a driver's match table."""
    table = bytes(64) + b"snps,dw-apb-uart".ljust(128, b"\0") + bytes(72)
    table += b"snps,dw-mshc".ljust(128, b"\0") + bytes(8) + bytes(200)
    plain = filler("kernel", 300_000) + _BANNER % b"buoy"
    plain += b"EXT4-fs (%s): \0ext4\0UBIFS (ubi%d:%d): \0ubifs\0SQUASHFS error: %s\0squashfs\0"
    plain += bytes(-len(plain) % 8) + table
    return zimage(gzip.compress(plain, mtime=0) + struct.pack("<I", len(plain)))


def arm_program(size: int = 20_000) -> bytes:
    return elf(ARM, bits=32, kind=2, flags=0x5000400, tail=filler("program", size))


def board(name: str, cpu: str, memory: tuple[int, int], more: str = "", *, fixed: str = "") -> str:
    at, size = memory
    return f"""/dts-v1/;
/ {{
    #address-cells = <1>; #size-cells = <1>;
    model = "Whimbrel {name}"; compatible = "whimbrel,{name}";
    chosen {{ stdout-path = "serial0:115200n8"; }};
    aliases {{ serial0 = "/serial@2000000"; mmc0 = "/mmc@2020000"; }};
    cpus {{ #address-cells = <1>; #size-cells = <0>;
        cpu@0 {{ device_type = "cpu"; compatible = "{cpu}"; reg = <0>; }}; }};
    memory@{at:x} {{ device_type = "memory"; reg = <{at:#x} {size:#x}>; }};
    clock {{ compatible = "fixed-clock"; #clock-cells = <0>; clock-frequency = <24000000>; }};
    serial@2000000 {{ compatible = "snps,dw-apb-uart"; reg = <0x2000000 0x1000>; }};
    mmc@2020000 {{ compatible = "snps,dw-mshc"; reg = <0x2020000 0x1000>; {fixed} }};
    {more}
}};
"""


def u_boot(variables: Mapping[str, str], name: str, dtb: bytes = b"") -> bytes:
    """Lay out what tells U-Boot: code, the version, the environment compiled in, its tree."""
    version = f"U-Boot 2026.07 (Jul 06 2026 - 12:00:00 +0000) {name}\0".encode()
    code = filler(name, 400 * KIB) + version + text(_USUAL | dict(variables))
    return code + bytes(-len(code) % 8) + dtb


_USUAL = {"baudrate": "115200", "bootdelay": "2"}


# What each board does at power-on -----------------------------------------------------------------

_BUOY = {
    "kernel_addr_r": "0x42000000",
    "fdt_addr_r": "0x43000000",
    "bootcmd": "run system",
    "system": (
        "load mmc 0:1 ${kernel_addr_r} zImage && load mmc 0:1 ${fdt_addr_r} buoy.dtb"
        " && setenv bootargs console=ttyS0,115200 root=PARTUUID=1d2c3b4a-05 rootwait panic=10"
        " && bootz ${kernel_addr_r} - ${fdt_addr_r}"
    ),
}


def card(folder: Path) -> None:
    """Make an SD card with an MBR, whose loader is at 8 KiB."""
    image = blank(folder / "card.img", 128 * MIB)
    script = "label: dos\nlabel-id: 0x1d2c3b4a\nstart=8192, size=32768, type=6, bootable\n"
    script += "start=40960, size=220000, type=f\nstart=49152, size=65536, type=83\n"
    script += "start=122880, size=131072, type=83\n"
    run("sfdisk", "-q", image, text=script)
    first = made(
        folder, "mkimage", "-T", "sunxi_egon", "-d", "in", "out", data=filler("first", 24 * KIB)
    )
    words = "mkimage -A arm -O u-boot -T firmware -C none -a 0x4a000000 -e 0x4a000000 -d in out"
    dtb = tree(folder, board("buoy", "arm,cortex-a7", (0x40000000, 512 * MIB)))
    second = made(folder, *words.split(), data=u_boot(_BUOY, "buoy", dtb))
    loader = first.ljust(32 * KIB, b"\0") + second
    (folder / "loader.bin").write_bytes(loader)
    into(image, 8 * KIB, loader)
    into(image, MIB, environment(_BUOY, 16 * KIB, None))
    into(image, 4 * MIB, fat(folder, 16 * MIB, {"zImage": arm_kernel(), "buoy.dtb": dtb}))
    top = root(folder, {"sbin/init": arm_program(), "etc/os-release": b"ID=buoy\n"})
    into(image, 24 * MIB, ext4(folder, 32 * MIB, top))


_RELAY = {
    "kernel_addr_r": "0x42000000",
    "bootcmd": (
        "load mmc 0:1 ${kernel_addr_r} EFI/BOOT/BOOTAA64.EFI"
        " && bootefi ${kernel_addr_r} ${fdtcontroladdr}"
    ),
}


def relay(folder: Path) -> None:
    """Make an eMMC with a GPT, whose loader is at sector 64 and which starts by EFI."""
    layout = load(str(LAYOUTS / "emmc-gpt-loader-efi.yaml"))
    image = blank(folder / "emmc.img", layout.chips["emmc"].size)
    kind = "b921b045-1df0-41c3-af44-4c6f280d3fae"
    rest = layout.region("data").size // 512
    script = "label: gpt\nfirst-lba: 34\n"
    script += "start=8192, size=32768, type=U, name=esp\n"
    script += f"start=40960, size=65536, type={kind}, name=root-a\n"
    script += f"start=106496, size=65536, type={kind}, name=root-b\n"
    script += f"start=172032, size={rest}, type=L, name=data\n"
    run("sfdisk", "-q", image, text=script)
    first = made(
        folder,
        *["mkimage", "-n", "rk3399", "-T", "rksd", "-d", "in", "out"],
        data=filler("first", 60 * KIB),
    )
    (folder / "loader.bin").write_bytes(first)
    into(image, 0x8000, first)
    dtb = tree(
        folder, board("relay", "arm,cortex-a53", (0x40000000, 1024 * MIB), fixed="non-removable;")
    )
    (folder.parent / "u-boot-nodtb.bin").write_bytes(u_boot(_RELAY, "relay"))
    (folder.parent / "relay.dtb").write_bytes(dtb)
    words = "mkimage -f auto -A arm64 -O u-boot -T firmware -C none -a 0x40200000 -e 0x40200000"
    second = made(folder, *words.split(), "-b", "relay.dtb", "-d", "u-boot-nodtb.bin", "out")
    (folder / "u-boot.itb").write_bytes(second)
    into(image, MIB, second)
    sections = {
        ".osrel": b"ID=relay\n",
        ".cmdline": b"console=ttyS0,115200 root=/dev/mmcblk0p2 rootwait panic=10",
        ".dtb": dtb,
        ".linux": kernel.image(kernel.CONFIG),
    }
    files = {"EFI/BOOT/BOOTAA64.EFI": efi_program(sections=sections)}
    into(image, 4 * MIB, fat(folder, 16 * MIB, files))
    for slot, at in (("a", 20), ("b", 52)):
        files = {"sbin/init": program(filler("init", 20_000))}
        top = root(folder, files | {"etc/os-release": f"ID=relay-{slot}\n".encode()})
        into(image, at * MIB, ext4(folder, 32 * MIB, top))


_MAST = {
    "loadaddr": "0x90000000",
    "mtdids": "nor0=spi0.0",
    "mtdparts": "mtdparts=spi0.0:1m(firmware)ro,64k(env),64k(env-redundant),13m@2m(recovery)",
    "bootcmd": "run recovery",
    "recovery": (
        "sf probe && sf read ${loadaddr} 0x200000 0xd00000"
        " && setenv bootargs console=ttyS0,115200 panic=10 && bootm ${loadaddr}"
    ),
}
_ITS = """/dts-v1/;
/ {
    description = "recovery"; #address-cells = <1>;
    images {
        kernel { description = "Linux"; data = /incbin/("Image.gz");
            type = "kernel"; arch = "arm64"; os = "linux";
            compression = "gzip"; load = <0x80200000>; entry = <0x80200000>;
            hash-1 { algo = "sha256"; }; };
        fdt { description = "mast"; data = /incbin/("mast.dtb");
            type = "flat_dt"; arch = "arm64"; compression = "none";
            load = <0x88000000>; hash-1 { algo = "sha256"; }; };
        ramdisk { description = "rescue"; data = /incbin/("ramdisk");
            type = "ramdisk"; arch = "arm64"; os = "linux";
            compression = "none"; load = <0x88100000>; hash-1 { algo = "sha256"; }; };
    };
    configurations { default = "conf";
        conf { description = "mast"; kernel = "kernel"; fdt = "fdt"; ramdisk = "ramdisk"; }; };
};
"""
_FLASH = """spi@2010000 { compatible = "snps,dw-apb-ssi"; reg = <0x2010000 0x1000>;
        #address-cells = <1>; #size-cells = <0>;
        flash@0 { compatible = "jedec,spi-nor"; reg = <0>; partitions {
            compatible = "fixed-partitions"; #address-cells = <1>; #size-cells = <1>;
            partition@0 { label = "firmware"; read-only; reg = <0x0 0x100000>; };
            partition@100000 { label = "env"; reg = <0x100000 0x10000>; };
            partition@110000 { label = "env2"; reg = <0x110000 0x10000>; };
            partition@200000 { label = "recovery"; reg = <0x200000 0xd00000>; };
        }; }; };"""


def mast(folder: Path) -> None:
    """Make the parts of a NOR from two makers, with a recovery as a FIT."""
    (folder / "uboot.env").write_bytes(environment(_MAST, 16 * KIB, 1))
    (folder / "uboot-redundant.env").write_bytes(environment(_MAST, 16 * KIB, 0))
    memory = (0x80000000, 512 * MIB)
    beside = folder.parent
    dtb = tree(folder, board("mast", "arm,cortex-a53", memory, _FLASH))
    (beside / "mast.dtb").write_bytes(dtb)
    (folder / "firmware.bin").write_bytes(u_boot(_MAST, "mast", dtb))
    (beside / "Image.gz").write_bytes(gzip.compress(kernel.image(kernel.CONFIG), mtime=0))
    (beside / "ramdisk").write_bytes(cpio(rescue.ramdisk(), 0))
    (beside / "in").write_text(_ITS)
    run("mkimage", "-f", "in", "out", at=beside)
    shutil.copy(beside / "out", folder / "recovery.itb")


DRIFTER = {
    "loadaddr": "0x84000000",
    "mtdids": "nand0=spi-nand0",
    "mtdparts": "mtdparts=spi-nand0:2m(loader)ro,512k(env),-(ubi)",
    "bootcmd": "run system",
    "system": (
        "ubi part ubi && ubi read ${loadaddr} kernel"
        " && setenv bootargs console=ttyS0,115200 ubi.mtd=ubi root=ubi0:rootfs rootfstype=ubifs"
        " rootwait panic=10 && bootm ${loadaddr}"
    ),
}
_NAND = """spi@2010000 { compatible = "snps,dw-apb-ssi"; reg = <0x2010000 0x1000>;
        #address-cells = <1>; #size-cells = <0>;
        flash@0 { compatible = "spi-nand"; reg = <0>; partitions {
            compatible = "fixed-partitions"; #address-cells = <1>; #size-cells = <1>;
            partition@0 { label = "loader"; read-only; reg = <0x0 0x200000>; };
            partition@200000 { label = "env"; reg = <0x200000 0x80000>; };
            partition@280000 { label = "ubi"; reg = <0x280000 0x7d80000>; };
        }; }; };"""
_NAND_ITS = """/dts-v1/;
/ {
    description = "system"; #address-cells = <1>;
    images {
        kernel { description = "Linux"; data = /incbin/("zImage"); type = "kernel"; arch = "arm";
            os = "linux"; compression = "none"; load = <0x82000000>; entry = <0x82000000>;
            hash-1 { algo = "sha256"; }; };
        fdt { description = "drifter"; data = /incbin/("drifter.dtb"); type = "flat_dt";
            arch = "arm"; compression = "none"; load = <0x88000000>;
            hash-1 { algo = "sha256"; }; };
    };
    configurations { default = "conf";
        conf { description = "drifter"; kernel = "kernel"; fdt = "fdt"; }; };
};
"""
_VOLUMES = """[kernel]
mode=ubi
image=kernel.itb
vol_id=0
vol_type=static
vol_size=8MiB
vol_name=kernel
[rootfs]
mode=ubi
image=rootfs.ubifs
vol_id=1
vol_type=dynamic
vol_size=32MiB
vol_name=rootfs
[data]
mode=ubi
vol_id=2
vol_type=dynamic
vol_size=16MiB
vol_name=data
[kernel-spare]
mode=ubi
image=kernel.itb
vol_id=3
vol_type=static
vol_size=8MiB
vol_name=kernel-spare
"""


def drifter(folder: Path) -> None:
    """Make the parts of a SPI-NAND: a loader in raw blocks, and kernel and root as UBI volumes."""
    beside = folder.parent
    dtb = tree(folder, board("drifter", "arm,cortex-a7", (0x80000000, 256 * MIB), _NAND))
    words = "mkimage -T stm32image -a 0x2ffc2500 -e 0x2ffc2500 -d in out"
    first = made(folder, *words.split(), data=filler("first", 100 * KIB))
    words = "mkimage -A arm -O u-boot -T firmware -C none -a 0x8f000000 -e 0x8f000000 -d in out"
    second = made(folder, *words.split(), data=u_boot(DRIFTER, "drifter", dtb))
    (folder / "loader.bin").write_bytes(first.ljust(256 * KIB, b"\xff") + second)
    (folder / "uboot.env").write_bytes(environment(DRIFTER, 128 * KIB, None))
    (beside / "zImage").write_bytes(arm_kernel())
    (beside / "drifter.dtb").write_bytes(dtb)
    (beside / "in").write_text(_NAND_ITS)
    run("mkimage", "-f", "in", "kernel.itb", at=beside)
    top = root(folder, {"sbin/init": arm_program(), "etc/os-release": b"ID=drifter\n"})
    words = "mkfs.ubifs -m 2048 -e 126976 -c 264 -o rootfs.ubifs -r"
    run(*words.split(), top, at=beside)
    (beside / "ubi.cfg").write_text(_VOLUMES)
    words = "ubinize -p 128KiB -m 2048 -Q 1 -o"
    run(*words.split(), folder / "system.ubi", "ubi.cfg", at=beside)


_SHORE = {
    "loadaddr": "0x84000000",
    "mtdids": "nor0=spi0.0",
    "bootcmd": "run system",
    "system": (
        "sf probe && sf read ${loadaddr} 0x200000 0x800000"
        " && setenv bootargs console=ttyS0,115200 root=/dev/mtdblock6 rootfstype=squashfs"
        " rootwait panic=10 && bootm ${loadaddr}"
    ),
}
_SHORE_MAP = (
    ("first-stage!", 0, 0x10000),
    ("u-boot!", 0x10000, 0xF0000),
    ("env-a", 0x100000, 0x10000),
    ("env-b", 0x110000, 0x10000),
    ("calibration!", 0x120000, 0x10000),
    ("kernel", 0x200000, 0x800000),
    ("rootfs", 0xA00000, 0x1200000),
    ("settings", 0x1C00000, 0x400000),
)


def nor_tree(partitions: Iterable[tuple[str, int, int]]) -> str:
    """Lay out a SPI-NOR with its fixed partitions, for board(); an ! makes one read-only."""
    nodes = "\n".join(
        f'            partition@{at:x} {{ label = "{label.rstrip("!")}";'
        f" reg = <{at:#x} {size:#x}>; {'read-only;' if label.endswith('!') else ''} }};"
        for label, at, size in partitions
    )
    return f"""spi@2010000 {{ compatible = "snps,dw-apb-ssi"; reg = <0x2010000 0x1000>;
        #address-cells = <1>; #size-cells = <0>;
        flash@0 {{ compatible = "jedec,spi-nor"; reg = <0>; partitions {{
            compatible = "fixed-partitions"; #address-cells = <1>; #size-cells = <1>;
{nodes}
        }}; }}; }};"""


def shore(folder: Path) -> None:
    """Make the parts of a board with nothing but a NOR: kernel as a FIT, root as squashfs."""
    beside = folder.parent
    dtb = tree(
        folder, board("shore", "arm,cortex-a7", (0x80000000, 256 * MIB), nor_tree(_SHORE_MAP))
    )
    words = "mkimage -T stm32image -a 0x2ffc2500 -e 0x2ffc2500 -d in out"
    first = made(folder, *words.split(), data=filler("first", 40 * KIB))
    (folder / "first-stage.bin").write_bytes(first)
    (folder / "u-boot.bin").write_bytes(u_boot(_SHORE, "shore", dtb))
    (beside / "zImage").write_bytes(arm_kernel())
    (beside / "drifter.dtb").write_bytes(dtb)
    (beside / "in").write_text(
        _NAND_ITS.replace('description = "drifter"', 'description = "shore"')
    )
    run("mkimage", "-f", "in", "out", at=beside)
    shutil.copy(beside / "out", folder / "kernel.itb")
    top = root(folder, {"sbin/init": arm_program(), "etc/os-release": b"ID=shore\n"})
    packed = ("mksquashfs", top, folder / "rootfs.squashfs", "-all-root", "-noappend", "-quiet")
    run(*packed, "-no-progress")


_PIER = {
    "kernel_addr_r": "0x48000000",
    "fdt_addr_r": "0x4a000000",
    "loadaddr": "0x60000000",
    "slot": "a",
    "partitions": (
        "name=boot-a,start=8MiB,size=64MiB,type=xbootldr;name=boot-b,size=64MiB,type=xbootldr;"
        "name=rootfs-a,size=2GiB;name=rootfs-b,size=2GiB;name=data,size=2GiB"
    ),
    "altbootcmd": "run recovery",
    "bootlimit": "3",
    "bootcmd": "run system || run recovery",
    "system": (
        "load mmc 0#boot-${slot} ${kernel_addr_r} Image"
        " && load mmc 0#boot-${slot} ${fdt_addr_r} pier.dtb"
        " && setenv bootargs console=ttyS0,115200 root=PARTLABEL=rootfs-${slot} rootfstype=ext4"
        " rootwait panic=10 && booti ${kernel_addr_r} - ${fdt_addr_r}"
    ),
    "recovery": (
        "sf probe && sf read ${loadaddr} 0x100000 0xf00000"
        " && setenv bootargs console=ttyS0,115200 panic=10 && bootm ${loadaddr}"
    ),
}
_PIER_MAP = (
    ("identity!", 0, 0x1000),
    ("env-a", 0x4000, 0x4000),
    ("env-b", 0x8000, 0x4000),
    ("recovery", 0x100000, 0xF00000),
)


def pier(folder: Path) -> None:
    """Make the parts of a NOR with a recovery beside an eMMC with two slots."""
    beside = folder.parent
    memory = (0x40000000, 1024 * MIB)
    dtb = tree(
        folder,
        board("pier", "arm,cortex-a53", memory, nor_tree(_PIER_MAP), fixed="non-removable;"),
    )
    (beside / "mast.dtb").write_bytes(dtb)
    image = kernel.image(kernel.CONFIG)
    (beside / "Image.gz").write_bytes(gzip.compress(image, mtime=0))
    tool = "/dev/mtd1 0x0 0x4000 0x1000\n/dev/mtd2 0x0 0x4000 0x1000\n"
    inside = rescue.ramdisk() | {"etc/fw_env.config": file(tool)}
    (beside / "ramdisk").write_bytes(cpio(inside, 0))
    source = _ITS.replace("0x8", "0x5").replace('"mast"', '"pier"')
    (beside / "in").write_text(source)
    run("mkimage", "-f", "in", "out", at=beside)
    shutil.copy(beside / "out", folder / "recovery.itb")
    (beside / "u-boot.bin").write_bytes(u_boot(_PIER, "pier", dtb))
    (beside / "bl31.bin").write_bytes(filler("bl31", 40 * KIB))
    run("fiptool", "create", "--soc-fw", "bl31.bin", "--nt-fw", "u-boot.bin", "fip", at=beside)
    shutil.copy(beside / "fip", folder / "fip.bin")
    (folder / "boot.vfat").write_bytes(fat(folder, 64 * MIB, {"Image": image, "pier.dtb": dtb}))
    top = root(
        folder, {"sbin/init": program(filler("init", 20_000)), "etc/os-release": b"ID=pier\n"}
    )
    (beside / "rootfs.ext4").write_bytes(ext4(folder, 64 * MIB, top))
    run("zstd", "-q", "-f", "rootfs.ext4", "-o", folder / "rootfs.ext4.zst", at=beside)


EXAMPLES: dict[str, Callable[[Path], None]] = {
    "sd-mbr-loader": card,
    "emmc-gpt-loader-efi": relay,
    "nor-second-source": mast,
    "nand-ubi": drifter,
    "nor-only": shore,
    "nor-mixed-emmc-slots": pier,
}
