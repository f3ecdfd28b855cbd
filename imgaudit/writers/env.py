"""Write a U-Boot environment (U-Boot, include/env_internal.h and tools/mkenvimage.c)."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Mapping


def environment(variables: Mapping[str, str], size: int, flag: int | None) -> bytes:
    """Write `size` bytes; `flag` is the byte of a redundant copy, None a single environment."""
    data = text(variables).ljust(size - (4 if flag is None else 5), b"\0")
    return struct.pack("<I", zlib.crc32(data)) + (b"" if flag is None else bytes([flag])) + data


def text(variables: Mapping[str, str]) -> bytes:
    """Give the variables as U-Boot keeps them: sorted, each ended by NUL, and one NUL more."""
    pairs = (f"{name}={value}\0" for name, value in sorted(variables.items()))
    return "".join(pairs).encode() + b"\0"
