from __future__ import annotations

import bz2
import gzip
import lzma
import subprocess
import zlib
from collections.abc import Mapping
from pathlib import Path

import pytest

from imgaudit.contents.build import MemoryStore
from imgaudit.contents.reader import Loader
from imgaudit.contents.tree import Artifact
from imgaudit.errors import LayoutError
from imgaudit.layout.load import parse
from imgaudit.ramdisk.find import Ramdisk, ramdisk_of
from imgaudit.ramdisk.root import Root as Rooted
from imgaudit.rescue.stage import Rescue, rescue_alone
from imgaudit.rules import samples as sample
from imgaudit.rules._rescue import archive
from imgaudit.rules.subject import gather
from imgaudit.writers import elf
from imgaudit.writers import kernel as kernels
from imgaudit.writers.cpio import cpio
from imgaudit.writers.tree import Entry, Root, file
from tests.formats._pieces import tool

VMLINUZ = Path("/usr/lib/debian-installer/images/12/armhf/text/debian-installer/armhf/vmlinuz")
COMMANDS = {
    "gzip": "gzip -c",
    "bzip2": "bzip2 -c",
    "xz": "xz -c --check=crc32",
    "lzma": "xz -c --format=lzma",
    "lzo": "lzop -c",
    "lz4-legacy": "lz4 -l -c",
    "zstd": "zstd -c",
}


def read(data: bytes, name: str = "rescue.img") -> Artifact:
    with Loader() as loader:
        return loader.memory(name, data)


def find(data: bytes, configuration: str | None = None, kernel: bytes | None = None) -> Ramdisk:
    starter = None if kernel is None else read(kernel, "Image").content
    return ramdisk_of(read(data).content, configuration, kernel=starter)


def small(**files: str) -> bytes:
    root: Root = {name.replace("_", "/"): file(text) for name, text in files.items()}
    return cpio(root, 0)


def names(ramdisk: Ramdisk) -> set[str]:
    root = Rooted(ramdisk.archives)
    return {path for path, node in root.walk() if node.is_file}


def text_of(ramdisk: Ramdisk, path: str) -> str | None:
    return Rooted(ramdisk.archives).text(path)


def kernel_with(ramdisk: bytes, config: Mapping[str, str] | None = None) -> bytes:
    """Put a ramdisk behind a kernel as usr/initramfs_data.S and the linker script do."""
    data = bytearray(kernels.image(config or {"BLK_DEV_INITRD": "y"}))
    at = len(data)
    data += ramdisk
    data += bytes(-len(data) % 8) + len(ramdisk).to_bytes(8, "little")
    assert at % 4 == 0
    return bytes(data)


def problems(ramdisk: Ramdisk) -> list[tuple[str, int, str]]:
    return [(item.kind, item.offset, item.kernel) for item in ramdisk.troubles]


def test_a_plain_archive() -> None:
    ramdisk = find(small(etc_tide="1"))
    assert names(ramdisk) == {"/etc/tide"}
    assert (ramdisk.where, ramdisk.at, ramdisk.missing) == ("rescue.img", 0, "")
    assert [item.compression for item in ramdisk.segments] == [""]
    assert not ramdisk.troubles


@pytest.mark.oracle
@pytest.mark.parametrize("kind", COMMANDS)
def test_a_compressed_archive(kind: str) -> None:
    data = small(etc_tide="1" * 400)
    stored = tool(COMMANDS[kind], data)
    ramdisk = find(stored)
    assert names(ramdisk) == {"/etc/tide"}
    (segment,) = ramdisk.segments
    assert (segment.compression, segment.size, segment.unpacked) == (kind, len(stored), len(data))
    assert not ramdisk.troubles


def test_segments_follow_each_other() -> None:
    # buffer-format.rst: initramfs := ("\0" | cpio_archive | cpio_gzip_archive)*
    first = small(kernel_x86="microcode")
    second = gzip.compress(small(a="1"))
    third = lzma.compress(small(b="2"), check=lzma.CHECK_CRC32)
    last = small(a="3", c="4")
    data = first + bytes(512) + second + bytes(-len(first + second) % 4) + third
    data += bytes(-len(data) % 4) + last + bytes(100)
    ramdisk = find(data)
    assert names(ramdisk) == {"/kernel/x86", "/a", "/b", "/c"}
    assert text_of(ramdisk, "/a") == "3"
    assert [item.compression for item in ramdisk.segments] == ["", "gzip", "xz", ""]
    assert not ramdisk.troubles
    for segment in ramdisk.segments:
        start = {"": b"070701", "gzip": b"\x1f\x8b", "xz": b"\xfd7zXZ"}[segment.compression]
        assert data.startswith(start, segment.offset)


