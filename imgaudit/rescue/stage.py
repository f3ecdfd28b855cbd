"""The rescue of a stage: its ramdisk, what that can do, and what the layout asks of it."""

from __future__ import annotations

import functools
import stat
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import field, replace

from imgaudit.arches import ARCHES
from imgaudit.contents.build import Build
from imgaudit.contents.starts import kernel_in
from imgaudit.contents.tree import Artifact, Content
from imgaudit.data import dataclass
from imgaudit.errors import LayoutError, LayoutProblem, close
from imgaudit.formats.ext import Ext
from imgaudit.formats.kernel import parse_config
from imgaudit.formats.uboot_env import UbootEnv
from imgaudit.formats.xz import Xz
from imgaudit.maps import command_line, fw_env_config
from imgaudit.maps.fw_env_config import FlashToolConfig
from imgaudit.model import Layout, Region, Stage
from imgaudit.patterns import regex
from imgaudit.ramdisk.find import Ramdisk, ramdisk_of
from imgaudit.ramdisk.follow import COMPRESSIONS
from imgaudit.ramdisk.root import Node, Root
from imgaudit.rescue.first import default_init, first_program
from imgaudit.rescue.installed import install
from imgaudit.rescue.needs import BY_NAME, DEFAULT, Group, Need
from imgaudit.rescue.runnable import Runner
from imgaudit.rescue.start import SHELLS, Start, Switch, follow_init, on_path
from imgaudit.rescue.survey import RescueFacts, groups_named, survey

XZ_CHECKS = frozenset({"none", "crc32"})
"""Those of which the kernel's decompressor knows the sums (lib/xz/xz_dec_stream.c)."""
_CONFIG_SIZE = 4 << 20  # a full configuration has some 300 KiB
_INIT = {name: regex(rf"(?:^|\s){name}=(\S+)") for name in ("rdinit", "init")}
_FEATURES = b"has_journal\0"  # in the table of names that every build of e2fsprogs carries
_TOOL_SIZE = 8 << 20  # e2fsck with its libraries has some 2 MiB


@dataclass(frozen=True, slots=True)
class Room:
    """Bytes of RAM that unpacking takes, and what there is.

    `stored` is the ramdisk as it was loaded, `unpacked` its files in whole pages with their inodes,
    `kernel` the kernel's own. `ram` is None where the layout does not say.
    """

    stored: int
    unpacked: int
    kernel: int
    ram: int | None

    @property
    def total(self) -> int:
        """Bytes in all, at the moment when the last file is written."""
        return self.stored + self.unpacked + self.kernel


@dataclass(frozen=True, slots=True)
class FeatureGap:
    """Features of an ext4 image of `region` that the ramdisk's e2fsck does not name."""

    region: str
    features: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Rescue:
    """The rescue of one stage, or of a file that stands alone.

    `facts` is None where nothing could be surveyed; `why` says the reason. `implied` maps a group
    to what in the layout asks for it. `start` is its own start, followed. `config` is the kernel's
    configuration and `config_from` where it was found; None where unknown, and `config_from` then
    says why. `feature_gaps` is None where e2fsck's features cannot be told. `env_copies` is what
    /etc/fw_env.config must name. `arguments` are the kernel's command lines, as far as they are
    known. `environment_tool` is what /etc/fw_env.config in the ramdisk says.
    """

    name: str
    stage: Stage | None = None
    region: Region | None = None
    artifact: Artifact | None = None
    ramdisk: Ramdisk
    root: Root | None = field(default=None, repr=False, compare=False)
    facts: RescueFacts | None = None
    start: Start | None = field(default=None, repr=False)
    why: str = ""
    implied: Mapping[str, str] = field(default_factory=dict)
    config: Mapping[str, str] | None = field(default=None, repr=False)
    config_from: str = ""
    release: str | None = None
    room: Room | None = None
    empty_links: tuple[str, ...] = ()
    feature_gaps: tuple[FeatureGap, ...] | None = ()
    env_copies: tuple[str, ...] = ()
    arguments: tuple[str, ...] = ()
    environment_tool: FlashToolConfig | None = None

    @property
    def first_is_tmpfs(self) -> bool | None:
        """Whether the ramdisk is unpacked into a tmpfs, which has a limit; else it is a ramfs.

        As Linux decides in init_rootfs (init/do_mounts.c). None where no command line is known.
        """
        if self.config is not None and self.config.get("CONFIG_TMPFS", "n") == "n":
            return False
        lines = [dict(word.partition("=")[::2] for word in text.split()) for text in self.arguments]
        kinds = [
            "tmpfs" in line["rootfstype"] if "rootfstype" in line else "root" not in line
            for line in lines
        ]
        return any(kinds) if kinds else None


