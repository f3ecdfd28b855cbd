"""Where fw_env.config and U-Boot's configuration look for what the layout places."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace

from imgaudit.boot.found import Start
from imgaudit.data import dataclass
from imgaudit.errors import FormatError
from imgaudit.formats.facts import Facts
from imgaudit.formats.fdt import FdtFacts
from imgaudit.formats.first_stage import FirstStage
from imgaudit.maps import fw_env_config, mtdparts
from imgaudit.maps.collect import Copies, Copy, Place
from imgaudit.maps.device_tree import flash_nodes
from imgaudit.maps.entry import Kind, MapEntry, Medium
from imgaudit.maps.fw_env_config import FlashToolConfig, Location, Target
from imgaudit.maps.uboot_config import UBootConfig
from imgaudit.model import Layout, Region, Stage
from imgaudit.patterns import regex
from imgaudit.rules._map import Table, finding, is_tree, known, tables
from imgaudit.rules.cited import in_linux, in_u_boot, memory
from imgaudit.rules.engine import Case, Example, NotChecked, Outcome, Rule, Severity, check
from imgaudit.rules.examples import nor
from imgaudit.rules.subject import Subject
from imgaudit.units import Span, counted, place, round_up

_DISK = regex(r"(?P<disk>/dev/mmcblk\d+)(?P<boot>boot[01])?(?:p(?P<partition>\d{1,9}))?", re.ASCII)
_SECTOR = 512
_NOWHERE = Span(0, 0)
_SHAPE = "size: 64 KiB, writer: runtime, holds: uboot-env"
_REGIONS = (
    "name: u-boot, at: 0, size: 128 KiB",
    f"name: env-a, at: 128 KiB, {_SHAPE}, env: {{size: 8 KiB, copy: env-b}}",
    f"name: env-b, at: 192 KiB, {_SHAPE}, env: {{size: 8 KiB, copy: env-a}}",
)
_TOOL = "/dev/mtd1 0x0 0x2000 0x10000\n/dev/mtd2 0x0 0x2000 0x10000\n"
_MAP = "spi0.0:128k(u-boot)ro,64k(env-a),64k(env-b)"


def _tool(text: str = _TOOL) -> Example:
    return nor(
        *_REGIONS,
        rest=f"written-elsewhere: {{flash-tool-config: fw_env.config, mtdparts: '{_MAP}'}}\n",
        files={"fw_env.config": text.encode},
    )


def _config(**symbols: str) -> Example:
    values = {
        "ENV_IS_IN_SPI_FLASH": "y",
        "ENV_OFFSET": "0x20000",
        "ENV_SIZE": "0x2000",
        "ENV_SECT_SIZE": "0x10000",
        "ENV_REDUNDANT": "y",
        "ENV_OFFSET_REDUND": "0x30000",
    }
    lines = "".join(f"CONFIG_{name}={value}\n" for name, value in (values | symbols).items())
    return nor(
        *_REGIONS,
        rest="written-elsewhere: {uboot-config: u-boot.config}\n",
        files={"u-boot.config": lines.encode},
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Named:
    """One place of the environment as a file has it; `told` is what to call it.

    `area` is None where the file names a device that is not there; `tool` tells fw_env.config from
    U-Boot's own configuration.
    """

    at: Place
    area: str | None
    offset: int
    size: int | None
    sector: int | None
    sectors: int | None
    told: str
    tool: Copy[FlashToolConfig] | None = None


@dataclass(frozen=True, slots=True)
class _Spot:
    """A place and the region that should be there; `right` tells that it is."""

    named: _Named
    region: Region
    right: bool


@dataclass(frozen=True, slots=True)
class _Said:
    """A case, where it stands, and what it is about."""

    case: Case
    at: Place
    region: Region
    key: str
    severity: Severity | None = None


def _together(said: Iterable[_Said]) -> Outcome:
    """Tell once what several files say alike: a board has one in each of its systems."""
    alike: dict[tuple[str, ...], list[_Said]] = {}
    for item in said:
        values = (f"{name}={value}" for name, value in item.case.values.items())
        alike.setdefault((item.region.name, *values), []).append(item)
    for items in alike.values():
        first = items[0]
        yield finding(
            first.case,
            [item.at for item in items],
            region=first.region,
            key=first.key,
            severity=first.severity,
        )


def _environments(layout: Layout) -> list[Region]:
    """Give the regions of the environment, the first one first."""
    return [region for region in layout.regions if layout.shape(region) is not None]


def _size(layout: Layout, region: Region) -> int | None:
    shape = layout.shape(region)
    return shape.size if shape is not None else None


def _spots(subject: Subject) -> Iterator[_Spot]:
    both = known(subject)
    if both is None:
        return
    layout, _ = both
    regions = _environments(layout)
    tools = [list(_tool_places(subject, tool)) for tool in _tools(subject)]
    for named in (*tools, list(_config_places(subject))):
        yield from _assigned(named, regions)


def _assigned(named: list[_Named], regions: list[Region]) -> Iterator[_Spot]:
    """Give each place the region that is there, else the first that no place is."""
    left = list(regions)
    found: dict[int, Region] = {}
    for number, item in enumerate(named):
        region = next(
            (
                region
                for region in left
                if (region.area, region.at + region.file_at) == (item.area, item.offset)
            ),
            None,
        )
        if region is not None:
            found[number] = region
            left.remove(region)
    for number, item in enumerate(named):
        if number in found:
            yield _Spot(item, found[number], right=True)
        elif left:
            yield _Spot(item, left.pop(0), right=False)


def _tools(subject: Subject) -> list[Copy[FlashToolConfig]]:
    """Give every fw_env.config: the one that the layout names, those of roots and of ramdisks."""
    named = subject.copies.flash_tool_config if subject.copies is not None else None
    found = [] if named is None else [named]
    inside = [(it.region, it.artifact, it.environment_tool) for it in subject.roots.values()]
    inside += [
        (it.region, it.artifact.path, it.environment_tool)
        for it in subject.rescues.values()
        if it.region is not None and it.artifact is not None
    ]
    for region, artifact, config in inside:
        if config is not None and (named is None or named.place.region is not region):
            where = Place(
                carrier=fw_env_config.PLACE,
                name=artifact,
                artifact=artifact,
                region=region,
                where=region.at_key("file"),
            )
            found.append(Copy(place=where, says=config))
    return found


def _unlisted(subject: Subject, copy: Copy[FlashToolConfig]) -> bool:
    """Tell that the kernel of a ramdisk is given no partitions of its flash at all.

    Then its chips are all the MTDs there are (Linux drivers/mtd/mtdcore.c,
    mtd_device_parse_register).
    """
    region = copy.place.region
    starts = [
        start
        for followed in subject.boots.followed.values()
        if followed.stage is not None and region is not None
        if followed.stage.ramdisk == region.name
        for start in followed.starts
    ]
    return bool(starts) and all(map(_without_partitions, starts))


def _without_partitions(start: Start) -> bool:
    trees = [part.content for part in start.pieces if part.role == "fdt" and part.content]
    facts = [tree.unwrapped().facts for tree in trees]
    arguments = start.boot.arguments or ""
    told = "${" in arguments or "mtdparts=" in arguments
    return not told and bool(facts) and all(map(_has_none, facts))


def _has_none(facts: Facts | None) -> bool:
    if not isinstance(facts, FdtFacts) or "mtdparts=" in (facts.bootargs or ""):
        return False
    chips = [found.node for found in flash_nodes(facts.tree)]
    return bool(chips) and not any(chip.children for chip in chips)


def _tool_places(subject: Subject, copy: Copy[FlashToolConfig]) -> Iterator[_Named]:
    both = known(subject)
    if both is None:
        return
    layout, _ = both
    maps = _kernel_maps(subject, copy)
    unlisted = _unlisted(subject, copy)
    for location in copy.says.locations:
        start = _start(location, layout, maps)
        if unlisted and location.target is Target.MTD_NUMBER and location.number:
            start = None, _NOWHERE, f"{location.device}, and its kernel is given no partitions"
        if start is None:
            continue
        area, span, told = start
        behind = location.offset < 0
        if behind and location.target is not Target.BLOCK:
            continue
        offset = (span.end if behind else span.start) + location.offset
        distance = place(abs(location.offset))
        where = f"{distance} before the end of {told}" if behind else f"{told} + {distance}"
        yield _Named(
            at=copy.place.of(location.at),
            area=area,
            offset=offset,
            size=location.size,
            sector=location.sector_size or _sector_left_out(layout, area, location),
            sectors=location.sectors,
            told=f"{place(offset)} ({where})" if area else told,
            tool=copy,
        )


def _sector_left_out(layout: Layout, area: str | None, location: Location) -> int | None:
    """Give the sector size that the tools take where a line has none; None for the flash's own.

    Source: U-Boot tools/env/fw_env.c, check_device_config(): what MEMGETINFO says for a NOR of
    which the sectors are left out too, else the environment's size.
    """
    blocks = area is not None and layout.area(area).chip.kind.bad_blocks
    return location.size if blocks or location.sectors else None


def _right(subject: Subject, tool: Copy[FlashToolConfig] | None) -> str:
    """Say the lines of fw_env.config that agree with the layout; nothing where none were found."""
    layout = subject.layout
    if layout is None or tool is None:
        return ""
    regions, maps = _environments(layout), _kernel_maps(subject, tool)
    # How the kernel counts its disks only the file itself tells.
    disks = filter(None, (_DISK.fullmatch(location.device) for location in tool.says.locations))
    disk = next((found["disk"] for found in disks), None)
    lines = [_line(layout, region, maps, disk) for region in regions]
    text = "\n".join(line for line in lines if line is not None)
    tried = replace(tool, says=fw_env_config.parse(text))
    spots = list(_assigned(list(_tool_places(subject, tried)), regions))
    if len(spots) != len(lines) or not all(_agrees(layout, spot) for spot in spots):
        return ""
    return f". Tried: {' and '.join(f'`{line}`' for line in lines)} agree with the layout"


def _line(layout: Layout, region: Region, maps: list[Table], disk: str | None) -> str | None:
    """Write the line of fw_env.config for a region of the environment, if its device is known."""
    size, chip = _size(layout, region), layout.chips[region.chip]
    if size is not None and chip.kind.sectors and disk is not None:
        beside = region.area.partition("/")[2]
        if beside not in {"", "boot0", "boot1"}:
            return None
        return f"{disk}{beside} {place(region.at + region.file_at)} {place(size)}"
    if size is None or len(maps) != 1 or not chip.kind.mtd:
        return None
    number = next((n for n, row in enumerate(maps[0].rows) if row.region is region), None)
    if number is None:
        return None
    sector = chip.erase_unit(region.at)
    count = -(-size // sector)
    words = (f"/dev/mtd{number}", *map(place, (region.file_at, size, sector)))
    return " ".join(words if count == 1 else (*words, place(count)))


def _agrees(layout: Layout, spot: _Spot) -> bool:
    """Tell whether place, length and erase blocks are the layout's."""
    named, region = spot.named, spot.region
    if layout.chips[region.chip].kind.sectors:
        return spot.right and named.size == _size(layout, region)
    sector, size = named.sector or 0, named.size or 0
    whole = sector * (named.sectors or 1)
    erase = layout.chips[region.chip].erase_unit(region.at)
    fits = size <= whole <= region.room and sector == erase
    return spot.right and named.size == _size(layout, region) and fits


