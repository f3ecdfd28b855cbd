from __future__ import annotations

import base64
import functools
import os
import struct
import subprocess
import tempfile
import zlib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.formats import erofs_walk
from imgaudit.formats import files as listing
from imgaudit.formats.erofs import READER
from imgaudit.formats.files import Piece, open_file
from imgaudit.formats.view import View
from tests.formats._survives import survives_walk
from tests.formats._trees import agree, fill, read, seeds, sound, status, trouble

FORMS = (
    "",
    "-Enoinline_data",
    "-Eforce-inode-extended",
    "-Eforce-inode-compact",
    "--chunksize=4096",
    "-Eforce-chunk-indexes --chunksize=65536",
    "-zlz4",
    "-zlz4hc",
    "-zlz4hc -C65536",
    "-zlz4 -Elegacy-compress",
    "-zlz4hc,12 -Eztailpacking",
    # mkfs.erofs before 1.6 takes these words and packs no ends together.
    "-zlz4hc -Efragments",
    "-zlz4 -Eall-fragments",
    "-zlz4hc -C65536 -Efragments,dedupe",
)


def make(folder: Path, options: str = "") -> bytes:
    image = folder.parent / "image.erofs"
    image.unlink(missing_ok=True)
    assert not status("mkfs.erofs", *options.split(), image, folder)
    return image.read_bytes()


@pytest.mark.oracle
@pytest.mark.parametrize("options", FORMS)
def test_what_mkfs_erofs_packs_is_found(tmp_path: Path, options: str) -> None:
    """Every name, mode, size, target and byte; dump.erofs counts the same files."""
    folder = fill(tmp_path / "root", many=80)
    os.setxattr(folder / "init", "user.gauge", b"tide" * 20)
    facts = sound(READER, make(folder, options), folder)
    assert facts.files is not None
    words = ("dump.erofs", "-S", tmp_path / "image.erofs")
    told = subprocess.run(words, check=True, capture_output=True, text=True).stdout
    regular = sum(entry.is_file for entry in facts.files)
    links = sum(entry.is_link for entry in facts.files)
    assert f"regular file count:\t\t{regular}\n" in told
    assert f"symlink file count:\t\t{links}\n" in told


# Made by mkfs.erofs of erofs-utils 1.9 with -zlz4hc -Efragments, from the texts of the test below.
TOGETHER = (
    r"""c-rk)&ubGw6n?XtWNRq9-3{oWWOfT}L1}igKe9jYAPV9o2M@h?sI}NOsQ4qGq9^rGMQlB4uYyptCoj^AN5Ox<gEw"""
    r"""uDBG^N6G`=LW-Lz)gh#-RV!8h-FZ|2R+ek?3300#%h|BB5ojn8j~&y+>f!!Qm*ebxx+?PPCZ4B2WWxqra<8RWN<0"""
    r"""<5sSh3MUMoW%=xi&)R0KF0J#yuuXImr<Kc*HM?5zJuCf`W|YJ>4)w0rdgZ2Ra+>PyTR@TryJaE@VcRr;?2tk1h$2"""
    r"""J{kos_{Bi%%a8eU{=Gndn_7@KC_B6(AWw8D=J*j1T<{wWC)_?qHQp@$smroDY|G`OWQqTOAYy0=-Sik!sc_H_{!)"""
    r"""kjNIb?LsGbE$ECSznfF=vRKIAoAcbV;9=nuCLbgM)*EgM)*EgM)*EgQE|&#haJr7mTuTebMOrKQqdC4T?6>(||@k"""
    r"""6#W8}oJs+xI|<aQ0`==a!)KV+K@Oqh1qCnzCjxl}<Qq6W33{{%AU_8^m?t1(OC`dZNkCafzCl)TKEnDcZq)>N3#c"""
    r"""<qXxJ{{?oJc*@CPpYitS54Z9F-&2*s;N4ZPj95R;}bQw6zmy&;zW;q^=>2-_vI;^9ueUe65uDk!HgUq@qBLAUd$r"""
    r"""-@v{r+N)E*uv8$0d%(jnlcNT6;{?krG5jHQKDI1SR<;kLa^}@roKHPsFvf@aSX$Ef~sr@cxFjdt;oA8YP$U%2Vc#"""
    r"""omhH^o=(?{ms_r*3n(my)s+Jc#$*Q{h5vA{q<xpPDX_oD8<VJK4q`WdNwSVHa&PgE@ow;mGn!?0Smj6XRP1l(PWt"""
    r"""X335EVfA2mRc^cWDiZZbI6ZO_CV9C{TA<;Km+cY=WoKC@FeJ#F#XNiN!4E77uE1f+^`d6f2LiF=+}Dvsuo~{(ZA|"""
    r"""uyGc@$d&w0$~pF="""
)


