"""The command line against the kernel that gets it, and the device tree beside it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from imgaudit.formats.fdt import FdtFacts
from imgaudit.maps import command_line
from imgaudit.maps.root import is_host
from imgaudit.rescue.start import INTERPRETERS
from imgaudit.rescue.started import Started
from imgaudit.rules._boot import Spot, finding
from imgaudit.rules.cited import PRACTICE, in_linux
from imgaudit.rules.engine import Case, Example, Finding, Kind, Outcome, Rule, Severity, check
from imgaudit.rules.kinds import whole
from imgaudit.rules.main_root import packed_root, system
from imgaudit.rules.subject import Subject
from imgaudit.units import MIB, Span, decimal, joined
from imgaudit.writers import elf
from imgaudit.writers.fdt import Tree
from imgaudit.writers.tree import file

_ONCE = ("root", "rootfstype", "init", "rdinit")
_DECISIVE = frozenset({*_ONCE, "console", "mtdparts", "blkdevparts", "ubi.mtd", "ro", "rw"})
_OTHER = "console=ttyS0 root=/dev/mtdblock5"


def _each(subject: Subject) -> Iterator[Started]:
    for started in subject.started.values():
        if started.arguments:
            yield started


STARTED = Kind(_each, lambda started: f"command line of {started.name}")
"""Each Linux whose command line a script makes."""


def _said(case: Case, started: Started, subject: Subject) -> Finding:
    """Make a finding about what brings the kernel, or else about the environment that says it."""
    if started.region is not None:
        return case.at(region=started.region, artifact=started.artifact)
    return finding(case, subject.boots, Spot("bootargs"))


def _ignored_values(stage: str, *, built: str, given: str) -> None: ...


IGNORED = Rule(
    name="kernel-ignores-its-arguments",
    severity=Severity.ERROR,
    values=_ignored_values,
    message="the kernel of {stage} was built to take `{built}` and nothing else; the script gives"
    " it `{given}`",
    effect="Console, root and all else that U-Boot says do not count: every slot, and the recovery"
    " too, gets what was built in.",
    fix="Build it without CONFIG_CMDLINE_FORCE.",
    computed="CONFIG_CMDLINE_FORCE=y in the kernel's configuration, and CONFIG_CMDLINE is not what"
    " the script puts into bootargs; a warning where the two agree in console, root, init and"
    " partitions",
    sources=(
        in_linux(
            "arch/arm64/Kconfig",
            "CMDLINE_FORCE",
            "Always use the default kernel command string, even if the boot loader passes other"
            " arguments to the kernel.",
        ),
        in_linux("arch/arm/Kconfig", "CMDLINE_FORCE"),
        in_linux(
            "drivers/of/fdt.c",
            "early_init_dt_scan_chosen",
            "unless CONFIG_CMDLINE_FORCE is set in which case we override whatever was found"
            " earlier.",
        ),
    ),
    bad=system(config={"CMDLINE_FORCE": "y", "CMDLINE": f'"{_OTHER}"'}),
    good=system(config={"CMDLINE_FROM_BOOTLOADER": "y", "CMDLINE": f'"{_OTHER}"'}),
)


@check(IGNORED, over=STARTED, given=whole)
def arguments_ignored(started: Started, subject: Subject) -> Outcome:
    config = started.config or {}
    built = config.get("CONFIG_CMDLINE", "").strip('"')
    if config.get("CONFIG_CMDLINE_FORCE") != "y" or not built:
        return
    for given in started.arguments:
        if given.split() != built.split():
            case = IGNORED(stage=started.name, built=built, given=given)
            found = _said(case, started, subject)
            alike = _decisive(given) == _decisive(built)
            yield replace(found, severity=Severity.WARNING) if alike else found
            return


def _decisive(text: str) -> list[tuple[str, str]]:
    """Give those arguments that decide what is started, and where one sees it."""
    arguments = command_line.parse(text).arguments
    return [(item.name, item.value or "") for item in arguments if item.name in _DECISIVE]


def _repeated_values(stage: str, name: str, *, texts: str, last: str) -> None: ...


REPEATED = Rule(
    name="argument-repeated",
    severity=Severity.WARNING,
    values=_repeated_values,
    message="the command line of {stage} says {texts}: only {last} counts",
    effect="Whoever changes the other one changes nothing.",
    fix="Say {name}= once.",
    computed="root=, rootfstype=, init= or rdinit= stands there twice, with two values",
    sources=(
        in_linux("init/do_mounts.c", "root_dev_setup"),
        in_linux("init/do_mounts.c", "fs_names_setup"),
        in_linux("init/main.c", "init_setup"),
        in_linux("init/main.c", "rdinit_setup"),
    ),
    bad=system(arguments="console=ttyS0 root=/dev/mmcblk0p1 root=PARTLABEL=rootfs rootwait"),
    good=system(),
)


@check(REPEATED, over=STARTED, given=whole)
def argument_repeated(started: Started, subject: Subject) -> Outcome:
    told = set()
    for text in started.arguments:
        line = command_line.parse(text)
        for name in _ONCE:
            values = [argument.value or "" for argument in line.all(name)]
            if len(set(values)) > 1 and name not in told:
                told.add(name)
                case = REPEATED(
                    stage=started.name,
                    name=name,
                    texts=" and ".join(f"{name}={value}" for value in values[:4]),
                    last=f"{name}={values[-1]}",
                )
                yield _said(case, started, subject)


def _number_values(stage: str, root: str, *, hosts: str, count: int, alias: str) -> None: ...


_TWO: Tree = {
    "mmc@1000": {"compatible": "example,mmc", "reg": (0x1000, 0x100)},
    "mmc@2000": {"compatible": "example,mmc", "reg": (0x2000, 0x100)},
}
_BY_NUMBER = "console=ttyS0 root=/dev/mmcblk0p1 rootwait"

NUMBER = Rule(
    name="root-by-disk-number",
    severity=Severity.WARNING,
    values=_number_values,
    message="{stage} has root={root}, and the device tree has {count} controllers without a number"
    " of their own ({hosts}) and no alias {alias}",
    effect="These controllers are numbered in the order in which the kernel finds them: with"
    " another kernel, or another order of drivers, the number is another disk's.",
    fix="Write root=PARTLABEL= or root=PARTUUID=, or give the tree an alias {alias} for it.",
    computed="root=/dev/mmcblkN, two or more enabled nodes of controllers by their names that no"
    " alias leads to, and no alias mmcN",
    sources=(
        in_linux("drivers/mmc/core/host.c", "mmc_alloc_host", 'of_alias_get_id(dev->of_node, "mmc'),
        in_linux("drivers/mmc/core/host.c", "mmc_first_nonreserved_index"),
        in_linux("drivers/mmc/core/block.c", says="mmcblk%u%s"),
    ),
    bad=system(arguments=_BY_NUMBER, nodes=_TWO),
    good=system(arguments=_BY_NUMBER, nodes=_TWO | {"aliases": {"mmc0": "/mmc@1000"}}),
)


@check(NUMBER, over=STARTED, given=whole)
def root_by_number(started: Started, subject: Subject) -> Outcome:
    tree = started.tree
    roots = [root for text in started.arguments if (root := command_line.parse(text).root)]
    named = [root for root in roots if (root.disk or "").startswith("mmcblk")]
    if tree is None or not named:
        return
    aliases = tree.tree.root.child("aliases")
    names = aliases.properties if aliases is not None else {}
    led_to = {path for name in names if name.startswith("mmc") for path in names[name].texts()}
    hosts = [node for node in tree.tree.root.walk() if is_host(node) and node.path not in led_to]
    alias = "mmc" + (named[0].disk or "").removeprefix("mmcblk")
    if len(hosts) > 1 and alias not in names:
        case = NUMBER(
            stage=started.name,
            root=named[0].text,
            hosts=", ".join(node.name for node in hosts[:4]),
            count=len(hosts),
            alias=alias,
        )
        yield _said(case, started, subject)


def _pool_values(stage: str, *, size: int, told: str, room: int) -> None: ...


def _with_ram(example: Example) -> Example:
    """Give the board 64 MiB of RAM."""
    ram = "ram: {banks: [{at: 0x80000000, size: 64 MiB}]}\nstages:"
    return replace(example, layout=example.layout.replace("stages:", ram))


_POOL = "console=ttyS0 root=PARTLABEL=rootfs rootwait cma={}M"

POOL = Rule(
    name="contiguous-memory-finds-no-place",
    severity=Severity.WARNING,
    values=_pool_values,
    message="the kernel of {stage} is to set {size:bytes} apart for contiguous memory ({told}), and"
    " the largest run of RAM that is not reserved has {room:bytes}",
    effect="The kernel reserves nothing of it: what needs large buffers, such as a camera, a"
    " display or a network port, fails when it is used.",
    fix="Ask for {room:bytes} at most, or reserve memory elsewhere so that a larger run is left.",
    computed="cma=, the size of the tree's node with linux,cma-default, or CONFIG_CMA_SIZE_MBYTES"
    " where nothing else has a say in it, in this order, against the longest run of the layout's"
    " RAM without what layout and tree reserve",
    sources=(
        in_linux("kernel/dma/Kconfig", "CMA_SIZE_SEL_MIN", "Use lower value (minimum)"),
        in_linux("kernel/dma/contiguous.c", "early_cma"),
        in_linux("kernel/dma/contiguous.c", "dma_contiguous_reserve"),
        in_linux("kernel/dma/contiguous.c", "rmem_cma_setup"),
    ),
    bad=_with_ram(system(arguments=_POOL.format(96))),
    good=_with_ram(system(arguments=_POOL.format(16))),
)


@check(POOL, over=STARTED, given=whole)
def contiguous_memory(started: Started, subject: Subject) -> Outcome:
    layout = subject.layout
    wanted = _pool(started)
    if layout is None or not layout.banks or wanted is None:
        return
    tree = started.tree
    fixed = () if tree is None else [kept for kept in tree.reserved if kept.base is not None]
    taken = joined(
        [
            *(kept.span for kept in layout.reserved),
            *(Span.sized(kept.base or 0, kept.size) for kept in fixed if kept.enabled),
        ]
    )
    room = max(_longest(run, taken) for run in joined(bank.span for bank in layout.banks))
    size, told = wanted
    if size > room:
        case = POOL(stage=started.name, size=size, told=told, room=room)
        yield _said(case, started, subject)


def _pool(started: Started) -> tuple[int, str] | None:
    for text in started.arguments:
        line = command_line.parse(text)
        if line.value("cma") is not None:
            size = line.size("cma")
            return None if size is None else (size, f"cma={line.value('cma')}")
    if started.tree is not None:
        for path, size in _default_pools(started.tree):
            return size, f"{path} of its device tree"
    config = started.config or {}
    count = decimal(config.get("CONFIG_CMA_SIZE_MBYTES", ""))
    # Of the lower of a number and a share of the RAM one knows only that it is no more.
    if count is not None and config.get("CONFIG_CMA_SIZE_SEL_MIN") != "y":
        return count * MIB, f"CONFIG_CMA_SIZE_MBYTES={count}"
    return None


def _default_pools(tree: FdtFacts) -> Iterator[tuple[str, int]]:
    reserved = tree.tree.root.child("reserved-memory")
    for node in reserved.children if reserved is not None else ():
        size = node.number("size")
        if "linux,cma-default" in node.properties and node.enabled() and size is not None:
            yield node.path, size


def _longest(bank: Span, taken: list[Span]) -> int:
    """Give the longest run of a bank outside of what is taken, in order."""
    longest, at = 0, bank.start
    for kept in taken:
        if kept.overlaps(bank):
            longest = max(longest, kept.start - at)
            at = max(at, kept.end)
    return max(longest, bank.end - at)


def _rw_values(stage: str, *, root: str, holds: str) -> None: ...


_SQUASHED = "console=ttyS0 root=PARTLABEL=rootfs rootwait {}"


def _squashed(flag: str) -> Example:
    """Give the main system on a squashfs of which there is but the superblock."""
    example = packed_root("SQUASHFS_XZ")
    files = system(arguments=_SQUASHED.format(flag)).files
    return replace(example, files={**example.files, "u-boot.env": files["u-boot.env"]})


WRITABLE = Rule(
    name="read-only-root-asked-to-be-writable",
    severity=Severity.NOTE,
    values=_rw_values,
    message="the command line of {stage} says rw, and its root {root} is {holds}, which nobody can"
    " write",
    effect='The kernel goes on, and mounts it read-only: "VFS: Mounted root ({holds} filesystem)'
    ' readonly on device …". What is meant to be kept there cannot be written.',
    fix="Say ro, and give what must be kept a file system of its own or an overlay.",
    computed="rw stands behind any ro on the command line, and root= leads to squashfs or EROFS",
    sources=(
        in_linux("init/do_mounts.c", "readwrite"),
        in_linux("fs/squashfs/super.c", "squashfs_fill_super", "sb->s_flags |= SB_RDONLY"),
        in_linux("fs/erofs/super.c", "erofs_fc_fill_super", "sb->s_flags |= SB_RDONLY"),
        in_linux(
            "init/do_mounts.c", "do_mount_root", "VFS: Mounted root (%s filesystem)%s on device"
        ),
    ),
    bad=_squashed("rw"),
    good=_squashed("ro"),
)


@check(WRITABLE, over=STARTED, given=whole)
def root_writable(started: Started, subject: Subject) -> Outcome:
    for root in subject.roots.values():
        if root.started is not started or root.region.holds not in {"squashfs", "erofs"}:
            continue
        for text in started.arguments:
            line = command_line.parse(text)
            flags = [item.name for item in line.arguments if item.name in {"ro", "rw"}]
            if flags and flags[-1] == "rw":
                case = WRITABLE(stage=started.name, root=root.region.name, holds=root.region.holds)
                yield _said(case, started, subject)
                return


def _shell_values(stage: str, *, argument: str) -> None: ...


SHELL = Rule(
    name="shell-instead-of-init",
    severity=Severity.WARNING,
    values=_shell_values,
    message="the command line of {stage} says {argument}: a shell of root is the first program",
    effect="No service is started, and whoever is at the console is root without a password.",
    fix="Take {argument} out of the release's arguments; it is for the bench.",
    computed="the last init= or rdinit= names sh, bash, ash, dash or busybox",
    sources=(in_linux("init/main.c", "init_setup"), PRACTICE),
    bad=system(
        {"bin/sh": file(elf.program(), 0o755)},
        arguments="console=ttyS0 root=PARTLABEL=rootfs rootwait init=/bin/sh",
    ),
    good=system(),
)


@check(SHELL, over=STARTED, given=whole)
def shell_instead_of_init(started: Started, subject: Subject) -> Outcome:
    for name in ("init", "rdinit"):
        for text in started.arguments:
            value = command_line.parse(text).value(name) or ""
            if value.rpartition("/")[2] in INTERPRETERS:
                case = SHELL(stage=started.name, argument=f"{name}={value}")
                yield _said(case, started, subject)
                break
