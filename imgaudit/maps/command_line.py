"""The kernel command line: its arguments as the kernel splits them, and what `root=` names.

Source: Linux lib/cmdline.c (next_arg), Documentation/admin-guide/kernel-parameters.txt,
block/early-lookup.c and init/do_mounts.c for the forms of `root=`.
"""

from __future__ import annotations

import enum
import re
from collections.abc import Iterator
from dataclasses import replace

from imgaudit.data import dataclass
from imgaudit.maps.mapped import mapped
from imgaudit.patterns import regex

# isspace() of the kernel's own ctype table.
_SPACE = " \t\n\v\f\r\xa0"
_MTD = regex(r"mtd(?P<number>\d{1,9})", re.ASCII)
_MTD_BLOCK = regex(r"mtdblock(?P<number>\d{1,9})", re.ASCII)
_UBI = regex(r"ubi(?P<device>\d{1,9})?(?:_(?P<number>\d{1,9})|[:!](?P<volume>.*))", re.ASCII)
_DISK = regex(
    r"(?P<disk>(?:mmcblk|nvme\d{1,4}n|nbd|loop)\d{1,4})(?:p(?P<partition>\d{1,4}))?"
    r"|(?P<hardware>mmcblk\d{1,4}(?:boot[01]|rpmb|gp[0-3]))"
    r"|(?P<letters>(?:sd|vd|hd|xvd)[a-z]{1,3})(?P<after>\d{1,4})?",
    re.ASCII,
)
_NUMBERS = regex(r"(?P<major>\d{1,9}):(?P<minor>\d{1,9})(?::\d+)?|(?P<hex>[0-9a-fA-F]{1,8})")
_SIZE = regex(r"(?P<number>0[xX][0-9a-fA-F]{1,15}|\d{1,18})(?P<unit>[KMGTkmgt]?)", re.ASCII)
_PARTITION_OFFSET = regex(r"(?P<id>[^/]*)/PARTNROFF=(?P<offset>[+-]?\d{1,9})", re.ASCII)


@dataclass(frozen=True, slots=True, kw_only=True)
class Argument:
    """One argument: `name` and, after the first `=`, `value` (None without `=`), unquoted.

    `offset` is the character at which it starts.
    `for_init` is set after a lone `--`: the kernel passes those on and does not look at them.
    """

    name: str
    value: str | None
    text: str
    offset: int
    for_init: bool = False


class RootKind(enum.Enum):
    """The forms of `root=`."""

    PARTITION_UUID = "PARTUUID"
    PARTITION_LABEL = "PARTLABEL"
    FILE_SYSTEM_UUID = "UUID"  # an initial ramdisk must look it up, the kernel cannot
    FILE_SYSTEM_LABEL = "LABEL"  # as above
    DISK = "disk"
    MTD = "MTD"
    UBI = "UBI volume"
    NETWORK = "network"
    RAMDISK = "ramdisk"
    NUMBERS = "device numbers"
    OTHER = "other"


@dataclass(frozen=True, slots=True, kw_only=True)
class Root:
    """What `root=` names.

    Where it is a device that the command line itself maps, this is what that is made of: `verified`
    tells that dm-verity holds each block against a hash, `restarts` that the kernel restarts or
    panics at one that does not match. `id` is the UUID or the label that is looked up. `disk` is
    the name of the whole disk or the UBI device, `partition` the partition's, MTD's or volume's
    number, `volume` a volume's or an MTD's name. `partition_offset` is what `/PARTNROFF=` adds to
    the partition that has the UUID.
    """

    kind: RootKind
    text: str
    id: str | None = None
    disk: str | None = None
    partition: int | None = None
    volume: str | None = None
    partition_offset: int = 0
    verified: bool = False
    restarts: bool = False

    @property
    def needs_ramdisk(self) -> bool:
        """Whether only an initial ramdisk can find it."""
        return self.kind in {RootKind.FILE_SYSTEM_UUID, RootKind.FILE_SYSTEM_LABEL}


@dataclass(frozen=True, slots=True, kw_only=True)
class Console:
    """One `console=`: the device and what follows its first comma, such as `115200n8`."""

    device: str
    options: str
    argument: Argument

    @property
    def baud(self) -> int | None:
        """The speed that the options start with."""
        digits = re.match(r"\d{1,9}", self.options, re.ASCII)
        return int(digits.group()) if digits else None


