"""What U-Boot's shell does otherwise than a script's author meant."""

from __future__ import annotations

from collections.abc import Iterator

from imgaudit.boot.records import Gap, Kind, Note, Oddity, Operation
from imgaudit.boot.stage import Boots, Followed
from imgaudit.data import dataclass
from imgaudit.rules._boot import RECOVERY, finding, scripted
from imgaudit.rules.cited import in_u_boot, memory
from imgaudit.rules.engine import Kind as Things
from imgaudit.rules.engine import Missing, Outcome, Rule, Severity, check
from imgaudit.rules.subject import Subject


@dataclass(frozen=True, slots=True)
class Odd:
    """A note of a walk, at one place of a script; `operation` is the command that stands there."""

    boots: Boots
    followed: Followed
    note: Note
    operation: Operation | None

    @property
    def severity(self) -> Severity | None:
        """A warning where only an operator runs the script, and sees what happens."""
        return Severity.WARNING if self.followed.by_hand else None


def _notes(subject: Subject) -> Iterator[Odd | Missing]:
    """Give each note of the walks once, however many ways lead to it."""
    boots = subject.boots
    if boots.why and subject.layout is not None:
        for stage in subject.layout.stages.values():
            if stage.entry is not None:
                yield Missing(f"run {stage.entry}", boots.why)
    seen: set[Note] = set()
    for followed in boots.followed.values():
        walk = followed.walk
        at = {(item.variable, item.at): item for item in walk.operations}
        for note in (*walk.oddities, *walk.unresolved):
            if note not in seen:
                seen.add(note)
                yield Odd(boots, followed, note, at.get((note.variable, note.at)))


NOTES = Things(_notes, lambda odd: f"script {odd.note.variable}")


def _no_probe_values(script: str, *, command: str) -> None: ...


NO_PROBE = Rule(
    name="flash-not-probed",
    severity=Severity.ERROR,
    values=_no_probe_values,
    message="`{command}` in {script}: no sf probe comes before",
    effect='U-Boot says "No SPI flash selected. Please run `sf probe\'", and the command fails.',
    fix="Begin with `sf probe &&`.",
    computed="an sf command on a path on which nothing, nor preboot, probed the flash; a warning"
    " where only an operator runs it",
    sources=(
        in_u_boot("cmd/sf.c", "do_spi_flash", "No SPI flash selected. Please run `sf probe'"),
    ),
    bad=scripted(RECOVERY.removeprefix("sf probe && ")),
    good=scripted(),
)


@check(NO_PROBE, over=NOTES)
def no_probe(odd: Odd) -> Outcome:
    note = odd.note
    if note.kind is Oddity.NO_PROBE and _first(odd) and not _probed(odd):
        yield finding(
            NO_PROBE(script=note.variable, command=note.what),
            odd.boots,
            odd.note,
            severity=odd.severity,
        )


def _first(odd: Odd) -> bool:
    """Tell the first of a script's commands without a probe: the others fail for the same cause."""
    alike = (
        note.at
        for followed in odd.boots.followed.values()
        for note in followed.walk.oddities
        if note.kind is odd.note.kind and note.variable == odd.note.variable
    )
    return odd.note.at == min(alike)


def _probed(odd: Odd) -> bool:
    """Tell whether the flash is probed before the script is run, wherever that is known."""
    preboot = odd.boots.followed.get("preboot")
    if preboot is not None and not odd.followed.by_hand and odd.followed is not preboot:
        chip = odd.operation.device if odd.operation is not None else None
        probes = (item for item in preboot.walk.operations if item.kind is Kind.SELECT)
        if any(item.device == chip for item in probes):
            return True
    place = odd.note.variable, odd.note.at
    for followed in odd.boots.followed.values():
        there = any((item.variable, item.at) == place for item in followed.walk.operations)
        noted = ((note.variable, note.at) for note in followed.walk.oddities)
        if there and place not in noted:
            return True
    return False


def _cut_off_values(script: str, text: str, *, operator: str, first: str) -> None: ...


