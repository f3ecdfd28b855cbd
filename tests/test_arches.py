from __future__ import annotations

import pytest

from imgaudit.arches import ARCHES, of_container, of_elf, of_kernel
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
