"""U-Boot's scripts: what they read, write and run, and whether the recovery is within reach."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from imgaudit.boot.records import BLOCK, CHANGES, Gap, Kind, Note, Oddity, Operation
from imgaudit.boot.stage import Boots, Followed, Source
from imgaudit.model import Layout, Stage, Writer
from imgaudit.patterns import regex
from imgaudit.rules._boot import (
    COMMANDS,
    COMMANDS_OR_WHY,
    RECOVERY,
    Met,
    Spot,
    called,
    commands,
    finding,
    first_of,
    scripted,
)
from imgaudit.rules.cited import PRACTICE, in_u_boot
from imgaudit.rules.engine import Cause, Finding, NotChecked, Outcome, Rule, Severity, check
from imgaudit.rules.engine import Kind as Kinds
from imgaudit.rules.subject import Subject
from imgaudit.units import KIB, both

_EMMC = "size: 1 MiB, erase-block: 64 KiB}\n  emmc: {kind: emmc, sectors: 65536"
_BOOT = "name: boot, chip: emmc, partition: 1, at: 1 MiB, size: 1 MiB"
_MMC_READ = "mmc dev 0 && mmc read 0x88000000 0x800 {} && bootm 0x88000000"
_ON_EMMC = "name: kernel, chip: emmc, at: 1 MiB, size: 1 MiB, holds: fit, file: recovery.itb"
_MOST_DIGITS = 12


def _after_boot(followed: Followed, operation: Operation) -> bool:
    return any(boot.operation >= operation.index for boot in followed.walk.boots)


def _reads_too_little_values(
    script: str, *, command: str, what: str, read: int, need: int, short: int, blocks: int
) -> None: ...


READS_TOO_LITTLE = Rule(
    name="script-reads-too-little",
    follows=("artifact-exceeds-region",),
    severity=Severity.ERROR,
    values=_reads_too_little_values,
    message=(
        "`{command}` in {script} reads {read:bytes} of {what}, which has {need:bytes}:"
        " {short:bytes} too few"
    ),
    effect=(
        "The end of {what} is whatever was in RAM: a bad checksum, or a crash that looks random."
    ),
    fix=(
        "Read at least {need:place} bytes, which are {blocks:place} blocks of 512; reading the"
        " whole region leaves room to grow."
    ),
    rewrites=("read", "need"),
    computed=(
        "a read that a boot command needs is shorter than the artifact there: what the container"
        " itself says, external data of a FIT included"
    ),
    sources=(
        in_u_boot("doc/usage/cmd/sf.rst", says="read from SPI flash to memory."),
        in_u_boot("doc/usage/cmd/mmc.rst", says="with block offset and count."),
        in_u_boot("doc/usage/cmd/load.rst", says="addr, bytes, pos are hexadecimal numbers."),
    ),
    bad=scripted(RECOVERY.replace("0x40000", "0x200")),
    good=scripted(),
)


@check(READS_TOO_LITTLE, over=COMMANDS_OR_WHY)
def reads_too_little(met: Met) -> Outcome:
    source = met.boots.source(met.operation)
    if source is None or source.size is None or not met.feeds_a_boot:
        return
    read = _read(met.operation, source)
    if read is not None and read < source.size:
        case = READS_TOO_LITTLE(
            command=met.operation.command,
            script=met.operation.variable,
            what=source.name,
            read=read,
            need=source.size,
            short=source.size - read,
            blocks=-(-source.size // BLOCK),
        )
        yield met.finding(case, region=source.region, key="file")


def _read(operation: Operation, source: Source) -> int | None:
    """Give the bytes read from where the artifact starts; None where that is not known."""
    if operation.span is not None:
        return operation.span.size if operation.span.start == source.start else None
    # a position in the file, the seventh word, makes it a part on purpose
    whole = len(operation.arguments) <= 6
    return operation.ram.size if operation.ram is not None and whole else None


def _reads_past_values(
    script: str, *, command: str, read: int, over: int, most: int, what: str
) -> None: ...


READS_PAST = Rule(
    name="script-reads-past-region",
    follows=("region-past-chip-end",),
    severity=Severity.WARNING,
    values=_reads_past_values,
    message="`{command}` in {script} reads {over:bytes} past the end of {what}",
    effect=(
        "Past a region the neighbour's bytes come along; past the end of the chip U-Boot refuses"
        " the whole read."
    ),
    fix="Read no more than {most:place} bytes from there.",
    rewrites=("read", "most"),
    computed="start + length > end of the region that the read starts in; an error past the chip",
    sources=(
        in_u_boot(
            "doc/usage/cmd/sf.rst",
            "Read",
            "The read will fail if an attempt is made to read past the end of the flash.",
        ),
    ),
    bad=scripted(RECOVERY.replace("0x40000", "0x50000")),
    good=scripted(),
)


@check(READS_PAST, over=COMMANDS)
def reads_past(met: Met) -> Outcome:
    operation, region, chip = met.operation, met.region, met.chip
    span = operation.span
    if operation.kind is not Kind.READ or span is None:
        return
    beyond = chip is not None and span.end > chip.size
    if region is not None and span.end > region.span.end:
        end, what = region.span.end, region.name
    elif chip is not None and beyond:
        end, what = chip.size, chip.name
    else:
        return
    same = {"script": operation.variable, "command": operation.command}
    yield met.finding(
        READS_PAST(
            command=operation.command,
            script=operation.variable,
            read=span.size,
            over=span.end - max(end, span.start),
            most=max(0, end - span.start),
            what=what,
        ),
        region=region,
        severity=Severity.ERROR if beyond else None,
        causes=(Cause(frozenset({UNDEFINED.name}), anywhere=True, values=same),),
    )


def _offset_values(
    script: str, *, command: str, at: int, there: str, nearest: str, start: int
) -> None: ...


OFFSET = Rule(
    name="script-offset-not-region",
    severity=Severity.ERROR,
    values=_offset_values,
    message="`{command}` in {script} reads from {at:place}, where {there}",
    effect="U-Boot finds something else there and refuses to boot it, or jumps into it.",
    fix="Take the offset of the region that is meant; {nearest} is at {start:place}.",
    rewrites=("at", "start"),
    computed="what is booted is read from an offset where no region and no content in it starts",
    sources=(PRACTICE,),
    bad=scripted(RECOVERY.replace("0x20000", "0x30000")),
    good=scripted(),
)


@check(OFFSET, over=COMMANDS)
def offset_not_region(met: Met) -> Outcome:
    operation, regions = met.operation, met.regions
    span = operation.span
    if operation.kind is not Kind.READ or span is None or not regions:
        return
    if not met.feeds_a_boot or any(_confusions(met)):
        return
    region, source = met.region, met.boots.source(operation)
    if region is not None and (
        region.holds in {"raw", "blank"}
        or span.start in {region.at, source.start if source is not None else region.at}
    ):
        return
    nearest = min(regions, key=lambda other: abs(other.at - span.start))
    there = "no region is" if region is None else f"nothing in {region.name} starts"
    case = OFFSET(
        command=operation.command,
        script=operation.variable,
        at=span.start,
        there=there,
        nearest=nearest.name,
        start=nearest.at + nearest.file_at,
    )
    yield met.finding(case, region=region)


def _confusion_values(
    script: str, text: str, *, command: str, hex: int, meant: int, what: str
) -> None: ...


HEX_DECIMAL = Rule(
    name="hex-decimal-confusion",
    severity=Severity.WARNING,
    values=_confusion_values,
    message="`{command}` in {script}: {text} is hex, {hex:bytes}; in decimal it is {what}",
    effect="The command touches other bytes than the author meant.",
    fix="Write {meant:place}: U-Boot's numbers are hex with and without 0x.",
    rewrites=("text", "meant"),
    computed=(
        "a number without 0x is the offset or size of a region or chip if it is read as decimal,"
        " and none of them as hex"
    ),
    sources=(
        in_u_boot(
            "doc/usage/cmdline.rst",
            says="Most U-Boot commands use hexadecimal (hex) as the default base",
        ),
    ),
    bad=scripted(RECOVERY.replace("0x40000", "262144")),
    good=scripted(RECOVERY.replace("0x40000", "40000")),
)

BLOCKS = Rule(
    name="bytes-blocks-confusion",
    severity=Severity.ERROR,
    values=_confusion_values,
    message="`{command}` in {script} counts blocks of 512 bytes; {text} is {what} in bytes",
    effect="The read or write goes 512 times too far, into other partitions or past the end.",
    fix="Divide by 512: write {meant:place}.",
    rewrites=("text", "meant"),
    computed="a start or count of blocks is the offset or size in bytes of a region or artifact",
    sources=(
        in_u_boot("doc/usage/cmd/mmc.rst", says="with block offset and count."),
        in_u_boot("cmd/mmc.c", "do_mmc_read"),
    ),
    bad=scripted(_MMC_READ.format("0x100000"), regions=(_ON_EMMC,), chip=_EMMC),
    good=scripted(_MMC_READ.format("0x800"), regions=(_ON_EMMC,), chip=_EMMC),
)


class _Confusion(NamedTuple):
    """A number that is right in another notation: as written, as read, as meant, and what it is."""

    rule: Rule
    text: str
    read: int
    meant: int
    what: str


def _confusions(met: Met) -> Iterator[_Confusion]:
    operation = met.operation
    blocks = (operation.device or "").startswith("mmc")
    unit = BLOCK if blocks else 1
    known = _known(met) if operation.numbers and operation.kind in {Kind.READ, *CHANGES} else {}
    for number in operation.numbers if known else ():
        text, read, decimal = number
        if read * unit in known or read < KIB:
            continue
        if decimal is not None and decimal * unit in known:
            yield _Confusion(HEX_DECIMAL, text, read * unit, decimal, known[decimal * unit])
        elif blocks and read in known:
            yield _Confusion(BLOCKS, text, read * unit, -(-read // BLOCK), known[read])


def _known(met: Met) -> dict[int, str]:
    """Say what the offsets and sizes are that a command for this device may mean."""
    known: dict[int, str] = {}
    for region in met.regions:
        placement = met.subject.placement(region.name)
        known.setdefault(region.at, f"the start of {region.name}")
        known.setdefault(region.size, f"the size of {region.name}")
        if placement.size is not None and placement.size >= BLOCK:
            known.setdefault(placement.size, f"the size of {placement.path}")
    if met.chip is not None:
        known.setdefault(met.chip.size, f"the size of {met.chip.name}")
    return known


def _confused(met: Met, rule: Rule) -> Iterator[Finding]:
    for found in _confusions(met):
        if found.rule is rule:
            case = rule(
                command=met.operation.command,
                script=met.operation.variable,
                text=found.text,
                hex=found.read,
                meant=found.meant,
                what=found.what,
            )
            yield met.finding(case, region=met.region)


@check(HEX_DECIMAL, over=COMMANDS)
def hex_decimal(met: Met) -> Outcome:
    yield from _confused(met, HEX_DECIMAL)


@check(BLOCKS, over=COMMANDS)
def bytes_blocks(met: Met) -> Outcome:
    yield from _confused(met, BLOCKS)


class _Noted(NamedTuple):
    """Something that a walk could not know, and where."""

    followed: Followed
    note: Note
    subject: Subject


def _notes(kind: Gap) -> Kinds[_Noted]:
    """Give the notes of a kind, each name once."""

    def found(subject: Subject) -> Iterator[_Noted]:
        notes = (
            _Noted(followed, note, subject)
            for followed in subject.boots.followed.values()
            for note in followed.walk.unresolved
            if note.kind is kind
        )
        return first_of(notes, lambda one: one.note.what)

    return Kinds(found, lambda one: one.note.what)


def _undefined_values(script: str, name: str, *, command: str) -> None: ...


UNDEFINED = Rule(
    name="variable-undefined",
    severity=Severity.ERROR,
    values=_undefined_values,
    message="`{command}` in {script} uses {name}, which nothing sets",
    effect="U-Boot puts nothing there, and the words behind it move up: the command does something"
    " else than is meant, or fails.",
    fix="Set {name}; if the board sets it at run time, say so under variables: of the stage.",
    computed=(
        "a variable is in neither environment, is not set by a script and is none of U-Boot's own;"
        " a warning where no boot command follows, or the script does not mind the failure"
    ),
    sources=(
        in_u_boot(
            "doc/usage/environment.rst",
            says="U-Boot supports user configuration using environment variables",
        ),
        in_u_boot("common/cli_hush.c", "lookup_param"),
    ),
    bad=scripted(RECOVERY.replace("0x88000000", "${loadaddr}")),
    good=scripted(RECOVERY.replace("0x88000000", "${loadaddr}"), more={"loadaddr": "0x88000000"}),
)
_FEEDS = frozenset({Kind.READ, Kind.LOAD, Kind.BOOT, Kind.COPY, Kind.UNPACK, Kind.RUN, Kind.SELECT})


@check(UNDEFINED, over=_notes(Gap.UNDEFINED))
def variable_undefined(met: _Noted) -> Outcome:
    followed, note, subject = met
    user = _user(followed, note)
    needed = (
        user is not None
        and user.kind in _FEEDS
        and not user.ignored
        and _after_boot(followed, user)
    )
    yield finding(
        UNDEFINED(
            command=user.command if user is not None else "", script=note.variable, name=note.what
        ),
        subject.boots,
        note,
        severity=None if needed else Severity.WARNING,
    )


def _user(followed: Followed, note: Note) -> Operation | None:
    """Find the command in which a place of a script is."""
    before = [
        operation
        for operation in followed.walk.operations
        if operation.variable == note.variable and operation.at <= note.at
    ]
    return max(before, key=lambda operation: operation.at, default=None)


_COMMAND_END = regex(r"[;&|\n]")


def _missing_values(script: str, name: str) -> None: ...


MISSING = Rule(
    name="script-missing",
    severity=Severity.ERROR,
    values=_missing_values,
    message="{script} runs {name}, which nothing defines",
    effect="U-Boot says '## Error: \"{name}\" not defined', and the run fails.",
    fix="Define {name}, or take the run out.",
    computed="run names a variable that is in neither environment and that no script sets; it is a"
    " warning where the name is made of another variable, as in a loop over boot targets",
    sources=(in_u_boot("common/cli.c", "do_run", '## Error: "%s" not defined'),),
    bad=scripted(f"run arguments && {RECOVERY}"),
    good=scripted(f"run arguments && {RECOVERY}", more={"arguments": "setenv bootargs panic=10"}),
)


@check(MISSING, over=_notes(Gap.MISSING_SCRIPT))
def script_missing(met: _Noted) -> Outcome:
    _, note, subject = met
    stages = subject.layout.stages.values() if subject.layout is not None else ()
    stage = next((stage for stage in stages if stage.entry == note.what), None)
    itself = note.variable == note.what
    script = f"stage {stage.name}" if itself and stage is not None else note.variable
    # Loops over targets go on to the next: default environments name some that a board lacks.
    text = (subject.boots.get(note.variable) or "")[note.at :]
    made = "$" in _COMMAND_END.split(text, maxsplit=1)[0]
    severity = Severity.WARNING if made else None
    yield finding(MISSING(script=script, name=note.what), subject.boots, note, severity=severity)


def _unchecked_values(script: str, what: str, *, command: str, boot: str) -> None: ...


UNCHECKED = Rule(
    name="load-not-checked",
    severity=Severity.WARNING,
    values=_unchecked_values,
    message="`{boot}` runs although `{command}` in {script} may have failed",
    effect="After a failed load U-Boot tries to start what was in RAM before: garbage, or another"
    " version; it may crash where it should try something else.",
    fix="Join them with &&, or test the load with if.",
    computed="a boot command follows a load or read on its failure as well as on its success",
    sources=(in_u_boot("common/cli_hush.c", "run_list_real"),),
    bad=scripted(RECOVERY.replace("0x40000 &&", "0x40000;")),
    good=scripted(),
)


def _unchecked(subject: Subject) -> Iterator[Met]:
    """Give what reads and is not checked, each place once."""
    found = (
        met
        for met in commands(subject)
        if met.operation.kind in {Kind.READ, Kind.LOAD} and not met.operation.checked
    )
    return first_of(found, lambda met: (met.operation.variable, met.operation.at))


@check(UNCHECKED, over=Kinds(_unchecked, called))
def load_not_checked(met: Met) -> Outcome:
    operation, starts = met.operation, met.fed
    source = met.boots.source(operation)
    there = source.name if source is not None else operation.device or ""
    if starts:
        yield met.finding(
            UNCHECKED(
                script=operation.variable,
                what=operation.path or there,
                command=operation.command,
                boot=starts[0],
            )
        )


def _not_reached_values(entry: str, stage: str, *, when: str) -> None: ...


NOT_REACHED = Rule(
    name="recovery-not-reached",
    severity=Severity.ERROR,
    values=_not_reached_values,
    message="nothing runs {entry} by itself{when}",
    effect="The board stays dead although {stage} is sound: only a serial console brings it up.",
    fix="End bootcmd with `; run {entry}`, for a start that succeeds does not come back to it, and"
    " let altbootcmd run it after failed starts.",
    computed=(
        "no path from bootcmd leads to the stage's entry, and none from altbootcmd that a boot"
        " limit opens; with the other chips dead as well, where the stage has a ramdisk"
    ),
    sources=(
        in_u_boot(
            "doc/README.bootcount",
            says="an alternate boot action will be performed, and the contents of",
        ),
        PRACTICE,
    ),
    bad=scripted(bootcmd="bootm 0x88000000"),
    good=scripted(bootcmd="bootm 0x88000000 || run recovery"),
)


@check(NOT_REACHED)
def recovery_not_reached(subject: Subject) -> Outcome:
    boots, layout = subject.boots, subject.layout
    for stage in layout.stages.values() if layout is not None else ():
        entry = stage.entry
        if entry is None or entry in {"bootcmd", "altbootcmd"} or entry not in boots.variables:
            continue
        when = _unreached(boots, layout, stage, entry)
        if when is None:
            continue
        if _open_run(boots):
            yield NotChecked(NOT_REACHED.name, f"run {entry}", "bootcmd runs what is not known")
            continue
        if _chain_ends_early(boots):
            why = "fallback-skipped comes first"
            yield NotChecked(NOT_REACHED.name, f"run {entry}", why)
            continue
        yield finding(
            NOT_REACHED(entry=entry, stage=stage.name, when=when),
            boots,
            Spot("bootcmd"),
            severity=Severity.WARNING if "altbootcmd" in when else None,
        )


def _unreached(boots: Boots, layout: Layout | None, stage: Stage, entry: str) -> str | None:
    """Say when an entry is not reached; None where it is."""
    normal, limited = boots.followed.get("bootcmd"), _limit(boots) is not None
    alternative = boots.followed.get("altbootcmd") if limited else None
    home = layout.region(stage.ramdisk).chip if layout is not None and stage.ramdisk else None
    if normal is not None and normal.walk.reaches(entry):
        alone = normal.alone.get(home or "")
        if alone is None or alone.reaches(entry):
            return None
        return f" when every chip but {home} is dead"
    if alternative is None or not alternative.walk.reaches(entry):
        return " when the start that bootcmd tries does not succeed"
    waits = normal is None or any(end.how != "reset" for end in normal.walk.ends)
    return (
        " but altbootcmd: where bootcmd itself fails, U-Boot waits at its prompt" if waits else None
    )


def _open_run(boots: Boots) -> bool:
    kinds = {Gap.WHAT_RUNS, Gap.SCRIPT}
    followed = boots.followed.get("bootcmd")
    return followed is not None and any(note.kind in kinds for note in followed.walk.unresolved)


def _chain_ends_early(boots: Boots) -> bool:
    """Tell whether the older parser leaves a chain of bootcmd that may lead to the entry."""
    kinds = {Oddity.OR_AFTER_AND, Oddity.AND_AFTER_OR}
    starts = (boots.followed.get(name) for name in ("bootcmd", "altbootcmd"))
    notes = (note for start in starts if start is not None for note in start.walk.oddities)
    return any(note.kind in kinds for note in notes)


def _limit(boots: Boots) -> int | None:
    """Give the boot limit, a decimal number; None where it is off."""
    text = boots.get("bootlimit") or ""
    digits = text[: len(text) - len(text.lstrip("0123456789"))]
    return int(digits) if 0 < len(digits) < _MOST_DIGITS and int(digits) else None


def _other_chip_values(
    entry: str | None, *, script: str, device: str | None, home: str, command: str
) -> None: ...


OTHER_CHIP = Rule(
    name="recovery-boot-needs-other-chip",
    severity=Severity.ERROR,
    values=_other_chip_values,
    message=(
        "with every chip but {home} dead, {entry} starts nothing: `{command}` in {script} needs"
        " {device}"
    ),
    effect="The recovery fails on the very day it is there for.",
    fix="Take all that {entry} needs from {home}, or go on when `{command}` fails.",
    computed="followed with all other chips failing, the entry of a stage with a ramdisk boots"
    " nothing, or from RAM that nothing filled",
    sources=(PRACTICE,),
    bad=scripted(f"mmc dev 0 && {RECOVERY}", regions=(_BOOT,), chip=_EMMC),
    good=scripted(f"mmc dev 0; {RECOVERY}", regions=(_BOOT,), chip=_EMMC),
)


@check(OTHER_CHIP)
def other_chip(subject: Subject) -> Outcome:
    boots, layout = subject.boots, subject.layout
    for stage in layout.stages.values() if layout is not None else ():
        followed = boots.followed.get(stage.entry or "")
        if layout is None or stage.ramdisk is None or followed is None or boots.board is None:
            continue
        region = layout.region(stage.ramdisk)
        alone = followed.alone.get(region.chip)
        if alone is None or not followed.walk.boots:
            continue
        if any(
            not any(part not in boot.loaded or not boot.loaded[part] for part in boot.stale)
            for boot in alone.boots
        ):
            continue
        others = boots.board.others(region.chip)
        culprit = next((op for op in followed.walk.operations if op.device in others), None)
        if culprit is None:
            continue
        yield finding(
            OTHER_CHIP(
                home=region.chip,
                entry=stage.entry,
                command=culprit.command,
                script=culprit.variable,
                device=culprit.device,
            ),
            boots,
            culprit,
            region=region,
        )


def _limit_values(*, limit: int) -> None: ...


LIMIT = Rule(
    name="boot-limit-without-altbootcmd",
    severity=Severity.ERROR,
    values=_limit_values,
    message="bootlimit is {limit}, and there is no altbootcmd",
    effect="After {limit} failed starts U-Boot stops at its prompt and waits there for ever.",
    fix="Set altbootcmd to what must then run: the recovery.",
    computed="bootlimit is set and not 0, altbootcmd is not set, and .config does not say that"
    " no start is counted",
    sources=(
        in_u_boot(
            "doc/README.bootcount",
            says='If it is enabled, but "altbootcmd" is not defined, then U-Boot will '
            "drop into interactive mode and remain there.",
        ),
    ),
    bad=scripted(more={"bootlimit": "3"}),
    good=scripted(more={"bootlimit": "3", "altbootcmd": "run recovery"}),
)


@check(LIMIT)
def limit_without_script(subject: Subject) -> Outcome:
    boots = subject.boots
    limit = _limit(boots)
    if limit is not None and not boots.get("altbootcmd") and not _uncounted(subject):
        yield finding(LIMIT(limit=limit), boots, Spot("bootlimit"))


def _inert_values(*, why: str) -> None: ...


INERT = Rule(
    name="boot-count-inert",
    severity=Severity.WARNING,
    values=_inert_values,
    message="altbootcmd is set, and {why}",
    effect="Failed starts are not counted: altbootcmd never runs.",
    fix="Set bootlimit, build with CONFIG_BOOTCOUNT_LIMIT, and let the system reset the count.",
    computed=(
        "altbootcmd without a bootlimit; with .config: without BOOTCOUNT_LIMIT, or counted in the"
        " environment where nothing sets upgrade_available"
    ),
    sources=(
        in_u_boot(
            "doc/README.bootcount",
            says='If the variable "bootlimit" is not defined in the environment, the '
            "Boot Count Limit feature is disabled.",
        ),
        in_u_boot("drivers/bootcount/bootcount_env.c", "upgrade_available"),
    ),
    bad=scripted(more={"altbootcmd": "run recovery"}),
    good=scripted(more={"bootlimit": "3", "altbootcmd": "run recovery"}),
)


@check(INERT)
def boot_count_inert(subject: Subject) -> Outcome:
    boots = subject.boots
    if not boots.get("altbootcmd"):
        return
    why = "bootlimit is not" if _limit(boots) is None else _uncounted(subject)
    if why:
        yield finding(INERT(why=why), boots, Spot("altbootcmd"))


def _uncounted(subject: Subject) -> str:
    """Say why U-Boot, as it was built, counts no start; empty where it does, or is not known."""
    boots, copies = subject.boots, subject.copies
    if copies is None or copies.uboot_config is None:
        return ""
    if not copies.counts_starts:
        return "U-Boot is built without BOOTCOUNT_LIMIT"
    texts = (*boots.variables, *_values(boots))
    stored = copies.uboot_config.says.config.enabled("BOOTCOUNT_ENV")
    if stored and not any("upgrade_available" in text for text in texts):
        return "nothing sets upgrade_available, without which none counts"
    return ""


def _values(boots: Boots) -> Iterator[str]:
    return (variable.value for variable in boots.variables.values())


def _hits_values(
    script: str, target: str, other: str, *, command: str, size: int, written: str, end: int
) -> None: ...


HITS = Rule(
    name="write-hits-another-region",
    severity=Severity.ERROR,
    values=_hits_values,
    message="`{command}` in {script} starts in {target} and takes {size:bytes} of {other} along",
    effect="What {other} holds is lost: it is {written}.",
    fix="End at {end:place}, the end of {target}, and keep whole erase blocks apart.",
    computed=(
        "the bytes written, or the whole erase blocks erased, reach a region in which they do not"
        " start"
    ),
    sources=(in_u_boot("doc/usage/cmd/sf.rst", says="to erase a region of SPI flash."),),
    bad=scripted(more={"update": "sf probe && sf erase 0x10000 0x20000"}),
    good=scripted(more={"update": "sf probe && sf erase 0x10000 0x10000"}),
)
_WRITTEN = {
    Writer.FACTORY: "written in the factory and by nobody else",
    Writer.RELEASE: "only written by a release",
    Writer.RUNTIME: "what the unit itself keeps",
}


@check(HITS, over=COMMANDS)
def hits_another(met: Met) -> Outcome:
    operation, target, chip = met.operation, met.region, met.chip
    span = operation.span
    if operation.kind not in CHANGES or span is None:
        return
    if chip is not None and span.size >= chip.size:
        return
    if chip is not None and chip.kind.mtd and operation.kind is not Kind.WRITE:
        span = chip.erased_by(span)
    for other in met.regions:
        if other is target or not other.span.overlaps(span):
            continue
        case = HITS(
            command=operation.command,
            script=operation.variable,
            target=target.name if target is not None else "free space",
            other=other.name,
            size=other.span.common(span).size,
            written=_WRITTEN[other.writer],
            end=target.span.end if target is not None else other.at,
        )
        yield met.finding(case, region=other)


def _free_values(script: str, *, command: str, size: int, start: int) -> None: ...


FREE = Rule(
    name="script-writes-free-space",
    severity=Severity.WARNING,
    values=_free_values,
    message="`{command}` in {script} changes {size:bytes} from {start:place} of {chip}, where no"
    " region is",
    effect="Either the offset is wrong, and what should be written is not; or something lives there"
    " that the map does not know, and the next region put there meets it.",
    fix="Take the offset of the region that is meant, or give the layout a region for what is kept"
    " there.",
    computed="an erase or a write of flash, or the whole erase blocks of it, touches no region",
    sources=(PRACTICE,),
    bad=scripted(more={"update": "sf probe && sf erase 0x80000 0x10000"}),
    good=scripted(more={"update": "sf probe && sf erase 0x10000 0x10000"}),
)


@check(FREE, over=COMMANDS)
def writes_free_space(met: Met) -> Outcome:
    operation, chip = met.operation, met.chip
    span = operation.span
    if chip is None or span is None or operation.kind not in CHANGES or not chip.kind.mtd:
        return
    if (
        met.regions
        and span.end <= chip.size
        and not any(region.span.overlaps(chip.erased_by(span)) for region in met.regions)
    ):
        case = FREE(
            command=operation.command, script=operation.variable, size=span.size, start=span.start
        )
        yield met.finding(case)


def _whole_chip_values(
    script: str, device: str, *, command: str, size: int, example: str
) -> None: ...


WHOLE_CHIP = Rule(
    name="whole-chip-erase",
    severity=Severity.ERROR,
    values=_whole_chip_values,
    message="`{command}` in {script} erases all {size:bytes} of {device}",
    effect="Boot loader, recovery and factory data go with it; a power cut then leaves a brick.",
    fix="Erase the region that is meant: {example}.",
    computed=(
        "an erase, write or update covers the whole chip; a warning where only an operator runs it"
    ),
    sources=(PRACTICE,),
    bad=scripted(more={"wipe": "sf probe && sf erase 0 0x100000"}),
    good=scripted(more={"wipe": "sf probe && sf erase 0x20000 0x40000"}),
)


@check(WHOLE_CHIP, over=COMMANDS)
def whole_chip(met: Met) -> Outcome:
    operation, chip, region = met.operation, met.chip, met.region
    span, layout = operation.span, met.subject.layout
    if chip is None or operation.kind not in CHANGES or span is None or span.size < chip.size:
        return
    example = region or next(iter(layout.regions if layout is not None else ()), None)
    case = WHOLE_CHIP(
        command=operation.command,
        script=operation.variable,
        size=span.size,
        device=chip.name,
        example=f"{example.name} is {both(example.size)} at {example.at:#x}" if example else "",
    )
    severity = Severity.WARNING if met.followed.by_hand else None
    yield met.finding(case, region=region, severity=severity)


def _once_values(script: str, command: str, *, what: str) -> None: ...


ONCE = Rule(
    name="one-time-setting-in-script",
    severity=Severity.WARNING,
    values=_once_values,
    message="`{command}` in {script} {what}",
    effect="The setting cannot be taken back, or what the areas hold goes with it: a wrong value"
    " costs the chip or the board.",
    fix="Do it once at the factory, by a step of its own that reads back and asks first; leave it"
    " out of what a unit runs. Keep the vendor's datasheet beside it.",
    computed="mmc hwpartition with complete, mmc rst-function, mmc bootpart-resize, mmc rpmb key or"
    " fuse prog is met in a script",
    sources=(
        in_u_boot("doc/usage/cmd/mmc.rst", says="This is a write-once field."),
        in_u_boot("cmd/mmc.c", "do_mmc_hwpartition"),
        in_u_boot("cmd/fuse.c", "prog", "Really perform this fuse programming?"),
    ),
    bad=scripted(f"mmc rst-function 0 1; {RECOVERY}", regions=(_BOOT,), chip=_EMMC),
    good=scripted(),
)
_FOR_EVER = {
    ("mmc", "hwpartition"): "divides the chip for ever",
    ("mmc", "rst-function"): "sets what the reset pin does, for ever",
    ("mmc", "bootpart-resize"): "sets the sizes of the boot areas",
    ("fuse", "prog"): "burns fuses",
}


@check(ONCE, over=COMMANDS)
def one_time_setting(met: Met) -> Outcome:
    words = met.operation.arguments
    what = _FOR_EVER.get((words[0], words[1])) if len(words) > 1 else None
    if words[:3] == ("mmc", "rpmb", "key"):
        what = "writes the key of the protected block, for ever"
    asks = words[:2] == ("mmc", "hwpartition") and "complete" not in words
    if what is not None and not asks:
        command, script = met.operation.command, met.operation.variable
        yield met.finding(ONCE(script=script, command=command, what=what))


def _saved_values(script: str, entry: str, *, command: str) -> None: ...


SAVED = Rule(
    name="environment-saved-at-each-start",
    severity=Severity.WARNING,
    values=_saved_values,
    message="`{command}` in {script} is reached at each start, by {entry}",
    effect="The flash wears with every start, and power lost in that moment costs the copy that is"
    " written.",
    fix="Save only where something changed, or keep the counter where it does not wear.",
    computed="a saveenv is met on the way of bootcmd or preboot under no condition",
    sources=(
        in_u_boot("env/sf.c", "env_sf_save"),
        in_u_boot("env/common.c", "env_check_redund"),
        PRACTICE,
    ),
    bad=scripted(bootcmd="saveenv; run recovery"),
    good=scripted(bootcmd="if test -n ${changed}; then saveenv; fi; run recovery"),
)


@check(SAVED, over=COMMANDS)
def saved_at_each_start(met: Met) -> Outcome:
    operation, entry = met.operation, met.followed.entry
    always = not operation.conditions and entry in {"bootcmd", "preboot"}
    if operation.kind is Kind.SAVE and always:
        case = SAVED(script=operation.variable, entry=entry, command=operation.command)
        yield met.finding(case)


def _returns_values(script: str, *, command: str) -> None: ...


RETURNS = Rule(
    name="script-has-carriage-returns",
    severity=Severity.ERROR,
    values=_returns_values,
    message="{script} has lines that end as under Windows: `{command}` gets the carriage return",
    effect="The carriage return is part of the last word: a name, number or file with it is not"
    " found.",
    fix="Write the text with plain line ends, and keep it so (text eol=lf in .gitattributes).",
    computed="a word of a command that is met holds a carriage return",
    sources=(in_u_boot("common/cli_hush.c", "update_ifs_map"),),
    bad=scripted(f"setenv loaded yes\r\n{RECOVERY}"),
    good=scripted(f"setenv loaded yes\n{RECOVERY}"),
)


def _with_returns(subject: Subject) -> Iterator[Met]:
    """Give the first command of each script that has a carriage return."""
    found = (met for met in commands(subject) if "\r" in met.operation.command)
    return first_of(found, lambda met: met.operation.variable)


@check(RETURNS, over=Kinds(_with_returns, called))
def carriage_returns(met: Met) -> Outcome:
    shown = met.operation.command.replace("\r", "\\r")
    yield met.finding(RETURNS(script=met.operation.variable, command=shown))
