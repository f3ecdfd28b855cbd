"""Dumps of a board's chips, held against a build or a manifest. Read only: a device is refused."""

from __future__ import annotations

import os
from collections.abc import Callable, Container, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from typing import TypeVar

from imgaudit.contents.build import Build, Placement
from imgaudit.contents.chips import compare_dump, compare_sealed, refined
from imgaudit.contents.comparison import Digests
from imgaudit.contents.tree import Artifact, Content
from imgaudit.errors import AuditError, ImgauditError, close
from imgaudit.files import CHANGED, Unchanged, open_regular
from imgaudit.formats.view import FileSource, View
from imgaudit.model import Area, Layout
from imgaudit.release.manifest import Manifest
from imgaudit.units import MIB, both

B = TypeVar("B", bound=Build)
# Read whole; the largest SPI-NOR parts hold 256 MiB, common NANDs 128 to 512 (from memory).
_LARGEST_HELD = 512 * MIB


def dump_of(path: str, view: View) -> Artifact:
    """Take raw bytes for a dump; nothing in them is looked into."""
    content = Content(name=path, offset=0, size=view.size, view=view)
    return Artifact(path=path, size=view.size, sha256=None, data_sha256=None, content=content)


@contextmanager
def opened(layout: Layout, paths: Mapping[str, str]) -> Iterator[dict[str, Artifact]]:
    """Open dumps, given by the name of the chip or boot area, for as long as they are compared.

    Raises:
        AuditError: the layout has no such chip, or a dump is no regular file or cannot be read.

    """
    with ExitStack() as stack:
        found = {}
        unchanged = {}
        for name, path in paths.items():
            area = _area(layout, name)
            try:
                descriptor, size = open_regular(path)
            except ImgauditError as problem:
                raise AuditError(str(problem)) from problem
            stack.callback(os.close, descriptor)
            unchanged[path] = Unchanged(descriptor)
            view = View(FileSource(descriptor, size))
            if area.chip.kind.in_memory:
                if size > _LARGEST_HELD:
                    raise AuditError(
                        f"{path} has {both(size)}: no {area.chip.kind.short} is that large"
                    )
                view = View.of(view.bytes(0, size))
            found[name] = dump_of(path, view)
        yield found
        for path, same in unchanged.items():
            if not same:
                raise AuditError(f"{path} cannot be compared: {CHANGED}")


def _area(layout: Layout, name: str) -> Area:
    names = [area.name for area in layout.areas]
    if name not in names:
        raise AuditError(
            f"{layout.file} has no chip called {name!r}{close(name, names)}; it has"
            f" {', '.join(names)}"
        )
    return layout.area(name)


def regions_only(layout: Layout, areas: Container[str] | None = None) -> Layout:
    """Give a layout of which only regions are read, of all areas or some, and no copy.

    A chip's image is read where it has what no file of a region has.
    """
    regions = tuple(region for region in layout.regions if areas is None or region.area in areas)
    inside = {region.area for region in regions if region.file is None}
    chips = {
        name: replace(
            chip,
            image=chip.image if name in inside else None,
            sfdp=None,
            ext_csd=None,
            parts=(),
        )
        for name, chip in layout.chips.items()
    }
    return replace(layout, chips=chips, regions=regions, stages={}, elsewhere=None)


Block = Callable[[Placement, int], View | None]
"""Gives a block of 64 KiB of what goes into a region, from an offset in it."""


def held_against_build(
    build: B, layout: Layout, dumps: Mapping[str, Artifact], block: Block | None = None
) -> B:
    """Compare dumps with the artifacts of a build; they take the place of its images.

    Where only digests are at hand, `block` gives the bytes to tell the first one that differs.
    """
    by_name = {placement.region.name: placement for placement in build.placements}
    images = []
    for name, artifact in dumps.items():
        placed = [(region, payload) for region, _, payload in build.placed() if region.area == name]
        area = layout.area(name)
        image = compare_dump(area, artifact, layout.regions_on(name), placed)
        exact = []
        for item in image.comparisons:
            start = None if item.first is None else item.first - item.region.file_at
            view = artifact.content.view
            if block is not None and start is not None and view is not None and not item.exact:
                wanted = block(by_name[item.region.name], start)
                exact.append(item if wanted is None else refined(item, view, image.base, wanted))
            else:
                exact.append(item)
        images.append(replace(image, comparisons=tuple(exact)))
    return replace(build, images=tuple(images))


def held_against_manifest(
    build: B, layout: Layout, dumps: Mapping[str, Artifact], manifest: Manifest
) -> B:
    """Compare dumps with what a manifest seals, at the layout's places."""
    images = []
    for name, artifact in dumps.items():
        sealed = []
        for region in layout.regions_on(name):
            known = manifest.region(region.name)
            payload = None if known is None else known.payload
            if payload is not None:
                digests = Digests(
                    size=payload.size, sha256=payload.sha256, data_sha256=payload.data_sha256
                )
                sealed.append((region, digests))
        area = layout.area(name)
        images.append(compare_sealed(area, artifact, layout.regions_on(name), sealed))
    return replace(build, images=tuple(images))
