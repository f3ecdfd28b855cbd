"""The root file system that a stage mounts: what the kernel starts from it, and what that finds.

Only facts; the image is read in place, and of its files only what is looked at.

Sources: Linux init/do_mounts.c and drivers/base/devtmpfs.c (what the kernel mounts itself);
fstab(5), mount(8), systemd.mount(5), os-release(5); Linux kernel/module/main.c (the release).
"""

from __future__ import annotations

import posixpath
from collections.abc import Iterator, Mapping
from dataclasses import field, replace

from imgaudit import bounds
from imgaudit.arches import ARCHES, HEAD, machine_of
from imgaudit.contents.build import Build, Placement, Store, stored
from imgaudit.data import dataclass
from imgaudit.errors import ImgauditError
from imgaudit.formats.erofs import Erofs
from imgaudit.formats.fat import Fat
from imgaudit.formats.files import FileSystem
from imgaudit.formats.luks import Luks
from imgaudit.formats.lvm2 import Lvm2
from imgaudit.formats.squashfs import Squashfs
from imgaudit.maps import command_line, fw_env_config
from imgaudit.maps.collect import Copies
from imgaudit.maps.fw_env_config import FlashToolConfig
from imgaudit.maps.root import target_of
from imgaudit.model import MOUNTED, Layout, Region
from imgaudit.ramdisk.root import Root
from imgaudit.rescue.access import read_access
from imgaudit.rescue.drivers import State, file_system_driver
from imgaudit.rescue.first import First, default_init, first_program
from imgaudit.rescue.flashing import Script, flashing
from imgaudit.rescue.modules import DEP_FILE, modinfo, module_file
from imgaudit.rescue.runnable import Runner
from imgaudit.rescue.slots import CONFIG, Slot, slots_in
from imgaudit.rescue.started import Started, image_of

BOUND_LINES = 256
PROGRAMS = 1024
MODULES = 16  # of which vermagic is read; those of one kernel are built together
_PROGRAM_FOLDERS = ("/bin", "/sbin", "/usr/bin", "/usr/sbin")
_ROOT_TYPE = "linux-root"
_MUST = ("/dev", "/proc", "/sys")
_ENVIRONMENT_TOOLS = ("fw_setenv", "fw_printenv")
_KERNELS_OWN = ("/dev/", "/proc/", "/sys/", "/run/")
_BY = {
    "PARTLABEL": "partlabel",
    "PARTUUID": "partuuid",
    "LABEL": "label",
    "UUID": "uuid",
}


@dataclass(frozen=True, slots=True)
class Mount:
    """A line of /etc/fstab; `region` is where its device leads, `why` why it leads nowhere.

    `holds` is the file system found there, where the type is another one. `optional` tells that the
    start goes on without it. `no_point` tells that the folder to mount on is not there.
    """

    line: int
    device: str
    point: str
    type: str
    optional: bool
    region: str | None = None
    why: str = ""
    holds: str = ""
    no_point: bool = False


@dataclass(frozen=True, kw_only=True)
class MainRoot:
    """One root file system of a stage; with a `why`, nothing of it was looked at.

    `files` counts what is in it but folders. `arch` is the board's, `foreign` are programs of
    another machine, by machine. `releases` are the folders below /lib/modules. `points` are folders
    of the kernel's own file systems that are not there. `prompts` tells whether something asks for
    a login or gives a shell; None where that is not known. `open_root` tells that root has no
    password. `bare_tools` are tools for U-Boot's environment that lack their configuration, which
    `environment_tool` is where it is there. `driver` tells whether the kernel has this file system
    built in, `compressors` are what its blocks are packed with. `vermagic` is a module in the
    folder of the kernel's release that says it is for another one, and for which. `flashing` are
    scripts that write to the chips. `slots` are what an updater writes, each with its region,
    or why there is none.
    """

    region: Region
    artifact: str
    started: Started = field(repr=False)
    why: str = ""
    arch: str = ""
    files: int = 0
    first: First | None = None
    init_system: str = ""
    foreign: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    releases: tuple[str, ...] = ()
    mounts: tuple[Mount, ...] = ()
    points: tuple[str, ...] = ()
    os_release: Mapping[str, str] = field(default_factory=dict)
    prompts: bool | None = None
    open_root: bool = False
    bare_tools: tuple[str, ...] = ()
    environment_tool: FlashToolConfig | None = None
    flashing: tuple[Script, ...] = field(default=(), repr=False)
    slots: tuple[tuple[Slot, str | None, str], ...] = ()
    driver: State = State.UNKNOWN
    compressors: tuple[str, ...] = ()
    vermagic: tuple[str, str] | None = None


