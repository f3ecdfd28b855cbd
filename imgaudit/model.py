"""The layout as data: chips, RAM, regions, stages. Frozen, without I/O.

All sizes and offsets are bytes. A region's `at` counts from the start of its area: the chip, or one
of an eMMC's two boot areas.
"""

from __future__ import annotations

import enum
from collections.abc import Iterator, Mapping
from dataclasses import field, replace
from functools import cached_property

from imgaudit.chips import SECTOR, ChipKind
from imgaudit.data import dataclass
from imgaudit.units import Span, both, round_down

__all__ = ["SECTOR", "Chip", "Layout", "Region"]

# What `holds:` may say: the readers' names, the ext family's three, and two that name no format.
HOLDS = (
    "android-sparse",
    "arm64-image",
    "blank",
    "btrfs",
    "bzip2",
    "cpio",
    "efi",
    "egon",
    "elf",
    "erofs",
    "ext2",
    "ext3",
    "ext4",
    "f2fs",
    "fat",
    "fdt",
    "fip",
    "fit",
    "gpt",
    "gzip",
    "imx-ivt",
    "imx8-image",
    "jffs2",
    "kwbimage",
    "luks",
    "lvm2",
    "lz4",
    "lz4-legacy",
    "lzma",
    "lzo",
    "mbr",
    "omap-image",
    "raw",
    "riscv-image",
    "rockchip-idb",
    "socfpga-image",
    "squashfs",
    "stm32-image",
    "sunxi-toc0",
    "swap",
    "ubi",
    "ubifs",
    "uboot-env",
    "uimage",
    "verity",
    "xz",
    "zimage",
    "zstd",
    "zynq-image",
)
FIRST_STAGES = frozenset(
    {
        "egon",
        "imx-ivt",
        "imx8-image",
        "kwbimage",
        "omap-image",
        "rockchip-idb",
        "socfpga-image",
        "stm32-image",
        "sunxi-toc0",
        "zynq-image",
    }
)
"""What a boot ROM reads; U-Boot itself may follow it."""
FIRMWARE = FIRST_STAGES | {"elf", "fip", "fit", "raw", "uimage"}
"""What may be a boot loader, and bring what is compiled into it."""
UNPACKED = (
    "android-sparse",
    "bzip2",
    "gzip",
    "lz4",
    "lz4-legacy",
    "lzma",
    "lzo",
    "xz",
    "zstd",
)
"""What a writer may undo on the way to the chip."""
# What divides its region into volumes with names, which are places like any other.
VOLUMES = frozenset({"ubi"})
BACKUP_TABLE = 33 * SECTOR  # a GPT at the end: header and 128 entries of 128 bytes (UEFI 5.3)
MOUNTED: Mapping[str, frozenset[str]] = {
    "ext2": frozenset({"ext2", "ext3", "ext4"}),
    "ext3": frozenset({"ext3", "ext4"}),
    "fat": frozenset({"vfat", "msdos"}),
    **{name: frozenset({name}) for name in ("erofs", "ext4", "f2fs", "jffs2", "squashfs", "ubifs")},
}
"""File systems that Linux mounts and a reader walks; of each, what the drivers are called."""
# What fills its region by design: a file system or an environment is made to the region's size.
FILLS = frozenset(
    {
        "uboot-env",
        "ext2",
        "ext3",
        "ext4",
        "fat",
        "f2fs",
        "ubi",
        "ubifs",
        "jffs2",
        "gpt",
        "mbr",
        "blank",
    }
)
# Of these the free room is not what nothing is stored in: nobody can be asked to keep some.
_UNCOUNTED = frozenset({"uboot-env", "ubi", "gpt", "mbr", "blank"})
ARCHITECTURES = ("arm", "arm64", "riscv32", "riscv64", "x86", "x86-64", "mips", "powerpc")


