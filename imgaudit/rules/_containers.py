"""What the checks of boot containers share: where a content lies, its architecture, its RAM."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import replace
from typing import Generic, TypeVar

from imgaudit.arches import ARCHES
from imgaudit.contents.place import Node
from imgaudit.contents.tree import Content
from imgaudit.formats.arm64_image import Arm64ImageFacts
from imgaudit.formats.facts import Facts, Match
from imgaudit.formats.fdt import FdtFacts
from imgaudit.formats.riscv_image import RiscvImageFacts
from imgaudit.model import Region, Where
from imgaudit.rules.engine import Case, Finding, Severity
from imgaudit.rules.subject import Subject
from imgaudit.units import MIB

F = TypeVar("F", bound=Facts)

COMPRESSORS = frozenset({"bzip2", "gzip", "lz4", "lz4-legacy", "lzma", "lzo", "xz", "zstd"})
_TWINS = 1 * MIB  # a device tree or an environment
# U-Boot arch/arm/lib/image.c takes a kernel that does not say for this large.
UNSAID_KERNEL_SIZE = 16 * MIB

# The architecture, in U-Boot's words, whose kernels have such a header.
KERNEL_ARCH = {"arm64-image": "arm64", "riscv-image": "riscv", "zimage": "arm"}


class Found(Generic[F]):
    """A node of the build, and findings about it."""

    def __init__(self, node: Node[F]) -> None:
        self.node = node
        self.content = node.content
        self.facts = node.facts
        self.artifact = node.artifact
        self.region = node.region
        self.chip = node.chip
        self.start = node.start
        self.room = node.room
        self.nested = node.nested
        self.holder = node.holder.content if node.holder is not None else None

    def finding(
        self,
        case: Case,
        *,
        at: int = 0,
        length: int | None = None,
        region: Region | None = None,
        where: Where | None = None,
        severity: Severity | None = None,
    ) -> Finding:
        """Make a finding about the bytes from `at` on, counted from the start of the content."""
        region = region or self.region
        found = case.at(
            region=region,
            artifact=self.artifact.path,
            chip=self.chip.name if self.chip and not region else None,
            where=where or self.node.where,
            offset=(self.start or 0) + at,
            length=self.content.size - min(at, self.content.size) if length is None else length,
            severity=severity,
            content=self.content.name,
        )
        return replace(found, twin=self.twin())

    def twin(self) -> str:
        """Give what tells small contents with the same bytes, such as copies of one device tree."""
        if isinstance(self.facts, FdtFacts):
            # A file system's bytes are not kept, its device trees are.
            return hashlib.sha256(repr(self.facts.tree).encode()).hexdigest()
        view = self.node.view()
        if view is None or view.size > _TWINS:
            return ""
        return hashlib.sha256(view.upto(0, view.size)).hexdigest()


def contents(subject: Subject, kind: type[F]) -> Iterator[Found[F]]:
    """Give every content of one format, however deep it is nested."""
    return map(Found, subject.of(kind))


def damaged(content: Content) -> bool:
    """Tell whether a compressed stream broke off, so that what it holds is not fully known."""
    return any(not inner.complete for inner in content.walk())


def compressor(content: Content) -> str | None:
    """Name the compression that the data really has, where its start leaves no doubt."""
    sure = content.match >= Match.GOOD
    return content.format if sure and content.format in COMPRESSORS else None


def ram_size(content: Content, label: str | None) -> int:
    """Give the bytes of RAM that an image takes after U-Boot undid the compression `label`."""
    size = content.size
    if label == content.format and content.unpacked is not None:
        size = content.unpacked
        content = content.inner or content
    if isinstance(content.facts, Arm64ImageFacts | RiscvImageFacts):
        size = max(size, content.facts.image_size or UNSAID_KERNEL_SIZE)
    return size


def misfit(word: str, arch: str) -> Severity | None:
    """Tell how badly an image for `word`, in U-Boot's words, suits a board of `arch`.

    A 32-bit arm image is let through on arm64, which may start it in 32-bit state.
    """
    if word in ARCHES[arch].containers:
        return None
    return Severity.WARNING if (word, arch) == ("arm", "arm64") else Severity.ERROR
