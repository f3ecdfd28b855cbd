"""The demo's promise: the sound build is silent, and each planted fault gives its own finding."""

from __future__ import annotations

import zlib
from collections.abc import Callable
from pathlib import Path

import pytest

from imgaudit.contents.build import FolderStore
from imgaudit.contents.reader import Loader
from imgaudit.demo.build import FAULTS, build
from imgaudit.files import Folder
from imgaudit.layout.load import load
from imgaudit.proof.records import Verdict
from imgaudit.rules import checks
from imgaudit.rules.engine import Severity
from imgaudit.rules.subject import gather
from imgaudit.tasks import audit
from imgaudit.tasks.audit import Result


def audited(folder: Path, fault: str | None) -> Result:
    layout = load(str(build(folder, fault)))
    with Loader() as loader:
        return audit.run(gather(layout, FolderStore(Folder(str(folder)), loader)))


def test_the_sound_build_is_silent_and_wholly_checked(tmp_path: Path) -> None:
    result = audited(tmp_path, None)
    assert result.findings == ()
    assert result.not_checked == ()


@pytest.mark.parametrize("name", FAULTS)
def test_each_fault_gives_its_finding_in_its_region(name: str, tmp_path: Path) -> None:
    fault = FAULTS[name]
    assert fault.finding in checks()
    result = audited(tmp_path, name)
    findings = result.findings
    assert (fault.finding, fault.region) in {(item.rule.name, item.region) for item in findings}
    assert len({item.identity for item in findings}) == len(findings)
    # No stage is proven beside an error that says it does not start.
    stopped = {
        region.name
        for item in findings
        for region in (result.subject.layout.regions if result.subject.layout else ())
        if item.rule.stops and item.severity is Severity.ERROR
        if item.region in {region.name, None} and item.chip in {region.area, None}
    }
    proven = [proof for proof in result.subject.proofs if proof.verdict is Verdict.PROVEN]
    assert stopped.isdisjoint({link.region for proof in proven for link in proof.chain})
    stages = {item.line.name: item.line.state for item in result.coverage if item.line.stage}
    assert stages == {it.name: it.verdict.value for it in result.subject.proofs if it.taken}


@pytest.mark.parametrize(
    ("name", "refuted"),
    [
        ("fip-without-u-boot", {"recovery", "main"}),
        ("fip-truncated", {"recovery", "main"}),
        ("fip-table-damaged", {"recovery", "main"}),
        ("load-over-secure-monitor", {"recovery"}),
        ("main-init-wrong-machine", {"main"}),
        ("fip-entries-exchanged", {"recovery", "main"}),
        ("u-boot-of-another-board", {"recovery", "main"}),
        ("nor-image-byte-swapped", {"recovery", "main"}),
        ("nor-image-hole", {"recovery"}),
        ("kernel-overlaps-device-tree", {"main"}),
        ("kernel-compression-mislabelled", {"recovery"}),
        ("ramdisk-xz-crc64", {"recovery"}),
        ("gpt-header-damaged", {"main"}),
        ("gpt-made-for-larger-device", {"main"}),
    ],
)
def test_what_cannot_start_is_refuted_and_told_once(
    name: str, refuted: set[str], tmp_path: Path
) -> None:
    result = audited(tmp_path, name)
    proofs = [proof for proof in result.subject.proofs if proof.taken]
    assert {it.stage.name for it in proofs if it.verdict is Verdict.REFUTED} == refuted
    assert {it.stage.name for it in proofs if it.verdict is Verdict.PROVEN}.isdisjoint(refuted)
    errors = [item.rule.name for item in result.findings if item.severity is Severity.ERROR]
    assert errors == [FAULTS[name].finding]


def _elsewhere(header: bytearray) -> None:
    """Let a GPT's header say that it stands in sector 2, its sum made good."""
    header[24:32] = (2).to_bytes(8, "little")
    header[16:20] = bytes(4)
    header[16:20] = zlib.crc32(header[:92]).to_bytes(4, "little")


def _empty(sector: bytearray) -> None:
    sector[:] = bytes(len(sector))


@pytest.mark.parametrize(
    ("at", "change", "finding"),
    [
        # Linux block/partitions/efi.c: find_valid_gpt asks for a protective MBR, is_gpt_valid for
        # the header's own place.
        (0, _empty, "gpt-mbr-not-protective"),
        (512, _elsewhere, "gpt-location-fields-wrong"),
    ],
)
def test_a_table_that_linux_passes_over_refutes_the_main_system(
    at: int, change: Callable[[bytearray], None], finding: str, tmp_path: Path
) -> None:
    path = build(tmp_path, None)
    with (tmp_path / "emmc.img").open("r+b") as disk:
        disk.seek(at)
        sector = bytearray(disk.read(512))
        change(sector)
        disk.seek(at)
        disk.write(sector)
    with Loader() as loader:
        result = audit.run(gather(load(str(path)), FolderStore(Folder(str(tmp_path)), loader)))
    errors = [item.rule.name for item in result.findings if item.severity is Severity.ERROR]
    assert errors == [finding]
    verdicts = {it.stage.name: it.verdict for it in result.subject.proofs if it.taken}
    assert verdicts == {"recovery": Verdict.PROVEN, "main": Verdict.REFUTED}
