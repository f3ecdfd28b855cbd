"""Processor architectures: what U-Boot, ELF files and Linux call those that a layout may name."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Literal, NamedTuple

from imgaudit.data import dataclass


@dataclass(frozen=True, slots=True)
class Arch:
    """One architecture.

    `containers` are the words for what it runs in a FIT's `arch` and in a uImage, its own first.
    `machines` are those of its ELF files, with their bits. `kernel` names the reader of the kernel
    that boot loaders start, "" where that has no header of its own. `little` tells that Linux runs
    on it little-endian only. `compat` is the machine whose 32-bit programs some of its kernels run.
    `option` is U-Boot's own (arch/Kconfig), `cpus` what a device tree calls its processors.
    """

    bits: int
    containers: tuple[str, ...]
    machines: tuple[tuple[str, int], ...]
    kernel: str = ""
    little: bool = True
    compat: str = ""
    option: str = ""
    cpus: str = ""

    @property
    def container(self) -> str:
        """Its own word in a FIT or a uImage."""
        return self.containers[0]

    def runs(self, machine: Machine) -> bool:
        """Tell whether every kernel for it runs such a program."""
        known = (machine.name, machine.bits) in self.machines
        return known and (machine.byte_order == "little" or not self.little)

    def some_run(self, machine: Machine) -> bool:
        """Tell whether only some kernels for it run such a program: its 32-bit sister's."""
        return machine.bits == 32 and machine.name == self.compat

    @property
    def compat_option(self) -> str:
        """The kernel's option by which it runs those programs."""
        return "CONFIG_IA32_EMULATION" if self.compat == "x86" else "CONFIG_COMPAT"


class Machine(NamedTuple):
    """What an ELF file is for, as its first bytes say it."""

    name: str
    bits: int
    byte_order: str

    def __str__(self) -> str:
        return f"{self.name} ({self.bits}-bit, {self.byte_order}-endian)"


MACHINES: Mapping[int, str] = {
    3: "x86", 8: "MIPS", 20: "PowerPC", 21: "PowerPC64", 40: "ARM", 62: "x86-64", 183: "AArch64",
    243: "RISC-V", 258: "LoongArch",
}  # fmt: skip
"""Words for e_machine of an ELF header (Linux include/uapi/linux/elf-em.h)."""
ELF = b"\x7fELF"
HEAD = 20
"""Bytes of an ELF file that say what it is for."""


# The likelier first, where one word may mean two. Words: U-Boot boot/image.c, uimage_arch[].
ARCHES: Mapping[str, Arch] = {
    "arm64": Arch(
        *(64, ("arm64",), (("AArch64", 64),), "arm64-image"),
        compat="ARM",
        option="ARM64",
        cpus=r"(?:arm,(?:cortex-[ax]\d+\w*|neoverse.*|armv8.*)|apple,.*)",
    ),
    "arm": Arch(
        *(32, ("arm",), (("ARM", 32),), "zimage"),
        option="ARM",
        cpus=r"arm,(?:cortex-(?:a(?:5|7|8|9|1[257])|[rm]\d+\w*)|arm\d+.*)",
    ),
    "riscv64": Arch(
        *(64, ("riscv",), (("RISC-V", 64),), "riscv-image"),
        option="ARCH_RV64I",
        cpus=r"riscv|(?:sifive|thead),.*",
    ),
    "riscv32": Arch(32, ("riscv",), (("RISC-V", 32),), "riscv-image", option="ARCH_RV32I"),
    "x86-64": Arch(64, ("x86_64", "x86"), (("x86-64", 64),), compat="x86"),
    "x86": Arch(32, ("x86", "x86_64"), (("x86", 32),)),
    "mips": Arch(32, ("mips", "mips64"), (("MIPS", 32), ("MIPS", 64)), little=False),
    "powerpc": Arch(32, ("powerpc", "ppc"), (("PowerPC", 32), ("PowerPC64", 64)), little=False),
}


def machine_of(head: bytes) -> Machine | None:
    """Read what an ELF file is for from its first bytes; None where it is none."""
    if len(head) < HEAD or not head.startswith(ELF):
        return None
    order: Literal["little", "big"] = "big" if head[5] == 2 else "little"
    number = int.from_bytes(head[18:20], order)
    bits = {1: 32, 2: 64}.get(head[4], 0)
    return Machine(MACHINES.get(number, f"machine {number}"), bits, order)


def of_container(word: str | None) -> str | None:
    """Name the architecture that a FIT or a uImage means by a word."""
    return next((name for name, arch in ARCHES.items() if arch.containers[0] == word), None)


def of_processor(compatible: str) -> str | None:
    """Name the architecture of a processor by a device tree's word; the fewest mean 32-bit ARM."""
    known = (name for name in ("arm", *ARCHES) if ARCHES[name].cpus)
    return next((name for name in known if re.fullmatch(ARCHES[name].cpus, compatible)), None)


def of_elf(machine: str, bits: int) -> str | None:
    """Name the architecture that an ELF file is for."""
    wanted = (machine, bits)
    return next((name for name, arch in ARCHES.items() if wanted in arch.machines), None)


def of_kernel(reader: str | None) -> str | None:
    """Name the architecture that a kernel is for, by the reader of its header."""
    return next((name for name, arch in ARCHES.items() if reader and arch.kernel == reader), None)
