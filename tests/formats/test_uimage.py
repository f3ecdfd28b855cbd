from __future__ import annotations

import re
import struct
import subprocess
import zlib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.errors import FormatError
from imgaudit.formats import uimage
from imgaudit.formats.facts import Match, Part
from imgaudit.formats.view import View
from tests.formats.device_trees import damaged

# A header that a user showed with `md` in a thread, from memory, with its name "Linux-4.4.289".
PUBLISHED = bytes.fromhex(
    "270519563057bf8063ac55f7004080100000800000008000bc691fcb05020200"
    "4c696e75782d342e342e32383900000000000000000000000000000000000000"
)
STANDALONE, KERNEL, RAMDISK, MULTI, FIRMWARE, SCRIPT = 1, 2, 3, 4, 5, 6


def write(
    kind: int, data: bytes, *, compression: int = 0, codes: tuple[int, int] = (5, 22)
) -> bytes:
    """Lay a header out as U-Boot include/image.h has it."""
    fields = (0x27051956, 0, 1_700_000_000, len(data), 0x8020_0000, 0x8020_0004, zlib.crc32(data))
    header = struct.pack(">7I4B32s", *fields, *codes, kind, compression, b"Whimbrel")
    return header[:4] + struct.pack(">I", zlib.crc32(header)) + header[8:] + data


def table(*members: bytes) -> bytes:
    sizes = struct.pack(f">{len(members)}I", *map(len, members)) + bytes(4)
    return sizes + b"".join(member + bytes(-len(member) % 4) for member in members)


def read(data: bytes) -> uimage.UimageFacts:
    return uimage.read(View.of(data))


def test_a_published_header_is_read() -> None:
    facts = read(PUBLISHED)
    header, data = facts.checksums
    assert header.matches
    assert header.stored == "3057bf80"
    assert data.stored == "bc691fcb"
    assert data.computed is None
    assert data.why == "4,227,088 of the 4,227,088 bytes of data are not in the file"
    assert (facts.size, facts.load, facts.ep) == (4_227_088, 0x8000, 0x8000)
    assert (facts.os, facts.arch, facts.type, facts.compression) == (
        "linux",
        "arm",
        "kernel",
        "none",
    )
    assert (facts.name, facts.time) == ("Linux-4.4.289", 0x63AC55F7)
    assert facts.length == 4_227_088 + 64
    assert facts.data_present == 0
    assert [*facts.parts()] == []
    assert facts.summary() == "arm linux kernel, 4.0 MiB"


def test_no_data_are_no_part() -> None:
    assert [*read(write(KERNEL, b"")).parts()] == []
    assert [part.size for part in read(write(KERNEL, b"x")).parts()] == [1]


def test_the_code_behind_the_last_name_is_unknown() -> None:
    last = len(uimage.ARCH_NAMES) - 1
    assert read(write(KERNEL, b"x", codes=(5, last))).arch == uimage.ARCH_NAMES[last]
    assert read(write(KERNEL, b"x", codes=(5, last + 1))).arch == f"unknown {last + 1}"


def test_both_checksums_are_recomputed() -> None:
    image = bytearray(write(KERNEL, b"kernel"))
    assert [found.matches for found in read(bytes(image)).checksums] == [True, True]
    image[-1] ^= 1
    assert [found.matches for found in read(bytes(image)).checksums] == [True, False]
    image[16] ^= 1
    assert [found.matches for found in read(bytes(image)).checksums] == [False, False]


@pytest.mark.parametrize(
    ("kind", "compression", "expects"),
    [
        (KERNEL, 0, None),
        (KERNEL, 1, "gzip"),
        (FIRMWARE, 5, "lz4"),
        (STANDALONE, 3, "lzma"),
        (KERNEL, 99, None),
        # The maker's default compression is gzip, so for what is not unpacked it promises nothing.
        (RAMDISK, 1, None),
        (8, 1, "fdt"),
    ],
)
def test_the_data_is_one_part(kind: int, compression: int, expects: str | None) -> None:
    facts = read(write(kind, b"data!", compression=compression) + b"behind")
    assert [*facts.parts()] == [Part("data", 64, 5, expects)]
    assert facts.table_ended is None
    assert facts.members == ()
    assert facts.length == 69


