"""The kernel command lines that a build starts its systems with, held against map and disk."""

from __future__ import annotations

import functools
from collections.abc import Iterator, Mapping
from dataclasses import replace

from imgaudit.boot.walk import Boot, entries, walk
from imgaudit.data import dataclass
from imgaudit.formats.fdt import FdtFacts
from imgaudit.maps import command_line
from imgaudit.maps.collect import Copy, Environment, Place
from imgaudit.maps.command_line import CommandLine, Root, RootKind
from imgaudit.maps.root import Target, target_of
from imgaudit.model import MOUNTED, Layout, Region, Stage
from imgaudit.rules._map import finding, is_tree, known, tables
from imgaudit.rules.cited import PRACTICE, in_linux
from imgaudit.rules.engine import Example, Outcome, Rule, Severity, check, nothing
from imgaudit.rules.examples import emmc, nand, nor
from imgaudit.rules.subject import Subject
from imgaudit.units import KIB, decimal
from imgaudit.writers.env import environment

# COMMAND_LINE_SIZE, Linux arch/*/include/uapi/asm/setup.h; x86: arch/x86/include/asm/setup.h.
_LONGEST = {
    "arm": 1024,
    "arm64": 2048,
    "riscv32": 1024,
    "riscv64": 1024,
    "x86": 2048,
    "x86-64": 2048,
    "mips": 4096,
    "powerpc": 2048,
}
_UNKNOWN = "${"


@dataclass(frozen=True, slots=True)
class _Line:
    """A command line, where it comes from, and the stage and boot command that it is for."""

    place: Place
    line: CommandLine
    stage: Stage | None = None
    boot: Boot | None = None


def _lines(subject: Subject) -> list[_Line]:
    """Give what U-Boot's scripts compose, and what device trees and configuration say as it is.

    The text of an environment's own `bootargs` is only what a script starts from.
    """
    both = known(subject)
    if both is None:
        return []
    layout, copies = both
    found = []
    for copy in copies.environments:
        for stage, boot in _boots(subject, layout, copy):
            if boot.arguments is not None:
                carrier = f"the command line of `{boot.command}`"
                line = command_line.parse(boot.arguments)
                found.append(_Line(replace(copy.place, carrier=carrier), line, stage, boot))
    found += [
        _Line(written.place, written.says)
        for written in copies.command_lines
        if "variable bootargs" not in written.place.spot
    ]
    return found


def _boots(
    subject: Subject, layout: Layout, copy: Copy[Environment]
) -> Iterator[tuple[Stage | None, Boot]]:
    """Give the boots of an environment: the one that U-Boot takes has been followed already."""
    if copy.says.taken and subject.boots.place == copy.place:
        for followed in subject.boots.followed.values():
            for boot in followed.walk.boots if not followed.by_hand else ():
                yield followed.stage, boot
        return
    stages: dict[str, Stage | None] = dict.fromkeys(entries(copy.says.variables))
    stages |= {stage.entry: stage for stage in layout.stages.values() if stage.entry}
    variables = tuple(copy.says.variables.items())
    for entry, stage in stages.items():
        for boot in _walked(variables, entry) if entry in copy.says.variables else ():
            yield stage, boot


# Every check of this module asks for the same walks.
@functools.lru_cache(maxsize=64)
def _walked(variables: tuple[tuple[str, str], ...], entry: str) -> tuple[Boot, ...]:
    return walk(dict(variables), entry).boots


def _roots(subject: Subject) -> Iterator[tuple[_Line, Root, Target]]:
    both = known(subject)
    for item in _lines(subject):
        root = item.line.root
        target = target_of(subject, *both, root) if both and root else None
        if root is not None and target is not None:
            yield item, root, target


def _same(
    lines: Iterator[tuple[str, _Line]] | list[tuple[str, _Line]],
) -> Mapping[str, list[_Line]]:
    groups: dict[str, list[_Line]] = {}
    for key, line in lines:
        groups.setdefault(key, []).append(line)
    return groups


def _places(lines: list[_Line]) -> list[Place]:
    return [line.place for line in lines]


_DISK = (
    "name: boot, partition: 1, at: 1 MiB, size: 1 MiB, holds: fat",
    "name: rootfs-a, partition: 2, at: 2 MiB, size: 4 MiB, holds: ext4",
)


