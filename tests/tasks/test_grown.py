"""Growth in an audit: every form has it, and the newest sealed release counts once."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from imgaudit.cli import main
from imgaudit.release.growth import Growth, Trend
from imgaudit.tasks.grown import section
from imgaudit.tasks.sections import Lines, Trends
from imgaudit.units import MIB

RECOVERY = (7.9, 8.6, 9.0, 9.9, 10.4, 11.3, 12.4)


@pytest.fixture(scope="module")
def releases(whimbrel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Seven sealed releases whose recovery grows, and two of which others do."""
    folder = tmp_path_factory.mktemp("releases")
    sealed = folder / "sealed"
    layout = str(whimbrel / "whimbrel.yaml")
    done = CliRunner().invoke(
        main, ["seal", layout, "--artifacts", str(whimbrel), "--output", str(sealed)]
    )
    assert done.exit_code == 0
    for number, size in enumerate(RECOVERY):
        value = json.loads(sealed.read_text())
        payload = _payload(value, "recovery")
        payload["size"] = payload["used"] = int(size * MIB)
        _payload(value, "rootfs-a")["used"] = (600 + 40 * number) * MIB
        (folder / f"2026.{number + 4}.json").write_text(json.dumps(value))
    return folder


def _payload(manifest: dict[str, Any], name: str) -> dict[str, Any]:
    (found,) = (item["payload"] for item in manifest["regions"] if item["name"] == name)
    payload: dict[str, Any] = found
    return payload


Audit = Callable[..., str]


@pytest.fixture(scope="module")
def audit(whimbrel: Path) -> Audit:
    def run(*words: str | Path, status: int = 0) -> str:
        command = ["audit", str(whimbrel / "whimbrel.yaml"), *map(str, words)]
        done = CliRunner().invoke(main, command)
        assert done.exit_code == status, done.output
        return done.output

    return run


def _history(folder: Path, count: int = len(RECOVERY)) -> list[str | Path]:
    paths = [folder / f"2026.{number + 4}.json" for number in range(count)]
    return [word for path in paths for word in ("--history", path)]


def test_on_paper_it_is_the_releases_against_the_layout(audit: Audit, releases: Path) -> None:
    value = json.loads(audit(*_history(releases), "--format", "json"))["growth"]
    assert value["releases"] == [f"2026.{number + 4}" for number in range(7)]
    (recovery,) = (item for item in value["regions"] if item["name"] == "recovery")
    assert recovery["room"] == 13 * MIB
    assert recovery["sizes"][-1] == int(12.4 * MIB)
    assert recovery["more-that-fit"] == 0
    assert recovery["says"].startswith("It grows by ")
    (root,) = (item for item in value["regions"] if item["name"] == "rootfs-a")
    assert root["pace"] == 40 * MIB
    assert root["says"] == "It grows by 40 MiB a release: 4 further releases fit."
    text = audit(*_history(releases))
    head = text[text.index("Growth\n") :].splitlines()[1]
    assert head.split()[0] == "region"
    assert head.split("  ")[-2:] == [" a release", "more that fit"]
    assert "of one size in all: firmware, env-a" in text
    assert max(map(len, text.splitlines())) <= 80


def test_this_build_is_the_last_of_them(audit: Audit, releases: Path, whimbrel: Path) -> None:
    build = ("--artifacts", whimbrel, "--format", "json")
    value = json.loads(audit(*build, *_history(releases)))["growth"]
    # The files are the sealed ones, so it is the newest release itself.
    assert value["releases"][-1] == "2026.10"
    changed = json.loads((releases / "2026.10.json").read_text())
    for region in changed["regions"]:
        if region["name"] == "recovery":
            region["artifact"]["sha256"] = "0" * 64
    (releases / "changed").mkdir()
    (releases / "changed" / "1.json").write_text(json.dumps(changed))
    value = json.loads(audit(*build, "--history", releases / "changed"))["growth"]
    assert value["releases"] == ["1", "this build"]


def test_little_is_said_of_little(audit: Audit, releases: Path) -> None:
    text = audit(*_history(releases, 3))
    assert "It takes 4 to tell a pace" in text
    assert "too few to say" in text
    assert "more that fit:" not in text.lower().replace("more that fit\n", "")


def test_every_form_has_it(audit: Audit, releases: Path, tmp_path: Path) -> None:
    page, summary = tmp_path / "a.html", tmp_path / "a.md"
    audit(*_history(releases), "--report", f"html={page}", "--report", f"markdown={summary}")
    assert "### Growth" in summary.read_text()
    assert page.read_text().count('<svg class="trend"') == 2
    assert "further releases fit" in page.read_text()


