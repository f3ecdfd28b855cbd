"""Survey of a ramdisk: what a recovery system can do, as the target would see it.

Facts only; nothing is executed, nothing is written to a disk.
"""

from __future__ import annotations

import posixpath
import stat
from collections.abc import Iterable, Iterator, Mapping
from typing import Literal

from imgaudit import bounds
from imgaudit.arches import ARCHES
from imgaudit.data import dataclass
from imgaudit.ramdisk.applets import Applets
from imgaudit.ramdisk.root import INODE, Found, Node, Root, Skipped
from imgaudit.ramdisk.scan import Secret, scan
from imgaudit.rescue.access import Access, Account, Call, Console, read_access
from imgaudit.rescue.first import Attempt, First, first_program
from imgaudit.rescue.installed import install
from imgaudit.rescue.modules import Module, Release, module_file, read_modules
from imgaudit.rescue.needs import (
    BY_NAME,
    DEFAULT,
    GROUPS,
    WEAK_APPLETS,
    Group,
    Kernel,
    Need,
    Support,
)
from imgaudit.rescue.runnable import SCRIPT_HEAD, Reason, Runner, Verdict

__all__ = [
    "DEFAULT",
    "GROUPS",
    "Access",
    "Account",
    "Applets",
    "Attempt",
    "Busybox",
    "Call",
    "Console",
    "Dangling",
    "First",
    "Found",
    "Group",
    "GroupFacts",
    "Kernel",
    "KernelOption",
    "Memory",
    "Module",
    "Need",
    "NeedFacts",
    "Node",
    "Oddity",
    "Program",
    "Reason",
    "Release",
    "RescueFacts",
    "Root",
    "Runner",
    "Secret",
    "Skipped",
    "Support",
    "SupportGap",
    "Tool",
    "Verdict",
    "groups_named",
    "survey",
]

TOOLS = 4096  # names on the search path; a full distribution has some 3,000
PROGRAMS = 4096
LISTED = 1000  # of each kind of oddity
# The kernel's and busybox init's own (busybox include/libbb.h, bb_default_root_path).
SEARCH = ("/sbin", "/usr/sbin", "/bin", "/usr/bin")
VOLATILE = tuple(f"/{name}/" for name in ("proc", "dev", "run", "sys", "tmp", "var/run", "mnt"))
STICKY = {f"/{name}" for name in ("tmp", "var/tmp")}
_BUILTINS = {"kill", "echo", "test", "[", "printf", "pwd", "true", "false"}
_SHELLS = ("sh", "ash", "bash", "dash")
_READS_BY_LIBRARY = {"libz.so": "gzip", "liblzma.so": "xz", "libzstd.so": "zstd"}
_READS_BY_APPLET = {"gunzip": "gzip", "unxz": "xz", "unzstd": "zstd"}

ToolKind = Literal["applet", "program", "script", "builtin", "unknown"]


@dataclass(frozen=True, slots=True)
class Tool:
    """A command: where a shell finds it, and whether it would run.

    `path` is empty for a builtin and for an applet that only the shell itself or a link made at
    boot gives; `source` is the file behind it. `weak` says why, as an applet, it does not count.
    """

    name: str
    path: str
    source: str
    kind: ToolKind
    verdict: Verdict
    weak: str = ""

    @property
    def usable(self) -> bool | None:
        """Whether it does what its name promises."""
        return False if self.weak else self.verdict.runs


@dataclass(frozen=True, slots=True)
class NeedFacts:
    """How one need stands.

    `met` is None where it hangs on a tool whose verdict is unknown. `by` are the tools of the
    alternative that meets it. Otherwise `missing` are the tools that the nearest alternative lacks
    and `broken` those that any alternative has but that do not run or do not count.
    """

    what: str
    level: Literal["must", "should"]
    met: bool | None
    by: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()
    broken: tuple[Tool, ...] = ()


@dataclass(frozen=True, slots=True)
class SupportGap:
    """A file beside a tool that is absent, or there but not executable where it must be."""

    tool: str
    paths: tuple[str, ...]
    why: str
    present: str = ""


