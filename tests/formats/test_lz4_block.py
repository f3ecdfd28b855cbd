"""LZ4 blocks, by the library and by our own decoder."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.formats import lz4_block
from tests.formats._pieces import text, tool

Decode = Callable[[bytes, int, bytes], bytes]
both = pytest.mark.parametrize("decode", [lz4_block.decode, lz4_block.decode_plainly])


def block(content: bytes, options: str = "-9") -> bytes:
    """Take the single block out of a legacy stream."""
    return tool(f"lz4 -l {options} -c", content)[8:]


@pytest.mark.oracle
@both
@pytest.mark.parametrize("content", [text(500_000), bytes(300_000), b"ab" * 9000, b"level"])
def test_decodes_what_lz4_made(decode: Decode, content: bytes) -> None:
    assert decode(block(content), len(content), b"") == content
    assert decode(block(content), 8 << 20, b"") == content


@both
def test_follows_the_specification(decode: Decode) -> None:
    # lz4_Block_format.md: token, literals, offset, match length + 4; the last sequence is literals.
    assert decode(b"\x30abc", 100, b"") == b"abc"
    assert decode(b"\x12a\x01\x00\x50bcdef", 100, b"") == b"a" + b"a" * 6 + b"bcdef"
    assert decode(b"\x02\x05\x00\x50bcdef", 100, b"12345") == b"123451bcdef"
    long = b"\xff" + b"\xff\x01" + b"x" * 271
    assert decode(long[:3] + b"x" * (15 + 256), 300, b"") == b"x" * 271


@both
@pytest.mark.parametrize(
    "content",
    [b"", b"\x30ab", b"\xf0\xff", b"\x10a\x01", b"\x10a\x02\x00\x10b", b"\x10a\x01\x00"],
    ids=["empty", "literals", "length", "half offset", "before the start", "no last literals"],
)
def test_damage_is_refused(decode: Decode, content: bytes) -> None:
    with pytest.raises(ValueError, match=r"."):
        decode(content, 1000, b"")


@pytest.mark.oracle
@both
def test_the_limit_holds(decode: Decode) -> None:
    for content in (bytes(100_000), text(100_000)):
        with pytest.raises(ValueError, match=r"."):
            decode(block(content), len(content) - 1, b"")


def test_a_bomb_is_stopped_before_it_grows() -> None:
    bomb = b"\x1fa\x01\x00" + b"\xff" * 4_000_000 + b"\0\x50bcdef"
    with pytest.raises(ValueError, match="outside the block"):
        lz4_block.decode_plainly(bomb, 8 << 20)


@pytest.mark.oracle
@given(st.binary(max_size=4000), st.integers(1, 40))
def test_both_decoders_agree_on_streams(content: bytes, repeat: int) -> None:
    stored = block(content * repeat) if content else b"\0"
    assert lz4_block.decode(stored, 1 << 20) == lz4_block.decode_plainly(stored, 1 << 20)


@given(st.binary(max_size=200), st.binary(max_size=100))
def test_any_block_is_decoded_alike_or_refused(content: bytes, history: bytes) -> None:
    try:
        plain = lz4_block.decode_plainly(content, 4096, history)
    except ValueError:
        return
    assert len(plain) <= 4096


def test_works_without_the_library(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(lz4_block, "_library", None)
    assert lz4_block.decode(b"\x30abc", 3) == b"abc"


def test_bound() -> None:
    # LZ4_COMPRESSBOUND in lz4.h
    assert lz4_block.bound(8 << 20) == 8_388_608 + 32_896 + 16


@pytest.mark.oracle
@pytest.mark.parametrize("size", [1, 5, 13, 100, 4000, 65536])
def test_a_block_is_decoded_up_to_a_size_whatever_follows(size: int) -> None:
    """As EROFS was before LZ4_0PADDING: the kernel decodes with LZ4_decompress_safe_partial."""
    data = (b"tide" * 40 + bytes(700) + b"gauge") * 80
    packed = block(data)
    partly = lz4_block.decode_plainly(packed, min(size, len(data)), partly=True)
    assert partly == data[:size]
    assert lz4_block.decode_plainly(packed + bytes(4096), len(data), partly=True) == data