def _kernel_maps(subject: Subject, tool: Copy[FlashToolConfig]) -> list[Table]:
    """Give the tables that may number the MTDs for the kernel that the tool runs on.

    The list on that kernel's own command line comes first (Linux drivers/mtd/mtdpart.c, the order
    of the parsers), then the tree of the ramdisk's own FIT, if any.
    """
    kinds = {Kind.DEVICE_TREE, Kind.MTDPARTS}
    found = [table for table in tables(subject) if table.copy.says.kind in kinds]
    given = _given_lists(subject, tool.place.region)
    listed = [
        table
        for table in found
        if not is_tree(table) and [_shape(entry) for entry in table.copy.says.entries] in given
    ]
    if listed:
        return listed[:1] if len(given) == 1 else listed
    trees = [table for table in found if is_tree(table)] or found
    own = [table for table in trees if table.copy.place.artifact == tool.place.artifact]
    first = (own or trees)[:1]
    return [table for table in trees if first and table.copy.place == first[0].copy.place]


_Shape = tuple[str, int | None, int | None]


def _shape(entry: MapEntry) -> _Shape:
    return entry.label, entry.offset, entry.size


def _given_lists(subject: Subject, region: Region | None) -> list[list[_Shape]]:
    """Give the mtdparts that the kernel of a ramdisk is started with, one for each chip."""
    found: list[list[_Shape]] = []
    for followed in subject.boots.followed.values():
        stage = followed.stage
        if region is not None and (stage is None or region.name not in _systems(stage)):
            continue
        for boot in followed.walk.boots:
            for text in re.findall(r"(?:^|\s)(mtdparts=[^\s\"']+)", boot.arguments or ""):
                try:
                    lists = mtdparts.parse(text).copies()
                except FormatError:
                    continue
                shapes = [[_shape(entry) for entry in one.entries] for one in lists]
                found += [shape for shape in shapes if shape not in found]
    return found


