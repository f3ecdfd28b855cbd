"""By what all that a layout names was judged, and what still starts when something is lost."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from imgaudit.rules.subject import Subject
from imgaudit.tasks import said
from imgaudit.tasks.audit import Covered, Result
from imgaudit.tasks.sections import (
    FOUND,
    INCOMPLETE,
    PASS,
    Headline,
    Line,
    Lines,
    Report,
    Section,
    Table,
    Verdict,
    heading,
)

if TYPE_CHECKING:
    from imgaudit.proof.endure import Loss
    from imgaudit.proof.records import Proof


def section(result: Result) -> Section:
    """Say by what each region, stage and copy of the map was judged."""
    return Section(heading("Judged by"), (Lines(tuple(map(_line, result.coverage))),))


def _line(item: Covered) -> Line:
    line = item.line
    told = f"{line.state}: {line.why}" if line.why else line.state
    if item.accepted is not None:
        told += f"; accepted by {item.accepted.owner}: {item.accepted.reason}"
    name = line.name if line.kind == "region" else f"{line.kind} {line.name}"
    return Line(
        f"{name}: {told}",
        role="warn" if item.open else "",
        depth=0 if item.open else 2,
        mark="! " if item.open else "",
        hang=4 if item.open else 2,
    )


def in_json(item: Covered) -> dict[str, Any]:
    """Give a line of the ledger."""
    line, accepted = item.line, item.accepted
    return {
        "kind": line.kind,
        "name": line.name,
        "state": line.state,
        "why": line.why,
        "open": item.open,
        "bytes": {seen.value: size for seen, size in line.size.items()},
        "accepted": None
        if accepted is None
        else {"reason": accepted.reason, "owner": accepted.owner, "until": accepted.until},
    }


def proof(item: Proof) -> dict[str, Any]:
    """Give the proof of a stage over one environment."""
    step = item.step
    return {
        "slot": item.slot or None,
        "environment": None if item.place is None else str(item.place),
        "taken": item.taken,
        "verdict": item.verdict.value,
        "step": None
        if step is None
        else {"command": step.command, "script": step.variable, "at": step.at, "why": step.why},
        "then": item.then or None,
        "chain": [
            {"role": link.role, "what": link.what, "region": link.region} for link in item.chain
        ],
        "never-works": [str(other) for other in item.hopeless],
        "could-start-first": list(item.outside),
    }


def loss(item: Loss) -> dict[str, Any]:
    """Give what starts after a loss."""
    return {
        "lost": item.name,
        "kind": item.kind,
        "starts": None if item.starts is None else list(item.starts),
        "how": item.how,
    }


def lost(subject: Subject) -> Table:
    """Give a row for each loss, with what still starts."""
    return Table(
        head=("lost", "starts", "how"),
        rows=tuple((str(item), _starts(item), item.how) for item in subject.losses),
        roles=tuple("bad" if item in _fatal(subject) else "" for item in subject.losses),
    )


def _fatal(subject: Subject) -> list[Loss]:
    """Give the losses after which nothing starts, and which nobody accepts."""
    policy = subject.layout.policy.accepts if subject.layout is not None else ()
    accepted = {accept.name for accept in policy if accept.kind == "loss"}
    real = (item for item in subject.losses if item.kind != "nothing")
    return [item for item in real if item.starts == () and item.name not in accepted]


def endure(subject: Subject) -> Report:
    """Say for each single loss what still starts."""
    layout = subject.layout
    real = [item for item in subject.losses if item.kind != "nothing"]
    dead = [item for item in real if item.starts == ()]
    left = _fatal(subject)
    unknown = sum(item.starts is None for item in real)
    counts = [f"{len(real) - len(dead) - unknown} of {len(real)} losses leave a way to start"]
    if len(dead) > len(left):
        counts.append(f"{len(dead) - len(left)} accepted")
    if unknown:
        counts.append(f"{unknown} not known")
    word, role = ("FAIL", "bad") if left else ("PASS", "good")
    if not subject.losses:
        word, role, counts = "INCOMPLETE", "warn", [subject.boots.why]
    verdict = Verdict(word=word, role=role, counts=", ".join(counts))
    board = layout.board if layout is not None else ""
    about = f"{board}: {layout.file}" if layout is not None else ""
    return Report(
        command="endure",
        title=f"{board}: what still starts",
        status=(FOUND if left else PASS) if subject.losses else INCOMPLETE,
        verdict=verdict,
        sections=(Section(None, (Headline(verdict, about),)), Section(None, (lost(subject),))),
        data=lambda: said.head() | {"losses": [loss(item) for item in subject.losses]},
    )


def _starts(item: Loss) -> str:
    if item.starts is None:
        return "not known"
    return " or ".join(item.starts) or "nothing"
