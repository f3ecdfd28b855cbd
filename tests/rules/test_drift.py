"""Every number of every copy of Whimbrel's map, changed one at a time, is found and named."""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Iterator, Mapping
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from imgaudit.contents.build import MemoryStore
from imgaudit.contents.reader import Loader
from imgaudit.demo.build import LAYOUT, build
from imgaudit.formats.environment import parse_block
from imgaudit.formats.flat_tree import parse
from imgaudit.formats.view import View
from imgaudit.layout.load import parse as parse_layout
from imgaudit.maps import device_tree
from imgaudit.rules import checks, command_line, drift, environment_place
from imgaudit.rules.built import subject_of
from imgaudit.rules.engine import Check, Example, Finding, Severity
from imgaudit.rules.examples import nor
from imgaudit.rules.subject import Subject, gather
from imgaudit.tasks import audit
from imgaudit.writers.env import environment
from imgaudit.writers.fdt import Tree, fdt

CHECKS = [
    item
    for module in (drift, environment_place, command_line)
    for item in vars(module).values()
    if isinstance(item, Check)
]
ARTIFACTS = ("whimbrel.dtb", "fip.bin", "recovery.itb", "uboot.env", "uboot-redundant.env")
TOOL = "/dev/mtd1 0x0 0x4000 0x10000 1\n/dev/mtd2 0x0 0x4000 0x10000 1\n"
CONFIG = """\
CONFIG_ARM64=y
CONFIG_ENV_IS_IN_SPI_FLASH=y
CONFIG_ENV_SIZE=0x4000
CONFIG_ENV_OFFSET=0x100000
CONFIG_ENV_SECT_SIZE=0x10000
CONFIG_ENV_REDUNDANT=y
CONFIG_ENV_OFFSET_REDUND=0x110000
CONFIG_MTDIDS_DEFAULT="nor0=spi0.0"
"""
MORE = "  flash-tool-config: fw_env.config\n  uboot-config: u-boot.config\n"


@cache
def sound() -> Mapping[str, bytes]:
    with TemporaryDirectory() as folder:
        build(Path(folder))
        files = {name: (Path(folder) / name).read_bytes() for name in ARTIFACTS}
    return files | {"fw_env.config": TOOL.encode(), "u-boot.config": CONFIG.encode()}


def layout_text() -> str:
    text = re.sub(r"  flash-tool-config: .*\n", MORE, LAYOUT.read_text(encoding="utf-8"))
    # What is not under test is not read.
    return re.sub(r"    (?:image|file): (?:emmc.img|nor.img|\S+\.(?:ext4|vfat)).*\n", "", text)


def subject(files: Mapping[str, bytes]) -> Subject:
    def held(data: bytes) -> Callable[[], bytes]:
        return lambda: data

    with Loader() as loader:
        store = MemoryStore({name: held(data) for name, data in files.items()}, loader)
        return gather(parse_layout(layout_text().encode(), "whimbrel.yaml"), store)


def findings(files: Mapping[str, bytes]) -> list[Finding]:
    # The recovery takes long to unpack: it is there where it is what has changed.
    if files["recovery.itb"] is sound()["recovery.itb"]:
        files = {name: data for name, data in files.items() if name != "recovery.itb"}
    return list(audit.run(subject(files), only=CHECKS).findings)


def test_the_sound_build_has_no_drift() -> None:
    assert audit.run(subject(sound()), only=CHECKS).findings == ()


def other_digit(text: str, at: int) -> str:
    """Change one digit of a number so that it stays one of the same length."""
    return text[:at] + ("2" if text[at] != "2" else "4") + text[at + 1 :]


def numbers(text: str) -> Iterator[int]:
    """Give the place of a digit of each number: the first one that is not the 0 of 0x."""
    for found in re.finditer(r"0x[0-9a-f]+|\d+", text):
        yield found.start() + (2 if found.group().startswith("0x") else 0)


@cache
def tree_cells() -> tuple[tuple[str, int], ...]:
    (copy,) = device_tree.copies(parse(View.of(sound()["whimbrel.dtb"])))
    return tuple(
        (f"{entry.label} {what}", entry.at.offset + 4 * cell)
        for entry in copy.entries
        if entry.at.offset is not None
        for cell, what in enumerate(("offset", "size"))
    )


@pytest.mark.parametrize("number", range(12))
@pytest.mark.parametrize("artifact", ["whimbrel.dtb", "fip.bin", "recovery.itb"])
def test_a_cell_of_one_device_tree(artifact: str, number: int) -> None:
    what, offset = tree_cells()[number]
    label, field = what.split()
    assert len(tree_cells()) == 12
    data = bytearray(sound()[artifact])
    data[data.index(sound()["whimbrel.dtb"]) + offset + 1] ^= 0x03
    found = findings({**sound(), artifact: bytes(data)})
    region = {"fip": "firmware"}.get(label, label)
    named = [item for item in found if item.rule.name == f"map-{field}-differs"]
    assert [(item.region, item.artifact) for item in named] == [(region, artifact)]
    assert re.search(r"in the layout and in [1-9] other cop(y|ies)$", named[0].message)


