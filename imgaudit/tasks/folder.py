"""Draft a layout from a whole build folder: every file is known by its content, not its name.

What the build says of its map is joined as draft.py does it for single sources; here the sources
are found, each artifact is put into the region that it belongs to, and the boot is walked for
stages.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING

from imgaudit import bounds
from imgaudit.arches import of_elf, of_kernel
from imgaudit.chips import EMMC
from imgaudit.contents.build import FolderStore
from imgaudit.contents.reader import Loader
from imgaudit.contents.slices import Slices
from imgaudit.contents.tree import BLOCK, Artifact, Content
from imgaudit.errors import ImgauditError, LayoutError
from imgaudit.files import Folder
from imgaudit.formats import identify
from imgaudit.formats.cpio import CpioFacts
from imgaudit.formats.elf import Elf
from imgaudit.formats.ext import Ext
from imgaudit.formats.fat import Fat
from imgaudit.formats.fdt import FdtFacts
from imgaudit.formats.ubi import Ubi
from imgaudit.formats.uboot_env import UbootEnv
from imgaudit.formats.view import FileSource, View
from imgaudit.model import FIRMWARE, FIRST_STAGES, HOLDS, SECTOR, Layout, Slot, Stage
from imgaudit.patterns import regex
from imgaudit.tasks.draft import Draft, DraftChip, Drafting, DraftRegion, as_of, comments, quoted
from imgaudit.tasks.items import PROBE, Found, Item, has_environment, items_of, sorted_out, word_of
from imgaudit.tasks.slots import slot_stem, slots_of, starts, taken_by, twins
from imgaudit.tasks.sources import Sources, read, word
from imgaudit.units import KIB, MIB, Span, both, counted, human, round_up

if TYPE_CHECKING:
    from imgaudit.rules.subject import Subject

# Where boot ROMs look on a card or an eMMC, and where that stage finds U-Boot's FIT (U-Boot
# doc/board/rockchip/rockchip.rst: sectors 64 and 16384; doc/board/allwinner/sunxi.rst: 8 KiB).
_ROM_PLACES: Mapping[str, tuple[int, int | None]] = {
    "rockchip-idb": (64 * SECTOR, 16384 * SECTOR),
    "egon": (8 * KIB, None),
}
_BOOT_AREA = 4 * MIB
_SMALLEST_CHIP = 256 * KIB
_SURE = 100
_SHOWN = 8
_RUN = 4 * KIB  # what lies between partitions starts on such a boundary, or is not found
_MOST_BETWEEN = 256 * MIB
_RESCUE = regex(r"recover|rescue|altboot")
_SECOND = regex(r"redund|backup|copy|(?:^|[-_.])(?:b|2|alt)(?:$|[-_.])", re.IGNORECASE)


def draft_folder(path: str) -> Draft:
    """Draft a layout from all that a build folder has.

    Raises:
        AuditError: there is no such folder, or nothing in it to draft from.

    """
    folder = Folder(path)
    with Loader() as loader, bounds.listening() as heard:
        unread: list[str] = []
        found = sorted_out(list(items_of(folder, loader, unread)), loader, folder)
        found.unread, found.heard = unread, heard
        at = {name: item.path for name, item in _sources(found)}
        sources = Sources(**at, folder=folder)
        drafting = _Folder(sources, found, folder)
        return drafting.draft()


def _sources(found: Found) -> Iterator[tuple[str, Item]]:
    for name, item in (
        ("device_tree", found.tree),
        ("disk", found.disk),
        ("environment", found.environments[0] if found.environments else found.program),
        ("uboot_config", found.config),
        ("sfdp", found.sfdp),
        ("ext_csd", found.ext_csd),
        ("disk_description", found.description),
    ):
        if item is not None:
            yield name, item


class _Again(FolderStore):
    """A folder whose files were read: what was read as what it should be is not read again."""

    def __init__(self, folder: Folder, loader: Loader, items: Iterable[Item]) -> None:
        super().__init__(folder, loader)
        self._known = {item.path: item for item in items}

    def begin(
        self, path: str, *, expects: str | None, emmc: bool, slices: Slices | None = None
    ) -> tuple[Callable[[], Artifact], int]:
        """See Store."""
        known = self._known.get(path)
        wanted = expects in {None, "raw", "blank"} or (known and known.payload.format == expects)
        if known is None or slices is not None or not wanted:
            return super().begin(path, expects=expects, emmc=emmc, slices=slices)
        content = known.artifact.content
        dropped = emmc and (expects or "raw") not in FIRMWARE
        if content.view is None and not dropped:
            return super().begin(path, expects=expects, emmc=emmc)
        artifact = replace(known.artifact, content=replace(content, expects=expects))
        return (lambda: artifact), 0


class _Folder(Drafting):
    """Drafts from a folder: regions get their artifacts, and the boot tells the stages."""

    def __init__(self, sources: Sources, found: Found, folder: Folder) -> None:
        super().__init__(sources, read(sources))
        self.found = found
        self.limits: list[str] = []  # what was left out while the boot was walked
        self.folder = folder
        self.text = ""

    def place(self, chips: list[DraftChip]) -> None:
        """Find the image of each flash, and the artifact of each region."""
        images: dict[str, Item] = {}
        if self.found.disk is not None:
            images |= {chip.name: self.found.disk for chip in chips if chip.name == "emmc"}
        spare = [item for item in self.found.items if item not in self.kept_out()]
        for chip in chips:
            if chip.name not in images:
                image = self.image_of(chip, spare)
                if image is not None:
                    images[chip.name] = image
                    chip.image = image.path
                    chip.lines.append(f"image: {quoted(image.path)}")
        spare = [item for item in spare if item not in images.values()]
        for chip in chips:
            image = images.get(chip.name)
            if image is not None and image is self.found.disk:
                chip.regions += self.between(chip, image, spare)
                self.order(chip)
        for chip in chips:
            self.artifacts(chip, images.get(chip.name), spare)
        self.firmware(chips)
        placed = {region.file for chip in chips for region in chip.regions}
        left = sorted(item.path for item in spare if item.path not in placed)
        left = [path for path in left if self.found.tree is None or path != self.found.tree.path]
        unread = [*(f"{where}: {why}" for where, why in self.found.heard), *self.found.unread]
        self.unused += unread[:_SHOWN]
        if len(unread) > _SHOWN:
            self.unused.append(f"not looked at: {counted(len(unread) - _SHOWN, 'more thing')}")
        if left:
            more = f" and {len(left) - _SHOWN} more" if len(left) > _SHOWN else ""
            self.unused.append(f"in no region: {', '.join(left[:_SHOWN])}{more}")

    def first_stages(self) -> list[DraftRegion]:
        """See Drafting: by the formats of two boot ROMs, where the device tree has a host."""
        words = [word_of(item.payload) for item in self.found.items]
        kind = next((kind for kind in _ROM_PLACES if kind in words), None)
        if kind is None or not any(self.hosts()):
            return []
        first, second = _ROM_PLACES[kind]
        # Some have what comes second behind the first; those for a flash are laid out otherwise.
        items = [item for item in self.found.items if word_of(item.payload) == kind]
        items.sort(key=lambda item: ("spi" in item.path.lower(), item.payload.size))
        program = self.found.program
        found = [_fixed("loader", items[0], first)]
        if (
            second is not None
            and items[0].payload.size <= second - first
            and program is not None
            and word_of(program.payload) == "fit"
        ):
            found[0].span = Span(first, second)
            found.append(_fixed("u-boot", program, second))
        found[0].guessed_why = f"where the boot ROM looks{as_of([it.label for it in found])}"
        return found

    def kept_out(self) -> list[Item | None]:
        """Give the files that are no content of a region, whatever they look like."""
        found = self.found
        kept_out = [found.disk, found.config, found.tool, found.sfdp, found.ext_csd]
        return [*kept_out, found.description]

    def image_of(self, chip: DraftChip, items: Iterable[Item]) -> Item | None:
        """Find the image of a whole flash: other files stand in it, where the map has a region."""
        best, most = None, 0
        end = max((region.span.end for region in chip.regions), default=0)
        for item in items:
            size = item.artifact.size
            if size < max(end, _SMALLEST_CHIP) or size & (size - 1) or _view(item) is None:
                continue
            there = {
                region.span.start
                for region in chip.regions
                for other in items
                if other is not item
                and other.artifact.size < size
                and _stands(item.artifact.content, region.span.start, other.payload)
            }
            if len(there) > most:
                best, most = item, len(there)
        return best

    def between(self, chip: DraftChip, image: Item, items: list[Item]) -> list[DraftRegion]:
        """Find what an image has where no partition is: first stages, U-Boot, its environment."""
        whole = image.payload.view if _view(image) is None else None
        found = []
        with self.seen(image, whole) as view:
            starts = sorted(region.span.start for region in chip.regions)
            reached = 0
            for run in _runs(view, [it.span for it in chip.regions]) if view is not None else ():
                if run.start < reached or view is None:
                    continue
                end = next((at for at in starts if at > run.start), min(chip.size, view.size))
                inside = view.sub(run.start, min(end, view.size) - run.start)
                region = self.standing(inside, Span(run.start, end), image, items)
                if region is not None:
                    reached = run.start + self.taken(region, inside)
                    found.append(region)
        # Each has what follows it, up to the next.
        for one, other in pairwise(found):
            one.span = Span(one.span.start, min(one.span.end, other.span.start))
        return found

    def taken(self, region: DraftRegion, view: View) -> int:
        """Give how many bytes of an image what stands there takes."""
        if region.env_size is not None:
            return region.env_size
        named = (it.payload.size for it in self.found.items if it.path == region.file)
        size = next(named, None)
        if size is None:
            known = identify(view)
            size = known[0][1].read(view).length if known else None
        return size or 0

    @contextmanager
    def seen(self, image: Item, kept: View | None) -> Iterator[View | None]:
        """Look at an image once more: as it was kept, or in its file where that is not packed."""
        if kept is not None or image.artifact.content.inner is not None:
            yield kept
            return
        descriptor, size = self.folder.open(image.path)
        try:
            yield View(FileSource(descriptor, size))
        finally:
            os.close(descriptor)

    def standing(self, view: View, run: Span, image: Item, items: list[Item]) -> DraftRegion | None:
        """Tell what stands at the start of bytes that no partition has."""
        source = f"{image.path}, where no partition is"
        for item in items:
            stored = item.payload.view
            size = min(item.payload.size, PROBE)
            if stored is not None and 0 < size <= view.size:
                data = stored.bytes(0, size)
                if len(set(data[: 4 * KIB])) > 1 and view.bytes(0, size) == data:
                    name = os.path.basename(item.path).partition(".")[0]
                    region = DraftRegion(name, run, source)
                    region.holds = word_of(item.payload) or "raw"
                    region.file, region.file_why = item.path, f"it stands there in {image.path}"
                    return region
        known = identify(view)
        if not known or known[0][1].name not in HOLDS:
            return None
        try:
            facts = known[0][1].read(view)
        except ImgauditError:
            return None
        kind = word(facts)
        if isinstance(facts, UbootEnv) and facts.blank is None:
            region = DraftRegion("env", run, source, holds=kind, writer="runtime")
            region.env_size = facts.size
            return region
        kind = known[0][1].name if known[0][1].name in FIRST_STAGES else kind
        return DraftRegion(kind, run, source, holds=kind) if kind in FIRMWARE - {"raw"} else None

    def artifacts(self, chip: DraftChip, image: Item | None, items: list[Item]) -> None:
        """Give each region the file that is likest to be its own; a file goes to one, by looks."""
        scores: list[tuple[int, int, int, str]] = []
        for at, region in enumerate(chip.regions):
            for number, item in enumerate(items):
                score, why = _likeness(region, item, image)
                if score:
                    scores.append((-score, at, number, why))
        for region in chip.regions:
            if image is not None and _blank(image, region):
                region.writer = "runtime"
                region.notes.append(f"blank in {image.path}: taken for what the board makes itself")
        taken: set[int] = set()
        for score, at, number, why in sorted(scores):
            region, item = chip.regions[at], items[number]
            if region.file is not None or (number in taken and -score < _SURE):
                continue
            taken.add(number)
            region.file, region.file_why = item.path, why
            kind = word_of(item.payload)
            if kind is not None:
                region.holds = kind
            if isinstance(item.payload.facts, Ubi):
                region.holds = "ubi"
                region.volumes = list(_volumes(item))
            if item.payload.size > region.span.size:
                what = f"{item.path} is larger than {region.label}"
                self.conflict(what, region.notes)
        for region in chip.regions:
            _as_its_twin(region, chip.regions)

    def firmware(self, chips: list[DraftChip]) -> None:
        """Put a boot loader that is in no region where a boot ROM may look for it on an eMMC."""
        program = self.found.program
        emmc = next((chip for chip in chips if chip.kind is EMMC), None)
        placed = {region.file for chip in chips for region in chip.regions}
        if program is None or emmc is None or program.path in placed:
            return
        if any(it.file and it.holds in FIRST_STAGES for chip in chips for it in chip.regions):
            return  # it is what that one starts, or in its file
        known = self.said.ext_csd.boot_area if self.said.ext_csd is not None else None
        size = known or _BOOT_AREA
        if program.payload.size > size:
            return
        if not known:
            emmc.lines.append(f"boot-area: {human(size)}")
            emmc.guessed.append("boot-area")
        region = DraftRegion("firmware", Span(0, size), "the boot loader", area="/boot0")
        region.holds = word_of(program.payload) or "raw"
        region.file, region.file_why = program.path, "nothing says where it goes"
        region.guessed = ["chip", "at", "size"]
        region.guessed_why = "where the boot ROM looks for it"
        emmc.regions.insert(0, region)

    def made_for(self, chip: DraftChip) -> tuple[int, int, str] | None:
        """See Drafting: a UBI tells the erase blocks and pages that it was made for."""
        made = {
            (facts.peb_size, facts.vid_hdr_offset, item.path)
            for item in self.found.items
            if isinstance(facts := item.payload.facts, Ubi)
        }
        if len({it[:2] for it in made}) != 1 or not any(
            re.search("ubi", region.label) for region in chip.regions
        ):
            return None
        block, page, path = min(made)
        return None if block is None or chip.size % block else (block, page, path)

    def arch(self) -> str | None:
        """Tell what the board runs: else by the kernels and programs, where they agree."""
        told = super().arch()
        if told is not None:
            return told
        contents = [content for item in self.found.items for content in item.contents]
        kernels = {of_kernel(content.format) for content in contents} - {None}
        programs = {
            of_elf(content.facts.machine, content.facts.bits)
            for content in contents
            if isinstance(content.facts, Elf)
        }
        only = kernels or programs
        return only.pop() if len(only) == 1 else None

    # Stages

    def stages(self, chips: list[DraftChip]) -> Iterator[str]:
        """Walk the environment in a layout without stages, and say what each way takes."""
        try:
            found = list(self.walked(chips))
        except (ImgauditError, LayoutError):
            found = []
        if self.limits:
            more = len(self.limits) - _SHOWN
            yield ""
            yield from comments(self.limits[:_SHOWN], 0)
            if more > 0:
                yield f"# not looked at: {counted(more, 'more thing')}"
        if not found:
            yield from super().stages(chips)
            return
        yield ""
        yield "# From walking the environment; look at the regions that each of them needs."
        yield "stages:"
        yield from found

    def walked(self, chips: list[DraftChip]) -> Iterator[str]:
        from imgaudit.layout.load import parse
        from imgaudit.rules.subject import gather

        lines = [*self.head(), "chips:"]
        for chip in chips:
            lines += [f"  {chip.name}:", *(f"    {line}" for line in chip.written())]
        lines += [*self.ram(), "regions:"]
        for chip in chips:
            lines += self.regions(chip)
        lines += self.elsewhere()
        layout = parse("\n".join(lines).encode(), "the draft")
        with Loader() as loader:
            subject = gather(layout, _Again(self.folder, loader, self.found.items))
        heard = set(self.found.heard)
        limits = ((it.name, it.why) for it in subject.ledger if it.kind == "limit")
        self.limits = [f"{where}: {why}" for where, why in limits if (where, why) not in heard]
        rescue = self.rescue_region(layout, subject)
        used = {entry: _used(subject, entry) for entry in subject.boots.followed}
        main = Stage(where=layout.where, name="main", regions=(), entry="bootcmd")
        if used.get("bootcmd"):
            everything = replace(main, regions=tuple(it.name for it in layout.regions))
            taken = used["bootcmd"] | taken_by(subject, layout, everything)
            main = replace(main, regions=_needed(layout, subject, taken, alone=False))
        other = replace(main, regions=tuple(name for name in main.regions if name != rescue))
        twofold = rescue in main.regions and starts(subject, layout, other)
        main = other if twofold else main
        # Where nothing else starts, and it is called so, the recovery is what the board has.
        if rescue in main.regions and _RESCUE.search(layout.region(rescue or "").label.lower()):
            yield from _stage(replace(main, name="recovery", entry=_alias(subject, "bootcmd")))
            yield f"    ramdisk: {quoted(rescue or '')}"
            yield from self.needs(rescue or "", subject)
            return
        if main.regions:
            yield from _stage(main)
            yield from _slots(slots_of(subject, layout, main))
        for entry in _rescue_entries(subject, used, rescue, within=twofold):
            regions = _needed(layout, subject, used.get(entry) or {rescue or ""}, alone=True)
            recovery = Stage(where=layout.where, name="recovery", regions=regions, entry=entry)
            if entry in used or starts(subject, layout, recovery):
                yield from _stage(replace(recovery, entry=_alias(subject, entry)))
                yield f"    ramdisk: {quoted(rescue or '')}"
                yield from self.needs(rescue or "", subject)
                break

    def rescue_region(self, layout: Layout, subject: object) -> str | None:
        """Find the region of a flash whose artifact brings a ramdisk."""
        from imgaudit.contents.build import Build

        for placement in subject.placements if isinstance(subject, Build) else ():
            payload = placement.payload
            flash = layout.chips[placement.region.chip].kind.mtd
            inside = payload.walk() if payload is not None and flash else ()
            if any(isinstance(content.facts, CpioFacts) for content in inside):
                return placement.region.name
        return None

    def needs(self, region: str, subject: object) -> Iterator[str]:
        from imgaudit.contents.build import Build
        from imgaudit.rescue.stage import rescue_alone

        if not isinstance(subject, Build):
            return
        artifact = subject.placement(region).artifact
        if artifact is None:
            return
        try:
            rescue = rescue_alone(artifact)
        except (ImgauditError, ValueError):
            return
        met = [group.name for group in rescue.facts.groups if group.met] if rescue.facts else []
        if met:
            yield f"    needs: [{', '.join(met)}]  # what the ramdisk has today"

    def elsewhere(self) -> Iterator[str]:
        """Name the sources as copies of the map, by their paths inside the folder."""
        found = self.found
        lines = [
            f"  {key}: {quoted(item.path)}"
            for key, item in (
                ("device-tree", found.tree if found.tree and found.tree.has(FdtFacts) else None),
                ("environment", found.environments[0] if found.environments else None),
                ("uboot-config", found.config),
                ("flash-tool-config", found.tool),
                ("disk-description", found.description),
            )
            if item is not None
        ]
        if lines:
            yield ""
            yield "written-elsewhere:"
            yield from lines


def _runs(view: View, taken: Iterable[Span]) -> Iterator[Span]:
    """Give the runs of stored bytes outside of some spans and of the boot record."""
    free, at = [], _RUN
    for span in sorted(taken):
        free.append(Span(min(at, span.start), span.start))
        at = max(at, span.end)
    free.append(Span(min(at, view.size), view.size))
    start: int | None = None
    end = left = 0
    left = _MOST_BETWEEN // _RUN
    for stored in view.source.data():
        for gap in free:
            inside = stored.common(gap)
            for place in range(inside.start // _RUN * _RUN, inside.end, _RUN):
                data = view.upto(place, min(_RUN, gap.end - place))
                left -= 1
                if not left:
                    why = f"only {both(_MOST_BETWEEN)} outside of partitions are looked through"
                    bounds.left_out(f"what follows {place:#x}", why)
                    return
                if not data.strip(b"\0") or not data.strip(b"\xff"):
                    continue
                if start is not None and place > end:
                    yield Span(start, end)
                    start = None
                start, end = place if start is None else start, place + len(data)
    if start is not None:
        yield Span(start, end)


def _used(subject: Subject, entry: str) -> set[str]:
    """Name the regions that an entry reads; none where it starts nothing."""
    walk = subject.boots.followed[entry].walk
    sources = (subject.boots.source(item) for item in walk.operations if walk.boots)
    return {source.region.name for source in sources if source is not None}


def _needed(layout: Layout, subject: Subject, used: set[str], *, alone: bool) -> tuple[str, ...]:
    """Name what a way to start takes: what it reads, and what goes before and with it.

    What must do `alone` takes from the chips that it reads only.
    """
    areas = {layout.region(name).area for name in used}
    loaders = {it.node.region.name for it in subject.firmware if it.node.region is not None}
    found = []
    for region in layout.regions:
        near = region.area in areas
        first = region.at == 0 or region.holds in FIRST_STAGES or region.name in loaders
        before = (first or region.holds == "uboot-env") and (not alone or near)
        beside = region.partition is not None or region.holder is not None
        if region.name in used or before or (beside and near and not alone):
            found.append(region.name)
    return tuple(found)


def _rescue_entries(
    subject: Subject, used: Mapping[str, set[str]], rescue: str | None, *, within: bool
) -> Iterator[str]:
    """Name what may start the recovery: what U-Boot runs, else what bootcmd comes to by itself."""
    if rescue is None:
        return
    named = sorted(used, key=lambda name: _RESCUE.search(name) is None)
    yield from (name for name in named if name != "bootcmd" and rescue in used[name])
    if within:
        for operation in subject.boots.followed["bootcmd"].walk.operations:
            yield from operation.runs


def _alias(subject: Subject, entry: str) -> str:
    """Give what an entry is but another name of."""
    variable = subject.boots.variables.get(entry)
    only = re.fullmatch(r"\s*run\s+(\w+)\s*;?\s*", variable.value) if variable else None
    return only[1] if only is not None else entry


def _stage(stage: Stage) -> Iterator[str]:
    yield f"  {stage.name}:"
    yield f"    regions: [{', '.join(map(quoted, stage.regions))}]"
    yield f"    entry: {quoted(stage.entry or '')}  # by walking it"


def _slots(slots: tuple[Slot, ...]) -> Iterator[str]:
    if slots:
        yield "    slots:  # each was tried"
    for slot in slots:
        values = ", ".join(f"{key}: {quoted(text)}" for key, text in slot.variables.items())
        regions = ", ".join(map(quoted, slot.regions))
        yield f"      {quoted(slot.name)}:"
        yield f"        variables: {{{values}}}"
        yield f"        regions: [{regions}]"


def _volumes(item: Item) -> Iterator[DraftRegion]:
    """Give the volumes of a UBI, with what each of them holds."""
    facts = item.payload.facts
    for volume in facts.volumes if isinstance(facts, Ubi) else ():
        content = item.payload.part(volume.name)
        region = DraftRegion(volume.name, Span(0, max(volume.room, 1)), item.path)
        region.holds = (word_of(content) if content is not None else None) or "raw"
        if volume.autoresize or content is None:
            region.writer = "runtime"
        inside = content.facts if content is not None else None
        if isinstance(inside, UbootEnv):
            region.env_size, region.writer = inside.size, "runtime"
        yield region


def _view(item: Item) -> View | None:
    return item.artifact.content.view


def _stands(image: Content, at: int, payload: Content) -> bool:
    """Tell whether a payload stands in an image at an offset: by bytes, else by block digests."""
    if at + payload.size > image.size or not payload.size:
        return False
    if image.view is not None and payload.view is not None:
        size = min(payload.size, PROBE)
        try:
            data = payload.view.bytes(0, size)
            return len(set(data[: 4 * KIB])) > 1 and image.view.bytes(at, size) == data
        except ImgauditError:
            return False
    have, want = image.blocks, payload.blocks
    if have is None or want is None or at % BLOCK or not want.digests:
        return False
    base, whole = at // BLOCK, payload.size // BLOCK
    told = [number for number in want.digests if number < whole]
    return bool(told) and all(
        have.digests.get(base + number) == want.digests.get(number) for number in range(whole)
    )


def _fixed(label: str, item: Item, at: int) -> DraftRegion:
    """Give a region at a place that is usual, which nothing in the folder tells."""
    span = Span.sized(at, max(MIB, round_up(item.payload.size, MIB)))
    region = DraftRegion(label, span, "what is usual")
    region.holds, region.file = word_of(item.payload) or "raw", item.path
    region.file_why, region.guessed = "by its format", ["at", "size"]
    return region


def _as_its_twin(region: DraftRegion, regions: list[DraftRegion]) -> None:
    """Give a slot the file of the other one: what is built once goes into both."""
    for other in regions:
        alike = other.span.size == region.span.size and twins(region.label, other.label)
        fits = other.holds != "uboot-env" and region.holds in {"raw", other.holds}
        if region.file is None and other.file is not None and alike and fits:
            region.holds, region.file = other.holds, other.file
            region.file_why = f"as in {other.label}"


def _blank(image: Item, region: DraftRegion) -> bool:
    """Tell whether an image has nothing but zeros in a partition, by its block digests."""
    blocks = image.artifact.content.blocks or image.payload.blocks
    if blocks is None or region.number is None:
        return False
    touched = range(region.span.start // BLOCK, -(-region.span.end // BLOCK))
    return not any(number in touched for number in blocks.digests)


def _likeness(region: DraftRegion, item: Item, image: Item | None) -> tuple[int, str]:
    """Say how sure it is that a file is a region's, and why; 0 where nothing speaks for it."""
    payload = item.payload
    if image is not None:
        whole = image.artifact.content.unwrapped()
        base = image.artifact.content if _view(image) is not None else whole
        if _stands(base, region.span.start, payload):
            return _SURE, f"it stands there in {image.path}"
    if region.wanted is not None and region.wanted == os.path.basename(item.path):
        return 80, "what assembles the image puts it there"
    label, stem = _normal(region.label), _normal(slot_stem(region.label))
    kind = word_of(payload)
    if region.holds not in {"raw", kind} and (kind is not None or region.holds == "uboot-env"):
        return 0, ""
    if region.holds == "uboot-env" and kind == "uboot-env":
        second = bool(_SECOND.search(region.label)) == bool(_SECOND.search(item.path))
        return (45 if second else 30), "an environment"
    name = _normal(os.path.basename(item.path).partition(".")[0])
    inside = _normal(_volume(payload))
    if label and inside == label:
        return 60, "the file system's label"
    if label and name == label:
        return 50, "its name"
    if label and stem in {inside, name}:
        return 45, "its name, without the slot"
    if kind == "ubi" and "ubi" in label:
        return 40, "its format, ubi"
    if kind is not None and kind == region.holds and kind in {"fip", "fdt"}:
        return 40, f"its format, {kind}"
    if item.payload.size > region.span.size:
        return 0, ""
    if len(stem) > 2 and (stem in name or (len(name) > 2 and name in label)):
        return 20, "its name, nearly"
    if any(meant.search(region.label.lower()) and fits(item) for meant, fits in _MEANT):
        return 10, "what it is"
    return 0, ""


def _brings(*kinds: type) -> Callable[[Item], bool]:
    return lambda item: any(isinstance(it.facts, kinds) for it in item.contents)


# What a region is called that holds such a file (common practice, no source).
_MEANT: tuple[tuple[re.Pattern[str], Callable[[Item], bool]], ...] = (
    (_RESCUE, _brings(CpioFacts)),
    (regex(r"kernel|linux"), lambda item: item.kernel and not _brings(CpioFacts)(item)),
    (regex(r"boot(?!loader)|esp|efi"), lambda item: item.has(Fat)),
    (regex(r"u-?boot|firmware|bootloader"), has_environment),
    (regex(r"spl|first|loader"), lambda item: word_of(item.payload) in FIRST_STAGES),
    (regex(r"root|system"), lambda item: item.system),
)


def _volume(content: Content) -> str:
    facts = content.facts
    if isinstance(facts, Ext):
        return str(getattr(facts, "volume_name", "") or getattr(facts, "label", "") or "")
    if isinstance(facts, Fat):
        return str(getattr(facts, "label", "") or "")
    return ""


def _normal(text: str) -> str:
    return re.sub(r"[^a-z0-9]+", "", text.lower())
