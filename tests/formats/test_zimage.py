from __future__ import annotations

import gzip
import lzma
import struct
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.errors import FormatError
from imgaudit.formats import zimage
from imgaudit.formats.facts import Match, Part
from imgaudit.formats.view import View
from tests.formats import device_trees
from tests.formats.device_trees import damaged

PLAIN = b"kernel" * 50
TREE = device_trees.write({"model": "Whimbrel"})


def write(
    stream: bytes = b"",
    *,
    order: str = "<",
    flag: int = 0x0403_0201,
    table: bool = True,
    end: int = 0,
) -> bytes:
    """Build what Linux arch/arm/boot/compressed/head.S and vmlinux.lds.S do.

    `stream` ends with the unpacked size, as the build leaves it.
    """
    at = 0x60
    piggy = at + 20
    size_at = piggy + len(stream) - 4
    body = struct.pack(f"{order}5I", 4, 0x5A53_4C4B, size_at, 0x1234, 0) + stream
    body += bytes(-len(body) % 8)
    words = (0x016F_2818, 0, end or at + len(body), flag, 0x4545_4545 if table else 0, at)
    head = bytes(0x24) + struct.pack(f"{order}6I", *words)
    return head.ljust(at, b"\0") + body


def read(data: bytes) -> zimage.ZimageFacts:
    return zimage.read(View.of(data))


XZ = lzma.compress(PLAIN) + struct.pack("<I", len(PLAIN))
GZIP = gzip.compress(PLAIN, mtime=0)


def test_the_header_of_a_public_thread() -> None:
    # The words that follow a uImage header shown with `md`: end equals that header's data size.
    words = struct.pack("<4I", 0x016F_2818, 0, 0x0040_8010, 0x0403_0201)
    facts = read(bytes(0x24) + words)
    assert (facts.start, facts.end, facts.image_size) == (0, 0x40_8010, 4_227_088)
    assert facts.big_endian is False
    assert facts.data_present == 0x34
    assert facts.length == 4_227_088
    assert [*facts.parts()] == []


@pytest.mark.parametrize(
    ("stream", "kind", "tail"),
    [
        (XZ, "xz", 4),
        (GZIP, "gzip", 0),
        (b"\x89LZO\0\r\n\x1a\n\x10\x40.." + struct.pack("<I", 300), "lzo", 4),
        (b"\x02\x21\x4c\x18\x04\0\0\0...." + struct.pack("<I", 300), "lz4-legacy", 4),
        (b"\x5d\0\0\x80\0" + b"\xff" * 8 + b"...." + struct.pack("<I", 300), "lzma", 4),
    ],
)
def test_the_compressed_kernel_is_found(stream: bytes, kind: str, tail: int) -> None:
    data = write(stream)
    facts = read(data)
    assert facts.compression == kind
    assert (facts.unpacked_size, facts.bss_size) == (300, 0x1234)
    (part,) = facts.parts()
    assert part.expects == kind
    assert data[part.offset : part.offset + part.size] == stream[: len(stream) - tail]
    assert kind in facts.summary()


def test_the_magic_in_the_decompressor_is_not_the_stream() -> None:
    # Seen in Debian's armhf kernel: the xz decoder's constant, followed by its messages.
    constant = b"\xfd7zXZ\0\0\0XZ decompressor ran out of memory\0"
    data = write(constant + b"\x1f\x8b\x08" + XZ)
    facts = read(data)
    assert facts.stream_offset is not None
    assert data[facts.stream_offset :].startswith(XZ)
    assert read(write(constant)).compression is None


def test_without_a_table_the_stream_may_reach_to_the_end() -> None:
    data = write(XZ, table=False)
    facts = read(data)
    assert facts.unpacked_size is facts.bss_size is facts.stream_end is None
    assert [*facts.parts()] == [Part("kernel", 0x74, len(data) - 0x74, "xz")]


def test_a_cut_kernel_is_a_fact() -> None:
    whole = write(XZ)
    facts = read(whole[:-12])
    assert facts.image_size == len(whole)
    assert facts.data_present == len(whole) - 12
    assert facts.unpacked_size is None
    assert [*facts.parts()] == []


def test_a_device_tree_right_behind_is_a_part() -> None:
    data = write(XZ)
    facts = read(data + TREE + b"more")
    assert facts.appended_size == len(TREE)
    assert facts.length == len(data) + len(TREE)
    assert [*facts.parts()][-1] == Part("appended-dtb", len(data), len(TREE), "fdt")
    assert facts.summary().endswith("device tree appended")


@pytest.mark.parametrize(
    "behind",
    [
        b"",
        b"\0" + TREE,
        TREE[:20],
        TREE[:-1],
        b"\xd0\x0d\xfe\xed" + b"\xff" * 60,
        TREE[:8] + b"\xff" * 4 + TREE[12:],
    ],
)
def test_a_stray_magic_is_no_device_tree(behind: bytes) -> None:
    assert read(write(XZ) + behind).appended_size is None


def test_byte_orders() -> None:
    # With BE8 code the header's words stay little-endian and the flag's bytes tell of the data;
    # in older big-endian kernels everything is swapped.
    be8 = read(write(XZ, flag=0x0102_0304))
    assert (be8.header_order, be8.big_endian) == ("little", True)
    be32 = read(write(XZ, order=">"))
    assert (be32.header_order, be32.big_endian) == ("big", True)
    assert be32.bss_size == 0x1234
    assert read(write(XZ, flag=0)).big_endian is None


def test_how_sure_a_match_is() -> None:
    assert zimage.READER.match(View.of(write())) is Match.SURE
    assert zimage.READER.match(View.of(write(order=">"))) is Match.SURE
    assert zimage.READER.match(View.of(write(flag=0))) is Match.GOOD
    assert zimage.READER.match(View.of(bytes(64))) is Match.NO


def test_without_its_magic_or_cut_it_is_refused() -> None:
    with pytest.raises(FormatError, match="magic"):
        read(bytes(64))
    with pytest.raises(FormatError):
        read(write()[:0x30])


def test_a_swapped_start_and_end_is_a_fact() -> None:
    data = bytearray(write(XZ))
    data[0x28:0x2C] = struct.pack("<I", 0xFFFF_0000)
    facts = read(bytes(data))
    assert facts.image_size < 0
    assert facts.length == facts.data_present == 0
    assert facts.compression is None
    assert [*facts.parts()] == []


@given(
    st.one_of(st.binary(max_size=99), damaged(write(XZ) + TREE), damaged(write(GZIP, order=">")))
)
def test_any_bytes_give_facts_or_a_format_error(data: bytes) -> None:
    zimage.READER.match(View.of(data))
    try:
        facts = read(data)
    except FormatError:
        return
    facts.summary()
    assert all(0 <= p.offset < p.offset + p.size <= len(data) for p in facts.parts())


@pytest.mark.oracle
def test_the_kernel_of_debian_installer_12_netboot_armhf_is_read() -> None:
    # Debian package debian-installer-12-netboot-armhf: unpacking proves the table was understood.
    folder = Path("/usr/lib/debian-installer/images/12/armhf/text/debian-installer/armhf")
    data = (folder / "vmlinuz").read_bytes()
    facts = read(data)
    assert facts.image_size == facts.length == len(data)
    assert facts.appended_size is None
    assert facts.compression == "xz"
    (part,) = facts.parts()
    unpacked = lzma.decompress(data[part.offset : part.offset + part.size])
    assert len(unpacked) == facts.unpacked_size
    assert facts.bss_size
