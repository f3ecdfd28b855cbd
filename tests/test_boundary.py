"""The process as a CI job sees it: its exit status is true however a run ends."""

from __future__ import annotations

import bz2
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from imgaudit import cli, confined
from imgaudit.report import forms
from imgaudit.tasks import inspect as inspecting
from tests.test_cli import HEAD, POLICY

AUDIT = ("audit", "good.yaml", "--artifacts", "out")
STATUS = {"good.yaml": 0, "open.yaml": 3, "bad.yaml": 1}


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "good.yaml").write_text(HEAD + POLICY)
    (tmp_path / "open.yaml").write_text(HEAD)
    (tmp_path / "bad.yaml").write_text(HEAD.replace("at: 0", "at: 1 KiB") + POLICY)
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "fw.bin").write_bytes(b"tide" * 100)
    return tmp_path


def command(*arguments: str) -> list[str]:
    return [sys.executable, "-m", "imgaudit", *arguments]


def shell(*arguments: str, **options: Any) -> subprocess.CompletedProcess[str]:
    options = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, **options}
    return subprocess.run(command(*arguments), text=True, check=False, **options)


@pytest.mark.usefixtures("folder")
@pytest.mark.parametrize("artifacts", [(), ("--artifacts", "out")], ids=["paper", "artifacts"])
@pytest.mark.parametrize("layout", STATUS)
def test_nothing_is_a_verdict_that_was_not_written(layout: str, artifacts: tuple[str, ...]) -> None:
    audit = ("audit", layout, *artifacts)
    whole = shell(*audit).returncode
    assert whole == (STATUS[layout] if artifacts or layout != "open.yaml" else 0)
    with open("/dev/full", "wb") as full:
        done = shell(*audit, stdout=full)
        assert (done.returncode, done.stderr) == (
            2,
            "imgaudit: cannot write to stdout: No space left on device\n",
        )
        assert shell(*audit, stdout=full, stderr=full).returncode == 2
        # What goes to stderr changes no verdict.
        assert shell(*audit, stderr=full).returncode == whole
        assert shell("--help", stdout=full).returncode == 2
    closed = f"{sys.executable} -m imgaudit {' '.join(audit)}"
    for how in (">&-", ">&- 2>&-"):
        assert subprocess.run(["sh", "-c", f"{closed} {how}"], check=False).returncode == 2
    ran = subprocess.run(["sh", "-c", f"{closed} 2>&- >/dev/null"], check=False)
    assert ran.returncode == whole


@pytest.mark.usefixtures("folder")
def test_an_error_keeps_its_status_where_nobody_hears_it() -> None:
    with open("/dev/full", "wb") as full:
        assert shell("audit", "nothing.yaml", stderr=full).returncode == 2
        assert shell("audit", stderr=full).returncode == 2
        assert shell("audit", "nothing.yaml", "--artifacts", "out", stderr=full).returncode == 2


@pytest.mark.usefixtures("folder")
def test_a_file_that_cannot_be_written_is_no_verdict() -> None:
    for way in (("--output", "nowhere/x"), ("--report", "json=nowhere/x"), ("--output", "out")):
        done = shell(*AUDIT, *way)
        assert done.returncode == 2
        assert "PASS" not in done.stdout


@pytest.mark.parametrize("artifacts", [(), ("--artifacts", "out")], ids=["paper", "artifacts"])
def test_output_never_goes_through_a_link_or_over_an_input(
    folder: Path, artifacts: tuple[str, ...]
) -> None:
    layout = (folder / "good.yaml").read_bytes()
    (folder / "victim").write_text("keep")
    (folder / "link").symlink_to("victim")
    os.link(folder / "good.yaml", folder / "same.yaml")
    named = ["link", "good.yaml", "same.yaml"] + (["out/fw.bin"] if artifacts else [])
    for path in named:
        for way in (("--output", path), ("--report", f"json={path}")):
            done = shell("audit", "good.yaml", *artifacts, *way)
            assert done.returncode == 2, way
            assert f"cannot write {path}" in done.stderr
    assert (folder / "victim").read_text() == "keep"
    assert (folder / "good.yaml").read_bytes() == layout
    assert (folder / "out" / "fw.bin").read_bytes() == b"tide" * 100
    # A folder may be a link: the user says where.
    (folder / "reports").symlink_to("out")
    assert shell("audit", "good.yaml", "--output", "reports/new.txt").returncode == 0
    assert (folder / "out" / "new.txt").read_text().startswith("PASS")


