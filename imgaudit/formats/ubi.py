"""UBI: the headers of each physical erase block (PEB) and the volume table.

Fields: Linux drivers/mtd/ubi/ubi-media.h, whose names they keep; sizes and limits: the same. Beyond
the first 128 KiB, `read` wants the first PEBs, to learn their size, the two headers of every PEB
and the two copies of the volume table; the volumes' data are not read.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import ClassVar

from imgaudit.errors import FormatError
from imgaudit.formats.crc32c import crc32_raw
from imgaudit.formats.facts import Checksum, Facts, Match, Reader
from imgaudit.formats.record import Record, names_of
from imgaudit.formats.view import View
from imgaudit.units import KIB, MIB, Span, human

EC_MAGIC = b"UBI#"
HEADER_SIZE = 64
BLANK = b"\xff" * HEADER_SIZE
CRC_AT = 60
LAYOUT_VOLUME = 0x7FFFEFFF
MAX_VOLUMES = 128
RECORD_SIZE = 172
RECORD_CRC_AT = 168
MIN_PEB = 2 * KIB
MAX_PEB = 16 * MIB  # no flash has larger erase blocks (common practice)
MAX_PEBS = 1 << 16  # 4 GiB in 64 KiB blocks; more would not be a firmware's UBI
MAX_TRIES = 1 << 16  # magics looked at while the block size is sought
MAX_LISTED = 64  # damage is counted in full and listed up to here

TYPES = {1: "dynamic", 2: "static"}
FLAGS = {0: "autoresize", 1: "skip-crc-check"}

_EC = {
    "magic": (0, 4),
    "version": (4, 1),
    "ec": (8, 8),
    "vid_hdr_offset": (16, 4),
    "data_offset": (20, 4),
    "image_seq": (24, 4),
    "hdr_crc": (CRC_AT, 4),
}
_VID = {
    "magic": (0, 4),
    "version": (4, 1),
    "vol_type": (5, 1),
    "copy_flag": (6, 1),
    "compat": (7, 1),
    "vol_id": (8, 4),
    "lnum": (12, 4),
    "data_size": (20, 4),
    "used_ebs": (24, 4),
    "data_pad": (28, 4),
    "data_crc": (32, 4),
    "sqnum": (40, 8),
    "hdr_crc": (CRC_AT, 4),
}
_VTBL = {
    "reserved_pebs": (0, 4),
    "alignment": (4, 4),
    "data_pad": (8, 4),
    "vol_type": (12, 1),
    "upd_marker": (13, 1),
    "name_len": (14, 2),
    "name": (16, 128),
    "flags": (144, 1),
    "crc": (RECORD_CRC_AT, 4),
}


@dataclass(frozen=True, kw_only=True)
class VolumeRecord:
    """A volume as the volume table has it, at `offset`; `type` is "" for an unknown number."""

    volume: int
    offset: int
    offsets: dict[str, int]
    name: str
    reserved_pebs: int
    alignment: int
    data_pad: int
    type: str
    update_marker: bool
    flags: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class VolumeSeen:
    """A volume as the headers of its blocks have it.

    `blocks` counts its PEBs, `highest` is its highest LEB number, `used_ebs` what a static volume
    says that it has, `first_leb` where the data of its LEB 0 start (None where it is not there).
    `types` has each type that a header gives it.
    """

    volume: int
    blocks: int
    highest: int
    used_ebs: int
    data_pad: int
    first_leb: int | None
    types: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Ubi(Facts):
    """A UBI image.

    `peb_size` is the spacing of the erase-counter headers, `leb_size` what the first header leaves
    of a PEB; both are None where only one header was found. `peb_count` counts whole PEBs in the
    data. Of these, `used` carry a volume's block, `free` only an erase counter, `blank` are all
    0xFF as far as the header goes; `foreign` (offsets) have something else there, or a header that
    points outside the PEB. `vid_hdr_offsets`,
    `data_offsets` and `image_seqs` have each value seen, the most frequent first. `bad_headers`
    counts headers with a wrong checksum; `checksums` has the first block's, those of the volume
    table's records, and the wrong ones, up to 64. `tables_agree` is None unless both copies of the
    volume table were found. `volumes` is from the first copy.
    """

    format: ClassVar[str] = "ubi"

    version: int
    erase_counter: int
    peb_size: int | None
    leb_size: int | None
    peb_count: int
    vid_hdr_offset: int
    data_offset: int
    image_seq: int
    vid_hdr_offsets: tuple[int, ...]
    data_offsets: tuple[int, ...]
    image_seqs: tuple[int, ...]
    used: int
    free: int
    blank: int
    foreign_count: int
    foreign: tuple[int, ...]
    bad_headers: int
    tables: tuple[int, ...]
    tables_agree: bool | None
    volumes: tuple[VolumeRecord, ...]
    seen: tuple[VolumeSeen, ...]

    def summary(self) -> str:
        """Give the number and size of its blocks and of its volumes."""
        size = f" of {human(self.peb_size)}" if self.peb_size else ""
        blocks = f"{self.peb_count} PEB{'' if self.peb_count == 1 else 's'}"
        volumes = f"{len(self.volumes)} volume{'' if len(self.volumes) == 1 else 's'}"
        return f"{blocks}{size}, {volumes}"


@dataclass
class _Seen:
    """What is gathered about one volume while its blocks pass."""

    blocks: int = 0
    highest: int = 0
    used_ebs: int = 0
    data_pad: int = 0
    first_leb: tuple[int, int] | None = None
    types: set[int] = field(default_factory=set)


def _check(view: View, name: str, offset: int, crc_at: int) -> Checksum:
    data = view.bytes(offset, crc_at)
    stored = view.u32be(offset + crc_at)
    return Checksum(
        name=name,
        algorithm="crc32",
        stored=f"{stored:08x}",
        computed=f"{crc32_raw(data):08x}",
        offset=offset + crc_at,
        covers=Span.sized(offset, crc_at),
    )


def _match(view: View) -> Match:
    head = view.upto(0, HEADER_SIZE)
    if head[:4] != EC_MAGIC or len(head) < HEADER_SIZE:
        return Match.NO
    good = crc32_raw(head[:CRC_AT]) == int.from_bytes(head[CRC_AT:], "big")
    return Match.SURE if good else Match.WEAK


def _header_places(view: View, like: bytes) -> Iterator[int]:
    """Yield where sound erase-counter headers of the same image stand, after the first one.

    A UBI image inside a volume of this one would have headers too; it has another sequence number
    or other offsets, so all three must be those of `like`.
    """
    tries = 0
    for base in range(0, min(view.size, 4 * MAX_PEB), MIB):
        # A header may start in one piece and end in the next.
        data = view.upto(base, MIB + HEADER_SIZE - 1)
        at = data.find(EC_MAGIC, 0 if base else 1)
        while 0 <= at < MIB and tries < MAX_TRIES:
            tries += 1
            header = data[at : at + HEADER_SIZE]
            if (
                len(header) == HEADER_SIZE
                and header[16:28] == like[16:28]
                and crc32_raw(header[:CRC_AT]) == int.from_bytes(header[CRC_AT:], "big")
            ):
                yield base + at
            at = data.find(EC_MAGIC, at + 1)


def _peb_size(view: View) -> int | None:
    """Give the greatest common divisor of the first headers' places: one of them may be damaged."""
    places = []
    for place in _header_places(view, view.bytes(0, HEADER_SIZE)):
        places.append(place)
        if len(places) == 4:
            break
    size = math.gcd(*places)
    return size if MIN_PEB <= size <= MAX_PEB else None