def _booting(arguments: str, *, stage: str = "", rest: str = "") -> Example:
    variables = {
        "bootcmd": "mmc dev 0; run arguments; booti ${kernel_addr_r} - ${fdt_addr_r}",
        "arguments": f"setenv bootargs {arguments}",
        "kernel_addr_r": "0x80200000",
        "fdt_addr_r": "0x88000000",
    }
    env = "name: env, at: 7 MiB, size: 64 KiB, holds: uboot-env, writer: runtime, file: u-boot.env"
    system = f"stages: {{main: {{regions: [env], entry: bootcmd{stage}}}}}\n"
    return emmc(
        *_DISK,
        f"{env}, env: {{size: 8 KiB}}",
        rest=system + rest,
        files={"u-boot.env": lambda: environment(variables, 8 * KIB, None)},
    )


def _from_ubi(arguments: str) -> Example:
    """Give a board that starts from a UBI volume."""
    variables = {
        "loadaddr": "82000000",
        "bootcmd": "ubi part ubi; ubi read ${loadaddr} kernel; setenv bootargs "
        + arguments
        + "; bootm",
    }
    return nand(
        "name: env, at: 0, size: 64 KiB, holds: uboot-env, file: u-boot.env, env: {size: 8 KiB}",
        "name: ubi, at: 64 KiB, size: 960 KiB, holds: ubi",
        "name: rootfs, chip: nand/ubi, size: 124 KiB, holds: ubifs",
        rest="stages: {main: {regions: [env, rootfs], entry: bootcmd}}\n",
        files={"u-boot.env": lambda: environment(variables, 8 * KIB, None)},
    )


_GOOD = _booting("console=ttyS0,115200n8 root=PARTLABEL=rootfs-a rootfstype=ext4 rootwait")


def _dangling_values(root: str, *, why: str) -> None: ...


DANGLING = Rule(
    name="root-dangling",
    renames=True,
    severity=Severity.ERROR,
    values=_dangling_values,
    message="{copies} says root={root}, but {why}",
    effect=(
        "The kernel waits for ever, or panics with 'VFS: Unable to mount root fs' and stands"
        " still, or resets with panic=: the main system never starts."
    ),
    fix="Name a root that is there; PARTLABEL and PARTUUID survive a changed order of disks.",
    computed="the PARTUUID, PARTLABEL, partition number, MTD or UBI volume is in no partition table"
    " and in no region",
    sources=(
        in_linux("init/do_mounts.c", "name_to_dev_t"),
        in_linux("init/do_mounts.c", "mount_block_root", "VFS: Unable to mount root fs on %s"),
    ),
    bad=_booting("console=ttyS0 root=PARTLABEL=rootfs-c rootwait"),
    good=_GOOD,
)


@check(DANGLING)
def root_dangling(subject: Subject) -> Outcome:
    wrong: dict[tuple[str, str], list[_Line]] = {}
    for item, root, target in _roots(subject):
        if target.why:
            wrong.setdefault((root.text, target.why), []).append(item)
    for (root_text, why), lines in wrong.items():
        yield finding(
            DANGLING(root=root_text, why=why), _places(lines), region=lines[0].place.region
        )


def _unattached_values(root: str, *, holder: str, said: str) -> None: ...


UNATTACHED = Rule(
    name="ubi-not-attached",
    stops=True,
    severity=Severity.ERROR,
    values=_unattached_values,
    message="{copies} says root={root}, a volume of {holder}, but {said}",
    effect="The kernel finds no UBI device: 'VFS: Cannot open root device', and panics.",
    fix="Add ubi.mtd={holder}, or the number that this partition has.",
    computed="root= is a volume of a region that no ubi.mtd= of the same line names; a device tree"
    " with linux,ubi can attach it as well, and is then not judged",
    sources=(
        in_linux("drivers/mtd/ubi/build.c", "ubi_mtd_param_parse"),
        in_linux("drivers/mtd/ubi/build.c", "ubi_init"),
        in_linux("init/do_mounts.c", "mount_block_root", "VFS: Cannot open root device"),
    ),
    bad=_from_ubi("root=ubi0:rootfs rootfstype=ubifs rootwait"),
    good=_from_ubi("ubi.mtd=ubi root=ubi0:rootfs rootfstype=ubifs rootwait"),
)


