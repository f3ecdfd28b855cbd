"""What an uncompressed Linux kernel holds: its banner, its configuration, a bundled ramdisk.

Source: Linux init/version.c, kernel/configs.c, usr/initramfs_data.S and
include/asm-generic/vmlinux.lds.h; for the zImage arch/arm/boot/compressed/head.S.
"""

from __future__ import annotations

import re
import zlib
from collections.abc import Iterator, Mapping
from typing import cast

from imgaudit.data import dataclass
from imgaudit.errors import FormatError
from imgaudit.formats import readers
from imgaudit.formats.facts import Unpacker
from imgaudit.formats.view import View
from imgaudit.patterns import regex
from imgaudit.units import KIB, MIB, round_up

_OVERLAP = 2 * KIB  # longer than any text or header that is looked for
_BANNER = regex(rb"Linux version (\d[^\s\0]{0,127}) [^\0\n]{0,1024}")
_CONFIG_START = b"IKCFG_ST\x1f\x8b\x08"
_CONFIG_LIMIT = 4 * MIB  # a full configuration is about 300 KiB
_OPTION = regex(r"^(?:(CONFIG_\w+)=(.*)|# (CONFIG_\w+) is not set)$", re.MULTILINE)
_SMALLEST = 32  # bytes; no archive, compressed or not, is smaller
_STARTS_LIMIT = 16  # archives that are looked for the length of; a kernel has one
_MEMBERS_LIMIT = 1 << 16
_HEADS_LIMIT = 4096  # magics that are decoded to see an archive behind them
_WORDS_LIMIT = 1 << 20  # words that are held against the distance from a start
_HEAD = 9 * MIB  # stored bytes that give the first decoded ones: a block of lz4-legacy and more
_PAGE = 1 << 16  # lengths that share their upper bytes

# A rare run of bytes to search for, and what must stand there as a whole.
_CPIO = (b"07070", regex(rb"07070[12][0-9A-Fa-f]{104}"))
_COMPRESSED = {
    "gzip": (b"\x1f\x8b\x08", regex(rb"\x1f\x8b\x08[\x00-\x1f]")),
    "bzip2": (b"BZh", regex(rb"BZh[1-9]1AY&SY")),
    "xz": (b"\xfd7zXZ\0", regex(rb"\xfd7zXZ\0\0[\x00\x01\x04\x0a]")),
    "lzma": (
        b"\x5d\0",
        regex(
            rb"\x5d\0\0(?:[\x01-\x04\x06\x08\x0c\x10\x18\x20\x30\x40\x60\x80\xc0]\0"
            rb"|\0[\x01-\x04\x06\x08\x0c])(?:\xff{8}|.{5}\0{3})\0",
            re.DOTALL,
        ),
    ),
    "lzo": (b"\x89LZO\0\r\n\x1a\n", regex(rb"\x89LZO\0\r\n\x1a\n")),
    "lz4-legacy": (b"\x02\x21\x4c\x18", regex(rb"\x02\x21\x4c\x18..[\x00-\x80]\0", re.DOTALL)),
    "zstd": (b"\x28\xb5\x2f\xfd", regex(rb"\x28\xb5\x2f\xfd")),
}


@dataclass(frozen=True, slots=True)
class Bundled:
    """A ramdisk built into the kernel; `kind` is a reader's name, `size_offset` has its length."""

    offset: int
    size: int
    kind: str
    size_offset: int


@dataclass(frozen=True, kw_only=True)
class KernelInside:
    """What `scan` found; None where the kernel has no such thing.

    `release` is what `uname -r` prints. `config` maps `CONFIG_X` to `y`, `m`, `n`, a number or a
    text without its quotes. Offsets are from the start of the uncompressed kernel.
    """

    banner: str | None
    release: str | None
    banner_offset: int | None
    config: Mapping[str, str] | None
    config_offset: int | None
    ramdisk: Bundled | None
    doubts: tuple[str, ...] = ()


def parse_config(text: str) -> dict[str, str]:
    """Read a kernel's `.config`; an option that is not set has the value `n`."""
    return {
        name or unset: "n" if unset else value.strip().strip('"')
        for name, value, unset in _OPTION.findall(text)
    }