def test_an_archive_that_is_not_aligned() -> None:
    data = gzip.compress(small(a="1"))
    data += bytes((1 - len(data)) % 4)
    ramdisk = find(data + small(b="2"))
    wanted = "invalid magic at start of compressed archive"
    assert problems(ramdisk) == [("refused", len(data), wanted)]


@pytest.mark.parametrize(
    ("tail", "fill"), [(b"\xff" * 64, 0xFF), (b"tide" * 16, None)], ids=["erased", "junk"]
)
def test_what_follows_an_archive(tail: bytes, fill: int | None) -> None:
    data = small(a="1")
    for stored in (data, gzip.compress(data)):
        ramdisk = find(stored + tail)
        (trouble,) = ramdisk.troubles
        assert (trouble.kind, trouble.offset, trouble.length) == ("junk", len(stored), len(tail))
        assert trouble.fill == fill
        assert trouble.kernel == "invalid magic at start of compressed archive"
        assert names(ramdisk) == {"/a"}


def test_junk_inside_compressed_data() -> None:
    ramdisk = find(gzip.compress(small(a="1") + gzip.compress(small(b="2"))))
    assert problems(ramdisk) == [("junk", 0, "junk within compressed archive")]
    assert names(ramdisk) == {"/a"}


def test_what_the_kernel_refuses() -> None:
    odc = find(b"070707" + b"0" * 70 + b"tide")
    assert problems(odc) == [("refused", 0, "incorrect cpio method used: use -H newc option")]
    other = find(bz2.compress(b"tide gauge" * 100))
    assert problems(other) == [("refused", 0, "junk within compressed archive")]


def test_a_cut_ramdisk() -> None:
    data = gzip.compress(archive())
    ramdisk = find(data[:-200])
    assert [(item.kind, item.kernel) for item in ramdisk.troubles] == [("cut", "")]
    plain = find(archive()[:-1000])
    assert [item.kind for item in plain.troubles] == ["cut"]


def test_more_archives_than_are_followed() -> None:
    one = gzip.compress(small(a="1"))
    one += bytes(-len(one) % 4)
    ramdisk = find((one + lzma.compress(small(b="2"), check=lzma.CHECK_CRC32)) * 40)
    assert [item.kind for item in ramdisk.troubles] == ["bound"]
    assert len(ramdisk.segments) >= 8


@pytest.mark.parametrize("packed", [False, True])
def test_bundled_in_a_kernel(packed: bool) -> None:
    inner = tool("xz -c --check=crc32", small(init="bundled", only="here"))
    kernel = kernel_with(inner)
    ramdisk = find(gzip.compress(kernel) if packed else kernel)
    assert names(ramdisk) == {"/init", "/only"}
    assert ramdisk.segments[0].bundled
    assert ramdisk.where.endswith("/bundled ramdisk")
    assert ramdisk.arch == "arm64"
    assert ramdisk.inside is not None
    assert ramdisk.inside.release == kernels.RELEASE


def test_bundled_in_a_vmlinux() -> None:
    inner = small(init="1", a="2", b="3", c="4")
    pad = bytes(-len(elf.program()) % 8)
    data = pad + inner + bytes(-len(inner) % 8) + len(inner).to_bytes(8, "little")
    assert names(find(elf.program(data))) == {"/init", "/a", "/b", "/c"}


def test_the_external_one_lies_over_the_bundled_one() -> None:
    kernel = kernel_with(small(init="bundled", only="here"))
    ramdisk = find(gzip.compress(small(init="external")), kernel=kernel)
    assert text_of(ramdisk, "/init") == "external"
    assert names(ramdisk) == {"/init", "/only"}
    assert [item.bundled for item in ramdisk.segments] == [True, False]
    assert ramdisk.at == 0


@pytest.mark.oracle
def test_a_packaged_zimage() -> None:
    ramdisk = ramdisk_of(read(VMLINUZ.read_bytes(), "vmlinuz").content)
    assert ramdisk.inside is not None
    assert ramdisk.inside.release == "6.1.0-50-armmp"
    assert ramdisk.arch == "arm"
    # Only what usr/default_cpio_list brings: /dev, /dev/console and /root.
    assert [len(facts.entries) for _, facts in ramdisk.archives] == [3]
    assert "no more than its own default" in ramdisk.missing


FIT_SOURCE = """/dts-v1/;
/ {
    description = "tide"; #address-cells = <1>;
    images {
        kernel { data = /incbin/("Image"); type = "kernel"; arch = "arm64"; os = "linux";
                 compression = "none"; load = <0x80200000>; entry = <0x80200000>; };
        one { data = /incbin/("one"); type = "ramdisk"; arch = "arm64"; os = "linux";
              compression = "none"; };
        two { data = /incbin/("two"); type = "ramdisk"; arch = "arm64"; os = "linux";
              compression = "none"; };
    };
    configurations {
        default = "conf-1";
        conf-1 { kernel = "kernel"; ramdisk = "one"; };
        conf-2 { kernel = "kernel"; ramdisk = "two"; };
        conf-3 { kernel = "kernel"; };
    };
};
"""


