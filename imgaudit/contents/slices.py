"""What of a chip's image is read as if it were files: the regions that have none of their own."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import field
from typing import TYPE_CHECKING

from imgaudit.data import dataclass
from imgaudit.units import KIB, round_up

if TYPE_CHECKING:
    from imgaudit.contents.tree import Content

_UNIT = 4 * KIB


@dataclass(frozen=True, slots=True)
class Slice:
    """Bytes of a chip's image that are read as if they were a file of their own: a region's.

    `whole` tells that the content fills them; else what is blank (`erased`) behind it is left out.
    `wanted` tells that a blank one is read too: something should be there. With a `volume`, it is
    that volume of a UBI instead, whole. `inner` is what to read of the slice in turn.
    """

    name: str
    at: int
    size: int
    expects: str | None = None
    whole: bool = False
    wanted: bool = True
    erased: int = 0xFF
    volume: str | None = None
    inner: Slices | None = None

    def end(self, data: bytes) -> int:
        """Give where the content of these bytes ends."""
        if self.whole:
            return len(data)
        end = len(data.rstrip(bytes([self.erased])))
        # Zeros may be the content's own last bytes: whole units are kept, and one more.
        return end if self.erased else min(len(data), round_up(end + 16, _UNIT))


@dataclass(frozen=True, slots=True)
class Slices:
    """What to read of an image; a file of one of these `sizes` is the image itself, unpacked.

    `held` gives, by the offset of a region that has a file of its own, what was read of that file:
    a partition whose digests prove it the same is not walked again.
    """

    of: tuple[Slice, ...]
    sizes: tuple[int, ...] = ()
    held: Mapping[int, Callable[[], Content | None]] = field(default_factory=dict)
