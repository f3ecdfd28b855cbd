"""What the checks of a module look at, where each looks at the whole build at once.

A module names one of these as `ABOUT`. A report can then tell, of each thing, that it passed; a
finding belongs to the thing of its region, of its chip, or of a value of its identity.
"""

from __future__ import annotations

from collections.abc import Iterator

from imgaudit.rules.subject import Subject


def regions(subject: Subject) -> Iterator[str]:
    """Name every region."""
    layout = subject.layout
    yield from (region.name for region in layout.regions) if layout is not None else ()


def placed_regions(subject: Subject) -> Iterator[str]:
    """Name the regions whose content was read."""
    yield from (region.name for region, _, _ in subject.placed())


def sealed_regions(subject: Subject) -> Iterator[str]:
    """Name the regions that are held against a manifest."""
    if subject.manifest is not None:
        yield from regions(subject)


def imaged_regions(subject: Subject) -> Iterator[str]:
    """Name the regions of which a chip's image was compared with what should be there."""
    for image in subject.images:
        yield from (one.region.name for one in image.comparisons if not one.why)


def described_chips(subject: Subject) -> Iterator[str]:
    """Name the chips whose own registers were given."""
    layout = subject.layout
    if layout is not None and subject.given:
        yield from (chip.name for chip in layout.described() if chip.sfdp or chip.ext_csd)
