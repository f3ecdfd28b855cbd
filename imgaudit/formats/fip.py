"""Firmware Image Package: the container from which Trusted Firmware-A loads its images.

Source: Trusted Firmware-A docs/design/firmware-design.rst, "FIP layout", and
include/tools_share/firmware_image_package.h.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from typing import ClassVar, NamedTuple

from imgaudit.data import dataclass
from imgaudit.errors import FormatError, ImgauditError
from imgaudit.formats.facts import Facts, Match, Part, Reader
from imgaudit.formats.view import View
from imgaudit.units import counted, human

MAGIC = 0xAA640001
HEADER_SIZE = 16
ENTRY_SIZE = 40

# The header file of the source names fewer than 40 images: this leaves ample room for a platform's.
MAX_ENTRIES = 512
# A package lives in NOR flash or in an eMMC boot area: more bytes behind it are not its padding.
TRAILING_LIMIT = 64 << 20

_NULL = bytes(16)
_ERASED = b"\xff" * 16

ROLES: dict[str, str] = {
    "65922703-2f74-e644-8dff-579ac1ff0610": "SCP_BL2U",
    "60b3eb37-c1e5-ea41-9df3-19eda11f6801": "BL2U",
    "4f511d11-2be5-4e49-b4c5-83c2f715840a": "NS_BL2U",
    "71408ab2-18d6-874c-8b2e-c6dccd50f096": "FWU_CERT",
    "5ff9ec0b-4d22-3e4d-a544-c39d81c73f0a": "BL2",
    "9766fd3d-89be-e849-ae5d-78a140608213": "SCP_BL2",
    "47d4086d-4cfe-9846-9b95-2950cbbd5a00": "BL31",
    "05d0e189-53dc-1347-8d2b-500a4b7a3e38": "BL32",
    "0b70c29b-2a5a-7840-9f65-0a5682738288": "BL32_EXTRA1",
    "8ea87bb1-cfa2-3f4d-85fd-e7bba50220d9": "BL32_EXTRA2",
    "d6d0eea7-fcea-d54b-9782-9934f234b6e4": "BL33",
    "6c0762a6-12f2-4b56-92cb-ba8f633606d9": "RMM",
    "862d1d72-f860-e411-920b-8be762160f24": "ROT_KEY_CERT",
    "827ee890-f860-e411-a1b4-777a21b4f94c": "TRUSTED_KEY_CERT",
    "1c67873d-5f63-e411-978d-27c0c7148abd": "NON_TRUSTED_WORLD_KEY_CERT",
    "024221a1-f860-e411-8d9b-f33c0e15a014": "SCP_FW_KEY_CERT",
    "8ab8becc-f960-e411-9ad0-eb4822d8dcf8": "SOC_FW_KEY_CERT",
    "9477d603-fb60-e411-85dd-b7105b8cee04": "TRUSTED_OS_FW_KEY_CERT",
    "8ad5832a-fb60-e411-8aaf-df30bbc49859": "NON_TRUSTED_FW_KEY_CERT",
    "d6e269ea-5d63-e411-8d8c-9fbabe9956a5": "TRUSTED_BOOT_FW_CERT",
    "44be6f04-5e63-e411-b28b-73d8eaae9656": "SCP_FW_CONTENT_CERT",
    "e2b20c20-5e63-e411-9ce8-abccf92bb666": "SOC_FW_CONTENT_CERT",
    "a49f4411-5e63-e411-8728-3f05722af33d": "TRUSTED_OS_FW_CONTENT_CERT",
    "8ec4c1f3-5d63-e411-a7a9-87ee40b23fa7": "NON_TRUSTED_FW_CONTENT_CERT",
    "776dfd44-8697-4c3b-91eb-c13e025a2a6f": "SIP_SECURE_PARTITION_CONTENT_CERT",
    "ddcbbf4a-cad6-11ea-87d0-0242ac130003": "PLAT_SECURE_PARTITION_CONTENT_CERT",
    "36d83d85-761d-4daf-96f1-cd99d6569b00": "CCA_CONTENT_CERT",
    "52222d31-820f-494d-8bbc-ea6825d3c35a": "CORE_SWD_KEY_CERT",
    "d43cd902-5b9f-412e-8ac6-92b6d18be60d": "PLAT_KEY_CERT",
    "08b8f1d9-c9cf-9349-a962-6fbc6b7265cc": "HW_CONFIG",
    "6c0458ff-af6b-7d4f-82ed-aa27bc69bfd2": "TB_FW_CONFIG",
    "9979814b-0376-fb46-8c8e-8d267f7859e0": "SOC_FW_CONFIG",
    "26257c1a-dbc6-7f47-8d96-c4c4b0248021": "TOS_FW_CONFIG",
    "28da9815-93e8-7e44-ac66-1aaf801550f9": "NT_FW_CONFIG",
    "5807e16a-8459-47be-8ed5-648e8dddab0e": "FW_CONFIG",
}
"""What each UUID of the specification stands for: the name in its header file, shortened."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FipEntry:
    """One 40-byte entry of the table of contents, stored at `offset`.

    `uuid` is the stored bytes in file order, with dashes. `role` is None for a UUID that the
    specification does not know, which a platform may define. The payload is at
    `[offset_address, offset_address + size)`, wherever that lies.
    """

    offset: int
    uuid: str
    role: str | None
    offset_address: int
    size: int
    flags: int

    @property
    def name(self) -> str:
        """The role, or the UUID where there is none."""
        return self.role or self.uuid

    @property
    def end(self) -> int:
        """The first byte after the payload."""
        return self.offset_address + self.size


