"""Swap, LUKS, LVM2, dm-verity, btrfs and EFI programs against the tools that make or read them."""

from __future__ import annotations

import contextlib
import hashlib
import json
import re
import struct
import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit import bounds
from imgaudit.errors import FormatError
from imgaudit.formats import btrfs, efi, identify, luks, lvm2, readers, swap, verity
from imgaudit.formats.crc32c import crc32_raw
from imgaudit.formats.facts import Facts, Match
from imgaudit.formats.view import View
from imgaudit.units import KIB, MIB
from imgaudit.writers.sparse import filler

NAMES = ("btrfs", "efi", "luks", "lvm2", "swap", "verity")


def run(*words: str | Path, text: str | None = None) -> str:
    done = subprocess.run(words, check=True, capture_output=True, text=True, input=text)
    return done.stdout


def blank(path: Path, size: int) -> Path:
    with path.open("wb") as file:
        file.truncate(size)
    return path


def read(data: bytes, name: str) -> Facts:
    assert identify(View.of(data))[0][1].name == name
    facts = readers()[name].read(View.of(data))
    assert all(checksum.matches for checksum in facts.checksums)
    return facts


def wrong(data: bytes, name: str) -> list[str]:
    facts = readers()[name].read(View.of(data))
    return [checksum.name for checksum in facts.checksums if checksum.matches is False]


@pytest.mark.oracle
@pytest.mark.parametrize("page", [4096, 16384, 65536])
def test_swap_by_mkswap(tmp_path: Path, page: int) -> None:
    path = blank(tmp_path / "swap", MIB)
    run("mkswap", "-p", str(page), "-L", "tide", path)
    facts = read(path.read_bytes(), "swap")
    assert isinstance(facts, swap.Swap)
    assert (facts.page_size, facts.size, facts.label, facts.version) == (page, MIB, "tide", 1)
    assert f' UUID="{facts.uuid}"' in run("blkid", "-p", path)


@pytest.mark.oracle
def test_luks1_by_cryptsetup(tmp_path: Path) -> None:
    path = blank(tmp_path / "luks", 4 * MIB)
    words = ("cryptsetup", "luksFormat", "--type", "luks1", "--pbkdf-force-iterations", "1000")
    run(*words, "-q", path, "-", text="tide")
    facts = read(path.read_bytes(), "luks")
    assert isinstance(facts, luks.Luks)
    told = run("cryptsetup", "luksDump", path)
    assert facts.version == 1
    assert f"UUID:          \t{facts.uuid}" in told
    assert f"Payload offset:\t{facts.data_offset // 512}" in told
    assert facts.key_slots == (0,)


@pytest.mark.oracle
def test_luks2_by_cryptsetup(tmp_path: Path) -> None:
    path = blank(tmp_path / "luks", 20 * MIB)
    options = ("--pbkdf", "pbkdf2", "--pbkdf-force-iterations", "1000", "--label", "tide")
    run("cryptsetup", "luksFormat", "--type", "luks2", *options, "-q", path, "-", text="tide")
    data = bytearray(path.read_bytes())
    facts = read(bytes(data), "luks")
    assert isinstance(facts, luks.Luks)
    told = run("cryptsetup", "luksDump", path)
    assert (facts.version, facts.label, facts.key_slots) == (2, "tide", (0,))
    assert f"UUID:          \t{facts.uuid}" in told
    assert f"\toffset: {facts.data_offset} [bytes]" in told
    assert f"\tcipher: {facts.cipher}" in told
    assert facts.copies_agree is True
    assert len(facts.checksums) == 2
    data[5000] ^= 1
    with contextlib.suppress(FormatError):
        assert wrong(bytes(data), "luks") == ["first header"]


def sealed(data: bytes) -> bytes:
    return struct.pack("<I", crc32_raw(data, 0xF597A6CF)) + data


TEXT = """tides {
id = "Yg0Zqb-Jq5p-0W1p-nQhh-3Tq1-5Yp0-abcdef"
seqno = 2
format = "lvm2"

\tphysical_volumes {

\t\tpv0 {
\t\t\tid = "abcdef-ghij-klmn-opqr-stuv-wxyz-012345"
\t\t}
\t}

\tlogical_volumes {

\t\trootfs {
\t\t\tid = "Yg0Zqb-Jq5p-0W1p-nQhh-3Tq1-5Yp0-abcde0"

\t\t\tsegment1 {
\t\t\t\tstart_extent = 0
\t\t\t}
\t\t}

\t\tdata {
\t\t\tid = "Yg0Zqb-Jq5p-0W1p-nQhh-3Tq1-5Yp0-abcde1"
\t\t}
\t}
}
"""


