"""Draft a layout from what a build already says of its map: a start, with every doubt marked.

What sources say differently is never chosen silently: it becomes a comment and a conflict.
"""

from __future__ import annotations

import math
import os
import re
from collections.abc import Iterable, Iterator
from dataclasses import field
from itertools import count, pairwise

from imgaudit.arches import ARCHES, of_processor
from imgaudit.chips import EMMC, PARALLEL_NOR, RAW_NAND, SD_CARD, SPI_NAND, SPI_NOR, ChipKind
from imgaudit.clean import clean
from imgaudit.data import dataclass
from imgaudit.errors import AuditError
from imgaudit.formats.fdt import FdtFacts
from imgaudit.formats.gpt import Gpt, GptTable
from imgaudit.formats.guid import type_name
from imgaudit.formats.mbr import Mbr
from imgaudit.formats.sfdp import SfdpFacts
from imgaudit.layout.keys import alternatives
from imgaudit.maps.entry import MapCopy, MapEntry, Medium
from imgaudit.maps.parts import nor_size
from imgaudit.model import HOLDS, SECTOR
from imgaudit.patterns import regex
from imgaudit.tasks.sections import FOUND, PASS, Report
from imgaudit.tasks.sources import Said, Sources, read
from imgaudit.units import GIB, KIB, MIB, Span, both, counted, human, place, round_up

__all__ = ["Draft", "Sources", "draft"]

FILL_IN = "fill in"
_USUAL_ERASE = 64 * KIB
_SMALLEST_ERASE = 4 * KIB
_MOST_ALIGN = 4 * MIB
_MOST_PARTITIONS = 128  # that a layout numbers
_RAW = frozenset({Medium.SPI_NOR, Medium.PARALLEL_NOR, Medium.NAND, Medium.UNKNOWN})
_FREE = "free before it: "
_WINDOW = 16 * MIB
_BOOTABLE = 0x80
_LIMIT = 1 << 62  # a layout takes no number of 2^63 and above
_YAML_WORDS = frozenset({"yes", "no", "on", "off", "true", "false", "null"})
# What a driver calls its flash (common practice, no source).
_SAYS_KIND = regex(r"spi|nor|nand|physmap|m25p|qspi", re.IGNORECASE)
# What a label says of its region; the first that fits counts (common practice, no source).
_MEANS = (
    (regex(r"env"), "uboot-env", "runtime"),
    (regex(r"(?:^|[-_])fip"), "fip", "release"),
    (regex(r"(?:^|[-_])(?:dtb?|fdt|device-?tree)(?:$|[-_\d])"), "fdt", "release"),
    (
        regex(r"factory|calib|serial|ident|(?:^|[-_])(?:art|mac)\d*(?:$|[-_])"),
        "raw",
        "factory",
    ),
    (
        regex(r"data|(?:^|[-_])logs?(?:$|[-_])|nvram|overlay|settings|persist"),
        "raw",
        "runtime",
    ),
)


@dataclass(frozen=True, slots=True)
class Draft:
    """A layout as text, and what the sources say differently or what cannot be as it stands."""

    text: str
    conflicts: tuple[str, ...]

    @property
    def report(self) -> Report:
        """The draft as what a command gives; what a terminal or a CI log obeys is escaped."""
        return Report(
            command="draft",
            title="a draft",
            status=FOUND if self.conflicts else PASS,
            document="".join(f"{clean(line)}\n" for line in self.text.rstrip("\n").split("\n")),
            warnings=tuple(f"conflict: {conflict}" for conflict in self.conflicts),
        )


@dataclass(slots=True)
class DraftRegion:
    """A region while it is put together; `notes` become comments above it.

    `others` are what further sources call it; `env_size` is that of the environment found there,
    `wanted` is the file that a source puts there, `volumes` are those of a UBI. `area` is a part of
    the chip beside its main one, such as /boot0.
    """

    label: str
    span: Span
    source: str
    holds: str = "raw"
    writer: str = "release"
    number: int | None = None
    type: str | None = None
    notes: list[str] = field(default_factory=list)
    name: str = ""
    bootable: bool | None = None
    file: str | None = None
    file_why: str = ""
    others: list[str] = field(default_factory=list)
    env_size: int | None = None
    wanted: str | None = None
    volumes: list[DraftRegion] = field(default_factory=list)
    area: str = ""
    guessed: list[str] = field(default_factory=list)
    guessed_why: str = ""


@dataclass(slots=True)
class DraftChip:
    """A chip while it is put together: its keys as lines, its regions, and what is said of it."""

    name: str
    about: str
    tables: list[tuple[str, MapCopy]] = field(default_factory=list)
    size: int = 0
    lines: list[str] = field(default_factory=list)
    regions: list[DraftRegion] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    image: str | None = None
    kind: ChipKind = SPI_NOR
    guessed: list[str] = field(default_factory=list)

    def written(self) -> Iterator[str]:
        """Give its keys, and which of them are guesses: those keep an audit from passing."""
        yield from self.lines
        if self.guessed:
            told = f"look up {alternatives(self.guessed, 'and')} of {self.name}, by"
            told += f" {self.kind.told_by}; then delete this line"
            yield f"guessed: [{', '.join(self.guessed)}]{_mark(told)}"


