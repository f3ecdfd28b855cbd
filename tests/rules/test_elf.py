from __future__ import annotations

import pytest

from imgaudit.rules import samples as sample
from imgaudit.rules.engine import Severity
from imgaudit.writers.elf import program
from tests.rules._containers import AT, in_region

EM_ARM, EM_X86_64, EM_RISCV, EM_AARCH64 = 40, 62, 243, 183


def of_class_32(machine: int) -> bytes:
    """Give a bare 32-bit header (System V gABI, chapter 4)."""
    head = b"\x7fELF\x01\x01\x01" + bytes(9) + (2).to_bytes(2, "little")
    head += machine.to_bytes(2, "little") + (1).to_bytes(4, "little") + bytes(16)
    return head + (52).to_bytes(2, "little") + bytes(10)


@pytest.mark.parametrize(
    ("data", "board", "severity"),
    [
        (program(machine=EM_AARCH64), "arm64", None),
        (program(machine=EM_AARCH64), "arm", Severity.ERROR),
        (program(machine=EM_X86_64), "arm64", Severity.ERROR),
        (program(machine=EM_RISCV), "riscv64", None),
        (program(machine=EM_RISCV), "riscv32", Severity.ERROR),
        (program(machine=250), "arm64", Severity.ERROR),
        (of_class_32(EM_ARM), "arm", None),
        (of_class_32(EM_ARM), "arm64", Severity.WARNING),
    ],
)
def test_machines(data: bytes, board: str, severity: Severity | None) -> None:
    findings = in_region("elf-wrong-architecture", "elf", data, arch=board)
    assert [finding.severity for finding in findings] == ([severity] if severity else [])
    assert all(finding.offset == AT + 18 for finding in findings)


def test_an_elf_file_inside_another_artifact_is_not_judged_here() -> None:
    data = sample.fit({"firmware": sample.image(payload=program(machine=EM_X86_64))})
    assert in_region("elf-wrong-architecture", "fit", data) == []


def test_the_writers_compression_is_looked_through() -> None:
    data = sample.packed(program(machine=EM_X86_64))
    assert len(in_region("elf-wrong-architecture", "elf", data)) == 1
