from __future__ import annotations

import bz2
import gzip as stdlib_gzip
import lzma as stdlib_lzma
import struct
import zlib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.formats import kernel as kernels
from imgaudit.formats import xz, zimage
from imgaudit.formats.view import CHUNK, View
from imgaudit.units import round_up
from tests.formats._pieces import drain, text, tool

# Debian packages debian-installer-12-netboot-arm64 and -armhf
IMAGES = Path("/usr/lib/debian-installer/images/12")
ARM64 = IMAGES / "arm64/text/debian-installer/arm64/linux"
ARMHF = IMAGES / "armhf/text/debian-installer/armhf/vmlinuz"

BANNER = b"Linux version 6.6.1-whimbrel (builder@host) (gcc 13.2.0) #1 SMP Tue\n\0"
CONFIG = "# comment\nCONFIG_MTD=y\nCONFIG_EXT4_FS=m\n# CONFIG_RD_XZ is not set\nCONFIG_HZ=100\n"
CONFIG += 'CONFIG_CMDLINE="console=ttyS0,115200 quiet"\nCONFIG_BASE=0x80000000\n'
OPTIONS = {
    "CONFIG_MTD": "y",
    "CONFIG_EXT4_FS": "m",
    "CONFIG_RD_XZ": "n",
    "CONFIG_HZ": "100",
    "CONFIG_CMDLINE": "console=ttyS0,115200 quiet",
    "CONFIG_BASE": "0x80000000",
}


def member(name: str, content: bytes) -> bytes:
    # Linux Documentation/driver-api/early-userspace/buffer-format.rst
    fields = [1, 0o100644, 0, 0, 1, 0, len(content), 0, 0, 0, 0, len(name) + 1, 0]
    head = b"070701" + b"".join(b"%08X" % field for field in fields) + name.encode() + b"\0"
    head += bytes(-len(head) % 4)
    return head + content + bytes(-len(content) % 4)


ARCHIVE = member("etc", b"") + member("etc/level", text(700)) + member("TRAILER!!!", b"")


def compressed(kind: str) -> bytes:
    if kind in {"lzo", "lz4-legacy", "zstd"}:
        command = {"lzo": "lzop -c", "lz4-legacy": "lz4 -l -c", "zstd": "zstd -c"}[kind]
        return tool(command, ARCHIVE)
    return {
        "cpio": lambda: ARCHIVE,
        "gzip": lambda: stdlib_gzip.compress(ARCHIVE),
        "bzip2": lambda: bz2.compress(ARCHIVE),
        "xz": lambda: stdlib_lzma.compress(ARCHIVE, check=stdlib_lzma.CHECK_CRC32),
        "lzma": lambda: stdlib_lzma.compress(ARCHIVE, stdlib_lzma.FORMAT_ALONE),
    }[kind]()


