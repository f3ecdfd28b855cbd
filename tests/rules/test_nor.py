from __future__ import annotations

import pytest

from imgaudit.rules.engine import Example, Severity
from imgaudit.rules.geometry.nor import protectable
from imgaudit.units import KIB, MIB, Span
from tests._audits import found, nor, one, unchecked

UNEVEN = "size: 1 MiB, erase-map: [{count: 16, size: 4 KiB}, {count: 15, size: 64 KiB}]"
ENV = "holds: uboot-env, writer: runtime"


# Linux drivers/mtd/spi-nor/swp.c, spi_nor_get_min_prot_length_sr: the unit is the sector of 64 KiB,
# doubled for each power of two that the block-protect bits are short of.
@pytest.mark.parametrize(
    ("size", "bits", "unit"),
    [
        (16 * MIB, 3, 256 * KIB),
        (8 * MIB, 3, 128 * KIB),
        (32 * MIB, 3, 512 * KIB),
        (64 * MIB, 4, 64 * KIB),
        (4 * MIB, 3, 64 * KIB),
        (2 * MIB, 3, 64 * KIB),
        (16 * MIB, 2, 4 * MIB),
        (16 * MIB, 1, 16 * MIB),
    ],
)
def test_block_protect_unit(size: int, bits: int, unit: int) -> None:
    lengths = protectable(size, bits)
    assert lengths[:2] == [0, unit]
    assert lengths[-1] == size
    assert all(length == size or length.bit_count() == 1 for length in lengths[1:])
    assert len(lengths) <= 1 << bits


def test_block_protect_lengths() -> None:
    steps = [256 * KIB << step for step in range(7)]
    assert protectable(16 * MIB, 3) == [0, *steps]
    assert protectable(16 * MIB, 2) == [0, 4 * MIB, 8 * MIB, 16 * MIB]
    # Six lengths and the whole: 16 MiB of a 24 MiB flash cannot be told.
    assert protectable(24 * MIB, 3) == [0, *steps[:6], 24 * MIB]


# Linux-mtd, from memory: a thread locks 16 sectors at 0x3f00000 and leaves 2 at 0 of 64 MiB.
@pytest.mark.parametrize("covers", [16 * 64 * KIB, 2 * 64 * KIB])
def test_block_protect_lengths_that_were_set(covers: int) -> None:
    assert covers in protectable(64 * MIB, 4)


def protect(covers: str, end: str = "bottom", *regions: str) -> Example:
    bits = f"block-protect: {{bits: 3, end: {end}, covers: {covers}}}"
    return nor(*regions, chip=f"size: 16 MiB, erase-block: 64 KiB, {bits}")


def test_block_protect_names_the_nearest() -> None:
    finding = one("block-protect-not-expressible", protect("768 KiB"))
    assert (finding.values["below"], finding.values["above"]) == (512 * KIB, MIB)
    assert finding.where is not None
    assert finding.where.line == 5
    assert found("block-protect-not-expressible", protect("0")) == []
    assert found("block-protect-not-expressible", protect("16 MiB")) == []
    beyond = one("block-protect-not-expressible", protect("17 MiB"))
    assert (beyond.values["below"], beyond.values["above"]) == (16 * MIB, 16 * MIB)


@pytest.mark.parametrize(
    ("end", "at", "locked"),
    [
        ("bottom", "0xf0000", 64 * KIB),
        ("bottom", "0x100000", 0),
        ("top", "0xf00000", 64 * KIB),
        ("top", "0xef0000", 0),
    ],
)
def test_block_protect_covers(end: str, at: str, locked: int) -> None:
    region = f"name: env, at: {at}, size: 64 KiB, writer: runtime"
    findings = found("block-protect-covers-written-region", protect("1 MiB", end, region))
    assert [item.length for item in findings] == [locked] * bool(locked)


def test_no_more_is_locked_than_the_chip_has() -> None:
    region = "name: env, at: 0, size: 64 KiB, writer: runtime"
    finding = one("block-protect-covers-written-region", protect("17 MiB", "top", region))
    assert (finding.offset, finding.length) == (0, 64 * KIB)


@pytest.mark.parametrize(
    ("covers", "end", "span", "holds", "finds"),
    [
        ("1 MiB", "bottom", Span.sized(0, 64 * KIB), "fip", 0),
        ("1 MiB", "top", Span.sized(0, 64 * KIB), "fip", 1),
        ("1 MiB", "bottom", Span.sized(MIB, 64 * KIB), "kwbimage", 1),
        ("1 MiB", "bottom", Span.sized(MIB - 1, 64 * KIB), "kwbimage", 0),
        ("1 MiB", "top", Span.sized(15 * MIB - 64 * KIB, 64 * KIB), "fip", 1),
        ("1 MiB", "top", Span.sized(15 * MIB - 64 * KIB, 64 * KIB + 1), "fip", 0),
        ("1 MiB", "top", Span.sized(0, 64 * KIB), "raw", 0),
        ("0", "top", Span.sized(0, 64 * KIB), "fip", 0),
    ],
)
def test_what_is_locked_reaches_the_boot_loader(
    covers: str, end: str, span: Span, holds: str, finds: int
) -> None:
    region = f"name: loader, at: {span.start}, size: {span.size}, holds: {holds}"
    example = protect(covers, end, region, "name: log, at: 4 MiB, size: 1 MiB, writer: runtime")
    assert len(found("block-protect-misses-boot-loader", example)) == finds


