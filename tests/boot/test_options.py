"""What U-Boot was built with: its configuration, its binary, and what a running one lists."""

from __future__ import annotations

import gzip
from dataclasses import replace
from pathlib import Path

import pytest

from imgaudit.formats.view import View
from imgaudit.maps import uboot_config
from imgaudit.maps.uboot_options import COMMANDS, Options, words_of
from imgaudit.proof.records import Verdict
from imgaudit.rules import samples as sample
from imgaudit.rules.built import subject_of
from imgaudit.rules.firmware import u_boot
from imgaudit.rules.uboot_options import _built, _lzma_fit
from imgaudit.writers.fdt import Tree
from tests._audits import found, one
from tests.boot._uboot import started

_CONFIGS = Path("/usr/share/doc/u-boot-qemu/configs")
_BINARIES = Path("/usr/lib/u-boot")


def packaged(build: str) -> tuple[Options, Options]:
    """Give what Debian's U-Boot has by its configuration, and by its binary alone."""
    text = gzip.decompress((_CONFIGS / f"config.{build}.gz").read_bytes()).decode()
    words = words_of(View.of((_BINARIES / build / "u-boot.bin").read_bytes()))
    assert words is not None
    return Options(uboot_config.parse(text), build), Options(names=words, binary=build)


def lacking(options: Options) -> set[str]:
    return {name for name in COMMANDS if options.command((name,)) is not None}


@pytest.mark.oracle
@pytest.mark.parametrize(("build", "arch"), [("qemu_arm64", "arm64"), ("qemu_arm", "arm")])
def test_commands_are_those_that_a_running_uboot_lists(build: str, arch: str) -> None:
    with started({}, arch=arch) as machine:
        listed, _ = machine.run("help")
    there = {line.split()[0] for line in listed.splitlines() if " - " in line}
    by_config, by_binary = packaged(build)
    assert lacking(by_config) == set(COMMANDS) - there
    # A short name may stand in a binary for something else; what is not in it is no command.
    assert lacking(by_binary) <= set(COMMANDS) - there
    assert len(lacking(by_binary)) >= 15


@pytest.mark.oracle
@pytest.mark.parametrize("build", ["qemu-x86", "qemu-riscv64", "qemu-ppce500", "malta64el"])
def test_binary_and_configuration_agree(build: str) -> None:
    by_config, by_binary = packaged(build)
    # Without a place for its environment U-Boot leaves saveenv out (cmd/nvedit.c).
    assert lacking(by_binary) - {"saveenv"} <= lacking(by_config)


@pytest.mark.parametrize(
    ("text", "off"),
    [
        ("CONFIG_CMD_SF=y\n", False),
        ("# CONFIG_CMD_SF is not set\n", True),
        ("CONFIG_CMD_MMC=y\n", False),  # a list of deviations says nothing of the rest
        ('CONFIG_SYS_ARCH="arm"\nCONFIG_CMD_MMC=y\n', True),  # a whole one does
    ],
)
def test_what_a_configuration_does_not_mention(text: str, *, off: bool) -> None:
    options = Options(uboot_config.parse(text), "u-boot.config")
    assert (options.command(("sf", "probe")) is not None) is off


def test_a_part_of_a_command() -> None:
    options = Options(uboot_config.parse("# CONFIG_CMD_IMPORTENV is not set\n"), "config")
    assert options.command(("env", "import")) is not None
    assert options.command(("env", "default")) is None


def test_bytes_without_a_command_table_tell_nothing() -> None:
    assert words_of(View.of(b"U-Boot 2026.07\0booti\0")) is None
    assert Options(names=None).command(("booti",)) is None


@pytest.mark.parametrize("option", ["CMD_SF", "HUSH_PARSER", "CMD_BOOTM", "FIT"])
def test_a_stage_that_needs_it_is_refuted(option: str) -> None:
    (proof,) = [item for item in subject_of(_built(option)).proofs if item.taken]
    assert proof.verdict is Verdict.REFUTED
    assert "built without" in str(proof.step) or option == "HUSH_PARSER"
    (sound,) = [item for item in subject_of(_built()).proofs if item.taken]
    assert sound.verdict is Verdict.PROVEN


def test_a_compression_is_asked_for_by_its_kernel() -> None:
    finding = one("boot-image-needs-option", _built("LZMA", itb=_lzma_fit))
    assert finding.values["option"] == "CONFIG_LZMA"
    assert found("boot-image-needs-option", _built("LZMA")) == []


@pytest.mark.parametrize(
    ("boards", "severity"),
    [
        ({"conf": "example,gauge", "other": "example,gauge"}, None),
        # Of equals U-Boot 2023.01 takes the first, a newer one the default.
        ({"other": "example,gauge", "conf": "example,gauge"}, "warning"),
        ({"other": "example,gauge", "conf": "example,buoy"}, "error"),
        ({"conf": "example,buoy", "other": "example,well"}, "error"),
    ],
)
def test_best_match(boards: dict[str, str], severity: str | None) -> None:
    nodes: Tree = {
        name: {"kernel": "kernel", "compatible": board} for name, board in boards.items()
    }
    example = _built(
        more="CONFIG_FIT_BEST_MATCH=y\n",
        itb=lambda: sample.fit(configurations=nodes),
        regions="name: u-boot, at: 0, size: 64 KiB, file: u-boot.bin",
    )
    made = {"u-boot.bin": lambda: u_boot(tree=sample.board_tree())}
    example = replace(example, files={**example.files, **made})
    findings = found("configuration-chosen-by-board", example)
    assert [item.severity.value for item in findings] == ([severity] if severity else [])