def volume(text: str = TEXT, *, wrapped: bool = False) -> bytes:
    """Write a physical volume of 4 MiB; its text may go round the end of its area."""
    area, size = 4 * KIB, 64 * KIB
    data = text.encode() + b"\0"
    at = size - 100 if wrapped else 512
    location = struct.pack("<QQII", at, len(data), crc32_raw(data, 0xF597A6CF), 0)
    head = b" LVM2 x[5A%r0N*>" + struct.pack("<IQQ", 1, area, size) + location
    head = sealed(head.ljust(508, b"\0"))
    ring = bytearray(head.ljust(size, b"\0"))
    first = data[: size - at]
    ring[at : at + len(first)] = first
    ring[512 : 512 + len(data) - len(first)] = data[len(first) :] if wrapped else data[:0]
    if not wrapped:
        ring[512 : 512 + len(data)] = data
    areas = struct.pack("<QQQQ", MIB, 0, 0, 0) + struct.pack("<QQQQ", area, size, 0, 0)
    body = struct.pack("<I8s", 32, b"LVM2 001") + b"abcdefghijklmnopqrstuvwxyz012345"
    body += struct.pack("<Q", 4 * MIB) + areas
    label = b"LABELONE" + struct.pack("<Q", 1) + sealed(body.ljust(492, b"\0"))
    return (bytes(512) + label).ljust(area, b"\0") + bytes(ring).ljust(4 * MIB - area, b"\0")


@pytest.mark.oracle
@pytest.mark.parametrize("wrapped", [False, True])
def test_lvm2_as_pvck_reads_it(tmp_path: Path, *, wrapped: bool) -> None:
    data = volume(wrapped=wrapped)
    path = tmp_path / "pv"
    path.write_bytes(data)
    told = run("pvck", "--dump", "headers", path)
    facts = read(data, "lvm2")
    assert isinstance(facts, lvm2.Lvm2)
    assert "CHECK" not in told
    for checksum in facts.checksums:
        assert f"0x{checksum.stored.lstrip('0')}" in told
    assert (facts.group, facts.volumes) == ("tides", ("rootfs", "data"))
    assert facts.uuid == "abcdef-ghij-klmn-opqr-stuv-wxyz-012345"
    assert (facts.size, facts.data_offset) == (4 * MIB, MIB)


@pytest.mark.parametrize(
    ("at", "name"), [(0x260, "label"), (4200, "header of the metadata"), (4650, "metadata")]
)
def test_a_changed_byte_of_lvm2_is_told(at: int, name: str) -> None:
    data = bytearray(volume())
    data[at] ^= 1
    assert wrong(bytes(data), "lvm2") == [name]


@pytest.mark.oracle
@pytest.mark.parametrize("blocks", [1, 2, 128, 129, 20_000])
def test_verity_by_veritysetup(tmp_path: Path, blocks: int) -> None:
    data = bytearray(filler("data", blocks * 512))
    (tmp_path / "data").write_bytes(data)
    options = ("--data-block-size=512", "--hash-block-size=4096", "--salt=7469646573")
    told = run("veritysetup", "format", *options, tmp_path / "data", tmp_path / "tree")
    tree = (tmp_path / "tree").read_bytes()
    facts = read(tree, "verity")
    assert isinstance(facts, verity.Verity)
    found = re.search(r"Root hash: *\t([0-9a-f]+)", told)
    assert found is not None
    root = bytes.fromhex(found[1])
    assert (facts.data_size, facts.salt, facts.length) == (len(data), b"tides", len(tree))
    assert verity.verify(facts, View.of(tree), View.of(bytes(data)), root) is None
    place = (blocks - 1) * 512
    data[place + 7] ^= 1
    assert verity.verify(facts, View.of(tree), View.of(bytes(data)), root) == place
    if blocks > 1:
        broken = bytearray(tree)
        broken[4096 + 5] ^= 1
        assert verity.verify(facts, View.of(bytes(broken)), View.of(bytes(data)), root) == -4097


