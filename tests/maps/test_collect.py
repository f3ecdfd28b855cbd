"""What a build carries of its map, and where each copy is said to be."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import pytest

from imgaudit import bounds
from imgaudit.contents.build import Build, MemoryStore, read
from imgaudit.contents.reader import Loader
from imgaudit.layout.load import parse
from imgaudit.maps.collect import Copies, collect
from imgaudit.maps.entry import Kind
from imgaudit.proof.power import environment as left_of
from imgaudit.writers.cpio import cpio
from imgaudit.writers.env import environment, text
from imgaudit.writers.fdt import Tree, fdt
from imgaudit.writers.sparse import patched
from imgaudit.writers.tree import file, link, with_parents

LAYOUT = """\
layout: 1
board: example
arch: arm64
chips:
  nor: {kind: spi-nor, size: 1 MiB, erase-block: 64 KiB}
regions:
  - {name: u-boot, chip: nor, at: 0, size: 256 KiB, holds: raw, writer: release, file: u-boot.bin}
  - name: env-a
    chip: nor
    at: 256 KiB
    size: 64 KiB
    holds: uboot-env
    writer: runtime
    file: a.env
    env: {size: 4 KiB, copy: env-b}
  - name: env-b
    chip: nor
    at: 320 KiB
    size: 64 KiB
    holds: uboot-env
    writer: runtime
    file: b.env
    env: {size: 4 KiB, copy: env-a}
  - {name: rescue, chip: nor, at: 384 KiB, size: 256 KiB, holds: cpio, writer: release, file: rd}
