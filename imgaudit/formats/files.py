"""The files of a file system, in one form for all of them, and what is wrong inside.

A reader that walks a file system whole gives `FileSystem` facts: every name with its kind, owner,
size and where its bytes lie, what does not hold together, and the room that is left.
"""

from __future__ import annotations

import bisect
import contextlib
import itertools
import stat
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from dataclasses import field, replace
from typing import NamedTuple, TypeVar

from imgaudit import bounds
from imgaudit.data import dataclass
from imgaudit.errors import FormatError, ImgauditError, UnreadError
from imgaudit.formats.blocks import unpack_block
from imgaudit.formats.facts import Checksum, Facts, Part
from imgaudit.formats.view import View
from imgaudit.patterns import regex
from imgaudit.units import KIB, MIB, Span, both

MAX_ENTRIES = 200_000
"""Names that are listed; a large distribution's root has some 60,000."""
MAX_PIECES = 400_000
"""Pieces of all files together whose place is kept."""
MAX_FLAWS = 64
"""Flaws are counted and kept up to here."""
MOST_FLAWS = 50_000
"""Flaws after which no more is looked at: each costs time, and names may be listed many times."""
MAX_DEPTH = 128
"""Folders in each other; PATH_MAX allows no path that is useful with more."""
MAX_PARTS = 256
"""Files that are looked into; a boot partition with its device trees has a few dozen."""
MAX_TEXT = 64 * KIB
SCRIPT = ".scr"
MAX_TEXTS = 4 * MIB
OS_RELEASE = ("etc/os-release", "usr/lib/os-release")
"""Where a system says which one it is (os-release(5)); its text is kept as well."""
TEXTS = (".conf", ".cfg", ".txt", ".env", SCRIPT)
"""How configuration files and scripts end whose text is kept, up to the sizes above."""
_ENDING = max(map(len, TEXTS))
BOOT_FOLDERS = frozenset({"boot", "extlinux", "loader", "efi", "dtb", "dtbs"})
"""Folders of a root or a boot partition where boot loaders look."""
MAX_WORDS = 20_000
"""Words of those texts that are looked up as paths."""
MAX_UNPACKED = 256 * MIB
"""What is looked into of packed files; as much as a kernel and a ramdisk ever need."""
MAX_PLACED = 64 * MIB  # no kernel or ramdisk of such boards is larger
LINKS = 40  # MAXSYMLINKS, Linux include/linux/namei.h


FILE_KINDS = {
    1: stat.S_IFREG,
    2: stat.S_IFDIR,
    3: stat.S_IFCHR,
    4: stat.S_IFBLK,
    5: stat.S_IFIFO,
    6: stat.S_IFSOCK,
    7: stat.S_IFLNK,
}
"""What a directory calls the kinds of file (Linux include/linux/fs_types.h, FT_*)."""


class Piece(NamedTuple):
    """`size` bytes of a file in a row.

    They are stored at `offset`; None is a hole, which reads as zeros. Where `method` names a
    compression, `stored` bytes there unpack to `whole` bytes, and the piece begins `skip` bytes
    into these.
    """

    size: int
    offset: int | None
    method: str = ""
    stored: int = 0
    whole: int = 0
    skip: int = 0


class Flaw(NamedTuple):
    """Something that does not hold together: where, and what in a few words."""

    offset: int
    what: str


