"""What commands know of devices, partitions and files."""

from __future__ import annotations

from dataclasses import replace

import pytest

from imgaudit.boot.board import Board
from imgaudit.boot.call import Call, Done
from imgaudit.boot.commands import known
from imgaudit.boot.records import Cause, Kind, Operation, Partition, Reason, World
from imgaudit.boot.state import State
from imgaudit.boot.values import Text
from imgaudit.boot.walk import walk
from imgaudit.maps.uboot_options import Options
from imgaudit.rules._boot import scripted
from imgaudit.rules.built import subject_of
from imgaudit.rules.examples import emmc
from imgaudit.rules.mbr import _disk as mbr_disk
from imgaudit.units import MIB, Span
from imgaudit.writers.fdt import Tree, fdt
from tests._audits import build

TABLE = (
    Partition(number=1, span=Span(MIB, 3 * MIB), name="boot", uuid="u-1", bootable=True),
    Partition(number=10, span=Span(3 * MIB, 9 * MIB), name="root", uuid="u-a", type="t"),
)
WORLD = World(
    sizes={"mmc1": 16 * MIB, "nor": MIB},
    tables={"mmc1": TABLE},
    partitions={("mmc1", "1"): Span(MIB, 3 * MIB)},
    systems={("mmc1", "1"): "fat", ("mmc1", "a"): "ext4"},
    files={("mmc1", "1", "Image"): 0x100, ("mmc1", "a", "boot/Image"): 0x200},
    listed=frozenset({("mmc1", "1")}),
    caseless=frozenset({("mmc1", "1")}),
    closed=frozenset({"mmc"}),
)


def done(text: str, world: World = WORLD) -> Done:
    function = known(text.split(maxsplit=1)[0])
    assert function is not None
    return function(Call([Text.of(word) for word in text.split()], State({}), world))


@pytest.mark.parametrize(
    ("text", "succeeds", "reason"),
    [
        ("load mmc 1:1 1000 /Image", True, None),
        ("load mmc 1 1000 image", True, None),  # without a number the first, and FAT has no case
        ("load mmc 1:01 1000 /Image", True, None),
        ("load mmc 1:auto 1000 /Image", True, None),
        ("load mmc 1:1 1000 /Imagee", False, Reason.NO_FILE),
        ("load mmc 1:2 1000 /Image", False, Reason.NO_PARTITION),
        ("load mmc 0:1 1000 /Image", False, Reason.NO_DEVICE),
        ("load usb 0:1 1000 /Image", None, Reason.DEVICE_OUTSIDE),
        ("ext4load mmc 1:1 1000 /Image", False, Reason.OTHER_FILE_SYSTEM),
        ("ext4load mmc 1:a 1000 boot/Image", True, None),
        ("fatload mmc 1:a 1000 boot/Image", False, Reason.OTHER_FILE_SYSTEM),
        ("load mmc 1:a 1000 other", None, Reason.FILES_UNKNOWN),
        ("size mmc 1:1 /Image", True, None),
        ("fatsize mmc 1:1 /none", False, Reason.NO_FILE),
        ("test -e mmc 1:1 /Image", True, None),
        ("test -e mmc 1:1 /none", False, None),
        ("test -e usb 0:1 /none", None, None),
        ("fstype mmc 1:1 kind", True, None),
        ("fstype mmc 1:3 kind", False, Reason.NO_PARTITION),
        ("part start mmc 1 1 at", True, None),
        ("part start mmc 1 10 at", True, None),  # decimal, where other commands take hex
        ("part size mmc 1 root size", True, None),
        ("part uuid mmc 1:3 id", False, Reason.NO_PARTITION),
        ("part list mmc 1 list", True, None),
        ("part list mmc 0 list", False, Reason.NO_DEVICE),
        ("part list usb 0 list", None, Reason.DEVICE_OUTSIDE),
    ],
)
def test_success_by_the_facts(text: str, succeeds: bool | None, reason: Reason | None) -> None:
    found = done(text)
    assert found.succeeds is succeeds
    assert (found.cause.reason if found.cause is not None else None) is reason