def rescue_of(
    build: Build,
    stage: Stage,
    *,
    configuration: str | None = None,
    arguments: tuple[str, ...] = (),
) -> Rescue:
    """Survey the ramdisk of a stage.

    Args:
        build: what was read.
        stage: one with a ramdisk.
        configuration: of a FIT, as the boot command names it; its default unless given.
        arguments: the kernel's command lines, as far as they are known.

    Raises:
        LayoutError: the stage asks for a group that there is not.

    """
    layout = build.layout
    if layout is None or stage.ramdisk is None:
        raise ValueError("only a layout's stage with a ramdisk is a recovery")
    groups, implied = _groups(layout, stage)
    placement = build.placement(stage.ramdisk)
    kernel = _stage_kernel(build, stage)
    if placement.payload is None or placement.artifact is None:
        why = placement.missing or "no file is named for its region"
        nothing = Ramdisk(where=stage.ramdisk, missing=why)
        return Rescue(
            name=stage.name, stage=stage, region=placement.region, ramdisk=nothing, why=why
        )
    config, origin = _stage_config(build, stage)
    ramdisk = ramdisk_of(placement.payload, configuration, kernel=kernel)
    banks = sum(bank.span.size for bank in layout.banks)
    taken = sum(kept.span.size for kept in layout.reserved)
    found = _rescue(
        stage.name,
        placement.artifact,
        ramdisk,
        groups,
        arch=layout.arch,
        init=_named(build, stage, arguments, "rdinit") or "/init",
        fallback=_named(build, stage, arguments, "init"),
        config=config,
        origin=origin,
        ram=_usable(banks, arguments) - taken if banks else None,
    )
    gaps = _feature_gaps(found, build) if "filesystems-ext4" in implied else ()
    return replace(
        found,
        stage=stage,
        region=placement.region,
        implied=implied,
        feature_gaps=gaps,
        env_copies=_env_copies(layout, stage),
        arguments=arguments,
    )


@dataclass(frozen=True, slots=True)
class Early:
    """What a ramdisk's first program comes to; `why` says what is in its way.

    `runs` is None where that is not known. `ignored` tells that the kernel passes the ramdisk over
    and mounts `root=` itself. `options` are those of the kernel that unpack it, `switch` is where
    its script goes on. `root` is what it unpacks to and `start` what its script does.
    """

    init: str
    runs: bool | None
    why: str = ""
    ignored: bool = False
    options: tuple[str, ...] = ()
    switch: Switch | None = None
    root: Root | None = field(default=None, repr=False, compare=False)
    start: Start | None = field(default=None, repr=False, compare=False)


class Same:
    """A content by what it is, not by what it holds."""

    def __init__(self, content: Content) -> None:
        self.content = content

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Same) and other.content is self.content

    def __hash__(self) -> int:
        return id(self.content)


