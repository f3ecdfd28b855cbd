"""Boot programs that are not where, what or whose they should be, and sound ones."""

from __future__ import annotations

import pytest

from imgaudit.rules import checks
from imgaudit.rules import samples as sample
from imgaudit.rules.built import subject_of
from imgaudit.rules.engine import Example, Finding, NotChecked, Severity
from imgaudit.rules.examples import nor
from imgaudit.rules.firmware import _MONITOR, _OTHER, _SOUND, _TREE, _package, u_boot
from imgaudit.tasks import audit


def findings(name: str, example: Example) -> list[Finding]:
    return list(audit.run(subject_of(example), only=[checks()[name]]).findings)


@pytest.mark.parametrize(
    ("config", "severity"),
    [
        ("CONFIG_OF_SEPARATE=y\n", Severity.ERROR),
        ("", Severity.WARNING),
        ("CONFIG_OF_SEPARATE=y\nCONFIG_OF_BOARD=y\n", None),
        ("CONFIG_OF_HAS_PRIOR_STAGE=y\n", None),
        ("CONFIG_OF_EMBED=y\n", None),
    ],
)
def test_a_missing_tree_is_judged_by_the_configuration(
    config: str, severity: Severity | None
) -> None:
    found = findings(
        "u-boot-without-device-tree",
        _package({"BL31": _MONITOR, "BL33": u_boot()}, config=config),
    )
    assert [finding.severity for finding in found] == ([] if severity is None else [severity])


@pytest.mark.parametrize(
    ("compatible", "severity"),
    [
        (["example,gauge", "example,other"], None),
        (["example,buoy", "example,soc"], Severity.WARNING),
        (["example,buoy", "example,other"], Severity.ERROR),
    ],
)
def test_boards_are_told_apart_by_compatible(
    compatible: list[str], severity: Severity | None
) -> None:
    tree = sample.board_tree({"compatible": compatible})
    found = findings(
        "u-boot-for-another-board", _package({"BL31": _MONITOR, "BL33": u_boot(tree=tree)})
    )
    assert [finding.severity for finding in found] == ([] if severity is None else [severity])


def test_the_tree_of_a_first_stage_is_no_word_of_the_board() -> None:
    example = nor(
        "name: spl, at: 0, size: 64 KiB, holds: raw, file: spl.bin",
        "name: u-boot, at: 64 KiB, size: 64 KiB, holds: raw, file: u-boot.bin",
        rest="written-elsewhere: {device-tree: board.dtb}\n",
        files={
            "spl.bin": lambda: u_boot(tree=_OTHER, first="SPL "),
            "u-boot.bin": lambda: u_boot(tree=_OTHER),
            "board.dtb": lambda: _TREE,
        },
    )
    assert [item.severity for item in findings("u-boot-for-another-board", example)] == [
        Severity.ERROR
    ]


def test_exchanged_programs_point_at_their_banners() -> None:
    example = _package({"BL31": u_boot(tree=_TREE), "BL33": _MONITOR})
    data = example.files["fip.bin"]()
    (finding,) = findings("boot-program-in-wrong-place", example)
    assert data[finding.offset or 0 :].startswith(b"U-Boot 2026.07")
    assert "BL31 says that it is U-Boot" in finding.message
    assert "BL33 says that it is Trusted Firmware-A BL31" in finding.message


def test_a_fit_names_its_programs_too() -> None:
    def fit(system: str) -> Example:
        return Example(
            "layout: 1\nboard: example\narch: arm64\n"
            "chips: {nor: {kind: spi-nor, size: 1 MiB, erase-block: 64 KiB}}\nregions:\n"
            "  - {name: u-boot, chip: nor, at: 0, size: 128 KiB, holds: fit, file: u-boot.itb,"
            " writer: release}\n",
            {
                "u-boot.itb": lambda: sample.fit(
                    {
                        "first": sample.image({"os": system, "type": "firmware"}, payload=_MONITOR),
                        "fdt-1": sample.image({"type": "flat_dt"}, payload=_OTHER),
                    },
                    configurations={"conf": {"firmware": "first", "fdt": "fdt-1"}},
                )
            },
        )

    assert findings("boot-program-in-wrong-place", fit("arm-trusted-firmware")) == []
    (finding,) = findings("boot-program-in-wrong-place", fit("u-boot"))
    assert "first says that it is Trusted Firmware-A BL31" in finding.message


def test_a_sound_package_is_silent() -> None:
    for name in ("boot-program-in-wrong-place", "u-boot-for-another-board"):
        assert findings(name, _package(_SOUND)) == []


def alone(more: str) -> list[Finding | NotChecked]:
    """Judge a board whose SPL has no U-Boot behind it, but for what `more` has."""
    example = nor(
        "name: spl, at: 0, size: 64 KiB, file: spl.bin",
        "name: u-boot, at: 64 KiB, size: 64 KiB" + more,
        rest="stages:\n  main: {regions: [spl, u-boot], entry: bootcmd}\n",
        files={
            "spl.bin": lambda: u_boot(first="SPL ", tree=_TREE),
            "blank.bin": lambda: b"\xff" * 4096,
            "unknown.bin": lambda: b"tide" * 4096,
        },
    )
    done = audit.run(subject_of(example), only=[checks()["u-boot-missing"]])
    return [*done.findings, *done.not_checked]


def test_an_spl_without_u_boot_is_an_error_only_where_nothing_may_be_it() -> None:
    (finding,) = alone(", file: blank.bin")
    assert isinstance(finding, Finding)
    for more in (", file: unknown.bin", ", writer: factory"):
        (skipped,) = alone(more)
        assert isinstance(skipped, NotChecked)
        assert "u-boot" in skipped.why