@pytest.mark.parametrize(
    ("text", "name", "value"),
    [
        ("fstype mmc 1:1 kind", "kind", "fat"),
        ("part start mmc 1 1 at", "at", "800"),
        ("part size mmc 1 root size", "size", "3000"),
        ("part number mmc 1 root number", "number", "0xa"),
        ("part uuid mmc 1:a id", "id", "u-a"),
        ("part type mmc 1:a kind", "kind", "t"),
        ("part list mmc 1 list", "list", "1 a"),
        ("part list mmc 1 -bootable list", "list", "1"),
        ("part list usb 0 -bootable list", "list", "${list}"),
        ("size mmc 1:1 /Image", "filesize", "100"),
    ],
)
def test_what_they_set(text: str, name: str, value: str) -> None:
    assert str(done(text).sets[name]) == value


def test_a_device_that_is_assumed_proves_nothing() -> None:
    world = World(sizes={"mmc0": MIB}, files={("mmc0", "1", "a"): 1}, assumed=frozenset({"mmc0"}))
    found = done("load mmc 0:1 1000 a", world)
    assert found.succeeds is None
    assert found.cause == Cause(Reason.DEVICE_ASSUMED, {"device": "mmc0"})
    assert found.fills_size == 1


def test_a_cause_says_its_numbers() -> None:
    cause = Cause(Reason.NO_PARTITION, {"device": "mmc1", "partition": "2"})
    assert str(cause) == "mmc1 has no partition 2"
    assert str(Cause(Reason.PAST_END, {"device": "nor", "end": MIB})) == "nor ends at 0x100000"


@pytest.mark.parametrize("text", ["mtd read {} 1000", "ubi part {}"])
@pytest.mark.parametrize(
    ("listed", "name", "succeeds"),
    [("", "other", None), ("mtdparts=spi-nand0:1m(boot),-(ubi)", "other", False)]
    + [("mtdparts=spi-nand0:1m(boot),-(ubi)", name, None) for name in ("ubi", "spi-nand0")],
)
def test_an_mtd_that_mtdparts_does_not_list(
    text: str, listed: str, name: str, succeeds: bool | None
) -> None:
    """Source: U-Boot drivers/mtd/mtd_uboot.c, mtd_probe_devices."""
    values = {"go": text.format(name)} | ({"mtdparts": listed} if listed else {})
    (operation,) = walk(values, "go").operations
    assert operation.succeeds is succeeds


def test_what_cannot_succeed_is_recorded_with_its_reason() -> None:
    environment = {"bootcmd": "load mmc 1:1 1000 /none; nosuch; load mmc 1:1 1000 /Image"}
    first, second, third = walk(environment, "bootcmd", WORLD).operations
    assert (first.succeeds, first.at) == (False, 0)
    assert first.cause is not None
    assert first.cause.reason is Reason.NO_FILE
    assert second.cause is not None
    assert (second.succeeds, second.cause.reason) == (False, Reason.UNKNOWN_COMMAND)
    assert (third.succeeds, third.cause, third.can_fail) == (True, None, True)


EXTLINUX = """
label main
  linux ../Image
  initrd ../initrd.gz
  fdtdir ../dtb
  fdtoverlays ../a.dtbo ../none.dtbo
  append root=${root} quiet
label bare
"""


def follow(**variables: str) -> tuple[Operation, ...]:
    names = ("Image", "initrd.gz", "dtb/b.dtb", "a.dtbo")
    key = ("mmc1", "1", "extlinux/extlinux.conf")
    world = World(
        sizes={"mmc1": 16 * MIB},
        files={("mmc1", "1", name): 0x10 for name in (*names, key[2])},
        listed=frozenset({("mmc1", "1")}),
        scripts={key: EXTLINUX.replace("../", "/")},
        partitions={("mmc1", "1"): Span(MIB, 2 * MIB)},
    )
    addresses = {
        f"{name}_addr_r": f"{at}000000"
        for at, name in enumerate(("kernel", "ramdisk", "fdt", "fdtoverlay"), 1)
    }
    command = "sysboot mmc 1:1 any 9000000 /extlinux/extlinux.conf"
    return walk({"bootcmd": command, **addresses, **variables}, "bootcmd", world).operations


