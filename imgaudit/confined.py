"""Do work in a child with limits on processor time and memory, and live to tell how it ended.

The child is forked: it starts in a millisecond with all that is loaded. It tells what it opens and
what it is about as it goes, so that something can be said of a run that was killed.
"""

from __future__ import annotations

import gc
import marshal
import os
import signal
import sys
import warnings
from collections.abc import Callable
from contextlib import ExitStack, suppress
from dataclasses import field
from typing import Any, NamedTuple, NoReturn

from imgaudit.data import dataclass
from imgaudit.files import Opened

SECONDS = 30
"""Processor seconds that any run may take: a hundred times what a usual one does."""
SECONDS_MORE = 5
STORED = 64 << 20
"""For each so many bytes stored in what is read, so many seconds more."""
MEMORY = 512 << 20
"""Bytes of memory of its own: what is mapped from files, such as libraries, does not count."""

_PIECE = 1 << 20
_STACK = 1 << 20
"""Bytes of stack of a thread: all of it counts as memory, and the usual 8 MiB are never used."""
_NO_MEMORY = 112
"""Exit status of a child that had no memory left even to say so."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Processor seconds and bytes that a run may take; None takes the usual, 0 sets no limit."""

    seconds: int | None = None
    memory: int | None = None

    def time(self, stored: int) -> int:
        """Give the processor seconds for so many bytes stored; 0 where there is no limit."""
        if self.seconds is not None:
            return self.seconds
        return SECONDS + SECONDS_MORE * stored // STORED

    @property
    def bytes(self) -> int:
        """Give the bytes of memory; 0 where there is no limit."""
        return MEMORY if self.memory is None else self.memory


@dataclass(slots=True)
class Ended:
    """How the work ended: with a `result`, or without one and `why`.

    `opened` are the files that were opened, in order; `about` is what was being done, and `trace`
    where in the program, if that is known.
    """

    result: bytes | None = None
    why: str = ""
    opened: list[Opened] = field(default_factory=list)
    about: str = ""
    trace: str = ""


class Line:
    """The child's line to the one who waits: every word is written at once."""

    def __init__(self, writing: int, limits: Limits) -> None:
        self._writing = writing
        self._limits = limits
        self._opened: set[tuple[int, int]] = set()
        self._stored = 0

    def opened(self, file: Opened) -> None:
        """Tell of a file that was opened; what is stored in it earns processor time."""
        if (file.device, file.number) in self._opened:
            return
        self._opened.add((file.device, file.number))
        self._stored += file.stored
        _limit_time(self._limits.time(self._stored))
        self._send("o", tuple(file))

    def about(self, what: str) -> None:
        """Tell what is done from now on."""
        self._send("a", what)

    def end(self, result: bytes | None) -> None:
        """Tell the result; None if memory ran out."""
        self._send("r", result)

    def _send(self, kind: str, what: Any) -> None:
        data = marshal.dumps((kind, what))
        data = len(data).to_bytes(8, "little") + data
        view = memoryview(data)
        while view:
            view = view[os.write(self._writing, view) :]


def can_confine() -> bool:
    """Tell whether this system can limit a child."""
    return hasattr(os, "fork")


def run(work: Callable[[Line], bytes], limits: Limits) -> Ended:
    """Do the work in a child. It must be called before there are threads.

    Raises:
        KeyboardInterrupt: the user wants no more; the child is gone.

    """
    for stream in (sys.stdout, sys.stderr):
        if stream is not None:
            stream.flush()  # else the child would have it as well
    ended = Ended()
    before: dict[int, Any] = {}
    with ExitStack() as stack:
        notes = os.memfd_create("notes") if hasattr(os, "memfd_create") else -1
        if notes >= 0:
            stack.callback(os.close, notes)
        reading, writing = os.pipe()
        stack.callback(os.close, reading)
        theirs = stack.enter_context(ExitStack())
        theirs.callback(os.close, writing)
        # What would end this process waits until it is known whom to end with it.
        masked = signal.pthread_sigmask(signal.SIG_BLOCK, _ends())
        stack.callback(signal.pthread_sigmask, signal.SIG_SETMASK, masked)
        tie = _Tie(*os.pipe(), os.getpid(), masked)
        stack.callback(os.close, tie.writing)
        theirs.callback(os.close, tie.reading)
        with warnings.catch_warnings():
            # Threads of a test runner: the child takes none of their locks.
            warnings.simplefilter("ignore", DeprecationWarning)
            child = os.fork()
        if child == 0:
            os.close(reading)
            _child(work, Line(writing, limits), limits, notes, tie)
        try:
            before = _hand_on(child)
            signal.pthread_sigmask(signal.SIG_SETMASK, masked)
            theirs.close()
            _listen(reading, ended)
            status = os.waitpid(child, 0)[1]
        except BaseException:
            # It may be gone already, and waited for.
            with suppress(ProcessLookupError, ChildProcessError):
                os.kill(child, signal.SIGKILL)
                os.waitpid(child, 0)
            raise
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)
        if ended.result is None:
            ended.why = _why(status, limits, ended)
            ended.trace = _read_back(notes)
    return ended


