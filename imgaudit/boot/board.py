"""The layout and its artifacts in U-Boot's words: devices, partitions, files, scripts."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterable, Iterator, Mapping
from enum import StrEnum

from imgaudit.arches import ARCHES
from imgaudit.boot.call import NOR
from imgaudit.boot.media import READABLE
from imgaudit.boot.records import Kind, Operation, Partition, World
from imgaudit.chips import EMMC
from imgaudit.contents.build import Build, Placement
from imgaudit.contents.place import Node
from imgaudit.contents.starts import script_of
from imgaudit.contents.tree import PASSED_OVER, UNKNOWN, Content
from imgaudit.data import dataclass
from imgaudit.formats.fat import Fat
from imgaudit.formats.files import SCRIPT, Entry, Files, FileSystem
from imgaudit.formats.fit import FitFacts
from imgaudit.formats.gpt import Gpt
from imgaudit.formats.mbr import Mbr
from imgaudit.formats.uimage import UimageFacts
from imgaudit.maps.root import hosts
from imgaudit.model import Chip, Layout, Region
from imgaudit.patterns import regex
from imgaudit.units import Span

_SOURCED = (b"\x27\x05\x19\x56", b"\xd0\x0d\xfe\xed")  # the magics of what `source` runs
_ESP = "c12a7328-f81f-11d2-ba4b-00a0c93ec93b"
MAX_SCRIPT = 1 << 18
"""Bytes of a script that are read; the walk refuses longer ones."""


@dataclass(frozen=True, kw_only=True)
class Source:
    """What a command reads: a region, or a file in one.

    `content` is what is there, as far as it is known. `start` is where it starts on the device
    (None for files), `size` its bytes: for a container what it says itself, so that padding behind
    it does not count.
    """

    region: Region
    path: str | None = None
    content: Content | None = None
    start: int | None = None
    size: int | None = None

    @property
    def name(self) -> str:
        """The file's path, or the region."""
        return self.path or self.region.name


def _is_mmc(chip: Chip) -> bool:
    return chip.kind.device == "mmc"


def numbers(build: Build, layout: Layout) -> dict[str, int]:
    """Give U-Boot's numbers of the chips as far as they are known.

    The layout says them, or the aliases of the device trees at hand: `mmc1` there names the node of
    the eMMC where that is the only one that is not removable.
    """
    found = {chip.name: chip.number for chip in layout.chips.values() if chip.number is not None}
    fixed = [chip for chip in layout.chips.values() if _is_mmc(chip) and chip.kind is EMMC]
    if len(fixed) == 1 and fixed[0].name not in found:
        said = {host.fixed for host in hosts(build)} - {None}
        if len(said) == 1 and (number := said.pop()) is not None:
            found[fixed[0].name] = number
    return found


def devices(
    layout: Layout, environment: Mapping[str, str], numbered: Mapping[str, int]
) -> dict[str, str]:
    """Name the area behind each of U-Boot's devices.

    Chips have the number that is known of them. Else those of a kind count in the order of the
    layout, which is a guess: `nor`, `nor@1`, `nand0`, `mmc0`, `mmc1`. A single eMMC or card has the
    number that the variable `mmcdev` names: there may be others.
    """
    found = {}
    kinds = [chip.kind.device for chip in layout.chips.values()]
    named = environment.get("mmcdev", "")
    alone = kinds.count("mmc") == 1 and named.isdecimal() and len(named) < 3
    counts = {"mmc": int(named) if alone else 0}
    taken = {(chip.kind.device, numbered.get(chip.name)) for chip in layout.chips.values()}
    for chip in layout.chips.values():
        kind = chip.kind.device
        number = numbered.get(chip.name)
        if number is None:
            number = counts.get(kind, 0)
            while (kind, number) in taken:
                number += 1
            counts[kind] = number + 1
        # The commands call the first SPI-NOR by no number.
        device = f"{kind}{number}" if kind != NOR else f"{kind}@{number}" if number else kind
        found[device] = chip.name
        found |= {f"{device}.{name}": f"{chip.name}/{name}" for name, _ in chip.areas()}
    # U-Boot attaches one UBI at a time, whichever `ubi part` names last.
    for number, holder in enumerate(dict.fromkeys(r.area for r in layout.regions if r.holder)):
        found["ubi0" if not number else f"ubi0@{number}"] = holder
    return found


