"""Drivers for what a stage needs: from a node of the device tree to the code that serves it.

A driver is built in where the node's `compatible` stands in one of the kernel's match tables, or is
a module whose alias matches and which something loads.

Sources: Linux include/linux/mod_devicetable.h (`struct of_device_id`: 32, 32 and 128 bytes of text,
measured on packaged arm64 kernels), scripts/mod/file2alias.c (the aliases), drivers/of/device.c
(what a node's modalias is), drivers/of/property.c (the properties that name suppliers),
drivers/base/dd.c (a device waits for its suppliers), drivers/clk/clk.c (of_clk_init),
drivers/amba/bus.c (found by peripheral ID).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from enum import StrEnum

from imgaudit import bounds
from imgaudit.data import dataclass
from imgaudit.formats.flat_tree import Node, Tree
from imgaudit.maps.device_tree import flash_nodes
from imgaudit.maps.entry import Medium
from imgaudit.patterns import regex
from imgaudit.rescue.modules import Loads, Release

IMAGE_SIZE = 256 << 20  # a kernel with everything built in has some 60 MiB
SUPPLIERS = 256  # devices looked at for one stage
_NAME, _COMPATIBLE = 64, 128
_CHILDREN = frozenset({"simple-bus", "simple-mfd", "simple-pm-bus", "isa", "syscon"})
# In a table of drivers/of/platform.c, so in every kernel that goes by a device tree.
_IN_ALL = "simple-bus"
_PRIMECELL = "arm,primecell"
_ALIAS = regex(r"of:N[^T]*T[^C]*C(.+?)(?:C\*)?")
_MMC = regex(r"(?:mmc|sdhci|sdmmc|emmc|dwmmc|sdio)@")
_EMMC = frozenset({"non-removable", "mmc-hs200-1_8v", "mmc-hs400-1_8v", "mmc-ddr-1_8v"})
# Device by list of phandles, the property that says how many cells follow each, and whether the
# consumer does without it after a time (driver_deferred_probe_check_state).
_LISTS = (
    ("clocks", "#clock-cells", True),
    ("resets", "#reset-cells", True),
    ("phys", "#phy-cells", True),
    ("power-domains", "#power-domain-cells", False),
    ("iommus", "#iommu-cells", False),
)
_SINGLE = ("phy-handle", "mmc-pwrseq")
# The name of a serial driver's devices (`dev_name` in Linux drivers/tty/serial).
_SERIAL = (
    ("ttyAMA", "arm,pl011 arm,sbsa-uart"),
    ("ttymxc", "fsl,imx1-uart fsl,imx21-uart fsl,imx6q-uart"),
    ("ttyLP", "fsl,vf610-lpuart fsl,ls1021a-lpuart fsl,imx7ulp-lpuart fsl,imx8qxp-lpuart"),
    ("ttySTM", "st,stm32-uart st,stm32f7-uart st,stm32h7-uart"),
    ("ttyMV", "marvell,armada-3700-uart marvell,armada-3700-uart-ext"),
    ("ttyPS", "cdns,uart-r1p8 cdns,uart-r1p12 xlnx,xuartps"),
    ("ttyAML", "amlogic,meson-gx-uart amlogic,meson6-uart amlogic,meson8-uart"),
    ("ttySIF", "sifive,uart0 sifive,fu540-c000-uart0"),
    ("ttyMSM", "qcom,geni-debug-uart qcom,msm-uartdm qcom,msm-uart"),
    ("ttyTHS", "nvidia,tegra30-hsuart nvidia,tegra186-hsuart"),
    ("ttyUL", "xlnx,xps-uartlite-1.00.a xlnx,opb-uartlite-1.00.b"),
    ("ttyS", "ns8250 ns16450 ns16550 ns16550a ns16750 ns16850 snps,dw-apb-uart"),
    ("ttyS", "ti,omap2-uart ti,omap3-uart ti,am3352-uart ti,am4372-uart ti,am654-uart"),
    ("ttyS", "mediatek,mt6577-uart brcm,bcm2835-aux-uart marvell,armada-38x-uart"),
    ("ttyS", "atmel,at91rm9200-usart atmel,at91sam9260-usart"),
)
_TTY_OF = {compatible: prefix for prefix, names in _SERIAL for compatible in names.split()}
_TTY = regex(r"(tty[A-Za-z]+)(\d+)$")


class State(StrEnum):
    """How a node is served."""

    BUILT_IN = "built in"
    LOADED = "module, loaded"
    IDLE = "module, not loaded"
    MISSING = "no driver"
    DISABLED = "disabled"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Driver:
    """One node that a stage needs and what serves it.

    `role` is what it is for; `by` the compatible, the module's path or the node that
    disables it; `why` what is not known.
    `chain` are the paths of the nodes that need this one, the stage's own device first. `vital`
    tells that what needs it does not work without.
    """

    role: str
    node: str
    compatible: tuple[str, ...]
    state: State
    by: str = ""
    why: str = ""
    chain: tuple[str, ...] = ()
    vital: bool = True

    @property
    def good(self) -> bool | None:
        """Whether it works; None where that cannot be told."""
        if self.state is State.UNKNOWN:
            return None
        return self.state in {State.BUILT_IN, State.LOADED}


@dataclass(frozen=True, slots=True)
class Console:
    """A `console=` that names another device than the serial port it should be, or none."""

    device: str
    node: str
    expected: str


@dataclass(frozen=True, slots=True)
class Drivers:
    """What serves the devices of a stage; `why` says why nothing of it is known."""

    found: tuple[Driver, ...] = ()
    consoles: tuple[Console, ...] = ()
    why: str = ""

    def of(self, role: str) -> tuple[Driver, ...]:
        """Give what stands for one role, suppliers included."""
        return tuple(driver for driver in self.found if driver.role == role)


class Kernel:
    """A kernel's own drivers, and its modules in one root.

    Args:
        image: the uncompressed kernel; None where it is not at hand.
        modules: those of its release.
        loads: what loads them.
        asks: whether it can have a module loaded that it wants itself.

    """

    def __init__(
        self,
        image: bytes | None,
        modules: Release | None = None,
        loads: Loads | None = None,
        *,
        asks: bool = True,
    ) -> None:
        self._image = image
        self._asks = asks
        self._modules = modules
        self._known: dict[str, State] = {}
        self._loads = loads or Loads()
        self._by_compatible: dict[str, str] = {}
        self._by_alias: dict[str, str] = {}
        for module in modules.modules if modules is not None else ():
            for alias in module.aliases:
                found = _ALIAS.fullmatch(alias)
                if found is not None:
                    self._by_compatible.setdefault(found[1], module.path)
                else:
                    self._by_alias.setdefault(alias, module.path)

    def builtin(self, compatible: str) -> State:
        """Look a compatible up: built in, missing, or unknown where it stands outside a table."""
        state = self._known.get(compatible)
        if state is None:
            state = self._known[compatible] = self._search(compatible)
        return state

    def _search(self, compatible: str) -> State:
        image = self._image
        text = compatible.encode("utf-8", "surrogateescape")
        if image is None or not text or len(text) >= _COMPATIBLE:
            return State.UNKNOWN
        state = State.MISSING
        at = image.find(text)
        while at >= 0:
            after = at + len(text)
            # The name before it is empty, as good as always.
            alone = at >= _NAME and image[at - _NAME : at] == bytes(_NAME)
            if alone and image[after : at + _COMPATIBLE] == bytes(_COMPATIBLE - len(text)):
                return State.BUILT_IN
            if image[after : after + 1] == image[at - 1 : at] == b"\0":
                state = State.UNKNOWN
            at = image.find(text, at + 1)
        return state

    def driver(self, compatibles: tuple[str, ...], *, on_bus: bool) -> tuple[State, str, str]:
        """Tell what serves a device: its state, by what, and what is not known."""
        states = {name: self.builtin(name) for name in compatibles}
        for name, state in states.items():
            if state is State.BUILT_IN:
                return state, name, ""
        for name in compatibles:
            path = self._by_compatible.get(name)
            if path is None and on_bus:
                path = self._by_alias.get(f"spi:{_device(name)}")
                path = path or self._by_alias.get(f"i2c:{_device(name)}")
            if path is not None:
                return self._module(path)
        if self._image is None:
            return State.UNKNOWN, "", "the uncompressed kernel is not at hand"
        if self.builtin(_IN_ALL) is not State.BUILT_IN:
            return State.UNKNOWN, "", "no match tables are found in the kernel"
        if _PRIMECELL in compatibles:
            return State.UNKNOWN, "", "it is found by its peripheral ID, not by its compatible"
        if State.UNKNOWN in states.values():
            name = next(name for name, state in states.items() if state is State.UNKNOWN)
            return State.UNKNOWN, "", f"{name} stands in the kernel, but in no match table"
        if on_bus and any(self._named(_device(name)) for name in compatibles):
            return State.UNKNOWN, "", "a driver may know it by its name alone"
        return State.MISSING, "", ""

    def part(self, name: str, text: bytes = b"", *, asked: bool = False) -> tuple[State, str, str]:
        """Tell whether it has a part that no device stands for, by its module's name.

        Built in, it has `text`; `asked` tells that the kernel has the module loaded itself.
        """
        builtin = frozenset() if self._modules is None else self._modules.builtin
        if name in builtin or (text and self._image is not None and text in self._image):
            return State.BUILT_IN, name, ""
        for module in self._modules.modules if self._modules is not None else ():
            if module.name == name:
                loaded = asked and self._asks
                return (State.LOADED, module.path, "") if loaded else self._module(module.path)
        return (State.MISSING if builtin else State.UNKNOWN), "", ""

    def _named(self, name: str) -> bool:
        return self._image is not None and b"\0" + name.encode() + b"\0" in self._image

    def _module(self, path: str) -> tuple[State, str, str]:
        name = path.rpartition("/")[2].partition(".ko")[0].replace("-", "_")
        if name in self._loads.names or self._loads.hotplug:
            return State.LOADED, path, ""
        if self._loads.hotplug is None:
            return State.UNKNOWN, path, f"whether something loads {path} is not known"
        return State.IDLE, path, ""


def _device(compatible: str) -> str:
    """Give a compatible without its vendor: what the buses I2C and SPI go by."""
    return compatible.partition(",")[2] or compatible


@dataclass(frozen=True, slots=True)
class _Device:
    role: str
    node: Node
    chain: tuple[str, ...] = ()
    vital: bool = True


def drivers_of(
    tree: Tree,
    kernel: Kernel,
    *,
    roles: Iterable[str],
    consoles: tuple[str, ...] = (),
    listed: bool = False,
    mmc: int | None = None,
) -> Drivers:
    """Follow a stage's devices to their drivers, and what these depend on.

    Args:
        tree: the device tree that the kernel is given.
        kernel: the drivers at hand.
        roles: of `console`, `flash`, `emmc`, `network` and `watchdog`, those that count.
        consoles: the devices that `console=` names.
        listed: whether the command line has the partitions of the flash.
        mmc: the number of the eMMC's device, where it is known.

    """
    looking = _Looking(tree, kernel, mmc)
    wanted = set(roles)
    devices = [device for device in looking.devices(consoles) if device.role in wanted]
    parts = tuple(looking.parts(devices, listed=listed))
    return Drivers((*looking.follow(devices), *parts), tuple(looking.consoles(consoles)))


class _Looking:
    def __init__(self, tree: Tree, kernel: Kernel, mmc: int | None) -> None:
        self.tree = tree
        self.kernel = kernel
        self.mmc = mmc
        self.above: dict[str, Node] = {}
        self.by_phandle: dict[int, Node] = {}
        self.nodes: list[Node] = list(tree.root.walk())
        for node in self.nodes:
            for child in node.children:
                self.above[child.path] = node
            number = node.number("phandle") or node.number("linux,phandle")
            if number is not None:
                self.by_phandle.setdefault(number, node)
        aliases = tree.get("/aliases")
        self.aliases = {} if aliases is None else dict(_texts(aliases))

    def devices(self, consoles: tuple[str, ...]) -> Iterator[_Device]:
        """Give the devices that a stage stands on."""
        for node in self.ports(consoles):
            yield _Device("console", node)
        flashes = flash_nodes(self.tree)
        chips = [item.node for item in flashes if item.medium is Medium.SPI_NOR]
        chips = chips or [it.node for it in flashes if "spi-nand" in it.node.texts("compatible")]
        chips = [node for node in chips if self.typed(node)]
        # A board's tree often has chips of its variants, disabled.
        enabled = [node for node in chips if self.enabled(node)]
        for node in enabled or chips:
            yield _Device("flash", node)
        hosts = self.emmcs()
        # Of several none is known to be the one, but where none of them has a driver.
        asked = bounds.within(hosts, SUPPLIERS, "device tree", "hosts of an eMMC")
        served = [self.driver(_Device("emmc", node)).good for node in asked]
        if len(hosts) == 1 or (hosts and not any(good in {True, None} for good in served)):
            yield _Device("emmc", hosts[0])
        for node in self.nodes:
            if node.name.startswith("ethernet@") and self.enabled(node):
                yield _Device("network", node)
            elif node.name.startswith("watchdog@") and self.enabled(node):
                yield _Device("watchdog", node, vital=False)

    def emmcs(self) -> list[Node]:
        """Give the hosts that the eMMC may be at: that of its alias, else all that can be it.

        Source: Linux Documentation/devicetree/bindings/mmc/mmc-controller.yaml (no-mmc; a child is
        a function of an SDIO card, or an eMMC that says mmc-card).
        """
        named = None if self.mmc is None else self.tree.get(self.aliases.get(f"mmc{self.mmc}", "?"))
        if named is not None:
            return [named]
        hosts = [
            node
            for node in self.nodes
            if _MMC.match(node.name) and self.typed(node) and "no-mmc" not in node.properties
        ]
        fixed = [node for node in hosts if not _EMMC.isdisjoint(node.properties)]
        cards = [node for node in fixed if not _has_function(node)]
        for some in (cards, fixed, hosts):
            enabled = [node for node in some if self.enabled(node)]
            if some:
                return enabled or some
        return []

    def parts(self, devices: list[_Device], *, listed: bool) -> Iterator[Driver]:
        """Give the parts of a kernel that make the names that tools use of what a driver finds.

        Source: Linux drivers/mmc/core/block.c (mmcblk%u%s); drivers/mtd/mtdpart.c
        (parse_mtd_partitions asks for the module of a parser by its name).
        """
        first = {device.role: device.node for device in reversed(devices) if not device.chain}
        if (host := first.get("emmc")) is not None:
            found = self.kernel.part("mmc_block", b"mmcblk%u%s")
            yield from self.part("emmc", host, "mmc_block", found)
        if (chip := first.get("flash")) is not None:
            told = any(
                below.name == "partitions" or "fixed-partitions" in below.texts("compatible")
                for below in chip.children
            )
            names = ["cmdlinepart"] * listed + ["ofpart"] * told
            states = [(name, self.kernel.part(name, asked=True)) for name in names]
            if states and not any(
                found[0] in {State.BUILT_IN, State.LOADED} for _, found in states
            ):
                yield from self.part("partitions", chip, *states[0])

    def part(
        self, role: str, node: Node, name: str, found: tuple[State, str, str]
    ) -> Iterator[Driver]:
        state, by, why = found
        if state is not State.UNKNOWN:
            yield Driver(role, node.path, (name,), state, by, why, (node.path,))

    def typed(self, node: Node) -> bool:
        return "compatible" in node.properties

    def enabled(self, node: Node) -> bool:
        """Tell whether a node and all above it are enabled."""
        return self.disabled_by(node) is None

    def disabled_by(self, node: Node) -> Node | None:
        """Give the node that disables a node: itself, or one above."""
        at: Node | None = node
        while at is not None and at.enabled():
            at = self.above.get(at.path)
        return at

    def ports(self, consoles: tuple[str, ...]) -> Iterator[Node]:
        """Give the serial ports of the console: those that are named, else stdout-path."""
        seen: set[str] = set()
        serial = [match for name in consoles if (match := _TTY.match(name)) is not None]
        for match in serial:
            node = self.tree.get(self.aliases.get(f"serial{match[2]}", "?"))
            if node is not None and node.path not in seen:
                seen.add(node.path)
                yield node
        stdout = self.stdout()
        if not consoles and stdout is not None:
            yield stdout

    def stdout(self) -> Node | None:
        """Follow stdout-path, by an alias or not."""
        chosen = self.tree.get("/chosen")
        path = None if chosen is None else chosen.text("stdout-path")
        if path is None:
            return None
        name = path.partition(":")[0]
        return self.tree.get(name if name.startswith("/") else self.aliases.get(name, "?"))

    def consoles(self, named: tuple[str, ...]) -> Iterator[Console]:
        """Give the serial `console=` that cannot be, by the alias' number and the driver's name."""
        for name in named:
            match = _TTY.match(name)
            if match is None or match[1] not in {prefix for prefix, _ in _SERIAL}:
                continue
            node = self.tree.get(self.aliases.get(f"serial{match[2]}", "?"))
            if node is None:
                continue
            prefixes = {_TTY_OF[text] for text in node.texts("compatible") if text in _TTY_OF}
            if prefixes and match[1] not in prefixes:
                yield Console(name, node.path, f"{min(prefixes)}{match[2]}")

    def follow(self, devices: list[_Device]) -> Iterator[Driver]:
        """Give every device and, breadth first, what it depends on."""
        seen = {device.node.path for device in devices}
        for device in devices:
            found = self.driver(device)
            yield found
            if found.state is State.DISABLED:
                continue
            for node, vital in self.suppliers(device.node):
                if node.path not in seen and len(seen) < SUPPLIERS:
                    seen.add(node.path)
                    chain = (*device.chain, device.node.path)
                    devices.append(_Device(device.role, node, chain, device.vital and vital))

    def driver(self, device: _Device) -> Driver:
        node = device.node
        compatible = node.texts("compatible")
        off = self.disabled_by(node)
        state, by, why = State.DISABLED, off.path if off is not None else "", ""
        if off is None:
            parent = self.above.get(node.path)
            bus = parent.name.partition("@")[0] if parent is not None else ""
            names = compatible
            if device.chain and not _CHILDREN.issuperset(names):
                names = tuple(name for name in names if name not in _CHILDREN)
            elif device.chain:
                return Driver(
                    device.role, node.path, compatible, State.BUILT_IN, chain=device.chain
                )
            state, by, why = self.kernel.driver(names, on_bus=bus in {"i2c", "spi"})
        return Driver(
            device.role, node.path, compatible, state, by, why, device.chain, device.vital
        )

    def suppliers(self, node: Node) -> Iterator[tuple[Node, bool]]:
        """Give the devices that a device needs, and whether it never works without."""
        parent = self.above.get(node.path)
        # Clocks are looked for in the whole tree before any device is made (drivers/clk/clk.c,
        # of_clk_init): what stands above them need not have a driver.
        if parent is not None and "#clock-cells" not in node.properties:
            owner = self.owner(parent)
            if owner is not None and _CHILDREN.isdisjoint(owner.texts("compatible")):
                yield owner, True
        for name, cells, vital in _LISTS:
            for target in self.listed(node.u32s(name), cells):
                # A clock without a compatible is made by code that goes by other names.
                if name != "clocks" or self.typed(target):
                    yield from self.owned(target, vital=vital)
        for name, found in node.properties.items():
            if name.endswith("-supply") or name in _SINGLE:
                vital = name != "phy-handle"
                for number in found.u32s()[:1]:
                    owned = self.owned(self.by_phandle.get(number), vital=vital)
                    # What lies inside a device is made by its own driver.
                    yield from (each for each in owned if not _below(each[0], node))
            elif name.startswith("pinctrl-") and name != "pinctrl-names":
                for number in found.u32s():
                    yield from self.owned(self.by_phandle.get(number), vital=False)

    def owned(self, target: Node | None, *, vital: bool) -> Iterator[tuple[Node, bool]]:
        owner = None if target is None else self.owner(target)
        if owner is not None and not _is_phy(owner):
            yield owner, vital
        elif target is not None and _is_phy(target):
            # A PHY has a generic driver; the bus that it is found on needs one of its own.
            bus = self.above.get(target.path)
            above = None if bus is None else self.owner(bus)
            if above is not None:
                yield above, vital

    def owner(self, node: Node) -> Node | None:
        """Give the device that a node belongs to: itself, or the next above with a compatible."""
        at: Node | None = node
        while at is not None and at is not self.tree.root:
            if self.typed(at):
                return at
            at = self.above.get(at.path)
        return None

    def listed(self, cells: tuple[int, ...], counter: str) -> Iterator[Node]:
        """Give the nodes that a list of phandles with arguments names."""
        at = 0
        while at < len(cells):
            node = self.by_phandle.get(cells[at])
            if node is None:
                return
            yield node
            at += 1 + (node.u32s(counter) or (0,))[0]


def _has_function(node: Node) -> bool:
    """Tell that a host has an SDIO card, whose functions are its children."""
    return any("mmc-card" not in child.texts("compatible") for child in node.children)


def _texts(node: Node) -> Iterator[tuple[str, str]]:
    for name in node.properties:
        text = node.text(name)
        if text is not None:
            yield name, text


def _below(node: Node, other: Node) -> bool:
    return node.path.startswith(f"{other.path}/") or node is other


def _is_phy(node: Node) -> bool:
    return any(name.startswith("ethernet-phy-") for name in node.texts("compatible"))


FILE_SYSTEMS: Mapping[str, tuple[str, bytes]] = {
    "ext2": ("EXT4_FS", b"EXT4-fs ("),
    "ext3": ("EXT4_FS", b"EXT4-fs ("),
    "ext4": ("EXT4_FS", b"EXT4-fs ("),
    "squashfs": ("SQUASHFS", b"SQUASHFS error"),
    "erofs": ("EROFS_FS", b"erofs: "),
    "f2fs": ("F2FS_FS", b"F2FS-fs ("),
    "fat": ("VFAT_FS", b"FAT-fs ("),
    "vfat": ("VFAT_FS", b"FAT-fs ("),
    "ubifs": ("UBIFS_FS", b"UBIFS error"),
    "jffs2": ("JFFS2_FS", b"jffs2: "),
    "btrfs": ("BTRFS_FS", b"BTRFS "),
    "overlay": ("OVERLAY_FS", b"overlayfs: "),
}
"""By name: the option, without CONFIG_, and how the driver's messages begin."""


def file_system_driver(
    name: str, image: bytes | None, config: Mapping[str, str] | None, builtin: frozenset[str]
) -> State:
    """Tell whether a kernel has a file system built in.

    Its name is registered as a text of its own (Linux fs/filesystems.c), so a kernel without that
    text has it not; its messages are in the kernel that has it.
    """
    option, message = FILE_SYSTEMS.get(name, ("", b""))
    if config is not None and option:
        return State.BUILT_IN if config.get(f"CONFIG_{option}") == "y" else State.MISSING
    if name in builtin:
        return State.BUILT_IN
    if image is None or not option:
        return State.UNKNOWN
    if message in image:
        return State.BUILT_IN
    return State.UNKNOWN if b"\0" + name.encode() + b"\0" in image else State.MISSING