CUT_OFF = Rule(
    name="fallback-skipped",
    severity=Severity.ERROR,
    values=_cut_off_values,
    message="{script}: in `{text}`, what follows {operator} does not run when what comes first"
    " {first}",
    effect="U-Boot's older shell leaves the whole chain there: the way out that was meant for that"
    " day is never taken.",
    fix="Write `if …; then …; else …; fi`, or build U-Boot with CONFIG_HUSH_MODERN_PARSER.",
    computed="a chain of && and ||, of which the first to decide against its right side ends all of"
    " it, while the other operator still comes; CONFIG_HUSH_MODERN_PARSER goes on as POSIX does",
    sources=(
        in_u_boot("common/cli_hush.c", "run_list_real"),
        memory("U-Boot 2024.04", "test/hush/list.c"),
    ),
    bad=scripted(bootcmd="mmc dev 1 && bootm 0x80000000 || run recovery"),
    good=scripted(bootcmd="if mmc dev 1; then bootm 0x80000000; fi; run recovery"),
)
_CHAINS = {Oddity.OR_AFTER_AND: ("||", "fails"), Oddity.AND_AFTER_OR: ("&&", "succeeds")}


@check(CUT_OFF, over=NOTES)
def cut_off(odd: Odd) -> Outcome:
    note = odd.note
    if isinstance(note.kind, Oddity) and note.kind in _CHAINS:
        operator, first = _CHAINS[note.kind]
        yield finding(
            CUT_OFF(script=note.variable, text=note.what, operator=operator, first=first),
            odd.boots,
            odd.note,
            severity=odd.severity,
        )


def _equals_values(script: str, *, command: str) -> None: ...


EQUALS = Rule(
    name="test-without-comparison",
    severity=Severity.ERROR,
    values=_equals_values,
    message="`{command}` in {script}: U-Boot's test knows =, not ==",
    effect="The test is true whatever it compares: the other branch never runs.",
    fix="Write = for ==.",
    computed="== is a word of a test; a warning where only an operator runs it",
    sources=(
        in_u_boot("cmd/test.c", "op_adv"),
        in_u_boot("cmd/test.c", "do_test"),
    ),
    bad=scripted(f'if test "${{slot}}" == a; then {RECOVERY}; fi', more={"slot": "a"}),
    good=scripted(f'if test "${{slot}}" = a; then {RECOVERY}; fi', more={"slot": "a"}),
)


@check(EQUALS, over=NOTES)
def no_equals(odd: Odd) -> Outcome:
    note = odd.note
    if note.kind is Oddity.NO_EQUALS:
        case = EQUALS(script=note.variable, command=note.what)
        yield finding(case, odd.boots, odd.note, severity=odd.severity)


def _hidden_values(script: str, name: str) -> None: ...


HIDDEN = Rule(
    name="loop-variable-in-environment",
    severity=Severity.ERROR,
    values=_hidden_values,
    message="{script} loops over {name}, which is also a variable of the environment",
    effect="Every round sees the environment's value, never that of the loop.",
    fix="Call one of the two otherwise.",
    computed="the variable of a for is set in the environment; a warning where only an operator"
    " runs it",
    sources=(in_u_boot("common/cli_hush.c", "lookup_param"),),
    bad=scripted(f"for try in 1 2; do {RECOVERY}; done", more={"try": "0"}),
    good=scripted(f"for try in 1 2; do {RECOVERY}; done"),
)


@check(HIDDEN, over=NOTES)
def loop_hidden(odd: Odd) -> Outcome:
    note = odd.note
    if note.kind is Oddity.HIDDEN_VARIABLE:
        case = HIDDEN(script=note.variable, name=note.what)
        yield finding(case, odd.boots, odd.note, severity=odd.severity)


def _syntax_values(script: str, *, why: str, at: int) -> None: ...


SYNTAX = Rule(
    name="script-syntax-error",
    severity=Severity.ERROR,
    values=_syntax_values,
    message="{script} is no script from its byte {at:,} on: {why}",
    effect='U-Boot says "syntax error" and runs nothing from there on.',
    fix="Correct it: if needs then and fi, for and while need do and done, quotes come in pairs.",
    computed="the text does not parse as the shell reads it; a warning where only an operator runs"
    " it",
    sources=(in_u_boot("common/cli_hush.c", "parse_stream", "syntax error"),),
    bad=scripted(f"if test -n x; then {RECOVERY}"),
    good=scripted(f"if test -n x; then {RECOVERY}; fi"),
)


@check(SYNTAX, over=NOTES)
def syntax_error(odd: Odd) -> Outcome:
    note = odd.note
    if note.kind is Gap.SYNTAX:
        case = SYNTAX(script=note.variable, why=note.what, at=note.at)
        yield finding(case, odd.boots, odd.note, severity=odd.severity)
