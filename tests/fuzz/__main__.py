"""`python -m tests.fuzz [COUNT] [SEED] [TARGET…]`: run mutants; keep what breaks something.

Where atheris is installed, `python -m tests.fuzz guided COUNT SEED TARGET` lets it choose by what
code an input reaches.
"""

from __future__ import annotations

import gc
import hashlib
import importlib
import inspect
import lzma
import random
import resource
import signal
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

from tests.fuzz.mutate import mutated
from tests.fuzz.seeds import TEXTS, examples, seeds
from tests.fuzz.targets import LAYOUT, TARGETS, run

CORPUS = Path(__file__).parent / "corpus"
SLOW = 2.0
_HANGS = 20
_MEMORY = 512 << 20
_LEAST = 1e-3  # seconds that a run counts for at least, or the cheap ones would be nearly all
_TRIES = 300  # to make a kept input smaller
_SECONDS = 30  # for that
WHOLE = {"build": 10.0, "audit": 3.0, "inspect": 3.0, "walk": 3.0, "draft": 3.0, "readback": 2.0}
"""Whole runs are where one fault meets another: they get more than the others' share of time."""


class Start(NamedTuple):
    """Where mutants begin: what they keep in front, and what is changed."""

    front: bytes
    body: bytes


def starts() -> dict[str, list[Start]]:
    """Give where the mutants of each target begin."""
    found = seeds()
    every = [data for some in found.values() for data in some]
    small = [Start(b"", data) for data in every if len(data) <= 2 << 20]
    given = dict.fromkeys(("inspect", "audit"), small)
    given |= {f"reader-{name}": [Start(b"", data) for data in some] for name, some in found.items()}
    texts = [Start(b"", data) for data in (*TEXTS.values(), LAYOUT)]
    given |= dict.fromkeys(("maps", "shell", "sh", "walk", "manifest"), texts)
    given["layout"] = [Start(b"", example.layout.encode()) for example in examples().values()]
    given["binman"] = given["reader-fdt"]
    builds = [
        Start(f"{name}/{file}\n".encode(), make())
        for name, example in examples().items()
        for file, make in {"": example.layout.encode, **example.files}.items()
    ]
    given |= {"build": builds, "draft": [start for start in builds if b"/\n" not in start.front]}
    manifests = [
        Start(b"", example.files[example.manifest]())
        for example in examples().values()
        if example.manifest is not None
    ]
    given["manifest"] = manifests
    given["readback"] = manifests + small
    return {name: given.get(name) or small for name in TARGETS}


def main(count: int = 10_000, seed: int = 1, *only: str) -> int:
    """Run so many mutants; time is shared out between the targets."""
    begins = {name: some for name, some in starts().items() if name in (only or TARGETS)}
    pool = list(dict.fromkeys(start.body for some in begins.values() for start in some))
    spent = dict.fromkeys(begins, 0.0)
    runs: Counter[str] = Counter()
    slowest, faults, began = (0.0, ""), 0, time.process_time()
    _limit()
    for number in range(count):
        dice = random.Random(f"{seed} {number}")
        target = min(spent, key=lambda name: spent[name])
        start = dice.choice(begins[target])
        data = start.front + mutated(start.body, dice, pool)
        fault, took = attempt(target, data)
        spent[target] += (took + _LEAST) / WHOLE.get(target, 1.0)
        runs[target] += 1
        slowest = max(slowest, (took, target))
        if fault:
            faults += 1
            keep(target, data, fault)
        if number % 5_000 == 4_999 or number + 1 == count:
            peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss >> 10
            whole = sum(runs[name] for name in WHOLE)
            sys.stdout.write(
                f"{number + 1:,} inputs ({whole:,} of them whole runs), {faults} faults,"
                f" {time.process_time() - began:,.0f} s of processor time, slowest"
                f" {slowest[0]:.2f} s ({slowest[1]}), peak {peak} MiB with all seeds\n"
            )
            sys.stdout.flush()
    return 1 if faults else 0