def _windows(view: View, end: int) -> Iterator[tuple[int, bytes, int]]:
    """Yield (base, bytes, usable): what starts in the first `usable` bytes is wholly inside."""
    tail = b""
    at = 0
    for chunk in view.chunks(0, end):
        window = tail + chunk
        base = at - len(tail)
        at += len(chunk)
        usable = len(window) if at == end else max(len(window) - _OVERLAP, 0)
        yield base, window, usable
        tail = window[usable:]


def _found(window: bytes, usable: int, what: tuple[bytes, re.Pattern[bytes]]) -> Iterator[int]:
    rare, whole = what
    at = window.find(rare)
    while 0 <= at < usable:
        if whole.match(window, at):
            yield at
        at = window.find(rare, at + 1)


def _marks(which: int) -> bytes:
    """Give, for each value of a byte, the compressors whose streams have it there, as bits."""
    marks = bytearray(256)
    for number, (rare, _) in enumerate(_COMPRESSED.values()):
        marks[rare[which]] |= 1 << number
    return bytes(marks)


_FIRST, _SECOND = _marks(0), _marks(1)


def _found_aligned(window: bytes, usable: int, first: int) -> list[tuple[int, str]]:
    """Give each compressed stream that may start at a fourth byte from `first` on.

    The first two bytes of all of these places are looked at by a few operations on long integers;
    no two kinds begin with the same two.
    """
    ones = window[first:usable:4].translate(_FIRST)
    twos = window[first + 1 : usable + 1 : 4].translate(_SECOND)[: len(ones)]
    both = int.from_bytes(ones, "little") & int.from_bytes(twos, "little")
    marks = both.to_bytes(len(ones), "little")
    found = []
    for number, (kind, (_, whole)) in enumerate(_COMPRESSED.items()):
        at = marks.find(1 << number)
        while at >= 0:
            if whole.match(window, first + 4 * at):
                found.append((first + 4 * at, kind))
            at = marks.find(1 << number, at + 1)
    return sorted(found)


class _Config:
    """The configuration, inflated as its pieces come by."""

    def __init__(self, offset: int) -> None:
        self.offset = offset
        self.doubt = ""
        self._text = bytearray()
        self._inflate = zlib.decompressobj(16 + zlib.MAX_WBITS)
        self._ended = False

    def feed(self, data: bytes) -> None:
        if self._ended:
            return
        try:
            self._text += self._inflate.decompress(data, _CONFIG_LIMIT - len(self._text))
        except zlib.error:
            self._ended = True
            self.doubt = "The built-in configuration is damaged."
        if len(self._text) >= _CONFIG_LIMIT:
            self._ended = True
            self.doubt = "The built-in configuration is longer than 4 MiB and was not read."
        self._ended |= self._inflate.eof

    def parsed(self) -> dict[str, str] | None:
        if not self._inflate.eof and not self.doubt:
            self.doubt = "The built-in configuration is cut."
        return None if self.doubt else parse_config(self._text.decode("utf-8", "replace"))


