"""Drivers of what a stage needs, against packaged kernels, their modules and their trees."""

from __future__ import annotations

import subprocess
from collections.abc import Mapping
from pathlib import Path

import pytest

from imgaudit.contents.reader import Loader
from imgaudit.contents.starts import kernel_in
from imgaudit.formats import flat_tree
from imgaudit.formats.view import View
from imgaudit.rescue.drivers import Drivers, Kernel, State, drivers_of, file_system_driver
from imgaudit.rescue.modules import Loads, Release, read_loads, read_modules
from imgaudit.rescue.started import image_of
from imgaudit.rules.built import subject_of
from imgaudit.rules.drivers import _PORT, _board
from imgaudit.tasks.audit import run
from imgaudit.writers import elf, kernel
from imgaudit.writers.fdt import Tree, fdt
from imgaudit.writers.kernel import RELEASE
from imgaudit.writers.tree import Entry, file
from tests.rescue._kernel import KERNEL
from tests.rescue._ramdisk import installer, tree

ARMHF = Path("/usr/lib/debian-installer/images/12/armhf/text/debian-installer/armhf")
ROLES = ("console", "flash", "emmc", "network", "watchdog")
AT = "lib/modules/6.1"


def table(*names: str) -> bytes:
    """Write a match table of `struct of_device_id` for a 64-bit kernel."""
    entries = (bytes(64) + name.encode().ljust(128, b"\0") + bytes(8) for name in names)
    return b"\xd5" * 100 + b"".join(entries) + bytes(200) + b"\xd5" * 100


def board(devices: Tree, chosen: Tree | None = None) -> flat_tree.Tree:
    root: Tree = {
        "#address-cells": 1,
        "#size-cells": 1,
        "aliases": {"serial0": "/serial@1000"},
        "chosen": chosen or {"stdout-path": "serial0:115200n8"},
        "serial@1000": {"compatible": "tide,uart", "reg": (0x1000, 0x100)},
    }
    return flat_tree.parse(View.of(fdt(root | devices)))


def look(
    devices: Tree,
    *builtin: str,
    modules: Mapping[str, str] | None = None,
    loads: Loads | None = None,
    consoles: tuple[str, ...] = (),
    parts: str = "",
    listed: bool = False,
    asks: bool = True,
) -> Drivers:
    files: dict[str, bytes] = {
        f"{AT}/{name}.ko": elf.module(name=name, vermagic="6.1", alias=alias)
        for name, alias in (modules or {}).items()
    }
    if parts:
        files[f"{AT}/modules.builtin"] = "".join(
            f"kernel/{it}.ko\n" for it in parts.split()
        ).encode()
    image = table("simple-bus", *builtin) + b"\0tide,plain\0"
    release = read_modules(tree(files))[0] if files else None
    served = Kernel(image, release, loads, asks=asks)
    return drivers_of(board(devices), served, roles=ROLES, consoles=consoles, listed=listed)


def states(drivers: Drivers, role: str = "console") -> list[tuple[str, State]]:
    return [(item.node, item.state) for item in drivers.of(role)]


def test_built_in_missing_and_unknown() -> None:
    assert states(look({}, "tide,uart")) == [("/serial@1000", State.BUILT_IN)]
    assert states(look({})) == [("/serial@1000", State.MISSING)]
    # A longer name, or the same text outside a table, is no driver.
    assert states(look({}, "tide,uart2")) == [("/serial@1000", State.MISSING)]
    port: Tree = {"serial@1000": {"compatible": "tide,plain"}}
    assert states(look(port)) == [("/serial@1000", State.UNKNOWN)]
    assert states(
        look({"serial@1000": {"compatible": ["tide,new", "tide,uart"]}}, "tide,uart")
    ) == [("/serial@1000", State.BUILT_IN)]


HOSTS: Tree = {
    "mmc@1000": {"compatible": "tide,sdio", "non-removable": True, "wifi@1": {"reg": 1}},
    "mmc@2000": {"compatible": "tide,emmc", "non-removable": True},
    "mmc@3000": {"compatible": "tide,slot", "bus-width": 4},
}


