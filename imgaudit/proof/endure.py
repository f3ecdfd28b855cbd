"""What still starts when something is lost: a chip, a region, both copies of the environment.

A lost region reads as erased; a lost chip answers nothing. What U-Boot does by itself is followed:
the other copy of its environment, the compiled-in one, bootcmd, and, where starts fail and the
board resets, altbootcmd once the boot counter has reached its limit.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

from imgaudit.boot.firmware import Firmware
from imgaudit.boot.found import Boots
from imgaudit.boot.values import number
from imgaudit.contents.build import Build
from imgaudit.maps.collect import Copies, Copy, Environment
from imgaudit.model import Layout
from imgaudit.proof.explore import Ending, Path, Steps
from imgaudit.proof.prove import Proving
from imgaudit.rescue.stage import Rescue

_PANIC = re.compile(r"(?:^|\s)panic=(-?\d+)")


@dataclass(frozen=True, kw_only=True)
class Loss:
    """Something that is lost; `kind` is chip, region or environment, `name` says which.

    `starts` names what starts by itself then, and `how`; empty where nothing does, None where that
    is not known.
    """

    kind: str
    name: str
    regions: tuple[str, ...]
    starts: tuple[str, ...] | None = ()
    how: str = ""

    def __str__(self) -> str:
        """Say what is lost."""
        return f"{self.name} silent" if self.kind == "chip" else self.name


def endure(
    build: Build,
    copies: Copies,
    boots: Boots,
    rescues: Mapping[str, Rescue],
    firmware: Sequence[Firmware],
) -> tuple[Loss, ...]:
    """Say for each single loss what still starts; first what starts when nothing is lost.

    `firmware` are the boot programs found.
    """
    layout = build.layout
    if layout is None or boots.why:
        return ()
    losses = (Loss(kind="nothing", name="(nothing)", regions=()), *_losses(layout))
    needed = frozenset(found.node.region.name for found in firmware if found.node.region)
    enduring = _Enduring(build, layout, copies, rescues, needed)
    return tuple(enduring.told(loss) for loss in losses)


def _losses(layout: Layout) -> Iterator[Loss]:
    for chip in layout.chips.values():
        names = tuple(region.name for region in layout.regions if region.chip == chip.name)
        yield Loss(kind="chip", name=chip.name, regions=names)
    for region in layout.regions:
        yield Loss(kind="region", name=region.name, regions=(region.name,))
    for region in layout.regions:
        copy = region.env.copy if region.env is not None else None
        if copy is not None and region.name < copy:
            names = (region.name, copy)
            yield Loss(kind="environment", name=" and ".join(names), regions=names)


@dataclass(frozen=True, slots=True)
class _Enduring:
    """Follows the boot with something lost."""

    build: Build
    layout: Layout
    copies: Copies
    rescues: Mapping[str, Rescue]
    firmware: frozenset[str]
    steps: Steps = field(default_factory=Steps)

    def told(self, loss: Loss) -> Loss:
        """Say what starts, and how."""
        lost = frozenset(loss.regions)
        if lost & self.firmware:
            return replace(loss, how="no firmware: only the boot ROM's download mode")
        found = self.environment(lost)
        if found is None:
            how = "no environment is left, and what is compiled in is not known"
            return replace(loss, starts=None, how=how)
        copy, said = found
        proving = Proving(
            self.build, self.layout, self.copies, copy, self.rescues, lost=lost, steps=self.steps
        )
        if loss.kind == "chip":
            dead = proving.board.devices.keys() - {
                device
                for device, area in proving.board.devices.items()
                if area.partition("/")[0] != loss.name
            }
            proving.setting = replace(
                proving.setting, world=replace(proving.setting.world, dead=frozenset(dead))
            )
        starts, how = _follow(proving, "bootcmd")
        return replace(loss, starts=starts, how=", ".join(word for word in (said, how) if word))

    def environment(self, lost: frozenset[str]) -> tuple[Copy[Environment], str] | None:
        """Give the environment that U-Boot finds, and what to say of it."""
        left = [copy for copy in self.copies.environments if not _gone(copy, lost)]
        stored = [copy for copy in left if copy.says.stored]
        for copy in stored:
            if copy.says.taken:
                return copy, ""
        if stored:
            place = stored[0].place
            return stored[0], place.region.name if place.region is not None else place.name
        compiled = next((copy for copy in left if not copy.says.stored), None)
        if compiled is None:
            return None
        return compiled, "" if compiled.says.taken else "compiled-in environment"


def _gone(copy: Copy[Environment], lost: frozenset[str]) -> bool:
    region = copy.place.region
    return copy.says.stored and region is not None and region.name in lost


def _follow(proving: Proving, entry: str) -> tuple[tuple[str, ...] | None, str]:
    """Name what starts by itself, and how; None where that is not known."""
    paths, whole = proving.follow(proving.setting, entry)
    real = [path for path in paths if path.ending not in {Ending.MERGED, Ending.OUTSIDE}]
    if not whole or any(path.ending is Ending.OPEN for path in real):
        why = next((path.why for path in real if path.ending is Ending.OPEN), "")
        return None, why or "there are too many ways"
    names = set(_names(proving, real))
    stuck = [path for path in real if not set(_names(proving, [path]))]
    if not stuck:
        return tuple(sorted(names)), entry
    hangs = next((why for path in stuck if (why := _hangs(path))), "")
    if hangs:
        return (), hangs
    limit = number(proving.values.get("bootlimit", ""), 10)
    if entry != "bootcmd" or not limit or "altbootcmd" not in proving.values:
        return (), f"{entry} fails: the board resets without an end"
    others, how = _follow(proving, "altbootcmd")
    return others, f"after {limit} failed starts {how}" if others else how


def _names(proving: Proving, paths: Iterable[Path]) -> Iterator[str]:
    for path in paths:
        yield from (aim.name for aim in proving.aims if proving.belongs(path, aim))


def _hangs(path: Path) -> str:
    """Say why the board stays where it is; nothing where it resets."""
    if path.ending is Ending.DEAD:
        arguments = path.boot.arguments if path.boot is not None else None
        waits = _PANIC.search(arguments or "")
        if waits is None or waits[1] == "0":
            return f"{path.why}; without panic= the kernel stays there"
        return ""
    if path.ending is Ending.STOPS and path.stop == "reset":
        return ""
    if path.ending is Ending.STOPS and path.stop == "prompt":
        return "U-Boot waits at its prompt"
    return path.why or "it stops"