class Entry(NamedTuple):
    """One name in a file system.

    `path` has no leading slash. `mode` has the kind and the permissions as in `stat`; on FAT they
    are what Linux shows with umask 022. `inode` is the same for hard links. `rdev` is a device's
    major and minor. `pieces` is None where the place of the data is not known. `text` is the
    content of a small configuration file or script.
    """

    path: str
    mode: int
    size: int
    inode: int = 0
    uid: int = 0
    gid: int = 0
    mtime: int = 0
    target: str = ""
    rdev: tuple[int, int] = (0, 0)
    pieces: tuple[Piece, ...] | None = ()
    text: bytes | None = None

    @property
    def is_file(self) -> bool:
        """Whether this is a regular file."""
        return stat.S_ISREG(self.mode)

    @property
    def is_folder(self) -> bool:
        """Whether this is a directory."""
        return stat.S_ISDIR(self.mode)

    @property
    def is_link(self) -> bool:
        """Whether this is a symbolic link."""
        return stat.S_ISLNK(self.mode)

    @property
    def offset(self) -> int | None:
        """Where all data lie as they are; None where they are not in one piece."""
        if not self.pieces or len(self.pieces) != 1 or self.pieces[0].method:
            return None
        return self.pieces[0].offset if self.pieces[0].size == self.size else None


class Files:
    """All names of a file system, by path; the root itself is ""."""

    __slots__ = ("_lower", "caseless", "complete", "entries")

    def __init__(
        self, entries: dict[str, Entry], *, complete: bool, caseless: bool = False
    ) -> None:
        self.entries = entries
        self.complete = complete
        self.caseless = caseless
        self._lower: dict[str, str] | None = None

    def __iter__(self) -> Iterator[Entry]:
        """Give every name but the root's."""
        return (entry for path, entry in self.entries.items() if path)

    def __len__(self) -> int:
        return len(self.entries) - ("" in self.entries)

    def get(self, path: str) -> Entry | None:
        """Give what stands at a path, without following a link there."""
        found = self.entries.get(path)
        if found is None and self.caseless:
            if self._lower is None:
                self._lower = {name.lower(): name for name in self.entries}
            found = self.entries.get(self._lower.get(path.lower(), "\0"))
        return found

    def find(self, path: str) -> Entry | None:
        """Look a path up as the kernel does, links followed; None where it leads nowhere."""
        todo = _parts(path)
        at: list[str] = []
        links = 0
        while todo:
            part = todo.pop()
            if part == "..":
                at = at[:-1]
                continue
            entry = self.get("/".join((*at, part)))
            if entry is None or (todo and not (entry.is_folder or entry.is_link)):
                return None
            if not entry.is_link:
                at = entry.path.split("/")
                continue
            links += 1
            if links > LINKS or not entry.target:
                return None
            at = [] if entry.target.startswith("/") else at
            todo += _parts(entry.target)
        return self.entries.get("/".join(at))

    def reached(self) -> Iterator[tuple[str, Entry]]:
        """Give every regular file under each of its names, that of a link to it too."""
        for path, entry in self.entries.items():
            if entry.is_file:
                yield path, entry
            elif entry.is_link and (target := self.find(path)) is not None and target.is_file:
                yield path, target

    def named(self) -> Iterator[Entry]:
        """Give the regular files that the texts name, from the root or from beside the text."""
        left = MAX_WORDS
        for entry in self.entries.values():
            if entry.text is None:
                continue
            folder = entry.path.rpartition("/")[0]
            for word in _WORDS.findall(entry.text.decode("latin-1")):
                left -= 1
                if left < 0:
                    why = f"of its texts only the first {MAX_WORDS:,} words are looked up as paths"
                    bounds.left_out(entry.path, why)
                    return
                path = word.replace("\\", "/")
                found = self.find(path) or (self.find(f"{folder}/{path}") if folder else None)
                if found is not None and found.is_file:
                    yield found


# What may be a path: no blanks, quotes or signs of the shell's syntax.
_WORDS = regex(r"[^\s\0-\x1f\"'`=;,|&<>${}()\x7f-\xff]{2,255}")


def _parts(path: str) -> list[str]:
    return [part for part in reversed(path.split("/")) if part not in {"", "."}]


def open_file(view: View, entry: Entry) -> View:
    """View a regular file's bytes; `view` is of the file system that lists it.

    Reading raises FormatError where a compressed block is damaged.

    Raises:
        UnreadError: where its bytes lie is not known.

    """
    if entry.pieces is None:
        raise UnreadError(0, f"where {entry.path} lies is not known")
    if entry.offset is not None:
        return view.sub(entry.offset, entry.size)
    return View(_Pieces(view, entry.pieces, entry.size))


