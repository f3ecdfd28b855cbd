from __future__ import annotations

from pathlib import Path

import pytest

from imgaudit.rules import samples as sample
from imgaudit.rules.engine import Severity
from imgaudit.units import KIB, MIB
from tests.rules._containers import AT, alone, in_region, of_files

INSTALLER = Path("/usr/lib/debian-installer/images/12")


@pytest.mark.parametrize(
    ("size", "image_size", "severity"),
    [
        (KIB, KIB, None),
        (KIB, KIB - 1, Severity.ERROR),
        (KIB, 0, Severity.WARNING),
        (16 * MIB, 0, Severity.WARNING),
        (16 * MIB + 1, 0, Severity.ERROR),
    ],
)
def test_image_size_to_the_byte(size: int, image_size: int, severity: Severity | None) -> None:
    data = sample.arm64_kernel(size, image_size=image_size)
    findings = in_region("arm64-image-size-too-small", "arm64-image", data, size="24 MiB")
    assert [finding.severity for finding in findings] == ([severity] if severity else [])
    assert all(finding.offset == AT + 16 for finding in findings)


def test_image_size_of_a_published_kernel() -> None:
    # U-Boot doc/usage/cmd/booti.rst: 26990448 bytes that need 0x1a60000 of RAM.
    data = sample.arm64_kernel(KIB, image_size=0x1A60000)
    assert alone(data.ljust(26990448, b"\xd5")) == []


@pytest.mark.parametrize(("fill", "count"), [(b"\0", 0), (b"\xff", 0), (b"\xd5", 1)])
def test_padding_behind_the_kernel_is_no_fault(fill: bytes, count: int) -> None:
    data = sample.arm64_kernel(4 * KIB, image_size=4 * KIB) + fill * (2 * MIB)
    findings = in_region("arm64-image-size-too-small", "arm64-image", data, size="4 MiB")
    assert len(findings) == count


def test_u_boot_may_have_a_kernel_s_header_and_its_tree_behind_it() -> None:
    """Debian's u-boot-qcom 2025.01 of the DragonBoard 820c: CONFIG_LINUX_KERNEL_IMAGE_HEADER."""
    banner = b"U-Boot 2025.01+dfsg-3 (Jan 01 2025 - 00:00:00 +0000)\0"
    for text, found in ((banner, 0), (banner.replace(b"U-Boot", b"U-Bolt"), 1)):
        kernel = sample.arm64_kernel(8 * KIB, image_size=8 * KIB)
        data = kernel[: -len(text)] + text + sample.board_tree()
        assert len(in_region("arm64-image-size-too-small", "arm64-image", data)) == found


def test_mixed_blanks_are_not_padding() -> None:
    data = sample.arm64_kernel(4 * KIB, image_size=4 * KIB) + bytes(KIB) + b"\xff" * KIB
    assert len(in_region("arm64-image-size-too-small", "arm64-image", data)) == 1


def test_riscv_kernel_without_size() -> None:
    rule = "riscv-image-size-missing"
    (finding,) = in_region(rule, "riscv-image", sample.riscv_kernel(0), arch="riscv64")
    assert (finding.offset, finding.length) == (AT + 16, 8)


@pytest.mark.parametrize(("word", "count"), [(b"\1\2\3\4", 0), (b"\4\3\2\1", 1), (b"tide", 0)])
def test_big_endian_zimage(word: bytes, count: int) -> None:
    data = sample.zimage()
    findings = in_region(
        "kernel-is-big-endian", "zimage", data[:0x30] + word + data[0x34:], arch="arm"
    )
    assert [finding.offset for finding in findings] == [AT + 0x30] * count


