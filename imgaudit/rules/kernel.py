"""Kernels by their own headers: whole, for this processor, and at an address they accept."""

from __future__ import annotations

from collections.abc import Iterator

from imgaudit.contents.tree import Content
from imgaudit.formats.arm64_image import Arm64ImageFacts
from imgaudit.formats.fit import FitFacts
from imgaudit.formats.riscv_image import RiscvImageFacts
from imgaudit.formats.uimage import UimageFacts
from imgaudit.formats.zimage import ZimageFacts
from imgaudit.rules import samples as sample
from imgaudit.rules._containers import UNSAID_KERNEL_SIZE, Found, contents
from imgaudit.rules.engine import Example, Finding, Outcome, Rule, Severity, check
from imgaudit.rules.examples import nor
from imgaudit.rules.subject import Subject
from imgaudit.units import KIB, MIB, round_down

_BOOTING = "Linux Documentation/arch/arm64/booting.rst"
_RISCV = "Linux Documentation/arch/riscv/boot-image-header.rst"
_ZIMAGE = "Linux arch/arm/boot/compressed/head.S"
_ALIGN = 2 * MIB
_FILLS = (b"\0", b"\xff")


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


IMAGE_SIZE = Rule(
    name="arm64-image-size-too-small",
    severity=Severity.ERROR,
    message="{content}: the kernel's image_size is {stated:bytes}, the file is {size:bytes}",
    effect="{happens}.",
    fix="Ship arch/arm64/boot/Image as the kernel build made it; pass what was added separately.",
    computed="image_size is below the size of the file and what lies beyond is not padding; or it"
    " is 0: a warning up to the 16 MiB that U-Boot then assumes",
    source=f"{_BOOTING}; U-Boot arch/arm/lib/image.c, booti_setup()",
    judges=("arm64-image",),
    bad=_one("arm64-image", sample.arm64_kernel(8 * KIB, image_size=4 * KIB)),
    good=_GOOD,
)


@check(IMAGE_SIZE)
def arm64_image_size(subject: Subject) -> Outcome:
    for found in contents(subject, Arm64ImageFacts):
        stated, size = found.facts.image_size, found.content.size
        severity = None
        if stated == 0:
            happens = "U-Boot assumes 16 MiB: beyond, it may put other data over the kernel"
            severity = Severity.WARNING if size <= UNSAID_KERNEL_SIZE else None
        elif stated < size and not _blank_from(found.content, stated):
            happens = "U-Boot moves and guards only image_size bytes of it: the rest is lost"
        else:
            continue
        yield found.finding(
            IMAGE_SIZE,
            at=found.facts.offsets["image_size"],
            length=8,
            severity=severity,
            stated=stated,
            size=size,
            happens=happens,
        )


RISCV_SIZE = Rule(
    name="riscv-image-size-missing",
    severity=Severity.ERROR,
    message="{content}: the kernel's image_size is 0",
    effect='U-Boot says "Image lacks image_size field, error!" and does not boot it.',
    fix="Ship arch/riscv/boot/Image as the kernel build made it.",
    computed="image_size is 0",
    source=f"{_RISCV}; U-Boot arch/riscv/lib/image.c, booti_setup()",
    judges=("riscv-image",),
    bad=_one("riscv-image", sample.riscv_kernel(0), "riscv64"),
    good=_one("riscv-image", sample.riscv_kernel(64 * KIB), "riscv64"),
)


@check(RISCV_SIZE)
def riscv_image_size(subject: Subject) -> Outcome:
    for found in contents(subject, RiscvImageFacts):
        if found.facts.image_size == 0:
            yield found.finding(RISCV_SIZE, at=found.facts.offsets["image_size"], length=8)


BIG_ENDIAN = Rule(
    name="kernel-is-big-endian",
    severity=Severity.WARNING,
    message="{content} is a big-endian kernel",
    effect="It runs only big-endian programs; the ramdisk and root of such boards are not.",
    fix="Build it without CONFIG_CPU_BIG_ENDIAN, unless the whole system is big-endian.",
    computed="bit 0 of the header's flags (arm64, riscv), or the byte order of the word 0x04030201"
    " at 0x30 (arm)",
    source=f"{_BOOTING}; {_RISCV}; {_ZIMAGE}",
    judges=("arm64-image", "riscv-image", "zimage"),
    bad=_one("arm64-image", sample.arm64_kernel(flags=0xB)),
    good=_GOOD,
)


@check(BIG_ENDIAN)
def kernel_big_endian(subject: Subject) -> Outcome:
    for found, _ in _kernels(subject):
        if found.facts.big_endian:
            field = "endian" if isinstance(found.facts, ZimageFacts) else "flags"
            yield found.finding(BIG_ENDIAN, at=found.facts.offsets[field], length=4)


_Kernel = Found[Arm64ImageFacts] | Found[RiscvImageFacts] | Found[ZimageFacts]


def _kernels(subject: Subject) -> Iterator[tuple[_Kernel, frozenset[str]]]:
    """Give every kernel with the architectures that can start it."""
    for arm64 in contents(subject, Arm64ImageFacts):
        yield arm64, frozenset({"arm64"})
    for arm in contents(subject, ZimageFacts):
        yield arm, frozenset({"arm"})
    for riscv in contents(subject, RiscvImageFacts):
        yield riscv, frozenset({"riscv32", "riscv64"})