def cut(pieces: Iterable[Piece], size: int) -> tuple[Piece, ...]:
    """Leave out what of the pieces is beyond a file's end."""
    kept = []
    for piece in pieces:
        if size <= 0:
            break
        kept.append(piece._replace(size=min(piece.size, size)))
        size -= piece.size
    return tuple(kept)


class _Pieces:
    """A file put together; the last block that was unpacked is kept."""

    def __init__(self, view: View, pieces: tuple[Piece, ...], size: int) -> None:
        self.size = size
        self.below = view
        self._pieces = pieces
        self._starts = list(itertools.accumulate((piece.size for piece in pieces), initial=0))
        self._last: tuple[int, bytes] = (-1, b"")

    def read_at(self, offset: int, length: int) -> bytes:
        out = []
        end = offset + length
        at = bisect.bisect_right(self._starts, offset) - 1
        while offset < end:
            if at >= len(self._pieces):
                out.append(bytes(end - offset))
                break
            piece = self._pieces[at]
            start = offset - self._starts[at]
            count = min(piece.size - start, end - offset)
            if count > 0:
                try:
                    out.append(self._part(piece, start, count))
                except FormatError as problem:
                    raise FormatError(offset, problem.why) from problem
                offset += count
            at += 1
        return b"".join(out)

    def _part(self, piece: Piece, start: int, count: int) -> bytes:
        if piece.offset is None:
            return bytes(count)
        if not piece.method:
            return self.below.bytes(piece.offset + start, count)
        if self._last[0] != piece.offset:
            self._last = (piece.offset, unpack(self.below, piece))
        first = piece.skip + start
        return self._last[1][first : first + count].ljust(count, b"\0")

    def data(self) -> Iterator[Span]:
        if self.size:
            yield Span(0, self.size)


def unpack(view: View, piece: Piece) -> bytes:
    """Unpack the block that a piece is in.

    Raises:
        FormatError: it is damaged, or unpacks to another size.

    """
    assert piece.offset is not None  # noqa: S101 - tells mypy what the caller made sure of
    stored = view.bytes(piece.offset, piece.stored)
    out = unpack_block(piece.method, stored, piece.whole, piece.offset, exact=False)
    if len(out) < piece.skip + piece.size:
        why = f"a block unpacks to {len(out):,} bytes; {piece.skip + piece.size:,} are used of it"
        raise FormatError(piece.offset, why)
    return out


@dataclass(frozen=True, slots=True)
class Room:
    """What is left in a file system, in bytes and inodes; no inodes where it has no such limit."""

    size: int
    free: int
    inodes: int | None = None
    free_inodes: int | None = None


