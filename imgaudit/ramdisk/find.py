"""The ramdisk in a file: a bare one, that of a FIT or uImage, or what is bundled in a kernel."""

from __future__ import annotations

from dataclasses import field, replace
from functools import cached_property

from imgaudit import bounds
from imgaudit.arches import of_container, of_kernel
from imgaudit.contents.starts import Named, Start, kernel_in, likely_start_of, start_of, starts_of
from imgaudit.contents.tree import BUNDLED, Content
from imgaudit.data import dataclass
from imgaudit.formats.cpio import CpioFacts
from imgaudit.formats.fit import FitFacts
from imgaudit.formats.kernel import KernelInside
from imgaudit.formats.uimage import UimageFacts
from imgaudit.formats.view import View
from imgaudit.ramdisk.follow import COMPRESSIONS, Follow, Segment, Trouble
from imgaudit.ramdisk.root import Root

LARGEST = 1 << 20
"""Bytes of a file that are read: what is wanted here are configuration files."""

_DEFAULT_ENTRIES = 3  # usr/default_cpio_list: /dev, /dev/console and /root


@dataclass(frozen=True, kw_only=True)
class Ramdisk:
    """What a kernel is given to unpack: the archive bundled in it, then the external one.

    `where` names the external ramdisk, else the bundled one; `missing` says why there is none,
    `unread` why what should hold it could not be read. `at` is the external ramdisk's offset in
    the content that holds it, None inside compressed data. `kernel` is the kernel that is started
    with it, where that is known.
    """

    where: str
    missing: str = ""
    unread: str = ""
    at: int | None = None
    size: int = 0
    segments: tuple[Segment, ...] = ()
    troubles: tuple[Trouble, ...] = ()
    archives: tuple[tuple[View, CpioFacts], ...] = field(default=(), repr=False, compare=False)
    kernel: Content | None = None
    arch: str | None = None

    @property
    def inside(self) -> KernelInside | None:
        """What the kernel itself says."""
        return None if self.kernel is None else self.kernel.inside

    @cached_property
    def root(self) -> Root:
        """The root file system that its archives make."""
        return Root(self.archives)


def ramdisk_of(
    content: Content, configuration: str | None = None, *, kernel: Content | None = None
) -> Ramdisk:
    """Find the ramdisk in a content and follow it as the kernel does.

    Args:
        content: a ramdisk, a FIT, a uImage, or a kernel with a bundled ramdisk.
        configuration: of a FIT; its default unless given.
        kernel: the kernel that is started with it, where the content holds none.

    """
    place = _find(content, configuration)
    own = place.kernel or (kernel_in(kernel) if kernel is not None else None)
    follow = Follow()
    if own is not None and own.inside is not None and own.inside.ramdisk is not None:
        for child in own.children:
            if child.name.endswith(f"/{BUNDLED}"):
                follow.archive(child, 0, bundled=True)
    bundled = sum(len(facts.entries) for _, facts in follow.archives)
    missing = unread = ""
    if place.ramdisk is not None:
        follow.archive(place.ramdisk, 0, bundled=False)
    elif bundled <= _DEFAULT_ENTRIES:
        # What is damaged is told as such; whether it had a ramdisk is not known.
        damaged = content.facts is None and content.damaged_at is not None
        unread = f"{content.name} could not be read: {content.why}" if damaged else ""
        missing = "" if damaged else place.why
    where = place.ramdisk.name if place.ramdisk else f"{own.name}/{BUNDLED}" if own else ""
    return Ramdisk(
        where=where or content.name,
        missing=missing,
        unread=unread,
        at=place.at,
        size=place.ramdisk.size if place.ramdisk else 0,
        segments=tuple(follow.segments),
        troubles=tuple(follow.troubles),
        archives=tuple(follow.archives),
        kernel=own,
        arch=place.arch or _arch_of(content if kernel is None else kernel),
    )


