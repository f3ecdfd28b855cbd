"""Trees that kernels are started with: of one board, and all with the partitions."""

from __future__ import annotations

from dataclasses import replace

import pytest

from imgaudit.rules import checks
from imgaudit.rules import samples as sample
from imgaudit.rules.built import subject_of
from imgaudit.rules.engine import Finding, Severity
from imgaudit.rules.firmware import u_boot
from imgaudit.rules.trees import booted, flash
from imgaudit.tasks import audit

HERE = sample.board_tree({"spi": flash()})
BARE = sample.board_tree({"spi": flash(partitions=False)})
OFF = sample.board_tree({"spi": flash(partitions=False, status="disabled")})
LIST = "mtdparts=spi0.0:64k(u-boot),64k(env),256k(recovery)"


def findings(name: str, tree: bytes, other: bytes, arguments: str = "") -> tuple[Finding, ...]:
    example = booted(tree, other, arguments)
    return audit.run(subject_of(example), only=[checks()[name]]).findings


@pytest.mark.parametrize(
    ("first", "second", "arguments", "found"),
    [
        (HERE, HERE, "", 0),
        (BARE, HERE, "", 1),
        (BARE, HERE, LIST, 0),
        (OFF, HERE, "", 0),
        (BARE, BARE, "", 0),
    ],
)
def test_a_tree_without_partitions(first: bytes, second: bytes, arguments: str, found: int) -> None:
    names = findings("device-tree-without-partitions", first, second, arguments=arguments)
    assert len(names) == found
    assert all(finding.region == "recovery" for finding in names)


@pytest.mark.parametrize(
    ("compatible", "severity"),
    [
        (["example,gauge"], None),
        (["example,buoy", "example,soc"], Severity.WARNING),
        (["example,buoy", "example,soc-2"], Severity.ERROR),
    ],
)
def test_trees_of_another_board(compatible: list[str], severity: Severity | None) -> None:
    other = sample.board_tree({"compatible": compatible})
    found = findings("device-trees-of-different-boards", sample.board_tree(), other)
    assert [item.severity for item in found] == ([] if severity is None else [severity])


@pytest.mark.parametrize("loader", ["example,gauge", "example,buoy"])
def test_the_tree_of_u_boot_tells_which_tree_is_of_another_board(loader: str) -> None:
    """U-Boot's tree is that of the board it runs on, or it does not; common practice, no source."""
    buoy = sample.board_tree({"compatible": ["example,buoy"]})
    example = booted(sample.board_tree(), buoy)
    firmware = u_boot(tree=sample.board_tree({"compatible": [loader]}))
    region = "chip: nor, name: u-boot, at: 384 KiB, size: 64 KiB, holds: raw, writer: release"
    more = f"regions:\n  - {{{region}, file: u-boot.bin}}\n"
    layout = example.layout.replace("regions:\n", more, 1)
    files = {**example.files, "u-boot.bin": lambda: firmware}
    made = replace(example, layout=layout, files=files)
    (found,) = audit.run(
        subject_of(made), only=[checks()["device-trees-of-different-boards"]]
    ).findings
    assert found.values["board"] == loader
    assert found.values["own"] != loader
