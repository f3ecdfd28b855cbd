from __future__ import annotations

import gzip
import hashlib
import os
import random
import struct
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from imgaudit.contents import keep, reader
from imgaudit.contents.reader import Loader
from imgaudit.contents.tree import BLOCK, PASSED_OVER, Artifact, Blocks, Content
from imgaudit.errors import ImgauditError, UnreadError
from imgaudit.files import Folder
from imgaudit.formats.ext import Ext
from imgaudit.rules.samples import fit, image
from imgaudit.units import KIB, MIB
from imgaudit.writers import kernel as linux
from imgaudit.writers.fat import fat16
from imgaudit.writers.fdt import Tree

NOISE = random.Random(3).randbytes(MIB)


def memory(data: bytes, expects: str | None = None, *, blocks: bool = False) -> Artifact:
    with Loader() as loader:
        return loader.memory("a.bin", data, expects=expects, blocks=blocks)


def read(path: Path, *, full: bool = False, blocks: bool = False) -> Artifact:
    with Loader(full_digests=full) as loader:
        finish, held = loader.in_folder(Folder(str(path.parent)), path.name, blocks=blocks)
        size = path.stat().st_size
        assert held == (size if size <= reader.IN_MEMORY else 0)
        return finish()


def open_files() -> int:
    return len(os.listdir("/proc/self/fd"))


@given(st.binary(max_size=300))
def test_any_bytes_are_read(data: bytes) -> None:
    found = memory(data)
    assert found.sha256 == hashlib.sha256(data).hexdigest()
    assert found.size == len(data)
    assert found.head == data[:64]
    blank = {bytes(len(data)): 0, b"\xff" * len(data): 0xFF}.get(data) if data else None
    assert found.blank == blank


@pytest.mark.parametrize("size", [0, 1, BLOCK - 1, BLOCK, BLOCK + 1, 3 * BLOCK + 7])
def test_a_small_file(tmp_path: Path, size: int) -> None:
    path = tmp_path / "a.bin"
    path.write_bytes(NOISE[:size])
    found = read(path, blocks=True)
    assert found.sha256 == hashlib.sha256(NOISE[:size]).hexdigest()
    assert found.content.blocks is not None
    assert found.content.blocks.size == size
    assert found.content.blocks.digests == {
        number: hashlib.sha256(NOISE[at : min(at + BLOCK, size)]).digest()
        for number, at in enumerate(range(0, size, BLOCK))
    }


def test_a_hole_and_zeros_have_the_same_data_digest(tmp_path: Path) -> None:
    holes, full = tmp_path / "holes", tmp_path / "full"
    size = 80 * MIB + 100
    with holes.open("wb") as file:
        for at in (0, 5 * MIB + 300, 70 * MIB):
            file.seek(at)
            file.write(NOISE[:9000])
        file.truncate(size)
    digest = hashlib.sha256()
    with holes.open("rb") as source, full.open("wb") as target:
        while piece := source.read(MIB):
            target.write(piece)
            digest.update(piece)
    before = open_files()
    sparse, plain = read(holes, full=True), read(full)
    assert open_files() == before
    assert sparse.sha256 == digest.hexdigest()
    assert plain.sha256 is None
    assert sparse.data_sha256 == plain.data_sha256 is not None
    assert sparse.blank is None
    assert sparse.content.view is None


@pytest.mark.parametrize(("fill", "blank"), [(b"\0", 0), (b"\xff", 0xFF)])
def test_a_large_blank_file(tmp_path: Path, fill: bytes, blank: int) -> None:
    path = tmp_path / "a.bin"
    with path.open("wb") as file:
        if blank:
            for _ in range(65):
                file.write(fill * MIB)
            file.write(fill * 100)
        else:
            file.truncate(200 * MIB)
    assert read(path).blank == blank
    with path.open("r+b") as file:
        file.seek(66 * KIB)
        file.write(b"\1")
    assert read(path).blank is None


def test_a_large_compressed_file(tmp_path: Path) -> None:
    path = tmp_path / "a.gz"
    data = NOISE * 66
    stream = gzip.compress(data, 0)
    path.write_bytes(stream)
    before = open_files()
    found = read(path, blocks=True)
    assert open_files() == before
    assert found.sha256 == hashlib.sha256(stream).hexdigest()
    assert (found.content.unpacked, found.content.complete) == (len(data), True)
    assert found.content.blocks is not None
    assert found.content.blocks.size == len(data)
    assert found.content.blocks.digests[17] == hashlib.sha256(NOISE[BLOCK : 2 * BLOCK]).digest()


