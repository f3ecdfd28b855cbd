"""ELF files that a region holds: built for the board's processor."""

from __future__ import annotations

from imgaudit.formats.elf import Elf
from imgaudit.rules._containers import contents
from imgaudit.rules.engine import Example, Outcome, Rule, Severity, check
from imgaudit.rules.examples import nor
from imgaudit.rules.subject import Subject
from imgaudit.writers.elf import X86_64, program

_RUNS = {
    ("AArch64", 64): "arm64",
    ("ARM", 32): "arm",
    ("MIPS", 32): "mips",
    ("MIPS", 64): "mips",
    ("PowerPC", 32): "powerpc",
    ("PowerPC64", 64): "powerpc",
    ("RISC-V", 32): "riscv32",
    ("RISC-V", 64): "riscv64",
    ("x86", 32): "x86",
    ("x86-64", 64): "x86-64",
}


def _one(data: bytes) -> Example:
    return nor(
        "name: firmware, at: 0, size: 64 KiB, holds: elf, file: firmware.elf",
        files={"firmware.elf": lambda: data},
    )


ARCHITECTURE = Rule(
    name="elf-wrong-architecture",
    severity=Severity.ERROR,
    message="{content} is {bits}-bit {machine} code, the board is {wanted}",
    effect="Its loader refuses it, or the processor cannot run it.",
    fix="Ship the file that was built for {wanted}.",
    computed="the machine and class of an ELF file in a region of its own are not the layout's; a"
    " warning for 32-bit ARM on arm64, which may be a coprocessor's",
    source="System V gABI, chapter 4, e_machine",
    judges=("elf",),
    bad=_one(program(machine=X86_64)),
    good=_one(program()),
)


@check(ARCHITECTURE)
def elf_architecture(subject: Subject) -> Outcome:
    if subject.layout is None:
        return
    wanted = subject.layout.arch
    for found in contents(subject, Elf):
        region = found.region
        if region is None or region.holds != "elf" or found.start != region.at + region.file_at:
            continue
        facts = found.facts
        runs = _RUNS.get((facts.machine, facts.bits))
        if runs != wanted:
            both = (runs, wanted) == ("arm", "arm64")
            yield found.finding(
                ARCHITECTURE,
                at=facts.offsets["machine"],
                length=2,
                severity=Severity.WARNING if both else None,
                bits=facts.bits,
                machine=facts.machine,
                wanted=wanted,
            )
