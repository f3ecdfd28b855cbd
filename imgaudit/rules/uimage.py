"""Legacy U-Boot images: both checksums, the size, the table of files, and true labels."""

from __future__ import annotations

import struct
from typing import Protocol

from imgaudit.contents.place import Node
from imgaudit.contents.tree import Content
from imgaudit.formats.facts import Match
from imgaudit.formats.uimage import UimageFacts
from imgaudit.rules import samples as sample
from imgaudit.rules._containers import (
    FIRST_INSTRUCTION,
    KERNEL_ARCH,
    compressor,
    damaged,
    lands_wrong,
    misfit,
    ram_size,
)
from imgaudit.rules.cited import PRACTICE, in_u_boot
from imgaudit.rules.engine import Case, Example, NotChecked, Outcome, Rule, Severity, check
from imgaudit.rules.examples import nor
from imgaudit.rules.kinds import board_arch, contents_of
from imgaudit.units import KIB, Span

_KERNELS = frozenset({"kernel", "kernel_noload", "multi"})
# What U-Boot unpacks; it hands on everything else as stored.
_UNPACKED = _KERNELS | {"standalone", "firmware"}
_ARCHITECTURE_MATTERS = _KERNELS | {"ramdisk", "standalone"}
_RAMDISK, _MULTI, _KERNEL = 3, 4, 2
_GZIP = 1
UIMAGES = contents_of(UimageFacts)
_ARM = 2


def _one(data: bytes) -> Example:
    return nor(
        "name: recovery, at: 0, size: 128 KiB, holds: uimage, file: uImage",
        files={"uImage": lambda: data},
    )


def _multi(*sizes: int) -> bytes:
    table = struct.pack(f">{len(sizes)}I", *sizes) + bytes(4)
    return sample.uimage(table.ljust(KIB, b"\xd5"), kind=_MULTI)


_GOOD = _one(sample.uimage())
_DAMAGED = sample.uimage()[:-1] + b"\0"


def _mismatch_values(*, stored: str, computed: str | None) -> None: ...


HEADER = Rule(
    name="uimage-header-checksum",
    severity=Severity.ERROR,
    values=_mismatch_values,
    message="{content}: the header stores the CRC {stored}, its 64 bytes give {computed}",
    effect='U-Boot says "Bad Header Checksum" and does not boot it.',
    fix="Make the image again with mkimage; do not edit a finished header.",
    computed="CRC-32 of the 64-byte header with ih_hcrc as zero is not ih_hcrc",
    sources=(
        in_u_boot("include/image.h", "legacy_img_hdr"),
        in_u_boot("boot/image.c", "image_check_hcrc"),
        in_u_boot("boot/bootm.c", says="Bad Header Checksum"),
    ),
    bad=_one(sample.uimage()[:32] + b"tide" + sample.uimage()[36:]),
    good=_GOOD,
)


@check(HEADER, over=UIMAGES)
def uimage_header(found: Node[UimageFacts]) -> Outcome:
    yield from _checksum(found, HEADER, "header")


DATA = Rule(
    name="uimage-data-checksum",
    severity=Severity.ERROR,
    values=_mismatch_values,
    message="{content}: the header stores the CRC {stored}, the data gives {computed}",
    effect='U-Boot says "Bad Data CRC" and does not boot it, unless verify is set to no.',
    fix="Make the image again with mkimage from the final file, or copy it again.",
    computed="CRC-32 of the ih_size bytes behind the header is not ih_dcrc",
    sources=(
        in_u_boot("include/image.h", "legacy_img_hdr"),
        in_u_boot("boot/image.c", "image_check_dcrc"),
        in_u_boot("boot/bootm.c", says="Bad Data CRC"),
        in_u_boot("boot/bootm.c", "bootm_start", says="images.verify = env_get_yesno"),
    ),
    bad=_one(_DAMAGED),
    good=_GOOD,
)


@check(DATA, over=UIMAGES)
def uimage_data(found: Node[UimageFacts]) -> Outcome:
    yield from _checksum(found, DATA, "data")


class _Mismatch(Protocol):
    """A rule about one of the two checksums."""

    name: str

    def __call__(self, *, stored: str, computed: str | None) -> Case: ...


def _checksum(found: Node[UimageFacts], rule: _Mismatch, name: str) -> Outcome:
    checksum = next(item for item in found.facts.checksums if item.name == name)
    if checksum.matches is None:
        yield NotChecked(rule.name, found.content.name, checksum.why)
    elif not checksum.matches:
        yield rule(stored=checksum.stored, computed=checksum.computed).inside(
            found, at=checksum.covers.start, length=checksum.covers.size
        )


def _size_values(*, wanted: int, present: int, happens: str) -> None: ...


