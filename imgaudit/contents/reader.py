"""Read artifacts: each byte once, hashed, unpacked and parsed in one pass, in bounded memory.

A file of up to 64 MiB is read into memory. A larger one, and one from 8 MiB on that is a disk or a
file system for a chip that is compared by digests, is read in place: its structures where they lie,
its data in blocks of 64 KiB by two threads, its holes not at all.
"""

from __future__ import annotations

import hashlib
import os
import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import Future, ThreadPoolExecutor, wait
from dataclasses import replace
from functools import partial
from types import TracebackType
from typing import Any, NamedTuple, Self

from imgaudit import bounds
from imgaudit.contents.keep import (
    Keeper,
    SliceKeeper,
    blank_byte,
    data_spans,
    digest_span,
)
from imgaudit.contents.slices import Slice, Slices
from imgaudit.contents.tree import (
    BLOCK,
    BUNDLED,
    KERNELS,
    NO_FORMAT,
    PASSED_OVER,
    Artifact,
    Blocks,
    Content,
)
from imgaudit.contents.workers import THREADS, Workers
from imgaudit.data import dataclass
from imgaudit.errors import FormatError, ImgauditError, UnreadError
from imgaudit.files import CHANGED, Folder, Unchanged, open_regular
from imgaudit.formats import identify, readers
from imgaudit.formats.cpio import CpioFacts, trailing
from imgaudit.formats.facts import Facts, Match, Part, Reader
from imgaudit.formats.files import FileSystem, unpacked_whole
from imgaudit.formats.kernel import scan
from imgaudit.formats.ubi import Ubi
from imgaudit.formats.view import FileSource, MemorySource, View, WindowSource, in_memory
from imgaudit.units import GIB, KIB, MIB, both, round_up

IN_MEMORY = 64 * MIB
_SMALL = 8 * MIB
# What is kept of all unpacked contents together; while one is unpacked, it may take half of what is
# left. A ramdisk or kernel beyond half of it fits no such board.
KEPT = 320 * MIB
# Where an unpacked stream is only measured: well above the eMMC parts of such boards.
MEASURE = 16 * GIB
# Beyond the largest chip nothing has to be known to the byte, but for what is a little too large.
OVER = 64 * MIB
# What so little cannot hold: past the first, so many bytes of it for each byte that is stored.
_MADE_OF_NOTHING, _RATIO = GIB, 1024
# What one artifact's nested contents may unpack to together.
NESTED_BUDGET = 512 * MIB
_HEAD = 64
_DEPTH = 9  # the deepest in use: outer gzip, FIT, zImage, its stream, bundled ramdisk, its archive
_CONTENTS = 512
_REREAD = 4  # times that overlapping parts may have a container's bytes read


@dataclass(frozen=True, slots=True)
class _Unpacked:
    view: View | None
    size: int
    consumed: int | None
    why: str
    damaged_at: int | None
    capped: bool
    blocks: Blocks | None
    too_large: bool
    kept: int


class _Memory:
    """Shares out what may be kept of unpacked contents.

    Only the thread that walks takes and gives back, so a share does not depend on who is faster.
    """

    def __init__(self, largest: int | None) -> None:
        self._left = KEPT
        self._largest = largest

    def followed(self, stored: int) -> int:
        """Give how far a file of so many bytes is unpacked: no further than a chip can be."""
        most = min(MEASURE, max(_MADE_OF_NOTHING, _RATIO * stored))
        return most if self._largest is None else min(most, self._largest + OVER)

    def take(self) -> int:
        """Take half of what is left."""
        share = self._left // 2
        self._left -= share
        return share

    def spare(self, size: int) -> bool:
        """Take as much if it is there; tell whether it was."""
        there = size <= self._left
        self._left -= size if there else 0
        return there

    def give(self, size: int) -> None:
        """Give back what was not used or is no longer kept."""
        self._left += size


