"""Dumps that were published with their hash on the linux-mtd list and in Linux' own documentation.

SST26VF064B: Linux Documentation/driver-api/mtd/spi-nor.rst. The others: patches and threads on
linux-mtd that add or discuss the part. The clone reports the id of another maker's 16 MiB part.
"""

from __future__ import annotations

import hashlib
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.errors import FormatError
from imgaudit.formats import sfdp
from imgaudit.formats.facts import Match
from imgaudit.formats.view import View
from imgaudit.units import KIB, MIB

SST26VF064B = bytes.fromhex(
    "53464450060102ff00060110300000ff81000106000100ffbf00011800020001ffffffffffffffffffffffff"
    "fffffffffd20f1ffffffff0344eb086b083b80bbfeffffffffff00ffffff440b0c200dd80fd810d820914824"
    "806f1d81ed0f773830b030b0f7ffffff29c25cfff030c080ffffffffffffffffffffffffffffffffffffffff"
    "ffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffff"
    "ffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffff"
    "ffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffff0004fff37f0000"
    "f57f0000f9ff7d00f57f0000f37f0000ffffffffffffffffffffffffffffffffffffffffffffffffffffffff"
    "ffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffff"
    "ffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffff"
    "ffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffff"
    "ffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffff"
    "ffffffffffffffffffffffffffffffffffffffffffffffffffffffffbf2643ffb95ffdff30f260f332ff0a12"
    "2346ff0f19320f1919ffffffffffffff00669938ff05013506040232b03072428de89888a585c09faf5affff"
    "06ec060c0003080bffffffffff07ffff0202ff060300fdfd040700fc0300fefe0202070e"
)
MT25QU256A = bytes.fromhex(
    "53464450060101ff00060110300000ff84000102800000ffffffffffffffffffffffffffffffffffffffffff"
    "ffffffffe520fbffffffff0f29eb276b273b27bbffffffffffff27bbffff29eb0c2010d80f520000244a9900"
    "8b8e03d4ac0127387a757a75fbbdd55c4a0f82ff81bd3d36ffffffffffffffffffffffffffffffffffe7ffff"
    "21dcffff"
)
W25Q01NW = bytes.fromhex(
    "53464450060101ff00060110800000ff84000102d00000ffffffffffffffffffffffffffffffffffffffffff"
    "ffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffff"
    "ffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffe520fbff"
    "ffffff3f44eb086b083b42bbfeffffffffff0000ffff40eb0c200f5210d800003652b50082ea14e2e9637633"
    "7a757a75f7bdd55c19f75dffe970f9a5ffffffffffffffffffffffffffffffffff0af0ff21ffdcff"
)
W25Q02NW = bytes.fromhex(
    "53464450060101ff00060110800000ff84000102d00000ff03000102f00000ffffffffffffffffffffffffff"
    "ffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffff"
    "ffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffe520fbff"
    "ffffff7f44eb086b083b42bbfeffffffffff0000ffff40eb0c200f5210d800003652b50082ea14e2e9637633"
    "7a757a75f7a2d55c199148ffe970f8a1ffffffffffffffffffffffffffffffffff0af0ff21ffdcff"
)
W25Q64JW = bytes.fromhex(
    "53464450060101ff00060110800000ff84000102d00000ffffffffffffffffffffffffffffffffffffffffff"
    "ffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffff"
    "ffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffe520f9ff"
    "ffffff0344eb086b083b42bbfeffffffffff0000ffff40eb0c200f5210d800003602a60082ea14c4e9637633"
    "7a757a75f7bdd55c19f75dffe930f880ffffffffffffffffffffffffffffffff0000f0ffffffffff"
)
IS25WP256 = bytes.fromhex(
    "53464450060101ff00060110300000ff9d05010380000002ffffffffffffffffffffffffffffffffffffffff"
    "ffffffffe520f9ffffffff0f44eb086b083b80bbfeffffffffff00ffffff44eb0c200f5210d800ff234ac900"
    "82d811cecccd68467a757a75f7aed55c4a422cfff030faa9ffffffffffffffffffffffffffffffff50195016"
    "9ff9c0648fefffff"
)
CLONE = bytes.fromhex(
    "53464450000101ff00000109300000ffb3000103600000ffffffffffffffffffffffffffffffffffffffffff"
    "ffffffffe520f9ffffffff0044eb086b083b80bbeeffffffffff00ffffff00ff0c200f5210d80881ffffffff"
    "ffffffffffffffff003600279ff97764fccbffff"
)
MX25L12835F = bytes.fromhex(
    "53464450000101ff00000109300000ffc2000104600000ffffffffffffffffffffffffffffffffffffffffff"
    "ffffffffe520f1ffffffff0744eb086b083b04bbfeffffffffff00ffffff44eb0c200f5210d800ffffffffff"
    "ffffffffffffffff003600279df9c06485cbffffffffffff"
)
AT25QL128A = bytes.fromhex(
    "53464450060101ff00060110300000ff1f00010280000001ffffffffffffffffffffffffffffffffffffffff"
    "ffffffffe520f1ffffffff0744eb086b083b80bbfeffffffffff00ffffff42eb0c200f5210d800ff3362d500"
    "842901ceeca1073d7a757a75f7a2d55c19f61cffe810c080ffffffffffffffffffffffffffffffff50195019"
    "0000ffff"
)
ALL = (
    SST26VF064B,
    MT25QU256A,
    W25Q01NW,
    W25Q02NW,
    W25Q64JW,
    IS25WP256,
    CLONE,
    MX25L12835F,
    AT25QL128A,
)
COMMON = ((4 * KIB, 0x20), (32 * KIB, 0x52), (64 * KIB, 0xD8))


