"""Large contents of which few bytes are stored, and filler that does not compress."""

from __future__ import annotations

import hashlib
from pathlib import Path


class Sparse:
    """`size` bytes, zero but for the pieces put in; a later piece wins over an earlier one."""

    def __init__(self, size: int) -> None:
        self.size = size
        self.pieces: list[tuple[int, bytes]] = []

    def put(self, offset: int, content: Content, room: int | None = None) -> None:
        """Store content from `offset`, cut to `room` bytes where that is given."""
        pieces = content.pieces if isinstance(content, Sparse) else [(0, content)]
        size = length(content) if room is None else min(room, length(content))
        for at, data in pieces:
            if at < size:
                self.pieces.append((offset + at, data[: size - at]))

    def whole(self) -> bytes:
        """Give all bytes; for small contents."""
        data = bytearray(self.size)
        for at, piece in self.pieces:
            data[at : at + len(piece)] = piece[: max(0, self.size - at)]
        return bytes(data)

    def write(self, path: Path) -> None:
        """Write a file with holes where nothing is stored."""
        with path.open("wb") as file:
            for at, data in self.pieces:
                if at < self.size:
                    file.seek(at)
                    file.write(data[: self.size - at])
            file.truncate(self.size)


Content = bytes | Sparse
"""What a file holds."""


def length(content: Content) -> int:
    """Give the size of a content in bytes."""
    return content.size if isinstance(content, Sparse) else len(content)


def filler(seed: str, size: int) -> bytes:
    """Give `size` bytes that look like code to a compressor: the same for the same seed."""
    return hashlib.shake_128(seed.encode()).digest(size)


def patched(data: bytes, offset: int, new: bytes) -> bytes:
    """Give a copy with `new` written over the bytes from `offset`."""
    return data[:offset] + new + data[offset + len(new) :]
