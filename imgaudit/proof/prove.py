"""Prove that each stage starts, over each environment that U-Boot can find."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace

from imgaudit.boot.board import Board, Damage
from imgaudit.boot.found import Boots
from imgaudit.boot.records import Cause, Kind, Reason
from imgaudit.boot.stage import position, variables_of, world_of
from imgaudit.boot.values import decimal, number
from imgaudit.contents.build import Build
from imgaudit.data import dataclass
from imgaudit.formats.environment import imported
from imgaudit.formats.fip import Fip
from imgaudit.maps.collect import Copies, Copy, Environment
from imgaudit.model import FIRST_STAGES, Layout, Slot, Stage
from imgaudit.proof.explore import Ending, Path, Place, Setting, Steps, Taken, explore
from imgaudit.proof.records import Fault, Link, Proof, Step, Verdict
from imgaudit.proof.start import Starter
from imgaudit.rescue.stage import Rescue

MAX_TRIED = 16
"""Steps of which it is tried whether the stage would start if they ended otherwise."""
MAX_TRIED_PATHS = 24
_STOPS = {
    "prompt": "U-Boot waits at its prompt",
    "reset": "the board resets, and does the same again without an end",
    "power off": "the board switches itself off",
    "loop": "U-Boot hangs in its loop",
}
_UNCLEAR = (Ending.OPEN, Ending.OUTSIDE)
_Done = dict[frozenset[tuple[str, str]], tuple[Proof, ...]]
_FIRMWARE = FIRST_STAGES | {"fip", "elf"}


def prove(
    build: Build, copies: Copies, boots: Boots, rescues: Mapping[str, Rescue]
) -> tuple[Proof, ...]:
    """Prove every stage of a layout, over the environment that U-Boot takes and over each other.

    `rescues` are what the ramdisks can do, by stage.
    """
    layout = build.layout
    if layout is None:
        return ()
    if boots.why:
        step = Step("the boot", "U-Boot", 0, boots.why)
        return tuple(_open(stage, step) for stage in layout.stages.values())
    found: list[Proof] = []
    done: _Done = {}
    for copy in sorted(copies.environments, key=lambda one: not one.says.taken):
        found += Proving(build, layout, copies, copy, rescues).all(done)
    return tuple(found)


def _open(stage: Stage, step: Step) -> Proof:
    return Proof(stage=stage, verdict=Verdict.UNPROVEN, step=step)


@dataclass(frozen=True, slots=True)
class Aim:
    """What is to start: a stage, or one slot of it, by an entry."""

    stage: Stage
    slot: Slot | None
    entry: str | None

    @property
    def slot_name(self) -> str:
        """The slot's name, empty where there is none."""
        return self.slot.name if self.slot is not None else ""

    @property
    def name(self) -> str:
        """The stage, with its slot."""
        return f"{self.stage.name} {self.slot.name}" if self.slot is not None else self.stage.name

    @property
    def regions(self) -> tuple[str, ...]:
        """What it takes."""
        return self.stage.taken(self.slot)

    def __hash__(self) -> int:
        return hash((self.name, self.entry))


