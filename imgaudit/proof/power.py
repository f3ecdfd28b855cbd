"""What starts at power-on, over a state of storage: which chips answer, what regions have become.

What U-Boot does by itself is followed: the other copy of its environment, the compiled-in one,
bootcmd, and, where starts fail and the board resets, altbootcmd once the boot counter has reached
its limit.

Source: U-Boot env/common.c (`env_check_redund`), doc/api/bootcount.rst,
drivers/bootcount/bootcount_env.c (it counts only while upgrade_available is set).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import field, replace

from imgaudit.boot.board import Damage
from imgaudit.boot.firmware import Firmware
from imgaudit.boot.values import number
from imgaudit.contents.build import Build
from imgaudit.data import dataclass
from imgaudit.formats.files import Files, FileSystem
from imgaudit.maps.collect import Copies, Copy, Environment
from imgaudit.model import Layout
from imgaudit.patterns import regex
from imgaudit.proof import watchdog
from imgaudit.proof.before import Before, World, world
from imgaudit.proof.explore import Ending, Path, Steps
from imgaudit.proof.prove import Proving
from imgaudit.proof.start import Started
from imgaudit.rescue.stage import Rescue

_PANIC = regex(r"(?:^|\s)panic=(-?\d+)")
MAX_STATES = 2000
"""States of storage that are followed; a board's losses and updates make some dozens."""
MAX_WORLDS = 64
"""Mixtures of two releases, or of volumes under other names, that are read."""
TOO_MANY = "there are more states of storage than are followed"
NO_FIRMWARE = "no firmware: only the boot ROM's download mode"


@dataclass(frozen=True, kw_only=True)
class State:
    """A state of storage; two that are equal start alike.

    `damage` says what regions have become, `silent` names a chip that does not answer, `changes`
    are variables that were set in the environment that counts since it was built. `old` names the
    regions that still have the release before, `names` pairs of a volume that was renamed and the
    region that it was. `broken` says of a torn region which parts of its
    container are broken; of one that is not named there all may be.
    """

    damage: frozenset[tuple[str, Damage]] = frozenset()
    old: frozenset[str] = frozenset()
    names: frozenset[tuple[str, str]] = frozenset()
    broken: frozenset[tuple[str, frozenset[str]]] = frozenset()
    silent: str = ""
    changes: frozenset[tuple[str, str | None]] = frozenset()


@dataclass(frozen=True, slots=True)
class After:
    """What starts by itself: `starts` is empty where nothing does, None where that is not known.

    `regions` are what that is made of, `roots` those of them that it mounts. `torn` names a region
    that is started although it is torn, on the way. `lacks` says that a kernel finds no modules of
    its own release in the root that it mounts.
    """

    starts: tuple[str, ...] | None
    how: str
    regions: frozenset[str] = frozenset()
    roots: frozenset[str] = frozenset()
    torn: str = ""
    lacks: str = ""


