"""Running an unpacker over stored bytes in pieces of a chosen size."""

from __future__ import annotations

import subprocess
from collections.abc import Iterator

from imgaudit.formats.facts import Unpacker

PIECE_LIMIT = 1 << 20  # what `Unpacker` promises


def chopped(data: bytes, size: int) -> Iterator[bytes]:
    return (data[at : at + size] for at in range(0, len(data), size))


def drain(unpack: Unpacker | None, data: bytes, size: int = 1 << 16) -> tuple[bytes, int]:
    """Give all that comes out and how many stored bytes were used."""
    assert unpack is not None
    run = unpack(chopped(data, size))
    out: list[bytes] = []
    while True:
        try:
            piece = next(run)
        except StopIteration as end:
            used: int = end.value
            return b"".join(out), used
        assert 0 < len(piece) <= PIECE_LIMIT
        out.append(piece)


def tool(command: str, data: bytes) -> bytes:
    """Run a general compressor as a filter."""
    return subprocess.run(command.split(), input=data, capture_output=True, check=True).stdout


def text(size: int) -> bytes:
    """Build text with repeats near and far, as real files have."""
    lines = (
        b"station %d: level %d mm\n" % (line * 7 % 31, line * line % 4001)
        for line in range(size // 16)
    )
    return b"".join(lines)[:size]
