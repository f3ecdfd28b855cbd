"""A small build for the reports' golden files."""

from __future__ import annotations

import gzip
from datetime import date

from imgaudit.rules import checks
from imgaudit.rules.built import subject_of
from imgaudit.rules.engine import Example
from imgaudit.tasks import audit

LAYOUT = """\
layout: 1
board: whimbrel
summary: Tide-gauge logger, 16 MiB SPI-NOR and 4 GB eMMC
arch: arm64
chips:
  nor: {kind: spi-nor, size: [16 MiB, 32 MiB], address-bytes: 3,
        erase-map: [{count: 16, size: 4 KiB}, {count: 255, size: 64 KiB}]}
  emmc: {kind: emmc, sectors: 7634944, align: 4 MiB, boot-area: 4 MiB}
regions:
  - {name: firmware, chip: nor, at: 0, size: 64 KiB, holds: raw, writer: release, file: fw.bin,
     purpose: First stage and U-Boot}
  - {name: env-a, chip: nor, at: 64 KiB, size: 64 KiB, holds: uboot-env, writer: runtime,
     env: {size: 16 KiB, copy: env-b}}
  - {name: env-b, chip: nor, at: 128 KiB, size: 96 KiB, holds: uboot-env, writer: runtime,
     env: {size: 16 KiB, copy: env-a}}
  - {name: recovery, chip: nor, at: 192 KiB, size: 13 MiB, holds: gzip, writer: release,
     file: recovery.gz, purpose: Brings a bricked unit back}
  - {name: loader, chip: emmc/boot0, at: 0, size: 1 MiB, holds: raw, writer: release}
  - {name: rootfs-with-a-long-name, chip: emmc, partition: 2, type: linux-root-arm64, at: 64 MiB,
     size: 1 GiB, holds: ext4, writer: release,
     file: build/images/whimbrel/2027-03/rootfs-with-a-long-name.ext4.zst}
stages:
  recovery: {regions: [firmware, env-a, env-b, recovery], entry: recovery}
  main: {regions: [firmware, rootfs-with-a-long-name], entry: bootcmd}
policy:
  waive: [{finding: headroom-low, reason: the next kernel is smaller, until: 2027-03-31}]
"""
# Checks that come later do not change the golden files.
RULES = (
    "artifact-damaged",
    "artifact-missing",
    "erase-block-shared",
    "headroom-low",
    "region-end-not-erase-aligned",
    "regions-overlap",
)


def result() -> audit.Result:
    stream = gzip.compress(bytes(range(256)) * 64, mtime=0)
    # Byte 9 names the operating system, or none, as the Python has it.
    stream = stream[:9] + b"\x03" + stream[10:]
    # Cut behind the header: every library compresses a little differently.
    files = {"fw.bin": lambda: b"tide" * 16_000, "recovery.gz": lambda: stream[:10]}
    known = checks()
    return audit.run(
        subject_of(Example(LAYOUT, files)),
        today=date(2027, 1, 31),
        only=[known[name] for name in RULES],
    )
