from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit import __version__
from imgaudit.contents.build import FolderStore
from imgaudit.contents.reader import Loader
from imgaudit.demo.build import build
from imgaudit.errors import AuditError
from imgaudit.files import Folder
from imgaudit.layout.load import load
from imgaudit.report import PLAIN, Style, render
from imgaudit.rules._boot import RECOVERY, scripted
from imgaudit.rules.built import subject_of
from imgaudit.rules.examples import nor
from imgaudit.rules.subject import Subject, gather
from imgaudit.tasks.follow import follow

GOLDEN = Path(__file__).parent / "golden"
LOOP = {
    "boot_targets": "mmc0 mmc1 usb0",
    "bootcmd": "for target in ${boot_targets}; do run bootcmd_${target}; done",
    "bootcmd_mmc0": "devnum=0; run mmc_boot",
    "bootcmd_mmc1": "devnum=1; run mmc_boot",
    "bootcmd_usb0": "usb start; load usb 0:1 ${kernel_addr_r} Image && booti ${kernel_addr_r}",
    "mmc_boot": "if mmc dev ${devnum}; then run scan; fi",
    "scan": (
        "for part in 1 2; do if test -e mmc ${devnum}:${part} Image; then"
        " load mmc ${devnum}:${part} ${kernel_addr_r} Image && booti ${kernel_addr_r}; fi; done"
    ),
    "kernel_addr_r": "0x80200000",
}


def text(subject: Subject, style: Style = PLAIN, entry: str | None = None) -> str:
    return render("text", follow(subject, entry), style)


def data(subject: Subject) -> str:
    return render("json", follow(subject))


@pytest.fixture(scope="module")
def whimbrel(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Subject]:
    folder = tmp_path_factory.mktemp("whimbrel")
    path = build(folder)
    with Loader() as loader:
        yield gather(load(str(path)), FolderStore(Folder(str(folder)), loader))


def loop() -> Subject:
    return subject_of(scripted(bootcmd=LOOP["bootcmd"], more=LOOP))


def compared(name: str, report: str, request: pytest.FixtureRequest) -> None:
    report = report.replace(f'"version": "{__version__}"', '"version": "0"')
    if request.config.getoption("--update-golden"):
        (GOLDEN / name).write_text(report)
    assert report == (GOLDEN / name).read_text()


def test_whimbrel(whimbrel: Subject, request: pytest.FixtureRequest) -> None:
    compared("follow.txt", text(whimbrel), request)


def test_loops_are_folded(request: pytest.FixtureRequest) -> None:
    report = text(loop())
    compared("follow-loop.txt", report, request)
    assert report.count("Load Image") == 2


@pytest.mark.parametrize("width", [60, 80, 110])
def test_lines_are_not_wider_than_asked(whimbrel: Subject, width: int) -> None:
    for subject in (whimbrel, loop()):
        report = text(subject, Style(width=width))
        assert max(map(len, report.splitlines())) <= width


def test_one_entry(whimbrel: Subject) -> None:
    report = text(whimbrel, entry="recovery")
    assert "run recovery" in report
    assert "run bootcmd" not in report
    with pytest.raises(AuditError, match="did you mean 'recovery'"):
        text(whimbrel, entry="recover")


def test_json_has_every_number(whimbrel: Subject) -> None:
    report = json.loads(data(whimbrel))
    assert [entry["entry"] for entry in report["entries"]] == ["bootcmd", "altbootcmd", "recovery"]
    recovery = report["entries"][-1]
    read = recovery["operations"][1]
    assert read["span"] == {"start": 0x200000, "size": 0xD00000}
    assert read["ram"]["start"] == 0x90000000
    (start,) = recovery["starts"]
    assert {piece["role"]: piece["to"] for piece in start["pieces"]} == {
        "kernel": 0x80200000,
        "ramdisk": 0x88100000,
        "fdt": 0x88000000,
    }
    assert start["ram"]["steps"][-1] == "the kernel starts"
    assert report["environment"]["variables"]["loadaddr"] == {
        "value": "0x90000000",
        "origin": "stored",
    }


def test_scripts_for_an_operator_are_named() -> None:
    subject = subject_of(scripted(more={"wipe": "sf probe; sf erase 0x20000 0x10000"}))
    assert "Only an operator runs wipe" in text(subject)
    report = text(subject, entry="wipe")
    assert "Erase 0x10000 (64 KiB) of nor at 0x20000, from recovery." in report


@pytest.mark.parametrize(
    ("config", "told"),
    [("", True), ("CONFIG_BOOTCOUNT_LIMIT=y\n", True), ("CONFIG_BOOTDELAY=2\n", False)],
)
def test_altbootcmd_runs_where_starts_are_counted(config: str, told: bool) -> None:
    """Source: U-Boot common/autoboot.c, bootdelay_process: under CONFIG_BOOTCOUNT_LIMIT only."""
    example = scripted(
        more={"bootlimit": "3", "altbootcmd": "run recovery"},
        rest="written-elsewhere: {uboot-config: u-boot.config}\n" if config else "",
        files={"u-boot.config": config.encode} if config else None,
    )
    said = " ".join(text(subject_of(example)).split())
    assert ("U-Boot runs altbootcmd instead" in said) == told


def test_commands_are_told_in_words() -> None:
    script = (
        "setenv a; setenv b 1; sf probe; sf update 0x88000000 0x20000 0x10000; saveenv;"
        f" cp.b 0x88000000 0x89000000 0x100; fdt addr 0x88000000; frobnicate; {RECOVERY}"
    )
    report = text(subject_of(scripted(script)))
    for words in (
        "Clear a.",
        "Set b to `1`.",
        "Erase and write 0x10000 (64 KiB) of nor at 0x20000, from recovery, from RAM",
        "Store the variables in flash: `saveenv`.",
        "Copy 0x100 (256 B) of RAM from 0x88000000 to 0x89000000.",
        "Unknown command: `frobnicate`.",
        "unknown command, in recovery: `frobnicate`",
    ):
        assert words in " ".join(report.split())


def test_without_an_environment_there_is_nothing_to_tell() -> None:
    example = nor(
        "name: a, at: 0, size: 64 KiB", rest="stages: {a: {regions: [a], entry: bootcmd}}\n"
    )
    with pytest.raises(AuditError, match="no environment was found"):
        text(subject_of(example))


@given(st.text(st.characters(codec="utf-8", exclude_characters="\0\n"), max_size=80))
def test_any_script_is_told(script: str) -> None:
    subject = subject_of(scripted(script, bootcmd="run recovery"))
    if "recovery" in subject.boots.followed:
        for report in (text(subject), data(subject)):
            assert "\x1b" not in report
            assert "\u202e" not in report
