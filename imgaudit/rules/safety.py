"""What scripts do to the parts of the flash that a board cannot do without."""

from __future__ import annotations

from imgaudit.boot.records import CHANGES, Boot
from imgaudit.boot.stage import Followed
from imgaudit.contents.starts import kernel_in
from imgaudit.model import Layout, Region, Writer
from imgaudit.proof.start import resets
from imgaudit.rules._boot import COMMANDS, RECOVERY, Met, finding, scripted
from imgaudit.rules.cited import PRACTICE, in_linux, in_trusted_firmware
from imgaudit.rules.engine import Outcome, Rule, Severity, check
from imgaudit.rules.kinds import the_layout
from imgaudit.rules.subject import Subject

CHANGING = COMMANDS.only(lambda met: met.operation.kind in CHANGES)
_FACTORY = "name: factory, at: 512 KiB, size: 64 KiB, holds: raw, writer: factory"
_LOADER = "name: loader, at: 512 KiB, size: 128 KiB, holds: fip, file: fip.bin"
_SECOND = "name: loader-b, at: 768 KiB, size: 128 KiB, holds: fip, file: fip.bin"


def _target(met: Met) -> Region | None:
    board, span = met.boots.board, met.operation.span
    if board is None or span is None:
        return None
    return board.region_at(met.operation.device, span.start)


def _factory_values(script: str, *, command: str) -> None: ...


FACTORY = Rule(
    name="factory-data-rewritten",
    severity=Severity.ERROR,
    values=_factory_values,
    message="`{command}` in {script} changes {region}, which only the factory writes",
    effect="Serial number, addresses or calibration are gone, and nobody in the field has them.",
    fix="Take the command out, or give {region} another writer if an update may write it.",
    computed="an erase, write or update starts in a region whose writer is factory",
    sources=(PRACTICE,),
    bad=scripted(more={"clean": "sf probe && sf erase 0x80000 0x10000"}, regions=(_FACTORY,)),
    good=scripted(more={"clean": "sf probe && sf erase 0x10000 0x10000"}, regions=(_FACTORY,)),
)


@check(FACTORY, over=CHANGING)
def factory_data(met: Met) -> Outcome:
    region, operation = _target(met), met.operation
    if region is not None and region.writer is Writer.FACTORY:
        case = FACTORY(command=operation.command, script=operation.variable)
        yield met.finding(case, region=region)


def _in_place_values(script: str, *, command: str) -> None: ...


IN_PLACE = Rule(
    name="boot-loader-updated-in-place",
    severity=Severity.WARNING,
    values=_in_place_values,
    message="`{command}` in {script} changes {region}, the only copy of the boot loader",
    effect="Power lost before the write has ended leaves a board that does not start at all.",
    fix="Keep a second copy that the boot ROM falls back to, and write the other one.",
    computed=(
        "an erase, write or update starts in a region that holds a FIP, and no other region holds"
        " one; an error where it happens by itself at boot"
    ),
    sources=(
        in_trusted_firmware(
            "docs/components/firmware-update.rst",
            says="An active bank stores running firmware, whereas an update bank contains"
            " firmware updates.",
        ),
        PRACTICE,
    ),
    bad=scripted(
        more={"update": "sf probe && sf update 0x88000000 0x80000 0x10000"}, regions=(_LOADER,)
    ),
    good=scripted(
        more={"update": "sf probe && sf update 0x88000000 0x80000 0x10000"},
        regions=(_LOADER, _SECOND),
    ),
)


@check(IN_PLACE, over=CHANGING, given=the_layout)
def in_place(met: Met, layout: Layout) -> Outcome:
    region, operation = _target(met), met.operation
    if [region] == [one for one in layout.regions if one.holds == "fip"]:
        yield met.finding(
            IN_PLACE(command=operation.command, script=operation.variable),
            region=region,
            severity=None if met.followed.by_hand else Severity.ERROR,
        )


def _halts_values(script: str, *, command: str) -> None: ...


HALTS = Rule(
    name="failed-start-never-resets",
    severity=Severity.WARNING,
    values=_halts_values,
    message=(
        "bootlimit counts failed starts, but `{command}` in {script} gives the kernel no panic="
    ),
    effect=(
        "A kernel that finds no root stands still until a watchdog resets the board; without one"
        " the count never gets to altbootcmd."
    ),
    fix="Add panic=10 to bootargs, or build the kernel with CONFIG_PANIC_TIMEOUT.",
    computed=(
        "altbootcmd and bootlimit are set, and a command line that is known has no panic= with a"
        " number other than 0; not where the stage names its kernel's .config, or the kernel's own"
        " has CONFIG_PANIC_TIMEOUT"
    ),
    sources=(
        in_linux(
            "Documentation/admin-guide/kernel-parameters.txt",
            says="panic= [KNL] Kernel behaviour on panic: delay <timeout>",
        ),
        in_linux("lib/Kconfig.debug", "PANIC_TIMEOUT", "If n = 0, then we wait forever."),
    ),
    bad=scripted(
        f"setenv bootargs console=ttyS0 && {RECOVERY}",
        more={"bootlimit": "3", "altbootcmd": "run recovery"},
    ),
    good=scripted(
        f"setenv bootargs console=ttyS0 panic=10 && {RECOVERY}",
        more={"bootlimit": "3", "altbootcmd": "run recovery"},
    ),
)


@check(HALTS)
def never_resets(subject: Subject) -> Outcome:
    boots = subject.boots
    followed = boots.followed.get("bootcmd")
    limited = (boots.get("bootlimit") or "0").strip("0")
    if followed is None or not limited or not boots.get("altbootcmd"):
        return
    stages = subject.layout.stages.values() if subject.layout is not None else ()
    if any(stage.kernel_config is not None for stage in stages):
        return
    for boot in followed.walk.boots:
        text = boot.arguments
        if text is None or "${" in text:
            continue
        seconds = [word[6:] for word in text.split() if word.startswith("panic=")]
        if seconds[-1] == "0" if seconds else not _restarts(followed, boot):
            operation = followed.operation(boot)
            case = HALTS(command=boot.command, script=operation.variable)
            yield finding(case, boots, operation)


def _restarts(followed: Followed, boot: Boot) -> bool:
    """Tell whether the kernel of a boot command was built to restart after a panic."""
    pieces = (piece for start in followed.starts if start.boot is boot for piece in start.pieces)
    contents = (piece.content for piece in pieces if piece.role == "kernel")
    kernels = (kernel_in(content) for content in contents if content is not None)
    return any(it is not None and it.inside and resets(it.inside.config) for it in kernels)