@pytest.mark.parametrize(
    ("holds", "data", "runs_on"),
    [
        ("arm64-image", sample.arm64_kernel(), {"arm64"}),
        ("zimage", sample.zimage(), {"arm"}),
        ("riscv-image", sample.riscv_kernel(KIB), {"riscv32", "riscv64"}),
    ],
)
def test_architectures(holds: str, data: bytes, runs_on: set[str]) -> None:
    for arch in ("arm", "arm64", "riscv32", "riscv64", "x86-64"):
        findings = in_region("kernel-wrong-architecture", holds, data, arch=arch)
        assert len(findings) == (arch not in runs_on)


def test_a_kernel_inside_a_fit_is_asked_for_its_architecture() -> None:
    data = sample.fit({"kernel": sample.kernel(payload=sample.zimage())})
    (finding,) = in_region("kernel-wrong-architecture", "fit", data)
    assert finding.values["content"] == "recovery.bin/kernel"
    assert finding.offset == AT + data.index(sample.zimage())


@pytest.mark.parametrize(("says", "count"), [(KIB, 0), (KIB + 1, 1), (KIB - 4, 0)])
def test_zimage_cut_to_the_byte(says: int, count: int) -> None:
    data = sample.zimage(says=says)
    assert len(in_region("zimage-cut", "zimage", data, arch="arm")) == count


def test_zimage_that_ends_before_it_starts() -> None:
    data = sample.zimage()
    swapped = data[:0x28] + data[0x2C:0x30] + data[0x28:0x2C] + data[0x30:]
    (finding,) = in_region("zimage-cut", "zimage", swapped, arch="arm")
    assert "before it starts" in finding.message


@pytest.mark.parametrize(
    ("tail", "count"),
    [
        (b"", 0),
        (bytes(4096), 0),
        (sample.board_tree(), 0),
        (sample.board_tree() + bytes(512), 0),
        (sample.board_tree() * 2, 0),
        (sample.board_tree()[:-1], 1),
        (b"tide", 1),
    ],
)
def test_what_follows_a_zimage(tail: bytes, count: int) -> None:
    findings = in_region("zimage-followed-by-data", "zimage", sample.zimage() + tail, arch="arm")
    assert len(findings) == count


@pytest.mark.parametrize(
    ("load", "text_offset", "image_size", "right"),
    [
        (0x80200000, 0, KIB, None),
        (0x80280000, 0x80000, KIB, None),
        (0x80280000, 0, KIB, 0x80200000),
        (0x80280000, 0, 0, None),
        (0x80080001, 0x80000, KIB, 0x80080000),
    ],
)
def test_load_addresses(load: int, text_offset: int, image_size: int, right: int | None) -> None:
    # Linux Documentation/arch/arm64/booting.rst: without image_size, text_offset is 0x80000.
    kernel = sample.arm64_kernel(text_offset=text_offset, image_size=image_size)
    node = sample.kernel({"load": load, "entry": load}, payload=kernel)
    found = in_region("arm64-load-not-aligned", "fit", sample.fit({"kernel": node}))
    found += in_region("arm64-load-not-aligned", "uimage", sample.uimage(kernel, kind=2, load=load))
    assert [finding.values["right"] for finding in found] == ([right] * 2 if right else [])


def test_a_packed_kernel_is_looked_at_unpacked() -> None:
    packed = sample.packed(sample.arm64_kernel())
    node = sample.kernel({"load": 0x80080000, "compression": "gzip"}, payload=packed)
    assert len(in_region("arm64-load-not-aligned", "fit", sample.fit({"kernel": node}))) == 1


def test_kernel_noload_has_no_address_to_judge() -> None:
    node = sample.kernel({"type": "kernel_noload", "load": 0x80080000})
    assert in_region("arm64-load-not-aligned", "fit", sample.fit({"kernel": node})) == []


@pytest.mark.oracle
@pytest.mark.parametrize(
    "path",
    ["arm64/text/debian-installer/arm64/linux", "armhf/text/debian-installer/armhf/vmlinuz"],
)
def test_packaged_kernels_are_clean(path: str) -> None:
    # Debian packages debian-installer-12-netboot-arm64 and -armhf.
    assert of_files(str(INSTALLER / path)) == []
