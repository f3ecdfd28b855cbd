"""The shape that every copy of the map is read into."""

from __future__ import annotations

import enum

from imgaudit.data import dataclass


class Kind(enum.Enum):
    """Where a copy of the map stands."""

    DEVICE_TREE = "device tree"
    MTDPARTS = "mtdparts"
    UBOOT_CONFIG = "U-Boot configuration"
    FLASH_TOOL_CONFIG = "fw_env.config"
    DISK_DESCRIPTION = "disk description"
    GPT_WRITE = "partition list of gpt write"
    DFU = "dfu_alt_info"
    BINMAN = "binman"


class Medium(enum.Enum):
    """What the copy says it partitions, as far as it says it."""

    SPI_NOR = "SPI-NOR"
    PARALLEL_NOR = "parallel NOR"
    NAND = "NAND"
    MMC = "MMC"
    UBI = "UBI"
    FILE = "file"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """Where something is written: the words themselves and their place.

    `line` counts from 1, where the copy has lines. `offset` counts from 0: characters of a string,
    bytes of a binary. In a device tree `text` is the node's path.
    """

    text: str
    line: int | None = None
    offset: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class MapEntry:
    """One partition as one copy of the map has it.

    `offset` is absolute on the device, in bytes; negative counts from the device's end, None is
    unknown. `size` is None where it is unknown or, with `to_end`, where it is all that is left.
    `read_only` is what the copy asks of the kernel. `parent` is the label of the
    partition that this one is written inside of. `unit_address` is what a device tree's node name
    claims (None where it has none or it is no hex number). `number` is that of a partition in a
    table, `file` what the copy puts there, `holds` the file system that it makes. `named` is
    False where the label is for readers only.
    """

    label: str
    offset: int | None
    size: int | None
    at: Written
    to_end: bool = False
    read_only: bool = False
    parent: str | None = None
    unit_address: int | None = None
    number: int | None = None
    file: str | None = None
    holds: str | None = None
    named: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class MapCopy:
    """What one copy says of one device, in the order in which it says it.

    `device` is the copy's own name for the device; `names` has others that it may go by. `notes`
    are whole sentences on what the copy leaves out or what its reader takes otherwise. `in_use` is
    False where nobody reads it: a disabled node, or a table that the kernel refuses. `partial`
    tells that it need not have all of the device; `table` is the kind of partition table that it
    makes.
    """

    kind: Kind
    device: str
    entries: tuple[MapEntry, ...]
    medium: Medium = Medium.UNKNOWN
    names: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    in_use: bool = True
    partial: bool = False
    table: str = ""
