"""What other repositories copy: it runs as it says, and installs nothing by a bare name."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner

from imgaudit.cli import main
from imgaudit.demo.build import build

SHARED = Path(__file__).parents[1] / "shared"
GOOD, BAD = "whimbrel", "broken"


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("place")
    build(folder / GOOD)
    build(folder / BAD, "recovery-too-big")
    program = folder / "bin" / "imgaudit"
    program.parent.mkdir()
    program.write_text(f'#!/bin/sh\nexec {sys.executable} -m imgaudit "$@"\n')
    program.chmod(0o755)
    return folder


Run = Callable[..., "subprocess.CompletedProcess[str]"]


@pytest.fixture
def run(place: Path) -> Run:
    def shell(script: str, *words: str, **variables: str) -> subprocess.CompletedProcess[str]:
        path = f"{place / 'bin'}{os.pathsep}{os.environ['PATH']}"
        root = str(SHARED.parent)
        clean = {k: v for k, v in os.environ.items() if k != "GITHUB_STEP_SUMMARY"}
        return subprocess.run(
            ["sh", str(SHARED / script), *words],
            env=clean | {"PATH": path, "PYTHONPATH": root} | variables,
            cwd=place,
            capture_output=True,
            text=True,
            check=False,
        )

    return shell


BUILDROOT = "build-systems/buildroot-post-image.sh"


@pytest.mark.parametrize(("build_name", "status"), [(GOOD, 0), (BAD, 1)])
def test_buildroot_beside_other_scripts(run: Run, build_name: str, status: int) -> None:
    """120 of 305 defconfigs hand `-c …genimage.cfg` to every script (counted in Buildroot)."""
    layout = f"{build_name}/whimbrel.yaml"
    words = (build_name, "-c", "board/genimage.cfg", f"--audit-layout={layout}")
    done = run(BUILDROOT, *words)
    assert done.returncode == status, done.stderr
    assert ("do not fit" in done.stderr) == (status == 1)
    done = run(BUILDROOT, build_name, "-c", "board/genimage.cfg", IMGAUDIT_LAYOUT=layout)
    assert done.returncode == status


def test_buildroot_says_what_is_missing(run: Run) -> None:
    done = run(BUILDROOT, GOOD, "-c", "board/genimage.cfg")
    assert (done.returncode, "name the layout" in done.stderr) == (2, True)
    done = run(BUILDROOT, GOOD, "--audit-layout=none.yaml")
    assert (done.returncode, "could not be carried out" in done.stderr) == (2, True)


@pytest.mark.parametrize(("build_name", "status"), [(GOOD, 0), (BAD, 1)])
def test_the_ci_script(run: Run, place: Path, build_name: str, status: int) -> None:
    summary = place / f"{build_name}.summary"
    done = run(
        "ci/audit.sh",
        LAYOUT=f"{build_name}/whimbrel.yaml",
        ARTIFACTS=build_name,
        REPORTS=f"reports-{build_name}",
        GITHUB_STEP_SUMMARY=str(summary),
    )
    assert done.returncode == status, done.stderr
    written = {path.name for path in (place / f"reports-{build_name}").iterdir()}
    assert {"imgaudit.sarif", "imgaudit.xml", "imgaudit.html", "imgaudit-quality.json"} <= written
    assert summary.read_text().startswith("## ")


def test_nothing_is_installed_by_the_bare_name() -> None:
    for path in SHARED.rglob("*"):
        if path.is_file():
            assert not re.search(r"pip3? install .*\bimgaudit\b(?!-)", path.read_text()), path


@pytest.mark.parametrize(
    ("status", "says"),
    [
        (0, "NOTE the images fit"),
        (1, "FATAL the images do not fit"),
        (2, "FATAL the audit could not be carried out (exit 2)"),
        (3, "FATAL not all could be judged"),
    ],
)
def test_the_class_has_a_message_for_each_exit(status: int, says: str, tmp_path: Path) -> None:
    """The task's body as bitbake would run it: variables filled in, a stand-in for imgaudit.

    No bitbake is packaged for Debian 12, so the order of tasks is held by the words alone.
    """
    text = (SHARED / "build-systems" / "imgaudit.bbclass").read_text()
    body = text[text.index("do_audit_images() {") :].partition("\n}\n")[0] + "\n}\n"
    reports = tmp_path / "reports"
    values = {"IMGAUDIT_LAYOUT": "a.yaml", "IMGAUDIT_REPORTS": str(reports)}
    body = re.sub(r"\$\{(IMGAUDIT_\w+)\}", lambda match: values.get(match[1], "x"), body)
    script = (
        'bbnote() { echo "NOTE $*"; }\nbbfatal() { echo "FATAL $*"; exit 1; }\n'
        f"imgaudit() {{ echo report >{reports}/imgaudit.txt; return {status}; }}\n"
        f"{body}do_audit_images\n"
    )
    done = subprocess.run(["sh", "-ec", script], capture_output=True, text=True, check=False)
    assert says in done.stdout, done.stderr
    assert (done.returncode == 0) == (status == 0)


def test_the_class_waits_for_what_it_is_told() -> None:
    text = (SHARED / "build-systems" / "imgaudit.bbclass").read_text()
    assert "do_audit_images[depends]" in text
    assert "${IMGAUDIT_DEPENDS}" in text
    assert "HOSTTOOLS" not in text


def test_recipes_are_printed_as_they_are() -> None:
    listed = CliRunner().invoke(main, ["recipe"])
    assert listed.exit_code == 0
    for path in SHARED.rglob("*"):
        if path.is_file():
            name = str(path.relative_to(SHARED))
            assert name in listed.stdout
            assert CliRunner().invoke(main, ["recipe", name]).stdout == path.read_text()
    wrong = CliRunner().invoke(main, ["recipe", "ci/audit"])
    assert (wrong.exit_code, "did you mean" in wrong.stderr) == (2, True)


def test_finding_names_are_completed() -> None:
    completed = CliRunner().invoke(
        main,
        [],
        prog_name="imgaudit",
        env={
            "_IMGAUDIT_COMPLETE": "bash_complete",
            "COMP_WORDS": "imgaudit explain headroom",
            "COMP_CWORD": "2",
        },
    )
    assert "headroom-low" in completed.stdout


@pytest.mark.parametrize(
    ("typed", "number", "expected"),
    [
        ("imgaudit recipe ci/g", 2, "ci/gitlab-ci.yml"),
        ("imgaudit demo --break fit-", 3, "fit-truncated"),
        ("imgaudit aud", 1, "audit"),
        ("imgaudit audit --hi", 2, "--history"),
    ],
)
def test_the_shell_completes(typed: str, number: int, expected: str) -> None:
    words = {"COMP_WORDS": typed, "COMP_CWORD": str(number)}
    environment = {"_IMGAUDIT_COMPLETE": "bash_complete"} | words
    completed = CliRunner().invoke(main, [], prog_name="imgaudit", env=environment)
    assert f"plain,{expected}" in completed.stdout


@pytest.mark.oracle
@pytest.mark.parametrize(("package", "form"), [("lzallright", "lzo"), ("backports", "zstd")])
def test_a_decoder_that_is_missing_is_not_checked(
    package: str, form: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    if form == "zstd" and sys.version_info >= (3, 14):
        return
    # A whole zstd frame of four raw bytes (RFC 8878, 3.1.1); lzop's header is made by lzop itself.
    path = tmp_path / f"a.{form}"
    if form == "zstd":
        path.write_bytes(bytes.fromhex("28b52ffd2004210000") + b"tide")
    else:
        (tmp_path / "a").write_bytes(b"tide" * 1000)
        subprocess.run(["lzop", "-o", str(path), str(tmp_path / "a")], check=True)
    monkeypatch.setitem(sys.modules, package, None)
    done = CliRunner().invoke(main, ["inspect", str(path)])
    assert done.exit_code == 0, done.stdout
    assert f"the Python package {package}" in " ".join(done.stdout.split())
