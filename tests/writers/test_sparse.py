from __future__ import annotations

from pathlib import Path

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from imgaudit.writers.sparse import Sparse, filler, length, patched

pieces = st.lists(st.tuples(st.integers(0, 40), st.binary(max_size=20)), max_size=6)


def plain(size: int, puts: list[tuple[int, bytes]]) -> bytes:
    image = bytearray(size + 100)
    for at, data in puts:
        image[at : at + len(data)] = data
    return bytes(image[:size])


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.integers(0, 50), pieces)
def test_a_file_holds_what_was_put(
    tmp_path: Path, size: int, puts: list[tuple[int, bytes]]
) -> None:
    image = Sparse(size)
    for at, data in puts:
        image.put(at, data)
    image.write(tmp_path / "image")
    assert (tmp_path / "image").read_bytes() == plain(size, puts)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.integers(0, 50), pieces, st.integers(0, 60))
def test_an_image_in_an_image_is_cut_to_its_room(
    tmp_path: Path, size: int, puts: list[tuple[int, bytes]], room: int
) -> None:
    inner, outer = Sparse(size), Sparse(200)
    for at, data in puts:
        inner.put(at, data)
    outer.put(10, inner, room)
    outer.write(tmp_path / "image")
    expected = (bytes(10) + plain(size, puts)[:room]).ljust(200, b"\0")
    assert (tmp_path / "image").read_bytes() == expected


def test_filler_is_the_same_for_the_same_seed() -> None:
    assert filler("a", 64) == filler("a", 128)[:64] != filler("b", 64)
    assert length(filler("a", 10)) == 10
    assert patched(b"abcdef", 2, b"XY") == b"abXYef"
