"""EFI programs and unified kernel images: PE/COFF headers and sections.

Sources: Microsoft PE Format; UEFI specification, "Images"; the UAPI Group's Unified Kernel Image
specification for the sections' names.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import field
from typing import ClassVar

from imgaudit.data import dataclass
from imgaudit.errors import FormatError
from imgaudit.formats.facts import Facts, Match, Part, Reader
from imgaudit.formats.view import View
from imgaudit.units import human

MACHINES = {
    0x14C: "x86",
    0x8664: "x86-64",
    0x1C0: "arm",
    0x1C2: "arm",
    0x1C4: "arm",
    0xAA64: "arm64",
    0x5032: "riscv32",
    0x5064: "riscv64",
}
SUBSYSTEMS = {10: "application", 11: "boot driver", 12: "runtime driver", 13: "ROM"}
MAX_SECTIONS = 96  # the most that Windows loads; a unified kernel image has some 12
MAX_TEXT = 64 << 10
_INSIDE = {".linux": None, ".initrd": None, ".ucode": None, ".dtb": "fdt", ".dtbauto": "fdt"}
_TEXTS = (".cmdline", ".osrel", ".uname", ".sbat")
_ZIMAGE = (0x016F2818).to_bytes(4, "little")  # Linux arch/arm/boot/compressed/head.S
_KERNELS = {b"ARM\x64", b"RSC\x05"}


@dataclass(frozen=True, slots=True)
class Section:
    """A section: where it is in the file and in memory."""

    name: str
    offset: int
    size: int
    address: int
    memory: int


@dataclass(frozen=True, kw_only=True)
class Efi(Facts):
    """An EFI program; a unified kernel image has `.linux`. `texts` has its sections of text."""

    format: ClassVar[str] = "efi"

    arch: str
    subsystem: str
    signed: bool
    sections: tuple[Section, ...]
    texts: dict[str, str] = field(repr=False)

    @property
    def unified(self) -> bool:
        """Whether it brings its own kernel."""
        return any(section.name == ".linux" for section in self.sections)

    def section(self, name: str) -> Section | None:
        """Find the first section of a name."""
        return next((section for section in self.sections if section.name == name), None)

    def parts(self) -> Iterator[Part]:
        """Give kernel, ramdisk and device trees of a unified kernel image."""
        seen: dict[str, int] = {}
        for section in self.sections:
            if section.name in _INSIDE and section.size:
                seen[section.name] = number = seen.get(section.name, 0) + 1
                name = section.name if number == 1 else f"{section.name} {number}"
                size = min(section.size, section.memory or section.size)
                yield Part(name, section.offset, size, _INSIDE[section.name])

    def summary(self) -> str:
        """Give the architecture and what it is."""
        kind = "unified kernel image" if self.unified else self.subsystem
        return f"{kind} for {self.arch}, {human(self.length or 0)}"


def _header(view: View) -> int | None:
    """Give where the PE header starts; None where there is none of an EFI program."""
    if view.upto(0, 2) != b"MZ" or view.size < 0x40:
        return None
    at = view.u32le(0x3C)
    if view.upto(at, 4) != b"PE\0\0" or view.size < at + 24 + 70:
        return None
    return at if view.u16le(at + 24 + 68) in SUBSYSTEMS else None


def _match(view: View) -> Match:
    if _header(view) is None:
        return Match.NO
    # A kernel with an EFI stub is a kernel first.
    kernel = (
        view.upto(0x38, 4) in _KERNELS
        or view.upto(0x24, 4) == _ZIMAGE
        or view.upto(0x202, 4) == b"HdrS"
    )
    return Match.WEAK if kernel else Match.SURE


def stated_end(view: View) -> int | None:
    """Give where a program's last section ends in the file; None where no whole header says it."""
    with contextlib.suppress(FormatError):
        return _read(view).length
    return None


def _read(view: View) -> Efi:
    at = _header(view)
    if at is None:
        raise FormatError(0, "no PE header of an EFI program")
    machine, count = view.unpack("<HH", at + 4)
    optional = view.u16le(at + 20)
    wide = view.u16le(at + 24) == 0x20B
    if count > MAX_SECTIONS:
        raise FormatError(at + 6, f"{count:,} sections")
    sections = []
    table = at + 24 + optional
    for number in range(count):
        place = table + 40 * number
        name = view.bytes(place, 8).rstrip(b"\0").decode("utf-8", "backslashreplace")
        memory, address, size, offset = view.unpack("<4I", place + 8)
        sections.append(Section(name, offset, size, address, memory))
    end = max((section.offset + section.size for section in sections), default=0)
    directory = at + 24 + (112 if wide else 96) + 8 * 4
    certificate, length = (0, 0)
    if view.u32le(directory - 36) > 4 and directory + 8 <= table:
        certificate, length = view.unpack("<II", directory)
    texts = {
        section.name: _text(view.upto(section.offset, min(section.size, MAX_TEXT)))
        for section in sections
        if section.name in _TEXTS
    }
    return Efi(
        length=max(end, certificate + length if certificate else 0, view.u32le(at + 24 + 60)),
        offsets={"machine": at + 4, "sections": table, "subsystem": at + 24 + 68},
        arch=MACHINES.get(machine, f"machine {machine:#x}"),
        subsystem=SUBSYSTEMS[view.u16le(at + 24 + 68)],
        signed=bool(certificate),
        sections=tuple(sections),
        texts=texts,
    )


def _text(data: bytes) -> str:
    return data.split(b"\0")[0].decode("utf-8", "backslashreplace")


READER = Reader(
    name="efi",
    title="EFI program",
    source="Microsoft PE Format; UAPI Group, Unified Kernel Image",
    match=_match,
    read=_read,
)
