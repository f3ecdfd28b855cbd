"""Whether a file in the root would run on the target, and if not, what is in the way.

Sources: Linux fs/exec.c, fs/binfmt_script.c and fs/binfmt_elf.c for what the kernel does with a
file; ld.so(8) for the search of the GNU loader; the "dynamic linker" chapter of the musl manual,
from memory, for musl's.
"""

from __future__ import annotations

import posixpath
import re
import struct
from typing import Literal

from imgaudit import bounds
from imgaudit.arches import ARCHES, ELF, Machine
from imgaudit.data import dataclass
from imgaudit.errors import FormatError
from imgaudit.formats import elf
from imgaudit.patterns import regex
from imgaudit.ramdisk.applets import Applets, read_applets
from imgaudit.ramdisk.root import Found, Node, Root

SCRIPT_HEAD = 256  # BINPRM_BUF_SIZE since Linux 5.1; 128 before
SCRIPT_DEPTH = 5  # fs/exec.c: five interpreters of interpreters, then ELOOP
LIBRARIES = 512  # of one program; the largest desktop programs load some 300
WORK = 200_000  # tables read and needs followed; an installer with 70 programs takes 5 %
ELF_WORK = 50  # reading one ELF file, beside its tables
BOUND = "not read: the ramdisk's programs ask for too much"
UNREAD = "where its bytes lie is not known, or they are packed or encrypted"
PATH = "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin"
CACHE_ENTRIES = 20_000
FOLDERS = 64  # of one search; a program built for a store of packages has some 20
LOADER_SIZE = 1 << 20

_GLIBC_DIRS = regex(rb"(?:(?:/[\w.+-]{1,64}+){1,6}+/\0){2,16}+")
_DEFAULT_DIRS = ("/lib64", "/usr/lib64", "/lib", "/usr/lib")
# Names that musl's loader answers for itself (ldso/dynlink.c, from memory).
_MUSL_OWN = {"libc", "libpthread", "librt", "libm", "libdl", "libutil", "libxnet"}
_MUSL_DEFAULT = ("/lib", "/usr/local/lib", "/usr/lib")
_CACHE_MAGIC = b"glibc-ld.so.cache1.1"

ReasonKind = Literal[
    "missing",
    "not-a-file",
    "mode",
    "empty",
    "no-shebang",
    "interpreter",
    "depth",
    "applet",
    "damaged",
    "machine",
    "width",
    "loader",
    "library",
    "not-cached",
    "version",
    "float-abi",
    "compat",
    "multi-call",
    "bound",
]


@dataclass(frozen=True, slots=True)
class Reason:
    """One thing that keeps a file from running, or that could.

    `subject` is what is missing or wrong; `chain` says how the file comes to need it.
    """

    kind: ReasonKind
    subject: str
    chain: str


@dataclass(frozen=True, slots=True)
class Verdict:
    """Whether a file runs; None where that cannot be told from the ramdisk.

    `libraries` are the paths of the loader and of everything loaded, in the order of loading.
    """

    runs: bool | None
    reasons: tuple[Reason, ...] = ()
    libraries: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Object:
    """A loaded object; `loader` is the one that asked for it."""

    path: str
    facts: elf.Elf
    loader: _Object | None


