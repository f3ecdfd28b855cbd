"""What U-Boot was built with, against what scripts, images and the layout ask of it."""

from __future__ import annotations

import lzma
from collections.abc import Callable, Iterator
from dataclasses import replace

from imgaudit.boot.firmware import Program
from imgaudit.boot.found import Boots, Followed, Start
from imgaudit.boot.records import Kind as OperationKind
from imgaudit.boot.records import Oddity, Operation
from imgaudit.contents.tree import Content
from imgaudit.data import dataclass
from imgaudit.formats.fdt import FdtFacts
from imgaudit.formats.fit import Configuration, FitFacts
from imgaudit.model import Region
from imgaudit.rules import samples as sample
from imgaudit.rules._boot import finding, scripted, whole_fit
from imgaudit.rules._map import known
from imgaudit.rules.cited import in_u_boot
from imgaudit.rules.engine import Cause, Example, Kind, Outcome, Rule, Severity, check
from imgaudit.rules.firmware import u_boot
from imgaudit.rules.kinds import whole
from imgaudit.rules.shell import NOTES, Odd
from imgaudit.rules.subject import Subject
from imgaudit.writers.fdt import Tree

_BOOTS = frozenset({"bootm", "booti", "bootz", "bootefi"})
_ELSEWHERE = "written-elsewhere: {uboot-config: u-boot.config}\n"
_MAKES = 'CONFIG_SYS_ARCH="arm"\nCONFIG_CMD_SF=y\nCONFIG_CMD_BOOTM=y\nCONFIG_CMD_RUN=y\n'
_MORE = "CONFIG_HUSH_PARSER=y\nCONFIG_FIT=y\nCONFIG_LZMA=y\nCONFIG_ENV_IS_IN_SPI_FLASH=y\n"


def _built(
    without: str = "", more: str = "", *, itb: Callable[[], bytes] = whole_fit, regions: str = ""
) -> Example:
    """Give a board with U-Boot's configuration, less one line."""
    text = (_MAKES + _MORE).replace(f"CONFIG_{without}=y\n", "") + more
    example = scripted(rest=_ELSEWHERE, itb=itb, regions=(regions,) if regions else ())
    return replace(example, files={**example.files, "u-boot.config": text.encode})


def _lzma_fit() -> bytes:
    packed = lzma.compress(sample.arm64_kernel(), lzma.FORMAT_ALONE)
    return sample.fit({"kernel": sample.kernel({"compression": "lzma"}, payload=packed)})


def _best_match(board: str) -> Example:
    """Give a FIT of two boards, the default for `board`, and a U-Boot for example,gauge."""
    configurations: Tree = {
        "conf": {"kernel": "kernel", "compatible": board},
        "other": {"kernel": "kernel", "compatible": "example,gauge"},
    }
    example = _built(
        more="CONFIG_FIT_BEST_MATCH=y\n",
        itb=lambda: sample.fit(configurations=configurations),
        regions="name: u-boot, at: 0, size: 64 KiB, file: u-boot.bin",
    )
    made = {"u-boot.bin": lambda: u_boot(tree=sample.board_tree())}
    return replace(example, files={**example.files, **made})


def _command_values(script: str, name: str, *, command: str, option: str, told: str) -> None: ...


COMMAND = Rule(
    name="command-not-built-in",
    severity=Severity.ERROR,
    values=_command_values,
    message="`{command}` in {script}: U-Boot was built without {name} ({told})",
    effect='U-Boot says "Unknown command" and goes on as after any command that failed.',
    fix="Set {option}=y in U-Boot's configuration, or write the script without {name}.",
    computed="the option that brings the command is not set in U-Boot's .config (or is missing in a"
    " whole one); or U-Boot's binary, which has the texts of its command table, has no such name;"
    " a warning where only an operator runs the script, and where another boot command follows",
    sources=(
        in_u_boot("cmd/Makefile", "CONFIG_CMD_SF"),
        in_u_boot("cmd/Kconfig", "CMD_SF"),
        in_u_boot("common/command.c", "cmd_process", "Unknown command '%s' - try 'help'"),
    ),
    bad=_built("CMD_SF"),
    good=_built(),
)


@check(COMMAND, over=NOTES)
def command_not_built_in(odd: Odd) -> Outcome:
    options = odd.boots.options
    if odd.note.kind is not Oddity.NOT_BUILT_IN or options is None or not _first(odd):
        return
    words = odd.operation.arguments if odd.operation is not None else (odd.note.what,)
    lack = options.command(words)
    if lack is not None:
        case = COMMAND(
            script=odd.note.variable,
            name=odd.note.what,
            command=" ".join(words),
            option=lack.option,
            told=lack.told,
        )
        severity = Severity.WARNING if _made_up_for(odd) else odd.severity
        yield finding(case, odd.boots, odd.note, severity=severity)