@pytest.mark.parametrize("path", ["fifo", "/dev/zero", "socket"])
def test_what_is_no_file_is_refused_at_once(folder: Path, path: str) -> None:
    import socket

    os.mkfifo(folder / "fifo")
    (folder / "out" / "loop").symlink_to("loop")
    with socket.socket(socket.AF_UNIX) as listening:
        listening.bind("socket")
        for arguments in (
            ("audit", path),
            ("audit", "good.yaml", "--policy", path),
            ("audit", "good.yaml", "--baseline", path),
            (*AUDIT, "--manifest", path),
            ("readback", "good.yaml", "--dump", f"nor={path}", "--artifacts", "out"),
            ("readback", "good.yaml", "--dump", "nor=out/fw.bin", "--manifest", path),
            ("compare", path, path),
            ("inspect", path),
            ("rescue", path),
            ("weigh", path),
            ("draft", "--device-tree", path),
        ):
            done = shell(*arguments, timeout=20)
            assert done.returncode == 2, arguments
            assert "is not a regular file" in done.stderr + done.stdout, arguments


def long_run(folder: Path, *more: str) -> subprocess.Popen[str]:
    """Start a run that has a minute to do, and wait until it does it."""
    piece = bz2.compress(bytes(64 << 20)) + bz2.compress(os.urandom(200_000))
    (folder / "bomb").write_bytes(piece * 400)
    # A shell's background job ignores interrupts, and so would all that it starts.
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    run = subprocess.Popen(
        command("inspect", "bomb", *more), text=True, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )
    signal.signal(signal.SIGINT, before)
    end = time.monotonic() + 60
    while sum(map(seconds, children(run))) < 0.5 and time.monotonic() < end:
        time.sleep(0.02)
    return run


def children(run: subprocess.Popen[str]) -> list[int]:
    found = Path(f"/proc/{run.pid}/task/{run.pid}/children").read_text()
    return [int(pid) for pid in found.split()]


def seconds(pid: int) -> float:
    """Give the processor time that a process took: on a busy machine the clock tells little."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def ends(pid: int) -> bool:
    """Tell whether a process is gone soon."""
    end = time.monotonic() + 5
    while alive(pid) and time.monotonic() < end:
        time.sleep(0.02)
    return not alive(pid)


def alive(pid: int) -> bool:
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except OSError:
        return False
    return state != "Z"


@pytest.mark.parametrize(("number", "status"), [(signal.SIGINT, 130), (signal.SIGTERM, -15)])
def test_who_ends_it_ends_all_of_it(folder: Path, number: signal.Signals, status: int) -> None:
    run = long_run(folder)
    (child,) = children(run)
    run.send_signal(number)
    out, err = run.communicate(timeout=60)
    assert run.returncode == status
    assert (out, "Traceback" in err) == ("", False)
    assert ends(child)


def test_a_child_does_not_outlive_its_parent(folder: Path) -> None:
    run = long_run(folder)
    (child,) = children(run)
    run.kill()
    run.communicate(timeout=10)
    assert ends(child)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_an_end_right_behind_the_fork_leaves_no_child(number: signal.Signals) -> None:
    code = f"""
import os, signal, sys
from imgaudit import confined
signal.signal(signal.SIGINT, signal.default_int_handler)
fork = os.fork
def forked():
    child = fork()
    if child:
        print(child, flush=True)
        os.kill(os.getpid(), {number:d})
    return child