class Runner:
    """Judges files of one root for one architecture; each file is read once.

    Args:
        root: where everything is looked up.
        arch: a key of ARCHES; None takes the machine of each program as right.

    """

    def __init__(self, root: Root, arch: str | None) -> None:
        self.root = root
        self.target = None if arch is None else ARCHES[arch]
        self._elves: dict[int, elf.Elf | str] = {}
        self._applets: dict[int, Applets | None] = {}
        self._directories: dict[str, tuple[str, ...]] = {}
        self._cache: dict[str, list[str]] | None = None
        self._programs: dict[int, Verdict] = {}
        self._left = WORK

    def facts(self, node: Node) -> elf.Elf | str:
        """Read an ELF file; a text says why it cannot be read."""
        found = self._elves.get(id(node))
        if found is not None:
            return found
        if self._left < 0:
            return BOUND
        if node.unread:
            return UNREAD
        self._left -= ELF_WORK
        try:
            found = elf.read(node.data())
        except FormatError as problem:
            found = problem.why
        else:
            self._left -= len(found.needed) + len(found.versions_defined)
            self._left -= sum(len(versions) for versions in found.versions_needed.values())
        self._elves[id(node)] = found
        return found

    def applets(self, node: Node) -> Applets | None:
        """Give the applets of a busybox; None for any other file."""
        if id(node) not in self._applets:
            found = read_applets(node.data())
            if found is None:
                found = self._shared_applets(node)
            self._applets[id(node)] = found
        return self._applets[id(node)]

    def _shared_applets(self, node: Node) -> Applets | None:
        """Read them from libbusybox, where the applets were built as a library."""
        facts = self.facts(node) if node.is_elf else ""
        if isinstance(facts, str):
            return None
        for name in facts.needed:
            if name.startswith("libbusybox.so"):
                for folder in _DEFAULT_DIRS:
                    library = self.root.lookup(f"{folder}/{name}")
                    if library is not None:
                        return read_applets(library.data())
        return None

    def verdict(self, path: str) -> Verdict:
        """Judge what executing `path` would do."""
        return self._execute(path, path, 0)

    def find(self, name: str, search: str = PATH) -> str | None:
        """Give the path that a shell would execute for a command, or that it would stumble over.

        The first executable file on the search path counts; without one, the first of that name.
        """
        first = None
        for folder in search.split(":"):
            path = f"{folder}/{name}"
            found = self.root.resolve(path)
            if found.node is not None and found.node.executable:
                return path
            here = self.root.resolve(path, follow=False).node
            if first is None and here is not None and here.children is None:
                first = path
        return first

    def _execute(self, path: str, chain: str, depth: int) -> Verdict:
        found = self.root.resolve(path)
        node = found.node
        if node is None:
            return self._unfound(path, found, chain)
        if not node.is_file:
            return _no("not-a-file", found.path, f"{chain} is not a regular file")
        if not node.executable:
            return _no("mode", found.path, f"{chain} has mode {node.mode & 0o7777:o}, without x")
        if node.unread:
            return Verdict(None, (Reason("bound", path, f"{chain}: {UNREAD}"),))
        head = node.data().upto(0, SCRIPT_HEAD)
        if head[:2] == b"#!":
            return self._script(head, chain, depth)
        if head[:4] != ELF:
            if not head:
                return _no("empty", found.path, f"{chain} is empty")
            return _no("no-shebang", found.path, f"{chain} is neither ELF nor starts with #!")
        verdict = self._program(node, found.path)
        named = posixpath.basename(path)
        if verdict.runs is False:
            return _chained(verdict, chain, found.path)
        applets = self.applets(node)
        if applets is not None and not named.startswith("busybox"):
            name = named.lstrip("-")
            if name not in applets.names:
                reason = f"{chain} is {found.path}, which was built without the applet {name}"
                return Verdict(False, (Reason("applet", name, reason),), verdict.libraries)
        elif applets is None and posixpath.basename(found.path).startswith(("toybox", "busybox")):
            reason = f"the commands built into {found.path} cannot be read"
            if named != posixpath.basename(found.path):
                return Verdict(None, (Reason("multi-call", named, reason),), verdict.libraries)
        return _chained(verdict, chain, found.path)

    def _unfound(self, path: str, found: Found, chain: str) -> Verdict:
        if self.root.exhausted:
            return Verdict(None, (Reason("bound", path, f"{chain}: {BOUND}"),))
        here = self.root.resolve(path, follow=False).node
        if here is None:
            return _no("missing", path, f"{chain} does not exist")
        return _no("missing", found.path, f"{chain} leads to {found.path}: {found.why}")

    def _script(self, head: bytes, chain: str, depth: int) -> Verdict:
        line, newline, _ = head[2:].partition(b"\n")
        text = line.decode("utf-8", "backslashreplace").strip(" \t\0")
        name, *rest = re.split(r"[ \t]+", text, maxsplit=1)
        argument = rest[0] if rest else ""
        if not name:
            return _no("interpreter", "", f"{chain} starts with #! and names no interpreter")
        if not newline and len(head) == SCRIPT_HEAD and not argument:
            return _no("interpreter", name, f"the #! line of {chain} is too long for the kernel")
        if depth >= SCRIPT_DEPTH:
            return _no("depth", name, f"{chain} is the fifth interpreter of an interpreter")
        shown = f"{chain} -> #!{name}"
        if name.endswith("\r") or (argument.endswith("\r") and posixpath.basename(name) == "env"):
            return _no(
                "interpreter",
                name,
                f"{shown}: the line ends in CR LF, and CR is taken as part of the name",
            )
        verdict = self._execute(name, shown, depth + 1)
        if verdict.runs is not False and posixpath.basename(name) == "env" and argument:
            return self._env(argument, shown, verdict, depth)
        if verdict.runs is False and verdict.reasons[0].kind == "missing":
            return Verdict(False, (Reason("interpreter", name, verdict.reasons[0].chain),))
        return verdict

    def _env(self, argument: str, chain: str, verdict: Verdict, depth: int) -> Verdict:
        """Follow `#!/usr/bin/env NAME`."""
        words = [word for word in argument.split() if not word.startswith("-") and "=" not in word]
        if not words:
            return verdict
        path = words[0] if "/" in words[0] else self.find(words[0])
        if path is None:
            return _no("interpreter", words[0], f"{chain} {words[0]} is not on the search path")
        return self._execute(path, f"{chain} -> {path}", depth + 1)

    def _program(self, node: Node, path: str) -> Verdict:
        verdict = self._programs.get(id(node))
        if verdict is None:
            verdict = self._programs[id(node)] = self._load(node, path)
        return verdict

    def _load(self, node: Node, path: str) -> Verdict:
        facts = self.facts(node)
        if facts == BOUND:
            return Verdict(None, (Reason("bound", path, f"{path}: {BOUND}"),))
        if isinstance(facts, str):
            return _no("damaged", path, f"{path} is no ELF file that can be read: {facts}")
        if facts.type not in {"ET_EXEC", "ET_DYN"}:
            return _no(
                "damaged", path, f"{path} is {facts.type}, which the kernel does not execute"
            )
        wrong = self._wrong_machine(facts, path)
        if wrong is not None and wrong.kind != "compat":
            return Verdict(False, (wrong,))
        reasons = [] if wrong is None else [wrong]
        libraries: list[str] = []
        if facts.interpreter is not None:
            failure = self._check_loader(facts, path, libraries)
            if failure is not None:
                return Verdict(None if failure.kind == "bound" else False, (failure,))
            reasons += self._close(_Object(path, facts, None), libraries)
        runs = None if all(reason.kind in {"compat", "bound"} for reason in reasons) else False
        return Verdict(runs if reasons else True, tuple(reasons), tuple(libraries))

    def _wrong_machine(self, facts: elf.Elf, path: str) -> Reason | None:
        target = self.target
        if target is None:
            return None
        have = Machine(facts.machine, facts.bits, facts.byte_order)
        if target.some_run(have):
            words = f"{path} is a 32-bit {facts.machine} program, which only some kernels run"
            return Reason("compat", path, words)
        if target.runs(have):
            return None
        name, bits = target.machines[0]
        want = Machine(name, bits, "little" if target.little else have.byte_order)
        kind: ReasonKind = "machine" if have.name != want.name else "width"
        return Reason(kind, path, f"{path} is for {have}, the board is {want}")

    def _check_loader(self, facts: elf.Elf, path: str, libraries: list[str]) -> Reason | None:
        name = facts.interpreter or ""
        found = self.root.resolve(name)
        node = found.node
        if node is None and self.root.exhausted:
            return Reason("bound", name, f"{path} -> {name}: {BOUND}")
        if node is None:
            return Reason("loader", name, f"{path} asks for the loader {name}: {found.why}")
        if not node.executable:
            return Reason("loader", name, f"the loader {name} of {path} is not executable")
        loader = self.facts(node)
        if isinstance(loader, str) and loader in {BOUND, UNREAD}:
            return Reason("bound", name, f"{path} -> {name}: {loader}")
        if isinstance(loader, str) or not _alike(loader, facts):
            return Reason("loader", name, f"the loader {name} of {path} is not of its kind")
        libraries.append(found.path)
        return None

    def _close(self, program: _Object, libraries: list[str]) -> list[Reason]:
        """Load what the program needs, breadth first, as the loader does."""
        name = program.facts.interpreter or ""
        musl = posixpath.basename(name).startswith("ld-musl")
        loader = self.root.resolve(name)
        loaded: dict[str, _Object] = {}
        if loader.node is not None:
            facts = self.facts(loader.node)
            if not isinstance(facts, str):
                self._note(loaded, _Object(loader.path, facts, None), posixpath.basename(name))
        by_path = {item.path: item for item in loaded.values()}
        reasons: list[Reason] = []
        queue = [program]
        for item in queue:
            for need in item.facts.needed:
                if need in loaded or (musl and need.partition(".")[0] in _MUSL_OWN):
                    continue
                self._left -= 1
                if len(loaded) > LIBRARIES or self._left < 0 or self.root.exhausted:
                    reasons.append(Reason("bound", need, f"{_chain(item, need)}: {BOUND}"))
                    return reasons
                found = self._search(need, item, program, musl=musl)
                if isinstance(found, Reason):
                    loaded[need] = item
                    reasons.append(found)
                    continue
                path, facts = found
                child = by_path.get(path)
                if child is None:
                    child = by_path[path] = _Object(path, facts, item)
                    libraries.append(path)
                    queue.append(child)
                self._note(loaded, child, need)
        if not musl:
            reasons += _versions(queue, loaded)
        return reasons

    @staticmethod
    def _note(loaded: dict[str, _Object], item: _Object, name: str) -> None:
        loaded[name] = item
        if item.facts.soname:
            loaded.setdefault(item.facts.soname, item)

    def _search(
        self, need: str, item: _Object, program: _Object, *, musl: bool
    ) -> tuple[str, elf.Elf] | Reason:
        """Find one library by the loader's order."""
        chain = _chain(item, need)
        if "/" in need:
            candidates = [need]
        else:
            candidates = [f"{folder}/{need}" for folder in _run_paths(item, musl=musl)]
            loader = program.facts.interpreter or ""
            if musl:
                candidates += [f"{folder}/{need}" for folder in self._musl_dirs(loader)]
            else:
                candidates += self._cached(need)
                candidates += [f"{folder}/{need}" for folder in self._glibc_dirs(loader)]
        for path in candidates:
            found = self.root.resolve(path)
            if found.node is None or not found.node.is_file:
                continue
            facts = self.facts(found.node)
            if facts == UNREAD:
                return Reason("bound", need, f"{chain}: {UNREAD}")
            if isinstance(facts, str):
                return Reason("library", need, f"{chain}: {found.path} is no library: {facts}")
            if not _alike(facts, program.facts):
                continue  # the loader passes over another class or machine
            have, want = facts.float_abi, program.facts.float_abi
            if have and want and have != want:
                words = f"{chain}: {found.path} is {have}-float, the program {want}-float"
                return Reason("float-abi", need, words)
            return found.path, facts
        if self.root.exhausted:
            return Reason("bound", need, f"{chain}: {BOUND}")
        elsewhere = None if musl else self._configured(need)
        if elsewhere:
            words = f"{chain}: only {elsewhere} is there, and no /etc/ld.so.cache leads to it"
            return Reason("not-cached", need, words)
        return Reason("library", need, chain)

    def _glibc_dirs(self, loader: str) -> tuple[str, ...]:
        """Read the directories built into the loader; they differ between distributions."""
        known = self._directories.get(loader)
        if known is None:
            node = self.root.lookup(loader)
            match = None if node is None else _GLIBC_DIRS.search(node.data().upto(0, LOADER_SIZE))
            known = _DEFAULT_DIRS
            if match is not None:
                names = match[0].decode("ascii").split("\0")[:-1]
                known = tuple(name.rstrip("/") for name in names)
            self._directories[loader] = known
        return known

    def _musl_dirs(self, loader: str) -> tuple[str, ...]:
        """Read /etc/ld-musl-ARCH.path, beside which nothing else counts."""
        arch = posixpath.basename(loader).removeprefix("ld-musl-").removesuffix(".so.1")
        text = self.root.text(f"/etc/ld-musl-{arch}.path")
        if text is None:
            return _MUSL_DEFAULT
        return tuple(name for name in re.split(r"[:\n]", text) if name)

    def _cached(self, need: str) -> list[str]:
        if self._cache is None:
            node = self.root.lookup("/etc/ld.so.cache")
            data = b"" if node is None or not node.is_file else node.data().upto(0, LOADER_SIZE)
            self._cache = read_cache(data)
        return self._cache.get(need, [])

    def _configured(self, need: str) -> str | None:
        """Look where ld.so.conf points; the loader itself reads only the cache made from it."""
        for folder in self._conf("/etc/ld.so.conf", 0):
            path = f"{folder}/{need}"
            if self.root.lookup(path) is not None:
                return path
        return None

    def _conf(self, path: str, depth: int) -> list[str]:
        folders = []
        for line in (self.root.text(path, 1 << 16) or "").splitlines():
            word = line.partition("#")[0].strip()
            if word.startswith("include") and depth < 4:
                pattern = word.removeprefix("include").strip()
                base = posixpath.dirname(pattern) or "/etc"
                ending = posixpath.basename(pattern).rpartition("*")[2]
                for name in self.root.names(base)[:256]:
                    if name.endswith(ending):
                        folders += self._conf(f"{base}/{name}", depth + 1)
            elif word.startswith("/"):
                folders.append(word.rstrip("/"))
        return folders


