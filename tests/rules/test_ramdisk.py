from __future__ import annotations

import gzip
import lzma
from dataclasses import replace

import pytest

from imgaudit.formats.cpio import CpioFacts
from imgaudit.rescue.stage import Rescue, Room
from imgaudit.rules import samples as sample
from imgaudit.rules._rescue import archive
from imgaudit.rules.built import subject_of
from imgaudit.rules.engine import Severity
from imgaudit.rules.ramdisk import DISK, _disk, initial_disk
from imgaudit.tasks import audit
from imgaudit.writers import kernel as kernels
from tests.rules._rescue import audited, rescued


def packed_fit(ramdisk: bytes, *options: str) -> bytes:
    """Put a ramdisk beside a kernel that embeds its configuration."""
    kernel = kernels.image(dict.fromkeys(("BLK_DEV_INITRD", "BINFMT_SCRIPT", *options), "y"))
    return sample.fit(
        {"kernel": sample.kernel(payload=kernel), "ramdisk": sample.image(payload=ramdisk)},
        configurations={"conf": {"kernel": "kernel", "ramdisk": "ramdisk"}},
    )


def of_ramdisk(found: Rescue) -> list[tuple[str, str]]:
    return [
        (item.severity.value, item.rule.name)
        for item in audited(found).findings
        if item.rule.name.startswith("ramdisk-")
    ]


def test_0xff_behind_is_milder_where_the_kernel_is_known() -> None:
    data = archive() + b"\xff" * 512
    assert of_ramdisk(rescued(data)) == [("error", "ramdisk-junk-behind")]
    for options, severity in (((), "warning"), (("BLK_DEV_RAM",), "error")):
        found = rescued(packed_fit(data, *options))
        assert of_ramdisk(found) == [(severity, "ramdisk-junk-behind")]


def test_a_finding_lies_where_the_bytes_lie() -> None:
    data = packed_fit(archive() + b"\xff" * 512)
    (finding,) = (
        item for item in audited(rescued(data)).findings if item.rule.name == "ramdisk-junk-behind"
    )
    assert finding.offset is not None
    assert data[finding.offset - 1 : finding.offset + 512] == b"\0" + b"\xff" * 512
    assert finding.length == 512
    assert '"invalid magic at start of compressed archive"' in finding.effect


@pytest.mark.parametrize("check", [lzma.CHECK_CRC64, lzma.CHECK_SHA256])
def test_every_segment_is_looked_at(check: int) -> None:
    first = gzip.compress(archive())
    data = first + bytes(-len(first) % 4) + lzma.compress(archive(), check=check)
    assert of_ramdisk(rescued(data)) == [("error", "ramdisk-xz-check")]


def test_a_compression_that_the_kernel_lacks() -> None:
    data = lzma.compress(archive(), check=lzma.CHECK_CRC32)
    wanted = [("error", "ramdisk-compression-not-in-kernel")]
    assert of_ramdisk(rescued(packed_fit(data, "RD_GZIP"))) == wanted
    assert of_ramdisk(rescued(packed_fit(data, "RD_XZ"))) == []
    unknown = audited(rescued(data)).not_checked
    assert "ramdisk-compression-not-in-kernel" in {item.rule for item in unknown}
    assert "ramdisk-compression-not-in-kernel" not in {
        item.rule for item in audited(rescued(archive())).not_checked
    }


@pytest.mark.parametrize(
    ("arguments", "config", "severity"),
    [
        # Linux init/do_mounts.c, init_rootfs: without root=, or where rootfstype= names it.
        (("console=ttyS0",), None, "error"),
        (("root=/dev/mmcblk0p2",), None, None),
        (("root=/dev/mmcblk0p2 rootfstype=tmpfs",), None, "error"),
        (("console=ttyS0 rootfstype=ramfs",), None, None),
        (("root=/dev/mmcblk0p2", "console=ttyS0"), None, "error"),
        (("console=ttyS0",), {"CONFIG_TMPFS": "y"}, "error"),
        (("console=ttyS0",), {"CONFIG_SHMEM": "y"}, None),
        ((), None, "warning"),
    ],
)
def test_half_of_the_memory_is_the_end_of_a_tmpfs(
    arguments: tuple[str, ...], config: dict[str, str] | None, severity: str | None
) -> None:
    room = Room(stored=0, unpacked=513 << 10, kernel=0, ram=1 << 20)
    found = replace(rescued(archive()), room=room, arguments=arguments, config=config)
    wanted = [] if severity is None else [(severity, "ramdisk-needs-too-much-memory")]
    assert of_ramdisk(found) == wanted
    assert of_ramdisk(replace(found, room=replace(room, unpacked=512 << 10))) == []


def test_what_could_not_be_surveyed_is_said_of_every_check() -> None:
    result = audited(rescued(b"tide" * 100))
    assert [item.rule.name for item in result.findings] == ["ramdisk-missing"]
    said = {item.rule for item in result.not_checked}
    assert {"tool-missing", "init-missing", "library-missing", "no-way-in"} <= said
    assert all("not a ramdisk" in item.why for item in result.not_checked)


def test_a_cap_is_not_a_fault(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("imgaudit.formats.cpio.ENTRIES", 12)
    found = rescued(archive())
    (facts,) = (facts for _, facts in found.ramdisk.archives)
    assert isinstance(facts, CpioFacts)
    assert facts.stop is not None
    result = audited(found)
    assert of_ramdisk(found) == []
    assert any("entry cap reached" in item.why for item in result.not_checked)


def test_members_that_are_left_out() -> None:
    data = archive()
    found = audited(rescued(data.replace(b"dev\0", b"dvv\0", 1)))
    (finding,) = (item for item in found.findings if item.rule.name == "ramdisk-entry-skipped")
    assert finding.severity is Severity.WARNING
    assert finding.values["members"] == ["dev/console"]
    assert "its directory is missing" in finding.message


@pytest.mark.parametrize(
    ("kib", "told"), [(4096, True), (10**17, False), ("9" * 5000, False), ("-1", False)]
)
def test_only_a_size_that_is_a_number_is_compared(kib: int | str, *, told: bool) -> None:
    """The size of the kernel's RAM disks, which its configuration may say without end."""
    outcome = audit.run(subject_of(_disk(kib)), only=[initial_disk])
    assert [item.rule for item in outcome.findings] == [DISK] * told
