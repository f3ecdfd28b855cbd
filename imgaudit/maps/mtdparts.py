"""The partition list of a kernel command line or a boot loader: `mtdparts=` and `mtdids=`.

Source: Linux drivers/mtd/parsers/cmdlinepart.c and lib/cmdline.c (memparse); U-Boot cmd/mtdparts.c.
"""

from __future__ import annotations

import enum
import re
from collections.abc import Sequence

from imgaudit.data import dataclass
from imgaudit.errors import FormatError
from imgaudit.maps.entry import Kind, MapCopy, MapEntry, Written
from imgaudit.patterns import regex

_PREFIX = "mtdparts="
_SUFFIXES = {"": 0, "k": 10, "m": 20, "g": 30, "t": 40, "p": 50, "e": 60}
_NUMBER = regex(r"(0[xX][0-9a-fA-F]+|0[0-7]*|[1-9][0-9]*|)", re.ASCII)
_MAX_DIGITS = 64
_LIMIT = 1 << 64
_LONGEST_NAME = 21  # of those that U-Boot makes itself


class Consumer(enum.Enum):
    """Who reads a list: they differ in `units`, flags, names, and the `smallest` partition."""

    LINUX = ("kmgtpe", ("ro", "lk", "slc"), 1)
    UBOOT = ("kmg", ("ro",), 4096)

    def __init__(self, units: str, flags: tuple[str, ...], smallest: int) -> None:
        self.units = units
        self.flags = flags  # known in this order only
        self.smallest = smallest


