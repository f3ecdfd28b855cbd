from __future__ import annotations

import json
import struct
import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.errors import FormatError
from imgaudit.formats import mbr
from imgaudit.formats.facts import Match
from imgaudit.formats.view import View
from imgaudit.units import KIB, MIB, Span

Record = tuple[int, int, int, int]  # boot indicator, type, first block, blocks


def block(*records: Record) -> bytes:
    packed = b"".join(
        struct.pack("<B3sB3sII", status, bytes(3), kind, bytes(3), first, blocks)
        for status, kind, first, blocks in records
    )
    return bytes(446) + packed.ljust(64, b"\0") + b"\x55\xaa"


def disk(blocks: int, placed: dict[int, bytes]) -> bytes:
    image = bytearray(blocks * 512)
    for lba, data in placed.items():
        image[lba * 512 : lba * 512 + len(data)] = data
    return bytes(image)


CHAINED = disk(
    40,
    {
        0: block((0x80, 0x83, 1, 4), (0, 0x0F, 10, 30)),
        10: block((0, 0x83, 1, 3), (0, 0x05, 10, 10)),
        20: block((0, 0x82, 2, 5), (0, 0x05, 20, 10)),
        30: block((0, 0x0B, 1, 30)),
    },
)


def test_the_chain_of_logical_partitions_is_followed() -> None:
    facts = mbr.read(View.of(CHAINED))
    assert [(p.number, p.os_type, p.first_lba, p.blocks) for p in facts.partitions] == [
        (1, 0x83, 1, 4),
        (2, 0x0F, 10, 30),
        (5, 0x83, 11, 3),
        (6, 0x82, 22, 5),
        (7, 0x0B, 31, 30),
    ]
    assert [p.offset for p in facts.partitions] == [446, 462, 5566, 10686, 15806]
    assert facts.chain_why == ""
    # The last one ends behind the disk: a fact, but nothing to read.
    assert [part.name for part in facts.parts()] == ["partition 1", "partition 5", "partition 6"]
    assert facts.summary() == "4 partitions"
    assert mbr.match(View.of(CHAINED)) is Match.GOOD


@pytest.mark.parametrize(
    ("placed", "why"),
    [
        ({10: block((0, 0x83, 1, 3), (0, 0x05, 0, 10))}, "loops back to block 10"),
        ({10: block((0, 0x05, 5, 10)), 15: block((0, 0x05, 0, 10))}, "loops back to block 10"),
        ({10: block((0, 0x05, 99, 10))}, "block 109 of the chain cannot be read"),
        ({}, "block 10 of the chain has no signature"),
    ],
)
def test_a_broken_chain_is_a_fact(placed: dict[int, bytes], why: str) -> None:
    image = disk(40, {0: block((0, 0x05, 10, 30)), **placed})
    assert why in mbr.read(View.of(image)).chain_why


def test_a_chain_is_bounded() -> None:
    links = {1 + n: block((0, 0x83, 1, 1), (0, 0x05, n + 1, 1)) for n in range(300)}
    facts = mbr.read(View.of(disk(400, {0: block((0, 0x05, 1, 399)), **links})))
    assert f"more than {mbr.MAX_LINKS} links" in facts.chain_why
    assert len(facts.partitions) == 1 + mbr.MAX_LINKS


def test_a_disk_without_partitions_is_a_weak_match() -> None:
    assert mbr.match(View.of(block())) is Match.WEAK
    assert mbr.read(View.of(block())).partitions == ()


def test_a_table_that_starts_at_its_own_block_is_a_weak_match() -> None:
    assert mbr.match(View.of(block((0, 0x83, 0, 9)))) is Match.WEAK


@pytest.mark.parametrize(
    ("indicator", "match"), [(0, Match.GOOD), (0x80, Match.GOOD), (1, Match.WEAK)]
)
def test_a_boot_indicator_is_one_of_two(indicator: int, match: Match) -> None:
    assert mbr.match(View.of(block((indicator, 0x83, 1, 9)))) is match


@pytest.mark.parametrize(("missing", "parts"), [(0, ["partition 1"]), (1, [])])
def test_a_partition_up_to_the_last_byte_is_a_part(missing: int, parts: list[str]) -> None:
    image = disk(40, {0: block((0, 0x83, 1, 39))})
    assert [part.name for part in mbr.read(View.of(image[: len(image) - missing])).parts()] == parts


def test_logical_partitions_of_two_chains_are_counted_on() -> None:
    """Linux block/partitions/msdos.c: they count from 5, whichever extended partition has them."""
    chains = {10: block((0, 0x83, 1, 3)), 25: block((0, 0x82, 1, 4))}
    ends = block((0, 0x05, 10, 15), (0, 0x05, 25, 15))
    facts = mbr.read(View.of(disk(40, {0: ends, **chains})))
    assert [(it.number, it.first_lba) for it in facts.partitions] == [
        (1, 10),
        (2, 25),
        (5, 11),
        (6, 26),
    ]
    assert facts.chain_why == ""
    for lost in chains:
        left = {lba: data for lba, data in chains.items() if lba != lost}
        facts = mbr.read(View.of(disk(40, {0: ends, **left})))
        assert facts.chain_why == f"block {lost} of the chain has no signature 55 AA"
        assert facts.partitions[-1].number == 5
    assert mbr.read(View.of(disk(40, {0: ends}))).chain_why.startswith("block 10 of")