SIZE = Rule(
    name="uimage-size-mismatch",
    stops=True,
    severity=Severity.ERROR,
    values=_size_values,
    message="{content} says that {wanted:bytes} follow its header, and {present:bytes} do",
    effect="{happens}.",
    fix="Copy the file again, if it was cut; else make it again with mkimage.",
    computed="64 + ih_size is above the size of the file, or ih_size is 0",
    sources=(
        in_u_boot("include/image.h", "legacy_img_hdr"),
        in_u_boot("boot/bootm.c", says="Bad Data CRC"),
    ),
    bad=_one(sample.uimage()[:-4]),
    good=_GOOD,
)


@check(SIZE, over=UIMAGES)
def uimage_size(found: Node[UimageFacts]) -> Outcome:
    facts = found.facts
    if facts.size > facts.data_present:
        happens = (
            'U-Boot reads on into whatever follows and says "Bad Data CRC"; where verify is set to'
            " no, it starts what it has"
        )
    elif not facts.size:
        happens = "U-Boot takes nothing out of it: there is no program to start, and no data"
    else:
        return
    yield SIZE(wanted=facts.size, present=facts.data_present, happens=happens).inside(
        found, at=facts.offsets["size"], length=4
    )


def _table_values(*, what: str) -> None: ...


TABLE = Rule(
    name="uimage-multi-table",
    severity=Severity.ERROR,
    values=_table_values,
    message="{content}: {what}",
    effect="U-Boot takes the wrong bytes for the ramdisk, the device tree or the script.",
    fix="Make the image again with mkimage and name every file after -d, separated by colons.",
    computed="the table of big-endian sizes has no closing zero, its files (each padded to 4) do"
    " not end where ih_size does, or the third file of type multi is no device tree",
    sources=(
        in_u_boot("boot/image.c", "image_multi_getimg"),
        in_u_boot("boot/image-fdt.c", "boot_get_fdt"),
    ),
    bad=_one(_multi(900, 900)),
    good=_one(_multi(500, 512)),
)


@check(TABLE, over=UIMAGES)
def uimage_table(found: Node[UimageFacts]) -> Outcome:
    facts = found.facts
    # A file that is cut is told as such.
    if facts.table_ended is None or facts.data_present < facts.size:
        return
    what, at = "", facts.data_offset
    end = facts.data_offset + facts.size
    third = found.content.part("image-2")
    if not facts.table_ended:
        what = "the table of sizes has no closing zero"
    elif not facts.members:
        what = "the table of sizes names no file"
    elif facts.members_end > end:
        what = f"its files end {facts.members_end - end:,} bytes past the data"
    elif end - facts.members_end > 3:
        what = f"{end - facts.members_end:,} bytes of the data belong to none of its files"
    elif facts.type == "multi" and third is not None and not _is(third, "fdt"):
        what, at = "its third file is no device tree", third.offset
    if what:
        yield TABLE(what=what).inside(found, at=at, length=0)


def _is(content: Content, name: str) -> bool:
    return content.format == name and content.match is not Match.NO


def _architecture_values(*, type: str, arch: str, wanted: str) -> None: ...


ARCHITECTURE = Rule(
    name="uimage-wrong-architecture",
    severity=Severity.ERROR,
    values=_architecture_values,
    message="{content} ({type}) is for {arch}, the board is {wanted}",
    effect='U-Boot says "Unsupported Architecture", or starts code that the processor cannot run.',
    fix="Ship the file that was built for {wanted}, or give mkimage the right -A.",
    computed="ih_arch is not that of the layout; U-Boot does not ask a script. A warning where it"
    " does not matter to U-Boot, and for arm on arm64, which U-Boot lets through",
    sources=(
        in_u_boot("include/image.h", "image_check_target_arch"),
        in_u_boot("boot/bootm.c", "image_get_kernel", "Unsupported Architecture 0x%x"),
    ),
    bad=_one(sample.uimage(arch=5)),
    good=_GOOD,
)


@check(ARCHITECTURE, over=UIMAGES, given=board_arch)
def uimage_architecture(found: Node[UimageFacts], wanted: str) -> Outcome:
    facts = found.facts
    severity = misfit(facts.arch, wanted)
    if severity is None or facts.type in {"script", "filesystem", "fpga"}:
        return
    yield ARCHITECTURE(type=facts.type, arch=facts.arch, wanted=wanted).inside(
        found,
        at=facts.offsets["arch"],
        length=1,
        severity=severity if facts.type in _ARCHITECTURE_MATTERS else Severity.WARNING,
    )


def _compression_values(*, type: str, label: str, real: str, right: str, happens: str) -> None: ...


COMPRESSION = Rule(
    name="uimage-compression-mislabelled",
    stops=True,
    severity=Severity.ERROR,
    values=_compression_values,
    message="{content} ({type}) says compression {label}, but {real}",
    effect="{happens}.",
    fix="Give mkimage -C {right}; without -C it writes gzip.",
    computed="the first bytes of the data are not what ih_comp says; of a device tree: ih_comp is"
    " not none. An error where U-Boot unpacks, else a warning",
    sources=(
        in_u_boot("boot/bootm.c", "bootm_load_os"),
        in_u_boot("tools/mkimage.c", "IH_COMP_GZIP"),
    ),
    bad=_one(sample.uimage(sample.arm64_kernel(), kind=_KERNEL, compression=_GZIP)),
    good=_one(sample.uimage(sample.packed(sample.arm64_kernel()), kind=_KERNEL, compression=_GZIP)),
)


