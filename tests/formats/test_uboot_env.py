from __future__ import annotations

import subprocess
import zlib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.errors import FormatError, UnreadError
from imgaudit.formats import uboot_env
from imgaudit.formats.facts import Match
from imgaudit.formats.view import MemorySource, View
from imgaudit.units import Span

STRINGS = b"bootcmd=run recovery\0bootdelay=2\0\0"


def environment(
    strings: bytes = STRINGS,
    *,
    size: int = 0x2000,
    flag: int | None = None,
    order: uboot_env.ByteOrder = "little",
    pad: int = 0,
) -> bytes:
    mark = b"" if flag is None else bytes([flag])
    body = strings.ljust(size - 4 - len(mark), bytes([pad]))
    return zlib.crc32(body).to_bytes(4, order) + mark + body


@pytest.mark.parametrize(
    ("flag", "pad", "crc"),
    [
        # The same two variables in 0x2000 bytes as mkenvimage writes them (see the oracle below).
        (None, 0x00, "0bde672b"),
        (1, 0x00, "0ad27ae9"),
        (None, 0xFF, "31520254"),
        (1, 0xFF, "33e6cb77"),
    ],
)
def test_known_checksums(flag: int | None, pad: int, crc: str) -> None:
    facts = uboot_env.read(View.of(environment(flag=flag, pad=pad)))
    (checksum,) = facts.checksums
    assert (checksum.stored, checksum.matches) == (crc, True)
    assert facts.kind == ("plain" if flag is None else "redundant")
    assert (facts.flag, facts.padding, facts.size) == (flag, pad, 0x2000)
    assert checksum.covers == Span(4 if flag is None else 5, 0x2000)


def test_sixteen_bytes_are_the_least() -> None:
    least = environment(b"a=1\0\0", size=16)
    assert uboot_env.read(View.of(least)).size == 16
    assert uboot_env.read(View.of(least + b"\xff" * 100)).size == 16  # a power of two
    with pytest.raises(FormatError, match="15 bytes are too short"):
        uboot_env.read(View.of(least[:15]))


@pytest.mark.parametrize(("more", "size"), [(-1, -1), (0, 0), (1, None)])
def test_a_size_that_no_sum_proves_is_the_contents_up_to_1_mib(more: int, size: int | None) -> None:
    facts = uboot_env.read(View.of((b"\1\2\3\4" + STRINGS).ljust((1 << 20) + more, b"\xff")))
    assert facts.doubts
    assert facts.size == (None if size is None else (1 << 20) + size)


def test_all_fields() -> None:
    facts = uboot_env.read(View.of(environment(flag=7)))
    assert [(v.name, v.value, v.offset) for v in facts.variables] == [
        ("bootcmd", "run recovery", 5),
        ("bootdelay", "2", 26),
    ]
    assert facts.offsets == {"crc": 0, "flag": 4, "data": 5}
    assert (facts.byte_order, facts.length, facts.view_size) == ("little", 0x2000, 0x2000)
    assert (facts.terminated, facts.end, facts.blank) == (True, 39, None)
    assert (facts.strays, facts.duplicates, facts.doubts) == ((), (), ())
    assert facts.valid
    assert facts.get("bootdelay") == "2"
    assert facts.summary() == "2 variables, redundant, 8 KiB"


# "Environment size: 383/131068 bytes" and "182/1020" of public threads are 0x20000 and 0x400 less
# the four bytes of the CRC.
@pytest.mark.parametrize(("size", "data"), [(0x20000, 131068), (0x400, 1020)])
def test_published_sizes(size: int, data: int) -> None:
    facts = uboot_env.read(View.of(environment(size=size)))
    assert facts.checksums[0].covers.size == data


@pytest.mark.parametrize("flag", [None, 1])
@pytest.mark.parametrize("order", ["little", "big"])
@pytest.mark.parametrize("size", [0x40, 0x200, 0x1000, 0x1E00, 0x10000])
@pytest.mark.parametrize("tail", [b"", b"\xff" * 0x3000, bytes(0x100)])
def test_size_kind_and_byte_order_are_found(
    flag: int | None, order: uboot_env.ByteOrder, size: int, tail: bytes
) -> None:
    view = View.of(environment(size=size, flag=flag, order=order, pad=0xFF) + tail)
    facts = uboot_env.read(view)
    assert (facts.size, facts.flag, facts.byte_order) == (size, flag, order)
    assert facts.kind == ("plain" if flag is None else "redundant")
    assert facts.view_size == size + len(tail)
    assert facts.padding == 0xFF
    assert uboot_env.match(view) is Match.SURE


