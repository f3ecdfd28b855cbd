"""Drafted layouts: they load, agree with their sources, and say where those disagree."""

from __future__ import annotations

import subprocess
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from imgaudit.cli import main
from imgaudit.contents.build import FolderStore
from imgaudit.contents.reader import Loader
from imgaudit.demo.build import build
from imgaudit.errors import AuditError
from imgaudit.files import Folder
from imgaudit.layout.load import load, parse
from imgaudit.model import Layout
from imgaudit.rules.subject import gather
from imgaudit.tasks import audit
from imgaudit.tasks.draft import Sources, draft
from imgaudit.writers.env import environment
from imgaudit.writers.fdt import Tree, fdt
from tests.formats import test_ext_csd, test_sfdp

# Debian's debian-installer-12-netboot-armhf.
PACKAGED = Path("/usr/lib/debian-installer/images/12/armhf/text/debian-installer/armhf/dtbs")
LIST = "spi0.0:512k(u-boot)ro,64k(env),64k(env-redundant),64k(factory)ro,-(recovery)"


def board(partitions: Mapping[str, Tree], **more: str) -> bytes:
    table: Tree = {"compatible": "fixed-partitions", "#address-cells": 1, "#size-cells": 1}
    table |= partitions
    flash: Tree = {"compatible": "jedec,spi-nor", "reg": 0, **more, "partitions": table}
    bus: Tree = {"#address-cells": 1, "#size-cells": 0, "flash@0": flash}
    return fdt({"compatible": "example,gauge", "model": 'Gauge: "A"', "spi@0": bus})


def loaded(text: str) -> Layout:
    return parse(text.encode(), "draft.yaml")


def regions(text: str) -> dict[str, tuple[int, int]]:
    return {region.label: (region.at, region.size) for region in loaded(text).regions}


@pytest.fixture(scope="module")
def whimbrel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("whimbrel")
    build(folder)
    return folder


def test_a_draft_of_whimbrel_is_its_layout_and_passes(whimbrel: Path, tmp_path: Path) -> None:
    drafted = draft(
        Sources(
            device_tree=str(whimbrel / "whimbrel.dtb"),
            disk=str(whimbrel / "emmc.img"),
            environment=str(whimbrel / "uboot.env"),
        )
    )
    assert drafted.conflicts == ()
    (tmp_path / "draft.yaml").write_text(drafted.text, encoding="utf-8")
    mine, own = (
        load(str(tmp_path / "draft.yaml")),
        load(str(whimbrel / "whimbrel.yaml")),
    )
    for one, other in zip(mine.regions, own.regions, strict=True):
        assert (one.label, one.area, one.at, one.size) == (
            other.label,
            other.area,
            other.at,
            other.size,
        )
        assert (one.partition, one.type) == (other.partition, other.type)
        assert one.holds in {other.holds, "raw"}
    assert [chip.sizes for chip in mine.chips.values()] == [
        chip.sizes for chip in own.chips.values()
    ]
    assert [bank.span for bank in mine.banks] == [bank.span for bank in own.banks]
    with Loader() as loader:
        result = audit.run(gather(mine, FolderStore(Folder(str(whimbrel)), loader)))
    assert [(item.rule.name, item.message) for item in result.findings if not item.waived] == []


def test_a_fit_brings_its_device_tree(whimbrel: Path) -> None:
    from_fit = draft(Sources(device_tree=str(whimbrel / "recovery.itb")))
    from_file = draft(Sources(device_tree=str(whimbrel / "whimbrel.dtb")))
    assert regions(from_fit.text) == regions(from_file.text)


