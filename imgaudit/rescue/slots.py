"""What an updater in a root writes to: the slots of RAUC's system.conf.

Source, from memory: RAUC's reference, "System configuration file": a GLib key file; a section
`[slot.CLASS.INDEX]` has `device=`, `type=` and, where it is started from, `bootname=`.
"""

from __future__ import annotations

from collections.abc import Iterator

from imgaudit import bounds
from imgaudit.data import dataclass
from imgaudit.patterns import regex

CONFIG = "/etc/rauc/system.conf"
LINES = 1024
_SECTION = regex(r"\[(.*)\]\s*")
_SLOT = regex(r"slot\.[^.\]]+\.\d+")


@dataclass(frozen=True, slots=True)
class Slot:
    """A slot as it is written; `line` counts from 1 and is that of its device."""

    name: str
    device: str
    line: int


def slots_in(text: str) -> Iterator[Slot]:
    """Give the slots of a system.conf that name a device."""
    section = ""
    for at, line in enumerate(bounds.within(text.splitlines(), LINES, CONFIG, "lines"), 1):
        header = _SECTION.fullmatch(line.strip())
        if header is not None:
            section = header[1]
        key, equals, value = line.partition("=")
        if equals and key.strip() == "device" and _SLOT.fullmatch(section) and value.strip():
            yield Slot(section, value.strip(), at)
