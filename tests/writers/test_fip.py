from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from imgaudit.writers.fip import BL31, BL33, fip


@pytest.mark.oracle
def test_fiptool_writes_the_same(tool: Callable[..., str], tmp_path: Path) -> None:
    data = {"soc-fw": b"\x01" * 100, "nt-fw": b"\x02" * 64}
    for name, content in data.items():
        (tmp_path / name).write_bytes(content)
    options = [word for name in data for word in (f"--{name}", str(tmp_path / name))]
    tool("fiptool", "create", "--align", "64", *options, tmp_path / "fip")
    assert (tmp_path / "fip").read_bytes() == fip({BL31: data["soc-fw"], BL33: data["nt-fw"]})
