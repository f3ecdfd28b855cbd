from __future__ import annotations

import struct
import subprocess
import zlib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.errors import FormatError
from imgaudit.formats import android_sparse
from imgaudit.formats.facts import Match
from imgaudit.formats.view import View
from imgaudit.units import Span

RAW, FILL, DONT_CARE, CRC32 = 0xCAC1, 0xCAC2, 0xCAC3, 0xCAC4
BLOCK = 16


def chunk(kind: int, blocks: int, data: bytes = b"", *, header: int = 12) -> bytes:
    stored = struct.pack("<HHII", kind, 0, blocks, header + len(data)).ljust(header, b"\0")
    return stored + data


def image(
    chunks: list[bytes],
    blocks: int,
    *,
    count: int | None = None,
    checksum: int = 0,
    header: int = 28,
    chunk_header: int = 12,
    major: int = 1,
    block: int = BLOCK,
) -> bytes:
    count = len(chunks) if count is None else count
    fields = (0xED26FF3A, major, 0, header, chunk_header, block, blocks, count, checksum)
    return struct.pack("<IHHHHIIII", *fields).ljust(header, b"\0") + b"".join(chunks)


EXPANDED = bytes(range(32)) + b"\1\2\3\4" * 12 + bytes(16) + bytes(16) + b"y" * 16
CHUNKS = [
    chunk(RAW, 2, bytes(range(32))),
    chunk(FILL, 3, b"\1\2\3\4"),
    chunk(DONT_CARE, 1),
    chunk(CRC32, 0, struct.pack("<I", zlib.crc32(EXPANDED[:96]))),
    chunk(FILL, 1, bytes(4)),
    chunk(RAW, 1, b"y" * 16),
]
GOOD = image(CHUNKS, 8, checksum=zlib.crc32(EXPANDED))


def test_chunks_are_read_with_their_places() -> None:
    facts = android_sparse.read(View.of(GOOD))
    assert [(c.type, c.start, c.size) for c in facts.chunks] == [
        ("raw", 0, 32),
        ("fill", 32, 48),
        ("dont-care", 80, 16),
        ("crc32", 96, 0),
        ("fill", 96, 16),
        ("raw", 112, 16),
    ]
    assert [(c.offset, c.data_offset) for c in facts.chunks[:2]] == [(28, 40), (72, 84)]
    assert (facts.length, facts.expanded_size, facts.chunk_size_total) == (len(GOOD), 128, 128)
    assert facts.summary() == "6 chunks, 128 B expanded"
    assert android_sparse.match(View.of(GOOD)) is Match.GOOD
    assert GOOD[facts.offsets["blk_sz"]] == facts.blk_sz == BLOCK


def test_the_image_inside_is_read_lazily() -> None:
    view = View.of(GOOD)
    inside = android_sparse.read(view).expanded(view)
    assert inside.size == len(EXPANDED)
    assert inside.bytes(0, inside.size) == EXPANDED
    assert list(inside.source.data()) == [Span(0, 32), Span(32, 80), Span(112, 128)]


@given(st.integers(0, 128), st.integers(0, 128))
def test_any_range_of_the_image_inside(offset: int, length: int) -> None:
    view = View.of(GOOD)
    inside = android_sparse.read(view).expanded(view)
    assert inside.upto(offset, length) == EXPANDED[offset : offset + length]


def test_checksums_are_recomputed() -> None:
    facts = android_sparse.read(View.of(GOOD))
    assert [(c.name, c.matches, c.offset) for c in facts.checksums] == [
        ("image", True, 24),
        ("image so far", True, 112),
    ]
    bad = bytearray(GOOD)
    bad[45] ^= 1
    assert [c.matches for c in android_sparse.read(View.of(bad)).checksums] == [False, False]
    bad[45] ^= 1
    bad[-1] ^= 1
    assert [c.matches for c in android_sparse.read(View.of(bad)).checksums] == [False, True]


def test_blocks_that_no_chunk_describes_are_zero() -> None:
    data = image(CHUNKS[:1], 4, checksum=zlib.crc32(EXPANDED[:32] + bytes(32)))
    facts = android_sparse.read(View.of(data))
    assert (facts.expanded_size, facts.chunk_size_total) == (64, 32)
    assert facts.checksums[0].matches
    assert facts.expanded(View.of(data)).bytes(0, 64) == EXPANDED[:32] + bytes(32)


def test_chunks_past_the_end_are_cut() -> None:
    data = image(CHUNKS[:1], 1)
    facts = android_sparse.read(View.of(data))
    assert (facts.expanded_size, facts.chunk_size_total) == (16, 32)
    assert facts.expanded(View.of(data)).bytes(0, 16) == EXPANDED[:16]
    assert list(facts.expanded(View.of(data)).source.data()) == [Span(0, 16)]


