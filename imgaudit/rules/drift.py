"""The map of a SPI-NOR as device trees and mtdparts repeat it, held against the layout."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace

from imgaudit import bounds
from imgaudit.formats.fdt import FdtFacts
from imgaudit.maps.collect import OWN_TREE, Copies, Place
from imgaudit.maps.device_tree import flash_nodes
from imgaudit.maps.entry import Kind, Medium
from imgaudit.model import Layout, Region, Writer
from imgaudit.patterns import regex
from imgaudit.rules._map import (
    COPIED,
    Copied,
    Row,
    Table,
    agreeing,
    finding,
    grouped,
    known,
    tables,
)
from imgaudit.rules.cited import PRACTICE, in_linux, in_u_boot, standard
from imgaudit.rules.engine import Cause, Example, Outcome, Rule, Severity, check, nothing
from imgaudit.rules.examples import nor
from imgaudit.rules.kinds import REGIONS, There
from imgaudit.rules.subject import Subject
from imgaudit.units import KIB, Span, overlapping
from imgaudit.writers.env import environment
from imgaudit.writers.fdt import Tree, fdt

_REGIONS = (
    "name: firmware, at: 0, size: 128 KiB",
    "name: settings, at: 128 KiB, size: 64 KiB, writer: runtime",
    "name: recovery, at: 256 KiB, size: 768 KiB",
)
_SHOWN = 4
_KERNELS = frozenset({Kind.DEVICE_TREE, Kind.MTDPARTS})  # that a kernel reads its partitions from
_MOST_PAIRS = 256  # of one table; a map that is so wrong is not mended pair by pair
# U-Boot's commands that take a partition's name.
_BY_NAME = frozenset({"mtd", "ubi", "nand", "chpart", "sf"})
_IN_ARGUMENTS = regex(r"(?:ubi\.mtd=|root=mtd:|mtd:)([^\s,;:]+)")
_MAP = "spi0.0:128k(firmware)ro,64k(settings),768k@256k(recovery)"


def _mtdparts(text: str = _MAP, *regions: str) -> Example:
    return nor(*(regions or _REGIONS), rest=f"written-elsewhere: {{mtdparts: '{text}'}}\n")


def _tree(**changes: Tree) -> Example:
    partitions: Tree = {
        "compatible": "fixed-partitions",
        "#address-cells": 1,
        "#size-cells": 1,
        "partition@0": {"label": "firmware", "reg": (0, 0x20000), "read-only": True},
        "partition@20000": {"label": "settings", "reg": (0x20000, 0x10000)},
        "partition@40000": {"label": "recovery", "reg": (0x40000, 0xC0000)},
    }
    partitions |= {name.replace("_", "@"): node for name, node in changes.items()}
    partitions = {name: value for name, value in partitions.items() if value != {}}
    flash: Tree = {"compatible": "jedec,spi-nor", "reg": 0, "partitions": partitions}
    bus: Tree = {"#address-cells": 1, "#size-cells": 0, "flash@0": flash}
    tree: Tree = {"compatible": "example,gauge", "aliases": {"spi0": "/spi@0"}, "spi@0": bus}
    return nor(
        *_REGIONS,
        rest="written-elsewhere: {device-tree: gauge.dtb}\n",
        files={"gauge.dtb": lambda: fdt(tree)},
    )


def _paired(subject: Subject) -> Iterator[tuple[Row, Region]]:
    for table in tables(subject):
        for row in table.rows:
            if row.region is not None and row.entry.parent is None:
                yield row, row.region


def _offset_values(*, there: int, here: int, also: str) -> None: ...


OFFSET = Rule(
    name="map-offset-differs",
    severity=Severity.ERROR,
    values=_offset_values,
    message="{region} starts at {there:place} in {copies}, but at {here:place} in the layout{also}",
    effect="What one of them writes, the others look for at another place.",
    fix="Make all copies say the same; {region} is at {here:place} by the layout.",
    moves=True,
    computed="the entry that has the region's label starts elsewhere",
    sources=(
        in_linux("drivers/mtd/parsers/ofpart_core.c", "parse_fixed_partitions"),
        in_linux("drivers/mtd/parsers/cmdlinepart.c", "newpart"),
    ),
    bad=_mtdparts(_MAP.replace("@256k", "@192k")),
    good=_mtdparts(),
)


@check(OFFSET, over=COPIED)
def map_offset(found: Copied) -> Outcome:
    region = found.region
    placed = [(row.span.start, row) for row in found.rows if row.span is not None]
    also = agreeing(sum(start == region.at for start, _ in placed))
    for start, rows in grouped(pair for pair in placed if pair[0] != region.at).items():
        yield finding(
            OFFSET(there=start, here=region.at, also=also),
            [row.place for row in rows],
            region=region,
            key="at",
        )


def _size_values(*, there: int, here: int, also: str) -> None: ...


SIZE = Rule(
    name="map-size-differs",
    severity=Severity.ERROR,
    values=_size_values,
    message="{region} has {there:bytes} in {copies}, but {here:bytes} in the layout{also}",
    effect="What fills the larger one does not fit the smaller, or is erased with what follows.",
    fix="Make all copies say the same; {region} has {here:bytes} by the layout.",
    moves=True,
    computed="the entry that has the region's label has another size; a size of 0 in a device tree,"
    " or - in mtdparts, reaches to the end of the smallest approved part",
    sources=(
        in_linux("drivers/mtd/parsers/ofpart_core.c", "parse_fixed_partitions"),
        in_linux("drivers/mtd/parsers/cmdlinepart.c", "SIZE_REMAINING"),
    ),
    bad=_mtdparts(_MAP.replace("768k", "704k")),
    good=_mtdparts(_MAP.replace("768k@256k", "-@256k")),
)


@check(SIZE, over=COPIED)
def map_size(found: Copied) -> Outcome:
    region = found.region
    sized = [
        (row.span.size, row)
        for row in found.rows
        if row.span is not None
        # A writer that takes less than the whole region is no second map of it.
        and (row.span.size == region.size or not _of_a_file(row, region))
    ]
    also = agreeing(sum(size == region.size for size, _ in sized))
    for size, rows in grouped(pair for pair in sized if pair[0] != region.size).items():
        yield finding(
            SIZE(there=size, here=region.size, also=also),
            [row.place for row in rows],
            region=region,
            key="size",
        )


def _label_values(*, differences: str, happens: str, label: str, also: str) -> None: ...


LABEL = Rule(
    name="map-label-differs",
    renames=True,
    severity=Severity.ERROR,
    values=_label_values,
    message="{copies}: {differences}",
    effect="{happens}.",
    fix="Call it {label!r} there{also}.",
    computed="the entry with the region's bytes has another label: an error where a script, the"
    " kernel command line or fw_env.config looks the layout's label up, else one warning for all",
    sources=(PRACTICE,),
    bad=_mtdparts(_MAP.replace("settings", "env")),
    good=_mtdparts(),
)


@check(LABEL)
def map_label(subject: Subject) -> Outcome:
    wrong = grouped(
        ((region.name, row.entry.label), row)
        for row, region in _paired(subject)
        if row.entry.named and row.entry.label not in region.labels
    )
    used = looked_up(subject)
    idle: list[tuple[Region, str, list[Row]]] = []
    for (_, label), rows in wrong.items():
        region = rows[0].region
        if region is None:
            continue
        # What looks up the copy's own name finds it.
        if not used & set(region.labels):
            idle.append((region, label, rows))
            continue
        yield finding(
            LABEL(
                differences=_renamed(region, label),
                happens="What looks it up by its label finds nothing, and the command fails",
                label=region.label,
                also="",
            ),
            [row.place for row in rows],
            region=region,
            key="label",
        )
    if idle:
        region = idle[0][0]
        yield finding(
            LABEL(
                differences="; ".join(_renamed(item, label) for item, label, _ in idle[:_SHOWN])
                + (f" and {len(idle) - _SHOWN} more" if len(idle) > _SHOWN else ""),
                happens="Nothing today: nothing that is known looks the layout's label up; people"
                " take one for another",
                label=region.label,
                also=", or give the layout the other label too (labels: takes several)",
            ),
            [row.place for _, _, rows in idle for row in rows],
            region=region,
            key="label",
            severity=Severity.WARNING,
        )


def _renamed(region: Region, label: str) -> str:
    return f"{region.name} is called {label!r} there, but {region.label!r} in the layout"


def looked_up(subject: Subject) -> set[str]:
    """Give the names of partitions that something looks up: scripts, command lines, fw_env.config.

    Source: U-Boot doc/usage/cmd/mtd.rst, cmd/ubi.c (`ubi part`) and cmd/nand.c; Linux
    drivers/mtd/ubi/build.c (`ubi.mtd=`), init/do_mounts.c and fs/jffs2 (`root=mtd:NAME`).
    """
    words: set[str] = set()
    for followed in subject.boots.followed.values():
        for operation in followed.walk.operations:
            if operation.arguments[:1] and operation.arguments[0] in _BY_NAME:
                words.update(operation.arguments[1:])
        for boot in followed.walk.boots:
            words.update(_IN_ARGUMENTS.findall(boot.arguments or ""))
    if subject.copies is not None:
        for line in subject.copies.command_lines:
            words.update(_IN_ARGUMENTS.findall(line.says.text))
        tool = subject.copies.flash_tool_config
        words.update(at.name for at in (tool.says.locations if tool else ()) if at.name)
    return words


def _missing_values(*, size: int, start: int, also: str) -> None: ...


MISSING = Rule(
    name="map-region-missing",
    severity=Severity.WARNING,
    values=_missing_values,
    message="{region} is in the layout{also}, but not in {copies}",
    effect="Who goes by that copy has no name for these bytes, and may take them for free.",
    fix="Add {region} there: {size:bytes} at {start:place}.",
    computed="no entry has the region's label, its bytes or its start",
    sources=(PRACTICE,),
    bad=_mtdparts(_MAP.replace("64k(settings),", "")),
    good=_mtdparts(),
)


def _by_chip(subject: Subject) -> dict[str, list[Table]]:
    """Give the whole tables of each chip but U-Boot's own tree: it names what its scripts need."""
    found: dict[str, list[Table]] = {}
    for table in tables(subject):
        if table.copy.place.carrier != OWN_TREE and not table.copy.says.partial:
            found.setdefault(table.chip.name, []).append(table)
    return found


