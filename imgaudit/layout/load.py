"""The layout file: YAML to model, with every problem at once, each at its line and column.

The tables below are the format: the loader and the JSON Schema both come from them.
"""

from __future__ import annotations

import hashlib
import itertools
import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

import yaml

from imgaudit.chips import KINDS, SPI_NOR, ChipKind
from imgaudit.errors import AuditError, LayoutError, close
from imgaudit.files import ArtifactError, nearby, read_regular
from imgaudit.layout import variants
from imgaudit.layout.keys import (
    Day,
    Either,
    Key,
    ListOf,
    Named,
    Number,
    OneOf,
    OrWord,
    PartitionType,
    Percent,
    Reading,
    Size,
    Table,
    Text,
    Values,
    alternatives,
    pairs,
    suggested,
)
from imgaudit.layout.placing import REST, Placing
from imgaudit.model import (
    ARCHITECTURES,
    FACTORY,
    HOLDS,
    SECTOR,
    UNPACKED,
    VOLUMES,
    Accept,
    Act,
    BlockProtect,
    Chip,
    Elsewhere,
    EnvironmentShape,
    EraseRun,
    KeepFree,
    Layout,
    MemoryRange,
    Must,
    Needs,
    Policy,
    Region,
    Slot,
    Stage,
    Update,
    UpdateStep,
    Waiver,
    Where,
    Writer,
    volumes_in,
)
from imgaudit.units import Span, both, place

MOST_BYTES = 1 << 20
MOST_DEPTH = 24
NAME = r"[A-Za-z0-9][A-Za-z0-9_.+-]*"
_name = Text(NAME, "a name of letters, digits and - _ . +")
_reason = Text(r"[\s\S]*\S[\s\S]*", "a reason")
_file = Text(what="a path inside the artifacts folder")

_ERASE_RUN = Table(
    (
        Key(
            "count", Number(1, 1 << 24), "How many erase blocks of this size follow.", required=True
        ),
        Key("size", Size(1), "Size of each of these erase blocks.", required=True),
    )
)
_PROTECT = Table(
    (
        Key("bits", Number(1, 4), "How many block-protect (BP) bits the flash has.", required=True),
        Key("end", OneOf(("top", "bottom")), "Which end the bits protect from.", required=True),
        Key("covers", Size(), "Bytes that the board is set to protect.", required=True),
    )
)


def _guessed(keys: Iterable[Key]) -> Key:
    return Key(
        "guessed",
        ListOf(OneOf(tuple(key.name for key in keys if key.name != "name")), alone=True, least=1),
        "Keys here whose values are guesses. No audit passes until they are looked up, and this key"
        " is deleted.",
    )


_GEOMETRY = (
    Key(
        "size",
        ListOf(Size(1), alone=True, least=1),
        "Size, or the sizes of the approved parts.",
    ),
    Key(
        "sectors",
        ListOf(Number(1), alone=True, least=1),
        "eMMC, SD: sectors of 512 bytes (an eMMC's SEC_COUNT), or those of the approved parts.",
    ),
    Key("erase-block", Size(1), "Flash: size of every erase block that writers use."),
    Key(
        "erase-map",
        ListOf(_ERASE_RUN, least=1),
        "Flash: runs of erase blocks, from offset 0.",
    ),
    Key(
        "page",
        Size(1),
        "Flash: program page; 256 (NOR) or 2048 (NAND) bytes where not given.",
    ),
    Key("spare", Size(1), "NAND: spare (OOB) bytes of each page."),
    Key(
        "bad-blocks",
        Percent(),
        "NAND: how much of it may be bad, by the datasheet; 20 blocks of 1024 unless said.",
    ),
    Key(
        "address-bytes",
        OneOf(("3", "4")),
        "SPI-NOR: address bytes that the boot ROM and U-Boot send.",
    ),
    Key(
        "four-byte-mode",
        OneOf(("opcodes", "stateful")),
        "SPI-NOR above 16 MiB: own 4-byte opcodes, or a mode that outlives a warm reset.",
    ),
    Key("reset-pin", OneOf(("wired", "not-wired")), "SPI-NOR: is the flash reset with the SoC?"),
    Key("block-protect", _PROTECT, "SPI-NOR: what its block-protect bits are set to cover."),
    Key("sfdp", _file, "SPI-NOR: JESD216 dump; must tell the same geometry."),
    Key("align", Size(1), "eMMC, SD: every partition start must be a multiple of this."),
    Key("boot-area", Size(1), "eMMC: size of boot0 and of boot1."),
    Key("rpmb", Size(1), "eMMC: size of the replay-protected area."),
    Key(
        "general-areas",
        ListOf(Size(1), least=1, most=4),
        "eMMC: sizes of the general purpose areas gp1 to gp4.",
    ),
    Key("erase-group", Size(1), "eMMC: erase group."),
    Key("write-protect-group", Size(1), "eMMC: write-protect group."),
    Key("ext-csd", _file, "eMMC: EXT_CSD register dump; must tell the same geometry."),
)


def _any_of(*keys: str) -> dict[str, Any]:
    return {"anyOf": [{"required": [key]} for key in keys]}


def _not_both(one: str, other: str) -> dict[str, Any]:
    return {"not": {"required": [one, other]}}


def _of_kind(kind: ChipKind) -> dict[str, Any]:
    """Say what the loader asks of a chip of one kind, and of each of its parts."""
    owned = {key for other in KINDS.values() for key in other.keys}
    foreign = dict.fromkeys(sorted(owned - kind.keys), False)
    parts = {"parts": {"items": {"properties": foreign}}} if foreign else {}
    then: dict[str, Any] = {
        "properties": foreign | {"table": {"enum": list(kind.tables)}} | parts,
    }
    if kind.mtd:
        then |= _any_of("erase-block", "erase-map", "parts")
    return {"if": {"properties": {"kind": {"const": kind.word}}}, "then": then}


_NOT_OF_VOLUMES = ("at", "after", "file-at", "partition", "type", "bootable")
_AREAS = ("boot0", "boot1", "rpmb", "gp1", "gp2", "gp3", "gp4")
_IN_A_REGION = rf"/(?!({'|'.join(_AREAS)})$)"


