"""Digests of blocks of 64 KiB, taken from an image that was read or from a view."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.contents.chip_digests import (
    against_digests,
    block_digests,
    read_blocks,
    stored_blocks,
)
from imgaudit.contents.comparison import Digests
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


@pytest.mark.parametrize(
    ("size", "end", "why"),
    [
        (7 * KIB, 12 * KIB, ""),
        (7 * KIB + 1, 16 * KIB, "what the manifest seals does not fit the region"),
        (7 * KIB, 12 * KIB - 1, "the image ends at 0x2fff"),
    ],
)
def test_what_a_manifest_seals_fits_its_region_and_the_dump(size: int, end: int, why: str) -> None:
    dump = View.of((bytes(5 * KIB) + DATA + bytes(4 * KIB))[:end])
    sealed = sealed_as(size, hashlib.sha256(DATA).hexdigest())
    found = against_digests(dump, HERE, [(HERE, sealed)], nor=False)
    assert (found.why, found.cut, found.differing) == (why, why.startswith("the image"), 0)
    assert found.size == (0 if why else size)


def test_a_manifest_without_a_digest_compares_nothing() -> None:
    found = against_digests(View.of(bytes(16 * KIB)), HERE, [(HERE, sealed_as(1, None))], nor=False)
    assert (found.why, found.size) == ("the manifest has no digest of what lands here", 0)


def test_an_exchanged_region_is_named_by_its_digest() -> None:
    """Another region's content counts where it fits the region and the dump, and has a digest."""
    dump = View.of(bytes(5 * KIB) + DATA)
    good = hashlib.sha256(DATA).hexdigest()

    def holds(size: int, sha256: str | None) -> str | None:
        other = replace(HERE, name="other")
        sealed = [(HERE, sealed_as(KIB, "00" * 32)), (other, sealed_as(size, sha256))]
        found = against_digests(dump, HERE, sealed, nor=False)
        assert found.differing == KIB
        return found.holds

    assert holds(7 * KIB, good) == "other"
    assert holds(7 * KIB, None) is None
    assert holds(7 * KIB - 1, good) is None
    assert holds(7 * KIB + 1, good) is None
