"""No stage is proven beside an error that says that it does not start."""

from __future__ import annotations

import re
import struct
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from uuid import UUID

import pytest

from imgaudit.contents.build import FolderStore
from imgaudit.contents.reader import Loader
from imgaudit.demo.build import build
from imgaudit.files import Folder
from imgaudit.layout.load import load
from imgaudit.proof.records import Proof, Verdict
from imgaudit.report import render
from imgaudit.rules import checks
from imgaudit.rules import samples as sample
from imgaudit.rules._boot import RAM, RECOVERY, scripted, whole_fit
from imgaudit.rules.built import subject_of
from imgaudit.rules.engine import Example, Severity
from imgaudit.rules.first_stage import _egon as egon
from imgaudit.rules.main_root import system
from imgaudit.rules.proof import DOES_NOT_START, TELLS
from imgaudit.rules.subject import Subject, gather
from imgaudit.tasks import audit, covered
from imgaudit.tasks.follow import follow
from imgaudit.tasks.refuted import held
from imgaudit.units import MIB
from imgaudit.writers.cpio import cpio
from imgaudit.writers.elf import program
from imgaudit.writers.ext4 import ext4
from imgaudit.writers.fdt import Tree, fdt
from imgaudit.writers.gpt import Partition, gpt
from imgaudit.writers.tree import Root, directory, file
from tests.proof import test_boards as heron

_SAYS = re.compile(
    r"does not (?:start|boot|attach)|nothing (?:starts|boots|(?:more )?is heard)|panics|is dead"
    r"|unpacks nothing|never starts|hangs"
)
_BY_THE_PROOF = frozenset().union(*TELLS.values()) | {DOES_NOT_START.name}
"""What the proof itself decides, for what the scripts use of the image."""
_ELSEWHERE = {
    "filesystem-has-errors": "it is mounted, unless its own policy says otherwise",
    "fit-not-signed-as-required": "with_signatures refutes the stages that start it",
    "fit-signature-does-not-verify": "with_signatures refutes the stages that start it",
    "manifest-board-differs": "the release that was sealed is not what the stages start from",
    "recovery-lists-other-chip": "only where another chip is broken",
    "start-waits-for-another-chip": "only where another chip is broken",
    "ubi-damaged": "only some damage keeps it from attaching",
    "update-leaves-nothing-bootable": "only where the power goes",
    "warm-reset-loses-flash": "a cold start works",
}


@pytest.mark.parametrize("name", sorted(checks()))
def test_a_rule_that_says_so_refutes_what_it_is_about(name: str) -> None:
    rule = checks()[name].rule
    if rule.severity is not Severity.ERROR or not _SAYS.search(rule.effect):
        assert name not in _ELSEWHERE
        return
    assert rule.stops or name in _BY_THE_PROOF or name in _ELSEWHERE


ARCHIVE: Root = {"init": file(program(), 0o755)}
TREE = sample.board_tree()


def recovery_of(example: Example, stage: str = "recovery") -> Proof:
    """Give the proof of a stage as the audit tells it."""
    subject = subject_of(example)
    proofs = held(subject, audit.run(subject).findings).proofs
    return next(proof for proof in proofs if proof.stage.name == stage and proof.taken)


def two_boards(parts: Tree, other: Tree, script: str = "", rest: str = "") -> Example:
    """Give a FIT with a good configuration, and one of another board that nothing starts."""
    images: Tree = {
        "kernel": sample.kernel(),
        "fdt": sample.image({"type": "flat_dt"}, payload=TREE),
        "ramdisk": sample.image(payload=cpio(ARCHIVE, 0)),
        **parts,
    }
    good: Tree = {"kernel": "kernel", "fdt": "fdt", "ramdisk": "ramdisk"}
    choices: Tree = {"conf": good, "other": {**good, **other}}
    recovery = script or RECOVERY
    return scripted(recovery, itb=lambda: sample.fit(images, configurations=choices), rest=rest)


_LOW = sample.kernel({"load": 0x40000000, "entry": 0x40000000})
_PLAIN = sample.kernel({"compression": "gzip"})
_EXTRA: Tree = {"fragment@0": {"target-path": "/", "__overlay__": {"rate": 4}}}
_OVERLAY = sample.image({"type": "flat_dt"}, payload=fdt(_EXTRA))
_EMPTY = sample.image(payload=cpio({"bin": directory()}, 0))


@pytest.mark.parametrize(
    ("part", "role"),
    [(_LOW, "kernel"), (_PLAIN, "kernel"), (_OVERLAY, "fdt"), (_EMPTY, "ramdisk")],
)
def test_what_is_for_another_board_refutes_nothing(part: Tree, role: str) -> None:
    example = two_boards({"extra": part}, {role: "extra"})
    assert recovery_of(example).verdict is Verdict.PROVEN
    taken = two_boards({"extra": part}, {role: "extra"}, f"{RECOVERY}#other")
    assert recovery_of(taken).verdict is Verdict.REFUTED


