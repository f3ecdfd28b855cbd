"""Legacy U-Boot image ("uImage"): a 64-byte header before a kernel, ramdisk, script or files.

Source: U-Boot include/image.h (`struct legacy_img_hdr` and the code tables) and boot/image.c.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterable
from typing import ClassVar

from imgaudit.data import dataclass
from imgaudit.errors import FormatError
from imgaudit.formats.facts import Checksum, Facts, Match, Part, Reader
from imgaudit.formats.view import View
from imgaudit.units import Span, human, round_up

MAGIC = 0x27051956
HEADER_SIZE = 64

_MAX_MEMBERS = 1 << 10  # in use are three: kernel, ramdisk, device tree
_MAX_SCRIPT = 1 << 20  # U-Boot reads scripts into a console-sized buffer; real ones are a few KiB
_FIELDS = {
    "magic": 0,
    "hcrc": 4,
    "time": 8,
    "size": 12,
    "load": 16,
    "ep": 20,
    "dcrc": 24,
    "os": 28,
    "arch": 29,
    "type": 30,
    "comp": 31,
    "name": 32,
}
OS_NAMES = (
    "invalid", "openbsd", "netbsd", "freebsd", "4_4bsd", "linux", "svr4", "esix", "solaris", "irix",
    "sco", "dell", "ncr", "lynxos", "vxworks", "psos", "qnx", "u-boot", "rtems", "artos", "unity",
    "integrity", "ose", "plan9", "openrtos", "arm-trusted-firmware", "tee", "opensbi", "efi", "elf",
)  # fmt: skip
ARCH_NAMES = (
    "invalid", "alpha", "arm", "x86", "ia64", "mips", "mips64", "powerpc", "s390", "sh", "sparc",
    "sparc64", "m68k", "nios", "microblaze", "nios2", "blackfin", "avr32", "st200", "sandbox",
    "nds32", "or1k", "arm64", "arc", "x86_64", "xtensa", "riscv",
)  # fmt: skip
TYPE_NAMES = (
    "invalid", "standalone", "kernel", "ramdisk", "multi", "firmware", "script", "filesystem",
    "flat_dt", "kwbimage", "imximage", "ublimage", "omapimage", "aisimage", "kernel_noload",
    "pblimage", "mxsimage", "gpimage", "atmelimage", "socfpgaimage", "x86_setup", "lpc32xximage",
    "loadable", "rkimage", "rksd", "rkspi", "zynqimage", "zynqmpimage", "zynqmpbif", "fpga",
    "vybridimage", "tee", "firmware_ivt", "pmmc", "stm32image", "socfpgaimage_v1", "mtk_image",
    "imx8mimage", "imx8image", "copro", "sunxi_egon", "sunxi_toc0", "fdt_legacy", "spkgimage",
    "sfspl",
)  # fmt: skip
COMPRESSION_NAMES = ("none", "gzip", "bzip2", "lzma", "lzo", "lz4", "zstd")
U_BOOT_UNPACKS = frozenset(COMPRESSION_NAMES) - {"none"}
"""What U-Boot unpacks, of a FIT's images too (boot/image.c, uimage_comp[]); lz4 means frames."""
# U-Boot unpacks only what it starts; it hands a ramdisk or a script on as stored.
_UNPACKED = {"kernel", "kernel_noload", "standalone", "firmware"}


@dataclass(frozen=True, slots=True)
class Member:
    """One file of a multi or script image; `table_offset` is where its size stands."""

    offset: int
    size: int
    table_offset: int


@dataclass(frozen=True, kw_only=True)
class UimageFacts(Facts):
    """A legacy image's header, and the table of sizes of types multi and script.

    The field names are those of the header without `ih_`. `os`, `arch`, `type` and `compression`
    are the short names that mkimage takes, or `unknown N`. `data_present` is how many of the `size`
    bytes after the header are in the file. `table_ended` tells whether the table of sizes has its
    closing zero inside the data (None without a table); `members_end` is where the last member
    ends. `script` is the text of a script image, at most 1 MiB of it.
    """

    format: ClassVar[str] = "uimage"

    time: int
    size: int
    load: int
    ep: int
    os: str
    arch: str
    type: str
    compression: str
    name: str
    data_offset: int
    data_present: int
    members: tuple[Member, ...]
    table_ended: bool | None
    members_end: int
    script: bytes | None

    def parts(self) -> Iterable[Part]:
        """Give the data, or each member of a multi or script image, that is all in the file."""
        end = self.data_offset + self.data_present
        if self.table_ended is None:
            if 0 < self.size == self.data_present:
                yield Part("data", self.data_offset, self.size, self._expects(0))
            return
        for index, member in enumerate(self.members):
            if member.offset + member.size <= end:
                yield Part(f"image-{index}", member.offset, member.size, self._expects(index))

    def _expects(self, index: int) -> str | None:
        """Say what U-Boot takes a file for; in a multi image by its place: kernel, ramdisk, DTB."""
        multi = self.type == "multi"
        if self.type == "flat_dt" or (multi and index == 2):
            return "fdt"
        unpacked = self.type in _UNPACKED or (multi and index == 0)
        known = self.compression in COMPRESSION_NAMES[1:]
        return self.compression if unpacked and known else None

    def summary(self) -> str:
        """Say what it holds and for what, and the size."""
        return f"{self.arch} {self.os} {self.type}, {human(self.size)}"


