"""No stage is proven beside an error that says it does not start.

A proof follows the scripts to what they start; a rule may know more of one of the parts, such as
where in RAM it comes to lie. What such a rule finds in a part that a stage starts from refutes the
stage, and the proof says in whose words.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from imgaudit.boot.rammap import Command
from imgaudit.contents.build import reader_of
from imgaudit.model import Layout
from imgaudit.proof.ledger import proven_again
from imgaudit.proof.records import Proof, Step, Verdict
from imgaudit.rules.engine import Finding, Severity
from imgaudit.rules.subject import Subject

_NOTHING_THERE = frozenset({"artifact-blank", "artifact-empty", "artifact-missing"})
_FIRST_STAGE = frozenset(
    {"first-stage-blank", "first-stage-checksum", "first-stage-cut", "first-stage-misplaced"}
    | {"first-stage-for-another-medium"}
)
_OF_FIRMWARE = _FIRST_STAGE | {
    "boot-loader-offset-differs",
    "boot-program-in-wrong-place",
    "u-boot-for-another-board",
    "u-boot-for-another-machine",
    "u-boot-missing",
    "u-boot-not-behind-its-spl",
    "u-boot-without-device-tree",
}
"""Rules about what no script loads, though nothing starts without it."""
_OF_TABLE = frozenset(
    {"gpt-mbr-not-protective", "gpt-missing", "gpt-partition-missing", "mbr-missing"}
    | {"mbr-partition-missing"}
)
"""Rules about a partition table: what is read from its place on the chip asks for none."""


def held(subject: Subject, findings: Iterable[Finding]) -> Subject:
    """Give a subject whose proofs agree with the errors found; what is waived says nothing."""
    stopping = [
        item
        for item in findings
        if item.rule.stops and item.severity is Severity.ERROR and item.waived is None
    ]
    if not stopping or subject.layout is None:
        return subject
    layout = subject.layout
    stopping = [item for item in stopping if not _has_another(item, stopping, subject)]
    proofs = tuple(_held(proof, stopping, layout) for proof in subject.proofs)
    lines = proven_again(subject.ledger, layout, proofs)
    return replace(subject, proofs=proofs, ledger=lines)


def _held(proof: Proof, stopping: Sequence[Finding], layout: Layout) -> Proof:
    if proof.verdict is not Verdict.PROVEN:
        return proof
    item = next((item for item in stopping if _is_about(item, proof, layout)), None)
    if item is None:
        return proof
    step = Step(
        command=str(item.values.get("command") or item.artifact or item.region or item.chip),
        variable=str(item.values.get("script") or item.region or item.chip),
        at=0,
        why=item.message,
    )
    then = item.effect.rstrip(".")
    return replace(proof, verdict=Verdict.REFUTED, step=step, then=then, told=True)


def _has_another(item: Finding, stopping: Sequence[Finding], subject: Subject) -> bool:
    """Tell whether the boot ROM has another copy of a first stage, of which nothing is wrong.

    Boot ROMs go on to the next place where a first stage does not hold: common practice, no source.
    """
    if item.rule.name not in _FIRST_STAGE:
        return False
    hurt = {one.region for other in stopping for one in (other, *other.leads_to)}
    read = [(one.region, one.payload) for one in subject.placements if one.payload is not None]
    mine = [(region, payload) for region, payload in read if region.name == item.region]
    formats = {it for region, payload in mine for it in (payload.format, reader_of(region.holds))}
    return any(
        payload.format in formats and payload.facts is not None and region.name not in hurt
        for region, payload in read
    )


def _is_about(item: Finding, proof: Proof, layout: Layout) -> bool:
    """Tell whether a finding is about something that a stage starts from."""
    by_table = item.rule.name in _OF_TABLE
    regions = {
        link.region
        for link in proof.chain
        if link.region is not None and (link.by_table or not by_table)
    }
    # What is in a UBI starts from where the UBI lies.
    regions |= {holder for name in regions if (holder := layout.region(name).holder) is not None}
    if not _is_of_start(item, proof):
        return False
    if item.region is not None:
        needed = _taken(proof) if item.rule.name in _NOTHING_THERE | _OF_FIRMWARE else ()
        return item.region in regions or item.region in needed
    return any(layout.region(name).area == item.chip for name in regions)


def _is_of_start(item: Finding, proof: Proof) -> bool:
    """Tell whether a finding is about the start itself, where it is about one or a part of one.

    A FIT may hold the parts of other boards, a stage more scripts than the one that is taken.
    """
    command = str(item.values.get("command", ""))
    if command.partition(" ")[0] in set(Command):
        starts = {(link.command, link.script) for link in proof.chain if link.command}
        if starts and (command, item.values.get("script")) not in starts:
            return False
    whole = str(item.values.get("content") or item.values.get("ramdisk") or "")
    part = f"{whole}/{item.values['image']}" if "image" in item.values else whole
    parts = {name for link in proof.chain if link.region == item.region for name in link.parts}
    beside = any(name.rpartition("/")[0] == part.rpartition("/")[0] for name in parts)
    return not ("/" in part and beside) or any(
        f"{part}/".startswith(f"{name}/") or name.startswith(f"{part}/") for name in parts
    )


def _taken(proof: Proof) -> tuple[str, ...]:
    """Name all regions that a stage needs, as the layout says; of slots, those of its own."""
    stage = proof.stage
    return stage.taken(next((slot for slot in stage.slots if slot.name == proof.slot), None))