@pytest.mark.oracle
@pytest.mark.parametrize("external", [[], ["-E"]], ids=["inside", "behind"])
def test_a_fit_of_mkimage(external: list[str], tmp_path: Path) -> None:
    files = {"Image": kernels.image({"RD_XZ": "y"}), "fit.its": FIT_SOURCE.encode()}
    files |= {"one": gzip.compress(small(a="1")), "two": small(b="2")}
    for name, data in files.items():
        (tmp_path / name).write_bytes(data)
    command = ["mkimage", *external, "-f", "fit.its", "fit.itb"]
    subprocess.run(command, cwd=tmp_path, check=True, capture_output=True)
    data = (tmp_path / "fit.itb").read_bytes()
    assert names(find(data)) == {"/a"}
    second = find(data, "conf-2")
    assert names(second) == {"/b"}
    assert second.at is not None
    assert data.startswith(files["two"], second.at)
    assert second.inside is not None
    assert second.inside.config == {"CONFIG_RD_XZ": "y"}
    assert "names no ramdisk" in find(data, "conf-3").missing
    assert "no configuration is called conf-4" in find(data, "conf-4").missing


def test_a_fit_that_names_its_nodes_without_their_unit_address() -> None:
    """U-Boot's libfdt finds `ramdisk@1` by the name `ramdisk`: nothing is missing."""
    data = sample.fit(
        {"kernel@1": sample.kernel(), "ramdisk@1": sample.image(payload=small(a="1"))},
        configurations={"conf@1": {"kernel": "kernel", "ramdisk": "ramdisk"}},
    )
    found = find(data)
    assert found.missing == ""
    assert names(found) == {"/a"}
    assert found.kernel is not None


@pytest.mark.oracle
def test_uimages_of_mkimage(tmp_path: Path) -> None:
    (tmp_path / "ramdisk").write_bytes(gzip.compress(small(a="1")))
    (tmp_path / "Image").write_bytes(kernels.image({"RD_GZIP": "y"}))
    common = ["-A", "arm64", "-O", "linux", "-C", "none", "-n", "tide"]
    for kind, data in (("ramdisk", "ramdisk"), ("multi", "Image:ramdisk")):
        command = ["mkimage", *common, "-T", kind, "-d", data, f"{kind}.img"]
        subprocess.run(command, cwd=tmp_path, check=True, capture_output=True)
        stored = (tmp_path / f"{kind}.img").read_bytes()
        ramdisk = find(stored)
        assert names(ramdisk) == {"/a"}
        assert ramdisk.at is not None
        assert stored.startswith(b"\x1f\x8b", ramdisk.at)
        assert ramdisk.arch == "arm64"
        assert (ramdisk.kernel is not None) == (kind == "multi")


def test_no_ramdisk() -> None:
    for data, why in (
        (b"tide" * 100, "not a ramdisk"),
        (kernels.image({}), "no more than its own default"),
        (sample.fit(), "names no ramdisk"),
        (sample.uimage(kernels.image({}), kind=2), "has no ramdisk"),
    ):
        ramdisk = find(data)
        assert why in ramdisk.missing
        rescue = rescue_alone(read(data))
        assert rescue.facts is None
        assert rescue.why == ramdisk.missing


def test_a_rescue_alone() -> None:
    rescue = rescue_alone(read(archive()), groups=["integrity"], arch="arm64")
    assert rescue.facts is not None
    assert [(group.name, group.met) for group in rescue.facts.groups] == [("integrity", True)]
    assert rescue.facts.init.verdict.runs
    assert rescue.config is None
    assert rescue.config_from == "no kernel is known"
    assert rescue.room is not None
    assert (rescue.room.stored, rescue.room.ram) == (len(archive()), None)
    with pytest.raises(ValueError, match="no group is called tides"):
        rescue_alone(read(archive()), groups=["tides"])
    with pytest.raises(ValueError, match="no architecture is called pdp11"):
        rescue_alone(read(archive()), arch="pdp11")


