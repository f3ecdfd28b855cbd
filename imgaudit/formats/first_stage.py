"""What boot ROMs read: the headers that mkimage puts before a first stage, with their checksums.

Sources: U-Boot tools/ and include/: imximage.h, sunxi_egon.c, rkcommon.c, kwbimage.c, stm32image.c,
zynqimage.c, zynqmpimage.c, socfpgaimage.c, sunxi_toc0.c, omapimage.c, imx8image.c. All are
little-endian but the lengths in i.MX' tags.
"""

from __future__ import annotations

import contextlib
import hashlib
import struct
import zlib
from array import array
from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import ClassVar, Literal

from imgaudit.data import dataclass
from imgaudit.errors import FormatError, ImgauditError, UnreadError
from imgaudit.formats.facts import Checksum, Facts, Match, Part, Reader
from imgaudit.formats.view import View
from imgaudit.units import KIB, MIB, Span, human, round_up

MAX_SUMMED = 64 * MIB
"""No boot ROM takes a first stage as long as this."""
_MASK = 0xFFFFFFFF


@dataclass(frozen=True, kw_only=True)
class FirstStage(Facts):
    """A first stage as its boot ROM finds it.

    `soc` says whose ROM, `image_size` how many bytes it loads, `image_offset` where they start in
    the file. `load` and `entry` are addresses in RAM; None where the header does not say. `at` is
    where the header lies, past padding in front; `begins` where the ROM jumps to, in the file, and
    `distance` how far the header must be from the start of the medium, where it says so. `medium`
    is what it was made to be read from, `spi`, `mmc`, `nand` or empty. `follows` is what one file
    has behind it, which is U-Boot itself as a rule, and `follows_as` the reader of its magic.
    """

    format: ClassVar[str] = "first-stage"

    soc: str
    version: str = ""
    image_offset: int
    image_size: int
    load: int | None = None
    entry: int | None = None
    at: int = 0
    begins: int | None = None
    distance: int | None = None
    medium: str = ""
    follows: Span | None = None
    follows_as: str | None = None

    def parts(self) -> Iterable[Part]:
        """Give what follows the first stage in one file."""
        if self.follows is not None:
            start, size = self.follows.start, self.follows.size
            yield Part("what follows", start, size, expects=self.follows_as)

    def summary(self) -> str:
        """Give the SoC, the size and where it goes."""
        where = f", to {self.load:#x}" if self.load is not None else ""
        return f"{self.soc}, {human(self.image_size)}{where}"


def _sum(view: View, name: str, algorithm: str, place: Span, covers: Span) -> Checksum:
    """Make a checksum that stands at `place`."""
    order: Literal["big", "little"] = "little"
    if algorithm.startswith("sha"):
        order = "big"  # a digest is written as its bytes stand
    digits = 2 * place.size
    stored = int.from_bytes(view.upto(place.start, place.size), order)
    kept = f"{stored:0{digits}x}"
    if max(covers.end, place.end) > view.size or covers.size > MAX_SUMMED:
        why = "the data end before what it covers does"
        if covers.size > MAX_SUMMED:
            why = f"it covers more than {MAX_SUMMED >> 20} MiB"
        return Checksum(name, algorithm, kept, None, place.start, covers, why)
    data = view.bytes(covers.start, covers.size)
    if algorithm in _ALGORITHMS:
        computed = f"{_ALGORITHMS[algorithm](data):0{digits}x}"
    else:
        computed = hashlib.new(algorithm, data).hexdigest()
    return Checksum(name, algorithm, kept, computed, place.start, covers)