@dataclass(frozen=True, kw_only=True)
class FileSystem(Facts):
    """A file system that was walked whole.

    `files` is None where nothing could be listed. `flaws` are the first of `flaw_count`. `unwalked`
    says in a sentence why parts were not looked at; "" means that all was. `room` is what is left
    in it, as its own counters say; None where it has none.
    """

    files: Files | None = field(default=None, repr=False, compare=False)
    flaws: tuple[Flaw, ...] = field(default=(), compare=False)
    flaw_count: int = field(default=0, compare=False)
    unwalked: str = field(default="", compare=False)
    room: Room | None = field(default=None, compare=False)

    def file(self, path: str) -> Entry | None:
        """Find a regular file, links followed."""
        found = self.files.find(path) if self.files is not None else None
        return found if found is not None and found.is_file else None

    def looked_into(self, path: str) -> bool:
        """Tell whether a boot loader may look for what stands there."""
        return _for_boot(path)

    def parts(self) -> Iterator[Part]:
        """Give the files that a boot may use, each once however many names it has.

        The offset is -1 where a file lies in several pieces or is packed; `open` puts it together.
        Those at the root and those that a script or a configuration names come first.
        """
        files = self.files
        if files is None:
            return
        found: dict[tuple[Piece, ...], Entry] = {}
        likely = (entry for entry in files if "/" not in entry.path)
        others = (entry for entry in files if "/" in entry.path and self.looked_into(entry.path))
        for entry in itertools.chain(likely, files.named(), others):
            if entry.is_file and 0 < entry.size <= MAX_PLACED and entry.pieces:
                found.setdefault(entry.pieces, entry)
        left, unpacked = self.length or MAX_UNPACKED, MAX_UNPACKED
        for pieces, entry in bounds.within(
            found.items(), MAX_PARTS, "", "files that a boot may use"
        ):
            packed = any(piece.method for piece in pieces)
            stored = sum(piece.stored for piece in pieces) if packed else entry.size
            left -= stored
            unpacked -= entry.size if packed else 0
            # Only in a damaged file system do files share bytes; of packed ones some may be tiny.
            if left < 0 or unpacked < 0:
                bounds.left_out(entry.path, "this and further files are not looked into: too many")
                return
            at = -1 if entry.offset is None else entry.offset
            yield Part(entry.path, at, entry.size, stored=stored)

    def open(self, view: View, part: Part) -> View:
        """View a file; see Facts."""
        entry = self.files.get(part.name) if self.files is not None else None
        return super().open(view, part) if entry is None else open_file(view, entry)


def _for_boot(path: str) -> bool:
    first, _, rest = path.partition("/")
    return not rest or first.lower() in BOOT_FOLDERS


def unpacked_whole(view: View, facts: Facts) -> Facts:
    """Unpack every packed block of a file system's files once; what does not unpack is a flaw."""
    if not isinstance(facts, FileSystem) or facts.files is None:
        return facts
    wanted: dict[int, tuple[Piece, str]] = {}
    for entry in facts.files:
        for piece in entry.pieces or ():
            if piece.method and piece.offset is not None:
                # Of a block that several files share, the one that needs most of it counts.
                known = wanted.get(piece.offset)
                if known is None or _needs(known[0]) < _needs(piece):
                    wanted[piece.offset] = (piece, entry.path)
    flaws, count, why = list(facts.flaws), facts.flaw_count, facts.unwalked
    for piece, path in wanted.values():
        try:
            unpack(view, piece)
        except FormatError as problem:
            count += 1
            if len(flaws) < MAX_FLAWS:
                flaws.append(Flaw(problem.offset, f"{path}: {problem.why}"))
        except UnreadError as problem:
            why = why or str(problem)
    return replace(facts, flaws=tuple(flaws), flaw_count=count, unwalked=why)


def _needs(piece: Piece) -> int:
    return piece.skip + piece.size


def device(number: int) -> tuple[int, int]:
    """Take a device's number apart (Linux include/linux/kdev_t.h, new_decode_dev)."""
    return number >> 8 & 0xFFF, number & 0xFF | number >> 12 & ~0xFF


def old_device(old: int, new: int) -> tuple[int, int]:
    """Take a device's number apart where an older, shorter one counts if it is there."""
    return (old >> 8 & 0xFF, old & 0xFF) if old else device(new)


D = TypeVar("D")
Named = tuple[Entry, int, int, D | None]
"""What a directory has: the number of its inode, the place of the name, and a directory itself."""
Below = Callable[[D, D, str], Iterator[Named[D]]]
"""Gives what is in a directory; it is told the parent and the path as well."""