@dataclass(frozen=True, slots=True)
class GroupFacts:
    """How one group of needs stands."""

    name: str
    why: str
    needs: tuple[NeedFacts, ...]
    gaps: tuple[SupportGap, ...]

    @property
    def met(self) -> bool | None:
        """Whether every need that must be met is."""
        states = {need.met for need in self.needs if need.level == "must"}
        return False if False in states else None if None in states else True


@dataclass(frozen=True, slots=True)
class Program:
    """A file that is executed at boot and its verdict."""

    path: str
    verdict: Verdict


@dataclass(frozen=True, slots=True)
class Busybox:
    """A busybox binary; `names` are the paths that lead to it, by links or hard links."""

    path: str
    applets: Applets
    names: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Stray:
    """A folder in which a program looks for libraries, and which is not in the root."""

    path: str
    folder: str


@dataclass(frozen=True, slots=True)
class Dangling:
    """A symbolic link that leads nowhere; `volatile` if to what only a running system has."""

    path: str
    target: str
    volatile: bool


@dataclass(frozen=True, slots=True)
class Oddity:
    """A mode or an owner out of the ordinary, in the trade's words."""

    path: str
    why: str


@dataclass(frozen=True, slots=True)
class Memory:
    """What the unpacked root takes: whole pages of files, and the kernel's own for each inode."""

    pages: int
    inodes: int

    @property
    def total(self) -> int:
        """Bytes in all."""
        return self.pages + self.inodes * INODE


@dataclass(frozen=True, slots=True)
class KernelOption:
    """A kernel option that something in the ramdisk asks for; `users` are the tools, if any."""

    symbol: str
    why: str
    users: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class RescueFacts:
    """Everything that was found. `doubts` says in whole sentences what was not looked at."""

    arch: str | None
    init: Program
    first: First
    search: tuple[str, ...]
    tools: Mapping[str, Tool]
    groups: tuple[GroupFacts, ...]
    busyboxes: tuple[Busybox, ...]
    lacking_calls: tuple[Call, ...]
    modules: tuple[Release, ...]
    module_loader: str | None
    module_loader_reads: tuple[str, ...] | None
    secrets: tuple[Secret, ...]
    access: Access
    unstripped: tuple[str, ...]
    stray: tuple[Stray, ...]
    dangling: tuple[Dangling, ...]
    oddities: tuple[Oddity, ...]
    console_node: bool
    memory: Memory
    kernel: tuple[KernelOption, ...]
    skipped: tuple[Skipped, ...]
    doubts: tuple[str, ...] = ()


def groups_named(names: Iterable[str]) -> tuple[Group, ...]:
    """Give the groups of these names.

    Raises:
        ValueError: a name is no group's.

    """
    names = tuple(names)
    unknown = sorted(set(names) - BY_NAME.keys())
    if unknown:
        raise ValueError(
            f"no group is called {', '.join(unknown)}; the groups are {', '.join(BY_NAME)}"
        )
    return tuple(BY_NAME[name] for name in names)


def survey(
    root: Root,
    *,
    arch: str | None = None,
    needs: Iterable[Group] | None = None,
    init: str = "/init",
    fallback: str | None = None,
    default: str = "",
) -> RescueFacts:
    """Look at everything once.

    Args:
        root: the ramdisk as the kernel would make it.
        arch: a key of ARCHES; None takes each program's own machine as right.
        needs: the groups to measure by; those of DEFAULT unless given.
        init: what the kernel starts: `/init`, or what `rdinit=` names.
        fallback: what `init=` names.
        default: CONFIG_DEFAULT_INIT of the kernel.

    """
    groups = groups_named(DEFAULT) if needs is None else tuple(needs)
    looking = _Survey(root, arch, groups, init)
    return looking.run(first_program(looking.runner, init, init=fallback, default=default))


_SYSTEM = ("/lib", "/usr/", "/opt/")