def test_the_ends_of_files_are_found_together() -> None:
    data = zlib.decompress(base64.b85decode(TOGETHER))
    facts = read(READER, data)
    assert (facts.flaws, facts.unwalked) == ((), "")
    assert facts.files is not None
    for number in range(6):
        lines = (f"tide {n * n % 97} of gauge {number}\n" for n in range(40 + 130 * number))
        text = "".join(lines).encode()
        entry = facts.files.get(f"gauge-{number}")
        assert entry is not None
        assert open_file(View.of(data), entry).bytes(0, entry.size) == text
    # Where the file of ends is too short, each that lies beyond is told.
    packed = int.from_bytes(data[1024 + 96 : 1024 + 104], "little")
    short = bytearray(data)
    short[32 * packed + 8 : 32 * packed + 12] = (100).to_bytes(4, "little")
    assert any(
        "of the file of ends, past its end" in flaw.what
        for flaw in read(READER, bytes(short)).flaws
    )
    later = bytearray(data)
    later[1024 + 80] |= 0x80
    assert read(READER, bytes(later)).unwalked == "it has features that are not known here (0x80)"


@functools.cache
def whimbrel(options: str = "-zlz4hc") -> bytes:
    with tempfile.TemporaryDirectory() as place:
        return make(fill(Path(place) / "root", many=40, kernel=b"tide " * 9000), options)


@pytest.mark.oracle
def test_what_fsck_erofs_reports_is_told(tmp_path: Path) -> None:
    """Damage at random places; what only unpacking tells is left to the deep look."""
    folder = fill(tmp_path / "root", many=200, kernel=b"")
    told, missed = 0, []
    for options in ("-Eforce-inode-extended", "-Enoinline_data", "-zlz4"):
        count, unseen = agree(
            READER,
            make(folder, options),
            seeds(30),
            tmp_path / "broken",
            lambda path: status("fsck.erofs", path) != 0,
        )
        told += count
        missed += [(options, seed) for seed in unseen]
    assert told >= 3
    assert len(missed) <= told // 20, missed


@pytest.mark.oracle
def test_a_damaged_directory_is_told() -> None:
    data = bytearray(whimbrel(""))
    at = data.index(b"a-file-with-a-long-name-7")
    for place, byte in ((at, 0x2F), (at, 0x00), (at, 0x7F)):
        broken = bytearray(data)
        broken[place] = byte
        assert trouble(READER, bytes(broken)), byte


@pytest.mark.oracle
@pytest.mark.parametrize("options", ["", "-zlz4hc", "-zlz4 -Elegacy-compress"])
@given(st.integers(0, 1 << 17), st.binary(min_size=1, max_size=64))
def test_changed_bytes_give_facts_or_an_error(options: str, at: int, new: bytes) -> None:
    survives_walk(READER, whimbrel(options), at, new)


# What each field means. Where it stands: Linux fs/erofs/erofs_fs.h.

Put = tuple[str, int, str, int]
"""From the inode of a path, or from the "super" block: where, how wide, what."""
FLAT = "-Eforce-inode-compact"
CHUNKS = FLAT + " --chunksize=4096"
INDEXED = FLAT + " -Eforce-chunk-indexes --chunksize=65536"
COMPACT = FLAT + " -zlz4"
BIG = FLAT + " -zlz4hc -C65536"
FULL = FLAT + " -zlz4 -Elegacy-compress"
IMAGE, TREE = "boot/Image-6.12", "boot/dtbs/6.12/vendor/whimbrel.dtb"


