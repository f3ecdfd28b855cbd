"""Why a boot command does not start what is in RAM: each reason, on a small board."""

from __future__ import annotations

from dataclasses import replace

import pytest

from imgaudit.proof.records import Proof, Verdict
from imgaudit.rules import samples as sample
from imgaudit.rules._boot import RECOVERY, scripted, whole_fit
from imgaudit.rules.built import subject_of
from imgaudit.rules.engine import Example
from imgaudit.writers.cpio import cpio
from imgaudit.writers.elf import program
from imgaudit.writers.fdt import Tree
from imgaudit.writers.tree import file

READ = "sf probe && sf read 0x88000000 0x20000 0x40000"
ROOT = cpio({"init": file(program(), 0o755)}, 0)
IMAGES: Tree = {
    "kernel": sample.kernel(),
    "fdt": sample.image({"type": "flat_dt"}, payload=sample.board_tree()),
    "ramdisk": sample.image(payload=ROOT),
}
PARTS: Tree = {"kernel": "kernel", "fdt": "fdt", "ramdisk": "ramdisk"}


def proof_of(example: Example) -> Proof:
    (proof,) = (one for one in subject_of(example).proofs if one.stage.name == "recovery")
    return proof


def made(
    images: Tree | None = None, parts: Tree | None = None, *, default: str | None = "conf"
) -> bytes:
    """Write a FIT with other images, and another choice of them."""
    choices: Tree = {"conf": PARTS if parts is None else parts}
    return sample.fit({**IMAGES, **(images or {})}, configurations=choices, default=default)


def started(itb: bytes, script: str = RECOVERY) -> Proof:
    return proof_of(scripted(script, itb=lambda: itb))


def test_a_whole_fit_is_started() -> None:
    proof = started(made())
    assert proof.verdict is Verdict.PROVEN, proof.line()
    assert [link.role for link in proof.chain][-3:] != []
    assert proof_of(scripted(itb=whole_fit)).verdict is Verdict.PROVEN


_ARM = sample.kernel({"arch": "arm"})
_NOISE = sample.kernel(payload=b"tide" * 512)
_BROKEN = sample.kernel({"compression": "gzip"}, payload=sample.packed(sample.arm64_kernel())[:-20])


@pytest.mark.parametrize(
    ("itb", "script", "why"),
    [
        (made(), f"{RECOVERY}#gone", "recovery.itb has no configuration gone"),
        (made(default=None), RECOVERY, "recovery.itb names no default configuration"),
        (made(parts={"fdt": "fdt"}), RECOVERY, "configuration conf of recovery.itb has no kernel"),
        (made(parts={**PARTS, "kernel": "gone"}), RECOVERY, "recovery.itb has no image gone"),
        (
            made(parts={**PARTS, "fdt": "gone"}),
            RECOVERY,
            "recovery.itb has no image gone: U-Boot starts the kernel without its device tree",
        ),
        (
            made(parts={**PARTS, "ramdisk": "gone"}),
            RECOVERY,
            "recovery.itb has no image gone: U-Boot starts the kernel without its ramdisk",
        ),
        (made({"kernel": _ARM}), RECOVERY, "kernel is for arm, the board is arm64"),
        (made({"kernel": _NOISE}), RECOVERY, "kernel is no kernel for arm64"),
        (made({"kernel": _BROKEN}), RECOVERY, "cannot be unpacked"),
        (made({"ramdisk": sample.image(payload=b"tide" * 64)}), RECOVERY, "ramdisk"),
        (
            made({"ramdisk": sample.image(payload=cpio({"init": file(b"", 0o755)}, 0))}),
            RECOVERY,
            "/init",
        ),
        (made(), "mw.b 0x88000000 0 0x40; bootm 0x88000000", "it fills what is at 0x88000000"),
        (made(), f"{READ} && bootm 0x90000000", "nothing on this path puts a kernel at 0x90000000"),
        (made(), "bootm 0x88000000", "nothing on this path puts a kernel at 0x88000000"),
        (
            made(),
            f"{READ} && bootm 0x88000000 - 0x90000000",
            "nothing on this path puts a device tree at 0x90000000",
        ),
        (made(), f"{READ} && booti 0x88000000 - 0x88000000", "booti takes"),
    ],
)
def test_why_it_is_not_started(itb: bytes, script: str, why: str) -> None:
    proof = started(itb, script)
    assert proof.verdict is Verdict.REFUTED, proof.line()
    assert why in proof.line()