def _types_of(table: str) -> dict[str, Any]:
    """Say which types partitions have where the layout has one kind of partition table only."""
    flash = {"properties": {"kind": {"enum": [kind.word for kind in KINDS.values() if kind.mtd]}}}
    mine: dict[str, Any] = {"properties": {"table": {"const": table}}}
    if table != "gpt":  # which it is unless said
        mine["required"] = ["table"]
    chips = {"additionalProperties": {"anyOf": [flash | {"required": ["kind"]}, mine]}}
    keys: dict[str, Any] = {"type": PartitionType.of(table)}
    keys |= {} if table == "mbr" else {"bootable": False}
    return {
        "if": {"properties": {"chips": chips}, "required": ["chips"]},
        "then": {"properties": {"regions": {"items": {"properties": keys}}}},
    }


_ONE_SIZE = (_not_both("size", "sectors"), _not_both("erase-block", "erase-map"))
_CHIP_KEYS = (
    Key("kind", OneOf(tuple(KINDS)), "What the chip is.", required=True),
    Key("image", _file, "Assembled image of the whole chip, raw or compressed."),
    Key(
        "table",
        OneOf(tuple(dict.fromkeys(word for kind in KINDS.values() for word in kind.tables))),
        "What divides the chip; gpt on an eMMC or a card, fixed on flash, unless said.",
    ),
    Key(
        "number",
        Number(0, 15),
        "U-Boot's number of it, the 1 in `mmc 1`; else device trees' aliases tell.",
    ),
    *_GEOMETRY,
)
_CHIP = Table(
    (
        *_CHIP_KEYS,
        _guessed(_CHIP_KEYS),
        Key(
            "parts",
            ListOf(
                Table(
                    (Key("name", Text(), "What the part is called.", required=True), *_GEOMETRY),
                    _ONE_SIZE,
                ),
                least=1,
            ),
            "The approved parts, each in full: the map must fit all. A part says what differs.",
        ),
    ),
    (
        _any_of("size", "sectors", "parts"),
        *_ONE_SIZE,
        *(_of_kind(kind) for kind in KINDS.values()),
    ),
)
_RAM = Table(
    (
        Key(
            "banks",
            ListOf(
                Table(
                    (
                        Key("at", Size(), "Physical start address.", required=True),
                        Key("size", Size(1), "Size of the bank.", required=True),
                    )
                )
            ),
            "The board's RAM.",
            required=True,
        ),
        Key(
            "reserved",
            ListOf(
                Table(
                    (
                        Key("name", _name, "Who owns the range.", required=True),
                        Key("at", Size(), "Physical start address.", required=True),
                        Key("size", Size(1), "Size of the range.", required=True),
                    )
                )
            ),
            "RAM that nothing may be loaded into.",
        ),
    )
)
_REGION_KEYS = (
    Key("name", _name, "Unique name of the region.", required=True),
    Key("label", Text(), "What the device tree, mtdparts or GPT calls it, where that differs."),
    Key(
        "labels",
        ListOf(Text(), least=1),
        "What they call it, where they differ among themselves: all of these are right.",
    ),
    Key(
        "chip",
        Text(
            f"{NAME}(/{NAME})?",
            "a chip, an area of one such as emmc/boot0, or a region with volumes: nand/ubi",
        ),
        "The chip; or an area of an eMMC, emmc/boot0, with boot1, rpmb, gp1 to gp4; or, for a"
        " volume, the region that holds the UBI: nand/ubi.",
        required=True,
    ),
    Key("at", Size(), "Offset from the start of the chip or area."),
    Key("after", _name, "Instead of at: the region that it follows without a gap."),
    Key(
        "size",
        OrWord(Size(1), REST),
        "Size of the region; rest: all up to the next region, the backup GPT or the end.",
        required=True,
    ),
    Key("partition", Number(1, 128), "eMMC, SD: number of the entry in the partition table."),
    Key(
        "type",
        PartitionType(),
        "eMMC, SD: type of the partition: a GUID, an identifier of the Discoverable Partitions"
        " Specification such as SD_GPT_ROOT_ARM64, or our short name; with an MBR, its byte.",
    ),
    Key(
        "bootable",
        OneOf(("set", "unset")),
        "eMMC, SD with an MBR: the record's boot indicator, 0x80 where it is set.",
    ),
    Key("holds", OneOf(HOLDS), "Format that the artifact must have.", required=True),
    Key("file", _file, "Artifact: a path or a glob that matches exactly one file."),
    Key("file-at", Size(), "Where in the region the artifact starts."),
    Key("expect", Size(1), "Planned size of an artifact that is not built yet."),
    Key("writer", OneOf(tuple(Writer)), "Who erases and writes it.", required=True),
    Key(
        "writer-unpacks",
        ListOf(OneOf(UNPACKED), alone=True),
        "What the writer of the region unpacks on the way to the chip.",
    ),
    Key("keep-free", Percent(), "Room that must stay free: a share, or a size."),
    Key("purpose", Text(), "What it is for, in a sentence for someone new to the board."),
    Key(
        "env",
        Table(
            (
                Key("size", Size(1), "CONFIG_ENV_SIZE.", required=True),
                Key("copy", _name, "Region of the redundant copy."),
            )
        ),
        "Shape of a U-Boot environment.",
    ),
)
_REGION = Table(
    (*_REGION_KEYS, _guessed(_REGION_KEYS)),
    (
        # A volume has a name and a size, and no place of its own.
        {
            "if": {"properties": {"chip": {"pattern": _IN_A_REGION}}, "required": ["chip"]},
            "then": {"properties": dict.fromkeys(_NOT_OF_VOLUMES, False)},
            "else": _any_of("at", "after"),
        },
        _not_both("at", "after"),
        _not_both("label", "labels"),
    ),
)
_STAGE = Table(
    (
        Key("regions", ListOf(_name), "All that the stage needs.", required=True),
        Key("entry", Text(), "U-Boot variable that starts it."),
        Key("ramdisk", _name, "Region in which its ramdisk is found."),
        Key("kernel-config", _file, "Kernel configuration, where the kernel does not embed it."),
        Key(
            "needs",
            Either(
                Table(
                    (
                        Key("require", ListOf(_name), "Tool groups that must be there."),
                        Key("relax", ListOf(_name), "Implied groups that may be missing."),
                        Key(
                            "extend", Named(ListOf(Text())), "Tools that a group must have as well."
                        ),
                    )
                ),
                ListOf(_name),
            ),
            "What its ramdisk must be able to do.",
        ),
        Key("variables", Named(Text(), r"[^=\s]+"), "Variables that the board sets at run time."),
        Key(
            "slots",
            Named(
                Table(
                    (
                        Key(
                            "variables",
                            Named(Text(), r"[^=\s]+"),
                            "U-Boot variables that choose the slot.",
                            required=True,
                        ),
                        Key("regions", ListOf(_name), "What only this slot takes.", required=True),
                    )
                )
            ),
            "Copies of the stage, of which variables choose one.",
        ),
    )
)
_ACTS = (Act.WRITE, Act.ERASE, Act.COPY, Act.SET, Act.TABLE, Act.RENAME)
_STEP = Table(
    (
        Key(Act.WRITE, _name, "A region whose artifact is written, or a chip: all of its regions."),
        Key(Act.ERASE, _name, "A region that is erased."),
        Key(Act.COPY, _name, "A region whose content is copied; to: says where."),
        Key("to", _name, "The region that a copy goes to."),
        Key(
            Act.SET,
            Named(Text(), r"[^=\s]+"),
            "Variables of U-Boot's environment that are set in one go; an empty text deletes.",
        ),
        Key(Act.TABLE, _name, "A chip whose partition table is written."),
        Key(
            Act.RENAME,
            Named(_name),
            "Volumes of a UBI, by region, and whose name each takes; all in one go.",
        ),
        Key(
            "erases",
            OneOf(("each", "first")),
            "Flash: each block before it is written, unless said; first: all blocks beforehand, as"
            " flashcp does.",
        ),
        Key(
            "flush",
            OneOf(("now", "later")),
            "eMMC, SD: when all of it has left the caches: before the next step begins (now, unless"
            " said), or later, at a reboot.",
        ),
    ),
    ({"oneOf": [{"required": [act.value]} for act in _ACTS]},),
)
_UPDATE = Table(
    (
        Key("by", _name, "The stage that runs it; factory: a programmer does.", required=True),
        Key("from", _name, "The release on the board before it: --old NAME=PATH says where it is."),
        Key(
            "steps",
            ListOf(Either(_STEP, OneOf((Act.REBOOT,))), least=1, most=64),
            "What it does, in this order: write, erase, copy, set, table, or the word reboot.",
            required=True,
        ),
    )
)
_ELSEWHERE = Table(
    (
        Key("device-tree", _file, "Device tree with fixed-partitions."),
        Key("environment", _file, "U-Boot environment, image or text."),
        Key("mtdparts", Text(), "An mtdparts string."),
        Key("uboot-config", _file, "U-Boot's .config."),
        Key("disk-description", _file, "What assembles the image: genimage.cfg, or a .wks file."),
        Key("flash-tool-config", Text(), "fw_env.config: a path, or region:/path in its ramdisk."),
    )
)
_ACCEPTED = ("region", "stage", "copy", "loss", "update", "limit")
_JUDGED = ("region", "stage", "copy", "group")
_POLICY = Table(
    (
        Key("fail-on", OneOf(("error", "warning")), "Lowest severity that fails the audit."),
        Key("keep-free", Percent(), "Room to keep free in regions that do not say their own."),
        Key("least-free", Percent(), "Room to keep free in each region, also if it asks for less."),
        Key(
            "judge",
            ListOf(
                Table(
                    (
                        Key("region", Text(), "A region that must have been looked at."),
                        Key("stage", Text(), "A stage that must be named and proven."),
                        Key("copy", Text(), "A copy of the map, such as device-tree."),
                        Key("group", Text(), "A group of tools that no stage may relax."),
                    )
                )
            ),
            "What the layout must name and this audit must judge; else it is incomplete.",
        ),
        Key(
            "severity",
            Named(OneOf(("error", "warning", "note"))),
            "Severity of a finding, where the default does not suit.",
        ),
        Key(
            "waive",
            ListOf(
                Table(
                    (
                        Key("finding", _name, "Name of the finding.", required=True),
                        Key("region", _name, "Only in this region."),
                        Key(
                            "about",
                            ListOf(Text(), alone=True, least=1),
                            "Only the one that is about this: a tool, a path, a variable; as"
                            " `identity` in the JSON report has it.",
                        ),
                        Key("reason", _reason, "Why it is accepted.", required=True),
                        Key("owner", _reason, "Who answers for it."),
                        Key("until", Day(), "The last day on which it is accepted."),
                    )
                )
            ),
            "Findings that are accepted for now.",
        ),
        Key(
            "accept",
            ListOf(
                Table(
                    (
                        Key("region", Text(), "A region that may stay unjudged."),
                        Key("stage", Text(), "A stage that may stay unproven; with its slot."),
                        Key("copy", Text(), "A copy of the map, such as uboot-config."),
                        Key("loss", Text(), "What may be lost though nothing starts then."),
                        Key("update", Text(), "An update that may leave nothing that starts."),
                        Key(
                            "limit", Text(), "What may be left out because there is too much of it."
                        ),
                        Key("reason", _reason, "Why it is accepted.", required=True),
                        Key("owner", _reason, "Who answers for it.", required=True),
                        Key("until", Day(), "The last day on which it is accepted."),
                    )
                )
            ),
            "What may stay open: not judged, or without a way to start.",
        ),
    )
)
_BOARD_KEYS = (
    Key("board", _name, "Name of the board.", required=True),
    Key("summary", Text(), "The board in a sentence."),
    Key("arch", OneOf(ARCHITECTURES), "What the artifacts must be built for.", required=True),
    Key("compatible", Text(), "The board's device tree compatible."),
)
_LAYOUT = Table(
    (
        Key("layout", OneOf(("1",)), "Version of this format.", required=True),
        *_BOARD_KEYS,
        _guessed(_BOARD_KEYS),
        Key("chips", Named(_CHIP), "The flash chips.", required=True),
        Key("ram", _RAM, "The board's memory."),
        Key("regions", ListOf(_REGION), "Ranges of the chips and what they hold.", required=True),
        Key("stages", Named(_STAGE), "The systems that U-Boot can start."),
        Key("updates", Named(_UPDATE), "Procedures that write to the chips, step by step."),
        Key("written-elsewhere", _ELSEWHERE, "Where the build says the same map again."),
        Key("policy", _POLICY, "What fails the audit, and what is let through."),
    )
)
_WHOLE = Table(
    (
        *_LAYOUT.keys,
        Key(
            variants.KEY,
            Named(variants.Overlay(_LAYOUT.keys, ListOf(_name))),
            "What differs on variants of the board; FILE#NAME chooses one.",
        ),
    )
)


