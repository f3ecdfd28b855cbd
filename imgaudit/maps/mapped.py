"""What `dm-mod.create=` maps: the block devices that the kernel makes of others at start.

Source: Linux Documentation/admin-guide/device-mapper/dm-init.rst for the argument,
Documentation/admin-guide/device-mapper/verity.rst for the target and its options.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import field

from imgaudit import bounds
from imgaudit.data import dataclass
from imgaudit.formats.verity import Verity, verity

MAX_DEVICES = 32
_VERITY_OPTIONS = 10  # of a verity table, the word that counts its options
_RESTARTS = frozenset({"restart_on_corruption", "panic_on_corruption"})
_READS_ON = frozenset({"ignore_corruption"})


@dataclass(frozen=True, slots=True, kw_only=True)
class VerityTarget:
    """Where a verity target has its data and its hashes, and what these must give.

    `start` is the offset of the hashes. `tree` is None where its shape or its algorithm is one that
    cannot be followed.
    """

    data: str
    hashes: str
    start: int
    digest: bytes
    tree: Verity | None


@dataclass(frozen=True, slots=True)
class Mapped:
    """A device-mapper device: its number, name, and what its only table line makes it of.

    `device` is what it is made of, as `root=` would name it. `verified` tells
    that each block is held against a hash before it is given, `restarts` that the kernel restarts
    or panics at one that does not match; `target` is all that its table says of the hashes.
    """

    number: int
    name: str
    device: str
    verified: bool = False
    restarts: bool = False
    target: VerityTarget | None = field(default=None, compare=False, repr=False)


def mapped(text: str) -> Iterator[Mapped]:
    """Read the value of `dm-mod.create=`; devices of several table lines are left out."""
    devices = bounds.within(text.split(";"), MAX_DEVICES, "dm-mod.create", "devices")
    for at, item in enumerate(devices):
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
                rest[1],
                verified=not options & _READS_ON,
                restarts=bool(options & _RESTARTS),
                target=_target(rest),
            )
        elif kind == "linear":
            yield Mapped(number, fields[0], rest[0])


def _target(words: list[str]) -> VerityTarget | None:
    if len(words) < _VERITY_OPTIONS:
        return None
    version, data, hashes, data_block, hash_block, blocks, start, algorithm, digest, salt = words[
        :_VERITY_OPTIONS
    ]
    try:
        numbers = [int(word) for word in (version, data_block, hash_block, blocks, start)]
        wanted, salted = bytes.fromhex(digest), bytes.fromhex("" if salt == "-" else salt)
    except ValueError:
        return None
    if min(numbers) < 0:
        return None
    kind, data_size, hash_size, count, first = numbers
    tree = verity(kind, algorithm, (data_size, hash_size), count, salted)
    return VerityTarget(data=data, hashes=hashes, start=first * hash_size, digest=wanted, tree=tree)
