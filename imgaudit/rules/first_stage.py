"""First stages: whether the boot ROM takes them, and whether it finds them where they are."""

from __future__ import annotations

import struct

from imgaudit.contents.place import Node
from imgaudit.formats.first_stage import FirstStage, rc4
from imgaudit.maps.entry import Medium
from imgaudit.model import FIRST_STAGES
from imgaudit.rules.cited import PRACTICE, in_u_boot
from imgaudit.rules.engine import Outcome, Rule, Severity, check
from imgaudit.rules.examples import emmc
from imgaudit.rules.kinds import contents_of, whole
from imgaudit.rules.subject import Subject
from imgaudit.units import KIB, place

FOUND = contents_of(FirstStage, holds=tuple(sorted(FIRST_STAGES)))
SUMMED = contents_of(FirstStage, holds=tuple(sorted(FIRST_STAGES - {"imx-ivt", "omap-image"})))
SOUGHT = contents_of(FirstStage, holds=("egon", "imx-ivt", "rockchip-idb"))
_STAMP = 0x5F0A6C39
_ROUNDED = 4 * KIB
_ENTERED = 64
_SPL_LOADS_FROM = 32 * KIB
_MEDIA = {Medium.SPI_NOR.value: "spi", Medium.MMC.value: "mmc"}
_MADE_FOR = {"spi": "a SPI flash", "mmc": "an eMMC or a card", "nand": "a NAND"}
_PLACES = {
    "Allwinner": (8 * KIB, 128 * KIB),
    "Rockchip": (32 * KIB,),
    "i.MX": (KIB, 32 * KIB, 33 * KIB),
}


def _egon(flip: int = 0) -> bytes:
    """Write an Allwinner first stage of 8 KiB, its sum changed by `flip`."""
    body = bytearray(struct.pack("<I8sII", 0xEA000006, b"eGON.BT0", _STAMP, 8 * KIB))
    body = body.ljust(8 * KIB, b"\x5a")
    total = sum(struct.unpack("<2048I", body)) & 0xFFFFFFFF
    struct.pack_into("<I", body, 12, total ^ flip)
    return bytes(body)


def _idb(*, spread: bool) -> bytes:
    """Write a Rockchip first stage of 2 KiB behind its header, spread for SPI or not."""
    head = bytearray(512)
    struct.pack_into("<I8xH", head, 0, 0x0FF0AA55, 4)
    struct.pack_into("<HH", head, 506, 4, 4 + 1024)
    gap = bytes(2 * KIB) if spread else b""
    header = rc4(bytes(head)).ljust(2 * KIB, b"\0")
    return header + gap + b"RK33".ljust(2 * KIB, b"\x5a") + gap


def _ivt(body: bytes, distance: int = 0) -> bytes:
    """Write a vector table of an i.MX with its boot data, and what it enters."""
    own, size = 0x00907400, 64 + len(body) + distance
    table = struct.pack("<4s7I", b"\xd1\x00\x20\x40", own + 64, 0, 0, own + 32, own, 0, 0)
    return (table + struct.pack("<3I", own - distance, size, 0)).ljust(64, b"\0") + body


def _joined(kib: int) -> bytes:
    """Write an Allwinner first stage, and so far behind its start a legacy image."""
    return _egon().ljust(kib * KIB, b"\xff") + b"\x27\x05\x19\x56" + bytes(60)


_LOADER = "name: loader, at: {at} KiB, size: 64 KiB, holds: egon, file: spl.bin"


def _checksum_values(what: str, algorithm: str, *, stored: str, computed: str | None) -> None: ...