def test_nested_compression() -> None:
    data = gzip.compress(gzip.compress(b"tide" * 100))
    outer, middle, inner = memory(data).content.walk()
    assert [item.format for item in (outer, middle, inner)] == ["gzip", "gzip", None]
    assert [item.size for item in (outer, middle, inner)] == [len(data), outer.unpacked, 400]
    assert (middle.offset, inner.offset) == (-1, -1)
    assert inner.name == "a.bin/unpacked/unpacked"
    assert outer.consumed == len(data)


def test_too_deep() -> None:
    data = b"tide"
    for _ in range(reader._DEPTH + 3):
        data = gzip.compress(data)
    contents = list(memory(data).content.walk())
    assert len(contents) == reader._DEPTH + 2
    assert contents[-1].why.startswith("not looked into: more than")


@pytest.mark.parametrize("more", [0, 1])
def test_as_many_contents_are_looked_into(more: int) -> None:
    count = reader._CONTENTS - 1 + more
    images: Tree = {f"image-{number}": image(payload=b"tide") for number in range(count)}
    whys = [item.why for item in memory(fit(images)).content.walk()]
    assert len(whys) == count + 1
    assert sum(why.startswith(PASSED_OVER) for why in whys) == more


def cpio(files: dict[str, bytes]) -> bytes:
    out = b""
    for name, data in [*files.items(), ("TRAILER!!!", b"")]:
        fields = (1, 0o100644, 0, 0, 1, 0, len(data), 0, 0, 0, 0, len(name) + 1, 0)
        head = b"070701" + b"".join(b"%08X" % field for field in fields) + name.encode() + b"\0"
        out += head + bytes(-len(head) % 4) + data + bytes(-len(data) % 4)
    return out


def sparse(block: bytes) -> bytes:
    """An Android sparse image of three blocks: data, a hole, data."""
    chunks = [(0xCAC1, block), (0xCAC3, b""), (0xCAC1, block)]
    head = struct.pack("<IHHHHIIII", 0xED26FF3A, 1, 0, 28, 12, len(block), 3, 3, 0)
    return head + b"".join(
        struct.pack("<HHII", kind, 0, 1, 12 + len(data)) + data for kind, data in chunks
    )


def test_a_sparse_image_is_expanded() -> None:
    found = memory(sparse(NOISE[:BLOCK]), blocks=True).content
    assert (found.format, found.unpacked) == ("android-sparse", 3 * BLOCK)
    (inner,) = found.children
    assert inner.view is None or inner.view.bytes(BLOCK, 4) == bytes(4)
    digest = hashlib.sha256(NOISE[:BLOCK]).digest()
    assert inner.blocks is not None
    assert inner.blocks == found.blocks
    assert (inner.blocks.size, inner.blocks.digests) == (3 * BLOCK, {0: digest, 2: digest})


def test_a_sparse_image_of_nothing_but_holes() -> None:
    head = struct.pack("<IHHHHIIII", 0xED26FF3A, 1, 0, 28, 12, BLOCK, 3, 1, 0)
    hole = struct.pack("<HHII", 0xCAC3, 0, 3, 12)
    found = memory(head + hole, blocks=True).content
    assert found.blocks == Blocks(3 * BLOCK, {})


def test_a_file_that_cannot_be_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.bin"
    path.write_bytes(b"tide")
    monkeypatch.setattr(Folder, "open", lambda *_: (os.open(path, os.O_WRONLY), 4))
    before = open_files()
    with Loader() as loader, pytest.raises(UnreadError, match="cannot be read: "):
        loader.in_folder(Folder(str(tmp_path)), "a.bin")
    assert open_files() == before


def test_a_cut_stream_keeps_what_was_there() -> None:
    stream = gzip.compress(NOISE)
    found = memory(stream[:-1000]).content
    assert not found.complete
    assert found.damaged_at is not None
    assert found.unpacked is not None
    assert MIB - 70_000 < found.unpacked < MIB
    assert found.children[0].size == found.unpacked


