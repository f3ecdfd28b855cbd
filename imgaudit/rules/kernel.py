"""Kernels by their own headers: whole, for this processor, and at an address they accept."""

from __future__ import annotations

from collections.abc import Iterator

from imgaudit.arches import ARCHES
from imgaudit.boot.firmware import is_u_boot
from imgaudit.contents.place import Node
from imgaudit.contents.tree import Content
from imgaudit.formats.arm64_image import Arm64ImageFacts
from imgaudit.formats.fit import FitFacts
from imgaudit.formats.riscv_image import RiscvImageFacts
from imgaudit.formats.uimage import UimageFacts
from imgaudit.formats.zimage import ZimageFacts
from imgaudit.rules import samples as sample
from imgaudit.rules._containers import UNSAID_KERNEL_SIZE
from imgaudit.rules.cited import in_linux, in_u_boot
from imgaudit.rules.engine import Example, Finding, Kind, Outcome, Rule, Severity, check, nothing
from imgaudit.rules.examples import nor
from imgaudit.rules.kinds import board_arch, contents_of
from imgaudit.units import KIB, MIB, round_down

_ALIGN = 2 * MIB
_FILLS = (b"\0", b"\xff")
ARM64 = contents_of(Arm64ImageFacts)
RISCV = contents_of(RiscvImageFacts)
ZIMAGES = contents_of(ZimageFacts)
KERNELS: Kind[Node[Arm64ImageFacts | RiscvImageFacts | ZimageFacts]] = contents_of(
    Arm64ImageFacts, RiscvImageFacts, ZimageFacts
)
LOADED: Kind[Node[FitFacts | UimageFacts]] = contents_of(FitFacts, UimageFacts)


def _one(holds: str, data: bytes, arch: str = "arm64") -> Example:
    example = nor(
        f"name: kernel, at: 0, size: 256 KiB, holds: {holds}, file: kernel",
        files={"kernel": lambda: data},
    )
    return Example(example.layout.replace("arch: arm64", f"arch: {arch}"), example.files)


_GOOD = _one("arm64-image", sample.arm64_kernel())


def _blank_from(content: Content, start: int) -> bool:
    """Tell whether the rest of a content is all zero or all erased, as padding is."""
    view = content.view
    return view is not None and any(
        all(piece.count(fill) == len(piece) for piece in view.chunks(start)) for fill in _FILLS
    )


def _image_size_values(*, stated: int, size: int, happens: str) -> None: ...


IMAGE_SIZE = Rule(
    name="arm64-image-size-too-small",
    stops=True,
    severity=Severity.ERROR,
    values=_image_size_values,
    message="{content}: the kernel's image_size is {stated:bytes}, the file is {size:bytes}",
    effect="{happens}.",
    fix="Ship arch/arm64/boot/Image as the kernel build made it; pass what was added separately.",
    computed="image_size is below the size of the file and what lies beyond is not padding; or it"
    " is 0: a warning up to the 16 MiB that U-Boot then assumes; of a U-Boot that has a kernel's"
    " header it is not asked",
    sources=(
        in_linux(
            "Documentation/arm64/booting.rst",
            says="When image_size is zero, a bootloader should attempt to keep as much "
            "memory as possible free for use by the kernel immediately after the "
            "end of the kernel image.",
        ),
        in_u_boot(
            "arch/arm/lib/image.c", "booti_setup", "Image lacks image_size field, assuming 16MiB"
        ),
    ),
    bad=_one("arm64-image", sample.arm64_kernel(8 * KIB, image_size=4 * KIB)),
    good=_GOOD,
)


@check(IMAGE_SIZE, over=ARM64)
def arm64_image_size(found: Node[Arm64ImageFacts]) -> Outcome:
    stated, size = found.facts.image_size, found.content.size
    severity = None
    if stated == 0:
        happens = "U-Boot assumes 16 MiB: beyond, it may put other data over the kernel"
        severity = Severity.WARNING if size <= UNSAID_KERNEL_SIZE else None
    elif stated < size and not _blank_from(found.content, stated):
        happens = (
            "Where U-Boot moves the kernel it takes only image_size bytes along, and guards no"
            " more: what lies behind is lost, or other data is loaded over it"
        )
    else:
        return
    # U-Boot may have a kernel's header for the loader before it, and its own tree behind that size
    # (CONFIG_LINUX_KERNEL_IMAGE_HEADER, CONFIG_OF_SEPARATE).
    if is_u_boot(found.view()):
        return
    yield IMAGE_SIZE(stated=stated, size=size, happens=happens).inside(
        found, at=found.facts.offsets["image_size"], length=8, severity=severity
    )


