"""Standard boot: what `bootflow scan -b` tries, written as the script that does the same.

Each medium in the order of `boot_targets`, else the board's own cards and eMMCs by number; on each
the bootable partitions, else the first; there an extlinux.conf, a boot script, an EFI program.

Source: U-Boot doc/develop/bootstd/overview.rst, boot/bootdev-uclass.c, boot/bootmeth_*.c.
"""

from __future__ import annotations

from collections.abc import Iterator

from imgaudit import bounds
from imgaudit.boot.records import World
from imgaudit.boot.state import State

NAME = "bootflow scan"
_METHODS = ("extlinux", "script", "efi")
"""In the order of their drivers' names, unless `bootmeths` names others."""
_FOLDERS = ("/", "/boot/")
_SCRIPTS = ("boot.scr.uimg", "boot.scr")
_EFI = {64: "bootaa64.efi", 32: "bootarm.efi"}
_MAX_TARGETS = 16


def script(world: World, state: State) -> str | None:
    """Write the script; None where a variable that decides about it is not known."""
    methods, targets = state.environment.get("bootmeths"), state.environment.get("boot_targets")
    if (methods is not None and methods.plain is None) or (
        targets is not None and targets.plain is None
    ):
        return None
    chosen = (methods.plain or "").split() if methods is not None else []
    named = (targets.plain or "").split() if targets is not None else []
    lines: list[str] = []
    for target in bounds.within(named or ["mmc"], _MAX_TARGETS, "boot_targets", "targets"):
        for device in _devices(world, target):
            lines += _tries(world, device, chosen or list(_METHODS))
    return "; ".join([*lines, "false"])


def _devices(world: World, target: str) -> list[str]:
    """Give the devices that a target means: one, or all of an interface."""
    if target[-1:].isdigit():
        return [target]
    own = {name for name in world.known if name.rstrip("0123456789") == target and name != target}
    return sorted(own, key=lambda name: (len(name), name)) or [f"{target}0"]


def _tries(world: World, device: str, methods: list[str]) -> Iterator[str]:
    interface = device.rstrip("0123456789")
    number = device.removeprefix(interface)
    if device not in world.known and interface != "mmc":
        # what is on a medium that the layout does not have, only the day tells
        load = f"load {interface} {number}:1 ${{kernel_addr_r}} bootflow"
        yield f"{load} && bootefi ${{kernel_addr_r}}"
        return
    for partition in _partitions(world, device):
        where = f"{interface} {number}:{partition}"
        for method in methods:
            yield from _method(world, where, method)


def _partitions(world: World, device: str) -> list[str]:
    table = world.tables.get(device)
    if table is None:
        return sorted(
            {name for on, name in world.partitions if on == device and name.isalnum()}
            & {f"{number:x}" for number in range(1, 129)},
            key=lambda name: int(name, 16),
        ) or ["1"]
    bootable = [f"{entry.number:x}" for entry in table if entry.bootable]
    return bootable or ["1"]


def _method(world: World, where: str, method: str) -> Iterator[str]:
    interface, _, place = where.partition(" ")
    number, _, partition = place.partition(":")
    for folder in _FOLDERS:
        if method in {"extlinux", "syslinux"}:
            path = f"{folder}extlinux/extlinux.conf"
            start = f"sysboot {where} any ${{pxefile_addr_r}} {path}"
            yield f"if test -e {where} {path}; then {start}; fi"
        elif method == "script":
            for name in _SCRIPTS:
                yield (
                    f"if test -e {where} {folder}{name}; then setenv devtype {interface};"
                    f" setenv devnum {number}; setenv distro_bootpart {partition};"
                    f" setenv prefix {folder}; load {where} ${{scriptaddr}} {folder}{name}"
                    " && source ${scriptaddr}; fi"
                )
    if method == "efi":
        path = f"/efi/boot/{_EFI[64 if world.bits > 32 else 32]}"
        yield (
            f"if test -e {where} {path}; then load {where} ${{kernel_addr_r}} {path}"
            " && bootefi ${kernel_addr_r}; fi"
        )