def test_what_follows_a_stream_is_hashed_too(tmp_path: Path) -> None:
    path = tmp_path / "a.gz"
    data = gzip.compress(b"tide") + NOISE * 65
    path.write_bytes(data)
    assert read(path).sha256 == hashlib.sha256(data).hexdigest()


def test_a_file_that_shrinks(tmp_path: Path) -> None:
    path = tmp_path / "a.bin"
    path.write_bytes(NOISE * 70)
    before = open_files()
    with Loader() as loader:
        finish, _ = loader.in_folder(Folder(str(tmp_path)), "a.bin", blocks=True)
        os.truncate(path, 100)
        try:
            finish()
        except ImgauditError as problem:
            shrunk = str(problem)
            assert "became shorter" in shrunk
    assert open_files() == before


def test_a_file_that_is_empty_when_it_is_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.bin"
    path.write_bytes(b"tide")
    monkeypatch.setattr(Folder, "open", lambda *_: (os.open(path, os.O_RDONLY), 80 * MIB))
    before = open_files()
    with Loader() as loader, pytest.raises(UnreadError, match="became shorter"):
        loader.in_folder(Folder(str(tmp_path)), "a.bin")[0]()
    assert open_files() == before


def test_small_files_that_shrank_are_not_checked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.bin"
    path.write_bytes(b"tide")
    monkeypatch.setattr(Folder, "open", lambda *_: (os.open(path, os.O_RDONLY), 100))
    with Loader() as loader, pytest.raises(UnreadError, match="changed while it was read"):
        loader.in_folder(Folder(str(tmp_path)), "a.bin")[0]()


def test_files_that_are_written_to_are_not_checked(tmp_path: Path) -> None:
    path = tmp_path / "a.bin"
    path.write_bytes(NOISE * 70)
    with Loader() as loader:
        finish, _ = loader.in_folder(Folder(str(tmp_path)), "a.bin", blocks=True)
        with path.open("r+b") as file:
            file.write(b"tide")
        os.utime(path, (5, 5))
        with pytest.raises(UnreadError, match="changed while it was read"):
            finish()


def test_what_is_kept(tmp_path: Path) -> None:
    path = tmp_path / "a.bin"
    path.write_bytes(NOISE)
    folder = Folder(str(tmp_path))
    with Loader() as loader:
        kept = loader.in_folder(folder, "a.bin")[0]()
        dropped = loader.in_folder(folder, "a.bin", keep=False)[0]()
        archive = loader.memory("a.cpio", cpio({"init": b"tide"}))
        named = loader.file(str(path))
    assert kept.content.view is not None
    assert named.content.view is not None
    assert dropped.content.view is None
    assert archive.content.format == "cpio"


@pytest.mark.parametrize("more", [0, 2 * KIB])
def test_a_file_system_for_digests_is_read_in_place_and_says_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, more: int
) -> None:
    monkeypatch.setattr(reader, "_SMALL", 9 * MIB)
    kernel = linux.image({})
    files = {"IMAGE": kernel, "NOTES.TXT": b"tide", "NOISE.BIN": NOISE}
    size = 9 * MIB + more
    data = fat16(size, files, "BOOT", 77).whole()
    (tmp_path / "boot.img").write_bytes(data)
    folder = Folder(str(tmp_path))
    before = open_files()
    with Loader() as loader:
        finish, held = loader.in_folder(folder, "boot.img", blocks=True, keep=False)
        found = finish()
        usual = loader.memory("boot.img", data, blocks=True)
    assert held == (0 if more else size)
    assert open_files() == before
    assert found.sha256 == hashlib.sha256(data).hexdigest()
    assert replace(found, content=usual.content) == usual
    assert found.content == usual.content
    views = [(child.name, child.view is not None) for child in found.content.children]
    assert views == [(child.name, child.view is not None) for child in usual.content.children]
    (inside,) = [child for child in found.content.children if child.format == "arm64-image"]
    assert inside.view is not None
    assert inside.view.bytes(0, len(kernel)) == kernel


