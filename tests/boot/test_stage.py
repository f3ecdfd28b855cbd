from __future__ import annotations

import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from imgaudit.boot.ranges import RangeKind
from imgaudit.boot.stage import Boots, Origin
from imgaudit.contents.build import FolderStore
from imgaudit.contents.reader import Loader
from imgaudit.demo.build import build
from imgaudit.files import Folder
from imgaudit.layout.load import load
from imgaudit.rules._boot import RECOVERY, scripted
from imgaudit.rules.built import subject_of
from imgaudit.rules.engine import Example
from imgaudit.rules.examples import emmc, nor
from imgaudit.rules.samples import arm64_kernel, board_tree, fit, packed, uimage
from imgaudit.rules.subject import gather
from imgaudit.units import KIB, MIB, Span
from imgaudit.writers.env import environment, text
from imgaudit.writers.fat import fat16
from imgaudit.writers.fdt import Tree

RAM = "ram: {banks: [{at: 0x80000000, size: 512 MiB}]}\n"
MAIN = "stages: {main: {regions: [env], entry: bootcmd}}\n"
ENV = "name: env, at: 0, size: 64 KiB, holds: uboot-env, file: u-boot.env, env: {size: 8 KiB}"


def boots(example: Example) -> Boots:
    return subject_of(example).boots


def disk(files: dict[str, bytes]) -> bytes:
    image = fat16(20 * MIB, files, "BOOT", 1)
    out = bytearray(image.size)
    for at, data in image.pieces:
        out[at : at + len(data)] = data
    return bytes(out)


def on_emmc(variables: dict[str, str], files: dict[str, bytes]) -> Boots:
    return boots(
        emmc(
            "name: boot, partition: 1, at: 1 MiB, size: 20 MiB, holds: fat, file: boot.vfat",
            ENV.replace("at: 0", "at: 22 MiB"),
            rest=RAM + MAIN,
            files={
                "boot.vfat": lambda: disk(files),
                "u-boot.env": lambda: environment(variables, 8 * KIB, None),
            },
        )
    )


@pytest.fixture(scope="module")
def whimbrel(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Boots]:
    folder = tmp_path_factory.mktemp("whimbrel")
    path = build(folder)
    with Loader() as loader:
        yield gather(load(str(path)), FolderStore(Folder(str(folder)), loader)).boots


def test_whimbrel_is_followed_whole(whimbrel: Boots) -> None:
    assert whimbrel.why == ""
    assert whimbrel.place is not None
    assert whimbrel.place.artifact == "uboot.env"
    assert list(whimbrel.followed) == ["recovery", "bootcmd", "altbootcmd"]
    for followed in whimbrel.followed.values():
        assert followed.walk.complete
        assert followed.walk.unresolved == ()
        assert list(followed.alone) == ["nor"]
        assert all(start.why == "" for start in followed.starts)


def test_whimbrel_has_two_ways_to_its_main_system(whimbrel: Boots) -> None:
    ways = [
        {part: operation.path for part, operation in start.buffers.items()}
        for start in whimbrel.followed["bootcmd"].starts
        if start.boot.command.startswith("booti")
    ]
    assert ways == [
        {"kernel": "Image", "fdt": "whimbrel.dtb"},
        {"kernel": "Image", "fdt": None},
    ]


def test_whimbrel_recovery_is_taken_apart(whimbrel: Boots) -> None:
    (start,) = whimbrel.followed["recovery"].starts
    pieces = {piece.role: piece for piece in start.pieces}
    assert pieces["kernel"].to == 0x80200000
    assert pieces["kernel"].compression == "lzma"
    assert pieces["ramdisk"].to == 0x88100000
    assert start.images is not None
    assert start.images.kernel.unpacked_size == 4 * MIB
    assert start.images.kernel.image_size == 4 * MIB + 640 * KIB
    assert start.map is not None
    # U-Boot moves below the memory that is reserved at the top
    loader = next(each for each in start.map.ranges if each.name == "U-Boot")
    assert loader.span.end == 0x9FE00000


def test_with_the_emmc_dead_only_the_recovery_starts(whimbrel: Boots) -> None:
    commands = [boot.command for boot in whimbrel.followed["bootcmd"].alone["nor"].boots]
    assert commands == ["bootm 0x90000000#conf-1"]


# Where variables come from ------------------------------------------------------------------------


def firmware(**variables: str) -> bytes:
    return b"U-Boot\0" + text({"baudrate": "115200", "bootdelay": "2", **variables}) + bytes(64)


