from __future__ import annotations

import gzip
import struct
import subprocess
import uuid
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.errors import UnreadError
from imgaudit.formats import readers
from imgaudit.formats.ext import Ext
from imgaudit.formats.guid import TYPE_NAMES
from imgaudit.formats.view import View
from imgaudit.rules import checks
from imgaudit.rules import filesystems as fs
from imgaudit.rules.built import subject_of
from imgaudit.rules.engine import Example, Finding, Severity
from imgaudit.rules.examples import Files, emmc, nor
from imgaudit.tasks import audit
from imgaudit.units import KIB, MIB, Span
from imgaudit.writers.fat import fat16
from imgaudit.writers.gpt import Partition, gpt
from imgaudit.writers.sparse import filler, patched
from tests.rules._storage import alone, findings, flash, made, names, of

HERE = "filesystems"


def disk(holds: str, data: Callable[[], bytes], *, size: str = "64 KiB", more: str = "") -> Example:
    region = f"name: rootfs, partition: 1, at: 1 MiB, size: {size}, holds: {holds}, file: r.img"
    return emmc(region + more, files={"r.img": data})


def roomy(example: Example) -> Example:
    """Put the build on an eMMC of 293 MiB."""
    return Example(example.layout.replace("65536", "600000"), example.files)


def only(example: Example) -> Finding:
    (finding,) = findings(example, HERE)
    return finding


class TestSize:
    def test_exactly_full_is_silent(self) -> None:
        assert findings(disk("ext2", lambda: fs._ext(64)), HERE) == []

    def test_one_block_too_many(self) -> None:
        finding = only(disk("ext2", lambda: fs._ext(65)))
        assert finding.rule.name == "filesystem-larger-than-region"
        assert finding.values["over"] == KIB
        assert "block count 65 exceeds size of device (64 blocks)" in finding.message
        assert "inclusive end" in finding.message
        # s_blocks_count is at 4 in the superblock (Documentation/filesystems/ext4/super.rst).
        assert finding.offset == MIB + 1024 + 4

    def test_file_at_takes_room(self) -> None:
        finding = only(disk("ext2", lambda: fs._ext(64), more=", file-at: 0x1000"))
        assert finding.values["room"] == 60 * KIB
        assert finding.values["over"] == 4 * KIB
        assert "inclusive end" not in finding.message
        assert finding.offset == MIB + 0x1000 + 1024 + 4

    def test_published_case_of_one_block(self) -> None:
        # A thread, from memory: "block count 215040 exceeds size of device (215039 blocks)".
        example = disk("ext2", lambda: fs._ext(215040, stored=64), size=str(215040 * KIB - 512))
        larger = [f for f in findings(roomy(example), HERE) if "larger" in f.rule.name]
        assert [finding.values["over"] for finding in larger] == [512]
        assert "block count 215040 exceeds size of device (215039 blocks)" in larger[0].message
        assert "inclusive end" in larger[0].message

    def test_truncated_says_from_where(self) -> None:
        finding = only(disk("ext2", lambda: fs._ext(64, stored=63)))
        assert finding.rule.name == "filesystem-truncated"
        assert finding.offset == MIB + 63 * KIB
        assert finding.length == KIB

    def test_cut_at_the_end_of_the_region_is_too_large_and_nothing_else(self) -> None:
        assert names(disk("ext2", lambda: fs._ext(128, stored=64)), HERE) == [
            "filesystem-larger-than-region"
        ]

    def test_unpacked_size_counts(self) -> None:
        whole = disk("ext2", lambda: gzip.compress(fs._ext(64), mtime=0))
        assert findings(whole, HERE) == []
        cut = only(disk("ext2", lambda: gzip.compress(fs._ext(64, stored=32), mtime=0)))
        assert cut.rule.name == "filesystem-truncated"
        assert cut.values["have"] == 32 * KIB
        assert cut.offset == MIB + 32 * KIB

    def test_a_cut_stream_is_not_judged(self) -> None:
        packed = gzip.compress(fs._ext(64, stored=64), mtime=0)[:-30]
        subject = subject_of(disk("ext2", lambda: packed))
        result = audit.run(subject, only=[checks()["filesystem-truncated"]])
        assert result.findings == ()
        assert [item.rule for item in result.not_checked] == ["filesystem-truncated"]

    def test_alone_there_is_no_region(self) -> None:
        (finding,) = alone({"r.img": fs._ext(64, stored=32)}, HERE)
        assert finding.rule.name == "filesystem-truncated"
        assert finding.region is None
        assert finding.offset == 32 * KIB

    @pytest.mark.parametrize(
        ("holds", "data", "size"),
        [
            ("squashfs", fs._squashfs(70000, 70000 + 3728), 70000),
            ("f2fs", fs._f2fs(second=16)[: 0x400 + 36] + b"\x12" + fs._f2fs(16)[0x425:], 0x12000),
            ("fat", fs._fat(b"FAT12   ")[:19] + b"\x90" + fs._fat(b"FAT12   ")[20:], 144 * 512),
        ],
    )
    def test_every_kind_has_its_size(self, holds: str, data: bytes, size: int) -> None:
        found = {f.rule.name: f for f in findings(disk(holds, lambda: data), HERE)}
        assert found["filesystem-larger-than-region"].values["size"] == size

    @pytest.mark.parametrize(
        ("kept", "stored", "severity"),
        [
            (6 * MIB, 8 * MIB, Severity.WARNING),
            (8 * MIB, 8 * MIB, Severity.ERROR),  # the last of it lies behind the end
            (6 * MIB, 8 * MIB + 1, Severity.ERROR),  # and what is stored goes over the next region
        ],
    )
    def test_a_fat_of_which_all_that_it_keeps_is_inside(
        self, kept: int, stored: int, severity: Severity
    ) -> None:
        """Linux mounts it: fs/fat/inode.c, fat_fill_super does not ask the device for its size."""
        whole = fat16(9 * MIB, {"a": b"a" * MIB, "b": b"b" * (kept - MIB)}, label="a", serial=1)
        data = whole.whole()[:stored]
        found = findings(disk("fat", lambda: data, size="8 MiB"), HERE)
        assert [(f.rule.name, f.severity) for f in found] == [
            ("filesystem-larger-than-region", severity)
        ]

    def test_external_journal_is_no_file_system(self) -> None:
        data = fs._ext(128, stored=64, incompat=0x8, state=0)
        assert findings(disk("ext4", lambda: data), HERE) == []


