"""What a proof says, as plain data."""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING

from imgaudit.data import dataclass

if TYPE_CHECKING:
    from imgaudit.maps.collect import Place
    from imgaudit.model import Stage


class Verdict(StrEnum):
    """Whether a stage starts."""

    PROVEN = "proven"
    REFUTED = "refuted"
    UNPROVEN = "unproven"


class Fault(StrEnum):
    """What is wrong where a boot command cannot start what it is given."""

    FIRMWARE = "the firmware does not come as far as U-Boot"
    READ = "what is read is not the whole of it"
    OVERWRITTEN = "something else lies over it"
    OUTSIDE = "it lies where no RAM is"
    RESERVED = "it lies over reserved memory"
    CONTENT = "it is damaged, empty, or something else"
    CHECKSUM = "a checksum does not hold"
    CONFIGURATION = "the FIT does not name what is there"
    MACHINE = "it is for another machine"
    OPTION = "U-Boot was built without what it takes"
    RAMDISK = "the ramdisk is none"
    INIT = "the first program does not run, or ends"
    ROOT = "root= leads nowhere"
    KERNEL = "the kernel was built without what it takes"
    TABLE = "the kernel reads no partition table"
    ROOT_CONTENT = "the root holds no system that starts"


@dataclass(frozen=True, slots=True)
class Step:
    """A command of a script, and why it succeeds, fails or cannot be known.

    `variable` names the text it stands in, `at` its offset there and `offset` the byte on the chip
    or, where there is none, in the artifact (None: no artifact has that text). `fault` says what is
    wrong with what is started, and `region` where that lies.
    """

    command: str
    variable: str
    at: int
    why: str
    offset: int | None = None
    fault: Fault | None = None
    region: str | None = None

    def __str__(self) -> str:
        return f"`{self.command}` in {self.variable}: {self.why}"


@dataclass(frozen=True, slots=True)
class Link:
    """One thing that a start is made of; `region` is where it comes from.

    `role` is firmware, environment, kernel, fdt, ramdisk, root or init. `parts` are the contents
    that it stands for, by their full names. A kernel has the command that starts it, and the
    variable in which that stands. `by_table` tells what is found by its chip's partition table.
    """

    role: str
    what: str
    region: str | None = None
    parts: tuple[str, ...] = ()
    command: str = ""
    script: str = ""
    by_table: bool = False


@dataclass(frozen=True, kw_only=True)
class Proof:
    """What was found for one stage over one environment.

    `place` is where the environment is written; `taken` tells the one that U-Boot starts with.
    `step` is the first one that cannot succeed (refuted) or is not known (unproven), `then` what
    the board does in that case. `chain` is one start of the
    stage. `hopeless` are steps that can never work although a later one makes up for them;
    `outside` are media that the layout does not name from which something else could start first.
    `told` says that a rule of its own names the detail.
    """

    stage: Stage
    verdict: Verdict
    slot: str = ""
    place: Place | None = None
    stored: bool = True
    taken: bool = True
    step: Step | None = None
    then: str = ""
    chain: tuple[Link, ...] = ()
    hopeless: tuple[Step, ...] = ()
    outside: tuple[str, ...] = ()
    paths: int = 0
    told: bool = False

    @property
    def name(self) -> str:
        """The stage, with its slot."""
        return f"{self.stage.name} {self.slot}" if self.slot else self.stage.name

    def line(self) -> str:
        """Say the proof, or what is in its way, in one sentence."""
        if self.verdict is not Verdict.PROVEN:
            return " ".join(part for part in (f"{self.step}.", _sentence(self.then)) if part)
        said: dict[str, list[str]] = {}
        for link in self.chain:
            said.setdefault(link.region or "", []).append(link.what)
        return " → ".join(
            f"{region}: {', '.join(whats)}" if region else ", ".join(whats)
            for region, whats in said.items()
        )


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}." if text else ""
