from __future__ import annotations

import errno
import json
import os
import re
import stat
import subprocess
import sys
from pathlib import Path
from typing import Any

import click
import pytest
from click.testing import CliRunner, Result

from imgaudit import __version__, cli
from imgaudit.boundary import style_for
from imgaudit.files import ArtifactError, Folder
from imgaudit.rules import checks

HEAD = """\
layout: 1
board: whimbrel
arch: arm64
chips: {nor: {kind: spi-nor, size: 1 MiB, erase-block: 64 KiB}}
regions:
  - {name: firmware, chip: nor, at: 0, size: 64 KiB, holds: raw, writer: release, file: fw.bin}
"""
POLICY = """\
policy:
  accept:
    - {region: firmware, reason: a test, owner: us}
    - {stage: none, reason: a test, owner: us}
"""
GOOD = HEAD + POLICY
BAD = HEAD + (
    "  - {name: env, chip: nor, at: 32 KiB, size: 96 KiB, holds: raw, writer: release,"
    ' purpose: "Grüße\\u202e"}\n'
)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "good.yaml").write_text(GOOD)
    (tmp_path / "bad.yaml").write_text(BAD)
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "fw.bin").write_bytes(b"tide" * 100)
    return tmp_path


def run(*arguments: str) -> Result:
    return CliRunner().invoke(cli.main, arguments)


def shell(*arguments: str, **options: Any) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-c", "from imgaudit.cli import main; main()", *arguments]
    return subprocess.run(command, capture_output=True, text=True, check=False, **options)


@pytest.mark.usefixtures("folder")
def test_pass() -> None:
    done = run("audit", "good.yaml", "--artifacts", "out")
    assert (done.exit_code, done.stderr) == (0, "")
    assert done.stdout.startswith("PASS")
    assert done.stdout.endswith("\n")


def test_incomplete(folder: Path) -> None:
    (folder / "open.yaml").write_text(HEAD)
    done = run("audit", "open.yaml", "--artifacts", "out")
    assert (done.exit_code, done.stderr) == (3, "")
    assert done.stdout.startswith("INCOMPLETE")
    (folder / "trusted.yaml").write_text("policy: {fail-on: warning}\n")
    arguments = ("audit", "good.yaml", "--artifacts", "out", "--policy", "trusted.yaml")
    assert run(*arguments).exit_code == 3
    (folder / "trusted.yaml").write_text(GOOD)
    assert run(*arguments).exit_code == 0
    (folder / "trusted.yaml").write_text("board: no policy\n")
    assert run(*arguments).exit_code == 2


@pytest.mark.usefixtures("folder")
def test_findings() -> None:
    done = run("audit", "bad.yaml", "--artifacts", "out")
    assert (done.exit_code, done.stderr) == (1, "")
    assert done.stdout.startswith("FAIL")
    assert "regions-overlap" in done.stdout


@pytest.mark.usefixtures("folder")
def test_on_paper() -> None:
    done = run("audit", "good.yaml")
    assert done.exit_code == 0
    assert "on paper: no artifacts were given" in done.stdout


def test_the_gate(folder: Path) -> None:
    (folder / "out" / "fw.bin").write_bytes(b"tide" * 16384)
    assert run("audit", "good.yaml", "--artifacts", "out").exit_code == 0
    assert run("audit", "good.yaml", "--artifacts", "out", "--fail-on", "warning").exit_code == 1


@pytest.mark.usefixtures("folder")
@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (
            ("audit", "nothing.yaml"),
            "cannot read the layout: nothing.yaml cannot be opened: No such",
        ),
        (("audit", "out"), "is a folder, and a layout is a file"),
        (("audit", "good.yaml", "--artifacts", "nowhere"), "imgaudit: nowhere is not a folder"),
        (("audit", "good.yaml", "--artifacts", "good.yaml"), "is a file"),
        (("audit", "good.yaml", "--format", "xml"), "'xml' is not one of"),
        (("audit",), "missing argument"),
        (("map", "nothing.yaml"), "imgaudit: cannot read the layout"),
        (("explain", "regions-overlp"), "did you mean 'regions-overlap'?"),
        (("explain", "xyzzy"), "imgaudit: no finding is called 'xyzzy'"),
        (("demo", "d", "--break", "nothing-like-it"), "no fault is called"),
        (("audit", "good.yaml", "--output", "nowhere/report"), "cannot write"),
        (("audit", "good.yaml", "--output", "/dev/null"), "it is no regular file"),
        (("frobnicate",), "no such command"),
    ],
)
def test_what_cannot_be_carried_out(arguments: tuple[str, ...], says: str) -> None:
    done = run(*arguments)
    assert (done.exit_code, done.stdout) == (2, "")
    assert says in done.stderr
    assert "Traceback" not in done.stderr


