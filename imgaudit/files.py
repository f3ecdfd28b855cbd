"""Open what is read and write what is written; no link leads where it is not meant to.

A path that the user gives may be a link. A name in the artifacts folder is followed from the
folder's descriptor, part by part: a link may lead to another place inside, and never out of it.
"""

from __future__ import annotations

import contextlib
import errno
import fnmatch
import itertools
import os
import stat
from collections.abc import Callable, Iterator
from typing import NamedTuple, Self

from imgaudit.errors import AuditError, ImgauditError, close


class ArtifactError(ImgauditError):
    """An artifact that is not there (or is not one file), or that must not or cannot be opened."""

    def __init__(self, why: str, *, absent: bool = False) -> None:
        super().__init__(why)
        self.absent = absent


def nearby(path: str) -> str:
    """Suggest what a path that is not there may have meant; nothing where it is there."""
    folder, name = os.path.split(path)
    if os.path.lexists(path):
        return ""
    try:
        with os.scandir(folder or ".") as entries:
            names = [entry.name for entry in itertools.islice(entries, _MOST_LOOKED_AT)]
    except (OSError, ValueError):
        return ""
    return close(name, names)


class Opened(NamedTuple):
    """A file that was opened: its device and number, the bytes that it has stored, its name."""

    device: int
    number: int
    stored: int
    name: str


_MOST_SUGGESTED = 32  # names that were meant; each is looked for among all of a folder's
_MOST_LOOKED_AT = 100_000  # entries; a large deploy folder has some thousands
_MOST_LINKS = 40  # on the way to one file, as the Linux kernel has it
_READ = os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC
_WALK = getattr(os, "O_PATH", os.O_RDONLY) | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC

_watchers: list[Callable[[Opened], None]] = []


def watch(watcher: Callable[[Opened], None]) -> None:
    """Have someone told of each file that is opened, in place of whoever was before."""
    _watchers[:] = [watcher]


class Folder:
    """The artifacts folder: names are looked up in it, and nothing outside it is opened.

    Raises:
        ArtifactError: it is no folder, or cannot be opened.

    """

    def __init__(self, path: str) -> None:
        self.path = path
        self._suggested = 0
        self._root = -1
        try:
            self._root = os.open(path, _WALK & ~os.O_NOFOLLOW)
        except (OSError, ValueError) as problem:
            raise ArtifactError(f"{path} is not a folder{nearby(path)}") from problem
        self._real = os.path.realpath(path)

    def __del__(self) -> None:
        if self._root >= 0:
            os.close(self._root)

    def find(self, pattern: str) -> str:
        """Give the one path, relative to the folder, that a name or glob means.

        Raises:
            ArtifactError: no file or several match, or the path leaves the folder.

        """
        stay_inside(pattern)
        if not any(letter in pattern for letter in "*?["):
            if not self.has(pattern):
                why = f"{pattern} is not in the artifacts folder{self._near(pattern)}"
                raise ArtifactError(why, absent=True)
            return pattern
        found = self._distinct(sorted(self._matching(pattern)))
        if len(found) != 1:
            some = ", ".join(found[:4]) + (", …" if len(found) > 4 else "")
            raise ArtifactError(
                f"{pattern} matches {len(found)} files: {some}"
                if found
                else f"{pattern} matches no file in the artifacts folder",
                absent=True,
            )
        return found[0]

    def has(self, path: str) -> bool:
        """Tell whether something has this name in the folder.

        Raises:
            ArtifactError: the path leaves the folder.

        """
        stay_inside(path)
        with self._at(path) as place:
            return place.status is not None or place.link

    def _near(self, path: str) -> str:
        """Suggest what stands beside a path that is not there, or where it stands instead."""
        self._suggested += 1
        if self._suggested > _MOST_SUGGESTED:
            return ""
        folder, name = os.path.split(path)
        names = [name for name, _, _ in self._entries(folder)[:_MOST_LOOKED_AT]]
        if folder and not names:
            return f", which has no {folder}"
        return ", which is empty" if not names else close(name, names)

    def _matching(self, pattern: str) -> Iterator[str]:
        """Give the names that a glob means; a wildcard leads into no linked folder.

        Raises:
            ArtifactError: more entries would have to be looked at than any build folder has.

        """
        looked = 0
        waiting = [("", [part for part in pattern.split("/") if part not in {"", "."}])]
        while waiting:
            folder, (part, *rest) = waiting.pop()
            entries = self._entries(folder)
            looked += len(entries)
            if looked > _MOST_LOOKED_AT:
                raise ArtifactError(f"{pattern} looks at more than {_MOST_LOOKED_AT:,} files")
            for name, is_folder, is_link in entries:
                hidden = name.startswith(".") and not part.startswith(".")
                if hidden or not fnmatch.fnmatchcase(name, part):
                    continue
                path = os.path.join(folder, name)
                if not rest:
                    yield path
                elif is_folder or (is_link and part == name):
                    waiting.append((path, rest))

    def _entries(self, folder: str) -> list[tuple[str, bool, bool]]:
        """List a folder: names, whether each is a folder itself or a link; none if it cannot be."""
        with self._at(folder or ".") as place:
            if place.status is None or not stat.S_ISDIR(place.status.st_mode):
                return []
            try:
                descriptor = os.open(
                    place.name, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC, dir_fd=place.folder
                )
            except OSError:
                return []
        try:
            with os.scandir(descriptor) as entries:
                return [
                    (entry.name, entry.is_dir(follow_symlinks=False), entry.is_symlink())
                    for entry in entries
                ]
        except OSError:
            return []
        finally:
            os.close(descriptor)

    def names(self, deepest: int) -> Iterator[str]:
        """Give every file, folder by folder; links to folders are not followed, hidden ones left.

        Raises:
            ArtifactError: there are more than any build folder has.

        """
        looked = 0
        waiting = [("", 0)]
        while waiting:
            folder, depth = waiting.pop()
            entries = sorted(self._entries(folder))
            looked += len(entries)
            if looked > _MOST_LOOKED_AT:
                raise ArtifactError(f"{self.path} has more than {_MOST_LOOKED_AT:,} files")
            below = []
            for name, is_folder, _ in entries:
                if name.startswith("."):
                    continue
                path = os.path.join(folder, name)
                if not is_folder:
                    yield path
                elif depth < deepest:
                    below.append((path, depth + 1))
            waiting += reversed(below)

    def status(self, name: str) -> os.stat_result | None:
        """Give what the system says of a file, whatever leads to it; None if it is not there."""
        try:
            with self._at(name) as place:
                return place.status
        except ArtifactError:
            return None

    def _distinct(self, found: list[str]) -> list[str]:
        """Leave out links beside the file that they lead to, as versioned deploy folders have."""
        files: dict[str | tuple[int, int], str] = {}
        for name in found:
            status = self.status(name)
            same = name if status is None else (status.st_dev, status.st_ino)
            if same not in files or not self._is_link(name):
                files[same] = name
        return sorted(files.values())

    def _is_link(self, name: str) -> bool:
        with self._at(name) as place:
            return place.link

    def open(self, relative: str) -> tuple[int, int]:
        """Open a file for reading; give its descriptor and its size in bytes.

        Raises:
            ArtifactError: it is no regular file, lies outside the folder, or cannot be read.

        """
        with self._at(relative) as place:
            if place.status is None:
                why = os.strerror(place.error)
                raise ArtifactError(f"{relative} cannot be opened: {why}")
            return _opened(relative, place.status, place.name, place.folder)

    @contextlib.contextmanager
    def _at(self, relative: str) -> Iterator[_Place]:
        """Go to a name, part by part; the folder that it lies in is open within the context."""
        walk = _Way(self._root, self._real, relative)
        try:
            yield walk.place()
        finally:
            walk.close()