def _systems(stage: Stage) -> tuple[str, ...]:
    """Name the regions that a stage's own system may be in: its ramdisk, else any that it takes."""
    return (stage.ramdisk,) if stage.ramdisk is not None else stage.regions


def _start(
    location: Location, layout: Layout, maps: list[Table]
) -> tuple[str | None, Span, str] | None:
    """Give the area and the place in it of the device of a line; None where that is not known."""
    if location.target in {Target.MTD_NUMBER, Target.MTD_NAME}:
        # With two chips, which one's partitions come first is decided by how they are found.
        if len(maps) != 1:
            return None
        rows = maps[0].rows
        row = next(
            (
                row
                for number, row in enumerate(rows)
                if location.number == number or (location.name or "") == row.entry.label
            ),
            None,
        )
        if row is None:
            return None, _NOWHERE, f"{location.device}, which {maps[0].copy.place} does not have"
        if row.region is not None:
            return row.region.area, row.region.span, row.region.name
        return maps[0].chip.name, row.span or _NOWHERE, row.entry.label
    disk = _DISK.fullmatch(location.device) if location.target is Target.BLOCK else None
    chips = [chip for chip in layout.chips.values() if chip.kind.sectors]
    if disk is None or len(chips) != 1:
        return None
    area = f"{chips[0].name}/{disk['boot']}" if disk["boot"] else chips[0].name
    if disk["partition"] is None:
        size = next((one.size for one in layout.areas if one.name == area), None)
        return None if size is None else (area, Span(0, size), location.device)
    region = layout.partition(area, int(disk["partition"]))
    if region is not None:
        return area, region.span, region.name
    return None, _NOWHERE, f"{location.device}, which the layout does not have"


