"""A ramdisk without what a plan leaves out, packed again in memory with the same compressor.

The level is found by packing the archive as it is: the one that comes closest to what is stored is
taken, and where none comes close, nothing is promised.
"""

from __future__ import annotations

import bz2
import lzma
import posixpath
import stat
import zlib
from collections.abc import Callable, Iterable, Iterator, Sequence

from imgaudit.data import dataclass
from imgaudit.formats import libraries, lz4_block
from imgaudit.formats.cpio import CpioFacts
from imgaudit.formats.view import View
from imgaudit.rescue.cuts import STAYING, Cut, improvable
from imgaudit.rescue.spare import spare
from imgaudit.rescue.weights import Archive, Item
from imgaudit.units import KIB, MIB, Span, human, joined

SLOW = 16 * MIB  # xz and zstd's high levels pack some 3 MiB a second
FAST = 64 * MIB
SAMPLE = MIB  # what the levels are told apart by
CLOSE = 50  # the archive as it is may differ by a 50th from what is stored
_DICTIONARIES = {6: 8 * MIB, 9: 64 * MIB}  # of the presets, by xz(1)
_SLOW = frozenset({"xz", "lzma", "zstd"})

Packer = Callable[[bytes], bytes]


@dataclass(frozen=True, slots=True)
class Packed:
    """The bytes that an archive takes once more; `why` says why that is not known (None)."""

    size: int | None
    why: str = ""


class Repacker:
    """Packs the archives of one file again; what an archive takes as it is, is packed once."""

    def __init__(
        self, archives: Sequence[Archive], facts: Sequence[CpioFacts], items: Sequence[Item]
    ) -> None:
        self._archives = list(zip(archives, facts, strict=True))
        self._items = items
        self._known: dict[int, tuple[Packer, int] | str] = {}

    def saved(self, cuts: Sequence[Cut]) -> Packed:
        """Give the bytes of the file that these cuts save together."""
        paths = {path: cut for cut in cuts for path in cut.paths}
        better = next((cut for cut in cuts if not cut.paths), None)
        large = improvable([archive for archive, _ in self._archives]) if better else None
        saved = 0
        for archive, facts in self._archives:
            gone = list(joined(self._gone(archive, facts, paths)))
            again = archive is large
            if not gone and not again:
                continue
            if not archive.direct:
                return Packed(None, f"{archive.name} is compressed with its container")
            most = SLOW if again or archive.compression in _SLOW else FAST
            if archive.weight.unpacked > most:
                return Packed(None, f"{archive.name} has more than {human(most)}")
            packer = self._packer(archive)
            if isinstance(packer, str):
                return Packed(None, packer)
            pack, as_it_is = packer
            left = b"".join(_kept(archive.view, archive.weight.unpacked, gone))
            size = len(_xz(left) if again else pack(left))
            saved += archive.stored.size - size - (0 if again else archive.stored.size - as_it_is)
        return Packed(saved)

    def _gone(self, archive: Archive, facts: CpioFacts, paths: dict[str, Cut]) -> Iterator[Span]:
        """Give the spans of an archive that go: members, contents, or what strip takes."""
        headers = {entry.data: entry for entry in facts.entries if entry.size}
        links = {path for path, cut in paths.items() if cut.kind not in STAYING}
        for link in facts.entries:
            bare = not (stat.S_ISREG(link.mode) and link.size)
            if bare and posixpath.normpath(f"/{link.name}") in links:
                yield Span(link.offset, link.end)
        for item in self._items:
            cut = paths.get(item.path)
            start = item.data.base - archive.view.base
            entry = headers.get(start)
            if cut is None or item.data.source is not archive.view.source or entry is None:
                continue
            if (cut.kind == "replaced") is not item.replaced:
                continue
            if cut.kind == "strip":
                for span in spare(item.data):
                    yield Span.sized(start + span.start, span.size)
            elif cut.kind == "hard link":
                if item.copy_of:
                    yield Span(entry.data, entry.end)
            else:
                yield Span(entry.offset, entry.end)

    def _packer(self, archive: Archive) -> tuple[Packer, int] | str:
        """Give what packs an archive as it was, and what that gives of it; or why nothing does."""
        found = self._known.get(id(archive))
        if found is None:
            found = self._known[id(archive)] = self._found(archive)
        return found

    def _found(self, archive: Archive) -> tuple[Packer, int] | str:
        packers = list(_packers(archive.compression))
        if not packers:
            return f"no packer for {archive.compression} is at hand"
        whole = archive.view.bytes(0, archive.weight.unpacked)
        if len(packers) > 1:
            head = whole[:SAMPLE]
            stored = archive.shares.weight(Span(0, len(head))).stored
            packers.sort(key=lambda pack: abs(len(pack(head)) - stored))
        # A block of lz4 says nothing of its parts, so that its head may tell the levels wrongly.
        tried = packers[:1] if archive.compression in _SLOW else packers
        for pack in tried:
            size = len(pack(whole))
            if abs(size - archive.stored.size) * CLOSE <= archive.stored.size:
                return pack, size
        return f"no level of {archive.compression} tried makes what {archive.name} is"


