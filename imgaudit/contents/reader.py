"""Read artifacts: each byte once, hashed, unpacked and parsed in one pass, in bounded memory.

A file of up to 64 MiB is read into memory. A larger one is read in place: its structures where they
lie, its data in blocks of 64 KiB by two threads, its holes not at all.
"""

from __future__ import annotations

import hashlib
import os
import threading
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor, wait
from dataclasses import dataclass, field, replace
from types import TracebackType
from typing import Self

from imgaudit.errors import FormatError, UnreadError
from imgaudit.files import Folder, open_regular
from imgaudit.formats import identify, readers
from imgaudit.formats.cpio import CpioFacts, Trailing, trailing
from imgaudit.formats.facts import Facts, Match, Part, Reader
from imgaudit.formats.kernel import KernelInside, scan
from imgaudit.formats.view import CHUNK, FileSource, MemorySource, Source, View
from imgaudit.units import GIB, KIB, MIB, Span, both, round_down, round_up

IN_MEMORY = 64 * MIB
BLOCK = 64 * KIB
# What is kept of all unpacked contents together; while one is unpacked, it may take half of what is
# left. A ramdisk or kernel beyond half of it fits no such board.
KEPT = 320 * MIB
# Where an unpacked stream is only measured: well above the eMMC parts of such boards.
MEASURE = 64 * GIB
# What one artifact's nested contents may unpack to together.
NESTED_BUDGET = 512 * MIB
_HEAD_KEPT = 2 * MIB
_TAIL = 2 * MIB
_HEAD = 64
_DEPTH = 9  # the deepest in use: outer gzip, FIT, zImage, its stream, bundled ramdisk, its archive
_CONTENTS = 512
_THREADS = 2
_BLANKS = (0x00, 0xFF)
_ZEROS = bytes(BLOCK)


@dataclass(frozen=True, slots=True)
class Blocks:
    """SHA-256 of every 64 KiB block that is not all zero, by its number; `size` is the whole."""

    size: int
    digests: dict[int, bytes]

    def sha256(self) -> str:
        """Digest the data: of every block its number and SHA-256, and of the whole its size."""
        digest = hashlib.sha256()
        for number in sorted(self.digests):
            digest.update(number.to_bytes(8, "little") + self.digests[number])
        digest.update(self.size.to_bytes(8, "little"))
        return digest.hexdigest()

    def blank(self) -> int | None:
        """Give the byte that all of the data repeats: 0x00, 0xFF or, if there is none, None."""
        if not self.digests:
            return 0x00
        whole, rest = divmod(self.size, BLOCK)
        if len(self.digests) != whole + bool(rest):
            return None
        erased = hashlib.sha256(b"\xff" * BLOCK).digest()
        last = hashlib.sha256(b"\xff" * (rest or BLOCK)).digest()
        final = whole - (not rest)
        same = all(
            digest == (last if number == final else erased)
            for number, digest in self.digests.items()
        )
        return 0xFF if same else None


@dataclass(frozen=True, kw_only=True)
class Content:
    """Bytes and what they are. Contents nest: a FIT holds images, an image its unpacked data.

    `offset` is where it starts in the stored bytes of what holds it; -1 for what a decompressor
    made. `why` says why there are no facts. `unpacked` is set for compressed content: the true size
    in bytes, `complete` tells whether the stream was followed to its end, and `consumed` how many
    stored bytes it took; `rest` is what follows the stream of a compressed cpio archive. `inside`
    is set for kernels.
    """

    name: str
    offset: int
    size: int
    expects: str | None = None
    format: str | None = None
    title: str = ""
    match: Match = Match.NO
    facts: Facts | None = None
    why: str = ""
    damaged_at: int | None = None
    alternatives: tuple[str, ...] = ()
    unpacked: int | None = None
    complete: bool = True
    consumed: int | None = None
    rest: Trailing | None = None
    inside: KernelInside | None = field(default=None, repr=False)
    children: tuple[Content, ...] = ()
    view: View | None = field(default=None, repr=False, compare=False)
    blocks: Blocks | None = field(default=None, repr=False, compare=False)

    def walk(self) -> Iterator[Content]:
        """Give this content and all inside it, depth first."""
        yield self
        for child in self.children:
            yield from child.walk()