class Loader:
    """Reads artifacts with two worker threads; use it as a context manager.

    `largest` is the size of the largest chip that any of it goes to, where that is known.
    """

    def __init__(
        self, *, full_digests: bool = False, deep: bool = False, largest: int | None = None
    ) -> None:
        self._full_digests = full_digests
        self._deep = deep
        self._workers = Workers()
        self._memory = _Memory(largest)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        problem: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._workers.close()

    def in_folder(
        self,
        folder: Folder,
        path: str,
        *,
        expects: str | None = None,
        blocks: bool = False,
        keep: bool = True,
        slices: Slices | None = None,
    ) -> tuple[Callable[[], Artifact], int]:
        """Begin to read a file of the artifacts folder.

        Gives a call that waits for the rest, and how many bytes are held in memory meanwhile.

        Args:
            folder: the artifacts folder.
            path: the file, relative to it.
            expects: name of the reader whose format it should have.
            blocks: whether block digests of the payload are wanted, for a comparison.
            keep: whether the bytes of a file of up to 64 MiB are kept, for a comparison.
            slices: what of a chip's image is read as files of their own.

        Raises:
            ArtifactError: the file must not or cannot be opened.

        """
        descriptor, size = folder.open(path)
        return self._begin(descriptor, size, path, expects, blocks=blocks, keep=keep, slices=slices)

    def file(self, path: str, *, expects: str | None = None) -> Artifact:
        """Read one file that the user named.

        Raises:
            ArtifactError: it is no regular file or cannot be read.

        """
        descriptor, size = open_regular(path)
        reading, _ = self._begin(descriptor, size, path, expects, blocks=False, keep=True)
        return reading()

    def memory(
        self,
        path: str,
        data: bytes,
        *,
        expects: str | None = None,
        blocks: bool = False,
        slices: Slices | None = None,
    ) -> Artifact:
        """Read an artifact from memory under the name `path`."""
        return self._in_memory(data, path, expects, blocks=blocks, keep=True, slices=slices)()

    def _begin(
        self,
        descriptor: int,
        size: int,
        path: str,
        expects: str | None,
        *,
        blocks: bool,
        keep: bool,
        slices: Slices | None = None,
    ) -> tuple[Callable[[], Artifact], int]:
        """Begin to read an open file; see `in_folder`."""
        many = size > IN_MEMORY
        if many or (blocks and not keep and size > _SMALL and _is_volume(descriptor, size)):
            reading = self._in_place(descriptor, size, path, expects, blocks=blocks, slices=slices)
            return reading, 0
        try:
            with os.fdopen(descriptor, "rb", buffering=0) as file:
                same = Unchanged(descriptor)
                data = file.read(size)
                while len(data) < size and (more := file.read(size - len(data))):
                    data += more
                if len(data) < size or not same:
                    raise UnreadError(0, CHANGED)
        except OSError as problem:
            raise UnreadError(0, f"cannot be read: {problem.strerror}") from problem
        reading = self._in_memory(data, path, expects, blocks=blocks, keep=keep, slices=slices)
        return reading, size

    def _in_memory(
        self,
        data: bytes,
        path: str,
        expects: str | None,
        *,
        blocks: bool,
        keep: bool,
        slices: Slices | None = None,
    ) -> Callable[[], Artifact]:
        digest = self._workers.later(lambda: hashlib.sha256(data).hexdigest())
        view = View.of(data)
        # What is packed is digested as it is unpacked.
        digests = _Digests(self._workers, view if blocks and not _is_packed(view) else None)
        walk = _Walk(self._workers, self._memory, blocks, slices=slices, deep=self._deep)
        reading = walk.begin(view, path, 0, expects, 0, blocks=digests.all)

        def finish() -> Artifact:
            content = reading()
            if content.blocks is None:
                content = replace(content, blocks=digests.all())
            return Artifact(
                path=path,
                size=len(data),
                sha256=digest.result(),
                data_sha256=None,
                content=replace(content, view=view if keep else content.view),
                head=data[:_HEAD],
                blank=blank_byte(memoryview(data)),
                slices=self._sliced(view, content, walk, path),
            )

        return finish

    def _in_place(
        self,
        descriptor: int,
        size: int,
        path: str,
        expects: str | None,
        *,
        blocks: bool,
        slices: Slices | None,
    ) -> Callable[[], Artifact]:
        view = View(FileSource(descriptor, size))
        same = Unchanged(descriptor)
        wanted = self._full_digests or size <= IN_MEMORY
        try:
            compressed = _is_packed(view)
            digests = _Digests(self._workers, None if compressed else view, whole=wanted)
        except BaseException:
            os.close(descriptor)
            raise
        hashing = hashlib.sha256()
        tee = _Tee(hashing) if compressed else None
        walk = _Walk(self._workers, self._memory, blocks, tee, slices, deep=self._deep)
        reading = walk.begin(view, path, 0, expects, 0, blocks=digests.all)

        def finish() -> Artifact:
            try:
                content = reading()
                found, whole = digests.all(), digests.sha256()
                if walk.tee is not None:
                    walk.tee.rest(view)
                    whole = hashing.hexdigest()
                sliced = self._sliced(view, content, walk, path)
                if not same:
                    raise UnreadError(0, CHANGED)
                many = size > IN_MEMORY or self._full_digests
                return Artifact(
                    path=path,
                    size=size,
                    sha256=whole,
                    data_sha256=found.sha256() if found and many else None,
                    content=replace(content, blocks=content.blocks or found),
                    head=view.upto(0, _HEAD),
                    blank=None if found is None else found.blank(),
                    slices=sliced,
                )
            finally:
                digests.end()
                if walk.tee is not None:
                    walk.tee.close()
                os.close(descriptor)

        return finish

    def _sliced(self, view: View, content: Content, walk: _Walk, path: str) -> dict[str, Artifact]:
        """Read the slices of a chip's image; what lies behind its end is not there."""
        slices = walk.slices
        if slices is None:
            return {}
        if any(part.volume is not None for part in slices.of):
            return self._each(path, _volumes(view, content, slices))
        expanded = getattr(content.facts, "expanded", None)
        if expanded is not None:
            view = expanded(view)
        elif content.unpacked is not None and content.size not in slices.sizes:
            streamed = [(item.part, item.keeper.view(), item.keeper) for item in walk.sliced]
            return self._each(path, streamed)
        there = (part for part in slices.of if part.at < view.size)
        stored = ((it, view.sub(it.at, min(it.size, view.size - it.at)), None) for it in there)
        return self._each(path, stored)

    def _each(
        self, path: str, parts: Iterable[tuple[Slice, View, Keeper | None]]
    ) -> dict[str, Artifact]:
        found = {}
        for part, view, keeper in parts:
            artifact = self._slice(part, view, path, keeper) if view.size else None
            if artifact is not None:
                found[part.name] = artifact
        return found

    def _slice(self, part: Slice, view: View, path: str, keeper: Keeper | None) -> Artifact | None:
        """Read one slice, as the file would be that was written there; see _slice_of()."""
        found = self._slice_of(part, view, path, keeper)
        end = None if found is None else _own_end(found.content, view)
        if end is None or not 0 < end < view.size or _stored_behind(view, end, part.erased):
            return found
        if found is not None and end == found.size:
            return found
        return self._slice_of(replace(part, whole=True), view.sub(0, end), path, None)

    def _slice_of(
        self, part: Slice, view: View, path: str, keeper: Keeper | None
    ) -> Artifact | None:
        """Read one slice; None where it is blank and need not be anything else."""
        name = f"{path}:{part.name}"
        kept = isinstance(view.source, MemorySource)
        if kept or (keeper is None and view.size <= IN_MEMORY):
            data = view.bytes(0, view.size)
            if blank_byte(memoryview(data)) is None:
                data = data[: part.end(data)]
            elif not part.wanted:
                return None
            reading = self._in_memory(
                data, name, part.expects, blocks=True, keep=True, slices=part.inner
            )
            return reading()
        source = WindowSource(view)
        blocks = keeper.blocks() if keeper is not None else None
        if blocks is None:
            digests: dict[int, bytes] = {}
            for span in data_spans(source):
                digests.update(digest_span(source, span))
            blocks = Blocks(view.size, digests, _data_end(view, digests))
        blank = blocks.blank()
        if blank is not None and not part.wanted:
            return None
        if not part.whole and blank is None:
            size = min(view.size, (max(blocks.digests, default=0) + 1) * BLOCK)
            blocks = Blocks(size, blocks.digests, blocks.end)
        content = _Walk(self._workers, self._memory, blocks=False, deep=self._deep).begin(
            View(source), name, 0, part.expects, 0
        )()
        inside = _volumes(view, content, part.inner) if part.inner is not None else ()
        return Artifact(
            path=name,
            size=blocks.size,
            sha256=None,
            data_sha256=blocks.sha256(),
            content=replace(content, size=blocks.size, blocks=blocks),
            head=view.upto(0, _HEAD),
            blank=blank,
            slices=self._each(name, inside),
        )


