from __future__ import annotations

import pytest

from imgaudit.rules._boot import RECOVERY, scripted
from imgaudit.rules.engine import Severity
from imgaudit.rules.samples import fit, kernel
from imgaudit.writers.fdt import Tree
from imgaudit.writers.kernel import CONFIG, image
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


@pytest.mark.parametrize(("built", "wrong"), [("0", True), ("5", False)])
def test_a_kernel_that_was_built_to_restart(built: str, wrong: bool) -> None:
    """Source: Linux lib/Kconfig.debug, PANIC_TIMEOUT; panic= counts more."""

    def with_kernel() -> bytes:
        payload = image({**CONFIG, "PANIC_TIMEOUT": built})
        parts: Tree = {"kernel": kernel({"load": 0x80000000, "entry": 0x80000000}, payload=payload)}
        return fit(parts, configurations={"conf": {"kernel": "kernel"}})

    def of(arguments: str) -> int:
        example = scripted(
            f"setenv bootargs {arguments} && {RECOVERY}",
            more={"bootlimit": "3", "altbootcmd": "run recovery"},
            itb=with_kernel,
        )
        return len(found("failed-start-never-resets", example))

    assert of("quiet") == wrong
    assert of("panic=0") == 1
