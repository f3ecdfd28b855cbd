from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from imgaudit.units import MIB
from imgaudit.writers.fat import fat16

names = st.text("abcXYZ019_-", min_size=1, max_size=30)


@pytest.mark.oracle
@settings(
    max_examples=10, suppress_health_check=[HealthCheck.function_scoped_fixture]
)  # each example runs three programs
@given(
    files=st.dictionaries(names.map(str.lower), st.binary(min_size=1, max_size=9000), max_size=5)
)
def test_fsck_accepts_and_mtools_gives_back(
    files: dict[str, bytes], tool: Callable[..., str], tmp_path: Path
) -> None:
    fat16(16 * MIB, files, "TEST", 1).write(tmp_path / "fs")
    tool("fsck.vfat", "-n", tmp_path / "fs")
    for name, data in files.items():
        tool("mcopy", "-n", "-o", "-i", tmp_path / "fs", f"::{name}", tmp_path / "out")
        assert (tmp_path / "out").read_bytes() == data