def read_cache(data: bytes) -> dict[str, list[str]]:
    """Read /etc/ld.so.cache: the paths for each name; empty where it is another format.

    Source: glibc sysdeps/generic/dl-cache.h, `struct cache_file_new`.
    """
    start = data.find(_CACHE_MAGIC)
    if start < 0 or len(data) < start + 48:
        return {}
    order = ">" if data[start + 28] & 3 == 3 else "<"
    (count,) = struct.unpack_from(order + "I", data, start + 20)
    found: dict[str, list[str]] = {}
    if count > CACHE_ENTRIES:
        bounds.left_out("/etc/ld.so.cache", f"only the first {CACHE_ENTRIES:,} entries are read")
    for index in range(min(count, CACHE_ENTRIES)):
        at = start + 48 + 24 * index
        if at + 24 > len(data):
            break
        _, key, value = struct.unpack_from(order + "iII", data, at)
        name, path = (
            data[start + offset : data.find(b"\0", start + offset)].decode("utf-8", "replace")
            for offset in (key, value)
        )
        found.setdefault(name, []).append(path)
    return found


def _no(kind: ReasonKind, subject: str, chain: str) -> Verdict:
    return Verdict(False, (Reason(kind, subject, chain),))


def _chained(verdict: Verdict, chain: str, path: str) -> Verdict:
    """Put the way to a program before its reasons."""
    if chain == path or not verdict.reasons:
        return verdict
    reasons = tuple(
        Reason(reason.kind, reason.subject, f"{chain} -> {reason.chain}")
        for reason in verdict.reasons
    )
    return Verdict(verdict.runs, reasons, verdict.libraries)


