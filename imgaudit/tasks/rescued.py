"""How a rescue stands, shortly: a line for the audit and plain values for JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from imgaudit.rescue.stage import Rescue
    from imgaudit.rescue.survey import GroupFacts, NeedFacts


def line(rescue: Rescue) -> str:
    """Say how many groups of needs are met, and name the others."""
    facts = rescue.facts
    if facts is None:
        return f"not surveyed: {rescue.why}"
    met = [group for group in facts.groups if group.met]
    others = [group.name for group in facts.groups if not group.met]
    count = f"{len(met)} of {len(facts.groups)} groups"
    return f"{count}; not {', '.join(others)}" if others else count


def state(group: GroupFacts) -> str:
    """Say in a word how a group stands."""
    return {True: "met", False: "NOT met", None: "unknown"}[group.met]


def lacks(need: NeedFacts) -> str:
    """Say what a need that is not met lacks."""
    dead = [tool.name for tool in need.broken if tool.verdict.runs is False]
    weak = [tool.name for tool in need.broken if tool.weak]
    if need.met is None:
        return f"{need.what}: cannot be told of {', '.join(need.by)}"
    if dead:
        return f"{need.what}: {', '.join(dead)} cannot run"
    counts = f" ({', '.join(weak)} does not count)" if weak else ""
    return f"{need.what}: no {' and '.join(need.missing) or 'tool'}{counts}"


def plain(rescue: Rescue) -> dict[str, Any]:
    """Give JSON values."""
    ramdisk, facts, room = rescue.ramdisk, rescue.facts, rescue.room
    found: dict[str, Any] = {
        "ramdisk": ramdisk.where,
        "missing": ramdisk.missing or None,
        "size": ramdisk.size,
        "archives": [
            {
                "name": segment.name,
                "bundled": segment.bundled,
                "offset": segment.offset,
                "size": segment.size,
                "unpacked": segment.unpacked,
                "compression": segment.compression or None,
                "entries": len(segment.archive.entries) if segment.archive is not None else None,
            }
            for segment in ramdisk.segments
        ],
        "kernel": {
            "name": ramdisk.kernel.name if ramdisk.kernel is not None else None,
            "release": rescue.release,
            "configuration": rescue.config_from,
            "configuration-known": rescue.config is not None,
        },
        "memory": None
        if room is None
        else {
            "stored": room.stored,
            "unpacked": room.unpacked,
            "kernel": room.kernel,
            "needed": room.total,
            "ram": room.ram,
        },
        "not-surveyed": rescue.why or None,
    }
    if facts is None:
        return found
    found["arch"] = facts.arch
    found["init"] = {
        "path": facts.init.path,
        "runs": facts.init.verdict.runs,
        "tried": [{"path": item.path, "error": item.error} for item in facts.first.attempts],
        "reached": facts.first.reached,
    }
    found["groups-met"] = sum(1 for group in facts.groups if group.met)
    found["groups"] = [_group(group, rescue) for group in facts.groups]
    return found


def _group(group: GroupFacts, rescue: Rescue) -> dict[str, Any]:
    return {
        "name": group.name,
        "met": group.met,
        "implied-by": rescue.implied.get(group.name),
        "needs": [
            {
                "what": need.what,
                "level": need.level,
                "met": need.met,
                "by": list(need.by),
                "missing": list(need.missing),
                "broken": [tool.name for tool in need.broken],
            }
            for need in group.needs
        ],
    }