def test_every_problem_of_a_layout_is_on_stderr(folder: Path) -> None:
    (folder / "broken.yaml").write_text(GOOD.replace("whimbrel", "a b").replace("arm64", "\x7f"))
    done = run("audit", "broken.yaml")
    assert (done.exit_code, done.stdout) == (2, "")
    (folder / "broken.yaml").write_text(GOOD.replace("whimbrel", "a b").replace("arm64", "arm63"))
    done = run("audit", "broken.yaml")
    assert [line.split(": ")[1] for line in done.stderr.splitlines()] == [
        "broken.yaml:2:8",
        "broken.yaml:3:7",
    ]
    assert "\x1b" not in done.stderr


def test_hostile_names_do_not_reach_the_terminal(folder: Path) -> None:
    (folder / "evil.yaml").write_text(GOOD.replace("fw.bin", '"a\\u202e\\u009b31m.bin"'))
    done = run("audit", "evil.yaml", "--artifacts", "out")
    assert done.exit_code == 1
    assert r"a\u202e\x9b31m.bin" in done.stdout
    assert "\u202e" not in done.stdout


@pytest.mark.usefixtures("folder")
def test_json() -> None:
    first = run("audit", "bad.yaml", "--artifacts", "out", "--format", "json")
    second = run("audit", "bad.yaml", "--artifacts", "out", "--format", "json")
    assert first.exit_code == 1
    assert first.stdout == second.stdout
    assert first.stdout.isascii()
    report = json.loads(first.stdout)
    assert report["verdict"] == "fail"
    assert report["layout"]["file"] == "bad.yaml"
    assert report["tool"] == {"name": "imgaudit", "version": __version__}


def test_output_is_replaced_as_a_whole(folder: Path) -> None:
    report = folder / "report.txt"
    report.write_text("old\n" * 10_000)
    os.umask(0o027)
    try:
        done = run("audit", "good.yaml", "--artifacts", "out", "--output", "report.txt")
    finally:
        os.umask(0o022)
    assert (done.exit_code, done.stdout) == (0, "")
    assert report.read_text().startswith("PASS")
    assert stat.S_IMODE(report.stat().st_mode) == 0o640
    assert sorted(path.name for path in folder.iterdir()) == [
        "bad.yaml",
        "good.yaml",
        "out",
        "report.txt",
    ]


