"""A layout put together from the values that were read, and what they must be to one another."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

from imgaudit.chips import KINDS, SPI_NOR, ChipKind
from imgaudit.errors import close
from imgaudit.layout.keys import Reading, Values, alternatives, suggested
from imgaudit.layout.placing import REST, Placing
from imgaudit.layout.tables import _AREAS, _NOT_OF_VOLUMES, ACCEPTED, ACTS, ELSEWHERE, JUDGED
from imgaudit.model import (
    FACTORY,
    SECTOR,
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


def _one_line(text: str) -> str:
    """Undo the line breaks of a YAML block text."""
    return " ".join(text.split())


def _keep_free(value: tuple[str, float] | None) -> KeepFree | None:
    if value is None:
        return None
    kind, amount = value
    return KeepFree(percent=amount) if kind == "percent" else KeepFree(size=int(amount))


class Assembly:
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
        """Build the layout; what is wrong is a problem of the reading."""
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
            said = [act for act in ACTS if act in item.places]
            if len(said) != 1:
                words = alternatives([act.value for act in ACTS], "and")
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
            **{key.name.replace("-", "_"): values.get(key.name) for key in ELSEWHERE.keys},
        )

    def _accepts(self, items: list[Values]) -> Iterator[Accept]:
        for item in items:
            named = [kind for kind in ACCEPTED if item.get(kind)]
            if len(named) != 1:
                self.reading.problem(item.where, f"say one of {alternatives(ACCEPTED, 'and')}")
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
            named = [kind for kind in JUDGED if item.get(kind)]
            if len(named) == 1:
                yield Must(named[0], item.get(named[0]), item.where)
            else:
                self.reading.problem(item.where, f"say one of {alternatives(JUDGED, 'and')}")

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