def test_a_multi_image_has_a_table_of_sizes() -> None:
    # U-Boot include/image.h: sizes up to a zero, then the files, each padded to 4 but the last.
    data = table(b"kernel", b"ramdisk", b"tree")
    facts = read(write(MULTI, data, compression=1))
    assert [(m.offset, m.size, m.table_offset) for m in facts.members] == [
        (80, 6, 64),
        (88, 7, 68),
        (96, 4, 72),
    ]
    assert facts.table_ended
    assert facts.members_end == facts.length == 100
    assert [(part.name, part.offset, part.expects) for part in facts.parts()] == [
        ("image-0", 80, "gzip"),
        ("image-1", 88, None),
        ("image-2", 96, "fdt"),
    ]


def test_a_table_that_does_not_add_up_is_a_fact() -> None:
    data = struct.pack(">4I", 4, 1000, 4, 0) + b"abcd"
    facts = read(write(MULTI, data))
    assert facts.members_end == 64 + 16 + 4 + 1000 + 4
    assert facts.length == 64 + 20
    assert [part.name for part in facts.parts()] == ["image-0"]


@pytest.mark.parametrize("data", [b"", b"\0\0", struct.pack(">3I", 4, 4, 4)])
def test_a_table_without_end_is_a_fact(data: bytes) -> None:
    facts = read(write(MULTI, data))
    assert facts.table_ended is False
    assert facts.members == ()
    assert facts.members_end == 64
    assert [*facts.parts()] == []


def test_a_script_is_given_as_text() -> None:
    facts = read(write(SCRIPT, table(b"run recovery\n"), compression=1))
    assert facts.script == b"run recovery\n"
    assert [*facts.parts()] == [Part("image-0", 72, 13, None)]


def test_a_script_longer_than_a_mebibyte_is_cut() -> None:
    facts = read(write(SCRIPT, table(b"#" * (3 << 19))))
    assert facts.script == b"#" * (1 << 20)


def test_codes_without_a_name_stay_visible() -> None:
    facts = read(write(200, b"", compression=9, codes=(99, 98)))
    assert (facts.os, facts.arch, facts.type, facts.compression) == (
        "unknown 99",
        "unknown 98",
        "unknown 200",
        "unknown 9",
    )


def test_how_sure_a_match_is() -> None:
    image = write(KERNEL, b"kernel")
    assert uimage.READER.match(View.of(image)) is Match.SURE
    assert uimage.READER.match(View.of(PUBLISHED)) is Match.SURE
    assert uimage.READER.match(View.of(image[:40] + b"!" + image[41:])) is Match.GOOD
    assert uimage.READER.match(View.of(image[:63])) is Match.NO
    assert uimage.READER.match(View.of(bytes(64))) is Match.NO


def test_without_its_magic_or_its_header_it_is_refused() -> None:
    with pytest.raises(FormatError, match="magic"):
        read(bytes(64))
    with pytest.raises(FormatError):
        read(PUBLISHED[:63])


@given(
    st.one_of(
        st.binary(max_size=99),
        st.binary(max_size=99).map(lambda rest: PUBLISHED[:28] + rest),
        damaged(write(MULTI, table(b"kernel", b"ramdisk"))),
        damaged(write(SCRIPT, table(b"run recovery"))),
    )
)
def test_any_bytes_give_facts_or_a_format_error(data: bytes) -> None:
    view = View.of(data)
    uimage.READER.match(view)
    try:
        facts = uimage.read(view)
    except FormatError:
        return
    facts.summary()
    assert all(64 <= p.offset <= p.offset + p.size <= len(data) for p in facts.parts())


