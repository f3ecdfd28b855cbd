"""A walk as a list of lines to tell: each place of a script once, however often it runs."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import field

from imgaudit.boot.records import Condition, Kind, Operation, Outcome
from imgaudit.boot.stage import Followed
from imgaudit.data import dataclass

Place = tuple[str, int]
"""A variable's name and an offset in its text."""
_SILENT = frozenset({Kind.SHOW, Kind.TEST})


@dataclass(slots=True)
class Step:
    """One step or heading, `depth` conditions deep.

    A step has `operation` and `number`; `again` has the later runs of the same place. A heading has
    the `condition` under which the lines behind it run, and the number of the `step` that decides
    it (0: not one step). `elsewhere` names an entry that is told on its own, `repeated` tells of a
    script that was told before.
    """

    depth: int
    operation: Operation | None = None
    number: int = 0
    again: list[Operation] = field(default_factory=list)
    condition: Condition | None = None
    step: int = 0
    elsewhere: str = ""
    repeated: bool = False


def lines(followed: Followed, others: Mapping[str, Collection[Place]]) -> list[Step]:
    """Give what to tell; runs of the `others`, entries with their places, are only named."""
    return list(_Telling(followed, others).all())


def places(followed: Followed) -> set[Place]:
    """Give the places that a walk comes through."""
    return {(operation.variable, operation.at) for operation in followed.walk.operations}


class _Telling:
    def __init__(self, followed: Followed, others: Mapping[str, Collection[Place]]) -> None:
        self.walk = followed.walk
        self.others = others
        self.at: dict[Place, Operation] = {}
        for operation in self.walk.operations:
            self.at.setdefault((operation.variable, operation.at), operation)
        self.told: dict[Place, Step] = {}
        self.variables: set[str] = set()
        self.stack: list[Condition] = []
        self.number = 0

    def all(self) -> Iterator[Step]:
        skipping: Collection[Place] = ()
        for operation in self.walk.operations:
            place = (operation.variable, operation.at)
            if place in skipping:
                continue
            skipping = ()
            line = self.told.get(place)
            if line is not None:
                if line.operation is not None and line.operation.command != operation.command:
                    line.again.append(operation)
                continue
            if operation.kind in _SILENT:
                continue
            yield from self.headings(self.shown(operation.conditions))
            target = next((name for name in operation.runs if name in self.others), "")
            before = self.variables.issuperset(operation.runs)
            line = Step(
                len(self.stack),
                operation=operation,
                elsewhere=target,
                repeated=bool(operation.runs) and before,
            )
            if operation.kind is not Kind.RUN or not operation.runs:
                self.number += 1
                line.number = self.number
            self.told[place] = line
            self.variables.add(operation.variable)
            yield line
            if target:
                skipping = self.others[target]

    def headings(self, wanted: Sequence[Condition]) -> Iterator[Step]:
        """Leave and enter conditions until those of the next step hold."""
        common = 0
        while common < min(len(wanted), len(self.stack)) and wanted[common] == self.stack[common]:
            common += 1
        del self.stack[common:]
        for condition in wanted[common:]:
            decided = self.told.get((condition.variable, condition.at))
            step = decided.number if decided is not None else 0
            yield Step(len(self.stack), condition=condition, step=step)
            self.stack.append(condition)

    def shown(self, conditions: Sequence[Condition]) -> list[Condition]:
        """Leave out what goes without saying: that the steps before have succeeded."""
        return [
            condition
            for condition in conditions
            if condition.outcome is not Outcome.SUCCEEDS or self.asks(condition)
        ]

    def asks(self, condition: Condition) -> bool:
        decided = self.at.get((condition.variable, condition.at))
        return decided is not None and decided.kind is Kind.TEST