def test_what_is_read_in_place_is_held_as_far_as_there_is_room(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    kernel = linux.image({})
    files = {"ONE": kernel, "TWO": kernel[:-1]}
    data = fat16(9 * MIB, files, "BOOT", 77).whole()
    (tmp_path / "boot.img").write_bytes(data)
    for room, kept in ((2 * len(kernel) - 1, 2), (2 * len(kernel) - 2, 1)):
        monkeypatch.setattr(reader, "KEPT", room)
        with Loader() as loader:
            folder = Folder(str(tmp_path))
            content = loader.in_folder(folder, "boot.img", blocks=True, keep=False)[0]().content
        assert [child.format for child in content.children] == ["arm64-image"] * 2
        assert sum(child.view is not None for child in content.children) == kept


def superblock(content: Content) -> Ext:
    assert isinstance(content.facts, Ext)
    return replace(content.facts, files=None, doubts=())


# The stream holds a GPT and file systems far apart: all but zeros is kept, or windows of it only.
@pytest.mark.oracle
def test_a_large_stream(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    image = tmp_path / "emmc.img"
    with image.open("wb") as file:
        file.truncate(300 * MIB)
    table = "label: gpt\nstart=4MiB, size=100MiB\nstart=104MiB, size=190MiB\n"
    subprocess.run(["sfdisk", "-q", str(image)], input=table, text=True, check=True)
    for start, size in ((4, 100), (104, 190)):
        part = tmp_path / "part"
        subprocess.run(["mke2fs", "-q", "-t", "ext4", str(part), f"{size}M"], check=True)
        subprocess.run(
            ["dd", f"if={part}", f"of={image}", "bs=1M", f"seek={start}", "conv=notrunc,sparse"],
            check=True,
            capture_output=True,
        )
        part.unlink()
    subprocess.run(["zstd", "-q", "-1", str(image)], check=True)
    raw = read(image, blocks=True)
    packed = read(tmp_path / "emmc.img.zst", blocks=True)
    assert packed.content.unpacked == 300 * MIB
    (disk,) = packed.content.children
    assert disk.format == "gpt"
    assert [child.format for child in disk.children] == ["ext4", "ext4"]
    assert [child.facts for child in disk.children] == [
        child.facts for child in raw.content.children
    ]
    assert not any(child.facts and child.facts.doubts for child in disk.children)
    monkeypatch.setattr(keep, "_SPARSE", MIB)
    packed = read(tmp_path / "emmc.img.zst", blocks=True)
    (disk,) = packed.content.children
    # The files of an ext4 may lie anywhere: those of a stream are not known, and it is said so.
    assert [superblock(child) for child in disk.children] == [
        superblock(child) for child in raw.content.children
    ]
    assert all(child.facts and child.facts.doubts for child in disk.children)
    assert packed.content.blocks == raw.content.blocks


@given(
    st.lists(st.sampled_from((b"\0", b"tide")), min_size=1, max_size=8),
    st.lists(st.integers(1, 3 * BLOCK), min_size=1, max_size=5),
    st.integers(0, BLOCK),
)
@settings(max_examples=30)
def test_a_stream_without_its_zeros_reads_the_same(
    blocks: list[bytes], steps: list[int], rest: int
) -> None:
    data = b"".join(block * (BLOCK // len(block)) for block in blocks) + b"x" * rest
    sparse = keep._Sparse(len(data))
    at = 0
    while at < len(data):
        step = steps[at % len(steps)]
        sparse.add(data[at : at + step])
        at += step
    view = sparse.view(len(data))
    assert view is not None
    assert view.bytes(0, view.size) == data
    assert all(
        view.bytes(place, 3) == data[place : place + 3]
        for place in range(0, at - 3, 9999)
        if place + 3 <= len(data)
    )
    assert sparse.held <= len(data)
    few = keep._Sparse(sparse.held - 1)
    few.add(data)
    assert few.view(len(data)) is None or not sparse.held


def test_windows_do_not_depend_on_the_pieces() -> None:
    """A stream's windows are the same however its bytes arrive."""
    from imgaudit.units import Span

    data = NOISE * 9
    windows = [Span(0, 3 * MIB), Span(MIB, MIB + 50), Span(4 * MIB - 5, 4 * MIB + 90_000)]
    for size in (MIB, 700_001, 65_537):
        keeper = keep.Keeper(192 * MIB)
        for at in range(0, len(data), size):
            keeper.add(data[at : at + size])
            if keeper.total >= 2 * MIB and keeper._whole is not None:
                keeper._forget(windows)
        view = keeper.view()
        for span in (*windows, Span(len(data) - MIB, len(data))):
            assert view.bytes(span.start, span.size) == data[span.start : span.end]
        with pytest.raises(UnreadError, match="were not kept"):
            view.bytes(3 * MIB + 10, 10)
