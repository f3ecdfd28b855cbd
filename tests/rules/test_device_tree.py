from __future__ import annotations

import subprocess
from pathlib import Path
from uuid import UUID

import pytest

from imgaudit.rules import samples as sample
from imgaudit.rules._boot import scripted, whole_fit
from imgaudit.rules.engine import Severity
from imgaudit.rules.examples import nor
from imgaudit.units import MIB
from imgaudit.writers.fdt import Tree, fdt
from imgaudit.writers.fip import BL31, BL33, HW_CONFIG, fip
from tests._audits import found
from tests.rules._containers import AT, alone, in_region, of_files

TREES = Path("/usr/lib/debian-installer/images/12/armhf/text/debian-installer/armhf/dtbs")
FW_CONFIG = UUID("5807e16a-8459-47be-8ed5-648e8dddab0e")
OVERLAY = fdt({"fragment@0": {"target-path": "/", "__overlay__": {"rate": 4}}})
BOARD = "compatible: example,gauge\n"


def node(tree: bytes) -> Tree:
    return sample.image({"type": "flat_dt"}, payload=tree)


def named(**changes: str) -> bytes:
    return sample.board_tree({"compatible": changes["board"]})


def test_a_sound_tree_is_silent() -> None:
    assert alone(sample.board_tree()) == []


def test_cut_to_the_byte() -> None:
    data = sample.board_tree()
    assert in_region("device-tree-cut", "fdt", data) == []
    longer = data[:4] + (len(data) + 1).to_bytes(4, "big") + data[8:]
    (finding,) = in_region("device-tree-cut", "fdt", longer)
    assert finding.values["short"] == 1


@pytest.mark.parametrize(("size", "count"), [(2 * MIB, 0), (2 * MIB + 8, 1)])
def test_two_mebibytes_to_the_byte(size: int, count: int) -> None:
    bare = len(sample.board_tree({"padding": b""}))
    data = sample.board_tree({"padding": bytes(size - bare)})
    assert len(data) == size
    findings = in_region("device-tree-too-large", "fdt", data, size="4 MiB")
    assert [finding.offset for finding in findings] == [AT + 4] * count
    assert in_region("device-tree-too-large", "fdt", data, size="4 MiB", arch="arm") == []


def test_a_lone_tree_may_be_something_else_than_a_boards() -> None:
    data = fdt({"signature": {"key-dev": {"algo": "sha256,rsa2048"}}})
    assert [item.severity for item in alone(data)] == [Severity.NOTE]
    (finding,) = in_region("device-tree-without-compatible", "fdt", data)
    assert finding.severity is Severity.WARNING


def test_a_lone_overlay_is_no_fault() -> None:
    assert alone(OVERLAY) == []


def test_an_overlay_that_a_script_applies_may_have_a_region_of_its_own() -> None:
    shape = "size: 64 KiB, holds: fdt, file: extra.dtbo"
    beside = scripted(
        itb=whole_fit,
        regions=(f"name: extra, at: 384 KiB, {shape}",),
        files={"extra.dtbo": lambda: OVERLAY},
    )
    assert found("device-tree-unresolved-overlay", beside) == []
    alone_there = nor(f"name: extra, at: 0, {shape}", files={"extra.dtbo": lambda: OVERLAY})
    assert len(found("device-tree-unresolved-overlay", alone_there)) == 1


def test_overlays_in_a_fit_are_judged_by_their_place() -> None:
    images: Tree = {"kernel": sample.kernel(), "base": node(sample.board_tree())}
    images["extra"] = node(OVERLAY)
    rule = "device-tree-unresolved-overlay"
    right: Tree = {
        "conf": {"kernel": "kernel", "fdt": ["base", "extra"]},
        "more": {"fdt": "extra"},
    }
    assert in_region(rule, "fit", sample.fit(images, configurations=right)) == []
    wrong: Tree = {"conf": {"kernel": "kernel", "fdt": ["extra", "base"]}}
    data = sample.fit(images, configurations=wrong)
    (finding,) = in_region(rule, "fit", data)
    assert finding.values["content"] == "recovery.bin/extra"
    assert AT < (finding.offset or 0) < AT + len(data)


_REG = (0x80000000, 0x100000)


@pytest.mark.parametrize(
    ("node", "told"),
    [
        ({"device_type": "memory"}, True),
        ({"device_type": "memory", "reg": _REG}, False),
        ({"device_type": "memory", "linux,usable-memory": _REG}, False),
        ({"device_type": "memory", "reg": _REG, "status": "disabled"}, True),
        ({"reg": _REG}, True),
    ],
)
def test_memory_as_the_kernel_looks_for_it(node: Tree, *, told: bool) -> None:
    """Linux drivers/of/fdt.c, early_init_dt_scan_memory: by device_type, never by the name."""
    found = alone(sample.board_tree({"memory@80000000": node}))
    names = [(item.rule.name, item.severity) for item in found]
    assert names == [("device-tree-without-memory", Severity.NOTE)] * told