@check(UNATTACHED)
def ubi_not_attached(subject: Subject) -> Outcome:
    both = known(subject)
    if both is None or any(_attaches(tree.says) for tree in both[1].device_trees):
        return
    layout = both[0]
    wrong: dict[tuple[str, str, str], list[_Line]] = {}
    for item, root, target in _roots(subject):
        holder = target.region.holder if target.region is not None else None
        if root.kind is not RootKind.UBI or holder is None or _UNKNOWN in item.line.text:
            continue
        attached = item.line.ubi_attached
        names = {holder, *layout.region(holder).labels}
        # A number or a path is another way to say it.
        told = any(
            name in names or "/" in name or (name.isdecimal() and _may_be(subject, name, names))
            for name in attached
        )
        if not told:
            said = f"attaches {', '.join(attached)}" if attached else "has no ubi.mtd="
            wrong.setdefault((root.text, holder, said), []).append(item)
    for (root_text, holder, said), lines in wrong.items():
        yield finding(
            UNATTACHED(root=root_text, holder=holder, said=said),
            _places(lines),
            region=layout.region(holder),
        )


def _may_be(subject: Subject, number: str, names: set[str]) -> bool:
    """Tell whether an MTD's number may mean one of these regions."""
    both, root = known(subject), command_line.parse(f"root=/dev/mtdblock{number}").root
    if both is None or root is None:
        return True
    target = target_of(subject, *both, root)
    if target is None or (target.region is None and not target.why):
        return True
    return target.region is not None and target.region.name in names


def _attaches(tree: FdtFacts) -> bool:
    return any("linux,ubi" in node.texts("compatible") for node in tree.tree.root.walk())


def _root_type_values(there: str, *, holds: str, wanted: str) -> None: ...


ROOT_TYPE = Rule(
    name="rootfstype-differs",
    stops=True,
    severity=Severity.ERROR,
    values=_root_type_values,
    message="{copies} says rootfstype={there}, but {region} holds {holds}",
    effect=(
        "The kernel tries only the file systems of that list and panics: 'No filesystem "
        "could mount root, tried:' or, for one that it lacks, 'VFS: Cannot open root "
        "device … error -19'."
    ),
    fix="Write rootfstype={wanted}, or leave it out.",
    computed="root= leads to a region whose holds: is none of the list in rootfstype=",
    sources=(
        in_linux("init/do_mounts.c", "mount_block_root", "No filesystem could mount root, tried:"),
        in_linux(
            "init/do_mounts.c",
            "mount_block_root",
            'VFS: Cannot open root device "%s" or %s: error %d',
        ),
    ),
    bad=_booting("console=ttyS0 root=PARTLABEL=rootfs-a rootfstype=squashfs rootwait"),
    good=_GOOD,
)


@check(ROOT_TYPE)
def root_type(subject: Subject) -> Outcome:
    wrong: dict[tuple[str, str], list[_Line]] = {}
    regions: dict[str, Region] = {}
    for item, _, target in _roots(subject):
        kinds, region = item.line.root_type, target.region
        if kinds is None or _UNKNOWN in kinds or region is None or region.holds not in MOUNTED:
            continue
        wanted = MOUNTED[region.holds]
        if not wanted & set(kinds.split(",")):
            regions[region.name] = region
            wrong.setdefault((kinds, region.name), []).append(item)
    for (kinds, name), lines in wrong.items():
        holds = regions[name].holds
        yield finding(
            ROOT_TYPE(there=kinds, holds=holds, wanted="vfat" if holds == "fat" else holds),
            _places(lines),
            region=regions[name],
            key="holds",
        )


# Of no file system in this list the kernel tries one that it was not told: they need no disk.
_TOLD_ONLY = frozenset({"jffs2", "ubifs"})


def _untold_values(root: str, *, holds: str) -> None: ...


