"""Where binman puts what makes up a flash image, by the `binman` node of U-Boot's device tree.

Source: U-Boot tools/binman/binman.rst, entry.py (offset, align, size) and etype/section.py: what
has no offset follows the entry before. Sizes that are not written are those of files, not known.
"""

from __future__ import annotations

from collections.abc import Iterator

from imgaudit import bounds
from imgaudit.formats.flat_tree import Node, Tree
from imgaudit.maps.entry import Kind, MapCopy, MapEntry, Medium, Written
from imgaudit.patterns import regex
from imgaudit.units import round_up

# Nodes that describe an entry, and are none (etype/section.py ignores these).
_ABOUT = ("hash", "signature", "cipher", "template")
_FLASH = regex(r"spi|nor(?![a-z])|\brom\b")
_MAX = 256


def copies(tree: Tree) -> Iterator[MapCopy]:
    """Give a copy for each image that the tree's binman nodes make, where it says places."""
    binman = tree.root.child("binman")
    if binman is None or not binman.enabled():
        return
    several = "multiple-images" in binman.properties
    for image in binman.children if several else (binman,):
        entries = tuple(_entries(image))
        name = image.text("filename") or image.path
        # Only the image of a flash starts where the chip does; others go behind a partition table.
        flash = image.number("rom-size") is not None or _FLASH.search(f"{image.name} {name}")
        if flash and any(entry.offset for entry in entries):
            yield MapCopy(
                kind=Kind.BINMAN,
                device=name,
                entries=entries,
                medium=Medium.SPI_NOR,
                partial=True,
            )


def _entries(image: Node) -> Iterator[MapEntry]:
    now: int | None = 0
    for node in bounds.within(image.children, _MAX, image.name, "entries of binman"):
        if node.name.startswith(_ABOUT):
            continue
        align = node.number("align")
        offset = node.number("offset")
        if offset is None and now is not None:
            offset = round_up(now, align) if align else now
        size = node.number("size")
        yield MapEntry(
            label=node.name.partition("@")[0],
            offset=offset,
            size=size or None,
            at=Written(text=node.path),
            file=node.text("filename"),
            named=False,
        )
        now = None if offset is None or not size else offset + size
