"""What a boot command starts, out of the artifacts that were loaded for it, as plain numbers.

Source: U-Boot boot/bootm.c, boot/image-fit.c, cmd/booti.c, cmd/bootz.c.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from imgaudit.boot.board import Source
from imgaudit.boot.rammap import Command, Images, Kernel, Loaded
from imgaudit.boot.records import Boot, Operation
from imgaudit.boot.values import number
from imgaudit.contents.starts import start_of
from imgaudit.contents.tree import Content
from imgaudit.data import dataclass
from imgaudit.formats.arm64_image import Arm64ImageFacts
from imgaudit.formats.fdt import FdtFacts
from imgaudit.formats.fit import FitFacts, Image
from imgaudit.formats.riscv_image import RiscvImageFacts
from imgaudit.formats.uimage import UimageFacts
from imgaudit.formats.zimage import ZimageFacts
from imgaudit.units import Span

SPOKEN = {"kernel": "kernel", "ramdisk": "ramdisk", "fdt": "device tree"}
"""What to call the parts of a boot by their roles."""


class UnknownError(Exception):
    """Something that a RAM map needs is not known; the message says what."""


@dataclass(frozen=True, kw_only=True)
class Piece:
    """One thing that is started: `role` is kernel, ramdisk or fdt.

    `size` is its bytes in RAM before it is unpacked, `to` the address that its container names.
    """

    role: str
    name: str
    content: Content | None
    at: int
    size: int
    to: int | None = None
    compression: str | None = None


@dataclass(frozen=True, kw_only=True)
class Given:
    """The buffers of one way to a boot: each part's operation and what that reads."""

    boot: Boot
    operations: Sequence[Operation]
    loaded: Mapping[str, tuple[Operation, Source | None]]


def pieces(given: Given, gaps: list[str] | None = None) -> tuple[Piece, ...]:
    """Take apart what is started.

    Args:
        given: what a boot command is given.
        gaps: gets why a ramdisk or a device tree is left out; without it that is an error.

    Raises:
        UnknownError: an address or size is not known.

    """
    return tuple(_pieces(given, gaps))


def _pieces(given: Given, gaps: list[str] | None) -> Iterator[Piece]:
    boot = given.boot
    command = boot.command.partition(" ")[0]
    if command not in set(Command):
        raise UnknownError(f"{command} places things by rules that are not known")
    if boot.kernel is None:
        raise UnknownError(f"the address that {command} starts from is not known")
    content = _content(given, "kernel")
    facts = content.facts if content is not None else None
    taken = set()
    if content is not None and isinstance(facts, FitFacts):
        for piece in _fit(boot, content):
            taken.add(piece.role)
            yield piece
    elif content is not None and isinstance(facts, UimageFacts):
        yield _uimage(content, facts, boot.kernel)
    else:
        yield _plain(given, "kernel", boot.kernel)
    for role, at in (("ramdisk", boot.ramdisk), ("fdt", boot.fdt)):
        empty = role == "ramdisk" and boot.ramdisk_size == 0 and not _headed(given, role)
        if at is not None and role not in taken and not empty:
            try:
                yield _plain(given, role, at)
            except UnknownError as problem:
                if gaps is None:
                    raise
                gaps.append(str(problem))


def _headed(given: Given, role: str) -> bool:
    """Tell whether a part says its own size; U-Boot then takes no other (boot/image-board.c)."""
    content = _content(given, role)
    return content is not None and isinstance(content.facts, FitFacts | UimageFacts)


def _content(given: Given, role: str) -> Content | None:
    source = given.loaded[role][1] if role in given.loaded else None
    return None if source is None else source.content


def _plain(given: Given, role: str, at: int) -> Piece:
    """Describe a part that is given by its own address."""
    found = given.loaded.get(role)
    if found is None:
        raise UnknownError(f"nothing that was followed puts the {role} at {at:#x}")
    operation, source = found
    content = None if source is None else source.content
    size = None if source is None else source.size
    whole = operation.ram.size if operation.ram is not None else None
    if size is None or (whole is not None and content is None):
        size = whole
    if role == "ramdisk" and given.boot.ramdisk_size:
        size = given.boot.ramdisk_size
    name = operation.path or (source.name if source is not None else operation.command)
    if size is None:
        raise UnknownError(f"the size of {name} is not known")
    if content is not None and isinstance(content.facts, UimageFacts):
        return _uimage(content, content.facts, at, role)
    return Piece(
        role=role, name=name, content=content, at=at, size=size, compression=_packed(content)
    )


def _packed(content: Content | None) -> str | None:
    """Name the compression that booti undoes by looking at the first bytes."""
    return None if content is None or content.unpacked is None else content.format


