"""The kinds of thing that checks look at, and what of each could not be had or read."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, TypeVar

from imgaudit.contents.build import Placement, reader_of
from imgaudit.data import dataclass
from imgaudit.model import Chip, Layout, Region, Stage
from imgaudit.rules.engine import Kind, Missing

if TYPE_CHECKING:
    from imgaudit.contents.comparison import ChipImage
    from imgaudit.contents.place import Node
    from imgaudit.formats.facts import Facts
    from imgaudit.rules.subject import Subject

F = TypeVar("F", bound="Facts")


_CONTENTS: dict[tuple[object, ...], Kind[Any]] = {}


def contents_of(*formats: type[F], holds: tuple[str, ...] = ()) -> Kind[Node[F]]:
    """Give the contents of these formats, however deep they are nested, and where each lies.

    `holds` names the readers whose regions are told where they could not be read; those of the
    formats themselves unless given.
    """
    wanted = holds or tuple(kind.format for kind in formats)

    def each(subject: Subject) -> Iterator[Node[F] | Missing]:

        yield from unread(subject, *wanted)
        for kind in formats:
            yield from subject.of(kind)

    # One for all that ask for it: it is walked once, and checks of two families can be ordered.
    return _CONTENTS.setdefault((*formats, *wanted), Kind(each, lambda found: found.content.name))


def unread(subject: Subject, *formats: str) -> Iterator[Missing]:
    """Give the regions that should hold one of these formats, and whose artifact was not read."""
    for placement in subject.placements:
        if placement.given and reader_of(placement.region.holds) in formats:
            why = _why(placement)
            if why:
                yield Missing(placement.region.name, why)


def _why(placement: Placement) -> str:
    if placement.artifact is None or placement.payload is None:
        return placement.missing
    if placement.payload.facts is None:
        return f"{placement.path} could not be read: {placement.payload.why}"
    return ""


@dataclass(frozen=True, slots=True, eq=False)
class Mapped:
    """A chip of the layout, and the regions on it by offset, without what is inside of others."""

    chip: Chip
    regions: list[Region]


@dataclass(frozen=True, slots=True, eq=False)
class There:
    """A region, its chip, and all regions of the same area by offset."""

    region: Region
    chip: Chip
    beside: list[Region]


def _chips(subject: Subject) -> Iterator[Mapped]:
    layout = subject.layout
    for chip in layout.chips.values() if layout is not None else ():
        yield Mapped(chip, layout.regions_on(chip.name) if layout is not None else [])


def regions_of(subject: Subject) -> Iterator[There]:
    """Give every region of the layout."""
    layout = subject.layout
    if layout is not None:
        beside = {area.name: layout.regions_on(area.name) for area in layout.areas}
        for region in layout.regions:
            yield There(region, layout.chips[region.chip], beside[region.area])


def _named(there: There) -> str:
    return there.region.name


def on(chips: Kind[Mapped]) -> Kind[There]:
    """Give the kind of the regions on some chips, without what is inside of others."""
    return chips.each(
        lambda mapped: (There(region, mapped.chip, mapped.regions) for region in mapped.regions),
        _named,
    )


REGIONS = Kind(regions_of, _named)
"""Every region of the layout."""
PLACEMENTS: Kind[Placement] = Kind(
    lambda subject: subject.placements, lambda placement: placement.region.name
)
"""Every region with what was read for it."""
READ = PLACEMENTS.only(lambda placement: placement.payload is not None)
CHIPS = Kind(_chips, lambda mapped: mapped.chip.name)
"""Every chip of the layout."""
FLASH = CHIPS.only(lambda mapped: mapped.chip.kind.mtd)
ON_FLASH = on(FLASH)
PARTITIONED = CHIPS.only(
    lambda mapped: (
        mapped.chip.kind.sectors and any(one.partition is not None for one in mapped.regions)
    )
)
ON_PARTITIONED = on(PARTITIONED)
"""The regions of the user areas of eMMCs and cards that have partitions."""


STAGES: Kind[Stage] = Kind(
    lambda subject: subject.layout.stages.values() if subject.layout else (),
    lambda stage: stage.name,
)
IMAGES: Kind[ChipImage] = Kind(lambda subject: subject.images, lambda image: image.chip.name)
"""Every image or dump of a chip."""


def the_layout(subject: Subject) -> Layout | None:
    """Give the layout, for a check that compares a thing with it."""
    return subject.layout


def board_arch(subject: Subject) -> str | None:
    """Give the architecture of the layout's board."""
    return subject.layout.arch if subject.layout is not None else None


def whole(subject: Subject) -> Subject:
    """Give the whole build, for a check that compares a thing with it."""
    return subject