@dataclass(frozen=True, kw_only=True)
class Artifact:
    """A file that the layout names, read.

    `sha256` is that of the stored bytes, None for a raw file above 64 MiB unless it was asked for;
    `data_sha256` then stands for it: the same for equal data, however the holes are stored. `head`
    is the first 64 bytes.
    """

    path: str
    size: int
    sha256: str | None
    data_sha256: str | None
    content: Content
    head: bytes = b""
    blank: int | None = None


class _KeptSource:
    """What was kept of a stream that is too large to keep: some spans, the rest counted."""

    def __init__(self, size: int, kept: list[tuple[int, bytes]]) -> None:
        self.size = size
        self._kept = kept

    def read_at(self, offset: int, length: int) -> bytes:
        for start, data in self._kept:
            if start <= offset and offset + length <= start + len(data):
                return data[offset - start : offset - start + length]
        raise UnreadError(offset, "these bytes of a large compressed image were not kept")

    def data(self) -> Iterator[Span]:
        for start, data in self._kept:
            yield Span.sized(start, len(data))


class _Keeper:
    """Takes a stream piece by piece and keeps what the readers will want of it."""

    def __init__(self, most: int, *, blocks: bool = False, nested: bool = False) -> None:
        self.most = most
        self.nested = nested
        self.total = 0
        self.too_large = False
        self._whole: bytearray | None = bytearray()
        self._decided = False
        self._windows: list[Span] = []
        self._kept: dict[int, bytearray] = {}
        self._tail = bytearray()
        self._digester = _Digester() if blocks else None

    def add(self, piece: bytes) -> None:
        if self._digester is not None:
            self._digester.add(piece)
        if self._whole is not None:
            self._whole += piece
            self.total += len(piece)
            if not self._decided and self.total >= _HEAD_KEPT:
                self._decide()
            if self._whole is not None and len(self._whole) > self.most:
                self.too_large = True
                self._forget([])
            return
        self._window(self.total, piece)
        self._tail += piece
        if len(self._tail) > 2 * _TAIL:
            del self._tail[:-_TAIL]
        self.total += len(piece)

    def _decide(self) -> None:
        """Keep an image of a disk or file system in windows only; all else is wanted whole."""
        self._decided = True
        assert self._whole is not None  # noqa: S101 - tells mypy what the caller made sure of
        head = View.of(bytes(self._whole))
        known = identify(head)
        if known and known[0][1].windows is not None:
            self._forget(known[0][1].windows(head))

    def _forget(self, windows: list[Span]) -> None:
        assert self._whole is not None  # noqa: S101 - as above
        whole, self._whole = self._whole, None
        head = whole[:_HEAD_KEPT]
        self._kept = {0: head}
        room = self.most
        for span in windows:
            if span.end > len(head) and span.size <= room:
                room -= span.size
                self._windows.append(span)
                self._kept[span.start] = head[span.start :] if span.start else head
        self._window(len(head), bytes(whole[len(head) : len(head) + CHUNK]))
        self._tail = whole[-_TAIL:]

    def _window(self, at: int, piece: bytes) -> None:
        here = Span.sized(at, len(piece))
        for window in self._windows:
            common = here.common(window)
            if common.size:
                kept = self._kept[window.start]
                if len(kept) == common.start - window.start:
                    kept += piece[common.start - at : common.end - at]

    def view(self) -> View:
        if self._whole is not None:
            return View.of(self._whole)
        kept = [(start, bytes(data)) for start, data in self._kept.items()]
        kept.append((self.total - len(self._tail), bytes(self._tail)))
        return View(_KeptSource(self.total, kept))

    def kept(self) -> int:
        """Count the bytes that are held."""
        if self._whole is not None:
            return len(self._whole)
        return len(self._tail) + sum(map(len, self._kept.values()))

    def blocks(self) -> Blocks | None:
        return None if self._digester is None else self._digester.finish()


class _Digester:
    """Block digests of a stream."""

    def __init__(self) -> None:
        self._digests: dict[int, bytes] = {}
        self._rest = b""
        self._number = 0

    def add(self, piece: bytes) -> None:
        if self._rest:
            piece, self._rest = self._rest + piece, b""
        whole = round_down(len(piece), BLOCK)
        for at in range(0, whole, BLOCK):
            self._block(piece[at : at + BLOCK])
        self._rest = piece[whole:]

    def _block(self, data: bytes) -> None:
        if not _is_all(data, _ZEROS):
            self._digests[self._number] = hashlib.sha256(data).digest()
        self._number += 1

    def finish(self) -> Blocks:
        size = self._number * BLOCK + len(self._rest)
        if self._rest:
            self._block(self._rest)
        return Blocks(size, self._digests)


