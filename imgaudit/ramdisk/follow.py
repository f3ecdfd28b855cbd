"""Follow archives as the kernel does: each laid over the one before, to the first that it refuses.

Source: Linux init/initramfs.c for how archives follow each other, and lib/decompress.c for what a
compressed one is taken for.
"""

from __future__ import annotations

from typing import Literal

from imgaudit.contents.tree import PASSED_OVER, UNKNOWN, Content
from imgaudit.data import dataclass
from imgaudit.formats.cpio import CpioFacts, Trailing
from imgaudit.formats.cpio import KernelWords as Words
from imgaudit.formats.facts import Facts
from imgaudit.formats.view import View

COMPRESSIONS = {
    "gzip": ("gzip", "RD_GZIP"),
    "bzip2": ("bzip2", "RD_BZIP2"),
    "lzma": ("lzma", "RD_LZMA"),
    "xz": ("xz", "RD_XZ"),
    "lzo": ("lzo", "RD_LZO"),
    "lz4-legacy": ("lz4", "RD_LZ4"),
    "zstd": ("zstd", "RD_ZSTD"),
}
"""By reader: the kernel's word for the compression (lib/decompress.c) and its option."""

_SEGMENTS = 64

TroubleKind = Literal["refused", "junk", "cut", "bound"]


@dataclass(frozen=True, slots=True)
class Trouble:
    """Where the kernel stumbles, or where reading ended.

    `offset` counts from the start of the ramdisk; `kernel` is the kernel's own message, if any.
    `fill` is the byte that all of the junk repeats.
    """

    kind: TroubleKind
    content: str
    offset: int
    length: int
    why: str
    kernel: str = ""
    fill: int | None = None


@dataclass(frozen=True, kw_only=True)
class Segment:
    """One archive as it is stored: `compression` is its reader's name, empty for a plain one.

    `offset` counts from the start of the ramdisk, `size` and `unpacked` are bytes, `compressor` are
    the facts of the compressor. `archive` is None where what is stored is no archive.
    """

    name: str
    offset: int
    size: int
    unpacked: int
    compression: str = ""
    compressor: Facts | None = None
    archive: CpioFacts | None = None
    bundled: bool = False


class Follow:
    """Follows archives as unpack_to_rootfs() does."""

    def __init__(self) -> None:
        self.segments: list[Segment] = []
        self.troubles: list[Trouble] = []
        self.archives: list[tuple[View, CpioFacts]] = []

    def archive(self, content: Content, offset: int, *, bundled: bool) -> None:
        """Take a content and what follows it; `offset` counts from the start of the ramdisk."""
        at: Content | None = content
        while at is not None and len(self.segments) < _SEGMENTS:
            if isinstance(at.facts, CpioFacts):
                if offset % 4:
                    self._trouble(
                        "refused", at, offset, "an archive must be 4-aligned", Words.MAGIC
                    )
                following = self._plain(at, at.facts, offset, bundled=bundled)
            elif at.format in COMPRESSIONS or at.format == "lz4":
                following = self._compressed(at, offset, bundled=bundled)
            elif at.why.startswith(PASSED_OVER):
                self._trouble("bound", at, offset, at.why)
                return
            else:
                kind: TroubleKind = "junk" if offset else "refused"
                what = at.called
                self._trouble(kind, at, offset, f"it is {what}", Words.MAGIC)
                return
            if following is not None:
                offset += following.offset
            at = following
        if at is not None:
            why = f"not followed: more than {_SEGMENTS} archives"
            self._trouble("bound", at, offset, why)

    def _trouble(
        self,
        kind: TroubleKind,
        content: Content,
        offset: int,
        why: str,
        kernel: str = "",
        *,
        length: int | None = None,
        fill: int | None = None,
    ) -> None:
        size = content.size if length is None else length
        self.troubles.append(Trouble(kind, content.name, offset, size, why, kernel, fill))

    def _keep(self, content: Content, facts: CpioFacts, offset: int, base: int) -> None:
        """Keep an archive for the root, and say where it stops; `base` is 0 inside a stream."""
        stop = facts.stop
        if facts.refusal:
            self._trouble(
                "refused", content, offset, f"an archive of the kind {facts.kind}", facts.refusal
            )
        elif content.view is None:
            self._trouble("bound", content, offset, "not kept: larger than 64 MiB, read in place")
        else:
            self.archives.append((content.view, facts))
        if stop is not None:
            kinds: dict[str, TroubleKind] = {"cut": "cut", "cap": "bound"}
            kind = kinds.get(stop.kind, "refused")
            at = offset + stop.offset if base else offset
            self._trouble(kind, content, at, stop.why, stop.kernel, length=1)

    def _plain(
        self, content: Content, facts: CpioFacts, offset: int, *, bundled: bool
    ) -> Content | None:
        length = facts.length or 0
        self.segments.append(
            Segment(
                name=content.name,
                offset=offset,
                size=length,
                unpacked=length,
                archive=facts,
                bundled=bundled,
            )
        )
        self._keep(content, facts, offset, 1)
        return self._after(content, offset, facts.trailing, next(iter(content.children), None))

    def _compressed(self, content: Content, offset: int, *, bundled: bool) -> Content | None:
        inner = content.inner
        facts = inner.facts if inner is not None else None
        archive = facts if isinstance(facts, CpioFacts) else None
        stored = content.size if content.consumed is None else content.consumed
        self.segments.append(
            Segment(
                name=content.name,
                offset=offset,
                size=stored,
                unpacked=content.unpacked or 0,
                compression=content.format or "",
                compressor=content.facts,
                archive=archive,
                bundled=bundled,
            )
        )
        if not content.complete:
            capped = content.damaged_at is None
            at = offset + (content.damaged_at or 0)
            kind: TroubleKind = "bound" if capped else "cut"
            self._trouble(kind, content, at, content.why, length=1)
        if inner is not None and inner.why.startswith(PASSED_OVER):
            self._trouble("bound", content, offset, inner.why)
            return None
        if inner is None or archive is None:
            if content.complete:
                what = UNKNOWN if inner is None else inner.called
                self._trouble(
                    "refused", content, offset, f"it unpacks to {what}", Words.JUNK_INSIDE
                )
            return None
        if content.complete:
            self._keep(inner, archive, offset, 0)
        elif inner.view is not None:
            self.archives.append((inner.view, archive))
        rest = archive.trailing
        if rest is not None and rest.kind != "zero":
            what = f"{rest.length:,} bytes follow the archive inside the compressed data"
            fill = 0xFF if rest.kind == "ff" else None
            self._trouble(
                "junk", content, offset, what, Words.JUNK_INSIDE, length=stored, fill=fill
            )
        return self._after(content, offset, content.rest, content.after)

    def _after(
        self, content: Content, offset: int, rest: Trailing | None, following: Content | None
    ) -> Content | None:
        """Give what follows an archive; what is none is told."""
        if rest is None or rest.kind == "zero":
            return None
        if rest.kind == "other" and following is not None:
            return following
        self._trouble(
            "junk",
            content,
            offset + rest.offset,
            "what follows is no archive",
            Words.MAGIC,
            length=rest.length,
            fill=0xFF if rest.kind == "ff" else None,
        )
        return None
