"""LVM2: the label of a physical volume and the text of its volume group.

Source: lvm2 lib/format_text/layout.h and lib/label/label.h.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator
from typing import ClassVar

from imgaudit import bounds
from imgaudit.data import dataclass
from imgaudit.errors import FormatError
from imgaudit.formats.crc32c import crc32_raw
from imgaudit.formats.facts import Checksum, Facts, Match, Reader, head_only
from imgaudit.formats.view import View
from imgaudit.patterns import regex
from imgaudit.units import MIB, Span, human

MAGIC, TYPE = b"LABELONE", b"LVM2 001"
AREA_MAGIC = b" LVM2 x[5A%r0N*>"
SECTOR = 512
MAX_TEXT = 4 * MIB
_INITIAL = 0xF597A6CF
_MAX_AREAS = 16
_SECTION = regex(r"^\t\t([\w.+-]+) \{$", re.MULTILINE)
_NAME = regex(r"^([\w.+-]+) \{$", re.MULTILINE)


@dataclass(frozen=True, kw_only=True)
class Lvm2(Facts):
    """A physical volume of `size` bytes.

    `group` is the volume group's name, "" for a volume that is in none; `volumes` are the names of
    its logical volumes.
    """

    format: ClassVar[str] = "lvm2"

    uuid: str
    size: int
    data_offset: int
    group: str
    volumes: tuple[str, ...]
    text: str

    def summary(self) -> str:
        """Give the group and its volumes."""
        if not self.group:
            return f"{human(self.size)}, in no group"
        return f"group {self.group}: {', '.join(self.volumes) or 'no volumes'}"


def _label(view: View) -> int | None:
    for sector in range(4):
        head = view.upto(sector * SECTOR, 32)
        if head[:8] == MAGIC and head[24:32] == TYPE:
            return sector * SECTOR
    return None


def _match(view: View) -> Match:
    return Match.NO if _label(view) is None else Match.SURE


def _checksum(view: View, name: str, at: int, covers: Span, stored: int) -> Checksum:
    computed = crc32_raw(view.bytes(covers.start, covers.size), _INITIAL)
    return Checksum(name, "crc32", f"{stored:08x}", f"{computed:08x}", at, covers)


def _areas(view: View, at: int) -> tuple[list[Span], int]:
    """Read a list of areas up to its end; give where the next one starts."""
    areas: list[Span] = []
    while len(areas) < _MAX_AREAS:
        offset, size = view.unpack("<QQ", at)
        at += 16
        if not offset:
            return areas, at
        areas.append(Span.sized(offset, size))
    raise FormatError(at, f"more than {_MAX_AREAS} areas")


def _texts(view: View, areas: list[Span]) -> Iterator[tuple[list[Checksum], str]]:
    for area in areas:
        head = view.upto(area.start, 136)
        if len(head) < 136 or head[4:20] != AREA_MAGIC:
            yield [], ""
            continue
        covers = Span(area.start + 4, area.start + SECTOR)
        stored = view.u32le(area.start)
        checksums = [_checksum(view, "header of the metadata", area.start, covers, stored)]
        start, size, offset, length, text_sum = view.unpack("<QQQQI", area.start + 24)
        if length > MAX_TEXT:
            bounds.left_out("", f"its metadata have more than {MAX_TEXT >> 20} MiB")
        if not length or start != area.start or length > min(size, MAX_TEXT):
            yield checksums, ""
            continue
        first = view.bytes(start + offset, min(length, max(0, size - offset)))
        # The area is a ring; its header of a sector is left out.
        data = first + view.bytes(start + SECTOR, length - len(first))
        computed = crc32_raw(data, _INITIAL)
        place = Span.sized(start + offset, len(first))
        checksums.append(
            Checksum(
                *("metadata", "crc32", f"{text_sum:08x}", f"{computed:08x}"),
                area.start + 56,
                place,
            )
        )
        yield checksums, data.rstrip(b"\0").decode("utf-8", "backslashreplace")


def _read(view: View) -> Lvm2:
    at = _label(view)
    if at is None:
        raise FormatError(SECTOR, "no LABELONE of type LVM2 001 in the first four sectors")
    _, stored, offset = view.unpack("<QII", at + 8)
    checksums = [_checksum(view, "label", at + 16, Span(at + 20, at + SECTOR), stored)]
    start = at + offset
    raw = view.bytes(start, 32).decode("ascii", "backslashreplace")
    size = view.u64le(start + 32)
    data, following = _areas(view, start + 40)
    metadata, _ = _areas(view, following)
    text = ""
    for sums, found in _texts(view, metadata):
        checksums += sums
        text = text or found
    group = _NAME.search(text)
    part = text.partition("\n\tlogical_volumes {\n")[2].partition("\n\t}\n")[0]
    cuts = [0, 6, 10, 14, 18, 22, 26, 32]
    return Lvm2(
        length=size or None,
        offsets={"label": at, "uuid": start, "device_size": start + 32},
        checksums=tuple(checksums),
        uuid="-".join(raw[a:b] for a, b in itertools.pairwise(cuts)),
        size=size,
        data_offset=data[0].start if data else 0,
        group=group[1] if group else "",
        volumes=tuple(_SECTION.findall(part)),
        text=text,
    )


READER = Reader(
    name="lvm2",
    title="LVM2 physical volume",
    source="lvm2 lib/format_text/layout.h",
    match=_match,
    read=_read,
    windows=head_only,
)
