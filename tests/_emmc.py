"""A small eMMC board built by code, and its dump."""

from __future__ import annotations

from functools import partial

from imgaudit.contents.build import MemoryStore, read
from imgaudit.contents.reader import Loader
from imgaudit.formats.view import View
from imgaudit.layout.load import parse
from imgaudit.model import Layout
from imgaudit.release.dumps import dump_of
from imgaudit.release.manifest import Manifest
from imgaudit.release.seal import seal
from imgaudit.tasks import readback
from imgaudit.tasks.audit import Result
from imgaudit.units import KIB, MIB
from imgaudit.writers.sparse import filler

_TEXT = """\
layout: 1
board: bench
arch: arm64
chips:
  emmc: {kind: emmc, sectors: 16384, boot-area: 1 MiB, align: 1 MiB}
regions:
  - {name: spl, chip: emmc/boot0, at: 0, size: 512 KiB, holds: raw, file: spl.bin, writer: release}
  - {name: boot, chip: emmc, partition: 1, at: 1 MiB, size: 1 MiB, holds: raw, file: boot.bin,
     writer: release}
  - {name: rootfs-a, chip: emmc, partition: 2, at: 2 MiB, size: 2 MiB, holds: raw,
     file: rootfs-a.bin, writer: release}
  - {name: rootfs-b, chip: emmc, partition: 3, at: 4 MiB, size: 2 MiB, holds: raw,
     file: rootfs-b.bin, writer: release}
  - {name: data, chip: emmc, partition: 4, at: 6 MiB, size: 1 MiB, holds: raw, file: data.bin,
     writer: runtime}
"""


class Emmc:
    """An eMMC of 8 MiB with a boot partition, two slots and data; boot0 holds a first stage."""

    boot_at, rootfs_a_at, rootfs_b_at = MIB, 2 * MIB, 4 * MIB

    def __init__(self) -> None:
        self.text = _TEXT
        self.files = {
            "spl.bin": filler("spl", 70_000),
            "boot.bin": filler("boot", 2 * 64 * KIB + 4321),
            "rootfs-a.bin": filler("a", 64 * KIB) + bytes(128 * KIB) + filler("a end", 256 * KIB),
            "rootfs-b.bin": filler("b", 64 * KIB) + bytes(128 * KIB) + filler("b end", 256 * KIB),
            "data.bin": filler("data", 64 * KIB),
        }

    @property
    def layout(self) -> Layout:
        return parse(self.text.encode(), "bench.yaml")

    def dump(self) -> bytearray:
        chip = bytearray(8 * MIB)
        for region in self.layout.regions_on("emmc"):
            data = self.files[region.file or ""]
            chip[region.at : region.at + len(data)] = data
        return chip

    def store(self, loader: Loader) -> MemoryStore:
        return MemoryStore(
            {name: partial(bytes, data) for name, data in self.files.items()}, loader
        )

    def manifest(self) -> Manifest:
        with Loader(full_digests=True) as loader:
            return seal(read(self.layout, self.store(loader)))

    def read_back(
        self, chip: bytes | bytearray, manifest: Manifest | None = None, area: str = "emmc"
    ) -> Result:
        dumps = {area: dump_of("emmc.bin", View.of(bytes(chip)))}
        if manifest is not None:
            return readback.run(self.layout, dumps, manifest)
        with Loader() as loader:
            return readback.run(self.layout, dumps, self.store(loader))
