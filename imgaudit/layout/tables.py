"""The format of a layout: a table of keys for each part of it.

The loader and the JSON Schema both come from these.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from imgaudit.chips import KINDS, ChipKind
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
    Size,
    Table,
    Text,
)
from imgaudit.layout.placing import REST
from imgaudit.model import ARCHITECTURES, HOLDS, UNPACKED, Act, Writer

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


def types_of(table: str) -> dict[str, Any]:
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
ACTS = (Act.WRITE, Act.ERASE, Act.COPY, Act.SET, Act.TABLE, Act.RENAME)
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
    ({"oneOf": [{"required": [act.value]} for act in ACTS]},),
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
ELSEWHERE = Table(
    (
        Key("device-tree", _file, "Device tree with fixed-partitions."),
        Key("environment", _file, "U-Boot environment, image or text."),
        Key("mtdparts", Text(), "An mtdparts string."),
        Key("uboot-config", _file, "U-Boot's .config."),
        Key("disk-description", _file, "What assembles the image: genimage.cfg, or a .wks file."),
        Key("flash-tool-config", Text(), "fw_env.config: a path, or region:/path in its ramdisk."),
    )
)
ACCEPTED = ("region", "stage", "copy", "loss", "update", "limit")
JUDGED = ("region", "stage", "copy", "group")
POLICY = Table(
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
LAYOUT = Table(
    (
        Key("layout", OneOf(("1",)), "Version of this format.", required=True),
        *_BOARD_KEYS,
        _guessed(_BOARD_KEYS),
        Key("chips", Named(_CHIP), "The flash chips.", required=True),
        Key("ram", _RAM, "The board's memory."),
        Key("regions", ListOf(_REGION), "Ranges of the chips and what they hold.", required=True),
        Key("stages", Named(_STAGE), "The systems that U-Boot can start."),
        Key("updates", Named(_UPDATE), "Procedures that write to the chips, step by step."),
        Key("written-elsewhere", ELSEWHERE, "Where the build says the same map again."),
        Key("policy", POLICY, "What fails the audit, and what is let through."),
    )
)
WHOLE = Table(
    (
        *LAYOUT.keys,
        Key(
            variants.KEY,
            Named(variants.Overlay(LAYOUT.keys, ListOf(_name))),
            "What differs on variants of the board; FILE#NAME chooses one.",
        ),
    )
)
