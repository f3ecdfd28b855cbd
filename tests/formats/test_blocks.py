"""Single compressed blocks, made by the libraries that file systems' makers use."""

from __future__ import annotations

import lzma
import sys
import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.errors import FormatError, UnreadError
from imgaudit.formats import libraries
from imgaudit.formats.blocks import MAX_BLOCK, unpack_block
from imgaudit.units import both

TEXT = b"tide " * 200 + bytes(range(256))


def packed(method: str) -> bytes:
    if method == "zlib":
        return zlib.compress(TEXT)
    if method == "deflate":
        maker = zlib.compressobj(wbits=-15)
        return maker.compress(TEXT) + maker.flush()
    if method == "lzma":
        return lzma.compress(TEXT, lzma.FORMAT_ALONE)
    if method == "xz":
        return lzma.compress(TEXT, check=lzma.CHECK_CRC32)
    if method == "lzo":
        return bytes(libraries.lzo().LZOCompressor().compress(TEXT))
    if method == "zstd":
        return bytes(libraries.zstd().compress(TEXT))
    if method == "microlzma":
        # As .lzma without its head and end mark; the first byte is the properties' inverse
        # (XZ Utils src/liblzma/common/microlzma_encoder.c).
        alone = lzma.compress(TEXT, lzma.FORMAT_ALONE)
        return bytes([alone[0] ^ 0xFF]) + alone[14:-5]
    return runs(TEXT)


def runs(data: bytes) -> bytes:
    """Pack as Linux' fs/jffs2/compr_rtime.c does."""
    out, places, at = bytearray(), [0] * 256, 0
    while at < len(data):
        value = data[at]
        at += 1
        back, places[value] = places[value], at
        count = 0
        while at + count < len(data) and count < 255 and data[back + count] == data[at + count]:
            count += 1
        out += bytes((value, count))
        at += count
    return bytes(out)


METHODS = ("zlib", "deflate", "lzma", "xz", "microlzma", "lzo", "zstd", "rtime")


@pytest.mark.parametrize("method", METHODS)
def test_a_block_unpacks_to_its_size(method: str) -> None:
    data = packed(method)
    assert unpack_block(method, data, len(TEXT), 64) == TEXT
    if method == "microlzma":  # takes its end from the size
        with pytest.raises(FormatError, match="a block that does not unpack"):
            unpack_block(method, data, len(TEXT) + 7, 64, exact=False)
    else:
        assert unpack_block(method, data, len(TEXT) + 7, 64, exact=False) == TEXT


@pytest.mark.parametrize("method", METHODS)
def test_a_block_of_another_size_is_refused(method: str) -> None:
    data = packed(method)
    for size in (len(TEXT) - 1, len(TEXT) + 1):
        if method == "rtime" and size < len(TEXT):
            assert unpack_block(method, data, size, 64) == TEXT[:size]
            continue
        with pytest.raises(FormatError) as problem:
            unpack_block(method, data, size, 64)
        assert problem.value.offset == 64
        assert "a block that" in problem.value.why


@pytest.mark.parametrize("method", METHODS)
def test_a_cut_block_is_refused(method: str) -> None:
    data = packed(method)
    for size in {0, 1, 5, len(data) // 2, len(data) - 10}:
        with pytest.raises(FormatError) as problem:
            unpack_block(method, data[:size], len(TEXT), 7)
        assert problem.value.offset == 7


@pytest.mark.parametrize("method", [*METHODS, "lz4", "lz4-open"])
@given(st.binary(max_size=300), st.integers(0, 400))
def test_any_bytes_unpack_or_are_refused(method: str, data: bytes, limit: int) -> None:
    try:
        out = unpack_block(method, data, limit, 0)
    except FormatError:
        return
    assert len(out) == limit


def test_no_block_is_larger_than_any_file_system_makes() -> None:
    data = zlib.compress(bytes(MAX_BLOCK))
    assert unpack_block("zlib", data, MAX_BLOCK, 0) == bytes(MAX_BLOCK)
    with pytest.raises(FormatError, match="a block of ") as problem:
        unpack_block("zlib", data, MAX_BLOCK + 1, 5)
    assert both(MAX_BLOCK + 1) in problem.value.why


@pytest.mark.parametrize(("method", "what"), [("", "nothing known"), ("brotli", "brotli")])
def test_other_methods_are_not_read(method: str, what: str) -> None:
    with pytest.raises(FormatError, match=f"blocks packed with {what} are not read"):
        unpack_block(method, b"", 1, 0)


@pytest.mark.parametrize(
    ("method", "module", "package"),
    [("lzo", "lzallright", "lzallright"), ("zstd", "backports", "backports.zstd")],
)
def test_a_library_that_is_missing_is_said(
    method: str, module: str, package: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    data = packed(method)
    monkeypatch.setitem(
        sys.modules,
        "compression" if sys.version_info >= (3, 14) and method == "zstd" else module,
        None,
    )
    with pytest.raises(UnreadError, match=f"the Python package {package} is missing"):
        unpack_block(method, data, len(TEXT), 0)