def schema() -> dict[str, Any]:
    """Give the layout's JSON Schema (draft 2020-12)."""
    # Made here, since it needs the tables of two formats.
    whole = _WHOLE.schema() | {"allOf": [_types_of("gpt"), _types_of("mbr")]}
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "imgaudit layout",
        "description": "Where everything on a board's flash chips lives, and what it must be.",
    } | _said_once(whole)


_LONG = 400  # characters of a part of the schema that are worth a name of their own


def _said_once(whole: dict[str, Any]) -> dict[str, Any]:
    """Give a schema in which what repeats stands once, under `$defs`."""
    import json

    counts: dict[str, int] = {}

    def bare(part: Any) -> str:
        """Give a part without its description, which is its place's own."""
        if isinstance(part, dict) and _is_schema(part):
            part = {key: value for key, value in part.items() if key != "description"}
        return json.dumps(part)

    def count(part: Any) -> None:
        for key, inner in part.items() if isinstance(part, dict) else enumerate(part):
            # What keys ask of one another says nothing of its own.
            if isinstance(inner, dict | list) and key != "allOf":
                text = bare(inner)
                # A map of properties may have one that is called type.
                if isinstance(inner, dict) and len(text) > _LONG and _is_schema(inner):
                    counts[text] = counts.get(text, 0) + 1
                count(inner)

    count(whole)
    names = {
        text: f"part-{number}"
        for number, text in enumerate((text for text, times in counts.items() if times > 1), 1)
    }

    def short(part: Any) -> Any:
        if isinstance(part, list):
            return [short(inner) for inner in part]
        if not isinstance(part, dict):
            return part
        name = names.get(bare(part))
        if name is None:
            return inside(part)
        said = {"description": part["description"]} if "description" in part else {}
        return said | {"$ref": f"#/$defs/{name}"}

    def inside(part: dict[str, Any]) -> dict[str, Any]:
        return {key: inner if key == "allOf" else short(inner) for key, inner in part.items()}

    parts = {name: inside(json.loads(text)) for text, name in names.items()}
    return inside(whole) | ({"$defs": parts} if parts else {})