class _Place(NamedTuple):
    """Where a name led: the folder's descriptor, the last name in it, and what is there.

    Without a status nothing is, for the reason in `error`. `link` tells whether the name is one.
    """

    folder: int
    name: str
    status: os.stat_result | None
    error: int = errno.ENOENT
    link: bool = False


class _Way:
    """One way through a folder; it has a descriptor open for each folder that it is in."""

    def __init__(self, root: int, real: str, relative: str) -> None:
        self._real = real
        self._relative = relative
        self._left = _parts(relative)
        self._folders = [root]
        self._links = 0
        self._link = False  # whether the name itself is one

    def place(self) -> _Place:
        """Follow every part.

        Raises:
            ArtifactError: a link leads out.

        """
        while self._left:
            part = self._left.pop()
            if part == "..":
                self._up()
                continue
            here = self._folders[-1]
            try:
                status = os.stat(part, dir_fd=here, follow_symlinks=False)
                if stat.S_ISLNK(status.st_mode):
                    self._links += 1
                    self._link |= not self._left
                    if self._links > _MOST_LINKS:
                        return self._nothing(errno.ELOOP)
                    self._turn(os.readlink(part, dir_fd=here))
                elif not self._left:
                    return _Place(here, part, status, link=self._link)
                else:
                    self._folders.append(os.open(part, _WALK, dir_fd=here))
            except OSError as problem:
                return self._nothing(problem.errno or errno.ENOENT)
        here = self._folders[-1]
        return _Place(here, ".", os.fstat(here), link=self._link)

    def _nothing(self, error: int) -> _Place:
        return _Place(self._folders[-1], "", None, error, link=self._link)

    def _up(self) -> None:
        if len(self._folders) == 1:
            raise ArtifactError(f"{self._relative} is a link out of the artifacts folder")
        os.close(self._folders.pop())

    def _turn(self, target: str) -> None:
        """Go on where a link leads to; one that names the whole path may lead back inside."""
        if target.startswith("/"):
            inside = os.path.normpath(target)
            if os.path.commonpath([inside, self._real]) != self._real:
                raise ArtifactError(f"{self._relative} is a link out of the artifacts folder")
            target = os.path.relpath(inside, self._real)
            while len(self._folders) > 1:
                os.close(self._folders.pop())
        self._left += _parts(target)

    def close(self) -> None:
        """Close the folders that were opened on the way."""
        while len(self._folders) > 1:
            os.close(self._folders.pop())


