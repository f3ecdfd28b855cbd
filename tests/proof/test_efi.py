"""What `bootefi` starts: a kernel with its stub, a unified kernel image, or nobody knows what."""

from __future__ import annotations

from dataclasses import replace

import pytest

from imgaudit.proof.records import Proof, Verdict
from imgaudit.rules import samples as sample
from imgaudit.rules.built import subject_of
from imgaudit.rules.main_root import system
from imgaudit.writers.env import environment
from imgaudit.writers.kernel import image
from tests.formats.test_volumes import program

ROOT = "console=ttyS0 root=PARTLABEL=rootfs rootwait"
KERNEL = image({"EXT4_FS": "y"})
OTHER = "console=ttyS0 root=PARTLABEL=records rootwait"


def started(data: bytes, bootargs: str = ROOT, command: str = "bootefi 80200000 88000000") -> Proof:
    """Give the proof of a board that reads a program and a device tree from its eMMC."""
    example = system()
    arguments = f"setenv bootargs {bootargs} && " if bootargs else ""
    reads = "mmc dev 0 && mmc read 80200000 0x10000 0x4000 && mmc read 88000000 0x14000 0x80"
    variables = {"bootcmd": f"{reads} && {arguments}{command}"}
    layout = example.layout.replace("boot-area: 2 MiB", "boot-area: 2 MiB, number: 0")
    layout = layout.replace("holds: arm64-image", "holds: raw")
    files = {
        **example.files,
        "u-boot.env": lambda: environment(variables, 8 << 10, None),
        "Image": lambda: data,
    }
    (proof,) = subject_of(replace(example, layout=layout, files=files)).proofs
    return proof


def unified(text: str | None = ROOT, **more: bytes) -> bytes:
    sections = {} if text is None else {".cmdline": text.encode()}
    sections |= {f".{name}": data for name, data in more.items()}
    return program(sections=sections | {".linux": KERNEL})


@pytest.mark.parametrize(
    ("data", "bootargs", "command"),
    [
        (KERNEL, ROOT, "bootefi 80200000 88000000"),
        (KERNEL, ROOT, "bootefi 80200000"),  # U-Boot gives its own device tree
        (unified(), "", "bootefi 80200000"),
        (unified(), ROOT, "bootefi 80200000"),
        (unified(None), ROOT, "bootefi 80200000"),
        (unified(dtb=sample.board_tree()), "", "bootefi 80200000"),
    ],
)
def test_what_starts(data: bytes, bootargs: str, command: str) -> None:
    proof = started(data, bootargs, command)
    assert proof.verdict is Verdict.PROVEN, proof.line()
    assert {link.role for link in proof.chain} >= {"kernel", "fdt", "root", "init"}


@pytest.mark.parametrize(
    ("data", "bootargs", "verdict", "why"),
    [
        (unified(OTHER), "", Verdict.REFUTED, "root=PARTLABEL=records"),
        (unified(), OTHER, Verdict.UNPROVEN, "Secure Boot"),
        (program(0x8664, {".linux": KERNEL}), ROOT, Verdict.REFUTED, "x86-64"),
        (program(), ROOT, Verdict.UNPROVEN, "is not known"),
        (unified(None), "", Verdict.REFUTED, "nothing says root="),
        (unified(None)[:-1], ROOT, Verdict.REFUTED, "ends 1 byte too early"),
        (KERNEL, f"{ROOT} initrd=/initrd.img", Verdict.UNPROVEN, "initrd="),
        (KERNEL, OTHER, Verdict.REFUTED, "root=PARTLABEL=records"),
    ],
)
def test_what_does_not_or_is_not_known(
    data: bytes, bootargs: str, verdict: Verdict, why: str
) -> None:
    proof = started(data, bootargs)
    assert proof.verdict is verdict, proof.line()
    assert proof.step is not None
    assert why in proof.step.why
