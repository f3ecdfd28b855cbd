"""A region's content in the image of its chip is checked as if it were a file."""

from __future__ import annotations

import bz2
import gzip
import lzma
import random
import struct
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from uuid import UUID

import pytest
from backports import zstd

from imgaudit.contents.build import MemoryStore
from imgaudit.contents.reader import Loader
from imgaudit.contents.slices import Slice
from imgaudit.contents.tree import Content
from imgaudit.layout.load import parse
from imgaudit.release.manifest import Manifest
from imgaudit.release.seal import seal
from imgaudit.rules.engine import Finding
from imgaudit.rules.subject import Subject, gather
from imgaudit.tasks.audit import run
from imgaudit.units import KIB, MIB
from imgaudit.writers.env import environment
from imgaudit.writers.ext4 import ext4
from imgaudit.writers.fat import fat16
from imgaudit.writers.gpt import Partition, gpt
from imgaudit.writers.sparse import Sparse, filler, length
from imgaudit.writers.tree import file

LINUX = UUID("0fc63daf-8483-4772-8e79-3d69d8477de4")
SIZE = 32 * MIB
PLACES = {"loader": 64 * 512, "boot": 2 * MIB, "root": 14 * MIB, "env": MIB}
LAYOUT = """\
layout: 1
board: b
arch: arm64
chips:
  emmc: {kind: emmc, sectors: 65536, align: 1 MiB, image: disk.img}
regions:
  - {name: loader, chip: emmc, at: 0x8000, size: 992 KiB, holds: raw, writer: release, file: l.bin}
  - {name: env, chip: emmc, at: 1 MiB, size: 16 KiB, holds: uboot-env, writer: release, file: u.env,
     env: {size: 8 KiB}}
  - {name: boot, chip: emmc, partition: 1, at: 2 MiB, size: 10 MiB, holds: fat, writer: release,
     file: boot.vfat}
  - {name: root, chip: emmc, partition: 2, at: 14 MiB, size: 8 MiB, holds: ext4, writer: release,
     file: root.ext4}
  - {name: data, chip: emmc, partition: 3, at: 24 MiB, size: 4 MiB, holds: ext4, writer: runtime}
"""
NAMES = {"loader": "l.bin", "env": "u.env", "boot": "boot.vfat", "root": "root.ext4"}


def flat(content: bytes | Sparse) -> bytes:
    if isinstance(content, bytes):
        return content
    data = bytearray(content.size)
    for at, piece in content.pieces:
        data[at : at + len(piece)] = piece[: content.size - at]
    return bytes(data)


def artifacts() -> dict[str, bytes]:
    return {
        "l.bin": filler("loader", 300_001),
        "u.env": environment({"bootcmd": "boot"}, 8 * KIB, None),
        "boot.vfat": flat(fat16(10 * MIB, {"IMAGE": filler("kernel", 3 * MIB)}, "BOOT", 77)),
        "root.ext4": flat(
            ext4(
                8 * MIB,
                {"etc/hostname": file(b"whimbrel\n")},
                label="root",
                uuid=UUID(int=5),
                epoch=0,
            )
        ),
    }


