from __future__ import annotations

import struct
import subprocess
from pathlib import Path

import pytest

from imgaudit.rules import samples as sample
from imgaudit.rules.engine import Severity
from imgaudit.units import KIB
from tests.rules._containers import AT, alone, in_region, of_files

KERNEL, RAMDISK, MULTI, SCRIPT, FLAT_DT = 2, 3, 4, 6, 8
ARM, X86_64, ARM64, POWERPC = 2, 24, 22, 7


def table(*files: bytes, tail: bytes = b"", closed: bool = True, kind: int = MULTI) -> bytes:
    data = b"".join(struct.pack(">I", len(file)) for file in files) + bytes(4 * closed)
    for file in files:
        data += bytes(-len(data) % 4) + file
    return sample.uimage(data + tail, kind=kind)


def test_a_sound_image_is_silent() -> None:
    assert alone(sample.uimage()) == []


def test_header_checksum_of_a_published_image() -> None:
    # A thread, from memory: an arm zImage under Linux 4.4.289, CRC 0x3057bf80.
    head = struct.pack(
        ">7I", 0x27051956, 0x3057BF80, 0x63AC55F7, 0x408010, 0x8000, 0x8000, 0xBC691FCB
    )
    header = (head + bytes((5, 2, 2, 0)) + b"Linux-4.4.289").ljust(64, b"\0")
    assert in_region("uimage-header-checksum", "uimage", header, arch="arm") == []
    (finding,) = in_region("uimage-header-checksum", "uimage", header[:-1] + b"\1", arch="arm")
    assert finding.values["stored"] == "3057bf80"
    (short,) = in_region("uimage-size-mismatch", "uimage", header, arch="arm")
    assert (short.values["wanted"], short.values["present"]) == (0x408010, 0)


def test_data_checksum() -> None:
    data = sample.uimage(b"123456789")
    assert in_region("uimage-data-checksum", "uimage", data) == []
    (finding,) = in_region("uimage-data-checksum", "uimage", data[:-1] + b"0")
    # CRC-32 of "123456789" is the algorithm's published check value.
    assert finding.values["stored"] == "cbf43926"
    assert (finding.offset, finding.length) == (AT + 64, 9)


def test_a_cut_image_is_not_given_a_wrong_checksum() -> None:
    assert {item.rule.name for item in alone(sample.uimage()[:-1])} == {"uimage-size-mismatch"}


def test_an_image_of_nothing() -> None:
    (found,) = alone(sample.uimage(b""))
    assert found.rule.name == "uimage-size-mismatch"
    assert "no program" in found.effect
    assert found.message.endswith("says that 0 bytes follow its header, and 0 bytes do")


@pytest.mark.parametrize(
    ("data", "what"),
    [
        (table(b"kernel", b"ramdisk!", sample.board_tree()), ""),
        (table(b"kernel", b"ramdisk!", b"no tree"), "its third file is no device tree"),
        (table(b"kernel", b"ramdisk!", tail=bytes(3)), ""),
        (table(b"kernel", b"ramdisk!", tail=bytes(4)), "4 bytes of the data belong to none"),
        (sample.uimage(b"\0\0\0\7", kind=MULTI), "no closing zero"),
        (sample.uimage(bytes(4), kind=MULTI), "names no file"),
        (sample.uimage(b"\0\0\0\7\0\0\0\0abc", kind=SCRIPT), "end 4 bytes past the data"),
    ],
)
def test_table_of_files(data: bytes, what: str) -> None:
    findings = in_region("uimage-multi-table", "uimage", data)
    assert [what in finding.message for finding in findings] == [True] * bool(what)


@pytest.mark.parametrize(
    ("kind", "arch", "severity"),
    [
        (KERNEL, ARM64, None),
        (KERNEL, ARM, Severity.WARNING),
        (KERNEL, X86_64, Severity.ERROR),
        (RAMDISK, POWERPC, Severity.ERROR),
        (FLAT_DT, POWERPC, Severity.WARNING),
        (SCRIPT, POWERPC, None),
        (KERNEL, 99, Severity.ERROR),
    ],
)
def test_architectures(kind: int, arch: int, severity: Severity | None) -> None:
    data = sample.uimage(kind=kind, arch=arch)
    findings = in_region("uimage-wrong-architecture", "uimage", data)
    assert [finding.severity for finding in findings] == ([severity] if severity else [])


NONE, GZIP, LZMA = 0, 1, 3
PACKED = sample.packed(b"tide" * 64)


