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
from imgaudit.formats.facts import Match, Part
from imgaudit.formats.ubi_blocks import LAYOUT_VOLUME, MAX_LISTED
from imgaudit.formats.view import View
from tests.formats._survives import surviving

PEB = 4096
VID, DATA = 64, 128


def sealed(body: bytes) -> bytes:
    return body + struct.pack(">I", crc32_raw(body))


def ec_header(seq: int = 0x1234, vid: int = VID, data: int = DATA) -> bytes:
    return sealed(struct.pack(">4sB3xQIII32x", b"UBI#", 1, 3, vid, data, seq))


def vid_header(
    volume: int,
    lnum: int,
    *,
    sqnum: int = 0,
    kind: int = 1,
    used: int = 0,
    pad: int = 0,
    size: int = 0,
    crc: int = 0,
    copy: int = 0,
    compat: int = 0,
) -> bytes:
    head = struct.pack(">4sBBBBII4x", b"UBI!", 1, kind, copy, compat, volume, lnum)
    return sealed(head + struct.pack(">IIII4xQ12x", size, used, pad, crc, sqnum))


def static(lnum: int, data: bytes, used: int = 1, volume: int = 1) -> bytes:
    crc = crc32_raw(data)
    return block(vid_header(volume, lnum, kind=2, used=used, size=len(data), crc=crc), data)


def record(
    name: bytes = b"",
    pebs: int = 0,
    flags: int = 0,
    kind: int = 0,
    *,
    align: int = 1,
    pad: int = 0,
    marker: int = 0,
    length: int | None = None,
) -> bytes:
    align = align if pebs else 0
    length = len(name) if length is None else length
    return sealed(
        struct.pack(">IIIBBH128sB23x", pebs, align, pad, kind, marker, length, name, flags)
    )


def block(header: bytes, data: bytes = b"", ec: bytes | None = None) -> bytes:
    head = (ec or ec_header()).ljust(VID, b"\xff") + header
    return (head.ljust(DATA, b"\xff") + data).ljust(PEB, b"\xff")


def table(*records: bytes) -> bytes:
    room = (PEB - DATA) // ubi.RECORD_SIZE
    return b"".join(records) + record() * (room - len(records))


TABLE = table(record(b"rootfs", 5, 1, 1), record(b"data", 2, 0, 2))
BLANK = b"\xff" * PEB
DATA_OF_1 = b"calibration" * 100


def image(*more: bytes) -> bytes:
    layout = [block(vid_header(LAYOUT_VOLUME, lnum), TABLE) for lnum in (0, 1)]
    volumes = [block(vid_header(0, lnum)) for lnum in range(3)]
    volumes.append(static(0, DATA_OF_1))
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


def test_a_volume_that_is_not_there_cannot_be_opened() -> None:
    data = image()
    with pytest.raises(FormatError, match="it has no volume boot"):
        read(data).open(View.of(data), Part("boot", 0, 1))


def test_of_two_volumes_with_one_name_the_first_is_read() -> None:
    twice = table(record(b"a", 1, 0, 1), record(b"a", 1, 0, 1), record(b"empty", 1, 0, 1))
    layout = [block(vid_header(LAYOUT_VOLUME, lnum), twice) for lnum in (0, 1)]
    data = b"".join([*layout, block(vid_header(0, 0), b"one"), block(vid_header(1, 0), b"two")])
    (part,) = read(data).parts()
    assert read(data).open(View.of(data), part).bytes(0, 3) == b"one"


def volume(data: bytes, name: str) -> bytes:
    view = View.of(data)
    facts = read(data)
    (part,) = [part for part in facts.parts() if part.name == name]
    inside = facts.open(view, part)
    assert inside.size == part.size
    return inside.bytes(0, inside.size)


