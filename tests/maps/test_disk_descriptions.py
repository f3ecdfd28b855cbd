"""Further copies of the map: .wks files, dfu_alt_info, lists for gpt write, binman nodes.

The texts are the examples of their own documentation, where a source is named.
"""

from __future__ import annotations

import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit import bounds
from imgaudit.contents.build import MemoryStore
from imgaudit.contents.reader import Loader
from imgaudit.errors import FormatError
from imgaudit.formats import flat_tree
from imgaudit.formats.view import View
from imgaudit.layout.load import parse
from imgaudit.maps import alternates, binman, gpt_write, kickstart
from imgaudit.maps.entry import Medium
from imgaudit.rules.subject import gather
from imgaudit.tasks import audit
from imgaudit.units import KIB, MIB
from imgaudit.writers.fdt import Tree, fdt

# OpenEmbedded's canned directdisk-gpt.wks (from memory).
_DIRECT = """\
# short-description: Create a 'pcbios' direct disk image
part /boot --source bootimg-pcbios --ondisk sda --label boot --active --align 1024
part / --source rootfs --ondisk sda --fstype=ext4 --label root --align 1024 --use-uuid

bootloader --ptable gpt --timeout=0 --append="rootwait rootfstype=ext4 video=vesafb"
"""


def test_a_canned_wks() -> None:
    (disk,) = kickstart.copies(_DIRECT)
    assert (disk.device, disk.table, disk.medium) == ("sda", "gpt", Medium.MMC)
    boot, root = disk.entries
    # GPT and alignment: 34 sectors, up to the next MiB.
    assert (boot.label, boot.number, boot.offset, boot.size) == ("boot", 1, MIB, None)
    # What comes before it decides where it is.
    assert (root.label, root.number, root.offset, root.holds) == ("root", 2, None, "ext4")
    assert root.at.line == 3


def test_wks_places_by_layout_partitions() -> None:
    text = "\n".join(
        (
            "part spl --source rawcopy --sourceparams='file=spl.img' --no-table --align 8",
            "part u-boot --source rawcopy --no-table --offset 40 --fixed-size 960K",
            "part /boot --fixed-size 64 --ondrive mmcblk0 --fstype=vfat --active --align 4096",
            *(
                f"part /d{number} --fixed-size 16M --fstype ext4 --align 1024"
                for number in range(4)
            ),
        )
    )
    (disk,) = kickstart.copies(text)
    told = [(it.number, it.offset, it.size) for it in disk.entries]
    assert told == [
        (None, 8 * KIB, None),
        (None, 40 * KIB, 960 * KIB),
        (1, 4 * MIB, 64 * MIB),
        (2, 68 * MIB, 16 * MIB),
        (3, 84 * MIB, 16 * MIB),
        # A sector for the record of each logical partition, then its alignment.
        (5, 101 * MIB, 16 * MIB),
        (6, 118 * MIB, 16 * MIB),
    ]
    assert disk.entries[0].file == "spl.img"


@pytest.mark.parametrize("text", ["hello", 'part / --label "x', "bootloader --ptable apm"])
def test_what_is_no_wks_is_refused(text: str) -> None:
    with pytest.raises(FormatError):
        kickstart.copies(text)


