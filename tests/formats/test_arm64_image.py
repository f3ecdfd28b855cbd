from __future__ import annotations

import struct
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.errors import FormatError
from imgaudit.formats import arm64_image
from imgaudit.formats.facts import Match
from imgaudit.formats.view import View
from tests.formats.device_trees import damaged


def write(
    *, text_offset: int = 0, image_size: int = 0x1A6_0000, flags: int = 0b1010, code0: bytes = b"MZ"
) -> bytes:
    """Lay the header out as Linux Documentation/arch/arm64/booting.rst has it, section 4."""
    head = code0.ljust(8, b"\0") + struct.pack("<3Q", text_offset, image_size, flags)
    return head + bytes(24) + b"ARM\x64" + struct.pack("<I", 0x40)


def read(data: bytes) -> arm64_image.Arm64ImageFacts:
    return arm64_image.read(View.of(data))


def test_the_numbers_of_the_booti_manual() -> None:
    # U-Boot doc/usage/cmd/booti.rst: a file of 26990448 bytes, "Moving Image from 0x8080000 to
    # 0x8200000, end=9c60000".
    facts = read(write(image_size=0x9C6_0000 - 0x820_0000))
    assert facts.image_size - 26_990_448 == 665_744
    assert facts.summary() == "needs 26.4 MiB of RAM, 4 KiB pages"
    assert facts.pe_offset == 0x40
    assert facts.length is None


@pytest.mark.parametrize(
    ("flags", "big_endian", "page_size", "anywhere"),
    [
        (0b0000, False, None, False),
        (0b0010, False, 4096, False),
        (0b0101, True, 16384, False),
        (0b1110, False, 65536, True),
    ],
)
def test_flags(flags: int, big_endian: bool, page_size: int | None, anywhere: bool) -> None:
    # Linux Documentation/arch/arm64/booting.rst, section 4, the table of flags.
    facts = read(write(flags=flags))
    assert (facts.big_endian, facts.page_size, facts.anywhere) == (big_endian, page_size, anywhere)


def test_without_an_image_size_the_offset_is_the_old_one() -> None:
    # "Where image_size is zero, text_offset can be assumed to be 0x80000."
    assert read(write(image_size=0, text_offset=0x1234)).load_offset == 0x80000
    assert read(write(image_size=1, text_offset=0x1234)).load_offset == 0x1234


def test_without_an_efi_header_there_is_no_pe_offset() -> None:
    assert read(write(code0=b"\x13\0")).pe_offset is None


def test_how_sure_a_match_is() -> None:
    assert arm64_image.READER.match(View.of(write())) is Match.SURE
    assert arm64_image.READER.match(View.of(write(flags=1 << 40))) is Match.GOOD
    assert arm64_image.READER.match(View.of(write()[:59])) is Match.NO
    assert arm64_image.READER.match(View.of(bytes(64))) is Match.NO


def test_without_its_magic_or_cut_it_is_refused() -> None:
    with pytest.raises(FormatError, match="magic"):
        read(bytes(64))
    with pytest.raises(FormatError):
        read(write()[:63])


@given(st.one_of(st.binary(max_size=99), damaged(write() + b"kernel")))
def test_any_bytes_give_facts_or_a_format_error(data: bytes) -> None:
    arm64_image.READER.match(View.of(data))
    try:
        read(data).summary()
    except FormatError:
        return


@pytest.mark.oracle
def test_the_kernel_of_debian_installer_12_netboot_arm64_is_read() -> None:
    # Debian package debian-installer-12-netboot-arm64: needs more RAM than its file is long.
    kernel = Path("/usr/lib/debian-installer/images/12/arm64/text/debian-installer/arm64/linux")
    data = kernel.read_bytes()
    assert arm64_image.READER.match(View.of(data)) is Match.SURE
    facts = read(data)
    assert len(data) < facts.image_size < 2 * len(data)
    assert (facts.page_size, facts.big_endian) == (4096, False)
    assert facts.pe_offset is not None
    assert data[facts.pe_offset :].startswith(b"PE\0\0")
    assert facts.length == len(data)


@pytest.mark.parametrize(
    ("sections", "certificate", "length"),
    [
        (((0x200, 0x600), (0x800, 0x400)), (0, 0), 0xC00),
        (((0x200, 0x600),), (0x1000, 0x80), 0x1080),
        ((), (0, 0), 0x200),
    ],
)
def test_an_efi_header_tells_the_end(
    sections: tuple[tuple[int, int], ...], certificate: tuple[int, int], length: int
) -> None:
    """Source: Microsoft PE Format; Linux arch/arm64/kernel/efi-header.S."""
    head = write()[:60] + struct.pack("<I", 0x40)
    head += struct.pack("<4sHHIIIHH", b"PE\0\0", 0xAA64, len(sections), 0, 0, 0, 160, 0x206)
    optional = bytearray(160)
    struct.pack_into("<H", optional, 0, 0x20B)
    struct.pack_into("<I", optional, 60, 0x200)  # SizeOfHeaders
    struct.pack_into("<HH", optional, 68, 10, 0)  # an EFI application
    struct.pack_into("<I", optional, 108, 6)
    struct.pack_into("<II", optional, 144, *certificate)
    head += bytes(optional)
    for offset, size in sections:
        head += struct.pack("<8s4I16x", b".text", size, offset, size, offset)
    assert read(head.ljust(0x2000, b"\0")).length == length