def read(data: bytes) -> sfdp.SfdpFacts:
    return sfdp.read(View.of(data))


@pytest.mark.parametrize(
    ("dump", "size", "algorithm", "published"),
    [
        (
            SST26VF064B,
            608,
            "sha256",
            "428f34d0461876f189ac97f93e68a05fa6428c6650b3b7baf736a921e5898ed1",
        ),
        (MT25QU256A, 136, "md5", "5ea738216f68c9f98987bb3725699a32"),
        (
            W25Q01NW,
            216,
            "sha256",
            "d70b64bfa72dad202ff6881f92676b3a79b1e634b60653cd15f1820b7f3acaea",
        ),
        (
            W25Q02NW,
            216,
            "sha256",
            "679145368f2188ac975ec3f4c9b691e7e250147c13b6f18a28a9192700925d95",
        ),
        (W25Q64JW, 216, "md5", "5294c4d4eb2b1c89c6fd8573d8ceaa2d"),
        (IS25WP256, 140, "md5", "ba14818b9ec42713f24d94d66bb90ba0"),
        (CLONE, 108, "md5", "f19e214c6709a259511bac4bd9c87407"),
    ],
)
def test_the_dumps_have_their_published_hash_and_length(
    dump: bytes, size: int, algorithm: str, published: str
) -> None:
    assert len(dump) == size == read(dump).length
    assert hashlib.new(algorithm, dump).hexdigest() == published


@pytest.mark.parametrize(
    ("dump", "revision", "density", "address_bytes", "page", "erases", "four_byte"),
    [
        (
            SST26VF064B,
            (1, 6),
            8 * MIB,
            (3,),
            256,
            ((4 * KIB, 0x20), (8 * KIB, 0xD8), (32 * KIB, 0xD8), (64 * KIB, 0xD8)),
            None,
        ),
        (
            MT25QU256A,
            (1, 6),
            32 * MIB,
            (3, 4),
            256,
            ((4 * KIB, 0x20), (64 * KIB, 0xD8), (32 * KIB, 0x52)),  # not in order of size
            True,
        ),
        (W25Q01NW, (1, 6), 128 * MIB, (3, 4), 256, COMMON, True),
        (W25Q02NW, (1, 6), 256 * MIB, (3, 4), 256, COMMON, True),
        (W25Q64JW, (1, 6), 8 * MIB, (3,), 256, COMMON, False),
        (IS25WP256, (1, 6), 32 * MIB, (3,), 256, COMMON, None),
        (CLONE, (1, 0), 2 * MIB, (3,), None, (*COMMON, (256, 0x81)), None),
        (MX25L12835F, (1, 0), 16 * MIB, (3,), None, COMMON, None),
        (AT25QL128A, (1, 6), 16 * MIB, (3,), 256, COMMON, None),
    ],
)
def test_geometry_is_what_was_published(
    *,
    dump: bytes,
    revision: tuple[int, int],
    density: int,
    address_bytes: tuple[int, ...],
    page: int | None,
    erases: tuple[tuple[int, int], ...],
    four_byte: bool | None,
) -> None:
    facts = read(dump)
    assert (facts.basic.major, facts.basic.minor) == revision
    assert (facts.density, facts.address_bytes, facts.page_size) == (density, address_bytes, page)
    assert tuple((erase.size, erase.opcode) for erase in facts.erase_types) == erases
    assert facts.erase_sizes == tuple(sorted(size for size, _ in erases))
    assert facts.four_byte_table is four_byte
    assert sfdp.match(View.of(dump)) is Match.SURE


