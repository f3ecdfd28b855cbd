"""Ranges of RAM with their lifetime, and two that collide."""

from __future__ import annotations

from enum import StrEnum

from imgaudit.data import dataclass
from imgaudit.units import Span


class RangeKind(StrEnum):
    """What a range holds."""

    LOAD = "load"  # what a command put there
    KERNEL = "kernel"  # the kernel as it runs, with its BSS
    UNPACKED = "unpacked"  # where a compressed content is unpacked to
    RAMDISK = "ramdisk"
    FDT = "device tree"
    RESERVED = "reserved"
    LOADER = "boot loader"


FIXED = frozenset({RangeKind.RESERVED, RangeKind.LOADER})
"""What was there before any command ran."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Range:
    """Bytes of RAM in use for a part of the boot.

    `step` says what puts them there. They are needed from step number `since` up to, but not
    including, `until`. `exact` is false where the size is a guess.
    """

    name: str
    span: Span
    kind: RangeKind
    step: str
    since: int
    until: int
    exact: bool = True


@dataclass(frozen=True, slots=True)
class Overlap:
    """Two ranges that are needed at the same time and share bytes; `second` came later."""

    first: Range
    second: Range
    common: Span

    @property
    def size(self) -> int:
        """Bytes shared."""
        return self.common.size
