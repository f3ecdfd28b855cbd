"""Firmware packages: a table that ends, images inside the file, and all that BL2 asks for."""

from __future__ import annotations

import struct

from imgaudit.contents.place import Node
from imgaudit.formats.facts import Match
from imgaudit.formats.fip import ENTRY_SIZE, Fip
from imgaudit.rules.cited import PRACTICE, in_trusted_firmware
from imgaudit.rules.engine import Example, NotChecked, Outcome, Rule, Severity, check
from imgaudit.rules.examples import nor
from imgaudit.rules.kinds import board_arch, contents_of
from imgaudit.units import Span, counted
from imgaudit.writers.elf import program
from imgaudit.writers.fip import BL31, BL33, fip

# What the loaders copy to its address and jump to.
_EXECUTED = frozenset({"BL2", "BL2U", "NS_BL2U", "BL31", "BL32", "BL33", "RMM", "SCP_BL2"})
_CODE = b"tide" * 32
FIPS = contents_of(Fip)


def _one(data: bytes) -> Example:
    return nor(
        "name: firmware, at: 0, size: 64 KiB, holds: fip, file: fip.bin",
        files={"fip.bin": lambda: data},
    )


def _entry(number: int, at: int, size: int) -> bytes:
    """Write the example with an entry moved."""
    data = bytearray(_SAMPLE)
    struct.pack_into("<QQ", data, 16 + ENTRY_SIZE * number + 16, at, size)
    return bytes(data)


_SAMPLE = fip({BL31: _CODE, BL33: _CODE})
_GOOD = _one(_SAMPLE)


def _table_values(what: str) -> None: ...


TABLE = Rule(
    name="fip-table-damaged",
    stops=True,
    severity=Severity.ERROR,
    values=_table_values,
    message="{content}: {what}",
    effect="BL2 refuses a package whose header is wrong, takes what follows a table without an end"
    " for more entries, and loads the last images short: the board does not start until it is"
    " flashed anew.",
    fix="Make the package again with fiptool and copy all of it.",
    computed="the header's serial number is 0, no entry of zeros ends the table, or the length that"
    " this entry declares is above the size of the file",
    sources=(
        in_trusted_firmware(
            "docs/design/firmware-design.rst",
            says="`serial_number`: A non-zero number provided by the creation tool",
        ),
        in_trusted_firmware(
            "drivers/io/io_fip.c", "is_valid_header", "Firmware Image Package header check failed."
        ),
        in_trusted_firmware(
            "drivers/io/io_fip.c", "fip_file_open", "} while ((found_file == 0) &&"
        ),
    ),
    bad=_one(_SAMPLE[:-64]),
    good=_GOOD,
)


@check(TABLE, over=FIPS)
def fip_table(found: Node[Fip]) -> Outcome:
    facts, size = found.facts, found.content.size
    if facts.serial_number == 0:
        yield TABLE(what="the header's serial number is 0").inside(
            found, at=facts.offsets["serial_number"], length=4
        )
    if facts.length is None:
        entries = counted(len(facts.entries), "entry", "entries")
        yield TABLE(what=f"no end marker follows {entries} of the table").inside(
            found, at=facts.toc_size, length=0
        )
    elif facts.length > size:
        yield TABLE(what=f"it declares {facts.length:,} bytes, the file has {size:,}").inside(
            found, at=facts.offsets["length"], length=8
        )


def _outside_values(entry: str, *, size: int, start: int, what: str) -> None: ...


OUTSIDE = Rule(
    name="fip-entry-outside-file",
    stops=True,
    severity=Severity.ERROR,
    values=_outside_values,
    message="{content}: {entry} is {size:bytes} at {start:place}, {what}",
    effect="BL2 loads other bytes than the image, or fails to, and stops.",
    fix="Make the package again with fiptool and copy all of it.",
    computed="offset + size is above the size of the file, or offset is inside the table",
    sources=(
        in_trusted_firmware(
            "docs/design/firmware-design.rst",
            says="The offset is calculated from the ToC base address.",
        ),
    ),
    bad=_one(_entry(1, 0x100, 0x1000)),
    good=_GOOD,
)


# Of a file that was cut, that says it all.
@check(OUTSIDE, over=FIPS, after=(fip_table,))
def fip_outside(found: Node[Fip]) -> Outcome:
    for entry in found.facts.entries:
        if entry.end > found.content.size:
            what = "past the end of the file"
        elif entry.size and entry.offset_address < found.facts.toc_size:
            what = "inside the table of contents"
        else:
            continue
        yield OUTSIDE(
            entry=entry.name, size=entry.size, start=entry.offset_address, what=what
        ).inside(found, at=entry.offset, length=ENTRY_SIZE)


