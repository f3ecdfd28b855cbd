"""The files of a FAT file system: directories, long names, and where a file lies in one piece.

Source: Microsoft, "FAT32 File System Specification", 1.03, "FAT Data Structure" and "FAT Directory
Structure"; the case bits of short names are Linux' (include/uapi/linux/msdos_fs.h).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from imgaudit.errors import ImgauditError
from imgaudit.formats.view import View
from imgaudit.units import KIB

MAX_FILES = 256
"""Files listed; a boot partition with its device trees has a few dozen."""
MAX_DEPTH = 8
MAX_CLUSTERS = 1024
"""Clusters of all directories together: ample for the files above."""
MAX_TEXT = 64 * KIB
TEXTS = (".conf", ".cfg", ".txt", ".env")
"""How configuration files end whose text is kept, up to the size above."""
_ENTRY = 32
_LONG, _VOLUME, _FOLDER = 0x0F, 0x08, 0x10
_DELETED = 0xE5
_LOWER_STEM, _LOWER_SUFFIX = 0x08, 0x10


@dataclass(frozen=True, slots=True)
class File:
    """A file; `offset` is where its data starts, None where it is not in one piece.

    `path` has no leading slash. `text` is the content of a small configuration file.
    """

    path: str
    size: int
    offset: int | None
    text: bytes | None = field(default=None, repr=False)


@dataclass(frozen=True, slots=True)
class Files:
    """What was found; `complete` tells that there is nothing else."""

    files: tuple[File, ...]
    complete: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Volume:
    """Where things are, in bytes; `bits` is the width of an entry of the allocation table."""

    table: int
    root: int
    root_size: int
    root_cluster: int | None
    data: int
    cluster: int
    clusters: int
    bits: int


def list_files(view: View, volume: Volume) -> Files:
    """List all files within bounds; what cannot be read is left out."""
    walk = _Walk(view, volume)
    try:
        if volume.root_cluster is None:
            root = view.bytes(volume.root, volume.root_size)
        else:
            root = walk.chain(volume.root_cluster)
        walk.folder(root, "", 0)
    except ImgauditError:
        walk.complete = False
    return Files(tuple(walk.found), walk.complete)


class _Walk:
    def __init__(self, view: View, volume: Volume) -> None:
        self.view = view
        self.volume = volume
        self.found: list[File] = []
        self.complete = True
        self.left = MAX_CLUSTERS

    def next(self, cluster: int) -> int:
        """Read an entry of the allocation table: the cluster that follows."""
        at, bits = self.volume.table, self.volume.bits
        if bits == 12:
            pair = self.view.u16le(at + cluster * 3 // 2)
            return pair >> 4 if cluster & 1 else pair & 0xFFF
        if bits == 16:
            return self.view.u16le(at + cluster * 2)
        return self.view.u32le(at + cluster * 4) & 0x0FFFFFFF

    def place(self, cluster: int) -> int:
        return self.volume.data + (cluster - 2) * self.volume.cluster

    def exists(self, cluster: int) -> bool:
        return 2 <= cluster < self.volume.clusters + 2

    def chain(self, cluster: int) -> bytes:
        """Read a directory's clusters."""
        data = b""
        while self.exists(cluster):
            self.left -= 1
            if self.left < 0:
                self.complete = False
                break
            data += self.view.bytes(self.place(cluster), self.volume.cluster)
            cluster = self.next(cluster)
        return data

    def folder(self, data: bytes, path: str, depth: int) -> None:
        for name, attributes, cluster, size in _entries(data):
            if name in {".", ".."}:
                continue
            if len(self.found) >= MAX_FILES or depth > MAX_DEPTH:
                self.complete = False
                return
            if not attributes & _FOLDER:
                self.file(f"{path}{name}", cluster, size)
                continue
            try:
                self.folder(self.chain(cluster), f"{path}{name}/", depth + 1)
            except ImgauditError:
                self.complete = False

    def file(self, path: str, cluster: int, size: int) -> None:
        try:
            whole = size > 0 and self.in_one_piece(cluster, -(-size // self.volume.cluster))
            offset = self.place(cluster) if whole else None
            small = offset is not None and size <= MAX_TEXT and path.lower().endswith(TEXTS)
            text = self.view.bytes(offset or 0, size) if small else None
        except ImgauditError:
            offset = text = None
        self.found.append(File(path, size, offset, text))

    def in_one_piece(self, first: int, count: int) -> bool:
        """Tell whether a file's clusters follow each other."""
        if not self.exists(first) or not self.exists(first + count - 1):
            return False
        if self.volume.bits == 12:
            return all(self.next(at) == at + 1 for at in range(first, first + count - 1))
        width, high = self.volume.bits // 8, 0x0FFFFFFF
        stored = memoryview(self.view.bytes(self.volume.table + first * width, (count - 1) * width))
        numbers = (
            int.from_bytes(stored[at : at + width], "little") & high
            for at in range(0, len(stored), width)
        )
        return all(number == first + 1 + at for at, number in enumerate(numbers))


def _entries(data: bytes) -> Iterator[tuple[str, int, int, int]]:
    """Give name, attributes, first cluster and size of each entry that is in use."""
    long: dict[int, bytes] = {}
    for at in range(0, len(data) - _ENTRY + 1, _ENTRY):
        entry = data[at : at + _ENTRY]
        if not entry[0]:
            return
        if entry[0] == _DELETED:
            long = {}
        elif entry[11] & 0x3F == _LONG:
            long[entry[0] & 0x3F] = entry[1:11] + entry[14:26] + entry[28:32]
        elif entry[11] & _VOLUME:
            long = {}
        else:
            cluster = int.from_bytes(entry[26:28] + entry[20:22], "little")
            name = _long(long) if long else _short(entry)
            long = {}
            yield name, entry[11], cluster, int.from_bytes(entry[28:32], "little")


def _long(parts: dict[int, bytes]) -> str:
    letters = b"".join(parts[number] for number in sorted(parts))
    return letters.decode("utf-16-le", "replace").partition("\0")[0]


def _short(entry: bytes) -> str:
    stem, suffix = (part.decode("ascii", "replace").rstrip() for part in (entry[:8], entry[8:11]))
    stem = stem.lower() if entry[12] & _LOWER_STEM else stem
    suffix = suffix.lower() if entry[12] & _LOWER_SUFFIX else suffix
    return f"{stem}.{suffix}" if suffix else stem