def _uimage(content: Content, facts: UimageFacts, at: int, role: str = "kernel") -> Piece:
    return Piece(
        role=role,
        name=facts.name or content.name,
        content=next(iter(content.children), None),
        at=at + facts.data_offset,
        size=facts.size,
        to=facts.load if role == "kernel" and facts.type != "kernel_noload" else None,
        compression=None if facts.compression == "none" else facts.compression,
    )


def _fit(boot: Boot, content: Content) -> Iterator[Piece]:
    """Take a FIT's parts by its configuration, each where it lies in the buffer."""
    start = start_of(content, boot.config or None)
    if start is None or start.kernel is None:
        raise UnknownError(f"{content.name} has no configuration {boot.config or '(default)'}")
    tree = next(iter(start.trees), None)
    for role, named in (("kernel", start.kernel), ("ramdisk", start.ramdisk), ("fdt", tree)):
        image = named.image if named is not None else None
        if image is None or image.data_offset is None or image.data_size is None:
            if role == "kernel":
                raise UnknownError(f"{content.name} has no data for its kernel {start.kernel.name}")
            continue
        yield Piece(
            role=role,
            name=image.name,
            content=content.part(image.name),
            at=(boot.kernel or 0) + image.data_offset,
            size=image.data_size,
            to=_load(image),
            compression=None if image.compression in {None, "none"} else image.compression,
        )


def _load(image: Image) -> int | None:
    return None if image.type == "kernel_noload" else image.load


def kernel(piece: Piece) -> Kernel:
    """Give the numbers of a kernel."""
    content, unpacked = piece.content, None
    compressed = piece.compression is not None
    if compressed and content is not None and content.unpacked is not None:
        unpacked = content.unpacked if content.complete else None
        content = content.inner
    facts = content.facts if content is not None else None
    image_size: int | None = None
    text_offset, anywhere, zimage = 0, True, False
    if isinstance(facts, Arm64ImageFacts):
        image_size, text_offset, anywhere = facts.image_size, facts.text_offset, facts.anywhere
    elif isinstance(facts, RiscvImageFacts):
        image_size, text_offset = facts.image_size, facts.text_offset
    elif isinstance(facts, ZimageFacts):
        zimage = True
        unpacked = facts.unpacked_size if not compressed else unpacked
        if facts.unpacked_size is not None:
            image_size = facts.unpacked_size + (facts.bss_size or 0)
    return Kernel(
        at=piece.at,
        file_size=piece.size,
        compressed=compressed,
        unpacked_size=unpacked,
        image_size=image_size,
        text_offset=text_offset,
        anywhere=anywhere,
        load=piece.to,
        zimage=zimage,
    )


def images(given: Given, parts: Sequence[Piece]) -> Images:
    """Put the parts and the buffers together for a RAM map.

    Raises:
        UnknownError: a variable that decides is not known.

    """
    by_role = {part.role: part for part in parts}
    ramdisk, fdt = by_role.get("ramdisk"), by_role.get("fdt")
    settings = {}
    for name, value in given.boot.settings.items():
        if "${" in value:
            raise UnknownError(f"the value of {name} is not known")
        settings[name] = number(value)
    loads = []
    for operation in given.operations:
        source = next((found for op, found in given.loaded.values() if op is operation), None)
        if operation.ram is not None:
            name = source.name if source is not None else operation.path or operation.kind.value
            loads.append(Loaded(name=name, span=operation.ram, step=operation.command))
        elif source is not None and source.size is not None and operation.ram_at is not None:
            span = Span.sized(operation.ram_at, source.size)
            loads.append(Loaded(name=source.name, span=span, step=operation.command))
    return Images(
        command=Command(given.boot.command.partition(" ")[0]),
        kernel=kernel(by_role["kernel"]),
        loads=tuple(loads),
        fdt=None if fdt is None else Span.sized(fdt.at, tree_size(fdt)),
        fdt_load=None if fdt is None else fdt.to,
        ramdisk=None if ramdisk is None else Span.sized(ramdisk.at, ramdisk.size),
        ramdisk_load=None if ramdisk is None else ramdisk.to,
        kernel_comp_addr_r=settings.get("kernel_comp_addr_r"),
        kernel_comp_size=settings.get("kernel_comp_size"),
        fdt_high=settings.get("fdt_high"),
        initrd_high=settings.get("initrd_high"),
        bootm_low=settings.get("bootm_low"),
        bootm_size=settings.get("bootm_size"),
        bootm_mapsize=settings.get("bootm_mapsize"),
    )


def tree_size(piece: Piece) -> int:
    """Give the bytes of a device tree: what its header says."""
    facts = piece.content.facts if piece.content is not None else None
    return facts.totalsize if isinstance(facts, FdtFacts) else piece.size