@pytest.mark.oracle
@pytest.mark.parametrize("algorithm", ["crc32c", "sha256", "blake2", "xxhash"])
def test_btrfs_by_mkfs(tmp_path: Path, algorithm: str) -> None:
    path = blank(tmp_path / "btrfs", 120 * MIB)
    run("mkfs.btrfs", "-q", "-L", "tide", "--csum", algorithm, path)
    data = path.read_bytes()
    facts = btrfs.READER.read(View.of(data))
    assert isinstance(facts, btrfs.Btrfs)
    told = run("btrfs", "inspect-internal", "dump-super", path)
    assert f"total_bytes\t\t{facts.size}" in told
    assert f"bytes_used\t\t{facts.used}" in told
    assert f"fsid\t\t\t{facts.uuid}" in told
    assert (facts.label, facts.length) == ("tide", 120 * MIB)
    (checksum,) = facts.checksums
    assert checksum.matches is (None if algorithm == "xxhash" else True)
    broken = bytearray(data[: 72 * KIB])
    broken[64 * KIB + 0x70] ^= 1
    if algorithm != "xxhash":
        assert wrong(bytes(broken), "btrfs") == ["superblock"]


def program(machine: int = 0xAA64, sections: dict[str, bytes] | None = None) -> bytes:
    """Write a PE32+ EFI application (Microsoft PE Format)."""
    sections = {".text": b"\x90" * 512} if sections is None else sections
    head = b"MZ".ljust(0x3C, b"\0") + struct.pack("<I", 0x40)
    head += struct.pack("<4sHHIIIHH", b"PE\0\0", machine, len(sections), 0, 0, 0, 240, 0x22)
    optional = struct.pack("<H", 0x20B).ljust(60, b"\0") + struct.pack("<IIH", 1024, 0, 10)
    head += (optional.ljust(108, b"\0") + struct.pack("<I", 16)).ljust(240, b"\0")
    table, body, at = b"", b"", 1024
    for name, data in sections.items():
        stored = data.ljust(-(-len(data) // 512) * 512, b"\0")
        fields = (name.encode(), len(data), at, len(stored), at)
        table += struct.pack("<8s4I16x", *fields)
        body += stored
        at += len(stored)
    return (head + table).ljust(1024, b"\0") + body


def test_a_unified_kernel_image_shows_its_sections() -> None:
    kernel = filler("kernel", 5000)
    sections = {".osrel": b"ID=tides\n", ".cmdline": b"quiet root=/dev/vda", ".linux": kernel}
    data = program(sections=sections | {".initrd": b"070701" * 40})
    facts = read(data, "efi")
    assert isinstance(facts, efi.Efi)
    assert facts.unified
    assert (facts.arch, facts.subsystem, facts.signed) == ("arm64", "application", False)
    assert facts.texts[".cmdline"] == "quiet root=/dev/vda"
    parts = {part.name: data[part.offset : part.offset + part.size] for part in facts.parts()}
    assert parts == {".linux": kernel, ".initrd": b"070701" * 40}


@pytest.mark.oracle
def test_sections_are_those_of_objdump(tmp_path: Path) -> None:
    data = program(0x8664, {".text": b"\x90" * 700, ".linux": b"k" * 5000})
    path = tmp_path / "program.efi"
    path.write_bytes(data)
    told = run("objdump", "-h", path)
    rows = re.findall(r"^ +\d+ (\.\w+) +([0-9a-f]{8}) +\w+ +\w+ +([0-9a-f]{8})", told, re.MULTILINE)
    facts = read(data, "efi")
    assert isinstance(facts, efi.Efi)
    assert [(s.name, s.memory, s.offset) for s in facts.sections] == [
        (name, int(size, 16), int(at, 16)) for name, size, at in rows
    ]


@pytest.mark.parametrize("name", NAMES)
@given(st.binary(max_size=5000), st.integers(0, 4))
def test_any_bytes_give_facts_or_an_error(name: str, data: bytes, lead: int) -> None:
    heads = {
        "luks": b"LUKS\xba\xbe\0\2",
        "lvm2": volume()[:4096],
        "verity": b"verity\0\0\1\0\0\0",
        "swap": bytes(4086) + b"SWAPSPACE2",
        "btrfs": bytes(64 * KIB),
        "efi": program()[:200],
    }
    data = heads[name][: len(heads[name]) * lead // 4] + data
    readers()[name].match(View.of(data))
    with contextlib.suppress(FormatError):
        readers()[name].read(View.of(data))


Put = tuple[int, str, int]


def refused(name: str, data: bytes, *puts: Put) -> tuple[int, str] | None:
    """Change fields; give where and why the reader refuses, None where it does not."""
    out = bytearray(data)
    for at, layout, value in puts:
        struct.pack_into(layout, out, at, value)
    try:
        readers()[name].read(View.of(bytes(out)))
    except FormatError as problem:
        return problem.offset, problem.why
    return None


def encrypted(area: object = None, *, size: int = 16 * KIB, algorithm: str = "sha256") -> bytes:
    """Write both headers of a LUKS2 (LUKS2 On-Disk Format Specification 1.1, 2.1)."""
    text = (
        json.dumps({} if area is None else area).encode() if not isinstance(area, bytes) else area
    )
    heads = []
    for magic, at in ((b"LUKS\xba\xbe", 0), (b"SKUL\xba\xbe", size)):
        head = magic + struct.pack(">HQQ48s32s", 2, size, 3, b"tide", algorithm.encode())
        head = head.ljust(168, b"\0") + b"uuid".ljust(88, b"\0") + struct.pack(">Q", at)
        head = head.ljust(4096, b"\0") + text.ljust(size - 4096, b"\0")
        digest = hashlib.new(algorithm, head).digest() if algorithm in {"sha1", "sha256"} else b""
        heads.append(head[:448] + digest.ljust(64, b"\0") + head[512:])
    return b"".join(heads)


def test_luks2_says_where_its_data_are() -> None:
    area = {
        "keyslots": {"1": {}, "0": {}, "x": {}, "123456789": {}},
        "segments": {"0": {"offset": "16777216", "encryption": "aes-xts-plain64"}},
    }
    facts = read(encrypted(area), "luks")
    assert isinstance(facts, luks.Luks)
    assert (facts.data_offset, facts.cipher, facts.key_slots) == (
        1 << 24,
        "aes-xts-plain64",
        (0, 1),
    )
    assert facts.summary() == "LUKS2, aes-xts-plain64, 2 key slots"
    assert facts.copies_agree is True
    newer = bytearray(encrypted(area))
    struct.pack_into(">Q", newer, 16 * KIB + 16, 4)
    facts = luks.READER.read(View.of(bytes(newer)))
    assert isinstance(facts, luks.Luks)
    assert facts.copies_agree is False
    alone = luks.READER.read(View.of(encrypted(area)[: 32 * KIB - 1]))
    assert isinstance(alone, luks.Luks)
    assert (alone.copies_agree, len(alone.checksums)) == (None, 1)


@pytest.mark.parametrize(
    "segment",
    [[], "0", {"offset": "9" * 5000}, {"offset": "-1"}, {"offset": "\u0663"}, {"offset": 1.5}],
)
def test_luks2_segments_that_say_nothing_have_no_offset(segment: object) -> None:
    """Digits without end too, which Python does not convert."""
    facts = luks.READER.read(View.of(encrypted({"segments": {"0": segment}, "keyslots": 5})))
    assert isinstance(facts, luks.Luks)
    assert (facts.data_offset, facts.key_slots) == (0, ())


def test_luks_headers_have_their_edges() -> None:
    data = encrypted()
    small = "a header of 16,383 bytes that says it is at 0x0"
    assert refused("luks", data, (8, ">Q", 16 * KIB - 1)) == (8, small)
    assert refused("luks", data, (8, ">Q", 4 * MIB + 1)) is not None
    assert refused("luks", encrypted(size=4 * MIB)) is None
    moved = "a header of 16,384 bytes that says it is at 0x1"
    assert refused("luks", data, (256, ">Q", 1)) == (8, moved)
    assert refused("luks", data, (6, ">H", 3)) == (6, "LUKS of version 3")
    assert refused("luks", data, (0, "B", 0)) == (0, "no LUKS magic")
    for area in (b"tide", b"[" * 3000, b"9" * 5000):
        assert refused("luks", encrypted(area)) == (4096, "the area of metadata is no JSON")
    assert refused("luks", encrypted(b"[]")) == (4096, "the area of metadata is no JSON object")
    assert luks.READER.match(View.of(data[:592])) == Match.SURE
    assert luks.READER.match(View.of(data[:591])) == Match.NO
    assert luks.READER.match(View.of(data[:6] + b"\0\3" + data[8:])) == Match.WEAK
    (other, _) = luks.READER.read(View.of(encrypted(algorithm="md5"))).checksums
    assert (other.matches, other.why) == (None, "its algorithm is 'md5'")


def test_lvm2_has_its_edges(monkeypatch: pytest.MonkeyPatch) -> None:
    data = volume()
    outside = "no LABELONE of type LVM2 001 in the first four sectors"
    assert refused("lvm2", data, (512, "B", 0)) == (512, outside)
    # A label in each of the first four sectors, and not in the fifth.
    for sector in range(5):
        moved = bytes(512 * sector) + data[512:]
        assert (lvm2.READER.match(View.of(moved)) == Match.SURE) == (sector < 4)
    sixteen = bytearray(data)
    for number in range(16):
        struct.pack_into("<QQ", sixteen, 512 + 32 + 40 + 16 * number, MIB, 0)
    assert refused("lvm2", bytes(sixteen)) == (512 + 32 + 40 + 256, "more than 16 areas")

    def facts(*puts: Put) -> lvm2.Lvm2:
        out = bytearray(data)
        for at, layout, value in puts:
            struct.pack_into(layout, out, at, value)
        found = lvm2.READER.read(View.of(bytes(out)))
        assert isinstance(found, lvm2.Lvm2)
        return found

    assert facts().summary() == "group tides: rootfs, data"
    for put in ((4096 + 4, "B", 0), (4096 + 24, "<Q", 0), (4096 + 48, "<Q", 0)):
        assert facts(put).group == ""
        assert facts(put).summary() == "4 MiB, in no group"
    assert [checksum.name for checksum in facts((4096 + 4, "B", 0)).checksums] == ["label"]
    length = len(TEXT) + 1
    for most, group in ((length, "tides"), (length - 1, "")):
        monkeypatch.setattr(lvm2, "MAX_TEXT", most)
        with bounds.listening() as heard:
            assert facts().group == group
        assert bool(heard) == (most < length)
    assert readers()["lvm2"].read(View.of(volume(""))).summary() == "4 MiB, in no group"


def test_verity_has_its_edges() -> None:
    head = b"verity\0\0" + struct.pack("<II16s32s", 1, 1, b"u" * 16, b"sha256")
    data = (head + struct.pack("<IIQH6x", 4096, 4096, 200, 4) + b"salt").ljust(512, b"\0")
    facts = read(data, "verity")
    assert isinstance(facts, verity.Verity)
    assert (facts.levels, facts.length) == ((1, 2), 4096 * 4)
    assert facts.summary() == "sha256 over 800 KiB"
    assert refused("verity", data, (0, "B", 0)) == (0, "no verity superblock")
    assert refused("verity", data, (8, "<I", 2)) == (8, "version 2 with hashes of type 1")
    assert refused("verity", data, (12, "<I", 2)) == (8, "version 1 with hashes of type 2")
    assert refused("verity", data, (12, "<I", 0)) is None
    for size, salt, bad in (
        *((512, 4, 0), (256, 4, 1), (4097, 4, 1), (512 * KIB, 4, 0), (MIB, 4, 1)),
        *((4096, 256, 0), (4096, 257, 1)),
    ):
        wanted = (64, f"blocks of {size:,} and 4,096, salt of {salt:,} bytes") if bad else None
        assert refused("verity", data, (64, "<I", size), (80, "<H", salt)) == wanted, size
    unknown = verity.READER.read(View.of(data.replace(b"sha256", b"sha999")))
    assert isinstance(unknown, verity.Verity)
    assert (unknown.length, unknown.levels) == (None, ())
    whole = verity.verity(1, "sha256", (4096, 4096), 200, b"salt")
    assert whole is not None
    assert (whole.length, whole.levels, whole.data_size) == (4096 * 3, (1, 2), 200 * 4096)
    for kind, algorithm, sizes in (
        *((2, "sha256", (4096, 4096)), (1, "sha999", (4096, 4096)), (1, "sha256", (4095, 4096))),
        *((1, "sha256", (4096, 100)), (1, "shake_128", (4096, 4096))),
    ):
        assert verity.verity(kind, algorithm, sizes, 200, b"") is None


def test_btrfs_and_swap_have_their_edges() -> None:
    data = bytearray(68 * KIB)
    data[64 * KIB + 0x40 : 64 * KIB + 0x48] = b"_BHRfS_M"
    struct.pack_into("<Q", data, 64 * KIB + 0x30, 64 * KIB)
    assert refused("btrfs", bytes(data)) is None
    assert refused("btrfs", bytes(data), (64 * KIB + 0x40, "B", 0)) == (
        64 * KIB + 0x40,
        "no btrfs magic _BHRfS_M",
    )
    assert refused("btrfs", bytes(data), (64 * KIB + 0x30, "<Q", 5)) == (
        64 * KIB + 0x30,
        "a superblock that says it is at 0x5",
    )
    struct.pack_into("<QQ", data, 64 * KIB + 0x70, 120 * MIB, 130 * MIB)
    struct.pack_into("<II", data, 64 * KIB + 0x90, 4096, 16384)
    facts = btrfs.READER.read(View.of(bytes(data)))
    assert isinstance(facts, btrfs.Btrfs)
    assert facts.room is not None
    assert (facts.room.free, facts.summary()) == (0, "120 MiB, nodes of 16 KiB")
    page = bytearray(4096)
    page[4086:] = b"SWAPSPACE2"
    struct.pack_into("<II", page, 1024, 1, 255)
    assert read(bytes(page), "swap").summary() == "1 MiB in pages of 4 KiB"
    assert refused("swap", bytes(page), (1024, "<I", 2)) == (
        1024,
        "swap of version 2; Linux takes 1",
    )
    assert refused("swap", bytes(4096)) == (4086, "no SWAPSPACE2 at the end of the first page")


def test_efi_programs_have_their_edges() -> None:
    data = program(sections={".text": b"\x90" * 512, ".dtb": b"d", ".dtbauto": b""})
    assert refused("efi", data, (0, "B", 0)) == (0, "no PE header of an EFI program")
    assert refused("efi", data, (0x40 + 24 + 68, "<H", 9)) == (0, "no PE header of an EFI program")
    assert efi.READER.match(View.of(data[: 0x40 + 24 + 70])) == Match.SURE
    assert efi.READER.match(View.of(data[: 0x40 + 24 + 69])) == Match.NO
    most = efi.MAX_SECTIONS
    many = data.ljust(1024 + 40 * most, b"\0")
    assert refused("efi", many, (0x46, "<H", most)) is None
    assert refused("efi", many, (0x46, "<H", most + 1)) == (0x46, f"{most + 1:,} sections")
    facts = read(data, "efi")
    assert isinstance(facts, efi.Efi)
    assert facts.summary() == "application for arm64, 2 KiB"
    assert [part.name for part in facts.parts()] == [".dtb"]
    section = facts.section(".dtb")
    assert section is not None
    assert (section.offset, section.memory) == (1536, 1)
    assert facts.section(".cmdline") is None
    # The certificates are the fifth directory; none where the header has only four.
    signed = bytearray(data)
    at = 0x40 + 24 + 112 + 8 * 4
    struct.pack_into("<II", signed, at, 4096, 8)
    found = efi.READER.read(View.of(bytes(signed)))
    assert isinstance(found, efi.Efi)
    assert (found.signed, found.length) == (True, 4104)
    struct.pack_into("<I", signed, at - 36, 4)
    found = efi.READER.read(View.of(bytes(signed)))
    assert isinstance(found, efi.Efi)
    assert found.signed is False
    # A kernel with a stub is a kernel first.
    for place, magic in ((0x38, b"ARM\x64"), (0x24, b"\x18\x28\x6f\x01"), (0x202, b"HdrS")):
        kernel = bytearray(data)
        kernel[place : place + 4] = magic
        assert efi.READER.match(View.of(bytes(kernel))) == Match.WEAK, place