def variables() -> dict[str, str]:
    block = parse_block(sound()["uboot.env"][5:])
    return {variable.name: variable.value for variable in block.variables}


@pytest.mark.parametrize("number", range(13))
@pytest.mark.parametrize("artifact", ["uboot.env", "uboot-redundant.env", "fip.bin"])
def test_a_number_of_one_mtdparts(artifact: str, number: int) -> None:
    text = variables()["mtdparts"]
    places = [at for at in numbers(text) if at != text.index(".0") + 1]
    assert len(places) == 13  # of the device's name one, of each of six partitions two
    changed = other_digit(text, places[number])
    if artifact == "fip.bin":
        data = sound()[artifact].replace(
            f"mtdparts={text}".encode(), f"mtdparts={changed}".encode()
        )
    else:
        flag = sound()[artifact][4]
        data = environment(variables() | {"mtdparts": changed}, 16 << 10, flag)
    assert data != sound()[artifact]
    found = findings({**sound(), artifact: data})
    names = {item.rule.name for item in found}
    assert names & {"map-offset-differs", "map-size-differs", "mtd-id-mismatch"}
    assert all(artifact in item.message for item in found)


@pytest.mark.parametrize("number", range(len(list(numbers(TOOL)))))
def test_a_number_of_fw_env_config(number: int) -> None:
    changed = other_digit(TOOL, list(numbers(TOOL))[number])
    found = findings({**sound(), "fw_env.config": changed.encode()})
    assert found
    assert all("fw_env.config, line" in item.message for item in found)


def config_places() -> list[int]:
    return [at for at in numbers(CONFIG) if CONFIG[at - 2 : at] == "0x"]


@pytest.mark.parametrize("number", range(4))
def test_a_number_of_the_configuration(number: int) -> None:
    assert len(config_places()) == 4
    changed = other_digit(CONFIG, config_places()[number])
    found = findings({**sound(), "u-boot.config": changed.encode()})
    assert found
    assert all("u-boot.config, line" in item.message for item in found)


@pytest.mark.parametrize(
    ("fault", "name", "region"),
    [
        ("dtb-drift", "map-offset-differs", "recovery"),
        ("mtdparts-drift", "map-size-differs", "recovery"),
        ("fw-env-config-drift", "environment-location-differs", "env-b"),
        ("root-dangling", "root-dangling", "env-a"),
        ("dtb-partitions-overlap", "map-offset-differs", "factory"),
    ],
)
def test_a_planted_fault(fault: str, name: str, region: str, tmp_path: Path) -> None:
    from imgaudit.contents.build import FolderStore
    from imgaudit.files import Folder
    from imgaudit.layout.load import load

    path = build(tmp_path, fault)
    with Loader() as loader:
        read = gather(load(str(path)), FolderStore(Folder(str(tmp_path)), loader))
    found = audit.run(read, only=CHECKS).findings
    assert (name, region) in {(item.rule.name, item.region) for item in found}


def one(example_map: str, *regions: str) -> dict[str, Finding]:
    made = nor(*regions, rest=f"written-elsewhere: {{mtdparts: '{example_map}'}}\n")
    return {item.rule.name: item for item in audit.run(subject_of(made), only=CHECKS).findings}


def test_overlaps_say_of_which_kind_they_are() -> None:
    regions = ("name: kernel, at: 64 KiB, size: 512 KiB", "name: data, at: 640 KiB, size: 64 KiB")
    whole = one("spi0.0:1m(all),512k@64k(kernel),64k@640k(data)", *regions)
    assert set(whole) == {"map-overlap-inside-copy"}
    assert whole["map-overlap-inside-copy"].severity is Severity.NOTE
    inside = one("spi0.0:512k@64k(kernel),64k@128k(root),64k@640k(data)", *regions)
    assert inside["map-overlap-inside-copy"].severity is Severity.WARNING
    assert "map-region-unknown" in inside
    across = one("spi0.0:512k@64k(kernel),128k@512k(root),64k@640k(data)", *regions)
    assert across["map-overlap-inside-copy"].severity is Severity.ERROR
    assert ", and reaches into kernel" in across["map-region-unknown"].message


def test_a_list_for_another_device_is_no_copy() -> None:
    region = "name: all, at: 0, size: 1 MiB"
    assert one("gpmi-nand:1m(boot),-(rest)", region) == {}
    two = one("gpmi-nand:1m(boot),-(rest);spi0.0:1m(all)ro", region)
    assert two == {}


def test_a_list_that_the_kernel_refuses() -> None:
    refused = one("spi0.0:64k(all", "name: all, at: 0, size: 64 KiB")
    assert set(refused) == {"map-copy-refused"}


