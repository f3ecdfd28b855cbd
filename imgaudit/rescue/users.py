"""Which files of a root the tools of each group use, and which the boot uses.

A program uses its loader and libraries, a script its interpreter; a tool the files beside it. What
a script of the boot mentions by name counts as used, rather too much than too little.
"""

from __future__ import annotations

import posixpath
from collections import defaultdict
from collections.abc import Iterable, Mapping

from imgaudit.data import dataclass
from imgaudit.patterns import regex
from imgaudit.ramdisk.root import Node, Root
from imgaudit.rescue.needs import BY_NAME, GROUPS, Group
from imgaudit.rescue.runnable import SCRIPT_DEPTH, SCRIPT_HEAD, Runner

EXECUTABLES = 4096  # programs and scripts; a full distribution has some 3,000
INIT, SCRIPTS = "init", "boot scripts"
TEXT_SIZE = 64 << 10  # of one file that is read for what it mentions
TEXT_ALL = 4 << 20  # of all of them; an installer has less than 1 MiB
_WORD = regex(r"[\w.+/\[-]{2,255}")
LIBRARY = regex(r"\.so(\.|$)")


@dataclass(frozen=True, slots=True)
class Users:
    """Who uses each file; a file with several names goes by the first of them.

    `groups` maps a file to the groups whose tools use it, with `init` and `boot scripts` beside.
    `required` are the files that a measured group, init or a boot script uses. `programs` maps a
    library or interpreter to the programs that load it. `words` is all that boot scripts mention.
    `complete` tells whether everything was followed, so that what is not here is not used.
    """

    groups: Mapping[str, tuple[str, ...]]
    required: frozenset[str]
    programs: Mapping[str, frozenset[str]]
    words: frozenset[str]
    complete: bool


def users(
    root: Root,
    *,
    arch: str | None,
    init: str,
    tools: Mapping[str, str],
    measured: Iterable[str],
    kept: Iterable[str] = (),
) -> Users:
    """Follow every tool, init and its scripts.

    Args:
        root: where everything is looked up.
        arch: what the programs are for, where known.
        init: the path of the first program.
        tools: the commands that there are, with the file behind each.
        measured: names of the groups that must stay.
        kept: further commands that must stay.

    """
    return _Follow(root, arch, tools).run(init, tuple(measured), tuple(kept))


class _Follow:
    def __init__(self, root: Root, arch: str | None, tools: Mapping[str, str]) -> None:
        self.root = root
        self.tools = tools
        self.runner = Runner(root, arch)
        self.names: dict[int, str] = {}
        self.nodes: dict[str, Node] = {}
        for path, node in sorted(root.walk(), key=lambda pair: pair[0]):
            if node.is_file and id(node) not in self.names:
                self.names[id(node)] = path
                self.nodes[path] = node
        self._closures: dict[str, tuple[str, ...]] = {}
        self.words: set[str] = set()
        self.left = TEXT_ALL

    def run(self, first: str, measured: tuple[str, ...], kept: tuple[str, ...]) -> Users:
        owners: dict[str, dict[str, None]] = defaultdict(dict)
        # A narrow group such as filesystems-ext4 would make all of the broad one look shared.
        others = [group.name for group in GROUPS if not group.name.startswith("filesystems-")]
        required: set[str] = set()
        for name in dict.fromkeys([*measured, *others]):
            used = self._group(BY_NAME[name]) if name in BY_NAME else set()
            for path in used:
                owners[path][name] = None
            if name in measured:
                required |= used
        for tool in kept:
            if tool in self.tools:
                required.update(self._closure(self.tools[tool]))
        init = set(self._closure(first))
        for path in init:
            owners[path][INIT] = None
        required |= init
        mentioned = self._mentioned(required)
        for path in mentioned - owners.keys():
            owners[path][SCRIPTS] = None
        programs: dict[str, set[str]] = defaultdict(set)
        executables = [
            path
            for path, node in self.nodes.items()
            if node.executable and not LIBRARY.search(posixpath.basename(path))
        ]
        for path in executables[:EXECUTABLES]:
            for used_path in self._closure(path):
                if used_path != path:
                    programs[used_path].add(path)
        return Users(
            {path: tuple(names) for path, names in owners.items()},
            frozenset(required | mentioned),
            {path: frozenset(names) for path, names in programs.items()},
            frozenset(self.words),
            complete=self.left > 0 and not self.root.exhausted and len(executables) <= EXECUTABLES,
        )

    def _group(self, group: Group) -> set[str]:
        used: set[str] = set()
        for name in group.tools:
            if name in self.tools:
                used.update(self._closure(self.tools[name]))
        for support in group.support:
            if not any(name in self.tools for name in support.tools):
                continue
            for path in support.paths:
                used.update(self._beside(path))
        return used

    def _beside(self, path: str) -> Iterable[str]:
        found = self.root.resolve(path)
        if found.node is None:
            return ()
        if found.node.is_file:
            return self._closure(path)
        below = found.path.rstrip("/") + "/"
        return [name for name in self.nodes if name.startswith(below)]

    def _closure(self, path: str) -> tuple[str, ...]:
        """Give the file, its interpreters and all their libraries."""
        known = self._closures.get(path)
        if known is not None:
            return known
        used: dict[str, None] = {}
        at: str | None = path
        for _ in range(SCRIPT_DEPTH + 1):
            node = None if at is None else self.root.lookup(at)
            if at is None or node is None or not node.is_file:
                break
            used[self.names.get(id(node), at)] = None
            for library in self.runner.verdict(at).libraries:
                loaded = self.root.lookup(library)
                used[library if loaded is None else self.names.get(id(loaded), library)] = None
            at = self._interpreter(node)
        found = tuple(used)
        self._closures[path] = found
        return found

    def _interpreter(self, node: Node) -> str | None:
        head = node.data().upto(0, SCRIPT_HEAD)
        if head[:2] != b"#!":
            return None
        words = head[2:].partition(b"\n")[0].decode("utf-8", "replace").split()
        if len(words) > 1 and posixpath.basename(words[0]) == "env":
            return self.runner.find(words[1])
        return words[0] if words else None

    def _mentioned(self, required: set[str]) -> set[str]:
        """Follow what texts of the boot and of required tools mention, and what that mentions."""
        todo = [path for path in self.nodes if path.startswith("/etc/")]
        todo += sorted(required)
        seen: set[str] = set()
        found: set[str] = set()
        while todo and self.left > 0:
            path = todo.pop()
            if path in seen:
                continue
            seen.add(path)
            data = self.nodes[path].data().upto(0, TEXT_SIZE) if path in self.nodes else b""
            if not data or b"\0" in data:
                continue
            self.left -= len(data)
            words = set(_WORD.findall(data.decode("utf-8", "replace")))
            for word in sorted(words - self.words):
                for name in (self.tools.get(posixpath.basename(word), ""), word):
                    used = self._closure(name) if name.startswith("/") else ()
                    found.update(used)
                    todo += used
            self.words |= words
        return found
