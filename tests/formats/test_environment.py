from __future__ import annotations

import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit import bounds
from imgaudit.formats import environment
from imgaudit.formats.environment import (
    DEFAULT_LIMIT,
    MAX_RUNS,
    Stray,
    Variable,
    duplicates,
    find_default_environment,
    imported,
    last_value,
    parse_block,
    parse_text,
)
from imgaudit.formats.view import View

PACKAGED = Path("/usr/lib/u-boot")  # Debian's u-boot-qemu


def test_a_compiled_in_environment_is_sought_so_far(monkeypatch: pytest.MonkeyPatch) -> None:
    stored = b"bootcmd=run main\0bootdelay=2\0baudrate=115200\0\0"
    data = bytes(64) + stored + bytes(1)
    for most, found in ((len(data), True), (len(data) - 1, True), (64, False)):
        monkeypatch.setattr(environment, "SEARCH_LIMIT", most)
        with bounds.listening() as heard:
            assert (find_default_environment(View.of(data)) is not None) is found
        assert bool(heard) is (most < len(data))


def test_strings_end_at_the_empty_one() -> None:
    block = parse_block(b"a=1\0b=2=3\0\0c=4\0", 4)
    assert block.variables == (Variable("a", "1", 4), Variable("b", "2=3", 8))
    assert (block.terminated, block.end) == (True, 15)
    assert block.strays == ()


@pytest.mark.parametrize(("data", "end"), [(b"a=1", 3), (b"a=1\0", 4)])
def test_a_missing_terminator_is_a_fact(data: bytes, end: int) -> None:
    block = parse_block(data)
    assert (block.terminated, block.end) == (False, end)
    assert block.get("a") == "1"


def test_an_empty_block() -> None:
    block = parse_block(b"\0\xff")
    assert (block.variables, block.terminated, block.end) == ((), True, 1)


def test_what_sets_nothing_is_kept_apart() -> None:
    # U-Boot lib/hashtable.c, himport_r: blanks are skipped, then `#` starts a comment, and a
    # string without `=` deletes.
    block = parse_block(b"a\0 #b=1\0 \tc=2\0\0")
    assert block.strays == (Stray("a", 0), Stray(" #b=1", 2))
    assert block.variables == (Variable("c", "2", 8),)


def test_the_last_of_several_counts() -> None:
    block = parse_block(b"a=1\0b=2\0a=3\0\0")
    assert duplicates(block.variables) == ("a",)
    assert last_value(block.variables, "a") == block.get("a") == "3"
    assert block.get("c") is None


def test_bytes_that_are_no_text_survive() -> None:
    assert parse_block(b"a=\xff\0\0").variables[0].value == r"\xff"


@pytest.mark.parametrize(
    ("stored", "seen"),
    [(r"a\;b", "a;b"), (r"a\\b", r"a\b"), ("a\\\nb", "a\nb"), ("a\\", "a\\"), ("plain", "plain")],
)
def test_backslashes_are_taken_as_u_boot_does(stored: str, seen: str) -> None:
    # U-Boot lib/hashtable.c, himport_r, "parse value; deal with escapes".
    assert imported(stored) == seen


def test_text_form() -> None:
    text = b"# comment\n\na=1\nb=x\\\ny\n c=2\nstray\nd=#3\n"
    block = parse_text(text)
    assert block.variables == (
        Variable("a", "1", 11),
        Variable("b", "x\ny", 15),
        Variable("c", "2", 22),
        Variable("d", "#3", 33),
    )
    assert block.strays == (Stray("stray", 27),)


@given(st.binary())
def test_text_form_takes_any_bytes(data: bytes) -> None:
    block = parse_text(data)
    assert all(0 <= offset < max(1, len(data)) for _, _, offset in block.variables)


@pytest.mark.oracle
@given(
    st.lists(
        st.sampled_from(
            [
                b"a=1",
                b"b=2\\",
                b"",
                b"#x=1",
                b"c=x y",
                b"stray",
                b"#y\\",
                b" d=4",
                b"e=#",
                b"f=\\\\",
            ]
        ),
        max_size=7,
    )
)
def test_mkenvimage_reads_the_same_text(lines: list[bytes]) -> None:
    text = b"first=1\n" + b"\n".join(lines)
    image = subprocess.run(
        ["mkenvimage", "-s", "0x1000", "-o", "-", "-"], input=text, capture_output=True, check=True
    ).stdout
    ours, theirs = parse_text(text), parse_block(image[4:])
    assert [v[:2] for v in ours.variables] == [v[:2] for v in theirs.variables]
    assert [stray.text for stray in ours.strays] == [stray.text for stray in theirs.strays]


PROGRAM = b"\x7fELF\0\0Usage: %s\0root=%s\0"