def flash(partitions: Tree, **more: str) -> bytes:
    node: Tree = {"compatible": "jedec,spi-nor", "reg": 0, **more}
    table: Tree = {"compatible": "fixed-partitions", "#address-cells": 1, "#size-cells": 1}
    node["partitions"] = table | partitions
    return fdt(
        {
            "compatible": "example,gauge",
            "spi@0": {"#address-cells": 1, "#size-cells": 0, "flash@0": node},
        }
    )


def tree_findings(data: bytes) -> set[str]:
    made = nor(
        "name: all, at: 0, size: 1 MiB",
        rest="written-elsewhere: {device-tree: gauge.dtb}\n",
        files={"gauge.dtb": lambda: data},
    )
    return {item.rule.name for item in audit.run(subject_of(made), only=CHECKS).findings}


def test_a_tree_that_linux_refuses_or_no_one_reads() -> None:
    good: Tree = {"partition@0": {"label": "all", "reg": (0, 0x100000), "read-only": True}}
    assert tree_findings(flash(good)) == set()
    # A size of 0 reaches to the end of the chip (Linux drivers/mtd/mtdpart.c, MTDPART_SIZ_FULL).
    to_end: Tree = {"partition@0": {"label": "all", "reg": (0, 0), "read-only": True}}
    assert tree_findings(flash(to_end)) == set()
    moved: Tree = {"partition@0": {"label": "all", "reg": (0x1000, 0x100000), "read-only": True}}
    assert "map-offset-differs" in tree_findings(flash(moved))
    assert tree_findings(flash(moved, status="disabled")) == set()
    assert tree_findings(flash({"partition@0": {"label": "all"}})) == {"map-copy-refused"}


@pytest.mark.parametrize(
    ("arguments", "tool", "severity"),
    [
        ("", "/dev/mtd1 0x0 0x2000 0x10000", "warning"),
        ("ubi.mtd=settings", "", "error"),
        ("ubi.mtd=settings,2048", "", "error"),
        ("root=mtd:settings", "", "error"),
        ("rootfstype=ext4", "", "warning"),
        ("", "mtd:settings 0x0 0x2000 0x10000", "error"),
        # The copy's own name is found.
        ("", "mtd:setup 0x0 0x2000 0x10000", "warning"),
    ],
)
def test_another_label_matters_where_it_is_looked_up(
    arguments: str, tool: str, severity: str
) -> None:
    from imgaudit.rules import checks
    from imgaudit.rules._boot import scripted
    from imgaudit.rules.built import subject_of
    from imgaudit.tasks import audit

    example = scripted(
        f"setenv bootargs {arguments}; sf probe && sf read 0x88000000 0x20000 0x40000"
        " && bootm 0x88000000",
        regions=(
            "name: settings, at: 512 KiB, size: 64 KiB",
            "name: spare, at: 576 KiB, size: 64 KiB",
        ),
        rest="written-elsewhere: {mtdparts: 'spi0.0:64k@64k(env),256k(recovery),"
        "64k@512k(setup),64k(rest)', flash-tool-config: fw_env.config}\n",
        files={"fw_env.config": tool.encode},
    )
    found = audit.run(subject_of(example), only=[checks()["map-label-differs"]]).findings
    told = {item.severity.value: item.message for item in found}
    # The one that nothing looks up is a warning in any case, and one for all of them.
    assert set(told) == {severity, "warning"}
    assert "rest" in told["warning"]
    assert "setup" in told[severity]
    # To take the other label into the layout as well would hide what a lookup does not find.
    advice = {item.severity.value: "labels:" in item.fix for item in found}
    assert advice == {severity: severity == "warning", "warning": True}


def test_a_list_of_a_thousand_partitions_is_paired_in_time() -> None:
    """Every entry stands one region further: it is paired by its bytes, and the last by nothing."""
    count = 1000
    parts = ",".join(f"4k@{4 * n + 4}k(q{n})" for n in range(count))
    example = nor(
        *(f"name: r{n}, at: {4 * n} KiB, size: 4 KiB" for n in range(count)),
        chip="size: 16 MiB, erase-block: 4 KiB",
        rest=f"written-elsewhere: {{mtdparts: 'spi0.0:{parts}'}}\n",
    )
    subject = subject_of(example)
    before = time.process_time()
    found = audit.run(subject, only=[checks()["map-region-unknown"]]).findings
    assert [item.values["label"] for item in found] == [f"q{count - 1}"]
    assert time.process_time() - before < 5  # once a minute and more


@pytest.mark.parametrize(("elsewhere", "told"), [("", 0), ("spi0.0:64k(all", 1)])
def test_a_layout_without_any_chip(elsewhere: str, told: int) -> None:
    text = "layout: 1\nboard: heron\narch: arm64\nchips: {}\nregions: []\n"
    text += f"written-elsewhere: {{mtdparts: '{elsewhere}'}}\n" if elsewhere else ""
    result = audit.run(subject_of(Example(text)))
    assert [item.rule.name for item in result.findings].count("map-copy-refused") == told
