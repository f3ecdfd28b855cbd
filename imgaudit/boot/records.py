"""What a walk takes and gives: plain data without behaviour of its own."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field
from enum import StrEnum
from functools import cached_property
from typing import NamedTuple

from imgaudit.boot.values import is_number, number
from imgaudit.data import dataclass
from imgaudit.maps.uboot_options import Options
from imgaudit.units import Span

_MOST_DIGITS = 14
BLOCK = 512
"""Bytes in a block of an eMMC, SD or disk (U-Boot doc/usage/cmd/mmc.rst)."""


class Kind(StrEnum):
    """What a command does, seen from the artifacts."""

    SELECT = "select"  # picks, probes or scans a device
    READ = "read"  # raw bytes of a device into RAM
    LOAD = "load"  # a file into RAM
    WRITE = "write"
    ERASE = "erase"
    UPDATE = "update"  # erase and write, block by block
    PROTECT = "protect"
    CONFIGURE = "configure"  # registers of the device itself
    PARTITION = "partition"  # writes a partition table
    SAVE = "save"  # stores the environment
    SET = "set"  # changes a variable
    TEST = "test"  # decides, without touching anything
    COPY = "copy"  # RAM to RAM
    FILL = "fill"
    COMPARE = "compare"
    UNPACK = "unpack"
    TREE = "tree"  # works on a device tree in RAM
    RUN = "run"  # other commands: `run`, `source`, `sysboot`
    BOOT = "boot"
    RESET = "reset"
    SHOW = "show"  # prints, waits, looks
    OTHER = "other"  # known by name; touches no artifact
    UNKNOWN = "unknown"


CHANGES = frozenset({Kind.WRITE, Kind.ERASE, Kind.UPDATE})
"""What changes a flash or a disk."""


class Gap(StrEnum):
    """What a walk could not know or follow."""

    MISSING_SCRIPT = "missing script"
    SCRIPT = "script not known"
    NO_SCRIPT = "no script"
    STATUS = "status not known"
    WHAT_RUNS = "name of what to run is not known"
    WHAT_STARTS = "what it starts is not known"
    RUNS_ITSELF = "runs itself"
    SYNTAX = "syntax error"
    DEPTH = "too deep to follow"
    ENDLESS = "loop without an end"
    LONG_LOOP = "loop not followed to its end"
    COMMAND = "unknown command"
    COMMAND_NAME = "command not known"
    RUN_TIME = "set at run time"
    EMPTY = "variable without a value"
    UNDEFINED = "undefined variable"
    VARIABLE_NAME = "variable name not known"
    LOADED_ENVIRONMENT = "loaded environment not known"
    IMPORTED_ENVIRONMENT = "imported environment not known"
    DEFAULT_ENVIRONMENT = "default environment not known"


class Oddity(StrEnum):
    """What the shell or a command does differently from what the text suggests."""

    NO_PROBE = "no sf probe before"
    NO_EQUALS = "test has no =="
    OR_AFTER_AND = "|| after && does not run"
    AND_AFTER_OR = "&& after || does not run"
    HIDDEN_VARIABLE = "loop variable hidden by the environment"
    NOTHING_LEFT = "nothing is left of the command"
    NOT_BUILT_IN = "the command is not built in"
    NO_SHELL = "there is no shell for this"


class Outcome(StrEnum):
    """How a command has to end for what follows it to be reached."""

    SUCCEEDS = "succeeds"
    FAILS = "fails"
    RETURNS = "returns"  # started something that normally does not come back


class Reason(StrEnum):
    """Why a command fails, or why nobody can know whether it does; `SAID` has the sentences."""

    # It fails.
    DEVICE_SILENT = "device-silent"
    NO_DEVICE = "no-device"
    NO_PARTITION = "no-partition"
    OTHER_FILE_SYSTEM = "other-file-system"
    ERASED = "erased"
    NO_FILE = "no-file"
    PAST_END = "past-end"
    NOTHING_THERE = "nothing-there"
    NOT_PROBED = "not-probed"
    NO_VARIABLE = "no-variable"
    NO_OPERAND = "no-operand"
    UNKNOWN_COMMAND = "unknown-command"
    NOT_BUILT_IN = "not-built-in"
    NO_KERNEL_NAMED = "no-kernel-named"
    # Nobody can know.
    DEVICE_UNKNOWN = "device-unknown"
    DEVICE_ASSUMED = "device-assumed"
    DEVICE_OUTSIDE = "device-outside"
    PARTITIONS_UNKNOWN = "partitions-unknown"
    PARTITION_UNKNOWN = "partition-unknown"
    FILE_SYSTEM_UNKNOWN = "file-system-unknown"
    FILE_UNKNOWN = "file-unknown"
    FILES_UNKNOWN = "files-unknown"
    SHORT_FORM = "short-form"


SAID: Mapping[Reason, str] = {
    Reason.DEVICE_SILENT: "{device} does not answer",
    Reason.NO_DEVICE: "the board has no {device}",
    Reason.NO_PARTITION: "{device} has no partition {partition}",
    Reason.OTHER_FILE_SYSTEM: "{volume} holds {found}, not {wanted}",
    Reason.ERASED: "{volume} is erased",
    Reason.NO_FILE: "{volume} has no file {path}",
    Reason.PAST_END: "{device} ends at {end}",
    Reason.NOTHING_THERE: "nothing was put there on this path",
    Reason.NOT_PROBED: "no sf probe comes before it",
    Reason.NO_VARIABLE: "{name} is not set",
    Reason.NO_OPERAND: "an operand is missing or is none",
    Reason.UNKNOWN_COMMAND: "no U-Boot has a command {name}, as far as is known",
    Reason.NOT_BUILT_IN: "{lack}",
    Reason.NO_KERNEL_NAMED: "its label {label} names no kernel",
    Reason.DEVICE_UNKNOWN: "which device it means is not known",
    Reason.DEVICE_ASSUMED: (
        "which chip {device} is, is not known: the layout gives no number: for it, and no device"
        " tree an alias"
    ),
    Reason.DEVICE_OUTSIDE: "what {device} is, and whether it is there, the layout does not say",
    Reason.PARTITIONS_UNKNOWN: "the partitions of {device} are not known",
    Reason.PARTITION_UNKNOWN: "which partition of {device} it means is not known",
    Reason.FILE_SYSTEM_UNKNOWN: "what {volume} holds is not known",
    Reason.FILE_UNKNOWN: "which file it means is not known",
    Reason.FILES_UNKNOWN: "whether {volume} has {path} is not known: its files are not listed",
    Reason.SHORT_FORM: "{name} may be short for a longer command of this build",
}
"""What each reason says, with its operands."""


@dataclass(frozen=True, slots=True)
class Cause:
    """A reason with its operands: names as text, sizes and places in bytes."""

    reason: Reason
    operands: Mapping[str, str | int] = field(default_factory=dict)

    def __str__(self) -> str:
        """Say it in a sentence without its full stop."""
        shown = {
            name: f"{value:#x}" if isinstance(value, int) else value
            for name, value in self.operands.items()
        }
        return SAID[self.reason].format_map(shown)


@dataclass(frozen=True, slots=True, kw_only=True)
class Partition:
    """An entry of a partition table, as `part` knows it; `bootable` as U-Boot takes it."""

    number: int
    span: Span
    name: str = ""
    uuid: str = ""
    type: str = ""
    bootable: bool = False


@dataclass(frozen=True, slots=True)
class Condition:
    """One thing that must happen first.

    `failure` tells that hardware or data must fail for it, not only a choice go one way.
    """

    text: str
    outcome: Outcome
    failure: bool
    variable: str
    at: int


@dataclass(frozen=True, slots=True)
class Note:
    """Something that the walk cannot know or that the shell does unexpectedly.

    `what` is the name or text concerned; the place is the first one.
    """

    kind: Gap | Oddity
    what: str
    variable: str
    at: int


class Number(NamedTuple):
    """A number as it is written, as U-Boot reads it (hex), and as it would be in decimal."""

    text: str
    value: int
    decimal: int | None


def _number(text: str) -> Number | None:
    if len(text) > _MOST_DIGITS or not is_number(text):
        return None
    return Number(text, number(text), int(text) if text.isdecimal() else None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Operation:
    """One command, in the order in which it is met.

    `command` is the text after expansion (unknown parts as `${name}`), `variable` names the text
    that it stands in and `at` its offset there. `device` is `nor`, `mmc0`, `mmc0.boot0`, `ubi0`,
    `usb0`, `net`…; `partition` and `path` are set for files. `span` is the bytes on the device,
    `ram` the bytes in RAM (`ram_at` alone where the length is unknown). `source` is the RAM that
    it reads, for copies and unpacking. `succeeds` is how it ends on sound hardware by what is known
    (None: it may go either way), `cause` why it fails or is not known. `ignored`: what runs next
    does not depend on its success.
    `checked` is false where a boot command can follow although it failed; `optional`: U-Boot itself
    goes on without what it loads. `saves` are, where the
    environment is saved, the variables that are then otherwise than at the start (None: deleted),
    as far as their values are known.
    """

    index: int
    kind: Kind
    command: str
    arguments: tuple[str, ...]
    variable: str
    at: int
    conditions: tuple[Condition, ...]
    device: str | None = None
    partition: str | None = None
    path: str | None = None
    span: Span | None = None
    ram: Span | None = None
    ram_at: int | None = None
    source: Span | None = None
    runs: tuple[str, ...] = ()
    succeeds: bool | None = None
    cause: Cause | None = None
    ignored: bool = False
    checked: bool = True
    can_fail: bool = False
    optional: bool = False
    saves: Mapping[str, str | None] = field(default_factory=dict)

    @property
    def numbers(self) -> tuple[Number, ...]:
        """The numbers behind the command's address or, of an erase, behind its name."""
        words = self.arguments[2 if self.kind is Kind.ERASE else 3 :]
        return tuple(found for word in words if (found := _number(word)) is not None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Boot:
    """A command that starts something.

    Addresses are None where the command names none or they are unknown. `loaded` gives, for
    `kernel`, `ramdisk` and `fdt`, the operations that may have put the content there; `stale` names
    those parts that may also hold what was there before. `settings` are the variables that change
    where U-Boot puts things, as they are at that moment.
    """

    operation: int
    command: str
    kernel: int | None = None
    config: str | None = None
    ramdisk: int | None = None
    ramdisk_size: int | None = None
    fdt: int | None = None
    loaded: Mapping[str, tuple[int, ...]] = field(default_factory=dict)
    stale: tuple[str, ...] = ()
    arguments: str | None = None
    settings: Mapping[str, str] = field(default_factory=dict)
    conditions: tuple[Condition, ...] = ()


@dataclass(frozen=True, slots=True)
class End:
    """Where a path stops other than by a boot: `prompt`, `reset`, `power off` or `loop`."""

    how: str
    variable: str
    at: int
    conditions: tuple[Condition, ...]


@dataclass(frozen=True, kw_only=True)
class World:
    """What is known around the scripts; everything is optional.

    Devices are named as in `Operation.device`. A partition is its number as text, or its name.
    `files`: sizes by (device, partition, path without a leading slash); `listed`: partitions of
    which `files` is complete, so that another path is missing, `caseless`: those in which the case
    of a path does not matter. `scripts`: texts of script files (also extlinux.conf) by the same
    key; `raw_scripts` by (device, offset). `formats` says what a file is, by the name of its
    reader, and `systems` what a partition holds, file systems as U-Boot calls them ("": erased).
    `called` are the names of partitions' regions. `partitions` and `sizes` are bytes; `tables` are
    whole partition tables. `assumed` devices may be other chips than the layout's order suggests;
    of the `closed` interfaces all devices are known, so that another number is none. `erase` gives
    erase sizes. `mtd` maps an MTD name to its device and span, `attachable` to the device that its
    UBI makes; `attached` is the one that U-Boot attaches by itself. `variables` are set by the
    board at run time; None: set, to a value that is unknown. `dead` devices fail every command.
    `modern_shell`: the newer parser, in which `&&` and `||` chain as in POSIX. `options`: what
    U-Boot was built with. `bits`: width of an address.
    """

    files: Mapping[tuple[str, str, str], int] = field(default_factory=dict)
    listed: frozenset[tuple[str, str]] = frozenset()
    caseless: frozenset[tuple[str, str]] = frozenset()
    scripts: Mapping[tuple[str, str, str], str] = field(default_factory=dict)
    raw_scripts: Mapping[tuple[str, int], str] = field(default_factory=dict)
    formats: Mapping[tuple[str, str, str], str] = field(default_factory=dict)
    systems: Mapping[tuple[str, str], str] = field(default_factory=dict)
    called: Mapping[tuple[str, str], str] = field(default_factory=dict)
    partitions: Mapping[tuple[str, str], Span] = field(default_factory=dict)
    tables: Mapping[str, tuple[Partition, ...]] = field(default_factory=dict)
    assumed: frozenset[str] = frozenset()
    closed: frozenset[str] = frozenset()
    sizes: Mapping[str, int] = field(default_factory=dict)
    erase: Mapping[str, int] = field(default_factory=dict)
    mtd: Mapping[str, tuple[str, Span]] = field(default_factory=dict)
    attachable: Mapping[str, str] = field(default_factory=dict)
    attached: str | None = None
    variables: Mapping[str, str | None] = field(default_factory=dict)
    default_environment: Mapping[str, str] | None = None
    dead: frozenset[str] = frozenset()
    modern_shell: bool = False
    options: Options = field(default_factory=Options)
    bits: int = 64

    @cached_property
    def partitioned(self) -> frozenset[str]:
        """The devices of which partitions are known."""
        return frozenset({*self.tables, *(device for device, _ in self.partitions)})

    @cached_property
    def known(self) -> frozenset[str]:
        """The devices of which anything is known."""
        named = (device for device, *_ in (*self.listed, *self.files))
        return self.partitioned | frozenset({*self.sizes, *named})

    @cached_property
    def folded(self) -> Mapping[tuple[str, str, str], str]:
        """The paths by their small letters, where case does not matter."""
        return {
            (device, partition, path.lower()): path
            for device, partition, path in self.files
            if (device, partition) in self.caseless
        }

    def is_dead(self, device: str | None) -> bool:
        """Tell whether commands on the device fail; its hardware partitions die with it."""
        return device is not None and (device in self.dead or device.split(".")[0] in self.dead)


@dataclass(frozen=True, kw_only=True)
class Walk:
    """What following one entry found.

    `unresolved` is what could not be known; `oddities` is what the shell does differently from what
    the text suggests. `complete` is false where a bound was hit. `falls_through` tells whether the
    entry can end without a boot, `ends` where it then stops; `succeeds` is then how it ends and
    `variables` the environment it leaves (None: not known).
    """

    entry: str
    operations: tuple[Operation, ...]
    boots: tuple[Boot, ...]
    ends: tuple[End, ...]
    unresolved: tuple[Note, ...]
    oddities: tuple[Note, ...]
    falls_through: bool
    complete: bool
    succeeds: bool | None = None
    variables: Mapping[str, str | None] = field(default_factory=dict)

    def reaches(self, variable: str) -> bool:
        """Tell whether `run variable` is reached."""
        return variable == self.entry or any(
            operation.kind is Kind.RUN and variable in operation.runs
            for operation in self.operations
        )
