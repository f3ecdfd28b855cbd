"""First stages that are cut, blank, joined wrongly or for another medium, and sound ones."""

from __future__ import annotations

import pytest

from imgaudit.rules import checks
from imgaudit.rules.built import subject_of
from imgaudit.rules.engine import Example, Finding
from imgaudit.rules.examples import emmc, nor
from imgaudit.rules.first_stage import _egon, _idb, _ivt, _joined
from imgaudit.tasks import audit
from imgaudit.units import KIB


def findings(name: str, example: Example) -> list[Finding]:
    return list(audit.run(subject_of(example), only=[checks()[name]]).findings)


def there(data: bytes, *, holds: str, at: int = 0, file: str = "spl.bin") -> Example:
    region = f"name: spl, at: {at} KiB, size: 128 KiB, holds: {holds}, file: {file}"
    return nor(region, files={file: lambda: data})


@pytest.mark.parametrize(("missing", "told"), [(0, 0), (1, 1), (4 * KIB, 1)])
def test_an_egon_ends_where_its_header_says(missing: int, told: int) -> None:
    data = _egon()[: 8 * KIB - missing]
    assert len(findings("first-stage-cut", there(data, holds="egon"))) == told


@pytest.mark.parametrize(("missing", "told"), [(0, 0), (4095, 0), (4096, 1)])
def test_an_imx_counts_in_pages(missing: int, told: int) -> None:
    """tools/imximage.c rounds the size up to 4 KiB and leaves the file as it is."""
    data = _ivt(b"\x5a" * 8 * KIB)
    example = there(data[: len(data) - missing], holds="imx-ivt")
    assert len(findings("first-stage-cut", example)) == told


@pytest.mark.parametrize("fill", [b"\0", b"\xff"])
def test_an_entry_without_code_is_told(fill: bytes) -> None:
    for length, told in ((63, 0), (64, 1)):
        body = fill * length + b"\x5a" * KIB
        assert len(findings("first-stage-blank", there(_ivt(body), holds="imx-ivt"))) == told


@pytest.mark.parametrize(("lead", "told"), [(0, 1), (1, 0), (4, 1)])
def test_a_vector_table_lies_where_its_addresses_say(lead: int, told: int) -> None:
    """Built for 1 KiB from the start (own address 0x907400, boot data from 0x907000)."""
    data = b"\xff" * lead * KIB + _ivt(b"\x5a" * KIB, distance=KIB)
    assert len(findings("first-stage-misplaced", there(data, holds="imx-ivt"))) == told


@pytest.mark.parametrize(("at", "told"), [(0, 0), (64, 1)])
def test_an_allwinner_rom_reads_a_nor_from_its_start(at: int, told: int) -> None:
    assert len(findings("first-stage-misplaced", there(_egon(), holds="egon", at=at))) == told


@pytest.mark.parametrize(("kib", "told"), [(31, 1), (32, 0), (33, 1)])
def test_spl_looks_at_32_kib(kib: int, told: int) -> None:
    assert len(findings("u-boot-not-behind-its-spl", there(_joined(kib), holds="egon"))) == told


@pytest.mark.parametrize("spread", [True, False])
def test_a_rockchip_image_is_for_one_medium(spread: bool) -> None:
    region = "name: spl, at: {} KiB, size: 64 KiB, holds: rockchip-idb, file: spl.bin"
    files = {"spl.bin": lambda: _idb(spread=spread)}
    on_nor, on_emmc = nor(region.format(0), files=files), emmc(region.format(32), files=files)
    assert bool(findings("first-stage-for-another-medium", on_nor)) is not spread
    assert bool(findings("first-stage-for-another-medium", on_emmc)) is spread


@pytest.mark.parametrize(
    ("at", "flip", "found"),
    [
        (8, 0, []),
        (8, 1, ["first-stage-checksum", "first-stage-misplaced"]),
        (64, 0, ["first-stage-misplaced", "first-stage-misplaced"]),
    ],
)
def test_a_further_copy_may_be_anywhere(at: int, flip: int, found: list[str]) -> None:
    """Boot ROMs look for copies further on, too: Rockchip's each 512 KiB (from memory)."""
    region = "name: {}, at: {} KiB, size: 64 KiB, holds: egon, file: {}"
    example = emmc(
        region.format("first", at, "one"),
        region.format("copy", 544, "two"),
        chip="sectors: 65536",
        files={"one": lambda: _egon(flip), "two": _egon},
    )
    only = [checks()[name] for name in ("first-stage-checksum", "first-stage-misplaced")]
    told = [item.rule.name for item in audit.run(subject_of(example), only=only).findings]
    assert sorted(told) == found
