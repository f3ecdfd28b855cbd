"""What the checks of boot containers share: where a content lies, its architecture, its RAM."""

from __future__ import annotations

from imgaudit.arches import ARCHES
from imgaudit.contents.place import Node
from imgaudit.contents.tree import Content
from imgaudit.formats.arm64_image import Arm64ImageFacts
from imgaudit.formats.facts import Match
from imgaudit.formats.files import FileSystem
from imgaudit.formats.riscv_image import RiscvImageFacts
from imgaudit.formats.ubi import Ubi
from imgaudit.formats.zimage import ZimageFacts
from imgaudit.rules.cited import in_linux
from imgaudit.rules.engine import NotChecked, Outcome, Rule, Severity
from imgaudit.units import MIB, Span

COMPRESSORS = frozenset({"bzip2", "gzip", "lz4", "lz4-legacy", "lzma", "lzo", "xz", "zstd"})
# U-Boot arch/arm/lib/image.c takes a kernel that does not say for this large.
UNSAID_KERNEL_SIZE = 16 * MIB

# The architecture, in U-Boot's words, whose kernels have such a header; RISC-V has one for both.
KERNEL_ARCH = {arch.kernel: arch.container for arch in ARCHES.values() if arch.kernel}


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


FIRST_INSTRUCTION = (
    in_linux("Documentation/arm64/booting.rst", says="usable system RAM and called there."),
    in_linux(
        "Documentation/arm/booting.rst",
        says="directly to the first instruction of the kernel image.",
    ),
)
_ENTERED_AT_START = (Arm64ImageFacts, RiscvImageFacts, ZimageFacts)


def lands_wrong(content: Content | None, span: Span, entry: int) -> str | None:
    """Say what is wrong with the entry of a kernel that takes `span` of RAM; None where nothing."""
    if content is not None and isinstance(content.unwrapped().facts, _ENTERED_AT_START):
        return None if entry == span.start else "has to be entered at its start"
    return None if span.holds(entry) else "is not there"


def misfit(word: str, arch: str) -> Severity | None:
    """Tell how badly an image for `word`, in U-Boot's words, suits a board of `arch`.

    A 32-bit arm image is let through on arm64, which may start it in 32-bit state.
    """
    if word in ARCHES[arch].containers:
        return None
    return Severity.WARNING if (word, arch) == ("arm", "arm64") else Severity.ERROR


def damage_values(*, what: str, count: int, more: str) -> None:
    """Name and type what a rule about damage says."""


def damage(found: Node[FileSystem] | Node[Ubi], rule: Rule) -> Outcome:
    """Tell the first flaw that a walk met, how many more there are, and what it passed over."""
    facts = found.facts
    if facts.flaws:
        first, more = facts.flaws[0], facts.flaw_count - 1
        case = rule(
            what=first.what,
            count=facts.flaw_count,
            more=f", and {more:,} more" if more else "",
        )
        yield case.inside(found, at=first.offset, length=4)
    if facts.unwalked:
        yield NotChecked(rule.name, found.content.name, facts.unwalked)
