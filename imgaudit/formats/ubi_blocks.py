"""The erase blocks of a UBI: what the two headers of each say, and which block holds what.

Fields: Linux drivers/mtd/ubi/ubi-media.h, whose names they keep. What a header may say: the same,
io.c, validate_ec_hdr() and validate_vid_hdr(); which of two copies counts: attach.c.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import field

from imgaudit.data import dataclass
from imgaudit.formats.crc32c import crc32_raw
from imgaudit.formats.facts import Checksum
from imgaudit.formats.files import Flaw
from imgaudit.formats.record import Record
from imgaudit.formats.view import View
from imgaudit.units import Span

EC_MAGIC = b"UBI#"
VID_MAGIC = b"UBI!"
HEADER_SIZE = 64
CRC_AT = 60
LAYOUT_VOLUME = 0x7FFFEFFF
MAX_VOLUMES = 128
MAX_LISTED = 64  # damage is counted in full and listed up to here
MAX_COUNTER = 0x7FFFFFFF  # UBI_MAX_ERASECOUNTER
TYPES = {1: "dynamic", 2: "static"}
REJECT = 5  # UBI_COMPAT_REJECT; UBI that does not know such a volume must not attach

EC = {
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
_BLANK = b"\xff" * HEADER_SIZE


def sum_of(view: View, name: str, offset: int, size: int) -> Checksum:
    """Recompute the CRC that follows `size` bytes."""
    stored = view.u32be(offset + size)
    return Checksum(
        name=name,
        algorithm="crc32",
        stored=f"{stored:08x}",
        computed=f"{crc32_raw(view.bytes(offset, size)):08x}",
        offset=offset + size,
        covers=Span.sized(offset, size),
    )


@dataclass(slots=True)
class Leb:
    """The block that holds a LEB: where its data start, and what its header says of them."""

    peb: int
    data: int
    header: int
    sqnum: int
    size: int


@dataclass(slots=True)
class Seen:
    """What the headers of one volume's blocks say; `lebs` are the newest, by their numbers.

    `torn` counts those with a wrong sum over their data.
    """

    type: int
    used_ebs: int
    data_pad: int
    header: int
    newest: int = 0
    torn: int = 0
    lebs: dict[int, Leb] = field(default_factory=dict)


class Blocks:
    """One pass over the headers of all PEBs, and over the data that have a CRC."""

    def __init__(self, view: View, peb_size: int, count: int) -> None:
        self.view = view
        self.peb_size = peb_size
        self.used = self.free = self.blank = self.foreign_count = self.bad_headers = 0
        self.foreign: list[int] = []
        self.checksums: list[Checksum] = []
        self.flaws: list[Flaw] = []
        self.flaw_count = 0
        self.values = {
            name: Counter[int]() for name in ("vid_hdr_offset", "data_offset", "image_seq")
        }
        self.seen: dict[int, Seen] = {}
        for index in range(count):
            self._block(index)

    def flaw(self, offset: int, what: str) -> None:
        """Note that something does not hold together."""
        self.flaw_count += 1
        if len(self.flaws) < MAX_LISTED:
            self.flaws.append(Flaw(offset, what))

    def _block(self, index: int) -> None:
        start = index * self.peb_size
        head = self.view.bytes(start, HEADER_SIZE)
        if head[:4] != EC_MAGIC:
            if head == _BLANK:
                self.blank += 1
            else:
                self._note_foreign(start, f"PEB {index} has no erase-counter header")
            return
        if not self._sound(f"erase-counter header of PEB {index}", start, keep=index == 0):
            return
        header = Record(self.view, start, EC, "big")
        for name, counts in self.values.items():
            counts[header[name]] += 1
        if header["version"] != 1 or header["ec"] > MAX_COUNTER:
            self.flaw(
                start,
                f"PEB {index} says UBI version {header['version']} and {header['ec']:,} erasures",
            )
        vid, data = header["vid_hdr_offset"], header["data_offset"]
        if not HEADER_SIZE <= vid <= data - HEADER_SIZE or data >= self.peb_size:
            self._note_foreign(
                start, f"PEB {index} has its headers at 0 and {vid:#x}, its data at {data:#x}"
            )
            return
        self._volume_header(index, start + vid, start + data)

    def _note_foreign(self, start: int, what: str) -> None:
        self.foreign_count += 1
        if self.foreign_count <= MAX_LISTED:
            self.foreign.append(start)
        self.flaw(start, what)

    def _sound(self, name: str, offset: int, *, keep: bool) -> bool:
        check = sum_of(self.view, name, offset, CRC_AT)
        good = check.matches is True
        self.bad_headers += not good
        self._keep(check, keep=keep)
        return good

    def _keep(self, check: Checksum, *, keep: bool) -> None:
        if keep or (check.matches is False and len(self.checksums) < MAX_LISTED):
            self.checksums.append(check)

    def _volume_header(self, index: int, place: int, data: int) -> None:
        head = self.view.bytes(place, HEADER_SIZE)
        if head == _BLANK:
            self.free += 1
            return
        self.used += 1
        if not self._sound(f"volume header of PEB {index}", place, keep=index == 0):
            return
        header = Record(self.view, place, _VID, "big")
        room = (index + 1) * self.peb_size - data
        why = _contradiction(header, room)
        if why:
            self.flaw(place, f"the volume header of PEB {index} {why}")
            return
        if header["vol_id"] > LAYOUT_VOLUME:
            if header["compat"] == REJECT:
                self.flaw(
                    place,
                    f"PEB {index} is of the internal volume {header['vol_id']:#x}, without which"
                    " UBI must not attach",
                )
            return  # of a fast attach, or of a later UBI
        self._take(index, header, data)
        if header["vol_type"] == 2 or header["copy_flag"]:
            self._data(index, header, data)

    def _take(self, index: int, header: Record, data: int) -> None:
        volume, lnum, sqnum = header["vol_id"], header["lnum"], header["sqnum"]
        same = (header["vol_type"], header["used_ebs"], header["data_pad"])
        seen = self.seen.setdefault(volume, Seen(*same, header.offset))
        if (seen.type, seen.used_ebs, seen.data_pad) != same:
            self.flaw(
                header.offset,
                f"the volume header of PEB {index} contradicts the others of {_called(volume)}",
            )
            return
        seen.newest = max(seen.newest, sqnum)
        there = seen.lebs.get(lnum)
        if there is not None and there.sqnum == sqnum:
            self.flaw(
                header.offset,
                f"PEB {there.peb} and PEB {index} are both LEB {lnum} of {_called(volume)}, with"
                f" the same sequence number {sqnum}",
            )
        if there is None or there.sqnum < sqnum:
            seen.lebs[lnum] = Leb(index, data, header.offset, sqnum, header["data_size"])

    def _data(self, index: int, header: Record, data: int) -> None:
        size = header["data_size"]
        crc = header["data_crc"]
        check = Checksum(
            name=f"data of PEB {index}",
            algorithm="crc32",
            stored=f"{crc:08x}",
            computed=f"{crc32_raw(self.view.bytes(data, size)):08x}",
            offset=header.offset + _VID["data_crc"][0],
            covers=Span.sized(data, size),
        )
        self._keep(check, keep=False)
        if check.matches is False:
            self.seen[header["vol_id"]].torn += 1


def _called(volume: int) -> str:
    return "the volume table" if volume == LAYOUT_VOLUME else f"volume {volume}"


def _contradiction(header: Record, room: int) -> str:
    """Say what a volume header with a sound sum cannot mean; `room` is the size of a LEB."""
    volume, lnum, size = header["vol_id"], header["lnum"], header["data_size"]
    used, pad = header["used_ebs"], header["data_pad"]
    if header.raw("magic") != VID_MAGIC or header["version"] != 1:
        return f"has no {VID_MAGIC.decode()} or another version than 1"
    if MAX_VOLUMES <= volume < LAYOUT_VOLUME or header["vol_type"] not in TYPES:
        return f"names volume {volume:,} of type {header['vol_type']}"
    if pad > room // 2 or size > room - pad or header["copy_flag"] > 1:
        return f"leaves {pad:,} bytes and uses {size:,} of {room:,}"
    if header["vol_type"] == 1:
        if used or (not header["copy_flag"] and (size or header["data_crc"])):
            return "is of a dynamic volume and gives sizes as of a static one"
        return ""
    if lnum >= used or not size or (lnum < used - 1 and size != room - pad):
        return f"is LEB {lnum:,} of {used:,} of a static volume, with {size:,} bytes"
    return ""


class VolumeSource:
    """The data of a volume put together; a LEB that is not there reads as erased."""

    def __init__(self, view: View, leb_size: int, size: int, lebs: Mapping[int, int]) -> None:
        self.below = view
        self.size = size
        self._leb_size = leb_size
        self._lebs = lebs

    def read_at(self, offset: int, length: int) -> bytes:
        """Return `length` bytes from `offset`."""
        out = []
        end = offset + length
        while offset < end:
            number, skip = divmod(offset, self._leb_size)
            count = min(self._leb_size - skip, end - offset)
            at = self._lebs.get(number)
            data = b"" if at is None else self.below.upto(at + skip, count)
            out.append(data.ljust(count, b"\xff"))
            offset += count
        return out[0] if len(out) == 1 else b"".join(out)

    def data(self) -> Iterator[Span]:
        """Yield all: what is not there is not zero."""
        if self.size:
            yield Span(0, self.size)


def headers(view: View, like: bytes, first: int, reach: int, tries: int) -> Iterator[int]:
    """Yield where sound erase-counter headers of the same image stand, from `first` on.

    A UBI image inside a volume of this one would have headers too; it has another sequence number
    or other offsets, so all three must be those of `like`.
    """
    step = 1 << 20
    for base in range(0, min(view.size, reach), step):
        # A header may start in one piece and end in the next.
        data = view.upto(base, step + HEADER_SIZE - 1)
        at = data.find(EC_MAGIC, 0 if base else first)
        while 0 <= at < step and tries > 0:
            tries -= 1
            header = data[at : at + HEADER_SIZE]
            if (
                len(header) == HEADER_SIZE
                and header[16:28] == like[16:28]
                and crc32_raw(header[:CRC_AT]) == int.from_bytes(header[CRC_AT:], "big")
            ):
                yield base + at
            at = data.find(EC_MAGIC, at + 1)
