"""Write a firmware image package (Trusted Firmware-A, docs/design/firmware-design.rst)."""

from __future__ import annotations

import struct
from collections.abc import Mapping
from uuid import UUID

# Trusted Firmware-A, include/tools_share/firmware_image_package.h, in the order of the bytes.
BL2 = UUID("5ff9ec0b-4d22-3e4d-a544-c39d81c73f0a")
BL31 = UUID("47d4086d-4cfe-9846-9b95-2950cbbd5a00")
BL33 = UUID("d6d0eea7-fcea-d54b-9782-9934f234b6e4")
HW_CONFIG = UUID("08b8f1d9-c9cf-9349-a962-6fbc6b7265cc")

_ALIGN = 64
_ENTRY = struct.Struct("<16sQQQ")


def fip(entries: Mapping[UUID, bytes]) -> bytes:
    """Write a package whose entries start at multiples of 64 bytes."""
    table = struct.pack("<IIQ", 0xAA640001, 0x12345678, 0)
    at = _aligned(len(table) + _ENTRY.size * (len(entries) + 1))
    body = bytearray()
    start = at
    for uuid, data in entries.items():
        table += _ENTRY.pack(uuid.bytes, at, len(data), 0)
        body += data.ljust(_aligned(len(data)), b"\0")
        at += _aligned(len(data))
    table += _ENTRY.pack(bytes(16), at, 0, 0)
    return table.ljust(start, b"\0") + bytes(body)


def _aligned(value: int) -> int:
    return -(-value // _ALIGN) * _ALIGN
