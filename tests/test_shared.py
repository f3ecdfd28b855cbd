"""What other repositories copy: it runs as it says, and installs nothing by a bare name."""

from __future__ import annotations

import hashlib
import json
import os
import re
import subprocess
import sys
import tomllib
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


def test_the_buildroot_package_keeps_its_conventions() -> None:
    """What utils/check-package of Buildroot looks for (its checkpackagelib, read and run by hand).

    The Buildroot user manual, "Adding new packages": a header of 80 `#` around the name, variables
    by the name in capitals, continued lines with a tab; a help text with a tab and two blanks; two
    blanks between the fields of a .hash.
    """
    folder = SHARED / "build-systems/buildroot"
    for name in ("imgaudit", "imgaudit-click"):
        lines = (folder / name / f"{name}.mk").read_text().splitlines()
        assert lines[:5] == ["#" * 80, "#", f"# {name}", "#", "#" * 80]
        assert "$(eval $(host-python-package))" in lines
        assert not [line for line in lines if line != line.rstrip() or "\t" in line.lstrip("\t")]
        assert max(map(len, lines)) <= 80
        assigned = [line.partition(" =")[0] for line in lines if " = " in line]
        own = name.upper().replace("-", "_")
        assert all(it.startswith((f"{own}_", f"HOST_{own}_")) for it in assigned)
        assert {f"{own}_VERSION", f"{own}_SITE", f"{own}_LICENSE", f"{own}_SETUP_TYPE"} <= {
            *assigned
        }
    project = tomllib.loads((SHARED.parent / "pyproject.toml").read_text())
    assert project["build-system"]["build-backend"].startswith("hatch")
    package = (folder / "imgaudit/imgaudit.mk").read_text()
    assert "IMGAUDIT_SETUP_TYPE = hatch\n" in package
    # what it cannot do without: lzallright, tabulate and zstd are asked for where they are used
    for needed in ("click", "pyelftools", "pyyaml"):
        assert re.search(rf"host-\S*{needed}", package)
    (line,) = re.findall(
        r"^sha256  (\w+)  LICENSE$", (folder / "imgaudit/imgaudit.hash").read_text(), re.MULTILINE
    )
    assert hashlib.sha256((SHARED.parent / "LICENSE").read_bytes()).hexdigest() == line
    entry = (folder / "imgaudit/Config.in.host").read_text().splitlines()
    said = entry[entry.index("\thelp") + 1 :]
    assert all(not it or (it.startswith("\t  ") and len(it) <= 64) for it in said)
    order = [line.split()[0] for line in entry if re.match(r"\t\w", line)]
    assert order == sorted(order, key=["bool", "depends", "select", "help"].index)


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


def test_the_ci_script_takes_baseline_and_history(run: Run, place: Path) -> None:
    sealed = place / "releases"
    sealed.mkdir(exist_ok=True)
    words = ["seal", str(place / GOOD / "whimbrel.yaml"), "--artifacts", str(place / GOOD)]
    for number in (1, 2):
        CliRunner().invoke(main, [*words, "--output", str(sealed / f"{number}.json")])
    settings = {"LAYOUT": f"{BAD}/whimbrel.yaml", "ARTIFACTS": BAD}
    done = run("ci/audit.sh", HISTORY="releases", REPORTS="with-history", **settings)
    assert done.returncode == 1
    assert "\nGrowth\n" in done.stdout
    baseline = "with-history/imgaudit.json"
    known = run("ci/audit.sh", BASELINE=baseline, REPORTS="known", **settings)
    assert known.returncode == 0
    assert known.stdout.startswith("PASS  1 of 2 stages proven, 1 known from the baseline\n")


def test_the_ci_script_says_what_is_missing(run: Run) -> None:
    done = run("ci/audit.sh", LAYOUT="none.yaml", ARTIFACTS=GOOD, REPORTS="none")
    assert (done.returncode, "could not be carried out (exit 2)" in done.stderr) == (2, True)
    done = run("ci/audit.sh", LAYOUT="none.yaml", ARTIFACTS=GOOD, PATH="/usr/bin:/bin")
    assert (done.returncode, "imgaudit is not on the PATH" in done.stderr) == (2, True)


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
    """The task's body as bitbake would run it: variables filled in, a stand-in for imgaudit."""
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


# What bitbake does with a recipe before it runs anything, by its own parser; its package has no
# server and no hash client, which parsing does not use.
_PARSE = """
import json, sys, types
for name in ("hashserv", "hashserv.client"):
    sys.modules[name] = types.ModuleType(name)
sys.modules["hashserv"].client = sys.modules["hashserv.client"]
import bb, bb.data, bb.parse, bb.siggen
folder = sys.argv[1]
data = bb.data.init()
for name, value in {
    "BBPATH": folder, "THISDIR": folder, "FILE": f"{folder}/acme.bb", "WORKDIR": "/work",
    "DEPLOY_DIR_IMAGE": "/deploy", "__bbclasstype": "recipe",
}.items():
    data.setVar(name, value)
bb.parse.siggen = bb.siggen.init(data)
recipe = bb.parse.handle(f"{folder}/acme.bb", data)[""]
print(json.dumps(recipe.getVar("_task_deps") | {"body": recipe.getVar("do_audit_images")}))
"""
# The tasks of oe-core's base.bbclass, in their order.
_BASE = "fetch unpack patch prepare_recipe_sysroot configure compile install populate_sysroot build"


@pytest.mark.oracle
def test_bitbake_reads_the_class(tmp_path: Path) -> None:
    """The release waits for both deploys, and for nothing that would need a toolchain.

    Run by hand with bitbake 2.19 and oe-core of August 2026, on two stand-in recipes: the audit
    came after both deploys; no program, findings, and no layout gave three messages.
    """
    classes = tmp_path / "classes"
    classes.mkdir()
    (classes / "imgaudit.bbclass").write_text(
        (SHARED / "build-systems" / "imgaudit.bbclass").read_text()
    )
    (classes / "nopackages.bbclass").write_text("")
    tasks = [f"do_{name}" for name in _BASE.split()]
    after = zip(tasks, ["", *tasks], strict=False)
    lines = [f"addtask {task}{f' after {other}' if other else ''}\n" for task, other in after]
    (classes / "base.bbclass").write_text("".join(lines))
    (tmp_path / "acme.bb").write_text(
        "inherit base imgaudit\n"
        'IMGAUDIT_LAYOUT = "${THISDIR}/files/board.yaml"\n'
        'IMGAUDIT_DEPENDS = "acme-firmware:do_deploy acme-image:do_image_complete"\n'
        'IMGAUDIT_MCDEPENDS = "mc::second:acme-second:do_deploy"\n'
    )
    done = subprocess.run(
        [sys.executable, "-c", _PARSE, str(tmp_path)], capture_output=True, text=True, check=True
    )
    found = json.loads(done.stdout.splitlines()[-1])
    assert set(found["tasks"]) == {"do_prepare_recipe_sysroot", "do_audit_images", "do_build"}
    assert "do_audit_images" in found["parents"]["do_build"]
    assert set(found["depends"]["do_audit_images"].split()) == {
        "imgaudit-native:do_populate_sysroot",
        "acme-firmware:do_deploy",
        "acme-image:do_image_complete",
    }
    assert found["mcdepends"]["do_audit_images"].split() == ["mc::second:acme-second:do_deploy"]
    assert found["nostamp"] == {"do_audit_images": "1"}
    assert f"{tmp_path}/files/board.yaml" in found["body"]


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