def _own_end(content: Content, view: View) -> int | None:
    """Give where a content itself says that it ends; None where it does not say."""
    if content.unpacked is not None:
        return content.consumed
    if isinstance(content.facts, Ubi) and (block := content.facts.peb_size):
        # What follows the last block that was written was made by erasing.
        end = view.size
        while end >= block and not view.bytes(end - block, block).strip(b"\xff"):
            end -= block
        return end
    length = None if content.facts is None else content.facts.length
    # What makes these fills them up to a page.
    return round_up(length, _PAGE) if length and content.format in _PADDED else length


def _stored_behind(view: View, end: int, erased: int) -> bool:
    """Tell whether anything but blank bytes lies behind an offset."""
    return any(
        view.bytes(max(span.start, end), span.end - max(span.start, end)).strip(bytes([erased]))
        for span in data_spans(WindowSource(view))
        if span.end > end
    )


def _data_end(view: View, digests: Mapping[int, bytes]) -> int:
    """Give where the last block that is not all zero has its last byte that is not."""
    last = max(digests, default=None)
    if last is None:
        return 0
    start = last * BLOCK
    return start + len(view.bytes(start, min(BLOCK, view.size - start)).rstrip(b"\0"))


def _volumes(
    view: View, content: Content, slices: Slices
) -> Iterator[tuple[Slice, View, Keeper | None]]:
    """Give the volumes of a UBI, as far as its bytes are at hand."""
    whole = content.unwrapped()
    stored = view if whole is content else whole.view
    if not isinstance(whole.facts, Ubi) or stored is None:
        return
    parts = {part.name: part for part in whole.facts.parts()}
    for item in slices.of:
        if item.volume in parts:
            yield item, whole.facts.open(stored, parts[item.volume]), None