def chip_image(partition: bytes, *, size: int = 64 * KIB) -> bytes:
    one = Partition("rootfs", uuid.UUID(TYPE_NAMES["linux-data"]), uuid.UUID(int=1), 64 * KIB, size)
    table = gpt(512, uuid.UUID(int=2), [one])
    image = bytearray(table.size)
    for at, piece in [*table.pieces, (64 * KIB, partition)]:
        image[at : at + len(piece)] = piece
    return bytes(image)


class TestChipImage:
    CHIP = "sectors: 512, image: emmc.img"
    REGION = "name: rootfs, partition: 1, at: 64 KiB, size: 64 KiB, holds: ext2, file: r.img"

    def build(self, files: Files) -> Example:
        return emmc(self.REGION, chip=self.CHIP, files=files)

    def test_a_fault_of_the_artifact_is_told_once(self) -> None:
        data = fs._ext(65)
        files: Files = {"r.img": lambda: data, "emmc.img": lambda: chip_image(data[: 64 * KIB])}
        (finding,) = findings(self.build(files), HERE)
        assert finding.artifact == "r.img"

    def test_another_file_system_in_the_image_is_told_apart(self) -> None:
        files: Files = {
            "r.img": lambda: fs._ext(64),
            "emmc.img": lambda: chip_image(fs._ext(64, state=0)),
        }
        (finding,) = findings(self.build(files), HERE)
        assert finding.rule.name == "filesystem-not-clean"
        assert finding.artifact == "emmc.img"
        assert finding.region == "rootfs"
        assert finding.values["content"] == "emmc.img/partition 1 (rootfs)"
        assert finding.offset == 64 * KIB + 1024 + 0x3A

    def test_larger_than_a_partition_without_a_layout(self) -> None:
        (finding,) = alone({"emmc.img": chip_image(fs._ext(64), size=60 * KIB)}, HERE)
        assert finding.rule.name == "filesystem-larger-than-region"
        assert finding.values["over"] == 4 * KIB
        assert "its partition has 61,440 bytes" in finding.message
        assert finding.offset == 64 * KIB + 1028

    def test_packed_image_keeps_the_places(self) -> None:
        packed = gzip.compress(chip_image(fs._ext(64), size=60 * KIB), mtime=0)
        (finding,) = alone({"emmc.img.gz": packed}, HERE)
        assert finding.offset == 64 * KIB + 1028