def _config_places(subject: Subject) -> Iterator[_Named]:
    both = known(subject)
    if both is None or both[1].uboot_config is None:
        return
    layout, copies = both
    copy = copies.uboot_config
    in_partition = [] if copy is None else list(_at_the_end(layout, copies, copy))
    if in_partition:
        yield from in_partition
        return
    table = copy.says.environment() if copy is not None else None
    if copy is None or table is None:
        return
    area = _config_area(layout, copy.says, table.medium)
    if area is None:
        return
    spi = table.medium is Medium.SPI_NOR
    for entry in table.entries:
        if entry.offset is not None:
            yield _Named(
                at=copy.place.of(entry.at),
                area=area,
                offset=entry.offset,
                size=entry.size,
                sector=copy.says.environment_sector_size if spi else None,
                sectors=None,
                told=f"{place(entry.offset)} of {area}",
            )


def _at_the_end(layout: Layout, copies: Copies, copy: Copy[UBootConfig]) -> Iterator[_Named]:
    """Give the places at the end of a partition, where that is named.

    Source: U-Boot env/mmc.c, mmc_offset(): the partition that is named, by the configuration or in
    /config of its device tree, comes before ENV_OFFSET; a second copy lies below the first.
    """
    config, size = copy.says.config, copy.says.environment_size
    name = config.string("ENV_MMC_SW_PARTITION")
    configs = (tree.says.tree.get("/config") for tree in copies.device_trees)
    said = (node.text("u-boot,mmc-env-partition") for node in configs if node is not None)
    name = name or next((text for text in said if text), None)
    if "ENV_IS_IN_MMC" not in copy.says.environment_in or name is None or size is None:
        return
    for region in layout.regions:
        if region.partition is None or name not in region.labels:
            continue
        for number in range(2 if copy.says.redundant_environment else 1):
            offset = region.span.end - (number + 1) * round_up(size, _SECTOR)
            yield _Named(
                at=copy.place,
                area=region.area,
                offset=offset,
                size=size,
                sector=None,
                sectors=None,
                told=f"{place(offset)} of {region.area}, the end of its partition {name}",
            )
        return


