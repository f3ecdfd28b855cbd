from __future__ import annotations

import hashlib
import random
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.contents.comparison import ChipImage, Comparison
from imgaudit.contents.reader import Loader
from imgaudit.contents.tree import BLOCK
from imgaudit.units import KIB, MIB, Span
from tests._audits import build, emmc, nor

CHIP = "size: 1 MiB, erase-block: 64 KiB, image: nor.img"
ONE = "name: one, at: 0, size: 256 KiB, file: one.bin"
TWO = "name: two, at: 256 KiB, size: 256 KiB, file-at: 1 KiB, file: two.bin"


def noise(size: int, seed: int = 1) -> bytes:
    return random.Random(seed).randbytes(size)


FIRST, SECOND = noise(70 * KIB, 1), noise(50 * KIB, 2)


def assembled() -> bytearray:
    image = bytearray(b"\xff" * MIB)
    image[: len(FIRST)] = FIRST
    image[257 * KIB : 257 * KIB + len(SECOND)] = SECOND
    return image


def compared(image: bytes | bytearray, first: bytes = FIRST, second: bytes = SECOND) -> ChipImage:
    files = {"one.bin": first, "two.bin": second, "nor.img": bytes(image)}
    (found,) = build(nor(ONE, TWO, chip=CHIP), files).images
    return found


def two(image: bytes | bytearray, second: bytes = SECOND) -> Comparison:
    return compared(image, second=second).comparisons[1]


def test_the_image_holds_its_artifacts() -> None:
    found = compared(assembled())
    assert found.size == MIB
    assert [item.differing for item in found.comparisons] == [0, 0]
    assert [item.size for item in found.comparisons] == [70 * KIB, 50 * KIB]
    assert [item.tail for item in found.comparisons] == [(), ()]
    assert found.gaps == ()
    assert found.period is None


@given(st.sets(st.integers(0, len(SECOND) - 1), min_size=1, max_size=20), st.integers(1, 255))
def test_differing_bytes_are_counted(places: set[int], flip: int) -> None:
    image = assembled()
    for at in places:
        image[257 * KIB + at] ^= flip
    found = two(image)
    assert found.differing == len(places)
    assert found.first == KIB + min(places)
    assert found.exact


@pytest.mark.parametrize("distance", [-64, 64, 4096, -300])
def test_shifted(distance: int) -> None:
    image = bytearray(b"\xff" * MIB)
    image[257 * KIB + distance : 257 * KIB + distance + len(SECOND)] = SECOND
    assert two(image).shifted == distance


def test_not_shifted_where_another_region_holds_the_same() -> None:
    image = assembled()
    image[257 * KIB : 257 * KIB + len(SECOND)] = b"\xff" * len(SECOND)
    found = compared(image, second=FIRST[: len(SECOND)]).comparisons[1]
    assert found.differing
    assert found.shifted is None


def test_not_shifted_where_only_the_start_stands_elsewhere() -> None:
    image = bytearray(b"\xff" * MIB)
    image[800 * KIB : 800 * KIB + 64] = SECOND[:64]
    assert two(image).shifted is None


@pytest.mark.parametrize("start", [b"\0" * 64, b"tide", b"\xff" * 32 + b"\0" * 32])
def test_a_start_that_says_nothing_is_not_searched(start: bytes) -> None:
    image = bytearray(b"\xff" * MIB)
    image[700 * KIB : 700 * KIB + len(start)] = start
    assert two(image, second=start).shifted is None


@pytest.mark.parametrize("group", [2, 4])
def test_swapped(group: int) -> None:
    image = assembled()
    turned = b"".join(SECOND[at : at + group][::-1] for at in range(0, len(SECOND), group))
    image[257 * KIB : 257 * KIB + len(SECOND)] = turned
    assert two(image).swapped == group
    image[257 * KIB] ^= 1
    assert two(image).swapped is None


def test_holes() -> None:
    image = assembled()
    image[257 * KIB + 8192 : 257 * KIB + 20480] = b"\xff" * 12288
    image[257 * KIB + 45056 : 257 * KIB + 50000] = b"\xff" * 4944
    found = two(image)
    assert found.holes == (Span(9216, 21504), Span(46080, 51024))
    assert found.only_holes