class _Ramdisks:
    """Starts of archives, joined with the lengths that the linker script puts behind them.

    A ramdisk starts 4-aligned; its length, a `long`, stands at the next 8-aligned address after its
    end. So the word w at p belongs to the start s if s + w lies in (p - 8, p].
    """

    def __init__(self, view: View) -> None:
        self.full = False
        self._view = view
        self._starts: dict[int, str] = {}
        self._members: set[int] = set()
        self._heads = _HEADS_LIMIT
        self._words = _WORDS_LIMIT

    def look(self, base: int, window: bytes, usable: int) -> None:
        """Find starts in a window; what begins in its first `usable` bytes is wholly inside."""
        for at in _found(window, usable, _CPIO):
            self._member(base + at, window[at : at + 110])
        for at, kind in _found_aligned(window, usable, -base % 4):
            if self._is_archive(base + at, kind):
                self._start(base + at, kind)

    def _start(self, offset: int, kind: str) -> None:
        self.full |= len(self._starts) >= _STARTS_LIMIT
        if offset % 4 == 0 and not self.full:
            self._starts[offset] = kind

    def _is_archive(self, offset: int, kind: str) -> bool:
        """Tell a compressed archive from a magic that code compares with, and from other data."""
        self._heads -= 1
        if self._heads < 0:
            self.full = True
            return False
        return _decoded(self._view.sub(offset), kind, len(_CPIO[0]), _HEAD) == _CPIO[0]

    def _member(self, offset: int, header: bytes) -> None:
        """Take a cpio header for a start unless the member before it leads here."""
        if offset in self._members:
            self._members.discard(offset)
        else:
            self._start(offset, "cpio")
        size, name = int(header[54:62], 16), int(header[94:102], 16)
        if len(self._members) < _MEMBERS_LIMIT:
            self._members.add(round_up(round_up(offset + 110 + name, 4) + size, 4))

    def best(self) -> Bundled | None:
        """Give the longest, a 64-bit length before a 32-bit one: less can be chance."""
        for wide in (True, False):
            found = (
                Bundled(start, size, kind, place)
                for start, kind in self._starts.items()
                for place, size in self._lengths(start, wide=wide)
            )
            best = max(found, key=lambda one: one.size, default=None)
            if best is not None:
                return best
        return None

    def _lengths(self, start: int, *, wide: bool) -> Iterator[tuple[int, int]]:
        """Give the words behind a start that say how far away they are, and what they say."""
        width = 8 if wide else 4
        for page in range(0, self._view.size - start, _PAGE):
            data = self._view.upto(start + page, _PAGE + 15)
            # All lengths of a page share their upper bytes: few places need to be looked at.
            upper = (page // _PAGE).to_bytes(width - 2, "little")
            at = data.find(upper, 2)
            while at >= 0:
                place = start + page + at - 2
                size = int.from_bytes(data[at - 2 : at], "little") + page
                if place % 8 == 0 and 0 <= place - start - size < 8 and size >= _SMALLEST:
                    yield place, size
                self._words -= 1
                if self._words < 0:
                    self.full = True
                    return
                at = data.find(upper, at + 8 - place % 8)


def scan(view: View) -> KernelInside:
    """Look through an uncompressed kernel once.

    The ramdisk is found for little-endian kernels. Never raises FormatError: what is not found is
    None, and `doubts` says what could not be read.
    """
    banner: re.Match[bytes] | None = None
    banner_offset = None
    config: _Config | None = None
    ramdisks = _Ramdisks(view)
    seen = 0
    for base, window, usable in _windows(view, view.size):
        if banner is None:
            found = _BANNER.search(window)
            if found and found.start() < usable:
                banner, banner_offset = found, base + found.start()
        if config:
            config.feed(window[seen - base :])
        else:
            at = window.find(_CONFIG_START)
            if 0 <= at < usable:
                config = _Config(base + at)
                config.feed(window[at + 8 :])
        seen = base + len(window)
        ramdisks.look(base, window, usable)
    ramdisk = ramdisks.best()
    options = config.parsed() if config else None
    doubts = [config.doubt] if config and config.doubt else []
    if ramdisks.full:
        doubts.append(
            "More archive starts than a kernel can hold: a bundled ramdisk may be missed."
        )
    return KernelInside(
        banner=banner[0].decode("utf-8", "backslashreplace") if banner else None,
        release=banner[1].decode("utf-8", "backslashreplace") if banner else None,
        banner_offset=banner_offset,
        config=options,
        config_offset=config.offset if config else None,
        ramdisk=ramdisk,
        doubts=tuple(doubts),
    )


def _decoded(view: View, kind: str, count: int, most: int) -> bytes:
    """Give the first `count` decoded bytes, or those that `most` stored bytes give."""
    unpack = cast("Unpacker", readers()[kind].unpack)  # set in every reader of a compressor
    decoded = b""
    try:
        for piece in unpack(view.chunks(0, most)):
            decoded += piece
            if len(decoded) >= count:
                break
    except FormatError:
        pass
    return decoded[:count]