"""
LIST = "spi0.0:256k(u-boot),64k(env-a),64k(env-b),256k(rescue)"


def of(files: Mapping[str, bytes], elsewhere: str = "") -> Copies:
    def held(data: bytes) -> Callable[[], bytes]:
        return lambda: data

    with Loader() as loader:
        layout = parse((LAYOUT + elsewhere).encode(), "example.yaml")
        return collect(read(layout, MemoryStore({k: held(v) for k, v in files.items()}, loader)))


def tree(*, compatible: str = "example,gauge", bootargs: str = "") -> bytes:
    table: Tree = {"compatible": "fixed-partitions", "#address-cells": 1, "#size-cells": 1}
    table["partition@0"] = {"label": "u-boot", "reg": (0, 0x40000)}
    flash: Tree = {"compatible": "jedec,spi-nor", "reg": 0, "partitions": table}
    chosen: Tree = {"bootargs": bootargs} if bootargs else {"stdout-path": "serial0"}
    bus: Tree = {"#address-cells": 1, "#size-cells": 0, "flash@0": flash}
    return fdt({"compatible": compatible, "chosen": chosen, "spi@0": bus})


def test_a_build_without_a_layout_or_any_copy_has_none() -> None:
    assert collect(Build(layout=None)) == Copies()
    assert of({}) == Copies()


def test_the_environment_that_u_boot_takes_is_told() -> None:
    variables = {"bootcmd": "run main", "bootdelay": "2", "mtdparts": f"mtdparts={LIST}"}
    boot_loader = b"\x14\0\0\0" + bytes(64) + text(variables)
    files = {
        "a.env": environment(variables, 4096, 1),
        "b.env": environment(variables, 4096, 2),
        "u-boot.bin": boot_loader,
    }
    copies = of(files)
    assert [
        (str(copy.place), copy.says.stored, copy.says.taken) for copy in copies.environments
    ] == [
        ("the environment (a.env)", True, False),
        ("the environment (b.env)", True, True),
        ("the environment (u-boot.bin, compiled in)", False, False),
    ]
    assert [str(copy.place) for copy in copies.maps] == [
        "mtdparts (a.env, variable mtdparts)",
        "mtdparts (b.env, variable mtdparts)",
        "mtdparts (u-boot.bin, compiled in, variable mtdparts)",
    ]
    assert str(copies.maps[1].place.where) == "example.yaml:22:5"
    alone = of({"u-boot.bin": boot_loader})
    assert [copy.says.taken for copy in alone.environments] == [True]


@pytest.mark.parametrize(
    ("first", "second", "taken", "without"),
    [
        ({}, {}, "b.env", {"b.env": "env-a", "a.env": ""}),
        # U-Boot env/common.c: of two it chooses one by the sums, and drops that where a value has
        # no name (himport_r): then it starts with what is compiled in, whatever the other has.
        ({}, {"": "x"}, "u-boot.bin", {}),
        ({"": "x"}, {}, "b.env", {"b.env": "compiled-in environment"}),
        ({}, None, "a.env", {"a.env": "compiled-in environment"}),  # a sum that does not hold
        (None, None, "u-boot.bin", {"a.env": "", "b.env": ""}),
    ],
)
def test_which_environment_is_left(
    first: dict[str, str] | None,
    second: dict[str, str] | None,
    taken: str,
    without: dict[str, str],
) -> None:
    variables = {"bootcmd": "run main", "bootdelay": "2"}

    def copy(more: dict[str, str] | None, flag: int) -> bytes:
        data = environment({**variables, **(more or {})}, 4096, flag)
        return data if more is not None else patched(data, 8, b"B")

    boot_loader = b"\x14\0\0\0" + bytes(64) + text(variables)
    files = {"a.env": copy(first, 1), "b.env": copy(second, 2), "u-boot.bin": boot_loader}
    copies = of(files)
    (found,) = [one for one in copies.environments if one.says.taken]
    assert found.place.artifact == taken
    regions = {"a.env": "env-a", "b.env": "env-b"}
    left = {name: left_of(copies, frozenset({regions[name]})) for name in without}
    assert {name: one[1] if one is not None else None for name, one in left.items()} == without


def test_lists_inside_scripts_are_found_and_composed_ones_are_not() -> None:
    variables = {
        "bootargs": f"console=ttyS0 mtdparts={LIST}",
        "args": "setenv bootargs console=ttyS0 mtdparts=spi0.0:1m(all) rw",
        "more": "setenv bootargs ${bootargs} mtdparts=${id}:1m(all)",
        "mtdparts": "mtdparts=spi0.0:64k(open",
        "mtdids": "nor0=spi0.0,nand0",
    }
    copies = of({"a.env": environment(variables, 4096, 1)})
    assert {copy.place.spot: len(copy.says.entries) for copy in copies.maps} == {
        "variable bootargs": 4,
        "variable args": 1,
    }
    assert sorted(copy.place.spot for copy in copies.refused) == [
        "variable mtdids",
        "variable mtdparts",
    ]
    assert [copy.says.consoles[0].device for copy in copies.command_lines] == ["ttyS0"]


def test_trees_of_the_board_are_found_wherever_they_are() -> None:
    own, other = tree(bootargs=f"mtdparts={LIST}"), tree(compatible="example,other")
    files = {"own.dtb": own, "u-boot.bin": b"\x14\0\0\0\xd0\x0d\xfe\xed" + own + other}
    copies = of(files, "written-elsewhere: {device-tree: own.dtb}\n")
    assert [str(copy.place) for copy in copies.device_trees] == [
        "the device tree (own.dtb)",
        "U-Boot's own device tree (u-boot.bin at 0x8)",
    ]
    assert [copy.says.kind for copy in copies.maps] == 2 * [Kind.DEVICE_TREE, Kind.MTDPARTS]
    assert str(copies.maps[0].place.where) == "example.yaml:25:21"


def test_fw_env_config_out_of_a_ramdisk_or_beside_it() -> None:
    config = "/dev/mtd1 0 0x1000 0x10000\n"
    root = with_parents({"etc/real": file(config), "etc/fw_env.config": link("real")})
    inside = of(
        {"rd": cpio(root, 0)},
        "written-elsewhere: {flash-tool-config: 'rescue:/etc/fw_env.config'}\n",
    ).flash_tool_config
    assert inside is not None
    assert str(inside.place) == "/etc/fw_env.config (rd)"
    assert [location.number for location in inside.says.locations] == [1]
    beside = of(
        {"fw_env.config": config.encode()},
        "written-elsewhere: {flash-tool-config: fw_env.config}\n",
    ).flash_tool_config
    assert beside is not None
    assert beside.says == inside.says
    for name in ("rescue:/etc/none", "absent:/etc/fw_env.config", "fw_env.config"):
        elsewhere = f"written-elsewhere: {{flash-tool-config: '{name}'}}\n"
        assert of({"rd": cpio(root, 0)}, elsewhere).flash_tool_config is None


def test_u_boots_configuration_and_environment_text() -> None:
    config = f'CONFIG_MTDPARTS_DEFAULT="{LIST}"\nCONFIG_MTDIDS_DEFAULT="nor0=spi0.0"\n'
    config += 'CONFIG_BOOTARGS="console=ttyS0 root=/dev/mtdblock3"\n'
    copies = of(
        {"u-boot.config": config.encode(), "env.txt": b"bootcmd=run main\nbootdelay=2\n"},
        "written-elsewhere: {uboot-config: u-boot.config, environment: env.txt}\n",
    )
    assert copies.uboot_config is not None
    assert [str(copy.place) for copy in copies.maps] == ["mtdparts (u-boot.config, line 1)"]
    assert [copy.says for copy in copies.ids] == [{"nor0": "spi0.0"}]
    assert [str(copy.place) for copy in copies.command_lines] == [
        "the kernel command line (u-boot.config, line 3)"
    ]
    assert [copy.says.variables for copy in copies.environments] == [
        {"bootcmd": "run main", "bootdelay": "2"}
    ]


@pytest.mark.parametrize(("many", "told"), [(63, False), (64, True)])
def test_a_tree_behind_so_many_magics_is_found_or_the_rest_is_told(many: int, told: bool) -> None:
    magics = b"\xd0\x0d\xfe\xed" * many
    with bounds.listening() as heard:
        copies = of({"u-boot.bin": bytes(4096) + magics + tree()})
    assert len(copies.device_trees) == (not told)
    assert [place for place, _ in heard] == ["u-boot.bin"] * told


def test_a_text_without_variables_is_no_environment() -> None:
    written = "written-elsewhere: {environment: env.txt}\n"
    assert of({"env.txt": b"# nothing yet\n"}, written).environments == ()
    (found,) = of({"env.txt": b"# one\nbootdelay=2\n"}, written).environments
    assert found.says.variables == {"bootdelay": "2"}


def test_a_variable_without_a_list_is_no_copy_of_the_map() -> None:
    stored = {"mtdids": "", "mtdparts": "", "bootargs": "quiet", "dfu_alt_info": "${list}"}
    copies = of({"a.env": environment(stored, 4096, 1), "b.env": environment(stored, 4096, 0)})
    assert (copies.maps, copies.ids) == ((), ())