class _Survey:
    def __init__(self, root: Root, arch: str | None, groups: tuple[Group, ...], init: str) -> None:
        self.root = root
        self.arch = arch
        self.groups = groups
        self.init = init
        self.runner = Runner(root, arch)
        self.doubts: list[str] = []
        self.tools: dict[str, Tool] = {}
        self.marked: dict[int, str] = {}
        self.secrets: list[Secret] = []
        self.unstripped: list[str] = []
        self.stray: list[Stray] = []
        self.dangling: list[Dangling] = []
        self.oddities: list[Oddity] = []
        self.names: dict[int, list[str]] = {}

    def run(self, first: First) -> RescueFacts:
        root = self.root
        self._walk()
        busyboxes = tuple(self._busyboxes())
        init = Program(self.init, self.runner.verdict(self.init))
        target = root.resolve(self.init)
        applets = None
        if target.node is not None and id(target.node) in self.marked:
            applets = self.runner.applets(target.node)
        memory = Memory(*root.memory())
        # What the first program has made is there for all that it starts, and not for itself.
        if install(root, self.runner, self.init):
            self.runner = Runner(root, self.arch)
        access = read_access(root, self.init, busybox_init=applets is not None)
        search = tuple(dict.fromkeys((*access.folders, *SEARCH)))
        self._find_tools(search, busyboxes, access)
        modules = read_modules(root)
        loader, reads = self._module_loader(bool(modules))
        console = root.lookup("/dev/console")
        node = console is not None and stat.S_ISCHR(console.mode) and console.rdev == (5, 1)
        built = {name for busybox in busyboxes for name in busybox.applets.names}
        if root.exhausted:
            self.doubts.append("Path lookups took too many steps; later ones found nothing.")
        return RescueFacts(
            arch=self.arch,
            init=init,
            first=first,
            search=search,
            tools=self.tools,
            groups=tuple(self._group(group) for group in self.groups),
            busyboxes=busyboxes,
            lacking_calls=tuple(
                call for call in access.calls if built and call.applet not in built
            ),
            modules=modules,
            module_loader=loader,
            module_loader_reads=reads,
            secrets=tuple(self.secrets),
            access=access,
            unstripped=tuple(self.unstripped),
            stray=tuple(self.stray),
            dangling=tuple(self.dangling),
            oddities=tuple(self.oddities),
            console_node=node,
            memory=memory,
            kernel=tuple(self._kernel(init, bool(modules))),
            skipped=tuple(root.skipped),
            doubts=tuple(self.doubts),
        )

    def _walk(self) -> None:
        """Pass once over all paths and all bytes."""
        programs = 0
        seen: set[int] = set()
        for path, node in self.root.walk():
            if node.is_link:
                self._link(path, node)
                continue
            if len(self.oddities) < LISTED:
                self.oddities += (Oddity(path, why) for why in _odd(path, node))
            if not node.is_file:
                continue
            self.names.setdefault(id(node), []).append(path)
            if id(node) in seen:
                continue
            seen.add(id(node))
            secrets, marked = scan(path, node.data())
            room = max(0, LISTED - len(self.secrets))
            self.secrets += bounds.within(secrets, room, path, "keys and passwords")
            if not node.is_elf:
                continue
            if marked:
                self.marked[id(node)] = path
            if module_file(path) is not None:
                continue
            programs += 1
            if programs <= PROGRAMS:
                facts = self.runner.facts(node)
                if isinstance(facts, str):
                    continue
                if facts.has_symtab or facts.has_debug:
                    self.unstripped.append(path)
                self.stray += self._stray(path, facts.runpath or facts.rpath or "")
        if programs > PROGRAMS:
            self.doubts.append(f"Of {programs:,} ELF files, {PROGRAMS:,} were read for symbols.")

    def _stray(self, path: str, search: str) -> list[Stray]:
        """Name the folders of a search path that are not the system's and not in the root."""
        absolute = (folder for folder in search.split(":") if folder.startswith("/"))
        folders = (folder for folder in absolute if not folder.startswith(_SYSTEM))
        gone = [folder for folder in folders if self.root.lookup(folder) is None]
        return [Stray(path, folder) for folder in gone[: max(0, LISTED - len(self.stray))]]

    def _link(self, path: str, node: Node) -> None:
        found = self.root.resolve(path)
        if found.node is not None:
            if found.node.is_file:
                self.names.setdefault(id(found.node), []).append(path)
            return
        if len(self.dangling) < LISTED:
            volatile = f"{found.path}/".startswith(VOLATILE) or node.target.startswith(VOLATILE)
            self.dangling.append(Dangling(path, node.target, volatile))

    def _busyboxes(self) -> Iterator[Busybox]:
        for key, path in self.marked.items():
            node = self.root.lookup(path)
            applets = None if node is None else self.runner.applets(node)
            if applets is not None:
                names = tuple(sorted(set(self.names[key])))
                yield Busybox(path, applets, names)

    def _find_tools(
        self, search: tuple[str, ...], busyboxes: tuple[Busybox, ...], access: Access
    ) -> None:
        joined = ":".join(search)
        names = dict.fromkeys(name for folder in search for name in self.root.names(folder))
        if len(names) > TOOLS:
            self.doubts.append(
                f"Of {len(names):,} names on the search path, {TOOLS:,} were judged."
            )
        for name in list(names)[:TOOLS]:
            path = self.runner.find(name, joined)
            if path is not None:
                self.tools[name] = self._tool(name, path)
        if access.installs:
            for busybox in busyboxes:
                if busybox.applets.installs:
                    self._add_applets(busybox)
        for name in _SHELLS:
            shell = self.tools.get(name)
            if shell is None or shell.verdict.runs is False:
                continue
            for busybox in busyboxes:
                if busybox.path == shell.source and busybox.applets.standalone:
                    self._add_applets(busybox)
            for builtin in sorted(_BUILTINS - self.tools.keys()):
                self.tools[builtin] = Tool(builtin, "", shell.source, "builtin", shell.verdict)

    def _add_applets(self, busybox: Busybox) -> None:
        node = self.root.lookup(busybox.path)
        verdict = self.runner.verdict(busybox.path) if node is not None else Verdict(False)
        for name in busybox.applets.names:
            if name not in self.tools:
                weak = WEAK_APPLETS.get(name, "")
                self.tools[name] = Tool(name, "", busybox.path, "applet", verdict, weak)

    def _tool(self, name: str, path: str) -> Tool:
        verdict = self.runner.verdict(path)
        found = self.root.resolve(path)
        kind: ToolKind = "unknown"
        weak = ""
        refused = {reason.kind for reason in verdict.reasons}
        if found.node is not None and found.node.is_file:
            if id(found.node) in self.marked and self.runner.applets(found.node) is not None:
                kind, weak = "applet", WEAK_APPLETS.get(name, "")
            elif found.node.is_elf:
                kind = "program"
            elif found.node.data().upto(0, 2) == b"#!":
                kind = "script"
            elif refused == {"no-shebang"} and b"\0" not in found.node.data().upto(0, SCRIPT_HEAD):
                # A shell takes a text that the kernel refuses for a script (POSIX.1, XCU 2.9.1.4;
                # busybox shell/ash.c, tryexec).
                kind, verdict = "script", Verdict(True)
        return Tool(name, path, found.path, kind, verdict, weak)

    def _group(self, group: Group) -> GroupFacts:
        return GroupFacts(
            group.name,
            group.why,
            tuple(self._need(need) for need in group.needs),
            tuple(self._gaps(group)),
        )

    def _need(self, need: Need) -> NeedFacts:
        unknown: tuple[str, ...] = ()
        nearest: tuple[str, ...] | None = None
        broken: dict[str, Tool] = {}
        for tools in need.alternatives:
            have = [self.tools.get(name) for name in tools]
            usable = [tool.usable if tool is not None else False for tool in have]
            if all(usable):
                return NeedFacts(need.what, need.level, met=True, by=tools)
            broken.update((tool.name, tool) for tool in have if tool and tool.usable is not True)
            if False not in usable:
                unknown = unknown or tools
            lacking = tuple(name for name, tool in zip(tools, have, strict=True) if tool is None)
            if nearest is None or len(lacking) < len(nearest):
                nearest = lacking
        return NeedFacts(
            need.what,
            need.level,
            met=None if unknown else False,
            by=unknown,
            missing=nearest or (),
            broken=tuple(broken.values()),
        )

    def _gaps(self, group: Group) -> Iterator[SupportGap]:
        for support in group.support:
            for name in support.tools:
                tool = self.tools.get(name)
                if tool is None or tool.verdict.runs is False:
                    continue
                paths = self._support_paths(support, tool)
                gap = self._gap(name, support, paths)
                if gap is not None:
                    yield gap

    def _support_paths(self, support: Support, tool: Tool) -> tuple[str, ...]:
        """Give the paths of a support file; udhcpc's script is where busybox was built to look."""
        node = self.root.lookup(tool.source)
        applets = self.runner.applets(node) if node is not None and tool.kind == "applet" else None
        if tool.name == "udhcpc" and applets is not None and applets.dhcp_script:
            return (applets.dhcp_script,)
        return support.paths

    def _gap(self, tool: str, support: Support, paths: tuple[str, ...]) -> SupportGap | None:
        present = ""
        for path in paths:
            node = self.root.lookup(path)
            if node is None:
                continue
            if path.endswith("/"):
                if node.children:
                    return None
            elif not node.is_file or (support.executable and not node.executable):
                present = f"{path} is there without x bits"
            elif support.executable and (verdict := self.runner.verdict(path)).runs is False:
                reason = verdict.reasons[0].chain if verdict.reasons else path
                present = f"{path} is there and cannot run ({reason})"
            else:
                return None
        return SupportGap(tool, paths, support.why, present)

    def _module_loader(self, wanted: bool) -> tuple[str | None, tuple[str, ...] | None]:
        """Tell which program loads modules and which compressions it reads, if that shows.

        For busybox the applets that unpack stand for what its modprobe reads: the build ties both
        to the same options by default.
        """
        tool = self.tools.get("modprobe") or self.tools.get("insmod")
        if tool is None or not wanted:
            return None, None
        node = self.root.lookup(tool.source)
        if node is None:
            return tool.source, None
        if tool.kind == "applet":
            applets = self.runner.applets(node)
            names = () if applets is None else applets.names
            return tool.source, tuple(
                reads for name, reads in _READS_BY_APPLET.items() if name in names
            )
        reads = tuple(
            reads
            for prefix, reads in _READS_BY_LIBRARY.items()
            if any(posixpath.basename(path).startswith(prefix) for path in tool.verdict.libraries)
        )
        return tool.source, reads if posixpath.basename(tool.source) == "kmod" else None

    def _kernel(self, init: Program, modules: bool) -> Iterator[KernelOption]:
        scripts = [tool.name for tool in self.tools.values() if tool.kind == "script"]
        node = self.root.lookup(init.path)
        if node is not None and node.is_file and node.data().upto(0, 2) == b"#!":
            scripts.insert(0, init.path)
        compat = [
            tool.name
            for tool in self.tools.values()
            if any(reason.kind == "compat" for reason in tool.verdict.reasons)
        ]
        found: dict[tuple[str, str], dict[str, None]] = {
            ("BLK_DEV_INITRD", "takes a ramdisk at all"): {},
            ("BINFMT_ELF", "executes programs"): {},
        }
        if scripts:
            found["BINFMT_SCRIPT", "executes scripts"] = dict.fromkeys(scripts)
        if compat and self.arch is not None:
            symbol = ARCHES[self.arch].compat_option.removeprefix("CONFIG_")
            found[symbol, "executes 32-bit programs"] = dict.fromkeys(compat)
        if modules:
            found["MODULES", "loads modules"] = {}
        for option in (option for group in self.groups for option in group.kernel):
            users = [name for name in option.tools if name in self.tools]
            if users:
                found.setdefault((option.symbol, option.why), {}).update(dict.fromkeys(users))
        for (symbol, why), names in found.items():
            yield KernelOption(symbol, why, tuple(names))


def _odd(path: str, node: Node) -> Iterator[str]:
    mode = node.mode
    if node.uid or node.gid:
        yield "not owned by root"
    if node.is_file and mode & 0o6000:
        yield "setuid" if mode & 0o4000 else "setgid"
    if path in STICKY:
        # Tighter than 1777 is no way in: it only keeps other accounts out.
        if mode & 0o002 and not mode & 0o1000:
            yield "must have mode 1777 (anyone may write, only owners delete)"
    elif mode & 0o002 and not mode & 0o1000 and (node.is_file or node.children is not None):
        yield "writable by everyone"
    if "/.ssh" in path and mode & 0o022:
        yield "writable by others, which an SSH server refuses"
