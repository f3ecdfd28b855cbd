from __future__ import annotations

import subprocess
from pathlib import Path
from uuid import UUID

import pytest

from imgaudit.rules.fip import _entry
from imgaudit.writers.elf import program
from imgaudit.writers.fip import BL31, BL33, HW_CONFIG, fip
from tests.rules._containers import AT, alone, in_region, of_files

CODE = b"tide" * 32
BL32 = UUID("05d0e189-53dc-1347-8d2b-500a4b7a3e38")
NS_BL2U = UUID("4f511d11-2be5-4e49-b4c5-83c2f715840a")
PLATFORM = UUID("00112233-4455-6677-8899-aabbccddeeff")
# Header of 16 bytes, three entries of 40, payloads at multiples of 64: 0xc0 and 0x140.
PACKAGE = fip({BL31: CODE, BL33: CODE})


def test_a_sound_package_is_silent() -> None:
    assert len(PACKAGE) == 0x1C0
    assert alone(PACKAGE) == []


def test_erased_flash_behind_a_package_is_silent() -> None:
    assert alone(PACKAGE + b"\xff" * 4096) == []


@pytest.mark.parametrize(
    ("data", "what", "at"),
    [
        (PACKAGE[:4] + bytes(4) + PACKAGE[8:], "serial number is 0", 4),
        (PACKAGE[:-1], "declares 448 bytes, the file has 447", 16 + 2 * 40 + 16),
        (PACKAGE[:96], "no end marker follows 2 entries of the table", 96),
        (PACKAGE[:96] + b"\xff" * 512, "no end marker follows 2 entries of the table", 96),
    ],
)
def test_damaged_tables(data: bytes, what: str, at: int) -> None:
    (finding,) = in_region("fip-table-damaged", "fip", data)
    assert what in finding.message
    assert finding.offset == AT + at


@pytest.mark.parametrize(
    ("at", "size", "what"),
    [
        (0x140, 0x80, None),
        (0x140, 0x81, "past the end of the file"),
        (0x88, 0x10, None),
        (0x87, 0x10, "inside the table of contents"),
        (0, 0, None),
        (1 << 63, 1 << 63, "past the end of the file"),
    ],
)
def test_entries_in_the_file_to_the_byte(at: int, size: int, what: str | None) -> None:
    findings = in_region("fip-entry-outside-file", "fip", _entry(1, at, size))
    assert [finding.values["what"] for finding in findings] == ([what] if what else [])
    assert all(finding.offset == AT + 16 + 40 for finding in findings)


@pytest.mark.parametrize(
    ("at", "size", "shared"),
    [
        (0x140, 0x80, None),
        (0x13F, 0x80, 1),
        (0xC0, 0x80, None),
        (0xD0, 0x10, 0x10),
        (0xD0, 0, None),
    ],
)
def test_overlaps_to_the_byte(at: int, size: int, shared: int | None) -> None:
    # BL31 lies at 0xc0 and takes 0x80 bytes; touching it, or being it, is no fault.
    findings = in_region("fip-entries-overlap", "fip", _entry(1, at, size))
    assert [finding.values["size"] for finding in findings] == ([shared] if shared else [])


def test_overlaps_are_told_of_a_package_without_a_serial_number() -> None:
    package = _entry(1, 0x13F, 0x80)
    unnumbered = package[:4] + bytes(4) + package[8:]
    assert len(in_region("fip-entries-overlap", "fip", unnumbered)) == 1


@pytest.mark.parametrize(
    ("images", "arch", "missing"),
    [
        ({BL31: CODE, BL33: CODE}, "arm64", []),
        ({BL31: CODE}, "arm64", ["no BL33"]),
        ({HW_CONFIG: CODE}, "arm64", ["no BL31", "no BL33"]),
        ({BL31: CODE, BL33: b""}, "arm64", ["an empty BL33"]),
        ({BL31: CODE, BL33: CODE}, "arm", ["no BL32"]),
        ({BL32: CODE, BL33: CODE}, "arm", []),
        ({NS_BL2U: CODE}, "arm64", []),
        ({PLATFORM: CODE}, "riscv64", []),
    ],
)
def test_required_images(images: dict[UUID, bytes], arch: str, missing: list[str]) -> None:
    findings = in_region("fip-without-required-image", "fip", fip(images), arch=arch)
    assert sorted(finding.message for finding in findings) == sorted(
        f"recovery.bin has {what}" for what in missing
    )


def test_elf_where_code_is_expected() -> None:
    images = {BL31: program(), BL33: CODE, PLATFORM: program()}
    (finding,) = in_region("fip-payload-is-elf", "fip", fip(images))
    assert finding.values["entry"] == "BL31"
    assert finding.offset == AT + 0xC0


@pytest.mark.oracle
def test_what_fiptool_makes_is_clean(tmp_path: Path) -> None:
    (tmp_path / "code.bin").write_bytes(CODE + b"!")
    for align in ("1", "512"):
        arguments = ["--soc-fw", "code.bin", "--nt-fw", "code.bin", "--align", align]
        subprocess.run(
            ["fiptool", "create", *arguments, f"{align}.fip"],
            cwd=tmp_path,
            check=True,
            capture_output=True,
        )
    assert of_files(str(tmp_path / "1.fip"), str(tmp_path / "512.fip")) == []
    data = (tmp_path / "1.fip").read_bytes()
    assert in_region("fip-without-required-image", "fip", data) == []