def test_the_tree_that_a_script_starts_is_the_board_s() -> None:
    """It is not the FIT's default that is started; U-Boot doc/usage/fit: `bootm ADDR#CONFIG`."""
    name = b"example,other"
    assert b"example,gauge" in TREE
    changed = TREE.replace(b"example,gauge", name)
    other: Tree = {"tree": sample.image({"type": "flat_dt"}, payload=changed)}
    wanted = "compatible: example,gauge\n"
    names = {
        script: {item.rule.name for item in audit.run(subject_of(made)).findings}
        for script in ("", f"{RECOVERY}#other")
        for made in (two_boards(other, {"fdt": "tree"}, script, wanted),)
    }
    assert "device-tree-for-another-board" not in names[""]
    assert "device-tree-for-another-board" in names[f"{RECOVERY}#other"]


def test_the_command_of_another_stage_refutes_only_that_one() -> None:
    """The spare stage reads the FIT to where the secure monitor is."""
    over = RECOVERY.replace("0x88000000", "0x89000000")
    stage = "  spare:\n    regions: [env, recovery]\n    entry: spare\n"
    ram = RAM.replace("]}", "], reserved: [{name: monitor, at: 0x89000000, size: 1 MiB}]}")
    itb = two_boards({}, {}).files["recovery.itb"]
    both = scripted(more={"spare": over}, stage=stage, ram=ram, itb=itb)
    found = {item.rule.name for item in audit.run(subject_of(both)).findings}
    assert "load-over-reserved-memory" in found
    assert recovery_of(both, "spare").verdict is Verdict.REFUTED
    assert recovery_of(both).verdict is Verdict.PROVEN