@pytest.mark.parametrize(
    ("change", "served", "found"),
    [
        # An SDIO card's host has its functions below it: the other one is the eMMC's.
        ({}, ("tide,emmc",), ["/mmc@2000"]),
        ({}, (), ["/mmc@2000"]),
        # Of two that may be, none is judged while one of them has a driver.
        ({"mmc@1000": {"compatible": "tide,other", "non-removable": True}}, ("tide,other",), []),
        ({"mmc@1000": {"compatible": "tide,other", "non-removable": True}}, (), ["/mmc@1000"]),
        ({"mmc@2000": {"compatible": "tide,emmc", "no-mmc": True}}, (), ["/mmc@1000"]),
    ],
)
def test_the_host_of_the_emmc(change: Tree, served: tuple[str, ...], found: list[str]) -> None:
    """Linux Documentation/devicetree/bindings/mmc/mmc-controller.yaml."""
    drivers = look(HOSTS | change, *served)
    assert [node for node, _ in states(drivers, "emmc")] == found


@pytest.mark.parametrize(
    ("parts", "modules", "state"),
    [
        ("tide", {}, State.MISSING),
        ("mmc_block", {}, State.BUILT_IN),
        ("tide", {"mmc_block": "mmc:block"}, State.IDLE),
        ("", {}, State.UNKNOWN),
    ],
)
def test_an_emmc_needs_what_makes_its_disk(
    parts: str, modules: dict[str, str], state: State
) -> None:
    """drivers/mmc/core/block.c makes /dev/mmcblk0, and may be a module of its own."""
    found = look(HOSTS, "tide,emmc", parts=parts, modules=modules).of("emmc")
    assert [it.state for it in found if it.compatible == ("mmc_block",)] == (
        [] if state is State.UNKNOWN else [state]
    )


@pytest.mark.parametrize(
    ("listed", "parts", "modules", "asks", "state"),
    [
        (True, "cmdlinepart", {}, True, None),
        (True, "ofpart", {}, True, None),  # the tree's own partitions are there
        (True, "tide", {}, True, State.MISSING),
        (False, "tide", {}, True, State.MISSING),
        (True, "tide", {"cmdlinepart": "x"}, True, None),
        (True, "tide", {"cmdlinepart": "x"}, False, State.IDLE),
        (True, "", {}, True, None),
    ],
)
def test_a_flash_has_partitions_where_a_parser_is(
    listed: bool, parts: str, modules: dict[str, str], asks: bool, state: State | None
) -> None:
    """drivers/mtd/mtdpart.c asks for the parser's module, which /sbin/modprobe loads."""
    chip: Tree = {"compatible": "jedec,spi-nor", "partitions": {"compatible": "fixed-partitions"}}
    bus: Tree = {"spi@0": {"compatible": "tide,spi", "flash@0": chip}}
    drivers = look(bus, "tide,spi", parts=parts, modules=modules, listed=listed, asks=asks)
    assert [it.state for it in drivers.of("partitions")] == ([] if state is None else [state])


def test_a_clock_is_found_wherever_it_stands() -> None:
    """As in am335x-guardian.dtb: the node around `ti,clkctrl` is no device and has no driver."""
    clock: Tree = {"compatible": "tide,clkctrl", "#clock-cells": 0, "phandle": 7}
    devices: Tree = {
        "prcm@2000": {"clock@400": {"compatible": "tide,domain", "clock@0": clock}},
        "serial@1000": {"compatible": "tide,uart", "clocks": 7},
    }
    assert states(look(devices, "tide,uart", "tide,clkctrl")) == [
        ("/serial@1000", State.BUILT_IN),
        ("/prcm@2000/clock@400/clock@0", State.BUILT_IN),
    ]
    assert (
        "/prcm@2000/clock@400/clock@0",
        State.MISSING,
    ) in states(look(devices, "tide,uart"))


def test_a_kernel_without_tables_is_not_judged() -> None:
    found = drivers_of(board({}), Kernel(b"\xd5" * 4096), roles=ROLES)
    assert states(found) == [("/serial@1000", State.UNKNOWN)]
    found = drivers_of(board({}), Kernel(None), roles=ROLES)
    assert states(found) == [("/serial@1000", State.UNKNOWN)]


@pytest.mark.parametrize(
    ("loads", "state"),
    [
        (Loads(), State.IDLE),
        (Loads(frozenset({"tide_uart"})), State.LOADED),
        (Loads(hotplug=True), State.LOADED),
        (Loads(hotplug=None), State.UNKNOWN),
    ],
)
@pytest.mark.parametrize("alias", ["of:N*T*Ctide,uart", "of:N*T*Ctide,uartC*"])
def test_a_module(loads: Loads, state: State, alias: str) -> None:
    found = look({}, modules={"tide-uart": alias}, loads=loads)
    assert states(found) == [("/serial@1000", state)]
    assert found.found[0].by == f"/{AT}/tide-uart.ko"