def _made_up_for(odd: Odd) -> bool:
    """Tell whether the script goes on to another boot command, which U-Boot has."""
    mine, options = odd.operation, odd.boots.options
    if mine is None or options is None or not _BOOTS & set(mine.arguments[:1]):
        return False
    return any(
        other.kind is OperationKind.BOOT
        and other.index > mine.index
        and options.command(other.arguments) is None
        for followed in odd.boots.followed.values()
        if mine in followed.walk.operations
        for other in followed.walk.operations
    )


def _first(odd: Odd) -> bool:
    """Tell the first of the places that ask for a command: it is one thing to mend."""
    noted = (
        note
        for followed in odd.boots.followed.values()
        for note in followed.walk.oddities
        if (note.kind, note.what) == (odd.note.kind, odd.note.what)
    )
    return next(noted, odd.note) == odd.note


def _shell_values(script: str, text: str, *, told: str) -> None: ...


SHELL = Rule(
    name="shell-not-built-in",
    stops=True,
    severity=Severity.ERROR,
    values=_shell_values,
    message="`{text}` in {script}: U-Boot was built without its shell ({told})",
    effect="The simple command line takes &&, || and if for words: nothing behind them runs as it"
    " is meant.",
    fix="Set CONFIG_HUSH_PARSER=y, or write commands with ; between them and nothing else.",
    computed="CONFIG_HUSH_PARSER is not set, and a script that is run has &&, ||, if, for or while",
    sources=(
        in_u_boot("common/cli_simple.c", "cli_simple_run_command"),
        in_u_boot("cmd/Kconfig", "HUSH_PARSER"),
    ),
    bad=_built("HUSH_PARSER"),
    good=_built(),
)


@check(SHELL, over=NOTES)
def shell_not_built_in(odd: Odd) -> Outcome:
    lack = odd.boots.options.shell() if odd.boots.options is not None else None
    if odd.note.kind is Oddity.NO_SHELL and lack is not None:
        case = SHELL(script=odd.note.variable, text=odd.note.what, told=lack.told)
        yield finding(case, odd.boots, odd.note, severity=odd.severity)


@dataclass(frozen=True, slots=True)
class Booted:
    """An image that a script starts."""

    boots: Boots
    followed: Followed
    start: Start
    region: Region
    content: Content

    @property
    def operation(self) -> Operation:
        """The command that starts it."""
        return self.followed.operation(self.start.boot)


def _booted(subject: Subject) -> Iterator[Booted]:
    """Give each image that `bootm` starts, with the first script that does so."""
    boots = subject.boots
    seen = set()
    for followed in boots.followed.values():
        for start in followed.starts:
            operation = start.buffers.get("kernel")
            source = boots.source(operation) if operation is not None else None
            content = None if source is None else source.content
            if source is not None and content is not None and id(content) not in seen:
                seen.add(id(content))
                yield Booted(boots, followed, start, source.region, content)


BOOTED = Kind(_booted, lambda one: one.content.name)


def _image_values(what: str, *, content: str, option: str, told: str, command: str) -> None: ...


IMAGE = Rule(
    name="boot-image-needs-option",
    severity=Severity.ERROR,
    values=_image_values,
    message="`{command}` starts {content}, and U-Boot was built without {what} ({told})",
    effect='U-Boot says "Wrong Image Format" or "Unimplemented compression type",'
    " and goes on as after any command that failed.",
    fix="Set {option}=y in U-Boot's configuration, or build the image without {what}.",
    computed="a FIT without CONFIG_FIT, a uImage without CONFIG_LEGACY_IMAGE_FORMAT, or a kernel in"
    " a compression whose option is not set",
    sources=(
        in_u_boot("boot/bootm.c", "boot_get_kernel", "Wrong Image Format for %s command"),
        in_u_boot("boot/image.c", "image_decomp", "Unimplemented compression type %d"),
        in_u_boot("boot/bootm.c", "handle_decomp_error"),
    ),
    bad=_built("LZMA", itb=_lzma_fit),
    good=_built(itb=_lzma_fit),
)


@check(IMAGE, over=BOOTED)
def image_needs_option(booted: Booted) -> Outcome:
    options = booted.boots.options
    for lack in options.image(booted.content) if options is not None else ():
        case = IMAGE(
            what=lack.what,
            content=booted.content.name,
            option=lack.option,
            told=lack.told,
            command=booted.start.boot.command,
        )
        yield finding(case, booted.boots, booted.operation, region=booted.region)


def _kept_values(*, said: str, chip: str) -> None: ...


