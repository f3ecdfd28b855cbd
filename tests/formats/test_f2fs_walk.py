from __future__ import annotations

import contextlib
import functools
import struct
import subprocess
import tempfile
import zlib
from collections.abc import Iterator
from pathlib import Path

import pytest

from imgaudit.errors import FormatError, ImgauditError, UnreadError
from imgaudit.formats import f2fs_walk
from imgaudit.formats import files as listing
from imgaudit.formats.f2fs import READER
from imgaudit.formats.files import FileSystem, open_file
from imgaudit.formats.view import View
from imgaudit.units import MIB, Span
from tests.formats._trees import agree, damaged, fill, read, seeds, sound, status, trouble

FORMS = (
    (),
    ("-O", "extra_attr,inode_checksum"),
    ("-O", "extra_attr,flexible_inline_xattr,inode_checksum,sb_checksum"),
    ("-O", "extra_attr,project_quota,quota,inode_crtime"),
    ("-i",),
)


def make(folder: Path, *options: str, size: int = 64 * MIB) -> Path:
    image = folder.parent / "image.f2fs"
    with image.open("wb") as file:
        file.truncate(0)
        file.truncate(size)
    assert not status("mkfs.f2fs", "-q", *options, image)
    # sload.f2fs says that it failed where it only wrote quotas anew; what it loaded is looked at.
    status("sload.f2fs", "-f", folder, image)
    return image


def filled(folder: Path, **how: bytes) -> Path:
    fill(folder, many=60, kernel=how.get("kernel", b"tide " * 90_000))
    (folder / "boot/same").unlink()  # sload.f2fs makes a file of its own of each hard link
    return folder


@pytest.mark.oracle
@pytest.mark.parametrize("options", FORMS, ids=" ".join)
def test_what_sload_f2fs_copies_is_found(tmp_path: Path, options: tuple[str, ...]) -> None:
    """Every name, mode, size, target and byte; fsck.f2fs finds nothing either."""
    folder = filled(tmp_path / "root")
    image = make(folder, *options)
    assert status("fsck.f2fs", "--dry-run", image) == 0
    facts = sound(READER, image.read_bytes(), folder)
    assert facts.room is not None
    assert 0 < facts.room.free < facts.room.size


@pytest.mark.oracle
def test_files_that_are_cold_by_their_name_are_read(tmp_path: Path) -> None:
    """mkfs.f2fs lists what is cold by the end of its name; that is a bit beside the encrypted."""
    folder = tmp_path / "root"
    folder.mkdir()
    (folder / "libtide.so.1").write_bytes(b"tide " * 3000)
    (folder / "low.mp4").write_bytes(b"ebb " * 3000)
    facts = read(READER, make(folder).read_bytes())
    assert isinstance(facts, FileSystem)
    assert facts.files is not None
    assert not facts.unwalked
    assert [it.path for it in facts.files if it.is_file and it.pieces is None] == []


@functools.cache
def whimbrel() -> bytes:
    with tempfile.TemporaryDirectory() as place:
        return make(filled(Path(place) / "root", kernel=b"k" * 9000)).read_bytes()


@pytest.mark.oracle
def test_damaged_checkpoints_are_told() -> None:
    data = bytearray(whimbrel())
    first = 512 * 4096
    data[first + 20] ^= 1
    assert "first checkpoint" in trouble(READER, bytes(data))
    data[2 * first + 20] ^= 1
    assert "it has no checkpoint" in trouble(READER, bytes(data))


@pytest.mark.oracle
def test_only_the_newest_checkpoint_must_be_finished(tmp_path: Path) -> None:
    """Some makers write only the beginning of the second one; so does a cut of the power."""
    data = whimbrel()
    starts = (512 * 4096, 2 * 512 * 4096)
    new, old = sorted(starts, key=lambda start: data[start : start + 8][::-1], reverse=True)
    for start in (old, new):
        broken = bytearray(data)
        last = start + 4096 * (int.from_bytes(data[start + 136 : start + 140], "little") - 1)
        broken[last : last + 4096] = bytes(4096)
        (tmp_path / "image").write_bytes(broken)
        assert complains(tmp_path / "image") == bool(trouble(READER, bytes(broken)))
        assert (start == new) == bool(trouble(READER, bytes(broken)))