UNTOLD = Rule(
    name="rootfstype-missing",
    stops=True,
    severity=Severity.ERROR,
    values=_untold_values,
    message="{copies} says root={root}, which holds {holds}, and has no rootfstype=",
    effect="By itself the kernel tries only file systems that need a disk, and {holds} is none of"
    ' them. It panics: "VFS: Cannot open root device" or "No filesystem could mount root, tried:".',
    fix="Add rootfstype={holds}.",
    computed="root= leads to a region that holds UBIFS or JFFS2, no ramdisk comes before it, and"
    " the command line has no rootfstype=",
    sources=(
        in_linux("init/do_mounts.c", "mount_block_root", "list_bdev_fs_names(fs_names, PAGE_SIZE)"),
        in_linux("fs/filesystems.c", "list_bdev_fs_names", "if (!(p->fs_flags & FS_REQUIRES_DEV))"),
        in_linux("fs/ubifs/super.c", "ubifs_fs_type"),
        in_linux("fs/jffs2/super.c", "jffs2_fs_type"),
        in_linux("init/do_mounts.c", "mount_block_root", "VFS: Cannot open root device"),
        in_linux("init/do_mounts.c", "mount_block_root", "No filesystem could mount root, tried:"),
    ),
    bad=_from_ubi("ubi.mtd=ubi root=ubi0:rootfs rootwait"),
    good=_from_ubi("ubi.mtd=ubi root=ubi0:rootfs rootfstype=ubifs rootwait"),
)


@check(UNTOLD)
def root_type_untold(subject: Subject) -> Outcome:
    wrong: dict[tuple[str, str], list[_Line]] = {}
    regions: dict[str, Region] = {}
    for item, root, target in _roots(subject):
        region, text = target.region, item.line.text
        if region is None or region.holds not in _TOLD_ONLY or item.line.root_type is not None:
            continue
        if _UNKNOWN not in text and _mounts_itself(subject, item):
            regions[region.name] = region
            wrong.setdefault((root.text, region.name), []).append(item)
    for (root_text, name), lines in wrong.items():
        yield finding(
            UNTOLD(root=root_text, holds=regions[name].holds), _places(lines), region=regions[name]
        )


def _mounts_itself(subject: Subject, item: _Line) -> bool:
    """Tell whether it is the kernel that mounts the root of this line, and no ramdisk."""
    boot = item.boot
    if boot is None or boot.ramdisk is not None:
        return False
    started = subject.started.get(item.stage.name) if item.stage is not None else None
    if started is None:
        return boot.config is None
    return started.rescue is None and not started.early


def _wait_values(root: str) -> None: ...


WAIT = Rule(
    name="rootwait-missing",
    severity=Severity.WARNING,
    values=_wait_values,
    message="{copies} has its root on the eMMC ({root}) but no rootwait",
    effect=(
        "The kernel looks for eMMCs beside all else that it does: where one is found only after the"
        ' kernel wants its root, it panics, "VFS: Unable to mount root fs". That may happen at one'
        " power-on and not at the next."
    ),
    fix="Add rootwait, with a limit (rootwait=30) where the kernel knows one, and panic=10.",
    computed="root= is a partition by PARTUUID, PARTLABEL or mmcblk, no ramdisk is given to the"
    " boot command, and neither rootwait nor rootdelay is there",
    sources=(
        in_linux(
            "Documentation/admin-guide/kernel-parameters.txt",
            "rootwait",
            "Useful for devices that are detected asynchronously (e.g. USB and MMC devices).",
        ),
        in_linux("init/do_mounts.c", "mount_block_root", "VFS: Unable to mount root fs on %s"),
        PRACTICE,
    ),
    bad=_booting("console=ttyS0 root=/dev/mmcblk0p2"),
    good=_GOOD,
)


@check(WAIT)
def rootwait_missing(subject: Subject) -> Outcome:
    wrong: list[tuple[str, _Line]] = []
    for item in _lines(subject):
        root, boot = item.line.root, item.boot
        if root is None or boot is None or boot.ramdisk is not None or boot.config is not None:
            continue
        late = root.kind in {RootKind.PARTITION_UUID, RootKind.PARTITION_LABEL}
        late |= root.kind is RootKind.DISK and (root.disk or "").startswith("mmcblk")
        unsaid = not item.line.waits_for_root and item.line.last("rootdelay") is None
        # What a script adds at the end and is not known may well be it.
        if late and unsaid and not any(_UNKNOWN in word.text for word in item.line.arguments):
            wrong.append((root.text, item))
    for root_text, lines in _same(wrong).items():
        yield finding(WAIT(root=root_text), _places(lines), region=lines[0].place.region)


