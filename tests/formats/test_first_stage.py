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
from imgaudit.formats.first_stage import READERS, FirstStage, rc4
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


Put = tuple[int, str, int]


def refused(reader: str, data: bytes, *puts: Put) -> tuple[int, str] | None:
    """Change fields; give where and why the reader refuses the image, None where it does not."""
    out = bytearray(data)
    for at, layout, value in puts:
        struct.pack_into("<" + layout, out, at, value)
    (chosen,) = (one for one in READERS if one.name == reader)
    try:
        chosen.read(View.of(bytes(out)))
    except FormatError as problem:
        return problem.offset, problem.why
    return None


EDGES: dict[str, list[tuple[list[Put], tuple[int, str] | None]]] = {
    "imx-ivt": [
        ([(0, "B", 0xD2)], (0, "no image vector table: its tag is 0xd1 with a length of 32")),
        (
            [(16, "I", 0x9067FF)],
            (16, "the boot data stand at 0x9067ff, the table itself at 0x906800"),
        ),
        (
            [(16, "I", 0x906800 + 4097)],
            (16, "the boot data stand at 0x907801, the table itself at 0x906800"),
        ),
        ([(32, "I", 0x906801)], (32, "36,864 bytes from 0x906801; the table is at 0x906800")),
        ([(32, "I", 0x906800)], None),
        ([(36, "I", 0x3FF)], (32, "1,023 bytes from 0x906400; the table is at 0x906800")),
        ([(36, "I", 0x400)], (12, "the device configuration stands at 0x90682c")),
        ([(12, "I", 0x906800)], (12, "the device configuration stands at 0x906800")),
        ([(12, "I", 0)], None),
    ],
    "egon": [
        ([(4, "B", 0)], (4, "no eGON.BT0")),
        ([(16, "I", 28)], (16, "a length of 28 bytes")),
        ([(16, "I", 30)], (16, "a length of 30 bytes")),
        ([(16, "I", 32)], None),
    ],
    "sunxi-toc0": [
        ([(8, "I", 0)], (0, "no TOC0.GLH with its number")),
        ([(28, "I", 44)], (24, "3 items in 44 bytes")),
        ([(28, "I", 0x8002)], (24, "3 items in 32,770 bytes")),
        ([(24, "I", 33)], (24, "33 items in 32,768 bytes")),
        ([(24, "I", 2)], (48, "no firmware inside among its items")),
        ([(28, "I", 0x840 + 30000)], None),
        ([(28, "I", 0x840 + 29996)], (48, "no firmware inside among its items")),
    ],
    "omap-image": [
        ([(0, "I", 508)], (0, "no configuration header CHSETTINGS")),
        ([(0, "I", 508), (508, "I", 0xC0C0C0C1)], None),
        ([(0, "I", 509), (509, "I", 0xC0C0C0C1)], (0, "no configuration header CHSETTINGS")),
        ([(512, "I", 7)], (512, "a size of 7 bytes")),
        ([(512, "I", 8)], None),
    ],
    "imx8-image": [
        ([(11, "B", 0)], (0, "a container of 160 bytes with 0 images")),
        ([(11, "B", 9)], (0, "a container of 160 bytes with 9 images")),
        ([(1, "H", 143)], (0, "a container of 143 bytes with 1 images")),
        ([(1, "H", 144)], None),
        ([(20, "I", 0)], (0, "no container with an image")),
        ([(3, "B", 0)], (0, "no container with an image")),
    ],
    "rockchip-idb   ": [
        ([(8, "H", 497)], (8, "2 images and a hash at 1,988")),
        ([(8, "H", 496)], None),
        ([(10, "H", 5)], (8, "5 images and a hash at 1,536")),
        ([(120, "I", 0)], (120, "no image follows")),
    ],
    "rockchip-idb": [
        ([(0, "I", 5)], (0, "no RKNS and no header that Rockchip's key opens")),
    ],
    "kwbimage": [
        ([(0, "B", 0)], (0, "no header for a boot from a device that is known (0x0)")),
        ([(8, "B", 2)], (0, "no header for a boot from a device that is known (0x5a)")),
        ([(4, "I", 3)], (0, "no header for a boot from a device that is known (0x5a)")),
        ([(4, "I", 4)], None),
        ([(10, "H", 31)], (9, "a header of 31 bytes")),
        ([(9, "B", 0x41)], (9, "a header of 4,259,872 bytes")),
        ([(12, "I", 30208 - 30004)], None),
        ([(12, "I", 30208 - 30003)], (12, "30,004 bytes from 0xcd, beyond the end")),
    ],
    "stm32-image": [([(0, "B", 0)], (0, "no STM2"))],
    "zynq-image": [([(0x20, "B", 0)], (0x20, "no width detection word 0xaa995566 and XNLX"))],
    "socfpga-image": [
        ([(0x40, "B", 0)], (0x40, "no validation word AS01 with version 0 or 1")),
        ([(0x44, "B", 2)], (0x40, "no validation word AS01 with version 0 or 1")),
        ([(0x46, "H", 31)], (0x46, "a length of 124 bytes")),
        ([(0x46, "H", 32)], None),
    ],
}


