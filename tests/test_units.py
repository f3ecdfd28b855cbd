from __future__ import annotations

import contextlib
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.units import (
    _LONGEST,
    GIB,
    KIB,
    MIB,
    TIB,
    Span,
    both,
    decimal,
    human,
    joined,
    overlapping,
    parse_size,
    place,
    round_down,
    round_up,
)

numbers = st.integers(0, 1 << 48)
units = st.integers(1, 1 << 24)


@st.composite
def spans(draw: st.DrawFn) -> Span:
    return Span.sized(draw(st.integers(0, 200)), draw(st.integers(0, 100)))


def members(span: Span) -> set[int]:
    return set(range(span.start, span.end))


@given(spans(), spans())
def test_spans_are_sets_of_bytes(one: Span, other: Span) -> None:
    shared = members(one) & members(other)
    assert one.overlaps(other) == other.overlaps(one) == bool(shared)
    assert members(one.common(other)) == shared
    assert one.size == len(members(one))
    if one.contains(other):
        assert members(other) <= members(one)
    elif other.size:
        assert not members(other) <= members(one)


@given(spans(), st.integers(1, 100))
def test_touching_spans_do_not_overlap(span: Span, size: int) -> None:
    after = Span.sized(span.end, size)
    assert not span.overlaps(after)
    assert span.common(after).size == 0


@given(spans(), st.integers(1, 50))
def test_widened_is_the_whole_units_touched(span: Span, unit: int) -> None:
    wide = span.widened(unit)
    assert wide.contains(span)
    assert wide.start % unit == wide.end % unit == 0
    assert wide.size < span.size + 2 * unit


def test_span_cannot_end_before_it_starts() -> None:
    with pytest.raises(ValueError, match="before its start"):
        Span(2, 1)


@given(numbers, units)
def test_rounding(value: int, unit: int) -> None:
    up, down = round_up(value, unit), round_down(value, unit)
    assert up % unit == down % unit == 0
    assert down <= value <= up
    assert up - down == (unit if value % unit else 0)


@given(numbers)
def test_a_size_is_read_back(size: int) -> None:
    assert parse_size(str(size)) == size
    assert parse_size(f"{size:#x}") == size
    assert parse_size(f"{size} B") == size


@given(numbers, st.sampled_from(["KiB", "MiB", "GiB", "TiB"]))
def test_human_is_exact_for_whole_units(count: int, unit: str) -> None:
    size = parse_size(f"{count} {unit}")
    assert size == count * {"KiB": KIB, "MiB": MIB, "GiB": GIB, "TiB": TIB}[unit]
    if "." not in human(size):
        assert parse_size(human(size)) == size


@pytest.mark.parametrize(
    ("text", "size"),
    [
        ("1.5 MiB", 1_572_864),
        ("0.5KiB", 512),
        ("0", 0),
        ("0x1_0000", 65536),
        ("64_000", 64000),
        (" 4 KiB ", 4096),
        ("1.25 KiB", 1280),
    ],
)
def test_sizes(text: str, size: int) -> None:
    assert parse_size(text) == size


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("16 MB", "16 MB can mean two sizes: write 16 MiB for 16,777,216 bytes or 16000000 for"),
        ("5M", "write 5 MiB for 5,242,880 bytes or 5000000"),
        ("4k", "write 4 KiB"),
        ("1.5 gb", "write 1.5 GiB for 1,610,612,736"),
        ("07", "starts with 0"),
        ("010", "starts with 0"),
        ("010 KiB", "starts with 0"),
        ("1.3 KiB", "not a whole number of bytes"),
        ("0.5", "not a whole number of bytes"),
        ("0x10 KiB", "mixes a hex number with a unit"),
        ("0x10 MB", "mixes a hex number with a unit"),
        ("4 kib", "'kib' is not a unit"),
        ("4 blocks", "'blocks' is not a unit"),
        ("4 Mbit", "'Mbit' is not a unit"),
        ("-1", "is not a size"),
        ("0x", "is not a unit"),
        ("0x_", "is not a size"),
        ("12:30:45", "is not a size"),
        ("1e6", "is not a size"),
        ("", "is not a size"),
        ("\u0664", "is not a size"),
        ("9" * 5000, "is not a size"),
    ],
)
def test_refused_sizes(text: str, why: str) -> None:
    with pytest.raises(ValueError, match=re.escape(why)) as problem:
        parse_size(text)
    assert len(str(problem.value)) < 200


