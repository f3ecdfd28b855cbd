"""Power cuts in updates: what they leave, and whether the update can be done again."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import replace
from uuid import UUID

from imgaudit.model import FACTORY, Act, Layout
from imgaudit.proof.cuts import U_BOOT, Cut, Walked
from imgaudit.proof.records import Verdict
from imgaudit.rules._boot import ENV_SIZE, RECOVERY, scripted, whole_fit
from imgaudit.rules.cited import PRACTICE, in_u_boot
from imgaudit.rules.engine import (
    Case,
    Cause,
    Example,
    Finding,
    Kind,
    Missing,
    NotChecked,
    Outcome,
    Rule,
    Severity,
    check,
)
from imgaudit.rules.examples import emmc
from imgaudit.rules.samples import arm64_kernel, board_tree, fit, image, kernel
from imgaudit.rules.subject import Subject
from imgaudit.units import KIB, MIB
from imgaudit.writers.cpio import cpio
from imgaudit.writers.elf import program
from imgaudit.writers.env import environment
from imgaudit.writers.ext4 import ext4
from imgaudit.writers.fdt import Tree
from imgaudit.writers.tree import file

_CARE = (
    " Try it on a board only with a backup of its chips and a serial console or the boot ROM's"
    " download mode within reach."
)
_MOST = 4  # steps of one update that are told one by one as not known
_SPARE = "name: spare, at: 512 KiB, size: 256 KiB, holds: fit, file: recovery.itb"
_OTHER = "sf probe && sf read 0x88000000 0x80000 0x40000 && bootm 0x88000000"
_PAIR = "holds: uboot-env, writer: runtime, env: {size: 8 KiB, copy: "


def _unsummed_fit() -> bytes:
    """Write a FIT that starts and has no hash."""
    tree: Tree = {"type": "flat_dt", "hash-1": ()}
    bare: Tree = {"hash-1": ()}
    root = {"init": file(program(), 0o755)}
    return fit(
        {
            "kernel": kernel(bare),
            "fdt": image(tree, payload=board_tree()),
            "ramdisk": image(bare, payload=cpio(root, 0)),
        },
        configurations={"conf": {"kernel": "kernel", "fdt": "fdt", "ramdisk": "ramdisk"}},
    )


def _board(
    steps: str,
    *,
    by: str = "recovery",
    bootcmd: str = "run recovery || run other",
    itb: Callable[[], bytes] = whole_fit,
    regions: tuple[str, ...] = (),
    rest: str = "",
) -> Example:
    """Give a board whose recovery lies in two regions, and one update of it."""
    return scripted(
        bootcmd=bootcmd,
        more={"other": _OTHER, "first": RECOVERY},
        regions=(_SPARE, *regions),
        stage="  spare: {regions: [env, spare], entry: other, ramdisk: spare}\n",
        itb=itb,
        rest=f"updates:\n  field: {{by: {by}, steps: [{steps}]}}\n{rest}",
    )


def _paired(steps: str) -> Example:
    """Give the same with two copies of the environment."""
    variables = {"bootcmd": "run recovery || run other", "other": _OTHER, "recovery": RECOVERY}
    plain = _board(steps)
    layout = plain.layout.replace(
        "holds: uboot-env, writer: runtime, file: u-boot.env, env: {size: 8 KiB}",
        "file: u-boot.env, " + _PAIR + "copy}",
    ).replace(
        "regions:\n",
        f"regions:\n  - {{name: copy, chip: nor, at: 0, size: 64 KiB, {_PAIR}env}}}}\n",
        1,
    )
    files = {**plain.files, "u-boot.env": lambda: environment(variables, ENV_SIZE, 1)}
    return Example(layout, files)


def _mounted(steps: str, old: Mapping[str, Callable[[], bytes]] | None = None) -> Example:
    """Give a board whose main system mounts its root from an eMMC, and one update of it."""
    variables = {
        "bootcmd": "mmc dev 0; mmc read 0x80200000 0x10000 0x80; mmc read 0x88000000 0x14000 0x80;"
        " setenv bootargs root=PARTLABEL=rootfs; booti 0x80200000 - 0x88000000",
    }
    disk = "partition: {}, at: {} MiB, size: 8 MiB, holds: ext4, file: {}.ext4"
    root = {"sbin/init": file(program(), 0o755)}
    plain = emmc(
        "name: env, at: 1 MiB, size: 64 KiB, holds: uboot-env, writer: runtime, file: u-boot.env,"
        " env: {size: 8 KiB}",
        f"name: rootfs, {disk.format(1, 4, 'rootfs')}",
        f"name: spare, {disk.format(2, 12, 'rootfs')}",
        "name: kernel, at: 32 MiB, size: 64 KiB, holds: arm64-image, file: Image",
        "name: tree, at: 40 MiB, size: 64 KiB, holds: fdt, file: board.dtb",
        chip="sectors: 131072, number: 0",
        rest="stages: {main: {regions: [env, kernel, tree, rootfs], entry: bootcmd}}\n"
        f"updates:\n  field: {{by: main, steps: [{steps}]}}\n",
        files={
            "u-boot.env": lambda: environment(variables, ENV_SIZE, None),
            "Image": arm64_kernel,
            "board.dtb": board_tree,
            "rootfs.ext4": lambda: ext4(
                8 * MIB, root, label="r", uuid=UUID(int=1), epoch=0
            ).whole(),
        },
    )
    return replace(plain, old=old or {})


def _other_tree() -> bytes:
    return board_tree({"model": "before"})


Causes = tuple[Cause, ...]
_MAP = "erase-block-does-not-fit-map"
_NEIGHBOURS = (Cause(frozenset({_MAP, "environment-rewrites-neighbour"}), anywhere=True),)
_ONE_BLOCK = (Cause(frozenset({_MAP, "environment-copies-share-erase-block"}), anywhere=True),)

# What is told ------------------------------------------------------------------------------------


def _walked(subject: Subject) -> Iterator[tuple[Layout, Walked]]:
    """Give the updates that the board itself runs, where all starts that should.

    What does not start on a sound board is told already, and would be the cause here as well.
    """
    if any(proof.taken and proof.verdict is not Verdict.PROVEN for proof in subject.proofs):
        return
    for walked in subject.updates:
        if subject.layout is not None and walked.normal and walked.update.by != FACTORY:
            yield subject.layout, walked


def _called(one: tuple[Layout, Walked]) -> str:
    return one[1].update.name


WALKED = Kind(_walked, _called)


def _with_stuck(subject: Subject) -> Iterator[tuple[Layout, Walked] | Missing]:
    """Name also those that begin on a release which does not start, so that nothing follows."""
    for walked in subject.updates:
        if walked.before is not None and not walked.normal and walked.update.by != FACTORY:
            yield Missing(
                walked.update.name, "the release before it does not start with this layout"
            )
    yield from _walked(subject)


def _first_hole(subject: Subject) -> object:
    """Give the first cut that leaves no valid copy of the environment; "" where there is none."""
    holes = (cut for _, walked in _walked(subject) for cut in walked.cuts if cut.hole)
    return next(holes, "")


def _at(
    case: Case, layout: Layout, cut: Cut, severity: Severity | None = None, causes: Causes = ()
) -> Finding:
    """Place a finding at the step, in the region or on the chip that it writes."""
    region = layout.find(cut.step.target)
    stored = (one.chip for one in layout.regions if one.holds == "uboot-env")
    chip = cut.step.target if cut.step.target in layout.chips else next(stored, None)
    return case.at(
        region=region,
        chip=None if region is not None else chip or next(iter(layout.chips), None),
        where=cut.step.where,
        severity=severity,
        causes=causes,
    )


def _first(walked: Walked) -> dict[int, Cut]:
    """Give the first cut of each step."""
    return {cut.number: cut for cut in reversed(walked.cuts)}


def _by_step(cuts: Iterable[Cut]) -> Iterator[list[Cut]]:
    """Give together the cuts of one step that do the same to the same region."""
    found: dict[tuple[int, str], list[Cut]] = {}
    for cut in cuts:
        found.setdefault((cut.number, cut.step.target), []).append(cut)
    yield from found.values()


def _blocks(cuts: list[Cut]) -> str:
    """Say which erase blocks are meant, for a message."""
    some = [cut.blocks for cut in cuts if cut.blocks is not None]
    if not some:
        return ""
    first, last = min(one for one, _ in some), max(one for _, one in some)
    of = cuts[0].of
    if (first, last) == (0, of - 1):
        return ", any block"
    return f", block {first} of {of}" if first == last else f", block {first} to {last} of {of}"


# Nothing is left ----------------------------------------------------------------------------------


def _nothing_values(update: str, step: str, *, number: int, blocks: str, how: str) -> None: ...


NOTHING = Rule(
    name="update-leaves-nothing-bootable",
    severity=Severity.ERROR,
    values=_nothing_values,
    message=(
        "power lost in step {number} of the update {update} ({step}{blocks}) leaves nothing that"
        " starts: {how}"
    ),
    effect="The unit is dead until someone comes with a programmer or the boot ROM's own way in.",
    fix=(
        "Keep one whole way to start at every moment: write what is not started now, and switch to"
        " it when it is whole. Or accept it in the policy, with the reason and who answers for it:"
        " accept: [{{reason: …, owner: …, update: {update}}}]." + _CARE
    ),
    computed=(
        "the boot followed from power-on over each state of storage that a cut in a step can leave"
        " ends, in one of them, in no start; a torn image that is started, and a lost environment,"
        " are findings of their own; a warning for a script of U-Boot that someone runs by hand"
    ),
    sources=(PRACTICE,),
    bad=_board("{write: recovery}, {write: spare}", bootcmd="run recovery"),
    good=_board("{write: recovery}, {write: spare}"),
)


@check(NOTHING, over=Kind(_with_stuck, _called))
def leaves_nothing(one: tuple[Layout, Walked]) -> Outcome:
    layout, walked = one
    name = walked.update.name
    if walked.unknown:
        yield NotChecked(NOTHING.name, f"{name}: what is half updated", walked.unknown)
    unknown = {cut.number: cut for cut in reversed(walked.cuts) if cut.starts is None}
    for cut in list(reversed(unknown.values()))[:_MOST]:
        yield NotChecked(NOTHING.name, f"{name}: {cut.what}", cut.how)
    if len(unknown) > _MOST:
        why = f"{len(unknown) - _MOST} more steps of it are not known either"
        yield NotChecked(NOTHING.name, name, why)
    policy = layout.policy.accepts
    accepted = any(accept.kind == "update" and accept.name == name for accept in policy)
    for cuts in () if accepted else _by_step(walked.cuts):
        bad = [cut for cut in cuts if cut.fails and not cut.torn and not cut.hole]
        by_hand = walked.update.by == U_BOOT
        if by_hand:  # who types it is there to do it again, as long as U-Boot comes up
            bad = [cut for cut in bad if not cut.repeats]
        if bad:
            # What lasts until the next step is worse than what a moment leaves.
            first = next((cut for cut in bad if cut.phase == "done"), bad[0])
            case = NOTHING(
                update=name,
                step=first.what,
                number=first.number,
                blocks=_blocks(bad) if first is bad[0] else "",
                how=first.how,
            )
            yield _at(case, layout, first, Severity.WARNING if by_hand else None)


# Torn, and started --------------------------------------------------------------------------------


def _torn_values(update: str, *, number: int, step: str, blocks: str, how: str) -> None: ...


TORN = Rule(
    name="torn-image-would-start",
    severity=Severity.ERROR,
    values=_torn_values,
    message=(
        "power lost in step {number} of the update {update} ({step}{blocks}) leaves {region} torn,"
        " and it is started all the same"
    ),
    effect="The torn image crashes or does not come up; {how}.",
    fix=(
        "Put it into a container whose sums U-Boot looks at (a FIT with a hash for each image, a"
        " uImage), or write it where nothing starts from until it is whole." + _CARE
    ),
    computed=(
        "a state that a cut can leave in which what is started comes from a torn region: U-Boot"
        " looks at no sum over it, or the kernel mounts it; a warning where something else starts"
        " then; left out where the order of the steps, or what they run from, is told as the cause"
    ),
    sources=(
        in_u_boot("boot/bootm.c", "image_get_kernel"),
        in_u_boot("boot/image-fit.c", "fit_image_verify"),
        in_u_boot("cmd/booti.c", "booti_start"),
    ),
    bad=_board("{write: recovery}", itb=_unsummed_fit),
    good=_board("{write: recovery}"),
)


@check(TORN, over=WALKED)
def torn_starts(one: tuple[Layout, Walked]) -> Outcome:
    layout, walked = one
    found: dict[str, list[Cut]] = {}
    told = {name for _, name in (*walked.under, *walked.early)}
    for cut in walked.cuts:
        if cut.torn and cut.torn not in told:
            found.setdefault(cut.torn, []).append(cut)
    for torn, cuts in found.items():
        first = cuts[0]
        same = [cut for cut in cuts if cut.number == first.number]
        case = TORN(
            update=walked.update.name,
            number=first.number,
            step=first.what,
            blocks=_blocks(same),
            how=first.how,
        )
        fails = any(cut.fails for cut in cuts) and walked.update.by != U_BOOT
        yield case.at(
            region=layout.find(torn),
            where=first.step.where,
            severity=None if fails else Severity.WARNING,
        )


# Once more ----------------------------------------------------------------------------------------


def _repeat_values(update: str, step: str, *, number: int, blocks: str, why: str) -> None: ...


REPEAT = Rule(
    name="update-cannot-be-repeated",
    follows=(
        "erase-block-does-not-fit-map",
        "environment-copies-share-erase-block",
    ),
    severity=Severity.WARNING,
    values=_repeat_values,
    message=(
        "after power was lost in step {number} of the update {update} ({step}{blocks}) it cannot be"
        " done again: {why}"
    ),
    effect="What is lost stays lost, or the unit half updated, until someone comes to it.",
    fix=(
        "Run the update from a system that no step of it touches, and give data that only the unit"
        " has erase blocks of its own."
    ),
    computed=(
        "after a cut something starts, but neither what runs the update nor only what started"
        " before it; or an erase block that is written holds a region of which no artifact of a"
        " release exists (an error)"
    ),
    sources=(PRACTICE,),
    bad=_board("{write: recovery}", bootcmd="run recovery || run other"),
    good=_board("{write: recovery}", by="spare", bootcmd="run recovery || run other"),
)


@check(REPEAT, over=WALKED)
def cannot_be_repeated(one: tuple[Layout, Walked]) -> Outcome:
    layout, walked = one
    for cuts in _by_step(walked.cuts):
        lost = [cut for cut in cuts if cut.spoiled]
        other = [
            cut
            for cut in cuts
            if cut.repeats is False and cut.starts and not (cut.fails or cut.torn or cut.hole)
        ]
        for bad, severity in ((lost, Severity.ERROR), (other, Severity.WARNING)):
            if not bad:
                continue
            names = " and ".join(bad[0].spoiled)
            starts = " or ".join(bad[0].starts or ())
            why = (
                f"{names} in the same erase block is erased with it, and only the unit has it"
                if bad is lost
                else f"{starts} starts, and {walked.update.by} does not come up"
            )
            case = REPEAT(
                update=walked.update.name,
                step=bad[0].what,
                number=bad[0].number,
                blocks=_blocks(bad),
                why=why,
            )
            yield _at(case, layout, bad[0], severity, _NEIGHBOURS)
            break


# What it stands on --------------------------------------------------------------------------------


def _under_values(update: str, *, number: int, by: str) -> None: ...


UNDER = Rule(
    name="update-overwrites-what-it-runs-from",
    severity=Severity.ERROR,
    values=_under_values,
    message=(
        "step {number} of the update {update} writes {region}, which {by} is mounted from while it"
        " runs the update"
    ),
    effect=(
        "The programs that do the work change under themselves: it stops in the middle, or writes"
        " its caches over what is new."
    ),
    fix="Write the other slot, or run this step from a system in RAM.",
    computed="a step writes a region that the system which runs it has as its root",
    sources=(PRACTICE,),
    bad=_mounted("{write: rootfs}"),
    good=_mounted("{write: spare}"),
)


@check(UNDER, over=WALKED)
def overwrites_what_it_runs_from(one: tuple[Layout, Walked]) -> Outcome:
    layout, walked = one
    cuts = _first(walked)
    for number, name in walked.under:
        cut = cuts[number]
        case = UNDER(update=walked.update.name, number=number, by=walked.update.by)
        yield case.at(region=layout.find(name), where=cut.step.where)


def _order_values(update: str, *, number: int, switch: str) -> None: ...


ORDER = Rule(
    name="update-order",
    severity=Severity.ERROR,
    values=_order_values,
    message=(
        "step {number} of the update {update} ({switch}) makes the board start from {region}, which"
        " is not whole at that time"
    ),
    effect="Power lost between the two steps, and the board starts from what is half written.",
    fix=(
        "Switch last: write {region}, see that it has left every cache (fsync, conv=fsync), and set"
        " the variables then."
    ),
    computed=(
        "the regions that the boot starts from after a step that sets variables, and not before it,"
        " include one that a later step writes or that is still in a cache"
    ),
    sources=(PRACTICE,),
    bad=_board("{set: {bootcmd: run other}}, {write: spare}"),
    good=_board("{write: spare}, {set: {bootcmd: run other}}"),
)


@check(ORDER, over=WALKED)
def wrong_order(one: tuple[Layout, Walked]) -> Outcome:
    layout, walked = one
    cuts = _first(walked)
    for number, name in walked.early:
        cut = cuts[number]
        said = cut.what.partition(",")[0]
        case = ORDER(update=walked.update.name, number=number, switch=said)
        yield case.at(region=layout.find(name), where=cut.step.where)


def _atomic_values(update: str, step: str, *, number: int, why: str, then: str) -> None: ...


ATOMIC = Rule(
    name="switch-not-atomic",
    follows=(
        "erase-block-does-not-fit-map",
        "environment-copies-share-erase-block",
        "erase-block-shared",
    ),
    severity=Severity.WARNING,
    values=_atomic_values,
    message="step {number} of the update {update} ({step}) is no switch in one go: {why}",
    effect="Power lost in between, and {then}.",
    fix=(
        "Keep two copies of the environment in erase blocks of their own, and set all variables of"
        " a switch in one go (fw_setenv --script, or one saveenv)."
    ),
    computed=(
        "a moment of a save in which no copy of the environment is valid; or a step of several that"
        " follow each other, after which the boot takes neither what it took before nor what it"
        " takes after them; an error where nothing starts then"
    ),
    writes=True,
    sources=(
        in_u_boot("env/sf.c", "env_sf_save"),
        in_u_boot("env/common.c", "env_check_redund"),
        in_u_boot("tools/env/fw_env.c", "flash_io"),
    ),
    bad=_board("{write: spare}, {set: {bootcmd: run other}}"),
    good=_paired("{write: spare}, {set: {bootcmd: run other}}"),
)


@check(ATOMIC, over=WALKED, given=_first_hole)
def not_atomic(one: tuple[Layout, Walked], lone: object) -> Outcome:
    layout, walked = one
    # A lone copy is one cause, however many updates save it.
    first = next((cut for cut in walked.cuts if cut is lone), None)
    if first is not None:
        starts = "nothing" if first.starts == () else " or ".join(first.starts or ())
        then = f"{starts} starts" if starts else "it is not known what starts"
        case = ATOMIC(
            update=walked.update.name,
            step=first.what.partition(",")[0],
            number=first.number,
            why="while the environment is saved no copy of it is valid",
            then=f"{then} ({first.how})",
        )
        yield _at(case, layout, first, Severity.ERROR if first.fails else None, _ONE_BLOCK)
    cuts = _first(walked)
    for number, mixture in walked.mixed:
        cut = cuts[number]
        case = ATOMIC(
            update=walked.update.name,
            step=cut.what.partition(",")[0],
            number=number,
            why="what it selects goes with the next step only",
            then=f"the board starts from {mixture}",
        )
        yield _at(case, layout, cut)


# Two releases ------------------------------------------------------------------------------------


def _mixes_values(
    update: str, step: str, *, when: str, stage: str, new: str, old: str, more: str
) -> None: ...


_BOTH = "{write: kernel}, {write: tree}"
MIXES = Rule(
    name="update-mixes-releases",
    severity=Severity.WARNING,
    values=_mixes_values,
    message=("{when}, {stage} starts from {new} of the new release and {old} of the old one{more}"),
    effect="What starts was never tried together: drivers, modules or device nodes may be missing.",
    fix=(
        "Write what belongs together into one region or one slot and switch to it in one go, or"
        " keep the two compatible, and waive this with the reason."
    ),
    computed=(
        "the boot followed over each state that a cut can leave, where a region holds what the"
        " release before has there until a step has written it; a start takes regions of both, of"
        " those that the two releases do not have alike. What a whole update leaves by design is"
        " told only where the kernel finds no modules. Told only where --old names that release"
    ),
    sources=(PRACTICE,),
    bad=_mounted(_BOTH, {"Image": lambda: arm64_kernel(2 * KIB), "board.dtb": _other_tree}),
    good=_mounted(_BOTH, {"Image": lambda: arm64_kernel(2 * KIB)}),
)


@check(MIXES, over=WALKED)
def mixes_releases(one: tuple[Layout, Walked]) -> Outcome:
    layout, walked = one
    settled = [one for one in walked.cuts if one.phase == "done" or one.step.act is Act.REBOOT]
    last = settled[-1].mixture if settled else None
    told: set[tuple[tuple[str, ...], tuple[str, ...]]] = set()
    for cut in walked.cuts:
        by_design = cut.mixture == last
        if cut.mixture is None or cut.mixture in told or cut.fails:
            continue
        if by_design and not cut.lacks:
            continue
        told.add(cut.mixture)
        new, old = (" and ".join(names) for names in cut.mixture)
        name, step = walked.update.name, cut.what.partition(",")[0]
        when = f"power lost in step {cut.number} of the update {name} ({step})"
        case = MIXES(
            update=name,
            step="" if by_design else step,
            when=f"after the update {name}" if by_design else when,
            stage=" or ".join(cut.starts or ()),
            new=new,
            old=old,
            more=f"; {cut.lacks}" if cut.lacks else "",
        )
        yield _at(case, layout, cut)
