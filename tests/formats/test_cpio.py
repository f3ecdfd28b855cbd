from __future__ import annotations

import gzip
import re
import stat
import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.errors import FormatError
from imgaudit.formats import cpio
from imgaudit.formats.cpio import CpioFacts
from imgaudit.formats.facts import Match
from imgaudit.formats.view import View
from tests.formats._cpio import archive, folder, link, member, trailer

INSTALLERS = [
    Path(f"/usr/lib/debian-installer/images/12/{arch}/text/debian-installer/{arch}/initrd.gz")
    for arch in ("arm64", "armhf")
]
SAMPLE = archive(
    folder("bin"),
    member("bin/sh", b"#!/bin/x\n", stat.S_IFREG | 0o755, uid=7, gid=8, mtime=9, ino=3),
    link("sbin", "bin"),
    member("dev/console", mode=stat.S_IFCHR | 0o600, rdev=(5, 1)),
)


def read(data: bytes) -> CpioFacts:
    return cpio.read(View.of(data))


def test_members_have_the_values_that_were_written() -> None:
    facts = read(SAMPLE)
    assert [entry.name for entry in facts.entries] == ["bin", "bin/sh", "sbin", "dev/console"]
    shell = facts.entries[1]
    assert (shell.mode, shell.uid, shell.gid, shell.mtime, shell.ino) == (0o100755, 7, 8, 9, 3)
    assert SAMPLE[shell.data : shell.data + shell.size] == b"#!/bin/x\n"
    assert SAMPLE[shell.offset : shell.offset + 6] == b"070701"
    assert facts.entries[2].target == "bin"
    assert facts.entries[3].rdev == (5, 1)
    assert facts.length == len(SAMPLE)
    assert facts.stop is None
    assert facts.trailing is None
    assert facts.summary() == "4 entries, 9 B of files"
    assert cpio.match(View.of(SAMPLE)) is Match.SURE


def test_archives_after_nuls_go_on() -> None:
    # Linux buffer-format.rst: initramfs := ("\0" | cpio_archive | cpio_gzip_archive)*
    second = member("b", b"2", magic=b"070702") + trailer(b"070702")
    facts = read(archive(member("a", b"1")) + b"\0" * 512 + second)
    assert [entry.name for entry in facts.entries] == ["a", "b"]
    first, last = facts.segments
    assert (first.kind, first.first, first.last, first.padding) == ("newc", 0, 1, 512)
    assert (last.kind, last.first, last.last, last.padding) == ("crc", 1, 2, 0)
    assert last.offset == first.length + 512
    assert facts.summary() == "2 entries in 2 archives, 2 B of files"


def test_the_trailer_is_optional() -> None:
    # Linux buffer-format.rst: "cpio_trailer" is in brackets.
    facts = read(member("a", b"1") + member("b", b"2"))
    assert len(facts.entries) == 2
    assert facts.segments[0].trailer is None
    assert facts.stop is None


@pytest.mark.parametrize(
    ("after", "kind", "skip"),
    [
        (b"\0" * 100, "zero", 0),
        (b"\xff" * 64, "ff", 0),
        (b"\0" * 8 + b"\xff" * 64, "ff", 8),
        (b"\0" * 8 + b"\x1f\x8b\x08", "other", 8),
    ],
)
def test_what_follows_is_named(after: bytes, kind: str, skip: int) -> None:
    facts = read(SAMPLE + after)
    assert facts.trailing is not None
    assert facts.trailing.kind == kind
    assert facts.trailing.offset == len(SAMPLE) + skip
    assert facts.trailing.length == len(after) - skip
    assert [part.offset for part in facts.parts()] == ([len(SAMPLE) + skip] * (kind == "other"))


