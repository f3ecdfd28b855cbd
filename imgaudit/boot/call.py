"""A command of U-Boot's about to run, and what it does.

A function of a command looks and tells, the walker acts. Numbers are hex unless a command's
documentation says otherwise.

Source: U-Boot doc/usage/cmd/*.rst and the help texts in cmd/*.c.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import field

from imgaudit.boot.media import Found
from imgaudit.boot.records import Cause, Gap, Kind, Oddity, World
from imgaudit.boot.state import State
from imgaudit.boot.values import Text
from imgaudit.data import dataclass
from imgaudit.units import Span

NOR = "nor"
_WIDTHS = {"b": 1, "w": 2, "l": 4, "q": 8}


@dataclass(frozen=True, slots=True)
class Call:
    """A command about to run."""

    words: Sequence[Text]
    state: State
    world: World

    @property
    def name(self) -> str:
        """The command itself."""
        return self.words[0].plain or ""

    def text(self, index: int) -> str | None:
        """Give an argument's text; None where it is missing or unknown."""
        return self.words[index].plain if index < len(self.words) else None

    def number(self, index: int, base: int = 16) -> int | None:
        """Give an argument as a number; None where it is missing or unknown."""
        return self.words[index].number(base) if index < len(self.words) else None

    def value(self, name: str) -> int | None:
        """Give a variable as a hex number."""
        text = self.state.get(name)
        return None if text is None else text.number()

    @property
    def width(self) -> int:
        """The bytes that `.b`, `.w`, `.l` or `.q` mean; 4 without one."""
        return _WIDTHS.get(self.name.partition(".")[2], 4)


@dataclass(frozen=True, slots=True, kw_only=True)
class Start:
    """What a boot command is told to start."""

    kernel: int | None = None
    config: str | None = None
    ramdisk: int | None = None
    ramdisk_size: int | None = None
    fdt: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Done:
    """What a command does.

    `succeeds` is None where it may also fail; `choice` then tells that nothing has to break for
    that. Where it is true, `breaks` tells that hardware does it and can fail. `cause` is why it
    fails, or why that is not known. `sets` changes variables (None deletes), `always` does so also
    on failure. `fills` is an address that holds new content of `fills_size` bytes. `runs` names
    variables to run in turn, `any_of` those of which one is run, `source_at` the address of a
    script to run, `imports_at` of variables to import (only `imports`, where it names some),
    `configuration` the device and partition of an extlinux.conf that is at `path`. `exits` leaves
    the innermost script. `script` is one that does the same. `ends` never comes back: "reset",
    "power off" or "loop".
    """

    kind: Kind
    succeeds: bool | None = None
    choice: bool = False
    breaks: bool = False
    optional: bool = False
    cause: Cause | None = None
    device: str | None = None
    partition: str | None = None
    path: str | None = None
    span: Span | None = None
    fills: int | None = None
    fills_size: int | None = None
    source: Span | None = None
    sets: Mapping[str, Text | None] = field(default_factory=dict)
    always: Mapping[str, Text | None] = field(default_factory=dict)
    selects: Mapping[str, str | None] = field(default_factory=dict)
    runs: tuple[str, ...] = ()
    any_of: tuple[str, ...] = ()
    source_at: int | None = None
    imports_at: int | None = None
    imports: tuple[str, ...] = ()
    configuration: tuple[str | None, str | None] | None = None
    script: str | None = None
    start: Start | None = None
    ends: str = ""
    exits: bool = False
    oddity: Oddity | None = None
    unresolved: Gap | None = None


Function = Callable[[Call], Done]


def span_of(start: int | None, size: int | None) -> Span | None:
    """Give a span; None where its start or its size is not known."""
    return None if start is None or size is None else Span.sized(start, size)


def moved(
    verb: str,
    device: str | None,
    span: Span | None,
    *,
    at: int | None,
    size: int | None,
    partition: str | None = None,
) -> Done:
    """Read from a device to an address, or write or update it from there."""
    if verb == "read":
        return Done(
            kind=Kind.READ, device=device, partition=partition, span=span, fills=at, fills_size=size
        )
    kind, source = Kind.WRITE if verb == "write" else Kind.UPDATE, span_of(at, size)
    return Done(kind=kind, device=device, partition=partition, span=span, source=source)


def looked(
    found: Found, device: str | None, partition: str | None, sets: Mapping[str, Text | None]
) -> Done:
    """Look whether something is there, and put what is said of it into variables."""
    return Done(
        kind=Kind.TEST,
        succeeds=found.there,
        cause=found.cause,
        choice=True,
        device=device,
        partition=partition,
        sets=sets,
    )


def hexed(value: int | None, name: str) -> Text:
    """Give what a variable becomes: a number as U-Boot writes it, or what is not known."""
    return Text.unknown(name) if value is None else Text.of(f"{value:x}")


def loaded(size: int | None, at: int | None) -> dict[str, Text | None]:
    """Give the variables that loading a file sets."""
    return {"filesize": hexed(size, "filesize"), "fileaddr": hexed(at, "fileaddr")}


def always(kind: Kind, *, succeeds: bool | None = True, choice: bool = True) -> Function:
    """Give the function of a command that does the same whatever it is told."""
    done = Done(kind=kind, succeeds=succeeds, choice=choice)
    return lambda _: done


def ends(how: str) -> Function:
    """Give the function of a command that never comes back."""
    done = Done(kind=Kind.RESET, ends=how)
    return lambda _: done