_START = "Name such a file with an option of --help, or write the layout by hand: see layouts/"
_NOTHING = (
    "nothing tells of a flash chip or a disk: no device tree with partitions, no environment with"
    " mtdparts, no image of a disk and no description of one"
)


def draft(sources: Sources) -> Draft:
    """Draft a layout.

    Raises:
        AuditError: a source cannot be read, or there is nothing to draft; says why.

    """
    return Drafting(sources, read(sources)).draft()


class Drafting:
    def __init__(self, sources: Sources, said: Said) -> None:
        self.sources = sources
        self.said = said
        self.unused = list(said.unused)
        self.conflicts: list[str] = []
        self.names: set[str] = set()
        self.silent: list[str] = []

    def draft(self) -> Draft:
        chips = self.nors()
        told = (self.said.disk, self.said.ext_csd, self.said.description)
        if any(source is not None for source in told) or (not chips and self.first_stages()):
            chips.append(self.emmc(self.said.disk))
        self.place(chips)
        if not chips:
            why = "; ".join(self.unused) or _NOTHING
            raise AuditError(f"there is nothing to draft: {_plain(why)}. {_START}")
        for chip in chips:
            self.named(chip)
        self.silent = [it.name for chip in chips for it in chip.regions if self.is_silent(chip, it)]
        lines = [*self.head(), "", "chips:"]
        for chip in chips:
            lines += [f"  {chip.name}:", *comments(chip.notes, 4)]
            lines += [f"    {line}" for line in chip.written()]
        lines += self.ram()
        lines += [
            "",
            "# Who writes a region after the factory: factory (nobody), release, runtime.",
        ]
        lines += ["regions:"] if any(chip.regions for chip in chips) else ["regions: []"]
        for chip in chips:
            lines += self.regions(chip)
        lines += [*self.stages(chips), *self.elsewhere(), "", "policy:", "  fail-on: error"]
        return Draft(_with_list(lines), tuple(self.conflicts))

    def first_stages(self) -> list[DraftRegion]:
        """Give what a boot ROM reads from a fixed place of a card or an eMMC.

        Single sources bring none.
        """
        return []

    def place(self, chips: list[DraftChip]) -> None:
        """Find the artifact of each region; single sources bring none."""

    def conflict(self, text: str, notes: list[str]) -> None:
        """Say what cannot be as it stands, in the draft and beside it."""
        self.conflicts.append(text)
        notes.append(f"conflict: {text}")

    # The head

    def head(self) -> Iterator[str]:
        tree = self.said.tree
        yield "# A draft. Look for 'fill in' and 'conflict', correct it, and then run"
        yield "#     imgaudit audit THIS-FILE --artifacts DIR"
        yield "#"
        for path in _given(self.sources):
            yield f"# From {_plain(path)}."
        for why in self.unused:
            yield f"# Not drafted: {_plain(why)}."
        yield ""
        yield "layout: 1"
        compatible = tree.compatible[0] if tree is not None and tree.compatible else None
        board = _word((compatible or "").rpartition(",")[2])
        yield f"board: {_scalar(board or 'board')}{'' if board else _mark('a name for the board')}"
        if tree is not None and tree.model and _sayable(tree.model):
            yield f"summary: {quoted(tree.model)}"
        arch = self.arch()
        yield f"arch: {arch or 'arm64'}"
        if arch is None:
            yield f"guessed: arch{_mark('what the board runs; then delete this line')}"
        if compatible is not None and _sayable(compatible):
            yield f"compatible: {quoted(compatible)}"

    def arch(self) -> str | None:
        config = self.said.config
        for name, arch in ARCHES.items() if config is not None else ():
            if config is not None and arch.option and config.config.enabled(arch.option):
                return name
        cpus = self.said.tree.tree.get("/cpus") if self.said.tree is not None else None
        words = (
            word for cpu in (cpus.children if cpus else ()) for word in cpu.texts("compatible")
        )
        return next(filter(None, map(of_processor, words)), None)

    def ram(self) -> Iterator[str]:
        tree = self.said.tree
        banks = sorted(_banks(tree)) if tree is not None else []
        yield ""
        apart = all(one.end <= other.start for one, other in pairwise(banks))
        if not banks or not apart:
            yield "# fill in: the RAM, which no source gives in a form that can be used"
            yield "# ram:"
            yield "#   banks:"
            yield "#     - {at: 0x80000000, size: 512 MiB}"
            return
        yield "ram:"
        yield "  banks:"
        for bank in banks:
            yield f"    - {{at: {place(bank.start)}, size: {_size(bank.size)}}}"
        reserved = list(_reserved(tree, banks)) if tree is not None else []
        if reserved:
            yield "  reserved:"
        for name, span in reserved:
            where = f"at: {place(span.start)}, size: {_size(span.size)}"
            yield f"    - {{name: {_scalar(name)}, {where}}}"

    # SPI-NOR

    def nors(self) -> list[DraftChip]:
        """Give a chip for each device that the sources partition, and for the SFDP dump."""
        chips: list[DraftChip] = []
        skipped: list[str] = []
        for source, table in self.said.maps:
            if table.medium not in _RAW or table.partial:
                skipped.append(f"{table.device} in {source} is {table.medium.value}")
                continue
            alike = self.alike(chips, source, table)
            if alike is None and re.search(r"emmc|mmc", table.device):
                skipped.append(f"{table.device} in {source} is no flash by its name")
                continue
            if alike is None:
                kind = self.kind_of(table)
                count = sum(chip.kind.device == kind.device for chip in chips)
                name = f"{kind.device}{count + 1 if count else ''}"
                alike = DraftChip(name, table.device, kind=kind)
                if table.medium is Medium.UNKNOWN and not _SAYS_KIND.search(table.device):
                    alike.guessed.append("kind")
                chips.append(alike)
            alike.tables.append((source, table))
        for flash in self.said.flash:
            if flash.medium is Medium.SPI_NOR and not flash.disabled_by:
                path = flash.node.path
                known = any(path == table.device for chip in chips for _, table in chip.tables)
                if not known and not any(path in why for why in self.unused):
                    skipped.append(f"{path} is a SPI-NOR without partitions")
        if not chips and self.said.sfdp is not None:
            chips.append(DraftChip("nor", "the chip of the SFDP dump"))
        self.unused += skipped
        for number, chip in enumerate(chips):
            self.nor(chip, self.said.sfdp if number == 0 else None)
        return chips

    def kind_of(self, table: MapCopy) -> ChipKind:
        """Tell what a map partitions: by the device tree, else by its name."""
        node = next((it.node for it in self.said.flash if it.node.path == table.device), None)
        compatible = " ".join(node.texts("compatible")) if node is not None else ""
        if table.medium is Medium.PARALLEL_NOR or "physmap" in table.device:
            return PARALLEL_NOR
        if table.medium is Medium.NAND or "nand" in table.device:
            return SPI_NAND if "spi-nand" in f"{compatible} {table.device}" else RAW_NAND
        return SPI_NOR

    @staticmethod
    def alike(chips: list[DraftChip], source: str, table: MapCopy) -> DraftChip | None:
        """Find the chip that another source's table maps: the one with the most in common."""
        best, most = None, 0
        for chip in chips:
            if any(source == other for other, _ in chip.tables):
                continue
            first = chip.tables[0][1]
            known = {(entry.label, entry.offset) for entry in first.entries}
            labels = {entry.label for entry in first.entries}
            common = sum(
                (entry.label in labels) + ((entry.label, entry.offset) in known)
                for entry in table.entries
            )
            if common > most:
                best, most = chip, common
        return best

    def nor(self, chip: DraftChip, sfdp: SfdpFacts | None) -> None:
        for number, (source, table) in enumerate(chip.tables):
            chip.notes += [f"{source}: {note}" for note in table.notes]
            for entry in table.entries:
                self.entry(chip, source, entry, first=number == 0)
        self.configured(chip)
        chip.notes.insert(0, chip.about)
        chip.lines.append(f"kind: {chip.kind}")
        highest = max((region.span.end for region in chip.regions), default=0)
        open_end = any(region.span.size == 0 for region in chip.regions)
        sfdp = sfdp if chip.kind is SPI_NOR else None
        named = self.by_name(chip)
        if sfdp is not None and sfdp.density:
            chip.size = sfdp.density
            chip.lines.append(f"size: {_size(chip.size)}  # by its SFDP")
        elif named is not None:
            chip.size = named[0]
            chip.lines.append(f"size: {_size(chip.size)}  # by its compatible {_plain(named[1])}")
        else:
            chip.size = max(1 << max(0, highest - (not open_end)).bit_length(), MIB)
            chip.lines.append(f"size: {_size(chip.size)}  # the last partition ends in it")
            chip.guessed.append("size")
        self.ends(chip)
        self.erase(chip, sfdp)
        if sfdp is not None:
            if sfdp.page_size is not None and chip.size % sfdp.page_size == 0:
                chip.lines.append(f"page: {sfdp.page_size}")
            if chip.size <= _WINDOW and 3 in sfdp.address_bytes:
                chip.lines.append("address-bytes: 3")
            if sfdp.unreachable:
                what = f"by its SFDP the chip has {human(chip.size)}, but 3 address bytes only"
                self.conflict(what, chip.notes)
        if chip.size > _WINDOW and chip.kind.serial:
            chip.lines.append(
                "# fill in: address-bytes, four-byte-mode and reset-pin (above 16 MiB)"
            )
        if self.sources.sfdp is not None and sfdp is not None:
            chip.lines.append(f"sfdp: {_file(self.sources.sfdp)}")
        self.order(chip)

    def by_name(self, chip: DraftChip) -> tuple[int, str] | None:
        """Give the size that the chip's name in the device tree tells."""
        tree = self.said.tree
        for _, table in chip.tables if tree is not None else ():
            node = tree.tree.get(table.device) if tree is not None else None
            size = nor_size(node.texts("compatible")) if node is not None else None
            if size is not None:
                return size
        return None

    def entry(self, chip: DraftChip, source: str, entry: MapEntry, *, first: bool) -> None:
        """Take an entry, or compare it with the one that an earlier source has."""
        what = f"{_plain(entry.label)} of {source}"
        if entry.offset is None or entry.offset < 0 or entry.offset >= _LIMIT:
            self.conflict(f"{what} has no offset that can be used", chip.notes)
            return
        if (entry.size or 0) >= _LIMIT:
            self.conflict(f"{what} has an impossible size", chip.notes)
            return
        if entry.parent is not None:
            note = f"{what}, {_size(entry.size or 0)} at {place(entry.offset)}, is part of"
            chip.notes.append(f"{note} {_plain(entry.parent)}")
            return
        # An end that is left open is known when the chip's size is.
        span = Span.sized(entry.offset, entry.size or 0)
        labelled = (it for it in chip.regions if entry.label in {it.label, *it.others})
        same = next(labelled, None)
        if same is None and not first:
            same = next((item for item in chip.regions if span.size and item.span == span), None)
            if same is not None:
                same.others.append(entry.label)
                same.notes.append(f"{source} calls it {_plain(entry.label)}")
        if first or same is None:
            region = DraftRegion(entry.label, span, source)
            region.holds, region.writer = _meaning(entry)
            if entry.read_only:
                region.notes.append(f"read-only in {source}")
            if not first:
                self.conflict(f"{what} is not in {chip.tables[0][0]}", region.notes)
            chip.regions.append(region)
            return
        if entry.to_end or same.span.size == 0:
            differs = same.span.start != span.start
        else:
            differs = same.span != span
        if differs:
            self.conflict(
                f"{_plain(entry.label)} is {_told(span)} in {source}, {_told(same.span)} in"
                f" {same.source}",
                same.notes,
            )

    def configured(self, chip: DraftChip) -> None:
        """Hold ENV_OFFSET and its redundant twin against the regions, or take them for some."""
        config = self.said.config
        table = config.environment() if config is not None else None
        if table is None or table.medium is not Medium.SPI_NOR or chip.name != "nor":
            return
        for entry in table.entries:
            start, size = entry.offset or 0, entry.size or 0
            if any(region.span.start == start for region in chip.regions) or not size:
                continue
            span = Span.sized(start, size)
            what = f"the {entry.label} of U-Boot's configuration, {_told(span)},"
            over = next((item for item in chip.regions if item.span.overlaps(span)), None)
            if over is not None:
                self.conflict(f"{what} lies in {_plain(over.label)}", chip.notes)
                continue
            region = DraftRegion(entry.label.replace(" ", "-"), span, "U-Boot's configuration")
            region.holds, region.writer = "uboot-env", "runtime"
            if chip.tables:
                self.conflict(f"{what} is not in {chip.tables[0][0]}", region.notes)
            chip.regions.append(region)

    def ends(self, chip: DraftChip) -> None:
        """Close the open ends, and leave out what is the whole chip or nothing of it."""
        kept = []
        for region in chip.regions:
            if region.span.size == 0:
                if region.span.start >= chip.size:
                    what = f"{_plain(region.label)} starts at {place(region.span.start)}"
                    self.conflict(f"{what}, at or past the end of the chip", chip.notes)
                    continue
                region.span = Span(region.span.start, chip.size)
            whole = region.span.start == 0 and region.span.end >= chip.size
            if whole and len(chip.regions) > 1:
                chip.notes.append(f"{_plain(region.label)} of {region.source} is the whole chip")
                continue
            if region.span.end > chip.size:
                over = region.span.end - chip.size
                what = f"{_plain(region.label)} ends {both(over)} past the chip's end"
                self.conflict(what, region.notes)
            kept.append(region)
        chip.regions = kept

    def erase(self, chip: DraftChip, sfdp: SfdpFacts | None) -> None:
        unit = math.gcd(chip.size, *(end for item in chip.regions for end in _ends(item.span)))
        asked = self.said.config.environment_sector_size if self.said.config is not None else None
        if sfdp is not None and sfdp.erase_types:
            everywhere = [
                size
                for size in sfdp.erase_sizes
                if chip.size % size == 0
                and all(
                    size in region.erase_sizes
                    for sectors in sfdp.sector_maps
                    for region in sectors.regions
                )
            ]
            usual = [size for size in everywhere if size <= _USUAL_ERASE]
            size = max(usual, default=min(everywhere, default=min(sfdp.erase_sizes)))
            if chip.size % size == 0:
                choice = ", ".join(human(size) for size in sfdp.erase_sizes)
                why = f"the chip has {choice}; take what U-Boot and Linux use"
                chip.lines.append(f"erase-block: {_size(size)}  # {why}")
                self.misaligned(chip, size)
                return
        made = self.made_for(chip)
        if made is not None:
            block, page, path = made
            chip.lines.append(f"erase-block: {_size(block)}  # by {_plain(path)}")
            if chip.kind.bad_blocks:
                chip.lines.append(f"page: {_size(page)}  # by {_plain(path)}")
            self.misaligned(chip, block)
            return
        most = 2 * _USUAL_ERASE if chip.kind.bad_blocks else _USUAL_ERASE
        size = asked or min(unit, most)
        if size < 1 or chip.size % size:
            size = min(unit, most)
        if size == asked:
            why = "by ENV_SECT_SIZE of U-Boot's configuration"
        else:
            why = "all partitions are of such"
            chip.guessed.append("erase-block")
        chip.lines.append(f"erase-block: {_size(size)}  # {why}")
        if chip.kind.bad_blocks:
            chip.lines.append(f"page: {_size(chip.kind.page)}")
            chip.guessed.append("page")
        self.misaligned(chip, max(size, _SMALLEST_ERASE))

    def made_for(self, chip: DraftChip) -> tuple[int, int, str] | None:
        """Give erase block and page of what was made for the chip, with its path: a UBI has them.

        Single sources bring none.
        """
        del chip
        return None

    def misaligned(self, chip: DraftChip, erase: int) -> None:
        for region in chip.regions:
            for word, at in zip(("starts", "ends"), _ends(region.span), strict=True):
                if at % erase and at != chip.size:
                    what = f"{_plain(region.label)} {word} at {place(at)}, inside an erase block of"
                    self.conflict(f"{what} {human(erase)}", region.notes)

    def order(self, chip: DraftChip) -> None:
        """Sort by place, and say what overlaps and what is free."""
        chip.regions.sort(key=lambda region: (region.span.start, region.span.end))
        for number, one in enumerate(chip.regions):
            for other in chip.regions[number + 1 :]:
                common = one.span.common(other.span)
                if common.size:
                    how = ", one inside the other" if common in {one.span, other.span} else ""
                    self.conflict(
                        f"{_plain(one.label)} and {_plain(other.label)} share {both(common.size)}"
                        f" from {place(common.start)}{how}",
                        other.notes,
                    )
        at = 0
        for region in chip.regions:
            region.notes = [note for note in region.notes if not note.startswith(_FREE)]
            if region.span.start > at:
                free = Span(at, region.span.start)
                region.notes.insert(0, f"{_FREE}{both(free.size)} from {place(at)}")
            at = max(at, region.span.end)

    # eMMC

    def emmc(self, disk: Gpt | Mbr | None) -> DraftChip:
        chip = DraftChip("emmc", "the eMMC")
        registers = self.said.ext_csd
        hosts = dict(self.hosts())
        card = registers is None and len(hosts) == 1 and True in hosts.values()
        chip.kind = SD_CARD if card else EMMC
        why = "  # the device tree's only host is not non-removable" if card else ""
        chip.lines.append(f"kind: {chip.kind}{why}")
        if len(hosts) == 1:
            chip.lines.append(f"number: {min(hosts)}  # by the device tree's alias")
        elif list(hosts.values()).count(False) != 1:
            chip.lines.append(f"# {FILL_IN}: number, U-Boot's own, such as the 0 of mmc 0")
        if registers is not None:
            chip.size = registers.size
            chip.lines.append(f"sectors: {registers.sectors}  # by its EXT_CSD")
        elif disk is not None:
            chip.size = max(disk.view_size // SECTOR * SECTOR, SECTOR)
            chip.lines.append(f"sectors: {chip.size // SECTOR}  # the length of the image")
            chip.guessed.append("sectors")
        if disk is not None and registers is not None and disk.view_size > registers.size:
            over = disk.view_size - registers.size
            self.conflict(f"the disk image is {both(over)} longer than the eMMC", chip.notes)
        if isinstance(disk, Gpt) and disk.table is not None:
            self.listed(chip, disk.table)
        if isinstance(disk, Mbr):
            chip.lines.append("table: mbr")
            self.records(chip, disk)
        if self.said.description is not None:
            self.description(chip, *self.said.description)
        self.by_the_last(chip, disk)
        starts = [region.span.start for region in chip.regions]
        align = math.gcd(_MOST_ALIGN, *starts)
        if starts and align >= _SMALLEST_ERASE:
            chip.lines.append(f"align: {_size(align)}  # all partitions start at such")
            chip.guessed.append("align")
        if registers is not None:
            for key, value in (
                ("boot-area", registers.boot_area),
                ("erase-group", registers.erase_group),
                ("write-protect-group", registers.write_protect_group),
            ):
                if value:
                    chip.lines.append(f"{key}: {_size(value)}")
            chip.lines.append(f"ext-csd: {_file(self.sources.ext_csd or '')}")
        if self.sources.disk is not None and disk is not None:
            chip.image = self.sources.disk
            chip.lines.append(f"image: {_file(self.sources.disk)}")
        self.order(chip)
        return chip

    def by_the_last(self, chip: DraftChip, disk: Gpt | Mbr | None) -> None:
        """Take what only a boot ROM tells, and a size from the last region where none is told."""
        if disk is None and not chip.regions:
            chip.regions += self.first_stages()
        if not chip.size:
            end = max((region.span.end for region in chip.regions), default=MIB)
            # A GPT has its copy behind the last partition.
            chip.size = end if "table: mbr" in chip.lines else round_up(end + 33 * SECTOR, MIB)
            chip.lines.insert(1, f"sectors: {chip.size // SECTOR}  # the last partition ends here")
            chip.guessed.append("sectors")

    def description(self, chip: DraftChip, source: str, copy: MapCopy) -> None:
        """Take the names of a disk's partitions from what makes it or, without a disk, all."""
        known = {region.number: region for region in chip.regions if region.number is not None}
        for entry in copy.entries:
            if entry.offset is None or not 0 <= entry.offset < _LIMIT:
                continue
            span = Span.sized(entry.offset, entry.size or 0)
            there = known.get(entry.number) if entry.number is not None else None
            if there is not None:
                if there.label.startswith("partition-"):
                    there.label = entry.label
                there.wanted = entry.file and os.path.basename(entry.file)
                if there.span.start != span.start or (entry.size and there.span != span):
                    what = f"{_plain(entry.label)} is {_told(span)} in {_plain(source)}"
                    self.conflict(f"{what}, {_told(there.span)} on the disk", there.notes)
            elif self.said.disk is None and (span.size or entry.number is None):
                region = DraftRegion(entry.label, span, source)
                region.number = entry.number
                region.wanted = entry.file and os.path.basename(entry.file)
                region.holds = entry.holds or "raw"
                region.writer = _writer(entry.label)
                chip.regions.append(region)
        starts = sorted(region.span.start for region in chip.regions)
        for region in chip.regions:
            if not region.span.size:
                # It is as large as what goes there, and has the room up to the next.
                later = (at for at in starts if at > region.span.start)
                region.span = Span(region.span.start, next(later, region.span.start + MIB))
        if self.said.disk is None and copy.table == "mbr":
            chip.lines.append("table: mbr")
        chip.notes.append(f"named as in {_plain(source)}")

    def hosts(self) -> Iterator[tuple[int, bool]]:
        """Give U-Boot's number of each eMMC or card by the tree's aliases, and if it is a card."""
        tree = self.said.tree.tree if self.said.tree is not None else None
        aliases = tree.get("/aliases") if tree is not None else None
        for name in aliases.properties if aliases is not None else ():
            number = name.removeprefix("mmc")
            path = aliases.text(name) if aliases is not None and number.isdecimal() else None
            node = tree.get(path) if tree is not None and path else None
            if node is not None and node.enabled() and len(number) < 3:
                yield int(number), "non-removable" not in node.properties

    def listed(self, chip: DraftChip, table: GptTable) -> None:
        """Take the partitions of a GPT."""
        for entry in table.entries:
            span = table.span(entry)
            if not 0 < span.size <= span.end < _LIMIT:
                what = f"partition {entry.number} ({_plain(entry.name)}) has no usable range"
                self.conflict(what, chip.notes)
                continue
            region = DraftRegion(entry.name or f"partition-{entry.number}", span, "the disk image")
            region.number = entry.number if entry.number <= _MOST_PARTITIONS else None
            region.type = type_name(entry.type_guid) or entry.type_guid
            found = self.said.holds.get(entry.number, "raw")
            region.holds = found if found in HOLDS else "raw"
            region.writer = _writer(entry.name)
            if span.end > chip.size:
                what = f"{_plain(region.label)} ends {both(span.end - chip.size)}"
                self.conflict(f"{what} past the chip's end", region.notes)
            chip.regions.append(region)

    def records(self, chip: DraftChip, disk: Mbr) -> None:
        """Take the partitions of an MBR, but not the container of the logical ones."""
        for item in disk.partitions:
            if item.extended or not 0 < item.span.size <= item.span.end < _LIMIT:
                continue
            region = DraftRegion(f"partition-{item.number}", item.span, "the disk image")
            region.number = item.number if item.number <= _MOST_PARTITIONS else None
            region.type = f"'0x{item.os_type:02x}'"
            region.bootable = item.boot_indicator == _BOOTABLE
            found = self.said.holds.get(item.number, "raw")
            region.holds = found if found in HOLDS else "raw"
            if item.span.end > chip.size:
                what = f"{region.label} ends {both(item.span.end - chip.size)}"
                self.conflict(f"{what} past the chip's end", region.notes)
            chip.regions.append(region)

    # Regions and the rest

    def named(self, chip: DraftChip) -> None:
        """Give every region a name of its own: the label where that can be one."""
        for region in (it for held in chip.regions for it in (held, *held.volumes)):
            stem = name = _word(region.label) or "region"
            for number in count(2):
                if name not in self.names:
                    break
                name = f"{stem}-{number}"
            self.names.add(name)
            region.name = name

    def regions(self, chip: DraftChip) -> Iterator[str]:
        environments = [region for region in chip.regions if region.holds == "uboot-env"]
        unsure = [region.name for region in chip.regions if not self.sure(chip, region)]
        for region in chip.regions:
            yield from comments(region.notes, 2)
            yield f"  - name: {_scalar(region.name)}"
            if region.others:
                called = filter(_sayable, (region.label, *region.others))
                yield f"    labels: [{', '.join(map(quoted, called))}]"
            elif region.label != region.name and _sayable(region.label):
                yield f"    label: {quoted(region.label)}"
            yield f"    chip: {chip.name}{region.area}"
            if region.number is not None:
                yield f"    partition: {region.number}"
            if region.type is not None:
                yield f"    type: {region.type}"
            if region.bootable is not None:
                yield f"    bootable: {'set' if region.bootable else 'unset'}"
            yield f"    at: {place(region.span.start)}"
            yield f"    size: {_size(region.span.size)}"
            mark = ""
            if unsure[:1] == [region.name]:
                mark = _mark(f"its format, and file:{as_of(unsure)}")
            yield f"    holds: {region.holds}{mark}"
            if region.file is not None:
                yield f"    file: {quoted(_plain(region.file))}  # {region.file_why}"
            yield f"    writer: {region.writer}"
            yield from self.guesses(region)
            if region.holds == "uboot-env":
                yield from self.shape(region, environments)
            for volume in region.volumes:
                yield f"  - name: {_scalar(volume.name)}"
                if volume.label != volume.name and _sayable(volume.label):
                    yield f"    label: {quoted(volume.label)}"
                yield f"    chip: {chip.name}/{region.name}"
                yield f"    size: {volume.span.size}  # {human(volume.span.size)}"
                yield f"    holds: {volume.holds}"
                yield f"    writer: {volume.writer}"
                if volume.holds == "uboot-env":
                    yield from self.shape(volume, [it for it in region.volumes if it.env_size])

    @staticmethod
    def sure(chip: DraftChip, region: DraftRegion) -> bool:
        """Tell whether something says what a region holds."""
        known = region.holds != "raw" or region.writer != "release"
        return known or region.file is not None or chip.image is not None

    def guesses(self, region: DraftRegion) -> Iterator[str]:
        """Say which of a region's keys are guesses, and what to look up."""
        told = region.guessed_why
        if region.name in self.silent[:1]:
            told = f"who writes it{as_of(self.silent)}, since the build has nothing for it"
        keys = [*region.guessed, *(["writer"] if region.name in self.silent else [])]
        if keys:
            mark = _mark(f"{told}; then delete this line") if told else ""
            yield f"    guessed: [{', '.join(keys)}]{mark}"

    @staticmethod
    def is_silent(chip: DraftChip, region: DraftRegion) -> bool:
        """Tell whether nothing but a name says that no build writes a region."""
        told = region.writer == "release" or region.holds == "uboot-env"
        return not told and region.file is None and chip.image is None

    def shape(self, region: DraftRegion, environments: list[DraftRegion]) -> Iterator[str]:
        config = self.said.config
        size = self.said.environment_size
        told = config.environment_size if config is not None else None
        if None not in {size, told} and size != told:
            what = f"ENV_SIZE is {both(told or 0)}, the environment has {both(size or 0)}"
            if what not in self.conflicts:
                self.conflicts.append(what)
            yield f"    # conflict: {what}"
        known = region.env_size or size or told
        fits = known if known and known <= region.span.size else region.span.size
        copy = next((item.name for item in environments if item is not region), None)
        pair = f", copy: {_scalar(copy)}" if copy and len(environments) == 2 else ""
        yield f"    env: {{size: {_size(fits)}{pair}}}"
        if known != fits:
            mark = _mark("its size, by CONFIG_ENV_SIZE or fw_env.config; then delete this line")
            yield f"    guessed: env{mark if region is environments[0] else ''}"

    def stages(self, chips: list[DraftChip]) -> Iterator[str]:
        del chips
        yield ""
        yield "# fill in: the systems that U-Boot can start, and what each of them needs"
        yield "# stages:"
        yield "#   recovery: {regions: [...], entry: recovery, ramdisk: recovery}"
        yield "#   main: {regions: [...], entry: bootcmd}"

    def elsewhere(self) -> Iterator[str]:
        """Name the sources as copies of the map: the audit holds them against the layout."""
        sources = self.sources
        lines = [
            f"  {key}: {value}"
            for key, value in (
                ("device-tree", sources.device_tree and _file(sources.device_tree)),
                ("environment", sources.environment and _file(sources.environment)),
                ("mtdparts", sources.mtdparts and quoted(sources.mtdparts)),
                ("uboot-config", sources.uboot_config and _file(sources.uboot_config)),
                (
                    "disk-description",
                    sources.disk_description and _file(sources.disk_description),
                ),
            )
            if value
        ]
        if lines:
            yield ""
            yield "# fill in: paths inside the artifacts folder; flash-tool-config, if there is one"
            yield "written-elsewhere:"
            yield from lines


def _with_list(lines: list[str]) -> str:
    """Put what is open at the top, each with its line, behind the first comments."""
    opened = [
        (number, line.partition(f"{FILL_IN}: ")[2])
        for number, line in enumerate(lines, 1)
        if f"{FILL_IN}: " in line
    ]
    head = next(number for number, line in enumerate(lines) if line == "#")
    count = len(opened)
    told = [f"# Open: {counted(count, 'line')} to fill in."] if opened else []
    shift = len(told) + count
    told += [f"#   line {number + shift}: {what}" for number, what in opened]
    return "\n".join([*lines[:head], *told, *lines[head:]]) + "\n"


def _given(sources: Sources) -> Iterator[str]:
    for key, what in (
        ("device_tree", "the device tree"),
        ("mtdparts", "mtdparts"),
        ("disk", "the disk image"),
        ("environment", "the environment"),
        ("uboot_config", "U-Boot's configuration"),
        ("sfdp", "the SFDP dump"),
        ("ext_csd", "the EXT_CSD dump"),
        ("disk_description", "the description of the disk"),
    ):
        value = getattr(sources, key)
        if value is not None:
            yield f"{what} {value if key == 'mtdparts' else os.path.basename(value)}"


def _meaning(entry: MapEntry) -> tuple[str, str]:
    label = entry.label.lower()
    for pattern, holds, writer in _MEANS:
        if pattern.search(label):
            # What the kernel may not write is no one's to write at run time.
            return holds, "release" if writer == "runtime" and entry.read_only else writer
    return "raw", "release"


def _writer(label: str) -> str:
    for pattern, _, writer in _MEANS:
        if pattern.search(label.lower()):
            return writer
    return "release"


def _ends(span: Span) -> tuple[int, int]:
    return span.start, span.end


def as_of(names: list[str]) -> str:
    return f", as of {', '.join(names[1:])}" if names[1:] else ""


def _told(span: Span) -> str:
    return f"{both(span.size) if span.size else 'all that is left'} at {place(span.start)}"


def _banks(tree: FdtFacts) -> Iterator[Span]:
    for memory in tree.memory:
        if memory.enabled and memory.size and memory.base + memory.size < _LIMIT:
            yield Span.sized(memory.base, memory.size)


def _reserved(tree: FdtFacts, banks: Iterable[Span]) -> Iterator[tuple[str, Span]]:
    for item in tree.reserved:
        if item.base is None or not item.size or not item.enabled:
            continue
        span = Span.sized(item.base, item.size)
        name = _word(item.path.rpartition("/")[2].partition("@")[0])
        if name and any(bank.contains(span) for bank in banks):
            yield name, span


def _word(text: str) -> str:
    """Make a name of a text; empty where nothing of it can be one."""
    return re.sub(r"[^A-Za-z0-9_.+-]+", "-", text).strip("-_.+")


def _scalar(name: str) -> str:
    """Write a name: bare, unless YAML 1.1 could take it for a number or a truth value."""
    bare = re.fullmatch(r"[A-Za-z][A-Za-z0-9_.+-]+", name) and name.lower() not in _YAML_WORDS
    return name if bare else quoted(name)


def _size(value: int) -> str:
    for unit, scale in (("GiB", GIB), ("MiB", MIB), ("KiB", KIB)):
        if value and value % scale == 0:
            return f"{value // scale} {unit}"
    return str(value)


def _sayable(text: str) -> bool:
    """Tell whether a layout takes a text: it refuses control characters."""
    return bool(text) and text.isprintable()


def quoted(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'


def _file(path: str) -> str:
    return quoted(_plain(os.path.basename(path)))


def _plain(text: str) -> str:
    """Make a text fit for a comment: one line without control characters."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)


def _mark(what: str) -> str:
    return f"  # {FILL_IN}: {what}"


def comments(notes: Iterable[str], indent: int) -> Iterator[str]:
    """Give notes as comments of the layout."""
    for note in notes:
        yield f"{' ' * indent}# {_plain(note)}"
