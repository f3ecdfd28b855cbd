"""Whether each stage starts: what refutes it, and what cannot be known."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from imgaudit.proof.records import Fault, Proof, Step, Verdict
from imgaudit.rules._boot import RECOVERY, scripted, whole_fit
from imgaudit.rules.cited import PRACTICE, in_u_boot
from imgaudit.rules.engine import (
    Case,
    Cause,
    Finding,
    NotChecked,
    Outcome,
    Rule,
    Severity,
    check,
)
from imgaudit.rules.subject import Subject

_WRONG_CONTENT = (
    "artifact-blank",
    "artifact-damaged",
    "artifact-empty",
    "artifact-exceeds-region",
    "artifact-is-a-placeholder",
    "artifact-not-what-it-claims",
    "filesystem-damaged",
    "filesystem-truncated",
)
TELLS: dict[Fault, frozenset[str]] = {
    Fault.FIRMWARE: frozenset(
        {*_WRONG_CONTENT, "fip-without-required-image", "fip-table-damaged"}
        | {"fip-entry-outside-file"}
    ),
    Fault.READ: frozenset({"script-reads-too-little", "script-offset-not-region"}),
    Fault.OVERWRITTEN: frozenset({"loads-overlap"}),
    Fault.OUTSIDE: frozenset({"load-outside-ram", "fit-load-outside-ram"}),
    Fault.RESERVED: frozenset({"load-over-reserved-memory"}),
    Fault.CONTENT: frozenset(
        {*_WRONG_CONTENT, "fit-cut", "fit-external-data-missing", "fit-image-without-data"}
        | {"fit-compression-mislabelled", "uimage-compression-mislabelled", "fit-hash-mismatch"}
        | {"uimage-size-mismatch", "zimage-cut", "device-tree-cut", "fit-image-not-its-type"}
        | {"uimage-data-checksum", "uimage-header-checksum"}
    ),
    Fault.CHECKSUM: frozenset(
        {"fit-hash-mismatch", "uimage-data-checksum", "uimage-header-checksum"}
    ),
    Fault.CONFIGURATION: frozenset(
        {"fit-configuration-dangling", "fit-default-configuration-missing"}
        | {"fit-default-configuration-without-kernel"}
    ),
    Fault.MACHINE: frozenset(
        {"fit-wrong-architecture", "kernel-wrong-architecture", "uimage-wrong-architecture"}
        | {"uimage-payload-of-another-architecture"}
    ),
    Fault.OPTION: frozenset({"boot-image-needs-option"}),
    Fault.RAMDISK: frozenset({*_WRONG_CONTENT, "ramdisk-format-refused", "ramdisk-missing"}),
    Fault.INIT: frozenset(
        {"init-cannot-run", "init-missing", "init-not-executable", "start-ends"}
        | {"start-program-missing"}
    ),
    Fault.ROOT: frozenset({"root-dangling"}),
    Fault.KERNEL: frozenset({"kernel-option-missing"}),
    Fault.TABLE: frozenset(
        {"gpt-array-checksum", "gpt-for-another-sector-size", "gpt-header-checksum"}
        | {"gpt-last-usable-past-device", "gpt-location-fields-wrong", "gpt-missing"}
        | {"gpt-mbr-not-protective", "gpt-primary-missing"}
    ),
    Fault.ROOT_CONTENT: frozenset({*_WRONG_CONTENT, "main-init-cannot-run", "main-root-empty"}),
}
"""The rules that tell in detail why a boot command cannot start what it is given."""
_OF_A_COMMAND = frozenset(
    {"script-reads-too-little", "script-reads-past-region", "flash-not-probed"}
    | {"variable-undefined", "script-offset-not-region", "command-not-built-in"}
)
_OF_A_SCRIPT = frozenset({"script-missing", "script-syntax-error"})


def _causes(step: Step, environment: str | None) -> tuple[Cause, ...]:
    """Give what would tell in detail why this step cannot succeed; `environment` is its region."""
    found = []
    if step.fault is not None:
        # Where root= leads nowhere it is the environment that says so.
        elsewhere = step.fault in {Fault.ROOT, Fault.OVERWRITTEN}
        somewhere = step.fault in {Fault.KERNEL, Fault.OUTSIDE, Fault.TABLE}
        place = None if somewhere else environment if elsewhere else step.region
        found.append(Cause(TELLS[step.fault], place, anywhere=somewhere))
    said = {"script": step.variable, "command": step.command}
    found.append(Cause(_OF_A_COMMAND, anywhere=True, values=said))
    if step.command.startswith("bootdelay="):
        found.append(Cause(frozenset({"autoboot-switched-off"}), environment))
    if step.command.startswith("run "):
        name = step.command.removeprefix("run ")
        found.append(
            Cause(_OF_A_SCRIPT, environment, values={"script": step.variable, "name": name})
        )
    return tuple(found)


def _stopped_values(
    stage: str, *, over: str, command: str, script: str, why: str, then: str
) -> None: ...


DOES_NOT_START = Rule(
    name="stage-does-not-start",
    severity=Severity.ERROR,
    values=_stopped_values,
    message="{stage} cannot start{over}: `{command}` in {script}: {why}",
    effect="No path starts {stage}: {then}.",
    fix="Mend what it says, or give the script another way that can succeed.",
    computed=(
        "every path from the stage's entry, each command decided by what the build has, ends"
        " without starting the stage's kernel with what the stage takes; the step is the first"
        " that fails and without whose failure the stage could start"
    ),
    sources=(
        in_u_boot("boot/bootm.c", "do_bootm_states"),
        in_u_boot("fs/fs.c", "do_load"),
        in_u_boot("common/cli_hush.c", "run_list_real"),
    ),
    bad=scripted(RECOVERY.replace("bootm", "bootz"), itb=whole_fit),
    good=scripted(itb=whole_fit),
)


@check(DOES_NOT_START)
def does_not_start(subject: Subject) -> Outcome:
    said: set[tuple[str, Step | None]] = set()
    for proof in subject.proofs:
        key = (proof.name, proof.step and replace(proof.step, offset=None))
        if proof.verdict is Verdict.PROVEN or proof.told or key in said:
            continue
        said.add(key)
        step = proof.step
        over = "" if proof.taken else f" from {proof.place}"
        if proof.verdict is Verdict.UNPROVEN:
            yield NotChecked(DOES_NOT_START.name, f"stage {proof.name}{over}", f"{step}")
        elif step is not None:
            case = DOES_NOT_START(
                stage=proof.name,
                over=over,
                command=step.command,
                script=step.variable,
                why=step.why,
                then=proof.then,
            )
            guess = over and not proof.stored
            yield _at(case, proof, step, Severity.WARNING if guess else None)


def _at(case: Case, proof: Proof, step: Step, severity: Severity | None = None) -> Finding:
    place = proof.place
    region = place.region if place is not None else None
    told = proof.verdict is Verdict.REFUTED
    return case.at(
        region=region,
        causes=_causes(step, region.name if region is not None else None) if told else (),
        artifact=place.artifact if place is not None else None,
        where=place.where if place is not None else proof.stage.where,
        offset=step.offset,
        severity=severity,
    )


def _hopeless_values(stage: str, script: str, *, command: str, why: str) -> None: ...


HOPELESS = Rule(
    name="first-choice-cannot-work",
    severity=Severity.WARNING,
    values=_hopeless_values,
    message="`{command}` in {script} can never succeed: {why}",
    effect="{stage} starts all the same, by what the script tries next.",
    fix="Take the step out, or give it what it looks for.",
    computed=(
        "on the path that starts a stage a load fails by what the build has, and a later one brings"
        " the same part, or U-Boot itself goes on without it; or a boot command fails before the"
        " one that starts"
    ),
    sources=(PRACTICE,),
    bad=scripted(f"bootz 0x88000000 || {RECOVERY}", itb=whole_fit),
    good=scripted(itb=whole_fit),
)


@check(HOPELESS)
def first_choice(subject: Subject) -> Outcome:
    seen = set()
    for proof, step in _hopeless(subject):
        if (step.variable, step.at, step.why) not in seen:
            seen.add((step.variable, step.at, step.why))
            case = HOPELESS(
                stage=proof.name, script=step.variable, command=step.command, why=step.why
            )
            yield _at(case, proof, step)


def _hopeless(subject: Subject) -> Iterator[tuple[Proof, Step]]:
    for proof in subject.proofs:
        if proof.taken and proof.verdict is Verdict.PROVEN:
            for step in proof.hopeless:
                yield proof, step


def _loss_values(name: str, *, lost: str, how: str) -> None: ...


LOSS = Rule(
    name="nothing-starts-after-a-loss",
    severity=Severity.WARNING,
    values=_loss_values,
    message="{lost}, nothing starts by itself: {how}",
    effect="One fault in the field, and the unit is dead until someone opens it.",
    fix=(
        "Give the boot another way; or accept the loss in the policy, with the reason and who"
        " answers for it: accept: [{{loss: {name}, reason: …, owner: …}}]."
    ),
    computed=(
        "the boot followed from power-on with one chip silent, one region erased, or both copies of"
        " the environment erased, ends in no start; asked where a stage has a ramdisk"
    ),
    sources=(PRACTICE,),
    bad=scripted(itb=whole_fit),
    good=scripted(
        itb=whole_fit,
        rest=(
            "policy:\n  accept:\n"
            "    - {loss: nor, reason: it holds all, owner: the boot team}\n"
            "    - {loss: env, reason: no copy of it, owner: the boot team}\n"
            "    - {loss: recovery, reason: there is one system, owner: the boot team}\n"
        ),
    ),
)


_NO_OTHER_WAY = Cause(
    frozenset(
        {"recovery-not-reached", "boot-limit-without-altbootcmd", "recovery-boot-needs-other-chip"}
    ),
    anywhere=True,
)


@check(LOSS)
def nothing_after_a_loss(subject: Subject) -> Outcome:
    layout = subject.layout
    if layout is None:
        return
    taken = [proof for proof in subject.proofs if proof.taken]
    rescued = any(proof.stage.ramdisk is not None for proof in taken)
    if not rescued or any(proof.verdict is not Verdict.PROVEN for proof in taken):
        return  # nothing is there for that day; or it does not start anyway, which is said already
    accepted = {accept.name for accept in layout.policy.accepts if accept.kind == "loss"}
    for loss in subject.losses:
        if loss.kind == "nothing" or loss.name in accepted:
            continue
        if loss.starts is None:
            yield NotChecked(LOSS.name, f"the loss of {loss.name}", loss.how)
        elif not loss.starts:
            whole = loss.kind == "chip"
            region = None if whole else layout.region(loss.regions[0])
            lost = f"with {loss.name} {'silent' if loss.kind == 'chip' else 'lost'}"
            yield LOSS(lost=lost, name=loss.name, how=loss.how).at(
                causes=(_NO_OTHER_WAY,),
                region=region,
                chip=loss.name if whole else None,
                where=layout.chips[loss.name].where if whole else None,
            )