RISCV_SIZE = Rule(
    name="riscv-image-size-missing",
    stops=True,
    severity=Severity.ERROR,
    values=nothing,
    message="{content}: the kernel's image_size is 0",
    effect='The command booti says "Image lacks image_size field, error!" and does not boot it.',
    fix="Ship arch/riscv/boot/Image as the kernel build made it.",
    computed="image_size is 0",
    sources=(
        in_linux("Documentation/riscv/boot-image-header.rst", "image_size"),
        in_u_boot("arch/riscv/lib/image.c", "booti_setup", "Image lacks image_size field, error!"),
    ),
    bad=_one("riscv-image", sample.riscv_kernel(0), "riscv64"),
    good=_one("riscv-image", sample.riscv_kernel(64 * KIB), "riscv64"),
)


@check(RISCV_SIZE, over=RISCV)
def riscv_image_size(found: Node[RiscvImageFacts]) -> Outcome:
    if found.facts.image_size == 0:
        yield RISCV_SIZE().inside(found, at=found.facts.offsets["image_size"], length=8)


BIG_ENDIAN = Rule(
    name="kernel-is-big-endian",
    severity=Severity.WARNING,
    values=nothing,
    message="{content} is a big-endian kernel",
    effect="Such a kernel runs only big-endian programs; the ramdisk and root of such boards are"
    " not.",
    fix="Build it without CONFIG_CPU_BIG_ENDIAN, unless the whole system is big-endian.",
    computed="bit 0 of the header's flags (arm64, riscv), or the byte order of the word 0x04030201"
    " at 0x30 (arm)",
    sources=(
        in_linux("Documentation/arm64/booting.rst", says="Kernel endianness. 1 if BE, 0 if LE."),
        in_linux(
            "Documentation/riscv/boot-image-header.rst", says="Kernel endianness. 1 if BE, 0 if LE."
        ),
        in_linux("arch/arm/boot/compressed/head.S", says="0x04030201"),
    ),
    bad=_one("arm64-image", sample.arm64_kernel(flags=0xB)),
    good=_GOOD,
)


@check(BIG_ENDIAN, over=KERNELS)
def kernel_big_endian(found: Node[Arm64ImageFacts | RiscvImageFacts | ZimageFacts]) -> Outcome:
    if found.facts.big_endian:
        field = "endian" if isinstance(found.facts, ZimageFacts) else "flags"
        yield BIG_ENDIAN().inside(found, at=found.facts.offsets[field], length=4)


def _architecture_values(*, found: str, wanted: str) -> None: ...


ARCHITECTURE = Rule(
    name="kernel-wrong-architecture",
    stops=True,
    severity=Severity.ERROR,
    values=_architecture_values,
    message="{content} is: {found}; the board is {wanted}",
    effect="U-Boot refuses it, or jumps into code that the processor cannot run.",
    fix="Ship the kernel that was built for {wanted}.",
    computed="the kernel's header is that of another architecture than the layout's",
    sources=(
        in_linux("Documentation/arm64/booting.rst", "magic"),
        in_linux("arch/arm/boot/compressed/head.S", "_magic_sig"),
        in_linux("Documentation/riscv/boot-image-header.rst", "magic"),
    ),
    bad=_one("zimage", sample.zimage()),
    good=_GOOD,
)


@check(ARCHITECTURE, over=KERNELS, given=board_arch)
def kernel_architecture(
    found: Node[Arm64ImageFacts | RiscvImageFacts | ZimageFacts], wanted: str
) -> Outcome:
    if ARCHES[wanted].kernel != found.facts.format:
        yield ARCHITECTURE(found=found.content.title, wanted=wanted).inside(found)


def _zimage_cut_values(*, what: str, size: int) -> None: ...


ZIMAGE_CUT = Rule(
    name="zimage-cut",
    stops=True,
    severity=Severity.ERROR,
    values=_zimage_cut_values,
    message="{content}: {what}",
    effect='The kernel hangs without a word after "Starting kernel".',
    fix="Copy arch/arm/boot/zImage again; a device tree is appended to a whole one.",
    computed="end - start of the header is above the size of the file or not above 0",
    sources=(
        in_linux("arch/arm/boot/compressed/head.S", "_magic_end"),
        in_u_boot("arch/arm/lib/bootm.c", "announce_and_cleanup", "Starting kernel ..."),
    ),
    bad=_one("zimage", sample.zimage(says=2 * KIB), "arm"),
    good=_one("zimage", sample.zimage() + sample.board_tree(), "arm"),
)