KEPT = Rule(
    name="environment-kept-elsewhere",
    severity=Severity.ERROR,
    values=_kept_values,
    message="{said}; the layout has the environment {region} on {chip}",
    effect="U-Boot reads and saves its environment elsewhere, or nowhere: what lies in {region} is"
    " never looked at.",
    fix="Build U-Boot with the place of {region}, or correct the layout.",
    computed="no CONFIG_ENV_IS_IN_... that is set is of the kind of chip that the environment's"
    " region is on, nor UBI's where it is a volume; one that keeps it in a file is of none",
    sources=(
        in_u_boot("env/Kconfig", "ENV_IS_IN_SPI_FLASH"),
        in_u_boot("env/env.c", "env_locations"),
    ),
    bad=_built("ENV_IS_IN_SPI_FLASH", more="CONFIG_ENV_IS_NOWHERE=y\n"),
    good=_built(),
)
_ON = {
    "spi-nor": {"ENV_IS_IN_SPI_FLASH", "ENV_IS_IN_MTD"},
    "parallel-nor": {"ENV_IS_IN_FLASH", "ENV_IS_IN_MTD"},
    "nand": {"ENV_IS_IN_NAND", "ENV_IS_IN_MTD"},
    "spi-nand": {"ENV_IS_IN_NAND", "ENV_IS_IN_MTD"},
    "mmc": {"ENV_IS_IN_MMC"},
}


@check(KEPT)
def environment_kept_elsewhere(subject: Subject) -> Outcome:
    both = known(subject)
    config = both[1].uboot_config if both is not None else None
    if both is None or config is None:
        return
    places = config.says.environment_in
    for region in both[0].regions:
        chip = both[0].chips[region.chip]
        right = _ON.get(chip.kind.word) or _ON.get(chip.kind.device or "")
        if region.holder:
            right = {"ENV_IS_IN_UBI"}
        if region.env is None or not places or right is None or right & set(places):
            continue
        names = " and ".join(f"CONFIG_{name}" for name in places)
        yield KEPT(said=f"{config.place.inside} has {names}", chip=chip.name).at(
            region=region,
            key="env",
            causes=(Cause(frozenset({KEPT.name}), region.env.copy),),
        )


def _best_values(*, chosen: str, default: str, told: str, content: str) -> None: ...


BEST = Rule(
    name="configuration-chosen-by-board",
    severity=Severity.ERROR,
    values=_best_values,
    message="`bootm` names no configuration of {content}, and U-Boot has CONFIG_FIT_BEST_MATCH"
    " ({told}): it takes {chosen}, not the default {default}",
    effect="Another kernel, tree or ramdisk starts than the default, or none at all.",
    fix="Name the configuration in the script (bootm ADDRESS#{default}), or let its compatible say"
    " which board it is for.",
    computed="the configuration whose compatible (its own, or that of its device tree) has the"
    " earliest name of U-Boot's own compatible, the first among equals; none without a match. A"
    " warning where the default is one of the equals, which newer U-Boots prefer",
    sources=(
        in_u_boot("boot/image-fit.c", "fit_conf_find_compat"),
        in_u_boot("boot/image-fit.c", "fit_image_load"),
    ),
    bad=_best_match("example,buoy"),
    good=_best_match("example,gauge"),
)


@check(BEST, over=BOOTED, given=whole)
def chosen_by_board(booted: Booted, subject: Subject) -> Outcome:
    facts, options = booted.content.facts, booted.boots.options
    if not isinstance(facts, FitFacts) or booted.start.boot.config is not None:
        return
    config = options.config if options is not None else None
    if options is None or config is None or not config.enabled("FIT_BEST_MATCH"):
        return
    loaders = (item for item in subject.firmware if item.program is Program.U_BOOT)
    names = next((tree.compatible for item in loaders for tree in item.trees), ())
    if not names or facts.default is None:
        return
    best = _best(facts, booted.content, names)
    if facts.default not in {one.name for one in best[:1]}:
        case = BEST(
            chosen=best[0].name if best else "none, for none is for this board",
            default=facts.default,
            told=options.place,
            content=booted.content.name,
        )
        severity = Severity.WARNING if facts.default in {one.name for one in best} else None
        yield finding(case, booted.boots, booted.operation, region=booted.region, severity=severity)


def _best(facts: FitFacts, content: Content, names: tuple[str, ...]) -> list[Configuration]:
    """Give the configurations that match equally well and best, in the order of the FIT."""
    ranks: dict[int, list[Configuration]] = {}
    for choice in facts.configurations:
        theirs = _compatible(facts, content, choice)
        rank = next((at for at, name in enumerate(names) if name in theirs), None)
        if rank is not None:
            ranks.setdefault(rank, []).append(choice)
    return ranks[min(ranks)] if ranks else []


def _compatible(facts: FitFacts, content: Content, choice: Configuration) -> tuple[str, ...]:
    """Give what a configuration is for: what it says, or else its tree where that is not packed.

    U-Boot takes a tree without the property for a packed one (fit_image_check_comp).
    """
    if choice.compatible or not choice.fdt:
        return choice.compatible
    image, part = facts.image(choice.fdt[0]), content.part(choice.fdt[0])
    if image is None or part is None or image.compression != "none":
        return ()
    return part.facts.compatible if isinstance(part.facts, FdtFacts) else ()
