from __future__ import annotations

import re
import struct
import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.errors import FormatError
from imgaudit.formats import fip
from imgaudit.formats.facts import Match, Part
from imgaudit.formats.view import View

# include/tools_share/firmware_image_package.h, in file byte order.
BL31 = bytes.fromhex("47d4086d4cfe98469b952950cbbd5a00")
BL33 = bytes.fromhex("d6d0eea7fcead54b97829934f234b6e4")
UNKNOWN = bytes(range(1, 17))


def package(
    images: list[tuple[bytes, bytes]], *, serial: int = 0x12345678, flags: int = 0, end: bool = True
) -> bytes:
    at = 16 + 40 * (len(images) + end)
    toc = struct.pack("<IIQ", 0xAA640001, serial, flags)
    payload = b""
    for uuid, data in images:
        toc += struct.pack("<16sQQQ", uuid, at + len(payload), len(data), 0)
        payload += data
    if end:
        toc += struct.pack("<16sQQQ", bytes(16), at + len(payload), 0, 0)
    return toc + payload


GOOD = package([(BL31, b"one"), (BL33, b"twotwo"), (UNKNOWN, b"")], flags=0xABCD << 32)


def test_entries_are_read_with_their_places() -> None:
    facts = fip.read(View.of(GOOD))
    assert [(entry.name, entry.size) for entry in facts.entries] == [
        ("BL31", 3),
        ("BL33", 6),
        ("01020304-0506-0708-090a-0b0c0d0e0f10", 0),
    ]
    assert [entry.offset for entry in facts.entries] == [16, 56, 96]
    assert (facts.toc_size, facts.end_marker, facts.length) == (176, 136, len(GOOD))
    assert facts.flags >> 32 == 0xABCD
    assert facts.offsets["length"] == 152
    assert GOOD[facts.offsets["serial_number"] :][:4] == struct.pack("<I", facts.serial_number)
    assert list(facts.parts())[:2] == [Part("BL31", 176, 3), Part("BL33", 179, 6)]
    assert facts.entry("BL33") == facts.entries[1]
    assert facts.entry("BL32") is None
    assert facts.summary() == "3 images, 185 B"
    assert fip.match(View.of(GOOD)) is Match.SURE


@pytest.mark.parametrize(
    ("tail", "fill"), [(b"", None), (b"\xff" * 9, 0xFF), (bytes(5), 0), (b"\xff\0", None)]
)
def test_trailing_bytes_are_told_apart(tail: bytes, fill: int | None) -> None:
    facts = fip.read(View.of(GOOD + tail))
    assert (facts.trailing, facts.trailing_fill) == (len(tail), fill)


@pytest.mark.parametrize(
    ("data", "how"),
    [(bytes(9), "a blank"), (b"\xff" * 9, "a blank"), (b"", "an empty"), (b"\0\0\1", None)],
)
def test_an_image_of_padding_alone_is_none(data: bytes, how: str | None) -> None:
    facts = fip.read(View.of(package([(BL31, b"one"), (BL33, data)])))
    assert list(facts.missing("arm64")) == ([("BL33", how)] if how else [])