@functools.cache
def inode(options: str, path: str) -> int:
    files = read(READER, whimbrel(options)).files
    assert files is not None
    return 32 * files.entries[path].inode


def put(options: str, *puts: Put) -> bytes:
    out = bytearray(whimbrel(options))
    for path, offset, layout, value in puts:
        at = 1024 if path == "super" else inode(options, path)
        struct.pack_into("<" + layout, out, at + offset, value)
    return bytes(out)


CHANGES: list[tuple[str, list[Put], str, str]] = [
    (FLAT, [("super", 14, "H", 247)], "", "its root is no directory"),
    (FLAT, [("init", 4, "H", 0o755)], "init", "+4 {} has mode 0o755, which is no kind of file"),
    (FLAT, [("init", 0, "H", 10)], "init", "{} has a layout that is not known (0xa)"),
    (FLAT, [("init", 0, "H", 32)], "init", "{} has a layout that is not known (0x20)"),
    (FLAT, [("init", 6, "H", 2)], "", "inode 247 says 2 names and has 1"),
    (FLAT, [("init", 16, "I", 5)], "init", ""),
    (FLAT, [(TREE, 2, "H", 189)], TREE, "its last 904 bytes cross a block"),
    (FLAT, [(TREE, 2, "H", 188)], TREE, ""),
    (
        FLAT,
        [(IMAGE, 8, "I", 1 << 31)],
        IMAGE,
        "2,147,483,648 bytes at 0x2000, outside the file system",
    ),
    (FLAT, [("gone", 8, "I", 0)], "gone", "a link without a target"),
    (FLAT, [("gone", 8, "I", 4097)], "gone", "4,097 bytes that are packed or too many"),
    (FLAT, [("gone", 0, "H", 2)], "gone", "15 bytes that are packed or too many"),
    (FLAT, [("boot", 8, "I", 0)], "boot", "it lacks . or .."),
    (FLAT, [("boot", 8, "I", 11)], "boot", "a block of 11 bytes"),
    (FLAT, [("boot", 0, "H", 2)], "boot", "170 bytes that are packed or too many"),
    (FLAT, [("boot", 32, "Q", 5)], "boot", "its . is 5"),
    (FLAT, [("boot", 44, "Q", 5)], "boot", "its .. is 5"),
    (FLAT, [("boot", 40, "H", 13)], "boot", "a damaged block of names"),
    (FLAT, [("boot", 40, "H", 0)], "boot", "a damaged block of names"),
    (FLAT, [("boot", 40, "H", 12 * 15)], "boot", "a damaged block of names"),
    (FLAT, [("boot", 52, "H", 1)], "boot", "a name that cannot be"),
    (
        CHUNKS,
        [("holes", 16, "H", 31)],
        "holes",
        "395,000 bytes at 0x33000, outside the file system",
    ),
    (
        CHUNKS,
        [("holes", 32, "I", 0x7FFFF)],
        "holes",
        "4,096 bytes at 0x7ffff000, outside the file system",
    ),
    (
        INDEXED,
        [("holes", 36, "I", 0x7FFFF)],
        "holes",
        "65,536 bytes at 0x7ffff000, outside the file system",
    ),
    (FULL, [(IMAGE, 48, "H", 2)], IMAGE, "its packed pieces have no beginning"),
    (FULL, [(IMAGE, 50, "H", 1)], IMAGE, "its packed pieces have no beginning"),
    (FULL, [(IMAGE, 50, "H", 4096)], IMAGE, "a packed piece begins outside its cluster"),
    (FULL, [(IMAGE, 130, "H", 4041)], IMAGE, "its packed pieces do not follow each other"),
    (FULL, [(IMAGE, 130, "H", 4040)], IMAGE, ""),
    (
        FULL,
        [(IMAGE, 52, "I", 0x7FFFF)],
        IMAGE,
        "4,096 bytes at 0x7ffff000, outside the file system",
    ),
    (
        FULL,
        [(IMAGE, 39, "B", 0x80)],
        IMAGE,
        "the end of a file in a file of ends that is not there",
    ),
    (FULL, [("boot/none", 0, "H", 2)], "boot/none", ""),
    (COMPACT, [(IMAGE, 39, "B", 3)], IMAGE, "a compact index for clusters that are too large"),
    (BIG, [(IMAGE, 72, "H", 0x2001), (IMAGE, 74, "H", 0x1000)], IMAGE, "a damaged compact index"),
]


