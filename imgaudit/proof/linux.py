"""What a proof takes from the Linux that is started: its drivers, and the root that it mounts."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace

from imgaudit.proof.records import Proof, Step, Verdict
from imgaudit.rescue.drivers import State
from imgaudit.rescue.mainroot import MainRoot
from imgaudit.rescue.started import Started


def with_linux(
    proofs: Iterable[Proof], started: Mapping[str, Started], roots: Mapping[str, MainRoot]
) -> tuple[Proof, ...]:
    """Refute what U-Boot starts and Linux cannot go on with.

    Only what is known to be missing counts: a driver that cannot be told leaves a proof as it is,
    and is reported as not checked by its rule. `started` is by stage, `roots` by region.
    """
    return tuple(_held(proof, started, roots) for proof in proofs)


def _held(proof: Proof, started: Mapping[str, Started], roots: Mapping[str, MainRoot]) -> Proof:
    linux = started.get(proof.stage.name)
    if proof.verdict is not Verdict.PROVEN or linux is None:
        return proof
    step = next(_lacking(linux, proof, roots), None)
    if step is None:
        return proof
    then = "Linux starts, and does not get to what the stage is for"
    return replace(proof, verdict=Verdict.REFUTED, step=step, then=then, told=True)


def _lacking(linux: Started, proof: Proof, roots: Mapping[str, MainRoot]) -> Iterator[Step]:
    for driver in linux.drivers.found:
        if driver.role in linux.vital and driver.vital and driver.good is False:
            yield Step(
                command=next(iter(driver.compatible), driver.node),
                variable=driver.node,
                at=0,
                why=f"{driver.role}: {driver.state.value}",
            )
    mounted = {link.region for link in proof.chain if link.role == "root"}
    for root in roots.values():
        if root.region.name in mounted and root.driver is State.MISSING:
            yield Step(
                command=f"root={root.region.name}",
                variable="the kernel command line",
                at=0,
                why=f"the kernel has no {root.region.holds} built in",
            )