@pytest.mark.parametrize(
    ("image", "offset"),
    [
        (block((0, 0xEE, 1, 100)), 446),  # UEFI 5.2.3: the protective MBR of a GPT
        (block((0, 0x83, 4, 9), (0, 0xEE, 1, 3)), 462),  # a hybrid one
        (block((0, 0x83, 1, 9))[:-1] + b"\0", 510),
        (bytes(511), 0),
        # The jump, sector size and cluster size of a FAT volume (Microsoft FAT specification).
        (b"\xeb\x3c\x90mkfs.fat\x00\x02\x04" + block((0x80, 0, 0, 4096))[14:], 0),
        (b"\xeb\x76\x90EXFAT   " + block((0, 0x83, 1, 9))[11:], 0),
    ],
)
def test_other_first_blocks_are_refused(image: bytes, offset: int) -> None:
    with pytest.raises(FormatError) as caught:
        mbr.read(View.of(image))
    assert caught.value.offset == offset
    assert mbr.match(View.of(image)) is Match.NO


def test_a_boot_loader_with_a_jump_is_no_volume() -> None:
    # GRUB's boot.img jumps as a FAT boot sector does and leaves the parameter block zero.
    image = b"\xeb\x63\x90" + block((0x80, 0x83, 1, 9))[3:]
    assert mbr.match(View.of(image)) is Match.GOOD


@given(st.binary(max_size=600) | st.binary(min_size=64, max_size=64).map(lambda r: bytes(446) + r))
def test_any_bytes_give_facts_or_a_format_error(data: bytes) -> None:
    view = View.of(data + b"\x55\xaa" if len(data) == 510 else data)
    try:
        facts = mbr.read(view)
    except FormatError:
        assert mbr.match(view) is Match.NO
        return
    for part in facts.parts():
        view.sub(part.offset, part.size)


@given(st.integers(0, len(CHAINED) - 1), st.integers(0, 255), st.integers(0, len(CHAINED)))
def test_damaged_disks_give_facts_or_a_format_error(at: int, value: int, size: int) -> None:
    data = bytearray(CHAINED)
    data[at] = value
    view = View.of(data[:size])
    try:
        facts = mbr.read(view)
    except FormatError:
        return
    assert len(facts.partitions) <= 5
    for part in facts.parts():
        view.sub(part.offset, part.size)


@pytest.mark.oracle
def test_sfdisk_agrees(tmp_path: Path) -> None:
    image = tmp_path / "disk"
    image.write_bytes(bytes(8 << 20))
    script = "label: dos\nsize=1000, type=83, bootable\nsize=9000, type=5\nsize=2048, type=c\n"
    subprocess.run(["sfdisk", "-q", str(image)], input=script, text=True, check=True)
    logical = "size=300, type=83\nsize=200, type=82\nsize=100, type=83\n"
    subprocess.run(["sfdisk", "-q", "-a", str(image)], input=logical, text=True, check=True)
    told = json.loads(
        subprocess.run(
            ["sfdisk", "--json", str(image)], capture_output=True, text=True, check=True
        ).stdout
    )["partitiontable"]
    facts = mbr.read(View.of(image.read_bytes()))
    assert facts.record.disk_signature == int(told["id"], 16)
    assert facts.chain_why == ""
    assert [
        (f"{image}{p.number}", p.first_lba, p.blocks, f"{p.os_type:x}", p.boot_indicator == 0x80)
        for p in facts.partitions
    ] == [
        (p["node"], p["start"], p["size"], p["type"], p.get("bootable", False))
        for p in told["partitions"]
    ]
    assert len(facts.partitions) == 6


@pytest.mark.oracle
@pytest.mark.parametrize("bits", ["12", "16", "32"])
@pytest.mark.parametrize("table", ["yes", "no"])
def test_a_fat_volume_is_no_partition_table(tmp_path: Path, bits: str, table: str) -> None:
    image = tmp_path / "fat"
    image.write_bytes(bytes(40 << 20) if bits != "12" else bytes(2 << 20))
    subprocess.run(
        ["mkfs.vfat", f"--mbr={table}", "-F", bits, str(image)], check=True, capture_output=True
    )
    data = image.read_bytes()
    assert data[510:512] == b"\x55\xaa"
    assert mbr.match(View.of(data)) is Match.NO
    with pytest.raises(FormatError):
        mbr.read(View.of(data))


def test_windows_are_the_heads_of_the_partitions() -> None:
    head = block((0, 0x83, 2048, 4096), (0, 0x0F, 8192, 100))
    assert mbr.windows(View.of(head)) == [
        Span.sized(MIB, 128 * KIB),
        Span.sized(4 * MIB, 100 * 512),
    ]