@pytest.mark.oracle
@pytest.mark.parametrize(("options", "puts", "path", "what"), CHANGES)
def test_each_field_counts(options: str, puts: list[Put], path: str, what: str) -> None:
    flaws = [(flaw.offset, flaw.what) for flaw in read(READER, put(options, *puts)).flaws]
    if not what:
        assert flaws == []
        return
    at = inode(options, path or "init") + (4 if what.startswith("+4 ") else 0)
    number = inode(options, path or "init") // 32
    what = what.removeprefix("+4 ").format(f"inode {number:,}")
    assert (at, f"{path}: {what}" if path else what) in flaws


@pytest.mark.oracle
def test_entries_point_at_inodes_of_their_kind() -> None:
    """The third entry of /boot is Image, a link."""
    flaws = {
        (nid, kind): [flaw.what for flaw in read(READER, put(FLAT, *puts)).flaws]
        for nid in (
            inode(FLAT, "gone") // 32,
            inode(FLAT, "etc") // 32,
            458752 // 32 - 1,
            458752 // 32,
        )
        for kind in (0, 2, 7)
        if (puts := [("boot", 56, "Q", nid), ("boot", 66, "B", kind)])
    }
    gone, etc, last, past = dict.fromkeys(nid for nid, _ in flaws)
    names = f"inode {gone:,} says 1 names and has 2"
    other = "boot/Image: its entry says another kind of file"
    assert flaws[gone, 0] == flaws[gone, 7] == [names]
    assert flaws[gone, 2] == [other, names]
    second = f"boot/Image: a second name for directory {etc:,}"
    assert second in flaws[etc, 2]
    assert (other in flaws[etc, 2], other in flaws[etc, 7]) == (False, True)
    outside = f"boot/Image: inode {past:,} is outside the file system"
    assert flaws[past, 7] == [outside]
    assert outside not in flaws[last, 7]


@pytest.mark.oracle
def test_a_chunk_may_be_a_hole() -> None:
    data = put(CHUNKS, ("holes", 36, "I", 0xFFFFFFFF))
    facts = read(READER, data)
    assert (facts.flaws, facts.files is None) == ((), False)
    entry = facts.file("holes")
    assert entry is not None
    before, after = (
        open_file(View.of(image), entry).bytes(0, entry.size)
        for entry, image in ((entry, data), (read(READER, whimbrel(CHUNKS)).file("holes"), data))
        if entry is not None
    )
    assert before[4096:8192] == bytes(4096)
    assert (before[:4096], before[8192:]) == (after[:4096], after[8192:])
    indexed = read(READER, put(INDEXED, ("holes", 44, "I", 0xFFFFFFFF))).file("holes")
    assert indexed is not None
    assert indexed.pieces is not None
    assert [(piece.size, piece.offset is None) for piece in indexed.pieces] == [
        *((65536, False), (65536, True), (395000 - 2 * 65536, False))
    ]


@pytest.mark.oracle
@pytest.mark.parametrize(
    ("options", "puts", "why"),
    [
        (INDEXED, [("holes", 34, "H", 1)], "data on other devices are not read"),
        (CHUNKS, [("holes", 8, "I", 1 << 31)], "a file in 524,288 chunks (at 0x1ae0)"),
    ],
)
def test_what_is_not_read_is_said(options: str, puts: list[Put], why: str) -> None:
    facts = read(READER, put(options, *puts))
    assert (facts.unwalked, facts.flaws) == (why, ())
    assert facts.files is not None
    assert not facts.files.complete


