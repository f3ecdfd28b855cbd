"""Why a boot command does not start what is in RAM: each reason, on a small board."""

from __future__ import annotations

from dataclasses import replace

import pytest

from imgaudit.proof.records import Proof, Verdict
from imgaudit.rules import samples as sample
from imgaudit.rules._boot import RAM, RECOVERY, scripted, whole_fit
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
    assert [link.role for link in proof.chain] == [
        "environment",
        "kernel",
        "fdt",
        "ramdisk",
        "init",
    ]
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


FIT = made()
_END = 0x90000000  # of the board's RAM
_SMALL = "sf read {:#x} 0x10000 0x100"


def read(size: int, *, to: int = 0x88000000, at: int = 0x20000, then: str = "true") -> str:
    return f"sf probe && sf read {to:#x} {at:#x} {size:#x} && {then} && bootm {to:#x}"


@pytest.mark.parametrize(
    ("script", "why"),
    [
        (read(len(FIT)), None),
        (read(len(FIT) - 1), f"of recovery, which has {len(FIT):,} bytes"),
        (read(len(FIT), at=0x20001), "it reads from 0x20001, but recovery starts at 0x20000"),
        (read(len(FIT), at=0xF0000), "it reads nor 0xf0000, where no region is"),
        (read(0x40000, to=_END - len(FIT)), None),  # what is behind the FIT is not used
        (read(0x40000, to=_END - len(FIT) + 1), "no RAM is there for all of it"),
        (read(0x40000, to=0x80000000), None),
        (read(len(FIT), to=0x7FFFFFFF), "no RAM is there for all of it"),
        (read(0x40000, then=_SMALL.format(0x88000000 + len(FIT))), None),
        (read(0x40000, then=_SMALL.format(0x88000000 + len(FIT) - 1)), "it overwrites the kernel"),
        (read(0x40000, then=_SMALL.format(0x88000000 - 0x100)), None),
        (read(0x40000, then=_SMALL.format(0x88000000 - 0xFF)), "it overwrites the kernel"),
        (f"{READ} && bootefi bootmgr", "no medium has an EFI program or boot entries"),
        (f"{READ} && bootefi bootmgr 0x88000000", "no medium has an EFI program or boot entries"),
    ],
)
def test_a_part_is_whole_in_ram_and_stays_so(script: str, why: str | None) -> None:
    proof = started(FIT, script)
    assert proof.verdict is (Verdict.REFUTED if why else Verdict.PROVEN), proof.line()
    assert (why or "") in proof.line()


def test_nothing_is_no_kernel() -> None:
    empty = raw(f"booti {WITH}", b"")
    assert empty.verdict is Verdict.REFUTED
    assert "the kernel kernel is empty" in empty.line()
    assert "booti takes" in raw(f"booti {WITH}", b"x").line()
    # of what nobody gave, a read of no bytes starts nothing, and one of a byte nobody knows
    for size, verdict in ((0, Verdict.REFUTED), (1, Verdict.UNPROVEN)):
        example = scripted(read(size), itb=made)
        layout = example.layout.replace(", file: recovery.itb", "")
        assert proof_of(replace(example, layout=layout)).verdict is verdict


@pytest.mark.parametrize(("at", "reached"), [(0x88040000, False), (0x8803FFFF, True)])
def test_a_read_stays_out_of_what_is_reserved(at: int, *, reached: bool) -> None:
    """A read puts all its bytes there, also those behind the image."""
    area = f"reserved: [{{name: dsp, at: {at:#x}, size: 4 KiB}}]"
    proof = proof_of(scripted(itb=made, ram=RAM.replace("}]}", f"}}], {area}}}")))
    assert ("reaches into dsp" in proof.line()) is reached
    assert (proof.verdict is Verdict.REFUTED) is reached


# U-Boot env/common.c, env_get_yesno: true by the first of 1, y, Y, t and T; boot/bootm.c: what is
# not set verifies, too.
@pytest.mark.parametrize(
    ("said", "looks"),
    [("", True), ("yes", True), ("True", True), ("1", True), ("n", False), ("off", False)],
)
def test_whether_the_sums_are_looked_at(said: str, *, looks: bool) -> None:
    changed = FIT.replace(b"\xd5" * 8, b"\xd5" * 7 + b"\xd4", 1)
    proof = started(changed, f"setenv verify {said}; {RECOVERY}")
    assert (proof.verdict is Verdict.REFUTED) is looks, proof.line()
    assert ("the sha256 of kernel/hash-1 does not hold" in proof.line()) is looks
    assert looks is (proof.step is not None and proof.step.region == "recovery")


