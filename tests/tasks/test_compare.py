"""Two reports, two manifests, and the options of a gate."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from imgaudit.cli import main
from imgaudit.demo.build import build


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words])


@pytest.fixture(scope="module")
def builds(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("builds")
    for name, fault in (("good", None), ("bad", "recovery-too-big")):
        build(folder / name, fault)
        audit(folder, name, "--report", f"json={folder / name}.json")
    return folder


def audit(folder: Path, name: str, *more: str | Path) -> Result:
    return run("audit", folder / name / "whimbrel.yaml", "--artifacts", folder / name, *more)


def test_what_came_and_went(builds: Path) -> None:
    good, bad = builds / "good.json", builds / "bad.json"
    done = run("compare", good, bad)
    assert done.exit_code == 1
    assert done.stdout.startswith("WORSE")
    assert "Came\n  error artifact-exceeds-region" in done.stdout
    assert "recovery  1.7 MiB  14.1 MiB  +12,9" in done.stdout
    back = run("compare", bad, good, "--format", "json")
    assert back.exit_code == 0
    value = json.loads(back.stdout)
    assert value["came"] == []
    assert "artifact-exceeds-region" in {item["identity"][0] for item in value["went"]}
    assert run("compare", bad, bad).stdout.startswith("NO WORSE  0 findings came, 0 went")


def test_two_manifests(builds: Path) -> None:
    for name in ("good", "bad"):
        folder, sealed = builds / name, builds / f"{name}.manifest"
        done = run(
            *("seal", folder / "whimbrel.yaml", "--artifacts", folder, "--output", sealed),
        )
        assert done.exit_code == 0
    done = run("compare", builds / "good.manifest", builds / "bad.manifest")
    assert done.exit_code == 0
    assert "1 region of another size" in done.stdout
    assert run("compare", builds / "good.manifest", builds / "bad.json").exit_code == 2


def test_the_baseline_on_the_command_line(builds: Path) -> None:
    assert audit(builds, "bad", "--baseline", builds / "bad.json").exit_code in {0, 3}
    assert audit(builds, "bad", "--baseline", builds / "good.json").exit_code == 1
    for wrong in (b"", b"{}", b"[1]", b'{"findings": 1}', b'{"findings": [{}]}'):
        (builds / "wrong.json").write_bytes(wrong)
        done = audit(builds, "bad", "--baseline", builds / "wrong.json")
        assert done.exit_code == 2, wrong
        assert "Traceback" not in done.stderr


def test_advisory_and_a_root(builds: Path) -> None:
    done = audit(builds, "bad", "--advisory", "--root", builds)
    assert done.exit_code == 0
    assert done.stdout.startswith("FAIL")
    assert "where: bad/whimbrel.yaml:" in done.stdout
    assert str(builds) not in done.stdout
    assert audit(builds, "bad", "--root", builds / "good").exit_code == 2


def test_several_layouts(builds: Path) -> None:
    layouts = [builds / name / "whimbrel.yaml" for name in ("good", "bad")]
    folders = [builds / "good", builds / "bad"]
    options = [word for folder in folders for word in ("--artifacts", folder)]
    done = run("audit", *layouts, *options, "--format", "json")
    assert done.exit_code == 1
    audits = json.loads(done.stdout)["audits"]
    assert [item["verdict"] == "fail" for item in audits] == [False, True]
    assert run("audit", *layouts, *layouts, *options).exit_code == 2
