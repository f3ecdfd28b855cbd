"""The ramdisk as a root file system, held in memory.

Built as the kernel builds it from the members of its archives (Linux init/initramfs.c); nothing is
unpacked to a disk, and a file's bytes stay where the archive has them.
"""

from __future__ import annotations

import stat
from collections.abc import Iterable, Iterator

from imgaudit.arches import ELF
from imgaudit.data import dataclass
from imgaudit.formats.cpio import PATH_MAX, CpioFacts, Entry
from imgaudit.formats.files import Files, open_file
from imgaudit.formats.view import View
from imgaudit.units import round_up

LINKS = 40  # MAXSYMLINKS, Linux include/linux/namei.h
NAME_MAX = 255  # include/uapi/linux/limits.h
STEPS = 1_000_000  # path components looked at in all: about a second; a large ramdisk takes 10 %
SKIPPED = 1000  # entries that could not be made are kept up to here
PAGE = 4096
INODE = 1024  # what the kernel holds for one file beside its pages; common practice, no source

_SPECIAL = {stat.S_IFDIR, stat.S_IFBLK, stat.S_IFCHR, stat.S_IFIFO, stat.S_IFSOCK}
_LOST = "the first name of this hard link is gone"
_Links = dict[tuple[int, tuple[int, int], int], str]


@dataclass(slots=True, eq=False)
class Node:
    """A file, directory, link or device; hard links are one node under several names.

    `size` is a regular file's; `rdev` a device's major and minor. `children` is None but for a
    directory. `links` counts the names. `parent` and `name` are a directory's only.
    """

    mode: int
    uid: int = 0
    gid: int = 0
    mtime: int = 0
    size: int = 0
    rdev: tuple[int, int] = (0, 0)
    target: str = ""
    children: dict[str, Node] | None = None
    parent: Node | None = None
    name: str = ""
    links: int = 1
    stored: View | None = None

    @property
    def is_file(self) -> bool:
        """Whether this is a regular file."""
        return stat.S_ISREG(self.mode)

    @property
    def is_link(self) -> bool:
        """Whether this is a symbolic link."""
        return stat.S_ISLNK(self.mode)

    @property
    def is_elf(self) -> bool:
        """Whether this is a file that starts with the magic of ELF."""
        return self.is_file and self.data().upto(0, len(ELF)) == ELF

    @property
    def executable(self) -> bool:
        """Whether root may execute it: a regular file with at least one x bit."""
        return self.is_file and bool(self.mode & 0o111)

    @property
    def unread(self) -> bool:
        """Whether it has bytes, and where they lie is not known."""
        return self.is_file and self.stored is None and self.size > 0

    def data(self) -> View:
        """View the contents; shorter than `size` where the archive is cut."""
        return View.of(b"") if self.stored is None else self.stored

    def path(self) -> str:
        """Give a directory's path."""
        names = []
        at = self
        while at.parent is not None and at.parent is not at:
            names.append(at.name)
            at = at.parent
        return "/" + "/".join(reversed(names))


@dataclass(frozen=True, slots=True)
class Found:
    """Where a path leads.

    Without a `node`, `why` says in a few words what is wrong and `place` where. `parent` and `name`
    are the last directory reached and the name looked up there; `links` are the names of the
    symbolic links followed, in order.
    """

    node: Node | None
    parent: Node
    name: str
    links: tuple[str, ...] = ()
    why: str = ""
    last: bool = True

    @property
    def path(self) -> str:
        """The path without links, `.` and `..`; where nothing is found, of what is missing."""
        if not self.name:
            return self.parent.path()
        return f"{self.parent.path().rstrip('/')}/{self.name}"


@dataclass(frozen=True, slots=True)
class Skipped:
    """A member that the kernel leaves out without a message."""

    name: str
    offset: int
    why: str


