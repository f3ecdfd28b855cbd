"""What is listed of any file system: looked up, put together, and bounded."""

from __future__ import annotations

import stat
import sys
import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit import bounds
from imgaudit.errors import FormatError, UnreadError
from imgaudit.formats import files as listing
from imgaudit.formats.files import (
    LINKS,
    MAX_FLAWS,
    Entry,
    Files,
    FileSystem,
    Piece,
    Walk,
    device,
    old_device,
    open_file,
    unpacked_whole,
)
from imgaudit.formats.view import View
from imgaudit.units import MIB

FILE, LINK, FOLDER = stat.S_IFREG | 0o644, stat.S_IFLNK | 0o777, stat.S_IFDIR | 0o755


def tree(*entries: Entry) -> Files:
    return Files({entry.path: entry for entry in (Entry("", FOLDER, 0), *entries)}, complete=True)


def link(path: str, target: str) -> Entry:
    return Entry(path, LINK, len(target), target=target)


def test_a_path_is_looked_up_as_the_kernel_does() -> None:
    files = tree(
        Entry("boot", FOLDER, 0),
        Entry("boot/Image", FILE, 5),
        link("boot/here", "."),
        link("kernel", "boot/Image"),
        link("top", "/"),
        link("boot/up", "../boot/Image"),
        link("empty", ""),
        link("round", "round"),
    )
    image = files.entries["boot/Image"]
    for path in ("boot/Image", "/boot//./Image", "kernel", "boot/up", "top/kernel", "boot/here/up"):
        assert files.find(path) is image, path
    assert files.find("../../boot/Image") is image
    for path in ("boot/Image/x", "boot/Image/..", "empty", "round", "gone", "kernel/x"):
        assert files.find(path) is None, path
    assert files.find("") is files.find("top") is files.entries[""]
    assert [(path, entry.path) for path, entry in files.reached()] == [
        ("boot/Image", "boot/Image"),
        ("kernel", "boot/Image"),
        ("boot/up", "boot/Image"),
    ]


@pytest.mark.parametrize("steps", [LINKS, LINKS + 1])
def test_links_are_followed_so_often(steps: int) -> None:
    links = (link(f"l{n}", f"l{n + 1}") for n in range(steps - 1))
    found = tree(*links, link(f"l{steps - 1}", "end"), Entry("end", FILE, 1)).find("l0")
    assert (found is not None) == (steps == LINKS)


def test_names_are_found_in_any_case_where_the_file_system_says_so() -> None:
    entries = {"Boot/Image": Entry("Boot/Image", FILE, 1), "Boot": Entry("Boot", FOLDER, 0)}
    assert Files(entries, complete=True).find("boot/IMAGE") is None
    assert Files(entries, complete=True, caseless=True).find("boot/IMAGE") is entries["Boot/Image"]


def test_texts_name_files_from_the_root_or_beside_them(monkeypatch: pytest.MonkeyPatch) -> None:
    text = b"linux ../Image initrd=ramdisk \\EFI\\a.efi nothing"
    files = tree(
        Entry("EFI", FOLDER, 0),
        Entry("EFI/a.efi", FILE, 1),
        Entry("boot", FOLDER, 0),
        Entry("boot/x.conf", FILE, len(text), text=text),
        Entry("boot/ramdisk", FILE, 1),
        Entry("Image", FILE, 1),
    )
    assert [entry.path for entry in files.named()] == ["Image", "boot/ramdisk", "EFI/a.efi"]
    monkeypatch.setattr(listing, "MAX_WORDS", 4)
    with bounds.listening() as heard:
        assert len(list(files.named())) == 2
    assert list(heard) == [
        ("boot/x.conf", "of its texts only the first 4 words are looked up as paths")
    ]
    monkeypatch.setattr(listing, "MAX_WORDS", 6)
    with bounds.listening() as heard:
        assert len(list(files.named())) == 3
    assert not heard