# A proof asks for each environment, endure for each state of storage.
@functools.lru_cache(maxsize=8)
def early_of(ramdisk_in: Same, arch: str, rdinit: str | None, init: str | None) -> Early:
    """Tell what comes of a ramdisk that stands before a root, as far as its first program."""
    ramdisk = ramdisk_of(ramdisk_in.content)
    path = rdinit or "/init"
    why = ramdisk.missing or ramdisk.unread
    packed = [it for it in ramdisk.segments if it.compression]
    for segment in packed:
        form = segment.compressor
        if segment.compression == "lz4" or (isinstance(form, Xz) and form.check not in XZ_CHECKS):
            kind = "an LZ4 frame" if segment.compression == "lz4" else "xz with such a check"
            return Early(path, False, f"the kernel unpacks nothing of {segment.name}, {kind}")
    if why or not ramdisk.archives:
        return Early(path, None, why or _unread(ramdisk))
    root = ramdisk.root
    runner = Runner(root, arch)
    first = first_program(runner, path, init=init)
    if first.ignored:
        return Early(path, False, first.ignored, ignored=True)
    whys = "; ".join(filter(None, (one.ends or one.why for one in first.attempts)))
    if first.reached is None or first.stands_in is not None:
        return Early(path, None if not first.certain else False, whys)
    if install(root, runner, first.reached):
        runner = Runner(root, arch)
    start = follow_init(root, runner, first.reached, on_path(root, runner))
    if start.stops:
        return Early(first.reached, False, f"its own start ends: {start.stops}")
    if ramdisk.troubles:
        return Early(first.reached, None, _unread(ramdisk))
    if blocked := _blocked(root, start):
        return Early(first.reached, *blocked)
    options = dict.fromkeys(COMPRESSIONS[segment.compression][1] for segment in packed)
    return Early(
        first.reached, True, options=tuple(options), switch=start.switch, root=root, start=start
    )


def _blocked(root: Root, start: Start) -> tuple[bool | None, str] | None:
    """Say what keeps a script from the root that it is to go on to, and whether that is certain."""
    switch = start.switch
    if switch is None or start.doubts or set(switch.others) - SHELLS:
        return None
    for step, point in start.no_point:
        if step.certain and point in switch.points:
            return False, f"{step.place} mounts on {point}, which is not there"
    folder = root.lookup("/dev")
    nodes = (folder.children or {}).values() if folder is not None else ()
    if switch.on_node is False or start.nodes or any(stat.S_ISBLK(node.mode) for node in nodes):
        return None
    if switch.on_node is None:
        why = f"{switch.step.place} mounts something that is not known, and nothing mounts /dev"
        return None, why
    return False, f"{switch.step.place} mounts a disk, and nothing mounts /dev"


def rescue_alone(
    artifact: Artifact,
    *,
    groups: Iterable[str] | None = None,
    arch: str | None = None,
    kernel: Artifact | None = None,
    configuration: str | None = None,
) -> Rescue:
    """Survey the ramdisk of a file that stands alone.

    Args:
        artifact: a ramdisk, a FIT, a uImage or a kernel.
        groups: names of the groups to measure by.
        arch: a key of ARCHES; else what the file's kernel or container says.
        kernel: the kernel that starts it.
        configuration: of a FIT; its default unless given.

    Raises:
        ValueError: a group or the architecture is not known.

    """
    if arch is not None and arch not in ARCHES:
        raise ValueError(f"no architecture is called {arch}: {', '.join(ARCHES)}")
    ramdisk = ramdisk_of(
        artifact.content, configuration, kernel=kernel.content if kernel is not None else None
    )
    return _rescue(
        artifact.path,
        artifact,
        ramdisk,
        groups_named(DEFAULT if groups is None else groups),
        arch=arch or ramdisk.arch,
    )


def _rescue(
    name: str,
    artifact: Artifact,
    ramdisk: Ramdisk,
    groups: tuple[Group, ...],
    *,
    arch: str | None,
    init: str = "/init",
    fallback: str | None = None,
    config: Mapping[str, str] | None = None,
    origin: str = "",
    ram: int | None = None,
) -> Rescue:
    inside = ramdisk.inside
    if config is None and inside is not None and inside.config is not None:
        config, origin = inside.config, "built into the kernel"
    elif config is None:
        known = ramdisk.kernel is not None
        origin = "the kernel embeds none" if known else "no kernel is known"
    bare = Rescue(
        name=name,
        artifact=artifact,
        ramdisk=ramdisk,
        config=config,
        config_from=origin,
        release=inside.release if inside is not None else None,
        why=ramdisk.missing or ramdisk.unread or _unread(ramdisk),
    )
    if ramdisk.missing or not any(facts.entries for _, facts in ramdisk.archives):
        return bare
    root = ramdisk.root
    facts = survey(
        root,
        arch=arch if arch in ARCHES else None,
        needs=groups,
        init=init,
        fallback=fallback,
        default=default_init(config),
    )
    return replace(
        bare,
        root=root,
        facts=facts,
        start=_start(root, facts),
        why="",
        room=Room(ramdisk.size, facts.memory.total, _kernel_ram(ramdisk.kernel), ram),
        empty_links=tuple(_empty_links(ramdisk, root)),
        environment_tool=fw_env_config.of_root(root),
    )


