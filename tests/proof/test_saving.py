"""fw_setenv cut at each of its erases and writes: the copy that counts is the one that we say."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pytest

from imgaudit.errors import FormatError
from imgaudit.formats import uboot_env
from imgaudit.formats.view import View
from imgaudit.proof.saving import Counts, Scheme, phases
from imgaudit.writers.env import environment
from tests.proof._cut_power import BLOCK, SIZE, Storage, library

pytestmark = pytest.mark.oracle

_BYTES = (0, 1, 4, 5, 6, 12, 60, SIZE // 2, SIZE - 1, SIZE, BLOCK - 1, BLOCK)
_OLD = {"slot": "a", "tide": "low" * 20}


@pytest.fixture(scope="module")
def cutting(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return library(tmp_path_factory.mktemp("cut"))


def _copy(data: bytes) -> uboot_env.UbootEnv:
    """Read one copy; what is none counts as an erased one."""
    try:
        return uboot_env.read(View.of(data))
    except FormatError:
        return uboot_env.read(View.of(b"\xff" * SIZE))


def _ours(storage: Storage) -> str | None:
    """Give the variable as U-Boot would have it, by our readers of one copy and of the pair."""
    found = [_copy(path.read_bytes()[:SIZE]) for path in storage.files]
    taken = 1 if found[0].valid else None
    if len(found) > 1:
        taken = uboot_env.active(found[0], found[1])
    return None if taken is None else found[taken - 1].get("slot")


@dataclass(frozen=True)
class Case:
    """The flags of the copies, what they are stored on, and which law is expected to hold."""

    flags: tuple[int | None, ...]
    medium: str
    scheme: Scheme
    current: int = 0


@pytest.mark.parametrize(
    "case",
    [
        Case((None,), "file", Scheme.SINGLE),
        Case((None,), "nor", Scheme.SINGLE),
        Case((1, 0), "file", Scheme.SERIAL),
        Case((4, 5), "file", Scheme.SERIAL, 1),
        Case((255, 0), "file", Scheme.SERIAL, 1),
        Case((255, 254), "file", Scheme.SERIAL),
        Case((1, 0), "nor", Scheme.FLAG),
        Case((0, 1), "nor", Scheme.FLAG, 1),
        Case((1, 1), "nor", Scheme.FLAG),
        Case((7, 6), "nand", Scheme.SERIAL),
        Case((6, 7), "nand", Scheme.SERIAL, 1),
    ],
    ids=str,
)
def test_the_copy_that_counts_after_a_cut(cutting: Path, tmp_path: Path, case: Case) -> None:
    chips = case.medium != "file"
    storage = Storage(
        folder=tmp_path,
        library=cutting,
        copies=len(case.flags),
        chips=chips,
        nand=case.medium == "nand",
    )
    # what is not current is older still
    copies = [
        environment(_OLD if number == case.current else {**_OLD, "slot": "older"}, SIZE, flag)
        for number, flag in enumerate(case.flags)
    ]
    law = phases(case.scheme, case.current, erased=chips)

    def cut(at: int, count: int) -> list[bytes]:
        storage.fill(copies)
        done = storage.run("fw_setenv", "slot", "b", at=at, bytes_done=count)
        assert done.returncode == (9 if at < len(law) else 0), done.stderr
        return [path.read_bytes() for path in storage.files]

    said = {Counts.OLD: "a", Counts.NEW: "b", Counts.NONE: None}
    before = cut(0, 0)
    for number, phase in enumerate(law):
        behind = law[number + 1].counts if number + 1 < len(law) else Counts.NEW
        ended = cut(number + 1, 0)
        for count in _BYTES:
            left = cut(number, count)
            # a cut that leaves what was there before, or what comes next, is no cut within
            counts = Counts.OLD if left == before else behind if left == ended else phase.counts
            assert storage.value("slot") == said[counts], (phase, count)
            assert _ours(storage) == said[counts], (phase, count)
