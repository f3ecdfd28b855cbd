from __future__ import annotations

import zlib
from collections.abc import Callable
from pathlib import Path
from uuid import UUID

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.units import MIB
from imgaudit.writers.gpt import Partition, gpt

TYPE = UUID("0fc63daf-8483-4772-8e79-3d69d8477de4")
DISK = UUID("00000000-0000-4000-8000-00000000d15c")


def partition(number: int, start: int, size: int) -> Partition:
    return Partition(f"part-{number}", TYPE, UUID(int=number), start, size)


@pytest.mark.oracle
@pytest.mark.parametrize("sectors", [4096, 131072, 7634944])
def test_sgdisk_finds_no_fault(sectors: int, tool: Callable[..., str], tmp_path: Path) -> None:
    parts = [partition(1, MIB // 2, MIB // 2), partition(2, MIB, MIB // 2)]
    gpt(sectors, DISK, parts).write(tmp_path / "disk")
    said = tool("sgdisk", "-v", tmp_path / "disk")
    assert "No problems found." in said
    assert "Caution" not in said
    info = tool("sgdisk", "-i", "2", tmp_path / "disk")
    assert "First sector: 2048 (" in info
    assert "Last sector: 3071 (" in info
    assert "Partition name: 'part-2'" in info
    assert f"Partition GUID code: {str(TYPE).upper()}" in info


@given(st.integers(100, 1 << 33))
def test_both_headers_name_each_other(sectors: int) -> None:
    # UEFI Specification 2.10, 5.3.2: MyLBA at 24, AlternateLBA at 32, HeaderCRC32 at 16.
    pieces = dict(gpt(sectors, DISK, []).pieces)
    last = sectors - 1
    for at, other in ((1, last), (last, 1)):
        header = pieces[at * 512]
        assert int.from_bytes(header[24:32], "little") == at
        assert int.from_bytes(header[32:40], "little") == other
        blanked = header[:16] + bytes(4) + header[20:92]
        assert int.from_bytes(header[16:20], "little") == zlib.crc32(blanked)


def test_an_empty_table_has_the_known_checksum() -> None:
    # The CRC-32 of 16,384 zero bytes, as computed by any zlib.
    header = dict(gpt(4096, DISK, []).pieces)[512]
    assert int.from_bytes(header[88:92], "little") == 0xAB54D286