def _is_schema(part: dict[str, Any]) -> bool:
    return isinstance(part.get("type"), str) or isinstance(part.get("anyOf"), list)


def load(path: str, *, shown: str | None = None) -> Layout:
    """Read a layout file; `FILE#NAME` is a variant that it describes.

    `shown` is what the reports call the file, where that is not its path.

    Raises:
        AuditError: the file cannot be read.
        LayoutError: it is no layout; carries every problem with its place.

    """
    file_name, _, variant = path.rpartition("#")
    if not file_name or os.path.exists(path):
        file_name, variant = path, ""
    try:
        data = read_regular(file_name, MOST_BYTES)
    except ArtifactError as problem:
        raise AuditError(f"cannot read the layout: {problem}{nearby(file_name)}") from problem
    return parse(data, shown or file_name, variant or None)


def parse(data: bytes, file: str, variant: str | None = None) -> Layout:
    """Read a layout, or one of its variants, from bytes; `file` is only for messages.

    What is wrong with any variant is a problem of the file.

    Raises:
        LayoutError: it is no layout; carries every problem with its place.

    """
    reading = Reading(file)
    top = Where(file, 1, 1)
    layout = None
    if len(data) > MOST_BYTES:
        reading.problem(top, f"more than {both(MOST_BYTES)}: this is no layout")
    else:
        node = _compose(data, reading)
        if node is not None:
            layout = _read(node, reading, hashlib.sha256(data).hexdigest(), variant)
    if reading.problems or layout is None:
        problems = dict.fromkeys(reading.problems)
        raise LayoutError(sorted(problems, key=lambda problem: (problem.line, problem.column)))
    return layout


def _read(node: yaml.Node, reading: Reading, sha256: str, variant: str | None) -> Layout | None:
    values = _WHOLE.read(node, reading)
    if values is None or not isinstance(node, yaml.MappingNode):
        return None
    found: dict[str | None, Layout] = {None: _Assembly(reading, values).layout(sha256)}
    for name, over in variants.names_of(node, reading).items():
        whole = _LAYOUT.read(variants.chosen(node, over, reading), reading)
        if whole is not None:
            layout = _Assembly(reading, whole).layout(sha256)
            found[name] = replace(layout, file=f"{layout.file}#{name}", variant=name)
    if variant not in found:
        names = [name for name in found if name is not None]
        some = f"; it has {alternatives(names, 'and')}" if names else ": it has none"
        reading.problem(node, f"there is no variant {variant!r}{close(variant or '', names)}{some}")
    return found.get(variant)


def load_policy(path: str) -> Policy:
    """Read the `policy:` of a file that may have nothing else, or that is a layout.

    Raises:
        AuditError: the file cannot be read.
        LayoutError: it has no policy, or a wrong one.

    """
    reading = Reading(path)
    try:
        data = read_regular(path, MOST_BYTES)
    except ArtifactError as problem:
        raise AuditError(f"cannot read the policy: {problem}") from problem
    node = _compose(data, reading)
    found = None
    if isinstance(node, yaml.MappingNode):
        named = (value for name, _, value in pairs(node, reading) if name == "policy")
        inner = next(named, None)
        if inner is None:
            reading.problem(node, "the file has no policy:")
        else:
            values = _POLICY.read(inner, reading)
            found = _Assembly(reading, Values(reading.where(node))).policy(values, alone=True)
    elif node is not None:
        reading.problem(node, "expected a mapping with the key policy")
    if reading.problems or found is None:
        raise LayoutError(
            sorted(reading.problems, key=lambda problem: (problem.line, problem.column))
        )
    return found


