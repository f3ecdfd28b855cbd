from __future__ import annotations

import gzip
import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from imgaudit.cli import main
from imgaudit.demo.build import build
from tests.formats._cpio import archive
from tests.rescue._ramdisk import members
from tests.rescue.test_weigh import FILES, noise


def run(*arguments: str | Path) -> tuple[int, str]:
    result = CliRunner().invoke(main, ["weigh", *map(str, arguments)])
    return result.exit_code, result.output


@pytest.fixture(scope="module")
def builds(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Give the demo's recovery as it is and with the fault that makes it too big."""
    folder = tmp_path_factory.mktemp("builds")
    found = {}
    for name, fault in (("old", None), ("new", "recovery-too-big")):
        build(folder / name, fault)
        found[name] = folder / name / "recovery.itb"
    return found


def test_what_grew_is_named_first(builds: dict[str, Path]) -> None:
    status, text = run(builds["new"], "--against", builds["old"], "--fit", "13 MiB")
    assert status == 1
    lines = text.splitlines()
    over = builds["new"].stat().st_size - (13 << 20)
    assert text.startswith(f"DOES NOT FIT  {over:,} bytes")
    grown = lines.index(next(line for line in lines if line.startswith("Against the old file")))
    parts = next(at for at, line in enumerate(lines) if at > grown and "part" in line.split())
    size, _, name = lines[parts + 1].split()
    assert (size, name) == ("+12,993,000", "ramdisk-1")
    assert lines[parts + 3].split()[2:] == ["added", "/usr/share/charts"]
    first = lines.index("Check before cutting these") + 2
    assert lines[first].split()[1:] == ["fits", "data", "/usr/share/charts"]
    assert "What can go without a loss is not enough" in text


def test_a_report_fits_its_columns(builds: dict[str, Path], tmp_path: Path) -> None:
    long = {f"opt/{'long-name' * 20}{number}": noise(500, number) for number in range(30)}
    path = tmp_path / "ramdisk"
    path.write_bytes(archive(*members(FILES | long)))
    for arguments in ((builds["new"], "--against", builds["old"], "--fit", "13 MiB"), (path,)):
        _, text = run(*arguments)
        shown = [line for line in text.splitlines() if str(tmp_path.parent) not in line]
        assert max(map(len, shown)) <= 80
    assert "and 20 more" in text


def test_json_adds_up(builds: dict[str, Path]) -> None:
    status, text = run(
        builds["new"], "--against", builds["old"], "--fit", "13 MiB", "--format", "json"
    )
    assert status == 1
    assert run(
        builds["new"], "--against", builds["old"], "--fit", "13 MiB", "--format", "json"
    ) == (
        1,
        text,
    )
    found = json.loads(text)
    assert sum(part["size"] for part in found["parts"]) == found["file"]["size"]
    for weights in (found["kinds"], found["groups"]):
        for key in ("unpacked", "stored"):
            assert sum(weight[key] for weight in weights.values()) == found["ramdisk"][key]
    assert found["changes"]["files"][0]["path"] == "/usr/share/charts"
    assert found["changes"]["new"] - found["changes"]["old"] == sum(
        part["by"] for part in found["changes"]["parts"]
    )
    assert found["fit"]["missing"] == found["file"]["size"] - (13 << 20)


def test_what_fits_passes(builds: dict[str, Path]) -> None:
    status, text = run(builds["old"], "--fit", "13 MiB")
    assert status == 0
    assert "FITS  " in text
    status, text = run(builds["old"], "--against", builds["old"])
    assert (status, "every file in the ramdisk is the same" in text) == (0, True)


def test_a_control_character_in_a_name_is_shown(tmp_path: Path) -> None:
    path = tmp_path / "ramdisk.gz"
    path.write_bytes(gzip.compress(archive(*members({"\x1b[2J": noise(500)})), mtime=0))
    for form in ("text", "json"):
        assert "\x1b" not in run(path, "--format", form)[1]


def test_what_cannot_be_weighed_is_said(tmp_path: Path) -> None:
    path = tmp_path / "noise"
    path.write_bytes(noise(500))
    status, text = run(path)
    assert status == 2
    assert "nothing to weigh" in text
    assert run(tmp_path / "missing")[0] == 2
    path.write_bytes(archive(*members({"a": b"a"})))
    for wrong in (("--needs", "tides"), ("--arch", "pdp11"), ("--fit", "3k")):
        assert run(path, *wrong)[0] == 2
