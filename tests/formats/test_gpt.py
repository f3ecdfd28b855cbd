from __future__ import annotations

import json
import re
import struct
import subprocess
import uuid
import zlib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.errors import FormatError, UnreadError
from imgaudit.formats import gpt
from imgaudit.formats.boot_record import read_boot_record
from imgaudit.formats.facts import Match, Part
from imgaudit.formats.guid import TYPE_NAMES, byte_swapped, guid_bytes
from imgaudit.formats.view import MemorySource, View
from imgaudit.units import Span

ROOT = TYPE_NAMES["linux-root-arm64"]
DISK = "11111111-2222-3333-4444-555555555555"


def entry(
    first: int, last: int, name: str = "", *, kind: str = ROOT, unique: int = 1, attributes: int = 0
) -> bytes:
    return struct.pack(
        "<16s16sQQQ72s",
        guid_bytes(kind),
        uuid.UUID(int=unique).bytes_le,
        first,
        last,
        attributes,
        name.encode("utf-16-le"),
    )


def header(
    *,
    lba: int,
    other: int,
    array: bytes,
    array_lba: int,
    size: int = 128,
    usable: tuple[int, int] = (34, 94),
    header_size: int = 92,
) -> bytes:
    def pack(crc: int) -> bytes:
        return struct.pack(
            "<8sIIII4Q16sQIII",
            b"EFI PART",
            0x10000,
            header_size,
            crc,
            0,
            lba,
            other,
            *usable,
            guid_bytes(DISK),
            array_lba,
            len(array) // size,
            size,
            zlib.crc32(array),
        ).ljust(header_size, b"\0")

    return pack(zlib.crc32(pack(0)))