def test_from_mtdparts_alone() -> None:
    drafted = draft(Sources(mtdparts=LIST))
    assert drafted.conflicts == ()
    read = loaded(drafted.text)
    assert [(region.name, region.holds, region.writer) for region in read.regions] == [
        ("u-boot", "raw", "release"),
        ("env", "uboot-env", "runtime"),
        ("env-redundant", "uboot-env", "runtime"),
        ("factory", "raw", "factory"),
        ("recovery", "raw", "release"),
    ]
    assert read.regions[-1].span.end == read.chips["nor"].size == 1 << 20
    assert read.regions[1].env is not None
    assert read.regions[1].env.copy == "env-redundant"
    assert "fill in" in drafted.text


def test_a_guess_is_marked_and_nothing_passes_by_it() -> None:
    text = draft(Sources(mtdparts=LIST)).text
    read = loaded(text)
    assert {name: thing.guessed for name, thing in read.guesses()} == {
        "board": ("arch",),
        "nor": ("size", "erase-block"),
        "env": ("env",),
        "env-redundant": ("env",),
        "factory": ("writer",),
    }
    on_paper = audit.run(gather(read, None))
    assert not on_paper.failed
    assert on_paper.verdict is audit.Verdict.INCOMPLETE
    sure = loaded("".join(it for it in text.splitlines(True) if "guessed: " not in it))
    assert audit.run(gather(sure, None)).verdict is audit.Verdict.PASSED


@pytest.mark.parametrize(
    ("device", "kind", "guessed"),
    [
        ("spi0.0", "spi-nor", False),
        ("nor0", "spi-nor", False),
        ("physmap-flash.0", "parallel-nor", False),
        ("spi-nand0", "spi-nand", False),
        ("20000000.memory", "spi-nor", True),
    ],
)
def test_what_a_flash_is_by_its_name(device: str, kind: str, guessed: bool) -> None:
    (chip,) = loaded(draft(Sources(mtdparts=f"{device}:1m(all)")).text).chips.values()
    assert (chip.kind.word, "kind" in chip.guessed) == (kind, guessed)
    assert ("page" in chip.guessed) == chip.kind.bad_blocks


def test_what_two_sources_say_differently_is_a_conflict(tmp_path: Path) -> None:
    tree = tmp_path / "gauge.dtb"
    tree.write_bytes(
        board(
            {
                "partition@0": {"label": "u-boot", "reg": (0, 0x80000)},
                "partition@80000": {"label": "env", "reg": (0x80000, 0x10000)},
            }
        )
    )
    drafted = draft(
        Sources(device_tree=str(tree), mtdparts="spi0.0:512k(u-boot),64k@576k(env),64k(logs)")
    )
    size = "65,536 bytes (64 KiB)"
    assert drafted.conflicts == (
        f"env is {size} at 0x90000 in the mtdparts given, {size} at 0x80000 in gauge.dtb",
        "logs of the mtdparts given is not in gauge.dtb",
    )
    for conflict in drafted.conflicts:
        assert f"# conflict: {conflict}" in drafted.text
    assert regions(drafted.text)["env"] == (0x80000, 0x10000)


def test_the_configuration_is_a_source(tmp_path: Path) -> None:
    config, env = tmp_path / "u-boot.config", tmp_path / "u-boot.env"
    config.write_text(
        "CONFIG_ARM64=y\nCONFIG_ENV_IS_IN_SPI_FLASH=y\nCONFIG_ENV_OFFSET=0x84000\n"
        "CONFIG_ENV_SIZE=0x4000\nCONFIG_ENV_SECT_SIZE=0x10000\n"
    )
    env.write_bytes(environment({"bootcmd": "run main", "mtdparts": LIST}, 8192, None))
    drafted = draft(Sources(environment=str(env), uboot_config=str(config)))
    assert any("ENV_SIZE is 16,384 bytes" in conflict for conflict in drafted.conflicts)
    assert any("lies in env" in conflict for conflict in drafted.conflicts)
    read = loaded(drafted.text)
    assert read.arch == "arm64"
    assert read.chips["nor"].largest_erase == 0x10000
    assert read.chips["nor"].guessed == ("size",)