class _Digests:
    """The block digests of a view, taken by workers; of no view, none.

    Where the digest of the `whole` is wanted too, it is taken first, for it is the longest.
    """

    def __init__(self, workers: Workers, view: View | None, *, whole: bool = False) -> None:
        self._found: Blocks | None = None
        self._view = view
        self._whole: Future[str] | None = None
        self._tasks: list[Future[dict[int, bytes]]] = []
        if view is not None:
            if whole:
                self._whole = workers.later(_sha256, view)
            for span in data_spans(view.source):
                self._tasks.append(workers.later(digest_span, view.source, span))

    def sha256(self) -> str | None:
        """Wait for the digest of the whole, where it was asked for."""
        return None if self._whole is None else self._whole.result()

    def all(self) -> Blocks | None:
        """Wait for all of them."""
        if self._found is None and self._view is not None:
            digests: dict[int, bytes] = {}
            for task in self._tasks:
                digests.update(task.result())
            self._found = Blocks(self._view.size, digests, _data_end(self._view, digests))
        return self._found

    def end(self) -> None:
        """Take no more of them, and wait until none is being taken."""
        tasks: list[Future[Any]] = [*self._tasks]
        tasks += [self._whole] if self._whole is not None else []
        for task in tasks:
            task.cancel()
        wait(tasks)


