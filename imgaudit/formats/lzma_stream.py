"""What xz and lzma share: the library's decoder with a bound on its dictionary."""

from __future__ import annotations

import lzma
from collections.abc import Generator

from imgaudit.errors import FormatError
from imgaudit.formats.stream import Feed, run
from imgaudit.units import MIB, human

MEMORY = 192 * MIB
"""Three times what `xz -9` needs to decode (65 MiB, xz(1)); more is no board's ramdisk."""


def decode(feed: Feed, form: int) -> Generator[bytes, None, None]:
    """Decode one stream of the library's `FORMAT_XZ` or `FORMAT_ALONE`.

    Raises:
        FormatError: damaged, cut, or made with a dictionary larger than is decoded here.

    """
    start = feed.offset
    try:
        yield from run(feed, lzma.LZMADecompressor(form, memlimit=MEMORY), (lzma.LZMAError,))
    except FormatError as problem:
        if "Memory usage limit" not in problem.why:
            raise
        raise FormatError(
            start, f"its dictionary needs more than {human(MEMORY)} of memory to decode"
        ) from None