@check(COMPRESSION, over=UIMAGES)
def uimage_compression(found: Node[UimageFacts]) -> Outcome:
    facts = found.facts
    content = _judged(found)
    if content is None:
        return
    label, real = facts.compression, compressor(content)
    said = "the data is not compressed" if real is None else f"the data is {real}"
    severity: Severity | None = None
    if facts.type == "flat_dt":
        if label == "none":
            return
        said, happens = "U-Boot takes no compressed one", "U-Boot refuses the device tree"
        real = None
    elif facts.type in _UNPACKED:
        if label == (real or "none"):
            return
        happens = (
            "U-Boot jumps into data that it was not told to unpack"
            if label == "none"
            else f"U-Boot takes it for {label}, and cannot unpack it"
        )
    else:
        # A ramdisk under `none` is right whatever it is: the kernel unpacks it.
        if label in {"none", real}:
            return
        severity = Severity.WARNING
        happens = "Nothing today: U-Boot hands the data on as stored; other tools go by it"
    yield COMPRESSION(
        type=facts.type, label=label, real=said, right=real or "none", happens=happens
    ).inside(found, at=facts.offsets["comp"], length=1, severity=severity)


def _payload_values(*, arch: str, real: str) -> None: ...


PAYLOAD = Rule(
    name="uimage-payload-of-another-architecture",
    stops=True,
    severity=Severity.ERROR,
    values=_payload_values,
    message="{content} says {arch}, but the kernel in it is for {real}",
    effect="U-Boot prepares the processor for {arch} and jumps into {real} code: nothing is heard"
    ' after "Starting kernel".',
    fix="Give mkimage -A {real}, or the kernel that was built for {arch}.",
    computed="the header of the kernel, unpacked, is that of another architecture than ih_arch",
    sources=(
        in_u_boot("arch/arm/lib/bootm.c", "ES_TO_AARCH32"),
        in_u_boot("arch/arm/lib/bootm.c", "announce_and_cleanup", "Starting kernel ..."),
    ),
    bad=_one(sample.uimage(sample.arm64_kernel(), kind=_KERNEL, arch=_ARM)),
    good=_one(sample.uimage(sample.arm64_kernel(), kind=_KERNEL)),
)


@check(PAYLOAD, over=UIMAGES)
def uimage_payload(found: Node[UimageFacts]) -> Outcome:
    facts, content = found.facts, _judged(found)
    if content is None or facts.type not in _KERNELS or damaged(content):
        return
    inner = content.unwrapped()
    real = KERNEL_ARCH.get(inner.format or "") if inner.match >= Match.GOOD else None
    if real is not None and real != facts.arch:
        yield PAYLOAD(arch=facts.arch, real=real).inside(found, at=facts.offsets["arch"], length=1)


def _entry_values(*, entry: int, start: int, end: int, must: str) -> None: ...


ENTRY = Rule(
    name="uimage-entry-outside-kernel",
    stops=True,
    severity=Severity.ERROR,
    values=_entry_values,
    message="{content} is entered at {entry:place}, and its kernel, at {start:place}..{end:place},"
    " {must}",
    effect="U-Boot jumps to where the kernel does not begin: nothing more is heard after"
    ' "Starting kernel".',
    fix="Give mkimage -e the address of the kernel's first instruction, as a rule that of -a.",
    computed="ih_ep of a kernel is not in [ih_load, ih_load + size in RAM); of an Image of arm64 or"
    " RISC-V and of a zImage, it is not ih_load",
    sources=(
        PRACTICE,
        *FIRST_INSTRUCTION,
        in_u_boot("arch/arm/lib/bootm.c", "announce_and_cleanup", "Starting kernel ..."),
    ),
    bad=_one(sample.uimage(sample.arm64_kernel(), kind=_KERNEL, entry=0x100000)),
    good=_one(sample.uimage(sample.arm64_kernel(), kind=_KERNEL)),
)


@check(ENTRY, over=UIMAGES)
def uimage_entry(found: Node[UimageFacts]) -> Outcome:
    facts, content = found.facts, _judged(found)
    if content is None or facts.type != "kernel" or damaged(content):
        return
    span = Span.sized(facts.load, ram_size(content, facts.compression))
    must = lands_wrong(content, span, facts.ep)
    if must is not None:
        yield ENTRY(entry=facts.ep, start=span.start, end=span.end, must=must).inside(
            found, at=facts.offsets["ep"], length=4
        )


def _judged(found: Node[UimageFacts]) -> Content | None:
    """Give what the compression byte speaks of: the data, or the first file of a table."""
    return found.content.part("data" if found.facts.table_ended is None else "image-0")
