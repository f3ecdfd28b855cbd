"""A FAT walked whole: every directory, every chain of clusters, both copies of the table.

Source: Microsoft, "FAT32 File System Specification", 1.03, "FAT Data Structure" and "FAT Directory
Structure"; the case bits of short names are Linux' (include/uapi/linux/msdos_fs.h). What counts as
damage is what fsck.fat of dosfstools repairs.
"""

from __future__ import annotations

import array
import itertools
import operator
import stat
import sys
from collections import deque
from collections.abc import Iterator
from typing import NamedTuple

from imgaudit.data import dataclass
from imgaudit.errors import ImgauditError, UnreadError
from imgaudit.formats.files import MAX_DEPTH, Entry, Piece, Walk, cut
from imgaudit.formats.view import View
from imgaudit.units import MIB, both

MAX_TABLE = 64 * MIB
"""Bytes of one table that are read: 16 million clusters of a FAT32."""
MAX_FOLDER = 2 * MIB
"""The specification's largest directory: 65,536 entries of 32 bytes."""
MAX_FOLDERS = 64 * MIB
"""Bytes of all directories together."""
_ENTRY = 32
_LONG, _VOLUME, _FOLDER, _READ_ONLY = 0x0F, 0x08, 0x10, 0x01
_DELETED = 0xE5
_NOT_IN_NAMES = bytes(range(0x20)) + b'"*+,/:;<=>?[\\]|'
_LOWER_STEM, _LOWER_SUFFIX = 0x08, 0x10
_CHUNK = 4096  # clusters that are compared at once while a chain goes straight on


@dataclass(frozen=True, slots=True, kw_only=True)
class Volume:
    """Where things are, in bytes; `bits` is the width of an entry of the allocation table."""

    table: int
    table_size: int
    tables: int
    media: int
    root: int
    root_size: int
    root_cluster: int | None
    data: int
    cluster: int
    clusters: int
    bits: int


class _Name(NamedTuple):
    name: str
    attributes: int
    cluster: int
    size: int
    offset: int