def _sha256(view: View) -> str:
    digest = hashlib.sha256()
    for piece in view.chunks():
        digest.update(piece)
    return digest.hexdigest()


class _Tee:
    """Hashes stored bytes on their way to the decompressor, in a thread of its own."""

    def __init__(self, digest: hashlib._Hash) -> None:
        self._digest = digest
        self._pool = ThreadPoolExecutor(1)
        self._last: Future[None] | None = None
        self._done = 0

    def pieces(self, view: View) -> Iterator[bytes]:
        for piece in view.chunks():
            if self._last is not None:
                self._last.result()
            self._last = self._pool.submit(self._digest.update, piece)
            self._done += len(piece)
            yield piece

    def rest(self, view: View) -> None:
        """Hash what the decompressor did not ask for."""
        if self._last is not None:
            self._last.result()
        for piece in view.chunks(self._done):
            self._digest.update(piece)

    def close(self) -> None:
        """End the thread."""
        self._pool.shutdown()


class _Budget:
    """Bytes that several threads may still unpack."""

    def __init__(self, left: int) -> None:
        self._left = left
        self._lock = threading.Lock()

    def take(self, count: int) -> bool:
        """Take some; tell whether there were as many."""
        with self._lock:
            self._left -= count
            return self._left >= 0


class _Walk:
    """Walks one artifact's contents; unpacking goes on in threads while the walk continues."""

    def __init__(
        self,
        workers: Workers,
        memory: _Memory,
        blocks: bool,
        tee: _Tee | None = None,
        slices: Slices | None = None,
        *,
        deep: bool = False,
    ) -> None:
        self.slices = slices
        self._deep = deep
        self.sliced: list[SliceKeeper] = []
        self._workers = workers
        self._memory = memory
        self._blocks = blocks
        self.tee = tee
        self._left = _CONTENTS
        self._budget = _Budget(NESTED_BUDGET)
        self._under_way = 0

    def begin(
        self,
        view: View,
        name: str,
        offset: int,
        expects: str | None,
        depth: int,
        *,
        blocks: Callable[[], Blocks | None] | None = None,
    ) -> Callable[[], Content]:
        """Identify and read; give a call that waits for what is unpacked and reads it too.

        `blocks` waits for the digests of an image's data.
        """
        self._left -= 1
        bare = Content(name=name, offset=offset, size=view.size, expects=expects)
        if depth > _DEPTH or self._left < 0:
            limit = f"{_DEPTH} levels" if depth > _DEPTH else f"{_CONTENTS} contents"
            return lambda: replace(bare, why=f"{PASSED_OVER}: more than {limit}")
        try:
            known = identify(view)
        except ImgauditError as problem:
            broken = _broken(bare, problem)
            return lambda: broken
        match, reader = _choose(known, expects)
        if reader is None:
            return self._unknown(view, replace(bare, why=NO_FORMAT), depth)
        bare = replace(
            bare,
            format=reader.name,
            title=reader.title,
            match=match,
            alternatives=tuple(other.name for _, other in known if other.name != reader.name),
        )
        try:
            with bounds.inside(name):
                facts = reader.read(view)
                if self._deep:
                    facts = unpacked_whole(view, facts)
        except FormatError as problem:
            damaged = replace(bare, why=problem.why, damaged_at=problem.offset)
            if match is Match.NO:
                # The promised reader was asked only for its reason; the bytes are not its format.
                damaged = replace(damaged, format=None, title="", damaged_at=None)
                return self._unknown(view, damaged, depth)
            return lambda: damaged
        except UnreadError as problem:
            unread = replace(bare, why=str(problem))
            return lambda: unread
        bare = replace(bare, facts=facts)
        if reader.unpack is not None:
            return self._compressed(reader, view, bare, depth)
        expanded = getattr(facts, "expanded", None)
        if expanded is not None:
            inner: View = expanded(view)
            wanted = self._blocks and depth == 0 and inner.size <= MEASURE
            digests = _Digests(self._workers, inner if wanted else None)
            child = self.begin(inner, f"{name}/expanded", -1, None, depth + 1, blocks=digests.all)

            def finish() -> Content:
                found = replace(child(), blocks=digests.all())
                return replace(bare, unpacked=inner.size, blocks=found.blocks, children=(found,))

            return finish
        started = self._container(view, facts, bare, depth, blocks)
        return self._kernel(view, started, depth) if reader.name in KERNELS else started

    def _unknown(self, view: View, bare: Content, depth: int) -> Callable[[], Content]:
        """Look for a kernel in what has no format: that of an arm zImage has no header."""
        raw = depth > 0 and _RAW_KERNEL <= view.size <= IN_MEMORY
        return self._kernel(view, bare, depth) if raw else lambda: bare

    def _kernel(
        self, view: View, outer: Content | Callable[[], Content], depth: int
    ) -> Callable[[], Content]:
        """Look into a kernel, and at the ramdisk that is built into it."""
        task = self._workers.soon(scan, view)

        def finish() -> Content:
            content = outer if isinstance(outer, Content) else outer()
            try:
                inside = task.result()
            except ImgauditError as problem:
                return _broken(content, problem)
            if (inside.release, inside.config, inside.ramdisk) == (None, None, None):
                return content
            if content.view is None and in_memory(view):
                # That of an arm zImage has no format, and its drivers are looked up in it.
                content = replace(content, view=view)
            found = inside.ramdisk
            if found is None:
                return replace(content, inside=inside)
            stored = view.sub(found.offset, found.size)
            name = f"{content.name}/{BUNDLED}"
            child = self.begin(stored, name, found.offset, found.kind, depth + 1)()
            return replace(content, inside=inside, children=(*content.children, child))

        return finish

    def _container(
        self,
        view: View,
        facts: Facts,
        bare: Content,
        depth: int,
        blocks: Callable[[], Blocks | None] | None,
    ) -> Callable[[], Content]:
        parts = self._parts(view, facts, bare.name)
        started: deque[Callable[[], Content]] = deque()

        def begin(least: int) -> bool:
            """Begin parts until every thread has some to unpack; tell whether any is begun."""
            while len(started) < least or self._under_way < THREADS:
                part, inner = next(parts, (None, view))
                if part is None:
                    break
                name = f"{bare.name}/{part.name}"
                walk = partial(self._part, inner, name, part, depth + 1)
                known = self.slices.held.get(part.offset) if self.slices is not None else None
                if known is None or blocks is None or not isinstance(inner, View):
                    started.append(walk())
                else:
                    again = _Walked(inner, part, name, known, blocks).again
                    started.append(partial(_again_or, again, walk))
            return bool(started)

        def finish() -> Content:
            children = []
            while begin(1):
                children.append(started.popleft()())
            return replace(kept, children=tuple(children))

        # A file that is read in place is closed when it has been read: nothing of it can be kept.
        held = bare.format in _KEEP_VIEW and in_memory(view)
        kept = replace(bare, view=view) if held else bare
        begin(0)
        return finish

    def _part(
        self, inner: View | ImgauditError, name: str, part: Part, depth: int
    ) -> Callable[[], Content]:
        if isinstance(inner, View):
            view = self._held(inner)
            reading = self.begin(view, name, part.offset, part.expects, depth)
            return reading if view is inner else partial(self._kept, reading, view.size)
        self._left -= 1
        bare = Content(name=name, offset=part.offset, size=part.size, expects=part.expects)
        broken = _broken(bare, inner)
        return lambda: broken

    def _held(self, view: View) -> View:
        """Hold a part of what is read in place; no large one that is a volume or packed."""
        if in_memory(view) or view.size > IN_MEMORY:
            return view
        try:
            known = identify(view) if view.size > _RAW_KERNEL else []
            if view.size > _RAW_KERNEL and not (known and _is_plain(known[0][1])):
                return view
            return View.of(view.bytes(0, view.size)) if self._memory.spare(view.size) else view
        except ImgauditError:
            return view

    def _kept(self, reading: Callable[[], Content], size: int) -> Content:
        """Wait for a part that is held, and count it no more if nothing is kept of it."""
        content = reading()
        if all(inner.view is None for inner in content.walk()):
            self._memory.give(size)
        return content

    def _parts(
        self, view: View, facts: Facts, name: str
    ) -> Iterator[tuple[Part, View | ImgauditError]]:
        """Give the parts that lie inside, as many as are looked into, or why one cannot be had."""
        most = _REREAD * view.size
        listed = iter(facts.parts())
        while True:
            with bounds.inside(name):
                part = next(listed, None)
            if part is None:
                return
            if self._left < 0:
                return  # the content before this one says so
            # Entries that overlap would have the same bytes read once for each of them.
            most -= part.size if part.stored is None else part.stored
            if most < 0:
                self._left = 0  # the next content says that it is passed over
            # The pieces of a file may be packed: to put it together is to find whether it is whole.
            scattered = part.offset < 0 and isinstance(facts, FileSystem)
            inner: View | ImgauditError
            try:
                inner = facts.open(view, part)
                inner = _together(inner) if scattered else inner
            except ImgauditError as problem:
                if not scattered and isinstance(problem, FormatError):
                    continue
                inner = problem
            yield part, inner

    def _compressed(
        self, reader: Reader, view: View, bare: Content, depth: int
    ) -> Callable[[], Content]:
        outer = depth == 0
        tee = self.tee if outer else None

        def unpack(share: int) -> Future[_Unpacked]:
            budget = _Budget(self._memory.followed(view.size)) if outer else self._budget
            wanted = self.slices.of if self.slices is not None and outer else ()
            parts = tuple(item for item in wanted if item.volume is None)
            keeper = Keeper(share, blocks=self._blocks and outer, nested=not outer, slices=parts)
            if outer:
                self.sliced = keeper.slices
            return self._workers.soon(_unpack, reader, view, budget, keeper=keeper, tee=tee)

        share = self._memory.take()
        task = unpack(share)
        self._under_way += 1

        def finish() -> Content:
            result = task.result()
            self._under_way -= 1
            self._memory.give(share)
            if result.too_large and tee is None:
                # Others that were unpacked meanwhile may have left it too little.
                more = self._memory.take()
                if more > share:
                    result = unpack(more).result()
                self._memory.give(more)
            self._memory.give(-result.kept)
            content = self._unpacked(view, bare, result, depth)
            if all(inner.view is None for inner in content.walk()):
                self._memory.give(result.kept)
            return content

        return finish

    def _unpacked(self, view: View, bare: Content, result: _Unpacked, depth: int) -> Content:
        done = replace(
            bare,
            unpacked=result.size,
            complete=not (result.why or result.capped),
            consumed=result.consumed,
            why=result.why,
            damaged_at=result.damaged_at,
            blocks=result.blocks,
        )
        if result.view is None or result.view.size == 0:
            return done
        name, blocks = f"{bare.name}/unpacked", result.blocks
        inner = self.begin(result.view, name, -1, bare.expects, depth + 1, blocks=lambda: blocks)()
        if depth == 0:
            kept = result.view if result.size <= IN_MEMORY else inner.view
            inner = replace(inner, blocks=result.blocks, view=kept)
        if result.consumed is None or not isinstance(inner.facts, CpioFacts):
            return replace(done, children=(inner,))
        rest = trailing(view, result.consumed)
        if rest is None or rest.kind != "other":
            return replace(done, rest=rest, children=(inner,))
        stored = view.sub(rest.offset, rest.length)
        after = f"{bare.name}/after the stream"
        more = self.begin(stored, after, rest.offset, None, depth + 1)()
        return replace(done, rest=rest, children=(inner, more))


