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


def test_packages_name_their_entries() -> None:
    names = [item.name for item in found(fip({BL31: u_boot(), BL33: u_boot()}))]
    assert names == ["BL31", "BL33"]