def _config_area(layout: Layout, config: UBootConfig, medium: Medium) -> str | None:
    chips = [chip for chip in layout.chips.values() if chip.kind.medium == medium.value]
    if len(chips) != 1:
        return None
    part = config.config.number("ENV_MMC_EMMC_HW_PARTITION", "SYS_MMC_ENV_PART") or 0
    if medium is Medium.MMC and part in {1, 2}:
        return f"{chips[0].name}/boot{part - 1}"
    return chips[0].name


def _location_values(*, told: str, here: int, right: str) -> None: ...


LOCATION = Rule(
    name="environment-location-differs",
    severity=Severity.ERROR,
    values=_location_values,
    message="{copies} has the environment at {told}; the layout has {region} at {here:place}",
    effect=(
        "U-Boot and fw_setenv work on different bytes: a setting never arrives, and what lies"
        " there is overwritten."
    ),
    fix="Correct it: {region} starts at {here:place} of {chip}{right}.",
    computed="the start of the named device + the offset is no environment's start; /dev/mtdN is"
    " entry N, counted from 0 (without CONFIG_MTD_PARTITIONED_MASTER), of the mtdparts that the"
    " kernel is started with or else of the device tree's list",
    sources=(
        in_u_boot(
            "tools/env/fw_env.config",
            says="MTD device name Device offset Env. size Flash sector size Number of sectors",
        ),
        in_u_boot("env/Kconfig", "ENV_OFFSET"),
        in_linux("drivers/mtd/mtdpart.c", "parse_mtd_partitions"),
        in_linux("drivers/mtd/Kconfig", "MTD_PARTITIONED_MASTER"),
    ),
    bad=_tool(_TOOL.replace("mtd2 0x0", "mtd2 0x4000")),
    good=_tool(),
)


@check(LOCATION)
def environment_location(subject: Subject) -> Outcome:
    for tool in _tools(subject):
        if tool.says.locations and not list(_tool_places(subject, tool)):
            why = "no copy of the map tells which flash its devices are"
            yield NotChecked(LOCATION.name, str(tool.place), why)
    yield from _together(
        _Said(
            LOCATION(
                told=spot.named.told,
                here=spot.region.at + spot.region.file_at,
                right=_right(subject, spot.named.tool),
            ),
            spot.named.at,
            spot.region,
            "at",
        )
        for spot in _spots(subject)
        if not spot.right
    )


def _length_values(*, there: int | None, here: int | None, right: str) -> None: ...


LENGTH = Rule(
    name="environment-length-differs",
    severity=Severity.ERROR,
    values=_length_values,
    message="{copies} gives the environment {there:bytes}, the layout gives {region} {here:bytes}",
    effect="The CRC is computed over another length: each side takes what the other wrote for bad.",
    fix="Make both say {here:bytes}, which is {here:place}{right}.",
    computed="the size is not env: size",
    sources=(
        in_u_boot("tools/env/fw_env.c", "parse_config", "usable_envsize = CUR_ENVSIZE - sizeof"),
        in_u_boot("env/Kconfig", "ENV_SIZE"),
    ),
    bad=_tool(_TOOL.replace("0x2000 ", "0x4000 ")),
    good=_tool(),
)


@check(LENGTH)
def environment_length(subject: Subject) -> Outcome:
    if subject.layout is None:
        return
    said = []
    for spot in _spots(subject):
        here = _size(subject.layout, spot.region)
        if None not in {here, spot.named.size} and here != spot.named.size:
            case = LENGTH(there=spot.named.size, here=here, right=_right(subject, spot.named.tool))
            said.append(_Said(case, spot.named.at, spot.region, "env"))
    yield from _together(said)


def _sector_values(*, told: str, what: str, erase: int, right: str) -> None: ...