def _limit() -> None:
    """Let nothing take more memory than an audit may, over what the seeds take."""
    with open("/proc/self/statm", "rb") as file:
        held = int(file.read().split()[5]) * resource.getpagesize()
    resource.setrlimit(resource.RLIMIT_DATA, (held + _MEMORY, resource.RLIM_INFINITY))


def attempt(target: str, data: bytes) -> tuple[str, float]:
    """Run an input; give what is wrong in a line, "" if nothing, and the processor seconds."""

    def hangs(number: int, frame: object) -> None:
        del number, frame
        raise TimeoutError(f"more than {_HANGS} s")

    signal.signal(signal.SIGPROF, hangs)
    signal.setitimer(signal.ITIMER_PROF, _HANGS)
    before = time.process_time()
    fault = ""
    try:
        run(target, data)
    except Exception as problem:  # noqa: BLE001 - each is a fault to be kept
        last = traceback.extract_tb(problem.__traceback__)[-1]
        fault = f"{type(problem).__name__} {Path(last.filename).name}:{last.lineno}"
        if not isinstance(problem, TimeoutError):
            traceback.print_exc(limit=-4)
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
    took = time.process_time() - before
    return fault or ("slow" if took > SLOW else ""), took


def keep(target: str, data: bytes, fault: str) -> None:
    """Keep an input in the corpus, as small as it can be made with the same fault."""
    data = smaller(data, lambda less: attempt(target, less)[0] == fault)
    name = f"{target}-{hashlib.sha256(data).hexdigest()[:12]}.xz"
    (CORPUS / name).write_bytes(lzma.compress(data))
    sys.stdout.write(f"kept {name}: {fault}, {len(data):,} bytes\n")


def smaller(data: bytes, holds: Callable[[bytes], bool]) -> bytes:
    """Leave out, then zero, ever smaller pieces of an input as long as something holds of it."""
    left, end = _TRIES, time.process_time() + _SECONDS
    for fill in (False, True):
        size = len(data) // 2
        while size >= 16 and left:
            at = 0
            while at < len(data) and left and time.process_time() < end:
                piece = data[at : at + size]
                less = data[:at] + bytes(len(piece)) * fill + data[at + size :]
                left -= less != data
                if less != data and holds(less):
                    data = less
                    at += size * fill
                else:
                    at += size
            size //= 2
    return data


def guided(count: int, seed: int, target: str) -> None:
    """Have atheris look for inputs of one target that reach new code; it ends the process."""
    atheris: Any = importlib.import_module("atheris")
    begins = starts()[target]
    pool = [start.body for start in begins]
    fronts = {start.front for start in begins}

    def mutate(data: bytes, largest: int, number: int) -> bytes:
        dice = random.Random(number)
        front = data[: data.find(b"\n") + 1] if data[: data.find(b"\n") + 1] in fronts else b""
        if dice.random() < 0.5:
            return front + bytes(atheris.Mutate(data[len(front) :], largest - len(front)))
        return front + mutated(data[len(front) :], dice, pool)[: largest - len(front)]

    def one(data: bytes) -> None:
        fault, _ = attempt(target, data)
        if fault:
            keep(target, data, fault)

    with tempfile.TemporaryDirectory() as place:
        for number, start in enumerate(begins):
            Path(place, f"{number}").write_bytes(start.front + start.body)
        for item in gc.get_objects():
            if inspect.isfunction(item) and str(item.__module__).startswith("imgaudit."):
                atheris.instrument_func(item)
        words = [sys.argv[0], f"-runs={count}", f"-seed={seed}", "-max_len=1048576", "-timeout=60"]
        atheris.Setup([*words, place], one, custom_mutator=mutate)
        atheris.Fuzz()


if __name__ == "__main__":
    if sys.argv[1:2] == ["guided"]:
        guided(int(sys.argv[2]), int(sys.argv[3]), sys.argv[4])
    given = (*sys.argv[1:3], *("10000", "1")[len(sys.argv) - 1 :])
    sys.exit(main(int(given[0]), int(given[1]), *sys.argv[3:]))