def _parts(path: str) -> list[str]:
    """Give the parts of a path, the last one first."""
    return [part for part in reversed(path.split("/")) if part not in {"", "."}]


def stay_inside(pattern: str) -> None:
    """Refuse a path that is absolute or climbs.

    Raises:
        ArtifactError: it would leave the artifacts folder.

    """
    if os.path.isabs(pattern) or ".." in pattern.split("/") or "\0" in pattern:
        raise ArtifactError(f"{pattern} leaves the artifacts folder")


def open_regular(path: str) -> tuple[int, int]:
    """Open a file that the user named; give its descriptor and its size in bytes.

    Raises:
        ArtifactError: it is no regular file (a device or a FIFO is refused), or cannot be read.

    """
    try:
        status = os.stat(path)
    except (OSError, ValueError) as problem:
        why = getattr(problem, "strerror", None) or "it is no name of a file"
        raise ArtifactError(f"{path} cannot be opened: {why}") from problem
    return _opened(path, status, path, None)


def _opened(said: str, before: os.stat_result, name: str, folder: int | None) -> tuple[int, int]:
    """Open what was a regular file a moment ago, and see that it is."""
    descriptor = -1
    try:
        if stat.S_ISREG(before.st_mode):  # what is none may act when it is opened
            # In a folder every link has been followed: one that is there now has just been put.
            flags = _READ if folder is None else _READ | os.O_NOFOLLOW
            descriptor = os.open(name, flags, dir_fd=folder)
            status = os.fstat(descriptor)
    except OSError as problem:
        raise ArtifactError(f"{said} cannot be opened: {problem.strerror}") from problem
    if descriptor < 0 or not stat.S_ISREG(status.st_mode):
        if descriptor >= 0:
            os.close(descriptor)
        raise ArtifactError(f"{said} is not a regular file")
    stored = min(status.st_size, status.st_blocks * 512)
    for watcher in _watchers:
        watcher(Opened(status.st_dev, status.st_ino, stored, said))
    return descriptor, status.st_size


CHANGED = "the file changed while it was read"


class Unchanged:
    """Tells whether a file is still what it was when this was made."""

    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor
        self._before = self._now()

    def _now(self) -> tuple[int, int]:
        status = os.fstat(self._descriptor)
        return status.st_size, status.st_mtime_ns

    def __bool__(self) -> bool:
        return self._now() == self._before


def read_regular(path: str, most: int) -> bytes:
    """Read a file that the user named, and one byte more than `most` if it has as many.

    Raises:
        ArtifactError: it is no regular file, cannot be read, or changes meanwhile.

    """
    descriptor, _ = open_regular(path)
    try:
        with os.fdopen(descriptor, "rb") as file:
            same = Unchanged(descriptor)
            data = file.read(most + 1)
            if not same:
                raise ArtifactError(f"{path} cannot be used: {CHANGED}")
    except OSError as problem:
        raise ArtifactError(f"{path} cannot be read: {problem.strerror}") from problem
    return data


class Target:
    """A file to be written as a whole, beside what stands there until then.

    It is never reached through a link, and it is none of the files that were read.

    Raises:
        AuditError: what stands there must not be replaced, or the folder cannot be opened.

    """

    def __init__(self, path: str, read: set[tuple[int, int]]) -> None:
        self._path = path
        folder, self._name = os.path.split(path)
        self._folder = -1
        try:
            self._folder = os.open(folder or ".", _WALK & ~os.O_NOFOLLOW)
            there = os.stat(self._name, dir_fd=self._folder, follow_symlinks=False)
        except FileNotFoundError as problem:
            if self._folder < 0:
                raise self._cannot(problem.strerror) from problem
            return
        except (OSError, ValueError) as problem:
            raise self._cannot(getattr(problem, "strerror", None) or str(problem)) from problem
        if stat.S_ISLNK(there.st_mode):
            raise self._cannot("it is a link, and what it leads to would be replaced")
        if not stat.S_ISREG(there.st_mode):
            raise self._cannot("it is no regular file")
        if (there.st_dev, there.st_ino) in read:
            raise self._cannot("it was read for this report")

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        os.close(self._folder)

    def write(self, text: str) -> None:
        """Write it and put it in its place; the old file stands where that fails.

        Raises:
            AuditError: it cannot be written.

        """
        name = f".imgaudit-{os.urandom(8).hex()}"
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
        descriptor = -1
        try:
            descriptor = os.open(name, flags, 0o666, dir_fd=self._folder)
            with os.fdopen(descriptor, "wb") as file:
                file.write(text.encode("utf-8", "backslashreplace"))
            os.replace(name, self._name, src_dir_fd=self._folder, dst_dir_fd=self._folder)
        except OSError as problem:
            if descriptor >= 0:
                with contextlib.suppress(OSError):
                    os.unlink(name, dir_fd=self._folder)
            raise self._cannot(problem.strerror) from problem

    def _cannot(self, why: str | None) -> AuditError:
        return AuditError(f"cannot write {self._path}: {why}")