def main_roots(
    build: Build, started: Mapping[str, Started], copies: Copies, store: Store
) -> dict[str, MainRoot]:
    """Survey the root file systems of the stages that mount one, by region.

    These are what `root=` names, and the regions of the stage whose partition type says so.
    """
    layout = build.layout
    devices = Devices(build, copies)
    found: dict[str, MainRoot] = {}
    for item in started.values():
        if item.stage is None or item.rescue is not None or layout is None:
            continue
        named = devices.roots(item)
        for name in item.stage.regions:
            region = layout.region(name)
            if region.name in named or (region.type or "").startswith(_ROOT_TYPE):
                root = _survey(item, build.placement(name), devices, layout.arch, store)
                if root is not None:
                    found.setdefault(name, root)
    return found


def _survey(
    item: Started, placement: Placement, devices: Devices, arch: str, store: Store
) -> MainRoot | None:
    payload, artifact = placement.payload, placement.artifact
    if payload is None or artifact is None:
        return None
    facts = payload.facts
    bare = MainRoot(
        region=placement.region,
        artifact=artifact.path,
        started=item,
        compressors=_compressors(facts),
    )
    if not isinstance(facts, FileSystem) or facts.files is None:
        return replace(bare, why=f"the files of {payload.title or payload.name} are not listed")
    if not facts.files.complete:
        return replace(bare, why=facts.unwalked or "not all files could be listed")
    if payload is not artifact.content:
        return replace(bare, why="it is packed, and was not kept unpacked")
    try:
        with stored(store, placement) as view:
            root = Root.listed(view, facts.files)
            return _Looking(root, item, devices, placement.region, arch).run(bare)
    except ImgauditError as problem:
        return replace(bare, why=str(problem))


def _compressors(facts: object) -> tuple[str, ...]:
    if isinstance(facts, Squashfs):
        return (facts.compressor,) if facts.compressor else ()
    return tuple(facts.compressors) if isinstance(facts, Erofs) else ()