class Writer(enum.StrEnum):
    """Who erases and writes a region after the board has left the factory."""

    FACTORY = "factory"
    RELEASE = "release"
    RUNTIME = "runtime"


@dataclass(frozen=True, slots=True, order=True)
class Where:
    """A place in the layout file; line and column start at 1."""

    file: str
    line: int
    column: int

    def __str__(self) -> str:
        return f"{self.file}:{self.line}:{self.column}"


@dataclass(frozen=True, slots=True)
class EraseRun:
    """`count` erase blocks of `size` bytes each, one after the other."""

    count: int
    size: int


@dataclass(frozen=True, slots=True)
class BlockProtect:
    """What the flash's own block-protect bits are set to cover."""

    bits: int
    end: str
    covers: int


@dataclass(frozen=True, slots=True)
class KeepFree:
    """Room that must stay free in a region: a percentage of it, or bytes."""

    percent: float | None = None
    size: int | None = None

    def of(self, region_size: int) -> int:
        """Give the bytes that must stay free in a region of this size."""
        if self.size is not None:
            return self.size
        return int(region_size * (self.percent or 0) / 100)

    def __str__(self) -> str:
        return both(self.size) if self.size is not None else f"{self.percent:g} %"


@dataclass(frozen=True, kw_only=True)
class Located:
    """Something that the layout file says, with the place of each of its keys."""

    where: Where
    keys: Mapping[str, Where] = field(default_factory=dict, repr=False)

    def at_key(self, key: str) -> Where:
        """Give the place of a key, or of the whole where the key is not written."""
        return self.keys.get(key, self.where)


@dataclass(frozen=True, kw_only=True)
class Chip(Located):
    """A flash chip. `sizes` lists the approved parts; the smallest decides.

    `parts` has each approved part in full, where the layout describes them: the map must fit all.
    The chip itself is then the smallest of them. `part` is the name of such a part. `number` is
    U-Boot's: the 1 in `mmc 1`. `guessed` names the keys whose values nobody has looked up.
    """

    name: str
    kind: ChipKind
    sizes: tuple[int, ...]
    part: str | None = None
    parts: tuple[Chip, ...] = ()
    image: str | None = None
    number: int | None = None
    guessed: tuple[str, ...] = ()
    # Raw flash: NOR and NAND
    erase_map: tuple[EraseRun, ...] = ()
    page: int = 256
    spare: int | None = None
    bad_blocks: KeepFree | None = None
    # SPI-NOR
    address_bytes: int | None = None
    four_byte_mode: str | None = None
    reset_pin: str | None = None
    block_protect: BlockProtect | None = None
    sfdp: str | None = None
    # What divides it.
    table: str = "fixed"
    # eMMC and SD cards
    align: int = 4096
    boot_area: int | None = None
    rpmb: int | None = None
    general_areas: tuple[int, ...] = ()
    erase_group: int | None = None
    write_protect_group: int | None = None
    ext_csd: str | None = None

    @property
    def size(self) -> int:
        """Bytes of the smallest approved part."""
        return min(self.sizes)

    def areas(self) -> Iterator[tuple[str, int | None]]:
        """Give the areas beside the main array, with their sizes where they are known."""
        return self.kind.areas(self)

    @property
    def may_be_bad(self) -> KeepFree:
        """How much of it may be bad; unless said, 20 blocks of 1024 as Linux's UBI expects."""
        return self.bad_blocks or KeepFree(percent=100 * 20 / 1024)

    @property
    def largest_erase(self) -> int:
        """The largest erase block; 1 where the chip has none to speak of."""
        return max((run.size for run in self.erase_map), default=1)

    def erase_unit(self, offset: int) -> int:
        """Give the size of the erase block that holds `offset`."""
        return self._run(offset)[1]

    def erase_start(self, offset: int) -> int:
        """Give the start of the erase block that holds `offset`."""
        start, size, _ = self._run(offset)
        return start + round_down(offset - start, size)

    def _run(self, offset: int) -> tuple[int, int, int]:
        """Give where the blocks as large as that of `offset` begin, their size, those before."""
        start = before = 0
        for run in self.erase_map:
            end = start + run.count * run.size
            if offset < end:
                return start, run.size, before
            start, before = end, before + run.count
        return start, self.largest_erase, before

    def _number(self, offset: int) -> int:
        """Give the number of the erase block that holds `offset`, from 0."""
        start, size, before = self._run(offset)
        return before + (offset - start) // size

    def erase_end(self, offset: int) -> int:
        """Give the first erase boundary at or after `offset`."""
        start = self.erase_start(offset)
        return offset if start == offset else start + self.erase_unit(offset)

    def erase_blocks(self, span: Span) -> int:
        """Count the erase blocks that a span touches."""
        return self._number(span.end - 1) - self._number(span.start) + 1 if span.size else 0

    def erased_by(self, span: Span) -> Span:
        """Give the whole erase blocks that writing `span` erases."""
        if span.size == 0:
            return span
        return Span(self.erase_start(span.start), self.erase_end(span.end))