@check(MISSING, over=REGIONS, given=_by_chip)
def map_region_missing(found: There, by_chip: dict[str, list[Table]]) -> Outcome:
    region, there = found.region, by_chip.get(found.region.area, [])
    without = [
        table
        for table in there
        if table.row(region) is None
        # A description of a disk has what its table has; others may write what is beside it.
        and (region.partition is not None or not table.copy.says.table)
    ]
    if without:
        yield finding(
            MISSING(size=region.size, start=region.at, also=agreeing(len(there) - len(without))),
            [table.copy.place for table in without],
            region=region,
        )


def _unknown_values(label: str, *, size: str, start: str, over: str) -> None: ...


UNKNOWN = Rule(
    name="map-region-unknown",
    severity=Severity.WARNING,
    values=_unknown_values,
    message="{copies}: {label} ({size} at {start}) is in no region of the layout{over}",
    effect=(
        "Anyone using that copy may overwrite flash that the layout calls free or gives "
        "to another region."
    ),
    fix="Add it to the layout, or take it out of the copy.",
    computed="an entry of the chip with no region's label, bytes or start; one that is the whole"
    " chip, or part of an entry that is known, is left out",
    sources=(PRACTICE,),
    bad=_mtdparts(_MAP.replace("64k(settings),", "64k(settings),64k(logs),")),
    good=_mtdparts(),
)