@pytest.mark.parametrize(
    ("script", "why"),
    [
        (
            f"{READ} && cp.b 0x88000000 0x84000000 0x40000 && bootm 0x84000000",
            "what `cp.b 0x88000000 0x84000000 0x40000` puts at 0x84000000 is not followed",
        ),
        ("setexpr n *1000; sf probe && sf read ${n} 0x20000 0x40000 && bootm ${n}", "address"),
        (f"setexpr n *1000; {READ} && booti 0x88000000 - ${{n}}", "booti takes"),
        (f"{READ} && bootefi bootmgr", "EFI"),
        (f"{READ} && bootelf 0x88000000", "what bootelf starts is not known"),
    ],
)
def test_why_it_cannot_be_told(script: str, why: str) -> None:
    proof = started(made(), script)
    assert proof.verdict is not Verdict.PROVEN
    assert why in proof.line(), proof.line()


def test_a_start_without_the_ramdisk_of_the_stage() -> None:
    itb = made(parts={"kernel": "kernel", "fdt": "fdt"})
    open_one = started(itb)
    assert open_one.verdict is Verdict.UNPROVEN
    assert "no bootargs are set, so root= is what the kernel was built with" in open_one.line()


KERNEL_AT = 0x80200000


def raw(script: str, kernel: bytes, *, arch: str = "arm64") -> Proof:
    """Start a kernel of its own region, and a tree and a ramdisk of theirs."""
    example = scripted(
        f"sf probe && sf read 0x82000000 0x60000 0x10000 && sf read 0x84000000 0x70000 0x1000"
        f" && sf read 0x86000000 0x80000 {len(ROOT):#x} && {script}",
        regions=(
            "name: kernel, at: 384 KiB, size: 64 KiB, holds: raw, file: kernel",
            "name: tree, at: 448 KiB, size: 64 KiB, holds: fdt, file: board.dtb",
            "name: root, at: 512 KiB, size: 64 KiB, holds: cpio, file: root.cpio",
        ),
        files={"kernel": lambda: kernel, "board.dtb": sample.board_tree, "root.cpio": lambda: ROOT},
    )
    layout = example.layout.replace("arch: arm64", f"arch: {arch}")
    layout = layout.replace("[env, recovery]", "[env, kernel, tree, root]")
    layout = layout.replace("ramdisk: recovery", "ramdisk: root")
    return proof_of(Example(layout, example.files))


IMAGE = sample.arm64_kernel(4096, image_size=0x10000)
WITH = f"0x82000000 0x86000000:{len(ROOT):x} 0x84000000"


@pytest.mark.parametrize(
    ("script", "kernel", "why"),
    [
        (f"booti {WITH}", IMAGE, None),
        (f"bootm {WITH}", sample.uimage(IMAGE, kind=2, load=KERNEL_AT), None),
        (f"bootm {WITH}", sample.uimage(IMAGE, kind=3, load=KERNEL_AT), "type ramdisk, not kernel"),
        (f"bootm {WITH}", sample.uimage(IMAGE, kind=2, system=17, load=KERNEL_AT), "says os "),
        (f"bootm {WITH}", sample.uimage(IMAGE, kind=2, arch=2, load=KERNEL_AT), "is for arm, the"),
        (f"bootm {WITH}", sample.uimage(IMAGE, kind=2, load=KERNEL_AT)[:-512], "is cut"),
        (
            f"bootm {WITH}",
            sample.uimage(IMAGE, kind=2, load=KERNEL_AT)[:-4] + b"gone",
            "the crc32 of data",
        ),
        (f"bootm {WITH}", IMAGE, "bootm takes"),
        (f"booti {WITH}", sample.uimage(IMAGE, kind=2, load=KERNEL_AT), "booti takes"),
        (f"bootz {WITH}", IMAGE, "bootz takes"),
        (f"booti {WITH}", sample.packed(IMAGE), "is compressed, and "),
        (
            f"setenv kernel_comp_addr_r 88000000 && setenv kernel_comp_size 1000 && booti {WITH}",
            sample.packed(IMAGE),
            None,
        ),
        (
            f"setenv kernel_comp_addr_r 88000000 && setenv kernel_comp_size 10 && booti {WITH}",
            sample.packed(IMAGE),
            "kernel_comp_size is 16 bytes",
        ),
    ],
)
def test_a_kernel_by_itself(script: str, kernel: bytes, why: str | None) -> None:
    proof = raw(script, kernel)
    assert proof.verdict is (Verdict.REFUTED if why else Verdict.PROVEN), proof.line()
    assert (why or "") in proof.line()


@pytest.mark.parametrize(
    ("label", "name", "proven"),
    [
        ("", "recovery", True),
        ("label: mending, ", "recovery", False),
        ("label: mending, ", "mending", True),
    ],
)
def test_a_region_is_read_by_what_the_board_calls_it(label: str, name: str, proven: bool) -> None:
    example = scripted(f"mtd read {name} 0x88000000 && bootm 0x88000000", itb=made)
    layout = example.layout.replace("name: recovery, ", f"name: recovery, {label}")
    proof = proof_of(replace(example, layout=layout))
    assert (proof.verdict is Verdict.PROVEN) is proven, proof.line()