def test_default_environment_is_found_by_content() -> None:
    stored = b"bootcmd=run main\0bootdelay=2\0mtdids=nor0=nor\0mtdparts=\0\0"
    found = find_default_environment(View.of(PROGRAM + stored + b"other\0text=1\0"))
    assert found is not None
    assert (found.offset, found.size) == (len(PROGRAM), len(stored))
    assert [v.name for v in found.variables] == ["bootcmd", "bootdelay", "mtdids", "mtdparts"]
    assert found.variables[1].offset == len(PROGRAM) + 17


def test_default_environment_may_start_with_any_variable() -> None:
    stored = b".flags=a:sr\0console=ttyS0\0bootcmd=run main\0baudrate=115200\0\0"
    found = find_default_environment(View.of(PROGRAM + stored))
    assert found is not None
    assert found.variables[0] == Variable(".flags", "a:sr", len(PROGRAM))


@pytest.mark.parametrize("first", [b"", b"a=1\0"])
def test_the_data_may_start_with_the_default_environment(first: bytes) -> None:
    found = find_default_environment(View.of(first + b"bootcmd=a\0bootdelay=1\0\0"))
    assert found is not None
    assert found.offset == 0


def test_the_longest_run_is_the_default_environment() -> None:
    short = b"\0bootcmd=a\0bootdelay=1\0\0"
    long = b"\0bootcmd=a\0bootdelay=1\0x=2\0\0"
    found = find_default_environment(View.of(short + long + short))
    assert found is not None
    assert found.offset == len(short) + 1


def test_of_runs_of_one_length_the_first_is_taken() -> None:
    found = find_default_environment(
        View.of(b"bootcmd=a\0bootdelay=1\0\0\0bootcmd=b\0bootdelay=2\0\0")
    )
    assert found is not None
    assert found.offset == 0


def test_a_run_right_behind_another_is_looked_at() -> None:
    short, long = b"bootcmd=a\0bootdelay=1\0\0", b"bootcmd=a\0bootdelay=1\0x=2\0\0"
    found = find_default_environment(View.of(short + long))
    assert found is not None
    assert found.offset == len(short)


def test_the_search_is_bounded() -> None:
    crowd = b"\0bootcmd=a\0error" * MAX_RUNS
    stored = b"\0bootcmd=a\0bootdelay=1\0\0"
    assert find_default_environment(View.of(crowd[16:] + stored)) is not None
    assert find_default_environment(View.of(crowd + stored)) is None


@pytest.mark.parametrize(
    "data",
    [
        b"",
        PROGRAM,
        b"\0bootcmd=a\0\0",  # one usual name proves nothing
        b"\0bootcmd=a\0bootdelay=1\0",  # no terminator
        b"\0bootcmd=a\0bootdelay=1\0error\0\0",  # other strings follow
        b"\0bootcmd=" + b"x" * DEFAULT_LIMIT + b"\0bootdelay=1\0\0",
    ],
)
def test_other_strings_are_no_default_environment(data: bytes) -> None:
    assert find_default_environment(View.of(data)) is None


@given(st.lists(st.sampled_from([b"\0", b"bootcmd=", b"bootdelay=1", b"\xff", b"x"]), max_size=40))
def test_a_found_default_environment_is_really_there(pieces: list[bytes]) -> None:
    data = b"".join(pieces)
    found = find_default_environment(View.of(data))
    if found is not None:
        block = parse_block(data[found.offset : found.offset + found.size], found.offset)
        assert block.terminated
        assert block.variables == found.variables


@pytest.mark.oracle
@pytest.mark.parametrize(
    ("board", "count", "first", "last"),
    [
        ("malta64el", 2, "baudrate", "loadaddr"),
        ("maltael", 2, "baudrate", "loadaddr"),
        ("qemu-ppce500", 7, "bootcmd", "loadaddr"),
        ("qemu-riscv64", 48, "bootcmd", "distro_bootcmd"),
        ("qemu-x86", 58, "bootcmd", "ramdiskfile"),
        ("qemu_arm", 50, "bootcmd", "distro_bootcmd"),
        ("qemu_arm64", 50, "bootcmd", "distro_bootcmd"),
    ],
)
def test_packaged_boot_loaders(board: str, count: int, first: str, last: str) -> None:
    binary = find_default_environment(View.of((PACKAGED / board / "u-boot.bin").read_bytes()))
    elf = find_default_environment(View.of((PACKAGED / board / "uboot.elf").read_bytes()))
    assert binary is not None
    assert elf is not None
    pairs = [variable[:2] for variable in binary.variables]
    assert pairs == [variable[:2] for variable in elf.variables]
    assert (len(pairs), pairs[0][0], pairs[-1][0]) == (count, first, last)