def test_a_failed_write_leaves_the_old_report(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    (folder / "report.txt").write_text("old")
    monkeypatch.setattr(os, "replace", full)
    done = run("audit", "good.yaml", "--output", "report.txt")
    assert done.exit_code == 2
    assert "No space left on device" in done.stderr
    assert (folder / "report.txt").read_text() == "old"
    assert not list(folder.glob(".imgaudit-*"))


@pytest.mark.usefixtures("folder")
def test_status_stands_when_the_report_goes_to_a_file() -> None:
    assert run("audit", "bad.yaml", "--output", "report.txt").exit_code == 1


@pytest.mark.usefixtures("folder")
def test_map_and_inspect() -> None:
    done = run("map", "good.yaml")
    assert done.exit_code == 0
    assert "firmware" in done.stdout
    done = run("inspect", "out/fw.bin", "good.yaml")
    assert done.exit_code == 0
    assert "400 bytes" in done.stdout
    done = run("inspect", "out/fw.bin", "nothing.bin", "--format", "json")
    assert done.exit_code == 2
    report = json.loads(done.stdout)
    assert [item["path"] for item in report["artifacts"]] == ["out/fw.bin"]
    assert [item["path"] for item in report["unreadable"]] == ["nothing.bin"]


def test_inspect_a_damaged_file(folder: Path) -> None:
    import gzip

    (folder / "cut.gz").write_bytes(gzip.compress(os.urandom(1000))[:-50])
    done = run("inspect", "cut.gz")
    assert done.exit_code == 1
    assert "artifact-damaged" in done.stdout


def test_explain_and_schema() -> None:
    done = run("explain")
    assert done.exit_code == 0
    assert all(f"\n  - {name} (" in done.stdout for name in checks())
    done = run("explain", "regions-overlap")
    assert done.exit_code == 0
    assert "\n    env and recovery both claim" in done.stdout
    done = run("explain", "regions-overlap", "--sources", "--format", "json")
    assert json.loads(done.stdout)["sources"][0]["project"] == "Linux"
    # A standard by the tree that has its words.
    done = run("explain", "gpt-array-checksum", "--sources")
    assert (
        "- UEFI 2.10, 5.3.2, as EDK II 2022.11 has it, MdePkg/Include/Uefi/UefiGpt.h" in done.stdout
    )
    done = run("explain", "gpt-array-checksum", "--sources", "--format", "json")
    assert json.loads(done.stdout)["sources"][0]["standard"] == "UEFI 2.10, 5.3.2"
    done = run("schema")
    assert json.loads(done.stdout)["title"] == "imgaudit layout"


def test_no_command_is_cut_short_in_the_list() -> None:
    listed = run("--help").stdout.partition("Commands:")[2]
    assert len(listed.splitlines()) > 10
    assert "..." not in listed
    assert max(map(len, listed.splitlines())) <= 80


@pytest.mark.usefixtures("folder")
def test_a_report_ends_with_its_verdict() -> None:
    for layout in ("good.yaml", "bad.yaml"):
        lines = run("audit", layout).stdout.splitlines()
        last = max(number for number, line in enumerate(lines) if not line.strip())
        assert lines[last + 1].split("  ")[0] == lines[0].split("  ")[0]
    assert "region" in lines[last + 1]


def test_version_and_help() -> None:
    assert run("--version").stdout == f"imgaudit {__version__}\n"
    text = run("-h").stdout
    assert text.index("audit ") < text.index("map ") < text.index("explain ")


def test_demo(folder: Path) -> None:
    done = run("demo", "d")
    assert done.exit_code == 0
    assert "PASS" in done.stdout
    assert "Look closer: imgaudit audit" in done.stdout
    (folder / "file").write_text("")
    done = run("demo", "file/d")
    assert done.exit_code == 2
    assert done.stderr.startswith("imgaudit: cannot write the demo to file/d: ")
    done = run("demo", "--break", "help")
    assert done.exit_code == 0
    assert len(done.stdout.splitlines()) > 3


class _Terminal:
    encoding = "utf-8"

    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize(
    ("variables", "colour"),
    [
        ({"TERM": "xterm"}, True),
        ({"TERM": "dumb"}, False),
        ({"TERM": "xterm", "NO_COLOR": ""}, False),
        ({}, False),
    ],
)
def test_colour_only_where_it_is_wanted(
    variables: dict[str, str], colour: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("TERM", "NO_COLOR"):
        monkeypatch.delenv(name, raising=False)
    for name, value in variables.items():
        monkeypatch.setenv(name, value)
    monkeypatch.setattr(sys, "stdout", _Terminal())
    assert style_for(None).colour == colour
    assert style_for("report.txt").colour is False
    assert style_for(None).unicode


@pytest.mark.parametrize(("columns", "width"), [("20", 60), ("100", 100), ("300", 110)])
def test_width_of_the_terminal(columns: str, width: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", columns)
    monkeypatch.setattr(sys, "stdout", _Terminal())
    assert style_for(None).width == width
    assert style_for("report.txt").width == 80


def test_a_pipe_gets_plain_text(folder: Path) -> None:
    done = shell("audit", "bad.yaml", env=os.environ | {"TERM": "xterm"}, cwd=folder)
    assert done.returncode == 1
    assert "\x1b" not in done.stdout


def test_an_ascii_pipe(folder: Path) -> None:
    done = shell("map", "bad.yaml", env=os.environ | {"PYTHONIOENCODING": "ascii"}, cwd=folder)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.isascii()
    assert r"Gr\xfc\xdfe\u202e" in done.stdout
    assert "+----" in done.stdout


@pytest.mark.parametrize("layout", ["good.yaml", "bad.yaml"])
def test_a_closed_pipe_is_no_verdict(folder: Path, layout: str) -> None:
    reading, writing = os.pipe()
    os.close(reading)
    with os.fdopen(writing, "wb") as pipe:
        done = subprocess.run(
            [sys.executable, "-c", "from imgaudit.cli import main; main()", "audit", layout],
            stdout=pipe,
            stderr=subprocess.PIPE,
            cwd=folder,
            check=False,
        )
    assert (done.returncode, done.stderr) == (2, b"imgaudit: cannot write to stdout: Broken pipe\n")


def test_commands_are_listed_in_the_order_of_use() -> None:
    names = cli.main.list_commands(click.Context(cli.main))
    assert names[:2] == ["audit", "map"]


def test_progress_is_said_on_a_terminal_only(tmp_path: Path) -> None:
    layout = tmp_path / "layout.yaml"
    layout.write_text(
        "layout: 1\nboard: b\narch: arm64\n"
        "chips: {nor: {kind: spi-nor, size: 1 MiB, erase-block: 64 KiB}}\n"
        "regions: [{name: a, chip: nor, at: 0, size: 64 KiB, holds: raw, file: a.bin,"
        " writer: release}]\n"
        "policy: {accept: [{region: a, reason: r, owner: o}, {stage: none, reason: r, owner: o}]}\n"
    )
    (tmp_path / "a.bin").write_bytes(b"tide")
    command = [sys.executable, "-m", "imgaudit", "audit", str(layout), "--artifacts", str(tmp_path)]
    ours, theirs = os.openpty()
    environment = os.environ | {"TERM": "xterm"}
    done = subprocess.run(
        command, stdout=subprocess.PIPE, stderr=theirs, env=environment, check=True
    )
    os.close(theirs)
    said = os.read(ours, 4096)
    os.close(ours)
    assert b"reading a.bin" in said
    assert said.endswith(b"\r\x1b[K")
    assert b"reading" not in done.stdout
    assert subprocess.run(command, capture_output=True, check=True).stderr == b""


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["audit", "bord.yaml"], "bord.yaml cannot be opened: No such file or directory; did you"),
        (["audit", "build"], "to get one: imgaudit draft build > board.yaml"),
        (["audit", "board.yaml", "--artifacts", "biuld"], "is not a folder; did you mean 'build'?"),
        (["audit", "tab.yaml"], "tab.yaml:2:1: not YAML: a tab stands here"),
        (["draft", "build"], "no device tree with partitions"),
    ],
)
def test_the_first_mistakes_are_told_what_was_meant(
    words: list[str], says: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "build").mkdir()
    layout = (Path(__file__).parents[1] / "layouts/nor-only.yaml").read_text()
    (tmp_path / "board.yaml").write_text(layout)
    (tmp_path / "tab.yaml").write_text("layout: 1\n\tboard: tide\n")
    ran = CliRunner().invoke(cli.main, words)
    assert ran.exit_code == 2
    assert says in ran.output


def test_a_file_that_is_not_there_is_told_what_is(tmp_path: Path) -> None:
    (tmp_path / "deploy").mkdir()
    (tmp_path / "deploy/recovery.itb").write_bytes(b"x")
    folder = Folder(str(tmp_path / "deploy"))
    for name, says in (
        ("recovry.itb", "; did you mean 'recovery.itb'?"),
        ("fip.bin", "fip.bin is not in the artifacts folder"),
        ("images/recovery.itb", ", which has no images"),
    ):
        with pytest.raises(ArtifactError, match=re.escape(says) + "$"):
            folder.find(name)