def _match(view: View) -> Match:
    header = view.upto(0, HEADER_SIZE)
    if len(header) < HEADER_SIZE or header[:4] != MAGIC.to_bytes(4, "big"):
        return Match.NO
    agrees = _header_crc(header) == int.from_bytes(header[4:8], "big")
    return Match.SURE if agrees else Match.GOOD


def read(view: View) -> UimageFacts:
    """Read a legacy image and recompute both its checksums.

    Raises:
        FormatError: the header is cut, or has no magic.

    """
    raw = view.bytes(0, HEADER_SIZE)
    magic, hcrc, time, size, load, ep, dcrc = struct.unpack_from(">7I", raw)
    if magic != MAGIC:
        raise FormatError(0, "not a legacy U-Boot image: the magic is missing")
    os, arch, kind, compression = struct.unpack_from(">4B", raw, 28)
    present = min(size, view.size - HEADER_SIZE)
    type_name = _name(TYPE_NAMES, kind)
    members: tuple[Member, ...] = ()
    ended: bool | None = None
    script: bytes | None = None
    if type_name in {"multi", "script"}:
        members, ended = _members(view, HEADER_SIZE + present)
    if type_name == "script" and members:
        first = members[0]
        script = view.upto(first.offset, min(first.size, _MAX_SCRIPT))
    return UimageFacts(
        length=HEADER_SIZE + size,
        offsets=_FIELDS,
        checksums=(
            Checksum(
                name="header",
                algorithm="crc32",
                stored=f"{hcrc:08x}",
                computed=f"{_header_crc(raw):08x}",
                offset=_FIELDS["hcrc"],
                covers=Span(0, HEADER_SIZE),
            ),
            _data_checksum(view, size, present, dcrc),
        ),
        time=time,
        size=size,
        load=load,
        ep=ep,
        os=_name(OS_NAMES, os),
        arch=_name(ARCH_NAMES, arch),
        type=type_name,
        compression=_name(COMPRESSION_NAMES, compression),
        name=raw[32:].split(b"\0", 1)[0].decode("utf-8", "backslashreplace"),
        data_offset=HEADER_SIZE,
        data_present=present,
        members=members,
        table_ended=ended,
        members_end=members[-1].offset + members[-1].size if members else HEADER_SIZE,
        script=script,
    )


def _name(names: tuple[str, ...], code: int) -> str:
    return names[code] if code < len(names) else f"unknown {code}"


def _header_crc(header: bytes) -> int:
    """Compute the header's CRC, for which its own field counts as zero."""
    return zlib.crc32(header[:4] + bytes(4) + header[8:])


def _data_checksum(view: View, size: int, present: int, stored: int) -> Checksum:
    computed, why = None, f"{size - present:,} of the {size:,} bytes of data are not in the file"
    if present == size:
        crc, why = 0, ""
        for piece in view.chunks(HEADER_SIZE, HEADER_SIZE + size):
            crc = zlib.crc32(piece, crc)
        computed = f"{crc:08x}"
    return Checksum(
        name="data",
        algorithm="crc32",
        stored=f"{stored:08x}",
        computed=computed,
        offset=_FIELDS["dcrc"],
        covers=Span.sized(HEADER_SIZE, size),
        why=why,
    )


def _members(view: View, end: int) -> tuple[tuple[Member, ...], bool]:
    """Read the big-endian sizes up to a zero; the files follow, each starting 4-aligned."""
    table = view.upto(HEADER_SIZE, min(end - HEADER_SIZE, 4 * (_MAX_MEMBERS + 1)))
    sizes = struct.unpack_from(f">{len(table) // 4}I", table)
    ended = 0 in sizes
    sizes = sizes[: sizes.index(0)] if ended else ()
    at = HEADER_SIZE + 4 * (len(sizes) + 1)
    found = []
    for index, size in enumerate(sizes):
        found.append(Member(at, size, HEADER_SIZE + 4 * index))
        at = round_up(at + size, 4)
    return tuple(found), ended


READER = Reader(
    name="uimage",
    title="Legacy U-Boot image",
    source="U-Boot include/image.h",
    match=_match,
    read=read,
)