def test_an_extlinux_label_is_loaded_as_sysboot_does() -> None:
    done = follow(fdtfile="b.dtb", root="/dev/mmcblk1p2")
    assert [(one.kind, one.path, one.succeeds) for one in done[1:6]] == [
        (Kind.LOAD, "Image", True),
        (Kind.LOAD, "initrd.gz", True),
        (Kind.LOAD, "dtb/b.dtb", True),
        (Kind.LOAD, "a.dtbo", True),
        (Kind.LOAD, "none.dtbo", False),
    ]
    # the command that U-Boot runs itself, with its arguments
    assert done[6].command == "booti 1000000 2000000:10 3000000"
    assert done[-1].cause is not None
    assert done[-1].cause.reason is Reason.NO_KERNEL_NAMED


def test_an_extlinux_label_whose_tree_is_not_there_takes_that_of_uboot() -> None:
    done = follow(fdtfile="other.dtb")
    assert [one.command for one in done if one.kind is Kind.BOOT] == [
        "booti 1000000 2000000:10 ${fdtcontroladdr}"
    ]


def board(more: str = "", tree: bytes | None = None) -> Board:
    part = "name: boot, partition: 1, at: 1 MiB, size: 20 MiB, holds: raw"
    dtb = "name: tree, at: 24 MiB, size: 1 MiB, holds: fdt, file: board.dtb"
    example = emmc(
        *((part, dtb) if tree is not None else (part,)),
        chip=f"sectors: 65536{more}",
        files={"board.dtb": lambda: tree or b""} if tree is not None else None,
    )
    build = subject_of(example)
    assert build.layout is not None
    return Board(build, build.layout, {})


def test_which_chip_mmc_1_is() -> None:
    guessed = board()
    assert guessed.devices["mmc0"] == "emmc"
    assert guessed.assumed == {"mmc0"}
    assert not guessed.closed
    said = board(", number: 1")
    assert said.devices["mmc1"] == "emmc"
    assert not said.assumed
    assert said.closed == {"mmc"}


def test_the_aliases_of_a_device_tree_number_a_chip() -> None:
    hosts: Tree = {
        "aliases": {"mmc0": "/sd", "mmc2": "/emmc"},
        "sd": {"compatible": "x"},
        "emmc": {"compatible": "x", "non-removable": b""},
    }
    found = board(tree=fdt(hosts))
    assert found.devices["mmc2"] == "emmc"
    assert not found.assumed
    both: Tree = {**hosts, "sd": {"compatible": "x", "non-removable": b""}}
    assert board(tree=fdt(both)).assumed == {"mmc0"}
    off: Tree = {**hosts, "emmc": {"non-removable": b"", "status": "disabled"}}
    assert board(tree=fdt(off)).assumed == {"mmc0"}


def flow(**variables: str) -> list[str]:
    done = walk({"bootcmd": "bootflow scan -lb", **variables}, "bootcmd", FLOW).operations
    return [one.command for one in done if one.succeeds and one.kind is not Kind.TEST]


FLOW = World(
    sizes={"mmc0": 16 * MIB, "mmc1": 16 * MIB},
    tables={
        "mmc0": (Partition(number=1, span=Span(0, 1)), Partition(number=2, span=Span(1, 2))),
        "mmc1": (
            Partition(number=1, span=Span(0, 1)),
            Partition(number=3, span=Span(1, 2), bootable=True),
        ),
    },
    files={
        ("mmc0", "2", "boot.scr"): 1,
        ("mmc1", "1", "boot.scr"): 1,
        ("mmc1", "3", "boot/boot.scr"): 1,
        ("mmc1", "3", "efi/boot/bootaa64.efi"): 1,
    },
    listed=frozenset({("mmc0", "1"), ("mmc0", "2"), ("mmc1", "1"), ("mmc1", "3")}),
)
PLACES = {"scriptaddr": "100", "kernel_addr_r": "200", "pxefile_addr_r": "300"}


def test_standard_boot_looks_at_bootable_partitions_or_the_first() -> None:
    assert [line for line in flow(**PLACES) if line.startswith("load")] == [
        "load mmc 1:3 100 /boot/boot.scr",
        "load mmc 1:3 200 /efi/boot/bootaa64.efi",
    ]