@pytest.mark.oracle
@pytest.mark.parametrize("name", EDGES)
def test_each_field_has_its_edge(name: str, tmp_path: Path) -> None:
    data = made(tmp_path, name)
    for puts, wanted in EDGES[name]:
        assert refused(name.strip(), data, *puts) == wanted, puts
    if name not in {"omap-image", "imx8-image", "kwbimage"}:
        return
    # Those have no magic of their own: they match only what reads.
    (reader,) = (one for one in READERS if one.name == name)
    for puts, wanted in EDGES[name]:
        out = bytearray(data)
        for at, layout, value in puts:
            struct.pack_into("<" + layout, out, at, value)
        assert wanted is None or reader.match(View.of(bytes(out))) == Match.NO, puts


@pytest.mark.oracle
def test_a_header_that_rockchips_key_opens_says_where_the_stage_is(tmp_path: Path) -> None:
    data = bytearray(made(tmp_path, "rockchip-idb"))
    for at, value, wanted in (
        (12, 0, (0, "a first stage of 60 sectors from sector 0")),
        (506, 0, (0, "a first stage of 0 sectors from sector 4")),
        (12, 4, None),
    ):
        head = bytearray(rc4(bytes(data[:512])))
        struct.pack_into("<H", head, at, value)
        out = rc4(bytes(head)) + data[512:]
        assert refused("rockchip-idb", out) == wanted


def first_stage(name: str, data: bytes | bytearray) -> FirstStage:
    (reader,) = (one for one in READERS if one.name == name)
    facts = reader.read(View.of(bytes(data)))
    assert isinstance(facts, FirstStage)
    return facts


