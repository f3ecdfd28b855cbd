"""The `mtdparts` variable, as far as a script's partition names need it.

Source: Linux drivers/mtd/parsers/cmdlinepart.c (header comment), U-Boot cmd/mtdparts.c.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

_PART = re.compile(
    r"(?P<size>-|0[xX][0-9a-fA-F]{1,16}|[0-9]{1,20})(?P<unit>[kKmMgG]?)"
    r"(?:@(?P<at>0[xX][0-9a-fA-F]{1,16}|[0-9]{1,20})(?P<at_unit>[kKmMgG]?))?"
    r"(?:\((?P<name>[^)]*)\))?(?:ro|lk|slc)*"
)
_UNITS = {"": 1, "k": 1 << 10, "m": 1 << 20, "g": 1 << 30}


@dataclass(frozen=True, slots=True)
class MtdPart:
    """One partition; `size` None means to the end of the chip, `offset` None that it is unknown."""

    chip: str
    index: int
    name: str
    offset: int | None
    size: int | None


def parse_mtdparts(text: str) -> Iterator[MtdPart]:
    """Yield the partitions; what does not follow the format ends its chip's list."""
    text = text.removeprefix("mtdparts=").removeprefix("mtdparts=")
    for chip_text in text.split(";"):
        chip, colon, parts = chip_text.rpartition(":")
        if not colon:
            continue
        at: int | None = 0
        place = index = 0
        # names may hold commas, sizes may not: match one after the other
        while match := _PART.match(parts, place):
            offset = _bytes(match["at"], match["at_unit"]) if match["at"] else at
            size = None if match["size"] == "-" else _bytes(match["size"], match["unit"])
            yield MtdPart(chip.strip(), index, match["name"] or f"part{index}", offset, size)
            at = None if offset is None or size is None else offset + size
            place, index = match.end() + 1, index + 1
            if parts[match.end() : place] != ",":
                break


def _bytes(number: str, unit: str | None) -> int:
    return int(number, 0 if number[:2] in {"0x", "0X"} else 10) * _UNITS[(unit or "").lower()]