def mkimage(folder: Path, *options: str) -> bytes:
    command = ["mkimage", "-n", "Whimbrel", *options, "out"]
    subprocess.run(command, cwd=folder, check=True, capture_output=True)
    return (folder / "out").read_bytes()


@pytest.mark.oracle
def test_a_kernel_of_mkimage_is_read(tmp_path: Path) -> None:
    (tmp_path / "kernel").write_bytes(b"kernel" * 100)
    options = "-T kernel -A arm64 -O linux -C gzip -a 0x80200000 -e 0x80200040 -d kernel"
    facts = read(mkimage(tmp_path, *options.split()))
    assert all(found.matches for found in facts.checksums)
    assert (facts.load, facts.ep, facts.name) == (0x8020_0000, 0x8020_0040, "Whimbrel")
    assert (facts.os, facts.arch, facts.type, facts.compression) == (
        "linux",
        "arm64",
        "kernel",
        "gzip",
    )
    told = subprocess.run(["dumpimage", "-l", "out"], cwd=tmp_path, check=True, capture_output=True)
    assert f"Data Size:    {facts.size} Bytes" in told.stdout.decode()


@pytest.mark.oracle
def test_a_multi_image_of_mkimage_is_read(tmp_path: Path) -> None:
    contents = {"a": b"kernel!", "b": b"ramdisk", "c": b"tree" * 3}
    for name, data in contents.items():
        (tmp_path / name).write_bytes(data)
    image = mkimage(tmp_path, "-T", "multi", "-A", "arm", "-C", "none", "-d", "a:b:c")
    facts = read(image)
    assert [image[p.offset : p.offset + p.size] for p in facts.parts()] == [*contents.values()]
    assert facts.members_end == len(image) == facts.length
    assert all(found.matches for found in facts.checksums)


@pytest.mark.oracle
def test_a_script_of_mkimage_is_read(tmp_path: Path) -> None:
    (tmp_path / "boot.cmd").write_bytes(b"setenv a b\nrun recovery\n")
    facts = read(mkimage(tmp_path, "-T", "script", "-A", "arm", "-d", "boot.cmd"))
    assert facts.script == b"setenv a b\nrun recovery\n"
    assert facts.compression == "gzip"  # nobody asked for it: it is the tool's default
    assert facts.members_end == facts.length


@pytest.mark.oracle
@pytest.mark.parametrize(
    ("option", "names"),
    [
        ("-A", uimage.ARCH_NAMES),
        ("-O", uimage.OS_NAMES),
        ("-C", uimage.COMPRESSION_NAMES),
    ],
)
def test_names_are_those_of_mkimage(tmp_path: Path, option: str, names: tuple[str, ...]) -> None:
    (tmp_path / "data").write_bytes(b"data")
    # An unknown word makes mkimage list what it knows.
    asked = subprocess.run(["mkimage", option, "?"], capture_output=True, check=False)
    known = re.findall(r"^\t(\S+)", asked.stderr.decode().split("Error")[0], re.MULTILINE)
    assert len(known) >= len(names) // 2
    for name in known:
        facts = read(mkimage(tmp_path, "-T", "kernel", option, name, "-d", "data"))
        assert name in names
        assert name in {facts.arch, facts.os, facts.compression}


@pytest.mark.oracle
def test_the_script_of_debian_installer_12_netboot_armhf_is_read() -> None:
    # Debian package debian-installer-12-netboot-armhf.
    folder = Path("/usr/lib/debian-installer/images/12/armhf/text/debian-installer/armhf")
    data = (folder / "tftpboot.scr").read_bytes()
    facts = read(data)
    assert all(found.matches for found in facts.checksums)
    assert facts.length == facts.members_end == len(data)
    assert facts.script is not None
    assert b"bootz ${kernel_addr_r}" in facts.script
