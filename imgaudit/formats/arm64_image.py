"""arm64 Linux kernel `Image`: the 64-byte header at its start.

Source: Linux Documentation/arch/arm64/booting.rst, section 4; arch/arm64/kernel/efi-header.S for
the sections, of which the last ends where the file does.
"""

from __future__ import annotations

import struct
from typing import ClassVar

from imgaudit.data import dataclass
from imgaudit.errors import FormatError
from imgaudit.formats.efi import stated_end
from imgaudit.formats.facts import Facts, Match, Reader
from imgaudit.formats.view import View
from imgaudit.units import human

MAGIC = b"ARM\x64"
OLD_TEXT_OFFSET = 0x80000

_FIELDS = {
    "code0": 0,
    "code1": 4,
    "text_offset": 8,
    "image_size": 16,
    "flags": 24,
    "res2": 32,
    "res3": 40,
    "res4": 48,
    "magic": 56,
    "res5": 60,
}
_PAGE_SIZES = (None, 4 << 10, 16 << 10, 64 << 10)


@dataclass(frozen=True, kw_only=True)
class Arm64ImageFacts(Facts):
    """The header of an arm64 kernel.

    `image_size` is the RAM that the kernel needs from its start, so it normally exceeds the file; a
    kernel before 3.17 says 0. `load_offset` is the distance from a 2 MiB boundary at which it must
    lie: `text_offset`, or 0x80000 where `image_size` is 0. `page_size` is None where unspecified.
    `anywhere` tells that the place need not be close to the start of RAM. `pe_offset` is None
    without an EFI header; with one, its sections say how long the file is.
    """

    format: ClassVar[str] = "arm64-image"

    text_offset: int
    load_offset: int
    image_size: int
    flags: int
    big_endian: bool
    page_size: int | None
    anywhere: bool
    pe_offset: int | None

    def summary(self) -> str:
        """Say how much RAM it needs, and the page size."""
        pages = f", {human(self.page_size)} pages" if self.page_size else ""
        return f"needs {human(self.image_size)} of RAM{pages}"


def _match(view: View) -> Match:
    if view.upto(56, 4) != MAGIC:
        return Match.NO
    # Bits and words that the document reserves are zero in every kernel so far.
    reserved = view.bytes(32, 24) + view.bytes(25, 7)
    return Match.GOOD if any(reserved) else Match.SURE


def read(view: View) -> Arm64ImageFacts:
    """Read the header of an arm64 kernel.

    Raises:
        FormatError: the header is cut, or has no magic.

    """
    raw = view.bytes(0, 64)
    if raw[56:60] != MAGIC:
        raise FormatError(_FIELDS["magic"], "not an arm64 kernel: the magic is missing")
    text_offset, image_size, flags, pe_offset = struct.unpack("<8xQQQ28xI", raw)
    efi = raw[:2] == b"MZ"
    return Arm64ImageFacts(
        length=stated_end(view) if efi else None,
        offsets=_FIELDS,
        text_offset=text_offset,
        load_offset=text_offset if image_size else OLD_TEXT_OFFSET,
        image_size=image_size,
        flags=flags,
        big_endian=bool(flags & 1),
        page_size=_PAGE_SIZES[flags >> 1 & 3],
        anywhere=bool(flags >> 3 & 1),
        pe_offset=pe_offset if efi else None,
    )


READER = Reader(
    name="arm64-image",
    title="arm64 Linux kernel",
    source="Linux Documentation/arch/arm64/booting.rst",
    match=_match,
    read=read,
)