@pytest.mark.parametrize(("default", "found"), [("one", []), ("two", ["example,barge"])])
def test_the_default_configuration_decides_the_board(default: str, found: list[str]) -> None:
    images: Tree = {"kernel": sample.kernel(), "gauge": node(named(board="example,gauge"))}
    images["barge"] = node(named(board="example,barge"))
    choices: Tree = {
        "one": {"kernel": "kernel", "fdt": "gauge"},
        "two": {"kernel": "kernel", "fdt": "barge"},
    }
    data = sample.fit(images, configurations=choices, default=default)
    findings = in_region("device-tree-for-another-board", "fit", data, rest=BOARD)
    assert [finding.values["found"] for finding in findings] == found


@pytest.mark.parametrize(
    ("names", "found"),
    [
        (("example,barge", "example,gauge"), []),
        (("example,barge", "example,buoy"), ["example,barge"]),
    ],
)
def test_spl_takes_the_configuration_of_its_board(names: tuple[str, str], found: list[str]) -> None:
    """U-Boot boot/common_fit.c, fit_find_config_node; Debian's u-boot.itb of the PinePhone."""
    images: Tree = {"uboot": sample.image({"type": "firmware", "os": "u-boot"})}
    images |= {name[8:]: node(named(board=name)) for name in names}
    choices: Tree = {name[8:]: {"firmware": "uboot", "fdt": name[8:]} for name in names}
    data = sample.fit(images, configurations=choices, default=names[0][8:])
    findings = in_region("device-tree-for-another-board", "fit", data, rest=BOARD)
    assert [finding.values["found"] for finding in findings] == found


def test_the_only_configuration_counts_as_the_default() -> None:
    images: Tree = {"kernel": sample.kernel(), "barge": node(named(board="example,barge"))}
    choices: Tree = {"one": {"kernel": "kernel", "fdt": "barge"}}
    data = sample.fit(images, configurations=choices, default=None)
    assert len(in_region("device-tree-for-another-board", "fit", data, rest=BOARD)) == 1


def test_a_packed_tree_in_a_fit_is_looked_at_unpacked() -> None:
    packed = sample.packed(named(board="example,barge"))
    image = sample.image({"type": "flat_dt", "compression": "gzip"}, payload=packed)
    data = sample.fit(
        {"kernel": sample.kernel(), "barge": image},
        configurations={"conf": {"kernel": "kernel", "fdt": "barge"}},
    )
    (finding,) = in_region("device-tree-for-another-board", "fit", data, rest=BOARD)
    assert finding.values["content"] == "recovery.bin/barge/unpacked"


def test_the_firmwares_own_settings_are_no_boards_tree() -> None:
    settings = fdt({"dtb-registry": {"compatible": "fconf,dyn_cfg-dtb_registry"}})
    data = fip({BL31: b"tide", BL33: b"tide", HW_CONFIG: named(board="example,barge")})
    (finding,) = in_region("device-tree-for-another-board", "fip", data, rest=BOARD)
    assert finding.values["content"] == "recovery.bin/HW_CONFIG"
    data = fip({BL31: b"tide", BL33: b"tide", FW_CONFIG: settings})
    assert alone(data) == []


def test_an_appended_tree_must_be_the_boards() -> None:
    data = sample.zimage() + named(board="example,barge")
    rule = "device-tree-for-another-board"
    (finding,) = in_region(rule, "zimage", data, arch="arm", rest=BOARD)
    assert finding.values["content"] == "recovery.bin/appended-dtb"


@pytest.mark.oracle
def test_packaged_trees_are_clean() -> None:
    # Debian package debian-installer-12-netboot-armhf; U-Boot fills in what RAM there is.
    paths = sorted(TREES.glob("**/*.dtb"))[::9]
    assert len(paths) > 40
    names = {(finding.rule.name, finding.severity) for finding in of_files(*map(str, paths))}
    assert names <= {("device-tree-without-memory", Severity.NOTE)}


@pytest.mark.oracle
def test_an_overlay_from_dtc_is_told_from_a_base() -> None:
    source = '/dts-v1/; /plugin/; &uart0 { status = "okay"; };'
    made = subprocess.run(
        ["dtc", "-@", "-I", "dts", "-O", "dtb"],
        input=source.encode(),
        check=True,
        capture_output=True,
    )
    assert alone(made.stdout) == []
    assert len(in_region("device-tree-unresolved-overlay", "fdt", made.stdout)) == 1