LAYOUT = """layout: 1
board: whimbrel
arch: arm64
chips:
  nor: {kind: spi-nor, size: 16 MiB, erase-block: 64 KiB}
  emmc: {kind: emmc, sectors: 65536}
ram:
  banks: [{at: 0x80000000, size: 64 MiB}]
  reserved: [{name: monitor, at: 0x83e00000, size: 2 MiB}]
regions:
  - {name: env-a, chip: nor, at: 0, size: 64 KiB, holds: uboot-env, writer: runtime,
     env: {size: 8 KiB, copy: env-b}}
  - {name: env-b, chip: nor, at: 64 KiB, size: 64 KiB, holds: uboot-env, writer: runtime,
     env: {size: 8 KiB, copy: env-a}}
  - {name: kernel, chip: nor, at: 1 MiB, size: 6 MiB, holds: arm64-image, file: Image,
     writer: release}
  - {name: rescue, chip: nor, at: 8 MiB, size: 1 MiB, holds: cpio, file: rescue.img,
     writer: release}
  - {name: boot, chip: emmc, at: 4 MiB, size: 4 MiB, holds: fat, partition: 1, type: linux-data,
     writer: release}
  - {name: data, chip: emmc, at: 8 MiB, size: 4 MiB, holds: f2fs, partition: 2, type: linux-data,
     writer: runtime}
stages:
  recovery: {regions: [env-a, env-b, kernel, rescue], ramdisk: rescue%s}
"""


def staged(more: str = "", **files: bytes) -> Rescue:
    stored = {"Image": kernel_with(small(bundled="1")), "rescue.img": archive()}
    stored |= {name.replace("_", "."): data for name, data in files.items()}
    made = {name: lambda data=data: data for name, data in stored.items()}
    with Loader() as loader:
        layout = parse((LAYOUT % more).encode(), "whimbrel.yaml")
        return gather(layout, MemoryStore(made, loader)).rescues["recovery"]


def levels(rescue: Rescue) -> dict[str, set[str]]:
    assert rescue.facts is not None
    return {group.name: {need.level for need in group.needs} for group in rescue.facts.groups}


def test_a_stage_takes_its_kernel_from_another_region() -> None:
    rescue = staged()
    assert rescue.release == kernels.RELEASE
    assert rescue.root is not None
    assert rescue.root.lookup("/bundled") is not None
    assert rescue.config_from == "built into the kernel"
    assert rescue.env_copies == ("env-a", "env-b")
    assert rescue.room is not None
    assert rescue.room.ram == (64 << 20) - (2 << 20)
    assert rescue.room.kernel >= 4 << 20


def test_what_a_layout_implies() -> None:
    groups = levels(staged(", needs: [shell]"))
    assert set(groups) == {
        "shell",
        "filesystems-fat",
        "filesystems-f2fs",
        "partitioning",
        "boot-environment",
        "flash",
    }
    broad = levels(staged(", needs: [filesystems]"))
    assert "filesystems-fat" not in broad
    facts = staged(", needs: [filesystems]").facts
    assert facts is not None
    fat = [need for need in facts.groups[0].needs if "FAT" in need.what]
    assert {need.level for need in fat} == {"must"}


def test_needs_are_relaxed_and_extended() -> None:
    rescue = staged(
        ", needs: {require: [integrity], relax: [flash, integrity], extend: {integrity: [tide]}}"
    )
    groups = levels(rescue)
    assert "flash" not in groups
    assert groups["integrity"] == {"should"}
    assert rescue.facts is not None
    assert "tide" in {need.what for group in rescue.facts.groups for need in group.needs}


def test_a_group_that_there_is_not() -> None:
    with pytest.raises(LayoutError, match=r"whimbrel.yaml:\d+:\d+: no group is called 'shel'"):
        staged(", needs: [shel]")


def test_the_configuration_that_a_layout_names() -> None:
    rescue = staged(", kernel-config: kernel.config", kernel_config=b"CONFIG_RD_XZ=y\n")
    assert rescue.config == {"CONFIG_RD_XZ": "y"}
    assert rescue.config_from == "kernel.config"


def test_a_missing_artifact() -> None:
    with Loader() as loader:
        layout = parse((LAYOUT % "").encode(), "whimbrel.yaml")
        rescue = gather(layout, MemoryStore({}, loader)).rescues["recovery"]
    assert rescue.artifact is None
    assert "not in the artifacts folder" in rescue.why
    assert gather(layout, None).rescues == {}


def test_rdinit_of_the_environment() -> None:
    text = b"bootargs=console=ttyS0 rdinit=/bin/rescue panic=10\0\0".ljust(8187, b"\0")
    crc = zlib.crc32(text).to_bytes(4, "little")
    layout = (LAYOUT % "").replace(
        "env-a, chip: nor, at: 0, size: 64 KiB, holds: uboot-env,",
        "env-a, chip: nor, at: 0, size: 64 KiB, holds: uboot-env, file: env,",
    )
    tree: dict[str, Entry] = {"bin/rescue": file(elf.program(), 0o755)}
    files = {
        "env": lambda: crc + b"\1" + text,
        "Image": lambda: kernel_with(small(a="1")),
        "rescue.img": lambda: cpio(tree, 0),
    }
    with Loader() as loader:
        rescue = gather(
            parse(layout.encode(), "whimbrel.yaml"), MemoryStore(files, loader)
        ).rescues["recovery"]
    assert rescue.facts is not None
    assert rescue.facts.init.path == "/bin/rescue"
    assert rescue.facts.init.verdict.runs