@check(ZIMAGE_CUT, over=ZIMAGES)
def zimage_cut(found: Node[ZimageFacts]) -> Outcome:
    wanted, present = found.facts.image_size, found.facts.data_present
    if wanted <= 0:
        what = "its header ends the image before it starts"
    elif present < wanted:
        what = f"its header says {wanted:,} bytes, {wanted - present:,} of them are missing"
    else:
        return
    yield ZIMAGE_CUT(what=what, size=wanted).inside(
        found, at=found.facts.offsets["start"], length=8
    )


def _zimage_tail_values(*, size: int, start: int) -> None: ...


ZIMAGE_TAIL = Rule(
    name="zimage-followed-by-data",
    severity=Severity.WARNING,
    values=_zimage_tail_values,
    message="{content}: {size:bytes} from {start:place} on belong neither to the kernel nor to an"
    " appended device tree",
    effect="The kernel looks for a device tree right there, and does not see this one.",
    fix="Append a whole device tree to the untouched zImage, and nothing else.",
    computed="behind end - start, and a device tree appended there, is something else than padding"
    " or further device trees",
    sources=(in_linux("arch/arm/boot/compressed/head.S", "CONFIG_ARM_APPENDED_DTB"),),
    bad=_one("zimage", sample.zimage() + bytes(4) + sample.board_tree(), "arm"),
    good=_one("zimage", sample.zimage() + sample.board_tree(), "arm"),
)


@check(ZIMAGE_TAIL, over=ZIMAGES, after=(zimage_cut,))
def zimage_tail(found: Node[ZimageFacts]) -> Outcome:
    end = found.facts.image_size + (found.facts.appended_size or 0)
    view = found.content.view
    if view is None or not 0 < end < view.size:
        return
    # Some loaders pick one of several trees that follow each other.
    more = found.facts.appended_size is not None and view.upto(end, 4) == b"\xd0\x0d\xfe\xed"
    if not more and not _blank_from(found.content, end):
        yield ZIMAGE_TAIL(size=view.size - end, start=end).inside(
            found, at=end, length=view.size - end
        )


def _alignment_values(*, load: int, text: int, right: int) -> None: ...


ALIGNMENT = Rule(
    name="arm64-load-not-aligned",
    severity=Severity.WARNING,
    values=_alignment_values,
    message=(
        "{content} loads the kernel to {load:place}; it must lie at a multiple of 2 MiB "
        "plus text_offset, {text:place}: {right:place}"
    ),
    effect="U-Boot's bootm jumps to it where it lies: the kernel does not come up, or warns"
    ' "Kernel image misaligned at boot, please fix your bootloader!". Its booti moves the kernel to'
    " the next such place, over what lies there.",
    fix="Load it to {right:place}.",
    computed="(load - text_offset) mod 2 MiB is not 0; text_offset is 0x80000 where image_size is"
    " 0; type kernel_noload has no load address",
    sources=(
        in_linux(
            "Documentation/arm64/booting.rst",
            says="The Image must be placed text_offset bytes from a 2MB aligned base "
            "address anywhere in usable system RAM and called there.",
        ),
        in_linux(
            "arch/arm64/kernel/setup.c",
            "setup_arch",
            "Kernel image misaligned at boot, please fix your bootloader!",
        ),
        in_u_boot("boot/bootm.c", "bootm_find_os"),
        in_u_boot("cmd/booti.c", "booti_start", "Moving Image from"),
    ),
    bad=nor(
        "name: recovery, at: 0, size: 256 KiB, holds: fit, file: recovery.itb",
        files={
            "recovery.itb": lambda: sample.fit(
                {"kernel": sample.kernel({"load": 0x80080000, "entry": 0x80080000})}
            )
        },
    ),
    good=nor(
        "name: recovery, at: 0, size: 256 KiB, holds: fit, file: recovery.itb",
        files={"recovery.itb": sample.fit},
    ),
)


@check(ALIGNMENT, over=LOADED)
def arm64_alignment(found: Node[FitFacts | UimageFacts]) -> Outcome:
    facts = found.facts
    if isinstance(facts, FitFacts):
        for image in facts.images:
            content = found.content.part(image.name)
            if image.type == "kernel" and image.load is not None and content is not None:
                yield from _misplaced(found, content, image.load, image.offsets["load"])
    elif facts.type == "kernel" and (content := found.content.part("data")) is not None:
        yield from _misplaced(found, content, facts.load, facts.offsets["load"])


def _misplaced(
    holder: Node[FitFacts | UimageFacts], content: Content, load: int, at: int
) -> Iterator[Finding]:
    for inner in content.walk():
        if isinstance(inner.facts, Arm64ImageFacts):
            text = inner.facts.load_offset
            if (load - text) % _ALIGN:
                right = round_down(load, _ALIGN) + text
                yield ALIGNMENT(load=load, text=text, right=right).inside(holder, at=at, length=4)
