"""A NOR board built by code, its dump, and the faults that a dump can have, one after the other."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial

from imgaudit.contents.build import MemoryStore, read
from imgaudit.contents.reader import Loader
from imgaudit.contents.tree import Artifact
from imgaudit.formats.view import View
from imgaudit.layout.load import parse
from imgaudit.model import Layout
from imgaudit.release.dumps import dump_of
from imgaudit.release.manifest import Manifest, dump
from imgaudit.release.manifest import parse as parse_manifest
from imgaudit.release.seal import seal
from imgaudit.rules.engine import Severity
from imgaudit.tasks import readback
from imgaudit.tasks.audit import Result
from imgaudit.units import KIB, MIB
from imgaudit.writers.env import environment
from imgaudit.writers.sparse import filler

BLOCK = 64 * KIB
VARIABLES = {"bootcmd": "run main", "bootcount": "0", "bootdelay": "2"}
MIRROR = bytes(int(f"{value:08b}"[::-1], 2) for value in range(256))


@dataclass
class Board:
    """A NOR of `size` bytes, a multiple of 1 MiB: firmware, two environments, recovery, spare."""

    size: int = 2 * MIB
    files: dict[str, bytes] = field(default_factory=dict)

    def __post_init__(self) -> None:
        unit = self.size // 16
        self.firmware_at, self.env_at = 0, 4 * unit
        self.recovery_at, self.data_at = 5 * unit, 12 * unit
        self.devicetree_at = 14 * unit
        self.files = {
            "firmware.bin": filler("firmware", 3 * unit + 4321),
            "env-a.bin": environment(VARIABLES, 16 * KIB, 1),
            "env-b.bin": environment(VARIABLES, 16 * KIB, 0),
            "recovery.bin": filler("recovery", 6 * unit - 777),
            "devicetree.bin": filler("devicetree", 5000),
            "data.bin": filler("data", 3000),
        }
        self.text = f"""\
layout: 1
board: bench
arch: arm64
chips:
  nor: {{kind: spi-nor, size: {self.size}, erase-block: 64 KiB}}
regions:
  - {{name: firmware, chip: nor, at: 0, size: {4 * unit}, holds: raw, file: firmware.bin,
     writer: release}}
  - {{name: env-a, chip: nor, at: {self.env_at}, size: 64 KiB, holds: uboot-env, file: env-a.bin,
     writer: runtime, env: {{size: 16 KiB, copy: env-b}}}}
  - {{name: env-b, chip: nor, at: {self.env_at + BLOCK}, size: 64 KiB, holds: uboot-env,
     file: env-b.bin, writer: runtime, env: {{size: 16 KiB, copy: env-a}}}}
  - {{name: recovery, chip: nor, at: {self.recovery_at}, size: {7 * unit}, holds: raw,
     file: recovery.bin, writer: release}}
  - {{name: data, chip: nor, at: {self.data_at}, size: {unit}, holds: raw, file: data.bin,
     writer: runtime}}
  - {{name: devicetree, chip: nor, at: {self.devicetree_at}, size: {unit}, holds: raw,
     file: devicetree.bin, writer: release}}
