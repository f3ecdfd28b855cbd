"""What still starts when something is lost: a chip, a region, both copies of the environment.

A lost region reads as erased; a lost chip answers nothing.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from imgaudit.boot.board import Damage
from imgaudit.boot.found import Boots
from imgaudit.data import dataclass
from imgaudit.model import Layout
from imgaudit.proof.power import PowerOn, State


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


def endure(power: PowerOn, boots: Boots) -> tuple[Loss, ...]:
    """Say for each single loss what still starts; first what starts when nothing is lost."""
    if boots.why:
        return ()
    losses = (Loss(kind="nothing", name="(nothing)", regions=()), *_losses(power.layout))
    return tuple(_told(power, loss) for loss in losses)


def _told(power: PowerOn, loss: Loss) -> Loss:
    """Say what starts, and how."""
    damage = frozenset((name, Damage.ERASED) for name in loss.regions)
    silent = loss.name if loss.kind == "chip" else ""
    after = power.after(State(damage=damage, silent=silent))
    return replace(loss, starts=after.starts, how=after.how)


def _losses(layout: Layout) -> Iterator[Loss]:
    for chip in layout.chips.values():
        names = tuple(region.name for region in layout.regions if region.chip == chip.name)
        yield Loss(kind="chip", name=chip.name, regions=names)
    for region in layout.regions:
        yield Loss(kind="region", name=region.name, regions=(region.name,))
    pairs = (
        tuple(sorted((region.name, region.env.copy)))
        for region in layout.regions
        if region.env is not None and region.env.copy is not None
    )
    for names in dict.fromkeys(pairs):
        yield Loss(kind="environment", name=" and ".join(names), regions=names)
