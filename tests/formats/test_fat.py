from __future__ import annotations

import re
import struct
import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.errors import FormatError
from imgaudit.formats import fat
from imgaudit.formats.facts import Match
from imgaudit.formats.view import View
from imgaudit.units import MIB, Span
from tests.formats._survives import surviving


def small(
    *, total: int = 8192, per_cluster: int = 4, per_fat: int = 8, wide: bool = False
) -> bytearray:
    """Build the boot sector of a FAT12 or FAT16 file system."""
    image = bytearray(512)
    struct.pack_into(
        "<3s8sHBHBHHBHHHII", image, 0, b"\xeb\x3c\x90", b"whimbrel", 512, per_cluster, 1, 2, 512,
        0 if wide else total, 0xF8, per_fat, 32, 8, 2048, total if wide else 0,
    )  # fmt: skip
    struct.pack_into("<BBBI11s8s", image, 36, 0x80, 0, 0x29, 0x1234ABCD, b"BOOT       ", b"FAT16")
    image[510:512] = fat.SIGNATURE
    return image


def large(*, total: int = 80000, per_fat: int = 616) -> bytearray:
    """Build the reserved sectors of a FAT32 file system."""
    image = bytearray(32 * 512)
    struct.pack_into(
        "<3s8sHBHBHHBHHHII", image, 0, b"\xeb\x58\x90", b"whimbrel", 512, 1, 32, 2, 0, 0, 0xF8, 0,
        32, 8, 0, total,
    )  # fmt: skip
    struct.pack_into("<IHHIHH", image, 36, per_fat, 0, 0, 2, 1, 6)
    struct.pack_into("<BBBI11s8s", image, 64, 0x80, 0, 0x29, 7, b"BOOT       ", b"FAT32   ")
    image[510:512] = fat.SIGNATURE
    image[6 * 512 : 7 * 512] = image[:512]
    struct.pack_into("<I", image, 512, fat.FSINFO_LEAD)
    info = (fat.FSINFO_STRUCT, 78735, 0xFFFFFFFF)
    struct.pack_into("<III", image, 512 + 484, *info)
    struct.pack_into("<I", image, 512 + 508, fat.FSINFO_TRAIL)
    return image


