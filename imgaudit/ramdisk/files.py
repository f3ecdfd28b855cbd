"""Read one file out of a ramdisk, as the kernel would unpack it."""

from __future__ import annotations

from collections.abc import Iterator

from imgaudit.contents.tree import Content
from imgaudit.formats.cpio import CpioFacts
from imgaudit.formats.fit import FitFacts
from imgaudit.formats.view import View
from imgaudit.ramdisk.root import Root

LARGEST = 1 << 20
"""Bytes of a file that are read: what is wanted here are configuration files."""


def file_in(content: Content, path: str) -> bytes | None:
    """Give a file of the first ramdisk inside a content that has it, at most 1 MiB of it.

    None where the content holds no ramdisk, or none of them the file.
    """
    for archives in _ramdisks(content):
        node = Root(archives).lookup(path)
        if node is not None and node.is_file:
            return node.data().upto(0, LARGEST)
    return None


def _ramdisks(content: Content) -> Iterator[list[tuple[View, CpioFacts]]]:
    """Give the archives of each ramdisk: a FIT may hold several, one ramdisk several archives."""
    parts = content.children if isinstance(content.facts, FitFacts) else (content,)
    for part in parts:
        archives = [
            (inner.view, inner.facts)
            for inner in part.walk()
            if isinstance(inner.facts, CpioFacts) and inner.view is not None
        ]
        if archives:
            yield archives
