"""Single compressed blocks, as file systems keep them: no container, the sizes known from outside.

Names are those of the kernel's compressors; `deflate` is zlib's without a header, `lzma` the format
of LZMA Utils, `microlzma` that of XZ Utils for EROFS, `rtime` JFFS2's own, `lz4-open` LZ4
without a known end.
"""

from __future__ import annotations

import contextlib
import lzma
import zlib
from collections.abc import Callable

from imgaudit.errors import FormatError
from imgaudit.formats import libraries, lz4_block
from imgaudit.units import MIB, both

MAX_BLOCK = 16 * MIB
"""No file system that is read has larger blocks."""


def unpack_block(method: str, data: bytes, limit: int, offset: int, *, exact: bool = True) -> bytes:
    """Unpack one block.

    Args:
        method: the compressor.
        data: the stored bytes.
        limit: the most bytes that may come out.
        offset: where the block stands, for the error.
        exact: whether exactly `limit` bytes must come out.

    Raises:
        FormatError: it is damaged, or gives another size.

    """
    decode = _DECODERS.get(method)
    if decode is None:
        raise FormatError(offset, f"blocks packed with {method or 'nothing known'} are not read")
    if limit > MAX_BLOCK:
        raise FormatError(offset, f"a block of {both(limit)}")
    try:
        out = decode(data, limit)
    except (ValueError, EOFError, zlib.error, lzma.LZMAError, IndexError) as problem:
        raise FormatError(offset, f"a block that does not unpack ({problem})") from None
    if len(out) > limit:
        raise FormatError(offset, f"a block that unpacks to more than {both(limit)}")
    if exact and len(out) != limit:
        why = f"a block that unpacks to {both(len(out))} where {both(limit)} are promised"
        raise FormatError(offset, why)
    return out


def _zlib(data: bytes, limit: int, bits: int = 15) -> bytes:
    decoder = zlib.decompressobj(bits)
    out = decoder.decompress(data, limit + 1)
    if not decoder.eof and len(out) <= limit:
        raise ValueError("its end is missing")
    return out


def _lzma(data: bytes, limit: int, form: int = lzma.FORMAT_ALONE) -> bytes:
    decoder = lzma.LZMADecompressor(form, memlimit=8 * MAX_BLOCK)
    out = decoder.decompress(data, limit + 1)
    # An LZMA stream that says its size need not have an end mark, an XZ stream must.
    if not decoder.eof and (len(out) < limit or form == lzma.FORMAT_XZ) and len(out) <= limit:
        raise ValueError("its end is missing")
    return out


def _microlzma(data: bytes, limit: int) -> bytes:
    # The first byte is the inverted properties byte; it stands for the zero byte of range coding.
    properties = data[0] ^ 0xFF
    head = bytes([properties]) + MAX_BLOCK.to_bytes(4, "little") + limit.to_bytes(8, "little")
    return _lzma(head + b"\0" + data[1:], limit)


def _lzo(data: bytes, limit: int) -> bytes:
    library = libraries.lzo()
    try:
        found: bytes = library.LZOCompressor.decompress(data, limit)
    except library.LZOError as problem:
        raise ValueError(str(problem.args[0] if problem.args else problem)) from None
    return found


def _zstd(data: bytes, limit: int) -> bytes:
    library = libraries.zstd()
    decoder = library.ZstdDecompressor()
    try:
        out: bytes = decoder.decompress(data, limit + 1)
    except library.ZstdError as problem:
        raise ValueError(str(problem)) from None
    if not decoder.eof and len(out) <= limit:
        raise ValueError("its end is missing")
    return out


def _lz4_open(data: bytes, limit: int) -> bytes:
    """Unpack an LZ4 block behind which zeros fill up, some of which may be its own."""
    bare = len(data.rstrip(b"\0"))
    for size in dict.fromkeys((len(data), bare)):
        # Where the guess is right the library does it, many times faster.
        with contextlib.suppress(ValueError):
            out = lz4_block.decode(data[:size], limit)
            if len(out) == limit:
                return out
    out = lz4_block.decode_plainly(data, limit, partly=True)
    if len(out) != limit:
        raise ValueError("it does not unpack to its size")
    return out


def _rtime(data: bytes, limit: int) -> bytes:
    """Undo JFFS2's run-length code (Linux fs/jffs2/compr_rtime.c)."""
    out = bytearray()
    places = [0] * 256
    for at in range(0, len(data) - 1, 2):
        value, repeat = data[at], data[at + 1]
        if len(out) >= limit:
            break
        out.append(value)
        back = places[value]
        places[value] = len(out)
        for step in range(min(repeat, limit - len(out))):
            out.append(out[back + step])
    return bytes(out)


_DECODERS: dict[str, Callable[[bytes, int], bytes]] = {
    "zlib": _zlib,
    "deflate": lambda data, limit: _zlib(data, limit, -15),
    "lzma": _lzma,
    "xz": lambda data, limit: _lzma(data, limit, lzma.FORMAT_XZ),
    "microlzma": _microlzma,
    "lzo": _lzo,
    "lz4": lz4_block.decode,
    "lz4-open": _lz4_open,
    "zstd": _zstd,
    "rtime": _rtime,
}