@pytest.mark.oracle
def test_a_changed_map_of_valid_blocks_is_told(tmp_path: Path) -> None:
    data = bytearray(whimbrel())
    (segments, at) = (int.from_bytes(data[start : start + 4], "little") for start in (1080, 1104))
    told = 0
    for copy in (0, segments // 2 * 512):
        for entry in range(8):
            broken = bytearray(data)
            broken[4096 * (at + copy) + 74 * entry + 40] ^= 4
            (tmp_path / "image").write_bytes(broken)
            ours = "valid blocks" in trouble(READER, bytes(broken))
            assert ours == complains(tmp_path / "image"), (copy, entry)
            told += ours
    assert told


def complains(image: Path) -> bool:
    """Ask fsck.f2fs; where it does not come to an end, it has said nothing."""
    try:
        done = subprocess.run(
            ("fsck.f2fs", "--dry-run", image), check=False, capture_output=True, timeout=5
        )
    except subprocess.TimeoutExpired:
        return False
    # A negative status is a crash of the tool.
    return done.returncode > 0


@pytest.mark.oracle
def test_what_fsck_f2fs_reports_is_told(tmp_path: Path) -> None:
    """Damage at random places."""
    told, missed = agree(READER, whimbrel(), seeds(12), tmp_path / "broken", complains)
    assert told
    assert len(missed) <= told // 20, missed


@pytest.mark.oracle
def test_changed_bytes_give_facts_or_an_error() -> None:
    """Seeded, not searched for: each image has 64 MiB."""
    for seed in seeds(12):
        data = damaged(whimbrel(), seed, 40_000 if seed % 2 else None)
        with contextlib.suppress(FormatError):
            for file in read(READER, data).files or ():
                with contextlib.suppress(ImgauditError):
                    open_file(View.of(data), file).upto(0, 100)


# What each field means. Where it stands: Linux include/linux/f2fs_fs.h.

PACKS = (512 * 4096, 1024 * 4096)
Put = tuple[str, int, str, int]


@functools.cache
def anchors(where: str) -> tuple[int, ...]:
    """Find the inode of a path, "block of" a path, both "super" blocks, both "packs" and so on."""
    data = whimbrel()
    if where == "super":
        return 1024, 4096 + 1024
    if where == "packs":
        return PACKS
    if where == "journal":  # of node addresses; the summaries of files' data are not compact
        return tuple(pack + 4096 + 4 * 7 * 128 for pack in PACKS)
    if where == "node addresses":
        return (2560 * 4096,)
    if where == "segments":
        return (1536 * 4096,)
    (*block, path) = where.split(" of ")
    files = read(READER, data).files
    assert files is not None
    number = files.entries["" if path == "." else path].inode
    footer = struct.pack("<II", number, number)
    places = range(4096 * 4096, len(data), 4096)
    (inode,) = (at for at in places if data[at + 4072 : at + 4080] == footer)
    if not block:
        return (inode,)
    return (4096 * struct.unpack_from("<I", data, inode + 360)[0],)


def put(*puts: Put, data: bytes | bytearray | None = None) -> bytearray:
    """Write numbers into the image, and sum its checkpoints anew."""
    out = bytearray(whimbrel() if data is None else data)
    for where, offset, layout, value in puts:
        for at in anchors(where):
            struct.pack_into("<" + layout, out, at + offset, value)
    for start in PACKS:
        (count,) = struct.unpack_from("<I", out, start + 136)
        for place in (start, start + 4096 * (count - 1)):
            # The sum starts from the magic and is inverted on neither end.
            sums = zlib.crc32(out[place : place + 4092], 0xF2F52010 ^ 0xFFFFFFFF) ^ 0xFFFFFFFF
            struct.pack_into("<I", out, place + 4092, sums)
    return out


IMAGE = "boot/Image-6.12"
CHANGES: dict[str, tuple[list[Put], list[tuple[str, str, int]]]] = {
    "no kind of file": (
        [("init", 0, "H", 0o755)],
        [("init: inode 10 has mode 0o755, which is no kind of file", "init", 0)],
    ),
    "odd extra bytes": (
        [("init", 3, "B", 0x2B), ("init", 360, "I", 2)],
        [("init: inode 10 has 2 more bytes", "init", 360)],
    ),
    "extra bytes that fill it": (
        [("init", 3, "B", 0x2B), ("init", 360, "I", 4 * 923)],
        [("init: inode 10 has no room for addresses", "init", 360)],
    ),
    "extra bytes past its end": (
        [("init", 3, "B", 0x2B), ("init", 360, "I", 4 * 924)],
        [("init: inode 10 has 3,696 more bytes", "init", 360)],
    ),
    "two names": ([("init", 12, "I", 2)], [("inode 10 says 2 names and has 1", "init", 0)]),
    "data that fill the inode": ([("init", 16, "Q", 4 * 872)], []),
    "data that do not fit": (
        [("init", 16, "Q", 4 * 872 + 1)],
        [("inode 10: 3,489 bytes in its inode", "init", 0)],
    ),
    "blocks": ([("init", 24, "Q", 2)], [("inode 10 says 2 blocks and has 1", "init", 24)]),
    "attributes nowhere": (
        [("init", 76, "I", 99)],
        [("init: node 99 is of inode 0 by its address, not of 10", "block of .", 30 + 11 * 8)],
    ),
    "folded names": (
        [("init", 80, "I", 0x40000000)],
        [("inode 10 folds the case of names; the superblock excludes that", "init", 80)],
    ),
    "data and a block": (
        [("init", 360, "I", 1)],
        [("inode 10 has data in itself and a block too", "init", 360)],
    ),
    "a shorter run": ([(IMAGE, 356, "I", 2)], []),
    "a later run": ([(IMAGE, 348, "I", 1), (IMAGE, 352, "I", 7681), (IMAGE, 356, "I", 2)], []),
    "no run": ([(IMAGE, 356, "I", 0)], []),
    "a run too long": (
        [(IMAGE, 348, "I", 1), (IMAGE, 352, "I", 7681), (IMAGE, 356, "I", 3)],
        [("inode 76 has a run of 3 blocks elsewhere than it says", IMAGE, 348)],
    ),
    "a run elsewhere": (
        [(IMAGE, 348, "I", 1), (IMAGE, 352, "I", 7680), (IMAGE, 356, "I", 2)],
        [("inode 76 has a run of 2 blocks elsewhere than it says", IMAGE, 348)],
    ),
    "a block before the files": (
        [(IMAGE, 364, "I", 4095)],
        [("inode 76: block 4,095 is outside the area of files", IMAGE, 364)],
    ),
    "a block past the end": (
        [(IMAGE, 364, "I", 16384)],
        [("inode 76: block 16,384 is outside the area of files", IMAGE, 364)],
    ),
    "a block twice": (
        [(IMAGE, 364, "I", 7680)],
        [("inode 76: block 7,680 has another owner too", IMAGE, 364)],
    ),
    "a block of addresses elsewhere": (
        [(IMAGE, 4052, "I", 4)],
        [
            (
                f"{IMAGE}: node 4 is of inode 4 by its address, not of 76",
                "block of boot",
                30 + 11 * 3,
            )
        ],
    ),
    "a root that is a file": (
        [("super", 96, "I", 10)],
        [("its root is no directory", "init", 0)],
    ),
    "no blocks in use": (
        [("packs", 16, "Q", 0)],
        [("the checkpoint says 0 blocks in use; 202 are found", "packs", 0)],
    ),
    "one node": (
        [("packs", 144, "I", 1)],
        [("the checkpoint says 1 nodes; 87 are found", "packs", 0)],
    ),
    "one inode": (
        [("packs", 148, "I", 1)],
        [("the checkpoint says 1 inodes; 87 are found", "packs", 0)],
    ),
    "no segments of segments' maps": (
        [("super", 56, "I", 0)],
        [("a bitmap of 64 bytes for the tables' 0 segments", "packs", 156)],
    ),
    "no bitmap of node addresses": (
        [("packs", 160, "I", 0)],
        [("a bitmap of 0 bytes for the tables' 2 segments", "packs", 160)],
    ),
    "another .": (
        [("block of boot", 34, "I", 6)],
        [("boot: its . is 6", "block of boot", 30)],
    ),
    "another ..": (
        [("block of boot", 45, "I", 6)],
        [("boot: its .. is 6", "block of boot", 41)],
    ),
    "a name without bytes": (
        [("block of boot", 60, "H", 0)],
        [("boot: a name of 0 bytes", "block of boot", 52)],
    ),
    "a name past the block": (
        [("block of boot", 60, "H", 8 * 212 + 1)],
        [("boot: a name of 1,697 bytes", "block of boot", 52)],
    ),
    "no .": ([("block of boot", 0, "B", 0xFD)], [("boot: it lacks . or ..", "boot", 0)]),
    "another kind": (
        [("block of boot", 62, "B", 3)],
        [("boot/Image: its entry says another kind of file", "block of boot", 52)],
    ),
    "a second name": (
        [("block of boot", 56, "I", 10)],
        [("inode 10 says 1 names and has 2", "init", 0)],
    ),
    "a second name of a directory": (
        [("block of boot", 56, "I", 4), ("block of boot", 62, "B", 2)],
        [("boot/Image: a second name for directory 4", "block of boot", 52)],
    ),
    "a block that is only promised": (
        [(IMAGE, 360, "I", 0xFFFFFFFF)],
        [("segment 7 says 102 valid blocks, 101 are in use; 1 differ", "segments", 74 * 7)],
    ),
    "a hole": (
        [(IMAGE, 360, "I", 0)],
        [("inode 76 says 4 blocks and has 3", IMAGE, 24)],
    ),
    "a size past its blocks": ([(IMAGE, 16, "Q", 1 << 40)], []),
    "a packing directory": ([("boot", 80, "I", 4)], []),
    "a node past the table": (
        [("block of boot", 56, "I", 512 * 455)],
        [("boot/Image: node 232,960 has no address", "node addresses", 0)],
    ),
    "a node at the table's end": (
        [("block of boot", 56, "I", 512 * 455 - 1)],
        [
            (
                "boot/Image: node 232,959 is of inode 0 by its address, not of 232,959",
                "block of boot",
                52,
            )
        ],
    ),
}


@pytest.fixture(scope="module")
def image(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("f2fs") / "image"
    path.write_bytes(whimbrel())
    return path


@contextlib.contextmanager
def pages(image: Path, data: bytearray, *wheres: str) -> Iterator[None]:
    """Write some pages of changed data into a file, for a while: it has 64 MiB."""
    places = [at & ~4095 for where in wheres for at in anchors(where)]
    for now in (data, whimbrel()):
        with image.open("r+b") as file:
            for at in places:
                file.seek(at)
                file.write(now[at : at + 8 * 4096])
        if now is data:
            yield


@pytest.mark.oracle
@pytest.mark.parametrize("name", CHANGES)
def test_each_field_counts(image: Path, name: str) -> None:
    """What fsck.f2fs finds too; every flaw has its place."""
    puts, wanted = CHANGES[name]
    data = put(*puts)
    said = {(flaw.what, flaw.offset) for flaw in read(READER, data).flaws}
    for what, where, offset in wanted:
        assert (what, anchors(where)[0] + offset) in said
    assert bool(said) == bool(wanted)
    with pages(image, data, "packs", *(where for where, *_ in puts)):
        assert bool(status("fsck.f2fs", "--dry-run", image)) == bool(wanted)


@pytest.mark.oracle
@pytest.mark.parametrize(
    ("puts", "why"),
    [
        ([("super", 36, "Q", 16385)], "it has 16,385 blocks"),
        ([("super", 20, "I", 8)], "its segments have 256 blocks, not 512"),
        ([(IMAGE, 80, "I", 4)], "data that are packed or encrypted are not read"),
        ([(IMAGE, 2, "B", 4)], "data that are packed or encrypted are not read"),
        ([("boot", 2, "B", 4)], "names that are encrypted are not read"),
        ([(IMAGE, 360, "I", 0xFFFFFFFE)], "data that are packed or encrypted are not read"),
    ],
)
def test_what_is_not_read_is_said(puts: list[Put], why: str) -> None:
    facts = read(READER, put(*puts))
    assert facts.unwalked == why
    assert facts.doubts == (f"Not all of it was looked at: {why}.",)
    if facts.files is not None:
        packed = facts.files.get(IMAGE)
        if packed is None:
            assert "boot" in why or "names" in why
            return
        with pytest.raises(UnreadError, match=r"where boot/Image-6\.12 lies is not known"):
            open_file(View.of(whimbrel()), packed)


@pytest.mark.oracle
def test_a_journal_says_where_a_node_is_now() -> None:
    """Its entry counts before the table's; it has room for 38."""
    puts = [("journal", 0, "H", 1), ("journal", 2, "I", 10), ("journal", 7, "I", 10)]
    here, empty = (at // 4096 for at in (anchors("init")[0], len(whimbrel()) - 4096))
    assert trouble(READER, put(*puts, ("journal", 11, "I", here))) == ""
    said = read(READER, put(*puts, ("journal", 11, "I", empty))).flaws
    assert [(flaw.offset, flaw.what) for flaw in said] == [
        (4096 * empty + 4072, "init: node 10 says that it is 0, of inode 0")
    ]
    taken = anchors("gone")[0]
    said = read(READER, put(*puts, ("journal", 11, "I", taken // 4096))).flaws
    assert [(flaw.offset, flaw.what) for flaw in said] == [
        (taken, "node 10: block 7,172 has another owner too"),
        (taken, "init: node 10 cannot be read"),
    ]
    assert trouble(READER, put(("journal", 0, "H", 39))) == "a journal of 39 node addresses"
    assert "node 0" not in trouble(READER, put(("journal", 0, "H", 38)))


@pytest.mark.oracle
@pytest.mark.parametrize(
    ("old", "new", "number"), [(0x0501, 0, (5, 1)), (0, 0x01200305, (3, 0x1205))]
)
def test_a_device_has_its_number_in_its_first_addresses(
    old: int, new: int, number: tuple[int, int]
) -> None:
    """Linux fs/f2fs/inode.c, __get_inode_rdev."""
    files = read(READER, put(*puts_device(old, new))).files
    assert files is not None
    entry = files.entries["boot/none"]
    assert (entry.rdev, entry.size, entry.pieces) == (number, 0, ())


def puts_device(old: int, new: int) -> list[Put]:
    inode = "boot/none"
    return [
        (inode, 0, "H", 0o20600),
        (inode, 3, "B", 1),
        (inode, 360, "I", old),
        (inode, 364, "I", new),
    ]


@pytest.mark.oracle
def test_a_bit_says_which_copy_of_the_node_addresses_counts() -> None:
    data = bytearray(whimbrel())
    first, second = 2560 * 4096, (2560 + 512) * 4096
    for pack in PACKS:
        data[pack + 192 + 64] |= 0x80
    assert trouble(READER, put(data=data)) == "node 3 is of inode 0 by its address, not of 3"
    data[second : second + 4096], data[first : first + 4096] = (
        data[first : first + 4096],
        bytes(4096),
    )
    assert trouble(READER, put(data=data)) == ""


@pytest.mark.oracle
def test_a_name_with_a_slash_cannot_be() -> None:
    names = 30 + 11 * 214
    said = read(READER, put(("block of boot", names + 8 * 2, "B", 0x2F))).flaws
    wanted = ("boot: a name that cannot be", anchors("block of boot")[0] + 30 + 22)
    assert wanted in [(flaw.what, flaw.offset) for flaw in said]


class Larger:
    """An image and nothing behind it."""

    def __init__(self, image: bytearray, size: int) -> None:
        self.image = image
        self.size = size

    def read_at(self, offset: int, length: int) -> bytes:
        return bytes(self.image[offset : offset + length]).ljust(length, b"\0")

    def data(self) -> Iterator[Span]:
        yield Span(0, len(self.image))


@pytest.mark.oracle
@pytest.mark.parametrize("more", [0, 1])
def test_every_segment_needs_a_map(more: int) -> None:
    """A pair of segments has room for 512 times 55 of them."""
    blocks = 4096 + 512 * (512 * 55 + more)
    facts = READER.read(View(Larger(put(("super", 36, "Q", blocks)), 4096 * blocks)))
    assert isinstance(facts, FileSystem)
    assert [(flaw.offset, flaw.what) for flaw in facts.flaws] == more * [
        (1536 * 4096, "segment 28,160 has no map of valid blocks")
    ]


@pytest.mark.oracle
def test_names_have_an_end(monkeypatch: pytest.MonkeyPatch) -> None:
    count = len(read(READER, whimbrel()).files or ()) + 1
    monkeypatch.setattr(listing, "MAX_ENTRIES", count)
    assert trouble(READER, whimbrel()) == ""
    monkeypatch.setattr(listing, "MAX_ENTRIES", count - 1)
    facts = read(READER, whimbrel())
    assert facts.unwalked == f"it has more than {count - 1:,} names"
    assert facts.files is not None
    assert (len(facts.files), facts.files.complete) == (count - 2, False)


@pytest.mark.oracle
def test_nodes_have_an_end(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(f2fs_walk, "MAX_NODES", 87)
    assert trouble(READER, whimbrel()) == ""
    monkeypatch.setattr(f2fs_walk, "MAX_NODES", 86)
    assert trouble(READER, whimbrel()) == "it has more than 86 nodes (at 0x0)"


@pytest.mark.oracle
def test_counts_wait_for_orphans() -> None:
    """Files that were open when they were deleted are still counted; the next mount frees them."""
    (flags,) = struct.unpack_from("<I", whimbrel(), PACKS[0] + 132)
    one = ("packs", 148, "I", 1)
    assert trouble(READER, put(one)) == "the checkpoint says 1 inodes; 87 are found"
    assert trouble(READER, put(one, ("packs", 132, "I", flags | 2))) == ""


@pytest.mark.oracle
def test_the_newest_checkpoint_that_is_whole_counts() -> None:
    data = bytearray(whimbrel())
    (version,) = struct.unpack_from("<Q", data, PACKS[0])
    (count,) = struct.unpack_from("<I", data, PACKS[0] + 136)
    data[PACKS[1] : PACKS[1] + 4096 * count] = data[PACKS[0] : PACKS[0] + 4096 * count]
    for newest, other in (PACKS, PACKS[::-1]):
        out = bytearray(data)
        last = newest + 4096 * (count - 1)
        for place in (newest, last):
            struct.pack_into("<Q", out, place, version + 1)
        struct.pack_into("<I", out, newest + 144, 99)
        said = read(READER, put(data=out)).flaws
        assert [(flaw.offset, flaw.what) for flaw in said] == [
            (newest, "the checkpoint says 99 nodes; 87 are found")
        ]
        torn = put(data=out)
        torn[last : last + 4096] = bytes(4096)
        said = read(READER, torn).flaws
        assert (said[0].offset, said[0].what) == (last, "its newest checkpoint is not finished")
        for field, wrong in ((164, 191), (164, 4093), (136, 1), (136, 513)):
            out = bytearray(data)
            struct.pack_into("<I", out, other + field, wrong)
            assert trouble(READER, out) == "", (field, wrong)


BLOCKS = 5000


@functools.cache
def long_file() -> tuple[bytes, int]:
    """Make a file of so many blocks, each of which begins with its number; give its inode too."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place, "root")
        folder.mkdir()
        long = b"".join(number.to_bytes(4096, "little") for number in range(1, BLOCKS + 1))
        (folder / "long").write_bytes(long)
        data = make(folder, size=100 * MIB).read_bytes()
    files = read(READER, data).files
    assert files is not None
    footer = struct.pack("<II", *[files.entries["long"].inode] * 2)
    return data, data.index(footer, 16 * MIB) - 4072


def numbers(data: bytes | bytearray, *blocks: int) -> list[int]:
    """Read what stands at the head of some blocks of the file."""
    files = read(READER, data).files
    assert files is not None
    view = open_file(View.of(data), files.entries["long"])
    return [int.from_bytes(view.bytes(4096 * block, 8), "little") for block in blocks]


DIRECT, PER = 873, 1018
"""Addresses in an inode with room for attributes, and in a block of addresses."""


@pytest.mark.oracle
def test_blocks_are_found_through_two_floors_of_addresses() -> None:
    data, _ = long_file()
    assert trouble(READER, data) == ""
    edges = [0, DIRECT - 1, DIRECT, DIRECT + PER, DIRECT + 2 * PER - 1, DIRECT + 2 * PER]
    edges += [DIRECT + 3 * PER - 1, DIRECT + 3 * PER, BLOCKS - 1]
    assert numbers(data, *edges) == [block + 1 for block in edges]


@pytest.mark.oracle
def test_a_node_that_is_left_out_is_a_hole() -> None:
    """What comes behind keeps its place."""
    data, inode = long_file()
    after = DIRECT + PER
    holed = bytearray(data)
    struct.pack_into("<I", holed, inode + 4052, 0)
    assert numbers(holed, DIRECT - 1, DIRECT, after - 1, after) == [DIRECT, 0, 0, after + 1]
    # The first of the nodes below the first indirect one.
    (nid,) = struct.unpack_from("<I", data, inode + 4060)
    indirect = data.index(struct.pack("<I", nid) + data[inode + 4076 : inode + 4080], 16 * MIB)
    holed = bytearray(data)
    struct.pack_into("<I", holed, indirect - 4072, 0)
    first = DIRECT + 2 * PER
    assert numbers(holed, first - 1, first, first + PER - 1, first + PER) == [
        *(first, 0, 0, first + PER + 1)
    ]


@pytest.mark.oracle
def test_a_long_hole_costs_nothing() -> None:
    """Blocks of the third floor begin at 8 GiB; what was below the others is a hole."""
    data, inode = long_file()
    nids = struct.unpack_from("<5I", data, inode + 4052)
    number = data[inode + 4076 : inode + 4080]
    first = data.index(struct.pack("<I", nids[0]) + number, 16 * MIB) - 4072
    far = bytearray(data)
    struct.pack_into("<5I", far, inode + 4052, 0, 0, 0, 0, nids[0])
    far[first : first + 4072] = struct.pack("<2I", 0, nids[2]).ljust(4072, b"\0")
    at = DIRECT + 2 * PER + 2 * PER**2 + PER**2
    struct.pack_into("<Q", far, inode + 16, 4096 * (at + BLOCKS))
    assert numbers(far, DIRECT - 1, DIRECT, at - 1, at) == [*(DIRECT, 0, 0, DIRECT + 2 * PER + 1)]


@pytest.mark.oracle
def test_a_directory_in_its_inode(image: Path) -> None:
    """As the kernel makes small ones: struct f2fs_inline_dentry; fsck.f2fs counts anew."""
    data = bytearray(whimbrel())
    inode, block = anchors("boot/extlinux")[0], anchors("block of boot/extlinux")[0]
    # 3,488 bytes behind a reserved word: 182 entries of 11 and slots of 8, a bitmap of 23.
    inline = bytearray(3488)
    gap = 3488 - 19 * 182
    inline[0] = 0b1111
    inline[gap : gap + 44] = data[block + 30 : block + 74]
    inline[gap + 11 * 182 : gap + 11 * 182 + 32] = data[block + 2384 : block + 2416]
    data[inode + 364 : inode + 364 + 3488] = inline
    struct.pack_into("<IQ", data, inode + 12, 1, 3488)
    struct.pack_into("<I", data, inode + 12, 2)
    struct.pack_into("<Q", data, inode + 24, 1)
    struct.pack_into("<I", data, inode + 360, 0)
    data[inode + 3] |= 4
    facts = read(READER, data)
    assert [flaw.what for flaw in facts.flaws][:1] == [
        "the checkpoint says 202 blocks in use; 201 are found"
    ]
    assert facts.file("boot/extlinux/extlinux.conf") is not None
    copy = image.with_name("inline")
    copy.write_bytes(data)
    try:
        status("fsck.f2fs", "-f", "-y", copy)
        mended = copy.read_bytes()
    finally:
        copy.unlink()
    assert trouble(READER, mended) == ""
    assert read(READER, mended).file("boot/extlinux/extlinux.conf") is not None
    at = inode + 364 + gap
    struct.pack_into("<I", data, at + 11 + 4, 99)
    assert [(flaw.offset, flaw.what) for flaw in read(READER, data).flaws][:1] == [
        (at + 11, "boot/extlinux: its .. is 99")
    ]