def test_chips_tell_their_own_geometry(tmp_path: Path) -> None:
    sfdp, registers = tmp_path / "nor.sfdp", tmp_path / "emmc.extcsd"
    sfdp.write_bytes(test_sfdp.SST26VF064B)
    registers.write_text(test_ext_csd.PRINTED)
    drafted = draft(Sources(sfdp=str(sfdp), ext_csd=str(registers)))
    read = loaded(drafted.text)
    # Only 4 KiB can be erased in every sector of this part.
    assert (read.chips["nor"].size, read.chips["nor"].largest_erase) == (8 << 20, 4096)
    emmc = read.chips["emmc"]
    assert (emmc.size, emmc.boot_area, emmc.erase_group) == (15269888 * 512, 4 << 20, 4 << 20)
    assert list(read.guesses()) == [(read.board, read)]  # what it runs, nobody said


def test_a_chip_that_contradicts_itself_or_the_map(tmp_path: Path) -> None:
    sfdp = tmp_path / "nor.sfdp"
    sfdp.write_bytes(test_sfdp.IS25WP256)
    assert draft(Sources(sfdp=str(sfdp))).conflicts == (
        "by its SFDP the chip has 32 MiB, but 3 address bytes only",
    )
    sfdp.write_bytes(test_sfdp.CLONE)
    drafted = draft(Sources(sfdp=str(sfdp), mtdparts="spi0.0:1m(u-boot),2m(recovery),4k(env)"))
    assert "recovery ends 1,048,576 bytes (1 MiB) past the chip's end" in drafted.conflicts
    loaded(drafted.text)


@pytest.mark.parametrize(
    ("dump", "said", "unsaid"),
    [
        # 16 MiB is what three bytes reach; of 32 MiB, how the rest is reached must be filled in.
        (test_sfdp.MX25L12835F, "address-bytes: 3\n", "# fill in: address-bytes"),
        (test_sfdp.IS25WP256, "# fill in: address-bytes", "address-bytes: 3\n"),
    ],
)
def test_three_address_bytes_reach_16_mib(
    dump: bytes, said: str, unsaid: str, tmp_path: Path
) -> None:
    sfdp = tmp_path / "nor.sfdp"
    sfdp.write_bytes(dump)
    text = draft(Sources(sfdp=str(sfdp))).text
    assert said in text
    assert unsaid not in text


def test_overlaps_misalignment_and_free_room_are_said(tmp_path: Path) -> None:
    sfdp = tmp_path / "nor.sfdp"
    sfdp.write_bytes(test_sfdp.MX25L12835F)
    text = "spi0.0:16m(all),512k@0(u-boot),96k@512k(env),64k@544k(data),1m@8m(recovery)"
    drafted = draft(Sources(sfdp=str(sfdp), mtdparts=text))
    assert set(drafted.conflicts) == {
        "env ends at 0x98000, inside an erase block of 64 KiB",
        "data starts at 0x88000, inside an erase block of 64 KiB",
        "data ends at 0x98000, inside an erase block of 64 KiB",
        "env and data share 65,536 bytes (64 KiB) from 0x88000, one inside the other",
    }
    assert "# free before it: 7,766,016 bytes (7.4 MiB) from 0x98000" in drafted.text
    assert "# all of the mtdparts given is the whole chip" in drafted.text
    assert "all" not in regions(drafted.text)


@pytest.mark.parametrize(
    ("nodes", "why"),
    [
        ({"compatible": "example,gauge"}, "nothing tells of a flash chip or a disk"),
        (
            {
                "nand@0": {
                    "compatible": "brcm,nand",
                    "partitions": {"compatible": "fixed-partitions"},
                }
            },
            "/nand@0 in tree.dtb: it has no partitions",
        ),
        (
            {"flash@0": {"compatible": "jedec,spi-nor", "status": "disabled", "reg": 0}},
            "nothing tells of a flash chip or a disk",
        ),
        ({"flash@0": {"compatible": "jedec,spi-nor", "reg": 0}}, "/flash@0 is a SPI-NOR without"),
    ],
)
def test_nothing_to_draft_is_said(nodes: Tree, why: str, tmp_path: Path) -> None:
    path = tmp_path / "tree.dtb"
    path.write_bytes(fdt(nodes))
    with pytest.raises(AuditError, match="nothing to draft") as caught:
        draft(Sources(device_tree=str(path)))
    assert why in str(caught.value)