_REQUIRED = {"arm64": ("BL31", "BL33"), "arm": ("BL32", "BL33")}
# A package that carries these is loaded by the update firmware, not by BL2.
_UPDATE = frozenset({"BL2U", "NS_BL2U", "SCP_BL2U", "FWU_CERT"})


@dataclass(frozen=True, kw_only=True)
class Fip(Facts):
    """A package's table of contents.

    `end_marker` is where the all-zero entry stands (None where the table does not end); `length`
    is what that entry declares. `toc_size` counts the header and every entry, with the end marker.
    `trailing` bytes follow the declared length inside the view; `trailing_fill` is the value that
    all of them have, None where they differ or are too many to be padding. `blank` names the images
    whose bytes are all 0x00 or all 0xFF.
    """

    format: ClassVar[str] = "fip"

    view_size: int
    serial_number: int
    flags: int
    entries: tuple[FipEntry, ...]
    end_marker: int | None
    toc_size: int
    trailing: int
    trailing_fill: int | None
    blank: frozenset[str] = frozenset()

    def entry(self, role: str) -> FipEntry | None:
        """Give the first entry with a role: the one that the firmware loads."""
        return next((entry for entry in self.entries if entry.role == role), None)

    def missing(self, arch: str) -> Iterator[tuple[str, str]]:
        """Give the roles that BL2 loads on such a board and cannot, and how it has them.

        `no`, `an empty`, `a blank`, or `a cut` where the bytes are not all in the view. Nothing of
        an update package.
        """
        if _UPDATE & {entry.role for entry in self.entries}:
            return
        for role in _REQUIRED.get(arch, ()):
            entry = self.entry(role)
            if entry is None:
                yield role, "no"
            elif not entry.size:
                yield role, "an empty"
            elif entry.end > self.view_size:
                yield role, "a cut"
            elif entry.name in self.blank:
                yield role, "a blank"

    def parts(self) -> Iterator[Part]:
        """Give the payloads that lie wholly inside the view."""
        for entry in self.entries:
            if entry.end <= self.view_size:
                yield Part(entry.name, entry.offset_address, entry.size)

    def summary(self) -> str:
        """Say how many images there are and how long the package is."""
        count = counted(len(self.entries), "image")
        return (
            f"{count}, no end marker" if self.length is None else f"{count}, {human(self.length)}"
        )


def match(view: View) -> Match:
    """Recognise the magic; be sure where the table ends and its payloads follow it."""
    try:
        toc = _read_toc(view)
    except ImgauditError:
        return Match.NO
    if toc.length is None:
        return Match.WEAK
    follow = all(entry.offset_address >= toc.size for entry in toc.entries)
    return Match.SURE if follow and toc.entries else Match.GOOD


def read(view: View) -> Fip:
    """Read the table of contents.

    Raises:
        FormatError: no FIP header is there.

    """
    toc = _read_toc(view)
    _, serial_number, flags = view.unpack("<IIQ", 0)
    end_marker = None if toc.length is None else toc.size - ENTRY_SIZE
    offsets = {"name": 0, "serial_number": 4, "flags": 8}
    if end_marker is not None:
        offsets |= {"end_marker": end_marker, "length": end_marker + 16}
    trailing = 0 if toc.length is None else max(0, view.size - toc.length)
    return Fip(
        length=toc.length,
        offsets=offsets,
        view_size=view.size,
        serial_number=serial_number,
        flags=flags,
        entries=toc.entries,
        end_marker=end_marker,
        toc_size=toc.size,
        trailing=trailing,
        trailing_fill=_fill(view, view.size - trailing) if trailing else None,
        blank=frozenset(entry.name for entry in toc.entries if _is_blank(view, entry)),
    )


class _Toc(NamedTuple):
    entries: tuple[FipEntry, ...]
    size: int
    length: int | None


def _read_toc(view: View) -> _Toc:
    if not view.bytes(0, HEADER_SIZE).startswith(MAGIC.to_bytes(4, "little")):
        raise FormatError(0, "no FIP magic 0xAA640001")
    entries: list[FipEntry] = []
    at = HEADER_SIZE
    while len(entries) < MAX_ENTRIES:
        raw = view.upto(at, ENTRY_SIZE)
        if len(raw) < ENTRY_SIZE or raw.startswith(_ERASED):
            break
        stored, offset_address, size, flags = struct.unpack("<16sQQQ", raw)
        if stored == _NULL:
            return _Toc(tuple(entries), at + ENTRY_SIZE, offset_address)
        uuid = _uuid_text(stored)
        entries.append(
            FipEntry(
                offset=at,
                uuid=uuid,
                role=ROLES.get(uuid),
                offset_address=offset_address,
                size=size,
                flags=flags,
            )
        )
        at += ENTRY_SIZE
    return _Toc(tuple(entries), at, None)


def _is_blank(view: View, entry: FipEntry) -> bool:
    """Tell whether all bytes of an image are 0x00, or all 0xFF."""
    if not entry.size or entry.end > view.size:
        return False
    first = view.u8(entry.offset_address)
    if first not in {0, 0xFF}:
        return False
    return all(
        data.count(first) == len(data) for data in view.chunks(entry.offset_address, entry.end)
    )


def _fill(view: View, start: int) -> int | None:
    if view.size - start > TRAILING_LIMIT:
        return None
    first = view.u8(start)
    for data in view.chunks(start):
        if data.count(first) != len(data):
            return None
    return first


def _uuid_text(stored: bytes) -> str:
    text = stored.hex()
    return f"{text[:8]}-{text[8:12]}-{text[12:16]}-{text[16:20]}-{text[20:]}"


READER = Reader(
    name="fip",
    title="Firmware Image Package",
    source="Trusted Firmware-A docs/design/firmware-design.rst, FIP layout",
    match=match,
    read=read,
)
