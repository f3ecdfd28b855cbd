from __future__ import annotations

import subprocess
import uuid

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.formats.guid import (
    TYPE_NAMES,
    byte_swapped,
    guid_bytes,
    guid_text,
    partition_type,
    type_name,
)


@given(st.binary(min_size=16, max_size=16))
def test_text_and_bytes_are_inverse_and_agree_with_the_standard_library(stored: bytes) -> None:
    text = guid_text(stored)
    assert text == str(uuid.UUID(bytes_le=stored))
    assert guid_bytes(text) == guid_bytes(text.upper()) == stored
    assert byte_swapped(text) == str(uuid.UUID(bytes=stored))
    assert byte_swapped(byte_swapped(text)) == text


@pytest.mark.parametrize("text", ["", "c12a7328", "c12a7328f81f11d2ba4b00a0c93ec93b", "z" * 36])
def test_what_is_no_guid_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"GUID|fromhex"):
        guid_bytes(text)


def test_the_esp_is_stored_mixed_endian() -> None:
    # UEFI specification, appendix A: the first three fields little-endian, the rest as written.
    stored = bytes.fromhex("28732ac11ff8d211ba4b00a0c93ec93b")
    assert guid_text(stored) == TYPE_NAMES["esp"]


def test_a_type_is_known_by_our_name_by_the_identifier_of_the_specification_and_by_guid() -> None:
    # The Discoverable Partitions Specification, "Defined Partition Type UUIDs".
    root = "b921b045-1df0-41c3-af44-4c6f280d3fae"
    for text in ("linux-root-arm64", "SD_GPT_ROOT_ARM64", root, root.upper()):
        assert partition_type(text) == root
    assert partition_type("SD_GPT_ESP") == TYPE_NAMES["esp"]
    assert partition_type("SD_GPT_LINUX_GENERIC") == TYPE_NAMES["linux-data"]
    assert partition_type("SD_GPT_ROOT_X86_64_VERITY") == "2c7357ed-ebd2-46d9-aec1-23d437ec2bf5"
    with pytest.raises(ValueError, match=r"GUID|fromhex"):
        partition_type("SD_GPT_ROOT_ARM65")


def test_names_and_guids_are_one_to_one() -> None:
    assert len(set(TYPE_NAMES.values())) == len(TYPE_NAMES)
    for name, guid in TYPE_NAMES.items():
        assert type_name(guid) == type_name(guid.upper()) == name
        assert type_name(byte_swapped(guid)) is None
    assert type_name("00000000-0000-0000-0000-000000000000") is None


@pytest.mark.oracle
@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("esp", "EFI System"),
        ("xbootldr", "Linux extended boot"),
        ("linux-root-arm", "Linux root (ARM)"),
        ("linux-root-arm64", "Linux root (ARM-64)"),
        ("linux-root-riscv32", "Linux root (RISC-V-32)"),
        ("linux-root-riscv64", "Linux root (RISC-V-64)"),
        ("linux-root-x86", "Linux root (x86)"),
        ("linux-root-x86-64", "Linux root (x86-64)"),
        ("linux-usr-arm", "Linux /usr (ARM)"),
        ("linux-usr-arm64", "Linux /usr (ARM-64)"),
        ("linux-usr-riscv32", "Linux /usr (RISC-V-32)"),
        ("linux-usr-riscv64", "Linux /usr (RISC-V-64)"),
        ("linux-usr-x86", "Linux /usr (x86)"),
        ("linux-usr-x86-64", "Linux /usr (x86-64)"),
        ("linux-home", "Linux home"),
        ("linux-srv", "Linux server data"),
        ("linux-var", "Linux variable data"),
        ("linux-tmp", "Linux temporary data"),
        ("linux-swap", "Linux swap"),
        ("linux-data", "Linux filesystem"),
        ("linux-lvm", "Linux LVM"),
        ("linux-raid", "Linux RAID"),
        ("bios-boot", "BIOS boot"),
        ("linux-root-arm-verity", "Linux root verity (ARM)"),
        ("linux-root-arm64-verity", "Linux root verity (ARM-64)"),
        ("linux-root-riscv64-verity", "Linux root verity (RISC-V-64)"),
        ("linux-root-x86-64-verity", "Linux root verity (x86-64)"),
        ("microsoft-basic-data", "Microsoft basic data"),
    ],
)
def test_types_are_those_that_sfdisk_lists(name: str, words: str) -> None:
    listing = subprocess.run(
        ["sfdisk", "--list-types", "--label", "gpt"], capture_output=True, text=True, check=True
    ).stdout
    known = {}
    for line in listing.splitlines():
        guid, _, title = line.partition("  ")
        known[title.strip()] = guid.lower()
    assert known[words] == TYPE_NAMES[name]
