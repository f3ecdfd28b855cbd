"""Regions of flash chips, and what fills them."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TypeVar

from imgaudit.contents.place import Node
from imgaudit.formats.facts import Facts
from imgaudit.model import Chip, Region
from imgaudit.rules.subject import Subject

F = TypeVar("F", bound=Facts)


def flash_regions(subject: Subject, *holds: str) -> Iterator[tuple[Chip, Region]]:
    """Give the regions of flash chips that hold one of these."""
    for region in subject.layout.regions if subject.layout else ():
        chip = subject.layout.chips[region.chip] if subject.layout else None
        if chip is not None and chip.kind.mtd and region.holds in holds:
            yield chip, region


def on_flash(found: Node[F]) -> tuple[Region, int] | None:
    """Give the region of a flash that a content fills from its start, and the erase block there."""
    region, chip = found.region, found.chip
    if region is None or chip is None or not chip.kind.mtd or found.nested:
        return None
    return region, chip.erase_unit(region.at)