def test_a_flash_is_found_by_the_name_that_its_bus_uses() -> None:
    bus: Tree = {"spi@0": {"compatible": "tide,spi", "flash@0": {"compatible": "jedec,spi-nor"}}}
    found = look(bus, "tide,spi", modules={"spi-nor": "spi:spi-nor"}, loads=Loads(hotplug=True))
    assert states(found, "flash") == [
        ("/spi@0/flash@0", State.LOADED),
        ("/spi@0", State.BUILT_IN),
    ]


def test_what_a_device_needs_is_followed() -> None:
    devices: Tree = {
        "i2c@2000": {
            "compatible": "tide,i2c",
            "pmic@1": {"compatible": "tide,pmic", "regulators": {"ldo1": {"phandle": 7}}},
        },
        "clock": {"compatible": "tide,clock", "#clock-cells": 1, "phandle": 8},
        "mmc@3000": {
            "compatible": "tide,mmc",
            "non-removable": True,
            "vmmc-supply": 7,
            "clocks": (8, 3),
        },
    }
    found = look(devices, "tide,mmc", "tide,pmic", "tide,clock")
    assert dict(states(found, "emmc")) == {
        "/mmc@3000": State.BUILT_IN,
        "/clock": State.BUILT_IN,
        "/i2c@2000/pmic@1": State.BUILT_IN,
        "/i2c@2000": State.MISSING,
    }
    last = next(item for item in found.found if item.node == "/i2c@2000")
    assert last.chain == ("/mmc@3000", "/i2c@2000/pmic@1")
    assert last.vital


def test_a_disabled_node_names_who_disables_it() -> None:
    bus: Tree = {
        "spi@0": {
            "compatible": "tide,spi",
            "status": "disabled",
            "flash@0": {"compatible": "jedec,spi-nor"},
        }
    }
    (found,) = look(bus, "tide,spi", "jedec,spi-nor").of("flash")
    assert (found.state, found.by) == (State.DISABLED, "/spi@0")
    spare: Tree = {"spi@1": {"compatible": "tide,spi", "flash@0": {"compatible": "jedec,spi-nor"}}}
    both = look(bus | spare, "tide,spi", "jedec,spi-nor")
    assert [node for node, _ in states(both, "flash")] == ["/spi@1/flash@0", "/spi@1"]


def test_the_console_is_what_the_command_line_names() -> None:
    ports: Tree = {
        "aliases": {"serial0": "/serial@1000", "serial1": "/serial@2000"},
        "serial@1000": {"compatible": "snps,dw-apb-uart"},
        "serial@2000": {"compatible": "arm,sbsa-uart"},
    }
    assert [node for node, _ in states(look(ports, consoles=("ttyS1",)))] == ["/serial@2000"]
    assert look(ports, consoles=("ttyS0", "tty0", "ttyAMA1")).consoles == ()
    (wrong,) = look(ports, consoles=("ttyAMA0",)).consoles
    assert (wrong.device, wrong.node, wrong.expected) == ("ttyAMA0", "/serial@1000", "ttyS0")


@pytest.mark.parametrize(
    ("files", "names", "hotplug"),
    [
        ({"init": b"#!/bin/sh\nmodprobe -a tide-uart gauge\n"}, {"tide_uart", "gauge"}, False),
        ({"init": b"#!/bin/sh\ninsmod /lib/tide-uart.ko\n"}, {"tide_uart"}, False),
        ({"init": b"#!/bin/sh\n# modprobe tide\n"}, set(), False),
        ({"init": b"#!/bin/sh\nmodprobe $m\n"}, set(), None),
        (
            {"init": b"#!/bin/sh\nfind /sys -name modalias -exec modprobe -a {} +\n"},
            set(),
            True,
        ),
        ({"init": b"#!/bin/sh\n/sbin/udevd -d\n"}, set(), True),
        ({"init": b"#!/bin/sh\nmdev -s\n"}, set(), False),
        (
            {
                "init": b"#!/bin/sh\nmdev -s\n",
                "etc/mdev.conf": b'$MODALIAS=.* 0:0 660 @modprobe -b "$MODALIAS"\n',
            },
            set(),
            True,
        ),
        (
            {
                "init": b"#!/bin/sh\nfor m in `cat /etc/modules`; do modprobe $m; done\n",
                "etc/modules": b"# drivers\ntide-uart speed=3\n",
            },
            {"tide_uart"},
            False,
        ),
    ],
)
def test_what_loads_modules(
    files: dict[str, bytes | str], names: set[str], hotplug: bool | None
) -> None:
    text = files["init"]
    assert isinstance(text, bytes)
    loads = read_loads(tree(files), [("/init", text.decode())])
    assert (set(loads.names), loads.hotplug) == (names, hotplug)