SECTOR = Rule(
    name="environment-sector-size-differs",
    follows=("environment-copies-share-erase-block", "erase-block-does-not-fit-map"),
    severity=Severity.ERROR,
    values=_sector_values,
    message="{copies} erases {region} {told}; {what}",
    effect="The erase is refused and nothing is saved, or it takes more than the environment.",
    fix="Give the erase block of {erase:bytes}, {erase:place}, and as many as {region} needs"
    "{right}.",
    computed="the sector size (of a line of fw_env.config that leaves it out: on NAND, or with a"
    " number of sectors, the environment's size) is no multiple of the erase block there, or"
    " sectors x size is below the environment or above the region; a warning for another multiple",
    sources=(
        in_u_boot("tools/env/fw_env.c", "flash_write_buf"),
        in_u_boot(
            "tools/env/fw_env.c",
            "check_device_config",
            "Assume the erase size is the same as the env-size",
        ),
        in_u_boot("env/Kconfig", "ENV_SECT_SIZE"),
        in_linux("drivers/mtd/spi-nor/core.c", "spi_nor_erase", "return -EINVAL;"),
    ),
    bad=_tool(_TOOL.replace("0x10000\n", "0x1000\n")),
    good=_tool(),
)


@check(SECTOR)
def environment_sector(subject: Subject) -> Outcome:
    layout = subject.layout
    if layout is None:
        return
    said = []
    for spot in _spots(subject):
        chip, named = layout.chips[spot.region.chip], spot.named
        if not named.sector or not chip.kind.mtd or not spot.right:
            continue
        erase = chip.erase_unit(spot.region.at)
        size = named.size or 0
        count = named.sectors or -(-size // named.sector)
        whole = named.sector * count
        severity = None
        what = f"the erase block there has {erase:,} bytes"
        if named.sector % erase == 0:
            if whole > spot.region.size:
                what = f"that is more than its {spot.region.size:,} bytes"
            elif whole < size:
                what = f"that is less than the environment's {size:,} bytes"
            elif named.sector != erase:
                severity = Severity.WARNING
            else:
                continue
        case = SECTOR(
            told=f"in {counted(count, 'block')} of {named.sector:,} bytes",
            what=what,
            erase=erase,
            right=_right(subject, named.tool),
        )
        said.append(_Said(case, named.at, spot.region, "size", severity))
    yield from _together(said)


def _pair_values(*, there: str, here: str, right: str) -> None: ...


PAIR = Rule(
    name="environment-pair-differs",
    severity=Severity.ERROR,
    values=_pair_values,
    message="{copies} has {there} of the environment, the layout has {here}",
    effect=(
        "With one copy the CRC is followed by the data, with two by a flag byte: each side takes"
        " what the other wrote for bad."
    ),
    fix="Give fw_env.config a line for each copy, and U-Boot CONFIG_SYS_REDUNDAND_ENVIRONMENT"
    " (CONFIG_ENV_REDUNDANT in newer ones) where there are two{right}.",
    computed="two lines or redundancy on one side, one copy on the other",
    sources=(
        in_u_boot(
            "tools/env/fw_env.config",
            says="Up to two entries are valid, in this case the redundant environment sector is"
            " assumed present.",
        ),
        in_u_boot("tools/env/fw_env.c", "get_config", "have_redund_env = i - 1;"),
        in_u_boot("env/Kconfig", "SYS_REDUNDAND_ENVIRONMENT"),
        memory("U-Boot 2025.10", "env/Kconfig", "ENV_REDUNDANT"),
    ),
    bad=_tool(_TOOL.partition("\n")[0] + "\n"),
    good=_tool(),
)
_COUNTS: Mapping[bool, str] = {False: "one copy", True: "two copies"}


@check(PAIR)
def environment_pair(subject: Subject) -> Outcome:
    both = known(subject)
    if both is None:
        return
    layout, copies = both
    regions = _environments(layout)
    surveyed = any(rescue.env_copies for rescue in subject.rescues.values())
    # The survey of a ramdisk looks at the lines of its own file.
    says = [
        (tool.place, tool.says.redundant, _right(subject, tool))
        for tool in _tools(subject)
        if tool.says.locations and not (surveyed and tool is copies.flash_tool_config)
    ]
    if copies.uboot_config is not None and copies.uboot_config.says.environment_size is not None:
        config = copies.uboot_config
        says.append((config.place, config.says.redundant_environment, ""))
    yield from _together(
        _Said(
            PAIR(there=_COUNTS[redundant], here=_COUNTS[len(regions) > 1], right=right),
            where,
            regions[-1],
            "env",
        )
        for where, redundant, right in says
        if regions and redundant != (len(regions) > 1)
    )


def _decimal_values(*, line: str, base: str) -> None: ...


DECIMAL = Rule(
    name="flash-tool-offset-without-prefix",
    severity=Severity.WARNING,
    values=_decimal_values,
    message="{copies}: the offset in {line!r} has no 0x, so it is read as {base}",
    effect="The size and the sector size beside it are always hex: people read the offset so too.",
    fix="Write it with 0x.",
    computed="an offset other than 0 that is written without 0x; with a 0 in front it is octal",
    sources=(in_u_boot("tools/env/fw_env.c", "get_config", "%ms %lli %lx %lx %lx"),),
    bad=_tool(_TOOL.replace("mtd1 0x0", "mtd1 65536")),
    good=_tool(),
)


@check(DECIMAL)
def offset_without_prefix(subject: Subject) -> Outcome:
    both = known(subject)
    for tool in _tools(subject):
        for line in tool.says.decimal:
            yield finding(
                DECIMAL(
                    line=" ".join(line.text.split()),
                    base="octal" if line.text.split()[1].startswith("0") else "decimal",
                ),
                [tool.place.of(line)],
                region=tool.place.region,
                chip=next(iter(both[0].chips.values())) if both else None,
            )


def _loader_values(*, there: int) -> None: ...


LOADER = Rule(
    name="boot-loader-offset-differs",
    stops=True,
    severity=Severity.ERROR,
    values=_loader_values,
    message="{copies} has U-Boot itself at {there:place}; in the layout no region of {chip} starts"
    " there",
    effect="SPL loads something else than U-Boot, and stops or jumps into it: the board does not"
    " start.",
    fix="Set it to where the layout has U-Boot, or correct the layout.",
    computed="the offset (sectors x 512 on an eMMC) is not at + file-at of any region; where a"
    " device tree says u-boot,spl-payload-offset, which comes first on SPI, it is not judged",
    sources=(
        in_u_boot("common/spl/spl_spi.c", "spl_spi_load_image", "u-boot,spl-payload-offset"),
        in_u_boot("common/spl/Kconfig", "SYS_MMCSD_RAW_MODE_U_BOOT_SECTOR"),
        in_u_boot("common/spl/Kconfig", "SYS_SPI_U_BOOT_OFFS"),
    ),
    bad=_config(SPL="y", SYS_SPI_U_BOOT_OFFS="0x8000"),
    good=_config(SPL="y", SYS_SPI_U_BOOT_OFFS="0x0"),
)


def _moves_loader(tree: FdtFacts) -> bool:
    config = tree.tree.get("/config")
    return config is not None and "u-boot,spl-payload-offset" in config.properties


@check(LOADER)
def loader_offset(subject: Subject) -> Outcome:
    both = known(subject)
    if both is None or both[1].uboot_config is None:
        return
    layout, copies = both
    config = copies.uboot_config
    for medium, names, offset in (
        (
            (Medium.SPI_NOR, ("SYS_SPI_U_BOOT_OFFS",), config.says.spl_uboot_offset),
            (
                Medium.MMC,
                ("SPL_SYS_MMCSD_RAW_MODE_U_BOOT_SECTOR", "SYS_MMCSD_RAW_MODE_U_BOOT_SECTOR"),
                config.says.spl_uboot_mmc_offset,
            ),
        )
        if config is not None
        else ()
    ):
        symbol = config.says.config.find(*names) if config is not None else None
        chips = [chip for chip in layout.chips.values() if chip.kind.medium == medium.value]
        if config is None or symbol is None or offset is None or len(chips) != 1:
            continue
        if medium is Medium.SPI_NOR and any(
            _moves_loader(tree.says) for tree in both[1].device_trees
        ):
            continue
        regions = [region for region in layout.regions if region.chip == chips[0].name]
        places = {region.at + region.file_at for region in regions}
        # One file may have SPL and U-Boot.
        places |= {
            (node.start or 0) + node.facts.follows.start
            for node in subject.of(FirstStage)
            if node.chip is chips[0] and node.facts.follows is not None
        }
        if offset not in places:
            yield finding(LOADER(there=offset), [config.place.of(symbol.at)], chip=chips[0])
