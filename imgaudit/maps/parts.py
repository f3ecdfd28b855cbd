"""How large a SPI-NOR is, by its name in a device tree: the names carry the megabits.

Source: the names and sizes of U-Boot drivers/mtd/spi/spi-nor-ids.c, which Linux has as well. A name
that is not of a family below is not known; a generic one (jedec,spi-nor) tells nothing.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

from imgaudit.patterns import regex
from imgaudit.units import KIB

_MEGABIT = 128 * KIB
# Family, then the digits that give the megabits; `g` behind them makes them gigabits.
_PLAIN = regex(
    r"(?:m25p[ex]?|m45pe|w25[qxm]\w??|gd(?:25|55)[a-z]{1,2}|is25[lw][pqx]|en25[a-z]{1,2}"
    r"|n25q|mt25q[lu]|sst25vf|sst26vf|p25q|xm25q[hu]|xt25f|zb25vq|s25fl|s25fs)"
    r"(?P<size>\d{2,3})(?P<giga>g?)",
    re.ASCII,
)
# Two digits of the generation follow the megabits, or more: mx25l12805d, mx66l51235l, mx66u1g45g.
_MACRONIX = regex(r"mx(?:25|66)[a-z]{1,2}(?P<size>\d{1,3}?)(?P<giga>g?)\d{2}(?!\d)", re.ASCII)
_ATMEL = regex(r"at2[56](?:df|sl)(?P<size>\d{2})1[a-z]?", re.ASCII)
# In these families 16 to 64 are three digits with a leading 1 or 2, and the suffix k.
_SPANSION_K = regex(r"s25fl[12](?P<size>\d{2})k", re.ASCII)
_GIGABITS = {"n25q00": 1, "w25q01": 1, "w25q02": 2, "mt25qu01g": 1, "mt25ql01g": 1}
# What a number of two or three digits with zeros around it means: 010 and 10 are 1, 512 is 512.
_SMALL = {"05": 0.5, "10": 1, "010": 1, "20": 2, "020": 2, "40": 4, "040": 4, "80": 8, "080": 8}


def nor_size(compatible: Iterable[str]) -> tuple[int, str] | None:
    """Give a chip's bytes and the name that tells them, of the compatible strings of its node."""
    for text in compatible:
        name = text.rpartition(",")[2].lower()
        size = _size(name)
        if size is not None:
            return size, text
    return None


def _size(name: str) -> int | None:
    for known, gigabits in _GIGABITS.items():
        if name.startswith(known):
            return gigabits * 1024 * _MEGABIT
    for pattern in (_SPANSION_K, _MACRONIX, _ATMEL, _PLAIN):
        found = pattern.match(name)
        if found is None:
            continue
        digits, giga = found["size"], found.groupdict().get("giga")
        if pattern is _ATMEL:
            digits = digits if digits in {"16", "32", "64"} else digits.lstrip("0") or "0"
        megabits = int(digits) * 1024 if giga else _SMALL.get(digits, int(digits))
        size = int(megabits * _MEGABIT)
        return size if size and size & (size - 1) == 0 else None
    return None
