"""The tree in which a UBIFS keeps how much of each of its blocks is free: the LPT.

Source: Linux fs/ubifs/lpt.c. Its nodes are packed bit by bit, the lowest bit first, and begin with
a CRC-16.
"""

from __future__ import annotations

from collections.abc import Iterator

from imgaudit import bounds
from imgaudit.data import dataclass
from imgaudit.errors import FormatError
from imgaudit.formats.crc16 import crc16
from imgaudit.formats.view import View

_FANOUT = 4
_LEAF, _BRANCH = 0, 1
_CRC_BITS, _TYPE_BITS = 16, 4
_MAX_NODES = 100_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Geometry:
    """Sizes in blocks (LEBs), `leb_size` in bytes; `first` is the tree's first block."""

    leb_size: int
    leb_count: int
    max_leb_count: int
    first: int
    lebs: int
    main_first: int
    big: bool

    @property
    def main(self) -> int:
        """How many blocks have data."""
        return self.leb_count - self.main_first

    @property
    def height(self) -> int:
        """Levels of branches above the leaves."""
        leaves = -(-(self.main + self.max_leb_count - self.leb_count) // _FANOUT)
        height, reach = 1, _FANOUT
        while reach < leaves:
            height, reach = height + 1, reach * _FANOUT
        return height

    @property
    def number_bits(self) -> int:
        """Bits of a node's own number, which only a big tree's nodes have."""
        return (-(-self.max_leb_count // _FANOUT) - 1).bit_length() if self.big else 0

    @property
    def branch_bits(self) -> tuple[int, int]:
        """Bits of the block and of the offset that a branch leads to."""
        return self.lebs.bit_length(), (self.leb_size - 1).bit_length()

    @property
    def space_bits(self) -> int:
        """Bits of an amount of space, which counts in units of 8 bytes."""
        return self.leb_size.bit_length() - 3

    def size(self, kind: int) -> int:
        """Bytes of a node."""
        each = sum(self.branch_bits) if kind == _BRANCH else 2 * self.space_bits + 1
        return -(-(_CRC_BITS + _TYPE_BITS + self.number_bits + _FANOUT * each) // 8)


def lpt_flaws(view: View, geometry: Geometry, leb: int, offset: int) -> Iterator[tuple[int, str]]:
    """Walk the tree from its root in block `leb`; give where something is wrong, and what."""
    if not 0 < geometry.main <= geometry.leb_count or geometry.lebs < 1:
        yield 0, f"of its {geometry.leb_count:,} LEBs none is left for files"
        return
    todo = [(leb, offset, geometry.height)]
    left = _MAX_NODES
    while todo and left:
        left -= 1
        leb, offset, level = todo.pop()
        kind = _BRANCH if level else _LEAF
        size = geometry.size(kind)
        inside = 0 <= leb - geometry.first < geometry.lebs and offset + size <= geometry.leb_size
        if not inside:
            yield 0, f"the tree of free space leads to LEB {leb:,} at {offset:,}"
            continue
        at = leb * geometry.leb_size + offset
        try:
            data = view.bytes(at, size)
        except FormatError:
            yield at, "the tree of free space is cut"
            continue
        bits = int.from_bytes(data, "little")
        if bits & 0xFFFF != crc16(data[2:], 0xFFFF) or bits >> _CRC_BITS & 0xF != kind:
            yield at, "a damaged node in the tree of free space"
            continue
        bits >>= _CRC_BITS + _TYPE_BITS + geometry.number_bits
        if level:
            todo += _children(bits, geometry, level)
        elif any(amount > geometry.leb_size for amount in _amounts(bits, geometry)):
            yield at, f"a block with more free space than its {geometry.leb_size:,} bytes"
    if todo:
        bounds.left_out("", f"the tree of free space has more than {_MAX_NODES:,} nodes")


def _children(bits: int, geometry: Geometry, level: int) -> Iterator[tuple[int, int, int]]:
    wide, far = geometry.branch_bits
    for _ in range(_FANOUT):
        number = bits & (1 << wide) - 1
        offset = bits >> wide & (1 << far) - 1
        bits >>= wide + far
        # One past the last block stands for no child.
        if number != geometry.lebs:
            yield geometry.first + number, offset, level - 1


def _amounts(bits: int, geometry: Geometry) -> Iterator[int]:
    """Give free and dirty space of each of a leaf's blocks together."""
    wide = geometry.space_bits
    mask = (1 << wide) - 1
    for _ in range(_FANOUT):
        yield 8 * ((bits & mask) + (bits >> wide & mask))
        bits >>= 2 * wide + 1
