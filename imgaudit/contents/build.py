"""A build: a layout, and the artifacts that were read for it, each where it belongs."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager
from dataclasses import field
from functools import cached_property, partial
from typing import TYPE_CHECKING, Any, NamedTuple, Protocol, TypeVar, cast

from imgaudit import bounds
from imgaudit.contents.slices import Slice, Slices
from imgaudit.data import dataclass
from imgaudit.errors import ImgauditError, UnreadError
from imgaudit.files import ArtifactError, Folder, stay_inside
from imgaudit.formats.view import FileSource, View
from imgaudit.model import FILLS, FIRMWARE, VOLUMES, Chip, Layout, Region, Writer
from imgaudit.patterns import regex
from imgaudit.units import KIB, MIB, both

if TYPE_CHECKING:
    from imgaudit.contents.comparison import ChipImage
    from imgaudit.contents.place import Node
    from imgaudit.contents.reader import Loader
    from imgaudit.contents.tree import Artifact, Content
    from imgaudit.formats.facts import Facts

F = TypeVar("F", bound="Facts")
_EXT = {"ext2": "ext4", "ext3": "ext4"}
# What is held in memory, and how many files are open, before the next is begun.
_UNDER_WAY = 128 * MIB
_INCLUDE = regex(rb'\binclude\(\s*"([^"\n]{1,255})"\s*\)')  # genimage's
_MOST_INCLUDED = 64
_MOST_TEXT = 1 << 20
_OPEN = 32
_BY_BYTES = 64 * MIB
_NO_READER = frozenset({"raw", "blank"})


class Store(Protocol):
    """Where artifacts come from."""

    def find(self, pattern: str) -> str:
        """Give the one path that a name or glob means, or raise ArtifactError."""
        ...

    def has(self, path: str) -> bool:
        """Tell whether something has this name, or raise ArtifactError where it may not be read."""
        ...

    def begin(
        self, path: str, *, expects: str | None, emmc: bool, slices: Slices | None = None
    ) -> tuple[Callable[[], Artifact], int]:
        """Begin to read; give a call that waits for the rest, and the bytes held meanwhile.

        `slices` are what to read of a chip's image as files of their own.
        """
        ...

    def view(self, path: str) -> AbstractContextManager[View]:
        """Look into an artifact once more, at single places; closed when the context ends."""
        ...


class FolderStore:
    """The artifacts folder; `progress` is told each file's path as its reading begins."""

    def __init__(
        self, folder: Folder, loader: Loader, progress: Callable[[str], None] | None = None
    ) -> None:
        self._folder = folder
        self._loader = loader
        self._progress = progress

    def find(self, pattern: str) -> str:
        """See Store."""
        return self._folder.find(pattern)

    def has(self, path: str) -> bool:
        """See Store."""
        return self._folder.has(path)

    def begin(
        self, path: str, *, expects: str | None, emmc: bool, slices: Slices | None = None
    ) -> tuple[Callable[[], Artifact], int]:
        """See Store."""
        if self._progress is not None:
            self._progress(path)
        # What is compiled into a boot loader is looked up in it.
        keep = not emmc or (expects or "raw") in FIRMWARE
        return self._loader.in_folder(
            self._folder, path, expects=expects, blocks=emmc, keep=keep, slices=slices
        )

    @contextmanager
    def view(self, path: str) -> Iterator[View]:
        """See Store."""
        descriptor, size = self._folder.open(path)
        try:
            yield View(FileSource(descriptor, size))
        finally:
            os.close(descriptor)


class MemoryStore:
    """Artifacts made on the spot, for examples and tests."""

    def __init__(self, files: Mapping[str, Callable[[], bytes]], loader: Loader) -> None:
        self._files = files
        self._loader = loader

    def find(self, pattern: str) -> str:
        """See Store."""
        if not self.has(pattern):
            raise ArtifactError(f"{pattern} is not in the artifacts folder", absent=True)
        return pattern

    def has(self, path: str) -> bool:
        """See Store."""
        stay_inside(path)
        return path in self._files

    def begin(
        self, path: str, *, expects: str | None, emmc: bool, slices: Slices | None = None
    ) -> tuple[Callable[[], Artifact], int]:
        """See Store."""
        data = self._files[path]()
        reading = partial(
            self._loader.memory, path, data, expects=expects, blocks=emmc, slices=slices
        )
        return reading, len(data)

    @contextmanager
    def view(self, path: str) -> Iterator[View]:
        """See Store."""
        yield View.of(self._files[path]())


