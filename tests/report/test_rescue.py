from __future__ import annotations

import gzip
import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from imgaudit.cli import main
from imgaudit.demo.build import build
from imgaudit.rules._rescue import archive
from imgaudit.writers import kernel as kernels
from imgaudit.writers.tree import file
from tests.rules.test_ramdisk import packed_fit


def run(*arguments: str | Path) -> tuple[int, str]:
    result = CliRunner().invoke(main, ["rescue", *map(str, arguments)])
    return result.exit_code, result.output


@pytest.fixture
def ramdisk(tmp_path: Path) -> Path:
    path = tmp_path / "rescue.img"
    named = {"etc/os-release": file("ID=gauge\nVERSION_ID=7\n")}
    path.write_bytes(gzip.compress(archive(named), mtime=0))
    return path


def test_a_sound_ramdisk_passes(ramdisk: Path) -> None:
    status, text = run(ramdisk, "--needs", "integrity")
    assert status == 0
    assert text.startswith("PASS  1 of 1 group of tools, 3 not checked")
    assert "Recovery: 1 of 1 group of tools" in text
    assert "init    /init runs" in text
    assert "configuration unknown: no kernel is known" in text.replace("\n", " ")


def test_what_is_missing_is_said_by_group(ramdisk: Path) -> None:
    status, text = run(ramdisk, "--needs", "integrity, block-identification,emmc")
    assert status == 1
    assert text.startswith("FAIL  2 of 3 groups of tools, 1 error")
    assert "Recovery: 2 of 3 groups of tools" in text
    lines = text.splitlines()
    assert "  integrity             met" in lines
    assert "  block-identification  NOT met" in lines
    assert "    - tell what a partition holds: no blkid" in lines
    assert "    - good to have, talk to the eMMC: no mmc" in lines


def test_the_kernel_that_starts_it(ramdisk: Path, tmp_path: Path) -> None:
    kernel = tmp_path / "Image"
    kernel.write_bytes(kernels.image({"BLK_DEV_INITRD": "y", "RD_XZ": "y", "BINFMT_ELF": "y"}))
    status, text = run(ramdisk, "--needs", "integrity", "--kernel", kernel)
    assert status == 1
    assert f"kernel  Linux {kernels.RELEASE}; configuration built into the kernel" in text
    assert "ramdisk-compression-not-in-kernel" in text
    assert "arch    arm64" in text


def test_json_has_the_same(ramdisk: Path) -> None:
    status, text = run(ramdisk, "--needs", "integrity,emmc", "--arch", "arm64", "--format", "json")
    assert status == 0
    said = json.loads(text)
    assert said["verdict"] == "pass"
    rescue = said["rescue"]
    assert (rescue["arch"], rescue["groups-met"]) == ("arm64", 2)
    assert [group["name"] for group in rescue["groups"]] == ["integrity", "emmc"]
    assert rescue["groups"][0]["needs"][0]["by"] == ["sha256sum"]
    assert rescue["archives"][0]["compression"] == "gzip"
    assert rescue["init"] == {
        "path": "/init",
        "runs": True,
        "tried": [{"path": "/init", "error": 0}],
        "reached": "/init",
    }
    assert rescue["kernel"]["configuration-known"] is False
    assert (
        text == run(ramdisk, "--needs", "integrity,emmc", "--arch", "arm64", "--format", "json")[1]
    )


def test_a_fit_and_its_configuration(tmp_path: Path) -> None:
    path = tmp_path / "recovery.itb"
    path.write_bytes(packed_fit(archive(), "BINFMT_ELF"))
    assert run(path, "--needs", "integrity")[0] == 0
    status, text = run(path, "--configuration", "none")
    assert status == 1
    assert "no configuration is called none" in " ".join(text.split())


def test_what_cannot_be_carried_out(ramdisk: Path, tmp_path: Path) -> None:
    status, text = run(ramdisk, "--needs", "tides")
    assert status == 2
    assert text.startswith("imgaudit: no group is called tides; the groups are shell, console,")
    assert run(ramdisk, "--arch", "pdp11")[0] == 2
    assert run(tmp_path / "none")[0] == 2
    assert run(ramdisk, "--kernel", tmp_path / "none")[0] == 2


def test_a_file_without_a_ramdisk(tmp_path: Path) -> None:
    path = tmp_path / "tide"
    path.write_bytes(b"tide" * 100)
    status, text = run(path)
    assert status == 1
    assert "no ramdisk:" in text
    status, text = run(path, "--format", "json")
    assert json.loads(text)["rescue"]["not-surveyed"].endswith("not a ramdisk")


def test_the_audit_says_it_shortly(tmp_path: Path) -> None:
    layout = build(tmp_path, "tool-missing")

    def audit(*more: str) -> str:
        command = ["audit", str(layout), "--artifacts", str(tmp_path), *more]
        return CliRunner().invoke(main, command).output

    assert "\nRecovery\n  recovery: 14 of 15 groups; not partitioning\n" in audit()
    stages = json.loads(audit("--format", "json"))["stages"]
    by_name = {stage["name"]: stage["rescue"] for stage in stages}
    assert by_name["main"] is None
    assert by_name["recovery"]["groups-met"] == 14
