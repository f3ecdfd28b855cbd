"""Skippable frames, which Zstandard and LZ4 share.

Source: RFC 8878, 3.1.2; LZ4 frame format 1.6.4.
"""

from __future__ import annotations

from imgaudit.formats.stream import Feed
from imgaudit.formats.view import View

_FRAMES = 64  # more before the first data frame is not a file that a tool made


def _is_skippable(head: bytes) -> bool:
    return len(head) == 8 and head[0] & 0xF0 == 0x50 and head[1:4] == b"\x2a\x4d\x18"


def first_frame(view: View, magic: bytes) -> int | None:
    """Find the frame with this magic at the start or behind skippable frames."""
    at = 0
    for _ in range(_FRAMES):
        head = view.upto(at, 8)
        if head[:4] == magic:
            return at
        if not _is_skippable(head):
            return None
        at += 8 + int.from_bytes(head[4:], "little")
    return None


def skip(feed: Feed) -> None:
    """Pass over every skippable frame that stands here."""
    while _is_skippable(feed.peek(8)):
        feed.begin()
        feed.take(4)
        feed.skip(feed.u32le())
