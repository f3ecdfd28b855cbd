"""Each Linux as a stage starts it: its kernel, its device tree, its command line, its drivers."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import field, replace

from imgaudit.boot.found import Boots, Start
from imgaudit.contents.build import Build
from imgaudit.contents.starts import kernel_in
from imgaudit.contents.tree import Content
from imgaudit.data import dataclass
from imgaudit.formats.fdt import FdtFacts
from imgaudit.formats.fit import FitFacts
from imgaudit.maps import command_line
from imgaudit.model import Layout, Region, Stage
from imgaudit.ramdisk.root import Root
from imgaudit.rescue.access import scripts
from imgaudit.rescue.drivers import (
    FILE_SYSTEMS,
    IMAGE_SIZE,
    Drivers,
    Kernel,
    State,
    drivers_of,
    file_system_driver,
)
from imgaudit.rescue.modules import Loads, Release, module_name, read_loads, read_modules
from imgaudit.rescue.stage import Early, Rescue, Same, early_of
from imgaudit.rescue.start import INITTAB, Switch
from imgaudit.rescue.start import Start as FirstSteps
from imgaudit.rescue.survey import RescueFacts

NO_TREE = "the device tree that the kernel is given is not known"
NO_KERNEL = "the kernel is not known"
_MODPROBE = "/sbin/modprobe"
_ALSO = {"ext2": ("ext2", "ext4"), "ext3": ("ext3", "ext4"), "fat": ("vfat",)}
"""What Linux mounts a file system with, where that is called otherwise (fs/ext4/super.c)."""
_GENERATED = ("/init", "/scripts/functions", "/scripts/init-top/udev", "/scripts/local")
_DAEMONS = (
    *("/lib/systemd/systemd-udevd", "/usr/lib/systemd/systemd-udevd"),
    *("/sbin/udevd", "/usr/bin/udevadm", "/bin/udevadm", "/sbin/udevadm"),
)
_GROUPS = {
    "flash": {"flash"},
    "emmc": {"emmc", "partitioning"},
    "network": {"networking", "transfer", "remote-login"},
}
"""By role: the groups of needs that stand on it."""


@dataclass(frozen=True, kw_only=True)
class Started:
    """One Linux. `rescue` is its ramdisk, if any; `vital` are the roles without which it fails.

    `early` tells that a ramdisk comes before its root, which may bring drivers of its own, and
    `switch` where that one goes on, where it is known to. `asks` tells that the kernel can have
    modules loaded, of which `loads` are those that something loads anyway.
    """

    name: str
    stage: Stage | None = None
    region: Region | None = None
    artifact: str | None = None
    kernel: Content | None = field(default=None, repr=False)
    tree: FdtFacts | None = field(default=None, repr=False)
    arguments: tuple[str, ...] = ()
    rescue: Rescue | None = field(default=None, repr=False)
    config: Mapping[str, str] | None = field(default=None, repr=False)
    drivers: Drivers = field(default_factory=Drivers)
    vital: frozenset[str] = frozenset({"console"})
    early: bool = False
    switch: Switch | None = None
    modules: Release | None = field(default=None, repr=False)
    loads: Loads | None = field(default=None, repr=False)
    asks: bool = True

    def file_system(self, name: str) -> State:
        """Tell whether a file system can be mounted in the ramdisk: built in, or as its module.

        Of several, as `mount -t` takes them, one is enough. Modules of others are not called so.
        """
        names = [also for one in name.split(",") for also in _ALSO.get(one, (one,))]
        if self.modules is None or not all(one in FILE_SYSTEMS for one in names):
            return State.UNKNOWN
        brought = [module.name for module in self.modules.modules if module.name in names]
        loads = self.loads or Loads(hotplug=None)
        if brought and (self.asks or loads.hotplug is None or not loads.names.isdisjoint(brought)):
            return State.LOADED  # mount(2) has it loaded (Linux fs/filesystems.c, get_fs_type)
        if brought:
            return State.IDLE
        builtin, image = frozenset(self.modules.builtin), image_of(self.kernel)
        states = {file_system_driver(one, image, self.config, builtin) for one in names}
        if State.BUILT_IN in states:
            return State.BUILT_IN
        return State.MISSING if builtin or State.UNKNOWN not in states else State.UNKNOWN

    @property
    def release(self) -> str | None:
        """What `uname -r` prints."""
        inside = None if self.kernel is None else self.kernel.inside
        return None if inside is None else inside.release


def started_of(build: Build, boots: Boots, rescues: Mapping[str, Rescue]) -> dict[str, Started]:
    """Give the Linux of every stage, as its entry starts it, or of every rescue that is alone."""
    layout = build.layout
    if layout is None:
        alone = ((name, _with_ramdisk(rescue, (), None)) for name, rescue in rescues.items())
        # A ramdisk alone, or a kernel without a tree, promises nothing of a board's devices.
        return {name: item for name, item in alone if not item.drivers.why}
    found = {}
    for name, rescue in rescues.items():
        given = tuple(it for it in _starts(boots, rescue.stage) if _part(it, "ramdisk"))
        found[name] = _with_ramdisk(rescue, given, layout)
    theirs = {id(item.kernel) for item in found.values() if item.kernel is not None}
    for stage in layout.stages.values():
        if stage.name not in found:
            own = [it for it in _starts(boots, stage) if id(_kernel(it)) not in theirs]
            starts = tuple(start for start in own if not _has_ramdisk(start))
            early = tuple(start for start in own if _has_ramdisk(start))
            if starts and (not early or any(_kernel(start) for start in starts)):
                found[stage.name] = _without_ramdisk(_main(stage, starts))
            elif early:
                found[stage.name] = _behind_ramdisk(_main(stage, early), early, layout)
    return found


def _starts(boots: Boots, stage: Stage | None) -> tuple[Start, ...]:
    followed = boots.followed.get((stage.entry if stage is not None else None) or "")
    return () if followed is None else followed.starts


def _part(start: Start, role: str) -> Content | None:
    return next((piece.content for piece in start.pieces if piece.role == role), None)


def _has_ramdisk(start: Start) -> bool:
    """Tell whether a ramdisk is given, though it may be of an unknown size."""
    return start.boot.ramdisk is not None or _part(start, "ramdisk") is not None


def _kernel(start: Start) -> Content | None:
    part = _part(start, "kernel")
    return None if part is None else kernel_in(part)


def _tree(starts: tuple[Start, ...]) -> FdtFacts | None:
    for start in starts:
        part = _part(start, "fdt")
        for content in part.walk() if part is not None else ():
            if isinstance(content.facts, FdtFacts):
                return content.facts
    return None


def _arguments(starts: tuple[Start, ...]) -> tuple[str, ...]:
    texts = (start.boot.arguments for start in starts)
    return tuple(dict.fromkeys(text for text in texts if text is not None))


def _with_ramdisk(rescue: Rescue, starts: tuple[Start, ...], layout: Layout | None) -> Started:
    kernel = rescue.ramdisk.kernel
    tree = _tree(starts) or _own_tree(rescue)
    arguments = _arguments(starts)
    facts = rescue.facts
    wanted = {group.name for group in facts.groups if group.needs} if facts is not None else set()
    relaxed = set(rescue.stage.needs.relax) if rescue.stage and rescue.stage.needs else set()
    relaxed -= layout.policy.unrelaxed().keys() if layout is not None else set()
    roles = {role for role, groups in _GROUPS.items() if groups & (wanted - relaxed)}
    modules = None if facts is None else _modules(facts, rescue)
    loads = None
    if rescue.root is not None and facts is not None:
        run = _run(scripts(rescue.root, facts.init.path), rescue.start)
        told = rescue.start.told if rescue.start is not None else set()
        loads = read_loads(rescue.root, run, told)
        # What the start loads in functions, loops and files that it reads in counts as well.
        followed = rescue.start.loads if rescue.start is not None else ()
        names = {module_name(word) for _, word in followed}
        loads = replace(loads, names=loads.names | names)
    asks = rescue.root is None or _asks(rescue.root)
    served = Kernel(image_of(kernel), modules, loads, asks=asks)
    drivers = _drivers(tree, served, _roles(layout), arguments)
    return Started(
        name=rescue.name,
        stage=rescue.stage,
        region=rescue.region,
        artifact=rescue.artifact.path if rescue.artifact is not None else None,
        kernel=kernel,
        tree=tree,
        arguments=arguments,
        rescue=rescue,
        config=rescue.config,
        drivers=drivers if kernel is not None else Drivers(why=NO_KERNEL),
        vital=frozenset(roles | {"console"}),
    )


def _run(found: Iterable[tuple[str, str]], start: FirstSteps | None) -> Iterator[tuple[str, str]]:
    """Leave out scripts that cannot be executed, and what only such a one of inittab would run."""
    lost = start.absent if start is not None else ()
    names = {item.program for item in lost}
    begins = any(item.step.path == INITTAB and item.program.startswith("/") for item in lost)
    for path, text in found:
        begun = start is None or not begins or path in start.scripts or path == INITTAB
        if path not in names and begun:
            yield path, text


def _main(stage: Stage, starts: tuple[Start, ...]) -> Started:
    """Give the Linux of a stage, but for what serves its devices."""
    kernel = next((kernel for start in starts if (kernel := _kernel(start)) is not None), None)
    return Started(
        name=stage.name,
        stage=stage,
        kernel=kernel,
        tree=_tree(starts),
        arguments=_arguments(starts),
        config=kernel.inside.config if kernel is not None and kernel.inside is not None else None,
        drivers=Drivers(why=NO_KERNEL),
        vital=frozenset(),
    )


def _without_ramdisk(main: Started) -> Started:
    # What the root file system brings as modules comes too late for these.
    before = frozenset({"emmc"} if _on_emmc(main.arguments) else ())
    before |= frozenset({"flash"} if _on_flash(main.arguments) else ())
    if main.kernel is None:
        return replace(main, vital=before)
    served = Kernel(image_of(main.kernel))
    drivers = _drivers(main.tree, served, before | {"console"}, main.arguments)
    return replace(main, drivers=drivers, vital=before)


def _behind_ramdisk(main: Started, starts: tuple[Start, ...], layout: Layout) -> Started:
    kernel, arguments = main.kernel, main.arguments
    early = _early(starts, layout.arch)
    modules: Release | None = None
    loads: Loads | None = None
    drivers, vital = Drivers(why="its ramdisk may load drivers, and is not followed"), set[str]()
    if early is not None and early.root is not None and early.start is not None and kernel:
        switch = early.switch
        asked = (switch.device,) if switch is not None and switch.device is not None else ()
        lines = tuple(f"root={device}" for device in asked) or arguments
        vital = {"emmc"} if _on_emmc(lines) or _by_content(lines, layout) else set()
        modules, loads = _brought(early.root, early.start, kernel)
        served = Kernel(image_of(kernel), modules, loads, asks=_asks(early.root))
        drivers = _drivers(main.tree, served, vital | {"console"}, arguments)
    return replace(
        main,
        drivers=drivers if kernel is not None else main.drivers,
        vital=frozenset(vital),
        early=True,
        switch=None if early is None else early.switch,
        modules=modules,
        loads=loads,
        asks=early is None or early.root is None or _asks(early.root),
    )


def _early(starts: tuple[Start, ...], arch: str) -> Early | None:
    """Survey the ramdisk of a stage; None where its starts have several, or none is known."""
    found: list[Early] = []
    for start in starts:
        ramdisk = _part(start, "ramdisk")
        if ramdisk is None:
            continue
        line = command_line.parse(start.boot.arguments or "")
        found.append(early_of(Same(ramdisk), arch, line.value("rdinit"), line.init))
    alike = all(one.switch == found[0].switch and one.root is found[0].root for one in found)
    return found[0] if found and alike else None


def _brought(root: Root, start: FirstSteps, kernel: Content) -> tuple[Release | None, Loads | None]:
    """Give the modules that a ramdisk has for a kernel, and what loads them."""
    release = kernel.inside.release if kernel.inside is not None else None
    releases = read_modules(root)
    own = [item for item in releases if release in {None, item.release}]
    texts = {path: root.text(path) or "" for path in (*start.scripts, *_GENERATED)}
    texts |= dict(_run(scripts(root, "/init"), start))
    loads = read_loads(root, texts.items(), start.told)
    listed = (root.text("/conf/modules") or "").split()
    names = {module_name(word) for word in (*listed, *(word for _, word in start.loads))}
    loads = replace(loads, names=loads.names | names)
    # What is not followed, or has a daemon for devices, may load any.
    udev = any(root.lookup(path) is not None for path in _DAEMONS)
    if start.doubts or udev or (start.switch is not None and not start.switch.step.line):
        loads = replace(loads, hotplug=True if udev else None)
    return own[0] if len(own) == 1 else None, loads


def _asks(root: Root) -> bool:
    """Tell whether the kernel finds the program that loads modules for it.

    Source: Linux kernel/module/kmod.c, modprobe_path (CONFIG_MODPROBE_PATH, /sbin/modprobe).
    """
    return root.resolve(_MODPROBE).node is not None


def _by_content(arguments: tuple[str, ...], layout: Layout) -> bool:
    """Tell a root that is looked up by what it holds, where only an eMMC or a card can have it."""
    roots = (command_line.parse(text).root for text in arguments)
    looked_up = any(root is not None and root.needs_ramdisk for root in roots)
    return looked_up and any(chip.kind.sectors for chip in layout.chips.values())


def _on_emmc(arguments: tuple[str, ...]) -> bool:
    roots = (command_line.parse(text).root for text in arguments)
    kinds = {command_line.RootKind.PARTITION_LABEL, command_line.RootKind.PARTITION_UUID}
    return any(
        root is not None and (root.kind in kinds or (root.disk or "").startswith("mmcblk"))
        for root in roots
    )


def _on_flash(arguments: tuple[str, ...]) -> bool:
    roots = (command_line.parse(text).root for text in arguments)
    kinds = {command_line.RootKind.UBI, command_line.RootKind.MTD}
    return any(root is not None and root.kind in kinds for root in roots)


def _own_tree(rescue: Rescue) -> FdtFacts | None:
    """Take the device tree of the FIT that holds the ramdisk, where it has one only."""
    content = rescue.artifact.content if rescue.artifact is not None else None
    for outer in content.walk() if content is not None else ():
        if isinstance(outer.facts, FitFacts):
            trees = [item.facts for item in outer.walk() if isinstance(item.facts, FdtFacts)]
            return trees[0] if len(trees) == 1 else None
    return None


def _modules(facts: RescueFacts, rescue: Rescue) -> Release | None:
    own = [item for item in facts.modules if item.release == rescue.release]
    if not own and rescue.release is None:
        own = list(facts.modules)
    return own[0] if len(own) == 1 else None


def image_of(kernel: Content | None) -> bytes | None:
    """Give an uncompressed kernel's bytes, where they were kept."""
    if kernel is None or kernel.view is None or kernel.inside is None:
        return None
    return kernel.view.upto(0, IMAGE_SIZE) if kernel.inside.banner is not None else None


def _drivers(
    tree: FdtFacts | None, kernel: Kernel, roles: Iterable[str], arguments: tuple[str, ...]
) -> Drivers:
    if tree is None or tree.overlay:
        return Drivers(why=NO_TREE)
    consoles = {
        console.device
        for text in (arguments or (tree.bootargs or "",))
        for console in command_line.parse(text).consoles
    }
    listed = any("mtdparts=" in text for text in arguments)
    return drivers_of(
        tree.tree, kernel, roles=roles, consoles=tuple(sorted(consoles)), listed=listed
    )


def _roles(layout: Layout | None) -> Iterator[str]:
    yield from ("console", "network", "watchdog")
    kinds = None if layout is None else [chip.kind for chip in layout.chips.values()]
    if kinds is None or any(kind.mtd and kind.serial for kind in kinds):
        yield "flash"
    if kinds is None or any(kind.sectors for kind in kinds):
        yield "emmc"