def _broken(bare: Content, problem: ImgauditError) -> Content:
    """Say why there is nothing to say of a content: it is damaged, or could not be read."""
    if isinstance(problem, FormatError):
        return replace(bare, why=problem.why, damaged_at=problem.offset, match=Match.SURE)
    return replace(bare, why=str(problem))


def _together(view: View) -> View:
    """Hold a file that lies in pieces; a large one only if it is something that is known."""
    if view.size > _RAW_KERNEL and not identify(view):
        return view
    return View.of(view.bytes(0, view.size))


_RAW_KERNEL = 256 * KIB
_PADDED = frozenset({"squashfs", "erofs"})
_PAGE = 4096
_KEEP_VIEW = frozenset({"cpio", "arm64-image", "zimage", "riscv-image", "elf", "gpt"})


def _choose(known: list[tuple[Match, Reader]], expects: str | None) -> tuple[Match, Reader | None]:
    """Take the expected format where it is at least possible, else the surest."""
    for match, reader in known:
        if reader.name == expects:
            return match, reader
    if known:
        return known[0]
    # Nothing is known: the expected reader may still say where the bytes go wrong.
    return (Match.NO, readers().get(expects)) if expects else (Match.NO, None)


def _is_plain(reader: Reader) -> bool:
    return reader.windows is None and reader.unpack is None