@dataclass(frozen=True, slots=True, kw_only=True)
class Definition:
    """One `size@offset(name)ro lk slc` as it is written.

    `size` is None for `-`, `offset` where it is left out, `name` where there are no parentheses.
    """

    size: int | None
    at: Written
    offset: int | None = None
    name: str | None = None
    read_only: bool = False
    locked: bool = False
    slc: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Device:
    """The definitions of one MTD, named as the kernel or the boot loader calls it."""

    mtd_id: str
    definitions: tuple[Definition, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Mtdparts:
    """A whole list; `prefixes` counts how often `mtdparts=` stands before it."""

    devices: tuple[Device, ...]
    consumer: Consumer = Consumer.LINUX
    prefixes: int = 0
    notes: tuple[str, ...] = ()

    def __str__(self) -> str:
        """Write the list back, with its prefix; sizes in the largest unit that is exact."""
        devices = (
            f"{device.mtd_id}:{','.join(map(_definition_text, device.definitions))}"
            for device in self.devices
        )
        return _PREFIX * self.prefixes + ";".join(devices)

    def copies(self) -> tuple[MapCopy, ...]:
        """Resolve left-out offsets and names as the consumer does, one copy per device."""
        return tuple(
            MapCopy(
                kind=Kind.MTDPARTS,
                device=device.mtd_id,
                entries=_resolve(device.definitions, self.consumer),
                notes=self.notes,
            )
            for device in self.devices
        )


def parse(text: str, consumer: Consumer = Consumer.LINUX, *, line: int | None = None) -> Mtdparts:
    """Read a list, with or without `mtdparts=` before it; an empty list has no devices.

    `line` is passed on to where each definition is written.

    Raises:
        FormatError: what the consumer refuses, with the character offset.

    """
    at = prefixes = 0
    while text.startswith(_PREFIX, at):
        at, prefixes = at + len(_PREFIX), prefixes + 1
    notes = []
    if prefixes > 1:
        notes.append(
            f"mtdparts= is written {prefixes} times: the kernel takes all but the first"
            " for part of the device's name"
        )
    devices: list[Device] = []
    while at < len(text):
        device, at = _device(text, at, consumer, line)
        devices.append(device)
        if at == len(text):
            break
        if text[at] != ";":
            raise FormatError(at, f"{text[at]!r} cannot follow a partition")
        at += 1
        if at == len(text):
            notes.append("the list ends in ';': the kernel complains of a missing device")
    return Mtdparts(
        devices=tuple(devices), consumer=consumer, prefixes=prefixes, notes=tuple(notes)
    )


def parse_ids(text: str) -> dict[str, str]:
    """Read `mtdids`, such as `nor0=spi0.0,nand0=gpmi-nand`: the boot loader's names to MTD names.

    Raises:
        FormatError: an item that is not a pair, or a name given twice.

    """
    at = len("mtdids=") if text.startswith("mtdids=") else 0
    ids: dict[str, str] = {}
    for item in text[at:].split(",") if text[at:] else ():
        device, _, mtd = item.partition("=")
        if not (device and mtd):
            raise FormatError(at, f"{item!r} is not device=mtd-id")
        if device in ids:
            raise FormatError(at, f"{device} is named twice")
        ids[device] = mtd
        at += len(item) + 1
    return ids


def _device(text: str, start: int, consumer: Consumer, line: int | None) -> tuple[Device, int]:
    end = _before(text, ";", start, len(text))
    if consumer is Consumer.LINUX:
        # The last ':' before the first name separates: an MTD may be called 1c20.flash:boot.
        colon = text.rfind(":", start, _before(text, "(", start, end))
    else:
        colon = text.find(":", start)
    if colon < 0:
        raise FormatError(start, "no device before the partitions: ':' is missing")
    definitions: list[Definition] = []
    at = colon + 1
    while True:
        definition, at = _definition(text, at, consumer, line)
        definitions.append(definition)
        if not text.startswith(",", at):
            break
        if definition.size is None:
            raise FormatError(at, "no partition can follow one that takes all that is left")
        at += 1
    return Device(mtd_id=text[start:colon], definitions=tuple(definitions)), at


def _before(text: str, character: str, start: int, end: int) -> int:
    found = text.find(character, start, end)
    return end if found < 0 else found


def _definition(
    text: str, start: int, consumer: Consumer, line: int | None
) -> tuple[Definition, int]:
    size: int | None = None
    offset: int | None = None
    name: str | None = None
    if text.startswith("-", start):
        at = start + 1
    else:
        size, at = _number(text, start, consumer)
        if size < consumer.smallest:
            least = f", less than {consumer.smallest:,}" if size else ""
            raise FormatError(start, f"a partition has size {size}{least}")
    if text.startswith("@", at):
        offset, at = _number(text, at + 1, consumer)
    if text.startswith("(", at):
        close = text.find(")", at)
        if close < 0:
            raise FormatError(at, "the name has no ')'")
        if consumer is Consumer.UBOOT and close == at + 1:
            raise FormatError(at, "the name is empty")
        name, at = text[at + 1 : close], close + 1
    flags = set()
    for flag in consumer.flags:
        if text.startswith(flag, at):
            flags.add(flag)
            at += len(flag)
    definition = Definition(
        size=size,
        offset=offset,
        name=name,
        read_only="ro" in flags,
        locked="lk" in flags,
        slc="slc" in flags,
        at=Written(text=text[start:at], line=line, offset=start),
    )
    return definition, at


def _number(text: str, at: int, consumer: Consumer) -> tuple[int, int]:
    """Read as memparse does: no digits are 0, and the base is told by the prefix."""
    found = _NUMBER.match(text, at)
    digits = found[1] if found else ""
    value = _LIMIT if len(digits) > _MAX_DIGITS else int(digits or "0", _base(digits))
    after = at + len(digits)
    suffix = text[after : after + 1].lower()
    suffix = suffix if suffix in consumer.units else ""
    value <<= _SUFFIXES[suffix]
    if value >= _LIMIT:
        raise FormatError(at, "the number does not fit in 64 bits")
    return value, at + len(digits + suffix)


def _base(digits: str) -> int:
    if digits[:2] in {"0x", "0X"}:
        return 16
    return 8 if digits.startswith("0") else 10


def _resolve(definitions: Sequence[Definition], consumer: Consumer) -> tuple[MapEntry, ...]:
    entries: list[MapEntry] = []
    following = 0
    for number, definition in enumerate(definitions):
        offset = following if definition.offset is None else definition.offset
        entries.append(
            MapEntry(
                label=_unnamed(number, definition, consumer)
                if definition.name is None
                else definition.name,
                offset=offset,
                size=definition.size,
                to_end=definition.size is None,
                read_only=definition.read_only,
                at=definition.at,
            )
        )
        following = offset + (definition.size or 0)
    return tuple(entries)


def _unnamed(number: int, definition: Definition, consumer: Consumer) -> str:
    if consumer is Consumer.LINUX:
        return f"Partition_{number:03d}"
    every = _LIMIT - 1
    size = every if definition.size is None else definition.size
    offset = every if definition.offset is None else definition.offset
    return f"0x{size:08x}@0x{offset:08x}"[:_LONGEST_NAME]


def _definition_text(definition: Definition) -> str:
    parts = ["-" if definition.size is None else _number_text(definition.size)]
    if definition.offset is not None:
        parts.append(f"@{_number_text(definition.offset)}")
    if definition.name is not None:
        parts.append(f"({definition.name})")
    flags = (("ro", definition.read_only), ("lk", definition.locked), ("slc", definition.slc))
    parts.extend(flag for flag, given in flags if given)
    return "".join(parts)


def _number_text(value: int) -> str:
    for suffix in "gmk":
        scale = 1 << _SUFFIXES[suffix]
        if value and value % scale == 0:
            return f"{value // scale}{suffix}"
    return f"{value:#x}"
