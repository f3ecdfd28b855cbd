"""Which images of a FIT a write that stopped at an erase block leaves broken.

Blocks are written from the first to the last, so that all before the torn one is new. The tree of a
FIT stands in front of data that is external to it: while the tear lies behind the tree, the images
before it are whole. Data inside the tree has nodes and the table of names behind it, so that a tear
leaves nothing to tell the images by; then all of them may be broken.

Source: Flat Image Tree Specification, "External data"; Devicetree Specification 5 for the order of
the blocks of a tree (the table of names last, as dtc and mkimage write it).
"""

from __future__ import annotations

from collections.abc import Iterator

from imgaudit.contents.tree import Content
from imgaudit.formats.fit import FitFacts
from imgaudit.model import Chip
from imgaudit.units import Span

MAX_IMAGES = 32
"""Images of one FIT that are told apart."""


def tears(
    content: Content | None, chip: Chip, whole: Span, start: int
) -> tuple[tuple[int, frozenset[str]], ...]:
    """Give, for blocks in which a write can stop, the images that are then broken.

    Args:
        content: what is written.
        chip: what it is written to.
        whole: the erase blocks that are written, as bytes of the chip.
        start: where the content starts on the chip.

    Returns:
        Numbers of blocks, ascending, each with what is broken from that one up to the next number;
        before the first of them all may be. Empty where that cannot be told.

    """
    facts = None if content is None else content.facts
    if not isinstance(facts, FitFacts) or len(facts.images) > MAX_IMAGES:
        return ()
    ends = list(_ends(facts))
    if len(ends) != len(facts.images):
        return ()

    def block(end: int) -> int:
        """Give the number of the block that holds the last byte before an end."""
        last = chip.erased_by(Span.sized(start + end - 1, 1))
        return chip.erase_blocks(Span(whole.start, last.end)) - 1

    tree = block(facts.totalsize)
    last = {name: block(end) for name, end in ends}
    numbers = sorted({tree + 1, *(number + 1 for number in last.values() if number >= tree)})
    return tuple(
        (number, frozenset(name for name, at in last.items() if at >= number)) for number in numbers
    )


def _ends(facts: FitFacts) -> Iterator[tuple[str, int]]:
    for image in facts.images:
        if image.data_offset is not None and image.data_size:
            yield image.name, image.data_offset + image.data_size
