"""FAT12, FAT16 and FAT32: the boot sector, its copy and the FSInfo sector.

Fields: Microsoft, "FAT32 File System Specification", 1.03, whose names they keep. The state byte is
Linux' (include/uapi/linux/msdos_fs.h). Labels are those of the boot sector, not of the root
directory.
"""

from __future__ import annotations

from typing import ClassVar, Literal

from imgaudit.data import dataclass
from imgaudit.errors import FormatError, ImgauditError
from imgaudit.formats.facts import Match, Reader
from imgaudit.formats.fat_walk import FatWalk, Volume
from imgaudit.formats.files import FileSystem, Room
from imgaudit.formats.record import Record
from imgaudit.formats.view import View
from imgaudit.units import MIB, Span, human

SECTOR_SIZES = (512, 1024, 2048, 4096)
SIGNATURE = b"\x55\xaa"
SIGNATURE_AT = 510
BOOT_SECTOR_SIZE = 512
FSINFO_LEAD, FSINFO_STRUCT, FSINFO_TRAIL = 0x41615252, 0x61417272, 0xAA550000
EXTENDED_BOOT_SIGNATURES = (0x28, 0x29)
FAT16_FROM, FAT32_FROM = 4085, 65525  # clusters

_STATE_DIRTY = 1
_LAYOUT = {
    "BS_jmpBoot": (0, 3),
    "BS_OEMName": (3, 8),
    "BPB_BytsPerSec": (11, 2),
    "BPB_SecPerClus": (13, 1),
    "BPB_RsvdSecCnt": (14, 2),
    "BPB_NumFATs": (16, 1),
    "BPB_RootEntCnt": (17, 2),
    "BPB_TotSec16": (19, 2),
    "BPB_Media": (21, 1),
    "BPB_FATSz16": (22, 2),
    "BPB_SecPerTrk": (24, 2),
    "BPB_NumHeads": (26, 2),
    "BPB_HiddSec": (28, 4),
    "BPB_TotSec32": (32, 4),
    "Signature_word": (SIGNATURE_AT, 2),
}
_SMALL = _LAYOUT | {
    "BS_DrvNum": (36, 1),
    "BS_Reserved1": (37, 1),
    "BS_BootSig": (38, 1),
    "BS_VolID": (39, 4),
    "BS_VolLab": (43, 11),
    "BS_FilSysType": (54, 8),
}
_LARGE = _LAYOUT | {
    "BPB_FATSz32": (36, 4),
    "BPB_ExtFlags": (40, 2),
    "BPB_FSVer": (42, 2),
    "BPB_RootClus": (44, 4),
    "BPB_FSInfo": (48, 2),
    "BPB_BkBootSec": (50, 2),
    "BS_DrvNum": (64, 1),
    "BS_Reserved1": (65, 1),
    "BS_BootSig": (66, 1),
    "BS_VolID": (67, 4),
    "BS_VolLab": (71, 11),
    "BS_FilSysType": (82, 8),
}
_FSINFO = {
    "FSI_LeadSig": (0, 4),
    "FSI_StrucSig": (484, 4),
    "FSI_Free_Count": (488, 4),
    "FSI_Nxt_Free": (492, 4),
    "FSI_TrailSig": (508, 4),
}

Kind = Literal["FAT12", "FAT16", "FAT32"]


@dataclass(frozen=True, kw_only=True)
class FsInfo:
    """FAT32's FSInfo sector at `offset`; the counts are None where they are not known."""

    offset: int
    signatures_good: bool
    free_clusters: int | None
    next_free: int | None


