"""The walk against a running U-Boot: Debian's u-boot-qemu 2023.01 under qemu."""

from __future__ import annotations

import os

import pytest

from tests.boot._agree import on_paper, running, scripts

LONG = os.environ.get("HYPOTHESIS_PROFILE") == "long"

pytestmark = pytest.mark.oracle


def test_scripts_end_as_a_running_uboot_ends_them() -> None:
    first, count = (0, 3000) if LONG else (20_000, 150)
    texts = scripts(first, count)
    wrong, open_ones = [], []
    for text, real in zip(texts, running(texts, first), strict=True):
        mine = on_paper(text)
        if not mine.agrees(real):
            wrong.append((text, mine, real))
        elif mine.open:
            open_ones.append(text)
    assert wrong == []
    # a word may be short for a command of the build: which ones it has is not known
    assert len(open_ones) <= count // 100


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("false && true || setenv a no", "the old parser skips the whole rest"),
        ('setenv a ""; env exists a && setenv b there', "an empty value is one"),
        ("run r1 r2 r4", "the first that fails ends it"),
        ("setexpr a 1 + || setenv b failed", "an operand is missing"),
        ("test 1 == 2 && setenv a true", "test knows no =="),
        ("n9=$a; setenv p9 ${n9}\nsetenv q9 'a\\b'", "backslashes go also in single quotes"),
        ("while false; do true; done || setenv a failed", "a loop ends with its condition"),
        ("if false; then true; fi || setenv a failed", "an if without a branch to take fails"),
        ("for i9 in ; do false; done && setenv a well", "nothing to do succeeds"),
        ('setenv a "open', "a double quote needs no end"),
        ("setenv a 'open", "a single one does"),
        ("then; setenv a never", "a reserved word out of its place"),
        ("setenv a x | setenv b y", "no pipes"),
        ("d=${a} setenv c ${d}", "an assignment in front counts at once"),
        ("setenv a '# no'; setenv b ${a} more # aside", "a value is read again, its # too"),
        ("env delete a zz || setenv b failed", "what is not there cannot be deleted"),
        ("for i9 in 1 2; do j9=$a setenv b $i9; done", "U-Boot forgets the second variable"),
        ("for i9 in 1 2 3; do j9=$a setenv b $i9; done", "and counts below none in the next round"),
    ],
)
def test_what_scripts_seldom_mean(text: str, why: str) -> None:
    (real,) = running([text], 9)
    mine = on_paper(text)
    assert not mine.open, why
    assert mine == real, why
