from __future__ import annotations

import re
import struct
import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.errors import FormatError
from imgaudit.formats import ubi
from imgaudit.formats.crc32c import crc32_raw
from imgaudit.formats.facts import Match
from imgaudit.formats.view import View

PEB = 4096
VID, DATA = 64, 128


def sealed(body: bytes) -> bytes:
    return body + struct.pack(">I", crc32_raw(body))


def ec_header(seq: int = 0x1234, vid: int = VID, data: int = DATA) -> bytes:
    return sealed(struct.pack(">4sB3xQIII32x", b"UBI#", 1, 3, vid, data, seq))


def vid_header(volume: int, lnum: int, *, sqnum: int = 0, kind: int = 1, used: int = 0) -> bytes:
    head = struct.pack(">4sBBBBII4x", b"UBI!", 1, kind, 0, 0, volume, lnum)
    return sealed(head + struct.pack(">IIII4xQ12x", 0, used, 0, 0, sqnum))


def record(name: bytes = b"", pebs: int = 0, flags: int = 0, kind: int = 0) -> bytes:
    align = 1 if pebs else 0
    head = struct.pack(">IIIBBH128sB23x", pebs, align, 0, kind, 0, len(name), name, flags)
    return sealed(head)


def block(header: bytes, data: bytes = b"", ec: bytes | None = None) -> bytes:
    head = (ec or ec_header()).ljust(VID, b"\xff") + header
    return (head.ljust(DATA, b"\xff") + data).ljust(PEB, b"\xff")


def table(*records: bytes) -> bytes:
    room = (PEB - DATA) // ubi.RECORD_SIZE
    return b"".join(records) + record() * (room - len(records))


TABLE = table(record(b"rootfs", 5, 1, 1), record(b"data", 2, 0, 2))
BLANK = b"\xff" * PEB


def image(*more: bytes) -> bytes:
    layout = [block(vid_header(ubi.LAYOUT_VOLUME, lnum), TABLE) for lnum in (0, 1)]
    volumes = [block(vid_header(0, lnum)) for lnum in range(3)]
    volumes.append(block(vid_header(1, 0, kind=2, used=1)))
    return b"".join([*layout, *volumes, *more])


def output(*command: str | Path) -> str:
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout


def read(data: bytes | bytearray) -> ubi.Ubi:
    facts = ubi.READER.read(View.of(data))
    assert isinstance(facts, ubi.Ubi)
    return facts


def test_an_image_is_read() -> None:
    facts = read(image(block(b""), BLANK))
    assert (facts.peb_size, facts.leb_size, facts.peb_count) == (PEB, PEB - DATA, 8)
    assert (facts.used, facts.free, facts.blank, facts.foreign_count) == (6, 1, 1, 0)
    assert (facts.vid_hdr_offset, facts.data_offset) == (VID, DATA)
    assert (facts.image_seq, facts.erase_counter, facts.version) == (0x1234, 3, 1)
    assert facts.length == 8 * PEB
    assert (facts.bad_headers, facts.tables_agree) == (0, True)
    assert facts.tables == (DATA, PEB + DATA)
    assert all(checksum.matches for checksum in facts.checksums)
    assert facts.offsets["vid_hdr_offset"] == 0x10
    assert facts.summary() == "8 PEBs of 4 KiB, 2 volumes"
    assert facts.doubts == ()
    assert ubi.READER.match(View.of(image())) is Match.SURE


def test_the_volume_table_is_read() -> None:
    root, data = read(image()).volumes
    assert (root.name, root.reserved_pebs, root.type) == ("rootfs", 5, "dynamic")
    assert (root.alignment, root.flags) == (1, ("autoresize",))
    assert root.offset == DATA
    assert (data.volume, data.name, data.type, data.flags) == (1, "data", "static", ())
    assert data.offsets["name"] == DATA + ubi.RECORD_SIZE + 16


def test_the_volumes_seen() -> None:
    root, data = read(image()).seen
    assert (root.volume, root.blocks, root.highest, root.types) == (0, 3, 2, ("dynamic",))
    assert root.first_leb == 2 * PEB + DATA
    assert (data.used_ebs, data.types) == (1, ("static",))


def test_of_two_copies_of_a_block_the_newer_one_counts() -> None:
    newer = block(vid_header(0, 0, sqnum=9))
    older_last = block(vid_header(0, 0, sqnum=1))
    assert read(image(newer, older_last)).seen[0].first_leb == 6 * PEB + DATA