def _hand_on(child: int) -> dict[int, Any]:
    """Have the signals that end this process end the child first."""

    def end(number: int, frame: object) -> None:
        del frame
        with suppress(ProcessLookupError):
            os.kill(child, signal.SIGKILL)
        signal.signal(number, signal.SIG_DFL)
        os.kill(os.getpid(), number)

    before: dict[int, Any] = {}
    for number in (signal.SIGTERM, signal.SIGHUP):
        try:
            if signal.getsignal(number) is signal.SIG_DFL:
                before[number] = signal.signal(number, end)
        except ValueError:  # not the main thread
            break
    return before


class _Tie(NamedTuple):
    """A pipe through which nothing goes: only the parent, a process, can hold its writing end.

    `masked` are the signals that were blocked before the fork.
    """

    reading: int
    writing: int
    parent: int
    masked: set[int | signal.Signals]

    def hold(self) -> None:
        """Have this process, the child, ended as soon as its parent is, however that ends.

        When the writing end closes, Linux sends SIGIO, which ends who does not handle it
        (pipe(7), fcntl(2), signal(7)). Elsewhere an orphan ends by its own limits.
        """
        import fcntl

        os.close(self.writing)
        signal.signal(signal.SIGIO, signal.SIG_DFL)
        fcntl.fcntl(self.reading, fcntl.F_SETOWN, os.getpid())
        flags = fcntl.fcntl(self.reading, fcntl.F_GETFL)
        fcntl.fcntl(self.reading, fcntl.F_SETFL, flags | os.O_ASYNC)
        if os.getppid() != self.parent:
            os._exit(1)


def _ends() -> tuple[signal.Signals, ...]:
    return (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)


def _listen(reading: int, ended: Ended) -> None:
    """Take the child's words until it hangs up."""
    held = bytearray()
    while piece := os.read(reading, _PIECE):
        held += piece
        while len(held) >= 8 and len(held) >= 8 + (size := int.from_bytes(held[:8], "little")):
            kind, what = marshal.loads(bytes(held[8 : 8 + size]))  # noqa: S302 - our own child's
            del held[: 8 + size]
            if kind == "o":
                ended.opened.append(Opened(*what))
            elif kind == "a":
                ended.about = what
            else:
                ended.result = what


def _why(status: int, limits: Limits, ended: Ended) -> str:
    """Say how a child ended that gave no result."""
    if os.WIFEXITED(status):
        if os.WEXITSTATUS(status) in {0, _NO_MEMORY}:
            return f"it needed more than {limits.bytes >> 20:,} MiB of memory (--limit-memory)"
        return f"it ended with status {os.WEXITSTATUS(status)}"
    number = os.WTERMSIG(status)
    if number == signal.SIGXCPU:
        seconds = limits.time(sum(file.stored for file in ended.opened))
        return f"it needed more than {seconds:,} s of processor time (--limit-time)"
    try:
        name = signal.Signals(number).name
    except ValueError:
        name = str(number)
    killer = ": killed from outside, as for want of memory" if number == signal.SIGKILL else ""
    return f"it was ended by signal {name}{killer}"


def _child(
    work: Callable[[Line], bytes],
    line: Line,
    limits: Limits,
    notes: int,
    tie: _Tie,
) -> NoReturn:
    """Work, tell the result and end, whatever happens; nothing is cleaned up, which takes time."""
    status = _NO_MEMORY
    try:
        # What is there already stays until the end.
        gc.freeze()
        for number in _ends():
            # Where they are ignored, as in a shell's background job, they stay so.
            if signal.getsignal(number) is not signal.SIG_IGN:
                signal.signal(number, signal.SIG_DFL)
        signal.pthread_sigmask(signal.SIG_SETMASK, tie.masked)
        tie.hold()
        if notes >= 0:
            import faulthandler

            faulthandler.enable(notes)
            faulthandler.register(signal.SIGXCPU, notes, chain=True)
        # What has no room for OpenSSL gets a traceback for each digest that it lacks.
        import hashlib  # noqa: F401

        _limit(limits)
        result: bytes | None = None
        try:
            result = work(line)
        except MemoryError:
            result = None
        line.end(result)
        status = 0
    finally:
        os._exit(status)


def _limit(limits: Limits) -> None:
    import resource
    import threading

    resource.setrlimit(resource.RLIMIT_CORE, (0, resource.getrlimit(resource.RLIMIT_CORE)[1]))
    if limits.bytes:
        threading.stack_size(_STACK)
        # What is mapped from files does not count: libraries, and images that are read in place.
        hard = resource.getrlimit(resource.RLIMIT_DATA)[1]
        most = _data() + limits.bytes
        most = most if hard == resource.RLIM_INFINITY else min(most, hard)
        resource.setrlimit(resource.RLIMIT_DATA, (most, hard))
    _limit_time(limits.time(0))


def _data() -> int:
    """Give the bytes that the child has from the start, where the system tells."""
    try:
        with open("/proc/self/statm", "rb") as file:
            return int(file.read().split()[5]) * os.sysconf("SC_PAGE_SIZE")
    except (OSError, ValueError, IndexError):
        return 0


def _limit_time(seconds: int) -> None:
    import resource

    if seconds:
        hard = resource.getrlimit(resource.RLIMIT_CPU)[1]
        most = seconds if hard == resource.RLIM_INFINITY else min(seconds, hard)
        resource.setrlimit(resource.RLIMIT_CPU, (most, hard))


def _read_back(notes: int) -> str:
    """Give what the fault handler wrote."""
    if notes < 0:
        return ""
    return os.pread(notes, 1 << 16, 0).decode("utf-8", "replace")