def test_holes_are_counted_to_a_limit() -> None:
    data = noise(256 * 4096)
    image = bytearray(data)
    for at in range(0, len(image), 8192):
        image[at : at + 4096] = b"\xff" * 4096
    (found,) = build(
        nor("name: one, at: 0, size: 1 MiB, file: one.bin", chip=CHIP),
        {"one.bin": data, "nor.img": bytes(image)},
    ).images
    assert len(found.comparisons[0].holes) == 64


def test_what_another_region_should_hold() -> None:
    image = assembled()
    image[257 * KIB : 257 * KIB + len(FIRST)] = FIRST
    assert two(image).holds == "one"


def test_data_behind_an_artifact_and_between_regions() -> None:
    image = assembled()
    image[400 * KIB] = 0
    image[408 * KIB] = 0
    image[700 * KIB : 706 * KIB] = bytes(6 * KIB)
    image[-1] = 0
    found = compared(image)
    assert found.comparisons[1].tail == (
        Span(143 * KIB, 147 * KIB),
        Span(151 * KIB, 155 * KIB),
    )
    assert found.gaps == (Span(700 * KIB, 708 * KIB), Span(1020 * KIB, MIB))


def test_a_gap_before_and_between() -> None:
    image = bytearray(MIB)
    (found,) = build(
        nor(
            "name: one, at: 64 KiB, size: 64 KiB",
            "name: two, at: 96 KiB, size: 64 KiB",
            "name: three, at: 960 KiB, size: 128 KiB",
            chip=CHIP,
        ),
        {"nor.img": bytes(image)},
    ).images
    assert found.gaps == (Span(0, 64 * KIB), Span(160 * KIB, 960 * KIB))


def test_a_short_image() -> None:
    found = compared(assembled()[: 280 * KIB])
    assert found.size == 280 * KIB
    assert found.comparisons[0].differing == 0
    assert found.comparisons[1].why == "the image ends at 0x46000"


