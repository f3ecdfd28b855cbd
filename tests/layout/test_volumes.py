"""Volumes of a UBI as regions of a layout, and what U-Boot and Linux do with them."""

from __future__ import annotations

import pytest

from imgaudit.contents.build import MemoryStore
from imgaudit.contents.reader import Loader
from imgaudit.errors import LayoutError
from imgaudit.layout.load import parse
from imgaudit.model import Layout
from imgaudit.proof.records import Proof, Verdict
from imgaudit.rules.samples import arm64_kernel, board_tree, fit, image, kernel
from imgaudit.rules.subject import gather
from imgaudit.rules.ubi import ubi
from imgaudit.tasks import audit
from imgaudit.units import KIB
from imgaudit.writers.env import environment
from imgaudit.writers.fdt import Tree

LAYOUT = """\
layout: 1
board: heron
arch: arm64
chips:
  nand: {kind: nand, size: 4 MiB, erase-block: 64 KiB, page: 2 KiB, bad-blocks: 0}
regions:
  - {name: env, chip: nand, at: 0, size: 128 KiB, holds: uboot-env, writer: runtime, file: env,
     env: {size: 16 KiB}}
  - {name: ubi, label: system, chip: nand, after: env, size: 1 MiB, holds: ubi, writer: release,
     file: ubi}
  - {name: kernel, chip: nand/ubi, size: 300 KiB, holds: fit, writer: release}
  - {name: data, chip: nand/ubi, size: rest, holds: raw, writer: runtime}
stages:
  main: {regions: [env, kernel], entry: bootcmd, variables: {}}
"""


def load(text: str = LAYOUT) -> Layout:
    return parse(text.encode(), "heron.yaml")


def test_volumes_stand_one_behind_the_other_in_what_ubi_leaves() -> None:
    layout = load()
    volumes = layout.regions_on("nand/ubi")
    assert [(it.name, it.holder, it.at, it.size) for it in volumes] == [
        ("kernel", "ubi", 0, 300 * KIB),
        ("data", "ubi", 300 * KIB, 12 * 60 * KIB - 300 * KIB),
    ]
    area = layout.area("nand/ubi")
    # 16 blocks less the four that UBI keeps; two pages of each are headers.
    assert (area.size, area.chip.largest_erase) == (12 * 60 * KIB, 60 * KIB)
    assert [region.name for region in layout.regions] == ["env", "ubi", "kernel", "data"]


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("size: 300 KiB", "at: 0, size: 300 KiB", "the key 'at' does not go with a volume"),
        ("size: 300 KiB", "size: 300 KiB, file-at: 4", "the key 'file-at' does not go"),
        ("holds: fit", "holds: ubi", "a volume has no volumes of its own"),
        ("nand/ubi, size: 300", "nand/ubo, size: 300", "nand has no ubo: a NAND has no areas"),
        ("name: data", "name: kernel", "a region 'kernel' stands already"),
        ("size: 300 KiB", "size: 1 MiB", "nothing is left in ubi"),
    ],
)
def test_what_a_volume_cannot_have(old: str, new: str, says: str) -> None:
    with pytest.raises(LayoutError) as caught:
        load(LAYOUT.replace(old, new))
    assert says in str(caught.value)


def test_volumes_that_are_too_large_together_are_past_the_end() -> None:
    layout = load(LAYOUT.replace("size: rest", "size: 421 KiB"))
    found = audit.run(gather(layout, None)).findings
    assert [(it.rule.name, it.region) for it in found if it.rule.name.startswith("region")] == [
        ("region-past-chip-end", "data")
    ]


UPDATES = "updates: {{swap: {{by: factory, steps: [{{rename: {{{}}}}}]}}}}\n"


def test_volumes_that_an_update_renames() -> None:
    (update,) = load(LAYOUT + UPDATES.format("kernel: data, data: kernel")).updates
    assert update.steps[0].renames == (("kernel", "data"), ("data", "kernel"))


