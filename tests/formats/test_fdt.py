from __future__ import annotations

import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.errors import FormatError
from imgaudit.formats import fdt, flat_tree
from imgaudit.formats.facts import Match
from imgaudit.formats.view import View
from tests.formats.device_trees import damaged, write

BOARD = {
    "#address-cells": 2,
    "#size-cells": 2,
    "model": "Whimbrel",
    "compatible": ["whimbrel,logger"],
    "memory@80000000": {
        "device_type": "memory",
        "reg": (0, 0x8000_0000, 0, 0x2000_0000, 1, 0, 0, 0x1000_0000),
    },
    "ram": {"device_type": "memory", "reg": (2, 0, 0, 16), "status": "disabled"},
    "reserved-memory": {
        "#address-cells": 1,
        "#size-cells": 1,
        "ranges": b"",
        "monitor@9fe00000": {"reg": (0x9FE0_0000, 0x20_0000), "no-map": b""},
        "linux,cma": {"size": 0x100_0000, "reusable": b""},
        "off@1000": {"reg": (0x1000, 0x1000), "status": "disabled"},
    },
    "chosen": {
        "bootargs": "console=ttyS0",
        "stdout-path": "serial0:115200n8",
        "linux,initrd-start": (0, 0x8800_0000),
        "linux,initrd-end": 0x8900_0000,
    },
    "__symbols__": {"gauge": "/gauge"},
}
DTB = write(BOARD, reserve=((0x1000, 0x2000),), padding=0x3000)


def read(data: bytes) -> fdt.FdtFacts:
    return fdt.read(View.of(data))


def test_what_booting_depends_on_is_told() -> None:
    facts = read(DTB)
    assert (facts.model, facts.compatible) == ("Whimbrel", ("whimbrel,logger",))
    assert [(m.path, m.base, m.size, m.enabled) for m in facts.memory] == [
        ("/memory@80000000", 0x8000_0000, 0x2000_0000, True),
        ("/memory@80000000", 0x1_0000_0000, 0x1000_0000, True),
        ("/ram", 0x2_0000_0000, 16, False),
    ]
    assert [(r.base, r.size, r.no_map, r.enabled) for r in facts.reserved] == [
        (0x9FE0_0000, 0x20_0000, True, True),
        (None, 0x100_0000, False, True),
        (0x1000, 0x1000, False, False),
    ]
    assert [(r.address, r.size) for r in facts.reservations] == [(0x1000, 0x2000)]
    assert facts.bootargs == "console=ttyS0"
    assert facts.stdout_path == "serial0:115200n8"
    assert (facts.initrd_start, facts.initrd_end) == (0x8800_0000, 0x8900_0000)
    assert (facts.symbols, facts.fixups, facts.overlay) == (True, False, False)
    assert facts.length == facts.totalsize == len(DTB)
    assert facts.totalsize - facts.used == 0x3000
    assert facts.tree.get("/chosen") is not None
    assert facts.summary() == "Whimbrel, 12.9 KiB"


def test_offsets_point_at_the_values() -> None:
    facts = read(DTB)
    at = facts.offsets
    assert DTB[at["model"] :].startswith(b"Whimbrel\0")
    assert DTB[at["bootargs"] :].startswith(b"console=")
    assert DTB[at["totalsize"] :].startswith(len(DTB).to_bytes(4, "big"))
    assert DTB[facts.memory[0].offset :].startswith(b"\0\0\0\0\x80\0\0\0")
    assert DTB[facts.reserved[1].offset :].startswith(b"\x01\0\0\0")


def test_an_empty_tree_has_nothing() -> None:
    facts = read(write({}))
    assert facts.model is None
    assert facts.compatible == ()
    assert (facts.memory, facts.reserved, facts.reservations) == ((), (), ())
    assert (facts.bootargs, facts.initrd_start) == (None, None)
    assert facts.summary() == "no model, 72 B"


def test_an_overlay_is_told_by_its_fixups_or_its_fragments() -> None:
    fixups = read(write({"__fixups__": {"gauge": "/fragment@0:target:0"}}))
    assert (fixups.fixups, fixups.overlay) == (True, True)
    fragments = read(write({"fragment@0": {"target-path": "/", "__overlay__": {}}}))
    assert (fragments.fixups, fragments.overlay) == (False, True)
    assert fragments.summary().startswith("overlay")


def test_totalsize_is_a_fact_even_past_the_file() -> None:
    facts = read(DTB[: -0x3000 + 8])
    assert facts.totalsize == len(DTB)
    assert facts.used == len(DTB) - 0x3000


@pytest.mark.parametrize(
    ("data", "match"),
    [
        (DTB, Match.SURE),
        (DTB[:200], Match.GOOD),
        (write({"images": {}}), Match.WEAK),
        (b"\xd0\x0d\xfe", Match.NO),
        (b"", Match.NO),
    ],
)
def test_how_sure_a_match_is(data: bytes, match: Match) -> None:
    assert fdt.READER.match(View.of(data)) is match


@given(st.one_of(st.binary(max_size=99), damaged(DTB[: -0x3000 + 8])))
def test_any_bytes_give_facts_or_a_format_error(data: bytes) -> None:
    fdt.READER.match(View.of(data))
    try:
        read(data).summary()
    except FormatError:
        return


@pytest.mark.oracle
def test_padding_and_memory_agree_with_dtc(tmp_path: Path) -> None:
    blob = tmp_path / "a.dtb"
    source = (
        "/dts-v1/; / { #address-cells = <2>; #size-cells = <1>; label: memory@100000000 "
        '{ device_type = "memory"; reg = <1 0 0x10000000>; }; };'
    )
    command = ["dtc", "-q", "-@", "-p", "12288", "-O", "dtb", "-o", str(blob)]
    subprocess.run(command, input=source.encode(), check=True)
    facts = read(blob.read_bytes())
    assert facts.totalsize - facts.used == 12288
    assert [(m.base, m.size) for m in facts.memory] == [(0x1_0000_0000, 0x1000_0000)]
    assert facts.symbols


@pytest.mark.oracle
def test_every_device_tree_of_debian_installer_12_netboot_armhf_is_read() -> None:
    # Debian package debian-installer-12-netboot-armhf; every tenth of its 898 trees.
    folder = Path("/usr/lib/debian-installer/images/12/armhf/text/debian-installer/armhf/dtbs")
    blobs = sorted(folder.glob("*.dtb"))[::10]
    assert blobs
    with_memory = 0
    for blob in blobs:
        data = blob.read_bytes()
        facts = read(data)
        assert facts.length == len(data)
        assert facts.used <= len(data)
        assert facts.compatible
        with_memory += bool(facts.memory)
        command = ["fdtget", "-t", "s", str(blob), "/", "compatible"]
        told = subprocess.run(command, check=True, capture_output=True).stdout.decode()
        assert told.split() == list(facts.compatible)
    # Some boards leave their memory to the boot loader.
    assert len(blobs) // 2 < with_memory < len(blobs)


def test_the_tree_stays_out_of_comparisons_and_text() -> None:
    assert "tree=" not in repr(read(DTB))
    assert isinstance(read(DTB).tree, flat_tree.Tree)