@dataclass(frozen=True, slots=True)
class PowerOn:
    """Follows the boot over states of storage; `firmware` are the boot programs found.

    `before` is the release that the board had, where that is known.
    """

    build: Build
    layout: Layout
    copies: Copies
    rescues: Mapping[str, Rescue]
    firmware: Sequence[Firmware]
    before: Before | None = None
    steps: Steps = field(default_factory=Steps)
    worlds: dict[tuple[frozenset[str], frozenset[tuple[str, str]]], World] = field(
        default_factory=dict, repr=False
    )
    done: dict[State, After] = field(default_factory=dict, repr=False)
    runs: dict[tuple[str, State], bool | None] = field(default_factory=dict, repr=False)

    def after(self, state: State) -> After:
        """Say what starts."""
        if state not in self.done:
            if len(self.done) >= MAX_STATES:
                return After(None, TOO_MANY)
            self.done[state] = self._after(state)
        return self.done[state]

    def since(self, before: Before) -> PowerOn:
        """Give the same on a board that had another release before."""
        return replace(self, before=before, worlds={}, done={}, runs={})

    def _world(self, state: State) -> World | None:
        """Give what is read in a state of storage, but for the damage; None for one too many."""
        new = self.build, self.copies, self.rescues
        key = state.old, state.names
        if key not in self.worlds:
            if len(self.worlds) >= MAX_WORLDS:
                return None
            self.worlds[key] = world(new, self.before, state.old, dict(state.names))
        return self.worlds[key]

    def roots(self, stage: str, state: State) -> frozenset[str]:
        """Name what a stage mounts as its root where its own entry is run."""
        proving, _ = self._proving(state)
        found: set[str] = set()
        for aim in proving.aims if proving is not None else ():
            if proving is not None and aim.stage.name == stage and aim.entry is not None:
                paths, _ = proving.follow(proving.under(aim), aim.entry)
                good = (path.started for path in paths if proving.belongs(path, aim))
                links = (link for one in good if one is not None for link in one.chain)
                found |= {link.region for link in links if link.role == "root" and link.region}
        return frozenset(found)

    def starts(self, stage: str, state: State) -> bool | None:
        """Tell whether a stage starts where its own entry is run."""
        key = (stage, state)
        if key not in self.runs:
            if len(self.runs) >= MAX_STATES:
                return None
            self.runs[key] = self._starts(stage, state)
        return self.runs[key]

    def _starts(self, stage: str, state: State) -> bool | None:
        if not self._comes_up(state):
            return False
        proving, _ = self._proving(state)
        aims = [] if proving is None else [a for a in proving.aims if a.stage.name == stage]
        found: list[bool | None] = []
        for aim in aims if proving is not None else ():
            if aim.entry is None or proving is None:
                return None
            paths, whole = proving.follow(proving.under(aim), aim.entry)
            good = any(proving.belongs(path, aim) for path in paths)
            found.append(True if good else None if _unclear(paths, whole=whole) else False)
        return True if True in found else None if None in found or not found else False

    def _comes_up(self, state: State) -> bool:
        """Tell whether U-Boot itself starts."""
        damaged = {name for name, _ in state.damage}
        regions = (one.node.region for one in self.firmware)
        return not any(region is not None and region.name in damaged for region in regions)

    def _after(self, state: State) -> After:
        if not self._comes_up(state):
            return After((), NO_FIRMWARE)
        proving, said = self._proving(state)
        if proving is None:
            return After(None, said)
        watched = watchdog.starts_itself(self.firmware, proving.copies)
        after = _follow(proving, "bootcmd", self._counts(proving), watched=watched)
        return replace(after, how=", ".join(word for word in (said, after.how) if word))

    def _proving(self, state: State) -> tuple[Proving | None, str]:
        damage = dict(state.damage)
        for region in self.layout.regions:
            if region.holder in damage:  # a torn UBI is not told from one that is gone
                damage[region.name] = Damage.ERASED
        there = self._world(state)
        if there is None:
            return None, TOO_MANY
        build, copies, rescues = there
        found = environment(copies, frozenset(damage))
        if found is None:
            return None, "no environment is left, and what is compiled in is not known"
        copy, said = found
        proving = Proving(
            build,
            self.layout,
            copies,
            copy,
            rescues,
            damage=damage,
            broken=dict(state.broken),
            changes={} if self._forgotten(damage) else dict(state.changes),
            steps=self.steps,
        )
        if state.silent:
            dead = frozenset(
                device
                for device, area in proving.board.devices.items()
                if area.partition("/")[0] == state.silent
            )
            world = replace(proving.setting.world, dead=dead)
            proving.setting = replace(proving.setting, world=world)
        return proving, said

    def _forgotten(self, damage: Mapping[str, Damage]) -> bool:
        """Tell whether no stored copy of the environment is left."""
        stored = [one.name for one in self.layout.regions if one.holds == "uboot-env"]
        return bool(stored) and all(name in damage for name in stored)

    def _counts(self, proving: Proving) -> int:
        """Give how many starts may fail before altbootcmd runs; 0 where it never does."""
        config = self.copies.uboot_config.says.config if self.copies.uboot_config else None
        stored = config is not None and config.enabled("BOOTCOUNT_ENV")
        counting = not stored or number(proving.values.get("upgrade_available", ""), 10)
        return proving.limit if counting else 0


def environment(copies: Copies, lost: frozenset[str]) -> tuple[Copy[Environment], str] | None:
    """Give the environment that U-Boot finds, and what to say of it."""
    left = [copy for copy in copies.environments if copy.says.sound and not _gone(copy, lost)]
    taken = next((copy for copy in left if copy.says.taken), None)
    if taken is not None:
        return taken, ""
    stored = next((copy for copy in left if copy.says.stored), None)
    if stored is not None:
        place = stored.place
        return stored, place.region.name if place.region is not None else place.name
    compiled = next(iter(left), None)
    return None if compiled is None else (compiled, "compiled-in environment")


