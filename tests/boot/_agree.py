"""Does the walk end a script as a running U-Boot ends it?"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from imgaudit.boot.records import World
from imgaudit.boot.walk import walk
from tests.boot._scripts import LOCALS, NAMES, RUNS, VARIABLES, Writer
from tests.boot._uboot import started

_COUNTERS = tuple(f"n{number}" for number in range(1, 10))
_WATCHED = (*NAMES, *_COUNTERS)
_NUMBERED = re.compile(rf"(?:{'|'.join(LOCALS)})\d+\Z")
_ROOM = 0x50000000
"""RAM in which the machine keeps what every script starts with."""
_BATCH = 400
"""The build's environment holds 512 variables (CONFIG_ENV_MAX_ENTRIES)."""


@dataclass(frozen=True)
class Ending:
    """How a script ended: its status (None: not known), and the variables (None: not known)."""

    succeeds: bool | None
    variables: dict[str, str | None]

    def agrees(self, other: Ending) -> bool:
        """Tell whether what is known on both sides is the same."""
        names = {*self.variables, *other.variables}
        return (self.succeeds is None or self.succeeds is other.succeeds) and all(
            self.variables.get(name, "(unset)") in {None, other.variables.get(name, "(unset)")}
            for name in names
        )

    @property
    def open(self) -> bool:
        """Tell whether something is not known."""
        return self.succeeds is None or None in self.variables.values()


def on_paper(text: str) -> Ending:
    """Follow a script."""
    done = walk({**VARIABLES, "script": text}, "script", World())
    return Ending(
        done.succeeds,
        {
            name: value
            for name, value in done.variables.items()
            if name in _WATCHED or _NUMBERED.match(name)
        },
    )


def running(texts: Sequence[str], seed: int = 0) -> Iterator[Ending]:
    """Run scripts one after the other, each from the same start; `seed` is that of the first."""
    kept = {name: value for name, value in VARIABLES.items() if value}
    clear = "; ".join(
        [
            *(f"env delete -f {name}" for name in (*_WATCHED, *RUNS)),
            f"env import -b {_ROOM:x} 0x4000",
        ]
    )
    for first in range(0, len(texts), _BATCH):
        some = {f"s{number}": text for number, text in enumerate(texts[first : first + _BATCH])}
        with started({**kept, "clear": clear, **some}) as machine:
            names = list(kept)
            machine.run(f"mw.b {_ROOM:x} 0 0x4000")
            machine.run(f"env export -b {_ROOM:x} {' '.join(names[:8])}")
            machine.run(f"env export -b {_ROOM + 0x3000:x} {' '.join(names[8:])}")
            for number, name in enumerate(some, seed + first):
                machine.run("run clear")
                machine.run(f"env import -b {_ROOM + 0x3000:x} 0x1000")
                watched = [*_WATCHED, *(f"{local}{number}" for local in LOCALS)]
                _, status = machine.run(f"run {name}")
                yield Ending(status == 0, dict(machine.variables(watched)))
                for local in LOCALS:
                    machine.run(f"env delete -f {local}{number}")


def scripts(first: int, count: int) -> list[str]:
    """Write scripts, each from its seed."""
    return [f'setenv e ""; {Writer(seed).script()}' for seed in range(first, first + count)]
