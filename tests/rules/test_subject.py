from __future__ import annotations

import gzip
import os
from pathlib import Path

import pytest

from imgaudit.contents.build import FolderStore, MemoryStore, payload_of, reader_of
from imgaudit.contents.reader import Loader
from imgaudit.files import ArtifactError, Folder
from imgaudit.layout.load import parse
from imgaudit.rules.subject import Subject, gather
from tests._audits import build, nor

ONE = "name: one, at: 0, size: 64 KiB, file: one.bin"
TWO = "name: two, at: 64 KiB, size: 64 KiB, file: two.bin"


def in_folder(
    folder: Path, *regions: str, chip: str = "size: 1 MiB, erase-block: 64 KiB"
) -> Subject:
    layout = parse(nor(*regions, chip=chip).layout.encode(), "f")
    with Loader() as loader:
        return gather(layout, FolderStore(Folder(str(folder)), loader))


@pytest.mark.parametrize(
    ("holds", "reader"),
    [("ext2", "ext4"), ("ext3", "ext4"), ("ext4", "ext4"), ("fit", "fit"), ("raw", None)],
)
def test_reader_of(holds: str, reader: str | None) -> None:
    assert reader_of(holds) == reader
    assert reader_of("blank") is None


def test_placements() -> None:
    subject = build(nor(ONE, TWO, "name: none, at: 128 KiB, size: 64 KiB"), {"one.bin": b"tide"})
    one, two, none = subject.placements
    assert (one.size, one.path, one.missing, one.complete) == (4, "one.bin", "", True)
    assert (two.size, two.path, two.complete) == (None, None, False)
    assert two.missing == "two.bin is not in the artifacts folder"
    assert not two.refused
    assert (none.size, none.missing) == (None, "")
    assert subject.placement("two") is two
    assert [region.name for region, _, _ in subject.placed()] == ["one"]


def test_on_paper_nothing_is_given() -> None:
    subject = gather(parse(nor(ONE).layout.encode(), "f"), None)
    assert not subject.given
    assert [item.missing for item in subject.placements] == ["no artifacts were given"]
    assert subject.images == ()


def test_one_file_for_two_regions_is_read_once() -> None:
    reads = []

    def make() -> bytes:
        reads.append(1)
        return b"tide"

    layout = parse(nor(ONE, TWO.replace("two.bin", "one.bin")).layout.encode(), "f")
    with Loader() as loader:
        subject = gather(layout, MemoryStore({"one.bin": make}, loader))
    assert len(reads) == 1
    assert [region.name for region, _, _ in subject.placed()] == ["one", "two"]
    assert [region and region.name for region, _ in subject.artifacts()] == ["one"]


def test_register_dumps_and_images_are_artifacts_without_a_region() -> None:
    chip = "size: 1 MiB, erase-block: 64 KiB, image: nor.img, sfdp: nor.sfdp"
    files = {"one.bin": b"tide", "nor.img": b"\xff" * 100, "nor.sfdp": b"SFDP"}
    subject = build(nor(ONE, chip=chip), files)
    assert [
        (region and region.name, artifact.path) for region, artifact in subject.artifacts()
    ] == [
        ("one", "one.bin"),
        (None, "nor.img"),
        (None, "nor.sfdp"),
    ]
    assert set(subject.others) == {"nor.sfdp"}


def test_a_register_dump_that_is_missing_is_told() -> None:
    subject = build(nor(chip="size: 1 MiB, erase-block: 64 KiB, sfdp: nor.sfdp"))
    assert subject.unreadable == {"nor.sfdp": "nor.sfdp is not in the artifacts folder"}


def test_the_payload_is_what_the_writer_unpacks() -> None:
    squashfs = b"hsqs" + bytes(92)
    with Loader() as loader:
        content = loader.memory("a", gzip.compress(gzip.compress(squashfs))).content
    assert payload_of(content, "squashfs").size == len(squashfs)
    assert payload_of(content, "gzip") is content
    assert payload_of(content, "ext4").format == "squashfs"


def test_a_cut_payload_is_not_complete() -> None:
    stream = gzip.compress(os.urandom(1000))[:-20]
    subject = build(nor(ONE + ", holds: squashfs"), {"one.bin": stream})
    assert not subject.placements[0].complete


def test_from_a_folder(tmp_path: Path) -> None:
    (tmp_path / "one.bin").write_bytes(b"tide")
    (tmp_path / "two.bin").symlink_to("/etc/passwd")
    before = len(os.listdir("/proc/self/fd"))
    subject = in_folder(tmp_path, ONE, TWO, "name: three, at: 128 KiB, size: 1, file: '../three'")
    assert len(os.listdir("/proc/self/fd")) == before
    one, two, three = subject.placements
    assert (one.size, one.refused) == (4, False)
    assert (two.missing, two.refused) == ("two.bin is a link out of the artifacts folder", True)
    assert (three.missing, three.refused) == ("../three leaves the artifacts folder", True)


def test_globs(tmp_path: Path) -> None:
    (tmp_path / "one-1.2.bin").write_bytes(b"tide")
    region = ONE.replace("one.bin", '"one-*.bin"')
    (placement,) = in_folder(tmp_path, region).placements
    assert placement.path == "one-1.2.bin"
    (tmp_path / "one-1.3.bin").write_bytes(b"tide")
    (placement,) = in_folder(tmp_path, region).placements
    assert placement.missing == "one-*.bin matches 2 files: one-1.2.bin, one-1.3.bin"
    assert not placement.refused


def test_many_files_in_their_order(tmp_path: Path) -> None:
    regions = []
    for number in range(12):
        (tmp_path / f"{number}.bin").write_bytes(bytes([number + 1]) * (number + 1))
        regions.append(f"name: r{number}, at: {number} KiB, size: 1 KiB, file: {number}.bin")
    subject = in_folder(tmp_path, *regions)
    assert [item.size for item in subject.placements] == list(range(1, 13))


def test_names_in_memory_stay_inside() -> None:
    with Loader() as loader:
        store = MemoryStore({"../a": lambda: b""}, loader)
        with pytest.raises(ArtifactError, match="leaves"):
            store.find("../a")
