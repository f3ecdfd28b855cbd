"""How a region, or a whole image of a chip, stands against what should be there."""

from __future__ import annotations

import enum
from collections.abc import Sequence

from imgaudit.contents.tree import Artifact, Content
from imgaudit.data import dataclass
from imgaudit.formats.uboot_env import UbootEnv
from imgaudit.model import Chip, Region, Writer
from imgaudit.units import Span

RUNTIME = "written at run time"


class Look(enum.StrEnum):
    """What a comparison looks like, in the words of the report; the most telling one."""

    SAME = "as built"
    UNKNOWN = "not compared"
    CUT = "cut off"
    OTHER = "another region's content"
    SHIFTED = "shifted"
    SWAPPED = "byte-swapped"
    MIRRORED = "bit-reversed"
    STUCK = "one bit wrong"
    NOT_ERASED = "programmed without erase"
    ERASED = "erased"
    SAVED = "saved at run time"
    BROKEN = "no valid environment"
    DIFFERS = "differs"


@dataclass(frozen=True, kw_only=True)
class Comparison:
    """A region of a chip against its artifact, or against the digests that a manifest keeps of it.

    `size` bytes were compared; `why` says why none were, and `cut` tells that the image ends before
    the artifact would. `differing` counts the bytes that differ, `first` is the first of them, from
    the region's start; on an eMMC both are in whole blocks, against a manifest nothing but the
    whole is known (`exact` is False). `digests` are the two SHA-256 that differ: sealed, found.

    What the difference looks like: `shifted` (the artifact starts that many bytes from where it
    should), `swapped` (bytes reversed in groups of 2 or 4), `mirrored` (bits reversed in each
    byte), `not_erased` (bits changed from 1 to 0 only), `stuck` (only this bit of each byte
    differs), `holes` (erased where the artifact has data; `only_holes`: nothing else differs),
    `holds` (another region's artifact stands here). `tail` lists the spans behind the artifact that
    are not blank. `environment` is what a `dump` holds where a U-Boot environment belongs.
    """

    region: Region
    size: int = 0
    why: str = ""
    cut: bool = False
    exact: bool = True
    differing: int = 0
    first: int | None = None
    digests: tuple[str, str] | None = None
    shifted: int | None = None
    swapped: int | None = None
    mirrored: bool = False
    not_erased: bool = False
    stuck: int | None = None
    holes: tuple[Span, ...] = ()
    only_holes: bool = False
    holds: str | None = None
    tail: tuple[Span, ...] = ()
    environment: UbootEnv | None = None
    dump: bool = False

    @property
    def look(self) -> Look:
        """The most telling of what was found."""
        if self.why:
            return Look.CUT if self.cut else Look.UNKNOWN
        if not self.differing:
            return Look.SAME
        if self.environment is not None and self.environment.valid:
            return Look.SAVED
        for told, look in (
            (self.holds, Look.OTHER),
            (self.shifted, Look.SHIFTED),
            (self.swapped, Look.SWAPPED),
            (self.mirrored or None, Look.MIRRORED),
        ):
            if told is not None:
                return look
        if self.dump and self.region.holds == "uboot-env":
            return Look.BROKEN
        if self.stuck is not None:
            return Look.STUCK
        if self.not_erased:
            return Look.NOT_ERASED
        return Look.ERASED if self.only_holes else Look.DIFFERS


@dataclass(frozen=True, kw_only=True)
class ChipImage:
    """An image, or a dump (`dump`), of a whole chip against the regions that it should hold.

    `area` is the chip's name, or that of an eMMC's boot area. `swapped` and `mirrored` are said of
    the whole as of a region in Comparison. `base` is the offset on the chip of the first byte: not
    0 where a dump starts at a region, negative where something was put in front. `exchanged`: the
    second half stands first. `period`: the content repeats after as many bytes.
    """

    chip: Chip
    area: str = ""
    dump: bool = False
    artifact: Artifact | None = None
    missing: str = ""
    size: int = 0
    comparisons: tuple[Comparison, ...] = ()
    gaps: tuple[Span, ...] = ()
    swapped: int | None = None
    mirrored: bool = False
    base: int = 0
    exchanged: bool = False
    period: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Digests:
    """What is known of a payload that is not at hand: its size and either digest.

    `data_sha256` is that of `Blocks.sha256`.
    """

    size: int
    sha256: str | None
    data_sha256: str | None


Placed = Sequence[tuple[Region, Content]]
Sealed = Sequence[tuple[Region, Digests]]


def skipped(region: Region) -> bool:
    """Tell what a dump cannot be held to: the board writes it, and it has no rule of its own."""
    return region.writer is Writer.RUNTIME and region.holds != "uboot-env"
