from __future__ import annotations

import struct
from pathlib import Path

import pytest

from imgaudit.rules import sparse
from imgaudit.rules.engine import Example
from imgaudit.rules.examples import emmc
from imgaudit.units import KIB, MIB
from imgaudit.writers.sparse import filler
from tests.rules._storage import alone, findings, made, names

HERE = "sparse"


def disk(data: bytes) -> Example:
    region = "name: rootfs, partition: 1, at: 1 MiB, size: 8 MiB, holds: ext4, file: r.simg"
    return emmc(region, files={"r.simg": lambda: data})


@pytest.mark.parametrize("blocks", [3, 5])
def test_chunks_do_not_add_up(blocks: int) -> None:
    (finding,) = findings(disk(sparse._sparse(blocks)), HERE)
    assert finding.rule.name == "android-sparse-inconsistent"
    assert finding.values["made"] == 16 * KIB
    assert finding.values["said"] == blocks * 4 * KIB
    # The file itself is not what lands on the chip: the place is one in the file.
    assert finding.offset == 16
    assert finding.region == "rootfs"


def test_image_checksum() -> None:
    assert findings(disk(sparse._sparse(4, sparse._CRC)), HERE) == []
    (finding,) = alone({"r.simg": sparse._sparse(4, sparse._CRC ^ 0xFF)}, HERE)
    assert finding.values["computed"] == f"{sparse._CRC:08x}"
    assert finding.offset == 24


def test_checksum_chunk() -> None:
    head = struct.pack("<IHHHHIIII", 0xED26FF3A, 1, 0, 28, 12, 4096, 1, 2, 0)
    fill = struct.pack("<HHIII", 0xCAC2, 0, 1, 16, 0)
    data = head + fill + struct.pack("<HHIII", 0xCAC4, 0, 0, 16, 7)
    (finding,) = findings(disk(data), HERE)
    assert finding.values["what"] == "image so far"
    assert finding.values["stored"] == "00000007"
    assert finding.offset == 28 + 16 + 12


@pytest.mark.oracle
def test_img2simg_is_silent(tmp_path: Path) -> None:
    raw = bytearray(2 * MIB)
    raw[64 * KIB : 96 * KIB] = filler("tide", 32 * KIB)
    (tmp_path / "r.img").write_bytes(raw)
    data = made(tmp_path / "r.simg", "img2simg", "r.img", "r.simg")()
    assert findings(disk(data), HERE) == []
    assert names(disk(data[:16] + struct.pack("<I", 513) + data[20:]), HERE) == [
        "android-sparse-inconsistent"
    ]