def test_the_leb_size_of_nor() -> None:
    # NOR with a minimum I/O unit of 1: two 64-byte headers, 65536 - 128 = 65408.
    header = ec_header()
    facts = read((header.ljust(65536, b"\xff")) * 3)
    assert (facts.peb_size, facts.leb_size) == (65536, 65408)


def test_a_damaged_header_does_not_double_the_block_size() -> None:
    data = bytearray(image())
    data[PEB + 8] ^= 1
    facts = read(data)
    assert facts.peb_size == PEB
    assert facts.bad_headers == 1
    (wrong,) = [checksum for checksum in facts.checksums if not checksum.matches]
    assert wrong.offset == PEB + 60
    assert wrong.name == "erase-counter header of PEB 1"
    assert facts.tables_agree is None


def test_an_image_within_a_volume_does_not_halve_the_block_size() -> None:
    inner = block(vid_header(0, 3), b"".ljust(1920, b"\xff") + ec_header(seq=0x99))
    assert read(image(inner)).peb_size == PEB


def test_a_damaged_volume_header_is_listed() -> None:
    data = bytearray(image())
    data[3 * PEB + VID + 9] ^= 1
    facts = read(data)
    assert facts.bad_headers == 1
    assert facts.seen[0].blocks == 2
    (wrong,) = [checksum for checksum in facts.checksums if not checksum.matches]
    assert (wrong.name, wrong.offset) == ("volume header of PEB 3", 3 * PEB + VID + 60)


def test_a_damaged_record_is_listed() -> None:
    data = bytearray(image())
    data[DATA + 20] ^= 1
    facts = read(data)
    (wrong,) = [checksum for checksum in facts.checksums if not checksum.matches]
    assert wrong.name == "volume table record 0"
    assert facts.tables_agree is False


def test_differing_headers_are_all_told() -> None:
    odd = block(b"", ec=ec_header(seq=7, vid=2048, data=4096))
    facts = read(image(odd))
    assert facts.vid_hdr_offsets == (VID, 2048)
    assert facts.data_offsets == (DATA, 4096)
    assert facts.image_seqs == (0x1234, 7)


def test_foreign_blocks_are_told() -> None:
    outside = block(b"", ec=ec_header(vid=PEB))
    facts = read(image(bytes(PEB), outside))
    assert facts.foreign_count == 2
    assert facts.foreign == (6 * PEB, 7 * PEB)


def test_damage_is_listed_up_to_a_limit() -> None:
    facts = read(image(bytes(100 * PEB)))
    assert facts.foreign_count == 100
    assert len(facts.foreign) == ubi.MAX_LISTED


def test_a_lone_header_leaves_the_block_size_open() -> None:
    facts = read(image()[:PEB])
    assert (facts.peb_size, facts.leb_size, facts.length) == (None, None, None)
    assert facts.doubts
    assert facts.summary() == "1 PEB, 0 volumes"


def test_only_so_many_blocks_are_read(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ubi, "MAX_PEBS", 4)
    facts = read(image())
    assert (facts.peb_count, facts.used) == (6, 4)
    assert facts.doubts == ("Only the first 4 of 6 erase blocks were read.",)


def test_of_two_copies_of_the_table_the_newer_one_counts() -> None:
    newer = block(vid_header(ubi.LAYOUT_VOLUME, 0, sqnum=9), table(record(b"new", 1, 0, 1)))
    older = block(vid_header(ubi.LAYOUT_VOLUME, 0, sqnum=1), TABLE)
    third = block(vid_header(ubi.LAYOUT_VOLUME, 2), TABLE)
    facts = read(image(newer, older, third))
    assert [volume.name for volume in facts.volumes] == ["new"]
    assert facts.tables == (6 * PEB + DATA, PEB + DATA)
    assert facts.tables_agree is False


def test_what_is_no_ubi_is_refused() -> None:
    for data in (b"", bytes(4096), b"UBI#"):
        with pytest.raises(FormatError) as caught:
            ubi.READER.read(View.of(data))
        assert caught.value.offset == 0
        assert ubi.READER.match(View.of(data)) is Match.NO


