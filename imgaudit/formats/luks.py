"""LUKS1 and LUKS2: the header of an encrypted partition.

Sources: LUKS1 On-Disk Format Specification 1.2.3; LUKS2 On-Disk Format Specification 1.1.
"""

from __future__ import annotations

import hashlib
import json
import re
from typing import Any, ClassVar

from imgaudit.data import dataclass
from imgaudit.errors import FormatError
from imgaudit.formats.facts import Checksum, Facts, Match, Reader, head_only
from imgaudit.formats.record import Record
from imgaudit.formats.view import View
from imgaudit.units import KIB, MIB, Span, counted

MAGIC, SECOND_MAGIC = b"LUKS\xba\xbe", b"SKUL\xba\xbe"
MAX_HEADER = 4 * MIB  # the largest that the specification has
_SLOT_ENABLED = 0x00AC71F3
_ONE = {
    "cipher": (8, 32),
    "mode": (40, 32),
    "hash": (72, 32),
    "payload": (104, 4),
    "key_bytes": (108, 4),
    "uuid": (168, 40),
    "end": (588, 4),
}
_TWO = {
    "size": (8, 8),
    "sequence": (16, 8),
    "label": (24, 48),
    "algorithm": (72, 32),
    "uuid": (168, 40),
    "subsystem": (208, 48),
    "offset": (256, 8),
    "checksum": (448, 64),
}


@dataclass(frozen=True, kw_only=True)
class Luks(Facts):
    """An encrypted volume.

    `key_slots` are the numbers of those in use. `data_offset` is where the encrypted data start.
    `copies_agree` is None for LUKS1, which has no second header, and where it was not read.
    """

    format: ClassVar[str] = "luks"

    version: int
    cipher: str
    hash: str
    uuid: str
    label: str
    key_slots: tuple[int, ...]
    data_offset: int
    copies_agree: bool | None

    def summary(self) -> str:
        """Give version, cipher and the number of keys."""
        slots = len(self.key_slots)
        return f"LUKS{self.version}, {self.cipher}, {counted(slots, 'key slot')}"


def _match(view: View) -> Match:
    if view.upto(0, 6) != MAGIC or view.size < 592:
        return Match.NO
    return Match.SURE if view.u16be(6) in {1, 2} else Match.WEAK


def _one(view: View) -> Luks:
    head = Record(view, 0, _ONE, "big")
    slots = [slot for slot in range(8) if view.u32be(208 + 48 * slot) == _SLOT_ENABLED]
    return Luks(
        offsets=head.offsets(),
        version=1,
        cipher=f"{head.text('cipher')}-{head.text('mode')}",
        hash=head.text("hash"),
        uuid=head.text("uuid"),
        label="",
        key_slots=tuple(slots),
        data_offset=head["payload"] * 512,
        copies_agree=None,
    )


def _header_sum(view: View, at: int, head: Record, name: str) -> Checksum:
    algorithm, size = head.text("algorithm"), head["size"]
    place = at + _TWO["checksum"][0]
    covers = Span.sized(at, size)
    if algorithm not in {"sha1", "sha256", "sha512"} or covers.end > view.size:
        why = f"its algorithm is {algorithm!r}" if covers.end <= view.size else "it is cut"
        return Checksum(name, algorithm, head.raw("checksum").hex(), None, place, covers, why)
    data = view.bytes(at, size)
    computed = hashlib.new(algorithm, data[:448] + bytes(64) + data[512:]).hexdigest()
    stored = head.raw("checksum").hex()[: len(computed)]
    return Checksum(name, algorithm, stored, computed, place, covers)


def _two(view: View) -> Luks:
    head = Record(view, 0, _TWO, "big")
    size = head["size"]
    if not 16 * KIB <= size <= MAX_HEADER or head["offset"]:
        raise FormatError(8, f"a header of {size:,} bytes that says it is at {head['offset']:#x}")
    checksums = [_header_sum(view, 0, head, "first header")]
    agree = None
    if view.upto(size, 6) == SECOND_MAGIC and view.size >= 2 * size:
        second = Record(view, size, _TWO, "big")
        if second["size"] == size:
            checksums.append(_header_sum(view, size, second, "second header"))
        agree = second["sequence"] == head["sequence"]
    area = _area(view.bytes(4 * KIB, size - 4 * KIB).split(b"\0")[0])
    segment: Any = next(iter(_table(area, "segments").values()), {})
    offset = str(segment.get("offset", "0")) if isinstance(segment, dict) else "0"
    return Luks(
        offsets=head.offsets(),
        checksums=tuple(checksums),
        version=2,
        cipher=str(segment.get("encryption", "")) if isinstance(segment, dict) else "",
        hash=head.text("algorithm"),
        uuid=head.text("uuid"),
        label=head.text("label"),
        key_slots=tuple(sorted(int(name) for name in _table(area, "keyslots") if name.isdecimal())),
        data_offset=int(offset) if re.fullmatch("[0-9]{1,20}", offset) else 0,
        copies_agree=agree,
    )


def _area(data: bytes) -> dict[str, Any]:
    try:
        found = json.loads(data)
    except (ValueError, RecursionError):
        raise FormatError(4 * KIB, "the area of metadata is no JSON") from None
    if not isinstance(found, dict):
        raise FormatError(4 * KIB, "the area of metadata is no JSON object")
    return found


def _table(area: dict[str, Any], name: str) -> dict[str, Any]:
    found = area.get(name)
    return (
        {key: value for key, value in found.items() if len(key) < 8}
        if isinstance(found, dict)
        else {}
    )


def _read(view: View) -> Luks:
    if view.bytes(0, 6) != MAGIC:
        raise FormatError(0, "no LUKS magic")
    version = view.u16be(6)
    if version not in {1, 2}:
        raise FormatError(6, f"LUKS of version {version}")
    return _one(view) if version == 1 else _two(view)


READER = Reader(
    name="luks",
    title="LUKS encrypted volume",
    source="LUKS1 and LUKS2 On-Disk Format Specifications",
    match=_match,
    read=_read,
    windows=head_only,
)