def _words(data: bytes) -> int:
    words = array("I", data[: len(data) // 4 * 4])
    if struct.pack("=H", 1) != struct.pack("<H", 1):
        words.byteswap()
    return sum(words) & _MASK


def _crc32_bzip2(data: bytes) -> int:
    """Compute bzip2's CRC-32: that of zlib on bits in the other order."""
    mirrored = bytes(int(f"{byte:08b}"[::-1], 2) for byte in range(256))
    return int(f"{zlib.crc32(data.translate(mirrored)):032b}"[::-1], 2)


_ALGORITHMS: dict[str, Callable[[bytes], int]] = {
    "sum of words": _words,
    "inverted sum of words": lambda data: ~_words(data) & _MASK,
    "sum of bytes": lambda data: sum(data) & _MASK,
    "8-bit sum of bytes": lambda data: sum(data) & 0xFF,
    "16-bit sum of bytes": lambda data: sum(data) & 0xFFFF,
    "crc32-bzip2": _crc32_bzip2,
}


_FOLLOWS_AT = 512  # what follows starts on a sector
_PADDED = 16 * MIB  # and within this of the first stage's end
_FOLLOWING = {b"\xd0\x0d\xfe\xed": "fit", b"\x27\x05\x19\x56": "uimage"}  # what SPL loads
_LEADS = tuple(kib * KIB for kib in (1, 4, 8, 32, 33, 128))
"""Where a boot ROM looks, besides the start: a file may have the padding in front of it.

Source: U-Boot doc/board/ (nxp: seek=1, 32, 33; allwinner: 8 and 128 KiB; rockchip: seek=64);
tools/imx8mimage.c for 4 KiB on a NOR.
"""


def _lead(view: View, match: Callable[[View], Match]) -> int:
    """Give where a header lies past padding; 0 where none does."""
    fill = view.upto(0, 1)
    if fill not in {b"\0", b"\xff"}:
        return 0
    blank = 0
    # Of a stream that goes by little is kept, and that need not be all that is looked at here.
    with contextlib.suppress(UnreadError):
        for at in _LEADS:
            if at >= view.size or view.upto(blank, at - blank).strip(fill):
                break
            blank = at
            if match(view.sub(at)):
                return at
    return 0


def _past_padding(reader: Reader) -> Reader:
    """Let a reader find its header past padding, too."""

    def match(view: View) -> Match:
        found = reader.match(view)
        at = 0 if found else _lead(view, reader.match)
        return reader.match(view.sub(at)) if at else found

    def read(view: View) -> Facts:
        at = 0 if reader.match(view) else _lead(view, reader.match)
        facts = reader.read(view.sub(at) if at else view)
        return _moved(facts, at) if at and isinstance(facts, FirstStage) else facts

    return replace(reader, match=match, read=read)


def _moved(facts: FirstStage, by: int) -> FirstStage:
    return replace(
        facts,
        length=None if facts.length is None else facts.length + by,
        offsets={name: at + by for name, at in facts.offsets.items()},
        checksums=tuple(
            replace(
                one,
                offset=one.offset + by,
                covers=Span.sized(one.covers.start + by, one.covers.size),
            )
            for one in facts.checksums
        ),
        image_offset=facts.image_offset + by,
        at=by,
        begins=None if facts.begins is None else facts.begins + by,
    )


def _with_what_follows(read: Callable[[View], Facts]) -> Callable[[View], Facts]:
    """Read, and find what is joined to it: the first sector that is not all 0x00 or all 0xFF."""

    def whole(view: View) -> Facts:
        facts = read(view)
        if not isinstance(facts, FirstStage):
            return facts
        start = round_up(facts.length or view.size, _FOLLOWS_AT)
        for at in range(start, min(view.size, start + _PADDED), MIB):
            data = view.upto(at, MIB)
            blank = max(len(data) - len(data.lstrip(fill)) for fill in (b"\0", b"\xff"))
            if blank < len(data):
                found = at + blank // _FOLLOWS_AT * _FOLLOWS_AT
                known = _FOLLOWING.get(view.upto(found, 4))
                return replace(facts, follows=Span(found, view.size), follows_as=known)
        return facts

    return whole


def _reads(read: Callable[[View], FirstStage], view: View) -> bool:
    try:
        facts = read(view)
    except ImgauditError:
        return False
    return all(checksum.matches for checksum in facts.checksums)


# i.MX ---------------------------------------------------------------------------------------------

_IVT = struct.Struct("<7I")


def _ivt_match(view: View) -> Match:
    head = view.upto(0, 32)
    if len(head) < 32 or head[0] != 0xD1 or head[1:3] != b"\0\x20" or head[3] not in _IVT_VERSIONS:
        return Match.NO
    return Match.SURE if not int.from_bytes(head[28:32], "little") else Match.GOOD


_IVT_VERSIONS = {0x40, 0x41, 0x42, 0x43}


def _ivt(view: View) -> FirstStage:
    head = view.bytes(0, 32)
    if head[0] != 0xD1 or head[1:3] != b"\0\x20":
        raise FormatError(0, "no image vector table: its tag is 0xd1 with a length of 32")
    entry, _, dcd, boot, own, _, _ = _IVT.unpack_from(head, 4)
    if not own <= boot <= own + 4 * KIB:
        raise FormatError(16, f"the boot data stand at {boot:#x}, the table itself at {own:#x}")
    start, size, _ = view.unpack("<III", boot - own)
    offset = own - start
    if offset < 0 or size < offset:
        raise FormatError(boot - own, f"{size:,} bytes from {start:#x}; the table is at {own:#x}")
    if dcd and not own < dcd < start + size:
        raise FormatError(12, f"the device configuration stands at {dcd:#x}")
    return FirstStage(
        length=size - offset,
        offsets={"entry": 4, "dcd": 12, "boot_data": 16, "self": 20, "start": boot - own},
        soc="i.MX",
        version=f"{head[3]:#x}",
        image_offset=0,
        image_size=size - offset,
        load=own,
        entry=entry,
        begins=entry - own if own <= entry < start + size else None,
        distance=offset,
    )


# Allwinner ----------------------------------------------------------------------------------------

_EGON_STAMP = 0x5F0A6C39


def _egon(view: View) -> FirstStage:
    if view.bytes(4, 8) != b"eGON.BT0":
        raise FormatError(4, "no eGON.BT0")
    size = view.u32le(16)
    if size < 32 or size % 4:
        raise FormatError(16, f"a length of {size:,} bytes")
    return FirstStage(
        length=size,
        offsets={"check_sum": 12, "length": 16},
        checksums=(_stamped(view, size),),
        soc="Allwinner",
        image_offset=0,
        image_size=size,
    )


def _stamped(view: View, size: int) -> Checksum:
    """Recompute the sum at 12, which is made with a fixed value in its own place."""
    covers = Span(0, size)
    checksum = _sum(view, "first stage", "sum of words", Span(12, 16), covers)
    if checksum.computed is None:
        return checksum
    value = int(checksum.computed, 16) - int(checksum.stored, 16) + _EGON_STAMP & _MASK
    return replace(checksum, computed=f"{value:08x}")


_TOC0 = b"TOC0.GLH" + struct.pack("<I", 0x89119800)
_TOC0_FIRMWARE = 0x010202
_TOC0_ITEMS = 32


def _toc0(view: View) -> FirstStage:
    if view.bytes(0, 12) != _TOC0:
        raise FormatError(0, "no TOC0.GLH with its number")
    count, size = view.unpack("<II", 24)
    if size < 48 or size % 4 or count > _TOC0_ITEMS:
        raise FormatError(24, f"{count:,} items in {size:,} bytes")
    items = [view.unpack("<6I", 48 + 32 * number) for number in range(count)]
    firmware = next((item for item in items if item[0] == _TOC0_FIRMWARE), None)
    if firmware is None or firmware[1] + firmware[2] > size:
        raise FormatError(48, "no firmware inside among its items")
    return FirstStage(
        length=size,
        offsets={"check_sum": 12, "length": 28},
        checksums=(_stamped(view, size),),
        soc="Allwinner",
        version="TOC0",
        image_offset=firmware[1],
        image_size=firmware[2],
        load=firmware[5],
    )


# TI OMAP and AM335x -------------------------------------------------------------------------------

_SETTINGS = b"CHSETTINGS\0\0"
_SETTINGS_KEY = 0xC0C0C0C1


def _omap(view: View) -> FirstStage:
    where = view.u32le(0)
    if view.bytes(20, 12) != _SETTINGS or where > 512 - 4 or view.u32le(where) != _SETTINGS_KEY:
        raise FormatError(0, "no configuration header CHSETTINGS")
    size, load = view.unpack("<II", 512)
    if size < 8:
        raise FormatError(512, f"a size of {size:,} bytes")
    return FirstStage(
        length=512 + size,
        offsets={"size": 512, "load_addr": 516},
        soc="TI OMAP or AM335x",
        image_offset=520,
        image_size=size - 8,
        load=load,
        entry=load,
        begins=520,
    )


# i.MX8 and later, whose ROM reads containers ------------------------------------------------------

_CONTAINER = b"\0\x87"
_CONTAINERS_APART = KIB
_CONTAINER_IMAGES = 8
_HASHES = {0: ("sha256", 32), 1: ("sha384", 48), 2: ("sha512", 64)}


def _container_match(view: View) -> Match:
    head = view.upto(0, 16)
    if len(head) < 16 or head[:1] + head[3:4] != _CONTAINER:
        return Match.NO
    try:
        _containers(view)
    except ImgauditError:
        return Match.NO
    # What follows the images in a container is its signature block.
    signature = int.from_bytes(head[12:14], "little")
    inside = 16 + 128 * head[11] <= signature <= int.from_bytes(head[1:3], "little")
    return Match.GOOD if inside else Match.NO


def _containers(view: View) -> FirstStage:
    """Read containers as they stand one behind another, and the hash of each image in them."""
    checksums = []
    end = 0
    first: tuple[int, ...] = ()
    for at in range(0, 4 * _CONTAINERS_APART, _CONTAINERS_APART):
        head = view.upto(at, 16)
        if len(head) < 16 or head[:1] + head[3:4] != _CONTAINER:
            break
        size = int.from_bytes(head[1:3], "little")
        if not 0 < head[11] <= _CONTAINER_IMAGES or size < 16 + 128 * head[11]:
            raise FormatError(at, f"a container of {size:,} bytes with {head[11]} images")
        end = max(end, at + size)
        for number in range(head[11]):
            place = at + 16 + 128 * number
            offset, length, load, entry, flags, _ = view.unpack("<IIQQII", place)
            name, wide = _HASHES.get(flags >> 8 & 7, ("", 0))
            if length and name:
                covers = Span.sized(at + offset, length)
                what = f"image {number} of the container at {at:#x}"
                checksums.append(_sum(view, what, name, Span.sized(place + 32, wide), covers))
            end = max(end, at + offset + length)
            if length and not first:
                first = (at + offset, length, load, entry)
    if not first:
        raise FormatError(0, "no container with an image")
    return FirstStage(
        length=end,
        offsets={"length": 1, "num_images": 11},
        checksums=tuple(checksums),
        soc="i.MX8",
        image_offset=first[0],
        image_size=first[1],
        load=first[2],
        entry=first[3],
    )


# Rockchip -----------------------------------------------------------------------------------------

_RK_KEY = bytes((124, 78, 3, 4, 85, 5, 9, 7, 45, 44, 123, 56, 23, 13, 23, 17))
_RK_MAGIC = 0x0FF0AA55
_RK_SECTOR = 512
_RK_NOTHING = 512 * KIB // _RK_SECTOR


def rc4(data: bytes, key: bytes = _RK_KEY) -> bytes:
    """Scramble or unscramble as Rockchip's header is (lib/rc4.c)."""
    state = list(range(256))
    j = 0
    for i in range(256):
        j = (j + state[i] + key[i % len(key)]) & 0xFF
        state[i], state[j] = state[j], state[i]
    out = bytearray()
    i = j = 0
    for byte in data:
        i = (i + 1) & 0xFF
        j = (j + state[i]) & 0xFF
        state[i], state[j] = state[j], state[i]
        out.append(byte ^ state[(state[i] + state[j]) & 0xFF])
    return bytes(out)


_RK_HEADS = (b"RKNS", rc4(_RK_MAGIC.to_bytes(4, "little")))


def _rockchip_match(view: View) -> Match:
    return Match.SURE if view.upto(0, 4) in _RK_HEADS else Match.NO


def _rockchip(view: View) -> FirstStage:
    head = view.bytes(0, _RK_SECTOR)
    if head[:4] == b"RKNS":
        return _rockchip_new(view)
    plain = rc4(head)
    magic, offset = struct.unpack_from("<I8xH", plain)
    if magic != _RK_MAGIC:
        raise FormatError(0, "no RKNS and no header that Rockchip's key opens")
    # The sizes stand at the end of the header, before its own magic of two bytes.
    init, both = struct.unpack_from("<HH", plain, 506)
    if not offset or not init:
        raise FormatError(0, f"a first stage of {init} sectors from sector {offset}")
    tag = view.upto(offset * _RK_SECTOR, 4)
    spread = view.upto(2 * offset * _RK_SECTOR, 4)
    spi = tag[:2] != b"RK" and spread[:2] == b"RK"
    # mkimage says so many where it was given nothing to follow (RK_MAX_BOOT_SIZE).
    whole = both if init < both < init + _RK_NOTHING else init
    size = (offset + whole) * _RK_SECTOR
    return FirstStage(
        length=2 * size if spi else size,
        offsets={"init_size": 506, "init_boot_size": 508},
        soc="Rockchip",
        version="for SPI, spread" if spi else f"{both} sectors with what follows",
        medium="spi" if spi else "mmc" if tag[:2] == b"RK" else "",
        image_offset=offset * _RK_SECTOR * (2 if spi else 1),
        image_size=init * _RK_SECTOR,
    )


def _rockchip_new(view: View) -> FirstStage:
    head = view.bytes(0, 2048)
    places, flags = struct.unpack_from("<II", head, 8)
    count, hashed = places >> 16, 4 * (places & 0xFFFF)
    if count > 4 or hashed + 64 > len(head):
        raise FormatError(8, f"{count} images and a hash at {hashed:,}")
    algorithm = {1: "sha256", 2: "sha512"}.get(flags & 15)
    checksums = []
    end = len(head)
    first: tuple[int, int] | None = None
    for number in range(count):
        at = 120 + 88 * number
        value = int.from_bytes(head[at : at + 4], "little")
        span = Span.sized((value & 0xFFFF) * _RK_SECTOR, (value >> 16) * _RK_SECTOR)
        if not span.size:
            continue
        first = first or (span.start, span.size)
        end = max(end, span.end)
        if algorithm:
            place = Span.sized(at + 24, hashlib.new(algorithm).digest_size)
            checksums.append(_sum(view, f"image {number + 1}", algorithm, place, span))
    if algorithm and not flags >> 4:
        place = Span.sized(hashed, hashlib.new(algorithm).digest_size)
        checksums.append(_sum(view, "header", algorithm, place, Span(0, hashed)))
    if first is None:
        raise FormatError(120, "no image follows")
    return FirstStage(
        length=end,
        offsets={"images": 120, "hash": hashed},
        checksums=tuple(checksums),
        soc="Rockchip",
        version="RKNS",
        image_offset=first[0],
        image_size=first[1],
    )


# Marvell ------------------------------------------------------------------------------------------

_KWB = struct.Struct("<BBHIBBHIII")
_KWB_FROM = {
    0x4D: "I2C",
    0x5A: "SPI",
    0x69: "UART",
    0x78: "SATA",
    0x8B: "NAND",
    0x9C: "PCIe",
    0xAE: "SD and eMMC",
}


def _marvell_match(view: View) -> Match:
    if not view.upto(0, 1) or view.u8(0) not in _KWB_FROM:
        return Match.NO
    return Match.GOOD if _reads(_marvell, view) else Match.NO


def _marvell(view: View) -> FirstStage:
    head = view.bytes(0, 32)
    kind, _, _, size, version, high, low, source, load, entry = _KWB.unpack_from(head)
    if kind not in _KWB_FROM or version > 1 or size < 4:
        raise FormatError(0, f"no header for a boot from a device that is known ({kind:#x})")
    header = 32 if version == 0 else high << 16 | low
    if header < 32 or header > 4 * MIB:
        raise FormatError(9, f"a header of {header:,} bytes")
    own = sum(view.bytes(0, header)) - head[31] & 0xFF
    # For disks the place is a number of sectors; SATA counts from the one behind its header.
    unit = 512 if kind in {0x78, 0xAE} else 1
    start = source * unit - (512 if kind == 0x78 else 0)
    data = Span.sized(max(start, 0), size - 4)
    if data.end + 4 > view.size:
        raise FormatError(12, f"{size:,} bytes from {start:#x}, beyond the end")
    return FirstStage(
        length=data.end + 4,
        offsets={"blocksize": 4, "srcaddr": 12, "destaddr": 16, "execaddr": 20, "checksum": 31},
        checksums=(
            Checksum(
                "header", "8-bit sum of bytes", f"{head[31]:02x}", f"{own:02x}", 31, Span(0, header)
            ),
            _sum(view, "first stage", "sum of words", Span.sized(data.end, 4), data),
        ),
        soc="Marvell",
        version=f"{version}, from {_KWB_FROM[kind]}",
        medium={0x5A: "spi", 0xAE: "mmc", 0x8B: "nand"}.get(kind, ""),
        image_offset=data.start,
        image_size=data.size,
        load=load,
        entry=entry,
    )


# STM32 --------------------------------------------------------------------------------------------


def _stm32(view: View) -> FirstStage:
    head = view.bytes(0, 256)
    if head[:4] != b"STM2":
        raise FormatError(0, "no STM2")
    _, minor, major, _ = struct.unpack_from("<4B", head, 72)
    size, entry, _, load = struct.unpack_from("<4I", head, 76)
    # The second layout, of version 2, has its payload behind 512 bytes.
    start = 512 if major == 2 else 256
    return FirstStage(
        length=start + size,
        offsets={"image_checksum": 68, "image_length": 76, "entry": 80, "load": 88},
        checksums=(
            _sum(view, "first stage", "sum of bytes", Span(68, 72), Span.sized(start, size)),
        ),
        soc="STM32MP",
        version=f"{major}.{minor}",
        image_offset=start,
        image_size=size,
        load=load,
        entry=entry,
    )


# Zynq and Zynq UltraScale+ ------------------------------------------------------------------------

_ZYNQ = struct.pack("<I", 0xAA995566) + b"XNLX"


def _zynq(view: View) -> FirstStage:
    if view.bytes(0x20, 8) != _ZYNQ:
        raise FormatError(0x20, "no width detection word 0xaa995566 and XNLX")
    # What follows the encryption differs with the family; only a Zynq's registers stand at 0xa0.
    plus = not view.u32le(0xA0)
    fields = view.unpack("<7I", 0x2C)
    names = ("user", "offset", "size", "reserved", "load", "stored", "more")
    if plus:
        names = ("load", "offset", "pmu", "pmu_stored", "size", "stored", "attributes")
    found = dict(zip(names, fields, strict=True))
    return FirstStage(
        length=found["offset"] + found["size"],
        offsets={"image_offset": 0x30, "checksum": 0x48},
        checksums=(
            _sum(view, "header", "inverted sum of words", Span(0x48, 0x4C), Span(0x20, 0x48)),
        ),
        soc="Zynq UltraScale+" if plus else "Zynq",
        image_offset=found["offset"],
        image_size=found["size"],
        load=found["load"],
    )


# SoCFPGA ------------------------------------------------------------------------------------------


def _socfpga(view: View) -> FirstStage:
    word, version, _, length = view.unpack("<IBBH", 0x40)
    if word != 0x31305341 or version > 1:
        raise FormatError(0x40, "no validation word AS01 with version 0 or 1")
    size, at = 4 * length, 0x4A
    if version:
        size, at = view.u32le(0x48), 0x52
    if size < 0x80:
        raise FormatError(0x46, f"a length of {size:,} bytes")
    # The last byte before the sum is not in it: U-Boot's tool and the ROM count one less.
    covers = Span(0x40, at - 1)
    data = Span(0, size - 4)
    return FirstStage(
        length=size,
        offsets={"length": 0x48 if version else 0x46, "checksum": at},
        checksums=(
            _sum(view, "header", "16-bit sum of bytes", Span.sized(at, 2), covers),
            _sum(view, "first stage", "crc32-bzip2", Span.sized(data.end, 4), data),
        ),
        soc="SoCFPGA",
        version=str(version),
        image_offset=0,
        image_size=size,
    )


def _at(place: int, magic: bytes) -> Callable[[View], Match]:
    def match(view: View) -> Match:
        return Match.SURE if view.upto(place, len(magic)) == magic else Match.NO

    return match


def _omap_match(view: View) -> Match:
    known = view.upto(20, 12) == _SETTINGS
    return Match.SURE if known and _reads(_omap, view) else Match.NO


_HEADERS = (
    Reader(
        "sunxi-toc0", "Allwinner first stage", "U-Boot tools/sunxi_toc0.c", _at(0, _TOC0), _toc0
    ),
    Reader("omap-image", "TI first stage", "U-Boot tools/omapimage.c", _omap_match, _omap),
    Reader(
        "imx8-image", "i.MX8 first stage", "U-Boot tools/imx8image.c", _container_match, _containers
    ),
    Reader("imx-ivt", "i.MX first stage", "U-Boot include/imximage.h", _ivt_match, _ivt),
    Reader(
        "egon", "Allwinner first stage", "U-Boot tools/sunxi_egon.c", _at(4, b"eGON.BT0"), _egon
    ),
    Reader(
        "rockchip-idb",
        "Rockchip first stage",
        "U-Boot tools/rkcommon.c",
        _rockchip_match,
        _rockchip,
    ),
    Reader("kwbimage", "Marvell first stage", "U-Boot tools/kwbimage.h", _marvell_match, _marvell),
    Reader(
        "stm32-image", "STM32MP first stage", "U-Boot tools/stm32image.c", _at(0, b"STM2"), _stm32
    ),
    Reader(
        "zynq-image",
        "Zynq first stage",
        "U-Boot tools/zynqimage.c and zynqmpimage.c",
        _at(0x20, _ZYNQ),
        _zynq,
    ),
    Reader(
        "socfpga-image",
        "SoCFPGA first stage",
        "U-Boot tools/socfpgaimage.c",
        _at(0x40, b"AS01"),
        _socfpga,
    ),
)
_SOUGHT = tuple(map(_past_padding, _HEADERS))
READERS = tuple(replace(reader, read=_with_what_follows(reader.read)) for reader in _SOUGHT)