class TestSquashfs:
    def test_half_a_page_short(self) -> None:
        finding = only(disk("squashfs", lambda: fs._squashfs(9000, 9216)))
        assert finding.rule.name == "squashfs-not-padded"
        assert finding.severity is Severity.WARNING
        assert (finding.values["rest"], finding.values["unit"]) == (1024, 4096)
        assert finding.values["padded"] == 12288

    def test_published_numbers(self) -> None:
        # A thread, from memory: 16197478 bytes used, padded to 16199680.
        (finding,) = alone({"r.img": fs._squashfs(16197478, 16197478)}, HERE)
        assert finding.values["padded"] == 16199680

    def test_last_block_ends_with_the_region(self) -> None:
        data = fs._squashfs(9000, 9000)
        finding = only(disk("squashfs", lambda: data, size="9000"))
        assert finding.severity is Severity.ERROR
        assert finding.values["unit"] == KIB
        assert only(disk("squashfs", lambda: data)).severity is Severity.WARNING

    @pytest.mark.parametrize(
        ("size", "severity"), [("9215", Severity.ERROR), ("9216", Severity.WARNING)]
    )
    def test_the_last_block_may_end_with_the_region(self, size: str, severity: Severity) -> None:
        finding = only(disk("squashfs", lambda: fs._squashfs(9000, 9000), size=size))
        assert finding.severity is severity

    def test_alone_the_file_is_the_device(self) -> None:
        (finding,) = alone({"r.img": fs._squashfs(9000, 9000)}, HERE)
        assert finding.severity is Severity.ERROR

    def test_a_truncated_one_is_only_that(self) -> None:
        assert names(disk("squashfs", lambda: fs._squashfs(9000, 8999)), HERE) == [
            "filesystem-truncated"
        ]


class TestState:
    def test_journal_to_replay(self) -> None:
        finding = only(disk("ext4", lambda: fs._ext(64, incompat=0x46)))
        assert finding.rule.name == "filesystem-not-clean"
        assert "journal" in finding.message
        assert finding.severity is Severity.WARNING

    def test_dirty_fat(self) -> None:
        data = bytearray(fs._fat(b"FAT12   "))
        data[37] = 1  # BS_Reserved1, where Linux keeps the state
        finding = only(disk("fat", lambda: bytes(data)))
        assert finding.rule.name == "filesystem-not-clean"
        assert finding.offset == MIB + 37

    def test_errors_without_the_flag(self) -> None:
        finding = only(disk("ext2", lambda: fs._ext(64, errors=7)))
        assert finding.rule.name == "filesystem-has-errors"
        assert finding.values["count"] == 7
        assert finding.offset == MIB + 1024 + 0x194

    def test_both_f2fs_copies_damaged_are_one_finding(self) -> None:
        data = bytearray(fs._f2fs(second=16))
        for at in (0x400, 0x1400):
            # Announces a checksum and leaves it 0.
            struct.pack_into("<I", data, at + 32, 3068)
            struct.pack_into("<I", data, at + 2180, 0x800)
        finding = only(disk("f2fs", lambda: bytes(data)))
        assert finding.rule.name == "filesystem-checksum"
        assert finding.values["count"] == 2
        assert finding.message.endswith("and 1 more")