def test_a_volume_is_read_through_its_blocks() -> None:
    blocks = [block(vid_header(0, lnum), bytes([lnum]) * (PEB - DATA)) for lnum in range(3)]
    layout = [block(vid_header(LAYOUT_VOLUME, lnum), TABLE) for lnum in (0, 1)]
    data = b"".join([blocks[2], layout[1], blocks[0], static(0, DATA_OF_1), blocks[1], layout[0]])
    root, other = read(data).volumes
    assert (root.size, root.blocks, root.room) == (3 * 3968, 3, 5 * 3968)
    assert (other.size, other.blocks, other.missing) == (1100, 1, 0)
    assert root.lebs == {0: 2 * PEB + DATA, 1: 4 * PEB + DATA, 2: DATA}
    assert volume(data, "rootfs") == b"".join(bytes([n]) * 3968 for n in range(3))
    assert volume(data, "data") == DATA_OF_1
    assert read(data).flaws == ()
    inside = read(data).open(View.of(data), next(read(data).parts()))
    assert inside.bytes(3967, 2) == b"\0\1"
    assert next(inside.source.data()).size == 3 * 3968


def test_of_two_copies_of_a_block_the_newer_one_counts() -> None:
    newer = block(vid_header(0, 0, sqnum=9), b"newer")
    older_last = block(vid_header(0, 0, sqnum=1), b"older")
    facts = read(image(newer, older_last))
    assert facts.volumes[0].lebs[0] == 6 * PEB + DATA
    assert facts.flaws == ()
    # What a running UBI wrote may leave blocks out: they read as erased, up to all that it has.
    data = image(block(vid_header(0, 4, sqnum=9), b"last"))
    assert read(data).flaws == ()
    assert volume(data, "rootfs")[3 * 3968 : 4 * 3968] == b"\xff" * 3968
    assert volume(data, "rootfs")[4 * 3968 :].startswith(b"last")
    assert len(volume(image(newer), "rootfs")) == 5 * 3968


def flaws(data: bytes) -> list[str]:
    return [flaw.what for flaw in read(data).flaws]


TWO = b"".join(block(vid_header(LAYOUT_VOLUME, lnum), TABLE) for lnum in (0, 1))


def tables(*records: bytes) -> bytes:
    return b"".join(block(vid_header(LAYOUT_VOLUME, n), table(*records)) for n in (0, 1))


@pytest.mark.parametrize(
    ("data", "what"),
    [
        (image(block(vid_header(0, 1))), "both LEB 1 of volume 0"),
        (image(block(vid_header(7, 0))), "a volume 7 that the volume table does not have"),
        (image(block(vid_header(0, 5))), "LEB 5 of rootfs, which has 5"),
        (image(block(vid_header(0, 1, kind=2, used=9, size=3968))), "contradicts the others"),
        (image(block(vid_header(1, 1, kind=2, used=1, size=5))), "is LEB 1 of 1 of a static"),
        (image(block(vid_header(1, 0, kind=2, used=1))), "is LEB 0 of 1 of a static"),
        (image(block(vid_header(0, 3, size=1))), "gives sizes as of a static one"),
        (image(block(vid_header(0, 3, pad=1985))), "leaves 1,985 bytes"),
        (image(block(vid_header(0, 3, kind=3))), "of type 3"),
        (image(block(vid_header(128, 3))), "names volume 128"),
        (image(block(vid_header(LAYOUT_VOLUME + 9, 0, compat=5))), "must not attach"),
        (image(block(b"", ec=sealed(b"UBI#\2" + ec_header()[5:60]))), "says UBI version 2"),
        (image(bytes(PEB)), "PEB 6 has no erase-counter header"),
        (image(block(b"", ec=ec_header(vid=70))), "its headers at 0 and 0x46"),
        (image()[: 5 * PEB + 100], "ends 100 bytes into PEB 5"),
        (image()[: PEB - 1], "before a second erase block"),
        (TWO + block(vid_header(0, 0)) + block(vid_header(0, 2)), "rootfs lacks its LEB 1"),
        (TWO + static(0, bytes(3968), used=2), "data lacks 1 of its 2 blocks, the first is LEB 1"),
        (TWO[:PEB] + BLANK + block(b""), "1 of the 2 copies of the volume table missing"),
        (block(b"") * 2, "2 of the 2 copies"),
        (TWO[:PEB] + block(vid_header(LAYOUT_VOLUME, 1), table()), "two copies of the volume"),
        (tables(record(b"a", 1, 0, 1), record(b"a", 1, 0, 1)), "two volumes are called a"),
        (tables(record(b"a", 1, 0, 3)), "volume 0 has type 3"),
        (tables(record(b"a", 1, 0, 1, align=0)), "aligned to 0 bytes"),
        (tables(record(b"a", 1, 0, 1, align=64, pad=1)), "aligned to 64 bytes and leaves 1"),
        (tables(record(b"", 1, 0, 1)), "has a name of 0 bytes"),
        (tables(record(b"abc", 1, 0, 1, length=2)), "not 2 bytes long"),
        (tables(record(b"abc", 1, 0, 1, length=4)), "not 4 bytes long"),
        (tables(record(b"abc", 1, 0, 1, marker=1)), "an update was cut off"),
        (tables(sealed(b"\0\0\0\0x".ljust(168, b"\0"))), "record 0 reserves no block"),
    ],
)
def test_what_does_not_hold_together_is_told(data: bytes, what: str) -> None:
    assert any(what in told for told in flaws(data)), flaws(data)


