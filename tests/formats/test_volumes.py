"""Swap, LUKS, LVM2, dm-verity, btrfs and EFI programs against the tools that make or read them."""

from __future__ import annotations

import contextlib
import re
import struct
import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.errors import FormatError
from imgaudit.formats import btrfs, efi, identify, luks, lvm2, readers, swap, verity
from imgaudit.formats.crc32c import crc32_raw
from imgaudit.formats.facts import Facts
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
