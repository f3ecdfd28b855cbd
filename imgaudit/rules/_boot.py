"""What the checks of scripts and RAM share: the commands that were followed, and small boots."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Iterator, Mapping
from typing import NamedTuple, Protocol, TypeVar

from imgaudit.boot.records import Gap, Operation
from imgaudit.boot.stage import Boots, Followed, position
from imgaudit.data import dataclass
from imgaudit.model import Chip, Region
from imgaudit.rules.engine import Case, Cause, Example, Finding, Kind, Missing, Severity
from imgaudit.rules.examples import nor
from imgaudit.rules.samples import board_tree, fit, image, kernel
from imgaudit.rules.subject import Subject
from imgaudit.units import KIB
from imgaudit.writers.cpio import cpio
from imgaudit.writers.elf import program
from imgaudit.writers.env import environment
from imgaudit.writers.fdt import Tree
from imgaudit.writers.tree import file

T = TypeVar("T")
ENV_SIZE = 8 * KIB
RAM = "ram: {banks: [{at: 0x80000000, size: 256 MiB}]}\n"
RECOVERY = "sf probe && sf read 0x88000000 0x20000 0x40000 && bootm 0x88000000"


# What has a finding of its own, and what a script may well ask for.
_ANSWERED = frozenset({Gap.UNDEFINED, Gap.MISSING_SCRIPT, Gap.RUN_TIME, Gap.EMPTY, Gap.SYNTAX})


def whole_fit() -> bytes:
    """Write a FIT that starts: a kernel, a device tree, and a ramdisk with an init."""
    root = {"init": file(program(), 0o755)}
    tree: Tree = {"type": "flat_dt"}
    images: Tree = {
        "kernel": kernel(),
        "fdt": image(tree, payload=board_tree()),
        "ramdisk": image(payload=cpio(root, 0)),
    }
    parts: Tree = {"conf": {"kernel": "kernel", "fdt": "fdt", "ramdisk": "ramdisk"}}
    return fit(images, configurations=parts)


def operations(boots: Boots) -> Iterator[tuple[Followed, Operation]]:
    """Give every command once, however many ways lead to it; commands that boot count first."""
    found = (
        (followed, operation)
        for followed in boots.followed.values()
        for operation in followed.walk.operations
    )
    return first_of(found, lambda pair: (pair[1].variable, pair[1].at, pair[1].command))


def first_of(items: Iterable[T], key: Callable[[T], Hashable]) -> Iterator[T]:
    """Give the first of those that have the same key."""
    seen = set()
    for item in items:
        if key(item) not in seen:
            seen.add(key(item))
            yield item


@dataclass(frozen=True, slots=True, eq=False)
class Met:
    """A command of a script, in the walk in which it is met first."""

    subject: Subject
    followed: Followed
    operation: Operation

    @property
    def boots(self) -> Boots:
        """All boots of the build."""
        return self.subject.boots

    @property
    def region(self) -> Region | None:
        """The region in which what the command touches starts."""
        board, span = self.boots.board, self.operation.span
        if board is None or span is None:
            return None
        return board.region_at(self.operation.device, span.start)

    @property
    def regions(self) -> list[Region]:
        """The regions of the device that it touches."""
        board = self.boots.board
        return board.regions(self.operation.device) if board is not None else []

    @property
    def chip(self) -> Chip | None:
        """The chip whose main array it touches."""
        board, layout = self.boots.board, self.subject.layout
        area = board.devices.get(self.operation.device or "") if board is not None else None
        return layout.chips.get(area) if layout is not None and area else None

    @property
    def feeds_a_boot(self) -> bool:
        """Whether something that the command reads is started."""
        return bool(self.fed)

    @property
    def fed(self) -> list[str]:
        """The commands that start something of what it reads."""
        return [
            boot.command
            for boot in self.followed.walk.boots
            if any(self.operation.index in fillers for fillers in boot.loaded.values())
        ]

    def finding(
        self,
        case: Case,
        *,
        region: Region | None = None,
        severity: Severity | None = None,
        key: str | None = None,
        causes: tuple[Cause, ...] = (),
    ) -> Finding:
        """Make a finding about a region, or else about the environment that U-Boot takes."""
        return finding(
            case,
            self.boots,
            self.operation,
            region=region,
            severity=severity,
            key=key,
            causes=causes,
        )


def _not_followed(subject: Subject) -> Iterator[Missing]:
    """Name what the walks could not know."""
    boots, layout = subject.boots, subject.layout
    if boots.why:
        for stage in layout.stages.values() if layout is not None else ():
            if stage.entry is not None:
                yield Missing(f"run {stage.entry}", boots.why)
        return
    for entry, followed in boots.followed.items():
        for note in followed.walk.unresolved:
            if note.kind not in _ANSWERED:
                yield Missing(f"script {note.variable}", f"{note.kind}: {note.what}")
        if not followed.walk.complete:
            yield Missing(f"run {entry}", "too long to be followed whole")


def commands(subject: Subject) -> Iterator[Met]:
    """Give every command once, however many ways lead to it."""
    for followed, operation in operations(subject.boots):
        yield Met(subject, followed, operation)


def _met_or_why(subject: Subject) -> Iterator[Met | Missing]:
    yield from _not_followed(subject)
    yield from commands(subject)


def called(met: Met) -> str:
    """Name a command by its text and its script."""
    return f"`{met.operation.command}` in {met.operation.variable}"


COMMANDS, COMMANDS_OR_WHY = Kind(commands, called), Kind(_met_or_why, called)


class Spot(NamedTuple):
    """A place in a script: the variable that it stands in, and the offset in its value."""

    variable: str
    at: int = 0


class _Written(Protocol):
    """What stands somewhere in a script: an operation, a note, a spot."""

    @property
    def variable(self) -> str: ...
    @property
    def at(self) -> int: ...


def finding(
    case: Case,
    boots: Boots,
    said: _Written,
    *,
    region: Region | None = None,
    severity: Severity | None = None,
    key: str | None = None,
    causes: tuple[Cause, ...] = (),
) -> Finding:
    """Make a finding about a region, or else about the environment that U-Boot takes.

    `said` stands in the script where the finding is; its byte is told where an artifact has it.
    """
    place, environment = boots.place, boots.environment
    offset = position(environment, said.variable, said.at) if environment is not None else None
    own = place.region if place is not None else None
    return case.at(
        region=region or own,
        artifact=place.artifact if place is not None else None,
        # An offset counts on the chip that has the environment.
        chip=own.area if own is not None and offset is not None else None,
        where=place.where if place is not None and region is None else None,
        offset=offset,
        key=key,
        severity=severity,
        causes=causes,
    )


def scripted(
    recovery: str = RECOVERY,
    *,
    bootcmd: str = "run recovery",
    more: Mapping[str, str] | None = None,
    regions: tuple[str, ...] = (),
    chip: str = "size: 1 MiB, erase-block: 64 KiB",
    rest: str = "",
    stage: str = "",
    ram: str = RAM,
    files: Mapping[str, Callable[[], bytes]] | None = None,
    itb: Callable[[], bytes] = fit,
) -> Example:
    """Give a board that starts a recovery FIT from its NOR: regions env, recovery and more."""
    variables = {"bootcmd": bootcmd, "recovery": recovery, **(more or {})}
    stages = (
        "stages:\n  recovery:\n    regions: [env, recovery]\n"
        f"    ramdisk: recovery\n    entry: recovery\n{stage}"
    )
    # `explain` prints the layout: say there what is in the environment
    texts = {name: value.encode("unicode_escape").decode() for name, value in variables.items()}
    said = "".join(f"# {name}={text}\n" for name, text in texts.items())
    made: dict[str, Callable[[], bytes]] = {
        "u-boot.env": lambda: environment(variables, ENV_SIZE, None),
        "recovery.itb": itb,
    }
    shape = "holds: uboot-env, writer: runtime, file: u-boot.env, env: {size: 8 KiB}"
    return nor(
        f"name: env, at: 64 KiB, size: 64 KiB, {shape}",
        "name: recovery, at: 128 KiB, size: 256 KiB, holds: fit, file: recovery.itb",
        *regions,
        chip=chip,
        rest=ram + stages + rest + said,
        files=made | dict(files or {}),
    )