@dataclass(frozen=True, slots=True)
class CommandLine:
    """A command line, split; `arguments` keep their order and repeat where they are repeated."""

    text: str
    arguments: tuple[Argument, ...]

    def all(self, name: str) -> tuple[Argument, ...]:
        """Give every argument of that name; the kernel takes `-` and `_` for the same."""
        wanted = _plain(name)
        return tuple(
            argument
            for argument in self.arguments
            if not argument.for_init and _plain(argument.name) == wanted
        )

    def last(self, name: str) -> Argument | None:
        """Give the last of that name, which is the one that counts for most."""
        found = self.all(name)
        return found[-1] if found else None

    def value(self, name: str) -> str | None:
        """Give the value of the last of that name."""
        found = self.last(name)
        return None if found is None else found.value

    @property
    def root(self) -> Root | None:
        """What the last `root=` names."""
        value = self.value("root")
        if value is None:
            return None
        name = value.removeprefix("/dev/")
        for made in mapped(self.value("dm-mod.create") or "") if name.startswith("dm-") else ():
            if name == f"dm-{made.number}":
                under = parse_root(made.device)
                return replace(under, text=value, verified=made.verified, restarts=made.restarts)
        return parse_root(value)

    @property
    def consoles(self) -> tuple[Console, ...]:
        """Every `console=` in order; the last becomes /dev/console."""
        return tuple(
            Console(device=device, options=options, argument=argument)
            for argument in self.all("console")
            for device, _, options in ((argument.value or "").partition(","),)
        )

    def size(self, name: str) -> int | None:
        """Give the bytes with which the last value of that name starts (memparse of the kernel)."""
        found = _SIZE.match(self.value(name) or "")
        if found is None:
            return None
        number = found["number"]
        # A leading 0 makes it octal for the kernel; nobody means that.
        size = int(number, 16) if number[:2].lower() == "0x" else int(number)
        return size << 10 * " kmgt".index(found["unit"].lower() or " ")

    @property
    def memory_limit(self) -> int | None:
        """What `mem=` leaves of the RAM; None where it gives a place as well, or is not there."""
        value = self.value("mem")
        return None if value is None or "@" in value else self.size("mem")

    @property
    def root_type(self) -> str | None:
        """`rootfstype=`."""
        return self.value("rootfstype")

    @property
    def init(self) -> str | None:
        """`init=`, the first program on the root file system."""
        return self.value("init")

    @property
    def ubi_attached(self) -> tuple[str, ...]:
        """What each `ubi.mtd=` attaches: an MTD's number, name or path, without its options."""
        return tuple((found.value or "").partition(",")[0] for found in self.all("ubi.mtd"))

    @property
    def waits_for_root(self) -> bool:
        """Whether `rootwait` stands in it."""
        return bool(self.all("rootwait"))


def parse(text: str) -> CommandLine:
    """Split a command line; every text is one."""
    return CommandLine(text, tuple(_arguments(text)))


def parse_root(value: str) -> Root:
    """Tell what the value of `root=` names; every text is at least OTHER."""
    for prefix, kind in (
        ("PARTUUID=", RootKind.PARTITION_UUID),
        ("PARTLABEL=", RootKind.PARTITION_LABEL),
        ("UUID=", RootKind.FILE_SYSTEM_UUID),
        ("LABEL=", RootKind.FILE_SYSTEM_LABEL),
    ):
        if value.startswith(prefix):
            return _looked_up(value, kind, value[len(prefix) :])
    name = value.removeprefix("/dev/")
    return (
        _flash(value, name)
        or _disk(value, name)
        or _special(value, name)
        or Root(kind=RootKind.OTHER, text=value)
    )


def _arguments(text: str) -> Iterator[Argument]:
    at, for_init = 0, False
    while True:
        while at < len(text) and text[at] in _SPACE:
            at += 1
        if at == len(text):
            return
        start, quoted = at, False
        while at < len(text) and (quoted or text[at] not in _SPACE):
            quoted ^= text[at] == '"'
            at += 1
        word = text[start:at]
        argument = _argument(word, start, for_init=for_init)
        if argument.name == "--" and argument.value is None and not for_init:
            for_init = True
            continue
        yield argument


def _argument(word: str, offset: int, *, for_init: bool) -> Argument:
    inner = word.removeprefix('"')
    quoted = inner != word
    equals = inner.find("=", 1)  # a first '=' belongs to the name
    if equals < 0:
        name = inner.removesuffix('"') if quoted else inner
        return Argument(name=name, value=None, text=word, offset=offset, for_init=for_init)
    name, value = inner[:equals], inner[equals + 1 :]
    # One closing quote goes, whichever of the two opening places it belongs to.
    if value.startswith('"'):
        value = value[1:].removesuffix('"')
    elif quoted:
        value = value.removesuffix('"')
    return Argument(name=name, value=value, text=word, offset=offset, for_init=for_init)


def _plain(name: str) -> str:
    return name.replace("-", "_")


def _looked_up(text: str, kind: RootKind, wanted: str) -> Root:
    moved = _PARTITION_OFFSET.fullmatch(wanted) if kind is RootKind.PARTITION_UUID else None
    if moved is not None:
        return Root(kind=kind, text=text, id=moved["id"], partition_offset=int(moved["offset"]))
    return Root(kind=kind, text=text, id=wanted)


def _flash(text: str, name: str) -> Root | None:
    if found := _UBI.fullmatch(name):
        return Root(
            kind=RootKind.UBI,
            text=text,
            disk=f"ubi{found['device'] or 0}",
            partition=_number(found["number"]),
            volume=found["volume"],
        )
    if found := _MTD_BLOCK.fullmatch(name) or _MTD.fullmatch(name):
        return Root(kind=RootKind.MTD, text=text, partition=int(found["number"]))
    if name.startswith("mtd:"):
        return Root(kind=RootKind.MTD, text=text, volume=name.removeprefix("mtd:"))
    return None


def _disk(text: str, name: str) -> Root | None:
    found = _DISK.fullmatch(name)
    if found is None:
        return None
    return Root(
        kind=RootKind.DISK,
        text=text,
        disk=found["disk"] or found["hardware"] or found["letters"],
        partition=_number(found["partition"] or found["after"]),
    )


def _special(text: str, name: str) -> Root | None:
    if name in {"nfs", "cifs"}:
        return Root(kind=RootKind.NETWORK, text=text)
    if re.fullmatch(r"ram\d{0,4}", name, re.ASCII):
        return Root(kind=RootKind.RAMDISK, text=text)
    if _NUMBERS.fullmatch(text):
        return Root(kind=RootKind.NUMBERS, text=text)
    return None


def _number(digits: str | None) -> int | None:
    return None if digits is None else int(digits)