def run(*command: str | Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(command, check=False, capture_output=True, text=True)


def read(data: bytes | bytearray) -> fat.Fat:
    facts = fat.READER.read(View.of(data))
    assert isinstance(facts, fat.Fat)
    return facts


def test_a_small_boot_sector_is_read() -> None:
    facts = read(small())
    assert (facts.kind, facts.fat32_layout) == ("FAT12", False)
    assert facts.size == facts.length == 4 << 20
    assert (facts.serial, facts.label, facts.type_text) == (0x1234ABCD, "BOOT", "FAT16")
    assert (facts.hidden_sectors, facts.cluster_size) == (2048, 2048)
    assert facts.data_offset == (1 + 2 * 8 + 32) * 512
    assert (facts.fsinfo, facts.backup, facts.root_cluster) == (None, None, None)
    assert (facts.offsets["BPB_TotSec16"], facts.offsets["BPB_TotSec32"]) == (0x13, 0x20)
    assert facts.summary() == "FAT12, 4 MiB in 2 KiB clusters"
    assert fat.READER.match(View.of(small())) is Match.GOOD


def test_a_large_boot_sector_is_read() -> None:
    facts = read(large())
    assert (facts.kind, facts.fat32_layout, facts.cluster_count) == ("FAT32", True, 78736)
    assert (facts.root_cluster, facts.serial, facts.label) == (2, 7, "BOOT")
    assert facts.fsinfo == fat.FsInfo(
        offset=512, signatures_good=True, free_clusters=78735, next_free=None
    )
    assert facts.backup == fat.BackupBoot(offset=3072, has_signature=True, differences=())


@pytest.mark.parametrize(
    ("clusters", "kind"),
    # The limits of Microsoft's specification: 4085 and 65525 clusters.
    [(4084, "FAT12"), (4085, "FAT16"), (65524, "FAT16"), (65525, "FAT32")],
)
def test_the_kind_follows_from_the_number_of_clusters(clusters: int, kind: str) -> None:
    facts = read(small(per_cluster=1, per_fat=256, total=1 + 512 + 32 + clusters, wide=True))
    assert (facts.cluster_count, facts.kind) == (clusters, kind)


def test_a_differing_backup_is_a_fact() -> None:
    image = large()
    struct.pack_into("<I", image, 3072 + 32, 5)
    image[3072 + 510] = 0
    backup = read(image).backup
    assert backup
    assert backup.differences == ("BPB_TotSec32", "Signature_word")
    assert not backup.has_signature


def test_the_dirty_bit_is_no_difference() -> None:
    image = large()
    image[65] = 1
    facts = read(image)
    assert facts.dirty
    assert facts.backup
    assert facts.backup.differences == ()


def test_wrong_fsinfo_is_a_fact() -> None:
    image = large()
    image[512] = 0
    info = read(image).fsinfo
    assert info
    assert not info.signatures_good


def test_what_is_beyond_the_data_is_absent() -> None:
    facts = read(large()[:1000])
    assert (facts.fsinfo, facts.backup) == (None, None)


def test_without_an_extended_signature_there_is_no_serial() -> None:
    image = small()
    image[38] = 0x28
    assert (read(image).serial, read(image).label) == (0x1234ABCD, None)
    image[38] = 0
    assert (read(image).serial, read(image).label) == (None, None)


@pytest.mark.parametrize(
    ("place", "value", "offset"), [(12, 0, 11), (13, 0, 13), (13, 3, 13), (11, 1, 11)]
)
def test_impossible_geometry_is_refused(place: int, value: int, offset: int) -> None:
    image = small()
    image[place] = value
    assert fat.READER.match(View.of(image)) is Match.NO
    with pytest.raises(FormatError) as caught:
        fat.READER.read(View.of(image))
    assert caught.value.offset == offset


def test_a_cut_boot_sector_is_refused() -> None:
    with pytest.raises(FormatError):
        fat.READER.read(View.of(small()[:511]))
    assert fat.READER.match(View.of(small()[:511])) is Match.NO


def test_a_missing_signature_weakens_the_match() -> None:
    image = small()
    image[510] = 0
    assert fat.READER.match(View.of(image)) is Match.WEAK
    assert not read(image).has_signature


survives = surviving(fat.READER)


@given(st.binary(max_size=1100))
def test_any_bytes(data: bytes) -> None:
    survives(data)
    survives(bytes(small()[:14]) + data)


@given(
    st.booleans(),
    st.lists(st.tuples(st.integers(0, 511), st.integers(0, 255)), max_size=8),
    st.integers(0, 32 * 512),
)
def test_damaged_boot_sectors(wide: bool, changes: list[tuple[int, int]], length: int) -> None:
    image = large() if wide else small()
    for place, value in changes:
        image[place] = value
    survives(bytes(image))
    survives(bytes(image[:length]))


@pytest.mark.oracle
@pytest.mark.parametrize(
    "options",
    [
        ("-F", "12", "4096"),
        ("-F", "16", "-n", "BOOT", "-h", "2048", "32768"),
        ("-F", "16", "-s", "4", "-S", "1024", "65536"),
        ("-F", "32", "-n", "DATA", "-i", "1234abcd", "40000"),
        ("-F", "32", "-s", "8", "524288"),
        ("-F", "32", "-b", "0", "-R", "8", "40000"),
    ],
)
def test_as_fsck_tells(tmp_path: Path, options: tuple[str, ...]) -> None:
    image = tmp_path / "fs"
    run("mkfs.vfat", *options[:-1], "-C", image, options[-1]).check_returncode()
    # It exits 1 where there is no backup; its text is the same.
    text = run("fsck.vfat", "-n", "-v", image).stdout
    with image.open("rb") as file:
        facts = read(file.read(1 << 17))

    def told(pattern: str) -> int:
        found = re.search(pattern, text)
        assert found, text
        return int(found[1])

    assert facts.kind == f"FAT{options[1]}"
    assert facts.fat32_layout is (options[1] == "32")
    assert facts.bytes_per_sector == told(r"(\d+) bytes per logical sector")
    assert facts.cluster_size == told(r"(\d+) bytes per cluster")
    assert facts.reserved_sectors == told(r"(\d+) reserved sectors?")
    assert facts.fats == told(r"(\d+) FATs")
    assert facts.sectors_per_fat == told(r"bytes per FAT \(= (\d+) sectors?\)")
    assert facts.data_offset == told(r"Data area starts at byte (\d+)")
    assert facts.cluster_count == told(r"(\d+) data clusters")
    assert facts.hidden_sectors == told(r"(\d+) hidden sectors")
    assert facts.total_sectors == told(r"(\d+) sectors total")
    # mkfs.vfat rounds down to whole tracks.
    assert 0 <= image.stat().st_size - facts.size < 64 * facts.bytes_per_sector
    assert not facts.dirty
    assert facts.has_signature
    assert facts.label == (options[options.index("-n") + 1] if "-n" in options else "NO NAME")
    if "-i" in options:
        assert facts.serial == 0x1234ABCD
    if facts.fat32_layout:
        assert facts.fsinfo
        assert facts.fsinfo.signatures_good
        assert facts.fsinfo.free_clusters == facts.cluster_count - told(r"files, (\d+)/")
        assert (facts.backup is None) is ("-b" in options)
        assert facts.backup is None or facts.backup.differences == ()


@pytest.mark.oracle
@pytest.mark.parametrize("reserved", [32, 8000])
def test_tables_beyond_the_head_are_wanted_with_the_directories(
    reserved: int, tmp_path: Path
) -> None:
    """What is streamed keeps 2 MiB; a MiB behind the tables the directories are read."""
    image = tmp_path / "fat"
    words = ("mkfs.fat", "-C", "-F", "32", "-R", str(reserved), image, "40960")
    subprocess.run(words, check=True, capture_output=True)
    view = View.of(image.read_bytes())
    facts = fat.READER.read(view)
    assert isinstance(facts, fat.Fat)
    assert fat.READER.windows is not None
    far = Span(0, facts.data_offset + MIB)
    assert fat.READER.windows(view) == ([far] if reserved == 8000 else [])
    assert fat.READER.windows(View.of(bytes(512))) == []
