from __future__ import annotations

import lzma

import pytest

from imgaudit.errors import FormatError
from imgaudit.formats import xz
from imgaudit.formats.facts import Match
from imgaudit.formats.view import View
from imgaudit.units import MIB
from tests.formats._pieces import drain, text, tool


@pytest.mark.oracle
@pytest.mark.parametrize("check", ["none", "crc32", "crc64", "sha256"])
def test_reads_the_check(check: str) -> None:
    # The kernel's decoder knows none and crc32 only (Linux Documentation/staging/xz.rst).
    facts = xz.read(View.of(tool(f"xz --check={check} -c", text(5000))))
    assert facts.check == check
    assert [checksum.matches for checksum in facts.checksums] == [True, True]


@pytest.mark.oracle
@pytest.mark.parametrize(
    ("options", "filters", "dictionary"),
    [
        ("-0", ("lzma2",), 256 << 10),
        ("-6", ("lzma2",), 8 * MIB),
        ("-9", ("lzma2",), 64 * MIB),
        ("--arm --lzma2=dict=12MiB", ("arm", "lzma2"), 12 * MIB),
        ("--delta=dist=4 --x86 --lzma2=dict=64KiB", ("delta", "x86", "lzma2"), 64 << 10),
        ("-T2 --block-size=4096", ("lzma2",), 8 * MIB),
    ],
)
def test_reads_the_filters(options: str, filters: tuple[str, ...], dictionary: int) -> None:
    stored = tool(f"xz {options} -c", text(5000))
    facts = xz.read(View.of(stored))
    assert (facts.filters, facts.dictionary) == (filters, dictionary)
    assert drain(xz.unpack, stored) == (text(5000), len(stored))


@pytest.mark.oracle
def test_an_empty_stream_has_no_filters() -> None:
    facts = xz.read(View.of(tool("xz -c", b"")))
    assert (facts.filters, facts.dictionary) == ((), None)


@pytest.mark.parametrize("padding", [0, 4, 8, 1 << 20])
def test_streams_join_over_whole_words_of_padding(padding: int) -> None:
    # The .xz File Format 1.2.0, 2.2: a multiple of four bytes, all zero.
    one = lzma.compress(b"one")
    stored = one + bytes(padding) + lzma.compress(b"two")
    assert drain(xz.unpack, stored, 1000) == (b"onetwo", len(stored))
    assert drain(xz.unpack, one + bytes(padding)) == (b"one", len(one))


@pytest.mark.parametrize("padding", [1, 3, 6])
def test_other_padding_ends_the_stream(padding: int) -> None:
    one = lzma.compress(b"one")
    assert drain(xz.unpack, one + bytes(padding) + one) == (b"one", len(one))


@pytest.mark.oracle
def test_a_huge_dictionary_is_refused() -> None:
    stored = tool("xz --lzma2=preset=0,dict=1GiB -c", b"level")
    assert xz.read(View.of(stored)).dictionary == 1 << 30
    with pytest.raises(FormatError, match="dictionary needs more than 192 MiB"):
        drain(xz.unpack, stored)


def test_a_wrong_header_crc_is_a_fact() -> None:
    stored = bytearray(lzma.compress(b"level"))
    stored[8] ^= 1
    assert xz.match(View.of(stored)) is Match.GOOD
    assert xz.read(View.of(stored)).checksums[0].matches is False


def test_a_reserved_check_is_named_by_its_number() -> None:
    stored = bytearray(lzma.compress(b"level"))
    stored[7] = 2
    assert xz.read(View.of(stored)).check == "unknown 2"


@pytest.mark.parametrize("count", [8, 9])
def test_a_number_has_at_most_nine_bytes(count: int) -> None:
    """The .xz File Format 1.2.1, 1.2: the ninth is the last."""
    data = b"\xff" * count + b"\1"
    if count == 8:
        assert xz._number(data, 0) == ((1 << 57) - 1, 9)
        return
    with pytest.raises(FormatError, match="does not end") as caught:
        xz._number(data, 0)
    assert caught.value.offset == 12