def test_repeated_halves() -> None:
    image = assembled()
    image[MIB // 2 :] = image[: MIB // 2]
    assert compared(image).period == MIB // 2
    assert compared(b"\xff" * MIB).period is None
    assert compared(b"abab").period is None


def test_only_what_fits_the_region_is_compared() -> None:
    long = noise(300 * KIB, 3)
    image = assembled()
    image[257 * KIB : 512 * KIB] = long[: 255 * KIB]
    found = two(image, second=long)
    assert (found.size, found.differing) == (255 * KIB, 0)


def test_a_compressed_image() -> None:
    import gzip

    found = compared(gzip.compress(assembled(), 1))
    assert found.size == MIB
    assert [item.differing for item in found.comparisons] == [0, 0]


def test_an_empty_compressed_image() -> None:
    import gzip

    found = compared(gzip.compress(b""))
    assert found.size == 0
    assert all("not kept in memory" in item.why for item in found.comparisons)


def test_an_image_that_starts_with_a_compressed_kernel() -> None:
    import gzip

    kernel = gzip.compress(noise(60 * KIB, 4))
    image = assembled()
    image[: len(FIRST)] = kernel + b"\xff" * (len(FIRST) - len(kernel))
    given = {"one.bin": kernel, "two.bin": SECOND, "nor.img": bytes(image)}
    (found,) = build(nor(ONE + ", holds: gzip", TWO, chip=CHIP), given).images
    assert found.size == MIB
    assert [item.differing for item in found.comparisons] == [0, 0]


EMMC = "sectors: 8192, image: emmc.img"
ROOT = "name: root, at: 1 MiB, size: 1 MiB, file: root.bin"


def blocks(region: str, data: bytes, image: bytes) -> Comparison:
    files = {"root.bin": data, "emmc.img": image}
    (found,) = build(emmc(region, chip=EMMC), files).images
    return found.comparisons[0]


def test_an_emmc_is_compared_in_blocks() -> None:
    data = noise(3 * BLOCK + 100, 5)
    image = bytearray(4 * MIB)
    image[MIB : MIB + len(data)] = data
    same = blocks(ROOT, data, bytes(image))
    assert (same.size, same.differing, same.first, same.exact) == (3 * BLOCK, 0, None, False)
    image[MIB + BLOCK + 5] ^= 1
    wrong = blocks(ROOT, data, bytes(image))
    assert (wrong.differing, wrong.first) == (BLOCK, BLOCK)


def test_a_hole_and_zeros_are_the_same() -> None:
    data = noise(BLOCK, 6) + bytes(BLOCK) + noise(BLOCK, 7)
    image = bytearray(4 * MIB)
    image[MIB : MIB + len(data)] = data
    assert blocks(ROOT, data, bytes(image)).differing == 0
    image[MIB + BLOCK] = 1
    assert blocks(ROOT, data, bytes(image)).first == BLOCK


@pytest.mark.parametrize(
    ("region", "data", "why"),
    [
        (ROOT, noise(100), "less than one block of 64 KiB"),
        ("name: root, at: 3 MiB, size: 2 MiB, file: root.bin", noise(2 * MIB), "ends at 0x400000"),
    ],
)
def test_what_cannot_be_compared_in_blocks(region: str, data: bytes, why: str) -> None:
    found = blocks(region, data, bytes(4 * MIB))
    assert why in found.why
    assert found.size == 0


def test_without_digests_nothing_is_compared() -> None:
    from imgaudit.contents.chips import compare_chip
    from imgaudit.layout.load import parse

    layout = parse(emmc(ROOT, chip=EMMC).layout.encode(), "f")
    with Loader() as loader:
        data = loader.memory("root.bin", noise(BLOCK))
        image = loader.memory("emmc.img", bytes(4 * MIB), blocks=True)
    chip, region = layout.chips["emmc"], layout.region("root")
    found = compare_chip(chip, image, [region], [(region, data.content)])
    assert found.comparisons[0].why == "no block digests were taken"


def test_what_was_not_kept_is_not_compared() -> None:
    from imgaudit.contents.chips import compare_chip
    from imgaudit.layout.load import parse

    layout = parse(nor(ONE, chip=CHIP).layout.encode(), "f")
    with Loader() as loader:
        data = loader.memory("one.bin", FIRST)
        image = loader.memory("nor.img", bytes(assembled()))
    chip, region = layout.chips["nor"], layout.region("one")
    gone = replace(data.content, view=None)
    found = compare_chip(chip, image, [region], [(region, gone)])
    assert "too large to be kept" in found.comparisons[0].why
    whole = replace(image, content=replace(image.content, view=None))
    found = compare_chip(chip, whole, [region], [(region, data.content)])
    assert "not kept in memory" in found.comparisons[0].why


def test_the_published_digest_of_erased_flash() -> None:
    # Linux Documentation/driver-api/mtd/spi-nor.rst: 2 MiB after an erase.
    with Loader() as loader:
        erased = loader.memory("erased", b"\xff" * (2 * MIB))
    published = "4bda3a28f4ffe603c0ec1258c0034d65a1a0d35ab7bd523a834608adabf03cc5"
    assert erased.sha256 == hashlib.sha256(b"\xff" * (2 * MIB)).hexdigest() == published
    assert erased.blank == 0xFF


@pytest.mark.parametrize(
    ("end", "why"),
    [
        (8 * KIB + 1, "the image ends at 0x2001"),
        (48 * KIB - 1, "the image ends at 0xbfff"),
        (48 * KIB, ""),
        (64 * KIB, ""),
    ],
)
def test_a_loader_off_the_blocks_is_compared_by_its_bytes(end: int, why: str) -> None:
    """A boot ROM reads it at 8 KiB of the card, where no block of 64 KiB begins."""
    loader = noise(40 * KIB, 9)
    region = "name: root, at: 8 KiB, size: 64 KiB, file: root.bin"
    image = (bytes(8 * KIB) + loader + bytes(MIB))[:end]
    same = blocks(region, loader, image)
    assert (same.why, same.cut, same.differing) == (why, bool(why), 0)
    if not why:
        spoilt = bytearray(image)
        for place in (8 * KIB + 5, 48 * KIB - 1, *range(48 * KIB, end)):  # what follows is not its
            spoilt[place] ^= 0xFF
        wrong = blocks(region, loader, bytes(spoilt))
        assert (wrong.size, wrong.differing, wrong.first) == (40 * KIB, 2, 5)