def test_a_sum_of_what_is_not_started_is_not_looked_at() -> None:
    data = made({"other": sample.kernel(payload=b"x" * 64)}).replace(b"x" * 64, b"y" * 64)
    assert started(data).verdict is Verdict.PROVEN


# U-Boot boot/image-fit.c, fit_image_load: the types and systems that bootm takes for each part.
@pytest.mark.parametrize(
    ("images", "why"),
    [
        ({"kernel": sample.kernel({"type": "kernel_noload"})}, None),
        ({"kernel": sample.kernel({"type": "standalone"})}, "kernel says type standalone, and is"),
        ({"kernel": sample.kernel({"os": "netbsd"})}, "kernel says os netbsd, not linux"),
        ({"kernel": sample.kernel({"os": ()})}, "kernel says os nothing, not linux"),
        ({"kernel": sample.kernel({"os": "u-boot"})}, "kernel says os u-boot, not linux"),
        ({"ramdisk": sample.image({"type": "kernel"}, payload=ROOT)}, "and is taken as ramdisk"),
        ({"ramdisk": sample.image({"os": "netbsd"}, payload=ROOT)}, "ramdisk says os netbsd"),
        ({"ramdisk": sample.image({"os": "u-boot"}, payload=ROOT)}, None),
        (
            {"fdt": sample.image({"type": "flat_dt", "os": "x"}, payload=sample.board_tree())},
            None,
        ),
        (
            {"fdt": sample.image({"type": "flat_dt"}, payload=b"tide" * 9)},
            "the device tree fdt is data of no known format",
        ),
    ],
)
def test_an_image_is_taken_for_what_it_says(images: Tree, why: str | None) -> None:
    proof = started(made(images))
    assert proof.verdict is (Verdict.REFUTED if why else Verdict.PROVEN), proof.line()
    assert (why or "") in proof.line()


KERNEL_AT = 0x80200000


def raw(script: str, kernel: bytes, *, arch: str = "arm64", ramdisk: bytes = ROOT) -> Proof:
    """Start a kernel of its own region, and a tree and a ramdisk of theirs."""
    holds = "cpio" if ramdisk[:4] == ROOT[:4] else "uimage"
    example = scripted(
        f"sf probe && sf read 0x82000000 0x60000 0x10000 && sf read 0x84000000 0x70000 0x1000"
        f" && sf read 0x86000000 0x80000 {len(ramdisk):#x} && {script}",
        regions=(
            "name: kernel, at: 384 KiB, size: 64 KiB, holds: raw, file: kernel",
            "name: tree, at: 448 KiB, size: 64 KiB, holds: fdt, file: board.dtb",
            f"name: root, at: 512 KiB, size: 64 KiB, holds: {holds}, file: root.cpio",
        ),
        files={
            "kernel": lambda: kernel,
            "board.dtb": sample.board_tree,
            "root.cpio": lambda: ramdisk,
        },
    )
    layout = example.layout.replace("arch: arm64", f"arch: {arch}")
    layout = layout.replace("[env, recovery]", "[env, kernel, tree, root]")
    layout = layout.replace("ramdisk: recovery", "ramdisk: root")
    return proof_of(Example(layout, example.files))