def test_an_odd_size_is_found_when_it_is_the_whole_content() -> None:
    facts = uboot_env.read(View.of(environment(size=1000)))
    assert (facts.size, facts.valid) == (1000, True)


@pytest.mark.parametrize(("flag", "kind"), [(None, "plain"), (1, "redundant")])
def test_a_wrong_checksum_is_a_fact_with_a_doubt(flag: int | None, kind: str) -> None:
    data = bytearray(environment(flag=flag))
    data[100] ^= 1
    facts = uboot_env.read(View.of(data))
    assert (facts.kind, facts.byte_order, facts.size) == (kind, None, 0x2000)
    assert facts.checksums[0].matches is False
    assert "plain and redundant" in facts.doubts[0]
    assert [v.name for v in facts.variables] == ["bootcmd", "bootdelay"]
    assert facts.padding is None
    assert uboot_env.match(View.of(data)) is Match.WEAK


def test_a_wrong_checksum_in_a_whole_flash_leaves_the_size_unknown() -> None:
    data = bytearray(environment() + b"\xff" * (2 << 20))
    data[100] ^= 1
    facts = uboot_env.read(View.of(data))
    assert (facts.size, facts.length) == (None, None)
    assert facts.checksums[0].matches is None
    assert facts.checksums[0].why
    assert facts.summary() == "2 variables, plain, size unknown"


@pytest.mark.parametrize("value", [0x00, 0xFF, 0x5A])
def test_blank_is_facts(value: int) -> None:
    view = View.of(bytes([value]) * 0x2000)
    facts = uboot_env.read(view)
    assert (facts.blank, facts.kind, facts.size, facts.variables) == (value, None, None, ())
    assert not facts.valid
    assert facts.summary() == f"blank, 8 KiB of {value:#04x}"
    assert uboot_env.match(view) is Match.NO


def test_an_empty_environment_is_valid() -> None:
    facts = uboot_env.read(View.of(environment(b"\0\0")))
    assert (facts.valid, facts.variables, facts.terminated) == (True, (), True)


def test_oddities_are_facts() -> None:
    strings = b"a=1\0deleted\0a=2\0\0"
    facts = uboot_env.read(View.of(environment(strings + b"left")))
    assert facts.duplicates == ("a",)
    assert [stray.text for stray in facts.strays] == ["deleted"]
    assert facts.get("a") == "2"
    assert facts.padding is None


def test_a_full_environment_without_terminator() -> None:
    facts = uboot_env.read(View.of(environment(b"a=" + b"x" * 506, size=0x200)))
    assert (facts.terminated, facts.end, facts.padding) == (False, 0x200, None)


class NothingKept(MemorySource):
    """A stream of which nothing was kept."""

    def read_at(self, offset: int, length: int) -> bytes:
        raise UnreadError(offset, f"{length} bytes were not kept")


def test_what_was_not_kept_is_unread_and_no_match() -> None:
    view = View(NothingKept(environment()))
    assert uboot_env.match(view) is Match.NO
    with pytest.raises(UnreadError):
        uboot_env.read(view)


@pytest.mark.parametrize("data", [b"", b"short", bytes(range(256)) * 4, b"#!/bin/sh\n" * 9])
def test_other_bytes_are_refused(data: bytes) -> None:
    with pytest.raises(FormatError):
        uboot_env.read(View.of(data))
    assert uboot_env.match(View.of(data)) is Match.NO


@pytest.mark.parametrize(
    ("one", "two", "wins"),
    # U-Boot env/common.c, env_check_redund: the counter wraps from 255 to 0, equal means copy 1.
    [(255, 0, 2), (0, 255, 1), (3, 2, 1), (2, 3, 2), (254, 255, 2), (255, 1, 1), (1, 1, 1)],
)
def test_the_active_copy(one: int, two: int, wins: int) -> None:
    first = uboot_env.read(View.of(environment(flag=one)))
    second = uboot_env.read(View.of(environment(flag=two)))
    bad = bytearray(environment(flag=1))
    bad[9] ^= 1
    broken = uboot_env.read(View.of(bad))
    assert uboot_env.active(first, second) == wins
    assert uboot_env.active(broken, second) == 2
    assert uboot_env.active(first, broken) == 1
    assert uboot_env.active(broken, broken) is None


