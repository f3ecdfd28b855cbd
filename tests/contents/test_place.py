"""Where contents lie: in regions, in what wraps them, in the image of a chip."""

from __future__ import annotations

import gzip
import struct

import pytest

from imgaudit.contents.build import free_inside
from imgaudit.contents.place import nodes_of
from imgaudit.formats.cpio import CpioFacts
from imgaudit.formats.facts import Facts
from imgaudit.formats.fdt import FdtFacts
from imgaudit.formats.fit import FitFacts
from imgaudit.formats.mbr import Mbr
from imgaudit.rules import samples as sample
from imgaudit.rules.built import subject_of
from imgaudit.rules.examples import emmc, nor
from imgaudit.units import KIB, MIB
from imgaudit.writers.cpio import cpio
from imgaudit.writers.fat import fat16
from imgaudit.writers.tree import file
from tests.contents.test_slices import flat


def test_nodes_know_region_place_room_and_holder() -> None:
    archive = sample.packed(b"070701" + b"0" * 104 + b"TRAILER!!!\0\0\0\0")
    data = sample.fit({"kernel-1": sample.kernel(), "ramdisk-1": sample.kernel(payload=archive)})
    build = subject_of(
        nor(
            "name: recovery, at: 128 KiB, size: 64 KiB, file-at: 0x200, holds: fit,"
            " file: recovery.itb.gz",
            files={"recovery.itb.gz": lambda: gzip.compress(data, mtime=0)},
        )
    )
    (fit,) = build.of(FitFacts)
    assert fit.region is not None
    assert fit.start is not None
    assert (fit.region.name, fit.start, fit.room) == ("recovery", 128 * KIB + 0x200, 65024)
    assert not fit.nested
    # The stored file is wider than what its writer puts onto the chip.
    assert [(holder.content.name, holder.start) for holder in fit.holders()] == [
        ("recovery.itb.gz", None)
    ]
    stored = next(node for node in build.nodes if node.content.name.endswith("/ramdisk-1"))
    assert stored.holder is fit
    assert stored.start == fit.start + data.index(archive)
    assert (stored.room, stored.nested) == (None, True)
    inner = next(node for node in build.nodes if node.holder is stored)
    assert (inner.start, inner.content) == (None, stored.content.inner)


def test_the_image_of_a_chip_gives_its_regions_and_what_no_artifact_has() -> None:
    tree = sample.board_tree()
    disk = bytearray(2 * MIB)
    for number, start in enumerate((2048, 2112)):
        struct.pack_into("<B3xB3xII", disk, 446 + 16 * number, 0, 0x83, start, 64)
    disk[510:512] = b"\x55\xaa"
    for number in (2048, 2112):
        disk[number * 512 : number * 512 + len(tree)] = tree
    layout = "name: {0}, at: {1}, size: 32 KiB, partition: {2}, holds: fdt"
    build = subject_of(
        emmc(
            layout.format("own", "1 MiB", 1) + ", file: board.dtb",
            layout.format("none", "1056 KiB", 2),
            chip="size: 2 MiB, image: emmc.img",
            files={
                "emmc.img": lambda: bytes(disk),
                "board.dtb": lambda: tree + bytes(32 * KIB - len(tree)),
            },
        )
    )
    assert [node.start for node in build.of(Mbr)] == [0]
    found = [
        (node.artifact.path, node.region.name if node.region else None, node.start, node.room)
        for node in build.of(FdtFacts)
    ]
    assert found == [
        ("board.dtb", "own", MIB, 32 * KIB),
        ("emmc.img:none", "none", MIB + 32 * KIB, 32 * KIB),
    ]
    repeated = [node for node in build.nodes if node.repeats]
    assert [(node.region and node.region.name) for node in repeated] == ["own", "none"]
    assert all(isinstance(node.content.facts, Facts) for node in repeated)


def test_what_is_free_is_less_what_file_at_leaves_out() -> None:
    build = subject_of(
        nor(
            "name: a, at: 0, size: 64 KiB, file-at: 0x200, file: a.bin",
            "name: b, at: 64 KiB, size: 64 KiB, file-at: 0xfe00, file: a.bin",
            "name: c, at: 128 KiB, size: 64 KiB",
            files={"a.bin": lambda: bytes(1024)},
        )
    )
    free = [(item.free, item.free_percent) for item in build.placements]
    assert free == [(64000, 100 * 64000 / 65024), (-512, -100.0), (None, None)]


@pytest.mark.parametrize("more", [0, 64 * KIB, -KIB])
def test_what_a_file_system_has_left_counts_unless_it_does_not_fit(more: int) -> None:
    files = {"boot.img": lambda: flat(fat16(10 * MIB, {"IMAGE": bytes(3 * MIB)}, "BOOT", 77))}
    size = 10 * MIB + more
    build = subject_of(
        emmc(
            f"name: boot, partition: 1, at: 1 MiB, size: {size}, holds: fat, file: boot.img",
            files=files,
        )
    )
    placement = build.placement("boot")
    assert placement.payload is not None
    inside = free_inside(placement.payload)
    assert inside > 6 * MIB
    assert placement.free == (more if more < 0 else inside + more)


def test_what_follows_a_compressed_archive_has_its_place() -> None:
    first = sample.packed(cpio({"init": file("tide " * 99)}, 0))
    second = cpio({"gauge": file("tide " * 99)}, 0)
    build = subject_of(
        nor(
            "name: ramdisk, at: 64 KiB, size: 64 KiB, holds: cpio, file: ramdisk.gz",
            files={"ramdisk.gz": lambda: first + second},
        )
    )
    assert [node.content.name for node in build.nodes] == [
        "ramdisk.gz",
        "ramdisk.gz/unpacked",
        "ramdisk.gz/after the stream",
    ]
    whole, unpacked, behind = build.nodes
    assert list(build.of(CpioFacts)) == [unpacked, behind]
    assert (behind.holder, behind.region) == (whole, whole.region)
    # Where it is on the chip depends on what the writer makes of it.
    assert (behind.start, behind.room, behind.nested) == (None, None, True)
    view = behind.view()
    assert view is not None
    assert view.bytes(0, view.size) == second
    # A file that goes to no chip has its own offsets.
    alone = list(nodes_of([(None, whole.artifact)]))
    assert [node.start for node in alone] == [0, 0, len(first)]