@dataclass(frozen=True, kw_only=True)
class Placement:
    """A region and the artifact that belongs there.

    `payload` is the content that ends up in the region: the artifact's own, or what is left when
    the compression that the writer undoes is peeled off. `size` is its bytes. Without an artifact,
    `missing` says why; `refused` tells a file that must not or cannot be opened from an absent one.
    `image` is the path of the chip's image, where the content lies in that and in no file, or of
    the UBI, with the placement of that as `holder`.
    """

    region: Region
    artifact: Artifact | None = None
    payload: Content | None = None
    missing: str = ""
    refused: bool = False
    image: str | None = None
    holder: Placement | None = None

    @property
    def given(self) -> bool:
        """Whether the layout says where the region's content is."""
        return self.region.file is not None or self.image is not None

    @property
    def size(self) -> int | None:
        """Bytes that go into the region; None without an artifact."""
        return None if self.payload is None else self.payload.size

    @property
    def used(self) -> int | None:
        """Bytes of the region that are taken: of a file system, without what is free in it."""
        if self.payload is None:
            return None
        return self.payload.size - free_inside(self.payload)

    @property
    def free(self) -> int | None:
        """Bytes of the region that stay free, negative where it is too small; None if unknown."""
        if self.payload is None or self.payload.size > self.region.room:
            return None if self.payload is None else self.region.room - self.payload.size
        return self.region.room - self.payload.size + free_inside(self.payload)

    @property
    def free_percent(self) -> float | None:
        """The same, of the room that the region has for an artifact."""
        free, room = self.free, self.region.room
        return None if free is None else 100 * free / room if room else 0.0

    @property
    def path(self) -> str | None:
        """The artifact's path."""
        return None if self.artifact is None else self.artifact.path

    @property
    def complete(self) -> bool:
        """Whether the payload's size is known to its end."""
        if self.artifact is None:
            return False
        content: Content | None = self.artifact.content
        while content is not None and content.complete:
            content = content.inner
        return content is None


@dataclass(frozen=True, kw_only=True)
class Build:
    """A layout and what was read for it. Without a layout, the artifacts stand alone.

    `others` are the files that no region holds, by path: register dumps and further copies of the
    map. `unreadable` says, by the name that the layout gives, why a file could not be had.
    """

    layout: Layout | None
    given: bool = True
    placements: tuple[Placement, ...] = ()
    images: tuple[ChipImage, ...] = ()
    others: Mapping[str, Artifact] = field(default_factory=dict)
    unreadable: Mapping[str, str] = field(default_factory=dict)

    def placed(self) -> Iterator[tuple[Region, Artifact, Content]]:
        """Give every region with its artifact and payload, where there is one."""
        for placement in self.placements:
            if placement.artifact is not None and placement.payload is not None:
                yield placement.region, placement.artifact, placement.payload

    def placement(self, region: str) -> Placement:
        """Give a region's placement."""
        return self._placements[region]

    @cached_property
    def _placements(self) -> dict[str, Placement]:
        return {item.region.name: item for item in reversed(self.placements)}

    def artifacts(self) -> Iterator[tuple[Region | None, Artifact]]:
        """Give every artifact once, with the first region that it goes to, if any."""
        seen = set()
        for placement in self.placements:
            if placement.artifact is not None and placement.artifact.path not in seen:
                seen.add(placement.artifact.path)
                yield placement.region, placement.artifact
        for image in self.images:
            if image.artifact is not None and image.artifact.path not in seen:
                seen.add(image.artifact.path)
                yield None, image.artifact
        for path, artifact in self.others.items():
            if path not in seen:
                yield None, artifact

    @cached_property
    def nodes(self) -> tuple[Node[Facts], ...]:
        """Every content and where it lies, artifact by artifact, depth first."""
        from imgaudit.contents.place import nodes_of

        return tuple(
            nodes_of(
                self.artifacts(),
                layout=self.layout,
                payloads={region.name: payload for region, _, payload in self.placed()},
                images={image.artifact.path: image.chip for image in self.images if image.artifact},
            )
        )

    def of(self, kind: type[F]) -> Iterator[Node[F]]:
        """Give every content of one format, however deep it is nested.

        What a chip's image repeats of a region's own artifact is given once, for the artifact.
        """
        if kind not in self._by_kind:
            self._by_kind[kind] = tuple(
                node
                for node in self.nodes
                if not node.repeats and isinstance(node.content.facts, kind)
            )
        return cast("Iterator[Node[F]]", iter(self._by_kind[kind]))

    @cached_property
    def _by_kind(self) -> dict[type[Facts], tuple[Node[Facts], ...]]:
        return {}

    @cached_property
    def once(self) -> dict[object, Any]:
        """What others work out of the build once and ask for often, by a name of their own."""
        return {}


