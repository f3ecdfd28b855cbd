"""What the checks of file systems and partition tables share: where on a chip a content lies."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from imgaudit.contents.build import payload_of, unpacked_of
from imgaudit.contents.reader import Artifact, Content
from imgaudit.formats.facts import Facts
from imgaudit.model import Chip, Region, Where
from imgaudit.rules.engine import Finding, Rule, Severity
from imgaudit.rules.subject import Subject

F = TypeVar("F", bound=Facts)

_TABLES = frozenset({"gpt", "mbr"})


@dataclass(frozen=True, kw_only=True)
class Stored(Generic[F]):
    """A content of one format and the storage that it is for.

    `region` is the one that its artifact goes to or, in the image of a chip, the one that starts at
    its partition. `start` is where it starts: on the chip if there is one, else in the artifact as
    its writer unpacks it; None inside what only a program unpacks. `room` is what the region or the
    partition has for it, None where neither tells. `nested` tells a content inside another one from
    all that a file holds.
    """

    region: Region | None
    chip: Chip | None
    artifact: Artifact
    content: Content
    facts: F
    start: int | None
    room: int | None
    nested: bool
    where: Where | None

    @property
    def holder(self) -> str:
        """What to call the place that gives `room`."""
        return self.region.name if self.region else "its partition"

    @property
    def device_size(self) -> int | None:
        """Bytes of the chip, where this stands at its very start."""
        if self.chip is None or self.start != 0 or (self.region and "/" in self.region.area):
            return None
        return self.chip.size

    def finding(
        self,
        rule: Rule,
        *,
        at: int = 0,
        length: int | None = None,
        region: Region | None = None,
        where: Where | None = None,
        severity: Severity | None = None,
        **values: Any,
    ) -> Finding:
        """Make a finding about the bytes from `at` on, counted from the start of the content."""
        region = region or self.region
        return rule.finding(
            region=region,
            artifact=self.artifact.path,
            chip=self.chip.name if self.chip and not region else None,
            where=where or self.where,
            offset=(self.start or 0) + at,
            length=self.content.size - min(at, self.content.size) if length is None else length,
            severity=severity,
            content=self.content.name,
            **values,
        )


def stored(subject: Subject, kind: type[F]) -> Iterator[Stored[F]]:
    """Give every content of one format, however deep it is nested.

    What a chip's image repeats of a region's own artifact is given once, for the artifact.
    """
    images = {image.artifact.path: image.chip for image in subject.images if image.artifact}
    chips = subject.layout.chips if subject.layout else {}
    for region, artifact in subject.artifacts():
        chip = chips.get(region.chip) if region else images.get(artifact.path)
        walk = _Walk(subject, artifact, region, chip)
        content = artifact.content
        payload = payload_of(content, region.holds) if region else unpacked_of(content)
        content = artifact.content
        while content is not payload:
            yield from walk.one(content, kind, region)
            content = content.children[0]
        start = region.at + region.file_at if region else 0
        room = region.room if region else None
        yield from walk.below(content, kind, region, start=start, room=room)


class _Walk:
    """Goes through the contents of one artifact."""

    def __init__(
        self, subject: Subject, artifact: Artifact, region: Region | None, chip: Chip | None
    ) -> None:
        self.subject = subject
        self.artifact = artifact
        self.region = region
        self.chip = chip
        self.where = region.at_key("file") if region else chip.at_key("image") if chip else None

    def below(
        self,
        content: Content,
        kind: type[F],
        region: Region | None,
        *,
        start: int | None,
        room: int | None,
        depth: int = 0,
    ) -> Iterator[Stored[F]]:
        if self.region is None and start is not None and (depth == 0 or room is not None):
            region = self._at(start)
            if region is not None and self._repeats(region, content, depth):
                return
        yield from self.one(content, kind, region, start=start, room=room, depth=depth)
        for child in content.children:
            inside = None if start is None or child.offset < 0 else start + child.offset
            size = child.size if content.format in _TABLES else None
            yield from self.below(child, kind, region, start=inside, room=size, depth=depth + 1)

    def one(
        self,
        content: Content,
        kind: type[F],
        region: Region | None,
        *,
        start: int | None = None,
        room: int | None = None,
        depth: int = 0,
    ) -> Iterator[Stored[F]]:
        if isinstance(content.facts, kind):
            yield Stored(
                region=region,
                chip=self.chip,
                artifact=self.artifact,
                content=content,
                facts=content.facts,
                start=start,
                room=room,
                nested=depth > 0,
                where=self.where,
            )

    def _at(self, start: int) -> Region | None:
        """Give the region that starts there, in the image of a chip."""
        if self.chip is None or self.subject.layout is None:
            return None
        there = self.subject.layout.regions_on(self.chip.name)
        return next((region for region in there if region.at == start), None)

    def _repeats(self, region: Region, content: Content, depth: int) -> bool:
        payload = self.subject.placement(region.name).payload
        same = payload is not None and payload.facts == content.facts
        return same and (depth == 0 or content.size == region.size)