class Proving:
    """Proves the stages over one environment."""

    def __init__(
        self,
        build: Build,
        layout: Layout,
        copies: Copies,
        copy: Copy[Environment],
        rescues: Mapping[str, Rescue],
        *,
        damage: Mapping[str, Damage] | None = None,
        broken: Mapping[str, frozenset[str]] | None = None,
        changes: Mapping[str, str | None] | None = None,
        steps: Steps | None = None,
    ) -> None:
        self.build, self.layout, self.copies, self.copy = build, layout, copies, copy
        variables = variables_of(build, copies, copy)
        self.values = {name: item.value for name, item in variables.items()}
        for name, value in (changes or {}).items():
            if value is None:
                self.values.pop(name, None)
            else:
                self.values[name] = imported(value)
        # U-Boot runs preboot before anything else (doc/usage/environment.rst).
        self.powered: dict[str, str] = {
            name: f"power-on ({name})"
            for name in ("bootcmd", "altbootcmd")
            if "preboot" in self.values and name in self.values
        }
        for name, entry in self.powered.items():
            self.values[entry] = f"run preboot; run {name}"
        self.board = Board(build, layout, self.values, damage, broken)
        ramdisks = {
            rescue.region.name: rescue for rescue in rescues.values() if rescue.region is not None
        }
        starter = Starter(board=self.board, layout=layout, copies=copies, ramdisks=ramdisks)
        self.aims = [
            Aim(stage, slot, stage.entry)
            for stage in layout.stages.values()
            for slot in stage.slots or (None,)
        ]
        self.setting = Setting(
            variables=self.values,
            # Whether a number means the chip that it is taken to mean is asked of what is proven.
            world=replace(world_of(self.board, copies), assumed=frozenset()),
            board=self.board,
            judge=starter.judge,
            steps=steps or Steps(),
        )

    def all(self, done: _Done) -> Iterator[Proof]:
        """Prove each stage and slot; the same variables give the same proof."""
        values = frozenset(self.values.items())
        says = self.copy.says
        if values not in done:
            proofs = [self.stage(aim) for aim in self.aims]
            done[values] = (*proofs, *self.switched())
        for proof in done[values]:
            yield replace(
                proof,
                step=None if proof.step is None else self.placed(proof.step),
                hopeless=tuple(map(self.placed, proof.hopeless)),
                place=self.copy.place,
                stored=says.stored,
                taken=says.taken,
            )

    def placed(self, step: Step) -> Step:
        """Give a step its place in this environment."""
        offset = position(self.copy.says, step.variable, step.at)
        return step if offset == step.offset else replace(step, offset=offset)

    @property
    def limit(self) -> int:
        """How many starts may fail before altbootcmd runs; 0 where U-Boot counts none."""
        limit = number(self.values.get("bootlimit", ""), 10) or 0
        return limit if self.copies.counts_starts else 0

    def switched(self) -> Iterator[Proof]:
        """Follow what the boot counter leads to after too many starts, where there are slots.

        Source: U-Boot doc/api/bootcount.rst: altbootcmd runs instead of bootcmd.
        """
        stage = next((aim.stage for aim in self.aims if aim.slot is not None), None)
        limit, entry = self.limit, "altbootcmd"
        if stage is None or not limit or entry not in self.values:
            return
        if (step := self.silenced(stage)) is not None:
            slot, then = f"after {limit} failed starts", "BL2 stops before U-Boot"
            yield Proof(stage=stage, slot=slot, verdict=Verdict.REFUTED, step=step, then=then)
            return
        counted = {"bootcount": str(limit + 1)}
        world = replace(self.setting.world, variables={**stage.variables, **counted})
        setting = replace(self.setting, world=world)
        first = self.leads(self.setting, stage.entry or "bootcmd")
        paths, whole = self.follow(setting, entry)
        real = [path for path in paths if path.ending is not Ending.MERGED]
        aims = {aim for path in real for aim in self.aims if self.belongs(path, aim)}
        slot = f"after {limit} failed starts"
        bad = [path for path in real if not self.sound(path)]
        if not aims and whole and not any(path.ending in _UNCLEAR for path in real):
            step = self.culprit(Aim(stage, None, entry), setting, real[0])
            yield Proof(
                stage=stage,
                slot=slot,
                verdict=Verdict.REFUTED,
                step=step,
                then=self.after(real[0]),
                paths=len(paths),
            )
        elif bad or not whole:
            yield self.unclear(Aim(stage, None, entry), paths, bad or real, slot=slot)
        elif aims == first and any(aim.stage is stage for aim in first):
            names = ", ".join(sorted(aim.name for aim in aims))
            step = Step(f"run {entry}", entry, 0, f"it starts {names} again, like {stage.entry}")
            yield Proof(stage=stage, slot=slot, verdict=Verdict.REFUTED, step=step)
        else:
            names = " or ".join(sorted(aim.name for aim in aims))
            switch = Link("environment", f"{entry}: {names}")
            started = next(path.started for path in real if path.ending is Ending.STARTS)
            chain = (*self.firmware(stage), switch, *(started.chain if started else ()))
            yield Proof(stage=stage, slot=slot, verdict=Verdict.PROVEN, chain=chain)

    def leads(self, setting: Setting, entry: str) -> set[Aim]:
        """Name what an entry starts."""
        paths, _ = self.follow(setting, entry)
        return {aim for path in paths for aim in self.aims if self.belongs(path, aim)}

    def stage(self, aim: Aim) -> Proof:
        """Prove one stage, or one of its slots."""
        stage, entry = aim.stage, aim.entry
        if entry is None:
            why = "the layout does not say what starts it: entry: is missing"
            return _open(stage, Step(f"stage {stage.name}", "the layout", 0, why))
        refuted = Proof(stage=stage, slot=aim.slot_name, verdict=Verdict.REFUTED)
        step = self.silenced(stage)
        if step is not None:
            return replace(refuted, step=step, then="BL2 stops before U-Boot")
        step = self.waiting(entry)
        if step is not None:
            return replace(refuted, step=step, then=_STOPS["prompt"])
        setting = self.under(aim)
        paths, whole = self.follow(setting, entry)
        real = [path for path in paths if path.ending is not Ending.MERGED]
        good = [path for path in real if self.belongs(path, aim)]
        if not good:
            return self.without(aim, setting, real, whole=whole)
        bad = [path for path in real if not self.sound(path)]
        outside = tuple(sorted({name for path in real for name in path.outside}))
        if bad or not whole:
            return self.unclear(aim, paths, bad or real, slot=aim.slot_name)
        guess = self.guessed(good[0])
        if guess is not None:
            return Proof(
                stage=stage,
                slot=aim.slot_name,
                verdict=Verdict.UNPROVEN,
                step=guess,
                then="give the chip its number: in the layout",
                paths=len(paths),
            )
        return Proof(
            stage=stage,
            slot=aim.slot_name,
            verdict=Verdict.PROVEN,
            chain=(*self.before(stage), *(good[0].started.chain if good[0].started else ())),
            hopeless=tuple(_hopeless(good[0])),
            outside=outside,
            paths=len(paths),
        )

    def waiting(self, entry: str) -> Step | None:
        """Say that U-Boot runs nothing by itself (common/autoboot.c, autoboot_command)."""
        delay = self.values.get("bootdelay", "")
        if entry != "bootcmd" or decimal(delay) != -1:
            return None
        why = "U-Boot then runs no bootcmd by itself"
        return Step(f"bootdelay={delay}", "the environment", 0, why)

    def silenced(self, stage: Stage) -> Step | None:
        """Say what of the firmware that the stage takes is not there, so that U-Boot never runs."""
        found = [self._unstarted(package) for package in self._packages(stage)]
        # Of two packages BL2 may take the other one.
        return None if None in found else next(iter(found), None)

    def _packages(self, stage: Stage) -> Iterator[tuple[str, Fip | None]]:
        """Give the packages that a stage takes, by region; None where that is none."""
        inside = set()
        for node in self.build.of(Fip):
            if node.region is not None and node.region.name in stage.regions:
                inside.add(node.region.name)
                yield node.region.name, node.facts
        for placement in self.build.placements:
            name = placement.region.name
            wanted = placement.region.holds == Fip.format and placement.payload is not None
            if wanted and name in stage.regions and name not in inside:
                yield name, None

    def _unstarted(self, package: tuple[str, Fip | None]) -> Step | None:
        region, facts = package
        if facts is None:
            why = f"what is in {region} is no package that BL2 can read"
            return Step("load BL33", "BL2", 0, why, fault=Fault.FIRMWARE, region=region)
        missing = next(facts.missing(self.layout.arch), None)
        if missing is None:
            return None
        role, how = missing
        why = f"the package in {region} has {how} {role}"
        return Step(f"load {role}", "BL2", 0, why, fault=Fault.FIRMWARE, region=region)

    def guessed(self, path: Path) -> Step | None:
        """Give the first step that stands on a guess of which chip a number means."""
        for taken in path.taken:
            operation = taken.operation
            device = operation.device or ""
            if {device, device.partition(".")[0]} & self.board.assumed:
                why = str(Cause(Reason.DEVICE_ASSUMED, {"device": device}))
                return Step(operation.command, operation.variable, operation.at, why)
        return None

    def follow(
        self,
        setting: Setting,
        entry: str,
        *,
        forced: Mapping[Place, bool] | None = None,
        most: int = 0,
    ) -> tuple[list[Path], bool]:
        """Follow an entry as U-Boot comes to it; see explore()."""
        return explore(setting, self.powered.get(entry, entry), forced=forced, most=most)

    def under(self, aim: Aim) -> Setting:
        """Give the setting in which a stage or slot is started."""
        world = replace(self.setting.world, variables=dict(aim.stage.variables))
        chosen = dict(aim.slot.variables) if aim.slot is not None else {}
        return replace(self.setting, world=world, variables={**self.values, **chosen})

    def unclear(self, aim: Aim, paths: list[Path], bad: list[Path], *, slot: str) -> Proof:
        """Say what decides whether a stage starts."""
        path = bad[0]
        deciding = path.forks[-1] if path.forks else None
        entry = aim.entry or ""
        step = (
            _step(deciding)
            if deciding is not None
            else Step(f"run {entry}", entry, 0, path.why or "not all ways were followed")
        )
        return Proof(
            stage=aim.stage,
            slot=slot,
            verdict=Verdict.UNPROVEN,
            step=step,
            then="" if self.sound(path) else f"if it does not, {self.after(path)}",
            paths=len(paths),
        )

    def belongs(self, path: Path, aim: Aim) -> bool:
        """Tell whether a path ends in a start of this stage: of what it takes, all of it."""
        return path.ending is Ending.STARTS and not self.foreign(path, aim)

    def foreign(self, path: Path, aim: Aim) -> str:
        """Say in what a start is not that of the stage."""
        started, stage = path.started, aim.stage
        if started is None:
            return ""
        extra = [name for name in started.regions if name not in aim.regions]
        if extra:
            return f"it starts from {', '.join(extra)}, which {aim.name} does not take"
        if stage.ramdisk is not None and started.ramdisk != stage.ramdisk:
            return f"it starts without the ramdisk of {stage.ramdisk}"
        return ""

    def sound(self, path: Path) -> bool:
        """Tell whether a path ends well: in a start of some stage, or on a foreign medium."""
        if path.ending is Ending.OUTSIDE:
            return True
        return any(self.belongs(path, aim) for aim in self.aims)

    def before(self, stage: Stage) -> Iterator[Link]:
        """Name what comes before the kernel."""
        yield from self.firmware(stage)
        place = self.copy.place
        yield Link("environment", stage.entry or "", place.region.name if place.region else None)

    def firmware(self, stage: Stage) -> Iterator[Link]:
        """Name the boot loader that a stage takes."""
        firmware = next(
            (
                region
                for name in stage.regions
                if (region := self.layout.region(name)).holds in _FIRMWARE
            ),
            None,
        )
        if firmware is not None:
            yield Link("firmware", "U-Boot", firmware.name)

    # No start of the stage ------------------------------------------------------------------------

    def without(self, aim: Aim, setting: Setting, paths: list[Path], *, whole: bool) -> Proof:
        """Say why no path starts the stage."""
        stage, slot = aim.stage, aim.slot_name
        unclear = [path for path in paths if path.ending in _UNCLEAR]
        if unclear or not whole:
            # What the board itself has comes before what may be plugged in.
            path = min(unclear, key=_remoteness, default=paths[-1])
            fork = path.forks[-1 if path.ending is Ending.OPEN else 0] if path.forks else None
            entry = aim.entry or ""
            step = (
                _step(fork)
                if fork is not None
                else Step(f"run {entry}", entry, 0, path.why or "not all ways were followed")
            )
            return Proof(
                stage=stage, slot=slot, verdict=Verdict.UNPROVEN, step=step, paths=len(paths)
            )
        path = paths[0]
        step = self.culprit(aim, setting, path)
        return Proof(
            stage=stage,
            slot=slot,
            verdict=Verdict.REFUTED,
            step=step,
            then=self.after(path),
            paths=len(paths),
        )

    def culprit(self, aim: Aim, setting: Setting, path: Path) -> Step:
        """Find the first step that cannot succeed and without which the stage could start."""
        entry = aim.entry or ""
        failing = [taken for taken in path.taken if not taken.succeeds and taken.known]
        decided = [taken for taken in path.taken if _asks(taken) and taken.succeeds]
        maybe = None
        for taken in (*failing, *decided)[:MAX_TRIED]:
            if taken.operation.kind is Kind.RUN:
                return _step(taken)
            forced = {taken.place: not taken.succeeds}
            tried, _ = self.follow(setting, entry, forced=forced, most=MAX_TRIED_PATHS)
            if any(one.boot and one.ending is Ending.OPEN for one in tried) or any(
                self.belongs(one, aim) for one in tried
            ):
                return _step(taken)
            # Behind a script or an environment that is not there nobody knows what comes.
            if maybe is None and any(one.ending is Ending.OPEN for one in tried):
                maybe = taken
        if path.ending is Ending.STARTS and path.boot is not None and path.walk is None:
            last = path.boot.command
            return Step(last, entry, 0, self.foreign(path, aim))
        if maybe is not None:
            return _step(maybe)
        if failing:
            return _step(next((one for one in failing if not _asks(one)), failing[0]))
        if entry not in self.values:
            return Step(f"run {entry}", entry, 0, f"nothing defines {entry}")
        operations = path.walk.operations if path.walk is not None else ()
        if not operations:
            return Step(f"run {entry}", entry, 0, "it does nothing")
        last_one = operations[-1]
        why = "behind it nothing starts a kernel"
        return Step(last_one.command, last_one.variable, last_one.at, why)

    def after(self, path: Path) -> str:
        """Say what the board does at the end of a path."""
        if path.ending is Ending.STARTS:
            other = next((aim.name for aim in self.aims if self.belongs(path, aim)), None)
            command = path.boot.command if path.boot is not None else ""
            return f"{other} starts instead" if other else f"`{command}` starts something else"
        if path.ending is Ending.DEAD:
            return "it is started all the same, and does not come up"
        if path.ending in {Ending.OPEN, Ending.OUTSIDE}:
            return path.why
        return _STOPS.get(path.stop, f"it ends in {path.stop}")


def _remoteness(path: Path) -> tuple[bool, int, int]:
    """Order paths that nobody can know the end of: by how much must be there that may not be."""
    made = [fork for fork in path.forks if fork.succeeds]
    return path.ending is Ending.OUTSIDE, sum(bool(fork.outside) for fork in made), len(made)


def _asks(taken: Taken) -> bool:
    return taken.operation.kind is Kind.TEST and taken.operation.path is None


def _step(taken: Taken) -> Step:
    operation, judged = taken.blame or taken.operation, taken.judged
    return Step(
        operation.command,
        operation.variable,
        operation.at,
        taken.why or "it fails",
        fault=None if judged is None else judged.fault,
        region=None if judged is None else judged.at_fault,
    )


def _hopeless(path: Path) -> Iterator[Step]:
    """Give first choices that can never work: tried for what another step then brings."""
    boot = path.boot
    used = {boot.kernel, boot.ramdisk, boot.fdt} - {None} if boot is not None else set()
    for taken in path.taken:
        operation = taken.operation
        if taken.succeeds or not taken.known:
            continue
        loads = operation.kind in {Kind.READ, Kind.LOAD} and operation.ram_at in used
        if loads or operation.optional or operation.kind is Kind.BOOT:
            yield _step(taken)
