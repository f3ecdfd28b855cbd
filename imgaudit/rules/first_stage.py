"""First stages: whether the boot ROM takes them, and whether it finds them where they are."""

from __future__ import annotations

import struct

from imgaudit.contents.place import Node
from imgaudit.formats.first_stage import FirstStage
from imgaudit.model import FIRST_STAGES
from imgaudit.rules.cited import PRACTICE, in_u_boot
from imgaudit.rules.engine import Outcome, Rule, Severity, check
from imgaudit.rules.examples import emmc
from imgaudit.rules.kinds import contents_of
from imgaudit.units import KIB, place

SUMMED = contents_of(FirstStage, holds=tuple(sorted(FIRST_STAGES - {"imx-ivt", "omap-image"})))
SOUGHT = contents_of(FirstStage, holds=("egon", "imx-ivt", "rockchip-idb"))
_STAMP = 0x5F0A6C39
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
        " is not at 8 or 128 KiB, at 32 KiB, or at 1, 32 or 33 KiB"
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
    ),
    bad=emmc(_LOADER.format(at=16), files={"spl.bin": _egon}),
    good=emmc(_LOADER.format(at=128), files={"spl.bin": _egon}),
)


@check(MISPLACED, over=SOUGHT)
def first_stage_misplaced(found: Node[FirstStage]) -> Outcome:
    places = _PLACES.get(found.facts.soc)
    region, chip, start = found.region, found.chip, found.start
    if places is None or region is None or chip is None or start is None:
        return
    if not chip.kind.sectors or region.area != chip.name or start in places:
        return
    yield MISPLACED(
        soc=found.facts.soc, place=place(start), places=" or ".join(map(place, places))
    ).inside(found, length=found.facts.length)