@pytest.mark.parametrize(
    ("at", "size", "lost"),
    [
        (0xFFFF, 0x10001, 1),
        (0x10000, 0x10000, None),
        (0x2000, 0x2000, None),
        (0x2000, 0x2001, 1),
        (0x4000, 1, 1),
    ],
)
def test_a_neighbour_in_the_environment_s_block(at: int, size: int, lost: int | None) -> None:
    example = nor(
        f"name: env, at: 0, size: 0x4000, {ENV}, env: {{size: 16 KiB}}",
        f"name: log, at: {at}, size: {size}, writer: runtime",
    )
    findings = found("environment-rewrites-neighbour", example)
    assert [item.length for item in findings] == [lost] * (lost is not None)


def test_block_protect_may_cover_what_the_board_does_not_write() -> None:
    for writer in ("factory", "release"):
        region = f"name: loader, at: 0, size: 64 KiB, writer: {writer}"
        assert (
            found("block-protect-covers-written-region", protect("1 MiB", "bottom", region)) == []
        )


@pytest.mark.parametrize(("at", "block"), [("0x1800", 0x1000), ("0x18000", 0x10000)])
def test_region_start_in_an_uneven_map(at: str, block: int) -> None:
    finding = one(
        "region-start-not-erase-aligned", nor(f"name: r, at: {at}, size: 4 KiB", chip=UNEVEN)
    )
    assert finding.values["block"] == block
    assert finding.fix.startswith("Start r on an erase block.")
    assert finding.severity is Severity.ERROR


@pytest.mark.parametrize("at", ["0", "0x1000", "0xf000", "0x10000", "0xf0000"])
def test_region_start_on_a_block(at: str) -> None:
    assert not found(
        "region-start-not-erase-aligned", nor(f"name: r, at: {at}, size: 1", chip=UNEVEN)
    )


def test_what_the_factory_writes_once_may_start_anywhere() -> None:
    region = "name: r, at: 0x800, size: 0x800, writer: factory"
    assert one("region-start-not-erase-aligned", nor(region)).severity is Severity.WARNING


def test_region_end() -> None:
    alone = "name: one, at: 0, size: 0x18000"
    finding = one("region-end-not-erase-aligned", nor(alone))
    assert (finding.severity, finding.offset, finding.length) == (Severity.WARNING, 0x18000, 0x8000)
    neighbour = "name: two, at: 0x1f000, size: 0x1000"
    assert (
        found("region-end-not-erase-aligned", nor(alone, neighbour))[0].severity is Severity.ERROR
    )
    apart = "name: two, at: 0x20000, size: 0x10000"
    assert one("region-end-not-erase-aligned", nor(alone, apart)).severity is Severity.WARNING
    assert not found("region-end-not-erase-aligned", nor("name: one, at: 0, size: 1 MiB"))
    # Past the chip's end is another finding.
    assert not found("region-end-not-erase-aligned", nor("name: one, at: 0, size: 0x108000"))


def test_erase_block_shared() -> None:
    one_writer = nor("name: a, at: 0, size: 0x8000", "name: b, at: 0x8000, size: 0x8000")
    assert not found("erase-block-shared", one_writer)
    overlapping = nor(
        "name: a, at: 0, size: 0x9000, writer: runtime", "name: b, at: 0x8000, size: 0x8000"
    )
    assert not found("erase-block-shared", overlapping)
    apart = nor(
        "name: a, at: 0, size: 0x1000, writer: runtime",
        "name: b, at: 0xf000, size: 0x21000",
    )
    finding = one("erase-block-shared", apart)
    assert (finding.values["block"], finding.values["erase"], finding.values["next"]) == (
        0,
        64 * KIB,
        0x10000,
    )


def test_environment_alignment_and_neighbours() -> None:
    inside = nor(f"name: env, at: 0x8000, size: 0x8000, {ENV}, env: {{size: 16 KiB}}")
    assert one("environment-not-erase-aligned", inside).length == 0x8000
    behind = nor(
        f"name: env, at: 0, size: 0x4000, {ENV}, env: {{size: 16 KiB}}",
        "name: log, at: 0xf000, size: 0x11000, writer: runtime",
    )
    finding = one("environment-rewrites-neighbour", behind)
    assert (finding.severity, finding.offset, finding.length) == (Severity.WARNING, 0xF000, 0x1000)
    exact = nor(
        f"name: env, at: 0, size: 64 KiB, {ENV}, env: {{size: 64 KiB}}",
        "name: log, at: 0x10000, size: 0x10000",
    )
    assert not found("environment-rewrites-neighbour", exact)
    assert not found("environment-wipes-what-follows", exact)