@given(
    st.lists(st.tuples(st.integers(0, 9), st.booleans()), max_size=6),
    st.integers(0, 60),
    st.integers(0, 60),
)
def test_pieces_give_the_bytes_of_any_range(
    sizes: list[tuple[int, bool]], start: int, count: int
) -> None:
    """Stored, a hole, or part of a packed block; zeros beyond the last piece."""
    stored = bytes(range(1, 10))
    block = zlib.compress(bytes(range(100, 120)))
    pieces: list[Piece] = []
    wanted = b""
    for size, hole in sizes:
        packed = Piece(size, 20, "zlib", len(block), 20, 3)
        pieces.append(Piece(size, None) if hole else Piece(size, 0) if size % 2 else packed)
        whole = bytes(size) if hole else stored if size % 2 else bytes(range(103, 120))
        wanted += whole[:size]
    length = len(wanted) + 5
    view = View.of(stored.ljust(20, b"\0") + block)
    found = open_file(view, Entry("x", FILE, length, pieces=tuple(pieces)))
    wanted = wanted.ljust(length, b"\0")
    assert found.upto(start, count) == wanted[start : start + count]
    assert found.bytes(0, length) == wanted
    assert [span.size for span in found.source.data()] == [length]


def test_a_damaged_block_is_told_where_the_file_has_it() -> None:
    view = View.of(b"tide".ljust(16))
    entry = Entry("x", FILE, 9, pieces=(Piece(4, 0), Piece(5, 4, "zlib", 8, 5)))
    assert open_file(view, entry).bytes(0, 4) == b"tide"
    with pytest.raises(FormatError) as problem:
        open_file(view, entry).bytes(2, 4)
    assert problem.value.offset == 4
    with pytest.raises(UnreadError, match="where x lies is not known"):
        open_file(view, entry._replace(pieces=None))
    assert list(open_file(view, Entry("x", FILE, 0, pieces=())).source.data()) == []


def test_a_deep_look_unpacks_every_block_once() -> None:
    """Of the pieces that share a block the one that needs most of it counts."""
    good = zlib.compress(b"t" * 20)
    data = good + b"\1" * 20
    at = len(good)
    files = tree(
        Entry("a", FILE, 5, pieces=(Piece(5, 0, "zlib", at, 25),)),
        Entry("b", FILE, 9, pieces=(Piece(9, 0, "zlib", at, 25, 12),)),
        Entry("c", FILE, 5, pieces=(Piece(5, at, "zlib", 20, 5), Piece(3, 0))),
        Entry("d", FILE, 5, pieces=(Piece(5, at + 1, "", 0, 5), Piece(5, None))),
        Entry("e", FOLDER, 0, pieces=None),
    )
    facts = unpacked_whole(View.of(data), FileSystem(files=files))
    assert isinstance(facts, FileSystem)
    assert facts.flaw_count == 2
    assert [flaw.what.split(":")[0] for flaw in facts.flaws] == ["b", "c"]
    assert "a block unpacks to 20 bytes; 21 are used of it" in facts.flaws[0].what
    many = tree(*(Entry(f"f{n}", FILE, 1, pieces=(Piece(1, n, "zlib", 2, 1),)) for n in range(70)))
    facts = unpacked_whole(View.of(bytes(99)), FileSystem(files=many))
    assert isinstance(facts, FileSystem)
    assert (facts.flaw_count, len(facts.flaws)) == (70, MAX_FLAWS)
    empty = FileSystem()
    assert unpacked_whole(View.of(b""), empty) is empty


