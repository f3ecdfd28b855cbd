"""Where each content lies: its region, its place on the chip, the room it has, what holds it."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import field
from typing import Generic, TypeVar, cast

from imgaudit.contents.tree import Artifact, Content
from imgaudit.data import dataclass
from imgaudit.formats.facts import Facts
from imgaudit.formats.fdt import FdtFacts
from imgaudit.formats.ubi import Ubi
from imgaudit.formats.view import View
from imgaudit.model import Chip, Layout, Region, Where
from imgaudit.units import MIB

F = TypeVar("F", bound=Facts)
F_co = TypeVar("F_co", bound=Facts, covariant=True)

_TABLES = frozenset({"gpt", "mbr"})
_TWINS = 1 * MIB  # a device tree or an environment


def _room(holder: Content, child: Content) -> int | None:
    """Give what a partition table, or a table of volumes, has for one of its own."""
    if holder.format in _TABLES:
        return child.size
    if isinstance(holder.facts, Ubi):
        volume = holder.facts.volume(child.name[len(holder.name) + 1 :])
        return volume.room if volume is not None and not volume.autoresize else None
    return None


@dataclass(frozen=True, kw_only=True, eq=False)
class Node(Generic[F_co]):
    """A content, and where it lies.

    `region` is the one that its artifact goes to or, in the image of a chip, the one that starts at
    its partition; `chip` is the chip that either is for. `start` is where it starts: on the chip if
    there is one, else in the artifact as its writer unpacks it; None for what only a program
    unpacks. `room` is what the region, the partition or the UBI volume has for it, None where
    none tells.
    `holder` is the content around it, and `nested` tells what lies in another content from all
    that is stored. `repeats` marks what a chip's image has again of a region's own artifact.
    """

    content: Content
    artifact: Artifact
    region: Region | None = None
    chip: Chip | None = None
    where: Where | None = None
    start: int | None = None
    room: int | None = None
    nested: bool = False
    repeats: bool = False
    holder: Node[Facts] | None = field(default=None, repr=False)

    @property
    def facts(self) -> F_co:
        """The facts of a node that was asked for by its format."""
        return cast("F_co", self.content.facts)

    @property
    def place(self) -> str:
        """What to call the place that gives `room`."""
        if self.holder is not None and isinstance(self.holder.facts, Ubi):
            return f"volume {self.content.name[len(self.holder.content.name) + 1 :]}"
        return self.region.name if self.region else "its partition"

    @property
    def device_size(self) -> int | None:
        """Bytes of the chip, where this stands at its very start."""
        if self.chip is None or self.start != 0 or (self.region and "/" in self.region.area):
            return None
        return self.chip.size

    def holders(self) -> Iterator[Node[Facts]]:
        """Give what is around this, from the inside out."""
        holder = self.holder
        while holder is not None:
            yield holder
            holder = holder.holder

    def view(self) -> View | None:
        """Give its bytes: its own, or those in what holds it; None where they were not kept."""
        content, at = self.content, 0
        if content.view is not None:
            return content.view
        for holder in self.holders():
            if content.offset < 0:
                return None
            at += content.offset
            content = holder.content
            if content.view is not None:
                inside = at + self.content.size <= content.view.size
                return content.view.sub(at, self.content.size) if inside else None
        return None

    def twin(self) -> str:
        """Give what tells small contents with the same bytes, such as copies of one device tree."""
        if isinstance(self.facts, FdtFacts):
            # A file system's bytes are not kept, its device trees are.
            return hashlib.sha256(repr(self.facts.tree).encode()).hexdigest()
        view = self.view()
        if view is None or view.size > _TWINS:
            return ""
        return hashlib.sha256(view.upto(0, view.size)).hexdigest()


Payloads = Mapping[str, Content]
"""By region, the content that ends up in it."""


def nodes_of(
    artifacts: Iterable[tuple[Region | None, Artifact]],
    *,
    layout: Layout | None = None,
    payloads: Payloads | None = None,
    images: Mapping[str, Chip] | None = None,
) -> Iterator[Node[Facts]]:
    """Give every content of some artifacts, each with its region if it has one, depth first.

    `images` names the chip whose whole image an artifact is.
    """
    for region, artifact in artifacts:
        chip = (images or {}).get(artifact.path)
        if region is not None and layout is not None:
            chip = layout.chips[region.chip]
        yield from _Placing(artifact, region, chip, layout, payloads or {}).all()


class _Placing:
    """Places the contents of one artifact."""

    def __init__(
        self,
        artifact: Artifact,
        region: Region | None,
        chip: Chip | None,
        layout: Layout | None,
        payloads: Payloads,
    ) -> None:
        self.artifact = artifact
        self.region = region
        self.chip = chip
        self.payloads = payloads
        self.where = region.at_key("file") if region else chip.at_key("image") if chip else None
        # Volumes are told by their names.
        self.volumes: dict[str, Region] = {}
        if layout is not None and region is not None:
            for volume in layout.regions_on(f"{region.chip}/{region.name}"):
                self.volumes[volume.label] = volume
        # In the image of a chip, regions are told by where they start.
        self.at: dict[int, Region] = {}
        if region is None and chip is not None and layout is not None:
            for there in reversed(layout.regions_on(chip.name)):
                self.at[there.at] = there

    def all(self) -> Iterator[Node[Facts]]:
        region, content = self.region, self.artifact.content
        payload = self.payloads.get(region.name) if region else None
        payload = payload or content.unwrapped()
        holder: Node[Facts] | None = None
        behind: list[Node[Facts]] = []
        while content is not payload:
            # What a writer unpacks on the way to the chip is at no place of its own there.
            lone = self.chip is None and holder is None
            holder = self.node(content, holder, region, start=0 if lone else None)
            yield holder
            if content.after is not None:
                behind.append(holder)
            content = cast("Content", content.inner)
        start = region.at + region.file_at if region else 0
        room = region.room if region else None
        yield from self.below(content, holder, region, start=start, room=room)
        for around in reversed(behind):
            yield from self.inside(around, cast("Content", around.content.after), region)

    def below(
        self,
        content: Content,
        holder: Node[Facts] | None,
        region: Region | None,
        *,
        start: int | None,
        room: int | None,
        nested: bool = False,
        repeats: bool = False,
    ) -> Iterator[Node[Facts]]:
        if start is not None and (not nested or room is not None) and start in self.at:
            region = self.at[start]
            repeats |= self.repeats(region, content, nested=nested)
        node = self.node(
            content, holder, region, start=start, room=room, nested=nested, repeats=repeats
        )
        yield node
        for child in content.children:
            yield from self.inside(node, child, region)

    def inside(
        self, holder: Node[Facts], child: Content, region: Region | None
    ) -> Iterator[Node[Facts]]:
        content, start, volume = holder.content, holder.start, None
        if isinstance(content.facts, Ubi):
            volume = self.volumes.get(child.name[len(content.name) + 1 :])
        yield from self.below(
            child,
            holder,
            volume or region,
            start=None if start is None or child.offset < 0 else start + child.offset,
            room=_room(content, child),
            nested=True,
            # A volume that is a region is an artifact of its own.
            repeats=holder.repeats or volume is not None,
        )

    def node(
        self,
        content: Content,
        holder: Node[Facts] | None,
        region: Region | None,
        *,
        start: int | None = None,
        room: int | None = None,
        nested: bool = False,
        repeats: bool = False,
    ) -> Node[Facts]:
        return Node(
            content=content,
            artifact=self.artifact,
            region=region,
            chip=self.chip,
            where=self.where,
            start=start,
            room=room,
            nested=nested,
            repeats=repeats,
            holder=holder,
        )

    def repeats(self, region: Region, content: Content, *, nested: bool) -> bool:
        """Tell whether a region's own artifact shows the same as the image of its chip."""
        payload = self.payloads.get(region.name)
        if payload is None:
            return False
        if not nested and content.format not in _TABLES:
            # An image starts like its first region: how it differs is told by the comparison.
            return True
        return payload.facts == content.facts and (not nested or content.size == region.size)
