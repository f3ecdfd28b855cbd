"""One cause, one finding: what only follows from another finding is told with that one."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import replace

from imgaudit.rules.engine import Cause, Finding

_Key = tuple[str, str, str]
_DEEP = 16  # consequences of consequences


def folded(findings: Iterable[Finding]) -> list[Finding]:
    """Give the causes, each with what it leads to.

    A finding that is waived, or less severe, is no cause that could stand for another: what follows
    from it is told by itself.
    """
    found = list(findings)
    at: dict[_Key, list[int]] = defaultdict(list)
    for index, item in enumerate(found):
        for key in _keys(item):
            at[key].append(index)
    above = {
        index: cause
        for index, item in enumerate(found)
        if item.causes and item.waived is None
        if (cause := _cause(index, found, at)) is not None
    }
    twins: dict[str, int] = {}
    for index, item in enumerate(found):
        if item.twin and item.waived is None and index not in above:
            first = twins.setdefault(f"{item.rule.name} {item.twin} {_said(item)}", index)
            if first != index:
                above[index] = first
    led: dict[int, list[Finding]] = defaultdict(list)
    for index in above:
        led[_root(index, above)].append(found[index])
    return [
        replace(item, leads_to=tuple(led[index])) if index in led else item
        for index, item in enumerate(found)
        if index not in above or index in led
    ]


def _said(item: Finding) -> str:
    """Give what a finding says, without where it says it."""
    own = {"region", "artifact", "chip", "content"}
    said = {name: value for name, value in item.values.items() if name not in own}
    return f"{item.severity} {said}"


def _keys(item: Finding) -> Iterable[_Key]:
    """Give the places that a finding is about; one about two regions is about either."""
    regions = {item.region, *(item.values.get(name) for name in ("other", "copy"))}
    places = [("region", name) for name in regions if isinstance(name, str) and item.region]
    places.append(("anywhere", ""))
    if item.artifact is not None:
        places.append(("artifact", item.artifact))
    if item.chip is not None:
        places.append(("on chip" if item.region is not None else "chip", item.chip))
    return [(item.rule.name, *place) for place in places]


def _cause(index: int, found: list[Finding], at: dict[_Key, list[int]]) -> int | None:
    item = found[index]
    for cause in item.causes:
        keys = [(rule, *place) for rule in sorted(cause.rules) for place in _places(item, cause)]
        for other in (other for key in keys for other in at.get(key, ())):
            one = found[other]
            alike = all(str(one.values.get(k)) == v for k, v in cause.values.items())
            worse = one.severity.rank <= item.severity.rank and one.waived is None
            # Of several by one rule the first is the cause of the others.
            before = other < index if one.rule is item.rule else True
            if alike and worse and before:
                return other
    return None


def _places(item: Finding, cause: Cause) -> Iterator[tuple[str, str]]:
    """Give where to look; what is about a whole chip may follow from one region on it."""
    if cause.anywhere:
        yield "anywhere", ""
    elif cause.region is not None:
        yield "region", cause.region
    else:
        if item.region is not None:
            yield "region", item.region
        elif item.artifact is not None:
            yield "artifact", item.artifact
        if item.chip is not None:
            yield "chip", item.chip
        if item.chip is not None and item.region is None:
            yield "on chip", item.chip


def _root(index: int, above: dict[int, int]) -> int:
    """Go up to the first cause; two that name each other both stay."""
    at = index
    for _ in range(_DEEP):
        if at not in above:
            return at
        at = above[at]
    return index
