from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.errors import FormatError, UnreadError
from imgaudit.formats.view import CHUNK, FileSource, MemorySource, View, WindowSource, in_memory
from imgaudit.units import MIB, Span


@given(st.binary(max_size=40), st.integers(-3, 45), st.integers(-3, 45))
def test_a_range_is_given_whole_or_refused(data: bytes, offset: int, length: int) -> None:
    view = View.of(data)
    inside = offset >= 0 and length >= 0 and offset + length <= len(data)
    for whole in (view.bytes, lambda at, size: view.sub(at, size).bytes(0, size)):
        if inside:
            assert whole(offset, length) == data[offset : offset + length]
        else:
            with pytest.raises(FormatError) as problem:
                whole(offset, length)
            assert problem.value.offset == max(offset, 0)
    wanted = data[offset : offset + max(length, 0)] if offset >= 0 else b""
    if length >= 0:
        assert view.upto(offset, length) == wanted


def test_what_is_missing_is_counted() -> None:
    with pytest.raises(FormatError, match="needs 4 bytes, 3 are left"):
        View.of(b"abcde").bytes(2, 4)
    with pytest.raises(FormatError, match="needs 4 bytes, 0 are left"):
        View.of(b"abcde").bytes(9, 4)
    with pytest.raises(FormatError, match="needs 9 bytes past the end of the data"):
        View.of(b"abcde").sub(2, 9)


@pytest.mark.parametrize("limit", [4, 5])
def test_a_string_ends_within_its_limit(limit: int) -> None:
    view = View.of(b"..tide\0")
    if limit == 5:
        assert view.cstring(2, limit) == b"tide"
    else:
        with pytest.raises(FormatError, match="no NUL within 4 bytes") as problem:
            view.cstring(2, limit)
        assert problem.value.offset == 2


@pytest.mark.parametrize("place", [0, CHUNK - 2, CHUNK - 1, CHUNK, 2 * CHUNK - 3])
def test_a_pattern_is_found_across_pieces(place: int) -> None:
    data = bytearray(2 * CHUNK + 1)
    data[place : place + 4] = b"tide"
    view = View.of(data)
    assert view.find(b"tide") == place
    assert view.find(b"tide", place) == place
    assert view.find(b"tide", place + 1) == -1
    assert view.find(b"tide", 0, place + 4) == place
    assert view.find(b"tide", 0, place + 3) == -1
    assert b"".join(view.chunks(1, place + 4)) == data[1 : place + 4]
    assert [len(piece) for piece in view.chunks()] == [CHUNK, CHUNK, 1]


def test_a_file_is_read_in_place_and_its_holes_are_known(tmp_path: Path) -> None:
    path = tmp_path / "image"
    with path.open("wb") as file:
        file.write(b"head")
        file.seek(4 * MIB)
        file.write(b"tail")
        file.truncate(8 * MIB)
    with path.open("rb") as file:
        source = FileSource(file.fileno(), 8 * MIB)
        assert source.read_at(4 * MIB, 4) == b"tail"
        spans = list(source.data())
        assert spans[0].start == 0
        assert all(span.size < 8 * MIB for span in spans)
        assert sum(span.start <= 4 * MIB < span.end for span in spans) == 1
        # A window has what lies in it, counted from its own start.
        window = WindowSource(View(source, 4 * MIB - 100, 200))
        assert (window.size, window.read_at(100, 4)) == (200, b"tail")
        assert list(window.data()) == [Span(100, 200)]
        assert list(WindowSource(View(source, 6 * MIB, 100)).data()) == []


def test_a_file_that_tells_no_holes_is_all_data() -> None:
    """A pipe cannot be sought in; what reads past what there is says so."""
    reader, writer = os.pipe()
    try:
        source = FileSource(reader, 100)
        assert list(source.data()) == [Span(0, 100)]
        with pytest.raises(UnreadError, match="cannot be read: Illegal seek") as problem:
            source.read_at(7, 3)
        assert problem.value.offset == 7
    finally:
        os.close(reader)
        os.close(writer)


def test_a_file_that_shrinks_is_not_read(tmp_path: Path) -> None:
    path = tmp_path / "image"
    path.write_bytes(b"tide")
    with path.open("rb") as file, pytest.raises(UnreadError) as problem:
        FileSource(file.fileno(), 8).read_at(2, 4)
    assert (problem.value.offset, "became shorter" in str(problem.value)) == (4, True)


def test_only_bytes_that_are_held_outlive_their_file(tmp_path: Path) -> None:
    class Pieces(MemorySource):
        __slots__ = ("below",)
        below: View

    path = tmp_path / "image"
    path.write_bytes(b"tide")
    with path.open("rb") as file:
        on_disk, held = View(FileSource(file.fileno(), 4)), View.of(b"tide")
        for below in (on_disk, held):
            above = Pieces(b"")
            above.below = below
            assert in_memory(View(above)) == in_memory(below) == (below is held)
    assert list(MemorySource(b"").data()) == []
    assert list(MemorySource(b"tide").data()) == [Span(0, 4)]