@pytest.mark.parametrize(
    ("renames", "says"),
    [
        ("kernle: data", "no volume of a UBI is called 'kernle'; did you mean 'kernel'?"),
        ("kernel: dta", "no volume of a UBI is called 'dta'; did you mean 'data'?"),
        ("env: data", "no volume of a UBI is called 'env'"),
    ],
)
def test_only_volumes_are_renamed(renames: str, says: str) -> None:
    with pytest.raises(LayoutError) as caught:
        load(LAYOUT + UPDATES.format(renames))
    assert says in str(caught.value)


def told(layout: str, volumes: int, name: bytes) -> dict[str, set[str]]:
    """Give what is told of a UBI, each with what it leads to."""
    made = {
        "env": lambda: environment({"bootcmd": "true"}, 16 * KIB, None),
        "ubi": lambda: ubi(64 * KIB, volumes, at=(2048, 4096), data=b"tide", name=name),
    }
    with Loader() as loader:
        findings = audit.run(gather(load(layout), MemoryStore(made, loader))).findings
    words = ("volume-", "ubi-", "artifact-", "region-")
    return {
        it.rule.name: {led.rule.name for led in it.leads_to}
        for it in findings
        if it.rule.name.startswith(words)
    }


def test_a_volume_of_another_name_is_told_once() -> None:
    alone = LAYOUT.replace(
        "  - {name: data, chip: nand/ubi, size: rest", "  - {name: data, chip: nand"
    )
    alone = alone.replace(
        "chip: nand, holds: raw", "chip: nand, at: 2 MiB, size: 64 KiB, holds: raw"
    )
    found = told(alone.replace("300 KiB", "359 KiB"), 6, b"kernal")
    assert found == {"volume-missing": {"artifact-missing", "volume-not-in-layout"}}
    assert set(told(alone.replace("300 KiB", "359 KiB"), 6, b"kernel")) <= {
        "artifact-not-what-it-claims"
    }


def test_volumes_that_do_not_fit_are_told_by_their_ubi() -> None:
    large = LAYOUT.replace("300 KiB", "1080 KiB").replace("size: rest, ", "size: 60 KiB, ")
    assert "region-past-chip-end" in told(large, 18, b"kernel")["ubi-volume-overflow"]


def proof(script: str, layout: str = LAYOUT) -> Proof:
    blob = image({"type": "flat_dt", "os": (), "load": 0x88000000}, payload=board_tree())
    nodes: Tree = {"kernel": kernel(payload=arm64_kernel()), "fdt": blob}
    stored = fit(nodes, configurations={"conf": {"kernel": "kernel", "fdt": "fdt"}})
    made = {
        "env": lambda: environment({"loadaddr": "84000000", "bootcmd": script}, 16 * KIB, None),
        "ubi": lambda: ubi(64 * KIB, 6, at=(2048, 4096), data=stored, name=b"kernel"),
    }
    with Loader() as loader:
        subject = gather(load(layout), MemoryStore(made, loader))
    return next(proof for proof in subject.proofs if proof.taken)


READ = "ubi part system && ubi read ${loadaddr} kernel && bootm"


@pytest.mark.parametrize(
    ("script", "says"),
    [
        (READ.replace("ubi part system && ", ""), "no ubi part comes before it"),
        (READ.replace("kernel", "kernle"), "kernle"),
        (READ.replace("read ${loadaddr}", "read 0x90000000"), "nothing on this path"),
    ],
)
def test_a_script_that_gets_no_volume_is_refuted(script: str, says: str) -> None:
    found = proof(script)
    assert found.verdict is Verdict.REFUTED, found.line()
    assert says in found.line()


def test_a_script_that_reads_a_volume_gets_its_content() -> None:
    # Without root= the proof ends there: what comes before it is known.
    found = proof(READ)
    assert "root=" in found.line()
    assert found.verdict is Verdict.UNPROVEN


def test_the_ubi_of_the_environment_is_attached_by_u_boot_itself() -> None:
    stored = "size: 64 KiB, holds: uboot-env, env: {size: 16 KiB}"
    layout = LAYOUT.replace("size: rest, holds: raw", stored)
    found = proof(READ.replace("ubi part system && ", ""), layout)
    assert "root=" in found.line()