CONSOLE = Rule(
    name="console-missing",
    severity=Severity.WARNING,
    values=nothing,
    message="{copies} has no console=, and no device tree has a stdout-path",
    effect="The kernel takes the first console that registers; with a screen in it that is the"
    " screen, and of several ports it may be another one: then the debug port stays mute, and a"
    " recovery that no one can see looks dead.",
    fix="Add console= with the debug port, or stdout-path to /chosen.",
    computed="a command line of a boot without console=, while no tree's /chosen names a"
    " stdout-path; an error for a stage that has a ramdisk or needs",
    sources=(
        in_linux(
            "Documentation/admin-guide/serial-console.rst",
            says="If no console device is specified, the first device found capable of acting as a"
            " system console will be used.",
        ),
        in_linux("kernel/printk/printk.c", "try_enable_default_console"),
        in_linux("drivers/of/base.c", "of_console_check"),
    ),
    bad=_booting("root=PARTLABEL=rootfs-a rootwait"),
    good=_GOOD,
)


@check(CONSOLE)
def console_missing(subject: Subject) -> Outcome:
    both = known(subject)
    if both is None or any(tree.says.stdout_path for tree in both[1].device_trees):
        return
    wrong = []
    for item in _lines(subject):
        line = item.line
        if item.boot is not None and not line.consoles and _UNKNOWN not in line.text:
            wrong.append((line.text, item))
    for lines in _same(wrong).values():
        rescue = any(line.stage and (line.stage.ramdisk or line.stage.needs) for line in lines)
        yield finding(
            CONSOLE(),
            _places(lines),
            region=lines[0].place.region,
            severity=Severity.ERROR if rescue else None,
        )


def _long_values(*, size: int, arch: str, most: int, over: int) -> None: ...


LONG = Rule(
    name="command-line-too-long",
    severity=Severity.ERROR,
    values=_long_values,
    message="{copies} is {size} characters; a kernel for {arch} keeps {most}",
    effect="The end is cut without a word; often that is mtdparts or root.",
    fix="Take {over} characters out.",
    computed="the length and its NUL exceed COMMAND_LINE_SIZE",
    sources=(
        in_linux("arch/arm64/include/uapi/asm/setup.h", "COMMAND_LINE_SIZE"),
        in_linux("arch/arm/include/uapi/asm/setup.h", "COMMAND_LINE_SIZE"),
        in_linux("arch/riscv/include/uapi/asm/setup.h", "COMMAND_LINE_SIZE"),
        in_linux("arch/mips/include/uapi/asm/setup.h", "COMMAND_LINE_SIZE"),
        in_linux("arch/powerpc/include/uapi/asm/setup.h", "COMMAND_LINE_SIZE"),
        in_linux("arch/x86/include/asm/setup.h", "COMMAND_LINE_SIZE"),
        in_linux(
            "drivers/of/fdt.c",
            "early_init_dt_scan_chosen",
            "strscpy(cmdline, p, min(l, COMMAND_LINE_SIZE))",
        ),
    ),
    bad=_booting(f"console=ttyS0 root=PARTLABEL=rootfs-a rootwait gauge.table={'1,' * 1100}0"),
    good=_GOOD,
)


@check(LONG)
def too_long(subject: Subject) -> Outcome:
    both = known(subject)
    if both is None:
        return
    most = _LONGEST[both[0].arch]
    wrong = [(item.line.text, item) for item in _lines(subject) if len(item.line.text) >= most]
    for text, lines in _same(wrong).items():
        yield finding(
            LONG(size=len(text), arch=both[0].arch, most=most - 1, over=len(text) - most + 1),
            _places(lines),
            region=lines[0].place.region,
            chip=next(iter(both[0].chips.values())),
        )


