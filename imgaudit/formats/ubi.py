"""UBI: the headers of each physical erase block (PEB), the volume table, and the volumes' data.

Fields: Linux drivers/mtd/ubi/ubi-media.h, whose names they keep; sizes and limits: the same. What
the volume table may say: vtbl.c, vtbl_check(). Beyond the first 128 KiB, `read` wants the first
PEBs, to learn their size, the two headers of every PEB, both copies of the volume table, and the
data that have a CRC: those of static volumes.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import field
from typing import ClassVar

from imgaudit.data import dataclass
from imgaudit.errors import FormatError
from imgaudit.formats.crc32c import crc32_raw
from imgaudit.formats.facts import Checksum, Facts, Match, Part, Reader
from imgaudit.formats.files import Flaw
from imgaudit.formats.record import Record, names_of
from imgaudit.formats.ubi_blocks import (
    CRC_AT,
    EC,
    EC_MAGIC,
    HEADER_SIZE,
    LAYOUT_VOLUME,
    MAX_LISTED,
    MAX_VOLUMES,
    TYPES,
    Blocks,
    VolumeSource,
    headers,
    sum_of,
)
from imgaudit.formats.view import View
from imgaudit.units import KIB, MIB, counted, human

RECORD_SIZE = 172
RECORD_CRC_AT = 168
MIN_PEB = 2 * KIB
MIN_LEB = KIB  # the volume table needs more
MAX_PEB = 16 * MIB  # no flash has larger erase blocks (common practice)
MAX_PEBS = 1 << 16  # 4 GiB in 64 KiB blocks; more would not be a firmware's UBI
MAX_TRIES = 1 << 16  # magics looked at while the block size is sought
MAX_SPREAD = 4  # a volume that is this many times larger than its image is not looked into

FLAGS = {0: "autoresize", 1: "skip-crc-check"}

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
class Volume:
    """A volume, as its record at `offset` in the image and the headers of its blocks have it.

    `volume` is its number, `type` static, dynamic or "" for an unknown number. `leb_size` is what
    each of its blocks holds. `room` is what it may hold: `reserved_pebs` blocks, and all that is
    free on the chip where `autoresize` is set. `size` is what is read of it: of a static volume its
    data; of a dynamic one as ubinize writes it all up to its last block, and all its room once a
    running UBI has written to it. `lebs` has where the data of each of its blocks start in the
    image. `missing` are the blocks of a static volume that are not there. `summed` tells that a CRC
    vouches for every byte of it.
    """

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
    leb_size: int
    size: int
    blocks: int
    missing: int
    summed: bool
    lebs: Mapping[int, int] = field(repr=False, compare=False)

    @property
    def room(self) -> int:
        """Bytes that it may hold, before the chip's free blocks are added to it."""
        return self.reserved_pebs * self.leb_size

    @property
    def autoresize(self) -> bool:
        """Whether the first attach gives it all blocks that are free."""
        return "autoresize" in self.flags