def with_ramdisk(ramdisk: bytes, at: int, bits: int = 64) -> bytes:
    """Lay a ramdisk out as include/asm-generic/vmlinux.lds.h does (INIT_RAM_FS)."""
    kernel = b"\xa5" * at + ramdisk
    kernel += bytes(-len(kernel) % 8)
    return kernel + len(ramdisk).to_bytes(bits // 8, "little") + b"\xa5" * 100


@pytest.mark.oracle
@pytest.mark.parametrize("bits", [64, 32])
@pytest.mark.parametrize(
    "kind", ["cpio", "gzip", "bzip2", "xz", "lzma", "lzo", "lz4-legacy", "zstd"]
)
def test_finds_a_bundled_ramdisk_of_every_kind(kind: str, bits: int) -> None:
    ramdisk = compressed(kind)
    for at in (0, 4, 4096, CHUNK - 12, CHUNK - 2048, CHUNK):
        found = kernels.scan(View.of(with_ramdisk(ramdisk, at, bits))).ramdisk
        size_offset = (at + len(ramdisk) + 7) // 8 * 8
        assert found == kernels.Bundled(at, len(ramdisk), kind, size_offset)


@pytest.mark.parametrize("extra", range(9))
def test_any_length_is_joined_with_its_word(extra: int) -> None:
    ramdisk = stdlib_gzip.compress(ARCHIVE) + b"\xff" * extra
    found = kernels.scan(View.of(with_ramdisk(ramdisk, 1 << 14))).ramdisk
    assert found is not None
    assert (found.offset, found.size) == (1 << 14, len(ramdisk))


@pytest.mark.parametrize("wrong", [-8, 1, 8, 1 << 20])
def test_a_magic_without_its_length_is_no_ramdisk(wrong: int) -> None:
    ramdisk = ARCHIVE + bytes(-len(ARCHIVE) % 8)
    kernel = b"\xa5" * 64 + ramdisk + struct.pack("<Q", len(ramdisk) + wrong) + b"\xa5" * 64
    assert kernels.scan(View.of(kernel)).ramdisk is None


def test_an_unaligned_start_is_no_ramdisk() -> None:
    ramdisk = stdlib_gzip.compress(ARCHIVE)
    assert kernels.scan(View.of(with_ramdisk(ramdisk, 4098))).ramdisk is None


def test_a_later_member_is_no_start() -> None:
    # The length of the archive's tail, as a word behind it, must not win over nothing.
    first = len(member("etc", b""))
    rest = ARCHIVE[first:]
    pad = bytes(-len(ARCHIVE) % 8)
    kernel = b"\xa5" * 64 + ARCHIVE + pad + struct.pack("<Q", len(rest) + len(pad)) + bytes(64)
    assert kernels.scan(View.of(kernel)).ramdisk is None


def padded(kernel: bytes) -> bytes:
    return kernel + b"\xa5" * (-len(kernel) % 8)


def test_the_longest_wins() -> None:
    small, large = padded(with_ramdisk(ARCHIVE, 64)), padded(with_ramdisk(ARCHIVE * 2, 64))
    for kernel, offset in ((small + large, len(small) + 64), (large + small, 64)):
        found = kernels.scan(View.of(kernel)).ramdisk
        assert found is not None
        assert (found.offset, found.size) == (offset, 2 * len(ARCHIVE))


def test_a_wide_length_wins_over_a_narrow_one() -> None:
    narrow = padded(with_ramdisk(ARCHIVE * 2, 64, 32))
    found = kernels.scan(View.of(narrow + with_ramdisk(ARCHIVE, 64))).ramdisk
    assert found is not None
    assert (found.offset, found.size) == (len(narrow) + 64, len(ARCHIVE))


@pytest.mark.parametrize("at", [0, 100, CHUNK - 30, CHUNK - 2049, CHUNK - 2048, 2 * CHUNK - 5])
def test_finds_the_banner_across_pieces(at: int) -> None:
    kernel = b"Linux version %s\0" + bytes(max(0, at - 17)) if at else b""
    inside = kernels.scan(View.of(kernel + BANNER + bytes(5000)))
    assert inside.release == "6.6.1-whimbrel"
    assert inside.banner == BANNER[:-2].decode()
    assert inside.banner_offset == len(kernel)


def stored_config(options: str = CONFIG) -> bytes:
    # kernel/configs.c
    return b"IKCFG_ST" + stdlib_gzip.compress(options.encode()) + b"IKCFG_ED"


@pytest.mark.parametrize("at", [0, CHUNK - 5, CHUNK - 40, CHUNK - 2050, 3 * CHUNK])
def test_reads_the_configuration_across_pieces(at: int) -> None:
    inside = kernels.scan(View.of(bytes(at) + stored_config() + bytes(2 * CHUNK)))
    assert (inside.config, inside.config_offset, inside.doubts) == (OPTIONS, at, ())


def test_a_long_configuration_spans_pieces() -> None:
    lines = "".join(f'CONFIG_X{n}="{zlib.crc32(b"%d" % n):x}"\n' for n in range(80_000))
    stored = stored_config(lines)
    inside = kernels.scan(View.of(bytes(CHUNK - 9000) + stored + bytes(100)))
    assert inside.config is not None
    assert len(inside.config) == 80_000


@pytest.mark.parametrize(
    ("stored", "doubt"),
    [
        (stored_config()[:60], "cut"),
        (b"IKCFG_ST\x1f\x8b\x08" + b"\xff" * 60, "damaged"),
        (stored_config("#" * (5 << 20)), "longer than 4 MiB"),
    ],
    ids=["cut", "damaged", "long"],
)
def test_a_configuration_that_cannot_be_read_is_a_doubt(stored: bytes, doubt: str) -> None:
    inside = kernels.scan(View.of(stored))
    assert inside.config is None
    assert inside.config_offset == 0
    assert doubt in inside.doubts[0]


@given(
    st.lists(
        st.sampled_from([b"IKCFG_ST\x1f\x8b\x08", BANNER, ARCHIVE, b"070701", bytes(8), b"\1"])
    )
)
def test_any_mixture_is_scanned(parts: list[bytes]) -> None:
    inside = kernels.scan(View.of(b"".join(parts)))
    assert (inside.release is not None) == (BANNER in parts)


@pytest.mark.parametrize(
    ("limit", "enough", "kernel"),
    [
        ("_STARTS_LIMIT", 3, (ARCHIVE + bytes(4)) * 3),
        ("_HEADS_LIMIT", 9, b"\x28\xb5\x2f\xfd" * 9),
        # A first page of zeros is gone through for wide lengths, then for narrow ones.
        ("_WORDS_LIMIT", 2 * 64, ARCHIVE.ljust(round_up(len(ARCHIVE), 8) + 8 * 64, b"\0")),
    ],
)
def test_what_is_more_than_a_kernel_holds_is_a_doubt(
    monkeypatch: pytest.MonkeyPatch, limit: str, enough: int, kernel: bytes
) -> None:
    for most in (2 * enough, enough // 2):
        monkeypatch.setattr(kernels, limit, most)
        inside = kernels.scan(View.of(kernel))
        assert bool(inside.doubts) == (most < enough)
        assert all("may be missed" in doubt for doubt in inside.doubts)


def test_a_magic_that_decodes_to_no_archive_is_no_ramdisk() -> None:
    other = stdlib_gzip.compress(text(700))
    assert kernels.scan(View.of(with_ramdisk(other, 64))).ramdisk is None


@pytest.mark.oracle
def test_reads_a_packaged_arm64_kernel() -> None:
    inside = kernels.scan(View.of(ARM64.read_bytes()))
    assert inside.release is not None
    assert inside.release.endswith("-arm64")
    assert inside.config is None
    # Debian bundles the default archive of usr/default_cpio_list: /dev, /dev/console, /root.
    assert inside.ramdisk is not None
    assert (inside.ramdisk.kind, inside.ramdisk.size) == ("cpio", 512)


@pytest.mark.oracle
def test_reads_a_packaged_zimage() -> None:
    image = ARMHF.read_bytes()
    facts = zimage.read(View.of(image))
    assert facts.compression == "xz"
    kernel, _ = drain(xz.unpack, image[facts.stream_offset :])
    inside = kernels.scan(View.of(kernel))
    assert inside.release is not None
    assert inside.release.endswith("-armmp")
    assert inside.ramdisk is not None
    assert (inside.ramdisk.kind, inside.ramdisk.size) == ("cpio", 512)
