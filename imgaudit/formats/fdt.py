"""Device tree blob (DTB): what a kernel or U-Boot is told about its board.

Sources: Devicetree Specification 0.4, chapters 3 (`/memory`, `/reserved-memory`, `/chosen`) and 5;
Linux Documentation/devicetree/overlay-notes.rst and the chosen node of the dt-schema.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import field
from typing import ClassVar

from imgaudit.data import dataclass
from imgaudit.formats import flat_tree
from imgaudit.formats.facts import Facts, Match, Reader
from imgaudit.formats.view import View
from imgaudit.units import human


@dataclass(frozen=True, slots=True)
class Memory:
    """RAM that the tree tells of: `size` bytes at `base`; `offset` is that of the `reg`."""

    path: str
    base: int
    size: int
    offset: int
    enabled: bool


@dataclass(frozen=True, slots=True)
class Reserved:
    """A child of `/reserved-memory`; `base` is None where the kernel may choose the place."""

    path: str
    base: int | None
    size: int
    offset: int
    no_map: bool
    enabled: bool


@dataclass(frozen=True, kw_only=True)
class FdtFacts(Facts):
    """A device tree's header and what booting depends on.

    `used` is the end of the last block: `totalsize - used` bytes are padding. `reservations` is the
    header's map, `reserved` the `/reserved-memory` node. `overlay` tells of a tree that is to be
    applied to another one; `symbols` of one that overlays can be applied to.
    """

    format: ClassVar[str] = "fdt"

    header: flat_tree.Header
    totalsize: int
    used: int
    model: str | None
    compatible: tuple[str, ...]
    symbols: bool
    fixups: bool
    overlay: bool
    memory: tuple[Memory, ...]
    reserved: tuple[Reserved, ...]
    reservations: tuple[flat_tree.Reservation, ...]
    bootargs: str | None
    stdout_path: str | None
    initrd_start: int | None
    initrd_end: int | None
    tree: flat_tree.Tree = field(repr=False, compare=False)

    def summary(self) -> str:
        """Say which board this is for, and the size."""
        name = self.model or next(iter(self.compatible), "overlay" if self.overlay else "no model")
        return f"{name[:40]}, {human(self.totalsize)}"


def _match(view: View) -> Match:
    if not flat_tree.has_magic(view):
        return Match.NO
    images = flat_tree.has_images(view)
    if images is None:
        return Match.GOOD if flat_tree.plausible(view) else Match.WEAK
    return Match.WEAK if images else Match.SURE


def read(view: View) -> FdtFacts:
    """Read a device tree blob.

    Raises:
        FormatError: the tree cannot be read.

    """
    tree = flat_tree.parse(view)
    root = tree.root
    empty = flat_tree.Node("chosen", "/chosen", root.offset, {}, ())
    chosen = root.child("chosen") or empty
    fixups = root.child("__fixups__") is not None
    places = {
        "model": root.offsets.get("model"),
        "compatible": root.offsets.get("compatible"),
        "bootargs": chosen.offsets.get("bootargs"),
        "stdout_path": chosen.offsets.get("stdout-path"),
        "initrd_start": chosen.offsets.get("linux,initrd-start"),
        "initrd_end": chosen.offsets.get("linux,initrd-end"),
    }
    return FdtFacts(
        length=tree.header.totalsize,
        offsets=flat_tree.HEADER_OFFSETS
        | {name: at for name, at in places.items() if at is not None},
        header=tree.header,
        totalsize=tree.header.totalsize,
        used=tree.used,
        model=root.text("model"),
        compatible=root.texts("compatible"),
        symbols=root.child("__symbols__") is not None,
        fixups=fixups,
        overlay=fixups or any(node.child("__overlay__") for node in root.children),
        memory=tuple(_memory(root)),
        reserved=tuple(_reserved(root)),
        reservations=tree.reservations,
        bootargs=chosen.text("bootargs"),
        stdout_path=chosen.text("stdout-path"),
        initrd_start=chosen.number("linux,initrd-start"),
        initrd_end=chosen.number("linux,initrd-end"),
        tree=tree,
    )


def _memory(root: flat_tree.Node) -> Iterator[Memory]:
    for node in root.children:
        if node.text("device_type") == "memory" or node.name.partition("@")[0] == "memory":
            for base, size in node.regs(root):
                yield Memory(node.path, base, size, node.offsets["reg"], node.enabled())


def _reserved(root: flat_tree.Node) -> Iterator[Reserved]:
    parent = root.child("reserved-memory")
    for node in parent.children if parent else ():
        no_map, enabled = "no-map" in node.properties, node.enabled()
        ranges = node.regs(parent) if parent else ()
        for base, size in ranges:
            yield Reserved(node.path, base, size, node.offsets["reg"], no_map, enabled)
        wanted = node.number("size")
        if not ranges and wanted is not None:
            yield Reserved(node.path, None, wanted, node.offsets["size"], no_map, enabled)


READER = Reader(
    name="fdt",
    title="Device tree blob",
    source="Devicetree Specification 0.4, chapter 5",
    match=_match,
    read=read,
)
