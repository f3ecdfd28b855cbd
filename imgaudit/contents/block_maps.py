"""Block maps that lie beside the images of a build, each held against its image."""

from __future__ import annotations

import contextlib
import hashlib
from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING

from imgaudit.data import dataclass
from imgaudit.errors import ImgauditError
from imgaudit.formats import readers
from imgaudit.formats.block_map import READER, BlockMap, Range
from imgaudit.formats.view import View

if TYPE_CHECKING:
    from imgaudit.contents.build import Build, Store
    from imgaudit.contents.tree import Artifact, Content
    from imgaudit.model import Region, Where

_SUFFIX = ".bmap"
_PACKED = frozenset({".gz", ".bz2", ".xz", ".zst", ".lz4", ".lzo", ".lzma"})
MAX_LISTED = 64
"""Ranges that differ are counted in full and kept up to here."""


@dataclass(frozen=True, kw_only=True)
class MappedImage:
    """A block map and the image that it is for, with the region it goes to or what names it.

    `size` is the image's, unpacked. `differing` are the first of `differing_count` ranges whose
    data have another checksum. `left_out` is where the first byte stands that is not zero and in
    no range. `why` says why nothing was compared.
    """

    path: str
    facts: BlockMap | None
    image: Artifact
    where: Where | None = None
    region: Region | None = None
    size: int = 0
    differing: tuple[Range, ...] = ()
    differing_count: int = 0
    left_out: int | None = None
    why: str = ""


def block_maps(build: Build, store: Store) -> tuple[MappedImage, ...]:
    """Find the block map of each artifact, and compare."""
    found = []
    whole = {item.artifact.path: item.chip for item in build.images if item.artifact is not None}
    for region, artifact in build.artifacts():
        path = _beside(artifact.path, store)
        if path is not None:
            chip = whole.get(artifact.path)
            where = chip.at_key("image") if chip is not None else None
            where = region.at_key("file") if region is not None else where
            item = _held_against(path, artifact, store)
            found.append(replace(item, region=region, where=where))
    return tuple(found)


def _beside(image: str, store: Store) -> str | None:
    stem, dot, suffix = image.rpartition(".")
    names = [image + _SUFFIX]
    if dot and dot + suffix in _PACKED:
        names.append(stem + _SUFFIX)
    if dot and "/" not in suffix:
        names.append((stem.rpartition(".")[0] if dot + suffix in _PACKED else stem) + _SUFFIX)
    for name in names:
        with contextlib.suppress(ImgauditError):
            if store.has(name):
                return name
    return None


def _held_against(path: str, image: Artifact, store: Store) -> MappedImage:
    facts: BlockMap | None = None
    try:
        with store.view(path) as view:
            read = READER.read(view)
        assert isinstance(read, BlockMap)  # noqa: S101 - tells mypy what the reader gives
        facts = read
        if facts.flaws:
            return MappedImage(path=path, facts=facts, image=image, why="the map is damaged")
        with store.view(image.path) as view:
            return _compared(path, facts, image, view)
    except ImgauditError as problem:
        return MappedImage(path=path, facts=facts, image=image, why=str(problem))


def _stream(view: View, content: Content) -> Iterator[bytes]:
    """Give the bytes of an image as they end up on the chip."""
    reader = readers().get(content.format or "")
    expanded = getattr(content.facts, "expanded", None)
    if expanded is not None:
        yield from expanded(view).chunks()
    elif reader is not None and reader.unpack is not None:
        yield from reader.unpack(view.chunks())
    else:
        yield from view.chunks()


def _compared(path: str, facts: BlockMap, image: Artifact, view: View) -> MappedImage:
    """Go once through an image; hash what is mapped, and look for data in what is not."""
    known = facts.algorithm in hashlib.algorithms_guaranteed
    spans = facts.spans()
    current = next(spans, None)
    digest = hashlib.new(facts.algorithm, usedforsecurity=False) if known else None
    differing: list[Range] = []
    count = at = 0
    left_out: int | None = None
    for piece in _stream(view, image.content):
        rest = memoryview(piece)
        while rest:
            start = current[0].start if current is not None else at + len(rest)
            if at < start:
                gap = bytes(rest[: start - at])
                if left_out is None and gap.count(0) != len(gap):
                    left_out = at + len(gap) - len(gap.lstrip(b"\0"))
                at += len(gap)
                rest = rest[len(gap) :]
                continue
            assert current is not None  # noqa: S101 - a gap goes on to the piece's end
            part = rest[: current[0].end - at]
            if digest is not None:
                digest.update(part)
            at += len(part)
            rest = rest[len(part) :]
            if at == current[0].end:
                wanted = current[1].checksum
                if digest is not None and wanted and digest.hexdigest() != wanted:
                    count += 1
                    differing += [current[1]][: MAX_LISTED - len(differing)]
                if digest is not None:
                    digest = hashlib.new(facts.algorithm, usedforsecurity=False)
                current = next(spans, None)
    return MappedImage(
        path=path,
        facts=facts,
        image=image,
        size=at,
        differing=tuple(differing),
        differing_count=count,
        left_out=left_out,
        why="" if known or not facts.algorithm else f"checksums of kind {facts.algorithm}",
    )
