"""Boot programs are known by what they say themselves: packaged ones, and small ones of our own."""

from __future__ import annotations

from pathlib import Path

import pytest

from imgaudit.boot.firmware import Firmware, Program, firmware_of
from imgaudit.contents.build import Build
from imgaudit.contents.reader import Loader
from imgaudit.rules import samples as sample
from imgaudit.rules.firmware import u_boot
from imgaudit.units import KIB
from imgaudit.writers.fip import BL31, BL33, fip

PACKAGED = Path("/usr/lib/u-boot")
TREE = sample.board_tree()


def found(data: bytes) -> list[Firmware]:
    with Loader() as loader:
        artifact = loader.memory("firmware.bin", data)
    return list(firmware_of(Build(layout=None, others={"firmware.bin": artifact})))


@pytest.mark.oracle
@pytest.mark.parametrize("board", ["qemu_arm", "qemu_arm64", "qemu-riscv64", "qemu-x86"])
def test_a_packaged_u_boot_says_its_version(board: str) -> None:
    """Debian's u-boot-qemu; its version is that of the package's changelog."""
    (program,) = found((PACKAGED / board / "u-boot.bin").read_bytes())
    assert program.program is Program.U_BOOT
    assert program.version.startswith("20")


@pytest.mark.oracle
@pytest.mark.parametrize(
    ("board", "machine"),
    [
        ("qemu_arm", "arm"),
        ("qemu_arm64", "arm64"),
        ("qemu-riscv64", "riscv64"),
        ("qemu-x86", "x86"),
        ("qemu-x86_64", "x86-64"),
        ("malta64el", ""),
    ],
)
def test_a_packaged_u_boot_says_its_machine(board: str, machine: str) -> None:
    data = (PACKAGED / board / "u-boot.bin").read_bytes()
    assert [item.machine for item in found(data)] == [machine]
    # a U-Boot that was built on its own kind of machine names a compiler without a prefix
    plain = data.replace(b"-linux-gnu", b" linux gnu")
    assert {item.machine for item in found(plain)} <= {machine, ""}
    if machine in {"arm", "arm64"}:
        assert [item.machine for item in found(plain)] == [machine]


@pytest.mark.oracle
def test_a_packaged_u_boot_ends_where_its_header_says() -> None:
    """U-Boot arch/arm/cpu/armv8/start.S, _end_ofs: without a tree the file ends there."""
    data = (PACKAGED / "qemu_arm64" / "u-boot.bin").read_bytes()
    (program,) = found(data)
    assert program.end == len(data)
    assert program.trees == ()
    (program,) = found(data + TREE)
    assert program.embedded is not None
    assert program.embedded.compatible == ("example,gauge", "example,soc")


def test_a_first_stage_and_u_boot_in_one_file_are_both_found() -> None:
    both = found(u_boot("2026.07", first="SPL ") + u_boot("2026.10", TREE))
    assert [(item.program, item.version) for item in both] == [
        (Program.SPL, "2026.07"),
        (Program.U_BOOT, "2026.10"),
    ]


def test_trees_beside_a_program_are_known() -> None:
    parts = sample.fit(
        {
            "uboot": sample.image({"os": "u-boot", "type": "standalone"}, payload=u_boot()),
            "fdt-1": sample.image({"type": "flat_dt"}, payload=TREE),
        },
        configurations={"conf": {"firmware": "uboot", "fdt": "fdt-1"}},
    )
    (program,) = found(parts)
    assert program.name == "uboot"
    assert program.embedded is None
    assert [tree.compatible[0] for tree in program.trees] == ["example,gauge"]


@pytest.mark.parametrize(
    ("size", "known"),
    [(4 * KIB - 1, False), (4 * KIB, True), (16 << 20, True), ((16 << 20) + 1, False)],
)
def test_only_what_can_be_a_boot_program_is_searched(size: int, known: bool) -> None:
    banner = b"U-Boot 2026.07 (Jul 06 2026 - 12:00:00 +0000)\0"
    assert bool(found(banner.ljust(size, b"\0"))) is known