def _kept(view: View, size: int, gone: Iterable[Span]) -> Iterator[bytes]:
    at = 0
    for span in gone:
        yield view.bytes(at, span.start - at)
        at = span.end
    if at < size:
        yield view.bytes(at, size - at)


def _packers(form: str) -> Iterator[Packer]:
    """Give the levels of a compressor that are in use."""
    if not form:
        yield bytes
    elif form == "gzip":
        yield from (_gzip(level) for level in (9, 6, 1))
    elif form == "bzip2":
        yield from (_bzip2(level) for level in (9, 1))
    elif form in {"xz", "lzma"}:
        kind = lzma.FORMAT_XZ if form == "xz" else lzma.FORMAT_ALONE
        yield from (_lzma(kind, preset, size) for preset, size in ((6, None), (9, None), (6, MIB)))
    elif form == "lz4-legacy" and lz4_block.encode(b"", 1) is not None:
        yield from (_lz4(level) for level in (9, 1, 12))
    elif form == "zstd":
        yield from (_zstd(level) for level in (3, 19, 9))


def _gzip(level: int) -> Packer:
    return lambda data: zlib.compress(data, level, 31)


def _bzip2(level: int) -> Packer:
    return lambda data: bz2.compress(data, level)


def _zstd(level: int) -> Packer:
    return lambda data: libraries.zstd().compress(data, level)


def _lz4(level: int) -> Packer:
    """Give what `lz4 -l` makes: a magic, and each block behind its length."""

    def pack(data: bytes) -> bytes:
        blocks = (data[at : at + 8 * MIB] for at in range(0, len(data), 8 * MIB))
        packed = (lz4_block.encode(block, level) or b"" for block in blocks)
        return bytes(4) + b"".join(bytes(4) + block for block in packed)

    return pack


def _lzma(form: int, preset: int, dictionary: int | None) -> Packer:
    kind = lzma.FILTER_LZMA2 if form == lzma.FORMAT_XZ else lzma.FILTER_LZMA1
    check = lzma.CHECK_CRC32 if form == lzma.FORMAT_XZ else -1

    def pack(data: bytes) -> bytes:
        # Twelve times the dictionary is the memory that it takes; one as large as the data is as
        # good as any larger one.
        enough = max(4 * KIB, 1 << max(len(data) - 1, 0).bit_length())
        size = min(dictionary or _DICTIONARIES[preset], enough)
        return lzma.compress(
            data, form, check, filters=[{"id": kind, "preset": preset, "dict_size": size}]
        )

    return pack


def _xz(data: bytes) -> bytes:
    return lzma.compress(data, check=lzma.CHECK_CRC32)
