"""RISC-V Linux kernel `Image`: the 64-byte header at its start.

Source: Linux Documentation/arch/riscv/boot-image-header.rst.
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

MAGIC = b"RISCV\0\0\0"
MAGIC2 = b"RSC\x05"

_FIELDS = {
    "code0": 0,
    "code1": 4,
    "text_offset": 8,
    "image_size": 16,
    "flags": 24,
    "version": 32,
    "res1": 36,
    "res2": 40,
    "magic": 48,
    "magic2": 56,
    "res3": 60,
}


@dataclass(frozen=True, kw_only=True)
class RiscvImageFacts(Facts):
    """The header of a RISC-V kernel.

    `image_size` is the RAM that the kernel needs from its start; boot loaders refuse 0. `version`
    is (major, minor). `pe_offset` is None without an EFI header. `current` tells that the magic of
    headers since version 0.2 is there. The header does not say how long the file is.
    """

    format: ClassVar[str] = "riscv-image"

    text_offset: int
    image_size: int
    flags: int
    big_endian: bool
    version: tuple[int, int]
    pe_offset: int | None
    current: bool = True

    def summary(self) -> str:
        """Say how much RAM it needs."""
        return f"needs {human(self.image_size)} of RAM"


def _match(view: View) -> Match:
    old, new = view.upto(48, 8) == MAGIC, view.upto(56, 4) == MAGIC2
    if old and new:
        return Match.SURE
    # `magic` is deprecated since header version 0.2, and `magic2` does not exist before.
    return Match.GOOD if old or new else Match.NO


def read(view: View) -> RiscvImageFacts:
    """Read the header of a RISC-V kernel.

    Raises:
        FormatError: the header is cut, or has neither magic.

    """
    raw = view.bytes(0, 64)
    if raw[48:56] != MAGIC and raw[56:60] != MAGIC2:
        raise FormatError(_FIELDS["magic2"], "not a RISC-V kernel: both magics are missing")
    text_offset, image_size, flags, version, pe_offset = struct.unpack("<8xQQQI24xI", raw)
    efi = raw[:2] == b"MZ"
    return RiscvImageFacts(
        length=stated_end(view) if efi else None,
        offsets=_FIELDS,
        text_offset=text_offset,
        image_size=image_size,
        flags=flags,
        big_endian=bool(flags & 1),
        version=(version >> 16, version & 0xFFFF),
        pe_offset=pe_offset if efi else None,
        current=raw[56:60] == MAGIC2,
    )


READER = Reader(
    name="riscv-image",
    title="RISC-V Linux kernel",
    source="Linux Documentation/arch/riscv/boot-image-header.rst",
    match=_match,
    read=read,
)