def test_longer_headers_are_skipped() -> None:
    data = image([chunk(FILL, 1, b"abcd", header=20)], 1, header=40, chunk_header=20)
    assert android_sparse.read(View.of(data)).expanded(View.of(data)).bytes(2, 6) == b"cdabcd"


def test_a_huge_hole_costs_nothing() -> None:
    data = image(
        [chunk(DONT_CARE, 0xFFFFFFFE), chunk(CRC32, 0, bytes(4))], 0xFFFFFFFE, block=1 << 31
    )
    facts = android_sparse.read(View.of(data))
    assert facts.expanded_size == 0xFFFFFFFE << 31
    assert facts.checksums[0].matches is False
    assert facts.expanded(View.of(data)).bytes(1 << 60, 4) == bytes(4)


def test_too_many_chunks_are_not_summed() -> None:
    many = [chunk(DONT_CARE, 1)] * (android_sparse.MAX_SUMMED_CHUNKS + 1)
    facts = android_sparse.read(View.of(image(many, len(many), checksum=1)))
    assert facts.checksums[0].matches is None
    assert "more than 2,048" in facts.checksums[0].why


@pytest.mark.parametrize(
    ("data", "offset", "why"),
    [
        (bytes(28), 0, "magic"),
        (image([], 0, major=2), 4, "version"),
        (image([], 0, header=27), 8, "too short"),
        (image([], 0, chunk_header=11), 8, "too short"),
        (image([], 0, block=6), 12, "multiple of 4"),
        (image([], 0, block=0), 12, "multiple of 4"),
        (image([], 0, count=1 << 20), 20, "more than"),
        (image([], 0, count=1), 28, "needs"),
        (image([chunk(0xCAC5, 0)], 0), 28, "unknown"),
        (image([chunk(RAW, 2, bytes(16))], 2), 36, "should have"),
        (image([chunk(FILL, 1, bytes(8))], 1), 36, "should have"),
        (image([chunk(DONT_CARE, 1, bytes(4))], 1), 36, "should have"),
        (image([chunk(RAW, 2, bytes(32))], 2)[:-1], 28, "past the end"),
    ],
)
def test_other_bytes_are_refused(data: bytes, offset: int, why: str) -> None:
    with pytest.raises(FormatError, match=why) as caught:
        android_sparse.read(View.of(data))
    assert caught.value.offset == offset


def test_match() -> None:
    assert android_sparse.match(View.of(b"")) is Match.NO
    assert android_sparse.match(View.of(bytes(28))) is Match.NO
    assert android_sparse.match(View.of(image([], 0, major=2))) is Match.WEAK


@given(st.binary(max_size=200) | st.binary(max_size=200).map(lambda data: GOOD[:28] + data))
def test_any_bytes_give_facts_or_a_format_error(data: bytes) -> None:
    view = View.of(data)
    android_sparse.match(view)
    try:
        facts = android_sparse.read(view)
    except FormatError:
        return
    facts.expanded(view).upto(0, 1 << 16)
    assert len(facts.summary()) <= 60


@given(st.integers(0, len(GOOD) - 1), st.integers(0, 255), st.integers(0, len(GOOD)))
def test_damaged_images_give_facts_or_a_format_error(at: int, value: int, size: int) -> None:
    data = bytearray(GOOD)
    data[at] = value
    view = View.of(data[:size])
    try:
        facts = android_sparse.read(view)
    except FormatError:
        return
    inside = facts.expanded(view)
    inside.upto(0, 1 << 16)
    assert all(span.end <= inside.size for span in inside.source.data())


@pytest.mark.oracle
@pytest.mark.parametrize("block_size", ["4096", "1024", "65536"])
def test_img2simg_agrees(tmp_path: Path, block_size: str) -> None:
    plain = bytes(range(256)) * 256 + bytes(1 << 17) + b"\xaa\xbb\xcc\xdd" * (1 << 14)
    plain += bytes(reversed(range(256))) * 512 + bytes(1 << 16)
    raw, sparse, back = (tmp_path / name for name in ("raw", "sparse", "back"))
    raw.write_bytes(plain)
    subprocess.run(["img2simg", str(raw), str(sparse), block_size], check=True)
    view = View.of(sparse.read_bytes())
    facts = android_sparse.read(view)
    assert facts.length == view.size
    assert facts.blk_sz == int(block_size)
    assert facts.chunk_size_total == facts.expanded_size == len(plain)
    inside = facts.expanded(view)
    assert b"".join(inside.chunks()) == plain

    # simg2img is the reference for chunks that img2simg never writes.
    sparse.write_bytes(image(CHUNKS, 8))
    subprocess.run(["simg2img", str(sparse), str(back)], check=True)
    view = View.of(sparse.read_bytes())
    assert android_sparse.read(view).expanded(view).bytes(0, 128) == back.read_bytes() == EXPANDED