def test_a_chip_that_contradicts_itself_says_so() -> None:
    # 32 MiB that only 3-byte addresses reach: a published dump.
    assert read(IS25WP256).unreachable == 16 * MIB
    assert [read(dump).unreachable for dump in ALL if dump is not IS25WP256] == [0] * 8


def test_tables_are_found_where_their_headers_say() -> None:
    facts = read(SST26VF064B)
    assert [(t.id, t.pointer, t.dwords, t.complete) for t in facts.tables] == [
        (0xFF00, 0x30, 16, True),
        (0xFF81, 0x100, 6, True),
        (0x01BF, 0x200, 24, True),
    ]
    assert [t.name for t in facts.tables] == [
        "basic flash parameters",
        "sector map",
        "vendor's own",
    ]
    assert all(table.announced for table in facts.tables)


def beyond_nph(data: bytes) -> list[sfdp.Table]:
    return [table for table in read(data).tables if not table.announced]


def test_headers_beyond_nph_are_told_but_not_followed() -> None:
    (beyond,) = beyond_nph(W25Q02NW)
    assert (beyond.id, beyond.pointer, beyond.dwords) == (0xFF03, 0xF0, 2)
    assert not beyond.complete  # its table lies past the 216 bytes


def test_a_table_right_behind_the_headers_is_no_header() -> None:
    header = bytes((0x87, 0, 1, 2)) + (0x18).to_bytes(3, "little") + b"\xff"
    assert beyond_nph(table(0, 0xFFFF, nph=1, more=header + header)) == []
    assert len(beyond_nph(table(0, 0xFFFF, nph=0, more=header))) == 1


def test_the_sector_map_equals_the_documented_one() -> None:
    # Linux Documentation/driver-api/mtd/spi-nor.rst prints it from debugfs (types counted from 0).
    (sector_map,) = read(SST26VF064B).sector_maps
    assert [(r.start, r.end - 1, r.erase_types, r.erase_sizes) for r in sector_map.regions] == [
        (0x000000, 0x007FFF, (1, 2), (4 * KIB, 8 * KIB)),
        (0x008000, 0x00FFFF, (1, 3), (4 * KIB, 32 * KIB)),
        (0x010000, 0x7EFFFF, (1, 4), (4 * KIB, 64 * KIB)),
        (0x7F0000, 0x7F7FFF, (1, 3), (4 * KIB, 32 * KIB)),
        (0x7F8000, 0x7FFFFF, (1, 2), (4 * KIB, 8 * KIB)),
    ]
    assert sector_map.size == read(SST26VF064B).density
    assert sector_map.regions[2].size == 0x7E0000
    assert SST26VF064B[sector_map.regions[2].offset + 1 :][:3] == bytes.fromhex("ff7d00")


def test_4_byte_opcodes_stand_with_the_erase_type_of_their_number() -> None:
    # The kernel prints 21h and DCh for this part (linux-mtd).
    assert [erase.opcode_4byte for erase in read(W25Q01NW).erase_types] == [0x21, None, 0xDC]
    assert [erase.opcode_4byte for erase in read(W25Q64JW).erase_types] == [None] * 3


def test_offsets_point_at_the_fields() -> None:
    facts = read(IS25WP256)
    assert IS25WP256[facts.offsets["density"] :][:4] == bytes.fromhex("ffffff0f")
    assert IS25WP256[facts.offsets["page_size"]] >> 4 == 8
    for erase in facts.erase_types:
        assert IS25WP256[erase.offset + 1] == erase.opcode


def table(*words: int, nph: int = 0, more: bytes = b"") -> bytes:
    """Write a dump with a basic table of these dwords, all others zero, then more headers."""
    dwords = [*words, *[0] * (9 - len(words))]
    header = b"SFDP" + bytes((0, 1, nph, 0xFF))
    first = bytes((0x00, 0, 1, len(dwords))) + (0x40).to_bytes(3, "little") + b"\xff"
    return (header + first + more).ljust(0x40, b"\xff") + struct.pack(f"<{len(dwords)}I", *dwords)


