"""LZ4 blocks.

Source: LZ4 Block Format Description (lz4/doc/lz4_Block_format.md).
"""

from __future__ import annotations

try:
    from lz4 import block as _library
except ImportError:  # an extra: 25 times faster than the decoder below
    _library = None

WINDOW = 64 << 10
"""How far back a match reaches, in bytes."""


def bound(size: int) -> int:
    """Give the most bytes that `size` bytes compress to (LZ4_compressBound)."""
    return size + size // 255 + 16


def encode(data: bytes, level: int) -> bytes | None:
    """Pack one block as the lz4 tool does at a level; None without the library."""
    if _library is None:
        return None
    mode = "high_compression" if level > 2 else "default"
    packed: bytes = _library.compress(data, mode=mode, compression=level, store_size=False)
    return packed


def decode(data: bytes, limit: int, history: bytes = b"") -> bytes:
    """Decode one block to at most `limit` bytes; `history` is the output before it.

    Raises:
        ValueError: the block is damaged or decodes to more.

    """
    if _library is None:
        return decode_plainly(data, limit, history)
    try:
        decoded: bytes = _library.decompress(data, uncompressed_size=limit, dict=history)
    except _library.LZ4BlockError as problem:
        raise ValueError(str(problem)) from None
    return decoded


def decode_plainly(data: bytes, limit: int, history: bytes = b"", *, partly: bool = False) -> bytes:
    """Decode as `decode` does, without the library: 10 MB/s of a kernel.

    `partly` stops where `limit` bytes are there, whatever follows (LZ4_decompress_safe_partial).
    """
    out = bytearray(history)
    most = len(history) + limit
    at, end = 0, len(data)
    try:
        while True:
            token = data[at]
            at += 1
            length = token >> 4
            if length == 15:
                more = 255
                while more == 255:
                    more = data[at]
                    at += 1
                    length += more
            if partly:
                length = min(length, most - len(out))
            stop = at + length
            if stop > end or len(out) + length > most:
                raise ValueError("literals run past the end")
            out += data[at:stop]
            at = stop
            if at == end or (partly and len(out) == most):
                return bytes(out[len(history) :])
            distance = data[at] | data[at + 1] << 8
            at += 2
            length = (token & 15) + 4
            if length == 19:
                more = 255
                while more == 255:
                    more = data[at]
                    at += 1
                    length += more
            start = len(out) - distance
            if partly:
                length = min(length, most - len(out))
            if start < 0 or not distance or len(out) + length > most:
                raise ValueError("a match reaches outside the block")
            if distance >= length:
                out += out[start : start + length]
            else:
                out += (out[start:] * (length // distance + 1))[:length]
    except IndexError:
        raise ValueError("the block ends inside a sequence") from None