@pytest.mark.parametrize(
    "data",
    [
        image(),
        image(block(b""), BLANK),
        image() + b"\xff" * 100,
        image(block(vid_header(LAYOUT_VOLUME + 1, 0, compat=1))),
        image(block(vid_header(0, 3, sqnum=4, copy=1, size=4, crc=crc32_raw(b"data")), b"data")),
        tables(record(b"a" * 127, 1, 0, 1, align=64)),
        tables(),
    ],
)
def test_what_holds_together_has_no_flaw(data: bytes) -> None:
    assert flaws(data) == []
    assert all(checksum.matches for checksum in read(data).checksums)


def test_the_data_of_a_static_volume_have_a_sum() -> None:
    data = bytearray(image())
    data[5 * PEB + DATA + 3] ^= 1
    (wrong,) = [checksum for checksum in read(data).checksums if not checksum.matches]
    assert wrong.name == "data of PEB 5"
    assert wrong.covers.size == 1100


def test_a_volume_larger_than_its_image_is_not_looked_into() -> None:
    wide = tables(record(b"a", 1 << 30, 0, 1))
    facts = read(wide + block(vid_header(0, 9)) + block(vid_header(0, 0)))
    assert facts.volumes[0].size == 10 * 3968
    facts = read(wide + block(vid_header(0, 20_000)))
    assert facts.volumes[0].size == 0
    assert "too few of them in the image" in facts.unwalked
    assert facts.doubts


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
    assert facts.volumes[0].blocks == 2
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
    assert len(facts.foreign) == MAX_LISTED


def test_a_lone_header_leaves_the_block_size_open() -> None:
    facts = read(image()[:PEB])
    assert (facts.peb_size, facts.leb_size, facts.length) == (None, None, None)
    assert facts.flaws
    assert facts.summary() == "1 PEB, 0 volumes"


def test_only_so_many_blocks_are_read(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ubi, "MAX_PEBS", 4)
    facts = read(image())
    assert (facts.peb_count, facts.used) == (6, 4)
    assert facts.unwalked == "it has 6 erase blocks, 4 of them are read"


def test_of_two_copies_of_the_table_the_newer_one_counts() -> None:
    newer = block(vid_header(LAYOUT_VOLUME, 0, sqnum=9), table(record(b"new", 1, 0, 1)))
    older = block(vid_header(LAYOUT_VOLUME, 0, sqnum=1), TABLE)
    third = block(vid_header(LAYOUT_VOLUME, 2), TABLE)
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


survives = surviving(ubi.READER)


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
    peb = ec_header(vid=vid, data=data).ljust(VID, b"\xff") + vid_header(LAYOUT_VOLUME, 0)
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
    assert root.blocks == root.reserved_pebs == -(-512000 // facts.leb_size)
    assert factory.leb_size == usable
    assert factory.blocks == -(-512000 // usable)
    assert facts.flaws == ()
    assert volume(data, "rootfs").rstrip(b"\xff") == content.read_bytes().rstrip(b"\xff")
    assert volume(data, "factory") == content.read_bytes()