@pytest.mark.parametrize(
    ("text", "program"),
    [
        (b"NOTICE:  BL31: %s\0", Program.BL31),
        (b"NOTICE:  BL2: v2.12.0(release):v2.12\0", Program.BL2),
        (b"I/TC: OP-TEE version: 4.3.0\0", Program.TRUSTED_OS),
        (b"NOTICE:  BL31x: %s\0", None),
        (b"U-Boot 26.07 (\0", None),
    ],
)
def test_what_a_program_is_called(text: bytes, program: Program | None) -> None:
    assert [item.program for item in found(text.ljust(8 * KIB, b"\0"))] == (
        [] if program is None else [program]
    )


def test_stray_magics_are_no_trees() -> None:
    stray = b"\xd0\x0d\xfe\xed" * 3
    (program,) = found(u_boot()[:-12] + stray)
    assert program.trees == ()


def test_a_header_of_a_boot_rom_hides_the_end() -> None:
    """Debian's u-boot-sunxi: the ROM's code stands in front, with zeros where the end would be."""
    data = bytearray(u_boot(tree=TREE))
    data[8:32] = bytes(24)
    (program,) = found(bytes(data))
    assert program.end is None
    assert program.embedded is not None


@pytest.mark.parametrize(
    ("compilers", "head", "machine"),
    [
        (["aarch64-linux-gnu"], b"", "arm64"),
        (["arm-linux-gnueabihf"], b"", "arm"),
        (["riscv64-linux-gnu", "riscv64-unknown-elf"], b"", "riscv64"),
        # one that was built for two machines is told by neither
        (["aarch64-linux-gnu", "arm-linux-gnueabihf"], b"", ""),
        (["gcc"], b"", ""),
        # arch/arm/lib/vectors.S: a branch, or the word of a checksum, and ldr pc
        ([], bytes.fromhex("b80000ea14f09fe5"), "arm"),
        ([], bytes.fromhex("0000000014f09fe5"), "arm"),
        # arch/arm/cpu/armv8/start.S: a branch and a nop
        ([], bytes.fromhex("0a0000141f2003d5"), "arm64"),
        ([], bytes.fromhex("0a00001400000080"), ""),
        ([], bytes.fromhex("0a00001500000000"), ""),
    ],
)
def test_what_machine_a_program_is_for(compilers: list[str], head: bytes, machine: str) -> None:
    data = head.ljust(64, b"\1") + b"U-Boot 2026.07 (Jul 06 2026 - 12:00:00 +0000)\0"
    for name in compilers:
        data += f"{name}-gcc (Debian 12.2.0-14) 12.2.0\0".encode()
    (program,) = found(data.ljust(8 * KIB, b"\0"))
    assert program.machine == machine


@pytest.mark.parametrize(
    ("end", "known"),
    [
        (4 * KIB - 1, False),
        (4 * KIB, True),
        ((16 << 20) + 8 * KIB, True),
        ((16 << 20) + 8 * KIB + 1, False),
    ],
)
def test_an_end_that_a_header_can_name(end: int, known: bool) -> None:
    data = bytearray(u_boot())
    data[16:24] = end.to_bytes(8, "little")
    (program,) = found(bytes(data))
    assert program.end == (end if known else None)


@pytest.mark.parametrize(("stray", "found_it"), [(63, True), (64, False)])
def test_only_so_many_places_are_tried_for_a_tree(stray: int, found_it: bool) -> None:
    data = bytearray(u_boot(tree=TREE))
    data[8:32] = bytes(24)
    data[4 * KIB : 4 * KIB + 4 * stray] = b"\xd0\x0d\xfe\xed" * stray
    (program,) = found(bytes(data))
    assert (program.embedded is not None) == found_it


def test_packages_name_their_entries() -> None:
    names = [item.name for item in found(fip({BL31: u_boot(), BL33: u_boot()}))]
    assert names == ["BL31", "BL33"]
