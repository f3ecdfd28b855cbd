"""/dev/mtdN counts in the list that the running kernel has: its command line's, then the tree's.

Source: Linux drivers/mtd/mtdpart.c, default_mtd_part_types ("cmdlinepart", "ofpart"), and
add_mtd_partitions(), which numbers them in the order of the list.
"""

from __future__ import annotations

import pytest

from imgaudit.rules import checks
from imgaudit.rules import samples as sample
from imgaudit.rules._boot import scripted
from imgaudit.rules.built import subject_of
from imgaudit.rules.engine import Example
from imgaudit.tasks import audit
from imgaudit.writers.fdt import Tree

LIST = "mtdparts=spi0.0:64k(u-boot),256k@128k(recovery),64k@64k(env)"
# The tree has the environment as number 1, the list has it as number 2.
PARTITIONS: Tree = {
    "compatible": "fixed-partitions",
    "#address-cells": 1,
    "#size-cells": 1,
    "partition@0": {"label": "u-boot", "reg": (0, 0x10000)},
    "partition@10000": {"label": "env", "reg": (0x10000, 0x10000)},
    "partition@20000": {"label": "recovery", "reg": (0x20000, 0x40000)},
}
FLASH: Tree = {
    "#address-cells": 1,
    "#size-cells": 0,
    "flash@0": {"compatible": "jedec,spi-nor", "reg": 0, "partitions": PARTITIONS},
}


def board(number: int, arguments: str) -> Example:
    return scripted(
        f"setenv bootargs console=ttyS0 {arguments}; sf probe && sf read 0x88000000 0x20000 0x40000"
        " && bootm 0x88000000",
        regions=("name: u-boot, at: 0, size: 64 KiB",),
        rest="written-elsewhere: {device-tree: board.dtb, flash-tool-config: fw_env.config}\n",
        files={
            "board.dtb": lambda: sample.board_tree({"spi": FLASH}),
            "fw_env.config": f"/dev/mtd{number} 0x0 0x2000 0x10000\n".encode,
        },
    )


@pytest.mark.parametrize(
    ("number", "arguments", "right"),
    [
        (1, "", True),
        (2, "", False),
        (2, LIST, True),
        (1, LIST, False),
        (1, LIST.replace("spi0.0:", "spi0.0;"), True),
    ],
)
def test_the_list_of_the_command_line_counts_first(
    number: int, arguments: str, right: bool
) -> None:
    example = board(number, arguments)
    found = audit.run(subject_of(example), only=[checks()["environment-location-differs"]])
    assert [not right] == [bool(found.findings)]