os.fork = forked
confined.run(lambda line: os.read(os.pipe()[0], 1), confined.Limits())
"""
    words = [sys.executable, "-c", code]
    done = subprocess.run(words, check=False, capture_output=True, text=True, timeout=60)
    assert done.returncode == -number
    assert ends(int(done.stdout))


def test_a_fork_that_fails_leaves_nothing_behind(monkeypatch: pytest.MonkeyPatch) -> None:
    def refused() -> int:
        raise BlockingIOError(11, "no more processes")

    opened = len(os.listdir("/proc/self/fd"))
    monkeypatch.setattr(os, "fork", refused)
    with pytest.raises(BlockingIOError):
        confined.run(lambda _: b"", confined.Limits())
    assert len(os.listdir("/proc/self/fd")) == opened
    assert not signal.pthread_sigmask(signal.SIG_BLOCK, ()) & {signal.SIGINT, signal.SIGTERM}


def test_an_interrupt_once_the_child_is_gone_stays_one(monkeypatch: pytest.MonkeyPatch) -> None:
    wait = os.waitpid

    def waited(child: int, options: int) -> tuple[int, int]:
        wait(child, options)
        raise KeyboardInterrupt

    opened = len(os.listdir("/proc/self/fd"))
    monkeypatch.setattr(os, "waitpid", waited)
    with pytest.raises(KeyboardInterrupt):
        confined.run(lambda _: b"", confined.Limits())
    assert len(os.listdir("/proc/self/fd")) == opened


@pytest.mark.parametrize(
    ("words", "most"),
    [(("audit", "whimbrel.yaml", "--artifacts", "."), 128), (("draft", "."), 224)],
    ids=["audit", "draft"],
)
def test_the_demo_needs_a_fraction_of_the_memory(
    words: tuple[str, ...], most: int, whimbrel: Path
) -> None:
    """A build that is twice as large must run as well, without a word about limits."""
    done = subprocess.run(
        command(*words, "--limit-memory", f"{most} MiB"),
        check=False,
        cwd=whimbrel,
        capture_output=True,
    )
    assert done.returncode in {0, 3}, done.stderr


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGSEGV, signal.SIGABRT])
def test_a_child_that_dies_is_told(folder: Path, number: signal.Signals) -> None:
    run = long_run(folder, "--format", "json", "--report", "junit=stopped.xml")
    os.kill(children(run)[0], number)
    out, err = run.communicate(timeout=60)
    assert run.returncode == 2
    report = json.loads(out)
    assert report["verdict"] == "stopped"
    assert number.name in report["why"]
    assert report["during"] == "reading bomb"
    assert report["opened"] == ["bomb"]
    assert "the run was stopped" in err
    assert "<error" in (folder / "stopped.xml").read_text()


@pytest.mark.usefixtures("folder")
@pytest.mark.parametrize("form", forms())
def test_a_limit_ends_in_a_report_of_every_form(form: str) -> None:
    done = shell(*AUDIT, "--limit-memory", "1 MiB", "--format", form, "--output", "stopped")
    assert done.returncode == 2
    assert "more than 1 MiB of memory (--limit-memory)" in done.stderr
    text = Path("stopped").read_text()
    assert form in {"svg", "code-quality"} or "stopped" in text.lower()


def test_processor_time_is_limited(folder: Path) -> None:
    run = long_run(folder, "--limit-time", "1")
    out, err = run.communicate(timeout=30)
    assert run.returncode == 2
    assert out.startswith("STOPPED")
    assert "stopped while reading bomb (imgaudit/" in out
    assert "more than 1 s of processor time (--limit-time)" in err


def test_a_document_is_not_replaced_by_a_report(folder: Path) -> None:
    (folder / "manifest.json").write_text("old")
    arguments = ("seal", "good.yaml", "--artifacts", "out", "--output", "manifest.json")
    assert shell(*arguments, "--limit-memory", "1 MiB").returncode == 2
    assert (folder / "manifest.json").read_text() == "old"
    assert shell(*arguments).returncode == 0
    assert shell(*arguments, "--limit-memory", "0", "--limit-time", "0").returncode == 0


@pytest.mark.usefixtures("folder")
def test_the_unforeseen_is_one_clean_line(monkeypatch: pytest.MonkeyPatch) -> None:
    def fault(*_: object, **__: object) -> None:
        raise KeyError("\x1b[31mname")

    monkeypatch.setattr(inspecting, "inspect", fault)
    monkeypatch.delenv("IMGAUDIT_TRACEBACK", raising=False)
    done = CliRunner().invoke(cli.main, ["inspect", "out/fw.bin"])
    assert (done.exit_code, done.stdout) == (2, "")
    first, second = done.stderr.splitlines()
    assert first.startswith("imgaudit: a fault of imgaudit itself in test_boundary.py:")
    assert "KeyError" in first
    assert "\x1b" not in done.stderr
    assert "IMGAUDIT_TRACEBACK=1" in second
    monkeypatch.setenv("IMGAUDIT_TRACEBACK", "1")
    done = CliRunner().invoke(cli.main, ["inspect", "out/fw.bin"])
    assert done.exit_code == 2
    assert "Traceback" in done.stderr
