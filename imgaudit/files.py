"""Find and open artifacts without leaving the artifacts folder."""

from __future__ import annotations

import fnmatch
import os
import stat
from collections.abc import Iterator

from imgaudit.errors import ImgauditError


class ArtifactError(ImgauditError):
    """An artifact that is not there (or is not one file), or that must not or cannot be opened."""

    def __init__(self, why: str, *, absent: bool = False) -> None:
        super().__init__(why)
        self.absent = absent


_MOST_LOOKED_AT = 100_000  # entries; a large deploy folder has some thousands


class Folder:
    """The artifacts folder: names are looked up in it, and nothing outside it is opened."""

    def __init__(self, path: str) -> None:
        self.path = path
        self._real = os.path.realpath(path)

    def find(self, pattern: str) -> str:
        """Give the one path, relative to the folder, that a name or glob means.

        Raises:
            ArtifactError: no file or several match, or the path leaves the folder.

        """
        stay_inside(pattern)
        if not any(letter in pattern for letter in "*?["):
            if not os.path.lexists(os.path.join(self.path, pattern)):
                raise ArtifactError(f"{pattern} is not in the artifacts folder", absent=True)
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

    def _matching(self, pattern: str) -> Iterator[str]:
        """Give the names that a glob means; a wildcard leads into no linked folder.

        Raises:
            ArtifactError: more entries would have to be looked at than any build folder has.

        """
        looked = 0
        waiting = [("", [part for part in pattern.split("/") if part not in {"", "."}])]
        while waiting:
            folder, (part, *rest) = waiting.pop()
            try:
                entries = list(os.scandir(os.path.join(self._real, folder)))
            except OSError:
                continue
            looked += len(entries)
            if looked > _MOST_LOOKED_AT:
                raise ArtifactError(f"{pattern} looks at more than {_MOST_LOOKED_AT:,} files")
            for entry in entries:
                hidden = entry.name.startswith(".") and not part.startswith(".")
                if hidden or not fnmatch.fnmatchcase(entry.name, part):
                    continue
                name = os.path.join(folder, entry.name)
                if not rest:
                    yield name
                elif entry.is_dir(follow_symlinks=part == entry.name):
                    waiting.append((name, rest))

    def _distinct(self, found: list[str]) -> list[str]:
        """Leave out links beside the file that they lead to, as versioned deploy folders have."""
        files: dict[str, str] = {}
        for name in found:
            path = os.path.join(self.path, name)
            real = os.path.realpath(path)
            if real not in files or not os.path.islink(path):
                files[real] = name
        return sorted(files.values())

    def open(self, relative: str) -> tuple[int, int]:
        """Open a file for reading; give its descriptor and its size in bytes.

        Raises:
            ArtifactError: it is no regular file, lies outside the folder, or cannot be read.

        """
        real = os.path.realpath(os.path.join(self._real, relative))
        if os.path.commonpath([real, self._real]) != self._real:
            raise ArtifactError(f"{relative} is a link out of the artifacts folder")
        return open_regular(real, relative)


def stay_inside(pattern: str) -> None:
    """Refuse a path that is absolute or climbs.

    Raises:
        ArtifactError: it would leave the artifacts folder.

    """
    if os.path.isabs(pattern) or ".." in pattern.split("/") or "\0" in pattern:
        raise ArtifactError(f"{pattern} leaves the artifacts folder")


def open_regular(path: str, name: str) -> tuple[int, int]:
    """Open a regular file for reading; a device, a FIFO or a last-moment link is refused.

    Raises:
        ArtifactError: it is no regular file or cannot be read.

    """
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    except OSError as problem:
        raise ArtifactError(f"{name} cannot be opened: {problem.strerror}") from problem
    status = os.fstat(descriptor)
    if not stat.S_ISREG(status.st_mode):
        os.close(descriptor)
        raise ArtifactError(f"{name} is not a regular file")
    return descriptor, status.st_size
