"""Each target takes mutated seeds, and every input that ever broke something, and stays calm."""

from __future__ import annotations

import random
import struct
import zlib

import pytest

from imgaudit.formats import identify
from imgaudit.formats.view import View
from tests.fuzz.__main__ import CORPUS
from tests.fuzz.mutate import mended, mutated
from tests.fuzz.seeds import seeds
from tests.fuzz.targets import TARGETS, run

SEEDS = seeds()
KEPT = sorted(path for path in CORPUS.iterdir() if path.suffix != ".md")


@pytest.mark.parametrize("target", TARGETS)
def test_mutants_give_answers_or_our_own_errors(target: str) -> None:
    dice = random.Random(f"seed {target}")
    pool = list(SEEDS.values())
    for data in pool:
        run(target, data)
    for _ in range(8 if target in {"audit", "inspect"} else 200):
        run(target, mutated(dice.choice(pool), dice, pool))


def test_what_broke_something_once_does_no_more() -> None:
    for path in KEPT:
        run(path.name.rpartition("-")[0], path.read_bytes())


@pytest.mark.parametrize("name", ["fit", "tree", "uimage", "gpt", "fat", "gzip", "xz", "bzip2"])
def test_a_seed_is_what_it_says(name: str) -> None:
    found = identify(View.of(SEEDS[name]))
    assert found
    run(f"reader-{found[0][1].name}", SEEDS[name])


def test_sums_are_mended() -> None:
    for name in ("uimage", "gpt", "env", "ubi"):
        assert mended(SEEDS[name]) == SEEDS[name], name
    changed = bytearray(SEEDS["uimage"])
    changed[40] ^= 1
    again = mended(bytes(changed))
    bare = bytearray(again[:64])
    bare[4:8] = bytes(4)
    assert struct.unpack_from(">I", again, 4)[0] == zlib.crc32(bare)