IMAGE = sample.arm64_kernel(4096, image_size=0x10000)
TREE = "0x84000000"
WITH = f"0x82000000 0x86000000:{len(ROOT):x} {TREE}"


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
        (f"booti {WITH}", sample.riscv_kernel(4096), "is a kernel for riscv64, the board is arm64"),
        (f"booti 0x82000000 0x86000000 {TREE}", IMAGE, "no header of U-Boot's, and no size"),
        (f"booti 0x82000000 0x86000000:{len(ROOT) - 1:x} {TREE}", IMAGE, "it gives the kernel "),
        (f"booti 0x82000000 0x86000000:{len(ROOT) + 1:x} {TREE}", IMAGE, None),
        (f"booti {WITH.removesuffix(TREE)}", IMAGE, "no device tree is given"),
        (f"booti {WITH.removesuffix(TREE)} ${{fdtcontroladdr}}", IMAGE, None),
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
    ("arch", "script", "kernel", "verdict", "why"),
    [
        (
            "riscv64",
            f"booti {WITH}",
            sample.riscv_kernel(4096).replace(b"RSC\x05", bytes(4)),
            Verdict.REFUTED,
            "lacks the magic that U-Boot looks for",
        ),
        ("riscv64", f"booti {WITH}", sample.riscv_kernel(4096), Verdict.REFUTED, "/init"),
        ("arm", f"bootz {WITH}", sample.zimage(4096, says=4096), Verdict.REFUTED, "/init"),
        ("arm", f"bootz {WITH}", sample.zimage(4096, says=4097), Verdict.REFUTED, "1 byte too ear"),
        (
            "arm",
            f"bootz {WITH.removesuffix(TREE)}",
            sample.zimage(4096, says=4096),
            Verdict.UNPROVEN,
            "no device tree is given; one may be appended to the kernel",
        ),
        (
            "arm64",
            f"setexpr n *1000; booti {WITH.removesuffix(TREE)} ${{n}}",
            IMAGE,
            Verdict.UNPROVEN,
            "where the device tree is, is not known",
        ),
        (
            "arm64",
            f"booti 0x82000000 - {TREE}",
            IMAGE,
            Verdict.UNPROVEN,
            "no bootargs are set, so root= is what the kernel was built with",
        ),
        (
            "arm64",
            f"setenv bootargs quiet; booti 0x82000000 - {TREE}",
            IMAGE,
            Verdict.UNPROVEN,
            "bootargs has no root=, so it is what the kernel was built with",
        ),
        (
            "arm64",
            f"setenv bootargs root=${{disk}}; booti 0x82000000 - {TREE}",
            IMAGE,
            Verdict.UNPROVEN,
            "root",
        ),
        (
            "arm64",
            f"setenv bootargs root=LABEL=main; booti 0x82000000 - {TREE}",
            IMAGE,
            Verdict.REFUTED,
            "root=LABEL=main needs a ramdisk to look it up; there is none",
        ),
        (
            "arm64",
            f"setenv bootargs root=/dev/nfs; booti 0x82000000 - {TREE}",
            IMAGE,
            Verdict.UNPROVEN,
            "root=/dev/nfs",
        ),
    ],
)
def test_a_kernel_of_each_architecture_and_what_it_is_given(
    arch: str, script: str, kernel: bytes, verdict: Verdict, why: str
) -> None:
    proof = raw(script, kernel, arch=arch)
    assert proof.verdict is verdict, proof.line()
    assert why in proof.line()


# U-Boot boot/image-board.c, select_ramdisk: a uImage must be a ramdisk for Linux on this machine.
@pytest.mark.parametrize(
    ("kind", "system", "arch", "why"),
    [
        (3, 5, 22, None),
        (2, 5, 22, "is a uImage of type kernel for linux on arm64, no ramdisk"),
        (3, 17, 22, "no ramdisk for linux on arm64"),
        (3, 5, 2, "is a uImage of type ramdisk for linux on arm, no ramdisk"),
    ],
)
def test_a_ramdisk_with_a_header(kind: int, system: int, arch: int, why: str | None) -> None:
    packed = sample.uimage(ROOT, kind=kind, system=system, arch=arch)
    script = f"booti 0x82000000 0x86000000 {TREE}"
    proof = raw(script, IMAGE, ramdisk=packed)
    assert proof.verdict is (Verdict.REFUTED if why else Verdict.PROVEN), proof.line()
    assert (why or "") in proof.line()
    broken = raw(script, IMAGE, ramdisk=packed[:-1] + b"!")
    assert broken.verdict is Verdict.REFUTED
    assert (why or "the crc32 of data does not hold") in broken.line()
    assert broken.step is not None
    assert broken.step.region == "root"
    cut = raw(script, IMAGE, ramdisk=packed[:-1])
    assert (why or "root.cpio is cut") in cut.line()


@pytest.mark.parametrize(
    ("script", "verdict", "why"),
    [
        ("unzip 0x90000000 0x82000000", Verdict.UNPROVEN, "unpacks is not known"),
        ("unzip 0x8b000000 0x82000000", Verdict.PROVEN, ""),
        ("unzip 0x86000000 0x82000000", Verdict.REFUTED, "it unpacks root, which is cpio"),
        ("setexpr at *1000; unzip ${at} 0x82000000", Verdict.UNPROVEN, "unpacks is not known"),
    ],
)
def test_a_kernel_that_a_command_unpacks(script: str, verdict: Verdict, why: str) -> None:
    """Source: U-Boot cmd/unzip.c."""
    packed = sample.packed(IMAGE)
    proof = raw(f"sf read 0x8b000000 0x60000 {len(packed):#x}; {script}; booti {WITH}", packed)
    assert proof.verdict is verdict, proof.line()
    assert why in proof.line()


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
