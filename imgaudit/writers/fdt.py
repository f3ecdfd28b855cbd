"""Write a flattened device tree, version 17 (Devicetree Specification, chapter 5)."""

from __future__ import annotations

import struct
from typing import Literal

Property = str | int | bytes | tuple[int, ...] | list[str] | Literal[True]
"""A string, one cell, raw bytes, cells, a list of strings, or True for an empty value."""

Tree = dict[str, "Property | Tree"]
"""A node: its properties, which must come first, and its subnodes."""

_BEGIN_NODE, _END_NODE, _PROP, _END = (struct.pack(">I", token) for token in (1, 2, 3, 9))
_HEADER = struct.Struct(">10I")
_RESERVATIONS = bytes(16)


def fdt(tree: Tree) -> bytes:
    """Flatten a tree; the total size is a multiple of 8."""
    names: dict[str, int] = {}
    strings, body = bytearray(), bytearray()

    def name_at(name: str) -> int:
        if name not in names:
            names[name] = len(strings)
            strings.extend(name.encode() + b"\0")
        return names[name]

    def flatten(name: str, node: Tree) -> None:
        body.extend(_BEGIN_NODE + _aligned(name.encode() + b"\0", 4))
        for key, value in node.items():
            if isinstance(value, dict):
                flatten(key, value)
            else:
                data = encoded(value)
                body.extend(_PROP + struct.pack(">II", len(data), name_at(key)) + _aligned(data, 4))
        body.extend(_END_NODE)

    flatten("", tree)
    body.extend(_END)
    at_body = _HEADER.size + len(_RESERVATIONS)
    at_strings = at_body + len(body)
    content = _RESERVATIONS + bytes(body) + bytes(strings)
    total = -(-(_HEADER.size + len(content)) // 8) * 8
    header = _HEADER.pack(
        0xD00DFEED, total, at_body, at_strings, _HEADER.size, 17, 16, 0, len(strings), len(body)
    )
    return (header + content).ljust(total, b"\0")


def encoded(value: Property) -> bytes:
    """Give the bytes of a property."""
    if value is True:
        return b""
    if isinstance(value, bytes):
        return value
    if isinstance(value, str):
        return value.encode() + b"\0"
    if isinstance(value, list):
        return b"".join(text.encode() + b"\0" for text in value)
    cells = value if isinstance(value, tuple) else (value,)
    return struct.pack(f">{len(cells)}I", *cells)


def _aligned(data: bytes, unit: int) -> bytes:
    return data + bytes(-len(data) % unit)