def disk(files: dict[str, bytes]) -> bytes:
    parts = [
        Partition("boot", LINUX, UUID(int=1), 2 * MIB, 10 * MIB),
        Partition("root", LINUX, UUID(int=2), 14 * MIB, 8 * MIB),
        Partition("data", LINUX, UUID(int=3), 24 * MIB, 4 * MIB),
    ]
    image = gpt(SIZE // 512, UUID(int=9), parts)
    for region, name in NAMES.items():
        image.put(PLACES[region], files[name])
    return flat(image)


def sparse(data: bytes) -> bytes:
    """Android system/core libsparse/sparse_format.h: one header and one raw chunk."""
    header = struct.pack("<IHHHHIIII", 0xED26FF3A, 1, 0, 28, 12, 4096, len(data) // 4096, 1, 0)
    return header + struct.pack("<HHII", 0xCAC1, 0, len(data) // 4096, 12 + len(data)) + data


def alone(text: str = LAYOUT) -> str:
    for name in NAMES.values():
        text = text.replace(f", file: {name}", "").replace(f",\n     file: {name}", "")
    assert "file:" not in text
    return text


def subject(text: str, files: dict[str, bytes]) -> Subject:
    with Loader(full_digests=True) as loader:
        made = {name: partial(bytes, data) for name, data in files.items()}
        return gather(parse(text.encode(), "f"), MemoryStore(made, loader))


def audited(text: str, files: dict[str, bytes]) -> list[Finding]:
    return list(run(subject(text, files)).findings)


def names(findings: list[Finding]) -> set[tuple[str, str | None]]:
    return {(finding.rule.name, finding.region) for finding in findings}


PACKED: dict[str, Callable[[bytes], bytes]] = {
    "raw": bytes,
    "xz": lambda data: lzma.compress(data, preset=0),
    "gz": lambda data: gzip.compress(data, 1),
    "bz2": lambda data: bz2.compress(data, 1),
    "zst": lambda data: zstd.compress(data, 1),
    "sparse": sparse,
}


@pytest.mark.parametrize("packing", PACKED)
def test_an_image_alone_is_audited_as_its_files_are(packing: str) -> None:
    image = disk(artifacts())
    build = subject(alone(), {"disk.img": PACKED[packing](image)})
    assert run(build).findings == ()
    sizes = {item.region.name: item.size for item in build.placements}
    # Zeros behind the loader's end are kept up to a whole unit of 4 KiB.
    assert sizes["loader"] in {303_104, 307_200, 5 * 64 * KIB}
    assert (sizes["boot"], sizes["root"], sizes["data"]) == (10 * MIB, 8 * MIB, None)
    boot, root = build.placement("boot").payload, build.placement("root").payload
    assert boot is not None
    assert root is not None
    assert (boot.format, root.format) == ("fat", "ext4")
    broken = bytearray(image)
    broken[2 * MIB : 3 * MIB] = random.Random(1).randbytes(MIB)
    broken[14 * MIB : 17 * MIB] = bytes(3 * MIB)
    broken[MIB + 100] ^= 1
    found = names(audited(alone(), {"disk.img": PACKED[packing](bytes(broken))}))
    assert ("artifact-not-what-it-claims", "boot") in found
    assert ("artifact-not-what-it-claims", "root") in found
    assert any(region == "env" for _, region in found)


def test_another_format_than_the_layout_holds() -> None:
    text = alone().replace("holds: fat", "holds: squashfs")
    found = audited(text, {"disk.img": disk(artifacts())})
    assert ("artifact-not-what-it-claims", "boot") in names(found)


def test_an_image_that_ends_before_a_region() -> None:
    found = audited(alone(), {"disk.img": disk(artifacts())[: 13 * MIB]})
    missing = [item for item in found if item.rule.name == "artifact-missing"]
    assert [item.message for item in missing] == ["disk.img ends before root"]


def test_a_blank_region_of_a_release() -> None:
    image = bytearray(disk(artifacts()))
    image[2 * MIB : 12 * MIB] = bytes(10 * MIB)
    assert ("artifact-blank", "boot") in names(audited(alone(), {"disk.img": bytes(image)}))


def test_a_file_and_the_image_are_compared_at_any_place() -> None:
    files = artifacts()
    image = bytearray(disk(files))
    assert audited(LAYOUT, files | {"disk.img": bytes(image)}) == []
    image[0x8000 + 123_456] ^= 0x10
    found = audited(LAYOUT, files | {"disk.img": bytes(image)})
    (differs,) = [item for item in found if item.region == "loader"]
    assert differs.rule.name.startswith("chip-image")
    assert differs.offset == 0x8000 + 123_456


@pytest.mark.parametrize("packing", ["xz", "sparse"])
def test_a_packed_image_is_compared_at_any_place(packing: str) -> None:
    files = artifacts()
    image = bytearray(disk(files))
    image[0x8000 + 300_000] ^= 0x10
    found = audited(LAYOUT, files | {"disk.img": PACKED[packing](bytes(image))})
    assert {item.offset for item in found if item.region == "loader"} == {0x8000 + 300_000}


def test_an_image_is_sealed_and_read_back_as_files_are() -> None:
    files = artifacts()
    image = disk(files)
    manifest: Manifest = seal(subject(alone(), {"disk.img": image}))
    sealed = {item.name: item.payload for item in manifest.regions}
    assert sealed["data"] is None
    root = sealed["root"]
    assert root is not None
    of_files = seal(subject(LAYOUT, files | {"disk.img": image})).region("root")
    assert of_files is not None
    assert of_files.payload is not None
    assert root.sha256 == of_files.payload.sha256


@pytest.mark.parametrize(
    ("part", "data", "end"),
    [
        (Slice("a", 0, 8), b"ab\xff\xff", 2),
        (Slice("a", 0, 8, whole=True), b"ab\xff\xff", 4),
        (Slice("a", 0, 8, erased=0), b"ab" + bytes(8190), 4096),
        (Slice("a", 0, 8, erased=0), b"a" * 4080 + bytes(8190), 4096),
        (Slice("a", 0, 8, erased=0), b"a" * 4081 + bytes(8190), 8192),
        (Slice("a", 0, 8, erased=0), b"ab" + bytes(100), 102),
    ],
)
def test_where_a_slice_ends(part: Slice, data: bytes, end: int) -> None:
    assert part.end(data) == end
    assert length(data) >= end


def partitions(disk_image: bytes, files: dict[str, bytes]) -> dict[str, Content]:
    """Give what the image holds in each partition, by name."""
    image = subject(LAYOUT, {"disk.img": disk_image, **files}).images[0].artifact
    assert image is not None
    device = image.content.unwrapped("gpt")
    at = {place: region for region, place in PLACES.items()}
    return {at.get(child.offset, child.name): child for child in device.children}


@pytest.mark.parametrize("packing", PACKED)
def test_a_partition_that_is_the_file_of_its_region_is_taken_from_there(packing: str) -> None:
    files = artifacts()
    stored = PACKED[packing](disk(files))
    again = partitions(stored, files)
    walked = partitions(stored, dict.fromkeys(files, b""))
    own = subject(LAYOUT, {"disk.img": stored, **files})
    for name, child in again.items():
        for one, other in zip(child.walk(), walked[name].walk(), strict=True):
            # Of a large packed image not all is kept: there, the file shows more.
            whole = packing in {"raw", "sparse"}
            assert (what(one) == what(other)) if whole else (one.name == other.name)
        region = next((item for item in own.placements if item.region.name == name), None)
        if region is not None and region.payload is not None:
            taken = next(node for node in own.nodes if node.content.name == child.name)
            assert taken.content.facts is region.payload.facts
            assert taken.repeats


def what(content: Content) -> Content:
    return replace(content, view=None, children=())


@pytest.mark.parametrize("at", [14 * MIB + 1080, 22 * MIB - 1])
def test_a_partition_with_one_other_byte_is_walked(at: int) -> None:
    files = artifacts()
    image = bytearray(disk(files))
    image[at] ^= 0xFF
    own = subject(LAYOUT, {"disk.img": bytes(image), **files})
    payload = own.placement("root").payload
    found = partitions(bytes(image), files)["root"]
    assert payload is not None
    assert found.facts is not payload.facts
    assert (found.facts == payload.facts) is (at == 22 * MIB - 1)


def test_a_file_that_is_shorter_than_its_partition_is_no_proof() -> None:
    files = artifacts()
    image = disk(files)
    files["root.ext4"] = files["root.ext4"][: -64 * KIB]
    payload = subject(LAYOUT, {"disk.img": image, **files}).placement("root").payload
    found = partitions(image, files)["root"]
    assert payload is not None
    assert (found.size, payload.size) == (8 * MIB, 8 * MIB - 64 * KIB)
    assert found.facts is not payload.facts