def stored_over(files: dict[str, bytes], config: str = "") -> Boots:
    made = {name: lambda data=data: data for name, data in files.items()}
    rest = f"written-elsewhere: {{{config}}}\n" if config else ""
    return boots(
        nor(
            ENV,
            "name: u-boot, at: 64 KiB, size: 256 KiB, holds: raw, file: u-boot.bin",
            rest=MAIN + rest,
            files=made,
        )
    )


def test_a_stored_environment_replaces_the_one_compiled_in() -> None:
    found = stored_over(
        {
            "u-boot.env": environment({"bootcmd": "reset"}, 8 * KIB, None),
            "u-boot.bin": firmware(bootcmd="run a", extra="1"),
        }
    )
    assert found.stored
    assert {name: item.value for name, item in found.variables.items()} == {"bootcmd": "reset"}


def test_a_broken_one_does_not() -> None:
    broken = bytearray(environment({"bootcmd": "reset"}, 8 * KIB, None))
    broken[10] ^= 1
    found = stored_over(
        {"u-boot.env": bytes(broken), "u-boot.bin": firmware(bootcmd="run a", extra="1")}
    )
    assert not found.stored
    assert found.get("extra") == "1"
    assert found.variables["bootcmd"].origin is Origin.DEFAULT


def test_append_keeps_what_is_compiled_in() -> None:
    found = stored_over(
        {
            "u-boot.config": b"CONFIG_ENV_APPEND=y\n",
            "u-boot.env": environment({"bootcmd": "reset"}, 8 * KIB, None),
            "u-boot.bin": firmware(bootcmd="run a", extra="1"),
        },
        "uboot-config: u-boot.config",
    )
    assert found.variables["bootcmd"].origin is Origin.STORED
    assert found.variables["extra"].origin is Origin.DEFAULT


def test_a_text_goes_over_what_is_compiled_in() -> None:
    found = stored_over(
        {
            "board.txt": b"bootcmd=echo \\\\$x\n",
            "u-boot.bin": firmware(bootcmd="run a", extra="1"),
        },
        "environment: board.txt",
    )
    assert found.get("bootcmd") == "echo \\$x"
    assert found.get("extra") == "1"


def test_the_board_has_the_last_word() -> None:
    example = scripted(
        RECOVERY.replace("0x88000000", "${loadaddr}"),
        stage="    variables: {loadaddr: '0x88000000'}\n",
    )
    found = boots(example)
    assert found.variables["loadaddr"].origin is Origin.LAYOUT
    assert found.followed["recovery"].walk.unresolved == ()


def test_without_an_environment_nothing_is_followed() -> None:
    found = boots(nor(ENV.replace("file: u-boot.env, ", ""), rest=MAIN))
    assert "no environment" in found.why
    assert found.followed == {}


def test_a_script_that_writes_to_flash_is_followed_on_its_own() -> None:
    found = boots(scripted(more={"update": "run wipe", "wipe": "sf probe; sf erase 0x20000 10000"}))
    assert found.followed["wipe"].by_hand
    assert not found.followed["recovery"].by_hand


@pytest.mark.parametrize(
    "command",
    [
        "nand erase.part rootfs",
        "nand write.trimffs ${loadaddr} 0x100000 0x20000",
        "mtd write recovery ${loadaddr}",
        "mmc swrite ${loadaddr} 0x800",
        "usb  write ${loadaddr} 0x800 0x10",
        "ubi write ${loadaddr} rootfs 0x1000",
        "ubi remove rootfs",
        "gpt write mmc 0 ${partitions}",
        "mbr write mmc 0",
        "fatwrite mmc 0:1 ${loadaddr} Image 0x1000",
        "ext4write mmc 0:2 ${loadaddr} /boot/Image 0x1000",
        "gzwrite mmc 0 ${loadaddr} 0x1000",
    ],
)
def test_whatever_writes_to_a_chip_is_followed(command: str) -> None:
    """The commands of U-Boot doc/usage/cmd and cmd/{nand,ubi,gpt,mbr,fat,ext4,unzip}.c."""
    found = boots(scripted(more={"update": command, "show": "echo mmc read; sf probe; ubi part a"}))
    assert found.followed["update"].by_hand
    assert "show" not in found.followed


# What is found on devices -------------------------------------------------------------------------


