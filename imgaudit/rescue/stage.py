"""The rescue ramdisk of a stage: where it is, what the kernel makes of it, what it can do.

Source: Linux init/initramfs.c for how archives follow each other, and lib/decompress.c for what a
compressed one is taken for; U-Boot boot/image-fit.c and boot/image.c for which image is the
ramdisk.
"""

from __future__ import annotations

import re
import stat
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

from imgaudit.contents.build import Build
from imgaudit.contents.tree import BUNDLED, PASSED_OVER, Artifact, Content
from imgaudit.errors import LayoutError, LayoutProblem
from imgaudit.formats.arm64_image import Arm64ImageFacts
from imgaudit.formats.cpio import CpioFacts
from imgaudit.formats.ext import Ext
from imgaudit.formats.facts import Facts
from imgaudit.formats.fit import FitFacts
from imgaudit.formats.kernel import KernelInside, parse_config
from imgaudit.formats.riscv_image import RiscvImageFacts
from imgaudit.formats.uboot_env import UbootEnv
from imgaudit.formats.uimage import UimageFacts
from imgaudit.formats.view import View
from imgaudit.formats.zimage import ZimageFacts
from imgaudit.layout.keys import close
from imgaudit.model import Layout, Region, Stage
from imgaudit.ramdisk.root import Node, Root
from imgaudit.rescue.needs import BY_NAME, DEFAULT, Group, Need
from imgaudit.rescue.survey import TARGETS, RescueFacts, groups_named, survey

COMPRESSIONS = {
    "gzip": ("gzip", "RD_GZIP"),
    "bzip2": ("bzip2", "RD_BZIP2"),
    "lzma": ("lzma", "RD_LZMA"),
    "xz": ("xz", "RD_XZ"),
    "lzo": ("lzo", "RD_LZO"),
    "lz4-legacy": ("lz4", "RD_LZ4"),
    "zstd": ("zstd", "RD_ZSTD"),
}
"""By reader: the kernel's word for the compression (lib/decompress.c) and its option."""

_NO_MAGIC = "invalid magic at start of compressed archive"
_JUNK_INSIDE = "junk within compressed archive"
_BROKEN_STREAM = "decompressor failed"
_DEFAULT_ENTRIES = 3  # usr/default_cpio_list: /dev, /dev/console and /root
_SEGMENTS = 64
_CONFIG_SIZE = 4 << 20  # a full configuration has some 300 KiB
_INIT = {name: re.compile(rf"(?:^|\s){name}=(\S+)") for name in ("rdinit", "init")}
_FEATURES = b"has_journal\0"  # in the table of names that every build of e2fsprogs carries
_TOOL_SIZE = 8 << 20  # e2fsck with its libraries has some 2 MiB
_ARCHES = {"arm": "arm", "arm64": "arm64", "riscv": "riscv64", "x86_64": "x86-64"}

TroubleKind = Literal["refused", "junk", "cut", "bound"]


@dataclass(frozen=True, slots=True)
class Trouble:
    """Where the kernel stumbles, or where reading ended.

    `offset` counts from the start of the ramdisk; `kernel` is the kernel's own message, if any.
    `fill` is the byte that all of the junk repeats.
    """

    kind: TroubleKind
    content: str
    offset: int
    length: int
    why: str
    kernel: str = ""
    fill: int | None = None


@dataclass(frozen=True, kw_only=True)
class Segment:
    """One archive as it is stored: `compression` is its reader's name, empty for a plain one.

    `offset` counts from the start of the ramdisk, `size` and `unpacked` are bytes, `compressor` are
    the facts of the compressor. `archive` is None where what is stored is no archive.
    """

    name: str
    offset: int
    size: int
    unpacked: int
    compression: str = ""
    compressor: Facts | None = None
    archive: CpioFacts | None = None
    bundled: bool = False