def _ranked(counts: Counter[int]) -> tuple[int, ...]:
    return tuple(value for value, _ in counts.most_common(MAX_LISTED))


class _Scan:
    """One pass over the headers of all PEBs."""

    def __init__(self, view: View, peb_size: int, count: int) -> None:
        self.view = view
        self.peb_size = peb_size
        self.used = self.free = self.blank = self.foreign_count = self.bad_headers = 0
        self.foreign: list[int] = []
        self.checksums: list[Checksum] = []
        self.values = {
            name: Counter[int]() for name in ("vid_hdr_offset", "data_offset", "image_seq")
        }
        self.seen: dict[int, _Seen] = {}
        self.tables: dict[int, tuple[int, int]] = {}
        for index in range(count):
            self._block(index)

    def _block(self, index: int) -> None:
        start = index * self.peb_size
        head = self.view.bytes(start, HEADER_SIZE)
        if head[:4] != EC_MAGIC:
            if head == BLANK:
                self.blank += 1
            else:
                self._note_foreign(start)
            return
        if not self._sound(f"erase-counter header of PEB {index}", start, keep=index == 0):
            return
        header = Record(self.view, start, _EC, "big")
        for name, counts in self.values.items():
            counts[header[name]] += 1
        self._volume_header(index, start, header["vid_hdr_offset"], header["data_offset"])

    def _volume_header(self, index: int, start: int, vid_offset: int, data_offset: int) -> None:
        if vid_offset + HEADER_SIZE > self.peb_size:
            self._note_foreign(start)
            return
        place = start + vid_offset
        if self.view.bytes(place, HEADER_SIZE) == BLANK:
            self.free += 1
            return
        self.used += 1
        if not self._sound(f"volume header of PEB {index}", place, keep=index == 0):
            return
        header = Record(self.view, place, _VID, "big")
        data, sqnum, lnum = start + data_offset, header["sqnum"], header["lnum"]
        if header["vol_id"] == LAYOUT_VOLUME:
            if lnum < 2 and (lnum not in self.tables or self.tables[lnum][0] <= sqnum):
                self.tables[lnum] = (sqnum, data)
            return
        seen = self.seen.setdefault(header["vol_id"], _Seen())
        seen.blocks += 1
        seen.highest = max(seen.highest, lnum)
        seen.used_ebs = max(seen.used_ebs, header["used_ebs"])
        seen.data_pad = max(seen.data_pad, header["data_pad"])
        seen.types.add(header["vol_type"])
        # Of two copies of one LEB the one with the higher sequence number counts.
        if lnum == 0 and (seen.first_leb is None or seen.first_leb[0] <= sqnum):
            seen.first_leb = (sqnum, data)

    def _note_foreign(self, start: int) -> None:
        self.foreign_count += 1
        if self.foreign_count <= MAX_LISTED:
            self.foreign.append(start)

    def _sound(self, name: str, offset: int, *, keep: bool) -> bool:
        check = _check(self.view, name, offset, CRC_AT)
        good = check.matches is True
        self.bad_headers += not good
        if keep or (not good and len(self.checksums) < MAX_LISTED):
            self.checksums.append(check)
        return good


