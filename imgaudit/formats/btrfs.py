"""Btrfs: the superblock, at 64 KiB (btrfs documentation, On-disk Format)."""

from __future__ import annotations

import hashlib
from typing import ClassVar

from imgaudit.data import dataclass
from imgaudit.errors import FormatError
from imgaudit.formats.crc32c import crc32c
from imgaudit.formats.facts import Checksum, Match, Reader, head_only
from imgaudit.formats.files import FileSystem, Room
from imgaudit.formats.record import Record
from imgaudit.formats.view import View
from imgaudit.units import KIB, Span, human

PLACE = 64 * KIB
SIZE = 4 * KIB
MAGIC = b"_BHRfS_M"
ALGORITHMS = {0: "crc32c", 1: "xxhash64", 2: "sha256", 3: "blake2b"}
_LAYOUT = {
    "csum": (0, 32),
    "fsid": (0x20, 16),
    "bytenr": (0x30, 8),
    "magic": (0x40, 8),
    "generation": (0x48, 8),
    "log_root": (0x60, 8),
    "total_bytes": (0x70, 8),
    "bytes_used": (0x78, 8),
    "num_devices": (0x88, 8),
    "sectorsize": (0x90, 4),
    "nodesize": (0x94, 4),
    "compat_flags": (0xAC, 8),
    "incompat_flags": (0xBC, 8),
    "csum_type": (0xC4, 2),
    "label": (0x12B, 256),
    "end": (0xFFC, 4),
}


@dataclass(frozen=True, kw_only=True)
class Btrfs(FileSystem):
    """A btrfs superblock; its trees are not walked. `needs_recovery`: a log is to be replayed."""

    format: ClassVar[str] = "btrfs"

    uuid: str
    label: str
    size: int
    used: int
    devices: int
    sector_size: int
    node_size: int
    generation: int
    algorithm: str
    needs_recovery: bool

    def summary(self) -> str:
        """Give size and node size."""
        return f"{human(self.size)}, nodes of {human(self.node_size)}"


def _match(view: View) -> Match:
    return Match.SURE if view.upto(PLACE + 0x40, 8) == MAGIC else Match.NO


def _checksum(view: View, block: Record, algorithm: str) -> Checksum:
    covers = Span(PLACE + 0x20, PLACE + SIZE)
    stored = block.raw("csum")
    data = view.bytes(covers.start, covers.size)
    if algorithm == "crc32c":
        computed = (crc32c(data) ^ 0xFFFFFFFF).to_bytes(4, "little").hex()
    elif algorithm == "sha256":
        computed = hashlib.sha256(data).hexdigest()
    elif algorithm == "blake2b":
        computed = hashlib.blake2b(data, digest_size=32).hexdigest()
    else:
        why = f"{algorithm or 'its algorithm'} is not computed"
        return Checksum("superblock", algorithm, stored.hex(), None, PLACE, covers, why)
    kept = stored.hex()[: len(computed)]
    return Checksum("superblock", algorithm, kept, computed, PLACE, covers)


def _read(view: View) -> Btrfs:
    block = Record(view, PLACE, _LAYOUT)
    if block.raw("magic") != MAGIC:
        raise FormatError(PLACE + 0x40, "no btrfs magic _BHRfS_M")
    if block["bytenr"] != PLACE:
        raise FormatError(PLACE + 0x30, f"a superblock that says it is at {block['bytenr']:#x}")
    algorithm = ALGORITHMS.get(block["csum_type"], "")
    total, used = block["total_bytes"], block["bytes_used"]
    return Btrfs(
        length=total if block["num_devices"] == 1 else None,
        offsets=block.offsets(),
        checksums=(_checksum(view, block, algorithm),),
        room=Room(total, max(0, total - used)),
        unwalked="the trees of a btrfs are not read",
        uuid=block.uuid("fsid"),
        label=block.text("label"),
        size=total,
        used=used,
        devices=block["num_devices"],
        sector_size=block["sectorsize"],
        node_size=block["nodesize"],
        generation=block["generation"],
        algorithm=algorithm,
        needs_recovery=bool(block["log_root"]),
    )


READER = Reader(
    name="btrfs",
    title="btrfs file system",
    source="btrfs documentation, On-disk Format",
    match=_match,
    read=_read,
    windows=head_only,
)
