"""Digests of blocks of 64 KiB, taken from an image that was read or from a view."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.contents.chip_digests import (
    SealedDigests,
    block_digests,
    read_blocks,
    stored_blocks,
)
from imgaudit.contents.comparison import Comparison, Digests
from imgaudit.contents.reader import Loader
from imgaudit.contents.tree import BLOCK
from imgaudit.formats.view import CHUNK, MemorySource, View
from imgaudit.model import Region, Where, Writer
from imgaudit.units import KIB, Span

SIZE = 2 * CHUNK + 3 * BLOCK
DIGEST = hashlib.sha256(b"\xff" * BLOCK).digest()


class Holed(MemorySource):
    """Bytes of which only some are stored; all else is zeros."""

    def __init__(self, data: bytes, spans: tuple[Span, ...]) -> None:
        super().__init__(data)
        self.spans = spans

    def data(self) -> Iterator[Span]:
        return iter(self.spans)


@given(
    st.integers(0, SIZE - 1),
    st.integers(0, SIZE),
    st.lists(st.integers(0, SIZE - 1), max_size=5),
)
def test_only_blocks_that_are_not_zeros_are_digested(at: int, size: int, places: list[int]) -> None:
    data = bytearray(SIZE)
    for place in places:
        data[place] = 1
    size = min(size, SIZE - at)
    spans = tuple(Span(place, place + 1) for place in sorted(set(places)))
    wanted = {
        number: hashlib.sha256(block).digest()
        for number in range(-(-size // BLOCK))
        if any(block := data[at + number * BLOCK : min(at + (number + 1) * BLOCK, at + size)])
    }
    for source in (MemorySource(bytes(data)), Holed(bytes(data), spans)):
        assert block_digests(View(source), at, size) == wanted


@pytest.mark.parametrize(
    ("at", "size", "why"),
    [
        (4096, BLOCK, {0: DIGEST}),
        (4095, BLOCK, "the image starts at 0x1000 of the chip"),
        (4096, 2 * BLOCK, {0: DIGEST, 1: DIGEST}),
        (4096, 2 * BLOCK + 1, "the image ends at 0x21000"),
    ],
)
def test_a_stretch_outside_a_dump_is_not_compared(
    at: int, size: int, why: str | dict[int, bytes]
) -> None:
    assert read_blocks(View.of(b"\xff" * 2 * BLOCK), 4096)(at, size) == why


@pytest.mark.parametrize(
    ("at", "size", "why"),
    [
        (BLOCK, BLOCK, {0: DIGEST}),
        (0, BLOCK, {}),
        (1, BLOCK, "the region does not start on 64 KiB"),
        (BLOCK, 2 * BLOCK, {0: DIGEST, 1: DIGEST}),
        (BLOCK, 2 * BLOCK + 1, "the image ends at 0x30000"),
    ],
)
def test_digests_of_an_image_serve_its_regions(
    at: int, size: int, why: str | dict[int, bytes]
) -> None:
    data = bytes(BLOCK) + b"\xff" * 2 * BLOCK
    with Loader() as loader:
        content = loader.memory("chip.img", data, blocks=True).content
        without = loader.memory("chip.img", data).content
    assert stored_blocks(content)(at, size) == why
    assert stored_blocks(without)(at, size) == "no block digests were taken"


HERE = Region(
    where=Where("f", 1, 1),
    name="boot",
    labels=("boot",),
    area="emmc",
    at=4 * KIB,
    size=8 * KIB,
    holds="raw",
    writer=Writer.RELEASE,
    file_at=KIB,
)


def sealed_as(size: int, sha256: str | None) -> Digests:
    return Digests(size=size, sha256=sha256, data_sha256=None)


DATA = b"tide" * 1792  # 7 KiB: all that the region has behind file-at


def held(dump: bytes, *sealed: tuple[Region, Digests]) -> Comparison:
    """Hold the first of some regions against what a manifest seals of them all."""
    return SealedDigests(View.of(dump), sealed, nor=False).compare()[0]


@pytest.mark.parametrize(
    ("end", "why"), [(12 * KIB, ""), (16 * KIB, ""), (12 * KIB - 1, "the image ends at 0x2fff")]
)
def test_what_a_manifest_seals_lies_in_the_dump(end: int, why: str) -> None:
    dump = (bytes(5 * KIB) + DATA + bytes(4 * KIB))[:end]
    found = held(dump, (HERE, sealed_as(7 * KIB, hashlib.sha256(DATA).hexdigest())))
    assert (found.why, found.cut, found.differing) == (why, bool(why), 0)
    assert found.size == (0 if why else 7 * KIB)


def test_a_manifest_without_a_digest_compares_nothing() -> None:
    found = held(bytes(16 * KIB), (HERE, sealed_as(1, None)))
    assert (found.why, found.size) == ("the manifest has no digest of what lands here", 0)


@pytest.mark.parametrize(
    ("size", "right", "named"),
    [
        (7 * KIB, True, "other"),
        (7 * KIB, False, None),
        (7 * KIB - 1, True, None),
        (7 * KIB + 1, True, None),
    ],
)
def test_another_region_s_content_is_named_by_its_digest(
    size: int, right: bool, named: str | None
) -> None:
    """It counts where all of it fits the region and the dump."""
    digest = hashlib.sha256(DATA).hexdigest() if right else None
    first, other = (HERE, sealed_as(KIB, "00" * 32)), replace(HERE, name="other")
    found = held(bytes(5 * KIB) + DATA + bytes(KIB), first, (other, sealed_as(size, digest)))
    assert (found.differing, found.holds) == (KIB, named)
