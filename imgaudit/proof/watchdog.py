"""Whether a watchdog runs while something is started that may hang.

Source: U-Boot doc/device-tree-bindings/watchdog/common.txt (`u-boot,autostart` and
`u-boot,noautostart` against WATCHDOG_AUTOSTART) and drivers/watchdog/wdt-uclass.c; Linux
Documentation/devicetree/bindings/watchdog/linux,wdt-gpio.yaml (`always-running`).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from imgaudit.boot.firmware import Firmware, Program
from imgaudit.formats.fdt import FdtFacts
from imgaudit.formats.flat_tree import Node
from imgaudit.maps.collect import Copies
from imgaudit.patterns import regex
from imgaudit.proof.explore import Path

_NAMED = regex(r"(?:watchdog|wdt|wdog)(?:[@-].*)?")


def starts_itself(firmware: Iterable[Firmware], copies: Copies) -> bool:
    """Tell whether U-Boot starts a watchdog by itself, or one runs from power-on."""
    said = copies.uboot_config
    built = said is not None and said.says.config.enabled("WATCHDOG_AUTOSTART")
    trees = [tree for one in firmware if one.program is Program.U_BOOT for tree in one.trees]
    nodes = [node for tree in trees for node in _watchdogs(tree)]
    if not nodes:
        return built
    return any(_runs(node, built=built) for node in nodes)


def started(path: Path) -> bool:
    """Tell whether a command on the way starts one."""
    return any(taken.operation.arguments[:2] == ("wdt", "start") for taken in path.taken)


def _runs(node: Node, *, built: bool) -> bool:
    if {"always-running", "u-boot,autostart"} & node.properties.keys():
        return True
    return built and "u-boot,noautostart" not in node.properties


def _watchdogs(tree: FdtFacts) -> Iterator[Node]:
    for node in tree.tree.root.walk():
        if node.enabled() and _NAMED.fullmatch(node.name):
            yield node
