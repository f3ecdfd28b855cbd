"""Drivers: whether the kernel that a stage starts has those of the devices it stands on."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from imgaudit.rescue.drivers import Driver, State
from imgaudit.rescue.started import Started
from imgaudit.rules import samples as sample
from imgaudit.rules._rescue import archive, example, listed
from imgaudit.rules.cited import in_busybox, in_linux, manual, seen, standard
from imgaudit.rules.engine import (
    Case,
    Example,
    Finding,
    Kind,
    Missing,
    NotChecked,
    Outcome,
    Rule,
    Severity,
    check,
)
from imgaudit.rules.subject import Subject
from imgaudit.writers import elf
from imgaudit.writers.fdt import Tree, fdt
from imgaudit.writers.kernel import RELEASE, image
from imgaudit.writers.tree import Entry, file

_DEVICES = {
    "console": "the console",
    "flash": "the SPI flash",
    "partitions": "the SPI flash's partitions",
    "emmc": "the eMMC",
    "network": "the network",
    "watchdog": "the watchdog",
}
_EFFECTS = {
    "console": "The system starts mute, and nobody can type anything",
    "flash": "There is no /dev/mtd: nothing in the NOR can be read or written",
    "partitions": "There is the whole flash, and none of its partitions: /dev/mtd1 and up are not"
    " there",
    "emmc": "There is no /dev/mmcblk: nothing on the eMMC can be read or written",
    "network": "There is no network interface",
    "watchdog": "Nobody feeds the watchdog: where the boot loader started it, the board resets",
}


def _each(subject: Subject) -> Iterator[Started | Missing]:
    for started in subject.started.values():
        yield Missing(_subject(started), started.drivers.why) if started.drivers.why else started


def _subject(started: Started) -> str:
    return f"drivers of {started.name}"


STARTED = Kind(_each, _subject)
"""Each Linux whose kernel and device tree are known."""


def _said(case: Case, started: Started, severity: Severity | None = None) -> Finding:
    region = started.region
    where = started.stage.where if started.stage is not None and region is None else None
    return case.at(
        region=region,
        artifact=started.artifact,
        key="file" if region is not None else None,
        where=where,
        severity=severity,
    )


def _roles(started: Started, *states: State) -> Iterator[tuple[str, list[Driver]]]:
    """Give by role what is in one of these states; a port that works makes up for the others."""
    for role in _DEVICES:
        drivers = started.drivers.of(role)
        wrong = [driver for driver in drivers if driver.state in states]
        alone = {driver.node for driver in drivers if not driver.chain and driver.good}
        if role in {"network", "watchdog"} and alone - {_top(driver) for driver in wrong}:
            continue
        if wrong:
            yield role, wrong


def _top(driver: Driver) -> str:
    return driver.chain[0] if driver.chain else driver.node


def _severity(started: Started, role: str, drivers: list[Driver]) -> Severity:
    vital = role in started.vital and any(driver.vital for driver in drivers)
    return Severity.ERROR if vital else Severity.WARNING


def _shown(driver: Driver) -> str:
    needed = f", needed by {driver.chain[-1]}" if driver.chain else ""
    if driver.state is State.DISABLED and driver.by != driver.node:
        return f"{driver.by}, above {driver.node}"
    names = " or ".join(driver.compatible) or "no compatible"
    return f"{driver.node} ({names}{needed})"


def _board(
    *options: str,
    console: str = "ttyS0",
    changes: Mapping[str, Entry | None] | None = None,
    **status: str,
) -> Example:
    """Give a rescue in a FIT with its kernel and a tree of one serial port."""
    port: Tree = {"compatible": "snps,dw-apb-uart", "reg": (0x1000, 0x100), **status}
    tree: Tree = {
        "#address-cells": 1,
        "#size-cells": 1,
        "compatible": "example,gauge",
        "aliases": {"serial0": "/serial@1000"},
        "chosen": {"bootargs": f"console={console},115200"},
        "serial@1000": port,
    }
    return example(
        lambda: sample.fit(
            {
                "kernel": sample.kernel(payload=image(dict.fromkeys(options, "y"))),
                "fdt": sample.image({"type": "flat_dt"}, payload=fdt(tree)),
                "ramdisk": sample.image(payload=archive(changes or {})),
            },
            configurations={"conf": {"kernel": "kernel", "fdt": "fdt", "ramdisk": "ramdisk"}},
        ),
        room="8 MiB",
    )


_GOOD = _board("SERIAL_8250_DW")


def _driver_values(
    stage: str, devices: str, *, nodes: str, compatible: list[str], happens: str
) -> None: ...


MISSING = Rule(
    name="driver-missing",
    values=_driver_values,
    severity=Severity.ERROR,
    message="the kernel of {stage} has no driver for {devices}: {nodes}",
    effect="{happens}.",
    fix="Build the driver into the kernel (=y), or pack its module into the ramdisk and load it.",
    computed="no compatible of the node stands in a match table of the uncompressed kernel, and no"
    " module of its release has an alias for one; the same for what the node needs (clocks,"
    " regulators, resets, the bus it is on), for what makes the disk of an eMMC, and for what reads"
    " the partitions of a flash; a warning where the stage can do without it",
    sources=(
        in_linux("drivers/mmc/core/block.c", says="mmcblk%u%s"),
        in_linux("drivers/mtd/mtdpart.c", "parse_mtd_partitions"),
        in_linux("include/linux/mod_devicetable.h", "of_device_id"),
        in_linux("scripts/mod/file2alias.c", "do_of_table"),
        seen("Debian's packaged arm64 kernels"),
    ),
    bad=_board(),
    good=_GOOD,
)


@check(MISSING, over=STARTED)
def driver_missing(started: Started) -> Outcome:
    yield from _together(MISSING, started, State.MISSING)
    for role, device in _DEVICES.items():
        unknown = [driver for driver in started.drivers.of(role) if driver.state is State.UNKNOWN]
        if unknown:
            whys = listed(dict.fromkeys(f"{driver.node}: {driver.why}" for driver in unknown))
            yield NotChecked(MISSING.name, f"{device} of {started.name}", whys)


def _together(rule: Rule, started: Started, state: State) -> Iterator[Finding]:
    """Tell what is alike of one kernel or tree at once: it is one thing to mend."""
    by_severity: dict[Severity, list[tuple[str, list[Driver]]]] = {}
    for role, drivers in _roles(started, state):
        by_severity.setdefault(_severity(started, role, drivers), []).append((role, drivers))
    for severity, roles in by_severity.items():
        drivers = [driver for _, found in roles for driver in found]
        case = rule(
            stage=started.name,
            devices=" and ".join(_DEVICES[role] for role, _ in roles),
            nodes=listed(dict.fromkeys(map(_shown, drivers))),
            compatible=list(dict.fromkeys(n for driver in drivers for n in driver.compatible)),
            happens=". ".join(_EFFECTS[role] for role, _ in roles),
        )
        yield _said(case, started, severity)


def _module_values(stage: str, role: str, *, device: str, modules: str, happens: str) -> None: ...


_PORT = elf.module(name="tide", vermagic=RELEASE, alias="of:N*T*Csnps,dw-apb-uart")

IDLE = Rule(
    name="driver-module-not-loaded",
    values=_module_values,
    severity=Severity.ERROR,
    message="nothing in the ramdisk of {stage} loads the driver of {device}: {modules}",
    effect="{happens}, until someone loads it by hand.",
    fix="Name the module in a script with modprobe, or load by modalias (mdev, udev).",
    computed="a module matches the node, no script and no list that is read names it, and nothing"
    " that loads modules by modalias is started",
    sources=(
        manual(
            "modprobe(8)",
            "looks in the module directory /lib/modules/`uname -r` for all the modules and other"
            " files",
        ),
        in_busybox("util-linux/mdev.c", says='$MODALIAS=.* 0:0 660 @modprobe "$MODALIAS"'),
        manual(
            "systemd-udevd.service(8)", "executes matching instructions specified in udev rules"
        ),
    ),
    bad=_board(changes={f"lib/modules/{RELEASE}/tide.ko": file(_PORT)}),
    good=_GOOD,
)


@check(IDLE, over=STARTED)
def driver_idle(started: Started) -> Outcome:
    for role, drivers in _roles(started, State.IDLE):
        case = IDLE(
            stage=started.name,
            role=role,
            device=_DEVICES[role],
            modules=listed(f"{driver.by} for {_shown(driver)}" for driver in drivers),
            happens=_EFFECTS[role],
        )
        yield _said(case, started, _severity(started, role, drivers))


DISABLED = Rule(
    name="device-disabled",
    values=_driver_values,
    severity=Severity.ERROR,
    message="the device tree of {stage} has disabled {devices}: {nodes}",
    effect="{happens}.",
    fix='Set status = "okay" for it in the tree that this kernel is given.',
    computed="status of the node, of one above it, or of what it needs, is there and is not okay",
    sources=(
        standard(
            "Devicetree Specification 0.4",
            "2.3.4 status",
            copy=in_linux(
                "drivers/of/base.c",
                "of_device_is_available",
                'True if the status property is absent or set to "okay" or "ok", false otherwise',
            ),
        ),
    ),
    bad=_board("SERIAL_8250_DW", status="disabled"),
    good=_GOOD,
)


@check(DISABLED, over=STARTED)
def device_disabled(started: Started) -> Outcome:
    yield from _together(DISABLED, started, State.DISABLED)


def _console_values(stage: str, device: str, *, node: str, expected: str) -> None: ...


CONSOLE_NAME = Rule(
    name="console-not-of-its-port",
    values=_console_values,
    severity=Severity.ERROR,
    message="console={device} of {stage}: {node} is {expected} to its driver",
    effect="The kernel finds no such console: nothing is printed, and init has no terminal.",
    fix="Write console={expected} in bootargs.",
    computed="the alias serialN of the tree leads to a port whose driver gives its devices another"
    " name than console= does",
    sources=(
        in_linux("drivers/tty/serial/amba-pl011.c", "dev_name"),
        in_linux("drivers/of/base.c", "of_alias_get_id"),
    ),
    bad=_board("SERIAL_8250_DW", console="ttyAMA0"),
    good=_GOOD,
)


@check(CONSOLE_NAME, over=STARTED)
def console_name(started: Started) -> Outcome:
    for console in started.drivers.consoles:
        case = CONSOLE_NAME(
            stage=started.name, device=console.device, node=console.node, expected=console.expected
        )
        severity = None if "console" in started.vital else Severity.WARNING
        yield _said(case, started, severity)
