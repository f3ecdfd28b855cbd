from __future__ import annotations

import random

import pytest

from imgaudit.rules.engine import Severity
from imgaudit.units import KIB, MIB
from tests._audits import audited, emmc, found, nor, one, unchecked

CHIP = "size: 1 MiB, erase-block: 64 KiB, image: nor.img"
ONE = "name: one, at: 0, size: 256 KiB, file: one.bin"
TWO = "name: two, at: 256 KiB, size: 256 KiB, file-at: 1 KiB, file: two.bin"
DICE = random.Random(7)
FIRST, SECOND = DICE.randbytes(70 * KIB), DICE.randbytes(50 * KIB)


def assembled() -> bytearray:
    image = bytearray(b"\xff" * MIB)
    image[: len(FIRST)] = FIRST
    image[257 * KIB : 257 * KIB + len(SECOND)] = SECOND
    return image


def files(image: bytearray) -> dict[str, bytes]:
    return {"one.bin": FIRST, "two.bin": SECOND, "nor.img": bytes(image)}


def names(image: bytearray, *regions: str) -> set[str]:
    result = audited(nor(*(regions or (ONE, TWO)), chip=CHIP), files(image))
    return {item.rule.name for item in result.findings}


def test_a_good_image_is_silent() -> None:
    assert names(assembled()) == set()


def test_one_wrong_byte() -> None:
    image = assembled()
    image[257 * KIB + 10] ^= 0x81
    finding = one("chip-image-differs", nor(ONE, TWO, chip=CHIP), files(image))
    assert (finding.region, finding.artifact, finding.chip) == ("two", "two.bin", "nor")
    assert (finding.offset, finding.length) == (257 * KIB + 10, 1)
    assert names(image) == {"chip-image-differs"}


def test_a_shift_is_told_once_and_where() -> None:
    image = assembled()
    image[257 * KIB : 258 * KIB + len(SECOND)] = b"\xff" * KIB + SECOND
    finding = one("chip-image-content-shifted", nor(ONE, TWO, chip=CHIP), files(image))
    assert (finding.values["found"], finding.values["wanted"], finding.values["distance"]) == (
        258 * KIB,
        257 * KIB,
        KIB,
    )
    assert names(image) == {"chip-image-content-shifted"}


def test_a_hole_is_told_as_such() -> None:
    image = assembled()
    image[257 * KIB + 4096 : 257 * KIB + 12288] = b"\xff" * 8192
    finding = one("chip-image-erased-hole", nor(ONE, TWO, chip=CHIP), files(image))
    assert (finding.offset, finding.length) == (257 * KIB + 4096, 8192)
    assert names(image) == {"chip-image-erased-hole"}


def test_data_behind_an_artifact() -> None:
    image = assembled()
    image[400 * KIB] = image[500 * KIB] = 0
    finding = one("chip-image-tail-not-erased", nor(ONE, TWO, chip=CHIP), files(image))
    assert finding.severity is Severity.WARNING
    assert (finding.offset, finding.length) == (399 * KIB, 8 * KIB)


def test_data_between_regions() -> None:
    image = assembled()
    image[600 * KIB : 604 * KIB] = bytes(4 * KIB)
    finding = one("chip-image-gap-not-erased", nor(ONE, TWO, chip=CHIP), files(image))
    assert (finding.chip, finding.region, finding.offset) == ("nor", None, 600 * KIB)


def test_halves_that_repeat() -> None:
    image = assembled()
    image[MIB // 2 :] = image[: MIB // 2]
    finding = one("chip-image-halves-repeat", nor(ONE, TWO, chip=CHIP), files(image))
    assert finding.offset == MIB // 2


def test_a_missing_image_is_not_checked() -> None:
    example = nor(ONE, chip=CHIP)
    why = "nor.img is not in the artifacts folder"
    assert unchecked("chip-image-differs", example, {"one.bin": FIRST}) == [("nor image", why)]


def test_a_short_image_leaves_regions_unchecked() -> None:
    image = assembled()[: 258 * KIB]
    assert {"chip-image-size"} <= names(image)
    assert "two" in {
        item.region for item in audited(nor(ONE, TWO, chip=CHIP), files(image)).findings
    }


@pytest.mark.parametrize("wrong", [False, True])
def test_an_emmc_image(wrong: bool) -> None:
    data = random.Random(8).randbytes(130 * KIB)
    image = bytearray(4 * MIB)
    image[MIB : MIB + len(data)] = data
    if wrong:
        image[MIB + 64 * KIB] ^= 1
    example = emmc(
        "name: root, at: 1 MiB, size: 1 MiB, file: root.bin", chip="sectors: 8192, image: emmc.img"
    )
    given = {"root.bin": data, "emmc.img": bytes(image)}
    findings = found("chip-image-differs", example, given)
    assert [(item.offset, item.length) for item in findings] == [(MIB + 64 * KIB, 64 * KIB)] * wrong
    assert not found("chip-image-gap-not-erased", example, given)