@dataclass(frozen=True, slots=True)
class Area:
    """What a region's offset counts from: a chip's main array, an area beside it, or volumes.

    Of the volumes of a UBI, `chip` is as they see it: its erase blocks are the logical ones.
    """

    name: str
    chip: Chip
    size: int | None


def volumes_in(region: Region, chip: Chip) -> Area:
    """Give the volumes of a UBI as an area: all blocks but those that UBI keeps for itself.

    Source: Linux drivers/mtd/ubi/build.c, io_init() (each block begins with two headers: a page
    each, or 64 bytes where there are none), and the blocks reserved in vtbl.c, wl.c and eba.c: two
    for the volume table, one for wear-levelling, one for atomic changes, and on NAND those that may
    go bad on the whole chip. With sub-pages a logical block is larger by a page.
    """
    block = chip.erase_unit(region.at)
    headers = 2 * chip.page if chip.kind.bad_blocks else 128
    spare = -(-chip.may_be_bad.of(chip.size) // block) if chip.kind.bad_blocks else 0
    count = max(0, region.size // block - 4 - spare)
    unit = max(1, block - headers)
    size = count * unit
    seen = replace(
        chip, sizes=(max(size, 1),), parts=(), erase_map=(EraseRun(max(count, 1), unit),)
    )
    return Area(f"{chip.name}/{region.name}", seen, size)


@dataclass(frozen=True, slots=True)
class EnvironmentShape:
    """How the U-Boot environment lies in its region: its size and the region of its copy."""

    size: int
    copy: str | None = None


@dataclass(frozen=True, kw_only=True)
class Region(Located):
    """A range of a chip, or a partition of the eMMC, and what it holds.

    `labels` are what the copies of the map call it, the usual one first. `expect` is the planned
    size of an artifact that need not be built yet. `holder` is the region of which it is a volume:
    it then has the label as its name there, its `area` is that region, and `at` counts the volumes
    before it: where its blocks are, nobody knows. `after` is the region that it follows, and `rest`
    says that it takes all that is left, where the layout gives its place or size so.
    """

    name: str
    labels: tuple[str, ...]
    area: str
    at: int
    size: int
    holds: str
    writer: Writer
    file: str | None = None
    file_at: int = 0
    expect: int | None = None
    partition: int | None = None
    bootable: bool | None = None
    type: str | None = None
    keep_free: KeepFree | None = None
    purpose: str = ""
    env: EnvironmentShape | None = None
    writer_unpacks: tuple[str, ...] = ()
    holder: str | None = None
    guessed: tuple[str, ...] = ()
    after: str | None = None
    rest: bool = False

    @property
    def label(self) -> str:
        """What the device tree, mtdparts or the partition table calls it."""
        return self.labels[0]

    @property
    def span(self) -> Span:
        """The region's bytes, counted from the start of its area."""
        return Span.sized(self.at, self.size)

    @property
    def room(self) -> int:
        """Bytes that an artifact may take: the region less `file-at`, which lies inside."""
        return self.size - self.file_at

    @property
    def chip(self) -> str:
        """The chip's name, without the area beside its main array."""
        return self.area.partition("/")[0]


@dataclass(frozen=True, slots=True)
class MemoryRange:
    """A range of RAM with its name."""

    name: str
    span: Span
    where: Where


@dataclass(frozen=True, slots=True)
class Needs:
    """What the stage's ramdisk must be able to do, by tool group."""

    groups: tuple[str, ...] = ()
    relax: tuple[str, ...] = ()
    extend: Mapping[str, tuple[str, ...]] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class Slot(Located):
    """One of several copies of a stage: the variables that choose it, and the regions it takes."""

    name: str
    variables: Mapping[str, str]
    regions: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Stage(Located):
    """One of the systems that U-Boot can start, and all that it takes."""

    name: str
    regions: tuple[str, ...]
    entry: str | None = None
    ramdisk: str | None = None
    kernel_config: str | None = None
    needs: Needs | None = None
    variables: Mapping[str, str] = field(default_factory=dict)
    slots: tuple[Slot, ...] = ()

    def taken(self, slot: Slot | None) -> tuple[str, ...]:
        """Name the regions that one slot takes: not what only others do."""
        if slot is None:
            return self.regions
        others = {name for other in self.slots if other is not slot for name in other.regions}
        kept = (name for name in self.regions if name not in others or name in slot.regions)
        return tuple(dict.fromkeys((*kept, *slot.regions)))


class Act(enum.StrEnum):
    """What one step of an update does."""

    WRITE = "write"  # a region's artifact, or all of a chip, in erase order
    ERASE = "erase"
    COPY = "copy"  # one region's content to another
    SET = "set"  # variables of U-Boot's environment, in one go
    TABLE = "table"  # a chip's partition table
    RENAME = "rename"  # volumes of a UBI, all in one go
    REBOOT = "reboot"
    UNKNOWN = "unknown"  # something is written, and what or where is not known


@dataclass(frozen=True, kw_only=True)
class UpdateStep(Located):
    """One step. `target` is a region or a chip, `source` the region that a copy is taken from.

    `variables` are set (None: deleted) by a SET. `renames` are pairs of regions: the volume that is
    the first becomes the second. `erases_first` tells a writer that erases all
    blocks before it writes the first; `flushed` that what is written has left every cache when the
    next step begins. `said` is the command, for a step that was read from a script.
    """

    act: Act
    target: str = ""
    source: str | None = None
    variables: Mapping[str, str | None] = field(default_factory=dict)
    renames: tuple[tuple[str, str], ...] = ()
    erases_first: bool = False
    flushed: bool = True
    said: str = ""


FACTORY = "factory"
"""Who runs an update that needs no system on the board: a programmer at the end of the line."""


@dataclass(frozen=True, kw_only=True)
class Update(Located):
    """A procedure that writes to the chips. `by` is the stage that runs it, or the factory.

    `script` says where it was read, for one that the layout does not describe. `since` is the name
    of the release that the board has before it; "" where the layout gives none. `watched` tells
    that the script has a watchdog running, which ends it where it hangs.
    """

    name: str
    by: str
    steps: tuple[UpdateStep, ...]
    script: str = ""
    since: str = ""
    watched: bool = False


@dataclass(frozen=True, kw_only=True)
class Elsewhere(Located):
    """Where the build says the same map again."""

    device_tree: str | None = None
    environment: str | None = None
    mtdparts: str | None = None
    uboot_config: str | None = None
    flash_tool_config: str | None = None
    disk_description: str | None = None


@dataclass(frozen=True, slots=True)
class Waiver:
    """A finding that is accepted for now, why, by whom and until when.

    `about` are words of the finding's identity that it must have: a tool, a path, a variable.
    """

    finding: str
    region: str | None
    reason: str
    until: str | None
    where: Where
    owner: str = ""
    about: tuple[str, ...] = ()

    def covers(self, region: str | None, identity: tuple[str, ...]) -> bool:
        """Tell whether a finding of its name, with this region and identity, is meant."""
        here = self.region is None or self.region == region
        return here and all(word in identity for word in self.about)


@dataclass(frozen=True, slots=True)
class Accept:
    """Something that may stay open: not judged, or what can leave nothing that starts.

    `kind` is region, stage, copy, loss or update, `name` which one.
    """

    kind: str
    name: str
    reason: str
    owner: str
    until: str | None
    where: Where


@dataclass(frozen=True, slots=True)
class Must:
    """What the layout must name and the audit must judge: a region, a stage, a copy of the map.

    Of kind group it is a group of tools that no stage may relax.
    """

    kind: str
    name: str
    where: Where


@dataclass(frozen=True, slots=True)
class Policy:
    """What fails the audit, and what is let through."""

    fail_on: str = "error"
    keep_free: KeepFree = KeepFree(percent=5)
    severity: Mapping[str, str] = field(default_factory=dict)
    severity_at: Mapping[str, Where] = field(default_factory=dict)
    waivers: tuple[Waiver, ...] = ()
    accepts: tuple[Accept, ...] = ()
    judge: tuple[Must, ...] = ()
    least_free: KeepFree | None = None
    also: Policy | None = None

    def room(self, region: Region) -> KeepFree | None:
        """Give what must stay free in a region, None if nothing; of what several say, the most.

        `least_free` holds whatever the region says, also in a file system that fills it. `also` is
        the policy that this one was made stricter by.
        """
        asked = [self.also.room(region)] if self.also is not None else []
        if region.keep_free is not None or region.holds not in FILLS:
            asked.append(region.keep_free or self.keep_free)
        if region.holds not in _UNCOUNTED:
            asked.append(self.least_free)
        told = (keep for keep in asked if keep is not None)
        return max(told, key=lambda keep: keep.of(region.room), default=None)

    def unrelaxed(self) -> dict[str, Where]:
        """Give the groups of tools that no stage may relax, and where the policy says so."""
        return {must.name: must.where for must in self.judge if must.kind == "group"}

    def tightened(self, trusted: Policy) -> Policy:
        """Give the policy of a trusted side, made stricter where this one asks for it.

        Severities count from the rules' own, which this floor does not know: a trusted one stands,
        another of this side's is kept where it is an error.
        """
        mine = {name: word for name, word in self.severity.items() if word == "error"}
        severity = {**mine, **trusted.severity}
        return Policy(
            fail_on="warning" if "warning" in {self.fail_on, trusted.fail_on} else "error",
            keep_free=self.keep_free,
            severity=severity | dict.fromkeys(mine, "error"),
            severity_at={
                name: where
                for name, where in {**self.severity_at, **trusted.severity_at}.items()
                if name in severity
            },
            waivers=trusted.waivers,
            accepts=trusted.accepts,
            judge=(*trusted.judge, *self.judge),
            least_free=self.least_free,
            also=trusted,
        )


@dataclass(frozen=True, kw_only=True)
class Layout(Located):
    """A whole layout file."""

    file: str
    sha256: str
    board: str
    arch: str
    variant: str | None = None
    summary: str = ""
    compatible: str | None = None
    guessed: tuple[str, ...] = ()
    chips: Mapping[str, Chip] = field(default_factory=dict)
    banks: tuple[MemoryRange, ...] = ()
    reserved: tuple[MemoryRange, ...] = ()
    regions: tuple[Region, ...] = ()
    stages: Mapping[str, Stage] = field(default_factory=dict)
    updates: tuple[Update, ...] = ()
    elsewhere: Elsewhere | None = None
    policy: Policy = field(default_factory=Policy)

    def guesses(self) -> Iterator[tuple[str, Layout | Chip | Region]]:
        """Give what has keys that are guessed, with its name: the layout, chips and regions."""
        things: list[tuple[str, Layout | Chip | Region]] = [(self.board, self)]
        things += self.chips.items()
        things += ((region.name, region) for region in self.regions)
        yield from (thing for thing in things if thing[1].guessed)

    def described(self) -> Iterator[Chip]:
        """Give every chip, or each of its approved parts where they are described."""
        for chip in self.chips.values():
            yield from chip.parts or (chip,)

    def with_part(self, number: int) -> Layout:
        """Give the layout with part `number` of each chip in the place of the smallest."""
        chips = {
            name: chip.parts[min(number, len(chip.parts) - 1)] if chip.parts else chip
            for name, chip in self.chips.items()
        }
        return replace(self, chips=chips)

    @cached_property
    def areas(self) -> tuple[Area, ...]:
        """Every area, chip by chip; what lies beside the main array follows it."""
        found = []
        divided = {(region.chip, region.holder) for region in self.regions}
        for chip in self.chips.values():
            found.append(Area(chip.name, chip, chip.size))
            found += [Area(f"{chip.name}/{name}", chip, size) for name, size in chip.areas()]
            found += [
                volumes_in(region, chip)
                for region in self.regions_on(chip.name)
                if (chip.name, region.name) in divided
            ]
        return tuple(found)

    def area(self, name: str) -> Area:
        """Give an area by the name that regions use."""
        return self._areas[name]

    @cached_property
    def _areas(self) -> dict[str, Area]:
        return {area.name: area for area in self.areas}

    def region(self, name: str) -> Region:
        """Give a region by its name."""
        return self._named[name]

    def find(self, name: str) -> Region | None:
        """Give a region by its name; None where nothing is called that."""
        return self._named.get(name)

    @cached_property
    def _named(self) -> dict[str, Region]:
        return {region.name: region for region in reversed(self.regions)}

    def partition(self, area: str, number: int) -> Region | None:
        """Give the region that is a partition of an area, by its number in the table."""
        return self._partitions.get((area, number))

    @cached_property
    def _partitions(self) -> dict[tuple[str, int], Region]:
        numbered = ((one, one.partition) for one in reversed(self.regions))
        return {(one.area, number): one for one, number in numbered if number is not None}

    def twins(self, region: str) -> tuple[Region, ...]:
        """Give the regions with other copies of an environment: named by it, or naming it."""
        return tuple(self._twins.get(region, {}).values())

    @cached_property
    def _twins(self) -> dict[str, dict[str, Region]]:
        found: dict[str, dict[str, Region]] = {}
        for region in self.regions:
            copy = self.find(region.env.copy or "") if region.env else None
            for one, other in ((region, copy), (copy, region)):
                if one is not None and other is not None:
                    found.setdefault(one.name, {})[other.name] = other
        return found

    def shape(self, region: Region) -> EnvironmentShape | None:
        """Give an environment's shape, which a copy may leave to the one that names it."""
        shapes = (twin.env for twin in self.twins(region.name))
        told = (shape for shape in shapes if shape is not None and shape.copy == region.name)
        return region.env or next(told, None)

    def regions_on(self, area: str) -> list[Region]:
        """Give an area's regions by offset."""
        return list(self._ordered.get(area, ()))

    @cached_property
    def _ordered(self) -> dict[str, list[Region]]:
        found: dict[str, list[Region]] = {}
        for region in sorted(self.regions, key=lambda one: (one.at, one.size, one.name)):
            found.setdefault(region.area, []).append(region)
        return found

    def stages_of(self, region: str) -> list[str]:
        """Name the stages that need a region."""
        return [stage.name for stage in self.stages.values() if region in stage.regions]
