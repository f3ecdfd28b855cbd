from __future__ import annotations

import array
import contextlib
import functools
import itertools
import os
import struct
import subprocess
import tempfile
import time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.errors import FormatError, ImgauditError
from imgaudit.formats import fat_walk
from imgaudit.formats import files as listing
from imgaudit.formats.fat import READER, Fat
from imgaudit.formats.files import Files, open_file
from imgaudit.formats.view import View
from imgaudit.units import MIB
from imgaudit.writers.fat import fat16
from tests.formats._trees import agree, fill, seeds, status

FILES = {"Image": b"k" * 5000, "whimbrel.dtb": b"d" * 100, "uEnv.txt": b"slot=b\n"}


def read(data: bytes) -> Fat:
    facts = READER.read(View.of(data))
    assert isinstance(facts, Fat)
    return facts


def listed(facts: Fat) -> Files:
    assert facts.files is not None
    return facts.files


def sizes(facts: Fat) -> dict[str, int]:
    return {file.path: file.size for file in listed(facts) if file.is_file}


def flaws(data: bytes | bytearray) -> list[str]:
    return [flaw.what for flaw in read(bytes(data)).flaws]


@functools.cache
def whimbrel() -> bytes:
    image = fat16(20 * MIB, FILES, "BOOT", 1)
    out = bytearray(image.size)
    for at, data in image.pieces:
        out[at : at + len(data)] = data
    return bytes(out)


def test_files_are_found_where_they_lie() -> None:
    data = whimbrel()
    facts = read(data)
    assert listed(facts).complete
    assert facts.flaws == ()
    assert sizes(facts) == {name: len(content) for name, content in FILES.items()}
    assert facts.room is not None
    assert facts.room.size - facts.room.free == 5 * facts.cluster_size
    for part in facts.parts():
        assert data[part.offset : part.offset + part.size] == FILES[part.name]


def test_case_does_not_matter() -> None:
    file = read(whimbrel()).file("IMAGE")
    assert file is not None
    assert (file.path, file.text) == ("Image", None)
    assert read(whimbrel()).file("Image.gz") is None


def test_a_small_configuration_is_kept() -> None:
    file = read(whimbrel()).file("uEnv.txt")
    assert file is not None
    assert file.text == b"slot=b\n"


def table_at(facts: Fat, cluster: int) -> tuple[int, int]:
    """Give where both copies of the table have a cluster's entry."""
    first = facts.reserved_sectors * facts.bytes_per_sector + 2 * cluster
    return first, first + facts.sectors_per_fat * facts.bytes_per_sector


def linked(data: bytearray, cluster: int, following: int) -> None:
    for at in table_at(read(whimbrel()), cluster):
        struct.pack_into("<H", data, at, following)


def test_a_file_in_pieces_is_put_together() -> None:
    data = bytearray(whimbrel())
    facts = read(bytes(data))
    # the kernel has clusters 2, 3 and 4; its second one goes to 9
    start = facts.data_offset + 7 * 2048
    data[start : start + 2048] = b"m" * 2048
    for cluster, following in ((2, 9), (9, 4), (3, 0)):
        linked(data, cluster, following)
    found = read(bytes(data))
    file = found.file("Image")
    assert file is not None
    assert file.offset is None
    assert found.flaws == ()
    whole = open_file(View.of(bytes(data)), file)
    assert whole.bytes(0, whole.size) == b"k" * 2048 + b"m" * 2048 + b"k" * 904
    assert whole.bytes(2040, 16) == b"k" * 8 + b"m" * 8


END = 0xFFFF
BROKEN = {
    "Image: its chain ends after 2 of 3 clusters": [(3, END)],
    "Image: its chain leads to a free cluster": [(3, 0)],
    "Image: its chain leads to cluster 65,000, which does not exist": [(3, 65000)],
    "Image: its chain leads to a cluster that is marked bad": [(3, 0xFFF7)],
    "Image: cluster 2 is in another chain too": [(4, 2)],
    "Image: its chain has 4 clusters; its size needs 3": [(4, 9), (9, END)],
    "1 cluster is taken but in no file, the first 99": [(99, END)],
    "the FAT's first entry is not media byte 0xf8": [(0, 0xFFF0)],
}


@pytest.mark.parametrize(("what", "links"), BROKEN.items(), ids=BROKEN)
def test_a_broken_chain_is_told(what: str, links: list[tuple[int, int]]) -> None:
    data = bytearray(whimbrel())
    for cluster, following in links:
        linked(data, cluster, following)
    assert what in flaws(data)