@dataclass(frozen=True, kw_only=True)
class BackupBoot:
    """FAT32's copy of the boot sector at `offset`.

    `differences` names the fields that differ from the boot sector; the state byte, which only the
    first copy keeps, and boot code are left out.
    """

    offset: int
    has_signature: bool
    differences: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Fat(FileSystem):
    """A FAT file system.

    `kind` follows from the number of clusters, as the specification demands; `fat32_layout` tells
    whether the boot sector is laid out for FAT32, which is what Linux goes by. `type_text` is only
    a label. `serial` and `label` are None where the boot sector has no extended signature. `fsinfo`
    and `backup` are None where there is none or it is beyond the data. `length` is in bytes.
    """

    format: ClassVar[str] = "fat"

    kind: Kind
    fat32_layout: bool
    oem_name: str
    bytes_per_sector: int
    sectors_per_cluster: int
    reserved_sectors: int
    fats: int
    root_entries: int
    total_sectors: int
    media: int
    sectors_per_fat: int
    hidden_sectors: int
    cluster_count: int
    fat_entries: int
    data_offset: int
    root_cluster: int | None
    serial: int | None
    label: str | None
    type_text: str
    has_signature: bool
    dirty: bool
    fsinfo: FsInfo | None
    backup: BackupBoot | None

    @property
    def size(self) -> int:
        """Bytes that the file system takes."""
        return self.total_sectors * self.bytes_per_sector

    @property
    def cluster_size(self) -> int:
        """Bytes in a cluster."""
        return self.sectors_per_cluster * self.bytes_per_sector

    def looked_into(self, path: str) -> bool:
        """Tell that a boot loader may look anywhere: a FAT is there for it."""
        del path
        return True

    def summary(self) -> str:
        """Give kind, size and cluster size."""
        return f"{self.kind}, {human(self.size)} in {human(self.cluster_size)} clusters"


def _power_of_two(value: int) -> bool:
    return value > 0 and value & (value - 1) == 0


def _match(view: View) -> Match:
    if view.size < BOOT_SECTOR_SIZE:
        return Match.NO
    block = Record(view, 0, _LARGE)
    jump = block.raw("BS_jmpBoot")
    plausible = (
        block["BPB_BytsPerSec"] in SECTOR_SIZES
        and _power_of_two(block["BPB_SecPerClus"])
        and block["BPB_RsvdSecCnt"] > 0
        and block["BPB_NumFATs"] in {1, 2}
        and (block["BPB_TotSec16"] or block["BPB_TotSec32"])
        and (block["BPB_FATSz16"] or block["BPB_FATSz32"])
        and (block["BPB_Media"] == 0xF0 or block["BPB_Media"] >= 0xF8)
    )
    if not plausible:
        return Match.NO
    starts = (jump[0] == 0xEB and jump[2] == 0x90) or jump[0] == 0xE9
    return Match.GOOD if starts and block.raw("Signature_word") == SIGNATURE else Match.WEAK


def _fsinfo(view: View, offset: int) -> FsInfo | None:
    if not offset or offset + BOOT_SECTOR_SIZE > view.size:
        return None
    info = Record(view, offset, _FSINFO)
    signatures = (info["FSI_LeadSig"], info["FSI_StrucSig"], info["FSI_TrailSig"])
    unknown = 0xFFFFFFFF
    free, following = info["FSI_Free_Count"], info["FSI_Nxt_Free"]
    return FsInfo(
        offset=offset,
        signatures_good=signatures == (FSINFO_LEAD, FSINFO_STRUCT, FSINFO_TRAIL),
        free_clusters=None if free == unknown else free,
        next_free=None if following == unknown else following,
    )


def _backup(view: View, block: Record, offset: int) -> BackupBoot | None:
    if not offset or offset + BOOT_SECTOR_SIZE > view.size:
        return None
    copy = Record(view, offset, _LARGE)
    return BackupBoot(
        offset=offset,
        has_signature=copy.raw("Signature_word") == SIGNATURE,
        differences=tuple(
            name for name in _LARGE if name != "BS_Reserved1" and copy.raw(name) != block.raw(name)
        ),
    )