@contextmanager
def stored(store: Store, placement: Placement) -> Iterator[View]:
    """Look once more at what a region's content was read from, in a file or in a chip's image.

    Raises:
        ImgauditError: there is nothing, or it cannot be had without unpacking the image again.

    """
    artifact = placement.artifact
    if artifact is None:
        raise ArtifactError(placement.missing or "there is no artifact", absent=True)
    if placement.image is None:
        with store.view(artifact.path) as view:
            yield view
    elif artifact.content.view is not None:
        yield artifact.content.view
    elif placement.holder is not None:
        with stored(store, placement.holder) as inside:
            payload = placement.holder.payload
            facts = payload.facts if payload is not None else None
            label = placement.region.label
            part = next((it for it in facts.parts() if it.name == label), None) if facts else None
            if facts is None or part is None:
                raise UnreadError(0, f"there is no volume {label}")
            yield facts.open(inside, part)
    else:
        region = placement.region
        with store.view(placement.image) as whole:
            at = region.at + region.file_at
            if whole.upto(at, len(artifact.head)) != artifact.head:
                raise UnreadError(0, f"{placement.image} is packed, and was not kept unpacked")
            yield whole.sub(at, min(artifact.size, whole.size - at))


def free_inside(payload: Content) -> int:
    """Give the bytes that a file system has left for files; 0 where it is none or does not say."""
    # Loaded here: a layout on paper needs no readers.
    from imgaudit.formats.files import FileSystem

    facts = payload.facts
    room = facts.room if isinstance(facts, FileSystem) else None
    return min(room.free, payload.size) if room is not None else 0


def reader_of(holds: str) -> str | None:
    """Give the name of the reader behind a `holds:` word; None where nothing is read."""
    return None if holds in _NO_READER else _EXT.get(holds, holds)


def payload_of(content: Content, holds: str) -> Content:
    """Peel off the layers that a writer undoes on the way to the chip.

    A region that holds `raw` is written as it is: its content may well be compressed on the chip.
    """
    wanted = reader_of(holds)
    return content if wanted is None else content.unwrapped(wanted)


def read(layout: Layout, store: Store | None) -> Build:
    """Read all that a layout names. Without a store, the layout stands on paper."""
    if store is None:
        return Build(
            layout=layout,
            given=False,
            placements=tuple(
                Placement(region=region, missing="no artifacts were given")
                for region in layout.regions
            ),
        )
    return _Reading(layout, store).build()


class _Wanted(NamedTuple):
    """A file to read: with which reader, whether for a chip that is compared by digests.

    What is read `last` is held in memory as a whole, while nothing is unpacked beside it.
    """

    path: str
    expects: str | None
    emmc: bool
    slices: Slices | None = None
    last: bool = False


def by_bytes(region: Region) -> bool:
    """Tell whether a region is compared byte by byte on any chip: no block of 64 KiB fits it."""
    return (region.at + region.file_at) % (64 * KIB) != 0 and region.room <= _BY_BYTES


def slices_of(
    layout: Layout, chip: Chip, held: Mapping[int, Callable[[], Content | None]]
) -> Slices | None:
    """Say what to read of a chip's image.

    The regions that have no file of their own, and those that no block digests can be compared of.
    `held` is what was read for the others; see Slices.
    """
    parts = tuple(
        _slice(layout, chip, region)
        for region in layout.regions_on(chip.name)
        if (region.file is None and region.room)
        or (region.file is not None and by_bytes(region) and not chip.kind.in_memory)
    )
    return Slices(parts, chip.sizes, held) if parts or held else None


def volumes_of(layout: Layout, holder: Region) -> Slices | None:
    """Say which volumes of a UBI to read as files of their own: those that are regions."""
    chip = layout.chips[holder.chip]
    parts = tuple(
        _slice(layout, chip, region)
        for region in layout.regions_on(f"{holder.chip}/{holder.name}")
        if region.holder == holder.name
    )
    return Slices(parts) if parts else None


