"""Which single losses are looked at."""

from __future__ import annotations

import pytest

from imgaudit.units import KIB
from imgaudit.writers.env import environment
from tests._audits import build, nor

_SHAPE = "size: 64 KiB, holds: uboot-env, writer: runtime, file: u-boot.env"


@pytest.mark.parametrize(
    ("first", "second"),
    [
        ("env: {size: 8 KiB, copy: old}", "env: {size: 8 KiB}"),
        ("env: {size: 8 KiB}", "env: {size: 8 KiB, copy: used}"),
        ("env: {size: 8 KiB, copy: old}", "env: {size: 8 KiB, copy: used}"),
    ],
)
def test_both_copies_of_the_environment_are_lost_once(first: str, second: str) -> None:
    """Whichever names the other, and whatever they are called."""
    example = nor(
        f"name: used, at: 0, {_SHAPE}, {first}",
        f"name: old, at: 64 KiB, {_SHAPE}, {second}",
        files={"u-boot.env": lambda: environment({"bootcmd": "true"}, 8 * KIB, 1)},
        rest="stages:\n  main: {regions: [used, old], entry: bootcmd}\n",
    )
    losses = [(loss.kind, loss.name, loss.regions) for loss in build(example).losses]
    assert losses[1:] == [
        ("chip", "nor", ("used", "old")),
        ("region", "used", ("used",)),
        ("region", "old", ("old",)),
        ("environment", "old and used", ("old", "used")),
    ]