"""

    @property
    def layout(self) -> Layout:
        return parse(self.text.encode(), "bench.yaml")

    def dump(self) -> bytearray:
        """Give what a board that was programmed without a mistake reads back."""
        chip = bytearray(b"\xff" * self.size)
        for region in self.layout.regions:
            data = self.files[region.file or ""]
            chip[region.at : region.at + len(data)] = data
        return chip

    def manifest(self) -> Manifest:
        with Loader(full_digests=True) as loader:
            sealed = seal(read(self.layout, self.store(loader)))
        return parse_manifest(dump(sealed).encode(), "manifest.json")

    def store(self, loader: Loader) -> MemoryStore:
        return MemoryStore(
            {name: partial(bytes, data) for name, data in self.files.items()}, loader
        )

    def read_back(self, chip: bytes | bytearray, manifest: Manifest | None = None) -> Result:
        dumps: dict[str, Artifact] = {"nor": dump_of("nor.bin", View.of(bytes(chip)))}
        if manifest is not None:
            return readback.run(self.layout, dumps, manifest)
        with Loader() as loader:
            return readback.run(self.layout, dumps, self.store(loader))


@dataclass(frozen=True)
class Fault:
    """A change to a dump, and the one finding (with its region) that must come of it."""

    change: Callable[[Board, bytearray], None]
    finding: str
    region: str | None
    severity: Severity = Severity.ERROR


def _flip(board: Board, chip: bytearray) -> None:
    chip[board.recovery_at + 0x5555] ^= 0xA5
    chip[board.recovery_at + 0x5556] ^= 0x5A


def _move(distance: int) -> Callable[[Board, bytearray], None]:
    def change(board: Board, chip: bytearray) -> None:
        start, data = board.recovery_at, board.files["recovery.bin"]
        chip[start : start + len(data) + abs(distance)] = b"\xff" * (len(data) + abs(distance))
        chip[start + distance : start + distance + len(data)] = data

    return change


def _swap(group: int) -> Callable[[Board, bytearray], None]:
    def change(_: Board, chip: bytearray) -> None:
        whole = bytes(chip)
        end = len(chip) // group * group
        for lane in range(group):
            chip[lane:end:group] = whole[group - 1 - lane : end : group]

    return change


def _swap_one(board: Board, chip: bytearray) -> None:
    start, end = board.recovery_at, board.data_at
    part = chip[start:end]
    del part[len(part) // 2 * 2 :]
    part[::2], part[1::2] = part[1::2], part[::2]
    chip[start : start + len(part)] = part


def _mirror(_: Board, chip: bytearray) -> None:
    chip[:] = chip.translate(MIRROR)


def _mirror_one(board: Board, chip: bytearray) -> None:
    end = board.devicetree_at + len(board.files["devicetree.bin"])
    chip[board.devicetree_at : end] = chip[board.devicetree_at : end].translate(MIRROR)


def _repeat(_: Board, chip: bytearray) -> None:
    half = len(chip) // 2
    chip[half:] = chip[:half]


def _exchange(_: Board, chip: bytearray) -> None:
    half = len(chip) // 2
    chip[:] = chip[half:] + chip[:half]


def _program_over(board: Board, chip: bytearray) -> None:
    old = filler("an older recovery", len(board.files["recovery.bin"]))
    start = board.recovery_at
    new = int.from_bytes(chip[start : start + len(old)], "little")
    both = new & int.from_bytes(old, "little")
    chip[start : start + len(old)] = both.to_bytes(len(old), "little")


def _stick(board: Board, chip: bytearray) -> None:
    start = board.recovery_at
    chip[start : start + BLOCK] = chip[start : start + BLOCK].translate(
        bytes(value | 0x20 for value in range(256))
    )


def _erase(board: Board, chip: bytearray) -> None:
    start = board.recovery_at + BLOCK
    chip[start : start + BLOCK] = b"\xff" * BLOCK


def _erase_all(board: Board, chip: bytearray) -> None:
    chip[board.recovery_at : board.data_at] = b"\xff" * (board.data_at - board.recovery_at)


def _wrong_file(board: Board, chip: bytearray) -> None:
    data = board.files["devicetree.bin"]
    chip[board.recovery_at : board.recovery_at + len(data)] = data


def _short(board: Board, chip: bytearray) -> None:
    del chip[board.size - BLOCK :]


def _cut(board: Board, chip: bytearray) -> None:
    del chip[board.recovery_at + BLOCK :]


def _from_recovery(board: Board, chip: bytearray) -> None:
    del chip[: board.recovery_at]


def _header(_: Board, chip: bytearray) -> None:
    chip[0:0] = b"\x55\xaa" * 256


def _one_byte_late(_: Board, chip: bytearray) -> None:
    del chip[0]


def _stale(board: Board, chip: bytearray) -> None:
    end = board.recovery_at + len(board.files["recovery.bin"]) + BLOCK
    chip[end : end + 999] = filler("stale", 999)


def _hidden(board: Board, chip: bytearray) -> None:
    chip[board.size - BLOCK : board.size - BLOCK + 20] = b"a hidden user's data"


def _count(board: Board, chip: bytearray) -> None:
    saved = environment(VARIABLES | {"bootcount": "3", "ipaddr": "10.0.0.2"}, 16 * KIB, 2)
    chip[board.env_at : board.env_at + len(saved)] = saved


def _damage_both(board: Board, chip: bytearray) -> None:
    chip[board.env_at + 20] ^= 0xFF
    chip[board.env_at + BLOCK : board.env_at + BLOCK + 16 * KIB] = b"\xff" * 16 * KIB


def _damage_one(board: Board, chip: bytearray) -> None:
    chip[board.env_at + 20] ^= 0xFF


FAULTS: dict[str, Fault] = {
    "two bytes": Fault(_flip, "chip-image-differs", "recovery"),
    "64 bytes late": Fault(_move(64), "chip-image-content-shifted", "recovery"),
    "64 bytes early": Fault(_move(-64), "chip-image-content-shifted", "recovery"),
    "a block late": Fault(_move(BLOCK), "chip-image-content-shifted", "recovery"),
    "swapped in pairs": Fault(_swap(2), "chip-image-bytes-swapped", None),
    "swapped in fours": Fault(_swap(4), "chip-image-bytes-swapped", None),
    "one region swapped": Fault(_swap_one, "chip-image-bytes-swapped", "recovery"),
    "bits reversed": Fault(_mirror, "chip-image-bits-reversed", None),
    "one region's bits reversed": Fault(_mirror_one, "chip-image-bits-reversed", "devicetree"),
    "half repeated": Fault(_repeat, "chip-image-halves-repeat", None),
    "halves exchanged": Fault(_exchange, "chip-image-halves-exchanged", None),
    "programmed without erase": Fault(_program_over, "chip-image-not-erased-first", "recovery"),
    "a stuck bit": Fault(_stick, "chip-image-bit-stuck", "recovery"),
    "a hole": Fault(_erase, "chip-image-erased-hole", "recovery"),
    "erased": Fault(_erase_all, "chip-image-erased-hole", "recovery"),
    "another region's file": Fault(_wrong_file, "chip-image-holds-other-region", "recovery"),
    "a block short": Fault(_short, "chip-image-size", None, Severity.WARNING),
    "cut off": Fault(_cut, "chip-image-ends-early", "recovery"),
    "a partition's dump": Fault(_from_recovery, "chip-image-starts-elsewhere", None),
    "a header in front": Fault(_header, "chip-image-starts-elsewhere", None),
    "the first byte missing": Fault(_one_byte_late, "chip-image-starts-elsewhere", None),
    "stale data": Fault(_stale, "chip-image-tail-not-erased", "recovery", Severity.WARNING),
    "hidden data": Fault(_hidden, "chip-image-gap-not-erased", None, Severity.WARNING),
    "a saved environment": Fault(_count, "chip-image-environment-saved", "env-a", Severity.NOTE),
    "no environment": Fault(_damage_both, "chip-image-environment-broken", "env-a"),
    "one copy damaged": Fault(
        _damage_one, "chip-image-environment-broken", "env-a", Severity.WARNING
    ),
}


def broken(board: Board, name: str) -> bytes:
    """Give the dump of a board with one fault."""
    chip = board.dump()
    FAULTS[name].change(board, chip)
    return bytes(chip)