@given(st.text(max_size=60))
def test_any_text_is_a_size_or_a_value_error(text: str) -> None:
    with contextlib.suppress(ValueError):
        assert parse_size(text) >= 0


@pytest.mark.parametrize(
    ("size", "short", "long"),
    [
        (0, "0 B", "0 bytes"),
        (1, "1 B", "1 byte"),
        (1023, "1023 B", "1,023 bytes"),
        (65536, "64 KiB", "65,536 bytes (64 KiB)"),
        (14_155_776, "13.5 MiB", "14,155,776 bytes (13.5 MiB)"),
        (3_909_091_328, "3.6 GiB", "3,909,091,328 bytes (3.6 GiB)"),
        (2 * TIB, "2 TiB", "2,199,023,255,552 bytes (2 TiB)"),
        (-65536, "-64 KiB", "-65,536 bytes (-64 KiB)"),
    ],
)
def test_sizes_in_words(size: int, short: str, long: str) -> None:
    assert human(size) == short
    assert both(size) == long


def test_place() -> None:
    assert place(0x200000) == "0x200000"


@pytest.mark.parametrize(
    ("spans", "wanted"),
    [
        ([], []),
        ([(5, 5)], []),
        ([(4, 6), (0, 4)], [(0, 6)]),
        ([(5, 6), (0, 4)], [(0, 4), (5, 6)]),
        ([(0, 9), (2, 3)], [(0, 9)]),
    ],
)
def test_spans_that_touch_are_joined(
    spans: list[tuple[int, int]], wanted: list[tuple[int, int]]
) -> None:
    assert joined(Span(*span) for span in spans) == [Span(*span) for span in wanted]


def test_a_span_holds_its_first_byte_and_not_the_one_after_its_last() -> None:
    assert [Span(4, 6).holds(at) for at in (3, 4, 5, 6)] == [False, True, True, False]
    assert not Span(4, 4).holds(4)


@given(st.lists(st.tuples(st.integers(0, 40), st.integers(0, 12)), max_size=12))
def test_overlapping_pairs_are_those_of_a_comparison_of_each_with_each(
    places: list[tuple[int, int]],
) -> None:
    spans = [Span.sized(start, size) for start, size in places]
    numbered = list(enumerate(spans))
    found = {
        frozenset((one[0], other[0])) for one, other in overlapping(numbered, lambda it: it[1])
    }
    assert found == {
        frozenset((one, other))
        for one, first in numbered
        for other, second in numbered
        if one < other and first.common(second).size
    }


@pytest.mark.parametrize(
    ("text", "value"),
    [
        *(("0", 0), ("007", 7), ("9" * 18, 10**18 - 1), ("9" * 19, None), ("9" * 5000, None)),
        *(
            ("", None),
            ("-1", None),
            (" 1", None),
            ("1_0", None),
            ("\u0663", None),
            ("\u00b2", None),
        ),
    ],
)
def test_plain_digits(text: str, value: int | None) -> None:
    assert decimal(text) == value


@pytest.mark.parametrize(
    ("size", "said", "long"),
    [
        (KIB - 1, "1023 B", "1,023 bytes"),
        (KIB, "1 KiB", "1,024 bytes (1 KiB)"),
        (-KIB, "-1 KiB", "-1,024 bytes (-1 KiB)"),
        (MIB, "1 MiB", "1,048,576 bytes (1 MiB)"),
        (GIB, "1 GiB", "1,073,741,824 bytes (1 GiB)"),
    ],
)
def test_a_unit_counts_from_its_first_whole_one(size: int, said: str, long: str) -> None:
    assert (human(size), both(size)) == (said, long)


def test_a_size_has_an_end() -> None:
    longest = _LONGEST
    assert parse_size("5".rjust(longest)) == 5
    with pytest.raises(ValueError, match=r"\.\.\.' is not a size"):
        parse_size("5".rjust(longest + 1))
    with pytest.raises(ValueError, match=rf"'x{{{longest}}}' is not a size"):
        parse_size("x" * longest)
