"""Two threads make the calls: those that are wanted soon first, each once, none after the end."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from concurrent.futures import CancelledError

import pytest

from imgaudit.contents.workers import THREADS, Workers


@pytest.fixture
def workers() -> Iterator[Workers]:
    made = Workers()
    yield made
    made.close()


def busy(workers: Workers) -> threading.Event:
    """Keep all threads busy until the event is set."""
    go, begun = threading.Event(), threading.Barrier(THREADS + 1)

    def hold() -> None:
        begun.wait()
        go.wait()

    for _ in range(THREADS):
        workers.soon(hold)
    begun.wait()
    return go


def test_a_call_gets_what_it_is_given_and_gives_what_it_makes(workers: Workers) -> None:
    assert workers.soon(divmod, 7, 2).result() == (3, 1)
    assert workers.later(int, "11", base=2).result() == 3


def test_what_a_call_raises_comes_to_the_one_who_waits(workers: Workers) -> None:
    with pytest.raises(ZeroDivisionError):
        workers.later(divmod, 1, 0).result()
    assert workers.later(divmod, 1, 1).result() == (1, 0), "and the thread lives"


def test_soon_goes_before_later_and_else_the_first_goes_first(workers: Workers) -> None:
    made: list[str] = []
    go = busy(workers)
    lock = threading.Lock()
    # With one thread held back, the other makes all calls in their order.
    lock.acquire()
    workers.soon(lock.acquire)
    waiting = [workers.later(made.append, "a"), workers.later(made.append, "b")]
    waiting += [workers.soon(made.append, "c"), workers.soon(made.append, "d")]
    go.set()
    for one in waiting:
        one.result()
    lock.release()
    assert made == ["c", "d", "a", "b"]


def test_closing_waits_for_what_runs_and_cancels_the_rest() -> None:
    workers = Workers()
    go = busy(workers)
    running = threading.Event()
    rest = [workers.soon(running.set), workers.later(running.set)]
    closing = threading.Thread(target=workers.close)
    closing.start()
    for one in rest:
        with pytest.raises(CancelledError):
            one.result()
    closing.join(0.01)
    assert closing.is_alive(), "two calls still run"
    go.set()
    closing.join()
    assert not running.is_set()


def test_a_call_that_is_cancelled_is_not_made(workers: Workers) -> None:
    go = busy(workers)
    made: list[int] = []
    one = workers.later(made.append, 1)
    assert one.cancel()
    go.set()
    assert workers.later(len, made).result() == 0