class TestKinds:
    def test_fat_laid_out_for_32_bits(self) -> None:
        data = bytearray(fs._fat(b"FAT12   "))
        struct.pack_into("<H", data, 22, 0)  # BPB_FATSz16
        struct.pack_into("<I", data, 36, 1)  # BPB_FATSz32
        finding = only(disk("fat", lambda: bytes(data)))
        assert finding.rule.name == "fat-type-inconsistent"
        assert "laid out for FAT32" in finding.message

    def test_fat_too_short_for_its_clusters(self) -> None:
        data = bytearray(fs._fat(b"FAT12   "))
        struct.pack_into("<I", data, 32, 1000)  # BPB_TotSec32
        struct.pack_into("<H", data, 19, 1000)  # BPB_TotSec16
        found = findings(disk("fat", lambda: bytes(data).ljust(1000 * 512), size="512 KiB"), HERE)
        assert [finding.rule.name for finding in found] == ["fat-type-inconsistent"]
        # One FAT sector of 512 bytes has 341 entries of 12 bits; two of them are reserved.
        assert "entries for 339" in found[0].message

    def test_fat_without_a_kind_in_its_label_is_silent(self) -> None:
        assert findings(disk("fat", lambda: fs._fat(b"FAT     ")), HERE) == []

    def test_u_boot_reads_boot_partitions_only(self) -> None:
        data = fs._ext(64, incompat=0x8042)
        assert findings(disk("ext4", lambda: data), HERE) == []
        finding = only(disk("ext4", lambda: data, more=", label: boot"))
        assert finding.values["features"] == "inline_data"

    def test_lost_f2fs_copy(self) -> None:
        data = bytearray(fs._f2fs(second=16))
        data[0x400:0x404] = bytes(4)
        finding = only(disk("f2fs", lambda: bytes(data)))
        assert finding.rule.name == "f2fs-superblocks-differ"
        assert "0x400" in finding.message
        assert finding.offset == MIB + 0x400


class TestFlash:
    def test_published_number_of_blocks(self) -> None:
        # A thread, from memory: 0x40000 in blocks of 0x10000 are 4, fewer than 5.
        finding = only(nor("name: data, at: 0, size: 0x40000, holds: jffs2"))
        assert (finding.values["count"], finding.values["needed"]) == (4, 0x50000)

    def test_larger_jffs2_blocks(self) -> None:
        finding = only(flash("jffs2", lambda: fs.erased_jffs2(128 * KIB)))
        assert finding.rule.name == "jffs2-erase-size-mismatch"
        assert (finding.values["made"], finding.values["erase"]) == (0x20000, 0x10000)
        assert finding.offset == 0x10000 + 0x20000

    def test_erase_size_where_the_region_is(self) -> None:
        # Four blocks of 4 KiB at the bottom, blocks of 64 KiB above.
        example = nor(
            "name: data, at: 64 KiB, size: 512 KiB, holds: jffs2, file: d.img",
            chip="size: 1 MiB, erase-map: [{count: 16, size: 4096}, {count: 15, size: 65536}]",
            files={"d.img": lambda: fs.erased_jffs2(64 * KIB)},
        )
        assert findings(example, HERE) == []

    def test_big_endian_on_a_board_that_may_be(self) -> None:
        example = flash("jffs2", lambda: fs.erased_jffs2(64 * KIB, ">"))
        either = Example(example.layout.replace("arm64", "mips"), example.files)
        assert findings(either, HERE) == []
        assert names(example, HERE) == ["jffs2-byte-order"]

    @pytest.mark.parametrize("holds", ["ext2", "ext3", "ext4", "f2fs", "fat"])
    def test_writable_on_nor(self, holds: str) -> None:
        example = nor(f"name: data, at: 0, size: 512 KiB, holds: {holds}")
        assert names(example, HERE) == ["writable-filesystem-on-nor"]

    def test_read_only_on_nor_is_silent(self) -> None:
        assert findings(nor("name: data, at: 0, size: 512 KiB, holds: squashfs"), HERE) == []

    def test_parts_of_a_file_are_not_measured_by_the_region(self) -> None:
        # A JFFS2 in a partition of a disk image has no region whose erase blocks it should suit.
        assert alone({"d.img": fs.erased_jffs2(4 * KIB)}, HERE) == []