@check(UNKNOWN)
def map_region_unknown(subject: Subject) -> Outcome:
    layout = subject.layout
    rows = (
        ((row.table.chip.name, row.entry.label, row.span), row)
        for table in tables(subject)
        for row in table.rows
        if row.region is None
        and row.entry.parent is None
        and not (_whole(row) or _inside(row, layout))
    )
    for (chip, label, span), same in grouped(rows).items():
        regions = layout.regions_on(chip) if layout is not None else []
        over = [region.name for region in regions if span and region.span.overlaps(span)]
        yield finding(
            UNKNOWN(
                label=label,
                size=f"{span.size:,} bytes" if span else "size unknown",
                start=f"{span.start:#x}" if span else "an unknown place",
                over=f", and reaches into {', '.join(over)}" if over else "",
            ),
            [row.place for row in same],
            chip=same[0].table.chip,
        )


def _of_a_file(row: Row, region: Region) -> bool:
    """Tell whether an entry's size is that of what is written into a region, not of a partition."""
    says = row.table.copy.says
    some = says.partial or (bool(says.table) and row.entry.number is None)
    return some and row.span is not None and region.span.contains(row.span)


def _inside(row: Row, layout: Layout | None) -> bool:
    """Tell whether a writer of single things writes inside one region."""
    if layout is None or not row.table.copy.says.partial or row.span is None:
        return False
    regions = layout.regions_on(row.table.chip.name)
    return any(region.span.contains(row.span) for region in regions)