def _compose(data: bytes, reading: Reading) -> yaml.Node | None:
    """Build the node tree; aliases and depth are refused before anything is built of them."""
    loader: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
    top = Where(reading.file, 1, 1)
    try:
        text = data.decode()
    except UnicodeDecodeError as problem:
        reading.problem(top, f"not UTF-8 at byte {problem.start}")
        return None
    depth = 0
    try:
        for event in yaml.parse(text, loader):
            if isinstance(event, yaml.CollectionStartEvent):
                depth += 1
            elif isinstance(event, yaml.CollectionEndEvent):
                depth -= 1
            place = _place(reading, event.start_mark)
            if isinstance(event, yaml.AliasEvent):
                reading.problem(place, "aliases (*name) are not used here: write it out")
                return None
            if depth > MOST_DEPTH:
                reading.problem(place, f"nested deeper than {MOST_DEPTH} levels")
                return None
        node: yaml.Node | None = yaml.compose(text, loader)
    # Without libyaml, PyYAML lets a wrong character number or version through as a ValueError.
    except (yaml.YAMLError, ValueError) as problem:
        place = _place(reading, getattr(problem, "problem_mark", None))
        why = getattr(problem, "problem", None) or str(problem).partition("\n")[0]
        if _is_tab(text, place):
            why = "a tab stands here, and YAML indents with blanks alone"
        reading.problem(place, f"not YAML: {why}")
        return None
    if node is None:
        reading.problem(top, "the file is empty")
    return node


def _is_tab(text: str, place: Where) -> bool:
    """Tell whether a tab is what a line cannot begin with."""
    lines = text.split("\n")
    line = lines[place.line - 1] if place.line <= len(lines) else ""
    return line[place.column - 1 : place.column] == "\t"


def _place(reading: Reading, mark: Any) -> Where:
    return (
        Where(reading.file, mark.line + 1, mark.column + 1) if mark else Where(reading.file, 1, 1)
    )


def _one_line(text: str) -> str:
    """Undo the line breaks of a YAML block text."""
    return " ".join(text.split())


def _keep_free(value: tuple[str, float] | None) -> KeepFree | None:
    if value is None:
        return None
    kind, amount = value
    return KeepFree(percent=amount) if kind == "percent" else KeepFree(size=int(amount))