def _is_volume(descriptor: int, size: int) -> bool:
    """Tell whether a file is the image of a disk or a file system."""
    try:
        known = identify(View(FileSource(descriptor, size)))
    except ImgauditError:
        return False
    return bool(known) and known[0][1].windows is not None


def _is_packed(view: View) -> bool:
    known = identify(view)
    return bool(known) and known[0][1].unpack is not None


class _Walked(NamedTuple):
    """A partition to walk, and what was read of the file of its region."""

    view: View
    part: Part
    name: str
    known: Callable[[], Content | None]
    blocks: Callable[[], Blocks | None]

    def again(self) -> Content | None:
        """Give what is known for the partition, where all bytes are proven to be the same."""
        held, whole, part = self.known(), self.blocks(), self.part
        if held is None or held.facts is None or held.blocks is None or whole is None:
            return None
        if held.unpacked is not None or held.size != part.size:
            return None
        if part.offset % BLOCK or part.size % BLOCK or part.offset + part.size > whole.size:
            return None
        first, count = part.offset // BLOCK, part.size // BLOCK
        there = map(whole.digests.get, range(first, first + count))
        if list(map(held.blocks.digests.get, range(count))) != list(there):
            return None
        try:
            formats = identify(self.view)
        except UnreadError:
            return None
        match, reader = _choose(formats, part.expects)
        if reader is None or reader.name != held.format:
            return None
        return replace(
            _renamed(held, held.name, self.name),
            offset=part.offset,
            expects=part.expects,
            match=match,
            alternatives=tuple(other.name for _, other in formats if other.name != reader.name),
            view=None,
            blocks=None,
        )