def _whole(row: Row) -> bool:
    return row.span is not None and row.span.start == 0 and row.span.end >= row.table.chip.size


def _overlap_values(label: str, other: str, *, size: int, start: int, how: str) -> None: ...


OVERLAP = Rule(
    name="map-overlap-inside-copy",
    follows=("map-offset-differs", "map-size-differs", "regions-overlap"),
    severity=Severity.ERROR,
    values=_overlap_values,
    message="{copies}: {label} and {other} share {size:bytes} from {start:place}{how}",
    effect="Writing one destroys the other; neither Linux nor U-Boot says a word.",
    fix="End {label} before {other} starts, or take one of them out.",
    computed="two entries have a byte in common; a warning where one lies inside the other, a note"
    " where one is the whole chip",
    sources=(
        in_linux(
            "drivers/mtd/parsers/cmdlinepart.c", says="in physical memory and may even overlap."
        ),
    ),
    bad=_mtdparts(_MAP.replace("128k(firmware)", "192k(firmware)").replace("64k(s", "64k@128k(s")),
    good=_mtdparts(),
)


def _region(row: Row) -> str | None:
    return None if row.region is None else row.region.name


@check(OVERLAP)
def map_overlap(subject: Subject) -> Outcome:
    pairs = []
    for table in tables(subject):
        rows = [row for row in table.rows if row.span is not None and row.entry.parent is None]
        shared = bounds.within(
            overlapping(rows, lambda row: row.span or Span(0, 0)),
            _MOST_PAIRS,
            table.copy.place.inside,
            "pairs that overlap",
        )
        pairs += [
            ((row.entry.label, other.entry.label, row.span, other.span, _region(other)), row)
            for row, other in shared
        ]
    for (label, other, one, two, beyond), same in grouped(pairs).items():
        if one is None or two is None:
            continue
        common = one.common(two)
        inside = one != two and common in {one, two}
        chip = same[0].table.chip
        whole = inside and max(one.size, two.size) >= chip.size
        said = finding(
            OVERLAP(
                label=label,
                other=other,
                size=common.size,
                start=common.start,
                how=": one is the whole chip" if whole else ": one lies inside the other" * inside,
            ),
            [row.table.copy.place for row in same],
            region=same[0].region,
            chip=chip,
            severity=Severity.NOTE if whole else Severity.WARNING if inside else None,
        )
        causes = (Cause(frozenset(OVERLAP.follows), region=beyond),) if beyond else ()
        yield replace(said, causes=(*said.causes, *causes))


def _unit_values(*, name: int, start: int, hex: str) -> None: ...


UNIT = Rule(
    name="map-unit-address-differs",
    severity=Severity.NOTE,
    values=_unit_values,
    message="{copies}: the node's name says {name:place}, its reg {start:place}",
    effect="People and scripts that read the name look at another place; Linux goes by reg.",
    fix="Rename the node to partition@{hex}.",
    computed="the unit address is not the reg's first value, nor the node's number in the list",
    sources=(
        in_linux("drivers/mtd/parsers/ofpart_core.c", "parse_fixed_partitions"),
        standard(
            "Devicetree Specification 0.4",
            "2.2.1.1",
            copy=in_u_boot(
                "scripts/dtc/checks.c",
                "check_simple_bus_reg",
                "unit address format error, expected",
            ),
        ),
    ),
    bad=_tree(partition_40000={}, partition_50000={"label": "recovery", "reg": (0x40000, 0xC0000)}),
    good=_tree(),
)


@check(UNIT)
def map_unit_address(subject: Subject) -> Outcome:
    wrong = []
    for table in tables(subject):
        for number, row in enumerate(table.rows):
            unit, offset = row.entry.unit_address, row.entry.offset
            if unit in {None, offset, number} or offset is None or row.entry.parent is not None:
                continue
            wrong.append(((unit, offset), row))
    for (unit, offset), rows in grouped(wrong).items():
        yield finding(
            UNIT(name=unit, start=offset, hex=f"{offset:x}"),
            [row.place for row in rows],
            region=rows[0].region,
            chip=rows[0].table.chip,
        )


