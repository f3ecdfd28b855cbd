"""What `dm-mod.create=` maps: the block devices that the kernel makes of others at start.

Source: Linux Documentation/admin-guide/device-mapper/dm-init.rst for the argument,
Documentation/admin-guide/device-mapper/verity.rst for the target and its options.
"""

from __future__ import annotations

from collections.abc import Iterator

from imgaudit.data import dataclass

MAX_DEVICES = 32
_VERITY_OPTIONS = 10  # of a verity table, the word that counts its options
_RESTARTS = frozenset({"restart_on_corruption", "panic_on_corruption"})
_READS_ON = frozenset({"ignore_corruption"})


@dataclass(frozen=True, slots=True)
class Mapped:
    """A device-mapper device: its number, name, and what its only table line makes it of.

    `kind` is the target, `device` what it is made of, as `root=` would name it. `verified` tells
    that each block is held against a hash before it is given, `restarts` that the kernel restarts
    or panics at one that does not match.
    """

    number: int
    name: str
    kind: str
    device: str
    verified: bool = False
    restarts: bool = False


def mapped(text: str) -> Iterator[Mapped]:
    """Read the value of `dm-mod.create=`; devices of several table lines are left out."""
    for at, item in enumerate(text.split(";")[:MAX_DEVICES]):
        # name, uuid, minor, flags, table line, ...
        fields = [field.strip() for field in item.split(",")]
        words = fields[4].split() if len(fields) == 5 else []
        if len(words) < 4:
            continue
        minor = fields[2]
        number = int(minor) if minor.isascii() and minor.isdecimal() and len(minor) < 9 else at
        kind, rest = words[2], words[3:]
        if kind == "verity" and len(rest) >= 2:
            options = set(rest[_VERITY_OPTIONS + 1 :])
            yield Mapped(
                number,
                fields[0],
                kind,
                rest[1],
                verified=not options & _READS_ON,
                restarts=bool(options & _RESTARTS),
            )
        elif kind == "linear":
            yield Mapped(number, fields[0], kind, rest[0])