CHECKSUM = Rule(
    name="first-stage-checksum",
    stops=True,
    severity=Severity.ERROR,
    values=_checksum_values,
    message="{content}: the {algorithm} of the {what} is {stored}, its bytes make {computed}",
    effect="The boot ROM refuses it: the board does not start at all.",
    fix="Make or copy it again; do not patch bytes behind mkimage.",
    computed="the checksum in the header for the boot ROM does not match the bytes that it covers",
    sources=(
        in_u_boot("tools/sunxi_egon.c", "egon_verify_header"),
        in_u_boot("tools/rkcommon.c", "header0_info_v2"),
        in_u_boot("tools/kwbimage.c", "main_hdr_checksum_ok"),
        in_u_boot("tools/stm32image.c", "stm32image_checksum"),
        in_u_boot("tools/zynqimage.c", "zynqimage_checksum"),
        in_u_boot("tools/socfpgaimage.c", "socfpgaimage_verify_header"),
        PRACTICE,
    ),
    bad=emmc(_LOADER.format(at=8), files={"spl.bin": lambda: _egon(1)}),
    good=emmc(_LOADER.format(at=8), files={"spl.bin": _egon}),
)


@check(CHECKSUM, over=SUMMED)
def first_stage_checksum(found: Node[FirstStage]) -> Outcome:
    for checksum in found.facts.checksums:
        if checksum.matches is False:
            yield CHECKSUM(
                what=checksum.name,
                algorithm=checksum.algorithm,
                stored=checksum.stored,
                computed=checksum.computed,
            ).inside(found, at=checksum.offset, length=len(checksum.stored) // 2)


def _misplaced_values(soc: str, place: str, places: str) -> None: ...


MISPLACED = Rule(
    name="first-stage-misplaced",
    stops=True,
    severity=Severity.ERROR,
    values=_misplaced_values,
    message="{content} is at {place}; the boot ROM of {soc} looks for it at {places}",
    effect="The boot ROM does not find it: the board starts from elsewhere or not at all.",
    fix="Write it where the boot ROM looks; check the SoC's reference manual for the exact place.",
    computed=(
        "a first stage for Allwinner, Rockchip or i.MX in the user area of an eMMC or on an SD card"
        " is not at 8 or 128 KiB, at 32 KiB, or at 1, 32 or 33 KiB, and no sound one is there; on a"
        " SPI-NOR, one for Allwinner is not at 0, or the vector table of an i.MX (version 0x40) not"
        " as far from the start as its own addresses say"
    ),
    sources=(
        in_u_boot(
            "doc/board/allwinner/sunxi.rst",
            says="The traditional SD card location the Allwinner BootROM loads from is "
            "8KB (sector 16).",
        ),
        in_u_boot("doc/board/allwinner/sunxi.rst", says="also look at sector 256 (128KB)"),
        in_u_boot("doc/board/rockchip/rockchip.rst", says="seek=64"),
        in_u_boot("doc/board/nxp/imx8mm_evk.rst", says="seek=33"),
        in_u_boot("doc/board/nxp/imx8mp_evk.rst", says="seek=32"),
        in_u_boot("doc/board/nxp/mx6sabreauto.rst", says="seek=1"),
        in_u_boot(
            "doc/board/allwinner/sunxi.rst", says="mtd_debug write /dev/mtdX 0 0xf0000 u-boot"
        ),
        in_u_boot("tools/imximage.c", "imximage_ivt_offset"),
    ),
    bad=emmc(_LOADER.format(at=16), files={"spl.bin": _egon}),
    good=emmc(_LOADER.format(at=128), files={"spl.bin": _egon}),
)


def _placed(subject: Subject) -> frozenset[tuple[str, str]]:
    """Name the chips that have a sound first stage where the boot ROM looks, with its SoC."""
    return frozenset(
        (found.region.area, found.facts.soc)
        for found in subject.of(FirstStage)
        if found.region is not None
        and found.start is not None
        and found.start + found.facts.at in _PLACES.get(found.facts.soc, ())
        and all(checksum.matches is not False for checksum in found.facts.checksums)
    )


@check(MISPLACED, over=SOUGHT, given=_placed)
def first_stage_misplaced(found: Node[FirstStage], placed: frozenset[tuple[str, str]]) -> Outcome:
    facts, region, chip = found.facts, found.region, found.chip
    if region is None or chip is None or found.start is None or region.area != chip.name:
        return
    start = found.start + facts.at
    places: tuple[int, ...] | None = None
    if chip.kind.sectors:
        # Boot ROMs look for copies further on, at places that the manuals tell and we do not know.
        places = _PLACES.get(facts.soc) if (region.area, facts.soc) not in placed else None
    elif chip.kind.medium == Medium.SPI_NOR.value and facts.soc == "Allwinner":
        places = (0,)
    elif chip.kind.medium == Medium.SPI_NOR.value and facts.version == "0x40":
        places = None if facts.distance is None else (facts.distance,)
    if places is None or start in places:
        return
    yield MISPLACED(
        soc=facts.soc, place=place(start), places=" or ".join(map(place, places))
    ).inside(found, at=facts.at, length=None if facts.length is None else facts.length - facts.at)


def _medium_values(made: str, chip: str) -> None: ...


MEDIUM = Rule(
    name="first-stage-for-another-medium",
    stops=True,
    severity=Severity.ERROR,
    values=_medium_values,
    message="{content} was made for {made}, and goes to {chip}",
    effect="The boot ROM reads it in another form than it has, and refuses it: the board does not"
    " start from there.",
    fix="Make it for this medium: mkimage -T rkspi for a SPI flash and -T rksd for a disk;"
    " BOOT_FROM says it for Marvell.",
    computed="the tag of Rockchip's first stage stands where only an image that is spread for SPI,"
    " or only one that is not, has it; the medium in Marvell's header is another than the chip",
    sources=(
        in_u_boot(
            "tools/rkspi.c",
            "rkspi_set_header",
            "This is a feature of the SPI format required by the Rockchip",
        ),
        in_u_boot("tools/kwbimage.h", "IBR_HDR_SPI_ID"),
    ),
    bad=emmc(
        "name: loader, at: 32 KiB, size: 64 KiB, holds: rockchip-idb, file: spl.bin",
        files={"spl.bin": lambda: _idb(spread=True)},
    ),
    good=emmc(
        "name: loader, at: 32 KiB, size: 64 KiB, holds: rockchip-idb, file: spl.bin",
        files={"spl.bin": lambda: _idb(spread=False)},
    ),
)


@check(MEDIUM, over=FOUND)
def first_stage_medium(found: Node[FirstStage]) -> Outcome:
    chip, made = found.chip, found.facts.medium
    is_on = _MEDIA.get(chip.kind.medium) if chip is not None else None
    if chip is None or not made or is_on is None or made == is_on:
        return
    yield MEDIUM(made=_MADE_FOR[made], chip=f"{chip.name}, {_MADE_FOR[is_on]}").inside(
        found, at=found.facts.at, length=0
    )


def _cut_values(*, missing: int, length: int) -> None: ...


CUT = Rule(
    name="first-stage-cut",
    stops=True,
    severity=Severity.ERROR,
    values=_cut_values,
    message="{content}: the boot ROM reads {length:bytes} of it, and the last {missing:bytes} are"
    " missing",
    effect="The boot ROM loads whatever stands behind it on the chip and starts that: the board"
    " hangs before it says anything.",
    fix="Copy the file again, whole.",
    computed="the length that the header gives the boot ROM against the bytes that are there; a"
    " vector table of i.MX counts in pages of 4 KiB, so up to one less is let be",
    sources=(
        in_u_boot(
            "tools/imximage.c",
            "imximage_set_header",
            "supports up to 4096 byte large pages, thus align to 4096.",
        ),
        in_u_boot("tools/sunxi_egon.c", "egon_verify_header"),
        in_u_boot("tools/rkcommon.c", "rkcommon_set_header0"),
    ),
    bad=emmc(_LOADER.format(at=8), files={"spl.bin": lambda: _egon()[: 6 * KIB]}),
    good=emmc(_LOADER.format(at=8), files={"spl.bin": _egon}),
)


@check(CUT, over=FOUND)
def first_stage_cut(found: Node[FirstStage]) -> Outcome:
    facts, size = found.facts, found.content.size
    missing = (facts.length or 0) - size
    if missing >= (_ROUNDED if facts.soc == "i.MX" else 1):
        length = (facts.length or 0) - facts.at
        yield CUT(missing=missing, length=length).inside(found, at=facts.at)


def _entry_values(*, fill: str, start: int) -> None: ...


ENTRY = Rule(
    name="first-stage-blank",
    stops=True,
    severity=Severity.ERROR,
    values=_entry_values,
    message="{content}: the boot ROM jumps to {start:place}, where only {fill} stands",
    effect="There is no code: the board hangs before it says anything.",
    fix="Make the file again; it has a hole.",
    computed="the first 64 bytes from the header's entry, or of the image that it tells of, are all"
    " 0x00 or all 0xFF",
    sources=(
        in_u_boot("tools/imximage.c", "imximage_set_header"),
        in_u_boot("tools/omapimage.c", "omapimage_set_header"),
        PRACTICE,
    ),
    bad=emmc(_LOADER.format(at=8), files={"spl.bin": lambda: _ivt(bytes(KIB))}),
    good=emmc(_LOADER.format(at=8), files={"spl.bin": lambda: _ivt(b"\x5a" * KIB)}),
)


@check(ENTRY, over=FOUND)
def first_stage_blank(found: Node[FirstStage]) -> Outcome:
    facts, view = found.facts, found.view()
    at = facts.image_offset if facts.begins is None else facts.begins
    head = b"" if view is None else view.upto(at, _ENTERED)
    if len(head) == _ENTERED and head in {bytes(_ENTERED), b"\xff" * _ENTERED}:
        yield ENTRY(fill=f"0x{head[0]:02X}", start=at).inside(found, at=at, length=_ENTERED)


def _elsewhere_values(*, start: int, there: int) -> None: ...


ELSEWHERE = Rule(
    name="u-boot-not-behind-its-spl",
    stops=True,
    severity=Severity.ERROR,
    values=_elsewhere_values,
    message="{content}: U-Boot starts {start:bytes} behind the start of its SPL, which looks for it"
    " {there:bytes} behind",
    effect='SPL finds no image there and stops; "Trying to boot from" is the last that it says.',
    fix="Join them anew, or let the build make u-boot-sunxi-with-spl.bin.",
    computed="what follows an Allwinner first stage in one file does not start 32 KiB, or the first"
    " stage's own length if that is more, from its start; not asked where U-Boot's configuration is"
    " at hand, which says the place",
    sources=(
        in_u_boot("arch/arm/mach-sunxi/spl_spi_sunxi.c", "spl_spi_load_image"),
        in_u_boot("arch/arm/mach-sunxi/board.c", "spl_mmc_get_uboot_raw_sector"),
        in_u_boot("common/spl/Kconfig", "SYS_SPI_U_BOOT_OFFS"),
        in_u_boot("common/spl/spl.c", "boot_from_devices", "Trying to boot from"),
    ),
    bad=emmc(_LOADER.format(at=8), files={"spl.bin": lambda: _joined(36)}),
    good=emmc(_LOADER.format(at=8), files={"spl.bin": lambda: _joined(32)}),
)


@check(ELSEWHERE, over=FOUND, given=whole)
def u_boot_elsewhere(found: Node[FirstStage], subject: Subject) -> Outcome:
    facts = found.facts
    told = subject.copies is not None and subject.copies.uboot_config is not None
    if facts.soc != "Allwinner" or facts.follows is None or facts.follows_as is None or told:
        return
    there = max(_SPL_LOADS_FROM, (facts.length or 0) - facts.at)
    start = facts.follows.start - facts.at
    if start != there:
        yield ELSEWHERE(start=start, there=there).inside(
            found, at=facts.follows.start, length=facts.follows.size
        )