def _is_all(block: bytes, pattern: bytes) -> bool:
    """Tell whether a block repeats one byte: its ends tell most of the time."""
    if block[0] != pattern[0] or block[-1] != pattern[0]:
        return False
    # Slices of bytes compare as fast as memory is read; a memoryview would compare by element.
    return block == (pattern if len(block) == len(pattern) else pattern[: len(block)])


def _digest_span(source: Source, span: Span) -> dict[int, bytes]:
    digests = {}
    last = digest = b""
    at = span.start
    while at < span.end:
        data = source.read_at(at, min(CHUNK, span.end - at))
        for start in range(0, len(data), BLOCK):
            block = data[start : start + BLOCK]
            if _is_all(block, _ZEROS):
                continue
            if block != last:
                last, digest = block, hashlib.sha256(block).digest()
            digests[(at + start) // BLOCK] = digest
        at += len(data)
    return digests


def _data_spans(source: Source) -> list[Span]:
    """Give the stored spans, widened to blocks, in pieces that two threads can share."""
    merged: list[Span] = []
    for span in source.data():
        wide = Span(round_down(span.start, BLOCK), min(round_up(span.end, BLOCK), source.size))
        if merged and wide.start <= merged[-1].end:
            merged[-1] = Span(merged[-1].start, max(wide.end, merged[-1].end))
        else:
            merged.append(wide)
    step = 16 * MIB
    return [
        Span(at, min(at + step, span.end))
        for span in merged
        for at in range(span.start, span.end, step)
    ]


def _blank(data: memoryview) -> int | None:
    """Give the byte that all of the data repeats: 0x00, 0xFF or, if there is none, None."""
    if not len(data) or data[0] not in _BLANKS:
        return None
    pattern = bytes([data[0]]) * BLOCK
    blocks = (bytes(data[at : at + BLOCK]) for at in range(0, len(data), BLOCK))
    return data[0] if all(_is_all(block, pattern) for block in blocks) else None


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

    def __init__(self) -> None:
        self._left = KEPT

    def take(self) -> int:
        """Take half of what is left."""
        share = self._left // 2
        self._left -= share
        return share

    def give(self, size: int) -> None:
        """Give back what was not used or is no longer kept."""
        self._left += size


class Loader:
    """Reads artifacts with two worker threads; use it as a context manager."""

    def __init__(self, *, full_digests: bool = False) -> None:
        self._full_digests = full_digests
        self._hashing = ThreadPoolExecutor(_THREADS)
        self._unpacking = ThreadPoolExecutor(_THREADS)
        self._memory = _Memory()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        problem: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._hashing.shutdown(cancel_futures=True)
        self._unpacking.shutdown(cancel_futures=True)

    def in_folder(
        self,
        folder: Folder,
        path: str,
        *,
        expects: str | None = None,
        blocks: bool = False,
        keep: bool = True,
    ) -> tuple[Callable[[], Artifact], int]:
        """Begin to read a file of the artifacts folder.

        Gives a call that waits for the rest, and how many bytes are held in memory meanwhile.

        Args:
            folder: the artifacts folder.
            path: the file, relative to it.
            expects: name of the reader whose format it should have.
            blocks: whether block digests of the payload are wanted, for a comparison.
            keep: whether the bytes of a file of up to 64 MiB are kept, for a comparison.

        Raises:
            ArtifactError: the file must not or cannot be opened.

        """
        descriptor, size = folder.open(path)
        reading = self._begin(descriptor, size, path, expects, blocks=blocks, keep=keep)
        return reading, size if size <= IN_MEMORY else 0

    def file(self, path: str, *, expects: str | None = None) -> Artifact:
        """Read one file that the user named.

        Raises:
            ArtifactError: it is no regular file or cannot be read.

        """
        descriptor, size = open_regular(os.path.realpath(path), path)
        return self._begin(descriptor, size, path, expects, blocks=False, keep=True)()

    def memory(
        self, path: str, data: bytes, *, expects: str | None = None, blocks: bool = False
    ) -> Artifact:
        """Read an artifact from memory under the name `path`."""
        return self._in_memory(data, path, expects, blocks=blocks, keep=True)()

    def _begin(
        self,
        descriptor: int,
        size: int,
        path: str,
        expects: str | None,
        *,
        blocks: bool,
        keep: bool,
    ) -> Callable[[], Artifact]:
        if size <= IN_MEMORY:
            data = bytearray(size)
            try:
                with os.fdopen(descriptor, "rb", buffering=0) as file:
                    got = 0
                    while got < size and (count := file.readinto(memoryview(data)[got:])):
                        got += count
            except OSError as problem:
                raise UnreadError(0, f"cannot be read: {problem.strerror}") from problem
            return self._in_memory(memoryview(data)[:got], path, expects, blocks=blocks, keep=keep)
        return self._in_place(descriptor, size, path, expects, blocks)

    def _in_memory(
        self,
        data: bytes | memoryview,
        path: str,
        expects: str | None,
        *,
        blocks: bool,
        keep: bool,
    ) -> Callable[[], Artifact]:
        digest = self._hashing.submit(lambda: hashlib.sha256(data).hexdigest())
        view = View.of(data)
        reading = _Walk(self._unpacking, self._memory, blocks).begin(view, path, 0, expects, 0)

        def finish() -> Artifact:
            content = reading()
            if blocks and content.blocks is None:
                digester = _Digester()
                for piece in view.chunks():
                    digester.add(piece)
                content = replace(content, blocks=digester.finish())
            return Artifact(
                path=path,
                size=len(data),
                sha256=digest.result(),
                data_sha256=None,
                content=replace(content, view=view if keep else content.view),
                head=bytes(data[:_HEAD]),
                blank=_blank(memoryview(data)),
            )

        return finish

    def _in_place(
        self, descriptor: int, size: int, path: str, expects: str | None, blocks: bool
    ) -> Callable[[], Artifact]:
        source = FileSource(descriptor, size)
        view = View(source)
        try:
            known = identify(view)
            compressed = bool(known) and known[0][1].unpack is not None
            spans = [] if compressed else _data_spans(source)
        except BaseException:
            os.close(descriptor)
            raise
        tasks = [self._hashing.submit(_digest_span, source, span) for span in spans]
        hashing = hashlib.sha256()
        tee = _Tee(hashing) if compressed else None
        walk = _Walk(self._unpacking, self._memory, blocks, tee)
        reading = walk.begin(view, path, 0, expects, 0)

        def finish() -> Artifact:
            try:
                content = reading()
                found: Blocks | None = None
                if not compressed:
                    digests: dict[int, bytes] = {}
                    for task in tasks:
                        digests.update(task.result())
                    found = Blocks(size, digests)
                    if self._full_digests:
                        for piece in view.chunks():
                            hashing.update(piece)
                elif walk.tee is not None:
                    walk.tee.rest(view)
                whole = compressed or self._full_digests
                return Artifact(
                    path=path,
                    size=size,
                    sha256=hashing.hexdigest() if whole else None,
                    data_sha256=found.sha256() if found else None,
                    content=replace(content, blocks=content.blocks or found),
                    head=view.upto(0, _HEAD),
                    blank=None if found is None else found.blank(),
                )
            finally:
                for task in tasks:
                    task.cancel()
                wait(tasks)
                if walk.tee is not None:
                    walk.tee.close()
                os.close(descriptor)

        return finish


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
        self, pool: ThreadPoolExecutor, memory: _Memory, blocks: bool, tee: _Tee | None = None
    ) -> None:
        self._pool = pool
        self._memory = memory
        self._blocks = blocks
        self.tee = tee
        self._left = _CONTENTS
        self._budget = _Budget(NESTED_BUDGET)
        self._under_way = 0

    def begin(
        self, view: View, name: str, offset: int, expects: str | None, depth: int
    ) -> Callable[[], Content]:
        """Identify and read; give a call that waits for what is unpacked and reads it too."""
        self._left -= 1
        bare = Content(name=name, offset=offset, size=view.size, expects=expects)
        if depth > _DEPTH or self._left < 0:
            limit = f"{_DEPTH} levels" if depth > _DEPTH else f"{_CONTENTS} contents"
            return lambda: replace(bare, why=f"{PASSED_OVER}: more than {limit}")
        try:
            known = identify(view)
        except UnreadError as problem:
            why = str(problem)
            return lambda: replace(bare, why=why)
        match, reader = _choose(known, expects)
        if reader is None:
            return self._unknown(view, replace(bare, why="no format was recognised"), depth)
        bare = replace(
            bare,
            format=reader.name,
            title=reader.title,
            match=match,
            alternatives=tuple(other.name for _, other in known if other.name != reader.name),
        )
        try:
            facts = reader.read(view)
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
            child = self.begin(inner, f"{name}/expanded", -1, None, depth + 1)
            wanted = self._blocks and depth == 0 and inner.size <= MEASURE
            spans = _data_spans(inner.source) if wanted else []
            tasks = [self._pool.submit(_digest_span, inner.source, span) for span in spans]

            def finish() -> Content:
                digests: dict[int, bytes] = {}
                for task in tasks:
                    digests.update(task.result())
                blocks = Blocks(inner.size, digests) if wanted else None
                return replace(
                    bare,
                    unpacked=inner.size,
                    blocks=blocks,
                    children=(replace(child(), blocks=blocks),),
                )

            return finish
        started = self._container(view, facts, bare, depth)
        return self._kernel(view, started, depth) if reader.name in _KERNELS else started

    def _unknown(self, view: View, bare: Content, depth: int) -> Callable[[], Content]:
        """Look for a kernel in what has no format: that of an arm zImage has no header."""
        raw = depth > 0 and _RAW_KERNEL <= view.size <= IN_MEMORY
        return self._kernel(view, bare, depth) if raw else lambda: bare

    def _kernel(
        self, view: View, outer: Content | Callable[[], Content], depth: int
    ) -> Callable[[], Content]:
        """Look into a kernel, and at the ramdisk that is built into it."""
        task = self._pool.submit(scan, view)

        def finish() -> Content:
            content = outer if isinstance(outer, Content) else outer()
            try:
                inside = task.result()
            except UnreadError as problem:
                return replace(content, why=str(problem))
            if (inside.release, inside.config, inside.ramdisk) == (None, None, None):
                return content
            found = inside.ramdisk
            if found is None:
                return replace(content, inside=inside)
            stored = view.sub(found.offset, found.size)
            name = f"{content.name}/{BUNDLED}"
            child = self.begin(stored, name, found.offset, found.kind, depth + 1)()
            return replace(content, inside=inside, children=(*content.children, child))

        return finish

    def _container(
        self, view: View, facts: Facts, bare: Content, depth: int
    ) -> Callable[[], Content]:
        parts = self._parts(view, facts)
        started: deque[Callable[[], Content]] = deque()

        def begin(least: int) -> bool:
            """Begin parts until every thread has some to unpack; tell whether any is begun."""
            while len(started) < least or self._under_way < _THREADS:
                part, inner = next(parts, (None, view))
                if part is None:
                    break
                name = f"{bare.name}/{part.name}"
                started.append(self.begin(inner, name, part.offset, part.expects, depth + 1))
            return bool(started)

        def finish() -> Content:
            children = []
            while begin(1):
                children.append(started.popleft()())
            return replace(kept, children=tuple(children))

        # A file that is read in place is closed when it has been read: nothing of it can be kept.
        in_memory = isinstance(view.source, MemorySource)
        kept = replace(bare, view=view) if in_memory and bare.format in _KEEP_VIEW else bare
        begin(0)
        return finish

    def _parts(self, view: View, facts: Facts) -> Iterator[tuple[Part, View]]:
        """Give the parts that lie inside, as many as are looked into."""
        for part in facts.parts():
            if self._left < 0:
                return  # the content before this one says so
            try:
                inner = view.sub(part.offset, part.size)
            except FormatError:
                continue
            yield part, inner

    def _compressed(
        self, reader: Reader, view: View, bare: Content, depth: int
    ) -> Callable[[], Content]:
        outer = depth == 0
        tee = self.tee if outer else None

        def unpack(share: int) -> Future[_Unpacked]:
            budget = _Budget(MEASURE) if outer else self._budget
            keeper = _Keeper(share, blocks=self._blocks and outer, nested=not outer)
            return self._pool.submit(_unpack, reader, view, budget, keeper=keeper, tee=tee)

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
        child = self.begin(result.view, f"{bare.name}/unpacked", -1, bare.expects, depth + 1)
        inner = child()
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


BUNDLED = "bundled ramdisk"
PASSED_OVER = "not looked into"
_RAW_KERNEL = 256 * KIB
_KERNELS = frozenset({"arm64-image", "riscv-image", "elf"})
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


def _unpack(
    reader: Reader, view: View, budget: _Budget, *, keeper: _Keeper, tee: _Tee | None
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
