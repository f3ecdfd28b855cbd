from __future__ import annotations

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.errors import FormatError
from imgaudit.formats import riscv_image
from imgaudit.formats.facts import Match
from imgaudit.formats.view import View
from tests.formats.device_trees import damaged


def write(
    *,
    flags: int = 0,
    code0: bytes = b"MZ",
    magic: bytes = b"RISCV\0\0\0",
    magic2: bytes = b"RSC\x05",
) -> bytes:
    """Lay the header out as Linux Documentation/arch/riscv/boot-image-header.rst has it."""
    head = code0.ljust(8, b"\0") + struct.pack("<3QI", 0x20_0000, 0x160_0000, flags, 2)
    return head + bytes(12) + magic + magic2 + struct.pack("<I", 0x40)


def read(data: bytes) -> riscv_image.RiscvImageFacts:
    return riscv_image.read(View.of(data))


def test_the_header_is_read() -> None:
    facts = read(write())
    assert (facts.text_offset, facts.image_size) == (0x20_0000, 0x160_0000)
    assert facts.version == (0, 2)
    assert facts.pe_offset == 0x40
    assert not facts.big_endian
    assert facts.summary() == "needs 22 MiB of RAM"


def test_the_magics_are_those_of_the_document() -> None:
    # "magic = 0x5643534952", "magic2 = 0x05435352", both little endian.
    assert int.from_bytes(riscv_image.MAGIC, "little") == 0x5643534952
    assert int.from_bytes(riscv_image.MAGIC2, "little") == 0x05435352


def test_flags_and_code() -> None:
    facts = read(write(flags=1, code0=b"\x6f\0"))
    assert facts.big_endian
    assert facts.pe_offset is None


def test_one_of_the_two_magics_is_enough() -> None:
    # The document deprecates `magic` since header version 0.2.
    new, old = write(magic=bytes(8)), write(magic2=bytes(4))
    assert riscv_image.READER.match(View.of(write())) is Match.SURE
    assert riscv_image.READER.match(View.of(new)) is Match.GOOD
    assert riscv_image.READER.match(View.of(old)) is Match.GOOD
    assert riscv_image.READER.match(View.of(bytes(64))) is Match.NO
    assert read(new).image_size == read(old).image_size == 0x160_0000
    with pytest.raises(FormatError, match="both magics"):
        read(bytes(64))


@given(st.one_of(st.binary(max_size=99), damaged(write() + b"kernel")))
def test_any_bytes_give_facts_or_a_format_error(data: bytes) -> None:
    riscv_image.READER.match(View.of(data))
    try:
        read(data).summary()
    except FormatError:
        return