@pytest.mark.parametrize(
    ("data", "kind", "kernel"),
    [
        # The messages are those of Linux init/initramfs.c.
        (SAMPLE + b"070707" + b"0" * 70, "odc", cpio.KernelWords.ODC),
        (SAMPLE + b"0" * 110, "magic", "no cpio magic"),
        (SAMPLE + b"\0" + SAMPLE, "padding", "broken padding"),
        (SAMPLE[:-14], "cut", ""),
        (SAMPLE[: len(SAMPLE) // 2], "cut", ""),
        (member("a") + member("b").replace(b"b\0", b"bb"), "name", "malformed archive"),
        (member("a") + b"070701zz" + b"0" * 102, "header", ""),
        (member("a") + b"0707", "cut", ""),
    ],
)
def test_reading_stops_where_the_kernel_does(data: bytes, kind: str, kernel: str) -> None:
    facts = read(data)
    assert facts.stop is not None
    assert (facts.stop.kind, facts.stop.kernel) == (kind, kernel)
    assert facts.trailing is None


def test_contents_that_are_cut_keep_their_entry() -> None:
    facts = read(member("a", b"x" * 100)[:-50])
    assert facts.entries[0].size == 100
    assert facts.stop is not None
    assert facts.stop.kind == "cut"


def test_sums_are_compared() -> None:
    good = member("good", b"abc", magic=b"070702")
    bad = member("bad", b"abc", magic=b"070702", check=1)
    facts = read(good + bad + trailer(b"070702"))
    assert [sum_.matches for sum_ in facts.checksums] == [True, False]
    assert facts.checksums[1].stored == "00000001"
    assert facts.checksums[1].computed == f"{sum(b'abc'):08x}"
    data = good + bad
    stored = facts.checksums[1].offset
    assert data[stored : stored + 8] == b"00000001"


@pytest.mark.parametrize("missing", [1, 0])
def test_a_sum_of_contents_that_are_cut_is_not_computed(missing: int) -> None:
    data = member("last", b"tide", magic=b"070702")
    (found,) = read(data[: len(data) - missing]).checksums
    assert found.matches is (None if missing else True)
    assert found.why == ("the contents are cut" if missing else "")


@pytest.mark.parametrize(
    ("head", "kind"),
    [
        (b"070707" + b"0" * 70 + b"a\0", "odc"),
        (b"\xc7\x71" + b"\0" * 18 + b"\x02\0" + b"\0" * 4 + b"a\0", "binary"),
        (b"\x71\xc7" + b"\0" * 18 + b"\0\x02" + b"\0" * 4 + b"a\0", "binary"),
    ],
)
def test_older_kinds_are_recognised_and_refused(head: bytes, kind: str) -> None:
    facts = read(head)
    assert facts.kind == kind
    assert facts.refusal
    assert "refuses" in facts.summary()
    assert cpio.match(View.of(head)) is Match.GOOD


@pytest.mark.parametrize(
    "data", [b"", b"070701", b"070701" + b"g" * 104, b"070703" + b"0" * 104, b"x"]
)
def test_what_is_no_archive_is_refused(data: bytes) -> None:
    with pytest.raises(FormatError):
        read(data)


def test_long_names_and_links_are_not_kept() -> None:
    # PATH_MAX counts the NUL: init/initramfs.c skips name_len > PATH_MAX.
    facts = read(
        member("n" * 4095) + member("m" * 4096) + link("l", "t" * 4096) + link("k", "t" * 4097)
    )
    assert [len(entry.name) for entry in facts.entries] == [4095, 0, 1, 1]
    assert [len(entry.target) for entry in facts.entries] == [0, 0, 4096, 0]


def test_a_name_of_four_gigabytes_ends_the_walk() -> None:
    raw = member("a")
    huge = raw[:94] + b"ffffffff" + raw[102:]
    facts = read(member("b") + huge)
    assert facts.stop is not None
    assert facts.stop.kind == "cut"
    assert [entry.name for entry in facts.entries] == ["b", ""]


def test_entries_are_capped(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cpio, "ENTRIES", 3)
    facts = read(b"".join(member(f"{number}") for number in range(9)))
    assert len(facts.entries) == 3
    assert facts.stop is not None
    assert facts.stop.kind == "cap"
    assert facts.stop.why == "entry cap reached: 3 were read"


@pytest.mark.parametrize(("most", "names"), [(3, ["a", "b", "c"]), (2, ["a", "b", "c"])])
def test_archives_are_capped(most: int, names: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cpio, "SEGMENTS", most)
    facts = read(b"".join(archive(member(name)) for name in names))
    assert [entry.name for entry in facts.entries] == names
    if most == len(names):
        assert facts.stop is None
    else:
        assert facts.stop is not None
        assert facts.stop.why == f"more than {most} archives follow another"


@given(st.binary(max_size=400))
def test_any_bytes_give_facts_or_a_format_error(data: bytes) -> None:
    for start in (b"", b"070701", b"070702", b"070707", b"\xc7\x71"):
        cpio.match(View.of(start + data))
        try:
            read(start + data)
        except FormatError:
            continue


@given(st.integers(0, len(SAMPLE)), st.integers(0, len(SAMPLE) - 1), st.binary(max_size=9))
def test_damaged_archives_give_facts_or_a_format_error(cut: int, at: int, junk: bytes) -> None:
    try:
        facts = read((SAMPLE[:at] + junk + SAMPLE[at + len(junk) :])[:cut])
    except FormatError:
        return
    assert facts.length is not None
    assert facts.length <= cut
    assert all(entry.offset < cut for entry in facts.entries)


def _listing(facts: CpioFacts) -> list[str]:
    lines = []
    for entry in facts.entries:
        size: object = entry.size
        if stat.S_ISBLK(entry.mode) or stat.S_ISCHR(entry.mode):
            size = "{},{}".format(*entry.rdev)
        name = entry.name + (f" -> {entry.target}" if entry.target else "")
        lines.append(
            f"{stat.filemode(entry.mode)} {entry.nlink} {entry.uid} {entry.gid} {size} {name}"
        )
    return lines


def _oracle_listing(file: Path) -> list[str]:
    with file.open("rb") as stream:
        run = subprocess.run(
            ["cpio", "--list", "--verbose", "--numeric-uid-gid", "--quiet"],
            stdin=stream,
            capture_output=True,
            check=True,
            text=True,
        )
    pattern = re.compile(r"(\S+)\s+(\d+)\s+(\d+)\s+(\d+)\s+(\d+, *\d+|\d+) \w+ +\d+ +[\d:]+ (.*)")
    lines = []
    for line in run.stdout.splitlines():
        match = pattern.fullmatch(line)
        assert match is not None, line
        lines.append(" ".join((*match.groups()[:4], match[5].replace(" ", ""), match[6])))
    return lines


@pytest.mark.oracle
@pytest.mark.parametrize("installer", INSTALLERS, ids=["arm64", "armhf"])
def test_real_ramdisks_list_as_gnu_cpio_lists_them(installer: Path, tmp_path: Path) -> None:
    data = gzip.decompress(installer.read_bytes())
    (tmp_path / "ramdisk").write_bytes(data)
    facts = read(data)
    assert facts.stop is None
    assert _listing(facts) == _oracle_listing(tmp_path / "ramdisk")


@pytest.mark.oracle
@pytest.mark.parametrize(("option", "kind"), [("newc", "newc"), ("crc", "crc")])
def test_archives_of_gnu_cpio(option: str, kind: str, tmp_path: Path) -> None:
    tree = tmp_path / "tree"
    (tree / "sub").mkdir(parents=True)
    (tree / "file").write_bytes(bytes(range(256)) * 999)
    (tree / "empty").touch()
    (tree / "sub" / "hard").hardlink_to(tree / "file")
    (tree / "soft").symlink_to("sub/hard")
    names = ".\nfile\nempty\nsub\nsub/hard\nsoft"
    made = subprocess.run(
        ["cpio", "--create", "--quiet", "-H", option],
        input=names.encode(),
        capture_output=True,
        check=True,
        cwd=tree,
    ).stdout
    (tmp_path / "made").write_bytes(made)
    facts = read(made)
    assert facts.kind == kind
    assert all(sum_.matches for sum_ in facts.checksums)
    assert len(facts.checksums) == (3 if kind == "crc" else 0)
    assert _listing(facts) == _oracle_listing(tmp_path / "made")


@pytest.mark.oracle
@pytest.mark.parametrize(("option", "kind"), [("odc", "odc"), ("bin", "binary")])
def test_older_kinds_of_gnu_cpio_are_recognised(option: str, kind: str, tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"data")
    made = subprocess.run(
        ["cpio", "--create", "--quiet", "-H", option],
        input=b"file\n",
        capture_output=True,
        check=True,
        cwd=tmp_path,
    ).stdout
    assert read(made).kind == kind
