"""What the checks of boot containers share: where a content lies, its architecture, its RAM."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from imgaudit.contents.reader import Artifact, Content
from imgaudit.formats.arm64_image import Arm64ImageFacts
from imgaudit.formats.facts import Facts, Match
from imgaudit.formats.riscv_image import RiscvImageFacts
from imgaudit.model import Region
from imgaudit.rules.engine import Finding, Rule, Severity
from imgaudit.rules.subject import Subject
from imgaudit.units import MIB

F = TypeVar("F", bound=Facts)

COMPRESSORS = frozenset({"bzip2", "gzip", "lz4", "lz4-legacy", "lzma", "lzo", "xz", "zstd"})
# U-Boot arch/arm/lib/image.c takes a kernel that does not say for this large.
UNSAID_KERNEL_SIZE = 16 * MIB

_BUILT_FOR = {
    "arm": {"arm"},
    "arm64": {"arm64"},
    "mips": {"mips"},
    "mips64": {"mips"},
    "powerpc": {"powerpc"},
    "ppc": {"powerpc"},
    "riscv": {"riscv32", "riscv64"},
    "x86": {"x86", "x86-64"},
    "x86_64": {"x86", "x86-64"},
}


@dataclass(frozen=True, slots=True)
class Found(Generic[F]):
    """A content of one format and what holds it.

    `base` is where it starts: on the chip for an artifact with a region, else in the artifact; None
    for what a decompressor made.
    """

    region: Region | None
    artifact: Artifact
    content: Content
    facts: F
    holder: Content | None
    base: int | None

    def finding(
        self,
        rule: Rule,
        *,
        at: int = 0,
        length: int | None = None,
        severity: Severity | None = None,
        **values: Any,
    ) -> Finding:
        """Make a finding about the bytes from `at` on, counted from the start of the content."""
        return rule.finding(
            region=self.region,
            artifact=self.artifact.path,
            key="file",
            offset=(self.base or 0) + at,
            length=self.content.size if length is None else length,
            severity=severity,
            content=self.content.name,
            **values,
        )

    def part(self, name: str) -> Content | None:
        """Find the content of one of the container's parts."""
        wanted = f"{self.content.name}/{name}"
        return next((child for child in self.content.children if child.name == wanted), None)


def contents(subject: Subject, kind: type[F]) -> Iterator[Found[F]]:
    """Give every content of one format, however deep it is nested.

    The image of a whole chip is left out: it starts like the artifact of its first region.
    """
    chips = {image.artifact.path for image in subject.images if image.artifact is not None}
    placed: dict[str, tuple[Content, int]] = {}
    for region, artifact, payload in subject.placed():
        placed.setdefault(artifact.path, (payload, region.at + region.file_at))
    for owner, artifact in subject.artifacts():
        if owner is None and artifact.path in chips:
            continue
        payload, start = placed.get(artifact.path, (artifact.content, 0))
        for content, holder, base in _below(artifact.content, None, None, payload, start):
            if isinstance(content.facts, kind):
                yield Found(owner, artifact, content, content.facts, holder, base)


def _below(
    content: Content, holder: Content | None, base: int | None, payload: Content, start: int
) -> Iterator[tuple[Content, Content | None, int | None]]:
    if content is payload:
        base = start
    yield content, holder, base
    for child in content.children:
        inside = None if base is None or child.offset < 0 else base + child.offset
        yield from _below(child, content, inside, payload, start)


def unpacked(content: Content) -> Content:
    """Follow compression down to what it holds."""
    while content.unpacked is not None and content.children:
        content = content.children[0]
    return content


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
        content = content.children[0] if content.children else content
    if isinstance(content.facts, Arm64ImageFacts | RiscvImageFacts):
        size = max(size, content.facts.image_size or UNSAID_KERNEL_SIZE)
    return size


def misfit(word: str, arch: str) -> Severity | None:
    """Tell how badly an image for `word`, in U-Boot's words, suits a board of `arch`.

    A 32-bit arm image is let through on arm64, which may start it in 32-bit state.
    """
    if arch in _BUILT_FOR.get(word, ()):
        return None
    return Severity.WARNING if (word, arch) == ("arm", "arm64") else Severity.ERROR