class TestUuid:
    REGIONS = (
        "name: a, partition: 1, at: 1 MiB, size: 64 KiB, holds: {}, file: a.img",
        "name: b, partition: 2, at: 2 MiB, size: 64 KiB, holds: {}, file: b.img",
    )

    def pair(self, holds: str, one: bytes, other: bytes) -> Example:
        regions = [region.format(holds) for region in self.REGIONS]
        return emmc(*regions, files={"a.img": lambda: one, "b.img": lambda: other})

    def test_ext(self) -> None:
        finding = only(self.pair("ext2", fs._ext(64, uuid=5), fs._ext(32, uuid=5)))
        assert finding.severity is Severity.NOTE
        assert finding.region == "b"
        assert finding.offset == 2 * MIB + 1024 + 0x68
        assert finding.values["uuid"] == "00000000-0000-0000-0000-000000000005"

    def test_no_uuid_is_not_the_same_one(self) -> None:
        assert findings(self.pair("ext2", fs._ext(64, uuid=0), fs._ext(64, uuid=0)), HERE) == []

    def test_fat_serial_as_blkid_writes_it(self) -> None:
        data = fs._fat(b"FAT12   ")
        finding = only(self.pair("fat", data, data))
        assert finding.values["uuid"] == "0000-0001"
        assert finding.offset == 2 * MIB + 39


SAMPLES = {
    "ext4": fs._ext(64, ro_compat=0x400),
    "fat": fs._fat(b"FAT12   "),
    "squashfs": fs._squashfs(9000, 12288),
    "f2fs": fs._f2fs(second=16),
    "jffs2": fs.erased_jffs2(64 * KIB),
}


@given(
    holds=st.sampled_from(sorted(SAMPLES)),
    at=st.integers(0, 0x1500),
    data=st.binary(min_size=1, max_size=16),
)
def test_any_damage_is_told_in_words(holds: str, at: int, data: bytes) -> None:
    image = patched(SAMPLES[holds], at, data)
    for finding in findings(flash(holds, lambda: image), HERE) + alone({"d.img": image}, HERE):
        assert finding.message
        assert finding.effect
        assert finding.fix


class HeadOnly:
    """Bytes of which nothing past the first 2 MiB was kept, as of a large stream."""

    def __init__(self, data: bytes, size: int) -> None:
        self.size = size
        self._data = data[: 2 * MIB].ljust(2 * MIB, b"\0")

    def read_at(self, offset: int, length: int) -> bytes:
        if offset + length > 2 * MIB:
            raise UnreadError(offset, "of a stream only the head is kept")
        return self._data[offset : offset + length]

    def data(self) -> Iterator[Span]:
        yield Span(0, self.size)


ORACLES = {
    "ext4": ("mke2fs", "-q", "-t", "ext4", "img", "8M"),
    "fat": ("mkfs.vfat", "-C", "img", "65536"),
    "f2fs": ("mkfs.f2fs", "-O", "extra_attr,sb_checksum", "img"),
    "erofs": ("mkfs.erofs", "img", "tree"),
    "squashfs": ("mksquashfs", "tree", "img", "-quiet", "-no-progress"),
}


def real(name: str, folder: Path) -> bytes:
    (folder / "tree").mkdir()
    (folder / "tree" / "note").write_bytes(filler("tide", 100 * KIB))
    if name == "f2fs":
        with (folder / "img").open("wb") as file:
            file.truncate(64 * MIB)
    return made(folder / "img", *ORACLES[name])()