def test_density_above_2_gibit_is_a_power() -> None:
    # Linux drivers/mtd/spi-nor/sfdp.c: bit 31 set means 2^N bits.
    assert read(table(0, 0x80000000 | 33)).density == 1 << 30
    with pytest.raises(FormatError, match=r"2\^64 bits"):
        read(table(0, 0x80000000 | 64))


def test_an_address_length_of_3_is_reserved() -> None:
    assert read(table(3 << 17)).address_bytes == ()
    assert read(table(2 << 17)).address_bytes == (4,)
    assert read(table(3 << 17, 0x7FFFFFFF)).unreachable == 0


def test_the_newest_basic_table_counts() -> None:
    # Linux spi_nor_parse_sfdp: a later header may repeat the table in a newer revision.
    newer = bytes((0x00, 6, 1, 9)) + (0x64).to_bytes(3, "little") + b"\xff"
    dump = table(0, 0xFFFF, nph=1, more=newer) + struct.pack("<9I", 0, 0xFFFFF, *[0] * 7)
    assert read(dump).density == 128 * KIB


def test_detection_commands_before_the_maps_are_skipped() -> None:
    more = bytes((0x81, 0, 1, 6)) + (0x64).to_bytes(3, "little") + b"\xff"
    words = (0, 0x1234, 0x0000_0002, 0x0000_0F01, 0x0001_0103, 0x0000_0002)
    dump = table(0, 0xFFFF, *[0] * 5, 0x2010_200C, nph=1, more=more) + struct.pack("<6I", *words)
    one, two = read(dump).sector_maps
    assert [(r.start, r.end, r.erase_sizes) for r in one.regions] == [(0, 4096, (4 * KIB,))]
    assert two.id == 1
    # The second map announces two regions, the table ends after one.
    assert [(r.start, r.end, r.erase_types) for r in two.regions] == [(0, 256, (2,))]


def test_as_many_headers_as_nph_can_count_are_read() -> None:
    header = bytes((0x00, 0, 1, 9)) + (0x1000).to_bytes(3, "little") + b"\xff"
    dump = b"SFDP" + bytes((0, 1, 0xFF, 0xFF)) + header * 257
    facts = read(dump.ljust(0x1000, b"\0") + bytes(36))
    assert len(facts.tables) == 256
    assert all(table.announced for table in facts.tables)


def test_a_sector_map_without_an_end_mark_ends_with_its_table() -> None:
    more = bytes((0x81, 0, 1, 2)) + (0x64).to_bytes(3, "little") + b"\xff"
    dump = table(0, 0xFFFF, nph=1, more=more) + struct.pack("<2I", 2, 0x1F01)
    (sector_map,) = read(dump).sector_maps
    assert [(r.start, r.end, r.erase_sizes) for r in sector_map.regions] == [(0, 8 * KIB, ())]


@pytest.mark.parametrize(
    ("damage", "why"),
    [
        (lambda d: b"SFDQ" + d[4:], "does not start"),
        (lambda d: d[:5] + b"\2" + d[6:], "major revision 2"),
        (lambda d: d[:8] + b"\1" + d[9:], "not the basic one"),
        (lambda d: d[:11] + b"\x08" + d[12:], "has 8 dwords"),
        (lambda d: d[:100], "are left"),
        (lambda d: d[:20], "are left"),
    ],
)
def test_what_cannot_be_read_is_an_error(damage: object, why: str) -> None:
    assert callable(damage)
    with pytest.raises(FormatError, match=why):
        read(damage(W25Q64JW))


@given(st.binary(max_size=300) | st.binary(max_size=300).map(b"SFDP\x06\x01".__add__))
def test_any_bytes_give_facts_or_a_format_error(data: bytes) -> None:
    sfdp.match(View.of(data))
    try:
        read(data).summary()
    except FormatError:
        return


@given(st.sampled_from(ALL), st.data())
def test_a_damaged_dump_gives_facts_or_a_format_error(dump: bytes, data: st.DataObject) -> None:
    changed = bytearray(dump)
    for at in data.draw(st.lists(st.integers(0, len(dump) - 1), max_size=6)):
        changed[at] = data.draw(st.integers(0, 255))
    cut = changed[: data.draw(st.integers(0, len(dump)))]
    try:
        facts = read(bytes(cut))
    except FormatError:
        return
    assert facts.summary()
    assert all(region.start < region.end for m in facts.sector_maps for region in m.regions)