def _read(view: View) -> Fat:
    view.bytes(0, BOOT_SECTOR_SIZE)
    large = view.u16le(22) == 0
    block = Record(view, 0, _LARGE if large else _SMALL)
    offsets = block.offsets()
    sector, per_cluster = block["BPB_BytsPerSec"], block["BPB_SecPerClus"]
    if sector not in SECTOR_SIZES:
        why = f"{sector:,} bytes per sector; FAT has 512, 1024, 2048 or 4096"
        raise FormatError(offsets["BPB_BytsPerSec"], why)
    if not _power_of_two(per_cluster):
        why = f"{per_cluster} sectors per cluster, no power of two"
        raise FormatError(offsets["BPB_SecPerClus"], why)
    per_fat = block["BPB_FATSz32"] if large else block["BPB_FATSz16"]
    total = block["BPB_TotSec16"] or block["BPB_TotSec32"]
    reserved, fats = block["BPB_RsvdSecCnt"], block["BPB_NumFATs"]
    root_sectors = -(-block["BPB_RootEntCnt"] * 32 // sector)
    data = reserved + fats * per_fat + root_sectors
    clusters = max(0, total - data) // per_cluster
    kind: Kind = "FAT12"
    if clusters >= FAT16_FROM:
        kind = "FAT16" if clusters < FAT32_FROM else "FAT32"
    # The width of an entry is the layout's where that is FAT32's: so does Linux.
    bits = 32 if large else {"FAT12": 12, "FAT16": 16, "FAT32": 16}[kind]
    extended = block["BS_BootSig"] in EXTENDED_BOOT_SIGNATURES
    # 0x28 announces the serial number alone.
    labelled = block["BS_BootSig"] == 0x29
    cluster = per_cluster * sector
    walk = FatWalk(
        view,
        Volume(
            table=reserved * sector,
            table_size=per_fat * sector,
            tables=fats,
            media=block["BPB_Media"],
            root=(reserved + fats * per_fat) * sector,
            root_size=block["BPB_RootEntCnt"] * 32,
            root_cluster=block["BPB_RootClus"] if large else None,
            data=data * sector,
            cluster=cluster,
            clusters=min(clusters, max(0, per_fat * sector * 8 // bits - 2)),
            bits=bits,
        ),
    )
    fsinfo = _fsinfo(view, block["BPB_FSInfo"] * sector) if large else None
    if fsinfo is not None and fsinfo.free_clusters not in {None, walk.free} and walk.complete:
        what = f"FSInfo says {fsinfo.free_clusters:,} free clusters; the FAT has {walk.free:,}"
        walk.flaw(fsinfo.offset + _FSINFO["FSI_Free_Count"][0], what)
    return Fat(
        length=total * sector,
        offsets=offsets,
        doubts=walk.doubts(),
        kind=kind,
        fat32_layout=large,
        oem_name=block.text("BS_OEMName").rstrip(),
        bytes_per_sector=sector,
        sectors_per_cluster=per_cluster,
        reserved_sectors=reserved,
        fats=fats,
        root_entries=block["BPB_RootEntCnt"],
        total_sectors=total,
        media=block["BPB_Media"],
        sectors_per_fat=per_fat,
        hidden_sectors=block["BPB_HiddSec"],
        cluster_count=clusters,
        fat_entries=per_fat * sector * 8 // bits,
        data_offset=data * sector,
        root_cluster=block["BPB_RootClus"] if large else None,
        serial=block["BS_VolID"] if extended else None,
        label=block.text("BS_VolLab").rstrip() if labelled else None,
        type_text=block.text("BS_FilSysType").rstrip() if labelled else "",
        has_signature=block.raw("Signature_word") == SIGNATURE,
        dirty=bool(block["BS_Reserved1"] & _STATE_DIRTY),
        fsinfo=fsinfo,
        backup=_backup(view, block, block["BPB_BkBootSec"] * sector) if large else None,
        files=walk.files(),
        flaws=tuple(walk.flaws),
        flaw_count=walk.flaw_count,
        unwalked=walk.unwalked,
        room=None if walk.free is None else Room(clusters * cluster, walk.free * cluster),
    )


def _windows(view: View) -> list[Span]:
    """Want the allocation tables and the directories that stand near the start."""
    try:
        facts = _read(view)
    except ImgauditError:
        return []
    end = facts.data_offset + MIB
    return [Span(0, end)] if end > 2 * MIB else []


READER = Reader(
    name="fat",
    title="FAT12, FAT16 or FAT32 file system",
    source="Microsoft, FAT32 File System Specification 1.03",
    match=_match,
    read=_read,
    windows=_windows,
)