class _Assembly:
    """Turns what the tables read into the model, and checks what one key alone cannot tell."""

    def __init__(self, reading: Reading, values: Values) -> None:
        self.reading = reading
        self.values = values
        self.chips: dict[str, Chip] = {}
        self.regions: list[Region] = []
        # Chips of which not even the kind is known: nothing more is asked of what lies on them.
        self.unknown: set[str] = set()
        # All region names that are written, so that a wrong region is not called missing as well.
        self.names: dict[str, Where] = {}
        # Regions that hold volumes, by their chip and name.
        self.divided: dict[tuple[str, str], Values] = {}
        # Regions as they are written, with the size of their area, before they are placed.
        self.written: list[tuple[Values, int | None]] = []
        # Volumes as they are written, with the region that each is in.
        self.volumes: list[tuple[Values, Values]] = []

    def layout(self, sha256: str) -> Layout:
        values = self.values
        for name, (where, chip) in values.get("chips", {}).items():
            self._chip(name, where, chip)
        for region in values.get("regions", []):
            if region.get("holds") in VOLUMES and region.get("name"):
                self.divided[region.get("chip", ""), region.get("name")] = region
        for region in values.get("regions", []):
            self._region(region)
        self._place()
        self._references()
        banks, reserved = self._ram(values.get("ram"))
        stages = self._stages()
        return Layout(
            where=values.where,
            keys=values.places,
            file=self.reading.file,
            sha256=sha256,
            board=values.get("board", ""),
            arch=values.get("arch", ""),
            summary=_one_line(values.get("summary", "")),
            compatible=values.get("compatible"),
            guessed=self._guesses(values),
            chips=self.chips,
            banks=banks,
            reserved=reserved,
            regions=tuple(self.regions),
            stages=stages,
            updates=tuple(self._updates(stages)),
            elsewhere=self._elsewhere(values.get("written-elsewhere")),
            policy=self.policy(values.get("policy")),
        )

    def _chip(self, name: str, where: Where, chip: Values) -> None:
        kind = KINDS.get(chip.get("kind", ""))
        table = chip.get("table")
        if kind is None or (table is None and "table" in chip.places):
            self.unknown.add(name)
        if kind is not None and table is not None and table not in kind.tables:
            some = alternatives(kind.tables)
            self.reading.problem(chip.places["table"], f"{kind} is divided by {some}, not {table}")
        for key in chip.places if kind is not None else ():
            self._goes_with(kind, key, chip)
        parts: list[Chip] = []
        for part in chip.get("parts", ()):
            for key in part.places if kind is not None else ():
                self._goes_with(kind, key, part)
            known = [item.part for item in parts]
            if part.get("name") in known:
                self.reading.problem(part.places["name"], f"{part.get('name')} is listed already")
            parts.append(self._described(name, part.where, chip.under(part), kind))
        if parts:
            smallest = min(parts, key=lambda item: item.size)
            sizes = tuple(size for item in parts for size in item.sizes)
            self.chips[name] = replace(
                smallest,
                where=where,
                keys=chip.places,
                part=None,
                sizes=sizes,
                image=chip.get("image"),
                number=chip.get("number"),
                parts=tuple(parts),
            )
        else:
            self.chips[name] = self._described(name, where, chip, kind)

    def _goes_with(self, kind: ChipKind | None, key: str, chip: Values) -> None:
        owners = [item.word for item in KINDS.values() if key in item.keys]
        if kind is not None and owners and key not in kind.keys:
            self.reading.problem(
                chip.places[key],
                f"the key {key!r} does not go with {kind}, but with {alternatives(owners, 'and')}",
            )

    def _described(self, name: str, where: Where, chip: Values, kind: ChipKind | None) -> Chip:
        """Make a chip, or one of its parts, of what the layout says."""
        problem = self.reading.problem
        sizes: list[int] = chip.get("size", [])
        if "sectors" in chip.places:
            if "size" in chip.places:
                problem(chip.places["size"], "give size or sectors, not both")
            sizes = [count * SECTOR for count in chip.get("sectors", [])]
        if not sizes and not {"size", "sectors"} & chip.places.keys():
            problem(where, f"the chip {name!r} has no size")
        size = min(sizes, default=None)
        protect: Values | None = chip.get("block-protect")
        known = kind or SPI_NOR
        return Chip(
            where=where,
            keys=chip.places,
            name=name,
            part=chip.get("name"),
            kind=known,
            sizes=tuple(sizes) or (1,),
            table=chip.get("table", known.tables[0]),
            image=chip.get("image"),
            number=chip.get("number"),
            guessed=self._guesses(chip),
            erase_map=self._erase_map(name, where, chip, size) if kind and kind.mtd else (),
            page=chip.get("page", known.page),
            spare=chip.get("spare"),
            bad_blocks=_keep_free(chip.get("bad-blocks")),
            address_bytes=int(chip.get("address-bytes", "0")) or None,
            four_byte_mode=chip.get("four-byte-mode"),
            reset_pin=chip.get("reset-pin"),
            block_protect=BlockProtect(
                protect.get("bits", 1), protect.get("end", "bottom"), protect.get("covers", 0)
            )
            if protect is not None
            else None,
            sfdp=chip.get("sfdp"),
            align=chip.get("align", 4096),
            boot_area=chip.get("boot-area"),
            rpmb=chip.get("rpmb"),
            general_areas=tuple(chip.get("general-areas", ())),
            erase_group=chip.get("erase-group"),
            write_protect_group=chip.get("write-protect-group"),
            ext_csd=chip.get("ext-csd"),
        )

    def _erase_map(
        self, name: str, where: Where, chip: Values, size: int | None
    ) -> tuple[EraseRun, ...]:
        problem = self.reading.problem
        block: int | None = chip.get("erase-block")
        runs: list[Values] | None = chip.get("erase-map")
        if block and runs:
            problem(chip.places["erase-map"], "give erase-block or erase-map, not both")
        if block:
            if size is not None and size % block:
                problem(
                    chip.places["erase-block"],
                    f"{both(size)} is not a whole number of erase blocks of {both(block)}",
                )
            return (EraseRun(max(1, (size or 0) // block), block),)
        found = tuple(EraseRun(run.get("count", 1), run.get("size", 1)) for run in runs or ())
        if not found:
            if not {"erase-block", "erase-map"} & chip.places.keys():
                problem(where, f"the chip {name!r} has neither erase-block nor erase-map")
            return (EraseRun(1, size or 1),)
        whole = all(run.get("count") and run.get("size") for run in runs or ())
        covered = sum(run.count * run.size for run in found)
        if whole and size is not None and covered != size:
            problem(
                chip.places["erase-map"],
                f"the erase map covers {both(covered)}, the chip has {both(size)}",
            )
        return found

    def _region(self, region: Values) -> None:
        problem = self.reading.problem
        name = region.get("name")
        areas: dict[str, int | None] = {}
        area = region.get("chip", "")
        chip_name, _, boot = area.partition("/")
        chip = self.chips.get(chip_name)
        if area and chip is None:
            problem(
                region.places["chip"],
                f"no chip is called {chip_name!r}{self._near_chip(chip_name)}",
            )
        elif chip is not None and boot and (chip_name, boot) in self.divided:
            self._volume(region)
            if name is not None and self._new_name(name, region):
                self.volumes.append((region, self.divided[chip_name, boot]))
            return
        elif chip is not None:
            areas = dict(chip.areas())
            if boot and boot not in areas:
                why = chip.kind.area_help()
                if boot not in _AREAS:
                    why += f", and no region {boot} on it holds ubi"
                problem(region.places["chip"], f"{chip_name} has no {boot}: {why}")
            elif boot and areas[boot] is None:
                problem(region.places["chip"], f"the chip {chip_name} gives no boot-area size")
            if (not chip.kind.sectors or boot) and chip_name not in self.unknown:
                self._only_for_partitions(region)
        self._new_name(name, region)
        listed = chip is None or (chip.kind.sectors and chip_name not in self.unknown)
        if region.get("type") is not None and listed:
            self._check_type(region, "gpt" if chip is None else chip.table)
        mbr = chip is None or chip.table == "mbr" or chip_name in self.unknown
        if not mbr and "bootable" in region.places:
            problem(region.places["bootable"], "the key 'bootable' goes with table: mbr only")
        if "at" in region.places and "after" in region.places:
            problem(region.places["after"], "give at or after, not both")
        elif chip is not None and not {"at", "after"} & region.places.keys():
            problem(region.where, "the region has neither at nor after")
        open_end = chip_name in self.unknown and region.get("size") == REST
        if chip is None or name is None or open_end:
            return
        if not (boot and boot not in areas):
            self.written.append((region, dict(self.areas_of(chip)).get(area)))

    def _near_chip(self, name: str) -> str:
        """Suggest a chip, or the region of that name which holds a UBI."""
        holder = next((chip for chip, region in self.divided if region == name), None)
        return close(name, self.chips) if holder is None else f"; did you mean '{holder}/{name}'?"

    def _new_name(self, name: str | None, region: Values) -> bool:
        """Note a region's name; tell whether no other has it. See what goes with any region."""
        problem = self.reading.problem
        env: Values | None = region.get("env")
        if env is not None and region.get("holds") not in {"uboot-env", None}:
            problem(region.places["env"], "only a region that holds uboot-env has an env")
        if "label" in region.places and "labels" in region.places:
            problem(region.places["labels"], "give label or labels, not both")
        if name in self.names:
            line = self.names[name].line
            problem(region.places["name"], f"a region {name!r} stands already at line {line}")
            return False
        if name is not None:
            self.names[name] = region.where
        return True

    def _volume(self, region: Values) -> None:
        """See what a volume cannot have."""
        for key in _NOT_OF_VOLUMES:
            if key in region.places:
                self.reading.problem(
                    region.places[key], f"the key {key!r} does not go with a volume"
                )
        if region.get("holds") in VOLUMES:
            self.reading.problem(region.places["holds"], "a volume has no volumes of its own")

    def areas_of(self, chip: Chip) -> Iterator[tuple[str, int | None]]:
        """Give the chip's areas by the names that regions use."""
        yield chip.name, chip.size
        yield from ((f"{chip.name}/{name}", size) for name, size in chip.areas())

    def _place(self) -> None:
        """Work out where `after` and `rest` are, and make the regions."""
        placed = Placing(self.written, self.chips, self.reading).spans()
        for region, _ in self.written:
            span = placed.get(id(region))
            if span is None:
                continue
            if region.get("file-at", 0) >= span.size:
                self.reading.problem(
                    region.places["file-at"],
                    f"the artifact would start at {place(region.get('file-at'))}, past the end",
                )
            self.regions.append(self._made(region, span))
        self._place_volumes()

    def _place_volumes(self) -> None:
        """Put the volumes of each UBI one behind the other, in the order of the file."""
        made = {region.name: region for region in self.regions}
        ends: dict[str, int] = {}
        for region, divided in self.volumes:
            holder = made.get(divided.get("name", ""))
            if holder is None:
                continue
            start, size = ends.get(holder.name, 0), region.get("size")
            if size == REST:
                size = (volumes_in(holder, self.chips[holder.chip]).size or 0) - start
                if size <= 0:
                    problem = f"nothing is left in {holder.name}"
                    self.reading.problem(region.places["size"], problem)
            if size and size > 0:
                self.regions.append(self._made(region, Span.sized(start, size), holder.name))
                ends[holder.name] = start + size
        self.regions.sort(key=lambda region: region.where)

    def _made(self, region: Values, span: Span, holder: str | None = None) -> Region:
        """Make a region of what the layout says of it."""
        name, env = region.get("name"), region.get("env")
        return Region(
            where=region.where,
            keys=region.places,
            name=name,
            labels=tuple(region.get("labels", ())) or (region.get("label", name),),
            area=region.get("chip"),
            at=span.start,
            size=span.size,
            partition=region.get("partition"),
            type=region.get("type"),
            bootable={"set": True, "unset": False}.get(region.get("bootable", "")),
            holds=region.get("holds", "raw"),
            file=region.get("file"),
            file_at=region.get("file-at", 0) if holder is None else 0,
            expect=region.get("expect"),
            writer=Writer(region.get("writer", Writer.RELEASE)),
            keep_free=_keep_free(region.get("keep-free")),
            purpose=_one_line(region.get("purpose", "")),
            env=EnvironmentShape(env.get("size", 1), env.get("copy")) if env else None,
            writer_unpacks=tuple(region.get("writer-unpacks", ())),
            holder=holder,
            guessed=self._guesses(region),
            after=region.get("after"),
            rest=region.get("size") == REST,
        )

    def _guesses(self, values: Values) -> tuple[str, ...]:
        """Give the keys whose values are guesses; each must be written."""
        guessed = tuple(dict.fromkeys(values.get("guessed", ())))
        for key in guessed:
            if key not in values.places:
                why = f"{key} is not written here, so it is no guess"
                self.reading.problem(values.places["guessed"], why)
        return guessed

    def _only_for_partitions(self, region: Values) -> None:
        for key in ("partition", "type", "bootable"):
            if key in region.places:
                self.reading.problem(
                    region.places[key],
                    f"the key {key!r} goes with partitions of an eMMC or a card only",
                )

    def _check_type(self, region: Values, table: str) -> None:
        from imgaudit.formats import boot_record, guid

        text = region.get("type")
        words: Sequence[str] = guid.TYPE_WORDS if table == "gpt" else tuple(boot_record.TYPE_NAMES)
        listed = tuple(guid.TYPE_NAMES if table == "gpt" else boot_record.TYPE_NAMES)
        what = "a GUID" if table == "gpt" else "a type byte such as 0x83"
        try:
            guid.partition_type(text) if table == "gpt" else boot_record.partition_type(text)
        except ValueError:
            self.reading.problem(
                region.places["type"],
                f"{text!r} is neither {what} nor a type with a name"
                f"{suggested(text, words, listed)}",
            )

    def _known_region(self, name: str, where: Where) -> None:
        if name not in self.names:
            self.reading.problem(where, f"no region is called {name!r}{close(name, self.names)}")

    def _references(self) -> None:
        partitions: dict[tuple[str, int], Region] = {}
        for region in self.regions:
            copy = region.env.copy if region.env else None
            if copy is not None:
                self._known_region(copy, region.keys["env"])
            if copy == region.name:
                self.reading.problem(region.keys["env"], "an environment cannot be its own copy")
            if region.partition is not None:
                twin = partitions.setdefault((region.area, region.partition), region)
                if twin is not region:
                    self.reading.problem(
                        region.keys["partition"],
                        f"partition {region.partition} is {twin.name} already",
                    )

    def _ram(self, ram: Values | None) -> tuple[tuple[MemoryRange, ...], tuple[MemoryRange, ...]]:
        if ram is None:
            return (), ()

        def ranges(key: str) -> tuple[MemoryRange, ...]:
            return tuple(
                MemoryRange(
                    item.get("name", f"bank {number}"),
                    Span.sized(item.get("at"), item.get("size")),
                    item.where,
                )
                for number, item in enumerate(ram.get(key, []))
                if item.get("at") is not None and item.get("size")
            )

        banks, reserved = ranges("banks"), ranges("reserved")
        if len(banks) < len(ram.get("banks", [])):
            return banks, reserved  # a bank was unreadable: what lies in it cannot be told
        for earlier, bank in itertools.pairwise(banks):
            if bank.span.start < earlier.span.end:
                self.reading.problem(bank.where, "banks overlap or are not in address order")
        for item in reserved:
            if not any(bank.span.contains(item.span) for bank in banks):
                self.reading.problem(item.where, f"{item.name} is not inside a bank of RAM")
        return banks, reserved

    def _stages(self) -> dict[str, Stage]:
        found = {}
        for name, (where, stage) in self.values.get("stages", {}).items():
            for region in stage.get("regions", []):
                self._known_region(region, stage.places["regions"])
            if stage.get("ramdisk") is not None:
                self._known_region(stage.get("ramdisk"), stage.places["ramdisk"])
            variables = stage.get("variables", {})
            found[name] = Stage(
                where=where,
                keys=stage.places,
                name=name,
                regions=tuple(stage.get("regions", ())),
                entry=stage.get("entry"),
                ramdisk=stage.get("ramdisk"),
                kernel_config=stage.get("kernel-config"),
                needs=self._needs(stage.get("needs")),
                variables={key: value for key, (_, value) in variables.items()},
                slots=tuple(self._slots(stage.get("slots", {}))),
            )
        return found

    def _slots(self, slots: dict[str, tuple[Where, Values]]) -> Iterator[Slot]:
        for name, (where, slot) in slots.items():
            for region in slot.get("regions", []):
                self._known_region(region, slot.places["regions"])
            yield Slot(
                where=where,
                keys=slot.places,
                name=name,
                variables={key: value for key, (_, value) in slot.get("variables", {}).items()},
                regions=tuple(slot.get("regions", ())),
            )

    def _needs(self, needs: Values | list[str] | None) -> Needs | None:
        if needs is None:
            return None
        if isinstance(needs, list):
            return Needs(groups=tuple(needs))
        extend = needs.get("extend", {})
        return Needs(
            groups=tuple(needs.get("require", ())),
            relax=tuple(needs.get("relax", ())),
            extend={group: tuple(tools) for group, (_, tools) in extend.items()},
        )

    def _updates(self, stages: Mapping[str, Stage]) -> Iterator[Update]:
        for name, (where, update) in self.values.get("updates", {}).items():
            by = update.get("by", "")
            if by and by != FACTORY and by not in stages:
                known = close(by, (*stages, FACTORY))
                self.reading.problem(update.places["by"], f"no stage is called {by!r}{known}")
            steps = tuple(self._steps(update, where))
            yield Update(
                where=where,
                keys=update.places,
                name=name,
                by=by,
                steps=steps,
                since=update.get("from") or "",
            )

    def _steps(self, update: Values, where: Where) -> Iterator[UpdateStep]:
        for item in update.get("steps", ()):
            if not isinstance(item, Values):
                yield UpdateStep(where=update.places.get("steps", where), act=Act.REBOOT)
                continue
            said = [act for act in _ACTS if act in item.places]
            if len(said) != 1:
                words = alternatives([act.value for act in _ACTS], "and")
                self.reading.problem(item.where, f"a step has one of {words}")
                continue
            act = said[0]
            self._goes_with_act(act, item)
            target, source = item.get(act), None
            if act is Act.COPY:
                target, source = item.get("to"), item.get(act)
            variables = target if act is Act.SET and target is not None else {}
            renames = target if act is Act.RENAME and target is not None else {}
            yield UpdateStep(
                where=item.where,
                keys=item.places,
                act=act,
                target=target if isinstance(target, str) else "",
                source=source,
                variables={key: value or None for key, (_, value) in variables.items()},
                renames=tuple((old, new) for old, (_, new) in renames.items() if new),
                erases_first=item.get("erases") == "first",
                flushed=item.get("flush") != "later",
            )

    def _goes_with_act(self, act: Act, item: Values) -> None:
        """See that the keys of a step go with what it does, and that its names are known."""
        problem = self.reading.problem
        if act is Act.COPY and "to" not in item.places:
            problem(item.where, "a copy says where it goes: the key 'to' is missing")
        written = act in {Act.WRITE, Act.COPY}
        for key, fits in (("to", act is Act.COPY), ("erases", written), ("flush", written)):
            if key in item.places and not fits:
                problem(item.places[key], f"the key {key!r} does not go with {act}")
        for key in {Act.WRITE, Act.ERASE, Act.COPY, "to"} & item.places.keys():
            name = item.get(key)
            chip = key == Act.WRITE and name in self.chips
            if name is not None and not chip and name not in self.names:
                chips = (*self.chips, *self.names) if key == Act.WRITE else tuple(self.names)
                problem(item.places[key], f"no region is called {name!r}{close(name, chips)}")
        volumes = [region.name for region in self.regions if region.holder]
        for old, (where, new) in (item.get(Act.RENAME) or {}).items():
            for name in sorted({old, new or old}.difference(volumes)):
                problem(where, f"no volume of a UBI is called {name!r}{close(name, volumes)}")
        table = item.get(Act.TABLE)
        if table is not None and table not in self.chips:
            problem(
                item.places[Act.TABLE], f"no chip is called {table!r}{close(table, self.chips)}"
            )

    def _elsewhere(self, values: Values | None) -> Elsewhere | None:
        if values is None:
            return None
        return Elsewhere(
            where=values.where,
            keys=values.places,
            **{key.name.replace("-", "_"): values.get(key.name) for key in _ELSEWHERE.keys},
        )

    def _accepts(self, items: list[Values]) -> Iterator[Accept]:
        for item in items:
            named = [kind for kind in _ACCEPTED if item.get(kind)]
            if len(named) != 1:
                self.reading.problem(item.where, f"say one of {alternatives(_ACCEPTED, 'and')}")
                continue
            yield Accept(
                named[0],
                item.get(named[0]),
                _one_line(item.get("reason", "")),
                _one_line(item.get("owner", "")),
                item.get("until"),
                item.where,
            )

    def _judged(self, items: list[Values]) -> Iterator[Must]:
        for item in items:
            named = [kind for kind in _JUDGED if item.get(kind)]
            if len(named) == 1:
                yield Must(named[0], item.get(named[0]), item.where)
            else:
                self.reading.problem(item.where, f"say one of {alternatives(_JUDGED, 'and')}")

    def policy(self, policy: Values | None, *, alone: bool = False) -> Policy:
        """Build a policy; one that stands `alone` has no regions to be held against."""
        if policy is None:
            return Policy()
        waivers = []
        for item in policy.get("waive", []):
            region = item.get("region")
            if region is not None and not alone:
                self._known_region(region, item.places["region"])
            waivers.append(
                Waiver(
                    item.get("finding", ""),
                    region,
                    _one_line(item.get("reason", "")),
                    item.get("until"),
                    item.where,
                    owner=_one_line(item.get("owner", "")),
                    about=tuple(item.get("about", ())),
                )
            )
        severity = policy.get("severity", {})
        return Policy(
            fail_on=policy.get("fail-on", "error"),
            keep_free=_keep_free(policy.get("keep-free")) or KeepFree(percent=5),
            severity={name: value for name, (_, value) in severity.items()},
            severity_at={name: where for name, (where, _) in severity.items()},
            waivers=tuple(waivers),
            accepts=tuple(self._accepts(policy.get("accept", []))),
            judge=tuple(self._judged(policy.get("judge", []))),
            least_free=_keep_free(policy.get("least-free")),
        )
