"""The partitions that U-Boot's `gpt write` makes: `uuid_disk=…;name=boot,start=4M,size=128M;…`.

Source: U-Boot doc/usage/cmd/gpt.rst, cmd/gpt.c (set_gpt_info) and disk/part_efi.c (gpt_fill_pte): a
partition without a start follows the one before, the first one the table itself.
"""

from __future__ import annotations

import re

from imgaudit import bounds
from imgaudit.maps.entry import Kind, MapCopy, MapEntry, Medium, Written
from imgaudit.patterns import regex

_FIRST = 34 * 512
_UNITS = {"": 1, "k": 1 << 10, "m": 1 << 20, "g": 1 << 30}
_SIZE = regex(r"(0[xX][0-9a-fA-F]{1,16}|[0-9]{1,19})(?:([kKmMgG])(?:i?B)?)?")
_LIST = regex(r"(?:uuid_disk=[^;]*;\s*)?name=[^,;]+,", re.ASCII)
_MAX = 128


def is_list(text: str) -> bool:
    """Tell whether a variable's value is such a list."""
    return _LIST.match(text) is not None


def copies(text: str) -> tuple[MapCopy, ...]:
    """Give the map that the list makes."""
    entries: list[MapEntry] = []
    now: int | None = _FIRST
    at = 0
    for part in text.split(";"):
        fields = {}
        for word in part.split(","):
            name, equals, value = word.strip().partition("=")
            fields[name] = value if equals else "1"
        label = fields.get("name")
        if label and len(entries) == _MAX:
            bounds.left_out("partitions", f"only the first {_MAX} partitions are looked at")
        elif label:
            start = _size(fields["start"]) if "start" in fields else now
            size = _size(fields.get("size", ""))
            entries.append(
                MapEntry(
                    label=label,
                    offset=start,
                    size=size or None,
                    at=Written(text=part.strip(), offset=at),
                    to_end=fields.get("size") in {"-", "0"},
                    number=len(entries) + 1,
                )
            )
            now = None if start is None or not size else start + size
        at += len(part) + 1
    copy = MapCopy(
        kind=Kind.GPT_WRITE,
        device="mmc",
        entries=tuple(entries),
        medium=Medium.MMC,
        partial=True,
        table="gpt",
    )
    return (copy,) if entries else ()


def _size(text: str) -> int | None:
    found = _SIZE.fullmatch(text.strip())
    if found is None:
        return None
    base = 16 if found[1][:2].lower() == "0x" else 10
    return int(found[1], base) * _UNITS[(found[2] or "").lower()]