def file_in(content: Content, path: str) -> bytes | None:
    """Give a file of the first ramdisk inside a content that has it, at most 1 MiB of it.

    None where the content holds no ramdisk, or none of them the file.
    """
    seen: set[str] = set()
    for configuration in [None, *(start.name for start in starts_of(content) if start.name)]:
        ramdisk = ramdisk_of(content, configuration)
        if not ramdisk.archives or ramdisk.where in seen:
            continue
        seen.add(ramdisk.where)
        node = ramdisk.root.lookup(path)
        if node is not None and node.is_file:
            if node.data().size > LARGEST:
                bounds.left_out(path, f"only its first {LARGEST >> 20} MiB are read")
            return node.data().upto(0, LARGEST)
    return None


@dataclass(frozen=True, slots=True)
class _Place:
    ramdisk: Content | None
    kernel: Content | None
    why: str = ""
    at: int | None = None
    arch: str | None = None


def _find(content: Content, configuration: str | None) -> _Place:
    """Find the parts of a content that are the ramdisk and the kernel."""
    facts = content.facts
    if isinstance(facts, FitFacts):
        return _in_fit(content, facts, configuration)
    if isinstance(facts, UimageFacts):
        return _in_uimage(content, facts)
    kernel = kernel_in(content)
    if kernel is not None:
        return _Place(None, kernel, "the kernel brings no more than its own default")
    if isinstance(facts, CpioFacts) or content.format in {*COMPRESSIONS, "lz4"}:
        inner = content.inner
        if inner is not None and isinstance(inner.facts, FitFacts | UimageFacts):
            return replace(_find(inner, configuration), at=None)
        return _Place(content, None, at=0)
    what = content.called
    return _Place(None, None, f"{content.name} is {what}, not a ramdisk")


def _in_fit(content: Content, facts: FitFacts, configuration: str | None) -> _Place:
    if not facts.configurations and configuration is None:
        start: Start | None = _bare(content, facts)
    else:
        start = start_of(content, configuration) if configuration else likely_start_of(content)
    if start is None:
        name = configuration or facts.default
        named = f"is called {name}" if name else "is its default"
        return _Place(None, None, f"{content.name}: no configuration {named}")
    kernel = _peeled(start)
    label = start.name or "it"
    named_ramdisk = start.ramdisk
    if named_ramdisk is None:
        return _Place(None, kernel, f"{content.name}: {label} names no ramdisk")
    stored, image = named_ramdisk.content, named_ramdisk.image
    arch = of_container(image.arch if image else None)
    if stored is None:
        why = f"{content.name} has no data for {named_ramdisk.name}"
        return _Place(None, kernel, why, arch=arch)
    return _Place(stored, kernel, at=stored.offset, arch=arch)


def _bare(content: Content, facts: FitFacts) -> Start:
    """Take the first ramdisk of a FIT that has no configurations."""
    ramdisk = next((image for image in facts.images if image.type == "ramdisk"), None)
    if ramdisk is None:
        return Start()
    return Start(ramdisk=Named(ramdisk.name, ramdisk, content.part(ramdisk.name)))


def _in_uimage(content: Content, facts: UimageFacts) -> _Place:
    arch = of_container(facts.arch)
    start = start_of(content) or Start()
    kernel = _peeled(start)
    ramdisk = start.ramdisk.content if start.ramdisk is not None else None
    if ramdisk is not None:
        return _Place(ramdisk, kernel, at=ramdisk.offset, arch=arch)
    if facts.type == "multi":
        return _Place(None, kernel, f"{content.name} holds one file only", arch=arch)
    if kernel is not None:
        return _Place(None, kernel, f"{content.name} has no ramdisk", arch=arch)
    return _Place(None, None, f"{content.name} is a {facts.type} image without a ramdisk")


def _peeled(start: Start) -> Content | None:
    outer = start.kernel.content if start.kernel is not None else None
    return None if outer is None else kernel_in(outer)


def _arch_of(content: Content) -> str | None:
    """Tell by the first kernel inside."""
    inside = (of_kernel(item.format) for item in content.walk() if item.facts is not None)
    return next((arch for arch in inside if arch is not None), None)