def _refused_values(*, why: str) -> None: ...


REFUSED = Rule(
    name="map-copy-refused",
    severity=Severity.ERROR,
    values=_refused_values,
    message="{copies}: {why}",
    effect="Linux makes no partition at all of that copy; at most a line of its log says so.",
    fix="Correct it; every entry counts.",
    computed="an entry of the table, or the list as a whole, is not what its parser takes",
    sources=(
        in_linux(
            "drivers/mtd/parsers/ofpart_core.c",
            "parse_fixed_partitions",
            "%s: error parsing ofpart partition %pOF (%pOF)",
        ),
        in_linux("drivers/mtd/parsers/cmdlinepart.c", "newpart"),
    ),
    bad=_mtdparts(_MAP.replace("768k@256k", "768k@256k)")),
    good=_mtdparts(),
)


@check(REFUSED)
def map_refused(subject: Subject) -> Outcome:
    both = known(subject)
    if both is None:
        return
    layout, copies = both
    wrong: dict[str, list[Place]] = {}
    for copy in copies.refused:
        wrong.setdefault(copy.says, []).append(copy.place)
    for table in copies.maps:
        if not table.says.in_use:
            wrong.setdefault("; ".join(table.says.notes), []).append(table.place)
    chip = next(iter(layout.chips.values()), None)
    for why, places in wrong.items():
        yield finding(REFUSED(why=why), places, region=places[0].region, chip=chip)


def _environment(text: str = _MAP, **variables: str) -> Example:
    """Give an environment with this mtdparts and mtdids that fit it."""
    names = {"mtdids": "nor0=spi0.0", "mtdparts": f"mtdparts={text},64k@192k(env)"} | variables
    return nor(
        *_REGIONS,
        "name: env, at: 192 KiB, size: 64 KiB, writer: runtime, holds: uboot-env, file: u-boot.env,"
        " env: {size: 8 KiB}",
        files={"u-boot.env": lambda: environment(names, 8 * KIB, None)},
    )


def _id_values(who: str, *, there: str, here: str) -> None: ...


ID = Rule(
    name="mtd-id-mismatch",
    severity=Severity.ERROR,
    values=_id_values,
    message="the list in {copies} is for {there!r}; {who} {here}",
    effect="The list is for a device that is not there, and no partition is made: U-Boot says"
    ' "invalid mtd device", Linux says nothing.',
    fix="Write the name that is there before the colon, or correct the other side.",
    computed="the name before the list's colon is no MTD name in mtdids or, where the kernel gets"
    " the list, not what Linux calls the flash: its label, or spi, the bus number of its alias and"
    " its chip select",
    sources=(
        in_linux(
            "drivers/mtd/parsers/cmdlinepart.c",
            "parse_cmdline_partitions",
            "if ((!mtd_id) || (!strcmp(part->mtd_id, mtd_id)))",
        ),
        in_linux("drivers/mtd/spi-nor/core.c", "spi_nor_scan"),
        in_u_boot("cmd/mtdparts.c", "device_parse", "invalid mtd device '%.*s'"),
    ),
    bad=_environment(mtdids="nor0=spi1.0"),
    good=_environment(),
)


@check(ID)
def mtd_id(subject: Subject) -> Outcome:
    both = known(subject)
    if both is None:
        return
    _, copies = both
    linux = sorted({name for tree in copies.device_trees for name in _linux_names(tree.says)})
    passed = any(
        _PASSES.search(value)
        for copy in copies.environments
        for value in copy.says.variables.values()
    )
    wrong: dict[tuple[str, str, str], list[Row]] = {}
    for table in tables(subject):
        place, device = table.copy.place, table.copy.says.device
        if table.copy.says.kind is not Kind.MTDPARTS or not table.rows:
            continue
        ids = [copy.says for copy in copies.ids if _beside(copy.place, place)]
        if ids and not any(device in known_ids.values() for known_ids in ids):
            names = " and ".join(sorted({name for pairs in ids for name in pairs.values()}))
            wrong.setdefault((device, "mtdids has", names), []).append(table.rows[0])
        elif linux and device not in linux and (passed or _for_kernel(copies, place)):
            wrong.setdefault((device, "Linux calls the flash", " or ".join(linux)), []).append(
                table.rows[0]
            )
    for (device, who, here), rows in wrong.items():
        places = [row.table.copy.place for row in rows]
        chip = rows[0].table.chip
        yield finding(
            ID(there=device, who=who, here=here), places, region=places[0].region, chip=chip
        )


