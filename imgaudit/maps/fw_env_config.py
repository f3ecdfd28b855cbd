"""`fw_env.config`: where the tools under Linux look for the boot loader's environment.

Source: U-Boot tools/env/fw_env.c (get_config) and its example file.
"""

from __future__ import annotations

import enum
import re

from imgaudit.data import dataclass
from imgaudit.maps.entry import Kind, MapCopy, MapEntry, Medium, Written
from imgaudit.patterns import regex
from imgaudit.ramdisk.root import Root

PLACE = "/etc/fw_env.config"
_MAX_COPIES = 2  # the tools read no further
_UBI = regex(r"/dev/ubi(?P<device>\d{1,9})(?:_(?P<number>\d{1,9})|:(?P<name>.+))", re.ASCII)
_MTD = regex(r"/dev/mtd(?:block)?(?P<number>\d{1,9})(?:ro)?", re.ASCII)
_BLOCK = regex(
    r"/dev/(?:mmcblk|nvme|sd[a-z]|vd[a-z]|hd[a-z]|loop|disk/|mapper/|block/).*", re.ASCII
)
# As scanf's %lli and %lx; they stop at the first character that does not belong.
_OFFSET = regex(r"(?P<sign>[+-]?)(?:0[xX](?P<hex>[0-9a-fA-F]+)|(?P<digits>\d+))", re.ASCII)
_HEX = regex(r"(?:0[xX])?(?P<hex>[0-9a-fA-F]+)", re.ASCII)
_BITS = 64


class Target(enum.Enum):
    """What the first word of an entry names."""

    MTD_NUMBER = "MTD by number"
    MTD_NAME = "MTD by name"
    BLOCK = "block device"
    UBI = "UBI volume"
    FILE = "file"


_MEDIA = {Target.BLOCK: Medium.UNKNOWN, Target.UBI: Medium.UBI, Target.FILE: Medium.FILE}


@dataclass(frozen=True, slots=True, kw_only=True)
class Location:
    """One copy of the environment.

    `offset` is negative where it counts from the end. `sector_size` and `sectors` are None where
    they are left out: a NOR's own erase block is taken then, elsewhere the environment's size.
    `number` is an MTD's or a volume's, `name` the name behind a `:`.
    """

    device: str
    target: Target
    offset: int
    size: int
    sector_size: int | None
    sectors: int | None
    at: Written
    number: int | None = None
    name: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FlashToolConfig:
    """The one or two locations that the tools use, and what they pass over.

    `decimal` lists the offsets that are written without `0x` and so are not read as hex.
    """

    locations: tuple[Location, ...]
    decimal: tuple[Written, ...] = ()
    passed_over: tuple[Written, ...] = ()

    @property
    def redundant(self) -> bool:
        """Whether two copies are configured."""
        return len(self.locations) == _MAX_COPIES

    def copies(self) -> tuple[MapCopy, ...]:
        """Give one copy of the map per device that is named, in the order of the file."""
        devices = dict.fromkeys(location.device for location in self.locations)
        labels = ("environment", "redundant environment")
        entries = [
            (location, MapEntry(label=label, offset=location.offset, size=location.size, at=at))
            for label, location in zip(labels, self.locations, strict=False)
            for at in (location.at,)
        ]
        return tuple(
            MapCopy(
                kind=Kind.FLASH_TOOL_CONFIG,
                device=device,
                medium=next(
                    _MEDIA.get(location.target, Medium.UNKNOWN)
                    for location in self.locations
                    if location.device == device
                ),
                entries=tuple(entry for location, entry in entries if location.device == device),
            )
            for device in devices
        )


def parse(text: str) -> FlashToolConfig:
    """Read the file as the tools do: a line that is no entry is passed over, never an error."""
    locations: list[Location] = []
    decimal: list[Written] = []
    passed_over: list[Written] = []
    start = 0
    for number, line in enumerate(text.split("\n"), 1):
        at = Written(text=line.strip(), line=number, offset=start)
        start += len(line) + 1
        if line.startswith("#") or not at.text:
            continue
        location = _location(at) if len(locations) < _MAX_COPIES else None
        if location is None:
            passed_over.append(at)
            continue
        locations.append(location)
        if location.offset and "0x" not in at.text.split()[1].lower():
            decimal.append(at)
    return FlashToolConfig(
        locations=tuple(locations), decimal=tuple(decimal), passed_over=tuple(passed_over)
    )


def of_root(root: Root) -> FlashToolConfig | None:
    """Read the one that stands in a root; None where there is none."""
    text = root.text(PLACE)
    return None if text is None else parse(text)


def _location(at: Written) -> Location | None:
    device, *words = at.text.split()
    numbers: list[int] = []
    for word, read in zip(words, (_offset, _hex, _hex, _hex), strict=False):
        value = read(word)
        if value is None:
            break
        numbers.append(value)
    if len(numbers) < 2:
        return None
    offset, size, *sectors = numbers
    target, index, name = _target(device)
    return Location(
        device=device,
        target=target,
        number=index,
        name=name,
        offset=offset,
        size=size,
        sector_size=sectors[0] if sectors else None,
        sectors=sectors[1] if len(sectors) > 1 else None,
        at=at,
    )


def _target(device: str) -> tuple[Target, int | None, str | None]:
    if found := _UBI.fullmatch(device):
        return Target.UBI, int(found["number"]) if found["number"] else None, found["name"]
    if found := _MTD.fullmatch(device):
        return Target.MTD_NUMBER, int(found["number"]), None
    if _BLOCK.fullmatch(device):
        return Target.BLOCK, None, None
    if "/" in device:
        return Target.FILE, None, None
    return Target.MTD_NAME, None, device.removeprefix("mtd:")


def _offset(word: str) -> int | None:
    found = _OFFSET.match(word)
    if found is None:
        return None
    if found["hex"]:
        value = _bounded(found["hex"], 16)
    else:
        digits = found["digits"]
        octal = re.match("0[0-7]*", digits)
        value = _bounded(octal.group(), 8) if octal else _bounded(digits, 10)
    return value if value is None or found["sign"] != "-" else -value


def _hex(word: str) -> int | None:
    found = _HEX.match(word)
    return None if found is None else _bounded(found["hex"], 16)


def _bounded(digits: str, base: int) -> int | None:
    # A number of more than 64 bits is no place on any flash, and int() refuses very long decimals.
    if len(digits) > _BITS:
        return None
    value = int(digits, base)
    return value if value < 1 << _BITS else None