def _list_and_tree(line: str) -> Example:
    from imgaudit.writers.fdt import Tree, fdt

    flash: Tree = {
        "compatible": "jedec,spi-nor",
        "reg": 0,
        "partitions": {
            "compatible": "fixed-partitions",
            "#address-cells": 1,
            "#size-cells": 1,
            "partition@0": {"label": "all", "reg": (0, 0x100000)},
        },
    }
    tree: Tree = {
        "compatible": "example,gauge",
        "chosen": {"bootargs": line},
        "spi@0": {"#address-cells": 1, "#size-cells": 0, "flash@0": flash},
    }
    return nor(
        "name: all, at: 0, size: 1 MiB",
        rest="written-elsewhere: {device-tree: gauge.dtb}\n",
        files={"gauge.dtb": lambda: fdt(tree)},
    )


def _overrides_values(device: str, *, tree: str) -> None: ...


OVERRIDES = Rule(
    name="mtdparts-overrides-device-tree",
    severity=Severity.NOTE,
    values=_overrides_values,
    message="{copies} gives the kernel a list for {device!r}, and {tree} has partitions too",
    effect="A Linux that reads mtdparts (CONFIG_MTD_CMDLINE_PARTS) takes it and ignores the device"
    " tree: changes there have no effect.",
    fix="Keep one of the two; the device tree needs no room on the command line.",
    computed="mtdparts= on a command line and a partition table in the device tree, for one chip",
    sources=(
        in_linux("drivers/mtd/mtdpart.c", "default_mtd_part_types", '"cmdlinepart", "ofpart",'),
    ),
    bad=_list_and_tree("console=ttyS0 mtdparts=spi0.0:1m(all)"),
    good=_list_and_tree("console=ttyS0"),
)


@check(OVERRIDES)
def overrides(subject: Subject) -> Outcome:
    trees = [table for table in tables(subject) if is_tree(table)]
    wrong = [
        (item.line.value("mtdparts") or "", item)
        for item in _lines(subject)
        if trees and item.line.value("mtdparts")
    ]
    for value, lines in _same(wrong).items():
        yield finding(
            OVERRIDES(device=value.partition(":")[0], tree=str(trees[0].copy.place)),
            _places(lines),
            region=lines[0].place.region,
            chip=trees[0].chip,
        )


def _speed_values(*, there: int, here: int) -> None: ...


SPEED = Rule(
    name="console-speed-differs",
    severity=Severity.WARNING,
    values=_speed_values,
    message="{copies} has the console at {there} baud, U-Boot's baudrate is {here}",
    effect="Output turns to garbage as soon as the kernel starts.",
    fix="Use one speed for both.",
    computed="the number in console= is not the variable baudrate of the same environment",
    sources=(
        in_linux(
            "Documentation/admin-guide/serial-console.rst",
            says="in the format BBBBPNF, where BBBB is the speed",
        ),
        PRACTICE,
    ),
    bad=nor(
        "name: env, at: 0, size: 64 KiB, holds: uboot-env, file: u-boot.env, env: {size: 8 KiB}",
        files={
            "u-boot.env": lambda: environment(
                {"baudrate": "9600", "bootcmd": "setenv bootargs console=ttyS0,115200; bootm 1000"},
                8 * KIB,
                None,
            )
        },
    ),
    good=nor(
        "name: env, at: 0, size: 64 KiB, holds: uboot-env, file: u-boot.env, env: {size: 8 KiB}",
        files={
            "u-boot.env": lambda: environment(
                {"baudrate": "9600", "bootcmd": "setenv bootargs console=ttyS0,9600; bootm 1000"},
                8 * KIB,
                None,
            )
        },
    ),
)


@check(SPEED)
def console_speed(subject: Subject) -> Outcome:
    both = known(subject)
    if both is None:
        return
    rates = {
        copy.place.name: rate
        for copy in both[1].environments
        if (rate := decimal(copy.says.variables.get("baudrate", ""))) is not None
    }
    wrong: dict[tuple[int, int], list[_Line]] = {}
    for item in _lines(subject):
        here = rates.get(item.place.name)
        serial = [line.baud for line in item.line.consoles if line.device.startswith("tty")]
        speed = next((baud for baud in reversed(serial) if baud), None)
        if item.boot is not None and here is not None and speed not in {None, here}:
            wrong.setdefault((speed or 0, here), []).append(item)
    for (speed, here), lines in wrong.items():
        yield finding(SPEED(there=speed, here=here), _places(lines), region=lines[0].place.region)