def _gone(copy: Copy[Environment], lost: frozenset[str]) -> bool:
    region = copy.place.region
    return copy.says.stored and region is not None and region.name in lost


def _unclear(paths: Iterable[Path], *, whole: bool) -> bool:
    return not whole or any(path.ending in {Ending.OPEN, Ending.OUTSIDE} for path in paths)


def _follow(proving: Proving, entry: str, limit: int, *, watched: bool) -> After:
    """Name what starts by itself, and how."""
    paths, whole = proving.follow(proving.setting, entry)
    real = [path for path in paths if path.ending not in {Ending.MERGED, Ending.OUTSIDE}]
    if not whole or any(path.ending is Ending.OPEN for path in real):
        why = next((path.why for path in real if path.ending is Ending.OPEN), "")
        return After(None, why or "there are too many ways")
    torn = next((path.started.torn for path in real if path.started and path.started.torn), "")
    names = set(_names(proving, real))
    stuck = [path for path in real if not set(_names(proving, [path]))]
    if not stuck:
        good = [path.started for path in real if path.started is not None]
        links = [link for started in good for link in started.chain]
        return After(
            tuple(sorted(names)),
            entry,
            frozenset(name for started in good for name in started.regions),
            frozenset(link.region for link in links if link.role == "root" and link.region),
            lacks=next((text for one in good if (text := _lacks(proving, one))), ""),
        )
    hangs = next((why for path in stuck if (why := _hangs(path, watched=watched))), "")
    if hangs:
        return After((), hangs, torn=torn)
    if entry != "bootcmd" or not limit or "altbootcmd" not in proving.values:
        return After((), f"{entry} fails: the board resets without an end", torn=torn)
    after = _follow(proving, "altbootcmd", 0, watched=watched)
    if after.starts:
        after = replace(after, how=f"after {limit} failed starts {after.how}")
    return replace(after, torn=torn or after.torn)


def _lacks(proving: Proving, started: Started) -> str:
    """Say that a kernel finds no modules of its own release in its root, where others are there."""
    for name in (link.region for link in started.chain if link.role == "root"):
        region = proving.layout.region(name) if name is not None else None
        content = None if region is None else proving.board.content(region)
        files = content.facts.files if content and isinstance(content.facts, FileSystem) else None
        found = () if files is None or not files.complete else _releases(files)
        if started.release and found and started.release not in found:
            return (
                f"{name} has modules for {', '.join(found)} only, the kernel is {started.release}"
            )
    return ""


def _releases(files: Files) -> tuple[str, ...]:
    """Name the releases of kernels that a root has modules for (/lib/modules, links followed)."""
    top = files.find("lib/modules")
    start = "" if top is None else f"{top.path}/"
    names = {path[len(start) :] for path in files.entries if start and path.startswith(start)}
    return tuple(sorted(name for name in names if name and "/" not in name))[:4]


def _names(proving: Proving, paths: Iterable[Path]) -> Iterator[str]:
    for path in paths:
        yield from (aim.name for aim in proving.aims if proving.belongs(path, aim))


def _hangs(path: Path, *, watched: bool) -> str:
    """Say why the board stays where it is; nothing where it resets."""
    if path.ending is Ending.DEAD:
        if path.started is not None and path.started.torn:
            ended = watched or watchdog.started(path)
            return "" if ended else f"{path.why}; no watchdog is known to run"
        if path.started is not None and path.started.restarts:
            return ""
        if path.started is not None and path.started.waits:
            return f"{path.why}; rootwait without a time waits for it without an end"
        arguments = path.boot.arguments if path.boot is not None else None
        told = _PANIC.findall(arguments or "")
        built = path.started is not None and path.started.resets
        if told[-1] == "0" if told else not built:
            return f"{path.why}; without panic= the kernel stays there"
        return ""
    if path.ending is Ending.STOPS and path.stop == "reset":
        return ""
    if path.ending is Ending.STOPS and path.stop == "prompt":
        return "U-Boot waits at its prompt"
    return path.why or "it stops"
