"""Fixed records: whole numbers and raw bytes by field name, with the place of each."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from typing import Literal

from imgaudit.formats.view import View

Layout = Mapping[str, tuple[int, int]]
"""Field name to (offset in the record, width in bytes)."""


class Record:
    """A record read from a view.

    Args:
        view: where it is.
        offset: where it starts there.
        layout: its fields.
        order: how its numbers are stored.

    Raises:
        FormatError: the view ends before the last field does.

    """

    __slots__ = ("_data", "_layout", "_order", "offset")

    def __init__(
        self,
        view: View,
        offset: int,
        layout: Layout,
        order: Literal["little", "big"] = "little",
    ) -> None:
        self.offset = offset
        self._layout = layout
        self._order = order
        self._data = view.bytes(offset, max(at + width for at, width in layout.values()))

    def __getitem__(self, name: str) -> int:
        return int.from_bytes(self.raw(name), self._order)

    def raw(self, name: str) -> bytes:
        """Give a field's bytes as they are stored."""
        at, width = self._layout[name]
        return self._data[at : at + width]

    def text(self, name: str) -> str:
        """Give a NUL-padded field as text; bytes that are not UTF-8 are escaped."""
        return self.raw(name).split(b"\0", 1)[0].decode("utf-8", "backslashreplace")

    def uuid(self, name: str) -> str:
        """Give a 16-byte field as a UUID in RFC 9562's byte order and spelling."""
        return str(uuid.UUID(bytes=self.raw(name)))

    def offsets(self) -> dict[str, int]:
        """Give where each field stands in the view."""
        return {name: self.offset + at for name, (at, _) in self._layout.items()}


def names_of(bits: int, names: Mapping[int, str], unknown: str) -> tuple[str, ...]:
    """Name each set bit, the lowest first; `unknown` is put before the number of a nameless one."""
    return tuple(
        names.get(bit, f"{unknown}{bit}") for bit in range(bits.bit_length()) if bits >> bit & 1
    )