def _usable(banks: int, arguments: tuple[str, ...]) -> int:
    """Give what the kernel uses of the RAM: `mem=` limits it."""
    limits = [command_line.parse(text).memory_limit for text in arguments]
    return min([banks, *(limit for limit in limits if limit)])


def _start(root: Root, facts: RescueFacts) -> Start | None:
    """Follow what the first program does; None where none is started."""
    if facts.first.reached is None:
        return None
    tools = {tool.name: tool.path or tool.source or tool.name for tool in facts.tools.values()}
    return follow_init(root, Runner(root, facts.arch), facts.first.reached, tools)


def _unread(ramdisk: Ramdisk) -> str:
    whys = [f"{trouble.content}: {trouble.why}" for trouble in ramdisk.troubles]
    return "; ".join(whys) or "the ramdisk is empty"


def _kernel_ram(kernel: Content | None) -> int:
    if kernel is None:
        return 0
    return max(kernel.size, getattr(kernel.facts, "image_size", 0) or 0)


def _groups(layout: Layout, stage: Stage) -> tuple[tuple[Group, ...], dict[str, str]]:
    """Give the groups that a stage must meet, and those that the layout implies with their why."""
    needs = stage.needs
    asked = tuple(dict.fromkeys(needs.groups)) if needs and needs.groups else DEFAULT
    firm = layout.policy.unrelaxed()
    relax = set(needs.relax) if needs else set()
    extend = dict(needs.extend) if needs else {}
    unknown = [name for name in (*asked, *sorted(relax), *extend, *firm) if name not in BY_NAME]
    if unknown:
        places = {name: firm.get(name, stage.at_key("needs")) for name in unknown}
        raise LayoutError(
            [
                LayoutProblem(
                    at.file,
                    at.line,
                    at.column,
                    f"no group is called {name!r}{close(name, BY_NAME)}",
                )
                for name, at in places.items()
            ]
        )
    relax -= firm.keys()
    implied = {name: why for name, why in _implied(layout) if name not in relax}
    groups = {name: BY_NAME[name] for name in asked}
    for name in implied:
        wanted = BY_NAME[name]
        broad = groups.get("filesystems")
        if broad is not None and {need.what for need in wanted.needs} <= {
            need.what for need in broad.needs
        }:
            # The broad group asks for less: what the layout implies must be there.
            levels = {need.what: need for need in wanted.needs}
            needs_now = tuple(levels.get(need.what, need) for need in broad.needs)
            groups["filesystems"] = replace(broad, needs=needs_now)
        else:
            groups.setdefault(name, wanted)
    for name, tools in extend.items():
        group = groups.get(name, BY_NAME[name])
        more = tuple(Need(tool, ((tool,),)) for tool in tools)
        groups[name] = replace(group, needs=(*group.needs, *more))
    for name in relax & groups.keys():
        softer = tuple(replace(need, level="should") for need in groups[name].needs)
        groups[name] = replace(groups[name], needs=softer)
    return tuple(groups.values()), implied


def needed(layout: Layout) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Give the groups that the layout's stages must meet with a ramdisk, and all their commands."""
    groups = [
        group
        for stage in layout.stages.values()
        if stage.ramdisk is not None
        for group in _groups(layout, stage)[0]
    ]
    names = dict.fromkeys(group.name for group in groups)
    return tuple(names), tuple(dict.fromkeys(tool for group in groups for tool in group.tools))


