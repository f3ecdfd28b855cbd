"""First stages by mkimage (u-boot-tools), sound and with one byte changed."""

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
from imgaudit.formats import identify
from imgaudit.formats.facts import Match
from imgaudit.formats.first_stage import READERS, FirstStage
from imgaudit.formats.view import View
from imgaudit.writers.sparse import filler
from tests.formats._trees import status

STAGE = filler("first stage", 30_000)
IMX = "IMAGE_VERSION 2\nBOOT_FROM sd\nDATA 4 0x020e0798 0x000C0000\n"
IMX8 = "BOOT_FROM SD 0x400\nSOC_TYPE IMX8QX\nCONTAINER\nIMAGE A35 {}/stage 0x100000\n"
KWB = "VERSION {version}\nBOOT_FROM {boot}\nNAND_PAGE_SIZE 0x100\n"
MADE = {
    "imx-ivt": ("-T", "imximage", "-n", "CFG", "-e", "0x00907400"),
    "egon": ("-T", "sunxi_egon", "-n", "dt-name"),
    "rockchip-idb": ("-T", "rksd", "-n", "rk3399"),
    "rockchip-idb ": ("-T", "rksd", "-n", "rk3288"),
    "rockchip-idb  ": ("-T", "rkspi", "-n", "rk3399"),
    "rockchip-idb   ": ("-T", "rksd", "-n", "rk3568"),
    "kwbimage": ("-T", "kwbimage", "-n", "KWB1", "-a", "0x00800000", "-e", "0x00800000"),
    "kwbimage ": ("-T", "kwbimage", "-n", "KWB0", "-a", "0x00600000", "-e", "0x00670000"),
    "stm32-image": ("-T", "stm32image", "-a", "0xC0100000", "-e", "0xC0100000"),
    "zynq-image": ("-T", "zynqimage", "-e", "0x100000"),
    "zynq-image ": ("-T", "zynqmpimage", "-e", "0xfffc0000"),
    "sunxi-toc0": ("-T", "sunxi_toc0", "-A", "arm64", "-k", "KEYS", "-a", "0x00020060"),
    "omap-image": ("-T", "omapimage", "-a", "0x402f0400"),
    "imx8-image": ("-T", "imx8image", "-n", "IMX8", "-e", "0x00100000"),
    "socfpga-image": ("-T", "socfpgaimage"),
    "socfpga-image ": ("-T", "socfpgaimage_v1"),
}


def made(folder: Path, name: str) -> bytes:
    (folder / "stage").write_bytes(STAGE)
    texts = {
        "CFG": IMX,
        "KWB1": KWB.format(version=1, boot="spi"),
        "KWB0": KWB.format(version=0, boot="sata"),
        "IMX8": IMX8.format(folder),
    }
    if "KEYS" in MADE[name]:
        assert not status("openssl", "genrsa", "-out", folder / "root_key.pem", "2048")
    words: list[str] = []
    for word in MADE[name]:
        if word in texts:
            (folder / word).write_text(texts[word])
        words.append(str(folder / word) if word in texts else word.replace("KEYS", str(folder)))
    assert not status("mkimage", *words, "-d", folder / "stage", folder / "image")
    return (folder / "image").read_bytes()


def read(data: bytes) -> FirstStage:
    match, reader = identify(View.of(data))[0]
    assert match >= Match.GOOD
    facts = reader.read(View.of(data))
    assert isinstance(facts, FirstStage), reader.name
    return facts


@pytest.mark.oracle
@pytest.mark.parametrize("name", MADE)
def test_what_mkimage_makes_is_read(name: str, tmp_path: Path) -> None:
    data = made(tmp_path, name)
    assert identify(View.of(data))[0][1].name == name.strip()
    facts = read(data)
    assert [checksum.matches for checksum in facts.checksums] == [True] * len(facts.checksums)
    assert facts.length is not None
    assert facts.length <= len(data) + 4096
    told = subprocess.run(
        ("dumpimage", "-l", tmp_path / "image"), capture_output=True, text=True, check=False
    )
    load = re.search(r"(?:Image Load|Entry Point) *: *(0x)?([0-9a-f]{8})", told.stdout)
    if load is not None and facts.load is not None:
        assert int(load[2], 16) in {facts.load, facts.entry}


@pytest.mark.oracle
@pytest.mark.parametrize(
    "name", sorted(set(map(str.strip, MADE)) - {"imx-ivt", "omap-image", "zynq-image"})
)
def test_a_changed_byte_is_told(name: str, tmp_path: Path) -> None:
    """Of what the header's sums cover: all of the stage but for the old Rockchip header."""
    data = bytearray(made(tmp_path, "rockchip-idb   " if name == "rockchip-idb" else name))
    at = data.index(STAGE[:2000][100:1100]) if name != "rockchip-idb" else 4 * 512 + 100
    data[at] ^= 1
    (reader,) = (reader for reader in READERS if reader.name == name)
    facts = reader.read(View.of(data))
    assert [checksum.matches for checksum in facts.checksums].count(False) == 1


@pytest.mark.parametrize("reader", READERS, ids=[reader.name for reader in READERS])
@given(st.binary(max_size=3000))
def test_any_bytes_give_facts_or_an_error(reader: object, data: bytes) -> None:
    assert reader in READERS
    (chosen,) = (one for one in READERS if one is reader)
    chosen.match(View.of(data))
    with contextlib.suppress(FormatError):
        chosen.read(View.of(data))


@pytest.mark.parametrize("gap", [0, 1, 511, 512, 40_000])
@pytest.mark.parametrize("fill", [b"\0", b"\xff"])
def test_what_follows_in_one_file_is_a_part_of_its_own(gap: int, fill: bytes) -> None:
    head = struct.pack("<I8sII", 0xEA000016, b"eGON.BT0", 0, 8192)
    first = head.ljust(8192, b"\1")
    follows = b"\x27\x05\x19\x56" + bytes(60)
    facts = read_plain(first + fill * gap + follows)
    (part,) = facts.parts()
    assert part.offset == 8192 + gap // 512 * 512
    assert part.offset + part.size == 8192 + gap + 64
    assert list(read_plain(first + fill * gap).parts()) == []


def read_plain(data: bytes) -> FirstStage:
    reader = next(reader for reader in READERS if reader.name == "egon")
    facts = reader.read(View.of(data))
    assert isinstance(facts, FirstStage)
    return facts