def test_copies_that_differ_are_told() -> None:
    data = bytearray(whimbrel())
    data[table_at(read(bytes(data)), 3)[1]] ^= 1
    assert flaws(data) == ["copy 2 of the FAT differs from the first"]


@pytest.mark.oracle
def test_the_upper_bits_of_a_fat32_are_none_of_its_chains(tmp_path: Path) -> None:
    """Microsoft, FAT32 File System Specification 1.03: the upper four bits are reserved."""
    image = tmp_path / "boot.vfat"
    (tmp_path / "Image").write_bytes(FILES["Image"])
    made = ("mkfs.vfat", "-C", "-F", "32", "-s", "1", image, "40000")
    subprocess.run(made, check=True, capture_output=True)
    subprocess.run(("mcopy", "-i", image, tmp_path / "Image", "::"), check=True)
    data = bytearray(image.read_bytes())
    facts = read(bytes(data))
    start = facts.reserved_sectors * facts.bytes_per_sector
    for copy in range(2):
        for cluster in range(3, 13):
            data[start + copy * facts.sectors_per_fat * 512 + 4 * cluster + 3] |= 0xA0
    image.write_bytes(data)
    assert status("fsck.vfat", "-n", image) == 0
    assert flaws(data) == []
    file = listed(read(bytes(data))).entries["Image"]
    inside = open_file(View.of(bytes(data)), file)
    assert inside.bytes(0, inside.size) == FILES["Image"]