@pytest.mark.oracle
def test_counts_have_an_end(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each limit on both sides; what is beyond it is said, never passed over."""

    def said(options: str, name: str, value: int) -> str:
        with monkeypatch.context() as patched:
            patched.setattr(listing if name == "MAX_ENTRIES" else erofs_walk, name, value)
            return read(READER, whimbrel(options)).unwalked

    names = len(read(READER, whimbrel(FLAT)).files or ()) + 1
    assert said(FLAT, "MAX_ENTRIES", names) == ""
    assert said(FLAT, "MAX_ENTRIES", names - 1) == f"it has more than {names - 1:,} names"
    # holes and the kernel are two pieces each, of 97 and 11 clusters.
    assert "a file of 395,000 bytes (385.7 KiB)" in said(FULL, "MAX_PIECES", 24)
    assert "a file of" not in said(FULL, "MAX_PIECES", 25)
    files = read(READER, whimbrel(FLAT)).files
    assert files is not None
    seen = {entry.inode: entry for entry in files if entry.is_file}
    pieces = sum(len(entry.pieces or ()) for entry in seen.values())
    assert said(FLAT, "MAX_PIECES", pieces) == ""
    assert f"its files have more than {pieces - 1:,} pieces" in said(FLAT, "MAX_PIECES", pieces - 1)
    data = whimbrel(FLAT)
    folders = [*(entry.path for entry in files if entry.is_folder), ""]
    total = sum(struct.unpack_from("<I", data, inode(FLAT, path) + 8)[0] for path in folders)
    assert said(FLAT, "MAX_FOLDERS", total) == ""
    assert "its directories have more than" in said(FLAT, "MAX_FOLDERS", total - 1)


def test_ends_of_files_may_lie_as_they_are() -> None:
    """The file of ends in blocks in a row, with a hole, elsewhere, or not there."""
    data = bytearray(zlib.decompress(base64.b85decode(TOGETHER)))
    packed = 32 * int.from_bytes(data[1024 + 96 : 1024 + 104], "little")
    offsets = []
    for number in range(6):
        facts = read(READER, bytes(data))
        entry = facts.file(f"gauge-{number}")
        assert entry is not None
        assert entry.pieces is not None
        offsets.append((entry.size, entry.pieces[0].skip))
    # In a row from block 0.
    plain = data.ljust(1 << 16, b"\0")
    struct.pack_into("<I", plain, 1024 + 36, 16)
    form = int.from_bytes(plain[packed : packed + 2], "little")
    struct.pack_into("<H", plain, packed, form & ~0xE)
    struct.pack_into("<I", plain, packed + 16, 0)
    facts = read(READER, bytes(plain))
    for number, (size, skip) in enumerate(offsets):
        entry = facts.file(f"gauge-{number}")
        assert entry is not None
        assert entry.pieces == (Piece(size, skip),)
    # One chunk for all of it, which is a hole; then one on another device.
    holes = bytearray(plain)
    struct.pack_into("<H", holes, packed, form & ~0xE | 8)
    struct.pack_into("<I", holes, packed + 16, 0x1F)
    struct.pack_into("<I", holes, packed + 32, 0xFFFFFFFF)
    entry = read(READER, bytes(holes)).file("gauge-5")
    assert entry is not None
    assert entry.pieces == (Piece(offsets[5][0], None),)
    struct.pack_into("<I", holes, packed + 16, 0x3F)
    struct.pack_into("<HHI", holes, packed + 32, 0, 1, 0)
    facts = read(READER, bytes(holes))
    assert (facts.unwalked, facts.flaws) == ("data on other devices are not read", ())
    assert facts.files is not None
    assert [entry.pieces for entry in facts.files] == [None] * 6
    # The file of ends without an end of its own.
    struct.pack_into("<Q", data, 1024 + 96, 0)
    said = [flaw.what for flaw in read(READER, bytes(data)).flaws]
    assert said[0] == "gauge-0: the end of a file in a file of ends that is not there"
    assert len(said) == 6


@pytest.mark.oracle
def test_only_the_end_of_a_file_may_lie_with_others() -> None:
    """Of a file that is packed else: here the last 40 bytes, at 123 in the file of ends."""
    packed = inode(FULL, "holes") // 32
    ends: list[Put] = [("super", 80, "I", 0x20), ("super", 96, "Q", packed)]
    here: list[Put] = [(IMAGE, 32, "I", 123), (IMAGE, 36, "H", 0x20)]
    facts = read(READER, put(FULL, *ends, *here, (IMAGE, 128, "I", 1 | 4000 << 16)))
    entry, holder = facts.file(IMAGE), facts.file("holes")
    assert entry is not None
    assert holder is not None
    assert entry.pieces is not None
    assert holder.pieces is not None
    first, last = entry.pieces
    assert (first.size, first.skip) == (44960, 0)
    assert last == holder.pieces[0]._replace(size=40, skip=123)
    elsewhere = [*ends, ("holes", 0, "H", 8), ("holes", 16, "I", 0x20), ("holes", 34, "H", 1)]
    facts = read(READER, put(FULL, *elsewhere, *here, (IMAGE, 128, "I", 1 | 4000 << 16)))
    assert facts.unwalked == "data on other devices are not read"
    assert facts.files is not None
    assert facts.files.entries[IMAGE].pieces is None


@pytest.mark.oracle
def test_a_device_has_its_number() -> None:
    """Linux include/linux/kdev_t.h, new_decode_dev: 12 bits of major, 20 of minor."""
    files = read(
        READER, put(FLAT, ("boot/none", 4, "H", 0o20600), ("boot/none", 16, "I", 0x12FABC34))
    ).files
    assert files is not None
    assert files.entries["boot/none"].rdev == (0xABC, 0x12F34)


@pytest.mark.oracle
def test_pieces_as_they_are_may_be_turned() -> None:
    """Linux fs/erofs/zdata.c, z_erofs_transform_plain: they begin where they do in the file."""
    puts: list[Put] = [
        (IMAGE, 36, "H", 0x10),
        *((IMAGE, 56, "I", 100 << 16), (IMAGE, 60, "I", 4)),
        *((IMAGE, 64, "I", 90 << 16), (IMAGE, 68, "I", 5)),
        *((IMAGE, 72, "I", 1 | 90 << 16), (IMAGE, 76, "I", 2)),
    ]
    entry = read(READER, put(FULL, *puts)).file(IMAGE)
    assert entry is not None
    assert entry.pieces is not None
    assert entry.pieces[1:3] == (Piece(3996, 4 * 4096 + 100), Piece(90, 4 * 4096))
    assert entry.pieces[3:5] == (Piece(4006, 5 * 4096 + 90), Piece(90, 5 * 4096))
    assert sum(piece.size for piece in entry.pieces[:3]) == 2 * 4096 + 90
    # One byte more than a block has is too much.
    for end, fits in ((100, True), (101, False)):
        flaws = read(READER, put(FULL, *puts, (IMAGE, 66, "H", end))).flaws
        what = f"{IMAGE}: 4,097 bytes in 4,096 as they are"
        assert ((4 * 4096, what) in [(flaw.offset, flaw.what) for flaw in flaws]) != fits


@pytest.mark.oracle
def test_a_compact_index_counts_the_blocks_before() -> None:
    """Linux fs/erofs/zmap.c, z_erofs_load_compact_lcluster; the pack's own block is 3."""
    for first, blocks in ((0x2002, 0), (0x2801, 1), (0x2802, 2), (0x1000, 1)):
        data = put(BIG, (IMAGE, 72, "H", first), (IMAGE, 74, "H", 0x1000))
        found = read(READER, data).file(IMAGE)
        assert found is not None
        assert found.pieces is not None
        assert found.pieces[-1].offset is not None
        assert found.pieces[-1].offset >> 12 == 3 + blocks, hex(first)


@pytest.mark.oracle
def test_a_packed_block_of_zeros_is_told() -> None:
    data = bytearray(whimbrel(COMPACT))
    entry = read(READER, bytes(data)).file(IMAGE)
    assert entry is not None
    assert entry.pieces is not None
    (piece,) = entry.pieces
    assert piece.offset is not None
    start = piece.offset & ~4095
    for last, wanted in (
        (0, [(start, f"{IMAGE}: a packed block with nothing but zeros")]),
        (1, []),
    ):
        data[start : start + 4096] = bytes(4095) + bytes([last])
        said = [(flaw.offset, flaw.what) for flaw in read(READER, bytes(data)).flaws]
        assert [flaw for flaw in said if IMAGE in flaw[1]] == wanted
