from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from imgaudit.writers import elf

Tool = Callable[..., str]


def written(path: Path, data: bytes) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)
    path.chmod(0o755)
    return path


@pytest.mark.oracle
def test_a_program_starts_and_ends_well(tool: Tool, tmp_path: Path) -> None:
    assert not tool("qemu-aarch64-static", written(tmp_path / "true", elf.program(b"payload")))


@pytest.mark.oracle
def test_a_dynamic_program_starts_its_loader(tool: Tool, tmp_path: Path) -> None:
    written(tmp_path / elf.LOADER[1:], elf.library("ld-linux-aarch64.so.1"))
    program = written(tmp_path / "tool", elf.dynamic_program(["libc.so.6"]))
    assert not tool("qemu-aarch64-static", "-L", tmp_path, program)


@pytest.mark.oracle
def test_readelf_understands_a_program(tool: Tool, tmp_path: Path) -> None:
    path = written(tmp_path / "tool", elf.dynamic_program(["libext2fs.so.2", "libc.so.6"]))
    said = tool("readelf", "-hldW", path)
    assert "Warning" not in said
    assert "EXEC (Executable file)" in said
    assert "Machine:                           AArch64" in said
    assert "[Requesting program interpreter: /lib/ld-linux-aarch64.so.1]" in said
    assert "Shared library: [libext2fs.so.2]" in said
    assert "Shared library: [libc.so.6]" in said


@pytest.mark.oracle
def test_readelf_understands_a_library(tool: Tool, tmp_path: Path) -> None:
    said = tool("readelf", "-hldW", written(tmp_path / "lib", elf.library("libc.so.6", ["ld.so"])))
    assert "Warning" not in said
    assert "DYN (Shared object file)" in said
    assert "Library soname: [libc.so.6]" in said
    assert "Shared library: [ld.so]" in said


@pytest.mark.oracle
def test_readelf_sees_another_machine(tool: Tool, tmp_path: Path) -> None:
    path = written(tmp_path / "tool", elf.program(machine=elf.X86_64))
    assert "X86-64" in tool("readelf", "-h", path)
