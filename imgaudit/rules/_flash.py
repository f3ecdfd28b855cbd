"""Regions of flash chips, and what fills them."""

from __future__ import annotations

from typing import TypeVar

from imgaudit.contents.place import Node
from imgaudit.formats.facts import Facts
from imgaudit.model import Region
from imgaudit.rules.engine import Kind
from imgaudit.rules.kinds import REGIONS, There

F = TypeVar("F", bound=Facts)


def on_flash_with(*holds: str) -> Kind[There]:
    """Give the kind of the regions of flash chips that hold one of these, volumes too."""
    return REGIONS.only(lambda found: found.chip.kind.mtd and found.region.holds in holds)


def on_flash(found: Node[F]) -> tuple[Region, int] | None:
    """Give the region of a flash that a content fills from its start, and the erase block there."""
    region, chip = found.region, found.chip
    if region is None or chip is None or not chip.kind.mtd or found.nested:
        return None
    return region, chip.erase_unit(region.at)
