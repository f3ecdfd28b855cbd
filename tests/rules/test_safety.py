from __future__ import annotations

import pytest

from imgaudit.rules._boot import RECOVERY, scripted
from imgaudit.rules.engine import Severity
from tests._audits import found, one

LOADER = "name: loader, at: 512 KiB, size: 128 KiB, holds: fip, file: fip.bin"
UPDATE = "sf probe && sf update 0x88000000 0x80000 0x10000"


def test_an_update_of_the_loader_at_each_start_is_an_error() -> None:
    by_hand = scripted(more={"update": UPDATE}, regions=(LOADER,))
    assert one("boot-loader-updated-in-place", by_hand).severity is Severity.WARNING
    at_start = scripted(bootcmd=f"{UPDATE}; run recovery", regions=(LOADER,))
    assert one("boot-loader-updated-in-place", at_start).severity is Severity.ERROR


@pytest.mark.parametrize(
    ("arguments", "wrong"),
    [
        ("panic=0", True),
        ("panic=5 panic=0", True),
        ("panic=-1", False),
        ("console=ttyS0 ${unknown_to_us} panic=5", False),
    ],
)
def test_a_kernel_that_stands_still(arguments: str, wrong: bool) -> None:
    example = scripted(
        f"setenv bootargs {arguments} && {RECOVERY}",
        more={"bootlimit": "3", "altbootcmd": "run recovery"},
    )
    assert len(found("failed-start-never-resets", example)) == wrong


def test_a_kernel_whose_configuration_is_given_is_not_judged() -> None:
    example = scripted(
        f"setenv bootargs quiet && {RECOVERY}",
        more={"bootlimit": "3", "altbootcmd": "run recovery"},
        stage="    kernel-config: kernel.config\n",
        files={"kernel.config": lambda: b"CONFIG_PANIC_TIMEOUT=5\n"},
    )
    assert found("failed-start-never-resets", example) == []