LOST = "it is erased"
"""Why nothing is known of a region that is taken as lost."""


class Damage(StrEnum):
    """What a region is taken to have become.

    Torn: what tells its kind is there, and what follows is partly old, partly new, partly neither.
    """

    ERASED = "erased"
    TORN = "torn"


def table_of(chip: str) -> str:
    """Name the primary copy of a chip's partition table among what can be damaged."""
    return f"{chip}:table"  # no region's name has a colon


@dataclass(frozen=True, slots=True)
class _Still:
    """What is known around the scripts whatever is damaged; see World.

    `speaking` are the regions of which more is known: they are partitions or hold a script, which
    goes with them.
    """

    mtd: Mapping[str, tuple[str, Span]]
    partitions: Mapping[tuple[str, str], Span]
    called: Mapping[tuple[str, str], str]
    tables: Mapping[str, tuple[Partition, ...]]
    attachable: Mapping[str, str]
    attached: str | None
    speaking: tuple[tuple[Region, str | None], ...]


class Board:
    """Looks up what commands touch; `damage` says what regions are taken to have become.

    `broken` names the parts of a torn region's container that are broken, where that is known.
    """

    def __init__(
        self,
        build: Build,
        layout: Layout,
        environment: Mapping[str, str],
        damage: Mapping[str, Damage] | None = None,
        broken: Mapping[str, frozenset[str]] | None = None,
    ) -> None:
        self.build = build
        self.damage = damage or {}
        self.broken = broken or {}
        self.layout = layout
        self.bits = ARCHES[layout.arch].bits
        numbered = numbers(build, layout)
        self.devices = devices(layout, environment, numbered)
        # One SPI-NOR, one NAND: there is no other that U-Boot could mean.
        self.assumed = frozenset(
            device
            for device, area in self.devices.items()
            if device.startswith("mmc") and "." not in device and area not in numbered
        )
        said = all(chip.number is not None for chip in layout.chips.values() if _is_mmc(chip))
        self.closed = frozenset(
            {"mmc"} if said and any(map(_is_mmc, layout.chips.values())) else ()
        )
        self._device_of = {area: device for device, area in self.devices.items()}
        self._partitions = dict(_partitions(build))
        self._without_primary = frozenset(self._damaged_tables())

    def is_erased(self, region: Region) -> bool:
        """Tell whether a region is taken as erased."""
        return self.damage.get(region.name) is Damage.ERASED

    def is_torn(self, region: Region) -> bool:
        """Tell whether a region is taken as torn; what is read from it is what it should be."""
        return self.damage.get(region.name) is Damage.TORN

    def has_torn_table(self, chip: str) -> bool:
        """Tell whether the primary copy of a chip's partition table is damaged, or taken so."""
        return table_of(chip) in self.damage or chip in self._without_primary

    def _damaged_tables(self) -> Iterator[str]:
        """Name the chips whose primary Linux refuses (is_gpt_valid, block/partitions/efi.c)."""
        for node in self.build.of(Gpt):
            primary, size = node.facts.primary, node.device_size
            if node.chip is None or node.start != 0:
                continue
            if (
                primary is None
                or not primary.intact
                or primary.my_lba != primary.lba
                or (size is not None and primary.last_usable_lba >= size // primary.block_size)
            ):
                yield node.chip.name

    def device(self, region: Region) -> str:
        """Give U-Boot's name of the device that a region is on."""
        return self._device_of[region.area]

    def regions(self, device: str | None) -> list[Region]:
        """Give the regions of a device by offset; none for an unknown device."""
        area = self.devices.get(device or "")
        return [] if area is None else self.layout.regions_on(area)

    def region_at(self, device: str | None, offset: int) -> Region | None:
        """Give the region of a device that holds an offset."""
        return next((one for one in self.regions(device) if one.span.holds(offset)), None)

    def others(self, chip: str) -> frozenset[str]:
        """Name all devices but those of one chip."""
        return frozenset(
            device for device, area in self.devices.items() if area.partition("/")[0] != chip
        )

    def partition(self, device: str | None, partition: str | None) -> Region | None:
        """Find a partition by its number in hex, as U-Boot reads it, or its name."""
        for region in self.regions(device):
            if partition in _names(region):
                return region
        return None

    def source(self, operation: Operation) -> Source | None:
        """Find what a command reads into RAM."""
        if operation.kind is Kind.LOAD:
            return self._file(operation)
        if operation.kind is not Kind.READ or operation.span is None:
            return None
        region = self.region_at(operation.device, operation.span.start)
        return None if region is None else self._inside(region, operation.span.start)

    def _inside(self, region: Region, at: int) -> Source:
        start = region.at + region.file_at
        placement = self.build.placement(region.name)
        content = placement.payload
        if self.is_erased(region):
            return Source(region=region, content=self.content(region), start=at)
        if content is None or not placement.complete:
            return Source(region=region, start=start)
        inner = content.at(at - start) if at >= start else None
        if inner is None:
            return Source(region=region, content=content, start=start, size=_length(content))
        return Source(region=region, content=inner, start=at, size=_length(inner))

    def _file(self, operation: Operation) -> Source | None:
        region = self.partition(operation.device, operation.partition)
        if region is None or operation.path is None:
            return None
        content = self.content(region)
        facts = content.facts if content is not None else None
        file = facts.file(operation.path) if isinstance(facts, FileSystem) else None
        if content is None or file is None:
            return Source(region=region, path=operation.path)
        return Source(region=region, path=file.path, content=content.file(file), size=file.size)

    def content(self, region: Region) -> Content | None:
        """Give what is in a region: its own artifact, else what the chip's image has there."""
        if self.is_erased(region):
            return Content(name=region.name, offset=0, size=region.size, title="erased", why=LOST)
        payload = self.build.placement(region.name).payload
        return payload or self._partitions.get((region.area, region.at))

    def has_efi(self) -> bool | None:
        """Tell whether a medium has what U-Boot's EFI boot manager could start; None: not known.

        Source: U-Boot lib/efi_loader/efi_bootmgr.c: the entries of BootOrder, which are kept in a
        file on a medium, and in later versions the program that each medium has for its kind.
        """
        known = True
        for region in self.layout.regions:
            if not _is_mmc(self.layout.area(region.area).chip):
                continue
            found = _files(content := self.content(region))
            if found is not None:
                if any(_EFI.match(path) for path, _ in found.reached()):
                    return True
                known &= found.complete
            else:
                held = _held(content)
                known &= held is not None and held not in READABLE
        return False if known else None

    def _tables(self) -> dict[str, tuple[Partition, ...]]:
        """Give the partition tables that were read, by device."""
        by_area = {area: device for device, area in self.devices.items()}
        found: dict[str, tuple[Partition, ...]] = {}
        nodes: Iterator[Node[Gpt] | Node[Mbr]] = itertools.chain(
            self.build.of(Gpt), self.build.of(Mbr)
        )
        for node in nodes:
            device = by_area.get(node.chip.name) if node.chip is not None else None
            if device is not None and node.start == 0:
                found.setdefault(device, tuple(_table(node.facts)))
        return found

    def _attachable(self) -> Iterator[tuple[str, str]]:
        """Give the UBI device behind each MTD name whose region has volumes."""
        for area, device in self._device_of.items():
            if device.startswith("ubi"):
                region = self.layout.region(area.partition("/")[2])
                yield from ((name, device) for name in region.labels)

    def _attached(self) -> str | None:
        """Give the UBI that U-Boot attaches by itself, since its environment is in there."""
        inside = (r.area for r in self.layout.regions if r.holder and r.env is not None)
        return self._device_of.get(next(inside, ""))

    def _still(self) -> _Still:
        """Work out what no damage changes, once for the build and its devices."""
        key = _Still, tuple(self.devices.items())
        if key not in self.build.once:
            regions = [placement.region for placement in self.build.placements]
            scripts = map(_raw_script, self.build.placements)
            named = [
                (self.device(region), name, region) for region in regions for name in _names(region)
            ]
            self.build.once[key] = _Still(
                mtd={
                    name: (self.device(region), region.span)
                    for region in regions
                    if region.partition is None and region.holder is None
                    for name in region.labels
                },
                partitions={(device, name): region.span for device, name, region in named},
                called={(device, name): region.name for device, name, region in named},
                tables=self._tables(),
                attachable=dict(self._attachable()),
                attached=self._attached(),
                speaking=tuple(
                    (region, script)
                    for region, script in zip(regions, scripts, strict=True)
                    if script is not None or _names(region)
                ),
            )
        still: _Still = self.build.once[key]
        return still

    def world(self, *, modern_shell: bool, default: Mapping[str, str] | None) -> World:
        """Describe what is known around the scripts."""
        layout = self.layout
        still = self._still()
        files: dict[tuple[str, str, str], int] = {}
        texts: dict[tuple[str, str, str], str] = {}
        formats: dict[tuple[str, str, str], str] = {}
        systems: dict[tuple[str, str], str] = {}
        raw: dict[tuple[str, int], str] = {}
        listed, caseless = set(), set()
        for region, script in still.speaking:
            device = self.device(region)
            content = self.content(region)
            found = _files(content)
            held = _held(content)
            if held is not None:
                systems |= {(device, name): held for name in _names(region)}
            if content is not None and found is not None:
                reached = list(found.reached())
                torn = self.is_torn(region)
                scripts = {} if torn else dict(_scripts(content, reached))
                kinds = dict(_formats(content, reached))
                for name in _names(region):
                    formats |= {(device, name, path): kind for path, kind in kinds.items()}
                    files |= {(device, name, path): file.size for path, file in reached}
                    texts |= {(device, name, path): text for path, text in scripts.items()}
                    if found.complete:
                        listed.add((device, name))
                    if isinstance(content.facts, Fat):
                        caseless.add((device, name))
            elif script is not None and not (self.is_erased(region) or self.is_torn(region)):
                raw[device, region.at + region.file_at] = script
        sizes = {
            device: area.size
            for device, name in self.devices.items()
            if (area := layout.area(name)).size is not None
        }
        return World(
            files=files,
            listed=frozenset(listed),
            caseless=frozenset(caseless),
            scripts=texts,
            raw_scripts=raw,
            formats=formats,
            systems=systems,
            called=still.called,
            partitions=still.partitions,
            tables=still.tables,
            assumed=self.assumed,
            closed=self.closed,
            sizes=sizes,
            erase={
                device: chip.largest_erase
                for device, name in self.devices.items()
                if (chip := layout.area(name).chip).erase_map
            },
            mtd=still.mtd,
            attachable=still.attachable,
            attached=still.attached,
            default_environment=default,
            modern_shell=modern_shell,
            bits=self.bits,
        )


_EFI = regex(r"/?(?:efi/|ubootefi\.var$)", re.IGNORECASE)
"""What the boot manager looks for: programs, and U-Boot's own file of variables."""
_BTRFS = (0x10040, 8)
_BTRFS_MAGIC = b"_BHRfS_M"
"""The one file system that U-Boot reads and for which there is no reader here."""
_SYSTEMS = {
    "fat": "fat",
    **dict.fromkeys(("ext2", "ext3", "ext4", "ext"), "ext4"),
    "squashfs": "squashfs",
    "erofs": "erofs",
    "btrfs": "btrfs",
}
"""File systems by the name of their reader, and as U-Boot's `fstype` calls them (fs/fs.c)."""


def _names(region: Region) -> set[str]:
    if region.holder is not None:
        return set(region.labels)
    if region.partition is None:
        return set()
    return {f"{region.partition:x}", *region.labels}


def _held(content: Content | None) -> str | None:
    """Name what a partition holds, as World.systems does; None where that is not known."""
    if content is None:
        return None
    if content.why == LOST:
        return ""
    looked = content.damaged_at is None and not content.why.startswith(PASSED_OVER)
    if content.format is None and content.view is not None and looked:
        blocks = content.view.upto(*_BTRFS)
        return None if blocks[-len(_BTRFS_MAGIC) :] == _BTRFS_MAGIC else UNKNOWN
    if content.facts is None or content.format is None:
        return None
    return _SYSTEMS.get(content.format, content.format)


def _table(facts: Gpt | Mbr) -> Iterator[Partition]:
    """Give a partition table as U-Boot's `part` knows it (disk/part_efi.c, disk/part_dos.c).

    An extended partition of the MBR is one of its own, and no type is told of any.
    """
    if isinstance(facts, Mbr):
        for record in facts.partitions:
            yield Partition(
                number=record.number,
                span=record.span,
                uuid=f"{facts.record.disk_signature:08x}-{record.number:02x}",
                bootable=record.boot_indicator == 0x80 or record.os_type == 0xEF,
            )
        return
    table = facts.table
    for entry in table.entries if table is not None else ():
        yield Partition(
            number=entry.number,
            span=table.span(entry) if table is not None else Span(0, 0),
            name=entry.name,
            uuid=entry.unique_guid.lower(),
            type=entry.type_guid.lower(),
            bootable=bool(entry.attributes & 4) or entry.type_guid.lower() == _ESP,
        )


def _formats(content: Content, files: Iterable[tuple[str, Entry]]) -> Iterator[tuple[str, str]]:
    """Say what the files of a file system are, as far as they were read."""
    for path, file in files:
        inner = content.file(file)
        if inner is not None and inner.format is not None:
            yield path, inner.format
        elif file.text is not None and not file.text.startswith(_SOURCED):
            yield path, "text"


def _length(content: Content) -> int:
    """Give the bytes that must be in RAM: all, less what only pads a container."""
    length = content.facts.length if content.facts is not None else None
    return content.size if length is None else min(length, content.size)


def _partitions(build: Build) -> Iterator[tuple[tuple[str, int], Content]]:
    """Give the partitions in the images of chips, by area and offset."""
    for image in build.images:
        whole = image.artifact.content.unwrapped() if image.artifact is not None else None
        if whole is not None and isinstance(whole.facts, Gpt | Mbr):
            for child in whole.children:
                yield (image.chip.name, child.offset), child


def _files(content: Content | None) -> Files | None:
    facts = content.facts if content is not None else None
    return facts.files if isinstance(facts, FileSystem) else None


def _scripts(content: Content, files: Iterable[tuple[str, Entry]]) -> Iterator[tuple[str, str]]:
    """Give the scripts and configurations among a file system's files."""
    for path, file in files:
        inner = content.file(file)
        text = _script(inner.facts) if inner is not None else None
        if text is not None:
            yield path, text
        elif file.text is not None and not file.path.lower().endswith(SCRIPT):
            yield path, _decoded(file.text)


def _script(facts: object) -> str | None:
    """Give the script of a uImage; U-Boot runs none whose sums do not hold (cmd/source.c)."""
    if not isinstance(facts, UimageFacts) or not facts.script:
        return None
    broken = any(checksum.matches is False for checksum in facts.checksums)
    return None if broken else _decoded(facts.script)


def _raw_script(placement: Placement) -> str | None:
    """Give the script that a region holds: a uImage's, or the one that a FIT means."""
    content = placement.payload
    facts = content.facts if content is not None else None
    if content is None or not isinstance(facts, FitFacts):
        return _script(facts)
    named = script_of(content)
    image = named.image if named is not None else None
    if image is None or image.data_offset is None or content.view is None:
        return None
    data = content.view.upto(image.data_offset, min(image.data_present, MAX_SCRIPT + 1))
    return _decoded(data)


def _decoded(data: bytes) -> str:
    # One byte more is enough for the parser to refuse it, and to say so.
    return data[: MAX_SCRIPT + 1].decode("utf-8", "backslashreplace")
