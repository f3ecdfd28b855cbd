"""An update, walked step by step and block by block: what starts if the power goes there.

A write to NOR or NAND is a row of erase blocks, each of which goes from old over erased and partly
programmed to new; a cut can lie in any of them, and a block whose erase was cut can read as either.
So a region is old, new, or torn at a block. Where its first block is not whole, it may read as
nothing that is known, or as what it should be and broken; behind that, as what it should be and
broken: its container decides what then happens. On an eMMC or a card the sectors of a write can
land in any order before a flush. States that read the same are one.

Where the release before is known, a region that no step has written yet has that one's content, so
that a cut between two steps leaves the true pair of old and new.

Source: U-Boot drivers/mtd/spi/sf_probe.c and cmd/sf.c (`sf_update`: block by block), mtd-utils
flashcp.c (all blocks are erased first), disk/part_efi.c (`write_gpt_table`: the primary, then the
backup; `find_valid_gpt`: U-Boot takes the backup where the primary does not hold); Linux and U-Boot
drivers/mtd/ubi/upd.c and U-Boot cmd/ubi.c (a volume's update marker); Linux drivers/mtd/ubi/vtbl.c
(`ubi_vtbl_rename_volumes`: one new table, written to both of its copies); for unstable
reads after a cut erase, and for the order of sectors in a cache: common practice, no source.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import field, replace

from imgaudit import bounds
from imgaudit.boot.board import Damage, table_of
from imgaudit.boot.found import Boots
from imgaudit.data import dataclass
from imgaudit.formats.ext_csd import ExtCsdFacts
from imgaudit.formats.fit import FitFacts
from imgaudit.model import FACTORY, Act, Region, Stage, Update, UpdateStep, Writer
from imgaudit.proof.before import Before
from imgaudit.proof.power import NO_FIRMWARE, After, PowerOn, State
from imgaudit.proof.saving import Counts, Scheme, phases
from imgaudit.proof.tears import MAX_IMAGES, tears
from imgaudit.units import Span

U_BOOT = "u-boot"
"""Who runs a procedure that a script of U-Boot describes."""
WAY = ", way "
"""What parts the name of a script from the number of a way through it."""
_HEAD = (Damage.ERASED, Damage.TORN)
_BODY = (Damage.TORN,)


@dataclass(frozen=True, kw_only=True)
class Cut:
    """The power goes in one part of a step; over all its `blocks` (first and last) it goes alike.

    `number` counts the steps from 1, `phase` is erase, write, mark, done, primary, backup or "",
    `copy` the region of the environment that it works on, `of` the blocks in all. `starts` and
    `how` as in After, over all that such a cut can leave; `fails` tells that some of it starts
    nothing. `torn` is a region that is started though torn, `hole` that no copy of the environment
    is left, `spoiled` names regions in the same erase blocks of which no artifact exists. `images`
    are those of a FIT that are broken, `without` the stages that take the region and cannot start.
    `mixture` are the regions of the new release and those of the old one that start together, and
    `lacks` as in After. `repeats` tells whether the update can be done again (None: not known).
    """

    number: int
    step: UpdateStep
    phase: str = ""
    copy: str = ""
    blocks: tuple[int, int] | None = None
    of: int = 0
    starts: tuple[str, ...] | None = ()
    how: str = ""
    fails: bool = False
    torn: str = ""
    hole: bool = False
    spoiled: tuple[str, ...] = ()
    images: tuple[str, ...] = ()
    without: tuple[str, ...] = ()
    mixture: tuple[tuple[str, ...], tuple[str, ...]] | None = None
    lacks: str = ""
    repeats: bool | None = None

    @property
    def what(self) -> str:
        """Say what is going on."""
        return _what(self.step, self.phase, self.copy)

    @property
    def place(self) -> str:
        """Say which blocks are meant; nothing where there are none."""
        if self.blocks is None:
            return ""
        first, last = self.blocks
        if first == last:
            return f"block {first}"
        return f"block {first} to {last}"


@dataclass(frozen=True, kw_only=True)
class Walked:
    """One update with all its cuts.

    `normal` names what starts before it. `under` are steps that write what the system that runs
    them is mounted from; `early` steps that make the board start from a region that is not whole
    yet; `mixed` steps after which it starts from what is neither the old nor the new choice. Each
    is the step's number and the region. `before` is the release that the board had, where it is
    known, `unknown` why it is not although the layout names one.
    """

    update: Update
    normal: tuple[str, ...] | None
    cuts: tuple[Cut, ...]
    under: tuple[tuple[int, str], ...] = ()
    early: tuple[tuple[int, str], ...] = ()
    mixed: tuple[tuple[int, str], ...] = ()
    before: Before | None = None
    unknown: str = ""


def walk_updates(
    power: PowerOn,
    boots: Boots,
    updates: Sequence[Update],
    befores: Mapping[str, Before] | None = None,
) -> tuple[Walked, ...]:
    """Walk every update; `befores` are old releases by the names that updates call them.

    The one called "" is that of every update which names none.
    """
    if boots.why:
        return ()
    powers = {name: power.since(one) for name, one in (befores or {}).items()}

    def walked(update: Update) -> Walked:
        found = _Walk(powers.get(update.since, power), update).all()
        if not update.since or update.since in powers:
            return found
        return replace(found, unknown=f"no --old {update.since}=… says where that release is")

    return tuple(_for_this_slot(map(walked, updates)))


def _for_this_slot(found: Iterable[Walked]) -> Iterator[Walked]:
    """Leave out ways of a script that are for another slot, where one is for this."""
    for _, group in itertools.groupby(found, key=_script):
        ways = list(group)
        mine = [walked for walked in ways if not walked.under]
        yield from mine or ways


def _script(walked: Walked) -> tuple[str, str]:
    """Give what the ways of one script have in common; an update of the layout is alone."""
    update = walked.update
    return update.by, update.name.partition(WAY)[0] if update.script else update.name


_LONGEST = 24  # characters of a value that is worth its room
_MOST = 4  # variables of one save that are told
_VERBS = {
    Act.WRITE: "writing",
    Act.ERASE: "erasing",
    Act.COPY: "copying",
    Act.REBOOT: "reboot",
}
_DONE = {Act.WRITE: "written", Act.ERASE: "erased", Act.COPY: "copied"}


def _what(step: UpdateStep, phase: str, copy: str) -> str:
    if step.act is Act.UNKNOWN:
        return step.said
    if step.act is Act.SET:
        values = list(step.variables.items())
        said = ", ".join(
            f"{name}={value or ''}" if len(value or "") <= _LONGEST else name
            for name, value in values[:_MOST]
        )
        said += f" and {len(values) - _MOST} more" if len(values) > _MOST else ""
        said = f"set {said}" if said else "save the environment"
        return said if phase in {"done", ""} else f"{said}, {_SAVING[phase]} {copy}".rstrip()
    if step.act is Act.TABLE:
        return f"writing the {phase} table of {step.target}".replace("  ", " ")
    if step.act is Act.RENAME:
        pairs = ", ".join(f"{old} to {new}" for old, new in step.renames)
        return f"renaming {pairs}" if phase != "done" else f"renamed {pairs}"
    source = f"{step.source} to " if step.source else ""
    if phase == "done":
        return f"{source}{step.target} {_DONE[step.act]}"
    verb = "erasing" if phase == "erase" else _VERBS[step.act]
    return f"{verb} {source}{step.target}".strip()


_SAVING = {"erase": "erasing", "write": "writing", "mark": "marking"}


@dataclass(frozen=True, slots=True)
class _Class:
    """Blocks whose cut reads alike: what the region can read as, and what else is erased.

    `broken` are the images of a FIT that are torn, None where each may be.
    """

    phase: str
    first: int
    last: int
    readings: tuple[Damage, ...]
    beside: tuple[str, ...] = ()
    broken: frozenset[str] | None = None


@dataclass(slots=True)
class _Walk:
    power: PowerOn
    update: Update
    damage: dict[str, Damage] = field(default_factory=dict)
    old: set[str] = field(default_factory=set)
    names: dict[str, str] = field(default_factory=dict)
    broken: dict[str, frozenset[str]] = field(default_factory=dict)
    changes: dict[str, str | None] = field(default_factory=dict)
    cached: set[str] = field(default_factory=set)
    current: int = 0
    running: frozenset[str] = frozenset()
    cuts: list[Cut] = field(default_factory=list)
    under: list[tuple[int, str]] = field(default_factory=list)
    early: list[tuple[int, str]] = field(default_factory=list)
    settled: list[After] = field(default_factory=list)
    normal: After = field(default_factory=lambda: After(None, ""))
    # Who runs the next step, and who can once all is done.
    runners: set[str] = field(default_factory=set)
    heirs: set[str] = field(default_factory=set)

    def all(self) -> Walked:
        """Walk the steps."""
        before = self.power.before
        self.old = set() if before is None else set(before.changed)
        self.normal = self.power.after(self.state())
        self.current = self._copy_that_counts()
        self.running = self._roots()
        self.runners = {self.update.by}
        self.heirs = self._heirs()
        steps = list(self._steps())
        for number, step in steps:
            self.step(number, step)
            self.settled.append(self.power.after(self.state()))
        return Walked(
            update=self.update,
            normal=self.normal.starts,
            cuts=tuple(self.cuts),
            under=tuple(dict.fromkeys(self.under)),
            early=tuple(dict.fromkeys(self.early)),
            mixed=tuple(self._mixed(steps)),
            before=before,
        )

    def _steps(self) -> Iterator[tuple[int, UpdateStep]]:
        """Give the steps with their numbers; a chip's write is one for each of its regions."""
        chips = self.power.layout.chips
        for number, step in enumerate(self.update.steps, 1):
            whole = step.act is Act.WRITE and step.target in chips
            if whole and self.update.by != FACTORY:
                for region in sorted(self.power.layout.regions, key=lambda one: (one.area, one.at)):
                    given = self.power.build.placement(region.name).given
                    if region.chip == step.target and given:
                        yield number, replace(step, target=region.name)
            else:
                yield number, step

    def _roots(self) -> frozenset[str]:
        """Name what the system that runs the update is mounted from."""
        if self.update.by in {FACTORY, U_BOOT}:
            return frozenset()
        starts = {_stage(name) for name in self.normal.starts or ()}
        if self.update.by in starts:
            return self.normal.roots
        return self.power.roots(self.update.by, self.state())

    def _heirs(self) -> set[str]:
        """Name the stages that start once the update is done."""
        if self.update.by in {FACTORY, U_BOOT}:
            return set()
        done = _Walk(self.power, self.update, old=set(self.old))
        for _, step in self._steps():
            done.changes |= step.variables
            if step.act is Act.RENAME:
                done.rename(step)
            else:
                done.renew(step)
        state = done.state()
        return set(map(_stage, self.power.after(state).starts or ()))

    def renew(self, step: UpdateStep) -> None:
        """Take over what a step has written, to its end; a copy has its source's release."""
        target = table_of(step.target) if step.act is Act.TABLE else step.target
        if step.act is Act.COPY and step.source in self.old:
            self.old.add(target)
        else:
            self.old.discard(target)
        self.names.pop(target, None)
        self.damage.pop(target, None)
        self.cached.discard(target)
        if step.act is Act.ERASE:
            self.damage[target] = Damage.ERASED

    def rename(self, step: UpdateStep) -> None:
        """Give volumes of a UBI their new names; one that none takes is gone."""
        given, taken = dict(step.renames), {new for _, new in step.renames}
        origin = {new: self.names.get(old, old) for old, new in step.renames}
        damage = {new: self.damage[old] for old, new in step.renames if old in self.damage}
        old_ones = {new for old, new in step.renames if old in self.old}
        for name in given.keys() | taken:
            self.names.pop(name, None)
            self.damage.pop(name, None)
            self.old.discard(name)
        self.names |= {name: held for name, held in origin.items() if name != held}
        self.damage |= damage | dict.fromkeys(given.keys() - taken, Damage.ERASED)
        self.old |= old_ones

    def step(self, number: int, step: UpdateStep) -> None:
        """Walk one step."""
        if self.update.by == FACTORY:
            self.cuts.append(Cut(number=number, step=step, how="a programmer does it"))
        elif step.act in {Act.WRITE, Act.ERASE, Act.COPY}:
            self._write(number, step, self.power.layout.region(step.target))
        elif step.act is Act.SET:
            self._set(number, step)
        elif step.act is Act.RENAME:
            # All in one record of the volume table, of which there are two copies.
            self._cut(Cut(number=number, step=step, phase="write"), list(self.states()))
            self.rename(step)
            self._cut(Cut(number=number, step=step, phase="done"), list(self.states()))
        elif step.act is Act.TABLE:
            torn = {table_of(step.target): Damage.TORN}
            lone = self.power.layout.chips[step.target].table != "gpt"
            # A lone sector is old or new; the backup is not looked at while the primary is whole.
            for phase, more in (("", {}),) if lone else (("primary", torn), ("backup", {})):
                cut = Cut(number=number, step=step, phase=phase)
                if lone and self._unreliable(step.target):
                    how = "WR_REL_SET of the EXT_CSD lets a cut take the sector that is written"
                    self.cuts.append(replace(cut, starts=None, how=how))
                else:
                    self._cut(cut, list(self.states(more)))
            self.renew(step)
        elif step.act is Act.REBOOT:
            self._cut(Cut(number=number, step=step), list(self.states()))
            self.cached.clear()
            after = self.power.after(self.state())
            self.running = after.roots
            self.runners = set(map(_stage, after.starts or ())) or self.runners
        else:
            how = "what it writes is not known"
            self.cuts.append(Cut(number=number, step=step, starts=None, how=how))

    def _unreliable(self, chip: str) -> bool:
        """Tell whether the registers of an eMMC say that its writes are not reliable.

        Source: JEDEC JESD84-B51, WR_REL_SET [167], bit 0 for the user area; where it is set, a cut
        leaves the old data or the new.
        """
        dump = self.power.build.others.get(self.power.layout.chips[chip].ext_csd or "")
        facts = dump.content.facts if dump is not None else None
        said = facts.registers.get("WR_REL_SET") if isinstance(facts, ExtCsdFacts) else None
        return said is not None and not said & 1

    # States ---------------------------------------------------------------------------------------

    def state(self, more: dict[str, Damage] | None = None) -> State:
        """Give the state of storage as it is now, with more damage."""
        damage = {**self.damage, **(more or {})}
        torn = {name for name, reading in damage.items() if reading is Damage.TORN}
        return State(
            damage=frozenset(damage.items()),
            old=frozenset(self.old - damage.keys()),
            names=frozenset(item for item in self.names.items() if item[0] not in damage),
            broken=frozenset(item for item in self.broken.items() if item[0] in torn),
            changes=frozenset(self.changes.items()),
        )

    def states(self, more: dict[str, Damage] | None = None) -> Iterator[State]:
        """Give the state as it is now, and with what is still in a cache written in part."""
        waiting = sorted(self.cached - (more or {}).keys())
        yield self.state(more)
        for reading in _HEAD if waiting else ():
            for name in waiting:
                yield self.state({**(more or {}), name: reading})
            yield self.state({**(more or {}), **dict.fromkeys(waiting, reading)})

    def _cut(self, cut: Cut, states: Sequence[State]) -> None:
        """Add what starts after a cut that can leave any of these states."""
        found = {state: self.power.after(state) for state in dict.fromkeys(states)}
        dead = [after for after in found.values() if after.starts == ()]
        unknown = [after for after in found.values() if after.starts is None]
        names = {name for after in found.values() for name in after.starts or ()}
        telling = dead or unknown or list(found.values())
        mixed = [pair for state, after in found.items() if (pair := self._mixture(state, after))]
        repeats: bool | None = not cut.spoiled
        for state, after in found.items():
            again = self._repeats(state, after)
            repeats = False if again is False or repeats is False else again and repeats
        done = replace(
            cut,
            starts=None if unknown and not dead else tuple(sorted(names)),
            how=" or ".join(dict.fromkeys(map(_told, telling))),
            fails=bool(dead),
            torn=next((after.torn for after in found.values() if after.torn), ""),
            without=self._without(cut.step.target, found),
            mixture=next(iter(mixed), None),
            lacks=next((after.lacks for after in found.values() if after.lacks), ""),
            repeats=repeats,
        )
        last = self.cuts[-1] if self.cuts else None
        if last is not None and last.blocks is not None and done.blocks is not None:
            joined = (last.blocks[0], done.blocks[1])
            images = tuple(dict.fromkeys((*last.images, *done.images)))
            both = replace(done, blocks=joined, images=images)
            if replace(last, blocks=joined, images=images) == both:
                self.cuts[-1] = both
                return
        self.cuts.append(done)

    def _mixture(
        self, state: State, after: After
    ) -> tuple[tuple[str, ...], tuple[str, ...]] | None:
        """Give what of the new and of the old release starts together."""
        before = self.power.before
        old = after.regions & state.old
        new = after.regions & before.changed - state.old if before is not None else frozenset()
        return (tuple(sorted(new)), tuple(sorted(old))) if old and new else None

    def _without(self, region: str, states: Iterable[State]) -> tuple[str, ...]:
        """Name the stages that take a region, start before the step, and not in some state."""
        stages = self.power.layout.stages.values()
        taking = [one for one in stages if one.entry and any(region in t for t in _taken(one))]
        return tuple(
            one.name
            for one in taking
            if self.power.starts(one.name, self.state())
            and any(self.power.starts(one.name, state) is False for state in states)
        )

    def _repeats(self, state: State, after: After) -> bool | None:
        """Tell whether the update can be begun again from a state."""
        by = self.update.by
        if by == U_BOOT:
            return after.how != NO_FIRMWARE
        if after.starts is None:
            return None
        starts = {_stage(name) for name in after.starts}
        usual = {_stage(name) for name in self.normal.starts or ()}
        able = self.runners | self.heirs | {by}
        if not starts or not starts <= usual | able:
            return False
        return starts <= able or self.power.starts(by, state)

    # Writes ---------------------------------------------------------------------------------------

    def _write(self, number: int, step: UpdateStep, region: Region) -> None:
        """Walk a region's blocks, from its first to its last."""
        if region.name in self.running:
            self.under.append((number, region.name))
        chip = self.power.layout.chips[region.chip]
        if region.holder is not None or not chip.kind.mtd:
            # UBI marks a volume that is being updated, and refuses it until it is whole
            readings = _HEAD if region.holder is None else (Damage.ERASED,)
            states = [state for one in readings for state in self.states({region.name: one})]
            self._cut(Cut(number=number, step=step), states)
        else:
            count, classes = self._classes(step, region)
            for one in classes:
                cut = Cut(
                    number=number,
                    step=step,
                    phase=one.phase,
                    blocks=(one.first, one.last),
                    of=count,
                    spoiled=self._spoiled(one.beside),
                    images=tuple(sorted(self._images(step) if one.broken is None else one.broken)),
                )
                self.broken = {} if one.broken is None else {region.name: one.broken}
                beside = dict.fromkeys(one.beside, Damage.ERASED)
                states = [
                    state
                    for reading in one.readings
                    for more in ({region.name: reading}, {region.name: reading, **beside})
                    for state in self.states(more)
                ]
                self._cut(cut, states)
        self.broken.clear()
        self.renew(step)
        if step.act is not Act.ERASE and not step.flushed and not chip.kind.mtd:
            self.cached.add(region.name)
        if self.power.before is not None:
            # What is started between two steps is one thing of each release.
            self._cut(Cut(number=number, step=step, phase="done"), list(self.states()))

    def _classes(self, step: UpdateStep, region: Region) -> tuple[int, list[_Class]]:
        """Give the erase blocks that a write goes through, those together that read alike."""
        chip = self.power.layout.chips[region.chip]
        size = self.power.build.placement(region.name).size if step.act is Act.WRITE else None
        size = min(size or region.size, region.room)
        start = region.at + (region.file_at if step.act is Act.WRITE else 0)
        whole = chip.erased_by(Span.sized(start, max(1, size)))
        count = chip.erase_blocks(whole)
        first = chip.erased_by(Span.sized(whole.start, 1))
        last = chip.erased_by(Span.sized(whole.end - 1, 1))
        before = self._beside(region, first)
        behind = self._beside(region, last)
        verb = "erase" if step.act is Act.ERASE else "write"
        found = []
        if step.erases_first:
            found.append(_Class("erase", 0, count - 1, _HEAD, (*before, *behind)))
        if count == 1:
            return count, [*found, _Class(verb, 0, 0, _HEAD, before)]
        # all blocks are erased by then, so that a neighbour in the last one is gone as well
        gone = behind if step.erases_first else ()
        found.append(_Class(verb, 0, 0, _HEAD, (*before, *gone)))
        body = (*_BODY, Damage.ERASED) if step.act is Act.ERASE else _BODY
        placed = self._tears(step, region, whole, start)
        edges = {
            1,
            count - 1,
            count,
            *(number for number, _ in placed if number in range(1, count)),
        }
        for at, until in itertools.pairwise(sorted(edges)):
            broken = next((one for number, one in reversed(placed) if number <= at), None)
            beside = behind if until == count else gone
            found.append(_Class(verb, at, until - 1, body, beside, broken))
        return count, found

    def _images(self, step: UpdateStep) -> Iterator[str]:
        """Name the images of a FIT that a step writes."""
        payload = self.power.build.placement(step.target).payload
        if step.act is Act.WRITE and payload is not None and isinstance(payload.facts, FitFacts):
            images = bounds.within(payload.facts.images, MAX_IMAGES, payload.name, "images")
            yield from (image.name for image in images)

    def _tears(
        self, step: UpdateStep, region: Region, whole: Span, start: int
    ) -> tuple[tuple[int, frozenset[str]], ...]:
        """Give what a tear leaves broken by the block it lies in, as tears(); what is erased is."""
        if step.act is not Act.WRITE:
            return ()
        chip = self.power.layout.chips[region.chip]
        payload = self.power.build.placement(region.name).payload
        return tears(payload, chip, whole, start)

    def _beside(self, region: Region, block: Span) -> tuple[str, ...]:
        """Name the other regions that have bytes in a block."""
        return tuple(
            other.name
            for other in self.power.layout.regions_on(region.area)
            if other is not region and other.span.overlaps(block)
        )

    def _spoiled(self, names: Iterable[str]) -> tuple[str, ...]:
        """Name those regions whose content only the unit itself has."""
        regions = map(self.power.layout.region, names)
        return tuple(
            one.name for one in regions if one.file is None or one.writer is not Writer.RELEASE
        )

    # The environment ------------------------------------------------------------------------------

    def _environment(self) -> list[Region]:
        """Give the regions of the environment's copies, the first first."""
        found = [region for region in self.power.layout.regions if region.env is not None]
        if not found:
            return [one for one in self.power.layout.regions if one.holds == "uboot-env"][:1]
        first = found[0]
        copy = first.env.copy if first.env is not None else None
        return [first] if copy is None else [first, self.power.layout.region(copy)]

    def _copy_that_counts(self) -> int:
        regions = [region.name for region in self._environment()]
        for copy in self.power.copies.environments:
            region = copy.place.region
            if copy.says.taken and region is not None and region.name in regions:
                return regions.index(region.name)
        return 0

    def _set(self, number: int, step: UpdateStep) -> None:
        """Walk a save of the environment."""
        regions = self._environment()
        if not regions:
            how = "where the environment is stored, the layout does not say"
            self.cuts.append(Cut(number=number, step=step, phase="write", starts=None, how=how))
            return
        chip = self.power.layout.chips[regions[0].chip]
        flash = chip.kind.mtd and regions[0].holder is None
        scheme = Scheme.SINGLE
        if len(regions) > 1:
            scheme = Scheme.FLAG if flash and not chip.kind.bad_blocks else Scheme.SERIAL
        before = self.power.after(self.state())
        old, new = self.changes, {**self.changes, **step.variables}
        for phase in phases(scheme, self.current, erased=flash):
            target = regions[phase.target]
            block = chip.erased_by(target.span) if flash else target.span
            beside = self._beside(target, block) if flash and phase.what != "mark" else ()
            twin = any(one.name in beside for one in regions)
            hole = phase.counts is Counts.NONE or twin
            others = [name for name in beside if name not in {one.name for one in regions}]
            gone = dict.fromkeys(others, Damage.ERASED)
            if hole:
                gone |= dict.fromkeys((one.name for one in regions), Damage.ERASED)
            self.changes = new if phase.counts is Counts.NEW else old
            spoiled = self._spoiled(others)
            cut = Cut(
                number=number,
                step=step,
                phase=phase.what,
                copy=target.name,
                hole=hole,
                spoiled=spoiled,
            )
            self._cut(cut, list(self.states(gone)))
        self.changes = new
        self.current = 1 - self.current if len(regions) > 1 else 0
        for region in regions:
            self.damage.pop(region.name, None)
        self._cut(Cut(number=number, step=step, phase="done"), list(self.states()))
        self._too_early(number, before)

    def _too_early(self, number: int, before: After) -> None:
        """See whether a switch leads to what is not whole yet."""
        after = self.power.after(self.state())
        later = {
            step.target
            for at, step in self._steps()
            if at > number and step.act in {Act.WRITE, Act.COPY, Act.ERASE}
        }
        unfinished = later | self.cached | self.damage.keys()
        # Where the switch starts nothing, what it is made of cannot be told from what starts.
        reached = after.regions - before.regions
        self.early += [(number, name) for name in sorted(reached & unfinished)]

    def _mixed(self, steps: Sequence[tuple[int, UpdateStep]]) -> Iterator[tuple[int, str]]:
        """Find steps of one switch after which neither the old nor the new choice starts."""
        indices = range(len(steps))
        for sets, run in itertools.groupby(indices, key=lambda at: steps[at][1].act is Act.SET):
            group = list(run)
            if not sets or len(group) < 2:
                continue
            before = self.settled[group[0] - 1] if group[0] else self.normal
            ends = {before.regions, self.settled[group[-1]].regions}
            for index in group[:-1]:
                between = self.settled[index]
                if between.starts and between.regions not in ends:
                    yield steps[index][0], " and ".join(sorted(between.regions))


def _told(after: After) -> str:
    """Say how something starts, with the root that it mounts."""
    return f"{after.how}, root {' and '.join(sorted(after.roots))}" if after.roots else after.how


def _taken(stage: Stage) -> Iterator[tuple[str, ...]]:
    """Give what a stage takes, by slot."""
    yield from (stage.taken(slot) for slot in stage.slots or (None,))


def _stage(name: str) -> str:
    """Give the stage of a name that may have a slot behind it."""
    return name.partition(" ")[0]