@dataclass(frozen=True, kw_only=True)
class Ubi(Facts):
    """A UBI image. Its parts are its volumes, by name, as a running UBI shows their data.

    `volume(name)` gives what is known of one; `open(view, part)` views its bytes, which lie in
    blocks in any order. `content.part(name)` is the same volume in a tree of contents, with what is
    in it.

    `peb_size` is the spacing of the erase-counter headers, `leb_size` what the first header leaves
    of a PEB; both are None where only one header was found. `peb_count` counts whole PEBs in the
    data. Of these, `used` carry a volume's block, `free` only an erase counter, `blank` are all
    0xFF as far as the header goes; `foreign` (offsets) have something else there, or a header that
    points outside the PEB. `vid_hdr_offsets`,
    `data_offsets` and `image_seqs` have each value seen, the most frequent first. `bad_headers`
    counts headers with a wrong checksum; `checksums` has the first block's, those of the volume
    table's records, and the wrong ones, up to 64. `tables_agree` is
    None unless both copies of the volume table were found. `volumes` is from the first copy.
    `flaws` are the first of `flaw_count` things that do not hold together. `unwalked` says in a
    sentence why parts were not looked at.
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
    volumes: tuple[Volume, ...]
    flaws: tuple[Flaw, ...] = ()
    flaw_count: int = 0
    unwalked: str = ""

    def summary(self) -> str:
        """Give the number and size of its blocks and of its volumes."""
        size = f" of {human(self.peb_size)}" if self.peb_size else ""
        blocks = counted(self.peb_count, "PEB")
        volumes = counted(len(self.volumes), "volume")
        return f"{blocks}{size}, {volumes}"

    def volume(self, name: str) -> Volume | None:
        """Find a volume by its name; of two with one name the kernel takes none."""
        return next((volume for volume in self.volumes if volume.name == name), None)

    def parts(self) -> Iterator[Part]:
        """Give the volumes that hold something."""
        seen = set()
        for volume in self.volumes:
            if volume.size and volume.name not in seen:
                seen.add(volume.name)
                yield Part(volume.name, -1, volume.size, stored=volume.blocks * volume.leb_size)

    def open(self, view: View, part: Part) -> View:
        """View a volume's data; see Facts."""
        volume = self.volume(part.name)
        if volume is None:
            raise FormatError(0, f"it has no volume {part.name}")
        return View(VolumeSource(view, volume.leb_size, volume.size, volume.lebs))


def _match(view: View) -> Match:
    head = view.upto(0, HEADER_SIZE)
    if head[:4] != EC_MAGIC or len(head) < HEADER_SIZE:
        return Match.NO
    good = crc32_raw(head[:CRC_AT]) == int.from_bytes(head[CRC_AT:], "big")
    return Match.SURE if good else Match.WEAK


def _peb_size(view: View) -> int | None:
    """Give the greatest common divisor of the first headers' places: one of them may be damaged."""
    places = []
    for place in headers(view, view.bytes(0, HEADER_SIZE), 1, 4 * MAX_PEB, MAX_TRIES):
        places.append(place)
        if len(places) == 4:
            break
    size = math.gcd(*places)
    return size if MIN_PEB <= size <= MAX_PEB else None


def _ranked(counts: Counter[int]) -> tuple[int, ...]:
    return tuple(value for value, _ in counts.most_common(MAX_LISTED))