@pytest.mark.parametrize(
    ("start", "finding"),
    [(bytes(512), "gpt-missing"), (bytes(510) + b"\x55\xaa", "gpt-missing"), (None, "")],
    ids=["blank", "signed", "whole"],
)
def test_a_stage_that_reads_raw_sectors_asks_for_no_table(
    start: bytes | None, finding: str
) -> None:
    """U-Boot cmd/mmc.c, do_mmc_read: it reads blocks, and no partition table."""
    kernel = whole_fit()
    disk = gpt(8192, UUID(int=3), [Partition("kernel", UUID(int=5), UUID(int=4), 2048, 1024)])
    image = bytearray(disk.size)
    for at, data in disk.pieces:
        image[at : at + len(data)] = data
    image[MIB : MIB + len(kernel)] = kernel
    if start is not None:
        image[: MIB // 2] = start.ljust(MIB // 2, b"\0")
        image[-MIB // 2 :] = bytes(MIB // 2)
    made = scripted(
        more={"spare": "mmc dev 0 && mmc read 0x88000000 0x800 0x400 && bootm 0x88000000"},
        regions=("name: kernel, chip: emmc, partition: 1, at: 1 MiB, size: 512 KiB, holds: fit",),
        stage="  spare:\n    regions: [env, kernel]\n    entry: spare\n",
        itb=whole_fit,
        files={"emmc.img": lambda: bytes(image)},
    )
    emmc = "  emmc: {kind: emmc, number: 0, sectors: 8192, image: emmc.img}\n"
    text = made.layout.replace("chips:\n", f"chips:\n{emmc}").replace(
        "chip: nor, name: kernel, chip: emmc", "name: kernel, chip: emmc"
    )
    example = replace(made, layout=text)
    found = {item.rule.name for item in audit.run(subject_of(example)).findings}
    assert (finding in found) is bool(finding)
    assert recovery_of(example, "spare").verdict is Verdict.PROVEN


@pytest.mark.parametrize("reserving", ["recovery", "spare"])
def test_what_a_tree_reserves_binds_only_the_start_that_takes_it(reserving: str) -> None:
    """U-Boot boot/image-fdt.c, boot_fdt_add_mem_rsv_regions: of its own tree, and the given one."""
    area: Tree = {
        "#address-cells": 2,
        "#size-cells": 2,
        "ranges": (),
        "camera@88000000": {"reg": struct.pack(">QQ", 0x88000000, MIB)},
    }

    def itb(name: str) -> bytes:
        more: Tree = {"reserved-memory": area} if name == reserving else {}
        fdt_ = sample.image({"type": "flat_dt"}, payload=sample.board_tree(more))
        archive = sample.image(payload=cpio(ARCHIVE, 0))
        conf: Tree = {"kernel": "kernel", "fdt": "fdt", "ramdisk": "ramdisk"}
        images: Tree = {"kernel": sample.kernel(), "fdt": fdt_, "ramdisk": archive}
        return sample.fit(images, configurations={"conf": conf})

    example = scripted(
        more={"spare": RECOVERY.replace("0x20000 ", "0x60000 ")},
        regions=("name: spare, at: 384 KiB, size: 256 KiB, holds: fit, file: spare.itb",),
        stage="  spare:\n    regions: [env, spare]\n    entry: spare\n    ramdisk: spare\n",
        itb=lambda: itb("recovery"),
        files={"spare.itb": lambda: itb("spare")},
    )
    names = ("recovery", "spare")
    refuted = {it for it in names if recovery_of(example, it).verdict is Verdict.REFUTED}
    assert refuted == {reserving}


@pytest.mark.parametrize("holds", ["egon", "raw"])
@pytest.mark.parametrize(
    ("spare", "verdict"),
    [
        (lambda: egon(0), Verdict.PROVEN),
        (lambda: egon(1), Verdict.REFUTED),
        (whole_fit, Verdict.REFUTED),  # no first stage
    ],
)
def test_another_copy_of_the_first_stage_that_is_whole_starts(
    holds: str, spare: Callable[[], bytes], verdict: Verdict
) -> None:
    """U-Boot doc/board/allwinner/sunxi.rst: at 8 KiB of a card or an eMMC, and at 128 KiB."""
    loader = f"name: {{}}, chip: emmc, at: {{}} KiB, size: 64 KiB, holds: {holds}, file: {{}}"
    made = scripted(
        regions=(loader.format("loader", 8, "one"), loader.format("spare", 128, "two")),
        files={"one": lambda: egon(1), "two": spare},
        itb=whole_fit,
    )
    text = made.layout.replace(
        "regions: [env, recovery]", "regions: [env, recovery, loader, spare]"
    )
    text = text.replace("chips:\n", "chips:\n  emmc: {kind: emmc, number: 0, sectors: 8192}\n")
    text = re.sub(r"chip: nor, (name: \w+, chip: emmc)", r"\1", text)
    example = replace(made, layout=text)
    found = {item.rule.name for item in audit.run(subject_of(example)).findings}
    assert "first-stage-checksum" in found
    assert recovery_of(example).verdict is verdict


@pytest.mark.parametrize(
    ("size", "stored", "verdict"),
    [(8, 8, Verdict.PROVEN), (12, 8, Verdict.REFUTED), (8, 5, Verdict.UNPROVEN)],
)
def test_a_root_that_is_larger_than_its_partition_is_not_mounted(
    size: int, stored: int, verdict: Verdict
) -> None:
    """Linux fs/ext4/super.c, ext4_geometry_check; the partition has 8 MiB."""
    drivers = ("BINFMT_ELF", "EFI_PARTITION", "EXT4_FS", "MMC_BLOCK")
    board = system(kernel=drivers)
    layout = board.layout.replace("kind: emmc,", "kind: emmc, number: 0,")
    made = {"sbin/init": file(program(), 0o755), "etc": directory(), "data": directory()}
    made |= {name: directory() for name in ("dev", "proc", "sys")}
    root = ext4(size * MIB, made, label="rootfs", uuid=UUID(int=1), epoch=0).whole()
    files = {**board.files, "rootfs.ext4": lambda: root[: stored * MIB]}
    proof = recovery_of(replace(board, layout=layout, files=files), "main")
    assert proof.verdict is verdict


@pytest.mark.parametrize(
    ("fault", "stage", "word"),
    [
        ("load-over-secure-monitor", "recovery", "FAIL"),
        ("main-init-wrong-machine", "main", "INCOMPLETE"),
        (None, "none", "PASS"),
    ],
)
def test_no_screen_tells_a_refuted_stage_as_one_that_starts(
    fault: str | None, stage: str, word: str, tmp_path: Path
) -> None:
    layout = load(str(build(tmp_path, fault)))
    with Loader() as loader:
        subject = gather(layout, FolderStore(Folder(str(tmp_path)), loader))
    followed = render("text", follow(subject))
    assert f"{stage}: proven" not in followed
    assert (f"{stage}: refuted" in followed) is (fault is not None)
    endured = covered.endure(subject)
    assert endured.verdict is not None
    assert endured.verdict.word == word
    said = f"{stage}: does not start as built, audit says why"
    assert (said in endured.verdict.counts) is (word == "INCOMPLETE")


def test_a_slot_of_which_a_rule_knows_that_it_does_not_start_is_told() -> None:
    """Its file system is larger than its partition (Linux fs/ext4/super.c, ext4_geometry_check)."""
    tree: Root = {"sbin/init": file(program(), 0o755), "dev": directory()}
    large = ext4(40 * MIB, tree, label="root", uuid=UUID(int=1), epoch=0).whole()
    layout = heron._LAYOUT + heron._SLOTS
    subject = heron.board(heron._BY_SLOT, layout=layout, made={"root": lambda: large})
    assert verdicts_of(subject) == {"main a": "refuted", "main b": "proven"}
    endured = covered.endure(subject).verdict
    assert endured is not None
    assert "main a: does not start as built" in endured.counts
    assert "main b: does not" not in endured.counts


def verdicts_of(subject: Subject) -> dict[str, str]:
    proofs = [it for it in audit.settled(subject).proofs if "after" not in it.name]
    return {it.name: it.verdict.value for it in proofs}
