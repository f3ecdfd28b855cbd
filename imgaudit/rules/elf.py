"""ELF files that a region holds: built for the board's processor."""

from __future__ import annotations

from imgaudit.arches import of_elf
from imgaudit.contents.place import Node
from imgaudit.formats.elf import Elf
from imgaudit.rules.cited import PRACTICE, in_glibc, standard
from imgaudit.rules.engine import Example, Outcome, Rule, Severity, check
from imgaudit.rules.examples import nor
from imgaudit.rules.kinds import board_arch, contents_of
from imgaudit.writers.elf import X86_64, program

ELFS = contents_of(Elf)


def _one(data: bytes) -> Example:
    return nor(
        "name: firmware, at: 0, size: 64 KiB, holds: elf, file: firmware.elf",
        files={"firmware.elf": lambda: data},
    )


def _architecture_values(*, bits: int, machine: str, wanted: str) -> None: ...


ARCHITECTURE = Rule(
    name="elf-wrong-architecture",
    severity=Severity.ERROR,
    values=_architecture_values,
    message="{content} is {bits}-bit {machine} code, the board is {wanted}",
    effect="Its loader refuses it, or the processor cannot run it.",
    fix="Ship the file that was built for {wanted}.",
    computed="the machine and class of an ELF file in a region of its own are not the layout's; a"
    " warning for 32-bit ARM on arm64, which may be a coprocessor's",
    sources=(
        standard("System V gABI", "chapter 4, e_machine", copy=in_glibc("elf/elf.h", "e_machine")),
        PRACTICE,
    ),
    bad=_one(program(machine=X86_64)),
    good=_one(program()),
)


@check(ARCHITECTURE, over=ELFS, given=board_arch)
def elf_architecture(found: Node[Elf], wanted: str) -> Outcome:
    region = found.region
    if region is None or region.holds != "elf" or found.start != region.at + region.file_at:
        return
    facts = found.facts
    runs = of_elf(facts.machine, facts.bits)
    if runs != wanted:
        both = (runs, wanted) == ("arm", "arm64")
        yield ARCHITECTURE(bits=facts.bits, machine=facts.machine, wanted=wanted).inside(
            found,
            at=facts.offsets["machine"],
            length=2,
            severity=Severity.WARNING if both else None,
        )
