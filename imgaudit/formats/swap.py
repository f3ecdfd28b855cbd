"""Linux swap space: the header page (Linux include/linux/swap.h, union swap_header; mkswap)."""

from __future__ import annotations

import uuid
from typing import ClassVar

from imgaudit.data import dataclass
from imgaudit.errors import FormatError
from imgaudit.formats.facts import Facts, Match, Reader, head_only
from imgaudit.formats.view import View
from imgaudit.units import KIB, human

MAGIC = b"SWAPSPACE2"
PAGES = (4 * KIB, 8 * KIB, 16 * KIB, 32 * KIB, 64 * KIB)
"""Page sizes of the architectures that Linux runs on."""


@dataclass(frozen=True, kw_only=True)
class Swap(Facts):
    """A swap area of `pages` pages, the header's among them."""

    format: ClassVar[str] = "swap"

    version: int
    page_size: int
    pages: int
    bad_pages: int
    uuid: str
    label: str

    @property
    def size(self) -> int:
        """Bytes that the area takes."""
        return self.pages * self.page_size

    def summary(self) -> str:
        """Give size and page size."""
        return f"{human(self.size)} in pages of {human(self.page_size)}"


def _page(view: View) -> int | None:
    return next((page for page in PAGES if view.upto(page - 10, 10) == MAGIC), None)


def _match(view: View) -> Match:
    return Match.SURE if _page(view) else Match.NO


def _read(view: View) -> Swap:
    page = _page(view)
    if page is None:
        raise FormatError(PAGES[0] - 10, "no SWAPSPACE2 at the end of the first page")
    version, last, bad = view.unpack("<III", 1024)
    if version != 1:
        raise FormatError(1024, f"swap of version {version}; Linux takes 1")
    label = view.bytes(1052, 16).split(b"\0")[0]
    return Swap(
        length=(last + 1) * page,
        offsets={"version": 1024, "last_page": 1028, "uuid": 1036},
        version=version,
        page_size=page,
        pages=last + 1,
        bad_pages=bad,
        uuid=str(uuid.UUID(bytes=view.bytes(1036, 16))),
        label=label.decode("utf-8", "backslashreplace"),
    )


READER = Reader(
    name="swap",
    title="Linux swap space",
    source="Linux include/linux/swap.h",
    match=_match,
    read=_read,
    windows=head_only,
)