def test_what_is_no_history(audit: Audit, releases: Path, whimbrel: Path, tmp_path: Path) -> None:
    assert "cannot be opened" in audit("--history", tmp_path / "none", status=2)
    other = json.loads((releases / "2026.4.json").read_text()) | {"board": "curlew"}
    (tmp_path / "other.json").write_text(json.dumps(other))
    assert "of curlew, not of whimbrel" in audit("--history", tmp_path / "other.json", status=2)
    layout = whimbrel / "whimbrel.yaml"
    said = audit(layout, *_history(releases, 1), status=2)
    assert "--history goes with one layout" in said


# What is said of a region: 1,000 bytes of room, of which 400 are left; the pace and its range are
# given. (No source outside: the arithmetic is floor(left / pace).)
@pytest.mark.parametrize(
    ("numbers", "cell", "role", "says"),
    [
        ((1001, 1.0, 1.0, 1.0), "does not fit", "bad", "It does not fit now: 1 B too many."),
        ((1000, 1.0, 1.0, 1.0), "0", "warn", "It grows by 1 B a release: 0 further releases fit."),
        ((600, 400.0, 400.0, 400.0), "1", "warn", "1 further release fits."),
        ((600, 80.0, 80.0, 80.0), "5", "warn", "5 further releases fit."),
        ((600, 66.0, 66.0, 66.0), "6", "", "6 further releases fit."),
        ((600, 80.0, 66.0, 100.0), "5 (4 to 6)", "warn", "5 further releases fit (4 to 6)."),
        (
            (600, 80.0, -1.0, 100.0),
            "5 (at least 4)",
            "warn",
            "5 further releases fit (at least 4).",
        ),
        ((600, 80.0, 4.0, 80.0), "5 (5 to 100)", "warn", "(5 to 100)."),
        ((600, 80.0, 3.9, 80.0), "5 (5 to more than 100)", "warn", "(5 to more than 100)."),
        ((600, 4.0, 4.0, 4.0), "100", "", "100 further releases fit."),
        (
            (600, 3.9, 3.9, 4.0),
            "more than 100 (100 to more than 100)",
            "",
            "(100 to more than 100).",
        ),
        ((600, 3.9, 3.9, 3.9), "more than 100", "", "more than 100 further releases fit."),
        ((600, 0.0, -1.0, 1.0), "does not grow", "", "It does not grow."),
        ((600, -1.0, -2.0, 0.0), "shrinks", "", "It shrinks."),
    ],
)
def test_how_many_more_releases_fit(
    numbers: tuple[int, float, float, float], cell: str, role: str, says: str
) -> None:
    last, pace, slow, fast = numbers
    trend = Trend(
        region="recovery", room=1000, sizes=(1, 2, None, last), pace=pace, slow=slow, fast=fast
    )
    found = section(Growth(releases=("1", "2", "3", "4"), trends=(trend,)))
    (shown,) = (part for part in found.parts if isinstance(part, Trends))
    (row,) = shown.trends
    assert (row.cells[-1], row.role) == (cell, role)
    assert row.says.endswith(says)


@pytest.mark.parametrize(
    ("pace", "cell"), [(2.0, "+2 B"), (0.4, "0 B"), (-3.0, "-3 B"), (None, "-")]
)
def test_a_pace_has_its_sign(pace: float | None, cell: str) -> None:
    trend = Trend(region="recovery", room=1000, sizes=(600, 602), pace=pace, slow=1, fast=3)
    found = section(Growth(releases=("1", "2"), trends=(trend,)))
    (shown,) = (part for part in found.parts if isinstance(part, Trends))
    assert shown.trends[0].cells[-2] == cell


@pytest.mark.parametrize(
    ("count", "left_out", "said"),
    [
        (4, 0, "4 releases, oldest first: r1, r2, r3, r4. It takes 4 to tell a pace."),
        (5, 0, "5 releases, r1 to r5. It takes 4 to tell a pace."),
        (5, 2, "5 releases, r1 to r5; 2 older ones are left out. It takes 4 to tell a pace."),
    ],
)
def test_few_releases_are_named(count: int, left_out: int, said: str) -> None:
    releases = tuple(f"r{number}" for number in range(1, count + 1))
    still = Trend(region="env", room=1000, sizes=(7,) * count)
    found = section(Growth(releases=releases, trends=(still,), left_out=left_out))
    (part,) = found.parts
    assert isinstance(part, Lines)
    assert [line.text for line in part.lines] == ["of one size in all: env", said]