class _Table:
    """Reads the volume table, and holds it against the blocks."""

    def __init__(self, view: View, blocks: Blocks, leb_size: int) -> None:
        self.view = view
        self.blocks = blocks
        self.leb_size = leb_size
        self.volumes: list[Volume] = []
        self.checksums: list[Checksum] = []
        self.agree: bool | None = None
        self.unwalked = ""
        layout = blocks.seen.get(LAYOUT_VOLUME)
        lebs = {} if layout is None else layout.lebs
        self.tables = [lebs[number].data for number in (0, 1) if number in lebs]
        if len(self.tables) < 2:
            at = self.tables[0] if self.tables else 0
            gone = 2 - len(self.tables)
            self.blocks.flaw(at, f"{gone} of the 2 copies of the volume table missing")
        if not self.tables:
            return
        if leb_size < MIN_LEB:
            self.blocks.flaw(0, f"its blocks leave {leb_size:,} bytes for data")
            return
        self._records(self.tables[0])
        if len(self.tables) == 2:
            size = min(leb_size // RECORD_SIZE, MAX_VOLUMES) * RECORD_SIZE
            one, other = (view.upto(table, size) for table in self.tables)
            self.agree = one == other
            if not self.agree:
                pairs = enumerate(zip(one, other, strict=False))
                same = next((at for at, (left, right) in pairs if left != right), 0)
                self.blocks.flaw(self.tables[1] + same, "the two copies of the volume table differ")
        self._cross()

    def _records(self, table: int) -> None:
        room = min(self.leb_size, self.view.size - table) // RECORD_SIZE
        names: set[str] = set()
        for number in range(min(MAX_VOLUMES, room)):
            offset = table + number * RECORD_SIZE
            check = sum_of(self.view, f"volume table record {number}", offset, RECORD_CRC_AT)
            record = Record(self.view, offset, _VTBL, "big")
            if record["reserved_pebs"] or not check.matches:
                self.checksums.append(check)
            if not record["reserved_pebs"]:
                if check.matches and any(self.view.bytes(offset, RECORD_CRC_AT)):
                    self.blocks.flaw(offset, f"record {number} reserves no block and is not empty")
                continue
            volume = self._volume(number, record)
            self.volumes.append(volume)
            if check.matches:
                self._judge(record, volume)
            if volume.name in names:
                self.blocks.flaw(offset, f"two volumes are called {volume.name}")
            names.add(volume.name)

    def _volume(self, number: int, record: Record) -> Volume:
        seen = self.blocks.seen.get(number)
        pad = min(record["data_pad"], self.leb_size // 2)
        usable = self.leb_size - pad
        lebs = {} if seen is None else {n: leb.data for n, leb in seen.lebs.items()}
        size, missing = 0, 0
        if seen is not None and lebs:
            size = (max(lebs) + 1) * usable
            if seen.type == 2:
                last = seen.lebs.get(seen.used_ebs - 1)
                size = seen.used_ebs * usable - (usable - last.size if last is not None else 0)
                missing = seen.used_ebs - len(lebs)
            elif seen.newest:
                size = max(size, record["reserved_pebs"] * usable)
        name = record.raw("name")[: record["name_len"]].split(b"\0", 1)[0]
        text = name.decode("utf-8", "backslashreplace")
        if size > MAX_SPREAD * self.view.size:
            self.unwalked = f"volume {text} has {size:,} bytes, too few of them in the image"
            size = 0
        return Volume(
            volume=number,
            offset=record.offset,
            offsets=record.offsets(),
            name=text,
            reserved_pebs=record["reserved_pebs"],
            alignment=record["alignment"],
            data_pad=record["data_pad"],
            type=TYPES.get(record["vol_type"], ""),
            update_marker=bool(record["upd_marker"]),
            flags=names_of(record["flags"], FLAGS, "flag-"),
            leb_size=usable,
            size=size,
            blocks=len(lebs),
            missing=missing,
            summed=seen is not None and seen.type == 2 and not missing and not seen.torn,
            lebs=lebs,
        )

    def _judge(self, record: Record, volume: Volume) -> None:
        """Hold a record against what vtbl_check() of the kernel accepts."""
        align, pad = record["alignment"], record["data_pad"]
        length = record["name_len"]
        if not 0 < align <= self.leb_size or pad != self.leb_size % align:
            what = f"is aligned to {align:,} bytes and leaves {pad:,} of a block"
        elif not volume.type or record["upd_marker"] > 1:
            what = f"has type {record['vol_type']}"
        elif not 0 < length < 128 or len(volume.name) == 0:
            what = f"has a name of {length:,} bytes"
        elif record.raw("name")[:length].find(b"\0") >= 0 or record.raw("name")[length]:
            what = f"has a name that is not {length:,} bytes long"
        elif volume.update_marker:
            what = f"({volume.name}) is marked as being updated: an update was cut off"
        else:
            return
        self.blocks.flaw(record.offset, f"volume {volume.volume} {what}")

    def _cross(self) -> None:
        """Hold the blocks of each volume against its record."""
        known = {volume.volume: volume for volume in self.volumes}
        for number, seen in self.blocks.seen.items():
            if number == LAYOUT_VOLUME:
                continue
            volume = known.get(number)
            if volume is None:
                self.blocks.flaw(
                    seen.header, f"blocks of a volume {number} that the volume table does not have"
                )
                continue
            if TYPES.get(seen.type) != volume.type or seen.data_pad != volume.data_pad:
                self.blocks.flaw(
                    seen.header,
                    f"the blocks of {volume.name} and its record give another type or padding",
                )
            if seen.lebs and max(seen.lebs) >= volume.reserved_pebs:
                self.blocks.flaw(
                    seen.lebs[max(seen.lebs)].header,
                    f"LEB {max(seen.lebs):,} of {volume.name}, which has {volume.reserved_pebs:,}",
                )
            if volume.missing > 0:
                gone = next(n for n in range(seen.used_ebs) if n not in seen.lebs)
                self.blocks.flaw(
                    seen.header,
                    f"static volume {volume.name} lacks {volume.missing:,} of its"
                    f" {seen.used_ebs:,} blocks, the first is LEB {gone:,}",
                )
            elif seen.type == 1 and not seen.newest:
                self._holes(volume)

    def _holes(self, volume: Volume) -> None:
        """Find blocks that lack in the middle of a volume as ubinize wrote it, which writes all."""
        if len(volume.lebs) <= max(volume.lebs, default=-1):
            gone = next(n for n in range(len(volume.lebs)) if n not in volume.lebs)
            self.blocks.flaw(volume.offset, f"volume {volume.name} lacks its LEB {gone:,}")


def _read(view: View) -> Ubi:
    head = Record(view, 0, EC, "big")
    if head.raw("magic") != EC_MAGIC:
        raise FormatError(0, "no UBI erase-counter header UBI#")
    unwalked = ""
    peb_size = _peb_size(view)
    count = view.size // peb_size if peb_size else 1
    if count > MAX_PEBS:
        unwalked = f"it has {count:,} erase blocks, {MAX_PEBS:,} of them are read"
    blocks = Blocks(view, peb_size or view.size, min(count, MAX_PEBS))
    if peb_size is None:
        blocks.flaw(
            view.size,
            f"it ends at {view.size:,} bytes, before a second erase block: UBI has two with its"
            " volume table alone",
        )
    elif view.size % peb_size:
        whole = count * peb_size
        if view.bytes(whole, view.size - whole).count(b"\xff") != view.size - whole:
            blocks.flaw(view.size, f"it ends {view.size - whole:,} bytes into PEB {count}")
    for name, counts in blocks.values.items():
        if len(counts) > 1:
            odd = ", ".join(f"{value:#x}" for value in _ranked(counts)[:4])
            blocks.flaw(0, f"its blocks differ in {name}: {odd}")
    leb_size = max(0, peb_size - head["data_offset"]) if peb_size else None
    table = _Table(view, blocks, leb_size) if leb_size else None
    unwalked = unwalked or (table.unwalked if table else "")
    return Ubi(
        length=count * peb_size if peb_size else None,
        offsets=head.offsets(),
        checksums=(*blocks.checksums, *(table.checksums if table else ())),
        doubts=(f"Not all of it was looked at: {unwalked}.",) if unwalked else (),
        version=head["version"],
        erase_counter=head["ec"],
        peb_size=peb_size,
        leb_size=leb_size,
        peb_count=count,
        vid_hdr_offset=head["vid_hdr_offset"],
        data_offset=head["data_offset"],
        image_seq=head["image_seq"],
        vid_hdr_offsets=_ranked(blocks.values["vid_hdr_offset"]),
        data_offsets=_ranked(blocks.values["data_offset"]),
        image_seqs=_ranked(blocks.values["image_seq"]),
        used=blocks.used,
        free=blocks.free,
        blank=blocks.blank,
        foreign_count=blocks.foreign_count,
        foreign=tuple(blocks.foreign),
        bad_headers=blocks.bad_headers,
        tables=tuple(table.tables) if table else (),
        tables_agree=table.agree if table else None,
        volumes=tuple(table.volumes) if table else (),
        flaws=tuple(blocks.flaws),
        flaw_count=blocks.flaw_count,
        unwalked=unwalked,
    )


READER = Reader(
    name="ubi",
    title="UBI image",
    source="Linux drivers/mtd/ubi/ubi-media.h",
    match=_match,
    read=_read,
)