def test_lines_that_were_followed_hide_no_module() -> None:
    text = "#!/bin/sh\nfor m in spi-nor; do modprobe $m; done\nmodprobe $driver\n"
    for told, hotplug in (({("/init", 2)}, None), ({("/init", 2), ("/init", 3)}, False)):
        assert read_loads(tree({"init": b""}), [("/init", text)], told).hotplug is hotplug


def test_file_systems() -> None:
    image = kernel.image({"EXT4_FS": "y"})
    assert file_system_driver("ext4", image, None, frozenset()) is State.BUILT_IN
    assert file_system_driver("squashfs", image, None, frozenset()) is State.MISSING
    assert file_system_driver("squashfs", image, None, frozenset({"squashfs"})) is State.BUILT_IN
    assert file_system_driver("ext4", image, {"CONFIG_EXT4_FS": "m"}, frozenset()) is State.MISSING
    assert file_system_driver("ext4", None, None, frozenset()) is State.UNKNOWN
    assert file_system_driver("tidefs", image, None, frozenset()) is State.UNKNOWN


@pytest.fixture(scope="module")
def release() -> Release:
    (found,) = read_modules(installer("arm64")[1])
    return found


# What is built into this kernel is known from its configuration: CONFIG_SERIAL_MVEBU_UART=y,
# CONFIG_SPI_ARMADA_3700=m, CONFIG_MVNETA=m, CONFIG_MMC_SDHCI_XENON=m.
@pytest.mark.oracle
def test_a_packaged_kernel(release: Release) -> None:
    own = Kernel(KERNEL.read_bytes(), release, Loads(hotplug=True))
    assert own.builtin("marvell,armada-3700-uart") is State.BUILT_IN
    for name in ("spi", "neta", "sdhci"):
        assert own.builtin(f"marvell,armada-3700-{name}") is State.MISSING
    state, by, _ = own.driver(("marvell,armada-3700-spi",), on_bus=False)
    assert (state, Path(by).name) == (State.LOADED, "spi-armada-3700.ko")
    image = KERNEL.read_bytes()
    for name in ("ext4", "squashfs", "erofs", "f2fs", "vfat", "ubifs", "jffs2"):
        assert file_system_driver(name, image, None, frozenset()) is State.MISSING


@pytest.mark.oracle
def test_aliases_are_those_of_modinfo(release: Release, tmp_path: Path) -> None:
    _, root = installer("arm64")
    some = [module for module in release.modules if module.name.startswith("spi_")][:12]
    assert len(some) == 12
    for module in some:
        node = root.lookup(module.path)
        assert node is not None
        path = tmp_path / Path(module.path).name
        path.write_bytes(node.data().upto(0, node.size))
        said = subprocess.run(
            ["modinfo", "-F", "alias", str(path)], capture_output=True, text=True, check=True
        )
        wanted = [text for text in said.stdout.split("\n") if text.startswith(("of:", "spi:"))]
        assert sorted(module.aliases) == sorted(wanted)


@pytest.mark.oracle
def test_packaged_trees_and_the_kernel_packed_with_them() -> None:
    """The packaged kernel is for these boards: the consoles of nearly all are built in."""
    with Loader() as loader:
        content = loader.file(str(ARMHF / "vmlinuz")).content
    own = Kernel(image_of(kernel_in(content)))
    found = []
    for path in sorted((ARMHF / "dtbs").glob("*.dtb"))[::20]:
        board_tree = flat_tree.parse(View.of(path.read_bytes()))
        ports = drivers_of(board_tree, own, roles=("console",)).of("console")
        found += [port.state for port in ports if not port.chain]
    assert len(found) > 30
    assert found.count(State.BUILT_IN) >= 0.9 * len(found)


def test_a_module_that_a_function_loads_counts() -> None:
    """The name stands nowhere beside modprobe: only who follows the start sees it."""
    changes: dict[str, Entry | None] = {
        f"lib/modules/{RELEASE}/tide.ko": file(_PORT),
        "sbin/modprobe": file(elf.program(), 0o755),
        "lib/functions": file('load() {\n  modprobe "$1"\n}\n'),
    }
    loading = "#!/bin/sh\n. /lib/functions\nload tide\nexec /bin/getty -L ttyS0 115200\n"
    idle = loading.replace("load tide\n", "")
    for text, found in ((loading, False), (idle, True)):
        example = _board(changes=changes | {"init": file(text, 0o755)})
        names = {item.rule.name for item in run(subject_of(example)).findings}
        assert ("driver-module-not-loaded" in names) is found