@dataclass(frozen=True, kw_only=True)
class Ramdisk:
    """What a kernel is given to unpack: the archive bundled in it, then the external one.

    `where` names the external ramdisk, else the bundled one; `missing` says why there is none.
    `at` is the external ramdisk's offset in the content that holds it, None inside compressed data.
    `kernel` is the kernel that is started with it, where that is known.
    """

    where: str
    missing: str = ""
    at: int | None = None
    size: int = 0
    segments: tuple[Segment, ...] = ()
    troubles: tuple[Trouble, ...] = ()
    archives: tuple[tuple[View, CpioFacts], ...] = field(default=(), repr=False, compare=False)
    kernel: Content | None = None
    arch: str | None = None

    @property
    def inside(self) -> KernelInside | None:
        """What the kernel itself says."""
        return None if self.kernel is None else self.kernel.inside


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
    to what in the layout asks for it. `config` is the kernel's configuration and `config_from`
    where it was found; None where unknown, and `config_from` then says why. `feature_gaps` is None
    where e2fsck's features cannot be told. `env_copies` is what /etc/fw_env.config must name.
    """

    name: str
    stage: Stage | None = None
    region: Region | None = None
    artifact: Artifact | None = None
    ramdisk: Ramdisk
    root: Root | None = field(default=None, repr=False, compare=False)
    facts: RescueFacts | None = None
    why: str = ""
    implied: Mapping[str, str] = field(default_factory=dict)
    config: Mapping[str, str] | None = field(default=None, repr=False)
    config_from: str = ""
    release: str | None = None
    room: Room | None = None
    empty_links: tuple[str, ...] = ()
    feature_gaps: tuple[FeatureGap, ...] | None = ()
    env_copies: tuple[str, ...] = ()

    @property
    def bundled(self) -> bool:
        """Whether the kernel's own archive is known."""
        return any(segment.bundled for segment in self.ramdisk.segments)