@pytest.mark.parametrize(
    "wrong",
    ["device_tree", "disk", "environment", "uboot_config", "sfdp", "ext_csd"],
)
def test_a_source_that_is_none(wrong: str, tmp_path: Path) -> None:
    path = tmp_path / "what"
    path.write_bytes(b"\x01\x02 nothing that is known \xff")
    given: dict[str, Any] = {wrong: str(path)}
    with pytest.raises(AuditError, match=r"what (is|has) no"):
        draft(replace(Sources(), **given))
    with pytest.raises(AuditError, match="the mtdparts given"):
        draft(Sources(mtdparts="spi0.0:64k(open"))


def test_the_command(whimbrel: Path) -> None:
    run = CliRunner().invoke(main, ["draft", "--device-tree", str(whimbrel / "whimbrel.dtb")])
    assert (run.exit_code, run.stderr) == (0, "")
    assert loaded(run.stdout).board == "logger-r1"
    many = ["draft", "--mtdparts", "spi0.0:64k(a),64k@32k(b)"]
    run = CliRunner().invoke(main, many)
    assert run.exit_code == 1
    assert "imgaudit: conflict: a and b share" in run.stderr
    run = CliRunner().invoke(main, ["draft"])
    assert run.exit_code == 2
    assert "nothing to draft" in run.stderr
    assert run.stdout == ""


label = st.text(st.characters(codec="utf-8", exclude_characters="\0"), max_size=12)
number = st.one_of(
    st.sampled_from([0, 1, 0x1000, 0x10000, 0x100000, 0xFFFFFFFF]), st.integers(0, 0xFFFFFFFF)
)


@given(st.lists(st.tuples(label, number, number, st.booleans()), max_size=6))
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=30)
def test_every_table_drafts_to_a_layout_that_loads(
    tmp_path: Path, entries: list[tuple[str, int, int, bool]]
) -> None:
    nodes: dict[str, Tree] = {}
    for index, (name, start, size, read_only) in enumerate(entries):
        node: Tree = {"label": name, "reg": (start, size)}
        nodes[f"partition@{index}"] = node | ({"read-only": True} if read_only else {})
    path = tmp_path / "any.dtb"
    path.write_bytes(board(nodes))
    if entries:
        loaded(draft(Sources(device_tree=str(path))).text)
        return
    with pytest.raises(AuditError, match="nothing to draft"):
        draft(Sources(device_tree=str(path)))


def printed(*arguments: str) -> list[str]:
    said = subprocess.run(["fdtget", *arguments], check=True, capture_output=True, text=True)
    return said.stdout.split()


@pytest.mark.oracle
def test_packaged_trees_draft_what_fdtget_prints() -> None:
    """A part of the trees of Debian's installer: each drafts or says why it has nothing to."""
    compared = 0
    trees = sorted(PACKAGED.glob("*.dtb"))[::6]
    assert len(trees) > 100
    for path in trees:
        why = ""
        try:
            text = draft(Sources(device_tree=str(path))).text
        except AuditError as problem:
            why = str(problem)
        if why:
            assert why.startswith("there is nothing to draft: ")
            continue
        read = loaded(text)
        for name in read.chips:
            # The chip's comment is the path of its node.
            node = text.split(f"\n  {name}:\n    # ")[1].partition("\n")[0]
            children = printed("-l", str(path), node)
            table = f"{node}/partitions" if "partitions" in children else node
            drafted = {(region.at, region.size) for region in read.regions_on(name)}
            for child in printed("-l", str(path), table):
                start, size = (
                    int(cell, 16)
                    for cell in printed("-t", "x", str(path), f"{table}/{child}", "reg")
                )
                whole = start == 0 and size >= read.chips[name].size
                if start >= read.chips[name].size:
                    # Such trees name a part that is smaller than their map.
                    assert "at or past the end of the chip" in text
                    continue
                assert whole or (start, size or read.chips[name].size - start) in drafted
                compared += 1
    assert compared > 20