@dataclass(frozen=True, slots=True)
class _Looking:
    root: Root
    item: Started
    devices: Devices
    region: Region
    arch: str

    def run(self, bare: MainRoot) -> MainRoot:
        root = self.root
        runner = Runner(root, self.arch if self.arch in ARCHES else None)
        lines = [command_line.parse(text) for text in self.item.arguments]
        named = {line.value("init") for line in lines} - {None}
        if self.item.early:
            # a script of the ramdisk names it: only where it does so plainly it is known
            said = self.item.switch.init if self.item.switch is not None else None
            named = {said} - {None}
        default = default_init(self.item.config)
        first = first_program(
            runner, None, init=named.pop() if len(named) == 1 else None, default=default
        )
        system = self.system(runner, first)
        return MainRoot(
            region=bare.region,
            artifact=bare.artifact,
            started=bare.started,
            arch=self.arch,
            files=sum(1 for _, node in root.walk() if node.children is None),
            first=first,
            init_system=system,
            foreign=self.foreign(),
            releases=tuple(root.names("/lib/modules")),
            mounts=tuple(self.mounts()),
            points=tuple(path for path in _MUST if not self.folder(path)),
            os_release=_os_release(root),
            prompts=self.prompts(first, system),
            open_root=self.open_root(),
            bare_tools=tuple(self.bare_tools()),
            environment_tool=fw_env_config.of_root(self.root),
            vermagic=self.vermagic(),
            flashing=flashing(root),
            slots=tuple(self.slots()),
            driver=self.driver(),
            compressors=bare.compressors,
        )

    def driver(self) -> State:
        """Tell whether the kernel has the file system of this root; its module would lie in it."""
        if self.item.early:
            return State.UNKNOWN  # its ramdisk may bring the module
        release = self.item.release
        text = self.root.text(f"/lib/modules/{release}/modules.builtin", DEP_FILE) or ""
        found = (module_file(line) for line in text.splitlines())
        builtin = frozenset(stem[0] for stem in found if stem is not None)
        image = image_of(self.item.kernel)
        return file_system_driver(self.region.holds, image, self.item.config, builtin)

    def folder(self, path: str) -> bool:
        node = self.root.lookup(path)
        return node is not None and node.children is not None

    def system(self, runner: Runner, first: First) -> str:
        """Tell the kind of init by the program itself and what lies beside it."""
        if first.reached is None:
            return ""
        found = self.root.resolve(first.reached)
        if posixpath.basename(found.path) == "systemd":
            return "systemd"
        if found.node is not None and runner.applets(found.node) is not None:
            return "busybox"
        if self.root.lookup("/sbin/openrc") is not None:
            return "openrc"
        return "sysvinit" if self.root.text("/etc/inittab") is not None else "a program"

    def open_root(self) -> bool:
        """Tell whether root logs in without a password, by /etc/passwd and /etc/shadow."""
        lines = (self.root.text("/etc/passwd") or "").splitlines()
        account = next((line for line in lines if line.split(":")[2:3] == ["0"]), "")
        name, field = [*account.split(":"), "", ""][:2]
        for line in (self.root.text("/etc/shadow") or "").splitlines():
            if field == "x" and line.split(":")[0] == name:
                return line.split(":")[1:2] == [""]
        return bool(name) and not field

    def prompts(self, first: First, system: str) -> bool | None:
        if first.reached is None or system not in {"busybox", "sysvinit"}:
            return None
        access = read_access(self.root, first.reached, busybox_init=system == "busybox")
        return bool(access.consoles)

    def foreign(self) -> dict[str, tuple[str, ...]]:
        """Give the programs whose machine is another one than the board's, by machine."""
        target = ARCHES.get(self.arch)
        if target is None:
            return {}
        found: dict[str, list[str]] = {}
        left = PROGRAMS
        for folder in _PROGRAM_FOLDERS:
            for name in self.root.names(folder):
                node = self.root.resolve(f"{folder}/{name}", follow=False).node
                if node is None or not node.is_file or left <= 0:
                    continue
                left -= 1
                machine = machine_of(node.data().upto(0, HEAD))
                if machine is not None and not target.runs(machine):
                    said = f"{machine.bits}-bit {machine.name}"
                    found.setdefault(said, []).append(f"{folder}/{name}")
        return {machine: tuple(paths) for machine, paths in found.items()}

    def mounts(self) -> Iterator[Mount]:
        text = self.root.text("/etc/fstab") or ""
        lines = bounds.within(text.splitlines(), BOUND_LINES, "/etc/fstab", "lines")
        rows = [(at, line.split()) for at, line in enumerate(lines, 1)]
        rows = [(at, row) for at, row in rows if len(row) >= 3 and not row[0].startswith("#")]
        points = {_unescaped(row[1]) for _, row in rows}
        for at, row in rows:
            device, point, kind = _unescaped(row[0]), _unescaped(row[1]), row[2]
            options = set(row[3].split(",")) if len(row) > 3 else set()
            region, why = self.devices.find(device)
            holds = region.holds if region is not None else ""
            types = set(kind.split(","))
            wrong = holds in MOUNTED and not types & (MOUNTED[holds] | {"auto"})
            yield Mount(
                line=at,
                device=device,
                point=point,
                type=kind,
                optional=bool(options & {"noauto", "nofail"}),
                region=region.name if region is not None else None,
                why=why,
                holds=holds if wrong and kind not in {"none", "swap", "bind"} else "",
                no_point=self.no_point(point, points),
            )

    def slots(self) -> Iterator[tuple[Slot, str | None, str]]:
        """Give the updater's slots, each with its region, or why there is none."""
        for slot in slots_in(self.root.text(CONFIG) or ""):
            region, why = self.devices.find(slot.device)
            yield slot, None if region is None else region.name, why

    def no_point(self, point: str, points: set[str]) -> bool:
        """Tell that a folder is not in this file system, where no other is mounted above it."""
        if not point.startswith("/") or point.startswith(_KERNELS_OWN):
            return False
        above = {other for other in points - {"/"} if point.startswith(f"{other.rstrip('/')}/")}
        return not above and not self.folder(point)

    def vermagic(self) -> tuple[str, str] | None:
        """Find a module that its own kernel would refuse: the folder is called as it should be."""
        release = self.item.release
        folder = f"/lib/modules/{release}"
        lines = (self.root.text(f"{folder}/modules.dep", DEP_FILE) or "").splitlines()
        names = [line.partition(":")[0] for line in lines if ":" in line]
        plain = [name for name in names if name.endswith(".ko")][:MODULES]
        for name in plain if release is not None else ():
            node = self.root.lookup(name if name.startswith("/") else f"{folder}/{name}")
            if node is None or not node.is_file:
                continue
            try:
                said = modinfo(node.data()).get("vermagic", ("",))[0].partition(" ")[0]
            except ImgauditError:
                continue
            if said and said != release:
                return posixpath.basename(name), said
        return None

    def bare_tools(self) -> Iterator[str]:
        if self.root.lookup(fw_env_config.PLACE) is None:
            for name in _ENVIRONMENT_TOOLS:
                for folder in _PROGRAM_FOLDERS:
                    if self.root.lookup(f"{folder}/{name}") is not None:
                        yield f"{folder}/{name}"
                        break


