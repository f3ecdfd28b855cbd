"""Sizes, addresses and half-open spans of bytes; knows no firmware.

Binary units only: KiB, MiB, GiB and TiB are powers of 1024 (IEC 80000-13).
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Iterable, Iterator
from typing import TypeVar

from imgaudit.data import dataclass
from imgaudit.patterns import regex

T = TypeVar("T")

KIB = 1 << 10
MIB = 1 << 20
GIB = 1 << 30
TIB = 1 << 40
_UNITS = {"": 1, "B": 1, "KiB": KIB, "MiB": MIB, "GiB": GIB, "TiB": TIB}
_AMBIGUOUS = {"K": 1, "M": 2, "G": 3, "T": 4}
_LONGEST = 40  # characters; no size that a chip could have is longer
_SIZE = regex(
    r"(?P<number>0[xX][0-9a-fA-F][0-9a-fA-F_]*|[0-9][0-9_]*(?:\.[0-9]+)?)\s*(?P<unit>[A-Za-z]*)"
)


@dataclass(frozen=True, slots=True, order=True)
class Span:
    """The bytes `[start, end)`; touching spans do not overlap."""

    start: int
    end: int

    def __post_init__(self) -> None:
        if self.end < self.start:
            raise ValueError(f"span ends at {self.end:#x}, before its start {self.start:#x}")

    @classmethod
    def sized(cls, start: int, size: int) -> Span:
        """Build from a start and a size, both in bytes."""
        return cls(start, start + size)

    @property
    def size(self) -> int:
        """Bytes covered."""
        return self.end - self.start

    def overlaps(self, other: Span) -> bool:
        """Tell whether at least one byte is in both."""
        return max(self.start, other.start) < min(self.end, other.end)

    def contains(self, other: Span) -> bool:
        """Tell whether every byte of `other` is in this span."""
        return self.start <= other.start and other.end <= self.end

    def holds(self, offset: int) -> bool:
        """Tell whether the byte at `offset` is in this span."""
        return self.start <= offset < self.end

    def common(self, other: Span) -> Span:
        """Return the shared bytes; an empty span where there are none."""
        start = max(self.start, other.start)
        return Span(start, max(start, min(self.end, other.end)))

    def widened(self, unit: int) -> Span:
        """Return the whole units that this span touches."""
        return Span(round_down(self.start, unit), round_up(self.end, unit))


def joined(spans: Iterable[Span]) -> list[Span]:
    """Sort spans, and make one of those that overlap or touch; empty ones go."""
    found: list[Span] = []
    for span in sorted(spans):
        if found and span.start <= found[-1].end:
            found[-1] = Span(found[-1].start, max(found[-1].end, span.end))
        elif span.size:
            found.append(span)
    return found


def overlapping(things: Iterable[T], span_of: Callable[[T], Span]) -> Iterator[tuple[T, T]]:
    """Give the pairs that share bytes, the one that starts first in front; touching is none.

    The pairs come one by one: their number may be quadratic, what is not asked for costs nothing.
    """
    active: list[tuple[int, int, T]] = []
    ordered = sorted(enumerate(things), key=lambda item: (span_of(item[1]).start, item[0]))
    for number, thing in ordered:
        span = span_of(thing)
        while active and active[0][0] <= span.start:
            heapq.heappop(active)
        if not span.size:
            continue
        for _, _, other in sorted(active, key=lambda item: item[1]):
            yield other, thing
        heapq.heappush(active, (span.end, number, thing))


def round_up(value: int, unit: int) -> int:
    """Round to the next multiple of `unit`."""
    return -(-value // unit) * unit


def round_down(value: int, unit: int) -> int:
    """Round to the multiple of `unit` at or below."""
    return value // unit * unit


def parse_size(text: str) -> int:
    """Read `4096`, `0x1000`, `4 KiB` or `1.5 MiB` as bytes.

    Raises:
        ValueError: no such size; `K`, `MB` and their kind are refused with both readings.

    """
    match = _SIZE.fullmatch(text.strip()) if len(text) <= _LONGEST else None
    if match is None:
        shown = text if len(text) <= _LONGEST else text[:_LONGEST] + "..."
        raise ValueError(
            f"{shown!r} is not a size: write bytes, a hex number, or KiB, MiB, GiB, TiB"
        )
    number, unit = match["number"].replace("_", ""), match["unit"]
    if unit not in _UNITS:
        raise ValueError(_unit_help(number, unit))
    if number[:2] in {"0x", "0X"}:
        if unit:
            raise ValueError(f"{text!r} mixes a hex number with a unit")
        return int(number, 16)
    if len(number) > 1 and number[0] == "0" and "." not in number:
        raise ValueError(f"{text!r} starts with 0: write it without, or with 0x if it is hex")
    whole, _, fraction = number.partition(".")
    scale = _UNITS[unit]
    size, rest = divmod(int(whole + fraction) * scale, int("1" + "0" * len(fraction)))
    if rest:
        raise ValueError(f"{text!r} is not a whole number of bytes")
    return size


def decimal(text: str) -> int | None:
    """Read plain decimal digits; None where it is something else, or longer than any real number.

    Unlike `int`, which takes digits of every script and refuses some 4,300 of them.
    """
    return int(text) if text.isascii() and text.isdigit() and len(text) < 19 else None


def _unit_help(number: str, unit: str) -> str:
    power = _AMBIGUOUS.get(unit[:1].upper())
    if power is None or unit.lower() not in {unit[0].lower(), unit[0].lower() + "b"}:
        return f"{unit!r} is not a unit: use KiB, MiB, GiB or TiB"
    letter = unit[0].upper()
    if number[:2] in {"0x", "0X"}:
        return f"{number} {unit} mixes a hex number with a unit"
    binary, decimal = float(number) * 1024**power, float(number) * 1000**power
    return (
        f"{number} {unit} can mean two sizes: write {number} {letter}iB for {binary:,.0f} bytes"
        f" or {decimal:.0f} for {decimal:,.0f} bytes"
    )


def human(size: int) -> str:
    """Say a size shortly, exact where it can be: `64 KiB`, `13.5 MiB`, `100 B`."""
    for unit, scale in (("TiB", TIB), ("GiB", GIB), ("MiB", MIB), ("KiB", KIB)):
        if abs(size) >= scale:
            return f"{size // scale} {unit}" if size % scale == 0 else f"{size / scale:.1f} {unit}"
    return f"{size} B"


def counted(count: int, one: str, many: str = "") -> str:
    """Say how many: `1 partition`, `1,200 entries`; `many` where it is not `one` with an s."""
    return f"{count:,} {one if count == 1 else many or one + 's'}"


def both(size: int) -> str:
    """Say a size in bytes and in its unit: `65,536 bytes (64 KiB)`."""
    plain = counted(size, "byte")
    return plain if abs(size) < KIB else f"{plain} ({human(size)})"


def place(offset: int) -> str:
    """Say an offset or an address: `0x200000`."""
    return f"{offset:#x}"