def _implied(layout: Layout) -> Iterator[tuple[str, str]]:
    by_format = {
        "ext2": "filesystems-ext4",
        "ext3": "filesystems-ext4",
        "ext4": "filesystems-ext4",
        "fat": "filesystems-fat",
        "f2fs": "filesystems-f2fs",
        "ubi": "filesystems-ubi",
        "ubifs": "filesystems-ubi",
    }
    seen: dict[str, str] = {}
    for region in layout.regions:
        if region.holds in by_format:
            seen.setdefault(by_format[region.holds], f"{region.name} holds {region.holds}")
        if region.partition is not None:
            seen.setdefault("partitioning", f"{region.name} is a partition")
        if region.env is not None and region.env.copy is not None:
            seen.setdefault("boot-environment", f"{region.name} is an environment")
    for chip in layout.chips.values():
        if chip.kind.mtd:
            seen.setdefault("flash", f"{chip.name} is a {chip.kind.short}")
    yield from seen.items()


def _stage_kernel(build: Build, stage: Stage) -> Content | None:
    for name in stage.regions:
        payload = build.placement(name).payload
        kernel = None if payload is None else kernel_in(payload)
        if kernel is not None:
            return kernel
    return None


def _stage_config(build: Build, stage: Stage) -> tuple[Mapping[str, str] | None, str]:
    """Read the configuration that the layout names."""
    if stage.kernel_config is None:
        return None, ""
    artifact = build.others.get(stage.kernel_config)
    if artifact is None or artifact.content.view is None:
        return None, build.unreadable.get(stage.kernel_config, "it could not be read")
    text = artifact.content.view.upto(0, _CONFIG_SIZE).decode("utf-8", "replace")
    return parse_config(text), artifact.path


def _named(build: Build, stage: Stage, arguments: tuple[str, ...], argument: str) -> str | None:
    """Give what `rdinit=` or `init=` names, where all agree; else as the environment has it."""
    pattern = _INIT[argument]
    named = {name for text in arguments for name in pattern.findall(text)}
    for name in () if arguments else stage.regions:
        payload = build.placement(name).payload
        facts = payload.facts if payload is not None else None
        if isinstance(facts, UbootEnv):
            for variable in facts.variables:
                named.update(pattern.findall(variable.value))
    return named.pop() if len(named) == 1 else None


def _env_copies(layout: Layout, stage: Stage) -> tuple[str, ...]:
    """Name the environment's two regions, where the stage has a redundant one."""
    for name in stage.regions:
        region = layout.region(name)
        if region.env is not None and region.env.copy is not None:
            return (region.name, region.env.copy)
    return ()


def _empty_links(ramdisk: Ramdisk, root: Root) -> Iterator[str]:
    """Give programs that are empty although another name of theirs should have had the data."""
    for _, facts in ramdisk.archives:
        for entry in facts.entries:
            if entry.nlink < 2 or entry.size or not stat.S_ISREG(entry.mode):
                continue
            found = root.resolve(entry.name, follow=False)
            if found.node is not None and found.node.executable and not found.node.size:
                yield found.path


def _feature_gaps(rescue: Rescue, build: Build) -> tuple[FeatureGap, ...] | None:
    """Compare the features of the ext4 images with the names that e2fsck carries."""
    facts, root = rescue.facts, rescue.root
    if facts is None or root is None:
        return ()
    tool = facts.tools.get("e2fsck") or facts.tools.get("fsck.ext4")
    if tool is None or tool.verdict.runs is False:
        return ()
    nodes = (root.lookup(path) for path in (tool.source, *tool.verdict.libraries))
    text = b"".join(_bytes(node) for node in nodes)
    if _FEATURES not in text:
        return None
    gaps = []
    for region, _, content in build.placed():
        if isinstance(content.facts, Ext):
            unknown = tuple(
                name
                for name in content.facts.features
                if not name.startswith("FEATURE_") and name.encode() + b"\0" not in text
            )
            if unknown:
                gaps.append(FeatureGap(region.name, unknown))
    return tuple(gaps)


def _bytes(node: Node | None) -> bytes:
    return b"" if node is None else node.data().upto(0, _TOOL_SIZE)