def test_the_only_emmc_has_the_number_that_the_script_uses() -> None:
    found = on_emmc(
        {"mmcdev": "1", "bootcmd": "load mmc ${mmcdev}:1 0x88000000 IMAGE"},
        {"Image": arm64_kernel()},
    )
    (load,) = found.followed["bootcmd"].walk.operations
    source = found.source(load)
    assert source is not None
    assert (source.region.name, source.path, source.size) == ("boot", "Image", KIB)


def test_a_script_on_a_disk_is_followed() -> None:
    script = b"load mmc 0:1 0x80200000 Image && booti 0x80200000"
    image = uimage(struct_script(script), kind=6)
    found = on_emmc(
        {"bootcmd": "load mmc 0:1 0x88000000 boot.scr && source 0x88000000"},
        {"boot.scr": image, "Image": arm64_kernel()},
    )
    followed = found.followed["bootcmd"]
    assert [boot.command for boot in followed.walk.boots] == ["booti 0x80200000"]
    assert followed.starts[0].map is not None


def struct_script(script: bytes) -> bytes:
    return len(script).to_bytes(4, "big") + bytes(4) + script


def test_an_extlinux_configuration_on_a_disk_is_followed() -> None:
    conf = b"label main\n linux /Image\n fdt /b.dtb\n append panic=10\n"
    found = on_emmc(
        {
            "bootcmd": "sysboot mmc 0:1 any 0x88000000 /extlinux.conf",
            "kernel_addr_r": "0x80200000",
            "fdt_addr_r": "0x86000000",
        },
        {"extlinux.conf": conf, "Image": arm64_kernel(), "b.dtb": board_tree()},
    )
    boot = found.followed["bootcmd"].walk.boots[0]
    assert (boot.kernel, boot.fdt, boot.arguments) == (0x80200000, 0x86000000, "panic=10")


@pytest.mark.parametrize("kind", ["uimage", "fit"])
def test_a_script_in_a_region_is_followed(kind: str) -> None:
    script = b"echo tide; reset"
    holds = "uimage" if kind == "uimage" else "fit"
    node: Tree = {"type": "script", "compression": "none", "data": script}
    images: Tree = {"script": node}
    data = (
        uimage(struct_script(script), kind=6)
        if kind == "uimage"
        else fit(images, configurations={"conf": {"script": "script"}})
    )
    found = boots(
        nor(
            ENV,
            f"name: script, at: 64 KiB, size: 64 KiB, holds: {holds}, file: boot.scr",
            rest=MAIN,
            files={
                "boot.scr": lambda: data,
                "u-boot.env": lambda: environment(
                    {"bootcmd": "sf probe; sf read 0x88000000 10000 10000; source 0x88000000"},
                    8 * KIB,
                    None,
                ),
            },
        )
    )
    walk = found.followed["bootcmd"].walk
    assert walk.unresolved == ()
    assert "reset" in {end.how for end in walk.ends}


# What is started ----------------------------------------------------------------------------------


def test_a_uimage_and_its_parts() -> None:
    kernel = uimage(packed(arm64_kernel(64 * KIB)), kind=2, compression=1, load=0x80200000)
    found = on_emmc(
        {
            "bootcmd": "load mmc 0:1 0x88000000 uImage && load mmc 0:1 0x89000000 uInitrd"
            " && load mmc 0:1 0x8a000000 b.dtb && bootm 0x88000000 0x89000000 0x8a000000"
        },
        {"uImage": kernel, "uInitrd": uimage(b"tide" * 99), "b.dtb": board_tree()},
    )
    (start,) = found.followed["bootcmd"].starts
    kernel_piece, ramdisk, tree = start.pieces
    assert kernel_piece.at == 0x88000040
    assert kernel_piece.to == 0x80200000
    assert start.images is not None
    assert start.images.kernel.unpacked_size == 64 * KIB
    assert start.images.ramdisk == Span.sized(0x89000040, 396)
    assert tree.size == len(board_tree())
    assert ramdisk.compression is None


@pytest.mark.parametrize(
    ("bootcmd", "why"),
    [
        ("bootefi 0x88000000", "bootefi places things by rules that are not known"),
        ("booti ${nothing}", "the address that booti starts from is not known"),
        ("booti 0x88000000", "nothing that was followed puts the kernel at 0x88000000"),
        ("tftpboot 0x88000000 Image && booti 0x88000000", "the size of Image is not known"),
    ],
)
def test_what_is_missing_for_a_map_is_said(bootcmd: str, why: str) -> None:
    found = on_emmc({"bootcmd": bootcmd, "loadaddr": ""}, {"Image": arm64_kernel()})
    assert [start.why for start in found.followed["bootcmd"].starts] == [why]