def _overlap_values(one: str, other: str, *, size: int, start: int) -> None: ...


OVERLAP = Rule(
    name="fip-entries-overlap",
    stops=True,
    severity=Severity.ERROR,
    values=_overlap_values,
    message="{content}: {one} and {other} share {size:bytes} from {start:place}",
    effect="One of the two images has the other's bytes in it.",
    fix="Make the package again with fiptool; do not write into a finished one.",
    computed="two entries share some of their bytes, and not all: two names for one image are no"
    " fault",
    sources=(
        in_trusted_firmware("docs/design/firmware-design.rst", "Firmware Image Package"),
        PRACTICE,
    ),
    bad=_one(_entry(1, 0x100, 0x80)),
    good=_GOOD,
)


@check(OVERLAP, over=FIPS)
def fip_overlap(found: Node[Fip]) -> Outcome:
    if found.facts.length is None:
        why = "no end marker follows its table, so what are entries is not known"
        yield NotChecked(OVERLAP.name, found.place, why)
        return
    spans = [(Span(item.offset_address, item.end), item.name) for item in found.facts.entries]
    furthest: tuple[Span, str] | None = None
    for span, name in sorted(spans):
        if furthest is not None and span != furthest[0] and span.overlaps(furthest[0]):
            common = span.common(furthest[0])
            yield OVERLAP(one=furthest[1], other=name, size=common.size, start=common.start).inside(
                found, at=common.start, length=common.size
            )
        if furthest is None or span.end > furthest[0].end:
            furthest = span, name


def _required_values(image: str, *, what: str) -> None: ...


REQUIRED = Rule(
    name="fip-without-required-image",
    stops=True,
    severity=Severity.ERROR,
    values=_required_values,
    message="{content} has {what} {image}",
    effect='BL2 says "Failed to load image id" and stops, or jumps into what is blank: U-Boot does'
    " not start.",
    fix="Give fiptool the file of {image}.",
    computed="an entry that BL2 loads is absent, empty or all 0x00 or 0xFF: BL31 and"
    " BL33 on arm64, BL32 and BL33 on arm; update packages (BL2U, NS_BL2U, …) are let be",
    sources=(
        in_trusted_firmware(
            "include/tools_share/firmware_image_package.h", "UUID_NON_TRUSTED_FIRMWARE_BL33"
        ),
        in_trusted_firmware(
            "bl2/bl2_image_load_v2.c", "bl2_load_images", "Failed to load image id %u (%i)"
        ),
        in_trusted_firmware(
            "common/bl_common.c", "load_image", "if ((io_result != 0) || (image_size == 0U)) {"
        ),
    ),
    bad=_one(fip({BL31: _CODE})),
    good=_GOOD,
)


@check(REQUIRED, over=FIPS, given=board_arch, after=(fip_table,))
def fip_required(found: Node[Fip], arch: str) -> Outcome:
    facts = found.facts
    for role, how in facts.missing(arch):
        # One that is cut is told as fip-entry-outside-file.
        if how != "a cut":
            yield REQUIRED(what=how, image=role).inside(found, length=facts.toc_size)


def _elf_values(entry: str) -> None: ...


ELF = Rule(
    name="fip-payload-is-elf",
    stops=True,
    severity=Severity.ERROR,
    values=_elf_values,
    message="{content}: {entry} is an ELF file",
    effect="It is copied as it is and jumped to: the processor runs the ELF header.",
    fix="Put the binary into the package: u-boot.bin for u-boot, bl31.bin for bl31.elf.",
    computed="the data of an image that is executed starts as an ELF file",
    sources=(
        in_trusted_firmware(
            "include/tools_share/firmware_image_package.h", "UUID_EL3_RUNTIME_FIRMWARE_BL31"
        ),
        PRACTICE,
    ),
    bad=_one(fip({BL31: _CODE, BL33: program()})),
    good=_GOOD,
)


@check(ELF, over=FIPS)
def fip_elf(found: Node[Fip]) -> Outcome:
    for entry in found.facts.entries:
        content = found.content.part(entry.name) if entry.role in _EXECUTED else None
        if content is not None and content.format == "elf" and content.match > Match.WEAK:
            yield ELF(entry=entry.name).inside(found, at=entry.offset_address, length=entry.size)