def test_too_many_trailing_bytes_are_not_looked_at(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(fip, "TRAILING_LIMIT", 8)
    facts = fip.read(View.of(GOOD + bytes(9)))
    assert (facts.trailing, facts.trailing_fill) == (9, None)


def test_a_missing_end_marker_is_a_fact() -> None:
    facts = fip.read(View.of(package([(BL31, b"x")], end=False)))
    assert (facts.end_marker, facts.length, facts.trailing) == (None, None, 0)
    assert facts.summary() == "1 image, no end marker"
    assert fip.match(View.of(package([(BL31, b"x")], end=False))) is Match.WEAK


def test_erased_flash_ends_the_table() -> None:
    cut = package([(BL31, b"")], end=False) + b"\xff" * 4096
    assert [entry.role for entry in fip.read(View.of(cut)).entries] == ["BL31"]


def test_an_entry_outside_the_file_is_a_fact_and_no_part() -> None:
    facts = fip.read(View.of(GOOD[:-1]))
    assert [part.name for part in facts.parts()] == ["BL31"]
    assert facts.entries[1].end == len(GOOD)
    assert facts.length == len(GOOD)


def test_a_zero_serial_number_is_a_fact() -> None:
    # Trusted Firmware-A drivers/io/io_fip.c refuses it; that is for a check to say.
    assert fip.read(View.of(package([], serial=0))).serial_number == 0


def test_endless_tables_are_bounded() -> None:
    image = package([(UNKNOWN, b"")] * 2000)
    facts = fip.read(View.of(image))
    assert len(facts.entries) == fip.MAX_ENTRIES
    assert facts.end_marker is None


def test_other_bytes_are_refused() -> None:
    with pytest.raises(FormatError) as caught:
        fip.read(View.of(b"\x01\x00\x64\xab" + bytes(60)))
    assert caught.value.offset == 0
    assert fip.match(View.of(b"")) is Match.NO


@given(st.binary(max_size=400) | st.binary(max_size=400).map(lambda data: GOOD[:16] + data))
def test_any_bytes_give_facts_or_a_format_error(data: bytes) -> None:
    view = View.of(data)
    try:
        facts = fip.read(view)
    except FormatError:
        assert fip.match(view) is Match.NO
        return
    for part in facts.parts():
        view.sub(part.offset, part.size)
    assert len(facts.summary()) <= 60


@given(st.integers(0, len(GOOD) - 1), st.integers(0, 255), st.integers(0, len(GOOD)))
def test_damaged_packages_give_facts_or_a_format_error(at: int, value: int, size: int) -> None:
    data = bytearray(GOOD)
    data[at] = value
    view = View.of(data[:size])
    try:
        facts = fip.read(view)
    except FormatError:
        assert fip.match(view) is Match.NO
        return
    for part in facts.parts():
        view.sub(part.offset, part.size)


OPTIONS = [
    *("scp-fwu-cfg", "ap-fwu-cfg", "fwu", "fwu-cert", "tb-fw", "scp-fw", "soc-fw", "tos-fw"),
    *("tos-fw-extra1", "tos-fw-extra2", "nt-fw", "rmm-fw", "fw-config", "hw-config"),
    *("tb-fw-config", "soc-fw-config", "tos-fw-config", "nt-fw-config", "rot-cert"),
    *("trusted-key-cert", "scp-fw-key-cert", "soc-fw-key-cert", "tos-fw-key-cert"),
    *("nt-fw-key-cert", "tb-fw-cert", "scp-fw-cert", "soc-fw-cert", "tos-fw-cert", "nt-fw-cert"),
    *("sip-sp-cert", "plat-sp-cert", "cca-cert", "core-swd-cert", "plat-key-cert"),
]


@pytest.mark.oracle
@pytest.mark.parametrize("align", [1, 16, 512, 4096])
def test_fiptool_agrees_about_every_image_it_can_pack(tmp_path: Path, align: int) -> None:
    command = ["fiptool", "create", "--align", str(align), "--plat-toc-flags", "0x1234"]
    for number, option in enumerate(OPTIONS, 1):
        image = tmp_path / option
        image.write_bytes(bytes([number]) * (number * 37))
        command += [f"--{option}", str(image)]
    extra = tmp_path / "extra"
    extra.write_bytes(b"extra")
    command += ["--blob", f"uuid=01020304-0506-0708-090a-0b0c0d0e0f10,file={extra}"]
    made = tmp_path / "fip.bin"
    subprocess.run([*command, str(made)], check=True)
    data = made.read_bytes()
    facts = fip.read(View.of(data))

    listing = subprocess.run(
        ["fiptool", "info", str(made)], capture_output=True, text=True, check=True
    ).stdout
    told = re.findall(r"offset=0x([0-9A-F]+), size=0x([0-9A-F]+)", listing, re.IGNORECASE)
    assert [(entry.offset_address, entry.size) for entry in facts.entries] == [
        (int(offset, 16), int(size, 16)) for offset, size in told
    ]
    assert len(facts.entries) == len(OPTIONS) + 1
    assert sum(entry.role is None for entry in facts.entries) == 1
    assert len({entry.role for entry in facts.entries}) == len(facts.entries)
    assert facts.flags >> 32 == 0x1234
    assert facts.length == len(data)
    assert all(entry.offset_address % align == 0 for entry in facts.entries)
    assert fip.match(View.of(data)) is Match.SURE


@pytest.mark.oracle
@pytest.mark.parametrize(
    ("option", "role"),
    [
        ("soc-fw", "BL31"),
        ("tos-fw", "BL32"),
        ("nt-fw", "BL33"),
        ("tb-fw", "BL2"),
        ("scp-fw", "SCP_BL2"),
        ("rmm-fw", "RMM"),
        ("hw-config", "HW_CONFIG"),
        ("tb-fw-config", "TB_FW_CONFIG"),
        ("fw-config", "FW_CONFIG"),
        ("rot-cert", "ROT_KEY_CERT"),
        ("tb-fw-cert", "TRUSTED_BOOT_FW_CERT"),
        ("nt-fw-cert", "NON_TRUSTED_FW_CONTENT_CERT"),
        ("nt-fw-key-cert", "NON_TRUSTED_FW_KEY_CERT"),
        ("cca-cert", "CCA_CONTENT_CERT"),
    ],
)
def test_fiptool_options_have_their_roles(tmp_path: Path, option: str, role: str) -> None:
    image = tmp_path / "image"
    image.write_bytes(b"image")
    made = tmp_path / "fip.bin"
    subprocess.run(["fiptool", "create", f"--{option}", str(image), str(made)], check=True)
    facts = fip.read(View.of(made.read_bytes()))
    assert [entry.role for entry in facts.entries] == [role]
