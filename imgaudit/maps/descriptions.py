"""What assembles a disk's image: one of two forms, told by what it says."""

from __future__ import annotations

from collections.abc import Mapping

from imgaudit.errors import FormatError
from imgaudit.maps import genimage, kickstart
from imgaudit.maps.entry import MapCopy


def described(
    text: str, sizes: Mapping[str, int] | None = None, read: genimage.Read | None = None
) -> tuple[MapCopy, ...]:
    """Read a description of a disk, of either form; `read` gives what it includes.

    Raises:
        FormatError: it is none.

    """
    try:
        return kickstart.copies(text)
    except FormatError:
        return genimage.copies(text, sizes, read)
