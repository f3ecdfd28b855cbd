"""What the checks of scripts and RAM share: the commands that were followed, and small boots."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping

from imgaudit.boot.records import Operation
from imgaudit.boot.stage import Boots, Followed
from imgaudit.model import Region
from imgaudit.rules.engine import Case, Cause, Example, Finding, Severity
from imgaudit.rules.examples import nor
from imgaudit.rules.samples import board_tree, fit, image, kernel
from imgaudit.units import KIB
from imgaudit.writers.cpio import cpio
from imgaudit.writers.elf import program
from imgaudit.writers.env import environment
from imgaudit.writers.fdt import Tree
from imgaudit.writers.tree import file

ENV_SIZE = 8 * KIB
RAM = "ram: {banks: [{at: 0x80000000, size: 256 MiB}]}\n"
RECOVERY = "sf probe && sf read 0x88000000 0x20000 0x40000 && bootm 0x88000000"


def whole_fit() -> bytes:
    """Write a FIT that starts: a kernel, a device tree, and a ramdisk with an init."""
    root = {"init": file(program(), 0o755)}
    tree: Tree = {"type": "flat_dt"}
    images: Tree = {
        "kernel": kernel(),
        "fdt": image(tree, payload=board_tree()),
        "ramdisk": image(payload=cpio(root, 0)),
    }
    parts: Tree = {"conf": {"kernel": "kernel", "fdt": "fdt", "ramdisk": "ramdisk"}}
    return fit(images, configurations=parts)


def operations(boots: Boots) -> Iterator[tuple[Followed, Operation]]:
    """Give every command once, however many ways lead to it; commands that boot count first."""
    seen = set()
    for followed in boots.followed.values():
        for operation in followed.walk.operations:
            key = (operation.variable, operation.at, operation.command)
            if key not in seen:
                seen.add(key)
                yield followed, operation


def feeds_a_boot(followed: Followed, operation: Operation) -> bool:
    """Tell whether something that the command reads is started."""
    return any(
        operation.index in fillers
        for boot in followed.walk.boots
        for fillers in boot.loaded.values()
    )


def finding(
    case: Case,
    boots: Boots,
    *,
    region: Region | None = None,
    severity: Severity | None = None,
    key: str | None = None,
    causes: tuple[Cause, ...] = (),
) -> Finding:
    """Make a finding about a region, or else about the environment that U-Boot takes."""
    place = boots.place
    where = place.where if place is not None else None
    if region is None:
        region, where = (place.region, where) if place is not None else (None, None)
    else:
        where = None
    return case.at(
        region=region,
        artifact=place.artifact if place is not None else None,
        where=where,
        key=key,
        severity=severity,
        causes=causes,
    )


def scripted(
    recovery: str = RECOVERY,
    *,
    bootcmd: str = "run recovery",
    more: Mapping[str, str] | None = None,
    regions: tuple[str, ...] = (),
    chip: str = "size: 1 MiB, erase-block: 64 KiB",
    rest: str = "",
    stage: str = "",
    ram: str = RAM,
    files: Mapping[str, Callable[[], bytes]] | None = None,
    itb: Callable[[], bytes] = fit,
) -> Example:
    """Give a board that starts a recovery FIT from its NOR: regions env, recovery and more."""
    variables = {"bootcmd": bootcmd, "recovery": recovery, **(more or {})}
    stages = (
        "stages:\n  recovery:\n    regions: [env, recovery]\n"
        f"    ramdisk: recovery\n    entry: recovery\n{stage}"
    )
    # `explain` prints the layout: say there what is in the environment
    texts = {name: value.encode("unicode_escape").decode() for name, value in variables.items()}
    said = "".join(f"# {name}={text}\n" for name, text in texts.items())
    made: dict[str, Callable[[], bytes]] = {
        "u-boot.env": lambda: environment(variables, ENV_SIZE, None),
        "recovery.itb": itb,
    }
    shape = "holds: uboot-env, writer: runtime, file: u-boot.env, env: {size: 8 KiB}"
    return nor(
        f"name: env, at: 64 KiB, size: 64 KiB, {shape}",
        "name: recovery, at: 128 KiB, size: 256 KiB, holds: fit, file: recovery.itb",
        *regions,
        chip=chip,
        rest=ram + stages + rest + said,
        files=made | dict(files or {}),
    )