def _again_or(
    again: Callable[[], Content | None], walk: Callable[[], Callable[[], Content]]
) -> Content:
    return again() or walk()()


def _renamed(content: Content, old: str, new: str) -> Content:
    children = tuple(_renamed(child, old, new) for child in content.children)
    return replace(content, name=new + content.name.removeprefix(old), children=children)


def _unpack(
    reader: Reader, view: View, budget: _Budget, *, keeper: Keeper, tee: _Tee | None
) -> _Unpacked:
    why, damaged_at, consumed, capped = "", None, None, False
    assert reader.unpack is not None  # noqa: S101 - tells mypy what the caller made sure of
    stream = reader.unpack(tee.pieces(view) if tee else view.chunks())
    try:
        while True:
            piece = next(stream)
            keeper.add(piece)
            if not budget.take(len(piece)) or (keeper.nested and keeper.too_large):
                capped = True
                why = f"unpacks to more than {both(keeper.total)}: not followed further"
                break
    except StopIteration as end:
        consumed = end.value
    except FormatError as problem:
        why, damaged_at = problem.why, problem.offset
    except UnreadError as problem:
        why = str(problem)
    return _Unpacked(
        view=keeper.view(),
        size=keeper.total,
        consumed=consumed,
        why=why,
        damaged_at=damaged_at,
        capped=capped,
        blocks=keeper.blocks(),
        too_large=keeper.too_large,
        kept=keeper.kept(),
    )