def test_standard_boot_goes_by_its_variables() -> None:
    assert [
        line
        for line in flow(**PLACES, bootmeths="efi", boot_targets="mmc1 usb")
        if line.startswith("load")
    ] == ["load mmc 1:3 200 /efi/boot/bootaa64.efi"]
    assert flow(**PLACES, boot_targets="mmc0") == []


def test_u_boot_s_own_loads_are_no_lines_of_a_script() -> None:
    """U-Boot boot/pxe_utils.c, label_boot: a file that it cannot have ends the label.

    `sysboot` is run in loops, as by the distro boot of Debian's boards.
    """
    conf = "label l0\n linux /Image\n fdt /board.dtb\n"
    files = {"Image": 100, "board.dtb": 100, "extlinux.conf": len(conf)}
    world = World(
        sizes={"mmc0": 16 * MIB},
        partitions={("mmc0", "1"): Span(0, MIB), ("mmc0", "2"): Span(MIB, 2 * MIB)},
        files={("mmc0", part, name): size for part in "12" for name, size in files.items()},
        scripts={("mmc0", part, "extlinux.conf"): conf for part in "12"},
    )
    addresses = {"kernel_addr_r": "1000000", "fdt_addr_r": "2000000"}
    loop = "for it in 1 2; do sysboot mmc 0:${it} any 100 /extlinux.conf; done"
    done = walk({"bootcmd": loop, **addresses}, "bootcmd", world)
    loads = [it for it in done.operations if it.kind is Kind.LOAD]
    assert len(loads) >= 2
    assert all(it.checked for it in loads)
    script = "load mmc 0:1 1000000 Image; booti 1000000"
    done = walk({"bootcmd": script}, "bootcmd", world)
    assert not done.operations[0].checked


def test_standard_boot_needs_no_command_but_its_own() -> None:
    """U-Boot boot/bootmeth_extlinux.c calls functions; Debian's RK3399 (2025.01) has no sysboot."""
    options = Options(names=frozenset({"bootflow", "bootm"}), binary="u-boot.itb")
    world = replace(FLOW, options=options)
    variables = {"bootcmd": "bootflow scan -lb; sysboot mmc 1:3 any 100 /x", **PLACES}
    done = walk(variables, "bootcmd", world)
    assert [note.what for note in done.oddities] == ["sysboot"]
    assert "load mmc 1:3 100 /boot/boot.scr" in {it.command for it in done.operations}


def test_what_part_says_of_an_mbr() -> None:
    """U-Boot disk/part_dos.c, part_get_info_extended and get_bootable; no type is told."""
    disk = bytearray(mbr_disk(status=0))
    disk[440:444] = (0x12AB34CD).to_bytes(4, "little")
    third = bytes([0x80, 0, 0, 0, 0x83, 0, 0, 0]) + (10240).to_bytes(4, "little")
    disk[446 + 32 : 446 + 48] = third + (2048).to_bytes(4, "little")
    fourth = bytes([0, 0, 0, 0, 0xEF, 0, 0, 0]) + (12288).to_bytes(4, "little")
    disk[446 + 48 : 446 + 64] = fourth + (2048).to_bytes(4, "little")
    example = scripted(
        "part uuid mmc 0:1 u && part start mmc 0 3 s && part size mmc 0 5 z && part uuid mmc 0:2 e"
        " && part list mmc 0 all && part list mmc 0 -bootable boots && part type mmc 0:1 t"
        " && echo ${u} ${s} ${z} ${e} / ${all} / ${boots} / ${t}; part uuid mmc 0:6 x || echo none",
        chip="size: 1 MiB, erase-block: 64 KiB}\n"
        "  emmc: {kind: emmc, number: 0, sectors: 65536, table: mbr, image: disk.img",
        files={"disk.img": lambda: bytes(disk)},
    )
    followed = build(example).boots.followed["recovery"]
    said = [one.command for one in followed.walk.operations if one.command.startswith("echo")]
    assert said == ["echo 12ab34cd-01 2800 4000 12ab34cd-02 / 1 2 3 4 5 / 3 4 / ${t}", "echo none"]