class Walk:
    """What the walks of all file systems gather."""

    def __init__(self, view: View, *, caseless: bool = False) -> None:
        self.view = view
        self.flaws: list[Flaw] = []
        self.flaw_count = 0
        self.checksums: list[Checksum] = []
        self.unwalked = ""
        self.complete = True
        self.entries: dict[str, Entry] = {}
        self._caseless = caseless
        self._folders: set[int] = set()
        self._pieces_left = MAX_PIECES
        self._texts = MAX_TEXTS

    def attempt(self) -> None:
        """Walk as far as it goes; why it ends early is said."""
        try:
            self._walk()
        except UnreadError as problem:
            self.skip(str(problem))
        except FormatError as problem:
            self.flaw(problem.offset, problem.why)
            self.complete = False

    def _walk(self) -> None:
        raise NotImplementedError

    def list_all(self, top: Entry, number: int, root: D, below: Below[D]) -> None:
        """List every name from the root on, whose inode has this number, breadth first."""
        self.add(top)
        self._folders.add(number)
        todo = deque([(root, root, "", 0)])
        while todo:
            folder, parent, path, depth = todo.popleft()
            for entry, inode, at, inside in below(folder, parent, path):
                if not self.add(entry):
                    return
                if inside is not None and self.goes_into(inode, entry.path, at, depth):
                    todo.append((inside, folder, entry.path, depth + 1))

    def goes_into(self, folder: int, path: str, at: int, depth: int) -> bool:
        """Tell whether a directory is walked: by its first name, and where it is not too deep."""
        if folder in self._folders:
            self.flaw(at, f"{path}: a second name for directory {folder:,}")
            return False
        if depth >= MAX_DEPTH:
            self.skip(f"directories are more than {MAX_DEPTH} deep")
            return False
        self._folders.add(folder)
        return True

    def flaw(self, offset: int, what: str) -> None:
        """Note that something does not hold together.

        Raises:
            UnreadError: once, when there are so many that no more is looked at.

        """
        self.flaw_count += 1
        if self.flaw_count == MOST_FLAWS:
            raise UnreadError(offset, f"it has {MOST_FLAWS:,} flaws and more")
        if len(self.flaws) < MAX_FLAWS:
            self.flaws.append(Flaw(offset, what))

    def wrong(self, checksum: Checksum) -> None:
        """Note a checksum that does not match."""
        if len(self.checksums) < MAX_FLAWS:
            self.checksums.append(checksum)

    def skip(self, why: str) -> None:
        """Say why parts are not looked at; the first reason stands."""
        self.unwalked = self.unwalked or why
        self.complete = False

    def add(self, entry: Entry) -> bool:
        """List a name; tell whether there was room for it."""
        if len(self.entries) >= MAX_ENTRIES:
            self.skip(f"it has more than {MAX_ENTRIES:,} names")
            return False
        if entry.pieces:
            self._pieces_left -= len(entry.pieces)
            if self._pieces_left < 0:
                bounds.left_out("", f"its files lie in more than {MAX_PIECES:,} pieces")
                entry = entry._replace(pieces=None)
        if self.kept(entry):
            with contextlib.suppress(ImgauditError):
                text = open_file(self.view, entry).bytes(0, entry.size)
                self._texts -= entry.size
                entry = entry._replace(text=text)
        self.entries[entry.path] = entry
        return True

    def kept(self, entry: Entry) -> bool:
        """Tell whether a file is a small configuration whose text is kept."""
        path = entry.path
        wanted = path[-_ENDING:].lower().endswith(TEXTS) and (self._caseless or _for_boot(path))
        if not (wanted or path in OS_RELEASE) or not entry.is_file or entry.size > MAX_TEXT:
            return False
        if entry.size > self._texts:
            bounds.left_out(path, f"the texts before it have {both(MAX_TEXTS)}")
        return entry.size <= self._texts

    def doubts(self) -> tuple[str, ...]:
        """Say what was not looked at."""
        return (f"Not all of it was looked at: {self.unwalked}.",) if self.unwalked else ()

    def files(self) -> Files | None:
        """Give what was listed; None where not even the root was."""
        if not self.entries:
            return None
        return Files(self.entries, complete=self.complete, caseless=self._caseless)
