"""By what all was judged; what still starts when something is lost, or in an update's power cut."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from imgaudit.model import FACTORY, Act
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
from imgaudit.units import counted

if TYPE_CHECKING:
    from imgaudit.proof.cuts import Cut, Walked
    from imgaudit.proof.endure import Loss
    from imgaudit.proof.records import Proof


def section(result: Result) -> Section:
    """Say by what each region, stage and copy of the map was judged."""
    return Section(heading("Judged by"), (Lines(tuple(map(_line, result.coverage))),))


def spoken(item: Covered) -> str:
    """Say what a line of the ledger says."""
    line = item.line
    told = f"{line.state}: {line.why}" if line.why else line.state
    if item.open and line.where is not None:
        told += f" ({line.where})"
    if item.accepted is not None:
        told += f"; accepted by {item.accepted.owner}: {item.accepted.reason}"
    name = line.name if line.kind == "region" else f"{line.kind} {line.name}"
    return f"{name}: {told}"


def _line(item: Covered) -> Line:
    return Line(
        spoken(item),
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
    fatal = set(_fatal(subject))
    return Table(
        head=("lost", "starts", "how"),
        rows=tuple((str(item), _starts(item), item.how) for item in subject.losses),
        wraps=frozenset({0, 1, 2}),
        roles=tuple("bad" if item in fatal else "" for item in subject.losses),
    )


def _fatal(subject: Subject) -> list[Loss]:
    """Give the losses after which nothing starts, and which nobody accepts."""
    policy = subject.layout.policy.accepts if subject.layout is not None else ()
    accepted = {accept.name for accept in policy if accept.kind == "loss"}
    real = (item for item in subject.losses if item.kind != "nothing")
    return [item for item in real if item.starts == () and item.name not in accepted]


def updates(subject: Subject) -> Iterator[Section]:
    """Give for each update a row for each way in which the power can go in it."""
    for walked in subject.updates:
        update = walked.update
        where = f", {update.script}" if update.script else ""
        since = ", over the release before" if walked.before is not None else ""
        since += ", watched by a watchdog" if update.watched else ""
        yield Section(
            heading(f"Power lost in the update {update.name}, run by {update.by}{where}{since}"),
            (
                Table(
                    head=("step", "while", "starts", "how", "next"),
                    rows=tuple(_row(walked, cut) for cut in walked.cuts),
                    roles=tuple("bad" if cut.fails else "" for cut in walked.cuts),
                    right=frozenset({0}),
                    wraps=frozenset({1, 2, 3, 4}),
                ),
            ),
            within="Power lost in an update",
        )


def _row(walked: Walked, cut: Cut) -> tuple[str, ...]:
    while_ = f"{cut.what}, {cut.place}" if cut.place else cut.what
    if walked.update.by == FACTORY:
        return str(cut.number), while_, "-", cut.how, "start it again"
    names = "not known" if cut.starts is None else " or ".join(cut.starts)
    if cut.fails:
        names = f"{names} or nothing" if names else "nothing"
    return str(cut.number), while_, names, cut.how, _next(walked, cut)


def _next(walked: Walked, cut: Cut) -> str:
    """Say what can be done after a cut."""
    if cut.spoiled:
        return f"{' and '.join(cut.spoiled)} is lost for good"
    if cut.fails:
        return "bring it back by hand"
    if cut.repeats is None:
        return "not known"
    if not cut.repeats:
        return f"{walked.update.by} does not come up to do it again"
    if (cut.phase == "done" and cut.step.act is Act.SET) or cut.step.act is Act.REBOOT:
        return "go on from there"
    lost = [name for name in cut.without if name not in (cut.starts or ())]
    meanwhile = f", without {' and '.join(lost)} till then" if lost else ""
    return f"start it again{meanwhile}"


def update(walked: Walked) -> dict[str, Any]:
    """Give one update with all its cuts."""
    told = walked.update
    return {
        "name": told.name,
        "by": told.by,
        "script": told.script or None,
        "watched": told.watched,
        "starts": None if walked.normal is None else list(walked.normal),
        "changed-since-before": None
        if walked.before is None
        else sorted(name for name in walked.before.changed if ":" not in name),
        "cuts": [
            {
                "step": cut.number,
                "while": cut.what,
                "act": cut.step.act,
                "target": cut.step.target or None,
                "phase": cut.phase or None,
                "blocks": None if cut.blocks is None else list(cut.blocks),
                "of": cut.of or None,
                "starts": None if cut.starts is None else list(cut.starts),
                "how": cut.how,
                "nothing-starts": cut.fails,
                "started-torn": cut.torn or None,
                "no-environment": cut.hole,
                "lost-for-good": list(cut.spoiled),
                "torn-images": list(cut.images),
                "stages-without-start": list(cut.without),
                "mixes-releases": None
                if cut.mixture is None
                else {"new": list(cut.mixture[0]), "old": list(cut.mixture[1])},
                "can-be-repeated": cut.repeats,
            }
            for cut in walked.cuts
        ],
        "writes-under-itself": [list(pair) for pair in walked.under],
        "switches-too-early": [list(pair) for pair in walked.early],
        "mixes": [list(pair) for pair in walked.mixed],
    }


def _held_back(subject: Subject) -> list[str]:
    """Name the stages and slots that are walked to, and are known not to start."""
    from imgaudit.tasks import audit

    walked = {name for item in subject.losses for name in item.starts or ()}
    proofs = audit.settled(subject).proofs
    refuted = {it.name for it in proofs if it.taken and it.verdict.value == "refuted"}
    return sorted(walked & refuted)


def endure(subject: Subject) -> Report:
    """Say for each single loss, and for each update, what still starts."""
    from imgaudit.rules import updates as family
    from imgaudit.rules.engine import Check
    from imgaudit.tasks import audit

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
    only = [item for item in vars(family).values() if isinstance(item, Check)]
    result = audit.run(subject, only=only)
    if subject.updates:
        count = len(subject.updates)
        counts.append(counted(count, "update"))
        counts.append(said.verdict(result).counts.partition("proven, ")[2])
    word, role = ("FAIL", "bad") if left or result.failed else ("PASS", "good")
    opened = [item.line for item in result.coverage if item.open]
    guessed = [line.name for line in opened if line.kind == "guess"]
    limits = [line.name for line in opened if line.kind == "limit"]
    if (guessed or limits) and word == "PASS":
        word, role = "INCOMPLETE", "warn"
    if not subject.losses:
        word, role, counts = "INCOMPLETE", "warn", [subject.boots.why]
    if guessed:
        counts.append(f"stands on guesses: {', '.join(guessed)}")
    if limits:
        counts.append(f"too much to look at: {', '.join(limits)}")
    if held := _held_back(subject):
        word, role = (word, role) if word == "FAIL" else ("INCOMPLETE", "warn")
        counts.append(f"{', '.join(held)}: does not start as built, audit says why")
    verdict = Verdict(word=word, role=role, counts=", ".join(counts))
    board = layout.board if layout is not None else ""
    about = f"{board}: {layout.file}" if layout is not None else ""
    items = tuple(map(said.found, result.findings))
    return Report(
        command="endure",
        title=f"{board}: what still starts",
        status={"FAIL": FOUND, "PASS": PASS}.get(word, INCOMPLETE),
        verdict=verdict,
        sections=(
            Section(None, (Headline(verdict, about),)),
            Section(None, (lost(subject),)),
            *updates(subject),
            *said.findings(items),
            *said.waived(items),
            *said.not_checked(result.not_checked),
        ),
        data=lambda: (
            said.head()
            | {
                "losses": [loss(item) for item in subject.losses],
                "updates": [update(item) for item in subject.updates],
                "findings": said.in_json(result)["findings"],
            }
        ),
        findings=items,
        unchecked=said.unchecked(result.not_checked),
        rules={item.rule.name: said.rule_text(item.rule) for item in result.findings},
        looked=result.looked,
    )


def _starts(item: Loss) -> str:
    if item.starts is None:
        return "not known"
    return " or ".join(item.starts) or "nothing"