@pytest.mark.oracle
def test_what_a_sum_covers_may_be_cut_or_too_much(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    egon = made(tmp_path, "egon")
    (cut,) = first_stage("egon", egon[:-1]).checksums
    assert (cut.matches, cut.why) == (None, "the data end before what it covers does")
    data = made(tmp_path, "stm32-image")
    size = 30_000
    assert first_stage("stm32-image", data[: 256 + size]).checksums[0].matches is True
    (cut,) = first_stage("stm32-image", data[: 256 + size - 1]).checksums
    assert (cut.matches, cut.why) == (None, "the data end before what it covers does")
    monkeypatch.setattr("imgaudit.formats.first_stage.MAX_SUMMED", size)
    assert first_stage("stm32-image", data).checksums[0].matches is True
    monkeypatch.setattr("imgaudit.formats.first_stage.MAX_SUMMED", size - 1)
    (large,) = first_stage("stm32-image", data).checksums
    assert (large.matches, large.why) == (None, "it covers more than 0 MiB")


@pytest.mark.oracle
def test_the_facts_are_told_in_a_line(tmp_path: Path) -> None:
    assert first_stage("egon", made(tmp_path, "egon")).summary() == "Allwinner, 32 KiB"
    stm32 = first_stage("stm32-image", made(tmp_path, "stm32-image"))
    assert stm32.summary() == "STM32MP, 29.3 KiB, to 0xc0100000"


@pytest.mark.oracle
def test_later_headers_have_their_payload_elsewhere(tmp_path: Path) -> None:
    """The payload behind 512 bytes of STM32's version 2; an image of RKNS that is left out."""
    data = bytearray(made(tmp_path, "stm32-image"))
    data[74] = 2
    facts = first_stage("stm32-image", data)
    assert (facts.version, facts.image_offset, facts.length) == ("2.0", 512, 30_512)
    rockchip = bytearray(made(tmp_path, "rockchip-idb   "))
    struct.pack_into("<H", rockchip, 10, 2)
    struct.pack_into("<HH", rockchip, 120 + 88, 4, 60)
    struct.pack_into("<I", rockchip, 120, 0)
    facts = first_stage("rockchip-idb", rockchip)
    assert (facts.image_offset, facts.image_size) == (2048, 30_720)
    assert [checksum.name for checksum in facts.checksums] == ["image 2", "header"]
    for flags, names in ((0, []), (0x11, ["image 2"]), (2, ["image 2", "header"])):
        struct.pack_into("<I", rockchip, 12, flags)
        found = first_stage("rockchip-idb", rockchip)
        assert [checksum.name for checksum in found.checksums] == names


@pytest.mark.oracle
def test_containers_stand_one_behind_the_other(tmp_path: Path) -> None:
    """A second one at 1 KiB; an image without bytes or a known hash is not summed."""
    data = bytearray(made(tmp_path, "imx8-image"))
    data[1024:1184] = data[:160]
    struct.pack_into("<I", data, 1024 + 16, 8192 - 1024)
    facts = first_stage("imx8-image", data)
    assert [(checksum.name, checksum.matches) for checksum in facts.checksums] == [
        ("image 0 of the container at 0x0", True),
        ("image 0 of the container at 0x400", True),
    ]
    four = bytearray(data)
    for at in (2048, 3072):
        four[at : at + 160] = data[:160]
        struct.pack_into("<I", four, at + 16, 8192 - at)
    assert [checksum.matches for checksum in first_stage("imx8-image", four).checksums] == [
        *(True for _ in range(4))
    ]
    (flags,) = struct.unpack_from("<I", data, 40)
    struct.pack_into("<I", data, 40, flags | 0x700)
    struct.pack_into("<I", data, 20, 0)
    facts = first_stage("imx8-image", data)
    assert [checksum.name for checksum in facts.checksums] == ["image 0 of the container at 0x400"]
    assert facts.image_offset == 8192
    # Its signature block stands behind the images, inside.
    for place, match in ((143, Match.NO), (144, Match.GOOD), (160, Match.GOOD), (161, Match.NO)):
        struct.pack_into("<H", data, 12, place)
        (reader,) = (one for one in READERS if one.name == "imx8-image")
        assert reader.match(View.of(bytes(data))) == match, place


@pytest.mark.oracle
@pytest.mark.parametrize(
    ("name", "lead", "fill"),
    [
        ("imx-ivt", 1, b"\xff"),
        ("imx-ivt", 33, b"\0"),
        ("egon", 8, b"\0"),
        ("rockchip-idb", 32, b"\0"),
    ],
)
def test_padding_in_front_is_passed_over(name: str, lead: int, fill: bytes, tmp_path: Path) -> None:
    """As the files for a whole chip have it, such as u-boot-with-spl.imx behind 1 KiB."""
    data = made(tmp_path, name)
    alone, moved = read(data), read(fill * lead * 1024 + data)
    assert (moved.at, moved.soc) == (lead * 1024, alone.soc)
    assert moved.length == (alone.length or 0) + lead * 1024
    assert [one.matches for one in moved.checksums] == [True] * len(alone.checksums)
    spoilt = fill * (lead * 1024 - 1) + b"\1" + data
    assert all(reader.name != name for _, reader in identify(View.of(spoilt)))


@pytest.mark.oracle
@pytest.mark.parametrize(("kind", "medium"), [("rksd", "mmc"), ("rkspi", "spi")])
def test_a_rockchip_header_counts_what_follows_it(kind: str, medium: str, tmp_path: Path) -> None:
    """TPL and SPL in one image, as the packaged idbloader.img has them."""
    (tmp_path / "tpl").write_bytes(STAGE)
    (tmp_path / "spl").write_bytes(filler("second", 50_000))
    image = tmp_path / "image"
    for files in (f"{tmp_path}/tpl:{tmp_path}/spl", str(tmp_path / "tpl")):
        assert not status("mkimage", "-n", "rk3399", "-T", kind, "-d", files, image)
        facts = read(image.read_bytes())
        assert facts.medium == medium
        assert facts.length == image.stat().st_size


def test_the_reader_of_what_follows_is_known_by_its_magic() -> None:
    first = struct.pack("<I8sII", 0xEA000016, b"eGON.BT0", 0, 8192).ljust(8192, b"\1")
    wanted = {b"\xd0\x0d\xfe\xed": "fit", b"\x27\x05\x19\x56": "uimage", b"tide": None}
    for magic, reader in wanted.items():
        (part,) = read_plain(first + magic + bytes(60)).parts()
        assert part.expects == reader
