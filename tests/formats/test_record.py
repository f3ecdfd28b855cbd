from __future__ import annotations

import pytest

from imgaudit.errors import FormatError
from imgaudit.formats.record import Record, names_of
from imgaudit.formats.view import View

LAYOUT = {"one": (1, 2), "name": (3, 4), "id": (7, 16)}


def test_numbers_text_and_uuids_come_by_name() -> None:
    data = b"..\x34\x12ab\0c" + bytes(range(16))
    record = Record(View.of(data), 1, LAYOUT)
    assert record["one"] == 0x1234
    assert record.text("name") == "ab"
    assert record.raw("name") == b"ab\0c"
    assert record.uuid("id") == "00010203-0405-0607-0809-0a0b0c0d0e0f"
    assert record.offsets() == {"one": 2, "name": 4, "id": 8}
    assert Record(View.of(data), 1, LAYOUT, "big")["one"] == 0x3412


def test_bytes_that_are_no_text_are_escaped() -> None:
    record = Record(View.of(b"a\xffb\0"), 0, {"name": (0, 4)})
    assert record.text("name") == "a\\xffb"


def test_a_cut_record_is_an_error_with_its_place() -> None:
    with pytest.raises(FormatError) as caught:
        Record(View.of(bytes(30)), 10, LAYOUT)
    assert caught.value.offset == 10


def test_each_set_bit_has_a_name() -> None:
    assert names_of(0b1011, {0: "zero", 1: "one"}, "bit-") == ("zero", "one", "bit-3")
    assert names_of(0, {0: "zero"}, "bit-") == ()
