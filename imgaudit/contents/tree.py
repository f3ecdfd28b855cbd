"""What a file is and what is in it: a tree of contents, down to what a decompressor made."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from dataclasses import field
from functools import cached_property
from typing import TYPE_CHECKING

from imgaudit.data import dataclass
from imgaudit.formats.cpio import Trailing
from imgaudit.formats.facts import Facts, Match
from imgaudit.formats.kernel import KernelInside
from imgaudit.formats.view import View
from imgaudit.units import KIB

if TYPE_CHECKING:
    from imgaudit.formats.files import Entry

BLOCK = 64 * KIB
BUNDLED = "bundled ramdisk"
NO_FORMAT = "no format was recognised"
UNKNOWN = "data of no known format"
"""What something is called of which nobody knows what it is."""
"""Why a content has no facts, where every reader has looked at it."""
PASSED_OVER = "not looked into"
KERNELS = frozenset({"arm64-image", "riscv-image", "elf"})
"""Formats that a kernel has that was not packed."""


@dataclass(frozen=True, slots=True)
class Blocks:
    """SHA-256 of every 64 KiB block that is not all zero, by its number; `size` is the whole.

    `end` is where the data end and only zeros follow; None where nobody looked.
    """

    size: int
    digests: dict[int, bytes]
    end: int | None = field(default=None, compare=False)

    def sha256(self) -> str:
        """Digest the data: of every block its number and SHA-256, and of the whole its size."""
        digest = hashlib.sha256()
        for number in sorted(self.digests):
            digest.update(number.to_bytes(8, "little") + self.digests[number])
        digest.update(self.size.to_bytes(8, "little"))
        return digest.hexdigest()

    def blank(self) -> int | None:
        """Give the byte that all of the data repeats: 0x00, 0xFF or, if there is none, None."""
        if not self.digests:
            return 0x00
        whole, rest = divmod(self.size, BLOCK)
        if len(self.digests) != whole + bool(rest):
            return None
        erased = hashlib.sha256(b"\xff" * BLOCK).digest()
        last = hashlib.sha256(b"\xff" * (rest or BLOCK)).digest()
        final = whole - (not rest)
        same = all(
            digest == (last if number == final else erased)
            for number, digest in self.digests.items()
        )
        return 0xFF if same else None


@dataclass(frozen=True, kw_only=True)
class Content:
    """Bytes and what they are. Contents nest: a FIT holds images, an image its unpacked data.

    `offset` is where it starts in the stored bytes of what holds it; -1 for what a decompressor
    made, and for a file that lies in several pieces. `why` says why there are no facts. `unpacked`
    is set for compressed content: the true size in bytes, `complete` tells whether the stream was
    followed to its end, and `consumed` how many stored bytes it took; `rest` is what follows the
    stream of a compressed cpio archive. `inside` is set for kernels.
    """

    name: str
    offset: int
    size: int
    expects: str | None = None
    format: str | None = None
    title: str = ""
    match: Match = Match.NO
    facts: Facts | None = None
    why: str = ""
    damaged_at: int | None = None
    alternatives: tuple[str, ...] = ()
    unpacked: int | None = None
    complete: bool = True
    consumed: int | None = None
    rest: Trailing | None = None
    inside: KernelInside | None = field(default=None, repr=False)
    children: tuple[Content, ...] = ()
    view: View | None = field(default=None, repr=False, compare=False)
    blocks: Blocks | None = field(default=None, repr=False, compare=False)

    @property
    def called(self) -> str:
        """What it is, in words."""
        return self.title or UNKNOWN

    @property
    def inner(self) -> Content | None:
        """What a decompressor or a sparse image made of this; None where nothing did."""
        return self.children[0] if self.unpacked is not None and self.children else None

    @property
    def after(self) -> Content | None:
        """What follows the stream of a compressed archive, where it is not only padding."""
        return self.children[1] if self.unpacked is not None and len(self.children) > 1 else None

    def unwrapped(self, wanted: str | None = None) -> Content:
        """Follow what is packed to what it holds, or to the `wanted` format if it comes first."""
        content = self
        while content.format != wanted and (inner := content.inner) is not None:
            content = inner
        return content

    def part(self, name: str) -> Content | None:
        """Find a part of a container by the name that the container gives it."""
        return self._parts.get(f"{self.name}/{name}")

    @cached_property
    def _parts(self) -> dict[str, Content]:
        return {child.name: child for child in reversed(self.children)}

    def file(self, entry: Entry) -> Content | None:
        """Find a file of a file system by where it lies, as it may have several names.

        One that lies in pieces is found by its own.
        """
        return self._files.get(_place(entry.path, entry.offset, entry.size))

    @cached_property
    def _files(self) -> dict[tuple[str | int, int], Content]:
        start = len(self.name) + 1
        return {_place(one.name[start:], one.offset, one.size): one for one in self.children}

    def at(self, offset: int) -> Content | None:
        """Find the outermost content that starts at an offset into the stored bytes of this one."""
        if not offset:
            return self
        inside = ((child, offset - child.offset) for child in self.children if child.offset >= 0)
        return next(
            (found for child, rest in inside if rest >= 0 and (found := child.at(rest))), None
        )

    def paths(self) -> Iterator[tuple[Content, ...]]:
        """Give each content of `walk`, with all that is around it from the inside out."""
        yield (self,)
        for child in self.children:
            yield from ((*path, self) for path in child.paths())

    def walk(self) -> Iterator[Content]:
        """Give this content and all inside it, depth first."""
        yield self
        for child in self.children:
            yield from child.walk()


def _place(path: str, offset: int | None, size: int) -> tuple[str | int, int]:
    return path if offset is None or offset < 0 else offset, size


@dataclass(frozen=True, kw_only=True)
class Artifact:
    """A file that the layout names, read.

    `sha256` is that of the stored bytes, None for a raw file above 64 MiB unless it was asked for;
    `data_sha256` then stands for it: the same for equal data, however the holes are stored. `head`
    is the first 64 bytes.
    """

    path: str
    size: int
    sha256: str | None
    data_sha256: str | None
    content: Content
    head: bytes = b""
    blank: int | None = None
    # What of a chip's image lies in its regions, by their names, each as if it were a file.
    slices: Mapping[str, Artifact] = field(default_factory=dict, repr=False, compare=False)