def test_gpt_write_of_its_documentation() -> None:
    # U-Boot doc/usage/cmd/gpt.rst, "Create 6 partitions on a disk".
    kind = "0fc63daf-8483-4772-8e79-3d69d8477de4"
    text = (
        "uuid_disk=bec9fc2a-86c1-483d-8a0e-0109732277d7;"
        "name=boot,start=4M,size=128M,bootable,type=ebd0a0a2-b9e5-4433-87c0-68b6b72699c7;"
        f"name=rootfs,size=3072M,type={kind};name=system-data,size=512M,type={kind};"
        f"name=[ext],size=-,type={kind}"
    )
    assert gpt_write.is_list(text)
    (disk,) = gpt_write.copies(text)
    told = [(it.number, it.label, it.offset, it.size) for it in disk.entries]
    assert told == [
        (1, "boot", 4 * MIB, 128 * MIB),
        (2, "rootfs", 132 * MIB, 3072 * MIB),
        (3, "system-data", 3204 * MIB, 512 * MIB),
        (4, "[ext]", 3716 * MIB, None),
    ]
    # The documentation's second example: `part list` shows u-boot at block 0x22, env at 0x10022.
    (disk,) = gpt_write.copies("name=u-boot,size=32M,type=data;name=env,size=1M,type=u-boot-env;")
    assert [(it.offset or 0) // 512 for it in disk.entries] == [0x22, 0x10022]


def test_dfu_of_its_documentation() -> None:
    # U-Boot doc/usage/dfu.rst.
    (card,) = alternates.copies("u-boot raw 0x80 0x800;uImage ext4 0 2")
    assert [(it.label, it.offset, it.size) for it in card.entries] == [("u-boot", 64 * KIB, MIB)]
    assert alternates.copies("u-boot raw 0x3e 0x800 mmcpart 1;bl2 raw 0x1e 0x1d mmcpart 1") == ()
    (disk,) = alternates.copies("mmc 0=sdcard raw 0 0x100000&virt 0=otp")
    assert (disk.device, disk.medium, disk.entries[0].size) == ("mmc 0", Medium.MMC, 512 * MIB)
    (nor,) = alternates.copies("sf 0:0=spl raw 0 40000;u-boot raw 0x40000 c0000")
    assert [(it.offset, it.size) for it in nor.entries] == [(0, 0x40000), (0x40000, 0xC0000)]
    assert nor.medium is Medium.SPI_NOR


@pytest.mark.parametrize(
    ("text", "entry"),
    [
        # U-Boot drivers/dfu/dfu_mmc.c reads numbers as C does, dfu_sf.c as hex.
        ("mmc 0=a raw 010 0x10", (8 * 512, 16 * 512)),
        ("mmc 0=a raw 08 0x10", None),
        ("mmc 0=a raw a 0x10", None),
        ("sf 0=a raw 08 10", (8, 16)),
        ("sf 0=a raw 0x 10", None),
        ("sf 0=a raw 0 0", None),
        ("sf 0=a raw 0 10 x", None),
        ("sf 0=a raw 0", None),
    ],
)
def test_numbers_of_dfu(text: str, entry: tuple[int, int] | None) -> None:
    found = [(it.offset, it.size) for copy in alternates.copies(text) for it in copy.entries]
    assert found == ([] if entry is None else [entry])


def test_descriptions_have_an_end(monkeypatch: pytest.MonkeyPatch) -> None:
    text = "# one\npart a --fixed-size 1\npart b --fixed-size 1\n"
    monkeypatch.setattr(kickstart, "MAX_LINES", 3)
    assert len(kickstart.copies(text)[0].entries) == 2
    monkeypatch.setattr(kickstart, "MAX_LINES", 2)
    with pytest.raises(FormatError, match="more than 2 lines") as caught:
        kickstart.copies(text)
    assert caught.value.offset == text.index("part b")
    listed = "name=a;name=b;name=c"
    for most, told in ((3, []), (2, [("partitions", "only the first 2 partitions are looked at")])):
        monkeypatch.setattr(gpt_write, "_MAX", most)
        with bounds.listening() as heard:
            (disk,) = gpt_write.copies(listed)
        assert len(disk.entries) == most
        assert list(heard) == told


def test_binman_places_of_a_flash() -> None:
    image: Tree = {
        "filename": "u-boot-spi.bin",
        "spl": {"filename": "spl.bin", "size": 0x10000},
        "u-boot-img": {"align": 0x1000},
        "fit": {"offset": 0x80000},
        "hash-1": {"algo": "sha256"},
    }
    tree: Tree = {"binman": {"multiple-images": True, "simple-bin-spi": image, "sd": {"x": {}}}}
    (flash,) = binman.copies(flat_tree.parse(View.of(fdt(tree))))
    told = [(it.label, it.offset, it.size, it.file) for it in flash.entries]
    assert told == [
        ("spl", 0, 0x10000, "spl.bin"),
        ("u-boot-img", 0x10000, None, None),
        ("fit", 0x80000, None, None),
    ]
    # What goes behind a partition table counts from there: that is no place on the chip.
    image["filename"] = "u-boot-card.bin"
    moved: Tree = {"binman": {"multiple-images": True, "simple-bin": image}}
    assert list(binman.copies(flat_tree.parse(View.of(fdt(moved))))) == []


_BOARD = """\
layout: 1
board: heron
arch: arm64
chips: {emmc: {kind: emmc, size: 64 MiB, align: 1 MiB}}
regions:
  - {name: loader, chip: emmc, at: 32 KiB, size: 512 KiB, holds: raw, writer: release}
  - {name: boot, chip: emmc, partition: 1, at: 2 MiB, size: 4 MiB, holds: fat, writer: release}
  - {name: root, chip: emmc, partition: 2, at: 8 MiB, size: 16 MiB, holds: ext4, writer: release}
written-elsewhere: {disk-description: disk}
"""
_GENIMAGE = """\
image disk.img {
    hdimage { partition-table-type = gpt align = 1M }
    partition loader { in-partition-table = false offset = 32K size = 512K }
    partition boot { offset = 2M size = 4M }
    partition root { offset = 8M size = 16M }
}
"""
_WKS = """\
part --no-table --source rawcopy --offset 32 --fixed-size 512K
part /boot --label boot --offset 2M --fixed-size 4M
part / --label root --offset 8M --fixed-size 16M
bootloader --ptable gpt
"""


def drift(text: str) -> list[tuple[str, str | None]]:
    with Loader() as loader:
        store = MemoryStore({"disk": text.encode}, loader)
        found = audit.run(gather(parse(_BOARD.encode(), "heron.yaml"), store)).findings
    return [(it.rule.name, it.region) for it in found if it.rule.name.startswith("map-")]


@pytest.mark.parametrize("text", [_GENIMAGE, _WKS])
def test_what_assembles_the_image_must_agree_with_the_layout(text: str) -> None:
    assert drift(text) == []
    assert drift(text.replace("8M", "9M")) == [("map-offset-differs", "root")]
    assert drift(text.replace("16M", "15M")) == [("map-size-differs", "root")]
    assert drift(text.replace("boot ", "boat ")) == [("map-label-differs", "boot")]
    without = "\n".join(line for line in text.splitlines() if "root" not in line)
    assert drift(without) == [("map-region-missing", "root")]


def test_a_file_that_is_no_description_is_told() -> None:
    assert drift("hello") == [("map-copy-refused", None)]


@given(st.text(alphabet="part / --size=1M;name,0x&raw \n'mmcsf#", max_size=200))
def test_any_text_gives_copies_or_an_error(text: str) -> None:
    gpt_write.copies(text)
    alternates.copies(text)
    with contextlib.suppress(FormatError):
        kickstart.copies(text)


@pytest.mark.parametrize("size", [kickstart.MAX_LINE, kickstart.MAX_LINE + 1])
def test_a_line_of_endless_words_is_refused(size: int) -> None:
    line = "part /boot --size 8 --label ".ljust(size, "x")
    if size <= kickstart.MAX_LINE:
        assert kickstart.copies(line)
        return
    with pytest.raises(FormatError, match="a line of 4,097 characters"):
        kickstart.copies(line)