@pytest.mark.oracle
@pytest.mark.parametrize("name", ORACLES)
def test_real_file_systems_are_silent(name: str, tmp_path: Path) -> None:
    data = real(name, tmp_path)
    size = f"{max(len(data), MIB)}"
    assert findings(roomy(disk(name, lambda: data, size=size)), HERE) == []
    assert alone({"img": data}, HERE) == []


@pytest.mark.oracle
@pytest.mark.parametrize("name", ORACLES)
def test_readers_want_no_more_than_the_head(name: str, tmp_path: Path) -> None:
    data = real(name, tmp_path)
    reader = readers()[name]
    whole = reader.read(View.of(data))
    assert reader.windows is not None
    assert reader.windows(View.of(data)) == []
    head = reader.read(View(HeadOnly(data, len(data))))
    assert (head.length, head.summary()) == (whole.length, whole.summary())


@pytest.mark.oracle
@pytest.mark.parametrize("name", ORACLES)
def test_real_file_systems_cut_short(name: str, tmp_path: Path) -> None:
    data = real(name, tmp_path)
    example = disk(name, lambda: data[:-8192], size=str(len(data)))
    assert names(roomy(example), HERE) == ["filesystem-truncated"]


@pytest.mark.oracle
@pytest.mark.parametrize("size", [4, 8, 16, 31, 33, 64, 256, 1024])
def test_mkfs_fat_agrees_with_itself_at_every_size(size: int, tmp_path: Path) -> None:
    subprocess.run(
        ["mkfs.vfat", "-C", tmp_path / "img", str(size * 1024)], check=True, capture_output=True
    )
    head = (tmp_path / "img").read_bytes()[: 2 * MIB].ljust(size * MIB, b"\0")
    assert alone({"img": head}, HERE) == []


@pytest.mark.oracle
def test_dumpe2fs_counts_the_same_blocks(tmp_path: Path) -> None:
    data = made(tmp_path / "img", "mke2fs", "-q", "-t", "ext4", "-b", "1024", "img", "4M")()
    finding = only(disk("ext4", lambda: data, size=str(4 * MIB - 1024)))
    facts = readers()["ext4"].read(View.of(data))
    assert isinstance(facts, Ext)
    assert "block count 4096 exceeds size of device (4095 blocks)" in finding.message
    listed = subprocess.run(
        ["dumpe2fs", "-h", tmp_path / "img"], check=True, capture_output=True, text=True
    ).stdout
    assert f"Block count:              {finding.values['blocks']}" in listed


@pytest.mark.oracle
def test_real_jffs2(tmp_path: Path) -> None:
    (tmp_path / "tree").mkdir()
    (tmp_path / "tree" / "a").write_bytes(bytes(range(256)) * 700)
    command = ("mkfs.jffs2", "-l", "-d", "tree", "-o", "img", "-e")
    good = made(tmp_path / "img", *command, "0x10000")()
    assert findings(flash("jffs2", lambda: good), HERE) == []
    small = made(tmp_path / "img", *command, "0x2000")()
    assert only(flash("jffs2", lambda: small)).values["made"] == 0x2000


class TestRoom:
    """What is free in a file system is free in its region: common practice, no source."""

    @pytest.mark.parametrize(("size", "low"), [(9 * MIB, False), (16 * MIB, True)])
    def test_a_boot_partition_with_a_large_kernel(self, size: int, *, low: bool) -> None:
        def image() -> bytes:
            parts = fat16(17 * MIB, {"Image": b"k" * size}, "BOOT", 1)
            out = bytearray(parts.size)
            for at, data in parts.pieces:
                out[at : at + len(data)] = data
            return bytes(out)

        example = disk("fat", image, size="17 MiB", more=", keep-free: 10 %")
        subject = subject_of(example)
        assert [
            finding.rule.name for finding in audit.run(subject, only=of("regions")).findings
        ] == (["headroom-low"] if low else [])
        (placement,) = subject.placements
        assert placement.used is not None
        assert 0 < placement.used - size < MIB
