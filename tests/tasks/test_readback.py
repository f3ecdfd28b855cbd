"""seal, audit --manifest and readback on the command line."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from imgaudit.cli import main
from imgaudit.demo.build import build


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    layout = build(tmp_path_factory.mktemp("whimbrel"))
    done = run("seal", layout, "--artifacts", layout.parent, "--output", sealed(layout))
    assert done.exit_code == 0
    return layout


def sealed(layout: Path) -> Path:
    return layout.with_name("manifest.json")


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words])


def test_a_sealed_release_passes_its_audit(demo: Path) -> None:
    done = run(
        "audit", demo, "--artifacts", demo.parent, "--manifest", sealed(demo), "--format", "json"
    )
    assert done.exit_code == 0, done.output
    assert json.loads(done.output)["findings"] == []


def test_sealing_twice_gives_the_same_bytes(demo: Path) -> None:
    done = run("seal", demo, "--artifacts", demo.parent)
    assert done.exit_code == 0
    assert done.output == sealed(demo).read_text()


def test_an_audit_says_what_changed(demo: Path, tmp_path: Path) -> None:
    layout = build(tmp_path / "later", "tool-missing")
    done = run(
        "audit",
        layout,
        "--artifacts",
        layout.parent,
        "--manifest",
        sealed(demo),
        "--format",
        "json",
    )
    assert done.exit_code == 1
    told = {
        (item["finding"], item["region"])
        for item in json.loads(done.output)["findings"]
        if item["finding"].startswith("manifest-")
    }
    assert told == {("manifest-artifact-changed", "recovery")}


@pytest.mark.parametrize("against", ["--artifacts", "--manifest"])
def test_the_demo_boards_read_back_clean(demo: Path, against: str) -> None:
    source = demo.parent if against == "--artifacts" else sealed(demo)
    nor, emmc = demo.with_name("nor.img"), demo.with_name("emmc.img")
    done = run("readback", demo, "--dump", f"nor={nor}", "--dump", f"emmc={emmc}", against, source)
    assert done.exit_code == 0, done.output
    assert done.output.startswith("PASS  8 of 8 regions as they should be, 2 not compared, nothing")
    assert "dump of nor: 5 of 5 regions" in done.output
    assert "dump of emmc: 3 of 3 regions" in done.output


def test_a_fault_in_a_dump_is_found(demo: Path, tmp_path: Path) -> None:
    chip = bytearray(demo.with_name("nor.img").read_bytes())
    chip[0x212345] ^= 0x5A
    chip[0x212346] ^= 0xA5
    (tmp_path / "nor.bin").write_bytes(chip)
    report = tmp_path / "report.json"
    done = run(
        *("readback", demo, "--dump", f"nor={tmp_path / 'nor.bin'}", "--artifacts", demo.parent),
        *("--format", "json", "--output", report),
    )
    assert done.exit_code == 1
    assert done.output == ""
    (finding,) = json.loads(report.read_text())["findings"]
    assert finding["finding"] == "chip-image-differs"
    assert finding["offset"] == 0x212345
    assert finding["artifact"] == "recovery.itb"


def test_what_was_sealed_is_compared_where_the_region_has_become_too_small(
    demo: Path, tmp_path: Path
) -> None:
    layout = tmp_path / "whimbrel.yaml"
    layout.write_text(demo.read_text().replace("size: 13 MiB", "size: 128 KiB"))
    chip = bytearray(demo.with_name("nor.img").read_bytes())
    chip[0x240000] ^= 0x5A  # of recovery.itb, and past its region
    (tmp_path / "nor.bin").write_bytes(chip)
    words = ("readback", layout, "--dump", f"nor={tmp_path / 'nor.bin'}")
    done = run(*words, "--manifest", sealed(demo), "--format", "json")
    assert done.exit_code == 1
    told = {(it["finding"], it["region"]) for it in json.loads(done.output)["findings"]}
    assert ("chip-image-differs-from-manifest", "recovery") in told


def test_a_warning_fails_where_it_is_asked_to(demo: Path, tmp_path: Path) -> None:
    chip = bytearray(demo.with_name("nor.img").read_bytes())
    chip[0x180000] = 0
    (tmp_path / "nor.bin").write_bytes(chip)
    words = ("readback", demo, "--dump", f"nor={tmp_path / 'nor.bin'}", "--artifacts", demo.parent)
    assert run(*words).exit_code == 0
    assert run(*words, "--fail-on", "warning").exit_code == 1


class TestRefused:
    @pytest.mark.parametrize(
        ("words", "why"),
        [
            (("--dump", "nor=x"), "give either --artifacts or --manifest"),
            (("--dump", "x", "--artifacts", "."), "write CHIP=FILE"),
            (("--dump", "=x", "--artifacts", "."), "write CHIP=FILE"),
            (("--dump", "nor=x", "--dump", "nor=y", "--artifacts", "."), "nor is given twice"),
            (("--dump", "nand=x", "--artifacts", "."), "no chip called 'nand'"),
            (("--dump", "nor=none.bin", "--artifacts", "."), "none.bin cannot be opened"),
            (("--dump", "nor=/dev/zero", "--artifacts", "."), "/dev/zero is not a regular file"),
        ],
    )
    def test_with_a_reason(self, demo: Path, words: tuple[str, ...], why: str) -> None:
        done = run("readback", demo, *words)
        assert done.exit_code == 2
        assert why in done.output

    def test_a_fifo(self, demo: Path, tmp_path: Path) -> None:
        os.mkfifo(tmp_path / "nor.bin")
        done = run("readback", demo, "--dump", f"nor={tmp_path / 'nor.bin'}", "--artifacts", ".")
        assert done.exit_code == 2
        assert "is not a regular file" in done.output

    def test_a_nor_that_cannot_be_one(self, demo: Path, tmp_path: Path) -> None:
        with (tmp_path / "nor.bin").open("wb") as file:
            file.truncate(1 << 40)
        done = run("readback", demo, "--dump", f"nor={tmp_path / 'nor.bin'}", "--artifacts", ".")
        assert done.exit_code == 2
        assert "no SPI-NOR is that large" in done.output

    def test_a_manifest_that_is_none(self, demo: Path) -> None:
        for words in (
            ("readback", demo, "--dump", f"nor={demo}", "--manifest", demo),
            ("audit", demo, "--manifest", demo),
        ):
            done = run(*words)
            assert done.exit_code == 2
            assert "not JSON" in done.output

    def test_half_a_release(self, demo: Path, tmp_path: Path) -> None:
        done = run("seal", demo, "--artifacts", tmp_path, "--output", tmp_path / "m.json")
        assert done.exit_code == 2
        assert "nothing was sealed" in done.output
        assert not (tmp_path / "m.json").exists()


def test_an_endless_sparse_emmc_dump_is_no_matter(demo: Path, tmp_path: Path) -> None:
    with (tmp_path / "emmc.bin").open("wb") as file:
        file.truncate(1 << 42)
    done = run(
        "readback", demo, "--dump", f"emmc={tmp_path / 'emmc.bin'}", "--artifacts", demo.parent
    )
    assert done.exit_code == 1
    assert done.output.count("chip-image-erased-hole") >= 3


def test_the_help_carries_the_caution() -> None:
    text = " ".join(run("readback", "--help").output.split())
    assert "nothing is written to a device" in text
    assert "keep a backup of the chip and a serial or ROM way in" in text
    assert "vendor's datasheet" in text