@pytest.mark.parametrize(
    ("kind", "label", "data", "severity", "right"),
    [
        (KERNEL, GZIP, sample.arm64_kernel(), Severity.ERROR, "none"),
        (KERNEL, NONE, PACKED, Severity.ERROR, "gzip"),
        (KERNEL, LZMA, PACKED, Severity.ERROR, "gzip"),
        (KERNEL, GZIP, PACKED, None, ""),
        (RAMDISK, GZIP, PACKED, None, ""),
        (RAMDISK, NONE, PACKED, None, ""),
        (RAMDISK, GZIP, b"tide" * 64, Severity.WARNING, "none"),
        (RAMDISK, LZMA, PACKED, Severity.WARNING, "gzip"),
        (FLAT_DT, GZIP, sample.board_tree(), Severity.ERROR, "none"),
        (FLAT_DT, NONE, sample.board_tree(), None, ""),
        (MULTI, GZIP, struct.pack(">2I", 8, 0) + b"tidetide", Severity.ERROR, "none"),
        (SCRIPT, GZIP, struct.pack(">2I", 8, 0) + b"echo hi\n", Severity.WARNING, "none"),
    ],
)
def test_compression_labels(
    kind: int, label: int, data: bytes, severity: Severity | None, right: str
) -> None:
    image = sample.uimage(data, kind=kind, compression=label)
    findings = in_region("uimage-compression-mislabelled", "uimage", image)
    assert [finding.severity for finding in findings] == ([severity] if severity else [])
    assert all(finding.values["right"] == right for finding in findings)


@pytest.mark.oracle
def test_what_mkimage_makes_is_clean(tmp_path: Path) -> None:
    (tmp_path / "kernel").write_bytes(sample.packed(sample.arm64_kernel()))
    (tmp_path / "ramdisk").write_bytes(b"tide" * 65 + b"!")
    (tmp_path / "gauge.dtb").write_bytes(sample.board_tree())
    (tmp_path / "boot.cmd").write_text("echo tide\n")
    load = "0x80200000"
    made = {
        "uImage": ["-T", "kernel", "-C", "gzip", "-a", load, "-e", load, "-d", "kernel"],
        "multi": ["-T", "multi", "-C", "gzip", "-d", "kernel:ramdisk:gauge.dtb"],
        "boot.scr": ["-T", "script", "-C", "none", "-d", "boot.cmd"],
        "lying.scr": ["-T", "script", "-d", "boot.cmd"],
    }
    for name, arguments in made.items():
        subprocess.run(
            ["mkimage", "-A", "arm64", "-O", "linux", *arguments, name],
            cwd=tmp_path,
            check=True,
            capture_output=True,
        )
    assert of_files(*(str(tmp_path / name) for name in ("uImage", "multi", "boot.scr"))) == []
    # Without -C, mkimage writes gzip whatever the data is.
    (finding,) = of_files(str(tmp_path / "lying.scr"))
    assert (finding.rule.name, finding.severity) == (
        "uimage-compression-mislabelled",
        Severity.WARNING,
    )


LOAD = 0x80200000


@pytest.mark.parametrize(
    ("entry", "found"),
    [(LOAD - 1, 1), (LOAD, 0), (LOAD + KIB - 1, 0), (LOAD + KIB, 1)],
)
def test_the_entry_of_a_kernel_to_the_byte(entry: int, found: int) -> None:
    data = sample.uimage(b"tide" * 256, kind=2, load=LOAD, entry=entry)
    assert len(in_region("uimage-entry-outside-kernel", "uimage", data)) == found


@pytest.mark.parametrize("kernel", [sample.arm64_kernel(), sample.zimage()])
@pytest.mark.parametrize(("over", "found"), [(-4, 1), (0, 0), (4, 1)])
def test_a_kernel_with_a_header_is_entered_at_its_start(
    kernel: bytes, over: int, found: int
) -> None:
    data = sample.uimage(kernel, kind=2, load=LOAD, entry=LOAD + over)
    assert len(in_region("uimage-entry-outside-kernel", "uimage", data)) == found


@pytest.mark.parametrize(("arch", "found"), [(22, 0), (2, 1), (26, 1)])
def test_the_payload_is_held_against_the_header(arch: int, found: int) -> None:
    """U-Boot include/image.h: IH_ARCH_ARM is 2, IH_ARCH_ARM64 22, IH_ARCH_RISCV 26."""
    data = sample.uimage(sample.arm64_kernel(), kind=2, arch=arch)
    assert len(in_region("uimage-payload-of-another-architecture", "uimage", data)) == found