def _alike(one: elf.Elf, other: elf.Elf) -> bool:
    return (one.machine, one.bits, one.byte_order) == (other.machine, other.bits, other.byte_order)


def _chain(item: _Object, need: str) -> str:
    """Say who needs a library: program -> library -> library."""
    names = [need]
    at: _Object | None = item
    while at is not None:
        names.append(at.path if at.loader is None else posixpath.basename(at.path))
        at = at.loader
    return " -> ".join(reversed(names))


def _run_paths(item: _Object, *, musl: bool) -> list[str]:
    """Give DT_RPATH and DT_RUNPATH in the order that counts for what `item` needs.

    An RPATH of the object and of those that loaded it counts unless the object has a RUNPATH; a
    RUNPATH counts for the object only (ld.so(8)). musl lets both be inherited.
    """
    folders: list[str] = []
    at: _Object | None = item
    while at is not None and len(folders) < FOLDERS:
        text = at.facts.runpath or at.facts.rpath if musl else at.facts.rpath
        if text and (musl or (not at.facts.runpath and not item.facts.runpath)):
            folders += _expanded(text, at.path)
        at = at.loader
    if not musl and item.facts.runpath:
        folders += _expanded(item.facts.runpath, item.path)
    return folders


def _expanded(text: str, path: str) -> list[str]:
    origin = posixpath.dirname(path)
    folders = []
    for folder in bounds.within(text.split(":"), FOLDERS, path, "folders for libraries"):
        real = folder.replace("${ORIGIN}", origin).replace("$ORIGIN", origin)
        libs = ("lib", "lib64") if "$LIB" in real or "${LIB}" in real else ("",)
        folders += [real.replace("${LIB}", lib).replace("$LIB", lib) for lib in libs]
    return folders


def _versions(objects: list[_Object], loaded: dict[str, _Object]) -> list[Reason]:
    """Compare the versions needed of each library with those that it defines.

    A library without any version is taken with a warning by the GNU loader, so it is passed over.
    """
    reasons = []
    for item in objects:
        for name, versions in item.facts.versions_needed.items():
            library = loaded.get(name)
            if library is None or library is item or not library.facts.versions_defined:
                continue
            for version in versions:
                if version not in library.facts.versions_defined:
                    words = f"{_chain(item, name)}: {library.path} has no version {version}"
                    reasons.append(Reason("version", f"{name} {version}", words))
    return reasons
