"""Extended attributes of ext2, ext3 and ext4, in an inode or in a block of their own.

Source: Linux Documentation/filesystems/ext4/attributes.rst.
"""

from __future__ import annotations

import struct

_ENTRY = struct.Struct("<BBHIII")


def attribute_flaw(data: bytes, first: int, base: int) -> str:
    """Say what is wrong with the entries from `first` on; "" if nothing is.

    Offsets of values count from `base`; all must lie in `data`, beside each other.
    """
    taken: list[tuple[int, int]] = []
    here = first
    while here + _ENTRY.size <= len(data) and data[here : here + 4] != bytes(4):
        length, _, offset, inode, size, _ = _ENTRY.unpack_from(data, here)
        here += _ENTRY.size + -(-length // 4) * 4
        if size and not inode:
            taken.append((base + offset, base + offset + size))
    if here > len(data):
        return "a list of attributes without an end"
    end = min(here + 4, len(data))
    for start, stop in sorted(taken):
        if start < end or stop > len(data):
            return "attributes whose values are on top of each other or outside"
        end = stop
    return ""