def test_a_wrong_first_header_is_a_weak_match() -> None:
    data = bytearray(image())
    data[8] ^= 1
    assert ubi.READER.match(View.of(data)) is Match.WEAK
    assert read(data).bad_headers == 1


def test_a_flood_of_magics_ends() -> None:
    read(ec_header() + b"UBI#" * (1 << 20))


def survives(data: bytes) -> None:
    view = View.of(data)
    ubi.READER.match(view)
    try:
        facts = ubi.READER.read(view)
    except FormatError:
        return
    assert len(facts.summary()) <= 60


@given(st.binary(max_size=300))
def test_any_bytes(data: bytes) -> None:
    survives(data)
    survives(ec_header() + data)


@given(
    st.lists(st.tuples(st.integers(0, 6 * PEB - 1), st.integers(0, 255)), max_size=8),
    st.lists(st.tuples(st.integers(0, 5), st.integers(0, 127), st.integers(0, 255)), max_size=4),
    st.integers(0, 6 * PEB),
)
def test_damaged_images(
    changes: list[tuple[int, int]], headers: list[tuple[int, int, int]], length: int
) -> None:
    data = bytearray(image())
    for place, value in changes + [(peb * PEB + at, value) for peb, at, value in headers]:
        data[place] = value
    survives(bytes(data))
    survives(bytes(data[:length]))


@given(st.integers(0, 0xFFFFFFFF), st.integers(0, 0xFFFFFFFF))
def test_sound_headers_with_any_offsets(vid: int, data: int) -> None:
    peb = ec_header(vid=vid, data=data).ljust(VID, b"\xff") + vid_header(ubi.LAYOUT_VOLUME, 0)
    survives(peb.ljust(PEB, b"\xff") * 3)


@pytest.mark.oracle
@pytest.mark.parametrize(
    ("peb", "options"),
    [
        (65536, ("-m", "1")),
        (262144, ("-m", "16")),
        (131072, ("-m", "2048")),
        (131072, ("-m", "2048", "-s", "512")),
        (196608, ("-m", "1")),
    ],
)
def test_as_ubinize_tells(tmp_path: Path, peb: int, options: tuple[str, ...]) -> None:
    content = tmp_path / "content"
    content.write_bytes(bytes(range(256)) * 2000)
    (tmp_path / "ubi.ini").write_text(
        f"""
[root]
mode=ubi
image={content}
vol_id=0
vol_type=dynamic
vol_name=rootfs
vol_flags=autoresize
[factory]
mode=ubi
image={content}
vol_id=5
vol_type=static
vol_name=factory
vol_size=2MiB
vol_alignment=64
"""
    )
    geometry = ("-p", str(peb), "-Q", "4660", "-e", "7", *options)
    text = output("ubinize", "-v", "-o", tmp_path / "ubi", *geometry, tmp_path / "ubi.ini")
    told = dict(re.findall(r"^ubinize: ([\w. /-]+):\s+(\d+)$", text, re.MULTILINE))
    data = (tmp_path / "ubi").read_bytes()
    facts = read(data)
    assert facts.peb_size == peb == int(told["PEB size"])
    assert facts.leb_size == int(told["LEB size"])
    assert facts.vid_hdr_offset == int(told["VID offset"])
    assert facts.data_offset == int(told["data offset"])
    assert facts.image_seq == 4660
    assert facts.erase_counter == 7
    assert facts.length == len(data)
    assert facts.used == facts.peb_count
    assert facts.bad_headers == 0
    assert all(checksum.matches for checksum in facts.checksums)
    assert facts.tables_agree
    root, factory = facts.volumes
    assert (root.name, root.type, root.flags) == ("rootfs", "dynamic", ("autoresize",))
    assert (factory.volume, factory.name, factory.type) == (5, "factory", "static")
    assert factory.alignment == 64
    assert facts.leb_size
    usable = facts.leb_size - factory.data_pad
    assert usable % 64 == 0
    assert factory.reserved_pebs == -(-(2 << 20) // usable)
    seen_root, seen_factory = facts.seen
    assert seen_root.blocks == root.reserved_pebs == -(-512000 // facts.leb_size)
    assert seen_factory.used_ebs == seen_factory.blocks == -(-512000 // usable)
    assert seen_factory.data_pad == factory.data_pad
    assert seen_root.first_leb
    assert data[seen_root.first_leb :].startswith(bytes(range(256)))
