"""Each target takes mutated seeds, and every input that ever broke something, and stays calm."""

from __future__ import annotations

import contextlib
import lzma
import random
from pathlib import Path

import pytest

from imgaudit.errors import FormatError
from imgaudit.formats import identify, readers
from imgaudit.formats.view import View
from tests.fuzz.__main__ import CORPUS, WHOLE, attempt, smaller, starts
from tests.fuzz.mutate import mended, mutated
from tests.fuzz.seeds import seeds
from tests.fuzz.targets import TARGETS, run

STARTS = starts()
POOL = [data for some in seeds().values() for data in some]
KEPT = sorted(CORPUS.glob("*.xz"))
LARGE = 2 << 20


@pytest.mark.parametrize("target", TARGETS)
def test_mutants_give_answers_or_our_own_errors(target: str) -> None:
    dice = random.Random(f"seed {target}")
    for _ in range(8 if target in WHOLE else 100):
        start = dice.choice(STARTS[target])
        if len(start.body) <= LARGE:
            run(target, start.front + mutated(start.body, dice, POOL))


@pytest.mark.parametrize("path", KEPT, ids=lambda path: path.name)
def test_what_broke_something_once_does_no_more(path: Path) -> None:
    fault, _ = attempt(path.name.rpartition("-")[0], lzma.decompress(path.read_bytes()))
    # On a busy machine what took nearly 2 s takes more; what hangs ends as an error of its own.
    assert fault in {"", "slow"}


def test_every_reader_has_seeds_of_its_own() -> None:
    assert set(readers()) <= set(seeds())
    for name, some in seeds().items():
        for data in some if name else ():
            assert name in [reader.name for _, reader in identify(View.of(data))]


@pytest.mark.parametrize(
    "name", ["cpio", "erofs", "fit", "gpt", "jffs2", "luks", "uboot-env", "ubi", "ubifs", "uimage"]
)
def test_sums_are_mended(name: str) -> None:
    """Of changed bytes that only a sum protects, nothing is left to tell, nearly always."""
    dice, wrong, mends = random.Random(name), 0, 0
    for data in seeds()[name]:
        for _ in range(20):
            changed = bytearray(data)
            changed[dice.randrange(min(len(data), 4096))] ^= 1
            with contextlib.suppress(FormatError):
                if not _wrong(name, bytes(changed)):
                    continue
                wrong += 1
                mends += not _wrong(name, mended(bytes(changed)))
    assert mends
    assert mends >= 0.8 * wrong


def _wrong(name: str, data: bytes) -> list[str]:
    facts = readers()[name].read(View.of(data))
    return [item.name for item in facts.checksums if item.matches is False]


def test_a_kept_input_is_small() -> None:
    data = bytes(1000) + b"tide" + bytes(5000)
    assert len(smaller(data, lambda less: b"tide" in less)) < 64


def test_a_fault_is_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(data: bytes) -> None:
        raise KeyError(data)

    monkeypatch.setitem(TARGETS, "broken", broken)
    assert attempt("broken", b"x")[0].startswith("KeyError test_fuzz.py:")