ARCHITECTURE = Rule(
    name="kernel-wrong-architecture",
    severity=Severity.ERROR,
    message="{content} is: {found}; the board is {wanted}",
    effect="U-Boot refuses it, or jumps into code that the processor cannot run.",
    fix="Ship the kernel that was built for {wanted}.",
    computed="the kernel's header is that of another architecture than the layout's",
    source=f"{_BOOTING}; {_ZIMAGE}; {_RISCV}",
    judges=("arm64-image", "riscv-image", "zimage"),
    bad=_one("zimage", sample.zimage()),
    good=_GOOD,
)


@check(ARCHITECTURE)
def kernel_architecture(subject: Subject) -> Outcome:
    if subject.layout is None:
        return
    wanted = subject.layout.arch
    for found, runs_on in _kernels(subject):
        if wanted not in runs_on:
            yield found.finding(ARCHITECTURE, found=found.content.title, wanted=wanted)


ZIMAGE_CUT = Rule(
    name="zimage-cut",
    severity=Severity.ERROR,
    message="{content}: {what}",
    effect='The kernel hangs without a word after "Starting kernel".',
    fix="Copy arch/arm/boot/zImage again; a device tree is appended to a whole one.",
    computed="end - start of the header is above the size of the file or not above 0",
    source=_ZIMAGE,
    judges=("zimage",),
    bad=_one("zimage", sample.zimage(says=2 * KIB), "arm"),
    good=_one("zimage", sample.zimage() + sample.board_tree(), "arm"),
)


@check(ZIMAGE_CUT)
def zimage_cut(subject: Subject) -> Outcome:
    for found in contents(subject, ZimageFacts):
        wanted, present = found.facts.image_size, found.facts.data_present
        if wanted <= 0:
            what = "its header ends the image before it starts"
        elif present < wanted:
            what = f"its header says {wanted:,} bytes, {wanted - present:,} of them are missing"
        else:
            continue
        yield found.finding(
            ZIMAGE_CUT, at=found.facts.offsets["start"], length=8, what=what, size=wanted
        )


ZIMAGE_TAIL = Rule(
    name="zimage-followed-by-data",
    severity=Severity.WARNING,
    message="{content}: {size:bytes} from {start:place} on belong neither to the kernel nor to an"
    " appended device tree",
    effect="The kernel looks for a device tree right there, and does not see this one.",
    fix="Append a whole device tree to the untouched zImage, and nothing else.",
    computed="behind end - start, and a device tree appended there, is something else than padding"
    " or further device trees",
    source=f"{_ZIMAGE}, CONFIG_ARM_APPENDED_DTB",
    judges=("zimage",),
    bad=_one("zimage", sample.zimage() + bytes(4) + sample.board_tree(), "arm"),
    good=_one("zimage", sample.zimage() + sample.board_tree(), "arm"),
)


@check(ZIMAGE_TAIL)
def zimage_tail(subject: Subject) -> Outcome:
    for found in contents(subject, ZimageFacts):
        end = found.facts.image_size + (found.facts.appended_size or 0)
        view = found.content.view
        if view is None or not 0 < end < view.size:
            continue
        # Some loaders pick one of several trees that follow each other.
        more = found.facts.appended_size is not None and view.upto(end, 4) == b"\xd0\x0d\xfe\xed"
        if not more and not _blank_from(found.content, end):
            yield found.finding(
                ZIMAGE_TAIL, at=end, length=view.size - end, size=view.size - end, start=end
            )


ALIGNMENT = Rule(
    name="arm64-load-not-aligned",
    severity=Severity.WARNING,
    message="{content} loads the kernel to {load:place}, which is not text_offset {text:place}"
    " above a 2 MiB boundary",
    effect="U-Boot moves the kernel to the next such place, over a device tree or ramdisk that"
    " lies there; a loader that jumps straight to it crashes.",
    fix="Load it to {right:place}.",
    computed="(load - text_offset) mod 2 MiB is not 0; text_offset is 0x80000 where image_size is"
    " 0; type kernel_noload has no load address",
    source=_BOOTING,
    judges=("fit", "uimage"),
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


@check(ALIGNMENT)
def arm64_alignment(subject: Subject) -> Outcome:
    for fit in contents(subject, FitFacts):
        for image in fit.facts.images:
            content = fit.content.part(image.name)
            if image.type == "kernel" and image.load is not None and content is not None:
                yield from _misplaced(fit, content, image.load, image.offsets["load"])
    for uimage in contents(subject, UimageFacts):
        content = uimage.content.part("data")
        if uimage.facts.type == "kernel" and content is not None:
            load, at = uimage.facts.load, uimage.facts.offsets["load"]
            yield from _misplaced(uimage, content, load, at)


def _misplaced(
    holder: Found[FitFacts] | Found[UimageFacts], content: Content, load: int, at: int
) -> Iterator[Finding]:
    for inner in content.walk():
        if isinstance(inner.facts, Arm64ImageFacts):
            text = inner.facts.load_offset
            if (load - text) % _ALIGN:
                right = round_down(load, _ALIGN) + text
                yield holder.finding(ALIGNMENT, at=at, length=4, load=load, text=text, right=right)