def _slice(layout: Layout, chip: Chip, region: Region) -> Slice:
    return Slice(
        name=region.name,
        at=region.at + region.file_at,
        size=region.room if region.env is None else min(region.env.size, region.room),
        expects=reader_of(region.holds),
        whole=region.holds in FILLS or region.file is not None,
        wanted=region.writer is Writer.RELEASE or region.holds == "blank",
        erased=0xFF if chip.kind.mtd else 0x00,
        volume=region.label if region.holder is not None else None,
        inner=volumes_of(layout, region) if region.holds in VOLUMES else None,
    )


class _Reading:
    """Reads each artifact once, two at a time, however many regions name it."""

    def __init__(self, layout: Layout, store: Store) -> None:
        self.layout = layout
        self.store = store
        self.read: dict[str, Artifact] = {}
        self.unreadable: dict[str, str] = {}
        self.refused: set[str] = set()

    def build(self) -> Build:
        layout = self.layout
        paths: dict[str, str] = {}
        wanted: list[_Wanted] = []
        for region in layout.regions:
            if region.file is not None:
                path = self._find(region.file)
                if path is not None:
                    paths[region.name] = path
                    emmc = self._is_emmc(region.chip) and not by_bytes(region)
                    slices = volumes_of(layout, region) if region.holds in VOLUMES else None
                    wanted.append(_Wanted(path, reader_of(region.holds), emmc, slices))
        images: dict[str, str] = {}
        for chip in layout.chips.values():
            if chip.image is not None and (path := self._find(chip.image)) is not None:
                images[chip.name] = path
                slices = slices_of(layout, chip, dict(self._held(chip, paths)))
                emmc = self._is_emmc(chip.name)
                wanted.append(_Wanted(path, None, emmc, slices, last=not emmc))
        others = [path for name in self._others() if (path := self._find(name)) is not None]
        wanted += [_Wanted(path, None, emmc=False) for path in others]
        self._read_all(sorted(wanted, key=lambda item: item.last))
        others += self._included()
        placed = {
            region.name: self._placement(region, paths, images)
            for region in layout.regions
            if region.holder is None
        }
        placed |= {
            region.name: self._in_volume(region, placed[region.holder], paths)
            for region in layout.regions
            if region.holder is not None
        }
        placements = tuple(placed[region.name] for region in layout.regions)
        return Build(
            layout=layout,
            placements=placements,
            images=tuple(
                self._image(chip, images, placements)
                for chip in layout.chips.values()
                if chip.image is not None
            ),
            others={path: self.read[path] for path in others if path in self.read},
            unreadable=self.unreadable,
        )

    def _is_emmc(self, chip: str) -> bool:
        return not self.layout.chips[chip].kind.in_memory

    def _held(
        self, chip: Chip, paths: Mapping[str, str]
    ) -> Iterator[tuple[int, Callable[[], Content | None]]]:
        """Give what was read for the regions of a chip that is compared by digests."""
        for region in self.layout.regions_on(chip.name):
            if region.name in paths and not region.file_at and not chip.kind.in_memory:
                yield region.at, partial(self._payload, region, paths[region.name])

    def _payload(self, region: Region, path: str) -> Content | None:
        artifact = self.read.get(path)
        return None if artifact is None else payload_of(artifact.content, region.holds)

    def _others(self) -> Iterator[str]:
        """Name the files that no region holds: register dumps and further copies of the map."""
        for chip in self.layout.described():
            yield from (name for name in (chip.sfdp, chip.ext_csd) if name is not None)
        elsewhere = self.layout.elsewhere
        if elsewhere is not None:
            names = (
                elsewhere.device_tree,
                elsewhere.environment,
                elsewhere.uboot_config,
                elsewhere.flash_tool_config,
                elsewhere.disk_description,
            )
            # `region:/path` names a file inside a ramdisk, which is read with its artifact.
            yield from (name for name in names if name is not None and ":/" not in name)
        for stage in self.layout.stages.values():
            if stage.kernel_config is not None:
                yield stage.kernel_config

    def _included(self) -> list[str]:
        """Read what the description of the disk includes, and what that includes in turn."""
        elsewhere = self.layout.elsewhere
        name = elsewhere.disk_description if elsewhere is not None else None
        path = self._find(name) if name is not None else None
        found = [path] if path is not None else []
        for one in found:
            view = self.read[one].content.view if one in self.read else None
            data = b"" if view is None else view.upto(0, _MOST_TEXT)
            if view is not None and view.size > _MOST_TEXT:
                why = f"only {both(_MOST_TEXT)} of it are looked through for what it includes"
                bounds.left_out(one, why)
            words = _INCLUDE.findall(data)
            for word in bounds.within(words, _MOST_INCLUDED, one, "files that it includes"):
                below = os.path.normpath(os.path.join(os.path.dirname(one), os.fsdecode(word)))
                if len(found) >= _MOST_INCLUDED:
                    bounds.left_out(below, f"only {_MOST_INCLUDED} included files are read")
                    return found[1:]
                other = self._find(below)
                if other is not None and other not in found:
                    self._read_all([_Wanted(other, None, emmc=False)])
                    found.append(other)
        return found[1:]

    def _find(self, pattern: str) -> str | None:
        try:
            return self.store.find(pattern)
        except ArtifactError as problem:
            self._note(pattern, problem)
            return None

    def _read_all(self, wanted: list[_Wanted]) -> None:
        begun: list[tuple[str, Callable[[], Artifact], int]] = []
        # A file that is a chip's image is read with all that should be in it.
        slices = {item.path: item.slices for item in wanted if item.slices is not None}
        for path, expects, emmc, _, last in wanted:
            if path in self.read or any(path == other for other, _, _ in begun):
                continue
            most = 0 if last else _UNDER_WAY
            while len(begun) > _OPEN or sum(held for _, _, held in begun) > most:
                first = next((at for at, (_, _, held) in enumerate(begun) if held), 0)
                self._finish(*begun.pop(first)[:2])
            try:
                reading = self.store.begin(
                    path, expects=expects, emmc=emmc, slices=slices.get(path)
                )
                begun.append((path, *reading))
            except ImgauditError as problem:
                self._note(path, problem)
                continue
        for path, finish, _ in begun:
            self._finish(path, finish)

    def _finish(self, path: str, finish: Callable[[], Artifact]) -> None:
        try:
            self.read[path] = finish()
        except ImgauditError as problem:
            self._note(path, problem)

    def _note(self, path: str, problem: ImgauditError) -> None:
        self.unreadable[path] = str(problem)
        if not getattr(problem, "absent", False):
            self.refused.add(path)

    def _placement(
        self, region: Region, paths: Mapping[str, str], images: Mapping[str, str]
    ) -> Placement:
        if region.file is None:
            return self._in_image(region, images.get(region.area))
        path = paths.get(region.name)
        artifact = self.read.get(path) if path else None
        if artifact is None:
            why = self.unreadable.get(path or region.file) or self.unreadable.get(region.file, "")
            refused = bool({path, region.file} & self.refused)
            return Placement(region=region, missing=why, refused=refused)
        return Placement(
            region=region, artifact=artifact, payload=payload_of(artifact.content, region.holds)
        )

    def _in_volume(self, region: Region, holder: Placement, paths: Mapping[str, str]) -> Placement:
        """Give what goes into a volume: its own artifact, else what the UBI has there."""
        if region.file is not None:
            return self._placement(region, paths, {})
        if holder.artifact is None or holder.payload is None:
            return Placement(region=region, missing=holder.missing, refused=holder.refused)
        found = holder.artifact.slices.get(region.name)
        if found is not None:
            return Placement(
                region=region,
                artifact=found,
                payload=payload_of(found.content, region.holds),
                image=holder.artifact.path,
                holder=holder,
            )
        if region.writer is not Writer.RELEASE:
            return Placement(region=region)
        why = f"{holder.artifact.path} has no volume {region.label}, or nothing in it"
        return Placement(region=region, missing=why, image=holder.artifact.path)

    def _in_image(self, region: Region, path: str | None) -> Placement:
        """Give what the image of the chip has in a region."""
        image = self.read.get(path or "")
        if path is None or image is None:
            return Placement(region=region)
        found = image.slices.get(region.name)
        if found is not None:
            return Placement(region=region, artifact=found, payload=found.content, image=path)
        if region.writer is not Writer.RELEASE:
            return Placement(region=region)  # blank, and written later
        return Placement(region=region, missing=f"{path} ends before {region.name}", image=path)

    def _image(
        self, chip: Chip, images: Mapping[str, str], placements: tuple[Placement, ...]
    ) -> ChipImage:
        from imgaudit.contents.chips import compare_chip
        from imgaudit.contents.comparison import ChipImage

        path = images.get(chip.name)
        artifact = self.read.get(path) if path else None
        if artifact is None:
            why = self.unreadable.get(path or "") or self.unreadable.get(chip.image or "", "")
            return ChipImage(chip=chip, missing=why)
        there = [
            (item.region, item.payload)
            for item in placements
            if item.region.area == chip.name and item.payload is not None and item.image is None
        ]
        regions = self.layout.regions_on(chip.name)
        return compare_chip(chip, artifact, regions, there)