def disk(
    entries: list[bytes], *, blocks: int = 128, block_size: int = 512, count: int = 128
) -> bytearray:
    image = bytearray(blocks * block_size)
    array = b"".join(entries).ljust(128 * count, b"\0")
    array_blocks = -(-len(array) // block_size)
    last = blocks - 1
    image[446:462] = struct.pack(
        "<B3sB3sII", 0, b"\0\2\0", 0xEE, b"\xff" * 3, 1, min(last, 0xFFFFFFFF)
    )
    image[510:512] = b"\x55\xaa"
    usable = (2 + array_blocks, last - array_blocks - 1)
    backup_array = last - array_blocks
    for lba, data in (
        (1, header(lba=1, other=last, array=array, array_lba=2, usable=usable)),
        (2, array),
        (backup_array, array),
        (last, header(lba=last, other=1, array=array, array_lba=backup_array, usable=usable)),
    ):
        image[lba * block_size : lba * block_size + len(data)] = data
    return image


ENTRIES = [entry(40, 59, "boot-a"), entry(60, 69, "rootfs-a", unique=2, attributes=1 << 60)]


def test_both_copies_are_read() -> None:
    image = disk(ENTRIES)
    facts = gpt.read(View.of(image))
    assert facts.primary is not None
    assert facts.backup is not None
    assert (facts.primary_why, facts.backup_why, facts.stray) == ("", "", None)
    assert [(c.name, c.matches) for c in facts.checksums] == [
        ("primary header", True),
        ("primary array", True),
        ("backup header", True),
        ("backup array", True),
    ]
    assert facts.table is facts.primary
    first, second = facts.primary.entries
    assert (first.number, first.offset, first.starting_lba, first.ending_lba) == (1, 1024, 40, 59)
    assert (second.number, second.offset) == (2, 1024 + 128)
    assert [uuid.UUID(it.unique_guid).int for it in (first, second)] == [1, 2]
    assert (first.blocks, second.attributes, second.name) == (20, 1 << 60, "rootfs-a")
    assert first.type_name == "linux-root-arm64"
    assert facts.primary.disk_guid == DISK
    assert facts.primary.array == Span(1024, 1024 + 16384)
    assert (facts.primary.array_end_lba, facts.primary.first_usable_lba) == (34, 34)
    assert facts.backup.array == Span(95 * 512, 127 * 512)
    assert facts.backup_lba == facts.view_size // 512 - 1 == 127
    assert facts.length == len(image)
    assert list(facts.parts()) == [
        Part("partition 1 (boot-a)", 40 * 512, 20 * 512),
        Part("partition 2 (rootfs-a)", 60 * 512, 10 * 512),
    ]
    assert facts.summary() == "2 partitions, 64 KiB"
    assert gpt.match(View.of(image)) is Match.SURE
    (protective,) = facts.mbr.protective
    assert (protective.starting_lba, protective.size_in_lba) == (1, 127)
    assert facts.mbr.ordinary == ()


def test_every_field_can_be_pointed_at() -> None:
    image = disk(ENTRIES)
    facts = gpt.read(View.of(image))
    assert facts.primary is not None
    for name in ("my_lba", "alternate_lba", "first_usable_lba", "partition_entry_lba"):
        stored = int.from_bytes(image[facts.offsets[f"primary.{name}"] :][:8], "little")
        assert stored == getattr(facts.primary, name)
    assert facts.offsets["backup.signature"] == 127 * 512
    for checksum in facts.checksums:
        stored = int.from_bytes(image[checksum.offset :][:4], "little")
        assert f"{stored:08x}" == checksum.stored
    assert set(facts.primary.offsets) == set(gpt._FIELDS)


def test_4096_byte_blocks_are_found() -> None:
    facts = gpt.read(View.of(disk(ENTRIES, block_size=4096)))
    assert facts.block_size == 4096
    assert all(checksum.matches for checksum in facts.checksums)
    assert next(iter(facts.parts())).offset == 40 * 4096


def test_published_header() -> None:
    # A header dump in a thread, from memory on a 3,909,091,328-byte eMMC.
    stored = bytes.fromhex(
        "4546492050415254000001005c00000066141905000000000100000000000000ff7f740000000000"
        "2200000000000000de7f74000000000000042021040846019dcca8c51255994f0200000000000000"
        "8000000080000000ba11a652"
    )
    facts = gpt.read(View.of(bytes(512) + stored + bytes(1024 - 512 - len(stored))))
    table = facts.primary
    assert table is not None
    assert (table.header_checksum.stored, table.header_checksum.matches) == ("05191466", True)
    assert table.array_checksum.stored == "52a611ba"
    assert table.array_checksum.computed is None
    assert table.array_checksum.why == table.entries_why != ""
    assert (table.my_lba, table.alternate_lba) == (1, 7634943)
    assert (table.first_usable_lba, table.last_usable_lba) == (34, 7634910)
    assert (table.number_of_partition_entries, table.size_of_partition_entry) == (128, 128)
    assert facts.length == 3909091328
    assert facts.backup is None
    assert facts.backup_lba == 7634943
    assert "behind the end" in facts.backup_why


def test_checksum_of_an_empty_array() -> None:
    # CRC-32 of 16384 zero bytes, computed with zlib.
    facts = gpt.read(View.of(disk([])))
    assert facts.primary is not None
    assert facts.primary.array_checksum.computed == "ab54d286"


@pytest.mark.parametrize(
    ("at", "names"),
    [
        (512 + 40, ["primary header"]),
        (1024 + 300, ["primary array"]),
        (127 * 512 + 40, ["backup header"]),
        (95 * 512 + 300, ["backup array"]),
    ],
)
def test_one_damaged_byte_fails_one_checksum(at: int, names: list[str]) -> None:
    image = disk(ENTRIES)
    image[at] ^= 1
    facts = gpt.read(View.of(image))
    assert [c.name for c in facts.checksums if not c.matches] == names
    assert facts.table is (facts.backup if names[0].startswith("primary") else facts.primary)


def test_a_lost_primary_leaves_the_backup() -> None:
    image = disk(ENTRIES)
    image[512:1024] = bytes(512)
    facts = gpt.read(View.of(image))
    assert facts.primary is None
    assert facts.primary_why == "no header in block 1"
    assert facts.backup is not None
    assert facts.table is facts.backup
    assert [c.name for c in facts.checksums] == ["backup header", "backup array"]
    assert len(list(facts.parts())) == 2
    assert facts.length == len(image)
    assert gpt.match(View.of(image)) is Match.SURE


def test_a_primary_that_points_astray_is_not_believed_when_its_checksum_is_wrong() -> None:
    image = disk(ENTRIES)
    image[512 + 32 : 512 + 40] = struct.pack("<Q", 77)
    facts = gpt.read(View.of(image))
    assert facts.backup_lba == 127
    assert facts.table is facts.backup
    assert facts.length == len(image)


def test_a_cut_image_has_no_backup() -> None:
    facts = gpt.read(View.of(disk(ENTRIES)[: 80 * 512]))
    assert facts.backup is None
    assert facts.backup_why == "block 127 lies behind the end of the data"
    assert facts.length == 128 * 512


def test_a_backup_in_the_first_block_behind_the_end_is_not_there() -> None:
    facts = gpt.read(View.of(disk(ENTRIES)[: 127 * 512]))
    assert facts.backup_why == "block 127 lies behind the end of the data"
    facts = gpt.read(View.of(disk(ENTRIES)[: 127 * 512 + 1]))
    assert facts.backup_why == "no header in block 127"


def test_two_blocks_have_no_second_copy() -> None:
    facts = gpt.read(View.of(disk(ENTRIES)[:1024]))
    assert facts.primary is not None
    assert (facts.backup, facts.stray) == (None, None)
    image = disk(ENTRIES)[:1024]
    image[512:] = bytes(512)
    assert gpt.read(View.of(image)).backup_why == "the data ends before a second block"


def test_an_array_of_1_mib_is_read_and_none_beyond() -> None:
    for count, why in ((8192, ""), (8193, "beyond what is read")):
        table = gpt.read(View.of(disk(ENTRIES, blocks=4200, count=count))).primary
        assert table is not None
        assert why in table.entries_why
        assert len(table.entries) == (0 if why else 2)


def test_a_header_may_fill_its_block() -> None:
    image = disk(ENTRIES)
    for size, matches in ((512, True), (513, None)):
        array = bytes(image[1024 : 1024 + 16384])
        image[512:1024] = header(lba=1, other=127, array=array, array_lba=2, header_size=size)[:512]
        table = gpt.read(View.of(image)).primary
        assert table is not None
        assert table.header_checksum.matches is matches


def test_a_cut_partition_is_no_part() -> None:
    facts = gpt.read(View.of(disk(ENTRIES)[: 65 * 512]))
    assert [part.name for part in facts.parts()] == ["partition 1 (boot-a)"]


@pytest.mark.parametrize(("blocks", "parts"), [(69, 1), (70, 2), (71, 2)])
def test_a_partition_up_to_the_last_byte_is_a_part(blocks: int, parts: int) -> None:
    """The second one has the blocks 60 to 69."""
    facts = gpt.read(View.of(disk(ENTRIES)[: blocks * 512]))
    assert len(list(facts.parts())) == parts


def test_a_grown_image_keeps_its_backup_where_it_was() -> None:
    facts = gpt.read(View.of(disk(ENTRIES) + bytes(100 * 512)))
    assert facts.backup is not None
    assert (facts.backup_lba, facts.view_size // 512) == (127, 228)
    assert facts.stray is None


def test_a_stale_backup_in_the_last_block_is_kept_apart() -> None:
    image = disk(ENTRIES) + disk(ENTRIES[:1], blocks=72)[-72 * 512 :]
    last = len(image) // 512 - 1
    stale = header(lba=last, other=1, array=bytes(16384), array_lba=last - 32)
    image[last * 512 : last * 512 + 92] = stale
    facts = gpt.read(View.of(image))
    assert facts.backup is not None
    assert facts.backup.lba == 127
    assert facts.stray is not None
    assert facts.stray.my_lba == last
    image[last * 512 + 50] ^= 1
    assert gpt.read(View.of(image)).stray is None


def test_a_hybrid_mbr_is_told() -> None:
    image = disk(ENTRIES)
    image[462:478] = struct.pack("<B3sB3sII", 0x80, bytes(3), 0x83, bytes(3), 40, 20)
    mbr = gpt.read(View.of(image)).mbr
    assert [record.number for record in mbr.protective] == [1]
    assert [(r.number, r.offset, r.starting_lba) for r in mbr.ordinary] == [(2, 462, 40)]
    assert mbr.signed


def test_a_protective_mbr_alone_is_facts() -> None:
    facts = gpt.read(View.of(disk([])[:512]))
    assert (facts.primary, facts.backup, facts.table, facts.length) == (None, None, None, None)
    assert facts.primary_why
    assert facts.backup_why
    assert list(facts.parts()) == []
    assert "without a readable table" in facts.summary()
    assert gpt.match(View.of(disk([])[:512])) is Match.WEAK


def test_a_loader_at_8_kib_spares_a_table_of_56_entries() -> None:
    # U-Boot doc/board/allwinner/sunxi.rst: 0x400 + 56 * 128 is 0x2000.
    image = disk(ENTRIES, count=56)
    image[0x2000 : 0x2000 + 512] = b"\xa5" * 512
    facts = gpt.read(View.of(image))
    assert facts.primary is not None
    assert facts.primary.array.end == 0x2000
    assert facts.primary.intact
    whole = disk([*ENTRIES])
    whole[0x2000 : 0x2000 + 512] = b"\xa5" * 512
    spoilt = gpt.read(View.of(whole)).primary
    assert spoilt is not None
    assert not spoilt.array_checksum.matches


def test_a_name_of_36_units_has_no_terminator() -> None:
    image = disk([entry(40, 41, "n" * 36)])
    table = gpt.read(View.of(image)).primary
    assert table is not None
    assert (table.entries[0].name, table.entries[0].name_valid) == ("n" * 36, True)
    assert table.entry("n" * 36) == table.entries[0]
    assert table.entry("n") is None


def test_a_lone_surrogate_is_told() -> None:
    image = disk([entry(40, 41, "ab")])
    image[1024 + 56 : 1024 + 58] = b"\x00\xd8"
    table = gpt.read(View.of(image)).primary
    assert table is not None
    assert not table.entries[0].name_valid


def test_a_big_endian_type_is_recognised() -> None:
    table = gpt.read(View.of(disk([entry(40, 41, kind=byte_swapped(ROOT))]))).primary
    assert table is not None
    assert table.entries[0].type_name is None
    assert table.entries[0].swapped_type_name == "linux-root-arm64"


def test_an_end_before_the_start_is_a_fact() -> None:
    facts = gpt.read(View.of(disk([entry(50, 40)])))
    assert facts.primary is not None
    assert facts.primary.entries[0].blocks == -9
    assert facts.primary.span(facts.primary.entries[0]).size == 0
    assert list(facts.parts()) == []


@pytest.mark.parametrize(
    ("at", "value", "why"),
    [
        (84, 64, "too short"),
        (80, 0xFFFFFFFF, "beyond what is read"),
        (72, 1 << 60, "needs"),
    ],
)
def test_an_unreadable_array_is_a_fact(at: int, value: int, why: str) -> None:
    image = disk(ENTRIES)
    size = 8 if at == 72 else 4
    image[512 + at : 512 + at + size] = value.to_bytes(size, "little")
    table = gpt.read(View.of(image)).primary
    assert table is not None
    assert table.entries == ()
    assert why in table.entries_why
    assert table.array_checksum.computed is None
    assert not table.intact


def test_a_header_size_out_of_range_is_a_fact() -> None:
    image = disk(ENTRIES)
    image[512 + 12] = 91
    table = gpt.read(View.of(image)).primary
    assert table is not None
    assert table.header_checksum.matches is None
    assert "outside 92 to 512" in table.header_checksum.why
    image[512 + 400] = 1
    table = gpt.read(View.of(image)).primary
    assert table is not None
    assert not table.rest_zero


def test_a_longer_header_is_summed_whole() -> None:
    image = disk(ENTRIES)
    array = bytes(image[1024 : 1024 + 16384])
    long = header(lba=1, other=127, array=array, array_lba=2, header_size=128)
    image[512 : 512 + 128] = long
    table = gpt.read(View.of(image)).primary
    assert table is not None
    assert table.header_checksum.matches
    assert table.header_checksum.covers == Span(512, 640)


def test_windows_hold_all_that_read_and_the_partitions_want() -> None:
    big = disk([entry(4096, 8191, "a"), entry(8192, 8200, "b")], blocks=20000)
    spans = gpt.windows(View.of(big[: 64 << 10]))
    assert spans == [
        Span(0, 1 << 20),
        Span(4096 * 512, 4096 * 512 + (128 << 10)),
        Span(8192 * 512, 8201 * 512),
        Span(len(big) - 16384 - 1024, len(big)),
    ]
    kept = bytearray(len(big))
    for span in spans:
        kept[span.start : span.end] = big[span.start : span.end]
    assert gpt.read(View.of(kept)) == gpt.read(View.of(big))


def test_windows_of_large_blocks() -> None:
    big = disk([entry(300, 400)], blocks=2000, block_size=4096)
    assert gpt.windows(View.of(big)) == [
        Span(0, 1 << 20),
        Span(300 * 4096, 300 * 4096 + (128 << 10)),
        Span(len(big) - 16384 - 8192, len(big)),
    ]


class HeadOnly(MemorySource):
    """A stream of which only the first 32 KiB were kept."""

    def read_at(self, offset: int, length: int) -> bytes:
        if offset + length > 32 << 10:
            raise UnreadError(offset, "not kept")
        return super().read_at(offset, length)


def test_a_backup_that_was_not_kept_is_a_fact() -> None:
    view = View(HeadOnly(disk(ENTRIES)))
    facts = gpt.read(view)
    assert facts.primary is not None
    assert facts.primary.intact
    assert facts.backup is None
    assert "not kept" in facts.backup_why
    assert gpt.match(view) is Match.SURE


def test_a_backup_in_block_0_is_not_looked_for() -> None:
    image = disk(ENTRIES)
    array = bytes(image[1024 : 1024 + 16384])
    image[512 : 512 + 92] = header(lba=1, other=0, array=array, array_lba=2)
    facts = gpt.read(View.of(image))
    assert facts.backup is None
    assert facts.backup_why == "the header says that it is in block 0, where the MBR is"
    assert facts.backup_lba is None
    assert facts.stray is not None


def test_windows_of_a_head_without_a_table() -> None:
    assert gpt.windows(View.of(bytes(4096))) == [Span(0, 1 << 20)]


def test_windows_are_bounded() -> None:
    many = [entry(1000 + n * 8, 1000 + n * 8, unique=n) for n in range(1000)]
    spans = gpt.windows(View.of(disk(many, blocks=20000, count=1000)))
    # The first 1 MiB holds the first of them; what lies at the end is the last.
    inside = sum(1000 + n * 8 < 2048 for n in range(gpt.MAX_WINDOWS))
    assert len(spans) == 1 + gpt.MAX_WINDOWS - inside + 1


def test_windows_reach_to_the_end_of_an_array_that_can_be_read() -> None:
    image = disk(ENTRIES, blocks=8192)
    array = bytes(image[1024 : 1024 + 16384])
    image[4096 * 512 : 4096 * 512 + 16384] = array
    for size, end in ((128, 4128 * 512), (64, 1 << 20)):
        stored = header(lba=1, other=0, array=array, array_lba=4096, size=size)
        image[512:1024] = stored.ljust(512, b"\0")
        (first, *_) = gpt.windows(View.of(image))
        # AlternateLBA 0: what is wanted of the end does not begin before the start.
        assert first == Span(0, end)


BAD = 512 + 60  # a byte of the primary header that nothing but its checksum judges


def test_a_damaged_header_is_recognised_and_used_where_there_is_no_better() -> None:
    image = disk(ENTRIES)
    image[BAD] ^= 1
    assert gpt.match(View.of(image)) is Match.SURE
    facts = gpt.read(View.of(image))
    assert facts.table is facts.backup
    image[127 * 512 + 60] ^= 1
    assert gpt.match(View.of(image)) is Match.GOOD
    facts = gpt.read(View.of(image))
    assert facts.backup is not None
    assert facts.table is facts.primary
    assert facts.table is not None
    facts = gpt.read(View.of(image[: 100 * 512]))
    assert (facts.table is facts.primary, facts.length) == (True, 128 * 512)


def test_a_damaged_primary_still_says_where_its_backup_is() -> None:
    image = disk(ENTRIES)
    image[BAD] ^= 1
    facts = gpt.read(View.of(image + bytes(100 * 512)))
    assert facts.backup is not None
    assert (facts.backup_lba, facts.length, facts.table) == (127, 128 * 512, facts.backup)


def test_the_length_is_what_a_sound_primary_says() -> None:
    image = disk(ENTRIES)
    array = bytes(image[1024 : 1024 + 16384])
    wrong = header(lba=90, other=1, array=array, array_lba=95)
    image[127 * 512 : 127 * 512 + 92] = wrong
    assert gpt.read(View.of(image)).length == 128 * 512
    image[BAD] ^= 1
    assert gpt.read(View.of(image)).length == 91 * 512


@pytest.mark.parametrize("other", [2, 1, 90])
def test_three_blocks_have_a_last_one_behind_the_primary(other: int) -> None:
    image = disk(ENTRIES)[: 3 * 512]
    array = bytes(16384)
    image[512:1024] = header(lba=1, other=other, array=array, array_lba=2).ljust(512, b"\0")
    image[1024:] = header(lba=2, other=1, array=array, array_lba=1).ljust(512, b"\0")
    facts = gpt.read(View.of(image))
    assert facts.backup_lba == other
    assert (facts.backup is not None, facts.stray is not None) == (other < 3, other != 2)
    image[512:1024] = bytes(512)
    facts = gpt.read(View.of(image))
    assert facts.backup is not None
    assert (facts.primary, facts.backup_lba, facts.backup.my_lba) == (None, 2, 2)


@pytest.mark.parametrize(("at", "new"), [(510, 0), (511, 0), (450, 0x83)])
def test_a_protective_record_and_the_signature_make_a_protective_mbr(at: int, new: int) -> None:
    image = disk([])[:512]
    image[at] = new
    assert gpt.match(View.of(image)) is Match.NO
    with pytest.raises(FormatError):
        gpt.read(View.of(image))


def test_a_header_in_block_0_is_none() -> None:
    stored = header(lba=0, other=0, array=bytes(16384), array_lba=2).ljust(512, b"\0")
    for data in (stored, stored[:400], stored + bytes(100)):
        assert gpt.match(View.of(data)) is Match.NO


def test_the_block_size_is_where_a_header_is_proven() -> None:
    """A header in byte 4096 says 1 or 8, which is the size of its blocks."""
    image = disk(ENTRIES)
    array = bytes(16384)
    image[BAD] ^= 1
    image[127 * 512 + 60] ^= 1
    for lba, size in ((8, 512), (1, 4096)):
        other = header(lba=lba, other=3, array=array, array_lba=2)
        image[4096 : 4096 + 92] = other
        assert gpt.read(View.of(image)).block_size == size
        assert gpt.match(View.of(image)) is (Match.SURE if lba == 1 else Match.GOOD)
    image[4096 + 60] ^= 1
    assert gpt.read(View.of(image)).block_size == 512


def test_a_stream_of_large_blocks_is_known_by_its_head() -> None:
    image = disk(ENTRIES, block_size=4096)
    assert gpt.read(View(HeadOnly(image))).block_size == 4096


def test_a_backup_whose_block_is_cut_is_not_read() -> None:
    facts = gpt.read(View.of(disk(ENTRIES)[:-1]))
    assert facts.backup_why == "block 127 is cut"


def test_entries_are_as_long_as_defined() -> None:
    for size, why in ((127, "too short"), (128, "")):
        image = disk(ENTRIES)
        image[512 + 84] = size
        table = gpt.read(View.of(image)).primary
        assert table is not None
        assert why in table.entries_why
        assert bool(table.entries) is not bool(why)


def test_what_follows_a_longer_header_is_its_rest() -> None:
    image = disk(ENTRIES)
    array = bytes(image[1024 : 1024 + 16384])
    for at, zero in ((127, True), (128, False)):
        stored = header(lba=1, other=127, array=array, array_lba=2, header_size=128)
        image[512:1024] = stored.ljust(512, b"\0")
        image[512 + at] = 5
        table = gpt.read(View.of(image)).primary
        assert table is not None
        assert table.rest_zero is zero


def test_a_partition_without_a_name_has_its_number() -> None:
    facts = gpt.read(View.of(disk([entry(40, 41, "")])))
    assert [part.name for part in facts.parts()] == ["partition 1"]


def test_other_bytes_are_refused() -> None:
    with pytest.raises(FormatError):
        gpt.read(View.of(bytes(4096)))
    assert gpt.match(View.of(bytes(4096))) is Match.NO
    assert gpt.match(View.of(b"")) is Match.NO


@given(st.binary(max_size=1200).map(lambda data: bytes(512) + b"EFI PART" + data) | st.binary())
def test_any_bytes_give_facts_or_a_format_error(data: bytes) -> None:
    view = View.of(data)
    gpt.windows(view)
    try:
        facts = gpt.read(view)
    except FormatError:
        assert gpt.match(view) is Match.NO
        return
    assert len(facts.summary()) <= 60


@given(
    st.lists(
        st.tuples(
            st.sampled_from([*range(446, 700), *range(1024, 1300), *range(127 * 512, 128 * 512)]),
            st.integers(0, 255),
        ),
        max_size=8,
    ),
    st.sampled_from([128 * 512, 127 * 512, 90 * 512 + 7, 1024, 600]),
)
def test_damaged_disks_give_facts_or_a_format_error(
    changes: list[tuple[int, int]], size: int
) -> None:
    image = disk(ENTRIES)
    for at, value in changes:
        image[at] = value
    view = View.of(image[:size])
    gpt.windows(view)
    try:
        facts = gpt.read(view)
    except FormatError:
        return
    for part in facts.parts():
        view.sub(part.offset, part.size)
    assert (facts.primary is None) == bool(facts.primary_why)
    assert (facts.backup is None) == bool(facts.backup_why)


def _sgdisk(image: Path, *options: str) -> str:
    done = subprocess.run(
        ["sgdisk", *options, str(image)], capture_output=True, text=True, check=True
    )
    return done.stdout


def _compare_with_sfdisk(image: Path) -> gpt.Gpt:
    told = json.loads(
        subprocess.run(
            ["sfdisk", "--json", str(image)], capture_output=True, text=True, check=True
        ).stdout
    )["partitiontable"]
    facts = gpt.read(View.of(image.read_bytes()))
    table = facts.table
    assert table is not None
    assert table.disk_guid == told["id"].lower()
    assert (table.first_usable_lba, table.last_usable_lba) == (told["firstlba"], told["lastlba"])
    assert [
        (f"{image}{e.number}", e.starting_lba, e.blocks, e.type_guid, e.unique_guid, e.name)
        for e in table.entries
    ] == [
        (p["node"], p["start"], p["size"], p["type"].lower(), p["uuid"].lower(), p.get("name", ""))
        for p in told["partitions"]
    ]
    return facts


@pytest.mark.oracle
@pytest.mark.parametrize("entries", ["128", "56", "256"])
def test_sgdisk_and_sfdisk_agree(tmp_path: Path, entries: str) -> None:
    image = tmp_path / "disk"
    image.write_bytes(bytes(16 << 20))
    _sgdisk(image, "-o", "-S", entries)
    _sgdisk(
        image,
        *("-n1:2048:4095", "-t1:ef00", "-c1:EFI System"),
        *("-n2:4096:8191", "-t2:8305", "-c2:rootfs-a", "-A2:set:60"),
        *("-n5:8192:0", "-t5:8300", "-c5:päivä 日記 🌊"),
    )
    assert "No problems found" in _sgdisk(image, "-v")
    facts = _compare_with_sfdisk(image)
    assert [checksum.matches for checksum in facts.checksums] == [True] * 4
    assert facts.primary is not None
    assert facts.primary.number_of_partition_entries == int(entries)
    assert facts.primary.rest_zero
    assert [e.type_name for e in facts.primary.entries] == ["esp", "linux-root-arm64", "linux-data"]
    assert facts.primary.entries[1].attributes == 1 << 60
    assert facts.length == 16 << 20


@pytest.mark.oracle
def test_a_moved_array_is_followed(tmp_path: Path) -> None:
    image = tmp_path / "disk"
    image.write_bytes(bytes(16 << 20))
    _sgdisk(image, "-o", "-j", "64", "-n1:2048:4095")
    facts = _compare_with_sfdisk(image)
    assert facts.primary is not None
    assert facts.primary.partition_entry_lba == 64
    assert facts.primary.intact


@pytest.mark.oracle
def test_sgdisk_makes_a_hybrid(tmp_path: Path) -> None:
    image = tmp_path / "disk"
    image.write_bytes(bytes(16 << 20))
    _sgdisk(image, "-o", "-n1:2048:4095", "-n2:4096:8191")
    _sgdisk(image, "-h", "2")
    mbr = gpt.read(View.of(image.read_bytes())).mbr
    assert len(mbr.protective) == 1
    assert [(r.starting_lba, r.size_in_lba) for r in mbr.ordinary] == [(4096, 4096)]


@pytest.mark.oracle
@pytest.mark.parametrize(
    ("at", "words", "names"),
    [
        (512 + 60, "Main header", ["primary header"]),
        (1024 + 130, "Main partition table", ["primary array"]),
        (-512 + 60, "Backup header", ["backup header"]),
        (-512 - 16384 + 130, "Backup partition table", ["backup array"]),
    ],
)
def test_sgdisk_sees_the_same_damage(tmp_path: Path, at: int, words: str, names: list[str]) -> None:
    image = tmp_path / "disk"
    image.write_bytes(bytes(16 << 20))
    _sgdisk(image, "-o", "-n1:2048:4095")
    data = bytearray(image.read_bytes())
    data[at] ^= 0xFF
    image.write_bytes(data)
    done = subprocess.run(["sgdisk", "-v", str(image)], capture_output=True, text=True, check=False)
    # The four lines at the end of its text, which is all that tells: the status is 0.
    told = dict(
        re.findall(r"^(.*(?:header|table)): (OK|ERROR)$", done.stderr + done.stdout, re.MULTILINE)
    )
    assert [name for name, state in told.items() if state == "ERROR"] == [words]
    facts = gpt.read(View.of(data))
    assert [c.name for c in facts.checksums if not c.matches] == names


@pytest.mark.oracle
def test_sfdisk_writes_the_protective_record_of_the_specification(tmp_path: Path) -> None:
    image = tmp_path / "disk"
    image.write_bytes(bytes(16 << 20))
    subprocess.run(["sfdisk", "-q", str(image)], input="label: gpt\n,4M\n", text=True, check=True)
    record = read_boot_record(View.of(image.read_bytes()))
    assert [(r.starting_lba, r.size_in_lba) for r in record.protective] == [(1, (16 << 11) - 1)]
    assert _compare_with_sfdisk(image).block_size == 512