@pytest.mark.parametrize(("size", "said"), [("16m", False), ("16448k", True)])
def test_only_above_16_mib_are_address_bytes_to_be_filled_in(size: str, said: bool) -> None:
    text = draft(Sources(mtdparts=f"spi0.0:{size}(all)")).text
    assert ("four-byte-mode" in text) == said


@pytest.mark.parametrize(
    ("value", "why"),
    [
        ("spi0.0:64k(open", "mtdparts in vars.txt: mtdparts is refused"),
        ("spi0.0:${layout}", "nothing tells of a flash chip or a disk"),
    ],
)
def test_an_environment_whose_list_says_nothing(value: str, why: str, tmp_path: Path) -> None:
    path = tmp_path / "vars.txt"
    path.write_text(f"bootcmd=run main\nmtdparts={value}\n")
    with pytest.raises(AuditError, match="nothing to draft") as caught:
        draft(Sources(environment=str(path)))
    assert why in str(caught.value)


def test_a_file_that_is_too_large_for_an_environment(tmp_path: Path) -> None:
    path = tmp_path / "large"
    with path.open("wb") as file:
        file.truncate((64 << 20) + 1)
    with pytest.raises(AuditError, match="too large for an environment"):
        draft(Sources(environment=str(path)))


def test_the_command_line_in_a_device_tree_has_a_list(tmp_path: Path) -> None:
    path = tmp_path / "gauge.dtb"
    path.write_bytes(
        fdt({"compatible": "example,gauge", "chosen": {"bootargs": f"mtdparts={LIST}"}})
    )
    drafted = draft(Sources(device_tree=str(path)))
    assert list(regions(drafted.text)) == list(regions(draft(Sources(mtdparts=LIST)).text))


def test_a_device_tree_that_is_cut(tmp_path: Path) -> None:
    path = tmp_path / "gauge.dtb"
    path.write_bytes(fdt({"compatible": "example,gauge"})[:-20])
    with pytest.raises(AuditError, match=r"gauge\.dtb is no device tree"):
        draft(Sources(device_tree=str(path)))


@pytest.mark.oracle
def test_a_packed_disk_tells_what_the_disk_tells(tmp_path: Path) -> None:
    """What sfdisk writes and gzip packs gives the same partitions as the image itself."""
    disk = tmp_path / "emmc.img"
    with disk.open("wb") as file:
        file.truncate(32 << 20)
    table = "label: gpt\nname=boot, start=4MiB, size=8MiB\nname=root, start=12MiB, size=16MiB\n"
    subprocess.run(["sfdisk", "-q", disk], input=table, text=True, check=True)
    part = tmp_path / "part"
    subprocess.run(["mke2fs", "-q", "-t", "ext4", part, "16M"], check=True)
    place = [f"of={disk}", "bs=1M", "seek=12", "conv=notrunc"]
    subprocess.run(["dd", f"if={part}", *place], check=True, capture_output=True)
    plain = loaded(draft(Sources(disk=str(disk))).text)
    subprocess.run(["gzip", disk], check=True)
    packed = loaded(draft(Sources(disk=f"{disk}.gz")).text)
    for read in (plain, packed):
        assert [(it.label, it.at >> 20, it.size >> 20, it.holds) for it in read.regions] == [
            ("boot", 4, 8, "raw"),
            ("root", 12, 16, "ext4"),
        ]
