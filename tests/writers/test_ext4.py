from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from uuid import UUID

import pytest

from imgaudit.units import GIB, MIB
from imgaudit.writers.ext4 import NOT_CLEAN, ext4
from imgaudit.writers.tree import directory, file, link

Tool = Callable[..., str]
IDENTITY = UUID("00000000-0000-4000-8000-000000000001")
TREE = {
    "bin/tool": file(b"\xa5" * 20000, 0o755),
    "etc/empty": file(b""),
    "etc/name": file("whimbrel\n"),
    "etc/target": link("name"),
    "tmp": directory(0o1777),
}


def made(path: Path, size: int, state: int = 1) -> Path:
    image = ext4(size, TREE, label="test", uuid=IDENTITY, epoch=1783339200, state=state)
    image.write(path)
    return path


@pytest.mark.oracle
# One group; two groups; groups with and without a backup, up to the powers of 3, 5 and 7.
@pytest.mark.parametrize("size", [16 * MIB, 200 * MIB, 7 * GIB])
def test_e2fsck_finds_nothing(size: int, tool: Tool, tmp_path: Path) -> None:
    path = made(tmp_path / "fs", size)
    said = tool("e2fsck", "-fn", path)
    assert "Pass 5" in said
    assert "fix" not in said.lower()
    assert path.stat().st_blocks * 512 < 2 * MIB


@pytest.mark.oracle
def test_debugfs_gives_the_tree_back(tool: Tool, tmp_path: Path) -> None:
    path = made(tmp_path / "fs", 16 * MIB)
    tool("debugfs", "-R", f"dump /bin/tool {tmp_path}/tool", path)
    assert (tmp_path / "tool").read_bytes() == b"\xa5" * 20000
    assert 'Fast link dest: "name"' in tool("debugfs", "-R", "stat /etc/target", path)
    assert "Size: 0" in tool("debugfs", "-R", "stat /etc/empty", path)
    assert "Mode:  01777" in tool("debugfs", "-R", "stat /tmp", path)


@pytest.mark.oracle
def test_dumpe2fs_tells_the_features_and_the_state(tool: Tool, tmp_path: Path) -> None:
    said = tool("dumpe2fs", "-h", made(tmp_path / "fs", 16 * MIB, NOT_CLEAN))
    features = next(line for line in said.splitlines() if line.startswith("Filesystem features:"))
    assert features.split(":")[1].split() == [
        *("has_journal", "filetype", "extent", "sparse_super", "large_file", "extra_isize")
    ]
    assert "Filesystem state:         not clean" in said
    assert str(IDENTITY) in said