def test_environment_wipes_only_to_its_last_block() -> None:
    example = nor(
        f"name: env, at: 0, size: 0x18000, {ENV}, env: {{size: 96 KiB}}",
        "name: log, at: 0x1c000, size: 0x20000",
    )
    finding = one("environment-wipes-what-follows", example)
    assert (finding.values["erased"], finding.values["lost"]) == (128 * KIB, 0x4000)
    assert finding.values["next"] == 0x20000


def test_an_environment_of_one_block_takes_its_neighbour_along_by_where_it_starts_alone() -> None:
    """U-Boot restores, or erases more, only where block and environment differ in size."""
    example = nor(
        f"name: env, at: 0x8000, size: 0x10000, {ENV}, env: {{size: 64 KiB}}",
        "name: log, at: 0x18000, size: 0x8000, writer: runtime",
    )
    assert not found("environment-rewrites-neighbour", example)
    assert not found("environment-wipes-what-follows", example)
    assert one("environment-not-erase-aligned", example).offset == 0x8000


@pytest.mark.parametrize("at", ["0", "0xc000"])
def test_copies_that_name_each_other_are_told_once(at: str) -> None:
    example = nor(
        f"name: b, at: {at}, size: 0x4000, {ENV}, env: {{size: 16 KiB, copy: a}}",
        f"name: a, at: 0, size: 0x4000, {ENV}, env: {{size: 16 KiB, copy: b}}",
    )
    finding = one("environment-copies-share-erase-block", example)
    assert (finding.region, finding.values["copy"]) == ("a", "b")


def test_environment_copies() -> None:
    def pair(copy_at: str) -> Example:
        return nor(
            f"name: a, at: 0, size: 0x4000, {ENV}, env: {{size: 16 KiB, copy: b}}",
            f"name: b, at: {copy_at}, size: 0x4000, {ENV}, env: {{size: 16 KiB}}",
        )

    assert one("environment-copies-share-erase-block", pair("0xc000")).values["next"] == 0x10000
    assert not found("environment-copies-share-erase-block", pair("0x10000"))
    assert not found("environment-has-no-copy", pair("0x10000"))


def test_an_environment_that_only_a_release_writes_needs_no_copy() -> None:
    region = "name: env, at: 0, size: 64 KiB, holds: uboot-env"
    assert not found("environment-has-no-copy", nor(region))
    assert one("environment-has-no-copy", nor(region + ", writer: runtime")).region == "env"


@pytest.mark.parametrize(
    ("at", "size", "offset"),
    [("15 MiB", "1 MiB", None), ("15 MiB", "0x100001", 16 * MIB), ("17 MiB", "1 MiB", 17 * MIB)],
)
def test_three_byte_window(at: str, size: str, offset: int | None) -> None:
    chip = "size: 32 MiB, erase-block: 64 KiB, address-bytes: 3"
    findings = found(
        "region-above-three-byte-window", nor(f"name: r, at: {at}, size: {size}", chip=chip)
    )
    assert [item.offset for item in findings] == [offset] * (offset is not None)


def test_the_window_depends_on_the_address_bytes() -> None:
    region = "name: r, at: 17 MiB, size: 1 MiB"
    rule = "region-above-three-byte-window"
    four = nor(region, chip="size: 32 MiB, erase-block: 64 KiB, address-bytes: 4")
    assert not found(rule, four)
    unsaid = nor(region, chip="size: 32 MiB, erase-block: 64 KiB")
    assert not found(rule, unsaid)
    assert unchecked(rule, unsaid) == [("nor", "the layout does not say the chip's address-bytes")]
    assert not unchecked(rule, nor("name: r, at: 0, size: 1 MiB"))


@pytest.mark.parametrize(
    ("mode", "pin", "size", "says"),
    [
        ("stateful", "not-wired", "32 MiB", "found"),
        ("stateful", "wired", "32 MiB", ""),
        ("opcodes", "not-wired", "32 MiB", ""),
        ("stateful", "not-wired", "16 MiB", ""),
        ("stateful", "not-wired", "[16 MiB, 32 MiB]", "found"),
        ("", "not-wired", "32 MiB", "unchecked"),
        ("stateful", "", "32 MiB", "unchecked"),
        ("", "wired", "32 MiB", ""),
        ("", "", "32 MiB", "unchecked"),
    ],
)
def test_warm_reset(mode: str, pin: str, size: str, says: str) -> None:
    chip = f"size: {size}, erase-block: 64 KiB"
    chip += f", four-byte-mode: {mode}" if mode else ""
    chip += f", reset-pin: {pin}" if pin else ""
    example = nor(chip=chip)
    assert bool(found("warm-reset-loses-flash", example)) == (says == "found")
    assert bool(unchecked("warm-reset-loses-flash", example)) == (says == "unchecked")


@pytest.mark.parametrize(
    ("size", "severity"),
    [(MIB - 1, Severity.WARNING), (MIB, None), (MIB + 1, Severity.ERROR)],
)
def test_chip_image_size(size: int, severity: Severity | None) -> None:
    example = nor(chip="size: 1 MiB, erase-block: 64 KiB, image: nor.img")
    findings = found("chip-image-size", example, {"nor.img": b"\xff" * size})
    assert [item.severity for item in findings] == ([severity] if severity else [])
    assert all(item.length == 1 for item in findings)
