from __future__ import annotations

import sys
from pathlib import Path

import pytest

from imgaudit.arches import (
    ARCHES,
    HEAD,
    MACHINES,
    Machine,
    machine_of,
    of_container,
    of_elf,
    of_kernel,
    of_processor,
)
from imgaudit.formats import readers
from imgaudit.formats.uimage import ARCH_NAMES
from imgaudit.model import ARCHITECTURES


def test_every_architecture_of_a_layout_is_known() -> None:
    assert set(ARCHES) == set(ARCHITECTURES)
    for arch in ARCHES.values():
        assert set(arch.containers) <= {*ARCH_NAMES, "ppc"}
        assert not arch.kernel or arch.kernel in readers()


@pytest.mark.parametrize(
    ("word", "arch"),
    [("arm64", "arm64"), ("riscv", "riscv64"), ("x86", "x86"), ("sparc", None), (None, None)],
)
def test_words_of_containers(word: str | None, arch: str | None) -> None:
    assert of_container(word) == arch


@pytest.mark.parametrize(
    ("word", "arch"),
    [
        ("arm,cortex-a15", "arm"),
        ("arm,cortex-a55", "arm64"),
        ("arm,cortex-m4", "arm"),
        ("apple,icestorm", "arm64"),
        ("sifive,u74-mc", "riscv64"),
        ("riscv", "riscv64"),
        ("mips,mips24KEc", None),
    ],
)
def test_words_of_processors(word: str, arch: str | None) -> None:
    """Source: Linux Documentation/devicetree/bindings/arm/cpus.yaml and riscv/cpus.yaml."""
    assert of_processor(word) == arch


def test_elf_files_and_kernels() -> None:
    assert of_elf("RISC-V", 32) == "riscv32"
    assert of_elf("RISC-V", 64) == "riscv64"
    assert of_elf("ARM", 64) is None
    assert [of_kernel(name) for name in ("riscv-image", "zimage", "elf", "", None)] == [
        "riscv64",
        "arm",
        None,
        None,
        None,
    ]


def test_a_machine_is_read_from_the_first_bytes_of_a_program() -> None:
    head = b"\x7fELF\2\1\1".ljust(16, b"\0") + bytes((2, 0, 183, 0))
    assert machine_of(head) == Machine("AArch64", 64, "little")
    assert machine_of(head[: HEAD - 1]) is None
    assert machine_of(b"#!/bin/sh".ljust(HEAD)) is None
    turned = b"\x7fELF\1\2\1".ljust(16, b"\0") + bytes((0, 2, 0, 8))
    assert machine_of(turned) == Machine("MIPS", 32, "big")
    assert machine_of(head[:18] + b"\xee\xee") == Machine("machine 61166", 64, "little")
    own = machine_of(Path(sys.executable).resolve().read_bytes()[:HEAD])
    assert own is not None
    assert own.name in MACHINES.values()


@pytest.mark.parametrize(
    ("arch", "machine", "runs"),
    [
        ("arm64", Machine("AArch64", 64, "little"), True),
        ("arm64", Machine("AArch64", 64, "big"), False),
        ("arm64", Machine("ARM", 32, "little"), False),
        ("mips", Machine("MIPS", 32, "big"), True),
        ("mips", Machine("MIPS", 32, "little"), True),
        ("riscv32", Machine("RISC-V", 64, "little"), False),
    ],
)
def test_what_every_kernel_of_an_architecture_runs(
    arch: str, machine: Machine, *, runs: bool
) -> None:
    assert ARCHES[arch].runs(machine) is runs