class Root:
    """The root file system that the archives make, each laid over those before it.

    Args:
        archives: views of uncompressed archives with their facts, in the order of unpacking.

    """

    def __init__(self, archives: Iterable[tuple[View, CpioFacts]]) -> None:
        self.top = Node(stat.S_IFDIR | 0o755, children={})
        self.top.parent = self.top
        self.skipped: list[Skipped] = []
        self.replaced: list[str] = []
        self._steps = STEPS
        for view, facts in archives:
            links: _Links = {}
            for segment in facts.segments:
                for entry in facts.entries[segment.first : segment.last]:
                    why = self._add(view, entry, links)
                    if why and len(self.skipped) < SKIPPED:
                        self.skipped.append(Skipped(entry.name, entry.offset, why))
                if segment.trailer is not None:
                    links.clear()

    @classmethod
    def listed(cls, view: View, files: Files) -> Root:
        """Make the root of a file system that lists its files; `view` is of all of it."""
        root = cls(())
        nodes: dict[str, Node] = {"": root.top}
        linked: dict[int, Node] = {}
        for entry in sorted(files, key=lambda entry: entry.path):
            folder, _, name = entry.path.rpartition("/")
            parent = nodes.get(folder)
            if parent is None or parent.children is None:
                continue
            node = linked.get(entry.inode) if entry.inode and entry.is_file else None
            if node is None:
                node = Node(entry.mode, entry.uid, entry.gid, entry.mtime, rdev=entry.rdev)
                if entry.is_folder:
                    node.children, node.parent, node.name = {}, parent, name
                    nodes[entry.path] = node
                elif entry.is_link:
                    node.target = entry.target
                elif entry.is_file:
                    node.size = entry.size
                    linked[entry.inode] = node
                    if entry.pieces is not None:
                        node.stored = open_file(view, entry)
            else:
                node.links += 1
            parent.children[name] = node
        return root

    @property
    def exhausted(self) -> bool:
        """Whether lookups took so many steps that further ones find nothing."""
        return self._steps < 0

    def resolve(self, path: str, *, follow: bool = True, base: Node | None = None) -> Found:
        """Look a path up as the kernel does, from `base` where it is relative.

        Args:
            path: `..` above the root stays there; at most 40 links are followed.
            follow: whether a link in the last place is followed.
            base: the directory where a relative path starts; the root unless given.

        """
        node = parent = self.top if base is None or path.startswith("/") else base
        name = ""
        links: list[str] = []
        todo = [part for part in reversed(path.split("/")) if part]
        self._steps -= len(todo)
        while todo:
            part = todo.pop()
            if part == "." and self._steps >= 0:
                continue
            children = node.children
            if children is None:
                return Found(None, parent, name, tuple(links), "not a directory", last=False)
            if part == "..":
                node = parent = node.parent or self.top
                name = ""
                continue
            parent, name = node, part
            child = children.get(part)
            if child is None or self._steps < 0:
                return Found(None, parent, name, tuple(links), "missing", last=not todo)
            if child.is_link and (follow or todo):
                links.append(part)
                if len(links) > LINKS:
                    return Found(None, parent, name, tuple(links), "too many links", last=False)
                if not child.target:
                    return Found(None, parent, name, tuple(links), "an empty link", last=False)
                if child.target.startswith("/"):
                    node = parent = self.top
                    name = ""
                more = [part for part in reversed(child.target.split("/")) if part]
                self._steps -= len(more)
                todo += more
                continue
            node = child
            if node.children is not None:
                parent, name = node, ""
        return Found(node, parent, name, tuple(links))

    def lookup(self, path: str) -> Node | None:
        """Give what a path leads to, links followed; None where it leads nowhere."""
        return self.resolve(path).node

    def link(self, folders: Iterable[str], names: Iterable[str], target: str) -> None:
        """Add a link of each name to each of the folders that are there, where it has none."""
        links = list(names)
        for folder in folders:
            node = self.lookup(folder)
            if node is not None and node.children is not None:
                for name in links:
                    if name not in node.children:
                        node.children[name] = Node(stat.S_IFLNK | 0o777, target=target)

    def text(self, path: str, limit: int = 1 << 20) -> str | None:
        """Give a regular file's text, at most `limit` bytes of it; None where there is no file."""
        node = self.lookup(path)
        if node is None or not node.is_file:
            return None
        return node.data().upto(0, limit).decode("utf-8", "replace")

    def names(self, path: str) -> list[str]:
        """Give the names in a directory, sorted; none where there is no directory."""
        node = self.lookup(path)
        return sorted(node.children) if node is not None and node.children else []

    def walk(self) -> Iterator[tuple[str, Node]]:
        """Yield every path that is not longer than PATH_MAX with its node, directories first."""
        todo = [("", self.top)]
        while todo:
            path, node = todo.pop()
            for name, child in (node.children or {}).items():
                below = f"{path}/{name}"
                if len(below) >= PATH_MAX:
                    continue
                yield below, child
                if child.children is not None:
                    todo.append((below, child))

    def memory(self) -> tuple[int, int]:
        """Give the bytes of all files, rounded up to pages, and the number of inodes."""
        nodes = {id(node): node for _, node in self.walk()}
        pages = sum(round_up(node.size, PAGE) for node in nodes.values() if node.is_file)
        return pages, len(nodes)

    def _add(self, view: View, entry: Entry, links: _Links) -> str:
        """Make one member; say why where the kernel does not."""
        kind = stat.S_IFMT(entry.mode)
        if not entry.name:
            return f"its name has {entry.name_size:,} bytes"
        if kind == stat.S_IFLNK:
            if entry.size > PATH_MAX:
                return f"a link to a name of {entry.size:,} bytes"
            return self._make(entry, self._clear(entry.name, None), entry.target)
        if kind == stat.S_IFREG:
            return self._file(view, entry, links)
        if entry.size:
            return "contents in what is not a file"
        if kind not in _SPECIAL:
            return f"mode {entry.mode:#o} names no kind of file"
        found = self._clear(entry.name, kind)
        if kind != stat.S_IFDIR and self._old_name(entry, links):
            return "" if self._link(entry, links) else _LOST
        return self._make(entry, found)

    def _file(self, view: View, entry: Entry, links: _Links) -> str:
        found = self._clear(entry.name, stat.S_IFREG)
        again = self._old_name(entry, links)
        if again:
            node = self._link(entry, links)
            if node is None:
                return _LOST
        else:
            if found.node is not None and len(self.replaced) < SKIPPED:
                self.replaced.append(found.path)
            why = self._make(entry, found)
            node = self.resolve(entry.name, follow=False).node
            if why or node is None:
                return why or "the directory is missing"
        _own(node, entry)
        # A later name of a hard link that brings no data leaves what an earlier one brought.
        if entry.size or not again:
            node.size = entry.size
            start = min(entry.data, view.size)
            node.stored = view.sub(start, min(entry.size, view.size - start))
        return ""

    def _clear(self, name: str, kind: int | None) -> Found:
        """Remove what is of another kind (any kind, for None), but no directory that is in use."""
        found = self.resolve(name, follow=False)
        node = found.node
        if node is None or stat.S_IFMT(node.mode) == kind or node is self.top or node.children:
            return found
        parent, leaf = (found.parent, found.name) if found.name else (node.parent, node.name)
        if parent is None or parent.children is None:
            return found
        del parent.children[leaf]
        node.links -= 1
        if len(self.replaced) < SKIPPED:
            self.replaced.append(f"{parent.path().rstrip('/')}/{leaf}")
        return Found(None, parent, leaf, found.links, "missing")

    def _make(self, entry: Entry, found: Found, target: str = "") -> str:
        kind = stat.S_IFMT(entry.mode)
        node = found.node
        if node is not None:
            if stat.S_IFMT(node.mode) != kind:
                return "a directory that is not empty is in the way"
            _own(node, entry)
            return ""
        if not found.last or found.parent.children is None:
            return "its directory is missing"
        if len(found.name) > NAME_MAX:
            return f"a name of {len(found.name):,} characters"
        node = Node(entry.mode, rdev=entry.rdev, target=target)
        if kind == stat.S_IFDIR:
            node.children, node.parent, node.name = {}, found.parent, found.name
        _own(node, entry)
        found.parent.children[found.name] = node
        return ""

    def _old_name(self, entry: Entry, links: _Links) -> str:
        """Give the first name of a hard link; remember this one where it is the first."""
        if entry.nlink < 2:
            return ""
        key = (entry.ino, entry.dev, stat.S_IFMT(entry.mode))
        old = links.get(key, "")
        links.setdefault(key, entry.name)
        return old

    def _link(self, entry: Entry, links: _Links) -> Node | None:
        found = self._clear(entry.name, None)
        old = self.resolve(self._old_name(entry, links), follow=False).node
        if old is None or old.children is not None or found.node is not None:
            return None
        if not found.last or found.parent.children is None or len(found.name) > NAME_MAX:
            return None
        found.parent.children[found.name] = old
        old.links += 1
        return old


def _own(node: Node, entry: Entry) -> None:
    node.mode, node.uid, node.gid, node.mtime = entry.mode, entry.uid, entry.gid, entry.mtime
