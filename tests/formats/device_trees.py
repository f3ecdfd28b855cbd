"""Writes small flattened device trees, by chapter 5 of the Devicetree Specification 0.4."""

from __future__ import annotations

import struct
from collections.abc import Mapping

from hypothesis import strategies as st

Nodes = Mapping[str, object]
"""Nodes by name, each again such a mapping, and properties by name."""


def encode(value: object) -> bytes:
    """Encode bytes, a string, a cell, a list of strings or a tuple of cells."""
    if isinstance(value, bytes):
        return value
    if isinstance(value, str):
        return value.encode() + b"\0"
    if isinstance(value, int):
        return struct.pack(">I", value)
    if isinstance(value, list):
        return b"".join(map(encode, value))
    if isinstance(value, tuple):
        return struct.pack(f">{len(value)}I", *value)
    raise TypeError(value)


def aligned(data: bytes) -> bytes:
    return data + bytes(-len(data) % 4)


def write(
    nodes: Nodes,
    *,
    version: int = 17,
    reserve: tuple[tuple[int, int], ...] = (),
    padding: int = 0,
) -> bytes:
    strings = bytearray()

    def body(name: str, nodes: Nodes) -> bytes:
        out = b"\0\0\0\1" + aligned(name.encode() + b"\0")
        for key, value in nodes.items():
            if isinstance(value, Mapping):
                out += body(key, value)
                continue
            raw = encode(value)
            out += struct.pack(">III", 3, len(raw), len(strings)) + aligned(raw)
            strings.extend(key.encode() + b"\0")
        return out + b"\0\0\0\2"

    structure = body("", nodes) + b"\0\0\0\x09"
    reservations = b"".join(struct.pack(">QQ", *entry) for entry in (*reserve, (0, 0)))
    at = 40 + len(reservations)
    end = at + len(structure) + len(strings)
    header = struct.pack(
        ">10I",
        0xD00DFEED,
        end + padding,
        at,
        at + len(structure),
        40,
        version,
        16,
        0,
        len(strings),
        len(structure) if version >= 17 else 0,
    )
    return header + reservations + structure + bytes(strings) + bytes(padding)


def damaged(data: bytes) -> st.SearchStrategy[bytes]:
    """Change up to four bytes and cut the end, or not."""

    def apply(changes: list[tuple[int, int]], end: int) -> bytes:
        copy = bytearray(data)
        for at, byte in changes:
            copy[at] = byte
        return bytes(copy[:end])

    places = st.tuples(st.integers(0, len(data) - 1), st.integers(0, 255))
    whole = st.just(len(data))
    return st.builds(
        apply, st.lists(places, max_size=4), st.one_of(whole, st.integers(0, len(data)))
    )