def test_a_configuration_that_is_not_there() -> None:
    found = boots(scripted(f"{RECOVERY}#conf-9"))
    (start,) = found.followed["recovery"].starts
    assert start.why == "recovery.itb has no configuration conf-9"


def test_without_ram_in_the_layout_there_is_no_map() -> None:
    (start,) = boots(scripted(ram="")).followed["recovery"].starts
    assert start.why == "the layout has no ram:"
    assert start.pieces


# Boot loaders of others ---------------------------------------------------------------------------


def packaged() -> list[Path]:
    listed = subprocess.run(
        ["dpkg", "-L", "u-boot-qemu"], check=True, capture_output=True, text=True
    )
    return sorted(Path(line) for line in listed.stdout.split() if line.endswith("/u-boot.bin"))


@pytest.mark.oracle
def test_every_packaged_boot_loader_is_followed() -> None:
    """The default environments of Debian's u-boot-qemu."""
    loaders = packaged()
    assert len(loaders) > 5
    steps = {}
    for path in loaders:
        found = boots(
            nor(
                "name: u-boot, at: 0, size: 16 MiB, holds: raw, file: u-boot.bin",
                chip="size: 64 MiB, erase-block: 64 KiB",
                rest="stages: {main: {regions: [u-boot], entry: bootcmd}}\n",
                files={"u-boot.bin": path.read_bytes},
            )
        )
        assert found.why == ""
        assert all(each.walk.complete for each in found.followed.values())
        steps[path.parent.name] = len(found.followed["bootcmd"].walk.operations)
    assert steps["qemu_arm64"] > 100


@pytest.mark.oracle
def test_what_lies_below_boot_of_an_ext4_is_known(tmp_path: Path) -> None:
    """The file system is made by mke2fs; both files lie in one piece."""
    kernel, tree = arm64_kernel(), board_tree()
    (tmp_path / "root/boot").mkdir(parents=True)
    (tmp_path / "root/boot/Image").write_bytes(kernel)
    (tmp_path / "root/boot/board.dtb").write_bytes(tree)
    image = tmp_path / "rootfs.ext4"
    subprocess.run(
        ["mke2fs", "-q", "-t", "ext4", "-d", tmp_path / "root", image, "20M"], check=True
    )
    found = boots(
        emmc(
            "name: rootfs, partition: 1, at: 1 MiB, size: 20 MiB, holds: ext4, file: rootfs.ext4",
            ENV.replace("at: 0", "at: 22 MiB"),
            rest=RAM + MAIN,
            files={
                "rootfs.ext4": image.read_bytes,
                "u-boot.env": lambda: environment(
                    {
                        "bootcmd": "load mmc 0:1 0x80200000 /boot/Image"
                        " && load mmc 0:1 0x88000000 /boot/board.dtb"
                        " && booti 0x80200000 - 0x88000000"
                    },
                    8 * KIB,
                    None,
                ),
            },
        )
    )
    (start,) = found.followed["bootcmd"].starts
    pieces = {piece.role: piece for piece in start.pieces}
    assert pieces["kernel"].size == len(kernel)
    assert pieces["fdt"].size == len(tree)
    assert start.why == ""
    assert start.map is not None


# U-Boot common/board_f.c, reserve_*: it takes the top of the first bank, below what is reserved.
@pytest.mark.parametrize(
    ("reserved", "end"),
    [
        ([], 0x90000000),
        ([(0x8FF00000, 0x100000)], 0x8FF00000),
        ([(0x8FF00000, 0xFFFFF)], 0x90000000),
        ([(0x8FF00000, 0x100000), (0x8FE00000, 0x100000)], 0x8FE00000),
        ([(0x8FF00000, 0x100000), (0x8FD00000, 0x100000)], 0x8FF00000),
        ([(0x80000000, 0x10000000)], 0x90000000),
    ],
)
def test_uboot_moves_below_what_is_reserved(reserved: list[tuple[int, int]], end: int) -> None:
    areas = ", ".join(
        f"{{name: r{number}, at: {at:#x}, size: {size:#x}}}"
        for number, (at, size) in enumerate(reserved)
    )
    ram = f"ram: {{banks: [{{at: 0x80000000, size: 256 MiB}}], reserved: [{areas}]}}\n"
    (start,) = boots(scripted(ram=ram)).followed["recovery"].starts
    assert start.map is not None
    (loader,) = (each for each in start.map.ranges if each.kind is RangeKind.LOADER)
    assert loader.span.end == end
