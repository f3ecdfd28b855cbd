"""What U-Boot's `dfu` writes where: `dfu_alt_info`.

Source: U-Boot doc/usage/dfu.rst; drivers/dfu/dfu_mmc.c (blocks, any base), dfu_sf.c, dfu_nand.c and
dfu_mtd.c (bytes, in hex).
"""

from __future__ import annotations

from imgaudit import bounds
from imgaudit.maps.entry import Kind, MapCopy, MapEntry, Medium, Written
from imgaudit.patterns import regex

_MEDIA = {
    "mmc": Medium.MMC,
    "sf": Medium.SPI_NOR,
    "nand": Medium.NAND,
    "mtd": Medium.UNKNOWN,
}
_NUMBER = regex(r"0[xX][0-9a-fA-F]{1,16}|[0-9a-fA-F]{1,16}")
_HEADED = regex(r"\s*(mmc|sf|nand|mtd|ram|virt)\s+([^\s=]+)\s*=")
_BLOCK = 512
_MAX = 256


def copies(text: str) -> tuple[MapCopy, ...]:
    """Give a copy of the map for each device, `mmc` where none is named; only raw places tell."""
    found = []
    start = 0
    for group in text.split("&"):
        headed = _HEADED.match(group)
        device = f"{headed[1]} {headed[2]}" if headed else "mmc"
        at = start + (headed.end() if headed else 0)
        start += len(group) + 1
        kind = device.split(maxsplit=1)[0]
        entries = []
        listed = group[headed.end() if headed else 0 :].split(";")
        for alternate in bounds.within(listed, _MAX, device, "parts of dfu_alt_info"):
            entry = _entry(alternate, at, kind)
            at += len(alternate) + 1
            if entry is not None:
                entries.append(entry)
        medium = _MEDIA.get(kind)
        if entries and medium is not None:
            found.append(
                MapCopy(
                    kind=Kind.DFU,
                    device=device,
                    entries=tuple(entries),
                    medium=medium,
                    partial=True,
                )
            )
    return tuple(found)


def _entry(alternate: str, at: int, kind: str) -> MapEntry | None:
    words = alternate.split()
    if len(words) < 4 or words[1] != "raw" or len(words) > 4:
        return None  # a file, a partition, or an eMMC's boot area
    numbers = [_number(word, kind) for word in words[2:4]]
    offset, size = numbers
    if offset is None or not size:
        return None
    unit = _BLOCK if kind == "mmc" else 1
    return MapEntry(
        label=words[0],
        offset=offset * unit,
        size=size * unit,
        at=Written(text=alternate.strip(), offset=at),
        named=False,
    )


def _number(text: str, kind: str) -> int | None:
    if not _NUMBER.fullmatch(text):
        return None
    if kind != "mmc":
        return int(text, 16)
    octal = text.startswith("0") and text[:2].lower() != "0x"
    try:
        return int(text, 8 if octal else 0)
    except ValueError:
        return None