def ramdisk_of(
    content: Content, configuration: str | None = None, *, kernel: Content | None = None
) -> Ramdisk:
    """Find the ramdisk in a content and follow it as the kernel does.

    Args:
        content: a ramdisk, a FIT, a uImage, or a kernel with a bundled ramdisk.
        configuration: of a FIT; its default unless given.
        kernel: the kernel that is started with it, where the content holds none.

    """
    place = _find(content, configuration)
    own = place.kernel or (_kernel_in(kernel) if kernel is not None else None)
    follow = _Follow()
    if own is not None and own.inside is not None and own.inside.ramdisk is not None:
        for child in own.children:
            if child.name.endswith(f"/{BUNDLED}"):
                follow.archive(child, 0, bundled=True)
    bundled = sum(len(facts.entries) for _, facts in follow.archives)
    missing = ""
    if place.ramdisk is not None:
        follow.archive(place.ramdisk, 0, bundled=False)
    elif bundled <= _DEFAULT_ENTRIES:
        missing = place.why
    where = place.ramdisk.name if place.ramdisk else f"{own.name}/{BUNDLED}" if own else ""
    return Ramdisk(
        where=where or content.name,
        missing=missing,
        at=place.at,
        size=place.ramdisk.size if place.ramdisk else 0,
        segments=tuple(follow.segments),
        troubles=tuple(follow.troubles),
        archives=tuple(follow.archives),
        kernel=own,
        arch=place.arch or _arch_of(content if kernel is None else kernel),
    )


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
        raise ValueError("only a layout's stage with a ramdisk has a rescue")
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
        ram=banks - taken if banks else None,
    )
    gaps = _feature_gaps(found, build) if "filesystems-ext4" in implied else ()
    return replace(
        found,
        stage=stage,
        region=placement.region,
        implied=implied,
        feature_gaps=gaps,
        env_copies=_env_copies(layout, stage),
    )


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
        arch: a key of TARGETS; else what the file's kernel or container says.
        kernel: the kernel that starts it.
        configuration: of a FIT; its default unless given.

    Raises:
        ValueError: a group or the architecture is not known.

    """
    if arch is not None and arch not in TARGETS:
        raise ValueError(f"no architecture is called {arch}: {', '.join(TARGETS)}")
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
        why=ramdisk.missing or _unread(ramdisk),
    )
    if ramdisk.missing or not any(facts.entries for _, facts in ramdisk.archives):
        return bare
    root = Root(ramdisk.archives)
    facts = survey(
        root,
        arch=arch if arch in TARGETS else None,
        needs=groups,
        init=init,
        fallback=fallback,
        default=(config or {}).get("CONFIG_DEFAULT_INIT", "").strip('"'),
    )
    return replace(
        bare,
        root=root,
        facts=facts,
        why="",
        room=Room(ramdisk.size, facts.memory.total, _kernel_ram(ramdisk.kernel), ram),
        empty_links=tuple(_empty_links(ramdisk, root)),
    )


def _unread(ramdisk: Ramdisk) -> str:
    whys = [f"{trouble.content}: {trouble.why}" for trouble in ramdisk.troubles]
    return "; ".join(whys) or "the ramdisk is empty"


@dataclass(frozen=True, slots=True)
class _Place:
    ramdisk: Content | None
    kernel: Content | None
    why: str = ""
    at: int | None = None
    arch: str | None = None


def _find(content: Content, configuration: str | None) -> _Place:
    """Find the parts of a content that are the ramdisk and the kernel."""
    facts = content.facts
    if isinstance(facts, FitFacts):
        return _in_fit(content, facts, configuration)
    if isinstance(facts, UimageFacts):
        return _in_uimage(content, facts)
    kernel = _kernel_in(content)
    if kernel is not None:
        return _Place(None, kernel, "the kernel brings no more than its own default")
    if isinstance(facts, CpioFacts) or content.format in {*COMPRESSIONS, "lz4"}:
        inner = content.children[0] if content.children and content.unpacked is not None else None
        if inner is not None and isinstance(inner.facts, FitFacts | UimageFacts):
            return replace(_find(inner, configuration), at=None)
        return _Place(content, None, at=0)
    what = content.title or "nothing that is known"
    return _Place(None, None, f"{content.name} is {what}, not a ramdisk")


def _in_fit(content: Content, facts: FitFacts, configuration: str | None) -> _Place:
    name = configuration or facts.default
    chosen = facts.configuration(name) if name is not None else None
    if chosen is None and configuration is None and len(facts.configurations) == 1:
        chosen = facts.configurations[0]
    if chosen is None and facts.configurations:
        named = f"is called {name}" if name else "is its default"
        return _Place(None, None, f"{content.name}: no configuration {named}")
    named_ramdisk = chosen.ramdisk if chosen else None
    if chosen is None:
        named_ramdisk = next((item.name for item in facts.images if item.type == "ramdisk"), None)
    parts = {child.name.removeprefix(f"{content.name}/"): child for child in content.children}
    outer = parts.get(chosen.kernel or "") if chosen else None
    kernel = None if outer is None else _kernel_in(outer)
    image = facts.image(named_ramdisk) if named_ramdisk else None
    label = chosen.name if chosen else "it"
    if named_ramdisk is None:
        return _Place(None, kernel, f"{content.name}: {label} names no ramdisk")
    stored = parts.get(named_ramdisk)
    arch = _ARCHES.get((image.arch if image else None) or "")
    if stored is None:
        return _Place(None, kernel, f"{content.name} has no data for {named_ramdisk}", arch=arch)
    return _Place(stored, kernel, at=stored.offset, arch=arch)


def _in_uimage(content: Content, facts: UimageFacts) -> _Place:
    arch = _ARCHES.get(facts.arch)
    parts = content.children
    if facts.type == "ramdisk" and parts:
        return _Place(parts[0], None, at=parts[0].offset, arch=arch)
    if facts.type == "multi" and parts:
        kernel = _kernel_in(parts[0])
        if len(parts) > 1:
            return _Place(parts[1], kernel, at=parts[1].offset, arch=arch)
        return _Place(None, kernel, f"{content.name} holds one file only", arch=arch)
    if facts.type in {"kernel", "kernel_noload"} and parts:
        return _Place(None, _kernel_in(parts[0]), f"{content.name} has no ramdisk", arch=arch)
    return _Place(None, None, f"{content.name} is a {facts.type} image without a ramdisk")


def _kernel_in(content: Content) -> Content | None:
    """Peel a kernel: compression, uImage, the stream of a zImage."""
    if content.inside is not None or isinstance(content.facts, Arm64ImageFacts | RiscvImageFacts):
        return content
    if content.unpacked is not None and content.children:
        return _kernel_in(content.children[0])
    if isinstance(content.facts, ZimageFacts):
        inner = _kernel_in(content.children[0]) if content.children else None
        return inner or content
    if isinstance(content.facts, UimageFacts) and content.children:
        return _kernel_in(content.children[0])
    if isinstance(content.facts, FitFacts):
        return _in_fit(content, content.facts, None).kernel
    return None


def _arch_of(content: Content) -> str | None:
    """Tell by the first kernel inside."""
    kinds = {Arm64ImageFacts: "arm64", RiscvImageFacts: "riscv64", ZimageFacts: "arm"}
    inside = (kinds.get(type(item.facts)) for item in content.walk())
    return next((arch for arch in inside if arch is not None), None)


def _kernel_ram(kernel: Content | None) -> int:
    if kernel is None:
        return 0
    return max(kernel.size, getattr(kernel.facts, "image_size", 0) or 0)


class _Follow:
    """Follows archives as unpack_to_rootfs() does."""

    def __init__(self) -> None:
        self.segments: list[Segment] = []
        self.troubles: list[Trouble] = []
        self.archives: list[tuple[View, CpioFacts]] = []

    def archive(self, content: Content, offset: int, *, bundled: bool) -> None:
        """Take a content and what follows it; `offset` counts from the start of the ramdisk."""
        at: Content | None = content
        while at is not None and len(self.segments) < _SEGMENTS:
            if isinstance(at.facts, CpioFacts):
                if offset % 4:
                    self._trouble("refused", at, offset, "an archive must be 4-aligned", _NO_MAGIC)
                following = self._plain(at, at.facts, offset, bundled=bundled)
            elif at.format in COMPRESSIONS or at.format == "lz4":
                following = self._compressed(at, offset, bundled=bundled)
            elif at.why.startswith(PASSED_OVER):
                self._trouble("bound", at, offset, at.why)
                return
            else:
                kind: TroubleKind = "junk" if offset else "refused"
                what = at.title or "nothing that is known"
                self._trouble(kind, at, offset, f"it is {what}", _NO_MAGIC)
                return
            if following is not None:
                offset += following.offset
            at = following
        if at is not None:
            why = f"not followed: more than {_SEGMENTS} archives"
            self._trouble("bound", at, offset, why)

    def _trouble(
        self,
        kind: TroubleKind,
        content: Content,
        offset: int,
        why: str,
        kernel: str = "",
        *,
        length: int | None = None,
        fill: int | None = None,
    ) -> None:
        size = content.size if length is None else length
        self.troubles.append(Trouble(kind, content.name, offset, size, why, kernel, fill))

    def _keep(self, content: Content, facts: CpioFacts, offset: int, base: int) -> None:
        """Keep an archive for the root, and say where it stops; `base` is 0 inside a stream."""
        stop = facts.stop
        if facts.refusal:
            self._trouble("refused", content, offset, f"a {facts.kind} archive", facts.refusal)
        elif content.view is None:
            self._trouble("bound", content, offset, "not kept: larger than 64 MiB, read in place")
        else:
            self.archives.append((content.view, facts))
        if stop is not None:
            kinds: dict[str, TroubleKind] = {"cut": "cut", "cap": "bound"}
            kind = kinds.get(stop.kind, "refused")
            at = offset + stop.offset if base else offset
            self._trouble(kind, content, at, stop.why, stop.kernel, length=1)

    def _plain(
        self, content: Content, facts: CpioFacts, offset: int, *, bundled: bool
    ) -> Content | None:
        length = facts.length or 0
        self.segments.append(
            Segment(
                name=content.name,
                offset=offset,
                size=length,
                unpacked=length,
                archive=facts,
                bundled=bundled,
            )
        )
        self._keep(content, facts, offset, 1)
        rest = facts.trailing
        if rest is None or rest.kind == "zero":
            return None
        if rest.kind == "other" and content.children:
            return content.children[0]
        fill = 0xFF if rest.kind == "ff" else None
        self._trouble(
            "junk",
            content,
            offset + rest.offset,
            "what follows is no archive",
            _NO_MAGIC,
            length=rest.length,
            fill=fill,
        )
        return None

    def _compressed(self, content: Content, offset: int, *, bundled: bool) -> Content | None:
        inner = content.children[0] if content.children else None
        facts = inner.facts if inner is not None else None
        archive = facts if isinstance(facts, CpioFacts) else None
        stored = content.size if content.consumed is None else content.consumed
        self.segments.append(
            Segment(
                name=content.name,
                offset=offset,
                size=stored,
                unpacked=content.unpacked or 0,
                compression=content.format or "",
                compressor=content.facts,
                archive=archive,
                bundled=bundled,
            )
        )
        if not content.complete:
            capped = content.damaged_at is None
            at = offset + (content.damaged_at or 0)
            kind: TroubleKind = "bound" if capped else "cut"
            words = "" if capped else _BROKEN_STREAM
            self._trouble(kind, content, at, content.why, words, length=1)
        if inner is not None and inner.why.startswith(PASSED_OVER):
            self._trouble("bound", content, offset, inner.why)
            return None
        if inner is None or archive is None:
            if content.complete:
                what = (inner.title if inner is not None else "") or "nothing that is known"
                self._trouble("refused", content, offset, f"it unpacks to {what}", _JUNK_INSIDE)
            return None
        if content.complete:
            self._keep(inner, archive, offset, 0)
        elif inner.view is not None:
            self.archives.append((inner.view, archive))
        rest = archive.trailing
        if rest is not None and rest.kind != "zero":
            what = f"{rest.length:,} bytes follow the archive inside the compressed data"
            fill = 0xFF if rest.kind == "ff" else None
            self._trouble("junk", content, offset, what, _JUNK_INSIDE, length=stored, fill=fill)
        return self._after(content, offset)

    def _after(self, content: Content, offset: int) -> Content | None:
        rest = content.rest
        if rest is None or rest.kind == "zero":
            return None
        if rest.kind == "other" and len(content.children) > 1:
            return content.children[1]
        self._trouble(
            "junk",
            content,
            offset + rest.offset,
            "what follows is no archive",
            _NO_MAGIC,
            length=rest.length,
            fill=0xFF if rest.kind == "ff" else None,
        )
        return None


def _groups(layout: Layout, stage: Stage) -> tuple[tuple[Group, ...], dict[str, str]]:
    """Give the groups that a stage must meet, and those that the layout implies with their why."""
    needs = stage.needs
    asked = tuple(dict.fromkeys(needs.groups)) if needs and needs.groups else DEFAULT
    relax = set(needs.relax) if needs else set()
    extend = dict(needs.extend) if needs else {}
    unknown = [name for name in (*asked, *sorted(relax), *extend) if name not in BY_NAME]
    if unknown:
        at = stage.at_key("needs")
        raise LayoutError(
            [
                LayoutProblem(
                    at.file,
                    at.line,
                    at.column,
                    f"no group is called {name!r}{close(name, BY_NAME)}",
                )
                for name in dict.fromkeys(unknown)
            ]
        )
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
        kernel = None if payload is None else _kernel_in(payload)
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
