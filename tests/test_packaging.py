"""What is installed: the wheel's files and metadata, the manual, the oldest versions."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tomllib
import zipfile
from email.parser import HeaderParser
from pathlib import Path

import pytest
import yaml
from click.testing import CliRunner

import imgaudit
from imgaudit.cli import main

ROOT = Path(imgaudit.__file__).parent.parent
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("wheel")
    command = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(folder)]
    subprocess.run(command, cwd=ROOT, check=True, capture_output=True)
    (found,) = folder.glob("*.whl")
    return found


def test_the_wheel_has_the_package_what_is_copied_and_nothing_else(wheel: Path) -> None:
    names = set(zipfile.ZipFile(wheel).namelist())
    package = {
        str(path.relative_to(ROOT))
        for path in (ROOT / "imgaudit").rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }
    shared = {
        f"imgaudit/{p.relative_to(ROOT)}" for p in (ROOT / "shared").rglob("*") if p.is_file()
    }
    about = {name for name in names if ".dist-info/" in name}
    assert names - about == package | shared
    assert {"imgaudit/py.typed", "imgaudit/CHANGELOG.md"} <= names
    assert {name.partition("/")[2] for name in about} == {
        "METADATA",
        "WHEEL",
        "RECORD",
        "entry_points.txt",
        "licenses/LICENSE",
    }


def test_its_metadata(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        (name,) = (it for it in archive.namelist() if it.endswith("METADATA"))
        fields = HeaderParser().parsestr(archive.read(name).decode())
    assert fields["Version"] == imgaudit.__version__
    assert fields["License-Expression"] == "MIT"
    classifiers = fields.get_all("Classifier", [])
    assert "Typing :: Typed" in classifiers
    running = f"Programming Language :: Python :: {sys.version_info[0]}.{sys.version_info[1]}"
    assert running in classifiers


def test_it_runs_from_the_wheel(wheel: Path, tmp_path: Path) -> None:
    zipfile.ZipFile(wheel).extractall(tmp_path)

    def run(*words: str) -> str:
        done = subprocess.run(
            [sys.executable, "-P", "-m", "imgaudit", *words],
            cwd=tmp_path,
            env=os.environ | {"PYTHONPATH": str(tmp_path)},
            capture_output=True,
            text=True,
            check=True,
        )
        return done.stdout

    assert run("--version") == f"imgaudit {imgaudit.__version__}\n"
    listed = run("recipe")
    for path in (ROOT / "shared").rglob("*"):
        if path.is_file():
            assert str(path.relative_to(ROOT / "shared")) in listed
    audit = (ROOT / "shared" / "ci" / "audit.sh").read_text()
    assert run("recipe", "ci/audit.sh") == audit
    assert "PASS" in run("demo")


def test_the_oldest_versions_are_those_that_are_allowed() -> None:
    extras = PROJECT["optional-dependencies"]
    wanted = {}
    for line in (*PROJECT["dependencies"], *extras["fast"], *extras["signatures"]):
        ((name, least),) = re.findall(r"^([\w.-]+)>=([\d.]+)", line)
        wanted[name] = [int(part) for part in least.split(".")]
    pinned = dict(
        line.split("==")
        for line in (ROOT / "tests" / "minimum.txt").read_text().splitlines()
        if not line.startswith("#")
    )
    assert set(pinned) == set(wanted)
    for name, least in wanted.items():
        assert [int(part) for part in pinned[name].split(".")][: len(least)] == least, name


def test_the_changelog_has_this_version() -> None:
    text = (ROOT / "imgaudit" / "CHANGELOG.md").read_text()
    assert f"\n## {imgaudit.__version__}\n" in text
    headings = re.findall(r"^## (.*)$", text, re.MULTILINE)
    assert headings[0] == "Unreleased"
    assert set(re.findall(r"^### (.*)$", text, re.MULTILINE)) <= {
        *("Added", "Changed", "Deprecated", "Removed", "Fixed", "Security"),
    }


def test_the_manual_has_every_command_and_option() -> None:
    page = CliRunner().invoke(main, ["man"]).stdout.replace("\\-", "-")
    for name, command in main.commands.items():
        assert f'.SS "imgaudit {name} ' in page
        for parameter in command.params:
            for option in parameter.opts:
                assert not option.startswith("--") or option in page
    assert not [line for line in page.splitlines() if line.startswith("'")]


@pytest.mark.oracle
def test_the_manual_is_a_manual(tmp_path: Path) -> None:
    path = tmp_path / "imgaudit.1"
    path.write_text(CliRunner().invoke(main, ["man"]).stdout)
    done = subprocess.run(
        ["mandoc", "-T", "lint", "-W", "warning", str(path)],
        capture_output=True,
        text=True,
        check=False,
    )
    # It has no date: the same program prints the same page.
    said = [line for line in done.stdout.splitlines() if "missing date" not in line]
    assert said == []
    shown = subprocess.run(["mandoc", "-T", "ascii", str(path)], capture_output=True, check=True)
    words = re.sub(r".\x08", "", shown.stdout.decode())
    assert "imgaudit audit [OPTIONS] LAYOUTS..." in words
    assert "--history PATH" in words


def test_the_hook_is_the_command() -> None:
    (hook,) = yaml.safe_load((ROOT / ".pre-commit-hooks.yaml").read_text())
    assert hook["entry"].split()[1] in main.commands
    assert hook["language"] == "python"
    for name in ("layouts/whimbrel.yaml", "board/layout.yml", "my-layout.yaml"):
        assert re.search(hook["files"], name)
    for name in ("src/layout.py", "docs/a.yaml"):
        assert not re.search(hook["files"], name)
