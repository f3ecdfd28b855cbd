"""Numbers are read as U-Boot tools/env/fw_env.c does: `%lli` for the offset, `%lx` for the rest."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.maps import fw_env_config
from imgaudit.maps.entry import Kind, Medium
from imgaudit.maps.fw_env_config import Target

# The example that U-Boot ships, shortened.
EXAMPLE = """\
# Configuration file for fw_(printenv/setenv) utility.
# MTD device name	Device offset	Env. size	Flash sector size	Number of sectors
/dev/mtd1		0x0000		0x4000		0x4000
/dev/mtd2		0x1000		0x4000		0x10000		2

# NAND example
#/dev/mtd0		0x4000		0x4000		0x20000			2
"""


def test_the_example_is_read() -> None:
    config = fw_env_config.parse(EXAMPLE)
    assert config.redundant
    assert [
        (e.device, e.target, e.number, e.offset, e.size, e.sector_size, e.sectors)
        for e in config.locations
    ] == [
        ("/dev/mtd1", Target.MTD_NUMBER, 1, 0, 0x4000, 0x4000, None),
        ("/dev/mtd2", Target.MTD_NUMBER, 2, 0x1000, 0x4000, 0x10000, 2),
    ]
    assert (config.passed_over, config.decimal) == ((), ())
    for location in config.locations:
        assert location.at.offset is not None
        assert location.at.line is not None
        assert EXAMPLE[location.at.offset :].startswith(location.at.text)
        assert EXAMPLE.split("\n")[location.at.line - 1] == location.at.text


def test_copies_have_one_shape_with_the_others() -> None:
    first, second = fw_env_config.parse(EXAMPLE).copies()
    assert (first.kind, first.device) == (Kind.FLASH_TOOL_CONFIG, "/dev/mtd1")
    assert [(e.label, e.offset, e.size) for e in first.entries] == [("environment", 0, 0x4000)]
    assert [(e.label, e.offset) for e in second.entries] == [("redundant environment", 0x1000)]
    (both,) = fw_env_config.parse("/dev/mmcblk0 0 2000\n/dev/mmcblk0 -0x2000 2000\n").copies()
    assert [(e.label, e.offset, e.size) for e in both.entries] == [
        ("environment", 0, 0x2000),
        ("redundant environment", -0x2000, 0x2000),
    ]


@pytest.mark.parametrize(
    ("device", "target", "number", "name", "medium"),
    [
        ("/dev/mtd3", Target.MTD_NUMBER, 3, None, Medium.UNKNOWN),
        ("/dev/mtdblock3", Target.MTD_NUMBER, 3, None, Medium.UNKNOWN),
        ("env", Target.MTD_NAME, None, "env", Medium.UNKNOWN),
        ("mtd:env", Target.MTD_NAME, None, "env", Medium.UNKNOWN),
        ("/dev/mmcblk0boot0", Target.BLOCK, None, None, Medium.UNKNOWN),
        ("/dev/disk/by-partlabel/env", Target.BLOCK, None, None, Medium.UNKNOWN),
        ("/dev/ubi0_1", Target.UBI, 1, None, Medium.UBI),
        ("/dev/ubi0:env", Target.UBI, None, "env", Medium.UBI),
        ("/boot/uboot.env", Target.FILE, None, None, Medium.FILE),
    ],
)
def test_what_an_entry_can_name(
    device: str, target: Target, number: int | None, name: str | None, medium: Medium
) -> None:
    config = fw_env_config.parse(f"{device} 0x0 0x4000\n")
    (location,) = config.locations
    assert (location.device, location.target) == (device, target)
    assert (location.number, location.name) == (number, name)
    assert config.copies()[0].medium is medium
    assert not config.redundant


@pytest.mark.parametrize(
    ("words", "offset", "size", "decimal"),
    [
        ("0x1000 0x2000", 0x1000, 0x2000, False),
        ("4096 2000", 4096, 0x2000, True),  # only the offset needs its 0x
        ("010000 2000", 0o10000, 0x2000, True),
        ("0 2000", 0, 0x2000, False),
        ("-0x20000 0x20000", -0x20000, 0x20000, False),
        ("0X10 0X20", 0x10, 0x20, False),
        ("+8 8", 8, 8, True),
        ("0 4000 rest of the line", 0, 0x4000, False),
    ],
)
def test_numbers(words: str, offset: int, size: int, decimal: bool) -> None:
    config = fw_env_config.parse(f"  env {words}")
    (location,) = config.locations
    assert (location.offset, location.size) == (offset, size)
    assert [at.text for at in config.decimal] == ([f"env {words}"] if decimal else [])


def test_lines_that_are_no_entry_are_passed_over() -> None:
    text = "\n".join(
        (
            "# a comment",
            " # no comment for the tools, which look at the first character",
            "env",
            "env 0x0",
            "env zero 0x1000",
            f"env {'9' * 5000} 0x1000",
            "env 0x0 0x20000000000000000",
            "env 0x0 0x1000",
            "",
            "env 0x1000 0x1000\r",
            "third 0x2000 0x1000",
        )
    )
    config = fw_env_config.parse(text)
    assert [location.offset for location in config.locations] == [0, 0x1000]
    assert [at.line for at in config.passed_over] == [2, 3, 4, 5, 6, 7, 11]


def test_an_empty_file_configures_nothing() -> None:
    config = fw_env_config.parse("# nothing\n")
    assert config.locations == ()
    assert config.copies() == ()
    assert not config.redundant


@given(st.text(max_size=120) | st.text(alphabet="/devmt0x1-# \n\t", max_size=120))
def test_any_text_is_a_configuration(text: str) -> None:
    config = fw_env_config.parse(text)
    assert sum(len(copy.entries) for copy in config.copies()) == len(config.locations) <= 2
    lines = text.split("\n")
    for at in (*config.passed_over, *(location.at for location in config.locations)):
        assert at.line is not None
        assert lines[at.line - 1].strip() == at.text


@pytest.mark.oracle
@pytest.mark.parametrize(
    "words", ["0x1000 0x2000", "4096 0x2000", "010000 2000", "0x1000 0x2000 0x1000 2"]
)
def test_fw_printenv_finds_the_environment_where_we_do(tmp_path: Path, words: str) -> None:
    config = tmp_path / "fw_env.config"
    image = tmp_path / "flash.bin"
    config.write_text(f"# comment\n{image} {words}\n")
    (location,) = fw_env_config.parse(config.read_text()).locations
    (tmp_path / "in.txt").write_text("gauge=whimbrel\n")
    subprocess.run(
        ["mkenvimage", "-s", hex(location.size), "-o", tmp_path / "env", tmp_path / "in.txt"],
        check=True,
    )
    image.write_bytes(bytes(location.offset) + (tmp_path / "env").read_bytes())
    printed = subprocess.run(
        ["fw_printenv", "-c", config], capture_output=True, text=True, check=True
    )
    assert printed.stdout.strip() == "gauge=whimbrel"