def test_a_library_that_is_missing_is_said_by_the_deep_look(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setitem(sys.modules, "lzallright", None)
    files = tree(Entry("a", FILE, 5, pieces=(Piece(5, 0, "lzo", 9, 5),)))
    facts = unpacked_whole(View.of(bytes(9)), FileSystem(files=files))
    assert isinstance(facts, FileSystem)
    assert facts.flaws == ()
    assert "lzallright is missing" in facts.unwalked


@pytest.mark.parametrize("packed", [False, True])
def test_files_that_share_bytes_are_looked_into_only_so_far(
    monkeypatch: pytest.MonkeyPatch, *, packed: bool
) -> None:
    """Together they have no more bytes than the file system has, or than is ever unpacked."""
    method = "zlib" if packed else ""
    entries = [Entry(f"f{n}", FILE, 50, pieces=(Piece(50, n, method, 20, 50),)) for n in range(3)]
    monkeypatch.setattr(listing, "MAX_UNPACKED", 100)
    with bounds.listening() as heard:
        names = [part.name for part in FileSystem(files=tree(*entries), length=149).parts()]
    assert names == ["f0", "f1"]
    assert list(heard) == [("f2", "this and further files are not looked into: too many")]
    with bounds.listening() as heard:
        two = tree(*entries[:2])
        assert len(list(FileSystem(files=two, length=100).parts())) == 2
    assert not heard


def test_devices_have_numbers_of_two_widths() -> None:
    """Linux include/linux/kdev_t.h: 12 bits of major, 20 of minor; the older has 8 and 8."""
    assert device(0x12FABC34) == (0xABC, 0x12F34)
    assert old_device(0x0501, 0x12FABC34) == (5, 1)
    assert old_device(0, 0x12FABC34) == (0xABC, 0x12F34)


class Listed(Walk):
    def _walk(self) -> None:
        raise NotImplementedError


def test_a_walk_has_an_end_everywhere(monkeypatch: pytest.MonkeyPatch) -> None:
    walk = Listed(View.of(b"x" * 100))
    monkeypatch.setattr(listing, "MAX_ENTRIES", 2)
    assert walk.files() is None
    assert [walk.add(Entry(name, FILE, 0)) for name in "abc"] == [True, True, False]
    assert walk.doubts() == ("Not all of it was looked at: it has more than 2 names.",)
    walk.skip("another reason")
    assert walk.unwalked == "it has more than 2 names"
    monkeypatch.setattr(listing, "MOST_FLAWS", 3)
    walk.flaw(1, "one")
    walk.flaw(2, "two")
    with pytest.raises(UnreadError, match="it has 3 flaws and more"):
        walk.flaw(3, "three")
    assert len(walk.flaws) == 2
    monkeypatch.setattr(listing, "MAX_DEPTH", 2)
    deep = Listed(View.of(b""))
    assert deep.goes_into(1, "a", 0, 1)
    assert not deep.goes_into(1, "b", 7, 1)
    assert deep.flaws == [(7, "b: a second name for directory 1")]
    assert not deep.goes_into(2, "c", 0, 2)
    assert deep.unwalked == "directories are more than 2 deep"


def test_pieces_and_texts_are_kept_only_so_far(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(listing, "MAX_PIECES", 3)
    monkeypatch.setattr(listing, "MAX_TEXTS", 100)
    walk = Listed(View.of(b"x" * 100))
    with bounds.listening() as heard:
        for name, pieces in (("a", 2), ("b", 1), ("c", 1)):
            walk.add(Entry(name, FILE, pieces, pieces=tuple(Piece(1, n) for n in range(pieces))))
        for name, size in (("boot/a.conf", 60), ("boot/b.conf", 40)):
            walk._pieces_left = 9
            walk.add(Entry(name, FILE, size, pieces=(Piece(size, 0),)))
        walk.add(Entry("boot/c.conf", FILE, 1, pieces=(Piece(1, 0),)))
    files = walk.files()
    assert files is not None
    assert [files.entries[name].pieces is None for name in "abc"] == [False, False, True]
    kept = [len(files.entries[f"boot/{name}.conf"].text or b"") for name in "abc"]
    assert kept == [60, 40, 0]
    assert list(heard) == [
        ("", "its files lie in more than 3 pieces"),
        ("boot/c.conf", "the texts before it have 100 bytes"),
    ]
    for path, wanted in (
        *(("x.conf", True), ("boot/x.CFG", True), ("etc/x.conf", False), ("etc/os-release", True)),
        *(("usr/lib/os-release", True), ("x.dtb", False)),
    ):
        fresh = Listed(View.of(b"x" * 100))
        assert fresh.kept(Entry(path, FILE, 1)) == wanted, path
        assert not fresh.kept(Entry(path, FOLDER, 1))
    assert fresh.kept(Entry("x.txt", FILE, 100))
    assert not fresh.kept(Entry("x.txt", FILE, MIB))