def test_long_chains_in_many_pieces_take_no_time() -> None:
    """250 files whose clusters alternate: a walk that looks at each pair twice would take hours."""
    with tempfile.TemporaryDirectory() as place:
        image = Path(place) / "boot.vfat"
        subprocess.run(
            ("mkfs.vfat", "-C", "-F", "32", "-s", "1", image, "65536"),
            check=True,
            capture_output=True,
        )
        data = bytearray(image.read_bytes())
    facts = read(bytes(data))
    count, start = 250, facts.reserved_sectors * facts.bytes_per_sector
    clusters, each = facts.cluster_count, (facts.cluster_count - 10) // 250
    table = array.array("I", data[start : start + 4 * (clusters + 2)])
    entries = [b"F%010d" % n for n in range(count)]
    root = [2, *range(3, 3 + count * 32 // 512)]
    for here, following in itertools.pairwise(root):
        table[here] = following
    table[root[-1]] = 0x0FFFFFFF
    first = root[-1] + 1
    each = (clusters + 2 - first) // count
    for number in range(count):
        for step in range(each - 1):
            table[first + number + step * count] = first + number + (step + 1) * count
        table[first + number + (each - 1) * count] = 0x0FFFFFFF
    stored = table.tobytes()
    for copy in range(2):
        at = start + copy * facts.sectors_per_fat * 512
        data[at : at + len(stored)] = stored
    folder = b"".join(
        struct.pack(
            "<11sB8xHHHHI", name, 0x20, first + n >> 16, 0, 0, first + n & 0xFFFF, each * 512
        )
        for n, name in enumerate(entries)
    )
    data[facts.data_offset : facts.data_offset + len(folder)] = folder
    before = time.process_time()
    found = read(bytes(data))
    assert time.process_time() - before < 10
    assert len(sizes(found)) == count
    assert [flaw.what for flaw in found.flaws][:1] == [
        (
            f"FSInfo says {facts.cluster_count - 1:,} free clusters; the FAT has"
            f" {found.room and found.room.free // 512:,}"
        )
    ]


@pytest.mark.oracle
@pytest.mark.parametrize(("bits", "kib"), [(12, 2880), (16, 20480), (32, 66560)])
def test_what_mtools_copies_is_found(tmp_path: Path, bits: int, kib: int) -> None:
    """mkfs.vfat of dosfstools, mmd and mcopy of mtools."""
    image = tmp_path / "boot.vfat"
    contents = {
        "extlinux/extlinux.conf": b"label main\n",
        "dtb/vendor/a-long-name-of-a-board.dtb": os.urandom(9000),
        "KERNEL.IMG": os.urandom(70_001),
        "empty": b"",
    }

    def run(*words: str | Path) -> None:
        subprocess.run(words, check=True, capture_output=True)

    run("mkfs.vfat", "-C", "-F", str(bits), image, str(kib))
    run("mmd", "-i", image, "::extlinux", "::dtb", "::dtb/vendor")
    for path, content in contents.items():
        (tmp_path / "file").write_bytes(content)
        run("mcopy", "-i", image, tmp_path / "file", f"::{path}")
    data = image.read_bytes()
    facts = read(data)
    assert facts.kind == f"FAT{bits}"
    assert listed(facts).complete
    assert facts.flaws == ()
    assert sizes(facts) == {path: len(content) for path, content in contents.items()}
    rows = subprocess.run(("mdir", "-/", "-b", "-i", image, "::"), check=True, capture_output=True)
    names = {row.removeprefix("::/") for row in rows.stdout.decode().split()}
    assert {file.path + "/" * file.is_folder for file in listed(facts)} == names
    for path, content in contents.items():
        file = facts.file(path)
        assert file is not None
        assert open_file(View.of(data), file).bytes(0, file.size) == content
    for part in facts.parts():
        assert data[part.offset : part.offset + part.size] == contents[part.name]
    assert len(list(facts.parts())) == 3


def test_a_directory_in_a_circle_ends() -> None:
    data = bytearray(whimbrel())
    facts = read(bytes(data))
    root = facts.data_offset - facts.root_entries * 32
    table = facts.reserved_sectors * facts.bytes_per_sector
    struct.pack_into("<11sB8xH4xHI", data, root, b"LOOP       ", 0x10, 0, 2, 0)
    struct.pack_into("<H", data, table + 2 * 2, 2)
    data[facts.data_offset : facts.data_offset + 2048] = bytes(data[root : root + 32]) * 64
    found = read(bytes(data))
    assert "LOOP: cluster 2 is in another chain too" not in [flaw.what for flaw in found.flaws][:1]
    assert found.flaw_count > 1


def test_files_that_share_their_bytes_are_not_all_followed() -> None:
    data = bytearray(whimbrel())
    facts = read(bytes(data))
    root = facts.data_offset - facts.root_entries * 32
    size = 15 * MIB
    table = facts.reserved_sectors * facts.bytes_per_sector
    count = size // facts.cluster_size
    struct.pack_into(f"<{count}H", data, table + 4, *range(3, count + 3))
    for number in range(100):
        name = f"F{number:010d}".encode()
        struct.pack_into("<11sB8xH4xHI", data, root + 32 * number, name, 0x20, 0, 2, size)
    found = read(bytes(data))
    assert len(sizes(found)) > 90
    assert found.flaw_count > 90
    assert sum(part.size for part in found.parts()) <= found.size


@pytest.mark.oracle
def test_what_fsck_reports_is_told(tmp_path: Path) -> None:
    """Damage at random places of FATs by mkfs.vfat and mcopy, against fsck.vfat."""
    folder = fill(tmp_path / "root", many=60, kernel=b"k" * 9000, links=False)
    told, missed = 0, []
    for bits, kib in ((12, 1440), (16, 8400), (32, 33600)):
        image = tmp_path / "boot.vfat"
        image.unlink(missing_ok=True)
        sectors = ("-s", "1") if bits != 16 else ("-s", "4")
        assert not status("mkfs.vfat", "-C", "-F", str(bits), *sectors, image, str(kib))
        assert not status("mcopy", "-s", "-i", image, *folder.iterdir(), "::")
        data = image.read_bytes()
        count, unseen = agree(
            READER,
            data,
            seeds(16),
            tmp_path / "broken",
            lambda path: status("fsck.vfat", "-n", path) != 0,
            end=read(data).data_offset + 8192,
        )
        told += count
        missed += [(bits, seed) for seed in unseen]
    assert told >= 10
    assert len(missed) <= told // 20, missed


@given(st.integers(0, 0x30000), st.binary(min_size=1, max_size=64))
def test_changed_bytes_give_facts_or_an_error(at: int, new: bytes) -> None:
    data = bytearray(whimbrel())
    data[at : at + len(new)] = new
    try:
        facts = read(bytes(data))
    except FormatError:
        return
    for part in facts.parts():
        assert part.size >= 0
        assert part.offset >= 0
    for file in facts.files or ():
        with contextlib.suppress(ImgauditError):
            open_file(View.of(data), file).upto(0, 100)


@functools.cache
def with_folders() -> bytes:
    """Make /boot/Image and /boot/a long name.txt by mtools."""
    with tempfile.TemporaryDirectory() as place:
        image = Path(place, "fat")
        (Path(place) / "x").write_bytes(b"t" * 5000)
        for words in (
            ("mkfs.fat", "-C", "-F", "16", "-s", "4", "-n", "TIDE", str(image), "10240"),
            ("mmd", "-i", str(image), "::boot"),
            ("mcopy", "-i", str(image), f"{place}/x", "::boot/Image"),
            ("mcopy", "-i", str(image), f"{place}/x", "::boot/a long name.txt"),
        ):
            subprocess.run(words, check=True, capture_output=True)
        return image.read_bytes()


def entry(name: bytes) -> int:
    return with_folders().index(name)


# Where fields stand: Microsoft, FAT32 File System Specification 1.03, "Directory Structure".
NAMED: list[tuple[bytes, int, str, int, str]] = [
    (b"BOOT    ", 28, "<I", 5, "boot: a folder with a size of 5"),
    (b"BOOT    ", 26, "<H", 0, "boot: a folder in cluster 0"),
    (b"BOOT    ", 26, "<H", 1, "boot: a folder in cluster 1"),
    (b".       ", 26, "<H", 9, "boot: its entry . leads elsewhere"),
    (b"..      ", 26, "<H", 9, "boot: its entry .. leads elsewhere"),
    (b"IMAGE   ", 26, "<H", 0, "boot/Image: its data start in cluster 0"),
    (b"IMAGE   ", 0, "B", 0x1F, "boot: a name with bytes that FAT does not allow"),
    (b"IMAGE   ", 2, "B", 0x2A, "boot: a name with bytes that FAT does not allow"),
    (b"IMAGE   ", 11, "B", 8, "boot: a label of the volume where there is none"),
    (b"ALONGN~1TXT", -32 + 13, "B", 5, "boot/ALONGN~1.TXT: its long name does not belong to it"),
]


@pytest.mark.oracle
@pytest.mark.parametrize(("name", "offset", "layout", "value", "what"), NAMED)
def test_each_field_of_an_entry_counts(
    name: bytes, offset: int, layout: str, value: int, what: str
) -> None:
    assert flaws(with_folders()) == []
    data = bytearray(with_folders())
    struct.pack_into(layout, data, entry(name) + offset, value)
    assert (what, entry(name)) in [(flaw.what, flaw.offset) for flaw in read(bytes(data)).flaws]


@pytest.mark.oracle
def test_a_name_twice_and_a_folder_without_dots_are_told() -> None:
    data = bytearray(with_folders())
    at, twice = entry(b"IMAGE   "), entry(b"ALONGN~1TXT")
    data[twice - 32] = 0xE5  # its long name is gone
    data[twice : twice + 11] = data[at : at + 11]
    assert ("boot/IMAGE is there twice", twice) in [
        (flaw.what.replace("Image", "IMAGE"), flaw.offset) for flaw in read(bytes(data)).flaws
    ]
    data = bytearray(with_folders())
    dots = entry(b"..      ")
    data[dots] = 0xE5
    assert [(flaw.what, flaw.offset) for flaw in read(bytes(data)).flaws] == [
        ("boot: it lacks . or ..", dots - 32)
    ]
    # A piece of a long name with no file behind it.
    data = bytearray(with_folders())
    data[twice] = 0xE5
    said = [flaw.what for flaw in read(bytes(data)).flaws]
    assert "boot: a piece of a long name belongs to no file" in said


@pytest.mark.oracle
def test_folders_names_and_tables_have_an_end(monkeypatch: pytest.MonkeyPatch) -> None:
    def said(where: object, name: str, value: int) -> str:
        with monkeypatch.context() as patched:
            patched.setattr(where, name, value)
            return read(with_folders()).unwalked

    assert said(fat_walk, "MAX_DEPTH", 1) == ""
    assert said(fat_walk, "MAX_DEPTH", 0) == "folders are more than 0 deep"
    root = 512 * 32
    assert said(fat_walk, "MAX_FOLDER", root) == ""
    assert said(fat_walk, "MAX_FOLDER", root - 1).startswith("the folder / has 16,384 bytes")
    assert said(listing, "MAX_ENTRIES", 4) == ""
    assert said(listing, "MAX_ENTRIES", 1) == "it has more than 1 names"
    facts = read(with_folders())
    size = 2 * ((facts.size - facts.data_offset) // facts.cluster_size + 2)
    assert said(fat_walk, "MAX_TABLE", size) == ""
    assert said(fat_walk, "MAX_TABLE", size - 1).startswith("its allocation table has ")


@pytest.mark.oracle
def test_a_table_that_ends_outside_the_data_is_told() -> None:
    facts = read(with_folders())
    first = facts.reserved_sectors * facts.bytes_per_sector
    cut = read(with_folders()[: first + 100])
    assert [flaw.offset for flaw in cut.flaws] == [first]
    assert cut.flaws[0].what.startswith("its tables end outside the data: needs ")