def _unescaped(word: str) -> str:
    """Undo what fstab(5) writes for a space or a tab."""
    return word.replace("\\040", " ").replace("\\011", "\t")


def _os_release(root: Root) -> dict[str, str]:
    text = root.text("/etc/os-release", 1 << 16) or root.text("/usr/lib/os-release", 1 << 16) or ""
    found = {}
    for line in text.splitlines()[:BOUND_LINES]:
        name, equals, value = line.partition("=")
        if equals and name.isidentifier():
            found[name] = value.strip().strip("\"'")
    return found


class Devices:
    """Where the name of a block device leads, by the disk's table and the file systems on it."""

    def __init__(self, build: Build, copies: Copies) -> None:
        self.build = build
        self.copies = copies
        layout = build.layout
        self.labels: dict[str, Region] = {}
        self.ids: dict[str, Region] = {}
        # What has no image at hand, or one that is not understood, may have any label.
        self.unseen = layout is None or any(
            _may_have_any(layout, item) for item in build.placements
        )
        for region, _, content in build.placed():
            for name, value in _identity(content.facts):
                (self.labels if name == "label" else self.ids).setdefault(value, region)

    def find(self, device: str) -> tuple[Region | None, str]:
        """Give the region of a device, or why there is none; neither where that is not known."""
        for key, folder in _BY.items():
            if device.startswith(f"/dev/disk/by-{folder}/"):
                device = f"{key}={posixpath.basename(device)}"
        kind, _, name = device.partition("=")
        name = name.strip("\"'")
        if kind == "LABEL":
            found = self.labels.get(name)
        elif kind == "UUID":
            found = self.ids.get(name.lower())
        else:
            return self.named(device)
        lost = found is None and not self.unseen
        return found, f"no file system has the {kind} {name}" if lost else ""

    def named(self, device: str) -> tuple[Region | None, str]:
        """Look a device up as the kernel does that of root=."""
        root = command_line.parse(f"root={device}").root
        layout = self.build.layout
        if root is None or layout is None:
            return None, ""
        target = target_of(self.build, layout, self.copies, root)
        return (None, "") if target is None else (target.region, target.why)

    def roots(self, item: Started) -> set[str]:
        """Name the regions that a Linux mounts as its root: by its ramdisk's script, by root=."""
        if item.switch is not None and item.switch.device is not None:
            named = {item.switch.device}
        else:
            lines = (command_line.parse(text).root for text in item.arguments)
            named = {root.text for root in lines if root is not None}
        regions = (self.find(device)[0] for device in named)
        return {region.name for region in regions if region is not None}


def _may_have_any(layout: Layout, item: Placement) -> bool:
    """Tell that a place on a disk may hold a file system whose label and UUID are not known."""
    region, payload = item.region, item.payload
    if not layout.area(region.area).chip.kind.sectors:
        return False
    if payload is None or region.partition is None:
        return payload is None
    return isinstance(payload.unwrapped().facts, Luks | Lvm2 | None)


def _identity(facts: object) -> Iterator[tuple[str, str]]:
    """Give the label and the UUID of a file system, as blkid(8) shows them."""
    label = getattr(facts, "label", None)
    if isinstance(label, str) and label:
        yield "label", label
    if isinstance(facts, Fat) and facts.serial is not None:
        yield "uuid", f"{facts.serial >> 16:04x}-{facts.serial & 0xFFFF:04x}"
    uuid = getattr(facts, "uuid", None)
    if isinstance(uuid, str):
        yield "uuid", uuid.lower()
