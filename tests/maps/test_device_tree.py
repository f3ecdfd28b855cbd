"""Bindings: dt-schema mtd/partitions; where Linux differs, drivers/mtd/parsers/ofpart_core.c."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.errors import FormatError
from imgaudit.formats import flat_tree
from imgaudit.formats.view import View
from imgaudit.maps import device_tree
from imgaudit.maps.entry import Kind, MapCopy, Medium
from tests.formats.device_trees import Nodes, damaged, write

FIXED = {"compatible": "fixed-partitions", "#address-cells": 1, "#size-cells": 1}
NOR = {"compatible": ["winbond,w25q128", "jedec,spi-nor"], "reg": 0}
WHIMBREL = {
    "#address-cells": 2,
    "#size-cells": 2,
    "spi@1000": {
        "#address-cells": 1,
        "#size-cells": 0,
        "flash@0": {
            **NOR,
            "label": "nor",
            "partitions": {
                **FIXED,
                "partition@200000": {"label": "recovery", "reg": (0x200000, 0xD00000)},
                "partition@0": {"label": "fip", "reg": (0, 0x100000), "read-only": b""},
                "partition@f00000": {"label": "rest, (all)", "reg": (0xF00000, 0), "lock": b""},
                "env@1": {"reg": (0x100000, 0x10000)},
                "partition@first": {"label": "env-b", "reg": (0x110000, 0x10000)},
            },
        },
    },
}


def copies(nodes: Nodes) -> tuple[MapCopy, ...]:
    return device_tree.copies(flat_tree.parse(View.of(write(nodes))))


def rows(copy: MapCopy) -> list[tuple[str, int | None, int | None]]:
    return [(entry.label, entry.offset, entry.size) for entry in copy.entries]


def test_fixed_partitions_in_the_order_of_the_tree() -> None:
    (copy,) = copies(WHIMBREL)
    assert (copy.kind, copy.device) == (Kind.DEVICE_TREE, "/spi@1000/flash@0")
    assert (copy.medium, copy.names, copy.in_use, copy.notes) == (
        Medium.SPI_NOR,
        ("nor",),
        True,
        (),
    )
    assert rows(copy) == [
        ("recovery", 0x200000, 0xD00000),
        ("fip", 0, 0x100000),
        ("rest, (all)", 0xF00000, None),
        ("env", 0x100000, 0x10000),  # no label: the node's name
        ("env-b", 0x110000, 0x10000),
    ]
    assert [e.read_only for e in copy.entries] == [False, True, False, False, False]
    assert [e.to_end for e in copy.entries] == [False, False, True, False, False]
    # Unit addresses can lie or be no number.
    assert [e.unit_address for e in copy.entries] == [0x200000, 0, 0xF00000, 1, None]


def test_each_entry_says_where_its_reg_is() -> None:
    blob = write(WHIMBREL)
    (copy,) = device_tree.copies(flat_tree.parse(View.of(blob)))
    entry = copy.entries[0]
    assert entry.at.text == "/spi@1000/flash@0/partitions/partition@200000"
    assert entry.at.offset is not None
    assert blob[entry.at.offset :][:8] == bytes.fromhex("0020000000d00000")


def test_older_trees_put_partitions_right_under_the_chip() -> None:
    nodes = {
        "flash@0": {
            "compatible": "cfi-flash",
            "reg": (0, 0x800000),
            "#address-cells": 1,
            "#size-cells": 1,
            "u-boot@0": {"label": "u-boot", "reg": (0, 0x40000), "read-only": b""},
            "partition@40000": {"reg": (0x40000, 0x7C0000)},
            "sensor": {"compatible": "whimbrel,gauge", "reg": (0, 1)},
            "settings": {"label": "no reg"},
        }
    }
    (copy,) = copies(nodes)
    assert copy.medium is Medium.PARALLEL_NOR
    assert rows(copy) == [("u-boot", 0, 0x40000), ("partition", 0x40000, 0x7C0000)]
    assert (copy.notes, copy.in_use) == ((), True)


def test_partitions_make_a_flash_of_any_node() -> None:
    nodes = {
        "#address-cells": 1,
        "#size-cells": 1,
        "chip": {"partition@0": {"reg": (0, 0x1000), "label": "all"}},
    }
    (copy,) = copies(nodes)
    assert (copy.device, copy.medium) == ("/chip", Medium.UNKNOWN)
    assert rows(copy) == [("all", 0, 0x1000)]


def test_chips_below_a_nand_controller_are_no_partitions() -> None:
    controller = {
        "compatible": "marvell,armada370-nand-controller",
        "#address-cells": 1,
        "#size-cells": 0,
        "nand@0": {
            "reg": 0,
            "label": "main-storage",
            "partitions": {**FIXED, "partition@0": {"label": "all", "reg": (0, 0x1000)}},
        },
    }
    (copy,) = copies({"nand-controller@1": controller})
    assert (copy.device, copy.medium) == ("/nand-controller@1/nand@0", Medium.NAND)
    assert copy.names == ("main-storage",)
    assert rows(copy) == [("all", 0, 0x1000)]


def test_cells_of_2_reach_past_4_gib() -> None:
    table = {
        "compatible": "fixed-partitions",
        "#address-cells": 2,
        "#size-cells": 2,
        "partition@100000000": {"reg": (1, 0, 2, 0x10)},
    }
    (copy,) = copies({"card@0": {"compatible": "mmc-card", "reg": 0, "partitions-boot1": table}})
    assert (copy.device, copy.medium) == ("/card@0/partitions-boot1", Medium.MMC)
    assert rows(copy) == [("partition", 1 << 32, (2 << 32) + 0x10)]


def test_missing_cells_come_from_above_as_in_linux() -> None:
    partition = {"partition@0": {"label": "a", "reg": (0x10, 0x20)}}
    flash = {**NOR, "partitions": {"compatible": "fixed-partitions", **partition}}
    (copy,) = copies({"#address-cells": 1, "#size-cells": 1, "flash@0": flash})
    assert rows(copy) == [("a", 0x10, 0x20)]
    assert copy.in_use
    assert copy.notes == (
        "/flash@0/partitions has no #address-cells: Linux takes 1 from above",
        "/flash@0/partitions has no #size-cells: Linux takes 1 from above",
    )
    (nowhere,) = copies({"flash@0": flash})
    assert rows(nowhere) == [("a", 0x10, 0x20)]  # Linux defaults to 1 and 1
    (other,) = copies({"#address-cells": 2, "#size-cells": 1, "flash@0": flash})
    assert rows(other) == [("a", None, None)]
    assert not other.in_use


def test_size_cells_of_0_are_taken_for_1_in_old_trees() -> None:
    # ofpart_core.c: boot loaders add partitions to NAND controllers that count chips.
    nodes = {
        "nand@0": {
            "compatible": "fsl,imx6q-gpmi-nand",
            "#address-cells": 1,
            "#size-cells": 0,
            "partition@0": {"label": "boot", "reg": (0, 0x400000)},
        }
    }
    (copy,) = copies(nodes)
    assert rows(copy) == [("boot", 0, 0x400000)]
    assert copy.notes == ("/nand@0 has #size-cells 0: Linux takes 1",)


@pytest.mark.parametrize(
    ("child", "why"),
    [
        ({"label": "x"}, "has no reg"),
        ({"label": "x", "reg": 0x10}, "has a reg of 1 cell, not 1 + 1"),
        ({"label": "x", "reg": (0, 1, 2, 3)}, "has a reg of 4 cells, not 1 + 1"),
    ],
)
def test_one_bad_partition_costs_the_whole_table(child: Nodes, why: str) -> None:
    good = {"label": "good", "reg": (0, 0x1000)}
    table = {**FIXED, "partition@0": good, "partition@1000": child}
    (copy,) = copies({"flash@0": {**NOR, "partitions": table}})
    assert rows(copy) == [("good", 0, 0x1000), ("x", None, None)]
    assert not copy.in_use
    assert copy.notes == (
        f"/flash@0/partitions/partition@1000 {why}: Linux then ignores the whole table",
    )


def test_a_table_without_compatible_is_ignored() -> None:
    table = {"#address-cells": 1, "#size-cells": 1, "partition@0": {"reg": (0, 0x1000)}}
    (copy,) = copies({"flash@0": {**NOR, "partitions": table}})
    assert rows(copy) == [("partition", 0, 0x1000)]
    assert not copy.in_use
    assert "has no compatible" in copy.notes[0]


def test_other_parsers_are_noted() -> None:
    table = {"compatible": "arm,arm-firmware-suite"}
    (copy,) = copies({"flash@0": {**NOR, "partitions": table}})
    assert (copy.entries, copy.in_use) == ((), True)
    assert copy.notes == ("/flash@0/partitions is for another parser: arm,arm-firmware-suite",)
    inner = {"label": "firmware", "reg": (0, 0x1000), "compatible": "denx,uimage"}
    (copy,) = copies({"flash@0": {**NOR, "partitions": {**FIXED, "partition@0": inner}}})
    assert rows(copy) == [("firmware", 0, 0x1000)]
    assert copy.notes == ("/flash@0/partitions/partition@0 is for another parser: denx,uimage",)


def test_nested_partitions_count_from_their_parent() -> None:
    inner = {
        **FIXED,
        "label": "firmware",
        "reg": (0x100000, 0x200000),
        "partition@0": {"label": "kernel", "reg": (0, 0x80000)},
        "partition@80000": {"label": "rootfs", "reg": (0x80000, 0)},
    }
    (copy,) = copies({"flash@0": {**NOR, "partitions": {**FIXED, "partition@100000": inner}}})
    assert [(e.label, e.offset, e.size, e.to_end, e.parent) for e in copy.entries] == [
        ("firmware", 0x100000, 0x200000, False, None),
        ("kernel", 0x100000, 0x80000, False, "firmware"),
        ("rootfs", 0x180000, None, True, "firmware"),
    ]


def test_cells_for_nvmem_inside_a_partition_are_no_partitions() -> None:
    inner = {
        "compatible": "nvmem-cells",
        "#address-cells": 1,
        "#size-cells": 1,
        "label": "factory",
        "reg": (0, 0x1000),
        "mac-address@0": {"reg": (0, 6)},
    }
    (copy,) = copies({"flash@0": {**NOR, "partitions": {**FIXED, "partition@0": inner}}})
    assert rows(copy) == [("factory", 0, 0x1000)]


@pytest.mark.parametrize("status", ["disabled", "fail", "reserved"])
def test_a_disabled_node_is_not_a_flash(status: str) -> None:
    table = {**FIXED, "partition@0": {"label": "all", "reg": (0, 0x1000)}}
    spi = {"status": status, "flash@0": {**NOR, "partitions": table}}
    (copy,) = copies({"spi@0": spi})
    assert (copy.in_use, copy.notes) == (False, ("/spi@0 is disabled",))
    spi["status"] = "okay"
    (copy,) = copies({"spi@0": spi})
    assert (copy.in_use, copy.notes) == (True, ())


def test_chips_without_partitions_are_listed() -> None:
    nodes = {
        "spi@0": {"status": "disabled", "flash@0": NOR},
        "spi@1": {"flash@0": {**NOR, "linux,mtd-name": "boot", "label": "nor"}},
        "spi@2": {"gauge@0": {"compatible": "whimbrel,gauge"}, "can@1": {"compatible": "a,imx25"}},
    }
    tree = flat_tree.parse(View.of(write(nodes)))
    assert device_tree.copies(tree) == ()
    assert [
        (flash.node.path, flash.medium, flash.disabled_by, flash.names)
        for flash in device_tree.flash_nodes(tree)
    ] == [
        ("/spi@0/flash@0", Medium.SPI_NOR, "/spi@0", ()),
        ("/spi@1/flash@0", Medium.SPI_NOR, None, ("boot", "nor")),
    ]


@pytest.mark.parametrize(
    ("compatible", "medium"),
    [
        ("jedec,spi-nor", Medium.SPI_NOR),
        ("m25p80", Medium.SPI_NOR),
        ("micron,mt25qu256a", Medium.SPI_NOR),
        ("spi-nand", Medium.NAND),
        ("ti,omap2-onenand", Medium.NAND),
        ("jedec-flash", Medium.PARALLEL_NOR),
        ("atmel,dataflash", Medium.UNKNOWN),
        ("fsl,imx25-flexcan", None),
    ],
)
def test_media(compatible: str, medium: Medium | None) -> None:
    tree = flat_tree.parse(View.of(write({"chip@0": {"compatible": compatible}})))
    expected = [] if medium is None else [medium]
    assert [flash.medium for flash in device_tree.flash_nodes(tree)] == expected


@given(st.data())
def test_any_tree_gives_copies(data: st.DataObject) -> None:
    blob = data.draw(damaged(write(WHIMBREL)))
    try:
        tree = flat_tree.parse(View.of(blob))
    except FormatError:
        return
    for copy in device_tree.copies(tree):
        assert all(entry.at.text.startswith(copy.device) for entry in copy.entries)


SOURCE = """\
/dts-v1/;
/ {
    #address-cells = <1>;
    #size-cells = <1>;
    nor: flash@0 {
        compatible = "jedec,spi-nor";
        reg = <0 0x2000000>;
        partitions {
            compatible = "fixed-partitions";
            #address-cells = <ADDRESS>;
            #size-cells = <SIZE>;
            partition@0 { label = "fip"; reg = <ZEROS 0x0 ZEROS2 0x100000>; read-only; };
            one@100000 { label = "env a, (1)"; reg = <ZEROS 0x100000 ZEROS2 0x10000>; };
            two@zz { reg = <ZEROS 0xfffff000 ZEROS2 0>; };
        };
    };
    nand@1 {
        compatible = "vendor,nand";
        #address-cells = <1>;
        #size-cells = <1>;
        kernel@0 { label = "kernel"; reg = <0x0 0x400000>; };
        partition@400000 { reg = <0x400000 0xfc00000>; };
    };
};
"""


@pytest.mark.oracle
@pytest.mark.parametrize(("address", "size"), [(1, 1), (2, 1), (1, 2), (2, 2)])
def test_offsets_and_sizes_equal_what_fdtget_prints(
    tmp_path: Path, address: int, size: int
) -> None:
    source = SOURCE.replace("ZEROS2", "0x0" * (size - 1)).replace("ZEROS", "0x1" * (address - 1))
    source = source.replace("ADDRESS", str(address)).replace("SIZE", str(size))
    blob = tmp_path / "whimbrel.dtb"
    subprocess.run(
        ["dtc", "-q", "-I", "dts", "-O", "dtb", "-o", blob], input=source.encode(), check=True
    )

    def fdtget(option: str, *arguments: str) -> str:
        call = ["fdtget", *option.split(), str(blob), *arguments]
        return subprocess.run(call, capture_output=True, text=True, check=True).stdout.strip()

    found = device_tree.copies(flat_tree.parse(View.of(blob.read_bytes())))
    assert [len(copy.entries) for copy in found] == [3, 2]
    for copy in found:
        for entry in copy.entries:
            above = entry.at.text.rpartition("/")[0]
            cells = fdtget("-t x", entry.at.text, "reg").split()
            split = int(fdtget("-t u", above, "#address-cells"))
            numbers = [
                int("".join(cell.zfill(8) for cell in part), 16)
                for part in (cells[:split], cells[split:])
            ]
            assert numbers == [entry.offset, entry.size or 0]
            properties = fdtget("-p", entry.at.text).split()
            assert entry.read_only == ("read-only" in properties)
            if "label" in properties:
                assert entry.label == fdtget("-t s", entry.at.text, "label")


CELLS = {"#address-cells": 1, "#size-cells": 1}


def test_the_outermost_disabled_node_is_named() -> None:
    flash = {**NOR, "status": "disabled", "partitions": {**FIXED, "partition@0": {"reg": (0, 9)}}}
    (copy,) = copies({"spi@1000": {"status": "disabled", "flash@0": flash}})
    assert (copy.in_use, copy.notes) == (False, ("/spi@1000 is disabled",))


def test_what_stands_in_a_partition_is_no_flash_and_what_stands_beside_it_may_be() -> None:
    """A controller may have partitions of its own, and chips below it."""
    inside = {**CELLS, "partition@0": {"reg": (0, 1)}}
    chip = {**NOR, "partitions": {**FIXED, "partition@0": {"label": "b", "reg": (0, 8)}}}
    node = {**CELLS, "partition@0": {"label": "a", "reg": (0, 9), **inside}, "flash@1": chip}
    found = copies({"nand@0": node})
    assert [(copy.device, rows(copy)) for copy in found] == [
        ("/nand@0", [("a", 0, 9)]),
        ("/nand@0/flash@1", [("b", 0, 8)]),
    ]


def test_a_table_is_known_by_what_it_is_compatible_with() -> None:
    table = {**FIXED, "partition@0": {"label": "a", "reg": (0, 9)}}
    (copy,) = copies({"flash": {"map": table}})
    assert (copy.device, rows(copy)) == ("/flash/map", [("a", 0, 9)])


@pytest.mark.parametrize(
    ("child", "found"),
    [
        ({"reg": (0, 9)}, 1),
        ({"label": "a"}, 0),
        ({"reg": (0, 9), "compatible": "example,partition"}, 0),
    ],
)
def test_a_partition_right_under_a_node_has_a_place_and_no_driver(child: Nodes, found: int) -> None:
    """drivers/mtd/parsers/ofpart_core.c, node_has_compatible(); what has no reg is no partition."""
    assert len(copies({"flash": {**CELLS, "partition@0": child}})) == found
    (beside,) = copies({"flash": {**CELLS, "partition@0": child, "partition@9": {"reg": (9, 9)}}})
    assert [entry.offset for entry in beside.entries] == [0, 9] if found else [9]
    assert beside.in_use


def test_an_old_table_whose_one_partition_is_bad_is_there_and_not_in_use() -> None:
    (copy,) = copies({"flash@0": {**NOR, **CELLS, "partition@0": {"reg": (0,)}}})
    assert (rows(copy), copy.in_use) == ([("partition", None, None)], False)
