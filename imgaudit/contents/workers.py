"""Two threads for what lets others run meanwhile: decompressing, searching, digesting."""

from __future__ import annotations

import itertools
import queue
import threading
from collections.abc import Callable
from concurrent.futures import Future
from functools import partial
from typing import Any, ParamSpec, TypeVar

THREADS = 2

_Given = ParamSpec("_Given")
_Made = TypeVar("_Made")
_SOON, _LATER, _END = range(3)


class Workers:
    """Makes calls in threads; it must be closed.

    Calls that are made `soon` go before all that are made `later`: a stream takes longest, and no
    two threads can share it; digests fill the time that is left.
    """

    def __init__(self) -> None:
        self._waiting: queue.PriorityQueue[tuple[int, int, Future[Any], Callable[[], Any]]]
        self._waiting = queue.PriorityQueue()
        self._numbers = itertools.count()
        self._threads = [threading.Thread(target=self._work, daemon=True) for _ in range(THREADS)]
        for thread in self._threads:
            thread.start()

    def soon(
        self, call: Callable[_Given, _Made], *given: _Given.args, **named: _Given.kwargs
    ) -> Future[_Made]:
        """Have a call made; the future has what it returns or raises."""
        return self._put(_SOON, partial(call, *given, **named))

    def later(
        self, call: Callable[_Given, _Made], *given: _Given.args, **named: _Given.kwargs
    ) -> Future[_Made]:
        """Have a call made when none is to be made soon; see `soon`."""
        return self._put(_LATER, partial(call, *given, **named))

    def close(self) -> None:
        """Cancel what has not begun, and wait for what has."""
        with self._waiting.mutex:
            left = [future for _, _, future, _ in self._waiting.queue]
        for future in left:
            future.cancel()
        for _ in self._threads:
            self._put(_END, lambda: None)
        for thread in self._threads:
            thread.join()

    def _put(self, rank: int, call: Callable[[], _Made]) -> Future[_Made]:
        future: Future[_Made] = Future()
        self._waiting.put((rank, next(self._numbers), future, call))
        return future

    def _work(self) -> None:
        rank = _SOON
        while rank != _END:
            rank, _, future, call = self._waiting.get()
            if future.set_running_or_notify_cancel():
                try:
                    future.set_result(call())
                except BaseException as problem:  # noqa: BLE001 - the one who waits gets it
                    future.set_exception(problem)
            # What a call had is free before the next one comes.
            del future, call
