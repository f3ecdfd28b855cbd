"""Processor architectures: what U-Boot, ELF files and Linux call those that a layout may name."""

from __future__ import annotations

from collections.abc import Mapping

from imgaudit.data import dataclass


@dataclass(frozen=True, slots=True)
class Arch:
    """One architecture.

    `containers` are the words for what it runs in a FIT's `arch` and in a uImage, its own first.
    `machines` are those of its ELF files, with their bits. `kernel` names the reader of the kernel
    that boot loaders start, "" where that has no header of its own. `little` tells that Linux runs
    on it little-endian only.
    """

    bits: int
    containers: tuple[str, ...]
    machines: tuple[tuple[str, int], ...]
    kernel: str = ""
    little: bool = True


# The likelier first, where one word may mean two. Words: U-Boot boot/image.c, uimage_arch[].
ARCHES: Mapping[str, Arch] = {
    "arm64": Arch(64, ("arm64",), (("AArch64", 64),), "arm64-image"),
    "arm": Arch(32, ("arm",), (("ARM", 32),), "zimage"),
    "riscv64": Arch(64, ("riscv",), (("RISC-V", 64),), "riscv-image"),
    "riscv32": Arch(32, ("riscv",), (("RISC-V", 32),), "riscv-image"),
    "x86-64": Arch(64, ("x86_64", "x86"), (("x86-64", 64),)),
    "x86": Arch(32, ("x86", "x86_64"), (("x86", 32),)),
    "mips": Arch(32, ("mips", "mips64"), (("MIPS", 32), ("MIPS", 64)), little=False),
    "powerpc": Arch(32, ("powerpc", "ppc"), (("PowerPC", 32), ("PowerPC64", 64)), little=False),
}


def of_container(word: str | None) -> str | None:
    """Name the architecture that a FIT or a uImage means by a word."""
    return next((name for name, arch in ARCHES.items() if arch.containers[0] == word), None)


def of_elf(machine: str, bits: int) -> str | None:
    """Name the architecture that an ELF file is for."""
    wanted = (machine, bits)
    return next((name for name, arch in ARCHES.items() if wanted in arch.machines), None)


def of_kernel(reader: str | None) -> str | None:
    """Name the architecture that a kernel is for, by the reader of its header."""
    return next((name for name, arch in ARCHES.items() if reader and arch.kernel == reader), None)