@given(st.binary(max_size=700) | st.binary(max_size=600).map(lambda data: b"\1\2\3\4a=1\0" + data))
def test_any_bytes_give_facts_or_a_format_error(data: bytes) -> None:
    view = View.of(data)
    uboot_env.match(view)
    try:
        facts = uboot_env.read(view)
    except FormatError:
        return
    assert len(facts.summary()) <= 60
    assert all(v.offset < len(data) for v in facts.variables)


GOOD = environment(size=0x200, flag=1)


@given(st.integers(0, 0x1FF), st.integers(1, 255), st.integers(0, 0x200))
def test_damaged_environments_are_never_valid(at: int, change: int, size: int) -> None:
    data = bytearray(GOOD)
    data[at] ^= change
    try:
        facts = uboot_env.read(View.of(data[:size]))
    except FormatError:
        return
    assert facts.valid == (at == 4 and size == 0x200)


def _mkenvimage(tmp_path: Path, text: str, *options: str) -> bytes:
    made = tmp_path / "env.bin"
    subprocess.run(["mkenvimage", *options, "-o", str(made), "-"], input=text.encode(), check=True)
    return made.read_bytes()


TEXT = "bootcmd=run recovery\nbootdelay=2\nserial#=\nmtdparts=mtdparts=nor:1m(fip)ro,-(rest)\n"


@pytest.mark.oracle
@pytest.mark.parametrize("size", ["0x200", "0x1000", "0x1f00", "0x4000", "0x40000"])
@pytest.mark.parametrize("pad", [0, 0xFF])
@pytest.mark.parametrize("redundant", [True, False])
@pytest.mark.parametrize("big", [True, False])
def test_mkenvimage_agrees(
    tmp_path: Path, size: str, pad: int, *, redundant: bool, big: bool
) -> None:
    options = ["-s", size, "-p", str(pad), *(["-r"] if redundant else []), *(["-b"] if big else [])]
    facts = uboot_env.read(View.of(_mkenvimage(tmp_path, TEXT, *options)))
    assert facts.valid
    assert facts.kind == ("redundant" if redundant else "plain")
    assert facts.byte_order == ("big" if big else "little")
    assert (facts.size, facts.padding) == (int(size, 16), pad)
    assert [f"{v.name}={v.value}\n" for v in facts.variables] == TEXT.splitlines(keepends=True)


def _printenv(tmp_path: Path, *copies: bytes) -> dict[str, str]:
    lines = []
    for number, data in enumerate(copies):
        stored = tmp_path / f"copy{number}"
        stored.write_bytes(data)
        lines.append(f"{stored} 0x0 {len(data):#x}")
    config = tmp_path / "fw_env.config"
    config.write_text("\n".join(lines) + "\n")
    told = subprocess.run(
        ["fw_printenv", "-c", str(config)], capture_output=True, text=True, check=True
    ).stdout
    return dict(line.split("=", 1) for line in told.splitlines())


@pytest.mark.oracle
def test_fw_printenv_reads_the_same_variables(tmp_path: Path) -> None:
    data = environment(b"a=1\0b=x=y\0c=with space\0\0")
    facts = uboot_env.read(View.of(data))
    assert _printenv(tmp_path, data) == {v.name: v.value for v in facts.variables}


@pytest.mark.oracle
@pytest.mark.parametrize(("one", "two"), [(1, 2), (2, 1), (255, 0), (0, 255), (5, 5), (254, 255)])
def test_fw_printenv_takes_the_same_copy(tmp_path: Path, one: int, two: int) -> None:
    copies = environment(b"copy=1\0\0", flag=one), environment(b"copy=2\0\0", flag=two)
    facts = [uboot_env.read(View.of(copy)) for copy in copies]
    assert _printenv(tmp_path, *copies) == {"copy": str(uboot_env.active(*facts))}