class FatWalk(Walk):
    """Walks all; `free` counts the clusters that the table has free, None where it was not read."""

    def __init__(self, view: View, volume: Volume) -> None:
        super().__init__(view, caseless=True)
        self.volume = volume
        self.free: int | None = None
        self._left = MAX_FOLDERS
        try:
            self._table = self._entries_of_table()
            self._identity = array.array(
                self._table.typecode, range(1, min(len(self._table) + 1, _limit(self._table)))
            ).tobytes()
            self._bytes = self._table.tobytes()
            self._width = self._table.itemsize
            self._used = bytearray(len(self._table))
            self._walk()
        except UnreadError as problem:
            self.skip(str(problem))
        except ImgauditError as problem:
            self.flaw(volume.table, f"its tables end outside the data: {problem}")
            self.complete = False

    # The allocation table

    def _entries_of_table(self) -> array.array[int]:
        volume = self.volume
        count = volume.clusters + 2
        size = -(-count * volume.bits // 8)
        if size > MAX_TABLE:
            self.skip(f"its allocation table has {both(size)}")
            raise UnreadError(volume.table, self.unwalked)
        stored = self.view.bytes(volume.table, size)
        for copy in range(1, volume.tables):
            self._compare(copy, stored)
        if volume.bits == 12:
            return _twelve(stored, count)
        table = array.array("H" if volume.bits == 16 else "I")
        table.frombytes(stored)
        if sys.byteorder == "big":
            table.byteswap()
        if volume.bits == 32 and max(table) > 0x0FFFFFFF:
            # The upper four bits are reserved and must be ignored.
            table = array.array("I", [entry & 0x0FFFFFFF for entry in table])
        return table

    def _compare(self, copy: int, stored: bytes) -> None:
        start = self.volume.table + copy * self.volume.table_size
        for at in range(0, len(stored), MIB):
            piece = stored[at : at + MIB]
            other = self.view.bytes(start + at, len(piece))
            if other != piece:
                first = next(n for n in range(len(piece)) if piece[n] != other[n])
                self.flaw(start + at + first, f"copy {copy + 1} of the FAT differs from the first")
                return

    def _marks(self) -> None:
        """Judge the two entries that stand for no cluster: the media byte and the end mark."""
        volume, ones = self.volume, (1 << min(self.volume.bits, 28)) - 1
        if len(self._table) < 2 or self._table[0] != (ones & ~0xFF | volume.media):
            self.flaw(volume.table, f"the FAT's first entry is not media byte {volume.media:#04x}")

    def _exists(self, cluster: int) -> bool:
        return 2 <= cluster < self.volume.clusters + 2

    def _place(self, cluster: int) -> int:
        return self.volume.data + (cluster - 2) * self.volume.cluster

    def _straight(self, first: int) -> int:
        """Count the clusters from `first` on that follow each other in the chain."""
        if self._table[first] != first + 1:
            return 1
        count, width = 1, self._width
        while True:
            start = first + count - 1
            step = min(_CHUNK, len(self._table) - start)
            a, b = start * width, (start + step) * width
            if step <= 0:
                return count
            if self._bytes[a:b] == self._identity[a:b]:
                count += step
                continue
            low, high = 0, step
            while low < high - 1:
                middle = (low + high) // 2
                c = (start + middle) * width
                if self._bytes[a:c] == self._identity[a:c]:
                    low = middle
                else:
                    high = middle
            return count + low

    def _chain(self, first: int, wanted: int | None, path: str) -> list[tuple[int, int]]:
        """Follow a chain and claim its clusters: first cluster and length of each run.

        `wanted` is how many clusters the size asks for; None for a directory.
        """
        runs: list[tuple[int, int]] = []
        total, at = 0, first
        end = {12: 0xFF8, 16: 0xFFF8, 32: 0x0FFFFFF8}[self.volume.bits]
        what = path or "the root directory"
        while at < end:
            entry = self._entry_at(runs)
            if not self._exists(at):
                kind = "a free cluster" if at == 0 else f"cluster {at:,}, which does not exist"
                if at == end - 1:
                    kind = "a cluster that is marked bad"
                self.flaw(entry, f"{what}: its chain leads to {kind}")
                break
            count = min(self._straight(at), self.volume.clusters + 2 - at)
            taken = self._used.find(1, at, at + count)
            if taken >= 0:
                count = taken - at
                self.flaw(
                    self._entry_of(taken), f"{what}: cluster {taken:,} is in another chain too"
                )
            if count:
                self._used[at : at + count] = b"\1" * count
                runs.append((at, count))
                total += count
            if taken >= 0:
                break
            at = self._table[at + count - 1]
        self._length(runs, total, wanted, what)
        return runs

    def _length(
        self, runs: list[tuple[int, int]], total: int, wanted: int | None, what: str
    ) -> None:
        if wanted is None or total == wanted:
            return
        place = self._entry_at(runs)
        if total < wanted:
            self.flaw(place, f"{what}: its chain ends after {total:,} of {wanted:,} clusters")
        else:
            self.flaw(place, f"{what}: its chain has {total:,} clusters; its size needs {wanted:,}")

    def _entry_of(self, cluster: int) -> int:
        return self.volume.table + cluster * self.volume.bits // 8

    def _entry_at(self, runs: list[tuple[int, int]]) -> int:
        return self._entry_of(runs[-1][0] + runs[-1][1] - 1) if runs else self.volume.table

    def _lost(self) -> None:
        """Count what is free, and what is taken but in no chain."""
        bad = {12: 0xFF7, 16: 0xFFF7, 32: 0x0FFFFFF7}[self.volume.bits]
        self.free = self._table.count(0) - self._table[:2].count(0)
        unclaimed = map(operator.gt, map(bool, self._table), self._used)
        taken = itertools.compress(itertools.count(), unclaimed)
        lost = (number for number in taken if number > 1 and self._table[number] != bad)
        first = next(lost, None)
        if first is not None and self.complete:
            more = sum(1 for _ in lost)
            what = f"{1 + more:,} clusters are" if more else "1 cluster is"
            self.flaw(self._entry_of(first), f"{what} taken but in no file, the first {first:,}")

    # Directories

    def _walk(self) -> None:
        volume = self.volume
        self._marks()
        self.add(Entry("", stat.S_IFDIR | 0o755, 0, pieces=None))
        root: list[Piece]
        if volume.root_cluster is None:
            root = [Piece(volume.root_size, volume.root)]
        else:
            root = self._placed(self._chain(volume.root_cluster, None, ""))
        todo = deque([(root, "", 0, (volume.root_cluster or 0), 0)])
        while todo:
            pieces, path, depth, own, parent = todo.popleft()
            for folder, name in self._folder(pieces, path, own, parent):
                if depth >= MAX_DEPTH:
                    self.skip(f"folders are more than {MAX_DEPTH} deep")
                    continue
                todo.append((folder, name.name, depth + 1, name.cluster, own))
        self._lost()

    def _placed(self, runs: list[tuple[int, int]]) -> list[Piece]:
        return [Piece(n * self.volume.cluster, self._place(at)) for at, n in runs]

    def _folder(
        self, pieces: list[Piece], path: str, own: int, parent: int
    ) -> Iterator[tuple[list[Piece], _Name]]:
        """List a folder's files; give its folders."""
        size = sum(piece.size for piece in pieces)
        self._left -= size
        if size > MAX_FOLDER or self._left < 0:
            self.skip(f"the folder {path or '/'} has {both(size)}")
            return
        seen: set[str] = set()
        dots = 0
        for name in self._names(pieces, path):
            if name.name in {".", ".."}:
                dots += 1
                right = own if name.name == "." else parent
                # On FAT32 the root's parent entries say 0, whatever cluster the root has.
                root = self.volume.root_cluster if name.name == ".." else None
                if not path or name.cluster not in {right, 0 if right == root else right}:
                    self.flaw(name.offset, f"{path or '/'}: its entry {name.name} leads elsewhere")
                continue
            if name.name.lower() in seen:
                self.flaw(name.offset, f"{path}/{name.name}".lstrip("/") + " is there twice")
                continue
            seen.add(name.name.lower())
            full = f"{path}/{name.name}" if path else name.name
            yield from self._one(name._replace(name=full))
        if path and dots != 2:
            self.flaw(pieces[0].offset or 0 if pieces else 0, f"{path}: it lacks . or ..")

    def _one(self, name: _Name) -> Iterator[tuple[list[Piece], _Name]]:
        mode = 0o555 if name.attributes & _READ_ONLY else 0o755
        if name.attributes & _FOLDER:
            if name.size:
                self.flaw(name.offset, f"{name.name}: a folder with a size of {name.size:,}")
            if not self.add(Entry(name.name, stat.S_IFDIR | mode, 0, name.cluster, pieces=None)):
                return
            if not self._exists(name.cluster):
                self.flaw(name.offset, f"{name.name}: a folder in cluster {name.cluster:,}")
                return
            before = self.flaw_count
            runs = self._chain(name.cluster, None, name.name)
            # What is claimed twice is walked once.
            if self.flaw_count == before or runs:
                yield self._placed(runs), name
            return
        wanted = -(-name.size // self.volume.cluster)
        runs = []
        if name.cluster or wanted:
            if wanted and not self._exists(name.cluster):
                self.flaw(name.offset, f"{name.name}: its data start in cluster {name.cluster:,}")
            else:
                runs = self._chain(name.cluster, wanted, name.name)
        placed = self._placed(runs)
        enough = sum(piece.size for piece in placed) >= name.size
        pieces = cut(placed, name.size) if enough else None
        self.add(
            Entry(
                name.name,
                stat.S_IFREG | mode,
                name.size,
                name.cluster,
                pieces=pieces,
            )
        )

    def _names(self, pieces: list[Piece], path: str) -> Iterator[_Name]:
        """Give each entry that is in use."""
        long: dict[int, bytes] = {}
        sums: set[int] = set()
        for piece in pieces:
            data = self.view.bytes(piece.offset or 0, piece.size)
            for at in range(0, len(data) - _ENTRY + 1, _ENTRY):
                entry = data[at : at + _ENTRY]
                place = (piece.offset or 0) + at
                part = entry[0] != _DELETED and entry[11] & 0x3F == _LONG
                name = entry[0] not in {0, _DELETED} and not part and not entry[11] & _VOLUME
                if long and not name and (not part or entry[0] & 0x40):
                    self.flaw(place, f"{path or '/'}: a piece of a long name belongs to no file")
                if not entry[0]:
                    return
                if part:
                    if entry[0] & 0x40:
                        long, sums = {}, set()
                    long[entry[0] & 0x3F] = entry[1:11] + entry[14:26] + entry[28:32]
                    sums.add(entry[13])
                    continue
                if name:
                    yield self._name(entry, long, sums, place, path)
                elif entry[0] != _DELETED and (path or entry[11] & _FOLDER):
                    self.flaw(place, f"{path or '/'}: a label of the volume where there is none")
                long, sums = {}, set()

    def _name(
        self, entry: bytes, long: dict[int, bytes], sums: set[int], place: int, path: str
    ) -> _Name:
        short = _short(entry)
        if len(entry[1:11].translate(None, _NOT_IN_NAMES)) < 10 or (
            entry[0] < 0x20 and entry[0] != 5
        ):
            self.flaw(place, f"{path or '/'}: a name with bytes that FAT does not allow")
        whole = sorted(long) == list(range(1, len(long) + 1))
        good = bool(long) and whole and sums == {_checksum(entry[:11])}
        if long and not good:
            self.flaw(
                place, f"{path}/{short}".lstrip("/") + ": its long name does not belong to it"
            )
        return _Name(
            _long(long) if good else short,
            entry[11],
            # Only FAT32 has the upper half.
            int.from_bytes(
                entry[26:28] + (entry[20:22] if self.volume.bits == 32 else b""), "little"
            ),
            int.from_bytes(entry[28:32], "little"),
            place,
        )


def _limit(table: array.array[int]) -> int:
    return 1 << 8 * table.itemsize


def _twelve(stored: bytes, count: int) -> array.array[int]:
    """Take the entries of 12 bits apart."""
    table = array.array("H", bytes(2 * count))
    for cluster in range(count):
        at = cluster * 3 // 2
        pair = int.from_bytes(stored[at : at + 2], "little")
        table[cluster] = pair >> 4 if cluster & 1 else pair & 0xFFF
    return table


def _checksum(short: bytes) -> int:
    total = 0
    for byte in short:
        total = ((total & 1) << 7 | total >> 1) + byte & 0xFF
    return total


def _long(parts: dict[int, bytes]) -> str:
    letters = b"".join(parts[number] for number in sorted(parts))
    return letters.decode("utf-16-le", "replace").partition("\0")[0].replace("/", "\ufffd")


def _short(entry: bytes) -> str:
    first = b"\xe5" if entry[0] == 5 else entry[:1]
    stem = (first + entry[1:8]).decode("cp437").rstrip()
    suffix = entry[8:11].decode("cp437").rstrip()
    stem = stem.lower() if entry[12] & _LOWER_STEM else stem
    suffix = suffix.lower() if entry[12] & _LOWER_SUFFIX else suffix
    return (f"{stem}.{suffix}" if suffix else stem).replace("/", "\ufffd")