def _records(view: View, table: int, leb_size: int) -> tuple[list[VolumeRecord], list[Checksum]]:
    volumes, checksums = [], []
    room = min(leb_size, view.size - table) // RECORD_SIZE
    for volume in range(min(MAX_VOLUMES, room)):
        offset = table + volume * RECORD_SIZE
        check = _check(view, f"volume table record {volume}", offset, RECORD_CRC_AT)
        record = Record(view, offset, _VTBL, "big")
        if record["reserved_pebs"] or not check.matches:
            checksums.append(check)
        if not record["reserved_pebs"]:
            continue
        name = record.raw("name")[: record["name_len"]].split(b"\0", 1)[0]
        volumes.append(
            VolumeRecord(
                volume=volume,
                offset=offset,
                offsets=record.offsets(),
                name=name.decode("utf-8", "backslashreplace"),
                reserved_pebs=record["reserved_pebs"],
                alignment=record["alignment"],
                data_pad=record["data_pad"],
                type=TYPES.get(record["vol_type"], ""),
                update_marker=bool(record["upd_marker"]),
                flags=names_of(record["flags"], FLAGS, "flag-"),
            )
        )
    return volumes, checksums


def _read(view: View) -> Ubi:
    head = Record(view, 0, _EC, "big")
    if head.raw("magic") != EC_MAGIC:
        raise FormatError(0, "no UBI erase-counter header UBI#")
    doubts = []
    peb_size = _peb_size(view)
    count = view.size // peb_size if peb_size else 1
    if peb_size is None:
        doubts.append("Only one sound erase-counter header was found: the block size is unknown.")
    if count > MAX_PEBS:
        doubts.append(f"Only the first {MAX_PEBS:,} of {count:,} erase blocks were read.")
    scan = _Scan(view, peb_size or view.size, min(count, MAX_PEBS))
    leb_size = max(0, peb_size - head["data_offset"]) if peb_size else None
    tables = [scan.tables[lnum][1] for lnum in sorted(scan.tables)]
    volumes: list[VolumeRecord] = []
    checksums: list[Checksum] = []
    if tables and leb_size:
        volumes, checksums = _records(view, tables[0], leb_size)
    agree = None
    if len(tables) == 2 and leb_size:
        size = min(leb_size // RECORD_SIZE, MAX_VOLUMES) * RECORD_SIZE
        agree = view.upto(tables[0], size) == view.upto(tables[1], size)
    return Ubi(
        length=count * peb_size if peb_size else None,
        offsets=head.offsets(),
        checksums=(*scan.checksums, *checksums),
        doubts=tuple(doubts),
        version=head["version"],
        erase_counter=head["ec"],
        peb_size=peb_size,
        leb_size=leb_size,
        peb_count=count,
        vid_hdr_offset=head["vid_hdr_offset"],
        data_offset=head["data_offset"],
        image_seq=head["image_seq"],
        vid_hdr_offsets=_ranked(scan.values["vid_hdr_offset"]),
        data_offsets=_ranked(scan.values["data_offset"]),
        image_seqs=_ranked(scan.values["image_seq"]),
        used=scan.used,
        free=scan.free,
        blank=scan.blank,
        foreign_count=scan.foreign_count,
        foreign=tuple(scan.foreign),
        bad_headers=scan.bad_headers,
        tables=tuple(tables),
        tables_agree=agree,
        volumes=tuple(volumes),
        seen=tuple(
            VolumeSeen(
                volume=volume,
                blocks=seen.blocks,
                highest=seen.highest,
                used_ebs=seen.used_ebs,
                data_pad=seen.data_pad,
                first_leb=seen.first_leb[1] if seen.first_leb else None,
                types=tuple(TYPES.get(number, "") for number in sorted(seen.types)),
            )
            for volume, seen in sorted(scan.seen.items())
        ),
    )


READER = Reader(
    name="ubi",
    title="UBI image",
    source="Linux drivers/mtd/ubi/ubi-media.h",
    match=_match,
    read=_read,
)