# A script that gives the kernel the list that U-Boot has.
_PASSES = regex(r"bootargs.*\$\{?mtdparts\b")


def _for_kernel(copies: Copies, place: Place) -> bool:
    """Tell whether a list stands where the kernel gets it, not in what only U-Boot goes by."""
    _, told, variable = place.spot.partition("variable ")
    values = [copy.says.variables.get(variable, "") for copy in copies.environments]
    return not told or any("bootargs" in f"{variable} {value}" for value in values)


def _beside(one: Place, other: Place) -> bool:
    """Tell whether two places are in the same environment or configuration."""
    inside = (place.spot.partition("variable ")[0].partition("line ")[0] for place in (one, other))
    return one.name == other.name and len(set(inside)) == 1


def _linux_names(facts: FdtFacts) -> Iterator[str]:
    """Give the MTD names that Linux gives to the SPI-NORs of a tree, where the tree tells them."""
    aliases = facts.tree.get("/aliases")
    buses = {
        value: name.removeprefix("spi")
        for name in (aliases.properties if aliases else ())
        if re.fullmatch(r"spi\d+", name)
        for value in (aliases.text(name) if aliases else None,)
    }
    for flash in flash_nodes(facts.tree):
        if flash.medium is not Medium.SPI_NOR or flash.disabled_by:
            continue
        yield from flash.names
        bus = buses.get(flash.node.path.rpartition("/")[0])
        select = flash.node.u32s("reg")
        if bus is not None and select and not flash.names:
            yield f"spi{bus}.{select[0]}"


def _read_only_values(*, why: str) -> None: ...


READ_ONLY = Rule(
    name="map-read-only-missing",
    severity=Severity.WARNING,
    values=_read_only_values,
    message="{region} is writable in {copies}, but {why}",
    effect="A mistyped number after flashcp, or a wrong partition number, overwrites it.",
    fix="Mark {region} read-only (device tree) or ro (mtdparts).",
    computed="the entry of a region that only the factory writes, or that the boot ROM or TF-A"
    " starts from, has no such flag",
    sources=(
        in_linux("Documentation/devicetree/bindings/mtd/partitions/partition.yaml", "read-only"),
    ),
    bad=_mtdparts(_MAP.replace(")ro", ")")),
    good=_mtdparts(),
)


@check(READ_ONLY, over=COPIED)
def map_read_only(found: Copied) -> Outcome:
    why = _precious(found.region)
    places = [
        row.place
        for row in found.rows
        if row.table.copy.says.kind in _KERNELS and not row.entry.read_only
        if row.table.copy.place.carrier != OWN_TREE
    ]
    if why and places:
        yield finding(READ_ONLY(why=why), places, region=found.region, key="writer")


def _precious(region: Region) -> str:
    if region.writer is Writer.FACTORY:
        return "only the factory writes it"
    if region.writer is Writer.RELEASE and (region.at == 0 or region.holds == "fip"):
        return "the board starts from it"
    return ""


FORBIDS = Rule(
    name="map-read-only-forbids-writing",
    severity=Severity.ERROR,
    values=nothing,
    message="{copies}: {region} is read-only, but is written at run time",
    effect="Every write fails, that of fw_setenv too: settings cannot be changed from Linux.",
    fix="Take read-only (device tree) or ro (mtdparts) off {region}.",
    computed="the entry of a region with writer: runtime has the flag",
    sources=(
        in_linux(
            "drivers/mtd/mtdpart.c",
            "allocate_partition",
            "child->part.flags = parent->flags & ~part->mask_flags;",
        ),
        in_linux("drivers/mtd/parsers/ofpart_core.c", "parse_fixed_partitions", "MTD_WRITEABLE"),
    ),
    bad=_mtdparts(_MAP.replace("(settings)", "(settings)ro")),
    good=_mtdparts(),
)


@check(FORBIDS, over=COPIED)
def map_forbids(found: Copied) -> Outcome:
    places = [row.place for row in found.rows if row.entry.read_only]
    if places and found.region.writer is Writer.RUNTIME:
        yield finding(FORBIDS(), places, region=found.region, key="writer")
